//! Keys that tokens are signed with: rotated on time, revoked at once.

use end_to_end::{Client, System};
use jiff::{SignedDuration, Timestamp};
use platform::Clock;
use serde_json::{Value, json};

use super::{SESSIONS, until};

const JWKS: &str = "/api/identity/v1/jwks.json";
const REVOKE: &str = "/api/identity/v1/signing-keys:revoke";

async fn key_ids(client: &Client) -> Vec<Value> {
    let keys = client.get(JWKS).await.expect(200);
    keys["keys"]
        .as_array()
        .unwrap()
        .iter()
        .map(|key| key["kid"].clone())
        .collect()
}

#[tokio::test]
async fn signing_keys_rotate_while_running_and_tokens_signed_before_go_on() {
    let began = Timestamp::now();
    let clock = Clock::standing_at(began);
    let system = System::start_at(clock.clone()).await;
    let (before, anyone) = (system.sign_in("breeder").await, system.anonymous());
    let first = key_ids(&anyone).await;
    assert_eq!(first.len(), 1);
    clock.set(began + SignedDuration::from_hours(31 * 24));
    let mut now = first.clone();
    for _ in 0..200 {
        now = key_ids(&anyone).await;
        if now.len() > 1 {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    assert_eq!((now.len(), &now[1]), (2, &first[0]), "the newest first");
    // By the machine's clock the token has not ended.
    before.get("/api/crossing/v1/germplasm").await.expect(200);
    let after = system.sign_in("breeder").await;
    after.get("/api/crossing/v1/germplasm").await.expect(200);
    // A new key is published before it signs.
    let head = |client: &Client| {
        client
            .token()
            .unwrap()
            .split('.')
            .next()
            .unwrap()
            .to_owned()
    };
    assert_eq!(head(&after), head(&before));
    clock.set(clock.now() + SignedDuration::from_mins(1));
    for tries in 0.. {
        let later = system.sign_in("breeder").await;
        if head(&later) != head(&before) {
            until(&later, "/api/crossing/v1/germplasm", 200).await;
            break;
        }
        assert!(tries < 200, "the new key never signs");
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
}

#[tokio::test]
async fn a_revoked_signing_key_is_refused_by_every_service_within_seconds() {
    let system = System::start().await;
    let anyone = system.anonymous();
    let account = system.account("breeder").clone();
    let body = json!({"login": account.login, "password": account.password});
    let session = anyone.post(SESSIONS, &body).await.expect(200);
    let token = session["access_token"].as_str().unwrap().to_owned();
    let client = Client::new(system.url(), Some(token));
    let paths = [
        "/api/identity/v1/me",
        "/api/crossing/v1/germplasm",
        "/api/evaluation/v1/trials",
        "/api/release/v1/candidates",
    ];
    for path in paths {
        client.get(path).await.expect(200);
    }
    let before = key_ids(&anyone).await;
    anyone
        .post(REVOKE, &json!({"setup_key": "wrong"}))
        .await
        .expect(401);
    system
        .sign_in("admin")
        .await
        .post(REVOKE, &json!({}))
        .await
        .expect(401);
    let unknown = json!({"setup_key": system.setup_key(), "key_id": "none"});
    anyone.post(REVOKE, &unknown).await.expect(404);
    let all = json!({"setup_key": system.setup_key()});
    let revoked = anyone.post(REVOKE, &all).await.expect(200);
    assert_eq!(revoked["key_ids"], json!(before));
    for path in paths {
        let waited = until(&client, path, 401).await;
        println!("{path} refused after {waited:?}");
    }
    // The session is not lost: its refresh token brings one that another key signed.
    let refresh = json!({"refresh_token": session["refresh_token"]});
    let renewed = anyone
        .post(&format!("{SESSIONS}/refresh"), &refresh)
        .await
        .expect(200);
    let renewed = Client::new(
        system.url(),
        renewed["access_token"].as_str().map(str::to_owned),
    );
    for path in paths {
        until(&renewed, path, 200).await;
    }
    let after = key_ids(&anyone).await;
    assert_eq!(after.len(), 1);
    assert!(!before.contains(&after[0]));
}
