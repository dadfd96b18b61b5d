use std::fmt;

use crate::record::{ParentRole, PlantId};

/// Why a pedigree, or a question to it, is refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PedigreeError<Id: PlantId> {
    /// Two records carry the same id.
    #[error("plant {id} is listed more than once; keep one record per plant")]
    Duplicate {
        /// The id met twice.
        id: Id,
    },
    /// A record names a parent, or a source of budwood, that has no record.
    #[error(
        "plant {plant} names {named} as its {role}, but {named} is not listed; \
         list it as a founder, or leave the parent unknown"
    )]
    UnknownParent {
        /// The plant whose record was refused.
        plant: Id,
        /// The id that has no record.
        named: Id,
        /// The part the missing plant was said to play.
        role: ParentRole,
    },
    /// Plants that are their own ancestors. Each member names the next as parent or as clone
    /// source, and the last names the first.
    #[error(
        "a plant cannot be its own ancestor: {}; correct one of these records",
        Chain(members)
    )]
    Loop {
        /// The plants of the loop in order, each once.
        members: Vec<Id>,
    },
    /// The shares of candidate pollen parents are not usable.
    #[error(
        "plant {plant}: the shares of its candidate pollen parents sum to {sum}; \
         each share must be above 0 and together they must not exceed 1"
    )]
    CandidateShares {
        /// The plant whose candidates were refused.
        plant: Id,
        /// Sum of the shares as given.
        sum: f64,
    },
    /// A list of candidate pollen parents is empty.
    #[error(
        "plant {plant} has an empty list of candidate pollen parents; leave the parent unknown"
    )]
    NoCandidates {
        /// The plant whose candidates were refused.
        plant: Id,
    },
    /// More plants than can be numbered.
    #[error("{plants} plants are too many for one pedigree; the limit is {limit}")]
    TooManyPlants {
        /// Plants given.
        plants: usize,
        /// Plants that fit.
        limit: usize,
    },
    /// A question names a plant that is not in the pedigree.
    #[error("plant {id} is not in the pedigree")]
    NotListed {
        /// The id asked for.
        id: Id,
    },
    /// A full table was asked for a pedigree too large to hold one.
    #[error(
        "a full table of {plants} plants is too large, the limit is {limit}; \
         ask for the kinship of chosen plants"
    )]
    TooLargeForTable {
        /// Genotypes in the pedigree.
        plants: usize,
        /// Genotypes a table may have.
        limit: usize,
    },
    /// The relationship matrix has no inverse: a plant's parents are both wholly inbred, so that
    /// nothing is left to segregate at the precision of the numbers.
    #[error(
        "the relationship matrix cannot be inverted: the parents of plant {id} are wholly inbred; \
         let one record stand for the fixed line"
    )]
    Singular {
        /// A plant without Mendelian sampling variance.
        id: Id,
    },
    /// Contributions to a group are negative or do not sum to one.
    #[error("contributions sum to {sum}; none may be negative and they must sum to 1")]
    Contributions {
        /// Sum of the contributions as given.
        sum: f64,
    },
}

struct Chain<'a, Id>(&'a [Id]);

impl<Id: fmt::Display> fmt::Display for Chain<'_, Id> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for member in self.0 {
            write!(f, "{member} ← ")?;
        }
        match self.0.first() {
            Some(first) => write!(f, "{first}"),
            None => Ok(()),
        }
    }
}
