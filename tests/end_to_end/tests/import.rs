//! A season from plain files, up to a partner's answer.

use std::path::{Path, PathBuf};

use drupeline::import::{Progress, Report, load};
use end_to_end::{Client, System};
use platform::peers::ServiceName;
use serde_json::{Value, json};

/// The season that is shipped to learn from.
fn shipped() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/demo-season")
}

/// A copy of the shipped season that a test may spoil.
fn copy() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    for file in std::fs::read_dir(shipped()).expect("the shipped season") {
        let path = file.expect("a file").path();
        if path.extension().is_some_and(|ending| ending == "csv") {
            let name = path.file_name().expect("a name");
            std::fs::copy(&path, folder.path().join(name)).expect("a copy");
        }
    }
    folder
}

/// Replaces a text in a file, once.
fn spoil(folder: &Path, file: &str, from: &str, to: &str) {
    let path = folder.join(file);
    let text = std::fs::read_to_string(&path).expect("a file");
    assert!(text.contains(from), "{file} holds no {from:?}");
    std::fs::write(path, text.replacen(from, to, 1)).expect("the file is written");
}

async fn import(system: &System, folder: &Path, check_only: bool) -> Report {
    let breeder = system.sign_in("breeder").await;
    let token = breeder.token().expect("a token").to_owned();
    load(system.peers(), &token, folder, check_only, &Progress::hidden())
        .await
        .unwrap_or_else(|error| panic!("{error}"))
}

fn told(report: &Report) -> Vec<String> {
    report.faults.iter().map(ToString::to_string).collect()
}

fn written(report: &Report) -> u64 {
    report.loaded.iter().map(|loaded| loaded.written_n).sum()
}

fn items(body: &Value) -> &Vec<Value> {
    body["items"].as_array().expect("items")
}

fn id(body: &Value) -> String {
    body["id"].as_str().expect("an id").to_owned()
}

async fn rows_of_crossing(system: &System) -> i64 {
    // As the tables' owner sees them, so that row-level security hides nothing.
    let breeder = system.sign_in("breeder").await;
    let mut n = 0;
    for list in ["germplasm", "crosses", "pollen-lots", "mothers", "seedlings", "seasons"] {
        n += items(&breeder.get(&format!("/api/crossing/v1/{list}")).await.expect(200)).len() as i64;
    }
    n
}

