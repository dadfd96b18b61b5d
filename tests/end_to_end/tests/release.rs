//! The way to release: candidates, rights, licences, partners, labels and the forecast.

use end_to_end::{Client, System};
use serde_json::{Value, json};

mod isolation;
mod licences;
mod pipeline;
mod rights;
mod steady;

/// Root of the service's paths.
pub const ROOT: &str = "/api/release/v1";

/// A path of the service.
pub fn at(path: &str) -> String {
    format!("{ROOT}{path}")
}

/// The id in a reply.
pub fn id(reply: &Value) -> String {
    reply["id"]
        .as_str()
        .unwrap_or_else(|| panic!("there is an id in {reply:#}"))
        .to_owned()
}

/// A plant of the crossing service.
pub async fn plant(system: &System, name: &str) -> String {
    let breeder = system.sign_in("breeder").await;
    let body = json!({ "name": name, "species": "Prunus persica", "kind": "selection" });
    id(&breeder
        .post("/api/crossing/v1/germplasm", &body)
        .await
        .expect(201))
}

/// A candidate of that code.
pub async fn candidate(system: &System, code: &str) -> String {
    let germplasm_id = plant(system, &format!("Selection {code}")).await;
    let breeder = system.sign_in("breeder").await;
    let body = json!({
        "germplasm_id": germplasm_id, "code": code, "species": "Prunus persica",
        "stage": "own_root", "since": "2015-03-01",
    });
    id(&breeder.post(&at("/candidates"), &body).await.expect(201))
}

/// The organisation of that name.
pub async fn organisation(system: &System, name: &str) -> String {
    let admin = system.sign_in("admin").await;
    let list = admin
        .get("/api/identity/v1/organisations")
        .await
        .expect(200);
    let found = list["items"]
        .as_array()
        .and_then(|items| items.iter().find(|item| item["name"] == name))
        .unwrap_or_else(|| panic!("{name} is registered: {list:#}"));
    id(found)
}

/// Gives a candidate a published denomination.
pub async fn denominate(rights: &Client, candidate: &str, name: &str) {
    let path = at(&format!("/candidates/{candidate}/denominations"));
    let proposed = rights
        .post(&path, &json!({ "name": name, "on": "2025-01-10" }))
        .await
        .expect(201);
    let states = at(&format!("/denominations/{}/states", id(&proposed)));
    for (state, on) in [("checked", "2025-01-20"), ("published", "2025-06-02")] {
        rights
            .post(&states, &json!({ "state": state, "on": on }))
            .await
            .expect(201);
    }
}

/// A licence to propagate in the United States, with other fields put over it.
pub async fn licence(rights: &Client, candidate: &str, licensee: &str, with: Value) -> Value {
    let mut body = json!({
        "candidate_id": candidate, "licensee_id": licensee, "territory": ["US"],
        "purpose": "propagation", "exclusive": false, "starts_on": "2024-01-01",
        "royalty": { "per": "tree", "amount": "1.85", "currency": "USD" },
    });
    merge(&mut body, with);
    rights.post(&at("/licences"), &body).await.expect(201)
}

/// Puts the fields of `over` into `base`.
pub fn merge(base: &mut Value, over: Value) {
    if let (Value::Object(base), Value::Object(over)) = (base, over) {
        base.extend(over);
    }
}
