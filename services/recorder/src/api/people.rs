//! People by pseudonym, and what is open between them.

use actix_web::{get, web};
use shopfloor::ids::PersonId;
use shopfloor::people::events::Role;
use shopfloor::people::{ActionView, DeviationView, HandoverView, IncidentView, PersonView};

use super::answers::{lists, singles, stamp};
use crate::app::{Caller, Recorder};
use crate::problem::{Kind, Problem, Result};

lists! {
    /// People by pseudonym.
    PersonList of PersonView;
    /// Deviations by label.
    DeviationList of DeviationView;
    /// Actions by label.
    ActionList of ActionView;
    /// Handovers by label.
    HandoverList of HandoverView;
    /// Incidents by label.
    IncidentList of IncidentView;
}
singles! {
    /// One person.
    PersonAnswer of PersonView;
}

/// List people by pseudonym, with what they may do
///
/// Names stand nowhere here. Whoever asks is noted in the program log. For tokens of every site:
/// people work at more than one.
#[utoipa::path(
    operation_id = "listPeople", tag = "people",
    responses((status = 200, description = "People by pseudonym.", body = PersonList)),
)]
#[get("/v1/people")]
pub(super) async fn list_people(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<PersonList>> {
    caller.demand_every_site()?;
    let now = recorder.now();
    let list = recorder
        .ask(move |state| {
            let view = |id| state.people.person(&state.record, id, now);
            let items = state.people.people().filter_map(view).collect();
            Ok(PersonList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(list))
}

/// Read what a person may do
///
/// Whoever asks is noted in the program log. Everybody may ask about themselves.
#[utoipa::path(
    operation_id = "readPerson", tag = "people",
    params(("id" = String, Path, description = "Pseudonym, `op_..`.")),
    responses((status = 200, description = "The person.", body = PersonAnswer)),
)]
#[get("/v1/people/{id}")]
pub(super) async fn read_person(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
) -> Result<web::Json<PersonAnswer>> {
    if caller.subject != *id {
        if caller.roles.iter().all(|role| *role == Role::Technician) {
            let detail = "a technician may ask about nobody else";
            return Err(Problem::new(Kind::Forbidden, detail));
        }
        caller.demand_every_site()?;
    }
    let (now, id) = (recorder.now(), PersonId::new(&id).map_err(|_| Problem::not_found())?);
    let answer = recorder
        .ask(move |state| {
            let person = state.people.person(&state.record, &id, now);
            let item = person.ok_or_else(Problem::not_found)?;
            Ok(PersonAnswer { as_of: state.as_of, now: stamp(now), item })
        })
        .await?;
    Ok(web::Json(answer))
}

/// List deviations, open and closed
#[utoipa::path(
    operation_id = "listDeviations", tag = "questions",
    responses((status = 200, description = "Deviations by label.", body = DeviationList)),
)]
#[get("/v1/deviations")]
pub(super) async fn list_deviations(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<DeviationList>> {
    let now = recorder.now();
    let list = recorder
        .ask(move |state| {
            let all = state.people.deviations(&state.record, now).into_iter();
            let items = all.filter(|view| caller.may_see(view.site.as_ref())).collect();
            Ok(DeviationList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(list))
}

/// List corrective and preventive actions
#[utoipa::path(
    operation_id = "listActions", tag = "questions",
    responses((status = 200, description = "Actions by label.", body = ActionList)),
)]
#[get("/v1/actions")]
pub(super) async fn list_actions(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<ActionList>> {
    let now = recorder.now();
    let list = recorder
        .ask(move |state| {
            let all = state.people.actions(&state.record, now).into_iter();
            let items = all.filter(|view| caller.may_see(view.site.as_ref())).collect();
            Ok(ActionList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(list))
}

/// List handovers of shifts
#[utoipa::path(
    operation_id = "listHandovers", tag = "questions",
    responses((status = 200, description = "Handovers by label.", body = HandoverList)),
)]
#[get("/v1/handovers")]
pub(super) async fn list_handovers(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<HandoverList>> {
    let now = recorder.now();
    let list = recorder
        .ask(move |state| {
            let all = state.people.handovers(now).into_iter();
            let items = all.filter(|view| caller.may_see(view.site.as_ref())).collect();
            Ok(HandoverList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(list))
}

/// List incidents
#[utoipa::path(
    operation_id = "listIncidents", tag = "questions",
    responses((status = 200, description = "Incidents by label.", body = IncidentList)),
)]
#[get("/v1/incidents")]
pub(super) async fn list_incidents(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<IncidentList>> {
    let now = recorder.now();
    let list = recorder
        .ask(move |state| {
            let all = state.people.incidents().into_iter();
            let items = all.filter(|view| caller.may_see(view.site.as_ref())).collect();
            Ok(IncidentList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(list))
}
