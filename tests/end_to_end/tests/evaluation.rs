//! Trials from the plan to the decision, over REST and over gRPC, with good input and bad.

use std::time::Duration;

use contract::common::ReadFeedRequest;
use contract::evaluation::evaluation_client::EvaluationClient;
use contract::evaluation::{
    GetAnalysisRequest, GetLayoutRequest, GetMeansRequest, ListStageSummariesRequest,
    RecordBatchRow, RegisterSiteRequest,
};
use end_to_end::{Client, System};
use platform::Clock;
use platform::database::Scope;
use platform::peers::ServiceName;
use serde_json::{Value, json};
use uuid::Uuid;

const CROSSING: &str = "/api/crossing/v1";
const ROOT: &str = "/api/evaluation/v1";

pub fn text(value: &Value, field: &str) -> String {
    value[field]
        .as_str()
        .unwrap_or_else(|| panic!("{field} is missing in {value:#}"))
        .to_owned()
}

pub fn number(value: &Value, field: &str) -> f64 {
    value[field]
        .as_f64()
        .unwrap_or_else(|| panic!("{field} is missing in {value:#}"))
}

/// Whether two documents say the same, numbers to twelve digits: reading JSON may cost the last.
fn alike(a: &Value, b: &Value) -> bool {
    match (a, b) {
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
            (a - b).abs() <= 1e-12 * a.abs().max(b.abs())
        }
        (Value::Array(a), Value::Array(b)) => {
            a.len() == b.len() && a.iter().zip(b).all(|(a, b)| alike(a, b))
        }
        (Value::Object(a), Value::Object(b)) => {
            a.len() == b.len()
                && a.iter()
                    .all(|(key, a)| b.get(key).is_some_and(|b| alike(a, b)))
        }
        _ => a == b,
    }
}

/// A clock that is past the season of these trials, whatever the machine's own says.
fn past_the_season() -> Clock {
    let autumn: jiff::Timestamp = "2026-11-01T12:00:00Z".parse().expect("an instant");
    Clock::standing_at(autumn.max(jiff::Timestamp::now()))
}

/// A programme with plants, sites and a trial that is laid out.
pub struct World {
    pub system: System,
    pub breeder: Client,
    pub trials: Client,
    pub sites: Vec<String>,
    pub entries: Vec<String>,
    pub checks: Vec<String>,
}

impl World {
    /// Registers plants and two sites.
    pub async fn with_plants(entries_n: usize) -> Self {
        let system = System::start_at(past_the_season()).await;
        let breeder = system.sign_in("breeder").await;
        let trials = system.sign_in("trials").await;
        let mother = plant(&breeder, "Mother", json!({})).await;
        let father = plant(&breeder, "Father", json!({})).await;
        let mut entries = Vec::new();
        for n in 0..entries_n {
            let parents =
                json!({"kind": "selection", "seed_parent_id": mother, "pollen_parent_id": father});
            entries.push(plant(&breeder, &format!("Selection {n:02}"), parents).await);
        }
        let checks = vec![
            plant(&breeder, "Check one", json!({})).await,
            plant(&breeder, "Check two", json!({})).await,
        ];
        let mut sites = Vec::new();
        for (name, zone) in [
            ("North field", "America/Los_Angeles"),
            ("South field", "America/Santiago"),
        ] {
            let site = json!({"name": name, "country": "US", "time_zone": zone, "soil": "loam"});
            sites.push(text(
                &trials
                    .post(&format!("{ROOT}/sites"), &site)
                    .await
                    .expect(201),
                "id",
            ));
        }
        Self {
            system,
            breeder,
            trials,
            sites,
            entries,
            checks,
        }
    }

    pub async fn trial(&self, name: &str) -> String {
        let body = json!({
            "name": name, "stage": "own_root", "season": 2025, "site_ids": self.sites,
            "entry_ids": self.entries, "check_ids": self.checks,
        });
        text(
            &self
                .trials
                .post(&format!("{ROOT}/trials"), &body)
                .await
                .expect(201),
            "id",
        )
    }

    pub async fn laid_out(&self, name: &str) -> (String, Vec<Value>) {
        let trial = self.trial(name).await;
        let design = json!({"design": "rcbd", "replicates": 3, "seed": 11});
        let layout = self
            .trials
            .post(&format!("{ROOT}/trials/{trial}/layout"), &design)
            .await
            .expect(201);
        (trial, layout["trees"].as_array().expect("trees").clone())
    }

    /// Values of a trait with a known merit of each entry and an effect of each site.
    pub fn rows(&self, trees: &[Value], code: &str, base: f64, step: f64) -> Vec<Value> {
        trees
            .iter()
            .enumerate()
            .map(|(i, tree)| {
                let merit = self.entries.iter().position(|e| tree["germplasm_id"] == **e).unwrap_or(2) as f64;
                let site = if tree["site_id"] == *self.sites[0] { 0.0 } else { 1.5 };
                let noise = f64::from(u32::try_from(i * 7919 % 13).unwrap()) / 13.0 - 0.5;
                json!({
                    "id": Uuid::now_v7(), "tree_id": tree["tree_id"], "trait": code,
                    "value": base + step * merit + site + 0.2 * noise * step.abs().max(0.5),
                    "observed_at": "2026-07-01T10:00:00Z", "by": if i % 2 == 0 { "Wren" } else { "Finch" },
                })
            })
            .collect()
    }

    pub async fn take(&self, rows: &[Value]) -> Value {
        self.trials
            .post(&format!("{ROOT}/records:batch"), &json!(rows))
            .await
            .expect(200)
    }
}

async fn plant(breeder: &Client, name: &str, more: Value) -> String {
    let mut body = json!({"name": name, "species": "Prunus persica", "kind": "variety"});
    for (key, value) in more.as_object().expect("an object") {
        body[key] = value.clone();
    }
    text(
        &breeder
            .post(&format!("{CROSSING}/germplasm"), &body)
            .await
            .expect(201),
        "id",
    )
}

