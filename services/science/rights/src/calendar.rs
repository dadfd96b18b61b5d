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
