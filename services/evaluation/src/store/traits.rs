//! The trait library.

use platform::{Fault, ProgrammeId};
use sqlx::PgConnection;
use sqlx::types::Json;

use super::word;
use crate::domain::standard;
use crate::domain::traits::{Characteristic, Computed, State, Trait};
use platform::fields::Words as _;

#[derive(sqlx::FromRow)]
struct Row {
    code: String,
    name: String,
    method: String,
    scale: String,
    unit: String,
    least: Option<f64>,
    largest: Option<f64>,
    states: Json<Vec<State>>,
    source: String,
    better: String,
    computed: Option<String>,
    first_code: Option<String>,
    second_code: Option<String>,
    standard: bool,
    upov: Json<Vec<Characteristic>>,
}

impl TryFrom<Row> for Trait {
    type Error = Fault;

    fn try_from(row: Row) -> Result<Self, Fault> {
        let computed = match (row.computed, row.first_code, row.second_code) {
            (Some(how), Some(first), Some(second)) => Some(Computed {
                how: word(&how)?,
                first,
                second,
            }),
            _ => None,
        };
        Ok(Self {
            code: row.code,
            name: row.name,
            method: row.method,
            scale: word(&row.scale)?,
            unit: row.unit,
            least: row.least,
            largest: row.largest,
            states: row.states.0,
            source: row.source,
            better: word(&row.better)?,
            computed,
            standard: row.standard,
            upov: row.upov.0,
        })
    }
}

/// Writes a trait unless its code is there; tells whether it was written.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    defined: &Trait,
) -> Result<bool, Fault> {
    let computed = defined.computed.as_ref();
    let written = sqlx::query(
        "insert into trait (programme_id, code, name, method, scale, unit, least, largest, states, \
         source, better, computed, first_code, second_code, standard, upov) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16) \
         on conflict (programme_id, code) do nothing",
    )
    .bind(programme)
    .bind(&defined.code)
    .bind(&defined.name)
    .bind(&defined.method)
    .bind(defined.scale.word())
    .bind(&defined.unit)
    .bind(defined.least)
    .bind(defined.largest)
    .bind(Json(&defined.states))
    .bind(&defined.source)
    .bind(defined.better.word())
    .bind(computed.map(|c| c.how.word()))
    .bind(computed.map(|c| &c.first))
    .bind(computed.map(|c| &c.second))
    .bind(defined.standard)
    .bind(Json(&defined.upov))
    .execute(connection)
    .await?;
    Ok(written.rows_affected() == 1)
}

/// Replaces the characteristics that a trait serves; tells whether there is such a trait.
pub async fn put_upov(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    code: &str,
    upov: &[Characteristic],
) -> Result<bool, Fault> {
    let written = sqlx::query("update trait set upov = $3 where programme_id = $1 and code = $2")
        .bind(programme)
        .bind(code)
        .bind(Json(upov))
        .execute(connection)
        .await?;
    Ok(written.rows_affected() == 1)
}

/// The library in order of code.
pub async fn all(
    connection: &mut PgConnection,
    programme: ProgrammeId,
) -> Result<Vec<Trait>, Fault> {
    sqlx::query_as::<_, Row>(
        "select code, name, method, scale, unit, least, largest, states, source, better, computed, \
         first_code, second_code, standard, upov from trait where programme_id = $1 order by code",
    )
    .bind(programme)
    .fetch_all(connection)
    .await?
    .into_iter()
    .map(Trait::try_from)
    .collect()
}

/// One trait; of a programme that has none yet, of the standard set.
pub async fn get(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    code: &str,
) -> Result<Option<Trait>, Fault> {
    let library = library(connection, programme).await?;
    Ok(library.into_iter().find(|defined| defined.code == code))
}

/// The library, or the standard set while there is none.
pub async fn library(
    connection: &mut PgConnection,
    programme: ProgrammeId,
) -> Result<Vec<Trait>, Fault> {
    let stored = all(connection, programme).await?;
    Ok(if stored.is_empty() {
        standard::traits()
    } else {
        stored
    })
}

/// The library, which takes the standard set when it is empty.
pub async fn library_kept(
    connection: &mut PgConnection,
    programme: ProgrammeId,
) -> Result<Vec<Trait>, Fault> {
    let stored = all(connection, programme).await?;
    if !stored.is_empty() {
        return Ok(stored);
    }
    add_standard(connection, programme).await?;
    all(connection, programme).await
}

/// Adds the standard traits that are not there.
pub async fn add_standard(
    connection: &mut PgConnection,
    programme: ProgrammeId,
) -> Result<(), Fault> {
    for defined in standard::traits() {
        insert(connection, programme, &defined).await?;
    }
    Ok(())
}
