use std::fmt::{Debug, Display};
use std::hash::Hash;

use serde::{Deserialize, Serialize};

/// What may name a plant: any small, printable key such as a UUID, a number or a string.
pub trait PlantId: Clone + Eq + Hash + Display + Debug {}

impl<T: Clone + Eq + Hash + Display + Debug> PlantId for T {}

/// One plant and where it came from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlantRecord<Id> {
    /// The plant's own id.
    pub id: Id,
    /// Where it came from.
    pub origin: Origin<Id>,
}

/// Where a plant came from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin<Id> {
    /// Grown from seed. With both parents unknown the plant is a founder.
    Seed {
        /// The mother, if known.
        seed_parent: Option<Id>,
        /// What is known of the father.
        pollen_parent: PollenParent<Id>,
    },
    /// Propagated from another plant, by budding, cutting or as a bud sport: the same genotype.
    /// For a chimera, name the plant whose genotype its second cell layer carries: pollen and egg
    /// cells come from that layer.
    CloneOf(Id),
}

/// What is known of a pollen parent.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PollenParent<Id> {
    /// Open-pollinated, or not recorded: taken as unrelated to everything.
    Unknown,
    /// One plant.
    Known(Id),
    /// One of several plants, each with the probability that it is the one. A sum below 1 leaves
    /// the rest to an unknown, unrelated plant.
    OneOf(Vec<(Id, f64)>),
}

impl<Id> PollenParent<Id> {
    /// One of the given plants, all equally probable.
    pub fn any_of(candidates: impl IntoIterator<Item = Id>) -> Self {
        let candidates: Vec<Id> = candidates.into_iter().collect();
        let share = 1.0 / candidates.len() as f64;
        Self::OneOf(candidates.into_iter().map(|id| (id, share)).collect())
    }
}

impl<Id> From<Option<Id>> for PollenParent<Id> {
    fn from(id: Option<Id>) -> Self {
        id.map_or(Self::Unknown, Self::Known)
    }
}

impl<Id> PlantRecord<Id> {
    /// A plant of unknown parents.
    pub fn founder(id: Id) -> Self {
        Self::seedling(id, None, PollenParent::Unknown)
    }

    /// A seedling of two known parents.
    pub fn cross(id: Id, seed_parent: Id, pollen_parent: Id) -> Self {
        Self::seedling(id, Some(seed_parent), PollenParent::Known(pollen_parent))
    }

    /// A seedling of a known mother and an unknown father.
    pub fn open_pollinated(id: Id, seed_parent: Id) -> Self {
        Self::seedling(id, Some(seed_parent), PollenParent::Unknown)
    }

    /// A seedling of one plant's own pollen.
    pub fn selfed(id: Id, parent: Id) -> Self
    where
        Id: Clone,
    {
        Self::cross(id, parent.clone(), parent)
    }

    /// A seedling of whatever parents are known.
    pub fn of_parents(id: Id, seed_parent: Option<Id>, pollen_parent: Option<Id>) -> Self {
        Self::seedling(id, seed_parent, pollen_parent.into())
    }

    /// A seedling, with everything that may be known of its pollen parent.
    pub fn seedling(id: Id, seed_parent: Option<Id>, pollen_parent: PollenParent<Id>) -> Self {
        Self {
            id,
            origin: Origin::Seed {
                seed_parent,
                pollen_parent,
            },
        }
    }

    /// A clone or bud sport of another plant.
    pub fn clone_of(id: Id, source: Id) -> Self {
        Self {
            id,
            origin: Origin::CloneOf(source),
        }
    }
}

/// The part one plant plays in another's origin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ParentRole {
    /// The mother.
    Seed,
    /// The father.
    Pollen,
    /// The plant a clone was taken from.
    CloneSource,
}

impl Display for ParentRole {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Seed => "seed parent",
            Self::Pollen => "pollen parent",
            Self::CloneSource => "clone source",
        })
    }
}
