//! Out-cross doubt: the probability that a seedling's pollen parent is not the one intended.
//!
//! A mother's seeds come from three sources: pollinated flowers that took the intended pollen,
//! pollinated flowers that took other pollen (brought by insects, or their own where emasculation
//! failed), and flowers that opened unworked. The doubt is the share of the unintended in the sum
//! of expected seeds:
//!
//! ```text
//! intended  = pollinated × set × accepted × v (1 + h) / (v + h)
//! foreign   = pollinated × (1 − kept out) × foreign set on pistils
//! own       = pollinated × emasculation failures × self-fertility × set
//! strays    = unworked × open set × (s + (1 − s)(1 − kept out) × visited)
//! unworked  = strays left + late flowers × (1 − stripped)
//! ```
//!
//! with pollen germination v, half-way germination h and self-fertility s. The structure is ours;
//! the default rates are common practice from memory, to be replaced by a programme's own records.

use serde::{Deserialize, Serialize};

use crate::mendel::{Genotype, GenotypePattern};
use crate::s_locus::{SeedlingCheck, SelfCompatibility};

/// Why a doubt cannot be worked out.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum DoubtError {
    /// A share outside 0 to 1.
    #[error("{name} of {value} is not between 0 and 1")]
    Share {
        /// What was given.
        name: &'static str,
        /// Its value.
        value: f64,
    },
    /// A number that cannot be negative, or is not a number.
    #[error("{name} of {value} is not a number of 0 or more")]
    Number {
        /// What was given.
        name: &'static str,
        /// Its value.
        value: f64,
    },
}

/// How one mother was worked. All shares are 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CrossConditions {
    /// Flowers that were emasculated and given the intended pollen.
    pub pollinated_flowers_n: u32,
    /// Flowers found open that were neither worked nor taken off.
    pub stray_open_flowers_left_n: u32,
    /// Share of the late flowers taken off about a week after the last pass: 0 when the mother was
    /// not gone over, near 1 when she was.
    pub late_flowers_stripped: f64,
    /// Share of insect visits that the cover or house keeps away: 0 in the open.
    pub insects_kept_out: f64,
    /// Share of her own pollen's fertility that the mother lets through: 0 self-incompatible, 1
    /// fully self-fertile; see [`OutcrossRates::self_fertility`].
    pub self_fertility: f64,
    /// Germination of the intended pollen.
    pub pollen_viability: f64,
    /// Share of the intended pollen that the mother's S alleles accept.
    pub accepted_pollen: f64,
}

/// Rates that hold for a programme or a crop.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OutcrossRates {
    /// Seeds for each pollinated flower with good, accepted pollen.
    pub set_of_pollinated: f64,
    /// Germination at which pollen does half the work of perfect pollen.
    pub half_way_viability: f64,
    /// Seeds from foreign pollen for each emasculated flower in the open: bare pistils draw few
    /// insects.
    pub foreign_set_on_pistils: f64,
    /// Share of emasculated flowers left with an anther.
    pub emasculation_failures: f64,
    /// Seeds for each open flower that got fitting pollen.
    pub set_of_open_flowers: f64,
    /// Share of open flowers in the open that insects bring foreign pollen to.
    pub open_flowers_visited: f64,
    /// Flowers that open after the last pass on a mother thought finished.
    pub late_flowers_n: f64,
    /// Self-fertility of a plant whose S alleles reject its own pollen: never quite nothing.
    pub self_fertility_of_incompatible: f64,
}

impl Default for OutcrossRates {
    /// From memory, low confidence, but for the 15 late flowers (common practice) and the 2 % set
    /// of incompatible pollen (Egea and Burgos 1996, apricot).
    fn default() -> Self {
        Self {
            set_of_pollinated: 0.20,
            half_way_viability: 0.10,
            foreign_set_on_pistils: 0.01,
            emasculation_failures: 0.01,
            set_of_open_flowers: 0.10,
            open_flowers_visited: 0.70,
            late_flowers_n: 15.0,
            self_fertility_of_incompatible: 0.02,
        }
    }
}

