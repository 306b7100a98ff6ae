//! Powder: lots, places, builds, where powder came from and went, what a bad sieve or lot reached,
//! whether the books close, and what a kilogram of parts cost.

use actix_web::{HttpResponse, get, web};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::State;
use shopfloor::common::Day;
use shopfloor::ids::{Label, Place};
use shopfloor::powder::balance::Balance;
use shopfloor::powder::economy::Economy;
use shopfloor::powder::genealogy::{Page, Target, TraceBack, TraceForward};
use shopfloor::powder::impact::{Impact, ImpactQuestion, Suspect};
use shopfloor::powder::lineage::{
    BOXES_MAX, Direction, LAYERS_DEFAULT, LAYERS_MAX, Lineage, LineageQuestion,
};
use shopfloor::powder::sampling;
use shopfloor::powder::sieving::SieveTrend;
use shopfloor::powder::views::{BuildView, LotView, PlaceView};
use shopfloor::powder::{AsOf, LotStatus, Unanswered};
use shopfloor::quantity::Mass;

use super::answers::{label, lists, place, singles, stamp, word};
use super::waste::{own_site, period};
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
    /// Balances: of a place between its counts, or of a site month by month.
    BalanceList of Balance;
    /// Balances of builds in order of work.
    BuildBalanceList of BuildBalance;
}

/// The balance of a build.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BuildBalance {
    /// The build.
    pub build: Label,
    /// Its balance; `cumulative` is the sum over the builds up to it.
    pub balance: Balance,
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
    /// One balance.
    BalanceAnswer of Balance;
    /// Refresh economics of a site.
    EconomyAnswer of Economy;
    /// Trend of a sieve.
    SieveAnswer of SieveTrend;
    /// The genealogy as layers of boxes.
    LineageAnswer of Lineage;
    /// A sample that anybody can draw again.
    SampleAnswer of Sample;
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

/// Balance a build: what it drew against parts and what came back
#[utoipa::path(
    operation_id = "balanceBuild", tag = "questions",
    params(("id" = String, Path, description = "Label of the build.")),
    responses((status = 200, description = "Unaccounted mass with its uncertainty.", body = BalanceAnswer)),
)]
#[get("/v1/builds/{id}/balance")]
pub(super) async fn balance_build(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
) -> Result<web::Json<BalanceAnswer>> {
    let (now, id) = (recorder.now(), label(&id)?);
    let answer = ask(&recorder, move |state, log| {
        let item = state.powder.build_balance(&id, AsOf::Now)?;
        demand_site(log, &caller, &item.entries)?;
        Ok(BalanceAnswer { as_of: state.as_of, now: stamp(now), item })
    })
    .await?;
    Ok(web::Json(answer))
}

/// Balance a lot: what was received or made against where it is now
#[utoipa::path(
    operation_id = "balanceLot", tag = "questions",
    params(("id" = String, Path, description = "Label of the lot.")),
    responses((status = 200, description = "Unaccounted mass with its uncertainty.", body = BalanceAnswer)),
)]
#[get("/v1/lots/{id}/balance")]
pub(super) async fn balance_lot(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
) -> Result<web::Json<BalanceAnswer>> {
    let (now, id) = (recorder.now(), label(&id)?);
    let answer = ask(&recorder, move |state, log| {
        let item = state.powder.lot_balance(&id, AsOf::Now)?;
        demand_site(log, &caller, &item.entries)?;
        Ok(BalanceAnswer { as_of: state.as_of, now: stamp(now), item })
    })
    .await?;
    Ok(web::Json(answer))
}

/// A period, and which builds.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct BuildsQuery {
    /// First day, `YYYY-MM-DD`, in UTC.
    pub from: String,
    /// Last day, `YYYY-MM-DD`, in UTC.
    pub to: String,
    /// Only builds of this printer.
    pub printer: Option<String>,
}

/// Balance every build of a period, with the cumulative unaccounted mass
///
/// A steady leak that each single build hides shows in the sum. For tokens of every site: powder
/// crosses sites.
#[utoipa::path(
    operation_id = "balanceBuilds", tag = "questions",
    params(BuildsQuery),
    responses((status = 200, description = "One balance for each build.", body = BuildBalanceList)),
)]
#[get("/v1/balances/builds")]
pub(super) async fn balance_builds(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<BuildsQuery>,
) -> Result<web::Json<BuildBalanceList>> {
    caller.demand_every_site()?;
    let now = recorder.now();
    let days = period(&query.from, &query.to)?;
    let printer = query.printer.as_deref().map(Label::new).transpose();
    let printer = printer.map_err(|e| Problem::parameter("printer", echo(&e.to_string())))?;
    let answer = ask(&recorder, move |state, _| {
        let (from, to) = span(days, &TimeZone::UTC)?;
        let balances = state.powder.build_balances(printer.as_ref(), from, to).into_iter();
        let items = balances.map(|(build, balance)| BuildBalance { build, balance }).collect();
        Ok(BuildBalanceList { as_of: state.as_of, now: stamp(now), items })
    })
    .await?;
    Ok(web::Json(answer))
}

