use std::collections::HashMap;
use std::sync::OnceLock;

use crate::core::{Core, Mixture, NODE_LIMIT, NONE, Node, Variances};
use crate::error::PedigreeError;
use crate::numbers::Numbers;
use crate::record::{Origin, ParentRole, PlantId, PlantRecord, PollenParent};

/// A checked pedigree: every named parent is listed, nothing descends from itself, and clones
/// share one genotype.
#[derive(Debug, Clone)]
pub struct Pedigree<Id: PlantId> {
    /// Plants in the order given.
    pub(crate) ids: Vec<Id>,
    numbers: Numbers,
    /// Node of each plant.
    node_of: Vec<u32>,
    /// The plant that stands for each node; `NONE` for an average parent.
    pub(crate) plant_of: Vec<u32>,
    pub(crate) core: Core,
    variances: OnceLock<Variances>,
}

/// One record with its ids replaced by positions in the list.
#[derive(Clone, Copy)]
enum Links {
    Seedling { seed: u32, pollen: Pollen },
    Clone { source: u32 },
}

#[derive(Clone, Copy)]
enum Pollen {
    Unknown,
    Plant(u32),
    Mixture(u32),
}

impl<Id: PlantId> Pedigree<Id> {
    /// Builds a pedigree from records in any order.
    ///
    /// # Errors
    /// A plant listed twice, a parent or clone source that is not listed, unusable shares of
    /// candidate pollen parents, or plants that are their own ancestors, named in order.
    pub fn from_records(
        records: impl IntoIterator<Item = PlantRecord<Id>>,
    ) -> Result<Self, PedigreeError<Id>> {
        let records = records.into_iter();
        let expected = records.size_hint().0;
        let mut ids = Vec::with_capacity(expected);
        let mut origins = Vec::with_capacity(expected);
        let mut numbers = Numbers::with_room_for(expected);
        for PlantRecord { id, origin } in records {
            ids.push(id);
            if let Some(before) = numbers.add(&ids) {
                return Err(PedigreeError::Duplicate {
                    id: ids[before].clone(),
                });
            }
            origins.push(origin);
        }
        // Average parents take numbers too, at most one for each plant.
        if ids.len() > NODE_LIMIT / 2 {
            return Err(PedigreeError::TooManyPlants {
                plants: ids.len(),
                limit: NODE_LIMIT / 2,
            });
        }
        let (links, mixtures) = link(&ids, &numbers, origins)?;
        let generations =
            generations(&links, &mixtures).map_err(|members| PedigreeError::Loop {
                members: members
                    .into_iter()
                    .map(|m| ids[m as usize].clone())
                    .collect(),
            })?;
        let (core, node_of, plant_of) = arrange(&links, mixtures, &generations);
        Ok(Self {
            ids,
            numbers,
            node_of,
            plant_of,
            core,
            variances: OnceLock::new(),
        })
    }

    /// Number of plants, clones included.
    pub fn len(&self) -> usize {
        self.ids.len()
    }

    /// Whether there is no plant at all.
    pub fn is_empty(&self) -> bool {
        self.ids.is_empty()
    }

    /// All plants in the order given.
    pub fn ids(&self) -> &[Id] {
        &self.ids
    }

    /// Whether the plant is listed.
    pub fn contains(&self, id: &Id) -> bool {
        self.numbers.get(&self.ids, id).is_some()
    }

    /// The plant that stands for this plant's genotype: itself, or the plant at the end of its
    /// chain of clone sources.
    ///
    /// # Errors
    /// The plant is not listed.
    pub fn genotype_of(&self, id: &Id) -> Result<&Id, PedigreeError<Id>> {
        Ok(self.id_of_node(self.node(id)?))
    }

    /// The plants that stand for a genotype, one each, in the order given.
    pub fn genotypes(&self) -> impl Iterator<Item = &Id> {
        self.genotype_plants().map(|plant| &self.ids[plant])
    }

