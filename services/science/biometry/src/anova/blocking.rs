//! Least squares with many entries: entries are absorbed, only nuisance columns are solved for.

use faer::{Mat, Side};

/// Relative size below which an eigenvalue counts as zero.
const NULL: f64 = 1e-9;

/// An entry + nuisance model with the entries absorbed.
///
/// With R the plots per entry, N the entry by nuisance counts and M = Z'Z, the reduced equations
/// are S = M - N'R^-1 N; `inverse` is a generalised inverse of S, good for every estimable function.
#[derive(Debug, Clone)]
pub(crate) struct Absorbed {
    /// Plots of each entry.
    pub plots_n: Vec<f64>,
    /// Sparse rows of R^-1 N, each sorted by nuisance column.
    pub shares: Vec<Vec<(usize, f64)>>,
    /// Generalised inverse of S.
    pub inverse: Mat<f64>,
    /// Rank of S.
    pub rank: usize,
}

/// Moore-Penrose inverse of a symmetric matrix, with its rank.
pub(crate) fn pseudo_inverse(symmetric: &Mat<f64>) -> (Mat<f64>, usize) {
    let n = symmetric.nrows();
    if n == 0 {
        return (Mat::zeros(0, 0), 0);
    }
    let eigen = symmetric
        .self_adjoint_eigen(Side::Lower)
        .expect("finite symmetric matrix");
    let values: Vec<f64> = eigen.S().column_vector().iter().copied().collect();
    let limit = NULL * values.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    let kept: Vec<usize> = (0..n).filter(|&i| values[i].abs() > limit).collect();
    let vectors = eigen.U();
    let scaled = Mat::from_fn(n, kept.len(), |i, j| {
        vectors[(i, kept[j])] / values[kept[j]].abs().sqrt()
    });
    let signed = Mat::from_fn(n, kept.len(), |i, j| {
        scaled[(i, j)] * values[kept[j]].signum()
    });
    (&signed * scaled.transpose(), kept.len())
}

impl Absorbed {
    /// `plots` gives each plot's entry and its nuisance columns (one per nuisance factor).
    pub fn new(
        plots: &[(usize, impl AsRef<[usize]>)],
        entries_n: usize,
        nuisance_n: usize,
    ) -> Absorbed {
        let mut plots_n = vec![0.0; entries_n];
        let mut shares: Vec<Vec<(usize, f64)>> = vec![Vec::new(); entries_n];
        let mut reduced = Mat::<f64>::zeros(nuisance_n, nuisance_n);
        for (entry, columns) in plots {
            plots_n[*entry] += 1.0;
            for &a in columns.as_ref() {
                shares[*entry].push((a, 1.0));
                for &b in columns.as_ref() {
                    reduced[(a, b)] += 1.0;
                }
            }
        }
        for (entry, row) in shares.iter_mut().enumerate() {
            row.sort_by_key(|cell| cell.0);
            row.dedup_by(|next, kept| {
                let same = next.0 == kept.0;
                kept.1 += if same { next.1 } else { 0.0 };
                same
            });
            for &(a, n) in row.iter() {
                for &(b, m) in row.iter() {
                    reduced[(a, b)] -= n * m / plots_n[entry];
                }
            }
            row.iter_mut().for_each(|cell| cell.1 /= plots_n[entry]);
        }
        let (inverse, rank) = pseudo_inverse(&reduced);
        Absorbed {
            plots_n,
            shares,
            inverse,
            rank,
        }
    }

    /// v'Gv for a sparse v.
    pub fn quadratic(&self, v: &[(usize, f64)]) -> f64 {
        v.iter()
            .map(|&(a, x)| {
                x * v
                    .iter()
                    .map(|&(b, y)| self.inverse[(a, b)] * y)
                    .sum::<f64>()
            })
            .sum()
    }

    /// Variance of the difference of two entries in units of the plot variance.
    pub fn difference_variance(&self, first: usize, second: usize) -> f64 {
        let mut d = self.shares[first].clone();
        d.extend(self.shares[second].iter().map(|&(a, x)| (a, -x)));
        1.0 / self.plots_n[first] + 1.0 / self.plots_n[second] + self.quadratic(&d)
    }

    /// Mean over all pairs of entries of [`Absorbed::difference_variance`].
    pub fn mean_difference_variance(&self) -> f64 {
        let v = self.plots_n.len() as f64;
        let mut sum = vec![0.0; self.inverse.nrows()];
        let mut within = 0.0;
        for row in &self.shares {
            within += self.quadratic(row);
            row.iter().for_each(|&(a, x)| sum[a] += x);
        }
        let total: Vec<(usize, f64)> = sum.into_iter().enumerate().collect();
        // Sum over pairs i<k of (u_i - u_k)'G(u_i - u_k) = v sum u'Gu - (sum u)'G(sum u).
        let adjusted = v * within - self.quadratic(&total);
        let plain: f64 = (v - 1.0) * self.plots_n.iter().map(|r| 1.0 / r).sum::<f64>();
        (plain + adjusted) / (v * (v - 1.0) / 2.0)
    }
}
