//! Random and mutated requests to every operation, over REST and over gRPC. Whatever is sent, the
//! answer is no fault of ours, it is a problem document when it refuses, and the program goes on as
//! before.
//!
//! `DRUPELINE_FUZZ_ROUNDS` sets how often each operation is asked, `DRUPELINE_FUZZ_SEED` draws other
//! requests. A body that did harm is kept in `tests/faults/corpora/bodies/<operation>/` and sent
//! again in every run: `.json` over REST, `.bin` over gRPC.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use end_to_end::wire::{
    self, Asked, NO_ID, Wire, account_for, delimited, is_many, map_entry, path_of,
};
use end_to_end::{Client, System};
use platform::operation::Kind;
use prost::encoding::{WireType, encode_key, encode_varint};
use prost_types::field_descriptor_proto::Type;
use prost_types::{DescriptorProto, FieldDescriptorProto};
use rand::seq::IndexedRandom as _;
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use serde_json::{Map, Number, Value, json};

/// How long an answer may take before the program is held to have stopped.
const PATIENCE: Duration = Duration::from_secs(90);
/// Longest path that is asked for, bytes.
const LONGEST_PATH: usize = 6_000;
/// Operations that would end the session which asks.
const LEFT_OUT: [&str; 2] = ["sign_out", "change_password"];

fn setting(name: &str, otherwise: u64) -> u64 {
    std::env::var(name)
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(otherwise)
}

/// Draws requests.
struct Fuzz {
    random: ChaCha8Rng,
    wire: Wire,
    /// Ids that the program gave out.
    ids: Vec<String>,
}

/// Texts that did harm somewhere, once.
const TEXTS: [&str; 30] = [
    "",
    " ",
    "a",
    "open",
    "null",
    "-1",
    "0",
    "1e400",
    "NaN",
    "9999999999999999999999",
    "\0",
    "a\u{202e}b",
    "e\u{301}",
    "\u{feff}",
    "\u{10ffff}",
    "=1+1",
    "'; drop table person; --",
    "%s%n",
    "../../etc",
    "{{7*7}}",
    "<script>",
    "1970-01-01",
    "2026-02-30",
    "9999-12-31",
    "-4713-01-01",
    "2026-02-14T08:30:00Z",
    "S3S4",
    "Prunus avium",
    "US",
    "2026",
];

impl Fuzz {
    fn text(&mut self, field: &str) -> String {
        let kind = self.random.random_range(0..10);
        if field.ends_with("_id") || field == "id" || field.ends_with("_ids") {
            return match kind {
                0 => (*TEXTS.choose(&mut self.random).unwrap_or(&"")).to_owned(),
                1..6 if !self.ids.is_empty() => self
                    .ids
                    .choose(&mut self.random)
                    .cloned()
                    .unwrap_or_default(),
                6 | 7 => NO_ID.to_owned(),
                _ => uuid::Uuid::now_v7().to_string(),
            };
        }
        match kind {
            0 => "x".repeat(self.random.random_range(1..5_000)),
            1 => (0..self.random.random_range(1..12))
                .map(|_| self.random.random::<char>())
                .collect(),
            2 | 3 if field.ends_with("_on") || field == "on" || field == "date" => {
                let (year, month, day) = (
                    self.random.random_range(1890..2210),
                    self.random.random_range(1..13),
                    self.random.random_range(1..29),
                );
                format!("{year:04}-{month:02}-{day:02}")
            }
            4 => self.random.random_range(-3..3000).to_string(),
            _ => (*TEXTS.choose(&mut self.random).unwrap_or(&"")).to_owned(),
        }
    }

    fn number(&mut self) -> f64 {
        let all = [
            0.0,
            -0.0,
            1.0,
            -1.0,
            0.5,
            1e-300,
            1e300,
            f64::MAX,
            f64::MIN,
            4294967295.0,
            1e9,
            100.0,
        ];
        match self.random.random_range(0..3) {
            0 => self.random.random_range(-1000.0..1000.0),
            _ => *all.choose(&mut self.random).unwrap_or(&0.0),
        }
    }

    fn whole(&mut self) -> u64 {
        let all = [
            0,
            1,
            2,
            3,
            10,
            100,
            999,
            1 << 31,
            u64::from(u32::MAX),
            1 << 63,
            u64::MAX,
        ];
        match self.random.random_range(0..3) {
            0 => self.random.random_range(0..50),
            _ => *all.choose(&mut self.random).unwrap_or(&0),
        }
    }

