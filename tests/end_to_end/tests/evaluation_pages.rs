//! A trial as its people see it: analysed, looked at, decided on, over pages and API.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::evaluation::{World, finished, number, text};
use crate::pages::Browser;

const ROOT: &str = "/api/evaluation/v1";

#[track_caller]
fn holds(page: &str, wanted: &[&str]) {
    for wanted in wanted {
        assert!(page.contains(wanted), "{wanted:?} is missing in: {page}");
    }
}

async fn analysed(world: &World, trial: &str, model: Value) -> Value {
    let path = format!("{ROOT}/trials/{trial}/analyses");
    let queued = world.trials.post(&path, &model).await.expect(202);
    finished(&world.trials, &text(&queued, "id")).await
}

#[tokio::test]
async fn an_analysis_keeps_its_residuals_and_comes_out_the_same_again() {
    let world = World::with_plants(8).await;
    let (trial, trees) = world.laid_out("Residuals").await;
    world.take(&world.rows(&trees, "brix", 11.0, 0.5)).await;
    let model = json!({"trait": "brix", "fixed": ["site"], "random": ["entry"]});
    let done = analysed(&world, &trial, model).await;
    assert_eq!(done["converged"], true, "{done:#}");
    assert_eq!(done["unit"], "°Brix");
    let id = text(&done, "id");

    let path = format!("{ROOT}/analyses/{id}/residuals");
    let residuals = world.trials.get(&path).await.expect(200);
    let items = residuals["items"].as_array().unwrap();
    assert_eq!(items.len(), trees.len());
    for item in items {
        let left = number(item, "observed") - number(item, "fitted") - number(item, "residual");
        assert!(left.abs() < 1e-9, "{item:#}");
    }
    // Quantiles rise with the residuals and lie about nought.
    let mut pairs: Vec<(f64, f64)> = items
        .iter()
        .map(|i| (number(i, "standardised"), number(i, "normal_quantile")))
        .collect();
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    assert!(pairs.windows(2).all(|w| w[0].1 < w[1].1));
    assert!(pairs.iter().map(|p| p.1).sum::<f64>().abs() < 1e-6);
    assert!(!residuals["variogram"].as_array().unwrap().is_empty());

    // Again on the same records: the same bits. After another record: not the same.
    let repeat = format!("{ROOT}/analyses/{id}/repeat");
    let own = json!({"id": Uuid::now_v7()});
    let queued = world.trials.post(&repeat, &own).await.expect(202);
    assert_eq!(
        world.trials.post(&repeat, &own).await.expect(202)["id"],
        queued["id"]
    );
    let again = finished(&world.trials, &text(&queued, "id")).await;
    assert_eq!(again["repeats_id"], *id);
    assert_eq!(
        (&again["same_records"], &again["same_results"]),
        (&json!(true), &json!(true))
    );
    assert_eq!(again["result_sha256"], done["result_sha256"]);
    assert_eq!(text(&done, "result_sha256").len(), 64);
    world
        .take(&world.rows(&trees[..1], "brix", 14.0, 0.0))
        .await;
    let queued = world.trials.post(&repeat, &json!({})).await.expect(202);
    let later = finished(&world.trials, &text(&queued, "id")).await;
    assert_eq!(
        (&later["same_records"], &later["same_results"]),
        (&json!(false), &json!(false))
    );

    // Entries that share no site are named, and what failed has no residuals but says why.
    let missing = json!({"trait": "firmness_n", "random": ["entry"]});
    let missing = analysed(&world, &trial, missing).await;
    let none = format!("{ROOT}/analyses/{}/residuals", text(&missing, "id"));
    let none = world.trials.get(&none).await.expect(200);
    assert_eq!(none["items"], json!([]));
    assert!(
        none["notes"][0].as_str().unwrap().contains("failed"),
        "{none:#}"
    );
    let unknown = format!("{ROOT}/analyses/{}/residuals", Uuid::now_v7());
    world.trials.get(&unknown).await.expect(404);
    world.breeder.post(&repeat, &json!({})).await.expect(202);
    let field = world.system.sign_in("field").await;
    field.post(&repeat, &json!({})).await.expect(403);
    let other = world.system.other_programme().await;
    other.sign_in("trials").await.get(&path).await.expect(404);

    let mut browser = Browser::signed_in(&world.system, "trials").await;
    let page = browser.page(&format!("/analyses/{id}")).await;
    holds(
        &page,
        &[
            "Variance components with 95 % intervals",
            "Standardised residuals by fitted value",
            "Residuals by normal quantile",
            "Variogram of the residuals",
            "Standardised residuals at North field in 2026",
            "Convergence",
            "Records that stand out",
            "Compute it again",
        ],
    );
    assert_eq!(
        page.matches("<svg xmlns").count(),
        page.matches("<desc>").count()
    );
    let same = browser
        .page(&format!("/analyses/{}", text(&again, "id")))
        .await;
    holds(&same, &["every result the same to the last bit"]);
    let south = browser.page(&format!("/analyses/{id}?ground=1")).await;
    holds(&south, &["Standardised residuals at South field in 2026"]);

    // Asked for from the trial's page.
    let shown = browser.page(&format!("/trials/{trial}?trait=brix")).await;
    holds(&shown, &["Random terms", "Analyse"]);
    let form_id = Uuid::now_v7().to_string();
    let form = [
        ("id", form_id.as_str()),
        ("trait", "brix"),
        ("fixed", "site"),
        ("random", "entry block"),
        ("residual", "equal"),
        ("relationship", ""),
    ];
    for _ in 0..2 {
        let sent = browser
            .post(&format!("/trials/{trial}/analyses"), &form, &[])
            .await;
        let place = format!("/analyses/{form_id}");
        assert_eq!(
            (sent.status, sent.location),
            (303, Some(place)),
            "{}",
            sent.text
        );
    }
    let asked = finished(&world.trials, &form_id).await;
    assert_eq!(asked["random_terms"], json!(["entry", "block"]));
}

