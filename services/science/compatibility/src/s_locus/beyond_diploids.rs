//! Pollen beyond the diploids of one species: sour cherry and European plum, crosses of ploidies, peach
//! with almond, triploids.
//!
//! A grain of a tetraploid carries two S alleles, one of a hexaploid three. In sour cherry it is stopped
//! when any of its alleles that pollen can show stands in the pistil and works there; it passes only
//! if none does, so that a plant needs two alleles that do not work to accept its own pollen (the
//! one-allele-match model: Hauck, Yamane, Tao and Iezzoni 2006, from memory). In other polyploids the
//! same is expected, not shown. Which chromosomes pair is not known of a plant: shares are those of
//! pairing at random, with the bounds over every way in which they could pair for good.

use std::collections::BTreeMap;

use super::{Compatibility, Note, PollenIdentity, SAllele, SGenotype, Verdict, names_alleles_as};
use crate::share::Share;
use crate::species::{Species, Taxon};

/// Genotypes of seedlings that are told; more are no help to anyone.
const MOST_PROGENY: usize = 60;

/// What S alleles say of a cross that the rule for diploids of one species does not cover; none where
/// it does, or where nothing is known.
pub(super) fn judge(seed_parent: &SGenotype, pollen_parent: &SGenotype) -> Option<Compatibility> {
    let (mother, father) = (seed_parent.taxon(), pollen_parent.taxon());
    if sets(father).is_some_and(|sets| sets % 2 == 1) {
        return Some(Compatibility::unknown(vec![Note::OddPollenParent(
            father.to_string(),
        )]));
    }
    let together = names_of(mother)
        .zip(names_of(father))
        .is_some_and(|(hers, his)| hers == his);
    let polyploid = [mother, father]
        .iter()
        .any(|taxon| sets(taxon).is_some_and(|sets| sets > 2));
    if polyploid && together {
        return Some(of_grains(
            seed_parent,
            pollen_parent,
            polyploid_notes(mother, father),
        ));
    }
    if !together && is_never_rejected(pollen_parent) {
        return Some(accepted_whole(pollen_parent));
    }
    let of_peach_and_almond = |taxon: &Taxon| {
        taxon
            .all_species()
            .iter()
            .all(|species| matches!(species, Species::Persica | Species::Dulcis))
    };
    if !together && of_peach_and_almond(mother) && of_peach_and_almond(father) {
        return peach_with_almond(seed_parent, pollen_parent);
    }
    None
}

/// Species among which allele names are the same allele; none for hybrids between them.
fn names_of(taxon: &Taxon) -> Option<Species> {
    let mut all = taxon.all_species().into_iter().map(names_alleles_as);
    let first = all.next()?;
    all.all(|names| names == first).then_some(first)
}

fn sets(taxon: &Taxon) -> Option<u16> {
    taxon
        .expected_chromosomes()
        .map(|chromosomes| chromosomes / 8)
}

/// Whether all alleles are known.
fn is_complete(plant: &SGenotype) -> bool {
    sets(plant.taxon()).is_some_and(|sets| plant.alleles.len() == usize::from(sets))
}

/// Whether no pistil ever stops its pollen.
fn is_never_rejected(plant: &SGenotype) -> bool {
    let peach = plant
        .taxon()
        .species()
        .is_some_and(Species::is_self_compatible);
    let mutants = |allele: &SAllele| allele.pollen == PollenIdentity::NeverRejected;
    // A name says nothing where it could be an allele of either species.
    let is_named = plant.named_apart || names_of(plant.taxon()).is_some();
    peach || (is_named && is_complete(plant) && plant.alleles.iter().all(mutants))
}

fn accepted_whole(pollen_parent: &SGenotype) -> Compatibility {
    Compatibility {
        verdict: Verdict::Full,
        accepted_pollen: Some(Share::ONE),
        compatible_alleles: pollen_parent.distinct_labels(|_| true),
        progeny: Vec::new(),
        notes: vec![Note::PollenNeverRejected(pollen_parent.taxon().to_string())],
    }
}

