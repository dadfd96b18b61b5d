//! Trees and what became of them.

use contract::evaluation::{GetTreeRequest, RecordTreeEventRequest, TreeEvent, TrialTree};
use jiff::civil::Date;
use platform::fault::FaultKind;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};
use serde::Serialize;

use super::plants;
use crate::EvaluationApp;
use crate::domain::trial::{
    OWN_ROOT, ROOTSTOCK_CHARS, Stage, TreeEventWord, TreeStatus, tree_number,
};
use crate::domain::{GermplasmId, TreeEventId};
use crate::store;
use crate::store::trees::{Event, TreeRow};

/// Topic under which the others are told what became of plants.
pub(super) const PLANTS_ENDED: &str = "plants.ended";

/// What the others are told of a plant whose story ends, or goes on after all, in a trial.
#[derive(Debug, Serialize)]
pub(super) struct PlantEnded<'a> {
    pub germplasm_id: String,
    /// died, removed, discarded or kept.
    pub what: &'static str,
    /// Number of the trial.
    pub trial: &'a str,
    pub reason: &'a str,
    pub on: String,
}

/// Records what became of a tree.
///
/// # Errors
/// Invalid fields; a day before planting or after today; a tree that stands no more; a plant that
/// is not known.
pub async fn record_event(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: RecordTreeEventRequest,
) -> Result<TreeEvent, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let tree_id = fields.id("tree_id", &request.tree_id);
    let id = fields.client_id(&request.id);
    let kind: Option<TreeEventWord> = fields.word("kind", &request.kind);
    let on = fields.date("on", &request.on);
    let germplasm: Option<GermplasmId> = fields.optional_id("germplasm_id", &request.germplasm_id);
    let ends = kind.and_then(TreeEventWord::ends_as);
    if ends.is_some() {
        fields.text("reason", &request.reason, 500);
    }
    fields.require(
        germplasm.is_none() || kind == Some(TreeEventWord::Replaced),
        "germplasm_id",
        "only goes with replaced",
    );
    fields.require(
        request.fruits_left_n.is_none() || kind == Some(TreeEventWord::Thinned),
        "fruits_left_n",
        "only goes with thinned",
    );
    let rootstock = request.rootstock.trim();
    fields.require(
        rootstock.is_empty() || kind == Some(TreeEventWord::Replaced),
        "rootstock",
        "only goes with replaced",
    );
    fields.require(
        rootstock.chars().count() <= ROOTSTOCK_CHARS,
        "rootstock",
        format!("is longer than {ROOTSTOCK_CHARS} characters; shorten it"),
    );
    let fruits_left_n = request
        .fruits_left_n
        .map(|n| fields.count("fruits_left_n", n, 0, 100_000));
    fields.finish()?;
    let (Some(tree_id), Some(kind), Some(on)) = (tree_id, kind, on) else {
        return Err(Fault::malformed("the event cannot be read"));
    };
    let tree = store::trees::get(unit.connection(), programme, tree_id, true).await?;
    if tree.status()? != TreeStatus::Standing {
        return Err(Fault::state(format!(
            "tree {} is {} already; nothing more can become of it",
            tree.number,
            tree.status()?
        )));
    }
    // A day ahead is tomorrow somewhere already; later than that is a slip of the pen.
    let tomorrow = unit.today().tomorrow().map_err(Fault::internal)?;
    if on > tomorrow {
        return Err(Fault::field("/on", format!("{on} is in the future")));
    }
    if let Some(planted_on) = tree.planted_on
        && on < planted_on.0
    {
        return Err(Fault::field(
            "/on",
            format!("{on} is before the tree was planted, {}", planted_on.0),
        ));
    }
    let mut event = Event {
        id,
        tree: tree_id,
        kind,
        on,
        reason: request.reason.trim().to_owned(),
        fruits_left_n,
        new_tree: None,
    };
    let mut new_tree_number = String::new();
    if kind == TreeEventWord::Replaced {
        let new = successor(app, unit, &tree, (germplasm, rootstock), on).await?;
        event.new_tree = Some(new.id);
        new_tree_number = new.number;
    }
    if let Some(status) = ends {
        store::trees::end(unit.connection(), programme, tree_id, status, on).await?;
        announce_end(unit, &tree, kind, on, &event.reason).await?;
    }
    let (by, now) = (unit.caller().subject, unit.now());
    store::trees::insert_event(unit.connection(), programme, &event, by, now).await?;
    unit.touch("tree", tree_id);
    Ok(TreeEvent {
        id: id.to_string(),
        tree_id: tree_id.to_string(),
        kind: kind.word().to_owned(),
        on: on.to_string(),
        reason: event.reason,
        fruits_left_n: request.fruits_left_n,
        new_tree_id: event.new_tree.map(|id| id.to_string()).unwrap_or_default(),
        new_tree_number,
    })
}