#[tokio::test]
async fn a_trial_is_opened_laid_out_once_and_read_back() {
    let world = World::with_plants(8).await;
    let open = format!("{ROOT}/trials");

    let unknown = Uuid::now_v7();
    let mut entries = world.entries.clone();
    entries[3] = unknown.to_string();
    let body = json!({"name": "Wrong", "stage": "orchard", "site_ids": [Uuid::now_v7()], "entry_ids": entries});
    let mut pointers = world.trials.post(&open, &body).await.pointers(422);
    pointers.sort();
    assert_eq!(pointers, ["/entry_ids/3", "/site_ids/0", "/stage"]);

    let id = Uuid::now_v7();
    let body = json!({
        "id": id, "name": "First look", "stage": "own_root", "season": 2025, "site_ids": world.sites,
        "entry_ids": world.entries, "check_ids": world.checks,
    });
    let trial = world.trials.post(&open, &body).await.expect(201);
    assert_eq!(trial["entries_n"], 8);
    assert_eq!(trial["checks_n"], 2);
    assert_eq!(trial["status"], "open");
    assert_eq!(
        world.trials.post(&open, &body).await.expect(201),
        trial,
        "a repeat is harmless"
    );
    let mut other = body.clone();
    other["name"] = json!("Second look");
    world.trials.post(&open, &other).await.expect(409);

    let path = format!("{ROOT}/trials/{id}/layout");
    world.trials.get(&path).await.expect(409);
    let impossible = json!({"design": "alpha", "replicates": 2, "block_size": 9, "seed": 1});
    let reply = world.trials.post(&path, &impossible).await;
    assert!(
        reply.body["detail"]
            .as_str()
            .unwrap_or_default()
            .contains("nearest"),
        "{:#}",
        reply.body
    );
    assert_eq!(reply.pointers(422), ["/block_size"]);
    let small = json!({"design": "rcbd", "replicates": 3, "rows": 2, "columns": 4, "seed": 1});
    assert_eq!(
        world.trials.post(&path, &small).await.pointers(422),
        ["/rows"]
    );
    let unnamed = json!({"design": "square", "seed": 1});
    assert_eq!(
        world.trials.post(&path, &unnamed).await.pointers(422),
        ["/design"]
    );

    let design = json!({"design": "alpha", "replicates": 2, "block_size": 5, "seed": 42});
    let layout = world.trials.post(&path, &design).await.expect(201);
    let trees = layout["trees"].as_array().unwrap();
    assert_eq!(trees.len(), 2 * 2 * 10);
    let efficiency = number(&layout, "efficiency");
    assert!(efficiency > 0.6 && efficiency <= 1.0, "{efficiency}");
    assert_eq!(layout["sites"].as_array().unwrap().len(), 2);
    for entry in world.entries.iter().chain(&world.checks) {
        assert_eq!(
            trees
                .iter()
                .filter(|t| t["germplasm_id"] == **entry)
                .count(),
            4
        );
    }
    world.trials.post(&path, &design).await.expect(409);

    let read = world
        .trials
        .evaluation()
        .get_layout(GetLayoutRequest {
            trial_id: id.to_string(),
        })
        .await
        .unwrap()
        .into_inner();
    assert!(
        alike(&serde_json::to_value(&read).unwrap(), &layout),
        "REST and gRPC tell the same"
    );
    let csv = world.trials.get(&format!("{path}.csv")).await;
    assert_eq!(csv.status, 200);
    assert_eq!(String::from_utf8(csv.bytes).unwrap().lines().count(), 41);
    let listed = world
        .trials
        .get(&format!("{open}?season=2025&stage=own_root"))
        .await
        .expect(200);
    assert_eq!(listed["items"][0]["id"], id.to_string());

    // The layout may bring its own entries.
    let few: Vec<&String> = world.entries.iter().take(4).collect();
    let second = world.trial("Brought").await;
    let brought = json!({"design": "rcbd", "entries": few, "checks": [world.checks[0]], "replicates": 2, "seed": 3});
    let layout = world
        .trials
        .post(&format!("{ROOT}/trials/{second}/layout"), &brought)
        .await
        .expect(201);
    assert_eq!(layout["trees"].as_array().unwrap().len(), 2 * 2 * 5);
    let stored = world
        .trials
        .get(&format!("{ROOT}/trials/{second}"))
        .await
        .expect(200);
    assert_eq!(
        (stored["entries_n"].as_u64(), stored["checks_n"].as_u64()),
        (Some(4), Some(1))
    );

    let partner = world.system.sign_in("partner_a").await;
    partner.get(&open).await.expect(403);
}

#[tokio::test]
async fn own_root_seedlings_stand_once_among_checks() {
    let world = World::with_plants(30).await;
    let trial = world.trial("Seedlings").await;
    let path = format!("{ROOT}/trials/{trial}/layout");
    let repeated = json!({"design": "unreplicated", "replicates": 2, "seed": 1});
    assert_eq!(
        world.trials.post(&path, &repeated).await.pointers(422),
        ["/replicates"]
    );
    let design = json!({"design": "unreplicated", "block_size": 6, "seed": 1});
    let layout = world.trials.post(&path, &design).await.expect(201);
    let trees = layout["trees"].as_array().unwrap();
    for entry in &world.entries {
        assert_eq!(
            trees
                .iter()
                .filter(|t| t["germplasm_id"] == **entry)
                .count(),
            2,
            "once at each site"
        );
    }
    for check in &world.checks {
        assert!(
            trees
                .iter()
                .filter(|t| t["germplasm_id"] == **check)
                .count()
                >= 4
        );
    }
}

