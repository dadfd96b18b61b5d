//! Gametophytic self-incompatibility: diploids here, polyploids and crosses of species in
//! `beyond_diploids`.
//!
//! A pollen grain shows its own S allele, the pistil both of its alleles; a grain is stopped in
//! the style when the pistil recognises it (Crane and Lawrence 1928; de Nettancourt 1977). Each
//! allele therefore carries two facts, one for pollen and one for the pistil, and mutants change
//! one of them without the other.

mod beyond_diploids;

use std::collections::BTreeMap;
use std::fmt;

use serde::Serialize;

use crate::share::Share;
use crate::species::{Species, Taxon};

/// What a pistil sees in a pollen grain of an allele.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PollenIdentity {
    /// Recognised as this allele.
    RecognisedAs(String),
    /// Never recognised, so never rejected: a pollen-part mutant.
    NeverRejected,
}

/// What a pistil with an allele does.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PistilAction {
    /// Stops pollen that is recognised as this allele.
    Rejects(String),
    /// Stops nothing: a pistil-part mutant.
    RejectsNothing,
    /// Weak: expected to stop nothing, though plants that do have been seen.
    RejectsNothingAsARule,
}

/// An S allele of one species. Names are the same allele only within a species.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub struct SAllele {
    order: (u8, u32),
    label: String,
    pollen: PollenIdentity,
    pistil: PistilAction,
    /// The species whose names are used.
    names: Species,
}

/// The species as which a species names its alleles: sweet cherry shares its names with the
/// polyploids that have its genome, European plum with the damson (from memory).
fn names_alleles_as(species: Species) -> Species {
    match species {
        Species::Cerasus | Species::Gondouinii | Species::Fruticosa => Species::Avium,
        Species::Insititia => Species::Domestica,
        other => other,
    }
}

/// Why S alleles are refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SAlleleError {
    /// Not the form of an allele's name.
    #[error(
        "`{0}` is not the name of an S allele; write S and a number or letter, such as S4, S4' or Sf"
    )]
    Name(String),
    /// More alleles than the species has sets of chromosomes.
    #[error("{given} S alleles are too many: {species} has {sets} sets of chromosomes")]
    TooMany {
        /// Alleles given.
        given: usize,
        /// Sets of chromosomes.
        sets: u16,
        /// The species or hybrid.
        species: String,
    },
}

impl SAllele {
    /// An allele by its name in a species: `S4`, `4`, `S4'`, `Sc`, `Sf`; any of the usual primes.
    ///
    /// # Errors
    /// The text is not the name of an allele.
    pub fn named(species: Species, name: &str) -> Result<Self, SAlleleError> {
        let bad = || SAlleleError::Name(name.trim().to_owned());
        let plain = name.trim().replace(['′', '’', 'ʹ', '`', '´'], "'");
        let body = match plain.strip_prefix(['S', 's']) {
            Some(rest) if !rest.is_empty() => rest,
            _ if plain.starts_with(|c: char| c.is_ascii_digit()) => plain.as_str(),
            _ => return Err(bad()),
        };
        let root = body.trim_end_matches('\'');
        if root.is_empty() || root.len() > 8 || !root.chars().all(|c| c.is_ascii_alphanumeric()) {
            return Err(bad());
        }
        let digits: String = root.chars().take_while(char::is_ascii_digit).collect();
        let order = digits.parse().map_or((1, 0), |number| (0, number));
        let polyploid = species.ploidy() > 2;
        let named = match root.strip_suffix('m') {
            Some(plain) if polyploid && plain == digits && !plain.is_empty() => plain,
            _ => root,
        };
        let own = format!("S{}", synonym(species, named));
        let (pollen, pistil) = match (species, root) {
            // Ours, for a haplotype that neither part shows.
            (_, "null") => (PollenIdentity::NeverRejected, PistilAction::RejectsNothing),
            // Pistil-part mutants of sour cherry, as S6m and S13m (Yamane 2003; Tsukamoto 2008; from
            // memory).
            _ if named != root => (
                PollenIdentity::RecognisedAs(own),
                PistilAction::RejectsNothing,
            ),
            // S36a, S36b and its kin: mutant pollen part (Tsukamoto 2008, from memory).
            (Species::Cerasus | Species::Gondouinii, "36a" | "36b" | "36b2" | "36b3") => {
                (PollenIdentity::NeverRejected, PistilAction::Rejects(own))
            }
            // S4' by pollen-part mutation, pistil intact: from memory (Boskovic 2000; Ushijima
            // 2004). S5': J. Exp. Bot. 58:4347 (2007). The prime is so used in other species too.
            _ if body.len() > root.len() => {
                (PollenIdentity::NeverRejected, PistilAction::Rejects(own))
            }
            // Muñoz-Sanz et al. 2017 for the pollen; Sc as a variant of S8: from memory (Halász 2007).
            (Species::Armeniaca, "c") => (
                PollenIdentity::NeverRejected,
                PistilAction::Rejects("S8".to_owned()),
            ),
            // From memory (Hanada 2009).
            (Species::Dulcis | Species::Mume, "f") => (
                PollenIdentity::RecognisedAs(own),
                PistilAction::RejectsNothing,
            ),
            // From memory (Watari 2007); a carrier that stopped its own tubes was seen in PMC6640205.
            (Species::Salicina, "e") => (
                PollenIdentity::RecognisedAs(own),
                PistilAction::RejectsNothingAsARule,
            ),
            // All haplotypes of cultivated peach are pollen-part mutants: from memory.
            (Species::Persica, _) => (PollenIdentity::NeverRejected, PistilAction::Rejects(own)),
            _ => (
                PollenIdentity::RecognisedAs(own.clone()),
                PistilAction::Rejects(own),
            ),
        };
        Ok(Self {
            order,
            label: format!("S{body}"),
            pollen,
            pistil,
            names: names_alleles_as(species),
        })
    }

