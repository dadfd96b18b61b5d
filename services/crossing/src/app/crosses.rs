//! Planning crosses and following them.

use std::collections::HashMap;

use contract::crossing::{
    AdviseCrossRequest, Cross, CrossAdvice, CrossCounts, CrossList, CrossWarning, EditCrossRequest,
    GetCrossRequest, ListCrossesRequest, PlanCrossRequest,
};
use platform::database::Day;
use platform::fault::OnConstraint as _;
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};
use serde::Serialize;
use sqlx::types::Json;

use super::advice::{self, Reckoning, cross_numbers};
use super::germplasm::{OPEN, OrNil as _};
use super::{NOTE_CHARS, at_most, seasons, stored};
use crate::CrossingApp;
use crate::domain::warnings::distinct;
use crate::domain::{CrossId, CrossStanding, MotherId, PlantId};
use crate::store::crosses::{self as store, CrossRow};
use crate::store::germplasm::{self as plants, GermplasmRow};
use crate::store::seasons::{SeasonRow, latest_day};
use crate::store::{id_text, mothers, next_number, reserve_number};

/// Fruits wanted of one cross at most.
const MOST_FRUIT: u32 = 100_000;

#[derive(Serialize)]
struct Planned {
    cross_id: String,
    number: String,
    season: i32,
    seed_parent_id: String,
    pollen_parent_id: String,
    species: String,
    objective: String,
    fruit_wanted_n: i32,
}

/// Plans a cross.
pub async fn plan(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: PlanCrossRequest,
) -> Result<Cross, Fault> {
    let mut fields = Fields::new();
    let id: CrossId = fields.client_id(&request.id);
    let year = seasons::year(&mut fields, "season", &request.season);
    let season = seasons::opened(&mut fields, unit, year).await?;
    let pair = Pair::read(
        &mut fields,
        unit,
        &request.seed_parent_id,
        &request.pollen_parent_id,
    )
    .await?;
    let objective = fields.text("objective", &request.objective, 500).to_owned();
    let fruit_wanted_n = fields.count("fruit_wanted_n", request.fruit_wanted_n, 1, MOST_FRUIT);
    let number = request
        .number
        .map(|number| fields.count("number", number, 1, 9999));
    let mothers = read_mothers(&mut fields, &request.mother_ids);
    if let Some(pair) = &pair {
        check_mothers(&mut fields, unit, &mothers, &pair.mother).await?;
    }
    fields.finish()?;
    let (Some(season), Some(pair)) = (season, pair) else {
        return Err(Fault::field("/season", "is required"));
    };

    let on = reckoning(&season, unit);
    let sets = advice::fruit_sets(unit, None).await?;
    let advised = advice::advise(
        unit,
        season.year,
        on,
        &pair.mother,
        pair.father.as_ref(),
        request.fruit_wanted_n,
        &sets,
    )
    .await?;
    let number = match number {
        Some(number) => {
            reserve_number(unit, "cross", season.year, number).await?;
            number
        }
        None => next_number(unit, "cross", season.year).await?,
    };
    let row = CrossRow {
        id,
        season: season.year,
        number,
        seed_parent_id: pair.mother.id,
        seed_parent_name: pair.mother.name.clone(),
        pollen_parent_id: pair.father.as_ref().map(|father| father.id),
        pollen_parent_name: pair.father.as_ref().map(|father| father.name.clone()),
        species: advised.advice.progeny_species.clone(),
        objective,
        fruit_wanted_n,
        standing: CrossStanding::Planned.word().to_owned(),
        accepted_pollen: advised.accepted_pollen,
        self_compatible: advised.advice.seed_parent_self_compatible.clone(),
        planning_warnings: Json(advised.advice.warnings.clone()),
        outcross_doubt: None,
        planned_by: unit.caller().name.clone(),
        version: 1,
        opens_on: season.opens_on,
        closes_on: season.closes_on,
        time_zone: season.time_zone.clone(),
        mother_ids: mothers.clone(),
    };
    let programme = unit.programme()?;
    store::insert(unit.connection(), programme, &row)
        .await
        .on_constraint("planned_cross_number", || {
            Fault::exists(
                "/number",
                format!(
                    "cross {} was planned before; numbers are not given twice",
                    row.number_text()
                ),
            )
        })?;
    store::add_mothers(unit.connection(), programme, id, &mothers).await?;
    unit.touch("cross", id);
    unit.announce(
        "cross.planned",
        &Planned {
            cross_id: id.to_string(),
            number: row.number_text(),
            season: row.season,
            seed_parent_id: row.seed_parent_id.to_string(),
            pollen_parent_id: id_text(row.pollen_parent_id),
            species: row.species.clone(),
            objective: row.objective.clone(),
            fruit_wanted_n: row.fruit_wanted_n,
        },
    )
    .await?;
    let mut cross = told_of(&row, CrossCounts::default(), Vec::new());
    cross.advice = Some(advised.advice);
    Ok(cross)
}

