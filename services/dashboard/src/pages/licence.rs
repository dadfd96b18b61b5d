//! One licence: its terms as they followed one another, what was reported under it, counted on the
//! ground, and stated.

use axum::extract::Path;
use contract::release::{
    GetLicenceRequest, Inspection, Licence, LicenceChange, ListInspectionsRequest,
    ListPropagationReportsRequest, ListRoyaltyStatementsRequest, PropagationReport, ReportingTerms,
    RoyaltyStatement, RoyaltyTerms,
};
use jiff::civil::Date;
use maud::{Markup, html};

use super::Shown;
use super::partner::territory;
use crate::desk::Desk;
use crate::html::{
    NOTHING, Table, caution, count, day, facts, instant, link, maybe_count, part, text, word,
};
use crate::layout::Page;
use crate::picture::{Fill, Mark, Span, Timeline, TimelineRow};
use crate::words;

/// Rows of each part; the API has the rest.
const SHOWN: u32 = 100;

/// One licence.
pub async fn show(desk: Desk, Path(id): Path<String>) -> Shown {
    let mut release = desk.release()?;
    let licence = release
        .get_licence(GetLicenceRequest {
            licence_id: id.clone(),
        })
        .await?
        .into_inner();
    let reports = release
        .list_propagation_reports(ListPropagationReportsRequest {
            limit: SHOWN,
            cursor: String::new(),
            licence_id: id.clone(),
        })
        .await
        .map(|list| list.into_inner().items);
    let statements = release
        .list_royalty_statements(ListRoyaltyStatementsRequest {
            limit: SHOWN,
            cursor: String::new(),
            licence_id: id.clone(),
        })
        .await
        .map(|list| list.into_inner().items);
    let inspections = release
        .list_inspections(ListInspectionsRequest {
            limit: SHOWN,
            cursor: String::new(),
            licence_id: id,
            open_only: false,
        })
        .await
        .map(|list| list.into_inner().items);
    let today = desk.today("UTC");
    let name = if licence.denomination.is_empty() {
        &licence.candidate_code
    } else {
        &licence.denomination
    };
    Ok(Page::new(
        format!("Licence {}", licence.number),
        html! {
            (caution(&licence.caution))
            (facts(vec![
                ("Variety", link("/candidates", &licence.candidate_id, name)),
                ("Licensee", text(&licence.licensee_name)),
                ("Territory", territory(&licence.territory, &licence.comes_to)),
                ("Purpose", word(&licence.purpose)),
                ("Exclusive", yes(licence.exclusive)),
                ("May grant licences of its own", yes(licence.sublicensing)),
                ("From", day(&licence.starts_on)),
                ("To", open_or_day(&licence.ends_on)),
                ("Standing", word(&licence.standing)),
                ("Trees reported", count(licence.propagated_n)),
                ("At most", maybe_count(licence.propagate_max_n)),
                ("Royalty", royalty(licence.royalty.as_ref())),
                ("Reports", reporting(licence.reporting)),
            ]))
            (course(&licence, reports.as_deref().unwrap_or_default(), inspections.as_deref().unwrap_or_default(), today))
            h2 { "Terms as they followed one another" }
            (history(&licence.history))
            h2 { "Propagation reports" }
            (part(reports.map_err(Into::into), |all| reported(&all)))
            h2 { "Trees on the ground against trees reported" }
            (part(inspections.map_err(Into::into), |all| counted(&all)))
            h2 { "Royalty statements" }
            (part(statements.map_err(Into::into), |all| stated(&all)))
        },
    ))
}

fn yes(holds: bool) -> Markup {
    text(if holds { "yes" } else { "no" })
}

fn open_or_day(on: &str) -> Markup {
    if on.is_empty() { text("open") } else { day(on) }
}

fn royalty(terms: Option<&RoyaltyTerms>) -> Markup {
    let Some(terms) = terms else {
        return html! { (NOTHING) };
    };
    html! {
        (terms.amount) " " (terms.currency) " per " (terms.per)
        @for step in &terms.steps { "; " (step.amount) " above " (step.above) }
        @if !terms.minimum.is_empty() { "; at least " (terms.minimum) " a statement" }
        @if !terms.yearly_increase_percent.is_empty() { "; " (terms.yearly_increase_percent) " % more each year" }
    }
}

fn reporting(terms: Option<ReportingTerms>) -> Markup {
    match terms {
        Some(terms) => html! {
            "every " (words::some(terms.every_months, "month", "months"))
            ", within " (words::some(terms.within_days, "day", "days"))
        },
        None => html! { (NOTHING) },
    }
}

