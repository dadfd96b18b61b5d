//! Linear mixed models by residual maximum likelihood: variance components, fixed effects (BLUE),
//! random effects (BLUP) with their prediction error variances, tests, adjusted means and
//! diagnostics.
//!
//! ```
//! use biometry::data::Frame;
//! use biometry::mixed::{Model, fit};
//!
//! let frame = Frame::new()
//!     .with_factor("block", ["1", "1", "1", "2", "2", "2"].map(Some))?
//!     .with_factor("entry", ["a", "b", "c", "a", "b", "c"].map(Some))?
//!     .with_numeric("brix", [12.1, 14.0, 13.2, 11.5, 13.9, 12.4].map(Some))?;
//! let model = Model::new("brix ~ block")?.random("entry")?;
//! let fitted = fit(&frame, &model)?;
//! assert_eq!(fitted.random()[0].levels.len(), 3);
//! # Ok::<(), biometry::mixed::ModelError>(())
//! ```
//!
//! The restricted log-likelihood is l = -1/2 [(n - p) ln 2 pi + ln|V| + ln|X'V^-1 X| +
//! r'V^-1 r], with X by treatment contrasts (first level in alphabetical order as baseline): it
//! compares models with the same fixed part only.

pub(crate) mod design;
mod diagnostics;
pub(crate) mod equations;
mod error;
pub(crate) mod inference;
mod model;
mod posterior;
mod predict;
mod relationship;
mod reml;
mod residual;
pub(crate) mod sparse;
#[cfg(test)]
mod tests;

use std::sync::OnceLock;

use faer::{Mat, Side};

pub use diagnostics::{Connectedness, RecordDiagnostics, connectedness};
pub use error::ModelError;
pub use inference::{
    DenominatorDf, FixedInference, KENWARD_ROGER_RECORDS, LikelihoodRatio, WaldTest,
    likelihood_ratio,
};
pub use model::{Across, BetweenLevels, KnownErrors, Model, RandomTerm, Residual};
pub use posterior::{EffectDraws, LevelMean, VarianceDraws, effect_draws};
pub use predict::{AdjustedMean, AdjustedMeans};
pub use relationship::Relationship;

use crate::data::Frame;
use design::Design;
use equations::Loading;
use inference::KenwardRoger;
use reml::{Free, Optimum, Parameters};

/// A fixed coefficient by treatment contrasts.
#[derive(Debug, Clone, PartialEq)]
pub struct Coefficient {
    /// `(Intercept)`, or variable and level (`siteS2`), joined by `:` for interactions.
    pub name: String,
    /// Best linear unbiased estimate, in units of the trait.
    pub estimate: f64,
    /// Model-based standard error.
    pub se: f64,
}

/// Predicted effects of one level of a random term.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelEffect {
    /// The level; those of an interaction are joined by `:`.
    pub level: String,
    /// Best linear unbiased prediction of every coefficient.
    pub effects: Vec<f64>,
    /// Prediction error variance of every coefficient, taking the variances as known.
    pub prediction_error_variances: Vec<f64>,
    /// What the estimation of the variances adds to it (Kackar and Harville 1984, Prasad and Rao
    /// 1990, from memory: twice the variance of the prediction that comes from theirs); zero when
    /// they were given.
    pub inflations: Vec<f64>,
}

impl LevelEffect {
    /// The prediction of the first coefficient (the only one unless slopes are random).
    #[must_use]
    pub fn effect(&self) -> f64 {
        self.effects[0]
    }

    /// Standard error of prediction of the first coefficient, taking the variances as known.
    #[must_use]
    pub fn se(&self) -> f64 {
        self.prediction_error_variances[0].max(0.0).sqrt()
    }

    /// Limits of the 95 % prediction interval of the first coefficient, which allow for the
    /// estimation of the variances.
    #[must_use]
    pub fn interval(&self) -> (f64, f64) {
        let variance = self.prediction_error_variances[0] + self.inflations[0];
        let half = 1.959_963_984_540_054 * variance.max(0.0).sqrt();
        (self.effect() - half, self.effect() + half)
    }
}

