//! One variety's whole life, from cross to expiry, across the services that keep its parts: entered
//! as it happened decades ago, and read back in one line.

use end_to_end::{Client, System};
use serde_json::{Value, json};

use crate::pages::Browser;
use crate::release::{at, denominate, id, licence, organisation};

const CROSSING: &str = "/api/crossing/v1";
const EVALUATION: &str = "/api/evaluation/v1";

async fn made(client: &Client, path: &str, body: Value) -> String {
    id(&client.post(path, &body).await.expect(201))
}

/// A cross of 1988 with a seedling for each place, as the crossing service keeps it.
async fn crossed(system: &System) -> (String, Vec<String>) {
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    let germplasm = format!("{CROSSING}/germplasm");
    let mut parents = Vec::new();
    for name in ["Tolva", "Osk"] {
        let body = json!({"name": name, "species": "Prunus persica", "kind": "variety"});
        parents.push(made(&breeder, &germplasm, body).await);
    }
    let season = json!({"year": 1988, "site": "Old house", "time_zone": "America/Los_Angeles"});
    made(&breeder, &format!("{CROSSING}/seasons"), season).await;
    let plan = json!({"season": "1988", "seed_parent_id": parents[0], "pollen_parent_id": parents[1],
                      "objective": "firm and a week earlier", "fruit_wanted_n": 20});
    let cross = made(&breeder, &format!("{CROSSING}/crosses"), plan).await;
    let lot = json!({"germplasm_id": parents[1], "gathered_on": "1988-02-14", "flowers_n": 140, "stage_bbch": 59});
    let lot = made(&field, &format!("{CROSSING}/pollen-lots"), lot).await;
    let dried = json!({"kind": "dried", "on": "1988-02-15"});
    let events = format!("{CROSSING}/pollen-lots/{lot}/events");
    field.post(&events, &dried).await.expect(201);
    let mother = json!({"germplasm_id": parents[0], "house": "Old house", "row": 1, "position": 1, "on": "1987-11-20"});
    let mother = made(&field, &format!("{CROSSING}/mothers"), mother).await;
    let of_cross = |rest: &str| format!("{CROSSING}/crosses/{cross}/{rest}");
    let pass = json!({"on": "1988-02-17", "pollen_lot_id": lot, "mother_id": mother, "by": "Tomas Brekke",
                      "flowers_emasculated_n": 120, "flowers_pollinated_n": 110});
    field.post(&of_cross("passes"), &pass).await.expect(201);
    let fruit = json!({"on": "1988-06-24", "harvested_n": 21, "stones_n": 21});
    field.post(&of_cross("fruit"), &fruit).await.expect(201);
    for (step, on, seed_n) in [
        ("extracted", "1988-06-28", 20),
        ("stratified", "1988-07-02", 20),
        ("germinated", "1988-10-10", 14),
    ] {
        let seed = json!({"step": step, "on": on, "seed_n": seed_n});
        field.post(&of_cross("seed"), &seed).await.expect(201);
    }
    let planting = json!({"planted_n": 6, "block": "Old block", "first_row": 1, "on": "1988-11-12", "site": "Home farm"});
    field
        .post(&of_cross("seedlings"), &planting)
        .await
        .expect(201);
    let path = format!("{CROSSING}/seedlings?cross_id={cross}");
    let list = field.get(&path).await.expect(200);
    let seedlings = list["items"].as_array().unwrap().iter().map(id).collect();
    (cross, seedlings)
}

/// A trial laid out, with the decision that one entry goes on.
async fn tried(
    system: &System,
    (stage, season, planted_on): (&str, u32, &str),
    (entries, chosen): (&[String], &str),
    (to_stage, decided_on): (&str, &str),
) -> String {
    let trials = system.sign_in("trials").await;
    let site = json!({"name": format!("Farm of {season}"), "country": "US", "time_zone": "UTC"});
    let site = made(&trials, &format!("{EVALUATION}/sites"), site).await;
    let trial = json!({"name": format!("Look of {season}"), "stage": stage, "season": season,
                       "site_ids": [site], "entry_ids": entries, "planted_on": planted_on});
    let trial = made(&trials, &format!("{EVALUATION}/trials"), trial).await;
    let layout = json!({"design": "rcbd", "replicates": 2, "seed": 3});
    let of_trial = |rest: &str| format!("{EVALUATION}/trials/{trial}/{rest}");
    trials.post(&of_trial("layout"), &layout).await.expect(201);
    let decisions: Vec<Value> = entries
        .iter()
        .map(|entry| {
            let on = entry == chosen;
            json!({"germplasm_id": entry, "decision": if on { "advance" } else { "discard" },
                   "reason": if on { "sweetest of its family" } else { "surpassed" }})
        })
        .collect();
    let decided = json!({"decisions": decisions, "to_stage": to_stage, "on": decided_on});
    let breeder = system.sign_in("breeder").await;
    breeder
        .post(&of_trial("decisions"), &decided)
        .await
        .expect(201);
    trial
}

