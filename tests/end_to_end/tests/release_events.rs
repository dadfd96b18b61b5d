//! Every event that the law looks at is recorded by its name, and what is another's reads, to the
//! byte, as what never was.

use end_to_end::{Client, Reply, System};
use serde_json::{Value, json};

use crate::release::{at, candidate, id, licence, organisation};

/// The year that a fee pays for; no other event names one.
fn year_of(event: &str) -> Option<u32> {
    (event == "annual_fee_paid").then_some(2)
}

#[tokio::test]
async fn every_event_is_recorded_by_its_own_name() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let about = candidate(&system, "P-1").await;
    let path = |rest: &str| at(&format!("/candidates/{about}{rest}"));
    // Propagating material and harvested material, offers, showings and handings over.
    let disclosures = [
        ("first_description", "2018-03-01", ""),
        ("public_trial", "2018-06-01", "US"),
        ("first_disclosure", "2018-07-01", ""),
        ("publication", "2018-08-01", ""),
        ("transfer_for_test_with_agreement", "2018-09-01", "CL"),
        ("transfer_for_test_without_agreement", "2018-10-01", "ES"),
        ("first_offer", "2019-01-15", "US"),
        ("first_sale", "2019-02-28", "US"),
        ("first_sale_harvested", "2019-07-01", "US"),
    ];
    for (kind, on, country) in disclosures {
        let body = json!({"kind": kind, "on": on, "country": country, "detail": "as told"});
        let told = rights.post(&path("/disclosures"), &body).await.expect(201);
        assert_eq!((&told["kind"], &told["on"]), (&json!(kind), &json!(on)));
        assert!(
            told["caution"]
                .as_str()
                .unwrap()
                .contains("not legal advice")
        );
    }
    // A first filing, and another that claims its priority within the year.
    let file = |jurisdiction: &str, on: &str, priority_of: &str| {
        json!({"jurisdiction": jurisdiction, "on": on, "application_number": format!("{jurisdiction}-1"),
               "priority_of": priority_of, "kind": if jurisdiction == "US" { "plant_patent" } else { "" }})
    };
    let filings = path("/filings");
    let first = rights
        .post(&filings, &file("US", "2019-03-29", ""))
        .await
        .expect(201);
    let second = rights
        .post(&filings, &file("CA", "2020-02-28", &id(&first)))
        .await
        .expect(201);
    assert_eq!(second["priority_of"], first["id"]);
    let of = |filing: &Value, rest: &str| at(&format!("/filings/{}/{rest}", id(filing)));
    let record = async |filing: &Value, event: &str, on: &str, over: Value| {
        let mut body = json!({"event": event, "on": on, "evidence": "letter of the office"});
        crate::release::merge(&mut body, over);
        let kept = rights.post(&of(filing, "events"), &body).await.expect(201);
        let found = kept["events"]
            .as_array()
            .unwrap()
            .iter()
            .find(|kept| kept["event"] == event && kept["on"] == on);
        assert!(found.is_some(), "{event} in {kept:#}");
        kept
    };
    for (event, on) in [
        ("priority_claim", "2020-02-28"),
        ("application_published", "2020-08-01"),
        ("examination", "2021-02-01"),
        ("action_mailed", "2021-06-01"),
        ("action_due", "2021-09-01"),
        ("allowance_mailed", "2022-01-10"),
    ] {
        record(&second, event, on, json!({})).await;
    }
    // Nothing that needs a grant is recorded before there is one.
    for event in ["annual_fee_paid", "renewal", "lapse", "surrender", "expiry"] {
        let body = json!({"event": event, "on": "2022-02-01", "evidence": "letter", "year_n": year_of(event)});
        let early = rights.post(&of(&second, "events"), &body).await;
        assert!(
            matches!(early.status, 409 | 422),
            "{event} before a grant: {:#}",
            early.body
        );
    }
    for (filing, on, number) in [
        (&first, "2021-05-04", "PP90,001"),
        (&second, "2022-03-01", "7001"),
    ] {
        let grant = json!({"on": on, "grant_number": number});
        rights.post(&of(filing, "grants"), &grant).await.expect(201);
    }
    record(
        &second,
        "annual_fee_paid",
        "2023-02-20",
        json!({"year_n": 1}),
    )
    .await;
    record(&second, "renewal", "2023-03-01", json!({})).await;
    record(&second, "assignment", "2023-05-05", json!({})).await;
    // Nor does an event count that nothing shows, where the right hangs on it.
    for event in ["annual_fee_paid", "renewal", "lapse", "surrender", "expiry"] {
        let bare = json!({"event": event, "on": "2024-01-15", "year_n": year_of(event)});
        let told = rights.post(&of(&second, "events"), &bare).await;
        assert_eq!(told.pointers(422), ["/evidence"], "{event}");
    }
    // Each way to end it, on a right of its own.
    let lapsed = record(&second, "lapse", "2024-03-02", json!({})).await;
    assert_eq!(
        (&lapsed["ended_by"], &lapsed["ended_on"]),
        (&json!("lapse"), &json!("2024-03-02"))
    );
    let given_up = record(&first, "surrender", "2024-04-01", json!({})).await;
    assert_eq!(given_up["ended_by"], "surrender");
    for (jurisdiction, event) in [("AU", "expiry")] {
        let filing = rights
            .post(&filings, &file(jurisdiction, "2019-12-01", ""))
            .await
            .expect(201);
        let grant = json!({"on": "2020-12-01", "grant_number": "AU-9"});
        rights
            .post(&of(&filing, "grants"), &grant)
            .await
            .expect(201);
        let ended = record(&filing, event, "2025-12-01", json!({})).await;
        assert_eq!(ended["ended_by"], event);
    }
    let kept = rights.get(&path("")).await.expect(200);
    assert_eq!(
        kept["disclosures"].as_array().unwrap().len(),
        disclosures.len()
    );
    assert_eq!(kept["filings"].as_array().unwrap().len(), 3);
}

