//! One tree, one story: crosses, seedlings, trials, candidates and pages of the demo agree.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use end_to_end::{Client, System};
use serde_json::{Value, json};

use crate::pages::Browser;

const CROSSING: &str = "/api/crossing/v1";
const EVALUATION: &str = "/api/evaluation/v1";
const RELEASE: &str = "/api/release/v1";
/// Announcements are taken in within seconds; this is for a machine with much else to do.
const TRIES: usize = 240;

fn text<'a>(value: &'a Value, field: &str) -> &'a str {
    value[field]
        .as_str()
        .unwrap_or_else(|| panic!("{field} is missing in {value:#}"))
}

fn count(value: &Value, field: &str) -> u64 {
    value[field].as_u64().unwrap_or(0)
}

/// Every item of a list, page by page.
async fn all(client: &Client, path: &str) -> Vec<Value> {
    let mut items = Vec::new();
    let mut cursor = String::new();
    loop {
        let joint = if path.contains('?') { '&' } else { '?' };
        let page = client
            .get(&format!("{path}{joint}limit=200&cursor={cursor}"))
            .await
            .expect(200);
        items.extend(page["items"].as_array().expect("items").iter().cloned());
        match page["next_cursor"].as_str() {
            Some(next) if !next.is_empty() => cursor = next.to_owned(),
            _ => return items,
        }
    }
}

/// What trials say of plants.
#[derive(Default)]
struct Trials {
    /// Plants with an own-root tree, and whether one stands.
    own_root: BTreeMap<String, bool>,
    /// Plants whose latest decision in an own-root trial is to discard, by trial.
    discarded: BTreeSet<String>,
    /// Plants that were advanced in some trial.
    advanced: BTreeSet<String>,
    /// Own-root trees that stand, with their plants.
    standing: Vec<(String, String)>,
}

impl Trials {
    async fn read(client: &Client) -> Self {
        let mut told = Self::default();
        for trial in all(client, &format!("{EVALUATION}/trials")).await {
            let own_root = text(&trial, "stage") == "own_root";
            let of = format!("{EVALUATION}/trials/{}", text(&trial, "id"));
            if text(&trial, "status") == "laid_out" {
                let layout = client.get(&format!("{of}/layout")).await.expect(200);
                let trees = layout["trees"].as_array().expect("trees");
                assert_eq!(trees.len() as u64, count(&trial, "trees_n"), "{trial:#}");
                for tree in trees.iter().filter(|t| own_root && t["is_check"] != true) {
                    let stands = told
                        .own_root
                        .entry(text(tree, "germplasm_id").to_owned())
                        .or_insert(false);
                    if text(tree, "status") == "standing" {
                        *stands = true;
                        told.standing.push((
                            text(tree, "tree_id").to_owned(),
                            text(tree, "germplasm_id").to_owned(),
                        ));
                    }
                }
            }
            // The newest first: the first of each plant stands.
            let mut seen = BTreeSet::new();
            for decision in all(client, &format!("{of}/decisions")).await {
                let plant = text(&decision, "germplasm_id").to_owned();
                if text(&decision, "decision") == "advance" {
                    told.advanced.insert(plant.clone());
                }
                if seen.insert(plant.clone())
                    && own_root
                    && text(&decision, "decision") == "discard"
                {
                    told.discarded.insert(plant);
                }
            }
        }
        told
    }
}

