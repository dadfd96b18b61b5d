//! One test per family of outside checks; `cargo test --workspace outside_ -- --nocapture` runs
//! them alone and prints how many cases each compared.

#[path = "biometry/open_data.rs"]
mod biometry_data;
mod compatibility;
mod designs;
mod fruit_set;
mod mixed_models;
mod pedigree;
mod phenology;
mod rights;
mod selection;
mod sites;
mod threshold_models;
mod trials;
