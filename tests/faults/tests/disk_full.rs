//! A disk that is full, and then no longer.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use faults::ledger::Ledger;
use faults::program::{Program, data_folder, found};
use faults::tell;

use crate::PROGRAM;

/// A small disk in memory, taken away when dropped.
struct SmallDisk(tempfile::TempDir);

impl SmallDisk {
    /// Only root may have one; nobody else has this tested, and is told so.
    fn new(mib: u32) -> Option<Self> {
        let home = tempfile::tempdir().ok()?;
        let mounted = Command::new("mount")
            .args([
                "-t",
                "tmpfs",
                "-o",
                &format!("size={mib}m,mode=711"),
                "tmpfs",
            ])
            .arg(home.path())
            .output();
        match mounted {
            Ok(done) if done.status.success() => Some(Self(home)),
            refused => {
                println!(
                    "faults: full disk: NOT RUN, as no small disk can be had here: {refused:?}"
                );
                None
            }
        }
    }

    fn path(&self) -> &Path {
        self.0.path()
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.path()).output();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn writing_goes_on_once_a_full_disk_was_freed() {
    let Some(disk) = SmallDisk::new(320) else {
        return;
    };
    let folder = data_folder(disk.path());
    let mut program = Program::up(PROGRAM, &folder, &[]);
    let address = program.address();
    let writer = found(&address, &folder).await;
    let ledger = Ledger::default();
    for _ in 0..20 {
        ledger.write(&writer).await;
    }
    let filler = disk.path().join("filler");
    let filled = Command::new("dd")
        .args(["if=/dev/zero", "bs=64k", "status=none"])
        .arg(format!("of={}", filler.display()))
        .output()
        .unwrap();
    assert!(!filled.status.success(), "the disk took it all");
    let (mut refused_n, mut tries_n) = (0, 0);
    while refused_n < 5 {
        tries_n += 1;
        assert!(tries_n < 20_000, "the disk never filled up");
        let id = uuid::Uuid::now_v7().to_string();
        match writer.attempt(&id).await {
            Some(201) => ledger.acknowledge(&id),
            _ => refused_n += 1,
        }
    }
    assert!(program.runs(), "the program outlives it");
    std::fs::remove_file(&filler).unwrap();
    // Repeated until it is taken; PostgreSQL may have to be started again first.
    for _ in 0..20 {
        ledger.write(&writer).await;
    }
    tokio::time::sleep(Duration::from_millis(200)).await;
    ledger.holds(&writer).await;
    assert_eq!(writer.look("/healthz").await.unwrap().0, 200);
    tell(
        "full disk",
        &[
            ("writes acknowledged", ledger.acknowledged_n()),
            ("refused while it was full", refused_n),
        ],
    );
}
