//! How many plants, seeds and flowers a wish asks for, and how wide a progeny spreads.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::beta::beta_reg;
use statrs::function::factorial::ln_binomial;

/// Why a number cannot be worked out.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NumbersError {
    /// A share outside 0 to 1.
    #[error("a share of wanted plants of {0} is not between 0 and 1")]
    Share(f64),
    /// A certainty that no number of plants gives, or that needs none.
    #[error("a probability of {0} is not above 0 and below 1")]
    Probability(f64),
    /// A rate outside 0 to 1, or nothing at all.
    #[error("{name} of {value} is not above 0 and at most {highest}")]
    Rate {
        /// The rate.
        name: &'static str,
        /// Its value.
        value: f64,
        /// The highest value allowed.
        highest: f64,
    },
    /// A spread that is not a positive number.
    #[error("a standard deviation of {0} is not a positive number")]
    Spread(f64),
}

/// Slack for rounding at exact boundaries, such as ten plants of which one in ten is wanted.
const BOUNDARY_SLACK: f64 = 1e-12;

/// The fewest seedlings among which at least one wanted plant is found with the given
/// probability: the least n with 1 − (1 − share)ⁿ ≥ probability. `None` when the share is 0.
///
/// # Errors
/// A share outside 0 to 1, or a probability not strictly between 0 and 1.
pub fn plants_needed(share: f64, probability: f64) -> Result<Option<u64>, NumbersError> {
    plants_needed_for(1, share, probability)
}

/// The fewest seedlings among which at least `wanted_n` wanted plants are found with the given
/// probability, by the binomial distribution. `None` when the share is 0 and any plant is wanted.
///
/// # Errors
/// As [`plants_needed`].
pub fn plants_needed_for(
    wanted_n: u64,
    share: f64,
    probability: f64,
) -> Result<Option<u64>, NumbersError> {
    if !(0.0..=1.0).contains(&share) {
        return Err(NumbersError::Share(share));
    }
    if !(probability > 0.0 && probability < 1.0) {
        return Err(NumbersError::Probability(probability));
    }
    if wanted_n == 0 || share == 1.0 {
        return Ok(Some(wanted_n));
    }
    if share == 0.0 {
        return Ok(None);
    }
    Ok(Some(fewest(wanted_n, probability, |n| {
        chance_of_fewer(wanted_n, n, share)
    })))
}

/// The least n, `least_n` or more, at which the chance of too few is small enough for `probability`.
fn fewest(least_n: u64, probability: f64, chance_of_too_few: impl Fn(u64) -> f64) -> u64 {
    let allowed = (1.0 - probability) * (1.0 + BOUNDARY_SLACK);
    let enough = |n: u64| chance_of_too_few(n) <= allowed;
    let mut too_few = least_n - 1;
    let mut step = 1;
    while !enough(too_few.saturating_add(step)) {
        too_few = too_few.saturating_add(step);
        step = step.saturating_mul(2);
    }
    let mut plenty = too_few.saturating_add(step);
    while plenty - too_few > 1 {
        let middle = too_few + (plenty - too_few) / 2;
        if enough(middle) {
            plenty = middle;
        } else {
            too_few = middle;
        }
    }
    plenty
}

/// Probability of at least `wanted_n` wanted plants among `plants_n`, each wanted with `share`.
///
/// # Errors
/// A share outside 0 to 1.
pub fn chance_of(wanted_n: u64, plants_n: u64, share: f64) -> Result<f64, NumbersError> {
    if !(0.0..=1.0).contains(&share) {
        return Err(NumbersError::Share(share));
    }
    let certain = if wanted_n <= plants_n { 1.0 } else { 0.0 };
    Ok(match share {
        _ if wanted_n == 0 => 1.0,
        0.0 => 0.0,
        1.0 => certain,
        _ => 1.0 - chance_of_fewer(wanted_n, plants_n, share),
    })
}

