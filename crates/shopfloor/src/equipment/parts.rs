//! Exchangeable parts by serial: where they sat, since when, and how many hours they carried.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Equipment;
use super::due::{Amount, day_of};
use super::events::{MeterUnit, PartCondition, PartIn, PartKind, PartOut, PartSpec, TaskAction};
use super::machine::Derived;
use super::meter::{DayNumber, day_number};
use crate::common::{Check, Day};
use crate::forms::words;
use crate::ids::{Label, PersonId};
use crate::stats::life::LifeSummary;

/// How a part came into its position.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Fit {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) day: DayNumber,
    pub(crate) person: Option<PersonId>,
    /// Where the meters of the machine stood.
    pub(crate) usage: BTreeMap<Label, Decimal>,
    pub(crate) part: PartIn,
    pub(crate) checks: Vec<Check>,
}

/// How a part left its position.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Removal {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) day: DayNumber,
    pub(crate) person: Option<PersonId>,
    pub(crate) usage: BTreeMap<Label, Decimal>,
    /// What was recorded of the part; `None` when only another part was recorded in its place.
    pub(crate) part: Option<PartOut>,
}

/// A passing inspection of a fitted part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct SoundAt {
    pub(crate) seq: u64,
    pub(crate) usage: BTreeMap<Label, Decimal>,
}

/// One stay of a part in a position of a machine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Stay {
    pub(crate) position: Label,
    pub(crate) serial: Label,
    /// `None`: it was found there, and how it came in is not on record.
    pub(crate) fit: Option<Fit>,
    /// The last inspection it passed there.
    pub(crate) sound_at: Option<SoundAt>,
    /// `None`: it is still there.
    pub(crate) removal: Option<Removal>,
}

impl crate::pieces::Content for Stay {}

/// The hour meter that counts for a part in a position: the one its replacement is planned by,
/// else the first hour meter of the machine.
fn carrying_meter<'a>(derived: &'a Derived, position: &Label) -> Option<&'a Label> {
    let hours =
        |id: &&Label| derived.meters.get(*id).is_some_and(|m| m.unit == Some(MeterUnit::Hours));
    let planned = derived.plan.iter().flat_map(|p| &p.tasks).find_map(|task| {
        let counts = task.action == TaskAction::Replace && task.target == *position;
        task.every.as_ref().filter(|_| counts).map(|every| &every.meter).filter(hours)
    });
    let registered = || {
        let form = derived.registration.as_ref().map(|r| &r.form)?;
        form.meters.iter().map(|m| &m.id).find(hours)
    };
    planned.or_else(registered)
}

/// Hours between two states of the meters.
fn hours_between(
    meter: &Label,
    from: &BTreeMap<Label, Decimal>,
    to: &BTreeMap<Label, Decimal>,
) -> Option<Decimal> {
    Some(*to.get(meter)? - *from.get(meter)?)
}

/// Hours a part carried in one stay; `None` when a meter was not read at an end of it.
pub(crate) fn hours_of(derived: &Derived, stay: &Stay) -> Option<Decimal> {
    let meter = carrying_meter(derived, &stay.position)?;
    let from = &stay.fit.as_ref()?.usage;
    match &stay.removal {
        Some(removal) => hours_between(meter, from, &removal.usage),
        None => hours_between(meter, from, &derived.usage()),
    }
}

/// Hours of a stay at the last inspection the part passed there.
fn sound_hours_of(derived: &Derived, stay: &Stay) -> Option<Decimal> {
    let meter = carrying_meter(derived, &stay.position)?;
    hours_between(meter, &stay.fit.as_ref()?.usage, &stay.sound_at.as_ref()?.usage)
}

words! {
    /// Where a part is by the record.
    pub enum PartState {
        /// Received and never fitted.
        InStock = "in_stock",
        /// Fitted.
        Fitted = "fitted",
        /// Taken out in sound state.
        OutSound = "out_sound",
        /// Taken out worn or at the end of its interval.
        OutWorn = "out_worn",
        /// Taken out failed.
        Failed = "failed",
        /// Another part was recorded in its place.
        Displaced = "displaced",
    }
}

/// One stay of a part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct StayView {
    /// Machine.
    pub machine: Label,
    /// Position.
    pub position: Label,
    /// Entry that fitted it; none when how it came in is not on record.
    pub fitted_by: Option<u64>,
    /// Local day.
    pub from: Option<Day>,
    /// Who fitted it.
    pub person: Option<PersonId>,
    /// Steps that were answered.
    pub checks: Vec<Check>,
    /// Entry that took it out; none while it is there.
    pub removed_by: Option<u64>,
    /// Local day.
    pub to: Option<Day>,
    /// In what state it came out.
    pub condition: Option<PartCondition>,
    /// Why it came out, as a code or `in words (kept outside the log)`.
    pub reason: Option<String>,
    /// Hours carried; none when a meter was not read at an end of the stay.
    pub hours: Option<Amount>,
}