    /// The name, with a straight prime.
    pub fn label(&self) -> &str {
        &self.label
    }

    /// What its pollen is taken for.
    pub fn pollen(&self) -> &PollenIdentity {
        &self.pollen
    }

    /// What a pistil with it does.
    pub fn pistil(&self) -> &PistilAction {
        &self.pistil
    }

    /// Whether names of this form are used for the species.
    fn is_usual_in(&self, species: Species) -> bool {
        let root = self.label[1..].trim_end_matches('\'');
        let number = |highest: u32| root.parse().is_ok_and(|n: u32| (1..=highest).contains(&n));
        match species {
            Species::Avium => number(40),
            Species::Armeniaca => number(60) || root == "c",
            Species::Dulcis => number(70) || matches!(root, "f" | "a" | "b" | "c" | "d"),
            Species::Salicina => number(40) || (root.len() == 1 && !number(40)),
            Species::Persica => number(9) || root.ends_with('m'),
            _ => true,
        }
    }
}

impl fmt::Display for SAllele {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.label)
    }
}

/// Older letter names of almond alleles and the numbers that took their place (from memory).
fn synonym(species: Species, root: &str) -> &str {
    match (species, root) {
        (Species::Dulcis, "a") => "5",
        (Species::Dulcis, "b") => "1",
        (Species::Dulcis, "c") => "7",
        (Species::Dulcis, "d") => "8",
        _ => root,
    }
}

/// What is known of a plant's S alleles, in their usual order, with any modifier outside the S
/// locus that makes pollen pass.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize)]
pub struct SGenotype {
    taxon: Taxon,
    alleles: Vec<SAllele>,
    pollen_modifier_copies: u8,
    /// Whether every allele says of which species it is.
    named_apart: bool,
}

impl SGenotype {
    /// A genotype from the names of its alleles; fewer than two mean that the rest is unknown.
    ///
    /// Beside S alleles the list may hold `m0`, once or twice: the pollen modifier of apricot
    /// (M locus, Muñoz-Sanz et al. 2017), or `mod`, ours, for a modifier of unknown name such as
    /// the one in sweet cherry (Cachi and Wünsch 2011, from memory). `M`, `?` and empty names are
    /// passed over. Of a hybrid between species that name their alleles for themselves an allele can
    /// say of which it is, as `dulcis:S7`; else it is named as in the first species, and no rule is
    /// applied.
    ///
    /// # Errors
    /// A name that is not an allele's, or more alleles than sets of chromosomes.
    pub fn from_names<N: AsRef<str>>(
        taxon: impl Into<Taxon>,
        names: impl IntoIterator<Item = N>,
    ) -> Result<Self, SAlleleError> {
        let taxon = taxon.into();
        // Alleles of a hybrid are named as in its first species; no rule is applied to them.
        let species = taxon.species().unwrap_or_else(|| taxon.all_species()[0]);
        let all_species = taxon.all_species();
        let mut alleles = Vec::new();
        let mut named_apart = true;
        let mut pollen_modifier_copies: u8 = 0;
        for name in names {
            match name.as_ref().trim() {
                "" | "?" | "S?" | "M" | "MM" => {}
                "m0" | "m" | "mod" => pollen_modifier_copies += 1,
                "m0m0" | "mm" => pollen_modifier_copies += 2,
                "Mm" | "Mm0" | "M/m0" => pollen_modifier_copies += 1,
                allele => match allele.split_once(':') {
                    None => {
                        named_apart = false;
                        alleles.push(SAllele::named(species, allele)?);
                    }
                    Some((of, name)) => {
                        let of = of.parse().ok().filter(|of| all_species.contains(of));
                        let of = of.ok_or_else(|| SAlleleError::Name(allele.to_owned()))?;
                        let mut named = SAllele::named(of, name)?;
                        named.label = format!("{}:{}", of.epithet(), named.label);
                        alleles.push(named);
                    }
                },
            }
        }
        let sets = taxon.expected_chromosomes().map_or(2, |n| n / 8);
        if alleles.len() > usize::from(sets) {
            let species = taxon.to_string();
            return Err(SAlleleError::TooMany {
                given: alleles.len(),
                sets,
                species,
            });
        }
        alleles.sort();
        Ok(Self {
            taxon,
            alleles,
            pollen_modifier_copies: pollen_modifier_copies.min(2),
            named_apart,
        })
    }