    fn many(&mut self) -> usize {
        *[0, 1, 1, 2, 3, 30].choose(&mut self.random).unwrap_or(&1)
    }

    /// A value of JSON that a field could hold, or now and then one that it could not.
    fn json(
        &mut self,
        message: &DescriptorProto,
        field: &FieldDescriptorProto,
        depth: usize,
    ) -> Value {
        if self.random.random_range(0..40) == 0 {
            let strange = [
                json!(null),
                json!([]),
                json!({}),
                json!([[[]]]),
                json!(true),
                json!("x"),
                json!(-1),
                json!({"a": {"b": 1}}),
            ];
            return strange
                .choose(&mut self.random)
                .cloned()
                .unwrap_or_default();
        }
        if map_entry(message, field).is_some() {
            let pairs = (0..self.many()).map(|_| {
                let value = if self.random.random() {
                    json!(self.number())
                } else {
                    json!(self.text(""))
                };
                (self.text("key"), value)
            });
            return Value::Object(pairs.collect());
        }
        if is_many(field) {
            return (0..self.many())
                .map(|_| self.one_json(field, depth))
                .collect();
        }
        self.one_json(field, depth)
    }

    fn one_json(&mut self, field: &FieldDescriptorProto, depth: usize) -> Value {
        match field.r#type() {
            Type::String => self.text(field.name()).into(),
            Type::Bool => self.random.random::<bool>().into(),
            Type::Double | Type::Float => {
                Number::from_f64(self.number()).map_or(Value::Null, Value::Number)
            }
            Type::Int32 | Type::Int64 | Type::Sint32 | Type::Sint64 => (self.whole() as i64).into(),
            Type::Message => match self.wire.held(field).cloned() {
                Some(held) if depth > 0 => self.object(&held, depth - 1),
                _ => json!({}),
            },
            _ => self.whole().into(),
        }
    }

    fn object(&mut self, message: &DescriptorProto, depth: usize) -> Value {
        let mut object = Map::new();
        let share = *[0.2, 0.6, 1.0].choose(&mut self.random).unwrap_or(&1.0);
        for field in &message.field {
            if self.random.random_bool(share) {
                object.insert(field.name().to_owned(), self.json(message, field, depth));
            }
        }
        Value::Object(object)
    }

    /// A message as protobuf.
    fn bytes(&mut self, message: &DescriptorProto, depth: usize) -> Vec<u8> {
        let mut bytes = Vec::new();
        let share = *[0.2, 0.6, 1.0].choose(&mut self.random).unwrap_or(&1.0);
        for field in &message.field {
            if !self.random.random_bool(share) {
                continue;
            }
            let times = if is_many(field) { self.many() } else { 1 };
            for _ in 0..times {
                let one = self.one_wire(message, field, depth);
                bytes.extend(one);
            }
        }
        bytes
    }

    fn one_wire(
        &mut self,
        message: &DescriptorProto,
        field: &FieldDescriptorProto,
        depth: usize,
    ) -> Vec<u8> {
        let number = u32::try_from(field.number()).unwrap_or(1);
        let mut bytes = Vec::new();
        match field.r#type() {
            Type::String => return delimited(field, self.text(field.name()).as_bytes()),
            Type::Bytes => {
                let content = self.text("").into_bytes();
                return delimited(field, &content);
            }
            Type::Double => {
                let strange = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY];
                let value = if self.random.random_range(0..4) == 0 {
                    *strange.choose(&mut self.random).unwrap_or(&f64::NAN)
                } else {
                    self.number()
                };
                encode_key(number, WireType::SixtyFourBit, &mut bytes);
                bytes.extend(value.to_le_bytes());
            }
            Type::Message => {
                let held = map_entry(message, field)
                    .or_else(|| self.wire.held(field))
                    .cloned();
                let content = match held {
                    Some(held) if depth > 0 => self.bytes(&held, depth - 1),
                    _ => Vec::new(),
                };
                return delimited(field, &content);
            }
            _ => {
                encode_key(number, WireType::Varint, &mut bytes);
                encode_varint(self.whole(), &mut bytes);
            }
        }
        bytes
    }

    /// Breaks some bytes now and then.
    fn broken(&mut self, mut bytes: Vec<u8>) -> Vec<u8> {
        if !bytes.is_empty() && self.random.random_range(0..6) == 0 {
            for _ in 0..self.random.random_range(1..4) {
                let at = self.random.random_range(0..bytes.len());
                match self.random.random_range(0..3) {
                    0 => bytes[at] = self.random.random(),
                    1 => bytes.truncate(at.max(1)),
                    _ => bytes.insert(at, self.random.random()),
                }
            }
        }
        bytes
    }

    fn query(&mut self, fields: &Value) -> String {
        let mut pairs = Vec::new();
        for (name, value) in fields.as_object().into_iter().flatten() {
            let values = match value {
                Value::Array(items) => items.clone(),
                other => vec![other.clone()],
            };
            for value in values {
                let text = value
                    .as_str()
                    .map_or_else(|| value.to_string(), str::to_owned);
                pairs.push(format!("{name}={}", wire::percent_encoded(&text)));
            }
        }
        pairs.join("&")
    }

    /// Asks over REST; gives what was wrong with the answer.
    async fn over_rest(
        &mut self,
        client: &Client,
        asked: &Asked,
        body: Option<Vec<u8>>,
    ) -> Option<String> {
        let operation = &asked.operation;
        let fields = self.object(&asked.message, 4);
        let mut filled = BTreeMap::new();
        for field in &asked.message.field {
            filled.insert(field.name().to_owned(), self.text(field.name()));
        }
        let mut path = path_of(operation, |name| {
            let text = filled.get(name).cloned().unwrap_or_default();
            if text.is_empty() {
                NO_ID.to_owned()
            } else {
                text
            }
        });
        let has_body = !matches!(operation.method, "GET" | "DELETE");
        let (content_type, drawn) = match operation.kind {
            _ if !has_body => {
                let query = self.query(&fields);
                path = format!("{path}?{query}");
                ("application/json", Vec::new())
            }
            Kind::File => (
                "text/csv",
                format!(
                    "tree,observed_at,brix\n{},{},1\n",
                    self.text(""),
                    self.text("on")
                )
                .into_bytes(),
            ),
            Kind::Batch => {
                let rows = fields.get("rows").cloned().unwrap_or_else(|| json!([]));
                ("application/json", rows.to_string().into_bytes())
            }
            _ => (
                "application/json",
                without_path(fields, operation.path)
                    .to_string()
                    .into_bytes(),
            ),
        };
        // What is longer is no request any more.
        if path.len() > LONGEST_PATH {
            path = path_of(operation, |_| NO_ID.to_owned());
        }
        let drawn = self.broken(drawn);
        let sent = body.unwrap_or(drawn);
        let version = format!("\"{}\"", self.random.random_range(0..4));
        let headers = [
            ("content-type", content_type),
            ("if-match", version.as_str()),
        ];
        let request = client.send(
            operation.method,
            &path,
            &headers,
            has_body.then(|| sent.clone()),
        );
        let told = |what: String| {
            let body: String = String::from_utf8_lossy(&sent).chars().take(2_000).collect();
            Some(format!("{} {path}: {what}\n    {body}", operation.method))
        };
        let Ok(reply) = tokio::time::timeout(PATIENCE, request).await else {
            return told("no answer".to_owned());
        };
        if reply.status >= 500 {
            return told(format!("{} {}", reply.status, reply.body));
        }
        let kind = reply
            .headers
            .get("content-type")
            .and_then(|value| value.to_str().ok());
        // Paths that end up at no operation are answered by the router.
        if reply.status >= 400 && kind != Some("application/problem+json") {
            return told(format!("{} as {kind:?}: {}", reply.status, reply.body));
        }
        if operation.service != "identity" {
            self.remember(&reply.body);
        }
        None
    }

    fn remember(&mut self, reply: &Value) {
        if let Some(id) = reply.get("id").and_then(Value::as_str)
            && self.ids.len() < 500
        {
            self.ids.push(id.to_owned());
        }
    }

    /// Asks over gRPC; gives what was wrong with the answer.
    async fn over_grpc(
        &mut self,
        client: &Client,
        asked: &Asked,
        body: Option<Vec<u8>>,
    ) -> Option<String> {
        use tonic::Code as C;
        let drawn = self.bytes(&asked.message, 4);
        let drawn = self.broken(drawn);
        let sent = body.unwrap_or(drawn);
        let told = |what: String| {
            let hex: String = sent
                .iter()
                .take(1_000)
                .map(|byte| format!("{byte:02x}"))
                .collect();
            Some(format!("{}: {what}\n    {hex}", asked.method))
        };
        let call = wire::call(client, &asked.method, sent.clone());
        match tokio::time::timeout(PATIENCE, call).await {
            Err(_) => told("no answer".to_owned()),
            // Bytes that are no message at all are told as such by the transport.
            Ok(Err(status))
                if status
                    .message()
                    .contains("failed to decode Protobuf message") =>
            {
                None
            }
            Ok(Err(status))
                if matches!(
                    status.code(),
                    C::Internal
                        | C::Unknown
                        | C::DataLoss
                        | C::Unavailable
                        | C::DeadlineExceeded
                        | C::Cancelled
                ) =>
            {
                told(format!("{status:?}"))
            }
            Ok(_) => None,
        }
    }
}