/// Probability of fewer than `wanted_n` successes in `n` draws; `share` strictly between 0 and 1.
fn chance_of_fewer(wanted_n: u64, n: u64, share: f64) -> f64 {
    if n < wanted_n {
        return 1.0;
    }
    // Terms run through logarithms: (1 − share)ⁿ alone may be too small for a number.
    let odds = share.ln() - (-share).ln_1p();
    let mut term = n as f64 * (-share).ln_1p();
    let mut sum = term.exp();
    for i in 1..wanted_n {
        term += ((n - i + 1) as f64 / i as f64).ln() + odds;
        sum += term.exp();
    }
    sum.min(1.0)
}

/// Probability of fewer than `wanted_n` wanted plants from `n` flowers (or fruits), of which each
/// brings one with probability `one` and two with probability `two`.
fn chance_of_fewer_by_twos(wanted_n: u64, n: u64, one: f64, two: f64) -> f64 {
    let (mean, variance) = (n as f64 * two, n as f64 * two * (1.0 - two));
    // Beyond this lies less than rounding leaves of the sum.
    let reach = 12.0 * variance.sqrt() + 40.0;
    let first = (mean - reach).max(0.0) as u64;
    let last = ((wanted_n - 1) / 2).min(n).min((mean + reach) as u64);
    let one_of_rest = (one / (1.0 - two)).min(1.0);
    let fewer = |twos_n: u64| {
        let (rest_n, still_n) = (n - twos_n, wanted_n - 2 * twos_n);
        match (rest_n < still_n, one_of_rest) {
            (true, _) => 1.0,
            (_, 0.0) => 1.0,
            (_, 1.0) => 0.0,
            // The binomial distribution function by the incomplete beta function.
            _ => beta_reg(
                (rest_n - still_n + 1) as f64,
                still_n as f64,
                1.0 - one_of_rest,
            ),
        }
    };
    let sum: f64 = (first..=last)
        .map(|twos_n| {
            let log = ln_binomial(n, twos_n)
                + twos_n as f64 * two.ln()
                + (n - twos_n) as f64 * (-two).ln_1p();
            log.exp() * fewer(twos_n)
        })
        .sum();
    sum.min(1.0)
}

/// What becomes of flowers on the way to planted seedlings, each flower, kernel and seed by chance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Survival {
    /// Probability that a pollinated flower sets fruit.
    pub fruit_set: f64,
    /// Sound seeds for each fruit, on average; at most 2, a stone holding two kernels at best. Up to 1
    /// a fruit holds one or none; above, it holds one, and a second with the probability of the rest.
    pub seeds_per_fruit: f64,
    /// Probability that a seed becomes a seedling.
    pub germination: f64,
    /// Probability that a seedling lives as a planted tree to be judged.
    pub survival: f64,
}

/// Plants, seeds, fruits and flowers, each so many that the wish is met with the probability asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Needed {
    /// Plants that live to be judged.
    pub plants_n: u64,
    /// Seeds to sow.
    pub seeds_n: u64,
    /// Fruits to harvest.
    pub fruits_n: u64,
    /// Flowers to pollinate.
    pub flowers_n: u64,
}