impl OutcrossRates {
    /// The self-fertility to reckon with for what S alleles say of a plant.
    pub fn self_fertility(&self, of: SelfCompatibility) -> f64 {
        match of {
            SelfCompatibility::Yes => 1.0,
            SelfCompatibility::No => self.self_fertility_of_incompatible,
            SelfCompatibility::Expected | SelfCompatibility::Unknown => {
                0.5 * (1.0 + self.self_fertility_of_incompatible)
            }
        }
    }
}

/// Seeds expected on one mother, by source.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SeedSources {
    /// From the intended pollen.
    pub intended_n: f64,
    /// From foreign pollen on pollinated flowers.
    pub foreign_n: f64,
    /// From the mother's own pollen on pollinated flowers.
    pub own_n: f64,
    /// From flowers that opened unworked.
    pub strays_n: f64,
}

/// Probability that a seedling's pollen parent is not the one intended.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct OutcrossDoubt(f64);

impl CrossConditions {
    /// Seeds expected from each source.
    ///
    /// # Errors
    /// A share outside 0 to 1, or a negative rate.
    pub fn seed_sources(&self, rates: &OutcrossRates) -> Result<SeedSources, DoubtError> {
        let shares = [
            ("share of late flowers stripped", self.late_flowers_stripped),
            ("share of insects kept out", self.insects_kept_out),
            ("self-fertility", self.self_fertility),
            ("pollen viability", self.pollen_viability),
            ("share of pollen accepted", self.accepted_pollen),
            ("rate of emasculation failures", rates.emasculation_failures),
            ("share of open flowers visited", rates.open_flowers_visited),
        ];
        for (name, value) in shares {
            if !(0.0..=1.0).contains(&value) {
                return Err(DoubtError::Share { name, value });
            }
        }
        let numbers = [
            ("set of pollinated flowers", rates.set_of_pollinated),
            ("half-way viability", rates.half_way_viability),
            ("foreign set on pistils", rates.foreign_set_on_pistils),
            ("set of open flowers", rates.set_of_open_flowers),
            ("number of late flowers", rates.late_flowers_n),
        ];
        for (name, value) in numbers {
            if !(value >= 0.0 && value.is_finite()) {
                return Err(DoubtError::Number { name, value });
            }
        }
        let pollinated = f64::from(self.pollinated_flowers_n);
        let let_in = 1.0 - self.insects_kept_out;
        let (v, h) = (self.pollen_viability, rates.half_way_viability);
        let at_work = if v > 0.0 {
            v * (1.0 + h) / (v + h)
        } else {
            0.0
        };
        let unworked = f64::from(self.stray_open_flowers_left_n)
            + rates.late_flowers_n * (1.0 - self.late_flowers_stripped);
        let s = self.self_fertility;
        let fertilised = s + (1.0 - s) * let_in * rates.open_flowers_visited;
        Ok(SeedSources {
            intended_n: pollinated * rates.set_of_pollinated * self.accepted_pollen * at_work,
            foreign_n: pollinated * let_in * rates.foreign_set_on_pistils,
            own_n: pollinated * rates.emasculation_failures * s * rates.set_of_pollinated,
            strays_n: unworked * rates.set_of_open_flowers * fertilised,
        })
    }

    /// The doubt for a seedling of this mother; `None` when no seed is expected at all.
    ///
    /// # Errors
    /// As [`seed_sources`](Self::seed_sources).
    pub fn doubt(&self, rates: &OutcrossRates) -> Result<Option<OutcrossDoubt>, DoubtError> {
        let sources = self.seed_sources(rates)?;
        let unintended = sources.foreign_n + sources.own_n + sources.strays_n;
        let all = sources.intended_n + unintended;
        Ok((all > 0.0).then(|| OutcrossDoubt((unintended / all).clamp(0.0, 1.0))))
    }
}

/// How probable a marker or visible-locus result is for a seedling of each kind.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LocusEvidence {
    /// Probability of the result in a seedling of the stated parents.
    pub if_intended: f64,
    /// Probability of the result in a seedling of the mother and unintended pollen.
    pub if_outcross: f64,
}

