//! The use cases, one function each.

pub mod access_keys;
pub mod audit;
pub mod organisations;
pub mod people;
pub mod sessions;
