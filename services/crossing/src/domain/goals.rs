//! What is wanted of a cross, and what a pair of parents promises of it.

use std::collections::{BTreeMap, BTreeSet};

use compatibility::{
    Genotype, GenotypePattern, LocusCross, ProgenySpread, Side, Species, WantedShare, catalogue,
    segregation, wanted_share,
};
use contract::crossing::{LocusGoal, ProgenyAtLocus, ProgenyTrait, TraitGoal};
use platform::Fields;

use super::{PlantId, parents};

/// Heritability of trait notes when nothing is said: in the range usual for fruit traits, from
/// memory.
const ASSUMED_HERITABILITY: f64 = 0.4;
/// Share of the seedlings that `low` and `high` of a trait hold.
const MIDDLE: f64 = 0.9;

/// Where parents' values come from.
enum Source {
    /// Their own trait notes.
    Phenotypes {
        mean: f64,
        standard_deviation: f64,
        heritability: f64,
    },
    /// Breeding values as deviations.
    BreedingValues {
        base_mean: f64,
        additive_variance: f64,
        other_variance: f64,
    },
}

/// A trait goal with the candidates' values.
pub struct TraitModel {
    /// The trait.
    pub name: String,
    /// Worth of a standard deviation.
    pub weight: f64,
    at_least: Option<f64>,
    at_most: Option<f64>,
    /// In order, so that sums over them come out the same every time.
    values: BTreeMap<PlantId, f64>,
    accuracies: BTreeMap<PlantId, f64>,
    source: Source,
    note: String,
}

fn note_of<'a>(traits: &'a BTreeMap<String, String>, name: &str) -> Option<&'a str> {
    traits
        .iter()
        .find(|(key, _)| key.trim().eq_ignore_ascii_case(name))
        .map(|(_, value)| value.trim())
}

