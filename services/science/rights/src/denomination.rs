//! Denominations against the principles of UPOV 1991, Article 20, that a machine can test.
//!
//! Nothing here rejects a name. Every finding is a warning that names its principle, for a person
//! to judge; earlier rights of others and the identity of the breeder cannot be tested here. The
//! article was read; the list of classes was not: a class is taken to be a genus, so that all of
//! *Prunus* is one class.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use deunicode::deunicode;
use rphonetic::{DoubleMetaphone, Encoder};
use serde::{Deserialize, Serialize};

use crate::{CAUTION, RightsError};

/// A principle of Article 20, or a practice beside it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Principle {
    /// Not solely figures, except where that is established practice.
    SolelyFigures,
    /// Different from every denomination in the class.
    Different,
    /// Not liable to cause confusion with another in the class.
    NotConfusing,
    /// Not liable to mislead as to characteristics or value.
    NotMisleadingCharacteristics,
    /// Not liable to mislead as to species.
    NotMisleadingSpecies,
    /// Not liable to mislead as to descent.
    NotMisleadingDescent,
    /// Fit to identify the variety: a generic designation, not a word for a rank.
    Identifies,
    /// The same in every territory.
    SameEverywhere,
    /// Recognisable beside a trade designation, and not itself one.
    ApartFromTradeDesignation,
}

impl Principle {
    /// Where the principle stands.
    pub const fn article(self) -> &'static str {
        match self {
            Self::SolelyFigures => "UPOV 1991 Art 20(2), second sentence",
            Self::Different => "UPOV 1991 Art 20(2), last sentence",
            Self::NotConfusing
            | Self::NotMisleadingCharacteristics
            | Self::NotMisleadingSpecies
            | Self::NotMisleadingDescent => "UPOV 1991 Art 20(2), third sentence",
            Self::Identifies => "UPOV 1991 Art 20(1)-(2)",
            Self::SameEverywhere => "UPOV 1991 Art 20(5)",
            Self::ApartFromTradeDesignation => "UPOV 1991 Art 20(8)",
        }
    }
}

/// A denomination in use or proposed for another variety.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KnownName {
    /// The denomination.
    pub name: String,
    /// Latin name of the species, or of the genus alone.
    pub species: String,
}

/// The same variety's denomination in another territory.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NameElsewhere {
    /// Country or jurisdiction.
    pub territory: String,
    /// The denomination there.
    pub name: String,
}

/// A denomination to be checked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Proposal {
    /// The denomination proposed.
    pub name: String,
    /// Latin name of the species, such as `Prunus persica`.
    pub species: String,
    /// Whether figures alone are established practice for such varieties.
    #[serde(default)]
    pub figures_are_established: bool,
    /// The same variety's denominations elsewhere.
    #[serde(default)]
    pub elsewhere: Vec<NameElsewhere>,
    /// Trade designations under which it is sold.
    #[serde(default)]
    pub trade_designations: Vec<String>,
}

/// A finding.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Warning {
    /// The principle.
    pub principle: Principle,
    /// Where it stands.
    pub article: &'static str,
    /// What was found, for a person.
    pub text: String,
    /// The other name, where there is one.
    pub against: Option<String>,
}

/// What the checks found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Findings {
    /// Warnings, in the order of the principles.
    pub warnings: Vec<Warning>,
    /// How many known names of the class were compared.
    pub compared_n: usize,
    /// An aid, not legal advice.
    pub caution: &'static str,
}

#[derive(Deserialize)]
struct Words {
    quality: Vec<String>,
    characteristic: Vec<String>,
    descent: Vec<String>,
    rank: Vec<String>,
    species: BTreeMap<String, Vec<String>>,
}

static WORDS: LazyLock<Words> = LazyLock::new(|| {
    let read = serde_json::from_str(include_str!("../data/denomination_words.json"));
    read.unwrap_or_else(|e| panic!("denomination_words.json does not hold together: {e}"))
});

/// A name without case, spaces, hyphens, punctuation and diacritics, in Latin letters.
pub fn fold(name: &str) -> String {
    deunicode(name)
        .chars()
        .filter(char::is_ascii_alphanumeric)
        .map(|c| c.to_ascii_lowercase())
        .collect()
}

/// As [`fold`], but with the vowels ä, ö, ü, ø and å written out as in German and Danish.
fn fold_written_out(name: &str) -> String {
    let mut written = String::with_capacity(name.len());
    for letter in name.chars().flat_map(char::to_lowercase) {
        match letter {
            'ä' | 'æ' => written.push_str("ae"),
            'ö' | 'ø' => written.push_str("oe"),
            'ü' => written.push_str("ue"),
            'å' => written.push_str("aa"),
            other => written.push(other),
        }
    }
    fold(&written)
}

