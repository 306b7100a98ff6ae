//! What was measured in rooms: dust that lies, dust in the air.

use actix_web::{get, web};
use shopfloor::equipment::{DustSurveyView, ExposureView};

use super::answers::{lists, stamp};
use crate::app::{Caller, Recorder};
use crate::problem::Result;

lists! {
    /// Surveys of dust layers, in order of work.
    DustSurveyList of DustSurveyView;
    /// Measured shifts, in order of work.
    ExposureList of ExposureView;
}

/// List surveys of dust layers with what they come to
///
/// A decision aid: the site's own assessment and the authority having jurisdiction decide.
#[utoipa::path(
    operation_id = "listDustSurveys", tag = "questions",
    responses((status = 200, description = "Surveys.", body = DustSurveyList)),
)]
#[get("/v1/dust")]
pub(super) async fn list_dust_surveys(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<DustSurveyList>> {
    let now = recorder.now();
    let list = recorder
        .ask(move |state| {
            let mut items = state.equipment.dust_surveys();
            items.retain(|survey| caller.may_see(survey.site.as_ref()));
            Ok(DustSurveyList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(list))
}

/// List measured exposures with their averages over eight hours
#[utoipa::path(
    operation_id = "listExposures", tag = "questions",
    responses((status = 200, description = "Measured shifts.", body = ExposureList)),
)]
#[get("/v1/exposures")]
pub(super) async fn list_exposures(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<ExposureList>> {
    let now = recorder.now();
    let list = recorder
        .ask(move |state| {
            let mut items = state.equipment.exposures();
            items.retain(|shift| caller.may_see(shift.site.as_ref()));
            Ok(ExposureList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(list))
}
