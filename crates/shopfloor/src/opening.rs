//! Opening balances: what stands at the end of a log, told again as events of the log that
//! continues it.
//!
//! The next log begins empty. [`opening`] reads what stands out of the folds of the closed one, and
//! [`Opening::events`] are ordinary events of the catalogue that bring another log there: those
//! entries of the closed log that what stands rests on, with the time and the person of then; and
//! receipts, moves and additions that put powder and waste to where they lie. Each cites the entry it
//! repeats or rests on by its `id`, and the log by its `source`. All of them follow from the closed log
//! alone, so that they are the same whenever they are worked out.
//!
//! [`summary`] says what stands in words, for two logs to be compared: what the catalogue cannot carry
//! is then a difference and has a name.

use std::collections::{BTreeMap, BTreeSet};

use chain::entry::Actor;
use jiff::Timestamp;
use jiff::tz::Offset;
use rust_decimal::Decimal;
use serde_json::{Value, json};

use crate::State;
use crate::catalogue::{Event, TYPE_PREFIX};
use crate::equipment::events::PartFitted;
use crate::fact::{Envelope, Fact, Refusal, WorkTime};
use crate::finding::Finding;
use crate::ids::{Code, Label, PersonId, Place, PlaceKind, Reason, Subject, SubjectKind};
use crate::powder::events::{LotContainer, LotDisposedOf, LotHeld, LotReceived};
use crate::quantity::Hours;
use crate::record::SiteConfig;
use crate::record::events::ConfigChanged;
use crate::waste::events::{BagChanged, WasteAdded};

/// Why an event of the opening comes late, and why settings are set: a code of our own.
pub const CARRIED_OVER: &str = "carried_over";

/// What of an entry is told again; of several wishes the last of these counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Again {
    /// What its meter showed.
    Reading,
    /// The part it put in.
    Fitting,
    /// The event, without powder and waste that it moved and without numbers of other entries.
    Event,
}

/// Entries that are told again.
pub(crate) type Wanted = BTreeMap<u64, Again>;

/// Wants something of an entry told again.
pub(crate) fn want(wanted: &mut Wanted, seq: u64, again: Again) {
    wanted.entry(seq).and_modify(|there| *there = (*there).max(again)).or_insert(again);
}

/// What stands, by the name of the thing, in words. Masses end in ` kg`.
pub type Summary = BTreeMap<String, String>;

/// Begin of the names of what the catalogue cannot carry: how powder was used before.
pub(crate) const HISTORY: &str = "history of the powder";

/// An event of the opening before the entry it rests on was read.
pub(crate) struct Draft {
    seq: u64,
    form: Form,
}

/// What becomes of the entry.
pub(crate) enum Form {
    /// It is told again.
    Whole,
    /// A delivery of which this is left.
    Delivery(Vec<LotContainer>),
    /// A hold or decision about these places, at the closing.
    Scope(Vec<Place>),
    /// Another event that rests on it.
    Anew {
        subject: Subject,
        event: Box<Event>,
        /// At the time of the entry; else at the closing.
        at_its_time: bool,
    },
}

impl Draft {
    pub(crate) fn again(seq: u64, form: Form) -> Self {
        Self { seq, form }
    }
}

/// An event of the opening.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Carried {
    /// Entry of the closed log that it repeats or rests on.
    pub entry: u64,
    /// Number among the events that cite this entry, from 1.
    pub number: u32,
    /// Site.
    pub site: Option<Label>,
    /// What it is about.
    pub subject: Subject,
    /// Time of the work.
    pub time: WorkTime,
    /// Who did the work, as the closed log says.
    pub operator: Option<PersonId>,
    /// What happened.
    pub event: Event,
}

