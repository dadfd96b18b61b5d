//! Curves of germination from counts at a few looks, a part of the seed never germinating.
//!
//! The time to germination is log-logistic among the seeds that germinate at all, so that by day t
//! the share p / (1 + (t₅₀ / t)^b) is up (Ritz, Pipper and Streibig 2013 treat such counts as times
//! known to lie between looks; from memory). Fitted by maximum likelihood; intervals are those of
//! the profile likelihood (χ² with one degree of freedom).

use serde::Serialize;

/// Half the 95 % quantile of χ² with one degree of freedom.
const HALF_CHI_SQUARE_95: f64 = 1.920_729_410_347_062;
/// Bounds of the logarithm of the days to half and of the steepness.
const LOG_DAYS: (f64, f64) = (-2.0, 9.0);
const LOG_SHAPE: (f64, f64) = (-1.5, 4.0);

/// Seeds set, and how many had germinated by each look.
#[derive(Debug, Clone, PartialEq)]
pub struct Looks {
    /// Seeds set.
    pub seeds_n: u32,
    /// Days since they were set, rising, each above 0, with all that had germinated by then.
    pub by_day: Vec<(f64, u32)>,
}

/// Why looks were refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GerminationError {
    /// Days that do not rise, or counts that fall or exceed the seeds.
    #[error(
        "looks: day {day} with {germinated_n} germinated of {seeds_n} does not follow the look before; days must rise and counts must not fall or exceed the seeds"
    )]
    Order {
        /// The day.
        day: f64,
        /// Germinated by then.
        germinated_n: u32,
        /// Seeds set.
        seeds_n: u32,
    },
    /// Too little to fit three values to.
    #[error("looks: germination was seen on {seen_n} looks; a curve needs three")]
    TooFew {
        /// Looks with new germination.
        seen_n: usize,
    },
}

/// A fitted value with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Lower bound.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
}

/// A fitted curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct GerminationCurve {
    /// Share of the seed that germinates in the end, 0 to 1.
    pub final_share: Estimate,
    /// Days until half of that is up.
    pub days_to_half: Estimate,
    /// Steepness b.
    pub shape: f64,
    /// Logarithm of the likelihood.
    pub log_likelihood: f64,
}

impl GerminationCurve {
    /// Share of the seed that is up by a day.
    pub fn share_by(&self, day: f64) -> f64 {
        self.final_share.value * up_by(day, self.days_to_half.value.ln(), self.shape.ln())
    }
}

/// Share of the seed that germinates at all that is up by a day.
fn up_by(day: f64, log_days: f64, log_shape: f64) -> f64 {
    if day <= 0.0 {
        return 0.0;
    }
    1.0 / (1.0 + (log_shape.exp() * (log_days - day.ln())).exp())
}

impl Looks {
    fn check(&self) -> Result<(), GerminationError> {
        let (mut day_before, mut n_before, mut seen_n) = (0.0, 0, 0);
        for &(day, germinated_n) in &self.by_day {
            if !(day.is_finite() && day > day_before)
                || germinated_n < n_before
                || germinated_n > self.seeds_n
            {
                return Err(GerminationError::Order {
                    day,
                    germinated_n,
                    seeds_n: self.seeds_n,
                });
            }
            seen_n += usize::from(germinated_n > n_before);
            (day_before, n_before) = (day, germinated_n);
        }
        if seen_n < 3 {
            return Err(GerminationError::TooFew { seen_n });
        }
        Ok(())
    }

    /// Log-likelihood of the counts between looks, and of the seed not up by the last.
    fn log_likelihood(&self, share: f64, log_days: f64, log_shape: f64) -> f64 {
        let (mut sum, mut up_before, mut n_before) = (0.0, 0.0, 0);
        for &(day, n) in &self.by_day {
            let up = up_by(day, log_days, log_shape);
            if n > n_before {
                sum += f64::from(n - n_before) * (share * (up - up_before)).max(1e-300).ln();
            }
            (up_before, n_before) = (up, n);
        }
        let left_n = self.seeds_n - n_before;
        if left_n > 0 {
            sum += f64::from(left_n) * (1.0 - share * up_before).max(1e-300).ln();
        }
        sum
    }

    /// The likeliest final share at given days and steepness: germinated over seeds, for the share
    /// of those that germinate which is up by the last look.
    fn likeliest_share(&self, log_days: f64, log_shape: f64) -> f64 {
        let (last, n) = self.by_day.last().copied().unwrap_or((0.0, 0));
        let up = up_by(last, log_days, log_shape).max(1e-12);
        (f64::from(n) / (f64::from(self.seeds_n) * up)).min(1.0)
    }

    /// Fits the curve.
    ///
    /// # Errors
    /// Looks out of order, or fewer than three with new germination.
    pub fn fit(&self) -> Result<GerminationCurve, GerminationError> {
        self.check()?;
        let steepest = |share: Option<f64>, log_days: f64| {
            highest(LOG_SHAPE, |log_shape| {
                let share = share.unwrap_or_else(|| self.likeliest_share(log_days, log_shape));
                self.log_likelihood(share, log_days, log_shape)
            })
        };
        let (log_days, (log_shape, best)) = {
            let (log_days, _) = highest(LOG_DAYS, |log_days| steepest(None, log_days).1);
            (log_days, steepest(None, log_days))
        };
        let share = self.likeliest_share(log_days, log_shape);
        let floor = best - HALF_CHI_SQUARE_95;
        let of_share =
            |share: f64| highest(LOG_DAYS, |log_days| steepest(Some(share), log_days).1).1;
        let of_days = |log_days: f64| steepest(None, log_days).1;
        Ok(GerminationCurve {
            final_share: Estimate {
                value: share,
                low: crossing(&of_share, share, 0.0, floor),
                high: crossing(&of_share, share, 1.0, floor),
            },
            days_to_half: Estimate {
                value: log_days.exp(),
                low: crossing(&of_days, log_days, LOG_DAYS.0, floor).exp(),
                high: crossing(&of_days, log_days, LOG_DAYS.1, floor).exp(),
            },
            shape: log_shape.exp(),
            log_likelihood: best,
        })
    }
}

