//! SQL, and the private shapes of rows.

/// The part of a query after `from`, for [`page_of`]: rows beyond a cursor, oldest or newest first,
/// that fit two ids where those are given and, where one is told, a condition besides. `table` is
/// the table's short name with its dot, or nothing.
macro_rules! page_where {
    (oldest $table:literal, $first:literal, $second:literal $(, $besides:literal)?) => {
        page_where!(@ $table, $first, $second, " > ", "", [$($besides)?])
    };
    (newest $table:literal, $first:literal, $second:literal $(, $besides:literal)?) => {
        page_where!(@ $table, $first, $second, " < ", " desc", [$($besides)?])
    };
    (@ $table:literal, $first:literal, $second:literal, $beyond:literal, $order:literal,
        [$($besides:literal)?]) => {
        concat!(
            "where ",
            $table,
            "programme_id = $1 and ($2::uuid is null or ",
            $table,
            "id",
            $beyond,
            "$2) and ($3::uuid is null or ",
            $table,
            $first,
            " = $3) and ($4::uuid is null or ",
            $table,
            $second,
            " = $4) ",
            $($besides,)?
            " order by ",
            $table,
            "id",
            $order,
            " limit $5"
        )
    };
}

pub mod agreements;
pub mod candidates;
pub mod denominations;
pub mod dossiers;
pub mod gates;
pub mod groups;
pub mod inspections;
pub mod known_names;
pub mod licences;
pub mod links;
pub mod material;
pub mod pipeline;
pub mod reports;
pub mod royalties;
pub mod webhooks;

use platform::numbering::with_check_character;
use platform::paging::Page;
use platform::{Fault, ProgrammeId};
use sqlx::postgres::PgRow;
use sqlx::{FromRow, PgConnection};
use uuid::Uuid;

/// A page of the rows that a query ending in `page_where!` gives, of two ids where they are told.
pub async fn page_of<R>(
    connection: &mut PgConnection,
    query: &'static str,
    programme: ProgrammeId,
    (first, second): (Option<Uuid>, Option<Uuid>),
    page: &Page,
) -> Result<Vec<R>, Fault>
where
    R: for<'r> FromRow<'r, PgRow> + Send + Unpin,
{
    Ok(sqlx::query_as(query)
        .bind(programme)
        .bind(page.after_key::<Uuid>()?)
        .bind(first)
        .bind(second)
        .bind(page.fetch())
        .fetch_all(connection)
        .await?)
}

/// The next number of a series, such as `L-0007` with its check character; never given twice.
pub async fn next_number(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    kind: &str,
    letter: char,
) -> Result<String, sqlx::Error> {
    let n: i64 = sqlx::query_scalar(
        "insert into number_series (programme_id, kind, last_n) values ($1, $2, 1) \
         on conflict (programme_id, kind) do update set last_n = number_series.last_n + 1 \
         returning last_n",
    )
    .bind(programme)
    .bind(kind)
    .fetch_one(connection)
    .await?;
    Ok(with_check_character(&format!("{letter}-{n:04}")))
}
