use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// Basic chromosome number of Prunus.
pub const BASIC_CHROMOSOME_NUMBER: u16 = 8;

/// How a statement is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Evidence {
    /// Read in the named source.
    Read,
    /// Read in part; the rest is from memory.
    ReadInPart,
    /// From memory, to be confirmed before it is printed as a fact.
    FromMemory,
}

/// Branches of Prunus, between which crosses mostly fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Branch {
    /// Peaches and almonds (Amygdalus).
    PeachesAndAlmonds,
    /// Plums and apricots (Prunus in the narrow sense, with Armeniaca).
    PlumsAndApricots,
    /// Cherries (Cerasus).
    Cherries,
}

macro_rules! species {
    ($($variant:ident, $epithet:literal, $nothospecies:literal, $common:literal, $chromosomes:literal,
       $branch:ident, $evidence:ident;)*) => {
        /// A species of stone fruit, or a hybrid that bears a name of its own.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum Species {
            $(#[doc = concat!("Prunus ", $epithet, ", ", $common, ".")] $variant,)*
        }

        impl Species {
            /// Every species known here.
            pub const ALL: &'static [Self] = &[$(Self::$variant),*];

            /// The epithet, without the multiplication sign of a named hybrid.
            pub fn epithet(self) -> &'static str {
                match self { $(Self::$variant => $epithet),* }
            }

            /// Whether the name is that of a hybrid.
            pub fn is_named_hybrid(self) -> bool {
                match self { $(Self::$variant => $nothospecies),* }
            }

            /// The common name.
            pub fn common_name(self) -> &'static str {
                match self { $(Self::$variant => $common),* }
            }

            /// Chromosomes in a body cell, 2n; the usual number where several are seen.
            pub fn chromosomes(self) -> u16 {
                match self { $(Self::$variant => $chromosomes),* }
            }

            /// The branch of the genus.
            pub fn branch(self) -> Branch {
                match self { $(Self::$variant => Branch::$branch),* }
            }

            /// How the chromosome number is known.
            pub fn chromosome_evidence(self) -> Evidence {
                match self { $(Self::$variant => Evidence::$evidence),* }
            }
        }
    };
}

species! {
    Persica, "persica", false, "peach and nectarine", 16, PeachesAndAlmonds, FromMemory;
    Dulcis, "dulcis", false, "almond", 16, PeachesAndAlmonds, FromMemory;
    Davidiana, "davidiana", false, "David's peach", 16, PeachesAndAlmonds, FromMemory;
    Armeniaca, "armeniaca", false, "apricot", 16, PlumsAndApricots, FromMemory;
    Mume, "mume", false, "Japanese apricot", 16, PlumsAndApricots, FromMemory;
    Salicina, "salicina", false, "Japanese plum", 16, PlumsAndApricots, Read;
    Cerasifera, "cerasifera", false, "myrobalan", 16, PlumsAndApricots, FromMemory;
    Spinosa, "spinosa", false, "sloe", 32, PlumsAndApricots, FromMemory;
    Domestica, "domestica", false, "European plum", 48, PlumsAndApricots, Read;
    Insititia, "insititia", false, "damson", 48, PlumsAndApricots, Read;
    Avium, "avium", false, "sweet cherry", 16, Cherries, Read;
    Cerasus, "cerasus", false, "sour cherry", 32, Cherries, FromMemory;
    Gondouinii, "gondouinii", true, "duke cherry", 32, Cherries, FromMemory;
    Fruticosa, "fruticosa", false, "ground cherry", 32, Cherries, FromMemory;
    Pseudocerasus, "pseudocerasus", false, "Chinese cherry", 32, Cherries, Read;
    Mahaleb, "mahaleb", false, "mahaleb cherry", 16, Cherries, FromMemory;
}

impl Species {
    /// The name with the genus abbreviated, `P. persica`.
    pub fn abbreviated(self) -> String {
        format!("P. {}{}", self.sign(), self.epithet())
    }

    fn sign(self) -> &'static str {
        if self.is_named_hybrid() { "×" } else { "" }
    }

    /// Sets of chromosomes in a body cell.
    pub fn ploidy(self) -> u16 {
        self.chromosomes() / BASIC_CHROMOSOME_NUMBER
    }

    /// Whether the gametophytic rule for diploids predicts which pollen is accepted.
    pub fn s_rule_applies(self) -> bool {
        self.ploidy() == 2
    }

    /// Whether plants of the species accept their own pollen as a rule, whatever their S alleles.
    pub fn is_self_compatible(self) -> bool {
        matches!(self, Self::Persica)
    }
}

impl fmt::Display for Species {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Prunus {}{}", self.sign(), self.epithet())
    }
}