impl Survival {
    /// The fewest plants, seeds, fruits and flowers that bring at least `wanted_n` wanted plants with
    /// the given probability, `share` of the plants being wanted. What is lost on the way is lost by
    /// chance: a flower brings a wanted plant with the product of all shares, and the number that
    /// comes follows the binomial distribution (with two kernels in a stone, that of sums of nought,
    /// one and two). `None` when the share is 0 and any plant is wanted.
    ///
    /// # Errors
    /// A rate that is not above 0 or beyond its highest value; else as [`plants_needed`].
    pub fn needed_for(
        &self,
        wanted_n: u64,
        share: f64,
        probability: f64,
    ) -> Result<Option<Needed>, NumbersError> {
        let rates = [
            ("fruit set", self.fruit_set, 1.0),
            ("number of seeds per fruit", self.seeds_per_fruit, 2.0),
            ("germination", self.germination, 1.0),
            ("survival", self.survival, 1.0),
        ];
        for (name, value, highest) in rates {
            if !(value > 0.0 && value <= highest) {
                return Err(NumbersError::Rate {
                    name,
                    value,
                    highest,
                });
            }
        }
        let Some(plants_n) = plants_needed_for(wanted_n, share, probability)? else {
            return Ok(None);
        };
        let of_seed = share * self.germination * self.survival;
        let from = |fruit_set: f64| self.fruits_for(wanted_n, of_seed, fruit_set, probability);
        let Some(seeds_n) = plants_needed_for(wanted_n, of_seed, probability)? else {
            return Ok(None);
        };
        let (Some(fruits_n), Some(flowers_n)) = (from(1.0)?, from(self.fruit_set)?) else {
            return Ok(None);
        };
        Ok(Some(Needed {
            plants_n,
            seeds_n,
            fruits_n,
            flowers_n,
        }))
    }

    /// The fewest fruits, or flowers of which `fruit_set` become fruit, `of_seed` of the seeds being
    /// wanted plants.
    fn fruits_for(
        &self,
        wanted_n: u64,
        of_seed: f64,
        fruit_set: f64,
        probability: f64,
    ) -> Result<Option<u64>, NumbersError> {
        let second = self.seeds_per_fruit - 1.0;
        if second <= 0.0 || wanted_n == 0 {
            let share = of_seed * self.seeds_per_fruit * fruit_set;
            return plants_needed_for(wanted_n, share, probability);
        }
        let two = fruit_set * second * of_seed * of_seed;
        let one = fruit_set * ((1.0 - second) * of_seed + second * 2.0 * of_seed * (1.0 - of_seed));
        if two >= 1.0 {
            return Ok(Some(wanted_n.div_ceil(2)));
        }
        if one + two <= 0.0 {
            return Ok(None);
        }
        Ok(Some(fewest(wanted_n.div_ceil(2), probability, |n| {
            chance_of_fewer_by_twos(wanted_n, n, one, two)
        })))
    }
}

/// The expected distribution of a measured trait in a progeny: normal, in the trait's own unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ProgenySpread {
    /// Mean of the seedlings.
    pub mean: f64,
    /// Standard deviation among the seedlings.
    pub standard_deviation: f64,
}

/// On which side of a threshold seedlings are wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// At or above.
    Above,
    /// At or below.
    Below,
}

impl ProgenySpread {
    /// From parents' breeding values (as deviations from the base mean), the base mean, additive
    /// and other variance, and the share of additive variance that segregates within the cross
    /// (½ when neither parent is inbred: 1 − ¼(2 + F + F′) of the pedigree). Mean of the parents;
    /// variance within the family plus the rest (Falconer and Mackay 1996, from memory).
    ///
    /// # Errors
    /// A variance that is negative or sums to 0.
    pub fn from_breeding_values(
        base_mean: f64,
        breeding_values: [f64; 2],
        additive_variance: f64,
        share_within: f64,
        other_variance: f64,
    ) -> Result<Self, NumbersError> {
        let mean = base_mean + 0.5 * (breeding_values[0] + breeding_values[1]);
        Self::new(
            mean,
            (additive_variance * share_within + other_variance).sqrt(),
        )
    }

    /// From parents' own performance, drawn towards the population mean by the heritability
    /// (narrow sense): base + h² (mid-parent − base); variance of the phenotype less what the
    /// parents explain, σ² (1 − h⁴/2) (offspring on mid-parent regression, Falconer and Mackay
    /// 1996, from memory).
    ///
    /// # Errors
    /// A heritability outside 0 to 1, or a spread that is not positive.
    pub fn from_phenotypes(
        base_mean: f64,
        parents: [f64; 2],
        heritability: f64,
        phenotypic_standard_deviation: f64,
    ) -> Result<Self, NumbersError> {
        if !(0.0..=1.0).contains(&heritability) {
            let name = "heritability";
            return Err(NumbersError::Rate {
                name,
                value: heritability,
                highest: 1.0,
            });
        }
        let mid_parent = 0.5 * (parents[0] + parents[1]);
        let mean = base_mean + heritability * (mid_parent - base_mean);
        let left = 1.0 - 0.5 * heritability * heritability;
        Self::new(mean, phenotypic_standard_deviation * left.sqrt())
    }

