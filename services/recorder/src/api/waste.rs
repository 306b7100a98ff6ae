//! Waste: containers, shipments, what must happen by when, masses by month.

use actix_web::{HttpResponse, get, web};
use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::State;
use shopfloor::common::Day;
use shopfloor::ids::Label;
use shopfloor::waste::Kg;
use shopfloor::waste::SiteWaste;
use shopfloor::waste::category::{MonthView, month_views};
use shopfloor::waste::clocks::{Clock, clocks};
use shopfloor::waste::compatibility::StreamPair;
use shopfloor::waste::container::ContainerState;
use shopfloor::waste::law::{Law, RuleUsed};
use shopfloor::waste::retention::{Retention, retention};
use shopfloor::waste::view::{ContainerView, ShipmentView, container, shipment};

use super::answers::{label, lists, singles, stamp, word};
use super::reports::{file, language};
use super::wire::{CautionView, cautions};
use crate::app::{Caller, Recorder};
use crate::authn::Identity;
use crate::log::Log;
use crate::problem::{Problem, Result, echo};
use crate::reports::{self, Form, Still};

/// A container in short.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct ContainerCard {
    /// Its label.
    pub container: Label,
    /// Site.
    pub site: Option<Label>,
    /// Stream it takes.
    pub stream: Option<Label>,
    /// Where it is in its life.
    pub state: ContainerState,
    /// Area where it stands or stood last.
    pub location: Option<Label>,
    /// Sum of what was put in, in kg.
    pub added_kg: Kg,
    /// Gross minus tare in kg, if it was weighed.
    pub net_kg: Option<Kg>,
    /// Shipment it was last offered on.
    pub shipment: Option<Label>,
    /// Entry that opened it.
    pub entry: Option<u64>,
}

/// A shipment in short.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct ShipmentCard {
    /// Its label.
    pub shipment: Label,
    /// Site it left from.
    pub site: Option<Label>,
    /// Day it was offered.
    pub offered: Option<Day>,
    /// Facility.
    pub facility: Option<Label>,
    /// Day of receipt.
    pub received: Option<Day>,
    /// Sum of what was shipped in kg.
    pub shipped_kg: Kg,
    /// Entry that tells of it first.
    pub entry: Option<u64>,
}

lists! {
    /// Containers by label.
    ContainerList of ContainerCard;
    /// Shipments by label.
    ShipmentList of ShipmentCard;
    /// Masses by month.
    MonthList of MonthView;
    /// How long records are kept.
    RetentionList of Retention;
    /// Streams that are kept apart.
    KeptApartList of StreamPair;
}

/// One container, with the cautions for working on it.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct ContainerAnswer {
    /// Entries the answer rests on.
    pub as_of: u64,
    /// When it was asked, UTC.
    pub now: String,
    /// The container.
    pub item: ContainerView,
    /// Cautions that belong to the work.
    pub cautions: Vec<CautionView>,
}

singles! {
    /// One shipment.
    ShipmentAnswer of ShipmentView;
}

/// What must happen by when.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct ClockList {
    /// Entries the answer rests on.
    pub as_of: u64,
    /// When it was asked, UTC.
    pub now: String,
    /// The site.
    pub site: Label,
    /// Open duties, the most pressing first.
    pub items: Vec<Clock>,
    /// What these answers are and are not.
    pub caution: CautionView,
}

/// Which containers.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ContainerQuery {
    /// Only those of this site.
    pub site: Option<String>,
    /// Only those in this state of their life.
    pub state: Option<String>,
}

/// Ids of the cautions for work on waste.
const CARE: &[&str] = &[
    "hazardous_waste",
    "combustible_dust",
    "ignition_and_earthing",
    "breathing_protection",
    "reactive_metal",
    "lifting",
];

/// List waste containers
#[utoipa::path(
    operation_id = "listContainers", tag = "questions",
    params(ContainerQuery),
    responses((status = 200, description = "Containers by label.", body = ContainerList)),
)]
#[get("/v1/containers")]
pub(super) async fn list_containers(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<ContainerQuery>,
) -> Result<web::Json<ContainerList>> {
    let now = recorder.now();
    let site = query.site.as_deref().map(super::site).transpose()?;
    let life = query.state.as_deref();
    let life = life
        .map(|text| word("state", text, ContainerState::ALL, ContainerState::as_str))
        .transpose()?;
    let list = recorder
        .ask(move |state| {
            let fits = |view: &ContainerView| {
                (site.is_none() || view.site == site)
                    && life.is_none_or(|life| view.state == life)
                    && caller.may_see(view.site.as_ref())
            };
            let views = views(state, now, life).filter(fits);
            let items = views.map(|view| ContainerCard {
                container: view.container,
                site: view.site,
                stream: view.stream,
                state: view.state,
                location: view.location,
                added_kg: view.added_kg,
                net_kg: view.net_kg,
                shipment: view.shipment,
                entry: view.entries.first().copied(),
            });
            Ok(ContainerList { as_of: state.as_of, now: stamp(now), items: items.collect() })
        })
        .await?;
    Ok(web::Json(list))
}

