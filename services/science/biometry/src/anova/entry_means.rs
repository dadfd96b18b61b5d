//! Least-squares entry means over environments.

use super::blocking::Absorbed;
use super::{AnovaError, studentized_range};
use crate::designs::connected_sets;
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, StudentsT};
use std::collections::BTreeMap;

/// One plot or tree.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Record<'a> {
    /// Entry (genotype).
    pub entry: &'a str,
    /// What the value is adjusted for: block, site, year, or a crossing of them.
    pub environment: &'a str,
    /// Value, none when missing.
    pub value: Option<f64>,
}

/// One entry's adjusted mean.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EntryMean {
    /// Entry.
    pub entry: String,
    /// Mean that the entry would have with one plot in every environment of its connected set.
    pub mean: f64,
    /// Standard error; none without residual degrees of freedom.
    pub se: Option<f64>,
    /// Values behind it.
    pub n: usize,
    /// Rank by mean within the connected set, 1 the highest; equal means share a rank.
    pub rank: usize,
    /// Entries of one set can be compared, entries of different sets cannot.
    pub connected_set: usize,
}

/// Estimated effect of an environment, as a difference from the mean of its connected set.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EnvironmentEffect {
    /// Environment.
    pub environment: String,
    /// Effect.
    pub effect: f64,
    /// Values in it.
    pub n: usize,
}

/// Adjusted means of the model entry + environment, with what is needed to compare them.
#[derive(Debug, Clone, Serialize)]
pub struct EntryMeans {
    /// Means in order of entry name.
    pub means: Vec<EntryMean>,
    /// Environment effects in order of name.
    pub environments: Vec<EnvironmentEffect>,
    /// Residual mean square; none without residual degrees of freedom.
    pub residual_ms: Option<f64>,
    /// Residual degrees of freedom.
    pub residual_df: usize,
    /// Mean of all values.
    pub grand_mean: f64,
    /// Residual standard deviation as a percentage of the grand mean.
    pub cv_percent: Option<f64>,
    /// Root of the mean variance of a difference over all pairs; none when some pairs cannot be
    /// compared or there is no residual.
    pub mean_sed: Option<f64>,
    /// Connected sets. More than 1 means that no ranking over all entries exists.
    pub connected_sets_n: usize,
    /// Records without a value.
    pub missing_n: usize,
    /// Entries all of whose values are missing.
    pub unobserved: Vec<String>,
    #[serde(skip)]
    absorbed: Absorbed,
}

