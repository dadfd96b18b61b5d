//! Histories of repeated requests while connections to the database are cut: every key has one effect
//! and one reply, and ground that is licensed exclusively is licensed once.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use end_to_end::crossing::{ROOT, cherry, id, open_season};
use end_to_end::{Client, System};
use faults::{below, scaled, tell};
use platform::peers::ServiceName;
use serde_json::{Value, json};
use sqlx::PgPool;
use tokio::task::{JoinHandle, JoinSet};

/// Requests that are on their way at once.
const AT_ONCE: usize = 24;

/// Cuts connections of a service that are at work, one at a time, until told to stop; gives how many.
fn cut_connections(pool: PgPool, stop: Arc<AtomicBool>) -> JoinHandle<usize> {
    tokio::spawn(async move {
        let mut cut_n = 0;
        while !stop.load(Ordering::Relaxed) {
            let cut: Vec<bool> = sqlx::query_scalar(
                "select pg_terminate_backend(pid) from pg_stat_activity \
                 where usename = current_user and datname = current_database() \
                     and pid <> pg_backend_pid() and state in ('active', 'idle in transaction') \
                 order by random() limit 1",
            )
            .fetch_all(&pool)
            .await
            .unwrap();
            cut_n += cut.len();
            // Time enough for some to get through.
            tokio::time::sleep(Duration::from_millis(30 + below(90))).await;
        }
        cut_n
    })
}

