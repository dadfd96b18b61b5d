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
    crate::demo_pages::look(&system).await;

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
    assert_eq!(items(&licences).len(), 3);
}

/// Counts of a season only shrink on the way from flower to seedling, and set lies within the range
/// of the fruits.
fn seasons_reconcile(summaries: &Value, loaded: &Loaded) {
    let seasons = items(summaries);
    assert_eq!(seasons.len(), 6);
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
    assert_eq!(
        pipeline["seasons_to_release"]["released_n"], 2,
        "{pipeline:#}"
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
    assert_eq!(names, ["Merrowdawn", "Ossgarnet"]);
    assert!(
        items(&status)
            .iter()
            .all(|item| item["may_propagate"] == true),
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