/// Begin of the first and end of the last of some days in a time zone.
pub(crate) fn span((from, to): (Day, Day), zone: &TimeZone) -> Result<(Timestamp, Timestamp)> {
    let begin = |day: jiff::civil::Date| {
        let start = day.to_zoned_datetime(zone.clone()).map(|zoned| zoned.timestamp());
        start.map_err(|_| Problem::parameter("to", "the period ends beyond the calendar"))
    };
    Ok((begin(from.0)?, begin(to.0.saturating_add(jiff::Span::new().days(1)))?))
}

/// The local months of some days: begin of each, and the end of the last.
pub(crate) fn months((from, to): (Day, Day), zone: &TimeZone) -> Result<Vec<Timestamp>> {
    let (begin, end) = span((from, to), zone)?;
    let mut bounds = vec![begin];
    let mut first = from.0.first_of_month().saturating_add(jiff::Span::new().months(1));
    while first <= to.0 {
        bounds.push(span((Day(first), Day(first)), zone)?.0);
        first = first.saturating_add(jiff::Span::new().months(1));
    }
    bounds.push(end);
    Ok(bounds)
}

/// A period.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PeriodQuery {
    /// First day, `YYYY-MM-DD`, of the site's calendar.
    pub from: String,
    /// Last day, `YYYY-MM-DD`, of the site's calendar.
    pub to: String,
}

/// Balance the powder of a site, month by month
///
/// What was there, came in and went out, with the cumulative unaccounted mass and its uncertainty.
#[utoipa::path(
    operation_id = "balanceSite", tag = "questions",
    params(("site" = String, Path, description = "The site."), PeriodQuery),
    responses((status = 200, description = "One balance for each month.", body = BalanceList)),
)]
#[get("/v1/sites/{site}/balances")]
pub(super) async fn balance_site(
    recorder: web::Data<Recorder>,
    caller: Caller,
    site: web::Path<String>,
    query: web::Query<PeriodQuery>,
) -> Result<web::Json<BalanceList>> {
    let now = recorder.now();
    let (site, days) = (own_site(&caller, &site)?, period(&query.from, &query.to)?);
    let answer = ask(&recorder, move |state, _| {
        let bounds = months(days, &state.record.site(&site).tz())?;
        let items = state.powder.site_balances(&site, &bounds);
        Ok(BalanceList { as_of: state.as_of, now: stamp(now), items })
    })
    .await?;
    Ok(web::Json(answer))
}

/// A period, and a price.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EconomyQuery {
    /// First day, `YYYY-MM-DD`, of the site's calendar.
    pub from: String,
    /// Last day, `YYYY-MM-DD`, of the site's calendar.
    pub to: String,
    /// Price of a kilogram of fresh powder, a decimal number in any currency.
    pub price_per_kg: Option<String>,
}

/// A decimal number in a parameter.
fn decimal(name: &str, text: &str) -> Result<Decimal> {
    text.parse()
        .map_err(|_| Problem::parameter(name, format!("`{}` is no decimal number", echo(text))))
}

/// Ask what refreshing powder cost a site, and how much waste a kilogram of parts made
#[utoipa::path(
    operation_id = "readEconomy", tag = "questions",
    params(("site" = String, Path, description = "The site."), EconomyQuery),
    responses((status = 200, description = "Measured, and expected in steady state.", body = EconomyAnswer)),
)]
#[get("/v1/sites/{site}/economy")]
pub(super) async fn read_economy(
    recorder: web::Data<Recorder>,
    caller: Caller,
    site: web::Path<String>,
    query: web::Query<EconomyQuery>,
) -> Result<web::Json<EconomyAnswer>> {
    let now = recorder.now();
    let (site, days) = (own_site(&caller, &site)?, period(&query.from, &query.to)?);
    let price = query.price_per_kg.as_deref();
    let price = price.map(|text| decimal("price_per_kg", text)).transpose()?;
    if price.is_some_and(|p| p.is_sign_negative() || p > Decimal::from(1_000_000)) {
        return Err(Problem::parameter("price_per_kg", "0 to 1000000 is wanted"));
    }
    let answer = ask(&recorder, move |state, _| {
        let (from, to) = span(days, &state.record.site(&site).tz())?;
        let item = state.powder.economy(&site, from, to, price);
        Ok(EconomyAnswer { as_of: state.as_of, now: stamp(now), item })
    })
    .await?;
    Ok(web::Json(answer))
}

