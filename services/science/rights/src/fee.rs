//! Annual fees: what is due when, with lead times, and whether a right has lapsed for want of them.

use serde::{Deserialize, Serialize};

use crate::book::Confidence;

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
