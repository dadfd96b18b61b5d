//! What the records leave open about variances and effects: draws from their posterior.
//!
//! Priors are flat in the standard deviation of every random term (Gelman 2006, Bayesian Analysis
//! 1:515-534, from memory), in the logarithm of every residual variance and in the inverse
//! hyperbolic tangent of correlations, so that the mode is the estimate by residual maximum
//! likelihood. A standard deviation is drawn with either sign, of which the likelihood sees the
//! square: zero is then no boundary. Draws of a multivariate t distribution about the mode are
//! weighted by the restricted likelihood itself (importance sampling), and effects are drawn from
//! the mixed-model equations at each. The form of the likelihood is therefore not approximated.

use faer::{Mat, Side};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution as _, StandardNormal};

use super::design::Design;
use super::equations::{Loading, System};
use super::reml::{self, Free, Parameters};
use super::{Fit, Model, ModelError, Variances, inverse, parameters_of};
use crate::data::Frame;

/// Degrees of freedom of the distribution that variances are first drawn from.
const TAIL_DF: usize = 5;
/// Share of the draws that must be worth something, or they are drawn anew from where the weight is.
const ENOUGH: f64 = 0.2;
/// How often they are drawn anew, at most.
const MOVES: usize = 2;

/// Draws of a model's variances given its records.
#[derive(Debug, Clone)]
pub struct VarianceDraws {
    /// The draws, equally likely; repeats stand side by side.
    pub draws: Vec<Variances>,
    /// How many independent draws these are worth.
    pub effective_n: f64,
}

/// Draws of the effects of one random term.
#[derive(Debug, Clone)]
pub struct EffectDraws {
    /// The levels.
    pub levels: Vec<String>,
    /// Mean of every level's effect over the draws of the variances.
    pub means: Vec<f64>,
    /// Effects by draw and level.
    pub draws: Vec<Vec<f64>>,
}

/// A level's mean with its standard error, the other factors averaged over their levels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelMean {
    /// The mean.
    pub mean: f64,
    /// Standard error, taking the variances as known.
    pub se: f64,
}

/// The parameters that are drawn; others keep their estimates.
struct Open {
    free: Vec<Free>,
    base: Parameters,
    centre: Vec<f64>,
    /// Inverse of the scale matrix of the draws.
    precision: Mat<f64>,
}

/// A weighted draw.
struct Weighted {
    at: Vec<f64>,
    log_weight: f64,
}

/// Whether a term has one standard deviation, which is drawn.
fn has_one(loading: &Loading) -> bool {
    loading.shared || loading.n_coefficients == 1
}

impl Open {
    /// The estimates with the curvature of the likelihood about them.
    fn of(fit: &Fit) -> Result<Self, ModelError> {
        let design = &fit.design;
        let mut base = fit.optimum.parameters.clone();
        let residual_variance = design.residual.mean_variance(&base.residual);
        let mut at_zero = vec![false; base.loadings.len()];
        for (k, term) in design.random.iter().enumerate() {
            let loading = &mut base.loadings[k];
            if has_one(loading) && loading.rank == 0 {
                at_zero[k] = true;
                let size: f64 = term.mean_square.iter().sum();
                let small = 0.03 * (residual_variance / size).sqrt();
                *loading = Loading::diagonal(&vec![small; loading.n_coefficients], loading.shared);
            }
        }
        let here = reml::at(design, base.clone())?.derivatives;
        let places: Vec<usize> = (0..here.free.len())
            .filter(|&p| match here.free[p] {
                Free::Loading { term, .. } => has_one(&base.loadings[term]),
                Free::Residual(_) => true,
            })
            .collect();
        let zero = |p: usize| matches!(here.free[p], Free::Loading { term, .. } if at_zero[term]);
        let n = places.len();
        let mut precision = Mat::from_fn(n, n, |i, j| {
            if zero(places[i]) || zero(places[j]) {
                0.0
            } else {
                here.information[(places[i], places[j])]
            }
        });
        for (i, &p) in places.iter().enumerate() {
            if let Free::Loading { .. } = here.free[p] {
                let deviation = base.value(here.free[p]).abs();
                let by_variance =
                    (here.information[(p, p)] / (4.0 * deviation * deviation)).max(1e-300);
                // Near zero the likelihood is flat in the deviation, and its width is that of the
                // variance.
                precision[(i, i)] += by_variance.sqrt() / 1.5;
                if zero(p) {
                    precision[(i, i)] += (-here.score[p] / deviation).max(0.0);
                }
            }
        }
        Ok(Self {
            centre: places
                .iter()
                .map(|&p| {
                    if zero(p) {
                        0.0
                    } else {
                        base.value(here.free[p])
                    }
                })
                .collect(),
            free: places.iter().map(|&p| here.free[p]).collect(),
            base,
            precision,
        })
    }