/// A random term after the fit.
#[derive(Debug, Clone, PartialEq)]
pub struct RandomEffect {
    /// Factors joined by `:`.
    pub name: String,
    /// `(Intercept)` and the covariates with a slope per level.
    pub coefficients: Vec<String>,
    /// Covariance matrix of the coefficients; 1 x 1 is the variance component.
    pub covariance: Vec<Vec<f64>>,
    /// Standard errors of its entries from the average information; `None` where a component is
    /// at the boundary or the variances were given.
    pub covariance_se: Option<Vec<Vec<f64>>>,
    /// Whether a variance is at zero or a correlation at one.
    pub boundary: bool,
    /// Effects by level.
    pub levels: Vec<LevelEffect>,
}

impl RandomEffect {
    /// Variance of the first coefficient.
    #[must_use]
    pub fn variance(&self) -> f64 {
        self.covariance[0][0]
    }
}

/// A residual variance.
#[derive(Debug, Clone, PartialEq)]
pub struct ResidualVariance {
    /// Level of the factor by which variances differ; `residual` when there is one.
    pub group: String,
    /// The variance.
    pub variance: f64,
    /// Its standard error from the average information.
    pub se: Option<f64>,
}

/// The residual part after the fit.
#[derive(Debug, Clone, PartialEq)]
pub struct ResidualEstimate {
    /// One variance, or one per group.
    pub variances: Vec<ResidualVariance>,
    /// Autocorrelations along rows and along columns that go with each variance, for row-column
    /// errors; none for others.
    pub autocorrelations: Vec<(f64, f64)>,
}

/// How the search for the maximum went.
#[derive(Debug, Clone, PartialEq)]
pub struct Convergence {
    /// Iterations done; 0 when the variances were given.
    pub iterations: usize,
    /// Gradient at the end, measured against the information: sqrt(s' I^-1 s).
    pub gradient: f64,
    /// Log-likelihood at the start of each iteration.
    pub log_likelihoods: Vec<f64>,
    /// Random terms with a component at the boundary.
    pub boundary: Vec<String>,
}

/// A fitted model. Only an analysis that converged becomes a `Fit`; see
/// [`ModelError::NotConverged`].
pub struct Fit {
    fixed: Vec<Coefficient>,
    random: Vec<RandomEffect>,
    residual: ResidualEstimate,
    convergence: Convergence,
    log_likelihood: f64,
    fixed_covariance: Mat<f64>,
    /// Inverse of the average information; `None` when the variances were given.
    parameter_covariance: Option<Mat<f64>>,
    design: Design,
    optimum: Optimum,
    kenward_roger: OnceLock<Result<KenwardRoger, ModelError>>,
    /// The same with components at zero among the parameters.
    kenward_roger_with_zeros: OnceLock<Result<KenwardRoger, ModelError>>,
}

impl std::fmt::Debug for Fit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Fit")
            .field("fixed", &self.fixed)
            .field("random", &self.random)
            .field("residual", &self.residual)
            .field("log_likelihood", &self.log_likelihood)
            .finish_non_exhaustive()
    }
}

/// Variances to take as known instead of estimating them.
#[derive(Debug, Clone, PartialEq)]
pub struct Variances {
    /// Covariance matrix of every random term, in the order of the model.
    pub random: Vec<Vec<Vec<f64>>>,
    /// Residual variance of every group.
    pub residual: Vec<f64>,
    /// Autocorrelations along rows and columns that go with each residual variance, for row-column
    /// errors; none for others.
    pub autocorrelations: Vec<(f64, f64)>,
}

/// Fits a model by residual maximum likelihood. Records that lack the response or any variable of
/// the model are left out.
///
/// # Errors
/// A column that is missing or of the wrong kind, a trait without records, one-level factors,
/// confounded terms (named), or a search that did not converge; see [`ModelError`].
pub fn fit(frame: &Frame, model: &Model) -> Result<Fit, ModelError> {
    let design = Design::build(frame, model)?;
    design.check_random()?;
    let optimum = reml::maximise(&design, model.max_iterations)?;
    Fit::new(design, optimum, true)
}

/// Solves a model at known variances (best linear unbiased estimates and predictions).
///
/// # Errors
/// As [`fit`], and variances that do not match the model or are not a covariance matrix.
pub fn fit_with_variances(
    frame: &Frame,
    model: &Model,
    variances: &Variances,
) -> Result<Fit, ModelError> {
    let design = Design::build(frame, model)?;
    let parameters = parameters_of(&design, variances)?;
    let optimum = reml::at(&design, parameters)?;
    Fit::new(design, optimum, false)
}

