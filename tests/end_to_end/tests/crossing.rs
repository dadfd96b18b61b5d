//! The crossing house: from registered parents to numbered, labelled seedlings.

use ::contract::crossing as wire;
use end_to_end::crossing::{
    ROOT, cherry, create, cross, dry_pollen, id, mother, open_season, read, refused,
};
use end_to_end::{Client, System};
use platform::ProgrammeId;
use platform::database::Scope;
use platform::peers::ServiceName;
use serde_json::{Value, json};

fn codes(warnings: &Value) -> Vec<String> {
    warnings
        .as_array()
        .unwrap_or_else(|| panic!("no list of warnings but {warnings:#}"))
        .iter()
        .map(|warning| warning["code"].as_str().unwrap_or_default().to_owned())
        .collect()
}

/// A season with two cherries, dry pollen of one, a mother of the other, and their cross.
struct House {
    breeder: Client,
    field: Client,
    mother_variety: String,
    father_variety: String,
    lot: String,
    mother: String,
    cross: String,
}

async fn house(system: &System, mother_s: [&str; 2], father_s: [&str; 2]) -> House {
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    open_season(&breeder).await;
    let mother_variety = cherry(&breeder, "Hilda", mother_s).await;
    let father_variety = cherry(&breeder, "Rolf", father_s).await;
    let mother = mother(&field, &mother_variety, 2).await;
    let lot = dry_pollen(&field, &father_variety, 200, None).await;
    let cross = cross(&breeder, &mother_variety, &father_variety, 100).await;
    House {
        breeder,
        field,
        mother_variety,
        father_variety,
        lot,
        mother,
        cross,
    }
}

impl House {
    fn pass(&self, on: &str, emasculated: u32, pollinated: u32) -> Value {
        json!({"on": on, "pollen_lot_id": self.lot, "mother_id": self.mother,
            "flowers_emasculated_n": emasculated, "flowers_pollinated_n": pollinated,
            "stray_open_flowers_n": 0, "by": "Ines Vadell"})
    }

    fn passes(&self) -> String {
        format!("/crosses/{}/passes", self.cross)
    }
}

#[tokio::test]
async fn germplasm_is_registered_read_corrected_and_drawn() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let founder = create(&breeder, "/germplasm", &json!({
        "name": "Old Amber", "species": "P. persica", "kind": "variety", "loci": {"G": "Gg"},
        "traits": {"brix": 14.2, "freestone": true},
        "passport": {"institute_code": "USA026", "origin_country": "USA", "biological_status": "500", "acquisition_date": "1998----"},
        "protected_by": "Third Orchard Ltd",
    })).await;
    assert_eq!(founder["species"], "Prunus persica");
    assert_eq!(founder["traits"]["brix"], "14.2");
    assert_eq!(founder["rights_standing"], "protected");
    assert!(
        founder["checked_number"]
            .as_str()
            .unwrap()
            .starts_with(founder["number"].as_str().unwrap())
    );
    let founder_id = id(&founder);
    let selfed = |name: &str, parent: &str| json!({"name": name, "species": "Prunus persica", "kind": "selection", "seed_parent_id": parent, "pollen_parent_id": parent});
    let first = id(&create(&breeder, "/germplasm", &selfed("Amber F2", &founder_id)).await);
    let second = id(&create(&breeder, "/germplasm", &selfed("Amber F3", &first)).await);
    let tree = read(
        &breeder,
        &format!("/germplasm/{second}/pedigree?generations=2"),
    )
    .await;
    assert_eq!(tree["inbreeding"], 0.75);
    assert_eq!(tree["parents"][0]["parents"][1]["name"], "Old Amber");

    // Kinship over REST and over gRPC are one.
    let kinship = breeder
        .post(
            &format!("{ROOT}/kinship"),
            &json!({"ids": [founder_id, second]}),
        )
        .await
        .expect(200);
    assert_eq!(kinship["matrix"][0], json!([0.5, 0.5]));
    let by_grpc = breeder
        .crossing()
        .compute_kinship(wire::KinshipRequest {
            ids: vec![founder_id.clone(), second.clone()],
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(by_grpc.matrix[0].values, [0.5, 0.5]);

    // An edit needs the version that was read; a loop is refused by name.
    let path = format!("{ROOT}/germplasm/{founder_id}");
    let edit = json!({"name": "Old Amber", "species": "Prunus persica", "kind": "variety", "seed_parent_id": second});
    let stale = breeder.put(&path, &edit, 7).await;
    let problem = breeder.put(&path, &edit, 1).await;
    let detail = problem.body["errors"][0]["message"]
        .as_str()
        .unwrap_or_default()
        .to_owned();
    assert_eq!(problem.pointers(422), ["/seed_parent_id"]);
    for name in ["Old Amber", "Amber F2", "Amber F3"] {
        assert!(detail.contains(name), "{detail}");
    }
    assert!(stale.status == 412 || stale.status == 422);
    let edit = json!({"name": "Old Amber", "species": "Prunus persica", "kind": "variety", "notes": "renewed"});
    assert_eq!(breeder.put(&path, &edit, 7).await.status, 412);
    let edited = breeder.put(&path, &edit, 1).await.expect(200);
    assert_eq!(
        (edited["version"].clone(), edited["notes"].clone()),
        (json!(2), json!("renewed"))
    );

    // Lists page by name.
    let page = read(&breeder, "/germplasm?limit=2&q=amber").await;
    assert_eq!(page["items"].as_array().unwrap().len(), 2);
    let next = page["next_cursor"].as_str().unwrap();
    let rest = read(
        &breeder,
        &format!("/germplasm?limit=2&q=amber&cursor={next}"),
    )
    .await;
    assert_eq!(rest["items"][0]["name"], "Old Amber");
    assert!(rest["next_cursor"].is_null());

    // A clone counts as one plant with its source.
    let sport = id(&create(&breeder, "/germplasm", &json!({"name": "Red Amber", "species": "Prunus persica", "kind": "variety", "clone_of_id": second})).await);
    let kinship = breeder
        .post(&format!("{ROOT}/kinship"), &json!({"ids": [second, sport]}))
        .await
        .expect(200);
    assert_eq!(kinship["matrix"][0][1], 0.875);
    let extract = breeder
        .post(
            &format!("{ROOT}/pedigree-extract"),
            &json!({"ids": [sport]}),
        )
        .await
        .expect(200);
    let order: Vec<&str> = extract["plants"]
        .as_array()
        .unwrap()
        .iter()
        .map(|plant| plant["id"].as_str().unwrap())
        .collect();
    assert_eq!(order, [founder_id.as_str(), &first, &second, &sport]);
}

#[tokio::test]
async fn what_cannot_be_germplasm_is_refused_field_by_field() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let stranger = "0190f3a2-0000-7000-8000-000000000000";
    let body = json!({"name": " ", "species": "Prunus nowhere", "kind": "tree", "seed_parent_id": stranger, "passport": {"origin_country": "US"}});
    let pointers = refused(&breeder, "/germplasm", &body).await;
    assert_eq!(
        pointers,
        [
            "/name",
            "/species",
            "/kind",
            "/passport/origin_country",
            "/seed_parent_id"
        ]
    );
    let odd = json!({"name": "Odd", "species": "Prunus avium", "kind": "variety", "s_alleles": ["S3", "S4", "S9"]});
    assert_eq!(refused(&breeder, "/germplasm", &odd).await, ["/s_alleles"]);
    let unknown = json!({"name": "Strange", "species": "Prunus avium", "kind": "variety", "s_alleles": ["S3", "Sf"]});
    let strange = create(&breeder, "/germplasm", &unknown).await;
    assert_eq!(
        codes(&strange["warnings"]),
        ["unknown_s_allele"],
        "{strange:#}"
    );
    // The same name again, and somebody whose work this is not.
    breeder
        .post(
            &format!("{ROOT}/germplasm"),
            &json!({"name": "STRANGE", "species": "Prunus avium", "kind": "variety"}),
        )
        .await
        .expect(409);
    let field = system.sign_in("field").await;
    field
        .post(&format!("{ROOT}/germplasm"), &unknown)
        .await
        .expect(403);
    breeder
        .get(&format!("{ROOT}/germplasm/{stranger}"))
        .await
        .expect(404);
}

