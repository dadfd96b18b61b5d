//! Tests of fixed terms and of variance components.

use faer::{Mat, Side};
use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, Normal, StudentsT};

use super::design::{NO_LEVEL, Part};
use super::reml::Free;
use super::{Fit, Model, ModelError, inverse};
use crate::data::Frame;

/// How denominator degrees of freedom are found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DenominatorDf {
    /// Kenward and Roger (1997, Biometrics 53:983-997, from memory): small-sample covariance of the
    /// fixed effects, F scaled; for up to [`KENWARD_ROGER_RECORDS`] records with independent
    /// residuals and unrelated levels.
    ///
    /// A variance component estimated at zero is left out of the parameters whose uncertainty
    /// counts, as if the model had been fitted without it; [`DenominatorDf::KenwardRogerWithZeros`]
    /// keeps it. Programs differ in this, and their degrees of freedom with them.
    #[default]
    KenwardRoger,
    /// The same with components estimated at zero kept among the parameters whose uncertainty
    /// counts: fewer degrees of freedom, as a variance that shows none is not known to be none.
    KenwardRogerWithZeros,
    /// Satterthwaite's approximation from the average information; any size and structure.
    Satterthwaite,
    /// Kenward and Roger where it is offered, else Satterthwaite;
    /// [`Fit::denominator_df_method`](super::Fit::denominator_df_method) says which.
    Automatic,
}

/// A fixed coefficient with its t test and interval.
#[derive(Debug, Clone, PartialEq)]
pub struct FixedInference {
    /// Coefficient by treatment contrasts.
    pub name: String,
    /// Best linear unbiased estimate.
    pub estimate: f64,
    /// Standard error, with the small-sample adjustment of the method.
    pub se: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Estimate over standard error.
    pub t: f64,
    /// Two-sided P value.
    pub p: f64,
    /// Limits of the 95 % confidence interval, by the quantile of t.
    pub interval: (f64, f64),
}

/// The 97.5 % quantile of t; that of the normal distribution for infinite degrees of freedom.
pub(crate) fn quantile_975(df: f64) -> f64 {
    if df.is_finite() && df > 0.0 {
        StudentsT::new(0.0, 1.0, df).map_or(f64::NAN, |t| t.inverse_cdf(0.975))
    } else {
        1.959_963_984_540_054
    }
}

/// Most records for which [`DenominatorDf::KenwardRoger`] is offered, as it takes dense matrices.
pub const KENWARD_ROGER_RECORDS: usize = 1000;

/// Wald F test of a fixed term, averaged over the levels of the others.
#[derive(Debug, Clone, PartialEq)]
pub struct WaldTest {
    /// The term.
    pub term: String,
    /// F statistic (scaled, for Kenward-Roger).
    pub f: f64,
    /// Numerator degrees of freedom.
    pub numerator_df: usize,
    /// Denominator degrees of freedom.
    pub denominator_df: f64,
    /// P value.
    pub p: f64,
}

/// Likelihood-ratio test of variance components.
#[derive(Debug, Clone, PartialEq)]
pub struct LikelihoodRatio {
    /// The random term left out.
    pub term: String,
    /// Twice the difference of the restricted log-likelihoods.
    pub statistic: f64,
    /// Covariance parameters left out.
    pub parameters: usize,
    /// P value from the equal mixture of chi-squares with one parameter less and all of them, as
    /// a variance cannot be negative (Self and Liang 1987, from memory); conservative when
    /// several covariances go at once.
    pub p: f64,
}

/// Small-sample covariance of the fixed effects.
pub(crate) struct KenwardRoger {
    pub(crate) adjusted: Mat<f64>,
    /// Covariance of the variance parameters.
    w: Mat<f64>,
    /// X'V^-1 dV V^-1 X for every parameter.
    slopes: Vec<Mat<f64>>,
}

fn upper_f(f: f64, numerator: f64, denominator: f64) -> f64 {
    FisherSnedecor::new(numerator, denominator).map_or(f64::NAN, |d| d.sf(f.max(0.0)))
}