/// Read the trend of a sieve since it was last fitted
///
/// Oversize and rate against the limits of its first passes. An alarm is worth a look; it stops
/// nothing.
#[utoipa::path(
    operation_id = "readSieve", tag = "questions",
    params(("serial" = String, Path, description = "Serial of the sieve.")),
    responses((status = 200, description = "Uses, limits and alarms.", body = SieveAnswer)),
)]
#[get("/v1/sieves/{serial}")]
pub(super) async fn read_sieve(
    recorder: web::Data<Recorder>,
    caller: Caller,
    serial: web::Path<String>,
) -> Result<web::Json<SieveAnswer>> {
    let (now, serial) = (recorder.now(), label(&serial)?);
    let answer = ask(&recorder, move |state, log| {
        let item = state.powder.sieve_trend(&serial, AsOf::Now)?;
        let entries = item.fitted_by.into_iter().chain(item.uses.iter().map(|used| used.entry));
        demand_site(log, &caller, &entries.collect::<Vec<_>>())?;
        Ok(SieveAnswer { as_of: state.as_of, now: stamp(now), item })
    })
    .await?;
    Ok(web::Json(answer))
}

/// What is sampled, and for what.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SampleQuery {
    /// `containers` (open or on site), `lots` or `entries`.
    pub of: String,
    /// How many bad items the sample must find if there are so many.
    pub bad: u32,
    /// Risk of finding none of them, above 0 and below 1; 0.05 if it is left out.
    pub risk: Option<String>,
}

/// A zero-acceptance sampling plan and the sample drawn by it (C10). Drawn are the items whose
/// SHA-256 over the seed, a line feed and the item is smallest: anybody who has the items and the
/// head of the log at this size draws the same.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Sample {
    /// What is sampled.
    pub of: String,
    /// The seed: the root of the log over its first `entries` entries, base64.
    pub seed: String,
    /// Size of the log whose root is the seed.
    pub entries: u64,
    /// How many items there are.
    pub items_total: usize,
    /// The items, unless they are the entries themselves (0 to `entries` - 1).
    pub items: Vec<String>,
    /// How many are drawn.
    pub size: usize,
    /// Probability of finding none although `bad` of the items are bad, seven decimals.
    #[schemars(with = "String")]
    pub missed: Decimal,
    /// The items to look at.
    pub drawn: Vec<String>,
}

/// Most items a sample is drawn from.
const SAMPLED_MAX: usize = 1_000_000;

/// Draw a sample that anybody can draw again
///
/// The plan finds at least one of `bad` bad items with a risk of at most `risk` of finding none;
/// the seed is the head of the log, so that nobody can choose. For tokens of every site.
#[utoipa::path(
    operation_id = "drawSample", tag = "questions",
    params(SampleQuery),
    responses((status = 200, description = "Plan, seed and sample.", body = SampleAnswer)),
)]
#[get("/v1/samples")]
pub(super) async fn draw_sample(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<SampleQuery>,
) -> Result<web::Json<SampleAnswer>> {
    caller.demand_every_site()?;
    let now = recorder.now();
    let item = sampled(&recorder, query.into_inner()).await?;
    Ok(web::Json(SampleAnswer { as_of: item.entries, now: stamp(now), item }))
}

