//! What is sent again: by the same phone or another, alone or among many, at once, after a restart.
//! Nothing is refused for having met others, nothing is doubled, and nothing is told to whom it does
//! not belong.

use std::collections::BTreeSet;

use contract::crossing as wire;
use end_to_end::crossing::{ROOT, cherry, create, cross, dry_pollen, mother, open_season, read};
use end_to_end::{Client, Reply, System};
use platform::peers::ServiceName;
use serde_json::{Value, json};
use tokio::task::JoinSet;
use uuid::Uuid;

use crate::release;

/// A house with work for many: crosses of one variety with several fathers, whose pollen is shared.
struct House {
    system: System,
    breeder: Client,
    hilda: String,
    rolf: String,
    crosses: Vec<String>,
    lots: Vec<String>,
    mothers: Vec<String>,
}

async fn house(fathers_n: usize, mothers_n: u32) -> House {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    open_season(&breeder).await;
    let hilda = cherry(&breeder, "Hilda", ["S1", "S3"]).await;
    let rolf = cherry(&breeder, "Rolf", ["S4", "S9"]).await;
    let (mut crosses, mut lots, mut mothers) = (Vec::new(), Vec::new(), Vec::new());
    for n in 0..fathers_n {
        let father = match n {
            0 => rolf.clone(),
            _ => cherry(&breeder, &format!("Rolf {n}"), ["S4", "S9"]).await,
        };
        lots.push(dry_pollen(&breeder, &father, 5000, None).await);
        crosses.push(cross(&breeder, &hilda, &father, 100).await);
    }
    for position in 1..=mothers_n {
        mothers.push(mother(&breeder, &hilda, position).await);
    }
    House {
        system,
        breeder,
        hilda,
        rolf,
        crosses,
        lots,
        mothers,
    }
}

impl House {
    /// A pass of a device: who works after whom differs from device to device, so that they meet.
    fn pass(&self, device: usize, n: usize) -> Value {
        let place = if device.is_multiple_of(2) { n } else { 100 - n } + device;
        let father = place % self.crosses.len();
        json!({"id": Uuid::now_v7(), "cross_id": self.crosses[father], "on": "2026-02-12",
            "pollen_lot_id": self.lots[father],
            "mother_id": self.mothers[place % self.mothers.len()],
            "flowers_emasculated_n": 4, "flowers_pollinated_n": 4, "by": format!("device {device}")})
    }

    async fn passes_n(&self) -> u64 {
        let mut passes_n = 0;
        for cross in &self.crosses {
            let told = read(&self.breeder, &format!("/crosses/{cross}")).await;
            passes_n += told["counts"]["passes_n"].as_u64().unwrap();
        }
        passes_n
    }
}

/// Rows taken in a reply, whatever its form; panics when any was refused.
fn taken_n(reply: &Value) -> u64 {
    let parts = match reply["sections"].as_array() {
        Some(sections) => sections.clone(),
        None => vec![reply.clone()],
    };
    parts
        .iter()
        .map(|part| {
            assert_eq!(part["rejected"], json!([]), "{reply:#}");
            assert_eq!(part["duplicates"], 0, "{reply:#}");
            part["accepted"].as_u64().unwrap()
        })
        .sum()
}

#[tokio::test]
async fn six_devices_sync_at_once_and_every_pass_is_taken() {
    let house = house(4, 5).await;
    let batch = format!("{ROOT}/passes:batch");
    let mut devices = JoinSet::new();
    for device in 0..6 {
        let passes: Vec<Value> = (0..25).map(|n| house.pass(device, n)).collect();
        let (client, path) = (house.breeder.clone(), batch.clone());
        devices.spawn(async move { client.post(&path, &json!(passes)).await.expect(200) });
    }
    let taken: u64 = devices.join_all().await.iter().map(taken_n).sum();
    assert_eq!((taken, house.passes_n().await), (150, 150));
}

