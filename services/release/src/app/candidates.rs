//! Candidates and their way through the stages.

use std::collections::BTreeMap;

use contract::crossing::PlantDescription;
use contract::release::{
    Candidate, CandidateList, CountMaterialRequest, DescentNode, EditCandidateRequest,
    GetCandidateRequest, ListCandidatesRequest, MaterialCount, MoveCandidateRequest,
    RegisterCandidateRequest, StageMove,
};
use jiff::civil::Date;
use platform::database::{Day, Instant};
use platform::fault::FaultKind;
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, PersonId, ProgrammeId, Unit};
use serde_json::json;

use super::asked::{self, checked, happened};
use super::events::{Announcement, announce};
use super::{denominations, filings, gates, neighbours, shown};
use crate::ReleaseApp;
use crate::domain::denomination::NameState;
use crate::domain::gate::{self, Brought};
use crate::domain::stage::{self, Direction, Stage};
use crate::domain::webhook::Topic;
use crate::domain::words::{KindOfCross, Material, TrueToType, VirusStatus};
use crate::domain::{CandidateId, CrossId, MaterialId, PlantId, StageMoveId};
use crate::store::candidates::{self, CandidateRow, Filter, MoveRow};
use crate::store::dossiers;
use crate::store::material::{self, MaterialRow};
use crate::store::webhooks::Subject;

/// Registers a candidate.
pub async fn register(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: RegisterCandidateRequest,
) -> Result<Candidate, Fault> {
    let (programme, today) = (unit.programme()?, unit.today());
    let mut fields = Fields::new();
    let id: CandidateId = fields.client_id(&request.id);
    let plant_id: Option<PlantId> = fields.id("germplasm_id", &request.germplasm_id);
    let code = fields.text("code", &request.code, 60).to_owned();
    let cross_id: Option<CrossId> = fields.optional_id("cross_id", &request.cross_id);
    let responsible: Option<PersonId> =
        fields.optional_id("responsible_id", &request.responsible_id);
    let stage = fields
        .optional_word("stage", &request.stage)
        .unwrap_or(Stage::OwnRoot);
    fields.require(
        !matches!(stage, Stage::Released | Stage::Withdrawn),
        "stage",
        "a candidate is registered at own_root, budded, multi_site or pre_release and moved from there",
    );
    let since = if request.since.is_empty() {
        Some(today)
    } else {
        happened(&mut fields, "since", &request.since, today)
    };
    let year = request.crossing_year.map(i64::from);
    fields.require(
        year.is_none_or(|year| (1900..=i64::from(today.year())).contains(&year)),
        "crossing_year",
        "lies outside 1900 to this year; check it",
    );
    fields.finish()?;
    let (plant_id, since) = (checked(plant_id, "germplasm_id")?, checked(since, "since")?);

    let plant = neighbours::plant(app, programme, plant_id)
        .await?
        .ok_or_else(|| {
            Fault::field(
                "/germplasm_id",
                format!(
                    "no plant {plant_id} is known to the crossing service; register it there first"
                ),
            )
        })?;
    let row = candidate_of(
        &plant,
        id,
        plant_id,
        code,
        Claimed {
            species: request.species.trim(),
            cross_id,
            crossing_year: year.and_then(|year| i32::try_from(year).ok()),
        },
    )?;
    let row = CandidateRow {
        stage: stage.word().to_owned(),
        stage_since: Day(since),
        responsible_id: Some(responsible.unwrap_or(unit.caller().subject)),
        tree_or_vine: request.tree_or_vine.unwrap_or(true),
        cross_kind: kind_of_cross(app, programme, &plant).await?,
        ..row
    };
    enter(unit, &row, "registered", "").await?;
    whole(app, unit, row, false).await
}

/// What a caller says of the plant beside its id.
#[derive(Debug, Default)]
struct Claimed<'a> {
    species: &'a str,
    cross_id: Option<CrossId>,
    crossing_year: Option<i32>,
}

