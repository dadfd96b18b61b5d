//! All due dates recomputed in one pass.

use std::time::Instant;

use sqlx::PgPool;

use super::{Measured, Outcome, ROUNDS, middle};

/// Candidates whose due dates are recomputed.
const CANDIDATES: i32 = 10_000;

/// All due dates of many candidates in every covered jurisdiction, reading their rows included,
/// against reading the same rows alone.
pub(super) async fn measure(plain: &PgPool, today: jiff::civil::Date) -> Outcome<Measured> {
    let mut connection = plain.acquire().await?;
    sqlx::raw_sql("set search_path to release")
        .execute(&mut *connection)
        .await?;
    let programme = platform::ProgrammeId::new();
    for statement in [
        "insert into candidate (programme_id, id, germplasm_id, plant_number, code, species, stage, \
           stage_since, registered_at) \
         select $1, gen_random_uuid(), gen_random_uuid(), '', n::text, 'Prunus persica', \
           'multi_site', '2020-01-01', now() from generate_series(1, $2) n",
        "insert into disclosure (programme_id, id, candidate_id, kind, on_day, country, detail, \
           disclosed_to, recorded_by, at) \
         select $1, gen_random_uuid(), c.id, kind, date '2019-01-01' + c.code::int % 2500 + days, \
           (array['US', 'ES', 'CL', 'AU'])[1 + c.code::int % 4], '', '', '', now() \
         from candidate c, (values ('first_sale', 0), ('publication', 30)) as told (kind, days) \
         where c.programme_id = $1 and $2 > 0",
        "insert into filing (programme_id, id, candidate_id, jurisdiction, kind, filed_on, \
           application_number, granted_on, grant_number, recorded_by, at) \
         select $1, gen_random_uuid(), c.id, 'EU', 'community_plant_variety_right', \
           date '2019-01-01' + c.code::int % 2500 + 200, '', \
           date '2019-01-01' + c.code::int % 2500 + 900, '', '', now() \
         from candidate c where c.programme_id = $1 and $2 > 0",
    ] {
        sqlx::query(statement)
            .bind(programme)
            .bind(CANDIDATES)
            .execute(&mut *connection)
            .await?;
    }
    sqlx::raw_sql("analyze candidate; analyze disclosure; analyze filing")
        .execute(&mut *connection)
        .await?;
    let (mut read, mut recomputed) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        let started = Instant::now();
        let dossiers = release::pass::read(&mut connection, programme).await?;
        read.push(f64::from(CANDIDATES) / started.elapsed().as_secs_f64());
        if dossiers.len() != CANDIDATES as usize {
            return Err(format!("{} candidates were read", dossiers.len()).into());
        }
        let started = Instant::now();
        let dossiers = release::pass::read(&mut connection, programme).await?;
        let dates_n = release::pass::due_dates(&dossiers, today)?;
        recomputed.push(f64::from(CANDIDATES) / started.elapsed().as_secs_f64());
        if dates_n == 0 {
            return Err("no date is due".into());
        }
    }
    Ok(Measured {
        what: "candidates, all due dates in 10 jurisdictions",
        rate: middle(recomputed),
        baseline: "reading the rows they are computed from",
        baseline_rate: middle(read),
        remark: String::new(),
    })
}