/// The fields that a path does not fill.
fn without_path(mut fields: Value, path: &str) -> Value {
    if let Value::Object(fields) = &mut fields {
        fields.retain(|name, _| !path.contains(&format!("{{{name}}}")));
    }
    fields
}

/// Bodies that once did harm: operation, file, whether it is sent over gRPC.
fn kept() -> Vec<(String, PathBuf, bool)> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../faults/corpora/bodies");
    let mut kept = Vec::new();
    for operation in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        for file in std::fs::read_dir(operation.path())
            .into_iter()
            .flatten()
            .flatten()
        {
            let is_grpc = file
                .path()
                .extension()
                .is_some_and(|ending| ending == "bin");
            let name = operation.file_name().to_string_lossy().into_owned();
            kept.push((name, file.path(), is_grpc));
        }
    }
    kept.sort();
    kept
}

#[tokio::test(flavor = "multi_thread")]
async fn whatever_is_sent_no_operation_breaks() {
    let system = System::start().await;
    let (rounds, seed) = (
        setting("DRUPELINE_FUZZ_ROUNDS", 6),
        setting("DRUPELINE_FUZZ_SEED", 1),
    );
    let mut clients = BTreeMap::new();
    for account in [
        "breeder",
        "admin",
        "rights",
        "trials",
        "manager",
        "field",
        "partner_a",
    ] {
        clients.insert(account, system.sign_in(account).await);
    }
    let mut fuzz = Fuzz {
        random: ChaCha8Rng::seed_from_u64(seed),
        wire: Wire::new(),
        ids: Vec::new(),
    };
    let operations = std::mem::take(&mut fuzz.wire.operations);
    let (mut wrong, mut sent) = (Vec::new(), 0);
    for (name, file, is_grpc) in kept() {
        let asked = operations.iter().find(|asked| asked.operation.name == name);
        let asked = asked.unwrap_or_else(|| panic!("{} is of no operation", file.display()));
        let Some(account) = account_for(asked.operation.permission) else {
            continue;
        };
        let body = Some(std::fs::read(&file).unwrap());
        let client = &clients[account];
        wrong.extend(match is_grpc {
            true => fuzz.over_grpc(client, asked, body).await,
            false => fuzz.over_rest(client, asked, body).await,
        });
        sent += 1;
    }
    for _ in 0..rounds {
        for asked in &operations {
            let Some(account) = account_for(asked.operation.permission) else {
                continue;
            };
            if LEFT_OUT.contains(&asked.operation.name) {
                continue;
            }
            let client = &clients[account];
            wrong.extend(fuzz.over_rest(client, asked, None).await);
            wrong.extend(fuzz.over_grpc(client, asked, None).await);
            sent += 2;
        }
        assert_eq!(
            system.anonymous().get("/readyz").await.status,
            200,
            "after {sent} requests"
        );
    }
    println!(
        "{sent} requests, {} ids given out, seed {seed}",
        fuzz.ids.len()
    );
    let alive = clients["breeder"].get("/api/crossing/v1/crosses").await;
    assert_eq!(alive.status, 200, "{:#}", alive.body);
    assert!(
        wrong.is_empty(),
        "{} of {sent}:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}
