//! Histories of repeated requests while connections to the database are cut: every key has one effect
//! and one reply, and ground that is licensed exclusively is licensed once.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use end_to_end::crossing::{ROOT, cherry, open_season};
use end_to_end::{Client, System};
use serde_json::{Value, json};
use tokio::task::{JoinHandle, JoinSet};

use crate::release;

/// Cuts connections of a service's role at random moments, until told to stop; gives how many.
fn cut_connections(
    mut admin: sqlx::PgConnection,
    role: &'static str,
    stop: Arc<AtomicBool>,
) -> JoinHandle<u64> {
    tokio::spawn(async move {
        let mut cut_n = 0;
        while !stop.load(Ordering::Relaxed) {
            let cut: i64 = sqlx::query_scalar(
                "select count(pg_terminate_backend(pid)) from ( \
                     select pid from pg_stat_activity \
                     where usename = $1 and datname = current_database() \
                         and state in ('active', 'idle in transaction') \
                     order by random() limit 1) one",
            )
            .bind(role)
            .fetch_one(&mut admin)
            .await
            .unwrap();
            cut_n += cut.unsigned_abs();
            // Time enough for some to get through.
            tokio::time::sleep(Duration::from_millis(80)).await;
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
    unsettled_n: &AtomicU64,
) -> (u16, Vec<u8>) {
    loop {
        let reply = client
            .post_with(path, body, &[("idempotency-key", key)])
            .await;
        match reply.status {
            500.. => {
                unsettled_n.fetch_add(1, Ordering::Relaxed);
                let detail = reply.body["detail"].as_str().unwrap_or_default();
                assert_eq!(reply.status, 503, "{:#}", reply.body);
                assert!(
                    detail.contains("nothing was written")
                        || detail.contains("may have been written"),
                    "{detail}"
                );
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            status => return (status, reply.bytes),
        }
    }
}

/// A few keys, each with many equal requests, sent in an order in which they meet.
fn shuffled(keys_n: usize, repeats_n: usize) -> Vec<usize> {
    let mut sends: Vec<usize> = (0..keys_n * repeats_n).map(|n| n % keys_n).collect();
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    for last in (1..sends.len()).rev() {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        sends.swap(last, (state >> 33) as usize % (last + 1));
    }
    sends
}

/// Sends every body under its key from two programs, several times each at once, while connections
/// are cut; gives the answers by key, which must be one for each.
async fn history(
    systems: &[System],
    account: &str,
    role: &'static str,
    path: &str,
    bodies: Vec<Value>,
    repeats_n: usize,
) -> BTreeMap<usize, (u16, Value)> {
    let mut clients = Vec::new();
    for system in systems {
        clients.push(system.sign_in(account).await);
    }
    let stop = Arc::new(AtomicBool::new(false));
    let cutting = cut_connections(systems[0].admin().await, role, stop.clone());
    let (bodies, unsettled_n) = (Arc::new(bodies), Arc::new(AtomicU64::new(0)));
    let mut answers: BTreeMap<usize, BTreeSet<(u16, Vec<u8>)>> = BTreeMap::new();
    let sends = shuffled(bodies.len(), repeats_n);
    for wave in sends.chunks(24) {
        let mut sending = JoinSet::new();
        for (place, &key) in wave.iter().enumerate() {
            let client = clients[place % clients.len()].clone();
            let (bodies, unsettled_n) = (bodies.clone(), unsettled_n.clone());
            let path = path.to_owned();
            sending.spawn(async move {
                let name = format!("history-{key}");
                let answer =
                    until_answered(&client, &path, &bodies[key], &name, &unsettled_n).await;
                (key, answer)
            });
        }
        for (key, answer) in sending.join_all().await {
            answers.entry(key).or_default().insert(answer);
        }
    }
    stop.store(true, Ordering::Relaxed);
    let cut_n = cutting.await.unwrap();
    println!(
        "{} requests under {} keys, {cut_n} connections cut, {} answers that settled nothing",
        sends.len(),
        bodies.len(),
        unsettled_n.load(Ordering::Relaxed)
    );
    assert!(cut_n > 0, "nothing was cut, so nothing was tried");
    answers
        .into_iter()
        .map(|(key, answers)| {
            assert!(
                answers.len() == 1 || answers.iter().all(|(status, _)| *status >= 400),
                "key {key} got several answers: {:?}",
                answers
                    .iter()
                    .map(|(status, bytes)| (status, String::from_utf8_lossy(bytes)))
                    .collect::<Vec<_>>()
            );
            let (status, bytes) = answers.into_iter().next().unwrap();
            (key, (status, serde_json::from_slice(&bytes).unwrap()))
        })
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_key_has_one_effect_and_one_reply() {
    const KEYS_N: usize = 30;
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    open_season(&breeder).await;
    let hilda = cherry(&breeder, "Hilda", ["S1", "S3"]).await;
    let systems = [system.beside().await, system];
    let bodies = (0..KEYS_N)
        .map(|n| {
            json!({"germplasm_id": hilda, "on": "2026-02-11", "stage_bbch": 61,
                "percent_open": 0.1 + n as f64 / 3.0, "note": format!("history {n}")})
        })
        .collect();
    let path = format!("{ROOT}/bloom-records");
    let answers = history(&systems, "breeder", "drupeline_crossing", &path, bodies, 5).await;
    assert_eq!(answers.len(), KEYS_N);
    let mut admin = systems[0].admin().await;
    for (key, (status, reply)) in answers {
        assert_eq!(status, 201, "{reply:#}");
        let written: Vec<String> =
            sqlx::query_scalar("select id::text from crossing.bloom_record where note = $1")
                .bind(format!("history {key}"))
                .fetch_all(&mut admin)
                .await
                .unwrap();
        assert_eq!(written, [reply["id"].as_str().unwrap()], "key {key}");
    }
}

/// Whether two grounds have something in common; here a part begins with the name of its whole.
fn overlap(a: &str, b: &str) -> bool {
    a.starts_with(b) || b.starts_with(a)
}

#[tokio::test(flavor = "multi_thread")]
async fn exclusive_ground_is_licensed_once_whatever_is_cut() {
    let system = System::start().await;
    let nursery = release::organisation(&system, "Nursery A").await;
    let candidate = release::candidate(&system, "P-1").await;
    let systems = [system.beside().await, system];
    let grounds = ["US", "US-CA", "US-WA", "ES", "ES-CT", "CL", "ZA", "NZ"];
    let starts = ["2025-01-01", "2027-01-01"];
    let bodies: Vec<Value> = (0..32)
        .map(|n: usize| {
            let start = starts[n / 8 % 2];
            json!({"candidate_id": candidate, "licensee_id": nursery, "territory": [grounds[n % 8]],
                "purpose": "propagation", "exclusive": n < 24, "starts_on": start,
                "ends_on": start.replace("01-01", "12-31")})
        })
        .collect();
    let path = release::at("/licences");
    let answers = history(
        &systems,
        "rights",
        "drupeline_release",
        &path,
        bodies.clone(),
        4,
    )
    .await;
    let granted: BTreeMap<usize, String> = answers
        .iter()
        .filter(|(_, (status, _))| *status == 201)
        .map(|(key, (_, reply))| (*key, release::id(reply)))
        .collect();
    for (status, reply) in answers.values() {
        assert!([201, 409].contains(status), "{reply:#}");
    }
    let ids: BTreeSet<&String> = granted.values().collect();
    assert_eq!(
        ids.len(),
        granted.len(),
        "each key has a licence of its own"
    );
    let mut admin = systems[0].admin().await;
    let written: Vec<String> = sqlx::query_scalar("select id::text from release.licence")
        .fetch_all(&mut admin)
        .await
        .unwrap();
    assert_eq!(
        written.iter().collect::<BTreeSet<_>>(),
        ids,
        "what is written was answered, and the other way round"
    );
    for (a, _) in &granted {
        for (b, _) in granted.range(a + 1..) {
            let (one, other) = (&bodies[*a], &bodies[*b]);
            let meet = one["starts_on"] == other["starts_on"]
                && overlap(
                    one["territory"][0].as_str().unwrap(),
                    other["territory"][0].as_str().unwrap(),
                );
            let alone = one["exclusive"] == true || other["exclusive"] == true;
            assert!(!(meet && alone), "{one:#} and {other:#} share ground");
        }
    }
    println!("{} of {} licences granted", granted.len(), bodies.len());
}
