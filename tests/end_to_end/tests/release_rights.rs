//! Gates, material, a whole life, the laws for review, worked cases and bad input.

use std::collections::BTreeMap;
use std::str::FromStr as _;

use contract::release::ListJurisdictionsRequest;
use end_to_end::{Client, System};
use jiff::civil::Date;
use rights::Question;
use rights::question::Day;
use serde_json::{Value, json};

use crate::pages::Browser;
use crate::release::{at, candidate, denominate, id, organisation};

fn words(value: &Value) -> Vec<&str> {
    value
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_str().unwrap())
        .collect()
}

#[tokio::test]
async fn a_gate_asks_for_evidence_and_says_who_may_decide() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let rights = system.sign_in("rights").await;
    let manager = system.sign_in("manager").await;
    let gates = manager.get(&at("/stage-gates")).await.expect(200);
    let stages: Vec<_> = gates["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|g| g["stage"].as_str().unwrap())
        .collect();
    assert_eq!(stages, ["budded", "multi_site", "pre_release", "released"]);
    assert_eq!(gates["items"][3]["needs"], json!(["denomination"]));

    let gate = at("/stage-gates/multi_site");
    let strict = json!({"needs": ["evidence"], "deciders": ["breeder"]});
    rights.put(&gate, &strict, 1).await.expect(403);
    let set = breeder.put(&gate, &strict, 1).await.expect(200);
    assert_eq!(
        (&set["version"], &set["needs"]),
        (&json!(2), &json!(["evidence"]))
    );
    breeder.put(&gate, &strict, 1).await.expect(412);
    assert_eq!(
        breeder
            .put(&gate, &json!({"needs": ["luck"], "deciders": ["field"]}), 2)
            .await
            .pointers(422),
        ["/needs/0", "/deciders/0"]
    );
    assert_eq!(
        breeder
            .put(&at("/stage-gates/withdrawn"), &strict, 1)
            .await
            .pointers(422),
        ["/stage"]
    );
    let ready = json!({"needs": ["evidence", "virus_test", "true_to_type", "filing"]});
    breeder
        .put(&at("/stage-gates/pre_release"), &ready, 1)
        .await
        .expect(200);

    let path = at(&format!("/candidates/{}", candidate(&system, "P-1").await));
    let stages = format!("{path}/stages");
    let to = |stage: &str, on: &str, evidence: &str| json!({"stage": stage, "on": on, "reason": "good", "evidence": evidence});
    breeder
        .post(&stages, &to("budded", "2018-02-01", ""))
        .await
        .expect(201);
    let seen = breeder.get(&path).await.expect(200);
    assert_eq!(seen["next_gate"]["stage"], "multi_site");
    assert_eq!(
        seen["next_gate"]["missing"],
        json!([]),
        "evidence comes with the move"
    );
    let bare = to("multi_site", "2020-02-01", "");
    assert_eq!(
        breeder.post(&stages, &bare).await.pointers(422),
        ["/evidence"]
    );
    let named = to("multi_site", "2020-02-01", "trial of the budded block");
    rights.post(&stages, &named).await.expect(403);
    let moved = breeder.post(&stages, &named).await.expect(201);
    assert_eq!(moved["evidence"], "trial of the budded block");

    let on = to("pre_release", "2024-02-01", "two sites");
    let refused = breeder.post(&stages, &on).await.expect(409);
    let told = refused["detail"].as_str().unwrap();
    assert!(
        told.contains("virus test (") && told.contains("filing ("),
        "{told}"
    );
    let seen = breeder.get(&path).await.expect(200);
    assert_eq!(
        words(&seen["next_gate"]["missing"]),
        ["virus_test", "true_to_type", "filing"]
    );
    let health = json!({"virus_status": "free", "true_to_type": "confirmed"});
    breeder
        .put(&path, &health, seen["version"].as_i64().unwrap())
        .await
        .expect(200);
    let filing = json!({"jurisdiction": "CA", "on": "2024-01-10", "application_number": "24-1"});
    rights
        .post(&format!("{path}/filings"), &filing)
        .await
        .expect(201);
    breeder.post(&stages, &on).await.expect(201);

    // A decision taken back stays on record with its reason, and needs no gate.
    let back = rights
        .post(&stages, &to("multi_site", "2024-03-01", ""))
        .await
        .expect(201);
    assert_eq!(back["reversal"], true);
    let history = breeder.get(&path).await.expect(200)["history"].clone();
    let kept: Vec<_> = history
        .as_array()
        .unwrap()
        .iter()
        .map(|m| (m["stage"].as_str().unwrap(), m["by"] != ""))
        .collect();
    assert_eq!(
        kept,
        [
            ("own_root", true),
            ("budded", true),
            ("multi_site", true),
            ("pre_release", true),
            ("multi_site", true)
        ]
    );
    // Another programme has gates of its own.
    let other = system.other_programme().await;
    let theirs = other
        .sign_in("breeder")
        .await
        .get(&at("/stage-gates"))
        .await
        .expect(200);
    assert_eq!(theirs["items"][1]["needs"], json!([]));
}

