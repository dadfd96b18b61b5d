//! Drupeline over real HTTP and gRPC on a real PostgreSQL.

mod access;
mod contract;
mod crossing;
mod crossing_season;
mod demo;
mod demo_pages;
mod evaluation;
mod evaluation_year;
mod identity;
mod import;
mod pages;
mod pages_story;
mod release;
mod release_forecast;
mod release_rights;
mod story;
mod transport;