#[tokio::test]
async fn batches_days_and_single_calls_meet_and_none_is_refused() {
    let house = house(4, 5).await;
    let mut calls: JoinSet<u64> = JoinSet::new();
    for device in 0..6 {
        let client = house.breeder.clone();
        let passes: Vec<Value> = (0..25).map(|n| house.pass(device, n)).collect();
        let mut mothers = house.mothers.clone();
        mothers.rotate_left(device % 5);
        let events: Vec<Value> = mothers
            .iter()
            .map(|mother| json!({"id": Uuid::now_v7(), "mother_id": mother, "kind": "stripped", "on": "2026-02-12", "flowers_n": device}))
            .collect();
        match device % 3 {
            0 => drop(calls.spawn(async move {
                let path = format!("{ROOT}/passes:batch");
                taken_n(&client.post(&path, &json!(passes)).await.expect(200))
            })),
            1 => drop(calls.spawn(async move {
                let day = json!({"passes": passes, "mother_events": events});
                let path = format!("{ROOT}/day-results");
                taken_n(&client.post(&path, &day).await.expect(200)) - events.len() as u64
            })),
            _ => {
                for pass in passes {
                    let client = client.clone();
                    calls.spawn(async move {
                        let path = format!(
                            "{ROOT}/crosses/{}/passes",
                            pass["cross_id"].as_str().unwrap()
                        );
                        client.post(&path, &pass).await.expect(201);
                        1
                    });
                }
                for event in events {
                    let client = client.clone();
                    calls.spawn(async move {
                        let path = format!(
                            "{ROOT}/mothers/{}/events",
                            event["mother_id"].as_str().unwrap()
                        );
                        client.post(&path, &event).await.expect(201);
                        0
                    });
                }
            }
        }
    }
    let taken: u64 = calls.join_all().await.into_iter().sum();
    assert_eq!((taken, house.passes_n().await), (150, 150));
}

/// The ways in which an entry comes in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    Alone,
    AloneWithKey,
    Batch,
    Day,
    Import,
}

/// A kind of entry: its section, its path when it comes alone (with the field that fills it), and
/// what says something else in the same entry.
struct Kind {
    section: &'static str,
    path: &'static str,
    in_path: &'static str,
    other: (&'static str, Value),
}

impl Kind {
    fn ways(&self) -> Vec<Way> {
        let mut ways = vec![Way::Alone, Way::AloneWithKey, Way::Import];
        let of_a_day = [
            "bloom_records",
            "pollen_lots",
            "pollen_events",
            "mother_events",
            "passes",
        ];
        if of_a_day.contains(&self.section) {
            ways.push(Way::Day);
        }
        if self.section == "passes" {
            ways.push(Way::Batch);
        }
        ways
    }

