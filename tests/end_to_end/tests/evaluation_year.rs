//! One year of a programme: 25,000 own-root seedlings with seven traits each, 175,000 records in
//! one go, to an advance list of 700. Ignored by default, as it measures: run it in release mode by
//! its name with `-- --ignored --nocapture`.

use std::time::Instant;

use contract::evaluation::RecordBatchRow;
use end_to_end::{Client, System, postgres};
use platform::peers::ServiceName;
use serde_json::{Value, json};
use sqlx::{Connection as _, Executor as _};
use tonic::codegen::tokio_stream;
use uuid::Uuid;

const CROSSING: &str = "/api/crossing/v1";
const ROOT: &str = "/api/evaluation/v1";
/// Seedlings of the year, unless `DRUPELINE_YEAR_SEEDLINGS` says another number.
const SEEDLINGS: usize = 25_000;
/// Of how many seedlings one is kept.
const ONE_IN: usize = 36;

fn seedlings_n() -> usize {
    std::env::var("DRUPELINE_YEAR_SEEDLINGS")
        .map_or(SEEDLINGS, |n| n.parse().expect("a number of seedlings"))
}

/// Trait, mean, genetic and error standard deviation, and weight of one standard deviation.
const TRAITS: [(&str, f64, f64, f64, f64); 7] = [
    ("brix", 13.0, 1.0, 1.2, 1.0),
    ("acidity_g_l", 7.0, 0.8, 0.8, 0.0),
    ("fruit_mass_g", 150.0, 20.0, 25.0, 0.8),
    ("firmness_n", 45.0, 6.0, 8.0, 0.6),
    ("ripening_date", 180.0, 8.0, 3.0, 0.0),
    ("bloom_date", 60.0, 5.0, 2.0, 0.0),
    ("crop_load", 8.0, 0.0, 2.0, 0.0),
];

fn id_of(value: &Value) -> String {
    value["id"]
        .as_str()
        .unwrap_or_else(|| panic!("no id in {value:#}"))
        .to_owned()
}

/// Normal deviates from a seed, by the polar form of a linear congruential sequence.
struct Draws(u64);