    /// A genotype written in one piece, such as `S3S4'`.
    ///
    /// # Errors
    /// As [`from_names`](Self::from_names).
    pub fn parse(taxon: impl Into<Taxon>, text: &str) -> Result<Self, SAlleleError> {
        let mut names: Vec<String> = Vec::new();
        for character in text.chars().filter(|c| !c.is_whitespace() && *c != '/') {
            match names.last_mut() {
                Some(name) if character != 'S' => name.push(character),
                _ => names.push(character.to_string()),
            }
        }
        Self::from_names(taxon, names)
    }

    /// The same plant with 0, 1 or 2 copies of a modifier outside the S locus whose pollen passes
    /// whatever its S allele.
    #[must_use]
    pub fn with_pollen_modifier(mut self, copies: u8) -> Self {
        self.pollen_modifier_copies = copies.min(2);
        self
    }

    /// The species or hybrid.
    pub fn taxon(&self) -> &Taxon {
        &self.taxon
    }

    /// The known alleles in order.
    pub fn alleles(&self) -> &[SAllele] {
        &self.alleles
    }

    /// Copies of a pollen modifier outside the S locus.
    pub fn pollen_modifier_copies(&self) -> u8 {
        self.pollen_modifier_copies
    }

    /// The diploid species to which the rule applies, if it does.
    fn ruled_species(&self) -> Option<Species> {
        self.taxon
            .species()
            .filter(|species| species.s_rule_applies())
    }

    fn is_complete(&self) -> bool {
        self.alleles.len() == 2
    }

    /// Kinds of pollen grain: allele, whether it carries the modifier, and share.
    fn grains(&self) -> Vec<(&SAllele, bool, Share)> {
        let eighths = |n: u128| Share::new(n, 8).unwrap_or(Share::ZERO);
        let with = u128::from(self.pollen_modifier_copies);
        self.alleles
            .iter()
            .flat_map(|allele| {
                // Half of the grains for each allele; of these, copies/2 carry the modifier.
                [
                    (allele, true, eighths(2 * with)),
                    (allele, false, eighths(4 - 2 * with)),
                ]
            })
            .filter(|(_, _, share)| !share.is_zero())
            .collect()
    }

    fn accepts(&self, grain: &SAllele, carries_modifier: bool) -> bool {
        let PollenIdentity::RecognisedAs(identity) = &grain.pollen else {
            return true;
        };
        let stops = |allele: &SAllele| {
            allele.names == grain.names
                && matches!(&allele.pistil, PistilAction::Rejects(own) if own == identity)
        };
        carries_modifier || !self.alleles.iter().any(stops)
    }
}

impl fmt::Display for SGenotype {
    /// Alleles in order and in one piece, `S3S4'`; unknown ones as `S?`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.alleles.iter().try_for_each(|allele| allele.fmt(f))?;
        (self.alleles.len()..2).try_for_each(|_| f.write_str("S?"))
    }
}

/// How much of the pollen is accepted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// All of it.
    Full,
    /// Part of it: half as a rule, three quarters where a modifier segregates.
    Half,
    /// None of it.
    None,
    /// Not predicted.
    Unknown,
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Full => "full",
            Self::Half => "half",
            Self::None => "none",
            Self::Unknown => "unknown",
        })
    }
}

