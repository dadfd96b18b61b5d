//! What must hold for every genotype and every cross, tried on random ones.

use compatibility::{
    CrossConditions, Genotype, GenotypePattern, LinkedCross, LinkedGenotype, LocusCross,
    LocusEvidence, OutcrossDoubt, OutcrossRates, ParentageFinding, SGenotype, SeedlingCheck,
    SelfCompatibility, Share, Species, Survival, Verdict, chance_of, check_seedling, judge,
    plants_needed, plants_needed_for, segregation, self_compatibility, unlinked_share,
};
use proptest::prelude::*;

fn total(shares: impl IntoIterator<Item = Share>) -> Share {
    shares
        .into_iter()
        .try_fold(Share::ZERO, Share::plus)
        .expect("a share of a whole")
}

/// S genotypes with ordinary alleles, mutants of either part and modifiers outside the locus.
fn s_genotype() -> impl Strategy<Value = SGenotype> {
    let allele = || prop::sample::select(vec!["S1", "S2", "S8", "S9", "Sc", "S2'"]);
    (allele(), allele(), 0u8..=2).prop_map(|(x, y, modifier)| {
        let genotype = SGenotype::from_names(Species::Armeniaca, [x, y]).unwrap();
        genotype.with_pollen_modifier(modifier)
    })
}

fn ordinary() -> impl Strategy<Value = SGenotype> {
    (1u8..=6, 1u8..=6).prop_map(|(x, y)| {
        let names = [
            format!("S{x}"),
            format!("S{}", if x == y { y + 1 } else { y }),
        ];
        SGenotype::from_names(Species::Avium, names).unwrap()
    })
}

fn share() -> impl Strategy<Value = f64> {
    prop_oneof![
        0.0005f64..0.9995,
        (1u32..64).prop_map(|n| f64::from(n) / 64.0)
    ]
}

fn conditions() -> impl Strategy<Value = CrossConditions> {
    (
        1u32..2000,
        0u32..100,
        [
            0.0f64..=1.0,
            0.0f64..=1.0,
            0.0f64..=1.0,
            0.01f64..=1.0,
            0.01f64..=1.0,
        ],
    )
        .prop_map(
            |(pollinated_flowers_n, stray_open_flowers_left_n, shares)| {
                let [
                    late_flowers_stripped,
                    insects_kept_out,
                    self_fertility,
                    viability,
                    accepted,
                ] = shares;
                CrossConditions {
                    pollinated_flowers_n,
                    stray_open_flowers_left_n,
                    late_flowers_stripped,
                    insects_kept_out,
                    self_fertility,
                    pollen_viability: viability,
                    accepted_pollen: accepted,
                }
            },
        )
}

fn doubt(conditions: &CrossConditions) -> f64 {
    let doubt = conditions.doubt(&OutcrossRates::default()).unwrap();
    doubt.unwrap().probability()
}

