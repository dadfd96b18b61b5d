//! Keys of partners' devices and systems, and their quotas.

use std::time::Duration;

use end_to_end::{Client, System};
use jiff::{SignedDuration, Timestamp};
use platform::Clock;
use platform::peers::ServiceName;
use serde_json::{Value, json};

use crate::release::{at, id, organisation};

const KEYS: &str = "/api/identity/v1/access-keys";
const TOKENS: &str = "/api/identity/v1/access-tokens";
const STATUS: &str = "/partner/release-status";

async fn exchange(system: &System, key: &Value) -> Client {
    let granted = system
        .anonymous()
        .post(TOKENS, &json!({ "secret_key": key["secret_key"] }))
        .await
        .expect(200);
    assert_eq!(granted["expires_in_s"], 300);
    let token = granted["access_token"].as_str().unwrap().to_owned();
    Client::new(system.url(), Some(token))
}

#[tokio::test]
async fn a_key_is_made_shown_once_used_and_revoked() {
    let system = System::start().await;
    let (a, b) = (
        system.sign_in("partner_a").await,
        system.sign_in("partner_b").await,
    );
    let admin = system.sign_in("admin").await;
    let body = json!({"name": "label printer", "quota": "small"});
    let key = a.post(KEYS, &body).await.expect(200);
    assert!(key["secret_key"].as_str().unwrap().starts_with("dpk_"));
    assert_eq!(
        (&key["per_minute_n"], &key["per_day_n"]),
        (&json!(60), &json!(2000))
    );
    assert_eq!(key["last_used_at"], "");
    assert_eq!(a.post(KEYS, &body).await.pointers(409), ["/name"]);

    let device = exchange(&system, &key).await;
    device.get(&at(STATUS)).await.expect(200);
    let me = device.get("/api/identity/v1/me").await.expect(200);
    assert_eq!(me["name"], "label printer (key)");
    assert_eq!(
        me["organisation_id"],
        json!(organisation(&system, "Nursery A").await)
    );
    // It is a partner like its owner, and keeps no keys.
    device.get(&at("/candidates")).await.expect(403);
    device
        .post(KEYS, &json!({"name": "another"}))
        .await
        .expect(403);

    let list = a.get(KEYS).await.expect(200);
    assert_eq!(list["items"][0]["secret_key"], "");
    assert_ne!(list["items"][0]["last_used_at"], "");
    assert_eq!(b.get(KEYS).await.expect(200)["items"], json!([]));
    assert_eq!(
        admin.get(KEYS).await.expect(200)["items"]
            .as_array()
            .unwrap()
            .len(),
        1
    );

    let revoke = format!("{KEYS}/{}/revoke", id(&key));
    b.post(&revoke, &json!({})).await.expect(404);
    let revoked = a.post(&revoke, &json!({})).await.expect(200);
    assert_eq!(revoked["standing"], "revoked");
    assert_eq!(a.post(&revoke, &json!({})).await.expect(200), revoked);
    let anyone = system.anonymous();
    let refused = anyone
        .post(TOKENS, &json!({ "secret_key": key["secret_key"] }))
        .await
        .expect(401);
    // A key that never was reads the same.
    let mut other = key["secret_key"].as_str().unwrap().to_owned();
    other.replace_range(40..41, if &other[40..41] == "A" { "B" } else { "A" });
    for never in [other.as_str(), "dpk_x", ""] {
        let reply = anyone.post(TOKENS, &json!({ "secret_key": never })).await;
        assert_eq!(reply.expect(401), refused);
    }
    // Only a digest is kept, and the audit trail does not hold the key.
    let pool = system.pool(ServiceName::Identity).await;
    let mut transaction = pool.begin().await.unwrap();
    sqlx::query("select set_config('drupeline.across', 'on', true), set_config('drupeline.programme', $1, true)")
        .bind(me["programme_id"].as_str().unwrap())
        .execute(&mut *transaction)
        .await
        .unwrap();
    let kept: Vec<String> = sqlx::query_scalar(
        "select k::text from access_key k union all select a::text from audit a",
    )
    .fetch_all(&mut *transaction)
    .await
    .unwrap();
    let bare = key["secret_key"].as_str().unwrap();
    assert!(kept.len() > 1);
    assert!(kept.iter().all(|row| !row.contains(&bare[37..])));
}

