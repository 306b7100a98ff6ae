//! From the folds to the report.

use std::collections::BTreeSet;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use rust_decimal::Decimal;
use shopfloor::State;
use shopfloor::common::Day;
use shopfloor::ids::{Label, SubjectKind};
use shopfloor::powder::genealogy::{PAGE_MAX, Page, Target, TraceEdge, TraceForward};
use shopfloor::powder::{AsOf, Unanswered};
use shopfloor::quantity::Mass;
use shopfloor::record::SiteConfig;

use super::{
    AmendedLine, BirthContainer, FORM_VERSION, LotReport, MOVE_LEAST_KG, MOVES_MAX, SmallMoves,
};
use crate::disposal::{FindingLine, Head, Options, caution_lines};
use crate::signatures::SignatureLine;

/// Cautions that belong to handling powder.
pub(super) const CAUTION_IDS: [&str; 3] =
    ["combustible_dust", "ignition_and_earthing", "breathing_protection"];

/// What the figures assume.
const ASSUMPTIONS: [&str; 4] = [
    "perfect mixing inside a place: what is taken out has the composition of the whole",
    "powder that leaves a build has aged by one build",
    "more taken out than the book says was there is powder of unknown source",
    "fractions are an upper bound for dilution, not a permission to release",
];

/// What a signature under the report says.
const SIGNATURE_MEANING: &str = "I have read this report and compared it with the record. To the \
     best of my knowledge it is complete for the lot named.";

/// A report that cannot be compiled.
#[derive(Debug, thiserror::Error)]
pub enum LotError {
    /// The record does not know the lot.
    #[error(transparent)]
    Unknown(#[from] Unanswered),
}

/// Compiles the powder report of a lot.
///
/// Pure: the same state, lot, head and options give the same report.
pub fn compile(
    state: &State,
    lot: &Label,
    head: Head,
    options: &Options,
) -> Result<LotReport, LotError> {
    let powder = &state.powder;
    let view = powder.lot(lot, AsOf::Now, options.at)?;
    let balance = powder.lot_balance(lot, AsOf::Now)?;
    let traced = moves(state, lot)?;
    let config = view.site.as_ref().map(|site| state.record.site(site));
    let time_zone = config.map_or_else(|| "UTC".to_owned(), |c| c.time_zone.clone());
    let mut entries: BTreeSet<u64> = view.entries.iter().copied().collect();
    entries.extend(traced.listed.iter().map(|edge| edge.entry));
    let tz = config.map_or(TimeZone::UTC, SiteConfig::tz);
    let day = |ms| {
        let at = Timestamp::from_millisecond(ms).unwrap_or_default();
        Day(at.to_zoned_datetime(tz.clone()).date())
    };
    Ok(LotReport {
        report: "lot".into(),
        version: FORM_VERSION,
        site: view.site.clone(),
        time_zone,
        at: options.at.to_string(),
        head,
        containers: containers(state, lot, view.entries.first().copied()),
        amended: amended(state, &entries),
        findings: findings(state, lot, &entries, &day),
        signatures: SignatureLine::of_entries(&state.record, &tz, entries),
        lot: view,
        moves_total: traced.first.edges_total,
        reach: traced.first.reach,
        moves: traced.listed,
        small_moves: traced.small,
        balance,
        assumptions: ASSUMPTIONS.map(str::to_owned).to_vec(),
        cautions: caution_lines(&CAUTION_IDS),
        signature_meaning: SIGNATURE_MEANING.into(),
    })
}

struct Moves {
    first: TraceForward,
    listed: Vec<TraceEdge>,
    small: SmallMoves,
}

/// Every move that carried some of the lot, page by page.
fn moves(state: &State, lot: &Label) -> Result<Moves, Unanswered> {
    let target = Target::Lot(lot.clone());
    let (mut listed, mut small, mut small_kg) = (Vec::new(), 0, Decimal::ZERO);
    let mut page = Page { limit: Some(PAGE_MAX), after: None };
    let mut first = None;
    loop {
        let answer = state.powder.trace_forward(&target, AsOf::Now, AsOf::Now, &page)?;
        let (next, edges) = (answer.next.clone(), answer.edges.clone());
        first.get_or_insert(answer);
        for edge in edges {
            if edge.traced.base() >= MOVE_LEAST_KG && listed.len() < MOVES_MAX {
                listed.push(edge);
            } else {
                small += 1;
                small_kg += edge.traced.base();
            }
        }
        match (next, first) {
            (Some(next), kept) => (page.after, first) = (Some(next), kept),
            (None, Some(first)) => {
                let traced = Mass::from_base(small_kg.normalize());
                let small = SmallMoves { below_kg: MOVE_LEAST_KG, moves: small, traced };
                return Ok(Moves { first, listed, small });
            }
            (None, None) => return Err(Unanswered::Lot(lot.clone())),
        }
    }
}

/// What the delivery said of its containers.
fn containers(state: &State, lot: &Label, entry: Option<u64>) -> Vec<BirthContainer> {
    let Some((entry, delivery)) = entry.zip(state.powder.delivery(lot)) else { return Vec::new() };
    let net = |c: &shopfloor::powder::events::LotContainer| {
        Mass::from_base((c.gross.base() - c.tare.base()).normalize())
    };
    delivery
        .containers
        .iter()
        .map(|c| BirthContainer {
            id: c.id.clone(),
            gross: c.gross.clone(),
            tare: c.tare.clone(),
            net: net(c),
            entry,
        })
        .collect()
}

fn amended(state: &State, entries: &BTreeSet<u64>) -> Vec<AmendedLine> {
    let lines = entries.iter().flat_map(|entry| {
        state.record.amendments(*entry).iter().map(|a| AmendedLine {
            entry: *entry,
            by_entry: a.by,
            approver: a.approver.to_string(),
            reason: a.reason.to_string(),
            void: a.event.is_none(),
        })
    });
    lines.collect()
}

/// Findings about the lot, and about moves that carried some of it.
fn findings(
    state: &State,
    lot: &Label,
    entries: &BTreeSet<u64>,
    day: &dyn Fn(i64) -> Day,
) -> Vec<FindingLine> {
    let own = |f: &&shopfloor::Finding| {
        (f.subject.kind == SubjectKind::Lot && f.subject.id() == lot.as_str())
            || (entries.contains(&f.seq) && f.rule.starts_with("powder."))
    };
    state.findings.iter().filter(own).map(|f| FindingLine::of(f, day(f.time_ms))).collect()
}
