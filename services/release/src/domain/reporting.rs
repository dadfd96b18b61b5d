//! When the holder of a licence must report, and what falls due under a licence.
//!
//! Periods are those of the calendar, as quarters that begin in January, April, July and October,
//! cut at the ends of the licence and where its terms of reporting change. A period is reported
//! when reports that stand cover every day of it, and its minimum is stated when statements do.

use jiff::ToSpan as _;
use jiff::civil::Date;
use platform::Fields;
use serde::{Deserialize, Serialize};

/// Months that one report may cover.
const MONTHS: [u32; 4] = [1, 3, 6, 12];
/// Most days that a holder may be given.
const WITHIN_MAX: u32 = 365;

/// How often to report, and within how many days.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Terms {
    /// Months of the calendar that one report covers.
    pub every_months: u8,
    /// Days after the end of the period.
    pub within_days: u16,
}

impl Terms {
    /// Reads terms, noting faults under `field`.
    pub fn read(
        fields: &mut Fields,
        field: &str,
        told: &contract::release::ReportingTerms,
    ) -> Option<Self> {
        let months = told.every_months;
        fields.require(
            MONTHS.contains(&months),
            &format!("{field}/every_months"),
            format!("{months} is not one of 1, 3, 6 and 12"),
        );
        let within = told.within_days;
        fields.require(
            (1..=WITHIN_MAX).contains(&within),
            &format!("{field}/within_days"),
            format!("{within} is outside 1 to {WITHIN_MAX}"),
        );
        Some(Self {
            every_months: u8::try_from(months).ok()?,
            within_days: u16::try_from(within).ok()?,
        })
    }

    /// As the contract shows them.
    pub fn shown(self) -> contract::release::ReportingTerms {
        contract::release::ReportingTerms {
            every_months: self.every_months.into(),
            within_days: self.within_days.into(),
        }
    }

    /// The last day of the period of the calendar that holds a day.
    fn last_day_with(self, on: Date) -> Date {
        let months = i8::try_from(self.every_months).unwrap_or(12).max(1);
        let first_month = (on.month() - 1) / months * months + 1;
        let last_month = first_month.saturating_add(months - 1).min(12);
        on.with()
            .month(last_month)
            .day(1)
            .build()
            .map_or(Date::MAX, Date::last_of_month)
    }
}

/// Terms of reporting from a day on; none from the day on which they ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stretch {
    /// First day.
    pub since: Date,
    /// What holds from then on.
    pub terms: Option<Terms>,
}

/// A licence's terms of reporting as they followed one another.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Reporting(Vec<Stretch>);

impl Reporting {
    /// The terms as they now stand.
    pub fn current(&self) -> Option<Terms> {
        self.0.last().and_then(|stretch| stretch.terms)
    }

    /// With other terms from a day on; what was agreed for later is given up.
    #[must_use]
    pub fn with(mut self, since: Date, terms: Option<Terms>) -> Self {
        self.0.retain(|stretch| stretch.since < since);
        if self.current() != terms {
            self.0.push(Stretch { since, terms });
        }
        self
    }

    /// Periods whose reports fall due by a day, in order, of a licence that starts and ends so.
    fn periods(&self, starts: Date, ends: Option<Date>, until: Date) -> Vec<Period> {
        let mut periods = Vec::new();
        for (place, stretch) in self.0.iter().enumerate() {
            let Some(terms) = stretch.terms else { continue };
            let next = self.0.get(place + 1).map(|next| next.since);
            let last_day = [ends, next.and_then(|next| next.yesterday().ok())]
                .into_iter()
                .flatten()
                .min();
            let mut first = stretch.since.max(starts);
            while last_day.is_none_or(|end| first <= end) {
                let whole = terms.last_day_with(first);
                let last = last_day.map_or(whole, |end| whole.min(end));
                let due_on = last.saturating_add(i64::from(terms.within_days).days());
                if due_on > until {
                    break;
                }
                periods.push(Period {
                    first,
                    last,
                    due_on,
                });
                let Ok(next) = last.tomorrow() else { break };
                first = next;
            }
        }
        periods
    }
}

