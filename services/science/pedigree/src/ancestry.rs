use std::collections::HashMap;

use serde::Serialize;

use crate::build::Pedigree;
use crate::core::{NONE, Parentage};
use crate::error::PedigreeError;
use crate::record::{ParentRole, PlantId};

/// Most places in a [`PedigreeTree`]: twelve generations of two parents each. A tree doubles with
/// every generation, and grows faster where there are candidate pollen parents.
pub const MAX_TREE_PLACES: u64 = (1 << 13) - 1;

/// A plant with its parents, their parents and so on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PedigreeTree<Id> {
    /// The plant.
    pub id: Id,
    /// The plant whose genotype it shares, when it is a clone or bud sport.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clone_of: Option<Id>,
    /// Inbreeding coefficient, 0 to 1.
    pub inbreeding: f64,
    /// Longest line of descent from a founder.
    pub generation: u32,
    /// Known parents, mother first; none for a founder or where the tree was cut.
    pub parents: Vec<Branch<Id>>,
    /// Whether known parents were left out because the tree was cut here.
    pub cut: bool,
}

/// One parent of a plant in a tree.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Branch<Id> {
    /// Mother or father.
    pub role: ParentRole,
    /// Probability that this is the plant in that role: 1, or a candidate's share.
    pub probability: f64,
    /// The parent and its own parents.
    #[serde(flatten)]
    pub parent: PedigreeTree<Id>,
}

/// Expected shares of a plant's genome by where they come from.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AncestryShares<Id> {
    /// Plants and shares, largest first, then in pedigree order.
    pub shares: Vec<(Id, f64)>,
    /// The share that came through unknown parents.
    pub unknown: f64,
}

impl<Id: PartialEq> AncestryShares<Id> {
    /// The share of one plant, 0 when it is not among them.
    pub fn share_of(&self, id: &Id) -> f64 {
        self.shares
            .iter()
            .find(|(known, _)| known == id)
            .map_or(0.0, |&(_, share)| share)
    }
}

impl<Id: PlantId> Pedigree<Id> {
    /// The plant and its ancestors to the given number of generations, or as many whole
    /// generations as fit into [`MAX_TREE_PLACES`]; 0 gives the plant alone.
    ///
    /// # Errors
    /// The plant is not listed.
    pub fn tree(&self, id: &Id, generations: u32) -> Result<PedigreeTree<Id>, PedigreeError<Id>> {
        let node = self.node(id)?;
        let (_, variances, kept) = self.resting_on(&[node]);
        let inbreeding = |node: u32| {
            kept.binary_search(&node)
                .map_or(f64::NAN, |local| variances.a[local] - 1.0)
        };
        let generations = self.generations_that_fit(node, generations);
        let mut tree = self.tree_of(node, generations, &inbreeding);
        if tree.id != *id {
            tree.clone_of = Some(std::mem::replace(&mut tree.id, id.clone()));
        }
        Ok(tree)
    }

    fn generations_that_fit(&self, node: u32, wanted: u32) -> u32 {
        let mut places = 1u64;
        let mut oldest: HashMap<u32, u64> = HashMap::from([(node, 1)]);
        for generation in 0..wanted {
            let mut parents: HashMap<u32, u64> = HashMap::new();
            for (plant, times) in oldest {
                for (_, parent, _) in self.parents_of_node(plant) {
                    let sum = parents.entry(parent).or_insert(0);
                    *sum = sum.saturating_add(times);
                }
            }
            places = parents
                .values()
                .fold(places, |sum, &times| sum.saturating_add(times));
            if parents.is_empty() || places > MAX_TREE_PLACES {
                return generation;
            }
            oldest = parents;
        }
        wanted
    }

    fn tree_of(
        &self,
        node: u32,
        generations: u32,
        inbreeding: &impl Fn(u32) -> f64,
    ) -> PedigreeTree<Id> {
        let mut parents = self.parents_of_node(node);
        let cut = generations == 0 && !parents.is_empty();
        if cut {
            parents.clear();
        }
        PedigreeTree {
            id: self.id_of_node(node).clone(),
            clone_of: None,
            inbreeding: inbreeding(node),
            generation: self.core.levels[node as usize] / 2,
            parents: parents
                .into_iter()
                .map(|(role, parent, probability)| Branch {
                    role,
                    probability,
                    parent: self.tree_of(parent, generations - 1, inbreeding),
                })
                .collect(),
            cut,
        }
    }

