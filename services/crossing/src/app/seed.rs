//! Steps of seed.

use compatibility::Taxon;
use contract::crossing::{RecordSeedRequest, SeedCount};
use jiff::ToSpan as _;
use platform::database::Day;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};

use super::fruit::SoFar;
use super::{NAME_CHARS, NOTE_CHARS, at_most, crosses, not_ahead, stored};
use crate::CrossingApp;
use crate::domain::SeedEntryId;
use crate::domain::seed::{LossCause, SeedStep, stratification_days};
use crate::store::raising::{self as store, SeedRow};

/// Seeds in one entry at most.
const MOST_SEEDS: u32 = 1_000_000;

/// Records a step of seed.
pub async fn record(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RecordSeedRequest,
) -> Result<SeedCount, Fault> {
    let mut fields = Fields::new();
    let id: SeedEntryId = fields.client_id(&request.id);
    let cross = crosses::held(&mut fields, unit, &request.cross_id).await?;
    let on = fields.date("on", &request.on);
    let step: Option<SeedStep> = fields.word("step", &request.step);
    let seed_n = fields.count("seed_n", request.seed_n, 1, MOST_SEEDS);
    let cause: Option<LossCause> = fields.optional_word("cause", &request.cause);
    at_most(&mut fields, "note", &request.note, NOTE_CHARS);
    at_most(&mut fields, "reason", &request.reason, NOTE_CHARS);
    at_most(&mut fields, "by", &request.by, NAME_CHARS);
    match step {
        Some(SeedStep::Lost) => fields.require(
            cause.is_some() || !request.cause.is_empty(),
            "cause",
            format!("is required for lost seed; one of {}", LossCause::listed()),
        ),
        Some(_) => fields.require(
            request.cause.is_empty(),
            "cause",
            "tells why seed was lost; leave it empty at other steps",
        ),
        None => {}
    }
    fields.require(
        request.stones_n.is_none() || step == Some(SeedStep::Extracted) || step.is_none(),
        "stones_n",
        "stones are cracked when seed is extracted",
    );
    let (Some(cross), Some(on)) = (cross, on) else {
        fields.finish()?;
        return Err(Fault::field("/cross_id", "is required"));
    };
    not_ahead(&mut fields, "on", Some(on), cross.today(unit.now()));
    let before = SoFar::read(unit, cross.id).await?;
    let way = before.way(cross.open_pollinated(), &request.reason);
    way.check_seed_day(&mut fields, on);
    let counts = &before.counts;
    let with = |n: u32| n.saturating_add(request.seed_n);
    let extracted = counts.seed_extracted_n;
    let in_care = counts.seed_stratified_n + counts.seed_rescued_n;
    match step {
        Some(SeedStep::Extracted) => {
            way.check_extracted(&mut fields, request.seed_n, request.stones_n);
        }
        Some(SeedStep::Stratified) => way.check_taken(
            &mut fields,
            with(in_care),
            extracted,
            "stratified or rescued",
            "extracted",
        ),
        Some(SeedStep::Rescued) => way.check_taken(
            &mut fields,
            with(in_care),
            extracted,
            "stratified or rescued",
            "extracted",
        ),
        Some(SeedStep::Germinated) => {
            let germinated = with(counts.seed_germinated_n);
            if in_care > 0 {
                way.check_taken(
                    &mut fields,
                    germinated,
                    in_care,
                    "germinated",
                    "stratified or rescued",
                );
            } else {
                way.check_taken(
                    &mut fields,
                    germinated,
                    extracted,
                    "germinated",
                    "extracted",
                );
            }
        }
        Some(SeedStep::Lost) => way.check_taken(
            &mut fields,
            with(counts.seed_lost_n),
            extracted,
            "lost",
            "extracted",
        ),
        None => {}
    }
    fields.finish()?;
    let Some(step) = step else {
        return Err(Fault::field("/step", "is required"));
    };
    let row = SeedRow {
        id,
        cross_id: cross.id,
        on_day: Day(on),
        step: step.word(),
        seed_n,
        stones_n: request.stones_n.map(stored),
        cause: request.cause,
        note: request.note,
        reason: request.reason.trim().to_owned(),
        by_name: request.by,
    };
    let programme = unit.programme()?;
    store::insert_seed(unit.connection(), programme, &row).await?;
    unit.touch("seed_entry", id);
    unit.touch("cross", cross.id);
    let due_on = match (step, cross.species.parse::<Taxon>()) {
        (SeedStep::Stratified, Ok(taxon)) => on
            .checked_add(stratification_days(&taxon).days())
            .map(|due| due.to_string())
            .unwrap_or_default(),
        _ => String::new(),
    };
    Ok(SeedCount {
        id: id.to_string(),
        cross_id: cross.id.to_string(),
        on: on.to_string(),
        step: row.step.to_owned(),
        seed_n: request.seed_n,
        stones_n: request.stones_n,
        cause: row.cause,
        note: row.note,
        reason: row.reason,
        by: row.by_name,
        counts: Some(SoFar::read(unit, cross.id).await?.counts),
        due_on,
    })
}
