use std::hash::BuildHasher as _;

use foldhash::fast::RandomState;
use hashbrown::HashTable;

use crate::record::PlantId;

/// The number of each plant: its place in a list of ids.
///
/// Ids stand in the list alone, and the table holds their places: it is small enough to stay near the
/// processor while a million plants are taken in.
#[derive(Debug, Clone)]
pub(crate) struct Numbers {
    places: HashTable<u32>,
    hasher: RandomState,
}

impl Numbers {
    /// No numbers yet, with room for so many.
    pub(crate) fn with_room_for(plants_n: usize) -> Self {
        Self {
            places: HashTable::with_capacity(plants_n),
            hasher: RandomState::default(),
        }
    }

    /// Numbers of a list whose ids are all different.
    pub(crate) fn of<Id: PlantId>(ids: &[Id]) -> Self {
        let mut numbers = Self::with_room_for(ids.len());
        for place in 0..ids.len() {
            let before = numbers.add(&ids[..=place]);
            debug_assert_eq!(before, None, "{}", ids[place]);
        }
        numbers
    }

    /// Numbers the last of a list whose others have their numbers; gives the place where its id stands
    /// before, if it does.
    pub(crate) fn add<Id: PlantId>(&mut self, ids: &[Id]) -> Option<usize> {
        let last = ids.len() - 1;
        let hash = self.hasher.hash_one(&ids[last]);
        if let Some(&place) = self
            .places
            .find(hash, |&place| ids[place as usize] == ids[last])
        {
            return Some(place as usize);
        }
        let hasher = &self.hasher;
        self.places.insert_unique(hash, last as u32, |&place| {
            hasher.hash_one(&ids[place as usize])
        });
        None
    }

    /// The place of an id in the list.
    pub(crate) fn get<Id: PlantId>(&self, ids: &[Id], id: &Id) -> Option<u32> {
        let hash = self.hasher.hash_one(id);
        let found = self.places.find(hash, |&place| ids[place as usize] == *id);
        found.copied()
    }
}
