//! Whether each trouble of the script left in the record what it must: asked of the folds, as the
//! pages, the reports and an auditor would.

use std::collections::BTreeMap;

use jiff::Timestamp;
use shopfloor::common::Day;
use shopfloor::equipment::{DueQuery, DueState};
use shopfloor::ids::{Label, Subject, SubjectKind};
use shopfloor::powder::AsOf;
use shopfloor::powder::impact::{ImpactQuestion, Suspect};
use shopfloor::quantity::Mass;
use shopfloor::waste::Kg;
use shopfloor::waste::category::{self, Month};
use shopfloor::waste::clocks::{self, ClockKind, ClockState};
use shopfloor::{Fact, State};

use super::played::Played;
use super::shop::{Must, Planted, Script};

/// One thing that had to come out of a trouble.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outcome {
    /// The trouble.
    pub trouble: &'static str,
    /// What had to come out, in words.
    pub wanted: String,
    /// What came, in words.
    pub found: String,
    /// Whether it did.
    pub ok: bool,
}

/// What is asked.
pub struct Record<'a> {
    /// The answers to the script.
    pub played: &'a Played,
    /// The folds over the whole log.
    pub state: &'a State,
    /// Every fact of the log, by entry number.
    pub facts: &'a [Fact],
    /// How many entries there are of each type.
    pub kinds: &'a BTreeMap<String, usize>,
    /// The end of the year: dues and clocks are told as of then.
    pub now: Timestamp,
}

/// Folds the facts again that were recorded up to a moment: the state as it was then.
pub fn refold(facts: &[Fact], until: Timestamp) -> State {
    let mut state = State::default();
    for fact in facts.iter().take_while(|fact| fact.recorded_at <= until) {
        let original = fact
            .about_entry()
            .and_then(|seq| facts.get(usize::try_from(seq).ok()?).cloned())
            .and_then(|fact| state.record.effective(fact));
        state.apply(fact, original.as_ref());
    }
    state
}

/// Asks for everything that had to come out of the troubles of a script, in order.
pub fn check(script: &Script, record: &Record<'_>) -> Vec<Outcome> {
    let musts = script.troubles.iter().flat_map(|t| t.must.iter().map(move |must| (t, must)));
    musts.map(|(trouble, must)| record.outcome(script, trouble, must)).collect()
}

fn label(text: &str) -> Label {
    Label::new(text).expect("the script writes labels")
}

