//! Planting, numbering and following seedlings.

use std::collections::BTreeMap;

use compatibility::{
    Genotype, GenotypePattern, LocusEvidence, OutcrossDoubt, ParentageFinding, Taxon, catalogue,
};
use contract::crossing::{
    CrossWarning, Germplasm, GetSeedlingRequest, ListSeedlingsRequest, PlantSeedlingsRequest,
    PlantedRow, Planting, RecordLocusResultRequest, RecordSeedlingEventRequest, Seedling,
    SeedlingEvent, SeedlingList, SelectSeedlingRequest,
};
use jiff::civil::Date;
use platform::database::Day;
use platform::fault::OnConstraint as _;
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};
use serde::Serialize;

use super::fruit::SoFar;
use super::germplasm::OrNil as _;
use super::{NAME_CHARS, NOTE_CHARS, at_most, crosses, not_ahead, pedigree, seasons, stored};
use crate::CrossingApp;
use crate::domain::warnings::{WarningCode, distinct, warning};
use crate::domain::{
    CrossId, DeathCause, PlantId, PlantingId, SeedlingEventId, SeedlingEventKind, SeedlingState,
    numbers,
};
use crate::store::germplasm as plants;
use crate::store::raising::{self as store, PlantingRow, SeedlingEventRow, SeedlingRow};
use crate::store::seasons::latest_day;
use crate::store::seed as seed_store;
use crate::store::{id_text, text_of};

/// Seedlings in one call at most.
const MOST_SEEDLINGS: u32 = 200_000;
/// Plants in a row when nothing is said.
const USUAL_PLANTS_PER_ROW: u32 = 100;
/// Out-cross doubt from which seedlings carry a warning.
const DOUBTFUL: f64 = 0.2;
/// What a locus result finds of the stated parents.
const CAN_BE: &str = "can_be_of_stated_parents";
const CANNOT_BE_OF_POLLEN_PARENT: &str = "cannot_be_of_stated_pollen_parent";
const CANNOT_BE: &str = "cannot_be_of_stated_parents";
/// Evidence beyond this is as good as certain.
const MOST_ODDS: f64 = 1e12;
/// Probability that a locus result is wrong when nothing is said.
const USUAL_ERROR_RATE: f64 = 0.01;

#[derive(Serialize)]
struct Planted {
    planting_id: String,
    cross_id: String,
    season: i32,
    species: String,
    planted_n: i32,
    first_number: String,
    last_number: String,
    site: String,
    block: String,
    on: String,
}

