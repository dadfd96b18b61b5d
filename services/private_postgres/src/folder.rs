use std::fs::{self, DirBuilder, File, OpenOptions, Permissions, TryLockError};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use tempfile::TempDir;

use crate::StartError;
use crate::account::Account;

/// How many lines of a log are quoted in an error.
const QUOTED_LINES: usize = 20;

/// How long a claim may be in the way. A child that a killed process had just forked keeps its
/// claim for a moment, until it runs another program or ends.
const CLAIM_PATIENCE: Duration = Duration::from_secs(1);

const UNFINISHED_PREFIX: &str = "cluster.unfinished-";

/// The places in a data folder (see the crate's page for the layout).
#[derive(Debug, Clone)]
pub(crate) struct DataFolder {
    root: PathBuf,
}

impl DataFolder {
    pub(crate) fn at(data_dir: &Path) -> Result<Self, StartError> {
        let root = std::path::absolute(data_dir)
            .map_err(StartError::system("resolve the data folder", data_dir))?;
        Ok(Self { root })
    }

    pub(crate) fn root(&self) -> &Path {
        &self.root
    }

    pub(crate) fn cluster(&self) -> PathBuf {
        self.root.join("cluster")
    }

    /// A new folder to make a cluster in, removed when dropped, so that `cluster` is only ever a
    /// finished one. Those of interrupted attempts are removed.
    pub(crate) fn unfinished_cluster(&self) -> Result<TempDir, StartError> {
        let entries =
            fs::read_dir(&self.root).map_err(StartError::system("list the folder", &self.root))?;
        for entry in entries.flatten() {
            if entry
                .file_name()
                .to_string_lossy()
                .starts_with(UNFINISHED_PREFIX)
                && let Err(error) = fs::remove_dir_all(entry.path())
            {
                // It is in nobody's way; the programs writing to it may be about to end.
                let folder = entry.path();
                tracing::warn!(%error, folder = %folder.display(), "unfinished data remain");
            }
        }
        tempfile::Builder::new()
            .prefix(UNFINISHED_PREFIX)
            .permissions(Permissions::from_mode(0o700))
            .tempdir_in(&self.root)
            .map_err(StartError::system("make a folder in", &self.root))
    }

    pub(crate) fn password(&self) -> PathBuf {
        self.root.join("superuser-password")
    }

    pub(crate) fn log(&self) -> PathBuf {
        self.root.join("server.log")
    }

    fn lock(&self) -> PathBuf {
        self.root.join("lock")
    }

    /// Makes the folder where it is missing, and checks that `account` can reach into it.
    pub(crate) fn prepare(&self, account: &Account) -> Result<(), StartError> {
        // The account only ever passes through; what it may open is in `cluster`.
        let mode = if account.is_switched() { 0o711 } else { 0o700 };
        let missing: Vec<&Path> = self
            .root
            .ancestors()
            .take_while(|path| !path.exists())
            .collect();
        for folder in missing.into_iter().rev() {
            make_folder(folder, mode)?;
        }
        let real = fs::canonicalize(&self.root)
            .map_err(StartError::system("resolve the data folder", &self.root))?;
        let mut ancestors: Vec<&Path> = real.ancestors().collect();
        ancestors.reverse();
        for folder in ancestors {
            let found = fs::metadata(folder).map_err(StartError::system("look at", folder))?;
            if !account.passes(&found) {
                return Err(StartError::Impassable {
                    folder: folder.to_owned(),
                    mode: found.permissions().mode() & 0o7777,
                    account: account.name().to_owned(),
                    data_dir: self.root.clone(),
                });
            }
        }
        Ok(())
    }

    /// Claims the folder for this process until the file returned is closed, by whatever end.
    pub(crate) fn claim(&self) -> Result<File, StartError> {
        let path = self.lock();
        let mut lock = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .mode(0o600)
            .open(&path)
            .map_err(StartError::system("open", &path))?;
        let deadline = Instant::now() + CLAIM_PATIENCE;
        loop {
            match lock.try_lock() {
                Ok(()) => break,
                Err(TryLockError::WouldBlock) if Instant::now() < deadline => {
                    thread::sleep(Duration::from_millis(20));
                }
                Err(TryLockError::WouldBlock) => return Err(self.in_use(first_number(&path))),
                Err(TryLockError::Error(source)) => {
                    return Err(StartError::System {
                        action: "lock",
                        path,
                        source,
                    });
                }
            }
        }
        lock.set_len(0)
            .and_then(|()| writeln!(lock, "{}", std::process::id()))
            .map_err(StartError::system("write", &path))?;
        Ok(lock)
    }

    /// Whether no living process has claimed this folder, though one once had.
    pub(crate) fn is_abandoned(&self) -> bool {
        File::open(self.lock()).is_ok_and(|lock| lock.try_lock().is_ok())
    }

    pub(crate) fn in_use(&self, parent_pid: Option<u32>) -> StartError {
        StartError::InUse {
            data_dir: self.root.clone(),
            server_pid: PidFile::read(&self.cluster()).map(|file| file.pid),
            parent_pid,
        }
    }

