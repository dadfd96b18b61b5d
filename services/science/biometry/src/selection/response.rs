//! What keeping some entries is expected to bring, with its uncertainty.

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha12Rng;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ChiSquared, ContinuousCDF as _, Normal};

use super::{SelectionError, in_range};

/// What a trial says of one trait: the spread of its entries' means and how much of it is genetic.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Entries under test.
    pub entries_n: usize,
    /// Standard deviation of their means, in the trait's unit.
    pub sd: f64,
    /// Share of the variance among the means that is genetic, 0 to 1.
    pub heritability: f64,
    /// Degrees of freedom behind the error.
    pub error_df: f64,
}

/// The mean true value of those kept, as a deviation from the mean of all.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Response {
    /// Expected: heritability times the superiority of those kept.
    pub expected: f64,
    /// 2.5 % of draws lie below.
    pub low: f64,
    /// 2.5 % of draws lie above.
    pub high: f64,
}

/// Expected response to keeping `kept_n` entries whose means lie `superiority` above the mean of
/// all, with the interval that holds 95 % of posterior draws.
///
/// A draw takes the variance among means and the error variance from their scaled inverse
/// chi-squared distributions (flat priors on the logarithms; Gelman et al., Bayesian Data Analysis,
/// from memory), cuts the genetic variance off at zero, and then draws the mean true value of those
/// kept given their means. Uncertainty of the heritability is therefore part of the interval.
///
/// # Errors
/// A number out of range.
pub fn expected_response(
    evidence: &Evidence,
    superiority: f64,
    kept_n: usize,
    draws_n: usize,
    seed: u64,
) -> Result<Response, SelectionError> {
    let Evidence {
        entries_n,
        sd,
        heritability,
        error_df,
    } = *evidence;
    in_range(
        "entries_n",
        entries_n as f64,
        entries_n >= 3,
        "at least 3",
    )?;
    in_range("sd", sd, sd.is_finite() && sd >= 0.0, "0 or more")?;
    in_range(
        "heritability",
        heritability,
        (0.0..=1.0).contains(&heritability),
        "0 to 1",
    )?;
    in_range("error_df", error_df, error_df >= 1.0, "at least 1")?;
    in_range(
        "superiority",
        superiority,
        superiority.is_finite(),
        "finite",
    )?;
    in_range("kept_n", kept_n as f64, kept_n > 0, "at least 1")?;
    in_range("draws_n", draws_n as f64, draws_n > 0, "at least 1")?;

    let among_df = entries_n as f64 - 1.0;
    let (among, error) = (sd * sd, sd * sd * (1.0 - heritability));
    let among_chi = ChiSquared::new(among_df).expect("positive degrees of freedom");
    let error_chi = ChiSquared::new(error_df).expect("positive degrees of freedom");
    let normal = Normal::new(0.0, 1.0).expect("standard normal");
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let mut uniform = || rng.random_range(f64::EPSILON..1.0);
    let mut draws: Vec<f64> = (0..draws_n)
        .map(|_| {
            let among = among * among_df / among_chi.inverse_cdf(uniform());
            let error = error * error_df / error_chi.inverse_cdf(uniform());
            let genetic = (among - error).max(0.0);
            let share = if among > 0.0 { genetic / among } else { 0.0 };
            let left = (genetic * (1.0 - share) / kept_n as f64).sqrt();
            share * superiority + left * normal.inverse_cdf(uniform())
        })
        .collect();
    draws.sort_by(f64::total_cmp);
    let at = |share: f64| draws[((draws.len() - 1) as f64 * share).round() as usize];
    Ok(Response {
        expected: heritability * superiority,
        low: at(0.025),
        high: at(0.975),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn much_evidence_gives_heritability_times_superiority() {
        let evidence = Evidence {
            entries_n: 100_000,
            sd: 2.0,
            heritability: 0.4,
            error_df: 1e6,
        };
        let of = expected_response(&evidence, 3.0, 100_000, 500, 1).unwrap();
        assert!((of.expected - 1.2).abs() < 1e-12);
        assert!(of.low > 1.15 && of.high < 1.25, "{of:?}");
    }

    #[test]
    fn nothing_genetic_brings_nothing() {
        let evidence = Evidence {
            entries_n: 60,
            sd: 2.0,
            heritability: 0.0,
            error_df: 60.0,
        };
        let of = expected_response(&evidence, 3.0, 6, 500, 1).unwrap();
        assert_eq!(of.expected, 0.0);
        assert!(of.low <= 0.0 && of.high > 0.0, "{of:?}");
    }

    #[test]
    fn numbers_out_of_range_are_named() {
        let evidence = Evidence {
            entries_n: 60,
            sd: 2.0,
            heritability: 1.4,
            error_df: 60.0,
        };
        let error = expected_response(&evidence, 3.0, 6, 500, 1).unwrap_err();
        assert!(error.to_string().contains("heritability"), "{error}");
    }

    /// Trials are simulated where the truth is known: of 80 entries in 3 replicates the best 8 by
    /// their means are kept, and their true mean is looked for in the interval.
    #[test]
    fn the_interval_holds_the_truth_as_often_as_it_says() {
        const RUNS: u64 = 600;
        let (entries, replicates, kept) = (80_usize, 3_usize, 8_usize);
        let normal = Normal::new(0.0, 1.0).unwrap();
        let mut held = 0;
        for run in 0..RUNS {
            let mut rng = ChaCha12Rng::seed_from_u64(run);
            let mut draw = || normal.inverse_cdf(rng.random_range(f64::EPSILON..1.0));
            let mut of: Vec<(f64, f64)> = Vec::new();
            let mut within = 0.0;
            for _ in 0..entries {
                let truth = draw();
                let values: Vec<f64> = (0..replicates).map(|_| truth + 1.5 * draw()).collect();
                let mean = values.iter().sum::<f64>() / replicates as f64;
                within += values.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
                of.push((mean, truth));
            }
            let mean = |of: &[(f64, f64)], pick: fn(&(f64, f64)) -> f64| {
                of.iter().map(pick).sum::<f64>() / of.len() as f64
            };
            let grand = mean(&of, |e| e.0);
            let variance =
                of.iter().map(|e| (e.0 - grand).powi(2)).sum::<f64>() / (entries - 1) as f64;
            let error_df = (entries * (replicates - 1)) as f64;
            let error = within / error_df / replicates as f64;
            of.sort_by(|a, b| b.0.total_cmp(&a.0));
            let best = &of[..kept];
            let response = expected_response(
                &Evidence {
                    entries_n: entries,
                    sd: variance.sqrt(),
                    heritability: (1.0 - error / variance).clamp(0.0, 1.0),
                    error_df,
                },
                mean(best, |e| e.0) - grand,
                kept,
                400,
                run,
            )
            .unwrap();
            let truth = mean(best, |e| e.1) - mean(&of, |e| e.1);
            held += u64::from((response.low..=response.high).contains(&truth));
        }
        let share = held as f64 / RUNS as f64;
        println!("the interval held the truth in {share:.3} of {RUNS} trials");
        assert!((0.93..=0.97).contains(&share), "{share}");
    }
}
