//! Periods of law and the working days of offices.
//!
//! A period runs to the corresponding day; where the month has no such day it ends on that
//! month's last day, which is the earlier and safer reading (no law on 29 February was read).

use jiff::ToSpan;
use jiff::civil::{Date, Weekday, date};
use serde::{Deserialize, Serialize};

/// A length of time as a law states it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Length {
    /// Whole years to the corresponding day.
    Years(u8),
    /// Whole months to the corresponding day.
    Months(u8),
    /// Days, the first day not counted.
    Days(u16),
    /// Months that the office sets in each case; taken from the attribute `shortened_months`.
    MonthsSetByOffice,
}

impl Length {
    /// The day on which the period ends, or `None` when the office's months are not told.
    ///
    /// Dates must lie within the years −9999 to 9700; events are checked against a far narrower
    /// range before they come here.
    pub fn end_from(self, start: Date, set_months_n: Option<u8>) -> Option<Date> {
        let span = match self {
            Self::Years(n) => i64::from(n).years(),
            Self::Months(n) => i64::from(n).months(),
            Self::Days(n) => i64::from(n).days(),
            Self::MonthsSetByOffice => i64::from(set_months_n?).months(),
        };
        Some(start.saturating_add(span))
    }
}

/// Working days of an office, as far as they are known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Calendar {
    /// Saturdays, Sundays and federal holidays within the District of Columbia (5 USC 6103) with
    /// their observed days; known from 1971. One-off closures are not held.
    UsFederalDc,
    /// Saturdays and Sundays only; the office's holidays are not held.
    WeekendsOnly,
    /// Nothing is known of the office's days.
    Unknown,
}

/// First year whose federal holidays are held (the Uniform Monday Holiday Act took effect).
const FIRST_FEDERAL_YEAR: i16 = 1971;

impl Calendar {
    /// Whether the office works on this day; `None` when its days are not known.
    pub fn is_working_day(self, day: Date) -> Option<bool> {
        let weekend = matches!(day.weekday(), Weekday::Saturday | Weekday::Sunday);
        match self {
            Self::UsFederalDc if day.year() < FIRST_FEDERAL_YEAR => None,
            Self::UsFederalDc => Some(!weekend && us_federal_holiday(day).is_none()),
            Self::WeekendsOnly => Some(!weekend),
            Self::Unknown => None,
        }
    }

    /// This day if the office works on it, else the next day on which it does; `None` when the
    /// office's days are not known.
    pub fn roll_forward(self, day: Date) -> Option<Date> {
        let mut rolled = day;
        while !self.is_working_day(rolled)? {
            rolled = rolled.saturating_add(1.day());
        }
        Some(rolled)
    }
}

/// Name of the federal holiday kept within the District of Columbia on this day, observed days
/// included: a Saturday holiday is kept on the Friday before, a Sunday holiday on the Monday
/// after (5 USC 6103(b); Executive Order 11582). Inauguration Day (20 January after every
/// presidential election) moves to Monday from a Sunday and has no rule for a Saturday.
pub fn us_federal_holiday(day: Date) -> Option<&'static str> {
    let observed = match day.weekday() {
        Weekday::Friday => {
            named_holiday(day).or_else(|| fixed_holiday(day.saturating_add(1.day())))
        }
        Weekday::Monday => named_holiday(day).or_else(|| {
            let sunday = day.saturating_sub(1.day());
            fixed_holiday(sunday).or_else(|| inauguration_day(sunday))
        }),
        _ => named_holiday(day),
    };
    observed.filter(|_| day.year() >= FIRST_FEDERAL_YEAR)
}

fn named_holiday(day: Date) -> Option<&'static str> {
    fixed_holiday(day)
        .or_else(|| weekday_holiday(day))
        .or_else(|| inauguration_day(day))
}

/// Holidays on a fixed date, which are moved when they meet a weekend.
fn fixed_holiday(day: Date) -> Option<&'static str> {
    match (day.month(), day.day()) {
        (1, 1) => Some("New Year's Day"),
        // Enacted 17 June 2021; that year's was kept on Friday the 18th.
        (6, 19) if day.year() >= 2021 => Some("Juneteenth National Independence Day"),
        (7, 4) => Some("Independence Day"),
        // Kept on the fourth Monday of October from 1971 to 1977.
        (11, 11) if day.year() >= 1978 => Some("Veterans Day"),
        (12, 25) => Some("Christmas Day"),
        _ => None,
    }
}

fn weekday_holiday(day: Date) -> Option<&'static str> {
    let nth = (day.day() - 1) / 7 + 1;
    let last = day.day() + 7 > day.days_in_month();
    match (day.month(), day.weekday(), nth) {
        (1, Weekday::Monday, 3) if day.year() >= 1986 => {
            Some("Birthday of Martin Luther King, Jr.")
        }
        (2, Weekday::Monday, 3) => Some("Washington's Birthday"),
        (5, Weekday::Monday, _) if last => Some("Memorial Day"),
        (9, Weekday::Monday, 1) => Some("Labor Day"),
        (10, Weekday::Monday, 2) => Some("Columbus Day"),
        (10, Weekday::Monday, 4) if day.year() < 1978 => Some("Veterans Day"),
        (11, Weekday::Thursday, 4) => Some("Thanksgiving Day"),
        _ => None,
    }
}