#[tokio::test]
async fn a_breeder_decides_on_the_board_with_what_it_is_expected_to_bring() {
    let world = World::with_plants(10).await;
    let (trial, trees) = world.laid_out("Board").await;
    for (code, base, step) in [("brix", 11.0, 0.5), ("fruit_mass_g", 120.0, 6.0)] {
        world.take(&world.rows(&trees, code, base, step)).await;
    }
    let path = format!("{ROOT}/trials/{trial}/advance-list");
    let asked = json!({"keep_n": 3, "weights": {"brix": 1, "fruit_mass_g": 1}, "seed": 5, "cost_per_entry": 40.0});
    let list = world.breeder.post(&path, &asked).await.expect(200);
    assert_eq!(list["next_stage_cost"], 120.0);
    let responses = list["responses"].as_array().unwrap();
    assert_eq!(responses.len(), 2, "{list:#}");
    for response in responses {
        let (expected, low, high) = (
            number(response, "response"),
            number(response, "low"),
            number(response, "high"),
        );
        let superiority = number(response, "kept_mean") - number(response, "mean");
        assert!(low < expected && expected < high, "{response:#}");
        assert!(expected > 0.0 && expected <= superiority, "{response:#}");
    }
    // The expected number of the true best among all entries is the number kept.
    let chances: f64 = list["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|item| number(item, "top_probability"))
        .sum();
    assert!((chances - 3.0).abs() < 1e-9, "{chances}");
    let again = world.breeder.post(&path, &asked).await.expect(200);
    assert_eq!(again, list, "the same seed gives the same list");
    let wrong = json!({"keep_n": 3, "cost_per_entry": -1});
    assert_eq!(
        world.breeder.post(&path, &wrong).await.pointers(422),
        ["/cost_per_entry"]
    );

    let mut browser = Browser::signed_in(&world.system, "breeder").await;
    let board = format!("/trials/{trial}/selection?keep_n=3&seed=5&cost_per_entry=40");
    let page = browser.page(&board).await;
    holds(
        &page,
        &[
            "Expected response when 3 entries are kept",
            "Probability of truly being among the best",
            "The next stage costs",
            "Those ticked go to",
            "Nothing has been decided.",
        ],
    );
    assert_eq!(page.matches(" checked").count(), 3, "{page}");
    let best = text(&list["items"][0], "germplasm_id");
    let form_id = Uuid::now_v7().to_string();
    let mut form = vec![
        ("id", form_id.as_str()),
        ("keep_n", "3"),
        ("seed", "5"),
        ("entry", best.as_str()),
        ("to_stage", "budded"),
        ("others", "hold"),
        ("note", "tasted twice"),
    ];
    let decide = format!("/trials/{trial}/decisions");
    for _ in 0..2 {
        let sent = browser.post(&decide, &form, &[]).await;
        let place = format!("/trials/{trial}/selection#decisions");
        assert_eq!(
            (sent.status, sent.location),
            (303, Some(place)),
            "{}",
            sent.text
        );
    }
    let kept = world
        .breeder
        .get(&format!("{ROOT}/trials/{trial}/decisions"))
        .await
        .expect(200);
    let kept = kept["items"].as_array().unwrap();
    assert_eq!(kept.len(), 10, "sent twice, decided once");
    let advanced: Vec<&Value> = kept.iter().filter(|d| d["decision"] == "advance").collect();
    assert_eq!(advanced.len(), 1);
    assert_eq!(
        (&advanced[0]["germplasm_id"], &advanced[0]["to_stage"]),
        (&json!(best), &json!("budded"))
    );
    assert!(
        text(advanced[0], "reason").starts_with("tasted twice (place 1"),
        "{advanced:#?}"
    );
    holds(&browser.page(&board).await, &["tasted twice"]);
    // Who may not select sees the board without its form, and cannot send one.
    let mut trials = Browser::signed_in(&world.system, "trials").await;
    assert!(!trials.page(&board).await.contains("Those ticked go to"));
    form[0].1 = "01960000-0000-7000-8000-000000000001";
    assert_eq!(trials.post(&decide, &form, &[]).await.status, 403);
}

#[tokio::test]
async fn a_doubt_is_decided_by_a_person_and_a_plan_is_tried() {
    let world = World::with_plants(8).await;
    let (trial, trees) = world.laid_out("Doubts").await;
    let mut rows = world.rows(&trees, "firmness_n", 60.0, 0.5);
    rows[0]["value"] = json!(140.0);
    let reply = world.take(&rows).await;
    assert_eq!(reply["doubtful"].as_array().unwrap().len(), 1, "{reply:#}");

    let mut browser = Browser::signed_in(&world.system, "trials").await;
    let doubts = format!("/trials/{trial}/doubts");
    let page = browser.page(&doubts).await;
    holds(
        &page,
        &["standard deviations above the middle", "Set aside"],
    );
    let record = text(&rows[0], "id");
    let judge = format!("/records/{record}/judgement");
    let form = |judgement| {
        [
            ("trial_id", trial.as_str()),
            ("judgement", judgement),
            ("reason", "a slip"),
        ]
    };
    let sent = browser.post(&judge, &form("set_aside"), &[]).await;
    assert_eq!(
        (sent.status, sent.location),
        (303, Some(doubts.clone())),
        "{}",
        sent.text
    );
    holds(
        &browser.page(&doubts).await,
        &["No record waits for a second look."],
    );
    let mut field = Browser::signed_in(&world.system, "field").await;
    assert_eq!(field.post(&judge, &form("kept"), &[]).await.status, 403);

    let asked = "/what-if?candidates_n=400&released_n=2&genetic_sd=1&budget=9000\
                 &error_own_root=2&cost_own_root=5&error_budded=1&cost_budded=40\
                 &error_multi_site=0.5&cost_multi_site=300&places_multi_site=10&seed=1";
    let page = browser.page(asked).await;
    holds(
        &page,
        &["Choices, the best first", "Gain of those released"],
    );
    let poor = asked.replace("budget=9000", "budget=10");
    holds(&browser.page(&poor).await, &["Not shown", "budget"]);
    holds(&browser.page("/what-if").await, &["Simulate"]);
}

#[tokio::test]
async fn notes_and_sites_have_models_of_their_own() {
    let world = World::with_plants(10).await;
    let (trial, trees) = world.laid_out("Methods").await;
    world.take(&world.rows(&trees, "brix", 11.0, 0.5)).await;
    let mut notes = world.rows(&trees, "flavour", 2.0, 0.5);
    for (place, row) in notes.iter_mut().enumerate() {
        // Notes scatter more than the values they come from, or categories would part the entries.
        let scatter = [-1.4, 0.3, 1.2, -0.5, 0.9][place % 5];
        let note = (row["value"].as_f64().unwrap() + scatter)
            .round()
            .clamp(1.0, 9.0);
        row["value"] = json!(note);
    }
    assert_eq!(world.take(&notes).await["accepted"], trees.len());

    let path = format!("{ROOT}/trials/{trial}/analyses");
    let wrong = json!({"trait": "brix", "method": "threshold", "random": ["entry"], "residual": "by_site", "between_sites": "odd"});
    let mut pointers = world.trials.post(&path, &wrong).await.pointers(422);
    pointers.sort();
    assert_eq!(pointers, ["/between_sites", "/residual", "/trait"]);
    let wrong = json!({"trait": "brix", "method": "two_stage", "random": ["block", "entry:site"]});
    assert_eq!(
        world.trials.post(&path, &wrong).await.pointers(422),
        ["/random/1"]
    );

    let model =
        json!({"trait": "flavour", "method": "threshold", "fixed": ["site"], "random": ["entry"]});
    let told = analysed(&world, &trial, model).await;
    assert_eq!(told["converged"], true, "{told:#}");
    let categories = told["categories"].as_array().unwrap();
    assert_eq!(
        told["cut_points"].as_array().unwrap().len(),
        categories.len() - 1
    );
    let best = &told["random"][0];
    assert_eq!(
        best["probabilities"].as_array().unwrap().len(),
        categories.len()
    );
    assert!(number(best, "low") < number(best, "effect"), "{best:#}");
    let mut browser = Browser::signed_in(&world.system, "trials").await;
    let page = browser
        .page(&format!("/analyses/{}", text(&told, "id")))
        .await;
    holds(
        &page,
        &[
            "Cut points on the liability",
            "Probability of each category",
        ],
    );

    for (model, method) in [
        (
            json!({"trait": "brix", "fixed": ["site"], "random": ["block"], "between_sites": "factor_analytic"}),
            "linear",
        ),
        (
            json!({"trait": "brix", "random": ["block"], "method": "two_stage"}),
            "two_stage",
        ),
    ] {
        let told = analysed(&world, &trial, model).await;
        assert_eq!(told["status"], "done", "{told:#}");
        assert_eq!(told["method"], method);
        if told["converged"] != true {
            assert_eq!(told["sites"], Value::Null, "no ranking: {told:#}");
            assert!(text(&told, "problem").contains("converge"), "{told:#}");
            continue;
        }
        let sites = &told["sites"];
        assert_eq!(sites["sites"], json!(["North field", "South field"]));
        assert_eq!(sites["entries"][0]["level"], *world.entries[9], "{sites:#}");
        assert_eq!(
            told["first_stage"].as_array().unwrap().len(),
            if method == "two_stage" { 2 } else { 0 }
        );
        let page = browser
            .page(&format!("/analyses/{}", text(&told, "id")))
            .await;
        holds(
            &page,
            &[
                "Genetic correlations between sites",
                "Overall effects with 95 % intervals",
            ],
        );
    }

    // The layout as a map and as labels.
    let map = world
        .trials
        .get(&format!("{ROOT}/trials/{trial}/layout.svg"))
        .await;
    assert_eq!(map.status, 200);
    let labels = world
        .trials
        .get(&format!("{ROOT}/trials/{trial}/labels.pdf?page=54x25"))
        .await;
    assert_eq!(labels.status, 200, "{:?}", labels.body);
    let wrong = format!(
        "{ROOT}/trials/{trial}/layout.svg?site_id={}",
        Uuid::now_v7()
    );
    assert_eq!(world.trials.get(&wrong).await.pointers(422), ["/site_id"]);
    let own = json!({
        "code": "stone_size", "name": "Stone size", "scale": "measured", "unit": "mm",
        "upov": [{"guideline": "TG/0/1", "number": 60}, {"guideline": "53", "number": 0}],
    });
    let traits = format!("{ROOT}/traits");
    assert_eq!(
        world.trials.post(&traits, &own).await.pointers(422),
        ["/upov/1/guideline", "/upov/1/number"]
    );
    let own = json!({"code": "stone_size", "name": "Stone size", "scale": "measured", "unit": "mm", "upov": [{"guideline": "TG/0/1", "number": 60, "species": "Prunus persica", "source": "made up"}]});
    let kept = world.trials.post(&traits, &own).await.expect(201);
    assert_eq!(kept["upov"], own["upov"]);
}
