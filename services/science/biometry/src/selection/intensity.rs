//! Selection intensity, the breeder's equation and accuracy of repeated records.

use super::{SelectionError, in_range};
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::beta::ln_beta;

fn standard() -> Normal {
    Normal::new(0.0, 1.0).expect("standard normal")
}

fn density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt()
}

/// Standard normal quantile, polished to the last digits by Newton steps on the tail.
pub(crate) fn upper_quantile(p: f64) -> f64 {
    let normal = standard();
    let mut z = -normal.inverse_cdf(p);
    for _ in 0..2 {
        z += (normal.sf(z) - p) / density(z);
    }
    z
}

/// Truncation of a normal population.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truncation {
    /// Point above which all are kept, in standard deviations from the mean.
    pub point: f64,
    /// Mean superiority of those kept, in standard deviations.
    pub intensity: f64,
}

/// Truncation that keeps the share `proportion` of an infinite normal population: i = phi(x)/p
/// (Falconer and Mackay 1996, from memory).
///
/// # Errors
/// Unless 0 < `proportion` <= 1.
pub fn truncation(proportion: f64) -> Result<Truncation, SelectionError> {
    in_range(
        "proportion",
        proportion,
        proportion > 0.0 && proportion <= 1.0,
        "over 0 and up to 1",
    )?;
    if proportion == 1.0 {
        return Ok(Truncation {
            point: f64::NEG_INFINITY,
            intensity: 0.0,
        });
    }
    let point = upper_quantile(proportion);
    Ok(Truncation {
        point,
        intensity: density(point) / proportion,
    })
}

/// Expected mean of the best `kept_n` of `candidates_n` independent standard normal values, from
/// exact order statistics by quadrature.
///
/// # Errors
/// Unless 1 <= `kept_n` <= `candidates_n`.
pub fn finite_intensity(kept_n: usize, candidates_n: usize) -> Result<f64, SelectionError> {
    check_counts(kept_n, candidates_n)?;
    if kept_n == candidates_n {
        return Ok(0.0);
    }
    // The sum of the top n has expectation N times the integral of z phi(z) Pr(z is among the top
    // n), and that probability is Pr(at most n-1 of N-1 exceed z) = I_{Phi(z)}(N-n, n). By parts,
    // the integral of z phi(z) g(z) is that of phi(z) g'(z), with g' a beta density times phi.
    let (n, all) = (kept_n as f64, candidates_n as f64);
    let normal = standard();
    let constant = ln_beta(all - n, n);
    let integrand = |z: f64| {
        let (below, above) = (normal.cdf(z), normal.sf(z));
        if below <= 0.0 || above <= 0.0 {
            return 0.0;
        }
        let beta = (all - n - 1.0) * below.ln() + (n - 1.0) * above.ln() - constant;
        (beta - z * z - (2.0 * std::f64::consts::PI).ln()).exp()
    };
    // The trapezium rule converges exponentially on smooth functions that vanish at both ends.
    let (low, high, steps) = (-12.0, 12.0, 24_000);
    let width: f64 = (high - low) / f64::from(steps);
    let sum: f64 = (1..steps)
        .map(|i| integrand(low + width * f64::from(i)))
        .sum();
    Ok(all / n * sum * width)
}

/// Burrows' approximation of [`finite_intensity`]: i - (N - n)/(2 n (N + 1) i) with i that of an
/// infinite population (Burrows 1972, from memory).
///
/// # Errors
/// Unless 1 <= `kept_n` <= `candidates_n`.
pub fn burrows_intensity(kept_n: usize, candidates_n: usize) -> Result<f64, SelectionError> {
    check_counts(kept_n, candidates_n)?;
    if kept_n == candidates_n {
        return Ok(0.0);
    }
    let (n, all) = (kept_n as f64, candidates_n as f64);
    let i = truncation(n / all)?.intensity;
    Ok(i - (all - n) / (2.0 * n * (all + 1.0) * i))
}

