use serde_json::json;

use super::*;

/// A description with one operation that takes and gives the schema `Thing`.
fn document() -> Value {
    json!({
        "info": { "version": "1.0.0" },
        "paths": { "/v1/things": { "post": {
            "operationId": "sendThing",
            "security": [{ "token": [] }],
            "x-roles": ["lead", "service"],
            "parameters": [
                { "in": "query", "name": "site", "required": false, "schema": { "type": "string" } },
            ],
            "requestBody": { "required": true, "content": {
                "application/json": { "schema": { "$ref": "#/components/schemas/Thing" } },
                "text/plain": { "schema": { "type": "string" } },
            } },
            "responses": {
                "200": {
                    "headers": { "Location": { "schema": { "type": "string" } } },
                    "content": { "application/json": {
                        "schema": { "$ref": "#/components/schemas/Told" } } } },
                "409": { "content": {} },
            },
        } } },
        "webhooks": { "thing": { "post": {
            "requestBody": { "required": true, "content": {
                "application/json": { "schema": { "$ref": "#/components/schemas/Told" } } } },
            "responses": { "2XX": {} },
        } } },
        "components": {
            "securitySchemes": { "token": { "type": "http", "scheme": "bearer" } },
            "schemas": {
                "Thing": {
                    "type": "object", "additionalProperties": false, "required": ["id"],
                    "properties": {
                        "id": { "type": "string", "pattern": "^[a-z]+$", "maxLength": 40 },
                        "count": { "type": "integer", "minimum": 0, "maximum": 100 },
                        "kind": { "type": "string", "enum": ["a", "b"] },
                        "parts": { "type": "array", "items": { "$ref": "#/components/schemas/Thing" } },
                        "when": { "oneOf": [
                            { "$ref": "#/components/schemas/Day" },
                            { "type": "object", "required": ["of"], "properties": {
                                "of": { "const": "shift" }, "shift": { "type": "string" } } },
                        ] },
                    },
                },
                "Day": { "type": "string", "format": "date" },
                "Told": {
                    "type": "object", "required": ["seq"],
                    "properties": {
                        "seq": { "type": "integer" },
                        "state": { "type": "string", "enum": ["open", "shut"] },
                        "thing": { "anyOf": [
                            { "$ref": "#/components/schemas/Day" }, { "type": "integer" } ] },
                        "next": { "$ref": "#/components/schemas/Told" },
                    },
                },
            },
        },
    })
}

const POST: &str = "/paths/~1v1~1things/post";
const THING: &str = "/components/schemas/Thing";
const TOLD: &str = "/components/schemas/Told";

/// The document with the value at a pointer replaced or added, or removed if it is `null`.
fn changed(pointer: &str, value: Value) -> Value {
    let mut document = document();
    let (parent, member) = pointer.rsplit_once('/').unwrap();
    let member = member.replace("~1", "/");
    match document.pointer_mut(parent).unwrap_or_else(|| panic!("no {parent}")) {
        Value::Object(object) if value.is_null() => {
            object.remove(&member).unwrap_or_else(|| panic!("no {pointer}"));
        }
        Value::Object(object) => {
            object.insert(member, value);
        }
        Value::Array(items) if value.is_null() => {
            items.remove(member.parse().unwrap());
        }
        Value::Array(items) => items.insert(member.parse().unwrap(), value),
        other => panic!("{other} has no members"),
    }
    document
}

