//! One year of a programme over the API: 25,000 own-root seedlings with seven traits each, 175,000
//! records, to an advance list of some 700, with the records beside bare COPY.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::{Duration, Instant};

use contract::crossing::{ListCrossesRequest, ListSeedlingsRequest};
use contract::evaluation::RecordBatchRow;
use contract::evaluation::evaluation_client::EvaluationClient;
use jiff::ToSpan as _;
use jiff::civil::Date;
use platform::Fault;
use platform::peers::Peers;
use platform::skin::BATCH_BYTES;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Normal};
use serde_json::{Value, json};
use sqlx::PgPool;
use tonic::codegen::tokio_stream;
use tonic::transport::Channel;
use uuid::Uuid;

use super::{Measured, Outcome, ROUNDS, account, copied, middle};
use crate::demo::accounts::{self, Account};
use crate::import::remote::Remote;

const ROOT: &str = "/api/evaluation/v1";
const SEEDLINGS: u32 = 25_000;
/// Of so many seedlings one is kept.
const ONE_IN: usize = 36;
/// Rows of one batch when the year comes in parts.
const PART: usize = 5_000;

/// Trait, mean, genetic and error standard deviation, weight of one standard deviation, decimals.
const TRAITS: [(&str, f64, f64, f64, f64, usize); 7] = [
    ("brix", 13.0, 1.0, 1.2, 1.0, 1),
    ("acidity_g_l", 7.0, 0.5, 0.5, 0.0, 1),
    ("fruit_mass_g", 150.0, 20.0, 20.0, 0.8, 0),
    ("firmness_n", 50.0, 6.0, 6.0, 0.6, 1),
    ("ripening_date", 170.0, 4.0, 2.0, 0.0, 0),
    ("bloom_date", 60.0, 5.0, 2.0, 0.0, 0),
    ("fruit_diameter_mm", 65.0, 3.0, 3.0, 0.0, 1),
];

/// Somebody who calls the REST API.
struct Person {
    client: reqwest::Client,
    url: String,
    token: String,
}

impl Person {
    async fn post(&self, path: &str, body: &Value) -> Outcome<Value> {
        let request = self.client.post(format!("{}{path}", self.url)).json(body);
        answer(path, request.bearer_auth(&self.token)).await
    }

    async fn get(&self, path: &str) -> Outcome<Value> {
        let request = self.client.get(format!("{}{path}", self.url));
        answer(path, request.bearer_auth(&self.token)).await
    }

    async fn post_rows(&self, path: &str, rows: String) -> Outcome<Value> {
        let request = self
            .client
            .post(format!("{}{path}", self.url))
            .header("content-type", "application/x-ndjson")
            .body(rows);
        answer(path, request.bearer_auth(&self.token)).await
    }
}

async fn answer(path: &str, request: reqwest::RequestBuilder) -> Outcome<Value> {
    let reply = request.send().await?;
    let status = reply.status();
    let body: Value = serde_json::from_slice(&reply.bytes().await?)?;
    if status.is_success() {
        Ok(body)
    } else {
        Err(format!("{path}: {status}: {body}").into())
    }
}

fn id_of(value: &Value) -> Outcome<String> {
    let id = value["id"].as_str().ok_or("a reply without an id")?;
    Ok(id.to_owned())
}