/// Known variances in the form of the search.
fn parameters_of(design: &Design, variances: &Variances) -> Result<Parameters, ModelError> {
    let fault = |what: String| ModelError::Variances { what };
    if variances.random.len() != design.random.len() {
        return Err(fault(format!(
            "{} covariance matrices for {} random terms; give one for each",
            variances.random.len(),
            design.random.len()
        )));
    }
    let mut loadings = Vec::with_capacity(design.random.len());
    for (term, covariance) in design.random.iter().zip(&variances.random) {
        let t = if term.shared {
            1
        } else {
            term.coefficients.len()
        };
        let sound = covariance.len() == t
            && covariance
                .iter()
                .all(|row| row.len() == t && row.iter().all(|v| v.is_finite()));
        let loading: Option<Loading> = match (term.shared, sound) {
            (_, false) => None,
            (true, true) => (covariance[0][0] >= 0.0).then(|| {
                let n = term.coefficients.len();
                match covariance[0][0].sqrt() {
                    0.0 => Loading::zero(n, true),
                    deviation => Loading::diagonal(&vec![deviation; n], true),
                }
            }),
            (false, true) => reml::loading_of(covariance),
        };
        loadings.push(loading.ok_or_else(|| {
            fault(format!(
                "`{}` needs a {t} x {t} covariance matrix without negative eigenvalues",
                term.name
            ))
        })?);
    }
    let groups = design.residual_groups.len();
    if variances.residual.len() != groups
        || variances
            .residual
            .iter()
            .any(|v| !(v.is_finite() && *v > 0.0))
    {
        return Err(fault(format!("give {groups} positive residual variances")));
    }
    let inside = |rho: f64| rho.abs() < 1.0;
    if variances
        .autocorrelations
        .iter()
        .any(|(r, c)| !(inside(*r) && inside(*c)))
    {
        return Err(fault("autocorrelations lie between -1 and 1".to_owned()));
    }
    let residual = design
        .residual
        .parameters_of(&variances.residual, &variances.autocorrelations)
        .ok_or_else(|| fault(format!("give {groups} pairs of autocorrelations")))?;
    Ok(Parameters { loadings, residual })
}

/// Dense positive-definite inverse.
fn inverse(matrix: &Mat<f64>) -> Option<Mat<f64>> {
    use faer::linalg::solvers::DenseSolveCore;
    let factor = matrix.llt(Side::Lower).ok()?;
    let inverse = factor.inverse();
    inverse.norm_max().is_finite().then_some(inverse)
}

/// Diagonal of the inverse of a sparse symmetric matrix given by its lower triangle; `None` when
/// it is not positive definite.
pub(crate) fn inverse_diagonal(n: usize, lower: &[(usize, usize, f64)]) -> Option<Vec<f64>> {
    let places = lower
        .iter()
        .map(|&(i, j, _)| (i as u32, j as u32))
        .collect();
    let pattern = sparse::Pattern::new(n, places);
    let mut values = vec![0.0; pattern.len()];
    lower
        .iter()
        .for_each(|&(i, j, value)| values[pattern.position(i, j)] += value);
    let inverse = pattern.selected_inverse(&pattern.factorise(&values)?);
    Some((0..n).map(|k| inverse[pattern.position(k, k)]).collect())
}

/// Labels, estimates and error covariance of the adjusted means of a term.
pub(crate) type LabelledMeans = (Vec<Vec<String>>, Vec<f64>, Mat<f64>);

