//! What falls due under licences, who answers for it, and the groups of countries that they name.

use end_to_end::{Client, System};
use jiff::ToSpan as _;
use jiff::civil::date;
use platform::Clock;
use serde_json::{Value, json};

use crate::release::{at, candidate, id, licence, merge, organisation};

fn items(reply: &Value) -> Vec<Value> {
    reply["items"].as_array().expect("items").clone()
}

/// The one due date of a licence that is of this kind and for the period that begins so.
fn find<'d>(dates: &'d [Value], what: &str, from: &str) -> Option<&'d Value> {
    dates.iter().find(|due| {
        due["what"] == what && due["key"].as_str().is_some_and(|key| key.ends_with(from))
    })
}

#[tokio::test]
async fn what_falls_due_under_a_licence_is_told_until_it_is_done() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let (a, b) = (
        system.sign_in("partner_a").await,
        system.sign_in("partner_b").await,
    );
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let today = Clock::System.today();
    let year = today.year() - 2;
    let (first, ends) = (date(year, 1, 1), today.saturating_add(100.days()));
    let terms = json!({
        "starts_on": first.to_string(), "ends_on": ends.to_string(),
        "reporting": {"every_months": 12, "within_days": 60},
        "royalty": {"per": "tree", "amount": "1.85", "currency": "USD", "minimum": "500"},
    });
    for (over, pointer) in [
        (
            json!({"every_months": 5, "within_days": 30}),
            "/reporting/every_months",
        ),
        (
            json!({"every_months": 3, "within_days": 0}),
            "/reporting/within_days",
        ),
        (
            json!({"every_months": 3, "within_days": 366}),
            "/reporting/within_days",
        ),
    ] {
        let mut body = json!({
            "candidate_id": about, "licensee_id": nursery, "territory": ["US"],
            "purpose": "propagation", "starts_on": "2025-01-01", "reporting": over,
        });
        let refused = rights.post(&at("/licences"), &body).await;
        assert_eq!(refused.pointers(422), [pointer], "{over}");
        merge(&mut body, json!({}));
    }
    let granted = licence(&rights, &about, &nursery, terms).await;
    assert_eq!(granted["reporting"]["within_days"], 60);
    assert_eq!(granted["history"][0]["reporting"]["every_months"], 12);

    let list = at("/due-dates?limit=200");
    let dates = items(&rights.get(&list).await.expect(200));
    let report = find(&dates, "report_propagation", &first.to_string()).expect("a report is due");
    assert_eq!(report["due_on"], date(year + 1, 3, 1).to_string());
    assert_eq!(report["urgency"], "overdue");
    assert_eq!(report["licence_id"], granted["id"]);
    let told = report["law"].as_str().unwrap();
    assert!(
        told.contains(granted["number"].as_str().unwrap()) && told.contains("Nursery A"),
        "{told}"
    );
    assert!(find(&dates, "state_minimum", &first.to_string()).is_some());
    let end = find(&dates, "licence_ends", &ends.to_string()).expect("the end is told");
    assert_eq!(
        (&end["days_left"], &end["urgency"]),
        (&json!(100), &json!("due"))
    );
    let reminders: Vec<_> = [90, 30, 14, 7, 1]
        .map(|days: i64| json!(ends.saturating_sub(days.days()).to_string()))
        .to_vec();
    assert_eq!(end["remind_on"], json!(reminders), "lead times");
    // Who answers for it stands beside it, by name.
    let breeder = system.sign_in("breeder").await;
    let me = breeder.get("/api/identity/v1/me").await.expect(200);
    assert_eq!(
        (&end["responsible_id"], &end["responsible_name"]),
        (&me["id"], &me["name"])
    );

    // The licensee is told the same of its own papers, another nothing.
    let coming = at("/partner/coming");
    let own = a.get(&coming).await.expect(200);
    assert!(
        own["caution"]
            .as_str()
            .unwrap()
            .contains("not legal advice")
    );
    let whats = |reply: &Value| -> Vec<String> {
        let all = items(reply).into_iter();
        all.map(|item| item["what"].as_str().unwrap().to_owned())
            .collect()
    };
    for what in ["report_propagation", "state_minimum", "licence_ends"] {
        assert!(whats(&own).contains(&what.to_owned()), "{what}: {own:#}");
    }
    assert_eq!(items(&own)[0]["on"], date(year + 1, 3, 1).to_string());
    assert_eq!(items(&own)[0]["about"], granted["number"]);
    assert_eq!(
        items(&b.get(&coming).await.expect(200)),
        Vec::<Value>::new()
    );
    rights.get(&coming).await.expect(403);
    let by_grpc = a
        .release()
        .list_coming(::contract::release::ListComingRequest::default())
        .await
        .unwrap()
        .into_inner();
    assert_eq!(by_grpc.items.len(), items(&own).len());
    assert_eq!(
        a.get(&format!("{coming}?until=soon")).await.pointers(422),
        ["/until"]
    );

    // Half a period is not yet a report.
    let half = |from: jiff::civil::Date, to: jiff::civil::Date| {
        json!({"licence_id": granted["id"], "period_start": from.to_string(),
               "period_end": to.to_string(), "trees_n": 100})
    };
    let reports = at("/propagation-reports");
    a.post(&reports, &half(first, date(year, 6, 30)))
        .await
        .expect(201);
    let dates = items(&rights.get(&list).await.expect(200));
    assert!(find(&dates, "report_propagation", &first.to_string()).is_some());
    a.post(&reports, &half(date(year, 7, 1), date(year, 12, 31)))
        .await
        .expect(201);
    let dates = items(&rights.get(&list).await.expect(200));
    assert_eq!(find(&dates, "report_propagation", &first.to_string()), None);
    let minimum = find(&dates, "state_minimum", &first.to_string()).expect("still owed");
    let done = |due: &Value| {
        let key = due["key"].as_str().unwrap();
        at(&format!("/candidates/{about}/due-dates/{key}/done"))
    };
    let evidence = json!({"on": today.to_string(), "evidence": "letter 12"});
    // What has papers of its own is met by them and not by a tick.
    let refused = rights.post(&done(minimum), &evidence).await.expect(409);
    assert!(
        refused["detail"]
            .as_str()
            .unwrap()
            .contains("royalty statements")
    );
    let period = json!({"licence_id": granted["id"], "period_start": first.to_string(),
                        "period_end": date(year, 12, 31).to_string()});
    let stated = rights
        .post(&at("/royalty-statements"), &period)
        .await
        .expect(201);
    assert_eq!(
        (&stated["minimum_added"], &stated["total"]),
        (&json!("130.00"), &json!("500.00"))
    );
    let dates = items(&rights.get(&list).await.expect(200));
    assert_eq!(find(&dates, "state_minimum", &first.to_string()), None);
    // The end is looked after by a person, with evidence.
    let end = find(&dates, "licence_ends", &ends.to_string()).unwrap();
    let bare = json!({"on": today.to_string()});
    assert_eq!(
        rights.post(&done(end), &bare).await.pointers(422),
        ["/evidence"]
    );
    rights.post(&done(end), &evidence).await.expect(201);
    let dates = items(&rights.get(&list).await.expect(200));
    assert_eq!(find(&dates, "licence_ends", &ends.to_string()), None);

    // Reporting that is left away by an amendment falls due no more.
    let amendment = json!({
        "on": date(year + 1, 1, 1).to_string(), "reason": "no more reports", "territory": ["US"],
        "ends_on": ends.to_string(),
    });
    let path = at(&format!("/licences/{}", id(&granted)));
    let amended = rights.put(&path, &amendment, 1).await.expect(200);
    assert_eq!(amended["reporting"], Value::Null);
    let dates = items(&rights.get(&list).await.expect(200));
    assert!(
        dates.iter().all(|due| due["what"] != "report_propagation"),
        "{dates:#?}"
    );
}

