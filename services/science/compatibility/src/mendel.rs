//! Segregation at single loci and at linked loci.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Serialize};

use crate::share::{Share, ShareError};

/// Why a genotype or a question of segregation is refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum GenotypeError {
    /// Text that does not fall into two alleles.
    #[error("`{0}` does not read as two alleles; write Gg, Dwdw, H1H3, or with a stroke, Br/br")]
    NotTwoAlleles(String),
    /// An allele that the locus does not have.
    #[error("`{allele}` is not an allele of locus {locus}; its alleles are {}", alleles.join(", "))]
    UnknownAllele {
        /// The allele as given.
        allele: String,
        /// The locus.
        locus: String,
        /// The locus' alleles.
        alleles: Vec<String>,
    },
    /// Haplotypes that do not name one allele at each locus.
    #[error("a haplotype of {found} alleles was given for {expected} linked loci")]
    HaplotypeLength {
        /// Loci in the group.
        expected: usize,
        /// Alleles in the haplotype.
        found: usize,
    },
    /// Recombination fractions that do not lie between neighbouring loci, or exceed ½.
    #[error("{loci} linked loci need {} recombination fractions of at most 1/2 between neighbours", loci - 1)]
    Recombination {
        /// Loci in the group.
        loci: usize,
    },
    /// More linked loci than can be worked through.
    #[error("{loci} linked loci are too many at once; the limit is {limit}")]
    TooManyLinkedLoci {
        /// Loci in the group.
        loci: usize,
        /// Loci allowed.
        limit: usize,
    },
    /// One locus in two crosses of one question.
    #[error("locus {0} is given more than once; put all wanted genotypes of a locus together")]
    RepeatedLocus(String),
    /// The share cannot be held exactly.
    #[error(transparent)]
    Share(#[from] ShareError),
}

/// The two alleles of a plant at one locus; their order carries no meaning.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Genotype {
    alleles: [String; 2],
}

impl Genotype {
    /// A genotype of two named alleles.
    pub fn new(x: impl Into<String>, y: impl Into<String>) -> Self {
        let mut alleles = [x.into(), y.into()];
        // `G` sorts before `g`, `H1` before `H2`: dominance series are written that way.
        alleles.sort();
        Self { alleles }
    }

    /// Reads `Gg`, `Dwdw`, `H1H3`, `Br/br`.
    ///
    /// # Errors
    /// The text does not fall into two alleles.
    pub fn parse(text: &str) -> Result<Self, GenotypeError> {
        let [x, y] = two_alleles(text)?;
        Ok(Self::new(x, y))
    }

    /// The alleles in order.
    pub fn alleles(&self) -> [&str; 2] {
        [&self.alleles[0], &self.alleles[1]]
    }

    /// Whether both alleles are the same.
    pub fn is_homozygous(&self) -> bool {
        self.alleles[0] == self.alleles[1]
    }
}

fn two_alleles(text: &str) -> Result<[&str; 2], GenotypeError> {
    let text = text.trim();
    let bad = || GenotypeError::NotTwoAlleles(text.to_owned());
    let is_allele = |part: &str| {
        !part.is_empty()
            && part
                .chars()
                .all(|c| c.is_alphanumeric() || "+-'*_".contains(c))
    };
    let parts = if let Some((x, y)) = text.split_once('/') {
        [x.trim(), y.trim()]
    } else {
        let starts: Vec<usize> = text
            .char_indices()
            .zip(std::iter::once(None).chain(text.chars().map(Some)))
            .filter(|&((_, own), before)| {
                let after_name = before.is_none_or(|b: char| !b.is_alphabetic());
                own.is_alphabetic() && after_name
            })
            .map(|((place, _), _)| place)
            .collect();
        match starts.as_slice() {
            // Letters followed by digits or primes, twice: H1H3, S4S4', B10b.
            [0, second] => [&text[..*second], &text[*second..]],
            _ => {
                let middle = text.chars().count() / 2;
                let cut = text
                    .char_indices()
                    .nth(middle)
                    .map_or(0, |(place, _)| place);
                let (x, y) = text.split_at(cut);
                if !x.eq_ignore_ascii_case(y) {
                    return Err(bad());
                }
                [x, y]
            }
        }
    };
    if parts.iter().all(|part| is_allele(part)) {
        Ok(parts)
    } else {
        Err(bad())
    }
}

