//! What was refused stands in the audit trail, where the programme's administrator reads it.

use end_to_end::{Client, System};
use serde_json::{Value, json};

use super::sign_in_with;

async fn trail(client: &Client, operation: &str) -> Vec<Value> {
    let path = format!("/api/identity/v1/audit?operation={operation}&limit=100");
    client.get(&path).await.expect(200)["items"]
        .as_array()
        .unwrap()
        .clone()
}

fn account(entry: &Value) -> Value {
    serde_json::from_str(entry["request"].as_str().unwrap()).unwrap()
}

#[tokio::test]
async fn failed_sign_ins_and_lock_outs_stand_in_the_trail_of_the_programme_whose_login_it_is() {
    let system = System::start().await;
    let (admin, anyone) = (system.sign_in("admin").await, system.anonymous());
    for _ in 0..11 {
        sign_in_with(&anyone, "field", "guess after guess").await;
    }
    sign_in_with(&anyone, "nobody-here", "guess after guess")
        .await
        .expect(401);
    let entries = trail(&admin, "sign_in").await;
    let refused: Vec<Value> = entries
        .iter()
        .map(account)
        .filter(|a| a["refused"] != Value::Null)
        .collect();
    // Of the same refusal within a minute the first and the tenth are written.
    let failed = refused.iter().filter(|a| a["refused"] == "unauthenticated");
    assert!((2..=4).contains(&failed.count()), "{refused:#?}");
    let locked: Vec<_> = refused
        .iter()
        .filter(|a| a["refused"] == "throttled")
        .collect();
    assert_eq!(locked.len(), 1, "{refused:#?}");
    assert_eq!(locked[0]["address"], "127.0.0.1");
    assert!(refused.iter().any(|a| a["times_n"] == 10), "{refused:#?}");
    let first = entries
        .iter()
        .find(|e| account(e)["refused"] == "unauthenticated")
        .unwrap();
    assert_eq!(
        (&first["actor_name"], &first["touched"][0]["kind"]),
        (&json!("nobody"), &json!("person"))
    );
    // Those that held are there under the person's name, with no secret.
    assert!(
        entries
            .iter()
            .any(|e| e["actor_name"] == "Odd Lindqvist-Hale")
    );
    assert!(!format!("{entries:?}").contains("guess after guess"));
    let other = system.other_programme().await.sign_in("admin").await;
    let theirs = trail(&other, "sign_in").await;
    assert!(
        theirs.iter().all(|e| account(e)["refused"] == Value::Null),
        "{theirs:#?}"
    );
}

#[tokio::test]
async fn what_a_role_does_not_allow_stands_in_the_trail_though_nothing_was_written() {
    let system = System::start().await;
    let (admin, field) = (system.sign_in("admin").await, system.sign_in("field").await);
    field.get("/api/identity/v1/people").await.expect(403);
    let person = json!({"login": "x.y.z", "name": "X", "password": "plum orchard at dusk 7", "roles": ["field"]});
    field
        .post("/api/identity/v1/people", &person)
        .await
        .expect(403);
    let status = field
        .identity()
        .list_people(::contract::identity::ListPeopleRequest::default())
        .await
        .unwrap_err();
    assert_eq!(status.code(), tonic::Code::PermissionDenied);
    for operation in ["list_people", "register_person"] {
        let entries = trail(&admin, operation).await;
        let refused: Vec<&Value> = entries
            .iter()
            .filter(|e| account(e)["refused"] == "forbidden")
            .collect();
        // Asked for twice, over REST and gRPC: once within a minute, or once in each of two.
        assert!(
            (1..=2).contains(&refused.len()),
            "{operation}: {entries:#?}"
        );
        assert_eq!(refused[0]["actor_name"], "Tomas Brekke");
    }
    // In the other services alike.
    system
        .sign_in("field")
        .await
        .get("/api/release/v1/candidates")
        .await
        .expect(403);
    let there = admin
        .get("/api/release/v1/audit?operation=list_candidates")
        .await
        .expect(200);
    assert_eq!(account(&there["items"][0])["refused"], "forbidden");
}

#[tokio::test]
async fn keys_that_are_used_and_keys_that_are_refused_stand_in_the_trail() {
    let system = System::start().await;
    let (admin, anyone) = (system.sign_in("admin").await, system.anonymous());
    let body = json!({"name": "logger", "scopes": ["write_weather"]});
    let key = admin
        .post("/api/identity/v1/access-keys", &body)
        .await
        .expect(200);
    let tokens = "/api/identity/v1/access-tokens";
    anyone
        .post(tokens, &json!({"secret_key": key["secret_key"]}))
        .await
        .expect(200);
    let mut wrong = key["secret_key"].as_str().unwrap().to_owned();
    wrong.replace_range(40..41, if &wrong[40..41] == "A" { "B" } else { "A" });
    anyone
        .post(tokens, &json!({"secret_key": wrong}))
        .await
        .expect(401);
    let entries = trail(&admin, "exchange_access_key").await;
    assert_eq!(entries.len(), 2, "{entries:#?}");
    assert_eq!(account(&entries[0])["refused"], "unauthenticated");
    assert_eq!(entries[0]["touched"][0]["id"], key["id"]);
    assert_eq!(entries[1]["actor_name"], "logger (key)");
    assert!(!format!("{entries:?}").contains(&wrong[45..]));
}

#[tokio::test]
async fn nobody_fills_the_trail_by_asking_again_and_again() {
    let system = System::start().await;
    let (admin, field) = (system.sign_in("admin").await, system.sign_in("field").await);
    for _ in 0..60 {
        field.get("/api/identity/v1/people").await.expect(403);
    }
    let entries = trail(&admin, "list_people").await;
    // The first and the tenth of a minute; sixty requests may lie in two of them.
    assert!((2..=4).contains(&entries.len()), "{}", entries.len());
}