impl TraitModel {
    /// Reads a goal against the candidates' trait notes; faults lie under `at`, as `traits/0`.
    pub fn read(
        fields: &mut Fields,
        at: &str,
        goal: &TraitGoal,
        notes: &[(PlantId, &BTreeMap<String, String>)],
    ) -> Option<Self> {
        let field = |name: &str| format!("{at}/{name}");
        let name = fields.text(&field("trait"), &goal.r#trait, 60).to_owned();
        let before = fields.any();
        fields.number(&field("weight"), goal.weight, -1e3, 1e3);
        if let (Some(low), Some(high)) = (goal.at_least, goal.at_most) {
            fields.require(
                low <= high,
                &field("at_least"),
                format!("{low} is above at_most, {high}"),
            );
        }
        fields.require(
            goal.weight != 0.0 || goal.at_least.is_some() || goal.at_most.is_some(),
            &field("weight"),
            "give a weight, at_least or at_most; without them the trait plays no part",
        );
        if let Some(heritability) = goal.heritability {
            fields.number(&field("heritability"), heritability, 0.0, 1.0);
        }
        if name.is_empty() || before {
            return None;
        }
        let model = if goal.breeding_values.is_empty() {
            Self::of_phenotypes(fields, &field, goal, name, notes)
        } else {
            Self::of_breeding_values(fields, &field, goal, name)
        };
        model.map(|model| Self {
            weight: goal.weight,
            at_least: goal.at_least,
            at_most: goal.at_most,
            ..model
        })
    }

    fn of_phenotypes(
        fields: &mut Fields,
        field: &dyn Fn(&str) -> String,
        goal: &TraitGoal,
        name: String,
        notes: &[(PlantId, &BTreeMap<String, String>)],
    ) -> Option<Self> {
        let values: BTreeMap<PlantId, f64> = notes
            .iter()
            .filter_map(|(id, traits)| Some((*id, note_of(traits, &name)?.parse::<f64>().ok()?)))
            .filter(|(_, value)| value.is_finite())
            .collect();
        let n = values.len() as f64;
        if values.is_empty() {
            fields.fault(
                &field("trait"),
                format!("no candidate has a number noted for {name:?}; note it on the plants, or give breeding_values"),
            );
            return None;
        }
        let mean = values.values().sum::<f64>() / n;
        let seen = (values.values().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
        let standard_deviation = goal.standard_deviation.unwrap_or(seen);
        if !(standard_deviation.is_finite() && standard_deviation > 0.0) {
            fields.fault(
                &field("standard_deviation"),
                format!("the candidates' notes of {name:?} do not tell how plants differ; give a standard deviation above 0"),
            );
            return None;
        }
        let heritability = goal.heritability.unwrap_or(ASSUMED_HERITABILITY);
        let note = format!(
            "trait notes of {} candidates, mean {mean:.3}; standard deviation {standard_deviation:.3} {}; heritability {heritability} {}",
            values.len(),
            if goal.standard_deviation.is_some() {
                "as given"
            } else {
                "among them"
            },
            if goal.heritability.is_some() {
                "as given"
            } else {
                "assumed"
            },
        );
        let source = Source::Phenotypes {
            mean,
            standard_deviation,
            heritability,
        };
        Some(Self {
            name,
            weight: 0.0,
            at_least: None,
            at_most: None,
            values,
            accuracies: BTreeMap::new(),
            source,
            note,
        })
    }

    fn of_breeding_values(
        fields: &mut Fields,
        field: &dyn Fn(&str) -> String,
        goal: &TraitGoal,
        name: String,
    ) -> Option<Self> {
        let mut values = BTreeMap::new();
        for (id, value) in &goal.breeding_values {
            let at = field(&format!("breeding_values/{id}"));
            if let Some(id) = fields.id(&at, id) {
                values.insert(id, fields.number(&at, *value, -1e6, 1e6));
            }
        }
        let mut accuracies = BTreeMap::new();
        for (id, accuracy) in &goal.accuracies {
            let at = field(&format!("accuracies/{id}"));
            if let Some(id) = fields.id(&at, id) {
                accuracies.insert(id, fields.number(&at, *accuracy, 0.0, 1.0));
            }
        }
        let additive_variance = goal.additive_variance.unwrap_or(0.0);
        fields.require(
            additive_variance.is_finite() && additive_variance > 0.0,
            &field("additive_variance"),
            "is required with breeding values, above 0: the spread of seedlings rests on it",
        );
        let other_variance = goal.other_variance.unwrap_or(0.0);
        fields.require(
            other_variance.is_finite() && other_variance >= 0.0,
            &field("other_variance"),
            format!("{other_variance} is no variance; it must not be negative"),
        );
        let note = format!(
            "breeding values {}; additive variance {additive_variance:.4}",
            if !goal.trial_id.is_empty() {
                "as the trial's figures tell them, drawn towards the mean by what is known of each"
                    .to_owned()
            } else if goal.analysis_id.is_empty() {
                "as given".to_owned()
            } else {
                format!(
                    "predicted by analysis {}, drawn towards the mean by what is known of each",
                    goal.analysis_id
                )
            }
        );
        let source = Source::BreedingValues {
            base_mean: goal.base_mean.unwrap_or(0.0),
            additive_variance,
            other_variance,
        };
        Some(Self {
            name,
            weight: 0.0,
            at_least: None,
            at_most: None,
            values,
            accuracies,
            source,
            note,
        })
    }

    /// Mean that deviations are counted from.
    fn centre(&self) -> f64 {
        match self.source {
            Source::Phenotypes { mean, .. } => mean,
            Source::BreedingValues { base_mean, .. } => base_mean,
        }
    }

    /// One standard deviation.
    fn scale(&self) -> f64 {
        match self.source {
            Source::Phenotypes {
                standard_deviation, ..
            } => standard_deviation,
            Source::BreedingValues {
                additive_variance, ..
            } => additive_variance.sqrt(),
        }
    }

    /// The word for where values come from.
    fn basis(&self) -> &'static str {
        match self.source {
            Source::Phenotypes { .. } => "phenotypes",
            Source::BreedingValues { .. } => "breeding_values",
        }
    }

    /// A plant's own value, in the trait's unit.
    fn value(&self, plant: PlantId) -> Option<f64> {
        let value = self.values.get(&plant).copied()?;
        Some(match self.source {
            Source::Phenotypes { .. } => value,
            Source::BreedingValues { base_mean, .. } => base_mean + value,
        })
    }

    /// Whether a plant's value is known.
    pub fn knows(&self, plant: PlantId) -> bool {
        self.values.contains_key(&plant)
    }

    /// What a plant passes on, weighted, in standard deviations; an unknown plant is average.
    pub fn merit(&self, plant: PlantId) -> f64 {
        let Some(value) = self.value(plant) else {
            return 0.0;
        };
        let inherited = match self.source {
            Source::Phenotypes { heritability, .. } => heritability,
            Source::BreedingValues { .. } => 1.0,
        };
        self.weight * inherited * (value - self.centre()) / self.scale()
    }

    /// Mean and spread of a pair's seedlings; `share_within` is the share of additive variance that
    /// segregates in the cross.
    pub fn spread(&self, pair: [PlantId; 2], share_within: f64) -> Option<ProgenySpread> {
        let values = [*self.values.get(&pair[0])?, *self.values.get(&pair[1])?];
        self.spread_of(values, share_within)
    }

    /// Share of a pair's seedlings within the wanted bounds, a parent that is not known being taken
    /// as average.
    pub fn share_expected(&self, pair: [PlantId; 2], share_within: f64) -> f64 {
        let average = match self.source {
            Source::Phenotypes { mean, .. } => mean,
            Source::BreedingValues { .. } => 0.0,
        };
        let values = pair.map(|plant| self.values.get(&plant).copied().unwrap_or(average));
        self.spread_of(values, share_within)
            .map_or(0.0, |spread| self.share_wanted(&spread))
    }

    fn spread_of(&self, values: [f64; 2], share_within: f64) -> Option<ProgenySpread> {
        match self.source {
            Source::Phenotypes {
                mean,
                standard_deviation,
                heritability,
            } => ProgenySpread::from_phenotypes(mean, values, heritability, standard_deviation),
            Source::BreedingValues {
                base_mean,
                additive_variance,
                other_variance,
            } => ProgenySpread::from_breeding_values(
                base_mean,
                values,
                additive_variance,
                share_within,
                other_variance,
            ),
        }
        .ok()
    }

    /// Share of the seedlings within the wanted bounds; 1 without bounds.
    pub fn share_wanted(&self, spread: &ProgenySpread) -> f64 {
        let beyond = |bound: Option<f64>, side| {
            bound.map_or(0.0, |bound| spread.share_beyond(bound, side).unwrap_or(0.0))
        };
        (1.0 - beyond(self.at_least, Side::Below) - beyond(self.at_most, Side::Above)).max(0.0)
    }

    /// Whether bounds are set.
    pub fn bounded(&self) -> bool {
        self.at_least.is_some() || self.at_most.is_some()
    }

    /// What a pair promises, as told to clients.
    pub fn expectation(&self, pair: [PlantId; 2], share_within: f64) -> ProgenyTrait {
        let spread = self.spread(pair, share_within);
        let middle = spread.and_then(|spread| spread.middle(MIDDLE).ok());
        ProgenyTrait {
            r#trait: self.name.clone(),
            seed_parent: self.value(pair[0]),
            pollen_parent: self.value(pair[1]),
            mean: spread.map(|spread| spread.mean),
            standard_deviation: spread.map(|spread| spread.standard_deviation),
            low: middle.map(|(low, _)| low),
            high: middle.map(|(_, high)| high),
            share_wanted: spread
                .filter(|_| self.bounded())
                .map(|spread| self.share_wanted(&spread)),
            basis: self.basis().to_owned(),
            basis_note: self.note.clone(),
            seed_parent_accuracy: self.accuracies.get(&pair[0]).copied(),
            pollen_parent_accuracy: self.accuracies.get(&pair[1]).copied(),
        }
    }
}

/// A locus goal that was understood.
pub struct LocusModel {
    locus: String,
    wanted: Vec<String>,
    refused: Vec<String>,
}

/// What is known of a plant's genotype at a locus: every genotype that it may have.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Possible(Vec<Genotype>);

impl Possible {
    /// The genotype, when it is the only one possible.
    pub fn known(&self) -> Option<&Genotype> {
        match self.0.as_slice() {
            [only] => Some(only),
            _ => None,
        }
    }
}

/// What is known of a plant at the loci asked for, in the order of the goals.
pub type Genotypes = Vec<Possible>;

/// Stands for every allele that neither the catalogue nor a wish names.
const OTHER_ALLELE: &str = "?";

impl LocusModel {
    /// Reads a goal; wishes must be phenotypes of a candidate species or genotypes.
    pub fn read(
        fields: &mut Fields,
        at: &str,
        goal: &LocusGoal,
        species: &[Species],
    ) -> Option<Self> {
        let locus = fields
            .text(&format!("{at}/locus"), &goal.locus, 60)
            .to_owned();
        fields.require(
            !goal.wanted.is_empty() || !goal.refused.is_empty(),
            &format!("{at}/wanted"),
            "name at least one genotype or phenotype that is wanted, or one that is refused",
        );
        for (list, texts) in [("wanted", &goal.wanted), ("refused", &goal.refused)] {
            for (place, text) in texts.iter().enumerate() {
                let read = species
                    .iter()
                    .map(|species| patterns(*species, &locus, text))
                    .find(Result::is_ok);
                if read.is_none()
                    && let Err(error) = GenotypePattern::parse(text)
                {
                    fields.fault(&format!("{at}/{list}/{place}"), error.to_string());
                }
            }
        }
        (!locus.is_empty()).then(|| Self {
            locus,
            wanted: goal.wanted.clone(),
            refused: goal.refused.clone(),
        })
    }

