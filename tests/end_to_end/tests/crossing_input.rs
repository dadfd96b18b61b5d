//! What cannot be, and what is doubtful: each is refused where it lies or taken with a stated warning,
//! and nothing is lost or half written.

use end_to_end::System;
use end_to_end::crossing::{
    ROOT, cherry, create, cross, dry_pollen, id, mother, open_season, read, refused,
};
use serde_json::{Value, json};
use uuid::Uuid;

fn codes(warnings: &Value) -> Vec<&str> {
    warnings
        .as_array()
        .unwrap_or_else(|| panic!("no list of warnings but {warnings:#}"))
        .iter()
        .map(|warning| warning["code"].as_str().unwrap_or_default())
        .collect()
}

#[tokio::test]
async fn allele_names_loops_and_ploidies_are_told() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    // S alleles that the species is not known to have are taken with a warning; at a described locus
    // an allele that it does not have cannot be asked about.
    let odd = json!({"name": "Odd", "species": "Prunus avium", "kind": "variety", "s_alleles": ["S3", "Sf"]});
    let odd = create(&breeder, "/germplasm", &odd).await;
    assert_eq!(codes(&odd["warnings"]), ["unknown_s_allele"]);
    let odds = json!({"probability": 0.95, "species": "Prunus persica", "loci": [
        {"locus": "G", "seed_parent": "Gx", "pollen_parent": "Gg", "wanted": ["gg"]}]});
    assert_eq!(
        refused(&breeder, "/progeny-odds", &odds).await,
        ["/loci/0/seed_parent"]
    );

    // A plant cannot descend from its own seedling.
    let peach = async |name: &str, seed_parent: Option<&str>| {
        let mut body = json!({"name": name, "species": "Prunus persica", "kind": "selection"});
        if let Some(seed_parent) = seed_parent {
            body["seed_parent_id"] = json!(seed_parent);
        }
        id(&create(&breeder, "/germplasm", &body).await)
    };
    let old = peach("Old", None).await;
    let young = peach("Young", Some(&old)).await;
    let youngest = peach("Youngest", Some(&young)).await;
    let ring = json!({"name": "Old", "species": "Prunus persica", "kind": "selection", "seed_parent_id": youngest});
    let looped = breeder
        .put(&format!("{ROOT}/germplasm/{old}"), &ring, 1)
        .await;
    assert!(
        looped.body.to_string().contains("its own ancestor"),
        "{:#}",
        looped.body
    );
    assert_eq!(looped.pointers(422).len(), 1);
    let unchanged = read(&breeder, &format!("/germplasm/{old}")).await;
    assert_eq!(unchanged["version"], 1, "nothing was written");

    // Parents of unlike ploidy: a stated warning, with the chromosomes of the seedlings.
    let sour = json!({"name": "Sour", "species": "Prunus cerasus", "kind": "variety"});
    let sour = id(&create(&breeder, "/germplasm", &sour).await);
    let sweet = cherry(&breeder, "Sweet", ["S1", "S3"]).await;
    let asked = json!({"seed_parent_id": sour, "pollen_parent_id": sweet, "fruit_wanted_n": 20});
    let advice = breeder
        .post(&format!("{ROOT}/cross-advice"), &asked)
        .await
        .expect(200);
    assert!(
        codes(&advice["warnings"]).contains(&"polyploid"),
        "{advice:#}"
    );
    let note = advice["ploidy_note"].as_str().unwrap();
    assert!(
        note.contains("2n = 24") && note.contains("sterile"),
        "{note}"
    );
    // Peach with a hexaploid plum is not known to work; it is planned with the warning, not refused.
    open_season(&breeder).await;
    let plum = json!({"name": "Plum", "species": "Prunus domestica", "kind": "variety"});
    let plum = id(&create(&breeder, "/germplasm", &plum).await);
    let wide = json!({"season": 2026, "seed_parent_id": plum, "pollen_parent_id": sweet, "objective": "wide", "fruit_wanted_n": 5});
    let wide = create(&breeder, "/crosses", &wide).await;
    for code in ["polyploid", "hard_to_cross"] {
        assert!(codes(&wide["warnings"]).contains(&code), "{wide:#}");
    }
}