impl Carried {
    /// The event as it is sent, with the origin of the closed log in its `source` and the entry in
    /// its `id`.
    pub fn to_json(&self, origin: &str) -> Value {
        // Offsets were read as whole minutes within a day.
        let offset = Offset::from_seconds(self.time.offset_s).unwrap_or(Offset::UTC);
        let mut event = json!({
            "specversion": "1.0",
            "id": format!("{}.{}", self.entry, self.number),
            "source": format!("/carried-over/{origin}"),
            "type": format!("{TYPE_PREFIX}{}", self.event.kind().name),
            "subject": self.subject.to_string(),
            "time": self.time.at.display_with_offset(offset).to_string(),
            "latereason": CARRIED_OVER,
            "data": self.event.data(),
        });
        let site = self.site.as_ref().map(|site| ("site", site.to_string()));
        let operator = self.operator.as_ref().map(|who| ("operator", who.to_string()));
        for (name, value) in site.into_iter().chain(operator) {
            event[name] = value.into();
        }
        event
    }
}

/// What stands at the end of a log.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Opening {
    /// The events, in the order in which they are to be recorded.
    pub events: Vec<Carried>,
    /// What the catalogue has no event for, in words.
    pub left: Vec<String>,
}

impl Opening {
    /// Plays the events into an empty log, as if `by` recorded them at `at`: the state that comes of
    /// it, and what was found. `origin` is that of the closed log.
    ///
    /// # Errors
    /// [`Refusal`] if an event is none that a log takes: then the closed log holds something that was
    /// accepted by other rules.
    pub fn play(
        &self,
        origin: &str,
        by: &Actor,
        at: Timestamp,
    ) -> Result<(State, Vec<Finding>), Refusal> {
        let (mut state, mut findings) = (State::default(), Vec::new());
        // Entry 0 opens the log.
        for (seq, carried) in (1..).zip(&self.events) {
            let text = carried.to_json(origin).to_string();
            let value = chain::canon::parse(text.as_bytes())
                .map_err(|error| Refusal::new("invalid-value", "", error.to_string()))?;
            let (envelope, event) = Envelope::read(&value)?;
            let fact = Fact::new(envelope, event, by, seq, at);
            findings.extend(state.apply(&fact, None));
        }
        Ok((state, findings))
    }
}

/// The end of a log.
#[derive(Debug, Clone, Copy)]
pub struct End {
    /// When it was closed.
    pub at: Timestamp,
}

/// Works out the opening balances of the log that continues one with this state. `read` gives an
/// entry of the closed log as it was recorded; what it says is told as it was corrected since.
///
/// # Errors
/// Those of `read`.
pub fn opening<E>(
    state: &State,
    end: End,
    read: impl FnMut(u64) -> Result<Fact, E>,
) -> Result<Opening, E> {
    let mut teller = Teller { state, end, read, told: Vec::new(), left: Vec::new() };
    teller.settings()?;
    let mut wanted = Wanted::new();
    state.equipment.stands(&mut wanted);
    state.waste.stands(end.at, &mut wanted);
    let (bags, binned) = teller.again(&wanted)?;
    teller.contents(&binned)?;
    for draft in state.powder.opening(&bags) {
        teller.draft(draft)?;
    }
    let mut wanted = Wanted::new();
    state.people.stands(&teller.earliest_work(), &mut wanted);
    teller.again(&wanted)?;
    teller.what_is_left();
    Ok(teller.opening())
}

/// What stands in a log as of an instant, by name of the thing.
pub fn summary(state: &State, at: Timestamp) -> Summary {
    let mut summary = Summary::new();
    for (site, config) in state.record.sites() {
        let SiteConfig { time_zone, jurisdiction, late_after_h, .. } = config;
        let under = jurisdiction.as_ref().map_or("none", Code::as_str);
        let told = format!(
            "{time_zone}, law `{under}`, late after {} h, stops {:?}, work on {:?} but {:?}, {:?}",
            late_after_h.normalize(),
            config.stop_rules,
            config.working_days,
            config.holidays,
            config.parameters,
        );
        summary.insert(format!("settings of site `{site}`"), told);
    }
    state.equipment.stand_as(&state.record, at, &mut summary);
    state.powder.stand_as(&mut summary);
    state.waste.stand_as(at, &mut summary);
    state.people.stand_as(at, &mut summary);
    summary
}

