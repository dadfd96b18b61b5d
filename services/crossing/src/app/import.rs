//! Loading a season whole: every row goes through the use case that a person's own call would,
//! everything is checked, and all is written or nothing.

use std::future::Future;
use std::pin::Pin;

use contract::crossing::{
    CrossWarning, ImportFault, ImportSeasonReply, ImportSeasonRequest, ImportWarning,
    ImportedSection, Pass, RecordPassRequest,
};
use platform::fault::FaultKind;
use platform::retry::fingerprint;
use platform::{Fault, Unit};
use serde::Serialize;
use uuid::Uuid;

use super::{bloom, crosses, fruit, germplasm, mothers, passes, pollen, seasons, seed, seedlings};
use crate::CrossingApp;

/// Faults after which an import is given up: nobody mends more at once.
const MOST_FAULTS: usize = 1000;

/// Whether a row with its id was written before.
pub(crate) enum Once {
    /// With the same content.
    Before,
    /// Not yet.
    New,
}

/// Looks for a row that was written before under its client-made id, and remembers it if not.
pub(crate) async fn once(
    unit: &mut Unit,
    section: &'static str,
    id: &str,
    row: &impl Serialize,
) -> Result<Once, Fault> {
    let Ok(id) = id.parse::<Uuid>() else {
        return Err(Fault::field(
            "/id",
            format!("{id:?} is not an id; ids are UUIDs as 0190f3a2-…"),
        ));
    };
    let digest = fingerprint(&serde_json::to_value(row).map_err(Fault::internal)?);
    let before: Option<Vec<u8>> = sqlx::query_scalar(
        "select fingerprint from imported_row \
         where programme_id = current_programme() and section = $1 and id = $2",
    )
    .bind(section)
    .bind(id)
    .fetch_optional(unit.connection())
    .await?;
    match before {
        Some(known) if known == digest => Ok(Once::Before),
        Some(_) => Err(Fault::exists(
            "/id",
            format!(
                "{id} was recorded before with other content; look at both and give the right one an id of its own"
            ),
        )),
        None => Ok(Once::New),
    }
}

/// Remembers a row that was written under its client-made id.
async fn remember(
    unit: &mut Unit,
    section: &'static str,
    id: &str,
    row: &[u8],
) -> Result<(), Fault> {
    let programme = unit.programme()?;
    let id: Uuid = id.parse().map_err(Fault::internal)?;
    sqlx::query(
        "insert into imported_row (programme_id, section, id, fingerprint) values ($1, $2, $3, $4)",
    )
    .bind(programme)
    .bind(section)
    .bind(id)
    .bind(row)
    .execute(unit.connection())
    .await?;
    Ok(())
}

/// Marks a point in the transaction to return to.
pub(crate) async fn aside(unit: &mut Unit) -> Result<(), Fault> {
    sqlx::query("savepoint row_of_many")
        .execute(unit.connection())
        .await?;
    Ok(())
}

/// Lets what was written since the mark stand.
pub(crate) async fn keep_aside(unit: &mut Unit) -> Result<(), Fault> {
    sqlx::query("release savepoint row_of_many")
        .execute(unit.connection())
        .await?;
    Ok(())
}

/// Undoes what was written since the mark.
pub(crate) async fn put_back(unit: &mut Unit) -> Result<(), Fault> {
    sqlx::query("rollback to savepoint row_of_many")
        .execute(unit.connection())
        .await?;
    sqlx::query("release savepoint row_of_many")
        .execute(unit.connection())
        .await?;
    Ok(())
}

/// A row of an import.
pub(crate) trait Row: Serialize + Clone + Send + Sync + 'static {
    /// The name of its section.
    const SECTION: &'static str;
    /// Its client-made id.
    fn id(&self) -> &str;
    /// Writes it as its own call would, and gives its warnings.
    fn write<'a>(
        self,
        app: &'a CrossingApp,
        unit: &'a mut Unit,
    ) -> Pin<Box<dyn Future<Output = Result<Vec<CrossWarning>, Fault>> + Send + 'a>>;
}

macro_rules! rows {
    ($($section:literal $request:ident => $use_case:path, $warnings:expr;)+) => {
        $(
            impl Row for contract::crossing::$request {
                const SECTION: &'static str = $section;

                fn id(&self) -> &str {
                    &self.id
                }

                fn write<'a>(
                    self,
                    app: &'a CrossingApp,
                    unit: &'a mut Unit,
                ) -> Pin<Box<dyn Future<Output = Result<Vec<CrossWarning>, Fault>> + Send + 'a>> {
                    Box::pin(async move {
                        let reply = $use_case(app, unit, self).await?;
                        let warnings: fn(_) -> Vec<CrossWarning> = $warnings;
                        Ok(warnings(reply))
                    })
                }
            }
        )+
    };
}

rows! {
    "seasons" OpenSeasonRequest => seasons::open, |_: contract::crossing::Season| Vec::new();
    "germplasm" RegisterGermplasmRequest => germplasm::register, |r: contract::crossing::Germplasm| r.warnings;
    "mothers" RegisterMotherRequest => mothers::register, |_: contract::crossing::Mother| Vec::new();
    "bloom_records" RecordBloomRequest => bloom::record, |r: contract::crossing::BloomRecord| r.warnings;
    "pollen_lots" GatherPollenRequest => pollen::gather, |r: contract::crossing::PollenLot| r.warnings;
    "pollen_events" RecordPollenEventRequest => pollen::record_event, |_: contract::crossing::PollenLot| Vec::new();
    "crosses" PlanCrossRequest => crosses::plan, |r: contract::crossing::Cross| r.warnings;
    "mother_events" RecordMotherEventRequest => mothers::record_event, |_: contract::crossing::Mother| Vec::new();
    "passes" RecordPassRequest => passes::write, |r: contract::crossing::Pass| r.warnings;
    "fruit" RecordFruitRequest => fruit::record, |_: contract::crossing::FruitCount| Vec::new();
    "seed" RecordSeedRequest => seed::record, |_: contract::crossing::SeedCount| Vec::new();
    "seedlings" PlantSeedlingsRequest => seedlings::plant, |r: contract::crossing::Planting| r.warnings;
}