#[tokio::test]
async fn a_batch_reports_every_row_and_takes_the_sound_ones() {
    let world = World::with_plants(6).await;
    let (trial, trees) = world.laid_out("Batch").await;
    let tree = text(&trees[0], "tree_id");
    let dead = text(&trees[1], "tree_id");
    let died = json!({"kind": "died", "on": "2026-05-01", "reason": "canker"});
    world
        .trials
        .post(&format!("{ROOT}/trees/{dead}/events"), &died)
        .await
        .expect(201);
    world
        .trials
        .post(&format!("{ROOT}/trees/{dead}/events"), &died)
        .await
        .expect(409);

    let id: Vec<Uuid> = (0..16).map(|_| Uuid::now_v7()).collect();
    let row = |n: usize, more: Value| {
        let mut row = json!({
            "id": id[n], "tree_id": tree, "trait": "brix", "value": 14.2,
            "observed_at": "2026-07-01T10:00:00Z", "by": "Wren",
        });
        for (key, value) in more.as_object().unwrap() {
            row[key] = value.clone();
        }
        row
    };
    let rows = vec![
        row(0, json!({})),
        row(1, json!({"tree_id": Uuid::now_v7()})),
        row(2, json!({"tree_id": dead})),
        row(3, json!({"trait": "sweetness"})),
        row(4, json!({"value": 142})),
        row(5, json!({"value": "NaN"})),
        row(6, json!({"trait": "flavour", "value": 12})),
        row(7, json!({"observed_at": "2222-07-01T10:00:00Z"})),
        row(8, json!({"observed_at": "2024-12-01T10:00:00Z"})),
        row(9, json!({"trait": "sugar_acid_ratio"})),
        row(10, json!({"trait": "ripening_date", "value": "2026-06-20"})),
        row(0, json!({"value": 15})),
        row(11, json!({"value": {"brix": 12}})),
        row(
            12,
            json!({"tree_id": trees[2]["number"], "observed_at": "2026-07-01", "by": ""}),
        ),
        row(13, json!({"tree_id": "T25-001-00003-?"})),
        row(14, json!({"value": null})),
        row(15, json!({"tree_id": dead, "observed_at": "2026-04-01"})),
    ];
    let expected = [
        (1, "/tree_id"),
        (2, "/tree_id"),
        (3, "/trait"),
        (4, "/value"),
        (5, "/value"),
        (6, "/value"),
        (7, "/observed_at"),
        (8, "/observed_at"),
        (9, "/value"),
        (11, "/id"),
        (12, ""),
        (14, "/tree_id"),
        (15, "/value"),
    ];
    let seen = |reply: &Value| -> Vec<(u64, String)> {
        reply["rejected"]
            .as_array()
            .unwrap()
            .iter()
            .map(|r| (r["row"].as_u64().unwrap(), text(&r["errors"][0], "pointer")))
            .collect()
    };
    let expected: Vec<(u64, String)> = expected
        .iter()
        .map(|(row, pointer)| (*row, (*pointer).to_owned()))
        .collect();

    // Nothing at all when asked for all or nothing, nor when only tried.
    let all = json!({"rows": rows, "all_or_nothing": true});
    let path = format!("{ROOT}/records:batch");
    let reply = world.trials.post(&path, &all).await.expect(200);
    assert_eq!(reply["accepted"], 0);
    let reply = world
        .trials
        .post(&path, &json!({"rows": rows, "dry_run": true}))
        .await
        .expect(200);
    assert_eq!(reply["accepted"], 4);
    let listed = world
        .trials
        .get(&format!("{ROOT}/records?trial_id={trial}"))
        .await
        .expect(200);
    assert_eq!(listed["items"], json!([]));

    let reply = world.take(&rows).await;
    let mut told = seen(&reply);
    // The pointer of a row that could not be read names the field or the row.
    assert!(
        told[10].1.is_empty() || told[10].1.ends_with("value"),
        "{reply:#}"
    );
    told[10].1 = String::new();
    assert_eq!(told, expected, "{reply:#}");
    assert_eq!(reply["accepted"], 4, "{reply:#}");
    assert_eq!(reply["rejected"][0]["id"], id[1].to_string());

    // The same as lines of JSON: what was accepted is a duplicate now.
    let lines: String = rows.iter().map(|row| format!("{row}\n")).collect();
    let reply = world
        .trials
        .post_text(&path, "application/x-ndjson", &format!("{lines}{{broken\n"))
        .await
        .expect(200);
    assert_eq!(
        (reply["accepted"].as_u64(), reply["duplicates"].as_u64()),
        (Some(0), Some(4)),
        "{reply:#}"
    );
    assert_eq!(reply["rejected"].as_array().unwrap().len(), 14);

    // The same as a stream.
    let stream: Vec<RecordBatchRow> = rows
        .iter()
        .map(|row| RecordBatchRow {
            id: row["id"].as_str().unwrap().to_owned(),
            tree_id: row["tree_id"].as_str().unwrap().to_owned(),
            r#trait: row["trait"].as_str().unwrap().to_owned(),
            value: match &row["value"] {
                Value::String(text) => text.clone(),
                Value::Null => String::new(),
                other => other.to_string(),
            },
            observed_at: row["observed_at"].as_str().unwrap().to_owned(),
            by: row["by"].as_str().unwrap().to_owned(),
            ..RecordBatchRow::default()
        })
        .collect();
    let mut grpc = world.trials.evaluation();
    let reply = grpc
        .stream_records(tokio_stream(stream))
        .await
        .unwrap()
        .into_inner();
    assert_eq!((reply.accepted, reply.duplicates), (0, 4));
    let anonymous = world
        .system
        .anonymous()
        .evaluation()
        .stream_records(tokio_stream(vec![]))
        .await;
    assert_eq!(anonymous.unwrap_err().code(), tonic::Code::Unauthenticated);
    let manager = world
        .system
        .sign_in("manager")
        .await
        .evaluation()
        .stream_records(tokio_stream(vec![]))
        .await;
    assert_eq!(manager.unwrap_err().code(), tonic::Code::PermissionDenied);
}

#[tokio::test]
async fn tablets_that_bring_the_same_rows_at_once_are_all_heard() {
    let world = World::with_plants(6).await;
    let (_, trees) = world.laid_out("At once").await;
    let rows: Vec<Value> = (0..60)
        .map(|n| {
            json!({"id": Uuid::now_v7(), "tree_id": trees[n % trees.len()]["tree_id"], "trait": "brix",
                "value": 12.0 + n as f64 / 10.0, "observed_at": format!("2026-07-01T10:{n:02}:00Z"), "by": "Wren"})
        })
        .collect();
    let mut tablets = tokio::task::JoinSet::new();
    for tablet in 0..6 {
        let (trials, mut rows) = (world.trials.clone(), rows.clone());
        // Each brings them in an order of its own.
        rows.rotate_left(tablet * 10);
        if tablet % 2 == 1 {
            rows.reverse();
        }
        tablets.spawn(async move {
            let path = format!("{ROOT}/records:batch");
            trials.post(&path, &json!(rows)).await.expect(200)
        });
    }
    let replies = tablets.join_all().await;
    let sum = |what: &str| -> u64 { replies.iter().map(|r| r[what].as_u64().unwrap()).sum() };
    for reply in &replies {
        assert_eq!(reply["rejected"], json!([]), "{reply:#}");
    }
    assert_eq!((sum("accepted"), sum("duplicates")), (60, 300));
}

/// A stream of rows for a client-streaming call.
fn tokio_stream(rows: Vec<RecordBatchRow>) -> Rows {
    Rows(rows.into_iter())
}

struct Rows(std::vec::IntoIter<RecordBatchRow>);

impl tonic::codegen::tokio_stream::Stream for Rows {
    type Item = RecordBatchRow;

    fn poll_next(
        mut self: std::pin::Pin<&mut Self>,
        _: &mut std::task::Context<'_>,
    ) -> std::task::Poll<Option<RecordBatchRow>> {
        std::task::Poll::Ready(self.0.next())
    }
}

