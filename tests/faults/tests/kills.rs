//! Kills: of the program, of its PostgreSQL, and of one connection's process.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use faults::ledger::{Ledger, Writer};
use faults::program::{ADMIN, Program, backends, data_folder, found, postmaster, signal};
use faults::{below, scaled, tell};
use rustix::process::Signal;

use crate::PROGRAM;

/// Writes from several clients while something is done to the program; all of it is acknowledged in
/// the end.
async fn written_while(ledger: &Arc<Ledger>, writer: &Writer, does: impl AsyncFnOnce()) {
    let over = Arc::new(AtomicBool::new(false));
    let writing: Vec<_> = (0..4)
        .map(|_| {
            let (writer, ledger, over) = (writer.clone(), ledger.clone(), over.clone());
            tokio::spawn(async move {
                while !over.load(Ordering::Acquire) {
                    ledger.write(&writer).await;
                }
            })
        })
        .collect();
    does().await;
    over.store(true, Ordering::Release);
    for writing in writing {
        writing.await.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn acknowledged_writes_survive_kills_of_the_program() {
    let parent = tempfile::tempdir().unwrap();
    let folder = data_folder(parent.path());
    let mut program = Program::up(PROGRAM, &folder, &[]);
    let mut writer = found(&program.address(), &folder).await;
    let ledger = Ledger::default();
    let kills_n = scaled(3, 60);
    let mut unanswered_n = 0;
    for _ in 0..kills_n {
        let killed = Arc::new(AtomicBool::new(false));
        let flag = killed.clone();
        let killing = tokio::task::spawn_blocking(move || {
            std::thread::sleep(Duration::from_millis(300 + below(700)));
            flag.store(true, Ordering::Release);
            program.kill();
        });
        let mut begun = None;
        while !killed.load(Ordering::Acquire) {
            let id = uuid::Uuid::now_v7().to_string();
            match writer.attempt(&id).await {
                Some(201) => ledger.acknowledge(&id),
                _ => {
                    unanswered_n += 1;
                    begun = Some(id);
                    break;
                }
            }
        }
        killing.await.unwrap();
        program = Program::up(PROGRAM, &folder, &[]);
        let address = program.address();
        writer = Writer::sign_in(&address, ADMIN.0, ADMIN.1).await;
        ledger.holds(&writer).await;
        if let Some(id) = begun {
            ledger.write_as(&writer, &id).await;
        }
    }
    ledger.holds(&writer).await;
    tell(
        "kills of the program",
        &[
            ("kills", kills_n),
            ("writes acknowledged", ledger.acknowledged_n()),
            ("unanswered and repeated", unanswered_n),
        ],
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn the_program_outlives_kills_of_its_postgresql_and_of_its_connections() {
    let parent = tempfile::tempdir().unwrap();
    let folder = data_folder(parent.path());
    let mut program = Program::up(PROGRAM, &folder, &[]);
    let writer = found(&program.address(), &folder).await;
    let ledger = Arc::new(Ledger::default());
    let (postmasters_n, backends_n) = (scaled(3, 40), scaled(3, 40));
    written_while(&ledger, &writer, async || {
        for _ in 0..postmasters_n {
            tokio::time::sleep(Duration::from_millis(300 + below(500))).await;
            kill_postmaster(&folder);
            let back = tokio::task::block_in_place(|| {
                program.says("PostgreSQL ended");
                program.says("was started again")
            });
            assert!(back.contains("answers"), "{back}");
        }
        for _ in 0..backends_n {
            tokio::time::sleep(Duration::from_millis(1_000 + below(500))).await;
            let postmaster = postmaster(&folder).expect("PostgreSQL runs");
            let serving = backends(postmaster, "drupeline_identity");
            let chosen = usize::try_from(below(serving.len().max(1) as u64)).unwrap();
            if let Some(pid) = serving.get(chosen) {
                signal(*pid, Signal::KILL);
            }
        }
    })
    .await;
    assert!(program.runs());
    ledger.holds(&writer).await;
    println!(
        "faults: attempts repeated, by answer: {:?}",
        ledger.repeated()
    );
    tell(
        "kills of PostgreSQL and its connections",
        &[
            ("kills of PostgreSQL", postmasters_n),
            ("kills of a connection's process", backends_n),
            ("writes acknowledged", ledger.acknowledged_n()),
            ("attempts repeated", ledger.repeated_n()),
        ],
    );
}

fn kill_postmaster(folder: &Path) {
    signal(postmaster(folder).expect("PostgreSQL runs"), Signal::KILL);
}

#[tokio::test(flavor = "multi_thread")]
async fn health_tells_the_truth_while_postgresql_cannot_be_started() {
    let parent = tempfile::tempdir().unwrap();
    let folder = data_folder(parent.path());
    let mut program = Program::up(PROGRAM, &folder, &[]);
    let writer = found(&program.address(), &folder).await;
    let ledger = Ledger::default();
    ledger.write(&writer).await;
    assert_eq!(writer.look("/healthz").await.unwrap().0, 200);
    let (cluster, away) = (
        folder.join("postgres/cluster"),
        folder.join("postgres/away"),
    );
    let killed = postmaster(&folder).expect("PostgreSQL runs");
    std::fs::rename(&cluster, &away).unwrap();
    signal(killed, Signal::KILL);
    tokio::task::block_in_place(|| program.says("could not be started again"));
    for path in ["/healthz", "/readyz"] {
        let (status, text) = writer.look(path).await.unwrap();
        assert_eq!(status, 503, "{text}");
        assert!(text.contains("PostgreSQL"), "{text}");
    }
    std::fs::rename(&away, &cluster).unwrap();
    tokio::task::block_in_place(|| program.says("was started again"));
    assert_eq!(writer.look("/healthz").await.unwrap().0, 200);
    ledger.write(&writer).await;
    ledger.holds(&writer).await;
    assert_eq!(ledger.repeated_n(), 0, "{:?}", ledger.repeated());
}
