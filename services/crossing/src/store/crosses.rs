//! Crosses and their passes.

use contract::crossing::{CrossCounts, CrossWarning};
use platform::ProgrammeId;
use platform::database::Day;
use platform::fields::Words as _;
use sqlx::types::Json;
use sqlx::{FromRow, Postgres, QueryBuilder};

use super::{Db, count, text_of};
use crate::domain::fruit_sets::CrossFruit;
use crate::domain::passes::Tally;
use crate::domain::{CrossId, CrossStanding, MotherId, PassId, PlantId, PollenLotId};

/// A cross with its parents' names and its season's days.
#[derive(Debug, Clone, FromRow)]
pub struct CrossRow {
    pub id: CrossId,
    pub season: i32,
    pub number: i32,
    pub seed_parent_id: PlantId,
    pub seed_parent_name: String,
    pub pollen_parent_id: Option<PlantId>,
    pub pollen_parent_name: Option<String>,
    pub species: String,
    pub objective: String,
    pub fruit_wanted_n: i32,
    pub standing: String,
    pub accepted_pollen: Option<f64>,
    pub self_compatible: String,
    pub planning_warnings: Json<Vec<CrossWarning>>,
    pub outcross_doubt: Option<f64>,
    pub planned_by: String,
    pub version: i64,
    pub opens_on: Day,
    pub closes_on: Day,
    pub time_zone: String,
    pub mother_ids: Vec<MotherId>,
}

impl CrossRow {
    /// Whether the pollen parent is left to the bees.
    pub fn open_pollinated(&self) -> bool {
        self.pollen_parent_id.is_none()
    }

    /// Its number.
    pub fn number_text(&self) -> String {
        crate::domain::numbers::cross(self.season, self.number)
    }

    /// The day it is at the season's site.
    pub fn today(&self, now: jiff::Timestamp) -> jiff::civil::Date {
        now.in_tz(&self.time_zone)
            .map_or_else(|_| super::seasons::latest_day(now), |zoned| zoned.date())
    }
}

macro_rules! select_cross {
    ($tail:literal) => {
        concat!(
            "select c.id, c.season, c.number, c.seed_parent_id, s.name as seed_parent_name, \
             c.pollen_parent_id, p.name as pollen_parent_name, c.species, c.objective, \
             c.fruit_wanted_n, c.standing, c.accepted_pollen, c.self_compatible, \
             c.planning_warnings, c.outcross_doubt, c.planned_by, c.version, n.opens_on, \
             n.closes_on, n.time_zone, \
             array(select m.mother_id from cross_mother m \
                 where m.programme_id = c.programme_id and m.cross_id = c.id order by m.mother_id) \
                 as mother_ids \
             from planned_cross c \
             join season n on n.programme_id = c.programme_id and n.year = c.season \
             join germplasm s on s.programme_id = c.programme_id and s.id = c.seed_parent_id \
             left join germplasm p on p.programme_id = c.programme_id and p.id = c.pollen_parent_id \
             where c.programme_id = current_programme() ",
            $tail
        )
    };
}

/// One cross.
pub async fn find(db: &mut Db, id: CrossId) -> Result<Option<CrossRow>, sqlx::Error> {
    sqlx::query_as(select_cross!("and c.id = $1"))
        .bind(id)
        .fetch_optional(db)
        .await
}

/// Several crosses.
pub async fn find_all(db: &mut Db, ids: &[CrossId]) -> Result<Vec<CrossRow>, sqlx::Error> {
    sqlx::query_as(select_cross!(
        "and c.id = any($1) order by c.season, c.number"
    ))
    .bind(ids)
    .fetch_all(db)
    .await
}

/// One cross, held until the transaction ends, so that its counts are added to one at a time.
pub async fn hold(db: &mut Db, id: CrossId) -> Result<Option<CrossRow>, sqlx::Error> {
    sqlx::query("select 1 from planned_cross where programme_id = current_programme() and id = $1 for no key update")
        .bind(id)
        .execute(&mut *db)
        .await?;
    find(db, id).await
}

