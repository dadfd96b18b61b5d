//! Connections to the database that are cut, while they are idle and while they are used.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use end_to_end::System;
use faults::ledger::{Ledger, Writer};
use faults::{scaled, tell};
use platform::peers::ServiceName;
use sqlx::PgPool;

/// Cuts every connection of a service but this one; gives how many there were.
async fn cut(pool: &PgPool) -> usize {
    let cut: Vec<bool> = sqlx::query_scalar(
        "select pg_terminate_backend(pid) from pg_stat_activity where usename = current_user \
         and datname = current_database() and pid <> pg_backend_pid()",
    )
    .fetch_all(pool)
    .await
    .unwrap();
    cut.len()
}

#[tokio::test(flavor = "multi_thread")]
async fn no_request_fails_after_idle_connections_were_cut() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let rights = system.sign_in("rights").await;
    let writer = Writer::new(&system.url(), admin.token().expect("a token"));
    let ledger = Ledger::default();
    let identity = system.pool_of(ServiceName::Identity, 1).await;
    let release = system.pool_of(ServiceName::Release, 1).await;
    let (mut cut_n, mut reads_n) = (0, 0);
    for _ in 0..scaled(12, 300) {
        // All of the pool is in use, then idle.
        tokio::join!(
            ledger.write(&writer),
            ledger.write(&writer),
            ledger.write(&writer),
            ledger.write(&writer),
        );
        cut_n += cut(&identity).await + cut(&release).await;
        tokio::join!(
            ledger.write(&writer),
            ledger.write(&writer),
            ledger.write(&writer),
        );
        // A reply kept while nothing changes has a connection of its own.
        rights.get("/api/release/v1/pipeline").await.expect(200);
        rights.get("/api/release/v1/candidates").await.expect(200);
        reads_n += 2;
    }
    assert_eq!(ledger.repeated_n(), 0, "failed: {:?}", ledger.repeated());
    ledger.holds(&writer).await;
    tell(
        "idle connections cut",
        &[
            ("cut", cut_n),
            ("writes acknowledged at once", ledger.acknowledged_n()),
            ("reads answered", reads_n),
        ],
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_lost_or_doubled_when_connections_are_cut_in_use() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let writer = Writer::new(&system.url(), admin.token().expect("a token"));
    let ledger = Arc::new(Ledger::default());
    let over = Arc::new(AtomicBool::new(false));
    let identity = system.pool_of(ServiceName::Identity, 1).await;
    let writing: Vec<_> = (0..6)
        .map(|_| {
            let (writer, ledger, over) = (writer.clone(), ledger.clone(), over.clone());
            tokio::spawn(async move {
                while !over.load(Ordering::Acquire) {
                    ledger.write(&writer).await;
                }
            })
        })
        .collect();
    let reading: Vec<_> = (0..2)
        .map(|_| {
            let (writer, over) = (writer.clone(), over.clone());
            tokio::spawn(async move {
                let mut answers = Vec::new();
                while !over.load(Ordering::Acquire) {
                    answers.push(writer.read().await);
                }
                answers
            })
        })
        .collect();
    let mut cut_n = 0;
    for _ in 0..scaled(30, 1_000) {
        tokio::time::sleep(Duration::from_millis(100)).await;
        cut_n += cut(&identity).await;
    }
    over.store(true, Ordering::Release);
    for writing in writing {
        writing.await.unwrap();
    }
    ledger.holds(&writer).await;
    let mut reads_n = 0;
    for reading in reading {
        for answer in reading.await.unwrap() {
            assert_eq!(answer, Some(200), "a read is asked again");
            reads_n += 1;
        }
    }
    println!(
        "faults: attempts repeated, by answer: {:?}",
        ledger.repeated()
    );
    tell(
        "connections cut in use",
        &[
            ("cut", cut_n),
            ("reads answered", reads_n),
            ("writes acknowledged", ledger.acknowledged_n()),
            ("attempts repeated", ledger.repeated_n()),
        ],
    );
}
