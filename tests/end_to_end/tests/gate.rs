//! The door before every operation: who is listened to, how much of it, how often, and what the
//! installation shows of itself.

use contract::evaluation::{RecordBatchRow, TakeRecordsRequest};
use contract::identity::SignInRequest;
use end_to_end::{Client, System};
use platform::Clock;
use platform::quota::Quota;
use serde_json::json;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tonic::Code;

const BATCH: &str = "/api/evaluation/v1/records:batch";

/// What the server says to the beginning of a request before it closes the connection.
async fn said_to(system: &System, beginning: &str) -> String {
    let place = system.url();
    let mut stream = TcpStream::connect(place.trim_start_matches("http://"))
        .await
        .unwrap();
    stream.write_all(beginning.as_bytes()).await.unwrap();
    let mut said = Vec::new();
    let _ = stream.read_to_end(&mut said).await;
    String::from_utf8_lossy(&said).into_owned()
}

fn upload(client: &Client, more: &str) -> String {
    let token = client.token().unwrap_or_default();
    format!(
        "POST {BATCH} HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {token}\r\n\
         content-type: application/x-ndjson\r\n{more}\r\n"
    )
}

#[tokio::test]
async fn an_upload_that_may_not_be_is_refused_before_it_is_sent() {
    let system = System::start().await;
    let partner = system.sign_in("partner_a").await;
    for more in [
        "content-length: 40000000\r\n",
        "content-length: 40000000\r\nexpect: 100-continue\r\n",
        "transfer-encoding: chunked\r\n",
    ] {
        // Not a byte of the body is sent; the reply is there and the connection ends.
        let said = said_to(&system, &upload(&partner, more)).await;
        assert!(said.starts_with("HTTP/1.1 403 "), "{said}");
        assert!(said.to_lowercase().contains("connection: close"), "{said}");
        assert!(!said.contains("100 Continue"), "{said}");
    }
    let trials = system.sign_in("trials").await;
    let large = upload(&trials, "content-length: 400000000\r\n");
    let said = said_to(&system, &large).await;
    assert!(said.starts_with("HTTP/1.1 413 "), "{said}");
    let invited = upload(
        &trials,
        "content-length: 3\r\nexpect: 100-continue\r\nconnection: close\r\n",
    );
    let mut stream = TcpStream::connect(system.url().trim_start_matches("http://"))
        .await
        .unwrap();
    stream.write_all(invited.as_bytes()).await.unwrap();
    let mut said = [0; 25];
    stream.read_exact(&mut said).await.unwrap();
    assert_eq!(&said, b"HTTP/1.1 100 Continue\r\n\r\n");
    stream.write_all(b"{}\n").await.unwrap();
    let mut said = String::new();
    stream.read_to_string(&mut said).await.unwrap();
    assert!(said.starts_with("HTTP/1.1 200 "), "{said}");
}

#[tokio::test]
async fn rows_are_counted_before_they_are_built() {
    let system = System::start().await;
    let trials = system.sign_in("trials").await;
    let rows_n = 100_001;
    let list = format!("[{}{{}}]", "{},".repeat(rows_n - 1));
    let object = format!("{{\"dry_run\":true,\"rows\":{list}}}");
    for (content_type, body) in [
        ("application/json", list.as_str()),
        ("application/json", object.as_str()),
        ("application/x-ndjson", "{}\n".repeat(rows_n).as_str()),
    ] {
        let problem = trials
            .post_text(BATCH, content_type, body)
            .await
            .expect(413);
        let detail = problem["detail"].as_str().unwrap();
        assert!(
            detail.contains("rows") && detail.contains("100000"),
            "{detail}"
        );
    }
    let many = TakeRecordsRequest {
        rows: vec![RecordBatchRow::default(); rows_n],
        dry_run: true,
        ..TakeRecordsRequest::default()
    };
    let refused = trials.evaluation().take_records(many.clone()).await;
    let status = refused.unwrap_err();
    assert_eq!(status.code(), Code::ResourceExhausted);
    assert!(status.message().contains("rows"), "{status}");
    let nobody = system.anonymous();
    let refused = nobody.evaluation().take_records(many).await;
    assert_eq!(refused.unwrap_err().code(), Code::Unauthenticated);
}

