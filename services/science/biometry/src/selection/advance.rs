//! Who goes on: chance of being truly among the best, culling levels and the list of suggestions.

use super::{SelectionError, in_range};
use faer::{Mat, Side};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha12Rng;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

/// A candidate's estimated value with its standard error.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Identifier.
    pub id: String,
    /// Estimated value, higher is better.
    pub value: f64,
    /// Standard error (of prediction), 0 when known exactly.
    pub se: f64,
}

/// How sure a candidate's place among the best is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TopChance {
    /// Identifier.
    pub id: String,
    /// Probability that it is truly among the best k.
    pub probability: f64,
    /// Mean of its true rank, 1 the best.
    pub expected_rank: f64,
    /// Ranks between which the true one lies in 95 % of draws.
    pub rank_interval: (usize, usize),
}

/// Probability that each candidate is truly among the best `k`, from `draws_n` joint draws of
/// their true values around the estimates.
///
/// `covariance` holds the covariances of the errors of prediction in the order of `estimates`;
/// without it errors are independent with the stated standard errors. Takes 4 bytes of memory for
/// each candidate and draw.
///
/// # Errors
/// When `k` exceeds the candidates, a number is not finite or the covariance is of wrong size.
pub fn probability_in_top(
    estimates: &[Estimate],
    covariance: Option<&[Vec<f64>]>,
    k: usize,
    draws_n: usize,
    seed: u64,
) -> Result<Vec<TopChance>, SelectionError> {
    let n = estimates.len();
    if k > n {
        return Err(SelectionError::TooMany {
            field: "k",
            wanted: k,
            available: n,
        });
    }
    in_range("k", k as f64, k > 0, "at least 1")?;
    in_range("draws_n", draws_n as f64, draws_n > 0, "at least 1")?;
    for e in estimates {
        in_range(&format!("value of {}", e.id), e.value, true, "finite")?;
        in_range(&format!("se of {}", e.id), e.se, e.se >= 0.0, "0 or more")?;
    }
    let root = covariance.map(|rows| error_root(rows, n)).transpose()?;
    let normal = Normal::new(0.0, 1.0).expect("standard normal");
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let mut draw = || normal.inverse_cdf(rng.random_range(f64::EPSILON..1.0));
    let mut ranks: Vec<Vec<u32>> = vec![Vec::with_capacity(draws_n); n];
    let mut order: Vec<usize> = (0..n).collect();
    let mut truth = vec![0.0; n];
    for _ in 0..draws_n {
        let noise: Vec<f64> = (0..n).map(|_| draw()).collect();
        for i in 0..n {
            let error = match &root {
                Some(root) => (0..n).map(|j| root[(i, j)] * noise[j]).sum(),
                None => estimates[i].se * noise[i],
            };
            truth[i] = estimates[i].value + error;
        }
        // Ties, possible only without error, go to the first listed.
        order.sort_unstable_by(|&a, &b| truth[b].total_cmp(&truth[a]).then(a.cmp(&b)));
        for (rank, &i) in order.iter().enumerate() {
            ranks[i].push(rank as u32 + 1);
        }
    }
    Ok(estimates
        .iter()
        .zip(ranks)
        .map(|(estimate, mut of)| {
            of.sort_unstable();
            let draws = of.len() as f64;
            let at = |share: f64| of[((of.len() - 1) as f64 * share).round() as usize] as usize;
            TopChance {
                id: estimate.id.clone(),
                probability: of.partition_point(|r| *r as usize <= k) as f64 / draws,
                expected_rank: of.iter().map(|r| f64::from(*r)).sum::<f64>() / draws,
                rank_interval: (at(0.025), at(0.975)),
            }
        })
        .collect())
}

fn error_root(rows: &[Vec<f64>], n: usize) -> Result<Mat<f64>, SelectionError> {
    let wrong = |found| SelectionError::WrongSize {
        field: "covariance".to_owned(),
        found,
        expected: n,
        each: "candidate",
    };
    if rows.len() != n {
        return Err(wrong(rows.len()));
    }
    if let Some(row) = rows.iter().find(|row| row.len() != n) {
        return Err(wrong(row.len()));
    }
    let m = Mat::from_fn(n, n, |i, j| f64::midpoint(rows[i][j], rows[j][i]));
    let not = |reason: String| SelectionError::NotCovariance {
        matrix: "covariance",
        reason,
    };
    if rows.iter().flatten().any(|x| !x.is_finite()) {
        return Err(not("it holds numbers that are not finite".to_owned()));
    }
    let least = m
        .self_adjoint_eigenvalues(Side::Lower)
        .ok()
        .and_then(|values| values.into_iter().min_by(f64::total_cmp))
        .unwrap_or(0.0);
    let largest = (0..n).map(|i| m[(i, i)].abs()).fold(0.0, f64::max);
    if least < -1e-6 * largest {
        return Err(not(format!("smallest eigenvalue is {least:.3e}")));
    }
    Ok(super::index::symmetric_root(&m))
}

