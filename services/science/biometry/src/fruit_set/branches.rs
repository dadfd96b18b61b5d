//! Exact comparison of pollens with whole branches as units.
//!
//! If pollens set alike, every way of sharing the branches out among them (each pollen getting as many
//! as it has) is as probable as the one seen, however much branches differ (Fisher 1935, from memory).
//! Flowers of one branch stay together, so that what they share tells nothing of the pollen.

use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha12Rng;

use super::tables::{ExactTest, Found};
use super::{Count, CountError};

/// Shares after which enumeration gives way to simulation.
const MOST_SHARES: f64 = 200_000.0;
/// Simulated shares.
const DRAWS: usize = 20_000;
/// Relative slack within which two statistics count as equal.
const TIE: f64 = 1e-9;

/// How far pollens differ: the sum of squared fruits over flowers, which moves with their variance.
fn statistic(branches: &[Count], group_of: &[usize], groups_n: usize) -> f64 {
    let mut sums = vec![(0.0, 0.0); groups_n];
    for (branch, group) in branches.iter().zip(group_of) {
        sums[*group].0 += branch.events_n() as f64;
        sums[*group].1 += branch.trials_n() as f64;
    }
    sums.iter()
        .map(|(fruit, flowers)| fruit * fruit / flowers)
        .sum()
}

/// Goes on to the next order of a multiset; false after the last.
fn next_order(order: &mut [usize]) -> bool {
    let Some(pivot) = (1..order.len()).rev().find(|i| order[i - 1] < order[*i]) else {
        return false;
    };
    let pivot = pivot - 1;
    let above = (pivot + 1..order.len())
        .rev()
        .find(|i| order[*i] > order[pivot]);
    order.swap(pivot, above.unwrap_or(pivot + 1));
    order[pivot + 1..].reverse();
    true
}

/// Tests that pollens set alike, `groups[pollen][branch]`; from `seed` where there are too many ways
/// to share the branches out.
///
/// # Errors
/// With fewer than two pollens, or a pollen without a branch.
pub fn exact_test(groups: &[Vec<Count>], seed: u64) -> Result<ExactTest, CountError> {
    let too_few = |field, found, needed| CountError::TooFew {
        field,
        found,
        needed,
    };
    if groups.len() < 2 {
        return Err(too_few("pollens", groups.len(), 2));
    }
    if groups.iter().any(Vec::is_empty) {
        return Err(too_few("branches", 0, 1));
    }
    let branches: Vec<Count> = groups.iter().flatten().copied().collect();
    let mut order: Vec<usize> = groups
        .iter()
        .enumerate()
        .flat_map(|(group, branches)| std::iter::repeat_n(group, branches.len()))
        .collect();
    let seen = statistic(&branches, &order, groups.len());
    let as_far = |order: &[usize]| statistic(&branches, order, groups.len()) >= seen * (1.0 - TIE);
    // Branches over the factorials of how many each pollen has.
    let mut ways = 1.0;
    let mut placed = 0.0;
    for group in groups {
        for i in 1..=group.len() {
            placed += 1.0;
            ways *= placed / i as f64;
        }
    }
    if ways <= MOST_SHARES {
        let (mut all, mut far) = (0u64, 0u64);
        loop {
            all += 1;
            far += u64::from(as_far(&order));
            if !next_order(&mut order) {
                break;
            }
        }
        return Ok(ExactTest {
            p: far as f64 / all as f64,
            found: Found::Enumerated,
        });
    }
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let mut far = 0usize;
    for _ in 0..DRAWS {
        order.shuffle(&mut rng);
        far += usize::from(as_far(&order));
    }
    // What was seen counts as one of the draws, so that p is never 0.
    let p = (far + 1) as f64 / (DRAWS + 1) as f64;
    Ok(ExactTest {
        p,
        found: Found::Simulated {
            draws_n: DRAWS,
            standard_error: (p * (1.0 - p) / DRAWS as f64).sqrt(),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fruit_set::proportion::beta_quantile;
    use crate::fruit_set::tables::{self, draw_binomial};
    use rand::RngExt;

    fn count(fruit: u64, flowers: u64) -> Count {
        Count::new(fruit, flowers).unwrap()
    }

    #[test]
    fn shares_are_counted_by_hand() {
        // Of the six ways to give two of four branches to the first pollen, two are as far apart.
        let groups = [
            vec![count(9, 10), count(8, 10)],
            vec![count(2, 10), count(1, 10)],
        ];
        let found = exact_test(&groups, 0).unwrap();
        assert!((found.p - 2.0 / 6.0).abs() < 1e-12);
        // With three of six, two of twenty.
        let three = |of: [u64; 3]| of.map(|fruit| count(fruit, 10)).to_vec();
        let found = exact_test(&[three([9, 8, 7]), three([2, 1, 3])], 0).unwrap();
        assert!((found.p - 0.1).abs() < 1e-12);
    }

    #[test]
    fn branches_that_differ_do_not_pass_for_pollens_that_do() {
        // Two pollens alike, branches very unlike: flowers as units find a difference in most sets,
        // branches in one of twenty at most.
        let mut rng = ChaCha12Rng::seed_from_u64(5);
        let (mut by_flowers, mut by_branches) = (0, 0);
        for seed in 0..200 {
            let mut branch = || {
                let own = beta_quantile(rng.random(), 0.8, 1.8);
                count(draw_binomial(&mut rng, 30, own), 30)
            };
            let groups: Vec<Vec<Count>> =
                (0..2).map(|_| (0..5).map(|_| branch()).collect()).collect();
            let totals: Vec<Count> = groups.iter().map(|g| Count::total(g).unwrap()).collect();
            by_flowers += usize::from(tables::exact_test(&totals, seed).unwrap().p < 0.05);
            by_branches += usize::from(exact_test(&groups, seed).unwrap().p < 0.05);
        }
        assert!(by_flowers > 80, "{by_flowers}");
        assert!(by_branches < 20, "{by_branches}");
    }

    #[test]
    fn many_branches_are_drawn_near_the_exact_value() {
        let many = |fruit: u64| {
            (0..12)
                .map(|i| count(fruit + i % 3, 20))
                .collect::<Vec<_>>()
        };
        let apart = exact_test(&[many(4), many(9)], 3).unwrap();
        assert!(matches!(apart.found, Found::Simulated { .. }) && apart.p < 0.001);
        let alike = exact_test(&[many(6), many(6)], 3).unwrap();
        assert!(alike.p > 0.9);
    }
}
