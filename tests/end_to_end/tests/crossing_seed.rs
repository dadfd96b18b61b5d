//! Seed from stone to seedling: lots, batches, losses with their causes, curves of germination, and
//! counts that always reconcile.

use contract::crossing as wire;
use end_to_end::crossing::{ROOT, create, id, open_season, refused};
use end_to_end::{Client, System};
use platform::database::Scope;
use platform::peers::ServiceName;
use serde_json::{Value, json};

/// An open-pollinated peach with 200 stones.
async fn stones(breeder: &Client, field: &Client) -> String {
    open_season(breeder).await;
    let peach = json!({"name": "Alba", "species": "Prunus persica", "kind": "variety"});
    let peach = id(&create(breeder, "/germplasm", &peach).await);
    let cross = json!({"season": 2026, "seed_parent_id": peach, "pollen_parent_id": "open", "objective": "stocks", "fruit_wanted_n": 200});
    let cross = id(&create(breeder, "/crosses", &cross).await);
    let fruit = json!({"on": "2026-05-20", "harvested_n": 200, "stones_n": 200});
    create(field, &format!("/crosses/{cross}/fruit"), &fruit).await;
    cross
}

fn stage<'a>(ledger: &'a Value, step: &str) -> &'a Value {
    let mut stages = ledger["stages"].as_array().unwrap().iter();
    stages
        .find(|stage| stage["step"] == step)
        .unwrap_or_else(|| panic!("no {step} in {ledger:#}"))
}

