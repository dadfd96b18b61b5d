//! What a sale would change, licences by territory, and the laws behind the dates.

use std::collections::{BTreeMap, BTreeSet};

use axum::extract::Path;
use contract::release::{
    AskWhatIfRequest, CoveredJurisdiction, CoveredRight, GetCandidateRequest, LawRule, Licence,
    ListJurisdictionsRequest, ListLicencesRequest, ListTerritoryGroupsRequest, TerritoryGroup,
    WhatIfEffect, WhatIfReply,
};
use maud::{Markup, html};

use super::Shown;
use super::partner::territory;
use super::pipeline::known_from;
use crate::desk::Desk;
use crate::html::{Table, caution, choice, count, day, field, link, maybe_day, part, text, word};
use crate::layout::Page;
use crate::picture::{Fill, Matrix, Meeting};
use crate::trouble::Trouble;
use crate::words;

/// Events that a person may ask about.
const EVENTS: [&str; 9] = [
    "first_sale",
    "first_offer",
    "first_sale_harvested",
    "first_disclosure",
    "publication",
    "public_trial",
    "first_description",
    "transfer_for_test_with_agreement",
    "transfer_for_test_without_agreement",
];

/// What an event that nobody has made would change; nothing is stored.
pub async fn what_if(desk: Desk, Path(id): Path<String>) -> Shown {
    let ask = &desk.ask;
    let mut release = desk.release()?;
    let candidate = release
        .get_candidate(GetCandidateRequest {
            candidate_id: id.clone(),
        })
        .await?
        .into_inner();
    let (kind, on, country) = (ask.text("kind"), ask.text("on"), ask.text("country"));
    let answer = if on.is_empty() {
        None
    } else {
        let request = AskWhatIfRequest {
            candidate_id: id,
            kind: kind.clone(),
            on: on.clone(),
            country: country.clone(),
            as_of: String::new(),
        };
        let reply = release.ask_what_if(request).await;
        Some(
            reply
                .map(tonic::Response::into_inner)
                .map_err(Trouble::from),
        )
    };
    let chosen = if kind.is_empty() { EVENTS[0] } else { &kind };
    Ok(Page::new(
        format!("What if {} were sold or shown?", candidate.code),
        html! {
            (caution(&candidate.caution))
            p { "Nothing is stored. " (link("/candidates", &candidate.id, "Back to the candidate")) }
            form.ask method="get" {
                (choice("kind", "Event", None, EVENTS.map(|e| (e.to_owned(), words::title(e))), chosen))
                (field("on", "On", "date", &on))
                (field("country", "In country (ISO 3166)", "text", &country))
                button { "Show" }
            }
            @if let Some(answer) = answer {
                (part(answer, |reply| effects(&reply, chosen, &on, &country)))
            }
        },
    ))
}

fn effects(reply: &WhatIfReply, kind: &str, on: &str, country: &str) -> Markup {
    let changes = reply.effects.iter().filter(|e| e.effect != "none").count() as u64;
    html! {
        h2 {
            (words::title(kind)) " on " (words::day(on))
            @if !country.is_empty() { " in " (country.to_uppercase()) }
        }
        p.lead { (words::some(changes, "way to protection would change.", "ways to protection would change.")) }
        (Table::new("What would change").text("Way").text("Effect").text("File by (safe day)").text("Last day in law").text("Before").text("After").text("Why").stacking()
            .rows(&reply.effects, |e| vec![
                html! { (e.jurisdiction) " " (words::plain(&e.kind)) },
                html! { span.tag.strong[e.effect != "none"] { (words::plain(&e.effect)) } },
                maybe_day(e.file_by_nominal.as_ref()),
                last_day(e),
                word(&e.standing_before),
                word(&e.standing_after),
                html! { @for reason in &e.reasons { p { (reason) } } },
            ]).show())
        (caution(&reply.caution))
    }
}

fn last_day(e: &WhatIfEffect) -> Markup {
    html! {
        @match (&e.from, &e.to, &e.may_close_on) {
            (Some(from), Some(to), _) => { (words::day(to)) " instead of " (words::day(from)) },
            (_, _, Some(may)) => { "perhaps " (words::day(may)) },
            _ => (maybe_day(e.file_by.as_ref())),
        }
    }
}

