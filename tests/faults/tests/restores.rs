//! Restores: a backup taken while writing goes on becomes an installation that goes on.

use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use faults::ledger::{Ledger, Writer};
use faults::program::{ADMIN, Program, data_folder, found};
use faults::{scaled, tell};

use crate::PROGRAM;

/// Runs a command of the program to its end; gives what it said.
async fn run(arguments: &[&str]) -> String {
    let mut command = Command::new(PROGRAM);
    command.args(arguments).env_remove("DATABASE_URL");
    let ended = tokio::task::spawn_blocking(move || command.output());
    let output = ended.await.unwrap().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{arguments:?}: {said}");
    said
}

/// Installation after installation is made of the one before, while that one is written to.
#[tokio::test(flavor = "multi_thread")]
async fn what_was_acknowledged_before_a_backup_is_in_what_is_restored() {
    let parent = tempfile::tempdir().unwrap();
    let mut folder = data_folder(parent.path());
    let mut program = Program::up(PROGRAM, &folder, &[]);
    let mut writer = found(&program.address(), &folder).await;
    let before = Arc::new(Ledger::default());
    let restores_n = scaled(2, 20);
    let mut beside_n = 0;
    for round in 0..restores_n {
        for _ in 0..20 {
            before.write(&writer).await;
        }
        // What is written beside the backup may or may not be in it.
        let (beside, over) = (
            Arc::new(Ledger::default()),
            Arc::new(AtomicBool::new(false)),
        );
        let writing: Vec<_> = (0..4)
            .map(|_| {
                let (writer, beside, over) = (writer.clone(), beside.clone(), over.clone());
                tokio::spawn(async move {
                    while !over.load(Ordering::Acquire) {
                        beside.write(&writer).await;
                    }
                })
            })
            .collect();
        tokio::time::sleep(Duration::from_millis(200)).await;
        let file = parent.path().join(format!("backup-{round}"));
        let (file, from) = (file.display().to_string(), folder.display().to_string());
        run(&["backup", &file, "--data-dir", &from]).await;
        over.store(true, Ordering::Release);
        for writing in writing {
            writing.await.unwrap();
        }
        beside_n += beside.acknowledged_n();
        program.kill();

        folder = parent.path().join(format!("restored-{round}"));
        let into = folder.display().to_string();
        let said = run(&["restore", &file, "--data-dir", &into]).await;
        assert!(
            said.contains("every table is as it was backed up"),
            "{said}"
        );
        run(&["verify-audit", "--data-dir", &into]).await;
        program = Program::up(PROGRAM, &folder, &[]);
        writer = Writer::sign_in(&program.address(), ADMIN.0, ADMIN.1).await;
        before.holds(&writer).await;
        followed(&folder, &writer).await;
    }
    before.write(&writer).await;
    before.holds(&writer).await;
    tell(
        "restores",
        &[
            ("restores", restores_n),
            ("writes before backups, all there", before.acknowledged_n()),
            ("writes beside backups", beside_n),
        ],
    );
}

/// The services of the restored installation follow one another: none is behind, and none says that
/// something is missing.
async fn followed(folder: &Path, writer: &Writer) {
    for _ in 0..100 {
        if let Some((200, _)) = writer.look("/readyz").await {
            return;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    panic!(
        "{} is not ready: {:?}",
        folder.display(),
        writer.look("/readyz").await
    );
}