pub(crate) fn upper_chi_squared(x: f64, df: usize) -> f64 {
    if df == 0 {
        return if x > 0.0 { 0.0 } else { 1.0 };
    }
    ChiSquared::new(df as f64).map_or(f64::NAN, |d| d.sf(x.max(0.0)))
}

/// Differences of twice the log-likelihood that two searches for one maximum may leave.
const LIKELIHOOD_TOLERANCE: f64 = 1e-5;

/// Compares nested models with the same fixed part; a difference within the tolerance of the search
/// counts as none.
///
/// # Errors
/// Fits whose fixed coefficients or records differ.
pub fn likelihood_ratio(
    full: &Fit,
    reduced: &Fit,
    term: &str,
) -> Result<LikelihoodRatio, ModelError> {
    let same = full.n_records() == reduced.n_records()
        && full.fixed.len() == reduced.fixed.len()
        && full
            .fixed
            .iter()
            .zip(&reduced.fixed)
            .all(|(a, b)| a.name == b.name);
    if !same {
        return Err(ModelError::NotEstimable {
            what: "a likelihood ratio".to_owned(),
            why: "restricted likelihoods compare models with the same fixed part and records only"
                .to_owned(),
        });
    }
    let count = |fit: &Fit| -> usize {
        let residual = fit.design.residual.n_parameters();
        residual
            + fit
                .random
                .iter()
                .zip(&fit.design.random)
                .map(|(r, design)| {
                    let t = r.coefficients.len();
                    let rank = design.max_rank.min(t);
                    t * rank - rank * (rank - 1) / 2
                })
                .sum::<usize>()
    };
    let parameters = count(full).saturating_sub(count(reduced));
    let difference = 2.0 * (full.log_likelihood - reduced.log_likelihood);
    // Two searches for the same maximum agree to within their tolerance only: what lies within it
    // is no evidence, and the term stays at zero.
    let statistic = if difference <= LIKELIHOOD_TOLERANCE {
        0.0
    } else {
        difference
    };
    let p = if statistic == 0.0 {
        1.0
    } else {
        0.5 * (upper_chi_squared(statistic, parameters.saturating_sub(1))
            + upper_chi_squared(statistic, parameters))
    };
    Ok(LikelihoodRatio {
        term: term.to_owned(),
        statistic,
        parameters,
        p,
    })
}

impl Fit {
    /// Likelihood-ratio test of every random term, each left out in turn.
    ///
    /// # Errors
    /// A reduced model that cannot be fitted.
    pub fn random_tests(
        &self,
        frame: &Frame,
        model: &Model,
    ) -> Result<Vec<LikelihoodRatio>, ModelError> {
        (0..model.random.len())
            .map(|k| {
                let reduced = super::fit(frame, &model.without_random(k))?;
                likelihood_ratio(self, &reduced, &model.random[k].name())
            })
            .collect()
    }

    /// Wald F tests of the fixed terms. A main effect is tested averaged over the levels of the
    /// factors that interact with it, a covariate at the means of the others. Terms without an
    /// estimable contrast (empty cells) are left out.
    ///
    /// # Errors
    /// Kenward-Roger asked of a model for which it is not offered.
    pub fn fixed_tests(&self, method: DenominatorDf) -> Result<Vec<WaldTest>, ModelError> {
        let method = self.denominator_df_method(method);
        let mut tests = Vec::new();
        for term in &self.design.terms {
            let rows = self.design.term_contrasts(term);
            if !rows.is_empty() {
                tests.push(self.wald(&term.to_string(), &rows, method)?);
            }
        }
        Ok(tests)
    }

