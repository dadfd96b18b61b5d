//! Ranking possible crosses for an objective.
//!
//! Trait means are drawn from the parents' noted values towards the mean of all parents by the
//! heritability; shares at loci are multiplied as if unlinked; kin, incompatible pollen and
//! impossible genotypes refuse a pair, all else is weighed and told.

use std::collections::{BTreeSet, HashMap};

use compatibility::{
    Genotype, GenotypePattern, LocusCross, ProgenySpread, SGenotype, Side, Verdict, unlinked_share,
};
use contract::crossing::{
    CrossRanking, LocusAim, ProgenyShare, RankCrossesRequest, RankedCross, TraitAim,
    TraitExpectation,
};
use platform::database::Day;
use platform::{Fault, Fields, Unit};

use super::advice::expected_set;
use super::germplasm::rights_warning;
use super::{pedigree, seasons};
use crate::CrossingApp;
use crate::domain::warnings::{WarningCode, warning};
use crate::domain::windows::bloom;
use crate::domain::{PlantId, parents};
use crate::store::germplasm::{self as plants, GermplasmRow, lineage};
use crate::store::pollen;
use crate::store::seasons::{bloom_notes, latest_day};

/// Parents on one side at most.
const MOST_PARENTS: usize = 400;
const USUAL_HERITABILITY: f64 = 0.4;
const USUAL_CEILING: f64 = 0.25;
const USUAL_FRUIT: u32 = 100;
const USUAL_LIMIT: u32 = 20;
/// Flowers pollinated on a usual pass.
const FLOWERS_PER_PASS: u32 = 60;
/// A share of wanted seedlings below this counts as this, so that a score stays a number.
const LEAST_SHARE: f64 = 1e-4;

/// One trait's aim with what is known of it among the parents.
struct Aim<'a> {
    told: &'a TraitAim,
    values: HashMap<PlantId, f64>,
    mean: f64,
    deviation: f64,
    heritability: f64,
}

