//! Selection indices over several traits.

use super::{SelectionError, in_range};
use crate::selection::intensity;
use faer::prelude::*;
use faer::{Mat, Side};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha12Rng;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

/// Phenotypic and genetic covariances of the traits, checked to be covariances.
#[derive(Debug, Clone)]
pub struct TraitCovariances {
    phenotypic: Mat<f64>,
    genetic: Mat<f64>,
}

/// What an index is to do.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "method", rename_all = "snake_case")]
pub enum Objective {
    /// Greatest gain in merit: b = P^-1 G a (Smith 1936, Hazel 1943).
    Weights {
        /// Economic weight of one unit of each trait.
        weights: Vec<f64>,
    },
    /// Gains in stated proportions: b = G^-1 d (Pesek and Baker 1969).
    DesiredGains {
        /// Gain wanted in each trait, in trait units.
        desired_gains: Vec<f64>,
    },
    /// Greatest gain in merit with some traits held where they are (Kempthorne and Nordskog 1959).
    Restricted {
        /// Economic weight of one unit of each trait.
        weights: Vec<f64>,
        /// Traits (from 0) whose expected response is to be nil.
        held: Vec<usize>,
    },
}

/// An index with what it promises.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Index {
    /// Coefficient of each trait's phenotype.
    pub coefficients: Vec<f64>,
    /// Standard deviation of the index.
    pub sd: f64,
    /// Correlation of index and merit; none where the objective states no weights.
    pub accuracy: Option<f64>,
    /// Genetic standard deviation of merit; none where the objective states no weights.
    pub merit_sd: Option<f64>,
    /// Expected response of each trait to one unit of selection intensity.
    pub response_per_intensity: Vec<f64>,
    /// Expected response in merit to one unit of intensity; none without weights.
    pub merit_per_intensity: Option<f64>,
    /// Selection intensity that brings the desired gains in full; only for desired gains.
    pub intensity_for_desired: Option<f64>,
}

fn matrix(
    name: &'static str,
    rows: &[Vec<f64>],
    positive: bool,
) -> Result<Mat<f64>, SelectionError> {
    let t = rows.len();
    for row in rows {
        if row.len() != t {
            return Err(SelectionError::WrongSize {
                field: name.to_owned(),
                found: row.len(),
                expected: t,
                each: "trait",
            });
        }
    }
    let not = |reason: String| {
        Err(SelectionError::NotCovariance {
            matrix: name,
            reason,
        })
    };
    if t == 0 {
        return not("no traits".to_owned());
    }
    let largest = rows.iter().flatten().fold(0.0f64, |m, x| m.max(x.abs()));
    for (i, row) in rows.iter().enumerate() {
        for (j, x) in row.iter().enumerate() {
            if !x.is_finite() {
                return not(format!("element {}, {} is {x}", i + 1, j + 1));
            }
            if (x - rows[j][i]).abs() > 1e-8 * largest {
                return not(format!(
                    "elements {0}, {1} and {1}, {0} differ",
                    i + 1,
                    j + 1
                ));
            }
        }
    }
    let m = Mat::from_fn(t, t, |i, j| f64::midpoint(rows[i][j], rows[j][i]));
    // Traits differ in unit: definiteness is judged on correlations.
    let sd: Vec<f64> = (0..t).map(|i| m[(i, i)].max(0.0).sqrt()).collect();
    if let Some(i) = sd.iter().position(|s| *s == 0.0) {
        return not(format!("the variance of trait {} is {}", i + 1, rows[i][i]));
    }
    let correlation = Mat::from_fn(t, t, |i, j| m[(i, j)] / (sd[i] * sd[j]));
    let least = correlation
        .self_adjoint_eigenvalues(Side::Lower)
        .ok()
        .and_then(|values| values.into_iter().min_by(f64::total_cmp))
        .unwrap_or(f64::NAN);
    let limit = if positive { 1e-10 } else { -1e-8 };
    if least.is_nan() || least < limit {
        return not(format!(
            "smallest eigenvalue of the correlations is {least:.3e}"
        ));
    }
    Ok(m)
}

