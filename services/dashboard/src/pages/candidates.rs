//! Candidates for release, and the whole life of one.

use axum::extract::Path;
use contract::release::{
    Candidate, CandidateRights, Confidentiality, GetCandidateRequest, GetCandidateRightsRequest,
    GetConfidentialityRequest, Licence, ListCandidatesRequest, ListLicencesRequest,
    ListTestingAgreementsRequest, RightRoute, StageGate, StageMove, TestingAgreement,
};
use jiff::civil::Date;
use maud::{Markup, html};

use super::Shown;
use super::partner::territory;
use super::pipeline::{due_table, known_from};
use super::upbringing::{IN_TRIAL, Upbringing};
use crate::desk::Desk;
use crate::html::{
    Table, caution, choice, count, day, facts, field, link, maybe_count, maybe_day, notes, pager,
    part, stages, text, word,
};
use crate::layout::Page;
use crate::picture::{Fill, Mark, Span, Timeline, TimelineRow};
use crate::words;

const STAGES: [&str; 6] = [
    "own_root",
    "budded",
    "multi_site",
    "pre_release",
    "released",
    "withdrawn",
];

/// Candidates, by stage or crossing year.
pub async fn list(desk: Desk) -> Shown {
    let ask = &desk.ask;
    let request = ListCandidatesRequest {
        limit: 0,
        cursor: ask.text("cursor"),
        stage: ask.text("stage"),
        crossing_year: ask.number("crossing_year"),
        responsible_id: ask.text("responsible_id"),
    };
    let list = desk.release()?.list_candidates(request).await?.into_inner();
    let table = Table::new("Candidates")
        .text("Code")
        .text("Denomination")
        .text("Number")
        .text("Species")
        .number("Crossing year")
        .text("Stage")
        .text("Since")
        .text("Virus test")
        .text("True to type")
        .stacking()
        .or_say("No candidate fits.")
        .rows(&list.items, |c| {
            vec![
                link("/candidates", &c.id, &c.code),
                html! {
                    @if c.denomination.is_empty() { (text("")) } @else { (c.denomination) " (" (words::plain(&c.denomination_state)) ")" }
                },
                text(&c.number),
                html! { i { (text(&c.species)) } },
                text(c.crossing_year.map(|y| y.to_string()).unwrap_or_default()),
                word(&c.stage),
                day(&c.stage_since),
                word(&c.virus_status),
                word(&c.true_to_type),
            ]
        });
    Ok(Page::new(
        "Candidates",
        html! {
            form.ask method="get" {
                (choice("stage", "Stage", Some("any"), stages(&STAGES), &ask.text("stage")))
                (field("crossing_year", "Crossing year", "number", &ask.text("crossing_year")))
                button { "Show" }
            }
            (caution(list.items.first().map_or("", |c| c.caution.as_str())))
            (table.show())
            (pager(ask, list.next_cursor.as_ref()))
        },
    ))
}

