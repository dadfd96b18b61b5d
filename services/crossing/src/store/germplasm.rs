//! Germplasm and its pedigree.

use std::collections::BTreeMap;

use contract::crossing::Passport;
use pedigree::{PlantRecord, PollenParent};
use platform::{Fault, ProgrammeId, Unit};
use sqlx::types::Json;
use sqlx::{FromRow, Postgres, QueryBuilder};

use super::Db;
use crate::domain::{CrossId, PlantId};

/// A plant of the germplasm with the names of its parents.
#[derive(Debug, Clone, FromRow)]
pub struct GermplasmRow {
    pub id: PlantId,
    pub number: String,
    pub name: String,
    pub species: String,
    pub kind: String,
    pub seed_parent_id: Option<PlantId>,
    pub seed_parent_name: Option<String>,
    pub pollen_parent_id: Option<PlantId>,
    pub pollen_parent_name: Option<String>,
    pub open_pollinated: bool,
    pub clone_of_id: Option<PlantId>,
    pub s_alleles: Vec<String>,
    pub loci: Json<BTreeMap<String, String>>,
    pub traits: Json<BTreeMap<String, String>>,
    pub passport: Json<Passport>,
    pub notes: String,
    pub protected_by: String,
    pub rights_standing: String,
    pub cross_id: Option<CrossId>,
    pub version: i64,
}

macro_rules! select_germplasm {
    ($tail:literal) => {
        concat!(
            "select g.id, g.number, g.name, g.species, g.kind, g.seed_parent_id, \
             s.name as seed_parent_name, g.pollen_parent_id, p.name as pollen_parent_name, \
             g.open_pollinated, g.clone_of_id, g.s_alleles, g.loci, g.traits, g.passport, g.notes, \
             g.protected_by, g.rights_standing, g.cross_id, g.version from germplasm g \
             left join germplasm s on s.programme_id = g.programme_id and s.id = g.seed_parent_id \
             left join germplasm p on p.programme_id = g.programme_id and p.id = g.pollen_parent_id \
             where g.programme_id = current_programme() ",
            $tail
        )
    };
}

/// One plant.
pub async fn find(db: &mut Db, id: PlantId) -> Result<Option<GermplasmRow>, sqlx::Error> {
    sqlx::query_as(select_germplasm!("and g.id = $1"))
        .bind(id)
        .fetch_optional(db)
        .await
}

/// Several plants.
pub async fn find_all(db: &mut Db, ids: &[PlantId]) -> Result<Vec<GermplasmRow>, sqlx::Error> {
    sqlx::query_as(select_germplasm!("and g.id = any($1)"))
        .bind(ids)
        .fetch_all(db)
        .await
}

/// Every plant of a species, for the frequencies of alleles among pollen parents.
pub async fn of_species(db: &mut Db, species: &str) -> Result<Vec<GermplasmRow>, sqlx::Error> {
    sqlx::query_as(select_germplasm!(
        "and g.species = $1 and g.kind in ('variety', 'selection')"
    ))
    .bind(species)
    .fetch_all(db)
    .await
}

/// What a list of germplasm is narrowed to.
pub struct Filter<'a> {
    pub q: &'a str,
    pub kind: Option<&'a str>,
    pub species: Option<&'a str>,
}

/// Plants by name, from after a name, at most `limit`.
pub async fn list(
    db: &mut Db,
    filter: Filter<'_>,
    after: Option<String>,
    limit: i64,
) -> Result<Vec<GermplasmRow>, sqlx::Error> {
    let mut query = QueryBuilder::<Postgres>::new(select_germplasm!(""));
    if !filter.q.is_empty() {
        let escaped = filter
            .q
            .replace('\\', "\\\\")
            .replace('%', "\\%")
            .replace('_', "\\_");
        let pattern = format!("%{escaped}%");
        query.push(" and (g.name ilike ").push_bind(pattern.clone());
        query
            .push(" or g.number ilike ")
            .push_bind(pattern)
            .push(")");
    }
    if let Some(kind) = filter.kind {
        query.push(" and g.kind = ").push_bind(kind.to_owned());
    }
    if let Some(species) = filter.species {
        query
            .push(" and g.species = ")
            .push_bind(species.to_owned());
    }
    if let Some(after) = after {
        query.push(" and lower(g.name) > ").push_bind(after);
    }
    query
        .push(" order by lower(g.name) limit ")
        .push_bind(limit);
    query.build_query_as().fetch_all(db).await
}

/// What is written of a plant.
pub struct NewGermplasm<'a> {
    pub id: PlantId,
    pub number: String,
    pub name: &'a str,
    pub species: String,
    pub kind: &'static str,
    pub seed_parent_id: Option<PlantId>,
    pub pollen_parent_id: Option<PlantId>,
    pub open_pollinated: bool,
    pub clone_of_id: Option<PlantId>,
    pub s_alleles: Vec<String>,
    pub loci: &'a BTreeMap<String, String>,
    pub traits: &'a BTreeMap<String, String>,
    pub passport: Passport,
    pub notes: &'a str,
    pub protected_by: &'a str,
    pub rights_standing: &'static str,
    pub cross_id: Option<CrossId>,
}

