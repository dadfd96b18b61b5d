//! What species and S alleles say of parents.

use compatibility::catalogue::LinkedPair;
use compatibility::{
    Compatibility, CrossabilityGrade, ExpectedFertility, Note, SGenotype, SelfCompatibility, Share,
    Taxon, Verdict, crossability, expected_offspring, judge, self_compatibility,
};
use contract::crossing::{CompatibilityReply, CrossWarning, ProgenyShare};
use platform::Fields;

use super::warnings::{WarningCode, warning};

/// Reads a species or hybrid formula.
pub fn taxon(fields: &mut Fields, field: &str, text: &str) -> Option<Taxon> {
    if text.trim().is_empty() {
        fields.fault(field, "is required, as Prunus persica");
        return None;
    }
    match text.parse() {
        Ok(taxon) => Some(taxon),
        Err(error) => {
            fields.fault(field, format!("{error}"));
            None
        }
    }
}

/// Reads S alleles; none when the species is not known either.
pub fn s_genotype(
    fields: &mut Fields,
    field: &str,
    taxon: Option<&Taxon>,
    names: &[String],
) -> Option<SGenotype> {
    let genotype = SGenotype::from_names(taxon?.clone(), names);
    match genotype {
        Ok(genotype) => Some(genotype),
        Err(error) => {
            fields.fault(field, error.to_string());
            None
        }
    }
}

/// The S genotype of a plant as stored; none when what is stored is no longer understood.
pub fn stored_genotype(species: &str, s_alleles: &[String]) -> Option<SGenotype> {
    SGenotype::from_names(species.parse::<Taxon>().ok()?, s_alleles).ok()
}

/// Warnings about names that are not used for S alleles of the species.
pub fn unusual_alleles(genotype: &SGenotype) -> Vec<CrossWarning> {
    judge(genotype, genotype)
        .notes
        .iter()
        .filter(|note| matches!(note, Note::UnusualAllele(..)))
        .map(|note| warning(WarningCode::UnknownSAllele, note.to_string()))
        .collect()
}

/// The word for self-compatibility.
pub fn self_compatibility_word(genotype: &SGenotype) -> &'static str {
    match self_compatibility(genotype) {
        SelfCompatibility::Yes => "yes",
        SelfCompatibility::Expected => "expected",
        SelfCompatibility::No => "no",
        SelfCompatibility::Unknown => "unknown",
    }
}

/// The self-compatibility behind a stored word.
pub fn self_compatibility_of(word: &str) -> SelfCompatibility {
    match word {
        "yes" => SelfCompatibility::Yes,
        "expected" => SelfCompatibility::Expected,
        "no" => SelfCompatibility::No,
        _ => SelfCompatibility::Unknown,
    }
}

/// A verdict on a cross as told to clients.
pub fn compatibility_reply(outcome: &Compatibility) -> CompatibilityReply {
    CompatibilityReply {
        verdict: outcome.verdict.to_string(),
        compatible_alleles: outcome.compatible_alleles.clone(),
        progeny: shares(&outcome.progeny),
        notes: outcome.notes.iter().map(ToString::to_string).collect(),
    }
}

/// Genotypes with their shares as told to clients.
pub fn shares<G: ToString>(genotypes: &[(G, Share)]) -> Vec<ProgenyShare> {
    genotypes
        .iter()
        .map(|(genotype, share)| ProgenyShare {
            genotype: genotype.to_string(),
            share: share.value(),
        })
        .collect()
}

/// What genetics says of a pair of parents.
pub struct PairAdvice {
    /// The verdict of the S alleles.
    pub compatibility: Compatibility,
    /// Species or formula of the seedlings.
    pub progeny_species: String,
    /// What chromosome numbers mean for the seedlings.
    pub ploidy_note: String,
    /// The word for crossability.
    pub crossability: &'static str,
    /// What is known of the crossing of the species.
    pub crossability_note: String,
    /// Fertility of the seedlings; none where their chromosomes cannot be foretold.
    pub fertility: Option<ExpectedFertility>,
    /// What is to be warned about.
    pub warnings: Vec<CrossWarning>,
}

/// What genetics says of a seed parent and a pollen parent.
pub fn advise(seed_parent: &SGenotype, pollen_parent: &SGenotype) -> PairAdvice {
    let outcome = judge(seed_parent, pollen_parent);
    let (mother, father) = (seed_parent.taxon(), pollen_parent.taxon());
    let between = crossability(mother, father);
    let offspring = expected_offspring(mother, father);
    let mut warnings = Vec::new();
    let code = match outcome.verdict {
        Verdict::Full => None,
        Verdict::Half => Some(WarningCode::HalfCompatible),
        Verdict::None => Some(WarningCode::Incompatible),
        Verdict::Unknown => Some(WarningCode::CompatibilityUnknown),
    };
    if let Some(code) = code {
        let said = match outcome.verdict {
            Verdict::None => "the mother rejects all of this pollen".to_owned(),
            Verdict::Half => format!(
                "the mother rejects part of this pollen and accepts {}",
                outcome.compatible_alleles.join(", ")
            ),
            _ => outcome.notes.first().map_or_else(
                || "compatibility is not known".to_owned(),
                ToString::to_string,
            ),
        };
        warnings.push(warning(code, said));
    }
    let polyploid = |taxon: &Taxon| taxon.expected_chromosomes() != Some(16);
    if polyploid(mother) || polyploid(father) {
        let said = if outcome.verdict == Verdict::Unknown {
            "a parent has other than two sets of chromosomes, and what is known of its S alleles does not tell which pollen is accepted"
        } else {
            "a parent has other than two sets of chromosomes: grains carry several S alleles, and which chromosomes pair is not known"
        };
        warnings.push(warning(WarningCode::Polyploid, said));
    }
    let crossability = match between.grade {
        CrossabilityGrade::Expected => "expected",
        CrossabilityGrade::Difficult => "difficult",
        CrossabilityGrade::NotKnownToWork => "not_known_to_work",
    };
    if between.grade != CrossabilityGrade::Expected {
        warnings.push(warning(WarningCode::HardToCross, between.remark));
    }
    let ploidy_note = match offspring {
        Some(offspring) => format!(
            "seedlings with 2n = {} ({} sets of 8); fertility: {}",
            offspring.chromosomes,
            offspring.ploidy,
            fertility(offspring.fertility)
        ),
        None => {
            "chromosomes of the seedlings cannot be foretold: a parent's gametes are not balanced"
                .to_owned()
        }
    };
    PairAdvice {
        progeny_species: Taxon::of_cross(mother, father).to_string(),
        ploidy_note,
        fertility: offspring.map(|offspring| offspring.fertility),
        crossability,
        crossability_note: between.remark.to_owned(),
        compatibility: outcome,
        warnings,
    }
}

fn fertility(expected: ExpectedFertility) -> &'static str {
    match expected {
        ExpectedFertility::Fertile => "as the parents",
        ExpectedFertility::MostlySterile => "mostly sterile",
        ExpectedFertility::Uncertain => "uncertain between species",
    }
}

/// Linked loci in words.
pub fn linked_in_words(linked: &[LinkedPair]) -> Vec<String> {
    linked
        .iter()
        .map(|pair| {
            format!(
                "{} and {} lie in linkage group {}, {}",
                pair.loci[0],
                pair.loci[1],
                pair.linkage_group,
                pair.recombination.map_or_else(
                    || "recombination not published".to_owned(),
                    |r| format!("recombination {r}")
                )
            )
        })
        .collect()
}
