//! A partner's own page: what may be propagated, with which marking, and what was reported.

use axum::Form;
use axum::extract::rejection::FormRejection;
use axum::response::{IntoResponse, Redirect, Response};
use contract::identity::ListAccessKeysRequest;
use contract::release::{
    ComingItem, ComingList, GetReleaseStatusRequest, ListComingRequest, ListPartnerReportsRequest,
    PartnerReportList, ReleaseStatus, ReportPropagationRequest,
};
use maud::{Markup, html};
use platform::Fault;
use serde::Deserialize;

use super::Shown;
use super::keys;
use super::pipeline::{days_left, known_from};
use crate::desk::Desk;
use crate::html::{
    Table, caution, choice, count, day, facts, field, maybe_count, pager, part, text, word,
};
use crate::layout::Page;
use crate::picture::{Mark, Timeline, TimelineRow};
use crate::trouble::Trouble;
use crate::words;

/// The partner's page.
pub async fn show(desk: Desk) -> Shown {
    let ask = &desk.ask;
    let mut release = desk.release()?;
    let asked = GetReleaseStatusRequest {
        denomination: ask.text("denomination"),
        territory: ask.text("territory"),
        cursor: ask.text("cursor"),
        limit: 20,
    };
    let status = release.get_release_status(asked).await?.into_inner();
    let reports = release
        .list_partner_reports(ListPartnerReportsRequest {
            limit: 100,
            cursor: String::new(),
        })
        .await
        .map(tonic::Response::into_inner);
    let coming = release
        .list_coming(ListComingRequest::default())
        .await
        .map(tonic::Response::into_inner);
    let keys = desk
        .identity()?
        .list_access_keys(ListAccessKeysRequest {
            limit: 100,
            ..ListAccessKeysRequest::default()
        })
        .await
        .map(tonic::Response::into_inner);
    Ok(Page::new(
        "Release status",
        html! {
            form.ask method="get" {
                (field("denomination", "Denomination", "search", &ask.text("denomination")))
                (field("territory", "Territory (ISO 3166)", "text", &ask.text("territory")))
                button { "Show" }
            }
            p { "As of " (words::day(&status.as_of)) "." }
            (caution(&status.caution))
            h2 #coming { "What is coming" }
            (part(coming.map_err(Into::into), |all| awaited(&all)))
            @if status.items.is_empty() { p.lead { "Nothing is licensed to you or held by you for test that fits." } }
            @for item in &status.items { (one(item)) }
            (pager(ask, status.next_cursor.as_ref()))
            (report_form(&status.items))
            h2 #reports { "Your reports and statements" }
            (part(reports.map_err(Into::into), |all| reported(&all)))
            h2 #keys { "Keys of your devices and systems" }
            (part(keys.map_err(Into::into), |all| keys::own(&all)))
        },
    ))
}

/// What is coming, as a picture of days and a table.
fn awaited(all: &ComingList) -> Markup {
    let table = Table::new("What is coming for you")
        .text("Day")
        .text("What")
        .text("Variety")
        .text("Under")
        .text("Law")
        .stacking()
        .or_say("Nothing is due or ends within two years.")
        .rows(&all.items, |c| {
            vec![
                html! { (day(&c.on)) " " span.quiet.nowrap { (days_left(c.days_left)) } },
                html! { span.tag.strong[c.days_left < 0] { (said(c)) } },
                text(&c.denomination),
                text(&c.about),
                html! { (text(&c.law)) @if !c.confidence.is_empty() { " " span.quiet { "(" (known_from(&c.confidence)) ")" } } },
            ]
        });
    let rows = all
        .items
        .iter()
        .filter_map(|c| {
            Some(TimelineRow {
                label: format!("{} {}", c.denomination, c.about),
                marks: vec![Mark {
                    on: c.on.parse().ok()?,
                    text: said(c),
                    open: c.days_left >= 0,
                }],
                ..TimelineRow::default()
            })
        })
        .take(DRAWN)
        .collect();
    let picture = Timeline {
        key: "coming".into(),
        title: "Days to come".into(),
        description: "Open squares lie ahead, filled ones are past and still owed.".into(),
        today: all.as_of.parse().ok(),
        rows,
        legend: Vec::new(),
    };
    match picture.draw() {
        Some(picture) => picture.figure(table.show()),
        None => table.show(),
    }
}

