//! Every operation of this service: address, permission and use case.

use contract::common::{Document, Empty, FeedPage, ReadFeedRequest};
use contract::release::{
    AddTradeDesignationRequest, AmendLicenceRequest, AmendTerritoryGroupRequest,
    AnnounceDueDatesRequest, AskClockRequest, AskWhatIfRequest, CalendarLink, CalendarLinkList,
    Candidate, CandidateList, CandidateRights, CheckDenominationRequest, ClockAnswer, ComingList,
    Confidentiality, ConfirmDueDateRequest, CountMaterialRequest, CreateCalendarLinkRequest,
    CreateWebhookRequest, DefineTerritoryGroupRequest, Denomination, DenominationFindings,
    Disclosure, DueDate, DueDateList, DueDatesAnnounced, EditCandidateRequest, EditWebhookRequest,
    EndLicenceRequest, EndWebhookRequest, Filing, FilingList, GetCalendarRequest,
    GetCandidateRequest, GetCandidateRightsRequest, GetConfidentialityRequest, GetForecastRequest,
    GetLicenceRequest, GetLinkedCalendarRequest, GetPipelineRequest, GetReleaseStatusRequest,
    GetWebhookRequest, GrantLicenceRequest, ImportKnownNamesRequest, Inspection, InspectionList,
    IssueLabelRequest, JurisdictionList, KnownNameList, KnownNamesTaken, LabelAnswer, Licence,
    LicenceList, ListCalendarLinksRequest, ListCandidatesRequest, ListComingRequest,
    ListDueDatesRequest, ListFilingsRequest, ListInspectionsRequest, ListJurisdictionsRequest,
    ListKnownNamesRequest, ListLicencesRequest, ListPartnerReportsRequest,
    ListPropagationReportsRequest, ListRoyaltyStatementsRequest, ListStageGatesRequest,
    ListTerritoryGroupsRequest, ListTestingAgreementsRequest, ListWebhookDeliveriesRequest,
    ListWebhooksRequest, MakeTestingAgreementRequest, MaterialCount, MoveCandidateRequest,
    MoveDenominationRequest, PartnerReportList, Pipeline, PrintTagsRequest, PropagationReport,
    PropagationReportList, ProposeDenominationRequest, RecordDisclosureRequest,
    RecordFilingEventRequest, RecordFilingRequest, RecordGrantRequest, RecordInspectionRequest,
    RedeliverWebhookRequest, RegisterCandidateRequest, ReleaseForecast, ReleaseStatusPage,
    RenewWebhookSecretRequest, ReportPropagationRequest, RevokeCalendarLinkRequest,
    RoyaltyStatement, RoyaltyStatementList, SetStageGateRequest, SettleTestingAgreementRequest,
    SignedLabel, StageGate, StageGateList, StageMove, StateRoyaltyRequest, TerritoryGroup,
    TerritoryGroupList, TestWebhookRequest, TestingAgreement, TestingAgreementList,
    TradeDesignation, VerifyLabelRequest, Webhook, WebhookDelivery, WebhookDeliveryList,
    WebhookList, WhatIfReply,
};

use crate::{ReleaseApp, app};

