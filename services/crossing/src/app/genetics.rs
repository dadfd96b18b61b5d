//! Questions of genetics that need nothing stored: compatibility, odds, species and loci.

use compatibility::catalogue::LethalModel;
use compatibility::{
    Genotype, GenotypePattern, KnownPhase, LocusCross, Phase, SGenotype, Share, Species, Survival,
    Taxon, WantedShare, catalogue, judge, plants_needed_for, segregation, unlinked_share,
    wanted_share,
};
use contract::crossing::{
    CompatibilityParent, CompatibilityReply, CompatibilityRequest, LinkagePhase, ListLociRequest,
    ListSpeciesRequest, LocusEntry, LocusList, LocusPhenotype, ProgenyLocus, ProgenyLocusShare,
    ProgenyOddsReply, ProgenyOddsRequest, ProgenyPhenotype, SpeciesEntry, SpeciesList,
};
use platform::{Fault, Fields, Unit};

use crate::CrossingApp;
use crate::domain::parents;

/// Loci in one question at most.
const MOST_LOCI: usize = 50;

/// Whether a pollen is accepted.
pub async fn compatibility(
    _app: &CrossingApp,
    _unit: &mut Unit,
    request: CompatibilityRequest,
) -> Result<CompatibilityReply, Fault> {
    let mut fields = Fields::new();
    let mut parent = |field: &str, told: Option<CompatibilityParent>| -> Option<SGenotype> {
        let told = told.unwrap_or_default();
        let taxon = parents::taxon(&mut fields, &format!("{field}/species"), &told.species);
        parents::s_genotype(
            &mut fields,
            &format!("{field}/s_alleles"),
            taxon.as_ref(),
            &told.s_alleles,
        )
    };
    let seed_parent = parent("seed_parent", request.seed_parent);
    let pollen_parent = parent("pollen_parent", request.pollen_parent);
    fields.finish()?;
    match (seed_parent, pollen_parent) {
        (Some(mother), Some(father)) => Ok(parents::compatibility_reply(&judge(&mother, &father))),
        _ => Err(Fault::field("/seed_parent", "is required")),
    }
}

/// The share of wanted seedlings and what a wish asks for.
pub async fn progeny_odds(
    _app: &CrossingApp,
    _unit: &mut Unit,
    request: ProgenyOddsRequest,
) -> Result<ProgenyOddsReply, Fault> {
    let mut fields = Fields::new();
    let species = if request.species.is_empty() {
        None
    } else {
        parents::taxon(&mut fields, "species", &request.species)
            .as_ref()
            .and_then(Taxon::species)
    };
    fields.require(
        (1..=MOST_LOCI).contains(&request.loci.len()),
        "loci",
        format!("give 1 to {MOST_LOCI} loci"),
    );
    if !(request.probability > 0.0 && request.probability < 1.0) {
        fields.fault(
            "probability",
            format!(
                "{} is not above 0 and below 1; 0.95 is usual",
                request.probability
            ),
        );
    }
    let crosses: Vec<LocusCross> = request
        .loci
        .iter()
        .take(MOST_LOCI)
        .enumerate()
        .filter_map(|(index, locus)| locus_cross(&mut fields, index, locus, species))
        .collect();
    let phases: Vec<KnownPhase> = request
        .phases
        .iter()
        .enumerate()
        .map(|(index, told)| known_phase(&mut fields, index, told, &crosses))
        .collect();
    let lethal = lethal_model(&mut fields, &request.lethal_model, species);
    let wanted_n = request.wanted_n.unwrap_or(1);
    fields.require(wanted_n >= 1, "wanted_n", "must be at least 1");
    fields.require(
        wanted_n <= 1_000_000,
        "wanted_n",
        "must be at most 1,000,000",
    );
    fields.finish()?;

    let unreckoned = |error: compatibility::GenotypeError| Fault::field("/loci", error.to_string());
    let mut share = share_of(species, &crosses, &phases).map_err(unreckoned)?;
    let living = match species.zip(lethal) {
        None => None,
        Some((species, LethalModel::Lives)) => Some(Living::all(species)),
        Some((species, LethalModel::Inviable)) => {
            Some(Living::of(species, &crosses, &phases).map_err(unreckoned)?)
        }
    };
    if let Some(living) = &living {
        share = living.among(share, &crosses, &phases).map_err(unreckoned)?;
    }
    let plants_for = |share: f64| {
        plants_needed_for(wanted_n, share, request.probability)
            .map_err(|error| Fault::field("/probability", error.to_string()))
    };
    let needed = plants_for(share.lowest)?;
    let mut reply = ProgenyOddsReply {
        share: share.exact.map(Share::value),
        fraction: share
            .exact
            .map(|share| share.to_string())
            .unwrap_or_default(),
        lowest_share: share.lowest,
        highest_share: share.highest,
        plants_needed: needed,
        plants_needed_at_best: plants_for(share.highest)?,
        loci: crosses
            .iter()
            .map(|cross| at_locus(cross, species, lethal.unwrap_or_default()))
            .collect(),
        linked: parents::linked_in_words(&share.linked),
        notes: notes_on(&share, species, &crosses, lethal),
        living_share: living.as_ref().map(|living| living.lowest),
        ..ProgenyOddsReply::default()
    };
    if let Some(rates) = request.survival {
        let survival = Survival {
            fruit_set: rates.fruit_set,
            seeds_per_fruit: rates.seeds_per_fruit,
            germination: rates.germination,
            // Plants are then of those that live, and more must come up than live.
            survival: rates.survival * living.as_ref().map_or(1.0, |living| living.lowest),
        };
        let needed = survival
            .needed_for(wanted_n, share.lowest, request.probability)
            .map_err(|error| Fault::field("/survival", error.to_string()))?;
        reply.seeds_needed = needed.map(|needed| needed.seeds_n);
        reply.fruits_needed = needed.map(|needed| needed.fruits_n);
        reply.flowers_needed = needed.map(|needed| needed.flowers_n);
    }
    Ok(reply)
}

