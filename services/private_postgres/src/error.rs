use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitStatus;
use std::time::Duration;

/// Why a private server did not start. Each message says what to do about it.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// Neither the versioned folders nor `PATH` hold a PostgreSQL server.
    #[error(
        "no PostgreSQL server is installed (looked for initdb and postgres in {searched}): \
         install it with `apt-get install postgresql`, or name the folder of its programs in \
         {variable}",
        variable = crate::BINARIES_VARIABLE
    )]
    NotFound {
        /// The places searched, as words.
        searched: String,
    },
    /// The folder given for PostgreSQL's programs lacks one of them.
    #[error(
        "the folder given for PostgreSQL's programs, {folder}, has no `{missing}`: name the folder \
         that holds both initdb and postgres, or leave it out after \
         `apt-get install postgresql`",
        folder = folder.display()
    )]
    FolderLacks {
        /// The folder given.
        folder: PathBuf,
        /// The program that is not in it.
        missing: &'static str,
    },
    /// A program is there but the account that has to run it cannot.
    #[error(
        "{program} cannot be run by the account {account} ({source}): make it executable and its \
         folders passable for that account, or install PostgreSQL with \
         `apt-get install postgresql`",
        program = program.display()
    )]
    NotExecutable {
        /// The program.
        program: PathBuf,
        /// The account it was to run as.
        account: String,
        /// What the system said.
        source: io::Error,
    },
    /// A program does not answer `--version` as PostgreSQL does.
    #[error(
        "{program} is not a PostgreSQL program (it answers {answer:?} when asked for its \
         version): name the folder of a real one, or `apt-get install postgresql`",
        program = program.display()
    )]
    NotPostgres {
        /// The program.
        program: PathBuf,
        /// Its answer.
        answer: String,
    },
    /// `initdb` and `postgres` are of different versions.
    #[error(
        "{folder} mixes versions: initdb is {initdb}, postgres is {postgres}; both must come from \
         one installation (`apt-get install --reinstall postgresql`)",
        folder = folder.display()
    )]
    MixedVersions {
        /// The folder of both.
        folder: PathBuf,
        /// Version of `initdb`.
        initdb: String,
        /// Version of `postgres`.
        postgres: String,
    },
    /// The installed PostgreSQL is older than [`OLDEST_MAJOR`](crate::OLDEST_MAJOR).
    #[error(
        "{folder} holds PostgreSQL {version}, but {oldest} or newer is needed: \
         `apt-get install postgresql` from a current release",
        folder = folder.display(),
        oldest = crate::OLDEST_MAJOR
    )]
    TooOld {
        /// The folder of the programs.
        folder: PathBuf,
        /// Their version.
        version: String,
    },
    /// The data were written by another major version than the programs found.
    #[error(
        "the data in {cluster} were written by PostgreSQL {data_major}, but {folder} holds \
         {program_major}: `apt-get install postgresql-{data_major}`, or upgrade the data with \
         pg_upgrade",
        cluster = cluster.display(),
        folder = folder.display()
    )]
    OtherMajor {
        /// PostgreSQL's data folder.
        cluster: PathBuf,
        /// Major version that wrote the data.
        data_major: u32,
        /// The folder of the programs.
        folder: PathBuf,
        /// Their major version.
        program_major: u32,
    },
    /// Started by root on a machine that has no account to run a server as.
    #[error(
        "PostgreSQL does not run as root, and this machine has neither a `postgres` nor a \
         `nobody` account: `apt-get install postgresql` makes the first, or start as another user"
    )]
    NoAccount,
    /// A folder above the data keeps the server's account out.
    #[error(
        "the account {account} cannot pass through {folder} (mode {mode:04o}) to the data in \
         {data_dir}: `chmod o+x {folder}`, or name a data folder elsewhere, such as \
         /var/lib/drupeline",
        folder = folder.display(),
        data_dir = data_dir.display()
    )]
    Impassable {
        /// The topmost folder that keeps the account out.
        folder: PathBuf,
        /// Its permission bits.
        mode: u32,
        /// The account that runs the server.
        account: String,
        /// The data folder asked for.
        data_dir: PathBuf,
    },
    /// The data belong to an account the server cannot run as.
    #[error(
        "the data in {cluster} belong to {owner}, not to {wanted}: start as the user who made \
         them, or hand them over with `chown -R {wanted} {cluster}`",
        cluster = cluster.display()
    )]
    OtherOwner {
        /// PostgreSQL's data folder.
        cluster: PathBuf,
        /// The account that owns it.
        owner: String,
        /// The account that the server would run as.
        wanted: String,
    },
    /// The folder holds something that `initdb` did not finish or did not make.
    #[error(
        "{cluster} exists but holds no PostgreSQL data (no PG_VERSION): move it away, or name \
         another data folder",
        cluster = cluster.display()
    )]
    NotACluster {
        /// The folder where PostgreSQL's data should be.
        cluster: PathBuf,
    },
    /// A server already runs on this data folder.
    #[error(
        "the data folder {data_dir} is in use: {}; stop that process first, or name another data \
         folder",
        who_runs(*server_pid, *parent_pid),
        data_dir = data_dir.display()
    )]
    InUse {
        /// The data folder asked for.
        data_dir: PathBuf,
        /// Process id of the PostgreSQL that runs there, where known.
        server_pid: Option<u32>,
        /// Process id of the process that started it, where known.
        parent_pid: Option<u32>,
    },
    /// The port asked for is taken.
    #[error(
        "port {port} on 127.0.0.1 is taken by another process: choose another port for \
         PostgreSQL, or none to have a free one picked"
    )]
    PortTaken {
        /// The port.
        port: u16,
    },
    /// `initdb` or the single-user server failed.
    #[error("{program} failed on {folder} ({status}):\n{output}", folder = folder.display())]
    SetUp {
        /// Which program.
        program: &'static str,
        /// The folder it worked on.
        folder: PathBuf,
        /// How it ended.
        status: ExitStatus,
        /// The last lines of what it said.
        output: String,
    },
    /// The server ended while starting.
    #[error("PostgreSQL ended while starting ({status}); {} ends with:\n{log_tail}", log.display())]
    Ended {
        /// How it ended.
        status: ExitStatus,
        /// The server's log.
        log: PathBuf,
        /// The log's last lines.
        log_tail: String,
    },
    /// The server did not become ready in time and was stopped.
    #[error(
        "PostgreSQL was not ready after {} s and was stopped (a longer start timeout may be needed \
         after a crash); {} ends with:\n{log_tail}",
        waited.as_secs(),
        log.display()
    )]
    NotReady {
        /// How long it was given.
        waited: Duration,
        /// The server's log.
        log: PathBuf,
        /// The log's last lines.
        log_tail: String,
    },
    /// The system refused something.
    #[error("cannot {action} {path}: {source}", path = path.display())]
    System {
        /// What was tried, as a verb phrase.
        action: &'static str,
        /// On what.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

impl StartError {
    /// Names the action and the path of a failed system call.
    pub(crate) fn system(
        action: &'static str,
        path: impl AsRef<Path>,
    ) -> impl FnOnce(io::Error) -> Self {
        let path = path.as_ref().to_owned();
        move |source| Self::System {
            action,
            path,
            source,
        }
    }
}

fn who_runs(server_pid: Option<u32>, parent_pid: Option<u32>) -> String {
    match (server_pid, parent_pid) {
        (Some(server), Some(parent)) => {
            format!(
                "PostgreSQL (pid {server}) runs there, started by the process with pid {parent}"
            )
        }
        (Some(server), None) => format!("PostgreSQL (pid {server}) runs there"),
        (None, Some(parent)) => {
            format!("the process with pid {parent} is starting PostgreSQL there")
        }
        (None, None) => "another process runs PostgreSQL there".to_owned(),
    }
}

/// Why stopping a server was not clean. The server is gone in every case, and the next start
/// recovers what was committed.
#[derive(Debug, thiserror::Error)]
pub enum StopError {
    /// The server had ended by itself before it was asked to stop.
    #[error("PostgreSQL had already ended ({status}); {} ends with:\n{log_tail}", log.display())]
    AlreadyEnded {
        /// How it ended.
        status: ExitStatus,
        /// The server's log.
        log: PathBuf,
        /// The log's last lines.
        log_tail: String,
    },
    /// The server did not shut down in an orderly way when asked to.
    #[error(
        "PostgreSQL did not shut down cleanly ({status}); the next start recovers from its log; \
         {} ends with:\n{log_tail}",
        log.display()
    )]
    Unclean {
        /// How it ended.
        status: ExitStatus,
        /// The server's log.
        log: PathBuf,
        /// The log's last lines.
        log_tail: String,
    },
    /// The system refused to signal or wait for the server.
    #[error("cannot stop PostgreSQL (pid {pid}): {source}")]
    System {
        /// Process id of the server.
        pid: u32,
        /// What the system said.
        source: io::Error,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_server_names_the_package_and_the_variable() {
        let message = StartError::NotFound {
            searched: "PATH".into(),
        }
        .to_string();
        assert!(message.contains("apt-get install postgresql"), "{message}");
        assert!(message.contains("DRUPELINE_POSTGRES_BIN"), "{message}");
    }

    #[test]
    fn a_folder_in_use_names_both_processes() {
        let in_use = |server_pid, parent_pid| {
            StartError::InUse {
                data_dir: "/data".into(),
                server_pid,
                parent_pid,
            }
            .to_string()
        };
        let both = in_use(Some(12), Some(10));
        assert!(both.contains("/data") && both.contains("pid 12") && both.contains("pid 10"));
        assert!(in_use(None, Some(10)).contains("pid 10 is starting"));
        assert!(in_use(Some(12), None).contains("stop that process first"));
    }
}
