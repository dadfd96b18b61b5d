//! How one service reaches another: over gRPC, with a short-lived service token, whether the other
//! lives in this process or elsewhere.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, OnceLock, Weak};
use std::time::{Duration, Instant};

use axum::Router;
use contract::identity::{IssueServiceTokenRequest, identity_client::IdentityClient};
use tokio::sync::Mutex;
use tonic::body::Body;
use tonic::metadata::AsciiMetadataValue;
use tonic::service::interceptor::InterceptedService;
use tonic::transport::{ClientTlsConfig, Endpoint};
use tower::ServiceExt as _;
use tower::util::BoxCloneSyncService;

use crate::fault::Fault;
use crate::fields::Words as _;
use crate::ids::ProgrammeId;
use crate::operation::Operation;
use crate::origin;

crate::words! {
    /// The services of Drupeline.
    pub enum ServiceName {
        /// People, organisations, roles, tokens and keys.
        Identity = "identity",
        /// From parents to planted seedlings.
        Crossing = "crossing",
        /// Trials and selection.
        Evaluation = "evaluation",
        /// The pipeline to release.
        Release = "release",
        /// Pages for people.
        Dashboard = "dashboard",
    }
}

impl ServiceName {
    /// Schema of the service's tables.
    pub fn schema(self) -> &'static str {
        self.word()
    }

    /// The service's database role.
    pub fn database_role(self) -> String {
        format!("drupeline_{}", self.word())
    }
}

/// How far a service's call reaches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// The programme that the call names.
    OneProgramme,
    /// Every programme: announcements, and what was taken back.
    AllProgrammes,
}

/// Which operation of another service, or of its own, a service may call.
#[derive(Debug, Clone, Copy)]
pub struct Call {
    /// Who calls.
    pub from: ServiceName,
    /// Whom.
    pub to: ServiceName,
    /// Name of the operation.
    pub operation: &'static str,
    /// How far.
    pub reach: Reach,
}

/// What services may call of one another; whatever is not listed is refused. A stolen service
/// secret opens these and nothing else.
pub const CALLS: &[Call] = {
    use Reach::{AllProgrammes, OneProgramme};
    use ServiceName::{Crossing, Dashboard, Evaluation, Identity, Release};
    const fn call(
        from: ServiceName,
        to: ServiceName,
        operation: &'static str,
        reach: Reach,
    ) -> Call {
        Call {
            from,
            to,
            operation,
            reach,
        }
    }
    &[
        call(Identity, Identity, "list_ended_grants", AllProgrammes),
        call(Crossing, Identity, "list_ended_grants", AllProgrammes),
        call(Crossing, Evaluation, "get_analysis", OneProgramme),
        call(Crossing, Evaluation, "get_figures", OneProgramme),
        call(Crossing, Evaluation, "list_predictions", OneProgramme),
        call(Crossing, Evaluation, "read_feed", AllProgrammes),
        call(Evaluation, Identity, "list_ended_grants", AllProgrammes),
        call(Evaluation, Crossing, "describe_plants", OneProgramme),
        call(Evaluation, Crossing, "extract_pedigree", OneProgramme),
        call(Evaluation, Crossing, "print_labels", OneProgramme),
        call(Evaluation, Crossing, "read_feed", AllProgrammes),
        call(Release, Identity, "list_ended_grants", AllProgrammes),
        call(Release, Identity, "get_organisation", OneProgramme),
        call(Release, Identity, "name_people", OneProgramme),
        call(Release, Identity, "get_standing", OneProgramme),
        call(Release, Crossing, "describe_plants", OneProgramme),
        call(Release, Crossing, "extract_pedigree", OneProgramme),
        call(Release, Evaluation, "read_feed", AllProgrammes),
        call(Release, Release, "read_feed", AllProgrammes),
        call(Release, Release, "announce_due_dates", OneProgramme),
        call(Dashboard, Identity, "list_ended_grants", AllProgrammes),
    ]
};

impl ServiceName {
    /// How far this service may call an operation; none when it may not.
    pub fn reach_of(self, operation: &Operation) -> Option<Reach> {
        CALLS
            .iter()
            .find(|call| {
                call.from == self
                    && call.to.word() == operation.service
                    && call.operation == operation.name
            })
            .map(|call| call.reach)
    }
}

/// Metadata key by which a service says for which programme it asks.
pub const PROGRAMME_METADATA: &str = "drupeline-programme";

/// Something that answers gRPC calls.
pub type Transport = BoxCloneSyncService<http::Request<Body>, http::Response<Body>, CallError>;

/// A call that did not come through.
#[derive(Debug, thiserror::Error)]
#[error("the call did not come through: {0}")]
pub struct CallError(#[from] tonic::transport::Error);

/// A transport that sends credentials with every call.
pub type Authorised = InterceptedService<Transport, Bearer>;

/// The other services, and what proves to them who we are.
#[derive(Clone)]
pub struct Peers(Arc<Inner>);

struct Inner {
    own: ServiceName,
    secret: String,
    places: BTreeMap<ServiceName, Place>,
    token: Mutex<Option<(String, Instant)>>,
}

/// Where a service is found.
#[derive(Clone)]
pub enum Place {
    /// In this process; the router is there once all services are assembled, and for as long as
    /// whoever assembled them keeps it: the services are in the router, so they must not keep it
    /// themselves.
    Here(Weak<OnceLock<Router>>),
    /// At an address.
    There(tonic::transport::Channel),
}

impl Place {
    /// A service at an address such as `http://crossing:8470`; connects when first used. An address
    /// with `https` is held to a certificate that this machine trusts.
    ///
    /// # Errors
    /// When the address is not a URL, or this machine's trusted certificates cannot be read.
    pub fn at(address: &str) -> Result<Self, tonic::transport::Error> {
        let mut endpoint = Endpoint::from_shared(address.to_owned())?;
        if endpoint.uri().scheme() == Some(&http::uri::Scheme::HTTPS) {
            endpoint = endpoint.tls_config(ClientTlsConfig::new().with_native_roots())?;
        }
        let endpoint = endpoint
            .connect_timeout(Duration::from_secs(5))
            .timeout(Duration::from_secs(60));
        Ok(Self::There(endpoint.connect_lazy()))
    }
}

impl fmt::Debug for Peers {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Peers")
            .field("own", &self.0.own)
            .finish_non_exhaustive()
    }
}

