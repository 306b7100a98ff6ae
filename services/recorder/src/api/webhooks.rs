//! Webhooks as the administrator sees them: how far each is, what was given up, and the key with
//! which receivers check what they are sent.

use actix_web::http::header::CACHE_CONTROL;
use actix_web::{HttpResponse, get, post, web};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::wire::utc;
use crate::app::{Caller, Recorder};
use crate::authz;
use crate::problem::{Problem, Result};
use crate::webhooks::signature::Jwk;
use crate::webhooks::{DeadLetter, Standing, Waiting};

/// How long a receiver may keep the key set, in seconds.
const KEYS_AGE_MAX: &str = "public, max-age=300";

/// Every subscription.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "WebhookList")]
pub struct WebhookList {
    /// Entries in the log.
    pub as_of: u64,
    /// In the order of the configuration.
    pub items: Vec<WebhookView>,
}

/// One subscription and how far it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Webhook")]
pub struct WebhookView {
    /// Its name in the configuration.
    pub name: String,
    /// Where entries are sent, without the query.
    pub url: String,
    /// Site whose entries are sent; left out: every site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<String>,
    /// Types that are sent; empty: every type.
    pub types: Vec<String>,
    /// How the subject of what is sent begins.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject: Option<String>,
    /// First entry not dealt with.
    pub next: u64,
    /// Entries not dealt with, wanted or not.
    pub behind: u64,
    /// Why nothing is sent until somebody resumes it; left out: it is not suspended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub suspended: Option<String>,
    /// The entry that waits for its next attempt, and all later ones with it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub waiting: Option<WaitingView>,
    /// How many entries were given up.
    pub dead_letters: usize,
}

/// An entry that waits for its next attempt.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "WebhookWaiting")]
pub struct WaitingView {
    /// Its number.
    pub seq: u64,
    /// How often it was tried since the service started.
    pub attempts: u32,
    /// What was wrong the last time.
    pub trouble: String,
    /// When it is tried next, UTC.
    pub next_at: String,
}

/// What was given up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "DeadLetterList")]
pub struct DeadLetterList {
    /// In the order of the log.
    pub items: Vec<DeadLetterView>,
}

/// A delivery that was given up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "DeadLetter")]
pub struct DeadLetterView {
    /// Number of the entry.
    pub seq: u64,
    /// How often it was tried.
    pub attempts: u32,
    /// When the last time, UTC.
    pub at: String,
    /// What was wrong then.
    pub trouble: String,
}

/// What became of a dead letter that was sent again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "DeadLetterRetry")]
pub struct RetryView {
    /// Whether the receiver took it; then it is off the list.
    pub delivered: bool,
    /// The letter as it stays on the list.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dead_letter: Option<DeadLetterView>,
}

/// Public keys (RFC 7517 section 5).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "JwkSet")]
pub struct JwkSet {
    /// The keys; empty if this service sends nothing.
    pub keys: Vec<Jwk>,
}

impl From<Standing> for WebhookView {
    fn from(standing: Standing) -> Self {
        let url = standing.subscription.shown_url();
        let subscription = standing.subscription;
        Self {
            name: subscription.name.to_string(),
            url,
            site: subscription.site.map(|site| site.to_string()),
            types: subscription.types,
            subject: subscription.subject,
            next: standing.next,
            behind: standing.behind,
            suspended: standing.suspended,
            waiting: standing.waiting.map(WaitingView::from),
            dead_letters: standing.dead_letters.len(),
        }
    }
}

impl From<Waiting> for WaitingView {
    fn from(waiting: Waiting) -> Self {
        let Waiting { seq, attempts, trouble, next_at_ms } = waiting;
        Self { seq, attempts, trouble: trouble.to_string(), next_at: utc(next_at_ms) }
    }
}

fn letter(seq: u64, letter: DeadLetter) -> DeadLetterView {
    let DeadLetter { attempts, at_ms, trouble } = letter;
    DeadLetterView { seq, attempts, at: utc(at_ms), trouble }
}

/// The subscription of this name, if the caller may see its site.
fn visible(recorder: &Recorder, caller: &Caller, name: &str) -> Result<Standing> {
    let standing = recorder.webhooks.standing(name).ok_or_else(Problem::not_found)?;
    authz::may_see(caller, standing.subscription.site.as_ref())?;
    Ok(standing)
}

