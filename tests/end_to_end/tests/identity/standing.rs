//! What was given to somebody ends with their role, their standing and their organisation.

use end_to_end::{Client, System};
use jiff::{SignedDuration, Timestamp};
use platform::Clock;
use serde_json::{Value, json};

use super::{until, walk_in};
use crate::release::{at, id, organisation};

const KEYS: &str = "/api/identity/v1/access-keys";
const TOKENS: &str = "/api/identity/v1/access-tokens";
const STATUS: &str = "/api/release/v1/partner/release-status";

async fn person(admin: &Client, login: &str) -> Value {
    let people = admin
        .get("/api/identity/v1/people?limit=100")
        .await
        .expect(200);
    let found = people["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|p| p["login"] == login);
    found
        .unwrap_or_else(|| panic!("{login} in {people:#}"))
        .clone()
}

async fn edit(admin: &Client, login: &str, change: Value) {
    let person = person(admin, login).await;
    let path = format!("/api/identity/v1/people/{}", id(&person));
    let version = person["version"].as_i64().unwrap();
    admin.patch(&path, &change, version).await.expect(200);
}

#[tokio::test]
async fn a_calendar_link_ends_with_its_persons_role_and_standing() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let anyone = system.anonymous();
    for (role, change, back) in [
        (
            "rights",
            json!({"roles": ["field"]}),
            json!({"roles": ["rights"]}),
        ),
        ("breeder", json!({"active": false}), json!({"active": true})),
    ] {
        let link = system
            .sign_in(role)
            .await
            .post(&at("/calendar-links"), &json!({"name": "telephone"}))
            .await
            .expect(201);
        let url = link["url"].as_str().unwrap();
        assert_eq!(anyone.get(url).await.status, 200);
        edit(&admin, role, change).await;
        let gone = anyone.get(url).await;
        assert_eq!(gone.status, 404);
        let never = anyone
            .get("/api/release/v1/calendars/AAAA/calendar.ics")
            .await;
        assert_eq!(gone.body, never.body, "it reads like a link that never was");
        edit(&admin, role, back).await;
        assert_eq!(anyone.get(url).await.status, 200);
    }
}

#[tokio::test]
async fn a_calendar_link_has_a_last_day() {
    let began = Timestamp::now();
    let clock = Clock::standing_at(began);
    let system = System::start_at(clock.clone()).await;
    let rights = system.sign_in("rights").await;
    let links = at("/calendar-links");
    let today = clock.today();
    let wrong = json!({"name": "x", "expires_on": "2190-01-01"});
    assert_eq!(
        rights.post(&links, &wrong).await.pointers(422),
        ["/expires_on"]
    );
    let body = json!({"name": "telephone", "expires_on": today.to_string()});
    let link = rights.post(&links, &body).await.expect(201);
    let url = link["url"].as_str().unwrap().to_owned();
    let anyone = system.anonymous();
    assert_eq!(anyone.get(&url).await.status, 200);
    clock.set(began + SignedDuration::from_hours(24));
    assert_eq!(anyone.get(&url).await.status, 404);
    let a_year = rights.post(&links, &json!({"name": "desk"})).await;
    // The session began a day ago by this clock; its token is checked by the machine's.
    assert_eq!(a_year.expect(201)["standing"], "in_force");
    let listed = rights.get(&links).await.expect(200);
    assert_eq!(listed["items"][1]["standing"], "expired");
}

#[tokio::test]
async fn an_administrator_lists_and_revokes_everybodys_calendar_links() {
    let system = System::start().await;
    let (admin, rights) = (
        system.sign_in("admin").await,
        system.sign_in("rights").await,
    );
    let links = at("/calendar-links");
    let link = rights
        .post(&links, &json!({"name": "telephone"}))
        .await
        .expect(201);
    let all = format!("{links}?everybodys=true");
    rights.get(&all).await.expect(403);
    assert_eq!(admin.get(&links).await.expect(200)["items"], json!([]));
    let listed = admin.get(&all).await.expect(200);
    assert_eq!(
        (&listed["items"][0]["id"], &listed["items"][0]["url"]),
        (&link["id"], &json!(""))
    );
    let other = system.other_programme().await.sign_in("admin").await;
    let one = format!("{links}/{}", id(&link));
    other.delete(&one).await.expect(404);
    system
        .sign_in("manager")
        .await
        .delete(&one)
        .await
        .expect(404);
    admin.delete(&one).await.expect(204);
    assert_eq!(
        system
            .anonymous()
            .get(link["url"].as_str().unwrap())
            .await
            .status,
        404
    );
    let mine = rights.get(&links).await.expect(200);
    assert_eq!(mine["items"][0]["standing"], "revoked");
    assert_ne!(mine["items"][0]["revoked_by"], "");
}

