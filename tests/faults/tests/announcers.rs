//! Many announce at once, and their transactions end in another order than they began in.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use contract::common::{FeedEvent, ReadFeedRequest};
use contract::evaluation::evaluation_client::EvaluationClient;
use end_to_end::System;
use faults::{below, scaled, tell};
use platform::ProgrammeId;
use platform::database::{self, Begin, Scope};
use platform::peers::ServiceName;
use serde_json::{Value, json};
use sqlx::PgPool;

const TOPIC: &str = "fault.tested";

/// The programme of the tests' accounts.
pub(crate) async fn programme(system: &System) -> ProgrammeId {
    let me = system
        .sign_in("admin")
        .await
        .get("/api/identity/v1/me")
        .await;
    let me = me.expect(200);
    let id = me["programme_id"].as_str().expect("an id").parse();
    id.expect("a programme's id")
}

/// Announces something as a unit of work does, and takes its time before the commit, or rolls back.
pub(crate) async fn announce(
    pool: &PgPool,
    programme: ProgrammeId,
    topic: &str,
    payloads: &[Value],
    commits: bool,
) {
    let scope = Scope {
        programme: Some(programme),
        ..Scope::default()
    };
    let mut transaction = database::begin(pool, Begin::Writing, scope).await.unwrap();
    for payload in payloads {
        sqlx::query(
            "insert into outbox (programme_id, topic, payload, at) values ($1, $2, $3, now())",
        )
        .bind(programme)
        .bind(topic)
        .bind(payload)
        .execute(&mut *transaction)
        .await
        .unwrap();
        tokio::time::sleep(Duration::from_millis(below(15))).await;
    }
    if commits {
        transaction.commit().await.unwrap();
    } else {
        transaction.rollback().await.unwrap();
    }
}

/// Reads a feed to its end while others write to it.
async fn follow(system: &System, over: Arc<AtomicBool>) -> Vec<FeedEvent> {
    // As the release service, which follows this feed.
    let transport = system
        .peers_of(ServiceName::Release)
        .reach(ServiceName::Evaluation, None)
        .await
        .unwrap();
    let mut feed = EvaluationClient::new(transport);
    let mut taken: Vec<FeedEvent> = Vec::new();
    let mut empty_n = 0;
    while empty_n < 40 {
        let ended = over.load(Ordering::Acquire);
        let request = ReadFeedRequest {
            after: taken.last().map_or(0, |event| event.position),
            limit: 20,
            ..ReadFeedRequest::default()
        };
        let page = feed.read_feed(request).await.unwrap().into_inner();
        let nothing = page.events.is_empty();
        taken.extend(page.events);
        empty_n = if nothing && ended { empty_n + 1 } else { 0 };
        if nothing {
            tokio::time::sleep(Duration::from_millis(25)).await;
        }
    }
    taken
}

#[tokio::test(flavor = "multi_thread")]
async fn no_announcement_is_lost_doubled_or_out_of_turn() {
    let announcers_n = 24_u64;
    let each_n = scaled(30, 1_000);
    let system = System::start().await;
    let programme = programme(&system).await;
    let pool = system.pool_of(ServiceName::Evaluation, 30).await;
    let over = Arc::new(AtomicBool::new(false));
    // As other processes of the same service do.
    let numberers = (0..2).map(|_| {
        let (pool, over) = (pool.clone(), over.clone());
        tokio::spawn(async move {
            while !over.load(Ordering::Acquire) {
                platform::feed::number(&pool).await.unwrap();
            }
        })
    });
    let numberers: Vec<_> = numberers.collect();
    let announcing: Vec<_> = (0..announcers_n)
        .map(|who| {
            let pool = pool.clone();
            tokio::spawn(async move {
                let mut told_n = 0_u64;
                for n in 0..each_n {
                    let payloads = match below(4) {
                        0 => vec![json!([who, n, 0]), json!([who, n, 1])],
                        _ => vec![json!([who, n, 0])],
                    };
                    let commits = below(10) > 0;
                    announce(&pool, programme, TOPIC, &payloads, commits).await;
                    told_n += if commits { payloads.len() as u64 } else { 0 };
                }
                told_n
            })
        })
        .collect();
    let ended = over.clone();
    let (taken, told_n) = tokio::join!(follow(&system, over), async {
        let mut told_n = 0;
        for announcer in announcing {
            told_n += announcer.await.unwrap();
        }
        ended.store(true, Ordering::Release);
        told_n
    });
    for numberer in numberers {
        numberer.await.unwrap();
    }
    tell(
        "concurrent announcers",
        &[
            ("announcements", usize::try_from(told_n).unwrap()),
            ("taken", taken.len()),
        ],
    );
    assert_eq!(taken.len() as u64, told_n, "announced, and taken");
    let mut of_each: BTreeMap<u64, Vec<(u64, u64)>> = BTreeMap::new();
    for (n, event) in taken.iter().enumerate() {
        assert_eq!(event.position, n as i64 + 1, "positions have no gap");
        let told: (u64, u64, u64) = serde_json::from_str(&event.payload).unwrap();
        of_each.entry(told.0).or_default().push((told.1, told.2));
    }
    for (who, told) in of_each {
        assert!(
            told.windows(2).all(|pair| pair[0] < pair[1]),
            "{who} was heard once each and in turn: {told:?}"
        );
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn an_announcement_that_was_passed_over_is_found_and_told() {
    let system = System::start().await;
    let programme = programme(&system).await;
    let pool = system.pool_of(ServiceName::Evaluation, 2).await;
    let payloads: Vec<Value> = (0..5).map(|n| json!([n])).collect();
    announce(&pool, programme, TOPIC, &payloads, true).await;
    let release = system.pool(ServiceName::Release).await;
    let taken_in = async || -> i64 {
        let scope = Scope::BOOKKEEPING;
        let mut transaction = database::begin(&release, Begin::Reading, scope)
            .await
            .unwrap();
        let taken_n: Option<Option<i64>> =
            sqlx::query_scalar("select taken_n from feed_cursor where source = 'evaluation'")
                .fetch_optional(&mut *transaction)
                .await
                .unwrap();
        taken_n.flatten().unwrap_or(0)
    };
    while taken_in().await < 5 {
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    // Another process looks first when it starts, and finds nothing amiss.
    let name = "release follows evaluation";
    let fine = system.beside().await;
    let missing = "drupeline_feed_missing{service=\"release\",source=\"evaluation\"}";
    told(&fine, "/metrics", &format!("{missing} 0")).await;
    let ready = fine.anonymous().get("/readyz").await;
    assert!(!ready.body.to_string().contains(name), "{:?}", ready.body);
    // As if two had been passed over.
    let scope = Scope::BOOKKEEPING;
    let mut transaction = database::begin(&release, Begin::Writing, scope)
        .await
        .unwrap();
    sqlx::query("update feed_cursor set taken_n = taken_n - 2 where source = 'evaluation'")
        .execute(&mut *transaction)
        .await
        .unwrap();
    transaction.commit().await.unwrap();
    let finds = system.beside().await;
    told(&finds, "/readyz", name).await;
    told(&finds, "/metrics", &format!("{missing} 2")).await;
    assert_eq!(
        finds.anonymous().get("/readyz").await.status,
        200,
        "requests go on being answered"
    );
}

/// Waits until something is said at a path.
async fn told(system: &System, path: &str, words: &str) {
    let anyone = system.anonymous();
    for _ in 0..400 {
        let reply = anyone.get(path).await;
        if String::from_utf8_lossy(&reply.bytes).contains(words) {
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("{path} never said {words}");
}
