//! The season's reckoning: weather that is corrected, bloom that is forecast and scored, pairs and
//! whole seasons that are advised on; over REST and over gRPC.

use contract::crossing as wire;
use end_to_end::{Client, System};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use phenology::daylength::Latitude;
use phenology::hourly::{DailyExtremes, hourly_from_daily};
use phenology::requirement::{ByStage, LowChill, Need, SeasonCourse};
use phenology::temperature::TemperatureUnit;
use platform::database::Scope;
use platform::peers::ServiceName;
use serde_json::{Value, json};

const ROOT: &str = "/api/crossing/v1";
const NO_ID: &str = "01890a5d-ac96-774b-bcce-000000000000";
const LATITUDE: f64 = 36.6;

fn text(value: &Value, field: &str) -> String {
    value[field]
        .as_str()
        .unwrap_or_else(|| panic!("{field} is missing in {value:#}"))
        .to_owned()
}

fn number(value: &Value, field: &str) -> f64 {
    value[field]
        .as_f64()
        .unwrap_or_else(|| panic!("{field} is missing in {value:#}"))
}

async fn created(client: &Client, path: &str, body: &Value) -> String {
    text(
        &client
            .post(&format!("{ROOT}/{path}"), body)
            .await
            .expect(201),
        "id",
    )
}

async fn station(client: &Client, name: &str, site: &str) -> String {
    let body = json!({
        "name": name, "site": site, "latitude_deg": LATITUDE, "time_zone": "America/Los_Angeles",
    });
    created(client, "weather-stations", &body).await
}

