//! Keys of partners' devices and systems and of the programme's own machines, exchanged for short-lived access tokens.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use contract::identity::{
    AccessGrant, AccessKey, AccessKeyList, CreateAccessKeyRequest, ExchangeAccessKeyRequest,
    ListAccessKeysRequest, RevokeAccessKeyRequest,
};
use jiff::civil::Date;
use jiff::{SignedDuration, ToSpan as _};
use platform::access::{KeyScopes, Standing};
use platform::database::{Day, Instant};
use platform::fields::Words as _;
use platform::paging::Page;
use platform::quota::QuotaClass;
use platform::token::{AUDIENCE, Claims, ISSUER};
use platform::{Caller, Fault, Fields, OrganisationId, Permission, PersonId, Role, Unit};
use rand::Rng as _;
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use crate::IdentityApp;
use crate::domain::AccessKeyId;
use crate::store::{self, AccessKeyRow};
use crate::throttle::{Door, Lanes};

/// How long a token holds that a key was exchanged for. Services hear of a revoked key within about
/// a second; one that cannot ask goes on taking its tokens for at most this long.
pub(super) const ACCESS: SignedDuration = SignedDuration::from_mins(5);
/// What every key begins with, so that one that leaked is known for what it is.
const PREFIX: &str = "dpk_";

/// A key as its holder is shown it, once: its id and 256 random bits.
fn fresh_key(id: AccessKeyId) -> String {
    let mut secret = [0_u8; 32];
    rand::rng().fill_bytes(&mut secret);
    format!(
        "{PREFIX}{}_{}",
        id.uuid().simple(),
        URL_SAFE_NO_PAD.encode(secret)
    )
}

/// The id in a key; `None` when the text is no key.
fn id_in(key: &str) -> Option<AccessKeyId> {
    let (id, _) = key.strip_prefix(PREFIX)?.split_once('_')?;
    Some(AccessKeyId::from_uuid(Uuid::try_parse(id).ok()?))
}

fn told(row: AccessKeyRow, today: Date) -> AccessKey {
    let quota = QuotaClass::from_word(&row.quota).unwrap_or(QuotaClass::Small);
    let standing = if row.revoked_at.is_some() {
        "revoked"
    } else if row.expires_on.0 < today {
        "expired"
    } else {
        "in_force"
    };
    let instant = |at: Option<Instant>| at.map(|at| at.0.to_string()).unwrap_or_default();
    AccessKey {
        id: row.id.to_string(),
        organisation_id: row
            .organisation_id
            .map(|id| id.to_string())
            .unwrap_or_default(),
        name: row.name,
        per_minute_n: quota.quota().per_minute_n,
        per_day_n: quota.quota().per_day_n,
        quota: row.quota,
        expires_on: row.expires_on.0.to_string(),
        standing: standing.to_owned(),
        created_at: row.created_at.0.to_string(),
        created_by: row.created_by,
        last_used_at: instant(row.last_used_at),
        revoked_at: instant(row.revoked_at),
        revoked_by: row.revoked_by,
        secret_key: String::new(),
        scopes: row.scopes,
    }
}

/// The partner whose keys the caller keeps; none for the programme's administrator, who keeps
/// every partner's. A key never keeps keys.
async fn keeper_of(unit: &mut Unit) -> Result<Option<OrganisationId>, Fault> {
    let Some(own) = unit.caller().partner() else {
        return Ok(None);
    };
    let (programme, subject) = (unit.programme()?, unit.caller().subject);
    let keeps = unit.caller().key().is_none()
        && store::person(unit.connection(), programme, subject)
            .await?
            .is_some_and(|person| person.keeps_keys);
    if keeps {
        Ok(Some(own))
    } else {
        Err(Fault::forbidden(
            "keys are kept by the person whom your organisation or the programme's administrator named for it",
        ))
    }
}

/// Makes a key.
pub async fn create(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: CreateAccessKeyRequest,
) -> Result<AccessKey, Fault> {
    let today = unit.today();
    let keeper = keeper_of(unit).await?;
    let mut fields = Fields::new();
    let id: AccessKeyId = fields.client_id(&request.id);
    let named = fields.optional_id("organisation_id", &request.organisation_id);
    let unknown = |id: &dyn std::fmt::Display| format!("no organisation {id} is known here");
    let organisation = match (keeper, named) {
        (Some(own), Some(named)) if own != named => {
            fields.fault("organisation_id", unknown(&named));
            Some(own)
        }
        // Without an organisation it is a key of one of the programme's own machines.
        (own, named) => own.or(named),
    };
    let name = fields.text("name", &request.name, 100).to_owned();
    let quota = fields
        .optional_word::<QuotaClass>("quota", &request.quota)
        .unwrap_or(QuotaClass::Standard);
    fields.require(
        keeper.is_none() || quota != QuotaClass::Large,
        "quota",
        "large is given by the programme's administrator",
    );
    let offered: &[Permission] = match organisation {
        Some(_) => &KeyScopes::OF_PARTNERS,
        None => &KeyScopes::OF_MACHINES,
    };
    if organisation.is_none() && request.scopes.is_empty() {
        fields.fault(
            "scopes",
            "is required for a machine of the programme's own: what it may do; or name the partner whose key it is as organisation_id",
        );
    }
    let scopes = if request.scopes.is_empty() {
        KeyScopes::WHOLE_PARTNER
    } else {
        KeyScopes::asked(&mut fields, "scopes", &request.scopes, offered)
    };
    let expires_on = fields
        .optional_date("expires_on", &request.expires_on)
        .unwrap_or_else(|| today.saturating_add(1.year()));
    let latest = today.saturating_add(3.years());
    fields.require(
        (today..=latest).contains(&expires_on),
        "expires_on",
        format!("{expires_on} is outside {today} to {latest}"),
    );
    fields.finish()?;
    let secret_key = fresh_key(id);
    let row = AccessKeyRow {
        id,
        organisation_id: organisation,
        name,
        quota: quota.word().to_owned(),
        expires_on: Day(expires_on),
        created_at: Instant(unit.now()),
        created_by: unit.caller().name.clone(),
        created_by_id: Some(unit.caller().subject),
        last_used_at: None,
        revoked_at: None,
        revoked_by: String::new(),
        scopes: scopes.words().map(str::to_owned).collect(),
    };
    let programme = unit.programme()?;
    let digest = Sha256::digest(secret_key.as_bytes());
    store::insert_access_key(unit.connection(), programme, &row, &digest)
        .await
        .map_err(
            |error| match error.as_database_error().and_then(|e| e.constraint()) {
                Some("access_key_name_once" | "machine_key_name_once") => Fault::exists(
                    "/name",
                    format!(
                        "{} has a key already; give each device a name of its own",
                        row.name
                    ),
                ),
                Some("access_key_of_organisation") => {
                    Fault::field("/organisation_id", unknown(&request.organisation_id))
                }
                Some("access_key_pkey" | "access_key_by_id") => {
                    Fault::exists("/id", "is a key's already; make another id")
                }
                _ => error.into(),
            },
        )?;
    unit.touch("access_key", id);
    Ok(AccessKey {
        secret_key,
        ..told(row, today)
    })
}

