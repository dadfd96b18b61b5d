//! Passwords of one's own, first ones given by others, and links to set a new one.

use end_to_end::{Client, System};
use jiff::{SignedDuration, Timestamp};
use platform::Clock;
use serde_json::{Value, json};

use super::{SESSIONS, STEP, sign_in_with, walk_in};

const PEOPLE: &str = "/api/identity/v1/people";
const RECOVER: &str = "/api/identity/v1/passwords:recover";
const GIVEN: &str = "given by an administrator";
const OWN: &str = "plum orchard at dusk 7";

async fn register(admin: &Client, login: &str) -> Value {
    let person = json!({"login": login, "name": "New Hand", "password": GIVEN, "roles": ["field"]});
    admin.post(PEOPLE, &person).await.expect(201)
}

#[tokio::test]
async fn a_first_password_given_by_somebody_else_is_changed_at_the_first_sign_in() {
    let system = System::start().await;
    let (admin, anyone) = (system.sign_in("admin").await, system.anonymous());
    let made = register(&admin, "new.hand").await;
    assert_eq!(made["password_to_change"], true);
    let asked = sign_in_with(&anyone, "new.hand", GIVEN).await.expect(200);
    assert_eq!(
        (&asked["step"], &asked["access_token"]),
        (&json!("new_password"), &json!(""))
    );
    let step =
        |password: &str| json!({"step_token": asked["step_token"], "new_password": password});
    for weak in [
        GIVEN,
        "short",
        "            ",
        "password1234",
        "new.hand new.hand",
    ] {
        let refused = anyone.post(STEP, &step(weak)).await;
        assert_eq!(refused.pointers(422), ["/new_password"], "{weak}");
    }
    let session = anyone.post(STEP, &step(OWN)).await.expect(200);
    let client = Client::new(
        system.url(),
        session["access_token"].as_str().map(str::to_owned),
    );
    let me = client.get("/api/identity/v1/me").await.expect(200);
    assert_eq!(me["password_to_change"], false);
    // The step was taken once; the first password opens nothing any more.
    anyone
        .post(STEP, &step("another of my own 12"))
        .await
        .expect(401);
    sign_in_with(&anyone, "new.hand", GIVEN).await.expect(401);
    walk_in(&system, "new.hand", OWN).await;
    // A step's token is no access token.
    let token = asked["step_token"].as_str().map(str::to_owned);
    Client::new(system.url(), token)
        .get("/api/identity/v1/me")
        .await
        .expect(401);
}

#[tokio::test]
async fn a_first_password_is_changed_over_grpc_as_well() {
    use ::contract::identity::{ContinueSignInRequest, SignInRequest};
    let system = System::start().await;
    register(&system.sign_in("admin").await, "new.hand").await;
    let mut identity = system.anonymous().identity();
    let request = SignInRequest {
        login: "new.hand".into(),
        password: GIVEN.into(),
        ..SignInRequest::default()
    };
    let asked = identity.sign_in(request).await.unwrap().into_inner();
    assert_eq!(asked.step, "new_password");
    let step = ContinueSignInRequest {
        step_token: asked.step_token,
        new_password: OWN.into(),
        ..ContinueSignInRequest::default()
    };
    let session = identity.continue_sign_in(step).await.unwrap().into_inner();
    assert!(!session.access_token.is_empty());
}

#[tokio::test]
async fn passwords_that_are_soon_guessed_are_refused_wherever_one_is_set() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    for weak in [
        "password1234",
        "qwertyuiop12",
        "            ",
        "aaaaaaaaaaaaaa",
        "hand.two.three",
    ] {
        let person =
            json!({"login": "hand.two.three", "name": "H", "password": weak, "roles": ["field"]});
        assert_eq!(
            admin.post(PEOPLE, &person).await.pointers(422),
            ["/password"],
            "{weak}"
        );
        let own =
            json!({"current_password": system.account("admin").password, "new_password": weak});
        let path = "/api/identity/v1/me/password";
        if weak != "hand.two.three" {
            assert_eq!(
                admin.post(path, &own).await.pointers(422),
                ["/new_password"],
                "{weak}"
            );
        }
    }
}

#[tokio::test]
async fn changing_a_password_ends_the_other_sessions() {
    let system = System::start().await;
    let (kept, other) = (system.sign_in("field").await, system.sign_in("field").await);
    let account = system.account("field");
    let body = json!({"current_password": account.password, "new_password": OWN});
    let path = "/api/identity/v1/me/password";
    let wrong = json!({"current_password": "not the present one", "new_password": OWN});
    assert_eq!(
        kept.post(path, &wrong).await.pointers(422),
        ["/current_password"]
    );
    kept.post(path, &body).await.expect(204);
    super::until(&other, "/api/identity/v1/me", 401).await;
    kept.get("/api/identity/v1/me").await.expect(200);
    sign_in_with(&system.anonymous(), &account.login, &account.password)
        .await
        .expect(401);
    walk_in(&system, &account.login, OWN).await;
}

