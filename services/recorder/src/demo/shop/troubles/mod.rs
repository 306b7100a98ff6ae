//! The troubles of real life, each planted on a known day with what must come out of it.
//!
//! A trouble waits for its day and then for the first shift on which it can happen (a lot that is
//! not released yet, a crew member of a certain name). What it does lies in the module of its
//! subject; what must come out of it is listed when it strikes, so that a trouble that never found
//! its moment shows as missing.

mod equipment;
mod people;
mod powder;
mod record;
mod waste;

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::{Date, date};

use super::calendar::{Shift, Site};
use super::floor::{Shop, Turn};
use super::script::EventNo;

pub(super) use equipment::{after_replacement, neglected};
pub(super) use people::{authorised_until, fit_test_until, may_change_sieves};
pub(super) use waste::{
    after_inspection, closes_month, light_drum, missing_receipt, safety_office_away,
    skips_inspection,
};

/// What must come out of a trouble.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Must {
    /// Recording `event` raises a finding of `rule`.
    Finding {
        /// Stable name of the rule.
        rule: &'static str,
        /// The event that raises it.
        event: EventNo,
    },
    /// The findings that `event` raised are settled by a later entry.
    Settled {
        /// The event that raised them.
        event: EventNo,
    },
    /// `event` is answered as its [`Expect`](super::Expect) says, and not recorded again.
    Answer {
        /// The event.
        event: EventNo,
    },
    /// There is an entry of this type: one of the log itself, or one that closes a matter.
    Entry {
        /// Name of the event.
        name: &'static str,
    },
    /// `event` was amended by a later entry: its content as it counts is not as it was recorded.
    Amended {
        /// The event.
        event: EventNo,
    },
    /// A task of a machine is overdue at the end of the year.
    Overdue {
        /// The machine.
        machine: &'static str,
        /// The task of its plan.
        task: &'static str,
    },
    /// The entries of these events stand in the log in another order than the work was done.
    OutOfOrder {
        /// Done first, recorded last.
        earlier: EventNo,
        /// Done last, recorded first.
        later: EventNo,
    },
    /// The lots or builds that a failed sieve, scale or lot makes suspect include this one.
    Suspect {
        /// Serial of the failed sieve.
        sieve: String,
        /// Label of a blended lot that must be among the suspects.
        lot: String,
    },
    /// The generator's category of a month, with the mass it rests on.
    Category {
        /// First day of the month.
        month: Date,
        /// The word of the category.
        category: &'static str,
        /// Hazardous waste of the month in grams, exact.
        grams: i64,
    },
    /// A shipment's clock for the signed copy ran out before the exception was reported.
    ReceiptOverdue {
        /// The shipment.
        shipment: String,
        /// A day on which the clock had run out and nothing was reported yet.
        on: Date,
    },
    /// An incident is on the list of incidents, and its deviation is closed.
    Incident {
        /// The incident.
        incident: String,
        /// The deviation opened for it.
        deviation: String,
    },
    /// A handover that nobody accepted.
    Unaccepted {
        /// The handover.
        handover: String,
    },
}

/// A trouble that was planted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Planted {
    /// Short name.
    pub id: &'static str,
    /// What happened, in a sentence.
    pub title: &'static str,
    /// Where.
    pub site: &'static str,
    /// When.
    pub at: Timestamp,
    /// What must come out of it.
    pub must: Vec<Must>,
}

/// A trouble that waits for its day.
struct Plan {
    id: &'static str,
    title: &'static str,
    site: Site,
    from: Date,
    /// Lets it happen if it can; tells what must come of it.
    strike: fn(&mut Shop, &mut Turn) -> Option<Vec<Must>>,
}