    /// The genotypes that a plant may have at the locus, from its notes: the one noted, those of a
    /// phenotype or of `G_`, or every one where nothing is noted that can be read.
    pub fn possible(&self, species: Species, loci: &BTreeMap<String, String>) -> Possible {
        let known = catalogue::find(species, &self.locus);
        let same = |name: &str| {
            name == self.locus
                || known.is_some_and(|known| {
                    catalogue::find(species, name).is_some_and(|l| l.id == known.id)
                })
        };
        let noted = loci.iter().find(|(name, _)| same(name));
        let narrowed = noted.and_then(|(_, text)| patterns(species, &self.locus, text).ok());
        if let Some([GenotypePattern::Exactly(genotype)]) = narrowed.as_deref()
            && known.is_none_or(|known| known.genotype(&genotype.to_string()).is_ok())
        {
            return Possible(vec![genotype.clone()]);
        }
        let all = match known {
            Some(known) => known.genotypes(),
            None => self.genotypes(narrowed.as_deref().unwrap_or_default()),
        };
        let fitting: Vec<Genotype> = all
            .iter()
            .filter(|genotype| {
                narrowed
                    .as_ref()
                    .is_some_and(|patterns| patterns.iter().any(|p| p.matches(genotype)))
            })
            .cloned()
            .collect();
        Possible(if fitting.is_empty() { all } else { fitting })
    }

