//! Binary and ordinal traits by the threshold model: the category of a record is where its
//! liability, a linear mixed model on a scale that is not seen, falls among ordered cut points
//! (Wright 1934, Gianola and Foulley 1983; McCullagh 1980 for the logistic form; from memory).
//!
//! ```
//! use biometry::data::Frame;
//! use biometry::threshold::{Link, ThresholdModel, fit};
//!
//! let entry: Vec<String> = (0..60).map(|k| format!("e{}", k / 6)).collect();
//! let frame = Frame::new()
//!     .with_factor("entry", entry.iter().map(Some))?
//!     .with_factor("site", (0..60).map(|k| Some(if k % 2 == 0 { "hill" } else { "valley" })))?
//!     .with_numeric("split", (0..60).map(|k| Some(f64::from((k * 7 % 11 + k / 6) % 3 == 0))))?;
//! let model = ThresholdModel::binary("split ~ site")?.link(Link::Probit).random("entry")?;
//! let fitted = fit(&frame, &model)?;
//! let entries = fitted.random_term("entry")?;
//! assert_eq!(entries.levels.len(), 10);
//! let h2 = fitted.heritability("entry")?;
//! assert!((0.0..=1.0).contains(&h2.liability));
//! # Ok::<(), biometry::mixed::ModelError>(())
//! ```
//!
//! For notes 1 to 9 use [`ThresholdModel::ordinal`]; for counts of each category in one row,
//! [`ThresholdModel::counted_by`]; for breeding values, [`ThresholdModel::random_related`].
//!
//! # What is maximised, and how far to trust it
//! The likelihood with the random effects integrated out and the fixed effects estimated along
//! with the variances (maximum likelihood, not its restricted form). One independent random factor
//! is integrated by adaptive Gauss-Hermite quadrature, which is as good as exact; several factors
//! or related levels by Laplace's approximation, whose error falls with the records a level has.
//! With few binary records a level (say under five) Laplace's variances come out too low, and
//! maximum likelihood takes no account of the fixed effects it estimates, so with few levels they
//! come out lower still (by about one part in the number of levels). Penalised quasi-likelihood
//! is not offered: its bias for binary records in small groups is larger than either.
//! Intervals are Wald's on the liability scale, from the observed information.

mod likelihood;
mod link;
mod quadrature;
mod search;
mod summary;
#[cfg(test)]
mod tests;

use std::cell::RefCell;
use std::sync::Arc;

use faer::{Mat, Side};
use statrs::distribution::{ContinuousCDF, Normal};

pub use link::Link;
pub use quadrature::GaussHermite;
pub use summary::{CategoryMean, ChiSquaredTest, LiabilityHeritability};

use crate::data::{Column, Frame};
use crate::mixed::design::{Design, Variable};
use crate::mixed::{LikelihoodRatio, Model, ModelError, Relationship};
use likelihood::{Laplace, Point, Problem};
use quadrature::ByLevel;

/// How the random effects are integrated out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Integration {
    /// Adaptive quadrature with 15 points where it is possible (one random factor with
    /// independent levels), Laplace's approximation elsewhere.
    #[default]
    Automatic,
    /// Laplace's approximation.
    Laplace,
    /// Adaptive Gauss-Hermite quadrature with so many points (3 to 60), for one random factor
    /// with independent levels.
    AdaptiveQuadrature {
        /// Points for every level.
        points: usize,
    },
}

/// A threshold model for a binary or ordinal trait.
#[derive(Debug, Clone, PartialEq)]
pub struct ThresholdModel {
    model: Model,
    binary: bool,
    categories: Option<Vec<String>>,
    link: Link,
    count: Option<String>,
    integration: Integration,
    max_iterations: usize,
}

impl ThresholdModel {
    /// A trait that is there or not: a numeric column of 0 and 1, or a factor of two levels, the
    /// second (in alphabetical order unless [`ThresholdModel::categories`] says otherwise) being
    /// the event. The formula is as for [`Model::new`] and keeps its general mean.
    ///
    /// # Errors
    /// A formula that cannot be read.
    pub fn binary(formula: &str) -> Result<Self, ModelError> {
        Self::new(formula, true)
    }

    /// An ordinal trait: a numeric column of notes, or a factor with
    /// [`ThresholdModel::categories`] in order.
    ///
    /// # Errors
    /// A formula that cannot be read.
    pub fn ordinal(formula: &str) -> Result<Self, ModelError> {
        Self::new(formula, false)
    }

    fn new(formula: &str, binary: bool) -> Result<Self, ModelError> {
        Ok(Self {
            model: Model::new(formula)?,
            binary,
            categories: None,
            link: Link::default(),
            count: None,
            integration: Integration::default(),
            max_iterations: 200,
        })
    }

    /// The categories from lowest to highest.
    #[must_use]
    pub fn categories<S: Into<String>>(mut self, names: impl IntoIterator<Item = S>) -> Self {
        self.categories = Some(names.into_iter().map(Into::into).collect());
        self
    }

