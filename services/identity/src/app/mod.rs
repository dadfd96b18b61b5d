//! The use cases, one function each.

pub mod access_keys;
pub mod audit;
pub mod organisations;
pub mod passwords;
pub mod people;
pub mod second_factors;
pub mod sessions;
pub mod sign_in;
pub mod signing_keys;
mod tokens;
