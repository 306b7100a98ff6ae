//! What somebody outside stands for: witnesses and the checkpoints they cosigned.

use actix_web::{HttpResponse, get, web};
use chain::time::format_ms;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::app::Recorder;
use crate::copies::Lag;
use crate::problem::Result;
use crate::witnesses::Standing;

/// What covers the log from outside, and what does not.
///
/// Whoever holds the log's key could rewrite the entries that nothing outside covers, and nothing
/// would show it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Anchors")]
pub struct AnchorsView {
    /// Name of the log.
    pub origin: String,
    /// Entries in the log.
    pub as_of: u64,
    /// The newest published checkpoint; left out if there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub newest: Option<HeadView>,
    /// The newest checkpoint that enough witnesses cosigned; left out if there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub witnessed: Option<WitnessedView>,
    /// Entries that no witnessed checkpoint covers.
    pub uncovered_entries: u64,
    /// When the first of them was recorded, UTC; left out if there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub uncovered_since: Option<String>,
    /// How long ago that is, in seconds.
    pub uncovered_s: u64,
    /// The last entry that keeps a cosigned checkpoint in the log: what stands behind it is younger
    /// than the cosignature.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub anchor_entry: Option<u64>,
    /// How many witnesses must have cosigned; 0 if there are none.
    pub quorum: usize,
    /// Whether the log works on without them.
    pub fail_open: bool,
    /// Each witness.
    pub witnesses: Vec<WitnessView>,
    /// Each copy of the log away from this machine.
    pub copies: Vec<CopyView>,
}

/// How a copy of the log stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Copy")]
pub struct CopyView {
    /// Its name in the configuration of the service.
    pub name: String,
    /// Entries it has; left out if it was not reached since the service started.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entries: Option<u64>,
    /// Entries that its newest signed checkpoint covers.
    pub signed: u64,
    /// Entries it does not have.
    pub behind_entries: u64,
    /// When the first of them was recorded, UTC; left out if there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub behind_since: Option<String>,
    /// How long ago that is, in seconds.
    pub behind_s: u64,
    /// Whether receipts wait for it.
    pub acknowledged: bool,
    /// Since when it does not go on, UTC; left out if it does. The program log says why.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trouble_since: Option<String>,
}

impl From<Lag> for CopyView {
    fn from(lag: Lag) -> Self {
        let time = |ms: i64| format_ms(ms).ok();
        Self {
            name: lag.name,
            entries: lag.standing.copied,
            signed: lag.standing.signed,
            behind_entries: lag.behind,
            behind_since: lag.since_ms.and_then(time),
            behind_s: lag.behind_s,
            acknowledged: lag.acknowledge,
            trouble_since: lag.standing.trouble.and_then(|trouble| time(trouble.since_ms)),
        }
    }
}

/// Size and root of a checkpoint.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Head")]
pub struct HeadView {
    /// Entries.
    pub size: u64,
    /// Root over them, base64.
    pub root: String,
}

/// A checkpoint that enough witnesses cosigned.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "WitnessedHead")]
pub struct WitnessedView {
    /// Entries.
    pub size: u64,
    /// Root over them, base64.
    pub root: String,
    /// When the quorum was reached, by the witnesses' clocks, UTC.
    pub at: String,
}

/// What is known of one witness.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Witness")]
pub struct WitnessView {
    /// Name and id of its key.
    pub key: String,
    /// Size of the newest checkpoint it cosigned since this service started; 0 if none.
    pub size: u64,
    /// When, by its clock, UTC.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<String>,
    /// What was wrong with its last answer; left out if nothing was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trouble: Option<String>,
}

fn time(at_s: u64) -> String {
    let ms = i64::try_from(at_s).ok().and_then(|s| s.checked_mul(1000));
    ms.and_then(|ms| format_ms(ms).ok()).unwrap_or_default()
}

impl From<Standing> for WitnessView {
    fn from(standing: Standing) -> Self {
        let Standing { label, size, at_s, trouble } = standing;
        let trouble = trouble.map(|trouble| trouble.to_string());
        Self { key: label, size, at: at_s.map(time), trouble }
    }
}

/// Read what witnesses cover of the log, and what nobody outside does
#[utoipa::path(
    operation_id = "readAnchors", tag = "proof",
    responses((status = 200, description = "Newest checkpoints and witnesses.", body = AnchorsView)),
)]
#[get("/v1/anchors")]
pub(super) async fn read_anchors(recorder: web::Data<Recorder>) -> Result<web::Json<AnchorsView>> {
    let witnesses = &recorder.witnesses;
    let window = witnesses.window()?;
    Ok(web::Json(AnchorsView {
        origin: recorder.log.origin().to_owned(),
        as_of: recorder.log.size(),
        newest: recorder
            .log
            .published()
            .map(|signed| HeadView { size: signed.size, root: signed.root.to_base64() }),
        witnessed: witnesses.covered().map(|covered| WitnessedView {
            size: covered.size,
            root: covered.root,
            at: time(covered.at_s),
        }),
        uncovered_entries: window.entries,
        uncovered_since: window.since_ms.and_then(|ms| format_ms(ms).ok()),
        uncovered_s: window.age_s,
        anchor_entry: witnesses.anchor_entry(),
        quorum: witnesses.quorum(),
        fail_open: witnesses.fail_open(),
        witnesses: witnesses.standings().into_iter().map(WitnessView::from).collect(),
        copies: recorder.copies.lags()?.into_iter().map(CopyView::from).collect(),
    }))
}

/// Read the witness policy of the log
///
/// The `policy.txt` of an evidence bundle (C2SP tlog-policy). Whoever checks the log should have it
/// from another source than the log.
#[utoipa::path(
    operation_id = "readPolicy", tag = "proof",
    responses((status = 200, description = "A policy.", body = String, content_type = "text/plain")),
)]
#[get("/log/policy")]
pub(super) async fn read_policy(recorder: web::Data<Recorder>) -> HttpResponse {
    HttpResponse::Ok()
        .content_type("text/plain; charset=utf-8")
        .body(recorder.witnesses.policy().to_string())
}
