//! What every path has in common: problems, content types, sizes, documents, reflection, health.

use std::time::Duration;

use end_to_end::{Client, System};
use jiff::{Timestamp, ToSpan as _};
use platform::database::{self, Begin, Scope};
use platform::peers::ServiceName;
use platform::sweep;
use serde_json::json;
use sqlx::PgPool;

#[tokio::test]
async fn unknown_paths_and_methods_are_problems() {
    let system = System::start().await;
    let anyone = system.anonymous();
    assert!(
        anyone
            .get("/api/no/such/thing")
            .await
            .pointers(404)
            .is_empty()
    );
    assert!(
        anyone
            .delete("/api/identity/v1/jwks.json")
            .await
            .pointers(405)
            .is_empty()
    );
}

#[tokio::test]
async fn malformed_bodies_are_told_apart() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let people = "/api/identity/v1/people";
    admin
        .post_text(people, "application/json", "{\"login\": ")
        .await
        .pointers(400);
    admin
        .post_text(people, "application/json", "[1, 2]")
        .await
        .pointers(400);
    admin
        .post_text(people, "text/plain", "login=x")
        .await
        .pointers(415);
    let wrong_type = admin.post(people, &json!({"login": 5})).await.pointers(422);
    assert_eq!(wrong_type, ["/login"]);
    let large = format!("{{\"login\": \"{}\"}}", "x".repeat(5 * 1024 * 1024));
    admin
        .post_text(people, "application/json", &large)
        .await
        .pointers(413);
    let listing = admin
        .get("/api/identity/v1/people?limit=many")
        .await
        .pointers(422);
    assert_eq!(listing, ["/limit"]);
}

#[tokio::test]
async fn a_key_used_with_another_body_is_refused() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let path = "/api/identity/v1/organisations";
    let key = [("idempotency-key", "planting-2026")];
    let body = json!({"name": "Third Nursery", "kind": "nursery", "country": "ZA"});
    let first = admin.post_with(path, &body, &key).await.expect(201);
    assert_eq!(admin.post_with(path, &body, &key).await.expect(201), first);
    let other = json!({"name": "Fourth Nursery", "kind": "nursery", "country": "ZA"});
    admin.post_with(path, &other, &key).await.expect(422);
}

/// Makes the replies kept for a client's programme older, and with them how far was swept.
async fn age_replies(pool: &PgPool, client: &Client, days: i32) {
    let me = client.get("/api/identity/v1/me").await.expect(200);
    let programme = me["programme_id"].as_str().expect("an id").parse();
    let scope = Scope {
        programme: Some(programme.expect("a programme's id")),
        across_programmes: true,
        ..Scope::default()
    };
    let mut transaction = database::begin(pool, Begin::Writing, scope).await.unwrap();
    sqlx::query("update retry set at = at - make_interval(days => $1)")
        .bind(days)
        .execute(&mut *transaction)
        .await
        .unwrap();
    sqlx::query("update sweep set forgotten_before = forgotten_before - make_interval(days => $1)")
        .bind(days)
        .execute(&mut *transaction)
        .await
        .unwrap();
    transaction.commit().await.unwrap();
}

const HOUR: Duration = Duration::from_secs(3600);

#[tokio::test]
async fn a_kept_reply_is_forgotten_when_nobody_can_still_repeat_the_request() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let pool = system.pool(ServiceName::Identity).await;
    let path = "/api/identity/v1/organisations";
    let body = json!({"id": "01890a5d-ac96-774b-bcce-b302099a8011", "name": "Late", "kind": "grower", "country": "NZ"});
    let first = admin.post(path, &body).await.expect(201);
    let forget = async || sweep::forget_replies(&pool, Timestamp::now(), HOUR).await;
    age_replies(&pool, &admin, 399).await;
    assert_eq!(forget().await.unwrap(), 0);
    assert_eq!(admin.post(path, &body).await.expect(201), first);
    age_replies(&pool, &admin, 2).await;
    assert!(forget().await.unwrap() >= 1);
    let again = admin.post(path, &body).await;
    assert_eq!(
        again.pointers(409),
        ["/id"],
        "what is there is not made twice"
    );
}