    /// The method that is used when the given one is asked for: [`DenominatorDf::Automatic`]
    /// becomes Kenward and Roger's where it is offered (independent residuals, unrelated levels,
    /// no more than [`KENWARD_ROGER_RECORDS`] records), else Satterthwaite's.
    #[must_use]
    pub fn denominator_df_method(&self, asked: DenominatorDf) -> DenominatorDf {
        match asked {
            DenominatorDf::Automatic if self.small_sample(DenominatorDf::KenwardRoger).is_ok() => {
                DenominatorDf::KenwardRoger
            }
            DenominatorDf::Automatic => DenominatorDf::Satterthwaite,
            other => other,
        }
    }

    /// Fixed coefficients with t tests and intervals.
    ///
    /// # Errors
    /// Kenward-Roger asked of a model for which it is not offered.
    pub fn fixed_inference(
        &self,
        method: DenominatorDf,
    ) -> Result<Vec<FixedInference>, ModelError> {
        let method = self.denominator_df_method(method);
        let adjusted = self.small_sample(method)?.map(|kr| &kr.adjusted);
        self.fixed
            .iter()
            .enumerate()
            .map(|(k, coefficient)| {
                let mut row = vec![0.0; self.design.n_kept];
                row[k] = 1.0;
                let df = self.contrast_df(&row, method)?;
                let se = adjusted.map_or(coefficient.se, |a| a[(k, k)].max(0.0).sqrt());
                let t = coefficient.estimate / se;
                let p = if df.is_finite() && df > 0.0 {
                    StudentsT::new(0.0, 1.0, df).map_or(f64::NAN, |d| 2.0 * d.sf(t.abs()))
                } else {
                    2.0 * Normal::standard().sf(t.abs())
                };
                let half = quantile_975(df) * se;
                Ok(FixedInference {
                    name: coefficient.name.clone(),
                    estimate: coefficient.estimate,
                    se,
                    df,
                    t,
                    p,
                    interval: (coefficient.estimate - half, coefficient.estimate + half),
                })
            })
            .collect()
    }

    fn estimates(&self, rows: &[Vec<f64>]) -> Vec<f64> {
        rows.iter()
            .map(|row| {
                row.iter()
                    .zip(&self.fixed)
                    .map(|(w, c)| w * c.estimate)
                    .sum()
            })
            .collect()
    }

    fn wald(
        &self,
        term: &str,
        rows: &[Vec<f64>],
        method: DenominatorDf,
    ) -> Result<WaldTest, ModelError> {
        let q = rows.len();
        let p = self.design.n_kept;
        let l = Mat::from_fn(q, p, |i, j| rows[i][j]);
        let estimate = self.estimates(rows);
        let estimate = Mat::from_fn(q, 1, |i, _| estimate[i]);
        let singular = || ModelError::NotEstimable {
            what: format!("the test of `{term}`"),
            why: "its contrasts are not independent".to_owned(),
        };
        let statistic = |covariance: &Mat<f64>| -> Option<f64> {
            let middle = inverse(&(&l * covariance * l.transpose()))?;
            Some((estimate.transpose() * middle * &estimate)[(0, 0)] / q as f64)
        };
        let (f, df) = match self.small_sample(method)? {
            Some(kr) => {
                let (df, scale) = kr
                    .df_and_scale(&self.fixed_covariance, &l)
                    .ok_or_else(singular)?;
                (scale * statistic(&kr.adjusted).ok_or_else(singular)?, df)
            }
            None => {
                let f = statistic(&self.fixed_covariance).ok_or_else(singular)?;
                (f, self.satterthwaite_several(&l).ok_or_else(singular)?)
            }
        };
        Ok(WaldTest {
            term: term.to_owned(),
            f,
            numerator_df: q,
            denominator_df: df,
            p: upper_f(f, q as f64, df),
        })
    }

    /// Denominator degrees of freedom of one contrast of the kept coefficients.
    pub(crate) fn contrast_df(
        &self,
        row: &[f64],
        method: DenominatorDf,
    ) -> Result<f64, ModelError> {
        match self.small_sample(method)? {
            Some(kr) => {
                let l = Mat::from_fn(1, row.len(), |_, j| row[j]);
                Ok(kr
                    .df_and_scale(&self.fixed_covariance, &l)
                    .map_or(f64::NAN, |(df, _)| df))
            }
            None => Ok(self.satterthwaite(row)),
        }
    }