/// The share wanted at every locus; without a species nothing is known of linkage.
fn share_of(
    species: Option<Species>,
    crosses: &[LocusCross],
    phases: &[KnownPhase],
) -> Result<WantedShare, compatibility::GenotypeError> {
    if let Some(species) = species {
        return wanted_share(species, crosses, phases);
    }
    let share = unlinked_share(crosses)?;
    Ok(WantedShare {
        exact: Some(share),
        lowest: share.value(),
        highest: share.value(),
        if_unlinked: share,
        linked: Vec::new(),
    })
}

/// Reads the lethal model.
fn lethal_model(fields: &mut Fields, text: &str, species: Option<Species>) -> Option<LethalModel> {
    let model = match text.trim() {
        "" => return None,
        "inviable" => LethalModel::Inviable,
        "lives" => LethalModel::Lives,
        other => {
            fields.fault(
                "lethal_model",
                format!("{other:?} is no model; write inviable or lives"),
            );
            return None;
        }
    };
    fields.require(
        species.is_some(),
        "lethal_model",
        "needs a species, whose catalogue says which genotypes are lost",
    );
    Some(model)
}

/// The seedlings that live to bear.
struct Living {
    species: Species,
    /// The crosses with all that lives wanted; none where all live.
    crosses: Vec<LocusCross>,
    /// Their share, at the least.
    lowest: f64,
    exact: Option<Share>,
}

impl Living {
    /// All of them.
    fn all(species: Species) -> Self {
        Self {
            species,
            crosses: Vec::new(),
            lowest: 1.0,
            exact: Some(Share::ONE),
        }
    }

    /// Those of no genotype that is lost.
    fn of(
        species: Species,
        crosses: &[LocusCross],
        phases: &[KnownPhase],
    ) -> Result<Self, compatibility::GenotypeError> {
        let crosses: Vec<LocusCross> = crosses
            .iter()
            .map(|cross| LocusCross {
                wanted: segregation(&cross.seed_parent, &cross.pollen_parent)
                    .into_iter()
                    .map(|(genotype, _)| genotype)
                    .filter(|genotype| {
                        catalogue::find(species, &cross.locus)
                            .is_none_or(|locus| !locus.may_be_lost(genotype))
                    })
                    .map(GenotypePattern::Exactly)
                    .collect(),
                ..cross.clone()
            })
            .collect();
        let share = wanted_share(species, &crosses, phases)?;
        Ok(Self {
            species,
            crosses,
            lowest: share.lowest,
            exact: share.exact,
        })
    }

