//! Groups of countries that licences may name.

use contract::release::{
    AmendTerritoryGroupRequest, DefineTerritoryGroupRequest, ListTerritoryGroupsRequest,
    TerritoryGroup, TerritoryGroupList, TerritoryGroupMember,
};
use jiff::civil::Date;
use platform::database::Instant;
use platform::{Fault, Fields, Unit};
use sqlx::types::Json;

use crate::ReleaseApp;
use crate::domain::groups::{Group, Groups, Member, embedded, is_code, is_taken};
use crate::domain::territory::{Territory, union_members};
use crate::store::groups::{self, GroupRow};

/// Most members of a group.
const MEMBERS_MAX: usize = 500;

/// The groups that the programme may name.
pub(super) async fn known(unit: &mut Unit) -> Result<Groups, Fault> {
    let programme = unit.programme()?;
    let rows = groups::all(unit.connection(), programme).await?;
    Ok(Groups::with(rows.into_iter().map(|row| group_of(&row))))
}

fn group_of(row: &GroupRow) -> Group {
    Group {
        code: row.code.clone(),
        name: row.name.clone(),
        source: row.source.clone(),
        confidence: String::new(),
        members: row.members.0.clone(),
    }
}

fn told(group: &Group, on: Date) -> TerritoryGroup {
    let day = |on: Option<Date>| on.map(|on| on.to_string()).unwrap_or_default();
    TerritoryGroup {
        code: group.code.clone(),
        name: group.name.clone(),
        source: group.source.clone(),
        confidence: group.confidence.clone(),
        members: group
            .members
            .iter()
            .map(|member| TerritoryGroupMember {
                place: member.place.code().to_owned(),
                since: day(member.since),
                until: day(member.until),
            })
            .collect(),
        comes_to: codes(&group.comes_to(on)),
        ..TerritoryGroup::default()
    }
}

fn told_own(row: &GroupRow, on: Date) -> TerritoryGroup {
    TerritoryGroup {
        own: true,
        version: row.version,
        defined_by: row.defined_by.clone(),
        ..told(&group_of(row), on)
    }
}

/// Codes of places.
pub(super) fn codes(places: &[Territory]) -> Vec<String> {
    places.iter().map(|place| place.code().to_owned()).collect()
}

/// Lists groups: the Union, those that come with the program, and the programme's own.
pub async fn list(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListTerritoryGroupsRequest,
) -> Result<TerritoryGroupList, Fault> {
    let mut fields = Fields::new();
    let on = fields
        .optional_date("on", &request.on)
        .unwrap_or_else(|| unit.today());
    fields.finish()?;
    let programme = unit.programme()?;
    let own = groups::all(unit.connection(), programme).await?;
    let items = std::iter::once(union(on))
        .chain(embedded().iter().map(|group| told(group, on)))
        .chain(own.iter().map(|row| told_own(row, on)))
        .collect();
    Ok(TerritoryGroupList { items })
}

/// The European Union as a group; its members stand with its law.
fn union(on: Date) -> TerritoryGroup {
    let book = rights::Book::embedded().jurisdiction("EU");
    let day = |on: Option<Date>| on.map(|on| on.to_string()).unwrap_or_default();
    TerritoryGroup {
        code: "EU".to_owned(),
        name: book
            .as_ref()
            .map(|union| union.name.clone())
            .unwrap_or_default(),
        source: book
            .as_ref()
            .ok()
            .and_then(|union| union.note.clone())
            .unwrap_or_default(),
        confidence: "memory".to_owned(),
        members: book
            .into_iter()
            .flat_map(|union| &union.territory)
            .map(|member| TerritoryGroupMember {
                place: member.country.to_string(),
                since: day(member.from),
                until: day(member.until),
            })
            .collect(),
        comes_to: union_members(on).map(|member| member.to_string()).collect(),
        ..TerritoryGroup::default()
    }
}