    fn parents_of_node(&self, node: u32) -> Vec<(ParentRole, u32, f64)> {
        let Parentage::Cross { seed, pollen } = self.core.parentage(node as usize) else {
            return Vec::new();
        };
        let mother = seed.map(|seed| (ParentRole::Seed, seed, 1.0));
        let fathers = match pollen {
            None => Vec::new(),
            Some(pollen) => match self.core.parentage(pollen as usize) {
                Parentage::Average(candidates) => candidates
                    .iter()
                    .map(|&(c, share)| (ParentRole::Pollen, c, share))
                    .collect(),
                Parentage::Cross { .. } => vec![(ParentRole::Pollen, pollen, 1.0)],
            },
        };
        mother.into_iter().chain(fathers).collect()
    }

    /// Expected share of the plant's genome from each of its founders. Shares and the unknown
    /// rest sum to 1.
    ///
    /// # Errors
    /// The plant is not listed.
    pub fn founder_shares(&self, id: &Id) -> Result<AncestryShares<Id>, PedigreeError<Id>> {
        self.shares(id, |is_founder| is_founder)
    }

    /// Expected share of the plant's genome that came through each of its ancestors and founders,
    /// such as the recurrent parent of backcrosses. Lines of descent overlap, so these shares do
    /// not sum to 1.
    ///
    /// # Errors
    /// The plant is not listed.
    pub fn ancestor_shares(&self, id: &Id) -> Result<AncestryShares<Id>, PedigreeError<Id>> {
        self.shares(id, |_| true)
    }

    fn shares(
        &self,
        id: &Id,
        wanted: impl Fn(bool) -> bool,
    ) -> Result<AncestryShares<Id>, PedigreeError<Id>> {
        let node = self.node(id)?;
        let (core, kept) = self.core.restricted(&[node]);
        let mut flow = vec![0.0; core.len()];
        flow[core.len() - 1] = 1.0;
        core.descent_transposed(&mut flow);
        let mut shares = Vec::new();
        let mut unknown = 0.0;
        for (local, &share) in flow.iter().enumerate() {
            let mut passed_on = 0.0;
            let mut known_parents = 0;
            core.for_each_parent(local, |_, part| {
                passed_on += part;
                known_parents += 1;
            });
            let is_founder = known_parents == 0;
            if !is_founder {
                unknown += share * (1.0 - passed_on).max(0.0);
            }
            let plant = self.plant_of[kept[local] as usize];
            let is_ancestor = kept[local] != node || is_founder;
            if plant != NONE && is_ancestor && wanted(is_founder) {
                shares.push((self.ids[plant as usize].clone(), share));
            }
        }
        shares.sort_by(|x, y| y.1.total_cmp(&x.1));
        Ok(AncestryShares { shares, unknown })
    }

    /// Equivalent complete generations of known ancestors: Σ (½)ⁿ over all known ancestors n
    /// generations back (Maignel et al. 1996, from memory). Tells how deep a pedigree really is,
    /// and so how far its inbreeding can be trusted.
    ///
    /// # Errors
    /// The plant is not listed.
    pub fn equivalent_generations(&self, id: &Id) -> Result<f64, PedigreeError<Id>> {
        let node = self.node(id)?;
        let (core, _) = self.core.restricted(&[node]);
        let mut depth = vec![0.0; core.len()];
        for i in 0..core.len() {
            let mut sum = 0.0;
            core.for_each_parent(i, |parent, share| {
                // An average parent is no generation of its own; its candidates are.
                let step = if core.nodes[parent].is_average() {
                    0.0
                } else {
                    1.0
                };
                sum += share * (depth[parent] + step);
            });
            depth[i] = sum;
        }
        Ok(depth[core.len() - 1])
    }
}
