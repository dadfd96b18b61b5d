//! All due dates of 10,000 candidates in every covered right, beside reading the same rows.
//!
//! Baseline: decoding each candidate's events from JSON, once per candidate. The first ratio is
//! evaluating events already read; the second reads them too and is what a pass over all due dates
//! costs ([`Book::clocks`]); the third also says where each way stands and why ([`Book::routes`]).
//! The pass over rows of the database, against reading those rows, is measured by `drupeline bench`.

use std::hint::black_box;
use std::time::{Duration, Instant};

use jiff::ToSpan;
use jiff::civil::date;
use rights::{Attributes, Book, CandidateAttributes, CandidateEvent, EventInput, Route};

const CANDIDATES_N: usize = 10_000;

fn candidate(n: usize) -> Vec<CandidateEvent> {
    let day =
        |offset: usize| date(2005, 1, 1).saturating_add(((n * 7 + offset) as i64 % 7300).days());
    let told =
        |event: &str, on, country: Option<&str>, jurisdiction: Option<&str>| CandidateEvent {
            event: event.to_owned(),
            on,
            country: country.map(str::to_owned),
            jurisdiction: jurisdiction.map(str::to_owned),
            kind: None,
        };
    let sold = day(0);
    vec![
        told("publication", sold.saturating_add(30.days()), None, None),
        told(
            "first_sale",
            sold,
            Some(["US", "ES", "CL", "AU"][n % 4]),
            None,
        ),
        told("filing", sold.saturating_add(200.days()), None, Some("EU")),
        told("grant", sold.saturating_add(900.days()), None, Some("EU")),
    ]
}

fn fastest(mut run: impl FnMut() -> usize) -> (Duration, usize) {
    let timed = |run: &mut dyn FnMut() -> usize| {
        let start = Instant::now();
        let counted = run();
        (start.elapsed(), counted)
    };
    (0..5).map(|_| timed(&mut run)).min().expect("five runs")
}

fn main() {
    let book = Book::embedded();
    let attributes = CandidateAttributes {
        everywhere: Attributes {
            tree_or_vine: Some(true),
            ..Attributes::default()
        },
        ..CandidateAttributes::default()
    };
    let rows: Vec<String> = (0..CANDIDATES_N)
        .map(|n| serde_json::to_string(&candidate(n)).expect("events are JSON"))
        .collect();
    let (reading, _) = fastest(|| {
        rows.iter()
            .map(|row| {
                let events: Vec<CandidateEvent> = serde_json::from_str(row).expect("rows are JSON");
                black_box(events).len()
            })
            .sum()
    });
    let read: Vec<Vec<_>> = (0..CANDIDATES_N)
        .map(|n| {
            let disclosed: Vec<EventInput> = candidate(n)
                .into_iter()
                .filter(|event| event.jurisdiction.is_none())
                .map(|event| EventInput {
                    event: event.event,
                    on: event.on,
                    country: event.country,
                })
                .collect();
            book.jurisdictions()
                .iter()
                .filter(|jurisdiction| !jurisdiction.territory.is_empty())
                .flat_map(|jurisdiction| {
                    jurisdiction
                        .routes
                        .iter()
                        .map(move |route| (jurisdiction, route))
                })
                .map(|(jurisdiction, route)| {
                    let events = jurisdiction
                        .read_events(route, &disclosed, &attributes.everywhere)
                        .expect("events are in order");
                    (jurisdiction, route, events)
                })
                .collect()
        })
        .collect();
    let rights_n = read[0].len();
    let (evaluating, deadlines_n) = fastest(|| {
        read.iter()
            .flatten()
            .map(|(jurisdiction, route, events)| {
                let report = jurisdiction
                    .evaluate(route, events, &attributes.everywhere)
                    .expect("events are in order");
                black_box(report).deadlines.len()
            })
            .sum()
    });
    let as_of = date(2026, 3, 1);
    let candidates: Vec<_> = (0..CANDIDATES_N).map(candidate).collect();
    let (passing, passed_n) = fastest(|| {
        candidates
            .iter()
            .map(|events| {
                let reports = book.clocks(events, &attributes, as_of).expect("in order");
                reports
                    .iter()
                    .map(|report| report.deadlines.len())
                    .sum::<usize>()
            })
            .sum()
    });
    let (routing, open_n) = fastest(|| {
        candidates
            .iter()
            .map(|events| {
                let routes = book.routes(events, &attributes, as_of).expect("in order");
                routes
                    .iter()
                    .filter(|route: &&Route<'_>| route.is_open())
                    .count()
            })
            .sum()
    });
    let ratio = |of: Duration| of.as_secs_f64() / reading.as_secs_f64();
    println!("{CANDIDATES_N} candidates × {rights_n} rights; fastest of five");
    println!("reading rows (JSON)     {reading:>10.1?}   1.0 (baseline)");
    println!(
        "evaluating {deadlines_n:>8} deadlines {evaluating:>10.1?}   {:.1}",
        ratio(evaluating)
    );
    println!(
        "one pass   {passed_n:>8} deadlines {passing:>10.1?}   {:.1}",
        ratio(passing)
    );
    println!(
        "routes, {open_n:>8} open     {routing:>10.1?}   {:.1}",
        ratio(routing)
    );
}