/// Why a candidate is or is not suggested.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// Within the places and almost surely among the best (probability 0.9 or more).
    SurelyAmongTheBest,
    /// Within the places and more likely than not among the best.
    LikelyAmongTheBest,
    /// Within the places by its estimate, though less likely than not among the best.
    BestOfWhatIsLeft,
    /// Outside the places but not clearly worse (probability 0.25 or more): worth a look.
    CloseToTheLine,
    /// Outside the places.
    BelowTheLine,
    /// Fails a culling level, whatever its index.
    Culled,
}

/// One line of an advance list, for a person to confirm.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Suggestion {
    /// The candidate's chance.
    pub chance: TopChance,
    /// Estimated value.
    pub value: f64,
    /// Whether it is suggested to go on.
    pub advance: bool,
    /// Why.
    pub reason: Reason,
}

/// Suggests `places_n` candidates by estimated value, best first; those `culled` never go on.
///
/// # Errors
/// As [`probability_in_top`].
pub fn advance_list(
    estimates: &[Estimate],
    covariance: Option<&[Vec<f64>]>,
    culled: &[bool],
    places_n: usize,
    draws_n: usize,
    seed: u64,
) -> Result<Vec<Suggestion>, SelectionError> {
    if culled.len() != estimates.len() {
        return Err(SelectionError::WrongSize {
            field: "culled".to_owned(),
            found: culled.len(),
            expected: estimates.len(),
            each: "candidate",
        });
    }
    let chances = probability_in_top(estimates, covariance, places_n, draws_n, seed)?;
    let values: Vec<f64> = estimates.iter().map(|e| e.value).collect();
    let told: Vec<f64> = chances.iter().map(|c| c.probability).collect();
    Ok(list(&values, Some(&told), culled, places_n)
        .into_iter()
        .map(|line| Suggestion {
            chance: chances[line.candidate].clone(),
            value: estimates[line.candidate].value,
            advance: line.advance,
            reason: line.reason,
        })
        .collect())
}

/// One line of a list of candidates, best first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Listed {
    /// Place of the candidate in what was given.
    pub candidate: usize,
    /// Whether it is suggested to go on.
    pub advance: bool,
    /// Why.
    pub reason: Reason,
}

/// Lists candidates by their values, best first, and suggests `places_n`; those `culled` never go
/// on. `chances` are the probabilities of being truly among the best, where they can be told.
///
/// # Panics
/// When the lists differ in length.
#[must_use]
pub fn list(
    values: &[f64],
    chances: Option<&[f64]>,
    culled: &[bool],
    places_n: usize,
) -> Vec<Listed> {
    assert_eq!(values.len(), culled.len(), "one mark for each value");
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[b].total_cmp(&values[a]).then(a.cmp(&b)));
    let mut places_left = places_n;
    order
        .into_iter()
        .map(|candidate| {
            let advance = !culled[candidate] && places_left > 0;
            places_left -= usize::from(advance);
            let chance = chances.map(|of| of[candidate]);
            Listed {
                candidate,
                advance,
                reason: Reason::of(culled[candidate], advance, chance),
            }
        })
        .collect()
}

impl Reason {
    /// By the chance where it can be told, else by the place alone.
    fn of(culled: bool, advance: bool, chance: Option<f64>) -> Self {
        match (culled, advance, chance) {
            (true, ..) => Self::Culled,
            (_, true, Some(p)) if p >= 0.9 => Self::SurelyAmongTheBest,
            (_, true, Some(p)) if p >= 0.5 => Self::LikelyAmongTheBest,
            (_, true, _) => Self::BestOfWhatIsLeft,
            (_, false, Some(p)) if p >= 0.25 => Self::CloseToTheLine,
            _ => Self::BelowTheLine,
        }
    }
}

