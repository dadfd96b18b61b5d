//! Drupeline over real HTTP and gRPC on a real PostgreSQL.

mod access;
mod identity;
mod transport;
