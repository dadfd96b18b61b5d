//! Sparse Cholesky factor with a fill-reducing order, and the inverse on the factor's pattern.

use faer::dyn_stack::{MemBuffer, MemStack, StackReq};
use faer::linalg::cholesky::llt::factor::LltRegularization;
use faer::sparse::linalg::{amd, cholesky::simplicial};
use faer::sparse::{SparseColMatRef, SymbolicSparseColMatRef};
use faer::{Conj, MatMut, Par};

/// A symmetric sparsity pattern, its approximate minimum degree order and its factor's pattern.
pub(crate) struct Pattern {
    n: usize,
    /// New position -> old.
    order: Vec<usize>,
    /// Old position -> new.
    place: Vec<usize>,
    /// Upper triangle of the reordered matrix by columns.
    col_ptr: Vec<usize>,
    row_idx: Vec<usize>,
    factor: simplicial::SymbolicSimplicialCholesky<usize>,
    /// Entry of the pattern -> entry of the factor.
    in_factor: Vec<usize>,
}

/// The numbers of a factor L with L L' = the reordered matrix.
pub(crate) struct Factor {
    values: Vec<f64>,
    /// Natural logarithm of the determinant of the matrix.
    pub(crate) log_determinant: f64,
}

/// Columns of an upper triangle from (i, j) pairs in any triangle; the diagonal is always there.
fn upper_columns(n: usize, mut entries: Vec<(u32, u32)>) -> (Vec<usize>, Vec<usize>) {
    entries
        .iter_mut()
        .for_each(|e| *e = (e.0.max(e.1), e.0.min(e.1)));
    entries.extend((0..n as u32).map(|k| (k, k)));
    entries.sort_unstable();
    entries.dedup();
    let mut col_ptr = vec![0; n + 1];
    entries
        .iter()
        .for_each(|&(column, _)| col_ptr[column as usize + 1] += 1);
    for k in 0..n {
        col_ptr[k + 1] += col_ptr[k];
    }
    (
        col_ptr,
        entries.into_iter().map(|(_, row)| row as usize).collect(),
    )
}

impl Pattern {
    /// Analyses a pattern given by its places (either triangle, repeats allowed).
    ///
    /// # Panics
    /// When memory for the symbolic analysis cannot be had.
    pub(crate) fn new(n: usize, entries: Vec<(u32, u32)>) -> Self {
        let (natural_ptr, natural_idx) = upper_columns(n, entries);
        let natural = SymbolicSparseColMatRef::new_checked(n, n, &natural_ptr, None, &natural_idx);
        let (mut order, mut place) = (vec![0_usize; n], vec![0_usize; n]);
        let mut memory = MemBuffer::new(amd::order_scratch::<usize>(n, natural_idx.len()));
        amd::order(
            &mut order,
            &mut place,
            natural,
            amd::Control::default(),
            MemStack::new(&mut memory),
        )
        .expect("the order of the equations fits in memory");
        let reordered = (0..n)
            .flat_map(|j| {
                natural_idx[natural_ptr[j]..natural_ptr[j + 1]]
                    .iter()
                    .map(move |&i| (i, j))
            })
            .map(|(i, j)| (place[i] as u32, place[j] as u32))
            .collect();
        let (col_ptr, row_idx) = upper_columns(n, reordered);
        let matrix = SymbolicSparseColMatRef::new_checked(n, n, &col_ptr, None, &row_idx);
        let mut memory = MemBuffer::new(StackReq::any_of(&[
            simplicial::prefactorize_symbolic_cholesky_scratch::<usize>(n, row_idx.len()),
            simplicial::factorize_simplicial_symbolic_cholesky_scratch::<usize>(n),
        ]));
        let stack = MemStack::new(&mut memory);
        let (mut tree, mut counts) = (vec![0_isize; n], vec![0_usize; n]);
        let tree =
            simplicial::prefactorize_symbolic_cholesky(&mut tree, &mut counts, matrix, stack);
        let factor =
            simplicial::factorize_simplicial_symbolic_cholesky(matrix, tree, &counts, stack)
                .expect("the pattern of the factor fits in memory");
        let mut in_factor = Vec::with_capacity(row_idx.len());
        for j in 0..n {
            for &i in &row_idx[col_ptr[j]..col_ptr[j + 1]] {
                let (start, end) = (factor.col_ptr()[i], factor.col_ptr()[i + 1]);
                let at = factor.row_idx()[start..end]
                    .binary_search(&j)
                    .expect("the factor holds every place of its matrix");
                in_factor.push(start + at);
            }
        }
        Self {
            n,
            order,
            place,
            col_ptr,
            row_idx,
            factor,
            in_factor,
        }
    }

    /// Number of stored places (one triangle).
    pub(crate) fn len(&self) -> usize {
        self.row_idx.len()
    }

    /// Index of the place (i, j), which must be in the pattern.
    pub(crate) fn position(&self, i: usize, j: usize) -> usize {
        self.find(i, j).expect("the place is in the pattern")
    }

    /// Index of the place (i, j), if it is in the pattern.
    pub(crate) fn find(&self, i: usize, j: usize) -> Option<usize> {
        let (a, b) = (self.place[i], self.place[j]);
        let (row, column) = (a.min(b), a.max(b));
        let start = self.col_ptr[column];
        let rows = &self.row_idx[start..self.col_ptr[column + 1]];
        rows.binary_search(&row).ok().map(|at| start + at)
    }

