//! Fruit, seed, plantings and seedlings.

use std::collections::BTreeMap;

use platform::ProgrammeId;
use platform::database::Day;
use sqlx::types::Json;
use sqlx::{FromRow, Postgres, QueryBuilder};

use super::Db;
use crate::domain::{CrossId, FruitCountId, MotherId, PlantId, PlantingId, SeedlingEventId};

/// A count of fruit.
#[derive(Debug, Clone, FromRow)]
pub struct FruitRow {
    pub id: FruitCountId,
    pub cross_id: CrossId,
    pub on_day: Day,
    pub mother_id: Option<MotherId>,
    pub set_n: Option<i32>,
    pub harvested_n: Option<i32>,
    pub stones_n: Option<i32>,
    pub reason: String,
    pub by_name: String,
    pub note: String,
    pub supersedes: Option<FruitCountId>,
    pub superseded_by: Option<FruitCountId>,
    pub correction: String,
    pub withdrawn: bool,
}

/// Counts of fruit of a cross by day, superseded and withdrawn ones too.
pub async fn fruit_ever(db: &mut Db, cross: CrossId) -> Result<Vec<FruitRow>, sqlx::Error> {
    sqlx::query_as(
        "select id, cross_id, on_day, mother_id, set_n, harvested_n, stones_n, reason, by_name, \
         note, supersedes, superseded_by, correction, withdrawn from fruit_entry \
         where programme_id = current_programme() and cross_id = $1 order by on_day, entry",
    )
    .bind(cross)
    .fetch_all(db)
    .await
}

/// Writes a count of fruit.
pub async fn insert_fruit(
    db: &mut Db,
    programme: ProgrammeId,
    row: &FruitRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into fruit_entry (programme_id, id, cross_id, on_day, mother_id, set_n, \
         harvested_n, stones_n, reason, by_name, note, supersedes, correction, withdrawn) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.cross_id)
    .bind(row.on_day)
    .bind(row.mother_id)
    .bind(row.set_n)
    .bind(row.harvested_n)
    .bind(row.stones_n)
    .bind(&row.reason)
    .bind(&row.by_name)
    .bind(&row.note)
    .bind(row.supersedes)
    .bind(&row.correction)
    .bind(row.withdrawn)
    .execute(db)
    .await
    .map(drop)
}

/// A planting.
#[derive(Debug, Clone)]
pub struct PlantingRow {
    pub id: PlantingId,
    pub cross_id: CrossId,
    pub season: i32,
    pub cross_number: i32,
    pub planted_on: Day,
    pub first_place: i32,
    pub planted_n: i32,
    pub site: String,
    pub block: String,
    pub first_row: i32,
    pub plants_per_row: i32,
    pub reason: String,
    pub by_name: String,
    pub from_step: &'static str,
    pub found_n: i32,
}

/// The highest place given in a family so far.
pub async fn last_place(db: &mut Db, cross: CrossId) -> Result<i32, sqlx::Error> {
    sqlx::query_scalar(
        "select coalesce(max(first_place + planted_n - 1), 0) from planting \
         where programme_id = current_programme() and cross_id = $1",
    )
    .bind(cross)
    .fetch_one(db)
    .await
}

