//! Drupeline over real HTTP and gRPC on a real PostgreSQL.

mod access;
mod contract;
mod crossing;
mod crossing_corrections;
mod crossing_parents;
mod crossing_season;
mod crossing_seed;
mod demo;
mod demo_pages;
mod evaluation;
mod evaluation_blocks;
mod evaluation_pages;
mod identity;
mod import;
mod pages;
mod pages_story;
mod release;
mod release_audits;
mod release_forecast;
mod release_keys;
mod release_labels;
mod release_rights;
mod release_webhooks;
mod story;
mod transport;
