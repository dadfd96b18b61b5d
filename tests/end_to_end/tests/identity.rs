//! Signing in, staying signed in, and keeping people.

use std::time::{Duration, Instant};

use end_to_end::{Client, Reply, System};
use serde_json::json;

mod machine_keys;
mod passwords;
mod refusals;
mod second_factors;
mod sessions;
mod signing_keys;
mod standing;
mod throttling;

const SESSIONS: &str = "/api/identity/v1/sessions";
const STEP: &str = "/api/identity/v1/sessions/step";

/// Sends a login and a password.
async fn sign_in_with(client: &Client, login: &str, password: &str) -> Reply {
    let body = json!({"login": login, "password": password});
    client.post(SESSIONS, &body).await
}

/// A client of somebody whose password is enough.
async fn walk_in(system: &System, login: &str, password: &str) -> Client {
    let session = sign_in_with(&system.anonymous(), login, password)
        .await
        .expect(200);
    let token = session["access_token"].as_str().filter(|t| !t.is_empty());
    Client::new(system.url(), Some(token.expect("a token").to_owned()))
}

/// Asks until the reply has a status; gives the time that took, and panics after ten seconds.
async fn until(client: &Client, path: &str, status: u16) -> Duration {
    let asked = Instant::now();
    loop {
        let reply = client.get(path).await;
        if reply.status == status {
            return asked.elapsed();
        }
        let waited = asked.elapsed();
        assert!(
            waited < Duration::from_secs(10),
            "{path}: still {}",
            reply.status
        );
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

#[tokio::test]
async fn a_person_signs_in_and_asks_who_they_are() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let me = breeder.get("/api/identity/v1/me").await.expect(200);
    assert_eq!(me["roles"], json!(["breeder"]));
    let by_grpc = breeder
        .identity()
        .who_am_i(::contract::identity::WhoAmIRequest {})
        .await
        .unwrap()
        .into_inner();
    assert_eq!(by_grpc.id, me["id"].as_str().unwrap());
}

#[tokio::test]
async fn a_wrong_password_and_an_unknown_login_read_alike() {
    let system = System::start().await;
    let anyone = system.anonymous();
    let wrong = anyone
        .post(
            SESSIONS,
            &json!({"login": "breeder", "password": "not the password"}),
        )
        .await;
    let unknown = anyone
        .post(
            SESSIONS,
            &json!({"login": "nobody-here", "password": "not the password"}),
        )
        .await;
    assert_eq!(wrong.body, unknown.body);
    wrong.expect(401);
}

#[tokio::test]
async fn a_refresh_token_works_once_and_its_copy_ends_the_session() {
    let system = System::start().await;
    let anyone = system.anonymous();
    let account = system.account("field").clone();
    let first = anyone
        .post(
            SESSIONS,
            &json!({"login": account.login, "password": account.password}),
        )
        .await
        .expect(200);
    let refresh = |token: &serde_json::Value| json!({"refresh_token": token});
    let path = format!("{SESSIONS}/refresh");
    let second = anyone
        .post(&path, &refresh(&first["refresh_token"]))
        .await
        .expect(200);
    assert_ne!(first["refresh_token"], second["refresh_token"]);
    // The first token comes back: somebody copied it, so the whole session ends.
    anyone
        .post(&path, &refresh(&first["refresh_token"]))
        .await
        .expect(401);
    anyone
        .post(&path, &refresh(&second["refresh_token"]))
        .await
        .expect(401);
}

#[tokio::test]
async fn signing_out_ends_the_session() {
    let system = System::start().await;
    let account = system.account("field").clone();
    let session = system
        .anonymous()
        .post(
            SESSIONS,
            &json!({"login": account.login, "password": account.password}),
        )
        .await
        .expect(200);
    let client = end_to_end::Client::new(
        system.url(),
        session["access_token"].as_str().map(str::to_owned),
    );
    client
        .delete(&format!("{SESSIONS}/current"))
        .await
        .expect(204);
    let path = format!("{SESSIONS}/refresh");
    client
        .post(&path, &json!({"refresh_token": session["refresh_token"]}))
        .await
        .expect(401);
}

#[tokio::test]
async fn forged_and_foreign_tokens_are_refused() {
    let system = System::start().await;
    let good = system.sign_in("breeder").await;
    let token = good.token().unwrap().to_owned();
    let (head, signature) = token.rsplit_once('.').unwrap();
    let mut flipped = signature.to_owned();
    let first = if flipped.starts_with('A') { "B" } else { "A" };
    flipped.replace_range(0..1, first);
    for forged in [
        format!("{head}.{flipped}"),
        format!("{head}."),
        "not.a.token".to_owned(),
        // alg none, with claims of an administrator
        "eyJhbGciOiJub25lIiwidHlwIjoiSldUIn0.eyJzdWIiOiJ4Iiwicm9sZXMiOlsiYWRtaW5pc3RyYXRvciJdfQ."
            .to_owned(),
    ] {
        let client = end_to_end::Client::new(system.url(), Some(forged));
        client.get("/api/identity/v1/me").await.expect(401);
        let status = client
            .identity()
            .who_am_i(::contract::identity::WhoAmIRequest {})
            .await
            .unwrap_err();
        assert_eq!(status.code(), tonic::Code::Unauthenticated);
    }
}

#[tokio::test]
async fn an_administrator_registers_people_and_changes_their_roles() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let person = json!({
        "id": "01890a5d-ac96-774b-bcce-b302099a8057",
        "login": "new.hand", "name": "New Hand", "password": "given by an administrator", "roles": ["field"],
    });
    let made = admin
        .post("/api/identity/v1/people", &person)
        .await
        .expect(201);
    // The same call again is the same person, not a second one.
    let again = admin.post("/api/identity/v1/people", &person).await;
    assert_eq!(again.headers["idempotent-replay"], "true");
    assert_eq!(again.expect(201), made);

    let path = format!("/api/identity/v1/people/{}", made["id"].as_str().unwrap());
    let body = json!({"roles": ["field", "trials"]});
    let headers = [("content-type", "application/json")];
    admin
        .send(
            "PATCH",
            &path,
            &headers,
            Some(body.to_string().into_bytes()),
        )
        .await
        .expect(428);
    admin.patch(&path, &body, 7).await.expect(412);
    let changed = admin.patch(&path, &body, 1).await;
    assert_eq!(changed.headers["etag"], "\"2\"");
    assert_eq!(changed.expect(200)["roles"], json!(["field", "trials"]));
}