/// Announces that a plant's last own-root tree stands no more: then the seedling itself is gone.
async fn announce_end(
    unit: &mut Unit,
    tree: &TreeRow,
    kind: TreeEventWord,
    on: Date,
    reason: &str,
) -> Result<(), Fault> {
    let programme = unit.programme()?;
    let trial = store::trials::head(unit.connection(), programme, tree.trial_id, false).await?;
    if tree.is_check || trial.stage != Stage::OwnRoot {
        return Ok(());
    }
    let left =
        store::trees::standing_own_root(unit.connection(), programme, tree.germplasm_id).await?;
    if !left.is_empty() {
        return Ok(());
    }
    let ended = PlantEnded {
        germplasm_id: tree.germplasm_id.to_string(),
        what: if kind == TreeEventWord::Died {
            "died"
        } else {
            "removed"
        },
        trial: &trial.number,
        reason,
        on: on.to_string(),
    };
    unit.announce(PLANTS_ENDED, &ended).await
}

/// Ends the own-root trees of a seedling that died.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn follow_seedling(
    unit: &mut Unit,
    plant: GermplasmId,
    kind: TreeEventWord,
    on: Date,
    reason: String,
) -> Result<(), Fault> {
    let programme = unit.programme()?;
    let Some(status) = kind.ends_as() else {
        return Ok(());
    };
    let (by, now) = (unit.caller().subject, unit.now());
    let standing = store::trees::standing_own_root(unit.connection(), programme, plant).await?;
    for tree in standing {
        let on = tree
            .planted_on
            .map_or(on, |planted_on| on.max(planted_on.0));
        let event = Event {
            id: TreeEventId::new(),
            tree: tree.id,
            kind,
            on,
            reason: reason.clone(),
            fruits_left_n: None,
            new_tree: None,
        };
        store::trees::end(unit.connection(), programme, tree.id, status, on).await?;
        store::trees::insert_event(unit.connection(), programme, &event, by, now).await?;
        unit.touch("tree", tree.id);
    }
    Ok(())
}

/// Plants another tree in a tree's place.
async fn successor(
    app: &EvaluationApp,
    unit: &mut Unit,
    tree: &TreeRow,
    (germplasm, rootstock): (Option<GermplasmId>, &str),
    on: Date,
) -> Result<TreeRow, Fault> {
    let programme = unit.programme()?;
    let trial = store::trials::head(unit.connection(), programme, tree.trial_id, true).await?;
    if trial.stage == Stage::OwnRoot && !rootstock.is_empty() {
        return Err(Fault::field("/rootstock", OWN_ROOT));
    }
    let rootstock = match rootstock {
        "" => tree.rootstock.clone(),
        other => other.to_owned(),
    };
    let mut entries = store::trials::entries(unit.connection(), programme, trial.id).await?;
    let germplasm = germplasm.unwrap_or(tree.germplasm_id);
    let known = entries.iter().find(|entry| entry.germplasm_id == germplasm);
    let is_check = match known {
        Some(entry) => entry.is_check,
        None => {
            let new = plants::entries(
                app,
                programme,
                ("germplasm_id", &[germplasm.to_string()]),
                ("", &[]),
            )
            .await
            .map_err(|fault| match fault.kind() {
                FaultKind::Invalid => {
                    Fault::field("/germplasm_id", format!("no plant {germplasm} is known"))
                }
                _ => fault,
            })?;
            entries.extend(new);
            store::trials::put_entries(unit.connection(), programme, trial.id, &entries).await?;
            false
        }
    };
    let place = store::trials::take_tree_numbers(unit.connection(), programme, trial.id, 1).await?;
    let new = TreeRow::planted(
        trial.id,
        tree.site_id,
        tree_number(&trial.number, place as usize),
        (tree.row_n, tree.column_n),
        (tree.replicate, tree.block),
        germplasm,
        is_check,
        rootstock,
        Some(on),
        Some(tree.id),
    );
    store::trees::insert(unit.connection(), programme, std::slice::from_ref(&new)).await?;
    unit.touch("tree", new.id);
    Ok(new)
}

/// One tree with what became of it.
///
/// # Errors
/// Not found.
pub async fn get(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetTreeRequest,
) -> Result<TrialTree, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let id = fields.id("tree_id", &request.tree_id);
    fields.finish()?;
    let Some(id) = id else {
        return Err(Fault::not_found("tree", request.tree_id));
    };
    let tree = store::trees::get(unit.connection(), programme, id, false).await?;
    Ok(TrialTree {
        events: store::trees::events(unit.connection(), programme, id).await?,
        ..tree.message()
    })
}
