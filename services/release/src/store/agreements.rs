//! Testing agreements and their settlement.

use jiff::civil::Date;
use platform::database::{Day, Instant};
use platform::paging::Page;
use platform::{Fault, OrganisationId, PersonId, ProgrammeId};
use sqlx::{FromRow, PgConnection};

use super::page_of;
use crate::domain::{AgreementId, CandidateId, SettlementId};

/// An agreement as it is kept, with what was settled.
#[derive(Debug, Clone, FromRow)]
pub struct AgreementRow {
    /// Its id.
    pub id: AgreementId,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// Who holds the trees.
    pub holder_id: OrganisationId,
    /// By name.
    pub holder_name: String,
    /// Where.
    pub place: String,
    /// In which country.
    pub country: String,
    /// How many trees.
    pub trees_n: i64,
    /// From when.
    pub starts_on: Day,
    /// Until when.
    pub ends_on: Day,
    /// What becomes of them.
    pub on_end: String,
    /// What the holder may say.
    pub may_say: String,
    /// Trees returned or destroyed.
    pub settled_n: i64,
    /// The candidate's code.
    pub candidate_code: String,
    /// Who answers for the candidate.
    pub responsible_id: Option<PersonId>,
}

impl AgreementRow {
    /// Word of its standing on a day.
    pub fn standing(&self, on: Date) -> &'static str {
        if self.settled_n >= self.trees_n {
            "settled"
        } else if self.ends_on.0 < on {
            "overdue"
        } else {
            "open"
        }
    }
}

macro_rules! agreement_select {
    () => {
        "select a.id, a.candidate_id, a.holder_id, a.holder_name, a.place, a.country, a.trees_n, \
           a.starts_on, a.ends_on, a.on_end, a.may_say, c.code as candidate_code, c.responsible_id, \
           (select coalesce(sum(s.trees_n), 0)::bigint from testing_settlement s \
              where s.programme_id = a.programme_id and s.agreement_id = a.id) as settled_n \
         from testing_agreement a \
         join candidate c on c.programme_id = a.programme_id and c.id = a.candidate_id "
    };
}

/// Writes an agreement.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &AgreementRow,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into testing_agreement (programme_id, id, candidate_id, holder_id, holder_name, \
         place, country, trees_n, starts_on, ends_on, on_end, may_say, at) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.candidate_id)
    .bind(row.holder_id)
    .bind(&row.holder_name)
    .bind(&row.place)
    .bind(&row.country)
    .bind(row.trees_n)
    .bind(row.starts_on)
    .bind(row.ends_on)
    .bind(&row.on_end)
    .bind(&row.may_say)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

/// Locks an agreement until the transaction ends and gives it.
pub async fn lock(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: AgreementId,
) -> Result<Option<AgreementRow>, sqlx::Error> {
    sqlx::query(
        "select from testing_agreement where programme_id = $1 and id = $2 for no key update",
    )
    .bind(programme)
    .bind(id)
    .execute(&mut *connection)
    .await?;
    sqlx::query_as(concat!(
        agreement_select!(),
        "where a.programme_id = $1 and a.id = $2"
    ))
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await
}

/// A page of agreements.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidate: Option<CandidateId>,
    holder: Option<OrganisationId>,
    page: &Page,
) -> Result<Vec<AgreementRow>, Fault> {
    let query = concat!(
        agreement_select!(),
        page_where!(oldest "a.", "candidate_id", "holder_id")
    );
    let of = (candidate.map(|id| id.uuid()), holder.map(|id| id.uuid()));
    page_of(connection, query, programme, of, page).await
}

/// Agreements about some candidates, or all, that the present scope may see.
pub async fn of_candidates(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    candidates: Option<&[CandidateId]>,
) -> Result<Vec<AgreementRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        agreement_select!(),
        "where a.programme_id = $1 and ($2::uuid[] is null or a.candidate_id = any($2)) \
         order by a.candidate_id, a.id"
    ))
    .bind(programme)
    .bind(candidates)
    .fetch_all(connection)
    .await
}

/// A settlement as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct SettlementRow {
    /// Its id.
    pub id: SettlementId,
    /// The agreement.
    pub agreement_id: AgreementId,
    /// The day.
    pub on_day: Day,
    /// returned or destroyed.
    pub outcome: String,
    /// How many trees.
    pub trees_n: i64,
    /// What shows it.
    pub evidence: String,
    /// By whom.
    pub recorded_by: String,
}

/// Writes a settlement.
pub async fn insert_settlement(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    holder: OrganisationId,
    row: &SettlementRow,
    at: Instant,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into testing_settlement (programme_id, id, agreement_id, holder_id, on_day, \
         outcome, trees_n, evidence, recorded_by, at) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.agreement_id)
    .bind(holder)
    .bind(row.on_day)
    .bind(&row.outcome)
    .bind(row.trees_n)
    .bind(&row.evidence)
    .bind(&row.recorded_by)
    .bind(at)
    .execute(connection)
    .await
    .map(drop)
}

/// Settlements of some agreements, oldest first.
pub async fn settlements(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    agreements: &[AgreementId],
) -> Result<Vec<SettlementRow>, sqlx::Error> {
    sqlx::query_as(
        "select id, agreement_id, on_day, outcome, trees_n, evidence, recorded_by \
         from testing_settlement where programme_id = $1 and agreement_id = any($2) \
         order by on_day, id",
    )
    .bind(programme)
    .bind(agreements)
    .fetch_all(connection)
    .await
}
