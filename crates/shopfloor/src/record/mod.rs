//! What the log knows of itself: site configuration, corrections, signatures, reports issued.

pub mod events;
pub mod keys;
pub mod rules;

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use crate::catalogue::{Event, Origin};
use crate::common::Day;
use crate::fact::{Fact, Refusal};
use crate::ids::{Code, Label, PersonId, Reason};
use crate::keyed::Keyed;
use crate::people::events::SigningPolicy;
use crate::pieces::Content;
use crate::sorted::Sorted;
use events::SignatureOf;

/// Late entry: hours after the work from which an event needs a reason, until the site says
/// otherwise. Common practice, no source.
pub const LATE_AFTER_H_DEFAULT: i64 = 24;

/// Settings of one site.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SiteConfig {
    /// IANA time zone.
    pub time_zone: String,
    /// Rules the site's waste falls under.
    pub jurisdiction: Option<Code>,
    /// Hours after which an event is late.
    pub late_after_h: Decimal,
    /// Rules that stop under strict handling; `None`: those of level `stop`.
    pub stop_rules: Option<Vec<String>>,
    /// Working days, 1 = Monday to 7 = Sunday.
    pub working_days: Vec<u8>,
    /// Days on which nobody works although the day of the week is a working day.
    pub holidays: Vec<Day>,
    /// Values of rule parameters.
    pub parameters: BTreeMap<Code, String>,
    /// Written policy on electronic signatures; `None`: nobody has to acknowledge one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signing_policy: Option<SigningPolicy>,
    /// Entry that set it last.
    pub set_by: Option<u64>,
}

impl Default for SiteConfig {
    fn default() -> Self {
        Self {
            time_zone: "UTC".into(),
            jurisdiction: None,
            late_after_h: Decimal::from(LATE_AFTER_H_DEFAULT),
            stop_rules: None,
            working_days: vec![1, 2, 3, 4, 5],
            holidays: Vec::new(),
            parameters: BTreeMap::new(),
            signing_policy: None,
            set_by: None,
        }
    }
}

/// What became of an entry's content after it was recorded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Amendment {
    /// Entry of the correction or void.
    pub by: u64,
    /// Why.
    pub reason: Reason,
    /// Who approved.
    pub approver: PersonId,
    /// The right content; `None`: void.
    pub event: Option<Event>,
}

impl Content for Amendment {}
impl Content for SignatureOf {}
impl Content for Fact {}

/// What was kept of another log.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Followed {
    /// Entries of the other log under the newest kept checkpoint; 0 if none was kept.
    pub size: u64,
    /// Entry here that keeps it.
    pub kept_by: Option<u64>,
    /// When, in ms since 1970.
    pub kept_at_ms: i64,
    /// Entry here that tells of the first contradiction.
    pub disputed_by: Option<u64>,
}

/// A report that was issued.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct IssuedReport {
    /// Entry that tells it.
    pub seq: u64,
    /// What was issued.
    pub report: events::ReportIssued,
}

impl Followed {
    fn unknown() -> Self {
        Self { size: 0, kept_by: None, kept_at_ms: 0, disputed_by: None }
    }
}

/// Origin and size of a checkpoint, the first two lines of its note.
fn of_note(note: &str) -> Option<(String, u64)> {
    let mut lines = note.lines();
    Some((lines.next()?.to_owned(), lines.next()?.parse().ok()?))
}

/// The fold.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Record {
    /// Settings of each site, every version, oldest first.
    sites: BTreeMap<Label, Vec<SiteConfig>>,
    /// Amended entries as they were recorded.
    originals: Keyed<u64, Fact>,
    /// Amended entries that told of a machine before or after.
    amended_of_machine: BTreeMap<Label, Sorted<u64>>,
    amendments: Keyed<u64, Vec<Amendment>>,
    signatures: Keyed<u64, Vec<SignatureOf>>,
    reports: Vec<IssuedReport>,
    last_anchor: Option<u64>,
    /// By origin. Left out while empty: logs that follow no other keep their digest.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    followed: BTreeMap<String, Followed>,
    closed_by: Option<u64>,
    keys: keys::EnrolledKeys,
    default_site: SiteConfig,
}