#[tokio::test(flavor = "multi_thread")]
async fn from_plain_files_to_a_partners_answer() {
    let system = System::start().await;

    // Checking writes nothing.
    let checked = import(&system, &shipped(), true).await;
    assert!(checked.faults.is_empty(), "{:#?}", told(&checked));
    assert!(!checked.written);
    assert_eq!(rows_of_crossing(&system).await, 0);

    let report = import(&system, &shipped(), false).await;
    assert!(report.faults.is_empty(), "{:#?}", told(&report));
    assert!(report.written && written(&report) > 300, "{:?}", report.loaded);

    // Running it again doubles nothing.
    let before = rows_of_crossing(&system).await;
    let again = import(&system, &shipped(), false).await;
    assert!(again.faults.is_empty(), "{:#?}", told(&again));
    assert_eq!(written(&again), 0, "{:?}", again.loaded);
    let unchanged: u64 = again.loaded.iter().map(|loaded| loaded.unchanged_n).sum();
    assert_eq!(unchanged, written(&report), "{:?}", again.loaded);
    assert_eq!(rows_of_crossing(&system).await, before);

    // The trial that came with the files has its ranking; the best go on.
    let breeder = system.sign_in("breeder").await;
    let trials = breeder.get("/api/evaluation/v1/trials").await.expect(200);
    let trial = items(&trials)
        .iter()
        .find(|trial| trial["name"] == "Own-root peaches 2021")
        .map(id)
        .expect("the trial of the files");
    let path = format!("/api/evaluation/v1/trials/{trial}");
    let list = breeder
        .post(&format!("{path}/advance-list"), &json!({ "weights": { "brix": 1.0, "overall": 1.0 }, "keep_n": 5, "seed": 1 }))
        .await
        .expect(200);
    let decisions: Vec<Value> = items(&list)
        .iter()
        .map(|item| json!({
            "germplasm_id": item["germplasm_id"],
            "decision": item["suggestion"],
            "reason": item["reason"],
        }))
        .collect();
    let best = items(&list)[0]["germplasm_id"].as_str().expect("an id").to_owned();
    let decided = breeder
        .post(&format!("{path}/decisions"), &json!({ "decisions": decisions, "to_stage": "budded", "on": "2023-10-10" }))
        .await
        .expect(201);
    assert_eq!(decided["advanced_n"], 5, "{decided:#}");

    let candidate = candidate_of(&system, &best).await;
    let rights = system.sign_in("rights").await;
    let path = format!("/api/release/v1/candidates/{candidate}");
    let name = json!({ "name": "Tannowgleam", "on": "2025-04-01" });
    let name = id(&rights.post(&format!("{path}/denominations"), &name).await.expect(201));
    for state in ["checked", "published"] {
        let body = json!({ "state": state, "on": "2025-09-01" });
        rights.post(&format!("/api/release/v1/denominations/{name}/states"), &body).await.expect(201);
    }
    for (stage, on) in [("multi_site", "2024-10-01"), ("pre_release", "2025-03-01"), ("released", "2026-02-01")] {
        let body = json!({ "stage": stage, "on": on, "reason": "steady and good" });
        rights.post(&format!("{path}/stages"), &body).await.expect(201);
    }
    let filing = json!({
        "jurisdiction": "US", "kind": "plant_patent", "on": "2025-05-05", "application_number": "90/200,001",
    });
    let filing = id(&rights.post(&format!("{path}/filings"), &filing).await.expect(201));
    let grant = json!({ "on": "2026-06-30", "grant_number": "PP 99,001" });
    rights.post(&format!("/api/release/v1/filings/{filing}/grants"), &grant).await.expect(201);
    let nurseries = rights.get("/api/identity/v1/organisations").await.expect(200);
    let nursery = items(&nurseries).iter().find(|n| n["name"] == "Nursery A").map(id).expect("Nursery A");
    let licence = json!({
        "candidate_id": candidate, "licensee_id": nursery, "territory": ["US"], "purpose": "propagation",
        "exclusive": true, "starts_on": "2026-07-01", "propagate_max_n": 5000,
        "royalty": { "per": "tree", "amount": "1.75", "currency": "USD" },
    });
    rights.post("/api/release/v1/licences", &licence).await.expect(201);

    let partner = system.sign_in("partner_a").await;
    let answer = partner.get("/api/release/v1/partner/release-status?territory=US").await.expect(200);
    let [status] = items(&answer).as_slice() else { panic!("one candidate, not {answer:#}") };
    assert_eq!(status["denomination"], "Tannowgleam");
    assert_eq!(status["may_propagate"], true);
    assert_eq!(status["remaining_n"], 5000);
    let other = system.sign_in("partner_b").await;
    let answer = other.get("/api/release/v1/partner/release-status").await.expect(200);
    assert!(items(&answer).is_empty(), "{answer:#}");
}

/// The candidate that the release service makes of an advanced tree, once it has heard of it.
async fn candidate_of(system: &System, plant: &str) -> String {
    let rights: Client = system.sign_in("rights").await;
    for _ in 0..100 {
        let candidates = rights.get("/api/release/v1/candidates").await.expect(200);
        if let Some(found) = items(&candidates).iter().find(|c| c["germplasm_id"] == plant) {
            return id(found);
        }
        tokio::time::sleep(std::time::Duration::from_millis(200)).await;
    }
    panic!("the release service never heard of {plant}");
}