#[tokio::test]
async fn seed_is_followed_from_stone_to_seedling() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    let cross = stones(&breeder, &field).await;
    let seed = format!("/crosses/{cross}/seed");
    let step = |step: &str, on: &str, seed_n: u32, more: Value| {
        let mut body = json!({"step": step, "on": on, "seed_n": seed_n});
        for (key, value) in more.as_object().expect("an object") {
            body[key] = value.clone();
        }
        body
    };
    let lot = create(
        &field,
        &seed,
        &step("extracted", "2026-05-25", 180, json!({"stones_n": 200})),
    )
    .await;
    assert_eq!(lot["batch_number"], "26-0001-S1");
    create(
        &field,
        &seed,
        &step("lost", "2026-05-26", 20, json!({"cause": "empty"})),
    )
    .await;
    let cold = step(
        "stratified",
        "2026-05-28",
        120,
        json!({"source_id": lot["id"], "temperature_c": 4.0}),
    );
    let cold = create(&field, &seed, &cold).await;
    assert_eq!(
        (&cold["due_on"], &cold["batch_number"], &cold["from_step"]),
        (
            &json!("2026-08-26"),
            &json!("26-0001-S2"),
            &json!("extracted")
        )
    );
    let rescue = step(
        "rescued",
        "2026-05-28",
        40,
        json!({"source_id": lot["id"], "medium": "half-strength salts"}),
    );
    let rescue = create(&field, &seed, &rescue).await;
    assert!(
        rescue["notes"][0]
            .as_str()
            .unwrap()
            .contains("trained person"),
        "{rescue:#}"
    );

    // What is not there cannot be taken, from the stage or from the batch.
    for (body, pointer) in [
        (step("stratified", "2026-06-01", 1, json!({})), "/seed_n"),
        (
            step(
                "germinated",
                "2026-09-01",
                41,
                json!({"source_id": rescue["id"]}),
            ),
            "/seed_n",
        ),
        (
            step("germinated", "2026-09-01", 1, json!({"source_id": cross})),
            "/source_id",
        ),
        (
            step(
                "stratified",
                "2026-06-01",
                1,
                json!({"source_id": cold["id"]}),
            ),
            "/source_id",
        ),
        (
            step(
                "stratified",
                "2026-06-01",
                1,
                json!({"from_step": "germinated"}),
            ),
            "/from_step",
        ),
        (
            step("extracted", "2026-06-01", 1, json!({"medium": "agar"})),
            "/medium",
        ),
        (
            step("lost", "2026-06-01", 1, json!({"cause": "bad luck"})),
            "/cause",
        ),
    ] {
        assert_eq!(refused(&field, &seed, &body).await, [pointer], "{body}");
    }

    let due = breeder
        .get(&format!("{ROOT}/seed-due?until=2026-08-26"))
        .await
        .expect(200);
    assert_eq!(due["items"][0]["number"], "26-0001-S2", "{due:#}");
    let early = breeder
        .get(&format!("{ROOT}/seed-due?until=2026-08-25"))
        .await
        .expect(200);
    assert_eq!(early["items"], json!([]));

    // Weekly looks at the cold batch, with one wrong count that is put right.
    let mut wrong = None;
    for (on, n) in [
        ("2026-07-09", 6),
        ("2026-07-16", 15),
        ("2026-07-23", 52),
        ("2026-07-30", 24),
        ("2026-08-06", 12),
    ] {
        let entry = create(
            &field,
            &seed,
            &step("germinated", on, n, json!({"source_id": cold["id"]})),
        )
        .await;
        wrong = wrong.or((n == 52).then_some(entry));
    }
    let wrong = wrong.expect("the third look");
    let right = step(
        "germinated",
        "2026-07-23",
        25,
        json!({"source_id": cold["id"], "supersedes": wrong["id"], "correction": "two trays were counted twice"}),
    );
    create(&field, &seed, &right).await;
    create(
        &field,
        &seed,
        &step(
            "germinated",
            "2026-07-10",
            30,
            json!({"source_id": rescue["id"]}),
        ),
    )
    .await;
    create(
        &field,
        &seed,
        &step(
            "lost",
            "2026-07-12",
            10,
            json!({"cause": "mould", "source_id": rescue["id"]}),
        ),
    )
    .await;
    create(
        &field,
        &seed,
        &step(
            "lost",
            "2026-08-10",
            38,
            json!({"cause": "not_germinated", "source_id": cold["id"]}),
        ),
    )
    .await;
    create(
        &field,
        &seed,
        &step("lost", "2026-08-12", 5, json!({"cause": "damping_off"})),
    )
    .await;

    // A lot that seed was taken from is not made smaller than that, nor withdrawn.
    let smaller = step(
        "extracted",
        "2026-05-25",
        100,
        json!({"supersedes": lot["id"], "correction": "miscounted"}),
    );
    assert_eq!(
        refused(&field, &seed, &smaller).await,
        ["/seed_n", "/seed_n"]
    );
    let none = json!({"step": "extracted", "on": "2026-05-25", "supersedes": lot["id"], "correction": "miscounted", "withdraw": true});
    assert_eq!(refused(&field, &seed, &none).await, ["/supersedes"]);

    let planting = format!("/crosses/{cross}/seedlings");
    let plant = json!({"planted_n": 107, "block": "B1", "first_row": 1, "plants_per_row": 20, "on": "2026-09-01"});
    let mut too_many = plant.clone();
    too_many["planted_n"] = json!(108);
    assert_eq!(refused(&field, &planting, &too_many).await, ["/planted_n"]);
    create(&field, &planting, &plant).await;
    let twins = json!({"planted_n": 2, "block": "B1", "first_row": 7, "on": "2026-09-02", "reason": "two pairs of twins"});
    create(&field, &planting, &twins).await;
    let seedlings = breeder
        .get(&format!("{ROOT}/seedlings?cross_id={cross}&limit=5"))
        .await
        .expect(200);
    let first = id(&seedlings["items"][0]);
    let events = format!("/seedlings/{first}/events");
    assert_eq!(
        refused(
            &field,
            &events,
            &json!({"kind": "regrafted", "on": "2026-09-05", "rootstock": "Own", "cause": "frost"})
        )
        .await,
        ["/cause"]
    );
    create(
        &field,
        &events,
        &json!({"kind": "died", "on": "2026-09-10", "cause": "pests"}),
    )
    .await;

    let ledger = breeder.get(&format!("{ROOT}{seed}")).await.expect(200);
    for (step, into_n, found_n, on_n, lost_n, left_n) in [
        ("extracted", 180, 0, 160, 20, 0),
        ("stratified", 120, 0, 82, 38, 0),
        ("rescued", 40, 0, 30, 10, 0),
        ("germinated", 112, 2, 109, 5, 0),
    ] {
        let told = stage(&ledger, step);
        assert_eq!(
            (
                &told["into_n"],
                &told["found_n"],
                &told["on_n"],
                &told["lost_n"],
                &told["left_n"]
            ),
            (
                &json!(into_n),
                &json!(found_n),
                &json!(on_n),
                &json!(lost_n),
                &json!(left_n)
            ),
            "{step}: {ledger:#}"
        );
    }
    let losses = ledger["losses"].as_array().unwrap();
    assert!(
        losses.contains(&json!({"from_step": "germinated", "cause": "damping_off", "seed_n": 5}))
            && losses.contains(&json!({"from_step": "planted", "cause": "pests", "seed_n": 1})),
        "{losses:#?}"
    );
    assert_eq!(
        (
            &ledger["seedlings_planted_n"],
            &ledger["seedlings_living_n"]
        ),
        (&json!(109), &json!(108))
    );
    let batches = ledger["batches"].as_array().unwrap();
    let cold_told = batches
        .iter()
        .find(|batch| batch["id"] == cold["id"])
        .unwrap();
    let curve = &cold_told["germination"];
    let value = |field: &str| curve[field].as_f64().unwrap_or_else(|| panic!("{curve:#}"));
    assert_eq!(
        (curve["seeds_n"].as_u64(), curve["germinated_n"].as_u64()),
        (Some(120), Some(82))
    );
    // Half of the 82 were up between the second and the third look, days 49 and 56.
    assert!((49.0..60.0).contains(&value("days_to_half")), "{curve:#}");
    assert!(value("days_to_half_low") < value("days_to_half"));
    assert!(
        value("final_low") < 82.0 / 120.0 && 82.0 / 120.0 < value("final_high"),
        "{curve:#}"
    );
    assert!(
        (value("final_share") - 82.0 / 120.0).abs() < 0.08,
        "{curve:#}"
    );
    assert_eq!(curve["points"].as_array().map(Vec::len), Some(6));
    let entries = ledger["entries"].as_array().unwrap();
    let old = entries
        .iter()
        .find(|entry| entry["id"] == wrong["id"])
        .unwrap();
    assert!(
        !old["superseded_by"].as_str().unwrap().is_empty(),
        "history is kept: {old:#}"
    );

    let over_grpc = breeder
        .crossing()
        .get_seed_ledger(wire::GetSeedLedgerRequest {
            cross_id: cross.clone(),
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(over_grpc.stages.len(), 4);
    let other = system.other_programme().await.sign_in("breeder").await;
    other.get(&format!("{ROOT}{seed}")).await.expect(404);
    assert_eq!(
        other.get(&format!("{ROOT}/seed-due")).await.expect(200)["items"],
        json!([])
    );
    no_plain_sql_leaves_less_than_nothing(&system, &breeder, &cross).await;
}

/// The database itself refuses to let more seed go on than there was.
async fn no_plain_sql_leaves_less_than_nothing(system: &System, breeder: &Client, cross: &str) {
    let programme = breeder.get("/api/identity/v1/me").await.expect(200);
    let programme = programme["programme_id"]
        .as_str()
        .expect("a programme")
        .parse()
        .unwrap();
    let pool = system.pool(ServiceName::Crossing).await;
    let mut transaction = pool.begin().await.unwrap();
    Scope {
        programme: Some(programme),
        partner: None,
        across_programmes: false,
    }
    .apply(&mut transaction)
    .await
    .unwrap();
    sqlx::query(
        "insert into seed_record (programme_id, id, cross_id, on_day, step, from_step, seed_n, \
         cause, note, reason, by_name) values (current_programme(), gen_random_uuid(), $1::uuid, \
         '2026-09-20', 'germinated', 'stratified', 1, '', '', '', '')",
    )
    .bind(cross)
    .execute(&mut *transaction)
    .await
    .unwrap();
    let refusal = transaction.commit().await.unwrap_err().to_string();
    assert!(refusal.contains("does not reconcile"), "{refusal}");
}
