//! Stability measures of genotypes over environments.

use super::Table;
use serde::Serialize;

/// Regression of a genotype on the environment index.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Regression {
    /// Slope; the mean over genotypes is 1 (Finlay and Wilkinson).
    pub slope: f64,
    /// Value at index 0, the genotype's mean.
    pub intercept: f64,
    /// Sum of squared deviations.
    pub deviation_ss: f64,
    /// Mean squared deviation, on e - 2 degrees of freedom (Eberhart and Russell).
    pub deviation_ms: f64,
    /// Share of the genotype's variation over environments that the line explains; none when it
    /// does not vary.
    pub r_squared: Option<f64>,
    /// Standard error of the slope.
    pub slope_se: f64,
}

/// Stability of one genotype.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stability {
    /// Genotype.
    pub genotype: String,
    /// Mean over environments.
    pub mean: f64,
    /// Regression on the environment index.
    pub regression: Regression,
    /// Sum of squared interaction residuals (Wricke's ecovalence).
    pub wricke_ecovalence: f64,
    /// Shukla's stability variance; may be negative.
    pub shukla_variance: f64,
    /// Coefficient of variation over environments, in percent (Francis and Kannenberg).
    pub cv_percent: f64,
    /// Mean square distance from the best genotype of each environment over 2; small is good (Lin
    /// and Binns' superiority measure).
    pub superiority: f64,
}

impl Table {
    /// Stability of every genotype.
    #[must_use]
    pub fn stability(&self) -> Vec<Stability> {
        let (g, e) = (self.g(), self.e());
        let index = self.environment_indices();
        let index_ss: f64 = index.iter().map(|i| i * i).sum();
        let ecovalence: Vec<f64> = self
            .interaction()
            .iter()
            .map(|row| row.iter().map(|x| x * x).sum())
            .collect();
        let interaction_ss: f64 = ecovalence.iter().sum();
        let best: Vec<f64> = (0..index.len())
            .map(|j| {
                self.means
                    .iter()
                    .map(|row| row[j])
                    .fold(f64::NEG_INFINITY, f64::max)
            })
            .collect();
        self.genotype_means()
            .into_iter()
            .enumerate()
            .map(|(i, mean)| {
                let row = &self.means[i];
                let own_ss: f64 = row.iter().map(|y| (y - mean).powi(2)).sum();
                // Environments that do not differ give no slope: 1 is then what all share.
                let slope = if index_ss > 0.0 {
                    row.iter().zip(&index).map(|(y, x)| y * x).sum::<f64>() / index_ss
                } else {
                    1.0
                };
                let deviation_ss: f64 = row
                    .iter()
                    .zip(&index)
                    .map(|(y, x)| (y - mean - slope * x).powi(2))
                    .sum();
                let deviation_ms = deviation_ss / (e - 2.0);
                let gaps: f64 = row
                    .iter()
                    .zip(&best)
                    .map(|(y, top)| (y - top).powi(2))
                    .sum();
                Stability {
                    genotype: self.genotypes[i].clone(),
                    mean,
                    regression: Regression {
                        slope,
                        intercept: mean,
                        deviation_ss,
                        deviation_ms,
                        r_squared: (own_ss > 0.0).then(|| 1.0 - deviation_ss / own_ss),
                        slope_se: (deviation_ms / index_ss).sqrt(),
                    },
                    wricke_ecovalence: ecovalence[i],
                    shukla_variance: (g * (g - 1.0) * ecovalence[i] - interaction_ss)
                        / ((g - 1.0) * (g - 2.0) * (e - 1.0)),
                    cv_percent: 100.0 * (own_ss / (e - 1.0)).sqrt() / mean.abs(),
                    superiority: gaps / (2.0 * e),
                }
            })
            .collect()
    }
}