#[tokio::test]
async fn whoever_is_not_signed_in_may_say_little() {
    let system = System::start().await;
    let anyone = system.anonymous();
    let request = SignInRequest {
        login: "x".repeat(100_000),
        password: "y".to_owned(),
        ..SignInRequest::default()
    };
    let refused = anyone.identity().sign_in(request).await;
    assert_eq!(refused.unwrap_err().code(), Code::ResourceExhausted);
    let body = json!({"login": "x".repeat(100_000), "password": "y"});
    let sessions = "/api/identity/v1/sessions";
    anyone.post(sessions, &body).await.expect(413);
}

#[tokio::test]
async fn a_person_has_a_quota_that_the_installation_sets() {
    let system = System::start_with(Clock::System, |settings| {
        settings.person = Quota {
            per_minute_n: 1_000,
            per_day_n: 4,
        };
    })
    .await;
    let breeder = system.sign_in("breeder").await;
    let path = "/api/crossing/v1/seasons";
    let first = breeder.get(path).await;
    assert_eq!(
        first.headers["ratelimit-policy"],
        "\"minute\";q=1000;w=60, \"day\";q=4;w=86400"
    );
    let left = first.headers["ratelimit"].to_str().unwrap().to_owned();
    assert!(left.contains("\"day\";r=3;"), "{left}");
    let request = contract::crossing::ListSeasonsRequest::default();
    let over_grpc = breeder.crossing().list_seasons(request).await;
    let over_grpc = over_grpc.unwrap();
    let left = over_grpc.metadata().get("ratelimit").unwrap();
    assert!(left.to_str().unwrap().contains("\"day\";r=2;"), "{left:?}");
    breeder.get(path).await.expect(200);
    breeder.get(path).await.expect(200);
    let over = breeder.get(path).await;
    assert_eq!(over.status, 429);
    assert!(over.headers.contains_key("retry-after"));
    let detail = over.body["detail"].as_str().unwrap();
    assert!(
        detail.contains("your quota of 4 requests a day"),
        "{detail}"
    );
    let status = breeder.crossing().list_seasons(request).await.unwrap_err();
    assert_eq!(status.code(), Code::ResourceExhausted);
    assert!(status.metadata().contains_key("retry-after"));
    // Nobody else's is used up by that.
    system.sign_in("field").await.get(path).await.expect(200);
}

#[tokio::test]
async fn a_stream_is_counted_and_bounded_as_any_call() {
    let system = System::start().await;
    let trials = system.sign_in("trials").await;
    let row = |text: &str| RecordBatchRow {
        id: text.to_owned(),
        ..RecordBatchRow::default()
    };
    let stream = |rows: Vec<RecordBatchRow>| tonic::codegen::tokio_stream::iter(rows);
    let taken = trials
        .evaluation()
        .stream_records(stream(vec![row("a"), row("b")]))
        .await
        .unwrap();
    assert!(taken.metadata().contains_key("ratelimit"));
    assert_eq!(taken.into_inner().rejected.len(), 2);
    let long = row(&"x".repeat(100_000));
    let refused = trials.evaluation().stream_records(stream(vec![long])).await;
    assert_eq!(refused.unwrap_err().code(), Code::ResourceExhausted);
    let many = vec![RecordBatchRow::default(); 100_001];
    let refused = trials.evaluation().stream_records(stream(many)).await;
    let status = refused.unwrap_err();
    assert_eq!(status.code(), Code::ResourceExhausted, "{status}");
    let metrics = system.anonymous().get("/metrics").await.expect(200);
    let counted = metrics.as_str().unwrap().lines().any(|line| {
        line.starts_with("drupeline_requests_total")
            && line.contains("operation=\"stream_records\"")
            && line.contains("status=\"413\"")
    });
    assert!(counted, "the stream is not among the counts");
}