impl fmt::Display for Genotype {
    /// Both alleles in one piece, or with a stroke where one piece would be read otherwise.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [x, y] = self.alleles();
        let whole = format!("{x}{y}");
        match two_alleles(&whole) {
            Ok(read) if read == [x, y] => f.write_str(&whole),
            _ => write!(f, "{x}/{y}"),
        }
    }
}

impl TryFrom<String> for Genotype {
    type Error = GenotypeError;

    fn try_from(text: String) -> Result<Self, GenotypeError> {
        Self::parse(&text)
    }
}

impl From<Genotype> for String {
    fn from(genotype: Genotype) -> Self {
        genotype.to_string()
    }
}

/// Genotypes asked for: one, or all that carry an allele, `G_`.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum GenotypePattern {
    /// One genotype.
    Exactly(Genotype),
    /// Any genotype with at least one copy of the allele.
    Carrying(String),
}

impl GenotypePattern {
    /// Reads a genotype, or `G_` (also `G-`) for all that carry an allele.
    ///
    /// # Errors
    /// The text is neither.
    pub fn parse(text: &str) -> Result<Self, GenotypeError> {
        let text = text.trim();
        match text
            .strip_suffix(['_', '-'])
            .map(|allele| allele.trim_end_matches('/'))
        {
            Some(allele) if !allele.is_empty() && allele.chars().all(char::is_alphanumeric) => {
                Ok(Self::Carrying(allele.to_owned()))
            }
            _ => Genotype::parse(text).map(Self::Exactly),
        }
    }

    /// Whether a genotype is among those asked for.
    pub fn matches(&self, genotype: &Genotype) -> bool {
        match self {
            Self::Exactly(wanted) => wanted == genotype,
            Self::Carrying(allele) => genotype.alleles.contains(allele),
        }
    }
}

/// Genotypes of the seedlings of a cross at one locus, with shares that sum to 1.
pub fn segregation(seed_parent: &Genotype, pollen_parent: &Genotype) -> Vec<(Genotype, Share)> {
    let mut quarters: BTreeMap<Genotype, u128> = BTreeMap::new();
    for egg in &seed_parent.alleles {
        for grain in &pollen_parent.alleles {
            *quarters
                .entry(Genotype::new(egg.clone(), grain.clone()))
                .or_insert(0) += 1;
        }
    }
    quarters
        .into_iter()
        .map(|(genotype, n)| (genotype, Share::new(n, 4).unwrap_or(Share::ONE)))
        .collect()
}

/// A cross seen at one locus, and which of its seedlings are wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LocusCross {
    /// The locus, named as in the catalogue.
    pub locus: String,
    /// The mother's genotype.
    pub seed_parent: Genotype,
    /// The father's genotype.
    pub pollen_parent: Genotype,
    /// Wanted genotypes; a seedling that matches any of them is wanted.
    pub wanted: Vec<GenotypePattern>,
}

impl LocusCross {
    /// A cross with all genotypes as text.
    ///
    /// # Errors
    /// A genotype that cannot be read.
    pub fn parse<T: AsRef<str>>(
        locus: &str,
        seed_parent: &str,
        pollen_parent: &str,
        wanted: impl IntoIterator<Item = T>,
    ) -> Result<Self, GenotypeError> {
        Ok(Self {
            locus: locus.to_owned(),
            seed_parent: Genotype::parse(seed_parent)?,
            pollen_parent: Genotype::parse(pollen_parent)?,
            wanted: wanted
                .into_iter()
                .map(|text| GenotypePattern::parse(text.as_ref()))
                .collect::<Result<_, _>>()?,
        })
    }

    /// Share of the seedlings that are wanted.
    pub fn share(&self) -> Share {
        segregation(&self.seed_parent, &self.pollen_parent)
            .into_iter()
            .filter(|(genotype, _)| self.wanted.iter().any(|wanted| wanted.matches(genotype)))
            .fold(Share::ZERO, |sum, (_, share)| {
                sum.plus(share).unwrap_or(Share::ONE)
            })
    }
}

/// Share of the seedlings that are wanted at every one of several **unlinked** loci. Loci of one
/// linkage group go into a [`LinkedCross`] instead; [`catalogue::linked_pairs`] finds them.
///
/// [`catalogue::linked_pairs`]: crate::catalogue::linked_pairs
///
/// # Errors
/// A locus given twice, or a share that is too fine to be held exactly.
pub fn unlinked_share(crosses: &[LocusCross]) -> Result<Share, GenotypeError> {
    let mut share = Share::ONE;
    for (place, cross) in crosses.iter().enumerate() {
        if crosses[..place]
            .iter()
            .any(|earlier| earlier.locus == cross.locus)
        {
            return Err(GenotypeError::RepeatedLocus(cross.locus.clone()));
        }
        share = share.times(cross.share())?;
    }
    Ok(share)
}

