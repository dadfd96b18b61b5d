//! The demo, killed while it is set up and loaded, can be started again.

use std::path::Path;
use std::time::{Duration, Instant};

use faults::ledger::Writer;
use faults::program::{PATIENCE, Program, data_folder};
use faults::{below, scaled, tell};
use serde_json::Value;

use crate::PROGRAM;

#[tokio::test(flavor = "multi_thread")]
async fn a_demo_killed_at_any_moment_can_be_started_again() {
    let parent = tempfile::tempdir().unwrap();
    let folder = data_folder(parent.path());
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port().to_string();
    drop(listener);
    let data = folder.display().to_string();
    let arguments = ["up", "--demo", "--port", &port, "--data-dir", &data];
    // Each start gets a little further than the one before.
    let kills_n = scaled(6_u64, 40);
    for n in 0..kills_n {
        let mut program = Program::start(PROGRAM, &arguments);
        let time = Duration::from_millis(300 + n * 900 + below(900));
        let refused = program.says_within("Error", time);
        assert!(
            refused.is_none() && program.runs(),
            "start {n}: {refused:?}"
        );
        program.kill();
    }
    let mut program = Program::start(PROGRAM, &arguments);
    let accounts = accounts(&mut program, &folder.join("demo-accounts.json"));
    let address = format!("http://127.0.0.1:{port}");
    // The accounts may be those of an earlier start: this one need not listen yet.
    listening(&address).await;
    for role in ["admin", "breeder", "partner_b"] {
        let text = |field: &str| accounts[role][field].as_str().unwrap().to_owned();
        Writer::sign_in(&address, &text("login"), &text("password")).await;
    }
    if scaled(false, true) {
        program.says("ready at");
    }
    assert!(program.runs());
    tell(
        "kills of a demo that loads",
        &[("kills", usize::try_from(kills_n).unwrap())],
    );
}

async fn listening(address: &str) {
    let deadline = Instant::now() + PATIENCE;
    while reqwest::get(format!("{address}/readyz")).await.is_err() {
        assert!(Instant::now() < deadline, "nothing listens at {address}");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

/// The demo's accounts, once they are written down.
fn accounts(program: &mut Program, path: &Path) -> Value {
    let deadline = Instant::now() + PATIENCE;
    while Instant::now() < deadline && program.runs() {
        if let Ok(text) = std::fs::read_to_string(path) {
            return serde_json::from_str(&text).unwrap();
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    panic!("there are no accounts; it said {program:#?}");
}
