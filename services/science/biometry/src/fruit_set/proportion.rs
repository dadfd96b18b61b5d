//! Intervals for a proportion.

use super::{Count, CountError, in_range};
use crate::selection::intensity::upper_quantile;
use serde::{Deserialize, Serialize};
use statrs::function::beta::beta_reg;

/// Lower and upper bound.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// Lower bound.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
}

/// How an interval is built (formulas from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// Exact: never covers less than stated (Clopper and Pearson 1934).
    ClopperPearson,
    /// Score interval (Wilson 1927).
    Wilson,
    /// Score interval with continuity correction (Newcombe 1998).
    WilsonContinuity,
    /// Adjusted Wald interval, not clipped to 0 and 1 (Agresti and Coull 1998).
    AgrestiCoull,
}

/// Two-sided interval for the proportion behind `count` at `confidence` (for example 0.95).
///
/// # Errors
/// Unless 0 < `confidence` < 1.
pub fn interval(count: Count, method: Method, confidence: f64) -> Result<Interval, CountError> {
    in_range(
        "confidence",
        confidence,
        confidence > 0.0 && confidence < 1.0,
        "between 0 and 1",
    )?;
    let (x, n) = (count.events_n() as f64, count.trials_n() as f64);
    let tail = (1.0 - confidence) / 2.0;
    let z = upper_quantile(tail);
    let p = x / n;
    Ok(match method {
        Method::ClopperPearson => exact(x, n, tail),
        Method::Wilson => {
            let centre = (p + z * z / (2.0 * n)) / (1.0 + z * z / n);
            let half = z / (1.0 + z * z / n) * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
            Interval {
                low: if x == 0.0 { 0.0 } else { centre - half },
                high: if x == n { 1.0 } else { centre + half },
            }
        }
        Method::WilsonContinuity => {
            let below = 2.0 * n * (n + z * z) / n;
            let root = |sign: f64| {
                z * (z * z - sign * 2.0 - 1.0 / n + 4.0 * p * (n * (1.0 - p) + sign)).sqrt()
            };
            let middle = 2.0 * n * p + z * z;
            Interval {
                low: if x == 0.0 {
                    0.0
                } else {
                    (middle - 1.0 - root(1.0)) / below
                },
                high: if x == n {
                    1.0
                } else {
                    (middle + 1.0 + root(-1.0)) / below
                },
            }
        }
        Method::AgrestiCoull => {
            let adjusted_n = n + z * z;
            let centre = (x + z * z / 2.0) / adjusted_n;
            let half = z * (centre * (1.0 - centre) / adjusted_n).sqrt();
            Interval {
                low: centre - half,
                high: centre + half,
            }
        }
    })
}

/// Clopper-Pearson bounds; counts may be fractional, as effective counts are (Korn and Graubard
/// 1998, from memory).
pub(crate) fn exact(x: f64, n: f64, tail: f64) -> Interval {
    Interval {
        low: if x <= 0.0 {
            0.0
        } else {
            beta_quantile(tail, x, n - x + 1.0)
        },
        high: if x >= n {
            1.0
        } else {
            beta_quantile(1.0 - tail, x + 1.0, n - x)
        },
    }
}

/// Quantile of a beta distribution by bisection to the last digits.
pub(crate) fn beta_quantile(probability: f64, a: f64, b: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if middle <= low || middle >= high {
            break;
        }
        if beta_reg(a, b, middle) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const ALL: [Method; 4] = [
        Method::ClopperPearson,
        Method::Wilson,
        Method::WilsonContinuity,
        Method::AgrestiCoull,
    ];

    proptest! {
        #[test]
        fn intervals_hold_the_estimate_and_widen_with_confidence(n in 1u64..500, share in 0.0f64..=1.0) {
            let count = Count::new((share * n as f64) as u64, n).unwrap();
            for method in ALL {
                let narrow = interval(count, method, 0.9).unwrap();
                let wide = interval(count, method, 0.99).unwrap();
                prop_assert!(narrow.low <= count.proportion() + 1e-12);
                prop_assert!(narrow.high >= count.proportion() - 1e-12);
                // The adjusted Wald interval also moves with confidence, and may leave 0 to 1.
                if method != Method::AgrestiCoull {
                    prop_assert!(wide.low <= narrow.low && wide.high >= narrow.high);
                    prop_assert!(narrow.low >= 0.0 && narrow.high <= 1.0);
                }
            }
        }

        #[test]
        fn exact_interval_covers(p in 0.01f64..0.99, n in 1u64..60) {
            // Probability of counts whose interval holds p, summed over the binomial.
            let ln_choose = |x| statrs::function::factorial::ln_binomial(n, x);
            let covered: f64 = (0..=n)
                .filter(|&x| {
                    let i = interval(Count::new(x, n).unwrap(), Method::ClopperPearson, 0.95).unwrap();
                    i.low <= p && p <= i.high
                })
                .map(|x| (ln_choose(x) + x as f64 * p.ln() + (n - x) as f64 * (1.0 - p).ln()).exp())
                .sum();
            prop_assert!(covered >= 0.95 - 1e-9, "{covered}");
        }
    }
}
