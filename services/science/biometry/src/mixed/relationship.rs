//! The relationship among the levels of a random factor, as a sparse inverse.

use super::ModelError;

/// Sparse inverse of the relationship matrix A of a random factor's levels.
#[derive(Debug, Clone, PartialEq)]
pub struct Relationship {
    levels: Vec<String>,
    lower: Vec<(usize, usize, f64)>,
    log_determinant: f64,
}

impl Relationship {
    /// Takes the entries (row, column, value) of A's inverse, either the lower triangle or all of
    /// it, and the natural logarithm of the determinant of A itself. Levels without records
    /// (parents that were never measured) are welcome: they are predicted all the same.
    ///
    /// # Errors
    /// An entry outside the matrix, a value that is not finite, or a level without a positive
    /// diagonal.
    pub fn new(
        levels: Vec<String>,
        entries: impl IntoIterator<Item = (usize, usize, f64)>,
        log_determinant: f64,
    ) -> Result<Self, ModelError> {
        let fault = |what: String| ModelError::Relationship { what };
        let n = levels.len();
        let entries: Vec<_> = entries.into_iter().collect();
        for &(i, j, value) in &entries {
            if i >= n || j >= n || !value.is_finite() {
                return Err(fault(format!(
                    "entry ({i}, {j}) = {value} does not fit {n} levels; give finite entries within the matrix"
                )));
            }
        }
        let only_upper = entries.iter().all(|&(i, j, _)| i <= j);
        let mut lower: Vec<_> = entries
            .into_iter()
            .filter(|&(i, j, _)| only_upper || i >= j)
            .map(|(i, j, value)| (i.max(j), i.min(j), value))
            .collect();
        lower.sort_unstable_by_key(|&(i, j, _)| (j, i));
        lower.dedup_by(|next, kept| {
            let same = (next.0, next.1) == (kept.0, kept.1);
            if same {
                kept.2 += next.2;
            }
            same
        });
        let mut has_diagonal = vec![false; n];
        lower
            .iter()
            .filter(|e| e.0 == e.1 && e.2 > 0.0)
            .for_each(|e| has_diagonal[e.0] = true);
        if let Some(k) = has_diagonal.iter().position(|there| !there) {
            return Err(fault(format!(
                "level `{}` has no positive diagonal entry",
                levels[k]
            )));
        }
        if !log_determinant.is_finite() {
            return Err(fault("the log determinant is not finite".to_owned()));
        }
        Ok(Self {
            levels,
            lower,
            log_determinant,
        })
    }

    /// The levels, in the order of rows and columns.
    #[must_use]
    pub fn levels(&self) -> &[String] {
        &self.levels
    }

    /// Entries of the lower triangle of the inverse.
    #[must_use]
    pub fn lower(&self) -> &[(usize, usize, f64)] {
        &self.lower
    }

    /// Natural logarithm of the determinant of A.
    #[must_use]
    pub fn log_determinant(&self) -> f64 {
        self.log_determinant
    }
}
