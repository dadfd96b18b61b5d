//! Denominations of others, from lists taken in.

use platform::database::{Day, Instant};
use platform::paging::Page;
use platform::{Fault, ProgrammeId};
use sqlx::{FromRow, PgConnection};
use uuid::Uuid;

use crate::domain::KnownNameId;

/// The first word of a class in lower case; names are compared within it.
pub fn genus(class: &str) -> String {
    class
        .split_whitespace()
        .next()
        .unwrap_or_default()
        .to_lowercase()
}

/// A known name as it is kept.
#[derive(Debug, Clone, FromRow)]
pub struct KnownNameRow {
    /// Its id.
    pub id: KnownNameId,
    /// The name.
    pub name: String,
    /// Without case, spaces, hyphens and accents.
    pub folded: String,
    /// Latin name of the genus or species.
    pub class: String,
    /// Where it was registered; empty when not told.
    pub jurisdiction: String,
    /// The list.
    pub source: String,
    /// When the list was drawn up.
    pub listed_on: Day,
}

/// Writes names; gives how many were new to their source.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    rows: &[KnownNameRow],
    at: Instant,
) -> Result<u64, sqlx::Error> {
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.uuid()).collect();
    let text = |of: fn(&KnownNameRow) -> &str| -> Vec<&str> { rows.iter().map(of).collect() };
    let genera: Vec<String> = rows.iter().map(|row| genus(&row.class)).collect();
    let listed: Vec<Day> = rows.iter().map(|row| row.listed_on).collect();
    let done = sqlx::query(
        "insert into known_name (programme_id, id, name, folded, class, genus, jurisdiction, \
         source, listed_on, taken_at) \
         select $1, n.*, $10 from unnest($2::uuid[], $3::text[], $4::text[], $5::text[], $6::text[], \
           $7::text[], $8::text[], $9::date[]) as n \
         on conflict on constraint known_name_once do nothing",
    )
    .bind(programme)
    .bind(ids)
    .bind(text(|row| &row.name))
    .bind(text(|row| &row.folded))
    .bind(text(|row| &row.class))
    .bind(genera)
    .bind(text(|row| &row.jurisdiction))
    .bind(text(|row| &row.source))
    .bind(listed)
    .bind(at)
    .execute(connection)
    .await?;
    Ok(done.rows_affected())
}

/// Names and classes within a genus, each name once.
pub async fn of_genus(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    genus: &str,
) -> Result<Vec<(String, String)>, sqlx::Error> {
    sqlx::query_as(
        "select distinct on (folded) name, class from known_name \
         where programme_id = $1 and genus = $2 order by folded, listed_on desc, id",
    )
    .bind(programme)
    .bind(genus)
    .fetch_all(connection)
    .await
}

/// A page of names.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    folded: Option<&str>,
    genus: Option<&str>,
    page: &Page,
) -> Result<Vec<KnownNameRow>, Fault> {
    Ok(sqlx::query_as(
        "select id, name, folded, class, jurisdiction, source, listed_on from known_name \
         where programme_id = $1 and ($2::uuid is null or id > $2) \
           and ($3::text is null or folded = $3) and ($4::text is null or genus = $4) \
         order by id limit $5",
    )
    .bind(programme)
    .bind(page.after_key::<Uuid>()?)
    .bind(folded)
    .bind(genus)
    .bind(page.fetch())
    .fetch_all(connection)
    .await?)
}
