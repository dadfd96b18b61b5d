//! Drupeline over real HTTP and gRPC on a real PostgreSQL.

mod access;
mod contract;
mod evaluation;
mod evaluation_year;
mod identity;
mod story;
mod transport;