/// Days in the picture; the table has them all.
const DRAWN: usize = 20;

fn said(c: &ComingItem) -> String {
    match c.what.as_str() {
        "report_propagation" => "report what was propagated".to_owned(),
        "state_minimum" => "minimum royalty falls due".to_owned(),
        "return_trees" => "give back or destroy trees held for test".to_owned(),
        other => words::plain(other),
    }
}

/// What the report form holds.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Report {
    id: String,
    licence_id: String,
    period_start: String,
    period_end: String,
    #[serde(default)]
    trees_n: String,
    #[serde(default)]
    hectares: String,
    #[serde(default)]
    kilograms: String,
    #[serde(default)]
    note: String,
}

/// Reports trees propagated. The form carries the report's id, so that sending it twice is
/// harmless.
pub async fn report(
    desk: Desk,
    form: Result<Form<Report>, FormRejection>,
) -> Result<Response, Trouble> {
    let Form(form) = form.map_err(|rejection| Fault::malformed(rejection.body_text()))?;
    let trees_n = match form.trees_n.trim() {
        "" => 0,
        text => text.parse().map_err(|_| {
            Fault::field(
                "/trees_n",
                format!("{text:?} is not a count; write a whole number"),
            )
        })?,
    };
    let request = ReportPropagationRequest {
        id: form.id,
        licence_id: form.licence_id,
        period_start: form.period_start,
        period_end: form.period_end,
        trees_n,
        hectares: form.hectares.trim().to_owned(),
        kilograms: form.kilograms.trim().to_owned(),
        note: form.note,
        ..ReportPropagationRequest::default()
    };
    desk.release()?.report_propagation(request).await?;
    Ok(Redirect::to("/partner#reports").into_response())
}

fn report_form(items: &[ReleaseStatus]) -> Markup {
    let licences: Vec<(String, String)> = items
        .iter()
        .flat_map(|s| s.licences.iter().map(move |l| (s, l)))
        .filter(|(_, l)| l.standing != "ahead")
        .map(|(s, l)| {
            let name = format!(
                "{}, {}, {}",
                l.number,
                s.denomination,
                l.territory.join(" ")
            );
            (l.licence_id.clone(), name)
        })
        .collect();
    html! {
        @if !licences.is_empty() {
            h2 { "Report propagation" }
            form.ask method="post" action="/partner/reports" {
                input type="hidden" name="id" value=(uuid::Uuid::now_v7());
                (choice("licence_id", "Licence", None, licences, ""))
                (field("period_start", "From", "date", ""))
                (field("period_end", "To (last day)", "date", ""))
                (field("trees_n", "Trees propagated", "number", ""))
                (field("hectares", "Hectares, for royalties by area", "text", ""))
                (field("kilograms", "Kilograms, for royalties by weight", "text", ""))
                (field("note", "Note", "text", ""))
                button { "Send report" }
            }
        }
    }
}