impl Record {
    /// Settings of a site; defaults when it was never configured.
    pub fn site(&self, site: &Label) -> &SiteConfig {
        self.sites.get(site).and_then(|versions| versions.last()).unwrap_or(&self.default_site)
    }

    /// Sites that were configured.
    pub fn sites(&self) -> impl Iterator<Item = (&Label, &SiteConfig)> {
        self.sites.iter().filter_map(|(site, versions)| Some((site, versions.last()?)))
    }

    /// Policies on electronic signatures of which whoever signs something of this site must have
    /// acknowledged one: the site's; without a site those of all.
    pub fn signing_policies(&self, site: Option<&Label>) -> impl Iterator<Item = &SigningPolicy> {
        let of_site = site.map(|site| self.site(site));
        let of_all = of_site.is_none().then(|| self.sites().map(|(_, config)| config));
        let all = of_site.into_iter().chain(of_all.into_iter().flatten());
        all.filter_map(|config| config.signing_policy.as_ref())
    }

    /// The settings as they stood when the log held `known` entries, and nothing else.
    pub fn settings_as_of(&self, known: u64) -> Record {
        let then = |versions: &Vec<SiteConfig>| {
            let then = versions.iter().rev().find(|v| v.set_by.is_some_and(|by| by < known));
            then.map(|version| vec![version.clone()])
        };
        let sites = self.sites.iter().filter_map(|(site, all)| Some((site.clone(), then(all)?)));
        Record { sites: sites.collect(), ..Record::default() }
    }

    /// The settings as they stood when the log held `known` entries, with the corrections and
    /// signatures of these entries that were told by then.
    pub(crate) fn of_entries_as_of(&self, entries: &BTreeSet<u64>, known: u64) -> Record {
        let mut then = self.settings_as_of(known);
        for seq in entries {
            let amendments = self.amendments(*seq).iter().filter(|a| a.by < known);
            let amendments: Vec<Amendment> = amendments.cloned().collect();
            if !amendments.is_empty() {
                then.amendments.insert(seq, amendments);
            }
            let signed = self.signatures.get(seq).into_iter().flatten();
            let signed: Vec<SignatureOf> = signed.filter(|s| s.seq < known).cloned().collect();
            if !signed.is_empty() {
                then.signatures.insert(seq, signed);
            }
        }
        then
    }

    /// An amended entry as it counted when the log held `known` entries; `None` when it was void
    /// then, or is not amended.
    pub(crate) fn amended_as_of(&self, seq: u64, known: u64) -> Option<Fact> {
        let original = self.originals.get(&seq)?;
        match self.amendments(seq).iter().rev().find(|a| a.by < known) {
            None => Some(original.clone()),
            Some(amendment) => {
                let event = amendment.event.clone()?;
                Some(Fact { event, ..original.clone() })
            }
        }
    }

    /// Amended ones among the first `known` entries that tell of a machine, or told of it before.
    pub(crate) fn amended_of_machine(
        &self,
        machine: &Label,
        known: u64,
    ) -> impl Iterator<Item = u64> {
        let amended = self.amended_of_machine.get(machine).into_iter();
        amended.flat_map(move |entries| entries.range(|_| false, |seq| *seq < known)).copied()
    }

    /// Corrections and voids of an entry, oldest first.
    pub fn amendments(&self, seq: u64) -> &[Amendment] {
        self.amendments.get(&seq).map_or(&[], Vec::as_slice)
    }

    /// Entries that were amended.
    pub fn amended(&self) -> impl Iterator<Item = (u64, &[Amendment])> {
        self.amendments.iter().map(|(seq, list)| (*seq, list.as_slice()))
    }

    /// Signatures of an entry that still count: those made after its last correction
    /// (a corrected entry appears unsigned until it is signed again).
    pub fn signatures(&self, seq: u64) -> impl Iterator<Item = &SignatureOf> {
        let since = self.amendments(seq).last().map_or(0, |a| a.by);
        self.signatures.get(&seq).into_iter().flatten().filter(move |s| s.seq > since)
    }

    /// Reports that were issued, oldest first.
    pub fn reports(&self) -> &[IssuedReport] {
        &self.reports
    }

