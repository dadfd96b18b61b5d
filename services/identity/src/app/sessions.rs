//! Staying signed in, what was taken back, and the tokens of services.

use contract::common::Empty;
use contract::identity::{
    EndSessionRequest, EndedGrants, GetKeysRequest, IssueServiceTokenRequest, KeySet,
    ListEndedGrantsRequest, ListSessionsRequest, OpenSession, OpenSessionList, PublicKey,
    RefreshSessionRequest, ServiceToken, Session, SignOutRequest,
};
use jiff::{SignedDuration, Timestamp};
use platform::database::{self, Begin, Instant, Scope};
use platform::fields::Words as _;
use platform::operation::App as _;
use platform::peers::ServiceName;
use platform::token::{AUDIENCE, Claims, ISSUER};
use platform::{Caller, Fault, PersonId, Unit};
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use super::access_keys;
use super::tokens::{self, ACCESS};
use crate::IdentityApp;
use crate::store::{self, NewSession, Sessions};
use crate::throttle::{Door, Lanes};

/// Clocks may differ by less than this, so that what was taken back is told for this much longer
/// than the last token made before could hold.
const MARGIN: SignedDuration = SignedDuration::from_mins(1);
/// How long a service's token holds.
const SERVICE: SignedDuration = SignedDuration::from_mins(5);
/// What was taken back so lately that tokens made before may still be about.
pub async fn ended_grants(
    _app: &IdentityApp,
    unit: &mut Unit,
    _request: ListEndedGrantsRequest,
) -> Result<EndedGrants, Fault> {
    let before = |life: SignedDuration| Instant(unit.now() - life - MARGIN);
    let (revoked_after, ended_after) = (before(access_keys::ACCESS), before(ACCESS));
    let ended = store::ended_grants(unit.connection(), revoked_after, ended_after).await?;
    let texts = |ids: Vec<Uuid>| ids.iter().map(Uuid::to_string).collect();
    Ok(EndedGrants {
        access_key_ids: texts(ended.access_keys),
        session_ids: texts(ended.sessions),
        organisation_ids: texts(ended.organisations),
        signing_key_ids: ended.signing_keys,
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
    unit.turned_out_to_be(Caller::turned_away(token.session.programme));
    unit.touch("session", token.session.id);
    if token.used {
        unit.without_connection(end_copied_session(app, &token.session, now))
            .await?;
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
    .filter(|person| person.may_act)
    .ok_or_else(over)?;
    store::use_refresh_token(unit.connection(), &token.session, &digest, now).await?;
    unit.turned_out_to_be(tokens::caller_of(&person, Some(token.session.id)));
    unit.touch("session", token.session.id);
    tokens::session_tokens(app, unit, &person, &token.session).await
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

/// One's own sessions that are open.
pub async fn list(
    _app: &IdentityApp,
    unit: &mut Unit,
    _request: ListSessionsRequest,
) -> Result<OpenSessionList, Fault> {
    let (programme, person) = (unit.programme()?, unit.caller().subject);
    let current = unit.caller().session;
    let now = Instant(unit.now());
    let rows = store::open_sessions(unit.connection(), programme, person, now).await?;
    let items = rows
        .into_iter()
        .map(|row| OpenSession {
            id: row.id.to_string(),
            opened_at: row.opened_at.0.to_string(),
            seen_at: row.seen_at.unwrap_or(row.opened_at).0.to_string(),
            address: row.address,
            proofs: row.proofs,
            current: current == Some(row.id),
        })
        .collect();
    Ok(OpenSessionList { items })
}

/// Ends one of one's own sessions.
pub async fn end(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: EndSessionRequest,
) -> Result<Empty, Fault> {
    let unknown = || Fault::not_found("session", &request.session_id);
    let (programme, person, now) = (unit.programme()?, unit.caller().subject, unit.now());
    let id: Uuid = request.session_id.parse().map_err(|_| unknown())?;
    let which = Sessions::OneOf(person, id);
    if store::end_sessions(
        unit.connection(),
        programme,
        which,
        "ended by its owner",
        now,
    )
    .await?
        == 0
    {
        return Err(unknown());
    }
    unit.touch("session", id);
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
            .into_iter()
            .map(|(kid, x)| PublicKey {
                kty: "OKP".into(),
                crv: "Ed25519".into(),
                alg: "EdDSA".into(),
                kid,
                x,
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
    let lanes = Lanes::random(Door::ServiceSecret, Some(request.service.as_str()));
    let attempt = app.throttle.reserve(&lanes, app.now())?;
    let service = ServiceName::from_word(&request.service).ok_or_else(refused)?;
    let known = app.secrets.services.get(&service);
    if !known.is_some_and(|secret| secret.is(&request.secret)) {
        return Err(refused());
    }
    attempt.was_right();
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
