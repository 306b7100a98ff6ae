//! The powder report of a lot: from its birth certificate to its last gram. Where it came from,
//! what was tested and decided, every move that carried some of it, the builds and blends it is
//! in, where it is now, and whether its books close. Every line names the entries it rests on.

mod compile;
mod print;
mod tables;
mod words;

use std::collections::BTreeSet;

use rust_decimal::Decimal;
use serde::Serialize;
use shopfloor::ids::Label;
use shopfloor::powder::balance::Balance;
use shopfloor::powder::genealogy::{Reach, TraceEdge};
use shopfloor::powder::views::LotView;
use shopfloor::quantity::Mass;

use crate::disposal::{CautionLine, FindingLine, Head};
use crate::signatures::SignatureLine;

pub use compile::{LotError, compile};
pub use print::{document, to_pdf};
pub use tables::to_csv;

/// Version of the machine-readable form.
pub const FORM_VERSION: u16 = 1;
/// Most moves that are listed; of more, those that came first.
pub const MOVES_MAX: usize = 20_000;
/// Moves that carried less of the lot are counted and summed, not listed: one gram.
pub const MOVE_LEAST_KG: Decimal = Decimal::from_parts(1, 0, 0, false, 3);

/// Moves that are too small to list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SmallMoves {
    /// Below this traced mass, in kg.
    pub below_kg: Decimal,
    /// How many.
    pub moves: usize,
    /// Traced mass on them together, each move counted.
    pub traced: Mass,
}

/// A correction or void of an entry that the report rests on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct AmendedLine {
    /// The entry.
    pub entry: u64,
    /// Entry of the correction.
    pub by_entry: u64,
    /// Who approved, by pseudonym.
    pub approver: String,
    /// Why: a code, or a note that the words are kept outside the log.
    pub reason: String,
    /// Whether the entry was declared void.
    pub void: bool,
}

/// The powder report of a lot: plain data from which every form is written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LotReport {
    /// `lot`.
    pub report: String,
    /// [`FORM_VERSION`].
    pub version: u16,
    /// Site that received or blended the lot.
    pub site: Option<Label>,
    /// Its time zone; every time in the printed report is one of its clock.
    pub time_zone: String,
    /// Instant up to which hours are counted, UTC.
    pub at: String,
    /// Where the log stood.
    pub head: Head,
    /// The lot: birth certificate, tests, decisions.
    pub lot: LotView,
    /// Gross and tare of the containers it was delivered in.
    pub containers: Vec<BirthContainer>,
    /// Moves that carried at least [`MOVE_LEAST_KG`] of it, in order of work.
    pub moves: Vec<TraceEdge>,
    /// The others.
    pub small_moves: SmallMoves,
    /// How many moves there are in all.
    pub moves_total: usize,
    /// Builds, blends and places it reached.
    pub reach: Reach,
    /// What was received or made against where it is now.
    pub balance: Balance,
    /// Corrections and voids of entries the report rests on.
    pub amended: Vec<AmendedLine>,
    /// Findings about these entries.
    pub findings: Vec<FindingLine>,
    /// Signatures of entries the report rests on, those that still count.
    pub signatures: Vec<SignatureLine>,
    /// What the figures assume.
    pub assumptions: Vec<String>,
    /// Cautions that belong to handling powder.
    pub cautions: Vec<CautionLine>,
    /// What a signature under this report says.
    pub signature_meaning: String,
}

/// A container of the delivery.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BirthContainer {
    /// Its id.
    pub id: Label,
    /// With container.
    pub gross: Mass,
    /// Empty.
    pub tare: Mass,
    /// The difference.
    pub net: Mass,
    /// Entry of the delivery.
    pub entry: u64,
}

impl LotReport {
    /// Every entry something in the report rests on, ascending.
    pub fn rests_on(&self) -> BTreeSet<u64> {
        let Reach { builds, lots, places, .. } = &self.reach;
        let mut all: BTreeSet<u64> = self.lot.entries.iter().copied().collect();
        all.extend(&self.balance.entries);
        all.extend(self.containers.iter().map(|l| l.entry));
        all.extend(self.moves.iter().map(|l| l.entry));
        all.extend(builds.iter().map(|l| l.entry));
        all.extend(lots.iter().map(|l| l.entry));
        all.extend(places.iter().map(|l| l.entry));
        all.extend(self.amended.iter().flat_map(|l| [l.entry, l.by_entry]));
        all.extend(self.findings.iter().flat_map(|l| &l.entries));
        all.extend(self.findings.iter().filter_map(|f| f.settled_by));
        all.extend(SignatureLine::rest_on(&self.signatures));
        all
    }
}
