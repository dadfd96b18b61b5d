//! What identity signs: sessions' tokens, the steps of a sign-in, and what makes a device known.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use contract::identity::Session;
use jiff::{SignedDuration, Timestamp};
use platform::access::Standing;
use platform::fields::Words as _;
use platform::token::{AUDIENCE, Claims, ISSUER};
use platform::{Caller, Fault, PersonId, ProgrammeId, Unit};
use rand::Rng as _;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use crate::IdentityApp;
use crate::domain::Proof;
use crate::store::{self, NewSession, PersonRow};

/// How long an access token holds where nobody hears that its session ended.
pub(super) const ACCESS: SignedDuration = SignedDuration::from_mins(15);
/// How long a refresh token holds.
const REFRESH: SignedDuration = SignedDuration::from_hours(14 * 24);
/// How long somebody may take over the next step of signing in.
const STEP: SignedDuration = SignedDuration::from_mins(10);
/// How long a device is known; less than a signing key verifies.
const DEVICE: SignedDuration = SignedDuration::from_hours(80 * 24);
/// Whom the tokens between the steps of signing in are for.
const STEP_AUDIENCE: &str = "drupeline-sign-in";
/// Whom the tokens that make a device known are for.
const DEVICE_AUDIENCE: &str = "drupeline-device";

/// A text of 256 random bits.
pub(super) fn random_text() -> String {
    let mut secret = [0_u8; 32];
    rand::rng().fill_bytes(&mut secret);
    URL_SAFE_NO_PAD.encode(secret)
}

/// A person as the audit trail names them.
pub(super) fn caller_of(person: &PersonRow, session: Option<Uuid>) -> Caller {
    Caller {
        subject: person.id,
        name: person.name.clone(),
        session,
        standing: match person.organisation_id {
            Some(organisation) => Standing::Partner {
                programme: person.programme_id,
                organisation,
                key: None,
            },
            None => Standing::Staff {
                programme: person.programme_id,
                roles: person.roles.clone(),
            },
        },
    }
}

/// What a token between two steps of signing in says.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Step {
    /// The programme.
    pub(super) prg: Uuid,
    /// The person.
    pub(super) sub: Uuid,
    /// Version of the person: a step begun before the password changed leads nowhere.
    pub(super) ver: i64,
    /// What was proved so far.
    pub(super) proofs: Vec<String>,
}

impl Step {
    /// The programme and the person.
    pub(super) fn who(&self) -> (ProgrammeId, PersonId) {
        (
            ProgrammeId::from_uuid(self.prg),
            PersonId::from_uuid(self.sub),
        )
    }

    /// What was proved so far.
    pub(super) fn proved(&self) -> Vec<Proof> {
        self.proofs
            .iter()
            .filter_map(|word| Proof::from_word(word))
            .collect()
    }
}

/// A signed token of one audience around what it says.
#[derive(Serialize)]
struct Around<'a, C> {
    iss: &'static str,
    aud: &'static str,
    iat: i64,
    exp: i64,
    #[serde(flatten)]
    claims: &'a C,
}

fn sign<C: Serialize>(
    app: &IdentityApp,
    aud: &'static str,
    life: SignedDuration,
    claims: &C,
) -> Result<String, Fault> {
    let now = app.now();
    app.keys.sign(&Around {
        iss: ISSUER,
        aud,
        iat: now.as_second(),
        exp: (now + life).as_second(),
        claims,
    })
}

/// The token with which a person goes on to the next step.
pub(super) fn step_token(
    app: &IdentityApp,
    person: &PersonRow,
    proofs: &[Proof],
) -> Result<String, Fault> {
    let step = Step {
        prg: person.programme_id.uuid(),
        sub: person.id.uuid(),
        ver: person.version,
        proofs: proofs.iter().map(|proof| proof.word().to_owned()).collect(),
    };
    sign(app, STEP_AUDIENCE, STEP, &step)
}

/// What a step's token says; none when it is not ours or has ended.
pub(super) fn read_step(app: &IdentityApp, token: &str) -> Option<Step> {
    app.keys.read(token, STEP_AUDIENCE, app.now())
}

/// A device from which somebody signed in before.
#[derive(Debug, Serialize, Deserialize)]
struct Device {
    /// The login, in lower case.
    sub: String,
    /// The device.
    jti: Uuid,
}

/// The device that a token names, when it was given out for this login.
pub(super) fn known_device(app: &IdentityApp, token: &str, login: &str) -> Option<Uuid> {
    let device: Device = app.keys.read(token, DEVICE_AUDIENCE, app.now())?;
    (device.sub == login.to_lowercase()).then_some(device.jti)
}

/// Makes a device known for a person's login; one that was known stays the same.
pub(super) fn device_token(
    app: &IdentityApp,
    login: &str,
    known: Option<Uuid>,
) -> Result<String, Fault> {
    let device = Device {
        sub: login.to_lowercase(),
        jti: known.unwrap_or_else(Uuid::now_v7),
    };
    sign(app, DEVICE_AUDIENCE, DEVICE, &device)
}

/// The tokens of an open session.
pub(super) async fn session_tokens(
    app: &IdentityApp,
    unit: &mut Unit,
    person: &PersonRow,
    session: &NewSession,
) -> Result<Session, Fault> {
    let now: Timestamp = unit.now();
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
    let refresh_token = random_text();
    let digest = Sha256::digest(refresh_token.as_bytes());
    store::keep_refresh_token(unit.connection(), session, &digest, now, now + REFRESH).await?;
    Ok(Session {
        access_token,
        refresh_token,
        expires_in_s: u32::try_from(ACCESS.as_secs()).unwrap_or(u32::MAX),
        ..Session::default()
    })
}