    async fn send(&self, client: &Client, way: Way, entry: &Value) -> Reply {
        match way {
            Way::Alone | Way::AloneWithKey => {
                let mut body = entry.clone();
                let mut path = format!("{ROOT}{}", self.path);
                if !self.in_path.is_empty() {
                    let named = body.as_object_mut().unwrap().remove(self.in_path).unwrap();
                    path = path.replace("{}", named.as_str().unwrap());
                }
                let key = Uuid::now_v7().to_string();
                let headers = [("idempotency-key", key.as_str())];
                let headers: &[_] = if way == Way::Alone { &[] } else { &headers };
                client.post_with(&path, &body, headers).await
            }
            Way::Batch => {
                let path = format!("{ROOT}/{}:batch", self.section);
                client.post(&path, &json!([entry])).await
            }
            Way::Day => {
                let day = json!({self.section: [entry]});
                client.post(&format!("{ROOT}/day-results"), &day).await
            }
            Way::Import => {
                let season = json!({self.section: [entry]});
                client
                    .post(&format!("{ROOT}/season-imports"), &season)
                    .await
            }
        }
    }
}

/// What became of an entry: `new`, `again`, or the pointer of its fault.
fn became(way: Way, reply: &Reply) -> String {
    let body = &reply.body;
    let pointer = |errors: &Value| errors[0]["pointer"].as_str().unwrap_or("?").to_owned();
    if matches!(way, Way::Alone | Way::AloneWithKey) {
        return match reply.status {
            201 if reply.headers.contains_key("idempotent-replay") => "again".into(),
            201 => "new".into(),
            409 => pointer(&body["errors"]),
            _ => format!("{body:#}"),
        };
    }
    assert_eq!(reply.status, 200, "{way:?}: {body:#}");
    if way == Way::Import {
        if body["written"] == false {
            return pointer(&body["faults"][0]["errors"]);
        }
        let told = &body["sections"][0];
        return if told["written_n"] == 1 {
            "new"
        } else {
            "again"
        }
        .into();
    }
    let parts = match body["sections"].as_array() {
        Some(sections) => sections.clone(),
        None => vec![body.clone()],
    };
    for part in parts {
        if part["accepted"] == 1 {
            return "new".into();
        }
        if part["duplicates"] == 1 {
            return "again".into();
        }
        if part["rejected"] != json!([]) {
            return pointer(&part["rejected"][0]["errors"]);
        }
    }
    "nothing".into()
}

/// Every kind of entry that comes in more than one way.
fn kinds() -> Vec<Kind> {
    let kind = |section, path, in_path, field, value| Kind {
        section,
        path,
        in_path,
        other: (field, value),
    };
    vec![
        kind("seasons", "/seasons", "", "site", json!("Elsewhere")),
        kind("germplasm", "/germplasm", "", "notes", json!("other")),
        kind("mothers", "/mothers", "", "note", json!("other")),
        kind("bloom_records", "/bloom-records", "", "by", json!("Ruy")),
        kind("pollen_lots", "/pollen-lots", "", "by", json!("Ruy")),
        kind(
            "pollen_events",
            "/pollen-lots/{}/events",
            "pollen_lot_id",
            "by",
            json!("Ruy"),
        ),
        kind("crosses", "/crosses", "", "fruit_wanted_n", json!(77)),
        kind(
            "mother_events",
            "/mothers/{}/events",
            "mother_id",
            "by",
            json!("Ruy"),
        ),
        kind(
            "passes",
            "/crosses/{}/passes",
            "cross_id",
            "by",
            json!("Ruy"),
        ),
        kind("fruit", "/crosses/{}/fruit", "cross_id", "by", json!("Ruy")),
        kind("seed", "/crosses/{}/seed", "cross_id", "by", json!("Ruy")),
        kind(
            "seedlings",
            "/crosses/{}/seedlings",
            "cross_id",
            "by",
            json!("Ruy"),
        ),
    ]
}

/// The `n`th entry of a kind; no two are alike.
fn entry(house: &House, section: &str, n: usize) -> Value {
    let on = format!("2026-03-{:02}", n % 28 + 1);
    let mut entry = match section {
        "seasons" => {
            json!({"year": 2000 + n % 25, "site": format!("House {n}"), "time_zone": "Europe/Madrid",
            "opens_on": format!("{}-01-15", 2000 + n % 25), "closes_on": format!("{}-04-15", 2000 + n % 25)})
        }
        "germplasm" => {
            json!({"name": format!("Plant {n}"), "species": "Prunus avium", "kind": "variety"})
        }
        "mothers" => {
            json!({"germplasm_id": house.hilda, "house": "B", "row": 1, "position": n, "on": "2026-01-15"})
        }
        "bloom_records" => json!({"germplasm_id": house.hilda, "on": on, "stage_bbch": 61}),
        "pollen_lots" => {
            json!({"germplasm_id": house.rolf, "gathered_on": on, "flowers_n": 50, "stage_bbch": 59})
        }
        "pollen_events" => {
            json!({"pollen_lot_id": house.lots[0], "kind": "tested", "on": on, "germinated_n": 40, "tested_n": 100})
        }
        "crosses" => {
            json!({"season": 2026, "seed_parent_id": house.hilda, "pollen_parent_id": house.rolf, "objective": format!("aim {n}"), "fruit_wanted_n": 10})
        }
        "mother_events" => {
            json!({"mother_id": house.mothers[0], "kind": "stripped", "on": on, "flowers_n": 3})
        }
        "passes" => {
            json!({"cross_id": house.crosses[0], "on": on, "pollen_lot_id": house.lots[0], "mother_id": house.mothers[0],
            "flowers_emasculated_n": 40, "flowers_pollinated_n": 40})
        }
        "fruit" => {
            json!({"cross_id": house.crosses[0], "on": "2026-06-20", "harvested_n": 5, "stones_n": 5, "by": format!("Ines {n}")})
        }
        "seed" => {
            json!({"cross_id": house.crosses[0], "on": "2026-06-25", "step": "extracted", "seed_n": 2, "stones_n": 2, "by": format!("Ines {n}")})
        }
        _ => {
            json!({"cross_id": house.crosses[0], "planted_n": 1, "block": "C", "first_row": n + 1, "on": "2026-11-01", "reason": "straight from the seed"})
        }
    };
    entry["id"] = json!(Uuid::now_v7());
    entry
}

#[tokio::test]
async fn an_entry_is_the_same_whichever_way_it_comes() {
    let house = house(1, 1).await;
    let client = &house.breeder;
    let (mut n, mut pairs_n) = (0, 0);
    for kind in kinds() {
        for first in kind.ways() {
            for second in kind.ways() {
                n += 1;
                pairs_n += 1;
                let said = format!("{}: {first:?}, then {second:?}", kind.section);
                let sent = entry(&house, kind.section, n);
                if kind.section == "seasons" && n > 25 {
                    break;
                }
                let once = kind.send(client, first, &sent).await;
                assert_eq!(became(first, &once), "new", "{said}: {:#}", once.body);
                let again = kind.send(client, second, &sent).await;
                assert_eq!(became(second, &again), "again", "{said}: {:#}", again.body);
                let mut other = sent.clone();
                other[kind.other.0] = kind.other.1.clone();
                let refused = kind.send(client, second, &other).await;
                assert_eq!(
                    became(second, &refused),
                    "/id",
                    "{said}: {:#}",
                    refused.body
                );
                let named = sent["id"].as_str().unwrap();
                assert!(
                    refused.body.to_string().contains(named),
                    "{:#}",
                    refused.body
                );
            }
        }
    }
    println!("{pairs_n} pairs of ways");
}

#[tokio::test]
async fn another_persons_repeat_is_harmless_and_learns_nothing() {
    let house = house(1, 1).await;
    let field = house.system.sign_in("field").await;
    let pass = house.pass(0, 0);
    let path = format!("{ROOT}/crosses/{}/passes", house.crosses[0]);
    let told = create(&house.breeder, &path[ROOT.len()..], &pass).await;
    // Another phone brings the same pass: alone it is told that it is there and no more.
    let other = field.post(&path, &pass).await;
    let text = other.body.to_string();
    assert!(text.contains("same content"), "{text}");
    assert_eq!(other.pointers(409), ["/id"]);
    for kept in ["outcross_doubt", "germination"] {
        assert!(told.get(kept).is_some() && !text.contains(kept), "{text}");
    }
    // Among many it is a duplicate.
    let batch = format!("{ROOT}/passes:batch");
    let reply = field.post(&batch, &json!([pass])).await.expect(200);
    assert_eq!(
        (&reply["duplicates"], &reply["rejected"]),
        (&json!(1), &json!([]))
    );
    assert_eq!(house.passes_n().await, 1);
}

#[tokio::test]
async fn a_partner_is_never_given_another_partners_reply() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let (a, b) = (
        system.sign_in("partner_a").await,
        system.sign_in("partner_b").await,
    );
    let nursery = release::organisation(&system, "Nursery A").await;
    let candidate = release::candidate(&system, "P-1").await;
    let licence = release::licence(&rights, &candidate, &nursery, json!({})).await;
    let report = json!({"id": Uuid::now_v7(), "licence_id": release::id(&licence),
        "period_start": "2025-01-01", "period_end": "2025-06-30", "trees_n": 333});
    let path = release::at("/propagation-reports");
    let told = a.post(&path, &report).await.expect(201);
    assert_eq!(a.post(&path, &report).await.expect(201), told);
    for (who, client) in [("another partner", b), ("staff", rights)] {
        let reply = client.post(&path, &report).await;
        let text = reply.body.to_string();
        assert!(!text.contains("reported_so_far_n"), "{who}: {text}");
        assert!([404, 409].contains(&reply.status), "{who}: {text}");
    }
    // The memory itself is kept apart by the database, too.
    let pool = system.pool(ServiceName::Release).await;
    let seen = async |partner: &str| -> i64 {
        let mut transaction = pool.begin().await.unwrap();
        let me = a.get("/api/identity/v1/me").await.expect(200);
        sqlx::query("select set_config('drupeline.programme', $1, true), set_config('drupeline.partner', $2, true)")
            .bind(me["programme_id"].as_str().unwrap())
            .bind(partner)
            .execute(&mut *transaction)
            .await
            .unwrap();
        sqlx::query_scalar("select count(*) from retry where operation = 'report_propagation'")
            .fetch_one(&mut *transaction)
            .await
            .unwrap()
    };
    let other = release::organisation(&system, "Nursery B").await;
    assert_eq!(
        (seen(&nursery).await, seen(&other).await, seen("").await),
        (1, 0, 0)
    );
}