impl Record<'_> {
    fn outcome(&self, script: &Script, trouble: &Planted, must: &Must) -> Outcome {
        let (wanted, found, ok) = self.ask(script, trouble, must);
        Outcome { trouble: trouble.id, wanted, found, ok }
    }

    fn ask(&self, script: &Script, trouble: &Planted, must: &Must) -> (String, String, bool) {
        match must {
            Must::Finding { rule, event } => {
                let seq = self.played.seq(*event);
                let rules: Vec<&str> = seq
                    .map(|seq| self.state.findings.of_entry(seq))
                    .unwrap_or_default()
                    .iter()
                    .map(|f| f.rule.as_str())
                    .collect();
                (format!("finding `{rule}`"), at(seq, &rules.join(", ")), rules.contains(rule))
            }
            Must::Settled { event } => {
                let seq = self.played.seq(*event);
                let findings = seq.map(|s| self.state.findings.of_entry(s)).unwrap_or_default();
                let by: Vec<String> = findings
                    .iter()
                    .map(|f| f.settled_by.map_or("open".into(), |by| format!("by entry {by}")))
                    .collect();
                let ok = !findings.is_empty() && findings.iter().all(|f| f.settled_by.is_some());
                ("its findings settled".into(), at(seq, &by.join(", ")), ok)
            }
            Must::Amended { event } => {
                let seq = self.played.seq(*event);
                let by = seq.and_then(|seq| self.state.record.amendments(seq).last());
                let words = by.map_or("not amended".into(), |a| format!("by entry {}", a.by));
                ("amended, both readable".into(), at(seq, &words), by.is_some())
            }
            Must::Answer { event } => {
                let expect = script.items().find(|i| i.no == *event).map(|i| &i.expect);
                let answer = self.played.answer(*event);
                let ok =
                    expect.zip(answer).is_some_and(|(e, a)| a.fits(e, |no| self.played.seq(no)));
                let words = answer.map_or("no answer".into(), ToString::to_string);
                (expect.map_or("an answer", short).to_owned(), words, ok)
            }
            Must::Entry { name } => {
                let count = self.kinds.get(*name).copied().unwrap_or(0);
                (format!("an entry `{name}`"), format!("{count} of them"), count > 0)
            }
            Must::OutOfOrder { earlier, later } => {
                let (a, b) = (self.played.seq(*earlier), self.played.seq(*later));
                let entry = |seq: Option<u64>| seq.map_or("none".into(), |s| s.to_string());
                let words =
                    format!("done first: entry {}, done later: entry {}", entry(a), entry(b));
                ("recorded in another order than done".into(), words, a > b && b.is_some())
            }
            Must::Overdue { machine, task } => self.overdue(machine, task),
            Must::Suspect { sieve, lot } => self.suspect(sieve, lot),
            Must::Category { month, category, grams } => {
                self.category(trouble.site, *month, category, *grams)
            }
            Must::ReceiptOverdue { shipment, on } => self.receipt(trouble.site, shipment, *on),
            Must::Unaccepted { handover } => {
                let open = self.state.people.unaccepted_handovers(self.now);
                let ok = open.iter().any(|h| h.handover.as_str() == handover);
                (format!("handover `{handover}` open"), format!("{} open", open.len()), ok)
            }
            Must::Incident { incident, deviation } => {
                let told = self.state.people.incidents();
                let known = told.iter().any(|i| i.incident.as_str() == incident);
                let view =
                    self.state.people.deviation(&self.state.record, &label(deviation), self.now);
                let closed = view.as_ref().is_some_and(|d| d.closed.is_some());
                let words = format!("{} incidents, deviation closed: {closed}", told.len());
                (format!("incident `{incident}` and its deviation"), words, known && closed)
            }
        }
    }

    fn overdue(&self, machine: &str, task: &str) -> (String, String, bool) {
        let query = DueQuery { machine: Some(label(machine)), ..DueQuery::default() };
        let list = self.state.equipment.due(&self.state.record, &query, self.now);
        let found = list.tasks.iter().find(|t| t.task.as_str() == task);
        let ok = found.is_some_and(|t| t.state == DueState::Due);
        let words = found.map_or("not in the list".into(), |t| t.in_words.clone());
        (format!("`{task}` of `{machine}` due"), words, ok)
    }

    fn suspect(&self, sieve: &str, lot: &str) -> (String, String, bool) {
        let question = ImpactQuestion {
            suspect: Suspect::Sieve(label(sieve)),
            found: None,
            clock_uncertainty_ms: 0,
        };
        let wanted = format!("lot `{lot}` among what sieve `{sieve}` reached");
        match self.state.powder.impact(&question, AsOf::Now) {
            Ok(impact) => {
                let ok = impact.reach.lots.iter().any(|l| l.lot.as_str() == lot);
                let words =
                    format!("{} passes, {} lots", impact.uses_total, impact.reach.lots.len());
                (wanted, words, ok)
            }
            Err(error) => (wanted, error.to_string(), false),
        }
    }

    fn category(
        &self,
        site: &str,
        first: jiff::civil::Date,
        wanted: &str,
        grams: i64,
    ) -> (String, String, bool) {
        let view = category::month(self.state, &label(site), Month::of(Day(first)), self.now);
        let mass = Mass::new(&grams.to_string(), "g").expect("a mass in whole grams");
        let mass = Kg(mass.base());
        let found = view.category.map_or("none", |c| c.as_str());
        let ok = found == wanted && view.amounts.non_acute_kg == mass;
        let words = format!("`{found}` with {}", view.amounts.non_acute_kg);
        (format!("category `{wanted}` of {} with {mass}", view.month), words, ok)
    }

    fn receipt(&self, site: &str, shipment: &str, on: jiff::civil::Date) -> (String, String, bool) {
        let wanted = format!("report of the missing copy of `{shipment}` overdue on {on}");
        let subject = Subject::new(SubjectKind::Shipment, shipment).expect("a shipment's label");
        let site = label(site);
        let noon = on.at(12, 0, 0, 0).to_zoned_datetime(self.state.record.site(&site).tz());
        let Ok(noon) = noon else { return (wanted, "no such hour".into(), false) };
        // As of that day: what was recorded later must not count.
        let then = refold(self.facts, noon.timestamp());
        let clocks = clocks::clocks(&then, &site, noon.timestamp());
        let clock =
            clocks.iter().find(|c| c.kind == ClockKind::ExceptionReport && c.subject == subject);
        let words = clock.map_or("no such clock".into(), |c| c.words.clone());
        (wanted, words, clock.is_some_and(|c| c.state == ClockState::Overdue))
    }
}

fn short(expect: &super::shop::Expect) -> &'static str {
    use super::shop::Expect;
    match expect {
        Expect::Recorded => "is recorded",
        Expect::Repeated(_) => "gets the first receipt again",
        Expect::Conflict(_) => "is told of the conflict",
        Expect::Stopped(_) => "is stopped",
        Expect::Forbidden => "is forbidden",
    }
}

fn at(seq: Option<u64>, words: &str) -> String {
    let words = if words.is_empty() { "none" } else { words };
    seq.map_or("not recorded".into(), |seq| format!("entry {seq}: {words}"))
}
