//! Kinship, inbreeding and the relationship matrix of plants.
//!
//! A [`Pedigree`] is built once from [`PlantRecord`]s in any order and then answers questions. It
//! knows what plant breeding asks of a pedigree: selfing, open-pollinated plants whose pollen
//! parent is unknown, plants whose pollen parent is one of several candidates, and clones or bud
//! sports, which share one genotype with the plant they were taken from.
//!
//! ```
//! use pedigree::{Pedigree, PlantRecord};
//!
//! let pedigree = Pedigree::from_records([
//!     PlantRecord::cross("F1", "A", "B"),
//!     PlantRecord::founder("A"),
//!     PlantRecord::founder("B"),
//!     PlantRecord::selfed("F2", "F1"),
//!     PlantRecord::clone_of("sport of F2", "F2"),
//! ])?;
//! assert_eq!(pedigree.inbreeding(&"F2")?, 0.5);
//! assert_eq!(pedigree.coancestry(&"A", &"B")?, 0.0);
//! assert_eq!(pedigree.coancestry(&"F2", &"sport of F2")?, 0.75);
//! # Ok::<(), pedigree::PedigreeError<&str>>(())
//! ```
//!
//! # Quantities
//! * **Coancestry** f(x, y): probability that an allele drawn at random from x and one drawn from
//!   y at the same locus are identical by descent (Malécot 1948, from memory).
//! * **Inbreeding** F(x): coancestry of the parents of x.
//! * **Additive relationship** a(x, y) = 2 f(x, y); a(x, x) = 1 + F(x) (Henderson 1976).
//!
//! Founders and unknown parents are taken as non-inbred and unrelated.

mod ancestry;
mod build;
mod coancestry;
mod core;
mod cross;
mod error;
mod inverse;
mod numbers;
mod record;

pub use ancestry::{AncestryShares, Branch, MAX_TREE_PLACES, PedigreeTree};
pub use build::Pedigree;
pub use coancestry::{KinshipMatrix, TABLE_LIMIT};
pub use cross::{CrossExpectation, GroupDiversity};
pub use error::PedigreeError;
pub use inverse::{ParentInbreeding, RelationshipInverse};
pub use record::{Origin, ParentRole, PlantId, PlantRecord, PollenParent};
