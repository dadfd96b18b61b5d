//! Loci of stone fruits: what is published, with its source and how surely it is known.
//!
//! Symbols clash between species and within one (peach `S` is flat fruit, and also the
//! incompatibility locus; `Sk` has opposite dominance in peach and almond), so a locus is named by
//! species and id together.

use serde::{Deserialize, Serialize};

use crate::mendel::{Genotype, GenotypeError, GenotypePattern, LocusCross, segregation};
use crate::share::Share;
use crate::species::{Evidence, Species};

/// How alleles of a locus show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Dominance {
    /// One copy of the dominant allele shows in full.
    Complete,
    /// As good as complete.
    NearComplete,
    /// One copy shows in part.
    Incomplete,
    /// Several alleles in a series.
    Series,
    /// Modifiers at other loci change what shows: ratios are a guide only.
    WithModifiers,
}

/// How surely a statement holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Confidence {
    /// To be confirmed before use.
    Medium,
    /// Reported more than once, or read in the source.
    High,
}

/// One locus.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Locus {
    /// Species in which it was described.
    pub species: Species,
    /// Name within the species; the symbol, unless that has two meanings.
    pub id: &'static str,
    /// Other names under which it may be asked for.
    pub synonyms: &'static [&'static str],
    /// What it changes.
    pub trait_name: &'static str,
    /// Alleles, dominant first.
    pub alleles: &'static [&'static str],
    /// Genotype patterns and what they show; the first that matches counts.
    pub phenotypes: &'static [(&'static str, &'static str)],
    /// How alleles show.
    pub dominance: Dominance,
    /// Linkage group, where known.
    pub linkage_group: Option<u8>,
    /// Genotypes lost before they bear fruit under the model in which they do not live.
    pub inviable: &'static [&'static str],
    /// Where it is published.
    pub source: &'static str,
    /// How that is known here.
    pub evidence: Evidence,
    /// How surely.
    pub confidence: Confidence,
    /// What else to know.
    pub note: &'static str,
}

/// Two recombination fractions between loci of one group, where published.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Linkage {
    /// Species in which it was measured.
    pub species: Species,
    /// The two loci by id.
    pub loci: [&'static str; 2],
    /// Share of recombinant gametes, up to ½.
    pub recombination: f64,
    /// Where it is published, and what was done with it.
    pub source: &'static str,
}

/// Published linkages.
pub const LINKAGES: &[Linkage] = &[Linkage {
    species: Species::Persica,
    loci: ["G", "Sk"],
    recombination: 0.12,
    source: "Werner and Creller 1997, J. Am. Soc. Hort. Sci. 122(2):215: 12 cM, taken as the fraction",
}];

/// A way to read a genotype that two models in print treat unlike.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LethalModel {
    /// Such plants do not live: the others share what is left.
    #[default]
    Inviable,
    /// Such plants live and show it.
    Lives,
}

/// What the seedlings of a cross show at one locus.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PhenotypeExpectation {
    /// Phenotypes of living seedlings with shares that sum to 1, in the order of the locus; empty
    /// when none live.
    pub phenotypes: Vec<(&'static str, Share)>,
    /// Share of the embryos that do not live.
    pub lost: Share,
}

impl Locus {
    /// Reads a genotype of this locus: `Gg`, `Dw/dw`, `H1H3`; a bare symbol such as `Tssd` is not
    /// taken for two.
    ///
    /// # Errors
    /// Text that is not two alleles, or an allele that the locus does not have.
    pub fn genotype(&self, text: &str) -> Result<Genotype, GenotypeError> {
        let genotype = Genotype::parse(text)?;
        let unknown = genotype
            .alleles()
            .into_iter()
            .find(|allele| !self.alleles.contains(allele));
        if let Some(allele) = unknown {
            return Err(GenotypeError::UnknownAllele {
                allele: allele.to_owned(),
                locus: self.id.to_owned(),
                alleles: self.alleles.iter().map(|&a| a.to_owned()).collect(),
            });
        }
        Ok(genotype)
    }

