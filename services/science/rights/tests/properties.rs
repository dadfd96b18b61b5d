//! Properties of clocks over every covered right, on made-up events.

use jiff::ToSpan;
use jiff::civil::{Date, date};
use proptest::prelude::*;
use rights::book::Roll;
use rights::{
    Attributes, Book, CandidateAttributes, CandidateEvent, ClockReport, EventInput, EventKind, What,
};

fn days() -> impl Strategy<Value = Date> {
    (0_i64..36_500).prop_map(|n| date(2000, 1, 1).saturating_add(n.days()))
}

/// Every right with every kind of event that starts a clock of its own.
fn starts() -> Vec<(String, String, EventKind)> {
    let mut found = Vec::new();
    for jurisdiction in Book::embedded().jurisdictions() {
        for route in &jurisdiction.routes {
            for kind in EventKind::ALL {
                found.push((jurisdiction.code.clone(), route.kind.clone(), *kind));
            }
        }
    }
    found
}

fn report(right: &(String, String, EventKind), on: Date, tree: bool) -> ClockReport<'static> {
    let event = EventInput {
        event: right.2.word().to_owned(),
        on,
        country: right.2.needs_country().then(|| "CL".to_owned()),
    };
    let attributes = Attributes {
        tree_or_vine: Some(tree),
        shortened_months: Some(3),
        home_country: Some("CL".to_owned()),
        ..Attributes::default()
    };
    rights::clock(&right.0, &right.1, &[event], &attributes).expect("one event in range is fine")
}