    /// 2 v^2 / var(v) for the variance v of a contrast, by the delta method.
    fn satterthwaite(&self, row: &[f64]) -> f64 {
        let Some(w) = &self.parameter_covariance else {
            return f64::INFINITY;
        };
        let (design, system, solved) = (&self.design, &self.optimum.system, &self.optimum.solved);
        let mut h = vec![0.0; system.n_equations];
        h[..row.len()].copy_from_slice(row);
        system.pattern.solve(&solved.factor, &mut h);
        let variance: f64 = row.iter().zip(&h).map(|(a, b)| a * b).sum();
        let through = system.times(&solved.w, &h);
        let weighted = design.residual.apply(&solved.residual.weights, &through);
        let gradient: Vec<f64> = self
            .optimum
            .derivatives
            .free
            .iter()
            .map(|free| match *free {
                Free::Loading { term, .. } => {
                    let random = &design.random[term];
                    let (first, rank) = (system.first[term], system.ranks[term]);
                    let mut sum = 0.0;
                    for (coefficient, column) in self.optimum.parameters.entries(*free) {
                        for (i, &l) in random
                            .level_of
                            .iter()
                            .enumerate()
                            .filter(|(_, l)| **l != NO_LEVEL)
                        {
                            sum += random.covariates[coefficient][i]
                                * weighted[i]
                                * h[first + l as usize * rank + column];
                        }
                    }
                    -2.0 * sum
                }
                Free::Residual(k) => {
                    let slope = design
                        .residual
                        .apply(&solved.residual.derivatives[k].0, &through);
                    -slope.iter().zip(&through).map(|(a, b)| a * b).sum::<f64>()
                }
            })
            .collect();
        let mut spread = 0.0;
        for (i, a) in gradient.iter().enumerate() {
            for (j, b) in gradient.iter().enumerate() {
                spread += a * b * w[(i, j)];
            }
        }
        2.0 * variance * variance / spread
    }

    /// Several contrasts at once (Fai and Cornelius 1996, from memory): the degrees of freedom of
    /// their principal contrasts, pooled through the mean of F.
    fn satterthwaite_several(&self, l: &Mat<f64>) -> Option<f64> {
        let q = l.nrows();
        let eigen = (l * &self.fixed_covariance * l.transpose())
            .self_adjoint_eigen(Side::Lower)
            .ok()?;
        let principal = eigen.U().transpose() * l;
        let each: Vec<f64> = (0..q)
            .map(|m| {
                let row: Vec<f64> = (0..l.ncols()).map(|j| principal[(m, j)]).collect();
                self.satterthwaite(&row)
            })
            .collect();
        if q == 1 {
            return Some(each[0]);
        }
        if each.iter().all(|df| df.is_infinite()) {
            return Some(f64::INFINITY);
        }
        let expected: f64 = each
            .iter()
            .filter(|df| **df > 2.0)
            .map(|df| df / (df - 2.0))
            .sum();
        (expected > q as f64)
            .then(|| 2.0 * expected / (expected - q as f64))
            .or(Some(each.iter().copied().fold(f64::INFINITY, f64::min)))
    }

    /// The small-sample covariance that a method asks for; none for Satterthwaite's.
    pub(crate) fn small_sample(
        &self,
        method: DenominatorDf,
    ) -> Result<Option<&KenwardRoger>, ModelError> {
        let (kept, with_zeros) = match method {
            DenominatorDf::KenwardRoger => (&self.kenward_roger, false),
            DenominatorDf::KenwardRogerWithZeros => (&self.kenward_roger_with_zeros, true),
            DenominatorDf::Satterthwaite | DenominatorDf::Automatic => return Ok(None),
        };
        kept.get_or_init(|| KenwardRoger::new(self, with_zeros))
            .as_ref()
            .map(Some)
            .map_err(ModelError::clone)
    }
}