/// Where a function is highest between bounds, and how high: a coarse look, then golden section
/// about the best.
fn highest(bounds: (f64, f64), value: impl Fn(f64) -> f64) -> (f64, f64) {
    const COARSE: usize = 24;
    const GOLDEN: f64 = 0.618_033_988_749_895;
    let step = (bounds.1 - bounds.0) / COARSE as f64;
    let at = |i: usize| bounds.0 + step * i as f64;
    let best = (0..=COARSE)
        .map(|i| (i, value(at(i))))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(0, |(i, _)| i);
    let (mut low, mut high) = (at(best.saturating_sub(1)), at((best + 1).min(COARSE)));
    let (mut x, mut y) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
    let (mut of_x, mut of_y) = (value(x), value(y));
    while high - low > 1e-7 {
        if of_x > of_y {
            (high, y, of_y) = (y, x, of_x);
            x = high - GOLDEN * (high - low);
            of_x = value(x);
        } else {
            (low, x, of_x) = (x, y, of_y);
            y = low + GOLDEN * (high - low);
            of_y = value(y);
        }
    }
    if of_x > of_y { (x, of_x) } else { (y, of_y) }
}

/// Where a profile falls to a floor between its top and a bound; the bound when it never does.
fn crossing(profile: &impl Fn(f64) -> f64, top: f64, bound: f64, floor: f64) -> f64 {
    let (mut within, mut beyond) = (top, bound);
    if profile(bound) >= floor {
        return bound;
    }
    for _ in 0..40 {
        let middle = f64::midpoint(within, beyond);
        if profile(middle) >= floor {
            within = middle;
        } else {
            beyond = middle;
        }
    }
    f64::midpoint(within, beyond)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// What a curve would have come to, rounded to whole seeds.
    fn looks(seeds_n: u32, share: f64, days: f64, shape: f64, on: &[f64]) -> Looks {
        Looks {
            seeds_n,
            by_day: on
                .iter()
                .map(|day| {
                    let up = share * up_by(*day, days.ln(), shape.ln());
                    (*day, (f64::from(seeds_n) * up).round() as u32)
                })
                .collect(),
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(12))]

        #[test]
        fn a_known_curve_is_found_again(share in 0.3f64..0.95, days in 20.0f64..60.0, shape in 3.0f64..10.0) {
            let on: Vec<f64> = (1..=24).map(|week| 7.0 * f64::from(week)).collect();
            let curve = looks(20_000, share, days, shape, &on).fit().unwrap();
            prop_assert!((curve.final_share.value - share).abs() < 0.02, "{curve:?}");
            prop_assert!((curve.days_to_half.value / days - 1.0).abs() < 0.03, "{curve:?}");
            prop_assert!(curve.final_share.low <= curve.final_share.value + 1e-6);
            prop_assert!(curve.final_share.value <= curve.final_share.high + 1e-6);
            prop_assert!((curve.share_by(days) / share - 0.5).abs() < 0.03);
        }
    }

    #[test]
    fn a_curve_seen_to_its_end_has_the_interval_of_a_proportion() {
        let on: Vec<f64> = (1..=30).map(|week| 7.0 * f64::from(week)).collect();
        let curve = looks(100, 0.8, 30.0, 8.0, &on).fit().unwrap();
        // Profile likelihood interval of 80 of 100, found apart: l(p) = l(0.8) − 1.9207.
        let of = |p: f64| 80.0 * p.ln() + 20.0 * (1.0 - p).ln();
        for bound in [curve.final_share.low, curve.final_share.high] {
            assert!(
                (of(bound) - of(0.8) + HALF_CHI_SQUARE_95).abs() < 0.02,
                "{curve:?}"
            );
        }
    }

    #[test]
    fn a_curve_cut_short_leaves_its_end_open() {
        let whole = looks(
            200,
            0.8,
            40.0,
            4.0,
            &[14.0, 28.0, 42.0, 56.0, 70.0, 84.0, 112.0, 140.0],
        );
        let cut = Looks {
            by_day: whole.by_day[..3].to_vec(),
            ..whole.clone()
        };
        let (whole, cut) = (whole.fit().unwrap(), cut.fit().unwrap());
        let width = |curve: &GerminationCurve| curve.final_share.high - curve.final_share.low;
        assert!(width(&cut) > 2.0 * width(&whole), "{cut:?} {whole:?}");
    }

    #[test]
    fn looks_out_of_order_are_refused() {
        let of = |by_day: &[(f64, u32)]| {
            Looks {
                seeds_n: 10,
                by_day: by_day.to_vec(),
            }
            .fit()
        };
        assert!(matches!(
            of(&[(7.0, 2), (7.0, 3)]),
            Err(GerminationError::Order { .. })
        ));
        assert!(matches!(
            of(&[(7.0, 2), (14.0, 1)]),
            Err(GerminationError::Order { .. })
        ));
        assert!(matches!(
            of(&[(7.0, 11)]),
            Err(GerminationError::Order { .. })
        ));
        assert_eq!(
            of(&[(7.0, 2), (14.0, 4)]),
            Err(GerminationError::TooFew { seen_n: 2 })
        );
    }
}
