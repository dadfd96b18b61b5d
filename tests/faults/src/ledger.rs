//! Writes that are remembered when they were acknowledged, and looked for afterwards.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use uuid::Uuid;

const PATH: &str = "/api/identity/v1/organisations";
/// How long a write is repeated before it counts as refused; nothing here measures speed.
const PATIENCE: Duration = Duration::from_secs(90);
/// How long one attempt may take.
const ATTEMPT: Duration = Duration::from_secs(30);

/// What became of writes.
#[derive(Debug, Default)]
pub struct Ledger {
    acknowledged: Mutex<Vec<String>>,
    /// Attempts that came to nothing and were repeated.
    repeated: Mutex<BTreeMap<String, usize>>,
}

/// Who writes.
#[derive(Debug, Clone)]
pub struct Writer {
    base: String,
    token: String,
    http: reqwest::Client,
}

impl Writer {
    /// The access token.
    pub fn token(&self) -> &str {
        &self.token
    }

    /// Writes to a Drupeline with an administrator's token.
    pub fn new(base: &str, token: &str) -> Self {
        let http = reqwest::Client::builder().timeout(ATTEMPT).build();
        Self {
            base: base.to_owned(),
            token: token.to_owned(),
            http: http.expect("a client"),
        }
    }

    /// Signs in with a login and a password.
    pub async fn sign_in(base: &str, login: &str, password: &str) -> Self {
        let anyone = Self::new(base, "");
        let body = json!({ "login": login, "password": password });
        let reply = anyone
            .http
            .post(format!("{base}/api/identity/v1/sessions"))
            .json(&body)
            .send()
            .await
            .expect("identity answers");
        assert_eq!(reply.status(), 200, "{login} signs in");
        let session: Value = reply.json().await.expect("a session");
        Self::new(base, session["access_token"].as_str().expect("a token"))
    }

    /// One attempt to write something under an id: its status, or none when there was no answer.
    pub async fn attempt(&self, id: &str) -> Option<u16> {
        let body = json!({ "id": id, "name": format!("Nursery {id}"), "kind": "nursery", "country": "NZ" });
        let sent = self
            .http
            .post(format!("{}{PATH}", self.base))
            .bearer_auth(&self.token)
            .json(&body)
            .send()
            .await
            .ok()?;
        let status = sent.status().as_u16();
        // A reply that breaks off acknowledges nothing.
        sent.bytes().await.ok()?;
        Some(status)
    }

    /// Reads a list, as anybody may go away from in the middle.
    pub async fn read(&self) -> Option<u16> {
        let sent = self.http.get(format!("{}{PATH}?limit=50", self.base));
        let sent = sent.bearer_auth(&self.token).send().await.ok()?;
        Some(sent.status().as_u16())
    }

    /// Status and text at a path.
    pub async fn look(&self, path: &str) -> Option<(u16, String)> {
        let sent = self.http.get(format!("{}{path}", self.base)).send();
        let sent = sent.await.ok()?;
        Some((sent.status().as_u16(), sent.text().await.ok()?))
    }

    /// The ids of all that was written.
    async fn written(&self) -> Vec<String> {
        let mut ids = Vec::new();
        let mut cursor = String::new();
        loop {
            let page = self
                .http
                .get(format!("{}{PATH}?limit=200&cursor={cursor}", self.base))
                .bearer_auth(&self.token)
                .send()
                .await
                .expect("identity answers");
            assert_eq!(page.status(), 200);
            let page: Value = page.json().await.expect("a page");
            let items = page["items"].as_array().expect("items");
            ids.extend(
                items
                    .iter()
                    .filter_map(|item| item["id"].as_str())
                    .map(str::to_owned),
            );
            match page["next_cursor"].as_str() {
                Some(next) if !next.is_empty() => cursor = next.to_owned(),
                _ => return ids,
            }
        }
    }
}

impl Ledger {
    /// Writes something new, repeating the same request until it is acknowledged, as a client does
    /// that heard nothing or was told to try again.
    pub async fn write(&self, writer: &Writer) {
        self.write_as(writer, &Uuid::now_v7().to_string()).await;
    }

    /// The same under an id.
    pub async fn write_as(&self, writer: &Writer, id: &str) {
        let deadline = Instant::now() + PATIENCE;
        loop {
            let told = match writer.attempt(id).await {
                Some(201) => return self.acknowledge(id),
                Some(status) => status.to_string(),
                None => "no answer".to_owned(),
            };
            assert!(
                Instant::now() < deadline,
                "{id} was refused to the end: {told}; {:?}",
                self.repeated
            );
            *self
                .repeated
                .lock()
                .expect("no panic")
                .entry(told)
                .or_default() += 1;
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }

    /// Notes that a write was acknowledged.
    pub fn acknowledge(&self, id: &str) {
        let mut acknowledged = self.acknowledged.lock().expect("no panic");
        acknowledged.push(id.to_owned());
    }

    /// How many writes were acknowledged.
    pub fn acknowledged_n(&self) -> usize {
        self.acknowledged.lock().expect("no panic").len()
    }

    /// How many attempts came to nothing.
    pub fn repeated_n(&self) -> usize {
        self.repeated.lock().expect("no panic").values().sum()
    }

    /// Attempts that came to nothing, by what was answered.
    pub fn repeated(&self) -> BTreeMap<String, usize> {
        self.repeated.lock().expect("no panic").clone()
    }

    /// Panics unless all that was acknowledged is there, once.
    pub async fn holds(&self, writer: &Writer) {
        let mut there: BTreeMap<String, usize> = BTreeMap::new();
        for id in writer.written().await {
            *there.entry(id).or_default() += 1;
        }
        let acknowledged = self.acknowledged.lock().expect("no panic").clone();
        let lost: Vec<&String> = acknowledged
            .iter()
            .filter(|id| !there.contains_key(*id))
            .collect();
        assert!(lost.is_empty(), "acknowledged and lost: {lost:?}");
        let doubled: Vec<_> = there.iter().filter(|(_, n)| **n > 1).collect();
        assert!(doubled.is_empty(), "there more than once: {doubled:?}");
    }
}