platform::operations! {
    app: ReleaseApp,
    service: "release", root: "/api/release/v1",
    grpc: contract::release::release_server::Release,

    /// Register a candidate for release; its line of descent is asked of the crossing service.
    POST "/candidates" register_candidate(RegisterCandidateRequest) -> Candidate,
        may MoveCandidates, Create => app::candidates::register;
    /// List candidates, by stage or crossing year.
    GET "/candidates" list_candidates(ListCandidatesRequest) -> CandidateList,
        may ReadPipeline, Read => app::candidates::list;
    /// One candidate with its whole line of descent and its history.
    GET "/candidates/{candidate_id}" get_candidate(GetCandidateRequest) -> Candidate,
        may ReadPipeline, Read => app::candidates::get;
    /// Change who is responsible for a candidate and what is known of its standing.
    PUT "/candidates/{candidate_id}" edit_candidate(EditCandidateRequest) -> Candidate,
        may MoveCandidates, Edit => app::candidates::edit;
    /// Move a candidate to another stage, with the reason.
    POST "/candidates/{candidate_id}/stages" move_candidate(MoveCandidateRequest) -> StageMove,
        may MoveCandidates, Create => app::candidates::advance;
    /// Count a candidate's trees or budwood at a place; earlier counts are kept.
    POST "/candidates/{candidate_id}/material" count_material(CountMaterialRequest) -> MaterialCount,
        may MoveCandidates, Create => app::candidates::count_material;
    /// What a candidate must bring to each stage, and who may decide.
    GET "/stage-gates" list_stage_gates(ListStageGatesRequest) -> StageGateList,
        may ReadPipeline, Read => app::gates::list;
    /// Set what a candidate must bring to a stage, and who may decide.
    PUT "/stage-gates/{stage}" set_stage_gate(SetStageGateRequest) -> StageGate,
        may SelectTrees, Edit => app::gates::set;

    /// Record that a candidate was disclosed, offered, sold, published or handed over; answers with the clocks this started.
    POST "/candidates/{candidate_id}/disclosures" record_disclosure(RecordDisclosureRequest) -> Disclosure,
        may KeepRights, Create => app::disclosures::record;
    /// What was disclosed of a candidate, to whom and when, with material held by others.
    GET "/candidates/{candidate_id}/confidentiality" get_confidentiality(GetConfidentialityRequest) -> Confidentiality,
        may ReadPipeline, Read => app::disclosures::confidentiality;
    /// What a disclosure or sale would change, without storing anything.
    POST "/candidates/{candidate_id}/what-if" ask_what_if(AskWhatIfRequest) -> WhatIfReply,
        may ReadPipeline, Read => app::standing::what_if;
    /// Every way to protection of a candidate as of a day: open or closing, filed, granted, due dates and expiry.
    GET "/candidates/{candidate_id}/rights" get_candidate_rights(GetCandidateRightsRequest) -> CandidateRights,
        may ReadPipeline, Read => app::standing::rights;
    /// Answer a clock of plant rights from the events told, without stored data.
    POST "/rights:clock" ask_clock(AskClockRequest) -> ClockAnswer,
        may SignedIn, Read => app::clock::ask;
    /// The jurisdictions and rights that are covered, with the laws behind them.
    GET "/jurisdictions" list_jurisdictions(ListJurisdictionsRequest) -> JurisdictionList,
        may SignedIn, Read => app::clock::jurisdictions;

    /// Record the filing of an application.
    POST "/candidates/{candidate_id}/filings" record_filing(RecordFilingRequest) -> Filing,
        may KeepRights, Create => app::filings::record;
    /// Record the grant of a right that was filed.
    POST "/filings/{filing_id}/grants" record_grant(RecordGrantRequest) -> Filing,
        may KeepRights, Create => app::filings::grant;
    /// Record another event in the life of a filing: publication, examination, annual fee, lapse, surrender and the like.
    POST "/filings/{filing_id}/events" record_filing_event(RecordFilingEventRequest) -> Filing,
        may KeepRights, Create => app::filings::record_event;
    /// List filings, of one candidate or all.
    GET "/filings" list_filings(ListFilingsRequest) -> FilingList,
        may ReadPipeline, Read => app::filings::list;
    /// Due dates of all candidates in order of the safe day.
    GET "/due-dates" list_due_dates(ListDueDatesRequest) -> DueDateList,
        may ReadPipeline, Read => app::due_dates::list;
    /// Confirm that a due date was met, with the evidence.
    POST "/candidates/{candidate_id}/due-dates/{key}/done" confirm_due_date(ConfirmDueDateRequest) -> DueDate,
        may KeepRights, Create => app::due_dates::confirm;

    /// Due dates as an iCalendar feed (RFC 5545).
    GET "/calendar.ics" get_calendar(GetCalendarRequest) -> Document,
        may ReadPipeline, Document => app::calendar::get;
    /// Make a signed link under which a calendar program can read the due dates; it can be revoked.
    POST "/calendar-links" create_calendar_link(CreateCalendarLinkRequest) -> CalendarLink,
        may ReadPipeline, Create => app::calendar::create_link;
    /// One's own calendar links; everybody's for the programme's administrator.
    GET "/calendar-links" list_calendar_links(ListCalendarLinksRequest) -> CalendarLinkList,
        may ReadPipeline, Read => app::calendar::list_links;
    /// Revoke a calendar link of one's own; any for the programme's administrator.
    DELETE "/calendar-links/{calendar_link_id}" revoke_calendar_link(RevokeCalendarLinkRequest) -> Empty,
        may ReadPipeline, Act => app::calendar::revoke_link;
    /// The iCalendar feed under a signed link.
    GET "/calendars/{link_token}/calendar.ics" get_linked_calendar(GetLinkedCalendarRequest) -> Document,
        may Anyone, Document => app::calendar::linked;

    /// Check a proposed denomination against known names and the principles that a machine can test.
    POST "/denominations:check" check_denomination(CheckDenominationRequest) -> DenominationFindings,
        may ReadPipeline, Read => app::denominations::check;
    /// Propose a denomination for a candidate; it is checked at once.
    POST "/candidates/{candidate_id}/denominations" propose_denomination(ProposeDenominationRequest) -> Denomination,
        may KeepRights, Create => app::denominations::propose;
    /// Move a denomination along: checked, published, refused or replaced.
    POST "/denominations/{denomination_id}/states" move_denomination(MoveDenominationRequest) -> Denomination,
        may KeepRights, Create => app::denominations::advance;
    /// Note a trade designation, which is never a denomination.
    POST "/candidates/{candidate_id}/trade-designations" add_trade_designation(AddTradeDesignationRequest) -> TradeDesignation,
        may KeepRights, Create => app::denominations::add_trade_designation;

    /// Grant a licence; an exclusive one that overlaps another is refused.
    POST "/licences" grant_licence(GrantLicenceRequest) -> Licence,
        may KeepLicences, Create => app::licences::grant;
    /// List licences, by candidate or licensee.
    GET "/licences" list_licences(ListLicencesRequest) -> LicenceList,
        may ReadPipeline, Read => app::licences::list;
    /// One licence with its history.
    GET "/licences/{licence_id}" get_licence(GetLicenceRequest) -> Licence,
        may ReadPipeline, Read => app::licences::get;
    /// Amend a licence from a day on; what held before is kept.
    PUT "/licences/{licence_id}" amend_licence(AmendLicenceRequest) -> Licence,
        may KeepLicences, Edit => app::licences::amend;
    /// End a licence on a day.
    POST "/licences/{licence_id}/end" end_licence(EndLicenceRequest) -> Licence,
        may KeepLicences, Act => app::licences::end;
    /// Groups of countries that licences may name: those that come with the program and the programme's own.
    GET "/territory-groups" list_territory_groups(ListTerritoryGroupsRequest) -> TerritoryGroupList,
        may ReadPipeline, Read => app::groups::list;
    /// Define a group of countries or parts of countries of the programme's own.
    POST "/territory-groups" define_territory_group(DefineTerritoryGroupRequest) -> TerritoryGroup,
        may KeepLicences, Create => app::groups::define;
    /// Change a group of the programme's own; licences granted before keep the countries they came to then.
    PUT "/territory-groups/{code}" amend_territory_group(AmendTerritoryGroupRequest) -> TerritoryGroup,
        may KeepLicences, Edit => app::groups::amend;

    /// Report trees propagated in a period; above the cap it is recorded and flagged.
    POST "/propagation-reports" report_propagation(ReportPropagationRequest) -> PropagationReport,
        may ReportPropagation, Create => app::reports::report;
    /// List propagation reports.
    GET "/propagation-reports" list_propagation_reports(ListPropagationReportsRequest) -> PropagationReportList,
        may ReadPipeline, Read => app::reports::list;
    /// Compute and keep a royalty statement; a correction is a new statement.
    POST "/royalty-statements" state_royalty(StateRoyaltyRequest) -> RoyaltyStatement,
        may KeepLicences, Create => app::royalties::state;
    /// List royalty statements.
    GET "/royalty-statements" list_royalty_statements(ListRoyaltyStatementsRequest) -> RoyaltyStatementList,
        may ReadPipeline, Read => app::royalties::list;

    /// What a partner may know and do: per candidate the licences, how many trees, until when, with which marking.
    GET "/partner/release-status" get_release_status(GetReleaseStatusRequest) -> ReleaseStatusPage,
        may AskReleaseStatus, Steady => app::partner::release_status;
    /// A partner's own propagation reports and royalty statements.
    GET "/partner/reports" list_partner_reports(ListPartnerReportsRequest) -> PartnerReportList,
        may AskReleaseStatus, Read => app::partner::reports;
    /// What is coming that a partner may know of: reports and minimums due, licences that begin and end, trees to give back, rights that end.
    GET "/partner/coming" list_coming(ListComingRequest) -> ComingList,
        may AskReleaseStatus, Read => app::coming::list;

    /// Agree that somebody holds trees of a candidate for test.
    POST "/testing-agreements" make_testing_agreement(MakeTestingAgreementRequest) -> TestingAgreement,
        may KeepLicences, Create => app::agreements::make;
    /// List testing agreements: who holds how many trees where, until when.
    GET "/testing-agreements" list_testing_agreements(ListTestingAgreementsRequest) -> TestingAgreementList,
        may ReadPipeline, Read => app::agreements::list;
    /// Record that trees held for test were returned or destroyed, with the evidence.
    POST "/testing-agreements/{agreement_id}/settlements" settle_testing_agreement(SettleTestingAgreementRequest) -> TestingAgreement,
        may KeepLicences, Create => app::agreements::settle;

    /// Issue a signed label for a licensed nursery's trees.
    POST "/labels" issue_label(IssueLabelRequest) -> SignedLabel,
        may ReportPropagation, Create => app::labels::issue;
    /// What a signed label may tell anyone: whether the denomination is protected here and licensed to this nursery now.
    GET "/labels/{label_token}" verify_label(VerifyLabelRequest) -> LabelAnswer,
        may Anyone, Read => app::labels::verify;
    /// Tags for a label's trees as PDF: denomination, marking, licensee, and the QR code of the page that anyone can ask.
    GET "/labels/{label_token}/tags.pdf" print_tags(PrintTagsRequest) -> Document,
        may ReportPropagation, Document => app::labels::print;

    /// Count trees on the ground under a licence; answers with what was reported, the difference and whether it is flagged.
    POST "/inspections" record_inspection(RecordInspectionRequest) -> Inspection,
        may KeepLicences, Create => app::inspections::record;
    /// List inspections, newest first.
    GET "/inspections" list_inspections(ListInspectionsRequest) -> InspectionList,
        may ReadPipeline, Read => app::inspections::list;

    /// Take in a list of known denominations as CSV, against which proposals are checked.
    POST "/known-names" import_known_names(ImportKnownNamesRequest) -> KnownNamesTaken,
        may KeepRights, Act => app::known_names::import;
    /// List the known denominations taken in.
    GET "/known-names" list_known_names(ListKnownNamesRequest) -> KnownNameList,
        may ReadPipeline, Read => app::known_names::list;

    /// Subscribe an address to events; the reply holds the secret that deliveries are signed with, once.
    POST "/webhooks" create_webhook(CreateWebhookRequest) -> Webhook,
        may KeepWebhooks, Secret => app::webhooks::create;
    /// List webhooks.
    GET "/webhooks" list_webhooks(ListWebhooksRequest) -> WebhookList,
        may KeepWebhooks, Read => app::webhooks::list;
    /// One webhook.
    GET "/webhooks/{webhook_id}" get_webhook(GetWebhookRequest) -> Webhook,
        may KeepWebhooks, Read => app::webhooks::get;
    /// Change where a webhook leads, what it tells, or whether it is switched on.
    PUT "/webhooks/{webhook_id}" edit_webhook(EditWebhookRequest) -> Webhook,
        may KeepWebhooks, Edit => app::webhooks::edit;
    /// End a webhook; what still waits is not delivered.
    DELETE "/webhooks/{webhook_id}" end_webhook(EndWebhookRequest) -> Empty,
        may KeepWebhooks, Act => app::webhooks::end;
    /// Make a new secret; for a day both the new one and the one before sign.
    POST "/webhooks/{webhook_id}/secrets" renew_webhook_secret(RenewWebhookSecretRequest) -> Webhook,
        may KeepWebhooks, Secret => app::webhooks::renew_secret;
    /// Send a trial event to a webhook.
    POST "/webhooks/{webhook_id}/tests" test_webhook(TestWebhookRequest) -> WebhookDelivery,
        may KeepWebhooks, Create => app::webhooks::test;
    /// List a webhook's deliveries with their attempts, newest first.
    GET "/webhooks/{webhook_id}/deliveries" list_webhook_deliveries(ListWebhookDeliveriesRequest) -> WebhookDeliveryList,
        may KeepWebhooks, Read => app::webhooks::deliveries;
    /// Deliver again, under the same id.
    POST "/webhooks/{webhook_id}/deliveries/{delivery_id}/again" redeliver_webhook(RedeliverWebhookRequest) -> WebhookDelivery,
        may KeepWebhooks, Act => app::webhooks::redeliver;
    /// Announce due dates that came near or were reached and were not announced before; for services only.
    POST "/due-dates:announce" announce_due_dates(AnnounceDueDatesRequest) -> DueDatesAnnounced,
        may Services, Act => app::due_dates::announce;

    /// The pipeline as a whole: counts by stage and crossing year, seasons to release, dates due soon, licences by territory.
    GET "/pipeline" get_pipeline(GetPipelineRequest) -> Pipeline,
        may ReadPipeline, Read => app::pipeline::get;
    /// Forecast of releases per year from the programme's own history.
    GET "/forecast" get_forecast(GetForecastRequest) -> ReleaseForecast,
        may ReadPipeline, Read => app::forecast::get;

    /// What this service has announced since a position; for services only.
    GET "/feed" read_feed(ReadFeedRequest) -> FeedPage,
        may Services, Read => app::feed::read;

    /// Who wrote what in this service, newest first.
    GET "/audit" list_audit(contract::common::ListAuditRequest) -> contract::common::AuditPage,
        may ReadAudit, Read => app::audit::list;
}
