//! Denominations and, apart from them, trade designations.

use std::collections::BTreeMap;

use contract::release::{
    AddTradeDesignationRequest, CheckDenominationRequest, Denomination, DenominationFindings,
    DenominationStep, MoveDenominationRequest, ProposeDenominationRequest, TradeDesignation,
};
use platform::database::{Day, Instant};
use platform::fault::OnConstraint as _;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};
use rights::denomination::{KnownName, NameElsewhere, Principle, Proposal, check as examine, fold};
use rights::{Book, CAUTION};
use serde_json::json;

use super::asked::{self, checked, happened, rights_fault};
use super::events::{Announcement, announce};
use super::shown;
use crate::ReleaseApp;
use crate::domain::denomination::NameState;
use crate::domain::territory::Territory;
use crate::domain::webhook::Topic;
use crate::domain::{CandidateId, DenominationId, TradeDesignationId};
use crate::store::denominations::{self, DenominationRow, StepRow, TradeRow};
use crate::store::known_names;
use crate::store::webhooks::Subject;

/// Most names to compare with that one request may bring.
const KNOWN_MAX: usize = 20_000;

/// Denominations and trade designations of one candidate.
pub(super) type Names = (Vec<Denomination>, Vec<TradeDesignation>);

/// Names of some candidates.
pub(super) async fn of(
    unit: &mut Unit,
    candidates: &[CandidateId],
) -> Result<BTreeMap<CandidateId, Names>, Fault> {
    let programme = unit.programme()?;
    let rows = denominations::of_candidates(unit.connection(), programme, candidates).await?;
    let ids: Vec<DenominationId> = rows.iter().map(|row| row.id).collect();
    let mut steps: BTreeMap<DenominationId, Vec<StepRow>> = BTreeMap::new();
    for step in denominations::steps(unit.connection(), programme, &ids).await? {
        steps.entry(step.denomination_id).or_default().push(step);
    }
    let mut names: BTreeMap<CandidateId, Names> = BTreeMap::new();
    for row in rows {
        let own = steps.remove(&row.id).unwrap_or_default();
        names
            .entry(row.candidate_id)
            .or_default()
            .0
            .push(told(row, own)?);
    }
    for row in denominations::trade_of(unit.connection(), programme, candidates).await? {
        names
            .entry(row.candidate_id)
            .or_default()
            .1
            .push(told_trade(row));
    }
    Ok(names)
}

fn told(row: DenominationRow, steps: Vec<StepRow>) -> Result<Denomination, Fault> {
    Ok(Denomination {
        id: row.id.to_string(),
        candidate_id: row.candidate_id.to_string(),
        name: row.name,
        jurisdiction: row.jurisdiction,
        state: row.state,
        steps: steps
            .into_iter()
            .map(|step| DenominationStep {
                state: step.state,
                on: step.on_day.0.to_string(),
                reason: step.reason,
                by: step.moved_by,
            })
            .collect(),
        findings: serde_json::from_value(row.findings).map_err(Fault::internal)?,
        caution: CAUTION.to_owned(),
    })
}

fn told_trade(row: TradeRow) -> TradeDesignation {
    TradeDesignation {
        id: row.id.to_string(),
        candidate_id: row.candidate_id.to_string(),
        designation: row.designation,
        territory: row.territory,
        findings: Vec::new(),
    }
}

/// Checks a name without storing anything.
pub async fn check(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: CheckDenominationRequest,
) -> Result<DenominationFindings, Fault> {
    let mut fields = Fields::new();
    let name = fields.text("name", &request.name, 200).to_owned();
    let species = fields.text("species", &request.species, 200).to_owned();
    fields.require(
        request.known.len() <= KNOWN_MAX,
        "known",
        format!("holds more than {KNOWN_MAX} names"),
    );
    fields.finish()?;
    let mut known = known_names(unit, None, &species).await?;
    known.extend(request.known.into_iter().map(|other| KnownName {
        name: other.name,
        species: other.species,
    }));
    let proposal = Proposal {
        name,
        species,
        figures_are_established: request.figures_are_established,
        elsewhere: Vec::new(),
        trade_designations: request.trade_designations,
    };
    let found = examine(&proposal, &known).map_err(|e| rights_fault(&e))?;
    Ok(shown::findings(&found))
}