/// What a reader of a verdict must also know.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Note {
    /// Sets of chromosomes other than two.
    PolyploidNotPredicted(String),
    /// A hybrid, whose alleles come from two species.
    HybridNotPredicted(String),
    /// Parents of two species, whose allele names do not compare.
    SpeciesDiffer,
    /// Alleles of one or both parents are missing.
    AllelesMissing(String),
    /// The rule for polyploids of the cherries.
    OneAlleleMatch,
    /// The same rule where it is expected, not shown.
    OneAlleleMatchExpected,
    /// Bounds of the share over the ways in which chromosomes may pair.
    PairingMatters(Share, Share),
    /// What the known alleles of the pistil leave.
    AtMostAccepted(Share),
    /// Parents with other numbers of chromosomes.
    PloidiesDiffer,
    /// A pollen parent with an odd number of sets.
    OddPollenParent(String),
    /// A seed parent with an odd number of sets.
    OddSeedParent(String),
    /// Pollen that no pistil stops.
    PollenNeverRejected(String),
    /// Peach and almond, whose alleles do not meet.
    PeachAndAlmond,
    /// Peach accepts its own pollen as a species.
    PeachSelfCompatible,
    /// A few fruits on an incompatible cross.
    FruitMeansContamination,
    /// An allele whose effect is expected, not certain.
    ExpectedNotCertain(String),
    /// The modifier outside the S locus counts in the verdict.
    PollenModifier,
    /// A name that is not used for alleles of the species.
    UnusualAllele(String, Species),
    /// The other direction gives another verdict.
    DirectionMatters(Verdict),
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PolyploidNotPredicted(taxon) => write!(
                f,
                "{taxon} is polyploid: the rule for diploids does not apply, so pollen is not predicted"
            ),
            Self::HybridNotPredicted(taxon) => write!(
                f,
                "{taxon} holds S alleles of more than one species: pollen is not predicted"
            ),
            Self::SpeciesDiffer => f.write_str(
                "the parents are of two species: alleles of the same name are not the same allele, \
                 so S alleles predict nothing here; see crossability",
            ),
            Self::AllelesMissing(parent) => write!(
                f,
                "all S alleles of the {parent} are needed, one for each set of chromosomes; have it genotyped or look it up"
            ),
            Self::OneAlleleMatch => f.write_str(
                "a grain with more than one S allele is stopped when any that works stands in the pistil and works there (one-allele match); shares are those of chromosomes that pair at random",
            ),
            Self::OneAlleleMatchExpected => f.write_str(
                "in this polyploid a grain is expected, not shown, to be stopped when any of its S alleles that works stands in the pistil and works there, as in sour cherry; shares are those of chromosomes that pair at random",
            ),
            Self::PairingMatters(low, high) => write!(
                f,
                "which chromosomes pair is not known: between {low} and {high} of the pollen is accepted"
            ),
            Self::AtMostAccepted(share) => write!(
                f,
                "by the alleles that are known at most {share} of the pollen is accepted"
            ),
            Self::PloidiesDiffer => f.write_str(
                "the parents differ in their sets of chromosomes: see what is said of the seedlings' fertility",
            ),
            Self::OddPollenParent(taxon) => write!(
                f,
                "{taxon} has an odd number of sets of chromosomes: most of its pollen does not live, and what lives is not foretold"
            ),
            Self::OddSeedParent(taxon) => write!(
                f,
                "{taxon} has an odd number of sets of chromosomes: few of its eggs live, whatever pollen is accepted"
            ),
            Self::PollenNeverRejected(taxon) => write!(
                f,
                "pollen of {taxon} is not recognised by any pistil: S alleles do not stand in the way; see crossability"
            ),
            Self::PeachAndAlmond => f.write_str(
                "no S allele of almond is known that peach stops, nor one of peach that almond does; the two are crossed both ways in practice",
            ),
            Self::PeachSelfCompatible => f.write_str(
                "peach is self-compatible as a species; male-sterile varieties give no usable pollen",
            ),
            Self::FruitMeansContamination => f.write_str(
                "a few fruits on an incompatible cross are a warning of stray pollen, not proof of the cross",
            ),
            Self::ExpectedNotCertain(allele) => write!(
                f,
                "{allele} is expected, not certain, to let its own pollen pass; confirm with a bagged branch"
            ),
            Self::PollenModifier => f.write_str(
                "a modifier outside the S locus lets pollen that carries it pass whatever its S allele",
            ),
            Self::UnusualAllele(allele, species) => write!(
                f,
                "{allele} is not a name used for alleles of {species}; check its spelling"
            ),
            Self::DirectionMatters(verdict) => {
                write!(f, "the reciprocal cross gives another verdict: {verdict}")
            }
        }
    }
}

