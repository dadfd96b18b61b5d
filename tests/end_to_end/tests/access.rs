//! Who may do what: every operation against every role, over REST and over gRPC.

use drupeline::assembly;
use end_to_end::System;
use platform::access::{Permission, Role};
use platform::fields::Words as _;
use platform::operation::Operation;

const NO_ID: &str = "01890a5d-ac96-774b-bcce-000000000000";

fn role_of(account: &str) -> Role {
    match account {
        "admin" => Role::Administrator,
        "partner_a" | "partner_b" => Role::Partner,
        word => Role::from_word(word).unwrap(),
    }
}

fn concrete_path(operation: &Operation) -> String {
    let parts = operation
        .path
        .split('/')
        .map(|part| if part.starts_with('{') { NO_ID } else { part });
    format!("{}{}", operation.root, parts.collect::<Vec<_>>().join("/"))
}

/// Asks with nothing in hand: what matters is whether the door opens, not what lies behind it.
async fn knock(client: &end_to_end::Client, operation: &Operation) -> u16 {
    let headers = [("content-type", "application/json")];
    let body = (!matches!(operation.method, "GET" | "DELETE")).then(|| b"{}".to_vec());
    client
        .send(operation.method, &concrete_path(operation), &headers, body)
        .await
        .status
}

#[tokio::test]
async fn every_role_meets_every_operation() {
    let system = System::start().await;
    let catalogue = assembly::catalogue();
    let mut wrong = Vec::new();
    let mut matrix = String::new();
    for account in system.roles() {
        let client = system.sign_in(&account).await;
        let role = role_of(&account);
        for entry in &catalogue {
            let operation = &entry.operation;
            if operation.name == "sign_out" {
                continue;
            }
            let granted = operation.permission == Permission::Anyone
                || operation.permission.roles().contains(&role);
            let status = knock(&client, operation).await;
            let opened = status != 403;
            if granted != opened
                || status == 401 && operation.permission != Permission::Anyone
                || status >= 500
            {
                wrong.push(format!(
                    "{} as {account}: {status}, granted: {granted}",
                    operation.full_path()
                ));
            }
        }
    }
    for entry in &catalogue {
        let holders: Vec<&str> = entry
            .operation
            .permission
            .roles()
            .iter()
            .map(|r| r.word())
            .collect();
        matrix += &format!(
            "{}.{}: {}\n",
            entry.operation.service,
            entry.operation.name,
            holders.join(" ")
        );
    }
    println!(
        "permission matrix, {} operations × {} accounts\n{matrix}",
        catalogue.len(),
        system.roles().len()
    );
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[tokio::test]
async fn nobody_gets_in_without_signing_in() {
    let system = System::start().await;
    let anyone = system.anonymous();
    for entry in assembly::catalogue() {
        let operation = entry.operation;
        let status = knock(&anyone, &operation).await;
        if operation.permission == Permission::Anyone {
            assert!(status < 500, "{}: {status}", operation.full_path());
        } else {
            assert_eq!(status, 401, "{}", operation.full_path());
        }
    }
}

/// A service's token opens what the service is listed for, and of that nothing without a programme
/// but what lies across programmes.
#[tokio::test]
async fn every_service_meets_every_operation() {
    use platform::peers::{CALLS, Reach, ServiceName};
    let system = System::start().await;
    let me = system
        .sign_in("admin")
        .await
        .get("/api/identity/v1/me")
        .await;
    let me = me.expect(200);
    let programme = me["programme_id"].as_str().unwrap();
    let catalogue = assembly::catalogue();
    let mut wrong = Vec::new();
    let mut opened_n = 0;
    for &(service, word) in ServiceName::ALL {
        let client = system.as_service(service).await;
        for operation in catalogue.iter().map(|entry| entry.operation) {
            let listed = CALLS.iter().find(|call| {
                call.from == service
                    && call.to.word() == operation.service
                    && call.operation == operation.name
            });
            for named in [None, Some(programme)] {
                let granted = operation.permission == Permission::Anyone
                    || listed
                        .is_some_and(|call| named.is_some() || call.reach == Reach::AllProgrammes);
                let mut headers = vec![("content-type", "application/json")];
                headers.extend(named.map(|id| (platform::peers::PROGRAMME_METADATA, id)));
                let body = (!matches!(operation.method, "GET" | "DELETE")).then(|| b"{}".to_vec());
                let path = concrete_path(&operation);
                let status = client
                    .send(operation.method, &path, &headers, body)
                    .await
                    .status;
                opened_n += u32::from(status != 403);
                if granted == (status == 403) || status >= 500 {
                    wrong.push(format!(
                        "{path} as {word} for {named:?}: {status}, granted: {granted}"
                    ));
                }
            }
        }
    }
    println!("{opened_n} doors opened to services");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The list of calls between services holds what the code calls: each line names an operation that
/// there is, and stands in the caller's source.
#[test]
fn the_list_of_calls_is_what_is_called() {
    use platform::peers::CALLS;
    let catalogue = assembly::catalogue();
    let services = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../services");
    for call in CALLS {
        let there = catalogue.iter().any(|entry| {
            entry.operation.service == call.to.word() && entry.operation.name == call.operation
        });
        assert!(there, "{call:?} is no operation");
        let called = [call.from.word(), "platform"].iter().any(|folder| {
            holds(
                &services.join(folder).join("src"),
                &format!(".{}(", call.operation),
            )
        });
        assert!(called, "{call:?} is not called; take it off the list");
    }
}

fn holds(folder: &std::path::Path, text: &str) -> bool {
    std::fs::read_dir(folder).unwrap().any(|entry| {
        let path = entry.unwrap().path();
        if path.is_dir() {
            holds(&path, text)
        } else {
            std::fs::read_to_string(&path).is_ok_and(|source| source.contains(text))
        }
    })
}

/// Every method of every gRPC service is an operation, and none opens without credentials.
#[tokio::test]
async fn every_grpc_method_is_guarded() {
    use ::contract::DESCRIPTORS;
    use prost::Message as _;
    let system = System::start().await;
    let set = prost_types::FileDescriptorSet::decode(DESCRIPTORS).unwrap();
    let catalogue = assembly::catalogue();
    let mut seen = 0;
    for file in &set.file {
        for service in &file.service {
            for method in &service.method {
                let path = format!("/{}.{}/{}", file.package(), service.name(), method.name());
                let operation = catalogue
                    .iter()
                    .map(|entry| entry.operation)
                    .find(|operation| {
                        let camel: String = operation
                            .name
                            .split('_')
                            .map(|part| format!("{}{}", part[..1].to_uppercase(), &part[1..]))
                            .collect();
                        camel == method.name() && service.name().to_lowercase() == operation.service
                    });
                let open =
                    operation.is_some_and(|operation| operation.permission == Permission::Anyone);
                assert!(
                    operation.is_some() || method.client_streaming(),
                    "{path} has no line in its table of operations"
                );
                let channel = tonic::transport::Endpoint::from_shared(system.url())
                    .unwrap()
                    .connect_lazy();
                let mut grpc = tonic::client::Grpc::new(channel);
                grpc.ready().await.unwrap();
                let path: http::uri::PathAndQuery = path.parse().unwrap();
                let answer = grpc
                    .unary(
                        tonic::Request::new(::contract::common::Empty {}),
                        path.clone(),
                        tonic_prost::ProstCodec::<
                            ::contract::common::Empty,
                            ::contract::common::Empty,
                        >::default(),
                    )
                    .await;
                if !open {
                    let code = answer.err().map(|status| status.code());
                    assert_eq!(code, Some(tonic::Code::Unauthenticated), "{path}");
                }
                seen += 1;
            }
        }
    }
    println!("{seen} gRPC methods guarded");
    assert!(seen > 10);
}
