//! Disclosures, clocks, filings, due dates, denominations and the calendar.

use std::collections::BTreeMap;

use end_to_end::System;
use serde_json::{Value, json};

use super::{at, candidate, id};

#[tokio::test]
async fn a_clock_is_answered_from_what_is_told_alone() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let ask = json!({
        "jurisdiction": "US", "kind": "plant_patent",
        "events": [{"event": "first_disclosure", "on": "2023-02-10"}],
    });
    let answer = rights.post(&at("/rights:clock"), &ask).await.expect(200);
    let file_by = &answer["deadlines"][0];
    assert_eq!(file_by["what"], "file_by");
    assert_eq!(file_by["nominal_on"], "2024-02-10");
    assert_eq!(
        file_by["due_on"], "2024-02-12",
        "a Saturday moves to Monday"
    );
    assert!(file_by["law"].as_str().unwrap().contains("35 USC 102"));
    assert!(
        answer["caution"]
            .as_str()
            .unwrap()
            .contains("not legal advice")
    );

    let granted = json!({
        "jurisdiction": "US", "kind": "plant_variety_protection",
        "events": [{"event": "grant", "on": "2001-02-28"}], "attributes": {"tree_or_vine": true},
    });
    let answer = rights
        .post(&at("/rights:clock"), &granted)
        .await
        .expect(200);
    assert_eq!(answer["expiry_on"], "2026-02-28");

    let by_grpc = rights
        .release()
        .ask_clock(::contract::release::AskClockRequest {
            jurisdiction: "US".to_owned(),
            kind: "plant_variety_protection".to_owned(),
            events: vec![::contract::release::ClockEvent {
                event: "grant".to_owned(),
                on: "2001-02-28".to_owned(),
                country: String::new(),
            }],
            attributes: BTreeMap::from([("tree_or_vine".to_owned(), "true".to_owned())]),
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(by_grpc.expiry_on.as_deref(), Some("2026-02-28"));
}

#[tokio::test]
async fn what_a_clock_cannot_answer_is_told_by_field() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let ask = |jurisdiction: &str, events: Value| json!({"jurisdiction": jurisdiction, "kind": "plant_breeders_right", "events": events});
    let path = at("/rights:clock");
    let unknown = rights.post(&path, &ask("XX", json!([]))).await.expect(422);
    assert_eq!(unknown["errors"][0]["pointer"], "/jurisdiction");
    let message = unknown["errors"][0]["message"].as_str().unwrap();
    assert!(
        message.contains("covered are") && message.contains("New Zealand"),
        "{message}"
    );
    let nowhere = ask("CL", json!([{"event": "first_sale", "on": "2024-01-05"}]));
    assert_eq!(
        rights.post(&path, &nowhere).await.pointers(422),
        ["/events/0/country"]
    );
    let wrong = ask(
        "CL",
        json!([{"event": "sold_a_lot", "on": "2024-01-05"}, {"event": "grant", "on": "05/01/2024"}]),
    );
    assert_eq!(
        rights.post(&path, &wrong).await.pointers(422),
        ["/events/1/on"]
    );
    let unknown_event = ask("CL", json!([{"event": "sold_a_lot", "on": "2024-01-05"}]));
    assert_eq!(
        rights.post(&path, &unknown_event).await.pointers(422),
        ["/events/0/event"]
    );
    let disordered = ask(
        "CL",
        json!([{"event": "filing", "on": "2024-01-05"}, {"event": "grant", "on": "2023-01-05"}]),
    );
    let pointers = rights.post(&path, &disordered).await.pointers(422);
    assert!(
        pointers[0].starts_with("/events/") && pointers[0].ends_with("/on"),
        "{pointers:?}"
    );
}

