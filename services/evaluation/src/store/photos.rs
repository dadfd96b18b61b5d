//! Photographs kept elsewhere.

use contract::evaluation::TreePhoto;
use jiff::Timestamp;
use platform::database::Instant;
use platform::{Fault, ProgrammeId};
use sqlx::PgConnection;

use crate::domain::{PhotoId, TreeId};

#[derive(sqlx::FromRow)]
struct Row {
    id: PhotoId,
    tree_id: TreeId,
    address: String,
    sha256: String,
    taken_at: Instant,
    observer: String,
    #[sqlx(rename = "trait")]
    shows: String,
    note: String,
}

/// Writes a reference; `photo` holds all but the ids and the instant.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    (id, tree, taken_at): (PhotoId, TreeId, Timestamp),
    photo: &TreePhoto,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into photo (programme_id, id, tree_id, address, sha256, taken_at, observer, trait, \
         note) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
    )
    .bind(programme)
    .bind(id)
    .bind(tree)
    .bind(&photo.address)
    .bind(&photo.sha256)
    .bind(Instant(taken_at))
    .bind(&photo.by)
    .bind(&photo.r#trait)
    .bind(&photo.note)
    .execute(connection)
    .await?;
    Ok(())
}

/// Photographs of a tree in order of id, after a known one.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    tree: TreeId,
    after: Option<PhotoId>,
    limit: i64,
) -> Result<Vec<TreePhoto>, Fault> {
    let rows: Vec<Row> = sqlx::query_as(
        "select id, tree_id, address, sha256, taken_at, observer, trait, note from photo \
         where programme_id = $1 and tree_id = $2 and ($3::uuid is null or id > $3) \
         order by id limit $4",
    )
    .bind(programme)
    .bind(tree)
    .bind(after)
    .bind(limit)
    .fetch_all(connection)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| TreePhoto {
            id: row.id.to_string(),
            tree_id: row.tree_id.to_string(),
            address: row.address,
            sha256: row.sha256,
            taken_at: row.taken_at.0.to_string(),
            by: row.observer,
            r#trait: row.shows,
            note: row.note,
        })
        .collect())
}
