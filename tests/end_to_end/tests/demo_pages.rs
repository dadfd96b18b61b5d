//! What people look at, with the demo's seasons behind it.

use end_to_end::{Client, System};
use serde_json::{Value, json};

use crate::pages::Browser;

const ROOT: &str = "/api/crossing/v1";

fn holds(page: &str, path: &str, wanted: &[&str]) {
    for text in wanted {
        assert!(page.contains(text), "{text:?} is missing on {path}: {page}");
    }
}

fn number(value: &Value, field: &str) -> f64 {
    value[field]
        .as_f64()
        .unwrap_or_else(|| panic!("{field} is missing in {value:#}"))
}

async fn items(client: &Client, path: &str) -> Vec<Value> {
    let list = client.get(&format!("{ROOT}{path}")).await.expect(200);
    list["items"].as_array().expect("items").clone()
}

/// Looks at the crossing pages of a system that holds the demo.
pub async fn look(system: &System) {
    let breeder = system.sign_in("breeder").await;
    let mut browser = Browser::signed_in(system, "breeder").await;
    winter(&breeder, &mut browser).await;
    forecast(&breeder, &mut browser).await;
    choosing(&mut browser).await;
    pollinizers(&breeder, &mut browser).await;
    crosses(&breeder, &mut browser).await;
}

/// The winter by day, the gap that was filled and flagged, and winters of decades ago.
async fn winter(breeder: &Client, browser: &mut Browser) {
    let stations = items(breeder, "/weather-stations").await;
    assert_eq!(stations.len(), 2, "{stations:#?}");
    let roof = stations
        .iter()
        .find(|station| {
            station["indicator_ids"]
                .as_array()
                .is_some_and(|i| i.len() == 3)
        })
        .expect("a station with indicator trees");
    let roof = roof["id"].as_str().expect("an id");
    let path = "/winter";
    holds(
        &browser.page(path).await,
        path,
        &[
            "Winter before the bloom of 2027",
            "<polyline",
            "Chill by day",
        ],
    );
    let path = "/winter?season=2026&model=hours_0_7_2&earlier=50";
    let page = browser.page(path).await;
    holds(
        &page,
        path,
        &[
            "chill hours",
            "2025",
            "2023",
            "Hours that were filled",
            "daily extremes",
        ],
    );
    let total = async |season: i16| {
        let path =
            format!("{ROOT}/weather-stations/{roof}/chill?season={season}&model=hours_0_7_2");
        number(&breeder.get(&path).await.expect(200), "total")
    };
    let (usual, poor, old) = (total(2026).await, total(2023).await, total(1977).await);
    println!("chill hours: usual {usual}, poor {poor}, decades ago {old}");
    assert!((560.0..=740.0).contains(&usual) && (240.0..=360.0).contains(&poor));
    assert!((1050.0..=1350.0).contains(&old));
}

/// The forecast as it was in mid-January and its blind score beside the rule of the mean date.
async fn forecast(breeder: &Client, browser: &mut Browser) {
    let path = "/bloom-forecast?season=2026&as_of=2026-01-31";
    let page = browser.page(path).await;
    holds(
        &page,
        path,
        &[
            "Bloom forecast for 2026",
            "(indicator)",
            "passes",
            "Indicator trees",
            "Blind errors over all varieties",
            "Mean-date rule",
            "full bloom is forecast with a mean error of",
        ],
    );
    let station = items(breeder, "/weather-stations").await;
    let station = station
        .iter()
        .max_by_key(|s| s["days_n"].as_u64())
        .and_then(|s| s["id"].as_str())
        .expect("a station");
    let scores = breeder
        .get(&format!("{ROOT}/bloom-forecast/score?station_id={station}"))
        .await
        .expect(200);
    for score in scores["overall"].as_array().expect("scores") {
        let (forecast, mean) = (
            number(score, "forecast_mae_days"),
            number(score, "mean_date_mae_days"),
        );
        println!(
            "BBCH {} {}: forecast {forecast:.2} days, mean date {mean:.2} days, {} dates",
            score["stage_bbch"], score["from"], score["dates_n"]
        );
        if score["from"] == "temperatures_known" {
            assert!(forecast < mean, "{score:#}");
        }
    }
}

/// The adviser's comparison and the season's plan, asked by forms alone.
async fn choosing(browser: &mut Browser) {
    holds(
        &browser.page("/adviser").await,
        "/adviser",
        &["Choose a trait or a locus", "brix"],
    );
    let path = "/adviser?trait1=brix&weight1=1&least1=12&trait2=firmness_n&weight2=0.5&locus1=G&wanted1=gg&ceiling=0.25&compared=3";
    holds(
        &browser.page(path).await,
        path,
        &[
            "Reasons side by side",
            "Locus G",
            "Rights of the pollen parent",
            "Flowers and passes",
            "of the seedlings",
        ],
    );
    let path = "/season-plan?trait1=brix&weight1=1&crosses=6&mothers=6&flowers=3000&ceiling=0.3";
    holds(
        &browser.page(path).await,
        path,
        &[
            "Gain against coancestry",
            "<polyline",
            "Crosses chosen",
            "What each parent gives",
        ],
    );
    // What the service refuses is told on the page beside the form.
    let path = "/season-plan?trait1=brix&weight1=1&crosses=9&mothers=2";
    holds(&browser.page(path).await, path, &["Not shown", "<form"]);
}

/// A trial whose answer is plain and one that cannot tell yet.
async fn pollinizers(breeder: &Client, browser: &mut Browser) {
    let trials = items(breeder, "/pollinizer-trials").await;
    assert_eq!(trials.len(), 2, "{trials:#?}");
    let list = browser.page("/pollinizer-trials").await;
    for trial in &trials {
        let id = trial["id"].as_str().expect("an id");
        assert!(list.contains(id));
        let path = format!("/pollinizer-trials/{id}?confidence=0.9");
        let page = browser.page(&path).await;
        let plain = trial["name"] == "Thistledown";
        let wanted = if plain {
            [
                "<strong>Use</strong>",
                "Ossian Red",
                "Exact 90 % interval",
                "Counts by branch",
            ]
        } else {
            [
                "<strong>Cannot tell yet</strong>",
                "more flower",
                "Exact 90 % interval",
                "Suncroft",
            ]
        };
        holds(&page, &path, &wanted);
        let judged = breeder
            .post(&format!("{ROOT}/pollinizer-trials/{id}/result"), &json!({}))
            .await
            .expect(200);
        println!("{}: {}", trial["name"], judged["recommendation"]);
    }
}

/// A cross with its passes and fruit, its seedlings in the field, and a plant's founders.
async fn crosses(breeder: &Client, browser: &mut Browser) {
    let crosses = items(breeder, "/crosses?season=2024").await;
    let cross = crosses
        .iter()
        .find(|c| c["open_pollinated"] == false && c["counts"]["seedlings_n"].as_u64() > Some(0))
        .expect("a cross with seedlings");
    let path = format!("/crosses/{}", cross["id"].as_str().expect("an id"));
    holds(
        &browser.page(&path).await,
        &path,
        &["Fruit to expect", "wanted 100", "Passes"],
    );
    let path = format!("{path}/seedlings");
    holds(&browser.page(&path).await, &path, &["Block", "<svg"]);
    let selections = items(breeder, "/germplasm?kind=selection").await;
    let path = format!(
        "/germplasm/{}",
        selections[0]["id"].as_str().expect("an id")
    );
    holds(
        &browser.page(&path).await,
        &path,
        &["Contributions of founders", "50 %", "Pedigree"],
    );
}
