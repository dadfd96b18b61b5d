//! Genotype by environment: stability measures, AMMI and GGE on a complete two-way table of means.
//!
//! Sources (from memory): Finlay and Wilkinson 1963, Eberhart and Russell 1966, Wricke 1962,
//! Shukla 1972, Gollob 1968, Gauch 1992 (AMMI), Yan et al. 2000 (GGE), Lin and Binns 1988
//! (superiority), Francis and Kannenberg 1978 (coefficient of variation).

mod biplot;
mod imputation;
mod stability;

use serde::Serialize;

pub use biplot::{Ammi, Axis, Biplot};
pub use imputation::{Completed, FilledCell};
pub use stability::{Regression, Stability};

/// Means of every genotype in every environment.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    genotypes: Vec<String>,
    environments: Vec<String>,
    /// `[genotype][environment]`
    means: Vec<Vec<f64>>,
}

/// Why a table was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TableError {
    /// Too few levels.
    #[error("{field}: {found} given, at least {needed} are needed to speak of interaction")]
    TooFew {
        /// `genotypes` or `environments`.
        field: &'static str,
        /// Number found.
        found: usize,
        /// Number needed.
        needed: usize,
    },
    /// Genotypes not grown everywhere.
    #[error(
        "records: {missing_n} cells are empty, the first `{genotype}` in `{environment}`; leave out \
         the genotype or the environment, have the cells filled, or fit a mixed model"
    )]
    EmptyCell {
        /// Genotype.
        genotype: String,
        /// Environment.
        environment: String,
        /// Empty cells in all.
        missing_n: usize,
    },
    /// A genotype or environment with too few cells to fill the others.
    #[error(
        "records: `{level}` has {found} cell(s) with a value, {needed} are needed to fill the others; leave it out or use fewer axes"
    )]
    Sparse {
        /// Genotype or environment.
        level: String,
        /// Cells with a value.
        found: usize,
        /// Cells needed.
        needed: usize,
    },
    /// Parts of the table that nothing joins.
    #[error(
        "records: `{one}` and `{other}` share no environment, not even through others; analyse the parts apart"
    )]
    Unconnected {
        /// A genotype of one part.
        one: String,
        /// A genotype of another.
        other: String,
    },
    /// Filling that does not come to an end.
    #[error(
        "records: the empty cells did not settle in {iterations} iterations with {axes} axes; use fewer axes"
    )]
    Unsettled {
        /// Iterations done.
        iterations: usize,
        /// Axes asked for.
        axes: usize,
    },
    /// A value that is not a number.
    #[error("value: `{genotype}` in `{environment}` is {value}; correct it or leave it out")]
    NotFinite {
        /// Genotype.
        genotype: String,
        /// Environment.
        environment: String,
        /// The value.
        value: f64,
    },
}

/// Sums of squares of the two-way table.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SumsOfSquares {
    /// Genotypes, g - 1 degrees of freedom.
    pub genotype: f64,
    /// Environments, e - 1.
    pub environment: f64,
    /// Interaction, (g - 1)(e - 1).
    pub interaction: f64,
    /// Part of the interaction that unlike regressions explain, g - 1.
    pub heterogeneity_of_regressions: f64,
    /// Total.
    pub total: f64,
}

impl Table {
    /// Table of cell means from (genotype, environment, value) records; repeats are averaged.
    ///
    /// # Errors
    /// With fewer than 3 genotypes or environments, an empty cell or a value that is not finite.
    pub fn from_records(records: &[(&str, &str, f64)]) -> Result<Table, TableError> {
        let (genotypes, environments, cells) = Self::read(records)?;
        let all = (0..genotypes.len()).flat_map(|i| (0..environments.len()).map(move |j| (i, j)));
        let empty: Vec<(usize, usize)> = all.filter(|cell| !cells.contains_key(cell)).collect();
        if let Some(&(i, j)) = empty.first() {
            return Err(TableError::EmptyCell {
                genotype: genotypes[i].clone(),
                environment: environments[j].clone(),
                missing_n: empty.len(),
            });
        }
        let mut means = vec![vec![0.0; environments.len()]; genotypes.len()];
        cells.iter().for_each(|(&(i, j), y)| means[i][j] = *y);
        Ok(Table {
            genotypes,
            environments,
            means,
        })
    }

    /// Genotypes in order of name, the order of every result.
    #[must_use]
    pub fn genotypes(&self) -> &[String] {
        &self.genotypes
    }

    /// Environments in order of name, the order of every result.
    #[must_use]
    pub fn environments(&self) -> &[String] {
        &self.environments
    }

