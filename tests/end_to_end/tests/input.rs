//! What comes in, over every operation: nothing is passed over, and no text holds what it may not.

use ::contract::common::BatchReply;
use end_to_end::wire::{self, Asked, Leaf, NO_ID, Wire, account_for, path_of, percent_encoded};
use end_to_end::{Client, Reply, System};
use platform::fault::{PROBLEM_METADATA, Problem};
use platform::operation::Kind;
use prost::Message as _;
use serde_json::json;
use std::collections::BTreeMap;

/// A client for each account, made when it is needed.
struct Clients<'a> {
    system: &'a System,
    signed_in: BTreeMap<&'static str, Client>,
}

impl Clients<'_> {
    async fn of(&mut self, asked: &Asked) -> Option<Client> {
        let account = account_for(asked.operation.permission)?;
        if !self.signed_in.contains_key(account) {
            let client = self.system.sign_in(account).await;
            self.signed_in.insert(account, client);
        }
        self.signed_in.get(account).cloned()
    }
}

fn clients(system: &System) -> Clients<'_> {
    Clients {
        system,
        signed_in: BTreeMap::new(),
    }
}

fn has_body(asked: &Asked) -> bool {
    !matches!(asked.operation.method, "GET" | "DELETE")
}

#[tokio::test]
async fn no_operation_passes_an_unknown_name_over() {
    let system = System::start().await;
    let mut clients = clients(&system);
    let mut wrong = Vec::new();
    let wire = Wire::new();
    for asked in &wire.operations {
        let Some(client) = clients.of(asked).await else {
            continue;
        };
        let operation = &asked.operation;
        let path = path_of(operation, |_| NO_ID.to_owned());
        let json = [("content-type", "application/json")];
        let csv = [("content-type", "text/csv")];
        let mut replies: Vec<Reply> = Vec::new();
        let with_query = format!("{path}?zzzz=1");
        if !has_body(asked) {
            replies.push(client.send(operation.method, &with_query, &[], None).await);
        } else if operation.kind == Kind::File {
            let body = Some(b"a,b\n".to_vec());
            replies.push(client.send(operation.method, &with_query, &csv, body).await);
        } else {
            let bare = if operation.kind == Kind::Batch {
                "[]"
            } else {
                "{}"
            };
            let bodies = [(&with_query, bare), (&path, r#"{"rows": [], "zzzz": 1}"#)];
            for (path, body) in bodies {
                let body = Some(body.as_bytes().to_vec());
                replies.push(client.send(operation.method, path, &json, body).await);
            }
        }
        for reply in replies {
            let told = reply.status == 422 && reply.body.to_string().contains("\"/zzzz\"");
            if !told {
                wrong.push(format!("{path}: {} {:#}", reply.status, reply.body));
            }
        }
    }
    println!("{} operations", wire.operations.len());
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

async fn over_rest(client: &Client, asked: &Asked, leaf: &Leaf, text: &str) -> Option<Reply> {
    let operation = &asked.operation;
    let top = leaf.pointer[1..].split('/').next().unwrap_or_default();
    let in_path = operation.path.contains(&format!("{{{top}}}"));
    let path = path_of(operation, |name| {
        if name == top {
            text.to_owned()
        } else {
            NO_ID.to_owned()
        }
    });
    if !has_body(asked) {
        // Messages within messages have no form in a query.
        if leaf.pointer.trim_end_matches("/0").matches('/').count() > 1 {
            return None;
        }
        let query = format!("{path}?{top}={}", percent_encoded(text));
        let path = if in_path { path } else { query };
        return Some(client.send(operation.method, &path, &[], None).await);
    }
    if operation.kind == Kind::File {
        return None;
    }
    let body = match (in_path, operation.kind) {
        (true, Kind::Batch) => json!([]),
        (true, _) => json!({}),
        (false, Kind::Batch) if top == "rows" => leaf.json["rows"].clone(),
        // Beside rows, and sent in the query.
        (false, Kind::Batch) => return None,
        (false, _) => leaf.json.clone(),
    };
    let headers = [("content-type", "application/json"), ("if-match", "\"1\"")];
    let body = Some(body.to_string().into_bytes());
    Some(client.send(operation.method, &path, &headers, body).await)
}

#[tokio::test]
async fn no_operation_takes_a_text_with_a_zero_character() {
    let system = System::start().await;
    let mut clients = clients(&system);
    let wire = Wire::new();
    let text = "a\0b";
    let (mut wrong, mut sent) = (Vec::new(), 0);
    for asked in &wire.operations {
        let Some(client) = clients.of(asked).await else {
            continue;
        };
        for leaf in wire.texts(&asked.message, text, 4) {
            let by_row = asked.operation.kind == Kind::Batch && leaf.pointer.starts_with("/rows/0");
            let pointer = if by_row {
                &leaf.pointer["/rows/0".len()..]
            } else {
                &leaf.pointer
            };
            let told = |errors: &str| {
                errors.contains(&format!("\"{pointer}\"")) && errors.contains("U+0000")
            };
            let mut note = |way: &str, what: String| {
                wrong.push(format!(
                    "{way} {} {}: {what}",
                    asked.operation.name, leaf.pointer
                ));
            };
            if let Some(reply) = over_rest(&client, asked, &leaf, text).await {
                sent += 1;
                // A batch that is refused as a whole, as one of an unknown station, takes no row.
                let refused_whole = by_row && (400..500).contains(&reply.status);
                let status = if by_row { 200 } else { 422 };
                if !refused_whole && (reply.status != status || !told(&reply.body.to_string())) {
                    note("REST", format!("{} {:#}", reply.status, reply.body));
                }
            }
            sent += 1;
            match wire::call(&client, &asked.method, leaf.wire.clone()).await {
                Err(_) if by_row => {}
                Ok(reply) if by_row => {
                    let reply = BatchReply::decode(reply.as_slice()).unwrap();
                    let reply = serde_json::to_string(&reply).unwrap();
                    if !told(&reply) {
                        note("gRPC", reply);
                    }
                }
                Ok(_) => note("gRPC", "taken".to_owned()),
                Err(status) => {
                    let problem = status
                        .metadata()
                        .get_bin(PROBLEM_METADATA)
                        .and_then(|value| value.to_bytes().ok())
                        .and_then(|bytes| serde_json::from_slice::<Problem>(&bytes).ok());
                    let errors =
                        problem.map(|problem| serde_json::to_string(&problem.errors).unwrap());
                    let told = errors.is_some_and(|errors| told(&errors));
                    if status.code() != tonic::Code::InvalidArgument || !told {
                        note("gRPC", format!("{status:?}"));
                    }
                }
            }
        }
    }
    println!("{sent} requests over {} operations", wire.operations.len());
    assert!(sent > 1000);
    assert!(
        wrong.is_empty(),
        "{} of {sent}:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}

#[tokio::test]
async fn one_name_is_one_name_however_it_is_composed() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let plant = |name: &str| json!({"name": name, "species": "Prunus avium", "kind": "variety"});
    let path = "/api/crossing/v1/germplasm";
    let made = breeder
        .post(path, &plant("Ame\u{301}lie"))
        .await
        .expect(201);
    assert_eq!(made["name"], "Am\u{e9}lie");
    let again = breeder.post(path, &plant("Am\u{e9}lie")).await;
    assert!([409, 422].contains(&again.status), "{:#}", again.body);
    for hostile in [
        "Velenta\u{202e}",
        "Ve\u{2066}lenta",
        "Vel\nenta",
        "Vel\u{7}enta",
    ] {
        let reply = breeder.post(path, &plant(hostile)).await;
        assert_eq!(reply.pointers(422), ["/name"]);
    }
    let over_grpc = breeder
        .crossing()
        .register_germplasm(::contract::crossing::RegisterGermplasmRequest {
            name: "Velenta\u{202e}".to_owned(),
            species: "Prunus avium".to_owned(),
            kind: "variety".to_owned(),
            ..Default::default()
        })
        .await;
    assert_eq!(over_grpc.unwrap_err().code(), tonic::Code::InvalidArgument);
}

/// The cases by which this was found.
#[tokio::test]
async fn what_was_once_dropped_is_told() {
    let system = System::start().await;
    let rights = system.sign_in("rights").await;
    let licence = json!({"candidate_id": NO_ID, "licensee_id": NO_ID, "territory": ["US"],
        "purpose": "fruit", "exlusive": true, "starts_on": "2026-01-01"});
    let reply = rights.post("/api/release/v1/licences", &licence).await;
    assert!(
        reply
            .body
            .to_string()
            .contains("did you mean \\\"exclusive\\\"?"),
        "{:#}",
        reply.body
    );
    assert_eq!(reply.pointers(422), ["/exlusive"]);
    let breeder = system.sign_in("breeder").await;
    let reply = breeder.get("/api/crossing/v1/crosses?seasn=2026").await;
    assert_eq!(reply.pointers(422), ["/seasn"]);
    let trials = system.sign_in("trials").await;
    let rows = r#"{"id": "01890a5d-ac96-774b-bcce-000000000001", "valeu": 3}"#;
    let reply = trials
        .post_text(
            "/api/evaluation/v1/records:batch",
            "application/x-ndjson",
            rows,
        )
        .await
        .expect(200);
    assert_eq!(reply["rejected"][0]["errors"][0]["pointer"], "/valeu");
    assert_eq!((&reply["sent"], &reply["accepted"]), (&json!(1), &json!(0)));
}

/// Pages know the names that they look for, and no others.
#[tokio::test]
async fn pages_refuse_what_they_know_nothing_of() {
    let system = System::start().await;
    let anyone = system.anonymous();
    for path in ["/sign-in?nxt=/crosses", "/docs?page=2", "/problems?x=1"] {
        let reply = anyone.get(path).await;
        assert_eq!(reply.status, 422, "{path}");
        assert!(
            reply.body.to_string().contains("is not known here"),
            "{path}"
        );
    }
    assert_eq!(anyone.get("/sign-in?next=/crosses").await.status, 200);
}
