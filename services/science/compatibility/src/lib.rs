//! Which pollen is accepted, and what the progeny will be.
//!
//! * [`species`](Species): ploidy, hybrid formulas, expected chromosomes of a cross;
//! * [`crossability`]: advice on crosses between species;
//! * [`judge`]: S alleles of two parents, and the S genotypes of their seedlings;
//! * [`wanted_share`]: share of wanted genotypes over several loci, exact where it can be, with
//!   [`LocusCross`] and [`LinkedCross`] beneath it;
//! * [`plants_needed`], [`Survival`]: plants, seeds and flowers that a wish asks for;
//! * [`CrossConditions`], [`OutcrossDoubt`]: whether a seedling is of the intended pollen;
//! * [`catalogue`]: loci of stone fruits with dominance, linkage group and source.
//!
//! ```
//! use compatibility::{SGenotype, Species, Verdict, judge};
//!
//! let mother = SGenotype::from_names(Species::Avium, ["S3", "S4"])?;
//! let father = SGenotype::from_names(Species::Avium, ["S3", "S4'"])?;
//! let cross = judge(&mother, &father);
//! assert_eq!(cross.verdict, Verdict::Half);
//! assert_eq!(cross.compatible_alleles, ["S4'"]);
//! assert_eq!(judge(&father, &mother).verdict, Verdict::None);
//! # Ok::<(), compatibility::SAlleleError>(())
//! ```

pub mod catalogue;
mod crossability;
mod mendel;
mod numbers;
mod odds;
mod outcross;
mod s_locus;
mod share;
mod species;

pub use crossability::{Crossability, CrossabilityGrade, crossability};
pub use mendel::{
    Genotype, GenotypeError, GenotypePattern, LINKED_LOCI_LIMIT, LinkedCross, LinkedGenotype,
    LocusCross, Phase, segregation, unlinked_share,
};
pub use numbers::{
    Needed, NumbersError, ProgenySpread, Side, Survival, chance_of, plants_needed,
    plants_needed_for,
};
pub use odds::{KnownPhase, WantedShare, wanted_share};
pub use outcross::{
    CrossConditions, DoubtError, LocusEvidence, OutcrossDoubt, OutcrossRates, ParentageFinding,
    SeedSources,
};
pub use s_locus::{
    Compatibility, Note, PistilAction, PollenIdentity, SAllele, SAlleleError, SGenotype,
    SeedlingCheck, SelfCompatibility, Verdict, check_seedling, incompatibility_group, judge,
    self_compatibility,
};
pub use share::{Share, ShareError};
pub use species::{
    BASIC_CHROMOSOME_NUMBER, Branch, Evidence, ExpectedFertility, ExpectedOffspring, FORMULA_ORDER,
    Species, Taxon, TaxonError, expected_offspring,
};