/// A candidate from what the crossing service knows, held against what the caller says.
fn candidate_of(
    plant: &PlantDescription,
    id: CandidateId,
    plant_id: PlantId,
    code: String,
    claimed: Claimed<'_>,
) -> Result<CandidateRow, Fault> {
    let mut fields = Fields::new();
    let same = claimed.species.is_empty()
        || plant.species.is_empty()
        || claimed.species.eq_ignore_ascii_case(&plant.species);
    fields.require(
        same,
        "species",
        format!(
            "{:?} is not the plant's own, {}; leave it out or correct the plant",
            claimed.species, plant.species
        ),
    );
    let species = if plant.species.is_empty() {
        claimed.species
    } else {
        &plant.species
    };
    fields.require(
        !species.is_empty(),
        "species",
        "is required, as the plant has none",
    );
    let known_cross: Option<CrossId> = plant.cross_id.parse().ok();
    fields.require(
        claimed.cross_id.is_none() || known_cross.is_none() || claimed.cross_id == known_cross,
        "cross_id",
        "is not the cross that the plant comes from; leave it out",
    );
    let known_year = Some(plant.season).filter(|season| *season > 0);
    fields.require(
        claimed.crossing_year.is_none()
            || known_year.is_none()
            || claimed.crossing_year == known_year,
        "crossing_year",
        "is not the season of the plant's cross; leave it out",
    );
    fields.finish()?;
    let mut warnings = Vec::new();
    if let Some(doubt) = plant.outcross_doubt.filter(|doubt| *doubt > 0.0) {
        warnings.push(format!(
            "the pollen parent may be another than intended (out-cross doubt {doubt:.3})"
        ));
    }
    Ok(CandidateRow {
        id,
        germplasm_id: plant_id,
        plant_number: plant.number.clone(),
        code,
        species: species.to_owned(),
        cross_id: known_cross.or(claimed.cross_id),
        crossing_year: known_year.or(claimed.crossing_year),
        seed_parent_id: plant.seed_parent_id.parse().ok(),
        pollen_parent_id: plant.pollen_parent_id.parse().ok(),
        stage: Stage::OwnRoot.word().to_owned(),
        stage_since: Day(Date::default()),
        responsible_id: None,
        virus_status: VirusStatus::Unknown.word().to_owned(),
        true_to_type: TrueToType::Unknown.word().to_owned(),
        tree_or_vine: true,
        warnings,
        version: 1,
        cross_kind: KindOfCross::Unknown.word().to_owned(),
    })
}

/// Word for the kind of cross that a plant came from, by its parents' species.
async fn kind_of_cross(
    app: &ReleaseApp,
    programme: ProgrammeId,
    plant: &PlantDescription,
) -> Result<String, Fault> {
    let parents: Vec<String> = [&plant.seed_parent_id, &plant.pollen_parent_id]
        .into_iter()
        .filter(|id| !id.is_empty())
        .cloned()
        .collect();
    let known = if parents.is_empty() {
        Vec::new()
    } else {
        neighbours::describe(app, programme, parents).await?.plants
    };
    let species = |id: &str| -> Option<&str> {
        let parent = known.iter().find(|parent| parent.id == id);
        (!id.is_empty()).then(|| parent.map_or("", |parent| parent.species.as_str()))
    };
    let kind = KindOfCross::of_parents(
        species(&plant.seed_parent_id),
        species(&plant.pollen_parent_id),
    );
    Ok(kind.word().to_owned())
}

/// Writes a new candidate and its first place in the pipeline.
async fn enter(
    unit: &mut Unit,
    row: &CandidateRow,
    reason: &str,
    evidence: &str,
) -> Result<(), Fault> {
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    candidates::insert(unit.connection(), programme, row, now)
        .await
        .map_err(|error| {
            let constraint = error.as_database_error().and_then(|e| e.constraint());
            match constraint {
                Some("candidate_code_once") => Fault::exists(
                    "/code",
                    format!("the code {} is taken by another candidate", row.code),
                ),
                Some("candidate_plant_once") => {
                    Fault::exists("/germplasm_id", "this plant is a candidate already")
                }
                Some("candidate_pkey") => Fault::exists("/id", "this id is taken"),
                _ => error.into(),
            }
        })?;
    let first = MoveRow {
        id: StageMoveId::new(),
        candidate_id: row.id,
        from_stage: None,
        to_stage: row.stage.clone(),
        on_day: row.stage_since,
        reason: reason.to_owned(),
        decided_by: unit.caller().subject,
        decided_by_name: unit.caller().name.clone(),
        reversal: false,
        evidence: evidence.to_owned(),
    };
    record(unit, row, &first).await
}

