//! Findings: facts that contradict the record or a rule. Facts are kept; contradictions are told.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::fact::Fact;
use crate::forms::words;
use crate::ids::{Label, Subject};
use crate::keyed::Keyed;
use crate::pieces::{Content, apart};
use crate::sorted::Sorted;

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
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
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
///
/// A correction asks for the few findings that it may have changed, among all of a log that may
/// hold hundreds of thousands: each way to ask has an index, and none looks at all of them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Findings {
    by_entry: Keyed<u64, Vec<Finding>>,
    /// Index: the entries that raised findings of a rule, in order of work. Follows from `by_entry`,
    /// so digests leave it out.
    by_rule: BTreeMap<String, Sorted<(i64, u64)>>,
    len: usize,
}

impl Content for Finding {}

/// As digests have them.
#[derive(Serialize, Deserialize)]
struct Listed<F> {
    by_entry: F,
}

impl Serialize for Findings {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match apart(serializer.is_human_readable()) {
            Some(_) => (&self.by_entry, &self.by_rule, self.len).serialize(serializer),
            None => Listed { by_entry: &self.by_entry }.serialize(serializer),
        }
    }
}

impl<'de> Deserialize<'de> for Findings {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        if apart(deserializer.is_human_readable()).is_some() {
            let (by_entry, by_rule, len) = Deserialize::deserialize(deserializer)?;
            return Ok(Self { by_entry, by_rule, len });
        }
        let mut findings = Self::default();
        let listed = Listed::<BTreeMap<u64, Vec<Finding>>>::deserialize(deserializer)?;
        listed.by_entry.into_values().for_each(|of_entry| findings.add(of_entry));
        Ok(findings)
    }
}

impl Findings {
    /// Adds what one entry raised.
    pub(crate) fn add(&mut self, findings: Vec<Finding>) {
        let Some(first) = findings.first() else { return };
        for finding in &findings {
            let place = (finding.time_ms, finding.seq);
            match self.by_rule.get_mut(&finding.rule) {
                Some(entries) => _ = entries.insert(place),
                None => {
                    _ = self.by_rule.insert(finding.rule.clone(), [place].into_iter().collect())
                }
            }
        }
        self.len += findings.len();
        self.by_entry.or_default(&first.seq).extend(findings);
    }

    /// Entries that raised findings of a rule about work done at `from_ms` or later, in order of
    /// work. Costs what it finds, however many other findings there are.
    pub(crate) fn raised_since(&self, rule: &Rule, from_ms: i64) -> impl Iterator<Item = u64> {
        let entries = self.by_rule.get(rule.id).into_iter();
        entries.flat_map(move |entries| entries.since(|at| at.0 < from_ms)).map(|(_, seq)| *seq)
    }

    /// Findings about work done between two instants, both included, in order of the entries that
    /// raised them. Costs what it finds, and a look at each rule.
    pub fn about(&self, from_ms: i64, to_ms: i64) -> impl Iterator<Item = &Finding> {
        let mut entries = BTreeSet::new();
        if from_ms <= to_ms {
            for of_rule in self.by_rule.values() {
                let found = of_rule.range(|at| at.0 < from_ms, |at| at.0 <= to_ms);
                entries.extend(found.map(|(_, seq)| *seq));
            }
        }
        let raised = entries.into_iter().flat_map(|seq| self.of_entry(seq));
        raised.filter(move |finding| (from_ms..=to_ms).contains(&finding.time_ms))
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
        self.len
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pieces::tests::{in_memory, kept_and_read};
    use proptest::prelude::*;

    fn rule(n: usize) -> Rule {
        crate::powder::rules::RULES[n]
    }

    fn finding(seq: u64, n: usize, time_ms: i64) -> Finding {
        Finding {
            id: format!("F{seq}.{n}"),
            rule: rule(n).id.to_owned(),
            level: rule(n).level,
            seq,
            site: None,
            subject: "equipment/S-02".parse().unwrap(),
            time_ms,
            entries: vec![seq],
            detail: String::new(),
            settled_by: None,
        }
    }

    proptest! {
        /// What the index names is what a search of every finding names, also after a snapshot was
        /// read back.
        #[test]
        fn the_index_names_what_a_search_of_all_findings_names(
            raised in proptest::collection::vec((proptest::collection::vec(0..4usize, 0..3), 0..50i64), 0..60),
            from_ms in 0..50i64,
        ) {
            let mut findings = Findings::default();
            for (seq, (rules, time_ms)) in (0..).zip(raised) {
                findings.add(rules.into_iter().map(|n| finding(seq, n, time_ms)).collect());
            }
            let stored = serde_json::to_string(&findings).unwrap();
            prop_assert_eq!(&serde_json::from_str::<Findings>(&stored).unwrap(), &findings);
            let (_, findings) = kept_and_read(&in_memory(), &findings);
            for n in 0..4 {
                let fits = |f: &&Finding| f.rule == rule(n).id && f.time_ms >= from_ms;
                let searched: BTreeSet<_> =
                    findings.iter().filter(fits).map(|f| (f.time_ms, f.seq)).collect();
                let searched: Vec<u64> = searched.into_iter().map(|(_, seq)| seq).collect();
                let named: Vec<u64> = findings.raised_since(&rule(n), from_ms).collect();
                prop_assert_eq!(named, searched);
            }
            let to_ms = from_ms + 9;
            let fits = |f: &&Finding| (from_ms..=to_ms).contains(&f.time_ms);
            let searched: Vec<_> = findings.iter().filter(fits).collect();
            prop_assert_eq!(findings.about(from_ms, to_ms).collect::<Vec<_>>(), searched);
        }
    }
}
