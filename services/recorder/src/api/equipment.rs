//! Machines, what is due on them, and what was told of them at an earlier time.

use std::collections::BTreeSet;

use actix_web::{get, web};
use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::equipment::events::{EquipmentKind, PlanSet};
use shopfloor::equipment::{
    DueList, DueQuery, DueState, DueTask, Equipment, HistoryLine, MachineState, MachineView,
    PressureTrend, Readiness, ScaleView, starter_plan,
};
use shopfloor::ids::{Label, Title};
use shopfloor::record::Record;

use super::answers::{label, lists, singles, stamp, word};
use super::moment::{Moment, resolve};
use super::wire::{CautionView, cautions};
use crate::app::{Caller, Recorder};
use crate::problem::{Problem, Result};

/// Which machines.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EquipmentQuery {
    /// Only those of this site.
    pub site: Option<String>,
}

/// A machine in short.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct MachineCard {
    /// Its label.
    pub machine: Label,
    /// Display name.
    pub title: Option<Title>,
    /// What it is.
    pub kind: Option<EquipmentKind>,
    /// Room it stands in.
    pub room: Option<Label>,
    /// Site.
    pub site: Option<Label>,
    /// How it stands.
    pub state: MachineState,
    /// Tasks at a limit.
    pub due: usize,
    /// Tasks near a limit.
    pub due_soon: usize,
    /// Entry of the newest registration.
    pub registered_by: Option<u64>,
}

lists! {
    /// Machines by label.
    MachineList of MachineCard;
    /// What was told of a machine, in order of work.
    HistoryList of HistoryLine;
    /// Pressure drop over each filter.
    PressureList of PressureTrend;
}
singles! {
    /// One machine.
    MachineAnswer of MachineView;
    /// A machine before it is started.
    ReadinessAnswer of Readiness;
    /// A scale.
    ScaleAnswer of ScaleView;
    /// A plan to begin with.
    StarterPlanAnswer of PlanSet;
}

/// List machines
#[utoipa::path(
    operation_id = "listEquipment", tag = "questions",
    params(EquipmentQuery),
    responses((status = 200, description = "Machines by label.", body = MachineList)),
)]
#[get("/v1/equipment")]
pub(super) async fn list_equipment(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<EquipmentQuery>,
) -> Result<web::Json<MachineList>> {
    let now = recorder.now();
    let site = query.site.as_deref().map(super::site).transpose()?;
    let list = recorder
        .ask(move |state| {
            let card = |id: &Label| {
                let view = state.equipment.machine(id)?;
                let wanted = site.is_none() || view.site == site;
                (wanted && caller.may_see(view.site.as_ref())).then(|| {
                    let query =
                        DueQuery { machine: Some(id.clone()), limit: 0, ..Default::default() };
                    let due = state.equipment.due(&state.record, &query, now);
                    MachineCard {
                        machine: view.machine,
                        title: view.title,
                        kind: view.kind,
                        room: view.room,
                        site: view.site,
                        state: view.state,
                        due: due.due,
                        due_soon: due.due_soon,
                        registered_by: view.registered_by,
                    }
                })
            };
            let items = state.equipment.machines().filter_map(card).collect();
            Ok(MachineList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(list))
}

/// When a question is asked about.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct MachineQuery {
    /// Answer as the log could then: a number of entries, or a time (RFC 3339). Entries recorded
    /// later are left out, corrections too, and days are counted to that moment.
    pub as_of: Option<String>,
}

/// Asks something about one machine, now or as of an earlier moment, of somebody who may see it.
async fn about<T: Send + 'static>(
    recorder: &Recorder,
    caller: Caller,
    id: &str,
    as_of: Option<&str>,
    question: impl FnOnce(&Equipment, &Record, &Label, Timestamp) -> Option<T> + Send + 'static,
) -> Result<(u64, Timestamp, T)> {
    let (id, now) = (label(id)?, recorder.now());
    let moment = resolve(recorder, as_of).await?;
    recorder
        .ask(move |state| {
            let asked = |equipment: &Equipment, record: &Record, now| {
                let view = equipment.machine(&id).ok_or_else(Problem::not_found)?;
                crate::authz::may_see(&caller, view.site.as_ref())?;
                question(equipment, record, &id, now).ok_or_else(Problem::not_found)
            };
            match moment {
                None => Ok((state.as_of, now, asked(&state.equipment, &state.record, now)?)),
                Some(Moment { known, at }) => {
                    let then = state.equipment.machine_as_of(&state.record, &id, known);
                    let settings = state.record.settings_as_of(known);
                    Ok((known, at, asked(&then, &settings, at)?))
                }
            }
        })
        .await
}

