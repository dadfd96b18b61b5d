//! The forecast: chances and times by kind of cross, places, money, and how earlier ones fared.

use contract::release::GetForecastRequest;
use end_to_end::{Client, System};
use serde_json::{Value, json};

use crate::release::{at, denominate, id, licence, organisation};

/// A plant with parents of these species.
async fn plant(breeder: &Client, name: &str, parents: (&str, &str), own: &str) -> String {
    let mut body = json!({"name": name, "species": own, "kind": "selection"});
    for (field, species) in [
        ("seed_parent_id", parents.0),
        ("pollen_parent_id", parents.1),
    ] {
        if !species.is_empty() {
            let parent =
                json!({"name": format!("{name} {field}"), "species": species, "kind": "variety"});
            let parent = breeder
                .post("/api/crossing/v1/germplasm", &parent)
                .await
                .expect(201);
            body[field] = json!(id(&parent));
        }
    }
    id(&breeder
        .post("/api/crossing/v1/germplasm", &body)
        .await
        .expect(201))
}

const PEACH: &str = "Prunus persica";

/// A candidate budded in a year, withdrawn or sent on three years later.
async fn budded(breeder: &Client, code: &str, germplasm_id: &str, year: i32, on: bool) -> String {
    let body = json!({"germplasm_id": germplasm_id, "code": code, "stage": "budded",
                      "since": format!("{year}-09-01")});
    let candidate = id(&breeder.post(&at("/candidates"), &body).await.expect(201));
    let to = json!({"stage": if on { "multi_site" } else { "withdrawn" },
                    "on": format!("{}-10-01", year + 3), "reason": "as seen", "evidence": "records"});
    breeder
        .post(&at(&format!("/candidates/{candidate}/stages")), &to)
        .await
        .expect(201);
    candidate
}