/// Least-squares means of entries, adjusted for the environments they stood in.
///
/// Missing values and empty cells are allowed; every environment of a connected set weighs the
/// same. Entries without a common environment, even over others, are put into different sets and
/// ranked within them.
///
/// # Errors
/// When no value is present or one is not finite.
pub fn entry_means(records: &[Record<'_>]) -> Result<EntryMeans, AnovaError> {
    for (index, record) in records.iter().enumerate() {
        if let Some(value) = record.value.filter(|v| !v.is_finite()) {
            return Err(AnovaError::NotFinite { index, value });
        }
    }
    let observed: Vec<(&str, &str, f64)> = records
        .iter()
        .filter_map(|r| r.value.map(|value| (r.entry, r.environment, value)))
        .collect();
    if observed.is_empty() {
        return Err(AnovaError::NoValues);
    }
    let entry_names = numbered(observed.iter().map(|o| o.0));
    let environment_names = numbered(observed.iter().map(|o| o.1));
    let (entries_n, environments_n) = (entry_names.len(), environment_names.len());
    let cells: Vec<(usize, [usize; 1])> = observed
        .iter()
        .map(|o| (entry_names[o.0], [environment_names[o.1]]))
        .collect();
    let values: Vec<f64> = observed.iter().map(|o| o.2).collect();

    let pairs: Vec<(usize, usize)> = cells.iter().map(|c| (c.0, c.1[0])).collect();
    let set_of_entry = connected_sets(&pairs, entries_n, environments_n);
    let sets_n = set_of_entry.iter().max().map_or(0, |s| s + 1);
    let mut set_of_environment = vec![0; environments_n];
    for &(entry, environment) in &pairs {
        set_of_environment[environment] = set_of_entry[entry];
    }
    let mut environments_in_set = vec![0usize; sets_n];
    set_of_environment
        .iter()
        .for_each(|&s| environments_in_set[s] += 1);

    let absorbed = Absorbed::new(&cells, entries_n, environments_n);
    let mut raw_mean = vec![0.0; entries_n];
    for (cell, value) in cells.iter().zip(&values) {
        raw_mean[cell.0] += value / absorbed.plots_n[cell.0];
    }
    let mut adjusted_total = vec![0.0; environments_n];
    let mut plots_of_environment = vec![0usize; environments_n];
    for (cell, value) in cells.iter().zip(&values) {
        adjusted_total[cell.1[0]] += value - raw_mean[cell.0];
        plots_of_environment[cell.1[0]] += 1;
    }
    let mut effect: Vec<f64> = (0..environments_n)
        .map(|a| {
            (0..environments_n)
                .map(|b| absorbed.inverse[(a, b)] * adjusted_total[b])
                .sum()
        })
        .collect();
    let mut centre = vec![0.0; sets_n];
    for (e, &set) in effect.iter().zip(&set_of_environment) {
        centre[set] += e / environments_in_set[set] as f64;
    }
    effect
        .iter_mut()
        .zip(&set_of_environment)
        .for_each(|(e, &set)| *e -= centre[set]);

    let entry_effect: Vec<f64> = (0..entries_n)
        .map(|i| {
            raw_mean[i]
                - absorbed.shares[i]
                    .iter()
                    .map(|&(b, x)| x * effect[b])
                    .sum::<f64>()
        })
        .collect();
    let residual_ss: f64 = cells
        .iter()
        .zip(&values)
        .map(|(cell, value)| (value - entry_effect[cell.0] - effect[cell.1[0]]).powi(2))
        .sum();
    let residual_df = values.len() - entries_n - absorbed.rank;
    let residual_ms = (residual_df > 0).then(|| residual_ss / residual_df as f64);
    let grand_mean = values.iter().sum::<f64>() / values.len() as f64;

    // The mean over a set's environments adds w'b, w equal weights: its part of the variance,
    // (w - u)'G(w - u) with u the entry's own shares, needs Gw only once for the set.
    let towards: Vec<(Vec<f64>, f64)> = (0..sets_n)
        .map(|set| {
            let weight = 1.0 / environments_in_set[set] as f64;
            let own: Vec<usize> = (0..environments_n)
                .filter(|&b| set_of_environment[b] == set)
                .collect();
            let product: Vec<f64> = (0..environments_n)
                .map(|a| own.iter().map(|&b| absorbed.inverse[(a, b)] * weight).sum())
                .collect();
            let square = own.iter().map(|&b| weight * product[b]).sum();
            (product, square)
        })
        .collect();
    let se = |i: usize| {
        let (product, square) = &towards[set_of_entry[i]];
        let shares = &absorbed.shares[i];
        let cross: f64 = shares.iter().map(|&(b, x)| x * product[b]).sum();
        let factor = 1.0 / absorbed.plots_n[i] + square - 2.0 * cross + absorbed.quadratic(shares);
        residual_ms.map(|ms| (ms * factor).sqrt())
    };
    let mut best_first: Vec<usize> = (0..entries_n).collect();
    best_first.sort_by(|&a, &b| entry_effect[b].total_cmp(&entry_effect[a]));
    let mut rank = vec![0; entries_n];
    let mut ranked_in_set: Vec<(usize, Option<usize>)> = vec![(0, None); sets_n];
    for i in best_first {
        let (ranked_n, last) = &mut ranked_in_set[set_of_entry[i]];
        *ranked_n += 1;
        rank[i] = match *last {
            Some(k) if entry_effect[k] == entry_effect[i] => rank[k],
            _ => *ranked_n,
        };
        *last = Some(i);
    }
    let means = entry_names
        .keys()
        .enumerate()
        .map(|(i, name)| EntryMean {
            entry: (*name).to_owned(),
            mean: entry_effect[i],
            se: se(i),
            n: absorbed.plots_n[i] as usize,
            rank: rank[i],
            connected_set: set_of_entry[i],
        })
        .collect();
    let comparable = entries_n > 1 && sets_n == 1;
    Ok(EntryMeans {
        means,
        environments: environment_names
            .keys()
            .enumerate()
            .map(|(b, name)| EnvironmentEffect {
                environment: (*name).to_owned(),
                effect: effect[b],
                n: plots_of_environment[b],
            })
            .collect(),
        residual_ms,
        residual_df,
        grand_mean,
        cv_percent: residual_ms
            .filter(|_| grand_mean != 0.0)
            .map(|ms| 100.0 * ms.sqrt() / grand_mean.abs()),
        mean_sed: residual_ms
            .filter(|_| comparable)
            .map(|ms| (ms * absorbed.mean_difference_variance()).sqrt()),
        connected_sets_n: sets_n,
        missing_n: records.len() - values.len(),
        unobserved: numbered(records.iter().map(|r| r.entry))
            .into_keys()
            .filter(|name| !entry_names.contains_key(name))
            .map(str::to_owned)
            .collect(),
        absorbed,
    })
}

/// Names in order, each with its number.
fn numbered<'a>(names: impl Iterator<Item = &'a str>) -> BTreeMap<&'a str, usize> {
    let mut numbers: BTreeMap<&str, usize> = names.map(|name| (name, 0)).collect();
    numbers
        .values_mut()
        .enumerate()
        .for_each(|(i, number)| *number = i);
    numbers
}

impl EntryMeans {
    /// Standard error of the difference of two entries (indices into `means`); none when they are
    /// not in one connected set or there is no residual.
    #[must_use]
    pub fn sed(&self, first: usize, second: usize) -> Option<f64> {
        let comparable = self.means[first].connected_set == self.means[second].connected_set;
        self.residual_ms
            .filter(|_| comparable)
            .map(|ms| (ms * self.absorbed.difference_variance(first, second)).sqrt())
    }

