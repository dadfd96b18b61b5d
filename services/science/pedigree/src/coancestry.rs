use serde::Serialize;

use crate::build::Pedigree;
use crate::error::PedigreeError;
use crate::record::PlantId;

/// Most genotypes for which a full table is made.
pub const TABLE_LIMIT: usize = 4000;

/// Coancestry of every pair of some plants.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KinshipMatrix<Id> {
    ids: Vec<Id>,
    /// Row-major.
    coancestry: Vec<f64>,
}

impl<Id> KinshipMatrix<Id> {
    /// The plants, in the order of rows and columns.
    pub fn ids(&self) -> &[Id] {
        &self.ids
    }

    /// Coancestry f of the plants at two positions, 0 to 1.
    ///
    /// # Panics
    /// A position is beyond the last plant.
    pub fn coancestry(&self, row: usize, column: usize) -> f64 {
        assert!(
            row < self.ids.len() && column < self.ids.len(),
            "position beyond the last plant"
        );
        self.coancestry[row * self.ids.len() + column]
    }

    /// Additive relationship a = 2 f.
    pub fn relationship(&self, row: usize, column: usize) -> f64 {
        2.0 * self.coancestry(row, column)
    }

    /// Wright's coefficient of relationship a(x, y) / √(a(x, x) a(y, y)), 0 to 1 (Wright 1922,
    /// from memory).
    pub fn wright(&self, row: usize, column: usize) -> f64 {
        let diagonals = self.coancestry(row, row) * self.coancestry(column, column);
        self.coancestry(row, column) / diagonals.sqrt()
    }

    /// Coancestry as rows.
    pub fn rows(&self) -> impl Iterator<Item = &[f64]> {
        self.coancestry.chunks_exact(self.ids.len().max(1))
    }
}

impl<Id: PlantId> Pedigree<Id> {
    /// Coancestry f of two plants: the inbreeding their offspring would have. A plant and its
    /// clone count as one plant: f = (1 + F) / 2.
    ///
    /// # Errors
    /// A plant is not listed.
    pub fn coancestry(&self, x: &Id, y: &Id) -> Result<f64, PedigreeError<Id>> {
        let pair = [x.clone(), y.clone()];
        Ok(self.kinship(&pair)?.coancestry(0, 1))
    }

    /// Coancestry of every pair of the chosen plants, without building the matrix of all.
    ///
    /// Colleau's (2002) indirect method on the chosen plants and their ancestors: time is chosen
    /// plants × ancestors.
    ///
    /// # Errors
    /// A plant is not listed.
    pub fn kinship(&self, ids: &[Id]) -> Result<KinshipMatrix<Id>, PedigreeError<Id>> {
        let targets = self.nodes(ids)?;
        let (core, variances, kept) = self.resting_on(&targets);
        let local: Vec<usize> = targets
            .iter()
            .filter_map(|target| kept.binary_search(target).ok())
            .collect();
        let k = ids.len();
        let mut coancestry = vec![0.0; k * k];
        let mut column = vec![0.0; core.len()];
        for (j, &target) in local.iter().enumerate() {
            column.fill(0.0);
            column[target] = 1.0;
            core.relationship_times(&variances.d, &mut column);
            for (i, &row) in local.iter().enumerate().take(j + 1) {
                coancestry[i * k + j] = 0.5 * column[row];
                coancestry[j * k + i] = 0.5 * column[row];
            }
        }
        Ok(KinshipMatrix {
            ids: ids.to_vec(),
            coancestry,
        })
    }

    /// Coancestry of every pair of plants in the pedigree by the tabular rule (Henderson 1976).
    ///
    /// # Errors
    /// The pedigree has more than [`TABLE_LIMIT`] genotypes.
    pub fn kinship_table(&self) -> Result<KinshipMatrix<Id>, PedigreeError<Id>> {
        let n = self.core.len();
        if n > TABLE_LIMIT {
            return Err(PedigreeError::TooLargeForTable {
                plants: n,
                limit: TABLE_LIMIT,
            });
        }
        let table = self.core.table();
        let coancestry = (0..self.len())
            .flat_map(|i| (0..self.len()).map(move |j| (i, j)))
            .map(|(i, j)| 0.5 * table[self.node_of_plant(i) * n + self.node_of_plant(j)])
            .collect();
        Ok(KinshipMatrix {
            ids: self.ids.clone(),
            coancestry,
        })
    }
}