fn column(values: &[f64]) -> Mat<f64> {
    Mat::from_fn(values.len(), 1, |i, _| values[i])
}

fn values(column: &Mat<f64>) -> Vec<f64> {
    (0..column.nrows()).map(|i| column[(i, 0)]).collect()
}

fn quadratic(left: &Mat<f64>, middle: &Mat<f64>, right: &Mat<f64>) -> f64 {
    (left.transpose() * middle * right)[(0, 0)]
}

impl TraitCovariances {
    /// Covariances from rows, traits in the same order in both.
    ///
    /// # Errors
    /// When a matrix is not square, symmetric, finite or positive definite (the genetic one may be
    /// semidefinite).
    pub fn new(
        phenotypic: &[Vec<f64>],
        genetic: &[Vec<f64>],
    ) -> Result<TraitCovariances, SelectionError> {
        let found = TraitCovariances {
            phenotypic: matrix("phenotypic", phenotypic, true)?,
            genetic: matrix("genetic", genetic, false)?,
        };
        found.same_traits(genetic.len(), "genetic")?;
        Ok(found)
    }

    /// Traits.
    #[must_use]
    pub fn traits_n(&self) -> usize {
        self.phenotypic.nrows()
    }

    fn same_traits(&self, found: usize, field: &str) -> Result<(), SelectionError> {
        if found == self.traits_n() {
            return Ok(());
        }
        Err(SelectionError::WrongSize {
            field: field.to_owned(),
            found,
            expected: self.traits_n(),
            each: "trait",
        })
    }

    fn check(&self, field: &str, numbers: &[f64]) -> Result<(), SelectionError> {
        self.same_traits(numbers.len(), field)?;
        for &x in numbers {
            in_range(field, x, true, "finite")?;
        }
        let any = numbers.iter().any(|x| *x != 0.0);
        in_range(field, 0.0, any, "other than 0 for at least one trait")
    }

    /// The index for `objective` (formulas from memory).
    ///
    /// # Errors
    /// When numbers do not match the traits, or the genetic covariances cannot be inverted for
    /// desired gains.
    pub fn index(&self, objective: &Objective) -> Result<Index, SelectionError> {
        let (p, g) = (&self.phenotypic, &self.genetic);
        let (b, merit) = match objective {
            Objective::Weights { weights } => {
                self.check("weights", weights)?;
                let a = column(weights);
                (self.inverse_phenotypic_times(&(g * &a)), Some(a))
            }
            Objective::DesiredGains { desired_gains } => {
                self.check("desired_gains", desired_gains)?;
                let d = column(desired_gains);
                let singular = || SelectionError::NotCovariance {
                    matrix: "genetic",
                    reason: "some gains cannot be had apart: it is singular".to_owned(),
                };
                let llt = g.llt(Side::Lower).map_err(|_| singular())?;
                let b = llt.solve(&d);
                let reached = g * &b;
                let miss = (&reached - &d).norm_l2();
                if miss.is_nan() || miss > 1e-8 * d.norm_l2() {
                    return Err(singular());
                }
                (b, None)
            }
            Objective::Restricted { weights, held } => {
                self.check("weights", weights)?;
                let a = column(weights);
                (self.restricted(&a, held)?, Some(a))
            }
        };
        let sd = quadratic(&b, p, &b).max(0.0).sqrt();
        in_range("objective", sd, sd > 0.0, "such that the index varies")?;
        let response = g * &b;
        let response_per_intensity: Vec<f64> = values(&response).iter().map(|x| x / sd).collect();
        let merit_sd = merit.as_ref().map(|a| quadratic(a, g, a).max(0.0).sqrt());
        let merit_per_intensity = merit.as_ref().map(|a| quadratic(&b, g, a) / sd);
        Ok(Index {
            coefficients: values(&b),
            sd,
            accuracy: merit_sd
                .zip(merit_per_intensity)
                .filter(|(sd, _)| *sd > 0.0)
                .map(|(merit_sd, gain)| gain / merit_sd),
            merit_sd,
            response_per_intensity,
            merit_per_intensity,
            intensity_for_desired: matches!(objective, Objective::DesiredGains { .. })
                .then_some(sd),
        })
    }

