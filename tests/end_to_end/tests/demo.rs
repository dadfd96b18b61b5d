//! The demo's history, in small, loaded through the services' own use cases.

use std::collections::BTreeMap;

use drupeline::demo::accounts::Account;
use drupeline::demo::biology::TRAITS;
use drupeline::demo::history::Size;
use drupeline::demo::loading::{self, Loaded};
use end_to_end::System;
use indicatif::ProgressBar;
use jiff::civil::date;
use serde_json::Value;

use crate::pages::Browser;

async fn load(system: &System) -> Loaded {
    let accounts: BTreeMap<String, Account> = system
        .roles()
        .into_iter()
        .map(|role| (role.clone(), system.account(&role).clone()))
        .collect();
    let today = date(2026, 11, 20);
    loading::load(
        system.peers(),
        &accounts,
        Size::SMALL,
        today,
        ProgressBar::hidden(),
    )
    .await
    .unwrap_or_else(|fault| panic!("the demo does not load: {fault} {:?}", fault.errors()))
}

fn items(body: &Value) -> &Vec<Value> {
    body["items"].as_array().expect("items")
}

#[tokio::test(flavor = "multi_thread")]
async fn the_demo_is_sound_and_loads_once() {
    let system = System::start().await;
    let loaded = load(&system).await;
    assert!(
        loaded.crosses_n >= 18 && loaded.seedlings_n > 100,
        "{loaded:?}"
    );
    assert!(loaded.records_n > 500, "{loaded:?}");

    let breeder = system.sign_in("breeder").await;
    seasons_reconcile(
        &breeder
            .get("/api/crossing/v1/season-summaries")
            .await
            .expect(200),
        &loaded,
    );
    heritability_is_as_it_was_made(&system, &loaded).await;
    rights_tell_their_story(&system).await;
    forecasts_are_held_against_what_came(&system).await;
    a_whole_life_is_told(&system).await;
    let feed = the_calendar_is_read_by_another(&system).await;
    crate::demo_pages::look(&system).await;
    crate::demo_reconcile::walk(&system).await;

    let again = load(&system).await;
    assert_eq!(again.records_n, 0, "records were doubled");
    let seasons = breeder
        .get("/api/crossing/v1/season-summaries")
        .await
        .expect(200);
    seasons_reconcile(&seasons, &loaded);
    let licences = system
        .sign_in("rights")
        .await
        .get("/api/release/v1/licences")
        .await
        .expect(200);
    assert_eq!(items(&licences).len(), 4);
    assert_eq!(
        the_calendar_is_read_by_another(&system).await,
        feed,
        "the same dates under the same names"
    );
}

/// The demo's past is long enough for earlier forecasts to be held against what came.
async fn forecasts_are_held_against_what_came(system: &System) {
    let manager = system.sign_in("manager").await;
    let forecast = manager
        .get("/api/release/v1/forecast?seed=1&years=10&runs=400")
        .await
        .expect(200);
    let tested = &forecast["back_test"];
    let cases = tested["cases"].as_array().expect("cases");
    assert!(cases.len() >= 60, "{} cases", cases.len());
    for level in tested["coverage"].as_array().expect("levels") {
        let share = |field: &str| level[field].as_f64().expect("a share");
        println!(
            "demo back-test: level {}, expected {:.2}, held {:.2} of {}",
            level["level"],
            share("expected"),
            share("observed"),
            cases.len()
        );
        assert!(share("observed") > share("level") - 0.25, "{level:#}");
    }
    let money = &forecast["money"];
    assert_eq!(money["currency"], "USD", "{money:#}");
    assert!(money["licences_n"].as_u64() >= Some(2), "{money:#}");
    let mut browser = Browser::signed_in(system, "manager").await;
    let page = browser.page("/forecast").await;
    for wanted in [
        "Earlier forecasts held against what came",
        "How often intervals held",
        "Income of rights, in USD",
        "between species",
        "no source",
        "not legal advice",
    ] {
        assert!(page.contains(wanted), "{wanted} on the page");
    }
    let page = browser.page("/pipeline").await;
    assert!(page.contains("Flow between stages") && page.contains("not legal advice"));
    let page = browser.page("/licences").await;
    for wanted in [
        "Merrowdawn",
        "EXCLUSIVE",
        "US-CA",
        "SOUTHERN_CONE",
        "not legal advice",
    ] {
        assert!(page.contains(wanted), "{wanted} on the page");
    }
}

