//! Royalty statements.

use platform::database::{Day, Instant};
use platform::paging::Page;
use platform::{Fault, OrganisationId, ProgrammeId};
use serde::{Deserialize, Serialize};
use sqlx::types::Json;
use sqlx::{FromRow, PgConnection};

use super::page_of;
use crate::domain::{LicenceId, StatementId};

/// A line of a statement as it is kept; amounts as decimal text.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Line {
    /// The report behind it.
    pub report_id: String,
    /// First day.
    pub period_start: String,
    /// Last day.
    pub period_end: String,
    /// How much.
    pub quantity: String,
    /// At which rate.
    pub rate: String,
    /// What it comes to.
    pub amount: String,
}

/// A statement as it is kept; amounts as decimal text.
#[derive(Debug, Clone, FromRow)]
pub struct StatementRow {
    /// Its id.
    pub id: StatementId,
    /// Its number.
    pub number: String,
    /// The licence.
    pub licence_id: LicenceId,
    /// Who owes.
    pub licensee_id: OrganisationId,
    /// First day.
    pub period_start: Day,
    /// Last day.
    pub period_end: Day,
    /// What it is counted by.
    pub per: String,
    /// Code of the currency.
    pub currency: String,
    /// Lines.
    pub lines: Json<Vec<Line>>,
    /// Sum of the lines.
    pub subtotal: String,
    /// What was added to reach the minimum.
    pub minimum_added: String,
    /// What is owed.
    pub total: String,
    /// Total less that of the statement replaced.
    pub difference: Option<String>,
    /// The statement it replaces.
    pub corrects_id: Option<StatementId>,
    /// The statement that replaced it.
    pub corrected_by_id: Option<StatementId>,
    /// Why it was corrected.
    pub reason: String,
    /// When.
    pub stated_at: Instant,
    /// By whom.
    pub stated_by: String,
}

macro_rules! statement_select {
    () => {
        "select id, number, licence_id, licensee_id, lower(period) as period_start, \
           upper(period) - 1 as period_end, per, currency, lines, subtotal::text as subtotal, \
           minimum_added::text as minimum_added, total::text as total, \
           difference::text as difference, corrects_id, corrected_by_id, reason, stated_at, \
           stated_by from royalty_statement "
    };
}

/// Name of the constraint that lets a day be settled once.
pub const ONCE: &str = "day_settled_once";

/// Writes a statement.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &StatementRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into royalty_statement (programme_id, id, number, licence_id, licensee_id, period, \
         per, currency, lines, subtotal, minimum_added, total, difference, corrects_id, reason, \
         stated_at, stated_by) values ($1, $2, $3, $4, $5, daterange($6, $7, '[]'), $8, $9, $10, \
         $11::numeric, $12::numeric, $13::numeric, $14::numeric, $15, $16, $17, $18)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(&row.number)
    .bind(row.licence_id)
    .bind(row.licensee_id)
    .bind(row.period_start)
    .bind(row.period_end)
    .bind(&row.per)
    .bind(&row.currency)
    .bind(&row.lines)
    .bind(&row.subtotal)
    .bind(&row.minimum_added)
    .bind(&row.total)
    .bind(&row.difference)
    .bind(row.corrects_id)
    .bind(&row.reason)
    .bind(row.stated_at)
    .bind(&row.stated_by)
    .execute(connection)
    .await
    .map(drop)
}

/// One statement.
pub async fn find(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: StatementId,
) -> Result<Option<StatementRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        statement_select!(),
        "where programme_id = $1 and id = $2"
    ))
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await
}

/// Marks a statement as replaced; false when it was replaced before.
pub async fn replace(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    replaced: StatementId,
    by: StatementId,
) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        "update royalty_statement set corrected_by_id = $3 \
         where programme_id = $1 and id = $2 and corrected_by_id is null",
    )
    .bind(programme)
    .bind(replaced)
    .bind(by)
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// A page of statements.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    licence: Option<LicenceId>,
    page: &Page,
) -> Result<Vec<StatementRow>, Fault> {
    let query = concat!(
        statement_select!(),
        page_where!(oldest "", "licence_id", "licensee_id")
    );
    let of = (licence.map(|id| id.uuid()), None);
    page_of(connection, query, programme, of, page).await
}

/// Statements that stand and that the present scope may see, newest first; at most 100.
pub async fn standing(
    connection: &mut PgConnection,
    programme: ProgrammeId,
) -> Result<Vec<StatementRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        statement_select!(),
        "where programme_id = $1 and corrected_by_id is null order by id desc limit 100"
    ))
    .bind(programme)
    .fetch_all(connection)
    .await
}
