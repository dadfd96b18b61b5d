//! What is to be known before a cross is made, and how it is likely to end.

use ::pedigree::Pedigree;
use biometry::fruit_set::outlook::{Standing, outlook};
use compatibility::Verdict;
use contract::crossing::{
    CompatibilityReply, CrossAdvice, CrossCounts, FruitOutlook, PollenChoice, PollenOutlook,
};
use jiff::civil::Date;
use platform::database::Day;
use platform::{Fault, Unit};

use crate::domain::CrossId;
use crate::domain::fruit_sets::{ExpectedSet, FruitSets, SURE};
use crate::domain::ledger::Lot;
use crate::domain::warnings::{WarningCode, warning};
use crate::domain::windows::{Bloom, Note, bloom};
use crate::domain::{numbers, parents};
use crate::store::germplasm::{GermplasmRow, LineageRow, lineage};
use crate::store::{crosses, pollen, seasons};

/// Coancestry of the parents from which near kin is warned about: half sibs.
const NEAR_KIN: f64 = 0.125;

/// For when lots and bloom are looked at.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Reckoning {
    /// As they stand on a day.
    On(Date),
    /// For a season that is over: each lot as it stood when it first could be used in it.
    Over {
        /// First day of the season.
        opens_on: Date,
        /// Its last day.
        closes_on: Date,
    },
}

impl Reckoning {
    /// The day until which lots were gathered.
    fn until(self) -> Date {
        match self {
            Self::On(day) => day,
            Self::Over { closes_on, .. } => closes_on,
        }
    }

    /// The day for which a lot is looked at.
    fn for_lot(self, lot: &Lot) -> Date {
        match self {
            Self::On(day) => day,
            Self::Over { opens_on, .. } => lot.dry_on().max(opens_on),
        }
    }
}

/// Advice with what the cross keeps of it.
pub(crate) struct Advised {
    pub advice: CrossAdvice,
    pub accepted_pollen: Option<f64>,
}

/// The programme's fruit set; without one cross, for which the others speak.
pub(crate) async fn fruit_sets(
    unit: &mut Unit,
    without: Option<CrossId>,
) -> Result<FruitSets, Fault> {
    let counted = crosses::counted_fruit(unit.connection(), without).await?;
    unit.reckon(move |_| FruitSets::of(&counted)).await
}

/// Advises on a pair of parents for a season, lots and bloom being looked at as said.
pub(crate) async fn advise(
    unit: &mut Unit,
    year: i32,
    reckoning: Reckoning,
    mother: &GermplasmRow,
    father: Option<&GermplasmRow>,
    fruit_wanted_n: u32,
    sets: &FruitSets,
) -> Result<Advised, Fault> {
    let genotype = |plant: &GermplasmRow| {
        parents::stored_genotype(&plant.species, &plant.s_alleles).ok_or_else(|| {
            Fault::state(format!(
                "the species or S alleles of {} are no longer understood; correct them first",
                plant.name
            ))
        })
    };
    let mother_genotype = genotype(mother)?;
    let self_compatible = parents::self_compatibility_word(&mother_genotype);
    let pollen_species = &father.unwrap_or(mother).species;
    let set = sets.expect(mother.id, &mother.species, pollen_species);
    let mut advice = CrossAdvice {
        flowers_needed: set.flowers_for(fruit_wanted_n),
        flowers_needed_surely: set.flowers_surely_for(fruit_wanted_n),
        fruit_set_expected: set.mean(),
        fruit_set_low: set.low,
        fruit_set_high: set.high,
        fruit_set_basis: set.basis,
        seed_parent_self_compatible: self_compatible.to_owned(),
        ..CrossAdvice::default()
    };
    advice
        .warnings
        .extend(super::germplasm::rights_warning("seed parent", mother));
    let Some(father) = father else {
        advice.compatibility = Some(CompatibilityReply {
            verdict: "unknown".into(),
            notes: vec!["open-pollinated: the pollen parent is left to the bees".into()],
            ..CompatibilityReply::default()
        });
        advice.progeny_species = mother.species.clone();
        advice.crossability = "expected".into();
        return Ok(Advised {
            advice,
            accepted_pollen: None,
        });
    };
    advice
        .warnings
        .extend(super::germplasm::rights_warning("pollen parent", father));

    let pair = parents::advise(&mother_genotype, &genotype(father)?);
    advice.compatibility = Some(parents::compatibility_reply(&pair.compatibility));
    advice.progeny_species = pair.progeny_species;
    advice.ploidy_note = pair.ploidy_note;
    advice.crossability = pair.crossability.to_owned();
    advice.crossability_note = pair.crossability_note;
    advice.warnings.extend(pair.warnings);
    let accepted_pollen = match pair.compatibility.verdict {
        Verdict::Unknown => None,
        _ => pair
            .compatibility
            .accepted_pollen
            .map(|share| share.value()),
    };

    let lines = lineage(unit.connection(), &[mother.id, father.id]).await?;
    let pedigree =
        Pedigree::from_records(lines.iter().map(LineageRow::record)).map_err(Fault::internal)?;
    let expected = pedigree
        .expect_cross(&mother.id, &father.id)
        .map_err(Fault::internal)?;
    let kinship = pedigree
        .coancestry(&mother.id, &father.id)
        .map_err(Fault::internal)?;
    advice.kinship = Some(kinship);
    advice.progeny_inbreeding = Some(expected.progeny_inbreeding);
    if kinship >= NEAR_KIN {
        advice.warnings.push(warning(
            WarningCode::Kin,
            format!(
                "the parents are near kin: coancestry {kinship:.4}, which will be the inbreeding of the seedlings"
            ),
        ));
    }

    let pollen = pollen_outlook(unit, year, reckoning, mother, father).await?;
    if pollen.can_serve == "none" {
        advice.warnings.push(warning(
            WarningCode::NoPollenInSight,
            format!(
                "{} does not bloom with {} and no stored lot is usable; gather and store its pollen, or force its bloom",
                father.name, mother.name
            ),
        ));
    }
    advice.pollen = Some(pollen);
    Ok(Advised {
        advice,
        accepted_pollen,
    })
}