    /// The part of the pedigree that the given plants rest on: themselves and their ancestors.
    ///
    /// # Errors
    /// A plant is not listed.
    pub fn ancestral(&self, ids: &[Id]) -> Result<Self, PedigreeError<Id>> {
        let targets = self.nodes(ids)?;
        let (core, kept) = self.core.restricted(&targets);
        let mut kept_plants: Vec<u32> = kept
            .iter()
            .map(|&node| self.plant_of[node as usize])
            .filter(|&p| p != NONE)
            .collect();
        kept_plants.extend(ids.iter().filter_map(|id| self.numbers.get(&self.ids, id)));
        kept_plants.sort_unstable();
        kept_plants.dedup();
        let new_plant: HashMap<u32, u32> = kept_plants
            .iter()
            .enumerate()
            .map(|(new, &old)| (old, new as u32))
            .collect();
        let new_node: HashMap<u32, u32> = kept
            .iter()
            .enumerate()
            .map(|(new, &old)| (old, new as u32))
            .collect();
        let subset: Vec<Id> = kept_plants
            .iter()
            .map(|&plant| self.ids[plant as usize].clone())
            .collect();
        Ok(Self {
            numbers: Numbers::of(&subset),
            node_of: kept_plants
                .iter()
                .map(|&plant| new_node[&self.node_of[plant as usize]])
                .collect(),
            plant_of: kept
                .iter()
                .map(|&node| {
                    new_plant
                        .get(&self.plant_of[node as usize])
                        .copied()
                        .unwrap_or(NONE)
                })
                .collect(),
            ids: subset,
            core,
            variances: OnceLock::new(),
        })
    }

    /// Inbreeding coefficient F of one plant, 0 to 1.
    ///
    /// # Errors
    /// The plant is not listed.
    pub fn inbreeding(&self, id: &Id) -> Result<f64, PedigreeError<Id>> {
        let node = self.node(id)?;
        let (core, variances, _) = self.resting_on(&[node]);
        Ok(variances.a[core.len() - 1] - 1.0)
    }

    /// Inbreeding coefficient of every plant, in the order of [`ids`](Self::ids).
    ///
    /// Meuwissen and Luo (1992). The result is kept, so that later questions are quick.
    pub fn inbreeding_of_all(&self) -> Vec<f64> {
        let a = &self.all_variances().a;
        self.node_of
            .iter()
            .map(|&node| a[node as usize] - 1.0)
            .collect()
    }

    /// Mendelian sampling variance d of every plant as a share of the additive variance, in the
    /// order of [`ids`](Self::ids): 1 for a founder, 1 − ¼ Σ (1 + F) over the known parents
    /// otherwise (Henderson 1976, from memory).
    pub fn mendelian_variance_of_all(&self) -> Vec<f64> {
        let d = &self.all_variances().d;
        self.node_of.iter().map(|&node| d[node as usize]).collect()
    }

    /// Longest line of descent from a founder, 0 for a founder.
    ///
    /// # Errors
    /// The plant is not listed.
    pub fn generation(&self, id: &Id) -> Result<u32, PedigreeError<Id>> {
        Ok(self.core.levels[self.node(id)? as usize] / 2)
    }

    pub(crate) fn node(&self, id: &Id) -> Result<u32, PedigreeError<Id>> {
        match self.numbers.get(&self.ids, id) {
            Some(plant) => Ok(self.node_of[plant as usize]),
            None => Err(PedigreeError::NotListed { id: id.clone() }),
        }
    }

    pub(crate) fn nodes(&self, ids: &[Id]) -> Result<Vec<u32>, PedigreeError<Id>> {
        ids.iter().map(|id| self.node(id)).collect()
    }

    pub(crate) fn id_of_node(&self, node: u32) -> &Id {
        &self.ids[self.plant_of[node as usize] as usize]
    }

    /// Positions in [`ids`](Self::ids) of the plants that stand for a genotype.
    pub(crate) fn genotype_plants(&self) -> impl Iterator<Item = usize> {
        let stands =
            |plant: &usize| self.plant_of[self.node_of[*plant] as usize] as usize == *plant;
        (0..self.ids.len()).filter(stands)
    }

    pub(crate) fn node_of_plant(&self, plant: usize) -> usize {
        self.node_of[plant] as usize
    }

    pub(crate) fn all_variances(&self) -> &Variances {
        self.variances.get_or_init(|| self.core.variances())
    }

