//! Analysis of variance of designed trials and adjusted entry means.
//!
//! [`anova`] and [`anova_in_strata`] give sequential sums of squares for any fixed terms, balanced
//! or not; [`entry_means`] gives least-squares entry means that stay honest when plots are missing;
//! [`studentized_range`] serves Tukey's comparisons.

mod blocking;
mod entry_means;
pub mod studentized_range;
mod table;

pub(crate) use blocking::Absorbed;
pub use entry_means::{EntryMean, EntryMeans, EnvironmentEffect, Record, entry_means};
pub use table::{AnovaRow, AnovaTable, Residual, Stratum, Term, anova, anova_in_strata};

/// Why an analysis of variance was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AnovaError {
    /// No observed value.
    #[error("value: no record carries a value; record the trait before analysing it")]
    NoValues,
    /// A value that is not a number.
    #[error("value: record {index} is {value}; correct it or leave it missing")]
    NotFinite {
        /// Index of the record, from 0.
        index: usize,
        /// The value.
        value: f64,
    },
    /// Term and response of unlike length.
    #[error("terms: `{term}` has {term_n} levels recorded for {response_n} values; give one each")]
    UnlikeLengths {
        /// The term.
        term: String,
        /// Its length.
        term_n: usize,
        /// Length of the response.
        response_n: usize,
    },
    /// Only one entry or one level.
    #[error("{field}: only the level `{level}` occurs; nothing can be compared")]
    OneLevel {
        /// Factor.
        field: String,
        /// Its only level.
        level: String,
    },
}
