//! Signing in, step by step: the password, a second factor where the account has one, and a
//! password of one's own where somebody else gave the first.

use contract::identity::{ContinueSignInRequest, Session, SignInRequest};
use platform::fields::Words as _;
use platform::{Caller, Fault, Fields, Unit};
use uuid::Uuid;

use super::{passwords, second_factors, tokens};
use crate::IdentityApp;
use crate::domain::{PASSWORD_MAX_CHARS, Proof};
use crate::store::{self, NewSession, PersonRow};
use crate::throttle::{Door, Lanes, address_text};

fn refused() -> Fault {
    Fault::unauthenticated("the login or the password is wrong")
}

/// Signs a person in.
pub async fn sign_in(
    app: &IdentityApp,
    unit: &mut Unit,
    request: SignInRequest,
) -> Result<Session, Fault> {
    let mut fields = Fields::new();
    let login = fields.text("login", &request.login, 64).to_owned();
    fields.require(!request.password.is_empty(), "password", "is required");
    fields.require(
        request.password.len() <= PASSWORD_MAX_CHARS * 4,
        "password",
        "is too long",
    );
    fields.finish()?;
    let device = tokens::known_device(app, &request.device_token, &login);
    let lanes = Lanes::remembered(Door::Password, &login, device);

    let person = store::person_by_login(unit.connection(), &login).await?;
    if let Some(person) = &person {
        // Should it be refused, it is this programme's matter.
        unit.turned_out_to_be(Caller::turned_away(person.programme_id));
        unit.touch("person", person.id);
    }
    app.throttle.check(&lanes, app.now())?;
    let hash = person.as_ref().map(|p| p.password_hash.clone());
    if !passwords::hold(app, unit, &lanes, request.password, hash).await? {
        return Err(refused());
    }
    // It may have changed while the password was looked at.
    let before = person.ok_or_else(refused)?;
    let person = store::person(unit.connection(), before.programme_id, before.id)
        .await?
        .filter(|person| person.may_act && person.version == before.version)
        .ok_or_else(refused)?;
    go_on(app, unit, person, vec![Proof::Password], device).await
}

/// Takes the step that was missing.
pub async fn continue_sign_in(
    app: &IdentityApp,
    unit: &mut Unit,
    request: ContinueSignInRequest,
) -> Result<Session, Fault> {
    let over = || Fault::unauthenticated("signing in took too long; begin again");
    let step = tokens::read_step(app, &request.step_token).ok_or_else(over)?;
    let (programme, id) = step.who();
    let mut person = store::person(unit.connection(), programme, id)
        .await?
        .filter(|person| person.may_act && person.version == step.ver)
        .ok_or_else(over)?;
    unit.turned_out_to_be(Caller::turned_away(person.programme_id));
    unit.touch("person", person.id);
    let device = tokens::known_device(app, &request.device_token, &person.login);
    let mut proofs = step.proved();
    match missing(unit, &person, &proofs).await? {
        Some(Missing::SecondFactor(_)) => {
            let proof = second_factors::prove(app, unit, &person, device, &request).await?;
            proofs.push(proof);
        }
        Some(Missing::NewPassword) => {
            person = passwords::set_own(app, unit, person, request.new_password).await?;
        }
        None => {}
    }
    go_on(app, unit, person, proofs, device).await
}

/// What somebody must still do before they are signed in.
enum Missing {
    SecondFactor(Vec<Proof>),
    NewPassword,
}

async fn missing(
    unit: &mut Unit,
    person: &PersonRow,
    proofs: &[Proof],
) -> Result<Option<Missing>, Fault> {
    let factors = second_factors::of(unit, person).await?;
    Ok(
        if !factors.is_empty() && !proofs.iter().any(|p| p.is_second()) {
            Some(Missing::SecondFactor(factors))
        } else if person.password_to_change {
            Some(Missing::NewPassword)
        } else {
            None
        },
    )
}

/// Opens the session, or tells the next step to it.
async fn go_on(
    app: &IdentityApp,
    unit: &mut Unit,
    person: PersonRow,
    proofs: Vec<Proof>,
    device: Option<Uuid>,
) -> Result<Session, Fault> {
    if let Some(missing) = missing(unit, &person, &proofs).await? {
        unit.turned_out_to_be(tokens::caller_of(&person, None));
        let (step, factors) = match missing {
            Missing::SecondFactor(factors) => ("second_factor", factors),
            Missing::NewPassword => ("new_password", Vec::new()),
        };
        return Ok(Session {
            step: step.to_owned(),
            step_token: tokens::step_token(app, &person, &proofs)?,
            second_factors: factors.iter().map(|f| f.word().to_owned()).collect(),
            ..Session::default()
        });
    }
    let session = NewSession {
        id: Uuid::now_v7(),
        programme: person.programme_id,
        person: person.id,
    };
    let (now, address) = (unit.now(), address_text());
    store::open_session(unit.connection(), &session, &proofs, &address, now).await?;
    unit.turned_out_to_be(tokens::caller_of(&person, Some(session.id)));
    unit.touch("session", session.id);
    Ok(Session {
        device_token: tokens::device_token(app, &person.login, device)?,
        ..tokens::session_tokens(app, unit, &person, &session).await?
    })
}