/// Writes a planting and its seedlings, all in two statements.
pub async fn insert_planting(
    db: &mut Db,
    programme: ProgrammeId,
    row: &PlantingRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into planting (programme_id, id, cross_id, season, planted_on, first_place, \
         planted_n, site, block, first_row, plants_per_row, reason, by_name, from_step, found_n) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.cross_id)
    .bind(row.season)
    .bind(row.planted_on)
    .bind(row.first_place)
    .bind(row.planted_n)
    .bind(&row.site)
    .bind(&row.block)
    .bind(row.first_row)
    .bind(row.plants_per_row)
    .bind(&row.reason)
    .bind(&row.by_name)
    .bind(row.from_step)
    .bind(row.found_n)
    .execute(&mut *db)
    .await?;
    let places: Vec<i32> = (row.first_place..row.first_place + row.planted_n).collect();
    let ids: Vec<PlantId> = places.iter().map(|_| PlantId::new()).collect();
    let numbers: Vec<String> = places
        .iter()
        .map(|place| crate::domain::numbers::seedling(row.season, row.cross_number, *place))
        .collect();
    sqlx::query(
        "insert into seedling (programme_id, season, id, cross_id, planting_id, place, number, \
         site, block, row_n, position_n) \
         select $1, $2, u.id, $3, $4, u.place, u.number, $5, $6, \
             $7 + (u.place - $9) / $8, (u.place - $9) % $8 + 1 \
         from unnest($10::uuid[], $11::int[], $12::text[]) as u (id, place, number)",
    )
    .bind(programme)
    .bind(row.season)
    .bind(row.cross_id)
    .bind(row.id)
    .bind(&row.site)
    .bind(&row.block)
    .bind(row.first_row)
    .bind(row.plants_per_row)
    .bind(row.first_place)
    .bind(ids)
    .bind(places)
    .bind(numbers)
    .execute(&mut *db)
    .await?;
    let planted_n = usize::try_from(row.planted_n).unwrap_or(0);
    platform::database::refresh_statistics(db, "seedling", planted_n).await
}

/// A seedling with its cross.
#[derive(Debug, Clone, FromRow)]
pub struct SeedlingRow {
    pub id: PlantId,
    pub number: String,
    pub cross_id: CrossId,
    pub cross_number: i32,
    pub season: i32,
    pub place: i32,
    pub seed_parent_id: PlantId,
    pub seed_parent_name: String,
    pub pollen_parent_id: Option<PlantId>,
    pub pollen_parent_name: Option<String>,
    pub species: String,
    pub site: String,
    pub block: String,
    pub row_n: i32,
    pub position_n: i32,
    pub planted_on: Day,
    pub died_on: Option<Day>,
    pub discarded_on: Option<Day>,
    pub loci: Json<BTreeMap<String, String>>,
    pub outcross_doubt: Option<f64>,
    pub parentage_finding: String,
    pub selected: bool,
}

macro_rules! seedling_columns {
    () => {
        "select s.id, s.number, s.cross_id, c.number as cross_number, s.season, s.place, \
         c.seed_parent_id, m.name as seed_parent_name, c.pollen_parent_id, \
         f.name as pollen_parent_name, c.species, s.site, s.block, s.row_n, s.position_n, \
         p.planted_on, s.died_on, s.discarded_on, s.loci, \
         doubt_after(c.outcross_doubt, s.evidence_odds) as outcross_doubt, s.parentage_finding, \
         exists (select 1 from germplasm g where g.programme_id = s.programme_id \
             and g.id = s.id and g.kind <> 'seedling') as selected "
    };
}

/// The planting and the parents of a seedling `s` of a cross `c`.
macro_rules! seedling_names {
    () => {
        "join planting p on p.programme_id = s.programme_id and p.id = s.planting_id \
         join germplasm m on m.programme_id = c.programme_id and m.id = c.seed_parent_id \
         left join germplasm f on f.programme_id = c.programme_id and f.id = c.pollen_parent_id "
    };
}

macro_rules! select_seedling {
    ($tail:literal) => {
        concat!(
            seedling_columns!(),
            "from seedling s \
             join planned_cross c on c.programme_id = s.programme_id and c.id = s.cross_id ",
            seedling_names!(),
            "where s.programme_id = current_programme() ",
            $tail
        )
    };
}

/// One seedling.
pub async fn find_seedling(db: &mut Db, id: PlantId) -> Result<Option<SeedlingRow>, sqlx::Error> {
    sqlx::query_as(select_seedling!("and s.id = $1"))
        .bind(id)
        .fetch_optional(db)
        .await
}

/// Several seedlings.
pub async fn find_seedlings(db: &mut Db, ids: &[PlantId]) -> Result<Vec<SeedlingRow>, sqlx::Error> {
    sqlx::query_as(select_seedling!(
        "and s.id = any($1) order by s.season, c.number, s.place"
    ))
    .bind(ids)
    .fetch_all(db)
    .await
}

