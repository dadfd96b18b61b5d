//! What keeping some entries brings, in one trait and over several together.

use faer::{Mat, Side};
use rand::SeedableRng as _;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution as _, StandardNormal};

use super::{Prediction, TrueValues};

/// Mean true value of those kept less that of all under test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gain {
    /// Expected.
    pub expected: f64,
    /// 2.5 % of draws lie below.
    pub low: f64,
    /// 2.5 % of draws lie above.
    pub high: f64,
}

/// Gain of keeping some entries (by place); none where nothing was drawn or none of them is known.
#[must_use]
pub fn gain(values: &TrueValues, predictions: &[Prediction], kept: &[usize]) -> Option<Gain> {
    let mut is_kept: Vec<usize> = kept.to_vec();
    is_kept.sort_unstable();
    let places: Vec<usize> = (0..values.entries.len())
        .filter(|&k| is_kept.binary_search(&values.entries[k]).is_ok())
        .collect();
    if places.is_empty() || values.draws.is_empty() {
        return None;
    }
    let n = places.len() as f64;
    let mut of: Vec<f64> = values
        .draws
        .iter()
        .map(|draw| places.iter().map(|&k| f64::from(draw[k])).sum::<f64>() / n)
        .collect();
    of.sort_by(f64::total_cmp);
    Some(Gain {
        expected: places.iter().map(|&k| predictions[k].expected).sum::<f64>() / n,
        low: quantile(&of, 0.025),
        high: quantile(&of, 0.975),
    })
}

/// Quantile of ordered values, between neighbours in proportion.
fn quantile(ordered: &[f64], share: f64) -> f64 {
    let at = (ordered.len() as f64 * share - 0.5).clamp(0.0, (ordered.len() - 1) as f64);
    let below = at.floor() as usize;
    let above = (below + 1).min(ordered.len() - 1);
    ordered[below] + (at - below as f64) * (ordered[above] - ordered[below])
}

/// Probability of each candidate to be among the best `k`, from joint draws of their values.
#[must_use]
pub fn chances(draws: &[Vec<f32>], k: usize) -> Vec<f64> {
    let n = draws.first().map_or(0, Vec::len);
    let mut among = vec![0u32; n];
    let mut order: Vec<usize> = (0..n).collect();
    for draw in draws {
        if k < n {
            order.select_nth_unstable_by(k, |&a, &b| draw[b].total_cmp(&draw[a]).then(a.cmp(&b)));
        }
        order.iter().take(k).for_each(|&i| among[i] += 1);
    }
    among
        .into_iter()
        .map(|hits| f64::from(hits) / draws.len().max(1) as f64)
        .collect()
}

/// One trait of several.
#[derive(Debug, Clone, Copy)]
pub struct TraitDraws<'a> {
    /// Predictions of the entries that have values.
    pub predictions: &'a [Prediction],
    /// Draws of their true values.
    pub values: &'a TrueValues,
    /// Worth of one unit of the trait.
    pub weight: f64,
    /// Variance of true values, for entries without a value.
    pub genetic_variance: f64,
}

impl TraitDraws<'_> {
    /// Share of the variance of true values that the figures tell.
    #[must_use]
    pub fn reliability(&self) -> f64 {
        super::fitting::reliability(self.predictions)
    }
}

/// Correlation of the errors of prediction of two traits: with reliabilities a and b, errors are
/// (a - 1) g + sqrt(..) e of each, hence r_g sqrt((1 - a)(1 - b)) + r_e sqrt(a b).
#[must_use]
pub fn correlation_of_errors(genetic: f64, error: f64, reliabilities: (f64, f64)) -> f64 {
    let (a, b) = reliabilities;
    (genetic * ((1.0 - a) * (1.0 - b)).sqrt() + error * (a * b).sqrt()).clamp(-1.0, 1.0)
}