#[tokio::test]
async fn a_sale_starts_clocks_a_filing_meets_them_and_a_grant_runs_its_term() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let manager = system.sign_in("manager").await;
    let candidate = candidate(&system, "P-1").await;
    let path = |rest: &str| at(&format!("/candidates/{candidate}{rest}"));

    let mut sale = json!({"kind": "first_sale", "on": "2025-12-15", "country": "US"});
    let if_sold = manager.post(&path("/what-if"), &sale).await.expect(200);
    sale["detail"] = json!("400 trees");
    let effect = |reply: &Value, kind: &str| {
        reply["effects"]
            .as_array()
            .unwrap()
            .iter()
            .find(|effect| effect["kind"] == kind)
            .cloned()
            .unwrap()
    };
    let patent = effect(&if_sold, "plant_patent");
    assert_eq!(patent["effect"], "starts_clock", "{patent:#}");
    assert_eq!(patent["file_by_nominal"], "2026-12-15");
    let untouched = manager.get(&path("/rights")).await.expect(200);
    assert_eq!(untouched["due"], json!([]), "what-if stores nothing");

    let sold = rights.post(&path("/disclosures"), &sale).await.expect(201);
    let clocks = sold["clocks"].as_array().unwrap();
    let started: Vec<_> = clocks
        .iter()
        .map(|c| c["jurisdiction"].as_str().unwrap())
        .collect();
    for jurisdiction in ["US", "EU", "CA", "AU", "NZ", "CL", "GB", "JP"] {
        assert!(
            started.contains(&jurisdiction),
            "{jurisdiction} in {started:?}"
        );
    }
    assert!(
        sold["caution"]
            .as_str()
            .unwrap()
            .contains("not legal advice")
    );

    let standing = manager
        .get(&path("/rights?as_of=2026-03-01"))
        .await
        .expect(200);
    let due = standing["due"].as_array().unwrap();
    let file_by = due
        .iter()
        .find(|d| d["kind"] == "plant_patent" && d["what"] == "file_by")
        .unwrap_or_else(|| panic!("filing is due: {standing:#}"));
    assert_eq!(file_by["nominal_on"], "2026-12-15");
    let across = manager
        .get(&at("/due-dates?as_of=2026-03-01&until=2027-01-01&limit=1"))
        .await
        .expect(200);
    assert_eq!(across["items"].as_array().unwrap().len(), 1);
    assert!(across["next_cursor"].is_string());

    let filing = json!({"jurisdiction": "US", "kind": "plant_patent", "on": "2026-02-10", "application_number": "19/000,001"});
    let filed = rights.post(&path("/filings"), &filing).await.expect(201);
    assert_eq!(filed["novelty_kept"], true, "{filed:#}");
    assert_eq!(
        rights.post(&path("/filings"), &filing).await.pointers(409),
        ["/jurisdiction"]
    );
    let filing_id = id(&filed);
    let grants = at(&format!("/filings/{filing_id}/grants"));
    let early = json!({"on": "2026-02-09", "grant_number": "PP90,001"});
    assert_eq!(rights.post(&grants, &early).await.pointers(422), ["/on"]);
    let events = at(&format!("/filings/{filing_id}/events"));
    let lapse = json!({"event": "lapse", "on": "2026-10-10", "evidence": "letter of 10 October"});
    rights.post(&events, &lapse).await.expect(409);
    let granted = rights
        .post(
            &grants,
            &json!({"on": "2026-10-06", "grant_number": "PP90,001"}),
        )
        .await
        .expect(201);
    assert_eq!(granted["expiry_on"], "2046-02-10", "{granted:#}");
    assert!(
        granted["expiry_law"].as_str().unwrap().contains("154"),
        "{granted:#}"
    );
    rights
        .post(
            &grants,
            &json!({"on": "2026-10-07", "grant_number": "PP90,002"}),
        )
        .await
        .expect(409);
    let bare = json!({"event": "lapse", "on": "2026-10-10"});
    assert_eq!(
        rights.post(&events, &bare).await.pointers(422),
        ["/evidence"]
    );

    let claimed = json!({
        "jurisdiction": "EU", "on": "2026-08-03", "application_number": "2026/0001", "priority_of": filing_id,
    });
    let union = rights.post(&path("/filings"), &claimed).await.expect(201);
    assert_eq!(union["kind"], "community_plant_variety_right");
    let convention = json!({"jurisdiction": "UPOV", "on": "2026-08-03", "application_number": "1"});
    assert_eq!(
        rights
            .post(&path("/filings"), &convention)
            .await
            .pointers(422),
        ["/jurisdiction"]
    );
    let unsaid = json!({"jurisdiction": "US", "on": "2026-08-03", "application_number": "1"});
    assert_eq!(
        rights.post(&path("/filings"), &unsaid).await.pointers(422),
        ["/kind"]
    );
}

#[tokio::test]
async fn what_is_wrong_with_a_disclosure_is_told_by_field() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let candidate = candidate(&system, "P-1").await;
    let path = at(&format!("/candidates/{candidate}/disclosures"));
    let told = |kind: &str, on: &str, country: &str| json!({"kind": kind, "on": on, "country": country, "detail": "trees"});
    for (body, pointer) in [
        (told("first_sale", "2025-01-01", ""), "/country"),
        (told("first_sale", "2025-01-01", "XX"), "/country"),
        (told("gift", "2025-01-01", "US"), "/kind"),
        (told("first_sale", "2025-02-30", "US"), "/on"),
        (told("first_sale", "2199-01-01", "US"), "/on"),
        (told("first_sale", "1700-01-01", "US"), "/on"),
    ] {
        assert_eq!(
            rights.post(&path, &body).await.pointers(422),
            [pointer],
            "{body}"
        );
    }
    let kept = rights
        .get(&at(&format!("/candidates/{candidate}")))
        .await
        .expect(200);
    assert_eq!(kept["disclosures"], json!([]), "nothing was written");
}