/// Those in a state of their life are among these. What stands is found without a look at what left.
fn views(
    state: &State,
    now: Timestamp,
    life: Option<ContainerState>,
) -> impl Iterator<Item = ContainerView> {
    let since_ms = match life {
        Some(ContainerState::OnSite | ContainerState::Returned) => now.as_millisecond(),
        Some(ContainerState::InTransit | ContainerState::Received | ContainerState::Disposed)
        | None => i64::MIN,
    };
    state.waste.since(since_ms).filter_map(move |found| container(state, found.id, now))
}

/// Read a container: content, custody, weights
#[utoipa::path(
    operation_id = "readContainer", tag = "questions",
    params(("id" = String, Path, description = "Label of the container.")),
    responses((status = 200, description = "The container.", body = ContainerAnswer)),
)]
#[get("/v1/containers/{id}")]
pub(super) async fn read_container(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
) -> Result<web::Json<ContainerAnswer>> {
    let (now, id) = (recorder.now(), label(&id)?);
    let answer = recorder
        .ask(move |state| {
            let item = container(state, &id, now).ok_or_else(Problem::not_found)?;
            crate::authz::may_see(&caller, item.site.as_ref())?;
            let (now, cautions) = (stamp(now), cautions(CARE));
            Ok(ContainerAnswer { as_of: state.as_of, now, item, cautions })
        })
        .await?;
    Ok(web::Json(answer))
}

/// In which language something is printed.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PrintQuery {
    /// `en` (which is taken if it is left out) or `de`.
    pub lang: Option<String>,
}

/// Print the label of a container: words, hazards, a code to scan
///
/// What stands on it was determined and recorded by people. It replaces no label that law asks for.
#[utoipa::path(
    operation_id = "printLabel", tag = "reports",
    params(("id" = String, Path, description = "Label of the container."), PrintQuery),
    responses((status = 200, description = "The label.", body = Vec<u8>, content_type = "application/pdf")),
)]
#[get("/v1/containers/{id}/label")]
pub(super) async fn print_label(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    query: web::Query<PrintQuery>,
) -> Result<HttpResponse> {
    let (id, language) = (label(&id)?, language(query.lang.as_deref())?);
    let name = format!("label-{id}");
    let site = recorder.log.ask(|state| state.waste.container(&id).map(|c| c.site().cloned()));
    crate::authz::may_see(&caller, site.ok_or_else(Problem::not_found)?.as_ref())?;
    let work = move |log: &Log, still: &Still| reports::label(log, still, &id, language);
    let pdf = recorder.from_still(work).await?;
    Ok(file(Form::Pdf, &name, pdf.ok_or_else(Problem::not_found)?))
}

/// List shipments of waste
#[utoipa::path(
    operation_id = "listShipments", tag = "questions",
    responses((status = 200, description = "Shipments by label.", body = ShipmentList)),
)]
#[get("/v1/shipments")]
pub(super) async fn list_shipments(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<ShipmentList>> {
    let now = recorder.now();
    let list = recorder
        .ask(move |state| {
            let views = state.waste.shipments().filter_map(|found| shipment(state, found.id));
            let items =
                views.filter(|view| caller.may_see(view.site.as_ref())).map(|view| ShipmentCard {
                    shipment: view.shipment,
                    site: view.site,
                    offered: view.offered,
                    facility: view.facility,
                    received: view.received,
                    shipped_kg: view.shipped_kg,
                    entry: view.entries.first().copied(),
                });
            Ok(ShipmentList { as_of: state.as_of, now: stamp(now), items: items.collect() })
        })
        .await?;
    Ok(web::Json(list))
}

/// Read a shipment: shipped against received, certificates
#[utoipa::path(
    operation_id = "readShipment", tag = "questions",
    params(("id" = String, Path, description = "Label of the shipment.")),
    responses((status = 200, description = "The shipment.", body = ShipmentAnswer)),
)]
#[get("/v1/shipments/{id}")]
pub(super) async fn read_shipment(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
) -> Result<web::Json<ShipmentAnswer>> {
    let (now, id) = (recorder.now(), label(&id)?);
    let answer = recorder
        .ask(move |state| {
            let item = shipment(state, &id).ok_or_else(Problem::not_found)?;
            crate::authz::may_see(&caller, item.site.as_ref())?;
            Ok(ShipmentAnswer { as_of: state.as_of, now: stamp(now), item })
        })
        .await?;
    Ok(web::Json(answer))
}

