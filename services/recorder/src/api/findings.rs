//! What contradicts the record or a rule, and the cautions and the catalogue behind it.

use actix_web::{get, web};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::catalogue::{CATALOGUE, Origin, TYPE_PREFIX};
use shopfloor::finding::{Level, rules};
use shopfloor::ids::Subject;

use super::wire::{CautionView, FindingView};
use crate::app::{Caller, Recorder};
use crate::problem::{Problem, Result, echo};

/// Which findings.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct FindingQuery {
    /// Only those of this site.
    pub site: Option<String>,
    /// Only those about this subject, such as `lot/PA-0417`.
    pub subject: Option<String>,
    /// Only those of this rule, such as `record.late`.
    pub rule: Option<String>,
    /// Only those of this level or above: `note`, `warn` or `stop`.
    pub level: Option<String>,
    /// Only open ones, or only settled ones.
    pub open: Option<bool>,
    /// Only those raised by this entry or later ones.
    pub from: Option<u64>,
    /// Most findings, 1 to 1000; 100 if left out. The newest are listed first.
    pub limit: Option<usize>,
}

/// Findings, newest first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "FindingList")]
pub struct FindingList {
    /// Entries the answer rests on.
    pub as_of: u64,
    /// How many there are in all.
    pub total: usize,
    /// How many of them are open.
    pub open: usize,
    /// The newest of them.
    pub items: Vec<FindingView>,
}

/// List what contradicts the record or a rule
///
/// Nothing is refused because it is contradictory; it is recorded, and told here until a
/// correction, a settlement or a closed deviation settles it.
#[utoipa::path(
    operation_id = "listFindings", tag = "questions",
    params(FindingQuery),
    responses((status = 200, description = "Findings.", body = FindingList)),
)]
#[get("/v1/findings")]
pub(super) async fn list_findings(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<FindingQuery>,
) -> Result<web::Json<FindingList>> {
    let query = query.into_inner();
    let limit = super::page_limit(query.limit)?;
    let site = query.site.as_deref().map(super::site).transpose()?;
    let subject = query.subject.as_deref().map(subject).transpose()?;
    let level = query.level.as_deref().map(level).transpose()?;
    let list = recorder
        .ask(move |state| {
            let fits = |finding: &&shopfloor::Finding| {
                caller.may_see(finding.site.as_ref())
                    && site.as_ref().is_none_or(|site| finding.site.as_ref() == Some(site))
                    && subject.as_ref().is_none_or(|subject| finding.subject == *subject)
                    && query.rule.as_ref().is_none_or(|rule| finding.rule == *rule)
                    && level.is_none_or(|level| finding.level >= level)
                    && query.open.is_none_or(|open| finding.settled_by.is_none() == open)
                    && query.from.is_none_or(|from| finding.seq >= from)
            };
            let all: Vec<_> = state.findings.iter().filter(fits).collect();
            Ok(FindingList {
                as_of: state.as_of,
                total: all.len(),
                open: all.iter().filter(|finding| finding.settled_by.is_none()).count(),
                items: all.into_iter().rev().take(limit).map(FindingView::from).collect(),
            })
        })
        .await?;
    Ok(web::Json(list))
}

fn subject(text: &str) -> Result<Subject> {
    text.parse().map_err(|error: shopfloor::ids::NameError| {
        Problem::parameter("subject", echo(&error.to_string()))
    })
}

fn level(text: &str) -> Result<Level> {
    Level::ALL
        .iter()
        .copied()
        .find(|level| level.as_str() == text)
        .ok_or_else(|| Problem::parameter("level", "`note`, `warn` or `stop` is wanted"))
}

/// Every caution.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "CautionList")]
pub struct CautionList {
    /// In the order in which they are shown.
    pub items: Vec<CautionView>,
}

/// List the cautions for work that can hurt somebody
///
/// General words, never limit values, and never a substitute for a risk assessment. Each ends by
/// deferring to the machine's manual, local codes and licensed practice.
#[utoipa::path(
    operation_id = "listCautions", tag = "questions",
    responses((status = 200, description = "Every caution.", body = CautionList)),
)]
#[get("/v1/cautions")]
pub(super) async fn list_cautions() -> web::Json<CautionList> {
    let items = shopfloor::cautions::CAUTIONS.iter().map(CautionView::from).collect();
    web::Json(CautionList { items })
}

/// One type of event.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "EventType")]
pub struct EventTypeView {
    /// The `type` of the event.
    #[serde(rename = "type")]
    pub type_: String,
    /// What it tells.
    pub summary: String,
    /// Kinds the subject may be; empty: any.
    pub subjects: Vec<String>,
    /// Roles that may record it; empty: only the log itself.
    pub roles: Vec<String>,
    /// Whether `site` must be there.
    pub needs_site: bool,
    /// Whether `time` must be there.
    pub needs_time: bool,
    /// Ids of the cautions that belong to the work.
    pub cautions: Vec<String>,
    /// Name of the JSON Schema of its `data` in the API description.
    pub schema: String,
}

/// One rule that findings name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Rule")]
pub struct RuleView {
    /// Its stable name.
    pub id: String,
    /// How much it weighs.
    pub level: Level,
    /// What should be.
    pub title: String,
    /// Title and section of the source.
    pub source: String,
    /// How sure the source is.
    pub confidence: shopfloor::finding::Confidence,
}

/// Every type of event and every rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Catalogue")]
pub struct CatalogueView {
    /// Types of event.
    pub events: Vec<EventTypeView>,
    /// Rules.
    pub rules: Vec<RuleView>,
}

/// Read the types of event and the rules
#[utoipa::path(
    operation_id = "readCatalogue", tag = "questions",
    responses((status = 200, description = "The catalogue.", body = CatalogueView)),
)]
#[get("/v1/catalogue")]
pub(super) async fn read_catalogue() -> web::Json<CatalogueView> {
    let events = CATALOGUE.iter().map(|kind| EventTypeView {
        type_: format!("{TYPE_PREFIX}{}", kind.name),
        summary: kind.summary.trim().to_owned(),
        subjects: kind.subjects.iter().map(|kind| kind.as_str().to_owned()).collect(),
        roles: kind.roles.iter().map(|role| role.as_str().to_owned()).collect(),
        needs_site: kind.origin == Origin::Shop,
        needs_time: kind.origin != Origin::Log,
        cautions: kind.cautions.iter().map(|id| (*id).to_owned()).collect(),
        schema: crate::openapi::event_schema_name(kind.name),
    });
    let rules = rules().map(|rule| RuleView {
        id: rule.id.to_owned(),
        level: rule.level,
        title: rule.title.to_owned(),
        source: rule.source.to_owned(),
        confidence: rule.confidence,
    });
    web::Json(CatalogueView { events: events.collect(), rules: rules.collect() })
}
