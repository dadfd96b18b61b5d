//! A private PostgreSQL server: started from the programs installed on the machine, reachable on
//! loopback only, and stopped with the process that started it, however that process ends.
//!
//! Everything here is synchronous and uses no async runtime, so a server can be started from
//! `main` before the runtime exists. Linux only: it relies on the kernel's parent-death signal.
//!
//! A data folder is laid out as follows:
//!
//! | entry | what |
//! |---|---|
//! | `cluster/` | PostgreSQL's own data folder, owned by the account that runs it, mode 0700 |
//! | `superuser-password` | the superuser's random password, mode 0600, owned by the parent |
//! | `server.log`, `server.log.previous` | the server's log since this start and the one before |
//! | `lock` | held while a parent runs a server here; names the parent's process id |
//!
//! ```no_run
//! use private_postgres::{Options, PrivatePostgres, binaries_from_environment};
//!
//! let mut options = Options::lasting("/var/lib/drupeline/postgres");
//! options.binaries = binaries_from_environment();
//! let server = PrivatePostgres::start(options)?;
//! println!("{}", server.url());
//! server.stop()?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod account;
mod binaries;
mod client;
mod cluster;
mod error;
mod folder;
mod kept;
mod private_postgres;
mod server;
mod supervised;

pub use binaries::{BINARIES_VARIABLE, OLDEST_MAJOR, binaries_from_environment};
pub use client::ClientProgram;
pub use error::{StartError, StopError};
pub use private_postgres::{Options, PrivatePostgres, SUPERUSER};
pub use supervised::{Happening, Supervised};

/// Whether this process runs as root, for whom PostgreSQL needs another account and a folder that
/// the account can reach.
pub fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}
