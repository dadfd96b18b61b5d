//! The one program: starts, serves, migrates, loads and imports.
//!
//! [`assembly`] joins services into one router; [`up`], [`serve`], [`migrate`] and [`backup`] are what
//! the commands of the same names do.

pub mod assembly;
pub mod backup;
pub mod bench;
pub mod command;
pub mod demo;
pub mod host;
pub mod import;
pub mod installation;
pub mod labels;
pub mod migrate;
pub mod serve;
pub mod settings;
pub mod stopping;
pub mod up;
pub mod verify_audit;