impl LocusEvidence {
    /// What seeing a seedling with one of some genotypes says, at a locus of known parents.
    /// `other_pollen` holds alleles and their frequencies in the pollen that may have strayed in:
    /// of the varieties in bloom, or the mother's own.
    ///
    /// A visible trait is given by all genotypes that show it.
    ///
    /// # Errors
    /// A frequency outside 0 to 1, or frequencies that sum to more than 1.
    pub fn at_locus(
        seed_parent: &Genotype,
        pollen_parent: &Genotype,
        seen: &[GenotypePattern],
        other_pollen: &[(String, f64)],
    ) -> Result<Self, DoubtError> {
        let sum: f64 = other_pollen.iter().map(|&(_, frequency)| frequency).sum();
        let name = "frequency of alleles in other pollen";
        // Frequencies such as three times 1/3 may exceed one by rounding.
        let outside = other_pollen
            .iter()
            .map(|&(_, f)| f)
            .find(|f| !(0.0..=1.0).contains(f));
        if let Some(value) = outside.or((sum > 1.0 + 1e-9).then_some(sum)) {
            return Err(DoubtError::Share { name, value });
        }
        let fits = |x: &str, y: &str| {
            let genotype = Genotype::new(x, y);
            seen.iter().any(|pattern| pattern.matches(&genotype))
        };
        let with = |grains: &[(&str, f64)]| -> f64 {
            let pairs = seed_parent.alleles().into_iter();
            pairs
                .flat_map(|egg| {
                    grains
                        .iter()
                        .map(move |&(grain, share)| (egg, grain, share))
                })
                .filter(|&(egg, grain, _)| fits(egg, grain))
                .map(|(_, _, share)| 0.5 * share)
                .sum()
        };
        let intended = pollen_parent.alleles().map(|allele| (allele, 0.5));
        let others: Vec<(&str, f64)> = other_pollen
            .iter()
            .map(|(allele, frequency)| (allele.as_str(), *frequency))
            .collect();
        Ok(Self {
            if_intended: with(&intended),
            if_outcross: with(&others).min(1.0),
        })
    }

    /// What a seedling's S genotype says, given how probable it would be in an out-cross; `None`
    /// when too little is known of the parents.
    pub fn of_s_genotype(check: &SeedlingCheck, if_outcross: f64) -> Option<Self> {
        let if_intended = match check {
            SeedlingCheck::Possible { share } => share.value(),
            SeedlingCheck::Impossible { .. } => 0.0,
            SeedlingCheck::Undecided { .. } => return None,
        };
        Some(Self {
            if_intended,
            if_outcross,
        })
    }

    /// What the result alone says.
    pub fn finding(&self) -> ParentageFinding {
        match (self.if_intended > 0.0, self.if_outcross > 0.0) {
            (true, _) => ParentageFinding::CanBeOfStatedParents,
            (false, true) => ParentageFinding::CannotBeOfStatedPollenParent,
            (false, false) => ParentageFinding::CannotBeOfStatedParents,
        }
    }
}

/// What a result says of the stated parents.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ParentageFinding {
    /// The stated parents can give it.
    CanBeOfStatedParents,
    /// They cannot, though the mother with other pollen can: an out-cross.
    CannotBeOfStatedPollenParent,
    /// Neither they nor the mother with the other pollen considered can: a mix-up of seedlings or
    /// labels, a misread result, or pollen from elsewhere.
    CannotBeOfStatedParents,
}

impl OutcrossDoubt {
    /// A doubt known from elsewhere.
    ///
    /// # Errors
    /// Not between 0 and 1.
    pub fn new(probability: f64) -> Result<Self, DoubtError> {
        if (0.0..=1.0).contains(&probability) {
            Ok(Self(probability))
        } else {
            Err(DoubtError::Share {
                name: "out-cross doubt",
                value: probability,
            })
        }
    }

    /// The probability.
    pub fn probability(self) -> f64 {
        self.0
    }