    /// The nodes and their ancestors as a small pedigree of their own, its variances, and the
    /// number of each of its nodes here.
    pub(crate) fn resting_on(&self, nodes: &[u32]) -> (Core, Variances, Vec<u32>) {
        let (core, kept) = self.core.restricted(nodes);
        let variances = match self.variances.get() {
            Some(all) => {
                let pick =
                    |values: &[f64]| kept.iter().map(|&node| values[node as usize]).collect();
                Variances {
                    a: pick(&all.a),
                    d: pick(&all.d),
                }
            }
            None => core.variances(),
        };
        (core, variances, kept)
    }
}

fn link<Id: PlantId>(
    ids: &[Id],
    numbers: &Numbers,
    origins: Vec<Origin<Id>>,
) -> Result<(Vec<Links>, Vec<Mixture>), PedigreeError<Id>> {
    let mut mixtures: Vec<Mixture> = Vec::new();
    let mut known_mixtures: HashMap<Vec<(u32, u64)>, u32> = HashMap::new();
    let mut links = Vec::with_capacity(ids.len());
    for (plant, origin) in ids.iter().zip(origins) {
        let find = |named: Id, role: ParentRole| match numbers.get(ids, &named) {
            Some(number) => Ok(number),
            None => Err(PedigreeError::UnknownParent {
                plant: plant.clone(),
                named,
                role,
            }),
        };
        links.push(match origin {
            Origin::CloneOf(source) => Links::Clone {
                source: find(source, ParentRole::CloneSource)?,
            },
            Origin::Seed {
                seed_parent,
                pollen_parent,
            } => Links::Seedling {
                seed: seed_parent.map_or(Ok(NONE), |id| find(id, ParentRole::Seed))?,
                pollen: match pollen_parent {
                    PollenParent::Unknown => Pollen::Unknown,
                    PollenParent::Known(id) => Pollen::Plant(find(id, ParentRole::Pollen)?),
                    PollenParent::OneOf(candidates) => {
                        let mut mixture: Mixture = candidates
                            .into_iter()
                            .map(|(id, share)| Ok((find(id, ParentRole::Pollen)?, share)))
                            .collect::<Result<_, _>>()?;
                        check_shares(plant, &mixture)?;
                        mixture.sort_unstable_by_key(|&(candidate, _)| candidate);
                        mixture.dedup_by(|later, kept| {
                            let same = later.0 == kept.0;
                            kept.1 += if same { later.1 } else { 0.0 };
                            same
                        });
                        let key = mixture.iter().map(|&(c, w)| (c, w.to_bits())).collect();
                        let number = known_mixtures.entry(key).or_insert_with(|| {
                            mixtures.push(mixture);
                            mixtures.len() as u32 - 1
                        });
                        Pollen::Mixture(*number)
                    }
                },
            },
        });
    }
    Ok((links, mixtures))
}

fn check_shares<Id: PlantId>(plant: &Id, mixture: &Mixture) -> Result<(), PedigreeError<Id>> {
    if mixture.is_empty() {
        return Err(PedigreeError::NoCandidates {
            plant: plant.clone(),
        });
    }
    let sum: f64 = mixture.iter().map(|&(_, share)| share).sum();
    // Shares such as three times 1/3 may exceed one by rounding.
    if mixture.iter().any(|&(_, share)| share <= 0.0) || sum.is_nan() || sum > 1.0 + 1e-9 {
        return Err(PedigreeError::CandidateShares {
            plant: plant.clone(),
            sum,
        });
    }
    Ok(())
}

/// The `k`-th plant that a record names.
fn named_by(links: &Links, mixtures: &[Mixture], k: usize) -> Option<u32> {
    match *links {
        Links::Clone { source } => (k == 0).then_some(source),
        Links::Seedling { seed, pollen } => {
            let k = if seed == NONE { k + 1 } else { k };
            match (k, pollen) {
                (0, _) => Some(seed),
                (1, Pollen::Plant(p)) => Some(p),
                (k, Pollen::Mixture(m)) => mixtures[m as usize].get(k - 1).map(|&(c, _)| c),
                _ => None,
            }
        }
    }
}

