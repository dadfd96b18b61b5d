//! Types and rules of the way to release; no I/O.

pub mod audit;
pub mod denomination;
pub mod dossier;
pub mod forecast;
pub mod gate;
pub mod groups;
pub mod known_names;
pub mod money;
pub mod reporting;
pub mod seal;
pub mod stage;
pub mod tags;
pub mod territory;
pub mod webhook;
pub mod words;

platform::ids! {
    /// A candidate for release.
    CandidateId for CandidateKind,
    /// A plant of the crossing service.
    PlantId for PlantKind,
    /// A cross of the crossing service.
    CrossId for CrossKind,
    /// One move between stages.
    StageMoveId for StageMoveKind,
    /// Something made known or handed over.
    DisclosureId for DisclosureKind,
    /// A count of trees or budwood at a place.
    MaterialId for MaterialKind,
    /// An application before an office.
    FilingId for FilingKind,
    /// An event in the life of a filing.
    FilingEventId for FilingEventKind,
    /// A denomination proposed for a candidate.
    DenominationId for DenominationKind,
    /// A trade designation.
    TradeDesignationId for TradeDesignationKind,
    /// A licence.
    LicenceId for LicenceKind,
    /// A propagation report.
    ReportId for ReportKind,
    /// A royalty statement.
    StatementId for StatementKind,
    /// A testing agreement.
    AgreementId for AgreementKind,
    /// The settlement of trees held for test.
    SettlementId for SettlementKind,
    /// A link under which a calendar program reads due dates.
    CalendarLinkId for CalendarLinkKind,
    /// A count of trees on the ground.
    InspectionId for InspectionKind,
    /// A denomination of others.
    KnownNameId for KnownNameKind,
    /// A subscription to events.
    WebhookId for WebhookKind,
    /// One event on its way to one webhook.
    DeliveryId for DeliveryKind,
}