/// One variety's life is on file from its cross to the end of its grant, and told on one page.
async fn a_whole_life_is_told(system: &System) {
    let rights = system.sign_in("rights").await;
    let list = rights
        .get("/api/release/v1/candidates?stage=released&limit=200")
        .await
        .expect(200);
    let own = items(&list)
        .iter()
        .find(|candidate| candidate["denomination"] == "Elderfold")
        .expect("the variety of old");
    let mut browser = Browser::signed_in(system, "rights").await;
    let page = browser
        .page(&format!(
            "/candidates/{}",
            own["id"].as_str().expect("an id")
        ))
        .await;
    for wanted in [
        "pollinated",
        "fruit harvested",
        "planted own-root",
        "Cross, seedling and trials",
        "Wrenfold × Hearthglow",
        "trial, own-root",
        "trial, budded",
        "sweet, firm and of good size in every season",
        "released",
        "PP 60,118",
        "assignment",
        "licence of Nursery A",
        "term of the grant",
        "expiry",
        "<svg",
        "not legal advice",
    ] {
        assert!(page.contains(wanted), "{wanted} on the page");
    }
    // Those who look after machines find them by name, and no secret.
    let mut admin = Browser::signed_in(system, "admin").await;
    let keys = admin.page("/keys").await;
    for wanted in ["label printer", "sales system", "old till", "revoked"] {
        assert!(keys.contains(wanted), "{wanted} on the page");
    }
    let hooks = browser.page("/webhooks").await;
    for wanted in ["dates for the rights office", "orchard system", "https://"] {
        assert!(hooks.contains(wanted), "{wanted} on the page");
    }
    assert!(!keys.contains("dpk_") && !hooks.contains("whsec_"));
    let due = browser.page("/due-dates").await;
    for wanted in ["overdue", "report propagation", "Who answers"] {
        assert!(due.contains(wanted), "{wanted} on the page");
    }
}

/// Reads the whole feed with a parser that had no part in writing it; gives its dates by their
/// names.
async fn the_calendar_is_read_by_another(system: &System) -> BTreeMap<String, String> {
    let rights = system.sign_in("rights").await;
    let link = rights
        .post(
            "/api/release/v1/calendar-links",
            &serde_json::json!({"name": "telephone"}),
        )
        .await
        .expect(201);
    let url = link["url"].as_str().expect("an address").to_owned();
    let bytes = system.anonymous().get(&url).await.bytes;
    let text = String::from_utf8(bytes.clone()).expect("UTF-8");
    for line in text.split("\r\n") {
        assert!(line.len() <= 75, "{} octets: {line}", line.len());
        assert!(!line.contains('\n'), "a bare line feed in {line}");
    }
    let calendars: Vec<_> = ical::IcalParser::new(bytes.as_slice())
        .collect::<Result<_, _>>()
        .expect("a calendar that another reads");
    let [calendar] = calendars.as_slice() else {
        panic!("one calendar, not {}", calendars.len());
    };
    let due = rights
        .get("/api/release/v1/due-dates?limit=200&until=2031-11-20&as_of=2026-11-20")
        .await
        .expect(200);
    let mut read = BTreeMap::new();
    for event in &calendar.events {
        let value = |name: &str| {
            event
                .properties
                .iter()
                .find(|p| p.name == name)
                .and_then(|p| p.value.clone())
                .unwrap_or_else(|| panic!("{name} in {event:?}"))
        };
        // This parser drops blanks that stand at a fold.
        let description = value("DESCRIPTION").replace(' ', "");
        assert!(description.contains("notlegaladvice"), "{description}");
        assert!(value("DTSTART").len() == 8 && value("DTEND") > value("DTSTART"));
        for alarm in &event.alarms {
            let trigger = alarm.properties.iter().find(|p| p.name == "TRIGGER");
            let trigger = trigger.and_then(|p| p.value.clone()).unwrap_or_default();
            assert!(trigger.starts_with("-P"), "{trigger}");
        }
        let twice = read.insert(value("UID"), value("DTSTART"));
        assert_eq!(twice, None, "a name given twice");
    }
    assert!(read.len() >= 3, "{read:?}");
    // Every date that the list tells stands in the feed, on its safe day.
    for item in items(&due) {
        let word = |field: &str| item[field].as_str().expect("text").to_owned();
        let uid = format!("{}.{}@drupeline", word("candidate_id"), word("key"));
        assert_eq!(
            read.get(&uid),
            Some(&word("nominal_on").replace('-', "")),
            "{uid}"
        );
    }
    let id = link["id"].as_str().expect("an id");
    rights
        .delete(&format!("/api/release/v1/calendar-links/{id}"))
        .await
        .expect(204);
    system.anonymous().get(&url).await.expect(404);
    read
}

