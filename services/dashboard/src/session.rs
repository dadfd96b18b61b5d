//! Who reads: a session in a cookie that no script can read and no other site can send.
//!
//! The cookie holds the access token and the refresh token. When the access token has ended, the
//! refresh token is exchanged for a new pair, which goes into the cookie of the reply. A refresh
//! token works once, so pages asked for at the same moment share one exchange.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::extract::{Request, State};
use axum::middleware::Next;
use axum::response::{AppendHeaders, IntoResponse, Redirect, Response};
use contract::identity::identity_client::IdentityClient;
use contract::identity::{
    ContinueSignInRequest, RecoverPasswordRequest, RefreshSessionRequest, Session, SignInRequest,
    SignOutRequest,
};
use http::{HeaderMap, HeaderValue, StatusCode, header};
use platform::Caller;
use platform::fault::FaultKind;
use platform::peers::{Peers, ServiceName};
use platform::token::Verifier;
use tokio::sync::OnceCell;

use crate::Dashboard;
use crate::desk::encode;
use crate::layout::{self, Page};
use crate::trouble::{SignInFirst, Trouble};

/// As long as a device is known.
const DEVICE_LIFE_S: u32 = 80 * 24 * 3600;
/// As long as a refresh token lives.
const COOKIE_LIFE_S: u32 = 14 * 24 * 3600;
/// How long pages that carry a refresh token already used are given the pair it was used for.
const SHARED_EXCHANGE: Duration = Duration::from_secs(30);

/// Somebody who is signed in.
#[derive(Debug, Clone)]
pub struct Visitor {
    /// Who it is, as the verified token says.
    pub caller: Caller,
    /// The person's own access token, sent with every call to a service.
    pub access_token: String,
}

/// The two tokens of a session.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Pair {
    access: String,
    refresh: String,
}

impl From<Session> for Pair {
    fn from(session: Session) -> Self {
        Self {
            access: session.access_token,
            refresh: session.refresh_token,
        }
    }
}

/// The cookie of a session. Where TLS stands in front, it is one that browsers take and send under
/// encryption alone, and from this very host (the prefix `__Host-` of RFC 6265bis, from memory).
#[derive(Debug, Clone, Copy)]
struct Cookie {
    tls_in_front: bool,
}

impl Cookie {
    fn name(self) -> &'static str {
        if self.tls_in_front {
            "__Host-drupeline_session"
        } else {
            "drupeline_session"
        }
    }

    /// The cookie by which a device is known that signed in before; it opens nothing by itself.
    fn device_name(self) -> &'static str {
        if self.tls_in_front {
            "__Host-drupeline_device"
        } else {
            "drupeline_device"
        }
    }

    fn read(self, headers: &HeaderMap) -> Option<Pair> {
        let (access, refresh) = value_of(headers, self.name())?.split_once('~')?;
        Some(Pair {
            access: access.to_owned(),
            refresh: refresh.to_owned(),
        })
    }

    fn read_device(self, headers: &HeaderMap) -> String {
        value_of(headers, self.device_name())
            .unwrap_or_default()
            .to_owned()
    }

    fn of(self, pair: &Pair) -> HeaderValue {
        let value = format!("{}~{}", pair.access, pair.refresh);
        self.set(self.name(), &value, COOKIE_LIFE_S)
    }

    fn of_device(self, device_token: &str) -> HeaderValue {
        self.set(self.device_name(), device_token, DEVICE_LIFE_S)
    }

    fn none(self) -> HeaderValue {
        self.set(self.name(), "", 0)
    }

    /// The next step for somebody who wants to sign in.
    fn entry(self, session: Session) -> Entry {
        if !session.step.is_empty() {
            return Entry::Step(Box::new(session));
        }
        let device = self.of_device(&session.device_token);
        Entry::In([self.of(&Pair::from(session)), device])
    }

    fn set(self, name: &str, value: &str, life_s: u32) -> HeaderValue {
        let secure = if self.tls_in_front { "; Secure" } else { "" };
        let text =
            format!("{name}={value}; Path=/; Max-Age={life_s}; HttpOnly; SameSite=Strict{secure}");
        HeaderValue::from_str(&text).unwrap_or(HeaderValue::from_static(
            "drupeline_session=; Path=/; Max-Age=0",
        ))
    }
}

/// What became of somebody who wants to sign in.
pub enum Entry {
    /// They are in; the cookies to set.
    In([HeaderValue; 2]),
    /// Something is missing still, as the session says.
    Step(Box<Session>),
}

/// The value of a cookie.
fn value_of<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .filter_map(|cookie| cookie.trim().split_once('='))
        .find(|(found, _)| *found == name)
        .map(|(_, value)| value)
}

type Exchange = Arc<OnceCell<Pair>>;

/// Keeps people signed in.
pub struct Sessions {
    peers: Peers,
    verifier: Arc<Verifier>,
    cookie: Cookie,
    exchanges: Mutex<HashMap<String, (Instant, Exchange)>>,
}