/// Almond pollen on peach, and with their hybrids, whose alleles must be named apart.
fn peach_with_almond(seed_parent: &SGenotype, pollen_parent: &SGenotype) -> Option<Compatibility> {
    let apart = |plant: &SGenotype| plant.taxon().species().is_some() || plant.named_apart;
    if !apart(seed_parent) || !apart(pollen_parent) {
        return None;
    }
    if seed_parent.taxon().species() == Some(Species::Persica) {
        // No almond allele is known that peach stops, so which it is does not matter.
        return Some(Compatibility {
            verdict: Verdict::Full,
            accepted_pollen: Some(Share::ONE),
            compatible_alleles: pollen_parent.distinct_labels(|_| true),
            progeny: Vec::new(),
            notes: vec![Note::PeachAndAlmond],
        });
    }
    let mut told = of_grains(seed_parent, pollen_parent, vec![Note::PeachAndAlmond]);
    // Names of two species in one piece could not be read again.
    told.progeny.clear();
    Some(told)
}

fn polyploid_notes(mother: &Taxon, father: &Taxon) -> Vec<Note> {
    let mut notes = Vec::new();
    if names_of(mother) == Some(Species::Avium) {
        notes.push(Note::OneAlleleMatch);
    } else {
        notes.push(Note::OneAlleleMatchExpected);
    }
    if sets(mother).is_some_and(|sets| sets % 2 == 1) {
        notes.push(Note::OddSeedParent(mother.to_string()));
    }
    if mother != father && sets(mother) != sets(father) {
        notes.push(Note::PloidiesDiffer);
    }
    notes
}

/// Which grains pass, grain by grain.
fn of_grains(
    seed_parent: &SGenotype,
    pollen_parent: &SGenotype,
    mut notes: Vec<Note>,
) -> Compatibility {
    for (parent, role) in [
        (seed_parent, "seed parent"),
        (pollen_parent, "pollen parent"),
    ] {
        if !is_complete(parent) {
            notes.push(Note::AllelesMissing(role.to_owned()));
        }
    }
    if !is_complete(pollen_parent) {
        return Compatibility::unknown(notes);
    }
    let alleles: Vec<&SAllele> = pollen_parent.alleles.iter().collect();
    let half = alleles.len() / 2;
    let grains = subsets(alleles.len(), half);
    let passes = |grain: &[usize]| {
        grain
            .iter()
            .all(|place| seed_parent.accepts(alleles[*place], false))
    };
    let accepted: Vec<&Vec<usize>> = grains.iter().filter(|grain| passes(grain)).collect();
    let share_of = |n: usize, all: usize| Share::new(n as u128, all as u128).unwrap_or(Share::ZERO);
    let share = share_of(accepted.len(), grains.len());
    if !is_complete(seed_parent) && !share.is_zero() {
        if share != Share::ONE {
            notes.push(Note::AtMostAccepted(share));
        }
        return Compatibility::unknown(notes);
    }
    let verdict = match share {
        Share::ZERO => Verdict::None,
        Share::ONE => Verdict::Full,
        _ => Verdict::Half,
    };
    if verdict == Verdict::None {
        notes.push(Note::FruitMeansContamination);
    }
    if verdict == Verdict::Half {
        let of_pairings = pairings(&(0..alleles.len()).collect::<Vec<_>>());
        let shares: Vec<Share> = of_pairings
            .iter()
            .map(|pairs| {
                let grains = one_of_each(pairs);
                share_of(grains.iter().filter(|g| passes(g)).count(), grains.len())
            })
            .collect();
        let by_value = |a: &&Share, b: &&Share| a.value().total_cmp(&b.value());
        if let (Some(low), Some(high)) = (
            shares.iter().min_by(by_value),
            shares.iter().max_by(by_value),
        ) && low != high
        {
            notes.push(Note::PairingMatters(*low, *high));
        }
    }
    let mut labels: Vec<String> = alleles
        .iter()
        .enumerate()
        .filter(|(place, _)| accepted.iter().any(|grain| grain.contains(place)))
        .map(|(_, allele)| allele.label.clone())
        .collect();
    labels.dedup();
    Compatibility {
        verdict,
        accepted_pollen: Some(share),
        compatible_alleles: labels,
        progeny: progeny(seed_parent, &alleles, &accepted),
        notes,
    }
}

