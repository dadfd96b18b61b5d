//! The use cases, one function each: they take the application, an open unit of work and what is
//! asked, and leave the transaction, the permission and the retry to the platform.

pub mod advance;
pub mod analyses;
pub mod assessors;
pub mod audit;
pub mod decisions;
pub mod feed;
pub mod figures;
pub mod following;
mod ground;
pub mod index;
pub mod layouts;
pub mod means;
pub mod photos;
pub mod plans;
mod plants;
pub mod ranking;
pub mod record_file;
pub mod records;
pub mod sites;
pub mod stability;
pub mod summaries;
pub mod traits;
pub mod trees;
pub mod trials;
pub mod worker;
