//! Counts over the pipeline as a whole.

use platform::ProgrammeId;
use platform::database::Day;
use sqlx::types::Json;
use sqlx::{FromRow, PgConnection};

use crate::domain::money::Royalty;
use crate::domain::{CandidateId, LicenceId};

/// Candidates by crossing year and stage as of a day.
pub async fn counts(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    as_of: Day,
) -> Result<Vec<(Option<i32>, String, i64)>, sqlx::Error> {
    sqlx::query_as(
        "select c.crossing_year, m.to_stage, count(*) from candidate c \
         join lateral (select to_stage from stage_move m where m.programme_id = c.programme_id \
             and m.candidate_id = c.id and m.on_day <= $2 order by place desc limit 1) m on true \
         where c.programme_id = $1 group by 1, 2 order by 1, 2",
    )
    .bind(programme)
    .bind(as_of)
    .fetch_all(connection)
    .await
}

/// Seasons from cross to release of each candidate that stands released as of a day.
pub async fn seasons_to_release(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    as_of: Day,
) -> Result<Vec<i32>, sqlx::Error> {
    sqlx::query_scalar(
        "select extract(year from m.on_day)::int - c.crossing_year from candidate c \
         join lateral (select to_stage, on_day from stage_move m where m.programme_id = c.programme_id \
             and m.candidate_id = c.id and m.on_day <= $2 order by place desc limit 1) m on true \
         where c.programme_id = $1 and m.to_stage = 'released' and c.crossing_year is not null \
         order by 1",
    )
    .bind(programme)
    .bind(as_of)
    .fetch_all(connection)
    .await
}

/// Moves from stage to stage up to a day.
pub async fn flows(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    as_of: Day,
) -> Result<Vec<(String, String, i64)>, sqlx::Error> {
    sqlx::query_as(
        "select from_stage, to_stage, count(*) from stage_move \
         where programme_id = $1 and on_day <= $2 and from_stage is not null \
         group by 1, 2 order by 1, 2",
    )
    .bind(programme)
    .bind(as_of)
    .fetch_all(connection)
    .await
}

/// Licences in force on a day, by territory: licences, exclusive ones, candidates.
pub async fn licences_by_territory(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    as_of: Day,
) -> Result<Vec<(String, i64, i64, i64)>, sqlx::Error> {
    sqlx::query_as(
        "select t.code, count(*), count(*) filter (where l.exclusive), \
           count(distinct l.candidate_id) \
         from licence l, unnest(l.territory) as t (code) \
         where l.programme_id = $1 and l.starts_on <= $2 and (l.ends_on is null or l.ends_on >= $2) \
         group by 1 order by 2 desc, 1",
    )
    .bind(programme)
    .bind(as_of)
    .fetch_all(connection)
    .await
}

/// A licence in force, for what it earns.
#[derive(Debug, Clone, FromRow)]
pub struct EarningRow {
    /// Its id.
    pub id: LicenceId,
    /// First day.
    pub starts_on: Day,
    /// Last day.
    pub ends_on: Option<Day>,
    /// What is owed.
    pub royalty: Option<Json<Royalty>>,
}

/// Licences in force on a day or still to begin.
pub async fn earning(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    as_of: Day,
) -> Result<Vec<EarningRow>, sqlx::Error> {
    sqlx::query_as(
        "select id, starts_on, ends_on, royalty from licence \
         where programme_id = $1 and (ends_on is null or ends_on >= $2) order by id",
    )
    .bind(programme)
    .bind(as_of)
    .fetch_all(connection)
    .await
}

/// Trees reported by licence, candidate and the year in which their period ends, with the days
/// that the reports cover; of periods that ended by a day.
pub async fn reported(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    as_of: Day,
) -> Result<Vec<(LicenceId, CandidateId, i32, i64, i64)>, sqlx::Error> {
    sqlx::query_as(
        "select licence_id, candidate_id, extract(year from upper(period) - 1)::int as year, \
           sum(trees_n)::bigint, sum(upper(period) - lower(period))::bigint \
         from propagation_report \
         where programme_id = $1 and corrected_by_id is null and upper(period) - 1 <= $2 \
         group by 1, 2, 3 order by 1, 3",
    )
    .bind(programme)
    .bind(as_of)
    .fetch_all(connection)
    .await
}
