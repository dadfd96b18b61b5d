//! Blocks of budded trees, files of records, and what bad input is told.

use contract::evaluation::TakeRecordFileRequest;
use platform::peers::ServiceName;
use platform::reading::{CSV, XLSX};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::evaluation::{World, finished, number, text};
use crate::pages::Browser;

const ROOT: &str = "/api/evaluation/v1";

async fn analysed(world: &World, trial: &str, model: Value) -> Value {
    let path = format!("{ROOT}/trials/{trial}/analyses");
    let queued = world.trials.post(&path, &model).await.expect(202);
    finished(&world.trials, &text(&queued, "id")).await
}

/// Pointer and row of every fault of a batch.
fn faults(reply: &Value) -> Vec<(u64, String)> {
    let rejected = reply["rejected"].as_array().expect("rejected rows");
    rejected
        .iter()
        .map(|row| {
            (
                row["row"].as_u64().unwrap(),
                text(&row["errors"][0], "pointer"),
            )
        })
        .collect()
}

#[tokio::test]
async fn one_selection_stands_on_several_rootstocks() {
    let world = World::with_plants(4).await;
    let open = format!("{ROOT}/trials");
    let body = json!({
        "name": "Budded", "stage": "budded", "season": 2025, "site_ids": world.sites,
        "entry_ids": world.entries, "check_ids": [world.checks[0]], "rootstock": "Seedling peach",
    });
    let trial = text(&world.trials.post(&open, &body).await.expect(201), "id");
    let path = format!("{open}/{trial}/layout");
    let wrong = json!({
        "design": "rcbd", "replicates": 2, "seed": 1, "rootstocks": ["Dwarf", "Dwarf", ""],
        "entry_rootstocks": [
            {"germplasm_id": world.checks[1], "rootstocks": ["Dwarf"]},
            {"germplasm_id": world.entries[0], "rootstocks": []},
        ],
    });
    let mut pointers = world.trials.post(&path, &wrong).await.pointers(422);
    pointers.sort();
    assert_eq!(
        pointers,
        [
            "/entry_rootstocks/0/germplasm_id",
            "/entry_rootstocks/1/rootstocks",
            "/rootstocks/1",
            "/rootstocks/2",
        ]
    );
    // The check stands on the usual stock only.
    let design = json!({
        "design": "rcbd", "replicates": 3, "seed": 7, "rootstocks": ["Dwarf", "Vigorous"],
        "entry_rootstocks": [{"germplasm_id": world.checks[0], "rootstocks": ["Seedling peach"]}],
    });
    let layout = world.trials.post(&path, &design).await.expect(201);
    let trees = layout["trees"].as_array().unwrap();
    assert_eq!(trees.len(), 2 * 3 * (4 * 2 + 1));
    for entry in &world.entries {
        for stock in ["Dwarf", "Vigorous"] {
            let of = |t: &&Value| t["germplasm_id"] == **entry && t["rootstock"] == stock;
            let blocks: Vec<(&Value, &Value)> = trees
                .iter()
                .filter(of)
                .map(|t| (&t["site_id"], &t["block"]))
                .collect();
            assert_eq!(blocks.len(), 6, "once in each replicate of each site");
            let distinct: std::collections::BTreeSet<String> =
                blocks.iter().map(|b| format!("{b:?}")).collect();
            assert_eq!(distinct.len(), 6);
        }
    }
    assert_eq!(
        trees
            .iter()
            .filter(|t| t["rootstock"] == "Seedling peach")
            .count(),
        6
    );
    let read = world
        .trials
        .get(&format!("{open}/{trial}"))
        .await
        .expect(200);
    assert_eq!(
        read["rootstocks"],
        json!(["Dwarf", "Seedling peach", "Vigorous"])
    );
    let csv = world.trials.get(&format!("{path}.csv")).await;
    let csv = String::from_utf8(csv.bytes).unwrap();
    assert!(csv.lines().next().unwrap().ends_with(",rootstock"), "{csv}");
    assert_eq!(csv.matches(",Dwarf").count(), 24);
    let map = world.trials.get(&format!("{path}.svg")).await;
    let map = String::from_utf8(map.bytes).unwrap();
    assert_eq!(map.matches(" on Vigorous, row").count(), 12, "{map}");
    let labels = world
        .trials
        .get(&format!("{open}/{trial}/labels.pdf"))
        .await;
    assert!(labels.status == 200 && labels.bytes.starts_with(b"%PDF"));

    // Brix is 1 higher on Dwarf; entries differ by half a degree.
    let mut rows = world.rows(trees, "brix", 11.0, 0.5);
    for (row, tree) in rows.iter_mut().zip(trees) {
        let more = if tree["rootstock"] == "Dwarf" {
            1.0
        } else {
            0.0
        };
        row["value"] = json!(row["value"].as_f64().unwrap() + more);
    }
    assert_eq!(world.take(&rows).await["accepted"], rows.len());
    let means = format!("{open}/{trial}/means?trait=brix");
    let both = world.trials.get(&means).await.expect(200);
    let first = &both["items"][0];
    assert_eq!(first["germplasm_id"], *world.entries[3], "{both:#}");
    let stocks = first["rootstocks"].as_array().unwrap();
    assert_eq!(stocks.len(), 2);
    let difference = number(&stocks[0], "mean") - number(&stocks[1], "mean");
    assert!((difference - 1.0).abs() < 0.2, "{first:#}");
    let one = world
        .trials
        .get(&format!("{means}&rootstock=Dwarf"))
        .await
        .expect(200);
    assert_eq!(one["trees_n"], 24);
    let none = world.trials.get(&format!("{means}&rootstock=Cherry")).await;
    assert_eq!(none.pointers(422), ["/rootstock"]);

    // As a factor, alone and with entries.
    let model = json!({"trait": "brix", "fixed": ["site", "rootstock"], "random": ["entry", "entry:rootstock"]});
    let told = analysed(&world, &trial, model).await;
    assert_eq!(told["converged"], true, "{told:#}");
    let vigorous = told["fixed"]
        .as_array()
        .unwrap()
        .iter()
        .find(|f| f["name"] == "rootstockVigorous")
        .unwrap_or_else(|| panic!("{told:#}"));
    assert!(
        (number(vigorous, "estimate") + 1.0).abs() < 0.2,
        "{vigorous:#}"
    );
    assert!(
        told["components"]
            .as_array()
            .unwrap()
            .iter()
            .any(|c| c["name"] == "entry:rootstock")
    );

    // A tree in another's place stands on the same stock unless told.
    let tree = trees.iter().find(|t| t["rootstock"] == "Dwarf").unwrap();
    let events = format!("{ROOT}/trees/{}/events", text(tree, "tree_id"));
    let died =
        json!({"kind": "died", "on": "2026-02-01", "reason": "gummosis", "rootstock": "Dwarf"});
    assert_eq!(
        world.trials.post(&events, &died).await.pointers(422),
        ["/rootstock"]
    );
    let replaced = json!({"kind": "replaced", "on": "2026-02-01", "reason": "gummosis"});
    let new = world.trials.post(&events, &replaced).await.expect(201);
    let new = format!("{ROOT}/trees/{}", text(&new, "new_tree_id"));
    assert_eq!(
        world.trials.get(&new).await.expect(200)["rootstock"],
        "Dwarf"
    );

    // Where nothing is said, trees stand on what is usual at their site.
    let site = json!({
        "name": "Hill", "country": "ES", "time_zone": "Europe/Madrid", "soil": "chalk",
        "rootstock": "Almond seedling", "climate_station": "Hill mast",
    });
    let made = world
        .trials
        .post(&format!("{ROOT}/sites"), &site)
        .await
        .expect(201);
    assert_eq!(
        (&made["rootstock"], &made["climate_station"]),
        (&site["rootstock"], &site["climate_station"])
    );
    let body = json!({
        "name": "Usual", "stage": "budded", "season": 2025, "site_ids": [made["id"], world.sites[0]],
        "entry_ids": world.entries,
    });
    let usual = text(&world.trials.post(&open, &body).await.expect(201), "id");
    let design = json!({"design": "rcbd", "replicates": 2, "seed": 1});
    let layout = world
        .trials
        .post(&format!("{open}/{usual}/layout"), &design)
        .await
        .expect(201);
    for tree in layout["trees"].as_array().unwrap() {
        let expected = if tree["site_id"] == made["id"] {
            "Almond seedling"
        } else {
            ""
        };
        assert_eq!(tree["rootstock"], expected);
    }

    // Own-root trees have none.
    let seedlings = world.trial("Seedlings").await;
    let path = format!("{open}/{seedlings}/layout");
    let design = json!({"design": "rcbd", "replicates": 2, "seed": 1, "rootstocks": ["Dwarf"]});
    assert_eq!(
        world.trials.post(&path, &design).await.pointers(422),
        ["/rootstocks"]
    );

    let mut browser = Browser::signed_in(&world.system, "trials").await;
    let page = browser.page(&format!("/trials/{trial}?trait=brix")).await;
    let usual = browser.page(&format!("/trials/{usual}")).await;
    let wanted = "soil: chalk; usual rootstock: Almond seedling; climate station: Hill mast";
    assert!(usual.contains(wanted), "{usual}");
    for wanted in [
        "Dwarf, Seedling peach, Vigorous",
        " on Vigorous, row",
        "By rootstock",
    ] {
        assert!(page.contains(wanted), "{wanted:?} is missing in: {page}");
    }
}