impl Draws {
    fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

async fn seedlings(breeder: &Client, field: &Client) -> Vec<String> {
    let plant = async |name: &str| {
        let body = json!({"name": name, "species": "Prunus persica", "kind": "variety"});
        id_of(
            &breeder
                .post(&format!("{CROSSING}/germplasm"), &body)
                .await
                .expect(201),
        )
    };
    let (mother, father) = (plant("Mother").await, plant("Father").await);
    let season = json!({"year": 2024, "site": "Home", "time_zone": "America/Los_Angeles"});
    breeder
        .post(&format!("{CROSSING}/seasons"), &season)
        .await
        .expect(201);
    let cross = json!({
        "season": "2024", "seed_parent_id": mother, "pollen_parent_id": father,
        "objective": "sweeter and larger", "fruit_wanted_n": 100,
    });
    let cross = id_of(
        &breeder
            .post(&format!("{CROSSING}/crosses"), &cross)
            .await
            .expect(201),
    );
    let planting = json!({
        "planted_n": seedlings_n(), "block": "N1", "first_row": 1, "plants_per_row": 250, "on": "2024-11-10",
        "site": "North field", "reason": "a whole year's seedlings stand for many crosses",
    });
    let reply = field
        .post(&format!("{CROSSING}/crosses/{cross}/seedlings"), &planting)
        .await;
    reply.expect(201);
    let mut ids = Vec::with_capacity(seedlings_n());
    let mut cursor = String::new();
    loop {
        let page = field
            .get(&format!(
                "{CROSSING}/seedlings?cross_id={cross}&limit=500&cursor={cursor}"
            ))
            .await
            .expect(200);
        ids.extend(page["items"].as_array().unwrap().iter().map(id_of));
        match page["next_cursor"].as_str() {
            Some(next) => cursor = next.to_owned(),
            None => return ids,
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "measures a whole year; run it in release mode by its name"]
async fn a_whole_year_goes_from_records_to_an_advance_list() {
    let system = System::start_at(crate::evaluation::past_the_season()).await;
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    let trials = system.sign_in("trials").await;
    let started = Instant::now();
    let entries = seedlings(&breeder, &field).await;
    let kept = entries.len() / ONE_IN;
    assert_eq!(entries.len(), seedlings_n());
    println!(
        "{} seedlings numbered and listed in {:.1?}",
        entries.len(),
        started.elapsed()
    );

    let mut checks = Vec::new();
    for name in ["Check one", "Check two", "Check three"] {
        let body = json!({"name": name, "species": "Prunus persica", "kind": "variety"});
        checks.push(id_of(
            &breeder
                .post(&format!("{CROSSING}/germplasm"), &body)
                .await
                .expect(201),
        ));
    }
    let site = json!({"name": "North field", "country": "US", "time_zone": "America/Los_Angeles"});
    let site = id_of(
        &trials
            .post(&format!("{ROOT}/sites"), &site)
            .await
            .expect(201),
    );
    let started = Instant::now();
    let trial = json!({
        "name": "First look", "stage": "own_root", "season": 2024, "site_ids": [site],
        "entry_ids": entries, "check_ids": checks,
    });
    let trial = id_of(
        &trials
            .post(&format!("{ROOT}/trials"), &trial)
            .await
            .expect(201),
    );
    println!("trial opened in {:.1?}", started.elapsed());
    let started = Instant::now();
    let design = json!({"design": "unreplicated", "block_size": 50, "seed": 7});
    let layout = trials
        .post(&format!("{ROOT}/trials/{trial}/layout"), &design)
        .await
        .expect(201);
    let trees = layout["trees"].as_array().unwrap();
    println!(
        "{} trees laid out in {:.1?}",
        trees.len(),
        started.elapsed()
    );

    // Each plant has its merit in each trait; checks are all alike.
    let mut draws = Draws(20_260_701);
    let mut rows: Vec<RecordBatchRow> = Vec::with_capacity(trees.len() * TRAITS.len());
    for tree in trees {
        for (code, mean, genetic, error, _) in TRAITS {
            let merit = if tree["is_check"] == true {
                0.0
            } else {
                genetic * draws.normal()
            };
            let value = mean + merit + error * draws.normal();
            let value = match code {
                "ripening_date" | "bloom_date" => format!("{:.0}", value.clamp(1.0, 181.0)),
                "crop_load" => format!("{:.1}", value.max(0.0)),
                _ => format!("{:.1}", value.max(4.0)),
            };
            rows.push(RecordBatchRow {
                id: Uuid::now_v7().to_string(),
                tree_id: tree["tree_id"].as_str().unwrap().to_owned(),
                r#trait: code.to_owned(),
                value,
                observed_at: "2026-07-01T10:00:00Z".to_owned(),
                by: "Wren".to_owned(),
                ..RecordBatchRow::default()
            });
        }
    }
    let n = rows.len();

    // The baseline: the same rows by bare COPY into an equal table, with its key and indexes.
    let pool = system.pool(ServiceName::Evaluation).await;
    let database = pool
        .connect_options()
        .get_database()
        .expect("a database")
        .to_owned();
    let url = postgres::with_database(&postgres::url().await, &database);
    let mut admin = sqlx::PgConnection::connect(&url).await.unwrap();
    admin
        .execute("create table public.record_equal (like evaluation.record including all)")
        .await
        .unwrap();
    let nil = Uuid::nil();
    let text: String = rows
        .iter()
        .map(|row| {
            let (id, tree, code, value, at) = (&row.id, &row.tree_id, &row.r#trait, &row.value, &row.observed_at);
            format!("{nil}\t2026\t{id}\t{trial}\t{tree}\t{code}\t{value}\t{value}\t{at}\tWren\t\\N\t\\N\t{at}\n")
        })
        .collect();
    let mut copy_s = f64::INFINITY;
    for _ in 0..3 {
        admin.execute("truncate public.record_equal").await.unwrap();
        let started = Instant::now();
        let mut copy = admin
            .copy_in_raw("copy public.record_equal from stdin")
            .await
            .unwrap();
        copy.send(text.as_bytes()).await.unwrap();
        assert_eq!(copy.finish().await.unwrap(), n as u64);
        copy_s = copy_s.min(started.elapsed().as_secs_f64());
    }

    let mut grpc = trials.evaluation();
    let started = Instant::now();
    let reply = grpc
        .stream_records(tokio_stream::iter(rows.clone()))
        .await
        .unwrap()
        .into_inner();
    let grpc_s = started.elapsed().as_secs_f64();
    assert_eq!((reply.accepted, reply.rejected.len()), (n as u64, 0));
    let started = Instant::now();
    let again = grpc
        .stream_records(tokio_stream::iter(rows.clone()))
        .await
        .unwrap()
        .into_inner();
    let again_s = started.elapsed().as_secs_f64();
    assert_eq!((again.accepted, again.duplicates), (0, n as u64));

    // A second picking over REST.
    let body: String = rows
        .iter()
        .map(|row| {
            let row = json!({
                "id": Uuid::now_v7(), "tree_id": row.tree_id, "trait": row.r#trait, "value": row.value,
                "observed_at": "2026-07-05T10:00:00Z", "by": "Finch",
            });
            format!("{row}\n")
        })
        .collect();
    let started = Instant::now();
    let reply = trials
        .post_text(
            &format!("{ROOT}/records:batch"),
            "application/x-ndjson",
            &body,
        )
        .await
        .expect(200);
    let rest_s = started.elapsed().as_secs_f64();
    assert_eq!(reply["accepted"], n, "{:#}", reply["rejected"][0]);
    let rate = |s: f64| {
        format!(
            "{s:.2} s, {:.0} rows/s, {:.2} of bare COPY",
            n as f64 / s,
            copy_s / s
        )
    };
    println!(
        "{n} records: bare COPY into an equal table {copy_s:.2} s, {:.0} rows/s",
        n as f64 / copy_s
    );
    println!("  gRPC stream   {}", rate(grpc_s));
    println!("  sent again    {}", rate(again_s));
    println!("  REST NDJSON   {}", rate(rest_s));

    let started = Instant::now();
    let means = trials
        .get(&format!("{ROOT}/trials/{trial}/means?trait=brix"))
        .await
        .expect(200);
    println!(
        "means of {} entries in {:.1?}, heritability {}",
        entries.len(),
        started.elapsed(),
        means["heritability"]
    );
    let started = Instant::now();
    let weights: serde_json::Map<String, Value> = TRAITS
        .iter()
        .filter(|t| t.4 > 0.0)
        .map(|t| (t.0.to_owned(), json!(t.4)))
        .collect();
    let asked = json!({"keep_n": kept, "weights": weights, "thresholds": [{"trait": "firmness_n", "min": 30.0}], "seed": 1});
    let list = breeder
        .post(&format!("{ROOT}/trials/{trial}/advance-list"), &asked)
        .await
        .expect(200);
    println!(
        "advance list of {} in {:.1?}",
        list["suggested_n"],
        started.elapsed()
    );
    assert_eq!(list["suggested_n"], kept);
    let decisions: Vec<Value> = list["items"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|item| item["suggestion"] == "advance")
        .map(|item| json!({"germplasm_id": item["germplasm_id"], "decision": "advance", "reason": item["reason"]}))
        .collect();
    let started = Instant::now();
    let decided = json!({"decisions": decisions, "to_stage": "budded", "on": "2026-08-01"});
    let decided = breeder
        .post(&format!("{ROOT}/trials/{trial}/decisions"), &decided)
        .await
        .expect(201);
    assert_eq!(decided["advanced_n"], kept);
    println!("{kept} decided and announced in {:.1?}", started.elapsed());
    let started = Instant::now();
    let summaries = trials
        .get(&format!("{ROOT}/stage-summaries"))
        .await
        .expect(200);
    assert_eq!(summaries["items"][0]["kept_n"], kept);
    println!("stage summaries in {:.1?}", started.elapsed());
}