#[tokio::test]
async fn counts_and_pollen_that_cannot_be_are_refused_where_they_lie() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    open_season(&breeder).await;
    let hilda = cherry(&breeder, "Hilda", ["S1", "S3"]).await;
    let rolf = cherry(&breeder, "Rolf", ["S4", "S9"]).await;
    let mother = mother(&field, &hilda, 1).await;
    let lot = dry_pollen(&field, &rolf, 200, Some(80.0)).await;
    let cross = cross(&breeder, &hilda, &rolf, 100).await;
    let passes = format!("/crosses/{cross}/passes");
    let pass = |n: u32, pollen_mg: f64| {
        json!({"id": Uuid::now_v7(), "on": "2026-02-12", "pollen_lot_id": lot, "mother_id": mother,
            "flowers_emasculated_n": n, "flowers_pollinated_n": n, "pollen_mg": pollen_mg})
    };

    // Pollen beyond what is there.
    assert_eq!(
        refused(&field, &passes, &pass(50, 80.5)).await,
        ["/pollen_mg"]
    );
    let taken = pass(50, 60.0);
    create(&field, &passes, &taken).await;
    assert_eq!(
        refused(&field, &passes, &pass(10, 20.1)).await,
        ["/pollen_mg"]
    );
    let more = json!({"kind": "used", "on": "2026-02-12", "quantity_mg": 20.1});
    let pointers = refused(&field, &format!("/pollen-lots/{lot}/events"), &more).await;
    assert!(
        pointers.contains(&"/quantity_mg".to_owned()),
        "{pointers:?}"
    );
    let left = read(&field, &format!("/pollen-lots/{lot}")).await;
    assert!(
        (left["left_mg"].as_f64().unwrap() - 20.0).abs() < 1e-9,
        "{left:#}"
    );

    // One id and unlike contents.
    let mut unlike = taken.clone();
    unlike["flowers_pollinated_n"] = json!(49);
    field
        .post(&format!("{ROOT}{passes}"), &unlike)
        .await
        .expect(409);
    unlike["cross_id"] = json!(cross);
    let reply = field
        .post(&format!("{ROOT}/passes:batch"), &json!([unlike]))
        .await
        .expect(200);
    assert_eq!(
        (
            &reply["accepted"],
            &reply["rejected"][0]["errors"][0]["pointer"]
        ),
        (&json!(0), &json!("/id"))
    );

    // Negative counts, and cumulative counts that shrink on the way.
    let negative = json!({"on": "2026-05-20", "set_n": -3});
    assert_eq!(
        refused(&field, &format!("/crosses/{cross}/fruit"), &negative).await,
        ["/set_n"]
    );
    let fruit = format!("/crosses/{cross}/fruit");
    assert_eq!(
        refused(
            &field,
            &fruit,
            &json!({"on": "2026-05-20", "harvested_n": 51})
        )
        .await,
        ["/harvested_n"],
        "51 fruits of 50 flowers"
    );
    create(
        &field,
        &fruit,
        &json!({"on": "2026-05-20", "set_n": 30, "harvested_n": 20, "stones_n": 20}),
    )
    .await;
    assert_eq!(
        refused(&field, &fruit, &json!({"on": "2026-05-22", "stones_n": 1})).await,
        ["/stones_n"],
        "21 stones of 20 fruits"
    );
    let seed = json!({"step": "extracted", "on": "2026-05-25", "seed_n": 41, "stones_n": 20});
    let pointers = refused(&field, &format!("/crosses/{cross}/seed"), &seed).await;
    assert_eq!(
        pointers,
        ["/seed_n", "/stones_n"],
        "two seeds in a stone at most: one of the counts is wrong"
    );
    let told = read(&field, &format!("/crosses/{cross}")).await;
    assert_eq!(
        (
            &told["counts"]["flowers_pollinated_n"],
            &told["counts"]["fruit_harvested_n"],
            &told["counts"]["stones_n"]
        ),
        (&json!(50), &json!(20), &json!(20)),
        "nothing of what was refused was written"
    );
}