#[tokio::test]
async fn the_feed_of_licences_is_read_by_another_parser_and_names_who_answers() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let today = Clock::System.today();
    let ends = today.saturating_add(200.days());
    let terms = json!({
        "starts_on": today.to_string(), "ends_on": ends.to_string(),
        "reporting": {"every_months": 1, "within_days": 15},
    });
    licence(&rights, &about, &nursery, terms).await;
    let link = json!({"name": "telephone"});
    let link = rights.post(&at("/calendar-links"), &link).await.expect(201);
    let bytes = system
        .anonymous()
        .get(link["url"].as_str().unwrap())
        .await
        .bytes;
    let calendars: Vec<_> = ical::IcalParser::new(bytes.as_slice())
        .collect::<Result<_, _>>()
        .expect("a calendar that another reads");
    let events = &calendars[0].events;
    let value = |event: &ical::parser::ical::component::IcalEvent, name: &str| {
        let found = event.properties.iter().find(|p| p.name == name);
        found.and_then(|p| p.value.clone()).unwrap_or_default()
    };
    let end = events
        .iter()
        .find(|event| value(event, "SUMMARY").contains("licence ends"))
        .expect("the licence's end");
    assert_eq!(value(end, "DTSTART"), ends.to_string().replace('-', ""));
    let me = system.sign_in("breeder").await;
    let me = me.get("/api/identity/v1/me").await.expect(200);
    let about = value(end, "DESCRIPTION");
    for wanted in [
        me["name"].as_str().unwrap(),
        "Nursery A",
        "not legal advice",
    ] {
        assert!(about.contains(wanted), "{wanted}: {about}");
    }
    // An alarm for each lead: half a year, 90, 30, 14 and 7 days, and one.
    let leads: Vec<String> = end
        .alarms
        .iter()
        .map(|alarm| {
            let trigger = alarm.properties.iter().find(|p| p.name == "TRIGGER");
            trigger.and_then(|p| p.value.clone()).unwrap_or_default()
        })
        .collect();
    assert_eq!(leads.len(), 6, "{leads:?}");
    assert!(leads.iter().all(|lead| lead.starts_with("-P")), "{leads:?}");
    let reports = events
        .iter()
        .filter(|event| value(event, "SUMMARY").contains("report propagation"))
        .count();
    assert!((6..=8).contains(&reports), "{reports} reports in 200 days");
}

