//! Designs, mixed models, selection and exact tests for breeding trials.
//!
//! Everything here is pure: no input or output, no clock, no global state; randomness comes from
//! a seed parameter, so the same input gives the same bits.

pub mod animal;
pub mod anova;
pub mod augmented;
pub mod data;
pub mod designs;
pub mod formula;
pub mod fruit_set;
pub mod germination;
pub mod gxe;
pub mod heritability;
pub mod mixed;
pub mod selection;
pub mod threshold;