/// Reads members, noting faults by item.
fn members(fields: &mut Fields, told: &[TerritoryGroupMember]) -> Vec<Member> {
    fields.require(
        !told.is_empty(),
        "members",
        "is required: ISO 3166-1 countries as US or ISO 3166-2 parts as US-CA",
    );
    fields.require(
        told.len() <= MEMBERS_MAX,
        "members",
        format!("are more than {MEMBERS_MAX}"),
    );
    let mut members: Vec<Member> = Vec::new();
    for (i, member) in told.iter().enumerate() {
        let at = |name: &str| format!("members/{i}/{name}");
        let place = match Territory::read(&member.place).and_then(Territory::listed) {
            Ok(place) if place.country().is_some() => Some(place),
            Ok(place) => {
                fields.fault(
                    &at("place"),
                    format!("{place} is no single country; name its countries"),
                );
                None
            }
            Err(fault) => {
                fields.fault(&at("place"), fault);
                None
            }
        };
        let since = fields.optional_date(&at("since"), &member.since);
        let until = fields.optional_date(&at("until"), &member.until);
        fields.require(
            since.is_none_or(|since| until.is_none_or(|until| since <= until)),
            &at("until"),
            "comes before the first day as a member",
        );
        let Some(place) = place else { continue };
        if members.iter().any(|known| known.place == place) {
            fields.fault(&at("place"), format!("{place} stands here twice"));
            continue;
        }
        members.push(Member {
            place,
            since,
            until,
        });
    }
    members
}

/// Defines a group of the programme's own.
pub async fn define(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: DefineTerritoryGroupRequest,
) -> Result<TerritoryGroup, Fault> {
    let mut fields = Fields::new();
    let code = request.code.trim().to_ascii_uppercase();
    fields.require(
        is_code(&code),
        "code",
        format!(
            "{:?} is no code for a group; give three to twenty capital letters, figures or underscores, as SOUTHERN_CONE",
            request.code
        ),
    );
    fields.require(
        !is_taken(&code),
        "code",
        format!("{code} comes with the program; choose another"),
    );
    let name = fields.text("name", &request.name, 200).to_owned();
    let source = fields.text("source", &request.source, 500).to_owned();
    let members = members(&mut fields, &request.members);
    fields.finish()?;
    let (programme, today, now) = (unit.programme()?, unit.today(), Instant(unit.now()));
    let row = GroupRow {
        code,
        name,
        source,
        members: Json(members),
        version: 1,
        defined_by: unit.caller().name.clone(),
    };
    if !groups::insert(unit.connection(), programme, &row, now).await? {
        return Err(Fault::exists(
            "/code",
            format!("{} is a group already; change that one", row.code),
        ));
    }
    unit.touch("territory_group", &row.code);
    Ok(told_own(&row, today))
}

/// Changes a group of the programme's own.
pub async fn amend(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: AmendTerritoryGroupRequest,
) -> Result<TerritoryGroup, Fault> {
    let mut fields = Fields::new();
    let name = fields.text("name", &request.name, 200).to_owned();
    let source = fields.text("source", &request.source, 500).to_owned();
    let members = members(&mut fields, &request.members);
    fields.finish()?;
    let (programme, today, now) = (unit.programme()?, unit.today(), Instant(unit.now()));
    let code = request.code.trim().to_ascii_uppercase();
    let kept = groups::all(unit.connection(), programme)
        .await?
        .into_iter()
        .find(|row| row.code == code)
        .ok_or_else(|| Fault::not_found("group of the programme's own", &request.code))?;
    if kept.version != request.expected_version {
        return Err(Fault::stale(kept.version));
    }
    let mut row = GroupRow {
        name,
        source,
        members: Json(members),
        defined_by: unit.caller().name.clone(),
        ..kept
    };
    if !groups::update(unit.connection(), programme, &row, now).await? {
        return Err(Fault::stale(row.version + 1));
    }
    row.version += 1;
    unit.touch("territory_group", &row.code);
    Ok(told_own(&row, today))
}