#[tokio::test]
async fn a_link_sets_a_new_password_once_and_ends_all_sessions() {
    let system = System::start().await;
    let (admin, anyone) = (system.sign_in("admin").await, system.anonymous());
    let field = system.sign_in("field").await;
    let me = field.get("/api/identity/v1/me").await.expect(200);
    let links = format!("{PEOPLE}/{}/recovery-links", me["id"].as_str().unwrap());
    for role in ["field", "breeder", "manager", "partner_a"] {
        system
            .sign_in(role)
            .await
            .post(&links, &json!({}))
            .await
            .expect(403);
    }
    let other = system.other_programme().await.sign_in("admin").await;
    other.post(&links, &json!({})).await.expect(404);

    let first = admin.post(&links, &json!({})).await.expect(200);
    let link = admin.post(&links, &json!({})).await.expect(200);
    let with = |link: &Value, password: &str| json!({"link_token": link["link_token"], "new_password": password});
    // A second link ends the first.
    anyone.post(RECOVER, &with(&first, OWN)).await.expect(401);
    assert_eq!(
        anyone
            .post(RECOVER, &with(&link, "short"))
            .await
            .pointers(422),
        ["/new_password"]
    );
    let done = anyone.post(RECOVER, &with(&link, OWN)).await.expect(200);
    assert_eq!(done["login"], system.account("field").login);
    anyone
        .post(RECOVER, &with(&link, "another of my own 12"))
        .await
        .expect(401);
    super::until(&field, "/api/identity/v1/me", 401).await;
    walk_in(&system, "field", OWN).await;
    // Nobody can read the link from the trail.
    let trail = admin.get("/api/identity/v1/audit?limit=100").await;
    let text = String::from_utf8_lossy(&trail.bytes).into_owned();
    assert!(text.contains("recover_password") && text.contains("make_recovery_link"));
    assert!(!text.contains(link["link_token"].as_str().unwrap()));
    assert!(!text.contains(OWN));
}

#[tokio::test]
async fn a_link_ends_after_a_day_and_with_its_persons_standing() {
    let began = Timestamp::now();
    let clock = Clock::standing_at(began);
    let system = System::start_at(clock.clone()).await;
    let (admin, anyone) = (system.sign_in("admin").await, system.anonymous());
    let made = register(&admin, "new.hand").await;
    let person = format!("{PEOPLE}/{}", made["id"].as_str().unwrap());
    let links = format!("{person}/recovery-links");
    let old = admin.post(&links, &json!({})).await.expect(200);
    clock.set(began + SignedDuration::from_hours(25));
    let with = |link: &Value| json!({"link_token": link["link_token"], "new_password": OWN});
    anyone.post(RECOVER, &with(&old)).await.expect(401);
    let link = admin.post(&links, &json!({})).await.expect(200);
    admin
        .patch(&person, &json!({"active": false}), 1)
        .await
        .expect(200);
    anyone.post(RECOVER, &with(&link)).await.expect(401);
    admin.post(&links, &json!({})).await.expect(409);
    sign_in_with(&anyone, "new.hand", GIVEN).await.expect(401);
}

#[tokio::test]
async fn a_person_registered_without_a_password_sets_it_with_a_link() {
    let system = System::start().await;
    let (admin, anyone) = (system.sign_in("admin").await, system.anonymous());
    let person = json!({"login": "new.hand", "name": "New Hand", "roles": ["field"]});
    let made = admin.post(PEOPLE, &person).await.expect(201);
    for password in ["", " ", "anything at all"] {
        let status = sign_in_with(&anyone, "new.hand", password).await.status;
        assert!(matches!(status, 401 | 422), "{password:?}: {status}");
    }
    let links = format!("{PEOPLE}/{}/recovery-links", made["id"].as_str().unwrap());
    let link = admin.post(&links, &json!({})).await.expect(200);
    let body = json!({"link_token": link["link_token"], "new_password": OWN});
    anyone.post(RECOVER, &body).await.expect(200);
    walk_in(&system, "new.hand", OWN).await;
    anyone
        .post(SESSIONS, &json!({"login": "new.hand", "password": OWN}))
        .await
        .expect(200);
}
