use std::ffi::OsString;
use std::fs::{File, Permissions};
use std::io;
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ExitStatus};
use std::thread;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal};
use tempfile::TempDir;

use crate::account::Account;
use crate::binaries::Binaries;
use crate::folder::{DataFolder, PidFile};
use crate::kept::{Keeper, spawn_kept};
use crate::private_postgres::Durability;
use crate::{StartError, StopError};

/// How often a starting or stopping server is looked at.
const POLL: Duration = Duration::from_millis(10);
/// How long a fast shutdown may take: it writes a checkpoint of everything in memory.
const FAST_SHUTDOWN: Duration = Duration::from_secs(60);
/// How long an immediate shutdown may take before the server is killed.
const IMMEDIATE_SHUTDOWN: Duration = Duration::from_secs(5);
/// How long a server whose parent was killed is given to finish before its folder counts as in use.
const ORPHAN_SHUTDOWN: Duration = Duration::from_secs(20);
/// How often another free port is picked when the one picked was taken meanwhile.
const PORT_ATTEMPTS: usize = 5;
/// Longest path of a Unix socket, without its closing zero byte.
const LONGEST_SOCKET_PATH: usize = 107;

/// How a server is run.
#[derive(Debug)]
pub(crate) struct Settings {
    pub(crate) port: Option<u16>,
    pub(crate) max_connections: u32,
    pub(crate) durability: Durability,
    pub(crate) start_timeout: Duration,
}

/// A running server, stopped when dropped.
#[derive(Debug)]
pub(crate) struct Server {
    child: Child,
    port: u16,
    folder: DataFolder,
    finished: bool,
    socket_folder: SocketFolder,
    /// Ends the thread that spawned the server, once the server is gone.
    _keeper: Keeper,
}

/// Why one attempt to start came to nothing.
enum Attempt {
    PortTaken(u16),
    StillInUse,
    Failed(StartError),
}

impl From<StartError> for Attempt {
    fn from(error: StartError) -> Self {
        Self::Failed(error)
    }
}

impl Server {
    /// Starts the server and waits until it is ready and answers on its port.
    pub(crate) fn start(
        folder: &DataFolder,
        binaries: &Binaries,
        account: &Account,
        settings: &Settings,
    ) -> Result<Self, StartError> {
        let log = folder.open_log()?;
        let orphan_deadline = Instant::now() + ORPHAN_SHUTDOWN;
        let mut ports_tried = 0;
        loop {
            match Self::attempt(folder, &log, binaries, account, settings) {
                Ok(server) => return Ok(server),
                Err(Attempt::Failed(error)) => return Err(error),
                Err(Attempt::PortTaken(port)) => {
                    ports_tried += 1;
                    if settings.port.is_some() || ports_tried == PORT_ATTEMPTS {
                        return Err(StartError::PortTaken { port });
                    }
                }
                Err(Attempt::StillInUse) if Instant::now() < orphan_deadline => {
                    tracing::info!("waiting for the PostgreSQL of a killed parent to finish");
                    thread::sleep(Duration::from_millis(250));
                }
                Err(Attempt::StillInUse) => return Err(folder.in_use(None)),
            }
        }
    }

    fn attempt(
        folder: &DataFolder,
        log: &File,
        binaries: &Binaries,
        account: &Account,
        settings: &Settings,
    ) -> Result<Self, Attempt> {
        let port = match settings.port {
            Some(port) => port,
            None => free_port()?,
        };
        let socket_folder = SocketFolder::for_cluster(&folder.cluster(), account)?;
        // What an earlier attempt said would be taken for this one's.
        log.set_len(0)
            .map_err(StartError::system("empty", folder.log()))?;
        let output = || {
            log.try_clone()
                .map_err(StartError::system("open", folder.log()))
        };
        let mut command = account.command(&binaries.postgres());
        command
            .arg("-D")
            .arg(folder.cluster())
            .args(arguments(settings, port, socket_folder.path()))
            .stdout(output()?)
            .stderr(output()?)
            // Of its own group, so that Ctrl-C in a terminal reaches the parent alone, which then
            // finishes its work before it stops the server.
            .process_group(0);
        let (child, keeper) =
            spawn_kept(command).map_err(StartError::system("run", binaries.postgres()))?;
        let mut server = Self {
            child,
            port,
            folder: folder.clone(),
            finished: false,
            socket_folder,
            _keeper: keeper,
        };
        server.wait_until_ready(settings.start_timeout)?;
        Ok(server)
    }