impl Serialize for Note {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// What S alleles say of a cross.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Compatibility {
    /// How much of the pollen is accepted.
    pub verdict: Verdict,
    /// Share of the pollen that is accepted; `None` when not predicted, or known in sum only.
    pub accepted_pollen: Option<Share>,
    /// Names of the pollen parent's alleles of which some or all grains are accepted, in order.
    pub compatible_alleles: Vec<String>,
    /// S genotypes of the seedlings and their shares, which sum to 1; empty when none are
    /// expected or none can be predicted.
    pub progeny: Vec<(String, Share)>,
    /// What else to know.
    pub notes: Vec<Note>,
}

impl Compatibility {
    fn unknown(notes: Vec<Note>) -> Self {
        Self {
            verdict: Verdict::Unknown,
            accepted_pollen: None,
            compatible_alleles: Vec::new(),
            progeny: Vec::new(),
            notes,
        }
    }

    /// The share of one genotype among the seedlings, 0 when it is not expected.
    pub fn share_of(&self, genotype: &str) -> Share {
        self.progeny
            .iter()
            .find(|(known, _)| known == genotype)
            .map_or(Share::ZERO, |&(_, s)| s)
    }
}

/// Which of the pollen parent's pollen the seed parent accepts, and the seedlings to expect.
pub fn judge(seed_parent: &SGenotype, pollen_parent: &SGenotype) -> Compatibility {
    let mut outcome = judge_one_way(seed_parent, pollen_parent);
    let reciprocal = judge_one_way(pollen_parent, seed_parent).verdict;
    if reciprocal != outcome.verdict && reciprocal != Verdict::Unknown {
        outcome.notes.push(Note::DirectionMatters(reciprocal));
    }
    outcome
}

fn judge_one_way(seed_parent: &SGenotype, pollen_parent: &SGenotype) -> Compatibility {
    if let Some(told) = beyond_diploids::judge(seed_parent, pollen_parent) {
        return told;
    }
    let mut notes = Vec::new();
    for parent in [seed_parent, pollen_parent] {
        let note = match (parent.taxon.species(), parent.ruled_species()) {
            (None, _) => Note::HybridNotPredicted(parent.taxon.to_string()),
            (Some(species), None) => Note::PolyploidNotPredicted(species.to_string()),
            _ => continue,
        };
        if !notes.contains(&note) {
            notes.push(note);
        }
    }
    let (Some(species), Some(pollen_species), true) = (
        seed_parent.ruled_species(),
        pollen_parent.ruled_species(),
        notes.is_empty(),
    ) else {
        return Compatibility::unknown(notes);
    };
    if species != pollen_species {
        return Compatibility::unknown(vec![Note::SpeciesDiffer]);
    }
    if species.is_self_compatible() {
        notes.push(Note::PeachSelfCompatible);
    }
    let mut unusual: Vec<&SAllele> = seed_parent
        .alleles
        .iter()
        .chain(&pollen_parent.alleles)
        .filter(|a| !a.is_usual_in(species))
        .collect();
    unusual.sort();
    unusual.dedup();
    notes.extend(
        unusual
            .into_iter()
            .map(|a| Note::UnusualAllele(a.label.clone(), species)),
    );

    if !seed_parent.is_complete() || !pollen_parent.is_complete() {
        if species.is_self_compatible() || pollen_parent.pollen_modifier_copies == 2 {
            return Compatibility {
                verdict: Verdict::Full,
                accepted_pollen: Some(Share::ONE),
                compatible_alleles: pollen_parent.distinct_labels(|_| true),
                progeny: Vec::new(),
                notes,
            };
        }
        for (parent, role) in [
            (seed_parent, "seed parent"),
            (pollen_parent, "pollen parent"),
        ] {
            if !parent.is_complete() {
                notes.push(Note::AllelesMissing(role.to_owned()));
            }
        }
        return Compatibility::unknown(notes);
    }

    let accepted: Vec<(&SAllele, bool, Share)> = pollen_parent
        .grains()
        .into_iter()
        .filter(|&(allele, carries, _)| seed_parent.accepts(allele, carries))
        .collect();
    let accepted_pollen = accepted
        .iter()
        .try_fold(Share::ZERO, |sum, &(_, _, share)| sum.plus(share))
        .unwrap_or(Share::ONE);
    let verdict = match accepted_pollen {
        Share::ZERO => Verdict::None,
        Share::ONE => Verdict::Full,
        _ => Verdict::Half,
    };
    if verdict == Verdict::None {
        notes.push(Note::FruitMeansContamination);
    }
    if pollen_parent.pollen_modifier_copies > 0 {
        notes.push(Note::PollenModifier);
    }
    for allele in &seed_parent.alleles {
        let weak = allele.pistil == PistilAction::RejectsNothingAsARule;
        let met = pollen_parent.alleles.contains(allele);
        let note = Note::ExpectedNotCertain(allele.label.clone());
        if weak && met && !notes.contains(&note) {
            notes.push(note);
        }
    }

    let mut shares: BTreeMap<[&SAllele; 2], Share> = BTreeMap::new();
    for egg in &seed_parent.alleles {
        for &(grain, _, share) in &accepted {
            let mut pair = [egg, grain];
            pair.sort();
            let part = share
                .out_of(accepted_pollen)
                .and_then(|s| s.times(Share::HALF).ok());
            let entry = shares.entry(pair).or_insert(Share::ZERO);
            *entry = entry
                .plus(part.unwrap_or(Share::ZERO))
                .unwrap_or(Share::ONE);
        }
    }
    Compatibility {
        verdict,
        accepted_pollen: Some(accepted_pollen),
        compatible_alleles: pollen_parent
            .distinct_labels(|allele| accepted.iter().any(|(known, _, _)| *known == allele)),
        progeny: shares
            .into_iter()
            .map(|([x, y], share)| (format!("{x}{y}"), share))
            .collect(),
        notes,
    }
}