#[tokio::test]
async fn a_repeat_after_a_restart_is_the_same_to_the_last_digit() {
    let house = house(1, 1).await;
    let weighed = dry_pollen(&house.breeder, &house.rolf, 500, Some(80.0)).await;
    let station = |n: u32| {
        json!({"id": Uuid::now_v7(), "name": format!("Station {n}"), "site": "Glass house",
            "latitude_deg": 0.1 + f64::from(n) / 7.0, "time_zone": "Europe/Madrid"})
    };
    let path = format!("{ROOT}/weather-stations");
    let key = [("idempotency-key", "stations-of-2026")];
    let mut first = Vec::new();
    for n in 0..40 {
        let body = station(n);
        let reply = house.breeder.post(&path, &body).await;
        first.push((body, reply.bytes));
    }
    let negative_zero =
        json!({"name": "Equator", "site": "Glass house", "latitude_deg": -0.0, "time_zone": "UTC"});
    let keyed = house.breeder.post_with(&path, &negative_zero, &key).await;
    assert_eq!(keyed.status, 201, "{:#}", keyed.body);
    let pass = wire::RecordPassRequest {
        id: Uuid::now_v7().to_string(),
        cross_id: house.crosses[0].clone(),
        on: "2026-02-12".into(),
        pollen_lot_id: weighed,
        mother_id: house.mothers[0].clone(),
        flowers_emasculated_n: 7,
        flowers_pollinated_n: 7,
        pollen_mg: Some(0.1 + 0.2),
        ..wire::RecordPassRequest::default()
    };
    let once = house
        .breeder
        .crossing()
        .record_pass(pass.clone())
        .await
        .unwrap();

    let restarted = house.system.beside().await;
    let breeder = restarted.sign_in("breeder").await;
    for (body, bytes) in first {
        let again = breeder.post(&path, &body).await;
        assert_eq!(again.headers["idempotent-replay"], "true");
        assert_eq!(
            String::from_utf8_lossy(&again.bytes),
            String::from_utf8_lossy(&bytes)
        );
    }
    let again = breeder.post_with(&path, &negative_zero, &key).await;
    assert_eq!(again.bytes, keyed.bytes);
    let again = breeder.crossing().record_pass(pass).await.unwrap();
    assert_eq!(again.into_inner(), once.into_inner());
}

