//! Findings: facts that contradict the record or a rule. Facts are kept; contradictions are told.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use crate::fact::Fact;
use crate::forms::words;
use crate::ids::{Label, Subject};

words! {
    /// How much a finding weighs.
    pub enum Level {
        /// Worth knowing.
        Note = "note",
        /// Somebody should look at it.
        Warn = "warn",
        /// The work should not have been done like this. Under strict handling it is stopped.
        Stop = "stop",
    }
}

words! {
    /// How sure a source is.
    pub enum Confidence {
        /// Official text or data seen.
        Seen = "seen",
        /// Seen in a secondary source.
        Secondary = "secondary",
        /// From memory; confirm before relying on it.
        Memory = "memory",
        /// Common practice of the trade, no source.
        CommonPractice = "common_practice",
        /// Our own definition or arithmetic.
        Definition = "definition",
    }
}

/// A rule that findings name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rule {
    /// Stable name, for example `powder.lot_not_released`.
    pub id: &'static str,
    /// Default weight.
    pub level: Level,
    /// One sentence: what should have been.
    pub title: &'static str,
    /// Title and section of the source, or `common practice, no source`.
    pub source: &'static str,
    /// How sure the source is.
    pub confidence: Confidence,
}

/// A finding, with the entries it rests on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    /// Stable id: `F<entry>.<number>`.
    pub id: String,
    /// Rule that was broken.
    pub rule: String,
    /// Weight.
    pub level: Level,
    /// Entry whose recording raised it.
    pub seq: u64,
    /// Site.
    pub site: Option<Label>,
    /// What it is about.
    pub subject: Subject,
    /// When the work was done, ms since 1970 UTC.
    pub time_ms: i64,
    /// Every entry involved, the raising one included, ascending.
    pub entries: Vec<u64>,
    /// What was found, naming things in backticks; never free text or names.
    pub detail: String,
    /// Entry that settled it (correction, void, settlement, closed deviation).
    pub settled_by: Option<u64>,
}

/// Collects the findings that one fact raises.
pub struct Judge<'a> {
    fact: &'a Fact,
    found: Vec<Finding>,
}

impl<'a> Judge<'a> {
    pub(crate) fn new(fact: &'a Fact) -> Self {
        Self { fact, found: Vec::new() }
    }

    /// Raises a finding. `entries` are the earlier entries it rests on.
    pub(crate) fn raise(
        &mut self,
        rule: &'static Rule,
        entries: impl IntoIterator<Item = u64>,
        detail: impl Into<String>,
    ) {
        let seq = self.fact.seq;
        let mut entries: Vec<u64> = entries.into_iter().chain([seq]).collect();
        entries.sort_unstable();
        entries.dedup();
        self.found.push(Finding {
            id: format!("F{seq}.{}", self.found.len() + 1),
            rule: rule.id.to_owned(),
            level: rule.level,
            seq,
            site: self.fact.site.clone(),
            subject: self.fact.subject.clone(),
            time_ms: self.fact.time.ms(),
            entries,
            detail: detail.into(),
            settled_by: None,
        });
    }

    pub(crate) fn into_findings(self) -> Vec<Finding> {
        self.found
    }
}

/// Every rule of every subject.
pub fn rules() -> impl Iterator<Item = &'static Rule> {
    [
        crate::equipment::rules::RULES,
        crate::powder::rules::RULES,
        crate::waste::rules::RULES,
        crate::people::rules::RULES,
        crate::record::rules::RULES,
    ]
    .into_iter()
    .flatten()
}

/// Looks a rule up by its name.
pub fn rule(id: &str) -> Option<&'static Rule> {
    rules().find(|r| r.id == id)
}

fn is_of(finding: &Finding, rules: &[Rule]) -> bool {
    rules.iter().any(|rule| rule.id == finding.rule)
}

/// Every finding of the log, by the entry that raised it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Findings {
    by_entry: BTreeMap<u64, Vec<Finding>>,
}

impl Findings {
    pub(crate) fn add(&mut self, findings: Vec<Finding>) {
        if let Some(first) = findings.first() {
            self.by_entry.entry(first.seq).or_default().extend(findings);
        }
    }

    /// Marks the findings raised by `seq` as settled by entry `by`.
    pub(crate) fn settle(&mut self, seq: u64, by: u64) {
        for finding in self.raised_by(seq) {
            finding.settled_by.get_or_insert(by);
        }
    }

    /// Marks the findings of some rules raised by `seq` as settled by entry `by`.
    pub(crate) fn settle_of(&mut self, rules: &[Rule], seq: u64, by: u64) {
        for finding in self.raised_by(seq).filter(|f| is_of(f, rules)) {
            finding.settled_by.get_or_insert(by);
        }
    }

    /// Marks the findings of all other rules raised by `seq` as settled by entry `by`.
    pub(crate) fn settle_but(&mut self, rules: &[Rule], seq: u64, by: u64) {
        for finding in self.raised_by(seq).filter(|f| !is_of(f, rules)) {
            finding.settled_by.get_or_insert(by);
        }
    }

    /// Opens the findings of some rules raised by `seq` again.
    pub(crate) fn reopen_of(&mut self, rules: &[Rule], seq: u64) {
        for finding in self.raised_by(seq).filter(|f| is_of(f, rules)) {
            finding.settled_by = None;
        }
    }

    /// Opens what entry `by` settled among the findings raised by `seq` again.
    pub(crate) fn reopen(&mut self, seq: u64, by: u64) {
        for finding in self.raised_by(seq) {
            finding.settled_by = finding.settled_by.filter(|settled_by| *settled_by != by);
        }
    }

    /// Settles by entry `by`, and opens again, the findings with these ids.
    pub(crate) fn set(&mut self, over: &BTreeSet<String>, again: &BTreeSet<String>, by: u64) {
        if over.is_empty() && again.is_empty() {
            return;
        }
        for finding in self.by_entry.values_mut().flatten() {
            if over.contains(&finding.id) {
                finding.settled_by.get_or_insert(by);
            } else if again.contains(&finding.id) {
                finding.settled_by = None;
            }
        }
    }

    fn raised_by(&mut self, seq: u64) -> impl Iterator<Item = &mut Finding> {
        self.by_entry.get_mut(&seq).into_iter().flatten()
    }

    /// All findings in order of the entries that raised them.
    pub fn iter(&self) -> impl Iterator<Item = &Finding> {
        self.by_entry.values().flatten()
    }

    /// Findings raised by one entry.
    pub fn of_entry(&self, seq: u64) -> &[Finding] {
        self.by_entry.get(&seq).map_or(&[], Vec::as_slice)
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.by_entry.values().map(Vec::len).sum()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.by_entry.is_empty()
    }
}
