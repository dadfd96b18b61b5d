//! Licences, reports, royalties, testing agreements and labels.

use end_to_end::System;
use serde_json::{Value, json};

use super::{at, candidate, denominate, id, licence, merge, organisation};

#[tokio::test]
async fn an_exclusive_licence_stands_alone_on_its_ground() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let (a, b) = (
        organisation(&system, "Nursery A").await,
        organisation(&system, "Nursery B").await,
    );
    let candidate = candidate(&system, "P-1").await;
    let first = licence(
        &rights,
        &candidate,
        &a,
        json!({"territory": ["US-CA", "EU"], "exclusive": true, "ends_on": "2030-12-31"}),
    )
    .await;
    assert!(first["number"].as_str().unwrap().starts_with("L-0001-"));

    let body = |over: Value| {
        let mut body = json!({
            "candidate_id": candidate, "licensee_id": b, "territory": "US",
            "purpose": "propagation", "starts_on": "2025-01-01",
        });
        merge(&mut body, over);
        body
    };
    let path = at("/licences");
    for clash in [
        json!({"exclusive": true}),
        json!({"exclusive": false}),
        json!({"territory": ["ES-CT"], "exclusive": true}),
        json!({"territory": ["WORLD"]}),
        json!({"starts_on": "2030-12-31"}),
    ] {
        let refused = rights.post(&path, &body(clash.clone())).await.expect(409);
        assert_eq!(refused["errors"][0]["pointer"], "/territory", "{clash}");
        let told = refused["errors"][0]["message"].as_str().unwrap();
        assert!(told.contains(first["number"].as_str().unwrap()), "{told}");
    }
    for sound in [
        json!({"territory": ["US-WA"], "exclusive": true}),
        json!({"starts_on": "2031-01-01", "exclusive": true, "territory": ["US-CA"]}),
        json!({"purpose": "home_garden", "exclusive": true, "territory": ["US-CA"]}),
        json!({"territory": ["CL", "NZ"]}),
    ] {
        rights.post(&path, &body(sound)).await.expect(201);
    }
    // Two that are not exclusive may share their ground.
    rights
        .post(&path, &body(json!({"territory": ["CL"]})))
        .await
        .expect(201);
}

#[tokio::test]
async fn of_writers_at_once_one_gets_the_exclusive_ground() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let (a, b) = (
        organisation(&system, "Nursery A").await,
        organisation(&system, "Nursery B").await,
    );
    let candidate = candidate(&system, "P-1").await;
    let mut writers = tokio::task::JoinSet::new();
    for i in 0..8 {
        let (rights, candidate) = (rights.clone(), candidate.clone());
        let licensee = if i % 2 == 0 { a.clone() } else { b.clone() };
        let territory = if i % 3 == 0 {
            json!(["US-CA"])
        } else {
            json!(["US"])
        };
        writers.spawn(async move {
            let body = json!({
                "candidate_id": candidate, "licensee_id": licensee, "territory": territory,
                "purpose": "propagation", "exclusive": true, "starts_on": "2025-01-01",
            });
            rights.post(&at("/licences"), &body).await.status
        });
    }
    let mut statuses = writers.join_all().await;
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 409, 409, 409, 409, 409, 409, 409]);
}

