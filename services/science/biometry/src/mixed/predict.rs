//! Adjusted means (BLUE): the value of each level with the other factors averaged over their
//! levels in equal parts and covariates at their means.

use faer::Mat;

use super::design::MeanRows;
use super::inference::quantile_975;
use super::{DenominatorDf, Fit, ModelError};

/// One adjusted mean.
#[derive(Debug, Clone, PartialEq)]
pub struct AdjustedMean {
    /// Level of each factor of the term.
    pub levels: Vec<String>,
    /// Adjusted mean in units of the trait.
    pub mean: f64,
    /// Model-based standard error.
    pub se: f64,
    /// Standard error with the small-sample adjustment of the chosen method; equals `se` for
    /// Satterthwaite.
    pub adjusted_se: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Limits of the 95 % confidence interval (from the adjusted standard error).
    pub interval: (f64, f64),
}

/// Adjusted means of a term and the precision of their differences.
#[derive(Debug, Clone)]
pub struct AdjustedMeans {
    /// The term.
    pub term: String,
    /// The means; combinations with empty cells that cannot be estimated are left out.
    pub means: Vec<AdjustedMean>,
    /// Combinations left out, levels joined by `:`.
    pub not_estimable: Vec<String>,
    covariance: Mat<f64>,
    adjusted_covariance: Mat<f64>,
}

impl AdjustedMeans {
    /// Model-based standard error of the difference between two means (by position).
    #[must_use]
    pub fn sed(&self, i: usize, j: usize) -> f64 {
        let v = &self.covariance;
        (v[(i, i)] + v[(j, j)] - 2.0 * v[(i, j)]).max(0.0).sqrt()
    }

    /// Least and largest standard error of a difference.
    #[must_use]
    pub fn sed_range(&self) -> (f64, f64) {
        let n = self.means.len();
        let pairs = (0..n).flat_map(|i| (0..i).map(move |j| (i, j)));
        pairs
            .map(|(i, j)| self.sed(i, j))
            .fold((f64::INFINITY, 0.0), |(least, most), sed| {
                (least.min(sed), most.max(sed))
            })
    }

    /// Mean over all pairs of the model-based variance of a difference.
    #[must_use]
    pub fn mean_variance_of_difference(&self) -> f64 {
        mean_variance_of_difference(&self.covariance)
    }

    /// The same with the small-sample adjustment of the chosen method.
    #[must_use]
    pub fn adjusted_mean_variance_of_difference(&self) -> f64 {
        mean_variance_of_difference(&self.adjusted_covariance)
    }
}

fn mean_variance_of_difference(v: &Mat<f64>) -> f64 {
    let n = v.nrows();
    let (mut own, mut all) = (0.0, 0.0);
    for j in 0..n {
        own += v[(j, j)];
        all += (0..n).map(|i| v[(i, j)]).sum::<f64>();
    }
    2.0 * (own - all / n as f64) / (n as f64 - 1.0)
}

impl Fit {
    /// Adjusted means of a fixed factor (`variety`) or combination of factors
    /// (`variety:nitrogen`).
    ///
    /// # Errors
    /// A factor that the fixed part does not have, or Kenward-Roger asked of a model for which it
    /// is not offered.
    pub fn adjusted_means(
        &self,
        term: &str,
        method: DenominatorDf,
    ) -> Result<AdjustedMeans, ModelError> {
        let method = self.denominator_df_method(method);
        let MeanRows {
            target,
            rows,
            labels,
            not_estimable,
        } = self.design.mean_rows(term)?;
        if rows.is_empty() {
            return Err(ModelError::NotEstimable {
                what: format!("the means of `{term}`"),
                why: "every combination has empty cells".to_owned(),
            });
        }
        let k = Mat::from_fn(rows.len(), self.design.n_kept, |i, j| rows[i][j]);
        let covariance = &k * &self.fixed_covariance * k.transpose();
        let adjusted_covariance = match self.small_sample(method)? {
            Some(kr) => &k * &kr.adjusted * k.transpose(),
            None => covariance.clone(),
        };
        let mut means = Vec::with_capacity(rows.len());
        for (i, (row, levels)) in rows.iter().zip(labels).enumerate() {
            let mean = row
                .iter()
                .zip(&self.fixed)
                .map(|(w, c)| w * c.estimate)
                .sum::<f64>();
            let df = self.contrast_df(row, method)?;
            let adjusted_se = adjusted_covariance[(i, i)].max(0.0).sqrt();
            let quantile = quantile_975(df);
            means.push(AdjustedMean {
                levels,
                mean,
                se: covariance[(i, i)].max(0.0).sqrt(),
                adjusted_se,
                df,
                interval: (mean - quantile * adjusted_se, mean + quantile * adjusted_se),
            });
        }
        Ok(AdjustedMeans {
            term: target.to_string(),
            means,
            not_estimable,
            covariance,
            adjusted_covariance,
        })
    }
}
