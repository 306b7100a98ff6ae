//! Starter plans: what the trade commonly does, for a shop to take over or replace.
//!
//! The intervals carry no published source unless one is named; they are shown as such, never as
//! law or as a maker's instruction (trade-values.md B9, B10).

use super::events::*;
use crate::common::Interval;
use crate::ids::{Code, Label, Title};

/// Share of a limit at which a starter task warns.
const WARN_PERCENT: u8 = 90;

/// An interval of a starter task.
enum Every {
    Hours(&'static str),
    Calendar(&'static str),
}

/// A row of the starter tables.
struct Row {
    task: &'static str,
    action: TaskAction,
    every: Every,
    also_does: &'static [&'static str],
    citation: Option<&'static str>,
}

const fn row(task: &'static str, action: TaskAction, every: Every) -> Row {
    Row { task, action, every, also_does: &[], citation: None }
}

/// Tasks of a position, by what sits in it. Hours: trade-values.md B9.
fn of_part(kind: PartKind) -> Vec<Row> {
    use Every::{Calendar, Hours};
    use TaskAction::{Clean, Inspect, Replace};
    match kind {
        PartKind::Sieve => vec![
            row("clean_sieve", Clean, Hours("20")),
            row("inspect_sieve", Inspect, Calendar("P1W")),
            Row {
                also_does: &["clean_sieve", "inspect_sieve"],
                ..row("replace_sieve", Replace, Hours("50"))
            },
        ],
        PartKind::HepaFilter => vec![row("replace_filter", Replace, Hours("100"))],
        PartKind::PreFilter => vec![row("clean_prefilter", Clean, Hours("50"))],
        PartKind::OxygenSensor => {
            vec![row("check_oxygen_sensor", TaskAction::Check, Calendar("P1M"))]
        }
        PartKind::Gasket
        | PartKind::Recoater
        | PartKind::Window
        | PartKind::Hose
        | PartKind::Other => Vec::new(),
    }
}

/// Tasks of a whole machine.
fn of_machine(kind: EquipmentKind) -> Vec<Row> {
    use Every::Calendar;
    use TaskAction::{Check, Inspect};
    match kind {
        EquipmentKind::Printer | EquipmentKind::SievingStation | EquipmentKind::Blender => {
            vec![row("check_earthing", Check, Calendar("P1M"))]
        }
        EquipmentKind::Vacuum => vec![
            row("check_earthing", Check, Calendar("P1M")),
            row("examine_vacuum", Inspect, Calendar("P1Y")),
        ],
        EquipmentKind::Scale => vec![
            row("check_scale", Check, Calendar("P1D")),
            row("calibrate_scale", Inspect, Calendar("P1Y")),
        ],
        EquipmentKind::Extraction => vec![Row {
            citation: Some("UK COSHH reg. 9: at most every 14 months"),
            ..row("examine_extraction", Inspect, Calendar("P14M"))
        }],
        EquipmentKind::Storage | EquipmentKind::Other => Vec::new(),
    }
}

/// A starter plan for a machine as registered. Tasks by hours count the first hour meter; without
/// one they are left out.
pub fn starter_plan(machine: &EquipmentRegistered) -> PlanSet {
    let hours = machine.meters.iter().find(|m| m.unit == MeterUnit::Hours).map(|m| &m.id);
    let mut tasks: Vec<PlannedTask> = Vec::new();
    for position in &machine.positions {
        let several = machine.positions.iter().filter(|p| p.part_kind == position.part_kind);
        let suffix = (several.count() > 1).then_some(&position.id);
        let rows = of_part(position.part_kind);
        tasks.extend(rows.iter().filter_map(|r| task(r, &position.id, suffix, hours)));
    }
    for row in of_machine(machine.kind) {
        let target = match row.task {
            "check_earthing" => CheckKind::Earthing.as_str(),
            "check_scale" | "calibrate_scale" => CheckKind::Scale.as_str(),
            _ => "machine",
        };
        let target = Label::new(target).ok();
        tasks.extend(target.and_then(|target| task(&row, &target, None, hours)));
    }
    PlanSet { tasks }
}

/// Name of a task; where several positions hold the same kind of part, with the position.
fn name(task: &str, suffix: Option<&Label>) -> Option<Code> {
    let Some(suffix) = suffix else { return Code::new(task).ok() };
    let plain = |c: char| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '_' };
    let position: String = suffix.as_str().chars().map(plain).collect();
    let full = format!("{task}_{position}");
    Code::new(full.get(..full.len().min(40))?).ok()
}

