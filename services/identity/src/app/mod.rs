//! The use cases, one function each.

pub mod organisations;
pub mod people;
pub mod sessions;
