//! What a fitted threshold model says: heritabilities, tests, means and probabilities.

use faer::Mat;
use statrs::distribution::{Continuous, ContinuousCDF, Normal};

use super::{GaussHermite, LiabilityEffect, ThresholdFit, inverse};
use crate::mixed::ModelError;
use crate::mixed::design::MeanRows;
use crate::mixed::inference::upper_chi_squared;

/// Heritability of single records of a categorical trait.
#[derive(Debug, Clone, PartialEq)]
pub struct LiabilityHeritability {
    /// Share of the liability's variance (all random terms and the residual) that the term has.
    pub liability: f64,
    /// Its standard error by the delta method; `None` at the boundary.
    pub liability_se: Option<f64>,
    /// For a binary trait, the share of the variance of 0 and 1 that is additive,
    /// h2 z^2 / (p (1 - p)) with z the normal ordinate at the threshold of the incidence p
    /// (Dempster and Lerner 1950, from memory). With the logistic link the normal ordinate is an
    /// approximation.
    pub observed: Option<f64>,
    /// Share of observations with the event, for a binary trait.
    pub incidence: Option<f64>,
}

/// Wald test of a fixed term on the liability scale.
#[derive(Debug, Clone, PartialEq)]
pub struct ChiSquaredTest {
    /// The term.
    pub term: String,
    /// Wald statistic.
    pub chi_squared: f64,
    /// Degrees of freedom.
    pub df: usize,
    /// P value; the test is asymptotic.
    pub p: f64,
}

/// A level of a fixed factor, other factors averaged in equal parts and covariates at their means.
#[derive(Debug, Clone, PartialEq)]
pub struct CategoryMean {
    /// Level of each factor of the term.
    pub levels: Vec<String>,
    /// Mean liability: above the threshold for a binary trait, above zero on the scale of the cut
    /// points for an ordinal one.
    pub liability: LiabilityEffect,
    /// Probability of each category where all random effects are zero.
    pub typical: Vec<f64>,
    /// Probability of each category averaged over the random effects.
    pub average: Vec<f64>,
    /// For a binary trait, limits of the 95 % interval of the typical probability of the event.
    pub typical_interval: Option<(f64, f64)>,
}

impl ThresholdFit {
    /// Probability of each category at a mean liability.
    fn probabilities(&self, mean: f64) -> Vec<f64> {
        let cuts = &self.point.cuts;
        (0..=cuts.len())
            .map(|c| {
                let upper = cuts.get(c).map_or(f64::INFINITY, |cut| cut - mean);
                let lower = c
                    .checked_sub(1)
                    .map_or(f64::NEG_INFINITY, |k| cuts[k] - mean);
                self.link.between(upper, lower)
            })
            .collect()
    }

    /// Probability of each category with an effect added to the fixed effects of all records.
    pub(super) fn probabilities_with(&self, effect: f64) -> Vec<f64> {
        let mut sum = vec![0.0; self.point.cuts.len() + 1];
        for (mean, share) in &self.predictors {
            for (s, p) in sum.iter_mut().zip(self.probabilities(mean + effect)) {
                *s += share * p;
            }
        }
        sum
    }

    /// Heritability by a random term (entries, or plants with their relationship).
    ///
    /// # Errors
    /// No such random term.
    pub fn heritability(&self, term: &str) -> Result<LiabilityHeritability, ModelError> {
        let own = self.random_term(term)?;
        let total: f64 =
            self.random.iter().map(|r| r.variance).sum::<f64>() + self.link.residual_variance();
        let liability = own.variance / total;
        let mut gradient = vec![0.0; self.covariance.nrows()];
        for (k, other) in self.random.iter().enumerate() {
            if let (Some(place), Some(deviation)) =
                (self.point.place_of(k), self.point.deviations[k])
            {
                let direct = if other.name == own.name {
                    1.0 / total
                } else {
                    0.0
                };
                gradient[place] = 2.0 * deviation * (direct - own.variance / (total * total));
            }
        }
        let spread = form(&self.covariance, &gradient);
        let incidence = self
            .binary
            .then(|| self.observed_n[1] / self.observed_n.iter().sum::<f64>());
        let observed = incidence.map(|p| {
            let normal = Normal::standard();
            let z = normal.pdf(normal.inverse_cdf(p));
            liability * z * z / (p * (1.0 - p))
        });
        Ok(LiabilityHeritability {
            liability,
            liability_se: (!own.boundary).then(|| spread.max(0.0).sqrt()),
            observed,
            incidence,
        })
    }

