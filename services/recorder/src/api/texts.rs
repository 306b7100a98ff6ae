//! What may be erased: free text and names, deposited beside the log, committed to in events, opened
//! by those who may.
//!
//! An erasure is recorded first and done then: should the power fail between, the record says what
//! is still to be done, and asking again does it. Nothing is answered before both are done.

use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use chain::Digest;
use chain::canon;
use ledger::people::{Deposit, Salt};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::Event;
use shopfloor::ids::{FreeText, Label, PersonId, Reason};
use shopfloor::record::events::DataErased;

use super::wire::utc;
use crate::app::{Caller, Recorder};
use crate::http::body;
use crate::limits::{NAME_CHARS_MAX, OTHER_BODY_BYTES_MAX, TEXT_CHARS_MAX};
use crate::problem::{Kind, Problem, Result};

/// A text to be kept beside the log.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "TextDeposit")]
pub struct TextDeposit {
    /// The words, 1 to 4000 characters.
    #[schemars(length(min = 1, max = 4000))]
    pub text: String,
    /// Whose words these are; they are erased with that person. Only a service names somebody, and
    /// must.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub operator: Option<PersonId>,
    /// 32 random bytes, base64; the service makes them if they are left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = r"^[A-Za-z0-9+/]{43}=$"))]
    pub salt: Option<String>,
}

/// Who a pseudonym is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "IdentityDeposit")]
pub struct IdentityDeposit {
    /// The name, 1 to 200 characters.
    #[schemars(length(min = 1, max = 200))]
    pub name: String,
    /// 32 random bytes, base64; the service makes them if they are left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = r"^[A-Za-z0-9+/]{43}=$"))]
    pub salt: Option<String>,
}

/// What stands for a text or identity in events.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "TextCommitment")]
pub struct TextCommitmentView {
    /// The commitment, base64: put `{"c": ..}` where an event takes free text.
    pub c: String,
    /// The same in hexadecimal digits, as in the address of a text.
    pub digest: String,
}

impl From<Digest> for TextCommitmentView {
    fn from(commitment: Digest) -> Self {
        Self { c: commitment.to_base64(), digest: commitment.to_string() }
    }
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
    /// Whose words these are.
    pub person: String,
    /// Who deposited them.
    pub by: String,
    /// When, UTC.
    pub deposited_at: String,
}

/// Who a pseudonym is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Identity")]
pub struct IdentityView {
    /// Pseudonym.
    pub person: String,
    /// The name.
    pub name: String,
    /// The commitment to it, base64, as `person.enrolled` records it.
    pub c: String,
}

/// Why something is erased.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "ErasureOrder")]
pub struct ErasureOrder {
    /// A code such as `on_request`, or a commitment.
    pub reason: Reason,
}

/// What was erased.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Erasure")]
pub struct ErasureView {
    /// Entry that tells of it.
    pub seq: u64,
    /// Whose data it was.
    pub person: String,
    /// Whether a name was there and is gone.
    pub identity: bool,
    /// Texts that are gone.
    pub texts: u64,
    /// Badges that open no door any more.
    pub badges: u64,
    /// Texts too damaged to tell whose they are: somebody has to look.
    pub unreadable: u64,
}

fn internal(error: &ledger::LedgerError) -> Problem {
    Problem::internal(error)
}

fn salt(recorder: &Recorder, given: Option<&String>) -> Result<Salt> {
    let Some(given) = given else { return Ok(ledger::people::salt(&mut *(recorder.random)())) };
    let bytes = BASE64.decode(given).ok().and_then(|bytes| bytes.try_into().ok());
    let detail = "a salt is the base64 of 32 bytes";
    bytes.ok_or_else(|| Problem::new(Kind::InvalidValue, detail).at("/salt"))
}

fn in_length(text: &str, member: &str, chars_max: usize) -> Result<()> {
    if (1..=chars_max).contains(&text.chars().count()) {
        return Ok(());
    }
    let detail = format!("1 to {chars_max} characters are wanted");
    Err(Problem::new(Kind::InvalidValue, detail).at(format!("/{member}")))
}

