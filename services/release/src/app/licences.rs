//! Licences: granted, amended, ended, and never two exclusive ones on the same ground.

use contract::release::{
    AmendLicenceRequest, EndLicenceRequest, GetLicenceRequest, GrantLicenceRequest, Licence,
    LicenceChange, LicenceList, ListLicencesRequest, ReportingTerms, RoyaltyTerms,
};
use jiff::ToSpan as _;
use jiff::civil::Date;
use platform::database::{Day, Instant};
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, OrganisationId, Unit};
use rights::CAUTION;
use serde_json::json;
use sqlx::Connection as _;
use sqlx::types::Json;

use super::asked::{self, checked};
use super::events::{Announcement, announce};
use super::{groups, neighbours, shown};
use crate::ReleaseApp;
use crate::domain::groups::{Groups, Named, comes_to, simplest};
use crate::domain::money::Royalty;
use crate::domain::reporting::{Reporting, Terms};
use crate::domain::webhook::Topic;
use crate::domain::words::Purpose;
use crate::domain::{CandidateId, LicenceId};
use crate::store::licences::{self, ChangeRow, LicenceRow};
use crate::store::next_number;
use crate::store::webhooks::Subject;

/// Most trees one licence may speak of.
const TREES_MAX: u32 = 1_000_000_000;

/// Reads places as of a day, noting faults by item.
fn territories(fields: &mut Fields, groups: &Groups, codes: &[String], on: Date) -> Vec<Named> {
    fields.require(
        !codes.is_empty(),
        "territory",
        "is required: ISO 3166-1 countries as US, ISO 3166-2 parts as US-CA, groups of countries as EU, or WORLD",
    );
    codes
        .iter()
        .enumerate()
        .filter_map(|(i, code)| {
            groups
                .named(code, on)
                .map_err(|fault| fields.fault(&format!("territory/{i}"), fault))
                .ok()
        })
        .collect()
}

/// A licence's territory by the codes that it names, and by those of what they come to.
fn ground(named: Vec<Named>, on: Date) -> (Vec<String>, Vec<String>) {
    let named = simplest(named, on);
    let comes_to = groups::codes(&comes_to(&named));
    (
        named.into_iter().map(|place| place.code).collect(),
        comes_to,
    )
}

fn reporting(fields: &mut Fields, told: Option<&ReportingTerms>) -> Option<Terms> {
    told.and_then(|told| Terms::read(fields, "reporting", told))
}

fn royalty(fields: &mut Fields, terms: Option<&RoyaltyTerms>) -> Option<Royalty> {
    terms.and_then(|terms| Royalty::read(fields, "royalty", terms))
}

fn cap(fields: &mut Fields, asked: Option<u32>) -> Option<i64> {
    asked.map(|n| i64::from(fields.count("propagate_max_n", n, 1, TREES_MAX)))
}

