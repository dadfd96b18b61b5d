//! Second factors: codes of an app (RFC 6238), and recovery codes for when it is not at hand.

use contract::common::Empty;
use contract::identity::{
    BeginCodesRequest, CodesBegun, ConfirmCodesRequest, ContinueSignInRequest,
    EndSecondFactorsRequest, ListSecondFactorsRequest, RecoveryCodes, SecondFactors,
};
use platform::database::Instant;
use platform::{Fault, Unit};
use rand::Rng as _;
use sha2::{Digest as _, Sha256};
use totp_rs::{Builder, Secret, Totp};
use uuid::Uuid;

use super::passwords::{hold_own, own_account};
use crate::IdentityApp;
use crate::domain::Proof;
use crate::store::PersonRow;
use crate::store::second_factors::{self as store, Owner};
use crate::throttle::{Door, Lanes};

/// Random bytes behind an app's codes (RFC 4226 asks for 20).
const SECRET_BYTES: usize = 20;
/// Recovery codes made at once.
const RECOVERY_CODES_N: usize = 10;
/// Letters and digits of recovery codes: those that are not taken for one another.
const RECOVERY_LETTERS: &[u8; 32] = b"23456789abcdefghjkmnpqrstuvwxyz-";

fn owner(person: &PersonRow) -> Owner {
    Owner {
        programme: person.programme_id,
        person: person.id,
    }
}

fn codes_of(secret: &[u8]) -> Result<Totp, Fault> {
    Builder::new()
        .with_secret(secret.to_vec())
        .build()
        .map_err(|error| Fault::internal(std::io::Error::other(error.to_string())))
}

/// The time step of a code, when the app shows it about now.
fn step_of(secret: &[u8], code: &str, now: jiff::Timestamp) -> Result<Option<i64>, Fault> {
    let code: String = code.chars().filter(|c| !c.is_whitespace()).collect();
    let now_s = u64::try_from(now.as_second()).unwrap_or(0);
    let step = codes_of(secret)?.check(&code, now_s);
    Ok(step.and_then(|step| i64::try_from(step).ok()))
}

/// The second factors that an account has; none when it has none.
pub(super) async fn of(unit: &mut Unit, person: &PersonRow) -> Result<Vec<Proof>, Fault> {
    let owner = owner(person);
    let mut factors = Vec::new();
    if store::app_since(unit.connection(), owner).await?.is_some() {
        factors.push(Proof::Code);
    }
    if !factors.is_empty() && store::recovery_codes_left(unit.connection(), owner).await? > 0 {
        factors.push(Proof::RecoveryCode);
    }
    Ok(factors)
}

/// Holds a second factor that was sent. Attempts are counted before they are looked at.
pub(super) async fn prove(
    app: &IdentityApp,
    unit: &mut Unit,
    person: &PersonRow,
    device: Option<Uuid>,
    request: &ContinueSignInRequest,
) -> Result<Proof, Fault> {
    let (code, recovery) = (request.app_code.as_str(), request.recovery_code.as_str());
    if code.is_empty() == recovery.is_empty() {
        return Err(Fault::field(
            "/app_code",
            "is required: the code that your app shows, or one of your recovery codes as recovery_code",
        ));
    }
    let lanes = Lanes::own(Door::SecondFactor, device.unwrap_or(person.id.uuid()));
    let attempt = app.throttle.reserve(&lanes, app.now())?;
    let (owner, now) = (owner(person), Instant(unit.now()));
    let held = if recovery.is_empty() {
        take_code(unit, owner, true, code)
            .await?
            .then_some(Proof::Code)
    } else {
        let digest = recovery_digest(recovery);
        store::take_recovery_code(unit.connection(), owner, &digest, now)
            .await?
            .then_some(Proof::RecoveryCode)
    };
    match held {
        Some(proof) => {
            attempt.was_right();
            Ok(proof)
        }
        None => Err(Fault::unauthenticated(
            "this code does not hold now; each works once and for about a minute",
        )),
    }
}

/// Takes a code of an app, once.
async fn take_code(
    unit: &mut Unit,
    owner: Owner,
    confirmed: bool,
    code: &str,
) -> Result<bool, Fault> {
    let Some(app) = store::app(unit.connection(), owner, confirmed).await? else {
        return Ok(false);
    };
    let now = unit.now();
    let Some(step) = step_of(&app.secret, code, now)?.filter(|step| *step > app.last_step) else {
        return Ok(false);
    };
    store::code_taken(unit.connection(), owner, app.id, step, Instant(now)).await?;
    Ok(true)
}

/// The second factors of one's own account.
pub async fn list(
    _app: &IdentityApp,
    unit: &mut Unit,
    _request: ListSecondFactorsRequest,
) -> Result<SecondFactors, Fault> {
    let owner = owner(&own_account(unit).await?);
    let since = store::app_since(unit.connection(), owner).await?;
    let left_n = store::recovery_codes_left(unit.connection(), owner).await?;
    Ok(SecondFactors {
        codes_since: since.map(|at| at.0.to_string()).unwrap_or_default(),
        recovery_codes_left_n: u32::try_from(left_n).unwrap_or(u32::MAX),
    })
}

