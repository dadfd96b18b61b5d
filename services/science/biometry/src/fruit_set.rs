//! Fruit set: exact intervals, tests between pollens, overdispersion and what to do next.
//!
//! [`Count`] holds fruits out of flowers. [`proportion`] has the intervals, [`tables`] the tests of
//! several counts, [`branches`] those with whole branches as units, [`overdispersion`] the beta-binomial among branches, [`pollinizer`] the judgment
//! of a pollinizer trial, [`pooled`] the set to reckon with by kind of cross and seed parent, and
//! [`outlook`] the forecast of a cross's fruit.

pub mod branches;
pub mod outlook;
pub mod overdispersion;
pub mod pollinizer;
pub mod pooled;
pub mod proportion;
pub mod tables;

use serde::{Deserialize, Serialize};

/// Events (fruits) out of trials (flowers); never more events than trials, never without trials.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "RawCount", into = "RawCount")]
pub struct Count {
    events_n: u64,
    trials_n: u64,
}

#[derive(Clone, Copy, Serialize, Deserialize)]
struct RawCount {
    events_n: u64,
    trials_n: u64,
}

impl TryFrom<RawCount> for Count {
    type Error = CountError;

    fn try_from(raw: RawCount) -> Result<Count, CountError> {
        Count::new(raw.events_n, raw.trials_n)
    }
}

impl From<Count> for RawCount {
    fn from(count: Count) -> RawCount {
        RawCount {
            events_n: count.events_n,
            trials_n: count.trials_n,
        }
    }
}

impl Count {
    /// `events_n` out of `trials_n`.
    ///
    /// # Errors
    /// Without trials, or with more events than trials.
    pub fn new(events_n: u64, trials_n: u64) -> Result<Count, CountError> {
        if trials_n == 0 {
            return Err(CountError::NoTrials);
        }
        if events_n > trials_n {
            return Err(CountError::MoreEventsThanTrials { events_n, trials_n });
        }
        Ok(Count { events_n, trials_n })
    }

    /// Events.
    #[must_use]
    pub fn events_n(self) -> u64 {
        self.events_n
    }

    /// Trials.
    #[must_use]
    pub fn trials_n(self) -> u64 {
        self.trials_n
    }

    /// Trials without the event.
    #[must_use]
    pub fn failures_n(self) -> u64 {
        self.trials_n - self.events_n
    }

    /// Events over trials.
    #[must_use]
    pub fn proportion(self) -> f64 {
        self.events_n as f64 / self.trials_n as f64
    }

    /// Sum of counts; none for an empty list.
    #[must_use]
    pub fn total(counts: &[Count]) -> Option<Count> {
        let sum = |of: fn(Count) -> u64| counts.iter().map(|c| of(*c)).sum();
        Count::new(sum(Count::events_n), sum(Count::trials_n)).ok()
    }
}

/// Why counts were refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CountError {
    /// No trials.
    #[error("flowers: 0 counted; a proportion needs at least 1 flower")]
    NoTrials,
    /// More events than trials.
    #[error("fruit: {events_n} of {trials_n} flowers; fruits cannot outnumber flowers")]
    MoreEventsThanTrials {
        /// Events.
        events_n: u64,
        /// Trials.
        trials_n: u64,
    },
    /// Fewer groups than a comparison needs.
    #[error("{field}: {found} given, at least {needed} are needed for a comparison")]
    TooFew {
        /// Field.
        field: &'static str,
        /// Found.
        found: usize,
        /// Needed.
        needed: usize,
    },
    /// A number outside its range.
    #[error("{field}: {value} is out of range; it must be {must_be}")]
    OutOfRange {
        /// Field.
        field: &'static str,
        /// The value.
        value: f64,
        /// What would be accepted.
        must_be: &'static str,
    },
}

fn in_range(
    field: &'static str,
    value: f64,
    accepted: bool,
    must_be: &'static str,
) -> Result<(), CountError> {
    if value.is_finite() && accepted {
        Ok(())
    } else {
        Err(CountError::OutOfRange {
            field,
            value,
            must_be,
        })
    }
}