/// Generation of every record, a clone's being its source's; or the members of a loop.
fn generations(links: &[Links], mixtures: &[Mixture]) -> Result<Vec<u32>, Vec<u32>> {
    const UNSEEN: u32 = u32::MAX;
    const ON_PATH: u32 = u32::MAX - 1;
    let mut generation = vec![UNSEEN; links.len()];
    let mut path: Vec<(u32, usize)> = Vec::new();
    for start in 0..links.len() as u32 {
        if generation[start as usize] != UNSEEN {
            continue;
        }
        // Most plants are met after their few parents, and need no path.
        let known = |plant: u32| Some(generation[plant as usize]).filter(|g| *g < ON_PATH);
        if let Some(settled) = generation_after(&links[start as usize], mixtures, known) {
            generation[start as usize] = settled;
            continue;
        }
        generation[start as usize] = ON_PATH;
        path.push((start, 0));
        while let Some((plant, next)) = path.last_mut() {
            let plant = *plant;
            let named = named_by(&links[plant as usize], mixtures, *next);
            *next += 1;
            match named.map(|n| (n, generation[n as usize])) {
                Some((named, UNSEEN)) => {
                    generation[named as usize] = ON_PATH;
                    path.push((named, 0));
                }
                Some((named, ON_PATH)) => {
                    let members = path.iter().map(|&(member, _)| member);
                    return Err(members.skip_while(|&member| member != named).collect());
                }
                Some(_) => {}
                None => {
                    let known = |named: u32| Some(generation[named as usize]);
                    let settled = generation_after(&links[plant as usize], mixtures, known);
                    generation[plant as usize] = settled.unwrap_or(0);
                    path.pop();
                }
            }
        }
    }
    Ok(generation)
}

/// Generation of a record from those of the plants that it names; none while one is not known.
fn generation_after(
    record: &Links,
    mixtures: &[Mixture],
    known: impl Fn(u32) -> Option<u32>,
) -> Option<u32> {
    let (seed, pollen) = match *record {
        Links::Clone { source } => return known(source),
        Links::Seedling { seed, pollen } => (seed, pollen),
    };
    let after = |parent: u32| known(parent).map(|generation| generation + 1);
    let of_seed = if seed == NONE { 0 } else { after(seed)? };
    let of_pollen = match pollen {
        Pollen::Unknown => 0,
        Pollen::Plant(plant) => after(plant)?,
        Pollen::Mixture(mixture) => {
            let mut highest = 0;
            for &(candidate, _) in &mixtures[mixture as usize] {
                highest = highest.max(after(candidate)?);
            }
            highest
        }
    };
    Some(of_seed.max(of_pollen))
}

