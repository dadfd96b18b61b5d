//! Keys of the programme's own machines.

use drupeline::assembly;
use end_to_end::{Client, System};
use platform::access::Permission;
use platform::fields::Words as _;
use serde_json::{Value, json};

use super::until;
use crate::release::id;

const KEYS: &str = "/api/identity/v1/access-keys";
const TOKENS: &str = "/api/identity/v1/access-tokens";

async fn machine(system: &System, key: &Value) -> Client {
    let body = json!({ "secret_key": key["secret_key"] });
    let granted = system.anonymous().post(TOKENS, &body).await.expect(200);
    Client::new(
        system.url(),
        granted["access_token"].as_str().map(str::to_owned),
    )
}

async fn station(system: &System) -> String {
    let station = json!({"name": "Ridge", "latitude_deg": 36.6,
        "site": "Ridge", "time_zone": "America/Los_Angeles"});
    let made = system
        .sign_in("field")
        .await
        .post("/api/crossing/v1/weather-stations", &station)
        .await
        .expect(201);
    id(&made)
}

#[tokio::test]
async fn a_weather_logger_writes_readings_and_nothing_else_and_is_audited_under_its_name() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let station = station(&system).await;
    let body =
        json!({"name": "logger on the ridge", "scopes": ["write_weather"], "quota": "large"});
    let key = admin.post(KEYS, &body).await.expect(200);
    assert_eq!(
        (&key["organisation_id"], &key["scopes"]),
        (&json!(""), &json!(["write_weather"]))
    );
    let logger = machine(&system, &key).await;
    let readings = format!("/api/crossing/v1/weather-stations/{station}/readings");
    let rows = json!([{"at": "2026-01-05T00:00", "temperature_c": 4.5}]);
    let taken = logger.post(&readings, &rows).await;
    assert!(taken.headers.contains_key("ratelimit"));
    let taken = taken.expect(200);
    assert_eq!(taken["accepted"], 1, "{taken:#}");
    let me = logger.get("/api/identity/v1/me").await.expect(200);
    assert_eq!(
        (&me["name"], &me["roles"]),
        (&json!("logger on the ridge (key)"), &json!([]))
    );

    for entry in assembly::catalogue() {
        let operation = entry.operation;
        let open = [
            Permission::Anyone,
            Permission::SignedIn,
            Permission::WriteWeather,
        ]
        .contains(&operation.permission);
        if operation.name == "sign_out" {
            continue;
        }
        let path: Vec<&str> = operation
            .path
            .split('/')
            .map(|part| {
                if part.starts_with('{') {
                    "01890a5d-ac96-774b-bcce-000000000000"
                } else {
                    part
                }
            })
            .collect();
        let path = format!("{}{}", operation.root, path.join("/"));
        let body = (!matches!(operation.method, "GET" | "DELETE")).then(|| b"{}".to_vec());
        let headers = [("content-type", "application/json")];
        let status = logger
            .send(operation.method, &path, &headers, body)
            .await
            .status;
        assert_eq!(status != 403, open, "{} {path}: {status}", operation.name);
    }
    let trail = admin
        .get("/api/crossing/v1/audit?operation=record_weather")
        .await
        .expect(200);
    assert_eq!(trail["items"][0]["actor_name"], "logger on the ridge (key)");
    assert_eq!(trail["items"][0]["actor_id"], key["id"]);
    // Its use is in identity's trail.
    let used = admin
        .get("/api/identity/v1/audit?operation=exchange_access_key")
        .await
        .expect(200);
    assert_eq!(used["items"][0]["actor_name"], "logger on the ridge (key)");
}

#[tokio::test]
async fn machine_keys_are_kept_by_the_administrator_and_ask_for_what_machines_may() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    for (body, pointers) in [
        (json!({"name": "x"}), vec!["/scopes"]),
        (
            json!({"name": "x", "scopes": ["keep_webhooks"]}),
            vec!["/scopes/0"],
        ),
        (
            json!({"name": "x", "scopes": ["read_programme", "administer_people"]}),
            vec!["/scopes/1"],
        ),
        (
            json!({"name": "x", "scopes": ["own_account"]}),
            vec!["/scopes/0"],
        ),
        (
            json!({"name": "x", "scopes": ["write_weather"], "expires_on": "2190-01-01"}),
            vec!["/expires_on"],
        ),
    ] {
        assert_eq!(
            admin.post(KEYS, &body).await.pointers(422),
            pointers,
            "{body}"
        );
    }
    let body = json!({"name": "analysis", "scopes": ["read_programme", "read_pipeline"]});
    for role in ["breeder", "field", "manager", "rights", "trials"] {
        system
            .sign_in(role)
            .await
            .post(KEYS, &body)
            .await
            .expect(403);
    }
    let key = admin.post(KEYS, &body).await.expect(200);
    assert_eq!(admin.post(KEYS, &body).await.pointers(409), ["/name"]);
    // A partner sees its own keys alone, and makes none for the programme's machines.
    let partner = system.sign_in("partner_a").await;
    assert_eq!(partner.get(KEYS).await.expect(200)["items"], json!([]));
    let theirs = partner
        .post(KEYS, &json!({"name": "till"}))
        .await
        .expect(200);
    assert_ne!(theirs["organisation_id"], "");
    let revoke = format!("{KEYS}/{}/revoke", id(&key));
    partner.post(&revoke, &json!({})).await.expect(404);
    let machines = admin
        .get(&format!("{KEYS}?machines=true"))
        .await
        .expect(200);
    assert_eq!(machines["items"].as_array().unwrap().len(), 1);

    let reader = machine(&system, &key).await;
    reader.get("/api/crossing/v1/germplasm").await.expect(200);
    reader.get("/api/release/v1/candidates").await.expect(200);
    let sown = json!({"name": "A", "species": "Prunus avium", "kind": "variety"});
    let refused = reader
        .post("/api/crossing/v1/germplasm", &sown)
        .await
        .expect(403);
    let told = refused["detail"].as_str().unwrap();
    assert!(
        told.contains("read_programme") && told.contains(Permission::WriteGermplasm.word()),
        "{told}"
    );
    reader.get("/api/identity/v1/me/sessions").await.expect(403);
    let mut grpc = reader.crossing();
    grpc.list_germplasm(::contract::crossing::ListGermplasmRequest::default())
        .await
        .unwrap();
    // Another programme's things are not there for it.
    let other = system.other_programme().await;
    let own = other
        .sign_in("breeder")
        .await
        .post("/api/crossing/v1/germplasm", &sown)
        .await
        .expect(201);
    reader
        .get(&format!("/api/crossing/v1/germplasm/{}", id(&own)))
        .await
        .expect(404);

    admin.post(&revoke, &json!({})).await.expect(200);
    until(&reader, "/api/crossing/v1/germplasm", 401).await;
    let body = json!({ "secret_key": key["secret_key"] });
    system.anonymous().post(TOKENS, &body).await.expect(401);
}