    fn wait_until_ready(&mut self, timeout: Duration) -> Result<(), Attempt> {
        let address = SocketAddr::from((Ipv4Addr::LOCALHOST, self.port));
        let deadline = Instant::now() + timeout;
        loop {
            if let Some(status) = self.ended()? {
                return Err(self.why_ended(status));
            }
            let ready = PidFile::read(&self.folder.cluster())
                .is_some_and(|file| file.ready && file.pid == self.child.id());
            if ready && TcpStream::connect_timeout(&address, Duration::from_secs(1)).is_ok() {
                return Ok(());
            }
            if Instant::now() >= deadline {
                return Err(Attempt::Failed(StartError::NotReady {
                    waited: timeout,
                    log: self.folder.log(),
                    log_tail: self.folder.log_tail(),
                }));
            }
            thread::sleep(POLL);
        }
    }

    fn why_ended(&self, status: ExitStatus) -> Attempt {
        let log_tail = self.folder.log_tail();
        let says = |text: &str| log_tail.contains(text);
        if says("lock file \"postmaster.pid\" already exists")
            || says("pre-existing shared memory block")
        {
            Attempt::StillInUse
        } else if says("could not bind IPv4 address") && says("Address already in use") {
            Attempt::PortTaken(self.port)
        } else {
            Attempt::Failed(StartError::Ended {
                status,
                log: self.folder.log(),
                log_tail,
            })
        }
    }

    /// How it ended; none while it runs.
    pub(crate) fn ended(&mut self) -> Result<Option<ExitStatus>, StartError> {
        let status = self
            .child
            .try_wait()
            .map_err(StartError::system("wait for", self.folder.log()))?;
        self.finished |= status.is_some();
        Ok(status)
    }

    pub(crate) fn port(&self) -> u16 {
        self.port
    }

    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    pub(crate) fn socket_folder(&self) -> &Path {
        self.socket_folder.path()
    }

    /// Stops the server: fast shutdown, then immediate shutdown, then the end. Does nothing when
    /// it was stopped before.
    pub(crate) fn stop(&mut self) -> Result<(), StopError> {
        if self.finished {
            return Ok(());
        }
        let pid = self.child.id();
        let stopped = self
            .shut_down()
            .map_err(|source| StopError::System { pid, source });
        self.finished = stopped.is_ok();
        let describe = |status| (status, self.folder.log(), self.folder.log_tail());
        match stopped? {
            Shutdown::Fast => Ok(()),
            Shutdown::Before(status) => {
                let (status, log, log_tail) = describe(status);
                Err(StopError::AlreadyEnded {
                    status,
                    log,
                    log_tail,
                })
            }
            Shutdown::Unclean(status) => {
                let (status, log, log_tail) = describe(status);
                Err(StopError::Unclean {
                    status,
                    log,
                    log_tail,
                })
            }
        }
    }

    fn shut_down(&mut self) -> io::Result<Shutdown> {
        if let Some(status) = self.child.try_wait()? {
            return Ok(Shutdown::Before(status));
        }
        for (signal, patience) in [
            (Signal::INT, FAST_SHUTDOWN),
            (Signal::QUIT, IMMEDIATE_SHUTDOWN),
        ] {
            // The child is not yet waited for, so its process id cannot have been given away.
            rustix::process::kill_process(Pid::from_child(&self.child), signal)?;
            if let Some(status) = self.wait_for(patience)? {
                return Ok(if signal == Signal::INT && status.success() {
                    Shutdown::Fast
                } else {
                    Shutdown::Unclean(status)
                });
            }
        }
        self.child.kill()?;
        self.child.wait().map(Shutdown::Unclean)
    }

    fn wait_for(&mut self, patience: Duration) -> io::Result<Option<ExitStatus>> {
        let deadline = Instant::now() + patience;
        loop {
            let status = self.child.try_wait()?;
            if status.is_some() || Instant::now() >= deadline {
                return Ok(status);
            }
            thread::sleep(POLL);
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Err(error) = self.stop() {
            tracing::warn!(%error, "PostgreSQL did not stop cleanly");
        }
    }
}

/// How a server came to its end.
enum Shutdown {
    Fast,
    Before(ExitStatus),
    Unclean(ExitStatus),
}

/// A folder for the server's Unix socket that is short enough for one.
#[derive(Debug)]
enum SocketFolder {
    Cluster(PathBuf),
    Short(TempDir),
}

impl SocketFolder {
    fn for_cluster(cluster: &Path, account: &Account) -> Result<Self, StartError> {
        if fits_a_socket(cluster) {
            return Ok(Self::Cluster(cluster.to_owned()));
        }
        let short = tempfile::Builder::new()
            .prefix("drupeline-socket-")
            .permissions(Permissions::from_mode(0o700))
            .tempdir_in("/tmp")
            .map_err(StartError::system(
                "make a folder for the socket in",
                "/tmp",
            ))?;
        account.take_over(short.path())?;
        Ok(Self::Short(short))
    }

