//! Pages of webhooks, keys, calendar links and territories.

use end_to_end::System;
use serde_json::json;

use crate::pages::Browser;
use crate::release::{at, candidate, id, licence, organisation};

fn holds(page: &str, wanted: &[&str]) {
    for text in wanted {
        assert!(page.contains(text), "{text:?} is missing: {page}");
    }
}

#[tokio::test]
async fn webhooks_are_looked_after_without_their_secrets() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    // Nobody listens there.
    let body = json!({"name": "orchard system", "url": "http://127.0.0.1:9/events",
                      "topics": ["licence.granted", "due_date.coming"]});
    let hook = rights.post(&at("/webhooks"), &body).await.expect(200);
    let secret = hook["secret"].as_str().unwrap().to_owned();
    let own = format!("/webhooks/{}", id(&hook));
    let mut browser = Browser::signed_in(&system, "rights").await;
    let sent = browser.post(&format!("{own}/test"), &[], &[]).await;
    assert_eq!(sent.status, 303);
    let mut page = String::new();
    for tries in 0.. {
        page = browser.page(&own).await;
        if page.contains("cannot be reached") {
            break;
        }
        assert!(tries < 100, "the attempt is told: {page}");
        tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    }
    holds(
        &page,
        &[
            "orchard system",
            "webhook test",
            "waiting",
            "Next attempt",
            "not legal advice",
        ],
    );
    let list = browser.page("/webhooks").await;
    holds(
        &list,
        &["licence granted, due date coming", "<svg", "switched on"],
    );
    browser.post(&format!("{own}/switch"), &[], &[]).await;
    let off = browser.page(&own).await;
    holds(&off, &["switched off", "Switch on"]);
    assert!(!off.contains("/test\""), "nothing is sent while it is off");
    for page in [page, list, off] {
        assert!(!page.contains(&secret) && !page.contains("whsec_"));
    }
    // Another partner's page of it reads as one that never was.
    let mut other = Browser::signed_in(&system, "partner_b").await;
    let mut seen = Vec::new();
    for path in [
        own.as_str(),
        "/webhooks/0190f3a2-0000-7000-8000-000000000000",
    ] {
        let reply = other.get(path).await;
        let asked = path.rsplit('/').next().unwrap();
        seen.push((reply.status, reply.text.replace(asked, "it")));
    }
    assert_eq!(seen[0].0, 404);
    assert_eq!(seen[0], seen[1]);
}

#[tokio::test]
async fn an_administrator_sees_every_partners_keys() {
    let system = System::start().await;
    let a = system.sign_in("partner_a").await;
    let key = json!({"name": "label printer", "quota": "small", "scopes": ["report_propagation"]});
    let key = a
        .post("/api/identity/v1/access-keys", &key)
        .await
        .expect(200);
    let nursery = organisation(&system, "Nursery B").await;
    let mut admin = Browser::signed_in(&system, "admin").await;
    let page = admin.page("/keys").await;
    holds(
        &page,
        &[
            "label printer",
            "Nursery A",
            "report propagation",
            "60 a minute",
            "never",
            "in force",
        ],
    );
    assert!(!page.contains("dpk_"));
    let form = [
        ("organisation_id", nursery.as_str()),
        ("name", "sales system"),
        ("quota", "large"),
        ("ask_release_status", "on"),
        ("keep_webhooks", "on"),
    ];
    let made = admin.post("/keys", &form, &[]).await;
    assert_eq!(made.status, 200);
    holds(
        &made.text,
        &[
            "dpk_",
            "ask release status, keep webhooks",
            "1,200 times a minute",
        ],
    );
    let taken = admin
        .post(&format!("/keys/{}/revoke", id(&key)), &[], &[])
        .await;
    assert_eq!(
        (taken.status, taken.location.as_deref()),
        (303, Some("/keys"))
    );
    let page = admin.page("/keys").await;
    holds(&page, &["revoked", "sales system", "Nursery B"]);
    let mut rights = Browser::signed_in(&system, "rights").await;
    assert_eq!(rights.get("/keys").await.status, 403);
}

