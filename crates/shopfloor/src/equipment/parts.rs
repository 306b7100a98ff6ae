//! Exchangeable parts by serial: where they sat, since when, and how many hours they carried.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use super::events::{PartIn, PartOut};
use super::meter::DayNumber;
use crate::common::Check;
use crate::ids::{Label, PersonId};

/// How a part came into its position.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Fit {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) day: DayNumber,
    pub(crate) person: Option<PersonId>,
    /// Where the meters of the machine stood.
    pub(crate) usage: BTreeMap<Label, Decimal>,
    pub(crate) part: PartIn,
    pub(crate) checks: Vec<Check>,
}

/// How a part left its position.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Removal {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) day: DayNumber,
    pub(crate) person: Option<PersonId>,
    pub(crate) usage: BTreeMap<Label, Decimal>,
    /// What was recorded of the part; `None` when only another part was recorded in its place.
    pub(crate) part: Option<PartOut>,
}

/// A passing inspection of a fitted part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct SoundAt {
    pub(crate) seq: u64,
    pub(crate) usage: BTreeMap<Label, Decimal>,
}

/// One stay of a part in a position of a machine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Stay {
    pub(crate) position: Label,
    pub(crate) serial: Label,
    /// `None`: it was found there, and how it came in is not on record.
    pub(crate) fit: Option<Fit>,
    /// The last inspection it passed there.
    pub(crate) sound_at: Option<SoundAt>,
    /// `None`: it is still there.
    pub(crate) removal: Option<Removal>,
}
