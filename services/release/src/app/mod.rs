//! The use cases, one function each: they take the application, an open unit of work and what is
//! asked, and leave the transaction, the permission and the retry to the platform.

pub mod audit;
pub mod feed;

/// Use cases whose contract stands and whose work is being written.
macro_rules! ahead {
    ($($module:ident { $($name:ident($request:ident) -> $reply:path;)+ })+) => {
        $(
            /// Not served yet.
            pub mod $module {
                use platform::{Fault, Unit};
                use crate::ReleaseApp;
                $(
                    /// Not served yet.
                    pub async fn $name(
                        _app: &ReleaseApp,
                        _unit: &mut Unit,
                        _request: contract::release::$request,
                    ) -> Result<$reply, Fault> {
                        Err(Fault::unavailable("this is not served yet"))
                    }
                )+
            }
        )+
    };
}

ahead! {
    candidates {
        register(RegisterCandidateRequest) -> contract::release::Candidate;
        list(ListCandidatesRequest) -> contract::release::CandidateList;
        get(GetCandidateRequest) -> contract::release::Candidate;
        edit(EditCandidateRequest) -> contract::release::Candidate;
        advance(MoveCandidateRequest) -> contract::release::StageMove;
    }
    disclosures {
        record(RecordDisclosureRequest) -> contract::release::Disclosure;
        confidentiality(GetConfidentialityRequest) -> contract::release::Confidentiality;
    }
    standing {
        what_if(AskWhatIfRequest) -> contract::release::WhatIfReply;
        rights(GetCandidateRightsRequest) -> contract::release::CandidateRights;
    }
    clock {
        ask(AskClockRequest) -> contract::release::ClockAnswer;
        jurisdictions(ListJurisdictionsRequest) -> contract::release::JurisdictionList;
    }
    filings {
        record(RecordFilingRequest) -> contract::release::Filing;
        grant(RecordGrantRequest) -> contract::release::Filing;
        record_event(RecordFilingEventRequest) -> contract::release::Filing;
        list(ListFilingsRequest) -> contract::release::FilingList;
    }
    due_dates {
        list(ListDueDatesRequest) -> contract::release::DueDateList;
        confirm(ConfirmDueDateRequest) -> contract::release::DueDate;
    }
    calendar {
        get(GetCalendarRequest) -> contract::common::Document;
        create_link(CreateCalendarLinkRequest) -> contract::release::CalendarLink;
        list_links(ListCalendarLinksRequest) -> contract::release::CalendarLinkList;
        revoke_link(RevokeCalendarLinkRequest) -> contract::common::Empty;
        linked(GetLinkedCalendarRequest) -> contract::common::Document;
    }
    denominations {
        check(CheckDenominationRequest) -> contract::release::DenominationFindings;
        propose(ProposeDenominationRequest) -> contract::release::Denomination;
        advance(MoveDenominationRequest) -> contract::release::Denomination;
        add_trade_designation(AddTradeDesignationRequest) -> contract::release::TradeDesignation;
    }
    licences {
        grant(GrantLicenceRequest) -> contract::release::Licence;
        list(ListLicencesRequest) -> contract::release::LicenceList;
        get(GetLicenceRequest) -> contract::release::Licence;
        amend(AmendLicenceRequest) -> contract::release::Licence;
        end(EndLicenceRequest) -> contract::release::Licence;
    }
    reports {
        report(ReportPropagationRequest) -> contract::release::PropagationReport;
        list(ListPropagationReportsRequest) -> contract::release::PropagationReportList;
    }
    royalties {
        state(StateRoyaltyRequest) -> contract::release::RoyaltyStatement;
        list(ListRoyaltyStatementsRequest) -> contract::release::RoyaltyStatementList;
    }
    partner {
        release_status(GetReleaseStatusRequest) -> contract::release::ReleaseStatusPage;
        reports(ListPartnerReportsRequest) -> contract::release::PartnerReportList;
    }
    agreements {
        make(MakeTestingAgreementRequest) -> contract::release::TestingAgreement;
        list(ListTestingAgreementsRequest) -> contract::release::TestingAgreementList;
        settle(SettleTestingAgreementRequest) -> contract::release::TestingAgreement;
    }
    labels {
        issue(IssueLabelRequest) -> contract::release::SignedLabel;
        verify(VerifyLabelRequest) -> contract::release::LabelAnswer;
    }
    pipeline {
        get(GetPipelineRequest) -> contract::release::Pipeline;
        forecast(GetForecastRequest) -> contract::release::ReleaseForecast;
    }
}