    /// What a genotype shows; `None` when no phenotype is on record for it.
    pub fn phenotype(&self, genotype: &Genotype) -> Option<&'static str> {
        let shows = |pattern: &str| matches(pattern, genotype);
        self.phenotypes
            .iter()
            .find(|(pattern, _)| shows(pattern))
            .map(|&(_, phenotype)| phenotype)
    }

    /// Whether plants of a genotype may be lost before they bear fruit.
    pub fn may_be_lost(&self, genotype: &Genotype) -> bool {
        self.inviable
            .iter()
            .any(|pattern| matches(pattern, genotype))
    }

    /// Every genotype that the alleles can form, in order.
    pub fn genotypes(&self) -> Vec<Genotype> {
        let pairs = self.alleles.iter().enumerate();
        pairs
            .flat_map(|(i, x)| self.alleles[i..].iter().map(|y| Genotype::new(*x, *y)))
            .collect()
    }

    /// The genotypes that show a phenotype, to ask for by what is seen; none when the locus has no
    /// such phenotype.
    pub fn showing(&self, phenotype: &str) -> Vec<GenotypePattern> {
        let all = self.genotypes().into_iter();
        all.filter(|genotype| self.phenotype(genotype) == Some(phenotype))
            .map(GenotypePattern::Exactly)
            .collect()
    }

    /// Share of the wanted among the seedlings that live; `None` when none live.
    pub fn share_among_living(&self, cross: &LocusCross, model: LethalModel) -> Option<Share> {
        let seedlings = segregation(&cross.seed_parent, &cross.pollen_parent);
        let lives = |genotype: &Genotype| !self.is_lost(genotype, model);
        let wanted = |genotype: &Genotype| cross.wanted.iter().any(|w| w.matches(genotype));
        sum_of(&seedlings, |g| lives(g) && wanted(g)).out_of(sum_of(&seedlings, lives))
    }

    /// What the seedlings of two genotypes show, lethal genotypes left out or in.
    pub fn expected_phenotypes(
        &self,
        seed_parent: &Genotype,
        pollen_parent: &Genotype,
        model: LethalModel,
    ) -> PhenotypeExpectation {
        let seedlings = segregation(seed_parent, pollen_parent);
        let lost = |genotype: &Genotype| self.is_lost(genotype, model);
        let living = sum_of(&seedlings, |genotype| !lost(genotype));
        let mut phenotypes: Vec<(&'static str, Share)> = Vec::new();
        for &(_, shown) in self.phenotypes {
            let shows = |g: &Genotype| !lost(g) && self.phenotype(g) == Some(shown);
            let share = sum_of(&seedlings, shows).out_of(living);
            let counted = phenotypes.iter().any(|&(known, _)| known == shown);
            phenotypes.extend(
                share
                    .filter(|share| !share.is_zero() && !counted)
                    .map(|share| (shown, share)),
            );
        }
        PhenotypeExpectation {
            phenotypes,
            lost: sum_of(&seedlings, lost),
        }
    }

    fn is_lost(&self, genotype: &Genotype, model: LethalModel) -> bool {
        model == LethalModel::Inviable && self.may_be_lost(genotype)
    }
}

/// Share of the seedlings of some genotypes; parts of a whole never sum to more.
fn sum_of(seedlings: &[(Genotype, Share)], wanted: impl Fn(&Genotype) -> bool) -> Share {
    let shares = seedlings.iter().filter(|(genotype, _)| wanted(genotype));
    shares.fold(Share::ZERO, |sum, &(_, share)| {
        sum.plus(share).unwrap_or(Share::ONE)
    })
}

fn matches(pattern: &str, genotype: &Genotype) -> bool {
    GenotypePattern::parse(pattern).is_ok_and(|pattern| pattern.matches(genotype))
}

/// A locus by species and id, symbol or synonym.
pub fn find(species: Species, name: &str) -> Option<&'static Locus> {
    let of_species = || LOCI.iter().filter(move |locus| locus.species == species);
    of_species()
        .find(|locus| locus.id == name)
        .or_else(|| of_species().find(|locus| locus.synonyms.contains(&name)))
}

/// All loci described in a species.
pub fn of_species(species: Species) -> impl Iterator<Item = &'static Locus> {
    LOCI.iter().filter(move |locus| locus.species == species)
}

/// Two loci of one linkage group, whose odds must not be multiplied.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LinkedPair {
    /// The loci by id.
    pub loci: [String; 2],
    /// Their linkage group.
    pub linkage_group: u8,
    /// The recombination fraction, where published.
    pub recombination: Option<f64>,
}

