//! Experimental designs for field trials: randomisation, efficiency and spatial neatness.
//!
//! [`lay_out`] turns a [`TrialPlan`] into a [`Layout`]: which entry stands on which plot. The
//! randomisation comes from the plan's seed alone, so the same plan gives the same layout. A design
//! that cannot be made answers with the reason and the nearest design that can
//! ([`DesignError::CannotMake`]).
//!
//! Sources (all from memory): Cochran and Cox 1957 (complete blocks), Patterson and Williams 1976
//! (alpha designs and the bound on their efficiency), Yates 1936 and 1940 (square lattices and lattice
//! squares, from which the designs of their sizes start), John and Williams 1995 (row-column designs),
//! Federer 1956 (augmented designs), Cullis, Smith and Coombes 2006 (partial replication).

mod arrangement;
mod connectedness;
mod efficiency;
mod lattice;
mod neatness;
mod resolvable;

use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use serde::{Deserialize, Serialize};
use std::collections::HashSet;
use std::fmt;

pub use connectedness::connected_sets;
pub use efficiency::Efficiency;
pub use neatness::Neatness;

/// The kind of design with what it alone needs to know.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "design", rename_all = "snake_case")]
pub enum Design {
    /// Randomised complete blocks: every entry once in each replicate.
    Rcbd {
        /// Complete blocks.
        replicates: usize,
    },
    /// Alpha-lattice: replicates resolved into incomplete blocks of `block_size` plots (or one
    /// plot fewer where the entries do not fill them).
    Alpha {
        /// Complete replicates.
        replicates: usize,
        /// Plots in an incomplete block; near the square root of the number of entries if absent.
        #[serde(default)]
        block_size: Option<usize>,
    },
    /// Row-column: each replicate is a full rectangle whose rows and columns are both blocks.
    RowColumn {
        /// Complete replicates.
        replicates: usize,
        /// Plots in a row of a replicate; near the square root of the number of entries if absent.
        #[serde(default)]
        block_size: Option<usize>,
    },
    /// Augmented: unreplicated entries in blocks that all hold every check once.
    Augmented {
        /// Blocks, and so plots of each check.
        #[serde(rename = "replicates")]
        blocks: usize,
    },
    /// Partially replicated: some entries once in every block, the others once in all.
    PRep {
        /// Blocks, and so plots of each replicated entry.
        #[serde(rename = "replicates")]
        blocks: usize,
        /// How many entries, first in the list, are replicated; a quarter of them if absent.
        #[serde(default)]
        replicated_n: Option<usize>,
    },
    /// Unreplicated entries with checks on a staggered grid.
    Unreplicated {
        /// Must be 1 where given: entries are not repeated.
        #[serde(default)]
        replicates: Option<usize>,
        /// One plot in so many is a check; 10 if absent.
        #[serde(default, rename = "block_size")]
        check_every: Option<usize>,
    },
}

impl fmt::Display for Design {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Design::Rcbd { replicates } => write!(f, "rcbd with {replicates} replicates"),
            Design::Alpha {
                replicates,
                block_size,
            } => {
                write!(f, "alpha with {replicates} replicates")?;
                block_size.map_or(Ok(()), |k| write!(f, " and blocks of {k}"))
            }
            Design::RowColumn {
                replicates,
                block_size,
            } => {
                write!(f, "row_column with {replicates} replicates")?;
                block_size.map_or(Ok(()), |k| write!(f, " and rows of {k}"))
            }
            Design::Augmented { blocks } => write!(f, "augmented with {blocks} blocks"),
            Design::PRep {
                blocks,
                replicated_n,
            } => {
                write!(f, "p_rep with {blocks} blocks")?;
                replicated_n.map_or(Ok(()), |n| write!(f, " and {n} replicated entries"))
            }
            Design::Unreplicated { check_every, .. } => {
                write!(f, "unreplicated")?;
                check_every.map_or(Ok(()), |m| write!(f, " with a check every {m} plots"))
            }
        }
    }
}

/// The ground a trial may use, in plots.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Field {
    /// Rows of plots.
    pub rows: usize,
    /// Plots in a row.
    pub columns: usize,
}

/// All that determines a layout.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TrialPlan {
    /// The kind of design.
    #[serde(flatten)]
    pub design: Design,
    /// Names of the entries under test, without the checks.
    pub entries: Vec<String>,
    /// Names of the checks. In complete-replicate designs they stand in every replicate.
    #[serde(default)]
    pub checks: Vec<String>,
    /// Ground to fit into; a near-square ground is proposed if absent.
    #[serde(default)]
    pub field: Option<Field>,
    /// Seed of the randomisation.
    pub seed: u64,
}

/// One plot of a layout. Numbers start at 1.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Plot {
    /// Number in field order, row by row.
    pub plot: usize,
    /// Field row.
    pub row: usize,
    /// Field column.
    pub column: usize,
    /// Complete replicate (or block, in designs without complete replicates).
    pub replicate: usize,
    /// Incomplete block, numbered over the whole trial.
    pub block: usize,
    /// Entry or check.
    pub entry: String,
    /// Whether the entry is a check.
    pub check: bool,
}