#[tokio::test]
async fn temperatures_and_clock_changes_are_asked_about() {
    let system = System::start().await;
    let field = system.sign_in("field").await;
    let station = json!({"name": "Roof", "site": "Home", "latitude_deg": 36.6, "time_zone": "America/Los_Angeles"});
    let station = id(&create(&field, "/weather-stations", &station).await);
    let readings = format!("{ROOT}/weather-stations/{station}/readings");
    let told = async |body: Value| {
        let reply = field.post(&readings, &body).await.expect(200);
        let rejected: Vec<(u64, String, String)> = reply["rejected"]
            .as_array()
            .unwrap()
            .iter()
            .map(|row| {
                let error = &row["errors"][0];
                let said = |field: &str| error[field].as_str().unwrap().to_owned();
                (
                    row["row"].as_u64().unwrap(),
                    said("pointer"),
                    said("message"),
                )
            })
            .collect();
        (reply, rejected)
    };
    // Out of range, in either unit; the rows beside them are taken.
    let (reply, rejected) = told(json!([
        {"at": "2026-01-05T00:00", "temperature_c": 6.0},
        {"at": "2026-01-05T01:00", "temperature_c": -99.0},
        {"at": "2026-01-05T02:00", "temperature_f": 400.0},
        {"date": "2026-01-06", "min_c": 3.0, "max_c": 75.0},
    ]))
    .await;
    assert_eq!(reply["accepted"], 1, "{reply:#}");
    let places: Vec<(u64, &str)> = rejected.iter().map(|(r, p, _)| (*r, p.as_str())).collect();
    assert_eq!(
        places,
        [(1, "/temperature_c"), (2, "/temperature_f"), (3, "/max_c")]
    );

    // A series that looks like °F is asked about; said to be °C, it is taken.
    let warm: Vec<Value> = (0..24)
        .map(|h| json!({"at": format!("2026-01-07T{h:02}:00"), "temperature_c": 48.0 + f64::from(h % 6)}))
        .collect();
    let asked = field.post(&readings, &json!(warm)).await;
    assert!(
        asked.body.to_string().contains("Fahrenheit"),
        "{:#}",
        asked.body
    );
    assert_eq!(asked.pointers(422), ["/unit_confirmed"]);
    let (reply, _) = told(json!({"unit_confirmed": true, "rows": warm})).await;
    assert_eq!(reply["accepted"], 24);

    // The hour that comes twice, given once or by standard time; the hour that does not exist.
    let (_, rejected) =
        told(json!({"clock": "local", "rows": [{"at": "2025-11-02T01:00", "temperature_c": 8.0}]}))
            .await;
    assert!(
        rejected[0].1 == "/at" && rejected[0].2.contains("happened twice"),
        "{rejected:?}"
    );
    let (_, rejected) = told(json!([
        {"at": "2025-11-02T01:00", "temperature_c": 8.0}, {"at": "2025-11-02T01:00", "temperature_c": 7.0},
    ]))
    .await;
    assert!(
        rejected[0].1 == "/at" && rejected[0].2.contains("clocks go back"),
        "{rejected:?}"
    );
    let (_, rejected) =
        told(json!({"clock": "local", "rows": [{"at": "2026-03-08T02:00", "temperature_c": 6.0}]}))
            .await;
    assert!(
        rejected[0].1 == "/at" && rejected[0].2.contains("does not exist"),
        "{rejected:?}"
    );
    // An hour missing just there, in what is said to be standard time, is pointed out.
    let (reply, _) = told(json!([
        {"at": "2026-03-08T01:00", "temperature_c": 6.0}, {"at": "2026-03-08T03:00", "temperature_c": 6.0},
    ]))
    .await;
    assert_eq!(reply["accepted"], 2);
    assert!(
        reply["doubtful"].to_string().contains("clocks go forward"),
        "{reply:#}"
    );
}