/// Grants a licence.
pub async fn grant(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: GrantLicenceRequest,
) -> Result<Licence, Fault> {
    let groups = groups::known(unit).await?;
    let mut fields = Fields::new();
    let id: LicenceId = fields.client_id(&request.id);
    let candidate_id: Option<CandidateId> = fields.id("candidate_id", &request.candidate_id);
    let licensee: Option<OrganisationId> = fields.id("licensee_id", &request.licensee_id);
    let purpose = fields.word::<Purpose>("purpose", &request.purpose);
    let starts = fields.date("starts_on", &request.starts_on);
    let on = starts.unwrap_or_else(|| unit.today());
    let territory = territories(&mut fields, &groups, &request.territory, on);
    let reporting = reporting(&mut fields, request.reporting.as_ref());
    let ends = fields.optional_date("ends_on", &request.ends_on);
    let max = cap(&mut fields, request.propagate_max_n);
    let royalty = royalty(&mut fields, request.royalty.as_ref());
    if let (Some(starts), Some(ends)) = (starts, ends) {
        fields.require(
            ends >= starts,
            "ends_on",
            format!("comes before the start, {starts}"),
        );
    }
    fields.finish()?;
    let (candidate_id, licensee, purpose, starts) = (
        checked(candidate_id, "candidate_id")?,
        checked(licensee, "licensee_id")?,
        checked(purpose, "purpose")?,
        checked(starts, "starts_on")?,
    );
    let programme = unit.programme()?;
    let organisation = neighbours::organisation(app, programme, "licensee_id", licensee).await?;
    // Writers about one candidate take turns, so that of two that clash one is told so plainly; the
    // constraint in the database holds in any case.
    let candidate = match asked::locked_candidate(unit, &candidate_id.to_string()).await {
        Err(fault) if fault.kind() == platform::fault::FaultKind::NotFound => {
            return Err(Fault::field("/candidate_id", fault.detail()));
        }
        found => found?,
    };
    if candidate.stage == "withdrawn" {
        return Err(Fault::state(
            "the candidate is withdrawn; nothing is licensed of it",
        ));
    }
    let now = Instant(unit.now());
    let number = next_number(unit.connection(), programme, "licence", 'L').await?;
    let (territory, comes_to) = ground(territory, starts);
    let row = LicenceRow {
        id,
        number,
        candidate_id,
        licensee_id: licensee,
        licensee_name: organisation.name,
        purpose: purpose.word().to_owned(),
        territory,
        exclusive: request.exclusive,
        starts_on: Day(starts),
        ends_on: ends.map(Day),
        propagate_max_n: max,
        royalty: royalty.map(Json),
        sublicensing: request.sublicensing,
        comes_to,
        reporting: Json(Reporting::default().with(starts, reporting)),
        version: 1,
        propagated_n: 0,
        candidate_code: candidate.code,
        denomination: None,
    };
    licences::insert(unit.connection(), programme, &row, now).await?;
    claim(unit, &row, starts).await?;
    change(unit, &row, "granted", starts, "granted").await?;
    one(unit, id).await
}

/// Lays claim to the licence's ground from a day on.
async fn claim(unit: &mut Unit, row: &LicenceRow, from: Date) -> Result<(), Fault> {
    let programme = unit.programme()?;
    // A savepoint, so that after a clash one can still say with whom.
    let mut attempt = unit.connection().begin().await?;
    match licences::claim(&mut attempt, programme, row, from).await {
        Ok(()) => {
            attempt.commit().await?;
            Ok(())
        }
        Err(sqlx::Error::Database(error)) if error.constraint() == Some(licences::EXCLUSIVE) => {
            attempt.rollback().await?;
            let others = licences::in_the_way(unit.connection(), programme, row, from).await?;
            let named: Vec<_> = others
                .iter()
                .map(|(number, exclusive, territory)| {
                    let kind = if *exclusive {
                        "exclusive"
                    } else {
                        "not exclusive"
                    };
                    format!("{number} ({kind}, {})", territory.join(", "))
                })
                .collect();
            Err(Fault::exists(
                "/territory",
                format!(
                    "an exclusive licence stands alone for its candidate, purpose, territory and time; this one overlaps {}",
                    if named.is_empty() {
                        "another".to_owned()
                    } else {
                        named.join("; ")
                    }
                ),
            ))
        }
        Err(error) => Err(error.into()),
    }
}