/// One candidate's whole life.
pub async fn show(desk: Desk, Path(id): Path<String>) -> Shown {
    let mut release = desk.release()?;
    let candidate = release
        .get_candidate(GetCandidateRequest {
            candidate_id: id.clone(),
        })
        .await?
        .into_inner();
    let asked = GetCandidateRightsRequest {
        candidate_id: id.clone(),
        as_of: desk.ask.text("as_of"),
    };
    let rights = release
        .get_candidate_rights(asked)
        .await
        .map(tonic::Response::into_inner);
    let asked = ListLicencesRequest {
        candidate_id: id.clone(),
        limit: 200,
        ..Default::default()
    };
    let licences = release
        .list_licences(asked)
        .await
        .map(|r| r.into_inner().items);
    let asked = ListTestingAgreementsRequest {
        candidate_id: id.clone(),
        limit: 200,
        ..Default::default()
    };
    let agreements = release
        .list_testing_agreements(asked)
        .await
        .map(|r| r.into_inner().items);
    let knowledge = release
        .get_confidentiality(GetConfidentialityRequest { candidate_id: id })
        .await
        .map(tonic::Response::into_inner);
    let upbringing = Upbringing::of(&desk, &candidate).await;
    let today = desk.today("UTC");
    let name = match candidate.denomination.as_str() {
        "" => candidate.code.clone(),
        denomination => format!("{} ({denomination})", candidate.code),
    };
    Ok(Page::new(
        format!("Candidate {name}"),
        html! {
            (about(&candidate))
            (notes(&candidate.warnings))
            h2 { "Its life" }
            (life(&candidate, &upbringing, rights.as_ref().ok(), licences.as_deref().unwrap_or_default(), today))
            h2 { "Cross, seedling and trials" }
            (upbringing.tell(&candidate))
            h2 { "Routes to protection" }
            (part(rights.map_err(Into::into), |r| html! {
                (caution(&r.caution))
                p { "As of " (words::day(&r.as_of)) ". " a href={ "/candidates/" (candidate.id) "/what-if" } { "What if it were sold or shown?" } }
                (windows(&r.routes, &r.as_of))
                (routes(&r.routes))
                h2 { "Clocks and dates due" }
                (due_table(&r.due, "Nothing is due."))
            }))
            h2 { "Stages" }
            (moves(&candidate.history))
            @if !candidate.may_move_to.is_empty() {
                p { "From here it may go to " (candidate.may_move_to.iter().map(|s| words::plain(s)).collect::<Vec<_>>().join(", ")) "." }
            }
            @if let Some(gate) = &candidate.next_gate { (next_gate(gate)) }
            h2 { "Trees and budwood" }
            (material(&candidate))
            h2 { "Licences" }
            (part(licences.map_err(Into::into), |all| licence_table(&all)))
            h2 { "Denominations" }
            (denominations(&candidate))
            h2 { "Filings" }
            (filings(&candidate))
            h2 { "Disclosed" }
            (disclosed(&candidate))
            (part(knowledge.map_err(Into::into), |k| known(&k)))
            h2 { "Trees held for test" }
            (part(agreements.map_err(Into::into), |all| agreement_table(&all)))
            h2 { "Line of descent" }
            (descent(&candidate))
        },
    ))
}

fn about(c: &Candidate) -> Markup {
    facts(vec![
        (
            "Stage",
            html! { strong { (words::plain(&c.stage)) } " since " (words::day(&c.stage_since)) },
        ),
        (
            "Plant",
            link(
                "/germplasm",
                &c.germplasm_id,
                if c.number.is_empty() {
                    "the plant"
                } else {
                    &c.number
                },
            ),
        ),
        ("Species", html! { i { (text(&c.species)) } }),
        (
            "Crossing year",
            text(c.crossing_year.map(|y| y.to_string()).unwrap_or_default()),
        ),
        (
            "Cross",
            link(
                "/crosses",
                &c.cross_id,
                if c.cross_id.is_empty() {
                    ""
                } else {
                    "the cross it came from"
                },
            ),
        ),
        (
            "Denomination",
            html! { @if !c.denomination.is_empty() { (c.denomination) ", " (words::plain(&c.denomination_state)) } },
        ),
        (
            "Trade designations",
            text(
                c.trade_designations
                    .iter()
                    .map(|t| match t.territory.as_str() {
                        "" => t.designation.clone(),
                        territory => format!("{} ({territory})", t.designation),
                    })
                    .collect::<Vec<_>>()
                    .join(", "),
            ),
        ),
        (
            "Who answers for its dates",
            text(if c.responsible_name.is_empty() {
                "nobody is named"
            } else {
                &c.responsible_name
            }),
        ),
        ("Kind of cross", word(&c.cross_kind)),
        ("Virus test", word(&c.virus_status)),
        ("True to type", word(&c.true_to_type)),
        (
            "Class in law",
            text(if c.tree_or_vine {
                "trees and vines"
            } else {
                "other plants"
            }),
        ),
    ])
}

