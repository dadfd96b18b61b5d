//! Augmented designs: unreplicated entries adjusted by the checks of their block, in closed form.
//!
//! Federer 1956 and Petersen 1985 (from memory). Where checks are missing or repeat unevenly,
//! [`crate::anova::entry_means`] gives the least-squares answer; both agree on complete data.

use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// One plot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plot<'a> {
    /// Block.
    pub block: &'a str,
    /// Entry or check.
    pub entry: &'a str,
    /// Value.
    pub value: f64,
}

/// An entry's or check's adjusted mean.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AdjustedMean {
    /// Entry or check.
    pub entry: String,
    /// Value less its block's effect (a check's plain mean).
    pub mean: f64,
    /// Whether it is a check.
    pub check: bool,
}

/// Standard errors of a difference, one for each kind of comparison.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StandardErrors {
    /// Two checks: sqrt(2 MSE/b).
    pub two_checks: f64,
    /// Two entries of one block: sqrt(2 MSE).
    pub entries_of_one_block: f64,
    /// Two entries of different blocks: sqrt(2 MSE (1 + 1/c)).
    pub entries_of_different_blocks: f64,
    /// An entry and a check: sqrt(MSE (1 + 1/b + 1/c - 1/(bc))).
    pub entry_and_check: f64,
}

/// Analysis of an augmented design in complete blocks of checks.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Analysis {
    /// Effect of each block: mean of its checks less the mean of all check plots.
    pub block_effects: Vec<(String, f64)>,
    /// Adjusted means in order of name.
    pub means: Vec<AdjustedMean>,
    /// Check x block mean square.
    pub residual_ms: f64,
    /// Its degrees of freedom, (b - 1)(c - 1).
    pub residual_df: usize,
    /// Standard errors of a difference.
    pub sed: StandardErrors,
}

/// Why the closed form does not apply.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AugmentedError {
    /// Too few checks or blocks.
    #[error("{field}: {found} given, at least 2 are needed for an estimate of error")]
    TooFew {
        /// `checks` or `blocks`.
        field: &'static str,
        /// Number found.
        found: usize,
    },
    /// A check that is not exactly once in a block.
    #[error("checks: `{check}` stands {times} times in block `{block}`, not once; use entry means")]
    UnevenCheck {
        /// Check.
        check: String,
        /// Block.
        block: String,
        /// Plots found.
        times: usize,
    },
    /// An entry on more than one plot.
    #[error("entries: `{0}` stands on several plots; name it among the checks or use entry means")]
    RepeatedEntry(String),
    /// A value that is not a number.
    #[error("value: `{entry}` in block `{block}` is {value}; correct it or use entry means")]
    NotFinite {
        /// Entry.
        entry: String,
        /// Block.
        block: String,
        /// The value.
        value: f64,
    },
}