/// List the webhooks and how far each is
///
/// Receivers are named in the configuration and nowhere else. Subscriptions of sites the token is
/// not for are left out.
#[utoipa::path(
    operation_id = "listWebhooks", tag = "service",
    responses((status = 200, description = "Every subscription.", body = WebhookList)),
)]
#[get("/v1/webhooks")]
pub(super) async fn list_webhooks(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> web::Json<WebhookList> {
    let standings = recorder.webhooks.standings().into_iter();
    let seen = standings.filter(|one| caller.may_see(one.subscription.site.as_ref()));
    web::Json(WebhookList { as_of: recorder.log.size(), items: seen.map(Into::into).collect() })
}

/// List what a webhook could not deliver
///
/// An entry comes here after the configured number of attempts; later entries go on. It stays until
/// it is sent again and taken.
#[utoipa::path(
    operation_id = "listDeadLetters", tag = "service",
    params(("name" = String, Path, description = "Name of the subscription.")),
    responses((status = 200, description = "What was given up.", body = DeadLetterList)),
)]
#[get("/v1/webhooks/{name}/dead-letters")]
pub(super) async fn list_dead_letters(
    recorder: web::Data<Recorder>,
    caller: Caller,
    name: web::Path<String>,
) -> Result<web::Json<DeadLetterList>> {
    let standing = visible(&recorder, &caller, &name)?;
    let items = standing.dead_letters.into_iter().map(|(seq, dead)| letter(seq, dead));
    Ok(web::Json(DeadLetterList { items: items.collect() }))
}

/// Send once more what a webhook could not deliver
///
/// One attempt, at once and out of order: the receiver knows by `log` and `seq` what it has. Taken,
/// the entry leaves the list.
#[utoipa::path(
    operation_id = "retryDeadLetter", tag = "service",
    params(
        ("name" = String, Path, description = "Name of the subscription."),
        ("seq" = u64, Path, description = "Number of the entry."),
    ),
    responses((status = 200, description = "What became of it.", body = RetryView)),
)]
#[post("/v1/webhooks/{name}/dead-letters/{seq}/retry")]
pub(super) async fn retry_dead_letter(
    recorder: web::Data<Recorder>,
    caller: Caller,
    path: web::Path<(String, u64)>,
) -> Result<web::Json<RetryView>> {
    let (name, seq) = path.into_inner();
    visible(&recorder, &caller, &name)?;
    let taken = recorder.webhooks.retry(&name, seq).await?.ok_or_else(Problem::not_found)?;
    tracing::info!(subscription = name, seq, by = caller.subject, "a dead letter was sent again");
    let dead_letter = taken.err().map(|dead| letter(seq, dead));
    Ok(web::Json(RetryView { delivered: dead_letter.is_none(), dead_letter }))
}

/// Let a webhook go on
///
/// Lifts a suspension, as after 410 Gone, and tries what waits at once. A subscription whose kept
/// state could not be used begins anew.
#[utoipa::path(
    operation_id = "resumeWebhook", tag = "service",
    params(("name" = String, Path, description = "Name of the subscription.")),
    responses((status = 200, description = "How far it is.", body = WebhookView)),
)]
#[post("/v1/webhooks/{name}/resume")]
pub(super) async fn resume_webhook(
    recorder: web::Data<Recorder>,
    caller: Caller,
    name: web::Path<String>,
) -> Result<web::Json<WebhookView>> {
    visible(&recorder, &caller, &name)?;
    recorder.webhooks.resume(&name).await;
    tracing::info!(subscription = *name, by = caller.subject, "a subscription was resumed");
    Ok(web::Json(visible(&recorder, &caller, &name)?.into()))
}

/// Read the public key with which deliveries are signed
///
/// A JWK Set (RFC 7517) with one Ed25519 key. `keyid` of a signature is its `kid`, the thumbprint of
/// RFC 7638; ask again when a signature names another one.
#[utoipa::path(
    operation_id = "readWebhookKeys", tag = "service",
    responses((status = 200, description = "The key set.", body = JwkSet)),
)]
#[get("/.well-known/jwks.json")]
pub(super) async fn read_webhook_keys(recorder: web::Data<Recorder>) -> HttpResponse {
    let keys = recorder.webhooks.key().into_iter().collect();
    HttpResponse::Ok().insert_header((CACHE_CONTROL, KEYS_AGE_MAX)).json(JwkSet { keys })
}
