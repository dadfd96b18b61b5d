//! Trees on the ground against trees reported, royalties with worked numbers, and known names.

use end_to_end::System;
use serde_json::{Value, json};

use crate::release::{at, candidate, id, licence, merge, organisation};

#[tokio::test]
async fn a_count_above_what_was_reported_is_put_right_by_new_papers() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let partner = system.sign_in("partner_a").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let granted = licence(&rights, &about, &nursery, json!({})).await;
    let licence_id = id(&granted);
    let report = partner
        .post(
            &at("/propagation-reports"),
            &json!({"licence_id": licence_id, "period_start": "2025-01-01", "period_end": "2025-12-31", "trees_n": 1000}),
        )
        .await
        .expect(201);
    let year =
        json!({"licence_id": licence_id, "period_start": "2025-01-01", "period_end": "2025-12-31"});
    let stated = rights
        .post(&at("/royalty-statements"), &year)
        .await
        .expect(201);
    assert_eq!(stated["total"], "1850.00");

    let count = |place: &str, on: &str, counted: u32| {
        json!({"licence_id": licence_id, "place": place, "on": on, "counted_n": counted,
               "counted_by": "M. Orell", "evidence": "protocol 7"})
    };
    let path = at("/inspections");
    let first = rights
        .post(&path, &count("North field", "2026-02-01", 600))
        .await
        .expect(201);
    assert_eq!(first["finding"], "fewer_than_reported");
    assert_eq!(first["difference_n"], -400);
    // 600 + 420 = 1,020: two in a hundred more, which is still within the tolerance.
    let second = rights
        .post(&path, &count("South field", "2026-02-02", 420))
        .await
        .expect(201);
    assert_eq!(
        (&second["finding"], &second["flagged"], &second["places_n"]),
        (&json!("within_tolerance"), &json!(false), &json!(2))
    );
    // Counted again, in other letters; the last count of a place stands.
    let third = rights
        .post(&path, &count("south  FIELD", "2026-02-03", 500))
        .await
        .expect(201);
    assert_eq!(
        (
            &third["counted_everywhere_n"],
            &third["difference_n"],
            &third["finding"]
        ),
        (&json!(1100), &json!(100), &json!("more_than_reported"))
    );
    assert_eq!(
        (&third["difference_percent"], &third["places_n"]),
        (&json!(10.0), &json!(2))
    );
    let open = rights
        .get(&format!("{path}?open_only=true"))
        .await
        .expect(200);
    let open: Vec<_> = open["items"].as_array().unwrap().iter().map(id).collect();
    assert_eq!(open, [id(&third), id(&first)]);

    let mended = json!({
        "licence_id": licence_id, "period_start": "2025-01-01", "period_end": "2025-12-31",
        "trees_n": 1100, "corrects_id": id(&report), "inspection_id": id(&third),
    });
    let mut without = mended.clone();
    merge(&mut without, json!({"corrects_id": ""}));
    let refused = partner.post(&at("/propagation-reports"), &without).await;
    assert_eq!(refused.pointers(422), ["/inspection_id"]);
    let corrected = partner
        .post(&at("/propagation-reports"), &mended)
        .await
        .expect(201);
    assert_eq!(corrected["inspection_id"], third["id"]);
    let mut again = year.clone();
    merge(
        &mut again,
        json!({"corrects_id": id(&stated), "reason": "count of February 2026"}),
    );
    let restated = rights
        .post(&at("/royalty-statements"), &again)
        .await
        .expect(201);
    // 1,100 × 1.85, and 100 × 1.85 more than before.
    assert_eq!(
        (&restated["total"], &restated["difference"]),
        (&json!("2035.00"), &json!("185.00"))
    );
    let by_grpc = rights
        .release()
        .list_inspections(::contract::release::ListInspectionsRequest {
            licence_id: licence_id.clone(),
            ..Default::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(by_grpc.items[0].corrected_by_report_id, id(&corrected));
    assert_eq!(by_grpc.items.len(), 3);

    for (over, pointer) in [
        (json!({"on": "2190-01-01"}), "/on"),
        (json!({"on": "2023-01-01"}), "/on"),
        (json!({"evidence": ""}), "/evidence"),
        (json!({"counted_by": ""}), "/counted_by"),
        (json!({"tolerance_percent": 101}), "/tolerance_percent"),
        (json!({"licence_id": id(&first)}), "/licence_id"),
    ] {
        let mut body = count("East", "2026-02-01", 1);
        merge(&mut body, over.clone());
        assert_eq!(
            rights.post(&path, &body).await.pointers(422),
            [pointer],
            "{over}"
        );
    }
    partner
        .post(&path, &count("East", "2026-02-01", 1))
        .await
        .expect(403);
    let theirs = system.other_programme().await.sign_in("rights").await;
    assert_eq!(theirs.get(&path).await.expect(200)["items"], json!([]));
}

#[tokio::test]
async fn steps_indexation_and_minimum_come_out_to_the_cent() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let granted = licence(
        &rights,
        &about,
        &nursery,
        json!({
            "starts_on": "2022-01-01",
            "royalty": {
                "per": "tree", "amount": "2.00", "currency": "EUR", "minimum": "5000",
                "yearly_increase_percent": "2.5", "steps": [{"above": "1000", "amount": "1.50"}],
            },
        }),
    )
    .await;
    let state = async |year: u16, trees: u32| -> Value {
        let period = json!({
            "licence_id": id(&granted), "period_start": format!("{year}-01-01"),
            "period_end": format!("{year}-12-31"),
        });
        let mut report = period.clone();
        merge(&mut report, json!({"trees_n": trees}));
        rights
            .post(&at("/propagation-reports"), &report)
            .await
            .expect(201);
        rights
            .post(&at("/royalty-statements"), &period)
            .await
            .expect(201)
    };
    // Before the first anniversary: 1000 × 2.00 + 1000 × 1.50 = 3500.00, raised to 5000.00.
    let first = state(2022, 2000).await;
    assert_eq!(
        (&first["subtotal"], &first["minimum_added"], &first["total"]),
        (&json!("3500.00"), &json!("1500.00"), &json!("5000.00"))
    );
    // After two, by 1.025² = 1.050625: 1000 × 2.10125 = 2101.25; 1.5759375 is kept as 1.575938, and
    // 1000 of it are 1575.94; the minimum is 5253.125, so 5253.13.
    let third = state(2024, 2000).await;
    assert_eq!(third["lines"][0]["amount"], "2101.25");
    assert_eq!(third["lines"][1]["amount"], "1575.94");
    assert_eq!(
        (&third["subtotal"], &third["minimum_added"], &third["total"]),
        (&json!("3677.19"), &json!("1575.94"), &json!("5253.13"))
    );
    // Above the minimum nothing is added: 1000 × 2.10125… of 2025 at 1.025³ = 1.076890625:
    // 2.15378125 is kept as 2.153781, 2153.78; 9000 × 1.615336 = 14538.02 (1.6153359375).
    let fourth = state(2025, 10_000).await;
    assert_eq!(
        (&fourth["minimum_added"], &fourth["total"]),
        (&json!("0.00"), &json!("16691.80"))
    );
}