#[tokio::test]
async fn records_are_corrected_by_later_ones_and_doubts_are_judged() {
    let world = World::with_plants(8).await;
    let (trial, trees) = world.laid_out("Corrections").await;
    let mut rows = world.rows(&trees, "brix", 12.0, 0.2);
    rows[5]["value"] = json!(34.0);
    let reply = world.take(&rows).await;
    assert_eq!(reply["accepted"], rows.len(), "{reply:#}");
    assert_eq!(reply["doubtful"][0]["row"], 5, "{reply:#}");
    let doubtful = format!("{ROOT}/records?trial_id={trial}&doubtful=true");
    let listed = world.trials.get(&doubtful).await.expect(200);
    assert_eq!(listed["items"].as_array().unwrap().len(), 1);
    let means = format!("{ROOT}/trials/{trial}/means?trait=brix");
    let with = number(&world.trials.get(&means).await.expect(200), "grand_mean");

    // A person sets it aside, with a reason; it stays on record.
    let record = text(&rows[5], "id");
    let judge = format!("{ROOT}/records/{record}/judgement");
    let pointers = world
        .trials
        .post(&judge, &json!({"judgement": "wrong"}))
        .await
        .pointers(422);
    assert_eq!(pointers, ["/judgement", "/reason"]);
    let judged = json!({"judgement": "set_aside", "reason": "the point was forgotten"});
    world.trials.post(&judge, &judged).await.expect(200);
    let without = number(&world.trials.get(&means).await.expect(200), "grand_mean");
    assert!(without < with - 0.2, "{without} {with}");
    assert_eq!(
        world.trials.get(&doubtful).await.expect(200)["items"],
        json!([])
    );

    // A correction takes its place; a second correction of the first record is refused.
    let correction = |corrects: &str, value: Value| {
        json!([{"id": Uuid::now_v7(), "tree_id": rows[5]["tree_id"], "trait": "brix", "value": value,
                "observed_at": "2026-07-02T10:00:00Z", "by": "Wren", "corrects": corrects}])
    };
    let path = format!("{ROOT}/records:batch");
    let right = correction(&record, json!(13.4));
    assert_eq!(
        world.trials.post(&path, &right).await.expect(200)["accepted"],
        1
    );
    let again = world.trials.post(&path, &right).await.expect(200);
    assert_eq!(again["duplicates"], 1, "{again:#}");
    let twice = world
        .trials
        .post(&path, &correction(&record, json!(13.5)))
        .await
        .expect(200);
    assert_eq!(
        twice["rejected"][0]["errors"][0]["pointer"], "/corrects",
        "{twice:#}"
    );
    let unknown = world
        .trials
        .post(&path, &correction(&Uuid::now_v7().to_string(), json!(13.5)))
        .await
        .expect(200);
    assert_eq!(unknown["rejected"][0]["errors"][0]["pointer"], "/corrects");
    let mut elsewhere = correction(&text(&right[0], "id"), json!(13.5));
    elsewhere[0]["tree_id"] = rows[6]["tree_id"].clone();
    let elsewhere = world.trials.post(&path, &elsewhere).await.expect(200);
    assert_eq!(
        elsewhere["rejected"][0]["errors"][0]["pointer"],
        "/corrects"
    );
    // Withdrawn: nothing in its place.
    let withdrawn = correction(&text(&right[0], "id"), json!(""));
    assert_eq!(
        world.trials.post(&path, &withdrawn).await.expect(200)["accepted"],
        1
    );
    let told = world.trials.get(&means).await.expect(200);
    assert_eq!(told["missing_n"], 1, "the tree has no value left");

    let of_tree = format!("{ROOT}/records?tree_id={}", text(&rows[5], "tree_id"));
    let listed = world.trials.get(&of_tree).await.expect(200);
    assert_eq!(
        listed["items"].as_array().unwrap().len(),
        3,
        "history is kept: {listed:#}"
    );
    assert_eq!(listed["items"][0]["corrected_by"], right[0]["id"]);
}

#[tokio::test]
async fn trees_die_and_are_replaced() {
    let world = World::with_plants(6).await;
    let (trial, trees) = world.laid_out("Losses").await;
    let tree = text(&trees[4], "tree_id");
    let path = format!("{ROOT}/trees/{tree}/events");
    let early = json!({"kind": "died", "on": "2024-05-01", "reason": "frost"});
    assert_eq!(
        world.trials.post(&path, &early).await.pointers(422),
        ["/on"]
    );
    let bare = json!({"kind": "burnt", "on": "31.12.2025"});
    assert_eq!(
        world.trials.post(&path, &bare).await.pointers(422),
        ["/kind", "/on"]
    );
    let thinned = json!({"kind": "thinned", "on": "2026-04-20", "fruits_left_n": 60});
    world.trials.post(&path, &thinned).await.expect(201);
    let unknown = json!({"kind": "replaced", "on": "2026-02-01", "reason": "gummosis", "germplasm_id": Uuid::now_v7()});
    assert_eq!(
        world.trials.post(&path, &unknown).await.pointers(422),
        ["/germplasm_id"]
    );
    let event =
        json!({"id": Uuid::now_v7(), "kind": "replaced", "on": "2026-02-01", "reason": "gummosis"});
    let replaced = world.trials.post(&path, &event).await.expect(201);
    assert_eq!(world.trials.post(&path, &event).await.expect(201), replaced);
    let new = text(&replaced, "new_tree_id");
    let read = world
        .trials
        .get(&format!("{ROOT}/trees/{new}"))
        .await
        .expect(200);
    assert_eq!(read["replaces_id"], tree);
    assert_eq!(
        (&read["row"], &read["column"]),
        (&trees[4]["row"], &trees[4]["column"])
    );
    let old = world
        .trials
        .get(&format!("{ROOT}/trees/{tree}"))
        .await
        .expect(200);
    assert_eq!(old["status"], "replaced");
    assert_eq!(old["events"].as_array().unwrap().len(), 2);

    // The new tree takes records from its own planting on.
    let row = |day: &str| json!([{"id": Uuid::now_v7(), "tree_id": new, "trait": "brix", "value": 12, "observed_at": day}]);
    let batch = format!("{ROOT}/records:batch");
    let before = world
        .trials
        .post(&batch, &row("2025-07-01"))
        .await
        .expect(200);
    assert_eq!(
        before["rejected"][0]["errors"][0]["pointer"],
        "/observed_at"
    );
    assert_eq!(
        world
            .trials
            .post(&batch, &row("2026-07-01"))
            .await
            .expect(200)["accepted"],
        1
    );

    let photo = json!({
        "tree_id": new, "address": "s3://pictures/1.jpg", "sha256": "ab".repeat(32),
        "taken_at": "2026-07-01T10:00:00Z", "trait": "blush",
    });
    world
        .trials
        .post(&format!("{ROOT}/photos"), &photo)
        .await
        .expect(201);
    let wrong = json!({"tree_id": new, "address": "1.jpg", "sha256": "zz", "taken_at": ""});
    let mut pointers = world
        .trials
        .post(&format!("{ROOT}/photos"), &wrong)
        .await
        .pointers(422);
    pointers.sort();
    assert_eq!(pointers, ["/address", "/sha256", "/taken_at"]);
    let listed = world
        .trials
        .get(&format!("{ROOT}/photos?tree_id={new}"))
        .await
        .expect(200);
    assert_eq!(listed["items"].as_array().unwrap().len(), 1);
    let stored = world
        .trials
        .get(&format!("{ROOT}/trials/{trial}"))
        .await
        .expect(200);
    assert_eq!(stored["trees_n"], trees.len() + 1);
}