    /// The variances at a draw.
    fn parameters(&self, at: &[f64], floor: f64) -> Parameters {
        let mut parameters = self.base.clone();
        for (&free, &value) in self.free.iter().zip(at) {
            let kept = match free {
                Free::Loading { .. } => value.abs().max(floor),
                Free::Residual(_) => value,
            };
            parameters.set(free, kept);
        }
        parameters
    }

    /// Draws weighted by the likelihood and the prior.
    fn draw(
        &self,
        fit: &Fit,
        system: &System,
        n: usize,
        rng: &mut ChaCha12Rng,
        log_prior: &dyn Fn(&Variances) -> f64,
    ) -> Result<Vec<Weighted>, ModelError> {
        let d = self.free.len();
        let singular = || ModelError::Singular {
            what: "the curvature of the likelihood about the estimates".to_owned(),
        };
        let root = inverse(&self.precision)
            .and_then(|scale| scale.llt(Side::Lower).ok())
            .ok_or_else(singular)?;
        let root = root.L();
        let floor = self.floor(fit);
        let mut drawn = Vec::with_capacity(n);
        for _ in 0..n {
            let z: Vec<f64> = (0..d).map(|_| StandardNormal.sample(rng)).collect();
            let chi: f64 = (0..TAIL_DF)
                .map(|_| {
                    let deviate: f64 = StandardNormal.sample(rng);
                    deviate * deviate
                })
                .sum();
            let wide = (TAIL_DF as f64 / chi).sqrt();
            let at: Vec<f64> = (0..d)
                .map(|i| {
                    let step: f64 = (0..=i).map(|j| root[(i, j)] * z[j]).sum();
                    self.centre[i] + wide * step
                })
                .collect();
            let distance: f64 = z.iter().map(|x| x * x).sum::<f64>() * wide * wide;
            let log_proposal = -0.5 * (TAIL_DF + d) as f64 * (1.0 + distance / TAIL_DF as f64).ln();
            let parameters = self.parameters(&at, floor);
            let prior = log_prior(&variances_of(&fit.design, &parameters));
            let log_weight = if prior.is_finite() {
                system
                    .solve(&fit.design, &parameters.loadings, &parameters.residual)
                    .map_or(f64::NEG_INFINITY, |solved| {
                        solved.log_likelihood + prior - log_proposal
                    })
            } else {
                f64::NEG_INFINITY
            };
            drawn.push(Weighted { at, log_weight });
        }
        Ok(drawn)
    }

    /// Least standard deviation that is told from zero.
    fn floor(&self, fit: &Fit) -> f64 {
        let residual = fit.design.residual.mean_variance(&self.base.residual);
        1e-6 * residual.sqrt()
    }

    /// The same with centre and scale where the weight of draws lies.
    fn moved(&self, drawn: &[Weighted], weights: &[f64]) -> Option<Self> {
        let d = self.free.len();
        let fold = |k: usize, value: f64| match self.free[k] {
            Free::Loading { .. } => value.abs(),
            Free::Residual(_) => value,
        };
        let centre: Vec<f64> = (0..d)
            .map(|k| {
                drawn
                    .iter()
                    .zip(weights)
                    .map(|(draw, w)| w * fold(k, draw.at[k]))
                    .sum()
            })
            .collect();
        let before = inverse(&self.precision)?;
        let spread = Mat::from_fn(d, d, |i, j| {
            let of: f64 = drawn
                .iter()
                .zip(weights)
                .map(|(draw, w)| {
                    w * (fold(i, draw.at[i]) - centre[i]) * (fold(j, draw.at[j]) - centre[j])
                })
                .sum();
            // A little of the earlier scale, as few draws may carry the weight.
            1.3 * of + 0.1 * before[(i, j)]
        });
        Some(Self {
            free: self.free.clone(),
            base: self.base.clone(),
            centre,
            precision: inverse(&spread)?,
        })
    }
}

