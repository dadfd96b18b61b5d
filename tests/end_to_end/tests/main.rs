//! Drupeline over real HTTP and gRPC on a real PostgreSQL.

mod access;
mod contract;
mod crossing_season;
mod identity;
mod story;
mod transport;
