//! Processes that neither answer nor end: a connection's process, stopped.

use std::sync::Arc;
use std::time::Duration;

use faults::ledger::Ledger;
use faults::program::{Program, backends, data_folder, found, postmaster, signal};
use faults::{scaled, tell};
use rustix::process::Signal;

use crate::PROGRAM;

#[tokio::test(flavor = "multi_thread")]
async fn a_stopped_connection_holds_up_its_own_request_alone() {
    let parent = tempfile::tempdir().unwrap();
    let folder = data_folder(parent.path());
    let mut program = Program::up(PROGRAM, &folder, &[]);
    let writer = found(&program.address(), &folder).await;
    let ledger = Arc::new(Ledger::default());
    let rounds_n = scaled(2, 40);
    let mut held_n = 0;
    for _ in 0..rounds_n {
        let server = postmaster(&folder).expect("PostgreSQL runs");
        let serving = backends(server, "drupeline_identity");
        let Some(stopped) = serving.first() else {
            continue;
        };
        signal(*stopped, Signal::STOP);
        let mut writing: Vec<_> = (0..30)
            .map(|_| {
                let (writer, ledger) = (writer.clone(), ledger.clone());
                tokio::spawn(async move { ledger.write(&writer).await })
            })
            .collect();
        // All but those that wait for the stopped process are done; it may hold a lock besides.
        tokio::time::sleep(Duration::from_secs(2)).await;
        let before_n = writing.len();
        writing.retain(|writing| !writing.is_finished());
        held_n += writing.len();
        assert!(
            writing.len() < before_n / 2,
            "{} of {before_n} wait",
            writing.len()
        );
        signal(*stopped, Signal::CONT);
        for writing in writing {
            writing.await.unwrap();
        }
    }
    assert_eq!(ledger.repeated_n(), 0, "{:?}", ledger.repeated());
    ledger.holds(&writer).await;
    tell(
        "stopped connections",
        &[
            ("stopped", rounds_n),
            ("writes acknowledged", ledger.acknowledged_n()),
            ("that waited", held_n),
        ],
    );
}
