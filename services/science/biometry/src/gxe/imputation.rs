//! Filling the empty cells of a two-way table, so that its interaction can be taken apart.

use std::collections::BTreeMap;

use super::{Table, TableError};

/// A value put into an empty cell.
#[derive(Debug, Clone, PartialEq)]
pub struct FilledCell {
    /// Genotype.
    pub genotype: String,
    /// Environment.
    pub environment: String,
    /// The value that the model of the table expects there.
    pub value: f64,
}

/// A completed table. Whoever shows results of it shows the filled cells too: they carry no
/// information, and sums of squares and their tests count them as if they did.
#[derive(Debug, Clone, PartialEq)]
pub struct Completed {
    /// The table without empty cells.
    pub table: Table,
    /// The cells filled, by genotype and environment; empty when none was missing.
    pub filled: Vec<FilledCell>,
    /// Multiplicative axes of the model that filled them.
    pub axes: usize,
    /// Iterations it took.
    pub iterations: usize,
}

/// Most iterations.
const ITERATIONS: usize = 5000;

impl Table {
    /// Table of cell means with empty cells filled by expectation and maximisation (Gauch and
    /// Zobel 1990, from memory): each holds what genotype and environment effects and `axes`
    /// multiplicative axes, fitted to the completed table, expect there.
    ///
    /// # Errors
    /// As [`Table::from_records`] but for the empty cells; a genotype or environment with no more
    /// than `axes` cells, a table in parts that no genotype joins, and no settling.
    pub fn completed(records: &[(&str, &str, f64)], axes: usize) -> Result<Completed, TableError> {
        let (genotypes, environments, cells) = Self::read(records)?;
        let (g, e) = (genotypes.len(), environments.len());
        let holes: Vec<(usize, usize)> = (0..g)
            .flat_map(|i| (0..e).map(move |j| (i, j)))
            .filter(|cell| !cells.contains_key(cell))
            .collect();
        let mut means = vec![vec![0.0; e]; g];
        cells.iter().for_each(|(&(i, j), y)| means[i][j] = *y);
        if holes.is_empty() {
            return Ok(Completed {
                table: Self {
                    genotypes,
                    environments,
                    means,
                },
                filled: Vec::new(),
                axes,
                iterations: 0,
            });
        }
        let few = |found: usize, name: &str| TableError::Sparse {
            level: name.to_owned(),
            found,
            needed: axes + 1,
        };
        for (i, name) in genotypes.iter().enumerate() {
            let found = cells.keys().filter(|c| c.0 == i).count();
            if found <= axes {
                return Err(few(found, name));
            }
        }
        for (j, name) in environments.iter().enumerate() {
            let found = cells.keys().filter(|c| c.1 == j).count();
            if found <= axes {
                return Err(few(found, name));
            }
        }
        let present: Vec<(usize, usize)> = cells.keys().copied().collect();
        let sets = crate::designs::connected_sets(&present, g, e);
        if let Some(other) = sets.iter().position(|set| *set != sets[0]) {
            return Err(TableError::Unconnected {
                one: genotypes[0].clone(),
                other: genotypes[other].clone(),
            });
        }
        let mean = cells.values().sum::<f64>() / cells.len() as f64;
        let spread =
            (cells.values().map(|y| (y - mean).powi(2)).sum::<f64>() / cells.len() as f64).sqrt();
        holes.iter().for_each(|&(i, j)| means[i][j] = mean);
        let mut table = Self {
            genotypes,
            environments,
            means,
        };
        // The additive fit first, then as many axes as asked for.
        let mut iterations = 0;
        for fitted_axes in [0, axes] {
            loop {
                let expected = table.ammi().fitted(fitted_axes);
                let mut change: f64 = 0.0;
                for &(i, j) in &holes {
                    change = change.max((expected[i][j] - table.means[i][j]).abs());
                    table.means[i][j] = expected[i][j];
                }
                iterations += 1;
                if change <= 1e-9 * spread {
                    break;
                }
                if iterations >= ITERATIONS {
                    return Err(TableError::Unsettled { iterations, axes });
                }
            }
            if axes == 0 {
                break;
            }
        }
        let filled = holes
            .iter()
            .map(|&(i, j)| FilledCell {
                genotype: table.genotypes[i].clone(),
                environment: table.environments[j].clone(),
                value: table.means[i][j],
            })
            .collect();
        Ok(Completed {
            table,
            filled,
            axes,
            iterations,
        })
    }

