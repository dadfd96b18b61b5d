//! Candidates and their way through the stages.

use std::collections::BTreeSet;

use end_to_end::System;
use serde_json::json;

use super::{at, candidate, denominate, id, plant};

#[tokio::test]
async fn a_candidate_goes_from_own_root_to_release_with_its_reasons() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let rights = system.sign_in("rights").await;
    let id = candidate(&system, "P-15-001").await;
    let stages = at(&format!("/candidates/{id}/stages"));

    let skipped = breeder
        .post(
            &stages,
            &json!({"stage": "released", "on": "2016-01-01", "reason": "eager"}),
        )
        .await
        .expect(409);
    let told = skipped["detail"].as_str().unwrap();
    assert!(
        told.contains("allowed from there: budded, withdrawn"),
        "{told}"
    );

    for (stage, on) in [
        ("budded", "2018-02-01"),
        ("multi_site", "2020-02-01"),
        ("budded", "2020-03-01"),
        ("multi_site", "2021-02-01"),
        ("pre_release", "2024-02-01"),
    ] {
        let made = breeder
            .post(
                &stages,
                &json!({"stage": stage, "on": on, "reason": format!("to {stage}")}),
            )
            .await
            .expect(201);
        assert_eq!(made["reversal"], json!(on == "2020-03-01"), "{made:#}");
    }
    let early = json!({"stage": "released", "on": "2023-01-01", "reason": "before the last move"});
    assert_eq!(breeder.post(&stages, &early).await.pointers(422), ["/on"]);
    let release = json!({"stage": "released", "on": "2025-09-01", "reason": "all in order"});
    let refused = breeder.post(&stages, &release).await.expect(409);
    assert!(
        refused["detail"]
            .as_str()
            .unwrap()
            .contains("accepted denomination")
    );
    denominate(&rights, &id, "Velenta").await;
    let made = breeder.post(&stages, &release).await.expect(201);
    assert_eq!(made["from_stage"], "pre_release");
    assert_eq!(made["may_move_to"], json!(["withdrawn", "pre_release"]));

    let whole = breeder
        .get(&at(&format!("/candidates/{id}")))
        .await
        .expect(200);
    assert_eq!(whole["stage"], "released");
    assert_eq!(whole["denomination"], "Velenta");
    assert_eq!(whole["history"].as_array().unwrap().len(), 7);
    assert_eq!(whole["history"][3]["reason"], "to budded");
    assert_eq!(whole["descent"][0]["generation"], 0);

    let by_grpc = breeder
        .release()
        .get_candidate(::contract::release::GetCandidateRequest {
            candidate_id: id.clone(),
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(by_grpc.denomination, "Velenta");
    assert_eq!(by_grpc.history.len(), 7);
}

#[tokio::test]
async fn a_withdrawn_candidate_returns_only_to_where_it_was() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let id = candidate(&system, "P-15-002").await;
    let stages = at(&format!("/candidates/{id}/stages"));
    let to = |stage: &str, on: &str| json!({"stage": stage, "on": on, "reason": "seen again"});
    breeder
        .post(&stages, &to("budded", "2018-02-01"))
        .await
        .expect(201);
    breeder
        .post(&stages, &to("withdrawn", "2019-02-01"))
        .await
        .expect(201);
    breeder
        .post(&stages, &to("own_root", "2019-03-01"))
        .await
        .expect(409);
    let back = breeder
        .post(&stages, &to("budded", "2019-03-01"))
        .await
        .expect(201);
    assert_eq!(back["reversal"], true);
}

#[tokio::test]
async fn what_is_wrong_with_a_candidate_is_told_by_field() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let empty = breeder.post(&at("/candidates"), &json!({})).await;
    assert_eq!(empty.pointers(422), ["/germplasm_id", "/code"]);
    let unknown = json!({
        "germplasm_id": "0190f3a2-0000-7000-8000-000000000000", "code": "P-1",
    });
    assert_eq!(
        breeder
            .post(&at("/candidates"), &unknown)
            .await
            .pointers(422),
        ["/germplasm_id"]
    );
    let germplasm_id = plant(&system, "Selection One").await;
    let other = json!({
        "germplasm_id": germplasm_id, "code": "P-1", "species": "Prunus armeniaca",
    });
    assert_eq!(
        breeder.post(&at("/candidates"), &other).await.pointers(422),
        ["/species"]
    );
    let released = json!({"germplasm_id": germplasm_id, "code": "P-1", "stage": "released"});
    assert_eq!(
        breeder
            .post(&at("/candidates"), &released)
            .await
            .pointers(422),
        ["/stage"]
    );
    let sound = json!({"germplasm_id": germplasm_id, "code": "P-1"});
    breeder.post(&at("/candidates"), &sound).await.expect(201);
    assert_eq!(
        breeder.post(&at("/candidates"), &sound).await.pointers(409),
        ["/code"],
        "a second candidate of that code"
    );
    let second = json!({"germplasm_id": germplasm_id, "code": "P-2"});
    assert_eq!(
        breeder
            .post(&at("/candidates"), &second)
            .await
            .pointers(409),
        ["/germplasm_id"]
    );
}