impl Fit {
    fn new(design: Design, optimum: Optimum, estimated: bool) -> Result<Self, ModelError> {
        let p = design.n_kept;
        let mut fixed_covariance = Mat::zeros(p, p);
        for j in 0..p {
            let mut column = vec![0.0; optimum.system.n_equations];
            column[j] = 1.0;
            optimum
                .system
                .pattern
                .solve(&optimum.solved.factor, &mut column);
            (0..p).for_each(|i| fixed_covariance[(i, j)] = column[i]);
        }
        let fixed = design
            .columns
            .iter()
            .zip(&design.kept)
            .filter_map(|(column, kept)| kept.map(|k| (column, k)))
            .map(|(column, k)| Coefficient {
                name: column.name.clone(),
                estimate: optimum.solved.solution[k],
                se: fixed_covariance[(k, k)].max(0.0).sqrt(),
            })
            .collect();
        let parameter_covariance = if estimated {
            inverse(&optimum.derivatives.information)
        } else {
            None
        };
        let free = &optimum.derivatives.free;
        let delta_se = |gradient: &dyn Fn(Free) -> f64| {
            parameter_covariance.as_ref().map(|w| {
                let g: Vec<f64> = free.iter().map(|f| gradient(*f)).collect();
                let mut sum = 0.0;
                for (i, a) in g.iter().enumerate() {
                    for (j, b) in g.iter().enumerate() {
                        sum += a * b * w[(i, j)];
                    }
                }
                sum.max(0.0).sqrt()
            })
        };
        let slopes = match &parameter_covariance {
            Some(_) => reml::solution_slopes(&design, &optimum),
            None => Vec::new(),
        };
        let mut random = Vec::with_capacity(design.random.len());
        for (k, term) in design.random.iter().enumerate() {
            let loading = &optimum.parameters.loadings[k];
            let (t, r) = (loading.n_coefficients, loading.rank);
            let entry_se = |a: usize, b: usize| {
                delta_se(&|f| match f {
                    Free::Loading {
                        term,
                        coefficient,
                        column,
                    } if term == k => {
                        let to = |own: usize, other: usize| {
                            if own == coefficient {
                                loading.at(other, column)
                            } else {
                                0.0
                            }
                        };
                        to(a, b) + to(b, a)
                    }
                    _ => 0.0,
                })
            };
            // A smooth trend shows its one variance; other terms show their covariance matrix.
            let shown = if loading.shared { 1 } else { t };
            let covariance_se = if r == term.max_rank {
                (0..shown)
                    .map(|a| (0..shown).map(|b| entry_se(a, b)).collect())
                    .collect()
            } else {
                None
            };
            let start = optimum.system.first[k];
            let at = |level: usize, s: usize| start + level * r + s;
            // A weighted sum of a level's coefficients: prediction, error variance, inflation.
            let summary = |level: usize, weights: &[f64]| -> (f64, f64, f64) {
                let loaded: Vec<f64> = (0..r)
                    .map(|s| {
                        weights
                            .iter()
                            .enumerate()
                            .map(|(a, w)| w * loading.at(a, s))
                            .sum()
                    })
                    .collect();
                let through = |solution: &[f64]| -> f64 {
                    loaded
                        .iter()
                        .enumerate()
                        .map(|(s, l)| l * solution[at(level, s)])
                        .sum()
                };
                let effect = through(&optimum.solved.solution);
                let mut pev = 0.0;
                for (s, x) in loaded.iter().enumerate() {
                    for (u, y) in loaded.iter().enumerate() {
                        let place = optimum.system.pattern.position(at(level, s), at(level, u));
                        pev += x * y * optimum.inverse[place];
                    }
                }
                let Some(w) = &parameter_covariance else {
                    return (effect, pev, 0.0);
                };
                let slope_by = |(p, f): (usize, &Free)| -> f64 {
                    let own: f64 = match f {
                        Free::Loading { term, .. } if *term == k => optimum
                            .parameters
                            .entries(*f)
                            .into_iter()
                            .map(|(a, s)| weights[a] * optimum.solved.solution[at(level, s)])
                            .sum(),
                        _ => 0.0,
                    };
                    own + through(&slopes[p])
                };
                let d: Vec<f64> = free.iter().enumerate().map(slope_by).collect();
                let mut spread = 0.0;
                for (i, x) in d.iter().enumerate() {
                    for (j, y) in d.iter().enumerate() {
                        spread += w[(i, j)] * x * y;
                    }
                }
                (effect, pev, 2.0 * spread.max(0.0))
            };
            let level_effect = |name: String, parts: Vec<(f64, f64, f64)>| LevelEffect {
                level: name,
                effects: parts.iter().map(|p| p.0).collect(),
                prediction_error_variances: parts.iter().map(|p| p.1).collect(),
                inflations: parts.iter().map(|p| p.2).collect(),
            };
            let (coefficients, levels) = match &term.smooth {
                Some(smooth) => {
                    let knots = smooth.values.iter().zip(&smooth.basis);
                    let levels = knots
                        .map(|(x, row)| level_effect(x.to_string(), vec![summary(0, row)]))
                        .collect();
                    (vec!["(Smooth)".to_owned()], levels)
                }
                None => {
                    let units: Vec<Vec<f64>> = (0..t)
                        .map(|a| (0..t).map(|b| f64::from(a == b)).collect())
                        .collect();
                    let levels = term
                        .levels
                        .iter()
                        .enumerate()
                        .map(|(level, name)| {
                            let parts = units.iter().map(|unit| summary(level, unit)).collect();
                            level_effect(name.clone(), parts)
                        })
                        .collect();
                    (term.coefficients.clone(), levels)
                }
            };
            random.push(RandomEffect {
                name: term.name.clone(),
                coefficients,
                covariance: (0..shown)
                    .map(|a| (0..shown).map(|b| loading.covariance(a, b)).collect())
                    .collect(),
                covariance_se,
                boundary: r < term.max_rank,
                levels,
            });
        }
        let (variances, autocorrelations) = design.residual.natural(&optimum.parameters.residual);
        let residual = ResidualEstimate {
            variances: design
                .residual_groups
                .iter()
                .zip(&variances)
                .enumerate()
                .map(|(g, (group, &variance))| ResidualVariance {
                    group: group.clone(),
                    variance,
                    se: delta_se(&|f| {
                        if f == Free::Residual(g) {
                            variance
                        } else {
                            0.0
                        }
                    }),
                })
                .collect(),
            autocorrelations,
        };
        let convergence = Convergence {
            iterations: optimum.iterations,
            gradient: optimum.gradient,
            log_likelihoods: optimum.trace.clone(),
            boundary: random
                .iter()
                .filter(|r| r.boundary)
                .map(|r| r.name.clone())
                .collect(),
        };
        Ok(Self {
            fixed,
            random,
            residual,
            convergence,
            log_likelihood: optimum.solved.log_likelihood,
            fixed_covariance,
            parameter_covariance,
            design,
            optimum,
            kenward_roger: OnceLock::new(),
            kenward_roger_with_zeros: OnceLock::new(),
        })
    }

