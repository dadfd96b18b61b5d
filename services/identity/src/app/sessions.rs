//! Signing in, staying signed in, and the tokens of services.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use contract::common::Empty;
use contract::identity::{
    EndedGrants, GetKeysRequest, IssueServiceTokenRequest, KeySet, ListEndedGrantsRequest,
    PublicKey, RefreshSessionRequest, ServiceToken, Session, SignInRequest, SignOutRequest,
};
use jiff::{SignedDuration, Timestamp};
use platform::database::{self, Begin, Instant, Scope};
use platform::fault::FaultKind;
use platform::fields::Words as _;
use platform::operation::App as _;
use platform::peers::ServiceName;
use platform::token::{AUDIENCE, Claims, ISSUER};
use platform::{Fault, Fields, PersonId, Unit};
use rand::Rng as _;
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use super::access_keys;
use crate::IdentityApp;
use crate::domain::{PASSWORD_MAX_CHARS, password_holds};
use crate::store::{self, NewSession, PersonRow, Sessions};

/// How long an access token holds where nobody hears that its session ended.
const ACCESS: SignedDuration = SignedDuration::from_mins(15);
/// How long a refresh token holds.
const REFRESH: SignedDuration = SignedDuration::from_hours(14 * 24);
/// Clocks may differ by less than this, so that what was taken back is told for this much longer
/// than the last token made before could hold.
const MARGIN: SignedDuration = SignedDuration::from_mins(1);
/// How long a service's token holds.
const SERVICE: SignedDuration = SignedDuration::from_mins(5);
/// Wrong passwords taken for one login within [`FAILURE_WINDOW`].
const FAILURES_TAKEN: u32 = 10;
/// Time after which wrong passwords are forgotten.
const FAILURE_WINDOW: SignedDuration = SignedDuration::from_mins(5);

/// Signs a person in.
pub async fn sign_in(
    app: &IdentityApp,
    unit: &mut Unit,
    request: SignInRequest,
) -> Result<Session, Fault> {
    let mut fields = Fields::new();
    let login = fields.text("login", &request.login, 64);
    fields.require(!request.password.is_empty(), "password", "is required");
    fields.require(
        request.password.len() <= PASSWORD_MAX_CHARS * 4,
        "password",
        "is too long",
    );
    fields.finish()?;
    let now = unit.now();
    refuse_guessing(app, login, now)?;

    let person = store::person_by_login(unit.connection(), login).await?;
    let hash = person.as_ref().map(|p| p.password_hash.clone());
    let holds = password_holds(request.password.clone(), hash).await?;
    match person {
        Some(person) if holds && person.active => {
            app.failures
                .lock()
                .unwrap_or_else(|e| e.into_inner())
                .remove(&login.to_lowercase());
            let session = NewSession {
                id: Uuid::now_v7(),
                programme: person.programme_id,
                person: person.id,
            };
            store::open_session(unit.connection(), &session, now).await?;
            unit.touch("session", session.id);
            tokens(app, unit, &person, &session).await
        }
        _ => {
            note_failure(app, login, now);
            Err(Fault::unauthenticated("the login or the password is wrong"))
        }
    }
}

fn refuse_guessing(app: &IdentityApp, login: &str, now: Timestamp) -> Result<(), Fault> {
    let mut failures = app.failures.lock().unwrap_or_else(|e| e.into_inner());
    failures.retain(|_, (_, since)| now.duration_since(*since) < FAILURE_WINDOW);
    match failures.get(&login.to_lowercase()) {
        Some((count, _)) if *count >= FAILURES_TAKEN => Err(Fault::new(
            FaultKind::Throttled,
            "too many wrong passwords for this login; wait five minutes",
        )),
        _ => Ok(()),
    }
}

fn note_failure(app: &IdentityApp, login: &str, now: Timestamp) {
    let mut failures = app.failures.lock().unwrap_or_else(|e| e.into_inner());
    failures.entry(login.to_lowercase()).or_insert((0, now)).0 += 1;
}

async fn tokens(
    app: &IdentityApp,
    unit: &mut Unit,
    person: &PersonRow,
    session: &NewSession,
) -> Result<Session, Fault> {
    let now = unit.now();
    let access_token = app.keys.sign(&Claims {
        iss: ISSUER.into(),
        aud: AUDIENCE.into(),
        sub: person.id.uuid(),
        name: person.name.clone(),
        prg: Some(person.programme_id.uuid()),
        roles: person
            .roles
            .iter()
            .map(|role| role.word().to_owned())
            .collect(),
        org: person.organisation_id.map(|id| id.uuid()),
        svc: None,
        sid: Some(session.id),
        key: None,
        quota: None,
        scopes: None,
        iat: now.as_second(),
        exp: (now + ACCESS).as_second(),
    })?;
    let mut secret = [0u8; 32];
    rand::rng().fill_bytes(&mut secret);
    let refresh_token = URL_SAFE_NO_PAD.encode(secret);
    let digest = Sha256::digest(refresh_token.as_bytes());
    store::keep_refresh_token(unit.connection(), session, &digest, now, now + REFRESH).await?;
    Ok(Session {
        access_token,
        refresh_token,
        expires_in_s: u32::try_from(ACCESS.as_secs()).unwrap_or(u32::MAX),
    })
}

