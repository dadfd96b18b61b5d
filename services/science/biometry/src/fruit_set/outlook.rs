//! Forecast of a cross's fruit from counts so far.

use super::{CountError, in_range};
use serde::{Deserialize, Serialize};
use statrs::function::beta::ln_beta;
use statrs::function::factorial::ln_binomial;

/// What earlier crosses say about set.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Prior {
    /// Expected set.
    pub mean_set: f64,
    /// Flowers that the expectation is worth.
    pub worth_flowers_n: f64,
}

impl Default for Prior {
    /// Jeffreys' prior: worth one flower, half set.
    fn default() -> Prior {
        Prior {
            mean_set: 0.5,
            worth_flowers_n: 1.0,
        }
    }
}

/// Where a cross stands.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    /// Flowers pollinated whose fruit has been counted.
    pub counted_flowers_n: u64,
    /// Fruit on them.
    pub fruit_n: u64,
    /// Flowers pollinated whose fruit has not been counted yet.
    pub pending_flowers_n: u64,
    /// Fruit wanted in all.
    pub wanted_n: u64,
    /// Correlation of two flowers of one pass, 0 when passes are alike.
    pub correlation_within_pass: f64,
    /// Flowers in a usual pass; only matters with a correlation.
    pub flowers_per_pass_n: u64,
}

/// Forecast of a cross.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Outlook {
    /// Expected fruit in all.
    pub expected_fruit_n: f64,
    /// Fruit that will be reached or exceeded with probability 0.975.
    pub fruit_low_n: u64,
    /// Fruit that will not be exceeded with probability 0.975.
    pub fruit_high_n: u64,
    /// Probability of the wanted number or more.
    pub probability_of_wanted: f64,
    /// Whether the cross is more likely than not to miss its number.
    pub likely_to_miss: bool,
    /// Further flowers that bring the probability to `sure`; none when even very many would not.
    pub more_flowers_n: Option<u64>,
}

/// Most further flowers that are looked at.
const MOST_FLOWERS: u64 = 20_000;

/// Forecasts the fruit of a cross by a beta-binomial predictive distribution; `sure` is the
/// probability (for example 0.9) that the further flowers aim at.
///
/// # Errors
/// With more fruit than counted flowers or a number out of range.
pub fn outlook(standing: Standing, prior: Prior, sure: f64) -> Result<Outlook, CountError> {
    let Standing {
        counted_flowers_n,
        fruit_n,
        pending_flowers_n,
        wanted_n,
        ..
    } = standing;
    if fruit_n > counted_flowers_n {
        return Err(CountError::MoreEventsThanTrials {
            events_n: fruit_n,
            trials_n: counted_flowers_n,
        });
    }
    let rho = standing.correlation_within_pass;
    in_range("sure", sure, sure > 0.0 && sure < 1.0, "between 0 and 1")?;
    in_range(
        "mean_set",
        prior.mean_set,
        prior.mean_set > 0.0 && prior.mean_set < 1.0,
        "between 0 and 1",
    )?;
    let worth = prior.worth_flowers_n;
    in_range("worth_flowers_n", worth, worth > 0.0, "over 0")?;
    in_range(
        "correlation_within_pass",
        rho,
        (0.0..1.0).contains(&rho),
        "from 0 to below 1",
    )?;

    let design_effect = 1.0 + (standing.flowers_per_pass_n.max(1) - 1) as f64 * rho;
    let seen = counted_flowers_n as f64 / design_effect;
    let seen_fruit = fruit_n as f64 / design_effect;
    let size = worth + seen;
    let mean = (worth * prior.mean_set + seen_fruit) / size;
    let predict = |flowers_n: u64| Predictive::new(flowers_n, mean, size, rho, &standing);
    let still_needed = wanted_n.saturating_sub(fruit_n);

    let pending = predict(pending_flowers_n);
    let probability_of_wanted = pending.at_least(still_needed);
    let reached = |more: u64| predict(pending_flowers_n + more).at_least(still_needed) >= sure;
    let more_flowers_n = if probability_of_wanted >= sure {
        Some(0)
    } else {
        let mut high = 16;
        while high < MOST_FLOWERS && !reached(high) {
            high *= 2;
        }
        if reached(high) {
            let mut low = 0;
            while high - low > 1 {
                let middle = u64::midpoint(low, high);
                if reached(middle) {
                    high = middle;
                } else {
                    low = middle;
                }
            }
            Some(high)
        } else {
            None
        }
    };
    Ok(Outlook {
        expected_fruit_n: fruit_n as f64 + pending_flowers_n as f64 * mean,
        fruit_low_n: fruit_n + pending.quantile(0.025),
        fruit_high_n: fruit_n + pending.quantile(0.975),
        probability_of_wanted,
        likely_to_miss: probability_of_wanted < 0.5,
        more_flowers_n,
    })
}

