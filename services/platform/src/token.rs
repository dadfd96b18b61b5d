//! Access tokens: JSON Web Tokens signed with Ed25519 (RFC 7519, RFC 8037).

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use contract::identity::{
    GetKeysRequest, KeySet, ListEndedGrantsRequest, identity_client::IdentityClient,
};
use jsonwebtoken::{Algorithm, DecodingKey, Validation, decode, decode_header};
use quick_cache::sync::Cache;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use tokio::sync::RwLock;
use uuid::Uuid;

use crate::access::{Caller, KeyScopes, Role, Standing};
use crate::fault::Fault;
use crate::fields::Words as _;
use crate::ids::{OrganisationId, PersonId, ProgrammeId};
use crate::peers::{Peers, ServiceName};
use crate::quota::{KeyInUse, QuotaClass};

/// Who makes the tokens.
pub const ISSUER: &str = "drupeline-identity";
/// Whom the tokens are for.
pub const AUDIENCE: &str = "drupeline";
/// How soon a set of keys is asked for again when a token names an unknown one.
const KEY_REFRESH: Duration = Duration::from_secs(5);

/// What a token says.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Claims {
    /// Issuer.
    pub iss: String,
    /// Audience.
    pub aud: String,
    /// The person or service.
    pub sub: Uuid,
    /// Name, for the audit trail.
    pub name: String,
    /// The programme; absent for services.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub prg: Option<Uuid>,
    /// Roles in the programme.
    #[serde(default)]
    pub roles: Vec<String>,
    /// The organisation a partner speaks for.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub org: Option<Uuid>,
    /// The service, when it is a service's token.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub svc: Option<String>,
    /// The session.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub sid: Option<Uuid>,
    /// The key of a device, system or machine, when the token was exchanged for one.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub key: Option<Uuid>,
    /// The key's quota, a word.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub quota: Option<String>,
    /// What the key may do, words of permissions.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub scopes: Option<Vec<String>>,
    /// Issued at, in seconds.
    pub iat: i64,
    /// Ends at, in seconds.
    pub exp: i64,
}

impl Claims {
    fn caller(self, on_behalf_of: Option<ProgrammeId>) -> Result<Caller, Fault> {
        let refused =
            || Fault::unauthenticated("the access token is not one of ours; sign in again");
        let standing = if let Some(service) = &self.svc {
            Standing::Service {
                service: ServiceName::from_word(service).ok_or_else(refused)?,
                programme: on_behalf_of,
            }
        } else {
            let programme = ProgrammeId::from_uuid(self.prg.ok_or_else(refused)?);
            let roles: Vec<Role> = self
                .roles
                .iter()
                .filter_map(|r| Role::from_word(r))
                .collect();
            let quota = self.quota.as_deref().map(QuotaClass::from_word);
            let scopes = self.scopes.as_deref().map(KeyScopes::read);
            let key = match (self.key, quota, scopes) {
                (Some(id), Some(Some(quota)), Some(Some(scopes))) => {
                    Some(KeyInUse { id, quota, scopes })
                }
                (None, None, None) => None,
                _ => return Err(refused()),
            };
            match self.org {
                Some(org) if roles == [Role::Partner] => Standing::Partner {
                    programme,
                    organisation: OrganisationId::from_uuid(org),
                    key,
                },
                None => match key {
                    Some(key)
                        if roles.is_empty() && key.scopes.are_among(&KeyScopes::OF_MACHINES) =>
                    {
                        Standing::Machine { programme, key }
                    }
                    None if roles.iter().all(|role| role.is_staff()) => {
                        Standing::Staff { programme, roles }
                    }
                    _ => return Err(refused()),
                },
                _ => return Err(refused()),
            }
        };
        Ok(Caller {
            subject: PersonId::from_uuid(self.sub),
            name: self.name,
            session: self.sid,
            standing,
        })
    }
}

