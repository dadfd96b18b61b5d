//! What became of the programme's older selections: candidates, disclosures, filings, grants,
//! licences and reports. All names and numbers are invented.

use contract::identity::{
    CreateAccessKeyRequest, ExchangeAccessKeyRequest, RevokeAccessKeyRequest,
};
use contract::release::{
    CountMaterialRequest, CreateWebhookRequest, DefineTerritoryGroupRequest, EditCandidateRequest,
    GetCandidateRequest, GrantLicenceRequest, MakeTestingAgreementRequest, MoveCandidateRequest,
    MoveDenominationRequest, ProposeDenominationRequest, RecordDisclosureRequest,
    RecordFilingRequest, RecordGrantRequest, RegisterCandidateRequest, ReportPropagationRequest,
    ReportingTerms, RoyaltyTerms, TerritoryGroupMember,
};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use platform::Fault;
use platform::fault::FaultKind;

use super::DEMO;
use super::history::Story;
use super::loading::Loading;

/// A candidate's way: stages with the day each was reached.
struct Way {
    selection: &'static str,
    crossed: u32,
    denomination: &'static str,
    stages: Vec<(&'static str, Date, &'static str)>,
}

/// Loads the candidates.
///
/// # Errors
/// When a use case refuses.
pub async fn load(loading: &mut Loading<'_>, story: &Story) -> Result<(), Fault> {
    let y = *story.years().end();
    let today = loading.today;
    let nurseries = loading.organisations().await?;
    let [first, second] = DEMO.nurseries.map(|(name, _)| nurseries.get(name).cloned());
    // Another founding has other nurseries; two by any name will do.
    let mut others = nurseries.values().cloned();
    let (Some(first), Some(second)) = (
        first.or_else(|| others.next()),
        second.or_else(|| others.next()),
    ) else {
        return Err(Fault::state("the programme has no two nurseries"));
    };

    let ways = [
        Way {
            selection: "TH 09-114",
            crossed: 2009,
            denomination: "Merrowdawn",
            stages: vec![
                (
                    "multi_site",
                    date(y - 9, 10, 20),
                    "held its quality in the second look",
                ),
                (
                    "pre_release",
                    date(y - 6, 11, 5),
                    "best of its season at both sites for three years",
                ),
                (
                    "released",
                    date(y - 4, 4, 10),
                    "wood is clean and true to type",
                ),
            ],
        },
        Way {
            selection: "TH 10-031",
            crossed: 2010,
            denomination: "Ossgarnet",
            stages: vec![
                (
                    "multi_site",
                    date(y - 8, 10, 12),
                    "large and firm at both sites",
                ),
                ("pre_release", date(y - 5, 11, 9), "sets every year"),
                ("released", date(y - 2, 3, 22), "nurseries ask for it"),
            ],
        },
        Way {
            selection: "TH 13-207",
            crossed: 2013,
            denomination: "Hollowbright",
            stages: vec![
                (
                    "multi_site",
                    date(y - 5, 10, 18),
                    "firm nectarine with blush",
                ),
                (
                    "pre_release",
                    date(y - 1, 11, 14),
                    "steady over sites and years",
                ),
            ],
        },
        Way {
            selection: "TH 14-058",
            crossed: 2014,
            denomination: "",
            stages: vec![("multi_site", date(y - 3, 10, 11), "sugar above all checks")],
        },
        Way {
            selection: "TH 12-090",
            crossed: 2012,
            denomination: "",
            stages: vec![
                ("multi_site", date(y - 6, 10, 3), "good size"),
                (
                    "withdrawn",
                    date(y - 2, 9, 1),
                    "splits after rain in two years of three",
                ),
            ],
        },
    ];
    for way in &ways {
        candidate(loading, story, way).await?;
    }

    let merrow = loading.id("candidate", &["TH 09-114"]);
    let ossgarnet = loading.id("candidate", &["TH 10-031"]);
    let bright = loading.id("candidate", &["TH 13-207"]);
    let apricot = loading.id("candidate", &["TH 14-058"]);

    let us = file(
        loading,
        &merrow,
        ("US", "plant_patent"),
        date(y - 5, 11, 10),
        "90/118,204",
        "",
    )
    .await?;
    grant(loading, &us, date(y - 3, 8, 2), "PP 90,417").await?;
    file(
        loading,
        &merrow,
        ("CL", ""),
        date(y - 4, 9, 14),
        "CL-4471",
        &us,
    )
    .await?;
    let us = file(
        loading,
        &ossgarnet,
        ("US", "plant_patent"),
        date(y - 3, 12, 1),
        "90/120,655",
        "",
    )
    .await?;
    grant(loading, &us, date(y - 1, 6, 17), "PP 91,032").await?;
    disclose(
        loading,
        &merrow,
        "first_sale",
        date(y - 4, 5, 2),
        "US",
        "trees sold to the first orchard",
    )
    .await?;
    disclose(
        loading,
        &ossgarnet,
        "first_offer",
        date(y - 2, 4, 1),
        "US",
        "offered in the spring list",
    )
    .await?;
    // This one's clock is running: the filing is still to come.
    let shown = today.saturating_sub(240.days());
    disclose(
        loading,
        &bright,
        "publication",
        shown,
        "US",
        "picture and description in a growers' newsletter",
    )
    .await?;
    disclose(
        loading,
        &apricot,
        "transfer_for_test_with_agreement",
        date(y - 2, 1, 25),
        "CL",
        "twenty trees for test",
    )
    .await?;

    let exclusive = licence(
        loading,
        &merrow,
        &first,
        &["US"],
        true,
        date(y - 3, 1, 1),
        Some(60_000),
        "1.85",
    )
    .await?;
    let chile = licence(
        loading,
        &merrow,
        &second,
        &["CL"],
        false,
        date(y - 3, 7, 1),
        Some(25_000),
        "1.40",
    )
    .await?;
    let plum = licence(
        loading,
        &ossgarnet,
        &first,
        &["US-CA"],
        false,
        date(y - 2, 4, 1),
        None,
        "2.10",
    )
    .await?;
    for (licence, role, starts_on, trees) in [
        (
            &exclusive,
            "partner_a",
            date(y - 3, 1, 1),
            [3_100, 8_400, 11_250, 9_800],
        ),
        (
            &chile,
            "partner_b",
            date(y - 3, 7, 1),
            [600, 2_100, 3_900, 4_450],
        ),
    ] {
        for (place, trees_n) in (0..).zip(trees) {
            let year = date(y - 3 + place, 1, 1);
            report(loading, licence, role, year.max(starts_on), trees_n).await?;
        }
    }
    // The plum's first year was never reported, and is overdue.
    report(loading, &plum, "partner_a", date(y - 1, 1, 1), 5_300).await?;
    told_by_machines(loading, &first, &second).await?;
    let agreement = MakeTestingAgreementRequest {
        id: loading.id("agreement", &["TH 14-058"]),
        candidate_id: apricot,
        holder_id: second,
        place: "test orchard, Lot 12".to_owned(),
        country: "CL".to_owned(),
        trees_n: 20,
        starts_on: date(y - 2, 1, 20).to_string(),
        ends_on: date(y + 2, 1, 19).to_string(),
        on_end: "destroy".to_owned(),
        may_say: "that it is an apricot under test".to_owned(),
    };
    loading
        .release("rights")
        .await?
        .make_testing_agreement(agreement)
        .await?;
    Ok(())
}

