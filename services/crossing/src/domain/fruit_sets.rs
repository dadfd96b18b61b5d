//! Fruit set to reckon with, by kind of cross (pair of species) and seed parent.

use std::collections::BTreeMap;

use biometry::fruit_set::Count;
use biometry::fruit_set::outlook::{Prior, Standing, outlook};
use biometry::fruit_set::pooled::{Pooled, middle};
use compatibility::OutcrossRates;

use super::{CrossId, PlantId};

/// Flowers that the usual fruit set is worth beside what the kinds of cross show (a judgement).
const USUAL_SET_FLOWERS: f64 = 20.0;
/// Share of what is believed between the bounds that are told.
const MIDDLE: f64 = 0.9;
/// Probability that flowers to be sure aim at.
pub const SURE: f64 = 0.9;
/// Flowers in a usual pass (a judgement).
pub const FLOWERS_PER_PASS: u64 = 40;
/// A set of nothing would ask for endless flowers.
const BOUNDS: (f64, f64) = (0.005, 0.95);

/// Fruit and flowers of one cross.
#[derive(Debug, Clone, PartialEq)]
pub struct CrossFruit {
    /// The cross.
    pub cross_id: CrossId,
    /// Its seed parent.
    pub seed_parent_id: PlantId,
    /// Species of its parents.
    pub seed_species: String,
    /// Of the pollen parent.
    pub pollen_species: String,
    /// Fruits harvested, or counted on the trees.
    pub fruit_n: i64,
    /// Flowers pollinated.
    pub flowers_n: i64,
}

/// Seed parent's species, then pollen parent's.
type Kind = (String, String);

/// The programme's fruit set, pooled in part.
#[derive(Debug, Clone)]
pub struct FruitSets {
    kinds: Vec<(Kind, Vec<PlantId>)>,
    counts: Vec<Vec<Vec<Count>>>,
    pooled: Pooled,
}

/// What a cross's fruit set is expected to be.
#[derive(Debug, Clone, PartialEq)]
pub struct ExpectedSet {
    /// Fruits for each pollinated flower, with the flowers that the belief is worth.
    pub prior: Prior,
    /// Bounds of the middle nine tenths of what is believed.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
    /// Correlation of two flowers of one cross.
    pub correlation: f64,
    /// What it rests on, in words.
    pub basis: String,
}

impl FruitSets {
    /// From the programme's crosses whose fruit was counted.
    pub fn of(crosses: &[CrossFruit]) -> Self {
        let mut by_kind: BTreeMap<Kind, BTreeMap<PlantId, Vec<Count>>> = BTreeMap::new();
        for cross in crosses {
            let (fruit, flowers) = (cross.fruit_n.max(0), cross.flowers_n.max(0));
            // More fruit than flowers is a wrong count somewhere, and no set.
            let Ok(count) = Count::new(fruit.unsigned_abs(), flowers.unsigned_abs()) else {
                continue;
            };
            by_kind
                .entry((cross.seed_species.clone(), cross.pollen_species.clone()))
                .or_default()
                .entry(cross.seed_parent_id)
                .or_default()
                .push(count);
        }
        let usual = Prior {
            mean_set: OutcrossRates::default().set_of_pollinated,
            worth_flowers_n: USUAL_SET_FLOWERS,
        };
        let counts: Vec<Vec<Vec<Count>>> = by_kind
            .values()
            .map(|parents| parents.values().cloned().collect())
            .collect();
        let pooled = Pooled::of(usual, &counts).expect("the usual set is a share above 0");
        let kinds = by_kind
            .into_iter()
            .map(|(kind, parents)| (kind, parents.into_keys().collect()))
            .collect();
        Self {
            kinds,
            counts,
            pooled,
        }
    }

    /// What is expected of a seed parent with pollen of a species.
    pub fn expect(&self, seed_parent: PlantId, species: &str, pollen_species: &str) -> ExpectedSet {
        let kind = self
            .kinds
            .iter()
            .position(|((seed, pollen), _)| seed == species && pollen == pollen_species);
        let parent = kind.and_then(|kind| {
            let parents = &self.kinds[kind].1;
            parents.iter().position(|parent| *parent == seed_parent)
        });
        let mut prior = self.pooled.expect(kind, parent);
        let bounds = middle(prior, MIDDLE);
        prior.mean_set = prior.mean_set.clamp(BOUNDS.0, BOUNDS.1);
        ExpectedSet {
            prior,
            low: bounds.low,
            high: bounds.high,
            correlation: self.pooled.correlation(),
            basis: self.basis(kind, parent, species, pollen_species),
        }
    }