#[tokio::test]
async fn chances_are_learned_by_kind_of_cross_and_earlier_forecasts_are_held_against_what_came() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let manager = system.sign_in("manager").await;
    let within = plant(&breeder, "W", (PEACH, PEACH), PEACH).await;
    let first = budded(&breeder, "W-0", &within, 2005, true).await;
    let kind = |candidate: Value| candidate["cross_kind"].as_str().unwrap().to_owned();
    let path = |id: &str| at(&format!("/candidates/{id}"));
    assert_eq!(
        kind(breeder.get(&path(&first)).await.expect(200)),
        "within_species"
    );
    for n in 1..12 {
        let own = plant(&breeder, &format!("W{n}"), (PEACH, PEACH), PEACH).await;
        budded(&breeder, &format!("W-{n}"), &own, 2005 + n, n % 4 != 0).await;
    }
    for n in 0..8 {
        let hybrid = ("Prunus salicina", "Prunus armeniaca");
        let own = plant(
            &breeder,
            &format!("B{n}"),
            hybrid,
            "P. salicina × P. armeniaca",
        )
        .await;
        let candidate = budded(&breeder, &format!("B-{n}"), &own, 2007 + n, n == 0).await;
        if n == 0 {
            assert_eq!(
                kind(breeder.get(&path(&candidate)).await.expect(200)),
                "between_species"
            );
        }
    }
    let open = plant(&breeder, "O", (PEACH, ""), PEACH).await;
    let open = budded(&breeder, "O-0", &open, 2010, false).await;
    assert_eq!(
        kind(breeder.get(&path(&open)).await.expect(200)),
        "open_pollinated"
    );

    let ask = at("/forecast?seed=5&years=4&runs=300");
    let forecast = manager.get(&ask).await.expect(200);
    assert_eq!(
        manager.get(&ask).await.expect(200),
        forecast,
        "same seed, same forecast"
    );
    let step = &forecast["steps"][1];
    assert_eq!(
        (&step["from_stage"], &step["advanced_n"]),
        (&json!("budded"), &json!(10 + 1))
    );
    let chance = |kind: &str| -> f64 {
        let kinds = step["by_kind"].as_array().unwrap();
        let found = kinds.iter().find(|k| k["cross_kind"] == kind);
        found.unwrap_or_else(|| panic!("{kind} in {step:#}"))["chance_mean"]
            .as_f64()
            .unwrap()
    };
    assert!(
        chance("within_species") > chance("between_species"),
        "{step:#}"
    );
    assert!(step["prior_source"].as_str().unwrap().contains("no source"));

    let tested = &forecast["back_test"];
    let cases = tested["cases"].as_array().unwrap();
    assert!(cases.len() > 10, "{tested:#}");
    for case in cases {
        let (from, after, until) = (&case["from"], &case["after"], &case["until"]);
        assert!(
            from.as_str() <= after.as_str() && after.as_str() < until.as_str(),
            "{case:#}"
        );
        assert!(until.as_str() <= forecast["as_of"].as_str(), "{case:#}");
    }
    for level in tested["coverage"].as_array().unwrap() {
        assert!(
            level["expected"].as_f64() >= level["level"].as_f64(),
            "{level:#}"
        );
        assert_eq!(level["cases_n"], cases.len(), "{level:#}");
    }
    // What was known in 2014 is all that its forecast may look at.
    let then = manager
        .get(&format!("{ask}&as_of=2014-06-01"))
        .await
        .expect(200);
    assert!(then["steps"][1]["advanced_n"].as_u64() < step["advanced_n"].as_u64());
    assert_eq!(then["releases"][0]["year"], 2015);

    let by_grpc = manager
        .release()
        .get_forecast(GetForecastRequest {
            seed: 5,
            years: 4,
            runs: 300,
            ..Default::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(by_grpc.caution, forecast["caution"].as_str().unwrap());
    assert_eq!(by_grpc.back_test.unwrap().cases.len(), cases.len());
    assert_eq!(
        Some(by_grpc.total.unwrap().mean),
        forecast["total"]["mean"].as_f64()
    );
    system
        .sign_in("partner_a")
        .await
        .get(&ask)
        .await
        .expect(403);
}

#[tokio::test]
async fn places_and_money_come_from_what_was_told_and_reported_and_from_nothing_else() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let manager = system.sign_in("manager").await;
    let partner = system.sign_in("partner_a").await;
    let ask = |more: &str| at(&format!("/forecast?seed=1&years=3&runs=400{more}"));
    let bare = manager.get(&ask("")).await.expect(200);
    assert_eq!(bare["money"]["years"], json!([]), "{:#}", bare["money"]);
    assert_eq!(bare["money"]["currency"], "");
    assert_eq!(
        bare["places"][0]["places"],
        json!(null),
        "nobody told the places of one"
    );

    let candidate = crate::release::candidate(&system, "P-1").await;
    denominate(&rights, &candidate, "Velenta").await;
    let nursery = organisation(&system, "Nursery A").await;
    let terms = json!({"ends_on": "2040-12-31"});
    let granted = id(&licence(&rights, &candidate, &nursery, terms).await);
    let other = json!({"territory": ["CL"], "royalty": {"per": "tree", "amount": "900", "currency": "CLP"}});
    licence(&rights, &candidate, &nursery, other).await;
    for year in [2024, 2025] {
        let report = json!({"licence_id": granted, "period_start": format!("{year}-01-01"),
                            "period_end": format!("{year}-12-31"), "trees_n": 1000});
        partner
            .post(&at("/propagation-reports"), &report)
            .await
            .expect(201);
    }
    let told = manager
        .get(&ask("&places_budded=4&currency=USD&cost_per_release_low=8000&cost_per_release_high=8000&yearly_cost_low=500&yearly_cost_high=500"))
        .await
        .expect(200);
    let money = &told["money"];
    assert_eq!(
        (&money["currency"], &money["licences_n"]),
        (&json!("USD"), &json!(1)),
        "{money:#}"
    );
    assert_eq!(money["left_out_n"], 1, "the one in Chilean pesos");
    let notes = money["notes"].to_string();
    assert!(notes.contains("never added together"), "{notes}");
    let median = money["years"][0]["income"]["median"].as_f64().unwrap();
    assert!(
        (1500.0..2300.0).contains(&median),
        "1000 trees at 1.85: {median}"
    );
    assert!(
        money["years"][0]["balance"]["mean"].is_f64() && money["years"][0]["cost"]["mean"].is_f64()
    );
    let places = told["places"].as_array().unwrap();
    let budded = places.iter().find(|p| p["stage"] == "budded").unwrap();
    let (each, all) = (&budded["candidates"]["mean"], &budded["places"]["mean"]);
    assert!((all.as_f64().unwrap() - 4.0 * each.as_f64().unwrap()).abs() < 1e-9);

    for (more, pointers) in [
        (
            "&cost_per_release_low=1&cost_per_release_high=2",
            vec!["/currency"],
        ),
        ("&currency=XXX", vec!["/currency"]),
        (
            "&currency=USD&yearly_cost_low=3&yearly_cost_high=2",
            vec!["/yearly_cost_high"],
        ),
        (
            "&currency=USD&royalty_per_tree_low=3",
            vec!["/royalty_per_tree_high"],
        ),
        ("&trees_per_release_high=3", vec!["/trees_per_release_low"]),
        ("&places_budded=-1", vec!["/places_budded"]),
        ("&as_of=2199-01-01", vec!["/as_of"]),
    ] {
        let refused = manager.get(&ask(more)).await;
        assert_eq!(refused.pointers(422), pointers, "{more}");
    }
    for broken in ["&places_budded=many", "&years=x"] {
        let reply = manager.get(&ask(broken)).await;
        assert!(
            matches!(reply.status, 400 | 422),
            "{broken}: {}",
            reply.status
        );
    }
}
