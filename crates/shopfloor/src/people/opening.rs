//! What stands of people at the end of a log.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::{OfAction, OfDeviation, OfHandover, OfPerson, People};
use crate::ids::PersonId;
use crate::opening::{Again, Summary, Wanted, want};

impl People {
    /// Entries about people: enrolments, and the newest word on each task, topic, mask and policy of
    /// those who are there; of whoever did work that is told again, from `earliest` (ms since 1970) on,
    /// what was in force then and since, so that the work is judged as it was. And what is open of
    /// deviations, actions and handovers.
    pub(crate) fn stands(&self, earliest: &BTreeMap<PersonId, i64>, wanted: &mut Wanted) {
        for (person, facts) in &self.persons {
            let since = earliest.get(person).copied();
            if since.is_none() && !self.is_there(person) {
                continue;
            }
            let since = since.unwrap_or(i64::MAX);
            let mut in_force: BTreeMap<String, u64> = BTreeMap::new();
            for m in facts.iter() {
                let key = match &m.value.what {
                    OfPerson::Enrolled { .. } | OfPerson::Left { .. } => m.seq.to_string(),
                    OfPerson::Granted { task, .. } | OfPerson::Withdrawn { task, .. } => {
                        format!("task {task}")
                    }
                    OfPerson::FitTested(test) => format!("mask {} {}", test.model, test.size),
                    OfPerson::Trained { topic, .. } => format!("topic {topic}"),
                    OfPerson::Acknowledged(policy) => format!("policy {}", policy.version),
                    OfPerson::Erased { .. } => continue,
                };
                let before = in_force.insert(key, m.seq);
                if let Some(before) = before.filter(|_| m.time_ms > since) {
                    want(wanted, before, Again::Event);
                }
            }
            in_force.into_values().for_each(|seq| want(wanted, seq, Again::Event));
        }
        for facts in self.deviations.values() {
            let closed = |m: &OfDeviation| matches!(m, OfDeviation::Closed(_));
            if facts.last().is_some_and(|m| !closed(&m.value.what)) {
                facts.iter().for_each(|m| want(wanted, m.seq, Again::Event));
            }
        }
        for facts in self.actions.values() {
            let done = |m: &OfAction| matches!(m, OfAction::Checked { effective: true });
            if facts.last().is_some_and(|m| !done(&m.value.what)) {
                facts.iter().for_each(|m| want(wanted, m.seq, Again::Event));
            }
        }
        for facts in self.handovers.values() {
            let accepted = |m: &OfHandover| matches!(m, OfHandover::Accepted(_));
            if facts.last().is_some_and(|m| !accepted(&m.value.what)) {
                facts.iter().for_each(|m| want(wanted, m.seq, Again::Event));
            }
        }
    }

    /// Enrolled, not gone, and not forgotten.
    fn is_there(&self, person: &PersonId) -> bool {
        let mut there = false;
        for m in self.persons.get(person).into_iter().flat_map(|facts| facts.iter()) {
            match m.value.what {
                OfPerson::Enrolled { .. } => there = true,
                OfPerson::Left { .. } | OfPerson::Erased { .. } => there = false,
                OfPerson::Granted { .. }
                | OfPerson::Withdrawn { .. }
                | OfPerson::FitTested(_)
                | OfPerson::Trained { .. }
                | OfPerson::Acknowledged(_) => {}
            }
        }
        there
    }

    /// What stands, by name of the thing.
    pub(crate) fn stand_as(&self, at: Timestamp, summary: &mut Summary) {
        for (person, facts) in self.persons.iter().filter(|(person, _)| self.is_there(person)) {
            let mut say = |what: String, told: String| {
                summary.insert(format!("{what} of `{person}`"), told);
            };
            for m in facts.iter() {
                match &m.value.what {
                    OfPerson::Enrolled { roles } => {
                        let roles: Vec<&str> = roles.iter().map(|role| role.as_str()).collect();
                        say("roles".to_owned(), roles.join(", "));
                    }
                    OfPerson::Granted { task, valid_to } => {
                        say(format!("authorisation `{task}`"), format!("until {valid_to}"));
                    }
                    OfPerson::Withdrawn { task, .. } => {
                        say(format!("authorisation `{task}`"), "withdrawn".to_owned());
                    }
                    OfPerson::FitTested(test) => {
                        let what = format!("fit test of `{}` {}", test.model, test.size);
                        say(what, format!("{} {}", test.result, m.time_ms));
                    }
                    OfPerson::Trained { topic, valid_to } => {
                        let until = valid_to.map_or_else(String::new, |day| day.to_string());
                        say(format!("training `{topic}`"), format!("until {until}"));
                    }
                    OfPerson::Acknowledged(policy) => {
                        say(format!("signing policy `{}`", policy.version), "known".to_owned());
                    }
                    OfPerson::Left { .. } | OfPerson::Erased { .. } => {}
                }
            }
        }
        for (id, facts) in &self.deviations {
            if facts.last().is_some_and(|m| matches!(m.value.what, OfDeviation::Opened(_))) {
                summary.insert(format!("deviation `{id}`"), "open".to_owned());
            }
        }
        for (id, facts) in &self.actions {
            if let Some(OfAction::Opened(action)) = facts.last().map(|m| &m.value.what) {
                summary.insert(format!("action `{id}`"), format!("due {}", action.due));
            }
        }
        for handover in self.unaccepted_handovers(at) {
            summary.insert(format!("handover `{}`", handover.handover), "waits".to_owned());
        }
    }
}