    /// The distribution of the liability (probit unless told).
    #[must_use]
    pub fn link(mut self, link: Link) -> Self {
        self.link = link;
        self
    }

    /// Adds random terms, independent of each other.
    ///
    /// # Errors
    /// Terms that cannot be read.
    pub fn random(mut self, terms: &str) -> Result<Self, ModelError> {
        self.model = self.model.random(terms)?;
        Ok(self)
    }

    /// Adds a random term whose levels are related.
    ///
    /// # Errors
    /// A name that cannot be read.
    pub fn random_related(
        mut self,
        factor: &str,
        relationship: Arc<Relationship>,
    ) -> Result<Self, ModelError> {
        self.model = self.model.random_related(factor, relationship)?;
        Ok(self)
    }

    /// The numeric column that says for how many observations each record stands.
    #[must_use]
    pub fn counted_by(mut self, column: &str) -> Self {
        self.count = Some(column.to_owned());
        self
    }

    /// How the random effects are integrated out.
    #[must_use]
    pub fn integration(mut self, integration: Integration) -> Self {
        self.integration = integration;
        self
    }

    /// Most iterations before an analysis counts as not converged (200 unless told).
    #[must_use]
    pub fn max_iterations(mut self, iterations: usize) -> Self {
        self.max_iterations = iterations;
        self
    }
}

/// An estimate on the liability scale with its Wald test and interval.
#[derive(Debug, Clone, PartialEq)]
pub struct LiabilityEffect {
    /// Coefficient, or the categories a cut point parts, as `2|3`.
    pub name: String,
    /// Maximum likelihood estimate.
    pub estimate: f64,
    /// Standard error from the observed information.
    pub se: f64,
}

impl LiabilityEffect {
    /// Estimate over standard error.
    #[must_use]
    pub fn z(&self) -> f64 {
        self.estimate / self.se
    }

    /// Two-sided P value of the Wald test that the effect is zero.
    #[must_use]
    pub fn p(&self) -> f64 {
        2.0 * Normal::standard().sf(self.z().abs())
    }

    /// Limits of the 95 % interval.
    #[must_use]
    pub fn interval(&self) -> (f64, f64) {
        let half = 1.959_963_984_540_054 * self.se;
        (self.estimate - half, self.estimate + half)
    }
}

/// A level of a random term.
#[derive(Debug, Clone, PartialEq)]
pub struct LiabilityLevel {
    /// The level.
    pub level: String,
    /// Predicted effect on the liability: the mean of its posterior where quadrature was used,
    /// else the mode.
    pub effect: f64,
    /// Standard error of prediction, with the uncertainty of all estimates (Booth and Hobert 1998,
    /// from memory).
    pub se: f64,
    /// Probability of each category for the level, averaged over the fixed effects of all records,
    /// other random terms at zero.
    pub probabilities: Vec<f64>,
}

/// A random term after the fit.
#[derive(Debug, Clone, PartialEq)]
pub struct LiabilityTerm {
    /// Factors joined by `:`.
    pub name: String,
    /// Variance on the liability scale.
    pub variance: f64,
    /// Its standard error; `None` at the boundary.
    pub variance_se: Option<f64>,
    /// Whether the variance is at zero.
    pub boundary: bool,
    /// Effects by level.
    pub levels: Vec<LiabilityLevel>,
}

/// How the search for the maximum went.
#[derive(Debug, Clone, PartialEq)]
pub struct Search {
    /// Iterations done.
    pub iterations: usize,
    /// Gradient at the end, measured against the information: sqrt(s' I^-1 s).
    pub gradient: f64,
    /// Log-likelihood at the start of each iteration.
    pub log_likelihoods: Vec<f64>,
    /// Random terms with a variance of zero.
    pub boundary: Vec<String>,
    /// Quadrature points per level; 1 is Laplace's approximation, 0 a model without random
    /// effects.
    pub points: usize,
}

/// A fitted threshold model. Only an analysis that converged becomes one.
#[derive(Debug)]
pub struct ThresholdFit {
    /// Categories from lowest to highest.
    pub categories: Vec<String>,
    /// Observations of each category.
    pub observed_n: Vec<f64>,
    /// Categories asked for of which there is no record; they have no cut point.
    pub unused_categories: Vec<String>,
    /// Ascending cut points; empty for a binary trait, whose one cut point is zero.
    pub cut_points: Vec<LiabilityEffect>,
    /// Fixed coefficients by treatment contrasts, a higher value meaning a higher category; with
    /// `(Intercept)` for a binary trait.
    pub fixed: Vec<LiabilityEffect>,
    /// Random terms, in the order of the model.
    pub random: Vec<LiabilityTerm>,
    /// Distribution of the liability.
    pub link: Link,
    /// Maximised log-likelihood.
    pub log_likelihood: f64,
    /// How the search went.
    pub search: Search,
    /// Records used.
    pub records_n: usize,
    binary: bool,
    design: Design,
    point: Point,
    /// Covariance of the free parameters.
    covariance: Mat<f64>,
    /// Distinct fixed predictors with the share of observations at each.
    predictors: Vec<(f64, f64)>,
}

