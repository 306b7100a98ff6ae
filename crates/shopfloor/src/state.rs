//! The whole state of the shop as a pure function of a prefix of the log.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::catalogue::Event;
use crate::equipment::{Equipment, HeldSince};
use crate::fact::{Fact, Refusal};
use crate::finding::{Finding, Findings, Judge, Level};
use crate::ids::{Label, PersonId};
use crate::people::People;
use crate::people::events::SigningPolicy;
use crate::powder::{AccountFindings, Powder};
use crate::record::{Record, rules as record_rules};
use crate::waste::Waste;

/// Version of the folds. Raise it whenever a fold's state or its meaning changes: snapshots of
/// another version are dropped and refolded.
pub const FOLD_VERSION: u16 = 6;

/// All folds together.
///
/// Copies share what lies in pages, so that whoever copies it for a snapshot does not hold up the
/// writer for long.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct State {
    /// Number of entries applied: the state is as of this many entries.
    pub as_of: u64,
    /// Configuration, amendments, signatures, reports issued.
    pub record: Record,
    /// Machines, meters, parts, plans.
    pub equipment: Equipment,
    /// Places, lots, moves of powder and waste.
    pub powder: Powder,
    /// Streams, containers, shipments, custody.
    pub waste: Waste,
    /// People, authorisations, deviations, handovers.
    pub people: People,
    /// What contradicts the record or a rule.
    pub findings: Findings,
}

impl State {
    /// Judges a fact against the state before it is recorded.
    ///
    /// `original` is the effective fact of the entry this one is about ([`Fact::about_entry`]),
    /// already amended if it was corrected before. An error means that the event cannot be
    /// attributed or read (for example a correction of an entry that does not exist) and must be
    /// refused; findings mean that it is kept and told.
    pub fn judge(&self, fact: &Fact, original: Option<&Fact>) -> Result<Vec<Finding>, Refusal> {
        let amended = self.record.amend(fact, original)?;
        let mut judge = Judge::new(fact);
        crate::record::rules::judge(self, fact, original, &mut judge);
        match &amended {
            // The corrected content is judged like any other fact, at its own time.
            Some(Some(amended)) => self.judge_event(amended, &mut judge),
            Some(None) => {}
            None => self.judge_event(fact, &mut judge),
        }
        Ok(judge.into_findings())
    }

    /// The policy on electronic signatures that a person must acknowledge before signing something of
    /// this site (21 CFR 11.10(j)). `None`: the site has none, or it is done.
    pub fn signing_policy_due(
        &self,
        person: &PersonId,
        site: Option<&Label>,
    ) -> Option<&SigningPolicy> {
        self.signing_policy_due_before(person, site, None)
    }

    /// The same, by what was acknowledged before a point.
    pub(crate) fn signing_policy_due_before(
        &self,
        person: &PersonId,
        site: Option<&Label>,
        before: Option<crate::people::Point>,
    ) -> Option<&SigningPolicy> {
        let known = |policy: &&SigningPolicy| self.people.acknowledged(person, policy, before);
        let mut wanted = self.record.signing_policies(site);
        let first = wanted.next()?;
        let done = known(&first) || wanted.any(|policy| known(&policy));
        (!done).then_some(first)
    }

    fn judge_event(&self, fact: &Fact, judge: &mut Judge<'_>) {
        crate::equipment::rules::judge(self, fact, judge);
        crate::powder::rules::judge(self, fact, judge);
        crate::waste::rules::judge(self, fact, judge);
        crate::people::rules::judge(self, fact, judge);
    }

