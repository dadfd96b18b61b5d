//! Due dates as an iCalendar feed (RFC 5545), for the signed-in and under a sealed link.

use contract::common::{Document, Empty};
use contract::release::{
    CalendarLink, CalendarLinkList, CreateCalendarLinkRequest, DueDate, GetCalendarRequest,
    GetLinkedCalendarRequest, ListCalendarLinksRequest, RevokeCalendarLinkRequest,
};
use icalendar::{Alarm, Calendar, Component as _, Event, EventLike as _, Property, Trigger};
use jiff::civil::Date;
use jiff::{Timestamp, ToSpan as _};
use platform::database::{Day, Instant};
use platform::{Fault, Fields, Permission, PersonId, ProgrammeId, Unit};
use rights::CAUTION;
use uuid::Uuid;

use super::asked::checked;
use super::{due_dates, neighbours, seals};
use crate::ReleaseApp;
use crate::domain::CalendarLinkId;
use crate::domain::seal::Use;
use crate::store::links::{self, LinkRow};

/// Years ahead that the feed tells.
const YEARS_AHEAD: i64 = 5;
/// Years that a link holds at most.
const LINK_YEARS_MAX: i64 = 2;

/// The feed, for somebody signed in.
pub async fn get(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: GetCalendarRequest,
) -> Result<Document, Fault> {
    let mut fields = Fields::new();
    let responsible = fields.optional_id("responsible_id", &request.responsible_id);
    fields.finish()?;
    let programme = unit.programme()?;
    feed(app, unit, programme, responsible).await
}

async fn feed(
    app: &ReleaseApp,
    unit: &mut Unit,
    programme: ProgrammeId,
    responsible: Option<PersonId>,
) -> Result<Document, Fault> {
    let today = unit.today();
    let until = today.saturating_add(YEARS_AHEAD.years());
    let mut due = due_dates::open(unit, programme, None, responsible, today, Some(until)).await?;
    due_dates::name_responsible(app, programme, &mut due).await;
    Ok(Document {
        content_type: "text/calendar; charset=utf-8".to_owned(),
        file_name: "calendar.ics".to_owned(),
        content: written(&due, unit.now()).into_bytes(),
    })
}

fn written(due: &[DueDate], now: Timestamp) -> String {
    let mut calendar = Calendar::empty();
    calendar
        .append_property(Property::new("VERSION", "2.0"))
        .append_property(Property::new("PRODID", "-//Drupeline//Plant rights//EN"))
        .append_property(Property::new("CALSCALE", "GREGORIAN"))
        .append_property(Property::new("METHOD", "PUBLISH"))
        .name("Plant rights: due dates")
        .description(CAUTION);
    for item in due {
        calendar.push(event(item, now));
    }
    calendar.done().to_string()
}

