//! Drupeline over real HTTP and gRPC on a real PostgreSQL.

mod access;
mod contract;
mod crossing;
mod crossing_season;
mod evaluation;
mod evaluation_year;
mod identity;
mod pages;
mod release;
mod story;
mod transport;