    /// The share of the living that is wanted, from the share of all.
    fn among(
        &self,
        of_all: WantedShare,
        crosses: &[LocusCross],
        phases: &[KnownPhase],
    ) -> Result<WantedShare, compatibility::GenotypeError> {
        if self.crosses.is_empty() {
            return Ok(of_all);
        }
        let wanted: Vec<LocusCross> = crosses
            .iter()
            .zip(&self.crosses)
            .map(|(cross, living)| LocusCross {
                wanted: living
                    .wanted
                    .iter()
                    .filter(|genotype| match genotype {
                        GenotypePattern::Exactly(genotype) => {
                            cross.wanted.iter().any(|wanted| wanted.matches(genotype))
                        }
                        GenotypePattern::Carrying(_) => false,
                    })
                    .cloned()
                    .collect(),
                ..cross.clone()
            })
            .collect();
        let wanted = wanted_share(self.species, &wanted, phases)?;
        let exact = wanted
            .exact
            .zip(self.exact)
            .and_then(|(wanted, living)| wanted.out_of(living));
        let of_living = |share: f64, living: f64| {
            if living > 0.0 {
                (share / living).min(1.0)
            } else {
                0.0
            }
        };
        Ok(WantedShare {
            exact,
            lowest: exact.map_or(wanted.lowest, Share::value),
            highest: exact.map_or(of_living(wanted.highest, self.lowest), Share::value),
            if_unlinked: wanted.if_unlinked,
            linked: wanted.linked,
        })
    }
}

fn at_locus(
    cross: &LocusCross,
    species: Option<Species>,
    lethal: LethalModel,
) -> ProgenyLocusShare {
    let share = cross.share();
    let known = species.and_then(|species| catalogue::find(species, &cross.locus));
    let shown = known
        .map(|locus| locus.expected_phenotypes(&cross.seed_parent, &cross.pollen_parent, lethal));
    ProgenyLocusShare {
        locus: cross.locus.clone(),
        share: share.value(),
        fraction: share.to_string(),
        genotypes: parents::shares(&segregation(&cross.seed_parent, &cross.pollen_parent)),
        share_among_living: known
            .filter(|locus| !locus.inviable.is_empty())
            .and_then(|locus| locus.share_among_living(cross, lethal))
            .map(Share::value),
        phenotypes: shown
            .into_iter()
            .flat_map(|shown| shown.phenotypes)
            .map(|(phenotype, share)| ProgenyPhenotype {
                phenotype: phenotype.to_owned(),
                share: share.value(),
                fraction: share.to_string(),
            })
            .collect(),
    }
}

fn notes_on(
    share: &WantedShare,
    species: Option<Species>,
    crosses: &[LocusCross],
    lethal: Option<LethalModel>,
) -> Vec<String> {
    let mut notes = Vec::new();
    if share.highest <= 0.0 {
        notes
            .push("these parents give no such seedling; choose other parents or wishes".to_owned());
    }
    if species.is_none() && crosses.len() > 1 {
        notes.push("no species is given, so the loci are taken as unlinked".to_owned());
    }
    match share.exact {
        Some(_) if !share.linked.is_empty() => {
            notes.push("linked loci are reckoned together and exactly".to_owned());
        }
        None => notes.push(format!(
            "the share lies between {:.6} and {:.6}, as phases or recombination that are not known decide; unlinked it would be {}. Say the phases, or plan for the lowest",
            share.lowest, share.highest, share.if_unlinked
        )),
        Some(_) => {}
    }
    for cross in crosses {
        let locus = species.and_then(|species| catalogue::find(species, &cross.locus));
        if let Some(locus) = locus.filter(|locus| !locus.inviable.is_empty()) {
            let reckoned = match lethal {
                None => "shares are of all seedlings",
                Some(LethalModel::Inviable) => "shares and plants are of seedlings that live",
                Some(LethalModel::Lives) => "here they are taken to live",
            };
            notes.push(format!(
                "at {} seedlings of {} are lost before they bear, by one model in print; {reckoned}",
                locus.id,
                locus.inviable.join(", ")
            ));
        }
    }
    notes
}