/// The whole of it.
pub async fn walk(system: &System) {
    let breeder = system.sign_in("breeder").await;
    let crosses = crosses_agree(&breeder).await;
    let [tree_of_dead, dead_seedling] = two_die(&breeder).await;
    let mut trials = Trials::read(&breeder).await;
    for _ in 0..TRIES {
        if trials.own_root.get(&dead_seedling) == Some(&false) {
            break;
        }
        tokio::time::sleep(Duration::from_millis(500)).await;
        trials = Trials::read(&breeder).await;
    }
    for plant in [&tree_of_dead, &dead_seedling] {
        assert_eq!(
            trials.own_root.get(plant),
            Some(&false),
            "{plant} has no tree left"
        );
    }
    assert!(!trials.discarded.is_empty(), "some entry was discarded");
    let mut differ = Vec::new();
    for _ in 0..TRIES {
        differ = seedlings_against(&breeder, &crosses, &trials).await;
        if differ.is_empty() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    assert!(
        differ.is_empty(),
        "{} differ: {:#?}",
        differ.len(),
        &differ[..differ.len().min(10)]
    );
    seasons_agree(&breeder, &crosses).await;
    candidates_agree(&breeder, &trials).await;
    pages_agree(system, &breeder, &crosses).await;
    println!(
        "demo reconciled: {} crosses, {} plants in own-root trials, {} discarded, {} advanced",
        crosses.len(),
        trials.own_root.len(),
        trials.discarded.len(),
        trials.advanced.len()
    );
}

/// Lets two seedlings end that have one own-root tree each: one as a tree of its trial, one as a
/// seedling of its cross; gives their plants.
async fn two_die(breeder: &Client) -> [String; 2] {
    let trials = Trials::read(breeder).await;
    let mut chosen = Vec::new();
    for (tree, plant) in &trials.standing {
        let alone = trials.standing.iter().filter(|(_, p)| p == plant).count() == 1;
        if !alone || trials.advanced.contains(plant) {
            continue;
        }
        let path = format!("{CROSSING}/seedlings/{plant}");
        if breeder.get(&path).await.status == 200 {
            chosen.push((tree.clone(), plant.clone()));
        }
        if chosen.len() == 2 {
            break;
        }
    }
    let [(tree, first), (_, second)] = &chosen[..] else {
        panic!("two seedlings stand in own-root trials: {chosen:?}");
    };
    let died = json!({"kind": "died", "on": "2026-11-20", "reason": "did not leaf out"});
    let path = format!("{EVALUATION}/trees/{tree}/events");
    breeder.post(&path, &died).await.expect(201);
    let froze = json!({"kind": "died", "on": "2026-11-20", "cause": "frost", "by": "Tomas Brekke"});
    let path = format!("{CROSSING}/seedlings/{second}/events");
    breeder.post(&path, &froze).await.expect(201);
    [first.clone(), second.clone()]
}

/// Standing and counts of every cross, in the list, by itself and by its ledger of seed.
async fn crosses_agree(client: &Client) -> Vec<Value> {
    let crosses = all(client, &format!("{CROSSING}/crosses")).await;
    assert!(crosses.len() >= 18);
    let mut standings = BTreeMap::new();
    for cross in &crosses {
        let id = text(cross, "id");
        let one = client
            .get(&format!("{CROSSING}/crosses/{id}"))
            .await
            .expect(200);
        for field in ["standing", "counts", "number", "warnings", "outcross_doubt"] {
            assert_eq!(
                one[field],
                cross[field],
                "{field} of {}",
                text(cross, "number")
            );
        }
        let counts = &cross["counts"];
        let expected = if count(counts, "seedlings_n") > 0 {
            "raised"
        } else if count(counts, "fruit_harvested_n") > 0 {
            "harvested"
        } else if count(counts, "passes_n") > 0 {
            "worked"
        } else {
            "planned"
        };
        let standing = text(cross, "standing");
        assert!(standing == expected || standing == "cancelled", "{cross:#}");
        *standings.entry(standing.to_owned()).or_insert(0) += 1;
        let ledger = client
            .get(&format!("{CROSSING}/crosses/{id}/seed"))
            .await
            .expect(200);
        assert_eq!(
            count(&ledger, "seedlings_planted_n"),
            count(counts, "seedlings_n"),
            "{ledger:#}"
        );
    }
    for (standing, n) in &standings {
        let path = format!("{CROSSING}/crosses?standing={standing}");
        assert_eq!(all(client, &path).await.len(), *n, "{standing}");
    }
    assert!(standings.contains_key("raised"), "{standings:?}");
    crosses
}

/// Seedlings whose state is not what trials and counts say.
async fn seedlings_against(client: &Client, crosses: &[Value], trials: &Trials) -> Vec<String> {
    let mut differ = Vec::new();
    for cross in crosses {
        let id = text(cross, "id");
        let seedlings = all(client, &format!("{CROSSING}/seedlings?cross_id={id}")).await;
        assert_eq!(
            seedlings.len() as u64,
            count(&cross["counts"], "seedlings_n")
        );
        for seedling in &seedlings {
            let (plant, state) = (text(seedling, "id"), text(seedling, "state"));
            assert_eq!(seedling["living"] == true, state != "dead", "{seedling:#}");
            let gone = trials.own_root.get(plant).is_some_and(|stands| !stands);
            let discarded = trials.discarded.contains(plant);
            let in_trial = trials.own_root.contains_key(plant);
            let right = match state {
                "dead" => gone || !in_trial,
                "discarded" => discarded && !gone,
                _ => !gone && !discarded,
            };
            if !right {
                differ.push(format!(
                    "{} is {state}; trials: gone {gone}, discarded {discarded}",
                    text(seedling, "number")
                ));
            }
        }
    }
    differ
}

/// Sums over crosses and seedlings against the summary of each season.
async fn seasons_agree(client: &Client, crosses: &[Value]) {
    let summaries = client
        .get(&format!("{CROSSING}/season-summaries"))
        .await
        .expect(200);
    for season in summaries["items"].as_array().expect("items") {
        let year = season["season"].as_i64().expect("a year");
        let of: Vec<&Value> = crosses
            .iter()
            .filter(|c| c["season"].as_i64() == Some(year))
            .collect();
        let going = of.iter().filter(|c| c["standing"] != "cancelled").count() as u64;
        assert_eq!(going, count(season, "crosses_n"), "crosses of {year}");
        for field in [
            "passes_n",
            "flowers_emasculated_n",
            "flowers_pollinated_n",
            "fruit_harvested_n",
            "seedlings_n",
        ] {
            let sum: u64 = of.iter().map(|c| count(&c["counts"], field)).sum();
            assert_eq!(sum, count(season, field), "{field} of {year}");
        }
        let seedlings = all(client, &format!("{CROSSING}/seedlings?season={year}")).await;
        let n = |state: &str| seedlings.iter().filter(|s| s["state"] == state).count() as u64;
        assert_eq!(
            n("living") + n("discarded"),
            count(season, "seedlings_living_n"),
            "{year}"
        );
        assert_eq!(
            n("discarded"),
            count(season, "seedlings_discarded_n"),
            "{year}"
        );
    }
}

/// Whoever was advanced is on file as a candidate; candidates are plants that are known.
async fn candidates_agree(client: &Client, trials: &Trials) {
    let candidates = all(client, &format!("{RELEASE}/candidates")).await;
    let by_plant: BTreeMap<&str, &Value> = candidates
        .iter()
        .map(|candidate| (text(candidate, "germplasm_id"), candidate))
        .collect();
    assert_eq!(by_plant.len(), candidates.len(), "one file for each plant");
    for plant in &trials.advanced {
        let candidate = by_plant
            .get(plant.as_str())
            .unwrap_or_else(|| panic!("{plant} was advanced and is no candidate"));
        assert_ne!(candidate["stage"], "own_root", "{candidate:#}");
    }
    for plant in &trials.discarded {
        if let Some(candidate) = by_plant.get(plant.as_str()) {
            let stage = text(candidate, "stage");
            assert!(
                stage == "withdrawn" || trials.advanced.contains(plant),
                "{plant} was discarded and stands at {stage}"
            );
        }
    }
}

/// A text as it stands in a page.
fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// Pages say what the interface says.
async fn pages_agree(system: &System, client: &Client, crosses: &[Value]) {
    let mut browser = Browser::signed_in(system, "breeder").await;
    for cross in crosses.iter().step_by(5) {
        let page = browser
            .page(&format!("/crosses/{}", text(cross, "id")))
            .await;
        let standing = text(cross, "standing");
        assert!(
            page.contains(standing),
            "{standing} on the page of {}",
            text(cross, "number")
        );
        for warning in cross["warnings"].as_array().expect("warnings") {
            let message = escaped(text(warning, "message"));
            assert!(
                page.contains(&message),
                "{message} on the page of {}",
                text(cross, "number")
            );
        }
    }
    let seedlings = all(client, &format!("{CROSSING}/seedlings")).await;
    for state in ["living", "discarded", "dead"] {
        let Some(seedling) = seedlings.iter().find(|s| s["state"] == state) else {
            panic!("no seedling is {state}");
        };
        let page = browser
            .page(&format!("/seedlings/{}", text(seedling, "id")))
            .await;
        let wanted = if state == "dead" { "died" } else { state };
        assert!(page.contains(wanted), "{wanted} on the page");
    }
    let page = browser.page("/seasons").await;
    assert!(page.contains("Of them discarded"));
}
