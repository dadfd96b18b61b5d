//! Annual fees: what is due when, with lead times, and whether a right may have lapsed for want of
//! them.

use jiff::ToSpan;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::RightsError;
use crate::book::{Book, Confidence, What};
use crate::calendar::{EARLIEST_EVENT, LATEST_EVENT};
use crate::due::DueItem;

/// When annual fees fall due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FeeDay {
    /// There are none.
    None,
    /// On each anniversary of grant.
    AnniversaryOfGrant,
    /// On the first day of the month before the month of each anniversary of grant.
    FirstOfMonthBeforeAnniversary,
    /// There may be fees; when they fall due was not found.
    Unknown,
}

/// A jurisdiction's annual fees for one right.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FeeRule {
    /// When they fall due.
    pub due: FeeDay,
    /// Days from grant within which the first year's fee is due, where there is one.
    #[serde(default)]
    pub first_within_days: Option<u16>,
    /// Months after the due day in which a fee can still be paid, if known.
    #[serde(default)]
    pub late_months: Option<u8>,
    /// The law.
    pub law: String,
    /// How well it is known.
    pub confidence: Confidence,
    /// What a reader should know besides.
    #[serde(default)]
    pub note: Option<String>,
}

/// The annual fees of one right.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "annual_fees")]
pub enum FeeSchedule<'b> {
    /// The law asks for none.
    None {
        /// The law.
        law: &'b str,
        /// How well it is known.
        confidence: Confidence,
    },
    /// Fees on known days.
    Yearly {
        /// One fee for each year of protection that has one, in order.
        fees: Vec<AnnualFee>,
        /// The law.
        law: &'b str,
        /// How well it is known.
        confidence: Confidence,
        /// What a reader should know besides.
        note: Option<&'b str>,
    },
    /// Fees may be due; their days were not found.
    Unknown {
        /// The law.
        law: &'b str,
        /// What a reader should know besides.
        note: Option<&'b str>,
    },
}

/// One annual fee.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct AnnualFee {
    /// The year of protection it pays for, counted from 1 at grant.
    pub year_n: u16,
    /// The day it is due; no roll is counted on.
    pub due_on: Date,
    /// The last day on which it can still be paid, if a time for late payment is known.
    pub late_until: Option<Date>,
}

/// What the fees paid say about a right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "state")]
pub enum FeeState {
    /// Nothing is owing.
    Paid,
    /// A fee's day has passed, and it can still be paid late.
    Late {
        /// The year of protection it pays for.
        year_n: u16,
        /// The last day to pay it.
        until: Date,
    },
    /// A fee's day has passed without payment told; the right may have lapsed.
    MayHaveLapsed {
        /// The year of protection it pays for.
        year_n: u16,
        /// The day it was due.
        due_on: Date,
    },
}

impl Book {
    /// The annual fees of a right granted on a day, up to the end of its term.
    ///
    /// # Errors
    /// Unknown jurisdiction or right; a grant out of range; an expiry before grant.
    pub fn fee_schedule(
        &self,
        jurisdiction: &str,
        kind: &str,
        granted_on: Date,
        expiry_on: Date,
    ) -> Result<FeeSchedule<'_>, RightsError> {
        if !(EARLIEST_EVENT..=LATEST_EVENT).contains(&granted_on) {
            return Err(RightsError::DateOutOfRange {
                field: "granted_on".to_owned(),
                value: granted_on,
                earliest: EARLIEST_EVENT,
                latest: LATEST_EVENT,
            });
        }
        if expiry_on < granted_on {
            return Err(RightsError::OutOfOrder {
                field: "expiry_on".to_owned(),
                later: "expiry",
                later_on: expiry_on,
                earlier: "grant",
                earlier_on: granted_on,
            });
        }
        let rule = &self.jurisdiction(jurisdiction)?.route(kind)?.fees;
        let law = rule.law.as_str();
        let note = rule.note.as_deref();
        let due_in_year: fn(Date, i64) -> Date = match rule.due {
            FeeDay::None => {
                return Ok(FeeSchedule::None {
                    law,
                    confidence: rule.confidence,
                });
            }
            FeeDay::Unknown => return Ok(FeeSchedule::Unknown { law, note }),
            FeeDay::AnniversaryOfGrant => |granted_on, n| granted_on.saturating_add(n.years()),
            FeeDay::FirstOfMonthBeforeAnniversary => |granted_on, n| {
                granted_on
                    .saturating_add(n.years())
                    .first_of_month()
                    .saturating_sub(1.month())
            },
        };
        let first = rule
            .first_within_days
            .map(|days| (1, granted_on.saturating_add(i64::from(days).days())));
        let later = (1_u16..)
            .take_while(|years| granted_on.saturating_add(i64::from(*years).years()) < expiry_on)
            .map(|years| (years + 1, due_in_year(granted_on, i64::from(years))));
        let fees = first
            .into_iter()
            .chain(later)
            .map(|(year_n, due_on)| AnnualFee {
                year_n,
                due_on,
                late_until: rule
                    .late_months
                    .map(|months| due_on.saturating_add(i64::from(months).months())),
            })
            .collect();
        Ok(FeeSchedule::Yearly {
            fees,
            law,
            confidence: rule.confidence,
            note,
        })
    }
}