/// Genotypes of the seedlings, eggs being made at random too; none where they would be very many or
/// the seed parent's gametes are not balanced.
fn progeny(
    seed_parent: &SGenotype,
    alleles: &[&SAllele],
    accepted: &[&Vec<usize>],
) -> Vec<(String, Share)> {
    let hers: Vec<&SAllele> = seed_parent.alleles.iter().collect();
    if hers.len() % 2 == 1 || accepted.is_empty() {
        return Vec::new();
    }
    let eggs = subsets(hers.len(), hers.len() / 2);
    let mut counts: BTreeMap<Vec<&SAllele>, u128> = BTreeMap::new();
    for egg in &eggs {
        for grain in accepted {
            let mut genotype: Vec<&SAllele> = egg.iter().map(|place| hers[*place]).collect();
            genotype.extend(grain.iter().map(|place| alleles[*place]));
            genotype.sort();
            *counts.entry(genotype).or_insert(0) += 1;
        }
    }
    if counts.len() > MOST_PROGENY {
        return Vec::new();
    }
    let all = (eggs.len() * accepted.len()) as u128;
    counts
        .into_iter()
        .map(|(genotype, n)| {
            let name = genotype.iter().map(|allele| allele.label()).collect();
            (name, Share::new(n, all).unwrap_or(Share::ZERO))
        })
        .collect()
}

/// Every choice of `k` of the numbers below `n`.
fn subsets(n: usize, k: usize) -> Vec<Vec<usize>> {
    (0..1u32 << n)
        .filter(|bits| bits.count_ones() as usize == k)
        .map(|bits| (0..n).filter(|place| bits >> place & 1 == 1).collect())
        .collect()
}

/// Every way of putting places into pairs.
fn pairings(places: &[usize]) -> Vec<Vec<(usize, usize)>> {
    let [first, rest @ ..] = places else {
        return vec![Vec::new()];
    };
    (0..rest.len())
        .flat_map(|partner| {
            let mut left = rest.to_vec();
            let other = left.remove(partner);
            pairings(&left).into_iter().map(move |mut pairs| {
                pairs.push((*first, other));
                pairs
            })
        })
        .collect()
}

