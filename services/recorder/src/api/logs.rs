//! Questions over the logs that are followed: how each stands, and what they say together.
//!
//! Every answer rests on entries that were checked against the signed checkpoint of their log, and
//! names log and entries. The own log is not among them: it has questions of its own.

use std::cmp::Reverse;
use std::sync::Arc;

use actix_web::http::header::ContentType;
use actix_web::{HttpResponse, get, web};
use chain::proof::TlogProof;
use chain::time::format_ms;
use jiff::Timestamp;
use ledger::mirror::MirrorView;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::State;
use shopfloor::equipment::{DueQuery, DueState, DueTask};
use shopfloor::finding::Level;
use shopfloor::ids::Label;
use shopfloor::powder::AsOf;
use shopfloor::powder::views::LotView;
use shopfloor::waste::clocks::{Clock, clocks};
use shopfloor::waste::container::{Container, ContainerState};

use super::anchors::HeadView;
use super::answers::{label, stamp, word};
use super::entries::PROOF_TYPE;
use super::wire::FindingView;
use crate::app::{Caller, Recorder};
use crate::following::{Followed, Following};
use crate::log::Signed;
use crate::problem::{Problem, Result};

/// A followed log.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "FollowedLog")]
pub struct FollowedView {
    /// Its name here.
    pub log: Label,
    /// Its origin, the name it signs with.
    pub origin: String,
    /// The newest of its checkpoints whose entries are all here and were checked; left out if there is
    /// none yet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kept: Option<HeadView>,
    /// When its newest entry was recorded, UTC.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub newest_entry_at: Option<String>,
    /// Entries it showed and that are not here yet.
    pub behind: u64,
    /// When it was looked at last, UTC; left out if not since the service started.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub looked_at: Option<String>,
    /// When what it showed last agreed with what is kept, UTC.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub agreed_at: Option<String>,
    /// What was wrong the last time; left out if nothing was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trouble: Option<String>,
    /// Entry of the own log that keeps the newest of its checkpoints recorded here.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kept_by: Option<u64>,
    /// Entry of the own log that tells of the first contradiction; it stays.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub disputed_by: Option<u64>,
    /// Machines that are not retired.
    pub machines: usize,
    /// Tasks at a limit.
    pub due: usize,
    /// Tasks near a limit.
    pub due_soon: usize,
    /// Open findings.
    pub open_findings: usize,
    /// Waste containers on site.
    pub containers: usize,
    /// Duties of waste law past their last day.
    pub late_duties: usize,
}

/// Followed logs, in the order of the configuration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "FollowedLogList")]
pub struct FollowedList {
    /// When it was asked, UTC.
    pub now: String,
    /// The logs.
    pub items: Vec<FollowedView>,
}

fn time(ms: Option<i64>) -> Option<String> {
    ms.and_then(|ms| format_ms(ms).ok())
}

/// How a followed log stands.
pub(crate) fn standing(followed: &Followed, own: &crate::log::Log, now: Timestamp) -> FollowedView {
    let standing = followed.standing();
    let kept = followed.view().kept();
    let kept_size = kept.as_ref().map_or(0, |kept| kept.size);
    let newest = kept_size.checked_sub(1).and_then(|last| {
        let line = followed.view().store().read(last).ok()??;
        chain::entry::EntryView::parse(&line).ok().map(|entry| entry.recorded_at_ms)
    });
    let counts = followed.view().ask(|state| Counts::of(state, now));
    FollowedView {
        log: followed.name().clone(),
        origin: followed.key().name().to_owned(),
        kept: kept.map(|kept| HeadView { size: kept.size, root: kept.root.to_base64() }),
        newest_entry_at: time(newest),
        behind: standing.shown.unwrap_or(kept_size).saturating_sub(kept_size),
        looked_at: time(standing.looked_at_ms),
        agreed_at: time(standing.agreed_at_ms),
        trouble: standing.trouble.map(|trouble| trouble.to_string()),
        kept_by: followed.kept_by(own),
        disputed_by: followed.disputed_by(own),
        machines: counts.machines,
        due: counts.due,
        due_soon: counts.due_soon,
        open_findings: counts.open_findings,
        containers: counts.containers,
        late_duties: counts.late_duties,
    }
}

struct Counts {
    machines: usize,
    due: usize,
    due_soon: usize,
    open_findings: usize,
    containers: usize,
    late_duties: usize,
}

