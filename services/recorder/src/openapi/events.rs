//! Schemas of events, and the description of sending them.

use std::collections::BTreeMap;

use edge::event::{BATCH_TYPE, EVENT_TYPE, SIGNATURE_HEADER};
use schemars::generate::SchemaSettings;
use serde_json::{Map, Value, json};
use shopfloor::catalogue::{CATALOGUE, EventKind, Origin, TYPE_PREFIX, data_schemas};
use shopfloor::fact::ATTRIBUTE_BYTES_MAX;
use shopfloor::ids::{Code, Label, PersonId, Subject};

use crate::http::prefer::{STRICT, WHOLE};
use crate::limits::{BATCH_BODY_BYTES_MAX, BATCH_EVENTS_MAX, EVENT_BODY_BYTES_MAX};

/// Name of the schema of an event type.
pub fn schema_name(name: &str) -> String {
    format!("Event.{name}")
}

fn reference(name: &str) -> Value {
    json!({ "$ref": format!("#/components/schemas/{name}") })
}

/// Schemas of every event that may be sent, of their `data`, and of what these refer to.
pub(super) fn schemas() -> BTreeMap<String, Value> {
    let mut generator = super::schemas::generator(SchemaSettings::draft2020_12());
    let data: BTreeMap<&str, Value> = data_schemas(&mut generator)
        .into_iter()
        .map(|(name, schema)| (name, schema.to_value()))
        .collect();
    let attributes = Attributes {
        label: generator.subschema_for::<Label>().to_value(),
        person: generator.subschema_for::<PersonId>().to_value(),
        code: generator.subschema_for::<Code>().to_value(),
        subject: generator.subschema_for::<Subject>().to_value(),
    };
    let mut schemas: BTreeMap<String, Value> =
        generator.take_definitions(true).into_iter().collect();
    for kind in CATALOGUE {
        schemas.insert(schema_name(kind.name), event(kind, &data[kind.name], &attributes));
    }
    let sent = CATALOGUE.iter().filter(|kind| kind.origin != Origin::Log);
    schemas.insert(
        "Event".to_owned(),
        one_of("A CloudEvents 1.0 event that may be sent; `type` tells which.", sent),
    );
    schemas.insert(
        "RecordedEvent".to_owned(),
        one_of("An event as it may stand in an entry; `type` tells which.", CATALOGUE.iter()),
    );
    schemas.insert("Entry".to_owned(), entry());
    schemas.insert(
        "EventBatch".to_owned(),
        json!({
            "description": "Events in the order in which they are to be recorded.",
            "type": "array", "items": reference("Event"), "maxItems": BATCH_EVENTS_MAX,
        }),
    );
    schemas
}

/// Replaces patterns with Unicode classes, which many tools cannot read, by wider ones that all can.
/// The service still applies the narrow ones; the description states them in words.
pub(super) fn make_portable(schemas: &mut BTreeMap<String, Value>) {
    for schema in schemas.values_mut() {
        let narrow = schema["pattern"].as_str().is_some_and(|pattern| pattern.contains("\\p{"));
        if narrow {
            schema["pattern"] =
                json!("^[^\\x00-\\x20\\x7f]([^\\x00-\\x1f\\x7f]*[^\\x00-\\x20\\x7f])?$");
            schema["maxLength"] = json!(80);
        }
    }
}

/// Any of these events.
fn one_of(words: &str, kinds: impl Iterator<Item = &'static EventKind>) -> Value {
    let (mut schemas, mut mapping) = (Vec::new(), Map::new());
    for kind in kinds {
        let name = schema_name(kind.name);
        schemas.push(reference(&name));
        mapping.insert(
            format!("{TYPE_PREFIX}{}", kind.name),
            json!(format!("#/components/schemas/{name}")),
        );
    }
    json!({
        "description": words,
        "oneOf": schemas,
        "discriminator": { "propertyName": "type", "mapping": mapping },
    })
}

/// An entry of record format 1, as the chain's own document describes it.
fn entry() -> Value {
    let digest = json!({ "type": "string", "pattern": "^[0-9a-f]{64}$" });
    json!({
        "description": "An entry of record format 1. Its bytes are canonical JSON (RFC 8785) and are \
            what is hashed.",
        "type": "object",
        "additionalProperties": false,
        "required": ["actor", "event", "prev", "recorded_at", "salt", "seq", "v"],
        "properties": {
            "actor": {
                "description": "Whom the service authenticated.",
                "type": "object",
                "additionalProperties": false,
                "required": ["id", "via"],
                "properties": {
                    "id": { "type": "string", "description": "`op_..` a person, `svc_..` a system, `sys` the log itself." },
                    "via": { "type": "string", "enum": chain::entry::Via::ALL.map(chain::entry::Via::as_str) },
                    "for": { "type": "string", "description": "The person a system posted for." },
                },
            },
            "event": reference("RecordedEvent"),
            "prev": digest,
            "recorded_at": { "type": "string", "format": "date-time", "description": "UTC, milliseconds." },
            "salt": { "type": "string", "pattern": "^[0-9a-f]{32}$" },
            "seq": { "type": "integer", "minimum": 0 },
            "sig": {
                "description": "The client's signature.",
                "type": "object",
                "additionalProperties": false,
                "required": ["by", "value"],
                "properties": { "by": { "type": "string" }, "value": { "type": "string" } },
            },
            "v": { "const": 1 },
        },
    })
}

