//! Counts over the pipeline as a whole.

use platform::ProgrammeId;
use platform::database::Day;
use sqlx::PgConnection;

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