impl Counts {
    fn of(state: &State, now: Timestamp) -> Self {
        let query = DueQuery { limit: 0, ..DueQuery::default() };
        let due = state.equipment.due(&state.record, &query, now);
        let late = duties(state, now).filter(|(_, clock)| clock.margin_days < 0).count();
        let here = |found: &Container<'_>| found.state(now).0 == ContainerState::OnSite;
        Self {
            machines: state.equipment.machines().count(),
            due: due.due,
            due_soon: due.due_soon,
            open_findings: state.findings.iter().filter(|f| f.settled_by.is_none()).count(),
            containers: state.waste.since(now.as_millisecond()).filter(here).count(),
            late_duties: late,
        }
    }
}

/// Every duty of every site of a log that holds waste or is configured.
pub(crate) fn duties(state: &State, now: Timestamp) -> impl Iterator<Item = (Label, Clock)> {
    let sites: Vec<Label> = state.record.sites().map(|(site, _)| site.clone()).collect();
    sites.into_iter().flat_map(move |site| {
        let duties = clocks(state, &site, now);
        duties.into_iter().map(move |clock| (site.clone(), clock))
    })
}

/// Asks every followed log the same, off the threads that serve requests.
async fn ask_all<T: Send + 'static>(
    recorder: &Recorder,
    caller: &Caller,
    question: impl Fn(&Followed, &State) -> Vec<T> + Send + 'static,
) -> Result<Vec<T>> {
    caller.demand_every_site()?;
    let following: Following = recorder.following.clone();
    recorder
        .blocking(move || {
            let logs = following.logs().iter();
            Ok(logs.flat_map(|log| log.view().ask(|state| question(log, state))).collect())
        })
        .await
}

/// List the logs that are followed, how far each is known, and what stands out in it
///
/// A head office follows the logs of its sites. `trouble` tells why a log could not be followed the
/// last time; `disputed_by` names the entry here that holds both signed checkpoints of a contradiction.
#[utoipa::path(
    operation_id = "listLogs", tag = "other logs",
    responses((status = 200, description = "The logs.", body = FollowedList)),
)]
#[get("/v1/logs")]
pub(super) async fn list_logs(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<FollowedList>> {
    caller.demand_every_site()?;
    let now = recorder.now();
    let (following, own) = (recorder.following.clone(), recorder.log.clone());
    let items = recorder
        .blocking(move || Ok(following.logs().iter().map(|log| standing(log, &own, now)).collect()))
        .await?;
    Ok(web::Json(FollowedList { now: stamp(now), items }))
}

/// How many, and which.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EverywhereDueQuery {
    /// The least urgent state to list: `due`, `due_soon`, `no_reading_yet` or `within_limit`;
    /// `due_soon` if it is left out.
    pub state: Option<String>,
    /// Most tasks, 1 to 1000; 100 if left out. The most urgent are listed first.
    pub limit: Option<usize>,
}

/// A planned task of a followed log.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct FollowedTask {
    /// The log.
    pub log: Label,
    /// The task; its entries are those of that log.
    pub task: DueTask,
}

/// Tasks of all followed logs, most urgent first.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct FollowedDue {
    /// When it was asked, UTC.
    pub now: String,
    /// The tasks.
    pub items: Vec<FollowedTask>,
}

/// List what is due anywhere, most urgent first
#[utoipa::path(
    operation_id = "listDueEverywhere", tag = "other logs",
    params(EverywhereDueQuery),
    responses((status = 200, description = "Tasks of all followed logs.", body = FollowedDue)),
)]
#[get("/v1/logs/due")]
pub(super) async fn list_due_everywhere(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<EverywhereDueQuery>,
) -> Result<web::Json<FollowedDue>> {
    let now = recorder.now();
    let limit = super::page_limit(query.limit)?;
    let down_to = match query.state.as_deref() {
        Some(text) => word("state", text, DueState::ALL, DueState::as_str)?,
        None => DueState::DueSoon,
    };
    let mut items = ask_all(&recorder, &caller, move |log, state| {
        let query = DueQuery { down_to, limit, ..DueQuery::default() };
        let due = state.equipment.due(&state.record, &query, now);
        let of_log = |task| FollowedTask { log: log.name().clone(), task };
        due.tasks.into_iter().map(of_log).collect()
    })
    .await?;
    items.sort_by_key(|item| (item.task.state, Reverse(item.task.percent)));
    items.truncate(limit);
    Ok(web::Json(FollowedDue { now: stamp(now), items }))
}