/// What a list of seedlings is narrowed to.
#[derive(Debug, Default)]
pub struct Filter<'a> {
    pub cross: Option<CrossId>,
    pub season: Option<i32>,
    pub block: &'a str,
    pub row: Option<i32>,
    pub living: Option<bool>,
}

/// Seedlings by season, cross and place, from after a number's parts.
pub async fn list_seedlings(
    db: &mut Db,
    filter: &Filter<'_>,
    after: Option<(i32, i32, i32)>,
    limit: i64,
) -> Result<Vec<SeedlingRow>, sqlx::Error> {
    seedling_page("", filter, after, limit)
        .build_query_as()
        .fetch_all(db)
        .await
}

/// How the database reads such a page.
pub async fn explain_seedlings(
    db: &mut Db,
    filter: &Filter<'_>,
    after: Option<(i32, i32, i32)>,
    limit: i64,
) -> Result<Vec<String>, sqlx::Error> {
    seedling_page("explain ", filter, after, limit)
        .build_query_scalar()
        .fetch_all(db)
        .await
}

/// The statement for a page. Seedlings of one cross come by its index in the order of their places;
/// those of a block by the block's index; others cross by cross, so that no more are read than are
/// shown.
fn seedling_page(
    before: &'static str,
    filter: &Filter<'_>,
    after: Option<(i32, i32, i32)>,
    limit: i64,
) -> QueryBuilder<Postgres> {
    let mut query = QueryBuilder::<Postgres>::new(before);
    if let Some(cross) = filter.cross {
        // The page is cut before it is joined, whatever the planner thinks of the joins.
        query.push(concat!(
            seedling_columns!(),
            "from planned_cross c cross join lateral (select * from seedling s \
             where s.programme_id = c.programme_id and s.cross_id = c.id"
        ));
        narrow(&mut query, filter);
        if let Some((_, _, place)) = after {
            query.push(" and s.place > ").push_bind(place);
        }
        query.push(" order by s.place limit ").push_bind(limit);
        query.push(concat!(
            ") s ",
            seedling_names!(),
            "where c.programme_id = current_programme() and c.id = "
        ));
        query.push_bind(cross).push(" order by s.place");
        return query;
    }
    if filter.block.is_empty() {
        query.push(concat!(
            seedling_columns!(),
            "from planned_cross c cross join lateral (select * from seedling s \
             where s.programme_id = c.programme_id and s.season = c.season and s.cross_id = c.id"
        ));
        narrow(&mut query, filter);
        if let Some((season, cross, place)) = after {
            // Of the cross that was told last, what comes after.
            query
                .push(" and s.place > case when (c.season, c.number) = (")
                .push_bind(season);
            query.push(", ").push_bind(cross);
            query.push(") then ").push_bind(place).push(" else 0 end");
        }
        query.push(" order by s.place limit ").push_bind(limit);
        query.push(concat!(
            ") s ",
            seedling_names!(),
            "where c.programme_id = current_programme()"
        ));
        if let Some(season) = filter.season {
            query.push(" and c.season = ").push_bind(season);
        }
    } else {
        query.push(select_seedling!(""));
        narrow(&mut query, filter);
    }
    if let Some((season, cross, place)) = after {
        query
            .push(" and (c.season, c.number) >= (")
            .push_bind(season);
        query.push(", ").push_bind(cross);
        query
            .push(") and (s.season, c.number, s.place) > (")
            .push_bind(season);
        query.push(", ").push_bind(cross);
        query.push(", ").push_bind(place).push(")");
    }
    query
        .push(" order by c.season, c.number, s.place limit ")
        .push_bind(limit);
    query
}

/// Narrows seedlings to those asked for, their cross aside.
fn narrow(query: &mut QueryBuilder<Postgres>, filter: &Filter<'_>) {
    if let Some(season) = filter.season {
        query.push(" and s.season = ").push_bind(season);
    }
    if !filter.block.is_empty() {
        query
            .push(" and s.block = ")
            .push_bind(filter.block.to_owned());
    }
    if let Some(row) = filter.row {
        query.push(" and s.row_n = ").push_bind(row);
    }
    match filter.living {
        Some(true) => query.push(" and s.died_on is null"),
        Some(false) => query.push(" and s.died_on is not null"),
        None => query,
    };
}