    /// L of a random term's covariance L L'.
    pub(crate) fn loading(&self, term: usize) -> &Loading {
        &self.optimum.parameters.loadings[term]
    }

    /// Equation of a level's scaled effect; `None` when the column is beyond the rank.
    pub(crate) fn equation(&self, term: usize, level: usize, column: usize) -> Option<usize> {
        let rank = self.loading(term).rank;
        (column < rank).then(|| self.optimum.system.first[term] + level * rank + column)
    }

    /// A weighted sum of scaled effects and its prediction error variance.
    pub(crate) fn sum_of_effects(&self, parts: &[(usize, f64)]) -> (f64, f64) {
        let (system, solved) = (&self.optimum.system, &self.optimum.solved);
        let effect = parts.iter().map(|(k, w)| w * solved.solution[*k]).sum();
        let mut variance = 0.0;
        for &(i, a) in parts {
            for &(j, b) in parts {
                let Some(place) = system.pattern.find(i, j) else {
                    // Effects that no record joins: one more solve.
                    let mut sum = vec![0.0; system.n_equations];
                    parts.iter().for_each(|&(k, w)| sum[k] += w);
                    let right = sum.clone();
                    system.pattern.solve(&solved.factor, &mut sum);
                    return (effect, right.iter().zip(&sum).map(|(x, y)| x * y).sum());
                };
                variance += a * b * self.optimum.inverse[place];
            }
        }
        (effect, variance)
    }

    /// Covariance of the adjusted means of a term with their labels, model-based.
    pub(crate) fn mean_covariance(&self, term: &str) -> Result<LabelledMeans, ModelError> {
        let means = self.design.mean_rows(term)?;
        let k = Mat::from_fn(means.rows.len(), self.design.n_kept, |i, j| {
            means.rows[i][j]
        });
        let covariance = &k * &self.fixed_covariance * k.transpose();
        let estimates = means
            .rows
            .iter()
            .map(|row| {
                row.iter()
                    .zip(&self.fixed)
                    .map(|(w, c)| w * c.estimate)
                    .sum()
            })
            .collect();
        Ok((means.labels, estimates, covariance))
    }