impl Serialize for Species {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Species {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?
            .parse()
            .map_err(serde::de::Error::custom)
    }
}

/// Why a name is not understood as a species or hybrid.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TaxonError {
    /// No species of that name is known here.
    #[error("`{name}` is not a species known here; known are {}", known_names())]
    UnknownSpecies {
        /// The name as given.
        name: String,
    },
    /// A hybrid formula with a missing parent or unbalanced parentheses.
    #[error(
        "`{formula}` is not a hybrid formula; write two names joined by ×, such as P. salicina × P. armeniaca"
    )]
    BadFormula {
        /// The formula as given.
        formula: String,
    },
}

fn known_names() -> String {
    Species::ALL
        .iter()
        .map(Species::to_string)
        .collect::<Vec<_>>()
        .join(", ")
}

impl FromStr for Species {
    type Err = TaxonError;

    /// Accepts `Prunus persica`, `P. persica`, `persica`, with or without the hybrid sign, and a
    /// few synonyms; the sign and capitals are ignored (botanical code, H.3.3).
    fn from_str(name: &str) -> Result<Self, TaxonError> {
        let plain = name.trim().to_lowercase().replace('×', " ");
        let words: Vec<&str> = plain
            .split_whitespace()
            .filter(|&word| word != "x")
            .collect();
        let epithet = match words.as_slice() {
            ["prunus" | "p." | "p", epithet] | [epithet] => epithet,
            [
                "prunus" | "p." | "p",
                "domestica",
                "subsp." | "ssp.",
                epithet,
            ] => epithet,
            _ => "",
        };
        let epithet = match epithet {
            "amygdalus" | "communis" => "dulcis",
            "triflora" => "salicina",
            "gondouini" => "gondouinii",
            "institia" => "insititia",
            other => other,
        };
        Self::ALL
            .iter()
            .copied()
            .find(|species| species.epithet() == epithet)
            .ok_or_else(|| TaxonError::UnknownSpecies {
                name: name.trim().to_owned(),
            })
    }
}

/// A species, or a hybrid given by its parents with the mother first.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Taxon {
    /// A species or named hybrid.
    Species(Species),
    /// A hybrid of two taxa.
    Hybrid {
        /// The mother.
        seed_parent: Box<Taxon>,
        /// The father.
        pollen_parent: Box<Taxon>,
    },
}

/// Said wherever a hybrid formula is printed: the botanical code (Rec. H.2A.1) asks that the basis
/// of the order be stated when it is not alphabetical.
pub const FORMULA_ORDER: &str = "female first";

impl Taxon {
    /// The taxon of seedlings of a cross: the species itself within a species, else the formula.
    pub fn of_cross(seed_parent: &Self, pollen_parent: &Self) -> Self {
        if seed_parent == pollen_parent {
            return seed_parent.clone();
        }
        Self::Hybrid {
            seed_parent: Box::new(seed_parent.clone()),
            pollen_parent: Box::new(pollen_parent.clone()),
        }
    }

    /// The species, unless this is a hybrid formula.
    pub fn species(&self) -> Option<Species> {
        match self {
            Self::Species(species) => Some(*species),
            Self::Hybrid { .. } => None,
        }
    }

    /// The name of its own that a hybrid bears: one formula has one correct name, whichever parent
    /// was the mother, and for later generations and backcrosses too (H.4.1).
    pub fn hybrid_name(&self) -> Option<Species> {
        let Self::Hybrid { .. } = self else {
            return None;
        };
        let mut parents = self.all_species();
        parents.sort();
        match parents.as_slice() {
            [Species::Avium, Species::Cerasus] => Some(Species::Gondouinii),
            _ => None,
        }
    }

    /// Every species in the formula, each once.
    pub fn all_species(&self) -> Vec<Species> {
        let mut all = Vec::new();
        self.collect_species(&mut all);
        all
    }

    fn collect_species(&self, all: &mut Vec<Species>) {
        match self {
            Self::Species(species) if all.contains(species) => {}
            Self::Species(species) => all.push(*species),
            Self::Hybrid {
                seed_parent,
                pollen_parent,
            } => {
                seed_parent.collect_species(all);
                pollen_parent.collect_species(all);
            }
        }
    }

    /// The hybrid's name for sorting and comparing: the sign is ignored (H.3.3) and so is the
    /// order of the parents, as one formula has one name whichever was the mother (H.4.1).
    pub fn sort_key(&self) -> String {
        match self {
            Self::Species(species) => species.epithet().to_owned(),
            Self::Hybrid {
                seed_parent,
                pollen_parent,
            } => {
                let mut keys = [seed_parent.sort_key(), pollen_parent.sort_key()];
                keys.sort();
                format!("({})", keys.join(" "))
            }
        }
    }