#[tokio::test]
async fn what_the_installation_closes_is_closed() {
    let system = System::start_with(Clock::System, |settings| {
        settings.faces.metrics = false;
        settings.faces.reflection = false;
        settings.faces.docs = false;
        settings.faces.tls_in_front = true;
    })
    .await;
    let anyone = system.anonymous();
    for path in ["/metrics", "/openapi.json", "/docs"] {
        anyone.get(path).await.expect(404);
    }
    let page = anyone.get("/sign-in").await;
    assert_eq!(page.status, 200);
    assert!(!page.body.as_str().unwrap().contains("/docs"));
    assert_eq!(
        page.headers["strict-transport-security"],
        "max-age=31536000"
    );
    let channel = tonic::transport::Endpoint::from_shared(system.url())
        .unwrap()
        .connect_lazy();
    let mut grpc = tonic::client::Grpc::new(channel);
    grpc.ready().await.unwrap();
    let reflection = http::uri::PathAndQuery::from_static(
        "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo",
    );
    let codec =
        tonic_prost::ProstCodec::<contract::common::Empty, contract::common::Empty>::default();
    let asked = tonic::Request::new(contract::common::Empty {});
    let status = grpc.unary(asked, reflection, codec).await.unwrap_err();
    assert_eq!(status.code(), Code::Unimplemented);

    let account = system.account("breeder");
    let form = format!(
        "login={}&password={}&next=/",
        account.login,
        account.password.replace(' ', "+")
    );
    let said = said_to(
        &system,
        &format!(
            "POST /sign-in HTTP/1.1\r\nhost: 127.0.0.1\r\nconnection: close\r\n\
             content-type: application/x-www-form-urlencoded\r\ncontent-length: {}\r\n\r\n{form}",
            form.len()
        ),
    )
    .await;
    let cookie = said
        .lines()
        .find_map(|line| line.strip_prefix("set-cookie: "))
        .unwrap_or_else(|| panic!("no cookie: {said}"));
    assert!(cookie.starts_with("__Host-drupeline_session="), "{cookie}");
    assert!(cookie.contains("; Secure"), "{cookie}");

    let open = System::start().await;
    let page = open.anonymous().get("/sign-in").await;
    assert!(!page.headers.contains_key("strict-transport-security"));
    assert!(page.body.as_str().unwrap().contains("/docs"));
}

#[tokio::test]
async fn counts_can_stand_at_an_address_of_their_own() {
    // An address that nothing else listens on, so that the port stays free.
    let free = std::net::TcpListener::bind("127.64.3.9:0").unwrap();
    let address = free.local_addr().unwrap();
    drop(free);
    let system = System::start_with(Clock::System, |settings| {
        settings.faces.metrics = false;
        settings.metrics_at = Some(address);
    })
    .await;
    system.anonymous().get("/metrics").await.expect(404);
    let own = Client::new(format!("http://{address}"), None);
    let counts = own.get("/metrics").await.expect(200);
    assert!(
        counts
            .as_str()
            .unwrap()
            .contains("drupeline_requests_total")
    );
    own.get("/api/crossing/v1/seasons").await.expect(404);
}

#[tokio::test]
async fn tokens_and_what_only_some_may_see_are_kept_by_nobody_on_the_way() {
    let system = System::start().await;
    let account = system.account("partner_a");
    let body = json!({"login": account.login, "password": account.password});
    let anyone = system.anonymous();
    let session = anyone.post("/api/identity/v1/sessions", &body).await;
    assert_eq!(session.headers["cache-control"], "no-store");
    let partner = system.sign_in("partner_a").await;
    for path in [
        "/api/release/v1/partner/release-status",
        "/api/release/v1/webhooks",
        "/api/crossing/v1/seasons",
    ] {
        assert_eq!(
            partner.get(path).await.headers["cache-control"],
            "no-store",
            "{path}"
        );
    }
    let keys = anyone.get("/api/identity/v1/jwks.json").await;
    assert!(!keys.headers.contains_key("cache-control"), "open to all");
}

#[tokio::test]
async fn numbers_that_would_never_end_are_refused_by_field() {
    let system = System::start().await;
    let breeder = system.sign_in("breeder").await;
    let huge = json!({
        "design": "unreplicated", "entries": ["a", "b", "c"], "checks": ["d"],
        "block_size": 4_000_000_000u32, "seed": 1,
    });
    let path = "/api/evaluation/v1/designs:try";
    assert_eq!(
        breeder.post(path, &huge).await.pointers(422),
        ["/block_size"]
    );
    let entries: Vec<String> = (0..3_000).map(|n| format!("e{n}")).collect();
    let wide = json!({"design": "row_column", "entries": entries, "replicates": 2, "seed": 1});
    assert_eq!(breeder.post(path, &wide).await.pointers(422), ["/entries"]);
    let sparse = json!({
        "design": "unreplicated", "entries": entries, "checks": ["d"],
        "block_size": 200_000, "seed": 1,
    });
    assert_eq!(
        breeder.post(path, &sparse).await.pointers(422),
        ["/block_size"]
    );
}