/// One due date as an all-day event on the safe day, with its reminders.
fn event(due: &DueDate, now: Timestamp) -> Event {
    let basic = |date: &str| date.replace('-', "");
    let next_day = due
        .nominal_on
        .parse::<Date>()
        .map(|on| on.saturating_add(1.day()).to_string())
        .unwrap_or_default();
    let stamp = now.strftime("%Y%m%dT%H%M%SZ").to_string();
    let day = |key: &str, value: &str| {
        Property::new(key, basic(value))
            .add_parameter("VALUE", "DATE")
            .done()
    };
    let about = if due.denomination.is_empty() {
        &due.candidate_code
    } else {
        &due.denomination
    };
    let what = due.what.replace('_', " ");
    let place = [due.jurisdiction.as_str(), &due.kind.replace('_', " ")]
        .into_iter()
        .filter(|part| !part.is_empty())
        .collect::<Vec<_>>()
        .join(" ");
    let summary = match due.year_n {
        Some(year) => format!("{about}: {what} of year {year}, {place}"),
        None => format!("{about}: {what}, {place}"),
    };
    let source = if due.confidence.is_empty() {
        format!("Under: {}.", due.law)
    } else {
        format!("Law: {} (known by: {}).", due.law, due.confidence)
    };
    let answers = match due.responsible_name.as_str() {
        "" => "Nobody is named to answer for it.".to_owned(),
        name => format!("{name} answers for it."),
    };
    let mut event = Event::with_uid(&format!("{}.{}@drupeline", due.candidate_id, due.key));
    event
        .summary(&summary)
        .description(&format!(
            "Work to {}. Last day: {}. {source} {answers}\n\n{CAUTION}",
            due.nominal_on, due.due_on
        ))
        .append_property(Property::new("DTSTAMP", stamp))
        .append_property(day("DTSTART", &due.nominal_on))
        .append_property(day("DTEND", &next_day))
        .append_property(Property::new("TRANSP", "TRANSPARENT"))
        .append_property(Property::new("CATEGORIES", what.to_uppercase()));
    for lead in &due.remind_on {
        let days = lead
            .parse::<Date>()
            .ok()
            .zip(due.nominal_on.parse::<Date>().ok())
            .map_or(0, |(remind, on)| (on - remind).get_days());
        event.alarm(Alarm::display(
            &summary,
            Trigger::before_start(chrono::Duration::days(i64::from(days))),
        ));
    }
    event.done()
}

/// Makes a link.
pub async fn create_link(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: CreateCalendarLinkRequest,
) -> Result<CalendarLink, Fault> {
    let mut fields = Fields::new();
    let name = fields.text("name", &request.name, 100).to_owned();
    let responsible_id = fields.optional_id("responsible_id", &request.responsible_id);
    let today = unit.today();
    let expires_on = fields
        .optional_date("expires_on", &request.expires_on)
        .unwrap_or_else(|| today.saturating_add(1.year()));
    let latest = today.saturating_add(LINK_YEARS_MAX.years());
    fields.require(
        (today..=latest).contains(&expires_on),
        "expires_on",
        format!("{expires_on} is outside {today} to {latest}"),
    );
    fields.finish()?;
    let (programme, now) = (unit.programme()?, Instant(unit.now()));
    let row = LinkRow {
        id: CalendarLinkId::new(),
        person_id: unit.caller().subject,
        name,
        responsible_id,
        created_at: now,
        expires_on: Day(expires_on),
        revoked_at: None,
        revoked_by: String::new(),
    };
    links::insert(unit.connection(), programme, &row).await?;
    let sealed = seals::seal(unit, Use::Calendar, row.id.uuid().as_bytes()).await?;
    unit.touch("calendar_link", row.id);
    Ok(CalendarLink {
        url: format!("/api/release/v1/calendars/{sealed}/calendar.ics"),
        ..told(row, today)
    })
}

fn told(row: LinkRow, today: Date) -> CalendarLink {
    let standing = if row.revoked_at.is_some() {
        "revoked"
    } else if row.expires_on.0 < today {
        "expired"
    } else {
        "in_force"
    };
    CalendarLink {
        id: row.id.to_string(),
        name: row.name,
        url: String::new(),
        created_at: row.created_at.0.to_string(),
        revoked: row.revoked_at.is_some(),
        person_id: row.person_id.to_string(),
        expires_on: row.expires_on.0.to_string(),
        standing: standing.to_owned(),
        revoked_by: row.revoked_by,
    }
}

/// The person whose links the caller keeps; none for the programme's administrator, who keeps
/// everybody's.
fn keeper_of(unit: &Unit) -> Option<PersonId> {
    let all = unit.caller().may(Permission::AdministerPeople).is_ok();
    (!all).then_some(unit.caller().subject)
}