/// A part by its serial.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PartView {
    /// Its serial.
    pub serial: Label,
    /// What it is.
    pub part_kind: Option<PartKind>,
    /// What it is specified to be, as last recorded.
    pub spec: Option<PartSpec>,
    /// Where it is.
    pub state: PartState,
    /// Hours carried over all machines.
    pub hours: Amount,
    /// Whether the hours of every stay are known; if not, the part has carried more.
    pub hours_complete: bool,
    /// Stays in order of time.
    pub stays: Vec<StayView>,
    /// Entry of its receipt.
    pub received_by: Option<u64>,
    /// Bin or shelf, while in stock.
    pub bin: Option<Label>,
    /// Day after which it must not be used.
    pub use_before: Option<Day>,
    /// Whether that day is past.
    pub past_last_day: bool,
    /// Entries it rests on.
    pub entries: Vec<u64>,
}

words! {
    /// How a life ended.
    pub enum LifeEnd {
        /// The part failed.
        Failed = "failed",
        /// It was taken out before it failed.
        TakenOut = "taken_out",
        /// It is still in use.
        InUse = "in_use",
    }
}

/// The life of one part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LifeRecord {
    /// Serial.
    pub serial: Label,
    /// Hours carried until the end.
    pub hours: Amount,
    /// How it ended.
    pub end: LifeEnd,
    /// For a failure found at an inspection: hours at the last inspection it passed. The failure
    /// lies between the two.
    pub sound_at: Option<Amount>,
    /// Entries it rests on.
    pub entries: Vec<u64>,
}

/// Lives of the parts of one kind, and what follows from them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PartLives {
    /// Kind of part.
    pub part_kind: PartKind,
    /// One row a part whose hours are known.
    pub lives: Vec<LifeRecord>,
    /// Parts left out because a meter was not read.
    pub hours_unknown: Vec<Label>,
    /// Failures counted at the middle between the last good inspection and the finding.
    pub at_midpoint: usize,
    /// What the lives say.
    pub summary: LifeSummary,
}

/// Which lives are asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LifeQuery {
    /// Kind of part.
    pub part_kind: PartKind,
    /// One site, or all.
    pub site: Option<Label>,
    /// Cost of a failure in units of a planned replacement, when an interval is asked for.
    pub cost_ratio: Option<Decimal>,
    /// Count a failure found at an inspection at the middle between the last good one and the
    /// finding, instead of at the finding.
    pub midpoint: bool,
}

/// Spare parts of one kind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct StockView {
    /// Kind of part.
    pub part_kind: PartKind,
    /// Serials in stock that may be used.
    pub in_stock: Vec<Label>,
    /// Serials in stock past their last day.
    pub past_last_day: Vec<Label>,
    /// Parts of this kind fitted in the window the demand is taken from.
    pub fitted: u32,
    /// Days of that window.
    pub window_days: u32,
    /// Lead time in days.
    pub lead_time_days: u32,
    /// Pieces at which to order, so that the demand of a lead time is covered; slow movers only.
    pub reorder_at: Option<u32>,
    /// Chance that this covers it, in percent.
    pub service_percent: Option<String>,
    /// Whether the stock is at or below the reorder point.
    pub order_now: Option<bool>,
    /// Entries it rests on.
    pub entries: Vec<u64>,
}

/// Which stock is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StockQuery {
    /// Kind of part.
    pub part_kind: PartKind,
    /// Days back over which fitted parts are counted as demand.
    pub window_days: u32,
    /// Days from order to receipt.
    pub lead_time_days: u32,
    /// Wanted chance in percent that the stock covers a lead time.
    pub service_percent: u8,
}

impl Equipment {
    /// Serials that were ever received, fitted or taken out.
    pub fn serials(&self) -> impl Iterator<Item = &Label> {
        let mut serials: Vec<&Label> = self.serials.keys().chain(self.received.keys()).collect();
        serials.sort_unstable();
        serials.dedup();
        serials.into_iter()
    }

