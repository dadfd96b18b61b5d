//! A day of bloom worked without a connection: one bundle goes out, and what was done comes back late,
//! twice and in mixed order.

use contract::crossing as wire;
use end_to_end::System;
use end_to_end::crossing::{ROOT, cherry, create, cross, dry_pollen, mother, open_season, read};
use serde_json::{Value, json};
use uuid::Uuid;

#[tokio::test]
async fn a_days_bundle_is_worked_offline_and_comes_back_in_any_order() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    open_season(&breeder).await;
    let hilda = cherry(&breeder, "Hilda", ["S1", "S3"]).await;
    let rolf = cherry(&breeder, "Rolf", ["S4", "S9"]).await;
    for (plant, stage) in [(&hilda, 61), (&rolf, 59)] {
        let note = json!({"germplasm_id": plant, "on": "2026-02-11", "stage_bbch": stage});
        create(&field, "/bloom-records", &note).await;
    }
    let first = mother(&field, &hilda, 1).await;
    let second = mother(&field, &hilda, 2).await;
    let lot = dry_pollen(&field, &rolf, 200, Some(80.0)).await;
    let cross = cross(&breeder, &hilda, &rolf, 100).await;

    // One call brings all that the day's work names.
    let bundle = read(&field, "/days/2026-02-12/bundle").await;
    let ids = |list: &str| -> Vec<String> {
        let items = bundle[list]
            .as_array()
            .unwrap_or_else(|| panic!("no {list}"));
        items
            .iter()
            .map(|item| item["id"].as_str().expect("an id").to_owned())
            .collect()
    };
    assert_eq!(ids("crosses"), [cross.as_str()]);
    assert_eq!(ids("mothers"), [first.as_str(), second.as_str()]);
    assert_eq!(ids("pollen_lots"), [lot.as_str()]);
    let due: Vec<&str> = bundle["day"]["passes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|due| due["mother_id"].as_str().unwrap())
        .collect();
    assert_eq!(due, [first.as_str(), second.as_str()], "in walking order");

    // The app makes its own ids. Two days are worked before there is a connection again.
    let pass = |mother: &str, on: &str, emasculated: u32, pollinated: u32| {
        json!({"id": Uuid::now_v7(), "cross_id": cross, "on": on, "pollen_lot_id": lot,
            "mother_id": mother, "flowers_emasculated_n": emasculated,
            "flowers_pollinated_n": pollinated, "stray_open_flowers_n": 0, "by": "Ines Vadell"})
    };
    let passes = [
        pass(&first, "2026-02-12", 60, 20),
        pass(&second, "2026-02-12", 50, 50),
        pass(&first, "2026-02-14", 0, 40),
        pass(&second, "2026-02-14", 10, 10),
    ];
    let new_lot = json!({"id": Uuid::now_v7(), "germplasm_id": rolf, "gathered_on": "2026-02-12", "flowers_n": 90, "stage_bbch": 59});
    let dried = json!({"id": Uuid::now_v7(), "kind": "dried", "on": "2026-02-13"});
    let covered = json!({"id": Uuid::now_v7(), "kind": "covered", "on": "2026-02-12"});
    let dried_at = format!("/pollen-lots/{}/events", new_lot["id"].as_str().unwrap());
    let covered_at = format!("/mothers/{second}/events");

    // What rests on something that has not come back yet is told so, and is sent again later.
    let early = field.post(&format!("{ROOT}{dried_at}"), &dried).await;
    assert_eq!(early.status, 404, "{:#}", early.body);
    // The last first: the flowers of the first day's pass are not known yet, so this one waits too.
    let batch = format!("{ROOT}/passes:batch");
    let reply = field.post(&batch, &json!([passes[2]])).await.expect(200);
    assert_eq!(
        (
            &reply["accepted"],
            &reply["rejected"][0]["errors"][0]["pointer"]
        ),
        (&json!(0), &json!("/flowers_pollinated_n")),
        "{reply:#}"
    );
    // Everything, backwards; then everything again, as an app does that lost the reply.
    let backwards: Vec<&Value> = passes.iter().rev().collect();
    let reply = field.post(&batch, &json!(backwards)).await.expect(200);
    assert_eq!(reply["accepted"], 4, "{reply:#}");
    let again = field.post(&batch, &json!(passes)).await.expect(200);
    assert_eq!(
        (&again["accepted"], &again["duplicates"]),
        (&json!(0), &json!(4)),
        "{again:#}"
    );
    // As NDJSON from a phone, one row of which was cut off.
    let lines = format!("{}\n{{\"id\": \"cut\n", passes[0]);
    let reply = field
        .post_text(&batch, "application/x-ndjson", &lines)
        .await
        .expect(200);
    assert_eq!(
        (&reply["duplicates"], &reply["rejected"][0]["row"]),
        (&json!(1), &json!(1)),
        "{reply:#}"
    );
    // Over gRPC the same rows are the same.
    let row = wire::RecordPassRequest {
        id: passes[1]["id"].as_str().unwrap().into(),
        cross_id: cross.clone(),
        on: "2026-02-12".into(),
        pollen_lot_id: lot.clone(),
        mother_id: second.clone(),
        flowers_emasculated_n: 50,
        flowers_pollinated_n: 50,
        by: "Ines Vadell".into(),
        ..wire::RecordPassRequest::default()
    };
    let reply = field
        .crossing()
        .record_passes(wire::RecordPassesRequest { rows: vec![row] })
        .await
        .unwrap()
        .into_inner();
    assert_eq!((reply.accepted, reply.duplicates), (0, 1), "{reply:#?}");
    for (path, body) in [
        ("/pollen-lots".to_owned(), &new_lot),
        (dried_at, &dried),
        (covered_at.clone(), &covered),
    ] {
        let once = create(&field, &path, body).await;
        assert_eq!(
            create(&field, &path, body).await,
            once,
            "{path} is sent twice"
        );
        let mut other = body.clone();
        other["by"] = json!("somebody else");
        field
            .post(&format!("{ROOT}{path}"), &other)
            .await
            .expect(409);
    }

    // One that came in alone is known to a batch, and one of a batch to a call of its own.
    let mut alone = pass(&first, "2026-02-15", 5, 5);
    let alone_at = format!("/crosses/{cross}/passes");
    let once = create(&field, &alone_at, &alone).await;
    let reply = field.post(&batch, &json!([alone])).await.expect(200);
    assert_eq!(reply["duplicates"], 1, "{reply:#}");
    let known = create(&field, &alone_at, &passes[3]).await;
    assert_eq!(
        (&known["id"], &known["flowers_pollinated_n"]),
        (&passes[3]["id"], &json!(10))
    );
    alone["flowers_pollinated_n"] = json!(4);
    let reply = field.post(&batch, &json!([alone])).await.expect(200);
    assert_eq!(
        reply["rejected"][0]["errors"][0]["pointer"], "/id",
        "{reply:#}"
    );
    let undone = json!({"id": Uuid::now_v7(), "on": "2026-02-15", "supersedes": once["id"], "correction": "not worked after all", "withdraw": true});
    create(&field, &alone_at, &undone).await;

    // All of it stands once, in order.
    let told = read(&field, &format!("/crosses/{cross}")).await;
    let counts = &told["counts"];
    assert_eq!(
        (
            &counts["passes_n"],
            &counts["flowers_emasculated_n"],
            &counts["flowers_pollinated_n"]
        ),
        (&json!(4), &json!(120), &json!(120)),
        "{counts:#}"
    );
    let list = read(&field, &format!("/crosses/{cross}/passes")).await;
    let days: Vec<&str> = list["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|pass| pass["on"].as_str().unwrap())
        .collect();
    assert!(days.is_sorted() && days.len() == 4, "{days:?}");
    let lots = read(&field, "/pollen-lots?season=2026").await;
    assert_eq!(lots["items"].as_array().map(Vec::len), Some(2));
    let second = read(&field, &format!("/mothers/{second}")).await;
    let covers = second["events"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|event| event["kind"] == "covered")
        .count();
    assert_eq!((covers, &second["covered"]), (1, &json!(true)));
    // The next bundle knows it: both mothers were gone over on the 14th.
    let next = read(&field, "/days/2026-02-15/bundle").await;
    assert_eq!(next["day"]["passes"], json!([]), "{:#}", next["day"]);
}

#[tokio::test]
async fn all_of_a_days_work_comes_back_in_one_call() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    open_season(&breeder).await;
    let hilda = cherry(&breeder, "Hilda", ["S1", "S3"]).await;
    let rolf = cherry(&breeder, "Rolf", ["S4", "S9"]).await;
    let mother = mother(&field, &hilda, 1).await;
    let cross = cross(&breeder, &hilda, &rolf, 100).await;
    let lot = Uuid::now_v7();
    let new = || json!(Uuid::now_v7());
    let pass = |on: &str, emasculated: u32, pollinated: u32| {
        json!({"id": Uuid::now_v7(), "cross_id": cross, "on": on, "pollen_lot_id": lot,
            "mother_id": mother, "flowers_emasculated_n": emasculated,
            "flowers_pollinated_n": pollinated, "by": "Ines Vadell"})
    };
    // Two days, backwards: the pass before the pollen that it uses, the drying before the gathering.
    let results = json!({
        "passes": [pass("2026-02-13", 0, 30), pass("2026-02-12", 60, 20), pass("2026-02-13", 0, 99)],
        "mother_events": [
            {"id": new(), "mother_id": mother, "kind": "stripped", "on": "2026-02-13", "flowers_n": 3},
            {"id": new(), "mother_id": mother, "kind": "covered", "on": "2026-02-12"},
        ],
        "pollen_events": [
            {"id": new(), "pollen_lot_id": lot, "kind": "discarded", "on": "2026-02-13", "reason": "spilt"},
            {"id": new(), "pollen_lot_id": lot, "kind": "dried", "on": "2026-02-12"},
            {"id": new(), "pollen_lot_id": Uuid::now_v7(), "kind": "dried", "on": "2026-02-12"},
        ],
        "pollen_lots": [{"id": lot, "germplasm_id": rolf, "gathered_on": "2026-02-11", "flowers_n": 90, "stage_bbch": 59}],
        "bloom_records": [{"id": new(), "germplasm_id": hilda, "on": "2026-02-12", "stage_bbch": 63}],
    });
    let path = format!("{ROOT}/day-results");
    let bring = async |results: &Value| {
        let reply = field.post(&path, results).await.expect(200);
        let sections = reply["sections"].as_array().unwrap().clone();
        let told = sections.iter().map(|told| {
            let n = |field: &str| told[field].as_u64().unwrap();
            let rejected: Vec<(u64, String)> = told["rejected"]
                .as_array()
                .unwrap()
                .iter()
                .map(|row| {
                    let at = row["errors"][0]["pointer"].as_str().unwrap().to_owned();
                    (row["row"].as_u64().unwrap(), at)
                })
                .collect();
            let section = told["section"].as_str().unwrap().to_owned();
            (section, n("accepted"), n("duplicates"), rejected)
        });
        told.collect::<Vec<_>>()
    };
    let told = |section: &str, accepted: u64, duplicates: u64, rejected: &[(u64, &str)]| {
        let rejected = rejected.iter().map(|(row, at)| (*row, (*at).to_owned()));
        (section.to_owned(), accepted, duplicates, rejected.collect())
    };
    let unknown = bring(&results).await;
    let missing = &unknown[2].3;
    assert_eq!(
        (missing.len(), missing[0].0),
        (1, 2),
        "a lot that nobody knows"
    );
    let at = missing[0].1.clone();
    assert_eq!(
        unknown,
        [
            told("bloom_records", 1, 0, &[]),
            told("pollen_lots", 1, 0, &[]),
            told("pollen_events", 2, 0, &[(2, &at)]),
            told("mother_events", 2, 0, &[]),
            told("passes", 2, 0, &[(2, "/flowers_pollinated_n")]),
        ]
    );
    // Again, as after a lost reply; and once more with one entry told otherwise.
    assert_eq!(
        bring(&results).await,
        [
            told("bloom_records", 0, 1, &[]),
            told("pollen_lots", 0, 1, &[]),
            told("pollen_events", 0, 2, &[(2, &at)]),
            told("mother_events", 0, 2, &[]),
            told("passes", 0, 2, &[(2, "/flowers_pollinated_n")]),
        ]
    );
    let mut unlike = results.clone();
    unlike["mother_events"][0]["flowers_n"] = json!(4);
    assert_eq!(bring(&unlike).await[3].3, [(0, "/id".to_owned())]);
    let told = read(&field, &format!("/crosses/{cross}")).await;
    assert_eq!(
        (
            &told["counts"]["passes_n"],
            &told["counts"]["flowers_pollinated_n"]
        ),
        (&json!(2), &json!(50))
    );
    let lot = read(&field, &format!("/pollen-lots/{lot}")).await;
    assert_eq!(lot["place"], "discarded");

    // Over gRPC the same; an entry must carry its id; and not everybody works the bloom.
    let note = wire::RecordBloomRequest {
        germplasm_id: rolf.clone(),
        on: "2026-02-12".into(),
        stage_bbch: 60,
        ..wire::RecordBloomRequest::default()
    };
    let results = wire::DayResults {
        bloom_records: vec![
            wire::RecordBloomRequest {
                id: Uuid::now_v7().to_string(),
                ..note.clone()
            },
            note,
        ],
        ..wire::DayResults::default()
    };
    let reply = field
        .crossing()
        .bring_day_results(results.clone())
        .await
        .unwrap()
        .into_inner();
    let bloom = &reply.sections[0];
    assert_eq!(
        (bloom.accepted, bloom.rejected[0].errors[0].pointer.as_str()),
        (1, "/id"),
        "{reply:#?}"
    );
    let manager = system.sign_in("manager").await;
    let refused = manager.crossing().bring_day_results(results).await;
    assert_eq!(refused.unwrap_err().code(), tonic::Code::PermissionDenied);
    let stranger = system.other_programme().await.sign_in("field").await;
    let theirs = json!({"passes": [pass("2026-02-14", 1, 1)]});
    let reply = stranger.post(&path, &theirs).await.expect(200);
    assert_eq!(reply["sections"][4]["accepted"], 0, "{reply:#}");
}
