//! Two processes of every service on one database, and receivers that do not answer.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::Uri;
use end_to_end::{Client, System};
use faults::ledger::{Ledger, Writer};
use faults::{scaled, tell};
use platform::ProgrammeId;
use platform::database::{self, Begin, Scope};
use platform::peers::ServiceName;
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::announcers::{announce, programme};

const TOPIC: &str = "stage.moved";

/// What came in, by path.
#[derive(Clone, Default)]
struct Inbox(Arc<Mutex<BTreeMap<String, Vec<Value>>>>);

impl Inbox {
    fn keep(&self, path: &str, event: Value) {
        let mut all = self.0.lock().unwrap();
        all.entry(path.to_owned()).or_default().push(event);
    }

    fn at(&self, path: &str) -> Vec<Value> {
        self.0
            .lock()
            .unwrap()
            .get(path)
            .cloned()
            .unwrap_or_default()
    }

    async fn wait(&self, path: &str, n: usize) -> Vec<Value> {
        for _ in 0..1_800 {
            let came = self.at(path);
            if came.len() >= n {
                return came;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        panic!(
            "{n} deliveries to {path}; there came {}",
            self.at(path).len()
        );
    }
}

/// Takes deliveries; at `/silent` it says nothing, ever.
async fn take(State(inbox): State<Inbox>, uri: Uri, body: Bytes) {
    let event = serde_json::from_slice(&body).expect("JSON");
    inbox.keep(uri.path(), event);
    if uri.path() == "/silent" {
        std::future::pending::<()>().await;
    }
}

async fn receiver() -> (Inbox, String) {
    let inbox = Inbox::default();
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = format!("http://{}", listener.local_addr().unwrap());
    let router = Router::new().fallback(take).with_state(inbox.clone());
    tokio::spawn(async move { axum::serve(listener, router).await });
    (inbox, address)
}

async fn webhook(client: &Client, url: &str) -> String {
    let body = json!({ "name": "tests", "url": url, "topics": [TOPIC] });
    let made = client.post("/api/release/v1/webhooks", &body).await;
    made.expect(200)["id"].as_str().unwrap().to_owned()
}

/// An announcement of this service about a candidate that nobody knows, for staff.
fn told(n: usize) -> Value {
    let candidate = Uuid::now_v7();
    json!({ "subject": "candidate", "id": candidate, "candidate_id": candidate, "open": { "n": n } })
}

#[tokio::test(flavor = "multi_thread")]
async fn the_same_request_at_two_processes_is_done_once() {
    let one = System::start().await;
    let other = one.beside().await;
    let admin = one.sign_in("admin").await;
    let token = admin.token().expect("a token");
    let writers = [&one, &other].map(|system| Writer::new(&system.url(), token));
    let ledgers = [Ledger::default(), Ledger::default()];
    for _ in 0..scaled(60, 3_000) {
        let id = Uuid::now_v7().to_string();
        tokio::join!(
            ledgers[0].write_as(&writers[0], &id),
            ledgers[1].write_as(&writers[1], &id),
        );
    }
    for (ledger, writer) in ledgers.iter().zip(&writers) {
        ledger.holds(writer).await;
    }
    tell(
        "the same request at two processes",
        &[
            ("requests", ledgers[0].acknowledged_n()),
            ("acknowledged by each", ledgers[1].acknowledged_n()),
            (
                "told to repeat",
                ledgers[0].repeated_n() + ledgers[1].repeated_n(),
            ),
        ],
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn two_processes_deliver_every_event_once() {
    let one = System::start().await;
    let other = one.beside().await;
    let third = one.beside().await;
    let (inbox, address) = receiver().await;
    let rights = one.sign_in("rights").await;
    let hook = webhook(&rights, &format!("{address}/kept")).await;
    let programme = programme(&one).await;
    let pool = one.pool_of(ServiceName::Release, 12).await;
    let events_n = scaled(240, 10_000);
    let announcing: Vec<_> = (0..12)
        .map(|who| {
            let pool = pool.clone();
            tokio::spawn(async move {
                for n in 0..events_n / 12 {
                    announce(&pool, programme, TOPIC, &[told(who * 1_000_000 + n)], true).await;
                }
            })
        })
        .collect();
    for announcing in announcing {
        announcing.await.unwrap();
    }
    inbox.wait("/kept", events_n).await;
    // Time enough for one that comes twice.
    tokio::time::sleep(Duration::from_secs(2)).await;
    let came = inbox.at("/kept");
    let sequences: Vec<i64> = came
        .iter()
        .map(|e| e["sequence"].as_i64().unwrap())
        .collect();
    let mut once = sequences.clone();
    once.sort_unstable();
    once.dedup();
    tell(
        "two and more processes",
        &[("events", events_n), ("deliveries", came.len())],
    );
    assert_eq!(came.len(), events_n, "delivered");
    assert_eq!(once.len(), events_n, "different events");
    let list = rights
        .get(&format!("/api/release/v1/webhooks/{hook}"))
        .await
        .expect(200);
    assert_eq!(
        (&list["waiting_n"], &list["missed_n"]),
        (&json!(0), &json!(0))
    );
    drop((other, third));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_silent_receiver_keeps_nobody_else_waiting() {
    let system = System::start().await;
    let others = system.other_programme().await;
    let (inbox, address) = receiver().await;
    let rights = system.sign_in("rights").await;
    let mut silent = Vec::new();
    for _ in 0..5 {
        silent.push(webhook(&rights, &format!("{address}/silent")).await);
    }
    webhook(&rights, &format!("{address}/same-programme")).await;
    let other = others.sign_in("rights").await;
    webhook(&other, &format!("{address}/other-programme")).await;
    let pool = system.pool_of(ServiceName::Release, 4).await;
    let (own, theirs) = (programme(&system).await, programme(&others).await);
    for n in 0..30 {
        announce(&pool, own, TOPIC, &[told(n)], true).await;
    }
    // All that may be on its way to the silent ones is.
    inbox.wait("/silent", 40).await;
    for n in 0..10 {
        announce(&pool, theirs, TOPIC, &[told(n)], true).await;
    }
    inbox.wait("/other-programme", 10).await;
    inbox.wait("/same-programme", 30).await;
    // That was while the silent ones were still being waited for.
    for hook in &silent {
        let list = rights
            .get(&format!("/api/release/v1/webhooks/{hook}/deliveries"))
            .await
            .expect(200);
        for delivery in list["items"].as_array().unwrap() {
            assert_eq!(delivery["attempts"], json!([]), "{delivery:#}");
        }
    }
    tell(
        "silent receivers",
        &[
            ("deliveries that nobody answered", inbox.at("/silent").len()),
            ("taken meanwhile", 40),
        ],
    );
}

/// Fills a webhook's queue with deliveries that are not due.
async fn fill(pool: &PgPool, programme: ProgrammeId, hook: &str, n: i64) {
    let mut transaction = database::begin(pool, Begin::Writing, Scope::BOOKKEEPING)
        .await
        .unwrap();
    sqlx::query(
        "insert into webhook_delivery (programme_id, id, webhook_id, topic, sequence, lane, body, \
         state, next_at, created_at) \
         select $1, gen_random_uuid(), $2::uuid, 'stage.moved', 0, gen_random_uuid(), '{}', \
           'waiting', now() + interval '1 day', now() from generate_series(1, $3)",
    )
    .bind(programme)
    .bind(hook)
    .bind(n)
    .execute(&mut *transaction)
    .await
    .unwrap();
    transaction.commit().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn webhooks_and_what_waits_for_them_are_bounded_and_said_to_be() {
    let system = System::start().await;
    let (inbox, address) = receiver().await;
    let rights = system.sign_in("rights").await;
    let programme = programme(&system).await;
    let pool = system.pool_of(ServiceName::Release, 2).await;
    let full = webhook(&rights, &format!("{address}/full")).await;
    let free = webhook(&rights, &format!("{address}/free")).await;
    fill(
        &pool,
        programme,
        &full,
        release::domain::webhook::WAITING_MAX,
    )
    .await;
    for n in 0..3 {
        announce(&pool, programme, TOPIC, &[told(n)], true).await;
    }
    inbox.wait("/free", 3).await;
    let at = |hook: &str| format!("/api/release/v1/webhooks/{hook}");
    let shown = rights.get(&at(&full)).await.expect(200);
    assert_eq!(
        (&shown["missed_n"], &shown["waiting_n"]),
        (&json!(3), &json!(5_000))
    );
    assert_eq!(rights.get(&at(&free)).await.expect(200)["missed_n"], 0);
    let refused = rights
        .post(&format!("{}/tests", at(&full)), &json!({}))
        .await;
    let problem = refused.expect(409);
    assert!(
        problem["detail"].as_str().unwrap().contains("5000"),
        "{problem}"
    );
    for _ in 2..release::domain::webhook::WEBHOOKS_MAX {
        webhook(&rights, &format!("{address}/more")).await;
    }
    let body = json!({ "name": "one more", "url": address, "topics": [TOPIC] });
    let refused = rights
        .post("/api/release/v1/webhooks", &body)
        .await
        .expect(409);
    assert!(
        refused["detail"].as_str().unwrap().contains("end one"),
        "{refused}"
    );
    rights.delete(&at(&free)).await.expect(204);
    rights
        .post("/api/release/v1/webhooks", &body)
        .await
        .expect(200);
}