/// Lots and bloom are looked at as they stand today while the season lasts.
fn reckoning(season: &SeasonRow, unit: &Unit) -> Reckoning {
    let today = season.today(unit.now());
    let (opens_on, closes_on) = (season.opens_on.0, season.closes_on.0);
    if today > closes_on {
        Reckoning::Over {
            opens_on,
            closes_on,
        }
    } else {
        Reckoning::On(today)
    }
}

/// The parents of a cross.
struct Pair {
    mother: GermplasmRow,
    father: Option<GermplasmRow>,
}

impl Pair {
    async fn read(
        fields: &mut Fields,
        unit: &mut Unit,
        seed_parent_id: &str,
        pollen_parent_id: &str,
    ) -> Result<Option<Self>, Fault> {
        let mother: Option<PlantId> = fields.id("seed_parent_id", seed_parent_id);
        let open = pollen_parent_id == OPEN;
        let father: Option<PlantId> = if open {
            None
        } else if pollen_parent_id.is_empty() {
            fields.fault("pollen_parent_id", "is required: a plant's id, or \"open\"");
            None
        } else {
            fields.optional_id("pollen_parent_id", pollen_parent_id)
        };
        let ids: Vec<PlantId> = mother.into_iter().chain(father).collect();
        plants::adopt(unit, &ids).await?;
        let rows = plants::find_all(unit.connection(), &ids).await?;
        let mut take = |field: &str, id: Option<PlantId>| {
            let id = id?;
            let row = rows.iter().find(|row| row.id == id).cloned();
            if row.is_none() {
                fields.fault(
                    field,
                    format!("no plant {id} is known here; register it first"),
                );
            }
            row
        };
        let mother = take("seed_parent_id", mother);
        let father = take("pollen_parent_id", father);
        Ok(match (mother, father, open) {
            (Some(mother), father @ Some(_), false) => Some(Self { mother, father }),
            (Some(mother), None, true) => Some(Self {
                mother,
                father: None,
            }),
            _ => None,
        })
    }
}

fn read_mothers(fields: &mut Fields, ids: &[String]) -> Vec<MotherId> {
    let mut mothers: Vec<MotherId> = ids
        .iter()
        .enumerate()
        .filter_map(|(index, text)| fields.id(&format!("mother_ids/{index}"), text))
        .collect();
    mothers.dedup();
    mothers
}

async fn check_mothers(
    fields: &mut Fields,
    unit: &mut Unit,
    ids: &[MotherId],
    seed_parent: &GermplasmRow,
) -> Result<(), Fault> {
    let rows = mothers::find_all(unit.connection(), ids).await?;
    for (index, id) in ids.iter().enumerate() {
        let field = format!("mother_ids/{index}");
        match rows.iter().find(|row| row.id == *id) {
            None => fields.fault(
                &field,
                format!("no mother {id} is known here; register her first"),
            ),
            Some(row) if !same_genotype(row, seed_parent) => fields.fault(
                &field,
                format!(
                    "mother {} is a tree of {}, not of {}",
                    row.number, row.name, seed_parent.name
                ),
            ),
            Some(row) if row.died_on.is_some() => {
                fields.fault(&field, format!("mother {} is dead", row.number));
            }
            Some(_) => {}
        }
    }
    Ok(())
}

/// Whether a mother is a tree of a plant, or of a clone of it.
pub(crate) fn same_genotype(mother: &mothers::MotherRow, plant: &GermplasmRow) -> bool {
    mother.germplasm_id == plant.id
        || mother.clone_of_id == Some(plant.id)
        || plant.clone_of_id == Some(mother.germplasm_id)
        || (plant.clone_of_id.is_some() && plant.clone_of_id == mother.clone_of_id)
}

