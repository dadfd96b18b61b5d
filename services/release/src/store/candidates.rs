//! Candidates and their moves.

use platform::database::{Day, Instant};
use platform::paging::Page;
use platform::{Fault, PersonId, ProgrammeId};
use sqlx::{FromRow, PgConnection};
use uuid::Uuid;

use crate::domain::{CandidateId, CrossId, PlantId, StageMoveId};

/// A candidate as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct CandidateRow {
    /// Its id.
    pub id: CandidateId,
    /// The plant.
    pub germplasm_id: PlantId,
    /// The plant's number.
    pub plant_number: String,
    /// Its code.
    pub code: String,
    /// Latin name.
    pub species: String,
    /// The cross.
    pub cross_id: Option<CrossId>,
    /// Season of the cross.
    pub crossing_year: Option<i32>,
    /// Seed parent.
    pub seed_parent_id: Option<PlantId>,
    /// Pollen parent.
    pub pollen_parent_id: Option<PlantId>,
    /// Word of the stage.
    pub stage: String,
    /// Since when.
    pub stage_since: Day,
    /// Who answers for its dates.
    pub responsible_id: Option<PersonId>,
    /// Word.
    pub virus_status: String,
    /// Word.
    pub true_to_type: String,
    /// Class with the longer periods.
    pub tree_or_vine: bool,
    /// Doubt that came with the plant.
    pub warnings: Vec<String>,
    /// Version for concurrent edits.
    pub version: i64,
    /// Word for the kind of cross it came from.
    pub cross_kind: String,
}

macro_rules! candidate_columns {
    () => {
        "id, germplasm_id, plant_number, code, species, cross_id, crossing_year, seed_parent_id, \
         pollen_parent_id, stage, stage_since, responsible_id, virus_status, true_to_type, \
         tree_or_vine, warnings, version, cross_kind"
    };
}

/// Writes a new candidate.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &CandidateRow,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into candidate (programme_id, id, germplasm_id, plant_number, code, species, \
         cross_id, crossing_year, seed_parent_id, pollen_parent_id, stage, stage_since, \
         responsible_id, virus_status, true_to_type, tree_or_vine, warnings, registered_at, \
         cross_kind) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, \
         $16, $17, $18, $19)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.germplasm_id)
    .bind(&row.plant_number)
    .bind(&row.code)
    .bind(&row.species)
    .bind(row.cross_id)
    .bind(row.crossing_year)
    .bind(row.seed_parent_id)
    .bind(row.pollen_parent_id)
    .bind(&row.stage)
    .bind(row.stage_since)
    .bind(row.responsible_id)
    .bind(&row.virus_status)
    .bind(&row.true_to_type)
    .bind(row.tree_or_vine)
    .bind(&row.warnings)
    .bind(at)
    .bind(&row.cross_kind)
    .execute(connection)
    .await
    .map(drop)
}

/// One candidate.
pub async fn find(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: CandidateId,
) -> Result<Option<CandidateRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        "select ",
        candidate_columns!(),
        " from candidate where programme_id = $1 and id = $2"
    ))
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await
}

/// One candidate, locked until the transaction ends, so that what depends on it is written in turn.
pub async fn lock(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: CandidateId,
) -> Result<Option<CandidateRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        "select ",
        candidate_columns!(),
        " from candidate where programme_id = $1 and id = $2 for no key update"
    ))
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await
}

/// The candidate that a plant became.
pub async fn lock_by_plant(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    plant: PlantId,
) -> Result<Option<CandidateRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        "select ",
        candidate_columns!(),
        " from candidate where programme_id = $1 and germplasm_id = $2 for no key update"
    ))
    .bind(programme)
    .bind(plant)
    .fetch_optional(connection)
    .await
}

/// Whether a candidate has this code.
pub async fn code_taken(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    code: &str,
) -> Result<bool, sqlx::Error> {
    sqlx::query_scalar(
        "select exists (select from candidate where programme_id = $1 and code = $2)",
    )
    .bind(programme)
    .bind(code)
    .fetch_one(connection)
    .await
}

/// What to list.
#[derive(Debug, Default)]
pub struct Filter<'a> {
    /// At this stage.
    pub stage: Option<&'a str>,
    /// From crosses of this season.
    pub crossing_year: Option<i32>,
    /// That this person answers for.
    pub responsible: Option<PersonId>,
}