proptest! {
    #[test]
    fn s_progeny_sums_to_one_and_agrees_with_the_verdict(mother in s_genotype(), father in s_genotype()) {
        let cross = judge(&mother, &father);
        let accepted = cross.accepted_pollen.unwrap();
        match cross.verdict {
            Verdict::Full => prop_assert_eq!(accepted, Share::ONE),
            Verdict::None => {
                prop_assert!(accepted.is_zero() && cross.progeny.is_empty());
                prop_assert!(cross.compatible_alleles.is_empty());
            }
            Verdict::Half => prop_assert!(!accepted.is_zero() && accepted != Share::ONE),
            Verdict::Unknown => prop_assert!(false, "both genotypes are complete"),
        }
        if cross.verdict != Verdict::None {
            prop_assert_eq!(total(cross.progeny.iter().map(|&(_, share)| share)), Share::ONE);
        }
    }

    #[test]
    fn every_expected_seedling_passes_its_pedigree_check(mother in s_genotype(), father in s_genotype()) {
        for (genotype, share) in judge(&mother, &father).progeny {
            let seedling = SGenotype::parse(Species::Armeniaca, &genotype).unwrap();
            prop_assert_eq!(check_seedling(&seedling, &mother, &father), SeedlingCheck::Possible { share });
        }
    }

    #[test]
    fn more_copies_of_a_modifier_never_accept_less(mother in s_genotype(), father in s_genotype()) {
        let accepted = |copies| {
            let father = father.clone().with_pollen_modifier(copies);
            judge(&mother, &father).accepted_pollen.unwrap().value()
        };
        prop_assert!(accepted(0) <= accepted(1) && accepted(1) <= accepted(2));
        prop_assert_eq!(accepted(2), 1.0);
    }

    #[test]
    fn among_ordinary_alleles_direction_changes_seedlings_only(x in ordinary(), y in ordinary()) {
        let (there, back) = (judge(&x, &y), judge(&y, &x));
        prop_assert_eq!(there.verdict, back.verdict);
        prop_assert_eq!(there.verdict == Verdict::None, x == y);
        prop_assert_eq!(self_compatibility(&x), SelfCompatibility::No);
    }

    #[test]
    fn segregation_sums_to_one(x in "[A-C][1-3]", y in "[A-C][1-3]", z in "[a-c]", w in "[a-c]") {
        let (mother, father) = (Genotype::new(x, y), Genotype::new(z, w));
        let expected = segregation(&mother, &father);
        prop_assert_eq!(total(expected.iter().map(|&(_, share)| share)), Share::ONE);
        for (genotype, _) in expected {
            prop_assert_eq!(Genotype::parse(&genotype.to_string()), Ok(genotype));
        }
    }

    #[test]
    fn gametes_of_linked_loci_sum_to_one(r in prop::collection::vec(0u32..=500, 0..5)) {
        let r: Vec<Share> = r.into_iter().map(|n| Share::new(n.into(), 1000).unwrap()).collect();
        let locus = |letter: char| (0..=r.len()).map(|i| format!("{letter}{i}")).collect::<Vec<_>>();
        let parent = LinkedGenotype { first: locus('A'), second: locus('a') };
        let gametes = parent.gametes(&r).unwrap();
        prop_assert_eq!(total(gametes.iter().map(|(_, share)| *share)), Share::ONE);
        // Each locus by itself still segregates one to one.
        for i in 0..=r.len() {
            let first = gametes.iter().filter(|(alleles, _)| alleles[i].starts_with('A'));
            prop_assert_eq!(total(first.map(|&(_, share)| share)), Share::HALF);
        }
    }

    #[test]
    fn loci_half_apart_are_unlinked(wanted in prop::collection::vec(0usize..3, 2..5)) {
        let patterns = ["XX", "Xx", "xx"].map(|text| GenotypePattern::parse(text).unwrap());
        let parent = LinkedGenotype {
            first: vec!["X".to_owned(); wanted.len()],
            second: vec!["x".to_owned(); wanted.len()],
        };
        let linked = LinkedCross {
            recombination: vec![Share::HALF; wanted.len() - 1],
            seed_parent: parent.clone(),
            pollen_parent: parent,
            wanted: wanted.iter().map(|&choice| vec![patterns[choice].clone()]).collect(),
        };
        let heterozygous = Genotype::parse("Xx").unwrap();
        let apart: Vec<LocusCross> = wanted
            .iter()
            .enumerate()
            .map(|(locus, &choice)| LocusCross {
                locus: locus.to_string(),
                seed_parent: heterozygous.clone(),
                pollen_parent: heterozygous.clone(),
                wanted: vec![patterns[choice].clone()],
            })
            .collect();
        prop_assert_eq!(linked.share().unwrap(), unlinked_share(&apart).unwrap());
    }

    #[test]
    fn plants_needed_are_enough_and_no_more(wanted in 1u64..12, share in share(), probability in 0.01f64..0.999) {
        let n = plants_needed_for(wanted, share, probability).unwrap().unwrap();
        let chance = |n: u64| chance_of(wanted, n, share).unwrap();
        prop_assert!(chance(n) >= probability - 1e-9);
        prop_assert!(n >= wanted);
        prop_assert!(n == wanted || chance(n - 1) < probability + 1e-9);
    }

    #[test]
    fn losses_by_chance_ask_for_more_than_their_mean(
        wanted in 1u64..40, share in 0.05f64..=1.0, probability in 0.6f64..0.99,
        set in 0.05f64..=1.0, seeds in 0.2f64..=2.0, germination in 0.2f64..=1.0, lives in 0.2f64..=1.0,
    ) {
        let survival = Survival { fruit_set: set, seeds_per_fruit: seeds, germination, survival: lives };
        let needed = survival.needed_for(wanted, share, probability).unwrap().unwrap();
        // On average at least the wanted plants must come, wherever one counts from.
        let of_seed = share * germination * lives;
        let slack = 1e-9 * wanted as f64;
        let comes = |n: u64, each: f64| n as f64 * each + 1.0 > wanted as f64 - slack;
        prop_assert!(comes(needed.plants_n, share) && comes(needed.seeds_n, of_seed));
        prop_assert!(comes(needed.fruits_n, of_seed * seeds) && comes(needed.flowers_n, of_seed * seeds * set));
        // Each loss takes more of what comes before it.
        prop_assert!(needed.plants_n <= needed.seeds_n && needed.fruits_n <= needed.flowers_n);
        // To be surer never takes fewer.
        let surer = survival.needed_for(wanted, share, probability + 0.005).unwrap().unwrap();
        prop_assert!(surer.flowers_n >= needed.flowers_n && surer.fruits_n >= needed.fruits_n);
    }

    #[test]
    fn with_one_kernel_flowers_are_plants_of_a_smaller_share(
        wanted in 1u64..20, share in 0.05f64..=1.0, set in 0.05f64..=1.0, seeds in 0.2f64..=1.0,
    ) {
        let survival = Survival { fruit_set: set, seeds_per_fruit: seeds, germination: 1.0, survival: 1.0 };
        let needed = survival.needed_for(wanted, share, 0.9).unwrap().unwrap();
        prop_assert_eq!(Some(needed.flowers_n), plants_needed_for(wanted, share * seeds * set, 0.9).unwrap());
    }

    #[test]
    fn one_plant_follows_the_closed_form(share in share(), probability in 0.01f64..0.999) {
        let n = plants_needed(share, probability).unwrap().unwrap() as f64;
        let exact = (1.0 - probability).ln() / (1.0 - share).ln();
        prop_assert!(n >= exact - 1e-6 && n < exact + 1.0 + 1e-6);
    }

    #[test]
    fn doubt_moves_with_each_cause(conditions in conditions(), step in 0.0f64..=1.0) {
        let before = doubt(&conditions);
        let up = |value: f64| value + (1.0 - value) * step;
        let slack = 1e-12;
        let c = conditions;
        let raising = [
            CrossConditions { stray_open_flowers_left_n: c.stray_open_flowers_left_n + 5, ..c },
            CrossConditions { self_fertility: up(c.self_fertility), ..c },
        ];
        for worse in raising {
            prop_assert!(doubt(&worse) >= before - slack);
        }
        let lowering = [
            CrossConditions { late_flowers_stripped: up(c.late_flowers_stripped), ..c },
            CrossConditions { insects_kept_out: up(c.insects_kept_out), ..c },
            CrossConditions { pollen_viability: up(c.pollen_viability), ..c },
            CrossConditions { accepted_pollen: up(c.accepted_pollen), ..c },
            CrossConditions { pollinated_flowers_n: c.pollinated_flowers_n + 50, ..c },
        ];
        for better in lowering {
            prop_assert!(doubt(&better) <= before + slack);
        }
    }

    #[test]
    fn evidence_moves_doubt_towards_the_likelier_kind(
        before in 0.0f64..=1.0,
        if_intended in 0.0f64..=1.0,
        if_outcross in 0.0f64..=1.0,
        error_rate in 0.0f64..=0.2,
    ) {
        let evidence = LocusEvidence { if_intended, if_outcross };
        let prior = OutcrossDoubt::new(before).unwrap();
        let after = prior.after(&evidence, error_rate).unwrap().probability();
        prop_assert!((0.0..=1.0).contains(&after));
        if if_outcross >= if_intended {
            prop_assert!(after >= before - 1e-12);
        } else {
            prop_assert!(after <= before + 1e-12);
        }
        if if_intended == 0.0 {
            prop_assert_ne!(evidence.finding(), ParentageFinding::CanBeOfStatedParents);
        }
    }
}