impl Part {
    pub(crate) fn variable(&self) -> &str {
        match self {
            Self::Level { variable, .. } | Self::Covariate { variable } => variable,
        }
    }
}

impl KenwardRoger {
    fn new(fit: &Fit, with_zeros: bool) -> Result<Self, ModelError> {
        let design = &fit.design;
        let n = design.n();
        let not_offered = |why: String| ModelError::NotEstimable {
            what: "the Kenward-Roger adjustment".to_owned(),
            why: format!("{why}; use Satterthwaite's degrees of freedom"),
        };
        if n > KENWARD_ROGER_RECORDS {
            return Err(not_offered(format!(
                "{n} records are more than {KENWARD_ROGER_RECORDS}"
            )));
        }
        if design.random.iter().any(|r| r.relationship.is_some()) {
            return Err(not_offered(
                "the levels of a random term are related".to_owned(),
            ));
        }
        if design
            .random
            .iter()
            .any(|r| r.smooth.is_none() && r.max_rank < r.coefficients.len())
        {
            return Err(not_offered(
                "a covariance between sites has a form in which records' covariances are not linear"
                    .to_owned(),
            ));
        }
        let Some(groups) = design.residual.group_of() else {
            return Err(not_offered("residuals are correlated".to_owned()));
        };
        let singular = || not_offered("the covariance of the records is singular".to_owned());
        // dV by every variance and covariance, those of terms at zero if asked; V is linear in them.
        let mut slopes_v: Vec<Mat<f64>> = Vec::new();
        let mut v = Mat::zeros(n, n);
        for (k, random) in design.random.iter().enumerate() {
            let loading = &fit.optimum.parameters.loadings[k];
            if loading.rank == 0 && !with_zeros {
                continue;
            }
            if loading.shared {
                let slope = Mat::from_fn(n, n, |i, j| {
                    random.covariates.iter().map(|z| z[i] * z[j]).sum::<f64>()
                });
                v += faer::Scale(loading.covariance(0, 0)) * &slope;
                slopes_v.push(slope);
                continue;
            }
            for a in 0..random.coefficients.len() {
                for b in 0..=a {
                    let (za, zb) = (&random.covariates[a], &random.covariates[b]);
                    let slope = Mat::from_fn(n, n, |i, j| {
                        if random.level_of[i] != random.level_of[j] {
                            0.0
                        } else if a == b {
                            za[i] * za[j]
                        } else {
                            za[i] * zb[j] + zb[i] * za[j]
                        }
                    });
                    v += faer::Scale(loading.covariance(a, b)) * &slope;
                    slopes_v.push(slope);
                }
            }
        }
        for (g, estimate) in fit.residual.variances.iter().enumerate() {
            let slope = Mat::from_fn(n, n, |i, j| f64::from(i == j && groups[i] as usize == g));
            v += faer::Scale(estimate.variance) * &slope;
            slopes_v.push(slope);
        }
        let v_inverse = inverse(&v).ok_or_else(singular)?;
        let mut x = Mat::<f64>::zeros(n, design.n_kept);
        for i in 0..n {
            design
                .fixed_row(i)
                .iter()
                .for_each(|&(j, value)| x[(i, j as usize)] = value);
        }
        let t = &v_inverse * &x;
        let phi = &fit.fixed_covariance;
        let projection = &v_inverse - &t * phi * t.transpose();
        let m = slopes_v.len();
        let dt: Vec<Mat<f64>> = slopes_v.iter().map(|s| s * &t).collect();
        let slopes: Vec<Mat<f64>> = dt.iter().map(|d| t.transpose() * d).collect();
        let projected: Vec<Mat<f64>> = slopes_v.iter().map(|s| &projection * s).collect();
        let twice_information = Mat::from_fn(m, m, |i, j| {
            let mut trace = 0.0;
            for r in 0..n {
                for c in 0..n {
                    trace += projected[i][(r, c)] * projected[j][(c, r)];
                }
            }
            trace
        });
        let w = faer::Scale(2.0) * inverse(&twice_information).ok_or_else(singular)?;
        let vdt: Vec<Mat<f64>> = dt.iter().map(|d| &v_inverse * d).collect();
        let mut inflation = Mat::<f64>::zeros(design.n_kept, design.n_kept);
        for i in 0..m {
            for j in 0..m {
                let q = dt[i].transpose() * &vdt[j];
                inflation += faer::Scale(w[(i, j)]) * (q - &slopes[i] * phi * &slopes[j]);
            }
        }
        let adjusted = phi + faer::Scale(2.0) * (phi * inflation * phi);
        let adjusted = faer::Scale(0.5) * (&adjusted + adjusted.transpose());
        Ok(Self {
            adjusted,
            w,
            slopes,
        })
    }

