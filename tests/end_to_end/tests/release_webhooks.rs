//! Webhooks: order, retries, replay, whom they tell what, and where they may lead.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ::release::domain::webhook::{Receipt, Receiver, Refusal, Secret};
use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, Uri};
use end_to_end::{Client, System};
use jiff::{SignedDuration, Timestamp, ToSpan as _};
use platform::Clock;
use platform::peers::ServiceName;
use serde_json::{Value, json};

use crate::release::{at, candidate, denominate, id, licence, organisation};

/// A delivery as it came in.
#[derive(Debug, Clone)]
struct Came {
    path: String,
    headers: HeaderMap,
    body: Bytes,
}

impl Came {
    fn header(&self, name: &str) -> Option<String> {
        Some(self.headers.get(name)?.to_str().ok()?.to_owned())
    }

    fn id(&self) -> String {
        self.header("webhook-id").expect("an id")
    }

    fn event(&self) -> Value {
        serde_json::from_slice(&self.body).expect("JSON")
    }

    fn topic(&self) -> String {
        self.event()["type"].as_str().expect("a type").to_owned()
    }
}

#[derive(Clone, Default)]
struct Inbox {
    came: Arc<Mutex<Vec<Came>>>,
    /// Answers to the next deliveries; 200 when there are none.
    answers: Arc<Mutex<VecDeque<u16>>>,
}

impl Inbox {
    fn answer(&self, statuses: &[u16]) {
        self.answers.lock().unwrap().extend(statuses);
    }

    fn at(&self, path: &str) -> Vec<Came> {
        let all = self.came.lock().unwrap();
        all.iter()
            .filter(|came| came.path == path)
            .cloned()
            .collect()
    }