/// Print the custody sheet of a shipment: who held each container, and room to sign
#[utoipa::path(
    operation_id = "printCustodySheet", tag = "reports",
    params(("id" = String, Path, description = "Label of the shipment."), PrintQuery),
    responses((status = 200, description = "The sheet.", body = Vec<u8>, content_type = "application/pdf")),
)]
#[get("/v1/shipments/{id}/custody-sheet")]
pub(super) async fn print_custody_sheet(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    query: web::Query<PrintQuery>,
) -> Result<HttpResponse> {
    let (id, language) = (label(&id)?, language(query.lang.as_deref())?);
    let name = format!("custody-{id}");
    let site = recorder.log.ask(|state| state.waste.shipment(&id).map(|s| s.site().cloned()));
    crate::authz::may_see(&caller, site.ok_or_else(Problem::not_found)?.as_ref())?;
    let work = move |log: &Log, still: &Still| reports::custody_sheet(log, still, &id, language);
    let pdf = recorder.from_still(work).await?;
    Ok(file(Form::Pdf, &name, pdf.ok_or_else(Problem::not_found)?))
}

/// Whose clocks.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SiteQuery {
    /// The site.
    pub site: String,
}

/// List what must happen by when, and from which rule
///
/// Each clock names the day it started, its last day, the values it rests on with their versions,
/// and the entries. A decision aid: the class of a waste is determined by a person.
#[utoipa::path(
    operation_id = "listClocks", tag = "questions",
    params(SiteQuery),
    responses((status = 200, description = "Open duties, the most pressing first.", body = ClockList)),
)]
#[get("/v1/clocks")]
pub(super) async fn list_clocks(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<SiteQuery>,
) -> Result<web::Json<ClockList>> {
    let (now, site) = (recorder.now(), own_site(&caller, &query.site)?);
    let answer = recorder
        .ask(move |state| {
            let items = clocks(state, &site, now);
            let caution = cautions(&["hazardous_waste"]).pop().ok_or_else(Problem::not_found)?;
            Ok(ClockList { as_of: state.as_of, now: stamp(now), site, items, caution })
        })
        .await?;
    Ok(web::Json(answer))
}

/// Which months of which site.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct MonthQuery {
    /// The site.
    pub site: String,
    /// First day, `YYYY-MM-DD`.
    pub from: String,
    /// Last day, `YYYY-MM-DD`.
    pub to: String,
}