fn known_phase(
    fields: &mut Fields,
    index: usize,
    told: &LinkagePhase,
    crosses: &[LocusCross],
) -> KnownPhase {
    let at = |field: &str| format!("phases/{index}/{field}");
    for (field, name) in [("locus", &told.locus), ("other_locus", &told.other_locus)] {
        fields.require(
            crosses.iter().any(|cross| cross.locus == name.trim()),
            &at(field),
            format!("{name:?} is not among the loci asked for"),
        );
    }
    let mut phase = |field: &str, text: &str| match text {
        "" => None,
        "coupling" => Some(Phase::Coupling),
        "repulsion" => Some(Phase::Repulsion),
        other => {
            fields.fault(
                &at(field),
                format!("{other:?} is not a phase; write coupling or repulsion"),
            );
            None
        }
    };
    KnownPhase {
        loci: [&told.locus, &told.other_locus].map(|name| name.trim().to_owned()),
        seed_parent: phase("seed_parent", &told.seed_parent),
        pollen_parent: phase("pollen_parent", &told.pollen_parent),
    }
}

fn locus_cross(
    fields: &mut Fields,
    index: usize,
    told: &ProgenyLocus,
    species: Option<Species>,
) -> Option<LocusCross> {
    let at = |field: &str| format!("loci/{index}/{field}");
    let locus = fields.text(&at("locus"), &told.locus, 60).to_owned();
    let known = species.and_then(|species| catalogue::find(species, &locus));
    let mut genotype = |field: &str, text: &str| -> Option<Genotype> {
        let read = match known {
            Some(known) => known.genotype(text),
            None => Genotype::parse(text),
        };
        read.map_err(|error| fields.fault(&at(field), error.to_string()))
            .ok()
    };
    let seed_parent = genotype("seed_parent", &told.seed_parent);
    let pollen_parent = genotype("pollen_parent", &told.pollen_parent);
    fields.require(
        !told.wanted.is_empty(),
        &at("wanted"),
        "name at least one wanted genotype",
    );
    let mut wanted = Vec::new();
    for (place, text) in told.wanted.iter().enumerate() {
        let by_phenotype = known.map(|known| known.showing(text)).unwrap_or_default();
        if !by_phenotype.is_empty() {
            wanted.extend(by_phenotype);
            continue;
        }
        match GenotypePattern::parse(text) {
            Ok(pattern) => wanted.push(pattern),
            Err(error) => fields.fault(&at(&format!("wanted/{place}")), error.to_string()),
        }
    }
    Some(LocusCross {
        locus,
        seed_parent: seed_parent?,
        pollen_parent: pollen_parent?,
        wanted,
    })
}

/// The species that can be registered.
pub async fn species(
    _app: &CrossingApp,
    _unit: &mut Unit,
    _request: ListSpeciesRequest,
) -> Result<SpeciesList, Fault> {
    let branch = |species: Species| match species.branch() {
        compatibility::Branch::PeachesAndAlmonds => "peaches_and_almonds",
        compatibility::Branch::PlumsAndApricots => "plums_and_apricots",
        compatibility::Branch::Cherries => "cherries",
    };
    Ok(SpeciesList {
        items: Species::ALL
            .iter()
            .map(|&species| SpeciesEntry {
                name: species.to_string(),
                common_name: species.common_name().to_owned(),
                chromosomes: species.chromosomes().into(),
                ploidy: species.ploidy().into(),
                branch: branch(species).to_owned(),
                self_compatible_as_a_rule: species.is_self_compatible(),
            })
            .collect(),
    })
}

/// The loci described in a species.
pub async fn loci(
    _app: &CrossingApp,
    _unit: &mut Unit,
    request: ListLociRequest,
) -> Result<LocusList, Fault> {
    let mut fields = Fields::new();
    let taxon = parents::taxon(&mut fields, "species", &request.species);
    fields.finish()?;
    let species = taxon.as_ref().map(Taxon::all_species).unwrap_or_default();
    Ok(LocusList {
        items: species
            .into_iter()
            .flat_map(catalogue::of_species)
            .map(|locus| LocusEntry {
                locus: locus.id.to_owned(),
                r#trait: locus.trait_name.to_owned(),
                alleles: locus
                    .alleles
                    .iter()
                    .map(|&allele| allele.to_owned())
                    .collect(),
                phenotypes: locus
                    .phenotypes
                    .iter()
                    .map(|(genotypes, phenotype)| LocusPhenotype {
                        genotypes: (*genotypes).to_owned(),
                        phenotype: (*phenotype).to_owned(),
                    })
                    .collect(),
                linkage_group: locus.linkage_group.map(u32::from),
                source: locus.source.to_owned(),
                note: locus.note.to_owned(),
            })
            .collect(),
    })
}