/// Read what is known of a machine: meters, fitted parts, locks, last results
#[utoipa::path(
    operation_id = "readMachine", tag = "questions",
    params(("id" = String, Path, description = "Label of the machine."), MachineQuery),
    responses((status = 200, description = "The machine.", body = MachineAnswer)),
)]
#[get("/v1/equipment/{id}")]
pub(super) async fn read_machine(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    query: web::Query<MachineQuery>,
) -> Result<web::Json<MachineAnswer>> {
    let question =
        |equipment: &Equipment, _: &Record, id: &Label, _: Timestamp| equipment.machine(id);
    let (as_of, now, item) =
        about(&recorder, caller, &id, query.as_of.as_deref(), question).await?;
    Ok(web::Json(MachineAnswer { as_of, now: stamp(now), item }))
}

/// Read what speaks against starting a machine, and its tasks
///
/// Whether the machine may be used is decided by people; an empty list of holds is no release.
#[utoipa::path(
    operation_id = "readReadiness", tag = "questions",
    params(("id" = String, Path, description = "Label of the machine."), MachineQuery),
    responses((status = 200, description = "What speaks against it.", body = ReadinessAnswer)),
)]
#[get("/v1/equipment/{id}/readiness")]
pub(super) async fn read_readiness(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    query: web::Query<MachineQuery>,
) -> Result<web::Json<ReadinessAnswer>> {
    let question = |equipment: &Equipment, record: &Record, id: &Label, now: Timestamp| {
        equipment.readiness(record, id, now)
    };
    let (as_of, now, item) =
        about(&recorder, caller, &id, query.as_of.as_deref(), question).await?;
    Ok(web::Json(ReadinessAnswer { as_of, now: stamp(now), item }))
}

/// Read everything that was told of a machine, in order of work
#[utoipa::path(
    operation_id = "readHistory", tag = "questions",
    params(("id" = String, Path, description = "Label of the machine."), MachineQuery),
    responses((status = 200, description = "Its history.", body = HistoryList)),
)]
#[get("/v1/equipment/{id}/history")]
pub(super) async fn read_history(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    query: web::Query<MachineQuery>,
) -> Result<web::Json<HistoryList>> {
    let question = |equipment: &Equipment, _: &Record, id: &Label, _: Timestamp| {
        equipment.history(id, None, None)
    };
    let (as_of, now, items) =
        about(&recorder, caller, &id, query.as_of.as_deref(), question).await?;
    Ok(web::Json(HistoryList { as_of, now: stamp(now), items }))
}

/// Read the checks of a scale and the weighings that failed ones make suspect
#[utoipa::path(
    operation_id = "readScale", tag = "questions",
    params(("id" = String, Path, description = "Label of the scale."), MachineQuery),
    responses((status = 200, description = "The scale.", body = ScaleAnswer)),
)]
#[get("/v1/equipment/{id}/scale")]
pub(super) async fn read_scale(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    query: web::Query<MachineQuery>,
) -> Result<web::Json<ScaleAnswer>> {
    let question =
        |equipment: &Equipment, _: &Record, id: &Label, _: Timestamp| equipment.scale(id, 0);
    let (as_of, now, item) =
        about(&recorder, caller, &id, query.as_of.as_deref(), question).await?;
    Ok(web::Json(ScaleAnswer { as_of, now: stamp(now), item }))
}

/// Read the pressure drop over the filters of a machine, and when it will reach its limit
#[utoipa::path(
    operation_id = "readPressure", tag = "questions",
    params(("id" = String, Path, description = "Label of the machine."), MachineQuery),
    responses((status = 200, description = "One row a filter.", body = PressureList)),
)]
#[get("/v1/equipment/{id}/pressure")]
pub(super) async fn read_pressure(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    query: web::Query<MachineQuery>,
) -> Result<web::Json<PressureList>> {
    let question = |equipment: &Equipment, record: &Record, id: &Label, _: Timestamp| {
        Some(equipment.pressure_trends(record, id))
    };
    let (as_of, now, items) =
        about(&recorder, caller, &id, query.as_of.as_deref(), question).await?;
    Ok(web::Json(PressureList { as_of, now: stamp(now), items }))
}

/// Suggest a plan to begin with, by what the machine is and what sits in it
///
/// The intervals are common practice of the trade and are marked so: take over what fits, replace
/// them by the machine's manual and the shop's own experience, and record the result as `plan.set`.
#[utoipa::path(
    operation_id = "suggestPlan", tag = "questions",
    params(("id" = String, Path, description = "Label of the machine."), MachineQuery),
    responses((status = 200, description = "The `data` of a `plan.set`.", body = StarterPlanAnswer)),
)]
#[get("/v1/equipment/{id}/starter-plan")]
pub(super) async fn suggest_plan(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    query: web::Query<MachineQuery>,
) -> Result<web::Json<StarterPlanAnswer>> {
    let question = |equipment: &Equipment, _: &Record, id: &Label, _: Timestamp| {
        equipment.registered_as(id).map(starter_plan)
    };
    let (as_of, now, item) =
        about(&recorder, caller, &id, query.as_of.as_deref(), question).await?;
    Ok(web::Json(StarterPlanAnswer { as_of, now: stamp(now), item }))
}

