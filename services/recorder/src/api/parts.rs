//! Parts by serial: where they are, how long they live, how many to keep.

use actix_web::{get, web};
use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::common::Day;
use shopfloor::equipment::events::PartKind;
use shopfloor::equipment::{LifeQuery, PartLives, PartState, PartView, StockQuery, StockView};
use shopfloor::ids::Label;

use super::answers::{label, lists, singles, stamp, word};
use crate::app::{Caller, Recorder};
use crate::problem::{Problem, Result, echo};

/// Days back over which demand is taken, if no other window is asked for.
const WINDOW_DAYS: u32 = 365;
/// Days from order to receipt, if nothing else is said.
const LEAD_TIME_DAYS: u32 = 30;
/// Wanted chance in percent that the stock covers a lead time, if nothing else is said.
const SERVICE_PERCENT: u8 = 95;

/// A part in short.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct PartCard {
    /// Serial.
    pub serial: Label,
    /// What it is.
    pub part_kind: Option<PartKind>,
    /// Where it is.
    pub state: PartState,
    /// Machine it is or was in last.
    pub machine: Option<Label>,
    /// Hours carried over all machines.
    pub hours: String,
    /// Whether its last day is past.
    pub past_last_day: bool,
}

lists! {
    /// Parts by serial.
    PartList of PartCard;
}
singles! {
    /// One part.
    PartAnswer of PartView;
    /// Lives of the parts of one kind.
    PartLivesAnswer of PartLives;
    /// Spare parts of one kind.
    StockAnswer of StockView;
}

fn part_kind(text: &str) -> Result<PartKind> {
    word("kind", text, PartKind::ALL, PartKind::as_str)
}

/// List parts by serial
#[utoipa::path(
    operation_id = "listParts", tag = "questions",
    responses((status = 200, description = "Parts by serial.", body = PartList)),
)]
#[get("/v1/parts")]
pub(super) async fn list_parts(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<PartList>> {
    caller.demand_every_site()?;
    let now = recorder.now();
    let list = recorder
        .ask(move |state| {
            let today = Day(now.to_zoned_datetime(jiff::tz::TimeZone::UTC).date());
            let parts = state.equipment.serials().filter_map(|s| state.equipment.part(s, today));
            let card = |part: PartView| PartCard {
                machine: part.stays.last().map(|stay| stay.machine.clone()),
                serial: part.serial,
                part_kind: part.part_kind,
                state: part.state,
                hours: part.hours.to_string(),
                past_last_day: part.past_last_day,
            };
            Ok(PartList { as_of: state.as_of, now: stamp(now), items: parts.map(card).collect() })
        })
        .await?;
    Ok(web::Json(list))
}

/// Read a part: where it was fitted, by whom, with which checks, and the hours it carried
#[utoipa::path(
    operation_id = "readPart", tag = "questions",
    params(("serial" = String, Path, description = "Serial of the part.")),
    responses((status = 200, description = "The part.", body = PartAnswer)),
)]
#[get("/v1/parts/{serial}")]
pub(super) async fn read_part(
    recorder: web::Data<Recorder>,
    caller: Caller,
    serial: web::Path<String>,
) -> Result<web::Json<PartAnswer>> {
    caller.demand_every_site()?;
    let (now, serial) = (recorder.now(), label(&serial)?);
    let answer = recorder
        .ask(move |state| {
            let today = Day(now.to_zoned_datetime(jiff::tz::TimeZone::UTC).date());
            let part = state.equipment.part(&serial, today).ok_or_else(Problem::not_found)?;
            Ok(PartAnswer { as_of: state.as_of, now: stamp(now), item: part })
        })
        .await?;
    Ok(web::Json(answer))
}

/// Whose lives.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LivesQuery {
    /// Kind of part, such as `sieve`.
    pub kind: String,
    /// Only parts of this site; all if left out.
    pub site: Option<String>,
    /// Cost of a failure in units of a planned replacement, above 1: an interval is suggested.
    pub cost_ratio: Option<String>,
    /// `true`: a failure found at an inspection counts at the middle between the last good one and
    /// the finding.
    pub midpoint: Option<bool>,
}

/// Read how long parts of a kind live, and what interval their costs suggest
///
/// Parts that were taken out sound or still run count as not failed. Few failures say little; the
/// answer says so.
#[utoipa::path(
    operation_id = "readPartLives", tag = "questions",
    params(LivesQuery),
    responses((status = 200, description = "Lives.", body = PartLivesAnswer)),
)]
#[get("/v1/part-lives")]
pub(super) async fn read_part_lives(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<LivesQuery>,
) -> Result<web::Json<PartLivesAnswer>> {
    let site = match &query.site {
        Some(site) => Some(super::waste::own_site(&caller, site)?),
        None => {
            caller.demand_every_site()?;
            None
        }
    };
    let ratio = |text: &String| {
        let value: Option<Decimal> = shopfloor::quantity::decimal(text).ok();
        value.filter(|v| *v > Decimal::ONE).ok_or_else(|| {
            let detail = format!("`{}` is no number above 1", echo(text));
            Problem::parameter("cost_ratio", detail)
        })
    };
    let lives = LifeQuery {
        part_kind: part_kind(&query.kind)?,
        site,
        cost_ratio: query.cost_ratio.as_ref().map(ratio).transpose()?,
        midpoint: query.midpoint.unwrap_or(false),
    };
    let now = recorder.now();
    let answer = recorder
        .ask(move |state| {
            let item = state.equipment.part_lives(&lives);
            Ok(PartLivesAnswer { as_of: state.as_of, now: stamp(now), item })
        })
        .await?;
    Ok(web::Json(answer))
}

/// Which stock.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct StockParams {
    /// Kind of part, such as `sieve`.
    pub kind: String,
    /// Days back over which fitted parts count as demand; 365 if left out.
    pub window_days: Option<u32>,
    /// Days from order to receipt; 30 if left out.
    pub lead_time_days: Option<u32>,
    /// Wanted chance in percent that the stock covers a lead time, 1 to 99; 95 if left out.
    pub service_percent: Option<u8>,
}

/// Read which spare parts of a kind are in stock, and when to order
#[utoipa::path(
    operation_id = "readPartStock", tag = "questions",
    params(StockParams),
    responses((status = 200, description = "The stock.", body = StockAnswer)),
)]
#[get("/v1/part-stock")]
pub(super) async fn read_part_stock(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<StockParams>,
) -> Result<web::Json<StockAnswer>> {
    caller.demand_every_site()?;
    let service_percent = query.service_percent.unwrap_or(SERVICE_PERCENT);
    if !(1..=99).contains(&service_percent) {
        return Err(Problem::parameter("service_percent", "1 to 99 is wanted"));
    }
    let stock = StockQuery {
        part_kind: part_kind(&query.kind)?,
        window_days: query.window_days.unwrap_or(WINDOW_DAYS),
        lead_time_days: query.lead_time_days.unwrap_or(LEAD_TIME_DAYS),
        service_percent,
    };
    let now = recorder.now();
    let answer = recorder
        .ask(move |state| {
            let today = Day(now.to_zoned_datetime(jiff::tz::TimeZone::UTC).date());
            let item = state.equipment.stock(&stock, today);
            Ok(StockAnswer { as_of: state.as_of, now: stamp(now), item })
        })
        .await?;
    Ok(web::Json(answer))
}
