//! The API description: OpenAPI 3.1, made from the handlers, the problem table, the operation
//! table and the event catalogue, so that it cannot say anything else than the service does.
//!
//! `utoipa` collects operations, parameters and addresses; all schemas come from `schemars`, in the
//! full language of JSON Schema 2020-12. What every operation shares (rights, problems, rate
//! limits) is added here from the tables.

mod events;
mod schemas;
mod webhooks;

use std::collections::BTreeMap;
use std::sync::LazyLock;

use actix_web::App;
use serde_json::{Map, Value, json};
use utoipa_actix_web::AppExt as _;
use utoipa_swagger_ui::SwaggerUi;

use crate::authz::{Access, OPERATIONS, Operation};
use crate::problem::{Kind, MEDIA_TYPE, TABLE};

pub use events::schema_name as event_schema_name;

/// Version of the interface; it changes with the interface, not with the program.
pub const API_VERSION: &str = "1.0.0";

/// Words before the operations.
const DESCRIPTION: &str = include_str!("openapi/description.md");

/// Groups of operations with what they are for.
const TAGS: [(&str, &str); 8] = [
    ("events", "Send what happened."),
    ("record", "Read the record: entries in order, one by one, and what became of them."),
    ("questions", "Ask what follows from the record. Every answer tells `as_of` how many entries."),
    ("people", "Free text and people, kept beside the log so that they can be erased."),
    ("reports", "Reports and evidence to take away."),
    (
        "other logs",
        "Questions over the logs that this one follows, as a head office follows those of its sites.",
    ),
    ("proof", "Check the log without trusting it: checkpoint, hashes, proofs."),
    ("service", "Watch the service."),
];

/// The whole document.
///
/// # Panics
/// If a handler is described that has no row in the operation table, or the other way round: the
/// program was then built from two halves that do not fit.
pub fn document() -> Value {
    let app = App::new().into_utoipa_app().configure(crate::api::routes);
    let (_, collected) = app.split_for_parts();
    let mut document = serde_json::to_value(collected).unwrap_or_default();
    document["openapi"] = json!("3.1.0");
    document["jsonSchemaDialect"] = json!("https://json-schema.org/draft/2020-12/schema");
    document["info"] = json!({
        "title": "pulverlog",
        "version": API_VERSION,
        "summary": "An append-only, verifiable record for people who look after powder-bed printers.",
        "description": description(),
        "license": { "name": "MIT OR Apache-2.0", "identifier": "MIT OR Apache-2.0" },
    });
    document["servers"] = json!([{ "url": "/" }]);
    document["tags"] =
        TAGS.iter().map(|(name, words)| json!({ "name": name, "description": words })).collect();
    let mut operations = 0;
    for (path, methods) in members(&mut document["paths"]) {
        for (method, described) in members(methods) {
            let operation = Operation::find_by(&method.to_uppercase(), path)
                .unwrap_or_else(|| panic!("`{method} {path}` has no row in the operation table"));
            assert_eq!(described["operationId"], operation.id, "`{method} {path}`");
            complete(described, operation);
            operations += 1;
        }
    }
    assert_eq!(operations, OPERATIONS.len(), "the operation table has rows without a handler");
    document["webhooks"] = webhooks::section();
    let mut schemas = schemas::views();
    for (name, schema) in events::schemas() {
        let earlier = schemas.insert(name.clone(), schema.clone());
        assert!(earlier.is_none_or(|earlier| earlier == schema), "two schemas are named `{name}`");
    }
    events::make_portable(&mut schemas);
    document["components"] = json!({
        "schemas": schemas,
        "securitySchemes": { "token": {
            "type": "http", "scheme": "bearer", "bearerFormat": "JWT",
            "description": "An access token (RFC 9068) signed with EdDSA, ES256 or RS256, one algorithm \
                for each key. `sub` is `op_..` or `svc_..`, `roles` lists the roles, `sites` the sites; \
                without `sites` the token is for every site.",
        } },
        "headers": { "RetryAfter": {
            "description": "Seconds to wait before asking again.",
            "schema": { "type": "integer", "minimum": 1 },
        } },
    });
    document
}

/// The description as pages to browse, at `/docs`; every file of them is part of the program.
pub(crate) fn browsable() -> SwaggerUi {
    static DOCUMENT: LazyLock<Value> = LazyLock::new(document);
    SwaggerUi::new("/docs/{_:.*}").external_url_unchecked("/docs/openapi.json", DOCUMENT.clone())
}

/// The document as it is committed and served: sorted names, two spaces, a final line feed.
pub fn to_text(document: &Value) -> String {
    format!("{document:#}\n")
}

fn members(value: &mut Value) -> impl Iterator<Item = (&String, &mut Value)> {
    value.as_object_mut().into_iter().flat_map(Map::iter_mut)
}