#[tokio::test]
async fn trees_and_budwood_are_counted_at_each_place() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let own = candidate(&system, "P-1").await;
    let path = at(&format!("/candidates/{own}/material"));
    let count = |place: &str, what: &str, n: u32, on: &str| json!({"place": place, "country": "US", "what": what, "n": n, "on": on});
    breeder
        .post(&path, &count("Block 4", "trees", 40, "2024-09-01"))
        .await
        .expect(201);
    breeder
        .post(&path, &count("Block 4", "budwood", 600, "2025-02-01"))
        .await
        .expect(201);
    breeder
        .post(&path, &count("Nursery row 2", "trees", 12, "2025-03-01"))
        .await
        .expect(201);
    breeder
        .post(&path, &count("Block 4", "trees", 37, "2025-09-01"))
        .await
        .expect(201);
    let seen = breeder
        .get(&at(&format!("/candidates/{own}")))
        .await
        .expect(200);
    let counts: Vec<_> = seen["material"]
        .as_array()
        .unwrap()
        .iter()
        .map(|m| {
            (
                m["place"].as_str().unwrap(),
                m["what"].as_str().unwrap(),
                m["n"].as_u64().unwrap(),
            )
        })
        .collect();
    assert_eq!(
        counts,
        [
            ("Block 4", "budwood", 600),
            ("Block 4", "trees", 37),
            ("Nursery row 2", "trees", 12)
        ]
    );
    assert_eq!(
        breeder
            .post(
                &path,
                &json!({"country": "XX", "what": "fruit", "on": "2199-01-01"})
            )
            .await
            .pointers(422),
        ["/place", "/country", "/what", "/on"]
    );
    assert_eq!(
        breeder
            .post(
                &path,
                &json!({"place": "A", "what": "trees", "on": "2025-01-01"})
            )
            .await
            .pointers(422),
        ["/country"]
    );
    let other = system.other_programme().await;
    let theirs = other.sign_in("breeder").await;
    theirs
        .post(&path, &count("Block 4", "trees", 1, "2025-01-01"))
        .await
        .expect(404);
    system
        .sign_in("manager")
        .await
        .post(&path, &count("B", "trees", 1, "2025-01-01"))
        .await
        .expect(403);
}

