//! Propagation reports.

use jiff::civil::Date;
use platform::database::{Day, Instant};
use platform::paging::Page;
use platform::{Fault, OrganisationId, ProgrammeId};
use sqlx::{FromRow, PgConnection};

use super::page_of;
use crate::domain::{CandidateId, InspectionId, LicenceId, ReportId};

/// A report as it is kept; amounts as decimal text.
#[derive(Debug, Clone, FromRow)]
pub struct ReportRow {
    /// Its id.
    pub id: ReportId,
    /// The licence.
    pub licence_id: LicenceId,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// Who reports.
    pub licensee_id: OrganisationId,
    /// First day.
    pub period_start: Day,
    /// Last day.
    pub period_end: Day,
    /// Trees propagated.
    pub trees_n: i64,
    /// Hectares planted.
    pub hectares: Option<String>,
    /// Kilograms sold.
    pub kilograms: Option<String>,
    /// The report it replaces.
    pub corrects_id: Option<ReportId>,
    /// The report that replaced it.
    pub corrected_by_id: Option<ReportId>,
    /// What was noted.
    pub note: String,
    /// When.
    pub reported_at: Instant,
    /// By whom.
    pub reported_by: String,
    /// Trees under the licence up to it.
    pub reported_so_far_n: i64,
    /// Whether the cap was passed.
    pub above_cap: bool,
    /// The inspection that showed it to be due.
    pub inspection_id: Option<InspectionId>,
}

macro_rules! report_select {
    () => {
        "select id, licence_id, candidate_id, licensee_id, lower(period) as period_start, \
           upper(period) - 1 as period_end, trees_n, hectares::text as hectares, \
           kilograms::text as kilograms, corrects_id, corrected_by_id, note, reported_at, \
           reported_by, reported_so_far_n, above_cap, inspection_id from propagation_report "
    };
}

/// Name of the constraint that lets a day be reported once.
pub const ONCE: &str = "day_reported_once";

/// Makes reports under one licence wait for each other, so that the cap is counted in turn.
pub async fn take_turn(
    connection: &mut PgConnection,
    licence: LicenceId,
) -> Result<(), sqlx::Error> {
    sqlx::query("select pg_advisory_xact_lock(hashtextextended('propagation ' || $1, 0))")
        .bind(licence.to_string())
        .execute(connection)
        .await
        .map(drop)
}

/// Trees reported under a licence by reports that stand.
pub async fn so_far(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    licence: LicenceId,
) -> Result<i64, sqlx::Error> {
    sqlx::query_scalar(
        "select coalesce(sum(trees_n), 0)::bigint from propagation_report \
         where programme_id = $1 and licence_id = $2 and corrected_by_id is null",
    )
    .bind(programme)
    .bind(licence)
    .fetch_one(connection)
    .await
}

/// Trees reported under a licence by reports that stand, for periods begun by a day.
pub async fn begun_by(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    licence: LicenceId,
    on: Date,
) -> Result<i64, sqlx::Error> {
    sqlx::query_scalar(
        "select coalesce(sum(trees_n), 0)::bigint from propagation_report \
         where programme_id = $1 and licence_id = $2 and corrected_by_id is null \
           and lower(period) <= $3",
    )
    .bind(programme)
    .bind(licence)
    .bind(Day(on))
    .fetch_one(connection)
    .await
}

/// Marks a report as replaced; false when it was replaced before.
pub async fn replace(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    replaced: ReportId,
    by: ReportId,
) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        "update propagation_report set corrected_by_id = $3 \
         where programme_id = $1 and id = $2 and corrected_by_id is null",
    )
    .bind(programme)
    .bind(replaced)
    .bind(by)
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Writes a report.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &ReportRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into propagation_report (programme_id, id, licence_id, candidate_id, licensee_id, \
         period, trees_n, hectares, kilograms, corrects_id, note, reported_at, reported_by, \
         reported_so_far_n, above_cap, inspection_id) values ($1, $2, $3, $4, $5, daterange($6, $7, '[]'), $8, \
         $9::numeric, $10::numeric, $11, $12, $13, $14, $15, $16, $17)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.licence_id)
    .bind(row.candidate_id)
    .bind(row.licensee_id)
    .bind(row.period_start)
    .bind(row.period_end)
    .bind(row.trees_n)
    .bind(&row.hectares)
    .bind(&row.kilograms)
    .bind(row.corrects_id)
    .bind(&row.note)
    .bind(row.reported_at)
    .bind(&row.reported_by)
    .bind(row.reported_so_far_n)
    .bind(row.above_cap)
    .bind(row.inspection_id)
    .execute(connection)
    .await
    .map(drop)
}

/// One report.
pub async fn find(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: ReportId,
) -> Result<Option<ReportRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        report_select!(),
        "where programme_id = $1 and id = $2"
    ))
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await
}

/// A page of reports.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    licence: Option<LicenceId>,
    page: &Page,
) -> Result<Vec<ReportRow>, Fault> {
    let query = concat!(
        report_select!(),
        page_where!(oldest "", "licence_id", "licensee_id")
    );
    let of = (licence.map(|id| id.uuid()), None);
    page_of(connection, query, programme, of, page).await
}

/// Reports that stand and lie within a period, in order; with those that reach over its ends.
pub async fn within(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    licence: LicenceId,
    (start, end): (Date, Date),
) -> Result<Vec<ReportRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        report_select!(),
        "where programme_id = $1 and licence_id = $2 and corrected_by_id is null \
         and period && daterange($3, $4, '[]') order by lower(period)"
    ))
    .bind(programme)
    .bind(licence)
    .bind(Day(start))
    .bind(Day(end))
    .fetch_all(connection)
    .await
}
