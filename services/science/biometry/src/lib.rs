//! Designs, mixed models, selection and exact tests for breeding trials.
//!
//! Everything here is pure: no input or output, no clock, no global state; randomness comes from
//! a seed parameter, so the same input gives the same bits.
//!
//! Which analysis stands where:
//!
//! | question | call |
//! |---|---|
//! | what a trial says of its entries, model chosen by its design | [`trial::figures`] |
//! | measured trait, plots or trees | [`mixed::fit`] |
//! | binary trait or notes in order | [`threshold::fit`] with [`threshold::ThresholdModel::binary`] or [`threshold::ThresholdModel::ordinal`] |
//! | entries across sites, one stage | [`sites::fit`] with [`sites::BetweenSites`] |
//! | entries across sites, two stages | [`sites::two_stage::fit`] |
//! | breeding values by pedigree | [`animal::fit`], [`animal::gradients`] for very many plants |
//! | interaction table, also with empty cells | [`gxe::Table`] |
//! | fixed effects by t, few records or many | [`mixed::Fit::fixed_inference`] with [`mixed::DenominatorDf::Automatic`] |

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
pub mod sites;
pub mod threshold;
pub mod trial;
