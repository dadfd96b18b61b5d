//! Efficiency factors of a design.

use super::arrangement::{Arranged, Blocking, Cell};
use super::{Design, connected_sets};
use crate::anova::Absorbed;
use faer::{Mat, Side};
use serde::{Deserialize, Serialize};

/// How well entries are compared, against complete blocks with the same plots per entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Efficiency {
    /// Average efficiency factor: mean variance of a difference of two entries without blocking
    /// over that under the design, at equal plot variance. 1 for complete blocks. With equal
    /// replication it is the harmonic mean of the canonical factors (John and Williams 1995, from
    /// memory).
    pub average: f64,
    /// Smallest canonical efficiency factor: the worst-estimated contrast.
    pub smallest_canonical: f64,
    /// Canonical efficiency factors below 1, ascending; the other contrasts have factor 1.
    pub canonical_below_one: Vec<f64>,
    /// Largest average that a resolvable or row-column design of this size can reach, where one is
    /// known (Patterson and Williams 1976; John and Williams 1995; from memory).
    pub upper_bound: Option<f64>,
    /// Mean variance of a difference of two entries, in units of the plot variance.
    pub mean_difference_variance: f64,
}

pub(super) struct Assessed {
    pub efficiency: Efficiency,
    pub connected: bool,
    pub error_df: usize,
}

/// Nuisance columns of each cell and their number.
fn nuisance(cells: &[Cell], blocking: Blocking) -> (Vec<(usize, Vec<usize>)>, usize) {
    let count = |of: fn(&Cell) -> usize| cells.iter().map(|c| of(c) + 1).max().unwrap_or(0);
    let (rows_n, columns_n) = (count(|c| c.row), count(|c| c.column));
    match blocking {
        Blocking::None => (cells.iter().map(|c| (c.entry, vec![])).collect(), 0),
        Blocking::Blocks => (
            cells.iter().map(|c| (c.entry, vec![c.block])).collect(),
            count(|c| c.block),
        ),
        Blocking::RowsAndColumns => (
            cells
                .iter()
                .map(|c| {
                    (
                        c.entry,
                        vec![c.row, rows_n + c.replicate * columns_n + c.column],
                    )
                })
                .collect(),
            rows_n + count(|c| c.replicate) * columns_n,
        ),
    }
}

/// Average efficiency factor alone; 0 when some difference cannot be estimated.
pub(super) fn average(cells: &[Cell], entries_n: usize, blocking: Blocking) -> f64 {
    let (plots, nuisance_n) = nuisance(cells, blocking);
    let absorbed = Absorbed::new(&plots, entries_n, nuisance_n);
    if is_connected(cells, entries_n, blocking, &plots, nuisance_n) {
        plain_variance(&absorbed) / absorbed.mean_difference_variance()
    } else {
        0.0
    }
}

fn plain_variance(absorbed: &Absorbed) -> f64 {
    2.0 * absorbed.plots_n.iter().map(|r| 1.0 / r).sum::<f64>() / absorbed.plots_n.len() as f64
}

fn is_connected(
    cells: &[Cell],
    entries_n: usize,
    blocking: Blocking,
    plots: &[(usize, Vec<usize>)],
    nuisance_n: usize,
) -> bool {
    match blocking {
        Blocking::None => true,
        Blocking::Blocks => {
            let pairs: Vec<_> = cells.iter().map(|c| (c.entry, c.block)).collect();
            let blocks_n = pairs.iter().map(|p| p.1 + 1).max().unwrap_or(0);
            connected_sets(&pairs, entries_n, blocks_n)
                .iter()
                .all(|&set| set == 0)
        }
        // Two-way blocking can part contrasts that chains of blocks would join.
        Blocking::RowsAndColumns => canonical(plots, entries_n, nuisance_n)
            .first()
            .is_none_or(|&least| least > 1e-8),
    }
}

