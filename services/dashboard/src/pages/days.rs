//! The day's list: what one day of bloom asks for, for the phone and for print.

use axum::extract::Path;
use axum::response::{IntoResponse, Redirect, Response};
use contract::crossing::{
    DayGathering, DayList, DayLot, DayMother, GetDayRequest, ListSeasonsRequest, PrintDayRequest,
};
use http::header;
use jiff::ToSpan as _;
use jiff::civil::Date;
use maud::{Markup, html};

use super::Shown;
use crate::desk::Desk;
use crate::html::{field, notes};
use crate::layout::Page;
use crate::trouble::Trouble;
use crate::words;

/// Goes to the list of the day asked for, or of today at the site of the latest season.
pub async fn today(desk: Desk) -> Result<Response, Trouble> {
    let date = match desk.ask.text("date") {
        asked if !asked.is_empty() => asked,
        _ => {
            let seasons = desk
                .crossing()?
                .list_seasons(ListSeasonsRequest {})
                .await?
                .into_inner();
            let latest = seasons.items.iter().max_by_key(|season| season.year);
            desk.today(latest.map_or("UTC", |season| &season.time_zone))
                .to_string()
        }
    };
    Ok(Redirect::to(&format!("/days/{}", crate::desk::encode(&date))).into_response())
}

/// The list of one day.
pub async fn show(desk: Desk, Path(date): Path<String>) -> Shown {
    let request = GetDayRequest {
        morning: in_the_morning(&desk, &date),
        date,
    };
    let day = desk.crossing()?.get_day(request).await?.into_inner();
    Ok(Page::new(heading(&day), body(&day)))
}

/// Whether the list is asked for as it stood in the morning: of a past day it is, unless the
/// reader wants what was left over in the evening.
fn in_the_morning(desk: &Desk, date: &str) -> bool {
    match desk.ask.text("as").as_str() {
        "morning" => true,
        "evening" => false,
        // A day that is over everywhere: the earliest zone is half a day behind UTC.
        _ => date
            .parse::<Date>()
            .is_ok_and(|day| day.saturating_add(1.day()) < desk.today("UTC")),
    }
}

/// The list of one day as the service prints it.
pub async fn sheet(desk: Desk, Path(date): Path<String>) -> Result<Response, Trouble> {
    let request = PrintDayRequest {
        morning: in_the_morning(&desk, &date),
        date,
        page: desk.ask.text("page"),
    };
    let document = desk.crossing()?.print_day(request).await?.into_inner();
    let headers = [
        (header::CONTENT_TYPE, document.content_type),
        (
            header::CONTENT_DISPOSITION,
            format!(
                "inline; filename=\"{}\"",
                document.file_name.replace('"', "")
            ),
        ),
    ];
    Ok((headers, document.content).into_response())
}

fn heading(day: &DayList) -> String {
    let date = day.date.parse::<Date>();
    let written = date.map_or_else(
        |_| day.date.clone(),
        |d| d.strftime("%A, %-d %B %Y").to_string(),
    );
    format!("The day’s list: {written}")
}

fn body(day: &DayList) -> Markup {
    let date = day.date.parse::<Date>().ok();
    let beside = |days: i64| date.and_then(|d| d.checked_add(days.days()).ok());
    html! {
        @if let Some(season) = day.season {
            p { "Season " a href={ "/season/" (season) } { (season) } @if !day.site.is_empty() { ", " (day.site) } "." }
        } @else {
            p.quiet { "No season is open on this day." }
        }
        form.ask method="get" action="/days" {
            @if let Some(before) = beside(-1) { a href={ "/days/" (before) } rel="prev" { "Day before" } }
            (field("date", "Another day", "date", &day.date))
            button { "Show" }
            @if let Some(after) = beside(1) { a href={ "/days/" (after) } rel="next" { "Day after" } }
            a href={ "/days/" (day.date) "/sheet.pdf?as=" (if day.morning { "morning" } else { "evening" }) } { "Sheet to print (PDF)" }
        }
        p.no-print {
            @if day.morning { "As it stood in the morning. " a href="?as=evening" { "What is left of it" } } @else { "With what was written of the day. " a href="?as=morning" { "As it stood in the morning" } }
        }
        nav.no-print aria-label="Parts of the list" {
            ul.jump {
                @for (id, name, n) in parts(day) {
                    @if n > 0 { li { a href={ "#" (id) } { (name) " " strong { (n) } } } }
                }
            }
        }
        @if parts(day).iter().all(|(_, _, n)| *n == 0) {
            p.lead { "Nothing is due on this day." }
        }
        (notes(&day.notes))
        (part("gather", "Gather flowers at balloon stage", &day.gather, gathering))
        (part("dry", "Lots coming dry", &day.coming_dry, lot))
        (part("vials", "Vials to take to the greenhouse", &day.vials, lot))
        (part("passes", "Mothers due a pass, in walking order", &day.passes, pass))
        (part("covers", "Covers to put on", &day.covers, mother))
        (part("strip", "Strip late flowers", &day.strip, mother))
        (part("discard", "Lots to discard", &day.discard, lot))
    }
}

fn parts(day: &DayList) -> [(&'static str, &'static str, usize); 7] {
    [
        ("gather", "Gather", day.gather.len()),
        ("dry", "Dry", day.coming_dry.len()),
        ("vials", "Vials", day.vials.len()),
        ("passes", "Passes", day.passes.len()),
        ("covers", "Covers", day.covers.len()),
        ("strip", "Strip", day.strip.len()),
        ("discard", "Discard", day.discard.len()),
    ]
}