/// What lay behind a move to a stage.
fn evidence_of(stage: &str) -> &'static str {
    match stage {
        "multi_site" => "records of the budded block, three seasons",
        "pre_release" => "entry means of two sites over three seasons",
        "released" => "virus test, budded trees true to type, nursery's report",
        _ => "",
    }
}

async fn candidate(loading: &mut Loading<'_>, story: &Story, way: &Way) -> Result<(), Fault> {
    let id = loading.id("candidate", &[way.selection]);
    let first = way.stages.first().map_or(loading.today, |(_, on, _)| *on);
    let request = RegisterCandidateRequest {
        id: id.clone(),
        germplasm_id: story.founder(way.selection).id.clone(),
        code: way.selection.replace(' ', "-"),
        crossing_year: Some(way.crossed),
        stage: "budded".to_owned(),
        since: first.saturating_sub(3.years()).to_string(),
        ..Default::default()
    };
    let mut rights = loading.release("rights").await?;
    rights.register_candidate(request).await?;
    if way.stages.iter().any(|(stage, ..)| *stage == "pre_release") {
        tested(loading, &id).await?;
    }
    for (place, what, n) in [
        (super::loading::HOME_SITE, "trees", 40),
        (super::loading::HOME_SITE, "budwood", 600),
        (super::loading::SECOND_SITE, "trees", 24),
    ] {
        let request = CountMaterialRequest {
            id: loading.id("material", &[way.selection, place, what]),
            candidate_id: id.clone(),
            place: place.to_owned(),
            country: "US".to_owned(),
            what: what.to_owned(),
            n,
            on: first.to_string(),
            note: String::new(),
        };
        loading
            .release("breeder")
            .await?
            .count_material(request)
            .await?;
    }
    for (stage, on, reason) in &way.stages {
        if *stage == "released" && !way.denomination.is_empty() {
            let states = ["checked", "published"];
            name(
                loading,
                &id,
                way.denomination,
                &states,
                on.saturating_sub(2.years()),
            )
            .await?;
        }
        let request = MoveCandidateRequest {
            id: loading.id("stage", &[way.selection, stage]),
            candidate_id: id.clone(),
            stage: (*stage).to_owned(),
            on: on.to_string(),
            reason: (*reason).to_owned(),
            evidence: evidence_of(stage).to_owned(),
        };
        rights.move_candidate(request).await?;
    }
    if !way.denomination.is_empty() && !way.stages.iter().any(|(stage, ..)| *stage == "released") {
        let on = first.saturating_add(3.years()).min(loading.today);
        name(loading, &id, way.denomination, &["checked"], on).await?;
    }
    Ok(())
}