/// Analyses an augmented design whose `checks` stand once in every block.
///
/// # Errors
/// When a check is missing or repeated in a block, an entry is repeated, a value is not finite, or
/// fewer than 2 checks or blocks leave no error.
pub fn analyse(plots: &[Plot<'_>], checks: &[impl AsRef<str>]) -> Result<Analysis, AugmentedError> {
    let checks: BTreeSet<&str> = checks.iter().map(AsRef::as_ref).collect();
    let blocks: BTreeSet<&str> = plots.iter().map(|p| p.block).collect();
    for (field, found) in [("checks", checks.len()), ("blocks", blocks.len())] {
        if found < 2 {
            return Err(AugmentedError::TooFew { field, found });
        }
    }
    if let Some(p) = plots.iter().find(|p| !p.value.is_finite()) {
        return Err(AugmentedError::NotFinite {
            entry: p.entry.to_owned(),
            block: p.block.to_owned(),
            value: p.value,
        });
    }
    let mut check_values: BTreeMap<(&str, &str), Vec<f64>> = BTreeMap::new();
    let mut seen = BTreeSet::new();
    for p in plots {
        if checks.contains(p.entry) {
            check_values
                .entry((p.block, p.entry))
                .or_default()
                .push(p.value);
        } else if !seen.insert(p.entry) {
            return Err(AugmentedError::RepeatedEntry(p.entry.to_owned()));
        }
    }
    for block in &blocks {
        for check in &checks {
            let times = check_values.get(&(*block, *check)).map_or(0, Vec::len);
            if times != 1 {
                return Err(AugmentedError::UnevenCheck {
                    check: (*check).to_owned(),
                    block: (*block).to_owned(),
                    times,
                });
            }
        }
    }
    let (b, c) = (blocks.len() as f64, checks.len() as f64);
    let value = |block: &str, check: &str| check_values[&(block, check)][0];
    let grand = check_values.values().map(|v| v[0]).sum::<f64>() / (b * c);
    let block_effect: BTreeMap<&str, f64> = blocks
        .iter()
        .map(|&block| {
            (
                block,
                checks.iter().map(|k| value(block, k)).sum::<f64>() / c - grand,
            )
        })
        .collect();
    let check_mean: BTreeMap<&str, f64> = checks
        .iter()
        .map(|&check| {
            (
                check,
                blocks.iter().map(|k| value(k, check)).sum::<f64>() / b,
            )
        })
        .collect();
    let residual_df = (blocks.len() - 1) * (checks.len() - 1);
    let residual_ss: f64 = check_values
        .iter()
        .map(|((block, check), v)| (v[0] - check_mean[check] - block_effect[block]).powi(2))
        .sum();
    let mse = residual_ss / residual_df as f64;
    let mut means: Vec<AdjustedMean> = plots
        .iter()
        .filter(|p| !checks.contains(p.entry))
        .map(|p| AdjustedMean {
            entry: p.entry.to_owned(),
            mean: p.value - block_effect[p.block],
            check: false,
        })
        .chain(check_mean.iter().map(|(check, mean)| AdjustedMean {
            entry: (*check).to_owned(),
            mean: *mean,
            check: true,
        }))
        .collect();
    means.sort_by(|x, y| x.entry.cmp(&y.entry));
    Ok(Analysis {
        block_effects: block_effect
            .into_iter()
            .map(|(k, v)| (k.to_owned(), v))
            .collect(),
        means,
        residual_ms: mse,
        residual_df,
        sed: StandardErrors {
            two_checks: (2.0 * mse / b).sqrt(),
            entries_of_one_block: (2.0 * mse).sqrt(),
            entries_of_different_blocks: (2.0 * mse * (1.0 + 1.0 / c)).sqrt(),
            entry_and_check: (mse * (1.0 + 1.0 / b + 1.0 / c - 1.0 / (b * c))).sqrt(),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::anova::{Record, entry_means};
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn closed_form_is_least_squares(
            values in prop::collection::vec(-9.0f64..9.0, 18)
        ) {
            // 3 blocks of checks x, y, z and 3 entries each.
            let entries: Vec<String> = (0..9).map(|i| format!("e{i}")).collect();
            let blocks = ["1", "2", "3"];
            let plots: Vec<Plot> = (0..18)
                .map(|i| Plot {
                    block: blocks[i % 3],
                    entry: if i < 9 { ["x", "y", "z"][i / 3] } else { &entries[i - 9] },
                    value: values[i],
                })
                .collect();
            let closed = analyse(&plots, &["x", "y", "z"]).unwrap();
            let records: Vec<Record> = plots
                .iter()
                .map(|p| Record { entry: p.entry, environment: p.block, value: Some(p.value) })
                .collect();
            let squares = entry_means(&records).unwrap();
            prop_assert!((closed.residual_ms - squares.residual_ms.unwrap()).abs() < 1e-9);
            for (a, b) in closed.means.iter().zip(&squares.means) {
                prop_assert!((a.mean - b.mean).abs() < 1e-9);
            }
            let at = |name: &str| squares.means.iter().position(|m| m.entry == name).unwrap();
            let sed = squares.sed(at("e0"), at("e1")).unwrap();
            prop_assert!((sed - closed.sed.entries_of_different_blocks).abs() < 1e-9);
            let sed = squares.sed(at("e0"), at("x")).unwrap();
            prop_assert!((sed - closed.sed.entry_and_check).abs() < 1e-9);
        }
    }

    #[test]
    fn a_missing_check_is_named() {
        let plot = |block, entry| Plot {
            block,
            entry,
            value: 1.0,
        };
        let plots = [
            plot("1", "x"),
            plot("1", "y"),
            plot("2", "x"),
            plot("2", "new"),
        ];
        let error = analyse(&plots, &["x", "y"]).unwrap_err();
        assert!(
            error
                .to_string()
                .contains("`y` stands 0 times in block `2`"),
            "{error}"
        );
    }
}