/// Goes through the year.
pub(super) async fn measure(
    peers: &Peers,
    accounts: &BTreeMap<String, Account>,
    url: &str,
    plain: &PgPool,
    today: Date,
) -> Outcome<()> {
    let person = async |role: &str| -> Outcome<Person> {
        Ok(Person {
            client: reqwest::Client::new(),
            url: url.to_owned(),
            token: accounts::sign_in(peers, account(accounts, role)?).await?,
        })
    };
    let (breeder, trials) = (person("breeder").await?, person("trials").await?);
    println!("one year over the API:");
    let step = |what: String, since: Instant| {
        println!("  {what:<60} {:>8.2} s", since.elapsed().as_secs_f64());
    };

    let started = Instant::now();
    let entries = seedlings(peers, &breeder, today).await?;
    step(
        format!("{} seedlings numbered and listed", entries.len()),
        started,
    );
    let mut checks = Vec::new();
    for name in ["Measured check 1", "Measured check 2", "Measured check 3"] {
        let body = json!({"name": name, "species": "Prunus persica", "kind": "variety"});
        checks.push(id_of(
            &breeder.post("/api/crossing/v1/germplasm", &body).await?,
        )?);
    }
    let site =
        json!({"name": "Measured field", "country": "US", "time_zone": "America/Los_Angeles"});
    let site = id_of(&trials.post(&format!("{ROOT}/sites"), &site).await?)?;
    let started = Instant::now();
    let body = json!({
        "name": "Measured first look", "stage": "own_root", "season": today.year(),
        "site_ids": [site], "entry_ids": entries, "check_ids": checks,
        "planted_on": today.checked_sub(2.years())?.to_string(),
    });
    let trial = id_of(&trials.post(&format!("{ROOT}/trials"), &body).await?)?;
    step(
        format!("trial of {} entries opened", entries.len()),
        started,
    );
    let started = Instant::now();
    let design = json!({"design": "unreplicated", "block_size": 50, "seed": 7});
    let layout = trials
        .post(&format!("{ROOT}/trials/{trial}/layout"), &design)
        .await?;
    let trees: Vec<(String, bool)> = layout["trees"]
        .as_array()
        .ok_or("a layout without trees")?
        .iter()
        .map(|tree| {
            let id = tree["tree_id"].as_str().unwrap_or_default().to_owned();
            (id, tree["is_check"] == true)
        })
        .collect();
    drop(layout);
    step(format!("{} trees laid out", trees.len()), started);

    // Yesterday lies in the past in every time zone; each further picking is a day before.
    let mut pickings = (1_i64..).map(|n| today.checked_sub(n.days()));
    let mut picked =
        || -> Outcome<Vec<RecordBatchRow>> { seen(&trees, pickings.next().ok_or("no day left")??) };
    let grpc = Channel::from_shared(url.to_owned())?.connect().await?;
    let rows = picked()?;
    let n = rows.len();
    let text = copied_text(&rows, &trial, today)?;
    let same = rows.clone();
    let started = Instant::now();
    stream(&grpc, &trials.token, rows, 0).await?;
    step(format!("{n} records taken from one gRPC stream"), started);
    let started = Instant::now();
    stream(&grpc, &trials.token, same, n).await?;
    step("the same stream again, all known".to_owned(), started);

    let started = Instant::now();
    let means = trials
        .get(&format!("{ROOT}/trials/{trial}/means?trait=brix"))
        .await?;
    step(
        format!("means of one trait, heritability {}", means["heritability"]),
        started,
    );
    drop(means);
    let weights: BTreeMap<&str, f64> = TRAITS
        .iter()
        .filter(|t| t.4 > 0.0)
        .map(|t| (t.0, t.4))
        .collect();
    let asked = json!({
        "keep_n": entries.len() / ONE_IN, "weights": weights,
        "thresholds": [{"trait": "firmness_n", "min": 30.0}], "seed": 1,
    });
    let started = Instant::now();
    let list = breeder
        .post(&format!("{ROOT}/trials/{trial}/advance-list"), &asked)
        .await?;
    step(
        format!("advance list of {} with reasons", list["suggested_n"]),
        started,
    );
    let decisions: Vec<Value> = list["items"]
        .as_array()
        .ok_or("a list without items")?
        .iter()
        .filter(|item| item["suggestion"] == "advance")
        .map(|item| {
            json!({
                "germplasm_id": item["germplasm_id"], "decision": "advance",
                "reason": item["reason"],
            })
        })
        .collect();
    drop(list);
    let started = Instant::now();
    let body = json!({"decisions": decisions, "to_stage": "budded"});
    let decided = breeder
        .post(&format!("{ROOT}/trials/{trial}/decisions"), &body)
        .await?;
    step(
        format!("{} decided and announced", decided["advanced_n"]),
        started,
    );
    let started = Instant::now();
    breeder.get(&format!("{ROOT}/stage-summaries")).await?;
    step("stage summaries".to_owned(), started);

    let columns = "programme_id, year, id, trial_id, tree_id, trait, value, sent, observed_at, \
                   observer, recorded_at";
    reset_peak();
    // In turns, so that what else the machine does falls on all alike.
    let mut rates: BTreeMap<&'static str, Vec<f64>> = BTreeMap::new();
    for _ in 0..ROUNDS {
        let mut keep = |what, took: Duration| {
            let rate = n as f64 / took.as_secs_f64();
            rates.entry(what).or_default().push(rate);
        };
        keep(
            COPY,
            copied(plain, "evaluation.record", columns, &text).await?,
        );

        let rows = picked()?;
        let started = Instant::now();
        stream(&grpc, &trials.token, rows, 0).await?;
        keep(STREAM, started.elapsed());

        let body = lines(&picked()?);
        let started = Instant::now();
        take(&trials, body, n).await?;
        keep(REST, started.elapsed());

        let parts: Vec<Vec<RecordBatchRow>> = picked()?.chunks(PART).map(<[_]>::to_vec).collect();
        let started = Instant::now();
        for part in parts {
            stream(&grpc, &trials.token, part, 0).await?;
        }
        keep(STREAM_PARTS, started.elapsed());

        let parts: Vec<(String, usize)> = picked()?
            .chunks(PART)
            .map(|part| (lines(part), part.len()))
            .collect();
        let started = Instant::now();
        for (body, n) in parts {
            take(&trials, body, n).await?;
        }
        keep(REST_PARTS, started.elapsed());
    }
    let peak_bytes = peak();
    let baseline_rate = middle(rates.remove(COPY).unwrap_or_default());
    for what in [STREAM, REST, STREAM_PARTS, REST_PARTS] {
        let measured = Measured {
            what,
            rate: middle(rates.remove(what).unwrap_or_default()),
            baseline: COPY,
            baseline_rate,
            remark: String::new(),
        };
        measured.tell();
    }
    if let Some(bytes) = peak_bytes {
        println!(
            "largest memory while the records came, with the rows that were sent: {} MiB",
            bytes >> 20
        );
    }
    Ok(())
}

