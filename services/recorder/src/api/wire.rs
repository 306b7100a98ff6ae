//! Forms that travel: receipts, results, findings. Core types do not know HTTP; they are converted
//! here, by hand.

use chain::time::format_ms;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::finding::{self, Confidence, Finding, Level};

use crate::log::Receipt;
use crate::problem::ProblemBody;

/// What contradicts the record or a rule. Facts are kept, contradictions are told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Finding")]
pub struct FindingView {
    /// Stable id: `F<entry>.<number>`.
    pub id: String,
    /// Stable name of the rule.
    pub rule: String,
    /// How much it weighs.
    pub level: Level,
    /// What should have been.
    pub title: String,
    /// What was found.
    pub detail: String,
    /// Title and section of the rule's source.
    pub source: String,
    /// How sure the source is.
    pub confidence: Confidence,
    /// Site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<String>,
    /// What it is about.
    pub subject: String,
    /// When the work was done, UTC.
    pub time: String,
    /// Every entry involved, ascending. On a refusal the last one is the number the event would
    /// have had.
    pub entries: Vec<u64>,
    /// Entry that settled it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub settled_by: Option<u64>,
}

impl From<&Finding> for FindingView {
    fn from(finding: &Finding) -> Self {
        let rule = finding::rule(&finding.rule);
        Self {
            id: finding.id.clone(),
            rule: finding.rule.clone(),
            level: finding.level,
            title: rule.map_or_else(String::new, |rule| rule.title.to_owned()),
            detail: finding.detail.clone(),
            source: rule.map_or_else(String::new, |rule| rule.source.to_owned()),
            confidence: rule.map_or(Confidence::Definition, |rule| rule.confidence),
            site: finding.site.as_ref().map(ToString::to_string),
            subject: finding.subject.to_string(),
            time: utc(finding.time_ms),
            entries: finding.entries.clone(),
            settled_by: finding.settled_by,
        }
    }
}

/// A caution that belongs to the work.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Caution")]
pub struct CautionView {
    /// Stable id.
    pub id: String,
    /// Heading.
    pub title: String,
    /// What to do and why; ends by deferring to the machine's manual and local codes.
    pub text: String,
    /// Where it comes from.
    pub source: String,
}

impl From<&shopfloor::cautions::Caution> for CautionView {
    fn from(caution: &shopfloor::cautions::Caution) -> Self {
        Self {
            id: caution.id.to_owned(),
            title: caution.title.to_owned(),
            text: caution.full_text(),
            source: caution.source.to_owned(),
        }
    }
}

/// The cautions with these ids.
pub fn cautions(ids: &[&str]) -> Vec<CautionView> {
    ids.iter().filter_map(|id| shopfloor::cautions::find(id)).map(CautionView::from).collect()
}

/// Proof to the sender that its event is recorded. It commits to everything before it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Receipt")]
pub struct ReceiptView {
    /// The log.
    pub origin: String,
    /// Number of the entry, from 0.
    pub seq: u64,
    /// Leaf hash of the entry, 64 hexadecimal digits.
    pub leaf: String,
    /// Leaf hash of the entry before.
    pub prev: String,
    /// When the log recorded it, UTC, milliseconds.
    pub recorded_at: String,
    /// What the event contradicts.
    pub findings: Vec<FindingView>,
    /// Cautions that belong to the work.
    pub cautions: Vec<CautionView>,
}

impl ReceiptView {
    /// The receipt of an event of a kind with these cautions.
    pub fn new(
        origin: &str,
        receipt: &Receipt,
        findings: &[Finding],
        caution_ids: &[&str],
    ) -> Self {
        Self {
            origin: origin.to_owned(),
            seq: receipt.seq,
            leaf: receipt.leaf.to_string(),
            prev: receipt.prev.to_string(),
            recorded_at: utc(receipt.recorded_at_ms),
            findings: findings.iter().map(FindingView::from).collect(),
            cautions: cautions(caution_ids),
        }
    }
}

/// What a trial run says: nothing was recorded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Trial")]
pub struct TrialView {
    /// Always true: nothing was recorded.
    pub dry_run: bool,
    /// Entries the trial was judged on.
    pub as_of: u64,
    /// Whether strict handling would stop it.
    pub would_stop: bool,
    /// What it would contradict.
    pub findings: Vec<FindingView>,
    /// Cautions that belong to the work.
    pub cautions: Vec<CautionView>,
}

/// What became of one event of a batch. Exactly one of `receipt`, `trial` and `problem` is there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "BatchItem")]
pub struct BatchItemView {
    /// Place in the batch, from 0.
    pub index: usize,
    /// The status it would have had alone.
    pub status: u16,
    /// It is recorded: 201 now, 200 before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub receipt: Option<ReceiptView>,
    /// It was tried only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trial: Option<TrialView>,
    /// It was not recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub problem: Option<ProblemBody>,
}

/// What became of a batch, in its order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "BatchResult")]
pub struct BatchView {
    /// Events recorded now or before.
    pub recorded: usize,
    /// Events not recorded.
    pub refused: usize,
    /// One result for each event.
    pub results: Vec<BatchItemView>,
}

/// RFC 3339, UTC, milliseconds. Times in the log lie in the years that can be written so.
pub fn utc(time_ms: i64) -> String {
    format_ms(time_ms).unwrap_or_default()
}
