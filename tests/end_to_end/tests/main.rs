//! Drupeline over real HTTP and gRPC on a real PostgreSQL.

mod access;
mod contract;
mod crossing;
mod crossing_season;
mod evaluation;
mod identity;
mod pages;
mod story;
mod transport;