/// One's own links, or everybody's.
pub async fn list_links(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: ListCalendarLinksRequest,
) -> Result<CalendarLinkList, Fault> {
    let (programme, own, today) = (unit.programme()?, unit.caller().subject, unit.today());
    let person = match keeper_of(unit) {
        Some(_) if request.everybodys => {
            return Err(Fault::forbidden(
                "everybody's links are listed by the programme's administrator; leave everybodys out for your own",
            ));
        }
        None if request.everybodys => None,
        _ => Some(own),
    };
    let rows = links::of_person(unit.connection(), programme, person).await?;
    Ok(CalendarLinkList {
        items: rows.into_iter().map(|row| told(row, today)).collect(),
    })
}

/// Revokes a link.
pub async fn revoke_link(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: RevokeCalendarLinkRequest,
) -> Result<Empty, Fault> {
    let mut fields = Fields::new();
    let id: Option<CalendarLinkId> = fields.id("calendar_link_id", &request.calendar_link_id);
    fields.finish()?;
    let id = checked(id, "calendar_link_id")?;
    let (programme, person) = (unit.programme()?, keeper_of(unit));
    let (now, by) = (Instant(unit.now()), unit.caller().name.clone());
    if !links::revoke(unit.connection(), programme, person, id, &by, now).await? {
        return Err(Fault::not_found("calendar link", id));
    }
    unit.touch("calendar_link", id);
    Ok(Empty {})
}

/// The feed under a sealed link. A link that was never made, was tampered with, was revoked, has
/// expired or outlived its person's role reads the same.
pub async fn linked(
    app: &ReleaseApp,
    unit: &mut Unit,
    request: GetLinkedCalendarRequest,
) -> Result<Document, Fault> {
    let unknown = || Fault::not_found("calendar", "under this link");
    let (programme, content) = seals::open(unit, Use::Calendar, &request.link_token)
        .await?
        .ok_or_else(unknown)?;
    let id = Uuid::from_slice(&content).map_err(|_| unknown())?;
    let today = unit.today();
    let link = links::find(unit.connection(), programme, CalendarLinkId::from_uuid(id))
        .await?
        .filter(|link| link.revoked_at.is_none() && link.expires_on.0 >= today)
        .ok_or_else(unknown)?;
    if !neighbours::person_may(app, programme, link.person_id, Permission::ReadPipeline).await? {
        return Err(unknown());
    }
    feed(app, unit, programme, link.responsible_id).await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_event_stands_on_the_safe_day_with_reminders_and_the_caution() {
        let due = DueDate {
            key: "US.plant_patent.file_by.2026-07-04".to_owned(),
            candidate_id: "c".to_owned(),
            candidate_code: "P-18-214".to_owned(),
            jurisdiction: "US".to_owned(),
            kind: "plant_patent".to_owned(),
            what: "file_by".to_owned(),
            nominal_on: "2026-07-04".to_owned(),
            due_on: "2026-07-06".to_owned(),
            law: "35 USC 102, a very long law; with, commas and semicolons that must be escaped"
                .to_owned(),
            remind_on: vec!["2026-06-04".to_owned(), "2026-06-27".to_owned()],
            ..DueDate::default()
        };
        let text = written(&[due], "2026-05-01T10:00:00Z".parse().unwrap());
        assert!(text.starts_with("BEGIN:VCALENDAR\r\n"), "{text}");
        assert!(
            text.contains("\r\nDTSTART;VALUE=DATE:20260704\r\n"),
            "{text}"
        );
        assert!(text.contains("\r\nDTSTAMP:20260501T100000Z\r\n"), "{text}");
        assert_eq!(text.matches("BEGIN:VALARM").count(), 2, "{text}");
        // Content lines are at most 75 octets without their break (RFC 5545, section 3.1).
        assert!(text.split("\r\n").all(|line| line.len() <= 75), "{text}");
        let unfolded = text.replace("\r\n ", "");
        assert!(unfolded.contains("not legal advice"), "{unfolded}");
        assert!(
            unfolded.contains("very long law\\; with\\, commas"),
            "{unfolded}"
        );
    }
}