/// Sends a request as a device does: again and again until it is answered for good. Gives the status
/// and the bytes of that answer.
async fn until_answered(
    client: &Client,
    path: &str,
    body: &Value,
    key: &str,
    unsettled_n: &AtomicUsize,
) -> (u16, Vec<u8>) {
    loop {
        let reply = client
            .post_with(path, body, &[("idempotency-key", key)])
            .await;
        if reply.status < 500 {
            return (reply.status, reply.bytes);
        }
        unsettled_n.fetch_add(1, Ordering::Relaxed);
        let detail = reply.body["detail"].as_str().unwrap_or_default();
        assert_eq!(reply.status, 503, "{:#}", reply.body);
        assert!(
            detail.contains("nothing was written") || detail.contains("may have been written"),
            "{detail}"
        );
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// Each key several times, in an order in which equal ones meet.
fn shuffled(keys_n: usize, repeats_n: usize) -> Vec<usize> {
    let mut sends: Vec<usize> = (0..keys_n * repeats_n).map(|n| n % keys_n).collect();
    for last in (1..sends.len()).rev() {
        sends.swap(last, below(last as u64 + 1) as usize);
    }
    sends
}

/// Sends every body under its key from two programs, several times each at once, while connections
/// are cut; gives the one answer of each key.
async fn history(
    what: &str,
    systems: &[System],
    account: &str,
    service: ServiceName,
    path: &str,
    bodies: &[Value],
    repeats_n: usize,
) -> BTreeMap<usize, (u16, Value)> {
    let mut clients = Vec::new();
    for system in systems {
        clients.push(system.sign_in(account).await);
    }
    let stop = Arc::new(AtomicBool::new(false));
    let cutting = cut_connections(systems[0].pool_of(service, 1).await, stop.clone());
    let unsettled_n = Arc::new(AtomicUsize::new(0));
    let mut answers: BTreeMap<usize, BTreeSet<(u16, Vec<u8>)>> = BTreeMap::new();
    let sends = shuffled(bodies.len(), repeats_n);
    for wave in sends.chunks(AT_ONCE) {
        let mut sending = JoinSet::new();
        for (place, &key) in wave.iter().enumerate() {
            let client = clients[place % clients.len()].clone();
            let (path, body) = (path.to_owned(), bodies[key].clone());
            let unsettled_n = unsettled_n.clone();
            sending.spawn(async move {
                let name = format!("history-{key}");
                let answer = until_answered(&client, &path, &body, &name, &unsettled_n).await;
                (key, answer)
            });
        }
        for (key, answer) in sending.join_all().await {
            answers.entry(key).or_default().insert(answer);
        }
    }
    stop.store(true, Ordering::Relaxed);
    let cut_n = cutting.await.unwrap();
    assert!(cut_n > 0, "nothing was cut, so nothing was tried");
    tell(
        what,
        &[
            ("keys", bodies.len()),
            ("requests", sends.len()),
            ("connections cut", cut_n),
            (
                "answers that settled nothing",
                unsettled_n.load(Ordering::Relaxed),
            ),
        ],
    );
    answers
        .into_iter()
        .map(|(key, answers)| (key, only(key, answers)))
        .collect()
}

/// The one answer under a key; a refusal is not kept, and may be worded by what it met.
fn only(key: usize, answers: BTreeSet<(u16, Vec<u8>)>) -> (u16, Value) {
    assert!(
        answers.len() == 1 || answers.iter().all(|(status, _)| *status >= 400),
        "key {key} got several answers: {:?}",
        answers
            .iter()
            .map(|(status, bytes)| (status, String::from_utf8_lossy(bytes)))
            .collect::<Vec<_>>()
    );
    let (status, bytes) = answers.into_iter().next().expect("it was answered");
    (status, serde_json::from_slice(&bytes).expect("JSON"))
}

/// Plain SQL sees rows only in the scope of their programme.
async fn rows(pool: &PgPool, programme: &str, query: &'static str) -> Vec<(String, String)> {
    let mut transaction = pool.begin().await.unwrap();
    sqlx::query("select set_config('drupeline.programme', $1, true)")
        .bind(programme)
        .execute(&mut *transaction)
        .await
        .unwrap();
    sqlx::query_as(query)
        .fetch_all(&mut *transaction)
        .await
        .unwrap()
}

async fn programme(client: &Client) -> String {
    let me = client.get("/api/identity/v1/me").await.expect(200);
    me["programme_id"].as_str().unwrap().to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_key_has_one_effect_and_one_reply() {
    let keys_n = scaled(30, 1000);
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    open_season(&breeder).await;
    let hilda = cherry(&breeder, "Hilda", ["S1", "S3"]).await;
    let systems = [system.beside().await, system];
    let bodies: Vec<Value> = (0..keys_n)
        .map(|n| {
            json!({"germplasm_id": hilda, "on": "2026-02-11", "stage_bbch": 61,
                "percent_open": (n as f64 / 7.0) % 100.0, "note": format!("history {n}")})
        })
        .collect();
    let answers = history(
        "repeats of notes of bloom",
        &systems,
        "breeder",
        ServiceName::Crossing,
        &format!("{ROOT}/bloom-records"),
        &bodies,
        5,
    )
    .await;
    assert_eq!(answers.len(), keys_n);
    let pool = systems[0].pool(ServiceName::Crossing).await;
    let mut written: BTreeMap<String, Vec<String>> = BTreeMap::new();
    let programme = programme(&breeder).await;
    let found = rows(
        &pool,
        &programme,
        "select note, id::text from bloom_record where note like 'history %'",
    );
    for (note, id) in found.await {
        written.entry(note).or_default().push(id);
    }
    for (key, (status, reply)) in answers {
        assert_eq!(status, 201, "{reply:#}");
        assert_eq!(written[&format!("history {key}")], [id(&reply)], "{key}");
    }
}

/// Whether two grounds have something in common; here a part begins with the name of its whole.
fn overlap(a: &Value, b: &Value) -> bool {
    let (a, b) = (a.as_str().unwrap(), b.as_str().unwrap());
    a.starts_with(b) || b.starts_with(a)
}

#[tokio::test(flavor = "multi_thread")]
async fn exclusive_ground_is_licensed_once_whatever_is_cut() {
    const RELEASE: &str = "/api/release/v1";
    const GROUNDS: [&str; 8] = ["US", "US-CA", "US-WA", "ES", "ES-CT", "CL", "ZA", "NZ"];
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let admin = system.sign_in("admin").await;
    let plant = json!({"name": "Selection P-1", "species": "Prunus persica", "kind": "selection"});
    let plant = breeder.post(&format!("{ROOT}/germplasm"), &plant).await;
    let candidate = json!({"germplasm_id": id(&plant.expect(201)), "code": "P-1",
        "species": "Prunus persica", "stage": "own_root", "since": "2015-03-01"});
    let candidate = breeder
        .post(&format!("{RELEASE}/candidates"), &candidate)
        .await;
    let candidate = id(&candidate.expect(201));
    let nursery = json!({"name": "Nursery C", "kind": "nursery", "country": "NZ"});
    let nursery = admin.post("/api/identity/v1/organisations", &nursery).await;
    let nursery = id(&nursery.expect(201));
    let systems = [system.beside().await, system];
    let bodies: Vec<Value> = (0..scaled(32, 320))
        .map(|n: usize| {
            let year = 2025 + n / GROUNDS.len() % 2;
            json!({"candidate_id": candidate, "licensee_id": nursery,
                "territory": [GROUNDS[n % GROUNDS.len()]], "purpose": "propagation",
                "exclusive": n % 32 < 24, "starts_on": format!("{year}-01-01"),
                "ends_on": format!("{year}-12-31")})
        })
        .collect();
    let path = format!("{RELEASE}/licences");
    let answers = history(
        "repeats of exclusive licences",
        &systems,
        "rights",
        ServiceName::Release,
        &path,
        &bodies,
        4,
    )
    .await;
    let mut granted: BTreeMap<usize, String> = BTreeMap::new();
    for (key, (status, reply)) in &answers {
        assert!([201, 409].contains(status), "{reply:#}");
        if *status == 201 {
            granted.insert(*key, id(reply));
        }
    }
    let pool = systems[0].pool(ServiceName::Release).await;
    let written = rows(
        &pool,
        &programme(&admin).await,
        "select id::text, number::text from licence",
    )
    .await;
    let written: BTreeSet<&String> = written.iter().map(|(id, _)| id).collect();
    let told: BTreeSet<&String> = granted.values().collect();
    assert_eq!(told.len(), granted.len(), "each key has one of its own");
    assert_eq!(written, told, "what is written was told, and the other way");
    for a in granted.keys() {
        for (b, _) in granted.range(a + 1..) {
            let (one, other) = (&bodies[*a], &bodies[*b]);
            let meet = one["starts_on"] == other["starts_on"]
                && overlap(&one["territory"][0], &other["territory"][0]);
            let alone = one["exclusive"] == true || other["exclusive"] == true;
            assert!(!(meet && alone), "{one:#} and {other:#} share ground");
        }
    }
    tell("exclusive ground", &[("licences granted", granted.len())]);
}