impl FeeSchedule<'_> {
    /// What the fees paid, by year of protection, say as of a day; none when the fees' days are
    /// not known.
    pub fn state(&self, paid_years: &[u16], as_of: Date) -> Option<FeeState> {
        let fees = match self {
            Self::None { .. } => return Some(FeeState::Paid),
            Self::Unknown { .. } => return None,
            Self::Yearly { fees, .. } => fees,
        };
        let owing = fees
            .iter()
            .find(|fee| fee.due_on < as_of && !paid_years.contains(&fee.year_n));
        Some(match owing {
            None => FeeState::Paid,
            Some(AnnualFee {
                year_n,
                late_until: Some(until),
                ..
            }) if *until >= as_of => FeeState::Late {
                year_n: *year_n,
                until: *until,
            },
            Some(fee) => FeeState::MayHaveLapsed {
                year_n: fee.year_n,
                due_on: fee.due_on,
            },
        })
    }
}

impl<'b> FeeSchedule<'b> {
    /// The fees not yet paid, with reminders at these lead times in days.
    pub fn due_list(
        &self,
        jurisdiction: &'b str,
        kind: &'b str,
        paid_years: &[u16],
        as_of: Date,
        lead_days: &[u16],
    ) -> Vec<DueItem<'b>> {
        let Self::Yearly {
            fees,
            law,
            confidence,
            ..
        } = self
        else {
            return Vec::new();
        };
        fees.iter()
            .filter(|fee| !paid_years.contains(&fee.year_n))
            .map(|fee| {
                DueItem::new(
                    (jurisdiction, kind),
                    (What::AnnualFee, Some(fee.year_n)),
                    (fee.due_on, fee.due_on),
                    (law, *confidence),
                    as_of,
                    lead_days,
                )
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    fn canada() -> FeeSchedule<'static> {
        let (granted_on, expiry_on) = (date(2024, 2, 29), date(2028, 2, 28));
        Book::embedded()
            .fee_schedule("CA", "pbr", granted_on, expiry_on)
            .unwrap()
    }

    #[test]
    fn a_plant_patent_has_no_fee_and_unread_fees_are_unknown() {
        let book = Book::embedded();
        let (granted_on, expiry_on) = (date(2024, 3, 5), date(2042, 3, 1));
        let none = book
            .fee_schedule("US", "plant_patent", granted_on, expiry_on)
            .unwrap();
        assert!(matches!(none, FeeSchedule::None { .. }));
        assert_eq!(none.state(&[], date(2040, 1, 1)), Some(FeeState::Paid));
        let unknown = book
            .fee_schedule("NZ", "pvr", granted_on, expiry_on)
            .unwrap();
        assert_eq!(unknown.state(&[], date(2040, 1, 1)), None);
    }

    #[test]
    fn anniversaries_clip_and_stop_before_expiry() {
        let FeeSchedule::Yearly { fees, .. } = canada() else {
            panic!("yearly fees")
        };
        let due: Vec<_> = fees
            .iter()
            .map(|fee| (fee.year_n, fee.due_on.to_string()))
            .collect();
        let expected = [(2, "2025-02-28"), (3, "2026-02-28"), (4, "2027-02-28")];
        assert_eq!(due, expected.map(|(year_n, on)| (year_n, on.to_owned())));
    }

    #[test]
    fn an_unpaid_fee_shows_only_after_its_day() {
        let fees = canada();
        assert_eq!(fees.state(&[], date(2025, 2, 28)), Some(FeeState::Paid));
        let lapsed = FeeState::MayHaveLapsed {
            year_n: 2,
            due_on: date(2025, 2, 28),
        };
        assert_eq!(fees.state(&[], date(2025, 3, 1)), Some(lapsed));
        assert_eq!(fees.state(&[2], date(2025, 3, 1)), Some(FeeState::Paid));
    }

    #[test]
    fn european_fees_fall_on_the_first_of_the_month_before() {
        let book = Book::embedded();
        let (granted_on, expiry_on) = (date(2024, 1, 15), date(2054, 12, 31));
        let fees = book
            .fee_schedule("EU", "cpvr", granted_on, expiry_on)
            .unwrap();
        let due = fees.due_list("EU", "cpvr", &[], date(2024, 11, 10), &[60, 7]);
        assert_eq!((due[0].year_n, due[0].due_on), (Some(1), date(2024, 3, 15)));
        assert_eq!((due[1].year_n, due[1].due_on), (Some(2), date(2024, 12, 1)));
        assert_eq!(due[1].days_left, 21);
        assert_eq!(
            due[1].remind_on,
            [date(2024, 11, 24)],
            "the 60-day reminder is past"
        );
        assert_eq!(due.last().unwrap().due_on, date(2053, 12, 1));
    }

    #[test]
    fn an_expiry_before_grant_is_refused() {
        let book = Book::embedded();
        let refused = book.fee_schedule("CA", "pbr", date(2024, 1, 2), date(2024, 1, 1));
        assert!(matches!(refused, Err(RightsError::OutOfOrder { .. })));
    }
}
