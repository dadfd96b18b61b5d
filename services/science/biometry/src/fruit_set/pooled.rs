//! Fruit set by kind of cross and seed parent, each pooled in part with the others.
//!
//! The set of a seed parent within a kind of cross is drawn from Beta(λm, λ(1−m)), the kind's own mean
//! m from Beta(κu, κ(1−u)), and the mean u over kinds has a prior of the usual set. Both likenesses, κ
//! of the kinds and λ of the seed parents, have a level prior over [`LIKENESS`]. Everything but the
//! set itself is integrated over grids, the beta-binomial likelihood of the counts being exact; so a
//! seed parent with few flowers leans on its kind, a kind with few on the others, and one with many
//! stands by itself (empirical Bayes in the wide sense: Gelman et al., Bayesian Data Analysis,
//! chapter 5, from memory). Crosses of one seed parent differ by more than chance: their flowers
//! count as fewer by the intraclass correlation of crosses, taken from the analysis of variance of
//! the counts (Ridout, Demétrio and Firth 1999, from memory).

use statrs::function::beta::ln_beta;

use super::outlook::Prior;
use super::proportion::{Interval, beta_quantile};
use super::{Count, CountError, in_range};

/// How many flowers' worth the others tell of one, among kinds and among seed parents.
const LIKENESS: [f64; 5] = [3.0, 10.0, 30.0, 100.0, 300.0];
/// Points of the grids over a kind's mean and over the mean of kinds.
const MEANS_N: usize = 256;
const OVERALL_N: usize = 128;
/// Correlation of the flowers of one cross where no seed parent has two crosses (a judgement).
const USUAL_CORRELATION: f64 = 0.03;
/// Largest correlation that is believed.
const LARGEST_CORRELATION: f64 = 0.5;

/// Fruit and flowers of independent fate.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Worth {
    fruit: f64,
    flowers: f64,
}

/// What is believed of fruit set, by kind of cross and seed parent.
#[derive(Debug, Clone)]
pub struct Pooled {
    usual: Prior,
    correlation: f64,
    /// By kind and seed parent.
    worth: Vec<Vec<Worth>>,
    /// By kind, the last being one of which nothing is known: belief in each λ and mean of the kind.
    beliefs: Vec<Vec<f64>>,
}

/// Even steps of the angle lie close where a proportion is near 0 or 1.
fn grid(points_n: usize) -> Vec<f64> {
    (0..points_n)
        .map(|i| std::f64::consts::FRAC_PI_2 * (i as f64 + 0.5) / points_n as f64)
        .map(|angle| angle.sin().powi(2))
        .collect()
}

/// A beta law over a grid of even angles, summing to 1.
fn beta_on(grid: &[f64], for_: f64, against: f64) -> Vec<f64> {
    let logs = grid
        .iter()
        .map(|m| (for_ - 0.5) * m.ln() + (against - 0.5) * (-m).ln_1p())
        .collect();
    normalised(logs)
}

/// Shares from logarithms of weights.
fn normalised(mut logs: Vec<f64>) -> Vec<f64> {
    let largest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    logs.iter_mut()
        .for_each(|log| *log = (*log - largest).exp());
    let sum: f64 = logs.iter().sum();
    logs.iter_mut().for_each(|share| *share /= sum);
    logs
}

/// Intraclass correlation of the flowers of one cross, crosses being compared within seed parents.
fn correlation(counts: &[Vec<Vec<Count>>]) -> f64 {
    let (mut among, mut within, mut flowers) = (0.0, 0.0, 0.0);
    let (mut crosses_n, mut parents_n, mut lost) = (0.0, 0.0, 0.0);
    for crosses in counts.iter().flatten() {
        let Some(all) = Count::total(crosses) else {
            continue;
        };
        parents_n += 1.0;
        flowers += all.trials_n() as f64;
        let squares: f64 = crosses.iter().map(|c| (c.trials_n() as f64).powi(2)).sum();
        lost += squares / all.trials_n() as f64;
        for cross in crosses {
            let (n, p) = (cross.trials_n() as f64, cross.proportion());
            crosses_n += 1.0;
            among += n * (p - all.proportion()).powi(2);
            within += n * p * (1.0 - p);
        }
    }
    let (df_among, df_within) = (crosses_n - parents_n, flowers - crosses_n);
    if df_among < 1.0 || df_within < 1.0 {
        return USUAL_CORRELATION;
    }
    let (among, within) = (among / df_among, within / df_within);
    let usual_n = (flowers - lost) / df_among;
    let below = among + (usual_n - 1.0) * within;
    if below <= 0.0 {
        return 0.0;
    }
    ((among - within) / below).clamp(0.0, LARGEST_CORRELATION)
}