/// A randomised trial with the qualities of its design.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Layout {
    /// The design made, with the numbers that the plan had left open.
    pub design: Design,
    /// Seed it came from.
    pub seed: u64,
    /// Field rows used.
    pub rows: usize,
    /// Field columns used.
    pub columns: usize,
    /// Plots in field order.
    pub plots: Vec<Plot>,
    /// Statistical efficiency.
    pub efficiency: Efficiency,
    /// Spatial neatness.
    pub neatness: Neatness,
    /// Whether every difference of two entries can be estimated within blocks.
    pub connected: bool,
    /// Degrees of freedom left for error under the design's own model.
    pub error_df: usize,
    /// What a biometrician would remark.
    pub notes: Vec<String>,
}

/// Why no layout was made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DesignError {
    /// Fewer than two entries.
    #[error("entries: a trial compares at least 2 entries, {0} given; add entries or checks")]
    TooFewEntries(usize),
    /// A name given twice.
    #[error("entries: `{0}` is listed twice; list every entry and check once")]
    DuplicateEntry(String),
    /// An empty name.
    #[error("entries: a name is empty; name every entry and check")]
    UnnamedEntry,
    /// The design does not exist for these numbers.
    #[error("{field}: {design} cannot be made: {reason}; the nearest that can: {nearest}")]
    CannotMake {
        /// Field of the plan that stands in the way.
        field: &'static str,
        /// The design asked for.
        design: Design,
        /// Why it cannot be made.
        reason: String,
        /// A design (or change) that can be made.
        nearest: Nearest,
    },
    /// The ground is too small.
    #[error(
        "field: {rows} rows of {columns} plots are too few: the design needs {rows_needed} rows \
         of {columns_needed}; enlarge the field or take fewer replicates"
    )]
    FieldTooSmall {
        /// Rows given.
        rows: usize,
        /// Columns given.
        columns: usize,
        /// Rows needed.
        rows_needed: usize,
        /// Columns needed.
        columns_needed: usize,
    },
}

/// The nearest thing that can be made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Nearest {
    /// Another design for the same entries.
    Design(Design),
    /// The same design once something else is added.
    Advice(String),
}

impl fmt::Display for Nearest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Nearest::Design(design) => write!(f, "{design}"),
            Nearest::Advice(advice) => f.write_str(advice),
        }
    }
}

/// Randomises a trial from its plan.
///
/// Within what the design fixes, plots are then exchanged by simulated annealing (from the same
/// seed) so that repeats of an entry stand apart and no two entries are neighbours more often than
/// need be; the exchanges keep every block's contents.
///
/// # Errors
/// [`DesignError`] names the field of the plan and the nearest design that can be made.
pub fn lay_out(plan: &TrialPlan) -> Result<Layout, DesignError> {
    let mut names = HashSet::new();
    for name in plan.entries.iter().chain(&plan.checks) {
        if name.trim().is_empty() {
            return Err(DesignError::UnnamedEntry);
        }
        if !names.insert(name) {
            return Err(DesignError::DuplicateEntry(name.clone()));
        }
    }
    if names.len() < 2 || plan.entries.is_empty() {
        return Err(DesignError::TooFewEntries(plan.entries.len()));
    }

    let mut rng = ChaCha12Rng::seed_from_u64(plan.seed);
    let mut arranged = arrangement::arrange(plan, &mut rng)?;
    let neatness = neatness::improve(&mut arranged, &mut rng);
    let assessed = efficiency::assess(&arranged);

    if !assessed.connected
        && let Design::Alpha { replicates, .. } | Design::RowColumn { replicates, .. } =
            arranged.design
    {
        return Err(DesignError::CannotMake {
            field: "replicates",
            design: arranged.design,
            reason: "some entries would never be joined by a chain of blocks".to_owned(),
            nearest: Nearest::Design(Design::Rcbd { replicates }),
        });
    }
    let mut notes = Vec::new();
    if assessed.error_df < 10 {
        notes.push(format!(
            "only {} degrees of freedom remain for error (fewer than 10 give wide intervals)",
            assessed.error_df
        ));
    }
    if !assessed.connected {
        notes.push("some entries can be compared only between blocks".to_owned());
    }
    let entry_name = |e: usize| {
        plan.entries
            .get(e)
            .unwrap_or_else(|| &plan.checks[e - plan.entries.len()])
            .clone()
    };
    let mut plots: Vec<Plot> = arranged
        .cells
        .iter()
        .map(|cell| Plot {
            plot: 0,
            row: cell.row + 1,
            column: cell.column + 1,
            replicate: cell.replicate + 1,
            block: cell.block + 1,
            entry: entry_name(cell.entry),
            check: cell.entry >= plan.entries.len(),
        })
        .collect();
    plots.sort_by_key(|p| (p.row, p.column));
    for (i, plot) in plots.iter_mut().enumerate() {
        plot.plot = i + 1;
    }
    Ok(Layout {
        design: arranged.design,
        seed: plan.seed,
        rows: plots.iter().map(|p| p.row).max().unwrap_or(0),
        columns: plots.iter().map(|p| p.column).max().unwrap_or(0),
        plots,
        efficiency: assessed.efficiency,
        neatness,
        connected: assessed.connected,
        error_df: assessed.error_df,
        notes,
    })
}

#[cfg(test)]
mod tests;