/// The name's words in Latin letters and lower case, with a space before, between and after.
fn spaced(name: &str) -> String {
    let latin = deunicode(name).to_lowercase();
    let words = latin
        .split(|c: char| !c.is_ascii_alphanumeric())
        .filter(|word| !word.is_empty());
    format!(" {} ", words.collect::<Vec<_>>().join(" "))
}

fn holds(name_spaced: &str, phrase: &str) -> bool {
    let phrase = spaced(phrase);
    !phrase.trim().is_empty() && name_spaced.contains(&phrase)
}

fn genus(species: &str) -> String {
    species
        .split_whitespace()
        .next()
        .unwrap_or_default()
        .to_lowercase()
}

/// The common names of species that a name holds, each with the species it stands for.
fn common_names_in(name_spaced: &str) -> BTreeMap<&'static str, Vec<&'static str>> {
    let mut found: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for (species, words) in &WORDS.species {
        for word in words.iter().filter(|word| holds(name_spaced, word)) {
            found.entry(word).or_default().push(species);
        }
    }
    found
}

/// How alike two names are.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Likeness {
    Identical,
    Spelling { edits_n: usize },
    Sound,
    Apart,
}

/// One or more characters changed, added, left out or swapped: one in names of four to seven, two
/// in longer ones. Names in three characters or fewer are told apart by any difference.
fn edits_allowed(folded: &str) -> usize {
    match folded.len() {
        0..=3 => 0,
        4..=7 => 1,
        _ => 2,
    }
}

struct Form {
    folded: String,
    written_out: String,
    /// The two sounds of the name's letters; none when it holds fewer than four, or when it holds
    /// figures, which a sound leaves out.
    sounds: Option<(String, String)>,
}

impl Form {
    fn of(name: &str) -> Self {
        let folded = fold(name);
        let sounded = folded.len() >= 4 && folded.chars().all(|c| c.is_ascii_alphabetic());
        let sounds = sounded.then(|| {
            let coder = DoubleMetaphone::new(Some(12));
            (coder.encode(&folded), coder.encode_alternate(&folded))
        });
        Self {
            written_out: fold_written_out(name),
            folded,
            sounds,
        }
    }

    fn likeness(&self, other: &Self) -> Likeness {
        let identical = [&self.folded, &self.written_out]
            .iter()
            .any(|mine| **mine == other.folded || **mine == other.written_out);
        if identical {
            return Likeness::Identical;
        }
        let shorter = if self.folded.len() < other.folded.len() {
            self
        } else {
            other
        };
        let allowed_n = edits_allowed(&shorter.folded);
        let edits_n = strsim::osa_distance(&self.folded, &other.folded);
        if edits_n <= allowed_n {
            return Likeness::Spelling { edits_n };
        }
        match (&self.sounds, &other.sounds) {
            (Some(mine), Some(theirs))
                if mine.0.len() >= 3
                    && (mine.0 == theirs.0 || mine.0 == theirs.1 || mine.1 == theirs.0) =>
            {
                Likeness::Sound
            }
            _ => Likeness::Apart,
        }
    }
}