/// The column of codes, and the names of the categories.
struct Coded {
    column: Vec<Option<f64>>,
    categories: Vec<String>,
    unused: Vec<String>,
}

fn coded(frame: &Frame, model: &ThresholdModel) -> Result<Coded, ModelError> {
    let name = &model.model.formula().response;
    let fault = |why: String| ModelError::NotEstimable {
        what: format!("a threshold model of `{name}`"),
        why,
    };
    let (labels, natural): (Vec<Option<String>>, Vec<String>) = match frame.column(name)? {
        Column::Factor(f) => (
            f.codes()
                .iter()
                .map(|c| c.map(|c| f.levels()[c as usize].clone()))
                .collect(),
            f.levels().to_vec(),
        ),
        Column::Numeric(values) => {
            let mut distinct: Vec<f64> = values.iter().flatten().copied().collect();
            distinct.sort_by(f64::total_cmp);
            distinct.dedup();
            if distinct.len() > 50 {
                return Err(fault(format!(
                    "it has {} distinct values; give notes, or analyse it as a measured trait",
                    distinct.len()
                )));
            }
            if model.binary && distinct.iter().any(|v| *v != 0.0 && *v != 1.0) {
                return Err(fault("a binary trait holds 0 and 1 only".to_owned()));
            }
            let names = if model.binary {
                vec!["0".to_owned(), "1".to_owned()]
            } else {
                distinct.iter().map(f64::to_string).collect()
            };
            (
                values.iter().map(|v| v.map(|v| v.to_string())).collect(),
                names,
            )
        }
    };
    let is_factor = matches!(frame.column(name)?, Column::Factor(_));
    let asked = match &model.categories {
        Some(names) => names.clone(),
        None if is_factor && !model.binary => {
            return Err(fault(
                "the order of its categories is not given; list them from lowest to highest"
                    .to_owned(),
            ));
        }
        None => natural,
    };
    if let Some((k, _)) = asked
        .iter()
        .enumerate()
        .find(|(k, c)| asked[..*k].contains(c))
    {
        return Err(fault(format!("category `{}` is listed twice", asked[k])));
    }
    if model.binary && asked.len() != 2 {
        return Err(fault(format!(
            "it has {} categories ({}) where a binary trait has two",
            asked.len(),
            asked.join(", ")
        )));
    }
    let counts = model
        .count
        .as_deref()
        .map(|c| frame.numeric(c))
        .transpose()?;
    let mut column = Vec::with_capacity(labels.len());
    let mut seen = vec![false; asked.len()];
    for (record, label) in labels.iter().enumerate() {
        let counted = counts.is_none_or(|c| c[record].is_some_and(|n| n > 0.0));
        if let Some(n) = counts.and_then(|c| c[record]).filter(|n| *n < 0.0) {
            return Err(fault(format!(
                "record {} counts {n} observations",
                record + 1
            )));
        }
        let Some(label) = label.as_ref().filter(|_| counted) else {
            column.push(None);
            continue;
        };
        let Some(code) = asked.iter().position(|c| c == label) else {
            return Err(fault(format!(
                "record {} is `{label}`, which is not among the categories {}",
                record + 1,
                asked.join(", ")
            )));
        };
        seen[code] = true;
        column.push(Some(code as f64));
    }
    if column.iter().all(Option::is_none) {
        return Ok(Coded {
            column,
            categories: asked,
            unused: Vec::new(),
        });
    }
    let kept: Vec<usize> = (0..asked.len()).filter(|k| seen[*k]).collect();
    if kept.len() < 2 {
        return Err(ModelError::NoVariation(name.clone()));
    }
    for value in column.iter_mut().flatten() {
        *value = kept
            .iter()
            .position(|k| *k == *value as usize)
            .unwrap_or_default() as f64;
    }
    let (mut categories, mut unused) = (Vec::new(), Vec::new());
    for (name, seen) in asked.into_iter().zip(seen) {
        if seen {
            categories.push(name)
        } else {
            unused.push(name)
        }
    }
    Ok(Coded {
        column,
        categories,
        unused,
    })
}