/// How pollen can be had: fresh in the days that both bloom, where these are known, or from store.
pub(crate) fn can_serve(shared_days_n: Option<u32>, lots: bool) -> &'static str {
    match (shared_days_n, lots) {
        (Some(days), true) if days > 0 => "both",
        (Some(days), false) if days > 0 => "fresh",
        (_, true) => "stored",
        (Some(_), false) => "none",
        (None, false) => "unknown",
    }
}

async fn pollen_outlook(
    unit: &mut Unit,
    year: i32,
    reckoning: Reckoning,
    mother: &GermplasmRow,
    father: &GermplasmRow,
) -> Result<PollenOutlook, Fault> {
    let notes = seasons::bloom_notes(unit.connection(), &[mother.id, father.id]).await?;
    let year = i16::try_from(year).unwrap_or_default();
    let window = |plant: &GermplasmRow| {
        notes
            .get(&plant.id)
            .and_then(|notes: &Vec<Note>| bloom(notes, year))
    };
    let (hers, his) = (window(mother), window(father));
    let lots = pollen::kept(
        unit.connection(),
        Some(&[father.id]),
        Day(reckoning.until()),
    )
    .await?;
    let lots: Vec<PollenChoice> = lots
        .iter()
        .map(|kept| {
            let lot = kept.lot();
            (kept, lot.on(reckoning.for_lot(&lot)))
        })
        .filter(|(_, state)| state.usable)
        .map(|(kept, state)| PollenChoice {
            pollen_lot_id: kept.row.id.to_string(),
            number: kept.row.number_text(),
            gathered_on: kept.row.gathered_on.0.to_string(),
            place: state.place_word().to_owned(),
            germination: state.germination.share,
            verdict: state.germination.verdict.to_string(),
            serves_flowers_n: state.serves_flowers_n,
        })
        .collect();
    let overlap = hers.as_ref().zip(his.as_ref());
    // Pollen gathered the day before her first flowers is dry in time, so his bloom may end there.
    let shared = overlap.map(|(hers, his)| hers.window.shared_days_n(&his.window));
    let can_serve = can_serve(shared, !lots.is_empty());
    let days = |bloom: &Option<Bloom>| {
        bloom.as_ref().map_or_else(Default::default, |bloom| {
            (
                bloom.window.first().to_string(),
                bloom.window.last().to_string(),
            )
        })
    };
    let basis = |plant: &GermplasmRow, bloom: &Option<Bloom>| match bloom {
        None => format!("no bloom of {} was noted", plant.name),
        Some(Bloom { seasons_n: 0, .. }) => format!("{}: this season's notes", plant.name),
        Some(Bloom { seasons_n, .. }) => {
            format!("{}: mean of {seasons_n} past seasons", plant.name)
        }
    };
    let (seed_parent_first_on, seed_parent_last_on) = days(&hers);
    let (pollen_parent_first_on, pollen_parent_last_on) = days(&his);
    Ok(PollenOutlook {
        can_serve: can_serve.to_owned(),
        shared_days_n: shared,
        share_covered: overlap.map(|(hers, his)| hers.window.share_covered_by(&his.window)),
        seed_parent_first_on,
        seed_parent_last_on,
        pollen_parent_first_on,
        pollen_parent_last_on,
        basis: format!("{}; {}", basis(mother, &hers), basis(father, &his)),
        lots,
    })
}

/// How many fruits are to be expected from the flowers pollinated so far.
pub(crate) fn fruit_outlook(
    counts: &CrossCounts,
    wanted_n: u32,
    set: &ExpectedSet,
) -> Option<FruitOutlook> {
    let pollinated = u64::from(counts.flowers_pollinated_n);
    let counted = counts.fruit_set_n.is_some() || counts.fruit_harvested_n > 0;
    let fruit = u64::from(
        counts
            .fruit_set_n
            .unwrap_or(0)
            .max(counts.fruit_harvested_n),
    );
    let standing = Standing {
        counted_flowers_n: if counted { pollinated.max(fruit) } else { 0 },
        fruit_n: if counted { fruit } else { 0 },
        pending_flowers_n: if counted { 0 } else { pollinated },
        wanted_n: wanted_n.into(),
        ..set.standing()
    };
    let told = outlook(standing, set.prior, SURE).ok()?;
    let lacking = told.more_flowers_n;
    let note = match lacking {
        Some(0) => "the wanted fruit is likely to be reached".to_owned(),
        Some(more) => format!(
            "{more} more flowers would bring the wanted fruit with a probability of {SURE}"
        ),
        None => "at this fruit set no reasonable number of flowers brings the wanted fruit; use more mothers, fresher pollen or another pollen parent".to_owned(),
    };
    Some(FruitOutlook {
        expected_n: told.expected_fruit_n,
        low_n: told.fruit_low_n as f64,
        high_n: told.fruit_high_n as f64,
        chance_of_wanted: told.probability_of_wanted,
        flowers_lacking_n: lacking.and_then(|n| u32::try_from(n).ok()).unwrap_or(0),
        note,
    })
}

/// The number of a cross, bare and with its check character.
pub(crate) fn cross_numbers(season: i32, number: i32) -> (String, String) {
    let number = numbers::cross(season, number);
    let checked = numbers::checked(&number);
    (number, checked)
}