const COPY: &str = "COPY of 175,000 rows into a like table";
const STREAM: &str = "175,000 records, one gRPC stream";
const REST: &str = "175,000 records, one REST batch";
const STREAM_PARTS: &str = "175,000 records, gRPC streams of 5,000";
const REST_PARTS: &str = "175,000 records, REST batches of 5,000";

async fn seedlings(peers: &Peers, breeder: &Person, today: Date) -> Outcome<Vec<String>> {
    let remote = Remote::new(peers, &breeder.token);
    let request = ListCrossesRequest {
        limit: 1,
        ..Default::default()
    };
    let crosses = remote
        .crossing()?
        .list_crosses(request)
        .await
        .map_err(Fault::from)?;
    let cross = crosses.into_inner().items.into_iter().next();
    let cross = cross.ok_or("no cross")?.id;
    let planting = json!({
        "planted_n": SEEDLINGS, "block": "measured year", "first_row": 1, "plants_per_row": 250,
        "on": today.to_string(), "reason": "a measurement",
    });
    let planted = breeder
        .post(
            &format!("/api/crossing/v1/crosses/{cross}/seedlings"),
            &planting,
        )
        .await?;
    drop(planted);
    let mut ids = Vec::with_capacity(SEEDLINGS as usize);
    let mut request = ListSeedlingsRequest {
        cross_id: cross,
        limit: 500,
        ..Default::default()
    };
    loop {
        let page = remote
            .crossing()?
            .list_seedlings(request.clone())
            .await
            .map_err(Fault::from)?
            .into_inner();
        ids.extend(
            page.items
                .into_iter()
                .filter(|seedling| seedling.block == "measured year")
                .map(|seedling| seedling.id),
        );
        match page.next_cursor.filter(|cursor| !cursor.is_empty()) {
            Some(next) => request.cursor = next,
            None => break,
        }
    }
    if ids.len() == SEEDLINGS as usize {
        Ok(ids)
    } else {
        Err(format!("{} seedlings of {SEEDLINGS} are listed", ids.len()).into())
    }
}