/// A number from -1 to 1 that looks drawn and is always the same.
fn wobble(n: i64) -> f64 {
    let mut x = (n as u64)
        .wrapping_mul(0x9E37_79B9_7F4A_7C15)
        .wrapping_add(0x2545_F491_4F6C_DD1D);
    x ^= x >> 29;
    x = x.wrapping_mul(0xBF58_476D_1CE4_E5B9);
    x ^= x >> 32;
    (x >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// Made-up days of a warm-winter valley; winters differ, and so do springs.
fn extremes(from: Date, until: Date) -> Vec<DailyExtremes> {
    let mut days = Vec::new();
    let mut day = from;
    while day <= until {
        let n = i64::from((day - date(2000, 1, 1)).get_days());
        let bloom_year = i64::from(if day.month() >= 10 {
            day.year() + 1
        } else {
            day.year()
        });
        let part = if (2..10).contains(&day.month()) {
            1000
        } else {
            2000
        };
        let season = 2.2 * wobble(bloom_year + part);
        let spell = 2.5 * wobble(n / 6);
        let yearly = std::f64::consts::TAU * (f64::from(day.day_of_year()) - 20.0) / 365.25;
        let mean = 15.5 - 8.5 * yearly.cos() + season + spell;
        let swing = 5.5 + 1.2 * wobble(n + 77_777);
        days.push(DailyExtremes {
            date: day,
            min_c: mean - swing,
            max_c: mean + swing,
        });
        day = day.tomorrow().unwrap();
    }
    days
}

fn csv(days: &[DailyExtremes]) -> String {
    let lines = days
        .iter()
        .map(|d| format!("{},{:.1},{:.1}\n", d.date, d.min_c, d.max_c));
    format!("date,min_c,max_c\n{}", lines.collect::<String>())
}

fn readings(station: &str) -> String {
    format!("{ROOT}/weather-stations/{station}/readings")
}

#[tokio::test]
async fn weather_is_read_corrected_and_recomputed() {
    let system = System::start().await;
    let field = system.sign_in("field").await;
    let manager = system.sign_in("manager").await;

    // Faults are told all at once, each where it lies.
    let bad = json!({"name": "", "site": "Home", "latitude_deg": 95, "time_zone": "Mars/Base", "indicator_ids": [NO_ID]});
    let pointers = field
        .post(&format!("{ROOT}/weather-stations"), &bad)
        .await
        .pointers(422);
    assert_eq!(
        pointers,
        ["/name", "/latitude_deg", "/time_zone", "/indicator_ids/0"]
    );
    let home = station(&field, "Home roof", "Home").await;
    let same = json!({"name": "home ROOF", "site": "Home", "latitude_deg": 1, "time_zone": "UTC"});
    assert_eq!(
        field
            .post(&format!("{ROOT}/weather-stations"), &same)
            .await
            .pointers(409),
        ["/name"]
    );
    manager.post(&readings(&home), &json!([])).await.expect(403);

    // A week of hours at 6 °C, in one batch; again changes nothing.
    let rows: Vec<Value> = (0..168i64)
        .map(|h| json!({"at": date(2025, 12, 1).at(0, 0, 0, 0).saturating_add(h.hours()).to_string(), "temperature_c": 6.0}))
        .collect();
    let reply = field.post(&readings(&home), &json!(rows)).await.expect(200);
    assert_eq!(
        (
            reply["accepted"].as_u64(),
            reply["rejected"].as_array().unwrap().len()
        ),
        (Some(168), 0),
        "{reply:#}"
    );
    let reply = field.post(&readings(&home), &json!(rows)).await.expect(200);
    assert_eq!(
        (reply["accepted"].as_u64(), reply["duplicates"].as_u64()),
        (Some(0), Some(168))
    );
    let chill = format!("{ROOT}/weather-stations/{home}/chill?season=2026&model=hours_0_7_2");
    let before = manager.get(&chill).await.expect(200);
    assert_eq!(number(&before, "total"), 168.0);
    assert_eq!(before["days"].as_array().unwrap().len(), 7);
    assert_eq!(number(&before["days"][6], "chill"), 168.0);
    assert_eq!(before["filled_n"], 0);
    assert!(
        before["notes"][0]
            .as_str()
            .unwrap()
            .contains("readings begin at"),
        "{before:#}"
    );

    // Rows that cannot be are told apart from those that can.
    let mixed = json!([
        {"at": "2025-12-08T00:00", "temperature_c": 5.0},
        {"id": "r1", "at": "2025-12-08T01:30", "temperature_c": 5.0},
        {"at": "2025-12-08T02:00", "temperature_c": 75.0},
        {"at": "2025-12-08T03:00"},
        {"at": "2025-12-08T04:00", "temperature_c": "warm"},
        {"date": "2025-12-09", "min_c": 9.0, "max_c": 2.0},
        {"at": "2199-01-01T00:00", "temperature_c": 5.0},
        {"at": "2025-12-08T00:00", "temperature_c": 9.0},
    ]);
    let reply = field.post(&readings(&home), &mixed).await.expect(200);
    assert_eq!(reply["accepted"], 1);
    let told: Vec<(u64, String)> = reply["rejected"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| (r["row"].as_u64().unwrap(), text(&r["errors"][0], "pointer")))
        .collect();
    let expected = [
        (1, "/at"),
        (2, "/temperature_c"),
        (3, "/temperature_c"),
        (4, "/temperature_c"),
        (5, "/min_c"),
        (6, "/at"),
        (7, "/at"),
    ];
    assert_eq!(
        told,
        expected.map(|(row, at)| (row, at.to_owned())),
        "{reply:#}"
    );
    assert_eq!(reply["rejected"][0]["id"], "r1");

    // A later entry replaces; the total follows; the first batch, sent late again, does not undo it.
    let warm = json!([{"at": "2025-12-03T05:00", "temperature_c": 12.0}]);
    let reply = field.post(&readings(&home), &warm).await.expect(200);
    assert!(
        text(&reply["doubtful"][0]["errors"][0], "message")
            .contains("replaces 6.00 °C by 12.00 °C")
    );
    field.post(&readings(&home), &json!(rows)).await.expect(200);
    assert_eq!(
        number(&manager.get(&chill).await.expect(200), "total"),
        168.0 - 1.0 + 1.0
    );
    let back = json!([{"at": "2025-12-03T05:00", "temperature_c": 6.0, "correction": true}]);
    field.post(&readings(&home), &back).await.expect(200);
    assert_eq!(
        number(&manager.get(&chill).await.expect(200), "total"),
        169.0
    );

    // A reading taken away leaves a gap, which is filled and flagged.
    let gone = json!([{"at": "2025-12-03T05:00", "withdrawn": true}]);
    field.post(&readings(&home), &gone).await.expect(200);
    let filled = manager.get(&chill).await.expect(200);
    assert_eq!(
        filled["fills"],
        json!([{"from": "2025-12-03T05:00:00", "hours_n": 1, "how": "straight_line"}])
    );
    assert_eq!(filled["days"][2]["filled_n"], 1);

    // A gap too long stops the count until another station of the site helps.
    let later: Vec<Value> = (0..24)
        .map(|h| json!({"at": format!("2025-12-20T{h:02}:00"), "temperature_c": 6.0}))
        .collect();
    field
        .post(&readings(&home), &json!(later))
        .await
        .expect(200);
    let cut = manager.get(&chill).await.expect(200);
    assert!(
        cut["notes"].to_string().contains("too long to be filled"),
        "{cut:#}"
    );
    assert_eq!(number(&cut, "total"), 169.0);
    let second = station(&field, "Home shed", "home").await;
    let daily: Vec<Value> = (8..20)
        .map(|d| json!({"date": format!("2025-12-{d:02}"), "min_f": 40.0, "max_f": 44.0}))
        .collect();
    field
        .post(&readings(&second), &json!(daily))
        .await
        .expect(200);
    let helped = manager.get(&chill).await.expect(200);
    assert_eq!(helped["hours_n"], 20 * 24);
    assert!(
        helped["fills"].to_string().contains("daily_extremes"),
        "{}",
        helped["fills"]
    );

    // What looks like °F is asked about, never guessed; nothing is written meanwhile.
    let third = station(&field, "Ridge", "Ridge").await;
    let rows: Vec<Value> = (0..24).map(|h| json!({"at": format!("2026-02-10T{h:02}:00"), "temperature_c": 52.0 + f64::from(h)})).collect();
    let asked = field.post(&readings(&third), &json!(rows)).await;
    assert!(
        asked.body.to_string().contains("Fahrenheit"),
        "{}",
        asked.body
    );
    assert_eq!(asked.pointers(422), ["/unit_confirmed"]);
    let load = format!("{ROOT}/weather-stations/{third}/readings-csv");
    let body = json!({"csv": "at,temperature_f\n2026-02-10T00:00,50\n2026-02-10T01:00,41\n2026-02-10T02:00,\n"});
    assert_eq!(field.post(&load, &body).await.expect(200)["accepted"], 2);
    assert_eq!(
        field
            .post(&load, &json!({"csv": "when,what\n1,2\n"}))
            .await
            .pointers(422),
        ["/csv"]
    );
    assert_eq!(field.post(&load, &json!({})).await.pointers(422), ["/csv"]);

    // Clock changes: the repeated hour by its order, the lost hour refused.
    let wall = json!({"clock": "local", "rows": [
        {"at": "2025-11-02T00:00", "temperature_c": 9.0}, {"at": "2025-11-02T01:00", "temperature_c": 8.0},
        {"at": "2025-11-02T01:00", "temperature_c": 7.0}, {"at": "2025-11-02T02:00", "temperature_c": 6.0},
        {"at": "2026-03-08T02:00", "temperature_c": 6.0},
    ]});
    let reply = field.post(&readings(&third), &wall).await.expect(200);
    assert_eq!(reply["accepted"], 4, "{reply:#}");
    assert!(text(&reply["rejected"][0]["errors"][0], "message").contains("does not exist"));

    // Stations are edited on a version, read by page, and over gRPC.
    let path = format!("{ROOT}/weather-stations/{third}");
    let seen = manager.get(&path).await.expect(200);
    assert_eq!(
        (text(&seen, "first_day"), text(&seen, "last_day")),
        ("2025-11-01".into(), "2026-02-10".into())
    );
    let edit = json!({"name": "Ridge top", "site": "Ridge"});
    let edited = field.put(&path, &edit, 1).await.expect(200);
    assert_eq!(
        (edited["version"].as_i64(), text(&edited, "name")),
        (Some(2), "Ridge top".into())
    );
    field.put(&path, &edit, 1).await.expect(412);
    let page = manager
        .get(&format!("{ROOT}/weather-stations?limit=2"))
        .await
        .expect(200);
    let next = text(&page, "next_cursor");
    let rest = manager
        .get(&format!("{ROOT}/weather-stations?limit=2&cursor={next}"))
        .await
        .expect(200);
    assert_eq!(
        (
            page["items"].as_array().unwrap().len(),
            rest["items"].as_array().unwrap().len()
        ),
        (2, 1)
    );
    let request = wire::SeasonChillRequest {
        station_id: home.clone(),
        season: 2026,
        ..Default::default()
    };
    let portions = manager
        .crossing()
        .get_season_chill(request)
        .await
        .unwrap()
        .into_inner();
    assert_eq!(
        (portions.model.as_str(), portions.unit.as_str()),
        ("dynamic", "chill_portions")
    );
    assert!(portions.total > 0.0);
    let wrong = format!("{ROOT}/weather-stations/{home}/chill?season=2026&model=feelings");
    assert_eq!(manager.get(&wrong).await.pointers(422), ["/model"]);
    let wrong = format!("{ROOT}/weather-stations/{home}/chill?season=2026&from=2026-07-04");
    assert_eq!(manager.get(&wrong).await.pointers(422), ["/from"]);
    assert_eq!(
        manager
            .get(&format!("{ROOT}/weather-stations/{home}/chill"))
            .await
            .pointers(422),
        ["/season"]
    );
    manager
        .get(&format!("{ROOT}/weather-stations/{home}/chill?season=2001"))
        .await
        .expect(409);

    // Another programme sees none of it.
    let other = system.other_programme().await.sign_in("breeder").await;
    other.get(&path).await.expect(404);
    other.post(&readings(&home), &json!([])).await.expect(404);
    assert_eq!(
        other
            .get(&format!("{ROOT}/weather-stations"))
            .await
            .expect(200)["items"],
        json!([])
    );
    let stranger = programme_of(&other).await;
    let own = programme_of(&manager).await;
    assert_eq!(rows_seen(&system, "weather_station", stranger).await, 0);
    assert_eq!(rows_seen(&system, "weather_day", stranger).await, 0);
    assert!(rows_seen(&system, "weather_day", own).await > 20);
}

async fn programme_of(client: &Client) -> platform::ProgrammeId {
    let me = client.get("/api/identity/v1/me").await.expect(200);
    text(&me, "programme_id").parse().unwrap()
}

async fn rows_seen(system: &System, table: &'static str, programme: platform::ProgrammeId) -> i64 {
    let pool = system.pool(ServiceName::Crossing).await;
    let mut transaction = pool.begin().await.unwrap();
    Scope {
        programme: Some(programme),
        ..Scope::default()
    }
    .apply(&mut transaction)
    .await
    .unwrap();
    sqlx::query_scalar(sqlx::AssertSqlSafe(format!("select count(*) from {table}")))
        .fetch_one(&mut *transaction)
        .await
        .unwrap()
}

/// Dates on which a need is met in a season of made-up days.
fn true_dates(season: i16, need: &Need) -> ByStage<Option<Date>> {
    let days = extremes(date(season - 1, 10, 1), date(season, 6, 30));
    let rounded: Vec<DailyExtremes> = days
        .iter()
        .map(|d| DailyExtremes {
            min_c: (d.min_c * 10.0).round() / 10.0,
            max_c: (d.max_c * 10.0).round() / 10.0,
            ..*d
        })
        .collect();
    let latitude = Latitude::new(LATITUDE).unwrap();
    let hours = hourly_from_daily(&rounded, latitude, TemperatureUnit::CelsiusConfirmed).unwrap();
    let course = SeasonCourse::new(&hours.complete().unwrap());
    let reached = course.reaches(need, LowChill::default()).days;
    ByStage {
        balloon: reached.balloon.map(|d| course.date_after(d)),
        full_bloom: reached.full_bloom.map(|d| course.date_after(d)),
        end_of_bloom: reached.end_of_bloom.map(|d| course.date_after(d)),
    }
}

async fn peach(breeder: &Client, name: &str, more: Value) -> String {
    let mut body = json!({"name": name, "species": "Prunus persica", "kind": "variety"});
    body.as_object_mut()
        .unwrap()
        .extend(more.as_object().unwrap().clone());
    created(breeder, "germplasm", &body).await
}

async fn note_bloom(field: &Client, plant: &str, dates: &ByStage<Option<Date>>, late_days: i64) {
    for (stage, on) in [
        (59, dates.balloon),
        (65, dates.full_bloom),
        (69, dates.end_of_bloom),
    ] {
        let Some(on) = on else { continue };
        let on = on.saturating_add(late_days.days());
        let body = json!({"germplasm_id": plant, "on": on.to_string(), "stage_bbch": stage, "site": "Home"});
        created(field, "bloom-records", &body).await;
    }
}

#[tokio::test]
async fn bloom_is_forecast_from_own_records_and_scored_blind() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    let early = peach(&breeder, "Early Dawn", json!({})).await;
    let late = peach(&breeder, "Late Dusk", json!({})).await;
    let fresh = peach(&breeder, "Newcomer", json!({})).await;
    let home = json!({
        "name": "Home roof", "site": "Home", "latitude_deg": LATITUDE,
        "time_zone": "America/Los_Angeles", "indicator_ids": [early],
    });
    let home = created(&field, "weather-stations", &home).await;
    let days = extremes(date(2015, 10, 1), date(2026, 6, 30));
    let body = json!({"csv": csv(&days), "source": "made up"});
    let load = format!("{ROOT}/weather-stations/{home}/readings-csv");
    let reply = field.post(&load, &body).await.expect(200);
    assert_eq!(
        reply["accepted"].as_u64(),
        Some(days.len() as u64),
        "{:#}",
        reply["rejected"][0]
    );
    let needs = [
        (
            &early,
            Need {
                chill_cp: 28.0,
                heat_gdh: ByStage {
                    balloon: 4300.0,
                    full_bloom: 5200.0,
                    end_of_bloom: 7000.0,
                },
            },
        ),
        (
            &late,
            Need {
                chill_cp: 45.0,
                heat_gdh: ByStage {
                    balloon: 5100.0,
                    full_bloom: 6000.0,
                    end_of_bloom: 7800.0,
                },
            },
        ),
    ];
    for (plant, need) in &needs {
        for season in 2016..=2025 {
            note_bloom(&field, plant, &true_dates(season, need), 0).await;
        }
    }

    // Past seasons forecast blind, beside the rule of the mean date.
    let scores = breeder
        .get(&format!("{ROOT}/bloom-forecast/score?station_id={home}"))
        .await
        .expect(200);
    assert_eq!(scores["items"].as_array().unwrap().len(), 2, "{scores:#}");
    for score in scores["overall"].as_array().unwrap() {
        println!(
            "BBCH {} {}: forecast {:.2} days, mean date {:.2} days, {} dates",
            score["stage_bbch"],
            score["from"],
            number(score, "forecast_mae_days"),
            number(score, "mean_date_mae_days"),
            score["dates_n"]
        );
    }
    let known = scores["overall"]
        .as_array()
        .unwrap()
        .iter()
        .find(|s| s["from"] == "temperatures_known" && s["stage_bbch"] == 65)
        .unwrap();
    assert_eq!(known["dates_n"], 20);
    assert!(
        number(known, "forecast_mae_days") < number(known, "mean_date_mae_days"),
        "{known:#}"
    );
    let seasons: Vec<i64> = scores["items"][0]["forecasts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["season"].as_i64().unwrap())
        .collect();
    assert!(
        seasons.iter().all(|s| (2016..=2025).contains(s)),
        "{seasons:?}"
    );

    // Mid-January: a distribution, wide and in order, that holds the date that will come true.
    let ask = |as_of: &str, plant: &str| {
        format!(
            "{ROOT}/bloom-forecast?season=2026&station_id={home}&as_of={as_of}&germplasm_id={plant}&seed=7&draws_n=60"
        )
    };
    let january = breeder.get(&ask("2026-01-15", &late)).await.expect(200);
    assert_eq!(
        (
            text(&january, "known_until"),
            january["continuations_n"].as_u64()
        ),
        ("2026-01-15".into(), Some(10))
    );
    let item = &january["items"][0];
    let full = &item["stages"][1];
    assert_eq!(full["stage_bbch"], 65);
    let order: Vec<String> = ["p05", "p10", "p25", "p50", "p75", "p90", "p95"]
        .iter()
        .map(|q| text(full, q))
        .collect();
    assert!(order.is_sorted(), "{order:?}");
    let truth = true_dates(2026, &needs[1].1)
        .full_bloom
        .unwrap()
        .to_string();
    assert!(
        order[0] <= truth && truth <= order[6],
        "{truth} is outside {order:?}"
    );
    assert!(
        number(&item["requirement"]["chill_cp"], "low")
            <= number(&item["requirement"]["chill_cp"], "value")
    );
    assert_eq!(item["requirement"]["seasons_n"], 10);
    assert!(item["passes_expected_n"].as_u64().unwrap() >= 1, "{item:#}");
    assert!(
        item["scores"].as_array().unwrap().len() >= 4,
        "a single variety is scored: {item:#}"
    );
    assert_eq!(
        breeder.get(&ask("2026-01-15", &late)).await.expect(200),
        january,
        "the same question gives the same plan"
    );

    // Later in winter more is known.
    let width = |reply: &Value| {
        let stage = &reply["items"][0]["stages"][1];
        let day = |q: &str| text(stage, q).parse::<Date>().unwrap();
        (day("p90") - day("p10")).get_days()
    };
    let march = breeder.get(&ask("2026-02-20", &late)).await.expect(200);
    assert!(
        width(&march) <= width(&january),
        "{} and {}",
        width(&march),
        width(&january)
    );

    // The indicator tree blooms four days late, and others are moved with it; its own date stands.
    note_bloom(&field, &early, &true_dates(2026, &needs[0].1), 4).await;
    let seen_on = true_dates(2026, &needs[0].1)
        .full_bloom
        .unwrap()
        .saturating_add(4.days());
    let moved = breeder
        .get(&ask(&seen_on.to_string(), &late))
        .await
        .expect(200);
    assert_eq!(
        moved["indicators"]["trees_n"], 1,
        "{:#}",
        moved["indicators"]
    );
    assert!(
        number(&moved["indicators"], "shift_days") > 0.0,
        "{:#}",
        moved["indicators"]
    );
    let own = breeder
        .get(&ask(&seen_on.to_string(), &early))
        .await
        .expect(200);
    assert_eq!(
        text(&own["items"][0]["stages"][1], "seen_on"),
        seen_on.to_string()
    );
    assert_eq!(own["items"][0]["indicator"], true);

    // Without own records the published range speaks, and says so.
    let unknown = breeder.get(&ask("2026-01-15", &fresh)).await.expect(200);
    let item = &unknown["items"][0];
    assert_eq!(item["requirement"]["dates_n"], 0);
    assert!(
        item["notes"].to_string().contains("published ranges alone"),
        "{item:#}"
    );
    assert!(!text(&item["requirement"], "prior").is_empty());

    // Over gRPC, all varieties by page; and bad input where it lies.
    let request = wire::ForecastBloomRequest {
        season: 2026,
        station_id: home.clone(),
        draws_n: Some(0),
        limit: 1,
        ..Default::default()
    };
    let page = breeder
        .crossing()
        .forecast_bloom(request)
        .await
        .unwrap()
        .into_inner();
    assert_eq!(
        (
            page.items.len(),
            page.next_cursor.is_some(),
            page.continuations_n
        ),
        (1, true, 0)
    );
    let asked = |query: String| {
        let breeder = &breeder;
        async move { breeder.get(&format!("{ROOT}/bloom-forecast{query}")).await }
    };
    assert_eq!(
        asked(format!("?station_id={home}")).await.pointers(422),
        ["/season"]
    );
    assert_eq!(
        asked("?season=2026".into()).await.pointers(422),
        ["/station_id"]
    );
    assert_eq!(
        asked(format!(
            "?season=2026&station_id={home}&draws_n=5000&as_of=soon"
        ))
        .await
        .pointers(422),
        ["/as_of", "/draws_n"]
    );
    assert_eq!(
        asked(format!(
            "?season=2026&station_id={home}&germplasm_id={NO_ID}"
        ))
        .await
        .pointers(422),
        ["/germplasm_id"]
    );
    assert_eq!(
        asked(format!("/score?station_id={home}&days_into_season=0"))
            .await
            .pointers(422),
        ["/days_into_season"]
    );
    asked(format!("?season=2030&station_id={home}"))
        .await
        .expect(409);
    let other = system.other_programme().await.sign_in("breeder").await;
    other
        .get(&format!(
            "{ROOT}/bloom-forecast?season=2026&station_id={home}"
        ))
        .await
        .expect(404);
}

/// Six candidates of a small programme: two pairs of full sibs and two outsiders.
struct Parents {
    ids: Vec<String>,
}

async fn parents(breeder: &Client) -> Parents {
    let founders = [
        peach(breeder, "Founder A", json!({"kind": "wild"})).await,
        peach(breeder, "Founder B", json!({"kind": "wild"})).await,
    ];
    let mut ids = Vec::new();
    for (name, g, brix, standing) in [
        ("Alba", "Gg", 12.0, "own"),
        ("Brisa", "gg", 15.0, "own"),
        ("Cima", "Gg", 16.0, "free"),
        ("Duna", "GG", 11.0, "agreement_needed"),
        ("Era", "Gg", 14.0, "free"),
    ] {
        let mut more = json!({"loci": {"G": g, "D": "Dd"}, "traits": {"brix": brix}, "rights_standing": standing});
        if standing == "agreement_needed" {
            more["protected_by"] = json!("A neighbour");
        }
        if ["Alba", "Brisa"].contains(&name) {
            more["seed_parent_id"] = json!(founders[0]);
            more["pollen_parent_id"] = json!(founders[1]);
        }
        ids.push(peach(breeder, name, more).await);
    }
    Parents { ids }
}

#[tokio::test]
async fn pairs_are_ranked_with_their_reasons() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let known = parents(&breeder).await;
    let advise = format!("{ROOT}/cross-adviser");
    let body = json!({
        "season": 2026, "kinship_ceiling": 0.2, "fruit_wanted_n": 100,
        "traits": [{"trait": "Brix", "weight": 1, "at_least": 12.5, "heritability": 0.5}],
        "loci": [{"locus": "G", "wanted": ["nectarine"]}, {"locus": "D", "wanted": ["D_"]}],
    });
    let ranked = breeder.post(&advise, &body).await.expect(200);
    let items = ranked["items"].as_array().unwrap();
    assert_eq!(
        ranked["pairs_n"], 10,
        "five varieties, no wild plants: {ranked:#}"
    );
    let left_out = |reason: &str| {
        ranked["left_out"]
            .as_array()
            .unwrap()
            .iter()
            .find(|l| l["reason"] == reason)
            .map(|l| l["pairs_n"].clone())
    };
    assert_eq!(
        left_out("kinship"),
        Some(json!(1)),
        "the full sibs: {:#}",
        ranked["left_out"]
    );
    assert_eq!(
        left_out("locus_impossible"),
        Some(json!(4)),
        "with GG none is a nectarine"
    );
    assert_eq!(items.len(), 5);
    let scores: Vec<f64> = items.iter().map(|i| number(i, "score")).collect();
    assert!(scores.is_sorted_by(|a, b| a >= b), "{scores:?}");
    let best = &items[0];
    let names = [
        text(best, "seed_parent_name"),
        text(best, "pollen_parent_name"),
    ];
    assert!(
        names.contains(&"Brisa".to_owned()) && names.contains(&"Cima".to_owned()),
        "{names:?}"
    );
    // Mean 13.6; mid-parent 15.5; half of the deviation is inherited.
    let brix = &best["traits"][0];
    assert!(
        (number(brix, "mean") - (13.6 + 0.5 * (15.5 - 13.6))).abs() < 1e-9,
        "{brix:#}"
    );
    assert_eq!(brix["basis"], "phenotypes");
    assert!(
        (0.5..1.0).contains(&number(brix, "share_wanted")),
        "{brix:#}"
    );
    assert_eq!(best["loci"][0]["share_wanted"], 0.5);
    assert_eq!(best["loci"][1]["share_wanted"], 0.75);
    let unlinked = 0.5 * 0.75;
    let together = &best["loci_together"];
    assert!(
        !together["linked"].as_array().unwrap().is_empty(),
        "G and D are linked: {together:#}"
    );
    assert!(
        together["share"].is_null()
            && number(together, "lowest") < unlinked
            && unlinked < number(together, "highest"),
        "{together:#}"
    );
    let advice = &best["advice"];
    assert_eq!(advice["compatibility"]["verdict"], "full", "{advice:#}");
    assert_eq!(
        (advice["kinship"].as_f64(), advice["crossability"].as_str()),
        (Some(0.0), Some("expected"))
    );
    assert!(advice["flowers_needed"].as_u64().unwrap() > 100);
    assert!(
        best["passes_needed_n"].as_u64().unwrap() >= 1
            && best["plants_needed"].as_u64().unwrap() > 1
    );
    assert!(best["seed_parent_rights"]["rights_standing"].is_string());

    // Breeding values take the place of notes, and are named.
    let values = json!({known.ids[0].clone(): 2.0, known.ids[4].clone(): 1.0});
    let body = json!({"candidate_ids": [known.ids[0], known.ids[4]], "traits": [
        {"trait": "size", "weight": 2, "breeding_values": values, "additive_variance": 4.0, "base_mean": 60.0}
    ]});
    let ranked = breeder.post(&advise, &body).await.expect(200);
    let size = &ranked["items"][0]["traits"][0];
    assert_eq!(
        (size["basis"].as_str(), size["mean"].as_f64()),
        (Some("breeding_values"), Some(61.5))
    );
    assert!((number(size, "standard_deviation") - (4.0f64 * 0.5).sqrt()).abs() < 1e-9);
    assert!((number(&ranked["items"][0], "index_sd") - 2.0 * 1.5 / 2.0).abs() < 1e-9);

    // A parent whose use needs an agreement can be left out; parts can be asked for.
    let body = json!({"refuse_agreement_needed": true, "traits": [{"trait": "brix", "weight": 1}], "seed_parent_ids": [known.ids[3], known.ids[4]], "candidate_ids": known.ids});
    let ranked = breeder.post(&advise, &body).await.expect(200);
    assert!(
        ranked["items"]
            .as_array()
            .unwrap()
            .iter()
            .all(|i| i["seed_parent_name"] == "Era" && i["pollen_parent_name"] != "Duna"),
        "{ranked:#}"
    );

    let pointers = async |body: Value| breeder.post(&advise, &body).await.pointers(422);
    assert_eq!(pointers(json!({})).await, ["/traits"]);
    assert_eq!(pointers(json!({"traits": [{"trait": "brix", "weight": 1}], "kinship_ceiling": 2, "max_pairs": 0})).await, ["/kinship_ceiling", "/max_pairs"]);
    assert_eq!(pointers(json!({"traits": [{"trait": "ghost", "weight": 1}, {"trait": "brix"}], "loci": [{"locus": "G"}]})).await, ["/traits/0/trait", "/traits/1/weight", "/loci/0/wanted"]);
    assert_eq!(
        pointers(
            json!({"traits": [{"trait": "brix", "weight": 1}], "candidate_ids": [NO_ID, "x"]})
        )
        .await,
        ["/candidate_ids/1"]
    );
    assert_eq!(
        pointers(json!({"traits": [{"trait": "brix", "weight": 1, "analysis_id": NO_ID}]})).await,
        ["/traits/0/analysis_id"]
    );
    assert_eq!(
        pointers(
            json!({"traits": [{"trait": "brix", "breeding_values": {NO_ID: 1}, "weight": 1}]})
        )
        .await,
        ["/traits/0/additive_variance"]
    );

    // Incompatible pairs of a self-incompatible species are left out; the easier direction is taken.
    let mut cherries = Vec::new();
    for (name, alleles) in [
        ("Uno", ["S3", "S4"]),
        ("Due", ["S3", "S4"]),
        ("Tre", ["S3", "S4'"]),
    ] {
        let body = json!({"name": name, "species": "Prunus avium", "kind": "variety", "s_alleles": alleles, "traits": {"firmness": cherries.len() + 1}});
        cherries.push(created(&breeder, "germplasm", &body).await);
    }
    let request = wire::AdvisePairsRequest {
        candidate_ids: cherries.clone(),
        traits: vec![wire::TraitGoal {
            r#trait: "firmness".into(),
            weight: 1.0,
            ..Default::default()
        }],
        ..Default::default()
    };
    let ranked = breeder
        .crossing()
        .advise_pairs(request)
        .await
        .unwrap()
        .into_inner();
    assert_eq!(ranked.items.len(), 2);
    assert!(
        ranked
            .items
            .iter()
            .all(|i| i.pollen_parent_name == "Tre" && i.reciprocal_verdict == "none"),
        "{ranked:#?}"
    );
    assert_eq!(
        (
            ranked.left_out[0].reason.as_str(),
            ranked.left_out[0].pairs_n
        ),
        ("incompatible", 1)
    );

    // Another programme's plants are unknown.
    let other = system.other_programme().await.sign_in("breeder").await;
    let body = json!({"traits": [{"trait": "brix", "weight": 1}], "candidate_ids": known.ids});
    assert_eq!(other.post(&advise, &body).await.pointers(422).len(), 6);
}

#[tokio::test]
async fn a_season_trades_gain_against_coancestry() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    // Twelve selections in three families of full sibs, the best family far ahead.
    let mut ids = Vec::new();
    for family in 0..3 {
        let mother = peach(&breeder, &format!("Dam {family}"), json!({"kind": "wild"})).await;
        let father = peach(&breeder, &format!("Sire {family}"), json!({"kind": "wild"})).await;
        for sib in 0..4 {
            let more = json!({
                "kind": "selection", "seed_parent_id": mother, "pollen_parent_id": father,
                "traits": {"brix": 10.0 + 2.0 * f64::from(family) + 0.3 * f64::from(sib)},
            });
            ids.push(peach(&breeder, &format!("Line {family}-{sib}"), more).await);
        }
    }
    for position in 1..=2 {
        let body = json!({"germplasm_id": ids[0], "house": "House 1", "row": 1, "position": position, "container_l": 40, "on": "2026-01-05"});
        created(&field, "mothers", &body).await;
    }
    let plan = format!("{ROOT}/season-plan");
    let body = json!({
        "season": "2026", "traits": [{"trait": "brix", "weight": 1}], "flowers_n": 5000, "mothers_n": 20,
        "crosses_n": 10, "kinship_ceiling": 0.12, "pair_kinship_ceiling": 0.1,
    });
    let planned = breeder.post(&plan, &body).await.expect(200);
    let curve = planned["trade_off"].as_array().unwrap();
    assert_eq!(curve.len(), 9);
    for pair in curve.windows(2) {
        assert!(number(&pair[1], "merit") <= number(&pair[0], "merit") + 1e-9);
        assert!(
            number(&pair[1], "group_coancestry") <= number(&pair[0], "group_coancestry") + 1e-9
        );
    }
    assert!(
        number(&planned["best"], "group_coancestry") <= 0.12 + 1e-6,
        "{:#}",
        planned["best"]
    );
    assert!(
        number(&planned["planned"], "group_coancestry") <= 0.12 + 1e-6,
        "whole crosses keep to the ceiling too: {:#}",
        planned["planned"]
    );
    let matings = planned["matings"].as_array().unwrap();
    let sum = |field: &str| {
        matings
            .iter()
            .map(|m| m[field].as_u64().unwrap())
            .sum::<u64>()
    };
    assert_eq!(
        (sum("crosses_n"), sum("mothers_n"), sum("flowers_n")),
        (10, 20, 5000),
        "{planned:#}"
    );
    assert!(
        matings
            .iter()
            .all(|m| number(m, "progeny_inbreeding") <= 0.1),
        "no sibs are paired"
    );
    let shares: f64 = planned["parents"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| number(p, "planned_share"))
        .sum();
    assert!((shares - 1.0).abs() < 1e-9);
    let merit: f64 = planned["parents"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| number(p, "planned_share") * number(p, "merit"))
        .sum();
    assert!((merit - number(&planned["planned"], "merit")).abs() < 1e-9);
    assert!(merit > 0.0, "better than the candidates used alike");
    assert_eq!(
        breeder.post(&plan, &body).await.expect(200),
        planned,
        "the same question gives the same plan"
    );
    for point in curve {
        println!(
            "merit {:.3} at group coancestry {:.4}",
            number(point, "merit"),
            number(point, "group_coancestry")
        );
    }

    // The same asked as a rise from the candidates used alike.
    let point = &planned["best"];
    let (coancestry, rise) = (
        number(point, "group_coancestry"),
        number(point, "rise_in_coancestry"),
    );
    let mut risen = body.clone();
    risen.as_object_mut().unwrap().remove("kinship_ceiling");
    risen["largest_rise"] = json!(rise);
    let by_rise = breeder.post(&plan, &risen).await.expect(200);
    assert!(
        (number(&by_rise, "kinship_ceiling") - coancestry).abs() < 1e-9,
        "{by_rise:#}"
    );
    assert!((number(&by_rise["best"], "merit") - number(point, "merit")).abs() < 1e-6);
    risen["kinship_ceiling"] = json!(0.12);
    assert_eq!(
        breeder.post(&plan, &risen).await.pointers(422),
        ["/largest_rise"]
    );

    let with = |field: &str, value: Value| {
        let mut body = body.clone();
        body[field] = value;
        body
    };
    let pointers = async |body: Value| breeder.post(&plan, &body).await.pointers(422);
    assert_eq!(pointers(with("mothers_n", json!(5))).await, ["/crosses_n"]);
    assert_eq!(
        pointers(with("kinship_ceiling", json!(0.001))).await,
        ["/kinship_ceiling"]
    );
    assert_eq!(pointers(with("traits", json!([]))).await, ["/traits"]);
    assert_eq!(
        pointers(with("largest_share", json!(0.01))).await,
        ["/largest_share"]
    );
    assert_eq!(
        pointers(json!({})).await,
        ["/traits", "/flowers_n", "/mothers_n", "/crosses_n"]
    );
    let request = wire::PlanSeasonRequest {
        traits: vec![wire::TraitGoal {
            r#trait: "brix".into(),
            weight: 1.0,
            ..Default::default()
        }],
        candidate_ids: ids.clone(),
        flowers_n: 900,
        mothers_n: 6,
        crosses_n: 6,
        ..Default::default()
    };
    let plan = breeder
        .crossing()
        .plan_season(request)
        .await
        .unwrap()
        .into_inner();
    assert_eq!(plan.matings.iter().map(|m| m.crosses_n).sum::<u32>(), 6);
}