/// Checks a proposed denomination against the known names and the testable principles.
///
/// # Errors
/// [`RightsError::Empty`] when the name or the species is missing.
pub fn check(proposal: &Proposal, known: &[KnownName]) -> Result<Findings, RightsError> {
    let name = proposal.name.trim();
    let form = Form::of(name);
    if form.folded.is_empty() {
        return Err(RightsError::Empty {
            field: "name".to_owned(),
            remedy: "give a denomination with at least one letter or figure",
        });
    }
    let class = genus(&proposal.species);
    if class.is_empty() {
        return Err(RightsError::Empty {
            field: "species".to_owned(),
            remedy: "give the Latin name, such as Prunus persica; names are compared within a genus",
        });
    }
    let mut warnings = Vec::new();
    let mut warn = |principle: Principle, text: String, against: Option<&str>| {
        warnings.push(Warning {
            principle,
            article: principle.article(),
            text,
            against: against.map(str::to_owned),
        });
    };
    if form.folded.chars().all(|c| c.is_ascii_digit()) && !proposal.figures_are_established {
        warn(
            Principle::SolelyFigures,
            format!(
                "`{name}` is figures only, which is allowed only where it is established practice for such varieties"
            ),
            None,
        );
    }
    let in_class = || known.iter().filter(|other| genus(&other.species) == class);
    let name_spaced = spaced(name);
    for other in in_class() {
        let other_form = Form::of(&other.name);
        let against = Some(other.name.as_str());
        match form.likeness(&other_form) {
            Likeness::Identical => warn(
                Principle::Different,
                format!(
                    "`{name}` is the same as `{}` ({}) once case, spaces, hyphens and accents are left out",
                    other.name, other.species
                ),
                against,
            ),
            Likeness::Spelling { edits_n } => warn(
                Principle::NotConfusing,
                format!(
                    "`{name}` differs from `{}` ({}) by {edits_n} character{}",
                    other.name,
                    other.species,
                    if edits_n == 1 { "" } else { "s" }
                ),
                against,
            ),
            Likeness::Sound => warn(
                Principle::NotConfusing,
                format!(
                    "`{name}` may sound like `{}` ({})",
                    other.name, other.species
                ),
                against,
            ),
            Likeness::Apart if other_form.folded.len() >= 4 && holds(&name_spaced, &other.name) => {
                warn(
                    Principle::NotMisleadingDescent,
                    format!(
                        "`{name}` holds the whole of `{}` ({}) and may suggest descent from it",
                        other.name, other.species
                    ),
                    against,
                );
            }
            Likeness::Apart => {}
        }
    }
    for word in WORDS.quality.iter().chain(&WORDS.characteristic) {
        if holds(&name_spaced, word) {
            warn(
                Principle::NotMisleadingCharacteristics,
                format!(
                    "`{word}` speaks of a quality; it misleads if the variety lacks it or if others have it too"
                ),
                None,
            );
        }
    }
    for (word, species) in common_names_in(&name_spaced) {
        if species
            .iter()
            .any(|known| proposal.species.trim().eq_ignore_ascii_case(known))
        {
            let text = format!(
                "`{word}` is the common name of {} itself and does not tell the variety apart",
                proposal.species.trim()
            );
            warn(Principle::Identifies, text, None);
        } else {
            let text = format!(
                "`{word}` is a common name of {} and may mislead as to species",
                species.join(" and ")
            );
            warn(Principle::NotMisleadingSpecies, text, None);
        }
    }
    for word in WORDS
        .descent
        .iter()
        .filter(|word| holds(&name_spaced, word))
    {
        warn(
            Principle::NotMisleadingDescent,
            format!("`{word}` may suggest descent from, or a relation to, another variety"),
            None,
        );
    }
    for word in WORDS.rank.iter().filter(|word| holds(&name_spaced, word)) {
        warn(
            Principle::Identifies,
            format!(
                "`{word}` is a word for a rank or kind of plant and does not tell a variety apart"
            ),
            None,
        );
    }
    for other in &proposal.elsewhere {
        if other.name.trim() != name {
            let text = if Form::of(&other.name).likeness(&form) == Likeness::Identical {
                format!(
                    "in {} it is spelt `{}`; write it the same everywhere",
                    other.territory, other.name
                )
            } else {
                format!(
                    "in {} the variety is `{}`; one variety has the same denomination everywhere unless an office finds it unsuitable",
                    other.territory, other.name
                )
            };
            warn(Principle::SameEverywhere, text, Some(&other.name));
        }
    }
    for designation in &proposal.trade_designations {
        let likeness = Form::of(designation).likeness(&form);
        if !matches!(likeness, Likeness::Apart | Likeness::Sound) {
            warn(
                Principle::ApartFromTradeDesignation,
                format!(
                    "the trade designation `{designation}` is the same as, or nearly, the denomination, which must stay free for all to use"
                ),
                Some(designation),
            );
        }
    }
    warnings.sort_by_key(|warning| warning.principle);
    warnings.dedup();
    Ok(Findings {
        warnings,
        compared_n: in_class().count(),
        caution: CAUTION,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn proposal(name: &str) -> Proposal {
        Proposal {
            name: name.to_owned(),
            species: "Prunus persica".to_owned(),
            figures_are_established: false,
            elsewhere: Vec::new(),
            trade_designations: Vec::new(),
        }
    }

    fn known(name: &str, species: &str) -> KnownName {
        KnownName {
            name: name.to_owned(),
            species: species.to_owned(),
        }
    }

    fn principles(proposal: &Proposal, names: &[KnownName]) -> Vec<Principle> {
        check(proposal, names)
            .unwrap()
            .warnings
            .iter()
            .map(|warning| warning.principle)
            .collect()
    }

    #[test]
    fn figures_alone_fail_and_a_letter_among_them_passes() {
        assert_eq!(principles(&proposal("17"), &[]), [Principle::SolelyFigures]);
        assert_eq!(
            principles(&proposal("17-4"), &[]),
            [Principle::SolelyFigures]
        );
        assert_eq!(principles(&proposal("P17"), &[]), []);
        let established = Proposal {
            figures_are_established: true,
            ..proposal("17")
        };
        assert_eq!(principles(&established, &[]), []);
    }

    #[test]
    fn case_spaces_hyphens_accents_and_scripts_are_folded() {
        for (mine, theirs) in [
            ("Vela-Mora", "velamora"),
            ("VELA MORA", "Véla Mörä"),
            ("Muehlgold", "Mühlgold"),
            ("Muhlgold", "Mühlgold"),
            ("Molodets", "Молодец"),
        ] {
            let found = principles(&proposal(mine), &[known(theirs, "Prunus avium")]);
            assert_eq!(found, [Principle::Different], "{mine} against {theirs}");
        }
    }

    #[test]
    fn one_genus_is_one_class_and_another_genus_is_none() {
        let names = [
            known("Velamora", "Prunus domestica"),
            known("Velamora", "Malus domestica"),
        ];
        let findings = check(&proposal("Velamora"), &names).unwrap();
        assert_eq!((findings.warnings.len(), findings.compared_n), (1, 1));
        assert_eq!(principles(&proposal("Velamora"), &names[1..]), []);
    }

    #[test]
    fn near_spelling_and_like_sound_are_flagged_and_far_names_are_not() {
        let against = |mine: &str, theirs: &str| {
            principles(&proposal(mine), &[known(theirs, "Prunus persica")])
        };
        assert_eq!(against("Velamora", "Velanora"), [Principle::NotConfusing]);
        assert_eq!(against("Velamora", "Vealmora"), [Principle::NotConfusing]);
        assert_eq!(against("Fillipson", "Philipsen"), [Principle::NotConfusing]);
        assert_eq!(against("Velamora", "Quintara"), []);
        // Short codes and numbered selections differ by any character.
        assert_eq!(against("P17", "P18"), []);
        assert_eq!(against("Ost", "Ast"), []);
    }

    #[test]
    fn misleading_words_are_flagged_as_whole_words_only() {
        let found = |name: &str| principles(&proposal(name), &[]);
        assert_eq!(
            found("Super Vela"),
            [Principle::NotMisleadingCharacteristics]
        );
        assert_eq!(found("Supervela"), []);
        assert_eq!(found("Vela Plum"), [Principle::NotMisleadingSpecies]);
        assert_eq!(found("Vela Peach"), [Principle::Identifies]);
        assert_eq!(found("Vela Seedling"), [Principle::NotMisleadingDescent]);
        assert_eq!(found("Vela Hybrid"), [Principle::Identifies]);
        let cherry = Proposal {
            species: "Prunus avium".to_owned(),
            ..proposal("Vela Cherry")
        };
        assert_eq!(principles(&cherry, &[]), [Principle::Identifies]);
    }

    #[test]
    fn a_name_that_holds_a_known_name_suggests_descent() {
        let names = [known("Quintara", "Prunus persica")];
        let found = principles(&proposal("Bella Quintara"), &names);
        assert_eq!(found, [Principle::NotMisleadingDescent]);
    }

    #[test]
    fn the_same_name_everywhere_and_apart_from_the_trade_designation() {
        let elsewhere = |name: &str| NameElsewhere {
            territory: "CL".to_owned(),
            name: name.to_owned(),
        };
        let mut proposed = Proposal {
            elsewhere: vec![elsewhere("Velamora")],
            ..proposal("Velamora")
        };
        assert_eq!(principles(&proposed, &[]), []);
        proposed.elsewhere.push(elsewhere("Sol de Mayo"));
        assert_eq!(principles(&proposed, &[]), [Principle::SameEverywhere]);
        proposed.elsewhere.clear();
        proposed.trade_designations = vec!["Vela-Mora".to_owned(), "Sunset Treat".to_owned()];
        let findings = check(&proposed, &[]).unwrap();
        assert_eq!(findings.warnings.len(), 1);
        assert_eq!(findings.warnings[0].against.as_deref(), Some("Vela-Mora"));
    }

    #[test]
    fn nothing_to_check_is_an_error_that_names_the_field() {
        assert!(
            check(&proposal(" - "), &[])
                .unwrap_err()
                .to_string()
                .starts_with("name:")
        );
        let no_species = Proposal {
            species: String::new(),
            ..proposal("Velamora")
        };
        assert!(
            check(&no_species, &[])
                .unwrap_err()
                .to_string()
                .starts_with("species:")
        );
    }
}