    /// Other logs of which checkpoints were kept, by origin.
    pub fn followed(&self) -> &BTreeMap<String, Followed> {
        &self.followed
    }

    /// Entry of the last kept anchor.
    pub fn last_anchor(&self) -> Option<u64> {
        self.last_anchor
    }

    /// Keys that the log was told of, in the order of their enrolment.
    pub fn keys(&self) -> &[keys::EnrolledKey] {
        &self.keys.0
    }

    /// Entry that closed the log: none may follow.
    pub fn closed_by(&self) -> Option<u64> {
        self.closed_by
    }

    /// Whether a rule stops an event of this site under strict handling.
    pub(crate) fn stops(&self, site: Option<&Label>, rule: &str, by_default: bool) -> bool {
        match site.and_then(|s| self.site(s).stop_rules.as_ref()) {
            Some(rules) => rules.iter().any(|r| r == rule),
            None => by_default,
        }
    }

    /// The fact as it counts after its amendments; `None` when it was voided.
    pub fn effective(&self, fact: Fact) -> Option<Fact> {
        match self.amendments(fact.seq).last() {
            None => Some(fact),
            Some(Amendment { event: Some(event), .. }) => {
                Some(Fact { event: event.clone(), ..fact })
            }
            Some(Amendment { event: None, .. }) => None,
        }
    }

    /// What a correction or void makes of its original: `Some(Some(fact))` corrected,
    /// `Some(None)` void, `None` when `fact` is neither.
    pub(crate) fn amend(
        &self,
        fact: &Fact,
        original: Option<&Fact>,
    ) -> Result<Option<Option<Fact>>, Refusal> {
        let Some(seq) = fact.about_entry() else { return Ok(None) };
        let is_amendment = matches!(fact.event, Event::EntryCorrected(_) | Event::EntryVoided(_));
        if seq >= fact.seq {
            let detail = format!("entry `{seq}` does not exist");
            return Err(Refusal::new("unknown-entry", "/subject", detail));
        }
        let voided = self.amendments(seq).last().filter(|a| a.event.is_none());
        if let (true, Some(void)) = (is_amendment, voided) {
            let detail = format!("entry `{seq}` was declared void by entry `{}`", void.by);
            return Err(Refusal::new("entry-is-void", "/subject", detail));
        }
        let Some(original) = original else {
            return if is_amendment {
                let detail = format!("entry `{seq}` holds nothing that can be amended");
                Err(Refusal::new("not-amendable", "/subject", detail))
            } else {
                Ok(None)
            };
        };
        if is_amendment && original.event.kind().origin != Origin::Shop {
            let detail = format!(
                "entry `{seq}` is `{}`, which cannot be amended: amend the entry it is about",
                original.event.kind().name
            );
            return Err(Refusal::new("not-amendable", "/subject", detail));
        }
        match &fact.event {
            Event::EntryVoided(_) => Ok(Some(None)),
            Event::EntryCorrected(correction) => {
                let event = decode_data(original.event.kind().name, &correction.data)?;
                Ok(Some(Some(Fact { event, ..original.clone() })))
            }
            _ => Ok(None),
        }
    }

    pub(crate) fn apply(&mut self, fact: &Fact, original: Option<&Fact>) {
        self.keys.apply(fact);
        match &fact.event {
            Event::EntryCorrected(c) => {
                let event = original.and_then(|o| decode_data(o.event.kind().name, &c.data).ok());
                self.amended_by(fact, original, &c.reason, &c.approver, event);
            }
            Event::EntryVoided(v) => self.amended_by(fact, original, &v.reason, &v.approver, None),
            Event::EntrySigned(s) => {
                if let (Some(seq), Some(person)) = (fact.about_entry(), fact.performer.person()) {
                    self.signatures.or_default(&seq).push(SignatureOf {
                        seq: fact.seq,
                        person: person.clone(),
                        meaning: s.meaning,
                        time_ms: fact.recorded_at.as_millisecond(),
                    });
                }
            }
            Event::ConfigChanged(change) => {
                if let Ok(site) = Label::new(fact.subject.id()) {
                    let versions = self.sites.entry(site).or_default();
                    let mut next = versions.last().cloned().unwrap_or_default();
                    next.change(change, fact.seq);
                    versions.push(next);
                }
            }
            Event::ReportIssued(report) => {
                self.reports.push(IssuedReport { seq: fact.seq, report: report.clone() });
            }
            Event::AnchorKept(_) => self.last_anchor = Some(fact.seq),
            Event::LogFollowed(followed) => {
                if let Some((origin, size)) = of_note(&followed.note) {
                    let known = self.followed.entry(origin).or_insert_with(Followed::unknown);
                    known.size = size;
                    known.kept_by = Some(fact.seq);
                    known.kept_at_ms = fact.recorded_at.as_millisecond();
                }
            }
            Event::LogDisputed(disputed) => {
                if let Some((origin, _)) = of_note(&disputed.shown) {
                    let known = self.followed.entry(origin).or_insert_with(Followed::unknown);
                    known.disputed_by.get_or_insert(fact.seq);
                }
            }
            Event::LogClosed(_) => self.closed_by = Some(fact.seq),
            _ => {}
        }
    }

