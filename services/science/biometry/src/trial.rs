//! What a trial says of its entries in one trait: a model chosen from what its design can tell, and
//! what the records leave open about the entries' true values.
//!
//! Years of one tree are no replication of its entry, nor are trees at one site of the entry at
//! others: entries, trees, sites and years get the terms that the design can tell apart
//! ([`choice`]). Where it cannot tell entries from trees (one tree each), relatives, check varieties
//! or shares of variance known from earlier trials must; without any of these nothing is told but
//! means. Draws of the true values carry the uncertainty of every variance
//! ([`crate::mixed::Fit::variance_draws`]).

pub mod choice;
mod chosen;
mod draws;
mod fitting;
pub mod joint;
pub mod share;
#[cfg(test)]
pub(crate) mod simulated;

use std::sync::Arc;

pub use choice::{Choice, Confounded};
pub use chosen::{Chosen, figures_of};
pub use fitting::figures;
pub use share::Share;

use serde::{Deserialize, Serialize};

use crate::mixed::{ModelError, Relationship};

/// A tree of a trial; places count from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tree {
    /// Which entry or check.
    pub entry: usize,
    /// Which site.
    pub site: usize,
    /// Complete replicate at the site.
    pub replicate: i32,
    /// Incomplete block at the site.
    pub block: i32,
    /// What it stands on.
    pub rootstock: usize,
    /// Row at the site.
    pub row: i32,
    /// Place in the row.
    pub column: i32,
}

/// The mean of a tree's records in one year.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Value {
    /// Which tree.
    pub tree: usize,
    /// Year.
    pub year: i16,
    /// The value, in the trait's unit.
    pub value: f64,
}

/// How the entries are related.
#[derive(Debug, Clone)]
pub struct Relatives {
    /// Relationship of the entries and their ancestors.
    pub relationship: Arc<Relationship>,
    /// Level of every entry in it, by place; none for those that are not in the pedigree.
    pub level_of: Vec<Option<String>>,
}

/// What earlier trials of the programme say where this one cannot tell.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Past {
    /// Share of the entry in the lasting differences between single trees.
    pub of_trees: Option<Share>,
    /// Share of the entry in the differences between single records.
    pub of_records: Option<Share>,
}

/// A trait of a trial.
#[derive(Debug, Clone, Copy)]
pub struct Trial<'a> {
    /// Trees.
    pub trees: &'a [Tree],
    /// Values, one for each tree and year.
    pub values: &'a [Value],
    /// Whether each entry is a check variety.
    pub is_check: &'a [bool],
    /// Relationship, where known.
    pub relatives: Option<&'a Relatives>,
    /// Earlier trials.
    pub past: &'a Past,
}

/// A variance with its interval.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Component {
    /// What varies, as `entry × site`.
    pub name: String,
    /// Estimate, in squared units of the trait.
    pub variance: f64,
    /// 95 % of draws lie between; none where there are no draws.
    pub interval: Option<(f64, f64)>,
    /// Whether it is an effect that trees or entries bring to a single record.
    pub of_records: bool,
}

/// Adjusted mean of an entry or check.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EntryMean {
    /// Place of the entry.
    pub entry: usize,
    /// Best linear unbiased estimate, environments averaged in equal parts.
    pub mean: f64,
    /// Its standard error under the model; none where nothing is repeated.
    pub se: Option<f64>,
}

/// What is known of the true value of an entry under test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Prediction {
    /// Place of the entry.
    pub entry: usize,
    /// Expected deviation of its true value from the mean of all under test.
    pub expected: f64,
    /// Standard deviation of what is left open.
    pub sd: f64,
}

/// Draws of the true values of the entries under test, as deviations from their mean.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct TrueValues {
    /// Places of the entries.
    pub entries: Vec<usize>,
    /// Draw by draw, a value for each of the entries; kept apart from the rest, being many.
    #[serde(skip)]
    pub draws: Vec<Vec<f32>>,
}

/// What a trial says of one trait.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Figures {
    /// The model, in words.
    pub words: String,
    /// What the design cannot tell apart.
    pub confounded: Confounded,
    /// Adjusted means of all entries and checks with values.
    pub means: Vec<EntryMean>,
    /// Mean standard error of a difference between two entries.
    pub mean_sed: Option<f64>,
    /// Variances.
    pub components: Vec<Component>,
    /// Heritability of the entries' figures; none where nothing tells it.
    pub heritability: Option<f64>,
    /// Share of the variance among figures that lasts, trees taken with their entries: an upper
    /// bound of the heritability. None where entries are told from trees.
    pub repeatability: Option<f64>,
    /// How these were found, or why not.
    pub method: String,
    /// Variance of the entries' true values.
    pub genetic_variance: Option<f64>,
    /// Variance of a single record about everything else.
    pub error_variance: Option<f64>,
    /// Share of the entries in the lasting differences between single trees, with its standard
    /// deviation: what the programme's other trials may take from this one.
    pub share_of_trees: Option<(f64, f64)>,
    /// Share of the entries in the differences between single records, likewise.
    pub share_of_records: Option<(f64, f64)>,
    /// Predictions of the entries under test; empty where no interval can be told.
    pub predictions: Vec<Prediction>,
    /// Draws behind them; empty likewise.
    pub true_values: TrueValues,
    /// What a reader should know.
    pub notes: Vec<String>,
}

/// Why there are no figures.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TrialError {
    /// No values.
    #[error("no tree has a value; all are missing")]
    NoValues,
    /// A model that cannot be fitted even in its simplest form.
    #[error(transparent)]
    Model(#[from] ModelError),
}