enum Arrival {
    Nobody,
    Known(Visitor),
    Renewed(Visitor, Pair),
    Ended,
}

impl Sessions {
    /// Sessions held by the identity service.
    pub fn new(peers: Peers, tls_in_front: bool) -> Self {
        Self {
            cookie: Cookie { tls_in_front },
            verifier: Arc::new(Verifier::new(peers.clone())),
            peers,
            exchanges: Mutex::default(),
        }
    }

    /// Checks who asks, as the session's token says.
    pub fn verifier(&self) -> Arc<Verifier> {
        self.verifier.clone()
    }

    fn identity(&self) -> Result<IdentityClient<platform::peers::Transport>, Trouble> {
        Ok(IdentityClient::new(
            self.peers.transport(ServiceName::Identity)?,
        ))
    }

    async fn arrive(&self, headers: &HeaderMap) -> Result<Arrival, Trouble> {
        let Some(pair) = self.cookie.read(headers) else {
            return Ok(Arrival::Nobody);
        };
        if let Some(visitor) = self.visitor(&pair).await? {
            return Ok(Arrival::Known(visitor));
        }
        match self.renew(&pair.refresh).await {
            Ok(renewed) => Ok(match self.visitor(&renewed).await? {
                Some(visitor) => Arrival::Renewed(visitor, renewed),
                None => Arrival::Ended,
            }),
            Err(Trouble::SignIn) => Ok(Arrival::Ended),
            Err(trouble) if trouble.status().is_client_error() => Ok(Arrival::Ended),
            Err(trouble) => Err(trouble),
        }
    }

    async fn visitor(&self, pair: &Pair) -> Result<Option<Visitor>, Trouble> {
        match self.verifier.caller(&pair.access, None).await {
            Ok(caller) => Ok(Some(Visitor {
                caller,
                access_token: pair.access.clone(),
            })),
            Err(fault) if fault.kind() == FaultKind::Unauthenticated => Ok(None),
            Err(fault) => Err(fault.into()),
        }
    }

    async fn renew(&self, refresh_token: &str) -> Result<Pair, Trouble> {
        let exchange = self.exchange(refresh_token);
        let pair = exchange
            .get_or_try_init(async || {
                let request = RefreshSessionRequest {
                    refresh_token: refresh_token.to_owned(),
                };
                let session = self
                    .identity()?
                    .refresh_session(request)
                    .await?
                    .into_inner();
                Ok::<_, Trouble>(Pair::from(session))
            })
            .await?;
        Ok(pair.clone())
    }

    fn exchange(&self, refresh_token: &str) -> Exchange {
        let mut exchanges = self.exchanges.lock().unwrap_or_else(|e| e.into_inner());
        exchanges.retain(|_, (since, _)| since.elapsed() < SHARED_EXCHANGE);
        exchanges
            .entry(refresh_token.to_owned())
            .or_insert_with(|| (Instant::now(), Exchange::default()))
            .1
            .clone()
    }

    /// Signs a person in, or tells the next step to it.
    ///
    /// # Errors
    /// When login and password do not fit together, or too many were tried.
    pub async fn sign_in(
        &self,
        login: &str,
        password: &str,
        headers: &HeaderMap,
    ) -> Result<Entry, Trouble> {
        let request = SignInRequest {
            login: login.to_owned(),
            password: password.to_owned(),
            device_token: self.cookie.read_device(headers),
        };
        let session = self.identity()?.sign_in(request).await?.into_inner();
        Ok(self.cookie.entry(session))
    }

    /// Takes the step to a session that was missing.
    ///
    /// # Errors
    /// When it does not hold, or took too long.
    pub async fn step(
        &self,
        request: ContinueSignInRequest,
        headers: &HeaderMap,
    ) -> Result<Entry, Trouble> {
        let request = ContinueSignInRequest {
            device_token: self.cookie.read_device(headers),
            ..request
        };
        let session = self
            .identity()?
            .continue_sign_in(request)
            .await?
            .into_inner();
        Ok(self.cookie.entry(session))
    }

    /// Sets a new password with a link; gives the login.
    ///
    /// # Errors
    /// When the link does not hold, or the password is not one to take.
    pub async fn recover(&self, request: RecoverPasswordRequest) -> Result<String, Trouble> {
        let recovered = self.identity()?.recover_password(request).await?;
        Ok(recovered.into_inner().login)
    }

    /// Ends the session of whoever is signed in; gives the cookie to set.
    pub async fn sign_out(&self, visitor: Option<&Visitor>) -> HeaderValue {
        if let Some(visitor) = visitor
            && let Ok(transport) = self
                .peers
                .reach_as(ServiceName::Identity, &visitor.access_token)
            && let Err(status) = IdentityClient::new(transport)
                .sign_out(SignOutRequest {})
                .await
        {
            tracing::warn!(
                grpc.message = status.message(),
                "a session could not be ended"
            );
        }
        self.cookie.none()
    }
}