    /// The genotypes that can be told apart at a locus that no catalogue describes: those of the
    /// alleles that wishes and a plant's note name, and of any other.
    fn genotypes(&self, noted: &[GenotypePattern]) -> Vec<Genotype> {
        let wishes = self.wanted.iter().chain(&self.refused);
        let wishes = wishes.filter_map(|text| GenotypePattern::parse(text).ok());
        let mut alleles: BTreeSet<String> = BTreeSet::from([OTHER_ALLELE.to_owned()]);
        for pattern in wishes.chain(noted.iter().cloned()) {
            match pattern {
                GenotypePattern::Exactly(genotype) => {
                    alleles.extend(genotype.alleles().map(str::to_owned));
                }
                GenotypePattern::Carrying(allele) => {
                    alleles.insert(allele);
                }
            }
        }
        let pairs = alleles.iter().enumerate();
        pairs
            .flat_map(|(i, x)| alleles.iter().skip(i).map(move |y| (x, y)))
            .map(|(x, y)| Genotype::new(x.as_str(), y.as_str()))
            .collect()
    }

    /// The least and the largest share of wanted seedlings over every genotype that the parents may
    /// have.
    fn bounds(&self, species: Species, mother: &Possible, father: &Possible) -> (f64, f64) {
        let pairs = mother
            .0
            .iter()
            .flat_map(|mother| father.0.iter().map(move |father| (mother, father)));
        pairs.fold((1.0, 0.0), |(low, high), (mother, father)| {
            let share = self.cross(species, mother, father).share().value();
            (f64::min(low, share), f64::max(high, share))
        })
    }