/// Plants and numbers a cross's seedlings.
pub async fn plant(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: PlantSeedlingsRequest,
) -> Result<Planting, Fault> {
    let mut fields = Fields::new();
    let id: PlantingId = fields.client_id(&request.id);
    let cross = crosses::held(&mut fields, unit, &request.cross_id).await?;
    let planted_n = fields.count("planted_n", request.planted_n, 1, MOST_SEEDLINGS);
    let block = fields.text("block", &request.block, NAME_CHARS).to_owned();
    let first_row = fields.count("first_row", request.first_row, 1, 1_000_000);
    let per_row = request.plants_per_row.unwrap_or(USUAL_PLANTS_PER_ROW);
    let plants_per_row = fields.count("plants_per_row", per_row, 1, 100_000);
    at_most(&mut fields, "site", &request.site, NAME_CHARS);
    at_most(&mut fields, "reason", &request.reason, NOTE_CHARS);
    at_most(&mut fields, "by", &request.by, NAME_CHARS);
    let on = fields.optional_date("on", &request.on);
    let Some(cross) = cross else {
        fields.finish()?;
        return Err(Fault::field("/cross_id", "is required"));
    };
    let today = cross.today(unit.now());
    not_ahead(&mut fields, "on", on, today);
    let on = on.unwrap_or(today);
    let before = SoFar::read(unit, cross.id).await?;
    let balance = seed_store::balance(unit.connection(), cross.id).await?;
    let from = balance.planted_from();
    let left = balance.left_n(from);
    before
        .way(cross.open_pollinated(), &request.reason)
        .check_planted(&mut fields, on, request.planted_n, left);
    fields.finish()?;

    let last = store::last_place(unit.connection(), cross.id).await?;
    let row = PlantingRow {
        id,
        cross_id: cross.id,
        season: cross.season,
        cross_number: cross.number,
        planted_on: Day(on),
        first_place: last + 1,
        planted_n,
        site: request.site.trim().to_owned(),
        block,
        first_row,
        plants_per_row,
        reason: request.reason.trim().to_owned(),
        by_name: request.by,
        from_step: from.word(),
        found_n: stored(request.planted_n.saturating_sub(left)),
    };
    let programme = unit.programme()?;
    store::insert_planting(unit.connection(), programme, &row).await?;
    let number = |place: i32| numbers::seedling(row.season, row.cross_number, place);
    let (first_number, last_number) = (number(row.first_place), number(last + planted_n));
    unit.touch("planting", id);
    unit.touch("cross", cross.id);
    unit.announce(
        "seedlings.planted",
        &Planted {
            planting_id: id.to_string(),
            cross_id: cross.id.to_string(),
            season: row.season,
            species: cross.species.clone(),
            planted_n,
            first_number: first_number.clone(),
            last_number: last_number.clone(),
            site: row.site.clone(),
            block: row.block.clone(),
            on: on.to_string(),
        },
    )
    .await?;
    let rows = (0..planted_n.div_euclid(plants_per_row) + 1)
        .filter_map(|index| {
            let from = index * plants_per_row;
            let plants = (planted_n - from).min(plants_per_row);
            (plants > 0).then(|| PlantedRow {
                row: u32::try_from(first_row + index).unwrap_or(0),
                plants_n: u32::try_from(plants).unwrap_or(0),
                first_number: number(row.first_place + from),
                last_number: number(row.first_place + from + plants - 1),
            })
        })
        .collect();
    let mut warnings = Vec::new();
    if let Some(doubt) = cross.outcross_doubt
        && doubt >= DOUBTFUL
    {
        warnings.push(warning(
            WarningCode::OutcrossDoubt,
            format!(
                "about {:.0} % of these seedlings may be of other pollen than intended; confirm parentage before they are used",
                doubt * 100.0
            ),
        ));
    }
    if !row.reason.is_empty() {
        warnings.push(warning(
            WarningCode::CountExplained,
            format!("{on}: {}", row.reason),
        ));
    }
    Ok(Planting {
        id: id.to_string(),
        cross_id: cross.id.to_string(),
        season: row.season,
        planted_n: request.planted_n,
        first_number,
        last_number,
        block: row.block,
        site: row.site,
        on: on.to_string(),
        rows,
        outcross_doubt: cross.outcross_doubt,
        warnings,
    })
}

/// How a seedling stands.
fn state_of(row: &SeedlingRow) -> SeedlingState {
    match (row.died_on, row.discarded_on) {
        (Some(_), _) => SeedlingState::Dead,
        (None, Some(_)) => SeedlingState::Discarded,
        (None, None) => SeedlingState::Living,
    }
}

/// What the trials tell of a plant.
pub(crate) struct InTrial {
    pub plant: PlantId,
    pub kind: SeedlingEventKind,
    pub cause: Option<DeathCause>,
    pub on: Date,
    pub note: String,
}

/// Takes in what was decided on a seedling, or became of its last own-root tree, in a trial. A plant
/// that is no seedling, or stands so already, is left as it is.
pub(crate) async fn follow(unit: &mut Unit, told: InTrial) -> Result<(), Fault> {
    let Some(row) = store::find_seedling(unit.connection(), told.plant).await? else {
        return Ok(());
    };
    let mut after = row.clone();
    let on = Day(told.on.max(row.planted_on.0));
    match (told.kind, state_of(&row)) {
        (_, SeedlingState::Dead) => return Ok(()),
        (SeedlingEventKind::Died, _) => after.died_on = Some(on),
        (SeedlingEventKind::Discarded, SeedlingState::Living) => after.discarded_on = Some(on),
        (SeedlingEventKind::Kept, SeedlingState::Discarded) => after.discarded_on = None,
        _ => return Ok(()),
    }
    let mut event = event_row(SeedlingEventId::new(), &after, told.kind, on);
    event.cause = told
        .cause
        .map(|cause| cause.to_string())
        .unwrap_or_default();
    event.note = told.note;
    event.by_name = unit.caller().name.clone();
    let programme = unit.programme()?;
    store::insert_seedling_event(unit.connection(), programme, &event).await?;
    store::update_seedling(unit.connection(), &after).await?;
    unit.touch("seedling", row.id);
    Ok(())
}