#[tokio::test]
async fn an_unknown_genotype_is_bounded_and_stands_behind() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    // Alike but for what is known at G: two noted, one not at all, one as an allele alone.
    let mut ids = Vec::new();
    for (name, loci) in [
        ("Known one", json!({"G": "Gg"})),
        ("Known two", json!({"G": "Gg"})),
        ("Blank", json!({})),
        ("Half", json!({"G": "G_"})),
    ] {
        ids.push(
            peach(
                &breeder,
                name,
                json!({"loci": loci, "traits": {"brix": 14.0}}),
            )
            .await,
        );
    }
    // Sweeter, but not enough to outweigh what is not known.
    let sweet = json!({"loci": {}, "traits": {"brix": 17.0}});
    ids.push(peach(&breeder, "Sweet blank", sweet).await);
    let asked = json!({"candidate_ids": ids, "loci": [{"locus": "G", "wanted": ["nectarine"]}],
        "traits": [{"trait": "brix", "weight": 1}]});
    let ranked = breeder
        .post(&format!("{ROOT}/cross-adviser"), &asked)
        .await
        .expect(200);
    let items = ranked["items"].as_array().unwrap();
    assert_eq!(items.len(), 10, "{ranked:#}");
    let pair = |a: &str, b: &str| {
        items
            .iter()
            .find(|pair| {
                let names = [
                    text(pair, "seed_parent_name"),
                    text(pair, "pollen_parent_name"),
                ];
                names.contains(&a.to_owned()) && names.contains(&b.to_owned())
            })
            .unwrap_or_else(|| panic!("no pair of {a} and {b}"))
    };
    let known = pair("Known one", "Known two");
    assert_eq!(known["rank"], 1, "the only pair that is known: {known:#}");
    assert_eq!(known["share_wanted"], 0.25);
    assert_eq!(
        (&known["share_lowest"], &known["share_highest"]),
        (&json!(0.25), &json!(0.25))
    );
    for (a, b, highest) in [
        ("Known one", "Blank", 0.5),
        ("Known one", "Half", 0.25),
        ("Blank", "Half", 0.5),
        ("Blank", "Sweet blank", 1.0),
    ] {
        let open = pair(a, b);
        assert!(open["share_wanted"].is_null() && open["plants_needed"].is_null());
        assert_eq!(
            (number(open, "share_lowest"), number(open, "share_highest")),
            (0.0, highest),
            "{a} × {b}: {open:#}"
        );
        assert!(number(open, "score") < number(known, "score"), "{open:#}");
        let locus = &open["loci"][0];
        assert_eq!(
            (
                number(locus, "lowest_share"),
                number(locus, "highest_share")
            ),
            (0.0, highest)
        );
        let notes = open["notes"].to_string();
        assert!(
            notes.contains("is not known") && notes.contains("ranked by the least"),
            "{notes}"
        );
    }
    // Where the partner settles it, an unknown genotype leaves nothing open.
    let fixed = peach(
        &breeder,
        "Fixed",
        json!({"loci": {"G": "GG"}, "traits": {"brix": 15.0}}),
    )
    .await;
    let asked = json!({"candidate_ids": [ids[2], fixed], "loci": [{"locus": "G", "wanted": ["nectarine"]}]});
    let ranked = breeder
        .post(&format!("{ROOT}/cross-adviser"), &asked)
        .await
        .expect(200);
    assert_eq!(
        ranked["left_out"],
        json!([{"reason": "locus_impossible", "pairs_n": 1, "examples": ["Blank × Fixed"],
            "why": "no seedling can have what is wanted at the loci"}]),
        "{ranked:#}"
    );
}

