//! Testing agreements: who holds how many trees where, until when, and what became of them.

use std::collections::BTreeMap;

use contract::release::{
    ListTestingAgreementsRequest, MakeTestingAgreementRequest, SettleTestingAgreementRequest,
    TestingAgreement, TestingAgreementList, TestingSettlement,
};
use jiff::civil::Date;
use platform::database::{Day, Instant};
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, OrganisationId, Unit};
use rights::CAUTION;
use serde_json::json;

use super::asked::{self, checked, happened};
use super::events::{Announcement, announce};
use super::{neighbours, shown};
use crate::ReleaseApp;
use crate::domain::webhook::Topic;
use crate::domain::words::{OnEnd, Outcome};
use crate::domain::{AgreementId, CandidateId, SettlementId};
use crate::store::agreements::{self, AgreementRow, SettlementRow};
use crate::store::webhooks::Subject;

/// Most trees in one agreement.
const TREES_MAX: u32 = 1_000_000;

/// Makes an agreement.
pub async fn make(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: MakeTestingAgreementRequest,
) -> Result<TestingAgreement, Fault> {
    let mut fields = Fields::new();
    let id: AgreementId = fields.client_id(&request.id);
    let candidate: Option<CandidateId> = fields.id("candidate_id", &request.candidate_id);
    let holder: Option<OrganisationId> = fields.id("holder_id", &request.holder_id);
    let place = fields.text("place", &request.place, 300).to_owned();
    let country = asked::country(&mut fields, "country", &request.country);
    fields.require(!request.country.is_empty(), "country", "is required, as US");
    let trees_n = fields.count("trees_n", request.trees_n, 1, TREES_MAX);
    let starts = fields.date("starts_on", &request.starts_on);
    let ends = fields.date("ends_on", &request.ends_on);
    if let (Some(starts), Some(ends)) = (starts, ends) {
        fields.require(
            ends >= starts,
            "ends_on",
            format!("comes before the start, {starts}"),
        );
    }
    let on_end = fields.word::<OnEnd>("on_end", &request.on_end);
    fields.finish()?;
    let holder = checked(holder, "holder_id")?;
    let candidate = checked(candidate, "candidate_id")?;
    let programme = unit.programme()?;
    let organisation = neighbours::organisation(app, programme, "holder_id", holder).await?;
    let candidate = asked::locked_candidate(unit, &candidate.to_string()).await?;
    let row = AgreementRow {
        id,
        candidate_id: candidate.id,
        holder_id: holder,
        holder_name: organisation.name,
        place,
        country: country.map(|code| code.to_string()).unwrap_or_default(),
        trees_n: i64::from(trees_n),
        starts_on: Day(checked(starts, "starts_on")?),
        ends_on: Day(checked(ends, "ends_on")?),
        on_end: checked(on_end, "on_end")?.word().to_owned(),
        may_say: request.may_say.trim().to_owned(),
        settled_n: 0,
        candidate_code: candidate.code,
        responsible_id: candidate.responsible_id,
    };
    let now = Instant(unit.now());
    agreements::insert(unit.connection(), programme, &row, now).await?;
    unit.touch("testing_agreement", id);
    let open = json!({
        "agreement_id": id.to_string(),
        "place": row.place,
        "country": row.country,
        "trees_n": row.trees_n,
        "starts_on": row.starts_on.0.to_string(),
        "ends_on": row.ends_on.0.to_string(),
        "on_end": row.on_end,
        "may_say": row.may_say,
    });
    let of = Announcement::new(Subject::Agreement, id.uuid(), row.candidate_id, open)
        .for_staff(json!({ "holder_id": holder.to_string(), "holder_name": row.holder_name }));
    announce(unit, Topic::AgreementMade, &of).await?;
    Ok(told(row, Vec::new(), unit.today()))
}

