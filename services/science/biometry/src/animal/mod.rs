//! Animal model: breeding values of all plants of a pedigree, measured or not, from records and
//! the sparse inverse of the relationship matrix (Henderson 1976; Mrode 2014 ch. 3, read).
//!
//! [`fit`] finds the variances by restricted likelihood, [`solve`] takes them as known; both give
//! prediction error variances. For pedigrees of a million plants, [`gradients`] solves the same
//! equations iteratively.

pub mod gradients;
#[cfg(test)]
mod tests;

use std::collections::HashMap;
use std::sync::Arc;

use crate::data::Frame;
use crate::mixed::{self, Fit, Model, ModelError, Relationship, Variances};

/// What is recorded and how: a single trait with additive and, for plants with several records,
/// permanent environmental effects.
#[derive(Debug, Clone)]
pub struct AnimalModel {
    model: Model,
    plant: String,
    permanent: Option<String>,
}

/// Variances of an animal model.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AnimalVariances {
    /// Additive genetic variance.
    pub additive: f64,
    /// Variance of the lasting differences among plants that are not additive (only with
    /// [`AnimalModel::repeated`]).
    pub permanent: Option<f64>,
    /// Residual variance.
    pub residual: f64,
}

impl AnimalVariances {
    /// Narrow-sense heritability of one record.
    #[must_use]
    pub fn heritability(&self) -> f64 {
        self.additive / self.total()
    }

    /// Repeatability: correlation between records of one plant.
    #[must_use]
    pub fn repeatability(&self) -> f64 {
        (self.additive + self.permanent.unwrap_or(0.0)) / self.total()
    }

    fn total(&self) -> f64 {
        self.additive + self.permanent.unwrap_or(0.0) + self.residual
    }
}

/// Breeding value of one plant.
#[derive(Debug, Clone, PartialEq)]
pub struct BreedingValue {
    /// The plant.
    pub plant: String,
    /// Predicted breeding value, in units of the trait.
    pub value: f64,
    /// Prediction error variance.
    pub prediction_error_variance: f64,
    /// Inbreeding coefficient F of the plant, from the relationship matrix.
    pub inbreeding: f64,
    /// Reliability 1 - PEV / ((1 + F) s2a); `None` when the additive variance is zero.
    pub reliability: Option<f64>,
    /// Reliability 1 - PEV / s2a, as many texts give it.
    pub reliability_ignoring_inbreeding: Option<f64>,
}

impl BreedingValue {
    /// Standard error of prediction.
    #[must_use]
    pub fn se(&self) -> f64 {
        self.prediction_error_variance.max(0.0).sqrt()
    }

    /// Accuracy: correlation of true and predicted value, the root of the reliability.
    #[must_use]
    pub fn accuracy(&self) -> Option<f64> {
        self.reliability.map(|r| r.max(0.0).sqrt())
    }
}

/// A solved animal model.
#[derive(Debug)]
pub struct AnimalFit {
    /// The underlying mixed model: fixed effects, tests, diagnostics.
    pub fit: Fit,
    /// Variances, estimated or given.
    pub variances: AnimalVariances,
    /// One per plant of the pedigree, in its order.
    pub breeding_values: Vec<BreedingValue>,
}

impl AnimalModel {
    /// A model with the given response and fixed terms (`brix ~ site`); `plant` is the column
    /// that names the plant of each record.
    ///
    /// # Errors
    /// A formula that cannot be read.
    pub fn new(
        formula: &str,
        plant: &str,
        relationship: Arc<Relationship>,
    ) -> Result<Self, ModelError> {
        let quoted = format!("\"{plant}\"");
        Ok(Self {
            model: Model::new(formula)?.random_related(&quoted, relationship)?,
            plant: plant.to_owned(),
            permanent: None,
        })
    }