    /// Findings that stop the event under strict handling, by the site's configuration.
    pub fn stops<'f>(&self, fact: &Fact, findings: &'f [Finding]) -> Vec<&'f Finding> {
        let site = fact.site.as_ref();
        findings
            .iter()
            .filter(|f| self.record.stops(site, &f.rule, f.level == Level::Stop))
            .collect()
    }

    /// Applies a recorded fact. Live work, start-up and replay all come through here.
    /// Returns the findings it raised.
    pub fn apply(&mut self, fact: &Fact, original: Option<&Fact>) -> Vec<Finding> {
        // A recorded entry was judged readable before it was written; should an older or foreign
        // writer have let one through, it is kept as a finding-free fact without effect.
        let findings = self.judge(fact, original).unwrap_or_default();
        match self.record.amend(fact, original) {
            Ok(Some(amended)) => {
                if let Some(original) = original {
                    let before = self.settlements(original);
                    let held = self.equipment.held_since(original);
                    let account = [Some(original), amended.as_ref()].into_iter().flatten();
                    let account = self.account_before(account);
                    self.retract(original);
                    if let Some(amended) = &amended {
                        self.fold(amended);
                    }
                    self.findings.settle(original.seq, fact.seq);
                    // What an earlier correction told wrong is put right too; what was wrong with
                    // correcting like that is not.
                    for earlier in self.record.amendments(original.seq) {
                        self.findings.settle_but(record_rules::RULES, earlier.by, fact.seq);
                    }
                    let after = amended.as_ref().map_or_else(
                        || self.settlements_without(original),
                        |amended| self.settlements(amended),
                    );
                    self.settle(&before, &after);
                    self.settle_readings(&held, &self.equipment.held_since(original), fact.seq);
                    self.settle_account(account, fact.seq);
                }
                self.record.apply(fact, original);
            }
            Ok(None) => {
                let before = self.settlements_without(fact);
                let held = self.equipment.held_since(fact);
                let late = self.powder.comes_late(fact).then_some(fact);
                let account = self.account_before(late);
                self.fold(fact);
                self.record.apply(fact, original);
                self.settle(&before, &self.settlements(fact));
                self.settle_readings(&held, &self.equipment.held_since(fact), fact.seq);
                self.settle_account(account, fact.seq);
            }
            Err(_) => {}
        }
        self.findings.add(findings.clone());
        self.as_of = fact.seq + 1;
        findings
    }

    fn fold(&mut self, fact: &Fact) {
        self.equipment.apply(fact);
        self.powder.apply(fact);
        self.waste.apply(fact);
        self.people.apply(fact);
    }

    fn retract(&mut self, fact: &Fact) {
        self.equipment.retract(fact);
        self.powder.retract(fact);
        self.waste.retract(fact);
        self.people.retract(fact);
    }

    /// SHA-256 of each fold's canonical state (sorted compact JSON), by the fold's name: what
    /// `fold.digested` records, so that a replay elsewhere must reach the same value.
    pub fn digests(&self) -> Result<Vec<(&'static str, chain::Digest)>, serde_json::Error> {
        fn digest<T: Serialize>(fold: &T) -> Result<chain::Digest, serde_json::Error> {
            // Through `Value`, whose objects are sorted by name.
            let canonical = serde_json::to_vec(&serde_json::to_value(fold)?)?;
            Ok(chain::Digest::of(&canonical))
        }
        Ok(vec![
            ("record", digest(&self.record)?),
            ("equipment", digest(&self.equipment)?),
            ("powder", digest(&self.powder)?),
            ("waste", digest(&self.waste)?),
            ("people", digest(&self.people)?),
            ("findings", digest(&self.findings)?),
        ])
    }

    /// What a fact, once it is folded, settles beyond its own entry: a settled discrepancy the
    /// findings of the entry that told it; a closed deviation those of the entries that show it.
    fn settlements(&self, fact: &Fact) -> Vec<Settlement> {
        match &fact.event {
            Event::DiscrepancySettled(settled) => {
                vec![Settlement { of: settled.entry, by: fact.seq }]
            }
            _ => self.settlements_without(fact),
        }
    }

    /// The same while the fact is not folded: only its subject speaks.
    fn settlements_without(&self, fact: &Fact) -> Vec<Settlement> {
        let closed = match &fact.event {
            Event::DeviationOpened(_) | Event::DeviationClosed(_) => {
                self.people.closed_deviation(fact.subject.id())
            }
            _ => None,
        };
        closed.map_or_else(Vec::new, |(by, entries)| {
            entries.into_iter().map(|of| Settlement { of, by }).collect()
        })
    }

    /// Brings findings up to date: what is settled no longer is open again.
    fn settle(&mut self, before: &[Settlement], after: &[Settlement]) {
        for gone in before.iter().filter(|s| !after.contains(s)) {
            self.findings.reopen(gone.of, gone.by);
        }
        for settled in after {
            self.findings.settle(settled.of, settled.by);
        }
    }

    /// The findings of the powder account that a change of these facts may touch, before it is
    /// made: those about work from the earliest of them on. `None` when none of them concerns
    /// powder, which is true of most of what is corrected.
    fn account_before<'f>(
        &self,
        changed: impl IntoIterator<Item = &'f Fact>,
    ) -> Option<AccountBefore> {
        let concerned = changed.into_iter().filter(|fact| Powder::concerns(fact));
        let from_ms = concerned.map(|fact| fact.time.ms()).min()?;
        Some(AccountBefore { from_ms, held: self.powder.account_findings(&self.findings, from_ms) })
    }

    /// Settles findings of the powder account about later work that entry `by` put right (a place
    /// that a mis-weighed or missing load had left short), and opens those that hold again.
    fn settle_account(&mut self, before: Option<AccountBefore>, by: u64) {
        let Some(AccountBefore { from_ms, held: before }) = before else { return };
        let after = self.powder.account_findings(&self.findings, from_ms);
        for (rule, over) in before.difference(&after) {
            self.findings.settle_of(std::slice::from_ref(*rule), *over, by);
        }
        for (rule, again) in after.difference(&before) {
            self.findings.reopen_of(std::slice::from_ref(*rule), *again);
        }
    }

    /// Settles the findings of readings that entry `by` let count, and opens those of readings that
    /// are held again.
    fn settle_readings(&mut self, before: &[HeldSince], after: &[HeldSince], by: u64) {
        use crate::equipment::rules::{HELD_LATER, HELD_READING};
        fn seqs(held: &[HeldSince]) -> BTreeSet<u64> {
            held.iter().map(|held| held.seq).collect()
        }
        // A count that was mis-read high lets every later reading be held: there may be many.
        let same: BTreeSet<&HeldSince> = after.iter().collect();
        let (held_before, held_after) = (seqs(before), seqs(after));
        let against: BTreeSet<u64> = after.iter().filter_map(|held| held.against).collect();
        for counts in before.iter().filter(|held| !same.contains(held)) {
            if !held_after.contains(&counts.seq) {
                self.findings.settle_of(HELD_READING, counts.seq, by);
            }
            if let Some(compared) = counts.against.filter(|seq| !against.contains(seq)) {
                self.findings.settle_of(HELD_LATER, compared, by);
            }
        }
        for seq in held_after.difference(&held_before) {
            self.findings.reopen_of(HELD_READING, *seq);
        }
    }
}