#[test]
fn every_kind_of_break_is_named_with_its_place() {
    for (pointer, value, place, words) in [
        // Operations.
        (POST.to_owned(), Value::Null, POST.to_owned(), "the operation was removed"),
        ("/paths/~1v1~1things".into(), Value::Null, POST.into(), "the operation was removed"),
        ("/webhooks/thing".into(), Value::Null, "/webhooks/thing/post".into(), "was removed"),
        (
            format!("{POST}/operationId"),
            json!("postThing"),
            format!("{POST}/operationId"),
            "it was \"sendThing\" and is \"postThing\"",
        ),
        // Rights.
        (format!("{POST}/security"), json!([]), format!("{POST}/security"), "and is []"),
        (
            format!("{POST}/x-roles"),
            json!(["lead"]),
            format!("{POST}/x-roles"),
            "role `service` lost the right",
        ),
        (
            "/components/securitySchemes/token/scheme".into(),
            json!("basic"),
            "/components/securitySchemes/token".into(),
            "the way to sign in changed",
        ),
        // Parameters and bodies.
        (
            format!("{POST}/parameters/0"),
            Value::Null,
            format!("{POST}/parameters/0"),
            "parameter \"site\" was removed",
        ),
        (
            format!("{POST}/parameters/0/required"),
            json!(true),
            format!("{POST}/parameters/0"),
            "parameter \"site\" must be there now",
        ),
        (
            format!("{POST}/parameters/0"),
            json!({ "in": "query", "name": "room", "required": true, "schema": {} }),
            format!("{POST}/parameters"),
            "the new parameter \"room\" must be there",
        ),
        (format!("{POST}/requestBody"), Value::Null, format!("{POST}/requestBody"), "was removed"),
        (
            format!("{POST}/requestBody/content/text~1plain"),
            Value::Null,
            format!("{POST}/requestBody/content/text~1plain"),
            "the media type was removed",
        ),
        // Responses.
        (
            format!("{POST}/responses/409"),
            Value::Null,
            format!("{POST}/responses/409"),
            "the response was removed",
        ),
        (
            format!("{POST}/responses/200/headers/Location"),
            Value::Null,
            format!("{POST}/responses/200/headers/Location"),
            "the header was removed",
        ),
        (
            format!("{POST}/responses/200/content/application~1json"),
            Value::Null,
            format!("{POST}/responses/200/content/application~1json"),
            "the media type was removed",
        ),
        // What a client sends.
        (
            format!("{THING}/properties/count"),
            Value::Null,
            format!("{THING}/properties/count"),
            "the member was removed",
        ),
        (
            format!("{THING}/required"),
            json!(["id", "kind"]),
            format!("{THING}/required"),
            "`kind` must be there now",
        ),
        (
            format!("{THING}/properties/id/type"),
            json!("integer"),
            format!("{THING}/properties/id/type"),
            "it was `string` and is `integer`",
        ),
        (
            format!("{THING}/properties/kind/enum"),
            json!(["a"]),
            format!("{THING}/properties/kind/enum"),
            "the value \"b\" was removed",
        ),
        (
            format!("{THING}/properties/id/enum"),
            json!(["x"]),
            format!("{THING}/properties/id/enum"),
            "only 1 of what it was may be sent",
        ),
        (
            format!("{THING}/properties/id/pattern"),
            json!("^[a-f]+$"),
            format!("{THING}/properties/id/pattern"),
            "it was \"^[a-z]+$\" and is \"^[a-f]+$\"",
        ),
        (
            format!("{THING}/properties/id/maxLength"),
            json!(39),
            format!("{THING}/properties/id/maxLength"),
            "it was 40 and is 39",
        ),
        (
            format!("{THING}/properties/id/minLength"),
            json!(1),
            format!("{THING}/properties/id/minLength"),
            "it was null and is 1",
        ),
        (
            format!("{THING}/properties/count/minimum"),
            json!(1),
            format!("{THING}/properties/count/minimum"),
            "it was 0 and is 1",
        ),
        (
            format!("{THING}/properties/parts/maxItems"),
            json!(9),
            format!("{THING}/properties/parts/maxItems"),
            "it was null and is 9",
        ),
        (
            format!("{THING}/properties/when/oneOf/0"),
            Value::Null,
            format!("{THING}/properties/when/oneOf/0"),
            "the alternative was removed",
        ),
        (
            format!("{THING}/properties/when/oneOf/1/properties/shift/type"),
            json!("integer"),
            format!("{THING}/properties/when/oneOf/1/properties/shift/type"),
            "it was `string` and is `integer`",
        ),
        (
            "/components/schemas/Day/format".into(),
            json!("date-time"),
            "/components/schemas/Day/format".into(),
            "it was \"date\" and is \"date-time\"",
        ),
        // What a client is told.
        (
            format!("{TOLD}/properties/state"),
            Value::Null,
            format!("{TOLD}/properties/state"),
            "the member was removed",
        ),
        (
            format!("{TOLD}/required"),
            json!([]),
            format!("{TOLD}/required"),
            "`seq` need not be there any more",
        ),
        (
            format!("{TOLD}/properties/seq/type"),
            json!(["integer", "null"]),
            format!("{TOLD}/properties/seq/type"),
            "it was `integer` and is `integer` or `null`",
        ),
        (
            format!("{TOLD}/properties/state/enum"),
            Value::Null,
            format!("{TOLD}/properties/state/enum"),
            "it may be anything now",
        ),
        (
            format!("{TOLD}/properties/thing/anyOf/2"),
            json!({ "type": "null" }),
            format!("{TOLD}/properties/thing/anyOf"),
            "it may be null now",
        ),
    ] {
        let found = breaks(&document(), &changed(&pointer, value));
        let begin = format!("`#{place}`: ");
        let named = found.iter().any(|text| text.starts_with(&begin) && text.contains(words));
        assert!(named, "{pointer}: {begin}..{words} is not in {found:#?}");
    }
}

#[test]
fn additions_and_words_pass() {
    assert_eq!(breaks(&document(), &document()), Vec::<String>::new());
    for (pointer, value) in [
        ("/paths/~1v1~1more".to_owned(), json!({ "get": { "operationId": "more" } })),
        (format!("{POST}/description"), json!("Other words.")),
        (format!("{POST}/x-roles"), json!(["ehs", "lead", "service"])),
        (
            format!("{POST}/parameters/1"),
            json!({ "in": "query", "name": "room", "schema": { "type": "string" } }),
        ),
        (format!("{POST}/responses/503"), json!({ "content": {} })),
        (format!("{POST}/requestBody/content/text~1csv"), json!({ "schema": {} })),
        (format!("{THING}/properties/colour"), json!({ "type": "string" })),
        (format!("{THING}/required"), json!([])),
        (format!("{THING}/properties/kind/enum"), json!(["c", "b", "a"])),
        (format!("{THING}/properties/id/pattern"), Value::Null),
        (format!("{THING}/properties/id/maxLength"), json!(41)),
        (format!("{THING}/properties/id/minLength"), json!(0)),
        (format!("{THING}/properties/count/type"), json!("number")),
        (format!("{THING}/properties/when/oneOf/2"), json!({ "type": "integer" })),
        (format!("{TOLD}/properties/more"), json!({ "type": "string" })),
        (format!("{TOLD}/required"), json!(["seq", "state"])),
        (format!("{TOLD}/properties/state/enum"), json!(["open", "shut", "stuck"])),
        (format!("{TOLD}/properties/seq/maximum"), json!(7)),
        ("/components/schemas/Day/description".to_owned(), json!("A day.")),
    ] {
        let found = breaks(&document(), &changed(&pointer, value));
        assert!(found.is_empty(), "{pointer}: {found:#?}");
    }
}

#[test]
fn the_description_breaks_nothing_that_was_released() {
    let root = crate::workspace_root().unwrap();
    let breaks = check(&root).unwrap();
    assert!(
        breaks.is_empty(),
        "clients of the released version would trip over this; take it back, or raise the major \
         version:\n{}",
        breaks.join("\n")
    );
}