/// Due days and ends of term, in an order that depends on the law alone.
fn ends(report: &ClockReport<'_>) -> Vec<(String, Date, Date)> {
    let mut ends: Vec<_> = report
        .deadlines
        .iter()
        .map(|d| {
            (
                format!("{:?} {} {}", d.what, d.law, d.certain),
                d.nominal_on,
                d.due_on,
            )
        })
        .collect();
    ends.extend(
        report
            .term
            .iter()
            .map(|term| ("term".to_owned(), term.on, term.on)),
    );
    ends.sort();
    ends
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn a_later_start_never_ends_earlier(
        right in proptest::sample::select(starts()),
        on in days(),
        later_n in 0_i64..800,
        tree: bool,
    ) {
        let early = report(&right, on, tree);
        let late = report(&right, on.saturating_add(later_n.days()), tree);
        // A newer text of the law may give less time; only one text is compared with itself.
        prop_assume!(early.law_version == late.law_version);
        let (early, late) = (ends(&early), ends(&late));
        prop_assert_eq!(early.len(), late.len());
        for (early, late) in early.iter().zip(&late) {
            prop_assert_eq!(&early.0, &late.0);
            prop_assert!(early.1 <= late.1 && early.2 <= late.2, "{:?} then {:?}", early, late);
        }
    }

    #[test]
    fn no_end_precedes_its_start_and_a_rolled_day_is_a_working_day(
        right in proptest::sample::select(starts()),
        on in days(),
        tree: bool,
    ) {
        let report = report(&right, on, tree);
        let route = Book::embedded().jurisdiction(&right.0).unwrap().route(&right.1).unwrap();
        for deadline in &report.deadlines {
            prop_assert!(on <= deadline.nominal_on && deadline.nominal_on <= deadline.due_on);
            match deadline.roll {
                Roll::NextWorkingDay => {
                    prop_assert_eq!(route.calendar.is_working_day(deadline.due_on), Some(true));
                    let mut skipped = deadline.nominal_on;
                    while skipped < deadline.due_on {
                        prop_assert_eq!(route.calendar.is_working_day(skipped), Some(false));
                        skipped = skipped.tomorrow().unwrap();
                    }
                }
                Roll::None | Roll::Unknown => {
                    prop_assert_eq!(deadline.due_on, deadline.nominal_on);
                }
            }
        }
        if let Some(term) = report.term {
            prop_assert!(term.on > on);
        }
    }

    #[test]
    fn trees_never_have_less_time_than_other_plants(
        right in proptest::sample::select(starts()),
        on in days(),
    ) {
        let (other, tree) = (ends(&report(&right, on, false)), ends(&report(&right, on, true)));
        for (other, tree) in other.iter().zip(&tree) {
            prop_assert!(other.1 <= tree.1 && other.2 <= tree.2);
        }
    }

    #[test]
    fn filing_by_the_last_day_keeps_novelty_and_the_day_after_loses_it(
        on in days(),
        abroad: bool,
        tree: bool,
        right in proptest::sample::select(vec![
            ("US", "plant_patent"), ("US", "pvp"), ("EU", "cpvr"), ("GB", "pbr"), ("CA", "pbr"),
            ("AU", "pbr"), ("NZ", "pvr"), ("CL", "pbr"), ("JP", "pbr"), ("UPOV", "pbr"),
        ]),
    ) {
        let word = if abroad { "first_sale_abroad" } else { "first_sale_home" };
        let told = |event: &str, on| EventInput { event: event.to_owned(), on, country: None };
        let attributes = Attributes { tree_or_vine: Some(tree), ..Attributes::default() };
        let ask = |events: &[EventInput]| rights::clock(right.0, right.1, events, &attributes).unwrap();
        let due_on = |report: &ClockReport<'_>| report.first(What::FileBy).map(|d| d.due_on);
        // Filed on the day of sale, so that the text of the law is the one of that time.
        let Some(due) = due_on(&ask(&[told(word, on), told("filing", on)])) else {
            return Ok(()); // A sale abroad starts nothing under the older United States text.
        };
        let last = ask(&[told(word, on), told("filing", due)]);
        prop_assume!(due_on(&last) == Some(due));
        prop_assert_eq!(last.novelty_kept, Some(true));
        let after = ask(&[told(word, on), told("filing", due.tomorrow().unwrap())]);
        prop_assume!(due_on(&after) == Some(due));
        prop_assert_eq!(after.novelty_kept, Some(false));
    }

    #[test]
    fn annual_fees_fall_within_the_term_in_order_and_later_for_a_later_grant(
        right in proptest::sample::select(vec![("EU", "cpvr"), ("CA", "pbr"), ("AU", "pbr"), ("JP", "pbr")]),
        granted_on in days(),
        later_n in 0_i64..800,
        term in 15_i64..31,
    ) {
        let fees = |granted_on: Date| {
            let expiry_on = granted_on.saturating_add(term.years());
            let schedule = Book::embedded()
                .fee_schedule(right.0, right.1, granted_on, expiry_on)
                .unwrap();
            schedule.due_list(right.0, right.1, &[], granted_on, &[30])
        };
        let early = fees(granted_on);
        prop_assert!(!early.is_empty());
        let expiry_on = granted_on.saturating_add(term.years());
        for fee in &early {
            prop_assert!(granted_on <= fee.nominal_on && fee.nominal_on < expiry_on, "{:?}", fee);
            prop_assert!(fee.nominal_on <= fee.due_on);
        }
        for pair in early.windows(2) {
            prop_assert!(pair[0].year_n < pair[1].year_n && pair[0].nominal_on < pair[1].nominal_on);
        }
        let late = fees(granted_on.saturating_add(later_n.days()));
        for (early, late) in early.iter().zip(&late) {
            prop_assert!(early.nominal_on <= late.nominal_on, "{:?} then {:?}", early, late);
        }
    }

    #[test]
    fn reminders_come_before_the_safe_day_and_from_the_present_on(
        right in proptest::sample::select(starts()),
        on in days(),
        back_n in 0_i64..400,
        leads in proptest::collection::vec(0_u16..400, 0..6),
    ) {
        let as_of = on.saturating_add(back_n.days());
        for item in report(&right, on, true).due_list(as_of, &leads) {
            prop_assert!(item.nominal_on >= on && item.due_on >= item.nominal_on);
            prop_assert!(item.remind_on.is_sorted());
            for remind in item.remind_on {
                prop_assert!(as_of <= remind && remind <= item.nominal_on);
            }
        }
    }

    #[test]
    fn a_further_sale_never_opens_a_way(
        first in days(),
        second in days(),
        as_of in days(),
        countries in (proptest::sample::select(vec!["US", "ES", "CL", "AU", "GB", "CN"]),
                      proptest::sample::select(vec!["US", "ES", "CL", "AU", "GB", "CN"])),
    ) {
        let sold = |on, country: &str| CandidateEvent {
            event: "first_sale".to_owned(),
            on,
            country: Some(country.to_owned()),
            jurisdiction: None,
            kind: None,
        };
        let attributes = CandidateAttributes {
            everywhere: Attributes { tree_or_vine: Some(true), ..Attributes::default() },
            ..CandidateAttributes::default()
        };
        let one = [sold(first, countries.0)];
        let changes = Book::embedded()
            .what_if(&one, &attributes, &sold(second, countries.1), as_of)
            .unwrap();
        for change in changes {
            prop_assert!(change.before.is_open() || !change.after.is_open());
            if let (Some(before), Some(after)) = (change.before.open_until, change.after.open_until) {
                prop_assert!(after <= before);
            }
        }
    }
}

#[test]
fn every_rule_cites_a_law_and_every_jurisdiction_says_when_it_was_reviewed() {
    for jurisdiction in Book::embedded().jurisdictions() {
        assert!(
            jurisdiction.reviewed_on >= date(2026, 1, 1),
            "{}",
            jurisdiction.code
        );
        for version in jurisdiction.routes.iter().flat_map(|route| &route.versions) {
            assert!(
                !version.rules.is_empty(),
                "{} {}",
                jurisdiction.code,
                version.act
            );
            assert!(version.rules.iter().any(|rule| rule.what == What::FileBy));
        }
    }
}