impl Pooled {
    /// From the counts of crosses, `counts[kind][seed parent][cross]`, and the usual set with the
    /// flowers that it is worth.
    ///
    /// # Errors
    /// With a usual set outside 0 to 1 or worth nothing.
    pub fn of(usual: Prior, counts: &[Vec<Vec<Count>>]) -> Result<Self, CountError> {
        let (set, flowers) = (usual.mean_set, usual.worth_flowers_n);
        in_range("mean_set", set, set > 0.0 && set < 1.0, "between 0 and 1")?;
        in_range("worth_flowers_n", flowers, flowers > 0.0, "over 0")?;
        let correlation = correlation(counts);
        let counted = |crosses: &Vec<Count>| {
            crosses.iter().fold(Worth::default(), |sum, cross| {
                let n = cross.trials_n() as f64;
                let independent = 1.0 / (1.0 + (n - 1.0) * correlation);
                Worth {
                    fruit: sum.fruit + cross.events_n() as f64 * independent,
                    flowers: sum.flowers + n * independent,
                }
            })
        };
        let worth: Vec<Vec<Worth>> = counts
            .iter()
            .map(|kind| kind.iter().map(counted).collect())
            .collect();
        let beliefs = beliefs(usual, &worth);
        Ok(Self {
            usual,
            correlation,
            worth,
            beliefs,
        })
    }

    /// Correlation of two flowers of one cross.
    #[must_use]
    pub fn correlation(&self) -> f64 {
        self.correlation
    }

    /// The set to reckon with and the flowers that the belief is worth, for a seed parent within a
    /// kind; none where nothing was counted of it.
    #[must_use]
    pub fn expect(&self, kind: Option<usize>, seed_parent: Option<usize>) -> Prior {
        let unknown = self.beliefs.len() - 1;
        let kind = kind.filter(|kind| *kind < unknown);
        let worth = kind
            .zip(seed_parent)
            .and_then(|(kind, parent)| self.worth[kind].get(parent))
            .copied()
            .unwrap_or_default();
        let grid = grid(MEANS_N);
        let points = LIKENESS
            .iter()
            .flat_map(|l| grid.iter().map(move |m| (l, m)));
        let (mut mean, mut square) = (0.0, 0.0);
        for ((likeness, m), belief) in points.zip(&self.beliefs[kind.unwrap_or(unknown)]) {
            let (for_, all) = (likeness * m + worth.fruit, likeness + worth.flowers);
            mean += belief * for_ / all;
            square += belief * for_ * (for_ + 1.0) / (all * (all + 1.0));
        }
        let variance = square - mean * mean;
        let nothing_counted = self.worth.iter().all(Vec::is_empty);
        Prior {
            // The grid comes near to it only.
            mean_set: if nothing_counted {
                self.usual.mean_set
            } else {
                mean
            },
            worth_flowers_n: (mean * (1.0 - mean) / variance - 1.0).max(1e-3),
        }
    }
}

/// Bounds of the middle `share` of what is believed.
#[must_use]
pub fn middle(belief: Prior, share: f64) -> Interval {
    let (a, b) = (
        belief.mean_set * belief.worth_flowers_n,
        (1.0 - belief.mean_set) * belief.worth_flowers_n,
    );
    let left_out = (1.0 - share) / 2.0;
    Interval {
        low: beta_quantile(left_out, a, b),
        high: beta_quantile(1.0 - left_out, a, b),
    }
}