/// Notes that a candidate was found free of virus and true to type, unless something is noted.
pub(super) async fn tested(loading: &mut Loading<'_>, candidate: &str) -> Result<(), Fault> {
    let mut rights = loading.release("rights").await?;
    let known = rights
        .get_candidate(GetCandidateRequest {
            candidate_id: candidate.to_owned(),
        })
        .await?
        .into_inner();
    if known.virus_status == "unknown" {
        let request = EditCandidateRequest {
            candidate_id: candidate.to_owned(),
            expected_version: known.version,
            virus_status: "free".to_owned(),
            true_to_type: "confirmed".to_owned(),
            ..Default::default()
        };
        rights.edit_candidate(request).await?;
    }
    Ok(())
}

/// Proposes a denomination and moves it through states, all on one day.
pub(super) async fn name(
    loading: &mut Loading<'_>,
    candidate: &str,
    name: &str,
    states: &[&str],
    on: Date,
) -> Result<(), Fault> {
    let id = loading.id("denomination", &[name]);
    let request = ProposeDenominationRequest {
        id: id.clone(),
        candidate_id: candidate.to_owned(),
        name: name.to_owned(),
        jurisdiction: String::new(),
        on: on.to_string(),
    };
    let mut rights = loading.release("rights").await?;
    rights.propose_denomination(request).await?;
    for state in states {
        let request = MoveDenominationRequest {
            denomination_id: id.clone(),
            state: (*state).to_owned(),
            on: on.to_string(),
            reason: String::new(),
        };
        done_once(rights.move_denomination(request).await.map(drop))?;
    }
    Ok(())
}

/// Steps without an id of their own are refused when they were taken before; that is as well.
pub(super) fn done_once(taken: Result<(), tonic::Status>) -> Result<(), Fault> {
    match taken.map_err(Fault::from) {
        Err(fault) if matches!(fault.kind(), FaultKind::Exists | FaultKind::State) => Ok(()),
        other => other,
    }
}

pub(super) async fn file(
    loading: &mut Loading<'_>,
    candidate: &str,
    (jurisdiction, kind): (&str, &str),
    on: Date,
    number: &str,
    priority_of: &str,
) -> Result<String, Fault> {
    let id = loading.id("filing", &[candidate, jurisdiction]);
    let request = RecordFilingRequest {
        id: id.clone(),
        candidate_id: candidate.to_owned(),
        jurisdiction: jurisdiction.to_owned(),
        kind: kind.to_owned(),
        on: on.to_string(),
        application_number: number.to_owned(),
        priority_of: priority_of.to_owned(),
    };
    loading
        .release("rights")
        .await?
        .record_filing(request)
        .await?;
    Ok(id)
}

pub(super) async fn grant(
    loading: &mut Loading<'_>,
    filing: &str,
    on: Date,
    number: &str,
) -> Result<(), Fault> {
    let request = RecordGrantRequest {
        filing_id: filing.to_owned(),
        on: on.to_string(),
        grant_number: number.to_owned(),
        pta_days: None,
    };
    done_once(
        loading
            .release("rights")
            .await?
            .record_grant(request)
            .await
            .map(drop),
    )
}

pub(super) async fn disclose(
    loading: &mut Loading<'_>,
    candidate: &str,
    kind: &str,
    on: Date,
    country: &str,
    detail: &str,
) -> Result<(), Fault> {
    let request = RecordDisclosureRequest {
        id: loading.id("disclosure", &[candidate, kind]),
        candidate_id: candidate.to_owned(),
        kind: kind.to_owned(),
        on: on.to_string(),
        country: country.to_owned(),
        detail: detail.to_owned(),
        disclosed_to: String::new(),
    };
    loading
        .release("rights")
        .await?
        .record_disclosure(request)
        .await?;
    Ok(())
}