/// Licences by territory and candidate.
pub async fn licences(desk: Desk) -> Shown {
    let mut release = desk.release()?;
    let mut all: Vec<Licence> = Vec::new();
    let mut cursor = String::new();
    loop {
        let request = ListLicencesRequest {
            limit: 200,
            cursor: cursor.clone(),
            ..Default::default()
        };
        let page = release.list_licences(request).await?.into_inner();
        all.extend(page.items);
        match page.next_cursor {
            Some(next) if all.len() < 5000 => cursor = next,
            _ => break,
        }
    }
    let groups = release
        .list_territory_groups(ListTerritoryGroupsRequest::default())
        .await
        .map(|groups| groups.into_inner().items);
    let shows_ended = desk.ask.text("ended") == "yes";
    let caution_text = all.first().map(|l| l.caution.clone()).unwrap_or_default();
    all.retain(|l| shows_ended || l.standing != "ended");
    Ok(Page::new(
        "Licences by territory",
        html! {
            (caution(&caution_text))
            form.ask method="get" {
                (choice("ended", "Licences that ended", None, [("no", "left out"), ("yes", "shown")].map(|(v, t)| (v.to_owned(), t.to_owned())), if shows_ended { "yes" } else { "no" }))
                button { "Show" }
            }
            (picture(&all))
            (matrix(&all))
            h2 { "Each licence" }
            (each(&all))
            h2 #groups { "Groups of countries" }
            (part(groups.map_err(Into::into), |all| group_table(&all)))
        },
    ))
}

fn name_of(l: &Licence) -> &str {
    if l.denomination.is_empty() {
        &l.candidate_code
    } else {
        &l.denomination
    }
}

/// Candidates down, territories across, a box where somebody is licensed.
fn picture(all: &[Licence]) -> Markup {
    let territories: BTreeSet<&str> = all
        .iter()
        .flat_map(|l| l.territory.iter().map(String::as_str))
        .collect();
    let names: BTreeSet<&str> = all.iter().map(name_of).collect();
    let mut meetings = Vec::new();
    let mut table = Table::new("Licences by candidate and territory")
        .text("Candidate")
        .text("Territory")
        .number("Licences")
        .number("Exclusive");
    for (row, name) in names.iter().enumerate() {
        for (column, territory) in territories.iter().enumerate() {
            let held: Vec<&Licence> = all
                .iter()
                .filter(|l| name_of(l) == *name && l.territory.iter().any(|t| t == territory))
                .collect();
            let exclusive_n = held.iter().filter(|l| l.exclusive).count();
            if held.is_empty() {
                continue;
            }
            table.row(vec![
                text(name),
                text(territory),
                count(held.len() as u64),
                count(exclusive_n as u64),
            ]);
            let holders: Vec<String> = held
                .iter()
                .map(|l| format!("{}, {}", l.licensee_name, words::plain(&l.purpose)))
                .collect();
            meetings.push(Meeting {
                row,
                column,
                text: words::count(held.len() as u64),
                title: format!("{name} in {territory}: {}", holders.join("; ")),
                fill: match exclusive_n {
                    0 => Fill::Plain,
                    n if n == held.len() => Fill::Rising,
                    _ => Fill::Crossed,
                },
            });
        }
    }
    if meetings.is_empty() {
        return html! {};
    }
    Matrix {
        key: "ground".into(),
        title: "Who is licensed where".into(),
        description: "The number in a box is that of the licences.".into(),
        rows: names.iter().map(|name| (*name).to_owned()).collect(),
        columns: territories.iter().map(|t| (*t).to_owned()).collect(),
        meetings,
        legend: vec![
            (Fill::Rising, "exclusive".into()),
            (Fill::Plain, "not exclusive".into()),
            (Fill::Crossed, "some of each, for different purposes".into()),
        ],
    }
    .draw()
    .figure(table.show())
}

/// Candidates down, territories across; exclusive licences are written in capitals, so that no
/// colour is needed.
fn matrix(all: &[Licence]) -> Markup {
    let territories: BTreeSet<&str> = all
        .iter()
        .flat_map(|l| l.territory.iter().map(String::as_str))
        .collect();
    let mut rows: BTreeMap<(&str, &str), BTreeMap<&str, Vec<&Licence>>> = BTreeMap::new();
    for licence in all {
        let row = rows
            .entry((name_of(licence), &licence.candidate_id))
            .or_default();
        for territory in &licence.territory {
            row.entry(territory).or_default().push(licence);
        }
    }
    let mut table = Table::new("Who holds what where: licensee, purpose, until when")
        .text("Candidate")
        .or_say("No licence has been granted.");
    for territory in &territories {
        table = table.text(*territory);
    }
    for ((name, id), row) in rows {
        let cells = territories.iter().map(|territory| {
            html! {
                @for l in row.get(territory).into_iter().flatten() {
                    p {
                        @if l.exclusive { strong { "EXCLUSIVE " } }
                        (l.licensee_name) ", " (words::plain(&l.purpose))
                        @if !l.ends_on.is_empty() { ", until " (words::day(&l.ends_on)) }
                        @if l.standing != "in_force" { " " span.tag { (words::plain(&l.standing)) } }
                    }
                }
            }
        });
        table.row(
            std::iter::once(link("/candidates", id, name))
                .chain(cells)
                .collect(),
        );
    }
    table.show()
}