/// Fits a threshold model by maximum likelihood. Records that lack the trait or any variable of
/// the model are left out.
///
/// # Errors
/// As [`crate::mixed::fit`]; also a trait that is not categorical, fixed effects that part the
/// categories completely ([`ModelError::Separated`]), and random slopes, which are not offered.
pub fn fit(frame: &Frame, model: &ThresholdModel) -> Result<ThresholdFit, ModelError> {
    let Coded {
        column,
        categories,
        unused,
    } = coded(frame, model)?;
    let response = model.model.formula().response.clone();
    let with_codes = frame
        .clone()
        .with_replaced(&response, Column::Numeric(column));
    if !model.model.formula().fixed.intercept {
        return Err(ModelError::NotEstimable {
            what: format!("cut points of `{response}`"),
            why: "the formula leaves out the general mean; write it without `0` or `- 1`"
                .to_owned(),
        });
    }
    let design = Design::build(&with_codes, &model.model)?;
    design.check_random()?;
    let n = design.n();
    let codes: Vec<u32> = design.y.iter().map(|y| *y as u32).collect();
    let n_categories = codes.iter().max().map_or(0, |m| *m as usize + 1);
    let count: Vec<f64> = match &model.count {
        None => vec![1.0; n],
        Some(name) => {
            let counts = frame.numeric(name)?;
            design
                .used
                .iter()
                .map(|&k| counts[k].unwrap_or_default())
                .collect()
        }
    };
    let mut observed_n = vec![0.0; n_categories];
    codes
        .iter()
        .zip(&count)
        .for_each(|(c, n)| observed_n[*c as usize] += n);
    if n_categories != categories.len() || observed_n.contains(&0.0) {
        return Err(ModelError::NotEstimable {
            what: format!("cut points of `{response}`"),
            why: "some category has no record with all variables of the model; list the others"
                .to_owned(),
        });
    }
    // The general mean is the first kept column; the cut points take its place.
    let (mut x_ptr, mut x_entries) = (vec![0], Vec::new());
    for i in 0..n {
        x_entries.extend(
            design
                .fixed_row(i)
                .iter()
                .filter(|(k, _)| *k > 0)
                .map(|&(k, x)| (k - 1, x)),
        );
        x_ptr.push(x_entries.len());
    }
    let mut random_part = design.clone();
    random_part.n_fixed = 0;
    random_part.n_kept = 0;
    random_part.x_ptr = vec![0; n + 1];
    random_part.x_entries = Vec::new();
    let problem = Problem {
        design: random_part,
        link: model.link,
        category: codes,
        n_categories,
        count,
        n_slopes: design.n_kept - 1,
        x_ptr,
        x_entries,
    };
    let independent_one = design.random.len() == 1 && design.random[0].relationship.is_none();
    let points = match model.integration {
        Integration::Laplace => 1,
        Integration::Automatic => {
            if independent_one {
                15
            } else {
                1
            }
        }
        Integration::AdaptiveQuadrature { points } => {
            if !independent_one || !(3..=60).contains(&points) {
                return Err(ModelError::NotEstimable {
                    what: "adaptive quadrature".to_owned(),
                    why: format!(
                        "it takes one random factor with independent levels and 3 to 60 points, here {} terms and {points} points; use Laplace's approximation",
                        design.random.len()
                    ),
                });
            }
            points
        }
    };
    let (start, spread) = fixed_only(&problem, &design, &categories)?;
    let found = maximise(&problem, start, &spread, points, model.max_iterations)?;
    ThresholdFit::new(
        frame, model, problem, design, categories, unused, observed_n, found,
    )
}