/// What was taken back so lately that tokens made before may still be about.
pub async fn ended_grants(
    _app: &IdentityApp,
    unit: &mut Unit,
    _request: ListEndedGrantsRequest,
) -> Result<EndedGrants, Fault> {
    let before = |life: SignedDuration| Instant(unit.now() - life - MARGIN);
    let (revoked_after, ended_after) = (before(access_keys::ACCESS), before(ACCESS));
    let (keys, sessions) =
        store::ended_grants(unit.connection(), revoked_after, ended_after).await?;
    let texts = |ids: Vec<Uuid>| ids.iter().map(Uuid::to_string).collect();
    Ok(EndedGrants {
        access_key_ids: texts(keys),
        session_ids: texts(sessions),
    })
}

/// Exchanges a refresh token; one that was used before ends its whole session.
pub async fn refresh(
    app: &IdentityApp,
    unit: &mut Unit,
    request: RefreshSessionRequest,
) -> Result<Session, Fault> {
    let over = || Fault::unauthenticated("the session has ended; sign in again");
    let now = unit.now();
    let digest = Sha256::digest(request.refresh_token.as_bytes());
    let token = store::refresh_token(unit.connection(), &digest)
        .await?
        .ok_or_else(over)?;
    if token.used {
        end_copied_session(app, &token.session, now).await?;
        return Err(over());
    }
    if token.ended || token.ends_at <= now {
        return Err(over());
    }
    let person = store::person(
        unit.connection(),
        token.session.programme,
        token.session.person,
    )
    .await?
    .filter(|person| person.active)
    .ok_or_else(over)?;
    store::use_refresh_token(unit.connection(), &digest, now).await?;
    unit.touch("session", token.session.id);
    tokens(app, unit, &person, &token.session).await
}

/// Ends the session of a copied token in a transaction of its own, because the request itself is
/// refused and rolled back.
async fn end_copied_session(
    app: &IdentityApp,
    session: &NewSession,
    now: Timestamp,
) -> Result<(), Fault> {
    tracing::warn!(session.id = %session.id, "a refresh token came back after its use; session ended");
    let scope = Scope {
        programme: Some(session.programme),
        across_programmes: true,
        ..Scope::default()
    };
    let mut transaction = database::begin(&app.context().pool, Begin::Writing, scope).await?;
    store::end_sessions(
        &mut transaction,
        session.programme,
        Sessions::One(session.id),
        "a refresh token came back after its use",
        now,
    )
    .await?;
    Ok(transaction.commit().await?)
}

/// Ends the current session: its refresh tokens no longer work, its access token ends by itself.
pub async fn sign_out(
    _app: &IdentityApp,
    unit: &mut Unit,
    _request: SignOutRequest,
) -> Result<Empty, Fault> {
    let programme = unit.programme()?;
    let now = unit.now();
    if let Some(session) = unit.caller().session {
        store::end_sessions(
            unit.connection(),
            programme,
            Sessions::One(session),
            "signed out",
            now,
        )
        .await?;
        unit.touch("session", session);
    }
    Ok(Empty {})
}

/// The public keys.
pub async fn keys(
    app: &IdentityApp,
    _unit: &mut Unit,
    _request: GetKeysRequest,
) -> Result<KeySet, Fault> {
    Ok(KeySet {
        keys: app
            .keys
            .public()
            .iter()
            .map(|(kid, x)| PublicKey {
                kty: "OKP".into(),
                crv: "Ed25519".into(),
                alg: "EdDSA".into(),
                kid: kid.clone(),
                x: x.clone(),
                r#use: "sig".into(),
            })
            .collect(),
    })
}

/// Gives a service its token.
pub async fn issue_service_token(
    app: &IdentityApp,
    unit: &mut Unit,
    request: IssueServiceTokenRequest,
) -> Result<ServiceToken, Fault> {
    let refused = || Fault::unauthenticated("the service or its secret is wrong");
    let service = ServiceName::from_word(&request.service).ok_or_else(refused)?;
    let known = app.secrets.services.get(&service);
    if !known.is_some_and(|secret| secret.is(&request.secret)) {
        return Err(refused());
    }
    let now = unit.now();
    let subject = PersonId::from_uuid(Uuid::from_u128(u128::from(service as u8) + 1));
    let access_token = app.keys.sign(&Claims {
        iss: ISSUER.into(),
        aud: AUDIENCE.into(),
        sub: subject.uuid(),
        name: format!("service {service}"),
        prg: None,
        roles: Vec::new(),
        org: None,
        svc: Some(service.word().to_owned()),
        sid: None,
        key: None,
        quota: None,
        scopes: None,
        iat: now.as_second(),
        exp: (now + SERVICE).as_second(),
    })?;
    Ok(ServiceToken {
        access_token,
        expires_in_s: u32::try_from(SERVICE.as_secs()).unwrap_or(u32::MAX),
    })
}
