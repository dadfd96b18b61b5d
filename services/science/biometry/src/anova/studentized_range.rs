//! The studentized range, for Tukey's honestly significant difference.

use statrs::function::erf::erfc;
use statrs::function::gamma::ln_gamma;
use std::f64::consts::{PI, SQRT_2};

/// Nodes (positive half) and weights of the 16-point Gauss-Legendre rule.
const NODES: [(f64, f64); 8] = [
    (0.095_012_509_837_637_44, 0.189_450_610_455_068_5),
    (0.281_603_550_779_258_9, 0.182_603_415_044_923_6),
    (0.458_016_777_657_227_4, 0.169_156_519_395_002_54),
    (0.617_876_244_402_643_7, 0.149_595_988_816_576_73),
    (0.755_404_408_355_003, 0.124_628_971_255_533_87),
    (0.865_631_202_387_831_7, 0.095_158_511_682_492_78),
    (0.944_575_023_073_232_6, 0.062_253_523_938_647_89),
    (0.989_400_934_991_649_9, 0.027_152_459_411_754_095),
];

fn integrate(from: f64, to: f64, panels: usize, mut f: impl FnMut(f64) -> f64) -> f64 {
    let half = (to - from) / (2 * panels) as f64;
    (0..panels)
        .map(|panel| {
            let middle = from + half * (2 * panel + 1) as f64;
            NODES
                .iter()
                .map(|&(x, w)| w * (f(middle + half * x) + f(middle - half * x)))
                .sum::<f64>()
        })
        .sum::<f64>()
        * half
}

fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z / SQRT_2)
}

/// Probability that the range of `groups_n` standard normal values stays below `width`.
fn range_cdf(width: f64, groups_n: usize) -> f64 {
    if width <= 0.0 {
        return 0.0;
    }
    let k = groups_n as f64;
    let density = |z: f64| (-0.5 * z * z).exp() / (2.0 * PI).sqrt();
    // z is the largest value, so nothing lies beyond 8.5 and little below -8.5.
    k * integrate(-8.5, 8.5, 8, |z| {
        density(z) * (normal_cdf(z) - normal_cdf(z - width)).powf(k - 1.0)
    })
}

/// Probability that the studentized range of `groups_n` means exceeds `q` when the variance has
/// `df` degrees of freedom; accurate to about 1e-9.
#[must_use]
pub fn upper_tail(q: f64, groups_n: usize, df: f64) -> f64 {
    if q <= 0.0 || groups_n < 2 {
        return 1.0;
    }
    if !df.is_finite() {
        return (1.0 - range_cdf(q, groups_n)).clamp(0.0, 1.0);
    }
    // s = sqrt(chi2/df) has log density constant + (df-1) ln s - df s^2/2.
    let half = df / 2.0;
    let constant = (2.0f64).ln() + half * half.ln() - ln_gamma(half);
    let spread = 9.0 / (2.0 * df).sqrt();
    let (from, to) = ((1.0 - spread).max(0.0), 1.0 + spread);
    integrate(from, to, 6, |s| {
        let density = (constant + (df - 1.0) * s.ln() - half * s * s).exp();
        density * (1.0 - range_cdf(q * s, groups_n))
    })
    .clamp(0.0, 1.0)
}

/// The `q` whose [`upper_tail`] is `alpha`.
#[must_use]
pub fn critical_value(alpha: f64, groups_n: usize, df: f64) -> f64 {
    let excess = |q: f64| upper_tail(q, groups_n, df) - alpha;
    let (mut low, mut high) = (0.0, 4.0);
    while excess(high) > 0.0 && high < 1e4 {
        low = high;
        high *= 2.0;
    }
    // Illinois variant of false position: the tail is smooth and falls all the way.
    let (mut f_low, mut f_high) = (excess(low), excess(high));
    for _ in 0..100 {
        let q = (low * f_high - high * f_low) / (f_high - f_low);
        let f = excess(q);
        if f.abs() < 1e-13 || high - low < 1e-12 * high {
            return q;
        }
        if f > 0.0 {
            (low, f_low) = (q, f);
            f_high /= 2.0;
        } else {
            (high, f_high) = (q, f);
            f_low /= 2.0;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::{critical_value, upper_tail};

    /// Tables of the studentized range (from memory): 3.877 for 3 groups and 10 df, 3.314 for 3
    /// groups and infinite df.
    #[test]
    fn tabulated_values() {
        assert!((critical_value(0.05, 3, 10.0) - 3.877).abs() < 1e-3);
        assert!((critical_value(0.05, 3, f64::INFINITY) - 3.314).abs() < 1e-3);
    }

    #[test]
    fn two_groups_are_a_t_test() {
        use statrs::distribution::{ContinuousCDF, StudentsT};
        for df in [1.0, 3.0, 7.0, 40.0, 400.0] {
            for t in [0.5f64, 1.5, 3.0] {
                let expected = 2.0 * StudentsT::new(0.0, 1.0, df).unwrap().sf(t);
                let found = upper_tail(t * 2f64.sqrt(), 2, df);
                assert!(
                    (found - expected).abs() < 1e-7,
                    "{df} {t}: {found} {expected}"
                );
            }
        }
    }
}