    fn basis(
        &self,
        kind: Option<usize>,
        parent: Option<usize>,
        species: &str,
        pollen_species: &str,
    ) -> String {
        let usual = OutcrossRates::default().set_of_pollinated * 100.0;
        let told = |counts: &[Count]| {
            Count::total(counts).map_or_else(String::new, |all| {
                format!(
                    "{} fruits from {} flowers ({:.1} %)",
                    all.events_n(),
                    all.trials_n(),
                    all.proportion() * 100.0
                )
            })
        };
        let all_kinds: Vec<Count> = self.counts.iter().flatten().flatten().copied().collect();
        let of_usual = format!("a usual {usual:.0} %");
        let Some(kind) = kind else {
            return if all_kinds.is_empty() {
                format!("{of_usual}, since no fruit was counted yet")
            } else {
                format!(
                    "no fruit was counted on {species} with pollen of {pollen_species} yet; leans on other kinds of cross, {}, and on {of_usual}",
                    told(&all_kinds)
                )
            };
        };
        let of_kind: Vec<Count> = self.counts[kind].iter().flatten().copied().collect();
        let parents_n = self.counts[kind].len();
        let of_parent = match parent {
            Some(parent) => format!("this seed parent: {}", told(&self.counts[kind][parent])),
            None => "no fruit was counted on this seed parent yet".to_owned(),
        };
        format!(
            "{of_parent}; {species} with pollen of {pollen_species}: {} on {parents_n} {}; the fewer flowers, the more it leans on its kind, other kinds and {of_usual}",
            told(&of_kind),
            if parents_n == 1 {
                "seed parent"
            } else {
                "seed parents"
            },
        )
    }
}

impl ExpectedSet {
    /// Fruits for each pollinated flower.
    pub fn mean(&self) -> f64 {
        self.prior.mean_set
    }

    /// Flowers that bring a number of fruits on average.
    pub fn flowers_for(&self, fruit_n: u32) -> u32 {
        (f64::from(fruit_n) / self.mean()).ceil() as u32
    }

    /// Flowers that bring a number of fruits with the probability [`SURE`], what is not known of the
    /// set being reckoned in; none where no reasonable number does.
    pub fn flowers_surely_for(&self, fruit_n: u32) -> Option<u32> {
        let standing = Standing {
            wanted_n: fruit_n.into(),
            ..self.standing()
        };
        let told = outlook(standing, self.prior, SURE).ok()?;
        u32::try_from(told.more_flowers_n?).ok()
    }

    /// A cross on which nothing was done yet.
    pub fn standing(&self) -> Standing {
        Standing {
            counted_flowers_n: 0,
            fruit_n: 0,
            pending_flowers_n: 0,
            wanted_n: 0,
            correlation_within_pass: self.correlation,
            flowers_per_pass_n: FLOWERS_PER_PASS,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use platform::ids::Id;

    fn cross(parent: PlantId, pollen: &str, fruit_n: i64, flowers_n: i64) -> CrossFruit {
        CrossFruit {
            cross_id: Id::from_uuid(uuid::Uuid::now_v7()),
            seed_parent_id: parent,
            seed_species: "Prunus persica".into(),
            pollen_species: pollen.into(),
            fruit_n,
            flowers_n,
        }
    }

    #[test]
    fn flowers_wanted_follow_the_kind_of_cross() {
        let [own, other] = [0, 1].map(|_| Id::from_uuid(uuid::Uuid::now_v7()));
        let crosses = [
            cross(own, "Prunus persica", 152, 1000),
            cross(other, "Prunus persica", 148, 1000),
            cross(own, "Prunus dulcis", 69, 1000),
            cross(other, "Prunus dulcis", 66, 1000),
            // A slip of the pen: more fruit than flowers.
            cross(other, "Prunus dulcis", 70, 7),
        ];
        let sets = FruitSets::of(&crosses);
        let told = |pollen| sets.expect(own, "Prunus persica", pollen);
        let (within, wide) = (told("Prunus persica"), told("Prunus dulcis"));
        assert!((0.13..0.17).contains(&within.mean()), "{within:?}");
        assert!((0.06..0.09).contains(&wide.mean()), "{wide:?}");
        assert!(wide.flowers_for(100) > within.flowers_for(100) * 3 / 2);
        assert!(within.low < within.mean() && within.mean() < within.high);
        let surely = within.flowers_surely_for(100).unwrap();
        assert!(surely > within.flowers_for(100), "{surely}");
        assert!(
            within
                .basis
                .contains("300 fruits from 2000 flowers (15.0 %)"),
            "{}",
            within.basis
        );
    }

    #[test]
    fn a_kind_without_counts_says_so() {
        let plant = Id::from_uuid(uuid::Uuid::now_v7());
        let nothing = FruitSets::of(&[]).expect(plant, "Prunus avium", "Prunus avium");
        assert_eq!(nothing.flowers_for(100), 500);
        assert!(nothing.basis.contains("since no fruit was counted yet"));
        let other = FruitSets::of(&[cross(plant, "Prunus persica", 10, 100)]);
        let told = other.expect(plant, "Prunus avium", "Prunus avium");
        assert!(
            told.basis.contains("leans on other kinds"),
            "{}",
            told.basis
        );
    }
}