#[tokio::test(flavor = "multi_thread")]
async fn every_fault_is_told_with_its_place_and_nothing_is_written() {
    let system = System::start().await;
    let folder = copy();
    let path = folder.path();
    // One of each kind: word, number, day, reference, unknown column, rule of the domain.
    spoil(path, "varieties.csv", "Larkmoss,Prunus armeniaca,variety", "Larkmoss,Prunus armeniaca,cultivar");
    spoil(path, "mothers.csv", ",60,", ",sixty,");
    spoil(path, "bloom.csv", "2020-", "2020/");
    spoil(path, "crosses.csv", "Dunmere", "Dunmeer");
    spoil(path, "sites.csv", ",US,", ",USA,");
    spoil(path, "seed.csv", "cross,on,step", "cross,on,step,colour");
    spoil(path, "records.csv", ",brix,", ",sweetness,");
    let passes = std::fs::read_to_string(path.join("passes.csv")).expect("passes");
    let row = passes.lines().position(|line| line.starts_with("A1,2,")).expect("a second pass of A1");
    let mut lines: Vec<String> = passes.lines().map(str::to_owned).collect();
    let mut cells: Vec<&str> = lines[row].split(',').collect();
    // More flowers pollinated than were emasculated, which only the service can tell.
    cells[6] = "9000";
    lines[row] = cells.join(",");
    std::fs::write(path.join("passes.csv"), lines.join("\n")).expect("passes");

    let report = import(&system, path, false).await;
    assert!(!report.written);
    let told = told(&report);
    let expect = |file: &str, row: usize, column: &str| {
        let start = format!("{file} row {row}, column {column}: ");
        assert!(told.iter().any(|fault| fault.starts_with(&start)), "{start} is not among {told:#?}");
    };
    expect("varieties.csv", 13, "kind");
    expect("mothers.csv", 2, "container_l");
    expect("bloom.csv", 2, "on");
    expect("crosses.csv", 4, "pollen_parent");
    expect("sites.csv", 2, "country");
    expect("seed.csv", 1, "colour");
    expect("records.csv", 2, "trait");
    expect("passes.csv", row + 1, "flowers_pollinated_n");
    assert_eq!(rows_of_crossing(&system).await, 0);
    let trials = system.sign_in("trials").await;
    assert!(items(&trials.get("/api/evaluation/v1/trials").await.expect(200)).is_empty());
    let pool = system.pool(ServiceName::Crossing).await;
    let outbox: i64 = sqlx::query_scalar("select count(*) from outbox").fetch_one(&pool).await.expect("outbox");
    assert_eq!(outbox, 0, "something was announced of what was not written");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_changed_row_is_a_conflict_and_a_workbook_reads_like_text() {
    let system = System::start().await;
    let folder = copy();
    // Crosses alone are enough here.
    for file in ["trials.csv", "records.csv"] {
        std::fs::remove_file(folder.path().join(file)).expect("the file is there");
    }
    let first = import(&system, folder.path(), false).await;
    assert!(first.written, "{:#?}", told(&first));

    // The same pollen lots from a workbook are the same rows.
    let text = folder.path().join("pollen_lots.csv");
    write_workbook(&text, &folder.path().join("pollen_lots.xlsx"));
    std::fs::remove_file(&text).expect("the file is there");
    let again = import(&system, folder.path(), false).await;
    assert!(again.faults.is_empty(), "{:#?}", told(&again));
    assert_eq!(written(&again), 0, "{:?}", again.loaded);

    spoil(folder.path(), "crosses.csv", "white nectarine", "white peach");
    let changed = import(&system, folder.path(), false).await;
    let told = told(&changed);
    assert!(!changed.written);
    assert_eq!(told.len(), 1, "{told:#?}");
    assert!(told[0].starts_with("crosses.csv row 3, column cross: "), "{told:#?}");
}

/// Writes a CSV file as a workbook: numbers as numbers, days as day cells.
fn write_workbook(from: &Path, to: &Path) {
    let mut book = rust_xlsxwriter::Workbook::new();
    let sheet = book.add_worksheet();
    let days = rust_xlsxwriter::Format::new().set_num_format("yyyy-mm-dd");
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_path(from).expect("a table");
    for (row, record) in (0u32..).zip(reader.records()) {
        for (column, cell) in (0u16..).zip(record.expect("a row").iter()) {
            let written = if let Ok(number) = cell.parse::<f64>() {
                sheet.write_number(row, column, number)
            } else if let Ok(day) = rust_xlsxwriter::ExcelDateTime::parse_from_str(cell) {
                sheet.write_datetime_with_format(row, column, &day, &days)
            } else {
                sheet.write_string(row, column, cell)
            };
            written.expect("a cell is written");
        }
    }
    book.save(to).expect("the workbook is saved");
}