    /// Levels, and the mean of every cell with records.
    #[allow(clippy::type_complexity)]
    pub(super) fn read(
        records: &[(&str, &str, f64)],
    ) -> Result<(Vec<String>, Vec<String>, BTreeMap<(usize, usize), f64>), TableError> {
        let mut cells: BTreeMap<(&str, &str), (f64, f64)> = BTreeMap::new();
        for &(genotype, environment, value) in records {
            if !value.is_finite() {
                return Err(TableError::NotFinite {
                    genotype: genotype.to_owned(),
                    environment: environment.to_owned(),
                    value,
                });
            }
            let cell = cells.entry((genotype, environment)).or_insert((0.0, 0.0));
            cell.0 += value;
            cell.1 += 1.0;
        }
        let distinct = |of: fn(&(&str, &str)) -> String| -> Vec<String> {
            let mut names: Vec<String> = cells.keys().map(of).collect();
            names.sort();
            names.dedup();
            names
        };
        let genotypes = distinct(|k| k.0.to_owned());
        let environments = distinct(|k| k.1.to_owned());
        // Shukla's variance divides by g - 2, deviations from regression by e - 2.
        for (field, found) in [
            ("genotypes", genotypes.len()),
            ("environments", environments.len()),
        ] {
            if found < 3 {
                return Err(TableError::TooFew {
                    field,
                    found,
                    needed: 3,
                });
            }
        }
        let place = |names: &[String], name: &str| {
            names
                .binary_search_by(|known| known.as_str().cmp(name))
                .expect("every name was collected")
        };
        let means = cells
            .iter()
            .map(|(&(g, e), &(sum, n))| ((place(&genotypes, g), place(&environments, e)), sum / n))
            .collect();
        Ok((genotypes, environments, means))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(prefix: &str, k: usize) -> String {
        format!("{prefix}{k}")
    }

    /// Additive effects and one multiplicative axis, exactly.
    fn value(g: usize, e: usize) -> f64 {
        let (a, b) = ((g as f64 * 1.7).sin(), (e as f64 * 2.3 + 0.4).cos());
        10.0 + 0.8 * g as f64 - 0.5 * e as f64 + 1.5 * a * b
    }

    fn records(skip: &[(usize, usize)]) -> Vec<(String, String, f64)> {
        let all = (0..8).flat_map(|g| (0..6).map(move |e| (g, e)));
        all.filter(|cell| !skip.contains(cell))
            .map(|(g, e)| (name("G", g), name("E", e), value(g, e)))
            .collect()
    }

    fn completed(skip: &[(usize, usize)], axes: usize) -> Result<Completed, TableError> {
        let rows = records(skip);
        let rows: Vec<(&str, &str, f64)> = rows
            .iter()
            .map(|r| (r.0.as_str(), r.1.as_str(), r.2))
            .collect();
        Table::completed(&rows, axes)
    }

    #[test]
    fn an_exact_table_is_restored() {
        let holes = [(0, 0), (3, 2), (5, 5), (6, 1)];
        let found = completed(&holes, 1).unwrap();
        assert_eq!(found.filled.len(), 4);
        for (cell, (g, e)) in found.filled.iter().zip(holes) {
            assert_eq!(
                (cell.genotype.as_str(), cell.environment.as_str()),
                (name("G", g).as_str(), name("E", e).as_str())
            );
            assert!(
                (cell.value - value(g, e)).abs() < 1e-5,
                "{} {}",
                cell.value,
                value(g, e)
            );
        }
        // Without axes only the additive part is filled in.
        let additive = completed(&holes, 0).unwrap();
        let interaction = additive.table.ammi();
        let expected = interaction.fitted(0);
        assert!((additive.filled[0].value - expected[0][0]).abs() < 1e-7);
    }

    #[test]
    fn a_full_table_stays_as_it_is_and_a_sparse_one_is_refused() {
        let full = completed(&[], 1).unwrap();
        assert!(full.filled.is_empty() && full.iterations == 0);
        let row: Vec<(usize, usize)> = (0..5).map(|e| (2, e)).collect();
        let error = completed(&row, 1).unwrap_err();
        assert!(error.to_string().contains("`G2` has 1 cell"), "{error}");
        let apart: Vec<(usize, usize)> = (0..8)
            .flat_map(|g| (0..6).map(move |e| (g, e)))
            .filter(|(g, e)| (*g < 4) != (*e < 3))
            .collect();
        let error = completed(&apart, 1).unwrap_err();
        assert!(matches!(error, TableError::Unconnected { .. }), "{error}");
    }
}
