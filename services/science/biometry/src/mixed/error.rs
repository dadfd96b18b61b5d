//! What can stand in the way of an analysis.

use crate::data::DataError;
use crate::formula::FormulaError;

/// Why a model cannot be fitted; the message names the term and the remedy.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ModelError {
    /// A column is missing or of the wrong kind.
    #[error(transparent)]
    Data(#[from] DataError),
    /// A formula cannot be read.
    #[error(transparent)]
    Formula(#[from] FormulaError),
    /// The trait has no record with all variables of the model.
    #[error(
        "trait `{trait_name}` has no record with a value and all variables of the model; check the missing values of {variables}"
    )]
    AllMissing {
        /// The response.
        trait_name: String,
        /// Variables of the model.
        variables: String,
    },
    /// The trait does not vary after the fixed terms.
    #[error(
        "trait `{0}` does not vary once the fixed terms are fitted; there is nothing to analyse"
    )]
    NoVariation(String),
    /// A factor has one level among the records used.
    #[error(
        "factor `{factor}` has only the level `{level}` among the records used; leave it out or add records of other levels"
    )]
    OneLevel {
        /// The factor.
        factor: String,
        /// Its only level.
        level: String,
    },
    /// As many fixed coefficients as records, or more.
    #[error(
        "{records} records cannot carry {coefficients} fixed coefficients and a residual; use fewer fixed terms or more records"
    )]
    TooFewRecords {
        /// Records used.
        records: usize,
        /// Estimable fixed coefficients.
        coefficients: usize,
    },
    /// A fixed term wholly determined by others.
    #[error(
        "fixed term `{term}` is confounded with {with}; leave one of them out, or take one of them as random"
    )]
    ConfoundedFixed {
        /// The term none of whose columns can be estimated.
        term: String,
        /// The terms that determine it.
        with: String,
    },
    /// A random term that cannot be told from another part of the model.
    #[error("random term `{term}` cannot be told from {with}; leave one of them out")]
    ConfoundedRandom {
        /// The random term.
        term: String,
        /// What it is confounded with.
        with: String,
    },
    /// Records whose level is not in the relationship matrix.
    #[error(
        "level `{level}` of `{term}` is not in its relationship matrix; add it to the pedigree or drop its records"
    )]
    NotRelated {
        /// The random term.
        term: String,
        /// The level.
        level: String,
    },
    /// Fixed effects of a categorical trait that run to infinity.
    #[error(
        "{what} separates the categories: {why}; merge the level with another, take the factor as random or leave it out"
    )]
    Separated {
        /// The level or coefficients.
        what: String,
        /// What was seen.
        why: String,
    },
    /// A fault in the analysis of one site.
    #[error("site `{site}`: {problem}")]
    AtSite {
        /// The site.
        site: String,
        /// The fault.
        problem: Box<ModelError>,
    },
    /// A relationship matrix that cannot be used.
    #[error("relationship matrix: {what}")]
    Relationship {
        /// What is wrong with it.
        what: String,
    },
    /// Plot positions that do not make a grid.
    #[error("row and column positions: {what}")]
    Grid {
        /// What is wrong with them.
        what: String,
    },
    /// A request about a term or level that the model does not have.
    #[error("the model has no {what}")]
    Absent {
        /// What was asked for.
        what: String,
    },
    /// A quantity the data cannot give.
    #[error("{what} cannot be estimated: {why}")]
    NotEstimable {
        /// The quantity.
        what: String,
        /// The reason.
        why: String,
    },
    /// Given variances that do not fit the model.
    #[error("given variances: {what}")]
    Variances {
        /// What is wrong with them.
        what: String,
    },
    /// The likelihood was not maximised; there are no estimates to rank by.
    #[error(
        "the analysis did not converge in {iterations} iterations (largest standardised gradient {gradient:.2e}); simplify the random terms or raise the number of iterations"
    )]
    NotConverged {
        /// Iterations done.
        iterations: usize,
        /// Square root of the gradient measured against the information.
        gradient: f64,
    },
    /// The equations are not positive definite at the variances tried.
    #[error("the mixed-model equations are singular: {what}")]
    Singular {
        /// Where it happened.
        what: String,
    },
}