#[tokio::test]
async fn a_candidates_whole_life_is_told_from_cross_to_expiry() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let rights = system.sign_in("rights").await;
    let mut parent = String::new();
    for (name, kind) in [
        ("Grandmother", "variety"),
        ("Mother", "selection"),
        ("Own", "selection"),
    ] {
        let body = json!({"name": name, "species": "Prunus persica", "kind": kind, "seed_parent_id": parent});
        parent = id(&breeder
            .post("/api/crossing/v1/germplasm", &body)
            .await
            .expect(201));
    }
    let body = json!({"germplasm_id": parent, "code": "L-1", "stage": "budded", "since": "1996-09-01", "crossing_year": 1990});
    let own = id(&breeder.post(&at("/candidates"), &body).await.expect(201));
    let path = |rest: &str| at(&format!("/candidates/{own}{rest}"));
    for (stage, on) in [("multi_site", "1999-10-01"), ("pre_release", "2003-10-01")] {
        let step = json!({"stage": stage, "on": on, "reason": "good", "evidence": "trial"});
        breeder.post(&path("/stages"), &step).await.expect(201);
    }
    denominate(&rights, &own, "Velenta").await;
    let filing = json!({"jurisdiction": "US", "kind": "plant_patent", "on": "2004-02-29", "application_number": "10/1"});
    let filing = id(&rights.post(&path("/filings"), &filing).await.expect(201));
    let grant = json!({"on": "2005-10-04", "grant_number": "PP90,001"});
    rights
        .post(&at(&format!("/filings/{filing}/grants")), &grant)
        .await
        .expect(201);
    let sold =
        json!({"kind": "first_sale", "on": "2004-06-01", "country": "US", "detail": "trees"});
    rights.post(&path("/disclosures"), &sold).await.expect(201);
    let nursery = organisation(&system, "Nursery A").await;
    let terms = json!({"starts_on": "2006-01-01", "ends_on": "2024-02-29"});
    crate::release::licence(&rights, &own, &nursery, terms).await;
    let events = at(&format!("/filings/{filing}/events"));
    let early = json!({"event": "expiry", "on": "2005-10-03", "evidence": "register"});
    assert_eq!(
        rights.post(&events, &early).await.pointers(422),
        ["/on"],
        "before the grant"
    );
    let assigned =
        json!({"event": "assignment", "on": "2010-05-05", "evidence": "recorded at the office"});
    rights.post(&events, &assigned).await.expect(201);
    let expiry = json!({"event": "expiry", "on": "2024-02-29", "evidence": "register"});
    rights.post(&events, &expiry).await.expect(201);
    let late = json!({"event": "surrender", "on": "2025-01-01", "evidence": "letter"});
    let again = rights.post(&events, &late).await;
    assert!(
        matches!(again.status, 409 | 422),
        "a right ends once: {:#}",
        again.body
    );

    let life = rights.get(&path("")).await.expect(200);
    let line: Vec<_> = life["descent"]
        .as_array()
        .unwrap()
        .iter()
        .map(|d| {
            (
                d["name"].as_str().unwrap(),
                d["generation"].as_u64().unwrap(),
                d["species"].as_str().unwrap(),
            )
        })
        .collect();
    let peach = "Prunus persica";
    assert_eq!(
        line,
        [
            ("Own", 0, peach),
            ("Mother", 1, peach),
            ("Grandmother", 2, peach)
        ]
    );
    let kept = &life["filings"][0];
    assert_eq!(
        (&kept["expiry_on"], &kept["ended_by"]),
        (&json!("2024-02-29"), &json!("expiry"))
    );
    let standing = |rights: Value| {
        let routes = rights["routes"].as_array().unwrap().clone();
        let patent = routes
            .into_iter()
            .find(|r| r["kind"] == "plant_patent")
            .unwrap();
        patent["standing"].as_str().unwrap().to_owned()
    };
    for (as_of, wanted) in [
        ("2004-01-31", "open"),
        ("2004-12-31", "filed"),
        ("2015-01-01", "granted"),
        ("2024-03-01", "ended"),
    ] {
        let told = rights
            .get(&path(&format!("/rights?as_of={as_of}")))
            .await
            .expect(200);
        assert_eq!(standing(told), wanted, "{as_of}");
    }
    let page = Browser::signed_in(&system, "rights")
        .await
        .page(&format!("/candidates/{own}"))
        .await;
    for wanted in [
        "Grandmother",
        "PP90,001",
        "expiry",
        "not legal advice",
        "Nursery A",
        "1990",
    ] {
        assert!(page.contains(wanted), "{wanted} on the page");
    }
}