async fn change(
    unit: &mut Unit,
    row: &LicenceRow,
    what: &str,
    on: Date,
    reason: &str,
) -> Result<(), Fault> {
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    let made = ChangeRow {
        change: what.to_owned(),
        on_day: Day(on),
        reason: reason.to_owned(),
        changed_by: unit.caller().name.clone(),
        terms: Json(row.terms()),
    };
    licences::insert_change(unit.connection(), programme, row.id, &made, now).await?;
    unit.touch("licence", row.id);
    let topic = match what {
        "granted" => Topic::LicenceGranted,
        "amended" => Topic::LicenceAmended,
        _ => Topic::LicenceEnded,
    };
    let open = json!({
        "licence_id": row.id.to_string(),
        "number": row.number,
        "on": on.to_string(),
        "territory": row.territory,
        "purpose": row.purpose,
        "exclusive": row.exclusive,
        "starts_on": row.starts_on.0.to_string(),
        "ends_on": shown::day(row.ends_on.map(|on| on.0)),
        "propagate_max_n": row.propagate_max_n,
        "comes_to": row.comes_to,
    });
    let told = Announcement::new(Subject::Licence, row.id.uuid(), row.candidate_id, open)
        .for_staff(json!({
            "licensee_id": row.licensee_id.to_string(),
            "licensee_name": row.licensee_name,
            "reason": reason,
        }));
    announce(unit, topic, &told).await
}

/// A licence for the contract, without its history.
pub(super) fn told(row: LicenceRow, today: Date) -> Licence {
    Licence {
        standing: row.standing(today).to_owned(),
        id: row.id.to_string(),
        number: row.number,
        candidate_id: row.candidate_id.to_string(),
        licensee_id: row.licensee_id.to_string(),
        licensee_name: row.licensee_name,
        territory: row.territory,
        purpose: row.purpose,
        exclusive: row.exclusive,
        starts_on: row.starts_on.0.to_string(),
        ends_on: shown::day(row.ends_on.map(|on| on.0)),
        propagate_max_n: row.propagate_max_n.map(shown::count),
        propagated_n: shown::count(row.propagated_n),
        royalty: row.royalty.map(|royalty| royalty.0.shown()),
        sublicensing: row.sublicensing,
        reporting: row.reporting.0.current().map(Terms::shown),
        comes_to: row.comes_to,
        history: Vec::new(),
        version: row.version,
        candidate_code: row.candidate_code,
        denomination: row.denomination.unwrap_or_default(),
        caution: CAUTION.to_owned(),
    }
}

async fn one(unit: &mut Unit, id: LicenceId) -> Result<Licence, Fault> {
    let (programme, today) = (unit.programme()?, unit.today());
    let row = licences::find(unit.connection(), programme, id)
        .await?
        .ok_or_else(|| Fault::not_found("licence", id))?;
    let changes = licences::changes(unit.connection(), programme, id).await?;
    let mut licence = told(row, today);
    licence.history = changes
        .into_iter()
        .map(|change| {
            let terms = change.terms.0;
            LicenceChange {
                change: change.change,
                on: change.on_day.0.to_string(),
                reason: change.reason,
                by: change.changed_by,
                territory: terms.territory,
                exclusive: terms.exclusive,
                ends_on: shown::day(terms.ends_on),
                propagate_max_n: terms.propagate_max_n.map(shown::count),
                royalty: terms.royalty.map(|royalty| royalty.shown()),
                sublicensing: terms.sublicensing,
                reporting: terms.reporting.map(Terms::shown),
                comes_to: terms.comes_to,
            }
        })
        .collect();
    Ok(licence)
}

/// Lists licences.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListLicencesRequest,
) -> Result<LicenceList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let candidate = fields.optional_id("candidate_id", &request.candidate_id);
    let licensee = fields.optional_id("licensee_id", &request.licensee_id);
    fields.finish()?;
    let (programme, today) = (unit.programme()?, unit.today());
    let rows = licences::list(unit.connection(), programme, candidate, licensee, &page).await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    Ok(LicenceList {
        items: rows.into_iter().map(|row| told(row, today)).collect(),
        next_cursor,
    })
}

/// One licence.
pub async fn get(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: GetLicenceRequest,
) -> Result<Licence, Fault> {
    let id = licence_id(&request.licence_id)?;
    one(unit, id).await
}