#[tokio::test]
async fn questions_of_genetics_and_of_winter_are_answered() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let ask = async |path: &str, body: Value| {
        breeder
            .post(&format!("{ROOT}{path}"), &body)
            .await
            .expect(200)
    };
    let cherry = |s: [&str; 2]| json!({"species": "Prunus avium", "s_alleles": s});
    let verdict = ask(
        "/compatibility",
        json!({"seed_parent": cherry(["S3", "S4"]), "pollen_parent": cherry(["S3", "S4'"])}),
    )
    .await;
    assert_eq!(verdict["verdict"], "half");
    assert_eq!(verdict["compatible_alleles"], json!(["S4'"]));
    assert_eq!(
        verdict["progeny"],
        json!([{"genotype": "S3S4'", "share": 0.5}, {"genotype": "S4S4'", "share": 0.5}])
    );

    let odds = ask("/progeny-odds", json!({"probability": 0.95, "species": "Prunus persica",
        "loci": [{"locus": "G", "seed_parent": "Gg", "pollen_parent": "Gg", "wanted": ["nectarine"]}, {"locus": "Y", "seed_parent": "Yy", "pollen_parent": "yy", "wanted": ["yy"]}],
        "survival": {"fruit_set": 0.2, "seeds_per_fruit": 1.0, "germination": 0.5, "survival": 1.0}})).await;
    assert_eq!(
        (
            &odds["share"],
            &odds["plants_needed"],
            &odds["flowers_needed"]
        ),
        // A flower brings a wanted plant with 0.2 × 0.5 × 1/8: 1 − 0.9875^239 is 0.9506, one fewer 0.9499.
        (&json!(0.125), &json!(23), &json!(239))
    );

    let chill = ask(
        "/chill",
        json!({"model": "dynamic", "hourly_c": vec![6.0; 1000]}),
    )
    .await;
    assert!((chill["total"].as_f64().unwrap() - 34.204_222_442).abs() < 1e-6);
    assert_eq!(
        (
            chill["unit"].clone(),
            chill["running"].as_array().unwrap().len()
        ),
        (json!("chill_portions"), 1000)
    );
    let heat = ask("/heat", json!({"hourly_c": vec![25.0; 24]})).await;
    assert!((heat["gdh_c"].as_f64().unwrap() - 504.0).abs() < 1e-9);
    let daily: Vec<Value> = [1, 2, 4]
        .map(|day| json!({"date": format!("2026-01-0{day}"), "min_c": 1.0, "max_c": 11.0}))
        .into();
    let built = ask(
        "/chill",
        json!({"model": "utah", "daily": daily, "latitude_deg": 38.0}),
    )
    .await;
    assert_eq!(built["running"].as_array().unwrap().len(), 96);
    assert_eq!(
        built["flags"].as_array().unwrap().len(),
        2,
        "{:#}",
        built["flags"]
    );
    let fahrenheit = breeder
        .post(
            &format!("{ROOT}/chill"),
            &json!({"model": "utah", "hourly_c": vec![55.0; 300]}),
        )
        .await;
    assert_eq!(fahrenheit.pointers(422), ["/hourly_c"]);
    assert_eq!(
        breeder
            .post(
                &format!("{ROOT}/chill"),
                &json!({"model": "wrong", "hourly_c": [5.0, -99.0]})
            )
            .await
            .pointers(422),
        ["/model", "/hourly_c/1"]
    );
    let loci = read(&breeder, "/loci?species=Prunus%20persica").await;
    assert!(
        loci["items"]
            .as_array()
            .unwrap()
            .iter()
            .any(|locus| locus["locus"] == "G")
    );
}