/// Beta-binomial distribution of fruit on flowers to come.
struct Predictive {
    flowers_n: u64,
    a: f64,
    b: f64,
}

impl Predictive {
    fn new(flowers_n: u64, mean: f64, size: f64, rho: f64, standing: &Standing) -> Predictive {
        // The set of flowers to come varies about its mean by what is not known of the mean and by
        // what passes differ, averaged over the passes that they will take.
        let per_pass = standing.flowers_per_pass_n.max(1) as f64;
        let passes = (flowers_n as f64 / per_pass).max(1.0);
        let variance_share = (1.0 / (size + 1.0) + rho / passes).min(0.999);
        let together = 1.0 / variance_share - 1.0;
        Predictive {
            flowers_n,
            a: mean * together,
            b: (1.0 - mean) * together,
        }
    }

    fn probability(&self, fruit_n: u64) -> f64 {
        let (x, n) = (fruit_n as f64, self.flowers_n as f64);
        let ln_p = ln_binomial(self.flowers_n, fruit_n) + ln_beta(x + self.a, n - x + self.b)
            - ln_beta(self.a, self.b);
        ln_p.exp()
    }

    fn at_least(&self, fruit_n: u64) -> f64 {
        if fruit_n > self.flowers_n {
            return 0.0;
        }
        let below: f64 = (0..fruit_n).map(|x| self.probability(x)).sum();
        (1.0 - below).clamp(0.0, 1.0)
    }

    fn quantile(&self, share: f64) -> u64 {
        let mut sum = 0.0;
        for x in 0..self.flowers_n {
            sum += self.probability(x);
            if sum >= share {
                return x;
            }
        }
        self.flowers_n
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn standing(counted: u64, fruit: u64, pending: u64, wanted: u64) -> Standing {
        Standing {
            counted_flowers_n: counted,
            fruit_n: fruit,
            pending_flowers_n: pending,
            wanted_n: wanted,
            correlation_within_pass: 0.0,
            flowers_per_pass_n: 50,
        }
    }

    #[test]
    fn says_what_would_mend_a_cross_that_falls_short() {
        let now = standing(200, 20, 100, 100);
        let found = outlook(now, Prior::default(), 0.9).unwrap();
        assert!(found.likely_to_miss);
        let more = found.more_flowers_n.unwrap();
        // 80 fruits are short at about 1 in 10: some 800 flowers, and more to be sure.
        assert!((700..1300).contains(&more), "{more}");
        let mended = Standing {
            pending_flowers_n: 100 + more,
            ..now
        };
        let mended = outlook(mended, Prior::default(), 0.9).unwrap();
        assert!(mended.probability_of_wanted >= 0.9);
    }

    #[test]
    fn unlike_passes_widen_the_forecast() {
        let even = outlook(standing(100, 30, 200, 80), Prior::default(), 0.9).unwrap();
        let uneven = Standing {
            correlation_within_pass: 0.1,
            ..standing(100, 30, 200, 80)
        };
        let uneven = outlook(uneven, Prior::default(), 0.9).unwrap();
        assert!(uneven.fruit_high_n - uneven.fruit_low_n > even.fruit_high_n - even.fruit_low_n);
    }

    proptest! {
        #[test]
        fn forecasts_are_probabilities(
            counted in 0u64..200, share in 0.0f64..=1.0, pending in 0u64..300, wanted in 0u64..150
        ) {
            let fruit = (share * counted as f64) as u64;
            let found = outlook(standing(counted, fruit, pending, wanted), Prior::default(), 0.8).unwrap();
            prop_assert!((0.0..=1.0).contains(&found.probability_of_wanted));
            prop_assert!(found.fruit_low_n <= found.fruit_high_n);
            prop_assert!(found.fruit_low_n >= fruit && found.fruit_high_n <= fruit + pending);
            if fruit >= wanted {
                prop_assert_eq!(found.probability_of_wanted, 1.0);
                prop_assert_eq!(found.more_flowers_n, Some(0));
            }
        }
    }
}