/// Something that stands otherwise in two logs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// Name of the thing.
    pub about: String,
    /// What the closed log says; `None`: it does not know it.
    pub closed: Option<String>,
    /// What the next log says.
    pub next: Option<String>,
}

impl Difference {
    /// Whether no event of the catalogue could have carried it over.
    pub fn cannot_be_carried(&self) -> bool {
        self.about.starts_with(HISTORY)
    }
}

impl std::fmt::Display for Difference {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let said = |told: &Option<String>| told.clone().unwrap_or_else(|| "nothing".to_owned());
        write!(f, "{}: was {}, now {}", self.about, said(&self.closed), said(&self.next))
    }
}

/// Masses that differ by less are the same: shares of a mix are rounded to the micro-gram for each
/// lot (our own limit).
const SAME_KG: Decimal = Decimal::from_parts(1, 0, 0, false, 6);

/// Every difference between what stood and what stands.
pub fn differences(closed: &Summary, next: &Summary) -> Vec<Difference> {
    let kg = |told: &str| told.strip_suffix(" kg")?.parse::<Decimal>().ok();
    let same = |a: Option<&String>, b: Option<&String>| {
        let masses = a.and_then(|a| kg(a)).zip(b.and_then(|b| kg(b)));
        a == b || masses.is_some_and(|(a, b)| (a - b).abs() <= SAME_KG)
    };
    let names: BTreeSet<&String> = closed.keys().chain(next.keys()).collect();
    let differs = |name: &&String| !same(closed.get(*name), next.get(*name));
    let difference = |name: &String| Difference {
        about: name.clone(),
        closed: closed.get(name).cloned(),
        next: next.get(name).cloned(),
    };
    names.into_iter().filter(differs).map(difference).collect()
}

/// Places of bags whose content was told, and entries whose addition was told.
type Bags = (BTreeSet<Place>, BTreeSet<u64>);

struct Teller<'s, R> {
    state: &'s State,
    end: End,
    read: R,
    /// With `false` for settings, which come first.
    told: Vec<(bool, Carried)>,
    left: Vec<String>,
}