    /// The cross at the locus, with the genotypes among its seedlings that are wanted and not
    /// refused.
    fn cross(
        &self,
        species: Species,
        seed_parent: &Genotype,
        pollen_parent: &Genotype,
    ) -> LocusCross {
        let among = |texts: &[String], genotype: &Genotype| {
            texts.iter().any(|text| {
                patterns(species, &self.locus, text)
                    .is_ok_and(|patterns| patterns.iter().any(|p| p.matches(genotype)))
            })
        };
        let wanted = segregation(seed_parent, pollen_parent)
            .into_iter()
            .map(|(genotype, _)| genotype)
            .filter(|g| self.wanted.is_empty() || among(&self.wanted, g))
            .filter(|g| !among(&self.refused, g))
            .map(GenotypePattern::Exactly)
            .collect();
        LocusCross {
            locus: self.locus.clone(),
            seed_parent: seed_parent.clone(),
            pollen_parent: pollen_parent.clone(),
            wanted,
        }
    }

    /// What a pair promises, as told to clients.
    fn expectation(
        &self,
        species: Species,
        seed_parent: &Possible,
        pollen_parent: &Possible,
    ) -> ProgenyAtLocus {
        let text = |of: &Possible| of.known().map(ToString::to_string).unwrap_or_default();
        let (lowest_share, highest_share) = self.bounds(species, seed_parent, pollen_parent);
        let mut told = ProgenyAtLocus {
            locus: self.locus.clone(),
            seed_parent: text(seed_parent),
            pollen_parent: text(pollen_parent),
            lowest_share,
            highest_share,
            ..ProgenyAtLocus::default()
        };
        if let (Some(mother), Some(father)) = (seed_parent.known(), pollen_parent.known()) {
            let share = self.cross(species, mother, father).share();
            told.share_wanted = Some(share.value());
            told.fraction = share.to_string();
            told.genotypes = parents::shares(&segregation(mother, father));
        }
        told
    }
}

/// The genotypes that a wish names: a phenotype of the species' catalogue, a genotype or `G_`.
fn patterns(
    species: Species,
    locus: &str,
    text: &str,
) -> Result<Vec<GenotypePattern>, compatibility::GenotypeError> {
    let shown = catalogue::find(species, locus)
        .map(|l| l.showing(text))
        .unwrap_or_default();
    if shown.is_empty() {
        GenotypePattern::parse(text).map(|pattern| vec![pattern])
    } else {
        Ok(shown)
    }
}

/// What a pair promises at all loci.
#[derive(Debug, Clone, PartialEq)]
pub struct LociOdds {
    /// The share where it is known; none when a genotype is not.
    pub together: Option<WantedShare>,
    /// The least it can be, also when a genotype is not known.
    pub lowest: f64,
    /// The most it can be.
    pub highest: f64,
}

impl LociOdds {
    /// Holds a pair's genotypes against the goals. Linked loci are bounded, never multiplied; a locus
    /// at which a parent is not known is bounded over every genotype that it may have.
    pub fn of(
        models: &[LocusModel],
        species: Species,
        seed_parent: &Genotypes,
        pollen_parent: &Genotypes,
    ) -> Self {
        let mut known: Vec<LocusCross> = Vec::new();
        let mut open: Vec<(&LocusModel, (f64, f64))> = Vec::new();
        for (model, (mother, father)) in models.iter().zip(seed_parent.iter().zip(pollen_parent)) {
            match (mother.known(), father.known()) {
                (Some(mother), Some(father)) => known.push(model.cross(species, mother, father)),
                _ => open.push((model, model.bounds(species, mother, father))),
            }
        }
        let share = wanted_share(species, &known, &[]).ok();
        let (mut lowest, mut highest) = share
            .as_ref()
            .map_or((0.0, 1.0), |share| (share.lowest, share.highest));
        if open.is_empty() {
            return Self {
                together: share,
                lowest,
                highest,
            };
        }
        let group = |model: &LocusModel| {
            catalogue::find(species, &model.locus).and_then(|locus| locus.linkage_group)
        };
        let (linked, free): (Vec<_>, Vec<_>) = open.into_iter().partition(|(model, _)| {
            group(model).is_some_and(|own| {
                models
                    .iter()
                    .any(|other| other.locus != model.locus && group(other) == Some(own))
            })
        });
        // Whatever the dependence, and then what is independent of all the rest.
        for (_, (low, high)) in linked {
            lowest = (lowest + low - 1.0).max(0.0);
            highest = f64::min(highest, high);
        }
        for (_, (low, high)) in free {
            lowest *= low;
            highest *= high;
        }
        Self {
            together: None,
            lowest,
            highest,
        }
    }

