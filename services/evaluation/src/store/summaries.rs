//! Sums over trials.

use contract::evaluation::StageSummary;
use platform::{Fault, ProgrammeId};
use sqlx::PgConnection;

use super::count;

#[derive(sqlx::FromRow)]
struct Row {
    crossing_year: i16,
    season: i16,
    stage: String,
    trials_n: i64,
    entries_n: i64,
    trees_n: i64,
    looked_at_n: i64,
    dead_n: i64,
    records_n: i64,
    kept_n: i64,
    discarded_n: i64,
    held_n: i64,
}

/// Entries under test, their trees, records and decisions by crossing year, season and stage.
pub async fn stages(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    season: Option<i16>,
) -> Result<Vec<StageSummary>, Fault> {
    let rows: Vec<Row> = sqlx::query_as(
        "with looked_at as ( \
           select tree_id, count(*) as n from record where programme_id = $1 group by tree_id \
         ), latest as ( \
           select distinct on (trial_id, germplasm_id) trial_id, germplasm_id, decision \
           from entry_decision where programme_id = $1 \
           order by trial_id, germplasm_id, id desc \
         ), entries as ( \
           select e.trial_id, coalesce(e.crossing_year, 0::smallint) as crossing_year, count(*) as entries_n, \
           count(*) filter (where l.decision = 'advance') as kept_n, \
           count(*) filter (where l.decision = 'discard') as discarded_n, \
           count(*) filter (where l.decision = 'hold') as held_n \
           from trial_entry e \
           left join latest l on l.trial_id = e.trial_id and l.germplasm_id = e.germplasm_id \
           where e.programme_id = $1 and not e.dropped and not e.is_check group by 1, 2 \
         ), trees as ( \
           select e.trial_id, coalesce(e.crossing_year, 0::smallint) as crossing_year, count(*) as trees_n, \
           count(o.tree_id) as looked_at_n, count(*) filter (where t.status = 'dead') as dead_n, \
           coalesce(sum(o.n), 0)::bigint as records_n \
           from tree t \
           join trial_entry e on e.programme_id = $1 and e.trial_id = t.trial_id \
           and e.germplasm_id = t.germplasm_id and not e.dropped and not e.is_check \
           left join looked_at o on o.tree_id = t.id \
           where t.programme_id = $1 and not t.is_check group by 1, 2 \
         ) \
         select e.crossing_year, h.season, h.stage, count(*) as trials_n, \
         sum(e.entries_n)::bigint as entries_n, coalesce(sum(t.trees_n), 0)::bigint as trees_n, \
         coalesce(sum(t.looked_at_n), 0)::bigint as looked_at_n, \
         coalesce(sum(t.dead_n), 0)::bigint as dead_n, \
         coalesce(sum(t.records_n), 0)::bigint as records_n, sum(e.kept_n)::bigint as kept_n, \
         sum(e.discarded_n)::bigint as discarded_n, sum(e.held_n)::bigint as held_n \
         from trial h \
         join entries e on e.trial_id = h.id \
         left join trees t on t.trial_id = h.id and t.crossing_year = e.crossing_year \
         where h.programme_id = $1 and ($2::smallint is null or h.season = $2) \
         group by 1, 2, 3 order by 2, 1, 3",
    )
    .bind(programme)
    .bind(season)
    .fetch_all(connection)
    .await?;
    let year = |year: i16| u32::from(year.unsigned_abs());
    Ok(rows
        .into_iter()
        .map(|row| StageSummary {
            crossing_year: year(row.crossing_year),
            season: year(row.season),
            stage: row.stage,
            trials_n: count(row.trials_n),
            entries_n: count(row.entries_n),
            trees_n: count(row.trees_n),
            trees_looked_at_n: count(row.looked_at_n),
            trees_dead_n: count(row.dead_n),
            records_n: row.records_n.unsigned_abs(),
            kept_n: count(row.kept_n),
            discarded_n: count(row.discarded_n),
            held_n: count(row.held_n),
        })
        .collect())
}
