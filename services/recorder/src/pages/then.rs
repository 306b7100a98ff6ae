//! A page as it stood at an earlier entry or time: what was asked for, and the panel that asks.
//!
//! Machines, containers and shipments are told as the record told of them when the log held so many
//! entries: later corrections do not show. Powder is told in order of work by what is known today,
//! because a mass that was booked late lay there all the same. The panel says which of the two. It
//! works without scripts, by three short forms: a step back along the entries about the thing, an
//! exact entry, an exact time.

use std::fmt;

use jiff::tz::TimeZone;
use jiff::{Timestamp, civil};
use serde::Deserialize;
use shopfloor::powder::AsOf;

use super::parts::Block;
use super::visit::{self, Fault, Shown, Visit};
use super::words::Words;

/// Most steps of the slider, the newest ones. Older entries are reached by number or time.
const STEPS_MAX: usize = 500;

/// Which earlier moment a page is asked to show; nothing: now.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct Asked {
    /// Number of an entry.
    #[serde(default)]
    entry: String,
    /// A local time of the site, `2026-03-05T14:07`, or one of RFC 3339.
    #[serde(default)]
    time: String,
    /// A step of the slider, from 1; one more than there are means now.
    #[serde(default)]
    step: String,
}

/// In which order "earlier" is understood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Order {
    /// Of recording: what the log held then.
    Record,
    /// Of work, by what is known today.
    Work,
}

/// An earlier moment.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Then {
    order: Order,
    /// The entry it was asked by; `None`: by a time.
    entry: Option<u64>,
    /// Entries that the log held.
    pub(crate) known: u64,
    /// The time: of recording or of work, by the order.
    pub(crate) at: Timestamp,
}

impl Then {
    /// Whether a fact came after this moment.
    pub(crate) fn is_before(&self, time_ms: i64, seq: u64) -> bool {
        match self.order {
            Order::Record => seq >= self.known,
            Order::Work => {
                (time_ms, seq) > (self.at.as_millisecond(), self.entry.unwrap_or(u64::MAX))
            }
        }
    }

    /// The same for questions about powder. An entry that moves no powder counts by its time; `has`
    /// says whether it has a place in the order of powder work.
    pub(crate) fn of_powder(&self, has: impl FnOnce(AsOf) -> bool) -> AsOf {
        let by_entry = self.entry.map(AsOf::Entry).filter(|entry| has(*entry));
        by_entry.unwrap_or(AsOf::Time(self.at))
    }
}

/// What a page was asked for, read.
pub(crate) struct View {
    order: Order,
    /// The earlier moment; `None`: now.
    pub(crate) then: Option<Then>,
    /// What cannot be shown, key of the message table `then`.
    wrong: Option<&'static str>,
}

/// Whose moments are asked for: the entries about a thing, ascending, and its address.
pub(crate) struct About<'a> {
    pub(crate) path: &'a str,
    pub(crate) entries: &'a [u64],
    pub(crate) zone: &'a TimeZone,
    pub(crate) order: Order,
}

/// Steps of the slider.
fn steps(entries: &[u64]) -> &[u64] {
    &entries[entries.len().saturating_sub(STEPS_MAX)..]
}