/// What a list of crosses is narrowed to.
#[derive(Debug, Default)]
pub struct Filter {
    pub season: Option<i32>,
    pub seed_parent: Option<PlantId>,
    pub pollen_parent: Option<PlantId>,
    pub standing: Option<CrossStanding>,
    /// Only those that were not given up.
    pub going: bool,
}

/// Standing of a cross `c`, as [`CrossStanding::reached`] says it.
const STANDING: &str = " and case when c.standing = 'cancelled' then 'cancelled' \
    when exists (select 1 from seedling s where s.programme_id = c.programme_id \
        and s.season = c.season and s.cross_id = c.id) then 'raised' \
    when exists (select 1 from fruit_count f where f.programme_id = c.programme_id \
        and f.cross_id = c.id and f.harvested_n > 0) then 'harvested' \
    when exists (select 1 from pass w where w.programme_id = c.programme_id \
        and w.cross_id = c.id) then 'worked' else 'planned' end = ";

/// Crosses by id, which is by time of planning.
pub async fn list(
    db: &mut Db,
    filter: &Filter,
    after: Option<CrossId>,
    limit: i64,
) -> Result<Vec<CrossRow>, sqlx::Error> {
    let mut query = QueryBuilder::<Postgres>::new(select_cross!(""));
    if let Some(season) = filter.season {
        query.push(" and c.season = ").push_bind(season);
    }
    if let Some(plant) = filter.seed_parent {
        query.push(" and c.seed_parent_id = ").push_bind(plant);
    }
    if let Some(plant) = filter.pollen_parent {
        query.push(" and c.pollen_parent_id = ").push_bind(plant);
    }
    if let Some(standing) = filter.standing {
        query.push(STANDING).push_bind(standing.word());
    }
    if filter.going {
        query.push(" and c.standing <> 'cancelled'");
    }
    if let Some(after) = after {
        query.push(" and c.id > ").push_bind(after);
    }
    query.push(" order by c.id limit ").push_bind(limit);
    query.build_query_as().fetch_all(db).await
}

/// Writes a cross.
pub async fn insert(
    db: &mut Db,
    programme: ProgrammeId,
    row: &CrossRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into planned_cross (programme_id, id, season, number, seed_parent_id, \
         pollen_parent_id, species, objective, fruit_wanted_n, standing, accepted_pollen, \
         self_compatible, planning_warnings, planned_by) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.season)
    .bind(row.number)
    .bind(row.seed_parent_id)
    .bind(row.pollen_parent_id)
    .bind(&row.species)
    .bind(&row.objective)
    .bind(row.fruit_wanted_n)
    .bind(&row.standing)
    .bind(row.accepted_pollen)
    .bind(&row.self_compatible)
    .bind(&row.planning_warnings)
    .bind(&row.planned_by)
    .execute(db)
    .await
    .map(drop)
}

/// Puts mothers in place of those that a cross had.
pub async fn replace_mothers(
    db: &mut Db,
    programme: ProgrammeId,
    cross: CrossId,
    mothers: &[MotherId],
) -> Result<(), sqlx::Error> {
    sqlx::query("delete from cross_mother where programme_id = $1 and cross_id = $2")
        .bind(programme)
        .bind(cross)
        .execute(&mut *db)
        .await?;
    add_mothers(db, programme, cross, mothers).await
}

/// Adds mothers to a cross.
pub async fn add_mothers(
    db: &mut Db,
    programme: ProgrammeId,
    cross: CrossId,
    mothers: &[MotherId],
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into cross_mother (programme_id, cross_id, mother_id) \
         select $1, $2, u from unnest($3::uuid[]) as u on conflict do nothing",
    )
    .bind(programme)
    .bind(cross)
    .bind(mothers)
    .execute(db)
    .await
    .map(drop)
}

/// Changes a cross whose version is as expected; none when it is another.
pub async fn update(
    db: &mut Db,
    row: &CrossRow,
    reason: &str,
    expected_version: i64,
) -> Result<Option<i64>, sqlx::Error> {
    sqlx::query_scalar(
        "update planned_cross set objective = $3, fruit_wanted_n = $4, standing = $5, \
         standing_reason = $6, version = version + 1 \
         where programme_id = current_programme() and id = $1 and version = $2 returning version",
    )
    .bind(row.id)
    .bind(expected_version)
    .bind(&row.objective)
    .bind(row.fruit_wanted_n)
    .bind(&row.standing)
    .bind(reason)
    .fetch_optional(db)
    .await
}