fn one(s: &ReleaseStatus) -> Markup {
    html! {
        section {
            h2 { (s.denomination) @if !s.denominated { " (code; no denomination yet)" } }
            ul.big {
                li { strong { (if s.may_propagate { "Yes" } else { "No" }) } span { "may propagate" } }
                @if let Some(remaining) = s.remaining_n { li { strong { (words::count(remaining)) } span { "trees still open" } } }
                li { strong { (words::count(s.propagated_n)) } span { "trees reported" } }
                @if s.may_propagate { li { strong { (if s.until.is_empty() { "open".to_owned() } else { words::day(&s.until) }) } span { "until" } } }
            }
            @if !s.reason.is_empty() { p { (s.reason) } }
            (facts(vec![
                ("Species", html! { i { (text(&s.species)) } }),
                ("Stage", word(&s.stage)),
                ("Trade designations", text(s.trade_designations.join(", "))),
                ("At most", maybe_count(s.propagate_max_n)),
            ]))
            @if !s.licences.is_empty() {
                (Table::new("Your licences").text("Licence").text("Territory").text("Purpose").text("Exclusive").text("From").text("To").text("Standing").number("Reported").number("At most").text("Royalty").stacking()
                    .rows(&s.licences, |l| vec![
                        text(&l.number), territory(&l.territory, &l.comes_to), word(&l.purpose), text(if l.exclusive { "yes" } else { "no" }),
                        day(&l.starts_on), if l.ends_on.is_empty() { text("open") } else { day(&l.ends_on) }, word(&l.standing),
                        count(l.propagated_n), maybe_count(l.propagate_max_n),
                        html! { @match &l.royalty { Some(r) => { (r.amount) " " (r.currency) " per " (r.per) }, None => (crate::html::NOTHING) } },
                    ]).show())
            }
            @if !s.markings.is_empty() {
                (Table::new("Text for the tag").text("Where").text("Text").text("What it is for").text("Law").stacking()
                    .rows(&s.markings, |m| vec![
                        html! { (m.jurisdiction) " " (words::plain(&m.kind)) },
                        html! { @if m.text.is_empty() { span.quiet { (m.missing) } } @else { strong { (m.text) } } },
                        text(&m.effect),
                        html! { (m.law) @if !m.confidence.is_empty() { " (" (known_from(&m.confidence)) ")" } },
                    ]).show())
            }
            @if !s.protected_in.is_empty() {
                (Table::new("Where it is protected").text("Where").text("Right").text("State").text("Number").text("Expires").text("Law").stacking()
                    .rows(&s.protected_in, |p| vec![
                        text(&p.jurisdiction), word(&p.kind), word(&p.state), text(&p.number), crate::html::maybe_day(p.expiry_on.as_ref()), text(&p.law),
                    ]).show())
            }
            @if !s.agreements.is_empty() {
                (Table::new("Trees you hold for test").text("Place").number("Trees").text("From").text("Until").text("Then").text("Standing").text("You may say").stacking()
                    .rows(&s.agreements, |a| vec![
                        html! { (a.place) ", " (a.country) }, count(a.trees_n), day(&a.starts_on), day(&a.ends_on), word(&a.on_end), word(&a.standing),
                        text(if a.may_say.is_empty() { "nothing" } else { &a.may_say }),
                    ]).show())
            }
        }
    }
}

/// A licence's territory, with what its groups come to.
pub fn territory(named: &[String], comes_to: &[String]) -> Markup {
    html! {
        (named.join(", "))
        @if !comes_to.is_empty() && comes_to != named { " " span.quiet { "(" (comes_to.join(" ")) ")" } }
    }
}

fn reported(all: &PartnerReportList) -> Markup {
    html! {
        (Table::new("Propagation reports").text("From").text("To").number("Trees").number("Hectares").number("Kilograms").number("So far").text("Standing").text("Note").stacking().or_say("You have not reported yet.")
            .rows(&all.items, |r| vec![
                day(&r.period_start), day(&r.period_end), count(r.trees_n), text(&r.hectares), text(&r.kilograms), count(r.reported_so_far_n),
                html! {
                    @if !r.corrected_by_id.is_empty() { "replaced by a later report" } @else { "stands" }
                    @if r.above_cap { " " span.tag.strong { "above the licence’s cap" } }
                },
                text(&r.note),
            ]).show())
        (Table::new("Royalty statements").text("Statement").text("From").text("To").number("Total").text("Per").text("Rounding").stacking().or_say("No statement yet.")
            .rows(&all.statements, |s| vec![
                text(&s.number), day(&s.period_start), day(&s.period_end), html! { (s.total) " " (s.currency) }, word(&s.per), text(&s.rounding),
            ]).show())
    }
}
