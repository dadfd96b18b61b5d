//! Sites.

use contract::evaluation::{GetSiteRequest, ListSitesRequest, RegisterSiteRequest, Site, SiteList};
use jiff::tz::TimeZone;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};

use crate::EvaluationApp;
use crate::domain::trial::ROOTSTOCK_CHARS;
use crate::store;

/// Registers a place where trials stand.
///
/// # Errors
/// Invalid fields; a name that is taken.
pub async fn register(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: RegisterSiteRequest,
) -> Result<Site, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let id = fields.client_id(&request.id);
    let name = fields.text("name", &request.name, 120).to_owned();
    let country = fields.text("country", &request.country, 60).to_owned();
    let is_country = country.len() == 2 && country.bytes().all(|b| b.is_ascii_uppercase());
    fields.require(
        country.is_empty() || is_country,
        "country",
        format!("{country:?} is not a country code of ISO 3166, as US"),
    );
    let time_zone = fields.text("time_zone", &request.time_zone, 60).to_owned();
    fields.require(
        time_zone.is_empty() || TimeZone::get(&time_zone).is_ok(),
        "time_zone",
        format!("{time_zone:?} is not a time zone, as America/Los_Angeles"),
    );
    if let Some(latitude) = request.latitude_deg {
        fields.number("latitude_deg", latitude, -90.0, 90.0);
    }
    if let Some(longitude) = request.longitude_deg {
        fields.number("longitude_deg", longitude, -180.0, 180.0);
    }
    if let Some(elevation) = request.elevation_m {
        fields.number("elevation_m", elevation, -430.0, 6000.0);
    }
    fields.require(
        request.soil.chars().count() <= 500,
        "soil",
        "is longer than 500 characters; shorten it",
    );
    fields.require(
        request.climate_station.chars().count() <= 120,
        "climate_station",
        "is longer than 120 characters; shorten it",
    );
    fields.require(
        request.rootstock.chars().count() <= ROOTSTOCK_CHARS,
        "rootstock",
        format!("is longer than {ROOTSTOCK_CHARS} characters; shorten it"),
    );
    fields.finish()?;
    let site = Site {
        id: id.to_string(),
        name,
        country,
        time_zone,
        latitude_deg: request.latitude_deg,
        longitude_deg: request.longitude_deg,
        soil: request.soil.trim().to_owned(),
        elevation_m: request.elevation_m,
        climate_station: request.climate_station.trim().to_owned(),
        rootstock: request.rootstock.trim().to_owned(),
    };
    store::sites::insert(unit.connection(), programme, id, &site).await?;
    unit.touch("site", id);
    Ok(site)
}

/// One site.
///
/// # Errors
/// Not found.
pub async fn get(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetSiteRequest,
) -> Result<Site, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let id = fields.id("site_id", &request.site_id);
    fields.finish()?;
    let Some(id) = id else {
        return Err(Fault::not_found("site", request.site_id));
    };
    store::sites::get(unit.connection(), programme, id).await
}

/// Lists sites.
///
/// # Errors
/// A page that cannot be given.
pub async fn list(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: ListSitesRequest,
) -> Result<SiteList, Fault> {
    let programme = unit.programme()?;
    let page = Page::parse(request.limit, &request.cursor)?;
    let sites = store::sites::list(
        unit.connection(),
        programme,
        page.after_key()?,
        page.fetch(),
    )
    .await?;
    let (items, next_cursor) = page.cut(sites, |site| site.id.clone());
    Ok(SiteList { items, next_cursor })
}