fn told(row: AgreementRow, settlements: Vec<SettlementRow>, today: Date) -> TestingAgreement {
    TestingAgreement {
        standing: row.standing(today).to_owned(),
        id: row.id.to_string(),
        candidate_id: row.candidate_id.to_string(),
        holder_id: row.holder_id.to_string(),
        holder_name: row.holder_name,
        place: row.place,
        country: row.country,
        trees_n: shown::count(row.trees_n),
        starts_on: row.starts_on.0.to_string(),
        ends_on: row.ends_on.0.to_string(),
        on_end: row.on_end,
        may_say: row.may_say,
        settled_n: shown::count(row.settled_n),
        held_n: shown::count(row.trees_n - row.settled_n),
        settlements: settlements
            .into_iter()
            .map(|made| TestingSettlement {
                on: made.on_day.0.to_string(),
                outcome: made.outcome,
                trees_n: shown::count(made.trees_n),
                evidence: made.evidence,
                by: made.recorded_by,
            })
            .collect(),
        caution: CAUTION.to_owned(),
    }
}

/// Lists agreements.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListTestingAgreementsRequest,
) -> Result<TestingAgreementList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let candidate = fields.optional_id("candidate_id", &request.candidate_id);
    let holder = fields.optional_id("holder_id", &request.holder_id);
    fields.finish()?;
    let (programme, today) = (unit.programme()?, unit.today());
    let rows = agreements::list(unit.connection(), programme, candidate, holder, &page).await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    let ids: Vec<AgreementId> = rows.iter().map(|row| row.id).collect();
    let mut settled: BTreeMap<AgreementId, Vec<SettlementRow>> = BTreeMap::new();
    for made in agreements::settlements(unit.connection(), programme, &ids).await? {
        settled.entry(made.agreement_id).or_default().push(made);
    }
    Ok(TestingAgreementList {
        items: rows
            .into_iter()
            .map(|row| {
                let own = settled.remove(&row.id).unwrap_or_default();
                told(row, own, today)
            })
            .collect(),
        next_cursor,
    })
}

/// Records that trees came back or were destroyed.
pub async fn settle(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: SettleTestingAgreementRequest,
) -> Result<TestingAgreement, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let id: SettlementId = fields.client_id(&request.id);
    let agreement: Option<AgreementId> = fields.id("agreement_id", &request.agreement_id);
    let on = happened(&mut fields, "on", &request.on, today);
    let outcome = fields.word::<Outcome>("outcome", &request.outcome);
    let trees_n = i64::from(fields.count("trees_n", request.trees_n, 1, TREES_MAX));
    let evidence = fields.text("evidence", &request.evidence, 1000).to_owned();
    fields.finish()?;
    let (agreement, on, outcome) = (
        checked(agreement, "agreement_id")?,
        checked(on, "on")?,
        checked(outcome, "outcome")?,
    );
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    let mut row = agreements::lock(unit.connection(), programme, agreement)
        .await?
        .ok_or_else(|| Fault::not_found("testing agreement", agreement))?;
    if on < row.starts_on.0 {
        return Err(Fault::field(
            "/on",
            format!(
                "{on} comes before the agreement's start, {}",
                row.starts_on.0
            ),
        ));
    }
    let held = row.trees_n - row.settled_n;
    if trees_n > held {
        return Err(Fault::field(
            "/trees_n",
            format!("{trees_n} is more than the {held} trees still held"),
        ));
    }
    let made = SettlementRow {
        id,
        agreement_id: agreement,
        on_day: Day(on),
        outcome: outcome.word().to_owned(),
        trees_n,
        evidence,
        recorded_by: unit.caller().name.clone(),
    };
    agreements::insert_settlement(unit.connection(), programme, row.holder_id, &made, now).await?;
    unit.touch("testing_agreement", agreement);
    row.settled_n += trees_n;
    let open = json!({
        "agreement_id": agreement.to_string(),
        "on": on.to_string(),
        "outcome": made.outcome,
        "trees_n": trees_n,
        "held_n": row.trees_n - row.settled_n,
    });
    let of = Announcement::new(Subject::Agreement, agreement.uuid(), row.candidate_id, open)
        .for_staff(json!({ "evidence": made.evidence, "holder_name": row.holder_name }));
    announce(unit, Topic::AgreementSettled, &of).await?;
    let all = agreements::settlements(unit.connection(), programme, &[agreement]).await?;
    Ok(told(row, all, today))
}