    /// Chromosomes expected in a body cell; `None` when a parent's gametes are not balanced.
    pub fn expected_chromosomes(&self) -> Option<u16> {
        match self {
            Self::Species(species) => Some(species.chromosomes()),
            Self::Hybrid {
                seed_parent,
                pollen_parent,
            } => expected_offspring(seed_parent, pollen_parent)
                .map(|offspring| offspring.chromosomes),
        }
    }

    fn write(&self, f: &mut fmt::Formatter<'_>, abbreviate: bool) -> fmt::Result {
        match self {
            Self::Species(species) if abbreviate => f.write_str(&species.abbreviated()),
            Self::Species(species) => write!(f, "{species}"),
            Self::Hybrid {
                seed_parent,
                pollen_parent,
            } => {
                seed_parent.write_as_parent(f, abbreviate)?;
                f.write_str(" × ")?;
                pollen_parent.write_as_parent(f, true)
            }
        }
    }

    fn write_as_parent(&self, f: &mut fmt::Formatter<'_>, abbreviate: bool) -> fmt::Result {
        match self {
            Self::Species(_) => self.write(f, abbreviate),
            Self::Hybrid { .. } => {
                f.write_str("(")?;
                self.write(f, abbreviate)?;
                f.write_str(")")
            }
        }
    }
}

impl From<Species> for Taxon {
    fn from(species: Species) -> Self {
        Self::Species(species)
    }
}

impl fmt::Display for Taxon {
    /// The hybrid formula by the botanical code (H.2.1, H.2 Ex. 2): parents joined by ×, the second
    /// keeping its genus abbreviated. Print [`FORMULA_ORDER`] beside it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.write(f, false)
    }
}

impl FromStr for Taxon {
    type Err = TaxonError;

    /// A species name, or a formula such as `Prunus salicina × P. armeniaca`, with `×` or a
    /// free-standing `x`, and parentheses around a parent that is itself a hybrid.
    fn from_str(text: &str) -> Result<Self, TaxonError> {
        let bad = || TaxonError::BadFormula {
            formula: text.trim().to_owned(),
        };
        let inner = stripped(text);
        let mut depth = 0i32;
        let mut split = None;
        for (place, character) in inner.char_indices() {
            match character {
                '(' => depth += 1,
                ')' => depth -= 1,
                // A sign set against the epithet, or after the genus, names a hybrid; one between
                // names is a formula.
                '×' | 'x' | 'X' if depth == 0 && joins_names(inner, place, character) => {
                    split = Some((place, place + character.len_utf8()));
                    break;
                }
                _ => {}
            }
            if depth < 0 {
                return Err(bad());
            }
        }
        match split {
            None if inner.contains(['(', ')']) => Err(bad()),
            None => inner.parse().map(Self::Species),
            Some((end, start)) => {
                let (seed_parent, pollen_parent) = (&inner[..end], &inner[start..]);
                if seed_parent.trim().is_empty() || pollen_parent.trim().is_empty() {
                    return Err(bad());
                }
                Ok(Self::Hybrid {
                    seed_parent: Box::new(seed_parent.parse()?),
                    pollen_parent: Box::new(pollen_parent.parse()?),
                })
            }
        }
    }
}

fn joins_names(text: &str, place: usize, sign: char) -> bool {
    let before = text[..place].trim_end();
    let after = &text[place + sign.len_utf8()..];
    let stands_free = (text[..place].is_empty() || text[..place].ends_with([' ', ')']))
        && (after.is_empty() || after.starts_with([' ', '(']));
    let genus_before = matches!(
        before.to_lowercase().rsplit(' ').next(),
        Some("prunus" | "p." | "p")
    );
    stands_free && !genus_before
}

/// The text without spaces around it and without parentheses around the whole.
fn stripped(text: &str) -> &str {
    let text = text.trim();
    let Some(inner) = text
        .strip_prefix('(')
        .and_then(|rest| rest.strip_suffix(')'))
    else {
        return text;
    };
    let mut depth = 0i32;
    let encloses = inner.chars().all(|character| {
        depth += match character {
            '(' => 1,
            ')' => -1,
            _ => 0,
        };
        depth >= 0
    });
    if encloses { stripped(inner) } else { text }
}

impl Serialize for Taxon {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Taxon {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?
            .parse()
            .map_err(serde::de::Error::custom)
    }
}

/// How fertile offspring of their chromosome number usually are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ExpectedFertility {
    /// An even number of sets within one species.
    Fertile,
    /// An even number of sets, from unlike parents: chromosomes may not pair.
    Uncertain,
    /// An odd number of sets: gametes are unbalanced.
    MostlySterile,
}