#[expect(
    clippy::too_many_arguments,
    reason = "the terms of a licence, each said once"
)]
async fn licence(
    loading: &mut Loading<'_>,
    candidate: &str,
    licensee: &str,
    territory: &[&str],
    exclusive: bool,
    starts_on: Date,
    propagate_max_n: Option<u32>,
    per_tree: &str,
) -> Result<String, Fault> {
    let id = loading.id("licence", &[candidate, licensee, territory[0]]);
    let request = GrantLicenceRequest {
        id: id.clone(),
        candidate_id: candidate.to_owned(),
        licensee_id: licensee.to_owned(),
        territory: territory.iter().map(|code| (*code).to_owned()).collect(),
        purpose: "propagation".to_owned(),
        exclusive,
        starts_on: starts_on.to_string(),
        ends_on: starts_on
            .saturating_add(12.years())
            .saturating_sub(1.days())
            .to_string(),
        propagate_max_n,
        royalty: Some(RoyaltyTerms {
            per: "tree".to_owned(),
            amount: per_tree.to_owned(),
            currency: "USD".to_owned(),
            ..Default::default()
        }),
        sublicensing: false,
        reporting: Some(ReportingTerms {
            every_months: 12,
            within_days: 60,
        }),
    };
    loading
        .release("rights")
        .await?
        .grant_licence(request)
        .await?;
    Ok(id)
}

/// Reports what was propagated from a day to the end of its year.
async fn report(
    loading: &mut Loading<'_>,
    licence: &str,
    role: &str,
    first_day: Date,
    trees_n: u32,
) -> Result<(), Fault> {
    let year = first_day.year();
    let period_end = date(year, 12, 31);
    // The running year is reported when it is over.
    if period_end > loading.today {
        return Ok(());
    }
    let request = ReportPropagationRequest {
        id: loading.id("report", &[licence, &year.to_string()]),
        licence_id: licence.to_owned(),
        period_start: first_day.to_string(),
        period_end: period_end.to_string(),
        trees_n,
        ..Default::default()
    };
    loading
        .release(role)
        .await?
        .report_propagation(request)
        .await?;
    Ok(())
}

/// A group of countries, webhooks, and keys of devices. The webhooks lead nowhere: the names under
/// `.example` are nobody's (RFC 2606).
async fn told_by_machines(
    loading: &mut Loading<'_>,
    first: &str,
    second: &str,
) -> Result<(), Fault> {
    let member = |place: &str| TerritoryGroupMember {
        place: place.to_owned(),
        ..Default::default()
    };
    let group = DefineTerritoryGroupRequest {
        code: "SOUTHERN_CONE".to_owned(),
        name: "Southern cone".to_owned(),
        source: "decision of the programme's board".to_owned(),
        members: ["AR", "CL", "UY"].map(member).to_vec(),
    };
    done_once(
        loading
            .release("rights")
            .await?
            .define_territory_group(group)
            .await
            .map(drop),
    )?;
    for (role, name, url, topics) in [
        (
            "rights",
            "dates for the rights office",
            "https://office.tannow-hollow.example/events",
            &["due_date.coming", "due_date.reached", "right.ended"][..],
        ),
        (
            "partner_a",
            "orchard system",
            "https://orchards.quillmere.example/events",
            &["licence.granted", "licence.amended", "due_date.coming"][..],
        ),
    ] {
        let request = CreateWebhookRequest {
            id: loading.id("webhook", &[name]),
            name: name.to_owned(),
            url: url.to_owned(),
            topics: topics.iter().map(|topic| (*topic).to_owned()).collect(),
        };
        done_once(
            loading
                .release(role)
                .await?
                .create_webhook(request)
                .await
                .map(drop),
        )?;
    }
    let mut identity = loading.identity("admin").await?;
    let mut made = Vec::new();
    for (partner, name, quota, scopes) in [
        (
            first,
            "label printer, propagation house 2",
            "small",
            &["report_propagation"][..],
        ),
        (
            first,
            "sales system",
            "standard",
            &["ask_release_status"][..],
        ),
        (second, "nursery ledger", "standard", &[][..]),
        (second, "old till", "small", &["ask_release_status"][..]),
    ] {
        let id = loading.id("access key", &[partner, name]);
        let request = CreateAccessKeyRequest {
            id: id.clone(),
            organisation_id: partner.to_owned(),
            name: name.to_owned(),
            quota: quota.to_owned(),
            scopes: scopes.iter().map(|scope| (*scope).to_owned()).collect(),
            ..Default::default()
        };
        match identity.create_access_key(request).await {
            Ok(key) => made.push(key.into_inner()),
            Err(status) => done_once(Err(status))?,
        }
    }
    for key in made {
        if key.name == "old till" {
            let request = RevokeAccessKeyRequest {
                access_key_id: key.id,
            };
            identity.revoke_access_key(request).await?;
        } else if key.name == "sales system" {
            let request = ExchangeAccessKeyRequest {
                secret_key: key.secret_key,
            };
            identity.exchange_access_key(request).await?;
        }
    }
    Ok(())
}