#[tokio::test]
async fn annual_fees_fall_due_and_are_done_with_evidence() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let candidate = candidate(&system, "P-1").await;
    let filings = at(&format!("/candidates/{candidate}/filings"));
    let filed = rights
        .post(
            &filings,
            &json!({"jurisdiction": "CA", "on": "2021-03-01", "application_number": "21-1"}),
        )
        .await
        .expect(201);
    rights
        .post(
            &at(&format!("/filings/{}/grants", id(&filed))),
            &json!({"on": "2024-05-10", "grant_number": "7001"}),
        )
        .await
        .expect(201);
    let list = at("/due-dates?as_of=2025-01-01&until=2026-12-31");
    let fees = |reply: Value| -> Vec<Value> {
        reply["items"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|d| d["what"] == "annual_fee")
            .cloned()
            .collect()
    };
    let owing = fees(rights.get(&list).await.expect(200));
    assert!(!owing.is_empty());
    let key = owing[0]["key"].as_str().unwrap();
    let done = at(&format!("/candidates/{candidate}/due-dates/{key}/done"));
    let bare = json!({"on": "2025-04-30"});
    assert_eq!(rights.post(&done, &bare).await.pointers(422), ["/evidence"]);
    let paid = json!({"on": "2025-04-30", "evidence": "receipt 88-1"});
    rights.post(&done, &paid).await.expect(201);
    let still = fees(rights.get(&list).await.expect(200));
    assert_eq!(still, owing, "as of a day before it was paid");
    let later = list.replace("as_of=2025-01-01", "as_of=2025-06-01");
    let left = fees(rights.get(&later).await.expect(200));
    assert!(left.iter().all(|d| d["key"] != key), "{left:#?}");
    rights.post(&done, &paid).await.expect(404);
}

#[tokio::test]
async fn denominations_are_checked_and_go_their_way() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let first = candidate(&system, "P-1").await;
    let second = candidate(&system, "P-2").await;
    let names = |id: &str| at(&format!("/candidates/{id}/denominations"));
    let proposed = rights
        .post(
            &names(&first),
            &json!({"name": "Velenta", "on": "2025-01-10"}),
        )
        .await
        .expect(201);
    let again = json!({"name": "Osterlind", "on": "2025-01-11"});
    rights.post(&names(&first), &again).await.expect(409);
    let alike = rights
        .post(
            &names(&second),
            &json!({"name": "Vel-enta", "on": "2025-01-12"}),
        )
        .await
        .expect(201);
    let principles: Vec<_> = alike["findings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["principle"].clone())
        .collect();
    assert!(principles.contains(&json!("different")), "{alike:#}");
    let figures = rights
        .post(
            &at("/denominations:check"),
            &json!({"name": "1234", "species": "Prunus persica"}),
        )
        .await
        .expect(200);
    assert_eq!(figures["warnings"][0]["principle"], "solely_figures");
    assert!(figures["caution"].is_string());

    let states = at(&format!("/denominations/{}/states", id(&proposed)));
    let publish = json!({"state": "published", "on": "2025-03-01"});
    rights.post(&states, &publish).await.expect(409);
    rights
        .post(&states, &json!({"state": "checked", "on": "2025-02-01"}))
        .await
        .expect(201);
    assert_eq!(
        rights
            .post(&states, &json!({"state": "refused", "on": "2025-03-01"}))
            .await
            .pointers(422),
        ["/reason"]
    );
    rights.post(&states, &publish).await.expect(201);
    let trade = rights
        .post(
            &at(&format!("/candidates/{first}/trade-designations")),
            &json!({"designation": "Sunny Orchard", "territory": "US"}),
        )
        .await
        .expect(201);
    assert_eq!(trade["designation"], "Sunny Orchard");
    let kept = rights
        .get(&at(&format!("/candidates/{first}")))
        .await
        .expect(200);
    assert_eq!(
        kept["denominations"][0]["steps"].as_array().unwrap().len(),
        3
    );
    assert_eq!(
        kept["denominations"].as_array().unwrap().len(),
        1,
        "no trade designation among them"
    );
}