/// A period to be reported.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Period {
    /// First day.
    pub first: Date,
    /// Last day.
    pub last: Date,
    /// Day by which to report.
    pub due_on: Date,
}

impl Period {
    /// Whether stretches of days, in order and apart, cover all of it.
    fn is_covered(&self, by: &[(Date, Date)]) -> bool {
        let mut open = self.first;
        for (first, last) in by {
            if *first > open {
                break;
            }
            if *last >= self.last {
                return true;
            }
            if *last >= open {
                let Ok(next) = last.tomorrow() else {
                    return true;
                };
                open = next;
            }
        }
        false
    }
}

platform::words! {
    /// What falls due under a licence.
    pub enum Owed {
        /// A report of what was propagated.
        Report = "report_propagation",
        /// A statement that raises the royalty to its minimum where it falls short.
        Minimum = "state_minimum",
        /// The licence ends, unless it is renewed before.
        End = "licence_ends",
    }
}

/// What a licence asks for, and what was done of it.
#[derive(Debug, Clone, Default)]
pub struct Ledger {
    /// First day of the licence.
    pub starts: Date,
    /// Last day.
    pub ends: Option<Date>,
    /// Terms of reporting.
    pub reporting: Reporting,
    /// Whether the royalty has a minimum.
    pub has_minimum: bool,
    /// Days that standing reports cover, in order and apart.
    pub reported: Vec<(Date, Date)>,
    /// Days that standing statements cover, in order and apart.
    pub stated: Vec<(Date, Date)>,
}

/// Something that falls due under a licence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LicenceDue {
    /// What.
    pub what: Owed,
    /// The day.
    pub on: Date,
    /// The period it is for; none for the end of the licence.
    pub period: Option<Period>,
}

impl LicenceDue {
    /// What names it within its licence.
    pub fn key(&self) -> String {
        use platform::fields::Words as _;
        let on = self.period.map_or(self.on, |period| period.first);
        format!("{}.{on}", self.what.word())
    }
}

