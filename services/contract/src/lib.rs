//! The contract of Drupeline's services, generated from `proto/`.
//!
//! Every message is at once a protobuf message, a JSON document and an OpenAPI schema, so that the
//! REST and the gRPC skin of a service cannot drift apart. Ids, dates and words from a fixed set
//! travel as text; the service that receives them parses them into its own types and reports every
//! fault with the field's name.

#![allow(missing_docs, clippy::all, reason = "generated code")]

pub mod lenient;
pub mod shape;

/// The generated modules, in the shape of the proto packages.
pub mod drupeline {
    /// Messages that more than one service uses.
    pub mod common {
        pub mod v1 {
            tonic::include_proto!("drupeline.common.v1");
        }
    }

    /// People, organisations, roles, tokens and keys.
    pub mod identity {
        pub mod v1 {
            tonic::include_proto!("drupeline.identity.v1");
        }
    }

    /// Germplasm, pollen, mothers, crosses, passes, fruit, seed and seedlings.
    pub mod crossing {
        pub mod v1 {
            tonic::include_proto!("drupeline.crossing.v1");
        }
    }

    /// Sites, traits, trials, records, analyses and selections.
    pub mod evaluation {
        pub mod v1 {
            tonic::include_proto!("drupeline.evaluation.v1");
        }
    }

    /// Candidates, stages, disclosures, rights, licences and reports.
    pub mod release {
        pub mod v1 {
            tonic::include_proto!("drupeline.release.v1");
        }
    }
}

pub use drupeline::common::v1 as common;
pub use drupeline::crossing::v1 as crossing;
pub use drupeline::evaluation::v1 as evaluation;
pub use drupeline::identity::v1 as identity;
pub use drupeline::release::v1 as release;

/// The descriptors of every file in `proto/`, for reflection and for the check of breaking changes.
pub const DESCRIPTORS: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/descriptors.bin"));

/// A message that knows which of its fields hold secrets; the list of them is in `build.rs`.
pub trait Secrets {
    /// Whether it can hold any.
    const HAS_SECRETS: bool;

    /// Takes the secrets out, so that the rest may be kept.
    fn withhold(&mut self, taken: &mut Vec<String>);
}

/// What stands in the place of a secret.
pub const WITHHELD: &str = "(withheld)";

fn withhold(secret: &mut String, taken: &mut Vec<String>) {
    if !secret.is_empty() {
        taken.push(std::mem::replace(secret, WITHHELD.to_owned()));
    }
}

mod secrets {
    include!(concat!(env!("OUT_DIR"), "/secrets.rs"));
}
