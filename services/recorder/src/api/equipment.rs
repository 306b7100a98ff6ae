//! Machines and what is due on them.

use actix_web::{get, web};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::equipment::events::EquipmentKind;
use shopfloor::equipment::{DueQuery, DueState, DueTask, MachineState, MachineView};
use shopfloor::ids::{Label, Title};

use super::answers::{label, lists, singles, stamp, word};
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
}
singles! {
    /// One machine.
    MachineAnswer of MachineView;
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

/// Read what is known of a machine: meters, fitted parts, locks, last results
#[utoipa::path(
    operation_id = "readMachine", tag = "questions",
    params(("id" = String, Path, description = "Label of the machine.")),
    responses((status = 200, description = "The machine.", body = MachineAnswer)),
)]
#[get("/v1/equipment/{id}")]
pub(super) async fn read_machine(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
) -> Result<web::Json<MachineAnswer>> {
    let (now, id) = (recorder.now(), label(&id)?);
    let answer = recorder
        .ask(move |state| {
            let view = state.equipment.machine(&id).ok_or_else(Problem::not_found)?;
            crate::authz::may_see(&caller, view.site.as_ref())?;
            Ok(MachineAnswer { as_of: state.as_of, now: stamp(now), item: view })
        })
        .await?;
    Ok(web::Json(answer))
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
    let sites = sites_to_ask(&caller, site);
    let answer = recorder
        .ask(move |state| {
            let mut answer = DueAnswer {
                as_of: state.as_of,
                now: stamp(now),
                due: 0,
                due_soon: 0,
                no_reading_yet: 0,
                within_limit: 0,
                items: Vec::new(),
                cautions: Vec::new(),
            };
            for site in sites {
                let query = DueQuery { site, machine: machine.clone(), down_to, limit };
                let list = state.equipment.due(&state.record, &query, now);
                answer.due += list.due;
                answer.due_soon += list.due_soon;
                answer.no_reading_yet += list.no_reading_yet;
                answer.within_limit += list.within_limit;
                answer.items.extend(list.tasks);
            }
            answer.items.sort_by_key(|task| (task.state, std::cmp::Reverse(task.percent)));
            answer.items.truncate(limit);
            let mut ids: Vec<&str> =
                answer.items.iter().flat_map(|task| &task.cautions).map(String::as_str).collect();
            ids.sort_unstable();
            ids.dedup();
            answer.cautions = cautions(&ids);
            Ok(answer)
        })
        .await?;
    Ok(web::Json(answer))
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