#[tokio::test]
async fn records_come_in_as_a_file() {
    let world = World::with_plants(3).await;
    let (trial, trees) = world.laid_out("File").await;
    let number_of = |k: usize| text(&trees[k], "number");
    let path = format!("{ROOT}/records:file");

    // A sheet with a column for every trait, as it comes from the field.
    let mut sheet = "Tree;Observed at;By;brix;flavour;ripening_date\n".to_owned();
    for k in 0..10 {
        sheet += &format!(
            "{};2026-07-01;Wren;{};{};2026-06-2{k}\n",
            number_of(k),
            12 + k % 3,
            4 + k % 4
        );
    }
    sheet += &format!("{};2026-07-01;Wren;142;;\n", number_of(10));
    sheet += "T25-001-99999-K;2026-07-01;Wren;12;;\n";
    sheet += &format!(";;;;;\n{};2026-07-01T08:30:00;;NaN;12;\n", number_of(11));
    let dry = format!("{path}?dry_run=true");
    let tried = world.trials.post_text(&dry, CSV, &sheet).await.expect(200);
    assert_eq!(tried["accepted"], 30, "{tried:#}");
    let records = format!("{ROOT}/records?trial_id={trial}&limit=200");
    let kept = async || {
        world.trials.get(&records).await.expect(200)["items"]
            .as_array()
            .unwrap()
            .len()
    };
    assert_eq!(kept().await, 0, "checked only");
    let strict = format!("{path}?all_or_nothing=true");
    let refused = world
        .trials
        .post_text(&strict, CSV, &sheet)
        .await
        .expect(200);
    assert_eq!(refused["accepted"], 0);
    assert_eq!(kept().await, 0, "nothing partly written");
    let taken = world.trials.post_text(&path, CSV, &sheet).await.expect(200);
    assert_eq!(taken["accepted"], 30, "{taken:#}");
    // By row of the sheet, whose header is row 1, and by column.
    let expected = [
        (12, "/brix"),
        (13, "/tree"),
        (15, "/brix"),
        (15, "/flavour"),
    ];
    let expected: Vec<(u64, String)> = expected.map(|(row, at)| (row, at.to_owned())).into();
    assert_eq!(faults(&taken), expected, "{taken:#}");
    assert_eq!(kept().await, 30);
    let again = world.trials.post_text(&path, CSV, &sheet).await.expect(200);
    assert_eq!(
        (&again["accepted"], &again["duplicates"]),
        (&json!(0), &json!(30))
    );

    // One record a line; a value changed since is told and not added.
    let changed = format!(
        "tree,trait,value,unit,observed_at,by\n{0},brix,13.5,°Brix,2026-07-01,Wren\n{0},firmness_n,5.2,kgf,2026-07-01,Wren\n{0},firmness_n,52,N,2026-07-01,Wren\n",
        number_of(0)
    );
    let told = world
        .trials
        .post_text(&path, CSV, &changed)
        .await
        .expect(200);
    assert_eq!(
        faults(&told),
        [(2, "/id".to_owned()), (3, "/unit".to_owned())],
        "{told:#}"
    );
    assert_eq!(told["accepted"], 1);

    // The same as a workbook, over gRPC too.
    let mut book = rust_xlsxwriter::Workbook::new();
    let page = book.add_worksheet();
    for (column, name) in ["tree", "observed_at", "by", "fruit_mass_g"]
        .into_iter()
        .enumerate()
    {
        page.write_string(0, column as u16, name).unwrap();
    }
    let day = rust_xlsxwriter::Format::new().set_num_format("yyyy-mm-dd");
    for k in 0..6 {
        let row = k as u32 + 1;
        page.write_string(row, 0, number_of(k)).unwrap();
        let on = rust_xlsxwriter::ExcelDateTime::from_ymd(2026, 7, 2).unwrap();
        page.write_datetime_with_format(row, 1, &on, &day).unwrap();
        page.write_string(row, 2, "Finch").unwrap();
        page.write_number(row, 3, 120.0 + k as f64).unwrap();
    }
    let request = TakeRecordFileRequest {
        content: book.save_to_buffer().unwrap(),
        content_type: XLSX.to_owned(),
        ..TakeRecordFileRequest::default()
    };
    let mut grpc = world.trials.evaluation();
    let reply = grpc
        .take_record_file(request.clone())
        .await
        .unwrap()
        .into_inner();
    assert_eq!((reply.accepted, reply.rejected.len()), (6, 0), "{reply:#?}");
    let reply = grpc.take_record_file(request).await.unwrap().into_inner();
    assert_eq!((reply.accepted, reply.duplicates), (0, 6));

    // What is no such file.
    let nothing = world.trials.post_text(&path, CSV, "").await;
    assert_eq!(nothing.pointers(422), ["/content"]);
    let unknown = world
        .trials
        .post_text(&path, CSV, "tree,observed_at,sweetness\nx,y,z\n")
        .await;
    assert_eq!(unknown.pointers(422), ["/content"]);
    let wrong = world.trials.post_text(&path, XLSX, "tree,brix\n").await;
    assert_eq!(wrong.pointers(422), ["/content"]);
    world
        .trials
        .post_text(&path, "application/pdf", "x")
        .await
        .expect(415);
    let manager = world.system.sign_in("manager").await;
    manager.post_text(&path, CSV, &sheet).await.expect(403);
    let other = world.system.other_programme().await.sign_in("trials").await;
    let foreign = other.post_text(&path, CSV, &changed).await.expect(200);
    assert_eq!(
        foreign["accepted"], 0,
        "another programme's trees are not known"
    );

    // From the page, checked and then taken.
    let mut browser = Browser::signed_in(&world.system, "field").await;
    let page = browser.page("/record-file").await;
    for wanted in [
        "type=\"file\"",
        "for=\"file\"",
        "multipart/form-data",
        "Check only",
    ] {
        assert!(page.contains(wanted), "{wanted:?} is missing in: {page}");
    }
    let file = format!(
        "tree,observed_at,brix\n{},2026-07-03,12.5\n{},2026-07-03,999\n",
        number_of(1),
        number_of(2)
    );
    for (how, wanted) in [
        ("check", "records can be taken"),
        ("take", "records taken"),
        ("take", "were there before"),
    ] {
        let seen = browser
            .post_file("/record-file", ("file", "sheet.csv", &file), ("how", how))
            .await;
        assert_eq!(seen.status, 200, "{}", seen.text);
        assert!(
            seen.text.contains(wanted) && seen.text.contains("brix"),
            "{}",
            seen.text
        );
        assert!(seen.text.contains("outside"), "{}", seen.text);
    }
}