#[tokio::test]
async fn a_licence_is_amended_and_ended_and_its_history_kept() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let (a, b) = (
        organisation(&system, "Nursery A").await,
        organisation(&system, "Nursery B").await,
    );
    let candidate = candidate(&system, "P-1").await;
    let granted = licence(&rights, &candidate, &a, json!({"exclusive": true})).await;
    let path = at(&format!("/licences/{}", id(&granted)));
    let amendment = json!({
        "on": "2025-06-01", "reason": "narrowed", "territory": ["US-CA"], "exclusive": true,
        "royalty": {"per": "tree", "amount": 2, "currency": "USD"},
    });
    let amended = rights.put(&path, &amendment, 1).await.expect(200);
    assert_eq!(amended["version"], 2);
    rights.put(&path, &amendment, 1).await.expect(412);
    // The ground given up is free from that day on, and not before.
    let other = |starts: &str| {
        json!({"candidate_id": candidate, "licensee_id": b, "territory": ["US-WA"],
               "purpose": "propagation", "exclusive": true, "starts_on": starts})
    };
    rights
        .post(&at("/licences"), &other("2025-05-31"))
        .await
        .expect(409);
    rights
        .post(&at("/licences"), &other("2025-06-01"))
        .await
        .expect(201);
    let ended = rights
        .post(
            &format!("{path}/end"),
            &json!({"on": "2025-12-31", "reason": "agreed"}),
        )
        .await
        .expect(200);
    let changes: Vec<_> = ended["history"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| c["change"].clone())
        .collect();
    assert_eq!(changes, ["granted", "amended", "ended"]);
    assert_eq!(ended["history"][0]["territory"], json!(["US"]));
    assert_eq!(ended["ends_on"], "2025-12-31");
    rights
        .post(
            &format!("{path}/end"),
            &json!({"on": "2026-01-31", "reason": "again"}),
        )
        .await
        .expect(409);
}

#[tokio::test]
async fn what_is_wrong_with_a_licence_is_told_by_field() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let a = organisation(&system, "Nursery A").await;
    let candidate = candidate(&system, "P-1").await;
    let body = |over: Value| {
        let mut body = json!({
            "candidate_id": candidate, "licensee_id": a, "territory": ["US"],
            "purpose": "propagation", "starts_on": "2025-01-01",
        });
        merge(&mut body, over);
        body
    };
    for (over, pointer) in [
        (json!({"territory": ["US", "Atlantis"]}), "/territory/1"),
        (json!({"territory": ["US", "US-ZZ"]}), "/territory/1"),
        (json!({"territory": []}), "/territory"),
        (json!({"purpose": "pleasure"}), "/purpose"),
        (json!({"ends_on": "2024-01-01"}), "/ends_on"),
        (
            json!({"licensee_id": "0190f3a2-0000-7000-8000-000000000000"}),
            "/licensee_id",
        ),
        (
            json!({"candidate_id": "0190f3a2-0000-7000-8000-000000000000"}),
            "/candidate_id",
        ),
        (
            json!({"royalty": {"per": "tree", "amount": "1,85", "currency": "USD"}}),
            "/royalty/amount",
        ),
        (
            json!({"royalty": {"per": "tree", "amount": "1.85", "currency": "QQQ"}}),
            "/royalty/currency",
        ),
        (
            json!({"royalty": {"per": "leaf", "amount": "1.85", "currency": "USD"}}),
            "/royalty/per",
        ),
        (json!({"propagate_max_n": 0}), "/propagate_max_n"),
    ] {
        let reply = rights.post(&at("/licences"), &body(over.clone())).await;
        assert_eq!(reply.pointers(422), [pointer], "{over}");
    }
    let none = rights.get(&at("/licences")).await.expect(200);
    assert_eq!(none["items"], json!([]));
}