/// Every trouble that strikes by the calendar, in order. The ones of shipments and month ends come
/// from the waste yard when their time is there.
const PLANS: &[Plan] = &[
    plan(
        "exact_retry",
        "The MES did not see the answer and sends an event again, byte for byte",
        Site::North,
        date(2025, 11, 12),
        record::exact_retry,
    ),
    plan(
        "id_clash",
        "A terminal uses an event id again for other content",
        Site::South,
        date(2025, 11, 19),
        record::id_clash,
    ),
    plan(
        "no_right",
        "A technician tries to release a lot",
        Site::North,
        date(2025, 12, 3),
        record::no_right,
    ),
    plan(
        "late_with_reason",
        "A paper form of a terminal outage is entered 30 hours later, with its reason",
        Site::North,
        date(2025, 12, 9),
        record::late_with_reason,
    ),
    plan(
        "bag_in_two_drums",
        "A vacuum bag that went into one drum is booked into a second one, and the second entry declared void",
        Site::North,
        date(2025, 12, 16),
        waste::bag_in_two_drums,
    ),
    plan(
        "misread_meter",
        "Two digits of a meter are swapped, and the reading corrected",
        Site::North,
        date(2026, 1, 14),
        equipment::misread_meter,
    ),
    plan(
        "late_without_reason",
        "A reading is entered three days later without a reason",
        Site::South,
        date(2026, 1, 20),
        record::late_without_reason,
    ),
    plan(
        "unreleased_lot",
        "A jug of a lot that is not released is filled into a hopper",
        Site::North,
        date(2026, 2, 2),
        powder::unreleased_lot,
    ),
    plan(
        "out_of_order",
        "The line of the MES is down: readings of the morning arrive in the afternoon",
        Site::North,
        date(2026, 2, 11),
        record::out_of_order,
    ),
    plan(
        "strict_stop",
        "A terminal with strict handling is stopped from loading a lot that is not released",
        Site::South,
        date(2026, 2, 2),
        powder::strict_stop,
    ),
    plan(
        "torn_sieve",
        "The weekly look finds a torn sieve: everything sieved since the last good look is suspect",
        Site::North,
        date(2026, 3, 9),
        powder::torn_sieve,
    ),
    plan(
        "void_entry",
        "Two people record the same cleaning; one entry is declared void",
        Site::South,
        date(2026, 3, 18),
        record::void_entry,
    ),
    plan(
        "weighing_corrected",
        "A decimal point slips while waste is weighed, and the entry is corrected",
        Site::North,
        date(2026, 4, 8),
        waste::weighing_corrected,
    ),
    plan(
        "wrong_drum",
        "A canister of titanium goes into the drum for aluminium; found, taken out and corrected",
        Site::South,
        date(2026, 4, 14),
        waste::wrong_drum,
    ),
    plan(
        "self_approval",
        "Somebody approves the own correction",
        Site::North,
        date(2026, 4, 22),
        record::self_approval,
    ),
    plan(
        "expired_authorisation",
        "A sieve is changed by somebody whose authorisation has run out",
        Site::North,
        date(2026, 5, 4),
        people::expired_authorisation,
    ),
    plan(
        "clock_skew",
        "The clock of a terminal runs three hours ahead",
        Site::South,
        date(2026, 5, 12),
        record::clock_skew,
    ),
    plan(
        "deferral",
        "A due task is put off by a signed decision",
        Site::North,
        date(2026, 5, 18),
        equipment::deferral,
    ),
    plan(
        "handover_not_accepted",
        "A shift ends and nobody accepts the handover",
        Site::North,
        date(2026, 6, 10),
        people::handover_not_accepted,
    ),
    plan(
        "scale_failed",
        "The scale fails its check: weighings since the last good check are suspect",
        Site::North,
        date(2026, 6, 23),
        equipment::scale_failed,
    ),
    plan(
        "low_refresh",
        "A blend has too little fresh powder",
        Site::North,
        date(2026, 7, 7),
        powder::low_refresh,
    ),
    plan(
        "spill",
        "Titanium powder is spilled and swept up",
        Site::South,
        date(2026, 7, 21),
        people::spill,
    ),
    plan(
        "stock_short",
        "A bin holds less than the book says",
        Site::North,
        date(2026, 7, 28),
        powder::stock_short,
    ),
    plan(
        "fit_test_lapsed",
        "Somebody works with powder after the fit test of the mask has run out",
        Site::South,
        date(2026, 9, 14),
        people::fit_test_lapsed,
    ),
];

const fn plan(
    id: &'static str,
    title: &'static str,
    site: Site,
    from: Date,
    strike: fn(&mut Shop, &mut Turn) -> Option<Vec<Must>>,
) -> Plan {
    Plan { id, title, site, from, strike }
}

/// What was planted so far, and what troubles left behind that still has to be dealt with.
#[derive(Default)]
pub(super) struct Ledger {
    pub(super) planted: Vec<Planted>,
    struck: Vec<&'static str>,
    /// Work that is owed on a later day.
    owed: Vec<Owed>,
    /// Meter at which the neglected filter was at last replaced; 0: not yet.
    filter_replaced_at: i64,
    /// Handover that must stay unaccepted.
    skip_acceptance: BTreeMap<Site, bool>,
    sieves_allowed_again: bool,
    inspection_missed: bool,
}

/// Work to be done on the floor.
type Work = Box<dyn FnOnce(&mut Shop, &mut Turn)>;

/// Work that a trouble leaves for a later day.
struct Owed {
    site: Site,
    from: Date,
    act: Work,
}

impl Ledger {
    /// Lists a trouble that has struck.
    pub(super) fn plant(
        &mut self,
        id: &'static str,
        title: &'static str,
        turn: &Turn,
        must: Vec<Must>,
    ) {
        let site = turn.site.label();
        self.planted.push(Planted { id, title, site, at: turn.now, must });
    }

    fn owe(&mut self, site: Site, from: Date, act: impl FnOnce(&mut Shop, &mut Turn) + 'static) {
        self.owed.push(Owed { site, from, act: Box::new(act) });
    }
}

/// Lets whatever is due happen, early in an early shift.
pub(super) fn strike(shop: &mut Shop, turn: &mut Turn) {
    if turn.shift != Shift::Early {
        return;
    }
    let due: Vec<Owed>;
    (due, shop.troubles.owed) = std::mem::take(&mut shop.troubles.owed)
        .into_iter()
        .partition(|owed| owed.site == turn.site && owed.from <= turn.day);
    shop.pass(turn, 2, 4);
    super::upkeep::advance(shop, turn);
    for owed in due {
        shop.pass(turn, 3, 6);
        (owed.act)(shop, turn);
    }
    for plan in PLANS {
        let waits = plan.site == turn.site && plan.from <= turn.day;
        if !waits || shop.troubles.struck.contains(&plan.id) {
            continue;
        }
        if let Some(must) = (plan.strike)(shop, turn) {
            shop.troubles.struck.push(plan.id);
            shop.troubles.plant(plan.id, plan.title, turn, must);
        }
    }
}

/// Names of all troubles that must have been planted at the end of the year.
pub fn names() -> Vec<&'static str> {
    let others = [
        "overdue_filter",
        "missed_inspection",
        "weight_mismatch",
        "missing_receipt",
        "month_end_below",
        "month_end_above",
    ];
    PLANS.iter().map(|p| p.id).chain(others).collect()
}

/// Whether a handover of this site is left unaccepted now.
pub(super) fn leaves_unaccepted(shop: &mut Shop, site: Site) -> bool {
    shop.troubles.skip_acceptance.remove(&site).unwrap_or(false)
}

/// The day some days later.
fn days_after(day: Date, days: i64) -> Date {
    day.saturating_add(jiff::Span::new().days(days))
}