#[tokio::test]
async fn queries_say_how_a_batch_of_lines_is_taken() {
    let world = World::with_plants(2).await;
    let (trial, trees) = world.laid_out("Lines").await;
    let lines: String = world
        .rows(&trees, "brix", 12.0, 0.2)
        .iter()
        .map(|row| format!("{row}\n"))
        .collect();
    let path = format!("{ROOT}/records:batch?dry_run=true");
    let reply = world
        .trials
        .post_text(&path, "application/x-ndjson", &lines)
        .await
        .expect(200);
    assert_eq!(reply["accepted"], trees.len());
    let kept = world
        .trials
        .get(&format!("{ROOT}/records?trial_id={trial}"))
        .await
        .expect(200);
    assert_eq!(kept["items"], json!([]));
}

#[tokio::test]
async fn a_large_batch_is_known_to_the_planner_at_once() {
    const RECORDS: usize = 12_000;
    let world = World::with_plants(6).await;
    let (_, trees) = world.laid_out("Large").await;
    let rows: Vec<Value> = (0..RECORDS)
        .map(|k| {
            json!({
                "id": Uuid::now_v7(), "tree_id": trees[k % trees.len()]["tree_id"], "trait": "brix",
                "value": 10.0 + (k % 50) as f64 / 10.0, "by": "Wren",
                "observed_at": format!("2026-07-{:02}T10:00:00Z", k % 28 + 1),
            })
        })
        .collect();
    assert_eq!(world.take(&rows).await["accepted"], RECORDS);
    let pool = world.system.pool(ServiceName::Evaluation).await;
    // The planner is told of the year's part, and of all parts together.
    for table in ["record_2026", "record"] {
        let known: f32 =
            sqlx::query_scalar("select reltuples from pg_class where oid = $1::text::regclass")
                .bind(table)
                .fetch_one(&pool)
                .await
                .unwrap();
        assert!(known as usize >= RECORDS, "{table}: {known}");
    }
    let summaries = format!("{ROOT}/stage-summaries?season=2025");
    let told = world.trials.get(&summaries).await.expect(200);
    let of_entries = trees
        .iter()
        .filter(|tree| tree["is_check"] == false)
        .count();
    assert_eq!(
        told["items"][0]["trees_looked_at_n"], of_entries,
        "{told:#}"
    );
    let of_checks = RECORDS - told["items"][0]["records_n"].as_u64().unwrap() as usize;
    assert!(of_checks > 0 && of_checks < RECORDS);
}