fn life(
    c: &Candidate,
    upbringing: &Upbringing,
    rights: Option<&CandidateRights>,
    licences: &[Licence],
    today: Date,
) -> Markup {
    let mut stages = TimelineRow {
        label: "stages".into(),
        ..TimelineRow::default()
    };
    let moves: Vec<(Date, &StageMove)> = c
        .history
        .iter()
        .filter_map(|m| Some((m.on.parse().ok()?, m)))
        .collect();
    for (index, (from, m)) in moves.iter().enumerate() {
        let to = moves
            .get(index + 1)
            .map_or(today.max(*from), |(next, _)| *next);
        stages.spans.push(Span {
            from: *from,
            to,
            text: words::plain(&m.stage),
            fill: Fill::of_stage(&m.stage),
        });
    }
    let disclosures = TimelineRow {
        label: "disclosed".into(),
        marks: c
            .disclosures
            .iter()
            .filter_map(|d| {
                Some(Mark {
                    on: d.on.parse().ok()?,
                    text: words::plain(&d.kind),
                    open: false,
                })
            })
            .collect(),
        ..TimelineRow::default()
    };
    let mut rows = upbringing.rows(c);
    rows.extend([stages, disclosures]);
    for filing in &c.filings {
        let mut row = TimelineRow {
            label: format!("{} {}", filing.jurisdiction, words::plain(&filing.kind)),
            ..TimelineRow::default()
        };
        let day = |text: &str| text.parse::<Date>().ok();
        if let Some(on) = day(&filing.filed_on) {
            row.marks.push(Mark {
                on,
                text: "filed".into(),
                open: false,
            });
        }
        if let Some(from) = filing.granted_on.as_deref().and_then(day) {
            row.marks.push(Mark {
                on: from,
                text: "granted".into(),
                open: false,
            });
            let end = filing
                .ended_on
                .as_deref()
                .or(filing.expiry_on.as_deref())
                .and_then(day);
            if let Some(to) = end {
                row.spans.push(Span {
                    from,
                    to,
                    text: "term of the grant".into(),
                    fill: Fill::Full,
                });
                row.marks.push(Mark {
                    on: to,
                    text: "ends".into(),
                    open: to > today,
                });
            }
        }
        rows.push(row);
    }
    for licence in licences {
        let Some(from) = licence.starts_on.parse::<Date>().ok() else {
            continue;
        };
        let to = licence.ends_on.parse::<Date>().unwrap_or(today.max(from));
        rows.push(TimelineRow {
            label: format!("{} {}", licence.number, licence.territory.join(" ")),
            spans: vec![Span {
                from,
                to,
                text: format!("licence of {}", licence.licensee_name),
                fill: Fill::Upright,
            }],
            marks: Vec::new(),
        });
    }
    let due: Vec<Mark> = rights
        .iter()
        .flat_map(|r| &r.due)
        .filter(|d| d.done_on.is_none())
        .take(12)
        .filter_map(|d| {
            let text = format!("{} {}", d.jurisdiction, words::plain(&d.what));
            Some(Mark {
                on: d.nominal_on.parse().ok()?,
                text,
                open: true,
            })
        })
        .collect();
    if !due.is_empty() {
        rows.push(TimelineRow {
            label: "due".into(),
            marks: due,
            ..TimelineRow::default()
        });
    }
    rows.retain(|row| !row.spans.is_empty() || !row.marks.is_empty());
    let table = Table::new("Its life")
        .text("Line")
        .text("What")
        .text("From or on")
        .text("To")
        .rows(
            rows.iter().flat_map(|row| {
                let spans = row
                    .spans
                    .iter()
                    .map(|s| (s.from, Some(s.to), s.text.clone()));
                let marks = row.marks.iter().map(|m| (m.on, None, m.text.clone()));
                spans
                    .chain(marks)
                    .map(|line| (row.label.clone(), line))
                    .collect::<Vec<_>>()
            }),
            |(label, (from, to, what))| {
                vec![
                    text(label),
                    text(what),
                    day(&from.to_string()),
                    day(&to.map(|t| t.to_string()).unwrap_or_default()),
                ]
            },
        );
    let mut legend: Vec<(Fill, String)> = Vec::new();
    for (_, m) in &moves {
        let entry = (Fill::of_stage(&m.stage), words::plain(&m.stage));
        if !legend.contains(&entry) {
            legend.push(entry);
        }
    }
    if rows.iter().any(|row| {
        row.spans
            .iter()
            .any(|s| s.fill == Fill::Full && s.text.starts_with("term"))
    }) {
        legend.push((Fill::Full, "term of a grant".into()));
    }
    if !licences.is_empty() {
        legend.push((Fill::Upright, "licence".into()));
    }
    if upbringing.has_trials() {
        legend.push((IN_TRIAL, "in trial".into()));
    }
    let picture = Timeline {
        key: "life".into(),
        title: format!("The life of {}", c.code),
        description: "From the cross to what lies ahead; open squares have not come yet.".into(),
        today: Some(today),
        rows,
        legend,
    };
    match picture.draw() {
        Some(picture) => picture.figure(table.show()),
        None => html! { p.quiet { "Nothing has happened on a known day yet." } },
    }
}