/// What the others are told of a seedling that died.
#[derive(Debug, Serialize)]
struct Died<'a> {
    seedling_id: String,
    number: &'a str,
    on: String,
    cause: String,
}

fn told_of(row: &SeedlingRow) -> Seedling {
    Seedling {
        id: row.id.to_string(),
        number: row.number.clone(),
        checked_number: numbers::checked(&row.number),
        cross_id: row.cross_id.to_string(),
        cross_number: numbers::cross(row.season, row.cross_number),
        season: row.season,
        seed_parent_id: row.seed_parent_id.to_string(),
        seed_parent_name: row.seed_parent_name.clone(),
        pollen_parent_id: id_text(row.pollen_parent_id),
        pollen_parent_name: row.pollen_parent_name.clone().unwrap_or_default(),
        species: row.species.clone(),
        site: row.site.clone(),
        block: row.block.clone(),
        row: u32::try_from(row.row_n).unwrap_or(0),
        position: u32::try_from(row.position_n).unwrap_or(0),
        planted_on: row.planted_on.0.to_string(),
        living: row.died_on.is_none(),
        died_on: text_of(row.died_on),
        discarded_on: text_of(row.discarded_on),
        state: state_of(row).word().to_owned(),
        outcross_doubt: row.outcross_doubt,
        parentage_finding: row.parentage_finding.clone(),
        selected: row.selected,
        loci: row.loci.0.clone(),
        warnings: Vec::new(),
        events: Vec::new(),
        descent: None,
    }
}

/// A list of seedlings.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListSeedlingsRequest,
) -> Result<SeedlingList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let filter = store::Filter {
        cross: fields.optional_id("cross_id", &request.cross_id),
        season: if request.season.is_empty() {
            None
        } else {
            seasons::year(&mut fields, "season", &request.season)
        },
        block: request.block.trim(),
        row: request.row.map(stored),
        living: request.living,
    };
    fields.finish()?;
    let after = match &page.after {
        None => None,
        Some(key) => {
            let parts: Vec<i32> = key
                .split('-')
                .filter_map(|part| part.parse().ok())
                .collect();
            match parts.as_slice() {
                [season, cross, place] => Some((*season, *cross, *place)),
                _ => return Err(Fault::field("/cursor", "belongs to another list")),
            }
        }
    };
    let rows = store::list_seedlings(unit.connection(), &filter, after, page.fetch()).await?;
    let (rows, next_cursor) = page.cut(rows, |row| {
        format!("{}-{}-{}", row.season, row.cross_number, row.place)
    });
    Ok(SeedlingList {
        items: rows.iter().map(told_of).collect(),
        next_cursor,
    })
}

/// How the database reads a page of a cross's seedlings that begins after a place; for those who
/// tune it.
pub async fn plan_of_page(
    connection: &mut sqlx::PgConnection,
    cross: CrossId,
    after_place: i32,
) -> Result<Vec<String>, sqlx::Error> {
    let filter = store::Filter {
        cross: Some(cross),
        ..store::Filter::default()
    };
    store::explain_seedlings(connection, &filter, Some((0, 0, after_place)), 501).await
}

/// One seedling.
pub async fn get(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GetSeedlingRequest,
) -> Result<Seedling, Fault> {
    let mut fields = Fields::new();
    let id: Option<PlantId> = fields.id("seedling_id", &request.seedling_id);
    fields.finish()?;
    one(unit, id.unwrap_or_default_id()).await
}

async fn found(unit: &mut Unit, id: PlantId) -> Result<SeedlingRow, Fault> {
    store::find_seedling(unit.connection(), id)
        .await?
        .ok_or_else(|| Fault::not_found("seedling", id))
}

/// One seedling with its line of descent, its events and its cross's warnings.
async fn one(unit: &mut Unit, id: PlantId) -> Result<Seedling, Fault> {
    let row = found(unit, id).await?;
    let mut seedling = told_of(&row);
    seedling.warnings = cross_warnings(unit, row.cross_id).await?;
    seedling.events = store::seedling_events(unit.connection(), id)
        .await?
        .into_iter()
        .map(event_of)
        .collect();
    seedling.descent = Some(pedigree::descent(unit, id, 2).await?);
    Ok(seedling)
}

async fn cross_warnings(unit: &mut Unit, cross: CrossId) -> Result<Vec<CrossWarning>, Fault> {
    let mut warnings = crosses::pass_warnings(unit, &[cross]).await?;
    Ok(distinct(warnings.remove(&cross).unwrap_or_default()))
}

