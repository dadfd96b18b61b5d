//! Codes of an app and recovery codes as second factor.

use end_to_end::{Client, System};
use jiff::{SignedDuration, Timestamp};
use platform::Clock;
use platform::peers::ServiceName;
use serde_json::{Value, json};
use totp_rs::{Builder, Secret};

use super::{STEP, sign_in_with};

const CODES: &str = "/api/identity/v1/me/codes";

fn code(secret: &str, at: Timestamp) -> String {
    let secret = Secret::try_from_base32(secret).unwrap();
    let codes = Builder::new().with_secret(secret).build().unwrap();
    codes.generate(at.as_second().unsigned_abs()).to_string()
}

/// Puts an app in use; gives its secret and the recovery codes.
async fn enrol(system: &System, client: &Client, clock: &Clock) -> (String, Vec<String>) {
    let password = &system.account("breeder").password;
    let wrong = json!({"current_password": "not the present one"});
    assert_eq!(
        client.post(CODES, &wrong).await.pointers(422),
        ["/current_password"]
    );
    let begun = client
        .post(CODES, &json!({"current_password": password}))
        .await
        .expect(200);
    let secret = begun["secret"].as_str().unwrap().to_owned();
    assert!(
        begun["address"]
            .as_str()
            .unwrap()
            .starts_with("otpauth://totp/Drupeline:breeder?secret=")
    );
    let confirm = format!("{CODES}/confirm");
    let refused = client.post(&confirm, &json!({"app_code": "000000"})).await;
    assert_eq!(refused.pointers(422), ["/app_code"]);
    let body = json!({"app_code": code(&secret, clock.now())});
    let made = client.post(&confirm, &body).await.expect(200);
    let recovery = made["recovery_codes"].as_array().unwrap().iter();
    let recovery: Vec<String> = recovery.map(|c| c.as_str().unwrap().to_owned()).collect();
    assert_eq!(recovery.len(), 10);
    (secret, recovery)
}

/// The password's half of signing in; gives the step's token.
async fn half_way(system: &System) -> Value {
    let account = system.account("breeder");
    let asked = sign_in_with(&system.anonymous(), &account.login, &account.password)
        .await
        .expect(200);
    assert_eq!(
        (&asked["step"], &asked["access_token"]),
        (&json!("second_factor"), &json!(""))
    );
    asked["step_token"].clone()
}

#[tokio::test]
async fn an_account_with_an_app_asks_for_its_code_and_takes_each_code_once() {
    let clock = Clock::standing_at(Timestamp::now());
    let system = System::start_at(clock.clone()).await;
    let (client, anyone) = (system.sign_in("breeder").await, system.anonymous());
    let (secret, _) = enrol(&system, &client, &clock).await;
    let step = |token: &Value, code: &str| json!({"step_token": token, "app_code": code});

    let token = half_way(&system).await;
    // The code that confirmed the app was used by that.
    anyone
        .post(STEP, &step(&token, &code(&secret, clock.now())))
        .await
        .expect(401);
    clock.set(clock.now() + SignedDuration::from_secs(30));
    let now = code(&secret, clock.now());
    let session = anyone.post(STEP, &step(&token, &now)).await.expect(200);
    let me = Client::new(
        system.url(),
        session["access_token"].as_str().map(str::to_owned),
    );
    me.get("/api/identity/v1/me").await.expect(200);
    // The same code again, with a step of its own, is a replay.
    let again = half_way(&system).await;
    anyone.post(STEP, &step(&again, &now)).await.expect(401);
    // So is an earlier one that would still be within the minute.
    let before = code(&secret, clock.now() - SignedDuration::from_secs(30));
    anyone.post(STEP, &step(&again, &before)).await.expect(401);
    // Neither factor, and both at once, are told apart from a wrong one.
    for body in [
        json!({"step_token": again}),
        json!({"step_token": again, "app_code": "123456", "recovery_code": "x"}),
    ] {
        assert_eq!(anyone.post(STEP, &body).await.pointers(422), ["/app_code"]);
    }
    let factors = client
        .get("/api/identity/v1/me/second-factors")
        .await
        .expect(200);
    assert_ne!(factors["codes_since"], "");
    let sessions = me.get("/api/identity/v1/me/sessions").await.expect(200);
    assert_eq!(sessions["items"][0]["proofs"], json!(["password", "code"]));
}

