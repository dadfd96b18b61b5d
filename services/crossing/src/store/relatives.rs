//! Ancestors and descendants, to any depth.

use sqlx::FromRow;

use super::Db;
use crate::domain::PlantId;

/// A relative in a straight line.
#[derive(Debug, Clone, FromRow)]
pub struct RelativeRow {
    pub id: PlantId,
    pub number: String,
    pub name: String,
    pub species: String,
    pub kind: String,
    pub seed_parent_id: Option<PlantId>,
    pub pollen_parent_id: Option<PlantId>,
    pub clone_of_id: Option<PlantId>,
    /// Steps to it by the shortest line.
    pub generation: i32,
    /// How many there are in all.
    pub total_n: i64,
}

/// Where a page goes on: after this generation, number and plant.
pub type After = (i32, String, PlantId);

macro_rules! relatives {
    ($line:literal, $further:literal) => {
        concat!(
            "with recursive ",
            $line,
            ", nearest as (select id, min(generation) as generation from line \
                 where id <> $1 group by id), \
             told as (select g.id, g.number, g.name, g.species, g.kind, g.seed_parent_id, \
                 g.pollen_parent_id, g.clone_of_id, n.generation \
                 from nearest n join germplasm g \
                 on g.programme_id = current_programme() and g.id = n.id ",
            $further,
            "), counted as (select count(*) as total_n from told) \
             select told.*, counted.total_n from told, counted \
             where $2::int is null or (generation, number, id) > ($2, $3, $4) \
             order by generation, number, id limit $5"
        )
    };
}

/// Ancestors of a plant, possible pollen parents among them, each once, the nearest first.
pub async fn ancestors(
    db: &mut Db,
    of: PlantId,
    after: Option<&After>,
    limit: i64,
) -> Result<Vec<RelativeRow>, sqlx::Error> {
    // Going round by generations ends, since nobody is an ancestor of itself.
    let sql = relatives!(
        "line (id, generation) as ( \
             select parent.id, 1 from ( \
                 select unnest(array[g.seed_parent_id, g.pollen_parent_id, g.clone_of_id]) as id \
                     from germplasm g where g.programme_id = current_programme() and g.id = $1 \
                 union select p.candidate_id from pollen_candidate p \
                     where p.programme_id = current_programme() and p.germplasm_id = $1 \
                 union select unnest(array[c.seed_parent_id, c.pollen_parent_id]) from seedling s \
                     join planned_cross c on c.programme_id = s.programme_id and c.id = s.cross_id \
                     where s.programme_id = current_programme() and s.id = $1) parent \
                 where parent.id is not null \
             union \
             select parent.id, line.generation + 1 from line join lateral ( \
                 select unnest(array[g.seed_parent_id, g.pollen_parent_id, g.clone_of_id]) as id \
                     from germplasm g where g.programme_id = current_programme() and g.id = line.id \
                 union all select p.candidate_id from pollen_candidate p \
                     where p.programme_id = current_programme() and p.germplasm_id = line.id \
             ) parent on parent.id is not null)",
        ""
    );
    page(db, sql, of, after, limit).await
}

/// Descendants of a plant, the seedlings of their crosses among them, each once, the nearest first.
pub async fn descendants(
    db: &mut Db,
    of: PlantId,
    after: Option<&After>,
    limit: i64,
) -> Result<Vec<RelativeRow>, sqlx::Error> {
    // A parent is always germplasm, so that seedlings which are not can only be the last of a line.
    let sql = relatives!(
        "line (id, generation) as ( \
             select $1::uuid, 0 \
             union \
             select child.id, line.generation + 1 from line join lateral ( \
                 select g.id from germplasm g where g.programme_id = current_programme() \
                     and g.seed_parent_id = line.id \
                 union all select g.id from germplasm g where g.programme_id = current_programme() \
                     and g.pollen_parent_id = line.id \
                 union all select g.id from germplasm g where g.programme_id = current_programme() \
                     and g.clone_of_id = line.id \
                 union all select p.germplasm_id from pollen_candidate p \
                     where p.programme_id = current_programme() and p.candidate_id = line.id \
             ) child on true)",
        "union all \
         select s.id, s.number, s.number, c.species, 'seedling', c.seed_parent_id, \
             c.pollen_parent_id, null, o.generation \
         from (select c.id, min(l.generation) + 1 as generation from line l \
             join planned_cross c on c.programme_id = current_programme() \
                 and l.id in (c.seed_parent_id, c.pollen_parent_id) group by c.id) o \
         join planned_cross c on c.programme_id = current_programme() and c.id = o.id \
         join seedling s on s.programme_id = c.programme_id and s.season = c.season \
             and s.cross_id = c.id \
         where not exists (select 1 from germplasm g \
             where g.programme_id = s.programme_id and g.id = s.id) "
    );
    page(db, sql, of, after, limit).await
}

async fn page(
    db: &mut Db,
    sql: &'static str,
    of: PlantId,
    after: Option<&After>,
    limit: i64,
) -> Result<Vec<RelativeRow>, sqlx::Error> {
    sqlx::query_as(sql)
        .bind(of)
        .bind(after.map(|after| after.0))
        .bind(after.map(|after| after.1.as_str()))
        .bind(after.map(|after| after.2))
        .bind(limit)
        .fetch_all(db)
        .await
}
