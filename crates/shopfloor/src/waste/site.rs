//! The waste of one site, as one question sees it.

use std::cell::OnceCell;
use std::collections::BTreeMap;

use jiff::Timestamp;

use super::balance::{self, BalanceLine};
use super::category::{self, Month, MonthView, Totals};
use super::clocks::{self, Clock};
use super::compatibility::{self, StreamPair};
use super::container::Container;
use super::law::Law;
use super::retention::{self, Retention};
use super::shipment::Shipment;
use crate::State;
use crate::common::Day;
use crate::ids::Label;

/// One site with its rules and containers. What several answers rest on (who held a container, what
/// arose in a month) is worked out once: a report that asks for balance, months, clocks and
/// retention asks them of the same `SiteWaste`.
pub struct SiteWaste<'a> {
    pub(super) state: &'a State,
    pub(super) site: &'a Label,
    /// The rules that bind the site.
    pub law: Law<'a>,
    containers: Vec<Container<'a>>,
    months: OnceCell<BTreeMap<Month, Totals>>,
}

impl<'a> SiteWaste<'a> {
    /// The waste of a site as the fold holds it.
    pub fn of(state: &'a State, site: &'a Label) -> Self {
        Self {
            state,
            site,
            law: Law::of(state.record.site(site)),
            containers: state.waste.of_site(site),
            months: OnceCell::new(),
        }
    }

    /// Every container of the site that anything was told of, by label.
    pub fn containers(&self) -> &[Container<'a>] {
        &self.containers
    }

    /// The shipments that left the site.
    pub fn shipments(&self) -> impl Iterator<Item = Shipment<'a>> {
        let site = self.site;
        self.state.waste.shipments().filter(move |s| s.site() == Some(site))
    }

    /// Every month in which waste arose.
    pub fn months(&self) -> &BTreeMap<Month, Totals> {
        self.months.get_or_init(|| category::all_months(self.state, self.site, &self.law))
    }

    /// Every month between two days in which waste arose, as of `now`.
    pub fn month_views(&self, from: Day, to: Day, now: Timestamp) -> Vec<MonthView> {
        category::views(self, from, to, now)
    }

    /// The balance of every stream for the days `from` to `to`, both included.
    pub fn balance(&self, from: Day, to: Day) -> Vec<BalanceLine> {
        balance::lines(self, from, to)
    }

    /// Every open duty as of `now`, the most pressing first.
    pub fn clocks(&self, now: Timestamp) -> Vec<Clock> {
        clocks::open(self, now)
    }

    /// The streams that are kept apart, as of `now`.
    pub fn kept_apart(&self, now: Timestamp) -> Vec<StreamPair> {
        compatibility::streams(self, now.as_millisecond())
    }

    /// Retention of the records as of `now`, in order of subject.
    pub fn retention(&self, now: Timestamp) -> Vec<Retention> {
        retention::records(self, now)
    }
}