/// Plans and draws a sample, for somebody who may see every site.
///
/// # Errors
/// [`crate::problem::Kind::BadParameter`].
pub(crate) async fn sampled(
    recorder: &web::Data<Recorder>,
    SampleQuery { of, bad, risk }: SampleQuery,
) -> Result<Sample> {
    let risk = decimal("risk", risk.as_deref().unwrap_or("0.05"))?;
    let what = of.clone();
    let (entries, items, root) = ask(recorder, move |state, log| {
        let items: Vec<String> = match what.as_str() {
            "containers" => {
                let on_site = |c: &shopfloor::waste::Container<'_>| c.left().is_none();
                let containers = state.waste.since(i64::MAX).filter(on_site);
                containers.map(|c| c.id.to_string()).collect()
            }
            "lots" => state.powder.lots().iter().map(ToString::to_string).collect(),
            "entries" => (0..state.as_of).map(|seq| seq.to_string()).collect(),
            _ => {
                let wanted = "`containers`, `lots` or `entries` is wanted";
                return Err(Problem::parameter("of", wanted));
            }
        };
        Ok((state.as_of, items, log.root(state.as_of)?))
    })
    .await?;
    let seed = root.to_base64();
    if items.is_empty() || items.len() > SAMPLED_MAX {
        let detail = format!("there are {} items; 1 to {SAMPLED_MAX} can be sampled", items.len());
        return Err(Problem::parameter("of", detail));
    }
    let total = u32::try_from(items.len()).unwrap_or(u32::MAX);
    let plan = sampling::sample_size(total, bad, risk);
    let wanted = format!("1 to {total} bad items and a risk above 0 and below 1 are wanted");
    let (size, missed) = plan.ok_or_else(|| Problem::parameter("bad", wanted))?;
    let size = usize::try_from(size).unwrap_or(usize::MAX);
    recorder
        .blocking(move || {
            let drawn = sampling::draw(&seed, &items, size);
            let items_total = items.len();
            let items = if of == "entries" { Vec::new() } else { items };
            let missed = missed.round_dp(7).normalize();
            Ok(Sample { of, seed, entries, items_total, items, size, missed, drawn })
        })
        .await
}

/// What is drawn.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PictureQuery {
    /// What is traced: `lot/PA-0417`, `build/B-12`, or a place such as `bin/UB-3`.
    pub of: String,
    /// `back` (which is taken if it is left out) or `forward`.
    pub direction: Option<String>,
    /// Most boxes, 1 to 500; 60 if left out. Smaller places are put together and counted.
    pub boxes: Option<usize>,
    /// Most layers, 1 to 60; 12 if left out.
    pub layers: Option<usize>,
    /// Layers to skip, `next_skip` of the page before.
    pub skip: Option<usize>,
    /// Answer as of this entry, in order of work; everything if it is left out.
    pub as_of: Option<u64>,
    /// Answer as of this time of work, RFC 3339; excludes `as_of`.
    pub at: Option<String>,
    /// `svg` (which is taken if it is left out) or `json`.
    pub format: Option<String>,
    /// Language of the words: `en` (which is taken if it is left out) or `de`.
    pub lang: Option<String>,
}

/// Boxes of a picture unless asked otherwise.
pub(crate) const BOXES_DEFAULT: usize = 60;

impl PictureQuery {
    pub(crate) fn read(&self) -> Result<LineageQuestion> {
        let direction = self.direction.as_deref().unwrap_or("back");
        let within = |name: &str, given: Option<usize>, default: usize, most: usize| {
            let given = given.unwrap_or(default);
            let wanted = || Problem::parameter(name, format!("1 to {most} is wanted"));
            (1..=most).contains(&given).then_some(given).ok_or_else(wanted)
        };
        Ok(LineageQuestion {
            of: target(&self.of)?,
            direction: word("direction", direction, Direction::ALL, Direction::as_str)?,
            as_of: moment(self.as_of, self.at.as_deref())?,
            boxes: within("boxes", self.boxes, BOXES_DEFAULT, BOXES_MAX)?,
            layers: within("layers", self.layers, LAYERS_DEFAULT, LAYERS_MAX)?,
            skip: self.skip.unwrap_or(0),
        })
    }
}

/// Draw where powder came from or where it went
///
/// Boxes in layers, time from left to right, lines as wide as the share they carry; what does not
/// fit is put together and counted. For tokens of every site: powder crosses sites.
#[utoipa::path(
    operation_id = "drawTrace", tag = "questions",
    params(PictureQuery),
    responses((status = 200, description = "The picture.", content(
        (String = "image/svg+xml"),
        (LineageAnswer = "application/json"),
    ))),
)]
#[get("/v1/trace/picture")]
pub(super) async fn draw_trace(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<PictureQuery>,
) -> Result<HttpResponse> {
    caller.demand_every_site()?;
    let now = recorder.now();
    let language = super::reports::language(query.lang.as_deref())?;
    let question = query.read()?;
    let svg = match query.format.as_deref() {
        None | Some("svg") => true,
        Some("json") => false,
        Some(_) => return Err(Problem::parameter("format", "`svg` or `json` is wanted")),
    };
    let (as_of, item) =
        ask(&recorder, move |state, _| Ok((state.as_of, state.powder.lineage(&question)?))).await?;
    if !svg {
        return Ok(HttpResponse::Ok().json(LineageAnswer { as_of, now: stamp(now), item }));
    }
    let drawn = recorder
        .blocking(move || {
            let drawn =
                report::lineage::Drawn { language, alone: true, href: &|_| None, kind: None };
            Ok(report::lineage::svg(&item, &drawn))
        })
        .await?;
    Ok(HttpResponse::Ok().content_type("image/svg+xml").body(drawn))
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
    /// Answer as of this entry, in order of work; everything if it is left out.
    pub as_of: Option<u64>,
    /// Answer as of this time of work, RFC 3339; excludes `as_of`.
    pub at: Option<String>,
}

