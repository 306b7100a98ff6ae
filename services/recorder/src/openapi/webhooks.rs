//! The `webhooks` section: requests that the service makes and a receiver answers.

use serde_json::{Value, json};

use crate::webhooks::signature::{LABEL, TAG};

const DESCRIPTION: &str = include_str!("webhooks.md");

/// The section.
pub(super) fn section() -> Value {
    let header = |name: &str, words: &str, example: &str| {
        json!({
            "name": name, "in": "header", "required": true, "description": words,
            "schema": { "type": "string" }, "example": example,
        })
    };
    let input = format!(
        "{LABEL}=(\"@method\" \"@authority\" \"@path\" \"@query\" \"content-type\" \
         \"content-digest\");created=1772712000;keyid=\"kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k\";\
         alg=\"ed25519\";nonce=\"SBlGKl7Yk2yZ3oW2yVbK7A\";tag=\"{TAG}\""
    );
    json!({ "entryRecorded": { "post": {
        "summary": "An entry was recorded",
        "description": DESCRIPTION,
        "tags": ["service"],
        "security": [],
        "parameters": [
            header(
                "content-digest",
                "SHA-256 of the body (RFC 9530 section 2).",
                "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:",
            ),
            header(
                "signature-input",
                "What is signed, when and with which key (RFC 9421 section 4.1).",
                &input,
            ),
            header(
                "signature",
                "The Ed25519 signature (RFC 9421 sections 3.3.6 and 4.2).",
                &format!("{LABEL}=:{}:", "A".repeat(86) + "=="),
            ),
        ],
        "requestBody": { "required": true, "content": { "application/json": {
            "schema": { "$ref": "#/components/schemas/WebhookDelivery" },
        } } },
        "responses": {
            "2XX": { "description": "Taken, durably: it is not sent again on purpose." },
            "410": { "description": "The receiver wants no more: the subscription is suspended until \
                an administrator resumes it." },
            "default": { "description": "Not taken: it is sent again later, not before `Retry-After` \
                if there is one. Redirects are not followed." },
        },
    } } })
}
