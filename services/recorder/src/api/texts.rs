//! Free text: deposited beside the log, committed to in events, opened by those who may.

use actix_web::{HttpRequest, HttpResponse, get, post, web};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::wire::utc;
use crate::app::{Caller, Recorder};
use crate::http::body;
use crate::limits::{OTHER_BODY_BYTES_MAX, TEXT_CHARS_MAX};
use crate::problem::{Kind, Problem, Result};
use crate::texts::{Commitment, SALT_BYTES};

/// A text to be kept beside the log.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "TextDeposit")]
pub struct TextDeposit {
    /// The words, 1 to 4000 characters.
    #[schemars(length(min = 1, max = 4000))]
    pub text: String,
    /// 32 random bytes, base64; the service makes them if they are left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = r"^[A-Za-z0-9+/]{43}=$"))]
    pub salt: Option<String>,
}

/// What stands for the text in events.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "TextCommitment")]
pub struct TextCommitmentView {
    /// The commitment, base64: put `{"c": ..}` where an event takes free text.
    pub c: String,
    /// The same in hexadecimal digits, as in the address of the text.
    pub digest: String,
}

/// A text that was opened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Text")]
pub struct TextView {
    /// The commitment, base64.
    pub c: String,
    /// The words.
    pub text: String,
    /// The salt, base64: SHA-256 of salt and words is the commitment.
    pub salt: String,
    /// Who deposited it.
    pub by: String,
    /// When, UTC.
    pub deposited_at: String,
}

/// Deposit free text and get what stands for it in events
///
/// Words may hold names, and what is in the log can never be erased. So the log takes only
/// commitments; the words lie beside it and can be erased.
#[utoipa::path(
    operation_id = "depositText", tag = "people",
    request_body = TextDeposit,
    responses((status = 201, description = "Kept.", body = TextCommitmentView)),
)]
#[post("/v1/texts")]
pub(super) async fn deposit_text(
    recorder: web::Data<Recorder>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse> {
    let deposit: TextDeposit = body::json(&request, payload, OTHER_BODY_BYTES_MAX).await?;
    if !(1..=TEXT_CHARS_MAX).contains(&deposit.text.chars().count()) {
        let detail = format!("a text has 1 to {TEXT_CHARS_MAX} characters");
        return Err(Problem::new(Kind::InvalidValue, detail).at("/text"));
    }
    let salt: [u8; SALT_BYTES] = match &deposit.salt {
        None => recorder.texts.salt(),
        Some(salt) => {
            let bytes = BASE64.decode(salt).ok().and_then(|bytes| bytes.try_into().ok());
            bytes.ok_or_else(|| {
                Problem::new(Kind::InvalidValue, "a salt is the base64 of 32 bytes").at("/salt")
            })?
        }
    };
    let shared = recorder.clone();
    let kept = recorder
        .blocking(move || {
            let now_ms = shared.clock.now_ms();
            shared
                .texts
                .keep(&salt, &deposit.text, &caller.subject, now_ms)
                .map_err(|error| Problem::internal(&error))
        })
        .await?;
    let view = TextCommitmentView { c: kept.to_base64(), digest: kept.to_hex() };
    Ok(HttpResponse::Created()
        .insert_header(("location", format!("/v1/texts/{}", view.digest)))
        .json(view))
}

/// Open a commitment to free text
///
/// Not found if the text was erased, or never deposited here. Each reading is noted in the program
/// log, without the words.
#[utoipa::path(
    operation_id = "openText", tag = "people",
    params(("digest" = String, Path, description = "The commitment in 64 hexadecimal digits.")),
    responses((status = 200, description = "The words.", body = TextView)),
)]
#[get("/v1/texts/{digest}")]
pub(super) async fn open_text(
    recorder: web::Data<Recorder>,
    caller: Caller,
    digest: web::Path<String>,
) -> Result<web::Json<TextView>> {
    let commitment = Commitment::from_hex(&digest).ok_or_else(|| {
        Problem::parameter("digest", "64 lower-case hexadecimal digits are wanted")
    })?;
    let shared = recorder.clone();
    let kept = recorder
        .blocking(move || shared.texts.get(commitment).map_err(|error| Problem::internal(&error)))
        .await?
        .ok_or_else(Problem::not_found)?;
    tracing::info!(subject = caller.subject, digest = commitment.to_hex(), "a text was opened");
    Ok(web::Json(TextView {
        c: commitment.to_base64(),
        text: kept.text,
        salt: kept.salt,
        by: kept.by,
        deposited_at: utc(kept.deposited_at_ms),
    }))
}
