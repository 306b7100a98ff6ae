//! Clocks of what stands on site: quantities, satellite areas, inspections.

use std::collections::BTreeSet;
use std::rc::Rc;

use rust_decimal::Decimal;

use super::{Clock, ClockKind, ClockNote, Desk, Draft, small_limit, subject};
use crate::common::Day;
use crate::ids::{Label, SubjectKind};
use crate::waste::areas;
use crate::waste::category::{self, Category, Class};
use crate::waste::container::Container;
use crate::waste::events::{AreaKind, Determination};
use crate::waste::law::{RuleUsed, plus_days};
use crate::waste::quantity_on_site::{Stretch, on_site_stretch, satellite_excesses};

impl Desk<'_, '_> {
    /// Quantities that start a clock or are a breach at once.
    pub(super) fn site_quantities(&self, out: &mut Vec<Clock>) {
        let strictest = self.on_site().filter_map(|c| {
            let hazardous = self.determination(c) != Some(Determination::NonHazardous);
            category::of_container(self.site, c).filter(|_| hazardous)
        });
        match strictest.max() {
            Some(Category::VerySmall) => {
                let non_acute = [Class::NonAcute, Class::Undetermined];
                self.site_quantity(out, "us.accumulation.vsqg_kg", &non_acute, false);
                self.site_quantity(out, "us.accumulation.vsqg_acute_kg", &[Class::Acute], true);
                self.site_quantity(out, "us.accumulation.vsqg_residue_kg", &[Class::Residue], true);
            }
            Some(Category::Small) => {
                let all = [Class::Acute, Class::NonAcute, Class::Residue, Class::Undetermined];
                self.site_quantity(out, "us.accumulation.sqg_site_kg", &all, false);
            }
            Some(Category::Large) | None => {}
        }
    }

    fn site_quantity(&self, out: &mut Vec<Clock>, id: &str, classes: &[Class], acute: bool) {
        let Some(limit) = self.law.find(id, self.today) else { return };
        let reached = |kg: Decimal| limit.reached_by(kg);
        let running = self.site.look_back(self.now.as_millisecond(), |containers, from_ms| {
            on_site_stretch(self.state, containers, from_ms, classes, reached)
        });
        let Some(open) = running.flatten() else { return };
        if open.began_ms > self.now.as_millisecond() {
            return;
        }
        let start = self.law.days.day(open.began_ms);
        let Some(subject) = subject(SubjectKind::Site, self.site.site) else { return };
        let mut rules = vec![limit.rule];
        let mut notes = if acute { vec![ClockNote::Acute] } else { vec![] };
        let (last_day, category) = if id == "us.accumulation.sqg_site_kg" {
            // Above the quantity is a breach at once: the last good day was the one before.
            (Day(plus_days(start.0, -1)), Category::Small)
        } else {
            let days = if acute {
                self.law.find("us.accumulation.vsqg_acute_days", start).map(|l| (l, vec![]))
            } else {
                let distance = self.law.practice("shop.facility_distance_km");
                small_limit(self.law, distance, start, "us.accumulation.vsqg")
            };
            let Some((days, chosen_by)) = days else { return };
            if days.rule.id.ends_with("far_days") {
                notes.push(ClockNote::FarFacility);
            }
            let last_day = self.law.last_day(start, &days);
            rules.extend(chosen_by);
            rules.push(days.rule);
            (last_day, Category::VerySmall)
        };
        out.push(self.clock(Draft {
            kind: ClockKind::SiteQuantity,
            subject,
            start,
            last_day,
            category: Some(category),
            rules,
            notes,
            entries: vec![open.began],
        }));
    }