/// The candidate of a plant once it stands at a stage, which the trials announce.
async fn arrived(client: &Client, plant: &str, stage: &str) -> String {
    for _ in 0..300 {
        let list = client
            .get(&at(&format!("/candidates?stage={stage}")))
            .await
            .expect(200);
        let found = list["items"]
            .as_array()
            .unwrap()
            .iter()
            .find(|c| c["germplasm_id"] == plant);
        if let Some(found) = found {
            return id(found);
        }
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    panic!("the plant never came to {stage}");
}

#[tokio::test]
async fn a_life_of_four_decades_is_walked_from_cross_to_expiry() {
    let system = System::start().await;
    let (cross, seedlings) = crossed(&system).await;
    let own = seedlings[3].clone();
    let first = tried(
        &system,
        ("own_root", 1989, "1988-11-12"),
        (&seedlings, &own),
        ("budded", "1991-10-09"),
    )
    .await;
    let rights = system.sign_in("rights").await;
    let candidate = arrived(&rights, &own, "budded").await;
    let two = [own.clone(), seedlings[4].clone()];
    let second = tried(
        &system,
        ("budded", 1992, "1992-03-05"),
        (&two, &own),
        ("multi_site", "1996-10-15"),
    )
    .await;
    assert_eq!(arrived(&rights, &own, "multi_site").await, candidate);
    let breeder = system.sign_in("breeder").await;
    let path = |rest: &str| at(&format!("/candidates/{candidate}{rest}"));
    let clean = json!({"virus_status": "free", "true_to_type": "confirmed"});
    let now = rights.get(&path("")).await.expect(200);
    rights
        .put(&path(""), &clean, now["version"].as_i64().unwrap())
        .await
        .expect(200);
    let step = json!({"stage": "pre_release", "on": "2000-11-04", "reason": "best of its season", "evidence": "entry means of three seasons"});
    breeder.post(&path("/stages"), &step).await.expect(201);
    let filing = json!({"jurisdiction": "US", "kind": "plant_patent", "on": "2002-11-12", "application_number": "60/071,338"});
    let filing = made(&rights, &path("/filings"), filing).await;
    denominate(&rights, &candidate, "Velenta").await;
    let step = json!({"stage": "released", "on": "2003-03-20", "reason": "clean and true to type", "evidence": "virus test"});
    breeder.post(&path("/stages"), &step).await.expect(201);
    let sold =
        json!({"kind": "first_sale", "on": "2003-04-02", "country": "US", "detail": "trees"});
    rights.post(&path("/disclosures"), &sold).await.expect(201);
    let grant = json!({"on": "2004-06-22", "grant_number": "PP 60,118"});
    let of_filing = |rest: &str| at(&format!("/filings/{filing}/{rest}"));
    rights.post(&of_filing("grants"), &grant).await.expect(201);
    let nursery = organisation(&system, "Nursery A").await;
    let terms = json!({"starts_on": "2004-07-01", "ends_on": "2022-11-12", "exclusive": true});
    let licence = licence(&rights, &candidate, &nursery, terms).await;
    let ended = json!({"event": "expiry", "on": "2022-11-12", "evidence": "the office's record"});
    rights.post(&of_filing("events"), &ended).await.expect(201);

    // Each service tells its part by the same plant.
    let trials = format!("{EVALUATION}/plants/{own}/trials");
    let stood = rights.get(&trials).await.expect(200);
    let told: Vec<_> = stood["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|t| {
            (
                id_of_trial(t),
                t["season"].clone(),
                t["decisions"][0]["on"].clone(),
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            (first.clone(), json!(1989), json!("1991-10-09")),
            (second.clone(), json!(1992), json!("1996-10-15"))
        ]
    );
    let by_grpc = rights
        .evaluation()
        .list_plant_trials(::contract::evaluation::ListPlantTrialsRequest {
            germplasm_id: own.clone(),
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(by_grpc.items[1].decisions[0].to_stage, "multi_site");
    assert_eq!(by_grpc.items[1].trees_n, 2);
    let life = rights.get(&path("")).await.expect(200);
    assert_eq!(
        (
            &life["cross_id"],
            &life["crossing_year"],
            &life["germplasm_id"]
        ),
        (&json!(cross), &json!(1988), &json!(own))
    );
    let stages: Vec<_> = life["history"]
        .as_array()
        .unwrap()
        .iter()
        .map(|m| (m["stage"].as_str().unwrap(), m["on"].as_str().unwrap()))
        .collect();
    assert_eq!(
        stages,
        [
            ("budded", "1991-10-09"),
            ("multi_site", "1996-10-15"),
            ("pre_release", "2000-11-04"),
            ("released", "2003-03-20"),
        ]
    );
    // Nothing but the parts' own days, in one line.
    let line = [
        "1988-02-17", // pollinated
        "1988-06-24", // fruit
        "1988-11-12", // seedling
        "1991-10-09", // decided, budded
        "1996-10-15", // decided, multi-site
        "2000-11-04",
        "2002-11-12", // filed
        "2003-03-20", // released
        "2003-04-02", // sold
        "2004-06-22", // granted
        "2004-07-01", // licensed
        "2022-11-12", // expired
    ];
    assert!(line.is_sorted());
    let mut browser = Browser::signed_in(&system, "manager").await;
    let page = browser.page(&format!("/candidates/{candidate}")).await;
    for day in line {
        assert!(
            page.contains(&format!("datetime=\"{day}\"")),
            "{day} on the page: {page}"
        );
    }
    for wanted in [
        "Tolva × Osk",
        "trial, own-root",
        "trial, budded",
        licence["number"].as_str().unwrap(),
        "PP 60,118",
        &format!("/crosses/{cross}"),
        &format!("/trials/{first}"),
        &format!("/seedlings/{own}"),
        "not legal advice",
    ] {
        assert!(page.contains(wanted), "{wanted} on the page");
    }
    // A partner and another programme see nothing of the trials.
    let partner = system.sign_in("partner_a").await;
    partner.get(&trials).await.expect(403);
    let theirs = system.other_programme().await.sign_in("rights").await;
    let none = theirs.get(&trials).await.expect(200);
    assert_eq!(none["items"], json!([]));
    let wrong = rights.get(&format!("{EVALUATION}/plants/x/trials")).await;
    assert_eq!(wrong.pointers(422), ["/germplasm_id"]);
}

fn id_of_trial(trial: &Value) -> String {
    trial["trial_id"].as_str().expect("an id").to_owned()
}
