//! What every Drupeline service stands on.
//!
//! A request takes one way through here, whichever skin it came by:
//!
//! 1. [`gate`] makes an [`access::Caller`] of the credentials, holds it against the permission that
//!    the operation declares, and finds it a place, before the body is read;
//! 2. [`skin`] turns the body into a request message, within bounds;
//! 3. [`unit`] opens a transaction scoped to the caller's programme and partner;
//! 4. [`retry`] answers a repeated request with the first reply;
//! 5. the use case runs, and what it wrote is audited, remembered and committed together; when it
//!    only met other writers, all of it is done anew ([`operation::execute`]).
//!
//! A use case sees the database through its [`unit::Unit`] alone, and only step 3 makes one.

pub mod access;
pub mod audit;
pub mod batch;
pub mod clock;
pub mod compute;
pub mod config;
pub mod connection;
pub mod database;
pub mod door;
pub mod fault;
pub mod feed;
pub mod fields;
pub mod gate;
pub mod health;
pub mod ids;
pub mod numbering;
pub mod openapi;
pub mod operation;
pub mod origin;
pub mod ownership;
pub mod paging;
pub mod peers;
pub mod quota;
pub mod reading;
pub mod refusals;
pub mod retry;
mod secrets;
pub mod server;
pub mod sheet;
pub mod skin;
pub mod steady;
pub mod stream;
pub mod sweep;
pub mod telemetry;
pub mod text;
pub mod token;
pub mod unit;
pub mod wire;

pub use access::{Caller, Permission, Role};
pub use clock::Clock;
pub use fault::{Fault, FieldError};
pub use fields::Fields;
pub use ids::{OrganisationId, PersonId, ProgrammeId};
pub use operation::{App, Context};
pub use unit::Unit;

/// Re-exports for the macros of this crate.
#[doc(hidden)]
pub mod reexport {
    pub use axum;
    pub use tonic;
    pub use utoipa;
    pub use uuid;
}