/// What a trace is about.
fn target(of: &str) -> Result<Target> {
    let target = match of.split_once('/') {
        Some(("lot", id)) => Label::new(id).ok().map(Target::Lot),
        Some(("build", id)) => Label::new(id).ok().map(Target::Build),
        Some(_) => of.parse().ok().map(Target::Place),
        None => None,
    };
    let wanted = "`lot/..`, `build/..` or a place is wanted";
    target.ok_or_else(|| Problem::parameter("of", wanted))
}

/// Up to where a question looks.
fn moment(as_of: Option<u64>, at: Option<&str>) -> Result<AsOf> {
    match (as_of, at) {
        (None, None) => Ok(AsOf::Now),
        (Some(seq), None) => Ok(AsOf::Entry(seq)),
        (None, Some(at)) => at.parse().map(AsOf::Time).map_err(|_| {
            Problem::parameter("at", format!("`{}` is no time of RFC 3339", echo(at)))
        }),
        (Some(_), Some(_)) => Err(Problem::parameter("at", "`as_of` or `at` is wanted, not both")),
    }
}

impl TraceQuery {
    fn read(self) -> Result<(Target, Page, AsOf)> {
        let limit = super::page_limit(self.limit)?;
        let as_of = moment(self.as_of, self.at.as_deref())?;
        Ok((target(&self.of)?, Page { limit: Some(limit), after: self.after }, as_of))
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
    let (target, page, as_of) = query.into_inner().read()?;
    let answer = ask(&recorder, move |state, _| {
        let item = state.powder.trace_back(&target, as_of, &page)?;
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
    let (target, page, as_of) = query.into_inner().read()?;
    let answer = ask(&recorder, move |state, _| {
        let item = state.powder.trace_forward(&target, as_of, as_of, &page)?;
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
    /// Answer as of this entry, in order of work; everything if it is left out.
    pub as_of: Option<u64>,
    /// Answer as of this time of work, RFC 3339; excludes `as_of`.
    pub at: Option<String>,
}

/// What is suspect, as written in a question.
pub(crate) fn suspect(text: &str) -> Option<Suspect> {
    let (kind, id) = text.split_once('/')?;
    let id = Label::new(id).ok()?;
    match kind {
        "sieve" => Some(Suspect::Sieve(id)),
        "scale" => Some(Suspect::Scale(id)),
        "lot" => Some(Suspect::Lot(id)),
        _ => None,
    }
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
    let as_of = moment(query.as_of, query.at.as_deref())?;
    let wanted = "`sieve/..`, `scale/..` or `lot/..` is wanted";
    let question = ImpactQuestion {
        suspect: suspect(&query.suspect).ok_or_else(|| Problem::parameter("suspect", wanted))?,
        found: query.found,
        clock_uncertainty_ms: clock_uncertainty(query.clock_uncertainty_ms)?,
    };
    let answer = ask(&recorder, move |state, _| {
        let item = state.powder.impact(&question, as_of)?;
        Ok(ImpactAnswer { as_of: state.as_of, now: stamp(now), item })
    })
    .await?;
    Ok(web::Json(answer))
}

/// At most a day: a clock that is off by more is a fault of its own.
///
/// # Errors
/// [`crate::problem::Kind::BadParameter`].
pub(crate) fn clock_uncertainty(given_ms: Option<i64>) -> Result<i64> {
    const DAY_MS: i64 = 86_400_000;
    let given_ms = given_ms.unwrap_or(0);
    if (0..=DAY_MS).contains(&given_ms) {
        return Ok(given_ms);
    }
    Err(Problem::parameter("clock_uncertainty_ms", format!("0 to {DAY_MS} is wanted")))
}
