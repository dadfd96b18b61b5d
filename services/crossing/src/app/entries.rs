//! Entries of the season, which come in alone or as rows among many: each is the same operation
//! either way, under one client-made id.

use std::ops::ControlFlow;

use contract::common::FieldError;
use contract::crossing as wire;
use contract::crossing::CrossWarning;
use jiff::civil::Date;
use platform::batch::{Batch, Row, Verdict};
use platform::operation::UseCase;
use platform::{Fault, Unit};
use uuid::Uuid;

use crate::CrossingApp;
use crate::operations;
use crate::store::holds::Holds;

/// An entry that may come in among many.
pub(crate) trait Entry: Sized {
    /// The operation that it is.
    type Operation: UseCase<App = CrossingApp, Request = Self>;
    /// The name of its section where kinds of entries come in together.
    const SECTION: &'static str;

    /// Its client-made id.
    fn id(&self) -> &str;

    /// Why it could not be read; empty when it could.
    fn malformed(&self) -> &[FieldError] {
        &[]
    }

    /// Notes what writing it holds against other writers. What cannot be read is left out: the entry
    /// will be refused for it.
    fn note_holds(&self, holds: &mut Holds);

    /// The warnings that its reply carries.
    fn warnings(reply: <Self::Operation as UseCase>::Reply) -> Vec<CrossWarning>;
}

/// Holds what one entry changes.
pub(crate) async fn hold(unit: &mut Unit, entry: &impl Entry) -> Result<(), Fault> {
    let mut holds = Holds::default();
    entry.note_holds(&mut holds);
    Ok(holds.take(unit.connection()).await?)
}

/// Entries that came in together, each with what it is known by among them.
pub(crate) struct Entries<T> {
    rows: Vec<Row<CrossingApp, T, Vec<CrossWarning>>>,
    holds: Holds,
}

impl<T: Send> Entries<T> {
    /// None yet.
    pub(crate) fn new() -> Self {
        Self {
            rows: Vec::new(),
            holds: Holds::default(),
        }
    }

    /// Adds one, to be written after those before it.
    pub(crate) fn push<E: Entry>(&mut self, tag: T, entry: E) {
        entry.note_holds(&mut self.holds);
        self.rows.push(if entry.malformed().is_empty() {
            let id = entry.id().to_owned();
            Row::new::<E::Operation>(tag, &id, entry, E::warnings)
        } else {
            let why = entry.malformed().iter().cloned();
            Row::unreadable(tag, why.map(Into::into).collect())
        });
    }

    /// Writes them, each for itself, and tells what became of each, with its warnings.
    ///
    /// # Errors
    /// A fault that is no entry's own; nothing is to be kept then.
    pub(crate) async fn write(
        self,
        app: &CrossingApp,
        unit: &mut Unit,
        told: impl FnMut(T, Verdict<Vec<CrossWarning>>) -> ControlFlow<()> + Send,
    ) -> Result<(), Fault> {
        let batch = Batch::claim(unit, self.rows).await?;
        self.holds.take(unit.connection()).await?;
        batch.write(app, unit, told).await
    }
}

fn uuid(text: &str) -> Option<Uuid> {
    text.parse().ok()
}

fn year(date: &str) -> Option<i32> {
    date.parse::<Date>().ok().map(|date| date.year().into())
}

macro_rules! entries {
    ($(
        $section:literal $request:ident is $operation:ident,
        warns $warnings:expr, holds |$entry:ident, $holds:ident| $note:block
        $(, unread $malformed:ident)?;
    )+) => {
        $(
            impl Entry for wire::$request {
                type Operation = operations::$operation;
                const SECTION: &'static str = $section;

                fn id(&self) -> &str {
                    &self.id
                }

                $(fn malformed(&self) -> &[FieldError] {
                    &self.$malformed
                })?

                fn note_holds(&self, $holds: &mut Holds) {
                    let $entry = self;
                    $note
                }

                fn warnings(reply: <Self::Operation as UseCase>::Reply) -> Vec<CrossWarning> {
                    let warnings: fn(_) -> Vec<CrossWarning> = $warnings;
                    warnings(reply)
                }
            }
        )+
    };
}

entries! {
    "seasons" OpenSeasonRequest is open_season,
        warns |_: wire::Season| Vec::new(), holds |_entry, _holds| {};
    "germplasm" RegisterGermplasmRequest is register_germplasm,
        warns |reply: wire::Germplasm| reply.warnings,
        holds |_entry, holds| { holds.counters.insert(("germplasm", 0)); };
    "mothers" RegisterMotherRequest is register_mother,
        warns |_: wire::Mother| Vec::new(),
        holds |_entry, holds| { holds.counters.insert(("mother", 0)); };
    "bloom_records" RecordBloomRequest is record_bloom,
        warns |reply: wire::BloomRecord| reply.warnings, holds |_entry, _holds| {};
    "pollen_lots" GatherPollenRequest is gather_pollen,
        warns |reply: wire::PollenLot| reply.warnings,
        holds |entry, holds| {
            let year = year(&entry.gathered_on);
            holds.counters.extend(year.map(|year| ("pollen_lot", year)));
        };
    "pollen_events" RecordPollenEventRequest is record_pollen_event,
        warns |_: wire::PollenLot| Vec::new(),
        holds |entry, holds| { holds.lots.extend(uuid(&entry.pollen_lot_id)); };
    "crosses" PlanCrossRequest is plan_cross,
        warns |reply: wire::Cross| reply.warnings,
        holds |entry, holds| {
            let season = entry.season.trim().parse().ok();
            holds.counters.extend(season.map(|season| ("cross", season)));
        };
    "mother_events" RecordMotherEventRequest is record_mother_event,
        warns |_: wire::Mother| Vec::new(),
        holds |entry, holds| { holds.worked_mothers.extend(uuid(&entry.mother_id)); };
    "passes" RecordPassRequest is record_pass,
        warns |reply: wire::Pass| reply.warnings,
        holds |entry, holds| {
            holds.mothers.extend(uuid(&entry.mother_id));
            holds.lots.extend(uuid(&entry.pollen_lot_id));
            holds.crosses.extend(uuid(&entry.cross_id));
            holds.superseded_passes.extend(uuid(&entry.supersedes));
        },
        unread malformed;
    "fruit" RecordFruitRequest is record_fruit,
        warns |_: wire::FruitCount| Vec::new(),
        holds |entry, holds| {
            holds.crosses.extend(uuid(&entry.cross_id));
            holds.superseded_fruit.extend(uuid(&entry.supersedes));
        };
    "seed" RecordSeedRequest is record_seed,
        warns |_: wire::SeedCount| Vec::new(),
        holds |entry, holds| {
            holds.crosses.extend(uuid(&entry.cross_id));
            holds.superseded_seed.extend(uuid(&entry.supersedes));
        };
    "seedlings" PlantSeedlingsRequest is plant_seedlings,
        warns |reply: wire::Planting| reply.warnings,
        holds |entry, holds| { holds.crosses.extend(uuid(&entry.cross_id)); };
}