fn part<T>(id: &str, title: &str, items: &[T], line: impl Fn(&T) -> Markup) -> Markup {
    html! {
        @if !items.is_empty() {
            h2 id=(id) { (title) " (" (items.len()) ")" }
            ol.todo {
                @for item in items {
                    li { span.box aria-hidden="true" {} (line(item)) }
                }
            }
        }
    }
}

fn gathering(g: &DayGathering) -> Markup {
    let stage = if g.stage_bbch == 0 {
        "no stage noted".to_owned()
    } else {
        format!("BBCH {} on {}", g.stage_bbch, words::day(&g.stage_on))
    };
    let balloon = match g.balloon.as_str() {
        "now" => "balloon stage now",
        "soon" => "balloon stage soon",
        "past" => "balloon stage past",
        _ => "balloon stage not known",
    };
    html! {
        span.what { a href={ "/germplasm/" (g.germplasm_id) } { (g.name) } }
        span.much { (words::some(g.flowers_n, "flower", "flowers")) }
        span.why {
            strong { (balloon) } ", " (stage) "; "
            (words::some(g.to_pollinate_n, "flower", "flowers")) " still to be pollinated, "
            (words::count(g.served_by_lots_n)) " served by lots in hand"
            @if !g.cross_numbers.is_empty() { "; for " (g.cross_numbers.join(", ")) }
            @if g.grains_needed_n > 0.0 {
                "; " (words::count((g.grains_needed_n / 1000.0).round() as u32)) " thousand grains, "
                (words::measure(g.anthers_per_flower_n)) " anthers to a flower"
            }
            @if !g.places.is_empty() { "; at " strong { (g.places.join("; ")) } }
            @if !g.note.is_empty() { "; " (g.note) }
        }
    }
}

fn lot(l: &DayLot) -> Markup {
    html! {
        span.what { a href={ "/pollen-lots/" (l.pollen_lot_id) } { (l.number) } " " (l.name) }
        span.much { (words::some(l.serves_flowers_n, "flower", "flowers")) }
        span.why {
            strong { (words::plain(&l.verdict)) } ", germination " (words::percent(l.germination))
            "; " (words::plain(&l.place))
            @if !l.reason.starts_with("gathered") { ", gathered " (words::day(&l.gathered_on)) }
            @if !l.reason.is_empty() { "; " (l.reason) }
        }
    }
}

fn place(m: &DayMother) -> String {
    let mut parts = Vec::new();
    if !m.house.is_empty() {
        parts.push(m.house.clone());
    }
    if m.row > 0 {
        parts.push(format!("row {}", m.row));
    }
    if m.position > 0 {
        parts.push(format!("place {}", m.position));
    }
    parts.join(", ")
}

fn mother(m: &DayMother) -> Markup {
    html! {
        span.what { a href={ "/mothers/" (m.mother_id) } { (m.number) } " " (m.name) }
        span.much.walk { (place(m)) }
        span.why {
            @if !m.cross_id.is_empty() { a href={ "/crosses/" (m.cross_id) } { (m.cross_number) } "; " }
            (m.reason)
            @if !m.last_pass_on.is_empty() { "; last pass " (words::day(&m.last_pass_on)) }
        }
    }
}

fn pass(m: &DayMother) -> Markup {
    html! {
        span.what {
            a href={ "/mothers/" (m.mother_id) } { (m.number) } " " (m.name)
            @if !m.pollen_parent_name.is_empty() { " × " (m.pollen_parent_name) }
        }
        span.much.walk { (place(m)) }
        span.why {
            @if !m.cross_id.is_empty() { "cross " a href={ "/crosses/" (m.cross_id) } { (m.cross_number) } "; " }
            @if m.pollen_lot_number.is_empty() { strong { "no usable pollen lot" } } @else { "take lot " strong { (m.pollen_lot_number) } }
            "; " (words::some(m.to_pollinate_n, "flower", "flowers")) " to pollinate; "
            (words::some(m.passes_n, "pass", "passes")) " so far"
            @if !m.last_pass_on.is_empty() { ", last " (words::day(&m.last_pass_on)) }
            "; " (if m.covered { "covered" } else { "not covered" })
            @if !m.reason.is_empty() { "; " (m.reason) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_day_says_so() {
        let day = DayList {
            date: "2026-07-01".into(),
            ..DayList::default()
        };
        let shown = body(&day).into_string();
        assert!(shown.contains("Nothing is due on this day"));
        assert!(shown.contains("/days/2026-06-30") && shown.contains("/days/2026-07-02"));
    }

    #[test]
    fn a_pass_tells_its_place_its_lot_and_its_flowers() {
        let mother = DayMother {
            number: "M-0014".into(),
            name: "Morning".into(),
            house: "House 2".into(),
            row: 3,
            position: 7,
            pollen_parent_name: "Dusk".into(),
            pollen_lot_number: "P26-0034".into(),
            to_pollinate_n: 120,
            passes_n: 1,
            ..DayMother::default()
        };
        let shown = pass(&mother).into_string();
        for wanted in [
            "House 2, row 3, place 7",
            "P26-0034",
            "120 flowers",
            "1 pass so far",
            "not covered",
        ] {
            assert!(shown.contains(wanted), "{wanted} in {shown}");
        }
    }
}