/// Checks tokens against identity's public keys.
pub struct Verifier {
    peers: Peers,
    keys: RwLock<Keys>,
    /// Callers of tokens whose signature held, by the token's digest: a client sends the same
    /// token many times, and checking a signature costs more than most answers.
    known: Cache<([u8; 32], Option<ProgrammeId>), Known>,
    /// What was taken back, whose tokens may not have ended by themselves.
    ended: std::sync::RwLock<Ended>,
}

/// What was taken back.
#[derive(Debug, Default)]
struct Ended {
    /// Keys revoked and sessions ended of late.
    grants: HashSet<Uuid>,
    /// Organisations that are not active.
    organisations: HashSet<OrganisationId>,
    /// Signing keys that were revoked.
    signing_keys: HashSet<String>,
}

#[derive(Clone)]
struct Known {
    caller: Caller,
    ends_at_s: i64,
    /// The key that signed the token.
    signing_key: Arc<str>,
}

/// How often identity is asked what was taken back.
const ENDED_EVERY: Duration = Duration::from_millis(500);
/// How long to wait when identity did not answer, as while the services are still starting.
const ENDED_AFTER_FAULT: Duration = Duration::from_secs(1);

/// Keeps a service from taking tokens of revoked keys and ended sessions, for as long as it lives.
/// Tokens end by themselves, so that a service which cannot ask takes them for minutes longer and
/// no more.
pub async fn refuse_ended_grants(verifier: Arc<Verifier>) {
    loop {
        match verifier.hear_of_ended_grants().await {
            Ok(()) => tokio::time::sleep(ENDED_EVERY).await,
            Err(fault) => {
                tracing::debug!(%fault, "what was taken back is not known; asking again");
                tokio::time::sleep(ENDED_AFTER_FAULT).await;
            }
        }
    }
}

/// How many callers are kept.
const KNOWN_CALLERS: usize = 4096;
/// How long after its end a token still holds, for clocks that differ.
const LEEWAY_S: i64 = 5;

#[derive(Default)]
struct Keys {
    by_id: HashMap<String, Arc<DecodingKey>>,
    asked_at: Option<Instant>,
}

impl Verifier {
    /// A verifier that asks identity for its keys when it first needs them.
    pub fn new(peers: Peers) -> Self {
        Self {
            peers,
            keys: RwLock::default(),
            known: Cache::new(KNOWN_CALLERS),
            ended: std::sync::RwLock::default(),
        }
    }

    /// The caller that a bearer token names.
    ///
    /// # Errors
    /// Unauthenticated when the token is forged, expired or not for us; unavailable when identity
    /// does not answer.
    pub async fn caller(
        &self,
        token: &str,
        on_behalf_of: Option<ProgrammeId>,
    ) -> Result<Caller, Fault> {
        let digest = (Sha256::digest(token).into(), on_behalf_of);
        let now_s = jiff::Timestamp::now().as_second();
        if let Some(known) = self.known.get(&digest)
            && now_s < known.ends_at_s + LEEWAY_S
        {
            return self.not_ended(known);
        }
        let forged = || Fault::unauthenticated("the access token does not hold; sign in again");
        let header = decode_header(token).map_err(|_| forged())?;
        if header.alg != Algorithm::EdDSA {
            return Err(forged());
        }
        let signing_key: Arc<str> = header.kid.unwrap_or_default().into();
        let key = self.key(&signing_key).await?.ok_or_else(forged)?;
        let mut validation = Validation::new(Algorithm::EdDSA);
        validation.set_issuer(&[ISSUER]);
        validation.set_audience(&[AUDIENCE]);
        validation.leeway = LEEWAY_S.unsigned_abs();
        let claims = decode::<Claims>(token, &key, &validation).map_err(|error| {
            if matches!(
                error.kind(),
                jsonwebtoken::errors::ErrorKind::ExpiredSignature
            ) {
                Fault::unauthenticated(
                    "the access token has ended; refresh the session or sign in again",
                )
            } else {
                forged()
            }
        })?;
        let ends_at_s = claims.claims.exp;
        let caller = claims.claims.caller(on_behalf_of)?;
        let known = Known {
            caller,
            ends_at_s,
            signing_key,
        };
        self.known.insert(digest, known.clone());
        self.not_ended(known)
    }

