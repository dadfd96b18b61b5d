//! Bombs and slow attackers. Under none of them may the program hold a gibibyte, and after each it
//! serves as before.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use bytes::{Buf as _, BufMut as _};
use faults::ledger::Writer;
use faults::program::{ADMIN, Program, data_folder, found};
use faults::tell;
use serde_json::{Value, json};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpSocket, TcpStream};
use tokio::task::JoinSet;
use tonic::transport::Endpoint;

use crate::PROGRAM;

const GIBIBYTE: u64 = 1 << 30;
const MIB: usize = 1 << 20;

struct Target {
    program: Program,
    /// As `127.0.0.1:40123`.
    place: String,
    token: String,
}

impl Target {
    async fn start(folder: &Path) -> Self {
        let mut program = Program::up(PROGRAM, folder, &[]);
        let address = program.address();
        let writer = found(&address, folder).await;
        // An administrator keeps people; who takes records is somebody who may.
        let people = format!("{address}/api/identity/v1/people");
        let http = reqwest::Client::new();
        let asked = http.get(&people).bearer_auth(writer.token()).send().await;
        let listed: Value = asked.unwrap().json().await.unwrap();
        let keeper = &listed["items"][0];
        let edited = http
            .patch(format!("{people}/{}", keeper["id"].as_str().unwrap()))
            .bearer_auth(writer.token())
            .header("if-match", format!("\"{}\"", keeper["version"]))
            .json(&json!({"roles": ["administrator", "trials"]}))
            .send()
            .await
            .unwrap();
        assert_eq!(edited.status(), 200);
        let writer = Writer::sign_in(&address, ADMIN.0, ADMIN.1).await;
        Self {
            program,
            place: address.trim_start_matches("http://").to_owned(),
            token: writer.token().to_owned(),
        }
    }

    /// Says something over a connection of its own, in parts, and gives what was said back until the
    /// server closed it or nothing more came.
    async fn say(place: String, head: String, body: Arc<Vec<u8>>) -> String {
        let mut stream = TcpStream::connect(&place).await.unwrap();
        let (mut reading, mut writing) = stream.split();
        let said = async {
            // Whoever is not listened to cannot go on talking.
            let _ = writing.write_all(head.as_bytes()).await;
            let _ = writing.write_all(&body).await;
            std::future::pending::<()>().await;
        };
        let mut heard = Vec::new();
        let hearing = async {
            let _ = tokio::time::timeout(Duration::from_secs(60), async {
                let mut part = [0; 4096];
                while let Ok(n @ 1..) = reading.read(&mut part).await {
                    heard.extend_from_slice(&part[..n]);
                    if heard.windows(4).any(|four| four == b"\r\n\r\n") {
                        break;
                    }
                }
            })
            .await;
        };
        tokio::select! {
            () = said => {}
            () = hearing => {}
        }
        String::from_utf8_lossy(&heard).into_owned()
    }

    /// The same request from several at once; gives the status lines.
    async fn flood(
        &self,
        times: usize,
        path: &str,
        headers: &str,
        body: Vec<u8>,
        signed_in: bool,
    ) -> Vec<String> {
        let bearer = if signed_in {
            format!("authorization: Bearer {}\r\n", self.token)
        } else {
            String::new()
        };
        let head = format!(
            "POST {path} HTTP/1.1\r\nhost: x\r\n{bearer}{headers}content-length: {}\r\n\r\n",
            body.len()
        );
        let body = Arc::new(body);
        let mut all = JoinSet::new();
        for _ in 0..times {
            all.spawn(Self::say(self.place.clone(), head.clone(), body.clone()));
        }
        let heard = all.join_all().await;
        heard
            .iter()
            .map(|said| said.lines().next().unwrap_or_default().to_owned())
            .collect()
    }

    /// The same gRPC message from several at once; gives the codes.
    async fn call(
        &self,
        times: usize,
        path: &'static str,
        message: Vec<u8>,
        signed_in: bool,
    ) -> Vec<tonic::Code> {
        let mut all = JoinSet::new();
        let message = Raw(Arc::new(message));
        for _ in 0..times {
            let (message, address) = (message.clone(), format!("http://{}", self.place));
            let bearer = signed_in.then(|| format!("Bearer {}", self.token));
            all.spawn(async move {
                let channel = Endpoint::from_shared(address).unwrap().connect_lazy();
                let mut grpc =
                    tonic::client::Grpc::new(channel).max_encoding_message_size(usize::MAX);
                let mut request = tonic::Request::new(message);
                if let Some(bearer) = bearer {
                    let metadata = request.metadata_mut();
                    metadata.insert("authorization", bearer.parse().unwrap());
                }
                grpc.ready().await.unwrap();
                let path = http::uri::PathAndQuery::from_static(path);
                let told = grpc.unary(request, path, RawCodec).await;
                told.map_or_else(|status| status.code(), |_| tonic::Code::Ok)
            });
        }
        all.join_all().await
    }

