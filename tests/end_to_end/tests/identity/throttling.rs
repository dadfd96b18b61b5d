//! Guesses are counted, hashing is bounded, and nobody is locked out by others.

use end_to_end::System;
use jiff::{SignedDuration, Timestamp};
use platform::Clock;
use platform::peers::ServiceName;
use serde_json::{Value, json};

use super::SESSIONS;

fn guess(login: &str) -> Value {
    json!({"login": login, "password": "guess after guess"})
}

#[tokio::test]
async fn guessing_passwords_is_stopped() {
    let system = System::start().await;
    let anyone = system.anonymous();
    for _ in 0..10 {
        anyone.post(SESSIONS, &guess("breeder")).await.expect(401);
    }
    let stopped = anyone.post(SESSIONS, &guess("Breeder")).await;
    assert!(stopped.headers.contains_key("retry-after"));
    stopped.expect(429);
    // Another login is not hindered by it.
    system.sign_in("field").await;
}

#[tokio::test]
async fn parallel_guesses_do_not_pass_the_limit() {
    let system = System::start().await;
    let anyone = system.anonymous();
    let sent = (0..40).map(|_| {
        let anyone = anyone.clone();
        tokio::spawn(async move { anyone.post(SESSIONS, &guess("breeder")).await.status })
    });
    let mut statuses = Vec::new();
    for answer in sent.collect::<Vec<_>>() {
        statuses.push(answer.await.unwrap());
    }
    let looked_at = statuses.iter().filter(|status| **status == 401).count();
    // One more may have come free while forty were sent, every thirty seconds.
    assert!((10..=12).contains(&looked_at), "{statuses:?}");
    assert!(
        statuses.iter().all(|status| matches!(status, 401 | 429)),
        "{statuses:?}"
    );
}

#[tokio::test]
async fn many_sign_ins_at_once_all_succeed_and_hold_no_connection_while_hashing() {
    let system = System::start().await;
    let account = system.account("field").clone();
    let body = json!({"login": account.login, "password": account.password});
    let signed_in = system.sign_in("breeder").await;
    let sent: Vec<_> = (0..60)
        .map(|_| {
            let (anyone, body) = (system.anonymous(), body.clone());
            tokio::spawn(async move { anyone.post(SESSIONS, &body).await.status })
        })
        .collect();
    // Identity has four connections here, and still answers somebody else at once.
    for _ in 0..20 {
        signed_in.get("/api/identity/v1/me").await.expect(200);
    }
    for answer in sent {
        assert_eq!(answer.await.unwrap(), 200);
    }
}

#[tokio::test]
async fn the_wait_that_is_told_is_the_wait_that_is_needed() {
    let clock = Clock::standing_at(Timestamp::now());
    let system = System::start_at(clock.clone()).await;
    let anyone = system.anonymous();
    for _ in 0..10 {
        anyone.post(SESSIONS, &guess("breeder")).await.expect(401);
    }
    let stopped = anyone.post(SESSIONS, &guess("breeder")).await;
    let wait_s: i64 = stopped.headers["retry-after"]
        .to_str()
        .unwrap()
        .parse()
        .unwrap();
    stopped.expect(429);
    let began = clock.now();
    clock.set(began + SignedDuration::from_secs(wait_s - 1));
    anyone.post(SESSIONS, &guess("breeder")).await.expect(429);
    clock.set(began + SignedDuration::from_secs(wait_s));
    // The right password, too, has its turn then.
    let account = system.account("breeder").clone();
    let right = json!({"login": account.login, "password": account.password});
    anyone.post(SESSIONS, &right).await.expect(200);
}