/// Orders genotypes and average parents by level, and within a level by parents, so that full
/// sibs are neighbours. Returns the numbered pedigree, the node of each plant, and the plant that
/// stands for each node.
fn arrange(
    links: &[Links],
    mixtures: Vec<Mixture>,
    generations: &[u32],
) -> (Core, Vec<u32>, Vec<u32>) {
    // A genotype of generation g stands on level 2g, an average parent between its candidates and
    // the plants it fathered.
    let generations_n = generations
        .iter()
        .max()
        .map_or(0, |&highest| highest as usize + 1);
    let mut plants_of: Vec<Vec<u32>> = vec![Vec::new(); generations_n];
    let mut clones_of: Vec<Vec<u32>> = vec![Vec::new(); generations_n];
    let mut mixtures_of: Vec<Vec<u32>> = vec![Vec::new(); generations_n];
    for (plant, record) in links.iter().enumerate() {
        let by_generation = match record {
            Links::Seedling { .. } => &mut plants_of,
            Links::Clone { .. } => &mut clones_of,
        };
        by_generation[generations[plant] as usize].push(plant as u32);
    }
    for (number, mixture) in mixtures.iter().enumerate() {
        let of_candidates = mixture
            .iter()
            .map(|&(candidate, _)| generations[candidate as usize]);
        mixtures_of[of_candidates.max().unwrap_or(0) as usize].push(number as u32);
    }

    let mut core = Core::default();
    core.nodes.reserve(links.len());
    core.levels.reserve(links.len());
    let mut plant_of = Vec::with_capacity(links.len());
    let mut node_of = vec![NONE; links.len()];
    let mut node_of_mixture = vec![NONE; mixtures.len()];
    let mut families: Vec<(u64, u32)> = Vec::new();
    for generation in 0..generations_n {
        let level = 2 * generation as u32;
        families.clear();
        families.extend(plants_of[generation].iter().map(|&plant| {
            let (seed, pollen) = parent_nodes(links[plant as usize], &node_of, &node_of_mixture);
            let family = u64::from(seed.min(pollen)) << 32 | u64::from(seed.max(pollen));
            // There are fewer plants than half the nodes that a number can tell, so that a bit is
            // left for which parent is which: sorting needs no more than these two numbers.
            (family, plant << 1 | u32::from(seed > pollen))
        }));
        families.sort_unstable();
        for &(family, member) in &families {
            let (less, more) = ((family >> 32) as u32, family as u32);
            let (seed, pollen) = if member & 1 == 1 {
                (more, less)
            } else {
                (less, more)
            };
            let plant = member >> 1;
            node_of[plant as usize] = core.nodes.len() as u32;
            core.nodes.push(Node::cross(seed, pollen));
            core.levels.push(level);
            plant_of.push(plant);
        }
        for &clone in &clones_of[generation] {
            let mut plant = clone as usize;
            while let Links::Clone { source } = links[plant] {
                plant = source as usize;
            }
            node_of[clone as usize] = node_of[plant];
        }
        for &number in &mixtures_of[generation] {
            let candidates = mixtures[number as usize].iter();
            core.mixtures
                .push(candidates.map(|&(c, w)| (node_of[c as usize], w)).collect());
            node_of_mixture[number as usize] = core.nodes.len() as u32;
            core.nodes
                .push(Node::average(core.mixtures.len() as u32 - 1));
            core.levels.push(level + 1);
            plant_of.push(NONE);
        }
    }
    (core, node_of, plant_of)
}