    /// It still serves, and never held too much.
    async fn stands(&mut self, after: &str) {
        let address = format!("http://{}", self.place);
        Writer::sign_in(&address, ADMIN.0, ADMIN.1).await;
        let peak = self.program.peak_bytes();
        tell(after, &[("MiB at most", peak as usize / MIB)]);
        assert!(peak < GIBIBYTE, "after {after} it had held {peak} bytes");
    }
}

/// A message that is bytes already.
#[derive(Clone)]
struct Raw(Arc<Vec<u8>>);

#[derive(Clone, Copy)]
struct RawCodec;

impl tonic::codec::Codec for RawCodec {
    type Encode = Raw;
    type Decode = ();
    type Encoder = Self;
    type Decoder = Self;

    fn encoder(&mut self) -> Self {
        Self
    }

    fn decoder(&mut self) -> Self {
        Self
    }
}

impl tonic::codec::Encoder for RawCodec {
    type Item = Raw;
    type Error = tonic::Status;

    fn encode(
        &mut self,
        item: Raw,
        into: &mut tonic::codec::EncodeBuf<'_>,
    ) -> Result<(), tonic::Status> {
        into.put_slice(&item.0);
        Ok(())
    }
}

impl tonic::codec::Decoder for RawCodec {
    type Item = ();
    type Error = tonic::Status;

    fn decode(
        &mut self,
        from: &mut tonic::codec::DecodeBuf<'_>,
    ) -> Result<Option<()>, tonic::Status> {
        from.advance(from.remaining());
        Ok(Some(()))
    }
}

const TAKE_RECORDS: &str = "/drupeline.evaluation.v1.Evaluation/TakeRecords";
const SIGN_IN: &str = "/drupeline.identity.v1.Identity/SignIn";

#[tokio::test(flavor = "multi_thread")]
async fn no_bomb_and_no_dawdler_takes_the_memory_or_the_place_of_others() {
    let parent = tempfile::tempdir().unwrap();
    let folder = data_folder(parent.path());
    let mut target = Target::start(&folder).await;

    // Two bytes a row, and none of them looked at before the token is.
    let rows = [0x0a, 0x00].repeat(30 * MIB);
    let codes = target.call(6, TAKE_RECORDS, rows.clone(), false).await;
    assert_eq!(codes, vec![tonic::Code::Unauthenticated; 6]);
    target.stands("anonymous rows of two bytes").await;
    let codes = target.call(6, SIGN_IN, rows.clone(), false).await;
    assert_eq!(codes, vec![tonic::Code::ResourceExhausted; 6]);
    target.stands("a sign-in of 60 MiB").await;
    let codes = target.call(6, TAKE_RECORDS, rows, true).await;
    for code in codes {
        let bounded = [tonic::Code::ResourceExhausted, tonic::Code::Unavailable];
        assert!(bounded.contains(&code), "{code:?}");
    }
    target
        .stands("rows of two bytes by somebody signed in")
        .await;

    // Uploads: not listened to without a token, bounded with one.
    let batch = "/api/evaluation/v1/records:batch";
    let lines = b"{}\n".repeat(20 * MIB);
    let json = "content-type: application/x-ndjson\r\n";
    let statuses = target.flood(6, batch, json, lines.clone(), false).await;
    assert_eq!(statuses, vec!["HTTP/1.1 401 Unauthorized"; 6]);
    target.stands("anonymous uploads").await;
    let statuses = target.flood(6, batch, json, lines, true).await;
    for status in statuses {
        assert!(
            status.contains(" 413 ") || status.contains(" 503 "),
            "{status}"
        );
    }
    target.stands("short rows by somebody signed in").await;
    let nested = b"[".repeat(4 * MIB - 1);
    let json = "content-type: application/json\r\n";
    for status in target
        .flood(8, "/api/identity/v1/people", json, nested, true)
        .await
    {
        assert!(
            status.contains(" 4") || status.contains(" 503 "),
            "{status}"
        );
    }
    target.stands("brackets within brackets").await;

    // Those who open and say little, from a network of their own: one network's strangers share
    // their places.
    let mut dawdlers = Vec::new();
    for n in 0..400 {
        let socket = TcpSocket::new_v4().unwrap();
        socket.bind("127.0.0.2:0".parse().unwrap()).unwrap();
        let place = target.place.parse().unwrap();
        let mut stream = socket.connect(place).await.unwrap();
        let begun: &[u8] = match n % 4 {
            0 => b"",
            1 => b"GET / HTTP/1.1\r\nhost: x\r\nx-slow: ",
            2 => b"POST /api/identity/v1/sessions HTTP/1.1\r\nhost: x\r\ncontent-type: application/json\r\ncontent-length: 100\r\n\r\n{",
            _ => b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\0\0\0\x04\0\0\0\0\0",
        };
        stream.write_all(begun).await.unwrap();
        dawdlers.push(stream);
    }
    target.stands("four hundred who dawdle").await;

    // Told to stop, it does, though they are still there.
    let (fine, said) = tokio::task::spawn_blocking(|| target.program.stop())
        .await
        .unwrap();
    assert!(fine, "{said:#?}");
    drop(dawdlers);
}