/// Pairs among the loci asked for that lie in one linkage group and of which both segregate in at
/// least one parent. Loci that are not in the catalogue are passed over.
pub fn linked_pairs(species: Species, crosses: &[LocusCross]) -> Vec<LinkedPair> {
    let both_segregate = |x: &LocusCross, y: &LocusCross| {
        let heterozygous = |genotypes: [&Genotype; 2]| genotypes.iter().all(|g| !g.is_homozygous());
        heterozygous([&x.seed_parent, &y.seed_parent])
            || heterozygous([&x.pollen_parent, &y.pollen_parent])
    };
    let mut pairs = Vec::new();
    for (place, x) in crosses.iter().enumerate() {
        for y in crosses[place + 1..].iter().filter(|y| both_segregate(x, y)) {
            let (Some(a), Some(b)) = (find(species, &x.locus), find(species, &y.locus)) else {
                continue;
            };
            let Some(linkage_group) = a
                .linkage_group
                .filter(|_| a.linkage_group == b.linkage_group)
            else {
                continue;
            };
            if a.id != b.id {
                pairs.push(LinkedPair {
                    loci: [a.id.to_owned(), b.id.to_owned()],
                    linkage_group,
                    recombination: recombination(species, a.id, b.id),
                });
            }
        }
    }
    pairs
}

/// The published recombination fraction between two loci.
pub fn recombination(species: Species, x: &str, y: &str) -> Option<f64> {
    let linkage = LINKAGES.iter().find(|linkage| {
        linkage.species == species && (linkage.loci == [x, y] || linkage.loci == [y, x])
    })?;
    Some(linkage.recombination)
}

const PEACH_TEXTBOOK: &str =
    "Monet et al. 1996; Layne and Bassi (eds) 2008, The Peach, chapter on genetics";
const PEACH_STATURE: &str = "BMC Research Notes 2018, doi 10.1186/s13104-018-3490-7";

/// A locus from memory with two alleles, filled in by the entries below.
const DRAFT: Locus = Locus {
    species: Species::Persica,
    id: "",
    synonyms: &[],
    trait_name: "",
    alleles: &[],
    phenotypes: &[],
    dominance: Dominance::Complete,
    linkage_group: None,
    inviable: &[],
    source: PEACH_TEXTBOOK,
    evidence: Evidence::FromMemory,
    confidence: Confidence::Medium,
    note: "",
};