/// The licence over time, with what was reported and counted.
fn course(
    licence: &Licence,
    reports: &[PropagationReport],
    inspections: &[Inspection],
    today: Date,
) -> Markup {
    let date = |text: &str| text.parse::<Date>().ok();
    let Some(starts) = date(&licence.starts_on) else {
        return html! {};
    };
    let in_force = TimelineRow {
        label: "licence".into(),
        spans: vec![Span {
            from: starts,
            to: date(&licence.ends_on).unwrap_or(today.max(starts)),
            text: "the licence".into(),
            fill: Fill::Upright,
        }],
        marks: licence
            .history
            .iter()
            .filter_map(|change| {
                Some(Mark {
                    on: date(&change.on)?,
                    text: words::plain(&change.change),
                    open: false,
                })
            })
            .collect(),
    };
    let reported = TimelineRow {
        label: "reported".into(),
        spans: reports
            .iter()
            .filter(|report| report.corrected_by_id.is_empty())
            .filter_map(|report| {
                Some(Span {
                    from: date(&report.period_start)?,
                    to: date(&report.period_end)?,
                    text: words::some(report.trees_n, "tree", "trees"),
                    fill: if report.above_cap {
                        Fill::Crossed
                    } else {
                        Fill::Rising
                    },
                })
            })
            .collect(),
        ..TimelineRow::default()
    };
    let counted = TimelineRow {
        label: "counted".into(),
        marks: inspections
            .iter()
            .filter_map(|inspection| {
                Some(Mark {
                    on: date(&inspection.on)?,
                    text: words::plain(&inspection.finding),
                    open: false,
                })
            })
            .collect(),
        ..TimelineRow::default()
    };
    let rows: Vec<TimelineRow> = [in_force, reported, counted]
        .into_iter()
        .filter(|row| !row.spans.is_empty() || !row.marks.is_empty())
        .collect();
    let table = Table::new("The licence over time")
        .text("Line")
        .text("What")
        .text("From or on")
        .text("To")
        .rows(
            rows.iter().flat_map(|row| {
                let spans = row.spans.iter().map(|s| (s.from, Some(s.to), &s.text));
                let marks = row.marks.iter().map(|m| (m.on, None, &m.text));
                spans.chain(marks).map(|line| (&row.label, line))
            }),
            |(label, (from, to, what))| {
                vec![
                    text(label),
                    text(what),
                    day(&from.to_string()),
                    day(&to.map(|to| to.to_string()).unwrap_or_default()),
                ]
            },
        );
    let picture = Timeline {
        key: "course".into(),
        title: "The licence over time".into(),
        description:
            "Periods reported by reports that stand, and days on which trees were counted.".into(),
        today: Some(today),
        rows,
        legend: vec![
            (Fill::Upright, "licence".into()),
            (Fill::Rising, "reported".into()),
            (Fill::Crossed, "reported above the cap".into()),
        ],
    };
    match picture.draw() {
        Some(picture) => picture.figure(table.show()),
        None => html! {},
    }
}

fn history(all: &[LicenceChange]) -> Markup {
    Table::new("Terms")
        .text("From")
        .text("What")
        .text("Why")
        .text("By")
        .text("Territory")
        .text("Exclusive")
        .text("To")
        .text("At most")
        .text("Royalty")
        .text("Reports")
        .stacking()
        .rows(all, |change| {
            vec![
                day(&change.on),
                word(&change.change),
                text(&change.reason),
                text(&change.by),
                territory(&change.territory, &change.comes_to),
                yes(change.exclusive),
                open_or_day(&change.ends_on),
                maybe_count(change.propagate_max_n),
                royalty(change.royalty.as_ref()),
                reporting(change.reporting),
            ]
        })
        .show()
}

fn reported(all: &[PropagationReport]) -> Markup {
    Table::new("Propagation reports")
        .text("From")
        .text("To")
        .number("Trees")
        .number("Hectares")
        .number("Kilograms")
        .number("So far")
        .text("Standing")
        .text("Reported")
        .text("Note")
        .stacking()
        .or_say("Nothing was reported yet.")
        .rows(all, |report| {
            vec![
                day(&report.period_start),
                day(&report.period_end),
                count(report.trees_n),
                text(&report.hectares),
                text(&report.kilograms),
                count(report.reported_so_far_n),
                html! {
                    @if report.corrected_by_id.is_empty() { "stands" } @else { "replaced by a later report" }
                    @if report.above_cap { " " span.tag.strong { "above the licence’s cap" } }
                },
                html! { (instant(&report.reported_at)) " by " (report.reported_by) },
                text(&report.note),
            ]
        })
        .show()
}

fn counted(all: &[Inspection]) -> Markup {
    Table::new("Counts of trees")
        .text("Day")
        .text("Place")
        .number("Counted there")
        .number("Counted at all places")
        .number("Reported")
        .number("Difference")
        .text("Finding")
        .text("Counted by")
        .text("Evidence")
        .stacking()
        .or_say("Nobody has counted yet.")
        .rows(all, |inspection| {
            vec![
                day(&inspection.on),
                text(&inspection.place),
                count(inspection.counted_n),
                count(inspection.counted_everywhere_n),
                count(inspection.reported_n),
                text(inspection.difference_n.to_string().replace('-', "−")),
                html! {
                    span.tag.strong[inspection.flagged] { (words::plain(&inspection.finding)) }
                    @if !inspection.corrected_by_report_id.is_empty() { " put right by a later report" }
                },
                text(&inspection.counted_by),
                text(&inspection.evidence),
            ]
        })
        .show()
}

fn stated(all: &[RoyaltyStatement]) -> Markup {
    Table::new("Royalty statements")
        .text("Statement")
        .text("From")
        .text("To")
        .number("Lines")
        .number("Added to the minimum")
        .number("Total")
        .text("Standing")
        .text("Rounding")
        .stacking()
        .or_say("Nothing was stated yet.")
        .rows(all, |statement| {
            vec![
                text(&statement.number),
                day(&statement.period_start),
                day(&statement.period_end),
                text(&statement.subtotal),
                text(&statement.minimum_added),
                html! { (statement.total) " " (statement.currency) },
                html! {
                    @if statement.corrected_by_id.is_empty() { "stands" } @else { "replaced by a later statement" }
                    @if let Some(difference) = &statement.difference { "; " (difference) " against the one it replaces" }
                    @if !statement.reason.is_empty() { ": " (statement.reason) }
                },
                text(&statement.rounding),
            ]
        })
        .show()
}