/// Loads a season.
pub async fn load(
    app: &CrossingApp,
    unit: &mut Unit,
    request: ImportSeasonRequest,
) -> Result<ImportSeasonReply, Fault> {
    sqlx::query("savepoint whole_import")
        .execute(unit.connection())
        .await?;
    let touched_n = unit.touched_n();
    let mut reply = ImportSeasonReply::default();
    section(app, unit, request.seasons, &mut reply).await?;
    section(app, unit, request.germplasm, &mut reply).await?;
    section(app, unit, request.mothers, &mut reply).await?;
    section(app, unit, request.bloom_records, &mut reply).await?;
    section(app, unit, request.pollen_lots, &mut reply).await?;
    section(app, unit, request.pollen_events, &mut reply).await?;
    section(app, unit, request.crosses, &mut reply).await?;
    section(app, unit, request.mother_events, &mut reply).await?;
    section(app, unit, request.passes, &mut reply).await?;
    section(app, unit, request.fruit, &mut reply).await?;
    section(app, unit, request.seed, &mut reply).await?;
    section(app, unit, request.seedlings, &mut reply).await?;
    reply.written = reply.faults.is_empty() && !request.check_only;
    if !reply.written {
        sqlx::query("rollback to savepoint whole_import")
            .execute(unit.connection())
            .await?;
        unit.forget_since(touched_n);
    }
    Ok(reply)
}

async fn section<R: Row>(
    app: &CrossingApp,
    unit: &mut Unit,
    rows: Vec<R>,
    reply: &mut ImportSeasonReply,
) -> Result<(), Fault> {
    if rows.is_empty() {
        return Ok(());
    }
    let mut told = ImportedSection {
        section: R::SECTION.to_owned(),
        ..ImportedSection::default()
    };
    for (index, row) in (0u64..).zip(rows) {
        if reply.faults.len() >= MOST_FAULTS {
            break;
        }
        let id = row.id().to_owned();
        match one(app, unit, row).await {
            Ok(None) => told.unchanged_n += 1,
            Ok(Some(warnings)) => {
                told.written_n += 1;
                if !warnings.is_empty() {
                    reply.warnings.push(ImportWarning {
                        section: R::SECTION.to_owned(),
                        row: index,
                        id,
                        warnings,
                    });
                }
            }
            Err(fault) if matches!(fault.kind(), FaultKind::Internal | FaultKind::Unavailable) => {
                return Err(fault);
            }
            Err(fault) => reply.faults.push(ImportFault {
                section: R::SECTION.to_owned(),
                row: index,
                id,
                errors: fault
                    .into_field_errors()
                    .into_iter()
                    .map(Into::into)
                    .collect(),
            }),
        }
    }
    reply.sections.push(told);
    Ok(())
}

/// One row; none when it was loaded before with the same content.
async fn one<R: Row>(
    app: &CrossingApp,
    unit: &mut Unit,
    row: R,
) -> Result<Option<Vec<CrossWarning>>, Fault> {
    if row.id().is_empty() {
        return Err(Fault::field(
            "/id",
            "is required here, so that the entry can be sent again without harm",
        ));
    }
    if let Once::Before = once(unit, R::SECTION, row.id(), &row).await? {
        return Ok(None);
    }
    let id = row.id().to_owned();
    let digest = fingerprint(&serde_json::to_value(&row).map_err(Fault::internal)?);
    let touched_n = unit.touched_n();
    aside(unit).await?;
    match row.write(app, unit).await {
        Ok(warnings) => {
            keep_aside(unit).await?;
            remember(unit, R::SECTION, &id, &digest).await?;
            Ok(Some(warnings))
        }
        Err(fault) => {
            put_back(unit).await?;
            unit.forget_since(touched_n);
            Err(fault)
        }
    }
}

/// Writes one row under its client-made id, once; none when it was written before with the same
/// content.
///
/// # Errors
/// What the row's own call would find; nothing of the row is written then.
pub(crate) async fn row_once<R: Row>(
    app: &CrossingApp,
    unit: &mut Unit,
    row: R,
) -> Result<Option<Vec<CrossWarning>>, Fault> {
    one(app, unit, row).await
}

/// Writes a pass that came in alone, and remembers it, so that a batch which brings it again finds
/// it; none when it was recorded before with the same content.
///
/// # Errors
/// What the pass's own call finds; that its id was used with other content.
pub(crate) async fn pass_alone(
    app: &CrossingApp,
    unit: &mut Unit,
    row: RecordPassRequest,
) -> Result<Option<Pass>, Fault> {
    let section = <RecordPassRequest as Row>::SECTION;
    if let Once::Before = once(unit, section, &row.id, &row).await? {
        return Ok(None);
    }
    let id = row.id.clone();
    let digest = fingerprint(&serde_json::to_value(&row).map_err(Fault::internal)?);
    let pass = passes::write(app, unit, row).await?;
    remember(unit, section, &id, &digest).await?;
    Ok(Some(pass))
}