async fn device(system: &System, key: &Value) -> Client {
    let body = json!({ "secret_key": key["secret_key"] });
    let granted = system.anonymous().post(TOKENS, &body).await.expect(200);
    Client::new(
        system.url(),
        granted["access_token"].as_str().map(str::to_owned),
    )
}

#[tokio::test]
async fn a_partners_key_ends_with_the_standing_of_who_made_it() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let partner = system.sign_in("partner_a").await;
    let key = partner
        .post(KEYS, &json!({"name": "till"}))
        .await
        .expect(200);
    let own = organisation(&system, "Nursery A").await;
    let others = json!({"name": "printer", "organisation_id": own});
    let kept = admin.post(KEYS, &others).await.expect(200);
    let (till, printer) = (device(&system, &key).await, device(&system, &kept).await);
    till.get(STATUS).await.expect(200);
    edit(&admin, "partner-a", json!({"active": false})).await;
    until(&till, STATUS, 401).await;
    let body = json!({ "secret_key": key["secret_key"] });
    system.anonymous().post(TOKENS, &body).await.expect(401);
    // The one that the administrator answers for goes on.
    printer.get(STATUS).await.expect(200);
    let listed = admin.get(KEYS).await.expect(200);
    let till = listed["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|k| k["name"] == "till")
        .unwrap();
    assert_eq!(till["standing"], "revoked");
    assert!(
        till["revoked_by"].as_str().unwrap().contains("standing"),
        "{till:#}"
    );
}

#[tokio::test]
async fn with_an_organisation_everything_of_theirs_ends_at_once_and_nothing_of_others() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let (a, b) = (
        system.sign_in("partner_a").await,
        system.sign_in("partner_b").await,
    );
    let key = a.post(KEYS, &json!({"name": "till"})).await.expect(200);
    let till = device(&system, &key).await;
    till.get(STATUS).await.expect(200);
    let path = format!(
        "/api/identity/v1/organisations/{}",
        organisation(&system, "Nursery A").await
    );
    let before = admin.get(&path).await;
    assert_eq!(before.headers["etag"], "\"1\"");
    assert_eq!(before.expect(200)["active"], true);
    a.patch(&path, &json!({"active": false}), 1)
        .await
        .expect(403);
    let other = system.other_programme().await.sign_in("admin").await;
    other
        .patch(&path, &json!({"active": false}), 1)
        .await
        .expect(404);
    assert_eq!(
        admin.patch(&path, &json!({}), 1).await.pointers(422),
        ["/active"]
    );
    admin
        .patch(&path, &json!({"active": false}), 7)
        .await
        .expect(412);
    let ended = admin
        .patch(&path, &json!({"active": false}), 1)
        .await
        .expect(200);
    assert_eq!(
        (&ended["active"], &ended["version"]),
        (&json!(false), &json!(2))
    );

    until(&a, STATUS, 401).await;
    until(&till, STATUS, 401).await;
    let status = till
        .release()
        .get_release_status(::contract::release::GetReleaseStatusRequest::default())
        .await
        .unwrap_err();
    assert_eq!(status.code(), tonic::Code::Unauthenticated);
    let account = system.account("partner_a");
    super::sign_in_with(&system.anonymous(), &account.login, &account.password)
        .await
        .expect(401);
    let body = json!({ "secret_key": key["secret_key"] });
    system.anonymous().post(TOKENS, &body).await.expect(401);
    b.get(STATUS).await.expect(200);

    admin
        .patch(&path, &json!({"active": true}), 2)
        .await
        .expect(200);
    walk_in(&system, &account.login, &account.password).await;
    system.anonymous().post(TOKENS, &body).await.expect(200);
    // The session that had ended stays ended.
    a.get(STATUS).await.expect(401);
}