fn event_of(row: SeedlingEventRow) -> SeedlingEvent {
    SeedlingEvent {
        id: row.id.to_string(),
        kind: row.kind,
        on: row.on_day.0.to_string(),
        note: row.note,
        block: row.block,
        row: u32::try_from(row.row_n).unwrap_or(0),
        position: u32::try_from(row.position_n).unwrap_or(0),
        by: row.by_name,
        rootstock: row.rootstock,
        locus: row.locus,
        genotype: row.genotype,
        finding: row.finding,
        cause: row.cause,
    }
}

fn event_row(
    id: SeedlingEventId,
    row: &SeedlingRow,
    kind: SeedlingEventKind,
    on: Day,
) -> SeedlingEventRow {
    SeedlingEventRow {
        id,
        seedling_id: row.id,
        season: row.season,
        kind: kind.word().to_owned(),
        on_day: on,
        site: row.site.clone(),
        block: row.block.clone(),
        row_n: row.row_n,
        position_n: row.position_n,
        rootstock: String::new(),
        locus: String::new(),
        genotype: String::new(),
        finding: String::new(),
        note: String::new(),
        by_name: String::new(),
        cause: String::new(),
        evidence_odds: None,
    }
}

/// Records that a seedling was moved, died or was regrafted.
pub async fn record_event(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordSeedlingEventRequest,
) -> Result<Seedling, Fault> {
    let mut fields = Fields::new();
    let event_id: SeedlingEventId = fields.client_id(&request.id);
    let id: Option<PlantId> = fields.id("seedling_id", &request.seedling_id);
    let kind: Option<SeedlingEventKind> = fields.word("kind", &request.kind);
    match kind {
        Some(kind @ (SeedlingEventKind::LocusResult | SeedlingEventKind::Selected)) => fields
            .fault(
                "kind",
                format!("{kind} has a call of its own; one of moved, died, regrafted"),
            ),
        Some(kind @ (SeedlingEventKind::Discarded | SeedlingEventKind::Kept)) => fields.fault(
            "kind",
            format!("{kind} is decided in a trial; one of moved, died, regrafted"),
        ),
        _ => {}
    }
    let on = fields.date("on", &request.on);
    not_ahead(&mut fields, "on", on, latest_day(unit.now()));
    at_most(&mut fields, "note", &request.note, NOTE_CHARS);
    at_most(&mut fields, "by", &request.by, NAME_CHARS);
    if kind == Some(SeedlingEventKind::Moved) {
        fields.text("block", &request.block, NAME_CHARS);
        fields.require(
            request.row.is_some_and(|row| row > 0),
            "row",
            "is required to move a seedling",
        );
        fields.require(
            request.position.is_some_and(|position| position > 0),
            "position",
            "is required to move a seedling",
        );
    }
    let cause: Option<DeathCause> = fields.optional_word("cause", &request.cause);
    fields.require(
        cause.is_none() || kind.is_none_or(|kind| kind == SeedlingEventKind::Died),
        "cause",
        "tells why it died; leave it empty otherwise",
    );
    if kind == Some(SeedlingEventKind::Regrafted) {
        fields.text("rootstock", &request.rootstock, NAME_CHARS);
    }
    let row = match id {
        Some(id) => Some(found(unit, id).await?),
        None => None,
    };
    if let (Some(row), Some(on)) = (&row, on) {
        fields.require(
            on >= row.planted_on.0,
            "on",
            format!("{on} is before it was planted, on {}", row.planted_on.0),
        );
        if let Some(died_on) = row.died_on {
            fields.fault(
                "kind",
                format!("it died on {}; nothing can follow", died_on.0),
            );
        }
    }
    fields.finish()?;
    let (Some(row), Some(kind), Some(on)) = (row, kind, on) else {
        return Err(Fault::field("/kind", "is required"));
    };
    let mut after = row.clone();
    match kind {
        SeedlingEventKind::Moved => {
            if !request.site.trim().is_empty() {
                after.site = request.site.trim().to_owned();
            }
            after.block = request.block.trim().to_owned();
            after.row_n = stored(request.row.unwrap_or(0));
            after.position_n = stored(request.position.unwrap_or(0));
        }
        SeedlingEventKind::Died => after.died_on = Some(Day(on)),
        _ => {}
    }
    let mut event = event_row(event_id, &after, kind, Day(on));
    event.rootstock = request.rootstock.trim().to_owned();
    if kind == SeedlingEventKind::Died {
        event.cause = cause.unwrap_or(DeathCause::Unknown).to_string();
    }
    event.note = request.note;
    event.by_name = request.by;
    let programme = unit.programme()?;
    store::insert_seedling_event(unit.connection(), programme, &event).await?;
    store::update_seedling(unit.connection(), &after).await?;
    if kind == SeedlingEventKind::Died {
        let died = Died {
            seedling_id: row.id.to_string(),
            number: &row.number,
            on: on.to_string(),
            cause: event.cause.clone(),
        };
        unit.announce("seedlings.died", &died).await?;
    }
    unit.touch("seedling", row.id);
    one(unit, row.id).await
}