/// Joint draws of the worth of entries (by place) over several traits, whose errors of prediction
/// correlate as given; entries without a value of a trait are drawn as average. Draw by draw, a value
/// for each entry.
#[must_use]
pub fn worth(
    traits: &[TraitDraws<'_>],
    correlations: &[Vec<f64>],
    entries: &[usize],
    seed: u64,
) -> Vec<Vec<f32>> {
    let t_n = traits.len();
    let draws_n = traits
        .iter()
        .map(|t| t.values.draws.len())
        .min()
        .unwrap_or(0);
    let root = root_of(correlations);
    let places: Vec<Vec<Option<usize>>> = traits
        .iter()
        .map(|t| {
            entries
                .iter()
                .map(|e| t.values.entries.binary_search(e).ok())
                .collect()
        })
        .collect();
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let mut own = vec![0.0; t_n];
    (0..draws_n)
        .map(|draw| {
            (0..entries.len())
                .map(|i| {
                    for (t, trait_) in traits.iter().enumerate() {
                        own[t] = match places[t][i] {
                            Some(k) => {
                                let of = trait_.predictions[k];
                                if of.sd > 0.0 {
                                    (f64::from(trait_.values.draws[draw][k]) - of.expected) / of.sd
                                } else {
                                    0.0
                                }
                            }
                            None => StandardNormal.sample(&mut rng),
                        };
                    }
                    let mut sum = 0.0;
                    for (t, trait_) in traits.iter().enumerate() {
                        let deviate: f64 = (0..=t).map(|s| root[(t, s)] * own[s]).sum();
                        let (expected, sd) = match places[t][i] {
                            Some(k) => (trait_.predictions[k].expected, trait_.predictions[k].sd),
                            None => (0.0, trait_.genetic_variance.max(0.0).sqrt()),
                        };
                        sum += trait_.weight * (expected + sd * deviate);
                    }
                    sum as f32
                })
                .collect()
        })
        .collect()
}

/// Lower root of a correlation matrix, its correlations drawn towards zero as far as must be.
fn root_of(correlations: &[Vec<f64>]) -> Mat<f64> {
    let n = correlations.len();
    for step in 0..=20 {
        let keep = 1.0 - f64::from(step) / 20.0;
        let matrix = Mat::from_fn(n, n, |i, j| {
            if i == j {
                1.0
            } else {
                keep * f64::midpoint(correlations[i][j], correlations[j][i])
            }
        });
        if let Ok(factor) = matrix.llt(Side::Lower) {
            return factor.L().to_owned();
        }
    }
    Mat::identity(n, n)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(seed: u64, entries: &[usize], draws_n: usize) -> (Vec<Prediction>, TrueValues) {
        let mut rng = ChaCha12Rng::seed_from_u64(seed);
        let predictions = entries
            .iter()
            .map(|&entry| Prediction {
                entry,
                expected: entry as f64,
                sd: 0.5,
            })
            .collect();
        let draws = (0..draws_n)
            .map(|_| {
                entries
                    .iter()
                    .map(|&e| {
                        let z: f64 = StandardNormal.sample(&mut rng);
                        (e as f64 + 0.5 * z) as f32
                    })
                    .collect()
            })
            .collect();
        let values = TrueValues {
            entries: entries.to_vec(),
            draws,
        };
        (predictions, values)
    }

    #[test]
    fn correlated_errors_widen_an_index_and_opposed_ones_narrow_it() {
        let (first, second) = (drawn(1, &[0, 1, 2], 4000), drawn(2, &[0, 1], 4000));
        let of = |r: f64| {
            let traits = [&first, &second].map(|t| TraitDraws {
                predictions: &t.0,
                values: &t.1,
                weight: 1.0,
                genetic_variance: 4.0,
            });
            let draws = worth(&traits, &[vec![1.0, r], vec![r, 1.0]], &[0, 1, 2], 9);
            (0..3)
                .map(|i| {
                    let n = draws.len() as f64;
                    let mean = draws.iter().map(|d| f64::from(d[i])).sum::<f64>() / n;
                    let var = draws
                        .iter()
                        .map(|d| (f64::from(d[i]) - mean).powi(2))
                        .sum::<f64>()
                        / n;
                    (mean, var)
                })
                .collect::<Vec<_>>()
        };
        for r in [-0.8, 0.0, 0.8] {
            let found = of(r);
            assert!((found[1].0 - 2.0).abs() < 0.05, "{found:?}");
            assert!((found[1].1 - 0.5 * (1.0 + r)).abs() < 0.05, "{r} {found:?}");
            // The third lacks the second trait: 0.25 + 4 + 2 r 0.5 2.
            assert!((found[2].1 - (4.25 + 2.0 * r)).abs() < 0.3, "{r} {found:?}");
        }
    }

    #[test]
    fn chances_add_up_to_the_places() {
        let (_, values) = drawn(5, &[0, 1, 2, 3], 500);
        let found = chances(&values.draws, 2);
        assert!((found.iter().sum::<f64>() - 2.0).abs() < 1e-9);
        assert!(found[3] > found[2] && found[2] > found[0]);
    }

    #[test]
    fn errors_of_unknown_traits_correlate_as_genes_do() {
        assert_eq!(correlation_of_errors(0.6, 0.1, (0.0, 0.0)), 0.6);
        assert_eq!(correlation_of_errors(0.6, 0.1, (1.0, 1.0)), 0.1);
    }
}
