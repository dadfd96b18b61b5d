use serde::{Deserialize, Serialize};

use crate::build::Pedigree;
use crate::core::Parentage;
use crate::error::PedigreeError;
use crate::record::PlantId;

/// Whether the inbreeding of parents is counted when the inverse is set up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ParentInbreeding {
    /// d = 1 − ¼ Σ (1 + F): the true inverse.
    #[default]
    Counted,
    /// d = 1 − ¼ × number of known parents: the quick rule, equal to the true inverse only when
    /// no parent is inbred.
    Ignored,
}

/// The inverse of the additive relationship matrix A of all genotypes, sparse.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RelationshipInverse<Id> {
    ids: Vec<Id>,
    lower: Vec<(usize, usize, f64)>,
    log_determinant: f64,
}

impl<Id> RelationshipInverse<Id> {
    /// The genotypes, in the order of rows and columns: plants in the order given to the pedigree,
    /// clones left out.
    pub fn ids(&self) -> &[Id] {
        &self.ids
    }

    /// Entries (row, column, value) with row ≥ column, sorted by column and then row, each place
    /// once.
    pub fn lower_triangle(&self) -> &[(usize, usize, f64)] {
        &self.lower
    }

    /// Entries of both triangles.
    pub fn entries(&self) -> impl Iterator<Item = (usize, usize, f64)> {
        self.lower.iter().flat_map(|&(row, column, value)| {
            let mirrored = (row != column).then_some((column, row, value));
            std::iter::once((row, column, value)).chain(mirrored)
        })
    }

    /// Natural logarithm of the determinant of A itself (not of the inverse).
    pub fn log_determinant(&self) -> f64 {
        self.log_determinant
    }

    /// All entries, row-major; for small pedigrees.
    pub fn to_dense(&self) -> Vec<f64> {
        let n = self.ids.len();
        let mut dense = vec![0.0; n * n];
        self.entries()
            .for_each(|(row, column, value)| dense[row * n + column] = value);
        dense
    }
}

impl<Id: PlantId> Pedigree<Id> {
    /// The inverse of the relationship matrix by Henderson's (1976) rules: v v′ / d summed over
    /// the genotypes, where v is 1 at the plant and minus the share at each parent (−½, or −1 at
    /// the one parent of a selfed plant).
    ///
    /// To invert for chosen plants and their ancestors only, ask their
    /// [`ancestral`](Self::ancestral) pedigree.
    ///
    /// # Errors
    /// A plant without Mendelian sampling variance, whose parents are wholly inbred.
    pub fn relationship_inverse(
        &self,
        parents: ParentInbreeding,
    ) -> Result<RelationshipInverse<Id>, PedigreeError<Id>> {
        let plants: Vec<usize> = self.genotype_plants().collect();
        let mut row_of_node = vec![u32::MAX; self.core.len()];
        for (row, &plant) in plants.iter().enumerate() {
            row_of_node[self.node_of_plant(plant)] = row as u32;
        }
        // Column, row and value of every contribution: six for a plant of two known parents.
        let mut parts: Vec<(u32, u32, f64)> = Vec::with_capacity(6 * plants.len());
        let mut log_determinant = 0.0;
        let mut v: Vec<(u32, f64)> = Vec::new();
        for &plant in &plants {
            let node = self.node_of_plant(plant);
            let d = self.sampling_variance(node, parents);
            if d <= 0.0 {
                return Err(PedigreeError::Singular {
                    id: self.ids[plant].clone(),
                });
            }
            log_determinant += d.ln();
            v.clear();
            v.push((row_of_node[node], 1.0));
            let opened = self.core.opened_parents(node);
            v.extend(
                opened
                    .into_iter()
                    .map(|(parent, share)| (row_of_node[parent], -share)),
            );
            for &(row, x) in &v {
                let in_lower_triangle = v.iter().filter(|(column, _)| *column <= row);
                parts.extend(in_lower_triangle.map(|&(column, y)| (column, row, x * y / d)));
            }
        }
        parts.sort_by_key(|&(column, row, _)| (column, row));
        let mut lower: Vec<(usize, usize, f64)> = Vec::with_capacity(4 * plants.len());
        for (column, row, value) in parts {
            let (column, row) = (column as usize, row as usize);
            match lower.last_mut() {
                Some((last_row, last_column, sum))
                    if (*last_row, *last_column) == (row, column) =>
                {
                    *sum += value;
                }
                _ => lower.push((row, column, value)),
            }
        }
        Ok(RelationshipInverse {
            lower,
            ids: plants
                .iter()
                .map(|&plant| self.ids[plant].clone())
                .collect(),
            log_determinant,
        })
    }

    fn sampling_variance(&self, node: usize, parents: ParentInbreeding) -> f64 {
        match parents {
            ParentInbreeding::Counted => self.all_variances().d[node],
            ParentInbreeding::Ignored => {
                let mut d = 1.0;
                // Two draws from candidates meet in the same, non-inbred plant with Σ w².
                self.core.for_each_parent(node, |parent, _| {
                    d -= 0.25
                        * match self.core.parentage(parent) {
                            Parentage::Average(candidates) => {
                                candidates.iter().map(|(_, w)| w * w).sum()
                            }
                            Parentage::Cross { .. } => 1.0,
                        };
                });
                d
            }
        }
    }
}