/// Cut points and slopes without random effects by Newton's method, with the inverse information.
fn fixed_only(
    problem: &Problem,
    design: &Design,
    categories: &[String],
) -> Result<(Point, Mat<f64>), ModelError> {
    separated_levels(problem, design, categories)?;
    let total: f64 = problem.count.iter().sum();
    let mut below = 0.0;
    let mut of_category = vec![0.0; problem.n_categories];
    problem
        .category
        .iter()
        .zip(&problem.count)
        .for_each(|(c, n)| of_category[*c as usize] += n);
    let scale = problem.link.residual_variance().sqrt();
    let cuts: Vec<f64> = of_category[..problem.n_categories - 1]
        .iter()
        .map(|n| {
            below += n;
            scale * Normal::standard().inverse_cdf(below / total)
        })
        .collect();
    let n_cuts = cuts.len();
    let m = n_cuts + problem.n_slopes;
    let mut point = Point {
        cuts,
        slopes: vec![0.0; problem.n_slopes],
        deviations: vec![None; design.random.len()],
    };
    let value_at = |point: &Point| -> f64 {
        if !point.is_ordered() {
            return f64::NEG_INFINITY;
        }
        let fixed = problem.fixed_predictors(&point.slopes);
        (0..problem.n())
            .map(|i| {
                let (upper, lower) = problem.bounds(point, i, fixed[i]);
                problem.count[i] * problem.link.between(upper, lower).ln()
            })
            .sum()
    };
    let mut value = value_at(&point);
    for round in 0.. {
        let fixed = problem.fixed_predictors(&point.slopes);
        let mut slope = vec![0.0; m];
        let mut information = Mat::<f64>::zeros(m, m);
        for (i, mean) in fixed.iter().enumerate() {
            let (upper, lower) = problem.bounds(&point, i, *mean);
            let local = problem.link.local(upper, lower);
            let (n, c) = (problem.count[i], problem.category[i] as usize);
            let has_upper = c < n_cuts;
            if has_upper {
                slope[c] += n * local.upper.value;
                information[(c, c)] -= n * local.upper.own;
            }
            if c > 0 {
                slope[c - 1] += n * local.lower.value;
                information[(c - 1, c - 1)] -= n * local.lower.own;
            }
            if has_upper && c > 0 {
                information[(c, c - 1)] -= n * local.both;
                information[(c - 1, c)] -= n * local.both;
            }
            for &(k, x) in problem.x_row(i) {
                let k = n_cuts + k as usize;
                slope[k] += n * local.first * x;
                let mut cross = |cut: usize, bend: f64| {
                    information[(k, cut)] -= n * bend * x;
                    information[(cut, k)] -= n * bend * x;
                };
                if has_upper {
                    cross(c, local.upper.first);
                }
                if c > 0 {
                    cross(c - 1, local.lower.first);
                }
                for &(j, z) in problem.x_row(i) {
                    information[(k, n_cuts + j as usize)] += n * local.weight * x * z;
                }
            }
        }
        // A vanishing ridge keeps the equations solvable while separated effects run away.
        for k in 0..m {
            information[(k, k)] += 1e-11 * total;
        }
        let spread = inverse(&information).ok_or_else(|| ModelError::Singular {
            what: "the information on cut points and fixed effects is not positive definite".into(),
        })?;
        let step: Vec<f64> = (0..m)
            .map(|i| (0..m).map(|j| spread[(i, j)] * slope[j]).sum())
            .collect();
        let decrement = likelihood::dot(&step, &slope);
        if decrement < 1e-10 || round >= 60 {
            runaway(problem, design, &fixed, &point, &spread)?;
            return if decrement < 1e-6 {
                Ok((point, spread))
            } else {
                Err(ModelError::NotConverged {
                    iterations: round,
                    gradient: decrement.max(0.0).sqrt(),
                })
            };
        }
        let mut share = 1.0;
        loop {
            let free: Vec<f64> = point
                .free()
                .iter()
                .zip(&step)
                .map(|(x, s)| x + share * s)
                .collect();
            let trial = point.moved(&free);
            let there = value_at(&trial);
            if there >= value - 1e-12 * (1.0 + value.abs()) {
                (point, value) = (trial, there);
                break;
            }
            share *= 0.5;
            if share < 1e-10 {
                return Err(ModelError::NotConverged {
                    iterations: round,
                    gradient: decrement.max(0.0).sqrt(),
                });
            }
        }
    }
    unreachable!("the loop above returns")
}

/// Levels of single fixed factors whose records all are in the lowest or all in the highest
/// category.
fn separated_levels(
    problem: &Problem,
    design: &Design,
    categories: &[String],
) -> Result<(), ModelError> {
    let highest = problem.n_categories as u32 - 1;
    for term in design.terms.iter().filter(|t| t.variables().len() == 1) {
        let name = &term.variables()[0];
        let Variable::Factor { levels, codes } = &design.variables[name] else {
            continue;
        };
        for (code, level) in levels.iter().enumerate() {
            let mut own = (0..problem.n())
                .filter(|i| codes[*i] as usize == code)
                .map(|i| problem.category[i]);
            let Some(first) = own.next() else { continue };
            if (first == 0 || first == highest) && own.all(|c| c == first) {
                return Err(ModelError::Separated {
                    what: format!("level `{level}` of `{name}`"),
                    why: format!("all its records are `{}`", categories[first as usize]),
                });
            }
        }
    }
    Ok(())
}

/// Coefficients that ran towards infinity.
fn runaway(
    problem: &Problem,
    design: &Design,
    fixed: &[f64],
    point: &Point,
    spread: &Mat<f64>,
) -> Result<(), ModelError> {
    let n_cuts = point.cuts.len();
    let scale = problem.link.residual_variance().sqrt();
    let mut range = vec![(0.0_f64, 0.0_f64); problem.n_slopes];
    for i in 0..problem.n() {
        for &(k, x) in problem.x_row(i) {
            let r = &mut range[k as usize];
            *r = (r.0.min(x), r.1.max(x));
        }
    }
    let certain = fixed.iter().enumerate().any(|(i, mean)| {
        let (upper, lower) = problem.bounds(point, i, *mean);
        problem.link.between(upper, lower) > 1.0 - 1e-6
    });
    let names: Vec<String> = design
        .columns
        .iter()
        .zip(&design.kept)
        .filter_map(|(column, kept)| {
            kept.and_then(|k| k.checked_sub(1))
                .map(|k| (k, &column.name))
        })
        .filter(|(k, _)| {
            let width = range[*k].1 - range[*k].0;
            spread[(n_cuts + k, n_cuts + k)].sqrt() * width > 30.0 * scale
        })
        .map(|(_, name)| format!("`{name}`"))
        .collect();
    if certain && !names.is_empty() {
        return Err(ModelError::Separated {
            what: names.join(", "),
            why: "some records' categories follow from them without error".to_owned(),
        });
    }
    Ok(())
}