impl About<'_> {
    /// Where a step of the slider leads, so that the address of a page names its entry.
    pub(crate) fn go(&self, asked: &Asked) -> Option<Shown> {
        let step: usize = asked.step.parse().ok()?;
        let steps = steps(self.entries);
        let entry = step.checked_sub(1).and_then(|at| steps.get(at));
        let go = match entry {
            Some(entry) => format!("{}?entry={entry}", self.path),
            None => self.path.to_owned(),
        };
        Some(Ok(visit::see(go)))
    }

    /// Reads what was asked for. What cannot be read is told, and the page shows now.
    pub(crate) fn read(&self, visit: &Visit, asked: &Asked) -> Result<View, Fault> {
        let view = |then, wrong| View { order: self.order, then, wrong };
        let (entry, time) = (asked.entry.trim(), asked.time.trim());
        Ok(if !entry.is_empty() {
            match self.by_entry(visit, entry)? {
                Some(then) => view(Some(then), None),
                None => view(None, Some("wrong_entry")),
            }
        } else if !time.is_empty() {
            match local(time, self.zone) {
                None => view(None, Some("wrong_time")),
                Some(at) if at > visit.now => view(None, Some("future")),
                Some(at) => {
                    let known = visit.recorder.log.recorded_by(at.as_millisecond())?;
                    view(Some(Then { order: self.order, entry: None, known, at }), None)
                }
            }
        } else {
            view(None, None)
        })
    }

    fn by_entry(&self, visit: &Visit, text: &str) -> Result<Option<Then>, Fault> {
        let log = &visit.recorder.log;
        let Some(seq) = text.parse::<u64>().ok().filter(|seq| *seq < log.size()) else {
            return Ok(None);
        };
        let ms = match self.order {
            Order::Record => log.recorded_at_ms(seq)?,
            Order::Work => {
                let fact = super::entry::fact(visit, seq)?;
                let counts = |fact| visit.recorder.log.ask(|state| state.record.effective(fact));
                fact.map(|fact| counts(fact.clone()).unwrap_or(fact).time.ms())
            }
        };
        let at = ms.and_then(|ms| Timestamp::from_millisecond(ms).ok());
        Ok(at.map(|at| Then { order: self.order, entry: Some(seq), known: seq + 1, at }))
    }

    /// The panel with which the page asks.
    pub(crate) fn panel(&self, words: &'static Words, view: &View) -> Block {
        let steps = steps(self.entries);
        let before = |then: &Then, seq: u64| match then.order {
            Order::Record => seq < then.known,
            Order::Work => then.entry.map_or(seq < then.known, |entry| seq <= entry),
        };
        let step = match &view.then {
            Some(then) => steps.iter().filter(|seq| before(then, **seq)).count(),
            None => steps.len() + 1,
        };
        let moment = |at: Timestamp| words.moment(at.as_millisecond(), self.zone);
        let told = view.then.as_ref().map(|then| {
            let what = match then.entry {
                Some(entry) => words.n("then.stood_entry", entry),
                None => words.t("then.stood_time").to_owned(),
            };
            let limits = match view.order {
                Order::Record => "then.by_record",
                Order::Work => "then.by_work",
            };
            format!("{} {}", what.replace("{when}", &moment(then.at)), words.t(limits))
        });
        let entry = view.then.as_ref().and_then(|then| then.entry);
        let at = view.then.as_ref().map_or_else(String::new, |then| {
            then.at.to_zoned_datetime(self.zone.clone()).strftime("%Y-%m-%dT%H:%M").to_string()
        });
        Block::Then(Panel {
            path: self.path.to_owned(),
            title: words.t("then.title"),
            told,
            wrong: view.wrong.map(|wrong| words.t(&format!("then.{wrong}"))),
            now: words.t("then.now"),
            entry_n: words.t("then.entry_n"),
            step_label: words.t("then.step"),
            entry_label: words.t("then.entry"),
            time_label: words.t("then.time"),
            show: words.t("then.show"),
            steps: Joined(steps.to_vec()),
            last: steps.len() + 1,
            step: step.max(1),
            entry: entry.map(|entry| entry.to_string()).unwrap_or_default(),
            time: at,
        })
    }
}

/// A local time of a site, or a time of RFC 3339.
fn local(text: &str, zone: &TimeZone) -> Option<Timestamp> {
    if let Ok(at) = text.parse::<Timestamp>() {
        return Some(at);
    }
    let local: civil::DateTime = text.parse().ok()?;
    local.to_zoned_datetime(zone.clone()).ok().map(|at| at.timestamp())
}

/// Numbers with spaces between them.
pub(crate) struct Joined(Vec<u64>);

impl fmt::Display for Joined {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (number, seq) in self.0.iter().enumerate() {
            write!(f, "{}{seq}", if number > 0 { " " } else { "" })?;
        }
        Ok(())
    }
}

/// The panel as drawn.
pub(crate) struct Panel {
    pub(crate) path: String,
    pub(crate) title: &'static str,
    /// What is shown instead of now.
    pub(crate) told: Option<String>,
    pub(crate) wrong: Option<&'static str>,
    pub(crate) now: &'static str,
    pub(crate) entry_n: &'static str,
    pub(crate) step_label: &'static str,
    pub(crate) entry_label: &'static str,
    pub(crate) time_label: &'static str,
    pub(crate) show: &'static str,
    /// Entries that the steps stand for, for the script.
    pub(crate) steps: Joined,
    /// The step that means now.
    pub(crate) last: usize,
    pub(crate) step: usize,
    pub(crate) entry: String,
    pub(crate) time: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_is_read_as_the_site_writes_it_or_with_its_offset() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        for (text, wanted) in [
            ("2026-03-05T14:07", Some("2026-03-05T13:07:00Z")),
            ("2026-03-05T14:07:30", Some("2026-03-05T13:07:30Z")),
            ("2026-03-05T13:07:00Z", Some("2026-03-05T13:07:00Z")),
            ("yesterday", None),
            ("2026-13-05T14:07", None),
        ] {
            assert_eq!(local(text, &zone).map(|at| at.to_string()).as_deref(), wanted, "{text}");
        }
    }

    #[test]
    fn what_came_later_is_told_by_the_log_or_by_the_work() {
        let at = Timestamp::from_second(1_000).unwrap();
        let then = |order, entry| Then { order, entry, known: 10, at };
        // A late entry about early work: the log did not hold it then, the powder lay there.
        let late = (500_000, 12);
        assert!(then(Order::Record, Some(9)).is_before(late.0, late.1));
        assert!(!then(Order::Work, Some(9)).is_before(late.0, late.1));
        assert!(then(Order::Work, Some(9)).is_before(1_000_000, 10));
        assert!(!then(Order::Work, None).is_before(1_000_000, 10));
        assert!(then(Order::Work, None).is_before(1_000_001, 1));
    }
}