fn licence_id(text: &str) -> Result<LicenceId, Fault> {
    let mut fields = Fields::new();
    let id = fields.id("licence_id", text);
    fields.finish()?;
    checked(id, "licence_id")
}

/// A licence whose candidate is locked, so that changes to its ground are made in turn.
async fn locked(unit: &mut Unit, id: LicenceId) -> Result<LicenceRow, Fault> {
    let programme = unit.programme()?;
    let seen = licences::find(unit.connection(), programme, id)
        .await?
        .ok_or_else(|| Fault::not_found("licence", id))?;
    asked::locked_candidate(unit, &seen.candidate_id.to_string()).await?;
    licences::find(unit.connection(), programme, id)
        .await?
        .ok_or_else(|| Fault::not_found("licence", id))
}

/// Amends a licence from a day on.
pub async fn amend(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: AmendLicenceRequest,
) -> Result<Licence, Fault> {
    let groups = groups::known(unit).await?;
    let mut fields = Fields::new();
    let on = fields.date("on", &request.on);
    let reason = fields.text("reason", &request.reason, 2000).to_owned();
    let as_of = on.unwrap_or_else(|| unit.today());
    let territory = territories(&mut fields, &groups, &request.territory, as_of);
    let reporting = reporting(&mut fields, request.reporting.as_ref());
    let ends = fields.optional_date("ends_on", &request.ends_on);
    let max = cap(&mut fields, request.propagate_max_n);
    let royalty = royalty(&mut fields, request.royalty.as_ref());
    if let (Some(on), Some(ends)) = (on, ends) {
        fields.require(
            ends >= on,
            "ends_on",
            format!("comes before the amendment, {on}"),
        );
    }
    fields.finish()?;
    let on = checked(on, "on")?;
    let mut row = locked(unit, licence_id(&request.licence_id)?).await?;
    if row.version != request.expected_version {
        return Err(Fault::stale(row.version));
    }
    within(&row, on)?;
    (row.territory, row.comes_to) = ground(territory, on);
    row.reporting = Json(row.reporting.0.with(on, reporting));
    row.exclusive = request.exclusive;
    row.ends_on = ends.map(Day);
    row.propagate_max_n = max;
    row.royalty = royalty.map(Json);
    row.sublicensing = request.sublicensing;
    let programme = unit.programme()?;
    licences::give_up(unit.connection(), programme, row.id, on).await?;
    claim(unit, &row, on).await?;
    if !licences::update(unit.connection(), programme, &row).await? {
        return Err(Fault::stale(row.version));
    }
    change(unit, &row, "amended", on, &reason).await?;
    one(unit, row.id).await
}

/// A change must fall within the licence's own time.
fn within(row: &LicenceRow, on: Date) -> Result<(), Fault> {
    if on < row.starts_on.0 {
        return Err(Fault::field(
            "/on",
            format!("{on} comes before the licence's start, {}", row.starts_on.0),
        ));
    }
    match row.ends_on {
        Some(last) if last.0 < on => Err(Fault::state(format!(
            "the licence ended on {}; grant a new one",
            last.0
        ))),
        _ => Ok(()),
    }
}

/// Ends a licence.
pub async fn end(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: EndLicenceRequest,
) -> Result<Licence, Fault> {
    let mut fields = Fields::new();
    let on = fields.date("on", &request.on);
    let reason = fields.text("reason", &request.reason, 2000).to_owned();
    fields.finish()?;
    let on = checked(on, "on")?;
    let mut row = locked(unit, licence_id(&request.licence_id)?).await?;
    within(&row, on)?;
    row.ends_on = Some(Day(on));
    let programme = unit.programme()?;
    licences::give_up(
        unit.connection(),
        programme,
        row.id,
        on.saturating_add(1.day()),
    )
    .await?;
    if !licences::update(unit.connection(), programme, &row).await? {
        return Err(Fault::stale(row.version));
    }
    change(unit, &row, "ended", on, &reason).await?;
    one(unit, row.id).await
}