/// Writes a move, notes it for the audit trail and announces it.
async fn record(unit: &mut Unit, row: &CandidateRow, made: &MoveRow) -> Result<(), Fault> {
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    candidates::record_move(unit.connection(), programme, made, now).await?;
    unit.touch("candidate", row.id);
    let open = json!({
        "code": row.code,
        "from_stage": made.from_stage,
        "to_stage": made.to_stage,
        "on": made.on_day.0.to_string(),
    });
    let told =
        Announcement::new(Subject::Candidate, row.id.uuid(), row.id, open).for_staff(json!({
            "germplasm_id": row.germplasm_id.to_string(),
            "reason": made.reason,
            "reversal": made.reversal,
            "decided_by": made.decided_by_name,
        }));
    announce(unit, Topic::StageMoved, &told).await
}

/// Lists candidates.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListCandidatesRequest,
) -> Result<CandidateList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let stage = fields.optional_word::<Stage>("stage", &request.stage);
    let responsible = fields.optional_id("responsible_id", &request.responsible_id);
    fields.finish()?;
    let programme = unit.programme()?;
    let filter = Filter {
        stage: stage.map(|stage| stage.word()),
        crossing_year: request
            .crossing_year
            .and_then(|year| i32::try_from(year).ok()),
        responsible,
    };
    let rows = candidates::list(unit.connection(), programme, filter, &page).await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    let ids: Vec<CandidateId> = rows.iter().map(|row| row.id).collect();
    let mut names = denominations::of(unit, &ids).await?;
    Ok(CandidateList {
        items: rows
            .into_iter()
            .map(|row| {
                let (denominations, trade) = names.remove(&row.id).unwrap_or_default();
                plain(row, denominations, trade, None)
            })
            .collect(),
        next_cursor,
    })
}

/// A candidate without descent and history.
fn plain(
    row: CandidateRow,
    denominations: Vec<contract::release::Denomination>,
    trade_designations: Vec<contract::release::TradeDesignation>,
    withdrawn_from: Option<Stage>,
) -> Candidate {
    let at = Stage::from_word(&row.stage).unwrap_or(Stage::Withdrawn);
    let named = denominations
        .iter()
        .find(|d| NameState::from_word(&d.state).is_some_and(NameState::is_live));
    Candidate {
        id: row.id.to_string(),
        germplasm_id: row.germplasm_id.to_string(),
        number: row.plant_number,
        code: row.code,
        species: row.species,
        cross_id: shown::id(row.cross_id),
        crossing_year: row.crossing_year.and_then(|year| u32::try_from(year).ok()),
        seed_parent_id: shown::id(row.seed_parent_id),
        pollen_parent_id: shown::id(row.pollen_parent_id),
        may_move_to: shown::may_move_to(at, withdrawn_from),
        stage: row.stage,
        stage_since: row.stage_since.0.to_string(),
        responsible_id: shown::id(row.responsible_id),
        virus_status: row.virus_status,
        true_to_type: row.true_to_type,
        tree_or_vine: row.tree_or_vine,
        denomination: named.map(|d| d.name.clone()).unwrap_or_default(),
        denomination_state: named.map(|d| d.state.clone()).unwrap_or_default(),
        denominations,
        trade_designations,
        descent: Vec::new(),
        history: Vec::new(),
        disclosures: Vec::new(),
        filings: Vec::new(),
        warnings: row.warnings,
        version: row.version,
        caution: rights::CAUTION.to_owned(),
        cross_kind: row.cross_kind,
        material: Vec::new(),
        next_gate: None,
        responsible_name: String::new(),
    }
}

/// One candidate with all that is kept about it.
pub async fn get(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: GetCandidateRequest,
) -> Result<Candidate, Fault> {
    let row = asked::candidate(unit, &request.candidate_id).await?;
    whole(app, unit, row, true).await
}