/// How many.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EverywhereQuery {
    /// Most of them, 1 to 1000; 100 if left out.
    pub limit: Option<usize>,
}

/// A duty of a site of a followed log.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct FollowedClock {
    /// The log.
    pub log: Label,
    /// The site.
    pub site: Label,
    /// The duty; its entries are those of that log.
    pub clock: Clock,
}

/// Duties of all followed logs, the most pressing first.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct FollowedClocks {
    /// When it was asked, UTC.
    pub now: String,
    /// The duties.
    pub items: Vec<FollowedClock>,
    /// What these answers are and are not.
    pub caution: super::wire::CautionView,
}

/// List what must happen by when in waste law anywhere, the most pressing first
///
/// A decision aid: the class of a waste is determined by a person at its site.
#[utoipa::path(
    operation_id = "listClocksEverywhere", tag = "other logs",
    params(EverywhereQuery),
    responses((status = 200, description = "Duties of all followed logs.", body = FollowedClocks)),
)]
#[get("/v1/logs/clocks")]
pub(super) async fn list_clocks_everywhere(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<EverywhereQuery>,
) -> Result<web::Json<FollowedClocks>> {
    let now = recorder.now();
    let limit = super::page_limit(query.limit)?;
    let mut items = ask_all(&recorder, &caller, move |log, state| {
        let of_log = |(site, clock)| FollowedClock { log: log.name().clone(), site, clock };
        duties(state, now).map(of_log).collect()
    })
    .await?;
    items.sort_by_key(|item| item.clock.margin_days);
    items.truncate(limit);
    let caution = super::wire::cautions(&["hazardous_waste"]).pop();
    let caution = caution.ok_or_else(Problem::not_found)?;
    Ok(web::Json(FollowedClocks { now: stamp(now), items, caution }))
}

/// Which findings.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EverywhereFindingQuery {
    /// Only those of this level or above: `note`, `warn` or `stop`.
    pub level: Option<String>,
    /// Most of them, 1 to 1000; 100 if left out. The newest are listed first.
    pub limit: Option<usize>,
}

/// A finding of a followed log.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct FollowedFinding {
    /// The log.
    pub log: Label,
    /// The finding; its entries are those of that log.
    pub finding: FindingView,
}

/// Open findings of all followed logs.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct FollowedFindings {
    /// When it was asked, UTC.
    pub now: String,
    /// The findings.
    pub items: Vec<FollowedFinding>,
}

/// List what contradicts the record or a rule anywhere and is not settled, newest first
#[utoipa::path(
    operation_id = "listFindingsEverywhere", tag = "other logs",
    params(EverywhereFindingQuery),
    responses((status = 200, description = "Open findings of all followed logs.", body = FollowedFindings)),
)]
#[get("/v1/logs/findings")]
pub(super) async fn list_findings_everywhere(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<EverywhereFindingQuery>,
) -> Result<web::Json<FollowedFindings>> {
    let limit = super::page_limit(query.limit)?;
    let level = query.level.as_deref();
    let level = level.map(|text| word("level", text, Level::ALL, Level::as_str)).transpose()?;
    let mut items = ask_all(&recorder, &caller, move |log, state| {
        let wanted = |finding: &&shopfloor::Finding| {
            finding.settled_by.is_none() && level.is_none_or(|level| finding.level >= level)
        };
        let all: Vec<_> = state.findings.iter().filter(wanted).collect();
        let of_log = |finding: &shopfloor::Finding| FollowedFinding {
            log: log.name().clone(),
            finding: FindingView::from(finding),
        };
        all.into_iter().rev().take(limit).map(of_log).collect()
    })
    .await?;
    // Written in UTC and in one form: the order of the texts is that of the times.
    items.sort_by(|a, b| b.finding.time.cmp(&a.finding.time));
    items.truncate(limit);
    Ok(web::Json(FollowedFindings { now: stamp(recorder.now()), items }))
}

/// What a followed log knows of a lot.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct FollowedLot {
    /// The log.
    pub log: Label,
    /// The lot; its entries are those of that log.
    pub lot: LotView,
}

/// Where a lot is known.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct FollowedLots {
    /// When it was asked, UTC.
    pub now: String,
    /// One row a log.
    pub items: Vec<FollowedLot>,
}