/// Ranks possible crosses.
pub async fn rank(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RankCrossesRequest,
) -> Result<CrossRanking, Fault> {
    let mut fields = Fields::new();
    let today = latest_day(unit.now());
    let year = if request.season.trim().is_empty() {
        Some(i32::from(today.year()))
    } else {
        seasons::year(&mut fields, "season", &request.season)
    };
    let ceiling = request.kinship_ceiling.unwrap_or(USUAL_CEILING);
    fields.number("kinship_ceiling", ceiling, 0.0, 1.0);
    let fruit_wanted_n = request.fruit_wanted_n.unwrap_or(USUAL_FRUIT);
    fields.count("fruit_wanted_n", fruit_wanted_n, 1, 100_000);
    let limit = request.limit.unwrap_or(USUAL_LIMIT);
    fields.count("limit", limit, 1, 200);
    check_aims(&mut fields, &request.traits, &request.loci);
    let mothers = side(
        &mut fields,
        unit,
        "seed_parent_ids",
        &request.seed_parent_ids,
        &request.species,
    )
    .await?;
    let fathers = side(
        &mut fields,
        unit,
        "pollen_parent_ids",
        &request.pollen_parent_ids,
        &request.species,
    )
    .await?;
    fields.finish()?;
    let year = year.unwrap_or_else(|| i32::from(today.year()));

    let all: BTreeSet<PlantId> = mothers.iter().chain(&fathers).map(|row| row.id).collect();
    let ids: Vec<PlantId> = all.into_iter().collect();
    let lines = lineage(unit.connection(), &ids).await?;
    let kinship = pedigree::built(&lines)?
        .kinship(&ids)
        .map_err(Fault::internal)?;
    let place: HashMap<PlantId, usize> = ids.iter().enumerate().map(|(i, id)| (*id, i)).collect();
    let genotypes: HashMap<PlantId, SGenotype> = mothers
        .iter()
        .chain(&fathers)
        .filter_map(|row| {
            Some((
                row.id,
                parents::stored_genotype(&row.species, &row.s_alleles)?,
            ))
        })
        .collect();
    let notes = bloom_notes(unit.connection(), &ids).await?;
    let short_year = i16::try_from(year).unwrap_or_default();
    let windows: HashMap<PlantId, _> = ids
        .iter()
        .filter_map(|id| Some((*id, bloom(notes.get(id)?, short_year)?)))
        .collect();
    let lots = pollen::kept(unit.connection(), Some(&ids), Day(today)).await?;
    let stored: BTreeSet<PlantId> = lots
        .iter()
        .filter(|kept| kept.lot().on(today).usable)
        .map(|kept| kept.row.germplasm_id)
        .collect();
    let mut sets: HashMap<String, f64> = HashMap::new();
    for row in &mothers {
        if !sets.contains_key(&row.species) {
            sets.insert(
                row.species.clone(),
                expected_set(unit, &row.species).await?.0,
            );
        }
    }
    let aims: Vec<Aim> = request
        .traits
        .iter()
        .map(|told| Aim::of(told, mothers.iter().chain(&fathers)))
        .collect();

    let mut ranking = CrossRanking::default();
    for mother in &mothers {
        for father in &fathers {
            if mother.id == father.id {
                continue;
            }
            ranking.pairs_n += 1;
            let kin = kinship.coancestry(place[&mother.id], place[&father.id]);
            if kin > ceiling {
                ranking.refused_kin_n += 1;
                continue;
            }
            let (Some(hers), Some(his)) = (genotypes.get(&mother.id), genotypes.get(&father.id))
            else {
                continue;
            };
            let advice = parents::advise(hers, his);
            if advice.compatibility.verdict == Verdict::None {
                ranking.refused_incompatible_n += 1;
                continue;
            }
            let (loci, locus_share, unknown) = at_loci(mother, father, &request.loci);
            if locus_share == 0.0 {
                ranking.refused_loci_n += 1;
                continue;
            }
            let traits: Vec<TraitExpectation> = aims
                .iter()
                .map(|aim| aim.expect(mother.id, father.id))
                .collect();
            let mut score = locus_share.max(LEAST_SHARE).ln();
            for (aim, expected) in aims.iter().zip(&traits) {
                if let (Some(mean), true) = (expected.mean, aim.deviation > 0.0) {
                    score += aim.told.weight * (mean - aim.mean) / aim.deviation;
                }
                if let Some(share) = expected.share_wanted {
                    score += share.max(LEAST_SHARE).ln();
                }
            }
            let shared = windows
                .get(&mother.id)
                .zip(windows.get(&father.id))
                .map(|(a, b)| a.window.shared_days_n(&b.window));
            let pollen = match (shared, stored.contains(&father.id)) {
                (Some(days), true) if days > 0 => "both",
                (Some(days), false) if days > 0 => "fresh",
                (_, true) => "stored",
                (Some(_), false) => "none",
                (None, false) => "unknown",
            };
            let mut warnings = advice.warnings;
            warnings.extend(rights_warning("seed parent", mother));
            warnings.extend(rights_warning("pollen parent", father));
            warnings.extend(unknown.into_iter().map(|locus| {
                warning(
                    WarningCode::UnknownLocus,
                    format!("{locus} is not known of both parents and does not count"),
                )
            }));
            if pollen == "none" {
                warnings.push(warning(
                    WarningCode::NoPollenInSight,
                    "they do not bloom together and no stored lot is usable",
                ));
            }
            let flowers = (f64::from(fruit_wanted_n)
                / sets.get(&mother.species).copied().unwrap_or(0.2))
            .ceil() as u32;
            ranking.items.push(RankedCross {
                rank: 0,
                seed_parent_id: mother.id.to_string(),
                seed_parent_name: mother.name.clone(),
                pollen_parent_id: father.id.to_string(),
                pollen_parent_name: father.name.clone(),
                score,
                traits,
                loci,
                locus_share,
                compatibility: advice.compatibility.verdict.to_string(),
                crossability: advice.crossability.to_owned(),
                kinship: kin,
                pollen: pollen.to_owned(),
                flowers_needed: flowers,
                passes_needed: flowers.div_ceil(FLOWERS_PER_PASS),
                warnings,
            });
        }
    }
    ranking.items.sort_by(|a, b| {
        b.score
            .total_cmp(&a.score)
            .then_with(|| a.kinship.total_cmp(&b.kinship))
            .then_with(|| a.seed_parent_name.cmp(&b.seed_parent_name))
            .then_with(|| a.pollen_parent_name.cmp(&b.pollen_parent_name))
    });
    ranking.items.truncate(limit as usize);
    for (rank, item) in (1..).zip(&mut ranking.items) {
        item.rank = rank;
    }
    ranking.notes.push(
        "trait means rest on the parents' noted values, drawn towards the mean of all parents by the heritability".to_owned(),
    );
    for aim in &aims {
        let known = aim.values.len();
        if known < ids.len() {
            ranking.notes.push(format!(
                "{} is noted with a number on {known} of {} parents; pairs without it are not moved by it",
                aim.told.r#trait,
                ids.len()
            ));
        }
    }
    Ok(ranking)
}