/// Names of others in a class: those in use for other candidates, and those of lists taken in.
async fn known_names(
    unit: &mut Unit,
    but_for: Option<CandidateId>,
    species: &str,
) -> Result<Vec<KnownName>, Fault> {
    let programme = unit.programme()?;
    let mut names = denominations::known_names(unit.connection(), programme, but_for).await?;
    let genus = known_names::genus(species);
    names.extend(known_names::of_genus(unit.connection(), programme, &genus).await?);
    Ok(names
        .into_iter()
        .map(|(name, species)| KnownName { name, species })
        .collect())
}

/// Checks a name of a candidate against the others and against its own names elsewhere.
async fn findings_for(
    unit: &mut Unit,
    candidate: CandidateId,
    species: &str,
    name: &str,
    jurisdiction: &str,
) -> Result<DenominationFindings, Fault> {
    let programme = unit.programme()?;
    let known = known_names(unit, Some(candidate), species).await?;
    let own = denominations::of_candidates(unit.connection(), programme, &[candidate]).await?;
    let trade = denominations::trade_of(unit.connection(), programme, &[candidate]).await?;
    let proposal = Proposal {
        name: name.to_owned(),
        species: species.to_owned(),
        figures_are_established: false,
        elsewhere: own
            .into_iter()
            .filter(|row| row.jurisdiction != jurisdiction)
            .filter(|row| NameState::from_word(&row.state).is_some_and(NameState::is_live))
            .map(|row| NameElsewhere {
                territory: if row.jurisdiction.is_empty() {
                    "everywhere else".to_owned()
                } else {
                    row.jurisdiction
                },
                name: row.name,
            })
            .collect(),
        trade_designations: trade.into_iter().map(|row| row.designation).collect(),
    };
    let found = examine(&proposal, &known).map_err(|e| rights_fault(&e))?;
    Ok(shown::findings(&found))
}

/// Proposes a denomination; it is checked at once, and the findings are kept with it.
pub async fn propose(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ProposeDenominationRequest,
) -> Result<Denomination, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let id: DenominationId = fields.client_id(&request.id);
    let name = fields.text("name", &request.name, 200).to_owned();
    let on = happened(&mut fields, "on", &request.on, today);
    fields.finish()?;
    let on = checked(on, "on")?;
    let jurisdiction = if request.jurisdiction.is_empty() {
        String::new()
    } else {
        Book::embedded()
            .jurisdiction(&request.jurisdiction)
            .map_err(|e| rights_fault(&e))?
            .code
            .clone()
    };
    let candidate = asked::locked_candidate(unit, &request.candidate_id).await?;
    let found = findings_for(unit, candidate.id, &candidate.species, &name, &jurisdiction).await?;
    let row = DenominationRow {
        id,
        candidate_id: candidate.id,
        name: name.clone(),
        jurisdiction,
        state: NameState::Proposed.word().to_owned(),
        findings: serde_json::to_value(&found.warnings).map_err(Fault::internal)?,
    };
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    denominations::insert(unit.connection(), programme, &row, &fold(&name), now)
        .await
        .on_constraint("one_denomination_at_a_time", || {
            Fault::state(
                "the candidate has a denomination there; record that it was refused or replaced first",
            )
        })?;
    step(unit, row, on, String::new()).await
}

/// Writes the state a denomination is in as a step and tells it.
async fn step(
    unit: &mut Unit,
    row: DenominationRow,
    on: jiff::civil::Date,
    reason: String,
) -> Result<Denomination, Fault> {
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    let made = StepRow {
        denomination_id: row.id,
        state: row.state.clone(),
        on_day: Day(on),
        reason,
        moved_by: unit.caller().name.clone(),
    };
    denominations::insert_step(unit.connection(), programme, &made, now).await?;
    unit.touch("denomination", row.id);
    let published = row.state == NameState::Published.word();
    let topic = if published {
        Topic::DenominationPublished
    } else {
        Topic::DenominationMoved
    };
    let open = json!({
        "denomination_id": row.id.to_string(),
        "name": row.name,
        "jurisdiction": row.jurisdiction,
        "state": row.state,
        "on": on.to_string(),
    });
    let told_of = Announcement::new(Subject::Denomination, row.id.uuid(), row.candidate_id, open)
        .for_staff(json!({ "reason": made.reason }))
        // What an office has not published is not for partners, however soon it is.
        .staff_only(!published);
    announce(unit, topic, &told_of).await?;
    let steps = denominations::steps(unit.connection(), programme, &[row.id]).await?;
    told(row, steps)
}

