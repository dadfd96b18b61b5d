//! Sites.

use contract::evaluation::Site;
use platform::fault::OnConstraint as _;
use platform::{Fault, ProgrammeId};
use sqlx::PgConnection;

use crate::domain::SiteId;

#[derive(sqlx::FromRow)]
struct Row {
    id: SiteId,
    name: String,
    country: String,
    time_zone: String,
    latitude_deg: Option<f64>,
    longitude_deg: Option<f64>,
    soil: String,
    elevation_m: Option<f64>,
    climate_station: String,
    rootstock: String,
}

impl From<Row> for Site {
    fn from(row: Row) -> Self {
        Self {
            id: row.id.to_string(),
            name: row.name,
            country: row.country,
            time_zone: row.time_zone,
            latitude_deg: row.latitude_deg,
            longitude_deg: row.longitude_deg,
            soil: row.soil,
            elevation_m: row.elevation_m,
            climate_station: row.climate_station,
            rootstock: row.rootstock,
        }
    }
}

/// Writes a site.
pub async fn insert(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: SiteId,
    site: &Site,
) -> Result<(), Fault> {
    sqlx::query(
        "insert into site (programme_id, id, name, country, time_zone, latitude_deg, \
         longitude_deg, soil, elevation_m, climate_station, rootstock) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
    )
    .bind(programme)
    .bind(id)
    .bind(&site.name)
    .bind(&site.country)
    .bind(&site.time_zone)
    .bind(site.latitude_deg)
    .bind(site.longitude_deg)
    .bind(&site.soil)
    .bind(site.elevation_m)
    .bind(&site.climate_station)
    .bind(&site.rootstock)
    .execute(connection)
    .await
    .on_constraint("site_name_once", || {
        Fault::exists("/name", format!("there is a site {:?} already", site.name))
    })
    .map(drop)
}

/// One site.
pub async fn get(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    id: SiteId,
) -> Result<Site, Fault> {
    sqlx::query_as::<_, Row>(
        "select id, name, country, time_zone, latitude_deg, longitude_deg, soil, elevation_m, \
         climate_station, rootstock \
         from site where programme_id = $1 and id = $2",
    )
    .bind(programme)
    .bind(id)
    .fetch_optional(connection)
    .await?
    .map(Site::from)
    .ok_or_else(|| Fault::not_found("site", id))
}

/// Sites in order of id, after a known one.
pub async fn list(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    after: Option<SiteId>,
    limit: i64,
) -> Result<Vec<Site>, Fault> {
    let rows = sqlx::query_as::<_, Row>(
        "select id, name, country, time_zone, latitude_deg, longitude_deg, soil, elevation_m, \
         climate_station, rootstock \
         from site where programme_id = $1 and ($2::uuid is null or id > $2) order by id limit $3",
    )
    .bind(programme)
    .bind(after)
    .bind(limit)
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(Site::from).collect())
}

/// Which of the ids are sites of the programme, with their time zones.
pub async fn zones(
    connection: &mut PgConnection,
    programme: ProgrammeId,
    ids: &[SiteId],
) -> Result<Vec<(SiteId, String)>, Fault> {
    Ok(
        sqlx::query_as("select id, time_zone from site where programme_id = $1 and id = any($2)")
            .bind(programme)
            .bind(ids)
            .fetch_all(connection)
            .await?,
    )
}