    fn inverse_phenotypic_times(&self, right: &Mat<f64>) -> Mat<f64> {
        self.phenotypic
            .llt(Side::Lower)
            .expect("checked positive definite")
            .solve(right)
    }

    /// b = [I - P^-1 C (C'P^-1 C)^-1 C'] P^-1 G a, C the held columns of G.
    fn restricted(&self, a: &Mat<f64>, held: &[usize]) -> Result<Mat<f64>, SelectionError> {
        let t = self.traits_n();
        let mut held = held.to_vec();
        held.sort_unstable();
        held.dedup();
        if let Some(&wrong) = held.iter().find(|&&h| h >= t) {
            return Err(SelectionError::OutOfRange {
                field: "held".to_owned(),
                value: wrong as f64,
                must_be: "the number of a trait, from 0",
            });
        }
        if held.len() >= t {
            return Err(SelectionError::TooMany {
                field: "held",
                wanted: held.len(),
                available: t - 1,
            });
        }
        let free = self.inverse_phenotypic_times(&(&self.genetic * a));
        if held.is_empty() {
            return Ok(free);
        }
        let c = Mat::from_fn(t, held.len(), |i, j| self.genetic[(i, held[j])]);
        let spread = self.inverse_phenotypic_times(&c);
        let lambda = (c.transpose() * &spread)
            .partial_piv_lu()
            .solve(c.transpose() * &free);
        Ok(&free - &spread * lambda)
    }
}

impl Index {
    /// Expected response of each trait when the share `proportion` is kept.
    ///
    /// # Errors
    /// Unless 0 < `proportion` <= 1.
    pub fn response(&self, proportion: f64) -> Result<Vec<f64>, SelectionError> {
        Ok(self.response_at(intensity::truncation(proportion)?.intensity))
    }

    /// Expected response of each trait at a selection intensity: that of an infinite population
    /// ([`intensity::truncation`]) or, of so many candidates, [`intensity::finite_intensity`].
    #[must_use]
    pub fn response_at(&self, intensity: f64) -> Vec<f64> {
        self.response_per_intensity
            .iter()
            .map(|r| intensity * r)
            .collect()
    }

    /// Expected response in merit at a selection intensity; none without weights.
    #[must_use]
    pub fn merit_at(&self, intensity: f64) -> Option<f64> {
        self.merit_per_intensity.map(|r| intensity * r)
    }

    /// Expected response in merit when the share `proportion` is kept; none without weights.
    ///
    /// # Errors
    /// Unless 0 < `proportion` <= 1.
    pub fn merit_response(&self, proportion: f64) -> Result<Option<f64>, SelectionError> {
        Ok(self.merit_at(intensity::truncation(proportion)?.intensity))
    }

    /// Index value of one candidate: coefficients times deviations of its traits from `mean`.
    #[must_use]
    pub fn value(&self, traits: &[f64], mean: &[f64]) -> f64 {
        self.coefficients
            .iter()
            .zip(traits.iter().zip(mean))
            .map(|(b, (x, m))| b * (x - m))
            .sum()
    }
}

/// One candidate's traits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Candidate {
    /// Identifier.
    pub id: String,
    /// Phenotype (or mean) of each trait.
    pub traits: Vec<f64>,
}

/// One line of a ranked list.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ranked {
    /// Identifier.
    pub id: String,
    /// Rank, 1 the best.
    pub rank: usize,
    /// Index value, as a deviation from the candidates' mean.
    pub index: f64,
    /// Each trait's share of the index value.
    pub contributions: Vec<f64>,
    /// Probability that the candidate's true merit (or its genetic index, where no weights are
    /// stated) lies above the candidates' mean.
    pub probability_above_mean: f64,
}