impl SGenotype {
    fn distinct_labels(&self, wanted: impl Fn(&SAllele) -> bool) -> Vec<String> {
        let mut labels: Vec<String> = self
            .alleles
            .iter()
            .filter(|a| wanted(a))
            .map(|a| a.label.clone())
            .collect();
        labels.dedup();
        labels
    }
}

/// Whether a plant sets fruit with its own pollen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SelfCompatibility {
    /// It does.
    Yes,
    /// It should, though exceptions are known.
    Expected,
    /// It does not.
    No,
    /// Not predicted.
    Unknown,
}

/// Whether a plant of this genotype accepts any of its own pollen.
pub fn self_compatibility(plant: &SGenotype) -> SelfCompatibility {
    let own = judge_one_way(plant, plant);
    let uncertain = own.notes.iter().any(|note| {
        matches!(
            note,
            Note::ExpectedNotCertain(_) | Note::OneAlleleMatchExpected
        )
    });
    match own.verdict {
        Verdict::Full | Verdict::Half if uncertain => SelfCompatibility::Expected,
        Verdict::Full | Verdict::Half => SelfCompatibility::Yes,
        Verdict::None => SelfCompatibility::No,
        Verdict::Unknown => SelfCompatibility::Unknown,
    }
}

/// What a seedling's S genotype says of its stated parents.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "outcome")]
pub enum SeedlingCheck {
    /// The parents can give it, with this share of their seedlings.
    Possible {
        /// Share of the seedlings with such a genotype.
        share: Share,
    },
    /// The parents cannot give it.
    Impossible {
        /// Why not.
        reason: String,
    },
    /// Too little is known.
    Undecided {
        /// What is missing.
        reason: String,
    },
}

/// Whether the stated parents can have given a seedling: it must hold one allele of the seed
/// parent and one accepted allele of the pollen parent. A seedling of which one allele is known is
/// judged by that one.
pub fn check_seedling(
    seedling: &SGenotype,
    seed_parent: &SGenotype,
    pollen_parent: &SGenotype,
) -> SeedlingCheck {
    if seedling.alleles.is_empty() {
        return SeedlingCheck::Undecided {
            reason: "the seedling has not been genotyped".to_owned(),
        };
    }
    let cross = judge_one_way(seed_parent, pollen_parent);
    if cross.verdict != Verdict::Unknown && !cross.progeny.is_empty()
        || cross.verdict == Verdict::None
    {
        let holds = |genotype: &str| {
            SGenotype::parse(seed_parent.taxon.clone(), genotype).is_ok_and(|expected| {
                let mut left = expected.alleles;
                seedling.alleles.iter().all(|allele| {
                    let place = left.iter().position(|known| known == allele);
                    place.map(|place| left.remove(place)).is_some()
                })
            })
        };
        let share = cross
            .progeny
            .iter()
            .filter(|(genotype, _)| holds(genotype))
            .try_fold(Share::ZERO, |sum, &(_, share)| sum.plus(share))
            .unwrap_or(Share::ONE);
        if !share.is_zero() {
            return SeedlingCheck::Possible { share };
        }
        let expected: Vec<&str> = cross
            .progeny
            .iter()
            .map(|(genotype, _)| genotype.as_str())
            .collect();
        let reason = if expected.is_empty() {
            format!("{seed_parent} accepts no pollen of {pollen_parent}")
        } else {
            format!(
                "{seed_parent} with pollen of {pollen_parent} gives {}, not {seedling}",
                expected.join(", ")
            )
        };
        return SeedlingCheck::Impossible { reason };
    }
    for (parent, role) in [
        (seed_parent, "seed parent"),
        (pollen_parent, "pollen parent"),
    ] {
        let same_diploid = parent.ruled_species().is_some() && parent.taxon == seedling.taxon;
        let shared = seedling
            .alleles
            .iter()
            .any(|allele| parent.alleles.contains(allele));
        if same_diploid && parent.is_complete() && seedling.is_complete() && !shared {
            let reason = format!("{seedling} holds no allele of the {role} {parent}");
            return SeedlingCheck::Impossible { reason };
        }
    }
    let reason = cross
        .notes
        .iter()
        .map(Note::to_string)
        .collect::<Vec<_>>()
        .join("; ");
    SeedlingCheck::Undecided { reason }
}

