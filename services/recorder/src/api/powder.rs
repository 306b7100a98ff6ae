//! Powder: lots, places, builds, where powder came from and went, what a bad sieve or lot reached.

use actix_web::{get, web};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::State;
use shopfloor::ids::{Label, Place};
use shopfloor::powder::balance::Balance;
use shopfloor::powder::genealogy::{Page, Target, TraceBack, TraceForward};
use shopfloor::powder::impact::{Impact, ImpactQuestion, Suspect};
use shopfloor::powder::views::{BuildView, LotView, PlaceView};
use shopfloor::powder::{AsOf, LotStatus, Unanswered};
use shopfloor::quantity::Mass;

use super::answers::{label, lists, place, singles, stamp};
use crate::app::{Caller, Recorder};
use crate::log::Log;
use crate::problem::{Problem, Result, echo};

/// A lot in short.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct LotCard {
    /// The lot.
    pub lot: Label,
    /// Where it stands.
    pub status: LotStatus,
    /// Material.
    pub material: Option<Label>,
    /// Mass that was received or blended.
    pub made: Mass,
    /// Entry that made it.
    pub entry: Option<u64>,
}

/// A place in short.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct PlaceCard {
    /// The place.
    pub place: Place,
    /// What the book says it holds.
    pub held: Mass,
}

lists! {
    /// Lots by label.
    LotList of LotCard;
    /// Places by kind and id.
    PlaceList of PlaceCard;
    /// Balances of a place between its counts.
    BalanceList of Balance;
}
singles! {
    /// One lot.
    LotAnswer of LotView;
    /// One place.
    PlaceAnswer of PlaceView;
    /// One build.
    BuildAnswer of BuildView;
    /// What something consists of and how it came there.
    TraceBackAnswer of TraceBack;
    /// Where something went.
    TraceForwardAnswer of TraceForward;
    /// What a suspect sieve, scale or lot reached.
    ImpactAnswer of Impact;
}

impl From<Unanswered> for Problem {
    fn from(unanswered: Unanswered) -> Self {
        match unanswered {
            Unanswered::Entry(_) => Self::parameter("as_of", echo(&unanswered.to_string())),
            Unanswered::Page(_) => Self::parameter("after", echo(&unanswered.to_string())),
            Unanswered::Place(_)
            | Unanswered::Lot(_)
            | Unanswered::Build(_)
            | Unanswered::Sieve(_)
            | Unanswered::Scale(_) => Self::not_found(),
        }
    }
}

/// Whether a caller may see what these entries tell: the site of the first of them decides.
fn demand_site(log: &Log, caller: &Caller, entries: &[u64]) -> Result<()> {
    if caller.sites.is_none() {
        return Ok(());
    }
    let first = entries.first().map(|seq| log.entry(*seq)).transpose()?.flatten();
    let site = first.and_then(|bytes| super::entries::site_of(&bytes));
    crate::authz::may_see(caller, site.as_ref())
}

/// Asks the state about powder and gives the closure the log for sites.
async fn ask<T: Send + 'static>(
    recorder: &Recorder,
    question: impl FnOnce(&State, &Log) -> Result<T> + Send + 'static,
) -> Result<T> {
    let log = recorder.log.clone();
    recorder.ask(move |state| question(state, &log)).await
}

/// List lots, received and blended
#[utoipa::path(
    operation_id = "listLots", tag = "questions",
    responses((status = 200, description = "Lots by label.", body = LotList)),
)]
#[get("/v1/lots")]
pub(super) async fn list_lots(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<LotList>> {
    let now = recorder.now();
    let list = ask(&recorder, move |state, log| {
        let mut items = Vec::new();
        for lot in state.powder.lots() {
            let view = state.powder.lot(&lot, AsOf::Now, now)?;
            if demand_site(log, &caller, &view.entries).is_ok() {
                let entry = view.entries.first().copied();
                let LotView { lot, status, material, made, .. } = view;
                items.push(LotCard { lot, status, material, made, entry });
            }
        }
        Ok(LotList { as_of: state.as_of, now: stamp(now), items })
    })
    .await?;
    Ok(web::Json(list))
}

/// Read a lot's story
#[utoipa::path(
    operation_id = "readLot", tag = "questions",
    params(("id" = String, Path, description = "Label of the lot.")),
    responses((status = 200, description = "The lot.", body = LotAnswer)),
)]
#[get("/v1/lots/{id}")]
pub(super) async fn read_lot(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
) -> Result<web::Json<LotAnswer>> {
    let (now, id) = (recorder.now(), label(&id)?);
    let answer = ask(&recorder, move |state, log| {
        let item = state.powder.lot(&id, AsOf::Now, now)?;
        demand_site(log, &caller, &item.entries)?;
        Ok(LotAnswer { as_of: state.as_of, now: stamp(now), item })
    })
    .await?;
    Ok(web::Json(answer))
}