    pub(super) fn satellite_areas(&self, out: &mut Vec<Clock>) {
        let running = self.site.look_back(self.now.as_millisecond(), |containers, from_ms| {
            satellite_excesses(self.state, containers, from_ms, self.law)
        });
        for excess in running.into_iter().flatten() {
            let Stretch { began_ms, began, .. } = excess.stretch;
            if began_ms > self.now.as_millisecond() {
                continue;
            }
            let start = self.law.days.day(began_ms);
            let Some(limit) = self.law.find("us.satellite.excess_days", start) else { continue };
            let id = if excess.acute { "us.satellite.acute_kg" } else { "us.satellite.volume_gal" };
            let mut rules: Vec<RuleUsed> =
                self.law.find(id, start).map(|l| l.rule).into_iter().collect();
            let last_day = self.law.last_day(start, &limit);
            rules.push(limit.rule);
            let Some(subject) = subject(SubjectKind::Area, &excess.area) else { continue };
            out.push(self.clock(Draft {
                kind: ClockKind::SatelliteExcess,
                subject,
                start,
                last_day,
                category: None,
                rules,
                notes: if excess.acute { vec![ClockNote::Acute] } else { vec![] },
                entries: vec![began],
            }));
        }
    }

    /// Central areas in which waste stands (none is prescribed for satellite areas).
    pub(super) fn inspections(&self, out: &mut Vec<Clock>) {
        let now = self.now.as_millisecond();
        let areas: BTreeSet<Label> = self
            .on_site()
            .filter_map(|c| c.area(now))
            .filter(|a| a.area == AreaKind::Central)
            .map(|a| a.location)
            .collect();
        for area in areas {
            let told = self.state.waste.inspections_of(self.site.site, &area);
            let last = told.and_then(|t| t.iter().rfind(|m| m.time_ms <= now));
            // Since when waste stands there matters only as far as nobody looked since.
            let looked =
                last.map(|m| (m, self.occupied(&self.site.since(m.time_ms), m.time_ms, &area)));
            let (start_ms, last) = match looked {
                Some((last, None)) => (last.time_ms, Some(last)),
                Some((_, Some(Some(since)))) => (since, None),
                Some((_, Some(None))) => continue,
                None => {
                    let since = self.site.look_back(now, |containers, from_ms| {
                        self.occupied(containers, from_ms, &area)
                    });
                    let Some(since) = since.flatten() else { continue };
                    (since, None)
                }
            };
            let start = self.law.days.day(start_ms);
            let Some(limit) = self
                .law
                .find("us.inspection.gap_days", start)
                .or_else(|| self.law.find("shop.inspection_gap_days", start))
            else {
                continue;
            };
            let Some(subject) = subject(SubjectKind::Area, &area) else { continue };
            // The entries: the last inspection, or what brought waste into the area.
            let entries = match last {
                Some(last) => vec![last.seq],
                None => self
                    .on_site()
                    .filter(|c| c.area(now).is_some_and(|a| a.location == area))
                    .filter_map(|c| c.clock_start().map(|(_, seq)| seq))
                    .collect(),
            };
            out.push(self.clock(Draft {
                kind: ClockKind::Inspection,
                subject,
                start,
                // A gap of exactly the limit is in time; the strict day count is for time limits.
                last_day: Day(plus_days(start.0, limit.whole())),
                category: None,
                rules: vec![limit.rule],
                notes: vec![],
                entries,
            }));
        }
    }

    /// Since when waste that counts stands in a central area, now, told by the containers there were
    /// since `from_ms`; `None`: since then, or before.
    fn occupied(
        &self,
        containers: &[Rc<Container<'_>>],
        from_ms: i64,
        area: &Label,
    ) -> Option<Option<i64>> {
        let now = self.now.as_millisecond();
        let counts = |c: &Container<'_>| self.determination(c) != Some(Determination::NonHazardous);
        let occupied = areas::occupied(containers, area, counts);
        match occupied.into_iter().find(|(a, b)| *a <= now && now < *b) {
            None => Some(None),
            Some((since, _)) => (since > from_ms || from_ms == i64::MIN).then_some(Some(since)),
        }
    }
}
