//! The API description: committed as generated, whole, and true.

use std::collections::BTreeSet;
use std::path::Path;

use serde_json::Value;

/// Where the description is committed.
fn committed() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../openapi/pulverlog-v1.json")
}

#[test]
fn the_committed_description_is_the_generated_one() {
    let text = recorder::openapi::to_text(&recorder::openapi::document());
    if std::env::var_os("PULVERLOG_UPDATE").is_some() {
        std::fs::write(committed(), &text).unwrap();
    }
    let found = std::fs::read_to_string(committed()).unwrap_or_default();
    let differs = found.lines().zip(text.lines()).position(|(a, b)| a != b);
    assert!(
        found == text,
        "openapi/pulverlog-v1.json differs from line {} on: review the change, then write it with \
         PULVERLOG_UPDATE=1 cargo test -p recorder --test api description",
        differs.unwrap_or(0) + 1,
    );
}

fn references<'v>(value: &'v Value, found: &mut BTreeSet<&'v str>) {
    match value {
        Value::Object(members) => {
            if let Some(Value::String(reference)) = members.get("$ref") {
                found.insert(reference);
            }
            members.values().for_each(|member| references(member, found));
        }
        Value::Array(items) => items.iter().for_each(|item| references(item, found)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

#[test]
fn every_reference_leads_somewhere_and_every_schema_is_used() {
    let document = recorder::openapi::document();
    let mut used = BTreeSet::new();
    references(&document, &mut used);
    for reference in &used {
        let pointer = reference.strip_prefix('#').unwrap();
        assert!(document.pointer(pointer).is_some(), "{reference} leads nowhere");
    }
    for name in document["components"]["schemas"].as_object().unwrap().keys() {
        let reference = format!("#/components/schemas/{name}");
        assert!(used.contains(reference.as_str()), "{name} is used nowhere");
    }
}

#[test]
fn every_operation_says_what_it_is_for_and_who_may_call_it() {
    let document = recorder::openapi::document();
    for (path, methods) in document["paths"].as_object().unwrap() {
        for (method, operation) in methods.as_object().unwrap() {
            let name = format!("{method} {path}");
            let text = |member: &str| operation[member].as_str().unwrap_or_default();
            assert!(!text("summary").is_empty() && !text("summary").ends_with('.'), "{name}");
            assert!(text("description").contains("**Rights:**"), "{name}");
            assert!(operation["security"].is_array(), "{name}");
            assert_eq!(operation["tags"].as_array().unwrap().len(), 1, "{name}");
            let parameters = operation["parameters"].as_array();
            for parameter in parameters.into_iter().flatten() {
                assert!(parameter["description"].is_string(), "{name}: {parameter}");
            }
            for (status, response) in operation["responses"].as_object().unwrap() {
                assert!(response["description"].is_string(), "{name}: {status}");
                let problem = response["content"].get("application/problem+json").is_some();
                assert_eq!(problem, status.as_bytes()[0] >= b'4', "{name}: {status}");
            }
        }
    }
}

#[test]
fn every_event_type_that_may_be_sent_has_a_schema() {
    let document = recorder::openapi::document();
    let mapping =
        document["components"]["schemas"]["Event"]["discriminator"]["mapping"].as_object().unwrap();
    for kind in shopfloor::catalogue::CATALOGUE {
        let sent = kind.origin != shopfloor::catalogue::Origin::Log;
        let type_ = format!("pulverlog.{}", kind.name);
        assert_eq!(mapping.contains_key(&type_), sent, "{type_}");
    }
}