/// Most loci worked through in one linkage group.
pub const LINKED_LOCI_LIMIT: usize = 8;

/// How the alleles of two loci lie on the chromosomes of a double heterozygote.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Phase {
    /// First alleles together: GD / gd.
    Coupling,
    /// First alleles apart: Gd / gD.
    Repulsion,
}

/// A plant's two chromosomes over a group of linked loci, one allele for each locus.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LinkedGenotype {
    /// One chromosome.
    pub first: Vec<String>,
    /// The other.
    pub second: Vec<String>,
}

impl LinkedGenotype {
    /// Two loci in a known phase. The phase matters only when both are heterozygous.
    pub fn of_two(x: &Genotype, y: &Genotype, phase: Phase) -> Self {
        let [x, y] = [x, y].map(|genotype| genotype.alleles().map(str::to_owned));
        let [x1, x2] = x;
        let [y1, y2] = y;
        match phase {
            Phase::Coupling => Self {
                first: vec![x1, y1],
                second: vec![x2, y2],
            },
            Phase::Repulsion => Self {
                first: vec![x1, y2],
                second: vec![x2, y1],
            },
        }
    }

    /// Gametes and their shares, which sum to 1. Crossing over is taken to be independent between
    /// intervals (no interference).
    ///
    /// # Errors
    /// Haplotypes of unequal length, or recombination fractions that do not fit them.
    pub fn gametes(
        &self,
        recombination: &[Share],
    ) -> Result<Vec<(Vec<String>, Share)>, GenotypeError> {
        let loci = self.first.len();
        if self.second.len() != loci {
            return Err(GenotypeError::HaplotypeLength {
                expected: loci,
                found: self.second.len(),
            });
        }
        if loci > LINKED_LOCI_LIMIT {
            return Err(GenotypeError::TooManyLinkedLoci {
                loci,
                limit: LINKED_LOCI_LIMIT,
            });
        }
        let above_half = |r: &Share| 2 * r.numerator() > r.denominator();
        if recombination.len() + 1 != loci || recombination.iter().any(above_half) {
            return Err(GenotypeError::Recombination { loci });
        }
        let mut gametes: BTreeMap<Vec<String>, Share> = BTreeMap::new();
        for origins in 0u32..1 << loci {
            let from_first = |locus: usize| origins >> locus & 1 == 0;
            let mut share = Share::HALF;
            for (interval, &r) in recombination.iter().enumerate() {
                let crossed = from_first(interval) != from_first(interval + 1);
                share = share.times(if crossed { r } else { r.complement() })?;
            }
            let alleles = (self.first.iter().zip(&self.second).enumerate())
                .map(|(locus, (x, y))| {
                    if from_first(locus) {
                        x.clone()
                    } else {
                        y.clone()
                    }
                })
                .collect();
            let entry = gametes.entry(alleles).or_insert(Share::ZERO);
            *entry = entry.plus(share)?;
        }
        gametes.retain(|_, share| !share.is_zero());
        Ok(gametes.into_iter().collect())
    }
}

/// A cross seen at several loci of one linkage group.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkedCross {
    /// Recombination fractions between neighbouring loci, each at most ½.
    pub recombination: Vec<Share>,
    /// The mother's chromosomes.
    pub seed_parent: LinkedGenotype,
    /// The father's chromosomes.
    pub pollen_parent: LinkedGenotype,
    /// Wanted genotypes at each locus; a locus with an empty list is left open.
    pub wanted: Vec<Vec<GenotypePattern>>,
}

