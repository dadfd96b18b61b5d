//! Loading a season whole: every row goes through the use case that a person's own call would,
//! everything is checked, and all is written or nothing.

use std::ops::ControlFlow;

use contract::crossing::{
    ImportFault, ImportSeasonReply, ImportSeasonRequest, ImportWarning, ImportedSection,
};
use platform::batch::Verdict;
use platform::{Fault, Unit};

use super::entries::{Entries, Entry};
use crate::CrossingApp;

/// Faults after which an import is given up: nobody mends more at once.
const MOST_FAULTS: usize = 1000;

/// A row's place: that of its section among those of the reply, and its own within it.
struct Place {
    section: usize,
    row: u64,
    id: String,
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
    let mut entries = Entries::new();
    let sections = &mut reply.sections;
    // What a row rests on comes before it.
    add(&mut entries, sections, request.seasons);
    add(&mut entries, sections, request.germplasm);
    add(&mut entries, sections, request.mothers);
    add(&mut entries, sections, request.bloom_records);
    add(&mut entries, sections, request.pollen_lots);
    add(&mut entries, sections, request.pollen_events);
    add(&mut entries, sections, request.crosses);
    add(&mut entries, sections, request.mother_events);
    add(&mut entries, sections, request.passes);
    add(&mut entries, sections, request.fruit);
    add(&mut entries, sections, request.seed);
    add(&mut entries, sections, request.seedlings);
    entries
        .write(app, unit, |place, verdict| tell(&mut reply, place, verdict))
        .await?;
    reply.written = reply.faults.is_empty() && !request.check_only;
    if !reply.written {
        sqlx::query("rollback to savepoint whole_import")
            .execute(unit.connection())
            .await?;
        unit.forget_since(touched_n);
    }
    Ok(reply)
}

fn add<E: Entry>(entries: &mut Entries<Place>, sections: &mut Vec<ImportedSection>, rows: Vec<E>) {
    if rows.is_empty() {
        return;
    }
    for (row, entry) in (0..).zip(rows) {
        let place = Place {
            section: sections.len(),
            row,
            id: entry.id().to_owned(),
        };
        entries.push(place, entry);
    }
    sections.push(ImportedSection {
        section: E::SECTION.to_owned(),
        ..ImportedSection::default()
    });
}

fn tell(
    reply: &mut ImportSeasonReply,
    Place { section, row, id }: Place,
    verdict: Verdict<Vec<contract::crossing::CrossWarning>>,
) -> ControlFlow<()> {
    let told = &mut reply.sections[section];
    let section = told.section.clone();
    match verdict {
        Verdict::Duplicate => told.unchanged_n += 1,
        Verdict::Accepted(warnings) => {
            told.written_n += 1;
            if !warnings.is_empty() {
                reply.warnings.push(ImportWarning {
                    section,
                    row,
                    id,
                    warnings,
                });
            }
        }
        Verdict::Rejected(errors) => reply.faults.push(ImportFault {
            section,
            row,
            id,
            errors: errors.into_iter().map(Into::into).collect(),
        }),
    }
    if reply.faults.len() >= MOST_FAULTS {
        ControlFlow::Break(())
    } else {
        ControlFlow::Continue(())
    }
}