fn check_aims(fields: &mut Fields, traits: &[TraitAim], loci: &[LocusAim]) {
    fields.require(
        !traits.is_empty() || !loci.is_empty(),
        "traits",
        "say what is wanted: traits, loci or both",
    );
    for (index, aim) in traits.iter().enumerate() {
        fields.text(&format!("traits/{index}/trait"), &aim.r#trait, 100);
        fields.number(&format!("traits/{index}/weight"), aim.weight, -1e6, 1e6);
        if let Some(heritability) = aim.heritability {
            fields.number(
                &format!("traits/{index}/heritability"),
                heritability,
                0.0,
                1.0,
            );
        }
        if let (Some(low), Some(high)) = (aim.at_least, aim.at_most) {
            fields.require(
                low <= high,
                &format!("traits/{index}/at_most"),
                "is below at_least",
            );
        }
    }
    for (index, aim) in loci.iter().enumerate() {
        fields.text(&format!("loci/{index}/locus"), &aim.locus, 60);
        fields.require(
            !aim.wanted.is_empty(),
            &format!("loci/{index}/wanted"),
            "name at least one wanted genotype",
        );
        for (place, text) in aim.wanted.iter().enumerate() {
            if let Err(error) = GenotypePattern::parse(text) {
                fields.fault(&format!("loci/{index}/wanted/{place}"), error.to_string());
            }
        }
    }
}

async fn side(
    fields: &mut Fields,
    unit: &mut Unit,
    field: &str,
    texts: &[String],
    species: &str,
) -> Result<Vec<GermplasmRow>, Fault> {
    if texts.is_empty() {
        let Some(taxon) = parents::taxon(fields, "species", species) else {
            return Ok(Vec::new());
        };
        let rows = plants::of_species(unit.connection(), &taxon.to_string()).await?;
        fields.require(
            rows.len() <= MOST_PARENTS,
            field,
            format!(
                "{} parents are possible; name {MOST_PARENTS} at most",
                rows.len()
            ),
        );
        return Ok(rows);
    }
    fields.require(
        texts.len() <= MOST_PARENTS,
        field,
        format!("{} parents named; at most {MOST_PARENTS}", texts.len()),
    );
    let ids: Vec<Option<PlantId>> = texts
        .iter()
        .take(MOST_PARENTS)
        .enumerate()
        .map(|(index, text)| fields.id(&format!("{field}/{index}"), text))
        .collect();
    let known: Vec<PlantId> = ids.iter().copied().flatten().collect();
    let rows = plants::find_all(unit.connection(), &known).await?;
    for (index, id) in ids.iter().enumerate() {
        if let Some(id) = id {
            fields.require(
                rows.iter().any(|row| row.id == *id),
                &format!("{field}/{index}"),
                format!("no plant {id} is known in the germplasm"),
            );
        }
    }
    Ok(rows)
}

impl<'a> Aim<'a> {
    fn of<'r>(told: &'a TraitAim, rows: impl Iterator<Item = &'r GermplasmRow>) -> Self {
        let values: HashMap<PlantId, f64> = rows
            .filter_map(|row| {
                let value: f64 = row.traits.0.get(&told.r#trait)?.trim().parse().ok()?;
                value.is_finite().then_some((row.id, value))
            })
            .collect();
        let n = values.len().max(1) as f64;
        let mean = values.values().sum::<f64>() / n;
        let variance = values
            .values()
            .map(|value| (value - mean).powi(2))
            .sum::<f64>()
            / (n - 1.0).max(1.0);
        Self {
            told,
            mean,
            deviation: variance.sqrt(),
            heritability: told.heritability.unwrap_or(USUAL_HERITABILITY),
            values,
        }
    }

    fn expect(&self, mother: PlantId, father: PlantId) -> TraitExpectation {
        let mut told = TraitExpectation {
            r#trait: self.told.r#trait.clone(),
            ..TraitExpectation::default()
        };
        let pair = self.values.get(&mother).zip(self.values.get(&father));
        let spread = pair.and_then(|(mother, father)| {
            ProgenySpread::from_phenotypes(
                self.mean,
                [*mother, *father],
                self.heritability,
                self.deviation,
            )
            .ok()
        });
        let Some(spread) = spread else {
            told.basis = "not noted with a number on both parents".to_owned();
            return told;
        };
        let beyond = |threshold: f64, side| spread.share_beyond(threshold, side).ok();
        told.share_wanted = match (self.told.at_least, self.told.at_most) {
            (None, None) => None,
            (Some(low), None) => beyond(low, Side::Above),
            (None, Some(high)) => beyond(high, Side::Below),
            (Some(low), Some(high)) => beyond(high, Side::Below)
                .zip(beyond(low, Side::Below))
                .map(|(below_high, below_low)| (below_high - below_low).max(0.0)),
        };
        told.mean = Some(spread.mean);
        told.standard_deviation = Some(spread.standard_deviation);
        told.basis = format!("parents' noted values, heritability {}", self.heritability);
        told
    }
}

/// Shares at each locus, at all of them, and the loci that are not known of both parents.
fn at_loci(
    mother: &GermplasmRow,
    father: &GermplasmRow,
    aims: &[LocusAim],
) -> (Vec<ProgenyShare>, f64, Vec<String>) {
    let (mut shares, mut crosses, mut unknown) = (Vec::new(), Vec::new(), Vec::new());
    for aim in aims {
        let genotype = |row: &GermplasmRow| {
            row.loci
                .0
                .get(&aim.locus)
                .and_then(|text| Genotype::parse(text).ok())
        };
        match genotype(mother).zip(genotype(father)) {
            None => unknown.push(aim.locus.clone()),
            Some((seed_parent, pollen_parent)) => {
                let cross = LocusCross {
                    locus: aim.locus.clone(),
                    seed_parent,
                    pollen_parent,
                    wanted: aim
                        .wanted
                        .iter()
                        .filter_map(|text| GenotypePattern::parse(text).ok())
                        .collect(),
                };
                shares.push(ProgenyShare {
                    genotype: format!("{} {}", aim.locus, aim.wanted.join(" or ")),
                    share: cross.share().value(),
                });
                crosses.push(cross);
            }
        }
    }
    let all = if crosses.is_empty() {
        1.0
    } else {
        unlinked_share(&crosses).map_or(0.0, |share| share.value())
    };
    (shares, all, unknown)
}