async fn grant(client: &Client, about: &str, nursery: &str, territory: Value) -> end_to_end::Reply {
    let body = json!({
        "candidate_id": about, "licensee_id": nursery, "territory": territory,
        "purpose": "propagation", "exclusive": true, "starts_on": "2025-01-01",
    });
    client.post(&at("/licences"), &body).await
}

#[tokio::test]
async fn groups_of_countries_are_data_that_exclusive_licences_see_through() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let path = at("/territory-groups");
    let known = rights
        .get(&format!("{path}?on=2020-06-01"))
        .await
        .expect(200);
    let group = |reply: &Value, code: &str| {
        let found = items(reply).into_iter().find(|group| group["code"] == code);
        found.unwrap_or_else(|| panic!("{code} in {reply:#}"))
    };
    let has = |group: &Value, place: &str| {
        group["comes_to"]
            .as_array()
            .unwrap()
            .contains(&json!(place))
    };
    for code in ["EU", "EEA", "EFTA", "BENELUX", "MERCOSUR", "OAPI"] {
        let told = group(&known, code);
        assert_eq!(told["own"], false);
        assert!(!told["source"].as_str().unwrap().is_empty(), "{told:#}");
        assert_eq!(told["confidence"], "memory", "{told:#}");
    }
    assert!(has(&group(&known, "EEA"), "GB"), "until the end of 2020");
    let now = rights.get(&path).await.expect(200);
    assert!(!has(&group(&now, "EEA"), "GB"));

    let own = json!({
        "code": "southern_cone", "name": "Southern cone", "source": "board decision 7",
        "members": [{"place": "CL"}, {"place": "AR", "since": "2024-01-01"}, {"place": "BR-RS"}],
    });
    let defined = rights.post(&path, &own).await.expect(201);
    assert_eq!(
        (&defined["code"], &defined["version"], &defined["own"]),
        (&json!("SOUTHERN_CONE"), &json!(1), &json!(true))
    );
    rights.post(&path, &own).await.expect(409);
    for (over, pointer) in [
        (json!({"code": "EEA"}), "/code"),
        (json!({"code": "US"}), "/code"),
        (json!({"code": "two words"}), "/code"),
        (json!({"code": "NEW", "members": []}), "/members"),
        (
            json!({"code": "NEW", "members": [{"place": "Atlantis"}]}),
            "/members/0/place",
        ),
        (
            json!({"code": "NEW", "members": [{"place": "CL"}, {"place": "cl"}]}),
            "/members/1/place",
        ),
        (
            json!({"code": "NEW", "members": [{"place": "EU"}]}),
            "/members/0/place",
        ),
        (
            json!({"code": "NEW", "members": [{"place": "CL", "since": "2024-02-01", "until": "2024-01-01"}]}),
            "/members/0/until",
        ),
        (json!({"code": "NEW", "source": ""}), "/source"),
    ] {
        let mut body = own.clone();
        merge(&mut body, over.clone());
        assert_eq!(
            rights.post(&path, &body).await.pointers(422),
            [pointer],
            "{over}"
        );
    }

    let granted = grant(&rights, &about, &nursery, json!(["SOUTHERN_CONE", "AR-X"]))
        .await
        .expect(201);
    assert_eq!(
        granted["territory"],
        json!(["SOUTHERN_CONE"]),
        "AR-X lies within"
    );
    assert_eq!(granted["comes_to"], json!(["AR", "BR-RS", "CL"]));
    for clash in ["CL", "AR-B", "BR", "MERCOSUR", "WORLD"] {
        let refused = grant(&rights, &about, &nursery, json!([clash])).await;
        assert_eq!(refused.pointers(409), ["/territory"], "{clash}");
    }
    grant(&rights, &about, &nursery, json!(["BR-SP", "EEA"]))
        .await
        .expect(201);
    // Another definition moves no licence that was granted before.
    let mut smaller = own.clone();
    merge(&mut smaller, json!({"members": [{"place": "AR"}]}));
    smaller.as_object_mut().unwrap().remove("code");
    let one = format!("{path}/SOUTHERN_CONE");
    rights.put(&one, &smaller, 1).await.expect(200);
    rights.put(&one, &smaller, 1).await.expect(412);
    rights
        .put(&format!("{path}/EEA"), &smaller, 1)
        .await
        .expect(404);
    let refused = grant(&rights, &about, &nursery, json!(["CL"])).await;
    assert_eq!(refused.pointers(409), ["/territory"]);
    let unknown = grant(&rights, &about, &nursery, json!(["NORTHERN_CONE"])).await;
    let unknown = unknown.expect(422);
    assert_eq!(unknown["errors"][0]["pointer"], "/territory/0");
    let told = unknown["errors"][0]["message"].as_str().unwrap();
    assert!(
        told.contains("SOUTHERN_CONE") && told.contains("MERCOSUR"),
        "{told}"
    );
    // Iceland lies within the Area, Switzerland does not.
    let partner = system.sign_in("partner_a").await;
    for (asked, seen_n) in [
        ("IS", 1),
        ("CH", 0),
        ("EEA", 1),
        ("EFTA", 1),
        ("CL", 1),
        ("PE", 0),
    ] {
        let status = at(&format!("/partner/release-status?territory={asked}"));
        let reply = partner.get(&status).await.expect(200);
        assert_eq!(items(&reply).len(), seen_n, "{asked}");
        let all_of_it = matches!(asked, "IS" | "EEA" | "CL");
        if seen_n == 1 {
            assert_eq!(items(&reply)[0]["may_propagate"], all_of_it, "{asked}");
        }
    }
    // The programme's own groups are not a partner's to see, nor another programme's.
    partner.get(&path).await.expect(403);
    let status = at("/partner/release-status?territory=SOUTHERN_CONE");
    assert_eq!(partner.get(&status).await.pointers(422), ["/territory"]);
    let theirs = system.other_programme().await.sign_in("rights").await;
    let seen = theirs.get(&path).await.expect(200);
    assert!(items(&seen).iter().all(|group| group["own"] == false));
    theirs.put(&one, &smaller, 2).await.expect(404);
}

