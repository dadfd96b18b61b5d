//! The share of wanted seedlings over several loci, linked or not.

use serde::Serialize;

use crate::catalogue::{LinkedPair, linked_pairs};
use crate::mendel::{
    Genotype, GenotypeError, LinkedCross, LinkedGenotype, LocusCross, Phase, unlinked_share,
};
use crate::share::Share;
use crate::species::Species;

/// How the alleles of two linked loci lie in the parents, as far as known. A phase matters only
/// for a parent that is heterozygous at both loci.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownPhase {
    /// The loci by id, as in the crosses.
    pub loci: [String; 2],
    /// In the mother.
    pub seed_parent: Option<Phase>,
    /// In the father.
    pub pollen_parent: Option<Phase>,
}

/// Share of the seedlings that are wanted at every locus.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WantedShare {
    /// The exact share; `None` when linked loci make it depend on phases or recombination that are
    /// not known.
    pub exact: Option<Share>,
    /// The least it can be.
    pub lowest: f64,
    /// The most it can be.
    pub highest: f64,
    /// What it would be if all loci were unlinked.
    pub if_unlinked: Share,
    /// Linked loci among those asked for, which is why the share may not be known.
    pub linked: Vec<LinkedPair>,
}

/// What is known of one linkage group.
struct Bounds {
    exact: Option<Share>,
    lowest: f64,
    highest: f64,
}

/// Share of the seedlings wanted at every locus, with linkage as published for the species.
///
/// Two linked loci with a published recombination fraction are worked through in the phases given,
/// or in every phase possible. Other linked loci are bounded by what any dependence allows: at
/// least Σ shares − (loci − 1), at most the smallest share (Fréchet 1935, from memory).
///
/// # Errors
/// A locus given twice, or a share that is too fine to be held exactly.
pub fn wanted_share(
    species: Species,
    crosses: &[LocusCross],
    phases: &[KnownPhase],
) -> Result<WantedShare, GenotypeError> {
    let linked = linked_pairs(species, crosses);
    let mut exact = Some(Share::ONE);
    let (mut lowest, mut highest) = (1.0, 1.0);
    for group in groups(species, crosses, &linked) {
        let bounds = bounds_of(&group, &linked, phases, species)?;
        exact = match (exact, bounds.exact) {
            (Some(x), Some(y)) => Some(x.times(y)?),
            _ => None,
        };
        lowest *= bounds.lowest;
        highest *= bounds.highest;
    }
    Ok(WantedShare {
        exact,
        lowest,
        highest,
        if_unlinked: unlinked_share(crosses)?,
        linked,
    })
}

fn catalogued(species: Species, name: &str) -> &str {
    crate::catalogue::find(species, name).map_or(name, |locus| locus.id)
}

/// The loci by linkage group: those joined by pairs stand together, in the order given.
fn groups<'a>(
    species: Species,
    crosses: &'a [LocusCross],
    linked: &[LinkedPair],
) -> Vec<Vec<&'a LocusCross>> {
    let mut groups: Vec<Vec<&LocusCross>> = Vec::new();
    for cross in crosses {
        let id = catalogued(species, &cross.locus);
        let joins = |member: &&LocusCross| {
            let other = catalogued(species, &member.locus);
            linked.iter().any(|pair| {
                let [x, y] = &pair.loci;
                (x == id && y == other) || (x == other && y == id)
            })
        };
        let (joined, apart): (Vec<_>, Vec<_>) = groups
            .into_iter()
            .partition(|group| group.iter().any(joins));
        let mut together: Vec<&LocusCross> = joined.into_iter().flatten().collect();
        together.push(cross);
        groups = apart;
        groups.push(together);
    }
    groups
}

fn bounds_of(
    group: &[&LocusCross],
    linked: &[LinkedPair],
    phases: &[KnownPhase],
    species: Species,
) -> Result<Bounds, GenotypeError> {
    if let [alone] = group {
        let share = alone.share();
        return Ok(Bounds {
            exact: Some(share),
            lowest: share.value(),
            highest: share.value(),
        });
    }
    if let [x, y] = group {
        let ids = [x, y].map(|cross| catalogued(species, &cross.locus));
        let same = |loci: &[String; 2]| {
            let named = [&loci[0], &loci[1]].map(|name| catalogued(species, name));
            named == ids || named == [ids[1], ids[0]]
        };
        let published = linked
            .iter()
            .find(|pair| same(&pair.loci))
            .and_then(|p| p.recombination);
        if let Some(r) = published {
            let known = phases.iter().find(|phase| same(&phase.loci));
            return bounds_of_two(x, y, Share::from_decimal(r)?, known);
        }
    }
    let shares = group.iter().map(|cross| cross.share().value());
    let missing: f64 = shares.clone().map(|share| 1.0 - share).sum();
    let highest = shares.fold(1.0, f64::min);
    Ok(Bounds {
        exact: None,
        lowest: (1.0 - missing).clamp(0.0, highest),
        highest,
    })
}