#[tokio::test]
async fn the_pipeline_counts_by_stage_and_the_forecast_keeps_its_seed() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let manager = system.sign_in("manager").await;
    for code in ["P-15-010", "P-15-011", "P-15-012"] {
        let id = candidate(&system, code).await;
        if code != "P-15-012" {
            breeder
                .post(
                    &at(&format!("/candidates/{id}/stages")),
                    &json!({"stage": "budded", "on": "2019-02-01", "reason": "kept"}),
                )
                .await
                .expect(201);
        }
    }
    let pipeline = manager.get(&at("/pipeline")).await.expect(200);
    assert_eq!(pipeline["totals"][0]["candidates_n"], 1, "{pipeline:#}");
    assert_eq!(pipeline["totals"][1]["candidates_n"], 2);
    let before = manager
        .get(&at("/pipeline?as_of=2018-01-01"))
        .await
        .expect(200);
    assert_eq!(before["totals"][0]["candidates_n"], 3, "{before:#}");

    let ask = at("/forecast?seed=7&years=5&runs=300");
    let forecast = manager.get(&ask).await.expect(200);
    assert_eq!(forecast["releases"].as_array().unwrap().len(), 5);
    assert_eq!(forecast["steps"][0]["advanced_n"], 2);
    assert_eq!(forecast["back_test"], json!(null), "nothing to test it on");
    assert_eq!(manager.get(&ask).await.expect(200), forecast);
    assert_eq!(
        manager.get(&at("/forecast?years=31")).await.pointers(422),
        ["/years"]
    );
}

#[tokio::test]
async fn candidates_are_listed_in_pages_without_gaps() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let mut registered = BTreeSet::new();
    for code in ["P-1", "P-2", "P-3", "P-4", "P-5"] {
        registered.insert(candidate(&system, code).await);
    }
    let mut listed = BTreeSet::new();
    let mut cursor = String::new();
    loop {
        let page = breeder
            .get(&at(&format!("/candidates?limit=2&cursor={cursor}")))
            .await
            .expect(200);
        for item in page["items"].as_array().unwrap() {
            assert!(listed.insert(id(item)), "each stands on one page");
        }
        match page["next_cursor"].as_str() {
            Some(next) => cursor = next.to_owned(),
            None => break,
        }
    }
    assert_eq!(listed, registered);
}

#[tokio::test]
async fn an_infected_candidate_does_not_come_near_growers() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let path = at(&format!("/candidates/{}", candidate(&system, "P-1").await));
    let stages = format!("{path}/stages");
    let to = |stage: &str, on: &str| json!({"stage": stage, "on": on, "reason": "next"});
    for (stage, on) in [("budded", "2018-02-01"), ("multi_site", "2020-02-01")] {
        breeder.post(&stages, &to(stage, on)).await.expect(201);
    }
    let version = breeder.get(&path).await.expect(200)["version"].clone();
    let infected = json!({"virus_status": "infected"});
    let edited = breeder
        .put(&path, &infected, version.as_i64().unwrap())
        .await
        .expect(200);
    let refused = breeder
        .post(&stages, &to("pre_release", "2024-02-01"))
        .await
        .expect(409);
    assert!(refused["detail"].as_str().unwrap().contains("infected"));
    let free = json!({"virus_status": "free"});
    breeder
        .put(&path, &free, edited["version"].as_i64().unwrap())
        .await
        .expect(200);
    breeder
        .post(&stages, &to("pre_release", "2024-02-01"))
        .await
        .expect(201);
}

#[tokio::test]
async fn an_edit_on_a_stale_version_is_refused() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let path = at(&format!("/candidates/{}", candidate(&system, "P-1").await));
    let seen = breeder.get(&path).await.expect(200)["version"]
        .as_i64()
        .unwrap();
    let edit = json!({"virus_status": "free", "true_to_type": "confirmed"});
    let edited = breeder.put(&path, &edit, seen).await.expect(200);
    assert_eq!(edited["virus_status"], "free");
    breeder.put(&path, &edit, seen).await.expect(412);
    let missing = breeder
        .send(
            "PUT",
            &path,
            &[("content-type", "application/json")],
            Some(edit.to_string().into_bytes()),
        )
        .await;
    missing.expect(428);
}
