//! The use cases, one function each: they take the application, an open unit of work and what is
//! asked, and leave the transaction, the permission and the retry to the platform.

pub mod audit;
pub mod feed;

pub mod pending;
