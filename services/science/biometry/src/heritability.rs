//! Heritability of entry means: the share of the variance among means that is genetic.
//!
//! In a balanced trial with independent entries all measures here agree; in unbalanced ones the
//! generalised measures of Cullis, Smith and Coombes (2006, JABES 11:381-393, from memory) and of
//! Piepho and Moehring (2007, Genetics 177:1881-1888, abstract read) are the ones to use.

use crate::mixed::{Fit, ModelError};

/// Generalised heritability 1 - v / (2 s2g), v the mean prediction error variance of a difference
/// between two entries; `None` (0/0) when the genetic variance is zero.
#[must_use]
pub fn cullis(genetic_variance: f64, mean_prediction_variance_of_difference: f64) -> Option<f64> {
    (genetic_variance > 0.0)
        .then(|| 1.0 - mean_prediction_variance_of_difference / (2.0 * genetic_variance))
}

/// Generalised heritability s2g / (s2g + v / 2), v the mean variance of a difference between two
/// adjusted means of entries taken as fixed.
#[must_use]
pub fn piepho(genetic_variance: f64, mean_variance_of_difference: f64) -> Option<f64> {
    let total = genetic_variance + mean_variance_of_difference / 2.0;
    (total > 0.0).then(|| genetic_variance / total)
}

/// Heritability of the mean of `replicates` plots of one trial, s2g / (s2g + s2e / r).
#[must_use]
pub fn plot_mean(genetic_variance: f64, residual_variance: f64, replicates: f64) -> Option<f64> {
    let total = genetic_variance + residual_variance / replicates;
    (total > 0.0).then(|| genetic_variance / total)
}

/// Heritability of the mean over `sites` of `replicates` plots each,
/// s2g / (s2g + s2gs / s + s2e / (r s)).
#[must_use]
pub fn multi_site_mean(
    genetic_variance: f64,
    genetic_by_site_variance: f64,
    residual_variance: f64,
    sites: f64,
    replicates: f64,
) -> Option<f64> {
    let total = genetic_variance
        + genetic_by_site_variance / sites
        + residual_variance / (sites * replicates);
    (total > 0.0).then(|| genetic_variance / total)
}

/// Heritability 1 - 1/F from the F ratio of entries to error in a balanced trial, not below 0.
#[must_use]
pub fn from_f_ratio(f: f64) -> Option<f64> {
    (f > 0.0).then(|| (1.0 - 1.0 / f).max(0.0))
}

/// What a fit with random entries says of their heritability.
#[derive(Debug, Clone, PartialEq)]
pub struct EntryHeritability {
    /// Genetic variance.
    pub genetic_variance: f64,
    /// Mean prediction error variance of a difference between two entries.
    pub mean_prediction_variance_of_difference: f64,
    /// Generalised heritability; `None` when the genetic variance is zero.
    pub cullis: Option<f64>,
    /// Mean of 1 - PEV / s2g over entries: not the same thing, as the general mean is uncertain.
    pub mean_reliability: Option<f64>,
}

/// Generalised heritability of the levels of a random term of a fit that have records: ancestors
/// known by pedigree alone are predicted, but nobody selects among them.
///
/// # Errors
/// No such random term; fewer than two levels with records.
pub fn of_entries(fit: &Fit, term: &str) -> Result<EntryHeritability, ModelError> {
    let random = fit.random_term(term)?;
    let genetic_variance = random.variance();
    let tested = fit.levels_with_records(term)?;
    let mean_pev = tested
        .iter()
        .map(|&l| random.levels[l].prediction_error_variances[0])
        .sum::<f64>()
        / tested.len() as f64;
    let v = fit.mean_prediction_variance_of_difference_among(term, &tested)?;
    Ok(EntryHeritability {
        genetic_variance,
        mean_prediction_variance_of_difference: v,
        cullis: cullis(genetic_variance, v),
        mean_reliability: (genetic_variance > 0.0).then(|| 1.0 - mean_pev / genetic_variance),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn measures_agree_in_a_balanced_block_trial() {
        let (genetic, residual, blocks) = (2.0, 1.2, 4.0);
        let by_plot = plot_mean(genetic, residual, blocks).unwrap();
        let by_f = from_f_ratio((residual + blocks * genetic) / residual).unwrap();
        let by_means = piepho(genetic, 2.0 * residual / blocks).unwrap();
        assert!((by_plot - by_f).abs() < 1e-12 && (by_plot - by_means).abs() < 1e-12);
        assert_eq!(cullis(0.0, 0.0), None);
        assert_eq!(plot_mean(0.0, 1.0, 3.0), Some(0.0));
    }
}