#[tokio::test]
async fn a_trait_says_which_characteristics_it_serves() {
    let world = World::with_plants(1).await;
    let path = format!("{ROOT}/traits/stone_adherence/upov");
    let before = world
        .trials
        .get(&format!("{ROOT}/traits/stone_adherence"))
        .await
        .expect(200);
    assert_eq!(before["upov"], json!([]), "no number is made up");
    let wrong = json!({"upov": [
        {"guideline": "peach", "number": 1}, {"guideline": "TG/0/1", "number": 0},
        {"guideline": "TG/0/1", "number": 2},
    ]});
    let mut pointers = world.trials.post(&path, &wrong).await.pointers(422);
    pointers.sort();
    assert_eq!(
        pointers,
        ["/upov/0/guideline", "/upov/1/number", "/upov/2/guideline"]
    );
    let said = json!({"upov": [
        {"guideline": "TG/0/1", "number": 12, "species": "Prunus persica", "source": "read on paper"},
    ]});
    let told = world.trials.post(&path, &said).await.expect(200);
    assert_eq!(told["upov"], said["upov"]);
    let unknown = format!("{ROOT}/traits/nonsense/upov");
    world.trials.post(&unknown, &said).await.expect(404);
    let field = world.system.sign_in("field").await;
    field.post(&path, &said).await.expect(403);
}