/// Whose words a caller may deposit.
fn author(caller: &Caller, named: Option<&PersonId>) -> Result<String> {
    match named {
        Some(person) if caller.is_service() || person.as_str() == caller.subject => {
            Ok(person.as_str().to_owned())
        }
        Some(_) => {
            let detail = "only a service deposits words of another person";
            Err(Problem::new(Kind::ForbiddenOperator, detail).at("/operator"))
        }
        None if caller.is_service() => {
            let detail = "a service names the person whose words these are";
            Err(Problem::new(Kind::MissingMember, detail).at("/operator"))
        }
        None => Ok(caller.subject.clone()),
    }
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
    in_length(&deposit.text, "text", TEXT_CHARS_MAX)?;
    let deposit = Deposit {
        person: author(&caller, deposit.operator.as_ref())?,
        salt: salt(&recorder, deposit.salt.as_ref())?,
        body: deposit.text,
        by: caller.subject.clone(),
        deposited_at_ms: recorder.clock.now_ms(),
    };
    let shared = recorder.clone();
    let kept =
        recorder.blocking(move || shared.people.put_text(&deposit).map_err(|e| internal(&e)));
    let view = TextCommitmentView::from(kept.await?);
    Ok(HttpResponse::Created()
        .insert_header(("location", format!("/v1/texts/{}", view.digest)))
        .json(view))
}

/// A commitment in 64 lower-case hexadecimal digits.
fn commitment(text: &str) -> Result<Digest> {
    text.parse()
        .map_err(|_| Problem::parameter("digest", "64 lower-case hexadecimal digits are wanted"))
}

async fn open(recorder: &web::Data<Recorder>, commitment: Digest) -> Result<Deposit> {
    let shared = recorder.clone();
    let kept = recorder.blocking(move || shared.people.text(&commitment).map_err(|e| internal(&e)));
    kept.await?.ok_or_else(Problem::not_found)
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
    digest: web::Path<String>,
) -> Result<web::Json<TextView>> {
    let commitment = commitment(&digest)?;
    let kept = open(&recorder, commitment).await?;
    Ok(web::Json(TextView {
        c: commitment.to_base64(),
        text: kept.body,
        salt: BASE64.encode(kept.salt),
        person: kept.person,
        by: kept.by,
        deposited_at: utc(kept.deposited_at_ms),
    }))
}

