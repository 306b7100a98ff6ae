//! The shop while the year goes by: what stands where, what the meters truly show, who is on shift.

use std::collections::{BTreeMap, VecDeque};

use jiff::Timestamp;
use jiff::civil::Date;
use serde_json::{Value, json};

use super::calendar::{Shift, Site, minutes};
use super::cast::{MACHINES, Who, scale, step_g, team};
use super::desk::{Desk, Sending, Work};
use super::metal::Metal;
use super::polymer::Polymer;
use super::rng::Rng;
use super::script::EventNo;
use super::stock::Stock;
use super::troubles::Ledger;
use super::waste::Yard;

/// A machine, by its id.
pub(super) type MachineId = &'static str;

/// A part that sits in a position.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub(super) serial: String,
    /// Meter of the machine when it was fitted, tenths.
    pub(super) since: i64,
}

/// The work of one shift: where, when, who, and how far the clock has gone.
pub(super) struct Turn {
    pub(super) site: Site,
    pub(super) day: Date,
    pub(super) shift: Shift,
    pub(super) crew: [Who; 2],
    pub(super) now: Timestamp,
    /// Until when the extraction's meter is brought up to date; it runs through the shift.
    pub(super) extracted: Timestamp,
    steps: usize,
}

impl Turn {
    /// Whoever of the crew does the next piece of work.
    pub(super) fn hand(&mut self) -> Who {
        self.steps += 1;
        self.crew[(self.steps / 3) % 2]
    }

    /// The other one.
    pub(super) fn other(&self, who: Who) -> Who {
        if self.crew[0] == who { self.crew[1] } else { self.crew[0] }
    }
}