#[tokio::test]
async fn what_cannot_be_analysed_is_named() {
    let world = World::with_plants(8).await;
    let (trial, trees) = world.laid_out("Faults").await;
    world.take(&world.rows(&trees, "brix", 11.0, 0.5)).await;
    let same: Vec<Value> = world.rows(&trees, "fruit_mass_g", 120.0, 0.0);
    let same: Vec<Value> = same
        .into_iter()
        .map(|mut row| {
            row["value"] = json!(120);
            row
        })
        .collect();
    world.take(&same).await;
    for (model, status, named) in [
        // A block lies in one site, so that after blocks sites have nothing to say.
        (
            json!({"trait": "brix", "fixed": ["block", "site"], "random": ["entry"]}),
            "failed",
            vec!["site", "block"],
        ),
        (
            json!({"trait": "brix", "fixed": ["year"], "random": ["entry"]}),
            "failed",
            vec!["year", "only the level"],
        ),
        (
            json!({"trait": "firmness_n", "random": ["entry"]}),
            "failed",
            vec!["all are missing"],
        ),
        (
            json!({"trait": "fruit_mass_g", "random": ["entry"]}),
            "failed",
            vec!["vary"],
        ),
        // Every tree is a row, column and site of its own.
        (
            json!({"trait": "brix", "random": ["entry", "site:row:column"]}),
            "failed",
            vec!["site:row:column", "residual"],
        ),
        (
            json!({"trait": "brix", "fixed": ["entry"], "random": ["entry:check"]}),
            "failed",
            vec!["entry:check"],
        ),
        (
            json!({"trait": "brix", "fixed": ["crop_load"], "random": ["entry"]}),
            "failed",
            vec!["missing"],
        ),
    ] {
        let told = analysed(&world, &trial, model.clone()).await;
        assert_eq!(told["status"], status, "{model}: {told:#}");
        let problem = text(&told, "problem");
        for named in named {
            assert!(
                problem.contains(named),
                "{model}: {named:?} is missing in {problem:?}"
            );
        }
        assert_eq!(told["random"], json!([]), "no ranking");
        assert_eq!(told["converged"], false);
        // Nor does a plan stand on it.
        let plan = json!({"candidates_n": 10, "analysis_id": told["id"], "released_n": 1,
            "stages": [{"name": "own_root", "error_sd": 1.0, "cost_per_candidate": 1.0}]});
        let path = format!("{ROOT}/selection-plans");
        world.breeder.post(&path, &plan).await.expect(409);
    }
    let path = format!("{ROOT}/trials/{trial}/analyses");
    for (model, pointer) in [
        (
            json!({"trait": "flesh_colour", "random": ["entry"]}),
            "/trait",
        ),
        (
            json!({"trait": "brix", "random": ["entry"], "residual": "odd"}),
            "/residual",
        ),
        (
            json!({"trait": "brix", "random": ["entry", "entry"]}),
            "/random/1",
        ),
        (
            json!({"trait": "brix", "random": ["entry", "brix"]}),
            "/random/1",
        ),
    ] {
        assert_eq!(
            world.trials.post(&path, &model).await.pointers(422),
            [pointer],
            "{model}"
        );
    }

    // Infinity and the wrong scale, as numbers and as text.
    let row = |value: Value, code: &str| json!([{"id": Uuid::now_v7(), "tree_id": trees[0]["tree_id"], "trait": code, "value": value, "observed_at": "2026-07-01"}]);
    for (value, code, said) in [
        (json!("inf"), "brix", "not a finite number"),
        (json!("-Infinity"), "brix", "not a finite number"),
        (json!("NaN"), "brix", "not a finite number"),
        (json!("14.2 Brix"), "brix", "without the unit"),
        (json!(-1), "brix", "outside"),
        (json!(5.5), "flavour", "not a state"),
        (json!("sweet-ish"), "flavour", "not a state"),
        (json!("2026-13-45"), "ripening_date", "not a date"),
        (json!("2025-06-20"), "ripening_date", "not in 2026"),
        (json!(367), "ripening_date", "not a day of the year"),
        (json!(1.5), "sugar_acid_ratio", "computed"),
    ] {
        let reply = world
            .take(row(value.clone(), code).as_array().unwrap())
            .await;
        assert_eq!(
            faults(&reply),
            [(0, "/value".to_owned())],
            "{value} {code}: {reply:#}"
        );
        let message = text(&reply["rejected"][0]["errors"][0], "message");
        assert!(
            message.contains(said),
            "{value}: {said:?} is missing in {message:?}"
        );
    }

    // Trees that were never planted: the trial is not laid out.
    let unplanted = world.trial("Not laid out").await;
    let layout = format!("{ROOT}/trials/{unplanted}/layout");
    world.trials.get(&layout).await.expect(409);
    let reply = world
        .take(&[json!({"id": Uuid::now_v7(), "tree_id": Uuid::now_v7(), "trait": "brix", "value": 12, "observed_at": "2026-07-01"})])
        .await;
    let message = text(&reply["rejected"][0]["errors"][0], "message");
    assert!(message.contains("lay the trial out"), "{message}");
    let queued = format!("{ROOT}/trials/{unplanted}/analyses");
    world
        .trials
        .post(&queued, &json!({"trait": "brix", "random": ["entry"]}))
        .await
        .expect(409);

    // Designs that cannot be made say why, and the nearest that can.
    for (design, pointer, said) in [
        (
            json!({"design": "alpha", "replicates": 2, "block_size": 9, "seed": 1}),
            "/block_size",
            "nearest",
        ),
        (
            json!({"design": "row_column", "replicates": 2, "block_size": 7, "seed": 1}),
            "/block_size",
            "nearest",
        ),
        (
            json!({"design": "rcbd", "replicates": 1, "seed": 1}),
            "/replicates",
            "2",
        ),
        (
            json!({"design": "p_rep", "replicates": 2, "replicated_n": 99, "seed": 1}),
            "/replicated_n",
            "8",
        ),
        (
            json!({"design": "rcbd", "replicates": 3, "rows": 2, "columns": 4, "seed": 1}),
            "/rows",
            "9 rows",
        ),
        (
            json!({"design": "rcbd", "seed": 1}),
            "/replicates",
            "required",
        ),
    ] {
        let reply = world.trials.post(&layout, &design).await;
        assert_eq!(
            reply.body["errors"][0]["pointer"], pointer,
            "{design}: {:#}",
            reply.body
        );
        let message = text(&reply.body["errors"][0], "message");
        assert!(
            message.contains(said),
            "{design}: {said:?} is missing in {message:?}"
        );
        assert_eq!(reply.pointers(422), [pointer]);
    }
    world.trials.get(&layout).await.expect(409);
}