/// Erase free text
///
/// The entry `data.erased` tells whose words they were, by pseudonym, and why they are gone. The
/// chain verifies as before; the commitment can no longer be opened. Copies in backups live until
/// the backups do not.
#[utoipa::path(
    operation_id = "eraseText", tag = "people",
    params(("digest" = String, Path, description = "The commitment in 64 hexadecimal digits.")),
    request_body = ErasureOrder,
    responses((status = 200, description = "Erased and recorded.", body = ErasureView)),
)]
#[post("/v1/texts/{digest}/erasure")]
pub(super) async fn erase_text(
    recorder: web::Data<Recorder>,
    caller: Caller,
    digest: web::Path<String>,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<web::Json<ErasureView>> {
    let order: ErasureOrder = body::json(&request, payload, OTHER_BODY_BYTES_MAX).await?;
    let commitment = commitment(&digest)?;
    let person = open(&recorder, commitment).await?.person;
    let text = Some(FreeText { c: commitment.to_base64() });
    let seq = record(&recorder, &caller, &person, order.reason, text).await?;
    let shared = recorder.clone();
    let gone =
        recorder.blocking(move || shared.people.erase_text(&commitment).map_err(|e| internal(&e)));
    let texts = u64::from(gone.await?);
    Ok(web::Json(ErasureView { seq, person, identity: false, texts, badges: 0, unreadable: 0 }))
}

async fn record(
    recorder: &Recorder,
    caller: &Caller,
    person: &str,
    reason: Reason,
    text: Option<FreeText>,
) -> Result<u64> {
    let person = PersonId::new(person).map_err(|_| Problem::not_found())?;
    let subject = format!("person/{person}");
    let ordered_by = Label::new(&caller.subject).ok();
    let event = Event::DataErased(DataErased { person, reason, text, ordered_by });
    Ok(recorder.log.record_own(&event, Some(&subject)).await?.seq)
}

/// Keep the name of a person and get what stands for it in events
///
/// The commitment is the `identity` of `person.enrolled`. A name kept before is replaced, and what
/// committed to it can then no longer be opened.
#[utoipa::path(
    operation_id = "keepIdentity", tag = "people",
    params(("id" = String, Path, description = "Pseudonym, `op_..`.")),
    request_body = IdentityDeposit,
    responses((status = 200, description = "Kept.", body = TextCommitmentView)),
)]
#[put("/v1/people/{id}/identity")]
pub(super) async fn keep_identity(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<web::Json<TextCommitmentView>> {
    let identity: IdentityDeposit = body::json(&request, payload, OTHER_BODY_BYTES_MAX).await?;
    in_length(&identity.name, "name", NAME_CHARS_MAX)?;
    let person = PersonId::new(&id).map_err(|_| Problem::not_found())?;
    let name = serde_json::json!({ "name": identity.name }).to_string();
    let canonical = canon::to_bytes(&canon::parse(name.as_bytes())?);
    let deposit = Deposit {
        person: person.as_str().to_owned(),
        body: String::from_utf8_lossy(&canonical).into_owned(),
        by: caller.subject.clone(),
        deposited_at_ms: recorder.clock.now_ms(),
        salt: salt(&recorder, identity.salt.as_ref())?,
    };
    tracing::info!(subject = caller.subject, person = person.as_str(), "an identity is kept");
    let shared = recorder.clone();
    let kept =
        recorder.blocking(move || shared.people.put_person(&deposit).map_err(|e| internal(&e)));
    Ok(web::Json(kept.await?.into()))
}

/// The name in an identity as it is kept.
pub(crate) fn name_of(identity: &Deposit) -> Option<String> {
    let body: serde_json::Value = serde_json::from_str(&identity.body).ok()?;
    Some(body["name"].as_str()?.to_owned())
}

/// Read who a pseudonym is
///
/// Not found if the name was erased, or never kept here. Each reading is noted in the program log,
/// without the name.
#[utoipa::path(
    operation_id = "readIdentity", tag = "people",
    params(("id" = String, Path, description = "Pseudonym, `op_..`.")),
    responses((status = 200, description = "The name.", body = IdentityView)),
)]
#[get("/v1/people/{id}/identity")]
pub(super) async fn read_identity(
    recorder: web::Data<Recorder>,
    id: web::Path<String>,
) -> Result<web::Json<IdentityView>> {
    let person = PersonId::new(&id).map_err(|_| Problem::not_found())?;
    let shared = recorder.clone();
    let kept = recorder
        .blocking(move || shared.people.person(person.as_str()).map_err(|e| internal(&e)))
        .await?
        .ok_or_else(Problem::not_found)?;
    let name = name_of(&kept).ok_or_else(Problem::not_found)?;
    let c = kept.commitment().to_base64();
    Ok(web::Json(IdentityView { person: kept.person, name, c }))
}

/// Erase everything that tells who a person is
///
/// The name, the person's own words and badges. The entry `data.erased` tells whose they were, by
/// pseudonym, and why they are gone; the work done under the pseudonym stays, and the chain verifies
/// as before. Copies in backups live until the backups do not.
#[utoipa::path(
    operation_id = "erasePerson", tag = "people",
    params(("id" = String, Path, description = "Pseudonym, `op_..`.")),
    request_body = ErasureOrder,
    responses((status = 200, description = "Erased and recorded.", body = ErasureView)),
)]
#[post("/v1/people/{id}/erasure")]
pub(super) async fn erase_person(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<web::Json<ErasureView>> {
    let order: ErasureOrder = body::json(&request, payload, OTHER_BODY_BYTES_MAX).await?;
    let person = PersonId::new(&id).map_err(|_| Problem::not_found())?;
    let seq = record(&recorder, &caller, person.as_str(), order.reason, None).await?;
    let shared = recorder.clone();
    let erase = move || {
        let badges =
            shared.authn.credentials().erase(&person).map_err(|e| Problem::internal(&e))?;
        let erased = shared.people.erase(person.as_str()).map_err(|e| internal(&e))?;
        Ok((person, badges, erased))
    };
    let (person, badges, erased) = recorder.blocking(erase).await?;
    if erased.unreadable > 0 {
        tracing::error!(texts = erased.unreadable, "texts are damaged and may be the person's");
    }
    Ok(web::Json(ErasureView {
        seq,
        person: person.as_str().to_owned(),
        identity: erased.identity,
        texts: erased.texts,
        badges,
        unreadable: erased.unreadable,
    }))
}