#[tokio::test]
async fn dates_are_subscribed_to_from_their_page_and_say_who_answers() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let terms = json!({"territory": ["EEA"], "exclusive": true, "starts_on": "2020-01-01",
                       "reporting": {"every_months": 12, "within_days": 30}});
    licence(&rights, &about, &nursery, terms).await;
    let breeder = system.sign_in("breeder").await;
    let me = breeder.get("/api/identity/v1/me").await.expect(200);
    let mut browser = Browser::signed_in(&system, "breeder").await;
    let name = me["name"].as_str().unwrap();
    let page = browser.page("/due-dates").await;
    holds(
        &page,
        &[
            "report propagation",
            "overdue",
            name,
            "Nursery A",
            "<svg",
            "No link yet",
            "not legal advice",
        ],
    );
    let form = [("name", "telephone"), ("of", "own")];
    let made = browser.post("/calendar-links", &form, &[]).await;
    assert_eq!(made.status, 200);
    let url = made
        .text
        .split("<code>")
        .nth(1)
        .and_then(|rest| rest.split("</code>").next())
        .expect("the link")
        .to_owned();
    let feed = system.anonymous().get(&url).await;
    assert!(String::from_utf8(feed.bytes).unwrap().contains("P-1"));
    let page = browser.page("/due-dates?whose=own").await;
    holds(&page, &["telephone", "in use"]);
    assert!(!page.contains(&url), "shown once");
    let link = page
        .split("/calendar-links/")
        .find_map(|rest| rest.split("/revoke").next().filter(|id| id.len() == 36))
        .expect("a link to revoke")
        .to_owned();
    browser
        .post(&format!("/calendar-links/{link}/revoke"), &[], &[])
        .await;
    system.anonymous().get(&url).await.expect(404);
    let mut other = Browser::signed_in(&system, "rights").await;
    let page = other.page("/due-dates?whose=own").await;
    assert!(!page.contains("P-1"), "the breeder's, not mine: {page}");

    let page = other.page("/licences").await;
    holds(
        &page,
        &[
            "EEA",
            "GB",
            "every 12 months",
            "Groups of countries",
            "MERCOSUR",
            "from memory",
        ],
    );
    let mut partner = Browser::signed_in(&system, "partner_a").await;
    let page = partner.page("/partner").await;
    holds(
        &page,
        &[
            "What is coming",
            "report what was propagated",
            "Days to come",
        ],
    );
}

#[tokio::test]
async fn a_licence_is_told_with_its_history_reports_counts_and_statements() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let a = system.sign_in("partner_a").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let terms = json!({
        "territory": ["BENELUX"], "exclusive": true, "propagate_max_n": 1000, "sublicensing": true,
        "reporting": {"every_months": 12, "within_days": 30},
        "royalty": {"per": "tree", "amount": "1.85", "currency": "EUR", "minimum": "500",
                    "yearly_increase_percent": "2", "steps": [{"above": "800", "amount": "1.5"}]},
    });
    let granted = licence(&rights, &about, &nursery, terms).await;
    let report = json!({"licence_id": granted["id"], "period_start": "2024-01-01",
                        "period_end": "2024-12-31", "trees_n": 1200});
    let report = a
        .post(&at("/propagation-reports"), &report)
        .await
        .expect(201);
    assert_eq!(report["above_cap"], true, "kept, and flagged");
    let count = json!({"licence_id": granted["id"], "place": "North field", "on": "2025-02-01",
                       "counted_n": 1500, "counted_by": "M. Orell", "evidence": "protocol 7"});
    rights.post(&at("/inspections"), &count).await.expect(201);
    let year = json!({"licence_id": granted["id"], "period_start": "2024-01-01", "period_end": "2024-12-31"});
    let stated = rights
        .post(&at("/royalty-statements"), &year)
        .await
        .expect(201);
    let path = at(&format!("/licences/{}", id(&granted)));
    let end = json!({"on": "2025-06-30", "reason": "agreed with the licensee"});
    rights.post(&format!("{path}/end"), &end).await.expect(200);
    let mut browser = Browser::signed_in(&system, "manager").await;
    let own = format!("/licences/{}", id(&granted));
    let list = browser.page("/licences?ended=yes").await;
    holds(&list, &[&own, "Who is licensed where", "<svg"]);
    let page = browser.page(&own).await;
    holds(
        &page,
        &[
            "Nursery A",
            "BE LU NL",
            "1.85 EUR per tree; 1.5 above 800; at least 500 a statement; 2 % more each year",
            "every 12 months, within 30 days",
            "above the licence’s cap",
            "more than reported",
            "protocol 7",
            stated["total"].as_str().unwrap(),
            "halves away from zero",
            "granted",
            "agreed with the licensee",
            "<svg",
            "not legal advice",
        ],
    );
    let mut partner = Browser::signed_in(&system, "partner_a").await;
    assert_eq!(partner.get(&own).await.status, 403);
    let never = "/licences/0190f3a2-0000-7000-8000-000000000000";
    assert_eq!(browser.get(never).await.status, 404);
}