    /// The degrees of freedom of one contrast, to which the general formula reduces: 2 v^2 over
    /// the variance of v (and a scale of 1).
    fn df_of_one(&self, phi: &Mat<f64>, l: &Mat<f64>) -> f64 {
        let through = phi * l.transpose();
        let variance = (l * &through)[(0, 0)];
        let shares: Vec<f64> = self
            .slopes
            .iter()
            .map(|slope| (through.transpose() * slope * &through)[(0, 0)] / variance)
            .collect();
        let mut spread = 0.0;
        for (i, a) in shares.iter().enumerate() {
            for (j, b) in shares.iter().enumerate() {
                spread += self.w[(i, j)] * a * b;
            }
        }
        if spread < 1e-14 {
            f64::INFINITY
        } else {
            2.0 / spread
        }
    }

    /// Denominator degrees of freedom and the scale of F for the contrasts L.
    fn df_and_scale(&self, phi: &Mat<f64>, l: &Mat<f64>) -> Option<(f64, f64)> {
        let q = l.nrows() as f64;
        if l.nrows() == 1 {
            return Some((self.df_of_one(phi, l), 1.0));
        }
        let theta = l.transpose() * inverse(&(l * phi * l.transpose()))? * l;
        let each: Vec<Mat<f64>> = self
            .slopes
            .iter()
            .map(|slope| &theta * phi * slope * phi)
            .collect();
        let trace = |m: &Mat<f64>| m.diagonal().column_vector().iter().sum::<f64>();
        let (mut a1, mut a2) = (0.0, 0.0);
        for (i, left) in each.iter().enumerate() {
            for (j, right) in each.iter().enumerate() {
                a1 += self.w[(i, j)] * trace(left) * trace(right);
                a2 += self.w[(i, j)] * trace(&(left * right));
            }
        }
        if a2.abs() < 1e-14 {
            return Some((f64::INFINITY, 1.0));
        }
        let b = (a1 + 6.0 * a2) / (2.0 * q);
        let g = ((q + 1.0) * a1 - (q + 4.0) * a2) / ((q + 2.0) * a2);
        let d = 3.0 * q + 2.0 * (1.0 - g);
        let (c1, c2, c3) = (g / d, (q - g) / d, (q + 2.0 - g) / d);
        let zero_if_tiny = |x: f64| if x.abs() < 1e-10 { 0.0 } else { x };
        let (v0, v1, v2) = (
            zero_if_tiny(1.0 + c1 * b),
            zero_if_tiny(1.0 - c2 * b),
            zero_if_tiny(1.0 - c3 * b),
        );
        let mean = 1.0 - a2 / q;
        let ratio = if mean.abs() < 1e-10 && v1 == 0.0 {
            1.0
        } else {
            mean / v1
        };
        let rho = ratio * ratio * v0 / v2 / q;
        let df = 4.0 + (q + 2.0) / (q * rho - 1.0);
        let scale = if (df - 2.0).abs() < 1e-2 {
            1.0
        } else {
            df * mean / (df - 2.0)
        };
        Some((df, scale))
    }
}
