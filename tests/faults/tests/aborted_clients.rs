//! Clients that go away in the middle of their requests harm nobody else.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use end_to_end::System;
use faults::ledger::{Ledger, Writer};
use faults::{below, scaled, tell};
use platform::Clock;
use platform::database::{self, Begin, Scope};
use platform::peers::ServiceName;
use platform::quota::Quota;
use uuid::Uuid;

#[tokio::test(flavor = "multi_thread")]
async fn aborted_requests_break_no_others() {
    // One person asks here as often as a hundred would.
    let system = System::start_with(Clock::System, |its| its.person = Quota::UNLIMITED).await;
    let admin = system.sign_in("admin").await;
    let writer = Writer::new(&system.url(), admin.token().expect("a token"));
    let over = Arc::new(AtomicBool::new(false));
    let aborted_n = Arc::new(AtomicUsize::new(0));
    let aborting: Vec<_> = (0..12)
        .map(|who| {
            let (over, aborted_n) = (over.clone(), aborted_n.clone());
            // Connections of its own: an aborted request ends the one it came by.
            let writer = writer.clone();
            tokio::spawn(async move {
                let mut begun = Vec::new();
                while !over.load(Ordering::Acquire) {
                    let patience = Duration::from_micros(below(4_000));
                    let ended = if who % 4 == 0 {
                        let id = Uuid::now_v7().to_string();
                        let ended = tokio::time::timeout(patience, writer.attempt(&id)).await;
                        begun.push(id);
                        ended.is_ok()
                    } else {
                        tokio::time::timeout(patience, writer.read()).await.is_ok()
                    };
                    aborted_n.fetch_add(usize::from(!ended), Ordering::Relaxed);
                }
                begun
            })
        })
        .collect();
    let ledger = Arc::new(Ledger::default());
    let writing: Vec<_> = (0..3)
        .map(|_| {
            let (writer, ledger) = (writer.clone(), ledger.clone());
            tokio::spawn(async move {
                for _ in 0..scaled(250, 5_000) {
                    ledger.write(&writer).await;
                }
            })
        })
        .collect();
    for writing in writing {
        writing.await.unwrap();
    }
    over.store(true, Ordering::Release);
    assert_eq!(ledger.repeated_n(), 0, "refused: {:?}", ledger.repeated());
    let written_n = ledger.acknowledged_n();
    // What was aborted may have been written or not; repeated, it is there once.
    for aborting in aborting {
        for id in aborting.await.unwrap() {
            ledger.write_as(&writer, &id).await;
        }
    }
    ledger.holds(&writer).await;
    assert_eq!(ledger.repeated_n(), 0, "refused: {:?}", ledger.repeated());
    no_transaction_is_left_open(&system).await;
    tell(
        "aborted clients",
        &[
            ("requests aborted", aborted_n.load(Ordering::Relaxed)),
            ("writes acknowledged beside them", written_n),
            (
                "aborted writes repeated",
                ledger.acknowledged_n() - written_n,
            ),
        ],
    );
}

async fn no_transaction_is_left_open(system: &System) {
    let pool = system.pool(ServiceName::Identity).await;
    let mut left_n = 0_i64;
    for _ in 0..100 {
        let mut own = database::begin(&pool, Begin::Reading, Scope::default())
            .await
            .unwrap();
        left_n = sqlx::query_scalar(
            "select count(*) from pg_stat_activity where usename = current_user \
             and datname = current_database() and pid <> pg_backend_pid() \
             and state like 'idle in transaction%' and state_change < now() - interval '1 second'",
        )
        .fetch_one(&mut *own)
        .await
        .unwrap();
        if left_n == 0 {
            return;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    panic!("{left_n} connections are inside a transaction that nobody ends");
}

/// The mechanism alone: whoever stops waiting for a transaction leaves a clean connection behind.
#[tokio::test(flavor = "multi_thread")]
async fn a_beginning_that_is_dropped_leaves_a_clean_connection() {
    let system = System::start().await;
    let pool = system.pool_of(ServiceName::Identity, 2).await;
    let mut dropped_n = 0;
    for n in 0..scaled(1_500, 50_000) {
        let begin = if n % 2 == 0 {
            Begin::Reading
        } else {
            Begin::Snapshot
        };
        let patience = Duration::from_micros(below(600));
        let begun = tokio::time::timeout(patience, database::begin(&pool, begin, Scope::default()));
        dropped_n += usize::from(begun.await.is_err());
        // A statement outside of any transaction: in one that was left open it would see its mode.
        let mode: String = sqlx::query_scalar("show transaction_read_only")
            .fetch_one(&pool)
            .await
            .unwrap();
        assert_eq!(mode, "off", "after {dropped_n} dropped");
    }
    tell("dropped beginnings", &[("dropped", dropped_n)]);
    assert!(dropped_n > 0, "nothing was dropped");
}