impl Peers {
    /// The peers of `own`, which proves itself with `secret`.
    pub fn new(own: ServiceName, secret: String, places: BTreeMap<ServiceName, Place>) -> Self {
        Self(Arc::new(Inner {
            own,
            secret,
            places,
            token: Mutex::new(None),
        }))
    }

    /// A bare transport to a service, without credentials.
    ///
    /// # Errors
    /// Unavailable when the service has no place or is not assembled yet.
    pub fn transport(&self, service: ServiceName) -> Result<Transport, Fault> {
        let missing =
            || Fault::unavailable(format!("the {service} service is not reachable from here"));
        match self.0.places.get(&service).ok_or_else(missing)? {
            Place::Here(cell) => {
                let cell = cell.upgrade().ok_or_else(missing)?;
                let router = cell.get().ok_or_else(missing)?.clone();
                Ok(BoxCloneSyncService::new(
                    router
                        .map_request(|r: http::Request<Body>| r.map(axum::body::Body::new))
                        .map_response(|r: http::Response<axum::body::Body>| r.map(Body::new))
                        .map_err(|never| match never {}),
                ))
            }
            Place::There(channel) => Ok(BoxCloneSyncService::new(
                channel
                    .clone()
                    .map_request(telling_origin)
                    .map_err(CallError),
            )),
        }
    }

    /// A transport to a service as this service, for one programme.
    ///
    /// # Errors
    /// Unavailable when the service or identity does not answer.
    pub async fn reach(
        &self,
        service: ServiceName,
        programme: Option<ProgrammeId>,
    ) -> Result<Authorised, Fault> {
        let token = self.service_token().await?;
        let bearer = Bearer::new(&token, programme)?;
        Ok(InterceptedService::new(self.transport(service)?, bearer))
    }

    /// A transport to a service with a person's own access token.
    ///
    /// # Errors
    /// Unavailable when the service has no place; unauthenticated when the token is not text.
    pub fn reach_as(&self, service: ServiceName, access_token: &str) -> Result<Authorised, Fault> {
        Ok(InterceptedService::new(
            self.transport(service)?,
            Bearer::new(access_token, None)?,
        ))
    }

    /// Forgets the token that proves who we are, so that another is asked for.
    pub async fn forget_service_token(&self) {
        *self.0.token.lock().await = None;
    }

    async fn service_token(&self) -> Result<String, Fault> {
        let mut held = self.0.token.lock().await;
        if let Some((token, until)) = held.as_ref()
            && Instant::now() < *until
        {
            return Ok(token.clone());
        }
        let mut identity = IdentityClient::new(self.transport(ServiceName::Identity)?);
        // Not in the name of whoever's request asks for it: their wrong guesses are not ours.
        let asking = identity.issue_service_token(IssueServiceTokenRequest {
            service: self.0.own.word().to_owned(),
            secret: self.0.secret.clone(),
        });
        let issued = origin::as_ourselves(asking).await?.into_inner();
        let life = Duration::from_secs(u64::from(issued.expires_in_s.saturating_sub(30)));
        *held = Some((issued.access_token.clone(), Instant::now() + life));
        Ok(issued.access_token)
    }
}

/// Tells a service elsewhere from where the present request comes.
fn telling_origin(mut request: http::Request<Body>) -> http::Request<Body> {
    if let Some(address) = origin::address()
        && let Ok(value) = http::HeaderValue::from_str(&address.to_string())
    {
        request.headers_mut().insert(origin::FORWARDED_FOR, value);
    }
    request
}

/// Adds credentials to a call.
#[derive(Clone)]
pub struct Bearer {
    authorization: AsciiMetadataValue,
    programme: Option<AsciiMetadataValue>,
}

impl Bearer {
    fn new(token: &str, programme: Option<ProgrammeId>) -> Result<Self, Fault> {
        let text = |value: String| {
            AsciiMetadataValue::try_from(value)
                .map_err(|_| Fault::unauthenticated("the access token is not text"))
        };
        Ok(Self {
            authorization: text(format!("Bearer {token}"))?,
            programme: programme.map(|p| text(p.to_string())).transpose()?,
        })
    }
}

impl tonic::service::Interceptor for Bearer {
    fn call(
        &mut self,
        mut request: tonic::Request<()>,
    ) -> Result<tonic::Request<()>, tonic::Status> {
        let metadata = request.metadata_mut();
        metadata.insert("authorization", self.authorization.clone());
        if let Some(programme) = &self.programme {
            metadata.insert(PROGRAMME_METADATA, programme.clone());
        }
        Ok(request)
    }
}