#[tokio::test]
async fn faults_in_a_new_person_are_all_named() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let bad = json!({"login": "x", "name": "", "password": "short", "roles": ["partner", "king"]});
    let pointers = admin
        .post("/api/identity/v1/people", &bad)
        .await
        .pointers(422);
    assert_eq!(
        pointers,
        [
            "/login",
            "/name",
            "/password",
            "/roles/1",
            "/organisation_id"
        ]
    );
    let taken = json!({"login": "Breeder", "name": "B", "password": "given by an administrator", "roles": ["field"]});
    assert_eq!(
        admin
            .post("/api/identity/v1/people", &taken)
            .await
            .pointers(409),
        ["/login"]
    );
}

#[tokio::test]
async fn secrets_do_not_reach_the_audit_trail() {
    let system = System::start().await;
    let manager = system.sign_in("manager").await;
    let trail = manager.get("/api/identity/v1/audit?limit=100").await;
    let text = String::from_utf8_lossy(&trail.bytes).into_owned();
    let entries = trail.expect(200)["items"].as_array().unwrap().clone();
    let of = |operation: &str| {
        entries
            .iter()
            .filter(|e| e["operation"] == operation)
            .count()
    };
    assert_eq!(
        (of("register_person"), of("register_organisation")),
        (7, 2),
        "{text}"
    );
    assert!(text.contains("(withheld)"));
    assert!(!text.contains("a password for tests only"));
    system
        .sign_in("field")
        .await
        .get("/api/identity/v1/audit")
        .await
        .expect(403);
}