#[tokio::test]
async fn reports_above_the_cap_are_kept_and_flagged_and_royalties_hold_to_the_cent() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let partner = system.sign_in("partner_a").await;
    let stranger = system.sign_in("partner_b").await;
    let a = organisation(&system, "Nursery A").await;
    let candidate = candidate(&system, "P-1").await;
    let granted = licence(
        &rights,
        &candidate,
        &a,
        json!({
            "propagate_max_n": 1500,
            "royalty": {"per": "tree", "amount": "1.855", "currency": "USD",
                        "steps": [{"above": "1000", "amount": "1.5"}]},
        }),
    )
    .await;
    let licence_id = id(&granted);
    let report = |start: &str, end: &str, trees: u32| json!({"licence_id": licence_id, "period_start": start, "period_end": end, "trees_n": trees});
    let reports = at("/propagation-reports");
    let first = partner
        .post(&reports, &report("2025-01-01", "2025-06-30", 333))
        .await
        .expect(201);
    assert_eq!(first["above_cap"], false);
    assert_eq!(
        stranger
            .post(&reports, &report("2025-07-01", "2025-12-31", 5))
            .await
            .expect(404)["type"],
        "/problems/not-found"
    );
    let twice = partner
        .post(&reports, &report("2025-06-30", "2025-07-31", 1))
        .await;
    assert_eq!(twice.pointers(409), ["/period_start"]);
    let second = partner
        .post(&reports, &report("2025-07-01", "2025-12-31", 1200))
        .await
        .expect(201);
    assert_eq!(second["above_cap"], true);
    assert_eq!(second["reported_so_far_n"], 1533);

    let statement = |over: Value| {
        let mut body = json!({"licence_id": licence_id, "period_start": "2025-01-01", "period_end": "2025-12-31"});
        merge(&mut body, over);
        body
    };
    let path = at("/royalty-statements");
    let mixed = rights
        .post(&path, &statement(json!({"currency": "EUR"})))
        .await;
    assert_eq!(mixed.pointers(422), ["/currency"]);
    let over_an_end = rights
        .post(&path, &statement(json!({"period_end": "2025-09-30"})))
        .await;
    assert_eq!(over_an_end.pointers(422), ["/period_start"]);
    let made = rights.post(&path, &statement(json!({}))).await.expect(201);
    // 333 × 1.855 = 617.715, to 617.72; 667 × 1.855 = 1237.285, to 1237.29; 533 × 1.5 = 799.50.
    let amounts: Vec<_> = made["lines"]
        .as_array()
        .unwrap()
        .iter()
        .map(|l| l["amount"].clone())
        .collect();
    assert_eq!(amounts, ["617.72", "1237.29", "799.50"]);
    assert_eq!(made["total"], "2654.51");
    assert_eq!(
        rights
            .post(&path, &statement(json!({})))
            .await
            .pointers(409),
        ["/period_start"]
    );

    let mended = json!({
        "licence_id": licence_id, "period_start": "2025-07-01", "period_end": "2025-12-31",
        "trees_n": 1100, "corrects_id": id(&second),
    });
    let corrected = partner.post(&reports, &mended).await.expect(201);
    assert_eq!(corrected["reported_so_far_n"], 1433);
    partner.post(&reports, &mended).await.expect(409);
    let correction = json!({"corrects_id": id(&made)});
    assert_eq!(
        rights
            .post(&path, &statement(correction.clone()))
            .await
            .pointers(422),
        ["/reason"]
    );
    let mut correction = correction;
    merge(&mut correction, json!({"reason": "report corrected"}));
    let again = rights.post(&path, &statement(correction)).await.expect(201);
    assert_eq!(again["total"], "2504.51");
    assert_eq!(again["difference"], "-150.00");

    let own = partner.get(&at("/partner/reports")).await.expect(200);
    assert_eq!(own["items"].as_array().unwrap().len(), 3);
    assert_eq!(own["statements"].as_array().unwrap().len(), 1);
    let none = stranger.get(&at("/partner/reports")).await.expect(200);
    assert_eq!(
        (&none["items"], &none["statements"]),
        (&json!([]), &json!([]))
    );
}