fn bounds_of_two(
    x: &LocusCross,
    y: &LocusCross,
    recombination: Share,
    known: Option<&KnownPhase>,
) -> Result<Bounds, GenotypeError> {
    let possible = |x: &Genotype, y: &Genotype, known: Option<Phase>| match known {
        _ if x.is_homozygous() || y.is_homozygous() => vec![Phase::Coupling],
        Some(phase) => vec![phase],
        None => vec![Phase::Coupling, Phase::Repulsion],
    };
    let of_mother = possible(
        &x.seed_parent,
        &y.seed_parent,
        known.and_then(|k| k.seed_parent),
    );
    let of_father = possible(
        &x.pollen_parent,
        &y.pollen_parent,
        known.and_then(|k| k.pollen_parent),
    );
    let mut shares = Vec::new();
    for &mother in &of_mother {
        for &father in &of_father {
            let cross = LinkedCross {
                recombination: vec![recombination],
                seed_parent: LinkedGenotype::of_two(&x.seed_parent, &y.seed_parent, mother),
                pollen_parent: LinkedGenotype::of_two(&x.pollen_parent, &y.pollen_parent, father),
                wanted: vec![x.wanted.clone(), y.wanted.clone()],
            };
            let nothing_wanted = x.wanted.is_empty() || y.wanted.is_empty();
            shares.push(if nothing_wanted {
                Share::ZERO
            } else {
                cross.share()?
            });
        }
    }
    let values = || shares.iter().map(|share| share.value());
    Ok(Bounds {
        exact: shares
            .first()
            .copied()
            .filter(|first| shares.iter().all(|share| share == first)),
        lowest: values().fold(1.0, f64::min),
        highest: values().fold(0.0, f64::max),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cross(locus: &str, x: &str, y: &str, wanted: &str) -> LocusCross {
        LocusCross::parse(locus, x, y, [wanted]).expect("a cross")
    }

    fn wanted(crosses: &[LocusCross], phases: &[KnownPhase]) -> WantedShare {
        wanted_share(Species::Persica, crosses, phases).expect("a share")
    }

    #[test]
    fn unlinked_loci_are_multiplied() {
        let share = wanted(
            &[cross("G", "Gg", "Gg", "gg"), cross("Y", "Yy", "yy", "yy")],
            &[],
        );
        assert_eq!(share.exact, Share::new(1, 8).ok());
        assert_eq!(
            (share.lowest, share.highest, share.linked.len()),
            (0.125, 0.125, 0)
        );
    }

    #[test]
    fn phases_decide_over_linked_loci() {
        let crosses = [
            cross("G", "Gg", "Gg", "gg"),
            cross("Sk", "Sksk", "Sksk", "sksk"),
        ];
        let open = wanted(&crosses, &[]);
        assert_eq!(
            (open.exact, open.lowest, open.highest),
            (None, 0.0036, 0.1936)
        );
        assert_eq!(open.if_unlinked, Share::new(1, 16).unwrap());
        let phase = KnownPhase {
            loci: ["Sk".to_owned(), "G".to_owned()],
            seed_parent: Some(Phase::Coupling),
            pollen_parent: Some(Phase::Coupling),
        };
        assert_eq!(
            wanted(&crosses, &[phase]).exact.map(Share::value),
            Some(0.1936)
        );
    }

    #[test]
    fn linked_loci_without_a_fraction_are_bounded() {
        let crosses = [
            cross("G", "Gg", "Gg", "gg"),
            cross("Y", "Yy", "Yy", "yy"),
            cross("D", "Dd", "Dd", "D_"),
        ];
        let share = wanted(&crosses, &[]);
        assert_eq!(
            (share.exact, share.lowest, share.highest),
            (None, 0.0, 0.0625)
        );
        assert_eq!(share.linked.len(), 1);
        // A homozygous locus does not segregate, so linkage does not matter.
        let fixed = [cross("G", "Gg", "Gg", "gg"), cross("D", "dd", "dd", "dd")];
        assert_eq!(wanted(&fixed, &[]).exact, Share::new(1, 4).ok());
    }

    #[test]
    fn a_locus_is_asked_for_once() {
        let twice = [cross("G", "Gg", "Gg", "gg"), cross("G", "Gg", "Gg", "Gg")];
        let error = wanted_share(Species::Persica, &twice, &[]).unwrap_err();
        assert_eq!(error, GenotypeError::RepeatedLocus("G".to_owned()));
    }
}
