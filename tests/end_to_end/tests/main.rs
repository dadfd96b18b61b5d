//! Drupeline over real HTTP and gRPC on a real PostgreSQL.

mod access;
mod contract;
mod identity;
mod story;
mod transport;