    /// Adds a permanent environmental effect of the plant (repeatability model). `same_plant` is a
    /// column with the same labels as the plant column, or the plant column itself.
    ///
    /// # Errors
    /// A name that cannot be read.
    pub fn repeated(mut self, same_plant: &str) -> Result<Self, ModelError> {
        self.model = self.model.random(&format!("\"{same_plant}\""))?;
        self.permanent = Some(same_plant.to_owned());
        Ok(self)
    }

    /// The name of the plant column.
    #[must_use]
    pub fn plant(&self) -> &str {
        &self.plant
    }

    /// The underlying mixed model, to which further random terms may be added before the fit.
    #[must_use]
    pub fn mixed(&self) -> &Model {
        &self.model
    }
}

/// Diagonal of A from its sparse inverse, by levels.
fn relationship_diagonal(relationship: &Relationship) -> Result<Vec<f64>, ModelError> {
    mixed::inverse_diagonal(relationship.levels().len(), relationship.lower()).ok_or_else(|| {
        ModelError::Relationship {
            what: "the inverse is not positive definite".to_owned(),
        }
    })
}

fn finish(model: &AnimalModel, fit: Fit) -> Result<AnimalFit, ModelError> {
    let relationship = model.model.random_terms()[0].relationship.clone();
    let diagonal = match &relationship {
        Some(relationship) => relationship_diagonal(relationship)?,
        None => Vec::new(),
    };
    let additive = fit.random()[0].variance();
    let variances = AnimalVariances {
        additive,
        permanent: model.permanent.as_ref().map(|_| fit.random()[1].variance()),
        residual: fit.residual().variances[0].variance,
    };
    let breeding_values = fit.random()[0]
        .levels
        .iter()
        .zip(&diagonal)
        .map(|(level, own)| {
            let pev = level.prediction_error_variances[0];
            let reliability = |scale: f64| (additive > 0.0).then(|| 1.0 - pev / (scale * additive));
            BreedingValue {
                plant: level.level.clone(),
                value: level.effects[0],
                prediction_error_variance: pev,
                inbreeding: own - 1.0,
                reliability: reliability(*own),
                reliability_ignoring_inbreeding: reliability(1.0),
            }
        })
        .collect();
    Ok(AnimalFit {
        fit,
        variances,
        breeding_values,
    })
}

/// Estimates the variances by restricted likelihood and predicts breeding values.
///
/// # Errors
/// As [`mixed::fit`].
pub fn fit(frame: &Frame, model: &AnimalModel) -> Result<AnimalFit, ModelError> {
    finish(model, mixed::fit(frame, &model.model)?)
}

/// Predicts breeding values at known variances.
///
/// # Errors
/// As [`mixed::fit_with_variances`].
pub fn solve(
    frame: &Frame,
    model: &AnimalModel,
    variances: AnimalVariances,
) -> Result<AnimalFit, ModelError> {
    let mut random = vec![vec![vec![variances.additive]]];
    if model.permanent.is_some() {
        let permanent = variances.permanent.ok_or_else(|| ModelError::Variances {
            what: "a model with repeated records needs a permanent environmental variance"
                .to_owned(),
        })?;
        random.push(vec![vec![permanent]]);
    }
    let given = Variances {
        random,
        residual: vec![variances.residual],
        autocorrelations: Vec::new(),
    };
    finish(
        model,
        mixed::fit_with_variances(frame, &model.model, &given)?,
    )
}

/// Positions of labels among the levels of a relationship matrix.
///
/// # Errors
/// A label that is not among them.
pub fn positions_of(
    relationship: &Relationship,
    labels: &[&str],
) -> Result<Vec<usize>, ModelError> {
    let place: HashMap<&str, usize> = relationship
        .levels()
        .iter()
        .enumerate()
        .map(|(k, l)| (l.as_str(), k))
        .collect();
    labels
        .iter()
        .map(|label| {
            place
                .get(label)
                .copied()
                .ok_or_else(|| ModelError::NotRelated {
                    term: "plant".to_owned(),
                    level: (*label).to_owned(),
                })
        })
        .collect()
}