#[tokio::test]
async fn equal_requests_at_once_get_one_reply_also_from_two_programs() {
    let house = house(1, 1).await;
    let beside = house.system.beside().await;
    let others = beside.sign_in("breeder").await;
    let pass = house.pass(0, 0);
    let path = format!("{ROOT}/crosses/{}/passes", house.crosses[0]);
    let mut calls = JoinSet::new();
    for n in 0..24 {
        let client = if n % 2 == 0 { &house.breeder } else { &others }.clone();
        let (path, pass) = (path.clone(), pass.clone());
        calls.spawn(async move {
            let reply = client.post(&path, &pass).await;
            assert_eq!(reply.status, 201, "{:#}", reply.body);
            (reply.headers.contains_key("idempotent-replay"), reply.bytes)
        });
    }
    let replies = calls.join_all().await;
    assert_eq!(replies.iter().filter(|(again, _)| !again).count(), 1);
    let bodies: BTreeSet<&Vec<u8>> = replies.iter().map(|(_, bytes)| bytes).collect();
    assert_eq!(bodies.len(), 1);
    assert_eq!(house.passes_n().await, 1);
}

#[tokio::test]
async fn nothing_is_kept_by_which_a_password_could_be_tried() {
    let system = System::start().await;
    let admin = system.sign_in("admin").await;
    let path = "/api/identity/v1/people";
    let person = |password: &str| {
        json!({"id": "01890a5d-ac96-774b-bcce-b302099a8777", "login": "ines", "name": "Ines Vadell",
            "password": password, "roles": ["field"]})
    };
    let first = admin
        .post(path, &person("seven long words of a song"))
        .await;
    let first = first.expect(201);
    let again = admin
        .post(path, &person("seven long words of a song"))
        .await;
    assert_eq!(again.expect(201), first);
    // Another password is other content, and not dropped without a word.
    let other = admin
        .post(path, &person("quite another set of words"))
        .await;
    assert_eq!(other.pointers(409), ["/id"]);

    let mut connection = system.admin().await;
    let kept: Vec<(Vec<u8>, String)> = sqlx::query_as(
        "select fingerprint, secret_check from identity.retry where operation = 'register_person' \
         and key like '%8777'",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    assert_eq!(kept.len(), 1);
    assert!(kept[0].1.starts_with("$argon2id$"), "{}", kept[0].1);
    // The digest of the request with its password, in each of its forms, stands nowhere.
    let mut message = ::contract::identity::RegisterPersonRequest {
        id: "01890a5d-ac96-774b-bcce-b302099a8777".into(),
        login: "ines".into(),
        name: "Ines Vadell".into(),
        password: "seven long words of a song".into(),
        roles: vec!["field".into()],
        ..Default::default()
    };
    let json = serde_json::to_value(&message).unwrap().to_string();
    for form in [json.into_bytes(), prost::Message::encode_to_vec(&message)] {
        assert_ne!(kept[0].0, platform::retry::digest(&form));
    }
    message.password = "another".into();
    assert_eq!(kept[0].0, platform::retry::fingerprint(&message));
    let audited: Vec<String> = sqlx::query_scalar(
        "select request::text from identity.audit where operation = 'register_person'",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    assert!(audited.iter().any(|request| request.contains("(withheld)")));
    assert!(
        audited
            .iter()
            .all(|request| !request.contains("seven long words"))
    );
}
