//! What stories of the crossing house have in common: a season, varieties, mothers, pollen and crosses.

use serde_json::{Value, json};

use crate::Client;

/// Where the crossing service is.
pub const ROOT: &str = "/api/crossing/v1";

/// The id of what was written.
#[track_caller]
pub fn id(value: &Value) -> String {
    value["id"]
        .as_str()
        .unwrap_or_else(|| panic!("no id in {value:#}"))
        .to_owned()
}

/// Writes something that must be taken.
pub async fn create(client: &Client, path: &str, body: &Value) -> Value {
    client
        .post(&format!("{ROOT}{path}"), body)
        .await
        .expect(201)
}

/// Sends something that must be refused; gives where its faults lie.
pub async fn refused(client: &Client, path: &str, body: &Value) -> Vec<String> {
    client
        .post(&format!("{ROOT}{path}"), body)
        .await
        .pointers(422)
}

/// Reads something that must be there.
pub async fn read(client: &Client, path: &str) -> Value {
    client.get(&format!("{ROOT}{path}")).await.expect(200)
}

/// Opens the season of 2026, from mid January to mid April.
pub async fn open_season(breeder: &Client) {
    let season = json!({"year": 2026, "site": "Glass house", "time_zone": "Europe/Madrid", "opens_on": "2026-01-15", "closes_on": "2026-04-15"});
    create(breeder, "/seasons", &season).await;
}

/// Registers a sweet cherry with its S alleles.
pub async fn cherry(breeder: &Client, name: &str, s_alleles: [&str; 2]) -> String {
    let body =
        json!({"name": name, "species": "Prunus avium", "kind": "variety", "s_alleles": s_alleles});
    id(&create(breeder, "/germplasm", &body).await)
}

/// Puts a mother of a variety into the first row of house A.
pub async fn mother(field: &Client, variety: &str, position: u32) -> String {
    let body = json!({"germplasm_id": variety, "house": "A", "row": 1, "position": position, "container_l": 50, "on": "2026-01-15"});
    id(&create(field, "/mothers", &body).await)
}

/// Gathers pollen of a variety on 10 February, which is dry on the next day, weighed or not.
pub async fn dry_pollen(
    field: &Client,
    variety: &str,
    flowers_n: u32,
    quantity_mg: Option<f64>,
) -> String {
    let body = json!({"germplasm_id": variety, "gathered_on": "2026-02-10", "flowers_n": flowers_n, "stage_bbch": 59});
    let lot = id(&create(field, "/pollen-lots", &body).await);
    let mut dried = json!({"kind": "dried", "on": "2026-02-11"});
    if let Some(quantity_mg) = quantity_mg {
        dried["quantity_mg"] = json!(quantity_mg);
    }
    create(field, &format!("/pollen-lots/{lot}/events"), &dried).await;
    lot
}

/// Plans a cross of 2026.
pub async fn cross(breeder: &Client, mother: &str, father: &str, fruit_wanted_n: u32) -> String {
    let body = json!({"season": 2026, "seed_parent_id": mother, "pollen_parent_id": father, "objective": "earlier, larger", "fruit_wanted_n": fruit_wanted_n});
    id(&create(breeder, "/crosses", &body).await)
}
