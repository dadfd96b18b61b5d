//! One cross followed from flower to nursery: each step as the role whose work it is, over REST,
//! and read back over gRPC; then the same life as another tenant and another nursery see it, which
//! is not at all.

use end_to_end::{Client, System};
use platform::database::Scope;
use platform::peers::ServiceName;
use serde_json::{Value, json};
use std::time::Duration;

const CROSSING: &str = "/api/crossing/v1";
const EVALUATION: &str = "/api/evaluation/v1";
const RELEASE: &str = "/api/release/v1";

fn text(value: &Value, field: &str) -> String {
    value[field]
        .as_str()
        .unwrap_or_else(|| panic!("{field} is missing in {value:#}"))
        .to_owned()
}

async fn variety(breeder: &Client, name: &str, loci: Value, s_alleles: &[&str]) -> String {
    let body = json!({
        "name": name, "species": "Prunus persica", "kind": "variety",
        "s_alleles": s_alleles, "loci": loci, "traits": {"brix": 13.5, "ripening": "early July"},
        "passport": {"origin_country": "USA", "biological_status": "500"},
    });
    text(
        &breeder
            .post(&format!("{CROSSING}/germplasm"), &body)
            .await
            .expect(201),
        "id",
    )
}

/// What one life leaves behind for the tests that look at it afterwards.
struct Life {
    system: System,
    candidate: String,
    denomination: String,
    seedlings: Vec<String>,
    cross: String,
}