impl LinkedCross {
    /// Share of the seedlings that are wanted at every locus of the group.
    ///
    /// # Errors
    /// Haplotypes, recombination fractions and wanted genotypes that do not fit each other.
    pub fn share(&self) -> Result<Share, GenotypeError> {
        let loci = self.wanted.len();
        for parent in [&self.seed_parent, &self.pollen_parent] {
            if parent.first.len() != loci {
                let found = parent.first.len();
                return Err(GenotypeError::HaplotypeLength {
                    expected: loci,
                    found,
                });
            }
        }
        let eggs = self.seed_parent.gametes(&self.recombination)?;
        let grains = self.pollen_parent.gametes(&self.recombination)?;
        let mut sum = Share::ZERO;
        for (egg, egg_share) in &eggs {
            for (grain, grain_share) in &grains {
                let wanted =
                    self.wanted
                        .iter()
                        .zip(egg.iter().zip(grain))
                        .all(|(patterns, (x, y))| {
                            let genotype = Genotype::new(x.clone(), y.clone());
                            patterns.is_empty()
                                || patterns.iter().any(|pattern| pattern.matches(&genotype))
                        });
                if wanted {
                    sum = sum.plus(egg_share.times(*grain_share)?)?;
                }
            }
        }
        Ok(sum)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn genotype(text: &str) -> Genotype {
        Genotype::parse(text).expect("a genotype")
    }

    fn shares(x: &str, y: &str) -> Vec<(String, String)> {
        let shares = segregation(&genotype(x), &genotype(y)).into_iter();
        shares
            .map(|(g, s)| (g.to_string(), s.to_string()))
            .collect()
    }

    #[test]
    fn genotypes_are_read_in_their_usual_forms() {
        let read = |text: &str| genotype(text).alleles().map(str::to_owned);
        assert_eq!(read("gG"), ["G", "g"]);
        assert_eq!(read("Dwdw"), ["Dw", "dw"]);
        assert_eq!(read("dw/Dw"), ["Dw", "dw"]);
        assert_eq!(read("H3H1"), ["H1", "H3"]);
        assert_eq!(read("H1H10"), ["H1", "H10"]);
        assert_eq!(read("S4S4'"), ["S4", "S4'"]);
        assert_eq!(read("Evgevg"), ["Evg", "evg"]);
        let unlike = Genotype::new("Dark", "pale");
        assert_eq!(unlike.to_string(), "Dark/pale");
        assert_eq!(read(&unlike.to_string()), ["Dark", "pale"]);
        for bad in ["", "G", "Ggg", "GD", "/", "G/", "H1", "G g g"] {
            assert!(Genotype::parse(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn one_locus_segregates_by_quarters() {
        let text = |pairs: &[(&str, &str)]| {
            pairs
                .iter()
                .map(|&(g, s)| (g.to_owned(), s.to_owned()))
                .collect::<Vec<_>>()
        };
        assert_eq!(
            shares("Gg", "Gg"),
            text(&[("GG", "1/4"), ("Gg", "1/2"), ("gg", "1/4")])
        );
        assert_eq!(
            shares("Dwdw", "dwdw"),
            text(&[("Dwdw", "1/2"), ("dwdw", "1/2")])
        );
        assert_eq!(
            shares("H1H2", "H2H3"),
            text(&[
                ("H1H2", "1/4"),
                ("H1H3", "1/4"),
                ("H2H2", "1/4"),
                ("H2H3", "1/4")
            ])
        );
    }

    #[test]
    fn linked_loci_are_not_multiplied() {
        let both = |phase| {
            let parent = LinkedGenotype::of_two(&genotype("Gg"), &genotype("Sksk"), phase);
            LinkedCross {
                recombination: vec![Share::from_decimal(0.12).unwrap()],
                seed_parent: parent.clone(),
                pollen_parent: parent,
                wanted: ["gg", "sksk"]
                    .map(|g| vec![GenotypePattern::parse(g).unwrap()])
                    .to_vec(),
            }
        };
        assert_eq!(both(Phase::Coupling).share().unwrap().value(), 0.1936);
        assert_eq!(both(Phase::Repulsion).share().unwrap().value(), 0.0036);
        let mut free = both(Phase::Repulsion);
        free.recombination = vec![Share::HALF];
        assert_eq!(free.share(), Ok(Share::new(1, 16).unwrap()));
        free.recombination = vec![Share::new(3, 4).unwrap()];
        assert!(free.share().is_err());
    }

    #[test]
    fn patterns_take_in_all_carriers() {
        let carriers = LocusCross::parse("G", "Gg", "Gg", ["G_"]).unwrap();
        assert_eq!(carriers.share().to_string(), "3/4");
        let both = LocusCross::parse("G", "Gg", "Gg", ["G_", "GG", "gg"]).unwrap();
        assert_eq!(both.share(), Share::ONE);
        assert_eq!(
            LocusCross::parse("G", "Gg", "Gg", [""; 0]).unwrap().share(),
            Share::ZERO
        );
        assert!(GenotypePattern::parse("_").is_err());
    }
}