fn parent_nodes(record: Links, node_of: &[u32], node_of_mixture: &[u32]) -> (u32, u32) {
    match record {
        Links::Clone { .. } => (NONE, NONE),
        Links::Seedling { seed, pollen } => (
            if seed == NONE {
                NONE
            } else {
                node_of[seed as usize]
            },
            match pollen {
                Pollen::Unknown => NONE,
                Pollen::Plant(plant) => node_of[plant as usize],
                Pollen::Mixture(mixture) => node_of_mixture[mixture as usize],
            },
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ancestry::PedigreeTree;

    type Error = PedigreeError<&'static str>;

    fn refused(records: Vec<PlantRecord<&'static str>>) -> Error {
        Pedigree::from_records(records).expect_err("the records are faulty")
    }

    #[test]
    fn faulty_records_are_refused_by_name() {
        let twice = refused(vec![PlantRecord::founder("A"), PlantRecord::founder("A")]);
        assert_eq!(twice, PedigreeError::Duplicate { id: "A" });

        let missing = refused(vec![PlantRecord::open_pollinated("A", "B")]);
        assert_eq!(
            missing.to_string(),
            "plant A names B as its seed parent, but B is not listed; \
             list it as a founder, or leave the parent unknown"
        );

        let ring = refused(vec![
            PlantRecord::cross("A", "F", "B"),
            PlantRecord::clone_of("B", "C"),
            PlantRecord::open_pollinated("C", "A"),
            PlantRecord::founder("F"),
        ]);
        assert_eq!(
            ring,
            PedigreeError::Loop {
                members: vec!["A", "B", "C"]
            }
        );
        assert!(ring.to_string().contains("A ← B ← C ← A"));

        let own_parent = refused(vec![PlantRecord::selfed("A", "A")]);
        assert_eq!(own_parent, PedigreeError::Loop { members: vec!["A"] });
    }

    #[test]
    fn shares_of_candidates_are_checked() {
        let with = |shares: Vec<(&'static str, f64)>| {
            let fathers = PollenParent::OneOf(shares);
            let plants = ["A", "B"].map(PlantRecord::founder);
            plants
                .into_iter()
                .chain([PlantRecord::seedling("X", Some("A"), fathers)])
                .collect()
        };
        assert_eq!(
            refused(with(vec![])),
            PedigreeError::NoCandidates { plant: "X" }
        );
        for bad in [
            vec![("A", 0.8), ("B", 0.8)],
            vec![("A", 0.0)],
            vec![("A", f64::NAN)],
        ] {
            assert!(matches!(
                refused(with(bad)),
                PedigreeError::CandidateShares { plant: "X", .. }
            ));
        }
        assert!(Pedigree::from_records(with(vec![("A", 1.0 / 3.0); 3])).is_ok());
    }

    #[test]
    fn candidates_average_over_the_possible_fathers() {
        let father = PollenParent::OneOf(vec![("A", 0.5), ("B", 0.25)]);
        let pedigree = Pedigree::from_records([
            PlantRecord::seedling("X", Some("A"), father),
            PlantRecord::founder("A"),
            PlantRecord::founder("B"),
        ])
        .unwrap();
        assert_eq!(pedigree.inbreeding(&"X"), Ok(0.25));
        assert_eq!(pedigree.coancestry(&"X", &"A"), Ok(0.25 + 0.125));
        assert_eq!(pedigree.coancestry(&"X", &"B"), Ok(0.0625));
        assert_eq!(pedigree.generation(&"X"), Ok(1));
        assert_eq!(pedigree.equivalent_generations(&"X"), Ok(0.875));
        assert_eq!(pedigree.founder_shares(&"X").unwrap().unknown, 0.125);
    }

    #[test]
    fn many_generations_of_selfing_stay_exact() {
        let selfed = (1..=20).map(|n| PlantRecord::selfed(n, n - 1));
        let pedigree = Pedigree::from_records(selfed.chain([PlantRecord::founder(0)])).unwrap();
        let f = |n: i32| 1.0 - 0.5f64.powi(n);
        assert!((0..=20).all(|n| pedigree.inbreeding(&n) == Ok(f(n))));
        assert_eq!(pedigree.generation(&20), Ok(20));
        let tree = pedigree.tree(&20, 3).unwrap();
        assert_eq!((tree.parents.len(), tree.inbreeding), (2, f(20)));
        assert!(
            tree.parents[1].parent.parents[0].parent.parents[0]
                .parent
                .cut
        );
        let depth = |tree: &PedigreeTree<i32>| {
            std::iter::successors(Some(tree), |t| t.parents.first().map(|b| &b.parent)).count()
        };
        assert_eq!(depth(&pedigree.tree(&20, 1000).unwrap()), 13);
        assert_eq!(depth(&pedigree.tree(&3, 1000).unwrap()), 4);
        assert_eq!(depth(&pedigree.tree(&3, 0).unwrap()), 1);
    }

    #[test]
    fn a_sport_of_a_sport_is_the_first_plant() {
        let pedigree = Pedigree::from_records([
            PlantRecord::clone_of("second", "first"),
            PlantRecord::clone_of("first", "tree"),
            PlantRecord::founder("tree"),
            PlantRecord::cross("child", "second", "tree"),
        ])
        .unwrap();
        assert_eq!(pedigree.genotype_of(&"second"), Ok(&"tree"));
        assert_eq!(pedigree.inbreeding(&"child"), Ok(0.5));
        assert_eq!(
            pedigree.genotypes().collect::<Vec<_>>(),
            [&"tree", &"child"]
        );
        assert_eq!(pedigree.tree(&"second", 2).unwrap().clone_of, Some("tree"));
        assert_eq!(pedigree.generation(&"second"), Ok(0));
    }

    #[test]
    fn an_empty_pedigree_is_empty() {
        let pedigree = Pedigree::<u32>::from_records([]).unwrap();
        assert!(pedigree.is_empty());
        assert_eq!(
            pedigree.inbreeding(&1),
            Err(PedigreeError::NotListed { id: 1 })
        );
        assert!(pedigree.inbreeding_of_all().is_empty());
        assert_eq!(pedigree.kinship(&[]).unwrap().rows().count(), 0);
    }
}