/// Records a locus result and updates the doubt.
pub async fn record_locus(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordLocusResultRequest,
) -> Result<Seedling, Fault> {
    let mut fields = Fields::new();
    let event_id: SeedlingEventId = fields.client_id(&request.id);
    let id: Option<PlantId> = fields.id("seedling_id", &request.seedling_id);
    let on = fields.optional_date("on", &request.on);
    not_ahead(&mut fields, "on", on, latest_day(unit.now()));
    let locus = fields.text("locus", &request.locus, 60).to_owned();
    let text = fields.text("genotype", &request.genotype, 60).to_owned();
    let error_rate = request.error_rate.unwrap_or(USUAL_ERROR_RATE);
    fields.number("error_rate", error_rate, 0.0, 0.5);
    at_most(&mut fields, "by", &request.by, NAME_CHARS);
    let seen = GenotypePattern::parse(&text);
    if let Err(error) = &seen
        && !text.is_empty()
    {
        fields.fault("genotype", error.to_string());
    }
    let row = match id {
        Some(id) => Some(found(unit, id).await?),
        None => None,
    };
    fields.finish()?;
    let (Some(row), Ok(seen)) = (row, seen) else {
        return Err(Fault::field("/genotype", "is required"));
    };

    let ids: Vec<PlantId> = std::iter::once(row.seed_parent_id)
        .chain(row.pollen_parent_id)
        .collect();
    let parents = plants::find_all(unit.connection(), &ids).await?;
    let mother = parents
        .iter()
        .find(|parent| parent.id == row.seed_parent_id);
    let species = mother.and_then(|mother| mother.species.parse::<Taxon>().ok());
    let known = species
        .as_ref()
        .and_then(Taxon::species)
        .and_then(|s| catalogue::find(s, &locus));
    let genotype_of = |id: Option<PlantId>| -> Option<Genotype> {
        let parent = parents.iter().find(|parent| Some(parent.id) == id)?;
        let text = parent.loci.0.get(&locus)?;
        match known {
            Some(known) => known.genotype(text).ok(),
            None => Genotype::parse(text).ok(),
        }
    };
    let mother_at = genotype_of(Some(row.seed_parent_id));
    let father_at = genotype_of(row.pollen_parent_id);
    let (finding, odds) = match (mother_at, father_at) {
        (Some(mother_at), Some(father_at)) => {
            let other = if request.other_pollen.is_empty() {
                let species = mother
                    .map(|mother| mother.species.clone())
                    .unwrap_or_default();
                allele_frequencies(unit, &species, &locus).await?
            } else {
                request
                    .other_pollen
                    .iter()
                    .map(|allele| (allele.allele.clone(), allele.frequency))
                    .collect()
            };
            let evidence = LocusEvidence::at_locus(
                &mother_at,
                &father_at,
                std::slice::from_ref(&seen),
                &other,
            )
            .map_err(|error| Fault::field("/other_pollen", error.to_string()))?;
            let finding = match evidence.finding() {
                ParentageFinding::CanBeOfStatedParents => CAN_BE,
                ParentageFinding::CannotBeOfStatedPollenParent => CANNOT_BE_OF_POLLEN_PARENT,
                ParentageFinding::CannotBeOfStatedParents => CANNOT_BE,
            };
            // From even odds, what comes out is what the result says by itself.
            let even = OutcrossDoubt::new(0.5)
                .and_then(|doubt| doubt.after(&evidence, error_rate))
                .map_err(|error| Fault::field("/error_rate", error.to_string()))?
                .probability();
            (
                finding,
                Some((even / (1.0 - even)).clamp(1.0 / MOST_ODDS, MOST_ODDS)),
            )
        }
        _ => ("undecided", None),
    };
    let mut after = row.clone();
    if matches!(seen, GenotypePattern::Exactly(_)) {
        after.loci.0.insert(locus.clone(), text.clone());
    }
    let on = on.unwrap_or_else(|| unit.today());
    let mut event = event_row(event_id, &after, SeedlingEventKind::LocusResult, Day(on));
    event.locus = locus;
    event.genotype = text;
    event.finding = finding.to_owned();
    event.by_name = request.by;
    event.evidence_odds = odds;
    let programme = unit.programme()?;
    store::insert_seedling_event(unit.connection(), programme, &event).await?;
    let events = store::seedling_events(unit.connection(), row.id).await?;
    let (finding, odds) = all_results(&events);
    after.parentage_finding = finding.to_owned();
    store::update_seedling(unit.connection(), &after).await?;
    store::set_evidence(unit.connection(), row.id, row.season, odds).await?;
    unit.touch("seedling", row.id);
    one(unit, row.id).await
}

