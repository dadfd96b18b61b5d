//! Entries that take the place of wrong ones.

use platform::ids::Id;
use platform::{Fault, Fields, Unit};

use super::{NOTE_CHARS, at_most};
use crate::domain::CrossId;
use crate::store::corrections::{self as store, Entries, Stands};

/// What a correcting entry says of the one whose place it takes.
#[derive(Debug, Clone)]
pub(crate) struct Correction<K> {
    /// The wrong entry.
    pub supersedes: Id<K>,
    /// Why it was wrong.
    pub why: String,
}

/// Reads a correction; none for an entry of its own.
pub(crate) fn read<K>(
    fields: &mut Fields,
    supersedes: &str,
    why: &str,
    withdraw: bool,
) -> Option<Correction<K>> {
    at_most(fields, "correction", why, NOTE_CHARS);
    let why = why.trim();
    if supersedes.is_empty() {
        fields.require(
            why.is_empty(),
            "supersedes",
            "is required with a correction: name the entry that was wrong",
        );
        fields.require(
            !withdraw,
            "supersedes",
            "is required to withdraw: name the entry that should not have been made",
        );
        return None;
    }
    fields.require(
        !why.is_empty(),
        "correction",
        "is required: say why the superseded entry was wrong",
    );
    Some(Correction {
        supersedes: fields.optional_id("supersedes", supersedes)?,
        why: why.to_owned(),
    })
}

/// Lets an entry stand back for another, so that all that is read from then on is without it, and
/// gives its cross. A fault found later undoes it with the rest.
pub(crate) async fn stand_back<K>(
    fields: &mut Fields,
    unit: &mut Unit,
    entries: Entries,
    correction: Option<&Correction<K>>,
    by: Id<K>,
) -> Result<Option<CrossId>, Fault> {
    let Some(correction) = correction else {
        return Ok(None);
    };
    let old = correction.supersedes;
    if old == by {
        fields.fault(
            "supersedes",
            "is the id of this very entry; give it its own",
        );
        return Ok(None);
    }
    let stands = store::supersede(unit.connection(), entries, old.uuid(), by.uuid()).await?;
    match stands {
        Stands::Back(cross) => return Ok(Some(cross)),
        Stands::Unknown => fields.fault("supersedes", format!("no entry {old} is known here")),
        Stands::SupersededBy(later) => fields.fault(
            "supersedes",
            format!("{old} was superseded by {later} already; correct that one"),
        ),
        Stands::Withdrawn => fields.fault("supersedes", format!("{old} is itself a withdrawal")),
    }
    Ok(None)
}