    fn path(&self) -> &Path {
        match self {
            Self::Cluster(path) => path,
            Self::Short(folder) => folder.path(),
        }
    }
}

/// Whether the path of a socket in `folder` is within the system's limit, at the longest port.
fn fits_a_socket(folder: &Path) -> bool {
    folder.as_os_str().len() + "/.s.PGSQL.65535".len() <= LONGEST_SOCKET_PATH
}

fn free_port() -> Result<u16, StartError> {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
        .and_then(|listener| listener.local_addr())
        .map(|address| address.port())
        .map_err(StartError::system("find a free port on", "127.0.0.1"))
}

/// The server's settings as `-c name=value` arguments: they are never stale, unlike those in a
/// configuration file written once.
fn arguments(settings: &Settings, port: u16, socket_folder: &Path) -> Vec<OsString> {
    let lasting = settings.durability == Durability::Lasting;
    let on_if_lasting = if lasting { "on" } else { "off" }.to_owned();
    let named = [
        ("listen_addresses", "127.0.0.1".to_owned()),
        ("port", port.to_string()),
        ("max_connections", settings.max_connections.to_string()),
        (
            "shared_buffers",
            if lasting { "256MB" } else { "128MB" }.to_owned(),
        ),
        ("fsync", on_if_lasting.clone()),
        ("synchronous_commit", on_if_lasting.clone()),
        ("full_page_writes", on_if_lasting),
        ("timezone", "UTC".to_owned()),
        ("log_timezone", "UTC".to_owned()),
        ("ssl", "off".to_owned()),
        // The log is this process's output; routine checkpoints would only swell it.
        ("logging_collector", "off".to_owned()),
        ("log_destination", "stderr".to_owned()),
        ("log_checkpoints", "off".to_owned()),
    ];
    let mut arguments = Vec::with_capacity(2 * named.len() + 2);
    for (name, value) in named {
        arguments.extend(["-c".into(), format!("{name}={value}").into()]);
    }
    arguments.push("-c".into());
    arguments.push(quoted_folder("unix_socket_directories=", socket_folder));
    arguments
}

/// `name` followed by the folder as one quoted item of a list of folders.
fn quoted_folder(name: &str, folder: &Path) -> OsString {
    use std::os::unix::ffi::OsStringExt;
    let mut bytes = format!("{name}\"").into_bytes();
    for &byte in folder.as_os_str().as_bytes() {
        if byte == b'"' {
            bytes.push(b'"');
        }
        bytes.push(byte);
    }
    bytes.push(b'"');
    OsString::from_vec(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings(durability: Durability) -> Settings {
        Settings {
            port: None,
            max_connections: 200,
            durability,
            start_timeout: Duration::from_secs(1),
        }
    }

    #[test]
    fn only_ephemeral_servers_give_up_durability() {
        let has = |durability, setting: &str| {
            arguments(&settings(durability), 5433, Path::new("/s"))
                .iter()
                .any(|a| a == setting)
        };
        for setting in ["fsync", "synchronous_commit", "full_page_writes"] {
            assert!(has(Durability::Lasting, &format!("{setting}=on")));
            assert!(has(Durability::Ephemeral, &format!("{setting}=off")));
        }
        assert!(has(Durability::Lasting, "listen_addresses=127.0.0.1"));
        assert!(has(Durability::Lasting, "port=5433"));
    }

    #[test]
    fn socket_folders_are_one_item_whatever_their_name() {
        assert_eq!(quoted_folder("d=", Path::new("/a,b")), "d=\"/a,b\"");
        assert_eq!(quoted_folder("d=", Path::new("/a\"b")), "d=\"/a\"\"b\"");
    }

    #[test]
    fn long_folders_do_not_hold_a_socket() {
        let of_length = |length: usize| PathBuf::from(format!("/{}", "x".repeat(length - 1)));
        assert!(fits_a_socket(&of_length(92)));
        assert!(!fits_a_socket(&of_length(93)));
    }
}
