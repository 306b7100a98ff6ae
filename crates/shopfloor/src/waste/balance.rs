//! The balance of a site by stream and period (computations.md C9): what was there, arose, left,
//! came back and is there now. What does not add up is told, never forced to zero.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::container::{Container, CustodyEvent};
use super::{Kg, SiteWaste};
use crate::common::Day;
use crate::ids::Label;
use crate::powder::figures::sqrt;

/// One stream of a site over a period. Masses in kg.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct BalanceLine {
    /// Stream; `unknown` when containers name none.
    pub stream: String,
    /// On hand when the period began: as weighed, else as put in.
    pub opening_kg: Kg,
    /// Put in during the period.
    pub generated_kg: Kg,
    /// Left with a transporter: as weighed, else as put in.
    pub shipped_kg: Kg,
    /// Came back after a refusal.
    pub returned_kg: Kg,
    /// On hand when the period ended.
    pub closing_kg: Kg,
    /// opening + generated + returned - shipped - closing.
    pub difference_kg: Kg,
    /// Expanded uncertainty (k = 2) of the difference, from the number of weighings, in kg to the
    /// gram.
    pub uncertainty_kg: Kg,
    /// Whether the difference lies within it.
    pub closed: bool,
    /// Entries it rests on, ascending.
    pub entries: Vec<u64>,
}

#[derive(Default)]
struct Account {
    opening: Kg,
    generated: Kg,
    shipped: Kg,
    returned: Kg,
    closing: Kg,
    /// Additions and weighings that the figures rest on.
    weighings: u64,
    entries: Vec<u64>,
}

/// The balance of every stream of a site for the days `from` to `to`, both included.
pub(super) fn lines(site: &SiteWaste<'_>, from: Day, to: Day) -> Vec<BalanceLine> {
    let days = &site.law.days;
    let period = (days.start_ms(from), days.end_ms(to));
    let mut accounts: BTreeMap<&str, Account> = BTreeMap::new();
    let containers = site.between(period.0, period.1);
    for container in &containers {
        let stream = container.stream().map_or("unknown", Label::as_str);
        book(container, period, accounts.entry(stream).or_default());
    }
    let u = site.law.practice("shop.weighing_u_kg");
    accounts
        .into_iter()
        .filter(|(_, account)| !account.entries.is_empty())
        .map(|(stream, account)| line(stream.to_owned(), account, u))
        .collect()
}

fn line(stream: String, mut account: Account, u: Decimal) -> BalanceLine {
    let difference =
        account.opening + account.generated + account.returned - account.shipped - account.closing;
    let variance = u * u * Decimal::from(account.weighings);
    account.entries.sort_unstable();
    account.entries.dedup();
    BalanceLine {
        stream,
        opening_kg: account.opening,
        generated_kg: account.generated,
        shipped_kg: account.shipped,
        returned_kg: account.returned,
        closing_kg: account.closing,
        difference_kg: difference,
        uncertainty_kg: Kg(sqrt(variance).round_dp(3).normalize()),
        closed: difference.0 * difference.0 <= variance,
        entries: account.entries,
    }
}

/// A container's masses go to the period in which they changed, between two instants, both
/// included. Content at an instant is the last weighing plus what was put in since; without a
/// weighing, what was put in.
fn book(container: &Container<'_>, (from, to): (i64, i64), account: &mut Account) {
    let mut here_before = false;
    let mut here = false;
    let mut touched = false;
    for holding in container.custody() {
        let on = holding.from_ms;
        let content = || container.content_kg(holding.from_ms);
        match holding.event {
            CustodyEvent::Opened => here = on <= to || here,
            CustodyEvent::Accepted if on <= to && here => {
                here = false;
                if on >= from {
                    account.shipped += content();
                    account.entries.push(holding.seq);
                    touched = true;
                }
            }
            CustodyEvent::Moved if on <= to && !here => {
                here = true;
                if on >= from {
                    account.returned += content();
                    account.entries.push(holding.seq);
                    touched = true;
                }
            }
            CustodyEvent::Accepted
            | CustodyEvent::Moved
            | CustodyEvent::Delivered
            | CustodyEvent::SentBack
            | CustodyEvent::Forwarded
            | CustodyEvent::Certified => {}
        }
        if on < from {
            here_before = here;
        }
    }
    for added in container.additions().filter(|a| a.told_before.is_none()) {
        let on = added.moment.time_ms;
        if from <= on && on <= to {
            account.generated += added.addition().mass_kg;
            account.weighings += 1;
            account.entries.push(added.moment.seq);
            touched = true;
        }
    }
    if here_before && let Some(ms) = instant_before(container, from) {
        account.opening += container.content_kg(ms);
        touched = true;
    }
    if here && let Some(ms) = instant_before(container, to.saturating_add(1)) {
        account.closing += container.content_kg(ms);
        touched = true;
    }
    if touched {
        // Gross and tare of the container itself.
        account.weighings += 2;
        account.entries.extend(container.opened().map(|(m, _)| m.seq));
        account.entries.extend(container.weighed(i64::MAX).map(|w| w.seq));
    }
}

/// The last instant before another at which anything was told of a container.
fn instant_before(container: &Container<'_>, end_ms: i64) -> Option<i64> {
    let life = container.life().map(|m| m.time_ms);
    let added = container.additions().map(|a| a.moment.time_ms);
    life.chain(added).filter(|ms| *ms < end_ms).max()
}
