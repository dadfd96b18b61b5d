//! Drupeline over real HTTP and gRPC on a real PostgreSQL.

mod access;
mod contract;
mod evaluation;
mod identity;
mod story;
mod transport;