    /// The doubt after a result, by Bayes' rule. A result is wrong with probability
    /// `error_rate`, and then says nothing. A result that neither kind of seedling can show leaves
    /// the doubt as it was; its [finding](LocusEvidence::finding) must be shown.
    ///
    /// # Errors
    /// A probability outside 0 to 1.
    pub fn after(self, evidence: &LocusEvidence, error_rate: f64) -> Result<Self, DoubtError> {
        let given = [
            (
                "probability of the result from the stated parents",
                evidence.if_intended,
            ),
            (
                "probability of the result from an out-cross",
                evidence.if_outcross,
            ),
            ("error rate", error_rate),
        ];
        for (name, value) in given {
            if !(0.0..=1.0).contains(&value) {
                return Err(DoubtError::Share { name, value });
            }
        }
        let misread = error_rate * evidence.if_intended.max(evidence.if_outcross);
        let likelihood = |probability: f64| (1.0 - error_rate) * probability + misread;
        let outcross = self.0 * likelihood(evidence.if_outcross);
        let both = outcross + (1.0 - self.0) * likelihood(evidence.if_intended);
        Ok(if both > 0.0 {
            Self((outcross / both).clamp(0.0, 1.0))
        } else {
            self
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WELL_WORKED: CrossConditions = CrossConditions {
        pollinated_flowers_n: 400,
        stray_open_flowers_left_n: 0,
        late_flowers_stripped: 1.0,
        insects_kept_out: 1.0,
        self_fertility: 0.0,
        pollen_viability: 0.8,
        accepted_pollen: 1.0,
    };

    fn doubt(conditions: CrossConditions) -> f64 {
        let doubt = conditions
            .doubt(&OutcrossRates::default())
            .expect("in range");
        doubt.expect("seeds").probability()
    }

    #[test]
    fn a_well_worked_mother_leaves_no_doubt() {
        assert_eq!(doubt(WELL_WORKED), 0.0);
        assert!(
            doubt(CrossConditions {
                insects_kept_out: 0.0,
                ..WELL_WORKED
            }) < 0.1
        );
        let dead = CrossConditions {
            pollen_viability: 0.0,
            insects_kept_out: 0.5,
            ..WELL_WORKED
        };
        assert_eq!(doubt(dead), 1.0);
        let none = CrossConditions {
            pollinated_flowers_n: 0,
            ..WELL_WORKED
        };
        assert_eq!(none.doubt(&OutcrossRates::default()), Ok(None));
        let wrong = CrossConditions {
            pollen_viability: 80.0,
            ..WELL_WORKED
        };
        assert!(wrong.doubt(&OutcrossRates::default()).is_err());
    }

    #[test]
    fn results_at_a_locus_change_the_doubt() {
        let [mother, father] = ["gg", "GG"].map(|text| Genotype::parse(text).unwrap());
        let seen = |text: &str| [GenotypePattern::parse(text).unwrap()];
        let other = [("G".to_owned(), 0.5), ("g".to_owned(), 0.5)];
        let before = OutcrossDoubt::new(0.1).unwrap();

        let fuzzy = LocusEvidence::at_locus(&mother, &father, &seen("G_"), &other).unwrap();
        assert_eq!((fuzzy.if_intended, fuzzy.if_outcross), (1.0, 0.5));
        assert!((before.after(&fuzzy, 0.0).unwrap().probability() - 0.05 / 0.95).abs() < 1e-12);

        let nectarine = LocusEvidence::at_locus(&mother, &father, &seen("gg"), &other).unwrap();
        assert_eq!(
            nectarine.finding(),
            ParentageFinding::CannotBeOfStatedPollenParent
        );
        assert_eq!(before.after(&nectarine, 0.0).unwrap().probability(), 1.0);
        let careful = before.after(&nectarine, 0.01).unwrap().probability();
        assert!(careful > 0.9 && careful < 1.0);

        let neither = LocusEvidence::at_locus(&mother, &father, &seen("GG"), &other).unwrap();
        assert_eq!(neither.finding(), ParentageFinding::CannotBeOfStatedParents);
        assert_eq!(before.after(&neither, 0.01), Ok(before));
    }
}