async fn whole(
    app: &ReleaseApp,
    unit: &mut Unit,
    row: CandidateRow,
    with_descent: bool,
) -> Result<Candidate, Fault> {
    let programme = unit.programme()?;
    let (id, plant_id) = (row.id, row.germplasm_id);
    let responsible = row.responsible_id;
    let moves = candidates::moves(unit.connection(), programme, id).await?;
    let (denominations, trade) = denominations::of(unit, &[id])
        .await?
        .remove(&id)
        .unwrap_or_default();
    let disclosures = dossiers::disclosures(unit.connection(), programme, Some(&[id])).await?;
    let withdrawn_from = withdrawn_from(&moves);
    let next = Stage::from_word(&row.stage).and_then(Stage::next);
    let mut candidate = plain(row, denominations, trade, withdrawn_from);
    candidate.history = history(moves);
    candidate.responsible_name = neighbours::names(app, programme, responsible)
        .await
        .into_values()
        .next()
        .unwrap_or_default();
    candidate.disclosures = disclosures.into_iter().map(shown::disclosure).collect();
    candidate.filings = filings::of_candidate(unit, id).await?;
    candidate.material = material::latest(unit.connection(), programme, id)
        .await?
        .into_iter()
        .map(shown::material)
        .collect();
    if let Some(next) = next
        && let Some(kept) = gates::before(unit, next).await?
    {
        // Evidence is named with the move, so it is not missing before.
        let missing = kept.gate.missing(&brought(&candidate, true));
        candidate.next_gate = Some(kept.shown(&missing));
    }
    if with_descent {
        match neighbours::line_of_descent(app, programme, plant_id).await {
            Ok(plants) => candidate.descent = descent(plant_id, plants),
            Err(fault) if fault.kind() == FaultKind::Unavailable => candidate.warnings.push(
                "the line of descent cannot be asked at the moment; try again later".to_owned(),
            ),
            Err(fault) => return Err(fault),
        }
    }
    Ok(candidate)
}

/// What a candidate brings to a gate.
fn brought(candidate: &Candidate, evidence: bool) -> Brought {
    Brought {
        evidence,
        virus: VirusStatus::from_word(&candidate.virus_status).unwrap_or(VirusStatus::Unknown),
        true_to_type: TrueToType::from_word(&candidate.true_to_type).unwrap_or(TrueToType::Unknown),
        denomination: candidate
            .denominations
            .iter()
            .any(|name| name.state == NameState::Published.word()),
        filing: !candidate.filings.is_empty(),
    }
}

fn history(moves: Vec<MoveRow>) -> Vec<StageMove> {
    let mut before: Vec<MoveRow> = Vec::new();
    moves
        .into_iter()
        .map(|made| {
            before.push(made.clone());
            let next = Stage::from_word(&made.to_stage)
                .map(|at| shown::may_move_to(at, withdrawn_from(&before)))
                .unwrap_or_default();
            shown::stage_move(made, next)
        })
        .collect()
}

/// The stage from which the last withdrawal took the candidate.
fn withdrawn_from(moves: &[MoveRow]) -> Option<Stage> {
    moves
        .iter()
        .rev()
        .find(|made| made.to_stage == Stage::Withdrawn.word())
        .and_then(|made| Stage::from_word(made.from_stage.as_deref()?))
}

/// Ancestors by generation, nearest first; one reached by two ways stands in its nearest.
fn descent(of: PlantId, plants: Vec<PlantDescription>) -> Vec<DescentNode> {
    let by_id: BTreeMap<&str, &PlantDescription> = plants
        .iter()
        .map(|plant| (plant.id.as_str(), plant))
        .collect();
    let of = of.to_string();
    let mut line = Vec::new();
    let mut seen = std::collections::BTreeSet::new();
    let mut generation = vec![of.as_str()];
    let mut depth = 0;
    while !generation.is_empty() {
        let mut parents = Vec::new();
        for id in generation {
            let Some(plant) = by_id.get(id).filter(|_| seen.insert(id)) else {
                continue;
            };
            line.push(DescentNode {
                id: plant.id.clone(),
                number: plant.number.clone(),
                name: plant.name.clone(),
                kind: plant.kind.clone(),
                generation: depth,
                seed_parent_id: plant.seed_parent_id.clone(),
                pollen_parent_id: plant.pollen_parent_id.clone(),
                species: plant.species.clone(),
                cross_id: plant.cross_id.clone(),
                season: u32::try_from(plant.season).unwrap_or(0),
            });
            parents.extend([
                plant.seed_parent_id.as_str(),
                plant.pollen_parent_id.as_str(),
            ]);
        }
        generation = parents;
        depth += 1;
    }
    line
}

/// Changes who answers for a candidate and what is known of its standing.
pub async fn edit(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: EditCandidateRequest,
) -> Result<Candidate, Fault> {
    let mut fields = Fields::new();
    let responsible = fields.optional_id("responsible_id", &request.responsible_id);
    let virus = fields.optional_word::<VirusStatus>("virus_status", &request.virus_status);
    let true_to_type = fields.optional_word::<TrueToType>("true_to_type", &request.true_to_type);
    fields.finish()?;
    let mut row = asked::locked_candidate(unit, &request.candidate_id).await?;
    if row.version != request.expected_version {
        return Err(Fault::stale(row.version));
    }
    row.responsible_id = responsible.or(row.responsible_id);
    row.virus_status = virus.map_or(row.virus_status, |v| v.word().to_owned());
    row.true_to_type = true_to_type.map_or(row.true_to_type, |t| t.word().to_owned());
    row.tree_or_vine = request.tree_or_vine.unwrap_or(row.tree_or_vine);
    let programme = unit.programme()?;
    row.version = candidates::edit(unit.connection(), programme, &row)
        .await?
        .ok_or_else(|| Fault::stale(row.version))?;
    unit.touch("candidate", row.id);
    whole(app, unit, row, false).await
}

