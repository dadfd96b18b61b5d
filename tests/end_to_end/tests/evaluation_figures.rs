//! Figures of a trial: one set behind means, ranking, advance list, index and board, told no surer
//! than its design allows.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::evaluation::{World, finished, number, text};
use crate::pages::Browser;

const ROOT: &str = "/api/evaluation/v1";

/// An own-root trial at the first site, one tree of each entry among a check that stands twice at
/// most, which is too little to tell entries from trees.
async fn own_root(world: &World) -> (String, Vec<Value>) {
    let body = json!({
        "name": "Own roots", "stage": "own_root", "season": 2025, "site_ids": [world.sites[0]],
        "entry_ids": world.entries, "check_ids": [world.checks[0]],
    });
    let open = format!("{ROOT}/trials");
    let trial = text(&world.trials.post(&open, &body).await.expect(201), "id");
    let design = json!({"design": "unreplicated", "block_size": 7, "seed": 3});
    let layout = world
        .trials
        .post(&format!("{open}/{trial}/layout"), &design)
        .await
        .expect(201);
    (trial, layout["trees"].as_array().expect("trees").clone())
}

/// Deviates that look like chance and are the same in every run.
fn scatter(name: &str) -> f64 {
    let mixed = name.bytes().fold(0x9e37_79b9_u64, |sum, byte| {
        (sum ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    });
    // Names that differ in their last sign alone are stirred apart.
    let mut stirred = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    stirred = (stirred ^ (stirred >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((stirred ^ (stirred >> 31)) >> 40) as f64 / f64::from(1 << 24) - 0.5
}

/// Brix of every tree in two years: merit of the entry, what is lasting of the tree, and chance.
fn two_years(world: &World, trees: &[Value]) -> Vec<Value> {
    let mut rows = Vec::new();
    for year in [2025, 2026] {
        for tree in trees {
            let entry = tree["germplasm_id"].as_str().unwrap();
            let merit = world.entries.iter().position(|e| e == entry);
            let number = tree["number"].as_str().unwrap();
            let value = 12.0
                + 0.15 * merit.map_or(0.0, |m| m as f64)
                + 2.0 * scatter(number)
                + 1.5 * scatter(&format!("{number} {year}"));
            rows.push(json!({
                "id": Uuid::now_v7(), "tree_id": tree["tree_id"], "trait": "brix",
                "value": (value * 10.0).round() / 10.0,
                "observed_at": format!("{year}-07-01T10:00:00Z"), "by": "Wren",
            }));
        }
    }
    rows
}

async fn read(world: &World, path: &str) -> Value {
    world.trials.get(&format!("{ROOT}{path}")).await.expect(200)
}

async fn advance(world: &World, trial: &str) -> Value {
    let path = format!("{ROOT}/trials/{trial}/advance-list");
    let asked = json!({"keep_n": 3, "weights": {"brix": 1}, "seed": 5});
    world.breeder.post(&path, &asked).await.expect(200)
}

#[tokio::test]
async fn one_tree_of_each_entry_tells_no_interval_until_other_trials_do() {
    let world = World::with_plants(14).await;
    let (trial, trees) = own_root(&world).await;
    world.take(&two_years(&world, &trees)).await;

    // Two years of one tree are no replication of its entry.
    let means = read(&world, &format!("/trials/{trial}/means?trait=brix")).await;
    assert_eq!(means["heritability"], Value::Null, "{means:#}");
    assert!(number(&means, "repeatability") > 0.0);
    assert!(text(&means, "heritability_method").contains("upper bound"));
    assert_eq!(means["items"][0]["rank"], 1);
    let source = text(&means["source"], "id");
    let ranking = read(&world, &format!("/trials/{trial}/ranking?traits=brix")).await;
    assert_eq!(ranking["traits"][0]["source"]["id"], *source);
    let list = advance(&world, &trial).await;
    assert_eq!(list["traits"][0]["source"]["id"], *source, "{list:#}");
    for item in list["items"].as_array().unwrap() {
        assert_eq!(item["top_probability"], Value::Null, "{item:#}");
        assert!(!text(item, "reason").contains('%'), "{item:#}");
    }
    let response = &list["responses"][0];
    for field in ["response", "low", "high"] {
        assert_eq!(response[field], Value::Null, "{response:#}");
    }
    let said = list["notes"].to_string();
    assert!(
        said.contains("nothing tells entries from their trees"),
        "{said}"
    );
    let index = json!({"traits": ["brix"], "weights": [1.0], "trial_id": trial});
    let refused = world
        .breeder
        .post(&format!("{ROOT}/selection-index"), &index)
        .await;
    assert_eq!(refused.status, 409, "{:#}", refused.body);
    let plan = json!({"candidates_n": 100, "released_n": 1, "trial_id": trial, "trait": "brix",
        "stages": [{"name": "own_root", "error_sd": 1.0, "cost_per_candidate": 1.0}]});
    let path = format!("{ROOT}/selection-plans");
    let pointers = world.breeder.post(&path, &plan).await.pointers(422);
    assert_eq!(pointers, ["/trait"]);

    // A replicated trial of the programme tells how much of what lasts of a tree is its entry's.
    let (replicated, its_trees) = world.laid_out("Budded").await;
    world.take(&two_years(&world, &its_trees)).await;
    let name = read(&world, &format!("/trials/{replicated}")).await;
    let name = text(&name, "number");
    let means = read(&world, &format!("/trials/{trial}/means?trait=brix")).await;
    assert!(number(&means, "heritability") > 0.0, "{means:#}");
    assert!(number(&means, "heritability") <= number(&means, "repeatability") + 0.05);
    assert!(
        text(&means, "heritability_method").contains(&name),
        "{means:#}"
    );
    assert_ne!(text(&means["source"], "id"), source);
    let list = advance(&world, &trial).await;
    let chances: f64 = list["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|item| number(item, "top_probability"))
        .sum();
    assert!((chances - 3.0).abs() < 1e-6, "{chances}");
    let response = &list["responses"][0];
    assert!(number(response, "low") < number(response, "response"));
    assert!(number(response, "response") < number(response, "high"));
    let said = list["notes"].to_string();
    assert!(said.contains(&name), "the source is named: {said}");
    let plan = world.breeder.post(&path, &plan).await.expect(200);
    let figures = read(&world, &format!("/trials/{trial}/figures?trait=brix")).await;
    let variance = number(&figures, "genetic_variance");
    assert!((number(&plan, "genetic_sd").powi(2) - variance).abs() < 1e-9);
    assert_eq!(figures["entries"].as_array().unwrap().len(), 14);

    // The same page by page.
    let mut browser = Browser::signed_in(&world.system, "breeder").await;
    let id = text(&figures["source"], "id");
    for page in ["?trait=brix", "/selection?keep_n=3"] {
        let page = browser.page(&format!("/trials/{trial}{page}")).await;
        assert!(page.contains(&id), "{id} is not named in {page}");
        assert!(page.contains("the model that the design can carry"));
    }
}

#[tokio::test]
async fn an_analysis_chosen_by_a_person_takes_the_place_of_the_usual_model() {
    let world = World::with_plants(12).await;
    let (trial, trees) = world.laid_out("Chosen").await;
    world.take(&two_years(&world, &trees)).await;
    let usual = read(&world, &format!("/trials/{trial}/figures?trait=brix")).await;
    let names: Vec<&str> = usual["components"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| c["name"].as_str().unwrap())
        .collect();
    for term in ["entry", "tree", "entry × site", "entry × year", "error"] {
        assert!(
            names.iter().any(|n| n.starts_with(term)),
            "{term}: {names:?}"
        );
    }
    let model =
        |random: Value| json!({"trait": "brix", "fixed": ["site", "year"], "random": random});
    let analyse = async |model: Value| {
        let path = format!("{ROOT}/trials/{trial}/analyses");
        let queued = world.trials.post(&path, &model).await.expect(202);
        finished(&world.trials, &text(&queued, "id")).await
    };
    let with_trees = analyse(model(json!(["entry", "tree", "entry:site"]))).await;
    let without = analyse(model(json!(["entry"]))).await;
    let one_site =
        analyse(json!({"trait": "brix", "method": "two_stage", "fixed": [], "random": ["block"]}))
            .await;

    let choose = format!("{ROOT}/trials/{trial}/figures:choose");
    let asked = |analysis: &Value| json!({"trait": "brix", "analysis_id": analysis["id"]});
    let pointers = world
        .trials
        .post(&choose, &asked(&one_site))
        .await
        .pointers(422);
    assert_eq!(pointers, ["/analysis_id"]);
    let other = json!({"trait": "firmness_n", "analysis_id": without["id"]});
    assert_eq!(
        world.trials.post(&choose, &other).await.pointers(422),
        ["/analysis_id"]
    );
    let field = world.system.sign_in("field").await;
    field.post(&choose, &asked(&with_trees)).await.expect(403);

    let chosen = world
        .trials
        .post(&choose, &asked(&with_trees))
        .await
        .expect(200);
    assert_eq!(chosen["analysis_id"], with_trees["id"], "{chosen:#}");
    assert!(!text(&chosen, "chosen_by").is_empty());
    let figures = read(&world, &format!("/trials/{trial}/figures?trait=brix")).await;
    assert!(text(&figures["source"], "model").contains("entry, tree, entry:site"));
    assert_eq!(figures["entries"].as_array().unwrap().len(), 12);
    let means = read(&world, &format!("/trials/{trial}/means?trait=brix")).await;
    let ranking = read(&world, &format!("/trials/{trial}/ranking?traits=brix")).await;
    let list = advance(&world, &trial).await;
    for source in [
        &means["source"],
        &ranking["traits"][0]["source"],
        &list["traits"][0]["source"],
    ] {
        assert_eq!(source["analysis_id"], with_trees["id"], "{source:#}");
        assert_eq!(source["id"], chosen["id"]);
    }

    // A model that takes years of one tree as replication tells an upper bound and no interval.
    world
        .trials
        .post(&choose, &asked(&without))
        .await
        .expect(200);
    let figures = read(&world, &format!("/trials/{trial}/figures?trait=brix")).await;
    assert_eq!(figures["heritability"], Value::Null, "{figures:#}");
    assert!(number(&figures, "repeatability") > 0.0);
    assert!(text(&figures, "heritability_method").contains("no interval"));
    let list = advance(&world, &trial).await;
    assert_eq!(list["items"][0]["top_probability"], Value::Null);

    // Back to the usual one, from the page.
    let mut browser = Browser::signed_in(&world.system, "trials").await;
    let page = browser.page(&format!("/trials/{trial}?trait=brix")).await;
    assert!(
        page.contains("Go back to the model that the design can carry"),
        "{page}"
    );
    let form = [("trait", "brix"), ("analysis_id", "")];
    let sent = browser
        .post(&format!("/trials/{trial}/figures"), &form, &[])
        .await;
    assert_eq!(sent.status, 303, "{}", sent.text);
    let again = read(&world, &format!("/trials/{trial}/figures?trait=brix")).await;
    assert_eq!(again["source"]["id"], usual["source"]["id"]);
    assert_eq!(
        again["source"]["made_at"], usual["source"]["made_at"],
        "kept, not made again"
    );

    // A record more is another state.
    let row = json!([{"id": Uuid::now_v7(), "tree_id": trees[0]["tree_id"], "trait": "brix",
        "value": 13.1, "observed_at": "2026-07-09T10:00:00Z", "by": "Wren"}]);
    world.take(row.as_array().unwrap()).await;
    let later = read(&world, &format!("/trials/{trial}/figures?trait=brix")).await;
    assert_ne!(later["source"]["id"], usual["source"]["id"]);
}