/// The whole shop.
pub(super) struct Shop {
    pub(super) rng: Rng,
    pub(super) desk: Desk,
    pub(super) stock: Stock,
    /// True meters: tenths of an hour, or builds times ten.
    meters: BTreeMap<(MachineId, &'static str), i64>,
    pub(super) parts: BTreeMap<(MachineId, &'static str), Fitted>,
    /// Meter (tenths) at which a task was last done.
    pub(super) served: BTreeMap<(MachineId, &'static str), i64>,
    /// Day on which a task was last done.
    pub(super) served_on: BTreeMap<(MachineId, &'static str), Date>,
    pub(super) polymer: Polymer,
    pub(super) metal: Metal,
    pub(super) yard: Yard,
    pub(super) troubles: Ledger,
    /// The handover of the last shift of each site.
    pub(super) handover: BTreeMap<Site, String>,
    /// Who gave it.
    pub(super) gave: BTreeMap<Site, Who>,
    /// Readings a meter gives each shift.
    pub(super) readings_a_shift: usize,
    /// What was recorded at a site, by whom, and not yet looked through by the lead.
    pub(super) done: BTreeMap<Site, Vec<(EventNo, Who)>>,
    /// Milestones that have passed.
    pub(super) passed: Vec<&'static str>,
    /// Spare parts in stores, and the months in which some came.
    pub(super) spares: BTreeMap<(Site, &'static str), VecDeque<String>>,
    pub(super) spares_came: Vec<(Site, Date)>,
    /// When the last shift of a site ended.
    pub(super) ended: BTreeMap<Site, Timestamp>,
    counters: BTreeMap<&'static str, u32>,
}

impl Shop {
    pub(super) fn new(seed: u64, readings_a_shift: usize) -> Self {
        let mut rng = Rng::new(seed);
        let desk = Desk::new(rng.next_u64());
        let mut meters = BTreeMap::new();
        for machine in MACHINES {
            for (meter, unit) in machine.meters {
                // Machines have a past: their meters do not begin at zero.
                let start =
                    if *unit == "h" { rng.range(8_000, 61_000) } else { rng.range(120, 900) * 10 };
                meters.insert((machine.id, *meter), start);
            }
        }
        Self {
            rng,
            desk,
            stock: Stock::default(),
            meters,
            parts: BTreeMap::new(),
            served: BTreeMap::new(),
            served_on: BTreeMap::new(),
            polymer: Polymer::default(),
            metal: Metal::default(),
            yard: Yard::default(),
            troubles: Ledger::default(),
            handover: BTreeMap::new(),
            gave: BTreeMap::new(),
            readings_a_shift,
            done: BTreeMap::new(),
            ended: BTreeMap::new(),
            passed: Vec::new(),
            spares: BTreeMap::new(),
            spares_came: Vec::new(),
            counters: BTreeMap::new(),
        }
    }

    /// The next label of a kind: `BL-0001`, `BL-0002`, ..
    pub(super) fn label(&mut self, prefix: &'static str) -> String {
        let n = self.counters.entry(prefix).or_default();
        *n += 1;
        format!("{prefix}-{n:04}")
    }

    pub(super) fn turn(&mut self, site: Site, day: Date, shift: Shift) -> Turn {
        let (leaver, last_day) = super::milestones::LEAVER;
        let stays = |who: &Who| *who != leaver || day <= last_day;
        let people: Vec<Who> = team(site).technicians.iter().copied().filter(stays).collect();
        let week = usize::try_from(day.day_of_year()).expect("a day of the year") / 7;
        let first = (week * 2 + if shift == Shift::Late { 1 } else { 0 }) % people.len();
        // The second of a shift changes day by day, so that everybody works with everybody.
        let gap = 1 + usize::try_from(day.day()).expect("a day") % (people.len() - 1);
        let crew = [people[first], people[(first + gap) % people.len()]];
        // A shift that ran late pushes the next one.
        let hour = site.at(day, shift.hour(), 2);
        let now = self.ended.get(&site).map_or(hour, |ended| hour.max(*ended + minutes(2)));
        Turn { site, day, shift, crew, now, extracted: now, steps: 0 }
    }

    /// Lets some minutes pass.
    pub(super) fn pass(&mut self, turn: &mut Turn, low_min: i64, high_min: i64) {
        turn.now += minutes(self.rng.range(low_min, high_min));
    }

    /// A person of the shift writes something down.
    pub(super) fn note(
        &mut self,
        turn: &Turn,
        who: Who,
        name: &str,
        subject: String,
        data: Value,
    ) -> EventNo {
        self.note_with(turn, who, (name, subject, data), Sending::default())
    }

    /// The same, in another way than usual.
    pub(super) fn note_with(
        &mut self,
        turn: &Turn,
        who: Who,
        (name, subject, data): (&str, String, Value),
        how: Sending,
    ) -> EventNo {
        let work = Work { name, subject, site: turn.site, at: turn.now, data };
        let recorded = how.expect.is_none() && how.delay.is_none();
        let no = self.desk.person_with(who, work, how);
        if recorded && !name.starts_with("entry.") {
            self.done.entry(turn.site).or_default().push((no, who));
        }
        no
    }

    /// The MES of the site sees something.
    pub(super) fn seen(
        &mut self,
        turn: &Turn,
        who: Who,
        name: &str,
        subject: String,
        data: Value,
    ) -> EventNo {
        let no = self.desk.mes(who, Work { name, subject, site: turn.site, at: turn.now, data });
        if name != "meter.read" {
            self.done.entry(turn.site).or_default().push((no, who));
        }
        no
    }

    /// What a meter truly shows, tenths.
    pub(super) fn meter(&self, machine: MachineId, meter: &'static str) -> i64 {
        *self.meters.get(&(machine, meter)).expect("a meter of the cast")
    }

    /// A meter goes on.
    pub(super) fn run(&mut self, machine: MachineId, meter: &'static str, tenths: i64) {
        assert!(tenths >= 0, "a meter runs forward");
        *self.meters.get_mut(&(machine, meter)).expect("a meter of the cast") += tenths;
    }

    /// A meter starts again (it was replaced).
    pub(super) fn reset(&mut self, machine: MachineId, meter: &'static str, tenths: i64) {
        self.meters.insert((machine, meter), tenths);
    }

    /// A reading as the display shows it.
    pub(super) fn reading(&self, machine: MachineId, meter: &'static str) -> Value {
        json!({ "meter": meter, "value": shown(meter, self.meter(machine, meter)) })
    }

    /// Moves powder and returns the mass as the scale showed it.
    pub(super) fn carry(&mut self, site: Site, from: &str, into: &str, about_g: i64) -> i64 {
        self.stock.carry(&mut self.rng, from, into, about_g, step_g(site))
    }

    /// A part out of stores, or a new one, is fitted now; returns its serial.
    pub(super) fn fit(
        &mut self,
        site: Site,
        machine: MachineId,
        position: &'static str,
        since: i64,
    ) -> String {
        let spare = self.spares.get_mut(&(site, position)).and_then(VecDeque::pop_front);
        let serial = spare.unwrap_or_else(|| self.new_serial(position));
        self.parts.insert((machine, position), Fitted { serial: serial.clone(), since });
        serial
    }

    /// The serial of a part that is new to the shop.
    pub(super) fn new_serial(&mut self, position: &str) -> String {
        let prefix = match position {
            "deck" => "SV",
            "exhaust" => "HF",
            "intake" => "PF",
            "recoater" => "RC",
            "window" => "WN",
            "oxygen" => "OX",
            other => unreachable!("no position `{other}` in the cast"),
        };
        self.label(prefix)
    }
}

/// A meter value with its unit, from tenths.
pub(super) fn shown(meter: &str, tenths: i64) -> Value {
    if meter == "builds" {
        json!({ "value": (tenths / 10).to_string(), "unit": "1" })
    } else {
        json!({ "value": format!("{}.{}", tenths / 10, tenths % 10), "unit": "h" })
    }
}

/// A mass in kg with the decimals of the site's scale.
pub(super) fn kg(site: Site, grams: i64) -> Value {
    json!({ "value": kg_digits(site, grams), "unit": "kg" })
}

pub(super) fn kg_digits(site: Site, grams: i64) -> String {
    assert!(grams >= 0, "a scale shows no less than nothing: {grams} g");
    match site {
        Site::North => {
            assert_eq!(grams % 10, 0, "a reading of the floor scale");
            format!("{}.{:02}", grams / 1000, grams % 1000 / 10)
        }
        Site::South => format!("{}.{:03}", grams / 1000, grams % 1000),
    }
}

/// A list of answered checks, all in order.
pub(super) fn checks(names: &[&str]) -> Value {
    Value::Array(names.iter().map(|n| json!({ "check": n, "ok": true })).collect())
}

/// The scale that a weighing of the site names.
pub(super) fn scale_of(site: Site) -> Value {
    scale(site).into()
}