    /// `original` is the entry as it counted before.
    fn amended_by(
        &mut self,
        fact: &Fact,
        original: Option<&Fact>,
        reason: &Reason,
        approver: &PersonId,
        event: Option<Event>,
    ) {
        if let Some(seq) = fact.about_entry() {
            if let Some(original) = original {
                let amended = event.clone().map(|event| Fact { event, ..original.clone() });
                for version in [Some(original), amended.as_ref()].into_iter().flatten() {
                    for machine in crate::equipment::machines_told_of(version) {
                        self.amended_of_machine.entry(machine).or_default().insert(seq);
                    }
                }
                self.originals.or_insert_with(&seq, || original.clone());
            }
            self.amendments.or_default(&seq).push(Amendment {
                by: fact.seq,
                reason: reason.clone(),
                approver: approver.clone(),
                event,
            });
        }
    }
}

/// Reads the `data` of a correction for the type of the entry it corrects.
fn decode_data(
    name: &str,
    data: &serde_json::Map<String, serde_json::Value>,
) -> Result<Event, Refusal> {
    let unreadable = |detail: String| Refusal::new("invalid-value", "/data/data", detail);
    let bytes = serde_json::to_vec(data).map_err(|e| unreadable(e.to_string()))?;
    let value = chain::canon::parse(&bytes).map_err(|e| unreadable(e.to_string()))?;
    match Event::decode(name, &value) {
        Some(Ok(event)) => Ok(event),
        // The pointer of the decoder begins at `/data`, which here lies one level deeper.
        Some(Err(e)) => Err(Refusal::new("invalid-value", format!("/data{}", e.pointer), e.detail)),
        None => Err(unreadable(format!("`{name}` is no event type of the catalogue"))),
    }
}

impl SiteConfig {
    fn change(&mut self, change: &events::ConfigChanged, seq: u64) {
        if let Some(zone) = &change.time_zone {
            self.time_zone = zone.clone();
        }
        if let Some(jurisdiction) = &change.jurisdiction {
            self.jurisdiction = Some(jurisdiction.clone());
        }
        if let Some(late) = &change.late_after {
            self.late_after_h = late.base();
        }
        if !change.stop_rules.is_empty() {
            self.stop_rules = Some(change.stop_rules.clone());
        }
        if !change.working_days.is_empty() {
            self.working_days = change.working_days.clone();
        }
        if !change.holidays.is_empty() {
            self.holidays = change.holidays.clone();
        }
        for (id, value) in change.parameters.iter().flatten() {
            self.parameters.insert(id.clone(), value.clone());
        }
        if let Some(policy) = &change.signing_policy {
            self.signing_policy = Some(policy.clone());
        }
        self.set_by = Some(seq);
    }

    /// The time zone; UTC when the name is unknown to the built-in database.
    pub fn tz(&self) -> jiff::tz::TimeZone {
        jiff::tz::TimeZone::get(&self.time_zone).unwrap_or(jiff::tz::TimeZone::UTC)
    }

    /// The site's local day of an instant.
    pub fn day(&self, at: jiff::Timestamp) -> jiff::civil::Date {
        at.to_zoned_datetime(self.tz()).date()
    }
}