/// Writes a new plant.
pub async fn insert(
    db: &mut Db,
    programme: ProgrammeId,
    plant: &NewGermplasm<'_>,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into germplasm (programme_id, id, number, name, species, kind, seed_parent_id, \
         pollen_parent_id, open_pollinated, clone_of_id, s_alleles, loci, traits, passport, notes, \
         protected_by, rights_standing, cross_id) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)",
    )
    .bind(programme)
    .bind(plant.id)
    .bind(&plant.number)
    .bind(plant.name)
    .bind(&plant.species)
    .bind(plant.kind)
    .bind(plant.seed_parent_id)
    .bind(plant.pollen_parent_id)
    .bind(plant.open_pollinated)
    .bind(plant.clone_of_id)
    .bind(&plant.s_alleles)
    .bind(Json(plant.loci))
    .bind(Json(plant.traits))
    .bind(Json(&plant.passport))
    .bind(plant.notes)
    .bind(plant.protected_by)
    .bind(plant.rights_standing)
    .bind(plant.cross_id)
    .execute(db)
    .await
    .map(drop)
}

/// Replaces what is known of a plant whose version is as expected; none when it is another.
pub async fn update(
    db: &mut Db,
    plant: &NewGermplasm<'_>,
    expected_version: i64,
) -> Result<Option<i64>, sqlx::Error> {
    sqlx::query_scalar(
        "update germplasm set name = $3, species = $4, kind = $5, seed_parent_id = $6, \
         pollen_parent_id = $7, open_pollinated = $8, clone_of_id = $9, s_alleles = $10, loci = $11, \
         traits = $12, passport = $13, notes = $14, protected_by = $15, rights_standing = $16, \
         version = version + 1 \
         where programme_id = current_programme() and id = $1 and version = $2 returning version",
    )
    .bind(plant.id)
    .bind(expected_version)
    .bind(plant.name)
    .bind(&plant.species)
    .bind(plant.kind)
    .bind(plant.seed_parent_id)
    .bind(plant.pollen_parent_id)
    .bind(plant.open_pollinated)
    .bind(plant.clone_of_id)
    .bind(&plant.s_alleles)
    .bind(Json(plant.loci))
    .bind(Json(plant.traits))
    .bind(Json(&plant.passport))
    .bind(plant.notes)
    .bind(plant.protected_by)
    .bind(plant.rights_standing)
    .fetch_optional(db)
    .await
}

/// Possible pollen parents of one plant.
pub async fn candidates(db: &mut Db, id: PlantId) -> Result<Vec<(PlantId, f64)>, sqlx::Error> {
    sqlx::query_as(
        "select candidate_id, share from pollen_candidate \
         where programme_id = current_programme() and germplasm_id = $1 order by candidate_id",
    )
    .bind(id)
    .fetch_all(db)
    .await
}

/// Puts a plant's possible pollen parents in place of those it had.
pub async fn replace_candidates(
    db: &mut Db,
    programme: ProgrammeId,
    id: PlantId,
    candidates: &[(PlantId, f64)],
) -> Result<(), sqlx::Error> {
    sqlx::query("delete from pollen_candidate where programme_id = $1 and germplasm_id = $2")
        .bind(programme)
        .bind(id)
        .execute(&mut *db)
        .await?;
    let (ids, shares): (Vec<PlantId>, Vec<f64>) = candidates.iter().copied().unzip();
    sqlx::query(
        "insert into pollen_candidate (programme_id, germplasm_id, candidate_id, share) \
         select $1, $2, u.id, u.share from unnest($3::uuid[], $4::float8[]) as u (id, share)",
    )
    .bind(programme)
    .bind(id)
    .bind(ids)
    .bind(shares)
    .execute(db)
    .await
    .map(drop)
}

/// Takes numbered seedlings among the ids into the germplasm under their own ids, so that they can
/// be parents, and gives the ids of all plants that are there then.
///
/// # Errors
/// When the database refuses.
pub async fn adopt(unit: &mut Unit, ids: &[PlantId]) -> Result<Vec<PlantId>, Fault> {
    const KNOWN: &str =
        "select id from germplasm where programme_id = current_programme() and id = any($1)";
    let known: Vec<PlantId> = sqlx::query_scalar(KNOWN)
        .bind(ids)
        .fetch_all(unit.connection())
        .await?;
    let missing: Vec<PlantId> = ids
        .iter()
        .copied()
        .filter(|id| !known.contains(id))
        .collect();
    if missing.is_empty() {
        return Ok(known);
    }
    sqlx::query(
        "insert into germplasm (programme_id, id, number, name, species, kind, seed_parent_id, \
         pollen_parent_id, open_pollinated, s_alleles, loci, traits, passport, notes, protected_by, \
         rights_standing, cross_id) \
         select s.programme_id, s.id, s.number, s.number, c.species, 'seedling', c.seed_parent_id, \
         c.pollen_parent_id, c.pollen_parent_id is null, '{}', s.loci, '{}', \
         '{}'::jsonb, '', '', 'own', s.cross_id \
         from seedling s join planned_cross c on c.programme_id = s.programme_id and c.id = s.cross_id \
         where s.programme_id = current_programme() and s.id = any($1) on conflict do nothing",
    )
    .bind(&missing)
    .execute(unit.connection())
    .await?;
    Ok(sqlx::query_scalar(KNOWN)
        .bind(ids)
        .fetch_all(unit.connection())
        .await?)
}