/// What is seen on every tree on one day: its merit, the same on every day, and that day's error.
fn seen(trees: &[(String, bool)], day: Date) -> Outcome<Vec<RecordBatchRow>> {
    let standard = Normal::new(0.0, 1.0)?;
    let mut merits = ChaCha8Rng::seed_from_u64(20_260_701);
    let mut errors = ChaCha8Rng::seed_from_u64(day.day_of_year().unsigned_abs().into());
    let day = day.to_string();
    let mut rows = Vec::with_capacity(trees.len() * TRAITS.len());
    for (tree, is_check) in trees {
        for (code, mean, genetic, error, _, decimals) in TRAITS {
            let merit = if *is_check {
                0.0
            } else {
                genetic * standard.sample(&mut merits)
            };
            let value = mean + merit + error * standard.sample(&mut errors);
            rows.push(RecordBatchRow {
                id: Uuid::now_v7().to_string(),
                tree_id: tree.clone(),
                r#trait: code.to_owned(),
                value: format!("{:.decimals$}", value.max(1.0)),
                observed_at: day.clone(),
                by: "measured".to_owned(),
                ..Default::default()
            });
        }
    }
    Ok(rows)
}

fn lines(rows: &[RecordBatchRow]) -> String {
    let mut text = String::with_capacity(rows.len() * 220);
    for row in rows {
        let row = json!({
            "id": row.id, "tree_id": row.tree_id, "trait": row.r#trait, "value": row.value,
            "observed_at": row.observed_at, "by": row.by,
        });
        text.push_str(&row.to_string());
        text.push('\n');
    }
    text
}

fn copied_text(rows: &[RecordBatchRow], trial: &str, day: Date) -> Outcome<String> {
    let mut text = String::new();
    let (programme, year) = (Uuid::nil(), day.year());
    for row in rows {
        let (id, tree, code, value) = (&row.id, &row.tree_id, &row.r#trait, &row.value);
        let at = format!("{day}T12:00:00Z");
        writeln!(
            text,
            "{programme}\t{year}\t{id}\t{trial}\t{tree}\t{code}\t{value}\t{value}\t{at}\tmeasured\t{at}"
        )?;
    }
    Ok(text)
}

/// Streams rows as one batch, of which so many are known already.
async fn stream(
    channel: &Channel,
    token: &str,
    rows: Vec<RecordBatchRow>,
    known: usize,
) -> Outcome<()> {
    let n = rows.len();
    let mut request = tonic::Request::new(tokio_stream::iter(rows));
    let bearer = format!("Bearer {token}").parse()?;
    request.metadata_mut().insert("authorization", bearer);
    let reply = EvaluationClient::new(channel.clone())
        .max_decoding_message_size(BATCH_BYTES)
        .stream_records(request)
        .await
        .map_err(Fault::from)?
        .into_inner();
    if (reply.accepted, reply.duplicates) == ((n - known) as u64, known as u64) {
        Ok(())
    } else {
        let (accepted, duplicates) = (reply.accepted, reply.duplicates);
        let first = reply.rejected.first();
        Err(format!("{accepted} of {n} taken, {duplicates} known, {first:?}").into())
    }
}

/// Posts rows as one batch.
async fn take(person: &Person, body: String, n: usize) -> Outcome<()> {
    let path = format!("{ROOT}/records:batch");
    let reply = person.post_rows(&path, body).await?;
    if reply["accepted"] == n {
        Ok(())
    } else {
        Err(format!(
            "{} of {n} taken, {}",
            reply["accepted"], reply["rejected"][0]
        )
        .into())
    }
}

/// Begins to watch the largest resident memory anew; Linux only.
fn reset_peak() {
    // Where it cannot be written, the peak is that of the whole run: never less than the truth.
    let _ = std::fs::write("/proc/self/clear_refs", "5");
}

/// Largest resident memory since [`reset_peak`].
fn peak() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    let kib: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(kib * 1024)
}