    /// Least significant difference at level `alpha`, from the mean standard error of difference.
    #[must_use]
    pub fn lsd(&self, alpha: f64) -> Option<f64> {
        let t = StudentsT::new(0.0, 1.0, self.residual_df as f64).ok()?;
        self.mean_sed
            .map(|sed| t.inverse_cdf(1.0 - alpha / 2.0) * sed)
    }

    /// Tukey's honestly significant difference at level `alpha`, from the mean standard error of
    /// difference (exact when all are equal).
    #[must_use]
    pub fn tukey_hsd(&self, alpha: f64) -> Option<f64> {
        let df = self.residual_df as f64;
        self.mean_sed.map(|sed| {
            studentized_range::critical_value(alpha, self.means.len(), df) * sed / 2f64.sqrt()
        })
    }

    /// Tukey-Kramer probability for the difference of two entries (indices into `means`).
    #[must_use]
    pub fn tukey_p(&self, first: usize, second: usize) -> Option<f64> {
        if first == second {
            return Some(1.0);
        }
        self.sed(first, second).filter(|sed| *sed > 0.0).map(|sed| {
            let q = (self.means[first].mean - self.means[second].mean).abs() / sed * 2f64.sqrt();
            studentized_range::upper_tail(q, self.means.len(), self.residual_df as f64)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn record<'a>(entry: &'a str, environment: &'a str, value: f64) -> Record<'a> {
        Record {
            entry,
            environment,
            value: Some(value),
        }
    }

    #[test]
    fn a_missing_plot_does_not_favour_the_good_block() {
        // Additive truth: entries 10 and 12, blocks 0 and +5; the better entry missed block 2.
        let records = [
            record("a", "1", 10.0),
            record("a", "2", 15.0),
            record("b", "1", 12.0),
            Record {
                entry: "b",
                environment: "2",
                value: None,
            },
        ];
        let found = entry_means(&records).unwrap();
        assert!((found.means[0].mean - 12.5).abs() < 1e-12);
        assert!((found.means[1].mean - 14.5).abs() < 1e-12);
        assert_eq!(
            (found.means[1].rank, found.missing_n, found.residual_df),
            (1, 1, 0)
        );
        assert_eq!(found.means[0].se, None);
    }

    #[test]
    fn parted_entries_are_not_compared() {
        let records = [
            record("a", "1", 1.0),
            record("b", "1", 2.0),
            record("c", "2", 9.0),
            record("d", "2", 8.0),
            record("d", "2", 7.0),
        ];
        let found = entry_means(&records).unwrap();
        assert_eq!(found.connected_sets_n, 2);
        assert_eq!(found.mean_sed, None);
        assert_eq!(found.sed(0, 2), None);
        assert!(found.sed(2, 3).is_some());
        let ranks: Vec<_> = found.means.iter().map(|m| m.rank).collect();
        assert_eq!(ranks, [2, 1, 1, 2]);
    }

    #[test]
    fn refuses_infinite_and_empty() {
        assert!(matches!(
            entry_means(&[record("a", "1", f64::INFINITY)]),
            Err(AnovaError::NotFinite { .. })
        ));
        assert!(matches!(entry_means(&[]), Err(AnovaError::NoValues)));
    }

    #[test]
    fn a_large_unreplicated_block_is_ranked() {
        let names: Vec<String> = (0..40_000).map(|i| format!("t{i:05}")).collect();
        let blocks: Vec<String> = (0..40).map(|b| b.to_string()).collect();
        let mut records: Vec<Record> = (0..40_000)
            .map(|i| record(&names[i], &blocks[i % 40], (i % 997) as f64))
            .collect();
        for block in &blocks {
            records.push(record("check 1", block, 500.0));
            records.push(record(
                "check 2",
                block,
                if block == "0" { 503.0 } else { 501.0 },
            ));
        }
        let found = entry_means(&records).unwrap();
        let best = found.means.iter().map(|m| m.rank).min();
        assert_eq!((best, found.residual_df), (Some(1), 39));
        assert!(found.means.iter().all(|m| m.se.is_some_and(|se| se > 0.0)));
    }

    proptest! {
        #[test]
        fn additive_truth_is_recovered_whatever_is_missing(
            present in prop::collection::vec(prop::bool::weighted(0.7), 20),
            entries in prop::collection::vec(-5.0f64..5.0, 5),
            blocks in prop::collection::vec(-5.0f64..5.0, 4),
        ) {
            let names: Vec<String> = (0..5).map(|i| i.to_string()).collect();
            let records: Vec<Record> = (0..20)
                .map(|i| Record {
                    entry: &names[i % 5],
                    environment: &names[i / 5],
                    value: present[i].then_some(entries[i % 5] + blocks[i / 5]),
                })
                .collect();
            if let Ok(found) = entry_means(&records) {
                for a in &found.means {
                    for b in &found.means {
                        if a.connected_set == b.connected_set {
                            let truth = entries[a.entry.parse::<usize>().unwrap()]
                                - entries[b.entry.parse::<usize>().unwrap()];
                            prop_assert!((a.mean - b.mean - truth).abs() < 1e-8);
                        }
                    }
                }
            }
        }
    }
}