/// Bounds a trait must keep.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct CullingLevel {
    /// Smallest value kept.
    #[serde(default)]
    pub at_least: Option<f64>,
    /// Largest value kept.
    #[serde(default)]
    pub at_most: Option<f64>,
}

impl CullingLevel {
    fn keeps(&self, value: f64) -> bool {
        self.at_least.is_none_or(|low| value >= low)
            && self.at_most.is_none_or(|high| value <= high)
    }
}

/// A candidate against independent culling levels.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Culling {
    /// Traits (from 0) that fall outside their level.
    pub failed: Vec<usize>,
    /// Traits with a level but without a value; they neither pass nor fail.
    pub missing: Vec<usize>,
}

impl Culling {
    /// Whether the candidate keeps every level that it can be held to.
    #[must_use]
    pub fn kept(&self) -> bool {
        self.failed.is_empty()
    }
}

/// Independent culling levels: a candidate goes when any trait falls outside its level.
///
/// # Errors
/// When a candidate has another number of traits than there are levels.
pub fn cull(
    candidates: &[Vec<Option<f64>>],
    levels: &[CullingLevel],
) -> Result<Vec<Culling>, SelectionError> {
    candidates
        .iter()
        .map(|traits| {
            if traits.len() != levels.len() {
                return Err(SelectionError::WrongSize {
                    field: "traits".to_owned(),
                    found: traits.len(),
                    expected: levels.len(),
                    each: "culling level",
                });
            }
            let mut culling = Culling {
                failed: Vec::new(),
                missing: Vec::new(),
            };
            for (k, (value, level)) in traits.iter().zip(levels).enumerate() {
                match value {
                    Some(x) if !level.keeps(*x) => culling.failed.push(k),
                    None if *level != CullingLevel::default() => culling.missing.push(k),
                    _ => {}
                }
            }
            Ok(culling)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn estimates(values: &[(f64, f64)]) -> Vec<Estimate> {
        values
            .iter()
            .enumerate()
            .map(|(i, &(value, se))| Estimate {
                id: i.to_string(),
                value,
                se,
            })
            .collect()
    }

    #[test]
    fn two_candidates_follow_the_normal_law() {
        let found =
            probability_in_top(&estimates(&[(1.0, 0.6), (0.0, 0.8)]), None, 1, 20_000, 5).unwrap();
        let expected = Normal::new(0.0, 1.0).unwrap().cdf(1.0);
        assert!((found[0].probability - expected).abs() < 0.01);
        assert!((found[0].probability + found[1].probability - 1.0).abs() < 1e-12);
    }

    #[test]
    fn shared_errors_do_not_blur_the_order() {
        let shared = vec![vec![1.0, 1.0], vec![1.0, 1.0]];
        let two = estimates(&[(0.1, 1.0), (0.0, 1.0)]);
        let found = probability_in_top(&two, Some(&shared), 1, 500, 1).unwrap();
        assert!(found[0].probability > 0.99);
    }

    #[test]
    fn culled_never_go_on() {
        let list = advance_list(
            &estimates(&[(9.0, 0.1), (5.0, 0.1), (1.0, 0.1)]),
            None,
            &[true, false, false],
            1,
            200,
            1,
        )
        .unwrap();
        let on: Vec<_> = list
            .iter()
            .filter(|s| s.advance)
            .map(|s| s.chance.id.as_str())
            .collect();
        assert_eq!(on, ["1"]);
        assert_eq!(list[0].reason, Reason::Culled);
    }

    #[test]
    fn levels_hold_what_is_measured() {
        let levels = [
            CullingLevel {
                at_least: Some(12.0),
                at_most: None,
            },
            CullingLevel {
                at_least: None,
                at_most: Some(3.0),
            },
        ];
        let found = cull(
            &[vec![Some(11.0), Some(2.0)], vec![None, Some(3.0)]],
            &levels,
        )
        .unwrap();
        assert_eq!(found[0].failed, [0]);
        assert!(found[1].kept());
        assert_eq!(found[1].missing, [0]);
    }

    proptest! {
        #[test]
        fn chances_add_up_to_the_places(
            values in prop::collection::vec((-3.0f64..3.0, 0.0f64..2.0), 2..12), k in 1usize..3
        ) {
            let k = k.min(values.len());
            let found = probability_in_top(&estimates(&values), None, k, 100, 9).unwrap();
            let sum: f64 = found.iter().map(|c| c.probability).sum();
            prop_assert!((sum - k as f64).abs() < 1e-9);
        }
    }
}
