//! Decisions of a person on the entries of a trial.

use std::collections::HashMap;

use contract::evaluation::{
    DecideEntriesRequest, DecisionList, DecisionReply, ListDecisionsRequest,
};
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};
use serde::Serialize;

use super::trees::{PLANTS_ENDED, PlantEnded};
use super::trials::trial_id;
use crate::EvaluationApp;
use crate::domain::GermplasmId;
use crate::domain::trial::{DecisionWord, Stage};
use crate::store;
use crate::store::decisions::Decision;

/// What the release pipeline is told of an entry that goes on.
#[derive(Debug, Serialize)]
struct Advanced<'a> {
    germplasm_id: String,
    number: &'a str,
    name: &'a str,
    species: &'a str,
    crossing_year: Option<i16>,
    cross_id: Option<String>,
    from_stage: &'static str,
    to_stage: &'static str,
    trial_id: String,
    reason: &'a str,
    on: String,
}

/// Decides which entries go on, are discarded or wait.
///
/// # Errors
/// Invalid fields; entries that are not of the trial, are checks, stand twice or went on already;
/// a stage that is not later than the trial's.
pub async fn decide(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: DecideEntriesRequest,
) -> Result<DecisionReply, Fault> {
    let programme = unit.programme()?;
    let trial_id = trial_id(&request.trial_id)?;
    let trial = store::trials::head(unit.connection(), programme, trial_id, true).await?;
    let entries = store::trials::entries(unit.connection(), programme, trial_id).await?;
    let entry_of: HashMap<GermplasmId, _> = entries
        .iter()
        .map(|entry| (entry.germplasm_id, entry))
        .collect();
    let latest = store::decisions::latest(unit.connection(), programme, trial_id).await?;

    let mut fields = Fields::new();
    let id = fields.client_id(&request.id);
    let to_stage: Option<Stage> = fields.optional_word("to_stage", &request.to_stage);
    let on = fields
        .optional_date("on", &request.on)
        .unwrap_or_else(|| unit.today());
    let tomorrow = unit.today().tomorrow().map_err(Fault::internal)?;
    fields.require(on <= tomorrow, "on", format!("{on} is in the future"));
    fields.require(
        !request.decisions.is_empty(),
        "decisions",
        "is required: at least one",
    );
    if let Some(to_stage) = to_stage {
        fields.require(
            to_stage > trial.stage,
            "to_stage",
            format!(
                "{to_stage} is not later than the trial's own stage, {}",
                trial.stage
            ),
        );
    }
    let mut decided: Vec<(GermplasmId, DecisionWord, String)> = Vec::new();
    let mut place_of: HashMap<GermplasmId, usize> = HashMap::new();
    for (place, asked) in request.decisions.iter().enumerate() {
        let at = |field: &str| format!("decisions/{place}/{field}");
        let germplasm: Option<GermplasmId> = fields.id(&at("germplasm_id"), &asked.germplasm_id);
        let word: Option<DecisionWord> = fields.word(&at("decision"), &asked.decision);
        let reason = fields.text(&at("reason"), &asked.reason, 500).to_owned();
        let (Some(germplasm), Some(word)) = (germplasm, word) else {
            continue;
        };
        let field = at("germplasm_id");
        match entry_of.get(&germplasm) {
            None => fields.fault(
                &field,
                format!("{germplasm} is not an entry of trial {}", trial.number),
            ),
            Some(entry) if entry.is_check => {
                fields.fault(
                    &field,
                    format!("{} is a check; checks are not selected", entry.label()),
                );
            }
            Some(entry) => {
                if latest
                    .get(&germplasm)
                    .is_some_and(|w| w == DecisionWord::Advance.word())
                {
                    fields.fault(
                        &field,
                        format!(
                            "{} went on from this trial already; move it in the pipeline",
                            entry.label()
                        ),
                    );
                }
            }
        }
        if let Some(first) = place_of.insert(germplasm, place) {
            fields.fault(
                &field,
                format!("is decided at /decisions/{first} already; decide once"),
            );
        }
        decided.push((germplasm, word, reason));
    }
    let advances = decided.iter().any(|d| d.1 == DecisionWord::Advance);
    if advances && request.to_stage.is_empty() {
        fields.fault(
            "to_stage",
            "is required when an entry advances: budded, multi_site or pre_release",
        );
    }
    fields.finish()?;

    let caller = unit.caller().clone();
    let at = unit.now();
    let stage_word = to_stage
        .filter(|_| advances)
        .map_or("", |stage| stage.word());
    let decision = Decision {
        id,
        trial: trial_id,
        to_stage: stage_word,
        on,
        by: (caller.subject, &caller.name),
        at,
        entries: decided,
    };
    store::decisions::insert(unit.connection(), programme, &decision).await?;
    for (germplasm, word, reason) in &decision.entries {
        let Some(entry) = entry_of.get(germplasm) else {
            continue;
        };
        if *word == DecisionWord::Advance
            && let Some(to_stage) = to_stage
        {
            let advanced = Advanced {
                germplasm_id: germplasm.to_string(),
                number: &entry.number,
                name: entry.label(),
                species: &entry.species,
                crossing_year: entry.crossing_year,
                cross_id: entry.cross_id.map(|id| id.to_string()),
                from_stage: trial.stage.word(),
                to_stage: to_stage.word(),
                trial_id: trial_id.to_string(),
                reason,
                on: on.to_string(),
            };
            unit.announce("trees.advanced", &advanced).await?;
        }
        let before = latest.get(germplasm).map(String::as_str);
        let discards = *word == DecisionWord::Discard;
        // Later stages judge budded trees; the seedling itself is judged on its own roots.
        if trial.stage == Stage::OwnRoot
            && discards != (before == Some(DecisionWord::Discard.word()))
        {
            let ended = PlantEnded {
                germplasm_id: germplasm.to_string(),
                what: if discards { "discarded" } else { "kept" },
                trial: &trial.number,
                reason,
                on: on.to_string(),
            };
            unit.announce(PLANTS_ENDED, &ended).await?;
        }
        unit.touch("entry", germplasm);
    }
    let n = |word: DecisionWord| decision.entries.iter().filter(|d| d.1 == word).count() as u32;
    Ok(DecisionReply {
        id: id.to_string(),
        trial_id: trial_id.to_string(),
        to_stage: stage_word.to_owned(),
        on: on.to_string(),
        advanced_n: n(DecisionWord::Advance),
        discarded_n: n(DecisionWord::Discard),
        held_n: n(DecisionWord::Hold),
    })
}

/// Decisions of a trial, the newest first.
///
/// # Errors
/// Invalid fields; not found.
pub async fn list(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: ListDecisionsRequest,
) -> Result<DecisionList, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let only = fields.optional_word("decision", &request.decision);
    fields.finish()?;
    store::trials::head(unit.connection(), programme, id, false).await?;
    let before = page.after_key()?;
    let found =
        store::decisions::list(unit.connection(), programme, id, only, before, page.fetch())
            .await?;
    let (items, next_cursor) = page.cut(found, |item| item.id.clone());
    Ok(DecisionList { items, next_cursor })
}