fn task(
    row: &Row,
    target: &Label,
    suffix: Option<&Label>,
    hours: Option<&Label>,
) -> Option<PlannedTask> {
    let (every, calendar) = match row.every {
        Every::Hours(digits) => {
            let quantity = MeterValue::new(digits, MeterUnit::Hours.as_str()).ok()?;
            (Some(MeterInterval { meter: hours?.clone(), quantity }), None)
        }
        Every::Calendar(text) => (None, Some(Interval::new(text).ok()?)),
    };
    let (basis, citation) = match row.citation {
        Some(title) => (PlanBasis::Published, Some(Title::new(title).ok()?)),
        None => (PlanBasis::CommonPractice, None),
    };
    Some(PlannedTask {
        task: name(row.task, suffix)?,
        action: row.action,
        target: target.clone(),
        every,
        calendar,
        warn_percent: Percent(WARN_PERCENT),
        also_does: row.also_does.iter().filter_map(|t| name(t, suffix)).collect(),
        cautions: Vec::new(),
        source: PlanSource { basis, citation },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn machine(kind: EquipmentKind, positions: &[(&str, PartKind)]) -> EquipmentRegistered {
        EquipmentRegistered {
            kind,
            label: Title::new("A machine").unwrap(),
            room: Label::new("R-1").unwrap(),
            meters: vec![Meter {
                id: Label::new("run").unwrap(),
                unit: MeterUnit::Hours,
                rolls_over_at: None,
            }],
            positions: positions
                .iter()
                .map(|(id, kind)| Position { id: Label::new(id).unwrap(), part_kind: *kind })
                .collect(),
            scale: None,
        }
    }

    #[test]
    fn a_sieving_station_starts_with_the_working_rules_of_the_trade() {
        // trade-values.md B9: clean about every 20, replace at about 50 and 100 hours.
        let station = machine(
            EquipmentKind::SievingStation,
            &[("deck", PartKind::Sieve), ("exhaust", PartKind::HepaFilter)],
        );
        let plan = starter_plan(&station);
        let hours = |task: &str| {
            let task = plan.tasks.iter().find(|t| t.task.as_str() == task).unwrap();
            task.every.as_ref().unwrap().quantity.to_string()
        };
        assert_eq!(hours("clean_sieve"), "20 h");
        assert_eq!(hours("replace_sieve"), "50 h");
        assert_eq!(hours("replace_filter"), "100 h");
        let sourced = |t: &PlannedTask| t.source.basis == PlanBasis::CommonPractice;
        assert!(plan.tasks.iter().all(sourced), "nothing of it is law");
        let replace = plan.tasks.iter().find(|t| t.task.as_str() == "replace_sieve").unwrap();
        assert!(replace.also_does.iter().any(|t| t.as_str() == "clean_sieve"));
    }

    #[test]
    fn two_decks_get_tasks_of_their_own() {
        let station = machine(
            EquipmentKind::SievingStation,
            &[("Upper-deck", PartKind::Sieve), ("Lower-deck", PartKind::Sieve)],
        );
        let plan = starter_plan(&station);
        let mut names: Vec<&str> = plan.tasks.iter().map(|t| t.task.as_str()).collect();
        let all = names.len();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), all, "every task has its own name");
        let upper = plan.tasks.iter().find(|t| t.task.as_str() == "replace_sieve_upper_deck");
        let also: Vec<&str> = upper.unwrap().also_does.iter().map(Code::as_str).collect();
        assert_eq!(also, ["clean_sieve_upper_deck", "inspect_sieve_upper_deck"]);
    }

    #[test]
    fn the_examination_of_extraction_names_its_source() {
        // UK COSHH reg. 9 (trade-values.md B10).
        let plan = starter_plan(&machine(EquipmentKind::Extraction, &[]));
        let examine = &plan.tasks[0];
        assert_eq!(examine.calendar.as_ref().unwrap().as_str(), "P14M");
        assert_eq!(examine.source.basis, PlanBasis::Published);
    }

    #[test]
    fn without_an_hour_meter_nothing_counts_hours() {
        let mut station = machine(EquipmentKind::SievingStation, &[("deck", PartKind::Sieve)]);
        station.meters.clear();
        assert!(starter_plan(&station).tasks.iter().all(|t| t.every.is_none()));
    }
}