/// Counts of a season only shrink on the way from flower to seedling, and set lies within the range
/// of the fruits.
fn seasons_reconcile(summaries: &Value, loaded: &Loaded) {
    let seasons = items(summaries);
    // Six, and that of the variety whose whole life is told.
    assert_eq!(seasons.len(), 7);
    let mut seedlings = 0;
    for season in seasons {
        let n = |field: &str| season[field].as_u64().unwrap_or(0);
        assert!(
            n("flowers_pollinated_n") <= n("flowers_emasculated_n"),
            "{season}"
        );
        assert!(n("fruit_set_n") <= n("flowers_pollinated_n"), "{season}");
        assert!(n("seed_germinated_n") <= n("seed_extracted_n"), "{season}");
        assert!(n("seedlings_n") <= n("seed_germinated_n"), "{season}");
        let set = season["fruit_set"].as_f64().expect("fruit was counted");
        assert!((0.05..=0.45).contains(&set), "{season}");
        seedlings += n("seedlings_n");
    }
    assert_eq!(seedlings as usize, loaded.seedlings_n);
}

/// A checks' trees and those of replicated selections tell genetic from other variance; with few
/// entries the estimate is wide, so it is held to a wide band about what was made.
async fn heritability_is_as_it_was_made(system: &System, loaded: &Loaded) {
    let trials = system.sign_in("trials").await;
    let ripening = TRAITS
        .iter()
        .find(|t| t.code == "ripening_date")
        .expect("a trait of the demo");
    let mut seen = Vec::new();
    for trial in &loaded.trials {
        let trial = trials
            .get(&format!("/api/evaluation/v1/trials/{trial}"))
            .await
            .expect(200);
        if trial["stage"] != "budded" {
            continue;
        }
        let path = format!(
            "/api/evaluation/v1/trials/{}/means?trait=ripening_date",
            trial["id"].as_str().expect("an id")
        );
        let reply = trials.get(&path).await;
        if reply.status != 200 {
            continue;
        }
        if let Some(of_means) = reply.body["heritability"].as_f64() {
            seen.push(of_means);
        }
    }
    assert!(!seen.is_empty(), "no budded trial has means");
    let mean = seen.iter().sum::<f64>() / seen.len() as f64;
    // Eight trees of each entry: the heritability of their mean is far above a single tree's.
    let of_one = ripening.heritability;
    let expected = of_one / (of_one + (1.0 - of_one) / 8.0);
    assert!((mean - expected).abs() < 0.25, "{mean} against {expected}");
}

async fn rights_tell_their_story(system: &System) {
    let rights = system.sign_in("rights").await;
    let pipeline = rights.get("/api/release/v1/pipeline").await.expect(200);
    let stages = pipeline["totals"].as_array().expect("stages");
    let released = stages
        .iter()
        .find(|stage| stage["stage"] == "released")
        .expect("a stage");
    let times = &pipeline["seasons_to_release"];
    assert_eq!(times["released_n"], released["candidates_n"], "{times:#}");
    assert!(times["released_n"].as_u64() > Some(2), "{times:#}");
    let median = times["median"].as_f64().expect("some were released");
    assert!(
        (9.0..20.0).contains(&median),
        "about fifteen years: {times:#}"
    );

    let partner = system.sign_in("partner_a").await;
    let status = partner
        .get("/api/release/v1/partner/release-status")
        .await
        .expect(200);
    let mut names: Vec<&str> = items(&status)
        .iter()
        .map(|item| item["denomination"].as_str().expect("a name"))
        .collect();
    names.sort_unstable();
    assert_eq!(names, ["Elderfold", "Merrowdawn", "Ossgarnet"]);
    assert!(
        items(&status)
            .iter()
            .all(|item| (item["may_propagate"] == true) == (item["denomination"] != "Elderfold")),
        "{status:#}"
    );

    let other = system.sign_in("partner_b").await;
    let status = other
        .get("/api/release/v1/partner/release-status")
        .await
        .expect(200);
    assert!(
        items(&status)
            .iter()
            .all(|item| item["denomination"] != "Ossgarnet"),
        "{status:#}"
    );
}