/// Which tasks.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DueParams {
    /// Only those of this site.
    pub site: Option<String>,
    /// Only those of this machine.
    pub machine: Option<String>,
    /// The least urgent state to list: `due`, `due_soon`, `no_reading_yet` or `within_limit`, which
    /// is taken if it is left out. The counts cover every state.
    pub state: Option<String>,
    /// Most tasks, 1 to 1000; 100 if left out. The most urgent are listed first.
    pub limit: Option<usize>,
    /// Answer as the log could then: a number of entries, or a time (RFC 3339). Entries recorded
    /// later are left out, corrections too, and days are counted to that moment. Every machine is
    /// worked out again for it: name the machine if that is what is asked about.
    pub as_of: Option<String>,
}

/// What is due, most urgent first.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct DueAnswer {
    /// Entries the answer rests on.
    pub as_of: u64,
    /// When it was asked, UTC.
    pub now: String,
    /// Tasks at a limit.
    pub due: usize,
    /// Tasks near a limit.
    pub due_soon: usize,
    /// Tasks whose meter was never read.
    pub no_reading_yet: usize,
    /// Tasks below every limit.
    pub within_limit: usize,
    /// The tasks asked for.
    pub items: Vec<DueTask>,
    /// The cautions these tasks name, to be shown before the work.
    pub cautions: Vec<CautionView>,
}

/// List planned tasks by how near they are to their limits
#[utoipa::path(
    operation_id = "listDue", tag = "questions",
    params(DueParams),
    responses((status = 200, description = "Tasks, most urgent first.", body = DueAnswer)),
)]
#[get("/v1/due")]
pub(super) async fn list_due(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<DueParams>,
) -> Result<web::Json<DueAnswer>> {
    let now = recorder.now();
    let limit = super::page_limit(query.limit)?;
    let site = query.site.as_deref().map(super::site).transpose()?;
    let no_label = |_| Problem::parameter("machine", "a label is wanted");
    let machine = query.machine.as_deref().map(Label::new).transpose().map_err(no_label)?;
    let down_to = match query.state.as_deref() {
        Some(text) => word("state", text, DueState::ALL, DueState::as_str)?,
        None => DueState::WithinLimit,
    };
    let moment = resolve(&recorder, query.as_of.as_deref()).await?;
    let wanted = Wanted { sites: sites_to_ask(&caller, site), machine, down_to, limit };
    let log = recorder.log.clone();
    let answer = recorder
        .blocking(move || {
            let (as_of, at, found) = match moment {
                None => {
                    let (as_of, found) = log.ask(|state| {
                        (state.as_of, wanted.of(&state.equipment, &state.record, now))
                    });
                    (as_of, now, found)
                }
                Some(Moment { known, at }) => {
                    let (ids, settings) = log.ask(|state| {
                        let all = || state.equipment.machines().cloned().collect();
                        let ids: BTreeSet<Label> = match &wanted.machine {
                            Some(id) => [id.clone()].into(),
                            None => all(),
                        };
                        (ids, state.record.settings_as_of(known))
                    });
                    let mut found = DueList::default();
                    // One machine at a time: the writer waits for each of them only. What the log
                    // could answer at an earlier moment does not change meanwhile.
                    for id in &ids {
                        let then = log
                            .ask(|state| state.equipment.machine_as_of(&state.record, id, known));
                        found.add(wanted.of(&then, &settings, at), limit);
                    }
                    (known, at, found)
                }
            };
            let mut ids: Vec<&str> =
                found.tasks.iter().flat_map(|task| &task.cautions).map(String::as_str).collect();
            ids.sort_unstable();
            ids.dedup();
            Ok(DueAnswer {
                as_of,
                now: stamp(at),
                due: found.due,
                due_soon: found.due_soon,
                no_reading_yet: found.no_reading_yet,
                within_limit: found.within_limit,
                cautions: cautions(&ids),
                items: found.tasks,
            })
        })
        .await?;
    Ok(web::Json(answer))
}

/// Which tasks of which sites are wanted.
struct Wanted {
    /// `None` stands for all sites at once.
    sites: Vec<Option<Label>>,
    machine: Option<Label>,
    down_to: DueState,
    limit: usize,
}

impl Wanted {
    fn of(&self, equipment: &Equipment, record: &Record, now: Timestamp) -> DueList {
        let mut found = DueList::default();
        for site in &self.sites {
            let query = DueQuery {
                site: site.clone(),
                machine: self.machine.clone(),
                down_to: self.down_to,
                limit: self.limit,
            };
            found.add(equipment.due(record, &query, now), self.limit);
        }
        found
    }
}

/// Every site the caller wants and may ask about; `None` stands for all at once.
fn sites_to_ask(caller: &Caller, wanted: Option<Label>) -> Vec<Option<Label>> {
    match (&caller.sites, wanted) {
        (None, wanted) => vec![wanted],
        (Some(sites), None) => sites.iter().cloned().map(Some).collect(),
        (Some(sites), Some(wanted)) => {
            sites.contains(&wanted).then_some(Some(wanted)).into_iter().collect()
        }
    }
}