/// Canonical efficiency factors that nuisance columns can pull below 1, ascending.
///
/// They are 1 minus the squared canonical correlations of entries and nuisance columns, the mean
/// left out.
fn canonical(plots: &[(usize, Vec<usize>)], entries_n: usize, nuisance_n: usize) -> Vec<f64> {
    if nuisance_n == 0 {
        return Vec::new();
    }
    let mut plots_n = vec![0.0f64; entries_n];
    let mut counts = Mat::<f64>::zeros(entries_n, nuisance_n);
    let mut gram = Mat::<f64>::zeros(nuisance_n, nuisance_n);
    for (entry, columns) in plots {
        plots_n[*entry] += 1.0;
        for &a in columns {
            counts[(*entry, a)] += 1.0;
            for &b in columns {
                gram[(a, b)] += 1.0;
            }
        }
    }
    let eigen = gram.self_adjoint_eigen(Side::Lower).expect("finite counts");
    let values: Vec<f64> = eigen.S().column_vector().iter().copied().collect();
    let limit = 1e-9 * values.iter().copied().fold(0.0, f64::max);
    let kept: Vec<usize> = (0..nuisance_n).filter(|&i| values[i] > limit).collect();
    let root = Mat::from_fn(nuisance_n, kept.len(), |i, j| {
        eigen.U()[(i, kept[j])] / values[kept[j]].sqrt()
    });
    let scaled = Mat::from_fn(entries_n, nuisance_n, |i, j| {
        counts[(i, j)] / plots_n[i].sqrt()
    });
    let joint = &scaled * &root;
    let square = if entries_n <= kept.len() {
        &joint * joint.transpose()
    } else {
        joint.transpose() * &joint
    };
    let mut factors: Vec<f64> = square
        .self_adjoint_eigenvalues(Side::Lower)
        .expect("finite correlations")
        .into_iter()
        .map(|squared| (1.0 - squared).clamp(0.0, 1.0))
        .collect();
    factors.sort_by(f64::total_cmp);
    // The first is the mean, which entries and nuisance columns share.
    factors.remove(0);
    factors
}

/// Largest average of a design whose replicates are full rectangles: rows and columns together take
/// (rows + columns − 2) from the sum of the canonical factors, whatever the design, and pull at most
/// as many of them below 1 as they have degrees of freedom; the harmonic mean is largest when they
/// share it evenly (after John and Williams 1995, from memory; lattice squares reach it).
fn row_column_bound(entries_n: usize, replicates: usize, columns: usize) -> f64 {
    let lines = (entries_n / columns + columns - 2) as f64;
    let all = entries_n as f64 - 1.0;
    let pulled = (lines * replicates as f64).min(all);
    all / (all - pulled + pulled / (1.0 - lines / pulled))
}

pub(super) fn assess(arranged: &Arranged) -> Assessed {
    let Arranged {
        cells,
        entries_n,
        blocking,
        ..
    } = arranged;
    let (plots, nuisance_n) = nuisance(cells, *blocking);
    let absorbed = Absorbed::new(&plots, *entries_n, nuisance_n);
    let connected = is_connected(cells, *entries_n, *blocking, &plots, nuisance_n);
    let factors = canonical(&plots, *entries_n, nuisance_n);
    let mean_difference_variance = absorbed.mean_difference_variance();
    // Without nuisance columns the mean is not among them and the entries carry it.
    let parameters_n = entries_n + absorbed.rank;
    let upper_bound = match arranged.design {
        Design::Alpha {
            replicates,
            block_size: Some(k),
        } => {
            let (v, r) = (*entries_n as f64, replicates as f64);
            let s = entries_n.div_ceil(k) as f64;
            Some((v - 1.0) * (r - 1.0) / ((v - 1.0) * (r - 1.0) + r * (s - 1.0)))
        }
        Design::RowColumn {
            replicates,
            block_size: Some(columns),
        } => Some(row_column_bound(*entries_n, replicates, columns)),
        Design::Rcbd { .. } => Some(1.0),
        _ => None,
    };
    Assessed {
        efficiency: Efficiency {
            average: if connected {
                plain_variance(&absorbed) / mean_difference_variance
            } else {
                0.0
            },
            smallest_canonical: factors.first().copied().unwrap_or(1.0),
            canonical_below_one: factors.into_iter().filter(|f| *f < 1.0 - 1e-9).collect(),
            upper_bound,
            mean_difference_variance,
        },
        connected,
        error_df: cells.len().saturating_sub(parameters_n),
    }
}