#[tokio::test]
async fn the_laws_behind_the_dates_can_be_reviewed() {
    let system = System::start().await;
    let manager = system.sign_in("manager").await;
    let list = manager.get(&at("/jurisdictions")).await.expect(200);
    let mut codes: Vec<_> = list["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|j| j["code"].as_str().unwrap())
        .collect();
    codes.sort_unstable();
    assert_eq!(
        codes,
        ["AU", "CA", "CL", "EU", "GB", "JP", "NZ", "UPOV", "US", "ZA"]
    );
    for jurisdiction in list["items"].as_array().unwrap() {
        Date::from_str(jurisdiction["reviewed_on"].as_str().unwrap()).unwrap();
        for right in jurisdiction["rights"].as_array().unwrap() {
            let versions = right["versions"].as_array().unwrap();
            assert!(!versions.is_empty(), "{right:#}");
            for rule in versions.iter().flat_map(|v| v["rules"].as_array().unwrap()) {
                assert!(!rule["law"].as_str().unwrap().is_empty(), "{rule:#}");
                assert!(
                    ["read", "secondary", "memory", "unknown"]
                        .contains(&rule["confidence"].as_str().unwrap())
                );
                assert!(!rule["starts"].as_array().unwrap().is_empty(), "{rule:#}");
                assert!(!rule["binds"].as_str().unwrap().is_empty(), "{rule:#}");
                let unknown = rule["period"] == "unknown";
                assert!(
                    !unknown || rule["confidence"] == "unknown",
                    "a date from nothing: {rule:#}"
                );
            }
        }
    }
    let eu = list["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|j| j["code"] == "EU")
        .unwrap();
    let told = eu.to_string();
    assert!(
        told.contains("30 years, to the end of that calendar year"),
        "{told}"
    );
    let by_grpc = manager
        .release()
        .list_jurisdictions(ListJurisdictionsRequest {})
        .await
        .unwrap()
        .into_inner();
    assert_eq!(by_grpc.items.len(), codes.len());
    let page = Browser::signed_in(&system, "manager")
        .await
        .page("/laws")
        .await;
    for wanted in ["35 USC 154", "2100/94", "from memory", "not legal advice"] {
        assert!(page.contains(wanted), "{wanted} on the page");
    }
}

/// Posts that are wrong, each with the one field that is.
async fn refused(client: &Client, path: &str, rows: &[(Value, &str)]) {
    for (body, pointer) in rows {
        assert_eq!(
            client.post(path, body).await.pointers(422),
            [*pointer],
            "{path} {body}"
        );
    }
}

#[tokio::test]
async fn bad_input_is_told_by_field_and_nothing_is_lost() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let own = candidate(&system, "P-1").await;
    let path = |rest: &str| at(&format!("/candidates/{own}{rest}"));
    let file = |jurisdiction: &str, on: &str| json!({"jurisdiction": jurisdiction, "on": on, "application_number": "1"});
    refused(
        &rights,
        &path("/filings"),
        &[
            (file("AR", "2025-01-01"), "/jurisdiction"),
            (file("Atlantis", "2025-01-01"), "/jurisdiction"),
            (file("CA", "1850-01-01"), "/on"),
            (file("CA", "2199-01-01"), "/on"),
            (file("CA", "2025-02-29"), "/on"),
            (
                json!({"jurisdiction": "CA", "on": "2025-01-01"}),
                "/application_number",
            ),
        ],
    )
    .await;
    let unknown = rights
        .post(&path("/filings"), &file("AR", "2025-01-01"))
        .await
        .expect(422);
    let told = unknown["errors"][0]["message"].as_str().unwrap();
    assert!(
        told.contains("covered") && told.contains("Japan"),
        "what is covered is told: {told}"
    );
    refused(
        &rights,
        &path("/what-if"),
        &[
            (
                json!({"kind": "first_sale", "on": "2027-01-01"}),
                "/country",
            ),
            (
                json!({"kind": "first_sale", "on": "2027-01-01", "country": "QQ"}),
                "/country",
            ),
            (
                json!({"kind": "lent", "on": "2027-01-01", "country": "US"}),
                "/kind",
            ),
            (json!({"kind": "first_sale", "country": "US"}), "/on"),
        ],
    )
    .await;
    for far in ["1850-01-01", "9999-12-31"] {
        let told = rights
            .post(
                &path("/what-if"),
                &json!({"kind": "first_sale", "on": far, "country": "US"}),
            )
            .await;
        assert_eq!(told.pointers(422), ["/on"], "{far}");
        for kind in ["grant", "filing"] {
            let ask = json!({"jurisdiction": "AU", "kind": "pbr", "events": [{"event": kind, "on": far}]});
            assert_eq!(
                rights.post(&at("/rights:clock"), &ask).await.pointers(422),
                ["/events/0/on"],
                "{kind} {far}"
            );
        }
    }
    // Events out of order, within a question and on file.
    for (first, second, at_fault) in [
        (("filing", "2024-05-01"), ("grant", "2024-04-30"), 1),
        (("grant", "2024-05-01"), ("lapse", "2024-04-30"), 1),
    ] {
        let told = |(event, on): (&str, &str)| json!({"event": event, "on": on});
        let ask =
            json!({"jurisdiction": "AU", "kind": "pbr", "events": [told(first), told(second)]});
        let pointers = rights.post(&at("/rights:clock"), &ask).await.pointers(422);
        assert_eq!(pointers, [format!("/events/{at_fault}/on")], "{ask}");
    }
    let filed = id(&rights
        .post(&path("/filings"), &file("CA", "2024-05-01"))
        .await
        .expect(201));
    let grants = at(&format!("/filings/{filed}/grants"));
    let early = json!({"on": "2024-04-30", "grant_number": "1"});
    assert_eq!(rights.post(&grants, &early).await.pointers(422), ["/on"]);
    let granted = json!({"on": "2024-05-01", "grant_number": "1"});
    rights.post(&grants, &granted).await.expect(201);
    let events = at(&format!("/filings/{filed}/events"));
    let before = json!({"event": "lapse", "on": "2024-04-01", "evidence": "letter"});
    assert_eq!(rights.post(&events, &before).await.pointers(422), ["/on"]);
    rights.get(&at("/due-dates?as_of=soon")).await.expect(422);
    rights
        .get(&path("/rights?as_of=2025-13-01"))
        .await
        .expect(422);
    let kept = rights.get(&path("")).await.expect(200);
    assert_eq!(kept["filings"].as_array().unwrap().len(), 1);
    assert_eq!(
        kept["filings"][0]["events"],
        json!([]),
        "nothing half written"
    );
    assert_eq!(kept["disclosures"], json!([]), "what-if stores nothing");
}

#[tokio::test]
async fn each_person_gets_the_dates_they_answer_for() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let breeder = system.sign_in("breeder").await;
    let me = |client: &Client| {
        let client = client.clone();
        async move {
            client.get("/api/identity/v1/me").await.expect(200)["id"]
                .as_str()
                .unwrap()
                .to_owned()
        }
    };
    let (keeper, maker) = (me(&rights).await, me(&breeder).await);
    let mut codes = BTreeMap::new();
    for (code, person) in [("P-1", &maker), ("P-2", &keeper)] {
        let own = candidate(&system, code).await;
        let path = at(&format!("/candidates/{own}"));
        let version = rights.get(&path).await.expect(200)["version"]
            .as_i64()
            .unwrap();
        rights
            .put(&path, &json!({"responsible_id": person}), version)
            .await
            .expect(200);
        let sold =
            json!({"kind": "first_sale", "on": "2026-10-01", "country": "US", "detail": "trees"});
        rights
            .post(&format!("{path}/disclosures"), &sold)
            .await
            .expect(201);
        codes.insert(code, own);
    }
    let dates = rights
        .get(&at(&format!("/due-dates?responsible_id={maker}")))
        .await
        .expect(200);
    let items = dates["items"].as_array().unwrap();
    assert!(!items.is_empty());
    for item in items {
        assert_eq!(item["candidate_id"], codes["P-1"], "{item:#}");
        assert_eq!(item["responsible_id"], maker);
        assert!(
            !item["remind_on"].as_array().unwrap().is_empty(),
            "lead times: {item:#}"
        );
        assert!(
            item["caution"]
                .as_str()
                .unwrap()
                .contains("not legal advice")
        );
    }
    let link = json!({"name": "mine", "responsible_id": keeper});
    let link = rights.post(&at("/calendar-links"), &link).await.expect(201);
    let feed = system.anonymous().get(link["url"].as_str().unwrap()).await;
    let text = String::from_utf8(feed.bytes).unwrap();
    assert!(text.contains("P-2") && !text.contains("P-1"), "{text}");
}