/// Asks until the reply has a status; gives the time that took, and panics after ten seconds.
async fn until_status(client: &Client, path: &str, status: u16) -> Duration {
    let asked = std::time::Instant::now();
    loop {
        let reply = client.get(path).await;
        if reply.status == status {
            return asked.elapsed();
        }
        let waited = asked.elapsed();
        assert!(waited < Duration::from_secs(10), "still {}", reply.status);
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

#[tokio::test]
async fn tokens_of_a_revoked_key_and_of_an_ended_session_are_refused_before_they_end() {
    let system = System::start().await;
    let a = system.sign_in("partner_a").await;
    let key = a.post(KEYS, &json!({"name": "till"})).await.expect(200);
    let other = a.post(KEYS, &json!({"name": "printer"})).await.expect(200);
    let (device, printer) = (
        exchange(&system, &key).await,
        exchange(&system, &other).await,
    );
    device.get(&at(STATUS)).await.expect(200);
    a.post(&format!("{KEYS}/{}/revoke", id(&key)), &json!({}))
        .await
        .expect(200);
    let waited = until_status(&device, &at(STATUS), 401).await;
    println!("a revoked key's token was refused after {waited:?}");
    let refused = device.get(&at(STATUS)).await.expect(401);
    assert!(refused["detail"].as_str().unwrap().contains("revoked"));
    until_status(&device, "/api/identity/v1/me", 401).await;
    let mut grpc = device.release();
    let ask = ::contract::release::GetReleaseStatusRequest::default();
    let status = grpc.get_release_status(ask).await.unwrap_err();
    assert_eq!(status.code(), tonic::Code::Unauthenticated);
    // Nobody else's token goes with it.
    printer.get(&at(STATUS)).await.expect(200);
    a.get(&at(STATUS)).await.expect(200);

    let field = system.sign_in("field").await;
    let me = "/api/identity/v1/me";
    field.get(me).await.expect(200);
    field
        .delete("/api/identity/v1/sessions/current")
        .await
        .expect(204);
    until_status(&field, me, 401).await;
    until_status(&field, "/api/crossing/v1/germplasm", 401).await;
    // What was taken back is told to services alone.
    let ended = "/api/identity/v1/ended-grants";
    for client in [&a, &system.sign_in("admin").await] {
        client.get(ended).await.expect(403);
    }
    system.anonymous().get(ended).await.expect(401);
}

#[tokio::test]
async fn a_key_does_what_its_scopes_say_and_no_more() {
    let system = System::start().await;
    let a = system.sign_in("partner_a").await;
    let whole = a.post(KEYS, &json!({"name": "office"})).await.expect(200);
    assert_eq!(
        whole["scopes"],
        json!(["ask_release_status", "report_propagation", "keep_webhooks"])
    );
    let reader = json!({"name": "shop window", "scopes": ["ask_release_status"]});
    let reader = a.post(KEYS, &reader).await.expect(200);
    assert_eq!(reader["scopes"], json!(["ask_release_status"]));
    let device = exchange(&system, &reader).await;
    device.get(&at(STATUS)).await.expect(200);
    device.get("/api/identity/v1/me").await.expect(200);
    let none = json!({"licence_id": "0190f3a2-0000-7000-8000-000000000000",
                      "period_start": "2025-01-01", "period_end": "2025-12-31", "trees_n": 1});
    let refused = device.post(&at("/propagation-reports"), &none).await;
    let told = refused.expect(403)["detail"].as_str().unwrap().to_owned();
    assert!(
        told.contains("ask_release_status") && told.contains("report_propagation"),
        "{told}"
    );
    device.get(&at("/webhooks")).await.expect(403);
    exchange(&system, &whole)
        .await
        .post(&at("/propagation-reports"), &none)
        .await
        .expect(404);
    // No key is given what a partner has not, or what keys are not for.
    for scope in ["read_pipeline", "keep_keys", "signed_in", "everything"] {
        let body = json!({"name": "x", "scopes": ["ask_release_status", scope]});
        assert_eq!(
            a.post(KEYS, &body).await.pointers(422),
            ["/scopes/1"],
            "{scope}"
        );
    }
}

#[tokio::test]
async fn keys_are_kept_by_whom_they_are_entrusted_to() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let a = system.sign_in("partner_a").await;
    let (own, theirs) = (
        organisation(&system, "Nursery A").await,
        organisation(&system, "Nursery B").await,
    );
    for (body, pointer) in [
        (
            json!({"name": "x", "organisation_id": theirs}),
            "/organisation_id",
        ),
        (json!({"name": "x", "quota": "large"}), "/quota"),
        (json!({"name": "x", "quota": "boundless"}), "/quota"),
        (
            json!({"name": "x", "expires_on": "2020-01-01"}),
            "/expires_on",
        ),
        (
            json!({"name": "x", "expires_on": "2190-01-01"}),
            "/expires_on",
        ),
        (json!({"name": ""}), "/name"),
    ] {
        assert_eq!(a.post(KEYS, &body).await.pointers(422), [pointer], "{body}");
    }
    let none = json!({"name": "x", "organisation_id": "0190f3a2-0000-7000-8000-000000000000"});
    assert_eq!(
        admin.post(KEYS, &none).await.pointers(422),
        ["/organisation_id"]
    );
    let large = json!({"name": "sales system", "organisation_id": own, "quota": "large"});
    let key = admin.post(KEYS, &large).await.expect(200);
    exchange(&system, &key)
        .await
        .get(&at(STATUS))
        .await
        .expect(200);

    // The first person of an organisation keeps its keys, the second only when told to.
    let clerk = json!({
        "login": "clerk-a", "name": "A clerk", "password": "given by an administrator",
        "roles": ["partner"], "organisation_id": own,
    });
    let made = admin
        .post("/api/identity/v1/people", &clerk)
        .await
        .expect(201);
    assert_eq!(made["keeps_keys"], false);
    // The first password is changed at the first sign-in.
    let sessions = "/api/identity/v1/sessions";
    let first = json!({"login": "clerk-a", "password": "given by an administrator"});
    let asked = system.anonymous().post(sessions, &first).await.expect(200);
    let own =
        json!({"step_token": asked["step_token"], "new_password": "a password for tests only"});
    let step = format!("{sessions}/step");
    system.anonymous().post(&step, &own).await.expect(200);
    let sign_in = async || {
        let session = system
            .anonymous()
            .post(
                "/api/identity/v1/sessions",
                &json!({"login": "clerk-a", "password": "a password for tests only"}),
            )
            .await
            .expect(200);
        let token = session["access_token"].as_str().unwrap().to_owned();
        Client::new(system.url(), Some(token))
    };
    let person = sign_in().await;
    person.get(KEYS).await.expect(200);
    person
        .post(KEYS, &json!({"name": "till"}))
        .await
        .expect(403);
    let path = format!("/api/identity/v1/people/{}", id(&made));
    admin
        .patch(&path, &json!({"keeps_keys": true}), 2)
        .await
        .expect(200);
    sign_in()
        .await
        .post(KEYS, &json!({"name": "till"}))
        .await
        .expect(200);
    let nowhere = json!({
        "login": "clerk-x", "name": "A clerk", "password": "a password for tests only",
        "roles": ["partner"], "organisation_id": "0190f3a2-0000-7000-8000-000000000000",
    });
    let refused = admin.post("/api/identity/v1/people", &nowhere).await;
    assert_eq!(refused.pointers(422), ["/organisation_id"]);
    let staff = json!({
        "login": "staff-x", "name": "Staff", "password": "a password for tests only",
        "roles": ["field"], "keeps_keys": true,
    });
    let refused = admin.post("/api/identity/v1/people", &staff).await;
    assert_eq!(refused.pointers(422), ["/keeps_keys"]);
}

#[tokio::test]
async fn a_quota_is_told_and_holds_over_rest_and_grpc() {
    // At the beginning of a minute, and late enough in the day's own terms not to cross it.
    let minute = Timestamp::from_second(Timestamp::now().as_second() / 60 * 60 + 60).unwrap();
    let clock = Clock::standing_at(minute);
    let system = System::start_at(clock.clone()).await;
    let a = system.sign_in("partner_a").await;
    let key = a
        .post(KEYS, &json!({"name": "orchard system", "quota": "small"}))
        .await
        .expect(200);
    let device = exchange(&system, &key).await;
    let first = device.get(&at(STATUS)).await;
    assert_eq!(first.status, 200);
    assert_eq!(
        first.headers["ratelimit-policy"],
        "\"minute\";q=60;w=60, \"day\";q=2000;w=86400"
    );
    let left = first.headers["ratelimit"].to_str().unwrap().to_owned();
    assert!(
        left.starts_with("\"minute\";r=59;t=60, \"day\";r=1999;t="),
        "{left}"
    );
    // Limits are told with faults too, and a person has others.
    let fault = device.get(&at("/partner/release-status?limit=9999")).await;
    assert_eq!(fault.status, 422);
    assert!(fault.headers.contains_key("ratelimit"));
    let person = a.get(&at(STATUS)).await;
    assert_eq!(
        person.headers["ratelimit-policy"],
        "\"minute\";q=6000;w=60, \"day\";q=500000;w=86400"
    );

    let ask = || ::contract::release::GetReleaseStatusRequest::default();
    let mut grpc = device.release();
    let told = grpc.get_release_status(ask()).await.unwrap();
    let left = told
        .metadata()
        .get("ratelimit")
        .unwrap()
        .to_str()
        .unwrap()
        .to_owned();
    assert!(left.starts_with("\"minute\";r=57;"), "{left}");
    for _ in 0..57 {
        device.get(&at(STATUS)).await.expect(200);
    }
    let over = device.get(&at(STATUS)).await;
    assert_eq!(over.status, 429);
    assert_eq!(over.headers["content-type"], "application/problem+json");
    assert_eq!(over.headers["retry-after"], "60");
    assert!(
        over.headers["ratelimit"]
            .to_str()
            .unwrap()
            .starts_with("\"minute\";r=0;t=60")
    );
    assert_eq!(over.body["type"], "/problems/throttled");
    let status = grpc.get_release_status(ask()).await.unwrap_err();
    assert_eq!(status.code(), tonic::Code::ResourceExhausted);
    assert_eq!(status.metadata().get("retry-after").unwrap(), "60");
    assert!(status.metadata().contains_key("ratelimit"));
    // Another key of the same partner has its own.
    let other = a.post(KEYS, &json!({"name": "printer"})).await.expect(200);
    exchange(&system, &other)
        .await
        .get(&at(STATUS))
        .await
        .expect(200);
    clock.set(minute + SignedDuration::from_secs(61));
    device.get(&at(STATUS)).await.expect(200);

    // The day's sum reaches the database without a write for each request.
    let pool = system.pool(ServiceName::Release).await;
    for tries in 0.. {
        let mut transaction = pool.begin().await.unwrap();
        sqlx::query("select set_config('drupeline.across', 'on', true)")
            .execute(&mut *transaction)
            .await
            .unwrap();
        let sum: Option<i64> = sqlx::query_scalar(
            "select sum(requests_n)::bigint from key_use where key_id = $1::uuid",
        )
        .bind(id(&key))
        .fetch_one(&mut *transaction)
        .await
        .unwrap();
        if sum == Some(61) {
            break;
        }
        assert!(tries < 300, "the sum is {sum:?}");
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
}