#[tokio::test]
async fn a_cross_is_planned_with_advice_in_an_opened_season() {
    let system = System::start().await;
    let house = house(&system, ["S1", "S3"], ["S3", "S4"]).await;
    let cross = read(&house.breeder, &format!("/crosses/{}", house.cross)).await;
    assert_eq!(cross["number"], "26-0001");
    let advice = &cross["advice"];
    assert_eq!(advice["compatibility"]["verdict"], "half");
    assert_eq!(advice["kinship"], 0.0);
    assert_eq!(
        advice["pollen"]["can_serve"], "stored",
        "{:#}",
        advice["pollen"]
    );
    assert_eq!(advice["flowers_needed"], 500);
    assert!(codes(&advice["warnings"]).contains(&"half_compatible".to_owned()));

    let plan = |season: Value, mother: &str, father: &str| json!({"season": season, "seed_parent_id": mother, "pollen_parent_id": father, "objective": "x", "fruit_wanted_n": 10});
    let (mother, father) = (house.mother_variety.as_str(), house.father_variety.as_str());
    assert_eq!(
        refused(
            &house.breeder,
            "/crosses",
            &plan(json!(2027), mother, father)
        )
        .await,
        ["/season"]
    );
    assert_eq!(
        refused(&house.breeder, "/crosses", &plan(json!("2026"), mother, "")).await,
        ["/pollen_parent_id"]
    );
    let open = create(
        &house.breeder,
        "/crosses",
        &plan(json!("2026"), mother, "open"),
    )
    .await;
    assert_eq!(
        (open["number"].clone(), open["open_pollinated"].clone()),
        (json!("26-0002"), json!(true))
    );
    let numbered = create(&house.breeder, "/crosses", &{
        let mut body = plan(json!(2026), father, mother);
        body["number"] = json!(412);
        body
    })
    .await;
    assert_eq!(numbered["number"], "26-0412");
    let list = read(&house.breeder, "/crosses?season=2026&limit=2").await;
    assert_eq!(list["items"].as_array().unwrap().len(), 2);
    let found = read(
        &house.breeder,
        &format!("/numbers/{}", numbered["checked_number"].as_str().unwrap()),
    )
    .await;
    assert_eq!(
        (found["kind"].clone(), found["id"].clone()),
        (json!("cross"), numbered["id"].clone())
    );

    let advice = house.breeder.post(&format!("{ROOT}/cross-advice"), &json!({"season": 2026, "seed_parent_id": father, "pollen_parent_id": father, "fruit_wanted_n": 50})).await.expect(200);
    assert_eq!(
        (
            advice["compatibility"]["verdict"].clone(),
            advice["kinship"].clone()
        ),
        (json!("none"), json!(0.5))
    );
    // Bloom that was noted decides on fresh pollen.
    for (plant, on) in [(mother, "2026-02-12"), (father, "2026-02-14")] {
        create(
            &house.field,
            "/bloom-records",
            &json!({"germplasm_id": plant, "on": on, "stage_bbch": 61}),
        )
        .await;
    }
    let cross = read(&house.breeder, &format!("/crosses/{}", house.cross)).await;
    assert_eq!(
        (
            &cross["advice"]["pollen"]["can_serve"],
            &cross["advice"]["pollen"]["shared_days_n"]
        ),
        (&json!("both"), &json!(8))
    );
    assert_eq!(
        refused(
            &house.field,
            "/bloom-records",
            &json!({"germplasm_id": mother, "on": "2026-02-12", "stage_bbch": 58})
        )
        .await,
        ["/stage_bbch"]
    );
}

#[tokio::test]
async fn a_pollen_lot_keeps_its_ledger_in_order() {
    let system = System::start().await;
    let house = house(&system, ["S1", "S3"], ["S4", "S9"]).await;
    let events = format!("/pollen-lots/{}/events", house.lot);
    assert_eq!(
        refused(
            &house.field,
            &events,
            &json!({"kind": "dried", "on": "2026-02-12"})
        )
        .await,
        ["/kind"]
    );
    assert_eq!(
        refused(
            &house.field,
            &events,
            &json!({"kind": "thawed", "on": "2026-02-12"})
        )
        .await,
        ["/kind"]
    );
    assert_eq!(
        refused(
            &house.field,
            &events,
            &json!({"kind": "tested", "on": "2026-02-12", "germinated_n": 120, "tested_n": 100})
        )
        .await,
        ["/germinated_n", "/tested_n"]
    );
    let tested = create(
        &house.field,
        &events,
        &json!({"kind": "tested", "on": "2026-02-12", "germinated_n": 60, "tested_n": 100}),
    )
    .await;
    let test = &tested["events"][2];
    assert_eq!(test["germination"], 0.6);
    assert!(
        (test["germination_low"].as_f64().unwrap() - 0.497_21).abs() < 1e-4,
        "{test:#}"
    );
    create(
        &house.field,
        &events,
        &json!({"kind": "stored", "on": "2026-02-13", "place": "freezer"}),
    )
    .await;
    assert_eq!(
        refused(
            &house.field,
            &events,
            &json!({"kind": "thawed", "on": "2026-02-12"})
        )
        .await,
        ["/on", "/kind"]
    );
    let usable = read(&house.field, "/pollen-lots?usable=true&on=2026-12-01").await;
    assert_eq!(usable["items"][0]["place"], "freezer");
    assert_eq!(
        refused(
            &house.field,
            &events,
            &json!({"kind": "discarded", "on": "2026-03-01"})
        )
        .await,
        ["/reason"]
    );
    let gone = create(
        &house.field,
        &events,
        &json!({"kind": "discarded", "on": "2026-03-01", "reason": "spilt"}),
    )
    .await;
    assert_eq!(
        (gone["place"].clone(), gone["usable"].clone()),
        (json!("discarded"), json!(false))
    );
    assert_eq!(
        refused(
            &house.field,
            &events,
            &json!({"kind": "tested", "on": "2026-03-02", "germinated_n": 1, "tested_n": 2})
        )
        .await,
        ["/kind"]
    );
    assert_eq!(
        refused(
            &house.field,
            &house.passes(),
            &house.pass("2026-03-02", 10, 10)
        )
        .await,
        ["/pollen_lot_id"]
    );

    let late = json!({"germplasm_id": house.father_variety, "gathered_on": "2026-02-12", "flowers_n": 10, "stage_bbch": 65});
    assert_eq!(
        codes(&create(&house.field, "/pollen-lots", &late).await["warnings"]),
        ["not_balloon_stage"]
    );
    let mut wrong = late.clone();
    wrong["stage_bbch"] = json!(58);
    wrong["gathered_on"] = json!("2126-02-12");
    wrong["flowers_n"] = json!(0);
    assert_eq!(
        refused(&house.field, "/pollen-lots", &wrong).await,
        ["/gathered_on", "/flowers_n", "/stage_bbch"]
    );
}