#[tokio::test]
async fn a_wrong_clock_sweeps_no_year_away() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let pool = system.pool(ServiceName::Identity).await;
    let path = "/api/identity/v1/organisations";
    let body = |n: i32| json!({"id": format!("01890a5d-ac96-774b-bcce-b302099a9{n:03}"), "name": format!("Kept {n}"), "kind": "grower", "country": "NZ"});
    // One reply every ten days of the last 500.
    let mut firsts = Vec::new();
    for n in 0..50 {
        firsts.push(admin.post(path, &body(n)).await.expect(201));
        age_replies(&pool, &admin, 10).await;
    }
    age_replies(&pool, &admin, -150).await;
    let kept_all = async |from: usize| {
        for (n, first) in firsts.iter().enumerate().skip(from) {
            let n = i32::try_from(n).expect("few");
            assert_eq!(&admin.post(path, &body(n)).await.expect(201), first);
        }
    };
    // The process's clock alone is wrong: the database's does not agree.
    let ahead = Timestamp::now() + (500 * 24).hours();
    let forgotten = sweep::forget_replies(&pool, ahead, 24 * HOUR).await;
    assert_eq!(forgotten.unwrap(), 0);
    kept_all(0).await;
    // Both are wrong, being the clock of one machine, as if every reply were 500 days older. In a day
    // of it a few days' worth is swept, and not more for being tried again and again.
    age_replies(&pool, &admin, 500).await;
    for _ in 0..24 {
        let forgotten = sweep::forget_replies(&pool, Timestamp::now(), HOUR).await;
        forgotten.unwrap();
    }
    for _ in 0..100 {
        let restarted = sweep::forget_replies(&pool, Timestamp::now(), Duration::ZERO).await;
        assert_eq!(restarted.unwrap(), 0, "a start alone sweeps nothing");
    }
    age_replies(&pool, &admin, -500).await;
    kept_all(1).await;
}

#[tokio::test]
async fn the_same_request_at_once_writes_once() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let body = json!({"id": "01890a5d-ac96-774b-bcce-b302099a8099", "name": "Once", "kind": "grower", "country": "NZ"});
    let calls = (0..8).map(|_| {
        let (admin, body) = (admin.clone(), body.clone());
        tokio::spawn(async move {
            let reply = admin.post("/api/identity/v1/organisations", &body).await;
            (reply.status, reply.bytes)
        })
    });
    let mut replies = Vec::new();
    for call in calls.collect::<Vec<_>>() {
        replies.push(call.await.unwrap());
    }
    assert_eq!(replies[0].0, 201);
    assert!(
        replies.iter().all(|reply| *reply == replies[0]),
        "each gets the first reply: {replies:?}"
    );
    let list = admin
        .get("/api/identity/v1/organisations")
        .await
        .expect(200);
    let once = list["items"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|o| o["name"] == "Once")
        .count();
    assert_eq!(once, 1);
}

#[tokio::test]
async fn documents_health_and_metrics_are_served() {
    let system = System::start().await;
    let anyone = system.anonymous();
    assert_eq!(
        anyone.get("/openapi.json").await.expect(200)["openapi"],
        "3.1.0"
    );
    anyone.get("/healthz").await.expect(200);
    anyone.get("/readyz").await.expect(200);
    let metrics = anyone.get("/metrics").await.expect(200);
    assert!(
        metrics
            .as_str()
            .unwrap()
            .contains("drupeline_requests_total")
    );
}

#[tokio::test]
async fn paging_visits_everything_once() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let mut seen = Vec::new();
    let mut cursor = String::new();
    loop {
        let page = admin
            .get(&format!("/api/identity/v1/people?limit=3&cursor={cursor}"))
            .await
            .expect(200);
        seen.extend(
            page["items"]
                .as_array()
                .unwrap()
                .iter()
                .map(|p| p["login"].as_str().unwrap().to_owned()),
        );
        match page["next_cursor"].as_str() {
            Some(next) => cursor = next.to_owned(),
            None => break,
        }
    }
    seen.sort();
    let mut expected: Vec<String> = system.roles().iter().map(|r| r.replace('_', "-")).collect();
    expected.sort();
    assert_eq!(seen, expected);
}

#[tokio::test]
async fn an_unknown_grpc_service_is_unimplemented() {
    let system = System::start().await;
    let channel = tonic::transport::Endpoint::from_shared(system.url())
        .unwrap()
        .connect_lazy();
    let mut grpc = tonic::client::Grpc::new(channel);
    grpc.ready().await.unwrap();
    let status = grpc
        .unary(
            tonic::Request::new(::contract::common::Empty {}),
            http::uri::PathAndQuery::from_static("/no.such.Service/Method"),
            tonic_prost::ProstCodec::<::contract::common::Empty, ::contract::common::Empty>::default(),
        )
        .await
        .unwrap_err();
    assert_eq!(status.code(), tonic::Code::Unimplemented);
}
