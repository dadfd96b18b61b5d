//! Denominations and trade designations.

use platform::ProgrammeId;
use platform::database::{Day, Instant};
use serde_json::Value;
use sqlx::{FromRow, PgConnection};

use crate::domain::{CandidateId, DenominationId, TradeDesignationId};

/// A denomination as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct DenominationRow {
    /// Its id.
    pub id: DenominationId,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// The name.
    pub name: String,
    /// Where it alone applies; empty for everywhere.
    pub jurisdiction: String,
    /// Word of its state.
    pub state: String,
    /// What the checks found.
    pub findings: Value,
}

/// Writes a denomination.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &DenominationRow,
    folded: &str,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into denomination (programme_id, id, candidate_id, name, folded, jurisdiction, \
         state, findings, at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.candidate_id)
    .bind(&row.name)
    .bind(folded)
    .bind(&row.jurisdiction)
    .bind(&row.state)
    .bind(&row.findings)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

macro_rules! denomination_columns {
    () => {
        "id, candidate_id, name, jurisdiction, state, findings"
    };
}

/// One denomination, locked until the transaction ends.
pub async fn lock(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: DenominationId,
) -> Result<Option<DenominationRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        "select ",
        denomination_columns!(),
        " from denomination where programme_id = $1 and id = $2 for no key update"
    ))
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await
}

/// Writes a denomination's state and findings.
pub async fn update(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &DenominationRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "update denomination set state = $3, findings = $4 where programme_id = $1 and id = $2",
    )
    .bind(programme)
    .bind(row.id)
    .bind(&row.state)
    .bind(&row.findings)
    .execute(connection)
    .await
    .map(drop)
}

/// Denominations of some candidates, those for everywhere first and the live before the others.
pub async fn of_candidates(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidates: &[CandidateId],
) -> Result<Vec<DenominationRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        "select ",
        denomination_columns!(),
        " from denomination where programme_id = $1 and candidate_id = any($2) \
         order by candidate_id, jurisdiction, state not in ('proposed', 'checked', 'published'), at desc"
    ))
    .bind(programme)
    .bind(candidates)
    .fetch_all(connection)
    .await
}

/// Names in use for other candidates, with their species.
pub async fn known_names(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    but_for: Option<CandidateId>,
) -> Result<Vec<(String, String)>, sqlx::Error> {
    sqlx::query_as(
        "select d.name, c.species from denomination d \
         join candidate c on c.programme_id = d.programme_id and c.id = d.candidate_id \
         where d.programme_id = $1 and d.state in ('proposed', 'checked', 'published') \
           and ($2::uuid is null or d.candidate_id <> $2)",
    )
    .bind(programme)
    .bind(but_for)
    .fetch_all(connection)
    .await
}

/// A step of a denomination as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct StepRow {
    /// The denomination.
    pub denomination_id: DenominationId,
    /// Word of the state.
    pub state: String,
    /// The day.
    pub on_day: Day,
    /// Why.
    pub reason: String,
    /// By whom.
    pub moved_by: String,
}

/// Writes a step.
pub async fn insert_step(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &StepRow,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into denomination_step (programme_id, denomination_id, state, on_day, reason, \
         moved_by, at) values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(programme)
    .bind(row.denomination_id)
    .bind(&row.state)
    .bind(row.on_day)
    .bind(&row.reason)
    .bind(&row.moved_by)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

/// Steps of some denominations, oldest first.
pub async fn steps(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    denominations: &[DenominationId],
) -> Result<Vec<StepRow>, sqlx::Error> {
    sqlx::query_as(
        "select denomination_id, state, on_day, reason, moved_by from denomination_step \
         where programme_id = $1 and denomination_id = any($2) order by place",
    )
    .bind(programme)
    .bind(denominations)
    .fetch_all(connection)
    .await
}

/// A trade designation as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct TradeRow {
    /// Its id.
    pub id: TradeDesignationId,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// The designation.
    pub designation: String,
    /// Where; empty for everywhere.
    pub territory: String,
}

/// Writes a trade designation.
pub async fn insert_trade(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &TradeRow,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into trade_designation (programme_id, id, candidate_id, designation, territory, at) \
         values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.candidate_id)
    .bind(&row.designation)
    .bind(&row.territory)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

/// Trade designations of some candidates.
pub async fn trade_of(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidates: &[CandidateId],
) -> Result<Vec<TradeRow>, sqlx::Error> {
    sqlx::query_as(
        "select id, candidate_id, designation, territory from trade_designation \
         where programme_id = $1 and candidate_id = any($2) order by candidate_id, designation",
    )
    .bind(programme)
    .bind(candidates)
    .fetch_all(connection)
    .await
}