/// Weights that sum to one, and how many equal ones they are worth.
fn shares(drawn: &[Weighted]) -> Option<(Vec<f64>, f64)> {
    let largest = drawn
        .iter()
        .map(|draw| draw.log_weight)
        .fold(f64::NEG_INFINITY, f64::max);
    if !largest.is_finite() {
        return None;
    }
    let raw: Vec<f64> = drawn
        .iter()
        .map(|draw| (draw.log_weight - largest).exp())
        .collect();
    let total: f64 = raw.iter().sum();
    let weights: Vec<f64> = raw.iter().map(|w| w / total).collect();
    let worth = 1.0 / weights.iter().map(|w| w * w).sum::<f64>();
    Some((weights, worth))
}

/// Variances as they are told, from the form of the search.
fn variances_of(design: &Design, parameters: &Parameters) -> Variances {
    let (residual, autocorrelations) = design.residual.natural(&parameters.residual);
    Variances {
        random: parameters
            .loadings
            .iter()
            .map(|loading| {
                let t = if loading.shared {
                    1
                } else {
                    loading.n_coefficients
                };
                (0..t)
                    .map(|a| (0..t).map(|b| loading.covariance(a, b)).collect())
                    .collect()
            })
            .collect(),
        residual,
        autocorrelations,
    }
}

impl Fit {
    /// The estimated variances.
    #[must_use]
    pub fn variances(&self) -> Variances {
        variances_of(&self.design, &self.optimum.parameters)
    }

    /// `kept_n` draws of the variances from their posterior, out of `tried_n` weighted ones; the
    /// [module](self) says under which priors, and `log_prior` adds to them (0 for nothing).
    /// Covariance matrices of several coefficients keep their estimates.
    ///
    /// # Errors
    /// A likelihood without curvature, or nothing drawn that the likelihood or the prior allows.
    pub fn variance_draws(
        &self,
        (tried_n, kept_n): (usize, usize),
        seed: u64,
        log_prior: &dyn Fn(&Variances) -> f64,
    ) -> Result<VarianceDraws, ModelError> {
        let nothing = || ModelError::NotEstimable {
            what: "the uncertainty of the variances".to_owned(),
            why: "no draw agrees with the records and what is known beforehand".to_owned(),
        };
        let mut rng = ChaCha12Rng::seed_from_u64(seed);
        let mut open = Open::of(self)?;
        let system = System::new(&self.design, &open.base.ranks());
        let mut drawn = open.draw(self, &system, tried_n, &mut rng, log_prior)?;
        let (mut weights, mut worth) = shares(&drawn).ok_or_else(nothing)?;
        for _ in 0..MOVES {
            if worth >= ENOUGH * tried_n as f64 {
                break;
            }
            let Some(next) = open.moved(&drawn, &weights) else {
                break;
            };
            let Ok(again) = next.draw(self, &system, tried_n, &mut rng, log_prior) else {
                break;
            };
            let Some((new_weights, new_worth)) = shares(&again) else {
                break;
            };
            if new_worth > worth {
                (open, drawn, weights, worth) = (next, again, new_weights, new_worth);
            }
        }
        // Systematic resampling: one uniform deviate places an even comb over the weights.
        let floor = open.floor(self);
        let offset: f64 = rng.random_range(0.0..1.0);
        let mut draws = Vec::with_capacity(kept_n);
        let (mut place, mut before) = (0, 0.0);
        for k in 0..kept_n {
            let target = (k as f64 + offset) / kept_n as f64;
            while place + 1 < weights.len() && before + weights[place] < target {
                before += weights[place];
                place += 1;
            }
            let parameters = open.parameters(&drawn[place].at, floor);
            draws.push(variances_of(&self.design, &parameters));
        }
        Ok(VarianceDraws {
            draws,
            effective_n: worth,
        })
    }