    /// Stays of a serial in order of time, each with its machine.
    fn stays_of(&self, serial: &Label) -> Vec<(&Label, &Derived, &Stay)> {
        let machines = self.serials.get(serial).into_iter().flatten();
        let mut stays: Vec<(&Label, &Derived, &Stay)> = machines
            .filter_map(|id| self.machines.get_key_value(id))
            .flat_map(|(id, m)| m.now.stays.iter().map(move |stay| (id, &m.now, stay)))
            .filter(|(_, _, stay)| stay.serial == *serial)
            .collect();
        stays.sort_by_key(|(_, _, stay)| stay.place());
        stays
    }

    /// A part by its serial, as it stands on `today`.
    pub fn part(&self, serial: &Label, today: Day) -> Option<PartView> {
        let stays = self.stays_of(serial);
        let received = self.received.get(serial).and_then(|t| t.last());
        if stays.is_empty() && received.is_none() {
            return None;
        }
        let part = stays.iter().rev().find_map(|(_, _, stay)| stay.fit.as_ref()).map(|f| &f.part);
        let part = part.or(received.map(|m| &m.value.part));
        let kind = stays.iter().rev().find_map(|(_, now, stay)| now.part_kind(&stay.position));
        let hours: Vec<Option<Decimal>> =
            stays.iter().map(|(_, now, stay)| hours_of(now, stay)).collect();
        let state = match stays.last() {
            None => PartState::InStock,
            Some((_, _, Stay { removal: None, .. })) => PartState::Fitted,
            Some((_, _, Stay { removal: Some(removal), .. })) => {
                match removal.part.as_ref().map(|out| out.condition) {
                    Some(PartCondition::Sound) => PartState::OutSound,
                    Some(PartCondition::Worn) => PartState::OutWorn,
                    Some(PartCondition::Failed) => PartState::Failed,
                    None => PartState::Displaced,
                }
            }
        };
        let use_before = part.and_then(|p| p.use_before);
        let mut entries: Vec<u64> = stays.iter().flat_map(|(_, _, stay)| stay.entries()).collect();
        entries.extend(received.map(|m| m.seq));
        entries.sort_unstable();
        entries.dedup();
        Some(PartView {
            serial: serial.clone(),
            part_kind: kind.or(received.map(|m| m.value.part_kind)),
            spec: part.map(|p| p.spec.clone()),
            state,
            hours: Amount::new(hours.iter().flatten().sum(), MeterUnit::Hours),
            hours_complete: hours.iter().all(Option::is_some),
            stays: stays.iter().zip(&hours).map(|((id, _, s), h)| s.view(id, *h)).collect(),
            received_by: received.map(|m| m.seq),
            bin: received.filter(|_| state == PartState::InStock).and_then(|m| m.value.bin.clone()),
            use_before,
            past_last_day: use_before.is_some_and(|last| last < today),
            entries,
        })
    }

    /// Lives of the parts of one kind. A part that was taken out sound or worn, or that still
    /// runs, has not failed and counts as censored.
    pub fn part_lives(&self, query: &LifeQuery) -> PartLives {
        let (mut lives, mut hours_unknown, mut at_midpoint) = (Vec::new(), Vec::new(), 0);
        let mut spans = Vec::new();
        for serial in self.serials.keys() {
            let stays = self.stays_of(serial);
            let of_kind = stays.iter().any(|(_, now, stay)| {
                let site = now.registration.as_ref().and_then(|r| r.site.as_ref());
                now.part_kind(&stay.position) == Some(query.part_kind)
                    && (query.site.is_none() || site == query.site.as_ref())
            });
            if !of_kind {
                continue;
            }
            let Some(life) = life_of(serial, &stays) else {
                hours_unknown.push(serial.clone());
                continue;
            };
            let (record, hours, sound_at) = life;
            let midpoint = sound_at.filter(|_| query.midpoint).map(|s| (s + hours) / Decimal::TWO);
            at_midpoint += usize::from(midpoint.is_some());
            spans.push((midpoint.unwrap_or(hours), record.end == LifeEnd::Failed));
            lives.push(record);
        }
        PartLives {
            part_kind: query.part_kind,
            lives,
            hours_unknown,
            at_midpoint,
            summary: crate::stats::life::summary(&spans, query.cost_ratio),
        }
    }