#[tokio::test]
async fn guessing_codes_is_stopped_and_a_step_ends() {
    let clock = Clock::standing_at(Timestamp::now());
    let system = System::start_at(clock.clone()).await;
    let (client, anyone) = (system.sign_in("breeder").await, system.anonymous());
    let (secret, _) = enrol(&system, &client, &clock).await;
    let token = half_way(&system).await;
    let guess = json!({"step_token": token, "app_code": "000000"});
    // One wrong code was sent when the app was put in use.
    for _ in 0..9 {
        anyone.post(STEP, &guess).await.expect(401);
    }
    let stopped = anyone.post(STEP, &guess).await;
    assert!(stopped.headers.contains_key("retry-after"));
    stopped.expect(429);
    clock.set(clock.now() + SignedDuration::from_mins(11));
    let late = json!({"step_token": token, "app_code": code(&secret, clock.now())});
    anyone.post(STEP, &late).await.expect(401);
}

#[tokio::test]
async fn recovery_codes_work_once_each_and_end_with_the_app() {
    let clock = Clock::standing_at(Timestamp::now());
    let system = System::start_at(clock.clone()).await;
    let (client, anyone) = (system.sign_in("breeder").await, system.anonymous());
    let (_, recovery) = enrol(&system, &client, &clock).await;
    let step = |token: Value, code: &str| json!({"step_token": token, "recovery_code": code});
    let typed = recovery[0].to_uppercase().replace('-', " ");
    let session = anyone
        .post(STEP, &step(half_way(&system).await, &typed))
        .await
        .expect(200);
    anyone
        .post(STEP, &step(half_way(&system).await, &recovery[0]))
        .await
        .expect(401);
    let me = Client::new(
        system.url(),
        session["access_token"].as_str().map(str::to_owned),
    );
    let factors = me
        .get("/api/identity/v1/me/second-factors")
        .await
        .expect(200);
    assert_eq!(factors["recovery_codes_left_n"], 9);
    let password = json!({"current_password": system.account("breeder").password});
    me.post("/api/identity/v1/me/second-factors/end", &password)
        .await
        .expect(204);
    system.sign_in("breeder").await;
}

#[tokio::test]
async fn a_link_takes_lost_second_factors_away_only_when_the_administrator_says_so() {
    let clock = Clock::standing_at(Timestamp::now());
    let system = System::start_at(clock.clone()).await;
    let (client, anyone) = (system.sign_in("breeder").await, system.anonymous());
    enrol(&system, &client, &clock).await;
    let admin = system.sign_in("admin").await;
    let me = client.get("/api/identity/v1/me").await.expect(200);
    let links = format!(
        "/api/identity/v1/people/{}/recovery-links",
        me["id"].as_str().unwrap()
    );
    for (ends, step) in [(false, "second_factor"), (true, "")] {
        let link = admin
            .post(&links, &json!({"ends_second_factors": ends}))
            .await
            .expect(200);
        let new = "plum orchard at dusk 7";
        let body = json!({"link_token": link["link_token"], "new_password": new});
        anyone
            .post("/api/identity/v1/passwords:recover", &body)
            .await
            .expect(200);
        assert_eq!(
            sign_in_with(&anyone, "breeder", new).await.expect(200)["step"],
            step
        );
    }
}

#[tokio::test]
async fn what_codes_are_made_from_is_read_by_identitys_role_alone_and_is_not_in_the_trail() {
    let clock = Clock::standing_at(Timestamp::now());
    let system = System::start_at(clock.clone()).await;
    let client = system.sign_in("breeder").await;
    let (secret, recovery) = enrol(&system, &client, &clock).await;
    for service in [
        ServiceName::Crossing,
        ServiceName::Evaluation,
        ServiceName::Release,
    ] {
        let pool = system.pool(service).await;
        for table in [
            "code_app",
            "recovery_code",
            "recovery_link",
            "signing_key",
            "person",
        ] {
            let read = sqlx::query(sqlx::AssertSqlSafe(format!(
                "select * from identity.{table}"
            )));
            let refused = read.fetch_all(&pool).await.unwrap_err();
            assert!(
                refused.to_string().contains("permission denied"),
                "{service} {table}: {refused}"
            );
        }
    }
    // Nor within identity without a scope.
    let pool = system.pool(ServiceName::Identity).await;
    let seen: i64 = sqlx::query_scalar("select count(*) from code_app")
        .fetch_one(&pool)
        .await
        .unwrap();
    assert_eq!(seen, 0);
    let admin = system.sign_in("admin").await;
    let trail = admin.get("/api/identity/v1/audit?limit=100").await;
    let text = String::from_utf8_lossy(&trail.bytes).into_owned();
    assert!(text.contains("confirm_codes"));
    assert!(!text.contains(&secret) && !recovery.iter().any(|code| text.contains(code)));
}
