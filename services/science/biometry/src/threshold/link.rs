//! The distribution of the liability about its mean, and a record's log-likelihood with its
//! derivatives.

use statrs::distribution::{ContinuousCDF, Normal};

/// Distribution of the residual of the liability.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Link {
    /// Standard normal residual, variance 1: the threshold model of quantitative genetics.
    #[default]
    Probit,
    /// Standard logistic residual, variance pi^2 / 3: effects are logarithms of odds ratios.
    Logit,
}

impl Link {
    /// Variance of the residual on the liability scale.
    #[must_use]
    pub fn residual_variance(self) -> f64 {
        match self {
            Self::Probit => 1.0,
            Self::Logit => std::f64::consts::PI.powi(2) / 3.0,
        }
    }

    /// Probability that the residual is below x, precise in the lower tail.
    #[must_use]
    pub fn below(self, x: f64) -> f64 {
        match self {
            Self::Probit => Normal::standard().cdf(x),
            Self::Logit => 1.0 / (1.0 + (-x).exp()),
        }
    }

    /// Density and its first two derivatives.
    fn density(self, x: f64) -> [f64; 3] {
        if x.is_infinite() {
            return [0.0; 3];
        }
        match self {
            Self::Probit => {
                let p = (-0.5 * x * x).exp() / (2.0 * std::f64::consts::PI).sqrt();
                [p, -x * p, (x * x - 1.0) * p]
            }
            Self::Logit => {
                let (below, above) = (self.below(x), self.below(-x));
                let p = below * above;
                [p, p * (above - below), p * (1.0 - 6.0 * p)]
            }
        }
    }

    /// Probability of a residual between two bounds, without cancellation in the upper tail.
    pub(crate) fn between(self, upper: f64, lower: f64) -> f64 {
        if lower > 0.0 {
            self.below(-lower) - self.below(-upper)
        } else {
            self.below(upper) - self.below(lower)
        }
    }

    /// Log-likelihood of a liability residual between two bounds, and its derivatives.
    pub(crate) fn local(self, upper: f64, lower: f64) -> Local {
        let d = self.between(upper, lower);
        let [pu, pu1, pu2] = self.density(upper).map(|p| p / d);
        let [pl, pl1, pl2] = self.density(lower).map(|p| p / d);
        let (r, r2, r3) = (pu - pl, pu1 - pl1, pu2 - pl2);
        Local {
            value: d.ln(),
            first: -r,
            weight: r * r - r2,
            slope: 2.0 * r.powi(3) - 3.0 * r * r2 + r3,
            upper: Bound {
                value: pu,
                first: r * pu - pu1,
                weight: 2.0 * r * (pu1 - r * pu) - pu2 + r2 * pu,
                own: pu1 - pu * pu,
            },
            lower: Bound {
                value: -pl,
                first: pl1 - r * pl,
                weight: -2.0 * r * (pl1 - r * pl) + pl2 - r2 * pl,
                own: -pl1 - pl * pl,
            },
            both: pu * pl,
        }
    }
}

/// Log-likelihood of a record with derivatives by the mean of the liability (`first`; `weight` =
/// minus the second; `slope` of the weight) and by the cut points on either side.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Local {
    pub(crate) value: f64,
    pub(crate) first: f64,
    pub(crate) weight: f64,
    pub(crate) slope: f64,
    pub(crate) upper: Bound,
    pub(crate) lower: Bound,
    /// Second derivative by both cut points.
    pub(crate) both: f64,
}

/// Derivatives by one cut point: of the log-likelihood, of its first derivative and of the weight
/// by the mean, and the second by the cut point itself.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bound {
    pub(crate) value: f64,
    pub(crate) first: f64,
    pub(crate) weight: f64,
    pub(crate) own: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn derivatives_agree_with_differences() {
        let cases = [
            (0.4, -0.9),
            (f64::INFINITY, 0.7),
            (-1.2, f64::NEG_INFINITY),
            (2.5, 1.9),
            (-3.0, -3.4),
        ];
        let h = 1e-5;
        for link in [Link::Probit, Link::Logit] {
            for (t, s) in cases {
                let here = link.local(t, s);
                let at = |m: f64, du: f64, dl: f64| link.local(t + du - m, s + dl - m);
                let by = |f: &dyn Fn(Local) -> f64, m: f64, u: f64, l: f64| {
                    (f(at(m * h, u * h, l * h)) - f(at(-m * h, -u * h, -l * h))) / (2.0 * h)
                };
                let close = |a: f64, b: f64, what: &str| {
                    assert!(
                        (a - b).abs() < 1e-7 * (1.0 + a.abs()),
                        "{link:?} {t} {s} {what}: {a} {b}"
                    );
                };
                close(here.first, by(&|x| x.value, 1.0, 0.0, 0.0), "first");
                close(here.weight, -by(&|x| x.first, 1.0, 0.0, 0.0), "weight");
                close(here.slope, by(&|x| x.weight, 1.0, 0.0, 0.0), "slope");
                close(here.upper.value, by(&|x| x.value, 0.0, 1.0, 0.0), "upper");
                close(
                    here.upper.first,
                    by(&|x| x.first, 0.0, 1.0, 0.0),
                    "upper first",
                );
                close(
                    here.upper.weight,
                    by(&|x| x.weight, 0.0, 1.0, 0.0),
                    "upper weight",
                );
                close(
                    here.upper.own,
                    by(&|x| x.upper.value, 0.0, 1.0, 0.0),
                    "upper own",
                );
                close(here.lower.value, by(&|x| x.value, 0.0, 0.0, 1.0), "lower");
                close(
                    here.lower.first,
                    by(&|x| x.first, 0.0, 0.0, 1.0),
                    "lower first",
                );
                close(
                    here.lower.weight,
                    by(&|x| x.weight, 0.0, 0.0, 1.0),
                    "lower weight",
                );
                close(
                    here.lower.own,
                    by(&|x| x.lower.value, 0.0, 0.0, 1.0),
                    "lower own",
                );
                close(here.both, by(&|x| x.upper.value, 0.0, 0.0, 1.0), "both");
            }
        }
    }

    #[test]
    fn tails_keep_their_precision() {
        let far = Link::Probit.between(f64::INFINITY, 9.0);
        assert!(
            (far / 1.128_588_405_953_840_6e-19 - 1.0).abs() < 1e-9,
            "{far}"
        );
        assert!(Link::Logit.between(51.0, 50.0) > 1e-22);
    }
}