#[tokio::test]
async fn of_two_writers_at_once_on_a_group_and_a_member_one_gets_the_ground() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let nursery = organisation(&system, "Nursery A").await;
    let own = json!({
        "code": "COASTS", "name": "Coasts", "source": "board decision 8",
        "members": [{"place": "US-CA"}, {"place": "CL"}],
    });
    rights
        .post(&at("/territory-groups"), &own)
        .await
        .expect(201);
    for (place, (one, other)) in (0..).zip([
        ("EEA", "NO"),
        ("OAPI", "SN-DK"),
        ("COASTS", "US"),
        ("COASTS", "CL-RM"),
        ("MERCOSUR", "ANDEAN"),
    ]) {
        let about = candidate(&system, &format!("P-{place}")).await;
        let (first, second) = tokio::join!(
            grant(&rights, &about, &nursery, json!([one])),
            grant(&rights, &about, &nursery, json!([other])),
        );
        let mut statuses = [first.status, second.status];
        statuses.sort_unstable();
        assert_eq!(statuses, [201, 409], "{one} and {other}");
    }
}

#[tokio::test]
async fn people_are_named_by_their_ids_within_the_programme_alone() {
    let system = System::start().await;
    let manager = system.sign_in("manager").await;
    let theirs = system.other_programme().await.sign_in("rights").await;
    let me = manager.get("/api/identity/v1/me").await.expect(200);
    let foreign = theirs.get("/api/identity/v1/me").await.expect(200);
    let path = "/api/identity/v1/people:name";
    let asked = json!({"ids": [me["id"], foreign["id"], "0190f3a2-0000-7000-8000-000000000000"]});
    let told = manager.post(path, &asked).await.expect(200);
    assert_eq!(
        told["people"],
        json!([{"id": me["id"], "name": me["name"]}])
    );
    let wrong = manager.post(path, &json!({"ids": ["x"]})).await;
    assert_eq!(wrong.pointers(422), ["/ids/0"]);
    let partner = system.sign_in("partner_a").await;
    partner.post(path, &asked).await.expect(403);
}