/// Every locus in the catalogue.
pub static LOCI: &[Locus] = &[
    Locus {
        id: "Y",
        trait_name: "flesh colour",
        alleles: &["Y", "y"],
        phenotypes: &[("Y_", "white"), ("yy", "yellow")],
        linkage_group: Some(1),
        source: "J. Am. Soc. Hort. Sci. 131(2):256 (2006); gene CCD4 and linkage group from memory",
        evidence: Evidence::Read,
        confidence: Confidence::High,
        note: "also sets the colour of autumn leaves and hypanthium: early screening is possible",
        ..DRAFT
    },
    Locus {
        id: "G",
        trait_name: "fruit pubescence",
        alleles: &["G", "g"],
        phenotypes: &[("G_", "fuzzy peach"), ("gg", "nectarine")],
        linkage_group: Some(5),
        source: "Okie 1996, HortScience 31(4):618; linkage group from memory",
        evidence: Evidence::Read,
        confidence: Confidence::High,
        ..DRAFT
    },
    Locus {
        id: "F-M",
        synonyms: &["FM", "F-M haplotypes", "endoPG"],
        trait_name: "stone adhesion and melting flesh",
        alleles: &["H1", "H2", "H3"],
        phenotypes: &[
            ("H1_", "freestone melting"),
            ("H2_", "clingstone melting"),
            ("H3H3", "clingstone non-melting"),
        ],
        dominance: Dominance::Series,
        linkage_group: Some(4),
        source: "Gu et al. 2016 on copy number of endopolygalacturonase genes (authors and journal \
                 from memory); Peace et al. 2005, Mol. Breeding, same conclusion",
        evidence: Evidence::Read,
        confidence: Confidence::High,
        note: "one locus with three haplotypes, H1 > H2 > H3; freestone non-melting is not expected, \
               though non-melting semi-free fruit has been reported",
        ..DRAFT
    },
    Locus {
        id: "flat_shape",
        synonyms: &["S", "S/s", "Saucer"],
        trait_name: "fruit shape",
        alleles: &["S", "s"],
        phenotypes: &[("SS", "no fruit"), ("Ss", "flat"), ("ss", "round")],
        dominance: Dominance::Incomplete,
        linkage_group: Some(6),
        inviable: &["SS"],
        source: "Lesley 1940; Dirlewanger et al. 2006; Sci. Rep. 7:6714 (2017)",
        note: "two models in print: SS trees live but drop their fruit, or do not live; the symbol is \
               that of the incompatibility locus too",
        ..DRAFT
    },
    Locus {
        id: "D",
        trait_name: "fruit acidity",
        alleles: &["D", "d"],
        phenotypes: &[("D_", "low-acid"), ("dd", "acid")],
        dominance: Dominance::NearComplete,
        linkage_group: Some(5),
        source: "Boudehri et al. 2009, BMC Plant Biology 9:59",
        evidence: Evidence::Read,
        confidence: Confidence::High,
        ..DRAFT
    },
    Locus {
        id: "Dw",
        trait_name: "tree stature",
        alleles: &["Dw", "dw"],
        phenotypes: &[("Dw_", "standard"), ("dwdw", "brachytic dwarf")],
        linkage_group: Some(6),
        source: PEACH_STATURE,
        evidence: Evidence::Read,
        confidence: Confidence::High,
        note: "dw2 gives a like type, dw3 a narrow willowy one",
        ..DRAFT
    },
    Locus {
        id: "N",
        trait_name: "internode length",
        alleles: &["N", "n"],
        phenotypes: &[
            ("NN", "standard"),
            ("Nn", "semi-dwarf"),
            ("nn", "short internode"),
        ],
        dominance: Dominance::Incomplete,
        source: PEACH_STATURE,
        evidence: Evidence::Read,
        confidence: Confidence::High,
        ..DRAFT
    },
    Locus {
        id: "Tssd",
        trait_name: "temperature-sensitive semi-dwarf",
        alleles: &["Tssd", "tssd"],
        phenotypes: &[("Tssd_", "short below 30 °C"), ("tssdtssd", "standard")],
        linkage_group: Some(3),
        source: "BMC Research Notes 2018, doi 10.1186/s13104-018-3490-7, citing Lu et al.",
        evidence: Evidence::Read,
        confidence: Confidence::High,
        ..DRAFT
    },
    Locus {
        id: "H",
        trait_name: "red over-colour of the skin",
        alleles: &["H", "h"],
        phenotypes: &[("H_", "red over-colour"), ("hh", "no red, highlighter")],
        source: "Beckman et al., HortScience",
        evidence: Evidence::Read,
        confidence: Confidence::High,
        note: "families of 3:1 and 1:1 are reported",
        ..DRAFT
    },
    Locus {
        id: "Bf",
        trait_name: "blood flesh",
        alleles: &["Bf", "bf"],
        phenotypes: &[("Bf_", "wild type"), ("bfbf", "blood flesh")],
        linkage_group: Some(4),
        source: "HortScience 33(7):1243 (1998); linkage group from memory",
        evidence: Evidence::Read,
        confidence: Confidence::High,
        note: "red midrib and reduced height go with it; a separate dominant type lies on group 5 \
               (from memory)",
        ..DRAFT
    },
    Locus {
        id: "Rs",
        trait_name: "roughskin",
        alleles: &["Rs", "rs"],
        phenotypes: &[("Rs_", "normal"), ("rsrs", "roughskin")],
        source: "Okie 1996, HortScience 31(4):618",
        evidence: Evidence::Read,
        confidence: Confidence::High,
        ..DRAFT
    },
    Locus {
        id: "Sk",
        trait_name: "kernel taste",
        alleles: &["Sk", "sk"],
        phenotypes: &[("Sk_", "bitter"), ("sksk", "sweet")],
        linkage_group: Some(5),
        source: "Werner and Creller 1997, J. Am. Soc. Hort. Sci. 122(2):215",
        evidence: Evidence::Read,
        confidence: Confidence::High,
        note: "12 cM from G; taste shows the genotype of the tree that bore the seed, not of the embryo",
        ..DRAFT
    },
    Locus {
        id: "Ps",
        trait_name: "pollen fertility",
        alleles: &["Ps", "ps"],
        phenotypes: &[("Ps_", "fertile"), ("psps", "male sterile")],
        linkage_group: Some(6),
        source: "Werner and Creller 1997, J. Am. Soc. Hort. Sci. 122(2):215; linkage group from memory",
        evidence: Evidence::Read,
        confidence: Confidence::High,
        note: "ps2 is a second locus; male sterility of the cytoplasm exists too. Counts for pollen parents",
        ..DRAFT
    },
    Locus {
        id: "Gr",
        trait_name: "leaf colour",
        alleles: &["Gr", "gr"],
        phenotypes: &[("GrGr", "red"), ("Grgr", "intermediate"), ("grgr", "green")],
        dominance: Dominance::Incomplete,
        linkage_group: Some(6),
        ..DRAFT
    },
    Locus {
        id: "Br",
        synonyms: &["Pi"],
        trait_name: "growth habit",
        alleles: &["Br", "br"],
        phenotypes: &[
            ("BrBr", "standard"),
            ("Brbr", "upright"),
            ("brbr", "pillar"),
        ],
        dominance: Dominance::Incomplete,
        linkage_group: Some(2),
        ..DRAFT
    },
    Locus {
        id: "Pl",
        synonyms: &["we"],
        trait_name: "weeping habit",
        alleles: &["Pl", "pl"],
        phenotypes: &[("Pl_", "standard"), ("plpl", "weeping")],
        linkage_group: Some(3),
        ..DRAFT
    },
    Locus {
        id: "Sh",
        trait_name: "flower type",
        alleles: &["Sh", "sh"],
        phenotypes: &[("Sh_", "non-showy"), ("shsh", "showy")],
        linkage_group: Some(8),
        ..DRAFT
    },
    Locus {
        id: "Di2",
        trait_name: "flower doubling",
        alleles: &["Di2", "di2"],
        phenotypes: &[("Di2_", "double"), ("di2di2", "single")],
        linkage_group: Some(6),
        ..DRAFT
    },
    Locus {
        id: "Hd",
        trait_name: "flesh ripening",
        alleles: &["Hd", "hd"],
        phenotypes: &[("Hd_", "normal"), ("hdhd", "stony hard")],
        note: "linkage group 5 has been proposed",
        ..DRAFT
    },
    Locus {
        id: "Sr",
        trait_name: "slow ripening",
        alleles: &["Sr", "sr"],
        phenotypes: &[("Sr_", "normal"), ("srsr", "does not ripen")],
        linkage_group: Some(4),
        ..DRAFT
    },
    Locus {
        id: "Evg",
        trait_name: "winter dormancy",
        alleles: &["Evg", "evg"],
        phenotypes: &[("Evg_", "deciduous"), ("evgevg", "evergrowing")],
        linkage_group: Some(1),
        ..DRAFT
    },
    Locus {
        id: "E",
        trait_name: "leaf glands",
        alleles: &["E", "e"],
        phenotypes: &[("EE", "reniform"), ("Ee", "globose"), ("ee", "eglandular")],
        dominance: Dominance::Incomplete,
        linkage_group: Some(7),
        ..DRAFT
    },
    Locus {
        species: Species::Dulcis,
        id: "Sk",
        trait_name: "kernel taste",
        alleles: &["Sk", "sk"],
        phenotypes: &[("Sk_", "sweet"), ("sksk", "bitter")],
        linkage_group: Some(5),
        source: "Heppner 1923; Dicenta and Garcia 1993",
        confidence: Confidence::High,
        note: "dominance is the opposite of that in peach",
        ..DRAFT
    },
    Locus {
        species: Species::Dulcis,
        id: "Lb",
        trait_name: "time of bloom",
        alleles: &["Lb", "lb"],
        phenotypes: &[("Lb_", "late"), ("lblb", "normal")],
        dominance: Dominance::WithModifiers,
        linkage_group: Some(4),
        source: "Grasselly; Ballester et al. 2001",
        ..DRAFT
    },
    Locus {
        species: Species::Avium,
        id: "skin_colour",
        synonyms: &["skin/flesh colour (MYB10 region)", "MYB10"],
        trait_name: "skin and flesh colour",
        alleles: &["R", "r"],
        phenotypes: &[("R_", "dark red"), ("rr", "yellow or blush")],
        dominance: Dominance::WithModifiers,
        linkage_group: Some(3),
        source: "Sooriyapathirana et al. 2010",
        note: "allele symbols are ours",
        ..DRAFT
    },
];

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(
        id: &str,
        mother: &str,
        father: &str,
        model: LethalModel,
    ) -> Vec<(&'static str, String)> {
        let locus = find(Species::Persica, id).expect("a locus");
        let [mother, father] =
            [mother, father].map(|text| locus.genotype(text).expect("a genotype"));
        let expected = locus.expected_phenotypes(&mother, &father, model);
        expected
            .phenotypes
            .into_iter()
            .map(|(shown, share)| (shown, share.to_string()))
            .collect()
    }

    fn shares(pairs: &[(&'static str, &str)]) -> Vec<(&'static str, String)> {
        pairs
            .iter()
            .map(|&(shown, share)| (shown, share.to_owned()))
            .collect()
    }

    #[test]
    fn every_genotype_of_every_locus_shows_something() {
        for locus in LOCI {
            assert!(
                !locus.id.is_empty() && !locus.source.is_empty() && !locus.trait_name.is_empty()
            );
            for (pattern, _) in locus.phenotypes {
                assert!(
                    GenotypePattern::parse(pattern).is_ok(),
                    "{pattern} of {}",
                    locus.id
                );
            }
            for genotype in locus.genotypes() {
                assert!(
                    locus.phenotype(&genotype).is_some(),
                    "{genotype} of {}",
                    locus.id
                );
                let again = locus
                    .genotype(&genotype.to_string())
                    .expect("its own spelling");
                assert_eq!(again, genotype);
            }
            assert!(std::ptr::eq(
                find(locus.species, locus.id).expect("itself"),
                locus
            ));
        }
    }

    #[test]
    fn expected_ratios_as_tabled() {
        let inviable = LethalModel::Inviable;
        assert_eq!(
            shown("G", "Gg", "Gg", inviable),
            shares(&[("fuzzy peach", "3/4"), ("nectarine", "1/4")])
        );
        assert_eq!(
            shown("N", "Nn", "Nn", inviable),
            shares(&[
                ("standard", "1/4"),
                ("semi-dwarf", "1/2"),
                ("short internode", "1/4")
            ])
        );
        assert_eq!(
            shown("F-M", "H1H3", "H2H3", inviable),
            shares(&[
                ("freestone melting", "1/2"),
                ("clingstone melting", "1/4"),
                ("clingstone non-melting", "1/4")
            ])
        );
        assert_eq!(
            shown("F-M", "H1H2", "H2H3", inviable),
            shares(&[("freestone melting", "1/2"), ("clingstone melting", "1/2")])
        );
    }

    #[test]
    fn lethal_genotypes_leave_the_rest_to_share() {
        assert_eq!(
            shown("S", "Ss", "Ss", LethalModel::Inviable),
            shares(&[("flat", "2/3"), ("round", "1/3")])
        );
        assert_eq!(
            shown("S", "Ss", "Ss", LethalModel::Lives),
            shares(&[("no fruit", "1/4"), ("flat", "1/2"), ("round", "1/4")])
        );
        assert_eq!(
            shown("S", "Ss", "ss", LethalModel::Inviable),
            shares(&[("flat", "1/2"), ("round", "1/2")])
        );
        assert_eq!(shown("S", "SS", "SS", LethalModel::Inviable), []);
        let flat = find(Species::Persica, "S").unwrap();
        let wanted = flat.showing("flat");
        assert_eq!(wanted, [GenotypePattern::parse("Ss").unwrap()]);
        let cross = LocusCross {
            wanted,
            ..LocusCross::parse("S", "Ss", "Ss", [""; 0]).unwrap()
        };
        let living = |model| {
            flat.share_among_living(&cross, model)
                .map(|share| share.to_string())
        };
        assert_eq!(living(LethalModel::Inviable).as_deref(), Some("2/3"));
        assert_eq!(living(LethalModel::Lives).as_deref(), Some("1/2"));
    }

    #[test]
    fn linked_loci_are_found() {
        let cross = |locus: &str, x: &str, y: &str| LocusCross::parse(locus, x, y, [x]).unwrap();
        let crosses = [
            cross("G", "Gg", "Gg"),
            cross("Y", "Yy", "Yy"),
            cross("Sk", "Sksk", "sksk"),
            cross("D", "dd", "Dd"),
        ];
        let pairs = linked_pairs(Species::Persica, &crosses);
        let named: Vec<_> = pairs
            .iter()
            .map(|pair| (pair.loci.clone(), pair.recombination))
            .collect();
        assert_eq!(
            named,
            [
                (["G".into(), "Sk".into()], Some(0.12)),
                (["G".into(), "D".into()], None)
            ]
        );
        assert_eq!(
            find(Species::Dulcis, "Sk").unwrap().phenotypes[0].1,
            "sweet"
        );
        assert!(
            find(Species::Persica, "Sk")
                .unwrap()
                .genotype("Gg")
                .is_err()
        );
    }
}
