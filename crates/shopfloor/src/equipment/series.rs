//! Series of checks over time: scales with the weighings that a failed check makes suspect, and
//! filters whose pressure drop grows.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use super::Equipment;
use super::checks::mpe_in_service_kg;
use super::due::{Forecast, Outlook, config_of, day_of};
use super::events::{CheckDone, CheckKind, ScaleData};
use super::meter::{DAYS_KEPT, DayNumber, local_day};
use super::told::{UseKind, What};
use super::workdays::WorkingDays;
use crate::common::{Day, Outcome};
use crate::ids::Label;
use crate::quantity::AnyQuantity;
use crate::record::Record;

/// One check of a scale.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ScaleCheck {
    /// Entry.
    pub entry: u64,
    /// When, ms since 1970 UTC.
    pub time_ms: i64,
    /// What it showed.
    pub indicated: AnyQuantity,
    /// Value of the reference weight.
    pub reference: Option<AnyQuantity>,
    /// Indicated minus reference, in kg; none when the units are not masses.
    pub error_kg: Option<String>,
    /// Largest error in service at that load, in kg (OIML R 76-1 Table 6, twice in service); none
    /// without the metrological data of the scale.
    pub largest_error_kg: Option<String>,
    /// The result as recorded.
    pub result: Outcome,
    /// Whether it counts as passed: recorded as passed, and not outside the largest error.
    pub passed: bool,
}

/// A failed check and the weighings it makes suspect: from the last passing check (a weighing at
/// the same instant included) up to the failed one, and on until the next passing check.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ScaleWindow {
    /// The failed check that opens it.
    pub failed_by: u64,
    /// The last passing check before it; none: every weighing since the scale was taken into use.
    pub passed_by: Option<u64>,
    /// The next passing check; none: the window is still open.
    pub closed_by: Option<u64>,
    /// Entries that weighed on the scale before the failed check.
    pub suspect: Vec<u64>,
    /// Entries that weighed on it after the failed check and before the next passing one.
    pub after_failure: Vec<u64>,
}

/// A scale: its checks and the windows of failed ones.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ScaleView {
    /// The scale.
    pub scale: Label,
    /// Its metrological data.
    pub data: Option<ScaleData>,
    /// Its checks in order of time.
    pub checks: Vec<ScaleCheck>,
    /// Windows in order of time.
    pub windows: Vec<ScaleWindow>,
    /// Whether the last check passed; none: never checked.
    pub last_passed: Option<bool>,
}

/// Growth of a pressure drop since the part was fitted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PressureTrend {
    /// Position or point.
    pub target: Label,
    /// Entry that fitted the part; none: since the first check.
    pub since: Option<u64>,
    /// The last reading, in Pa.
    pub last_pa: String,
    /// Local day of the last reading.
    pub last_on: Day,
    /// The limit of the last check, in Pa.
    pub limit_pa: Option<String>,
    /// When the limit will be reached, by the robust slope over working days (computations.md C2,
    /// C22). `per_working_day` is in Pa.
    pub forecast: Forecast,
    /// Entries it rests on.
    pub entries: Vec<u64>,
}

fn scale_check(seq: u64, time_ms: i64, form: &CheckDone, data: Option<&ScaleData>) -> ScaleCheck {
    let in_kg = |q: &AnyQuantity| (q.base_unit() == "kg").then(|| q.base());
    let reference = form.reference.as_ref().and_then(in_kg);
    let error = in_kg(&form.measured).zip(reference).map(|(shown, weight)| shown - weight);
    let largest =
        reference.zip(data).and_then(|(load, d)| mpe_in_service_kg(load, d.interval.base()));
    let outside = error.zip(largest).is_some_and(|(error, largest)| error.abs() > largest);
    ScaleCheck {
        entry: seq,
        time_ms,
        indicated: form.measured.clone(),
        reference: form.reference.clone(),
        error_kg: error.map(|e| e.to_string()),
        largest_error_kg: largest.map(|e| e.to_string()),
        result: form.result,
        passed: form.result == Outcome::Pass && !outside,
    }
}

impl Equipment {
    /// A scale with its checks and what failed ones make suspect. `clock_ms` is the uncertainty of
    /// the clocks: the window is widened by it at both ends (computations.md C8, C16).
    pub fn scale(&self, id: &Label, clock_ms: i64) -> Option<ScaleView> {
        let machine = self.machines.get(id)?;
        let form = machine.now.registration.as_ref().map(|r| &r.form);
        let data = form.and_then(|f| f.scale.as_ref());
        let checks: Vec<ScaleCheck> = machine
            .facts
            .iter()
            .filter_map(|m| {
                let What::Checked(form) = &m.value.what else { return None };
                let of_scale = form.check == CheckKind::Scale;
                of_scale.then(|| scale_check(m.seq, m.time_ms, form, data))
            })
            .collect();
        let weighings: Vec<(i64, u64)> = machine
            .uses
            .iter()
            .filter(|m| m.value == UseKind::Weighing)
            .map(|m| (m.time_ms, m.seq))
            .collect();
        Some(ScaleView {
            scale: id.clone(),
            data: data.cloned(),
            windows: windows(&checks, &weighings, clock_ms),
            last_passed: checks.last().map(|c| c.passed),
            checks,
        })
    }