    fn new(mean: f64, standard_deviation: f64) -> Result<Self, NumbersError> {
        if standard_deviation.is_finite() && standard_deviation > 0.0 {
            Ok(Self {
                mean,
                standard_deviation,
            })
        } else {
            Err(NumbersError::Spread(standard_deviation))
        }
    }

    /// Share of the seedlings on the wanted side of a threshold.
    ///
    /// # Errors
    /// A spread that is not positive.
    pub fn share_beyond(&self, threshold: f64, side: Side) -> Result<f64, NumbersError> {
        let normal = self.normal()?;
        Ok(match side {
            Side::Above => normal.sf(threshold),
            Side::Below => normal.cdf(threshold),
        })
    }

    /// The values between which the given share of the seedlings lies, as much left out below as
    /// above.
    ///
    /// # Errors
    /// A share not strictly between 0 and 1, or a spread that is not positive.
    pub fn middle(&self, share: f64) -> Result<(f64, f64), NumbersError> {
        if !(share > 0.0 && share < 1.0) {
            return Err(NumbersError::Share(share));
        }
        let normal = self.normal()?;
        let left_out = 0.5 * (1.0 - share);
        Ok((
            normal.inverse_cdf(left_out),
            normal.inverse_cdf(1.0 - left_out),
        ))
    }

    /// Expected mean of the best `share` of the seedlings, had they been chosen without error:
    /// mean + i σ with selection intensity i.
    ///
    /// # Errors
    /// A share not strictly between 0 and 1, or a spread that is not positive.
    pub fn mean_of_best(&self, share: f64) -> Result<f64, NumbersError> {
        if !(share > 0.0 && share < 1.0) {
            return Err(NumbersError::Share(share));
        }
        self.normal()?;
        let standard = Normal::standard();
        let cut = standard.inverse_cdf(1.0 - share);
        let density = (-0.5 * cut * cut).exp() / (2.0 * std::f64::consts::PI).sqrt();
        Ok(self.mean + self.standard_deviation * density / share)
    }