#[tokio::test]
async fn passes_are_refused_when_impossible_and_warned_about_when_doubtful() {
    let system = System::start().await;
    let house = house(&system, ["S4'", "S9"], ["S1", "S3"]).await;
    let passes = house.passes();
    let warned = create(&house.field, &passes, &house.pass("2026-02-12", 60, 60)).await;
    assert_eq!(codes(&warned["warnings"]), ["uncovered_self_fertile"]);
    let before = warned["outcross_doubt"].as_f64().unwrap();

    assert_eq!(
        refused(&house.field, &passes, &house.pass("2026-02-09", 5, 5)).await,
        ["/on"]
    );
    assert_eq!(
        refused(&house.field, &passes, &house.pass("2026-02-10", 5, 5)).await,
        ["/on"],
        "before it was recorded as dry"
    );
    assert_eq!(
        refused(&house.field, &passes, &house.pass("2126-02-12", 5, 5)).await,
        ["/on"]
    );
    assert_eq!(
        refused(&house.field, &passes, &house.pass("2026-02-13", 5, 6)).await,
        ["/flowers_pollinated_n"]
    );
    let negative = house
        .field
        .post(
            &format!("{ROOT}{passes}"),
            &json!({"on": "2026-02-13", "flowers_emasculated_n": -1}),
        )
        .await;
    assert_eq!(negative.pointers(422), ["/flowers_emasculated_n"]);
    let other = id(&create(&house.field, "/pollen-lots", &json!({"germplasm_id": house.mother_variety, "gathered_on": "2026-02-10", "flowers_n": 9, "stage_bbch": 59})).await);
    let mut wrong = house.pass("2026-02-13", 5, 5);
    wrong["pollen_lot_id"] = json!(other);
    assert_eq!(
        refused(&house.field, &passes, &wrong).await,
        ["/pollen_lot_id"]
    );

    let events = format!("/mothers/{}/events", house.mother);
    create(
        &house.field,
        &events,
        &json!({"kind": "covered", "on": "2026-02-13"}),
    )
    .await;
    let mut strays = house.pass("2026-02-14", 40, 40);
    strays["stray_open_flowers_n"] = json!(30);
    let strays = create(&house.field, &passes, &strays).await;
    assert_eq!(codes(&strays["warnings"]), ["strays_left"]);
    assert!(strays["outcross_doubt"].as_f64().unwrap() > before);
    let after = create(&house.field, &passes, &house.pass("2026-02-16", 10, 10)).await;
    assert_eq!(codes(&after["warnings"]), ["not_stripped"]);
    let stale = create(&house.field, &passes, &house.pass("2026-05-30", 10, 10)).await;
    assert_eq!(
        codes(&stale["warnings"]),
        ["stale_pollen", "not_stripped", "out_of_season"]
    );

    let cross = read(&house.breeder, &format!("/crosses/{}", house.cross)).await;
    assert_eq!(cross["counts"]["passes_n"], 4);
    for code in ["uncovered_self_fertile", "strays_left", "stale_pollen"] {
        assert!(codes(&cross["warnings"]).contains(&code.to_owned()));
    }
    // Stripping late flowers lowers the doubt.
    let doubt = cross["outcross_doubt"].as_f64().unwrap();
    create(
        &house.field,
        &events,
        &json!({"kind": "stripped", "on": "2026-06-06", "flowers_n": 15}),
    )
    .await;
    let cross = read(&house.breeder, &format!("/crosses/{}", house.cross)).await;
    assert!(cross["outcross_doubt"].as_f64().unwrap() < doubt);
    let passes = house
        .field
        .crossing()
        .list_passes(wire::ListPassesRequest {
            cross_id: house.cross.clone(),
            ..Default::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(
        passes
            .items
            .iter()
            .map(|pass| pass.pass_n)
            .collect::<Vec<_>>(),
        [1, 2, 3, 4]
    );
}

#[tokio::test]
async fn passes_come_back_from_the_field_in_any_order_and_twice() {
    let system = System::start().await;
    let house = house(&system, ["S1", "S3"], ["S4", "S9"]).await;
    let row = |n: u32, on: &str, emasculated: u32, pollinated: u32| {
        let mut row = house.pass(on, emasculated, pollinated);
        row["id"] = json!(format!("0190f3a2-0000-7000-8000-00000000000{n}"));
        row["cross_id"] = json!(house.cross);
        row
    };
    let rows = json!([row(1, "2026-02-15", 0, 20), row(2, "2026-02-12", 30, 10), {"on": 5}, row(3, "2026-02-13", 0, 99)]);
    let path = format!("{ROOT}/passes:batch");
    let reply = house.field.post(&path, &rows).await.expect(200);
    assert_eq!(
        (&reply["accepted"], &reply["duplicates"]),
        (&json!(2), &json!(0)),
        "{reply:#}"
    );
    assert_eq!(
        reply["rejected"]
            .as_array()
            .unwrap()
            .iter()
            .map(|row| row["row"].as_u64().unwrap())
            .collect::<Vec<_>>(),
        [2, 3]
    );
    let mut again = rows.clone();
    again[0]["flowers_pollinated_n"] = json!(19);
    let reply = house.field.post(&path, &again).await.expect(200);
    assert_eq!(
        (&reply["accepted"], &reply["duplicates"]),
        (&json!(0), &json!(1)),
        "{reply:#}"
    );
    assert_eq!(
        reply["rejected"][0]["errors"][0]["pointer"], "/id",
        "unlike contents under one id"
    );
}

#[tokio::test]
async fn counts_never_grow_on_the_way_to_numbered_seedlings() {
    let system = System::start().await;
    let house = house(&system, ["S1", "S3"], ["S4", "S9"]).await;
    let at = |step: &str| format!("/crosses/{}/{step}", house.cross);
    let (fruit, seed, seedlings) = (at("fruit"), at("seed"), at("seedlings"));
    assert_eq!(
        refused(
            &house.field,
            &fruit,
            &json!({"on": "2026-05-01", "set_n": 3})
        )
        .await,
        ["/on"]
    );
    create(
        &house.field,
        &house.passes(),
        &house.pass("2026-02-12", 50, 40),
    )
    .await;
    assert_eq!(
        refused(
            &house.field,
            &fruit,
            &json!({"on": "2026-02-11", "set_n": 3})
        )
        .await,
        ["/on"]
    );
    assert_eq!(
        refused(
            &house.field,
            &fruit,
            &json!({"on": "2026-04-01", "set_n": 41})
        )
        .await,
        ["/set_n"]
    );
    let set = create(
        &house.field,
        &fruit,
        &json!({"on": "2026-04-01", "set_n": 20}),
    )
    .await;
    assert_eq!(set["fruit_set"], 0.5);
    assert_eq!(
        refused(
            &house.field,
            &fruit,
            &json!({"on": "2026-05-20", "harvested_n": 21})
        )
        .await,
        ["/harvested_n"]
    );
    create(
        &house.field,
        &fruit,
        &json!({"on": "2026-05-20", "harvested_n": 18, "stones_n": 18}),
    )
    .await;
    assert_eq!(
        refused(
            &house.field,
            &house.passes(),
            &house.pass("2026-05-21", 1, 1)
        )
        .await,
        ["/on"]
    );
    let step = |step: &str, n: u32| json!({"on": "2026-05-25", "step": step, "seed_n": n});
    assert_eq!(
        refused(&house.field, &seed, &step("extracted", 37)).await,
        ["/seed_n"]
    );
    create(&house.field, &seed, &step("extracted", 17)).await;
    assert_eq!(
        refused(&house.field, &seed, &step("lost", 1)).await,
        ["/cause"]
    );
    let stratified = create(&house.field, &seed, &step("stratified", 16)).await;
    assert_eq!(stratified["due_on"], "2026-09-22");
    assert_eq!(
        refused(&house.field, &seed, &step("germinated", 17)).await,
        ["/seed_n"]
    );
    create(&house.field, &seed, &step("germinated", 12)).await;
    let plant = |n: u32| json!({"planted_n": n, "block": "B2", "first_row": 4, "plants_per_row": 5, "on": "2026-09-30", "site": "Home"});
    assert_eq!(
        refused(&house.field, &seedlings, &plant(13)).await,
        ["/planted_n"]
    );
    let planting = create(&house.field, &seedlings, &plant(12)).await;
    assert_eq!(
        (
            planting["first_number"].clone(),
            planting["last_number"].clone()
        ),
        (json!("26-0001-001"), json!("26-0001-012"))
    );
    assert_eq!(planting["rows"].as_array().unwrap().len(), 3);
    let mut more = plant(3);
    more["reason"] = json!("three twin seedlings were split");
    let more = create(&house.field, &seedlings, &more).await;
    assert_eq!(more["first_number"], "26-0001-013");

    let list = read(&house.field, "/seedlings?season=2026&block=B2&row=5").await;
    assert_eq!(list["items"].as_array().unwrap().len(), 5);
    let one = id(&list["items"][0]);
    let seedling = read(&house.field, &format!("/seedlings/{one}")).await;
    assert_eq!(
        (&seedling["row"], &seedling["position"]),
        (&json!(5), &json!(1))
    );
    assert_eq!(seedling["descent"]["parents"][0]["name"], "Hilda");
    assert!(seedling["outcross_doubt"].as_f64().unwrap() > 0.0);
    let events = format!("/seedlings/{one}/events");
    create(
        &house.field,
        &events,
        &json!({"kind": "moved", "on": "2026-10-02", "block": "C1", "row": 1, "position": 9}),
    )
    .await;
    create(
        &house.field,
        &events,
        &json!({"kind": "died", "on": "2026-10-20", "note": "canker"}),
    )
    .await;
    assert_eq!(
        refused(
            &house.field,
            &events,
            &json!({"kind": "regrafted", "on": "2026-10-21", "rootstock": "Gisela"})
        )
        .await,
        ["/kind"]
    );

    // A seedling can be a parent at once, keeps its id when it is selected, and is described.
    let parent = id(&list["items"][1]);
    create(&house.breeder, "/crosses", &json!({"season": 2026, "seed_parent_id": parent, "pollen_parent_id": house.father_variety, "objective": "backcross", "fruit_wanted_n": 5})).await;
    let selected = create(
        &house.breeder,
        &format!("/seedlings/{parent}/selection"),
        &json!({"name": "Sel 7"}),
    )
    .await;
    assert_eq!(
        (selected["id"].clone(), selected["kind"].clone()),
        (json!(parent), json!("selection"))
    );
    let described = house
        .breeder
        .crossing()
        .describe_plants(wire::DescribePlantsRequest {
            ids: vec![parent.clone(), one.clone(), house.lot.clone()],
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(described.unknown_ids, std::slice::from_ref(&house.lot));
    assert!(
        described
            .plants
            .iter()
            .all(|plant| plant.planted && plant.season == 2026 && plant.cross_id == house.cross)
    );

    let summary = read(&house.breeder, "/season-summaries").await;
    assert_eq!(
        (
            &summary["items"][0]["seedlings_n"],
            &summary["items"][0]["fruit_harvested_n"]
        ),
        (&json!(15), &json!(18))
    );
    assert_eq!(summary["items"][0]["seedlings_living_n"], 14);
    let labels = house
        .field
        .post(
            &format!("{ROOT}/labels"),
            &json!({"cross_id": house.cross, "page": "a4"}),
        )
        .await;
    assert_eq!(labels.status, 200, "{:#}", labels.body);
    assert!(labels.bytes.starts_with(b"%PDF-"));
    assert_eq!(labels.headers["content-type"], "application/pdf");
    assert_eq!(
        house
            .field
            .post(
                &format!("{ROOT}/labels"),
                &json!({"cross_id": house.cross, "season": 2026, "block": "B2"})
            )
            .await
            .pointers(422),
        ["/cross_id"]
    );
}

#[tokio::test]
async fn a_locus_result_settles_the_doubt() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    create(
        &breeder,
        "/seasons",
        &json!({"year": 2026, "site": "Glass house", "time_zone": "UTC"}),
    )
    .await;
    let peach = |name: &str, g: &str| json!({"name": name, "species": "Prunus persica", "kind": "variety", "loci": {"G": g}});
    let mother = id(&create(&breeder, "/germplasm", &peach("Fuzzless", "gg")).await);
    let father = id(&create(&breeder, "/germplasm", &peach("Fuzzy", "GG")).await);
    let cross = id(&create(&breeder, "/crosses", &json!({"season": "2026", "seed_parent_id": mother, "pollen_parent_id": father, "objective": "carriers", "fruit_wanted_n": 20})).await);
    let lot = id(&create(&breeder, "/pollen-lots", &json!({"germplasm_id": father, "gathered_on": "2026-02-10", "flowers_n": 50, "stage_bbch": 59})).await);
    create(
        &breeder,
        &format!("/pollen-lots/{lot}/events"),
        &json!({"kind": "dried", "on": "2026-02-11"}),
    )
    .await;
    create(&breeder, &format!("/crosses/{cross}/passes"), &json!({"on": "2026-02-12", "pollen_lot_id": lot, "flowers_emasculated_n": 60, "flowers_pollinated_n": 60, "by": "x"})).await;
    let planting = json!({"planted_n": 2, "block": "A", "first_row": 1, "on": "2026-10-01", "reason": "seed was counted elsewhere"});
    create(&breeder, &format!("/crosses/{cross}/seedlings"), &planting).await;
    let list = read(&breeder, &format!("/seedlings?cross_id={cross}")).await;
    let (smooth, fuzzy) = (id(&list["items"][0]), id(&list["items"][1]));
    let before = list["items"][0]["outcross_doubt"].as_f64().unwrap();
    let smooth = create(
        &breeder,
        &format!("/seedlings/{smooth}/loci"),
        &json!({"locus": "G", "genotype": "gg"}),
    )
    .await;
    assert_eq!(
        smooth["parentage_finding"],
        "cannot_be_of_stated_pollen_parent"
    );
    assert!(
        smooth["outcross_doubt"].as_f64().unwrap() > 0.9,
        "{before} became {}",
        smooth["outcross_doubt"]
    );
    let fuzzy = create(
        &breeder,
        &format!("/seedlings/{fuzzy}/loci"),
        &json!({"locus": "G", "genotype": "G_"}),
    )
    .await;
    assert_eq!(fuzzy["parentage_finding"], "can_be_of_stated_parents");
    assert!(fuzzy["outcross_doubt"].as_f64().unwrap() < before);
}

#[tokio::test]
async fn the_days_list_says_what_to_do() {
    let system = System::start().await;
    let house = house(&system, ["S4'", "S9"], ["S1", "S3"]).await;
    for (plant, on, stage) in [
        (&house.mother_variety, "2026-02-11", 61),
        (&house.father_variety, "2026-02-11", 59),
    ] {
        create(
            &house.field,
            "/bloom-records",
            &json!({"germplasm_id": plant, "on": on, "stage_bbch": stage}),
        )
        .await;
    }
    let fresh = create(&house.field, "/pollen-lots", &json!({"germplasm_id": house.father_variety, "gathered_on": "2026-02-11", "flowers_n": 3, "stage_bbch": 59})).await;
    let day = read(&house.field, "/days/2026-02-12").await;
    assert_eq!(day["season"], 2026);
    assert_eq!(day["coming_dry"][0]["number"], fresh["number"]);
    assert_eq!(day["passes"][0]["mother_id"], json!(house.mother));
    assert_eq!(day["covers"].as_array().unwrap().len(), 1);
    assert_eq!(day["vials"].as_array().unwrap().len(), 1);
    assert_eq!(
        day["gather"].as_array().unwrap().len(),
        0,
        "200 flowers serve 500: {:#}",
        day["gather"]
    );
    create(
        &house.field,
        &house.passes(),
        &house.pass("2026-02-12", 100, 100),
    )
    .await;
    let day = read(&house.field, "/days/2026-02-13").await;
    assert_eq!(
        day["passes"].as_array().unwrap().len(),
        0,
        "gone over yesterday"
    );
    let day = read(&house.field, "/days/2026-02-19").await;
    assert_eq!(day["strip"][0]["mother_id"], json!(house.mother));
    create(
        &house.field,
        &format!("/mothers/{}/events", house.mother),
        &json!({"kind": "stripped", "on": "2026-02-19", "flowers_n": 15}),
    )
    .await;
    let day = read(&house.field, "/days/2026-02-20").await;
    assert_eq!(day["strip"].as_array().unwrap().len(), 0);
    let day = read(&house.field, "/days/2026-07-20").await;
    assert_eq!(
        day["discard"].as_array().unwrap().len(),
        2,
        "{:#}",
        day["discard"]
    );
    let bundle = read(&house.field, "/days/2026-02-12/bundle").await;
    assert_eq!(
        (
            bundle["crosses"].as_array().unwrap().len(),
            bundle["mothers"].as_array().unwrap().len()
        ),
        (1, 1)
    );
    let sheet = house
        .field
        .get(&format!("{ROOT}/days/2026-02-12/sheet"))
        .await;
    assert!(sheet.status == 200 && sheet.bytes.starts_with(b"%PDF-"));
    assert_eq!(
        house
            .field
            .get(&format!("{ROOT}/days/tomorrow"))
            .await
            .pointers(422),
        ["/date"]
    );
}

#[tokio::test]
async fn fifty_thousand_seedlings_are_numbered_in_one_call() {
    let system = System::start().await;
    let house = house(&system, ["S1", "S3"], ["S4", "S9"]).await;
    let planting = json!({"planted_n": 50_000, "block": "N", "first_row": 1, "plants_per_row": 250, "on": "2026-10-01", "reason": "all of last year's seed"});
    let started = std::time::Instant::now();
    let planted = create(
        &house.field,
        &format!("/crosses/{}/seedlings", house.cross),
        &planting,
    )
    .await;
    println!(
        "50,000 seedlings were numbered in {:.1} s",
        started.elapsed().as_secs_f64()
    );
    assert_eq!(
        (
            planted["last_number"].clone(),
            planted["rows"].as_array().unwrap().len()
        ),
        (json!("26-0001-50000"), 200)
    );
    // A page of them is read from the index of their places, however many there are: the plan goes
    // along it and reads no part of the table from end to end.
    let pool = system.pool(ServiceName::Crossing).await;
    let mut transaction = pool.begin().await.unwrap();
    Scope {
        programme: Some(programme(&house.field).await),
        ..Scope::default()
    }
    .apply(&mut transaction)
    .await
    .unwrap();
    let cross_id = house.cross.parse().unwrap();
    let plan = ::crossing::app::seedlings::plan_of_page(&mut transaction, cross_id, 25_000)
        .await
        .unwrap()
        .join("\n");
    println!("{plan}");
    assert!(
        plan.contains("Index Scan using seedling_2026_programme_id_cross_id_place_idx"),
        "{plan}"
    );
    assert!(!plan.contains("Seq Scan on seedling_2026"), "{plan}");
    let mut cursor = String::new();
    let mut seen = Vec::new();
    let started = std::time::Instant::now();
    for _ in 0..3 {
        let page = read(
            &house.field,
            &format!(
                "/seedlings?cross_id={}&limit=500&cursor={cursor}",
                house.cross
            ),
        )
        .await;
        let items = page["items"].as_array().unwrap();
        seen.extend(
            items
                .iter()
                .map(|s| s["number"].as_str().unwrap().to_owned()),
        );
        cursor = page["next_cursor"].as_str().unwrap().to_owned();
    }
    assert_eq!(
        (seen.len(), seen[0].as_str(), seen[1499].as_str()),
        (1500, "26-0001-001", "26-0001-1500")
    );
    println!(
        "three pages of 500 of them were read in {:.0} ms",
        started.elapsed().as_secs_f64() * 1e3
    );
    // The same seedlings by their season and by their block.
    for filter in ["season=2026", "season=2026&block=N"] {
        let page = read(
            &house.field,
            &format!("/seedlings?{filter}&limit=500&cursor={cursor}"),
        )
        .await;
        assert_eq!(page["items"][0]["number"], "26-0001-1501", "{filter}");
    }
    let found = read(&house.field, "/numbers/26-0001-49999").await;
    let last = read(
        &house.field,
        &format!("/seedlings/{}", found["id"].as_str().unwrap()),
    )
    .await;
    assert_eq!(
        (&last["row"], &last["position"]),
        (&json!(200), &json!(249))
    );
}

#[tokio::test]
async fn an_import_writes_all_or_nothing_and_changes_nothing_twice() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let row = |n: u32| format!("0190f3a2-0000-7000-8000-0000000001{n:02}");
    let mut import = json!({
        "seasons": [{"id": row(1), "year": 2025, "site": "Home", "time_zone": "UTC"}],
        "germplasm": [
            {"id": row(2), "name": "Ada", "species": "Prunus persica", "kind": "variety"},
            {"id": row(3), "name": "Bo", "species": "Prunus persica", "kind": "variety"}],
        "pollen_lots": [{"id": row(4), "germplasm_id": row(3), "gathered_on": "2025-02-10", "flowers_n": 80, "stage_bbch": 59}],
        "pollen_events": [{"id": row(5), "pollen_lot_id": row(4), "kind": "dried", "on": "2025-02-11"}],
        "crosses": [{"id": row(6), "season": "2025", "seed_parent_id": row(2), "pollen_parent_id": row(3), "objective": "sugar", "fruit_wanted_n": 30}],
        "passes": [{"id": row(7), "cross_id": row(6), "on": "2025-02-09", "pollen_lot_id": row(4), "flowers_emasculated_n": 90, "flowers_pollinated_n": 90}],
        "fruit": [{"id": row(8), "cross_id": row(6), "on": "2025-06-20", "harvested_n": 20}],
        "seedlings": [{"id": row(9), "cross_id": row(6), "planted_n": 10, "block": "A", "first_row": 1, "on": "2025-10-01", "reason": "seed not counted"}],
    });
    let path = format!("{ROOT}/season-imports");
    let faulty = breeder.post(&path, &import).await.expect(200);
    assert_eq!(faulty["written"], false);
    let faults: Vec<&str> = faulty["faults"]
        .as_array()
        .unwrap()
        .iter()
        .map(|fault| fault["section"].as_str().unwrap())
        .collect();
    assert_eq!(faults, ["passes", "fruit"], "{:#}", faulty["faults"]);
    assert_eq!(read(&breeder, "/germplasm").await["items"], json!([]));
    import["passes"][0]["on"] = json!("2025-02-12");
    let loaded = breeder.post(&path, &import).await.expect(200);
    assert_eq!(
        (&loaded["written"], &loaded["faults"]),
        (&json!(true), &json!([]))
    );
    // The same again under another idempotency key changes nothing.
    let again = breeder
        .post_with(&path, &import, &[("idempotency-key", "again")])
        .await
        .expect(200);
    assert!(
        again["sections"]
            .as_array()
            .unwrap()
            .iter()
            .all(|section| section["written_n"] == 0),
        "{again:#}"
    );
    import["germplasm"][0]["name"] = json!("Ada Two");
    let unlike = breeder.post(&path, &import).await.expect(200);
    assert_eq!(
        (
            &unlike["written"],
            &unlike["faults"][0]["errors"][0]["pointer"]
        ),
        (&json!(false), &json!("/id"))
    );
    assert_eq!(
        read(&breeder, "/seedlings?season=2025").await["items"]
            .as_array()
            .unwrap()
            .len(),
        10
    );
}

#[tokio::test]
async fn another_programme_sees_nothing_of_it_not_even_by_plain_sql() {
    let system = System::start().await;
    let house = house(&system, ["S1", "S3"], ["S4", "S9"]).await;
    create(
        &house.field,
        &house.passes(),
        &house.pass("2026-02-12", 50, 40),
    )
    .await;
    create(
        &house.field,
        &format!("/crosses/{}/seedlings", house.cross),
        &json!({"planted_n": 3, "block": "A", "first_row": 1, "on": "2026-10-01", "reason": "x"}),
    )
    .await;
    let other = system.other_programme().await;
    let stranger = other.sign_in("breeder").await;
    for path in ["/crosses", "/germplasm", "/pollen-lots"] {
        assert_eq!(read(&stranger, path).await["items"], json!([]), "{path}");
    }
    stranger
        .get(&format!("{ROOT}/crosses/{}", house.cross))
        .await
        .expect(404);
    stranger
        .post(
            &format!("{ROOT}/crosses/{}/fruit", house.cross),
            &json!({"on": "2026-05-01", "set_n": 1}),
        )
        .await
        .expect(404);
    assert_eq!(
        refused(
            &stranger,
            "/mothers",
            &json!({"germplasm_id": house.mother_variety, "house": "A"})
        )
        .await,
        ["/germplasm_id"]
    );

    let pool = system.pool(ServiceName::Crossing).await;
    let own = programme(&house.breeder).await;
    let theirs = programme(&stranger).await;
    let tables: Vec<String> = sqlx::query_scalar("select c.relname::text from pg_class c join pg_namespace n on n.oid = c.relnamespace join pg_attribute a on a.attrelid = c.oid and a.attname = 'programme_id' where n.nspname = 'crossing' and c.relkind in ('r', 'p') and not c.relispartition order by 1").fetch_all(&pool).await.unwrap();
    assert!(tables.len() >= 18, "{tables:?}");
    let mut seen = 0;
    for (scope, may_see) in [(Some(own), true), (Some(theirs), false), (None, false)] {
        for table in &tables {
            let mut transaction = pool.begin().await.unwrap();
            Scope {
                programme: scope,
                ..Scope::default()
            }
            .apply(&mut transaction)
            .await
            .unwrap();
            let sql = format!("select count(*) from {table} where programme_id = '{own}'");
            let n: i64 = sqlx::query_scalar(sqlx::AssertSqlSafe(sql))
                .fetch_one(&mut *transaction)
                .await
                .unwrap();
            assert!(
                may_see || n == 0,
                "{table} shows {n} rows of another programme"
            );
            seen += n;
        }
    }
    assert!(seen > 10, "the owner sees {seen} rows");
    // A partition cannot be read past its parent, and a row cannot be written for somebody else.
    let mut transaction = pool.begin().await.unwrap();
    Scope {
        programme: Some(own),
        ..Scope::default()
    }
    .apply(&mut transaction)
    .await
    .unwrap();
    let direct = sqlx::query_scalar::<_, i64>("select count(*) from seedling_2026")
        .fetch_one(&mut *transaction)
        .await;
    assert!(direct.is_err() || direct.unwrap() == 0);
    drop(transaction);
    let mut transaction = pool.begin().await.unwrap();
    Scope {
        programme: Some(theirs),
        ..Scope::default()
    }
    .apply(&mut transaction)
    .await
    .unwrap();
    let foreign = sqlx::query(
        "insert into counter (programme_id, kind, season, last) values ($1, 'x', 0, 1)",
    )
    .bind(own)
    .execute(&mut *transaction)
    .await;
    assert!(foreign.is_err());
}

async fn programme(client: &Client) -> ProgrammeId {
    let me = client.get("/api/identity/v1/me").await.expect(200);
    me["programme_id"].as_str().unwrap().parse().unwrap()
}

#[tokio::test]
async fn a_pollinizer_trial_is_judged_and_says_when_it_cannot_tell() {
    let system = System::start().await;
    let house = house(&system, ["S1", "S3"], ["S4", "S9"]).await;
    let second = id(&create(&house.breeder, "/germplasm", &json!({"name": "Vigo", "species": "Prunus avium", "kind": "variety", "s_alleles": ["S1", "S3"]})).await);
    let plan = json!({"season": 2026, "germplasm_id": house.mother_variety, "pollen_parent_ids": [house.father_variety, second], "isolation": "netted"});
    let trial = id(&create(&house.breeder, "/pollinizer-trials", &plan).await);
    let result = format!("{ROOT}/pollinizer-trials/{trial}/result");
    house.field.post(&result, &json!({})).await.expect(409);
    let counts = format!("/pollinizer-trials/{trial}/counts");
    let count = |pollen: &str, branch: &str, flowers: u32, set: u32| json!({"pollen_parent_id": pollen, "branch": branch, "flowers_n": flowers, "set_n": set});
    let few = json!({"on": "2026-04-01", "rows": [count(&house.father_variety, "1", 10, 4), count(&second, "2", 10, 2)]});
    create(&house.field, &counts, &few).await;
    let told = house.field.post(&result, &json!({})).await.expect(200);
    assert_eq!(told["verdict"], "cannot_tell_yet", "{told:#}");
    assert!(told["more_flowers_n"].as_u64().unwrap() > 0);
    assert_eq!(
        refused(
            &house.field,
            &counts,
            &json!({"on": "2026-04-01", "rows": [count(&house.mother_variety, "1", 10, 11)]})
        )
        .await,
        ["/rows/0/pollen_parent_id", "/rows/0/set_n"]
    );
    let many = json!({"on": "2026-04-20", "rows": [count(&house.father_variety, "1", 200, 90), count(&house.father_variety, "3", 200, 84), count(&second, "2", 200, 3), count(&second, "4", 200, 5)]});
    create(&house.field, &counts, &many).await;
    let told = house
        .breeder
        .crossing()
        .judge_pollinizer_trial(wire::JudgePollinizerTrialRequest {
            pollinizer_trial_id: trial,
            ..Default::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(
        (told.verdict.as_str(), told.recommended.as_slice()),
        ("use", ["Rolf".to_owned()].as_slice())
    );
    assert_eq!(
        told.pollens[0].flowers_n, 400,
        "the later count of branch 1 replaces the earlier"
    );
    assert_eq!(told.pollens[1].compatibility, "none");
    // Two branches of each: of the six ways to share them out, two are as far apart.
    assert_eq!(told.unit, "branches");
    assert!((told.p_overall - 1.0 / 3.0).abs() < 1e-9 && told.pollens[0].low < told.pollens[0].set);
}