/// Find a lot in every log: which sites received it, hold it, or used it up
///
/// Logs know lots by the label that their shop gave them; the same label in two logs is taken for the
/// same lot, and the supplier's own number stands beside it.
#[utoipa::path(
    operation_id = "findLotEverywhere", tag = "other logs",
    params(("id" = String, Path, description = "Label of the lot.")),
    responses((status = 200, description = "What each log knows of it.", body = FollowedLots)),
)]
#[get("/v1/logs/lots/{id}")]
pub(super) async fn find_lot_everywhere(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
) -> Result<web::Json<FollowedLots>> {
    let (now, id) = (recorder.now(), label(&id)?);
    let items = ask_all(&recorder, &caller, move |log, state| {
        let lot = state.powder.lot(&id, AsOf::Now, now).ok();
        lot.map(|lot| FollowedLot { log: log.name().clone(), lot }).into_iter().collect()
    })
    .await?;
    if items.is_empty() {
        return Err(Problem::not_found());
    }
    Ok(web::Json(FollowedLots { now: stamp(now), items }))
}

/// The entry of a followed log, with the checkpoint that covers it.
pub(crate) fn kept_entry(
    recorder: &Recorder,
    log: &str,
    seq: u64,
) -> Result<(Vec<u8>, Signed, MirrorView)> {
    let followed = recorder.following.log(log).ok_or_else(Problem::not_found)?;
    let view = followed.view().clone();
    let kept = view.kept().filter(|kept| seq < kept.size).ok_or_else(Problem::not_found)?;
    let line = ledger::tree::read_entry(&**view.store(), seq);
    let line = line.map_err(|error| Problem::internal(&error))?.ok_or_else(Problem::not_found)?;
    Ok((line, kept, view))
}

/// The proof of an entry of a followed log against the newest checkpoint kept of it.
pub(crate) async fn proof(recorder: &Recorder, log: &str, seq: u64) -> Result<TlogProof> {
    let (_, kept, view) = kept_entry(recorder, log, seq)?;
    recorder
        .blocking(move || {
            let hashes = ledger::tree::hashes(&**view.store(), kept.size, Arc::default());
            let path = chain::merkle::prove_inclusion(&hashes, seq, kept.size);
            let path = path.map_err(|error| Problem::internal(&error))?;
            Ok(TlogProof { extra: None, index: seq, path, checkpoint: kept.note })
        })
        .await
}

/// Read an entry of a followed log, byte for byte as it was hashed there
#[utoipa::path(
    operation_id = "readFollowedEntry", tag = "other logs",
    params(
        ("log" = String, Path, description = "Name of the followed log."),
        ("seq" = u64, Path, description = "Number of the entry in that log, from 0."),
    ),
    responses((status = 200, description = "The entry.", body = serde_json::Value)),
)]
#[get("/v1/logs/{log}/entries/{seq}")]
pub(super) async fn read_followed_entry(
    recorder: web::Data<Recorder>,
    caller: Caller,
    path: web::Path<(String, u64)>,
) -> Result<HttpResponse> {
    caller.demand_every_site()?;
    let (log, seq) = path.into_inner();
    let (line, ..) = kept_entry(&recorder, &log, seq)?;
    Ok(HttpResponse::Ok().content_type(ContentType::json()).body(line))
}

/// Get the proof that an entry is in a followed log, against the newest checkpoint kept of it
///
/// A C2SP tlog-proof file: it can be checked with the key of that log and nothing of ours.
#[utoipa::path(
    operation_id = "proveFollowedEntry", tag = "other logs",
    params(
        ("log" = String, Path, description = "Name of the followed log."),
        ("seq" = u64, Path, description = "Number of the entry in that log, from 0."),
    ),
    responses((status = 200, description = "The proof.", body = String, content_type = "text/plain")),
)]
#[get("/v1/logs/{log}/entries/{seq}/proof")]
pub(super) async fn prove_followed_entry(
    recorder: web::Data<Recorder>,
    caller: Caller,
    path: web::Path<(String, u64)>,
) -> Result<HttpResponse> {
    caller.demand_every_site()?;
    let (log, seq) = path.into_inner();
    let proof = proof(&recorder, &log, seq).await?;
    Ok(HttpResponse::Ok().content_type(PROOF_TYPE).body(proof.to_string()))
}