    /// Means of the levels of a random term, first coefficient, each the mean of a fixed level
    /// (`group` at its `level`; none for the general mean) with the level's effect. At a variance of
    /// the term far above all others these are the means of levels taken as fixed, whose standard
    /// errors are told.
    ///
    /// # Errors
    /// No such term, or a mean that empty cells leave open.
    pub fn level_means(
        &self,
        term: &str,
        group: Option<(&str, &str)>,
    ) -> Result<Vec<LevelMean>, ModelError> {
        let row = self.mean_row(group)?;
        let k = self
            .random
            .iter()
            .position(|r| r.name == term)
            .ok_or_else(|| ModelError::Absent {
                what: format!("random term `{term}`"),
            })?;
        let (system, solved) = (&self.optimum.system, &self.optimum.solved);
        let mut x = vec![0.0; system.n_equations];
        x[..row.len()].copy_from_slice(&row);
        system.pattern.solve(&solved.factor, &mut x);
        let base: f64 = row.iter().zip(&solved.solution).map(|(w, b)| w * b).sum();
        let base_variance: f64 = row.iter().zip(&x).map(|(w, v)| w * v).sum();
        let loading = self.loading(k);
        Ok((0..self.random[k].levels.len())
            .map(|level| {
                let shared: f64 = (0..loading.rank)
                    .filter_map(|s| Some(loading.at(0, s) * x[self.equation(k, level, s)?]))
                    .sum();
                let effect = &self.random[k].levels[level];
                let variance = base_variance + 2.0 * shared + effect.prediction_error_variances[0];
                LevelMean {
                    mean: base + effect.effect(),
                    se: variance.max(0.0).sqrt(),
                }
            })
            .collect())
    }

    /// The mean of a level of a fixed factor, the others averaged over their levels.
    ///
    /// # Errors
    /// No such level, or a mean that empty cells leave open.
    pub fn fixed_mean(&self, group: Option<(&str, &str)>) -> Result<LevelMean, ModelError> {
        let row = self.mean_row(group)?;
        let mean = row
            .iter()
            .zip(&self.fixed)
            .map(|(w, c)| w * c.estimate)
            .sum();
        let mut variance = 0.0;
        for (i, a) in row.iter().enumerate() {
            for (j, b) in row.iter().enumerate() {
                variance += a * b * self.fixed_covariance[(i, j)];
            }
        }
        Ok(LevelMean {
            mean,
            se: variance.max(0.0).sqrt(),
        })
    }

    fn mean_row(&self, group: Option<(&str, &str)>) -> Result<Vec<f64>, ModelError> {
        let Some((factor, level)) = group else {
            return self
                .design
                .general_row()
                .ok_or_else(|| ModelError::NotEstimable {
                    what: "the general mean".to_owned(),
                    why: "cells are empty".to_owned(),
                });
        };
        let means = self.design.mean_rows(factor)?;
        let place = means.labels.iter().position(|l| l[0] == level);
        place
            .map(|k| means.rows[k].clone())
            .ok_or_else(|| ModelError::NotEstimable {
                what: format!("the mean of `{level}`"),
                why: "cells are empty, or no record has it".to_owned(),
            })
    }
}

/// Draws the effects of a random term (first coefficient) at each of the given variances, so many
/// times each: what records and variances leave open about them.
///
/// # Errors
/// As [`super::fit_with_variances`]; no such term.
pub fn effect_draws(
    frame: &Frame,
    model: &Model,
    variances: &[Variances],
    term: &str,
    (each_n, seed): (usize, u64),
) -> Result<EffectDraws, ModelError> {
    let design = Design::build(frame, model)?;
    let k = design
        .random
        .iter()
        .position(|random| random.name == term)
        .ok_or_else(|| ModelError::Absent {
            what: format!("random term `{term}`"),
        })?;
    let levels = design.random[k].levels.clone();
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let mut means = vec![0.0; levels.len()];
    let mut draws = Vec::with_capacity(variances.len() * each_n);
    let mut system: Option<System> = None;
    for at in variances {
        let parameters = parameters_of(&design, at)?;
        let ranks = parameters.ranks();
        if system.as_ref().is_none_or(|s| s.ranks != ranks) {
            system = Some(System::new(&design, &ranks));
        }
        let system = system.as_ref().expect("made above");
        let solved = system.solve(&design, &parameters.loadings, &parameters.residual)?;
        let (loading, first) = (&parameters.loadings[k], system.first[k]);
        let effect = |x: &[f64], level: usize| -> f64 {
            (0..loading.rank)
                .map(|s| loading.at(0, s) * x[first + level * loading.rank + s])
                .sum()
        };
        for (level, mean) in means.iter_mut().enumerate() {
            *mean += effect(&solved.solution, level) / variances.len() as f64;
        }
        for _ in 0..each_n {
            let mut x: Vec<f64> = (0..system.n_equations)
                .map(|_| StandardNormal.sample(&mut rng))
                .collect();
            system.pattern.spread(&solved.factor, &mut x);
            x.iter_mut()
                .zip(&solved.solution)
                .for_each(|(x, mean)| *x += mean);
            draws.push((0..levels.len()).map(|level| effect(&x, level)).collect());
        }
    }
    Ok(EffectDraws {
        levels,
        means,
        draws,
    })
}
