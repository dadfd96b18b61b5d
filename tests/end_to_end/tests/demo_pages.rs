//! What people look at, with the demo's seasons behind it.

use std::collections::{BTreeMap, BTreeSet};

use end_to_end::{Client, System};
use jiff::civil::Date;
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
    bloom_day(&breeder, &mut browser).await;
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
    let path = "/season-plan?trait1=brix&weight1=1&crosses=8&mothers=40&flowers=30000&fruit=100&offers=400&seed-parents=3&rise=0.2&ceiling=0.3";
    holds(
        &browser.page(path).await,
        path,
        &[
            "Mothers and flowers",
            "seed parents",
            "Without limits on mothers and flowers",
            "Crosses chosen",
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
                "<strong>Use ",
                "Ossian Red",
                "Exact 90 % interval",
                "Counts by branch",
            ]
        } else {
            [
                "<strong>Cannot tell yet: ",
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
    let seed = format!("{path}/seed");
    let page = browser.page(&seed).await;
    holds(
        &page,
        &seed,
        &["Where the seed is", "Losses by cause", "found = ", "<svg"],
    );
    assert!(!page.contains("does not: "), "seed reconciles: {page}");
    let season = "/season/2024/seed";
    holds(&browser.page(season).await, season, &["Seed by cross"]);
    let path = format!("{path}/seedlings");
    holds(&browser.page(&path).await, &path, &["Block", "<svg"]);
    let path = "/seedlings?season=2024";
    holds(
        &browser.page(path).await,
        path,
        &["Block", "<svg", " × ", "Crossing year"],
    );
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

fn text<'a>(value: &'a Value, field: &str) -> &'a str {
    value[field].as_str().unwrap_or_default()
}

fn day_of(value: &Value, field: &str) -> Date {
    text(value, field).parse().expect("a day")
}

fn days_between(from: Date, to: Date) -> i32 {
    (to - from).get_days()
}

/// Notes of one plant's bloom: days with BBCH stages.
type Notes = Vec<(Date, u64)>;

/// Whether a mother's flowers are worked on a day: from balloon stage to the end of bloom as noted,
/// or ten days from full bloom while no end is noted; before any note of the season, on the days that
/// past seasons have on average.
fn is_worked(notes: &[(Date, u64)], day: Date) -> bool {
    let of_year = |year: i16, stage: u64| {
        let mut of = notes
            .iter()
            .filter(|(on, s)| on.year() == year && *s == stage);
        of.next().map(|(on, _)| *on)
    };
    let year = day.year();
    if of_year(year, 69).is_some() {
        return false;
    }
    if let Some(full) = of_year(year, 65) {
        return days_between(full, day) < 10;
    }
    if of_year(year, 59).is_some() {
        return true;
    }
    let new_year = |year: i16| Date::new(year, 1, 1).expect("a day");
    let past: Vec<(i32, i32)> = (year - 20..year)
        .filter_map(|of| {
            let (first, last) = (of_year(of, 65)?, of_year(of, 69)?);
            Some((
                days_between(new_year(of), first),
                days_between(new_year(of), last),
            ))
        })
        .collect();
    let mean = |of: fn(&(i32, i32)) -> i32| {
        let sum: i32 = past.iter().map(of).sum();
        (f64::from(sum) / past.len() as f64).round() as i32
    };
    !past.is_empty() && (mean(|p| p.0)..=mean(|p| p.1)).contains(&days_between(new_year(year), day))
}

/// What the records of a season say of one of its mornings, worked out again from the records alone.
struct Morning {
    day: Date,
    /// Crosses due a pass.
    due: BTreeSet<String>,
    /// Mothers to be stripped of late flowers.
    strip: BTreeSet<String>,
    /// Lots gathered the day before.
    coming_dry: BTreeSet<String>,
}

impl Morning {
    async fn read(breeder: &Client, day: Date, crosses: &[Value]) -> Self {
        let year = day.year();
        let mut notes: BTreeMap<String, Notes> = BTreeMap::new();
        for season in year - 8..=year {
            let path = format!("/bloom-records?season={season}&limit=500");
            for note in items(breeder, &path).await {
                let on = day_of(&note, "on");
                if on < day {
                    let stage = note["stage_bbch"].as_u64().expect("a stage");
                    let of = text(&note, "germplasm_id").to_owned();
                    notes.entry(of).or_default().push((on, stage));
                }
            }
        }
        let mut due = BTreeSet::new();
        let mut last_passes: BTreeMap<String, Date> = BTreeMap::new();
        for cross in crosses.iter().filter(|c| c["open_pollinated"] == false) {
            let id = text(cross, "id");
            let passes = items(breeder, &format!("/crosses/{id}/passes?limit=100")).await;
            let before: Vec<&Value> = passes.iter().filter(|p| day_of(p, "on") < day).collect();
            let pollinated: u64 = before
                .iter()
                .filter_map(|p| p["flowers_pollinated_n"].as_u64())
                .sum();
            let last = before.iter().map(|p| day_of(p, "on")).max();
            for pass in &before {
                let of = last_passes
                    .entry(text(pass, "mother_id").to_owned())
                    .or_insert(day_of(pass, "on"));
                *of = day_of(pass, "on").max(*of);
            }
            let whole = breeder
                .get(&format!("{ROOT}/crosses/{id}"))
                .await
                .expect(200);
            let needed = whole["advice"]["flowers_needed"].as_u64().expect("advice");
            let worked = notes
                .get(text(cross, "seed_parent_id"))
                .is_some_and(|notes| is_worked(notes, day));
            let rested = last.is_none_or(|last| days_between(last, day) >= 2);
            if worked && rested && pollinated < needed {
                due.insert(text(cross, "number").to_owned());
            }
        }
        let mut strip = BTreeSet::new();
        for (mother, last) in last_passes {
            let told = breeder
                .get(&format!("{ROOT}/mothers/{mother}"))
                .await
                .expect(200);
            let events = told["events"].as_array().expect("events");
            let stripped = events.iter().any(|e| {
                text(e, "kind") == "stripped" && day_of(e, "on") > last && day_of(e, "on") < day
            });
            if (7..=28).contains(&days_between(last, day)) && !stripped {
                strip.insert(mother);
            }
        }
        let lots = items(breeder, &format!("/pollen-lots?season={year}&limit=500")).await;
        let coming_dry = lots
            .iter()
            .filter(|lot| days_between(day_of(lot, "gathered_on"), day) == 1)
            .map(|lot| text(lot, "number").to_owned())
            .collect();
        Self {
            day,
            due,
            strip,
            coming_dry,
        }
    }
}