/// Finds out who asks, lets the page be made, and puts the frame around it.
pub async fn enter(
    State(dashboard): State<Dashboard>,
    mut request: Request,
    next: Next,
) -> Response {
    let uri = request.uri().clone();
    let sessions = &dashboard.0.sessions;
    let (visitor, set_cookie, trouble) = match sessions.arrive(request.headers()).await {
        Ok(Arrival::Nobody) => (None, None, None),
        Ok(Arrival::Known(visitor)) => (Some(visitor), None, None),
        Ok(Arrival::Renewed(visitor, pair)) => {
            (Some(visitor), Some(sessions.cookie.of(&pair)), None)
        }
        Ok(Arrival::Ended) => (None, Some(sessions.cookie.none()), None),
        Err(trouble) => (None, None, Some(trouble)),
    };
    let mut response = match trouble {
        Some(trouble) => trouble.into_response(),
        None => {
            if let Some(visitor) = &visitor {
                request.extensions_mut().insert(visitor.clone());
            }
            next.run(request).await
        }
    };
    if response.extensions().get::<SignInFirst>().is_some() {
        let back = uri.path_and_query().map_or("/", |path| path.as_str());
        response = Redirect::to(&format!("/sign-in?next={}", encode(back))).into_response();
    }
    if let Some(page) = response.extensions_mut().remove::<Page>() {
        let framed = layout::frame(&page, visitor.as_ref(), uri.path(), dashboard.0.faces);
        *response.body_mut() = Body::from(framed.into_string());
        response.headers_mut().insert(
            header::CONTENT_TYPE,
            HeaderValue::from_static("text/html; charset=utf-8"),
        );
        response.headers_mut().remove(header::CONTENT_LENGTH);
    }
    if let Some(cookie) = set_cookie
        && !response.headers().contains_key(header::SET_COOKIE)
    {
        response.headers_mut().insert(header::SET_COOKIE, cookie);
    }
    response
}

/// A path of ours to go on to, whatever was asked for: another site is never one.
pub fn local_path(next: &str) -> &str {
    let leads_away = !next.starts_with('/')
        || next.starts_with("//")
        || next.contains(['\\', '\r', '\n', '\t'])
        || next.chars().any(char::is_control);
    if leads_away { "/" } else { next }
}

/// Sends the browser on, with cookies.
pub fn go_on(to: &str, cookies: impl IntoIterator<Item = HeaderValue>) -> Response {
    let to = HeaderValue::from_str(to).unwrap_or(HeaderValue::from_static("/"));
    let cookies = cookies
        .into_iter()
        .map(|cookie| (header::SET_COOKIE, cookie))
        .collect();
    (
        StatusCode::SEE_OTHER,
        [(header::LOCATION, to)],
        AppendHeaders::<Vec<_>>(cookies),
    )
        .into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_paths_of_ours_are_gone_on_to() {
        for good in ["/", "/pipeline", "/crosses?season=2026&cursor=x"] {
            assert_eq!(local_path(good), good);
        }
        for bad in [
            "",
            "https://elsewhere.example",
            "//elsewhere.example",
            "/\\elsewhere",
            "/\t/elsewhere.example",
            "pipeline",
        ] {
            assert_eq!(local_path(bad), "/", "{bad:?}");
        }
    }

    fn pair() -> Pair {
        Pair {
            access: "a.b.c".into(),
            refresh: "r".into(),
        }
    }

    #[test]
    fn the_cookie_is_out_of_reach_of_scripts_and_other_sites() {
        let set = |tls_in_front| {
            let cookie = Cookie { tls_in_front }.of(&pair());
            cookie.to_str().unwrap().to_owned()
        };
        let away = set(true);
        assert!(
            away.starts_with("__Host-drupeline_session=a.b.c~r; Path=/; "),
            "{away}"
        );
        assert!(
            away.ends_with("; HttpOnly; SameSite=Strict; Secure"),
            "{away}"
        );
        assert!(!away.contains("Domain"), "{away}");
        let near = set(false);
        assert!(near.starts_with("drupeline_session="), "{near}");
        assert!(near.ends_with("; HttpOnly; SameSite=Strict"), "{near}");
    }

    #[test]
    fn the_cookie_is_read_back() {
        for tls_in_front in [false, true] {
            let cookie = Cookie { tls_in_front };
            let sent = format!("theme=dark; {}=a.b.c~r; x=y", cookie.name());
            let headers = HeaderMap::from_iter([(header::COOKIE, sent.parse().unwrap())]);
            assert_eq!(cookie.read(&headers), Some(pair()));
            // One that could have come without encryption is none where there is encryption.
            let other = Cookie {
                tls_in_front: !tls_in_front,
            };
            assert_eq!(other.read(&headers), None);
            assert_eq!(cookie.read(&HeaderMap::new()), None);
        }
    }
}
