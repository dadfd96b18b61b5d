//! The program as its users run it: started, killed, and what it says.

use std::io::{BufRead as _, BufReader};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::json;

use crate::ledger::Writer;

/// Long enough for a loaded machine; nothing here measures time.
pub const PATIENCE: Duration = Duration::from_secs(180);

/// Login and password of the administrator that [`Program::founded`] makes.
pub const ADMIN: (&str, &str) = ("keeper", "a password for tests only");

/// A running program and what it said so far.
#[derive(Debug)]
pub struct Program {
    child: Child,
    lines: mpsc::Receiver<String>,
    said: Vec<String>,
}

impl Program {
    /// Starts the program at a path.
    pub fn start(program: &str, arguments: &[&str]) -> Self {
        let mut child = Command::new(program)
            .args(arguments)
            .env_remove("DATABASE_URL")
            .stderr(Stdio::piped())
            .stdout(Stdio::null())
            .stdin(Stdio::null())
            .spawn()
            .expect("the program starts");
        let stderr = child.stderr.take().expect("its messages");
        let (sender, lines) = mpsc::channel();
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    break;
                }
            }
        });
        Self {
            child,
            lines,
            said: Vec::new(),
        }
    }

    /// Starts `up` on a data folder and a port that is free.
    pub fn up(program: &str, data_dir: &Path, more: &[&str]) -> Self {
        let folder = data_dir.display().to_string();
        let mut arguments = vec!["up", "--port", "0", "--data-dir", &folder];
        arguments.extend_from_slice(more);
        Self::start(program, &arguments)
    }

    /// Waits until it says something that contains some words; gives the line.
    pub fn says(&mut self, words: &str) -> String {
        self.says_within(words, PATIENCE)
            .unwrap_or_else(|| panic!("it never said {words:?}; it said {:#?}", self.said))
    }

    /// The line that contains some words, unless it does not come in time.
    pub fn says_within(&mut self, words: &str, time: Duration) -> Option<String> {
        let deadline = Instant::now() + time;
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            let line = self.lines.recv_timeout(left).ok()?;
            self.said.push(line.clone());
            if line.contains(words) {
                return Some(line);
            }
        }
    }

    /// The address at which it is ready.
    pub fn address(&mut self) -> String {
        let line = self.says("ready at");
        let at = line.rfind("http://").expect("an address");
        line[at..].trim().to_owned()
    }

    /// Kills it as the system does when it is out of memory.
    pub fn kill(mut self) {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it ends");
    }

    /// The most memory that it has held so far, bytes.
    pub fn peak_bytes(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id()))
            .expect("its status");
        let peak = status
            .lines()
            .find_map(|line| line.strip_prefix("VmHWM:"))
            .expect("its peak");
        let kib: u64 = peak
            .trim_end_matches("kB")
            .trim()
            .parse()
            .expect("a number");
        kib * 1024
    }

    /// Asks it to stop, as a service manager does, and waits for its end; gives whether it ended well,
    /// and what it had said.
    pub fn stop(mut self) -> (bool, Vec<String>) {
        let id = i32::try_from(self.child.id()).expect("a process id");
        signal(id, Signal::TERM);
        let status = self.child.wait().expect("it ends");
        self.said.extend(self.lines.try_iter());
        (status.success(), std::mem::take(&mut self.said))
    }

    /// Whether it still runs.
    pub fn runs(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(None))
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Founds a programme at an address with the data folder's set-up key; gives its administrator.
pub async fn found(address: &str, data_dir: &Path) -> Writer {
    let setup_key = std::fs::read_to_string(data_dir.join("setup-key")).expect("the set-up key");
    let (login, password) = ADMIN;
    let body = json!({
        "setup_key": setup_key.trim(), "name": "Kept through faults", "admin_login": login,
        "admin_name": "Keeper", "admin_password": password,
    });
    let sent = reqwest::Client::new()
        .post(format!("{address}/api/identity/v1/programmes"))
        .json(&body)
        .send()
        .await
        .expect("identity answers");
    assert!(sent.status().is_success(), "{}", sent.status());
    Writer::sign_in(address, login, password).await
}

/// A folder that the account of PostgreSQL can pass through.
pub fn data_folder(parent: &Path) -> PathBuf {
    let open = std::fs::Permissions::from_mode(0o711);
    std::fs::set_permissions(parent, open).expect("the folder can be opened");
    parent.join("data")
}

/// Process id of the private PostgreSQL in a data folder.
pub fn postmaster(data_dir: &Path) -> Option<i32> {
    let file = data_dir.join("postgres/cluster/postmaster.pid");
    let text = std::fs::read_to_string(file).ok()?;
    text.lines().next()?.trim().parse().ok()
}

/// Process ids of the connections that a PostgreSQL serves to a role.
pub fn backends(postmaster: i32, role: &str) -> Vec<i32> {
    let processes = std::fs::read_dir("/proc").expect("processes").flatten();
    processes
        .filter_map(|entry| entry.file_name().to_str()?.parse::<i32>().ok())
        .filter(|pid| {
            let read =
                |file: &str| std::fs::read(format!("/proc/{pid}/{file}")).unwrap_or_default();
            let stat = String::from_utf8_lossy(&read("stat")).into_owned();
            let parent = stat
                .rsplit_once(") ")
                .and_then(|(_, rest)| rest.split(' ').nth(1)?.parse().ok());
            parent == Some(postmaster) && String::from_utf8_lossy(&read("cmdline")).contains(role)
        })
        .collect()
}

/// Sends a signal, if the process is still there.
pub fn signal(pid: i32, signal: Signal) {
    if let Some(pid) = Pid::from_raw(pid) {
        let _ = kill_process(pid, signal);
    }
}