#[tokio::test]
async fn means_ranking_and_advance_list_lead_to_decisions() {
    let world = World::with_plants(10).await;
    let (trial, trees) = world.laid_out("Ranking").await;
    let path = format!("{ROOT}/trials/{trial}");
    world
        .trials
        .get(&format!("{path}/means?trait=brix"))
        .await
        .expect(409);
    assert_eq!(
        world
            .trials
            .get(&format!("{path}/means?trait=sweetness"))
            .await
            .pointers(422),
        ["/trait"]
    );
    assert_eq!(
        world
            .trials
            .get(&format!("{path}/means?trait=flesh_colour"))
            .await
            .pointers(422),
        ["/trait"]
    );
    for (code, base, step) in [
        ("brix", 11.0, 0.5),
        ("firmness_n", 60.0, -2.0),
        ("acidity_g_l", 6.0, 0.1),
    ] {
        let reply = world.take(&world.rows(&trees, code, base, step)).await;
        assert_eq!(reply["accepted"], trees.len(), "{reply:#}");
    }

    let means = world
        .trials
        .get(&format!("{path}/means?trait=brix"))
        .await
        .expect(200);
    let items = means["items"].as_array().unwrap();
    assert_eq!(items[0]["germplasm_id"], *world.entries[9], "{means:#}");
    assert_eq!(items[0]["rank"], 1);
    assert_eq!(items[0]["n"], 6);
    assert_eq!(items[0]["sites_n"], 2);
    assert!(number(&items[0], "se") > 0.0 && number(&means, "heritability") > 0.9);
    let difference = number(&items[0], "mean") - number(&items[1], "mean");
    assert!((difference - 0.5).abs() < 0.15, "{difference}");
    let over_grpc = world
        .trials
        .evaluation()
        .get_means(GetMeansRequest {
            trial_id: trial.clone(),
            r#trait: "brix".into(),
            ..GetMeansRequest::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert!(alike(&serde_json::to_value(&over_grpc).unwrap(), &means));
    let ratio = world
        .trials
        .get(&format!("{path}/means?trait=sugar_acid_ratio"))
        .await
        .expect(200);
    assert_eq!(
        ratio["trees_n"],
        trees.len(),
        "a computed trait has figures too"
    );
    let site = &world.sites[0];
    let one = world
        .trials
        .get(&format!("{path}/means?trait=brix&site_id={site}"))
        .await
        .expect(200);
    assert_eq!(one["trees_n"], trees.len() / 2);
    let values = world
        .trials
        .get(&format!("{path}/tree-values?trait=brix"))
        .await
        .expect(200);
    assert_eq!(values["items"].as_array().unwrap().len(), trees.len());

    // Firmness falls as sugar rises: the weights decide.
    let sweet = world
        .trials
        .get(&format!(
            "{path}/ranking?traits=brix,firmness_n&weights=1&weights=0"
        ))
        .await
        .expect(200);
    assert_eq!(sweet["items"][0]["germplasm_id"], *world.entries[9]);
    let firm = world
        .trials
        .get(&format!(
            "{path}/ranking?traits=brix,firmness_n&weights=0&weights=1"
        ))
        .await
        .expect(200);
    assert_eq!(firm["items"][0]["germplasm_id"], *world.entries[0]);
    assert_eq!(
        world
            .trials
            .get(&format!("{path}/ranking?traits=brix&weights=1&weights=2"))
            .await
            .pointers(422),
        ["/weights"]
    );

    let list = format!("{path}/advance-list");
    let wrong = json!({"keep_n": 0, "weights": {"brix": 1}, "thresholds": [{"trait": "brix"}]});
    assert_eq!(
        world.breeder.post(&list, &wrong).await.pointers(422),
        ["/keep_n", "/thresholds/0"]
    );
    let asked = json!({"keep_n": 3, "weights": {"brix": 1}, "thresholds": [{"trait": "firmness_n", "min": 46.0}], "seed": 5});
    let suggested = world.breeder.post(&list, &asked).await.expect(200);
    let items = suggested["items"].as_array().unwrap();
    assert_eq!(suggested["suggested_n"], 3);
    let advanced: Vec<&Value> = items
        .iter()
        .filter(|i| i["suggestion"] == "advance")
        .collect();
    let best = items
        .iter()
        .find(|i| i["germplasm_id"] == *world.entries[9])
        .unwrap();
    assert_eq!(
        best["suggestion"], "discard",
        "the sweetest is too soft: {suggested:#}"
    );
    assert!(text(best, "reason").contains("firmness_n"), "{best:#}");
    assert!(
        text(advanced[0], "reason").contains("brix"),
        "{advanced:#?}"
    );

    let decide = format!("{path}/decisions");
    let good = text(advanced[0], "germplasm_id");
    let wrong = json!({"to_stage": "own_root", "decisions": [
        {"germplasm_id": good, "decision": "advance", "reason": "sweet"},
        {"germplasm_id": world.checks[0], "decision": "advance", "reason": "check"},
        {"germplasm_id": good, "decision": "keep", "reason": ""},
        {"germplasm_id": Uuid::now_v7(), "decision": "hold", "reason": "late"},
    ]});
    let mut pointers = world.breeder.post(&decide, &wrong).await.pointers(422);
    pointers.sort();
    assert_eq!(
        pointers,
        [
            "/decisions/1/germplasm_id",
            "/decisions/2/decision",
            "/decisions/2/reason",
            "/decisions/3/germplasm_id",
            "/to_stage",
        ]
    );
    let body = json!({"id": Uuid::now_v7(), "to_stage": "budded", "on": "2026-08-01", "decisions": [
        {"germplasm_id": good, "decision": "advance", "reason": "sweet and firm"},
        {"germplasm_id": world.entries[0], "decision": "discard", "reason": "sour"},
        {"germplasm_id": world.entries[1], "decision": "hold", "reason": "young"},
    ]});
    world.trials.post(&decide, &body).await.expect(403);
    let decided = world.breeder.post(&decide, &body).await.expect(201);
    assert_eq!(decided["advanced_n"], 1);
    assert_eq!(
        world.breeder.post(&decide, &body).await.expect(201),
        decided,
        "a repeat is harmless"
    );
    let again = json!({"to_stage": "budded", "decisions": [{"germplasm_id": good, "decision": "discard", "reason": "no"}]});
    assert_eq!(
        world.breeder.post(&decide, &again).await.pointers(422),
        ["/decisions/0/germplasm_id"]
    );
    let listed = world
        .breeder
        .get(&format!("{decide}?decision=advance"))
        .await
        .expect(200);
    assert_eq!(listed["items"][0]["reason"], "sweet and firm");

    // Announced once, with what the pipeline needs.
    let transport = world
        .system
        .peers_of(ServiceName::Release)
        .reach(ServiceName::Evaluation, None)
        .await
        .unwrap();
    let mut feed = EvaluationClient::new(transport);
    let mut told: Vec<Value> = Vec::new();
    for _ in 0..100 {
        let request = ReadFeedRequest {
            limit: 100,
            ..ReadFeedRequest::default()
        };
        let page = feed.read_feed(request).await.unwrap().into_inner();
        told = page
            .events
            .iter()
            .filter(|event| event.topic == "trees.advanced")
            .map(|event| serde_json::from_str(&event.payload).unwrap())
            .collect();
        if !told.is_empty() {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    assert_eq!(told.len(), 1);
    assert_eq!(told[0]["germplasm_id"], good);
    assert_eq!(
        (&told[0]["from_stage"], &told[0]["to_stage"]),
        (&json!("own_root"), &json!("budded"))
    );
    world.trials.get(&format!("{ROOT}/feed")).await.expect(403);

    let summaries = world
        .trials
        .evaluation()
        .list_stage_summaries(ListStageSummariesRequest { season: 2025 })
        .await
        .unwrap()
        .into_inner();
    let summary = &summaries.items[0];
    assert_eq!(
        (
            summary.entries_n,
            summary.kept_n,
            summary.discarded_n,
            summary.held_n
        ),
        (10, 1, 1, 1)
    );
    assert_eq!(summary.trees_looked_at_n, 60);
    assert_eq!(summary.records_n, 180);
}

pub async fn finished(client: &Client, id: &str) -> Value {
    for _ in 0..600 {
        let analysis = client
            .get(&format!("{ROOT}/analyses/{id}"))
            .await
            .expect(200);
        if analysis["status"] == "done" || analysis["status"] == "failed" {
            return analysis;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    panic!("analysis {id} never finished");
}

#[tokio::test]
async fn analyses_run_in_the_background_and_say_what_stands_in_their_way() {
    let world = World::with_plants(10).await;
    let (trial, trees) = world.laid_out("Models").await;
    world.take(&world.rows(&trees, "brix", 11.0, 0.5)).await;
    let path = format!("{ROOT}/trials/{trial}/analyses");

    let wrong = json!({"trait": "sweetness", "fixed": ["plot"], "random": ["entry:row", "brix"], "residual": "odd"});
    let mut pointers = world.trials.post(&path, &wrong).await.pointers(422);
    pointers.sort();
    assert_eq!(pointers, ["/fixed/0", "/random/1", "/residual", "/trait"]);
    let none = json!({"trait": "brix", "fixed": ["site"]});
    assert_eq!(
        world.trials.post(&path, &none).await.pointers(422),
        ["/random"]
    );

    let model = json!({"trait": "brix", "fixed": ["site", "block"], "random": ["entry"]});
    let queued = world
        .trials
        .post(
            &path,
            &json!({"trait": "brix", "fixed": ["site"], "random": ["entry", "block"]}),
        )
        .await;
    let queued = queued.expect(202);
    let done = finished(&world.trials, &text(&queued, "id")).await;
    assert_eq!(done["status"], "done", "{done:#}");
    assert_eq!(done["converged"], true);
    let names: Vec<String> = done["components"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| text(c, "name"))
        .collect();
    assert_eq!(names, ["entry", "block", "residual"]);
    assert!(number(&done, "heritability") > 0.9 && number(&done, "log_likelihood").is_finite());
    let best = done["random"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["term"] == "entry")
        .unwrap();
    assert_eq!(best["level"], *world.entries[9]);
    assert_eq!(best["label"], "Selection 09");
    assert_eq!(text(&done, "data_sha256").len(), 64);
    let again = world
        .trials
        .post(
            &path,
            &json!({"trait": "brix", "fixed": ["site"], "random": ["entry", "block"]}),
        )
        .await;
    let again = finished(&world.trials, &text(&again.expect(202), "id")).await;
    for same in [
        "components",
        "fixed",
        "random",
        "log_likelihood",
        "data_sha256",
    ] {
        assert_eq!(
            done[same], again[same],
            "the same model on the same data gives the same bits"
        );
    }
    let over_grpc = world
        .trials
        .evaluation()
        .get_analysis(GetAnalysisRequest {
            analysis_id: text(&done, "id"),
        })
        .await
        .unwrap()
        .into_inner();
    assert!(alike(&serde_json::to_value(&over_grpc).unwrap(), &done));

    // Blocks lie within sites: the terms are confounded, and named.
    let confounded = finished(
        &world.trials,
        &text(&world.trials.post(&path, &model).await.expect(202), "id"),
    )
    .await;
    if confounded["status"] == "failed" {
        assert!(
            text(&confounded, "problem").contains("site")
                || text(&confounded, "problem").contains("block")
        );
        assert_eq!(confounded["random"], json!([]));
    }
    let missing = json!({"trait": "firmness_n", "fixed": [], "random": ["entry"]});
    let missing = finished(
        &world.trials,
        &text(&world.trials.post(&path, &missing).await.expect(202), "id"),
    )
    .await;
    assert_eq!(missing["status"], "failed");
    assert!(
        text(&missing, "problem").contains("all are missing"),
        "{missing:#}"
    );
    let one_level = json!({"trait": "brix", "fixed": ["year"], "random": ["entry"]});
    let one_level = finished(
        &world.trials,
        &text(
            &world.trials.post(&path, &one_level).await.expect(202),
            "id",
        ),
    )
    .await;
    assert_eq!(one_level["status"], "failed");
    assert!(
        text(&one_level, "problem").contains("year"),
        "{one_level:#}"
    );

    // Crop load as a covariate, assessors as a random term, and residuals of other kinds.
    let loads = world.rows(&trees, "crop_load", 6.0, 0.0);
    assert_eq!(world.take(&loads).await["accepted"], trees.len());
    for (model, expected) in [
        (
            json!({"trait": "brix", "fixed": ["site", "crop_load"], "random": ["entry"]}),
            "crop_load",
        ),
        (
            json!({"trait": "brix", "fixed": ["site", "assessor"], "random": ["entry"], "residual": "by_site"}),
            "assessor",
        ),
        (
            json!({"trait": "brix", "fixed": ["site"], "random": ["entry"], "residual": "row_column"}),
            "site",
        ),
    ] {
        let id = text(&world.trials.post(&path, &model).await.expect(202), "id");
        let told = finished(&world.trials, &id).await;
        assert_eq!(told["status"], "done", "{told:#}");
        let fixed = told["fixed"].as_array().unwrap();
        if told["converged"] == true {
            let has = fixed.iter().any(|f| text(f, "name").starts_with(expected));
            assert!(has, "{expected} is missing in {fixed:#?}");
        } else {
            assert!(
                fixed.is_empty() && told["random"] == json!([]),
                "no ranking: {told:#}"
            );
            assert!(text(&told, "problem").contains("converge"), "{told:#}");
        }
    }
    let listed = world.trials.get(&path).await.expect(200);
    assert_eq!(
        listed["items"][0]["random"],
        json!([]),
        "lists leave the effects out"
    );

    // Breeding values, for parents that were never measured too.
    let related =
        json!({"trait": "brix", "fixed": ["site"], "random": ["entry"], "relationship": true});
    let related = finished(
        &world.trials,
        &text(&world.trials.post(&path, &related).await.expect(202), "id"),
    )
    .await;
    assert_eq!(related["status"], "done", "{related:#}");
    let labels: Vec<String> = related["random"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| text(r, "label"))
        .collect();
    assert!(
        labels.contains(&"Mother".to_owned()) && labels.contains(&"Father".to_owned()),
        "{labels:?}"
    );

    let plan = json!({
        "candidates_n": 200, "analysis_id": done["id"], "released_n": 2, "seed": 1, "draws_n": 50, "budget": 4000.0,
        "stages": [
            {"name": "own_root", "error_sd": 2.0, "cost_per_candidate": 5.0},
            {"name": "budded", "error_sd": 1.0, "cost_per_candidate": 40.0, "places": 60},
        ],
    });
    let plan = world
        .breeder
        .post(&format!("{ROOT}/selection-plans"), &plan)
        .await
        .expect(200);
    let best = &plan["outcomes"][0];
    assert!(
        number(best, "gain") > 0.0 && number(best, "cost") <= 4000.0,
        "{plan:#}"
    );
    let wrong = json!({"candidates_n": 1, "released_n": 5, "stages": []});
    let mut pointers = world
        .breeder
        .post(&format!("{ROOT}/selection-plans"), &wrong)
        .await
        .pointers(422);
    pointers.sort();
    assert_eq!(
        pointers,
        ["/candidates_n", "/genetic_sd", "/released_n", "/stages"]
    );
}

#[tokio::test]
async fn an_analysis_whose_worker_is_gone_is_taken_up_again() {
    let world = World::with_plants(6).await;
    let (trial, trees) = world.laid_out("Restart").await;
    world.take(&world.rows(&trees, "brix", 11.0, 0.5)).await;
    let path = format!("{ROOT}/trials/{trial}/analyses");
    let model = json!({"trait": "brix", "fixed": ["site"], "random": ["entry"]});
    let id = text(&world.trials.post(&path, &model).await.expect(202), "id");
    finished(&world.trials, &id).await;
    // As a process leaves it that was killed while it computed.
    let pool = world.system.pool(ServiceName::Evaluation).await;
    let mut transaction = pool.begin().await.unwrap();
    Scope {
        across_programmes: true,
        ..Scope::default()
    }
    .apply(&mut transaction)
    .await
    .unwrap();
    let left = sqlx::query(
        "update analysis set status = 'running', result = null, finished_at = null where id = $1",
    )
    .bind(id.parse::<Uuid>().unwrap())
    .execute(&mut *transaction)
    .await
    .unwrap();
    assert_eq!(left.rows_affected(), 1);
    transaction.commit().await.unwrap();
    let done = finished(&world.trials, &id).await;
    assert_eq!(done["status"], "done", "{done:#}");
    assert_eq!(done["converged"], true);
}

#[tokio::test]
async fn a_selection_index_ranks_candidates_and_foretells_the_response() {
    let world = World::with_plants(12).await;
    let path = format!("{ROOT}/selection-index");
    // One trait: b = G/P, response = i h2 sigma_P, where the better of two is 1/sqrt(pi) above their
    // mean.
    let simple = json!({
        "traits": ["brix"], "weights": [1.0], "phenotypic": [[4.0]], "genetic": [[1.0]], "selected_share": 0.1,
        "candidates": [{"id": "a", "values": [12.0]}, {"id": "b", "values": [16.0]}],
    });
    let reply = world.breeder.post(&path, &simple).await.expect(200);
    assert_eq!(reply["coefficients"][0], 0.25);
    assert_eq!(reply["ranked"][0]["id"], "b");
    let response = reply["expected_response"][0].as_f64().unwrap();
    let of_two = 1.0 / std::f64::consts::PI.sqrt();
    assert!((response - of_two * 0.5).abs() < 1e-6, "{response}");

    let wrong = json!({"traits": ["brix", "brix"], "weights": [1.0], "desired_gains": [1.0, 2.0], "held": ["size"]});
    let mut pointers = world.breeder.post(&path, &wrong).await.pointers(422);
    pointers.sort();
    assert_eq!(
        pointers,
        [
            "/desired_gains",
            "/held/0",
            "/phenotypic",
            "/traits/1",
            "/weights"
        ]
    );
    let singular = json!({"traits": ["a", "b"], "weights": [1, 1], "phenotypic": [[1, 2], [2, 1]], "genetic": [[1, 0], [0, 1]]});
    assert_eq!(
        world.breeder.post(&path, &singular).await.pointers(422),
        ["/phenotypic"]
    );

    let (trial, trees) = world.laid_out("Index").await;
    world.take(&world.rows(&trees, "brix", 11.0, 0.5)).await;
    world
        .take(&world.rows(&trees, "firmness_n", 60.0, -2.0))
        .await;
    let of_trial = json!({"traits": ["brix", "firmness_n"], "weights": [1.0, 0.0], "trial_id": trial, "keep_n": 2});
    let reply = world.breeder.post(&path, &of_trial).await.expect(200);
    assert_eq!(reply["ranked"].as_array().unwrap().len(), 12);
    assert_eq!(reply["ranked"][0]["id"], *world.entries[11], "{reply:#}");
    assert!(
        reply["expected_response"][0].as_f64().unwrap() > 0.0,
        "{reply:#}"
    );
    assert!(
        reply["expected_response"][1].as_f64().unwrap() < 0.0,
        "sugar costs firmness: {reply:#}"
    );
}

#[tokio::test]
async fn stability_and_assessors_are_told() {
    let world = World::with_plants(5).await;
    let (trial, trees) = world.laid_out("Stability").await;
    let path = format!("{ROOT}/trials/{trial}");
    let mut rows = world.rows(&trees, "brix", 11.0, 0.5);
    world.take(&rows).await;
    // Two sites in one year are too few environments.
    world
        .trials
        .get(&format!("{path}/stability?trait=brix"))
        .await
        .expect(409);
    for row in &mut rows {
        row["id"] = json!(Uuid::now_v7());
        row["observed_at"] = json!("2025-07-01T10:00:00Z");
        row["value"] = json!(row["value"].as_f64().unwrap() - 1.0);
    }
    world.take(&rows).await;
    let told = world
        .trials
        .get(&format!("{path}/stability?trait=brix"))
        .await
        .expect(200);
    assert_eq!(told["environments"].as_array().unwrap().len(), 4);
    let slopes: f64 = told["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|i| number(i, "slope"))
        .sum();
    assert!(
        (slopes / 7.0 - 1.0).abs() < 1e-9,
        "slopes average 1: {told:#}"
    );
    assert!(
        !told["ammi"].as_array().unwrap().is_empty() && !told["gge"].as_array().unwrap().is_empty()
    );

    // Finch notes half a note more than Wren on the same trees.
    let mut notes = Vec::new();
    for (i, tree) in trees.iter().enumerate().take(20) {
        for (by, more) in [("Wren", 0), ("Finch", 1)] {
            notes.push(json!({
                "id": Uuid::now_v7(), "tree_id": tree["tree_id"], "trait": "flavour",
                "value": 4 + i % 3 + more + usize::from(i % 5 == 0 && more == 0), "observed_at": "2026-07-01", "by": by,
            }));
        }
    }
    assert_eq!(world.take(&notes).await["accepted"], 40);
    let told = world
        .trials
        .get(&format!("{path}/assessors?trait=flavour"))
        .await
        .expect(200);
    let finch = told["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|a| a["by"] == "Finch")
        .unwrap();
    assert_eq!(finch["shared_n"], 20);
    assert!((number(finch, "bias") - 0.4).abs() < 1e-9, "{told:#}");
    assert!(number(finch, "p") < 0.001, "{told:#}");
}

#[tokio::test]
async fn another_programme_sees_nothing_even_in_plain_sql() {
    let world = World::with_plants(5).await;
    let (trial, trees) = world.laid_out("Own").await;
    let mut rows = world.rows(&trees, "brix", 11.0, 0.5);
    let correction = json!({
        "id": Uuid::now_v7(), "tree_id": rows[0]["tree_id"], "trait": "brix", "value": 12,
        "observed_at": "2026-07-02", "corrects": rows[0]["id"],
    });
    rows.push(correction);
    world.take(&rows).await;
    let judged = json!({"judgement": "kept", "reason": "tasted again"});
    world
        .trials
        .post(
            &format!("{ROOT}/records/{}/judgement", text(&rows[1], "id")),
            &judged,
        )
        .await
        .expect(200);
    let died = json!({"kind": "died", "on": "2026-08-01", "reason": "canker"});
    world
        .trials
        .post(
            &format!("{ROOT}/trees/{}/events", text(&trees[3], "tree_id")),
            &died,
        )
        .await
        .expect(201);
    let photo = json!({"tree_id": trees[0]["tree_id"], "address": "s3://p/1.jpg", "sha256": "ab".repeat(32), "taken_at": "2026-07-01T10:00:00Z"});
    world
        .trials
        .post(&format!("{ROOT}/photos"), &photo)
        .await
        .expect(201);
    let decision = json!({"decisions": [{"germplasm_id": world.entries[0], "decision": "hold", "reason": "young"}]});
    world
        .breeder
        .post(&format!("{ROOT}/trials/{trial}/decisions"), &decision)
        .await
        .expect(201);
    let model = json!({"trait": "brix", "fixed": ["site"], "random": ["entry"]});
    let analysis = text(
        &world
            .trials
            .post(&format!("{ROOT}/trials/{trial}/analyses"), &model)
            .await
            .expect(202),
        "id",
    );

    // A person goes back to the model that figures usually follow, which is a choice as well.
    world
        .trials
        .post(
            &format!("{ROOT}/trials/{trial}/figures:choose"),
            &json!({"trait": "brix"}),
        )
        .await
        .expect(200);

    // Through the API, what is another's is not there.
    let other = world.system.other_programme().await.sign_in("trials").await;
    for path in [
        format!("{ROOT}/trials/{trial}"),
        format!("{ROOT}/trials/{trial}/layout"),
        format!("{ROOT}/trials/{trial}/means?trait=brix"),
        format!("{ROOT}/trials/{trial}/figures?trait=brix"),
        format!("{ROOT}/sites/{}", world.sites[0]),
        format!("{ROOT}/trees/{}", text(&trees[0], "tree_id")),
        format!("{ROOT}/analyses/{analysis}"),
    ] {
        other.get(&path).await.expect(404);
    }
    let foreign = json!([{"id": Uuid::now_v7(), "tree_id": trees[0]["tree_id"], "trait": "brix", "value": 12, "observed_at": "2026-07-01"}]);
    let reply = other
        .post(&format!("{ROOT}/records:batch"), &foreign)
        .await
        .expect(200);
    assert_eq!(reply["rejected"][0]["errors"][0]["pointer"], "/tree_id");

    // In plain SQL as the service's own role: every table holds rows for its owner and none for
    // the other, partitions read by their own names too.
    let programme = |client: &Client| {
        let client = client.clone();
        async move {
            let me = client.get("/api/identity/v1/me").await.expect(200);
            text(&me, "programme_id").parse().expect("a programme's id")
        }
    };
    let (own, foreign) = (programme(&world.trials).await, programme(&other).await);
    let pool = world.system.pool(ServiceName::Evaluation).await;
    let tables: Vec<String> = sqlx::query_scalar(
        "select c.relname::text from pg_class c join pg_namespace n on n.oid = c.relnamespace \
         where n.nspname = 'evaluation' and c.relkind in ('r', 'p') and exists (select from pg_attribute a \
         where a.attrelid = c.oid and a.attname = 'programme_id') \
         and coalesce(obj_description(c.oid, 'pg_class'), '') not like 'bookkeeping:%' order by 1",
    )
    .fetch_all(&pool)
    .await
    .unwrap();
    assert!(tables.len() > 30, "{tables:?}");
    for table in tables {
        let count = async |scope: Scope| -> i64 {
            let mut transaction = pool.begin().await.unwrap();
            scope.apply(&mut transaction).await.unwrap();
            sqlx::query_scalar(sqlx::AssertSqlSafe(format!("select count(*) from {table}")))
                .fetch_one(&mut *transaction)
                .await
                .unwrap()
        };
        let mine = count(Scope {
            programme: Some(own),
            ..Scope::default()
        })
        .await;
        let is_empty_year = table.starts_with("record_") && table != "record_2026";
        assert!(mine > 0 || is_empty_year, "{table} should hold something");
        if table != "trait" {
            assert_eq!(
                count(Scope {
                    programme: Some(foreign),
                    ..Scope::default()
                })
                .await,
                0,
                "{table}"
            );
        }
        assert_eq!(
            count(Scope::default()).await,
            0,
            "{table} without a programme"
        );
        let partner = Some(platform::OrganisationId::new());
        let as_partner = Scope {
            programme: Some(own),
            partner,
            ..Scope::default()
        };
        assert_eq!(count(as_partner).await, 0, "{table} as a partner");
    }
}

#[tokio::test]
async fn sites_and_traits_are_kept_with_their_faults_told() {
    let system = System::start().await;
    let trials = system.sign_in("trials").await;
    let wrong = json!({"name": "", "country": "usa", "time_zone": "Mars/Olympus", "latitude_deg": 99.0, "elevation_m": 9000.0});
    let mut pointers = trials
        .post(&format!("{ROOT}/sites"), &wrong)
        .await
        .pointers(422);
    pointers.sort();
    assert_eq!(
        pointers,
        [
            "/country",
            "/elevation_m",
            "/latitude_deg",
            "/name",
            "/time_zone"
        ]
    );
    let site = RegisterSiteRequest {
        name: "Hill".into(),
        country: "ES".into(),
        time_zone: "Europe/Madrid".into(),
        ..RegisterSiteRequest::default()
    };
    let made = trials
        .evaluation()
        .register_site(site.clone())
        .await
        .unwrap()
        .into_inner();
    let twice = trials.evaluation().register_site(site).await.unwrap_err();
    assert_eq!(twice.code(), tonic::Code::AlreadyExists);
    assert_eq!(
        trials
            .get(&format!("{ROOT}/sites/{}", made.id))
            .await
            .expect(200)["name"],
        "Hill"
    );

    // The standard set is there before anybody asks for it.
    let listed = trials.get(&format!("{ROOT}/traits")).await.expect(200);
    let standard = listed["items"].as_array().unwrap().len();
    assert!(standard > 25);
    trials
        .post(&format!("{ROOT}/traits:standard"), &json!({}))
        .await
        .expect(200);
    let own = json!({"code": "stone_mass_g", "name": "Stone mass", "scale": "measured", "unit": "g", "min": 0.1, "max": 30, "better": "lower"});
    trials
        .post(&format!("{ROOT}/traits"), &own)
        .await
        .expect(201);
    trials
        .post(&format!("{ROOT}/traits"), &own)
        .await
        .expect(409);
    let computed = json!({"code": "flesh_share", "name": "Stone to fruit", "scale": "measured", "unit": "1", "computed": "ratio", "of": ["stone_mass_g", "fruit_mass_g"]});
    trials
        .post(&format!("{ROOT}/traits"), &computed)
        .await
        .expect(201);
    let listed = trials.get(&format!("{ROOT}/traits")).await.expect(200);
    assert_eq!(listed["items"].as_array().unwrap().len(), standard + 2);
    let wrong = json!({"code": "Blush!", "name": "x", "scale": "ordinal", "unit": "mm", "states": [{"note": 1, "name": "no"}], "of": ["brix"]});
    let mut pointers = trials
        .post(&format!("{ROOT}/traits"), &wrong)
        .await
        .pointers(422);
    pointers.sort();
    assert_eq!(pointers, ["/code", "/computed", "/states", "/unit"]);
    trials
        .get(&format!("{ROOT}/traits/nonsense"))
        .await
        .expect(404);
    let field = system.sign_in("field").await;
    field
        .post(&format!("{ROOT}/traits"), &own)
        .await
        .expect(403);
}