    /// Waits until so many deliveries came to a path.
    async fn wait(&self, path: &str, n: usize) -> Vec<Came> {
        for _ in 0..600 {
            let came = self.at(path);
            if came.len() >= n {
                return came;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        panic!("{n} deliveries to {path}; there came {:#?}", self.at(path));
    }
}

async fn take(State(inbox): State<Inbox>, uri: Uri, headers: HeaderMap, body: Bytes) -> StatusCode {
    inbox.came.lock().unwrap().push(Came {
        path: uri.path().to_owned(),
        headers,
        body,
    });
    let status = inbox.answers.lock().unwrap().pop_front().unwrap_or(200);
    StatusCode::from_u16(status).unwrap()
}

/// A receiver on this machine, and its address.
async fn receiver() -> (Inbox, String) {
    let inbox = Inbox::default();
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = format!("http://{}", listener.local_addr().unwrap());
    let router = Router::new().fallback(take).with_state(inbox.clone());
    tokio::spawn(async move { axum::serve(listener, router).await });
    (inbox, address)
}

async fn webhook(client: &Client, url: &str, topics: &[&str]) -> Value {
    let body = json!({ "name": "tests", "url": url, "topics": topics });
    client.post(&at("/webhooks"), &body).await.expect(200)
}

fn standing_clock() -> Clock {
    Clock::standing_at(Timestamp::now())
}

fn go_on(clock: &Clock, seconds: i64) {
    clock.set(clock.now() + SignedDuration::from_secs(seconds));
}

async fn deliveries(client: &Client, webhook: &str) -> Vec<Value> {
    let list = client
        .get(&at(&format!("/webhooks/{webhook}/deliveries")))
        .await
        .expect(200);
    list["items"].as_array().unwrap().clone()
}

/// Waits until a webhook's deliveries are as asked.
async fn until(client: &Client, webhook: &str, holds: impl Fn(&[Value]) -> bool) -> Vec<Value> {
    for _ in 0..600 {
        let all = deliveries(client, webhook).await;
        if holds(&all) {
            return all;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    panic!("{:#?}", deliveries(client, webhook).await);
}

#[tokio::test]
async fn events_come_in_order_signed_tried_again_and_are_taken_once() {
    let clock = standing_clock();
    let system = System::start_at(clock.clone()).await;
    let (inbox, address) = receiver().await;
    let rights = system.sign_in("rights").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let hook = webhook(
        &rights,
        &format!("{address}/rights"),
        &["licence.granted", "licence.amended", "licence.ended"],
    )
    .await;
    let secret = Secret::read(hook["secret"].as_str().unwrap()).unwrap();
    let listed = rights.get(&at("/webhooks")).await.expect(200);
    assert_eq!(listed["items"][0]["secret"], "", "the secret is shown once");

    // The receiver fails twice; nothing may overtake what it did not take.
    inbox.answer(&[500, 503]);
    let granted = licence(&rights, &about, &nursery, json!({})).await;
    let path = at(&format!("/licences/{}", id(&granted)));
    let amendment = json!({"on": "2025-06-01", "reason": "narrowed", "territory": ["US-CA"]});
    rights.put(&path, &amendment, 1).await.expect(200);
    rights
        .post(
            &format!("{path}/end"),
            &json!({"on": "2025-12-31", "reason": "agreed"}),
        )
        .await
        .expect(200);
    inbox.wait("/rights", 1).await;
    until(&rights, &id(&hook), |all| {
        all.len() == 3 && all[2]["attempts"].as_array().unwrap().len() == 1
    })
    .await;
    go_on(&clock, 13);
    inbox.wait("/rights", 2).await;
    until(&rights, &id(&hook), |all| {
        all[2]["attempts"].as_array().unwrap().len() == 2
    })
    .await;
    go_on(&clock, 37);
    let came = inbox.wait("/rights", 5).await;
    let topics: Vec<String> = came.iter().map(Came::topic).collect();
    assert_eq!(
        topics,
        [
            "licence.granted",
            "licence.granted",
            "licence.granted",
            "licence.amended",
            "licence.ended"
        ]
    );
    assert_eq!(came[0].id(), came[1].id());
    assert_eq!(came[0].body, came[2].body);
    assert_ne!(
        came[0].header("webhook-timestamp"),
        came[2].header("webhook-timestamp")
    );
    assert!(came[0].event()["sequence"].as_i64() < came[3].event()["sequence"].as_i64());
    assert_eq!(came[0].event()["data"]["licence_id"], json!(id(&granted)));
    assert_eq!(came[0].event()["data"]["licensee_name"], "Nursery A");

    // The receiver's side.
    let mut own = Receiver::new(secret);
    let now = clock.now();
    let receipts: Vec<_> = came
        .iter()
        .map(|one| own.take(|name| one.header(name), &one.body, now))
        .collect();
    assert_eq!(
        receipts,
        [
            Ok(Receipt::New),
            Ok(Receipt::Repeated),
            Ok(Receipt::Repeated),
            Ok(Receipt::New),
            Ok(Receipt::New)
        ]
    );
    let first = &came[0];
    let later = now + SignedDuration::from_mins(6);
    assert_eq!(
        own.take(|name| first.header(name), &first.body, later),
        Err(Refusal::Stale)
    );
    let changed = String::from_utf8_lossy(&first.body).replace("Nursery A", "Nursery B");
    assert_eq!(
        own.take(|name| first.header(name), changed.as_bytes(), now),
        Err(Refusal::Signature)
    );
    let all = until(&rights, &id(&hook), |all| {
        all.iter().all(|one| one["state"] == "delivered")
    })
    .await;
    let statuses: Vec<_> = all[2]["attempts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|attempt| attempt["status"].clone())
        .collect();
    assert_eq!(statuses, [500, 503, 200]);

    // A renewed secret signs beside the one before for a day.
    let renewed = rights
        .post(&at(&format!("/webhooks/{}/secrets", id(&hook))), &json!({}))
        .await
        .expect(200);
    let tried = rights
        .post(&at(&format!("/webhooks/{}/tests", id(&hook))), &json!({}))
        .await
        .expect(201);
    let came = inbox.wait("/rights", 6).await;
    let last = &came[5];
    assert_eq!(json!(last.id()), tried["id"]);
    for secret in [&hook, &renewed] {
        let secret = Secret::read(secret["secret"].as_str().unwrap()).unwrap();
        let taken = Receiver::new(secret).take(|name| last.header(name), &last.body, now);
        assert_eq!(taken, Ok(Receipt::New));
    }
}

#[tokio::test]
async fn what_a_wrong_clock_put_off_is_sent_when_the_clock_is_right() {
    let clock = standing_clock();
    let system = System::start_at(clock.clone()).await;
    let (inbox, address) = receiver().await;
    let rights = system.sign_in("rights").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let hook = webhook(&rights, &format!("{address}/rights"), &["licence.granted"]).await;
    inbox.answer(&[500, 500]);
    licence(&rights, &about, &nursery, json!({})).await;
    let tried = async |n: usize| {
        until(&rights, &id(&hook), |all| {
            all.len() == 1 && all[0]["attempts"].as_array().unwrap().len() == n
        })
        .await
    };
    tried(1).await;
    go_on(&clock, 500 * 24 * 3600);
    tried(2).await;
    go_on(&clock, 60 - 500 * 24 * 3600);
    let all = tried(3).await;
    assert_eq!(all[0]["state"], "delivered");
    assert_eq!(inbox.at("/rights").len(), 3);
}

#[tokio::test]
async fn a_delivery_is_given_up_and_sent_again_by_hand() {
    let clock = standing_clock();
    let system = System::start_at(clock.clone()).await;
    let (inbox, address) = receiver().await;
    let rights = system.sign_in("rights").await;
    let breeder = system.sign_in("breeder").await;
    let about = candidate(&system, "P-1").await;
    // What came before the webhook is not told to it.
    go_on(&clock, 1);
    let hook = webhook(&rights, &format!("{address}/down"), &["stage.moved"]).await;
    inbox.answer(&[500; 9]);
    let advance = async |stage: &str, on: &str| {
        breeder
            .post(
                &at(&format!("/candidates/{about}/stages")),
                &json!({"stage": stage, "on": on, "reason": "looked well"}),
            )
            .await
            .expect(201);
    };
    advance("budded", "2020-03-01").await;
    advance("multi_site", "2022-03-01").await;
    for attempts in 1..=9 {
        inbox.wait("/down", attempts).await;
        until(&rights, &id(&hook), |all| {
            all.last().is_some_and(|first| {
                first["attempts"].as_array().unwrap().len() == attempts
                    && first["state"] != "sending"
            })
        })
        .await;
        go_on(&clock, 8 * 3600);
    }
    // The first is dead, and the next one's turn came.
    let all = until(&rights, &id(&hook), |all| {
        all.len() == 2 && all[0]["state"] == "delivered"
    })
    .await;
    assert_eq!(all[1]["state"], "dead");
    let shown = rights
        .get(&at(&format!("/webhooks/{}", id(&hook))))
        .await
        .expect(200);
    assert_eq!(
        (&shown["dead_n"], &shown["waiting_n"]),
        (&json!(1), &json!(0))
    );
    let dead = all[1]["id"].as_str().unwrap();
    let again = at(&format!("/webhooks/{}/deliveries/{dead}/again", id(&hook)));
    let sent = rights.post(&again, &json!({})).await.expect(200);
    assert_eq!(sent["state"], "waiting");
    let came = inbox.wait("/down", 11).await;
    assert_eq!(came[10].id(), dead);
    until(&rights, &id(&hook), |all| all[1]["state"] == "delivered").await;

    // Gone for good: the webhook switches itself off, and what happens meanwhile waits.
    inbox.answer(&[410]);
    advance("withdrawn", "2024-03-01").await;
    until(&rights, &id(&hook), |all| all[0]["state"] == "dead").await;
    let stopped = rights
        .get(&at(&format!("/webhooks/{}", id(&hook))))
        .await
        .expect(200);
    assert_eq!(stopped["active"], false);
    assert!(stopped["stopped_reason"].as_str().unwrap().contains("410"));
    rights
        .delete(&at(&format!("/webhooks/{}", id(&hook))))
        .await
        .expect(204);
    rights
        .get(&at(&format!("/webhooks/{}", id(&hook))))
        .await
        .expect(404);
}

#[tokio::test]
async fn a_partner_hears_of_what_it_may_see_and_of_nothing_else() {
    let system = System::start().await;
    let (inbox, address) = receiver().await;
    let rights = system.sign_in("rights").await;
    let breeder = system.sign_in("breeder").await;
    let (a, b) = (
        system.sign_in("partner_a").await,
        system.sign_in("partner_b").await,
    );
    let (shown, hidden) = (
        candidate(&system, "P-1").await,
        candidate(&system, "P-2").await,
    );
    let nursery = organisation(&system, "Nursery A").await;
    let topics = [
        "licence.granted",
        "stage.moved",
        "denomination.published",
        "denomination.moved",
        "grant.recorded",
        "due_date.reached",
        "propagation.reported",
        "royalty.stated",
    ];
    let own = webhook(&a, &format!("{address}/a"), &topics).await;
    let foreign = webhook(&b, &format!("{address}/b"), &topics).await;
    let by_grpc = rights
        .release()
        .create_webhook(::contract::release::CreateWebhookRequest {
            name: "staff".to_owned(),
            url: format!("{address}/staff"),
            topics: topics.map(str::to_owned).to_vec(),
            ..Default::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert!(by_grpc.secret.starts_with("whsec_"));

    let granted = licence(&rights, &shown, &nursery, json!({})).await;
    for about in [&hidden, &shown] {
        breeder
            .post(
                &at(&format!("/candidates/{about}/stages")),
                &json!({"stage": "budded", "on": "2020-03-01", "reason": "a secret reason"}),
            )
            .await
            .expect(201);
    }
    denominate(&rights, &hidden, "Morvane").await;
    denominate(&rights, &shown, "Velenta").await;
    a.post(
        &at("/propagation-reports"),
        &json!({"licence_id": id(&granted), "period_start": "2025-01-01", "period_end": "2025-06-30", "trees_n": 12}),
    )
    .await
    .expect(201);

    let came = inbox.wait("/a", 4).await;
    let told: Vec<String> = came.iter().map(Came::topic).collect();
    assert_eq!(
        told,
        [
            "licence.granted",
            "stage.moved",
            "denomination.published",
            "propagation.reported"
        ]
    );
    for one in &came {
        let text = one.event().to_string();
        assert!(!text.contains("secret reason"), "{text}");
        assert!(
            !text.contains(&hidden) && !text.contains("Morvane"),
            "{text}"
        );
        assert!(text.contains("not legal advice"), "{text}");
    }
    // Staff hears of both candidates, and the reasons; two lines of events, each in its order.
    let staff = inbox.wait("/staff", 10).await;
    let moved: Vec<_> = staff
        .iter()
        .filter(|one| one.topic() == "stage.moved")
        .map(|one| one.event()["data"]["reason"].clone())
        .collect();
    assert!(moved.contains(&json!("a secret reason")), "{moved:?}");
    assert_eq!(deliveries(&b, &id(&foreign)).await, Vec::<Value>::new());

    // Another's webhook reads as one that does not exist.
    for path in ["", "/deliveries"] {
        let theirs = at(&format!("/webhooks/{}{path}", id(&own)));
        let reply = b.get(&theirs).await.expect(404);
        assert_eq!(reply["type"], "/problems/not-found");
    }
    let list = b.get(&at("/webhooks")).await.expect(200);
    assert_eq!(list["items"].as_array().unwrap().len(), 1);
    breeder.get(&at("/webhooks")).await.expect(403);

    // Secrets are out of reach of every scope a request can have.
    let pool = system.pool(ServiceName::Release).await;
    let admin = system.sign_in("admin").await;
    let me = admin.get("/api/identity/v1/me").await.expect(200);
    for partner in ["", nursery.as_str()] {
        let mut transaction = pool.begin().await.unwrap();
        sqlx::query("select set_config('drupeline.programme', $1, true), set_config('drupeline.partner', $2, true)")
            .bind(me["programme_id"].as_str().unwrap())
            .bind(partner)
            .execute(&mut *transaction)
            .await
            .unwrap();
        let secrets: i64 = sqlx::query_scalar("select count(*) from webhook_secret")
            .fetch_one(&mut *transaction)
            .await
            .unwrap();
        assert_eq!(secrets, 0);
    }
}

/// Has due dates announced, as the service does every hour; gives how many were.
async fn announce(system: &System) -> u32 {
    let admin = system.sign_in("admin").await;
    let me = admin.get("/api/identity/v1/me").await.expect(200);
    let programme: platform::ProgrammeId = me["programme_id"].as_str().unwrap().parse().unwrap();
    let transport = system
        .peers_of(ServiceName::Release)
        .reach(ServiceName::Release, Some(programme))
        .await
        .unwrap();
    ::contract::release::release_client::ReleaseClient::new(transport)
        .announce_due_dates(::contract::release::AnnounceDueDatesRequest {})
        .await
        .unwrap()
        .into_inner()
        .announced_n
}

#[tokio::test]
async fn due_dates_are_announced_once_for_each_lead() {
    let system = System::start().await;
    let (inbox, address) = receiver().await;
    let rights = system.sign_in("rights").await;
    let a = system.sign_in("partner_a").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let topics = ["due_date.coming", "due_date.reached"];
    webhook(&rights, &format!("{address}/staff"), &topics).await;
    webhook(&a, &format!("{address}/a"), &topics).await;
    rights
        .post(
            &at("/testing-agreements"),
            &json!({
                "candidate_id": about, "holder_id": nursery, "place": "Block 4", "country": "US",
                "trees_n": 12, "starts_on": "2024-02-01", "ends_on": "2025-02-01", "on_end": "destroy",
            }),
        )
        .await
        .expect(201);
    // A first sale abroad some months ago leaves dates ahead that are the staff's own.
    let sold = Clock::standing_at(Timestamp::now() - SignedDuration::from_hours(24 * 300)).today();
    rights
        .post(
            &at(&format!("/candidates/{about}/disclosures")),
            &json!({"kind": "first_sale", "on": sold.to_string(), "country": "US", "detail": "trees"}),
        )
        .await
        .expect(201);
    announce(&system).await;
    assert_eq!(announce(&system).await, 0, "each is told once");
    // The agreement's end and the American year at the least.
    let staff = inbox.wait("/staff", 2).await;
    assert!(staff.iter().any(|one| one.topic() == "due_date.coming"));
    let partner = inbox.wait("/a", 1).await;
    assert_eq!(partner.len(), 1);
    assert_eq!(partner[0].topic(), "due_date.reached");
    assert_eq!(partner[0].event()["data"]["what"], "return_trees");
    assert!(!partner[0].event().to_string().contains("responsible_id"));
}

#[tokio::test]
async fn what_falls_due_under_a_licence_reaches_its_licensee_alone() {
    let system = System::start().await;
    let (inbox, address) = receiver().await;
    let rights = system.sign_in("rights").await;
    let nursery = organisation(&system, "Nursery A").await;
    let about = candidate(&system, "P-1").await;
    let topics = ["due_date.coming", "due_date.reached"];
    webhook(&rights, &format!("{address}/staff"), &topics).await;
    for partner in ["a", "b"] {
        let client = system.sign_in(&format!("partner_{partner}")).await;
        webhook(&client, &format!("{address}/{partner}"), &topics).await;
    }
    let today = Clock::System.today();
    let ends = today.saturating_add(25.days());
    let terms = json!({
        "starts_on": today.saturating_sub(1.day()).to_string(), "ends_on": ends.to_string(),
        "reporting": {"every_months": 12, "within_days": 20},
    });
    licence(&rights, &about, &nursery, terms).await;
    announce(&system).await;
    let own = inbox.wait("/a", 2).await;
    let whats: Vec<_> = own
        .iter()
        .map(|came| came.event()["data"]["what"].clone())
        .collect();
    assert!(whats.contains(&json!("licence_ends")), "{whats:?}");
    assert!(whats.contains(&json!("report_propagation")), "{whats:?}");
    for came in &own {
        let event = came.event();
        assert_eq!(event["type"], "due_date.coming");
        assert!(
            event["caution"]
                .as_str()
                .unwrap()
                .contains("not legal advice")
        );
        assert!(!event.to_string().contains("responsible_id"));
    }
    inbox.wait("/staff", 2).await;
    assert!(inbox.at("/b").is_empty(), "another licensee hears nothing");
}

#[tokio::test]
async fn in_earnest_a_webhook_leads_to_public_addresses_under_https() {
    let system = System::start_with(Clock::System, |_| ()).await;
    let rights = system.sign_in("rights").await;
    for url in [
        "http://example.org/",
        "https://127.0.0.1/",
        "https://localhost/",
        "https://10.0.0.1:8080/",
        "https://169.254.169.254/",
        "https://[::ffff:127.0.0.1]/",
        "",
        "events",
    ] {
        let body = json!({"name": "x", "url": url, "topics": ["stage.moved"]});
        let refused = rights.post(&at("/webhooks"), &body).await;
        assert_eq!(refused.pointers(422), ["/url"], "{url}");
    }
    for (body, pointers) in [
        (
            json!({"name": "", "url": "https://example.org/", "topics": ["stage.moved"]}),
            vec!["/name"],
        ),
        (
            json!({"name": "x", "url": "https://example.org/", "topics": []}),
            vec!["/topics"],
        ),
        (
            json!({"name": "x", "url": "https://example.org/", "topics": ["stage.moved", "webhook.test", "all"]}),
            vec!["/topics/1", "/topics/2"],
        ),
    ] {
        let refused = rights.post(&at("/webhooks"), &body).await;
        assert_eq!(refused.pointers(422), pointers, "{body}");
    }
    let made = webhook(&rights, "https://example.org/events", &["stage.moved"]).await;
    let path = at(&format!("/webhooks/{}", id(&made)));
    let edit = json!({"name": "renamed", "url": "https://example.org/events", "topics": ["licence.ended"], "active": false});
    rights.put(&path, &edit, 1).await.expect(200);
    rights.put(&path, &edit, 1).await.expect(412);
    rights
        .post(&format!("{path}/tests"), &json!({}))
        .await
        .expect(409);
    rights
        .post(&format!("{path}/deliveries/msg_0/again"), &json!({}))
        .await
        .expect(404);
}