    /// Restricted log-likelihood at the estimates; see the [module](self) for its convention.
    #[must_use]
    pub fn log_likelihood(&self) -> f64 {
        self.log_likelihood
    }

    /// Number of records used.
    #[must_use]
    pub fn n_records(&self) -> usize {
        self.design.used.len()
    }

    /// Estimable fixed coefficients.
    #[must_use]
    pub fn fixed(&self) -> &[Coefficient] {
        &self.fixed
    }

    /// Names of fixed coefficients that no record or combination of records informs (empty cells,
    /// nesting); they were left out.
    pub fn aliased(&self) -> impl Iterator<Item = &str> {
        self.design
            .aliases
            .iter()
            .map(|(column, _)| self.design.columns[*column].name.as_str())
    }

    /// Random terms, in the order of the model.
    #[must_use]
    pub fn random(&self) -> &[RandomEffect] {
        &self.random
    }

    /// The random term of that name (the first, when two share it).
    ///
    /// # Errors
    /// No such term.
    pub fn random_term(&self, name: &str) -> Result<&RandomEffect, ModelError> {
        self.random
            .iter()
            .find(|r| r.name == name)
            .ok_or_else(|| ModelError::Absent {
                what: format!("random term `{name}`"),
            })
    }

    /// Places of the levels of a random term that have records.
    ///
    /// # Errors
    /// No such term.
    pub fn levels_with_records(&self, name: &str) -> Result<Vec<usize>, ModelError> {
        self.random_term(name)?;
        let term = self.design.random.iter().find(|r| r.name == name);
        let mut places: Vec<usize> = term
            .into_iter()
            .flat_map(|term| &term.level_of)
            .filter(|level| **level != design::NO_LEVEL)
            .map(|level| *level as usize)
            .collect();
        places.sort_unstable();
        places.dedup();
        Ok(places)
    }

    /// The residual part.
    #[must_use]
    pub fn residual(&self) -> &ResidualEstimate {
        &self.residual
    }

    /// How the search went.
    #[must_use]
    pub fn convergence(&self) -> &Convergence {
        &self.convergence
    }

    /// Mean over all pairs of levels of the prediction error variance of their difference, first
    /// coefficient, taken from the full equations.
    ///
    /// # Errors
    /// No such random term.
    pub fn mean_prediction_variance_of_difference(&self, term: &str) -> Result<f64, ModelError> {
        let levels = self.random_term(term)?.levels.len();
        self.mean_prediction_variance_of_difference_among(term, &(0..levels).collect::<Vec<_>>())
    }

    /// The same over all pairs of some of the levels, by their places: of the entries tested, where
    /// the term also holds ancestors.
    ///
    /// # Errors
    /// No such random term, or fewer than two levels.
    pub fn mean_prediction_variance_of_difference_among(
        &self,
        term: &str,
        among: &[usize],
    ) -> Result<f64, ModelError> {
        if among.len() < 2 {
            return Err(ModelError::NotEstimable {
                what: format!("differences between levels of `{term}`"),
                why: "fewer than two levels are compared".to_owned(),
            });
        }
        let k = self
            .random
            .iter()
            .position(|r| r.name == term)
            .ok_or_else(|| ModelError::Absent {
                what: format!("random term `{term}`"),
            })?;
        if self.design.random[k].smooth.is_some() {
            return Err(ModelError::Absent {
                what: format!("levels of `{term}`, a smooth trend"),
            });
        }
        let loading = &self.optimum.parameters.loadings[k];
        let (start, r) = (self.optimum.system.first[k], loading.rank);
        let mut sum = vec![0.0; self.optimum.system.n_equations];
        for &level in among {
            (0..r).for_each(|s| sum[start + level * r + s] = loading.at(0, s));
        }
        let right = sum.clone();
        self.optimum
            .system
            .pattern
            .solve(&self.optimum.solved.factor, &mut sum);
        let all: f64 = right.iter().zip(&sum).map(|(a, b)| a * b).sum();
        let own: f64 = among
            .iter()
            .map(|&l| self.random[k].levels[l].prediction_error_variances[0])
            .sum();
        let n = among.len() as f64;
        Ok(2.0 * (own - all / n) / (n - 1.0))
    }
}