/// What a reply gives to a question in the worked cases' words.
fn answered(reply: &Value, question: Question) -> Option<String> {
    let text = |value: &Value| value.as_str().map(str::to_owned);
    let kept = reply["novelty_kept"].as_bool();
    match question {
        Question::Expiry => text(&reply["expiry_on"]),
        Question::MinimumExpiry => text(&reply["minimum_expiry_on"]),
        Question::NoveltyKept => kept.map(|k| if k { "yes" } else { "no" }.to_owned()),
        Question::Grace => kept.map(|k| if k { "kept" } else { "lost" }.to_owned()),
        Question::AnnualFeeDue => text(&reply["annual_fees"]),
        Question::By(what, day) => {
            let what = serde_json::to_value(what).unwrap();
            let deadlines = reply["deadlines"].as_array()?;
            let found = deadlines.iter().find(|d| d["what"] == what)?;
            text(
                &found[if day == Day::Due {
                    "due_on"
                } else {
                    "nominal_on"
                }],
            )
        }
    }
}

#[tokio::test]
async fn every_worked_case_is_answered_over_the_api() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let folder = std::env::var_os("DRUPELINE_CHECKS").map_or_else(
        || std::path::PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../checks"),
        std::path::PathBuf::from,
    );
    let text = std::fs::read_to_string(folder.join("rights/worked_cases.csv")).unwrap();
    let (mut ran_n, mut failures) = (0, Vec::new());
    for row in csv::Reader::from_reader(text.as_bytes())
        .deserialize::<BTreeMap<String, String>>()
        .map(Result::unwrap)
    {
        let (mut events, mut attributes) = (Vec::new(), serde_json::Map::new());
        let inputs = row["inputs"]
            .split(';')
            .map(str::trim)
            .filter(|input| !input.is_empty());
        for (word, value) in inputs.map(|input| input.split_once('=').unwrap()) {
            if rights::Attributes::WORDS.contains(&word) {
                attributes.insert(word.to_owned(), json!(value));
            } else {
                events.push(json!({"event": word, "on": value}));
            }
        }
        let ask = json!({"jurisdiction": row["jurisdiction"], "kind": row["kind_of_right"],
                         "events": events, "attributes": attributes});
        let reply = rights.post(&at("/rights:clock"), &ask).await;
        let question = Question::from_str(&row["question"]).unwrap();
        let got = (reply.status == 200)
            .then(|| answered(&reply.body, question))
            .flatten();
        let expected = &row["expected_date_or_answer"];
        ran_n += 1;
        if got.as_ref() != Some(expected) && !(got.is_none() && expected == "unknown") {
            failures.push(format!(
                "{}: {got:?} for {expected}, {:#}",
                row["id"], reply.body
            ));
        }
    }
    println!(
        "{ran_n} worked cases over the API, {} failed",
        failures.len()
    );
    assert!(ran_n > 0 && failures.is_empty(), "{}", failures.join("\n"));
}
