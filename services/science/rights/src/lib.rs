//! Plant rights: jurisdictions, clocks, terms and denominations.
//!
//! The law stands as data under `data/`, one file a jurisdiction, each rule with its source and how
//! well it is known; see [`Book`]. [`clock()`] answers what events mean for one right in one
//! jurisdiction. Nothing here reads a clock: the day "as of" which something is asked is always a
//! parameter.

pub mod book;
pub mod calendar;
pub mod clock;
pub mod country;
pub mod denomination;
pub mod due;
mod error;
pub mod event;
pub mod fee;
pub mod marking;
pub mod question;
mod reading;
pub mod standing;

pub use book::{Book, Confidence, Jurisdiction, RouteRules, What};
pub use calendar::Calendar;
pub use clock::{ClockReport, ClockRequest, Deadline, clock};
pub use country::{CountryCode, Place};
pub use due::{DueItem, Urgency};
pub use error::RightsError;
pub use event::{Attributes, Event, EventInput, EventKind};
pub use fee::{AnnualFee, FeeSchedule, FeeState};
pub use marking::{Marking, Protection};
pub use question::{Answer, Question};
pub use standing::{CandidateAttributes, CandidateEvent, Effect, Route, Standing, WhatIf};

/// Shown with every page, reply and feed that speaks of rights.
pub const CAUTION: &str = "An aid computed from what was entered, not legal advice. The office's \
own records and a licensed patent practitioner prevail. Work to the unrolled day; never wait for \
a weekend or holiday to move it.";