fn routes(routes: &[RightRoute]) -> Markup {
    Table::new("Routes to protection")
        .text("Jurisdiction")
        .text("Right")
        .text("Standing")
        .text("File by (safe day)")
        .text("Last day in law")
        .text("Priority until")
        .text("Expires")
        .text("Numbers")
        .text("Why, and the law")
        .stacking()
        .or_say("No jurisdiction is covered.")
        .rows(routes, |r| {
            vec![
                html! { (r.jurisdiction_name) " (" (r.jurisdiction) ")" },
                text(if r.name.is_empty() { words::plain(&r.kind) } else { r.name.clone() }),
                html! { span.tag.strong[r.standing == "closing"] { (words::plain(&r.standing)) } },
                maybe_day(r.open_until_nominal.as_ref()),
                html! {
                    (maybe_day(r.open_until.as_ref()))
                    @if let Some(may) = &r.may_close_on { " (perhaps already " (words::day(may)) ")" }
                },
                maybe_day(r.priority_until.as_ref()),
                html! {
                    (maybe_day(r.expiry_on.as_ref()))
                    @if let Some(before) = &r.expiry_or_day_before { " (or " (words::day(before)) ")" }
                    @if !r.fee_state.is_empty() { " fees " (words::plain(&r.fee_state)) }
                },
                text([&r.application_number, &r.grant_number].into_iter().filter(|n| !n.is_empty()).cloned().collect::<Vec<_>>().join(", ")),
                html! { div.wide {
                    @for reason in &r.reasons { p { (reason) } }
                    @for deadline in &r.deadlines { p { (words::plain(&deadline.what)) ": " (deadline.law) " (" (known_from(&deadline.confidence)) ")" } }
                    @if !r.expiry_law.is_empty() { p { "expiry: " (r.expiry_law) " (" (known_from(&r.expiry_confidence)) ")" } }
                    @for question in &r.unanswered { p { (words::plain(&question.what)) ": " (question.reason) } }
                    @for warning in &r.warnings { p { strong { "Warning" } ": " (warning) } }
                } },
            ]
        })
        .show()
}

/// Until when each way is open, as a picture; days only, the law stands in the table.
fn windows(routes: &[RightRoute], as_of: &str) -> Markup {
    let day = |text: Option<&String>| text.and_then(|t| t.parse::<Date>().ok());
    let Ok(today) = as_of.parse::<Date>() else {
        return html! {};
    };
    let rows: Vec<TimelineRow> = routes
        .iter()
        .map(|r| {
            let mut row = TimelineRow {
                label: format!(
                    "{} {}: {}",
                    r.jurisdiction,
                    words::plain(&r.kind),
                    words::plain(&r.standing)
                ),
                ..TimelineRow::default()
            };
            if let Some(to) = day(r.open_until_nominal.as_ref()).filter(|to| *to >= today) {
                row.spans.push(Span {
                    from: today,
                    to,
                    text: "still open to file".into(),
                    fill: Fill::Rising,
                });
                row.marks.push(Mark {
                    on: to,
                    text: format!("closes: file by {}", words::day(&to.to_string())),
                    open: true,
                });
            }
            if let Some(on) = day(r.may_close_on.as_ref()) {
                row.marks.push(Mark {
                    on,
                    text: "may close; a person must judge".into(),
                    open: true,
                });
            }
            if let Some(on) = day(r.priority_until.as_ref()) {
                row.marks.push(Mark {
                    on,
                    text: "priority runs out".into(),
                    open: on > today,
                });
            }
            row
        })
        .filter(|row| !row.spans.is_empty() || !row.marks.is_empty())
        .collect();
    if rows.is_empty() {
        return html! { p.quiet { "No way is closing: nothing told so far has started a clock for filing that still runs." } };
    }
    let table = Table::new("Ways that close")
        .text("Way")
        .text("What")
        .text("Day")
        .rows(
            rows.iter().flat_map(|row| {
                row.marks
                    .iter()
                    .map(|m| (row.label.clone(), m.text.clone(), m.on))
            }),
            |(label, what, on)| vec![text(label), text(what), crate::html::day(&on.to_string())],
        );
    let picture = Timeline {
        key: "windows".into(),
        title: "Ways to protection that are open and close".into(),
        description: "From the day asked about to the last safe day to file; what closes a way stands in the table below.".into(),
        today: Some(today),
        rows,
        legend: vec![(Fill::Rising, "still open to file".into())],
    };
    match picture.draw() {
        Some(picture) => picture.figure(table.show()),
        None => table.show(),
    }
}

