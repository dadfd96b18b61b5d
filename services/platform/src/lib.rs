//! What every Drupeline service stands on.
//!
//! A request takes one way through here, whichever skin it came by:
//!
//! 1. [`skin`] turns HTTP or gRPC into a request message and [`skin::Credentials`];
//! 2. [`access`] makes a [`access::Caller`] of the credentials and holds it against the permission
//!    that the operation declares;
//! 3. [`unit`] opens a transaction scoped to the caller's programme and partner;
//! 4. [`retry`] answers a repeated request with the first reply;
//! 5. the use case runs, and what it wrote is audited, remembered and committed together.
//!
//! A use case sees the database through its [`unit::Unit`] alone, and only step 3 makes one.

pub mod access;
pub mod audit;
pub mod clock;
pub mod config;
pub mod database;
pub mod fault;
pub mod feed;
pub mod fields;
pub mod ids;
pub mod numbering;
pub mod openapi;
pub mod operation;
pub mod origin;
pub mod paging;
pub mod peers;
pub mod quota;
pub mod refusals;
pub mod retry;
pub mod server;
pub mod sheet;
pub mod skin;
pub mod steady;
pub mod telemetry;
pub mod token;
pub mod unit;

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