/// Moves a denomination along.
pub async fn advance(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: MoveDenominationRequest,
) -> Result<Denomination, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let id: Option<DenominationId> = fields.id("denomination_id", &request.denomination_id);
    let to = fields.word::<NameState>("state", &request.state);
    let on = happened(&mut fields, "on", &request.on, today);
    let reason = request.reason.trim().to_owned();
    if let Some(to) = to {
        fields.require(
            !(to.needs_reason() && reason.is_empty()),
            "reason",
            format!("is required for {to}"),
        );
    }
    fields.finish()?;
    let (id, to, on) = (
        checked(id, "denomination_id")?,
        checked(to, "state")?,
        checked(on, "on")?,
    );
    let programme = unit.programme()?;
    let mut row = denominations::lock(unit.connection(), programme, id)
        .await?
        .ok_or_else(|| Fault::not_found("denomination", id))?;
    let from = NameState::from_word(&row.state).unwrap_or(NameState::Replaced);
    if !from.next().contains(&to) {
        return Err(Fault::state(format!(
            "a denomination that is {from} may not become {to}; allowed from there: {}",
            asked::listed(from.next())
        )));
    }
    let steps = denominations::steps(unit.connection(), programme, &[id]).await?;
    if let Some(last) = steps.last()
        && on < last.on_day.0
    {
        return Err(Fault::field(
            "/on",
            format!("{on} comes before the last step, on {}", last.on_day.0),
        ));
    }
    if to == NameState::Checked {
        let candidate = asked::candidate(unit, &row.candidate_id.to_string()).await?;
        let found = findings_for(
            unit,
            candidate.id,
            &candidate.species,
            &row.name,
            &row.jurisdiction,
        )
        .await?;
        row.findings = serde_json::to_value(&found.warnings).map_err(Fault::internal)?;
    }
    row.state = to.word().to_owned();
    denominations::update(unit.connection(), programme, &row).await?;
    step(unit, row, on, reason).await
}

/// Notes a trade designation.
pub async fn add_trade_designation(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: AddTradeDesignationRequest,
) -> Result<TradeDesignation, Fault> {
    let mut fields = Fields::new();
    let id: TradeDesignationId = fields.client_id(&request.id);
    let designation = fields
        .text("designation", &request.designation, 200)
        .to_owned();
    let territory = if request.territory.is_empty() {
        String::new()
    } else {
        match Territory::read(&request.territory).and_then(Territory::listed) {
            Ok(territory) => territory.code().to_owned(),
            Err(fault) => {
                fields.fault("territory", fault);
                String::new()
            }
        }
    };
    fields.finish()?;
    let candidate = asked::locked_candidate(unit, &request.candidate_id).await?;
    let row = TradeRow {
        id,
        candidate_id: candidate.id,
        designation,
        territory,
    };
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    denominations::insert_trade(unit.connection(), programme, &row, now)
        .await
        .on_constraint("trade_designation_once", || {
            Fault::exists("/designation", "is noted there already")
        })?;
    unit.touch("candidate", candidate.id);
    let apart = crate::domain::dossier::word(Principle::ApartFromTradeDesignation);
    let mut findings = Vec::new();
    for name in denominations::of_candidates(unit.connection(), programme, &[candidate.id]).await? {
        if NameState::from_word(&name.state).is_some_and(NameState::is_live) {
            let found = findings_for(
                unit,
                candidate.id,
                &candidate.species,
                &name.name,
                &name.jurisdiction,
            )
            .await?;
            findings.extend(found.warnings.into_iter().filter(|w| w.principle == apart));
        }
    }
    Ok(TradeDesignation {
        findings,
        ..told_trade(row)
    })
}