fn description() -> String {
    let mut text = DESCRIPTION.to_owned();
    text.push_str(
        "\n## Problems\n\nIn the order in which they are checked; of several that apply \
        the first is returned.\n\n| type | status | when | what to do |\n|---|---|---|---|\n",
    );
    for row in TABLE {
        let line = format!(
            "| `{}` | {} | {} | {} |\n",
            row.kind.type_uri(),
            row.status,
            row.when,
            row.action
        );
        text.push_str(&line);
    }
    text
}

/// Requests that were made and answers that were given to them, by operation: `tests/api/examples.rs`
/// makes the file and keeps it true. Lists in it are shortened.
static EXAMPLES: LazyLock<Value> = LazyLock::new(|| {
    serde_json::from_str(include_str!("openapi/examples.json")).unwrap_or_default()
});

/// Puts the examples of an operation where they belong: at its body, and at the answer of their
/// status and media type.
fn exemplify(described: &mut Value, operation: &Operation) {
    let none = Map::new();
    let examples = EXAMPLES[operation.id].as_object().unwrap_or(&none);
    for (name, example) in examples {
        if let Some(Value::Array(parameters)) = described.get_mut("parameters") {
            for parameter in parameters {
                if let Some(value) = asked_with(operation.path, name, parameter) {
                    parameter["example"] = value;
                }
            }
        }
        // JSON Pointer escapes: media types and paths hold slashes.
        let key = |text: &str| text.replace('~', "~0").replace('/', "~1");
        let mut put = |pointer: String, body: &Value| {
            if let Some(Value::Object(content)) = described.pointer_mut(&pointer) {
                let shown = content.entry("examples").or_insert_with(|| json!({}));
                shown[name] = json!({ "summary": name, "value": body });
            }
        };
        let media_type = |of: &Value| key(of["media_type"].as_str().unwrap_or_default());
        if let Some(request) = example.get("request") {
            put(format!("/requestBody/content/{}", media_type(request)), &request["body"]);
        }
        let status = &example["status"];
        put(format!("/responses/{status}/content/{}", media_type(example)), &example["body"]);
    }
}

/// The value of a parameter in a path that was asked, in the type the parameter has.
fn asked_with(template: &str, asked: &str, parameter: &Value) -> Option<Value> {
    let (path, query) = asked.split_once('?').unwrap_or((asked, ""));
    let name = parameter["name"].as_str()?;
    let value = if parameter["in"] == "path" {
        let mut parts = template.split('/').zip(path.split('/'));
        parts.find(|(part, _)| part.strip_prefix('{') == Some(&*format!("{name}}}")))?.1
    } else {
        query.split('&').find_map(|pair| pair.strip_prefix(name)?.strip_prefix('='))?
    };
    Some(value.parse::<u64>().map_or_else(|_| json!(value), |number| json!(number)))
}

/// Adds to an operation what follows from the tables.
fn complete(described: &mut Value, operation: &Operation) {
    let rights = match operation.access {
        Access::Public => {
            described["security"] = json!([]);
            "**Rights:** open to everybody.".to_owned()
        }
        Access::Roles(roles) => {
            let words: Vec<&str> = roles.iter().map(|role| role.as_str()).collect();
            described["security"] = json!([{ "token": [] }]);
            described["x-roles"] = json!(words);
            format!("**Rights:** {}.", words.join(", "))
        }
    };
    let text = described["description"].as_str().unwrap_or_default().trim();
    described["description"] = json!(format!("{text}\n\n{rights}").trim());
    match operation.id {
        "recordEvents" => events::describe_sending(described),
        "readEntry" => {
            described["responses"]["200"]["content"]["application/json"]["schema"] =
                json!({ "$ref": "#/components/schemas/Entry" });
        }
        _ => {}
    }
    exemplify(described, operation);
    for (status, kinds) in problems_by_status(operation) {
        described["responses"][status.to_string()] = problem_response(&kinds);
    }
}

fn problems_by_status(operation: &Operation) -> BTreeMap<u16, Vec<Kind>> {
    let mut by_status: BTreeMap<u16, Vec<Kind>> = BTreeMap::new();
    for kind in operation.all_problems() {
        by_status.entry(kind.row().status).or_default().push(kind);
    }
    by_status
}

/// One answer for all problems of a status, with an example of each.
fn problem_response(kinds: &[Kind]) -> Value {
    let rows = kinds.iter().map(|kind| kind.row());
    let words: Vec<String> =
        rows.clone().map(|row| format!("`{}`: {}.", row.code, row.when)).collect();
    let examples: Map<String, Value> = rows
        .map(|row| {
            let value = json!({
                "type": row.kind.type_uri(), "title": row.title, "status": row.status,
                "detail": row.when,
            });
            (row.code.to_owned(), json!({ "summary": row.title, "value": value }))
        })
        .collect();
    let mut response = json!({
        "description": words.join("\n\n"),
        "content": { MEDIA_TYPE: {
            "schema": { "$ref": "#/components/schemas/Problem" },
            "examples": examples,
        } },
    });
    if kinds.iter().any(|kind| kind.waits()) {
        response["headers"] =
            json!({ "Retry-After": { "$ref": "#/components/headers/RetryAfter" } });
    }
    response
}