/// Keeps a cross's doubt.
pub async fn set_doubt(db: &mut Db, cross: CrossId, doubt: Option<f64>) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update planned_cross set outcross_doubt = $2 \
         where programme_id = current_programme() and id = $1",
    )
    .bind(cross)
    .bind(doubt)
    .execute(db)
    .await
    .map(drop)
}

#[derive(Debug, Clone, FromRow)]
struct CountsRow {
    cross_id: CrossId,
    passes_n: i64,
    emasculated_n: i64,
    pollinated_n: i64,
    unfit_n: i64,
    stray_n: i64,
    first_pass_on: Option<Day>,
    last_pass_on: Option<Day>,
    set_n: Option<i64>,
    harvested_n: i64,
    stones_n: i64,
    first_harvest_on: Option<Day>,
    extracted_n: i64,
    stratified_n: i64,
    rescued_n: i64,
    germinated_n: i64,
    lost_n: i64,
    seedlings_n: i64,
}

/// How far crosses have come.
pub async fn counts(
    db: &mut Db,
    crosses: &[CrossId],
) -> Result<std::collections::HashMap<CrossId, CrossCounts>, sqlx::Error> {
    counts_until(db, crosses, None).await
}

/// How far crosses had come by the end of a day, or have come by now.
pub async fn counts_until(
    db: &mut Db,
    crosses: &[CrossId],
    until: Option<Day>,
) -> Result<std::collections::HashMap<CrossId, CrossCounts>, sqlx::Error> {
    let rows: Vec<CountsRow> = sqlx::query_as(
        "select u.id as cross_id, p.*, f.*, h.*, s.*, \
             (select coalesce(sum(planted_n), 0) from planting \
                 where programme_id = current_programme() and cross_id = u.id \
                     and ($2::date is null or planted_on <= $2)) as seedlings_n \
         from unnest($1::uuid[]) as u (id) \
         cross join lateral ( \
             select count(*) as passes_n, coalesce(sum(emasculated_n), 0) as emasculated_n, \
                 coalesce(sum(pollinated_n), 0) as pollinated_n, \
                 coalesce(sum(unfit_n), 0) as unfit_n, coalesce(sum(stray_n), 0) as stray_n, \
                 min(on_day) as first_pass_on, max(on_day) as last_pass_on \
             from pass where programme_id = current_programme() and cross_id = u.id \
                 and ($2::date is null or on_day <= $2)) p \
         cross join lateral ( \
             select max(set_n)::bigint as set_n from ( \
                 select set_n from fruit_count \
                 where programme_id = current_programme() and cross_id = u.id \
                     and ($2::date is null or on_day <= $2) \
                     and set_n is not null order by on_day desc, entry desc limit 1) latest) f \
         cross join lateral ( \
             select coalesce(sum(harvested_n), 0) as harvested_n, \
                 coalesce(sum(stones_n), 0) as stones_n, \
                 min(on_day) filter (where harvested_n > 0) as first_harvest_on \
             from fruit_count where programme_id = current_programme() and cross_id = u.id \
                 and ($2::date is null or on_day <= $2)) h \
         cross join lateral ( \
             select coalesce(sum(seed_n) filter (where step = 'extracted'), 0) as extracted_n, \
                 coalesce(sum(seed_n) filter (where step = 'stratified'), 0) as stratified_n, \
                 coalesce(sum(seed_n) filter (where step = 'rescued'), 0) as rescued_n, \
                 coalesce(sum(seed_n) filter (where step = 'germinated'), 0) as germinated_n, \
                 coalesce(sum(seed_n) filter (where step = 'lost'), 0) as lost_n \
             from seed_entry where programme_id = current_programme() and cross_id = u.id \
                 and ($2::date is null or on_day <= $2)) s",
    )
    .bind(crosses)
    .bind(until)
    .fetch_all(db)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| {
            let counts = CrossCounts {
                passes_n: count(row.passes_n),
                flowers_emasculated_n: count(row.emasculated_n),
                flowers_pollinated_n: count(row.pollinated_n),
                flowers_unfit_n: count(row.unfit_n),
                stray_open_flowers_n: count(row.stray_n),
                fruit_set_n: row.set_n.map(count),
                fruit_harvested_n: count(row.harvested_n),
                stones_n: count(row.stones_n),
                seed_extracted_n: count(row.extracted_n),
                seed_stratified_n: count(row.stratified_n),
                seed_rescued_n: count(row.rescued_n),
                seed_germinated_n: count(row.germinated_n),
                seed_lost_n: count(row.lost_n),
                seedlings_n: count(row.seedlings_n),
                first_pass_on: text_of(row.first_pass_on),
                last_pass_on: text_of(row.last_pass_on),
                first_harvest_on: text_of(row.first_harvest_on),
            };
            (row.cross_id, counts)
        })
        .collect())
}