/// Begins to use an app that shows codes.
pub async fn begin_codes(
    app: &IdentityApp,
    unit: &mut Unit,
    request: BeginCodesRequest,
) -> Result<CodesBegun, Fault> {
    let person = own_account(unit).await?;
    hold_own(app, unit, &person, request.current_password).await?;
    let mut secret = [0_u8; SECRET_BYTES];
    rand::rng().fill_bytes(&mut secret);
    let (id, now) = (Uuid::now_v7(), Instant(unit.now()));
    store::begin_app(unit.connection(), owner(&person), id, &secret, now).await?;
    unit.touch("code_app", id);
    let text = Secret::from(secret.to_vec()).to_base32();
    Ok(CodesBegun {
        address: format!(
            "otpauth://totp/Drupeline:{}?secret={text}&issuer=Drupeline",
            person.login.replace('@', "%40")
        ),
        secret: text,
    })
}

/// Confirms the app with a code that it shows; the one used before, and its recovery codes, end.
pub async fn confirm_codes(
    app: &IdentityApp,
    unit: &mut Unit,
    request: ConfirmCodesRequest,
) -> Result<RecoveryCodes, Fault> {
    let person = own_account(unit).await?;
    let owner = owner(&person);
    let lanes = Lanes::own(Door::SecondFactor, person.id.uuid());
    let attempt = app.throttle.reserve(&lanes, app.now())?;
    let now = Instant(unit.now());
    let waiting = store::app(unit.connection(), owner, false)
        .await?
        .ok_or_else(|| Fault::state("no app waits to be confirmed; begin anew"))?;
    let step = step_of(&waiting.secret, &request.app_code, now.0)?;
    let Some(step) = step.filter(|step| *step > waiting.last_step) else {
        return Err(Fault::field(
            "/app_code",
            "is not what the app shows now; check the clock of its device",
        ));
    };
    attempt.was_right();
    // All that was before ends, then this one begins.
    store::end_all(unit.connection(), owner, now).await?;
    let id = Uuid::now_v7();
    store::begin_app(unit.connection(), owner, id, &waiting.secret, now).await?;
    store::code_taken(unit.connection(), owner, id, step, now).await?;
    let recovery_codes: Vec<String> = (0..RECOVERY_CODES_N).map(|_| recovery_code()).collect();
    let digests: Vec<Vec<u8>> = recovery_codes.iter().map(|c| recovery_digest(c)).collect();
    store::keep_recovery_codes(unit.connection(), owner, &digests, now).await?;
    unit.touch("code_app", id);
    Ok(RecoveryCodes { recovery_codes })
}

/// Takes the second factors away again.
pub async fn end(
    app: &IdentityApp,
    unit: &mut Unit,
    request: EndSecondFactorsRequest,
) -> Result<Empty, Fault> {
    let person = own_account(unit).await?;
    hold_own(app, unit, &person, request.current_password).await?;
    end_all(unit, &person).await?;
    unit.touch("person", person.id);
    Ok(Empty {})
}

/// Ends every second factor of a person.
pub(crate) async fn end_all(unit: &mut Unit, person: &PersonRow) -> Result<(), Fault> {
    let now = Instant(unit.now());
    store::end_all(unit.connection(), owner(person), now).await
}

/// A recovery code: twenty-five letters and digits in groups of five, some 123 random bits, so that
/// a plain digest keeps it.
fn recovery_code() -> String {
    let mut rng = rand::rng();
    let mut code = String::with_capacity(29);
    while code.len() < 29 {
        if code.len() % 6 == 5 {
            code.push('-');
            continue;
        }
        // The last of the thirty-two is the hyphen, which is drawn again.
        let letter = RECOVERY_LETTERS[(rng.next_u32() & 31) as usize];
        if letter != b'-' {
            code.push(char::from(letter));
        }
    }
    code
}

/// The digest of a recovery code, however it was typed.
fn recovery_digest(code: &str) -> Vec<u8> {
    let bare: String = code
        .chars()
        .filter(|c| c.is_alphanumeric())
        .flat_map(char::to_lowercase)
        .collect();
    Sha256::digest(bare.as_bytes()).to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 6238, appendix B: the last six digits of the codes for SHA-1.
    #[test]
    fn codes_are_those_of_the_standard() {
        let secret = b"12345678901234567890";
        for (at_s, code) in [
            (59, "287082"),
            (1_111_111_109, "081804"),
            (1_234_567_890, "005924"),
            (2_000_000_000, "279037"),
        ] {
            let now = jiff::Timestamp::from_second(at_s).unwrap();
            assert_eq!(
                step_of(secret, code, now).unwrap(),
                Some(at_s / 30),
                "{code}"
            );
            let spaced = format!("{} {}", &code[..3], &code[3..]);
            assert_eq!(step_of(secret, &spaced, now).unwrap(), Some(at_s / 30));
            for wrong in ["", "000000", "28708", "2870820", "abcdef", "２８７０８２"] {
                assert_eq!(step_of(secret, wrong, now).unwrap(), None, "{wrong}");
            }
        }
    }

    #[test]
    fn recovery_codes_differ_and_are_read_however_they_are_typed() {
        let (one, other) = (recovery_code(), recovery_code());
        assert_ne!(one, other);
        assert_eq!(one.len(), 29, "{one}");
        assert_eq!(
            one.split('-').map(str::len).collect::<Vec<_>>(),
            [5, 5, 5, 5, 5]
        );
        let typed = one.replace('-', " ").to_uppercase();
        assert_eq!(recovery_digest(&one), recovery_digest(&typed));
        assert_ne!(recovery_digest(&one), recovery_digest(&other));
    }
}