/// The advice on a cross without planning it.
pub async fn advise(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: AdviseCrossRequest,
) -> Result<CrossAdvice, Fault> {
    let mut fields = Fields::new();
    let today = latest_day(unit.now());
    let year = if request.season.trim().is_empty() {
        Some(i32::from(today.year()))
    } else {
        seasons::year(&mut fields, "season", &request.season)
    };
    let mother: Option<PlantId> = fields.id("seed_parent_id", &request.seed_parent_id);
    let open = request.pollen_parent_id == OPEN;
    let father: Option<PlantId> = if open {
        None
    } else {
        fields.id("pollen_parent_id", &request.pollen_parent_id)
    };
    let ids: Vec<PlantId> = mother.into_iter().chain(father).collect();
    let rows = plants::find_all(unit.connection(), &ids).await?;
    for (field, id) in [("seed_parent_id", mother), ("pollen_parent_id", father)] {
        if let Some(id) = id {
            fields.require(
                rows.iter().any(|row| row.id == id),
                field,
                format!("no plant {id} is known in the germplasm; register it first"),
            );
        }
    }
    fields.finish()?;
    let find = |id: Option<PlantId>| rows.iter().find(|row| Some(row.id) == id);
    let mother = find(mother).ok_or_else(|| Fault::field("/seed_parent_id", "is required"))?;
    let year = year.unwrap_or_else(|| i32::from(today.year()));
    let on = match crate::store::seasons::find(unit.connection(), year).await? {
        Some(season) => reckoning(&season, unit),
        None => Reckoning::On(today),
    };
    let wanted = if request.fruit_wanted_n == 0 {
        100
    } else {
        request.fruit_wanted_n
    };
    let sets = advice::fruit_sets(unit, None).await?;
    let advised = advice::advise(unit, year, on, mother, find(father), wanted, &sets).await?;
    Ok(advised.advice)
}

/// A cross as told to clients, without its advice.
pub(crate) fn told_of(row: &CrossRow, counts: CrossCounts, warnings: Vec<CrossWarning>) -> Cross {
    let (number, checked_number) = cross_numbers(row.season, row.number);
    let standing = if row.standing == CrossStanding::Cancelled.word() {
        CrossStanding::Cancelled
    } else {
        CrossStanding::reached(
            counts.passes_n,
            counts.fruit_harvested_n,
            counts.seedlings_n,
        )
    };
    Cross {
        id: row.id.to_string(),
        number,
        checked_number,
        season: row.season,
        seed_parent_id: row.seed_parent_id.to_string(),
        seed_parent_name: row.seed_parent_name.clone(),
        pollen_parent_id: id_text(row.pollen_parent_id),
        pollen_parent_name: row.pollen_parent_name.clone().unwrap_or_default(),
        open_pollinated: row.open_pollinated(),
        species: row.species.clone(),
        objective: row.objective.clone(),
        fruit_wanted_n: u32::try_from(row.fruit_wanted_n).unwrap_or(0),
        standing: standing.word().to_owned(),
        mother_ids: row.mother_ids.iter().map(ToString::to_string).collect(),
        advice: None,
        counts: Some(counts),
        fruit_outlook: None,
        warnings: distinct(row.planning_warnings.0.iter().cloned().chain(warnings)),
        outcross_doubt: row.outcross_doubt,
        version: row.version,
        planned_by: row.planned_by.clone(),
    }
}

/// Warnings of the passes of crosses.
pub(crate) async fn pass_warnings(
    unit: &mut Unit,
    ids: &[CrossId],
) -> Result<HashMap<CrossId, Vec<CrossWarning>>, Fault> {
    let rows: Vec<(CrossId, Json<Vec<CrossWarning>>)> = sqlx::query_as(
        "select cross_id, warnings from pass where programme_id = current_programme() \
         and cross_id = any($1) and jsonb_array_length(warnings) > 0 order by on_day, id",
    )
    .bind(ids)
    .fetch_all(unit.connection())
    .await?;
    let mut by_cross: HashMap<CrossId, Vec<CrossWarning>> = HashMap::new();
    for (cross, warnings) in rows {
        by_cross.entry(cross).or_default().extend(warnings.0);
    }
    Ok(by_cross)
}

/// Crosses as told to clients, without their advice.
pub(crate) async fn told(unit: &mut Unit, rows: &[CrossRow]) -> Result<Vec<Cross>, Fault> {
    let ids: Vec<CrossId> = rows.iter().map(|row| row.id).collect();
    let mut counts = store::counts(unit.connection(), &ids).await?;
    let mut warnings = pass_warnings(unit, &ids).await?;
    Ok(rows
        .iter()
        .map(|row| {
            told_of(
                row,
                counts.remove(&row.id).unwrap_or_default(),
                warnings.remove(&row.id).unwrap_or_default(),
            )
        })
        .collect())
}

/// One cross.
pub async fn get(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GetCrossRequest,
) -> Result<Cross, Fault> {
    let mut fields = Fields::new();
    let id: Option<CrossId> = fields.id("cross_id", &request.cross_id);
    fields.finish()?;
    one(unit, id.unwrap_or_default_id()).await
}

