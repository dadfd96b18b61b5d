//! Choosing parents: linked loci reckoned together, and breeding values of a finished analysis.

use std::time::Duration;

use contract::crossing as wire;
use end_to_end::{Client, System};
use serde_json::{Value, json};
use uuid::Uuid;

const ROOT: &str = "/api/crossing/v1";
const EVALUATION: &str = "/api/evaluation/v1";

fn number(value: &Value, field: &str) -> f64 {
    value[field]
        .as_f64()
        .unwrap_or_else(|| panic!("{field} is missing in {value:#}"))
}

async fn created(client: &Client, path: &str, body: &Value) -> String {
    let reply = client.post(path, body).await.expect(201);
    reply["id"].as_str().expect("an id").to_owned()
}

async fn peach(breeder: &Client, name: &str, more: Value) -> String {
    let mut body = json!({"name": name, "species": "Prunus persica", "kind": "variety"});
    for (key, value) in more.as_object().expect("an object") {
        body[key] = value.clone();
    }
    created(breeder, &format!("{ROOT}/germplasm"), &body).await
}

#[tokio::test]
async fn linked_loci_are_reckoned_together() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let path = format!("{ROOT}/progeny-odds");
    let ask = |phases: Value| {
        json!({"probability": 0.95, "species": "Prunus persica", "phases": phases, "loci": [
            {"locus": "G", "seed_parent": "Gg", "pollen_parent": "Gg", "wanted": ["gg"]},
            {"locus": "Sk", "seed_parent": "Sksk", "pollen_parent": "Sksk", "wanted": ["sksk"]},
        ]})
    };
    // Recombination 0.12: a grain carries both with 0.44 in coupling and 0.06 in repulsion.
    let open = breeder.post(&path, &ask(json!([]))).await.expect(200);
    assert!(
        open["share"].is_null() && open["plants_needed"].as_u64() == Some(831),
        "{open:#}"
    );
    assert!((number(&open, "lowest_share") - 0.06 * 0.06).abs() < 1e-12);
    assert!((number(&open, "highest_share") - 0.44 * 0.44).abs() < 1e-12);
    assert_eq!(open["plants_needed_at_best"], 14);
    assert_eq!(open["linked"].as_array().map(Vec::len), Some(1));
    let known = json!([{"locus": "Sk", "other_locus": "G", "seed_parent": "coupling", "pollen_parent": "repulsion"}]);
    let exact = breeder.post(&path, &ask(known)).await.expect(200);
    assert!(
        (number(&exact, "share") - 0.44 * 0.06).abs() < 1e-12,
        "{exact:#}"
    );
    assert_eq!(exact["lowest_share"], exact["highest_share"]);
    assert_eq!(exact["fraction"], "33/1250");

    let wrong = json!([{"locus": "Y", "other_locus": "G", "seed_parent": "beside"}]);
    assert_eq!(
        breeder.post(&path, &ask(wrong)).await.pointers(422),
        ["/phases/0/locus", "/phases/0/seed_parent"]
    );

    // A genotype that is lost before it bears leaves the rest to share.
    let flat = json!({"probability": 0.9, "species": "Prunus persica", "wanted_n": 3, "loci": [
        {"locus": "S", "seed_parent": "Ss", "pollen_parent": "Ss", "wanted": ["Ss"]}]});
    let flat = breeder.post(&path, &flat).await.expect(200);
    assert_eq!(flat["share"], 0.5);
    assert!((number(&flat["loci"][0], "share_among_living") - 2.0 / 3.0).abs() < 1e-12);

    // 3 of the wanted kind with 0.9: the fewest n with P(Bin(n, 1/2) >= 3) >= 0.9 is 9, as
    // 1 - (1 + 9 + 36) / 512 = 0.91; with 8 it is 0.86.
    assert_eq!(flat["plants_needed"], 9, "{flat:#}");
    assert!(flat["living_share"].is_null());
    let by_model = async |model: &str| {
        let asked = json!({"probability": 0.9, "species": "Prunus persica", "wanted_n": 3, "lethal_model": model,
            "survival": {"fruit_set": 0.5, "seeds_per_fruit": 1.0, "germination": 1.0, "survival": 1.0}, "loci": [
            {"locus": "S", "seed_parent": "Ss", "pollen_parent": "Ss", "wanted": ["Ss", "SS"]}]});
        breeder.post(&path, &asked).await.expect(200)
    };
    // Where SS is lost, Ss is two thirds of what lives, and three quarters of the seedlings live.
    let inviable = by_model("inviable").await;
    assert_eq!(
        (&inviable["fraction"], &inviable["living_share"]),
        (&json!("2/3"), &json!(0.75)),
        "{inviable:#}"
    );
    // P(Bin(7, 2/3) >= 3) = 0.955 and with 6 it is 0.900 and a hair: 1 - (1 + 12 + 60) / 729.
    assert_eq!(inviable["plants_needed"], 7, "{inviable:#}");
    // Half of what comes up lives and is wanted: 1 - (1 + 9 + 36) / 512 = 0.910, with 8 it is 0.855.
    assert_eq!(inviable["seeds_needed"], 9, "{inviable:#}");
    let lives = by_model("lives").await;
    assert_eq!(
        (&lives["fraction"], &lives["living_share"]),
        (&json!("3/4"), &json!(1.0))
    );
    assert_eq!(lives["loci"][0]["share_among_living"], 0.75, "{lives:#}");
    // What they show, with dominance: SS would be flat too, if it lived.
    let shown = |odds: &Value| -> Vec<(String, String)> {
        let phenotypes = odds["loci"][0]["phenotypes"].as_array().unwrap();
        let said = |p: &Value, field: &str| p[field].as_str().unwrap().to_owned();
        phenotypes
            .iter()
            .map(|p| (said(p, "phenotype"), said(p, "fraction")))
            .collect()
    };
    let fractions =
        |odds: &Value| -> Vec<String> { shown(odds).into_iter().map(|(_, share)| share).collect() };
    assert_eq!(fractions(&inviable), ["2/3", "1/3"], "{inviable:#}");
    assert_eq!(fractions(&lives).len(), shown(&lives).len());
    let sum: f64 = lives["loci"][0]["phenotypes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| number(p, "share"))
        .sum();
    assert!(
        (sum - 1.0).abs() < 1e-12 && shown(&lives) != shown(&inviable),
        "{lives:#}"
    );
    let wrong = json!({"probability": 0.9, "lethal_model": "perhaps", "loci": [
        {"locus": "S", "seed_parent": "Ss", "pollen_parent": "Ss", "wanted": ["Ss"]}]});
    assert_eq!(
        breeder.post(&path, &wrong).await.pointers(422),
        ["/lethal_model"]
    );

    let over_grpc = breeder
        .crossing()
        .compute_progeny_odds(wire::ProgenyOddsRequest {
            probability: 0.95,
            species: "Prunus persica".into(),
            loci: vec![wire::ProgenyLocus {
                locus: "G".into(),
                seed_parent: "Gg".into(),
                pollen_parent: "gg".into(),
                wanted: vec!["nectarine".into()],
            }],
            ..Default::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(
        (over_grpc.share, over_grpc.plants_needed),
        (Some(0.5), Some(5))
    );
}

/// Asks for an analysis and waits until it is done.
async fn analysed(trials: &Client, trial: &str, model: &Value) -> Value {
    let path = format!("{EVALUATION}/trials/{trial}/analyses");
    let id = trials.post(&path, model).await.expect(202)["id"].clone();
    for _ in 0..600 {
        let path = format!("{EVALUATION}/analyses/{}", id.as_str().expect("an id"));
        let analysis = trials.get(&path).await.expect(200);
        if ["done", "failed"].contains(&analysis["status"].as_str().unwrap_or_default()) {
            return analysis;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    panic!("the analysis never finished");
}

#[tokio::test]
async fn breeding_values_of_an_analysis_choose_the_parents() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let trials = system.sign_in("trials").await;
    // Eight selections of four crosses; each cross is half a degree sweeter than the one before.
    let mut selections = Vec::new();
    for family in 0..4 {
        let mother = peach(&breeder, &format!("Dam {family}"), json!({})).await;
        let father = peach(&breeder, &format!("Sire {family}"), json!({})).await;
        for sib in 0..2 {
            let more = json!({
                "kind": "selection", "seed_parent_id": mother, "pollen_parent_id": father,
                "traits": {"acidity": 6.0 + f64::from(sib)},
            });
            selections.push(peach(&breeder, &format!("Line {family}{sib}"), more).await);
        }
    }
    let site = json!({"name": "Valley", "country": "US", "time_zone": "America/Los_Angeles"});
    let site = created(&trials, &format!("{EVALUATION}/sites"), &site).await;
    let trial = json!({
        "name": "Sweetness", "stage": "own_root", "season": 2025, "site_ids": [site],
        "entry_ids": selections, "check_ids": [],
    });
    let trial = created(&trials, &format!("{EVALUATION}/trials"), &trial).await;
    let layout = format!("{EVALUATION}/trials/{trial}/layout");
    let layout = trials
        .post(
            &layout,
            &json!({"design": "rcbd", "replicates": 4, "seed": 7}),
        )
        .await
        .expect(201);
    let rows: Vec<Value> = layout["trees"]
        .as_array()
        .unwrap()
        .iter()
        .enumerate()
        .map(|(i, tree)| {
            let place = selections
                .iter()
                .position(|id| tree["germplasm_id"] == **id)
                .unwrap();
            let noise = (i * 7919 % 13) as f64 / 13.0 - 0.5;
            json!({
                "id": Uuid::now_v7(), "tree_id": tree["tree_id"], "trait": "brix",
                "value": 12.0 + 0.5 * (place / 2) as f64 + 0.4 * (place % 2) as f64 + 1.5 * noise,
                "observed_at": "2025-07-01T10:00:00Z", "by": "Wren",
            })
        })
        .collect();
    let taken = trials
        .post(&format!("{EVALUATION}/records:batch"), &json!(rows))
        .await
        .expect(200);
    assert_eq!(taken["accepted"], rows.len());
    let model =
        json!({"trait": "brix", "fixed": ["block"], "random": ["entry"], "relationship": true});
    let analysis = analysed(&trials, &trial, &model).await;
    assert_eq!(
        (&analysis["status"], &analysis["converged"]),
        (&json!("done"), &json!(true)),
        "{analysis:#}"
    );

    let advise = format!("{ROOT}/cross-adviser");
    let goals = json!([
        {"trait": "brix", "weight": 2, "analysis_id": analysis["id"]},
        {"trait": "acidity", "weight": -0.5},
    ]);
    let body = json!({"candidate_ids": selections, "traits": goals, "max_pairs": 50, "kinship_ceiling": 0.2});
    let ranked = breeder.post(&advise, &body).await.expect(200);
    let best = &ranked["items"][0];
    let predicted = |name: &str| {
        let id = best[name].as_str().unwrap();
        let levels = analysis["random"].as_array().unwrap().iter();
        let level = levels
            .into_iter()
            .find(|level| level["level"] == id)
            .unwrap();
        (number(level, "effect"), number(level, "se"))
    };
    let (brix, acidity) = (&best["traits"][0], &best["traits"][1]);
    assert_eq!(brix["basis"], "breeding_values");
    assert!(
        brix["basis_note"]
            .as_str()
            .unwrap()
            .contains(analysis["id"].as_str().unwrap()),
        "{brix:#}"
    );
    assert_eq!(acidity["basis"], "phenotypes");
    let variance = number(&analysis["components"][0], "variance");
    let base = number(&analysis["fixed"][0], "estimate");
    for (side, value, accuracy) in [
        ("seed_parent_id", "seed_parent", "seed_parent_accuracy"),
        (
            "pollen_parent_id",
            "pollen_parent",
            "pollen_parent_accuracy",
        ),
    ] {
        let (effect, se) = predicted(side);
        assert!(
            (number(brix, value) - base - effect).abs() < 1e-9,
            "{brix:#}"
        );
        let expected = (1.0 - se * se / variance).max(0.0).sqrt();
        assert!(
            (number(brix, accuracy) - expected).abs() < 1e-9 && expected > 0.3,
            "{brix:#}"
        );
    }
    let mid = f64::midpoint(
        predicted("seed_parent_id").0,
        predicted("pollen_parent_id").0,
    );
    assert!((number(brix, "mean") - base - mid).abs() < 1e-9, "{brix:#}");
    // Shrunk: the best prediction stays below the best entry's own mean.
    let effects: Vec<f64> = analysis["random"]
        .as_array()
        .unwrap()
        .iter()
        .map(|level| number(level, "effect"))
        .collect();
    assert!(effects[0] > 0.0 && effects[0] < 1.0, "{effects:?}");

    // Nobody need type an id: the newest analysis that predicts entries is taken by the trait's name.
    let by_name = |from: &str| {
        json!({"candidate_ids": selections, "max_pairs": 50, "kinship_ceiling": 0.2,
        "traits": [{"trait": "Brix", "weight": 1, "values_from": from}]})
    };
    let fed = breeder.post(&advise, &by_name("")).await.expect(200);
    let brix = &fed["items"][0]["traits"][0];
    assert_eq!(brix["basis"], "breeding_values", "{brix:#}");
    let note = brix["basis_note"].as_str().unwrap();
    assert!(note.contains(analysis["id"].as_str().unwrap()), "{note}");
    assert_eq!(
        breeder.post(&advise, &by_name("notes")).await.pointers(422),
        ["/traits/0/trait"],
        "nobody noted it on the plants"
    );
    assert_eq!(
        breeder
            .post(&advise, &by_name("hearsay"))
            .await
            .pointers(422),
        ["/traits/0/values_from"]
    );
    let unknown = json!({"candidate_ids": selections, "traits": [{"trait": "acidity", "weight": 1, "values_from": "analyses"}]});
    assert_eq!(
        breeder.post(&advise, &unknown).await.pointers(422),
        ["/traits/0/values_from"]
    );
    let listed = trials
        .get(&format!("{EVALUATION}/traits/Brix/predictions"))
        .await
        .expect(200);
    assert_eq!(listed["items"][0]["id"], analysis["id"], "{listed:#}");

    // What stands in the way costs or leaves out, and says so: no mother stands here.
    let best = &fed["items"][0];
    let prices = best["prices"].as_array().unwrap();
    assert!(
        prices
            .iter()
            .any(|p| p["condition"] == "mothers" && p["price"] == 0.3),
        "{best:#}"
    );
    let taken: f64 = prices.iter().map(|p| number(p, "price")).sum();
    assert!((number(best, "score") + taken - number(best, "index_sd")).abs() < 1e-9);
    assert_eq!(
        fed["rules"].as_array().unwrap().len(),
        5,
        "{:#}",
        fed["rules"]
    );
    let mut strict = by_name("");
    strict["rules"] = json!([{"condition": "mothers", "rule": "filter"}]);
    let none = breeder.post(&advise, &strict).await.expect(200);
    assert_eq!(none["items"], json!([]));
    let left_out = none["left_out"].as_array().unwrap();
    let no_mother = left_out
        .iter()
        .find(|l| l["reason"] == "no_mother")
        .unwrap();
    assert!(
        no_mother["why"].as_str().unwrap().contains("no mother"),
        "{no_mother:#}"
    );
    assert_eq!(no_mother["examples"].as_array().unwrap().len(), 3);
    strict["rules"] = json!([{"condition": "mothers", "rule": "ignore", "price": 1}, {"condition": "weather", "rule": "filter"}]);
    assert_eq!(
        breeder.post(&advise, &strict).await.pointers(422),
        ["/rules/0/price", "/rules/1/condition"]
    );

    // Entries taken as unrelated are whole genotypes, which is said; the season plan takes both.
    let model = json!({"trait": "brix", "fixed": ["block"], "random": ["entry"]});
    let unrelated = analysed(&trials, &trial, &model).await;
    let goals = json!([{"trait": "brix", "weight": 1, "analysis_id": unrelated["id"]}]);
    let plan = json!({
        "candidate_ids": selections, "traits": goals, "flowers_n": 800, "mothers_n": 6,
        "crosses_n": 4, "pair_kinship_ceiling": 0.2,
    });
    let plan = breeder
        .post(&format!("{ROOT}/season-plan"), &plan)
        .await
        .expect(200);
    let notes = plan["notes"].to_string();
    assert!(notes.contains("whole genotypes"), "{notes}");
    let crosses: u64 = plan["matings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|mating| mating["crosses_n"].as_u64().unwrap())
        .sum();
    assert_eq!(crosses, 4);
}

#[tokio::test]
async fn deep_histories_clones_and_open_pollination_are_reckoned() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let kin = async |ids: &[&String]| {
        let reply = breeder
            .post(&format!("{ROOT}/kinship"), &json!({"ids": ids}))
            .await
            .expect(200);
        reply["matrix"].clone()
    };
    let ada = peach(&breeder, "Ada", json!({})).await;
    let bo = peach(&breeder, "Bo", json!({})).await;
    let f1 = peach(
        &breeder,
        "F1",
        json!({"kind": "selection", "seed_parent_id": ada, "pollen_parent_id": bo}),
    )
    .await;
    // Twelve generations of selfing: F = 1 - 1/2^(t-1) in generation t.
    let mut line = f1.clone();
    for generation in 2..=12 {
        let more = json!({"kind": "selection", "seed_parent_id": line, "pollen_parent_id": line});
        line = peach(&breeder, &format!("F{generation}"), more).await;
        let plant = breeder
            .get(&format!("{ROOT}/germplasm/{line}"))
            .await
            .expect(200);
        let expected = 1.0 - 0.5f64.powi(generation - 1);
        assert!(
            (number(&plant, "inbreeding") - expected).abs() < 1e-12,
            "F{generation}: {plant:#}"
        );
    }
    let founders = breeder
        .get(&format!("{ROOT}/germplasm/{line}/founders"))
        .await
        .expect(200);
    let shares: Vec<f64> = founders["founders"]
        .as_array()
        .unwrap()
        .iter()
        .map(|founder| number(founder, "share"))
        .collect();
    assert_eq!(
        (shares.as_slice(), number(&founders, "unknown_share")),
        ([0.5, 0.5].as_slice(), 0.0)
    );
    assert!(
        (number(&founders, "equivalent_generations") - 12.0).abs() < 1e-9,
        "{founders:#}"
    );
    let tree = breeder
        .get(&format!("{ROOT}/germplasm/{line}/pedigree?generations=12"))
        .await
        .expect(200);
    assert_eq!(tree["generation"], 12);

    // A sport, a clone of it and a chimera share one genotype, and count as it in every kinship.
    let sport = peach(&breeder, "Sport", json!({"clone_of_id": f1})).await;
    let clone = peach(&breeder, "Clone", json!({"clone_of_id": sport})).await;
    assert_eq!(
        kin(&[&f1, &sport, &clone, &ada]).await,
        json!([
            [0.5, 0.5, 0.5, 0.25],
            [0.5, 0.5, 0.5, 0.25],
            [0.5, 0.5, 0.5, 0.25],
            [0.25, 0.25, 0.25, 0.5]
        ])
    );
    let of_clones =
        json!({"kind": "selection", "seed_parent_id": sport, "pollen_parent_id": clone});
    let of_clones = peach(&breeder, "Of clones", of_clones).await;
    let plant = breeder
        .get(&format!("{ROOT}/germplasm/{of_clones}"))
        .await
        .expect(200);
    assert_eq!(plant["inbreeding"], 0.5, "a selfing by another name");

    // Open-pollinated with two possible fathers: the mean over them; with none: unrelated.
    let open = peach(&breeder, "Open", json!({
        "kind": "seedling", "seed_parent_id": ada, "pollen_parent_id": "open",
        "pollen_candidates": [{"germplasm_id": ada, "share": 0.25}, {"germplasm_id": bo, "share": 0.75}],
    })).await;
    let unknown = peach(
        &breeder,
        "Unknown",
        json!({"kind": "seedling", "seed_parent_id": ada, "pollen_parent_id": "open"}),
    )
    .await;
    let matrix = kin(&[&open, &unknown, &ada, &bo]).await;
    // With Ada: half of her own coancestry, and half of the mean over the candidates.
    assert!(
        (matrix[0][2].as_f64().unwrap() - (0.25 + 0.5 * 0.25 * 0.5)).abs() < 1e-12,
        "{matrix:#}"
    );
    assert!(
        (matrix[0][3].as_f64().unwrap() - 0.5 * 0.75 * 0.5).abs() < 1e-12,
        "{matrix:#}"
    );
    assert!(
        (matrix[1][2].as_f64().unwrap() - 0.25).abs() < 1e-12,
        "{matrix:#}"
    );
    assert_eq!(matrix[1][3], 0.0);
    let founders = breeder
        .get(&format!("{ROOT}/germplasm/{unknown}/founders"))
        .await
        .expect(200);
    assert_eq!(founders["unknown_share"], 0.5);

    // Straight lines to any depth, up and down, each plant once, page by page, over both skins.
    let all = async |direction: &str, of: &str| {
        let mut told: Vec<Value> = Vec::new();
        let mut cursor = String::new();
        loop {
            let path = format!("{ROOT}/germplasm/{of}/{direction}?limit=5&cursor={cursor}");
            let list = breeder.get(&path).await.expect(200);
            told.extend(list["items"].as_array().unwrap().iter().cloned());
            match list["next_cursor"].as_str() {
                Some(next) => cursor = next.to_owned(),
                None => {
                    assert_eq!(list["total_n"], told.len(), "{list:#}");
                    return told;
                }
            }
        }
    };
    let above = all("ancestors", &line).await;
    assert_eq!(above.len(), 13, "F11 to F1, Ada and Bo: {above:#?}");
    assert_eq!(above[0]["name"], "F11");
    let steps: Vec<u64> = above
        .iter()
        .filter_map(|a| a["generation"].as_u64())
        .collect();
    assert!(steps.is_sorted() && steps[12] == 12, "{steps:?}");
    let below = all("descendants", &ada).await;
    assert_eq!(below.len(), 17, "{below:#?}");
    let step = |name: &str| {
        below
            .iter()
            .find(|d| d["name"] == name)
            .and_then(|d| d["generation"].as_u64())
    };
    assert_eq!(
        [step("F1"), step("F12"), step("Clone"), step("Open")],
        [Some(1), Some(12), Some(3), Some(1)]
    );
    assert!(
        all("descendants", &bo)
            .await
            .iter()
            .any(|d| d["name"] == "Open")
    );
    let over_grpc = breeder
        .crossing()
        .list_descendants(wire::RelativesRequest {
            germplasm_id: ada.clone(),
            ..Default::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(over_grpc.items.len(), 17);
    let odd = format!("{ROOT}/germplasm/{ada}/descendants?cursor=x");
    assert_eq!(breeder.get(&odd).await.pointers(422), ["/cursor"]);
    // What the trials take for breeding values has the possible pollen parents with it.
    let extract = breeder
        .post(&format!("{ROOT}/pedigree-extract"), &json!({"ids": [open]}))
        .await
        .expect(200);
    let plants = extract["plants"].as_array().unwrap();
    let of_open = plants.iter().find(|p| p["id"] == *open).unwrap();
    let possible = of_open["possible_pollen_parents"].as_array().unwrap();
    let share = |id: &str| {
        possible
            .iter()
            .find(|p| p["id"] == id)
            .and_then(|p| p["probability"].as_f64())
    };
    assert_eq!((share(&ada), share(&bo)), (Some(0.25), Some(0.75)));

    // A cross between species is named by its formula, female first.
    let plum = json!({"name": "Ciro", "species": "Prunus salicina", "kind": "variety"});
    let plum = created(&breeder, &format!("{ROOT}/germplasm"), &plum).await;
    let apricot = json!({"name": "Dora", "species": "Prunus armeniaca", "kind": "variety"});
    let apricot = created(&breeder, &format!("{ROOT}/germplasm"), &apricot).await;
    let advice = json!({"seed_parent_id": plum, "pollen_parent_id": apricot, "fruit_wanted_n": 10});
    let advice = breeder
        .post(&format!("{ROOT}/cross-advice"), &advice)
        .await
        .expect(200);
    assert_eq!(
        advice["progeny_species"], "Prunus salicina × P. armeniaca",
        "{advice:#}"
    );

    let other = system.other_programme().await.sign_in("breeder").await;
    for of in ["founders", "ancestors", "descendants"] {
        other
            .get(&format!("{ROOT}/germplasm/{line}/{of}"))
            .await
            .expect(404);
    }
}
