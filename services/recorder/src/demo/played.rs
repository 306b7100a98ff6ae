//! What became of the events of a script, whoever played it: the common ground of the rehearsal
//! and of the play over HTTP.

use std::collections::BTreeMap;

use super::shop::{EventNo, Expect, Script};

/// How an event was answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// It is entry `seq` now.
    Recorded(u64),
    /// It was entry `seq` already.
    Known(u64),
    /// Its id belongs to another event.
    Conflict,
    /// Strict handling stopped it, for these rules.
    Stopped(Vec<String>),
    /// The role has no right.
    Forbidden,
    /// Anything else, in words.
    Other(String),
}

impl std::fmt::Display for Answer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Answer::Recorded(seq) => write!(f, "recorded as entry {seq}"),
            Answer::Known(seq) => write!(f, "known as entry {seq}"),
            Answer::Conflict => f.write_str("conflict"),
            Answer::Stopped(rules) => write!(f, "stopped by `{}`", rules.join("`, `")),
            Answer::Forbidden => f.write_str("forbidden"),
            Answer::Other(what) => f.write_str(what),
        }
    }
}

impl Answer {
    /// Whether it is what the script expects. `seq` tells the entry of an earlier event.
    pub fn fits(&self, expect: &Expect, seq: impl Fn(EventNo) -> Option<u64>) -> bool {
        match (expect, self) {
            (Expect::Recorded, Answer::Recorded(_)) => true,
            (Expect::Repeated(first), Answer::Known(entry)) => seq(*first) == Some(*entry),
            (Expect::Conflict(_), Answer::Conflict) => true,
            (Expect::Stopped(rule), Answer::Stopped(rules)) => rules.iter().any(|r| r == rule),
            (Expect::Forbidden, Answer::Forbidden) => true,
            (
                Expect::Recorded
                | Expect::Repeated(_)
                | Expect::Conflict(_)
                | Expect::Stopped(_)
                | Expect::Forbidden,
                Answer::Recorded(_)
                | Answer::Known(_)
                | Answer::Conflict
                | Answer::Stopped(_)
                | Answer::Forbidden
                | Answer::Other(_),
            ) => false,
        }
    }
}

/// The answers to a whole script.
#[derive(Debug, Clone, Default)]
pub struct Played {
    answers: BTreeMap<EventNo, Answer>,
}

impl Played {
    /// Notes an answer.
    pub fn note(&mut self, event: EventNo, answer: Answer) {
        self.answers.insert(event, answer);
    }

    /// The answer to an event.
    pub fn answer(&self, event: EventNo) -> Option<&Answer> {
        self.answers.get(&event)
    }

    /// The entry of an event that was recorded.
    pub fn seq(&self, event: EventNo) -> Option<u64> {
        match self.answers.get(&event) {
            Some(Answer::Recorded(seq) | Answer::Known(seq)) => Some(*seq),
            Some(Answer::Conflict | Answer::Stopped(_) | Answer::Forbidden | Answer::Other(_))
            | None => None,
        }
    }

    /// Entries that were acknowledged as new.
    pub fn recorded(&self) -> impl Iterator<Item = u64> {
        self.answers.values().filter_map(|answer| match answer {
            Answer::Recorded(seq) => Some(*seq),
            Answer::Known(_)
            | Answer::Conflict
            | Answer::Stopped(_)
            | Answer::Forbidden
            | Answer::Other(_) => None,
        })
    }

    /// How many events were answered in each way.
    pub fn counts(&self) -> BTreeMap<&'static str, usize> {
        let mut counts = BTreeMap::new();
        for answer in self.answers.values() {
            let word = match answer {
                Answer::Recorded(_) => "recorded",
                Answer::Known(_) => "known",
                Answer::Conflict => "conflict",
                Answer::Stopped(_) => "stopped",
                Answer::Forbidden => "forbidden",
                Answer::Other(_) => "other",
            };
            *counts.entry(word).or_default() += 1;
        }
        counts
    }

    /// Events whose answer is not the expected one: number, what was expected, what came.
    pub fn surprises<'a>(
        &'a self,
        script: &'a Script,
    ) -> impl Iterator<Item = (EventNo, &'a Expect, Option<&'a Answer>)> {
        script.items().filter_map(|item| {
            let answer = self.answer(item.no);
            let fits = answer.is_some_and(|a| a.fits(&item.expect, |no| self.seq(no)));
            (!fits).then_some((item.no, &item.expect, answer))
        })
    }
}