    /// Spare parts of one kind: what is there, what was used, when to order. Stock is what was
    /// received and never fitted; parts that never came through a receipt are not counted.
    pub fn stock(&self, query: &StockQuery, today: Day) -> StockView {
        let (mut in_stock, mut past_last_day, mut entries) = (Vec::new(), Vec::new(), Vec::new());
        for (serial, receipts) in &self.received {
            let Some(last) = receipts.last() else { continue };
            if last.value.part_kind != query.part_kind || self.serials.contains_key(serial) {
                continue;
            }
            let over = last.value.part.use_before.is_some_and(|day| day < today);
            if over { &mut past_last_day } else { &mut in_stock }.push(serial.clone());
            entries.push(last.seq);
        }
        let window = i32::try_from(query.window_days).unwrap_or(i32::MAX);
        let last = day_number(today.0);
        let days = last.saturating_sub(window)..=last;
        let fits = self.machines.values().flat_map(|m| m.now.stays.iter().map(|s| (&m.now, s)));
        let used: Vec<u64> = fits
            .filter(|(now, stay)| now.part_kind(&stay.position) == Some(query.part_kind))
            .filter_map(|(_, stay)| stay.fit.as_ref())
            .filter(|fit| days.contains(&fit.day))
            .map(|fit| fit.seq)
            .collect();
        entries.extend(&used);
        entries.sort_unstable();
        let fitted = u32::try_from(used.len()).unwrap_or(u32::MAX);
        let level = crate::stats::stock::reorder(
            fitted,
            query.window_days,
            query.lead_time_days,
            query.service_percent,
        );
        StockView {
            part_kind: query.part_kind,
            order_now: level.as_ref().map(|(pieces, _)| in_stock.len() <= *pieces as usize),
            in_stock,
            past_last_day,
            fitted,
            window_days: query.window_days,
            lead_time_days: query.lead_time_days,
            reorder_at: level.as_ref().map(|(pieces, _)| *pieces),
            service_percent: level.map(|(_, service)| service),
            entries,
        }
    }
}

/// Life of a part: its record, its hours, and its hours at the last good inspection when it failed.
fn life_of(
    serial: &Label,
    stays: &[(&Label, &Derived, &Stay)],
) -> Option<(LifeRecord, Decimal, Option<Decimal>)> {
    let (mut hours, mut sound_at, mut end) = (Decimal::ZERO, None, LifeEnd::InUse);
    let mut entries = Vec::new();
    for (_, now, stay) in stays {
        sound_at = sound_hours_of(now, stay).map(|h| hours + h).or(sound_at);
        hours += hours_of(now, stay)?;
        entries.extend(stay.entries());
        end = match stay.removal.as_ref().map(|r| r.part.as_ref().map(|out| out.condition)) {
            None => LifeEnd::InUse,
            Some(Some(PartCondition::Failed)) => LifeEnd::Failed,
            Some(Some(PartCondition::Sound | PartCondition::Worn) | None) => LifeEnd::TakenOut,
        };
        // What was repaired and fitted again begins no new life here: the first failure counts.
        if end == LifeEnd::Failed {
            break;
        }
    }
    let sound_at = sound_at.filter(|_| end == LifeEnd::Failed);
    let record = LifeRecord {
        serial: serial.clone(),
        hours: Amount::new(hours, MeterUnit::Hours),
        end,
        sound_at: sound_at.map(|h| Amount::new(h, MeterUnit::Hours)),
        entries,
    };
    Some((record, hours, sound_at))
}

impl Stay {
    /// Place in time: when it began, else when it ended.
    fn place(&self) -> (i64, u64) {
        let fit = self.fit.as_ref().map(|f| (f.time_ms, f.seq));
        fit.or(self.removal.as_ref().map(|r| (r.time_ms, r.seq))).unwrap_or((i64::MAX, u64::MAX))
    }

    fn entries(&self) -> impl Iterator<Item = u64> {
        let sound = self.sound_at.as_ref().map(|s| s.seq);
        let ends = [self.fit.as_ref().map(|f| f.seq), self.removal.as_ref().map(|r| r.seq), sound];
        ends.into_iter().flatten()
    }

    fn view(&self, machine: &Label, hours: Option<Decimal>) -> StayView {
        let out = self.removal.as_ref().and_then(|r| r.part.as_ref());
        StayView {
            machine: machine.clone(),
            position: self.position.clone(),
            fitted_by: self.fit.as_ref().map(|f| f.seq),
            from: self.fit.as_ref().map(|f| day_of(f.day)),
            person: self.fit.as_ref().and_then(|f| f.person.clone()),
            checks: self.fit.as_ref().map_or_else(Vec::new, |f| f.checks.clone()),
            removed_by: self.removal.as_ref().map(|r| r.seq),
            to: self.removal.as_ref().map(|r| day_of(r.day)),
            condition: out.map(|o| o.condition),
            reason: out.map(|o| o.reason.to_string()),
            hours: hours.map(|h| Amount::new(h, MeterUnit::Hours)),
        }
    }
}
