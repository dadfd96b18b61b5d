//! Announcements written, committed and numbered, by many at once.

use std::time::Instant;

use platform::ProgrammeId;
use sqlx::{AssertSqlSafe, PgPool};

use super::{CONNECTIONS, Measured, Outcome, ROUNDS, middle};

/// Announcements of each client, each in a transaction of its own.
const EACH_N: usize = 200;
const PAYLOAD: &str =
    r#"{"number": "26-0412-037", "to_stage": "budded", "reason": "sweet and firm"}"#;

/// Announcements by many clients until all have their position, against the same rows written to a
/// table in which nothing is numbered.
pub(super) async fn measure(evaluation: &PgPool, plain: &PgPool) -> Outcome<Measured> {
    sqlx::raw_sql(
        "drop table if exists public.measured; \
         create table public.measured (like evaluation.outbox including all)",
    )
    .execute(plain)
    .await?;
    let (mut announced, mut written) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        let (rows, took) = write(plain, "public.measured", None).await?;
        written.push(rows / took);
        let (rows, took) = write(plain, "evaluation.outbox", Some(evaluation)).await?;
        announced.push(rows / took);
    }
    Ok(Measured {
        what: "announcements numbered, many clients",
        rate: middle(announced),
        baseline: "the same rows written and not numbered",
        baseline_rate: middle(written),
        remark: String::new(),
    })
}

/// Writes rows from many clients, while whoever follows has them numbered; gives how many and the
/// seconds that took.
async fn write(plain: &PgPool, table: &str, numbered: Option<&PgPool>) -> Outcome<(f64, f64)> {
    let programme = ProgrammeId::new();
    let insert = format!(
        "insert into {table} (programme_id, topic, payload, at) values ($1, 'measured', $2::jsonb, now())"
    );
    let started = Instant::now();
    let mut writing = tokio::task::JoinSet::new();
    for _ in 0..CONNECTIONS {
        let (plain, insert) = (plain.clone(), insert.clone());
        writing.spawn(async move {
            for _ in 0..EACH_N {
                sqlx::query(AssertSqlSafe(insert.clone()))
                    .bind(programme)
                    .bind(PAYLOAD)
                    .execute(&plain)
                    .await?;
            }
            Ok::<(), sqlx::Error>(())
        });
    }
    while let Some(outbox) = numbered
        && !writing.is_empty()
    {
        platform::feed::number(outbox).await?;
        while let Some(ended) = writing.try_join_next() {
            ended??;
        }
    }
    while let Some(ended) = writing.join_next().await {
        ended??;
    }
    if let Some(outbox) = numbered {
        while platform::feed::number(outbox).await? > 0 {}
    }
    let rows = f64::from(CONNECTIONS) * EACH_N as f64;
    Ok((rows, started.elapsed().as_secs_f64()))
}