/// Moves a candidate to another stage.
pub async fn advance(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: MoveCandidateRequest,
) -> Result<StageMove, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let id: StageMoveId = fields.client_id(&request.id);
    let to = fields.word::<Stage>("stage", &request.stage);
    let on = happened(&mut fields, "on", &request.on, today);
    let reason = fields.text("reason", &request.reason, 2000).to_owned();
    let evidence = request.evidence.trim().to_owned();
    fields.require(
        evidence.chars().count() <= 1000,
        "evidence",
        "is longer than 1000 characters; name the trial or record and keep it there",
    );
    fields.finish()?;
    let (to, on) = (checked(to, "stage")?, checked(on, "on")?);
    let row = asked::locked_candidate(unit, &request.candidate_id).await?;
    let programme = unit.programme()?;
    let mut moves = candidates::moves(unit.connection(), programme, row.id).await?;
    let from = Stage::from_word(&row.stage).unwrap_or(Stage::Withdrawn);
    let direction = stage::judge(from, to, withdrawn_from(&moves)).map_err(Fault::state)?;
    if on < row.stage_since.0 {
        return Err(Fault::field(
            "/on",
            format!("{on} comes before the last move, on {}", row.stage_since.0),
        ));
    }
    if direction == Direction::Forward {
        pass_gate(app, unit, &row, to, !evidence.is_empty()).await?;
    }
    let made = MoveRow {
        id,
        candidate_id: row.id,
        from_stage: Some(from.word().to_owned()),
        to_stage: to.word().to_owned(),
        on_day: Day(on),
        reason,
        decided_by: unit.caller().subject,
        decided_by_name: unit.caller().name.clone(),
        reversal: direction == Direction::Reversal,
        evidence,
    };
    record(unit, &row, &made).await?;
    moves.push(made.clone());
    Ok(shown::stage_move(
        made,
        shown::may_move_to(to, withdrawn_from(&moves)),
    ))
}

/// Holds a candidate against what it must bring to a stage, and whoever decides against the gate.
async fn pass_gate(
    app: &ReleaseApp,
    unit: &mut Unit,
    row: &CandidateRow,
    to: Stage,
    evidence: bool,
) -> Result<(), Fault> {
    stage::health_allows(
        to,
        VirusStatus::from_word(&row.virus_status).unwrap_or(VirusStatus::Unknown),
        TrueToType::from_word(&row.true_to_type).unwrap_or(TrueToType::Unknown),
    )
    .map_err(Fault::state)?;
    let Some(kept) = gates::before(unit, to).await? else {
        return Ok(());
    };
    if !kept.gate.lets_decide(unit.caller().roles()) {
        return Err(Fault::forbidden(format!(
            "who goes to {to} is decided by: {}",
            asked::listed(&kept.gate.deciders)
        )));
    }
    let candidate = whole(app, unit, row.clone(), false).await?;
    let missing = kept.gate.missing(&brought(&candidate, evidence));
    if missing == [gate::Need::Evidence] {
        return Err(Fault::field(
            "/evidence",
            gate::remedy(gate::Need::Evidence),
        ));
    }
    if !missing.is_empty() {
        return Err(Fault::state(gate::refusal(to, &missing)));
    }
    Ok(())
}

/// Counts trees or budwood at a place.
pub async fn count_material(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: CountMaterialRequest,
) -> Result<MaterialCount, Fault> {
    let today = unit.today();
    let mut fields = Fields::new();
    let id: MaterialId = fields.client_id(&request.id);
    let place = fields.text("place", &request.place, 200).to_owned();
    fields.text("country", &request.country, 2);
    let country = asked::country(&mut fields, "country", &request.country);
    let what = fields.word::<Material>("what", &request.what);
    let n = fields.count("n", request.n, 0, 10_000_000);
    let on = happened(&mut fields, "on", &request.on, today);
    fields.finish()?;
    let candidate = asked::locked_candidate(unit, &request.candidate_id).await?;
    let row = MaterialRow {
        id,
        candidate_id: candidate.id,
        place,
        country: checked(country, "country")?.to_string(),
        what: checked(what, "what")?.word().to_owned(),
        n,
        on_day: Day(checked(on, "on")?),
        note: request.note.trim().to_owned(),
        counted_by: unit.caller().name.clone(),
    };
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    material::insert(unit.connection(), programme, &row, now).await?;
    unit.touch("candidate", candidate.id);
    Ok(shown::material(row))
}