/// Ranks candidates by an index, deviations taken from their mean; equal values keep the order of
/// their identifiers.
///
/// # Errors
/// When a candidate has a wrong number of traits or a value that is not finite.
pub fn rank(
    covariances: &TraitCovariances,
    objective: &Objective,
    candidates: &[Candidate],
) -> Result<(Index, Vec<Ranked>), SelectionError> {
    let index = covariances.index(objective)?;
    for candidate in candidates {
        covariances.same_traits(
            candidate.traits.len(),
            &format!("traits of {}", candidate.id),
        )?;
        for &x in &candidate.traits {
            in_range(&format!("traits of {}", candidate.id), x, true, "finite")?;
        }
    }
    let t = covariances.traits_n();
    let n = candidates.len().max(1) as f64;
    let mean: Vec<f64> = (0..t)
        .map(|k| candidates.iter().map(|c| c.traits[k]).sum::<f64>() / n)
        .collect();
    // Merit given the index is normal with mean (cov/var) I and the rest of its variance.
    let b = column(&index.coefficients);
    let merit = match objective {
        Objective::Weights { weights } | Objective::Restricted { weights, .. } => column(weights),
        Objective::DesiredGains { .. } => b.clone(),
    };
    let covariance = quadratic(&b, &covariances.genetic, &merit);
    let merit_variance = quadratic(&merit, &covariances.genetic, &merit);
    let slope = covariance / index.sd.powi(2);
    let rest = (merit_variance - covariance * slope).max(0.0).sqrt();
    let normal = Normal::new(0.0, 1.0).expect("standard normal");
    let mut ranked: Vec<Ranked> = candidates
        .iter()
        .map(|candidate| {
            let contributions: Vec<f64> = (0..t)
                .map(|k| index.coefficients[k] * (candidate.traits[k] - mean[k]))
                .collect();
            let value: f64 = contributions.iter().sum();
            let expected = slope * value;
            let probability_above_mean = if rest > 0.0 {
                normal.cdf(expected / rest)
            } else {
                f64::midpoint(
                    1.0,
                    expected.partial_cmp(&0.0).map_or(0.0, |o| o as i8 as f64),
                )
            };
            Ranked {
                id: candidate.id.clone(),
                rank: 0,
                index: value,
                contributions,
                probability_above_mean,
            }
        })
        .collect();
    ranked.sort_by(|a, b| b.index.total_cmp(&a.index).then_with(|| a.id.cmp(&b.id)));
    ranked
        .iter_mut()
        .enumerate()
        .for_each(|(i, line)| line.rank = i + 1);
    Ok((index, ranked))
}

/// A simulated quantity: mean and the bounds between which 95 % of draws lie.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Spread {
    /// Mean of the draws.
    pub mean: f64,
    /// 2.5 % of draws lie below.
    pub low: f64,
    /// 2.5 % of draws lie above.
    pub high: f64,
}

impl Spread {
    /// Mean and central 95 % of draws; none when there are no draws.
    #[must_use]
    pub fn of(mut draws: Vec<f64>) -> Option<Spread> {
        if draws.is_empty() {
            return None;
        }
        draws.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let position = share * (draws.len() - 1) as f64;
            let (below, part) = (position.floor() as usize, position.fract());
            let above = (below + 1).min(draws.len() - 1);
            draws[below] * (1.0 - part) + draws[above] * part
        };
        Some(Spread {
            mean: draws.iter().sum::<f64>() / draws.len() as f64,
            low: at(0.025),
            high: at(0.975),
        })
    }
}