impl Ledger {
    /// What is owed as of a day and falls due by another, earliest first. A licence that has ended
    /// asks for its last reports and no more.
    pub fn due(&self, as_of: Date, until: Date) -> Vec<LicenceDue> {
        let mut due = Vec::new();
        for period in self.reporting.periods(self.starts, self.ends, until) {
            let owed = |what| LicenceDue {
                what,
                on: period.due_on,
                period: Some(period),
            };
            if !period.is_covered(&self.reported) {
                due.push(owed(Owed::Report));
            }
            if self.has_minimum && !period.is_covered(&self.stated) {
                due.push(owed(Owed::Minimum));
            }
        }
        if let Some(on) = self.ends.filter(|on| (as_of..=until).contains(on)) {
            due.push(LicenceDue {
                what: Owed::End,
                on,
                period: None,
            });
        }
        due.sort_by_key(|due| due.on);
        due
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;

    fn every(months: u8, within_days: u16) -> Option<Terms> {
        Some(Terms {
            every_months: months,
            within_days,
        })
    }

    fn ledger() -> Ledger {
        Ledger {
            starts: date(2025, 2, 10),
            ends: Some(date(2026, 5, 20)),
            reporting: Reporting::default().with(date(2025, 2, 10), every(6, 30)),
            ..Ledger::default()
        }
    }

    fn told(due: &[LicenceDue]) -> Vec<(Owed, Date)> {
        due.iter().map(|due| (due.what, due.on)).collect()
    }

    #[test]
    fn periods_are_cut_at_the_licences_ends() {
        let all = ledger().reporting.periods(
            date(2025, 2, 10),
            Some(date(2026, 5, 20)),
            date(2030, 1, 1),
        );
        let days: Vec<_> = all.iter().map(|p| (p.first, p.last, p.due_on)).collect();
        assert_eq!(
            days,
            [
                (date(2025, 2, 10), date(2025, 6, 30), date(2025, 7, 30)),
                (date(2025, 7, 1), date(2025, 12, 31), date(2026, 1, 30)),
                (date(2026, 1, 1), date(2026, 5, 20), date(2026, 6, 19)),
            ]
        );
    }

    #[test]
    fn other_terms_cut_the_running_period() {
        let monthly = ledger().reporting.with(date(2025, 8, 15), every(1, 10));
        let all = monthly.periods(date(2025, 2, 10), None, date(2025, 11, 1));
        let days: Vec<_> = all.iter().map(|p| (p.first, p.last)).collect();
        assert_eq!(
            days,
            [
                (date(2025, 2, 10), date(2025, 6, 30)),
                (date(2025, 7, 1), date(2025, 8, 14)),
                (date(2025, 8, 15), date(2025, 8, 31)),
                (date(2025, 9, 1), date(2025, 9, 30)),
            ]
        );
        // The same terms agreed again change nothing.
        assert_eq!(
            monthly.clone().with(date(2025, 12, 1), every(1, 10)),
            monthly
        );
        assert_eq!(monthly.with(date(2025, 9, 1), None).current(), None);
    }

    #[test]
    fn what_is_reported_is_owed_no_more_and_the_end_stands_until_it_is_past() {
        let mut own = ledger();
        let (as_of, until) = (date(2026, 2, 1), date(2026, 12, 31));
        use Owed as O;
        assert_eq!(
            told(&own.due(as_of, until)),
            [
                (O::Report, date(2025, 7, 30)),
                (O::Report, date(2026, 1, 30)),
                (O::End, date(2026, 5, 20)),
                (O::Report, date(2026, 6, 19)),
            ]
        );
        // A period in two reports, and a gap of one day in the next.
        own.reported = vec![
            (date(2025, 2, 1), date(2025, 4, 30)),
            (date(2025, 5, 1), date(2025, 6, 30)),
            (date(2025, 7, 2), date(2025, 12, 31)),
        ];
        own.has_minimum = true;
        own.stated = vec![(date(2025, 1, 1), date(2025, 12, 31))];
        assert_eq!(
            told(&own.due(date(2026, 5, 21), until)),
            [
                (O::Report, date(2026, 1, 30)),
                (O::Report, date(2026, 6, 19)),
                (O::Minimum, date(2026, 6, 19)),
            ]
        );
        let keys: Vec<_> = own.due(as_of, until).iter().map(LicenceDue::key).collect();
        assert_eq!(keys[0], "report_propagation.2025-07-01");
        assert_eq!(keys[1], "licence_ends.2026-05-20");
    }

    fn terms() -> impl Strategy<Value = Option<Terms>> {
        proptest::option::of((proptest::sample::select(vec![1_u8, 3, 6, 12]), 1_u16..=365))
            .prop_map(|terms| {
                terms.map(|(every_months, within_days)| Terms {
                    every_months,
                    within_days,
                })
            })
    }

    proptest! {
        #[test]
        fn periods_follow_each_other_without_gaps_and_no_day_precedes_its_period(
            start_n in 0_i64..3000,
            length_n in proptest::option::of(0_i64..3000),
            changes in proptest::collection::vec((0_i64..3000, terms()), 0..4),
            first in terms(),
        ) {
            let starts = date(2015, 1, 1).saturating_add(start_n.days());
            let ends = length_n.map(|n| starts.saturating_add(n.days()));
            let mut reporting = Reporting::default().with(starts, first);
            for (after_n, terms) in changes {
                reporting = reporting.with(starts.saturating_add(after_n.days()), terms);
            }
            let periods = reporting.periods(starts, ends, date(2035, 1, 1));
            for period in &periods {
                prop_assert!(period.first <= period.last && period.last < period.due_on);
                prop_assert!(period.first >= starts);
                prop_assert!(ends.is_none_or(|end| period.last <= end));
                prop_assert_eq!(period.first.year(), period.last.year());
            }
            for pair in periods.windows(2) {
                prop_assert!(pair[0].last < pair[1].first);
            }
            // All that was owed is covered by reports of the same periods.
            let reported: Vec<_> = periods.iter().map(|p| (p.first, p.last)).collect();
            let own = Ledger { starts, ends, reporting, has_minimum: true, stated: reported.clone(), reported };
            let due = own.due(starts, date(2035, 1, 1));
            prop_assert!(due.iter().all(|due| due.what == Owed::End));
        }
    }
}
