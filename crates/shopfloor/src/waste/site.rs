//! The waste of one site, as one question sees it.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

use jiff::Timestamp;

use super::balance::{self, BalanceLine};
use super::category::{self, Month, MonthView, Totals};
use super::clocks::{self, Clock};
use super::compatibility::{self, StreamPair};
use super::container::Container;
use super::discrepancy;
use super::law::Law;
use super::retention::{self, Retention};
use super::shipment::Shipment;
use crate::State;
use crate::common::Day;
use crate::ids::Label;

/// How far the first look back at something that runs goes, in days; each further one goes four
/// times as far.
const FIRST_LOOK_DAYS: i64 = 32;

/// One site with its rules and containers. What several answers rest on (who held a container, what
/// arose in a month) is worked out once, and only where it is asked for: a report that asks for
/// balance, months, clocks and retention asks them of the same `SiteWaste`.
pub struct SiteWaste<'a> {
    pub(super) state: &'a State,
    pub(super) site: &'a Label,
    /// The rules that bind the site.
    pub law: Law<'a>,
    handles: RefCell<BTreeMap<&'a Label, Rc<Container<'a>>>>,
    months: RefCell<BTreeMap<Month, Rc<Totals>>>,
}

impl<'a> SiteWaste<'a> {
    /// The waste of a site as the fold holds it. Costs nothing by itself.
    pub fn of(state: &'a State, site: &'a Label) -> Self {
        Self {
            state,
            site,
            law: Law::of(state.record.site(site)),
            handles: RefCell::default(),
            months: RefCell::default(),
        }
    }

    /// The containers of the site that stood there on a day between two, both included, or of which
    /// something was told for one, by label. Days of the UTC calendar count where those of the site
    /// lie across them, so that a few too many are named.
    pub fn containers(&self, from: Day, to: Day) -> Vec<Rc<Container<'a>>> {
        self.between(self.law.days.start_ms(from), self.law.days.end_ms(to))
    }

    /// The same between two instants, ms since 1970 UTC.
    pub(super) fn between(&self, from_ms: i64, to_ms: i64) -> Vec<Rc<Container<'a>>> {
        let found = self.state.waste.between(self.site, from_ms, to_ms);
        let mut handles = self.handles.borrow_mut();
        let known = found.map(|c| Rc::clone(handles.entry(c.id).or_insert_with(|| Rc::new(c))));
        known.collect()
    }

    /// The containers that stood at an instant, or of which something is told later.
    pub(super) fn since(&self, at_ms: i64) -> Vec<Rc<Container<'a>>> {
        self.between(at_ms, i64::MAX)
    }

    /// Asks about something that runs at an instant and may have begun long before: with the
    /// containers there were since some weeks before, then since longer ago, until `ask` can tell.
    /// It is given the instant from which on the containers are complete; `i64::MIN`: they all are.
    ///
    /// What began years ago and still runs cannot be told without those years: then all are looked
    /// at. What does not run, or began lately, is told by those that stand.
    pub(super) fn look_back<T>(
        &self,
        at_ms: i64,
        ask: impl Fn(&[Rc<Container<'a>>], i64) -> Option<T>,
    ) -> Option<T> {
        let mut days = FIRST_LOOK_DAYS;
        loop {
            let from_ms = at_ms.saturating_sub(days.saturating_mul(86_400_000));
            let from_ms = if from_ms <= 0 { i64::MIN } else { from_ms };
            let told = ask(&self.since(from_ms), from_ms);
            if told.is_some() || from_ms == i64::MIN {
                return told;
            }
            days = days.saturating_mul(4);
        }
    }

    /// The shipments that left the site, by label.
    pub fn shipments(&self) -> impl Iterator<Item = Shipment<'a>> {
        let held = self.state.waste.index.site(Some(self.site));
        let found = held.into_iter().flat_map(|held| held.shipments.iter());
        found.filter_map(|id| self.state.waste.shipment(id))
    }

    /// Those of them whose papers may miss something, by label.
    pub(super) fn open_shipments(&self) -> impl Iterator<Item = Shipment<'a>> {
        let mut found: BTreeSet<&'a Label> = BTreeSet::new();
        if let Some(held) = self.state.waste.index.site(Some(self.site)) {
            found.extend(held.incomplete.iter());
            // Whether weights differ too much depends on the rules and on every weighing, so it is
            // looked at again for what is bulk packaging under the rules of the site.
            if let Some(litres) = discrepancy::least_bulk_litres(&self.law) {
                let bulky = held.bulky.iter().rev().take_while(|(size, _)| *size >= litres);
                found.extend(bulky.map(|(_, id)| id));
            }
        }
        found.into_iter().filter_map(|id| self.state.waste.shipment(id))
    }

    /// When the last container of each stream left the site, ms since 1970 UTC; `None`: one has not.
    pub(super) fn streams_left(&self) -> impl Iterator<Item = (&'a Label, Option<i64>)> {
        let held = self.state.waste.index.site(Some(self.site)).into_iter();
        let streams = held.flat_map(|held| &held.left);
        streams.map(|(stream, left)| {
            let here = left.get(&None).is_some();
            let last = left.iter().next_back().and_then(|(ms, _)| *ms);
            (stream, last.filter(|_| !here))
        })
    }

    /// What arose in a month.
    pub(super) fn month(&self, month: Month) -> Rc<Totals> {
        if let Some(totals) = self.months.borrow().get(&month) {
            return Rc::clone(totals);
        }
        let found = category::totals(self.state, self.site, &self.law, month);
        let totals = Rc::new(found);
        self.months.borrow_mut().insert(month, Rc::clone(&totals));
        totals
    }

    /// The months between two, both included, in which waste arose.
    pub(super) fn months(&self, from: Month, to: Month) -> Vec<(Month, Rc<Totals>)> {
        let Some((first, last)) = self.months_told() else { return Vec::new() };
        let mut months = Vec::new();
        let mut month = from.max(first);
        while month <= to.min(last) {
            let totals = self.month(month);
            if !totals.entries.is_empty() {
                months.push((month, totals));
            }
            month = month.next();
        }
        months
    }

    /// The first and the last month in which something was put into a container.
    pub(super) fn months_told(&self) -> Option<(Month, Month)> {
        let (first, last) = self.state.waste.generated_between(self.site)?;
        let month = |ms| Month::of(self.law.days.day(ms));
        Some((month(first), month(last)))
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

    /// Retention of every record as of `now`, in order of subject.
    pub fn retention(&self, now: Timestamp) -> Vec<Retention> {
        retention::records(self, self.shipments(), now)
    }

    /// Retention of the records of some shipments, and of streams and reports, as of `now`, in order
    /// of subject.
    pub fn retention_of<'s>(
        &self,
        shipments: impl IntoIterator<Item = &'s Label>,
        now: Timestamp,
    ) -> Vec<Retention> {
        let found = shipments.into_iter().filter_map(|id| self.state.waste.shipment(id));
        retention::records(self, found.filter(|s| s.site() == Some(self.site)), now)
    }
}