#[tokio::test]
async fn a_season_keeps_within_its_mothers_and_flowers() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    // Six unrelated peaches, the sweetest first, and two trees each of the three least sweet.
    let mut ids = Vec::new();
    for n in 0..6 {
        let more = json!({"kind": "selection", "traits": {"brix": 18.0 - f64::from(n)}});
        ids.push(peach(&breeder, &format!("Line {n}"), more).await);
    }
    for (row, plant) in ids[3..].iter().enumerate() {
        for position in 1..=2 {
            let body = json!({"germplasm_id": plant, "house": "House 1", "row": row + 1, "position": position, "container_l": 40, "on": "2026-01-05"});
            created(&field, "mothers", &body).await;
        }
    }
    let plan = format!("{ROOT}/season-plan");
    let asked = |more: Value| {
        let mut body = json!({
            "season": "2026", "traits": [{"trait": "brix", "weight": 1}], "candidate_ids": ids,
            "flowers_n": 100_000, "mothers_n": 6, "crosses_n": 6, "kinship_ceiling": 0.2,
        });
        body.as_object_mut()
            .unwrap()
            .extend(more.as_object().unwrap().clone());
        body
    };
    let free = breeder.post(&plan, &asked(json!({}))).await.expect(200);
    assert!(
        free["limits"] == json!([]) && free["merit_without_limits"].is_null(),
        "{free:#}"
    );

    // Only trees that stand may be mothers: they bind, and nothing in the plan goes beyond them.
    let standing = asked(json!({"standing_mothers_only": true}));
    let within = breeder.post(&plan, &standing).await.expect(200);
    let limit = |plan: &Value, name: &str| {
        let limits = plan["limits"].as_array().unwrap();
        let limit = limits.iter().find(|limit| limit["limit"] == name);
        limit
            .unwrap_or_else(|| panic!("no limit {name} in {plan:#}"))
            .clone()
    };
    assert_eq!(
        limit(&within, "standing_mothers")["binds"],
        true,
        "{within:#}"
    );
    assert!(
        number(&within["best"], "merit") < number(&free["best"], "merit") - 0.1,
        "the limit costs merit: {within:#}"
    );
    assert!(
        (number(&within, "merit_without_limits") - number(&free["best"], "merit")).abs() < 1e-6
    );
    for mating in within["matings"].as_array().unwrap() {
        assert!(
            mating["mothers_n"].as_u64() <= mating["mothers_standing_n"].as_u64(),
            "{mating:#}"
        );
    }
    let crosses: u64 = within["matings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|mating| mating["crosses_n"].as_u64().unwrap())
        .sum();
    assert_eq!(crosses, 6);
    // The whole curve keeps to it: no point is above the one without limits at its coancestry.
    let curve = within["trade_off"].as_array().unwrap();
    assert!(curve.len() > 2);
    for point in curve {
        assert!(number(point, "merit") <= number(&free["trade_off"][0], "merit") + 1e-6);
        assert!(point["seed_parents_n"].as_u64().unwrap() <= 3, "{point:#}");
    }
    let seed_shares: f64 = within["parents"]
        .as_array()
        .unwrap()
        .iter()
        .map(|parent| number(parent, "seed_share"))
        .sum();
    assert!((seed_shares - 1.0).abs() < 1e-4, "{seed_shares}");

    // Fruit makes flowers bind: each cross takes what its fruit needs, and too few are refused with
    // the number that is needed.
    let first = asked(json!({"fruit_wanted_n": 40, "flowers_per_mother_n": 150, "mothers_n": 60}));
    let fruit = breeder.post(&plan, &first).await.expect(200);
    let per_cross = fruit["matings"][0]["flowers_n"].as_u64().unwrap()
        / fruit["matings"][0]["crosses_n"].as_u64().unwrap();
    let mothers_each = per_cross.div_ceil(150);
    for mating in fruit["matings"].as_array().unwrap() {
        let n = mating["crosses_n"].as_u64().unwrap();
        assert_eq!(
            (mating["flowers_n"].as_u64(), mating["mothers_n"].as_u64()),
            (Some(n * per_cross), Some(n * mothers_each)),
            "{mating:#}"
        );
        assert!(number(mating, "expected_fruit_n") >= 40.0 * n as f64);
    }
    let flowers = limit(&fruit, "flowers");
    assert!(
        (number(&flowers, "used") - 6.0 * per_cross as f64).abs() < 1.0
            && flowers["binds"] == false,
        "{flowers:#}"
    );
    let few = asked(json!({"fruit_wanted_n": 40, "flowers_n": 6 * per_cross - 1}));
    let refused = breeder.post(&plan, &few).await;
    assert!(
        refused
            .body
            .to_string()
            .contains(&(6 * per_cross).to_string()),
        "{:#}",
        refused.body
    );
    assert_eq!(refused.pointers(422), ["/flowers_n"]);

    // Few seed parents: no more than asked serve, along the curve too, and it is said how.
    let two = breeder
        .post(&plan, &asked(json!({"seed_parents_n": 2})))
        .await
        .expect(200);
    let mothers: std::collections::BTreeSet<String> = two["matings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|mating| text(mating, "seed_parent_id"))
        .collect();
    assert!(mothers.len() <= 2, "{two:#}");
    for point in two["trade_off"].as_array().unwrap() {
        assert!(point["seed_parents_n"].as_u64().unwrap() <= 2, "{point:#}");
    }
    assert!(
        two["notes"].to_string().contains("not proven"),
        "{:#}",
        two["notes"]
    );

    let pointers = async |more: Value| breeder.post(&plan, &asked(more)).await.pointers(422);
    assert_eq!(
        pointers(json!({"flowers_per_mother_n": 100})).await,
        ["/fruit_wanted_n"]
    );
    assert_eq!(
        pointers(json!({"standing_mothers_only": true, "crosses_n": 7, "mothers_n": 9})).await,
        ["/standing_mothers_only"]
    );
    assert_eq!(
        pointers(json!({"seed_parents_n": 0, "fruit_wanted_n": 0})).await,
        ["/fruit_wanted_n", "/seed_parents_n"]
    );
}

#[tokio::test]
async fn a_logger_streams_its_readings_and_corrects_them_late() {
    let system = System::start().await;
    let field = system.sign_in("field").await;
    let home = station(&field, "Home roof", "Home").await;
    let hour = |h: i64, temperature_c: f64| wire::WeatherReading {
        at: date(2025, 12, 1)
            .at(0, 0, 0, 0)
            .saturating_add(h.hours())
            .to_string(),
        temperature_c: Some(temperature_c),
        ..wire::WeatherReading::default()
    };
    let stream = |readings: Vec<wire::WeatherReading>| {
        let rows = readings.into_iter().enumerate().map(|(n, reading)| {
            let station_id = if n == 0 { home.clone() } else { String::new() };
            wire::WeatherStreamRow {
                station_id,
                reading: Some(reading),
                source: "a logger".into(),
                ..wire::WeatherStreamRow::default()
            }
        });
        tonic::codegen::tokio_stream::iter(rows.collect::<Vec<_>>())
    };
    let total = async || {
        let path = format!("{ROOT}/weather-stations/{home}/chill?season=2026&model=hours_0_7_2");
        number(&field.get(&path).await.expect(200), "total")
    };
    let week: Vec<wire::WeatherReading> = (0..168).map(|h| hour(h, 6.0)).collect();
    let reply = field
        .crossing()
        .stream_weather(stream(week.clone()))
        .await
        .unwrap()
        .into_inner();
    assert_eq!((reply.accepted, reply.duplicates), (168, 0), "{reply:#?}");
    assert_eq!(total().await, 168.0);
    // Sent again, with a correction of three hours that comes late: every figure follows.
    let again = week
        .iter()
        .cloned()
        .chain((10..13).map(|h| wire::WeatherReading {
            correction: true,
            ..hour(h + 168, 20.0)
        }));
    let reply = field
        .crossing()
        .stream_weather(stream(again.collect()))
        .await
        .unwrap()
        .into_inner();
    assert_eq!((reply.accepted, reply.duplicates), (3, 168));
    let late: Vec<wire::WeatherReading> = (10..13)
        .map(|h| wire::WeatherReading {
            correction: true,
            ..hour(h, 20.0)
        })
        .collect();
    let reply = field
        .crossing()
        .stream_weather(stream(late))
        .await
        .unwrap()
        .into_inner();
    assert_eq!((reply.accepted, reply.doubtful.len()), (3, 0), "{reply:#?}");
    assert!(total().await < 168.0 + 10.0 && total().await >= 165.0);
    // The same over REST, a line for each reading.
    let lines = "{\"at\": \"2025-12-01T10:00\", \"temperature_c\": 5.0, \"correction\": true}\n{\"at\": \"2025-12-01T11:00\", \"temperature_c\": 20.0}\nnonsense\n";
    let reply = field
        .post_text(&readings(&home), "application/x-ndjson", lines)
        .await
        .expect(200);
    assert_eq!(
        (
            &reply["accepted"],
            &reply["duplicates"],
            &reply["rejected"][0]["row"]
        ),
        (&json!(1), &json!(1), &json!(2)),
        "{reply:#}"
    );

    // Two stations in one stream, what looks like °F, no station at all, and those who may not.
    let mut mixed = vec![
        wire::WeatherStreamRow {
            station_id: home.clone(),
            reading: Some(hour(300, 6.0)),
            ..wire::WeatherStreamRow::default()
        };
        2
    ];
    mixed[1].station_id = NO_ID.into();
    let status = field
        .crossing()
        .stream_weather(tonic::codegen::tokio_stream::iter(mixed))
        .await
        .unwrap_err();
    assert!(
        status.code() == tonic::Code::InvalidArgument
            && status.message().contains("a stream for each station"),
        "{status:?}"
    );
    let warm = (300..324).map(|h| hour(h, 55.0)).collect();
    let status = field
        .crossing()
        .stream_weather(stream(warm))
        .await
        .unwrap_err();
    assert!(status.message().contains("Fahrenheit"), "{status:?}");
    let nothing = tonic::codegen::tokio_stream::iter(Vec::<wire::WeatherStreamRow>::new());
    let status = field.crossing().stream_weather(nothing).await.unwrap_err();
    assert_eq!(status.code(), tonic::Code::InvalidArgument);
    for (client, code) in [
        (system.anonymous(), tonic::Code::Unauthenticated),
        (
            system.sign_in("manager").await,
            tonic::Code::PermissionDenied,
        ),
        (
            system.other_programme().await.sign_in("field").await,
            tonic::Code::NotFound,
        ),
    ] {
        let status = client
            .crossing()
            .stream_weather(stream(vec![hour(400, 6.0)]))
            .await
            .unwrap_err();
        assert_eq!(status.code(), code);
    }
}