fn next_gate(gate: &StageGate) -> Markup {
    let list = |all: &[String]| {
        all.iter()
            .map(|w| words::plain(w))
            .collect::<Vec<_>>()
            .join(", ")
    };
    html! {
        p {
            "The gate to " (words::plain(&gate.stage))
            @if gate.needs.is_empty() { " asks for nothing but a reason" } @else { " asks for " (list(&gate.needs)) }
            @if !gate.deciders.is_empty() { "; decided by " (list(&gate.deciders)) }
            "."
            @if !gate.missing.is_empty() { " " strong { "Missing: " (list(&gate.missing)) "." } }
        }
    }
}

fn material(c: &Candidate) -> Markup {
    Table::new("Trees and budwood as last counted")
        .text("Place")
        .text("Country")
        .text("What")
        .number("How many")
        .text("Counted on")
        .text("By")
        .text("Note")
        .stacking()
        .or_say("None has been counted yet.")
        .rows(&c.material, |m| {
            vec![
                text(&m.place),
                text(&m.country),
                word(&m.what),
                count(m.n),
                day(&m.on),
                text(&m.by),
                text(&m.note),
            ]
        })
        .show()
}

fn moves(history: &[StageMove]) -> Markup {
    Table::new("Moves between stages")
        .text("Day")
        .text("From")
        .text("To")
        .text("Reason")
        .text("By")
        .text("Evidence")
        .stacking()
        .rows(history, |m| {
            vec![
                day(&m.on),
                word(&m.from_stage),
                html! { (words::plain(&m.stage)) @if m.reversal { " " span.tag { "taken back" } } },
                text(&m.reason),
                text(&m.by),
                text(&m.evidence),
            ]
        })
        .show()
}

/// Licences as a table.
fn licence_table(all: &[Licence]) -> Markup {
    Table::new("Licences")
        .text("Licence")
        .text("Licensee")
        .text("Territory")
        .text("Purpose")
        .text("Exclusive")
        .text("From")
        .text("To")
        .text("Standing")
        .number("Trees reported")
        .number("At most")
        .text("Royalty")
        .stacking()
        .or_say("No licence has been granted.")
        .rows(all, |l| {
            vec![
                link("/licences", &l.id, &l.number),
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
                count(l.propagated_n),
                maybe_count(l.propagate_max_n),
                html! {
                    @match &l.royalty {
                        Some(r) => { (r.amount) " " (r.currency) " per " (r.per) },
                        None => (crate::html::NOTHING),
                    }
                },
            ]
        })
        .show()
}

fn denominations(c: &Candidate) -> Markup {
    Table::new("Denominations")
        .text("Name")
        .text("Where")
        .text("State")
        .text("Steps")
        .text("What the checks found")
        .stacking()
        .or_say("None has been proposed.")
        .rows(&c.denominations, |d| {
            vec![
                text(&d.name),
                text(if d.jurisdiction.is_empty() { "everywhere" } else { &d.jurisdiction }),
                word(&d.state),
                html! { @for s in &d.steps { p { (words::day(&s.on)) ": " (words::plain(&s.state)) @if !s.reason.is_empty() { ", " (s.reason) } } } },
                html! {
                    @if d.findings.is_empty() { "nothing against it" }
                    @for f in &d.findings { p { (f.text) " (" (f.article) ")" @if !f.against.is_empty() { ", against " (f.against) } } }
                },
            ]
        })
        .show()
}