    /// Mean of the whole table.
    #[must_use]
    pub fn grand_mean(&self) -> f64 {
        self.means.iter().flatten().sum::<f64>() / (self.g() * self.e())
    }

    /// Mean of each genotype.
    #[must_use]
    pub fn genotype_means(&self) -> Vec<f64> {
        self.means
            .iter()
            .map(|row| row.iter().sum::<f64>() / self.e())
            .collect()
    }

    /// Environment index: mean of each environment less the grand mean.
    #[must_use]
    pub fn environment_indices(&self) -> Vec<f64> {
        let grand = self.grand_mean();
        (0..self.environments.len())
            .map(|j| self.means.iter().map(|row| row[j]).sum::<f64>() / self.g() - grand)
            .collect()
    }

    fn g(&self) -> f64 {
        self.genotypes.len() as f64
    }

    fn e(&self) -> f64 {
        self.environments.len() as f64
    }

    /// Table less genotype and environment effects.
    fn interaction(&self) -> Vec<Vec<f64>> {
        let (own, index) = (self.genotype_means(), self.environment_indices());
        self.means
            .iter()
            .zip(&own)
            .map(|(row, mean)| row.iter().zip(&index).map(|(y, i)| y - mean - i).collect())
            .collect()
    }

    /// Sums of squares of genotypes, environments and their interaction.
    #[must_use]
    pub fn sums_of_squares(&self) -> SumsOfSquares {
        let grand = self.grand_mean();
        let square = |x: f64| x * x;
        let index = self.environment_indices();
        let index_ss: f64 = index.iter().map(|i| square(*i)).sum();
        let slopes = self.stability();
        SumsOfSquares {
            genotype: self.e()
                * self
                    .genotype_means()
                    .iter()
                    .map(|m| square(m - grand))
                    .sum::<f64>(),
            environment: self.g() * index_ss,
            interaction: self
                .interaction()
                .iter()
                .flatten()
                .map(|x| square(*x))
                .sum(),
            heterogeneity_of_regressions: slopes
                .iter()
                .map(|s| square(s.regression.slope - 1.0) * index_ss)
                .sum(),
            total: self.means.iter().flatten().map(|y| square(y - grand)).sum(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn table(values: &[f64], e: usize) -> Table {
        let names: Vec<String> = (0..values.len()).map(|i| format!("{i:02}")).collect();
        let records: Vec<_> = values
            .iter()
            .enumerate()
            .map(|(i, y)| (names[i / e].as_str(), names[i % e].as_str(), *y))
            .collect();
        Table::from_records(&records).unwrap()
    }

    #[test]
    fn an_empty_cell_is_named() {
        let mut records = Vec::new();
        for g in ["a", "b", "c"] {
            for e in ["x", "y", "z"] {
                records.push((g, e, 1.0));
            }
        }
        records.remove(5);
        let error = Table::from_records(&records).unwrap_err();
        assert!(error.to_string().contains("`b` in `z`"), "{error}");
    }

    proptest! {
        #[test]
        fn parts_add_up(values in prop::collection::vec(-20.0f64..20.0, 24)) {
            let t = table(&values, 6);
            let ss = t.sums_of_squares();
            let parts = ss.genotype + ss.environment + ss.interaction;
            prop_assert!((parts - ss.total).abs() < 1e-8 * (1.0 + ss.total));
            prop_assert!(ss.heterogeneity_of_regressions <= ss.interaction + 1e-8);
            let stability = t.stability();
            let slopes: f64 = stability.iter().map(|s| s.regression.slope).sum();
            prop_assert!((slopes / 4.0 - 1.0).abs() < 1e-9);
            let ecovalence: f64 = stability.iter().map(|s| s.wricke_ecovalence).sum();
            prop_assert!((ecovalence - ss.interaction).abs() < 1e-8 * (1.0 + ss.interaction));
            let ammi = t.ammi();
            let axes: f64 = ammi.biplot.axes.iter().map(|a| a.ss).sum();
            prop_assert!((axes - ss.interaction).abs() < 1e-8 * (1.0 + ss.interaction));
            let full = ammi.fitted(ammi.biplot.axes.len());
            for (row, means) in full.iter().zip(&t.means) {
                for (a, b) in row.iter().zip(means) {
                    prop_assert!((a - b).abs() < 1e-8);
                }
            }
            let gge = t.gge();
            let percent: f64 = gge.axes.iter().map(|a| a.percent).sum();
            prop_assert!((percent - 100.0).abs() < 1e-8);
        }
    }
}