#[tokio::test]
async fn trees_held_for_test_are_settled_to_the_last() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let partner = system.sign_in("partner_a").await;
    let a = organisation(&system, "Nursery A").await;
    let candidate = candidate(&system, "P-1").await;
    let body = json!({
        "candidate_id": candidate, "holder_id": a, "place": "Block 4", "country": "US", "trees_n": 12,
        "starts_on": "2024-02-01", "ends_on": "2025-02-01", "on_end": "destroy", "may_say": "",
    });
    let made = rights
        .post(&at("/testing-agreements"), &body)
        .await
        .expect(201);
    assert_eq!(
        (&made["held_n"], &made["standing"]),
        (&json!(12), &json!("overdue"))
    );
    let due = rights.get(&at("/due-dates")).await.expect(200);
    assert_eq!(due["items"][0]["what"], "return_trees");
    assert_eq!(due["items"][0]["urgency"], "overdue");
    let seen = partner
        .get(&at("/partner/release-status"))
        .await
        .expect(200);
    assert_eq!(seen["items"][0]["agreements"][0]["trees_n"], 12);
    assert_eq!(seen["items"][0]["may_propagate"], false);
    assert_eq!(seen["items"][0]["denomination"], "P-1");
    let path = at(&format!("/testing-agreements/{}/settlements", id(&made)));
    let settle = |n: u32| json!({"on": "2025-03-01", "outcome": "destroyed", "trees_n": n, "evidence": "protocol 4"});
    assert_eq!(
        rights.post(&path, &settle(13)).await.pointers(422),
        ["/trees_n"]
    );
    rights.post(&path, &settle(5)).await.expect(201);
    let settled = rights.post(&path, &settle(7)).await.expect(201);
    assert_eq!(
        (&settled["held_n"], &settled["standing"]),
        (&json!(0), &json!("settled"))
    );
    assert_eq!(
        rights.get(&at("/due-dates")).await.expect(200)["items"],
        json!([])
    );
    let known = rights
        .get(&at(&format!("/candidates/{candidate}/confidentiality")))
        .await
        .expect(200);
    assert_eq!(known["public"], false);
    assert_eq!(known["known_by"][0]["who"], "Nursery A");
}

#[tokio::test]
async fn a_label_tells_anyone_what_holds_and_no_tampered_one_does() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let partner = system.sign_in("partner_a").await;
    let stranger = system.sign_in("partner_b").await;
    let a = organisation(&system, "Nursery A").await;
    let candidate = candidate(&system, "P-1").await;
    let granted = licence(&rights, &candidate, &a, json!({})).await;
    let ask = json!({"licence_id": id(&granted), "country": "US"});
    partner.post(&at("/labels"), &ask).await.expect(409);
    denominate(&rights, &candidate, "Velenta").await;
    rights
        .post(
            &at(&format!("/candidates/{candidate}/filings")),
            &json!({"jurisdiction": "US", "kind": "plant_patent", "on": "2025-02-10", "application_number": "19/1"}),
        )
        .await
        .expect(201);
    stranger.post(&at("/labels"), &ask).await.expect(404);
    let label = partner.post(&at("/labels"), &ask).await.expect(201);
    assert!(label["qr_svg"].as_str().unwrap().contains("<svg"));
    assert_eq!(
        label["markings"][0]["text"],
        "‘Velenta’ U.S. plant patent pending"
    );
    let token = label["label_token"].as_str().unwrap();
    let anyone = system.anonymous();
    let told = anyone
        .get(&at(&format!("/labels/{token}")))
        .await
        .expect(200);
    assert_eq!(told["denomination"], "Velenta");
    assert_eq!(told["protection"], "pending");
    assert_eq!(told["licensed_to"], "Nursery A");
    assert_eq!(told["licensed"], true);
    let fields = told.as_object().unwrap().len();
    assert_eq!(fields, 8, "says no more than that: {told:#}");
    let mut tampered = token.to_owned();
    tampered.replace_range(30..31, if &token[30..31] == "A" { "B" } else { "A" });
    anyone
        .get(&at(&format!("/labels/{tampered}")))
        .await
        .expect(404);
    rights
        .post(
            &at(&format!("/licences/{}/end", id(&granted))),
            &json!({"on": "2025-06-30", "reason": "agreed"}),
        )
        .await
        .expect(200);
    let ended = anyone
        .get(&at(&format!("/labels/{token}")))
        .await
        .expect(200);
    assert_eq!(ended["licensed"], false);
}