/// Realised response of each trait when the best `kept_n` of `candidates_n` are selected by the
/// index, over `draws_n` simulated populations from `seed`.
///
/// The covariances are taken as known: the spread is that of sampling candidates.
///
/// # Errors
/// When more are to be kept than there are candidates, or none.
pub fn simulate_response(
    covariances: &TraitCovariances,
    index: &Index,
    kept_n: usize,
    candidates_n: usize,
    draws_n: usize,
    seed: u64,
) -> Result<Vec<Spread>, SelectionError> {
    if kept_n > candidates_n {
        return Err(SelectionError::TooMany {
            field: "kept_n",
            wanted: kept_n,
            available: candidates_n,
        });
    }
    in_range("kept_n", kept_n as f64, kept_n > 0, "at least 1")?;
    in_range("draws_n", draws_n as f64, draws_n > 0, "at least 1")?;
    let t = covariances.traits_n();
    // Given its index I, a candidate's breeding values have mean (G b / var I) I and covariance
    // G - G b b'G / var I.
    let gb = &covariances.genetic * &column(&index.coefficients);
    let rest = Mat::from_fn(t, t, |i, j| {
        covariances.genetic[(i, j)] - gb[(i, 0)] * gb[(j, 0)] / index.sd.powi(2)
    });
    let root = symmetric_root(&rest);
    let normal = Normal::new(0.0, 1.0).expect("standard normal");
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let mut draw = || normal.inverse_cdf(rng.random_range(f64::EPSILON..1.0));
    let mut responses = vec![Vec::with_capacity(draws_n); t];
    for _ in 0..draws_n {
        let mut scores: Vec<f64> = (0..candidates_n).map(|_| draw()).collect();
        scores.sort_by(|a, b| b.total_cmp(a));
        let superiority = scores[..kept_n].iter().sum::<f64>() / kept_n as f64;
        // The mean of kept_n independent remainders has the remainder's covariance over kept_n.
        let noise: Vec<f64> = (0..t).map(|_| draw() / (kept_n as f64).sqrt()).collect();
        for (k, of_trait) in responses.iter_mut().enumerate() {
            let other: f64 = (0..t).map(|j| root[(k, j)] * noise[j]).sum();
            of_trait.push(gb[(k, 0)] / index.sd * superiority + other);
        }
    }
    Ok(responses.into_iter().filter_map(Spread::of).collect())
}