/// A page of candidates.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    filter: Filter<'_>,
    page: &Page,
) -> Result<Vec<CandidateRow>, Fault> {
    Ok(sqlx::query_as(concat!(
        "select ",
        candidate_columns!(),
        " from candidate where programme_id = $1 and ($2::uuid is null or id > $2) \
         and ($3::text is null or stage = $3) and ($4::int is null or crossing_year = $4) \
         and ($5::uuid is null or responsible_id = $5) order by id limit $6"
    ))
    .bind(programme)
    .bind(page.after_key::<Uuid>()?)
    .bind(filter.stage)
    .bind(filter.crossing_year)
    .bind(filter.responsible)
    .bind(page.fetch())
    .fetch_all(connection)
    .await?)
}

/// Candidates that the present scope may see, after an id.
pub async fn list_after(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    after: Option<CandidateId>,
    limit: i64,
) -> Result<Vec<CandidateRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        "select ",
        candidate_columns!(),
        " from candidate where programme_id = $1 and ($2::uuid is null or id > $2) \
         order by id limit $3"
    ))
    .bind(programme)
    .bind(after)
    .bind(limit)
    .fetch_all(connection)
    .await
}

/// Writes what an edit may change; gives the new version, or none when the version was another.
pub async fn edit(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &CandidateRow,
) -> Result<Option<i64>, sqlx::Error> {
    sqlx::query_scalar(
        "update candidate set responsible_id = $4, virus_status = $5, true_to_type = $6, \
         tree_or_vine = $7, version = version + 1 \
         where programme_id = $1 and id = $2 and version = $3 returning version",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.version)
    .bind(row.responsible_id)
    .bind(&row.virus_status)
    .bind(&row.true_to_type)
    .bind(row.tree_or_vine)
    .fetch_optional(connection)
    .await
}

/// A move as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct MoveRow {
    /// Its id.
    pub id: StageMoveId,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// From where; none for the first.
    pub from_stage: Option<String>,
    /// To where.
    pub to_stage: String,
    /// When.
    pub on_day: Day,
    /// Why.
    pub reason: String,
    /// Who decided.
    pub decided_by: PersonId,
    /// By name.
    pub decided_by_name: String,
    /// Whether it takes an earlier one back.
    pub reversal: bool,
    /// What is behind it.
    pub evidence: String,
}

/// Writes a move and where the candidate stands after it.
pub async fn record_move(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    made: &MoveRow,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into stage_move (programme_id, id, candidate_id, from_stage, to_stage, on_day, \
         reason, decided_by, decided_by_name, reversal, evidence, at) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)",
    )
    .bind(programme)
    .bind(made.id)
    .bind(made.candidate_id)
    .bind(&made.from_stage)
    .bind(&made.to_stage)
    .bind(made.on_day)
    .bind(&made.reason)
    .bind(made.decided_by)
    .bind(&made.decided_by_name)
    .bind(made.reversal)
    .bind(&made.evidence)
    .bind(at)
    .execute(&mut *connection)
    .await?;
    sqlx::query(
        "update candidate set stage = $3, stage_since = $4, version = version + 1 \
         where programme_id = $1 and id = $2 and ($5 or stage <> $3)",
    )
    .bind(programme)
    .bind(made.candidate_id)
    .bind(&made.to_stage)
    .bind(made.on_day)
    .bind(made.from_stage.is_some())
    .execute(connection)
    .await
    .map(drop)
}

macro_rules! move_columns {
    () => {
        "id, candidate_id, from_stage, to_stage, on_day, reason, decided_by, decided_by_name, \
         reversal, evidence"
    };
}

/// A candidate's moves, oldest first.
pub async fn moves(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidate: CandidateId,
) -> Result<Vec<MoveRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        "select ",
        move_columns!(),
        " from stage_move where programme_id = $1 and candidate_id = $2 order by place"
    ))
    .bind(programme)
    .bind(candidate)
    .fetch_all(connection)
    .await
}

/// Every move of the programme with the kind of cross behind it, by candidate, oldest first.
pub async fn all_moves(
    connection: &mut PgConnection,
    programme: ProgrammeId,
) -> Result<Vec<(CandidateId, String, String, Day, bool)>, sqlx::Error> {
    sqlx::query_as(
        "select m.candidate_id, c.cross_kind, m.to_stage, m.on_day, m.reversal from stage_move m \
         join candidate c on c.programme_id = m.programme_id and c.id = m.candidate_id \
         where m.programme_id = $1 order by m.candidate_id, m.place",
    )
    .bind(programme)
    .fetch_all(connection)
    .await
}