/// A pass.
#[derive(Debug, Clone, FromRow)]
pub struct PassRow {
    pub id: PassId,
    pub cross_id: CrossId,
    pub on_day: Day,
    pub pollen_lot_id: Option<PollenLotId>,
    pub mother_id: Option<MotherId>,
    pub emasculated_n: i32,
    pub pollinated_n: i32,
    pub unfit_n: i32,
    pub stray_n: i32,
    pub stray_stripped_n: i32,
    pub germination: Option<f64>,
    pub covered: Option<bool>,
    pub by_name: String,
    pub reason: String,
    pub note: String,
    pub warnings: Json<Vec<CrossWarning>>,
    pub lot_season: Option<i32>,
    pub lot_number: Option<i32>,
    pub pass_n: i64,
    pub supersedes: Option<PassId>,
    pub superseded_by: Option<PassId>,
    pub correction: String,
    pub withdrawn: bool,
}

impl PassRow {
    /// The number of its pollen lot, empty for none.
    pub fn lot_number_text(&self) -> String {
        self.lot_season
            .zip(self.lot_number)
            .map(|(season, number)| crate::domain::numbers::pollen_lot(season, number))
            .unwrap_or_default()
    }
}

macro_rules! select_passes {
    ($table:literal) => {
        concat!(
            "select p.id, p.cross_id, p.on_day, p.pollen_lot_id, p.mother_id, p.emasculated_n, \
             p.pollinated_n, p.unfit_n, p.stray_n, p.stray_stripped_n, p.germination, p.covered, \
             p.by_name, p.reason, p.note, p.warnings, p.supersedes, p.superseded_by, p.correction, \
             p.withdrawn, l.season as lot_season, l.number as lot_number, \
             case when p.superseded_by is null and not p.withdrawn then row_number() over \
                 (partition by p.cross_id, p.superseded_by is null and not p.withdrawn \
                 order by p.on_day, p.id) else 0 end as pass_n from ",
            $table,
            " p left join pollen_lot l \
                 on l.programme_id = p.programme_id and l.id = p.pollen_lot_id \
             where p.programme_id = current_programme() and p.cross_id = any($1) \
             order by p.cross_id, p.on_day, p.id"
        )
    };
}

/// Passes of crosses by day, as they stand.
pub async fn passes(db: &mut Db, crosses: &[CrossId]) -> Result<Vec<PassRow>, sqlx::Error> {
    sqlx::query_as(select_passes!("pass"))
        .bind(crosses)
        .fetch_all(db)
        .await
}

/// Passes of crosses by day, superseded and withdrawn ones too.
pub async fn passes_ever(db: &mut Db, crosses: &[CrossId]) -> Result<Vec<PassRow>, sqlx::Error> {
    sqlx::query_as(select_passes!("pass_entry"))
        .bind(crosses)
        .fetch_all(db)
        .await
}

