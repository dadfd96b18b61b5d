//! Beta-binomial variation among branches.

use super::tables::chi2_tail;
use super::{Count, CountError};
use serde::Serialize;

/// Largest intraclass correlation considered.
const LARGEST: f64 = 0.98;

/// Fit of one beta-binomial per pollen with a common intraclass correlation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Overdispersion {
    /// Mean set of each pollen, by maximum likelihood.
    pub means: Vec<f64>,
    /// Correlation of two flowers of one branch; 0 when branches vary no more than chance.
    pub intraclass_correlation: f64,
    /// Log-likelihood without the binomial coefficients' constant.
    pub log_likelihood: f64,
    /// Twice the gain in log-likelihood over the binomial.
    pub lr_statistic: f64,
    /// Its probability; half that of chi-squared on 1 df, as the correlation cannot be negative
    /// (Self and Liang 1987, from memory).
    pub p: f64,
    /// Flowers of independent fate that carry as much information, for each pollen.
    pub effective_flowers_n: Vec<f64>,
}

/// Beta-binomial log-likelihood of one count, without its binomial coefficient, with mean `p` and
/// theta = rho/(1 - rho). The product form stays exact down to theta = 0, the binomial.
fn log_likelihood(count: Count, p: f64, theta: f64) -> f64 {
    let sum = |n: u64, from: f64| (0..n).map(|k| (from + k as f64 * theta).ln()).sum::<f64>();
    sum(count.events_n(), p) + sum(count.failures_n(), 1.0 - p) - sum(count.trials_n(), 1.0)
}

/// Most likely mean at a given theta: the likelihood is concave in the mean.
fn best_mean(branches: &[Count], theta: f64) -> f64 {
    let slope = |p: f64| {
        let sum = |n: u64, from: f64| (0..n).map(|k| 1.0 / (from + k as f64 * theta)).sum::<f64>();
        branches
            .iter()
            .map(|b| sum(b.events_n(), p) - sum(b.failures_n(), 1.0 - p))
            .sum::<f64>()
    };
    if branches.iter().all(|b| b.events_n() == 0) {
        return 0.0;
    }
    if branches.iter().all(|b| b.failures_n() == 0) {
        return 1.0;
    }
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..50 {
        let middle = f64::midpoint(low, high);
        if slope(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

fn profile(groups: &[Vec<Count>], rho: f64) -> (f64, Vec<f64>) {
    let theta = rho / (1.0 - rho);
    let means: Vec<f64> = groups
        .iter()
        .map(|branches| best_mean(branches, theta))
        .collect();
    let total = groups
        .iter()
        .zip(&means)
        .flat_map(|(branches, p)| branches.iter().map(move |b| log_likelihood(*b, *p, theta)))
        .sum();
    (total, means)
}

/// Fits the beta-binomial to branches, `groups[pollen][branch]`.
///
/// # Errors
/// When a pollen has no branch, or none has two (variation among branches then cannot be seen).
pub fn fit(groups: &[Vec<Count>]) -> Result<Overdispersion, CountError> {
    if groups.iter().any(Vec::is_empty) || groups.is_empty() {
        return Err(CountError::TooFew {
            field: "branches",
            found: 0,
            needed: 1,
        });
    }
    let most = groups.iter().map(Vec::len).max().unwrap_or(0);
    if most < 2 {
        return Err(CountError::TooFew {
            field: "branches",
            found: most,
            needed: 2,
        });
    }
    let at = |rho: f64| profile(groups, rho).0;
    // A grid brackets the maximum, golden sections close in on it.
    let grid: Vec<f64> = std::iter::once(0.0)
        .chain((0..=24).map(|i| LARGEST * 1e-4f64.powf(1.0 - f64::from(i) / 24.0)))
        .collect();
    let heights: Vec<f64> = grid.iter().map(|&rho| at(rho)).collect();
    let top = (0..grid.len())
        .max_by(|&a, &b| heights[a].total_cmp(&heights[b]))
        .unwrap_or(0);
    let (mut low, mut high) = (
        grid[top.saturating_sub(1)],
        grid[(top + 1).min(grid.len() - 1)],
    );
    let golden = 0.618_033_988_749_894_9;
    let (mut left, mut right) = (high - golden * (high - low), low + golden * (high - low));
    let (mut at_left, mut at_right) = (at(left), at(right));
    for _ in 0..50 {
        if at_left > at_right {
            (high, right, at_right) = (right, left, at_left);
            left = high - golden * (high - low);
            at_left = at(left);
        } else {
            (low, left, at_left) = (left, right, at_right);
            right = low + golden * (high - low);
            at_right = at(right);
        }
    }
    let binomial = heights[0];
    let mut rho = f64::midpoint(low, high);
    if at(rho) <= binomial + 1e-9 {
        rho = 0.0;
    }
    let (log_likelihood, means) = profile(groups, rho);
    let lr_statistic = (2.0 * (log_likelihood - binomial)).max(0.0);
    Ok(Overdispersion {
        means,
        intraclass_correlation: rho,
        log_likelihood,
        lr_statistic,
        p: if lr_statistic > 0.0 {
            chi2_tail(lr_statistic, 1) / 2.0
        } else {
            1.0
        },
        effective_flowers_n: groups
            .iter()
            .map(|branches| {
                branches
                    .iter()
                    .map(|b| b.trials_n() as f64 / (1.0 + (b.trials_n() as f64 - 1.0) * rho))
                    .sum()
            })
            .collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fruit_set::proportion::beta_quantile;
    use crate::fruit_set::tables::draw_binomial;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha12Rng;

    /// 3 pollens of `branches_n` branches with 20 flowers each.
    fn simulated(rho: f64, branches_n: usize, seed: u64) -> Vec<Vec<Count>> {
        let mut rng = ChaCha12Rng::seed_from_u64(seed);
        [0.2, 0.3, 0.5]
            .iter()
            .map(|&p| {
                (0..branches_n)
                    .map(|_| {
                        let own = if rho > 0.0 {
                            let size = (1.0 - rho) / rho;
                            beta_quantile(rng.random(), p * size, (1.0 - p) * size)
                        } else {
                            p
                        };
                        Count::new(draw_binomial(&mut rng, 20, own), 20).unwrap()
                    })
                    .collect()
            })
            .collect()
    }

    #[test]
    fn finds_the_correlation_it_was_drawn_with() {
        let found = fit(&simulated(0.2, 120, 1)).unwrap();
        assert!(
            (found.intraclass_correlation - 0.2).abs() < 0.05,
            "{found:?}"
        );
        assert!(found.p < 1e-6);
        for (mean, truth) in found.means.iter().zip([0.2, 0.3, 0.5]) {
            assert!((mean - truth).abs() < 0.07);
        }
    }

    #[test]
    fn rejects_seldom_when_branches_are_alike() {
        // Size 5 %: of 200 sets, 10 expected, under 25 but with probability below 1e-4.
        let rejected = (0..200)
            .filter(|&s| fit(&simulated(0.0, 8, s)).unwrap().p < 0.05)
            .count();
        assert!(rejected < 25, "{rejected}");
    }

    #[test]
    fn one_branch_each_tells_nothing() {
        let one = vec![
            vec![Count::new(1, 5).unwrap()],
            vec![Count::new(2, 5).unwrap()],
        ];
        assert!(matches!(
            fit(&one),
            Err(CountError::TooFew {
                field: "branches",
                ..
            })
        ));
    }
}