    /// Factors the matrix with the given values (by [`Pattern::position`]); `None` when it is not
    /// positive definite.
    pub(crate) fn factorise(&self, values: &[f64]) -> Option<Factor> {
        let matrix = SparseColMatRef::new(
            SymbolicSparseColMatRef::new_checked(
                self.n,
                self.n,
                &self.col_ptr,
                None,
                &self.row_idx,
            ),
            values,
        );
        let mut memory = MemBuffer::new(simplicial::factorize_simplicial_numeric_llt_scratch::<
            usize,
            f64,
        >(self.n));
        let mut factor = vec![0.0; self.factor.len_val()];
        simplicial::factorize_simplicial_numeric_llt(
            &mut factor,
            matrix,
            LltRegularization::default(),
            &self.factor,
            MemStack::new(&mut memory),
        )
        .ok()?;
        let log_determinant: f64 = self.factor.col_ptr()[..self.n]
            .iter()
            .map(|&k| 2.0 * factor[k].ln())
            .sum();
        log_determinant.is_finite().then_some(Factor {
            values: factor,
            log_determinant,
        })
    }

    /// Solves for one right-hand side, in place.
    pub(crate) fn solve(&self, factor: &Factor, rhs: &mut [f64]) {
        let mut x: Vec<f64> = self.order.iter().map(|&old| rhs[old]).collect();
        let mut memory = MemBuffer::new(StackReq::EMPTY);
        simplicial::SimplicialLltRef::new(&self.factor, &factor.values).solve_in_place_with_conj(
            Conj::No,
            MatMut::from_column_major_slice_mut(&mut x, self.n, 1),
            Par::Seq,
            MemStack::new(&mut memory),
        );
        self.order
            .iter()
            .zip(&x)
            .for_each(|(&old, &value)| rhs[old] = value);
    }

    /// Turns independent standard normal deviates into deviates whose covariance is the matrix's
    /// inverse, in place: L'x = z.
    pub(crate) fn spread(&self, factor: &Factor, deviates: &mut [f64]) {
        let (ptr, rows, l) = (self.factor.col_ptr(), self.factor.row_idx(), &factor.values);
        let mut x = deviates.to_vec();
        for j in (0..self.n).rev() {
            let below: f64 = (ptr[j] + 1..ptr[j + 1]).map(|k| l[k] * x[rows[k]]).sum();
            x[j] = (x[j] - below) / l[ptr[j]];
        }
        self.order
            .iter()
            .zip(&x)
            .for_each(|(&old, &value)| deviates[old] = value);
    }

    /// The inverse on the places of the pattern (indexed as [`Pattern::position`]), by the
    /// recursion of Takahashi, Fagan and Chin (1973, from memory).
    pub(crate) fn selected_inverse(&self, factor: &Factor) -> Vec<f64> {
        let (ptr, rows, l) = (self.factor.col_ptr(), self.factor.row_idx(), &factor.values);
        let mut z = vec![0.0; l.len()];
        let (mut unit, mut sum) = (vec![0.0; self.n], vec![0.0; self.n]);
        for i in (0..self.n).rev() {
            let (diagonal, below) = (ptr[i], ptr[i] + 1..ptr[i + 1]);
            let pivot = l[diagonal];
            for k in below.clone() {
                unit[rows[k]] = l[k] / pivot;
            }
            for k in below.clone() {
                let a = rows[k];
                let weight = unit[a];
                let (start, end) = (ptr[a], ptr[a + 1]);
                let mut own = z[start] * weight;
                for (&r, &value) in rows[start + 1..end].iter().zip(&z[start + 1..end]) {
                    own += value * unit[r];
                    sum[r] += value * weight;
                }
                sum[a] += own;
            }
            let mut own = 1.0 / (pivot * pivot);
            for k in below.clone() {
                z[k] = -sum[rows[k]];
                own -= unit[rows[k]] * z[k];
            }
            z[diagonal] = own;
            for k in below {
                let a = rows[k];
                unit[a] = 0.0;
                rows[ptr[a]..ptr[a + 1]].iter().for_each(|&r| sum[r] = 0.0);
            }
        }
        self.in_factor.iter().map(|&k| z[k]).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn factor_and_selected_inverse_agree_with_solves() {
        let n = 12;
        let places: Vec<(u32, u32)> = (0..n as u32)
            .flat_map(|k| [(k, (k + 1) % 12), (k, (k * 5 + 3) % 12)])
            .collect();
        let pattern = Pattern::new(n, places.clone());
        let mut values = vec![0.0; pattern.len()];
        for (k, &(i, j)) in places.iter().enumerate() {
            if i != j {
                values[pattern.position(i as usize, j as usize)] = 0.3 + 0.02 * k as f64;
            }
        }
        (0..n).for_each(|k| values[pattern.position(k, k)] = 4.0 + k as f64);
        let factor = pattern.factorise(&values).unwrap();
        let inverse = pattern.selected_inverse(&factor);
        let mut log_determinant = 0.0;
        let dense = faer::Mat::from_fn(n, n, |i, j| {
            let there = i == j
                || places.contains(&(i as u32, j as u32))
                || places.contains(&(j as u32, i as u32));
            if there {
                values[pattern.position(i, j)]
            } else {
                0.0
            }
        });
        for pivot in dense
            .llt(faer::Side::Lower)
            .unwrap()
            .L()
            .diagonal()
            .column_vector()
            .iter()
        {
            log_determinant += 2.0 * pivot.ln();
        }
        assert!((log_determinant - factor.log_determinant).abs() < 1e-10);
        for j in 0..n {
            let mut unit = vec![0.0; n];
            unit[j] = 1.0;
            pattern.solve(&factor, &mut unit);
            for &(a, b) in places.iter().filter(|&&(_, b)| b as usize == j) {
                let z = inverse[pattern.position(a as usize, b as usize)];
                assert!((z - unit[a as usize]).abs() < 1e-12);
            }
        }
    }
}
