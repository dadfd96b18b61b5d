//! Passwords: held against their hashes, set and recovered.

use contract::common::Empty;
use contract::identity::{
    ChangePasswordRequest, MakeRecoveryLinkRequest, RecoverPasswordRequest, Recovered, RecoveryLink,
};
use jiff::SignedDuration;
use platform::database::Instant;
use platform::{Caller, Fault, Fields, PersonId, Unit};
use sha2::{Digest as _, Sha256};

use super::{second_factors, tokens};
use crate::IdentityApp;
use crate::domain::{RecoveryLinkId, check_password};
use crate::store::{self, PersonRow, Sessions, recovery};
use crate::throttle::{Door, Lanes};

/// How long a link to set a new password holds.
const LINK: SignedDuration = SignedDuration::from_hours(24);

/// Whether a password is the hashed one. The attempt is counted before it is looked at, and no
/// connection is held meanwhile.
pub(super) async fn hold(
    app: &IdentityApp,
    unit: &mut Unit,
    lanes: &Lanes,
    password: String,
    hash: Option<String>,
) -> Result<bool, Fault> {
    unit.without_connection(async {
        let place = app.hashing.place().await?;
        let attempt = app.throttle.reserve(lanes, app.now())?;
        let holds = place.holds(password, hash).await?;
        if holds {
            attempt.was_right();
        }
        Ok(holds)
    })
    .await
}

/// Holds the present password of somebody who is signed in, before they change what guards their
/// account.
pub(super) async fn hold_own(
    app: &IdentityApp,
    unit: &mut Unit,
    person: &PersonRow,
    password: String,
) -> Result<(), Fault> {
    let lanes = Lanes::own(Door::OwnPassword, person.id.uuid());
    app.throttle.check(&lanes, app.now())?;
    let hash = Some(person.password_hash.clone());
    if hold(app, unit, &lanes, password, hash).await? {
        Ok(())
    } else {
        Err(Fault::field("/current_password", "is wrong"))
    }
}

/// The caller's own account.
pub(super) async fn own_account(unit: &mut Unit) -> Result<PersonRow, Fault> {
    let (programme, subject) = (unit.programme()?, unit.caller().subject);
    store::person(unit.connection(), programme, subject)
        .await?
        .ok_or_else(|| Fault::not_found("person", subject))
}

fn checked(field: &str, password: &str, person: &PersonRow) -> Result<(), Fault> {
    let mut fields = Fields::new();
    check_password(&mut fields, field, password, &[&person.login, &person.name]);
    fields.finish()
}

/// Sets a password that its owner chose, in place of one that somebody else gave.
pub(super) async fn set_own(
    app: &IdentityApp,
    unit: &mut Unit,
    person: PersonRow,
    password: String,
) -> Result<PersonRow, Fault> {
    checked("new_password", &password, &person)?;
    let old = Some(person.password_hash.clone()).filter(|hash| !hash.is_empty());
    let hash = unit
        .without_connection(async {
            if old.is_some()
                && app
                    .hashing
                    .place()
                    .await?
                    .holds(password.clone(), old)
                    .await?
            {
                return Err(Fault::field(
                    "/new_password",
                    "is the one that was given to you; choose another that only you know",
                ));
            }
            app.hashing.hash(password).await
        })
        .await?;
    let changed = store::set_password(unit.connection(), &person, &hash, false).await?;
    changed.ok_or_else(|| Fault::stale(person.version + 1))
}

/// Changes the caller's own password and ends the other sessions.
pub async fn change(
    app: &IdentityApp,
    unit: &mut Unit,
    request: ChangePasswordRequest,
) -> Result<Empty, Fault> {
    let person = own_account(unit).await?;
    checked("new_password", &request.new_password, &person)?;
    hold_own(app, unit, &person, request.current_password).await?;
    let hash = unit
        .without_connection(app.hashing.hash(request.new_password))
        .await?;
    store::set_password(unit.connection(), &person, &hash, false)
        .await?
        .ok_or_else(|| Fault::stale(person.version + 1))?;
    let others = Sessions::AllOf(person.id, unit.caller().session);
    let (programme, now) = (person.programme_id, unit.now());
    store::end_sessions(
        unit.connection(),
        programme,
        others,
        "password changed",
        now,
    )
    .await?;
    unit.touch("person", person.id);
    Ok(Empty {})
}

/// Makes a link under which a person sets a new password.
pub async fn make_link(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: MakeRecoveryLinkRequest,
) -> Result<RecoveryLink, Fault> {
    let mut fields = Fields::new();
    let id: Option<PersonId> = fields.id("person_id", &request.person_id);
    fields.finish()?;
    let unknown = || Fault::not_found("person", &request.person_id);
    let programme = unit.programme()?;
    let person = store::person(unit.connection(), programme, id.ok_or_else(unknown)?)
        .await?
        .ok_or_else(unknown)?;
    if !person.may_act {
        return Err(Fault::state(
            "this person is not active; make the person or the organisation active first",
        ));
    }
    let (link_token, ends_at) = (tokens::random_text(), unit.now() + LINK);
    let link = recovery::NewLink {
        id: RecoveryLinkId::new(),
        programme,
        person: person.id,
        digest: Sha256::digest(link_token.as_bytes()).to_vec(),
        made_at: Instant(unit.now()),
        made_by: unit.caller().name.clone(),
        ends_second_factors: request.ends_second_factors,
        ends_at: Instant(ends_at),
    };
    recovery::insert(unit.connection(), &link).await?;
    unit.touch("recovery_link", link.id);
    unit.touch("person", person.id);
    Ok(RecoveryLink {
        path: format!("/recover?link={link_token}"),
        link_token,
        ends_at: ends_at.to_string(),
    })
}

/// Sets a new password with a link. A link that never was, was used or has ended reads the same.
pub async fn recover(
    app: &IdentityApp,
    unit: &mut Unit,
    request: RecoverPasswordRequest,
) -> Result<Recovered, Fault> {
    let refused = || {
        Fault::unauthenticated(
            "this link is not known, was used or has ended; have your administrator make another",
        )
    };
    let attempt = app
        .throttle
        .reserve(&Lanes::random(Door::RecoveryLink, None), app.now())?;
    let digest = Sha256::digest(request.link_token.as_bytes());
    let now = Instant(unit.now());
    let link = recovery::standing(unit.connection(), &digest, now)
        .await?
        .ok_or_else(refused)?;
    attempt.was_right();
    let person = store::person(unit.connection(), link.programme_id, link.person_id)
        .await?
        .filter(|person| person.may_act)
        .ok_or_else(refused)?;
    unit.turned_out_to_be(Caller::turned_away(person.programme_id));
    checked("new_password", &request.new_password, &person)?;
    let hash = unit
        .without_connection(app.hashing.hash(request.new_password))
        .await?;
    // Of two who come with the same link at once, one finds it used.
    if !recovery::take(unit.connection(), &digest, now).await? {
        return Err(refused());
    }
    let person = store::set_password(unit.connection(), &person, &hash, false)
        .await?
        .ok_or_else(refused)?;
    let programme = person.programme_id;
    if link.ends_second_factors {
        second_factors::end_all(unit, &person).await?;
    }
    let all = Sessions::AllOf(person.id, None);
    store::end_sessions(
        unit.connection(),
        programme,
        all,
        "password recovered",
        now.0,
    )
    .await?;
    unit.turned_out_to_be(tokens::caller_of(&person, None));
    unit.touch("person", person.id);
    Ok(Recovered {
        device_token: tokens::device_token(app, &person.login, None)?,
        login: person.login,
    })
}