    /// A fresh log for this start; the one of the start before is kept beside it.
    pub(crate) fn open_log(&self) -> Result<File, StartError> {
        let log = self.log();
        match fs::rename(&log, log.with_extension("log.previous")) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(StartError::System {
                    action: "set aside",
                    path: log,
                    source: error,
                });
            }
            _ => {}
        }
        OpenOptions::new()
            .append(true)
            .create(true)
            .mode(0o600)
            .open(&log)
            .map_err(StartError::system("open", &log))
    }

    /// The last lines of the server's log.
    pub(crate) fn log_tail(&self) -> String {
        fs::read(self.log()).map_or_else(
            |error| format!("(the log cannot be read: {error})"),
            |log| tail(&String::from_utf8_lossy(&log)),
        )
    }
}

/// Makes one folder with exactly this mode, whatever the umask.
fn make_folder(folder: &Path, mode: u32) -> Result<(), StartError> {
    DirBuilder::new()
        .mode(mode)
        .create(folder)
        .and_then(|()| fs::set_permissions(folder, Permissions::from_mode(mode)))
        .map_err(StartError::system("make the folder", folder))
}

/// The last lines of a text, to be quoted.
pub(crate) fn tail(text: &str) -> String {
    let lines: Vec<&str> = text.trim_end().lines().collect();
    lines[lines.len().saturating_sub(QUOTED_LINES)..].join("\n")
}

fn first_number(path: &Path) -> Option<u32> {
    fs::read_to_string(path)
        .ok()?
        .lines()
        .next()?
        .trim()
        .parse()
        .ok()
}

/// What a running server says of itself in its data folder's `postmaster.pid`.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct PidFile {
    pub(crate) pid: u32,
    /// The port; none while the server has not got as far.
    pub(crate) port: Option<u16>,
    pub(crate) ready: bool,
}

impl PidFile {
    pub(crate) fn read(cluster: &Path) -> Option<Self> {
        Self::parse(&fs::read_to_string(cluster.join("postmaster.pid")).ok()?)
    }

    fn parse(text: &str) -> Option<Self> {
        let port = text
            .lines()
            .nth(3)
            .and_then(|line| line.trim().parse().ok());
        let mut lines = text.lines();
        // A single-user server writes its process id with a minus sign.
        let pid = lines.next()?.trim().trim_start_matches('-').parse().ok()?;
        let ready = lines
            .next_back()
            .is_some_and(|status| status.trim() == "ready");
        Some(Self { pid, port, ready })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pid_file_tells_starting_from_ready() {
        let file = |status: &str| {
            format!("4711\n/d/cluster\n1700000000\n5433\n/d\n127.0.0.1\n 123 4\n{status}\n")
        };
        let read = |text: &str| PidFile::parse(text);
        assert_eq!(
            read(&file("ready   ")),
            Some(PidFile {
                pid: 4711,
                port: Some(5433),
                ready: true
            })
        );
        assert_eq!(
            read(&file("starting")),
            Some(PidFile {
                pid: 4711,
                port: Some(5433),
                ready: false
            })
        );
        assert_eq!(
            read("4711\n"),
            Some(PidFile {
                pid: 4711,
                port: None,
                ready: false
            })
        );
        assert_eq!(
            read("-4711\n/d\n"),
            Some(PidFile {
                pid: 4711,
                port: None,
                ready: false
            })
        );
        assert_eq!(read(""), None);
    }

    #[test]
    fn a_folder_is_claimed_once_at_a_time() {
        let home = tempfile::tempdir().unwrap();
        let folder = DataFolder::at(home.path()).unwrap();
        assert!(!folder.is_abandoned(), "never claimed");
        let claim = folder.claim().unwrap();
        assert!(!folder.is_abandoned());
        let refused = folder.claim().unwrap_err();
        let own = std::process::id();
        assert!(
            matches!(refused, StartError::InUse { parent_pid: Some(pid), .. } if pid == own),
            "{refused}"
        );
        drop(claim);
        assert!(folder.is_abandoned());
        folder.claim().unwrap();
    }

    #[test]
    fn only_the_last_lines_of_a_log_are_quoted() {
        let log: String = (1..=50).map(|line| format!("line {line}\n")).collect();
        let quoted = tail(&log);
        assert!(
            quoted.starts_with("line 31\n") && quoted.ends_with("line 50"),
            "{quoted}"
        );
        assert_eq!(tail("one\n"), "one");
        assert_eq!(tail(""), "");
    }

    #[test]
    fn the_log_of_the_start_before_is_kept() {
        let home = tempfile::tempdir().unwrap();
        let folder = DataFolder::at(home.path()).unwrap();
        folder.open_log().unwrap().write_all(b"first").unwrap();
        folder.open_log().unwrap().write_all(b"second").unwrap();
        assert_eq!(folder.log_tail(), "second");
        assert_eq!(
            fs::read(home.path().join("server.log.previous")).unwrap(),
            b"first"
        );
    }
}