fn inverse(matrix: &Mat<f64>) -> Option<Mat<f64>> {
    use faer::linalg::solvers::DenseSolveCore;
    let inverse = matrix.llt(Side::Lower).ok()?.inverse();
    inverse.norm_max().is_finite().then_some(inverse)
}

/// The maximum and what is known there.
struct Maximum {
    point: Point,
    log_likelihood: f64,
    covariance: Mat<f64>,
    iterations: usize,
    trace: Vec<f64>,
    gradient: f64,
    points: usize,
    /// Scaled effect, conditional variance and slopes by the free parameters, by term and level.
    effects: Vec<Vec<(f64, f64, Vec<f64>)>>,
}

/// One objective for either way of integration.
enum Integral<'a> {
    Laplace(Box<Laplace<'a>>),
    ByLevel(ByLevel<'a>, usize),
}

impl<'a> Integral<'a> {
    fn new(problem: &'a Problem, point: &Point, points: usize) -> Self {
        let active: Vec<bool> = point.deviations.iter().map(Option::is_some).collect();
        match active.iter().position(|a| *a) {
            Some(term) if points > 1 => {
                let levels = problem.design.random[term].levels.len();
                Self::ByLevel(ByLevel::new(problem, term, points), levels)
            }
            _ => Self::Laplace(Box::new(Laplace::new(problem, &active))),
        }
    }

    fn n_effects(&self) -> usize {
        match self {
            Self::Laplace(laplace) => laplace.n_effects(),
            Self::ByLevel(_, levels) => *levels,
        }
    }

    fn evaluate(&self, point: &Point, warm: &RefCell<Vec<f64>>) -> Option<(f64, Vec<f64>)> {
        let start = warm.borrow().clone();
        let (value, gradient, modes) = match self {
            Self::Laplace(laplace) => {
                let s = laplace.evaluate(point, &start)?;
                (s.log_likelihood, s.gradient, s.effects)
            }
            Self::ByLevel(by_level, _) => {
                let s = by_level.evaluate(point, &start)?;
                (s.log_likelihood, s.gradient, s.modes)
            }
        };
        *warm.borrow_mut() = modes;
        Some((value, gradient))
    }
}

fn climb(
    problem: &Problem,
    start: &Point,
    spread: Mat<f64>,
    points: usize,
    max_iterations: usize,
) -> Result<(Point, search::Found), ModelError> {
    let integral = Integral::new(problem, start, points);
    let warm = RefCell::new(vec![0.0; integral.n_effects()]);
    let found = search::maximise(
        |free| integral.evaluate(&start.moved(free), &warm),
        start.free(),
        spread,
        max_iterations,
    )
    .map_err(|(iterations, gradient)| ModelError::NotConverged {
        iterations,
        gradient,
    })?;
    Ok((start.moved(&found.at), found))
}

fn maximise(
    problem: &Problem,
    fixed_start: Point,
    fixed_spread: &Mat<f64>,
    points: usize,
    max_iterations: usize,
) -> Result<Maximum, ModelError> {
    let scale = problem.link.residual_variance().sqrt();
    let m = fixed_start.free().len();
    let widened = |point: &Point| {
        let free = point.free().len();
        Mat::from_fn(free, free, |i, j| match (i < m, j < m) {
            (true, true) => 1.5 * fixed_spread[(i, j)],
            (false, false) if i == j => 0.3 * scale * scale / levels_of(problem, point, i - m),
            _ => 0.0,
        })
    };
    let mut start = fixed_start;
    start.deviations.fill(Some(0.6 * scale));
    // Random effects pull estimates away from zero on the liability scale.
    let grow = (1.0 + 0.36 * start.deviations.len() as f64).sqrt();
    start.cuts.iter_mut().for_each(|c| *c *= grow);
    start.slopes.iter_mut().for_each(|s| *s *= grow);
    let spread = widened(&start);
    let (mut point, mut found) = climb(problem, &start, spread, points, max_iterations)?;
    for term in 0..point.deviations.len() {
        let Some(deviation) = point.deviations[term] else {
            continue;
        };
        if deviation.abs() > 30.0 * scale {
            return Err(ModelError::NotEstimable {
                what: format!("the variance of `{}`", problem.design.random[term].name),
                why: "it grows without bound, as nearly every level has all its records in one category".to_owned(),
            });
        }
        if deviation.abs() > 0.15 * scale {
            continue;
        }
        let mut without = point.clone();
        without.deviations[term] = None;
        let spread = widened(&without);
        let (there, other) = climb(problem, &without, spread, points, max_iterations)?;
        if other.value >= found.value - 1e-6 {
            let iterations = found.iterations + other.iterations;
            let trace = [found.trace, other.trace].concat();
            (point, found) = (
                there,
                search::Found {
                    iterations,
                    trace,
                    ..other
                },
            );
        }
    }
    polish(problem, point, found, points)
}

fn levels_of(problem: &Problem, point: &Point, active: usize) -> f64 {
    let mut terms = problem
        .design
        .random
        .iter()
        .zip(&point.deviations)
        .filter(|(_, d)| d.is_some());
    terms
        .nth(active)
        .map_or(1.0, |(t, _)| t.levels.len() as f64)
}

/// The information at the maximum, with a few Newton steps to settle it.
fn polish(
    problem: &Problem,
    mut point: Point,
    found: search::Found,
    points: usize,
) -> Result<Maximum, ModelError> {
    let integral = Integral::new(problem, &point, points);
    let warm = RefCell::new(vec![0.0; integral.n_effects()]);
    let not_converged = |gradient: f64| ModelError::NotConverged {
        iterations: found.iterations,
        gradient,
    };
    let (mut value, mut slope) = integral
        .evaluate(&point, &warm)
        .ok_or_else(|| not_converged(f64::NAN))?;
    let information = search::information(
        |free| integral.evaluate(&point.moved(free), &warm).map(|(_, g)| g),
        &point.free(),
        &found.spread,
    )
    .ok_or_else(|| not_converged(f64::NAN))?;
    let covariance = inverse(&information).ok_or_else(|| ModelError::Singular {
        what: "the information at the maximum is not positive definite".into(),
    })?;
    let m = slope.len();
    let step_of = |slope: &[f64]| -> (Vec<f64>, f64) {
        let step: Vec<f64> = (0..m)
            .map(|i| (0..m).map(|j| covariance[(i, j)] * slope[j]).sum())
            .collect();
        let decrement = likelihood::dot(&step, slope);
        (step, decrement)
    };
    let mut extra = 0;
    let gradient = loop {
        let (step, decrement) = step_of(&slope);
        if decrement < 1e-14 || extra == 8 {
            break decrement.max(0.0).sqrt();
        }
        extra += 1;
        let free: Vec<f64> = point.free().iter().zip(&step).map(|(x, s)| x + s).collect();
        let trial = point.moved(&free);
        match integral.evaluate(&trial, &warm) {
            Some((there, next)) if there >= value - 1e-9 * (1.0 + value.abs()) => {
                (point, value, slope) = (trial, there, next);
            }
            _ => break decrement.max(0.0).sqrt(),
        }
    };
    if gradient > 1e-3 {
        return Err(not_converged(gradient));
    }
    // Modes and their motion by Laplace's formulae; quadrature gives the posterior itself.
    let active: Vec<bool> = point.deviations.iter().map(Option::is_some).collect();
    let laplace = Laplace::new(problem, &active);
    let start = warm.borrow().clone();
    let state = laplace
        .evaluate(&point, &start)
        .ok_or_else(|| not_converged(f64::NAN))?;
    let slopes = laplace.effect_slopes(&point, &state);
    let posterior = match &integral {
        Integral::ByLevel(by_level, _) => by_level.evaluate(&point, &start),
        Integral::Laplace(_) => None,
    };
    let effects = problem
        .design
        .random
        .iter()
        .enumerate()
        .map(|(term, random)| {
            (0..random.levels.len())
                .map(|level| match laplace.equation(term, level) {
                    None => (0.0, 0.0, vec![0.0; m]),
                    Some(k) => {
                        let own = slopes.iter().map(|s| s[k]).collect();
                        match &posterior {
                            Some(p) => (p.means[level], p.variances[level], own),
                            None => (
                                state.effects[k],
                                laplace.conditional_variance(&state, k),
                                own,
                            ),
                        }
                    }
                })
                .collect()
        })
        .collect();
    let points = if active.contains(&true) { points } else { 0 };
    Ok(Maximum {
        log_likelihood: value,
        covariance,
        iterations: found.iterations + extra,
        trace: found.trace,
        gradient,
        points,
        effects,
        point,
    })
}

impl ThresholdFit {
    #[allow(clippy::too_many_arguments)]
    fn new(
        frame: &Frame,
        model: &ThresholdModel,
        problem: Problem,
        design: Design,
        categories: Vec<String>,
        unused_categories: Vec<String>,
        observed_n: Vec<f64>,
        maximum: Maximum,
    ) -> Result<Self, ModelError> {
        debug_assert!(frame.n_records() >= problem.n());
        let Maximum {
            point, covariance, ..
        } = &maximum;
        let se = |k: usize| covariance[(k, k)].max(0.0).sqrt();
        let n_cuts = point.cuts.len();
        let mut fixed = Vec::new();
        let mut cut_points = Vec::new();
        if model.binary {
            fixed.push(LiabilityEffect {
                name: "(Intercept)".to_owned(),
                estimate: -point.cuts[0],
                se: se(0),
            });
        } else {
            cut_points = point
                .cuts
                .iter()
                .enumerate()
                .map(|(k, cut)| LiabilityEffect {
                    name: format!("{}|{}", categories[k], categories[k + 1]),
                    estimate: *cut,
                    se: se(k),
                })
                .collect();
        }
        for (column, kept) in design.columns.iter().zip(&design.kept) {
            if let Some(k) = kept.and_then(|k| k.checked_sub(1)) {
                fixed.push(LiabilityEffect {
                    name: column.name.clone(),
                    estimate: point.slopes[k],
                    se: se(n_cuts + k),
                });
            }
        }
        let mut by_value: Vec<(f64, f64)> = problem
            .fixed_predictors(&point.slopes)
            .into_iter()
            .zip(problem.count.iter().copied())
            .collect();
        by_value.sort_by(|a, b| a.0.total_cmp(&b.0));
        let total: f64 = problem.count.iter().sum();
        let mut predictors: Vec<(f64, f64)> = Vec::new();
        for (mean, n) in by_value {
            match predictors.last_mut() {
                Some(last) if (last.0 - mean).abs() < 1e-9 => last.1 += n / total,
                _ => predictors.push((mean, n / total)),
            }
        }
        let mut fitted = Self {
            categories,
            observed_n,
            unused_categories,
            cut_points,
            fixed,
            random: Vec::new(),
            link: model.link,
            log_likelihood: maximum.log_likelihood,
            search: Search {
                iterations: maximum.iterations,
                gradient: maximum.gradient,
                log_likelihoods: maximum.trace.clone(),
                boundary: Vec::new(),
                points: maximum.points,
            },
            records_n: problem.n(),
            binary: model.binary,
            design,
            point: point.clone(),
            covariance: covariance.clone(),
            predictors,
        };
        for (term, effects) in maximum.effects.iter().enumerate() {
            let place = point.place_of(term);
            let deviation = point.deviations[term].unwrap_or(0.0);
            let name = fitted.design.random[term].name.clone();
            let levels = effects
                .iter()
                .zip(&fitted.design.random[term].levels)
                .map(|((scaled, variance, slopes), level)| {
                    let moved: Vec<f64> = slopes
                        .iter()
                        .enumerate()
                        .map(|(k, s)| deviation * s + if Some(k) == place { *scaled } else { 0.0 })
                        .collect();
                    let mut error = deviation * deviation * variance;
                    for (i, a) in moved.iter().enumerate() {
                        for (j, b) in moved.iter().enumerate() {
                            error += a * b * covariance[(i, j)];
                        }
                    }
                    let effect = deviation * scaled;
                    LiabilityLevel {
                        level: level.clone(),
                        effect,
                        se: error.max(0.0).sqrt(),
                        probabilities: fitted.probabilities_with(effect),
                    }
                })
                .collect();
            if place.is_none() {
                fitted.search.boundary.push(name.clone());
            }
            fitted.random.push(LiabilityTerm {
                name,
                variance: deviation * deviation,
                variance_se: place.map(|k| 2.0 * deviation.abs() * se(k)),
                boundary: place.is_none(),
                levels,
            });
        }
        Ok(fitted)
    }

    /// The random term of that name.
    ///
    /// # Errors
    /// No such term.
    pub fn random_term(&self, name: &str) -> Result<&LiabilityTerm, ModelError> {
        self.random
            .iter()
            .find(|r| r.name == name)
            .ok_or_else(|| ModelError::Absent {
                what: format!("random term `{name}`"),
            })
    }

    /// Likelihood-ratio test of every random term, each left out in turn, by the equal mixture of
    /// chi-squares with 0 and 1 degrees of freedom (Self and Liang 1987, from memory).
    ///
    /// # Errors
    /// A reduced model that cannot be fitted.
    pub fn random_tests(
        &self,
        frame: &Frame,
        model: &ThresholdModel,
    ) -> Result<Vec<LikelihoodRatio>, ModelError> {
        (0..self.random.len())
            .map(|k| {
                let mut reduced = model.clone();
                reduced.model = model.model.without_random(k);
                // The same integration where the reduced model allows it.
                if self.search.points <= 1 {
                    reduced.integration = Integration::Laplace;
                } else {
                    reduced.integration = Integration::Automatic;
                }
                let other = fit(frame, &reduced)?;
                let statistic = (2.0 * (self.log_likelihood - other.log_likelihood)).max(0.0);
                let p = if statistic > 0.0 {
                    0.5 * crate::mixed::inference::upper_chi_squared(statistic, 1)
                } else {
                    1.0
                };
                Ok(LikelihoodRatio {
                    term: self.random[k].name.clone(),
                    statistic,
                    parameters: 1,
                    p,
                })
            })
            .collect()
    }
}