    /// The caller, unless what the token stands on was taken back: the key or the session behind it,
    /// the partner's organisation, or the key that signed it.
    fn not_ended(&self, known: Known) -> Result<Caller, Fault> {
        let Known {
            caller,
            signing_key,
            ..
        } = known;
        let grant = caller.key().map(|key| key.id).or(caller.session);
        let ended = self.ended.read().unwrap_or_else(PoisonError::into_inner);
        if ended.signing_keys.contains(&*signing_key) {
            return Err(Fault::unauthenticated(
                "the key that signed this token was revoked; refresh the session or sign in again",
            ));
        }
        if grant.is_some_and(|grant| ended.grants.contains(&grant)) {
            return Err(Fault::unauthenticated(
                "the key was revoked or the session ended; sign in again",
            ));
        }
        if caller
            .partner()
            .is_some_and(|partner| ended.organisations.contains(&partner))
        {
            return Err(Fault::unauthenticated(
                "your organisation is not active in this programme; ask its administrator",
            ));
        }
        Ok(caller)
    }

    /// The organisations that are known not to be active, so that nothing is told them.
    pub fn ended_organisations(&self) -> Vec<OrganisationId> {
        let ended = self.ended.read().unwrap_or_else(PoisonError::into_inner);
        ended.organisations.iter().copied().collect()
    }

    /// Asks identity what was taken back, and refuses its tokens from now on.
    ///
    /// # Errors
    /// When identity does not answer; what was known before goes on being refused.
    pub async fn hear_of_ended_grants(&self) -> Result<(), Fault> {
        let transport = self.peers.reach(ServiceName::Identity, None).await?;
        let told = match IdentityClient::new(transport)
            .list_ended_grants(ListEndedGrantsRequest {})
            .await
        {
            Ok(told) => told.into_inner(),
            Err(refused) => {
                if refused.code() == tonic::Code::Unauthenticated {
                    // Signed by a key that was revoked since; the next time it is another one.
                    self.peers.forget_service_token().await;
                }
                return Err(refused.into());
            }
        };
        let grants = told.access_key_ids.iter().chain(&told.session_ids);
        let organisations = told.organisation_ids.iter();
        let ended = Ended {
            grants: grants.filter_map(|id| id.parse().ok()).collect(),
            organisations: organisations.filter_map(|id| id.parse().ok()).collect(),
            signing_keys: told.signing_key_ids.into_iter().collect(),
        };
        *self.ended.write().unwrap_or_else(PoisonError::into_inner) = ended;
        Ok(())
    }

    async fn key(&self, id: &str) -> Result<Option<Arc<DecodingKey>>, Fault> {
        {
            let keys = self.keys.read().await;
            if let Some(key) = keys.by_id.get(id) {
                return Ok(Some(key.clone()));
            }
            if keys.asked_at.is_some_and(|at| at.elapsed() < KEY_REFRESH) {
                return Ok(None);
            }
        }
        let mut keys = self.keys.write().await;
        if let Some(key) = keys.by_id.get(id) {
            return Ok(Some(key.clone()));
        }
        let set: KeySet = IdentityClient::new(self.peers.transport(ServiceName::Identity)?)
            .get_keys(GetKeysRequest {})
            .await?
            .into_inner();
        keys.asked_at = Some(Instant::now());
        keys.by_id = set
            .keys
            .into_iter()
            .filter_map(|key| {
                let decoding = DecodingKey::from_ed_components(&key.x).ok()?;
                Some((key.kid, Arc::new(decoding)))
            })
            .collect();
        Ok(keys.by_id.get(id).cloned())
    }
}