#[tokio::test]
async fn of_writers_at_once_on_groups_countries_and_parts_one_gets_the_ground() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let mut writers = tokio::task::JoinSet::new();
    // Each of these shares ground with every other.
    for territory in [
        json!(["EU"]),
        json!(["ES"]),
        json!(["ES-CT"]),
        json!(["WORLD"]),
        json!(["FR", "ES-CT"]),
        json!(["ES", "US"]),
    ] {
        let (rights, about, nursery) = (rights.clone(), about.clone(), nursery.clone());
        writers.spawn(async move {
            let body = json!({
                "candidate_id": about, "licensee_id": nursery, "territory": territory,
                "purpose": "propagation", "exclusive": true, "starts_on": "2025-01-01",
            });
            rights.post(&at("/licences"), &body).await.status
        });
    }
    let mut statuses = writers.join_all().await;
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 409, 409, 409, 409, 409]);
}

#[tokio::test]
async fn a_proposal_is_held_against_names_known_from_outside() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let path = at("/known-names");
    let list = json!({
        "source": "national list, January 2026", "listed_on": "2026-01-15",
        "csv": "name,class,jurisdiction,kind\nVelantha,Prunus persica,US,\nOrmeau,Prunus,FR,denomination\nSunny Brand,Prunus,US,trade_designation\nRosalind,Rosa,US,\n",
    });
    let taken = rights.post(&path, &list).await.expect(200);
    assert_eq!(
        (&taken["accepted_n"], &taken["duplicates_n"]),
        (&json!(3), &json!(0))
    );
    assert_eq!(taken["rejected"][0]["line"], 4);
    assert_eq!(taken["rejected"][0]["errors"][0]["pointer"], "/kind");
    let again = rights.post(&path, &list).await.expect(200);
    assert_eq!(
        (&again["accepted_n"], &again["duplicates_n"]),
        (&json!(0), &json!(3))
    );

    let check = async |name: &str| -> Vec<Value> {
        let body = json!({"name": name, "species": "Prunus armeniaca"});
        let found = rights
            .post(&at("/denominations:check"), &body)
            .await
            .expect(200);
        found["warnings"].as_array().unwrap().clone()
    };
    let same = check("ORMEAU").await;
    assert_eq!(
        (&same[0]["principle"], &same[0]["against"]),
        (&json!("different"), &json!("Ormeau"))
    );
    let like = check("Velanta").await;
    assert_eq!(
        (&like[0]["principle"], &like[0]["against"]),
        (&json!("not_confusing"), &json!("Velantha"))
    );
    assert_eq!(check("Sunny Brand").await, Vec::<Value>::new());
    assert_eq!(
        check("Rosalind").await,
        Vec::<Value>::new(),
        "another class"
    );
    // And when it is proposed, the finding is kept with it.
    let about = candidate(&system, "P-1").await;
    let proposed = rights
        .post(
            &at(&format!("/candidates/{about}/denominations")),
            &json!({"name": "Ormeau", "on": "2026-02-01"}),
        )
        .await
        .expect(201);
    assert_eq!(proposed["findings"][0]["against"], "Ormeau");

    for (over, pointer) in [
        (json!({"csv": "name,species\nA,B\n"}), "/csv"),
        (json!({"csv": ""}), "/csv"),
        (json!({"source": ""}), "/source"),
        (json!({"listed_on": "2190-01-01"}), "/listed_on"),
    ] {
        let mut body = list.clone();
        merge(&mut body, over.clone());
        assert_eq!(
            rights.post(&path, &body).await.pointers(422),
            [pointer],
            "{over}"
        );
    }
    let found = rights.get(&format!("{path}?name=ormeau")).await.expect(200);
    assert_eq!(found["items"][0]["source"], "national list, January 2026");
    let theirs = system.other_programme().await.sign_in("rights").await;
    assert_eq!(theirs.get(&path).await.expect(200)["items"], json!([]));
}
