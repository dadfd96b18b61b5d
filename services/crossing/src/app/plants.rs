//! What other services ask of plants, and what people ask of a number on a label.

use std::collections::HashSet;

use contract::crossing::{
    DescribePlantsRequest, FindNumberRequest, NumberedThing, PlantDescription, PlantDescriptions,
};
use platform::ids::Id;
use platform::{Fault, Fields, Unit};
use sqlx::FromRow;

use super::pedigree::{MOST_PLANTS, plant_ids};
use crate::CrossingApp;
use crate::domain::numbers::{self, Numbered};
use crate::domain::{CrossId, PlantId};
use crate::store::{id_text, seed};

#[derive(FromRow)]
struct Row {
    id: PlantId,
    number: String,
    name: String,
    kind: String,
    species: String,
    cross_id: Option<CrossId>,
    season: Option<i32>,
    seed_parent_id: Option<PlantId>,
    pollen_parent_id: Option<PlantId>,
    planted: bool,
    outcross_doubt: Option<f64>,
    s_alleles: Vec<String>,
}

/// What is known of plants, be they germplasm or numbered seedlings.
pub async fn describe(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: DescribePlantsRequest,
) -> Result<PlantDescriptions, Fault> {
    let mut fields = Fields::new();
    let ids = plant_ids(&mut fields, &request.ids, 0, MOST_PLANTS);
    fields.finish()?;
    let mut rows: Vec<Row> = sqlx::query_as(
        "select g.id, g.number, g.name, g.kind, g.species, g.cross_id, c.season, g.seed_parent_id, \
         g.pollen_parent_id, s.id is not null as planted, \
         doubt_after(c.outcross_doubt, coalesce(s.evidence_odds, 1)) as outcross_doubt, g.s_alleles \
         from germplasm g \
         left join planned_cross c on c.programme_id = g.programme_id and c.id = g.cross_id \
         left join seedling s on s.programme_id = g.programme_id and s.id = g.id \
             and s.season = c.season \
         where g.programme_id = current_programme() and g.id = any($1)",
    )
    .bind(&ids)
    .fetch_all(unit.connection())
    .await?;
    let known: HashSet<PlantId> = rows.iter().map(|row| row.id).collect();
    let others: Vec<PlantId> = ids
        .iter()
        .copied()
        .filter(|id| !known.contains(id))
        .collect();
    if !others.is_empty() {
        let seedlings: Vec<Row> = sqlx::query_as(
            "select s.id, s.number, s.number as name, 'seedling' as kind, c.species, s.cross_id, \
             s.season, c.seed_parent_id, c.pollen_parent_id, true as planted, \
             doubt_after(c.outcross_doubt, coalesce(s.evidence_odds, 1)) as outcross_doubt, \
             '{}'::text[] as s_alleles from seedling s \
             join planned_cross c on c.programme_id = s.programme_id and c.id = s.cross_id \
             where s.programme_id = current_programme() and s.id = any($1)",
        )
        .bind(&others)
        .fetch_all(unit.connection())
        .await?;
        rows.extend(seedlings);
    }
    let known: HashSet<PlantId> = rows.iter().map(|row| row.id).collect();
    Ok(PlantDescriptions {
        plants: rows
            .into_iter()
            .map(|row| PlantDescription {
                id: row.id.to_string(),
                number: row.number,
                name: row.name,
                kind: row.kind,
                species: row.species,
                cross_id: id_text(row.cross_id),
                season: row.season.unwrap_or(0),
                seed_parent_id: id_text(row.seed_parent_id),
                pollen_parent_id: id_text(row.pollen_parent_id),
                planted: row.planted,
                outcross_doubt: row.outcross_doubt,
                s_alleles: row.s_alleles,
            })
            .collect(),
        unknown_ids: ids
            .iter()
            .filter(|id| !known.contains(id))
            .map(ToString::to_string)
            .collect(),
    })
}