#[tokio::test]
async fn the_calendar_is_read_signed_in_and_under_a_link_until_it_is_revoked() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let candidate = candidate(&system, "P-1").await;
    rights
        .post(
            &at(&format!("/candidates/{candidate}/disclosures")),
            &json!({"kind": "first_sale", "on": "2026-10-01", "country": "US", "detail": "trees"}),
        )
        .await
        .expect(201);
    let reply = rights.get(&at("/calendar.ics")).await;
    let kind = reply.headers["content-type"].to_str().unwrap().to_owned();
    assert!(kind.starts_with("text/calendar"), "{kind}");
    let text = String::from_utf8(reply.bytes).unwrap();
    assert!(
        text.starts_with("BEGIN:VCALENDAR\r\n") && text.ends_with("END:VCALENDAR\r\n"),
        "{text}"
    );
    let unfolded = text.replace("\r\n ", "");
    assert!(unfolded.contains("BEGIN:VEVENT"));
    for event in unfolded.split("BEGIN:VEVENT").skip(1) {
        assert!(event.contains("not legal advice"), "{event}");
    }

    let link = rights
        .post(&at("/calendar-links"), &json!({"name": "telephone"}))
        .await
        .expect(201);
    let url = link["url"].as_str().unwrap();
    let anyone = system.anonymous();
    let linked = anyone.get(url).await;
    assert_eq!(linked.status, 200);
    assert!(String::from_utf8(linked.bytes).unwrap().contains("P-1"));
    let tampered = url.replacen("/calendars/A", "/calendars/B", 1).replacen(
        "/calendar.ics",
        "A/calendar.ics",
        1,
    );
    anyone.get(&tampered).await.expect(404);
    rights
        .delete(&at(&format!("/calendar-links/{}", id(&link))))
        .await
        .expect(204);
    anyone.get(url).await.expect(404);
    let listed = rights.get(&at("/calendar-links")).await.expect(200);
    assert_eq!(listed["items"][0]["revoked"], true);
    assert_eq!(listed["items"][0]["url"], "", "told once");
}

/// The date or word that a reply gives to what a check case asks.
fn answered(reply: &Value, asked: &str) -> Option<String> {
    let first = |what: &str, day: &str| {
        reply["deadlines"]
            .as_array()?
            .iter()
            .find(|deadline| deadline["what"] == what)?[day]
            .as_str()
            .map(str::to_owned)
    };
    match asked {
        "expiry" => reply["expiry_on"].as_str().map(str::to_owned),
        "minimum_expiry" => reply["minimum_expiry_on"].as_str().map(str::to_owned),
        "novelty_kept" => {
            let kept = reply["novelty_kept"].as_bool()?;
            Some(if kept { "yes" } else { "no" }.to_owned())
        }
        _ => match asked.strip_suffix("_nominal") {
            Some(what) => first(what, "nominal_on"),
            None => first(asked, "due_on"),
        },
    }
}

#[tokio::test]
async fn every_check_case_is_answered_over_the_api() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let folder = std::env::var_os("DRUPELINE_CHECKS").map_or_else(
        || std::path::PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../checks"),
        std::path::PathBuf::from,
    );
    let cases = std::fs::read_to_string(folder.join("rights/cases.csv")).unwrap();
    // Another folder need not have the cases of our own.
    let further = std::fs::read_to_string(folder.join("rights/statute_cases.csv"));
    let (mut ran_n, mut failures) = (0, Vec::new());
    for row in [cases].iter().chain(&further).flat_map(|text| {
        csv::Reader::from_reader(text.as_bytes())
            .into_deserialize::<BTreeMap<String, String>>()
            .map(Result::unwrap)
    }) {
        let told: Vec<Value> = serde_json::from_str(&row["events"]).unwrap();
        let (attributes, events): (Vec<_>, Vec<_>) = told
            .into_iter()
            .partition(|item| item["attribute"].is_string());
        let attributes: serde_json::Map<String, Value> = attributes
            .iter()
            .map(|item| {
                let name = item["attribute"].as_str().unwrap().to_owned();
                (name, item["value"].clone())
            })
            .collect();
        let ask = json!({
            "jurisdiction": row["jurisdiction"], "kind": row["kind"], "events": events,
            "attributes": attributes,
        });
        let reply = rights.post(&at("/rights:clock"), &ask).await;
        let got = (reply.status == 200)
            .then(|| answered(&reply.body, &row["asked"]))
            .flatten();
        ran_n += 1;
        let unknown = reply.status == 200 && got.is_none() && row["expected"] == "unknown";
        if got.as_ref() != Some(&row["expected"]) && !unknown {
            failures.push(format!(
                "{}: {got:?} for {:?}, {:#}",
                row["id"], row["expected"], reply.body
            ));
        }
    }
    println!("{ran_n} cases over the API, {} failed", failures.len());
    assert!(ran_n > 0 && failures.is_empty(), "{}", failures.join("\n"));
}