    /// Pressure drop over each filter of a machine, and when it will reach its limit.
    pub fn pressure_trends(&self, record: &Record, id: &Label) -> Vec<PressureTrend> {
        let Some(machine) = self.machines.get(id) else { return Vec::new() };
        let site = machine.now.registration.as_ref().and_then(|r| r.site.as_ref());
        let calendar = WorkingDays::of(config_of(record, site));
        let mut series: BTreeMap<Label, Vec<Pressure>> = BTreeMap::new();
        for moment in machine.facts.iter() {
            let What::Checked(form) = &moment.value.what else { continue };
            let (Some(target), CheckKind::PressureDrop, "Pa") =
                (&form.target, form.check, form.measured.base_unit())
            else {
                continue;
            };
            let day = local_day(moment.time_ms, moment.value.offset_s);
            series.entry(target.clone()).or_default().push(Pressure {
                place: (moment.time_ms, moment.seq),
                day,
                form: CheckDone::clone(form),
            });
        }
        let trend = |(target, checks): (Label, Vec<Pressure>)| {
            let fitted = machine.now.fitted.get(&target).and_then(|i| machine.now.stays.get(*i));
            let fit = fitted.and_then(|stay| stay.fit.as_ref());
            let since = fit.map(|f| (f.time_ms, f.seq));
            let current: Vec<Pressure> =
                checks.into_iter().filter(|p| since.is_none_or(|s| p.place >= s)).collect();
            pressure_trend(&target, since.map(|(_, seq)| seq), &current, &calendar)
        };
        series.into_iter().filter_map(trend).collect()
    }
}

/// One pressure reading.
struct Pressure {
    place: (i64, u64),
    day: DayNumber,
    form: CheckDone,
}

fn pressure_trend(
    target: &Label,
    since: Option<u64>,
    checks: &[Pressure],
    calendar: &WorkingDays,
) -> Option<PressureTrend> {
    let last = checks.last()?;
    let limit = last.form.limit.at_most.as_ref().filter(|l| l.base_unit() == "Pa");
    let pa = |p: &Pressure| p.form.measured.base();
    // One reading a day, the newest ones.
    let mut days: Vec<(DayNumber, Decimal)> = Vec::new();
    for check in checks {
        days.retain(|(day, _)| *day != check.day);
        days.push((check.day, pa(check)));
    }
    let newest = &days[days.len().saturating_sub(DAYS_KEPT)..];
    let points: Vec<(i32, Decimal)> =
        newest.iter().map(|(day, value)| (calendar.count(*day), *value)).collect();
    let mut entries: Vec<u64> = checks.iter().map(|p| p.place.1).chain(since).collect();
    entries.sort_unstable();
    Some(PressureTrend {
        target: target.clone(),
        since,
        last_pa: pa(last).normalize().to_string(),
        last_on: day_of(last.day),
        limit_pa: limit.map(|l| l.base().normalize().to_string()),
        forecast: match limit.map(|l| l.base() - pa(last)) {
            None => Forecast::only(Outlook::NotEnoughData, points.len()),
            Some(left) if left <= Decimal::ZERO => Forecast::only(Outlook::DueNow, points.len()),
            Some(left) => Forecast::of(&points, left, last.day, calendar),
        },
        entries,
    })
}

/// The window of each first failed check after a passing one.
fn windows(checks: &[ScaleCheck], weighings: &[(i64, u64)], clock_ms: i64) -> Vec<ScaleWindow> {
    let mut windows: Vec<ScaleWindow> = Vec::new();
    let mut passed: Option<&ScaleCheck> = None;
    let mut failed: Option<&ScaleCheck> = None;
    for check in checks {
        match (check.passed, failed) {
            (true, Some(first)) => {
                windows.push(window(passed, first, Some(check), weighings, clock_ms));
                (passed, failed) = (Some(check), None);
            }
            (true, None) => passed = Some(check),
            (false, None) => failed = Some(check),
            (false, Some(_)) => {}
        }
    }
    windows.extend(failed.map(|first| window(passed, first, None, weighings, clock_ms)));
    windows
}

/// Weighings between the last pass (a tie counts) and the failure (a tie does not), widened by the
/// uncertainty of the clocks; and those from the failure to the next pass.
fn window(
    passed: Option<&ScaleCheck>,
    failed: &ScaleCheck,
    closed: Option<&ScaleCheck>,
    weighings: &[(i64, u64)],
    clock_ms: i64,
) -> ScaleWindow {
    let from_ms = passed.map_or(i64::MIN, |p| p.time_ms.saturating_sub(clock_ms));
    let to_ms = failed.time_ms.saturating_add(clock_ms);
    let end_ms = closed.map_or(i64::MAX, |c| c.time_ms);
    let within = |low: i64, high: i64| {
        let weighings = weighings.iter().filter(move |(t, _)| (low..high).contains(t));
        weighings.map(|(_, seq)| *seq).collect::<Vec<u64>>()
    };
    ScaleWindow {
        failed_by: failed.entry,
        passed_by: passed.map(|p| p.entry),
        closed_by: closed.map(|c| c.entry),
        suspect: within(from_ms, to_ms),
        after_failure: within(to_ms, end_ms),
    }
}