/// The list of three mornings of the demo's last bloom against the records; the page, the sheet and
/// the bundle of one of them.
async fn bloom_day(breeder: &Client, browser: &mut Browser) {
    let crosses = items(breeder, "/crosses?season=2026&limit=200").await;
    let first = crosses
        .iter()
        .filter_map(|c| text(&c["counts"], "first_pass_on").parse::<Date>().ok())
        .min()
        .expect("a pass");
    let mut dues = 0;
    for after in [2, 5, 14] {
        let day = first.saturating_add(jiff::Span::new().days(after));
        let expected = Morning::read(breeder, day, &crosses).await;
        let path = format!("{ROOT}/days/{day}?morning=true");
        let list = breeder.get(&path).await.expect(200);
        let of = |part: &str, field: &str| -> BTreeSet<String> {
            let part = list[part].as_array().expect("a part of the list");
            part.iter()
                .map(|item| text(item, field).to_owned())
                .collect()
        };
        println!(
            "{}: gather {:?}, dry {:?}, vials {:?}, due {:?}, strip {:?}",
            expected.day,
            of("gather", "name"),
            of("coming_dry", "number"),
            of("vials", "number"),
            of("passes", "cross_number"),
            of("strip", "number"),
        );
        assert_eq!(of("passes", "cross_number"), expected.due, "{list:#}");
        assert_eq!(of("coming_dry", "number"), expected.coming_dry, "{list:#}");
        let strip = of("strip", "mother_id");
        assert_eq!(strip, expected.strip, "{list:#}");
        dues += expected.due.len();
        walks_in_order(&list);
        gathers_what_lacks(&list);
    }
    assert!(dues > 0, "no pass was due on any of the days");

    let day = first.saturating_add(jiff::Span::new().days(2));
    let path = format!("/days/{day}");
    let page = browser.page(&path).await;
    holds(
        &page,
        &path,
        &[
            "As it stood in the morning",
            "Sheet to print",
            "Another day",
        ],
    );
    let sheet = breeder
        .get(&format!("{ROOT}/days/{day}/sheet?morning=true&page=letter"))
        .await;
    assert!(sheet.status == 200 && sheet.bytes.starts_with(b"%PDF-"));
    let bundle = breeder
        .get(&format!("{ROOT}/days/{day}/bundle?morning=true"))
        .await
        .expect(200);
    assert_eq!(bundle["day"]["morning"], true);
    let known = |part: &str| -> BTreeSet<&str> {
        let part = bundle[part].as_array().expect("a part of the bundle");
        part.iter().map(|item| text(item, "id")).collect()
    };
    for pass in bundle["day"]["passes"].as_array().expect("passes") {
        assert!(
            known("mothers").contains(text(pass, "mother_id")),
            "{pass:#}"
        );
        assert!(
            known("crosses").contains(text(pass, "cross_id")),
            "{pass:#}"
        );
    }
    for vial in bundle["day"]["vials"].as_array().expect("vials") {
        assert!(
            known("pollen_lots").contains(text(vial, "pollen_lot_id")),
            "{vial:#}"
        );
    }
}

/// Mothers due a pass stand in walking order.
fn walks_in_order(list: &Value) {
    let passes = list["passes"].as_array().expect("passes");
    let places: Vec<(&str, u64, u64)> = passes
        .iter()
        .map(|m| {
            let n = |field: &str| m[field].as_u64().unwrap_or_default();
            (text(m, "house"), n("row"), n("position"))
        })
        .collect();
    assert!(places.is_sorted(), "{places:?}");
}

/// Flowers to gather follow from the flowers still to be pollinated that no lot in hand serves.
fn gathers_what_lacks(list: &Value) {
    for gather in list["gather"].as_array().expect("flowers to gather") {
        let n = |field: &str| gather[field].as_u64().unwrap_or_default();
        assert!(n("to_pollinate_n") > n("served_by_lots_n"), "{gather:#}");
        assert!(
            n("flowers_n") > 0 && number(gather, "grains_needed_n") > 0.0,
            "{gather:#}"
        );
        assert!(!text(gather, "balloon").is_empty());
    }
}