/// Every choice of one place from each pair.
fn one_of_each(pairs: &[(usize, usize)]) -> Vec<Vec<usize>> {
    (0..1u32 << pairs.len())
        .map(|bits| {
            pairs
                .iter()
                .enumerate()
                .map(|(place, (a, b))| if bits >> place & 1 == 0 { *a } else { *b })
                .collect()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::{SelfCompatibility, judge, self_compatibility};
    use super::*;

    fn sour(genotype: &str) -> SGenotype {
        SGenotype::parse(Species::Cerasus, genotype).expect("a genotype")
    }

    fn share(n: u128, of: u128) -> Share {
        Share::new(n, of).expect("a share")
    }

    #[test]
    fn two_alleles_that_do_not_work_make_sour_cherry_self_compatible() {
        // None, one and two that do not work.
        for (genotype, expected) in [
            ("S1S4S6S9", SelfCompatibility::No),
            ("S1S4S6S13'", SelfCompatibility::No),
            ("S4S6mS35S36a", SelfCompatibility::Yes),
            ("S6S13mS35S36a", SelfCompatibility::Yes),
            ("S1'S4S35S36b", SelfCompatibility::Yes),
        ] {
            assert_eq!(self_compatibility(&sour(genotype)), expected, "{genotype}");
        }
        let own = judge(&sour("S6S13mS35S36a"), &sour("S6S13mS35S36a"));
        assert_eq!(own.accepted_pollen, Some(share(1, 6)));
        assert_eq!(own.compatible_alleles, ["S13m", "S36a"]);
        // Either the two are partners, and no grain holds both, or a quarter of the grains does.
        assert!(
            own.notes
                .contains(&Note::PairingMatters(Share::ZERO, share(1, 4)))
        );
        let sum: f64 = own.progeny.iter().map(|(_, share)| share.value()).sum();
        assert!((sum - 1.0).abs() < 1e-12);
    }

    #[test]
    fn one_allele_that_matches_stops_a_grain_of_two() {
        let sweet = SGenotype::parse(Species::Avium, "S1S9").unwrap();
        // Of the six pairs of S4, S6, S9 and S26, three hold S9.
        let cross = judge(&sweet, &sour("S4S6S9S26"));
        assert_eq!(
            (cross.verdict, cross.accepted_pollen),
            (Verdict::Half, Some(Share::HALF))
        );
        assert!(cross.notes.contains(&Note::PloidiesDiffer));
        // The other way round a grain of one allele meets four.
        let back = judge(&sour("S4S6S9S26"), &sweet);
        assert_eq!(back.compatible_alleles, ["S1"]);
        assert_eq!(back.accepted_pollen, Some(Share::HALF));
        // What is known of the pistil may be enough to say that nothing passes.
        let part = SGenotype::from_names(Species::Cerasus, ["S1", "S9"]).unwrap();
        assert_eq!(judge(&part, &sweet).verdict, Verdict::None);
        let other = SGenotype::parse(Species::Avium, "S1S3").unwrap();
        let open = judge(&part, &other);
        assert_eq!(open.verdict, Verdict::Unknown);
        assert!(open.notes.contains(&Note::AtMostAccepted(Share::HALF)));
    }

    #[test]
    fn european_plum_is_expected_to_follow() {
        let plum = |names: &[&str]| SGenotype::from_names(Species::Domestica, names).unwrap();
        let mother = plum(&["S1", "S2", "S3", "S4", "S5", "S6"]);
        let stranger = plum(&["S7", "S8", "S9", "S10", "S11", "S12"]);
        let told = judge(&mother, &stranger);
        assert_eq!(told.verdict, Verdict::Full);
        assert!(told.notes.contains(&Note::OneAlleleMatchExpected));
        assert_eq!(self_compatibility(&mother), SelfCompatibility::No);
        let mutant = plum(&["S1'", "S2'", "S3'", "S4", "S5", "S6"]);
        assert_eq!(self_compatibility(&mutant), SelfCompatibility::Expected);
        let own = judge(&mutant, &mutant);
        assert_eq!(own.accepted_pollen, Some(share(1, 20)));
    }

    #[test]
    fn peach_and_almond_both_ways() {
        let peach = SGenotype::from_names(Species::Persica, [] as [&str; 0]).unwrap();
        let almond = SGenotype::parse(Species::Dulcis, "S7S8").unwrap();
        let onto_almond = judge(&almond, &peach);
        assert_eq!(onto_almond.verdict, Verdict::Full);
        let onto_peach = judge(&peach, &almond);
        assert_eq!(onto_peach.verdict, Verdict::Full);
        assert!(onto_peach.notes.contains(&Note::PeachAndAlmond));
        // A hybrid brings one allele of each: half of its pollen shows the almond's.
        let taxon: Taxon = "Prunus persica × Prunus dulcis".parse().unwrap();
        let hybrid = SGenotype::from_names(taxon.clone(), ["persica:S2", "dulcis:S7"]).unwrap();
        let back = judge(&almond, &hybrid);
        assert_eq!(back.accepted_pollen, Some(Share::HALF), "{back:?}");
        let other = SGenotype::parse(Species::Dulcis, "S1S5").unwrap();
        assert_eq!(judge(&other, &hybrid).verdict, Verdict::Full);
        // Alleles that are not named apart say nothing.
        let bare = SGenotype::from_names(taxon, ["S2", "S7"]).unwrap();
        assert_eq!(judge(&almond, &bare).verdict, Verdict::Unknown);
    }

    #[test]
    fn triploids_give_no_pollen_to_reckon_with() {
        let taxon: Taxon = "Prunus avium × Prunus cerasus".parse().unwrap();
        let triploid = SGenotype::from_names(taxon, ["S1", "S4", "S6"]).unwrap();
        let sweet = SGenotype::parse(Species::Avium, "S3S4").unwrap();
        let given = judge(&sweet, &triploid);
        assert_eq!(given.verdict, Verdict::Unknown);
        assert!(matches!(given.notes[0], Note::OddPollenParent(_)));
        // Its pistil still stops what it knows.
        let taken = judge(&triploid, &sweet);
        assert_eq!(taken.compatible_alleles, ["S3"]);
        assert!(taken.progeny.is_empty());
    }
}
