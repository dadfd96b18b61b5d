use serde::Serialize;

use crate::species::{Branch, Evidence, Species, Taxon, expected_offspring};

/// How likely a cross between two taxa is to give seedlings. Advice only: no cross is forbidden.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CrossabilityGrade {
    /// Seedlings are to be expected.
    Expected,
    /// Few seedlings; many flowers, and often embryo rescue, are needed.
    Difficult,
    /// No such cross is known to have worked, except by a bridge species.
    NotKnownToWork,
}

/// Advice on a cross between two taxa.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Crossability {
    /// The grade.
    pub grade: CrossabilityGrade,
    /// What is known of it.
    pub remark: &'static str,
    /// How it is known.
    pub evidence: Evidence,
    /// What the sum of reduced gametes gives, if it can be foretold.
    pub offspring: Option<crate::species::ExpectedOffspring>,
}

type Pair = (CrossabilityGrade, &'static str, Evidence);
type Known = (Species, Species, CrossabilityGrade, &'static str, Evidence);

/// Pairs of which something is known, in either direction.
const KNOWN_PAIRS: &[Known] = {
    use CrossabilityGrade::{Difficult, Expected, NotKnownToWork};
    use Evidence::{FromMemory, Read};
    use Species::*;
    &[
        (
            Persica,
            Dulcis,
            Expected,
            "easy both ways; fertile, used as rootstocks",
            FromMemory,
        ),
        (
            Persica,
            Davidiana,
            Expected,
            "used for resistances and rootstocks",
            FromMemory,
        ),
        (
            Salicina,
            Cerasifera,
            Expected,
            "possible; set depends more on the plum seed parent",
            Read,
        ),
        (
            Salicina,
            Armeniaca,
            Difficult,
            "possible; set depends more on the plum seed parent than on the apricot, and many fruits \
             hold undeveloped seeds",
            Read,
        ),
        (
            Cerasifera,
            Armeniaca,
            Difficult,
            "possible; many undeveloped seeds",
            Read,
        ),
        (
            Armeniaca,
            Mume,
            Difficult,
            "seedlings are known; set is low",
            FromMemory,
        ),
        (
            Salicina,
            Persica,
            Difficult,
            "rare; embryo rescue, often sterile",
            FromMemory,
        ),
        (
            Persica,
            Armeniaca,
            Difficult,
            "rare; embryo rescue, often sterile",
            FromMemory,
        ),
        (
            Domestica,
            Persica,
            Difficult,
            "rare; embryo rescue, often sterile",
            FromMemory,
        ),
        (
            Domestica,
            Insititia,
            Expected,
            "both hexaploid, fertile",
            FromMemory,
        ),
        (
            Domestica,
            Salicina,
            Difficult,
            "fertile hybrids are hard to get",
            Read,
        ),
        (
            Domestica,
            Cerasifera,
            Difficult,
            "fertile hybrids are hard to get",
            Read,
        ),
        (
            Domestica,
            Armeniaca,
            Difficult,
            "fertile hybrids are hard to get",
            Read,
        ),
        (
            Domestica,
            Spinosa,
            Difficult,
            "pentaploid seedlings, of low fertility",
            FromMemory,
        ),
        (
            Avium,
            Cerasus,
            Difficult,
            "possible; triploid seedlings, mostly sterile",
            FromMemory,
        ),
        (
            Avium,
            Gondouinii,
            Difficult,
            "possible; triploid seedlings, mostly sterile",
            FromMemory,
        ),
        (Cerasus, Gondouinii, Expected, "both tetraploid", FromMemory),
        (
            Cerasus,
            Fruticosa,
            Expected,
            "both tetraploid; crosses arise in the wild",
            FromMemory,
        ),
        (
            Avium,
            Pseudocerasus,
            Difficult,
            "possible; triploid, used as rootstocks",
            FromMemory,
        ),
        (
            Avium,
            Mahaleb,
            Difficult,
            "rare; used as rootstocks",
            FromMemory,
        ),
        (
            Avium,
            Persica,
            NotKnownToWork,
            "practically none; needs a bridge species",
            FromMemory,
        ),
        (
            Avium,
            Salicina,
            NotKnownToWork,
            "practically none; needs a bridge species",
            FromMemory,
        ),
        (
            Avium,
            Armeniaca,
            NotKnownToWork,
            "practically none; needs a bridge species",
            FromMemory,
        ),
    ]
};

/// Advice on crossing two taxa. For hybrids the most promising pair of their species is taken, and
/// graded difficult at best unless every pair is expected to work.
pub fn crossability(seed_parent: &Taxon, pollen_parent: &Taxon) -> Crossability {
    let pairs: Vec<Pair> = seed_parent
        .all_species()
        .into_iter()
        .flat_map(|x| {
            pollen_parent
                .all_species()
                .into_iter()
                .map(move |y| of_species(x, y))
        })
        .collect();
    let unknown = (
        CrossabilityGrade::NotKnownToWork,
        "nothing is known of it",
        Evidence::FromMemory,
    );
    let best = pairs
        .iter()
        .min_by_key(|pair| pair.0)
        .copied()
        .unwrap_or(unknown);
    let worst = pairs
        .iter()
        .max_by_key(|pair| pair.0)
        .copied()
        .unwrap_or(unknown);
    let (grade, remark, evidence) = match (best.0, worst.0) {
        (CrossabilityGrade::Expected, CrossabilityGrade::Expected) => best,
        (CrossabilityGrade::Expected, _) => (
            CrossabilityGrade::Difficult,
            "one side of the hybrid is close to the other parent, the other is not",
            Evidence::FromMemory,
        ),
        _ => best,
    };
    Crossability {
        grade,
        remark,
        evidence,
        offspring: expected_offspring(seed_parent, pollen_parent),
    }
}

fn of_species(x: Species, y: Species) -> Pair {
    if x == y {
        return (
            CrossabilityGrade::Expected,
            "within the species",
            Evidence::Read,
        );
    }
    let known = KNOWN_PAIRS
        .iter()
        .find(|(a, b, ..)| (*a, *b) == (x, y) || (*a, *b) == (y, x));
    if let Some(&(_, _, grade, remark, evidence)) = known {
        return (grade, remark, evidence);
    }
    match (x.branch(), y.branch()) {
        (Branch::Cherries, Branch::Cherries) => (
            CrossabilityGrade::Difficult,
            "both are cherries; set is uncertain",
            Evidence::FromMemory,
        ),
        (Branch::Cherries, _) | (_, Branch::Cherries) => (
            CrossabilityGrade::NotKnownToWork,
            "cherries and other stone fruits practically do not cross; needs a bridge species",
            Evidence::FromMemory,
        ),
        (a, b) if a == b => (
            CrossabilityGrade::Difficult,
            "related species; set is uncertain",
            Evidence::FromMemory,
        ),
        _ => (
            CrossabilityGrade::Difficult,
            "rare; embryo rescue, often sterile",
            Evidence::FromMemory,
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grade(x: &str, y: &str) -> CrossabilityGrade {
        crossability(&x.parse().unwrap(), &y.parse().unwrap()).grade
    }

    #[test]
    fn grades_follow_relationship() {
        use CrossabilityGrade::{Difficult, Expected, NotKnownToWork};
        assert_eq!(grade("P. dulcis", "P. persica"), Expected);
        assert_eq!(grade("P. salicina", "P. armeniaca"), Difficult);
        assert_eq!(grade("P. mume", "P. avium"), NotKnownToWork);
        assert_eq!(grade("P. avium", "P. avium"), Expected);
        assert_eq!(
            grade("P. salicina × P. armeniaca", "P. salicina"),
            Difficult
        );
        assert_eq!(grade("P. persica × P. dulcis", "P. persica"), Expected);
        for &x in Species::ALL {
            for &y in Species::ALL {
                assert_eq!(of_species(x, y), of_species(y, x));
            }
        }
    }
}
