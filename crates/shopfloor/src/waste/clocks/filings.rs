//! Clocks of papers: determinations to look at again, reports and notifications to file.

use super::{Clock, ClockKind, ClockNote, Desk, Draft, days_between, subject};
use crate::common::Day;
use crate::ids::SubjectKind;
use crate::waste::category::{self, Category, Month};
use crate::waste::law::{Law, RuleUsed, next_date, plus_days};

/// For longer after its year than this no report is due.
const DUE_WITHIN_YEARS: i16 = 4;

impl Desk<'_, '_> {
    /// Streams of containers on site, and of those that left in the last year.
    pub(super) fn determinations(&self, out: &mut Vec<Clock>) {
        let since = self.now.as_millisecond() - 366 * 86_400_000;
        let left = self.site.streams_left();
        for (stream, _) in left.filter(|(_, left)| left.is_none_or(|ms| ms >= since)) {
            let now = self.now.as_millisecond();
            let Some(last) = self.state.waste.determination(stream, now) else { continue };
            let start = self.law.days.day(last.time_ms);
            let Some(limit) = self.law.find("shop.determination_review_months", start) else {
                continue;
            };
            let Some(subject) = subject(SubjectKind::Stream, stream) else { continue };
            out.push(self.clock(Draft {
                kind: ClockKind::DeterminationReview,
                subject,
                start,
                last_day: self.law.last_day(start, &limit),
                category: None,
                rules: vec![limit.rule],
                notes: vec![],
                entries: vec![last.seq],
            }));
        }
    }

    /// What is filed elsewhere, in the regulator's system.
    pub(super) fn filings(&self, out: &mut Vec<Clock>) {
        self.biennial(out);
        self.renotification(out);
    }

    /// The biennial report for an odd year with a month as large generator: shown from the year's
    /// end until a quarter after the last day, unless this log issued it.
    pub(super) fn biennial(&self, out: &mut Vec<Clock>) {
        let Some((first, last)) = self.site.months_told() else { return };
        // The years that may be due, the last first: those before it were due before it.
        let first = first.year().max(self.today.0.year().saturating_sub(DUE_WITHIN_YEARS));
        for year in (first..=last.year()).rev() {
            let Some((last_day, rule)) = biennial_due(self.law, year) else { continue };
            let Some(start) = jiff::civil::Date::new(year, 12, 31).ok().map(Day) else { continue };
            let shown_until = Day(plus_days(last_day.0, 91));
            if self.today > shown_until {
                break;
            }
            if self.issued("biennial", year) {
                continue;
            }
            // Only the months of a report that is due are looked at.
            let Ok(new_year) = jiff::civil::Date::new(year, 1, 1) else { continue };
            let mut entries = Vec::new();
            for (month, totals) in self.site.months(Month::of(Day(new_year)), Month::of(start)) {
                let category = category::category(&totals.amounts, self.law, month.last());
                if category.is_some_and(|(c, _)| c == Category::Large) {
                    entries.extend(totals.entries.iter().copied());
                }
            }
            if entries.is_empty() {
                continue;
            }
            let Some(subject) = subject(SubjectKind::Site, self.site.site) else { continue };
            out.push(self.clock(Draft {
                kind: ClockKind::BiennialReport,
                subject,
                start,
                last_day,
                category: Some(Category::Large),
                rules: vec![rule],
                notes: vec![ClockNote::FiledElsewhere],
                entries,
            }));
        }
    }

    fn issued(&self, report: &str, year: i16) -> bool {
        self.state.record.reports().iter().any(|issued| {
            issued.report.report.as_str() == report
                && issued.report.site.as_ref() == Some(self.site.site)
                && issued.report.from.is_some_and(|day| day.0.year() == year)
        })
    }

    /// A reminder within the quarter before the date, for a site that was small within a year.
    fn renotification(&self, out: &mut Vec<Clock>) {
        let rules = self.law.in_force(self.today);
        let Some(rule) = rules.into_iter().find(|r| r.id == "us.renotify.sqg") else { return };
        let Some(last_day) = next_date(&rule.value, self.today) else { return };
        // The months of a year are looked at only when the date is near.
        if days_between(self.today, last_day) > 92 {
            return;
        }
        let since = Month::of(Day(plus_days(self.today.0, -365)));
        let Some((_, last)) = self.site.months_told() else { return };
        let recent = self.site.months(since, last).into_iter().filter_map(|(month, totals)| {
            category::category(&totals.amounts, self.law, month.last()).map(|(c, _)| c)
        });
        let Some(subject) = subject(SubjectKind::Site, self.site.site) else { return };
        if recent.max() == Some(Category::Small) {
            out.push(self.clock(Draft {
                kind: ClockKind::Renotification,
                subject,
                start: self.today,
                last_day,
                category: Some(Category::Small),
                rules: vec![rule],
                notes: vec![ClockNote::FiledElsewhere],
                entries: vec![],
            }));
        }
    }
}

/// The due date of the biennial report for a year; `None` for even years.
pub fn biennial_due(law: &Law<'_>, year: i16) -> Option<(Day, RuleUsed)> {
    if year % 2 == 0 {
        return None;
    }
    let new_year = Day(jiff::civil::Date::new(year.checked_add(1)?, 1, 1).ok()?);
    let rule = law.in_force(new_year).into_iter().find(|r| r.id == "us.biennial.due")?;
    Some((next_date(&rule.value, new_year)?, rule))
}
