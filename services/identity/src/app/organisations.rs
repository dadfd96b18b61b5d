//! Organisations outside the programme.

use contract::identity::{
    EditOrganisationRequest, GetOrganisationRequest, ListOrganisationsRequest, Organisation,
    OrganisationList, RegisterOrganisationRequest,
};
use platform::database::Instant;
use platform::fault::OnConstraint as _;
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, OrganisationId, Unit};
use sqlx::Row as _;
use sqlx::postgres::PgRow;
use uuid::Uuid;

use crate::IdentityApp;
use crate::domain::OrganisationDoes;
use crate::store::{self, Sessions};

fn shown(row: &PgRow) -> Organisation {
    Organisation {
        id: row.get::<OrganisationId, _>("id").to_string(),
        name: row.get("name"),
        kind: row.get("kind"),
        country: row.get("country"),
        active: row.get("active"),
        version: row.get("version"),
    }
}

/// Registers an organisation.
pub async fn register(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: RegisterOrganisationRequest,
) -> Result<Organisation, Fault> {
    let mut fields = Fields::new();
    let id: OrganisationId = fields.client_id(&request.id);
    let name = fields.text("name", &request.name, 200);
    let kind = fields.word::<OrganisationDoes>("kind", &request.kind);
    let country = request.country.as_str();
    fields.require(
        country.len() == 2 && country.bytes().all(|b| b.is_ascii_uppercase()),
        "country",
        "must be a two-letter code of ISO 3166-1, as US",
    );
    fields.finish()?;
    let (programme, now) = (unit.programme()?, unit.now());
    let kind = kind.map(|k| k.word()).unwrap_or_default();
    sqlx::query(
        "insert into organisation (programme_id, id, name, kind, country, registered_at) \
         values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(programme)
    .bind(id)
    .bind(name)
    .bind(kind)
    .bind(country)
    .bind(Instant(now))
    .execute(unit.connection())
    .await
    .on_constraint("organisation_name_once", || {
        Fault::exists("/name", format!("{name} is registered already"))
    })?;
    unit.touch("organisation", id);
    Ok(Organisation {
        id: id.to_string(),
        name: name.to_owned(),
        kind: kind.to_owned(),
        country: country.to_owned(),
        active: true,
        version: 1,
    })
}

/// Lists organisations.
pub async fn list(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: ListOrganisationsRequest,
) -> Result<OrganisationList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let programme = unit.programme()?;
    let rows = sqlx::query(
        "select id, name, kind, country, active, version from organisation \
         where programme_id = $1 and ($2::uuid is null or id > $2) order by id limit $3",
    )
    .bind(programme)
    .bind(page.after_key::<Uuid>()?)
    .bind(page.fetch())
    .fetch_all(unit.connection())
    .await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.get::<OrganisationId, _>("id"));
    Ok(OrganisationList {
        items: rows.iter().map(shown).collect(),
        next_cursor,
    })
}

/// Changes an organisation's standing. While it is not active, no token of its people, keys and
/// devices is taken; its people's sessions end for good.
pub async fn edit(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: EditOrganisationRequest,
) -> Result<Organisation, Fault> {
    let mut fields = Fields::new();
    let id: Option<OrganisationId> = fields.id("organisation_id", &request.organisation_id);
    fields.require(
        request.active.is_some(),
        "active",
        "is required: true or false",
    );
    fields.finish()?;
    let unknown = || Fault::not_found("organisation", &request.organisation_id);
    let id = id.ok_or_else(unknown)?;
    let (programme, now) = (unit.programme()?, unit.now());
    let version: i64 = sqlx::query_scalar(
        "select version from organisation where programme_id = $1 and id = $2 for update",
    )
    .bind(programme)
    .bind(id)
    .fetch_optional(unit.connection())
    .await?
    .ok_or_else(unknown)?;
    if version != request.expected_version {
        return Err(Fault::stale(version));
    }
    let row = sqlx::query(
        "update organisation set active = coalesce($3, active), version = version + 1 \
         where programme_id = $1 and id = $2 returning id, name, kind, country, active, version",
    )
    .bind(programme)
    .bind(id)
    .bind(request.active)
    .fetch_one(unit.connection())
    .await?;
    if request.active == Some(false) {
        let all = Sessions::OfOrganisation(id);
        store::end_sessions(unit.connection(), programme, all, "organisation ended", now).await?;
    }
    unit.touch("organisation", id);
    Ok(shown(&row))
}

/// One organisation.
pub async fn get(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: GetOrganisationRequest,
) -> Result<Organisation, Fault> {
    let mut fields = Fields::new();
    let id: Option<OrganisationId> = fields.id("organisation_id", &request.organisation_id);
    fields.finish()?;
    let programme = unit.programme()?;
    sqlx::query(
        "select id, name, kind, country, active, version from organisation where programme_id = $1 and id = $2",
    )
    .bind(programme)
    .bind(id)
    .fetch_optional(unit.connection())
    .await?
    .as_ref()
    .map(shown)
    .ok_or_else(|| Fault::not_found("organisation", &request.organisation_id))
}