struct Attributes {
    label: Value,
    person: Value,
    code: Value,
    subject: Value,
}

fn event(kind: &EventKind, data: &Value, attributes: &Attributes) -> Value {
    let printable = json!({
        "type": "string", "minLength": 1, "maxLength": ATTRIBUTE_BYTES_MAX,
        "pattern": "^[!-~]+$",
    });
    let with = |schema: &Value, words: &str| {
        let mut schema = schema.clone();
        schema["description"] = json!(words);
        schema
    };
    let mut subject = with(&attributes.subject, "What it is about.");
    if !kind.subjects.is_empty() {
        let kinds: Vec<&str> = kind.subjects.iter().map(|kind| kind.as_str()).collect();
        subject["pattern"] = json!(format!("^({})/", kinds.join("|")));
    }
    let mut required = vec!["specversion", "id", "source", "type", "subject", "data"];
    match kind.origin {
        Origin::Shop => required.extend(["time", "site"]),
        Origin::Office => required.push("time"),
        Origin::Log => {}
    }
    let roles: Vec<&str> = kind.roles.iter().map(|role| role.as_str()).collect();
    let summary = kind.summary.trim();
    let by = if roles.is_empty() { "the log itself".to_owned() } else { roles.join(", ") };
    json!({
        "title": kind.name,
        "description": format!("{summary} Recorded by: {by}."),
        "type": "object",
        "additionalProperties": false,
        "required": required,
        "properties": {
            "specversion": { "const": "1.0", "description": "Version of CloudEvents." },
            "id": with(&printable, "With `source` it names the event once and for all."),
            "source": with(&printable, "Who sends, as a URI reference."),
            "type": { "const": format!("{TYPE_PREFIX}{}", kind.name) },
            "subject": subject,
            "time": {
                "type": "string", "format": "date-time",
                "description": "When the work was done, with the offset from UTC. No leap seconds.",
            },
            "site": with(&attributes.label, "The site."),
            "operator": with(&attributes.person, "The person a service posts for."),
            "latereason": with(&attributes.code, "Why the event comes late."),
            "datacontenttype": { "const": "application/json" },
            "data": data,
        },
        "x-roles": roles,
        "x-cautions": kind.cautions,
    })
}

/// What `utoipa` cannot say about sending events.
pub(super) fn describe_sending(described: &mut Value) {
    let parameters = described["parameters"].as_array_mut();
    if let Some(parameters) = parameters {
        parameters.extend(headers());
    }
    described["requestBody"] = json!({
        "required": true,
        "description": format!(
            "One event (`{EVENT_TYPE}`, at most {EVENT_BODY_BYTES_MAX} bytes), a batch of at most \
             {BATCH_EVENTS_MAX} (`{BATCH_TYPE}`, at most {BATCH_BODY_BYTES_MAX} bytes), or the `data` \
             of one event with its attributes in `ce-` headers (`application/json`). Plain or gzip; \
             the limits hold after unpacking."
        ),
        "content": {
            EVENT_TYPE: { "schema": reference("Event") },
            BATCH_TYPE: { "schema": reference("EventBatch") },
            "application/json": { "schema": {
                "type": "object", "description": "The `data` of the type that `ce-type` names.",
            } },
        },
    });
    let applied = json!({ "Preference-Applied": {
        "description": "The preferences that were followed.", "schema": { "type": "string" },
    } });
    let answer = |words: &str, schema: Value| {
        json!({
            "description": words, "headers": applied,
            "content": { "application/json": { "schema": schema } },
        })
    };
    let responses = &mut described["responses"];
    responses["201"] = answer("The event is recorded now, durably.", reference("Receipt"));
    responses["201"]["headers"]["Location"] =
        json!({ "description": "The entry.", "schema": { "type": "string" } });
    responses["200"] = answer(
        "The event was recorded before with the same bytes, and this is its first receipt again; or \
         it was tried only; or every event of the batch is recorded.",
        json!({ "anyOf": [reference("Receipt"), reference("Trial"), reference("BatchResult")] }),
    );
    responses["207"] = answer(
        "At least one event of the batch is not recorded; each result has a status of its own.",
        reference("BatchResult"),
    );
}

fn headers() -> Vec<Value> {
    let header = |name: &str, words: String, schema: Value| {
        json!({
            "name": name, "in": "header", "required": false, "description": words, "schema": schema,
        })
    };
    vec![
        header(
            "prefer",
            format!(
                "RFC 7240. `{STRICT}`: findings that stop refuse the event. `{WHOLE}`: a batch is \
                 recorded as a whole or not at all."
            ),
            json!({ "type": "string", "examples": [STRICT, WHOLE] }),
        ),
        header(
            "content-encoding",
            "`gzip`, or left out.".to_owned(),
            json!({ "type": "string", "enum": ["gzip", "identity"] }),
        ),
        header(
            SIGNATURE_HEADER,
            "The client's Ed25519 signature of a single event: key name and id, `;`, base64. Signed is \
             `pulverlog/event/v1`, line feed, the log's origin, line feed, the canonical event."
                .to_owned(),
            json!({ "type": "string", "pattern": "^[^;+ ]+\\+[0-9a-f]{8};[A-Za-z0-9+/]{86}==$" }),
        ),
    ]
}