/// Something that happened to a seedling.
#[derive(Debug, Clone, FromRow)]
pub struct SeedlingEventRow {
    pub id: SeedlingEventId,
    pub seedling_id: PlantId,
    pub season: i32,
    pub kind: String,
    pub on_day: Day,
    pub site: String,
    pub block: String,
    pub row_n: i32,
    pub position_n: i32,
    pub rootstock: String,
    pub locus: String,
    pub genotype: String,
    pub finding: String,
    pub note: String,
    pub by_name: String,
    pub cause: String,
    pub evidence_odds: Option<f64>,
}

/// What happened to a seedling, by day.
pub async fn seedling_events(
    db: &mut Db,
    id: PlantId,
) -> Result<Vec<SeedlingEventRow>, sqlx::Error> {
    sqlx::query_as(
        "select id, seedling_id, season, kind, on_day, site, block, row_n, position_n, rootstock, \
         locus, genotype, finding, note, by_name, cause, evidence_odds from seedling_event \
         where programme_id = current_programme() and seedling_id = $1 order by on_day, entry",
    )
    .bind(id)
    .fetch_all(db)
    .await
}

/// Writes something that happened to a seedling.
pub async fn insert_seedling_event(
    db: &mut Db,
    programme: ProgrammeId,
    row: &SeedlingEventRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into seedling_event (programme_id, season, id, seedling_id, kind, on_day, site, \
         block, row_n, position_n, rootstock, locus, genotype, finding, note, by_name, cause, \
         evidence_odds) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)",
    )
    .bind(programme)
    .bind(row.season)
    .bind(row.id)
    .bind(row.seedling_id)
    .bind(&row.kind)
    .bind(row.on_day)
    .bind(&row.site)
    .bind(&row.block)
    .bind(row.row_n)
    .bind(row.position_n)
    .bind(&row.rootstock)
    .bind(&row.locus)
    .bind(&row.genotype)
    .bind(&row.finding)
    .bind(&row.note)
    .bind(&row.by_name)
    .bind(&row.cause)
    .bind(row.evidence_odds)
    .execute(db)
    .await
    .map(drop)
}

/// Keeps a seedling in step with what happened to it.
pub async fn update_seedling(db: &mut Db, row: &SeedlingRow) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update seedling set site = $3, block = $4, row_n = $5, position_n = $6, died_on = $7, \
         loci = $8, parentage_finding = $9, discarded_on = $10 \
         where programme_id = current_programme() and season = $2 and id = $1",
    )
    .bind(row.id)
    .bind(row.season)
    .bind(&row.site)
    .bind(&row.block)
    .bind(row.row_n)
    .bind(row.position_n)
    .bind(row.died_on)
    .bind(&row.loci)
    .bind(&row.parentage_finding)
    .bind(row.discarded_on)
    .execute(db)
    .await
    .map(drop)
}

/// Keeps what the results at a seedling's loci say together.
pub async fn set_evidence(
    db: &mut Db,
    id: PlantId,
    season: i32,
    odds: f64,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update seedling set evidence_odds = $3 \
         where programme_id = current_programme() and season = $2 and id = $1",
    )
    .bind(id)
    .bind(season)
    .bind(odds)
    .execute(db)
    .await
    .map(drop)
}

/// Seedlings of a cross that died, by cause.
pub async fn deaths(db: &mut Db, cross: CrossId) -> Result<Vec<(String, i64)>, sqlx::Error> {
    sqlx::query_as(
        "select coalesce(nullif(e.cause, ''), 'unknown'), count(*) from seedling s \
         left join seedling_event e on e.programme_id = s.programme_id \
             and e.seedling_id = s.id and e.season = s.season and e.kind = 'died' \
         where s.programme_id = current_programme() and s.cross_id = $1 \
             and s.died_on is not null group by 1 order by 1",
    )
    .bind(cross)
    .fetch_all(db)
    .await
}