/// Findings of the powder account that held before a change.
struct AccountBefore {
    /// Time of the earliest work that changes, ms since 1970 UTC.
    from_ms: i64,
    held: AccountFindings,
}

/// Findings raised by entry `of` are settled by entry `by`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Settlement {
    of: u64,
    by: u64,
}

#[cfg(test)]
mod tests {
    use chain::entry::{Actor, Via};
    use serde_json::{Value, json};

    use super::*;
    use crate::fact::Envelope;
    use crate::pieces::tests::{in_memory, kept_and_read};

    fn fact(seq: u64, kind: &str, subject: &str, data: Value) -> Fact {
        let event = json!({
            "specversion": "1.0", "id": format!("e{seq}"), "source": "/test", "site": "north",
            "type": format!("pulverlog.{kind}"), "subject": subject, "data": data,
            "time": format!("2026-03-01T{:02}:{:02}:00Z", 8 + seq / 60, seq % 60),
        });
        let value = chain::canon::parse(event.to_string().as_bytes()).unwrap();
        let (envelope, event) = Envelope::read(&value).unwrap();
        let recorded_at = envelope.time.unwrap().at;
        let actor = Actor { id: "op_k7".into(), via: Via::Badge, on_behalf_of: None };
        Fact::new(envelope, event, &actor, seq, recorded_at)
    }

    /// A snapshot is written from a copy that shares what it can, and read as the state.
    #[test]
    fn a_copy_for_a_snapshot_is_written_as_the_state_is() {
        let mut state = State::default();
        for n in 0..700 {
            let (from, into) = (format!("bin/{}", n % 3), format!("bin/{}", (n + 1) % 3));
            let mass = json!({ "value": "0.5", "unit": "kg" });
            let moved = json!({ "from": from, "into": into, "mass": mass });
            state.apply(&fact(n, "powder.moved", "equipment/S-02", moved), None);
        }
        let pieces = in_memory();
        let (root, again) = kept_and_read(&pieces, &state.clone());
        assert_eq!(kept_and_read(&pieces, &state).0, root);
        assert_eq!(again, state);
        assert_eq!(again.digests().unwrap(), state.digests().unwrap());
    }

    /// Work, not time: how many findings a correction looks at.
    #[test]
    fn a_correction_looks_only_at_findings_it_can_have_changed() {
        let mut state = State::default();
        // Every move takes from an empty bin, every reading is of a machine nobody registered.
        let bin = |n: u64| {
            json!({
                "from": format!("bin/{n}"), "into": "bin/99", "mass": { "value": "1", "unit": "kg" },
            })
        };
        let reading = json!({ "meter": "run", "reading": { "value": "1", "unit": "h" } });
        let facts: Vec<Fact> = (0..50)
            .map(|n| match n % 2 {
                0 => fact(n, "powder.moved", "equipment/P-01", bin(n)),
                _ => fact(n, "meter.read", "equipment/S-02", reading.clone()),
            })
            .collect();
        facts.iter().for_each(|fact| _ = state.apply(fact, None));
        assert!(state.findings.len() >= 50, "each of them contradicts something");

        assert!(state.account_before([&facts[7]]).is_none(), "a reading moves no powder");
        let before = state.account_before([&facts[40]]).unwrap();
        let looked_at: Vec<u64> = before.held.iter().map(|(_, seq)| *seq).collect();
        assert_eq!(looked_at, [40, 42, 44, 46, 48], "the account from that move on");
    }
}
