//! A life entered over the API, page by page as each reader sees it.

use end_to_end::System;
use serde_json::{Value, json};

use crate::pages::{Browser, id};

const CROSSING: &str = "/api/crossing/v1";
const RELEASE: &str = "/api/release/v1";

/// Words of a page without its marks, with single spaces.
fn words(page: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for c in page.chars() {
        match c {
            '<' => inside = true,
            '>' => {
                inside = false;
                text.push(' ');
            }
            _ if !inside => text.push(c),
            _ => {}
        }
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn pairs<'a>(form: &'a [(&'a str, String)]) -> Vec<(&'a str, &'a str)> {
    form.iter()
        .map(|(name, value)| (*name, value.as_str()))
        .collect()
}

#[track_caller]
fn holds(page: &str, wanted: &[&str]) {
    let text = words(page);
    for wanted in wanted {
        assert!(text.contains(wanted), "{wanted:?} is missing in: {text}");
    }
}

async fn variety(system: &System, body: Value) -> String {
    let breeder = system.sign_in("breeder").await;
    id(breeder.post(&format!("{CROSSING}/germplasm"), &body).await)
}

#[tokio::test]
async fn a_bloom_is_seen_on_the_pages() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    let grandmother = variety(
        &system,
        json!({"name": "Tolva", "species": "Prunus persica", "kind": "variety"}),
    )
    .await;
    let mother_variety = variety(
        &system,
        json!({"name": "Merle <Late>", "species": "Prunus persica", "kind": "selection",
               "seed_parent_id": grandmother, "pollen_parent_id": grandmother}),
    )
    .await;
    let father = variety(
        &system,
        json!({"name": "Osk", "species": "Prunus persica", "kind": "variety"}),
    )
    .await;
    let season = json!({"year": 2025, "site": "Home house", "time_zone": "America/Los_Angeles",
                        "opens_on": "2025-01-20", "closes_on": "2025-03-31"});
    breeder
        .post(&format!("{CROSSING}/seasons"), &season)
        .await
        .expect(201);
    let plan = json!({"season": "2025", "seed_parent_id": mother_variety, "pollen_parent_id": father,
                      "objective": "earlier nectarines", "fruit_wanted_n": 60});
    let cross = breeder
        .post(&format!("{CROSSING}/crosses"), &plan)
        .await
        .expect(201);
    let (cross, number) = (
        cross["id"].as_str().unwrap().to_owned(),
        cross["number"].as_str().unwrap().to_owned(),
    );
    let lot = json!({"germplasm_id": father, "gathered_on": "2025-02-10", "flowers_n": 150, "stage_bbch": 59});
    let lot = id(field.post(&format!("{CROSSING}/pollen-lots"), &lot).await);
    let dried = json!({"kind": "dried", "on": "2025-02-11", "place": "vial"});
    field
        .post(&format!("{CROSSING}/pollen-lots/{lot}/events"), &dried)
        .await
        .expect(201);
    let mother = json!({"germplasm_id": mother_variety, "house": "House 2", "row": 1, "position": 4, "on": "2025-01-20"});
    let mother = id(field.post(&format!("{CROSSING}/mothers"), &mother).await);
    let pass = json!({"on": "2025-02-12", "pollen_lot_id": lot, "mother_id": mother, "by": "Tomas Brekke",
                      "flowers_emasculated_n": 120, "flowers_pollinated_n": 110,
                      "stray_open_flowers_n": 12, "stray_stripped_n": 0});
    field
        .post(&format!("{CROSSING}/crosses/{cross}/passes"), &pass)
        .await
        .expect(201);

    let mut browser = Browser::signed_in(&system, "field").await;
    let list = browser.page("/crosses?season=2025").await;
    holds(&list, &[&number, "Osk", "earlier nectarines", "110"]);
    let page = browser.page(&format!("/crosses/{cross}")).await;
    holds(
        &page,
        &[
            "Fruit to expect",
            "fruits expected",
            "12 Feb 2025",
            "Tomas Brekke",
            "Warning",
            "Out-cross doubt",
        ],
    );
    let plant = browser.page(&format!("/germplasm/{mother_variety}")).await;
    holds(
        &plant,
        &["Merle &lt;Late&gt;", "Tolva", "F 0.5000", "seed parent"],
    );
    let season = browser.page("/season/2025").await;
    holds(&season, &["Home house", "1 pass in 1 cross", &number]);
    let day = browser.page("/days/2025-02-13").await;
    holds(
        &day,
        &[
            "The day’s list: Thursday, 13 February 2025",
            "Season 2025",
            "House 2, row 1, place 4",
        ],
    );
    let sheet = browser.get("/days/2025-02-13/sheet.pdf").await;
    assert_eq!((sheet.status, sheet.text.starts_with("%PDF-")), (200, true));
    let today = browser.get("/days?date=2025-02-13").await;
    assert_eq!(today.location.as_deref(), Some("/days/2025-02-13"));
    assert_eq!(browser.get("/days/2025-02-31").await.status, 422);
    holds(
        &browser.page(&format!("/pollen-lots/{lot}")).await,
        &["Ledger", "gathered", "dried", "vial"],
    );
    holds(
        &browser.page(&format!("/mothers/{mother}")).await,
        &["House 2", "row 1"],
    );
    let found = browser.get(&format!("/find?number={number}")).await;
    assert_eq!(
        found.location.as_deref(),
        Some(format!("/crosses/{cross}").as_str())
    );
    assert_eq!(browser.get("/find?number=99-9999").await.status, 404);
    assert_eq!(browser.get("/season/1999").await.status, 404);
    assert_eq!(browser.get("/season/soon").await.status, 404);
}

#[tokio::test]
async fn a_release_is_seen_by_the_manager_and_by_its_licensee() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let breeder = system.sign_in("breeder").await;
    let plant = variety(
        &system,
        json!({"name": "Sel 12", "species": "Prunus persica", "kind": "selection"}),
    )
    .await;
    let candidate = json!({"germplasm_id": plant, "code": "P-12-007", "crossing_year": 2012,
                           "stage": "pre_release", "since": "2024-05-01"});
    let candidate = id(rights
        .post(&format!("{RELEASE}/candidates"), &candidate)
        .await);
    let path = format!("{RELEASE}/candidates/{candidate}");
    let filing = json!({"jurisdiction": "US", "kind": "plant_patent", "on": "2025-04-01", "application_number": "99/000,001"});
    let filing = id(rights.post(&format!("{path}/filings"), &filing).await);
    let grant = json!({"on": "2026-02-03", "grant_number": "PP00001"});
    rights
        .post(&format!("{RELEASE}/filings/{filing}/grants"), &grant)
        .await
        .expect(201);
    let organisations = system
        .sign_in("admin")
        .await
        .get("/api/identity/v1/organisations")
        .await
        .expect(200);
    let all = organisations["items"].as_array().unwrap();
    let nursery = all.iter().find(|o| o["name"] == "Nursery A").unwrap();
    let licence = json!({"candidate_id": candidate, "licensee_id": nursery["id"], "territory": ["US"],
                         "purpose": "propagation", "exclusive": true, "starts_on": "2026-02-04", "propagate_max_n": 5000,
                         "royalty": {"per": "tree", "amount": "1.85", "currency": "USD"}});
    rights
        .post(&format!("{RELEASE}/licences"), &licence)
        .await
        .expect(201);
    drop(breeder);

    let mut manager = Browser::signed_in(&system, "manager").await;
    let pipeline = manager.page("/pipeline").await;
    holds(
        &pipeline,
        &[
            "1 pre-release",
            "2012",
            "legal advice",
            "Licences by territory",
            "2012, pre-release: 1",
        ],
    );
    assert!(
        pipeline.contains("<svg") && pipeline.contains("<desc>") && pipeline.contains("<details>")
    );
    holds(
        &manager.page("/candidates?stage=pre_release").await,
        &["P-12-007"],
    );
    holds(
        &manager.page("/candidates?stage=budded").await,
        &["No candidate fits."],
    );
    let life = manager.page(&format!("/candidates/{candidate}")).await;
    holds(
        &life,
        &[
            "The life of P-12-007",
            "99/000,001",
            "PP00001",
            "1 Apr 2045",
            "Nursery A",
            "legal advice",
            "1.85 USD per tree",
        ],
    );
    holds(
        &manager.page("/due-dates").await,
        &["Dates due", "legal advice"],
    );
    holds(
        &manager.page("/forecast").await,
        &["Releases to expect", "What was assumed"],
    );

    let mut partner = Browser::signed_in(&system, "partner_a").await;
    holds(
        &partner.page("/partner").await,
        &[
            "P-12-007",
            "Yes may propagate",
            "5,000",
            "PP00001",
            "Text for the tag",
        ],
    );
    let page = partner.page("/partner").await;
    let value = |name: &str| {
        let part = page.split(&format!("name=\"{name}\" value=\"")).nth(1);
        part.and_then(|p| p.split('"').next())
            .unwrap_or_default()
            .to_owned()
    };
    let licence_id = page
        .split("<option value=\"")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap()
        .to_owned();
    let report = value("id");
    let sent = |trees_n: &'static str| {
        vec![
            ("id", report.clone()),
            ("licence_id", licence_id.clone()),
            ("period_start", "2026-03-01".to_owned()),
            ("period_end", "2026-05-31".to_owned()),
            ("trees_n", trees_n.to_owned()),
        ]
    };
    let wrong = partner
        .post("/partner/reports", &pairs(&sent("many")), &[])
        .await;
    assert_eq!(wrong.status, 422);
    holds(&wrong.text, &["trees_n", "is not a count"]);
    for _ in 0..2 {
        let taken = partner
            .post("/partner/reports", &pairs(&sent("1200")), &[])
            .await;
        assert_eq!(
            (taken.status, taken.location.as_deref()),
            (303, Some("/partner#reports")),
            "{}",
            taken.text
        );
    }
    holds(
        &partner.page("/partner").await,
        &["3,800 trees still open", "1,200 trees reported"],
    );

    // A device's key is shown once, listed without it, and revoked.
    let new_key = [("name", "label printer"), ("quota", "small")];
    let bare = partner.post("/keys", &new_key, &[]).await;
    assert_eq!(bare.status, 422, "a key that may do nothing");
    let new_key = [new_key[0], new_key[1], ("ask_release_status", "on")];
    let made = partner.post("/keys", &new_key, &[]).await;
    assert_eq!(made.status, 200);
    holds(&made.text, &["label printer", "dpk_", "60 times a minute"]);
    let page = partner.page("/partner").await;
    holds(
        &page,
        &["label printer", "60 a minute, 2,000 a day", "in force"],
    );
    assert!(!page.contains("dpk_"), "{page}");
    let revoke = page
        .split("/keys/")
        .find_map(|rest| rest.split("/revoke").next().filter(|id| id.len() == 36))
        .unwrap()
        .to_owned();
    partner
        .post(&format!("/keys/{revoke}/revoke"), &[], &[])
        .await;
    let page = partner.page("/partner").await;
    holds(&page, &["revoked"]);
    assert!(!page.contains("/revoke\""), "{page}");

    let mut other = Browser::signed_in(&system, "partner_b").await;
    let nothing = other.page("/partner").await;
    assert!(
        !nothing.contains("P-12-007") && nothing.contains("Nothing is licensed to you"),
        "{nothing}"
    );
}