#[tokio::test]
async fn thinning_and_losses_enter_the_analysis() {
    let world = World::with_plants(6).await;
    let (trial, trees) = world.laid_out("Crop load").await;
    // The fewer fruits are left, the heavier they are: 1 g for each.
    let mut rows = world.rows(&trees, "fruit_mass_g", 150.0, 4.0);
    for (k, (row, tree)) in rows.iter_mut().zip(&trees).enumerate() {
        let left = 40 + (k * 13) % 41;
        row["value"] = json!(row["value"].as_f64().unwrap() - left as f64);
        let thinned = json!({"kind": "thinned", "on": "2026-04-20", "fruits_left_n": left});
        let events = format!("{ROOT}/trees/{}/events", text(tree, "tree_id"));
        world.trials.post(&events, &thinned).await.expect(201);
    }
    assert_eq!(world.take(&rows).await["accepted"], rows.len());
    let model =
        json!({"trait": "fruit_mass_g", "fixed": ["site", "fruits_left"], "random": ["entry"]});
    let told = analysed(&world, &trial, model).await;
    assert_eq!(told["converged"], true, "{told:#}");
    let slope = told["fixed"]
        .as_array()
        .unwrap()
        .iter()
        .find(|f| f["name"] == "fruits_left")
        .unwrap();
    let (low, high) = (number(slope, "low"), number(slope, "high"));
    assert!(low < -1.0 && -1.0 < high && high - low < 0.2, "{slope:#}");
    assert_eq!(told["records_n"], trees.len());

    // Several pickings of one tree are one value of its year.
    let second = json!([{"id": Uuid::now_v7(), "tree_id": trees[1]["tree_id"], "trait": "fruit_mass_g",
        "value": number(&rows[1], "value") + 10.0, "observed_at": "2026-07-09"}]);
    assert_eq!(world.take(second.as_array().unwrap()).await["accepted"], 1);
    let values = format!("{ROOT}/trials/{trial}/tree-values?trait=fruit_mass_g");
    let values = world.trials.get(&values).await.expect(200);
    let picked = values["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|v| v["tree_id"] == trees[1]["tree_id"])
        .unwrap();
    assert_eq!(picked["records_n"], 2);
    assert!(
        (number(picked, "value") - number(&rows[1], "value") - 5.0).abs() < 1e-9,
        "{picked:#}"
    );

    // A tree that died keeps what was seen before; its successor is not the dead tree.
    let dead = text(&trees[0], "tree_id");
    let events = format!("{ROOT}/trees/{dead}/events");
    let replaced = json!({"kind": "replaced", "on": "2026-08-01", "reason": "canker"});
    let new = text(
        &world.trials.post(&events, &replaced).await.expect(201),
        "new_tree_id",
    );
    let means = format!("{ROOT}/trials/{trial}/means?trait=fruit_mass_g");
    let told = world.trials.get(&means).await.expect(200);
    assert_eq!(told["trees_n"], trees.len());
    assert_eq!(told["missing_n"], 1, "the successor has no record yet");
    let late = |tree: &str| json!([{"id": Uuid::now_v7(), "tree_id": tree, "trait": "fruit_mass_g", "value": 100, "observed_at": "2026-08-20"}]);
    let reply = world.take(late(&dead).as_array().unwrap()).await;
    assert_eq!(faults(&reply), [(0, "/tree_id".to_owned())]);
    assert_eq!(
        world.take(late(&new).as_array().unwrap()).await["accepted"],
        1
    );
    let model = json!({"trait": "fruit_mass_g", "fixed": ["site"], "random": ["entry"]});
    assert_eq!(
        analysed(&world, &trial, model).await["records_n"],
        trees.len() + 1
    );
}

#[tokio::test]
async fn pedigree_goes_with_sites_and_each_site_has_its_own_field() {
    let world = World::with_plants(12).await;
    let (trial, trees) = world.laid_out("Related").await;
    let mut rows = world.rows(&trees, "brix", 11.0, 0.3);
    for (k, row) in rows.iter_mut().enumerate() {
        // Plots scatter, or nothing is left for the residual.
        let scatter = f64::from(u32::try_from(k * 6151 % 29).unwrap()) / 29.0 - 0.5;
        row["value"] = json!(row["value"].as_f64().unwrap() + 2.0 * scatter);
    }
    world.take(&rows).await;
    let model = json!({"trait": "brix", "fixed": ["site"], "relationship": true, "between_sites": "unstructured"});
    let told = analysed(&world, &trial, model).await;
    assert_eq!(
        (&told["status"], &told["converged"]),
        (&json!("done"), &json!(true)),
        "{told:#}"
    );
    let entries = told["sites"]["entries"].as_array().unwrap();
    let labels: Vec<String> = entries.iter().map(|e| text(e, "label")).collect();
    assert!(
        labels.contains(&"Mother".to_owned()),
        "parents are predicted too: {labels:?}"
    );
    let best = entries
        .iter()
        .find(|e| e["label"] == "Selection 11")
        .unwrap();
    assert_eq!(best["at_site"].as_array().unwrap().len(), 2);

    let model = json!({"trait": "brix", "fixed": ["site"], "random": ["entry"], "residual": "row_column_by_site"});
    let told = analysed(&world, &trial, model).await;
    assert_eq!(
        (&told["status"], &told["converged"]),
        (&json!("done"), &json!(true)),
        "{told:#}"
    );
    let fields = told["diagnostics"]["site_correlations"].as_array().unwrap();
    let sites: Vec<String> = fields.iter().map(|f| text(f, "site")).collect();
    assert_eq!(sites, ["North field", "South field"]);
    let residuals = told["components"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|c| text(c, "name").starts_with("residual:"))
        .count();
    assert_eq!(residuals, 2, "{told:#}");
    let mut browser = Browser::signed_in(&world.system, "trials").await;
    let page = browser
        .page(&format!("/analyses/{}", text(&told, "id")))
        .await;
    assert!(page.contains("Correlations of residuals by site"), "{page}");
}

#[tokio::test]
async fn entries_that_share_no_ground_are_not_ranked_together() {
    let world = World::with_plants(8).await;
    let (trial, trees) = world.laid_out("Apart").await;
    // The first four entries are seen at the first site only, the others at the second.
    let rows: Vec<Value> = world
        .rows(&trees, "brix", 11.0, 0.5)
        .into_iter()
        .zip(&trees)
        .filter(|(_, tree)| {
            let place = world
                .entries
                .iter()
                .position(|e| tree["germplasm_id"] == **e);
            let first_site = tree["site_id"] == *world.sites[0];
            place.is_some_and(|place| (place < 4) == first_site)
        })
        .map(|(row, _)| row)
        .collect();
    world.take(&rows).await;
    let means = format!("{ROOT}/trials/{trial}/means?trait=brix");
    let told = world.trials.get(&means).await.expect(200);
    assert_eq!(told["connected_sets_n"], 2, "{told:#}");
    assert!(text(&json!({"note": told["notes"][0]}), "note").contains("sets"));
    let model = json!({"trait": "brix", "fixed": ["site"], "random": ["entry"]});
    let told = analysed(&world, &trial, model).await;
    assert_eq!(told["diagnostics"]["connected_sets_n"], 2, "{told:#}");
    let note = told["diagnostics"]["notes"][0].as_str().unwrap();
    assert!(
        note.contains("Selection") && note.contains("common check"),
        "{note}"
    );
    // As fixed effects, entries and sites can be told apart no further than that.
    let model = json!({"trait": "brix", "fixed": ["entry", "site"], "random": ["block"]});
    let told = analysed(&world, &trial, model).await;
    assert_eq!(told["status"], "failed", "{told:#}");
    let problem = text(&told, "problem");
    assert!(
        problem.contains("site") && problem.contains("entry"),
        "{problem}"
    );
}

#[tokio::test]
async fn every_kind_of_index_says_what_it_brings_and_how_surely() {
    let world = World::with_plants(1).await;
    let path = format!("{ROOT}/selection-index");
    let candidates: Vec<Value> = (0..100)
        .map(|k| json!({"id": format!("c{k}"), "values": [f64::from(k * 37 % 101), f64::from(k * 59 % 103)]}))
        .collect();
    let asked = |more: Value| {
        let mut body = json!({
            "traits": ["brix", "firmness_n"], "phenotypic": [[4.0, 1.0], [1.0, 9.0]],
            "genetic": [[2.0, -0.5], [-0.5, 3.0]], "keep_n": 10, "seed": 3, "candidates": candidates,
        });
        for (key, value) in more.as_object().unwrap() {
            body[key] = value.clone();
        }
        body
    };
    let of = |reply: &Value, field: &str, k: usize| reply[field][k].as_f64().unwrap_or(f64::NAN);
    for (more, method) in [
        (json!({"weights": [1.0, 0.5]}), "smith_hazel"),
        (
            json!({"weights": [1.0, 0.5], "held": ["firmness_n"]}),
            "restricted",
        ),
        (json!({"desired_gains": [1.0, 2.0]}), "desired_gains"),
    ] {
        let reply = world
            .breeder
            .post(&path, &asked(more.clone()))
            .await
            .expect(200);
        assert_eq!(reply["method"], method);
        for k in 0..2 {
            let expected = of(&reply, "expected_response", k);
            let (low, high) = (
                of(&reply, "response_low", k),
                of(&reply, "response_high", k),
            );
            assert!(low < expected && expected < high, "{method}: {reply:#}");
        }
        let again = world.breeder.post(&path, &asked(more)).await.expect(200);
        assert_eq!(again, reply, "the same seed gives the same bounds");
        match method {
            "restricted" => assert!(of(&reply, "expected_response", 1).abs() < 1e-9),
            "desired_gains" => {
                let (sugar, firmness) = (
                    of(&reply, "expected_response", 0),
                    of(&reply, "expected_response", 1),
                );
                assert!(
                    (firmness / sugar - 2.0).abs() < 1e-9,
                    "gains in the ratio asked for: {reply:#}"
                );
                // In full at the intensity that it names.
                let full = number(&reply, "intensity_for_desired") / number(&reply, "intensity");
                assert!((sugar * full - 1.0).abs() < 1e-9, "{reply:#}");
            }
            _ => {
                // b = P^-1 G a; response = i G b / sd of the index.
                let (a, b) = (of(&reply, "coefficients", 0), of(&reply, "coefficients", 1));
                assert!((4.0 * a + b - 1.75).abs() < 1e-9 && (a + 9.0 * b - 1.0).abs() < 1e-9);
                let response =
                    number(&reply, "intensity") * (2.0 * a - 0.5 * b) / number(&reply, "index_sd");
                assert!((response - of(&reply, "expected_response", 0)).abs() < 1e-9);
            }
        }
    }
}

#[tokio::test]
async fn trees_are_measured_again_and_the_ground_has_trends() {
    let world = World::with_plants(8).await;
    let (trial, trees) = world.laid_out("Again").await;
    // Every tree has a deviation of its own, which both years show.
    for year in ["2025-07-01", "2026-07-01"] {
        let mut rows = world.rows(&trees, "brix", 11.0, 0.5);
        for (k, (row, tree)) in rows.iter_mut().zip(&trees).enumerate() {
            let own = f64::from(u32::try_from(k * 6151 % 29).unwrap()) / 29.0 - 0.5;
            let once = f64::from(
                u32::try_from((k * 7477 + year.len() * usize::from(year > "2026")) % 31).unwrap(),
            ) / 31.0
                - 0.5;
            let trend = number(tree, "row").sin();
            row["value"] = json!(row["value"].as_f64().unwrap() + 3.0 * own + 0.5 * once + trend);
            row["observed_at"] = json!(year);
        }
        assert_eq!(world.take(&rows).await["accepted"], trees.len());
    }
    let model = json!({"trait": "brix", "fixed": ["site", "year"], "random": ["entry", "tree"]});
    let told = analysed(&world, &trial, model).await;
    assert_eq!(told["converged"], true, "{told:#}");
    let variance = |name: &str| {
        let components = told["components"].as_array().unwrap();
        number(
            components.iter().find(|c| c["name"] == name).unwrap(),
            "variance",
        )
    };
    assert!(variance("tree") > 3.0 * variance("residual"), "{told:#}");
    let effect = &told["fixed"][1];
    assert!(
        number(effect, "df") > 1.0 && number(effect, "p") <= 1.0,
        "{effect:#}"
    );

    let model = json!({"trait": "brix", "fixed": ["site", "year"], "random": ["entry", "tree"], "smooth": ["row"]});
    let told = analysed(&world, &trial, model).await;
    assert_eq!(
        (&told["status"], &told["converged"]),
        (&json!("done"), &json!(true)),
        "{told:#}"
    );
    assert_eq!(told["smooth_terms"], json!(["row"]));
    for site in ["North field", "South field"] {
        let term = format!("smooth(row_trend) at site {site}");
        assert!(
            told["components"]
                .as_array()
                .unwrap()
                .iter()
                .any(|c| c["name"] == *term),
            "{told:#}"
        );
    }
    let path = format!("{ROOT}/trials/{trial}/analyses");
    let wrong = json!({"trait": "brix", "random": ["entry"], "method": "two_stage", "smooth": ["row", "row", "diagonal"]});
    let mut pointers = world.trials.post(&path, &wrong).await.pointers(422);
    pointers.sort();
    assert_eq!(pointers, ["/random/0", "/smooth", "/smooth/1", "/smooth/2"]);
}