/// One cross with its present advice.
async fn one(unit: &mut Unit, id: CrossId) -> Result<Cross, Fault> {
    let row = store::find(unit.connection(), id)
        .await?
        .ok_or_else(|| Fault::not_found("cross", id))?;
    let mut cross = told(unit, std::slice::from_ref(&row)).await?.remove(0);
    let ids: Vec<PlantId> = std::iter::once(row.seed_parent_id)
        .chain(row.pollen_parent_id)
        .collect();
    let parents = plants::find_all(unit.connection(), &ids).await?;
    let find = |id: Option<PlantId>| parents.iter().find(|row| Some(row.id) == id);
    let season = SeasonRow {
        id: crate::domain::SeasonId::from_uuid(uuid::Uuid::nil()),
        year: row.season,
        site: String::new(),
        time_zone: row.time_zone.clone(),
        opens_on: Day(row.opens_on.0),
        closes_on: Day(row.closes_on.0),
    };
    if let Some(mother) = find(Some(row.seed_parent_id)) {
        let on = reckoning(&season, unit);
        let sets = advice::fruit_sets(unit, None).await?;
        let advised = advice::advise(
            unit,
            row.season,
            on,
            mother,
            find(row.pollen_parent_id),
            cross.fruit_wanted_n,
            &sets,
        )
        .await?;
        if let Some(father) = find(row.pollen_parent_id) {
            // Its own counts come in by themselves, and must not count twice.
            let others = advice::fruit_sets(unit, Some(id)).await?;
            cross.fruit_outlook = advice::fruit_outlook(
                &cross.counts.clone().unwrap_or_default(),
                cross.fruit_wanted_n,
                &others.expect(mother.id, &mother.species, &father.species),
            );
        }
        cross.advice = Some(advised.advice);
    }
    Ok(cross)
}

/// A list of crosses.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListCrossesRequest,
) -> Result<CrossList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let after: Option<CrossId> = page.after_key()?;
    let mut fields = Fields::new();
    let season = if request.season.is_empty() {
        None
    } else {
        seasons::year(&mut fields, "season", &request.season)
    };
    let standing: Option<CrossStanding> = fields.optional_word("standing", &request.standing);
    let filter = store::Filter {
        season,
        seed_parent: fields.optional_id("seed_parent_id", &request.seed_parent_id),
        pollen_parent: fields.optional_id("pollen_parent_id", &request.pollen_parent_id),
        standing,
        going: false,
    };
    fields.finish()?;
    let rows = store::list(unit.connection(), &filter, after, page.fetch()).await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    Ok(CrossList {
        items: told(unit, &rows).await?,
        next_cursor,
    })
}

/// Changes a cross.
pub async fn edit(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: EditCrossRequest,
) -> Result<Cross, Fault> {
    let mut fields = Fields::new();
    let id: Option<CrossId> = fields.id("cross_id", &request.cross_id);
    let objective = fields.text("objective", &request.objective, 500).to_owned();
    fields.count("fruit_wanted_n", request.fruit_wanted_n, 1, MOST_FRUIT);
    let standing: Option<CrossStanding> = fields.optional_word("standing", &request.standing);
    at_most(&mut fields, "reason", &request.reason, NOTE_CHARS);
    fields.require(
        standing.is_none_or(|s| matches!(s, CrossStanding::Planned | CrossStanding::Cancelled)),
        "standing",
        "follows from passes, fruit and seedlings; write planned or cancelled",
    );
    fields.require(
        standing != Some(CrossStanding::Cancelled) || !request.reason.trim().is_empty(),
        "reason",
        "is required to cancel a cross",
    );
    let mothers = read_mothers(&mut fields, &request.mother_ids);
    let before = match id {
        Some(id) => store::hold(unit.connection(), id).await?,
        None => None,
    };
    let Some(before) = before else {
        fields.finish()?;
        return Err(Fault::not_found("cross", &request.cross_id));
    };
    let seed_parent = plants::find(unit.connection(), before.seed_parent_id).await?;
    if let Some(seed_parent) = &seed_parent {
        check_mothers(&mut fields, unit, &mothers, seed_parent).await?;
    }
    fields.finish()?;
    let row = CrossRow {
        objective,
        fruit_wanted_n: stored(request.fruit_wanted_n),
        standing: standing.map_or(before.standing.clone(), |standing| {
            standing.word().to_owned()
        }),
        ..before.clone()
    };
    let version = store::update(
        unit.connection(),
        &row,
        request.reason.trim(),
        request.expected_version,
    )
    .await?;
    if version.is_none() {
        return Err(Fault::stale(before.version));
    }
    let programme = unit.programme()?;
    store::replace_mothers(unit.connection(), programme, row.id, &mothers).await?;
    unit.touch("cross", row.id);
    one(unit, row.id).await
}

/// The cross of a request, held until the transaction ends.
pub(crate) async fn held(
    fields: &mut Fields,
    unit: &mut Unit,
    text: &str,
) -> Result<Option<CrossRow>, Fault> {
    let Some(id) = fields.id::<crate::domain::CrossKind>("cross_id", text) else {
        return Ok(None);
    };
    match store::hold(unit.connection(), id).await? {
        Some(row) => Ok(Some(row)),
        None => Err(Fault::not_found("cross", id)),
    }
}
