//! The whole state of the shop as a pure function of a prefix of the log.

use serde::{Deserialize, Serialize};

use crate::catalogue::Event;
use crate::equipment::Equipment;
use crate::fact::{Fact, Refusal};
use crate::finding::{Finding, Findings, Judge, Level};
use crate::people::People;
use crate::powder::Powder;
use crate::record::Record;
use crate::waste::Waste;

/// Version of the folds. Raise it whenever a fold's state or its meaning changes: snapshots of
/// another version are dropped and refolded.
pub const FOLD_VERSION: u16 = 1;

/// All folds together.
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
                    self.retract(original);
                    self.findings.settle(original.seq, fact.seq);
                }
                if let Some(amended) = amended {
                    self.fold(&amended);
                }
                self.record.apply(fact, original);
            }
            Ok(None) => {
                self.fold(fact);
                self.record.apply(fact, original);
                self.settle(fact);
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

    /// A settled discrepancy settles the findings of the entry that told it.
    fn settle(&mut self, fact: &Fact) {
        if let Event::DiscrepancySettled(settled) = &fact.event {
            self.findings.settle(settled.entry, fact.seq);
        }
    }
}
