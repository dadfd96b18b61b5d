//! Faults, a room for each kind; see the crate's page.

mod aborted_clients;
mod announcers;
mod bombs;
mod connection_cuts;
mod demo_kills;
mod disk_full;
mod histories;
mod kills;
mod restores;
mod stopped;
mod two_processes;

/// The program to kill.
const PROGRAM: &str = env!("CARGO_BIN_EXE_drupeline-under-fault");
