//! A user's side of the conversation, over HTTP and over gRPC.

use contract::crossing::crossing_client::CrossingClient;
use contract::evaluation::evaluation_client::EvaluationClient;
use contract::identity::identity_client::IdentityClient;
use contract::release::release_client::ReleaseClient;
use reqwest::Method;
use reqwest::header::HeaderMap;
use serde_json::Value;
use tonic::metadata::AsciiMetadataValue;
use tonic::service::Interceptor;
use tonic::service::interceptor::InterceptedService;
use tonic::transport::{Channel, Endpoint};

/// A gRPC transport that sends the client's token.
pub type Authorised = InterceptedService<Channel, Token>;

/// Sends the client's token with every call.
#[derive(Clone)]
pub struct Token(Option<AsciiMetadataValue>);

impl Interceptor for Token {
    fn call(
        &mut self,
        mut request: tonic::Request<()>,
    ) -> Result<tonic::Request<()>, tonic::Status> {
        if let Some(token) = &self.0 {
            request
                .metadata_mut()
                .insert("authorization", token.clone());
        }
        Ok(request)
    }
}

/// A client, signed in or not.
#[derive(Clone)]
pub struct Client {
    base: String,
    token: Option<String>,
    http: reqwest::Client,
}

/// What came back.
#[derive(Debug)]
pub struct Reply {
    /// HTTP status.
    pub status: u16,
    /// Headers.
    pub headers: HeaderMap,
    /// The body as JSON; a body that is not JSON as text.
    pub body: Value,
    /// The body as it came.
    pub bytes: Vec<u8>,
}

impl Reply {
    /// The body, when the status is the one expected.
    #[track_caller]
    pub fn expect(self, status: u16) -> Value {
        assert_eq!(self.status, status, "the reply was {:#}", self.body);
        self.body
    }

    /// Pointers of the problem's faults, when the status is the one expected.
    #[track_caller]
    pub fn pointers(self, status: u16) -> Vec<String> {
        let content_type = self
            .headers
            .get("content-type")
            .map(|v| v.to_str().unwrap_or_default().to_owned());
        assert_eq!(
            content_type.as_deref(),
            Some("application/problem+json"),
            "{:#}",
            self.body
        );
        let body = self.expect(status);
        body["errors"]
            .as_array()
            .map(|errors| {
                errors
                    .iter()
                    .map(|e| e["pointer"].as_str().unwrap_or_default().to_owned())
                    .collect()
            })
            .unwrap_or_default()
    }
}

impl Client {
    /// A client of a Drupeline at a base address.
    pub fn new(base: String, token: Option<String>) -> Self {
        Self {
            base,
            token,
            http: reqwest::Client::new(),
        }
    }

    /// The access token.
    pub fn token(&self) -> Option<&str> {
        self.token.as_deref()
    }

    /// Any request.
    pub async fn send(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Option<Vec<u8>>,
    ) -> Reply {
        let method = Method::from_bytes(method.as_bytes()).expect("a method");
        let mut request = self.http.request(method, format!("{}{path}", self.base));
        if let Some(token) = &self.token {
            request = request.bearer_auth(token);
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        if let Some(body) = body {
            request = request.body(body);
        }
        let response = request.send().await.expect("the server answers");
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let bytes = response.bytes().await.expect("a whole body").to_vec();
        let body = serde_json::from_slice(&bytes)
            .unwrap_or_else(|_| Value::String(String::from_utf8_lossy(&bytes).into_owned()));
        Reply {
            status,
            headers,
            body,
            bytes,
        }
    }

    /// `GET`.
    pub async fn get(&self, path: &str) -> Reply {
        self.send("GET", path, &[], None).await
    }

    /// `DELETE`.
    pub async fn delete(&self, path: &str) -> Reply {
        self.send("DELETE", path, &[], None).await
    }

    /// `POST` of JSON.
    pub async fn post(&self, path: &str, body: &Value) -> Reply {
        self.post_with(path, body, &[]).await
    }

    /// `POST` of JSON with headers.
    pub async fn post_with(&self, path: &str, body: &Value, headers: &[(&str, &str)]) -> Reply {
        let mut all = vec![("content-type", "application/json")];
        all.extend_from_slice(headers);
        self.send("POST", path, &all, Some(body.to_string().into_bytes()))
            .await
    }

    /// `POST` of a text with a content type.
    pub async fn post_text(&self, path: &str, content_type: &str, text: &str) -> Reply {
        self.send(
            "POST",
            path,
            &[("content-type", content_type)],
            Some(text.as_bytes().to_vec()),
        )
        .await
    }

    /// `PUT` of JSON on a version.
    pub async fn put(&self, path: &str, body: &Value, version: i64) -> Reply {
        self.edit("PUT", path, body, version).await
    }

    /// `PATCH` of JSON on a version.
    pub async fn patch(&self, path: &str, body: &Value, version: i64) -> Reply {
        self.edit("PATCH", path, body, version).await
    }

    async fn edit(&self, method: &str, path: &str, body: &Value, version: i64) -> Reply {
        let tag = format!("\"{version}\"");
        let headers = [
            ("content-type", "application/json"),
            ("if-match", tag.as_str()),
        ];
        self.send(method, path, &headers, Some(body.to_string().into_bytes()))
            .await
    }

    /// A gRPC transport that sends the token.
    pub fn transport(&self) -> Authorised {
        let endpoint = Endpoint::from_shared(self.base.clone()).expect("an address");
        let token = self.token.as_ref().map(|token| {
            AsciiMetadataValue::try_from(format!("Bearer {token}")).expect("a token of ASCII")
        });
        InterceptedService::new(endpoint.connect_lazy(), Token(token))
    }

    /// The identity service over gRPC.
    pub fn identity(&self) -> IdentityClient<Authorised> {
        IdentityClient::new(self.transport())
    }

    /// The crossing service over gRPC.
    pub fn crossing(&self) -> CrossingClient<Authorised> {
        CrossingClient::new(self.transport()).max_decoding_message_size(usize::MAX)
    }

    /// The evaluation service over gRPC.
    pub fn evaluation(&self) -> EvaluationClient<Authorised> {
        EvaluationClient::new(self.transport()).max_decoding_message_size(usize::MAX)
    }

    /// The release service over gRPC.
    pub fn release(&self) -> ReleaseClient<Authorised> {
        ReleaseClient::new(self.transport()).max_decoding_message_size(usize::MAX)
    }
}