/// What all results say together: the latest at each locus counts, so that a locus looked at again
/// corrects what was found before; loci count as independent. One that the parents cannot give
/// stands against any number that they can.
fn all_results(events: &[SeedlingEventRow]) -> (&'static str, f64) {
    let mut latest: BTreeMap<&str, &SeedlingEventRow> = BTreeMap::new();
    for event in events.iter().filter(|event| !event.locus.is_empty()) {
        latest.insert(&event.locus, event);
    }
    let odds: f64 = latest
        .values()
        .filter_map(|event| event.evidence_odds)
        .product();
    let finding = [CANNOT_BE, CANNOT_BE_OF_POLLEN_PARENT, CAN_BE]
        .into_iter()
        .find(|word| latest.values().any(|event| event.finding == *word))
        .unwrap_or_default();
    (finding, odds.clamp(1.0 / MOST_ODDS, MOST_ODDS))
}

/// Frequencies of a locus's alleles among the varieties and selections of a species.
async fn allele_frequencies(
    unit: &mut Unit,
    species: &str,
    locus: &str,
) -> Result<Vec<(String, f64)>, Fault> {
    let mut counts: BTreeMap<String, f64> = BTreeMap::new();
    for plant in plants::of_species(unit.connection(), species).await? {
        if let Some(genotype) = plant
            .loci
            .0
            .get(locus)
            .and_then(|text| Genotype::parse(text).ok())
        {
            for allele in genotype.alleles() {
                *counts.entry(allele.to_owned()).or_default() += 1.0;
            }
        }
    }
    let all: f64 = counts.values().sum();
    Ok(counts
        .into_iter()
        .map(|(allele, n)| (allele, n / all))
        .collect())
}

/// Takes a seedling into the germplasm under its own id.
pub async fn select(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: SelectSeedlingRequest,
) -> Result<Germplasm, Fault> {
    let mut fields = Fields::new();
    let id: Option<PlantId> = fields.id("seedling_id", &request.seedling_id);
    let name = fields.text("name", &request.name, NAME_CHARS).to_owned();
    at_most(&mut fields, "notes", &request.notes, NOTE_CHARS);
    fields.finish()?;
    let row = found(unit, id.unwrap_or_default_id()).await?;
    if row.selected {
        return Err(Fault::state(format!(
            "{} is a selection already",
            row.number
        )));
    }
    plants::adopt(unit, &[row.id]).await?;
    sqlx::query(
        "update germplasm set kind = 'selection', name = $2, notes = $3, version = version + 1 \
         where programme_id = current_programme() and id = $1",
    )
    .bind(row.id)
    .bind(&name)
    .bind(request.notes.trim())
    .execute(unit.connection())
    .await
    .on_constraint("germplasm_name", || {
        Fault::exists(
            "/name",
            format!("{name:?} is in the germplasm already; choose another name"),
        )
    })?;
    let on = Day(unit.today());
    let mut event = event_row(
        SeedlingEventId::new(),
        &row,
        SeedlingEventKind::Selected,
        on,
    );
    event.note = name;
    let programme = unit.programme()?;
    store::insert_seedling_event(unit.connection(), programme, &event).await?;
    unit.touch("seedling", row.id);
    unit.touch("germplasm", row.id);
    super::germplasm::one(unit, row.id).await
}
