//! Entries that stand back for later ones.

use uuid::Uuid;

use super::Db;
use crate::domain::CrossId;

/// Which entries.
#[derive(Debug, Clone, Copy)]
pub enum Entries {
    /// Passes.
    Passes,
    /// Counts of fruit.
    Fruit,
    /// Steps of seed.
    Seed,
}

/// What became of an entry that was to stand back.
#[derive(Debug, Clone, Copy)]
pub enum Stands {
    /// It stands back; it was of this cross.
    Back(CrossId),
    /// There is no such entry.
    Unknown,
    /// Another took its place before.
    SupersededBy(Uuid),
    /// It withdrew one itself.
    Withdrawn,
}

/// Lets an entry stand back for another.
pub async fn supersede(
    db: &mut Db,
    entries: Entries,
    old: Uuid,
    new: Uuid,
) -> Result<Stands, sqlx::Error> {
    let (update, look) = match entries {
        Entries::Passes => (
            "update pass_entry set superseded_by = $2 where programme_id = current_programme() \
             and id = $1 and superseded_by is null and not withdrawn returning cross_id",
            "select superseded_by from pass_entry where programme_id = current_programme() and id = $1",
        ),
        Entries::Fruit => (
            "update fruit_entry set superseded_by = $2 where programme_id = current_programme() \
             and id = $1 and superseded_by is null and not withdrawn returning cross_id",
            "select superseded_by from fruit_entry where programme_id = current_programme() and id = $1",
        ),
        Entries::Seed => (
            "update seed_record set superseded_by = $2 where programme_id = current_programme() \
             and id = $1 and superseded_by is null and not withdrawn returning cross_id",
            "select superseded_by from seed_record where programme_id = current_programme() and id = $1",
        ),
    };
    let cross: Option<CrossId> = sqlx::query_scalar(update)
        .bind(old)
        .bind(new)
        .fetch_optional(&mut *db)
        .await?;
    if let Some(cross) = cross {
        return Ok(Stands::Back(cross));
    }
    let later: Option<Option<Uuid>> = sqlx::query_scalar(look)
        .bind(old)
        .fetch_optional(db)
        .await?;
    Ok(match later {
        None => Stands::Unknown,
        Some(Some(later)) => Stands::SupersededBy(later),
        Some(None) => Stands::Withdrawn,
    })
}
