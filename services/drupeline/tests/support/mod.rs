//! The program, started as its users start it.

#![allow(dead_code, reason = "each test program uses a part of it")]

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use contract::identity::identity_client::IdentityClient;
use contract::identity::{FoundProgrammeRequest, SignInRequest};
use tonic::transport::{Channel, Endpoint};

/// Long enough for a loaded machine; nothing here measures time.
pub const PATIENCE: Duration = Duration::from_secs(120);

/// A running program.
pub struct Program {
    child: Child,
    lines: mpsc::Receiver<String>,
    said: Vec<String>,
}

impl Program {
    /// Starts it with arguments and settings.
    pub fn start(arguments: &[&str], settings: &[(&str, &str)]) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_drupeline"));
        command
            .args(arguments)
            .stderr(Stdio::piped())
            .stdout(Stdio::null())
            .stdin(Stdio::null());
        command.env_remove("DATABASE_URL");
        command.envs(settings.iter().copied());
        let mut child = command.spawn().expect("the program starts");
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

    /// Waits until it says something that contains `words`; gives the line.
    pub fn says(&mut self, words: &str) -> String {
        let deadline = Instant::now() + PATIENCE;
        while let Some(left) = deadline.checked_duration_since(Instant::now()) {
            match self.lines.recv_timeout(left) {
                Ok(line) => {
                    self.said.push(line.clone());
                    if line.contains(words) {
                        return line;
                    }
                }
                Err(_) => break,
            }
        }
        panic!("it never said {words:?}; it said {:#?}", self.said);
    }

    /// Waits until it says words before its address; gives the address.
    pub fn ready(&mut self, words: &str) -> String {
        let line = self.says(words);
        let at = line.rfind("http://").expect("an address");
        line[at..].trim().to_owned()
    }

    /// The most memory that it has held so far, bytes.
    pub fn peak_bytes(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id()))
            .expect("its status");
        let line = status
            .lines()
            .find_map(|line| line.strip_prefix("VmHWM:"))
            .expect("its peak");
        let kib: u64 = line.trim().trim_end_matches("kB").trim().parse().unwrap();
        kib * 1024
    }

    /// Asks it to stop, as a service manager does.
    pub fn terminate(&self) {
        let asked = Command::new("kill")
            .args(["-TERM", &self.child.id().to_string()])
            .status();
        assert!(asked.expect("kill runs").success());
    }

    /// Kills it.
    pub fn kill(mut self) {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it ends");
    }

    /// Waits for its end; gives whether it ended well, and what it had said.
    pub fn ends(mut self) -> (bool, String) {
        let deadline = Instant::now() + PATIENCE;
        while Instant::now() < deadline {
            if let Some(status) = self.child.try_wait().expect("its status") {
                let said: Vec<String> = self.lines.iter().collect();
                return (status.success(), said.join("\n"));
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        panic!("it did not end; it said {:#?}", self.said);
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A data folder that the account of PostgreSQL can reach.
pub fn data_folder(parent: &Path) -> String {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::set_permissions(parent, std::fs::Permissions::from_mode(0o711)).unwrap();
    parent.join("data").display().to_string()
}

/// A channel to an address.
pub fn channel(address: &str) -> Channel {
    Endpoint::from_shared(address.to_owned())
        .unwrap()
        .connect_lazy()
}

/// The keeper's login.
pub fn sign_in() -> SignInRequest {
    SignInRequest {
        login: "keeper".into(),
        password: "a password for tests".into(),
    }
}

/// Founds the keeper's programme.
pub async fn found(address: &str, setup_key: String) {
    IdentityClient::new(channel(address))
        .found_programme(FoundProgrammeRequest {
            setup_key,
            name: "Kept through a crash".into(),
            admin_login: "keeper".into(),
            admin_name: "Keeper".into(),
            admin_password: "a password for tests".into(),
        })
        .await
        .expect("the programme is founded");
}
