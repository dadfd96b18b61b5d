//! Trials.

use contract::evaluation::{
    GetTrialRequest, ListPlantTrialsRequest, ListTrialsRequest, OpenTrialRequest, PlantTrialList,
    Trial, TrialList,
};
use platform::paging::Page;
use platform::{Fault, Fields, ProgrammeId, Unit};

use super::plants;
use crate::EvaluationApp;
use crate::domain::trial::{OWN_ROOT, ROOTSTOCK_CHARS, Stage};
use crate::domain::{GermplasmId, SiteId, TrialId};
use crate::store;
use crate::store::trials::{TrialHead, Wanted};

/// Opens a trial.
///
/// # Errors
/// Invalid fields; sites or plants that are not known, each at its place; a name that is taken.
pub async fn open(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: OpenTrialRequest,
) -> Result<Trial, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let id = fields.client_id(&request.id);
    let name = fields.text("name", &request.name, 120).to_owned();
    let stage: Option<Stage> = fields.word("stage", &request.stage);
    let season = match request.season {
        0 => unit.today().year(),
        year => fields.count("season", year, 1950, 2200) as i16,
    };
    let planted_on = fields
        .optional_date("planted_on", &request.planted_on)
        .or_else(|| {
            // With a season and no day, nothing was seen before the season began.
            (request.season > 0)
                .then(|| jiff::civil::Date::new(season, 1, 1).ok())
                .flatten()
        });
    if request.site_ids.is_empty() {
        fields.fault("site_ids", "is required: at least one site");
    }
    let sites: Vec<Option<SiteId>> = request
        .site_ids
        .iter()
        .enumerate()
        .map(|(place, text)| fields.id(&format!("site_ids/{place}"), text))
        .collect();
    let known_sites: Vec<SiteId> = sites.iter().flatten().copied().collect();
    let known = store::sites::zones(unit.connection(), programme, &known_sites).await?;
    for (place, site) in sites.iter().enumerate() {
        let Some(site) = site else { continue };
        let field = format!("site_ids/{place}");
        if !known.iter().any(|(id, _)| id == site) {
            fields.fault(
                &field,
                format!("no site {site} is known; register it first"),
            );
        } else if sites[..place].contains(&Some(*site)) {
            fields.fault(&field, "stands twice; list each site once");
        }
    }
    if stage == Some(Stage::OwnRoot) && !request.rootstock.is_empty() {
        fields.fault("rootstock", OWN_ROOT);
    }
    for (field, text, most) in [
        ("rootstock", &request.rootstock, ROOTSTOCK_CHARS),
        ("note", &request.note, 500),
    ] {
        fields.require(
            text.chars().count() <= most,
            field,
            format!("is longer than {most} characters; shorten it"),
        );
    }
    // Faults of the plants are told together with the others.
    let entries = plants::entries(
        app,
        programme,
        ("entry_ids", &request.entry_ids),
        ("check_ids", &request.check_ids),
    )
    .await;
    let entries = match entries {
        Ok(entries) => entries,
        Err(fault) if fault.kind() == platform::fault::FaultKind::Invalid => {
            fields.absorb(fault.into_field_errors());
            Vec::new()
        }
        Err(fault) => return Err(fault),
    };
    fields.finish()?;
    let Some(stage) = stage else {
        return Err(Fault::field("/stage", "is required"));
    };
    store::traits::library_kept(unit.connection(), programme).await?;
    let trial = TrialHead {
        id,
        number: store::trials::next_number(unit.connection(), programme, season).await?,
        name,
        stage,
        season,
        rootstock: request.rootstock.trim().to_owned(),
        planted_on,
        note: request.note.trim().to_owned(),
        design: None,
        last_tree: 0,
    };
    let now = unit.now();
    store::trials::insert(unit.connection(), programme, &trial, &known_sites, now).await?;
    store::trials::put_entries(unit.connection(), programme, id, &entries).await?;
    unit.touch("trial", id);
    message(unit, programme, id).await
}

/// One trial with its entries.
///
/// # Errors
/// Not found.
pub async fn get(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetTrialRequest,
) -> Result<Trial, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    message(unit, programme, id).await
}

/// Lists trials.
///
/// # Errors
/// Invalid fields.
pub async fn list(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: ListTrialsRequest,
) -> Result<TrialList, Fault> {
    let programme = unit.programme()?;
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let wanted = Wanted {
        season: (request.season > 0)
            .then(|| fields.count("season", request.season, 1950, 2200) as i16),
        stage: fields.optional_word("stage", &request.stage),
        site: fields.optional_id("site_id", &request.site_id),
        before: page.after_key()?,
    };
    fields.finish()?;
    let heads = store::trials::list(unit.connection(), programme, &wanted, page.fetch()).await?;
    let (heads, next_cursor) = page.cut(heads, |head| head.id);
    let items = store::trials::messages(unit.connection(), programme, heads).await?;
    Ok(TrialList { items, next_cursor })
}

/// A trial's id from a path.
pub(super) fn trial_id(text: &str) -> Result<TrialId, Fault> {
    text.parse()
        .map_err(|_| Fault::field("/trial_id", format!("{text:?} is not an id; ids are UUIDs")))
}

async fn message(unit: &mut Unit, programme: ProgrammeId, id: TrialId) -> Result<Trial, Fault> {
    let head = store::trials::head(unit.connection(), programme, id, false).await?;
    let entries = store::trials::entries(unit.connection(), programme, id).await?;
    let decisions = store::decisions::latest(unit.connection(), programme, id).await?;
    let mut messages = store::trials::messages(unit.connection(), programme, vec![head]).await?;
    let trial = messages
        .pop()
        .ok_or_else(|| Fault::not_found("trial", id))?;
    Ok(Trial {
        entries: entries
            .into_iter()
            .map(|entry| {
                let decision = decisions.get(&entry.germplasm_id);
                store::trials::entry_message(entry, decision)
            })
            .collect(),
        ..trial
    })
}

/// The trials in which one plant was an entry.
///
/// # Errors
/// Invalid fields.
pub async fn of_plant(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: ListPlantTrialsRequest,
) -> Result<PlantTrialList, Fault> {
    let mut fields = Fields::new();
    let plant: Option<GermplasmId> = fields.id("germplasm_id", &request.germplasm_id);
    fields.finish()?;
    let Some(plant) = plant else {
        return Ok(PlantTrialList::default());
    };
    let programme = unit.programme()?;
    let mut items = store::trials::of_plant(unit.connection(), programme, plant).await?;
    let mut decisions = store::decisions::of_plant(unit.connection(), programme, plant).await?;
    for item in &mut items {
        item.decisions = item
            .trial_id
            .parse()
            .ok()
            .and_then(|trial: TrialId| decisions.remove(&trial))
            .unwrap_or_default();
    }
    Ok(PlantTrialList { items })
}