async fn live() -> Life {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let field = system.sign_in("field").await;
    let trials = system.sign_in("trials").await;
    let rights = system.sign_in("rights").await;
    let admin = system.sign_in("admin").await;

    // 1. Varieties with pedigree; the pedigree with inbreeding.
    let grandmother = variety(&breeder, "Tolva", json!({"G": "Gg"}), &[]).await;
    let body = json!({
        "name": "Merle Late", "species": "Prunus persica", "kind": "selection",
        "seed_parent_id": grandmother, "pollen_parent_id": grandmother, "loci": {"G": "Gg"},
    });
    let mother_variety = text(
        &breeder
            .post(&format!("{CROSSING}/germplasm"), &body)
            .await
            .expect(201),
        "id",
    );
    let pollen_variety = variety(&breeder, "Osk", json!({"G": "gg"}), &[]).await;
    let check = variety(&breeder, "Standard One", json!({}), &[]).await;
    let tree = breeder
        .get(&format!(
            "{CROSSING}/germplasm/{mother_variety}/pedigree?generations=3"
        ))
        .await
        .expect(200);
    assert_eq!(
        tree["inbreeding"], 0.5,
        "a selfed plant of a non-inbred parent: {tree:#}"
    );

    // 2. A season and a cross with advice.
    let season = json!({"year": 2025, "site": "Home house", "time_zone": "America/Los_Angeles", "opens_on": "2025-01-20", "closes_on": "2025-03-31"});
    breeder
        .post(&format!("{CROSSING}/seasons"), &season)
        .await
        .expect(201);
    let plan = json!({
        "season": "2025", "seed_parent_id": mother_variety, "pollen_parent_id": pollen_variety,
        "objective": "nectarines a week earlier", "fruit_wanted_n": 60,
    });
    let cross = breeder
        .post(&format!("{CROSSING}/crosses"), &plan)
        .await
        .expect(201);
    let advice = &cross["advice"];
    assert_eq!(advice["compatibility"]["verdict"], "full", "{advice:#}");
    assert_eq!(advice["kinship"], 0.0);
    let cross = text(&cross, "id");

    // 3. Pollen gathered at the balloon stage, dried overnight, put in the freezer.
    let lot = json!({"germplasm_id": pollen_variety, "gathered_on": "2025-02-10", "flowers_n": 150, "stage_bbch": 59});
    let lot = text(
        &field
            .post(&format!("{CROSSING}/pollen-lots"), &lot)
            .await
            .expect(201),
        "id",
    );
    let event = |kind: &str, on: &str, place: &str| json!({"kind": kind, "on": on, "place": place});
    let events = format!("{CROSSING}/pollen-lots/{lot}/events");
    field
        .post(&events, &event("dried", "2025-02-11", "vial"))
        .await
        .expect(201);

    // 4. A mother in a container, worked on two passes; strays stripped; covers.
    let mother = json!({"germplasm_id": mother_variety, "house": "House 2", "row": 1, "position": 4, "container_l": 40, "on": "2025-01-20"});
    let mother = text(
        &field
            .post(&format!("{CROSSING}/mothers"), &mother)
            .await
            .expect(201),
        "id",
    );
    let mother_events = format!("{CROSSING}/mothers/{mother}/events");
    field
        .post(
            &mother_events,
            &json!({"kind": "covered", "on": "2025-02-08"}),
        )
        .await
        .expect(201);
    let passes = format!("{CROSSING}/crosses/{cross}/passes");
    // Pollen that was not dry yet on the day it was gathered is refused or warned of, never silent.
    let pass = |on: &str, emasculated: u32, pollinated: u32, strays: u32| {
        json!({
            "on": on, "pollen_lot_id": lot, "mother_id": mother, "by": "Tomas Brekke",
            "flowers_emasculated_n": emasculated, "flowers_pollinated_n": pollinated,
            "stray_open_flowers_n": strays,
        })
    };
    let clean = field
        .post(&passes, &pass("2025-02-12", 120, 110, 0))
        .await
        .expect(201);
    assert!(
        clean["warnings"].as_array().unwrap().is_empty(),
        "{clean:#}"
    );
    let mut stray = pass("2025-02-15", 90, 80, 12);
    stray["stray_stripped_n"] = json!(0);
    let warned = field.post(&passes, &stray).await.expect(201);
    assert!(
        !warned["warnings"].as_array().unwrap().is_empty(),
        "strays left on a mother: {warned:#}"
    );
    field
        .post(
            &mother_events,
            &json!({"kind": "stripped", "on": "2025-02-22", "flowers_n": 15}),
        )
        .await
        .expect(201);
    field
        .post(
            &mother_events,
            &json!({"kind": "uncovered", "on": "2025-02-25"}),
        )
        .await
        .expect(201);
    let grown = field
        .post(
            &format!("{CROSSING}/crosses/{cross}/fruit"),
            &json!({"on": "2025-06-20", "harvested_n": 400}),
        )
        .await;
    assert_eq!(
        grown.pointers(422),
        ["/harvested_n"],
        "more fruit than flowers"
    );

    // 5. Fruit, seed, seedlings, labels.
    field
        .post(
            &format!("{CROSSING}/crosses/{cross}/fruit"),
            &json!({"on": "2025-03-20", "set_n": 70}),
        )
        .await
        .expect(201);
    field
        .post(
            &format!("{CROSSING}/crosses/{cross}/fruit"),
            &json!({"on": "2025-06-20", "harvested_n": 62, "stones_n": 62}),
        )
        .await
        .expect(201);
    let seed = |step: &str, on: &str, n: u32| json!({"step": step, "on": on, "seed_n": n});
    let seeds = format!("{CROSSING}/crosses/{cross}/seed");
    field
        .post(&seeds, &seed("extracted", "2025-07-01", 60))
        .await
        .expect(201);
    field
        .post(&seeds, &seed("stratified", "2025-07-15", 60))
        .await
        .expect(201);
    field
        .post(&seeds, &seed("germinated", "2025-10-20", 50))
        .await
        .expect(201);
    let planting = json!({"planted_n": 48, "block": "N1", "first_row": 1, "plants_per_row": 24, "on": "2025-11-10", "site": "North field"});
    let planting = field
        .post(&format!("{CROSSING}/crosses/{cross}/seedlings"), &planting)
        .await
        .expect(201);
    assert_eq!(planting["planted_n"], 48);
    assert_eq!(planting["rows"].as_array().unwrap().len(), 2);
    let list = field
        .get(&format!("{CROSSING}/seedlings?cross_id={cross}&limit=500"))
        .await
        .expect(200);
    let seedlings: Vec<String> = list["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| text(s, "id"))
        .collect();
    assert_eq!(seedlings.len(), 48);
    assert!(
        list["items"][0]["outcross_doubt"].as_f64().unwrap() > 0.0,
        "the stray flowers stay on the seedlings"
    );
    let labels = field
        .post(&format!("{CROSSING}/labels"), &json!({"cross_id": cross}))
        .await;
    assert_eq!(labels.headers["content-type"], "application/pdf");
    assert!(labels.bytes.starts_with(b"%PDF-"));

    // 6. A trial at two sites, records, means, the advance list.
    trials
        .post(&format!("{EVALUATION}/traits:standard"), &json!({}))
        .await
        .expect(200);
    let mut sites = Vec::new();
    for (name, country) in [("North field", "US"), ("Valley block", "CL")] {
        let site =
            json!({"name": name, "country": country, "time_zone": "UTC", "latitude_deg": 37.0});
        sites.push(text(
            &trials
                .post(&format!("{EVALUATION}/sites"), &site)
                .await
                .expect(201),
            "id",
        ));
    }
    let entries: Vec<&String> = seedlings.iter().take(10).collect();
    let trial = json!({
        "name": "First look", "stage": "own_root", "season": 2025, "site_ids": sites,
        "entry_ids": entries, "check_ids": [check], "planted_on": "2025-11-12",
    });
    let trial = text(
        &trials
            .post(&format!("{EVALUATION}/trials"), &trial)
            .await
            .expect(201),
        "id",
    );
    let layout = json!({"design": "rcbd", "replicates": 3, "seed": 7});
    let layout = trials
        .post(&format!("{EVALUATION}/trials/{trial}/layout"), &layout)
        .await
        .expect(201);
    let trees = layout["trees"].as_array().unwrap();
    assert_eq!(
        trees.len(),
        2 * 3 * 11,
        "two sites, three replicates, ten entries and a check"
    );
    let rows: Vec<Value> = trees
        .iter()
        .enumerate()
        .map(|(i, tree)| {
            let entry = entries.iter().position(|e| tree["germplasm_id"] == **e).unwrap_or(3);
            json!({
                "id": format!("01890a5d-ac96-774b-8000-{i:012}"), "tree_id": tree["tree_id"], "trait": "brix",
                "value": 10.0 + entry as f64 * 0.5 + (i % 3) as f64 * 0.1, "observed_at": "2026-07-01T10:00:00Z", "by": "Wren",
            })
        })
        .collect();
    let batch = trials
        .post(&format!("{EVALUATION}/records:batch"), &json!(rows))
        .await
        .expect(200);
    assert_eq!(
        (batch["accepted"].as_u64(), batch["duplicates"].as_u64()),
        (Some(66), Some(0)),
        "{batch:#}"
    );
    let again = trials
        .post(&format!("{EVALUATION}/records:batch"), &json!(rows))
        .await
        .expect(200);
    assert_eq!(
        (again["accepted"].as_u64(), again["duplicates"].as_u64()),
        (Some(0), Some(66)),
        "{again:#}"
    );
    let means = trials
        .get(&format!("{EVALUATION}/trials/{trial}/means?trait=brix"))
        .await
        .expect(200);
    let best = means["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|m| m["rank"] == 1)
        .unwrap();
    assert_eq!(
        best["germplasm_id"], *entries[9],
        "the sweetest entry ranks first: {means:#}"
    );
    let suggestions = breeder
        .post(
            &format!("{EVALUATION}/trials/{trial}/advance-list"),
            &json!({"keep_n": 2, "weights": {"brix": 1.0}}),
        )
        .await
        .expect(200);
    let advanced: Vec<&Value> = suggestions["items"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|s| s["suggestion"] == "advance")
        .collect();
    assert_eq!(advanced.len(), 2, "{suggestions:#}");
    let decisions: Vec<Value> = advanced
        .iter()
        .map(|s| json!({"germplasm_id": s["germplasm_id"], "decision": "advance", "reason": "sweetest of its family"}))
        .collect();
    let decided = json!({"decisions": decisions, "to_stage": "budded", "on": "2026-08-01"});
    let refused = trials
        .post(&format!("{EVALUATION}/trials/{trial}/decisions"), &decided)
        .await;
    refused.expect(403);
    breeder
        .post(&format!("{EVALUATION}/trials/{trial}/decisions"), &decided)
        .await
        .expect(201);

    // 7. The release pipeline hears of it; stages, disclosure, filing, grant.
    let chosen = text(advanced[0], "germplasm_id");
    let candidate = await_candidate(&rights, &chosen).await;
    assert_eq!(candidate["stage"], "budded");
    let candidate = text(&candidate, "id");
    let path = format!("{RELEASE}/candidates/{candidate}");
    let stages = format!("{path}/stages");
    let skip = json!({"stage": "released", "on": "2026-08-10", "reason": "too soon"});
    breeder.post(&stages, &skip).await.expect(409);
    for (stage, on) in [("multi_site", "2026-08-05"), ("pre_release", "2026-08-20")] {
        let step = json!({"stage": stage, "on": on, "reason": "holds up at every site"});
        breeder.post(&stages, &step).await.expect(201);
    }
    let disclosure = json!({"kind": "first_sale", "on": "2026-03-02", "country": "US", "detail": "trial lot of fruit sold"});
    let disclosed = rights
        .post(&format!("{path}/disclosures"), &disclosure)
        .await
        .expect(201);
    assert!(
        !disclosed["clocks"].as_array().unwrap().is_empty(),
        "a sale starts clocks: {disclosed:#}"
    );
    assert!(text(&disclosed, "caution").contains("legal advice"));
    let filing = json!({"jurisdiction": "US", "kind": "plant_patent", "on": "2026-04-01", "application_number": "99/000,001"});
    let filing = text(
        &rights
            .post(&format!("{path}/filings"), &filing)
            .await
            .expect(201),
        "id",
    );
    let early = json!({"on": "2026-03-31", "grant_number": "PP00001"});
    assert_eq!(
        rights
            .post(&format!("{RELEASE}/filings/{filing}/grants"), &early)
            .await
            .pointers(422),
        ["/on"]
    );
    let grant = json!({"on": "2026-10-06", "grant_number": "PP00001"});
    rights
        .post(&format!("{RELEASE}/filings/{filing}/grants"), &grant)
        .await
        .expect(201);
    let standing = rights.get(&format!("{path}/rights")).await.expect(200);
    let patent = standing["routes"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["kind"] == "plant_patent")
        .unwrap();
    assert_eq!(
        patent["expiry_on"], "2046-04-01",
        "20 years from filing, 35 USC 154(a)(2): {patent:#}"
    );
    let denomination = json!({"name": "Aldenhow", "on": "2026-09-01"});
    let denomination = rights
        .post(&format!("{path}/denominations"), &denomination)
        .await
        .expect(201);
    let denomination_id = text(&denomination, "id");
    for state in ["checked", "published"] {
        let step = json!({"state": state, "on": "2026-09-15"});
        rights
            .post(
                &format!("{RELEASE}/denominations/{denomination_id}/states"),
                &step,
            )
            .await
            .expect(201);
    }
    breeder
        .post(
            &stages,
            &json!({"stage": "released", "on": "2026-10-20", "reason": "granted and true to type"}),
        )
        .await
        .expect(201);

    // 8. A licence for nursery A in its territory.
    let organisations = admin
        .get("/api/identity/v1/organisations")
        .await
        .expect(200);
    let nursery_a = organisations["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|o| o["name"] == "Nursery A")
        .unwrap();
    let licence = json!({
        "candidate_id": candidate, "licensee_id": nursery_a["id"], "territory": ["US"], "purpose": "propagation",
        "exclusive": true, "starts_on": "2026-10-21", "propagate_max_n": 5000,
        "royalty": {"per": "tree", "amount": "1.85", "currency": "USD"},
    });
    rights
        .post(&format!("{RELEASE}/licences"), &licence)
        .await
        .expect(201);
    let nursery_b = organisations["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|o| o["name"] == "Nursery B")
        .unwrap();
    let mut overlapping = licence.clone();
    overlapping["licensee_id"] = nursery_b["id"].clone();
    rights
        .post(&format!("{RELEASE}/licences"), &overlapping)
        .await
        .expect(409);
    Life {
        system,
        candidate,
        denomination: "Aldenhow".into(),
        seedlings,
        cross,
    }
}

/// The candidate of a plant, once the announcement has reached the release service.
async fn await_candidate(client: &Client, germplasm: &str) -> Value {
    for _ in 0..200 {
        let list = client
            .get(&format!("{RELEASE}/candidates"))
            .await
            .expect(200);
        if let Some(found) = list["items"]
            .as_array()
            .unwrap()
            .iter()
            .find(|c| c["germplasm_id"] == germplasm)
        {
            return found.clone();
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    panic!("the candidate of {germplasm} never came");
}

#[tokio::test]
async fn one_cross_is_followed_from_flower_to_nursery() {
    let life = live().await;
    let system = &life.system;

    // 8. The licensed nursery sees exactly its licence; the other nursery sees nothing of it.
    let nursery_a = system.sign_in("partner_a").await;
    let path = format!(
        "{RELEASE}/partner/release-status?denomination={}&territory=US",
        life.denomination
    );
    let status = nursery_a.get(&path).await.expect(200);
    let item = &status["items"][0];
    assert_eq!(item["may_propagate"], true, "{status:#}");
    assert_eq!(item["propagate_max_n"], 5000);
    assert!(text(&status, "caution").contains("legal advice"));
    let elsewhere = nursery_a.get(&path.replace("US", "FR")).await.expect(200);
    assert!(
        elsewhere["items"]
            .as_array()
            .unwrap()
            .iter()
            .all(|i| i["may_propagate"] == false),
        "no licence reaches there: {elsewhere:#}"
    );
    let nursery_b = system.sign_in("partner_b").await;
    let of_the_other = nursery_b.get(&path).await.expect(200);
    let of_nothing = nursery_b
        .get(&path.replace("Aldenhow", "Neverwas"))
        .await
        .expect(200);
    assert_eq!(of_the_other["items"], json!([]));
    assert_eq!(
        of_the_other, of_nothing,
        "what is not theirs reads like what does not exist"
    );
    nursery_b
        .get(&format!("{RELEASE}/candidates/{}", life.candidate))
        .await
        .expect(403);

    // The same over gRPC.
    let request = ::contract::release::GetReleaseStatusRequest {
        denomination: life.denomination.clone(),
        ..Default::default()
    };
    let by_grpc = nursery_a
        .release()
        .get_release_status(request.clone())
        .await
        .unwrap()
        .into_inner();
    assert_eq!(by_grpc.items.len(), 1);
    assert!(by_grpc.items[0].may_propagate);
    assert!(
        nursery_b
            .release()
            .get_release_status(request)
            .await
            .unwrap()
            .into_inner()
            .items
            .is_empty()
    );
    let cross = system
        .sign_in("field")
        .await
        .crossing()
        .get_cross(::contract::crossing::GetCrossRequest {
            cross_id: life.cross.clone(),
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(cross.counts.unwrap().seedlings_n, 48);
    assert!(
        !cross.warnings.is_empty(),
        "the warning of the second pass stays on the cross"
    );

    // 9. The manager's counts.
    let manager = system.sign_in("manager").await;
    let pipeline = manager
        .get(&format!("{RELEASE}/pipeline"))
        .await
        .expect(200);
    let released = pipeline["totals"]
        .as_array()
        .unwrap()
        .iter()
        .find(|s| s["stage"] == "released")
        .unwrap();
    assert_eq!(released["candidates_n"], 1, "{pipeline:#}");

    assert_eq!(life.seedlings.len(), 48);
    sees_nothing_from_outside(system).await;
}

/// Every table of every service, read with plain SQL as the service's own role: without a scope,
/// and in the scope of another programme, there is not a row of this programme's. Partitions are
/// reached through their table alone, so that no policy can be walked around.
async fn sees_nothing_from_outside(system: &System) {
    let mut filled = 0;
    for service in drupeline::assembly::WITH_TABLES {
        let pool = system.pool(service).await;
        let tables: Vec<String> = sqlx::query_scalar(
            "select c.relname::text from pg_class c join pg_namespace n on n.oid = c.relnamespace \
             join pg_attribute a on a.attrelid = c.oid and a.attname = 'programme_id' \
             where n.nspname = $1 and c.relkind in ('r', 'p') and not c.relispartition order by 1",
        )
        .bind(service.schema())
        .fetch_all(&pool)
        .await
        .unwrap();
        assert!(!tables.is_empty());
        let partitions_open: i64 = sqlx::query_scalar(
            "select count(*) from pg_class c join pg_namespace n on n.oid = c.relnamespace \
             where n.nspname = $1 and c.relispartition and c.relkind in ('r', 'p') \
               and has_table_privilege(c.oid, 'select') and not c.relrowsecurity",
        )
        .bind(service.schema())
        .fetch_one(&pool)
        .await
        .unwrap();
        assert_eq!(
            partitions_open, 0,
            "{service} has partitions that can be read without a policy"
        );
        let own = programme_of(system, "admin").await;
        let stranger = programme_of(&system.other_programme().await, "admin").await;
        for table in tables {
            let count = async |scope: Scope| -> i64 {
                let mut transaction = pool.begin().await.unwrap();
                scope.apply(&mut transaction).await.unwrap();
                let statement = format!("select count(*) from {table} where programme_id = $1");
                sqlx::query_scalar(sqlx::AssertSqlSafe(statement))
                    .bind(own)
                    .fetch_one(&mut *transaction)
                    .await
                    .unwrap_or_else(|error| panic!("{service}.{table}: {error}"))
            };
            assert_eq!(
                count(Scope::default()).await,
                0,
                "{service}.{table} without a scope"
            );
            let scope = Scope {
                programme: Some(stranger),
                ..Scope::default()
            };
            assert_eq!(
                count(scope).await,
                0,
                "{service}.{table} for another programme"
            );
            let scope = Scope {
                programme: Some(own),
                ..Scope::default()
            };
            filled += i64::from(count(scope).await > 0);
        }
    }
    println!("{filled} tables with rows of one programme, none of them open to another");
    assert!(filled > 20, "only {filled} tables had rows to hide");
}

async fn programme_of(system: &System, role: &str) -> platform::ProgrammeId {
    let me = system
        .sign_in(role)
        .await
        .get("/api/identity/v1/me")
        .await
        .expect(200);
    text(&me, "programme_id").parse().unwrap()
}

/// A partner's scope in the database itself: with it set, the release service's own role reads only
/// what that partner's licences reach.
#[tokio::test]
async fn a_partner_is_held_in_the_database_too() {
    let life = live().await;
    let system = &life.system;
    let pool = system.pool(ServiceName::Release).await;
    let programme = programme_of(system, "admin").await;
    let organisation = async |role: &str| -> platform::OrganisationId {
        let me = system
            .sign_in(role)
            .await
            .get("/api/identity/v1/me")
            .await
            .expect(200);
        text(&me, "organisation_id").parse().unwrap()
    };
    let count = async |table: &'static str, partner| -> i64 {
        let mut transaction = pool.begin().await.unwrap();
        Scope {
            programme: Some(programme),
            partner: Some(partner),
            across_programmes: false,
        }
        .apply(&mut transaction)
        .await
        .unwrap();
        sqlx::query_scalar(sqlx::AssertSqlSafe(format!("select count(*) from {table}")))
            .fetch_one(&mut *transaction)
            .await
            .unwrap()
    };
    let (a, b) = (
        organisation("partner_a").await,
        organisation("partner_b").await,
    );
    assert_eq!(count("licence", a).await, 1);
    assert_eq!(count("licence", b).await, 0);
    assert_eq!(
        count("candidate", a).await,
        1,
        "of two candidates only the licensed one"
    );
    assert_eq!(count("candidate", b).await, 0);
    assert_eq!(count("audit", a).await, 0, "the audit trail is for staff");
}
