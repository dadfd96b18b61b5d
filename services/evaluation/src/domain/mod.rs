//! Types and rules of trials, without input or output.

pub mod design;
pub mod doubt;
pub mod figures;
pub mod map;
pub mod model;
pub mod record_file;
pub mod residuals;
pub mod standard;
pub mod traits;
pub mod trial;

platform::ids! {
    /// A place where trials stand.
    SiteId for SiteKind,
    /// A trial.
    TrialId for TrialKind,
    /// A tree of a trial.
    TreeId for TreeKind,
    /// Something that became of a tree.
    TreeEventId for TreeEventKind,
    /// A record of one trait on one tree.
    RecordId for RecordKind,
    /// A photograph.
    PhotoId for PhotoKind,
    /// A decision on the entries of a trial.
    DecisionId for DecisionKind,
    /// What was decided on one entry.
    EntryDecisionId for EntryDecisionKind,
    /// An analysis.
    AnalysisId for AnalysisKind,
    /// Figures of a trait, named by what they rest on.
    FiguresId for FiguresKind,
    /// A plant as the crossing service knows it.
    GermplasmId for GermplasmKind,
    /// A cross as the crossing service knows it.
    CrossId for CrossKind,
}