/// Square root of a symmetric positive semidefinite matrix.
pub(crate) fn symmetric_root(m: &Mat<f64>) -> Mat<f64> {
    let eigen = m
        .self_adjoint_eigen(Side::Lower)
        .expect("finite symmetric matrix");
    let vectors = eigen.U();
    let values: Vec<f64> = eigen
        .S()
        .column_vector()
        .iter()
        .map(|v| v.max(0.0).sqrt())
        .collect();
    let scaled = Mat::from_fn(m.nrows(), m.ncols(), |i, j| vectors[(i, j)] * values[j]);
    scaled * vectors.transpose()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn example() -> TraitCovariances {
        TraitCovariances::new(
            &[
                vec![25.0, 4.0, -3.0],
                vec![4.0, 16.0, 1.5],
                vec![-3.0, 1.5, 9.0],
            ],
            &[
                vec![10.0, 2.0, -2.0],
                vec![2.0, 8.0, 1.0],
                vec![-2.0, 1.0, 3.0],
            ],
        )
        .unwrap()
    }

    #[test]
    fn simulation_agrees_with_theory() {
        let covariances = example();
        let index = covariances
            .index(&Objective::Weights {
                weights: vec![1.0, 0.5, 2.0],
            })
            .unwrap();
        let found = simulate_response(&covariances, &index, 5, 50, 3000, 1).unwrap();
        let i = intensity::finite_intensity(5, 50).unwrap();
        for (spread, expected) in found.iter().zip(&index.response_per_intensity) {
            // Monte Carlo error: a kept mean varies by under 1.5, over 3000 draws under 0.03.
            assert!(
                (spread.mean - i * expected).abs() < 0.11,
                "{spread:?} {}",
                i * expected
            );
            assert!(spread.low < spread.mean && spread.mean < spread.high);
        }
        assert_eq!(
            found,
            simulate_response(&covariances, &index, 5, 50, 3000, 1).unwrap()
        );
    }

    #[test]
    fn refuses_what_is_not_a_covariance() {
        let bad = TraitCovariances::new(
            &[vec![1.0, 2.0], vec![2.0, 1.0]],
            &[vec![1.0, 0.0], vec![0.0, 1.0]],
        );
        assert!(matches!(
            bad,
            Err(SelectionError::NotCovariance {
                matrix: "phenotypic",
                ..
            })
        ));
        let lopsided = TraitCovariances::new(
            &[vec![1.0, 0.2], vec![0.1, 1.0]],
            &[vec![1.0, 0.0], vec![0.0, 1.0]],
        );
        assert!(lopsided.is_err());
        assert!(
            example()
                .index(&Objective::Weights { weights: vec![1.0] })
                .is_err()
        );
        assert!(
            example()
                .index(&Objective::Weights {
                    weights: vec![0.0; 3]
                })
                .is_err()
        );
    }

    proptest! {
        #[test]
        fn scale_of_weights_does_not_matter(
            weights in prop::collection::vec(0.1f64..5.0, 3),
            scale in 0.01f64..100.0,
        ) {
            let covariances = example();
            let one = covariances.index(&Objective::Weights { weights: weights.clone() }).unwrap();
            let scaled = weights.iter().map(|w| w * scale).collect();
            let two = covariances.index(&Objective::Weights { weights: scaled }).unwrap();
            for (a, b) in one.response_per_intensity.iter().zip(&two.response_per_intensity) {
                prop_assert!((a - b).abs() < 1e-9);
            }
            prop_assert!((one.accuracy.unwrap() - two.accuracy.unwrap()).abs() < 1e-12);
        }

        #[test]
        fn held_traits_stay_and_desired_gains_keep_their_ratio(
            weights in prop::collection::vec(0.1f64..5.0, 3),
            held in 0usize..3,
        ) {
            let covariances = example();
            let free = covariances.index(&Objective::Weights { weights: weights.clone() }).unwrap();
            let restricted = covariances
                .index(&Objective::Restricted { weights: weights.clone(), held: vec![held] })
                .unwrap();
            prop_assert!(restricted.response_per_intensity[held].abs() < 1e-9);
            prop_assert!(restricted.merit_per_intensity <= free.merit_per_intensity);
            let desired = covariances
                .index(&Objective::DesiredGains { desired_gains: weights.clone() })
                .unwrap();
            let ratio = desired.response_per_intensity[0] / weights[0];
            for (response, wanted) in desired.response_per_intensity.iter().zip(&weights) {
                prop_assert!((response / wanted - ratio).abs() < 1e-9);
            }
        }

        #[test]
        fn units_of_a_trait_do_not_change_the_ranking(
            rows in prop::collection::vec(prop::collection::vec(-10.0f64..10.0, 2), 2..20),
            unit in 0.01f64..100.0,
        ) {
            let p = [vec![4.0, 1.0], vec![1.0, 9.0]];
            let g = [vec![2.0, 0.5], vec![0.5, 3.0]];
            let convert = |m: &[Vec<f64>; 2]| {
                vec![vec![m[0][0] * unit * unit, m[0][1] * unit], vec![m[1][0] * unit, m[1][1]]]
            };
            let candidates = |scale: f64| -> Vec<Candidate> {
                rows.iter().enumerate()
                    .map(|(i, r)| Candidate { id: i.to_string(), traits: vec![r[0] * scale, r[1]] })
                    .collect()
            };
            let plain = TraitCovariances::new(&p, &g).unwrap();
            let other = TraitCovariances::new(&convert(&p), &convert(&g)).unwrap();
            let weights = |first: f64| Objective::Weights { weights: vec![first, 1.0] };
            let (_, a) = rank(&plain, &weights(2.0), &candidates(1.0)).unwrap();
            let (_, b) = rank(&other, &weights(2.0 / unit), &candidates(unit)).unwrap();
            for (x, y) in a.iter().zip(&b) {
                prop_assert!((x.index - y.index).abs() < 1e-8);
            }
        }
    }
}