/// Groups of sweet cherries that share a genotype and so do not set fruit with each other. Genotypes
/// to groups as printed in growers' tables in part, the rest from memory (Tobutt et al. 2004;
/// Schuster 2012).
const SWEET_CHERRY_GROUPS: &[(&str, &str)] = &[
    ("I", "S1S2"),
    ("II", "S1S3"),
    ("III", "S3S4"),
    ("IV", "S2S3"),
    ("V", "S4S5"),
    ("VI", "S3S6"),
    ("VII", "S3S5"),
    ("VIII", "S2S5"),
    ("IX", "S1S4"),
    ("X", "S6S9"),
    ("XI", "S2S7"),
    ("XII", "S6S13"),
    ("XIII", "S2S4"),
    ("XIV", "S1S5"),
    ("XV", "S5S6"),
    ("XVI", "S3S9"),
    ("XVII", "S4S6"),
    ("XVIII", "S1S9"),
    ("XIX", "S3S13"),
    ("XX", "S1S6"),
    ("XXI", "S4S9"),
    ("XXII", "S3S12"),
];

/// The incompatibility group of a plant: for sweet cherry the Roman number, `SC` for a
/// self-compatible plant, and for other species the genotype itself. `None` when the genotype is
/// incomplete or, in sweet cherry, stands in no numbered group.
pub fn incompatibility_group(plant: &SGenotype) -> Option<String> {
    let species = plant.ruled_species().filter(|_| plant.is_complete())?;
    let genotype = plant.to_string();
    match (self_compatibility(plant), species) {
        (SelfCompatibility::Yes | SelfCompatibility::Expected, _) => Some("SC".to_owned()),
        (_, Species::Avium) => SWEET_CHERRY_GROUPS
            .iter()
            .find(|(_, of_group)| *of_group == genotype)
            .map(|(group, _)| (*group).to_owned()),
        _ => Some(genotype),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plant(species: Species, names: &[&str]) -> SGenotype {
        SGenotype::from_names(species, names).expect("a genotype")
    }

    fn cherry(genotype: &str) -> SGenotype {
        SGenotype::parse(Species::Avium, genotype).expect("a genotype")
    }

    fn progeny(cross: &Compatibility) -> Vec<(&str, String)> {
        cross
            .progeny
            .iter()
            .map(|(g, s)| (g.as_str(), s.to_string()))
            .collect()
    }

    #[test]
    fn a_modifier_outside_the_locus_adds_a_quarter() {
        let mother = plant(Species::Armeniaca, &["S1", "S2"]);
        let father = plant(Species::Armeniaca, &["S2", "Sc", "m0"]);
        let cross = judge(&mother, &father);
        assert_eq!(cross.accepted_pollen, Share::new(3, 4).ok());
        assert_eq!(cross.verdict, Verdict::Half);
        let expected = [
            ("S1S2", "1/6"),
            ("S1Sc", "1/3"),
            ("S2S2", "1/6"),
            ("S2Sc", "1/3"),
        ];
        assert_eq!(progeny(&cross), expected.map(|(g, s)| (g, s.to_owned())));
        assert!(cross.notes.contains(&Note::PollenModifier));
        let homozygous = plant(Species::Armeniaca, &["S2", "S2", "m0"]);
        assert_eq!(self_compatibility(&homozygous), SelfCompatibility::Yes);
        assert_eq!(
            judge(&mother, &father.with_pollen_modifier(2)).verdict,
            Verdict::Full
        );
    }

    #[test]
    fn direction_matters_with_mutants() {
        let (stella, bing) = (cherry("S3S4'"), cherry("S3S4"));
        assert_eq!(judge(&stella, &bing).verdict, Verdict::None);
        assert_eq!(judge(&bing, &stella).verdict, Verdict::Half);
        assert!(
            judge(&bing, &stella)
                .notes
                .contains(&Note::DirectionMatters(Verdict::None))
        );
        assert!(
            judge(&stella, &bing)
                .notes
                .contains(&Note::FruitMeansContamination)
        );
    }

    #[test]
    fn apricot_sc_pistils_stop_s8_pollen() {
        let mother = plant(Species::Armeniaca, &["S1", "Sc"]);
        let father = plant(Species::Armeniaca, &["S8", "S9"]);
        assert_eq!(judge(&mother, &father).compatible_alleles, ["S9"]);
        // In Japanese plum and in the older names of almond, Sc is an ordinary allele.
        for species in [Species::Salicina, Species::Dulcis] {
            let plum = plant(species, &["Sb", "Sc"]);
            assert_eq!(self_compatibility(&plum), SelfCompatibility::No);
        }
        let (old, new) = (
            plant(Species::Dulcis, &["Sc", "Sd"]),
            plant(Species::Dulcis, &["S7", "S8"]),
        );
        assert_eq!(judge(&old, &new).verdict, Verdict::None);
    }

    #[test]
    fn what_cannot_be_predicted_is_unknown() {
        let sour = plant(Species::Cerasus, &["S1", "S4", "S6"]);
        assert_eq!(judge(&sour, &cherry("S2S3")).verdict, Verdict::Unknown);
        assert_eq!(self_compatibility(&sour), SelfCompatibility::Unknown);
        assert_eq!(
            judge(&cherry("S1S3"), &plant(Species::Avium, &["S3"])).verdict,
            Verdict::Unknown
        );
        let apricot = plant(Species::Armeniaca, &["S1", "S3"]);
        let plum = plant(Species::Salicina, &["Sb", "Sc"]);
        assert_eq!(judge(&plum, &apricot).notes, [Note::SpeciesDiffer]);
        let peach = plant(Species::Persica, &[]);
        assert_eq!(judge(&peach, &peach).verdict, Verdict::Full);
        assert_eq!(self_compatibility(&peach), SelfCompatibility::Yes);
    }

    #[test]
    fn expected_is_told_from_certain() {
        assert_eq!(
            self_compatibility(&plant(Species::Salicina, &["Sc", "Se"])),
            SelfCompatibility::Expected
        );
        assert_eq!(
            self_compatibility(&plant(Species::Dulcis, &["S1", "Sf"])),
            SelfCompatibility::Yes
        );
    }

    #[test]
    fn names_are_read_in_their_usual_forms() {
        for name in ["S4'", "S4′", "4'", "s4’"] {
            assert_eq!(SAllele::named(Species::Avium, name).unwrap().label(), "S4'");
        }
        for bad in ["", "S", "S'", "Bing", "S 4", "S4-5"] {
            assert!(SAllele::named(Species::Avium, bad).is_err(), "{bad}");
        }
        assert!(SGenotype::from_names(Species::Avium, ["S1", "S2", "S3"]).is_err());
        assert_eq!(cherry("S12S6").to_string(), "S6S12");
        assert_eq!(cherry("S4'S4").to_string(), "S4S4'");
        let odd = judge(&plant(Species::Avium, &["Sx", "S1"]), &cherry("S3S4"));
        assert!(matches!(&odd.notes[0], Note::UnusualAllele(name, _) if name == "Sx"));
    }

    #[test]
    fn seedlings_are_held_against_their_parents() {
        let check = |seedling: &str, mother: &str, father: &str| {
            check_seedling(&cherry(seedling), &cherry(mother), &cherry(father))
        };
        assert_eq!(
            check("S1S4'", "S1S3", "S3S4'"),
            SeedlingCheck::Possible { share: Share::HALF }
        );
        assert!(matches!(
            check("S4'S6", "S3S4", "S3S4'"),
            SeedlingCheck::Impossible { .. }
        ));
        assert!(matches!(
            check("S3S4", "S3S4'", "S3S4"),
            SeedlingCheck::Impossible { .. }
        ));
        let unknown = plant(Species::Avium, &[]);
        let undecided = check_seedling(&cherry("S1S3"), &cherry("S1S2"), &unknown);
        assert!(matches!(undecided, SeedlingCheck::Undecided { .. }));
        let impossible = check_seedling(&cherry("S3S6"), &cherry("S1S2"), &unknown);
        assert!(matches!(impossible, SeedlingCheck::Impossible { .. }));
    }
}
