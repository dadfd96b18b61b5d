//! Due days with lead times: what is still to be done, and when to remind of it.

use jiff::ToSpan;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::book::{Confidence, What};
use crate::clock::ClockReport;

/// How pressing a due day is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Urgency {
    /// The last day in law has passed.
    Overdue,
    /// Within the longest lead time.
    Due,
    /// Farther off.
    Ahead,
}

/// A due day with its reminders.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DueItem<'b> {
    /// Code of the jurisdiction.
    pub jurisdiction: &'b str,
    /// Word for the right.
    pub kind: &'b str,
    /// What must be done.
    pub what: What,
    /// For an annual fee, the year of protection it pays for, counted from 1 at grant.
    pub year_n: Option<u16>,
    /// The safe day to work to.
    pub nominal_on: Date,
    /// The last day in law.
    pub due_on: Date,
    /// Days from the day asked about to the safe day; negative once it has passed.
    pub days_left: i32,
    /// How pressing it is.
    pub urgency: Urgency,
    /// Days on which to remind, each a lead time before the safe day; those already past are left
    /// out.
    pub remind_on: Vec<Date>,
    /// The law.
    pub law: &'b str,
    /// How well the law is known.
    pub confidence: Confidence,
}

impl<'b> DueItem<'b> {
    /// A due day seen from `as_of` with lead times in days.
    pub(crate) fn new(
        (jurisdiction, kind): (&'b str, &'b str),
        (what, year_n): (What, Option<u16>),
        (nominal_on, due_on): (Date, Date),
        (law, confidence): (&'b str, Confidence),
        as_of: Date,
        lead_days: &[u16],
    ) -> Self {
        let days_left = as_of.duration_until(nominal_on).as_hours() / 24;
        let longest = lead_days.iter().copied().max().unwrap_or(0);
        let mut remind_on: Vec<_> = lead_days
            .iter()
            .map(|days| nominal_on.saturating_sub(i64::from(*days).days()))
            .filter(|on| *on >= as_of)
            .collect();
        remind_on.sort_unstable();
        remind_on.dedup();
        Self {
            jurisdiction,
            kind,
            what,
            year_n,
            nominal_on,
            due_on,
            days_left: i32::try_from(days_left).expect("events lie within a few centuries"),
            urgency: if due_on < as_of {
                Urgency::Overdue
            } else if days_left <= i64::from(longest) {
                Urgency::Due
            } else {
                Urgency::Ahead
            },
            remind_on,
            law,
            confidence,
        }
    }
}

impl<'b> ClockReport<'b> {
    /// What is still to be done, earliest first, with reminders at these lead times in days before
    /// the unrolled day. Deadlines shown to be met, and filing deadlines once filed, are left out.
    pub fn due_list(&self, as_of: Date, lead_days: &[u16]) -> Vec<DueItem<'b>> {
        let mut items: Vec<_> = self
            .deadlines
            .iter()
            .filter(|deadline| deadline.met.is_none())
            .filter(|deadline| {
                // A late claim is asked for only once the timely one is missed.
                deadline.what != What::PetitionLatePriorityBy
                    || self
                        .first(What::ClaimPriorityBy)
                        .is_none_or(|claim| claim.due_on < as_of)
            })
            .map(|deadline| {
                DueItem::new(
                    (self.jurisdiction, self.kind),
                    (deadline.what, None),
                    (deadline.nominal_on, deadline.due_on),
                    (deadline.law, deadline.confidence),
                    as_of,
                    lead_days,
                )
            })
            .collect();
        items.sort_by_key(|item| (item.nominal_on, item.what));
        items
    }
}