    fn normal(&self) -> Result<Normal, NumbersError> {
        Normal::new(self.mean, self.standard_deviation)
            .map_err(|_| NumbersError::Spread(self.standard_deviation))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plants_needed_as_tabled() {
        // Share, n for P = 0.90, 0.95, 0.99, and n for five plants at 0.95.
        let table = [
            (1.0 / 2.0, [4, 5, 7, 16]),
            (1.0 / 4.0, [9, 11, 17, 34]),
            (1.0 / 8.0, [18, 23, 35, 71]),
            (1.0 / 16.0, [36, 47, 72, 144]),
            (3.0 / 4.0, [2, 3, 4, 9]),
            (3.0 / 16.0, [12, 15, 23, 47]),
            (1.0 / 64.0, [147, 191, 293, 584]),
            (1.0 / 256.0, [589, 766, 1177, 2341]),
        ];
        for (share, expected) in table {
            let one = [0.90, 0.95, 0.99].map(|p| plants_needed(share, p).unwrap().unwrap());
            assert_eq!(one, expected[..3], "share {share}");
            assert_eq!(
                plants_needed_for(5, share, 0.95),
                Ok(Some(expected[3])),
                "share {share}"
            );
        }
        assert_eq!(plants_needed(0.1936, 0.95), Ok(Some(14)));
        assert_eq!(plants_needed(0.0036, 0.95), Ok(Some(831)));
    }

    #[test]
    fn exact_boundaries_are_not_bumped() {
        for n in 1..40 {
            let halves = 1.0 - 0.5f64.powi(n);
            assert_eq!(plants_needed(0.5, halves), Ok(Some(n as u64)));
        }
        assert_eq!(plants_needed(0.1, 0.19), Ok(Some(2)));
        assert_eq!(plants_needed(0.1, 0.271), Ok(Some(3)));
        assert_eq!(plants_needed(0.0, 0.95), Ok(None));
        assert_eq!(plants_needed(1.0, 0.95), Ok(Some(1)));
        assert!(plants_needed(0.5, 1.0).is_err());
        assert!(plants_needed(f64::NAN, 0.5).is_err());
    }

    #[test]
    fn flowers_follow_from_plants() {
        let survival = Survival {
            fruit_set: 0.2,
            seeds_per_fruit: 1.0,
            germination: 0.5,
            survival: 0.8,
        };
        // All plants wanted, with an even chance: near what the rates give on average.
        let needed = survival.needed_for(20, 1.0, 0.5).unwrap().unwrap();
        assert_eq!(
            (needed.plants_n, needed.seeds_n, needed.fruits_n),
            (20, 50, 50)
        );
        assert!((245..255).contains(&needed.flowers_n), "{needed:?}");
        // To be surer takes more, and losses by chance ask for more than their mean does.
        let surer = survival.needed_for(20, 0.125, 0.95).unwrap().unwrap();
        let by_factor = |n: u64, rate: f64| (n as f64 / rate).ceil() as u64;
        assert!(surer.seeds_n > by_factor(surer.plants_n, 0.4), "{surer:?}");
        assert!(
            surer.flowers_n > by_factor(surer.plants_n, 0.08),
            "{surer:?}"
        );
        let none = Survival {
            fruit_set: 0.0,
            ..survival
        };
        assert!(none.needed_for(20, 1.0, 0.95).is_err());
        assert_eq!(survival.needed_for(1, 0.0, 0.95), Ok(None));
    }

    #[test]
    fn two_kernels_in_a_stone_come_together() {
        let twins = |seeds_per_fruit, fruit_set| Survival {
            fruit_set,
            seeds_per_fruit,
            germination: 1.0,
            survival: 1.0,
        };
        let needed = |of: Survival, n| of.needed_for(n, 1.0, 0.95).unwrap().unwrap();
        assert_eq!(needed(twins(2.0, 1.0), 5).flowers_n, 3);
        // One fruit is enough for two plants: 1 - 0.9^29 is 0.953, 1 - 0.9^28 is 0.948.
        assert_eq!(needed(twins(2.0, 0.1), 2).flowers_n, 29);
        // By hand, 3 plants of fruits with one or two kernels: two fruits do with 1 - 1/4, three surely.
        assert_eq!(needed(twins(1.5, 1.0), 3).fruits_n, 3);
        let even = twins(1.5, 1.0).needed_for(3, 1.0, 0.75).unwrap().unwrap();
        assert_eq!(even.fruits_n, 2);
    }

    #[test]
    fn spread_follows_the_normal_curve() {
        let spread = ProgenySpread::from_breeding_values(12.0, [1.0, 3.0], 4.0, 0.5, 2.0).unwrap();
        assert_eq!((spread.mean, spread.standard_deviation), (14.0, 2.0));
        let above = spread.share_beyond(16.0, Side::Above).unwrap();
        assert!((above - 0.158_655_254).abs() < 1e-6);
        assert!((spread.mean_of_best(0.05).unwrap() - (14.0 + 2.0 * 2.0627)).abs() < 1e-3);
        let (low, high) = spread.middle(0.95).unwrap();
        assert!((low - 10.08).abs() < 1e-2 && (high - 17.92).abs() < 1e-2);
        let spread = ProgenySpread::from_phenotypes(12.0, [14.0, 16.0], 0.5, 2.0).unwrap();
        assert_eq!(spread.mean, 13.5);
    }
}