impl<E, R: FnMut(u64) -> Result<Fact, E>> Teller<'_, R> {
    /// An entry as it counts; `None` if it is void.
    fn fact(&mut self, seq: u64) -> Result<Option<Fact>, E> {
        Ok(self.state.record.effective((self.read)(seq)?))
    }

    /// The event of `fact`, changed.
    fn tell(&mut self, fact: &Fact, event: Event) {
        let (subject, time) = (fact.subject.clone(), fact.time);
        self.tell_at(fact, subject, time, event);
    }

    fn tell_at(&mut self, fact: &Fact, subject: Subject, time: WorkTime, event: Event) {
        let carried = Carried {
            entry: fact.seq,
            number: 0,
            site: fact.site.clone(),
            subject,
            time,
            operator: fact.performer.person().cloned(),
            event,
        };
        self.told.push((true, carried));
    }

    /// When each person did the earliest work that is told again, ms since 1970.
    fn earliest_work(&self) -> BTreeMap<PersonId, i64> {
        let mut earliest = BTreeMap::new();
        for (_, carried) in &self.told {
            if let Some(person) = &carried.operator {
                let ms = carried.time.ms();
                let at = earliest.entry(person.clone()).or_insert(ms);
                *at = ms.min(*at);
            }
        }
        earliest
    }

    fn closing(&self) -> WorkTime {
        WorkTime { at: self.end.at, offset_s: 0 }
    }

    /// One event a site with all of its settings.
    fn settings(&mut self) -> Result<(), E> {
        let sites: Vec<(Label, SiteConfig)> = self
            .state
            .record
            .sites()
            .map(|(site, config)| (site.clone(), config.clone()))
            .collect();
        for (site, config) in sites {
            let Some(set_by) = config.set_by else { continue };
            let Some(fact) = self.fact(set_by)? else { continue };
            let approved_by = match &fact.event {
                Event::ConfigChanged(change) => change.approved_by.clone(),
                _ => None,
            };
            if config.stop_rules.as_ref().is_some_and(Vec::is_empty) {
                self.left.push(format!("site `{site}`: that no rule stops anything"));
            }
            let Ok(reason) = Code::new(CARRIED_OVER).map(Reason::Code) else { continue };
            let change = ConfigChanged {
                time_zone: Some(config.time_zone),
                jurisdiction: config.jurisdiction,
                late_after: Some(Hours::from_base(config.late_after_h)),
                stop_rules: config.stop_rules.unwrap_or_default(),
                working_days: config.working_days,
                holidays: config.holidays,
                parameters: Some(config.parameters).filter(|all| !all.is_empty()),
                signing_policy: config.signing_policy,
                reason,
                approved_by,
            };
            self.tell(&fact, Event::ConfigChanged(change));
            if let Some((later, _)) = self.told.last_mut() {
                *later = false;
            }
        }
        Ok(())
    }

    /// Tells entries again.
    fn again(&mut self, wanted: &Wanted) -> Result<Bags, E> {
        let standing = self.state.waste.standing_containers(self.end.at);
        let (mut bags, mut binned) = Bags::default();
        for (seq, again) in wanted {
            let Some(fact) = self.fact(*seq)? else { continue };
            let event = match (again, &fact.event) {
                (Again::Reading, _) => crate::equipment::reading_of(&fact).map(Event::MeterRead),
                (Again::Fitting, Event::PartSwapped(d)) => Some(Event::PartFitted(PartFitted {
                    position: d.position.clone(),
                    fitted: d.fitted.clone(),
                    checks: d.checks.clone(),
                    reading: d.reading.clone(),
                    evidence: d.evidence.clone(),
                })),
                (Again::Event, Event::BagChanged(bag)) => match self.bag(bag, &standing) {
                    Some(place) => {
                        bags.insert(place);
                        binned.insert(*seq);
                        Some(fact.event.clone())
                    }
                    None => {
                        let what = "its mass would be booked twice";
                        self.left.push(format!("entry {seq}, a bag of `{}`: {what}", fact.subject));
                        None
                    }
                },
                (Again::Fitting | Again::Event, event) => Some(without_others(event.clone())),
            };
            if let Some(event) = event {
                self.tell(&fact, event);
            }
        }
        Ok((bags, binned))
    }

    /// The place of a bag whose changing can be told again: its mass is where it went then.
    fn bag(&self, bag: &BagChanged, standing: &BTreeSet<Label>) -> Option<Place> {
        let place = Place::new(PlaceKind::VacuumBag, bag.bag.id.as_str()).ok()?;
        let net = bag.bag.gross.base() - bag.bag.tare.base();
        let there = match &bag.into {
            Some(container) => standing.contains(container),
            None => (self.state.powder.held_kg(&place) - net).abs() <= SAME_KG,
        };
        there.then_some(place)
    }

    /// What lies in waste containers.
    fn contents(&mut self, binned: &BTreeSet<u64>) -> Result<(), E> {
        for content in self.state.waste.contents(self.end.at) {
            if binned.contains(&content.entry) {
                continue;
            }
            let Some(fact) = self.fact(content.entry)? else { continue };
            let Ok(subject) = Subject::new(SubjectKind::Container, content.container.as_str())
            else {
                continue;
            };
            // What was told as an addition stays as it was told.
            let event = match &fact.event {
                Event::WasteAdded(d) => WasteAdded {
                    from: None,
                    entry: None,
                    scale: None,
                    item: content.added.item,
                    ..d.clone()
                },
                _ => content.added,
            };
            self.tell_at(&fact, subject, fact.time, Event::WasteAdded(event));
        }
        Ok(())
    }

    fn draft(&mut self, Draft { seq, form }: Draft) -> Result<(), E> {
        let Some(fact) = self.fact(seq)? else { return Ok(()) };
        let closing = self.closing();
        match form {
            Form::Whole => self.tell(&fact, without_others(fact.event.clone())),
            Form::Delivery(containers) => {
                if let Event::LotReceived(d) = &fact.event {
                    let scale = None;
                    let left = LotReceived { containers, scale, ..d.clone() };
                    self.tell(&fact, Event::LotReceived(left));
                }
            }
            Form::Scope(scope) => {
                let event = match &fact.event {
                    Event::LotHeld(d) => {
                        let entries = Vec::new();
                        Event::LotHeld(LotHeld { scope, entries, ..d.clone() })
                    }
                    Event::LotDisposedOf(d) => {
                        Event::LotDisposedOf(LotDisposedOf { scope, ..d.clone() })
                    }
                    _ => return Ok(()),
                };
                self.tell_at(&fact, fact.subject.clone(), closing, event);
            }
            Form::Anew { subject, event, at_its_time } => {
                let time = if at_its_time { fact.time } else { closing };
                let blended = matches!(*event, Event::PowderBlended(_));
                self.tell_at(&fact, subject, time, *event);
                // Nobody made the moves of the opening: they are how the book is opened.
                if let Some((_, moved)) = self.told.last_mut().filter(|_| !blended) {
                    moved.operator = None;
                }
            }
        }
        Ok(())
    }

    /// What nobody can tell with an event of the catalogue.
    fn what_is_left(&mut self) {
        let state = self.state;
        let mut say = |count: usize, what: &str| {
            if count > 0 {
                self.left.push(format!("{count} {what}"));
            }
        };
        let open = state.findings.iter().filter(|finding| finding.settled_by.is_none());
        say(open.count(), "findings that are open: they stay findings of the closed log");
        let keys = state.record.keys().iter().filter(|key| key.is_in_force());
        let keys = keys.filter(|key| key.usage != crate::record::events::KeyUse::Log);
        say(keys.count(), "keys of clients in force: two people enrol them again");
        let (builds, kg) = state.powder.left_in_builds();
        let words = format!(
            "builds whose account leaves {kg} kg: what is recovered from them later \
            comes from nowhere the next log knows"
        );
        say(builds, &words);
        self.left.extend(ALWAYS_LEFT.iter().map(|what| (*what).to_owned()));
    }

    /// In order of work, settings first, each with its number.
    fn opening(self) -> Opening {
        let mut told = self.told;
        told.sort_by_key(|(later, carried)| (*later, carried.time.ms()));
        let mut numbers: BTreeMap<u64, u32> = BTreeMap::new();
        let events = told.into_iter().map(|(_, mut carried)| {
            let number = numbers.entry(carried.entry).or_default();
            *number += 1;
            carried.number = *number;
            carried
        });
        Opening { events: events.collect(), left: self.left }
    }
}

/// What no log carries over, whatever stands in it.
const ALWAYS_LEFT: [&str; 6] = [
    "signatures, remarks and reports: they belong to the entries they are about",
    "how often and how long powder was used: used powder counts as used in one build and as not sieved \
     since",
    "of which lots the powder in waste containers consisted",
    "counts of stock and what they found missing: count again",
    "waste of the months before, from which categories and yearly amounts follow: read them in the \
     closed log",
    "what was done late, and lives of parts that are no longer fitted: statistics begin anew",
];

/// The event without what other events of the opening tell, and without numbers of entries, which
/// would be numbers of other entries in the next log.
fn without_others(mut event: Event) -> Event {
    match &mut event {
        Event::CleaningDone(d) => d.residue = None,
        Event::PartSwapped(d) => (d.out.mass, d.out.container) = (None, None),
        Event::PartRemoved(d) => (d.out.mass, d.out.container) = (None, None),
        Event::LotHeld(d) => d.entries.clear(),
        Event::DeviationOpened(d) => d.entries.clear(),
        _ => {}
    }
    event
}
