//! Drupeline over real HTTP and gRPC on a real PostgreSQL.

mod access;
mod contract;
mod crossing;
mod evaluation;
mod evaluation_year;
mod identity;
mod pages;
mod pages_story;
mod release;
mod story;
mod transport;