/// A plant's line in a pedigree.
#[derive(Debug, Clone, FromRow)]
pub struct LineageRow {
    pub id: PlantId,
    pub number: String,
    pub name: String,
    pub species: String,
    pub kind: String,
    pub seed_parent_id: Option<PlantId>,
    pub pollen_parent_id: Option<PlantId>,
    pub clone_of_id: Option<PlantId>,
    pub candidate_ids: Vec<PlantId>,
    pub candidate_shares: Vec<f64>,
}

impl LineageRow {
    /// Plants that may be the pollen parent, with their probabilities; none where it is known.
    pub fn possible_pollen_parents(&self) -> impl Iterator<Item = (PlantId, f64)> {
        let open = self.pollen_parent_id.is_none() && self.clone_of_id.is_none();
        self.candidate_ids
            .iter()
            .copied()
            .zip(self.candidate_shares.iter().copied())
            .filter(move |_| open)
    }

    /// The record that the pedigree is built from.
    pub fn record(&self) -> PlantRecord<PlantId> {
        if let Some(source) = self.clone_of_id {
            return PlantRecord::clone_of(self.id, source);
        }
        let pollen_parent = match self.pollen_parent_id {
            Some(id) => PollenParent::Known(id),
            None if self.candidate_ids.is_empty() => PollenParent::Unknown,
            None => PollenParent::OneOf(self.possible_pollen_parents().collect()),
        };
        PlantRecord::seedling(self.id, self.seed_parent_id, pollen_parent)
    }
}

/// Plants with all their ancestors. Seedlings that are not germplasm can only be among the plants
/// asked for: a parent is always germplasm.
pub async fn lineage(db: &mut Db, ids: &[PlantId]) -> Result<Vec<LineageRow>, sqlx::Error> {
    let mut rows: Vec<LineageRow> = sqlx::query_as(
        "with recursive line (id) as ( \
             select unnest($1::uuid[]) \
             union \
             select c.seed_parent_id from seedling s \
                 join planned_cross c on c.programme_id = s.programme_id and c.id = s.cross_id \
                 where s.programme_id = current_programme() and s.id = any($1) \
             union \
             select c.pollen_parent_id from seedling s \
                 join planned_cross c on c.programme_id = s.programme_id and c.id = s.cross_id \
                 where s.programme_id = current_programme() and s.id = any($1) \
             union \
             select parent.id from line join lateral ( \
                 select unnest(array[g.seed_parent_id, g.pollen_parent_id, g.clone_of_id]) as id \
                     from germplasm g \
                     where g.programme_id = current_programme() and g.id = line.id \
                 union all \
                 select candidate_id from pollen_candidate p \
                     where p.programme_id = current_programme() and p.germplasm_id = line.id \
             ) parent on parent.id is not null \
         ) \
         select g.id, g.number, g.name, g.species, g.kind, g.seed_parent_id, g.pollen_parent_id, \
             g.clone_of_id, \
             coalesce(array_agg(p.candidate_id) filter (where p.candidate_id is not null), '{}') \
                 as candidate_ids, \
             coalesce(array_agg(p.share) filter (where p.candidate_id is not null), '{}') \
                 as candidate_shares \
         from line join germplasm g on g.programme_id = current_programme() and g.id = line.id \
         left join pollen_candidate p on p.programme_id = g.programme_id and p.germplasm_id = g.id \
         group by g.programme_id, g.id",
    )
    .bind(ids)
    .fetch_all(&mut *db)
    .await?;
    let known: std::collections::HashSet<PlantId> = rows.iter().map(|row| row.id).collect();
    let others: Vec<PlantId> = ids
        .iter()
        .copied()
        .filter(|id| !known.contains(id))
        .collect();
    if !others.is_empty() {
        let seedlings: Vec<LineageRow> = sqlx::query_as(
            "select s.id, s.number, s.number as name, c.species, 'seedling' as kind, \
             c.seed_parent_id, c.pollen_parent_id, null::uuid as clone_of_id, \
             '{}'::uuid[] as candidate_ids, '{}'::float8[] as candidate_shares \
             from seedling s \
             join planned_cross c on c.programme_id = s.programme_id and c.id = s.cross_id \
             where s.programme_id = current_programme() and s.id = any($1)",
        )
        .bind(&others)
        .fetch_all(db)
        .await?;
        rows.extend(seedlings);
    }
    Ok(rows)
}
