//! Counts of trees on the ground.

use platform::database::{Day, Instant};
use platform::paging::Page;
use platform::{Fault, OrganisationId, ProgrammeId};
use sqlx::{FromRow, PgConnection};

use super::page_of;
use crate::domain::{CandidateId, InspectionId, LicenceId, ReportId};

/// An inspection as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct InspectionRow {
    /// Its id.
    pub id: InspectionId,
    /// The licence.
    pub licence_id: LicenceId,
    /// The candidate.
    pub candidate_id: CandidateId,
    /// Whose trees were counted.
    pub licensee_id: OrganisationId,
    /// Where.
    pub place: String,
    /// When.
    pub on_day: Day,
    /// How many trees.
    pub counted_n: i64,
    /// By whom.
    pub counted_by: String,
    /// What shows it.
    pub evidence: String,
    /// Decimal text.
    pub tolerance_percent: String,
    /// What was noted.
    pub note: String,
    /// Sum of the last count at each place up to the day.
    pub counted_everywhere_n: i64,
    /// Places counted up to the day.
    pub places_n: i32,
    /// Trees reported for periods begun by the day.
    pub reported_n: i64,
    /// Who recorded it.
    pub recorded_by: String,
    /// When.
    pub recorded_at: Instant,
    /// The report that corrected what this found.
    pub corrected_by_report_id: Option<ReportId>,
}

macro_rules! inspection_select {
    () => {
        "select i.id, i.licence_id, i.candidate_id, i.licensee_id, i.place, i.on_day, i.counted_n, \
           i.counted_by, i.evidence, i.tolerance_percent::text as tolerance_percent, i.note, \
           i.counted_everywhere_n, i.places_n, i.reported_n, i.recorded_by, i.recorded_at, \
           (select r.id from propagation_report r where r.programme_id = i.programme_id \
              and r.inspection_id = i.id order by r.id desc limit 1) as corrected_by_report_id \
         from inspection i "
    };
}

/// A place as counts at it are known by.
pub fn folded(place: &str) -> String {
    place
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .to_lowercase()
}

/// Places counted by a day but for one, and the sum of the last count at each.
pub async fn elsewhere(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    licence: LicenceId,
    but_for: &str,
    on: Day,
) -> Result<(i64, i64), sqlx::Error> {
    sqlx::query_as(
        "select count(*), coalesce(sum(counted_n), 0)::bigint from ( \
           select distinct on (place_folded) counted_n from inspection \
           where programme_id = $1 and licence_id = $2 and place_folded <> $3 and on_day <= $4 \
           order by place_folded, on_day desc, id desc) last",
    )
    .bind(programme)
    .bind(licence)
    .bind(folded(but_for))
    .bind(on)
    .fetch_one(connection)
    .await
}

/// Writes an inspection.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    row: &InspectionRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "insert into inspection (programme_id, id, licence_id, candidate_id, licensee_id, place, \
         place_folded, on_day, counted_n, counted_by, evidence, tolerance_percent, note, \
         counted_everywhere_n, places_n, reported_n, recorded_by, recorded_at) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12::numeric, $13, $14, $15, $16, \
         $17, $18)",
    )
    .bind(programme)
    .bind(row.id)
    .bind(row.licence_id)
    .bind(row.candidate_id)
    .bind(row.licensee_id)
    .bind(&row.place)
    .bind(folded(&row.place))
    .bind(row.on_day)
    .bind(row.counted_n)
    .bind(&row.counted_by)
    .bind(&row.evidence)
    .bind(&row.tolerance_percent)
    .bind(&row.note)
    .bind(row.counted_everywhere_n)
    .bind(row.places_n)
    .bind(row.reported_n)
    .bind(&row.recorded_by)
    .bind(row.recorded_at)
    .execute(connection)
    .await
    .map(drop)
}

/// One inspection.
pub async fn find(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: InspectionId,
) -> Result<Option<InspectionRow>, sqlx::Error> {
    sqlx::query_as(concat!(
        inspection_select!(),
        "where i.programme_id = $1 and i.id = $2"
    ))
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await
}

/// A page of inspections, newest first; only those outside their tolerance that no report has
/// corrected when `open_only`.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    licence: Option<LicenceId>,
    open_only: bool,
    page: &Page,
) -> Result<Vec<InspectionRow>, Fault> {
    let query = if open_only {
        concat!(
            inspection_select!(),
            page_where!(
                newest "i.", "licence_id", "licensee_id",
                "and abs(i.counted_everywhere_n - i.reported_n) * 100 \
                   > i.tolerance_percent * i.reported_n \
                 and not exists (select from propagation_report r \
                   where r.programme_id = i.programme_id and r.inspection_id = i.id)"
            )
        )
    } else {
        concat!(
            inspection_select!(),
            page_where!(newest "i.", "licence_id", "licensee_id")
        )
    };
    let of = (licence.map(|id| id.uuid()), None);
    page_of(connection, query, programme, of, page).await
}