/// Lists keys.
pub async fn list(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: ListAccessKeysRequest,
) -> Result<AccessKeyList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let organisation = fields.optional_id("organisation_id", &request.organisation_id);
    fields.finish()?;
    let (programme, today) = (unit.programme()?, unit.today());
    let rows = store::access_keys(
        unit.connection(),
        programme,
        organisation,
        request.machines,
        &page,
    )
    .await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.id);
    Ok(AccessKeyList {
        items: rows.into_iter().map(|row| told(row, today)).collect(),
        next_cursor,
    })
}

/// Revokes a key; one revoked before stays as it was.
pub async fn revoke(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: RevokeAccessKeyRequest,
) -> Result<AccessKey, Fault> {
    keeper_of(unit).await?;
    let mut fields = Fields::new();
    let id: Option<AccessKeyId> = fields.id("access_key_id", &request.access_key_id);
    fields.finish()?;
    let (programme, today, now) = (unit.programme()?, unit.today(), unit.now());
    let by = unit.caller().name.clone();
    let row = store::revoke_access_key(unit.connection(), programme, id, &by, Instant(now))
        .await?
        .ok_or_else(|| Fault::not_found("key", &request.access_key_id))?;
    unit.touch("access_key", row.id);
    Ok(told(row, today))
}

/// Exchanges a key for an access token. What is wrong with a key is not told.
pub async fn exchange(
    app: &IdentityApp,
    unit: &mut Unit,
    request: ExchangeAccessKeyRequest,
) -> Result<AccessGrant, Fault> {
    let refused = || Fault::unauthenticated("the key is not known, was revoked or has expired");
    let (today, now) = (unit.today(), unit.now());
    let id = id_in(&request.secret_key);
    let subject = id.map(|id| id.to_string());
    let lanes = Lanes::random(Door::AccessKey, subject.as_deref());
    let attempt = app.throttle.reserve(&lanes, app.now())?;
    let id = id.ok_or_else(refused)?;
    if let Some(programme) = store::programme_of_key(unit.connection(), id).await? {
        // Should it be refused, it is this programme's matter.
        unit.turned_out_to_be(Caller::turned_away(programme));
        unit.touch("access_key", id);
    }
    let digest = Sha256::digest(request.secret_key.as_bytes());
    // Looked up by digest, of which a guess would have to hit all 256 bits.
    let (programme, row) =
        store::use_access_key(unit.connection(), id, &digest, Day(today), Instant(now))
            .await?
            .ok_or_else(refused)?;
    attempt.was_right();
    let name = format!("{} (key)", row.name);
    unit.turned_out_to_be(Caller {
        subject: PersonId::from_uuid(id.uuid()),
        name: name.clone(),
        session: None,
        standing: Standing::Staff {
            programme,
            roles: Vec::new(),
        },
    });
    let roles = match row.organisation_id {
        Some(_) => vec![Role::Partner.word().to_owned()],
        None => Vec::new(),
    };
    let access_token = app.keys.sign(&Claims {
        iss: ISSUER.into(),
        aud: AUDIENCE.into(),
        sub: id.uuid(),
        name,
        prg: Some(programme.uuid()),
        roles,
        org: row.organisation_id.map(|id| id.uuid()),
        svc: None,
        sid: None,
        key: Some(id.uuid()),
        quota: Some(row.quota),
        scopes: Some(row.scopes),
        iat: now.as_second(),
        exp: (now + ACCESS).as_second(),
    })?;
    Ok(AccessGrant {
        access_token,
        expires_in_s: u32::try_from(ACCESS.as_secs()).unwrap_or(u32::MAX),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_tells_its_id_and_no_two_are_alike() {
        let id = AccessKeyId::new();
        let (one, other) = (fresh_key(id), fresh_key(id));
        assert_ne!(one, other);
        assert_eq!(id_in(&one), Some(id));
        assert!(one.len() > 75);
        for text in ["", "dpk_", "dpk_x_y", "apk_0_0"] {
            assert_eq!(id_in(text), None, "{text}");
        }
    }
}