fn filings(c: &Candidate) -> Markup {
    Table::new("Filings")
        .text("Jurisdiction")
        .text("Right")
        .text("Filed")
        .text("Application")
        .text("Granted")
        .text("Grant")
        .text("Expires")
        .text("Novelty kept")
        .text("Events")
        .stacking()
        .or_say("Nothing has been filed.")
        .rows(&c.filings, |f| {
            vec![
                text(&f.jurisdiction),
                word(&f.kind),
                day(&f.filed_on),
                text(&f.application_number),
                maybe_day(f.granted_on.as_ref()),
                text(&f.grant_number),
                html! { (maybe_day(f.expiry_on.as_ref())) @if !f.ended_by.is_empty() { " " span.tag { (words::plain(&f.ended_by)) } } },
                text(match f.novelty_kept { Some(true) => "yes", Some(false) => "no", None => "cannot be told" }),
                html! { @for e in &f.events { p { (words::day(&e.on)) ": " (words::plain(&e.event)) @if let Some(y) = e.year_n { " " (y) } @if !e.evidence.is_empty() { ", " (e.evidence) } } } },
            ]
        })
        .show()
}

fn disclosed(c: &Candidate) -> Markup {
    Table::new("Disclosures")
        .text("Day")
        .text("What")
        .text("Where")
        .text("Detail")
        .text("To whom")
        .stacking()
        .or_say("Nothing has been disclosed.")
        .rows(&c.disclosures, |d| {
            vec![
                day(&d.on),
                word(&d.kind),
                text(&d.country),
                text(&d.detail),
                text(if d.disclosed_to.is_empty() {
                    "the public"
                } else {
                    &d.disclosed_to
                }),
            ]
        })
        .show()
}

fn known(k: &Confidentiality) -> Markup {
    html! {
        h3 { "Who knows of it" }
        p { (if k.public { "It was made known to the public." } else { "Nothing of it was made known to the public." }) }
        (Table::new("Who knows of it").text("Who").text("Since").text("By").text("Detail").stacking().or_say("Nobody outside the programme.")
            .rows(&k.known_by, |w| vec![text(&w.who), day(&w.since), word(&w.by), text(&w.detail)]).show())
    }
}

fn agreement_table(all: &[TestingAgreement]) -> Markup {
    Table::new("Testing agreements")
        .text("Holder")
        .text("Place")
        .number("Trees")
        .number("Still held")
        .text("From")
        .text("Until")
        .text("Then")
        .text("Standing")
        .text("May say")
        .stacking()
        .or_say("Nobody outside holds trees of it.")
        .rows(all, |a| {
            vec![
                text(&a.holder_name),
                html! { (a.place) ", " (a.country) },
                count(a.trees_n),
                count(a.held_n),
                day(&a.starts_on),
                day(&a.ends_on),
                word(&a.on_end),
                html! { span.tag.strong[a.standing == "overdue"] { (words::plain(&a.standing)) } },
                text(if a.may_say.is_empty() {
                    "nothing"
                } else {
                    &a.may_say
                }),
            ]
        })
        .show()
}

fn descent(c: &Candidate) -> Markup {
    let name_of = |id: &str| {
        c.descent
            .iter()
            .find(|d| d.id == id)
            .map_or(String::new(), |d| d.name.clone())
    };
    Table::new("Ancestors, nearest first")
        .text("Plant")
        .text("Number")
        .text("Kind")
        .text("Species")
        .number("Season of its cross")
        .number("Generation back")
        .text("Seed parent")
        .text("Pollen parent")
        .or_say("No ancestor is known.")
        .rows(&c.descent, |d| {
            vec![
                link(
                    "/germplasm",
                    &d.id,
                    if d.name.is_empty() {
                        &d.number
                    } else {
                        &d.name
                    },
                ),
                text(&d.number),
                word(&d.kind),
                html! { i { (text(&d.species)) } },
                text(if d.season == 0 {
                    String::new()
                } else {
                    d.season.to_string()
                }),
                count(d.generation),
                text(name_of(&d.seed_parent_id)),
                text(name_of(&d.pollen_parent_id)),
            ]
        })
        .show()
}