/// List masses of waste by month, with the category they make where a rule makes categories
#[utoipa::path(
    operation_id = "listMonths", tag = "questions",
    params(MonthQuery),
    responses((status = 200, description = "Months in which waste arose.", body = MonthList)),
)]
#[get("/v1/months")]
pub(super) async fn list_months(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<MonthQuery>,
) -> Result<web::Json<MonthList>> {
    let (now, site) = (recorder.now(), own_site(&caller, &query.site)?);
    let (from, to) = period(&query.from, &query.to)?;
    let answer = recorder
        .ask(move |state| {
            let items = month_views(state, &site, from, to, now);
            Ok(MonthList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(answer))
}

/// List how long the records of a site are kept, and whether they are held
///
/// Shipping documents, determinations, reports. A legal hold, a setting of the site, keeps every
/// record past its date.
#[utoipa::path(
    operation_id = "listRetention", tag = "questions",
    params(SiteQuery),
    responses((status = 200, description = "Records with the day until which they are kept.", body = RetentionList)),
)]
#[get("/v1/retention")]
pub(super) async fn list_retention(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<SiteQuery>,
) -> Result<web::Json<RetentionList>> {
    let (now, site) = (recorder.now(), own_site(&caller, &query.site)?);
    let answer = recorder
        .ask(move |state| {
            let items = retention(state, &site, now);
            Ok(RetentionList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(answer))
}

/// List the streams of a site that are kept apart, and what stands together all the same
///
/// By the reactivity groups that people determined, against a list of examples: that two streams are
/// not listed does not mean that they go together.
#[utoipa::path(
    operation_id = "listKeptApart", tag = "questions",
    params(SiteQuery),
    responses((status = 200, description = "Pairs of streams with the reason and source of each.", body = KeptApartList)),
)]
#[get("/v1/kept-apart")]
pub(super) async fn list_kept_apart(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<SiteQuery>,
) -> Result<web::Json<KeptApartList>> {
    let (now, site) = (recorder.now(), own_site(&caller, &query.site)?);
    let answer = recorder
        .ask(move |state| {
            let items = SiteWaste::of(state, &site).kept_apart(now);
            Ok(KeptApartList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(answer))
}

/// A set of values of the law or of practice.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "RuleSet")]
pub struct RuleSetView {
    /// Its id.
    pub id: String,
    /// What it covers.
    pub title: String,
    /// Day as of which it was put together.
    pub state: Day,
}

/// A value in force, and whether it may be relied on as it stands.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "RuleInForce")]
pub struct RuleView {
    /// The value with its version, section, source, and what the site set.
    #[serde(flatten)]
    pub rule: RuleUsed,
    /// Whether it is unconfirmed: confirm it, or set it as a parameter of the site.
    pub unconfirmed: bool,
    /// Name of the parameter by which the site sets a value of its own.
    pub parameter: String,
}

/// The values that bind a site on a day.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct RuleList {
    /// Entries the answer rests on.
    pub as_of: u64,
    /// When it was asked, UTC.
    pub now: String,
    /// The site.
    pub site: Label,
    /// The day whose versions are listed.
    pub on: Day,
    /// Rule sets that bind the site.
    pub sets: Vec<RuleSetView>,
    /// Whether days are counted with the start day as day 1.
    pub strict_day_count: bool,
    /// Whether a legal hold lies on the records of the site.
    pub legal_hold: bool,
    /// The values.
    pub items: Vec<RuleView>,
    /// What these answers are and are not.
    pub caution: CautionView,
}

/// Whose rules, as of which day.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct RuleQuery {
    /// The site.
    pub site: String,
    /// Day whose versions are wanted, `YYYY-MM-DD`; today in the calendar of the site if left out.
    pub on: Option<String>,
}

/// List the values of law and practice that bind a site, in the versions of a day
///
/// Each with section, source, how sure it is, and what the site set. Old versions keep answering
/// for old days; an unconfirmed value is marked. A decision aid, not legal advice.
#[utoipa::path(
    operation_id = "listRules", tag = "questions",
    params(RuleQuery),
    responses((status = 200, description = "The values.", body = RuleList)),
)]
#[get("/v1/rules")]
pub(super) async fn list_rules(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<RuleQuery>,
) -> Result<web::Json<RuleList>> {
    let (now, site) = (recorder.now(), own_site(&caller, &query.site)?);
    let on = query.on.as_deref().map(|text| day("on", text)).transpose()?;
    let answer = recorder
        .ask(move |state| {
            let law = Law::of(state.record.site(&site));
            let on = on.unwrap_or_else(|| law.days.day(now.as_millisecond()));
            let sets = law.sets().into_iter().map(|set| RuleSetView {
                id: set.id.clone(),
                title: set.title.clone(),
                state: set.state,
            });
            let rules = law.in_force(on).into_iter().map(|rule| RuleView {
                unconfirmed: rule.unconfirmed(),
                parameter: rule.parameter(),
                rule,
            });
            let caution = cautions(&["hazardous_waste"]).pop().ok_or_else(Problem::not_found)?;
            Ok(RuleList {
                as_of: state.as_of,
                now: stamp(now),
                on,
                sets: sets.collect(),
                strict_day_count: law.strict(),
                legal_hold: law.hold(),
                items: rules.collect(),
                caution,
                site: site.clone(),
            })
        })
        .await?;
    Ok(web::Json(answer))
}

/// A site the caller's token is for.
pub(super) fn own_site(who: &Identity, text: &str) -> Result<Label> {
    let site = super::site(text)?;
    crate::authz::may_see(who, Some(&site))?;
    Ok(site)
}

/// A period of at most ten years.
pub(super) fn period(from: &str, to: &str) -> Result<(Day, Day)> {
    const YEARS_MAX: i16 = 10;
    let (from, to) = (day("from", from)?, day("to", to)?);
    if to.0 < from.0 || to.0.year() - from.0.year() > YEARS_MAX {
        let detail = format!("a period runs forward and over at most {YEARS_MAX} years");
        return Err(Problem::parameter("to", detail));
    }
    Ok((from, to))
}

fn day(name: &str, text: &str) -> Result<Day> {
    let day = text.parse().map(Day);
    day.map_err(|_| Problem::parameter(name, format!("`{}` is no day `YYYY-MM-DD`", echo(text))))
}