/// Chromosomes that seedlings of a cross should have, when both parents give reduced gametes.
/// Unreduced gametes are exceptions: they gave rise to the duke cherry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct ExpectedOffspring {
    /// Chromosomes in a body cell.
    pub chromosomes: u16,
    /// Sets of eight.
    pub ploidy: u16,
    /// What that number means for fertility.
    pub fertility: ExpectedFertility,
}

/// Chromosomes of the offspring: the sum of the parents' reduced gametes. `None` when a parent has
/// an odd number of sets, so that its gametes cannot be foretold.
pub fn expected_offspring(seed_parent: &Taxon, pollen_parent: &Taxon) -> Option<ExpectedOffspring> {
    let gamete = |parent: &Taxon| {
        let chromosomes = parent.expected_chromosomes()?;
        let even_sets = chromosomes % (2 * BASIC_CHROMOSOME_NUMBER) == 0;
        even_sets.then_some(chromosomes / 2)
    };
    let chromosomes = gamete(seed_parent)? + gamete(pollen_parent)?;
    let ploidy = chromosomes / BASIC_CHROMOSOME_NUMBER;
    let fertility = match (ploidy % 2, seed_parent == pollen_parent) {
        (1, _) => ExpectedFertility::MostlySterile,
        (_, true) => ExpectedFertility::Fertile,
        (_, false) => ExpectedFertility::Uncertain,
    };
    Some(ExpectedOffspring {
        chromosomes,
        ploidy,
        fertility,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn taxon(text: &str) -> Taxon {
        text.parse().expect("a taxon")
    }

    #[test]
    fn names_are_read_in_their_usual_forms() {
        for name in ["Prunus persica", "P. persica", "persica", " p. Persica "] {
            assert_eq!(name.parse(), Ok(Species::Persica));
        }
        for name in [
            "P. ×gondouinii",
            "Prunus × gondouinii",
            "Prunus x gondouinii",
        ] {
            assert_eq!(name.parse(), Ok(Species::Gondouinii));
            assert_eq!(taxon(name), Taxon::Species(Species::Gondouinii));
        }
        let error = "Malus domestica"
            .parse::<Species>()
            .unwrap_err()
            .to_string();
        assert!(
            error.contains("Malus domestica") && error.contains("Prunus salicina"),
            "{error}"
        );
        for species in Species::ALL {
            assert_eq!(species.to_string().parse(), Ok(*species));
            assert_eq!(species.abbreviated().parse(), Ok(*species));
        }
    }

    #[test]
    fn formulas_keep_the_mother_first() {
        let hybrid = taxon("P. salicina x Prunus armeniaca");
        assert_eq!(hybrid.to_string(), "Prunus salicina × P. armeniaca");
        assert_eq!(taxon(&hybrid.to_string()), hybrid);
        assert_ne!(hybrid, taxon("P. armeniaca × P. salicina"));
        assert_eq!(
            hybrid.sort_key(),
            taxon("P. armeniaca × P. salicina").sort_key()
        );
        let back = taxon("(P. salicina × P. armeniaca) × P. salicina");
        assert_eq!(
            back.to_string(),
            "(Prunus salicina × P. armeniaca) × P. salicina"
        );
        assert_eq!(back.all_species(), [Species::Salicina, Species::Armeniaca]);
        assert_eq!(back.hybrid_name(), None);
        assert_eq!(
            taxon("P. cerasus × P. avium").hybrid_name(),
            Some(Species::Gondouinii)
        );
        let double = taxon("(P. salicina × P. armeniaca) × (P. persica × P. dulcis)");
        assert_eq!(taxon(&double.to_string()), double);
        for bad in [
            "P. salicina × ",
            "(P. salicina × P. armeniaca",
            "P. salicina) × P. armeniaca",
        ] {
            assert!(bad.parse::<Taxon>().is_err(), "{bad}");
        }
    }

    #[test]
    fn offspring_sum_the_reduced_gametes() {
        let offspring = |x: &str, y: &str| expected_offspring(&taxon(x), &taxon(y)).unwrap();
        let triploid = offspring("P. avium", "P. cerasus");
        assert_eq!((triploid.chromosomes, triploid.ploidy), (24, 3));
        assert_eq!(triploid.fertility, ExpectedFertility::MostlySterile);
        assert_eq!(offspring("P. domestica", "P. salicina").chromosomes, 32);
        assert_eq!(
            offspring("P. persica", "P. persica").fertility,
            ExpectedFertility::Fertile
        );
        assert_eq!(
            taxon("P. avium × P. cerasus").expected_chromosomes(),
            Some(24)
        );
        assert_eq!(
            expected_offspring(&taxon("P. avium × P. cerasus"), &taxon("P. avium")),
            None
        );
    }
}