#[tokio::test]
async fn a_device_that_signed_in_before_is_not_locked_out_by_strangers() {
    let system = System::start().await;
    let anyone = system.anonymous();
    let account = system.account("breeder").clone();
    let right = json!({"login": account.login, "password": account.password});
    let first = anyone.post(SESSIONS, &right).await.expect(200);
    let device = first["device_token"].as_str().unwrap().to_owned();
    for _ in 0..12 {
        anyone.post(SESSIONS, &guess("breeder")).await;
    }
    anyone.post(SESSIONS, &right).await.expect(429);
    let known =
        json!({"login": account.login, "password": account.password, "device_token": device});
    anyone.post(SESSIONS, &known).await.expect(200);
    // It opens nothing by itself, is for its own login alone, and has a limit of its own.
    for wrong in [
        json!({"login": account.login, "password": "guess after guess", "device_token": device}),
        json!({"login": "field", "password": account.password + "!", "device_token": device}),
    ] {
        anyone.post(SESSIONS, &wrong).await.expect(401);
    }
    let again = json!({"login": account.login, "password": "guess", "device_token": device});
    for _ in 0..9 {
        anyone.post(SESSIONS, &again).await.expect(401);
    }
    anyone.post(SESSIONS, &again).await.expect(429);
    // A device's token is no access token.
    end_to_end::Client::new(system.url(), Some(device))
        .get("/api/identity/v1/me")
        .await
        .expect(401);
}

#[tokio::test]
async fn forwarded_addresses_are_believed_from_trusted_proxies_alone() {
    let system = System::start().await;
    let anyone = system.anonymous();
    let json_type = ("content-type", "application/json");
    for n in 0..10 {
        let from = format!("198.51.100.{n}");
        let headers = [json_type, ("x-forwarded-for", from.as_str())];
        let body = guess("breeder").to_string().into_bytes();
        anyone
            .send("POST", SESSIONS, &headers, Some(body))
            .await
            .expect(401);
    }
    // All of them came from one address, whatever they said.
    anyone.post(SESSIONS, &guess("breeder")).await.expect(429);

    let behind = System::start_behind("127.0.0.0/8").await;
    let anyone = behind.anonymous();
    let send = async |from: &str| {
        let headers = [json_type, ("x-forwarded-for", from)];
        let body = guess("breeder").to_string().into_bytes();
        anyone
            .send("POST", SESSIONS, &headers, Some(body))
            .await
            .status
    };
    for _ in 0..10 {
        assert_eq!(send("198.51.100.1").await, 401);
    }
    assert_eq!(send("198.51.100.1").await, 429);
    assert_eq!(send("198.51.100.2").await, 401);
    assert_eq!(
        send("203.0.113.9, 198.51.100.1").await,
        429,
        "the nearest counts"
    );
}

#[tokio::test]
async fn every_other_door_is_throttled_too() {
    let system = System::start().await;
    let anyone = system.anonymous();
    let field = system.sign_in("field").await;
    let until_stopped = async |client: &end_to_end::Client, path: &str, body: &Value| {
        for tries in 0..200 {
            let reply = client.post(path, body).await;
            if reply.status == 429 {
                assert!(reply.headers.contains_key("retry-after"), "{path}");
                return tries;
            }
            assert!(
                matches!(reply.status, 401 | 422),
                "{path}: {:#}",
                reply.body
            );
        }
        panic!("{path} is never stopped");
    };
    let founding = json!({"setup_key": "wrong", "name": "x", "admin_login": "xxx",
        "admin_name": "x", "admin_password": "plum orchard at dusk 7"});
    let key = format!("dpk_{}_{}", uuid::Uuid::now_v7().simple(), "A".repeat(43));
    for (client, path, body, most) in [
        (
            &field,
            "/me/password",
            json!({"current_password": "wrong",
            "new_password": "plum orchard at dusk 7"}),
            10,
        ),
        (&anyone, "/programmes", founding, 100),
        (
            &anyone,
            "/service-tokens",
            json!({"service": "crossing", "secret": "wrong"}),
            10,
        ),
        (&anyone, "/access-tokens", json!({"secret_key": key}), 10),
        (
            &anyone,
            "/access-tokens",
            json!({"secret_key": "dpk_x"}),
            100,
        ),
        (
            &anyone,
            "/passwords:recover",
            json!({"link_token": "wrong",
            "new_password": "plum orchard at dusk 7"}),
            100,
        ),
    ] {
        let path = format!("/api/identity/v1{path}");
        let tries = until_stopped(client, &path, &body).await;
        assert!(tries <= most + 40, "{path}: {tries}");
    }
    // Services of this process still prove themselves: they come from no outside address.
    let pool = system.pool(ServiceName::Identity).await;
    drop(pool);
    system
        .sign_in("rights")
        .await
        .get("/api/release/v1/due-dates")
        .await
        .expect(200);
}