fn inauguration_day(day: Date) -> Option<&'static str> {
    (day.month() == 1 && day.day() == 20 && day.year().rem_euclid(4) == 1)
        .then_some("Inauguration Day")
}

/// Earliest date accepted for an event: the year of the United States' plant patent act.
pub const EARLIEST_EVENT: Date = date(1930, 1, 1);
/// Latest date accepted for an event.
pub const LATEST_EVENT: Date = date(2150, 12, 31);

#[cfg(test)]
mod tests {
    use super::*;

    fn holidays(year: i16) -> Vec<String> {
        date(year, 1, 1)
            .series(1.day())
            .take_while(|day| day.year() == year)
            .filter(|day| us_federal_holiday(*day).is_some())
            .map(|day| day.to_string())
            .collect()
    }

    #[test]
    fn federal_holidays_of_2026_as_observed() {
        // 4 July 2026 is a Saturday and is kept on Friday the 3rd; both count.
        let expected = "2026-01-01 2026-01-19 2026-02-16 2026-05-25 2026-06-19 2026-07-03 \
                        2026-07-04 2026-09-07 2026-10-12 2026-11-11 2026-11-26 2026-12-25";
        assert_eq!(
            holidays(2026),
            expected.split_whitespace().collect::<Vec<_>>()
        );
    }

    #[test]
    fn new_years_day_on_saturday_is_kept_in_the_old_year() {
        assert_eq!(
            us_federal_holiday(date(2021, 12, 31)),
            Some("New Year's Day")
        );
        assert_eq!(
            us_federal_holiday(date(2027, 12, 31)),
            Some("New Year's Day")
        );
        assert_eq!(us_federal_holiday(date(2026, 12, 31)), None);
    }

    #[test]
    fn juneteenth_begins_in_2021() {
        assert_eq!(us_federal_holiday(date(2020, 6, 19)), None);
        assert!(us_federal_holiday(date(2021, 6, 18)).is_some());
        assert!(us_federal_holiday(date(2022, 6, 20)).is_some());
    }

    #[test]
    fn inauguration_day_moves_from_sunday_and_not_from_saturday() {
        assert!(us_federal_holiday(date(2025, 1, 20)).is_some());
        assert!(us_federal_holiday(date(2021, 1, 20)).is_some());
        assert!(
            us_federal_holiday(date(1985, 1, 21)).is_some(),
            "20 January 1985 was a Sunday"
        );
        assert_eq!(
            us_federal_holiday(date(2029, 1, 19)),
            None,
            "20 January 2029 is a Saturday"
        );
        assert_eq!(us_federal_holiday(date(2027, 1, 20)), None);
    }

    #[test]
    fn days_that_are_not_federal_holidays() {
        assert_eq!(
            us_federal_holiday(date(2026, 11, 27)),
            None,
            "the day after Thanksgiving"
        );
        assert_eq!(
            us_federal_holiday(date(2026, 4, 16)),
            None,
            "a holiday of the District only"
        );
    }

    #[test]
    fn periods_end_on_the_corresponding_day_or_the_months_last() {
        let ends = |length: Length, y, m, d| length.end_from(date(y, m, d), None).unwrap();
        assert_eq!(ends(Length::Years(1), 2024, 2, 29), date(2025, 2, 28));
        assert_eq!(ends(Length::Years(4), 2024, 2, 29), date(2028, 2, 29));
        assert_eq!(ends(Length::Years(1), 2023, 2, 28), date(2024, 2, 28));
        assert_eq!(ends(Length::Months(3), 2026, 11, 30), date(2027, 2, 28));
        assert_eq!(ends(Length::Months(6), 2026, 8, 31), date(2027, 2, 28));
        assert_eq!(ends(Length::Months(1), 2026, 1, 31), date(2026, 2, 28));
        assert_eq!(ends(Length::Days(0), 2026, 1, 31), date(2026, 1, 31));
        assert_eq!(
            Length::MonthsSetByOffice.end_from(date(2026, 1, 31), None),
            None
        );
    }

    #[test]
    fn rolling_skips_a_whole_run_of_closed_days() {
        let roll = |y, m, d| Calendar::UsFederalDc.roll_forward(date(y, m, d)).unwrap();
        assert_eq!(
            roll(2022, 12, 31),
            date(2023, 1, 3),
            "Saturday, Sunday, observed Monday"
        );
        assert_eq!(roll(2026, 7, 3), date(2026, 7, 6));
        assert_eq!(roll(2026, 7, 6), date(2026, 7, 6));
        let christmas = date(2026, 12, 25);
        assert_eq!(
            Calendar::WeekendsOnly.roll_forward(christmas),
            Some(christmas)
        );
        assert_eq!(Calendar::Unknown.roll_forward(date(2026, 12, 26)), None);
        assert_eq!(Calendar::UsFederalDc.roll_forward(date(1969, 7, 4)), None);
    }
}