/// Writes a pass.
pub async fn insert_pass(
    db: &mut Db,
    programme: ProgrammeId,
    row: &PassRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into pass_entry (programme_id, id, cross_id, on_day, pollen_lot_id, mother_id, \
         emasculated_n, pollinated_n, unfit_n, stray_n, stray_stripped_n, germination, covered, \
         by_name, reason, note, warnings, supersedes, correction, withdrawn) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, \
         $19, $20)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.cross_id)
    .bind(row.on_day)
    .bind(row.pollen_lot_id)
    .bind(row.mother_id)
    .bind(row.emasculated_n)
    .bind(row.pollinated_n)
    .bind(row.unfit_n)
    .bind(row.stray_n)
    .bind(row.stray_stripped_n)
    .bind(row.germination)
    .bind(row.covered)
    .bind(&row.by_name)
    .bind(&row.reason)
    .bind(&row.note)
    .bind(&row.warnings)
    .bind(row.supersedes)
    .bind(&row.correction)
    .bind(row.withdrawn)
    .execute(db)
    .await
    .map(drop)
}

/// Flowers of a cross's passes up to a day and in all.
pub async fn tallies(
    db: &mut Db,
    cross: CrossId,
    until: Day,
) -> Result<(Tally, Tally), sqlx::Error> {
    let row: (i64, i64, i64, i64, i64, i64) = sqlx::query_as(
        "select coalesce(sum(emasculated_n) filter (where on_day <= $2), 0), \
             coalesce(sum(pollinated_n) filter (where on_day <= $2), 0), \
             coalesce(sum(unfit_n) filter (where on_day <= $2), 0), \
             coalesce(sum(emasculated_n), 0), coalesce(sum(pollinated_n), 0), \
             coalesce(sum(unfit_n), 0) \
         from pass where programme_id = current_programme() and cross_id = $1",
    )
    .bind(cross)
    .bind(until)
    .fetch_one(db)
    .await?;
    let tally = |emasculated_n, pollinated_n, unfit_n| Tally {
        emasculated_n,
        pollinated_n,
        unfit_n,
    };
    Ok((tally(row.0, row.1, row.2), tally(row.3, row.4, row.5)))
}

/// First days of pollination and of harvest.
pub async fn first_days(
    db: &mut Db,
    cross: CrossId,
) -> Result<(Option<Day>, Option<Day>), sqlx::Error> {
    sqlx::query_as(
        "select (select min(on_day) from pass where programme_id = current_programme() \
                 and cross_id = $1 and pollinated_n > 0), \
             (select min(on_day) from fruit_count where programme_id = current_programme() \
                 and cross_id = $1 and harvested_n > 0)",
    )
    .bind(cross)
    .fetch_one(db)
    .await
}

/// Fruits harvested or set, of flowers pollinated, of the programme's crosses whose fruit was counted;
/// without one of them, for which the others speak.
pub async fn counted_fruit(
    db: &mut Db,
    without: Option<CrossId>,
) -> Result<Vec<CrossFruit>, sqlx::Error> {
    let rows: Vec<(CrossId, PlantId, String, String, i64, i64)> = sqlx::query_as(
        "select c.id, c.seed_parent_id, g.species, d.species, f.fruit_n::bigint, \
             p.pollinated_n::bigint \
         from planned_cross c \
         join germplasm g on g.programme_id = c.programme_id and g.id = c.seed_parent_id \
         join germplasm d on d.programme_id = c.programme_id and d.id = c.pollen_parent_id \
         join (select cross_id, \
                 greatest(coalesce(sum(harvested_n), 0), coalesce(max(set_n), 0)) as fruit_n \
             from fruit_count where programme_id = current_programme() group by cross_id) f \
             on f.cross_id = c.id \
         join (select cross_id, sum(pollinated_n) as pollinated_n \
             from pass where programme_id = current_programme() group by cross_id) p \
             on p.cross_id = c.id and p.pollinated_n > 0 \
         where c.programme_id = current_programme() and c.id is distinct from $1 \
         order by c.id",
    )
    .bind(without)
    .fetch_all(db)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| CrossFruit {
            cross_id: row.0,
            seed_parent_id: row.1,
            seed_species: row.2,
            pollen_species: row.3,
            fruit_n: row.4,
            flowers_n: row.5,
        })
        .collect())
}