/// What carries a number.
pub async fn find_number(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: FindNumberRequest,
) -> Result<NumberedThing, Fault> {
    let typed = request.number.trim().to_ascii_uppercase();
    let number = numbers::typed(&typed).map_err(|message| Fault::field("/number", message))?;
    let db = unit.connection();
    let found: Option<(uuid::Uuid, String, i32)> = match number {
        Numbered::Germplasm(n) => {
            sqlx::query_as(
                "select id, name, 0 from germplasm \
                 where programme_id = current_programme() and number = $1",
            )
            .bind(numbers::germplasm(n))
            .fetch_optional(db)
            .await?
        }
        Numbered::Mother(n) => {
            sqlx::query_as(
                "select m.id, g.name, 0 from mother m \
                 join germplasm g on g.programme_id = m.programme_id and g.id = m.germplasm_id \
                 where m.programme_id = current_programme() and m.number = $1",
            )
            .bind(n)
            .fetch_optional(db)
            .await?
        }
        Numbered::PollenLot { year, number } => {
            sqlx::query_as(
                "select l.id, g.name, l.season from pollen_lot l \
                 join germplasm g on g.programme_id = l.programme_id and g.id = l.germplasm_id \
                 where l.programme_id = current_programme() and l.season % 100 = $1 \
                 and l.number = $2 order by l.season desc limit 1",
            )
            .bind(year)
            .bind(number)
            .fetch_optional(db)
            .await?
        }
        Numbered::Cross { year, number } => {
            sqlx::query_as(
                "select id, objective, season from planned_cross \
                 where programme_id = current_programme() and season % 100 = $1 and number = $2 \
                 order by season desc limit 1",
            )
            .bind(year)
            .bind(number)
            .fetch_optional(db)
            .await?
        }
        Numbered::SeedLot { year, cross, lot } => {
            sqlx::query_as(
                "select s.id, s.step, c.season from planned_cross c \
                 join seed_record s on s.programme_id = c.programme_id and s.cross_id = c.id \
                     and s.batch_n = $3 and s.superseded_by is null and not s.withdrawn \
                 where c.programme_id = current_programme() and c.season % 100 = $1 \
                 and c.number = $2 order by c.season desc limit 1",
            )
            .bind(year)
            .bind(cross)
            .bind(lot)
            .fetch_optional(db)
            .await?
        }
        Numbered::Seedling { year, cross, place } => {
            sqlx::query_as(
                "select s.id, s.number, s.season from planned_cross c \
                 join seedling s on s.programme_id = c.programme_id and s.season = c.season \
                     and s.cross_id = c.id and s.place = $3 \
                 where c.programme_id = current_programme() and c.season % 100 = $1 \
                 and c.number = $2 order by c.season desc limit 1",
            )
            .bind(year)
            .bind(cross)
            .bind(place)
            .fetch_optional(db)
            .await?
        }
    };
    let (id, name, season) = found.ok_or_else(|| Fault::not_found("number", &typed))?;
    let cross_id = match number {
        Numbered::SeedLot { .. } => seed::cross_of(unit.connection(), Id::from_uuid(id)).await?,
        _ => None,
    };
    let (kind, number) = match number {
        Numbered::Germplasm(n) => ("germplasm", numbers::germplasm(n)),
        Numbered::Mother(n) => ("mother", numbers::mother(n)),
        Numbered::PollenLot { number, .. } => ("pollen_lot", numbers::pollen_lot(season, number)),
        Numbered::Cross { number, .. } => ("cross", numbers::cross(season, number)),
        Numbered::SeedLot { cross, lot, .. } => ("seed_lot", numbers::seed_lot(season, cross, lot)),
        Numbered::Seedling { cross, place, .. } => {
            ("seedling", numbers::seedling(season, cross, place))
        }
    };
    Ok(NumberedThing {
        kind: kind.to_owned(),
        id: id.to_string(),
        checked_number: numbers::checked(&number),
        number,
        name,
        cross_id: id_text(cross_id),
    })
}