/// Belief in each λ and mean of every kind, and of one of which nothing is known.
fn beliefs(usual: Prior, worth: &[Vec<Worth>]) -> Vec<Vec<f64>> {
    let (means, overall) = (grid(MEANS_N), grid(OVERALL_N));
    // Likelihood of a kind's counts at each λ and mean, up to a factor of the kind.
    let mut likelihoods: Vec<Vec<f64>> = worth
        .iter()
        .map(|parents| {
            let points = LIKENESS
                .iter()
                .flat_map(|l| means.iter().map(move |m| (l, m)));
            let logs: Vec<f64> = points
                .map(|(likeness, m)| {
                    let (for_, against) = (likeness * m, likeness * (1.0 - m));
                    let nothing_yet = ln_beta(for_, against);
                    parents
                        .iter()
                        .map(|w| {
                            ln_beta(for_ + w.fruit, against + w.flowers - w.fruit) - nothing_yet
                        })
                        .sum()
                })
                .collect();
            let largest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            logs.into_iter().map(|log| (log - largest).exp()).collect()
        })
        .collect();
    likelihoods.push(vec![1.0; LIKENESS.len() * MEANS_N]);
    let of_usual = beta_on(
        &overall,
        usual.worth_flowers_n * usual.mean_set,
        usual.worth_flowers_n * (1.0 - usual.mean_set),
    );
    // For each κ, u and λ: the law of a kind's mean, the integral of each kind, and their product.
    let mut laws = Vec::with_capacity(LIKENESS.len() * OVERALL_N);
    let mut integrals = Vec::with_capacity(laws.capacity() * LIKENESS.len());
    let mut logs = Vec::with_capacity(integrals.capacity());
    for kappa in LIKENESS {
        for (u, usual) in overall.iter().zip(&of_usual) {
            let law = beta_on(&means, kappa * u, kappa * (1.0 - u));
            for lambda in 0..LIKENESS.len() {
                let range = lambda * MEANS_N..(lambda + 1) * MEANS_N;
                let of_kinds: Vec<f64> = likelihoods
                    .iter()
                    .map(|l| l[range.clone()].iter().zip(&law).map(|(l, p)| l * p).sum())
                    .collect();
                let log: f64 = of_kinds.iter().map(|i: &f64| i.ln()).sum();
                logs.push(usual.ln() + log);
                integrals.push(of_kinds);
            }
            laws.push(law);
        }
    }
    let shares = normalised(logs);
    likelihoods
        .iter()
        .enumerate()
        .map(|(kind, likelihood)| {
            let mut belief = vec![0.0; LIKENESS.len() * MEANS_N];
            for (place, share) in shares.iter().enumerate() {
                let weight = share / integrals[place][kind];
                if *share < 1e-12 || !weight.is_finite() {
                    continue;
                }
                let (law, lambda) = (&laws[place / LIKENESS.len()], place % LIKENESS.len());
                let range = lambda * MEANS_N..(lambda + 1) * MEANS_N;
                for ((b, l), p) in belief[range.clone()]
                    .iter_mut()
                    .zip(&likelihood[range])
                    .zip(law)
                {
                    *b += weight * l * p;
                }
            }
            belief
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fruit_set::tables::draw_binomial;
    use proptest::prelude::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha12Rng;

    const USUAL: Prior = Prior {
        mean_set: 0.2,
        worth_flowers_n: 10.0,
    };

    fn count(fruit: u64, flowers: u64) -> Count {
        Count::new(fruit, flowers).unwrap()
    }

    /// Crosses of several seed parents in a kind, all with one set.
    fn kind(set: f64, parents_n: usize, seed: u64) -> Vec<Vec<Count>> {
        let mut rng = ChaCha12Rng::seed_from_u64(seed);
        let mut cross = || count(draw_binomial(&mut rng, 400, set), 400);
        (0..parents_n).map(|_| vec![cross(), cross()]).collect()
    }

    #[test]
    fn kinds_that_set_differently_are_told_apart() {
        let counts = [kind(0.152, 6, 1), kind(0.069, 6, 2)];
        let found = Pooled::of(USUAL, &counts).unwrap();
        let (much, little) = (found.expect(Some(0), None), found.expect(Some(1), None));
        assert!((much.mean_set - 0.152).abs() < 0.012, "{much:?}");
        assert!((little.mean_set - 0.069).abs() < 0.012, "{little:?}");
        let unseen = found.expect(None, None);
        assert!(
            (little.mean_set..much.mean_set + 0.05).contains(&unseen.mean_set)
                && unseen.worth_flowers_n < much.worth_flowers_n,
            "{unseen:?}"
        );
    }

    #[test]
    fn a_seed_parent_with_few_flowers_leans_on_its_kind() {
        let mut counts = vec![kind(0.15, 8, 3)];
        counts[0].push(vec![count(0, 10)]);
        counts[0].push(vec![count(40, 1000), count(35, 1000), count(44, 1000)]);
        let found = Pooled::of(USUAL, &counts).unwrap();
        let set = |parent| found.expect(Some(0), Some(parent)).mean_set;
        assert!(set(8) > 0.09 && set(8) < set(0), "{} {}", set(8), set(0));
        assert!((set(9) - 0.04).abs() < 0.01, "{}", set(9));
    }

    #[test]
    fn without_counts_the_usual_set_stands() {
        let found = Pooled::of(USUAL, &[]).unwrap();
        let told = found.expect(None, None);
        assert_eq!(told.mean_set, 0.2);
        assert!(told.worth_flowers_n < 10.0, "{told:?}");
        let bounds = middle(told, 0.9);
        assert!(bounds.low < 0.05 && bounds.high > 0.4, "{bounds:?}");
    }

    #[test]
    fn crosses_that_differ_are_worth_fewer_flowers() {
        let alike = [vec![vec![count(20, 100), count(21, 100), count(19, 100)]]];
        let unlike = [vec![vec![count(5, 100), count(20, 100), count(35, 100)]]];
        let (alike, unlike) = (
            Pooled::of(USUAL, &alike).unwrap(),
            Pooled::of(USUAL, &unlike).unwrap(),
        );
        assert_eq!(alike.correlation(), 0.0);
        assert!(unlike.correlation() > 0.05);
        let worth = |of: &Pooled| of.expect(Some(0), Some(0)).worth_flowers_n;
        assert!(worth(&unlike) < worth(&alike) / 3.0);
    }

    #[test]
    fn intervals_hold_what_seed_parents_bring() {
        // Thirty seed parents drawn about 0.1; the middle nine tenths should hold about 27 of them.
        let mut rng = ChaCha12Rng::seed_from_u64(11);
        let truths: Vec<f64> = (0..30)
            .map(|_| beta_quantile(rng.random(), 5.0, 45.0))
            .collect();
        let counts: Vec<Vec<Count>> = truths
            .iter()
            .map(|set| {
                (0..2)
                    .map(|_| count(draw_binomial(&mut rng, 80, *set), 80))
                    .collect()
            })
            .collect();
        let found = Pooled::of(USUAL, &[counts]).unwrap();
        let held = truths
            .iter()
            .enumerate()
            .filter(|(parent, truth)| {
                let bounds = middle(found.expect(Some(0), Some(*parent)), 0.9);
                (bounds.low..=bounds.high).contains(truth)
            })
            .count();
        assert!((23..=30).contains(&held), "{held}");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        #[test]
        fn what_is_believed_lies_between_what_was_seen_and_the_others(
            own in 0u64..=60, others in 0u64..=400,
        ) {
            let counts = [vec![vec![count(own, 60)], vec![count(others, 400)]]];
            let found = Pooled::of(USUAL, &counts).unwrap();
            let told = found.expect(Some(0), Some(0));
            prop_assert!(told.mean_set > 0.0 && told.mean_set < 1.0);
            prop_assert!(told.worth_flowers_n > 0.0 && told.worth_flowers_n.is_finite());
            let seen = [own as f64 / 60.0, others as f64 / 400.0, 0.2];
            let low = seen.iter().copied().fold(1.0, f64::min);
            let high = seen.iter().copied().fold(0.0, f64::max);
            prop_assert!(told.mean_set > low - 0.01 && told.mean_set < high + 0.01, "{} {:?}", told.mean_set, seen);
        }

        #[test]
        fn more_fruit_never_lowers_the_set(fruit in 0u64..60) {
            let set = |fruit| {
                let counts = [vec![vec![count(fruit, 60)], vec![count(30, 300)]]];
                Pooled::of(USUAL, &counts).unwrap().expect(Some(0), Some(0)).mean_set
            };
            prop_assert!(set(fruit + 1) > set(fruit));
        }
    }
}