/// List places that ever held powder or waste, with what the book says they hold
#[utoipa::path(
    operation_id = "listPlaces", tag = "questions",
    responses((status = 200, description = "Places by kind and id.", body = PlaceList)),
)]
#[get("/v1/places")]
pub(super) async fn list_places(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<PlaceList>> {
    let now = recorder.now();
    let list = ask(&recorder, move |state, log| {
        let mut items = Vec::new();
        for (place, held) in state.powder.places() {
            let visible = caller.sites.is_none() || {
                let view = state.powder.place(&place, AsOf::Now)?;
                demand_site(log, &caller, &view.entries).is_ok()
            };
            if visible {
                items.push(PlaceCard { place, held });
            }
        }
        Ok(PlaceList { as_of: state.as_of, now: stamp(now), items })
    })
    .await?;
    Ok(web::Json(list))
}

/// Read what is in a place
#[utoipa::path(
    operation_id = "readPlace", tag = "questions",
    params(
        ("kind" = String, Path, description = "Kind of place, such as `hopper` or `lot_container`."),
        ("id" = String, Path, description = "Its id, such as `P-01.main`."),
    ),
    responses((status = 200, description = "The place.", body = PlaceAnswer)),
)]
#[get("/v1/places/{kind}/{id}")]
pub(super) async fn read_place(
    recorder: web::Data<Recorder>,
    caller: Caller,
    path: web::Path<(String, String)>,
) -> Result<web::Json<PlaceAnswer>> {
    let (now, place) = (recorder.now(), place(&path.0, &path.1)?);
    let answer = ask(&recorder, move |state, log| {
        let item = state.powder.place(&place, AsOf::Now)?;
        demand_site(log, &caller, &item.entries)?;
        Ok(PlaceAnswer { as_of: state.as_of, now: stamp(now), item })
    })
    .await?;
    Ok(web::Json(answer))
}

/// Balance a place between its counts
///
/// What went in, what came out, what was found: what does not add up is told, never forced to
/// zero.
#[utoipa::path(
    operation_id = "balancePlace", tag = "questions",
    params(
        ("kind" = String, Path, description = "Kind of place, such as `hopper` or `lot_container`."),
        ("id" = String, Path, description = "Its id, such as `P-01.main`."),
    ),
    responses((status = 200, description = "One balance for each stretch between counts.", body = BalanceList)),
)]
#[get("/v1/places/{kind}/{id}/balances")]
pub(super) async fn balance_place(
    recorder: web::Data<Recorder>,
    caller: Caller,
    path: web::Path<(String, String)>,
) -> Result<web::Json<BalanceList>> {
    let (now, place) = (recorder.now(), place(&path.0, &path.1)?);
    let answer = ask(&recorder, move |state, log| {
        let view = state.powder.place(&place, AsOf::Now)?;
        demand_site(log, &caller, &view.entries)?;
        let items = state.powder.place_balances(&place, AsOf::Now)?;
        Ok(BalanceList { as_of: state.as_of, now: stamp(now), items })
    })
    .await?;
    Ok(web::Json(answer))
}

/// Read a build's powder
#[utoipa::path(
    operation_id = "readBuild", tag = "questions",
    params(("id" = String, Path, description = "Label of the build.")),
    responses((status = 200, description = "The build.", body = BuildAnswer)),
)]
#[get("/v1/builds/{id}")]
pub(super) async fn read_build(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
) -> Result<web::Json<BuildAnswer>> {
    let (now, id) = (recorder.now(), label(&id)?);
    let answer = ask(&recorder, move |state, log| {
        let item = state.powder.build(&id, AsOf::Now)?;
        demand_site(log, &caller, &item.entries)?;
        Ok(BuildAnswer { as_of: state.as_of, now: stamp(now), item })
    })
    .await?;
    Ok(web::Json(answer))
}

/// A page of a trace, and what is traced.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct TraceQuery {
    /// What is traced: `lot/PA-0417`, `build/B-12`, or a place such as `bin/UB-3`.
    pub of: String,
    /// Most moves on the page, 1 to 1000; 100 if left out.
    pub limit: Option<usize>,
    /// `next` of the page before.
    pub after: Option<String>,
}