fn each(all: &[Licence]) -> Markup {
    Table::new("Licences")
        .text("Licence")
        .text("Candidate")
        .text("Licensee")
        .text("Territory")
        .text("Purpose")
        .text("Exclusive")
        .text("From")
        .text("To")
        .text("Standing")
        .text("Reports")
        .number("Trees reported")
        .stacking()
        .or_say("No licence has been granted.")
        .rows(all, |l| {
            vec![
                link("/licences", &l.id, &l.number),
                link("/candidates", &l.candidate_id, name_of(l)),
                text(&l.licensee_name),
                territory(&l.territory, &l.comes_to),
                word(&l.purpose),
                text(if l.exclusive { "yes" } else { "no" }),
                day(&l.starts_on),
                if l.ends_on.is_empty() {
                    text("open")
                } else {
                    day(&l.ends_on)
                },
                word(&l.standing),
                html! {
                    @match &l.reporting {
                        Some(r) => { "every " (r.every_months) " months, within " (r.within_days) " days" },
                        None => (crate::html::NOTHING),
                    }
                },
                count(l.propagated_n),
            ]
        })
        .show()
}

fn group_table(all: &[TerritoryGroup]) -> Markup {
    html! {
        p { "A licence that names a group comes to its members on the day on which its terms are agreed, and goes on coming to them. Two exclusive licences that meet in a member cannot both be granted." }
        (Table::new("Groups that licences may name").text("Code").text("Name").text("Members today").text("Came and went").text("Source").stacking()
            .rows(all, |g| vec![
                text(&g.code),
                html! { (g.name) @if g.own { " " span.tag { "the programme’s own" } } },
                text(g.comes_to.join(" ")),
                html! { @for m in g.members.iter().filter(|m| !m.since.is_empty() || !m.until.is_empty()) {
                    span.nowrap { (m.place) @if !m.since.is_empty() { " since " (words::day(&m.since)) } @if !m.until.is_empty() { " until " (words::day(&m.until)) } } "; "
                } },
                html! { (g.source) @if !g.confidence.is_empty() { " (" (known_from(&g.confidence)) ")" } },
            ]).show())
    }
}

/// The rules behind every date.
pub async fn laws(desk: Desk) -> Shown {
    let list = desk
        .release()?
        .list_jurisdictions(ListJurisdictionsRequest {})
        .await?
        .into_inner();
    Ok(Page::new(
        "Laws behind the dates",
        html! {
            (caution(&list.caution))
            p { "Each rule stands as data with its source and how well it is known. What nobody could read shows as unknown, and no date is computed from it." }
            ul.jump { @for j in &list.items { li { a href={ "#" (j.code) } { (j.code) } } } }
            @for jurisdiction in &list.items { (of_jurisdiction(jurisdiction)) }
        },
    ))
}

fn of_jurisdiction(j: &CoveredJurisdiction) -> Markup {
    html! {
        h2 id=(j.code) { (j.name) " (" (j.code) ")" }
        p { "Reviewed on " (words::day(&j.reviewed_on)) "." @if !j.note.is_empty() { " " (j.note) } }
        @for right in &j.rights { (of_right(right)) }
    }
}

fn of_right(right: &CoveredRight) -> Markup {
    html! {
        h3 { (words::title(&right.name)) }
        p {
            (right.office) ". Longer periods for: " (right.longer_class) ". Working days: " (words::plain(&right.calendar))
            ". Annual fees: " (words::plain(&right.annual_fees))
            @if !right.fee_law.is_empty() { " (" (right.fee_law) ", " (known_from(&right.fee_confidence)) ")" }
            "." @if !right.note.is_empty() { " " (right.note) }
        }
        @for version in &right.versions {
            (Table::new(format!("{}{}", version.title, if version.in_force_from.is_empty() { String::new() } else { format!(", from {}", words::day(&version.in_force_from)) }))
                .text("What").text("Starts with").text("Where").text("Period").text("Longer period").text("Day moves").text("Binds").text("Law").text("Known").stacking()
                .rows(&version.rules, rule).show())
        }
    }
}

fn rule(r: &LawRule) -> Vec<Markup> {
    let events = |all: &[String]| {
        all.iter()
            .map(|event| words::plain(event))
            .collect::<Vec<_>>()
            .join(", ")
    };
    vec![
        word(&r.what),
        html! {
            (events(&r.starts))
            @if !r.may_start.is_empty() { "; perhaps " (events(&r.may_start)) }
        },
        word(&r.place),
        text(&r.period),
        text(&r.longer_period),
        word(&r.roll),
        html! { (text(&r.binds)) @if !r.extension.is_empty() { "; extension: " (r.extension) } },
        html! { (text(&r.law)) @if !r.note.is_empty() { " " span.quiet { (r.note) } } },
        text(known_from(&r.confidence)),
    ]
}