    /// The share to rank by: exact, or the middle of its bounds where linkage leaves it open.
    pub fn ranked(&self) -> Option<f64> {
        let share = self.together.as_ref()?;
        Some(
            share
                .exact
                .map_or_else(|| f64::midpoint(share.lowest, share.highest), |s| s.value()),
        )
    }
}

/// What a pair promises at each locus, as told to clients.
pub fn locus_expectations(
    models: &[LocusModel],
    species: Species,
    seed_parent: &Genotypes,
    pollen_parent: &Genotypes,
) -> Vec<ProgenyAtLocus> {
    models
        .iter()
        .zip(seed_parent.iter().zip(pollen_parent))
        .map(|(model, (mother, father))| model.expectation(species, mother, father))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn loci(goals: &[(&str, &[&str], &[&str])]) -> Vec<LocusModel> {
        let mut fields = Fields::new();
        let models = goals
            .iter()
            .map(|(locus, wanted, refused)| {
                let list = |texts: &[&str]| texts.iter().map(|t| (*t).to_owned()).collect();
                let goal = LocusGoal {
                    locus: (*locus).into(),
                    wanted: list(wanted),
                    refused: list(refused),
                };
                LocusModel::read(&mut fields, "loci/0", &goal, &[Species::Persica]).unwrap()
            })
            .collect();
        fields.finish().unwrap();
        models
    }

    fn genotypes(texts: &[&str]) -> Genotypes {
        texts
            .iter()
            .map(|text| Possible(vec![Genotype::parse(text).unwrap()]))
            .collect()
    }

    fn noted(model: &LocusModel, notes: &[(&str, &str)]) -> Possible {
        let notes = notes
            .iter()
            .map(|(l, g)| ((*l).to_owned(), (*g).to_owned()));
        model.possible(Species::Persica, &notes.collect())
    }

    #[test]
    fn phenotypes_and_refusals_name_genotypes() {
        let wanted = loci(&[("G", &["nectarine"], &[])]);
        let odds = LociOdds::of(
            &wanted,
            Species::Persica,
            &genotypes(&["Gg"]),
            &genotypes(&["Gg"]),
        );
        assert_eq!(odds.ranked(), Some(0.25));
        let refused = loci(&[("G", &[], &["nectarine"])]);
        let odds = LociOdds::of(
            &refused,
            Species::Persica,
            &genotypes(&["Gg"]),
            &genotypes(&["gg"]),
        );
        assert_eq!(odds.ranked(), Some(0.5));
    }

    #[test]
    fn linked_loci_are_bounded_and_unknown_ones_left_open() {
        let models = loci(&[("G", &["gg"], &[]), ("D", &["D_"], &[])]);
        let both = genotypes(&["Gg", "Dd"]);
        let odds = LociOdds::of(&models, Species::Persica, &both, &both);
        let share = odds.together.clone().unwrap();
        assert_eq!((share.exact, share.linked.len()), (None, 1), "{odds:?}");
        assert!(odds.lowest < 3.0 / 16.0 && odds.highest > 3.0 / 16.0);
        let half_known = vec![
            Possible(vec![Genotype::parse("Gg").unwrap()]),
            noted(&models[1], &[]),
        ];
        let open = LociOdds::of(&models, Species::Persica, &both, &half_known);
        assert_eq!(
            (open.ranked(), open.lowest, open.highest),
            (None, 0.0, 0.25)
        );
    }

    #[test]
    fn an_unknown_genotype_is_bounded_by_what_it_may_be() {
        let models = loci(&[("G", &["nectarine"], &[]), ("Y", &["yy"], &[])]);
        let at = |model: usize, notes: &[(&str, &str)]| noted(&models[model], notes);
        assert_eq!(
            at(0, &[("G", "Gg")]).known(),
            Some(&Genotype::new("G", "g"))
        );
        // Nothing noted, an allele noted, and a phenotype noted.
        assert_eq!(at(0, &[]).0.len(), 3);
        assert_eq!(at(0, &[("G", "G_")]).0.len(), 2);
        assert_eq!(at(0, &[("G", "nectarine")]).0.len(), 1);
        let bounds = |mother: &str, father: &[(&str, &str)]| {
            let mother = genotypes(&[mother])[0].clone();
            models[0].bounds(Species::Persica, &mother, &at(0, father))
        };
        assert_eq!(bounds("gg", &[]), (0.0, 1.0));
        assert_eq!(bounds("Gg", &[]), (0.0, 0.5));
        assert_eq!(bounds("Gg", &[("G", "G_")]), (0.0, 0.25));
        assert_eq!(bounds("GG", &[]), (0.0, 0.0));
        // Y is unlinked to G: its bounds are multiplied with the share that is known.
        let known = [genotypes(&["gg"])[0].clone(), genotypes(&["yy"])[0].clone()];
        let open = [genotypes(&["Gg"])[0].clone(), at(1, &[])];
        let odds = LociOdds::of(&models, Species::Persica, &known.to_vec(), &open.to_vec());
        assert_eq!((odds.lowest, odds.highest, odds.ranked()), (0.0, 0.5, None));
    }

    #[test]
    fn a_locus_of_no_catalogue_has_other_alleles_too() {
        let models = loci(&[("Zz", &["a/b"], &[])]);
        let all = noted(&models[0], &[]);
        assert_eq!(all.0.len(), 6, "{all:?}");
        let mother = Possible(vec![Genotype::new("c", "c")]);
        assert_eq!(
            models[0].bounds(Species::Persica, &mother, &all),
            (0.0, 0.0),
            "c is passed on for certain"
        );
        let mother = Possible(vec![Genotype::new("a", "a")]);
        assert_eq!(
            models[0].bounds(Species::Persica, &mother, &all),
            (0.0, 1.0)
        );
    }

    #[test]
    fn a_trait_without_numbers_is_told() {
        let mut fields = Fields::new();
        let goal = TraitGoal {
            r#trait: "brix".into(),
            weight: 1.0,
            ..TraitGoal::default()
        };
        let notes = BTreeMap::from([("brix".to_owned(), "sweet".to_owned())]);
        let id = PlantId::new();
        assert!(TraitModel::read(&mut fields, "traits/0", &goal, &[(id, &notes)]).is_none());
        assert_eq!(fields.into_errors()[0].pointer, "/traits/0/trait");
    }

    proptest! {
        #[test]
        fn progeny_lie_between_the_candidates_mean_and_their_parents(
            a in 8.0f64..20.0, b in 8.0f64..20.0, c in 8.0f64..20.0, h2 in 0.0f64..=1.0
        ) {
            prop_assume!((a - b).abs() + (b - c).abs() > 0.1);
            let ids = [PlantId::new(), PlantId::new(), PlantId::new()];
            let notes = [a, b, c].map(|v| BTreeMap::from([("Brix".to_owned(), v.to_string())]));
            let notes: Vec<_> = ids.iter().copied().zip(&notes).collect();
            let goal = TraitGoal {
                r#trait: "brix".into(), weight: 1.0, heritability: Some(h2), at_least: Some(12.0),
                ..TraitGoal::default()
            };
            let mut fields = Fields::new();
            let model = TraitModel::read(&mut fields, "traits/0", &goal, &notes).unwrap();
            let spread = model.spread([ids[0], ids[1]], 0.5).unwrap();
            let (mean, mid) = ((a + b + c) / 3.0, (a + b) / 2.0);
            prop_assert!((spread.mean - (mean + h2 * (mid - mean))).abs() < 1e-9);
            let share = model.share_wanted(&spread);
            prop_assert!((0.0..=1.0).contains(&share));
            // A plant's merit is what its seedlings' mean shows.
            let index = (spread.mean - mean) / model.scale();
            prop_assert!((f64::midpoint(model.merit(ids[0]), model.merit(ids[1])) - index).abs() < 1e-9);
        }
    }
}