fn check_counts(kept_n: usize, candidates_n: usize) -> Result<(), SelectionError> {
    if kept_n > candidates_n {
        return Err(SelectionError::TooMany {
            field: "kept_n",
            wanted: kept_n,
            available: candidates_n,
        });
    }
    in_range("kept_n", kept_n as f64, kept_n > 0, "at least 1")
}

/// Mass selection on one trait.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    /// Selection intensity.
    pub intensity: f64,
    /// Selection differential, in trait units.
    pub differential: f64,
    /// Response of the next generation, in trait units.
    pub per_cycle: f64,
    /// Response when only one of the two parents is selected.
    pub one_parent_only: f64,
    /// Response in a year.
    pub per_year: f64,
    /// Correlation of phenotype and breeding value.
    pub accuracy: f64,
}

/// Breeder's equation R = h2 S = i h2 sigma_P (Lush; Falconer and Mackay 1996, from memory).
///
/// # Errors
/// When a number is out of range.
pub fn response(
    proportion: f64,
    heritability: f64,
    phenotypic_sd: f64,
    cycle_years: f64,
) -> Result<Response, SelectionError> {
    in_range(
        "heritability",
        heritability,
        (0.0..=1.0).contains(&heritability),
        "from 0 to 1",
    )?;
    in_range(
        "phenotypic_sd",
        phenotypic_sd,
        phenotypic_sd >= 0.0,
        "0 or more",
    )?;
    in_range("cycle_years", cycle_years, cycle_years > 0.0, "over 0")?;
    let intensity = truncation(proportion)?.intensity;
    let differential = intensity * phenotypic_sd;
    let per_cycle = heritability * differential;
    Ok(Response {
        intensity,
        differential,
        per_cycle,
        one_parent_only: per_cycle / 2.0,
        per_year: per_cycle / cycle_years,
        accuracy: heritability.sqrt(),
    })
}

/// Accuracy of the mean of `records_n` records of one plant, sqrt(n h2 / (1 + (n - 1) r))
/// (Falconer and Mackay 1996, from memory).
///
/// # Errors
/// Unless 0 <= h2 <= r <= 1 and there is a record.
pub fn accuracy_of_repeated_records(
    records_n: usize,
    heritability: f64,
    repeatability: f64,
) -> Result<f64, SelectionError> {
    in_range("records_n", records_n as f64, records_n > 0, "at least 1")?;
    in_range(
        "repeatability",
        repeatability,
        (0.0..=1.0).contains(&repeatability),
        "from 0 to 1",
    )?;
    let accepted = (0.0..=repeatability).contains(&heritability);
    in_range(
        "heritability",
        heritability,
        accepted,
        "from 0 to the repeatability",
    )?;
    let n = records_n as f64;
    Ok((n * heritability / (1.0 + (n - 1.0) * repeatability)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_largest_of_two_and_three() {
        // E max of 2 = 1/sqrt(pi); of 3 = 1.5/sqrt(pi).
        let root = std::f64::consts::PI.sqrt();
        assert!((finite_intensity(1, 2).unwrap() - 1.0 / root).abs() < 1e-12);
        assert!((finite_intensity(1, 3).unwrap() - 1.5 / root).abs() < 1e-12);
        // The top two of three average minus half the smallest.
        assert!((finite_intensity(2, 3).unwrap() - 0.75 / root).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn finite_falls_short_of_infinite(n in 1usize..60, more in 1usize..400) {
            let all = n + more;
            let exact = finite_intensity(n, all).unwrap();
            let infinite = truncation(n as f64 / all as f64).unwrap().intensity;
            prop_assert!(exact > 0.0 && exact < infinite);
            if n > 4 && more > 4 {
                prop_assert!((burrows_intensity(n, all).unwrap() - exact).abs() < 0.01);
            }
        }

        #[test]
        fn stronger_selection_brings_more(p in 0.01f64..0.98) {
            let weak = response(p + 0.01, 0.4, 2.0, 3.0).unwrap();
            let strong = response(p, 0.4, 2.0, 3.0).unwrap();
            prop_assert!(strong.per_cycle > weak.per_cycle);
        }
    }
}