    /// A linear function of the kept coefficients (the general mean first) as an effect.
    fn function(&self, name: String, row: &[f64]) -> LiabilityEffect {
        let n_cuts = self.point.cuts.len();
        let mut gradient = vec![0.0; self.covariance.nrows()];
        // The general mean of a binary trait is minus its cut point.
        if self.binary {
            gradient[0] = -row[0];
        }
        gradient[n_cuts..n_cuts + row.len() - 1].copy_from_slice(&row[1..]);
        let free = self.point.free();
        LiabilityEffect {
            name,
            estimate: gradient.iter().zip(&free).map(|(g, x)| g * x).sum(),
            se: form(&self.covariance, &gradient).max(0.0).sqrt(),
        }
    }

    /// Wald tests of the fixed terms, as [`crate::mixed::Fit::fixed_tests`] on the liability
    /// scale.
    ///
    /// # Errors
    /// Contrasts that are not independent.
    pub fn fixed_tests(&self) -> Result<Vec<ChiSquaredTest>, ModelError> {
        let mut tests = Vec::new();
        let n_cuts = self.point.cuts.len();
        for term in &self.design.terms {
            let rows = self.design.term_contrasts(term);
            if rows.is_empty() {
                continue;
            }
            let q = rows.len();
            let p = self.point.slopes.len();
            let l = Mat::from_fn(q, p, |i, j| rows[i][j + 1]);
            let slopes = Mat::from_fn(p, 1, |j, _| self.point.slopes[j]);
            let v = Mat::from_fn(p, p, |i, j| self.covariance[(n_cuts + i, n_cuts + j)]);
            let middle =
                inverse(&(&l * v * l.transpose())).ok_or_else(|| ModelError::NotEstimable {
                    what: format!("the test of `{term}`"),
                    why: "its contrasts are not independent".to_owned(),
                })?;
            let estimate = &l * slopes;
            let chi_squared = (estimate.transpose() * middle * &estimate)[(0, 0)];
            tests.push(ChiSquaredTest {
                term: term.to_string(),
                chi_squared,
                df: q,
                p: upper_chi_squared(chi_squared, q),
            });
        }
        Ok(tests)
    }

    /// Means of a fixed factor (`rootstock`) or combination (`site:rootstock`) with the
    /// probability of every category.
    ///
    /// # Errors
    /// A factor that the fixed part does not have, or empty cells throughout.
    pub fn category_means(&self, term: &str) -> Result<Vec<CategoryMean>, ModelError> {
        let MeanRows { rows, labels, .. } = self.design.mean_rows(term)?;
        if rows.is_empty() {
            return Err(ModelError::NotEstimable {
                what: format!("the means of `{term}`"),
                why: "every combination has empty cells".to_owned(),
            });
        }
        let spread: f64 = self.random.iter().map(|r| r.variance).sum();
        let rule = GaussHermite::new(40);
        Ok(rows
            .iter()
            .zip(labels)
            .map(|(row, levels)| {
                let liability = self.function(levels.join(":"), row);
                // On the scale of the cut points a binary trait's general mean is minus the cut.
                let shift = if self.binary { self.point.cuts[0] } else { 0.0 };
                let mean = liability.estimate + shift;
                let typical = self.probabilities(mean);
                let average = (0..typical.len())
                    .map(|c| rule.normal_mean(mean, spread, |m| self.probabilities(m)[c]))
                    .collect();
                let (low, high) = liability.interval();
                CategoryMean {
                    levels,
                    typical,
                    average,
                    typical_interval: self
                        .binary
                        .then(|| (self.link.below(low), self.link.below(high))),
                    liability,
                }
            })
            .collect())
    }
}

fn form(matrix: &Mat<f64>, x: &[f64]) -> f64 {
    let mut sum = 0.0;
    for (i, a) in x.iter().enumerate() {
        for (j, b) in x.iter().enumerate() {
            sum += a * b * matrix[(i, j)];
        }
    }
    sum
}