impl TraceQuery {
    fn read(self) -> Result<(Target, Page)> {
        let limit = super::page_limit(self.limit)?;
        let target = match self.of.split_once('/') {
            Some(("lot", id)) => Label::new(id).ok().map(Target::Lot),
            Some(("build", id)) => Label::new(id).ok().map(Target::Build),
            Some(_) => self.of.parse().ok().map(Target::Place),
            None => None,
        };
        let wanted = "`lot/..`, `build/..` or a place is wanted";
        let target = target.ok_or_else(|| Problem::parameter("of", wanted))?;
        Ok((target, Page { limit: Some(limit), after: self.after }))
    }
}

/// Trace powder back to the lots it came from
///
/// Mass fractions over source lots under the stated assumption of perfect mixing, with a visible
/// share whose source nobody recorded. For tokens of every site: powder crosses sites.
#[utoipa::path(
    operation_id = "traceBack", tag = "questions",
    params(TraceQuery),
    responses((status = 200, description = "The trace.", body = TraceBackAnswer)),
)]
#[get("/v1/trace/back")]
pub(super) async fn trace_back(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<TraceQuery>,
) -> Result<web::Json<TraceBackAnswer>> {
    caller.demand_every_site()?;
    let now = recorder.now();
    let (target, page) = query.into_inner().read()?;
    let answer = ask(&recorder, move |state, _| {
        let item = state.powder.trace_back(&target, AsOf::Now, &page)?;
        Ok(TraceBackAnswer { as_of: state.as_of, now: stamp(now), item })
    })
    .await?;
    Ok(web::Json(answer))
}

/// Trace powder forward to builds, places, waste and shipments
///
/// For tokens of every site: powder crosses sites.
#[utoipa::path(
    operation_id = "traceForward", tag = "questions",
    params(TraceQuery),
    responses((status = 200, description = "The trace.", body = TraceForwardAnswer)),
)]
#[get("/v1/trace/forward")]
pub(super) async fn trace_forward(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<TraceQuery>,
) -> Result<web::Json<TraceForwardAnswer>> {
    caller.demand_every_site()?;
    let now = recorder.now();
    let (target, page) = query.into_inner().read()?;
    let answer = ask(&recorder, move |state, _| {
        let item = state.powder.trace_forward(&target, AsOf::Now, AsOf::Now, &page)?;
        Ok(TraceForwardAnswer { as_of: state.as_of, now: stamp(now), item })
    })
    .await?;
    Ok(web::Json(answer))
}

/// What is suspect.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ImpactQuery {
    /// `sieve/<serial>`, `scale/<label>` or `lot/<label>`.
    pub suspect: String,
    /// Entry that found it failed; the latest such entry if it is left out.
    pub found: Option<u64>,
    /// Uncertainty of the clocks in milliseconds; widens the window on both sides.
    pub clock_uncertainty_ms: Option<i64>,
}

/// Ask what a failed sieve, a failed scale or a bad lot reached
///
/// An upper bound for dilution, never a permission to release. For tokens of every site: powder
/// crosses sites.
#[utoipa::path(
    operation_id = "askImpact", tag = "questions",
    params(ImpactQuery),
    responses((status = 200, description = "Uses, reach, and what to hold.", body = ImpactAnswer)),
)]
#[get("/v1/impact")]
pub(super) async fn ask_impact(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<ImpactQuery>,
) -> Result<web::Json<ImpactAnswer>> {
    caller.demand_every_site()?;
    let now = recorder.now();
    let suspect = query.suspect.split_once('/').and_then(|(kind, id)| {
        let id = Label::new(id).ok()?;
        match kind {
            "sieve" => Some(Suspect::Sieve(id)),
            "scale" => Some(Suspect::Scale(id)),
            "lot" => Some(Suspect::Lot(id)),
            _ => None,
        }
    });
    let wanted = "`sieve/..`, `scale/..` or `lot/..` is wanted";
    let question = ImpactQuestion {
        suspect: suspect.ok_or_else(|| Problem::parameter("suspect", wanted))?,
        found: query.found,
        clock_uncertainty_ms: clock_uncertainty(query.clock_uncertainty_ms)?,
    };
    let answer = ask(&recorder, move |state, _| {
        let item = state.powder.impact(&question, AsOf::Now)?;
        Ok(ImpactAnswer { as_of: state.as_of, now: stamp(now), item })
    })
    .await?;
    Ok(web::Json(answer))
}

/// At most a day: a clock that is off by more is a fault of its own.
fn clock_uncertainty(given_ms: Option<i64>) -> Result<i64> {
    const DAY_MS: i64 = 86_400_000;
    let given_ms = given_ms.unwrap_or(0);
    if (0..=DAY_MS).contains(&given_ms) {
        return Ok(given_ms);
    }
    Err(Problem::parameter("clock_uncertainty_ms", format!("0 to {DAY_MS} is wanted")))
}