/// What a reply is made of, the id asked about aside.
fn made_of(reply: Reply, asked: &str) -> (u16, Vec<(String, String)>, String) {
    let told = ["content-type", "cache-control", "etag", "content-length"];
    let headers = reply
        .headers
        .iter()
        .filter(|(name, _)| told.contains(&name.as_str()))
        .map(|(name, value)| {
            (
                name.to_string(),
                value.to_str().unwrap_or_default().to_owned(),
            )
        })
        .collect();
    let bytes = String::from_utf8(reply.bytes).expect("text");
    (reply.status, headers, bytes.replace(asked, "it"))
}

#[tokio::test]
async fn what_is_anothers_reads_to_the_byte_as_what_never_was() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let a = system.sign_in("partner_a").await;
    let stranger = system.sign_in("partner_b").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let granted = licence(&rights, &about, &nursery, json!({})).await;
    let report = json!({"licence_id": granted["id"], "period_start": "2025-01-01",
                        "period_end": "2025-06-30", "trees_n": 10});
    let report = a
        .post(&at("/propagation-reports"), &report)
        .await
        .expect(201);
    let hook = json!({"name": "mine", "url": "http://127.0.0.1:9/", "topics": ["licence.granted"]});
    let hook = a.post(&at("/webhooks"), &hook).await.expect(200);
    let key = a
        .post("/api/identity/v1/access-keys", &json!({"name": "till"}))
        .await
        .expect(200);
    let link = rights
        .post(&at("/calendar-links"), &json!({"name": "mine"}))
        .await
        .expect(201);
    // An id of the same form that nobody ever made.
    const NEVER: &str = "0190f3a2-0000-7000-8000-000000000000";
    const ANOTHER: &str = "0190f3a2-0000-7000-8000-00000000000f";
    let own = id(&granted);
    type Ask<'a> = Box<dyn Fn(&str) -> (&'static str, String, Value) + 'a>;
    let cases: Vec<(String, Ask<'_>)> = vec![
        (
            own.clone(),
            Box::new(|id| {
                let body = json!({"licence_id": id, "period_start": "2025-07-01", "period_end": "2025-12-31", "trees_n": 1});
                ("POST", at("/propagation-reports"), body)
            }),
        ),
        (
            own.clone(),
            Box::new(|id| {
                (
                    "POST",
                    at("/labels"),
                    json!({"licence_id": id, "country": "US"}),
                )
            }),
        ),
        (
            id(&report),
            Box::new(|id| {
                let body = json!({"licence_id": ANOTHER, "period_start": "2025-01-01", "period_end": "2025-06-30", "trees_n": 1, "corrects_id": id});
                ("POST", at("/propagation-reports"), body)
            }),
        ),
        (
            id(&hook),
            Box::new(|id| ("GET", at(&format!("/webhooks/{id}")), Value::Null)),
        ),
        (
            id(&hook),
            Box::new(|id| {
                (
                    "GET",
                    at(&format!("/webhooks/{id}/deliveries")),
                    Value::Null,
                )
            }),
        ),
        (
            id(&hook),
            Box::new(|id| ("POST", at(&format!("/webhooks/{id}/secrets")), json!({}))),
        ),
        (
            id(&key),
            Box::new(|id| {
                (
                    "POST",
                    format!("/api/identity/v1/access-keys/{id}/revoke"),
                    json!({}),
                )
            }),
        ),
        // Staff's own matters are refused before anything is looked up.
        (
            about.clone(),
            Box::new(|id| ("GET", at(&format!("/candidates/{id}")), Value::Null)),
        ),
        (
            own.clone(),
            Box::new(|id| ("GET", at(&format!("/licences/{id}")), Value::Null)),
        ),
        (
            id(&link),
            Box::new(|id| ("DELETE", at(&format!("/calendar-links/{id}")), Value::Null)),
        ),
    ];
    let ask =
        async |client: &Client, (method, path, body): (&'static str, String, Value)| match method {
            "GET" => client.get(&path).await,
            "DELETE" => client.delete(&path).await,
            _ => client.post(&path, &body).await,
        };
    for (theirs, request) in &cases {
        let foreign = made_of(ask(&stranger, request(theirs)).await, theirs);
        let never = made_of(ask(&stranger, request(NEVER)).await, NEVER);
        let what = request(theirs);
        assert!(foreign.0 >= 400, "{what:?}: {foreign:?}");
        assert_eq!(foreign, never, "{what:?}");
        assert!(!foreign.2.contains("P-1") && !foreign.2.contains("Nursery A"));
    }
    // By name and by territory, too.
    for query in [
        "denomination=P-1",
        "territory=US",
        "denomination=P-1&territory=US",
    ] {
        let path = |query: &str| at(&format!("/partner/release-status?{query}"));
        let foreign = made_of(stranger.get(&path(query)).await, "");
        let never = made_of(stranger.get(&path("denomination=Nonexistent")).await, "");
        assert_eq!(foreign.0, 200);
        assert_eq!(foreign.2, never.2, "{query}");
    }
    // Over gRPC the same code and message.
    let mut grpc = stranger.release();
    let mut told = Vec::new();
    for licence_id in [own.as_str(), NEVER] {
        let request = ::contract::release::ReportPropagationRequest {
            licence_id: licence_id.to_owned(),
            period_start: "2025-07-01".to_owned(),
            period_end: "2025-12-31".to_owned(),
            trees_n: 1,
            ..Default::default()
        };
        let status = grpc.report_propagation(request).await.unwrap_err();
        told.push((status.code(), status.message().replace(licence_id, "it")));
    }
    assert_eq!(told[0], told[1]);
}