/// What the trials decided about a tree.
#[derive(Debug, Clone)]
pub struct Advanced {
    /// The tree.
    pub plant: PlantId,
    /// Its number there.
    pub number: String,
    /// Its name there.
    pub name: String,
    /// Where it goes.
    pub to: Stage,
    /// When.
    pub on: Date,
    /// Why.
    pub reason: String,
    /// The trial behind it.
    pub evidence: String,
}

/// The tree's number or name as a code, told apart by its id where another candidate has it.
async fn free_code(unit: &mut Unit, told: &Advanced) -> Result<String, Fault> {
    let programme = unit.programme()?;
    let code = [&told.number, &told.name]
        .into_iter()
        .find(|text| !text.is_empty())
        .cloned()
        .unwrap_or_else(|| told.plant.to_string());
    if candidates::code_taken(unit.connection(), programme, &code).await? {
        Ok(format!("{code} ({})", told.plant))
    } else {
        Ok(code)
    }
}

/// Takes in what the trials decided: a tree that is no candidate becomes one, a candidate goes on
/// stage by stage to where the trials sent it. What would take it back is left to a person.
pub async fn follow(app: &ReleaseApp, unit: &mut Unit, told: Advanced) -> Result<(), Fault> {
    let programme = unit.programme()?;
    let Some(mut row) = candidates::lock_by_plant(unit.connection(), programme, told.plant).await?
    else {
        if matches!(told.to, Stage::Released | Stage::Withdrawn) {
            return Ok(());
        }
        let Some(plant) = neighbours::plant(app, programme, told.plant).await? else {
            tracing::warn!(plant = %told.plant, "the trials sent on a plant nobody knows");
            return Ok(());
        };
        let code = free_code(unit, &told).await?;
        let claimed = Claimed {
            species: "unknown",
            ..Claimed::default()
        };
        let claimed = if plant.species.is_empty() {
            claimed
        } else {
            Claimed::default()
        };
        let row = CandidateRow {
            stage: told.to.word().to_owned(),
            stage_since: Day(told.on),
            cross_kind: kind_of_cross(app, programme, &plant).await?,
            ..candidate_of(&plant, CandidateId::new(), told.plant, code, claimed)?
        };
        return enter(unit, &row, &told.reason, &told.evidence).await;
    };
    while let Some(from) = Stage::from_word(&row.stage)
        && from < told.to
        && let Some(to) = from
            .next()
            .filter(|to| *to <= told.to && *to != Stage::Released)
    {
        let made = MoveRow {
            id: StageMoveId::new(),
            candidate_id: row.id,
            from_stage: Some(row.stage.clone()),
            to_stage: to.word().to_owned(),
            on_day: Day(told.on.max(row.stage_since.0)),
            reason: told.reason.clone(),
            decided_by: unit.caller().subject,
            decided_by_name: unit.caller().name.clone(),
            reversal: false,
            evidence: told.evidence.clone(),
        };
        record(unit, &row, &made).await?;
        row.stage = made.to_stage;
        row.stage_since = made.on_day;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plant(id: &str, seed: &str, pollen: &str) -> PlantDescription {
        PlantDescription {
            id: id.to_owned(),
            seed_parent_id: seed.to_owned(),
            pollen_parent_id: pollen.to_owned(),
            ..PlantDescription::default()
        }
    }

    #[test]
    fn a_line_of_descent_goes_back_by_generations_and_names_each_once() {
        let child = PlantId::new();
        let plants = vec![
            plant("a", "", ""),
            plant("b", "a", ""),
            plant("c", "a", "b"),
            plant(&child.to_string(), "c", "b"),
        ];
        let line = descent(child, plants);
        let seen: Vec<_> = line.iter().map(|n| (n.id.as_str(), n.generation)).collect();
        let own = child.to_string();
        assert_eq!(seen, [(own.as_str(), 0), ("c", 1), ("b", 1), ("a", 2)]);
    }
}
