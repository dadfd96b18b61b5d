//! Rules for passwords, logins and roles.

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher as _, PasswordVerifier as _};
use platform::fields::Words as _;
use platform::{Fault, Fields, OrganisationId, Role};

/// Shortest password taken.
pub const PASSWORD_MIN_CHARS: usize = 12;
/// Longest password taken; hashing longer ones would be a gift to attackers.
pub const PASSWORD_MAX_CHARS: usize = 256;

platform::ids! {
    /// A key of a partner's device or system.
    AccessKeyId for AccessKeyKind,
}

platform::words! {
    /// What an organisation does.
    pub enum OrganisationDoes {
        /// Propagates trees.
        Nursery = "nursery",
        /// Grows fruit.
        Grower = "grower",
        /// Does research.
        Institute = "institute",
    }
}

/// Checks a new password's length.
pub fn check_password(fields: &mut Fields, field: &str, password: &str) {
    let chars = password.chars().count();
    fields.require(
        (PASSWORD_MIN_CHARS..=PASSWORD_MAX_CHARS).contains(&chars),
        field,
        format!("must be {PASSWORD_MIN_CHARS} to {PASSWORD_MAX_CHARS} characters long"),
    );
}

/// Checks a login: 3 to 64 letters, digits, dots, hyphens, underscores or at signs.
pub fn check_login<'a>(fields: &mut Fields, field: &str, login: &'a str) -> &'a str {
    let login = login.trim();
    let sound = (3..=64).contains(&login.len())
        && login
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || ".-_@".contains(c));
    fields.require(
        sound,
        field,
        "must be 3 to 64 letters, digits, dots, hyphens, underscores or at signs",
    );
    login
}

/// Parses roles and holds them against the organisation: a partner's role stands alone and names an
/// organisation, staff name none.
pub fn check_roles(
    fields: &mut Fields,
    roles: &[String],
    organisation: Option<OrganisationId>,
) -> Vec<Role> {
    let mut parsed = Vec::new();
    for (i, word) in roles.iter().enumerate() {
        if let Some(role) = fields.word::<Role>(&format!("roles/{i}"), word)
            && !parsed.contains(&role)
        {
            parsed.push(role);
        }
    }
    fields.require(
        !roles.is_empty(),
        "roles",
        format!("is required; any of {}", Role::listed()),
    );
    let partner = parsed.contains(&Role::Partner);
    if partner && parsed.len() > 1 {
        fields.fault(
            "roles",
            "partner stands alone; register staff as another person",
        );
    }
    if partner && organisation.is_none() {
        fields.fault("organisation_id", "is required for a partner");
    }
    if !partner && organisation.is_some() {
        fields.fault(
            "organisation_id",
            "is for partners only; leave it out for staff",
        );
    }
    parsed
}

/// Hashes a password with argon2id off the async threads, which it would hold up for tens of
/// milliseconds.
///
/// # Errors
/// Internal, when hashing fails.
pub async fn hash_password(password: String) -> Result<String, Fault> {
    tokio::task::spawn_blocking(move || {
        Argon2::default()
            .hash_password(password.as_bytes())
            .map(|hash: PasswordHash| hash.to_string())
            .map_err(|e| Fault::internal(std::io::Error::other(e.to_string())))
    })
    .await
    .map_err(Fault::internal)?
}

/// Whether a password is the hashed one. With no hash it works as long and says no, so that an
/// unknown login cannot be told by the time it takes.
///
/// # Errors
/// Internal, when the stored hash cannot be read.
pub async fn password_holds(password: String, hash: Option<String>) -> Result<bool, Fault> {
    tokio::task::spawn_blocking(move || match hash {
        Some(hash) => {
            let parsed = PasswordHash::new(&hash)
                .map_err(|e| Fault::internal(std::io::Error::other(e.to_string())))?;
            Ok(Argon2::default()
                .verify_password(password.as_bytes(), &parsed)
                .is_ok())
        }
        None => {
            let _: Result<PasswordHash, _> = Argon2::default().hash_password(password.as_bytes());
            Ok(false)
        }
    })
    .await
    .map_err(Fault::internal)?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn staff_and_partner_do_not_mix() {
        let mut fields = Fields::new();
        check_roles(&mut fields, &["partner".into(), "breeder".into()], None);
        let pointers: Vec<String> = fields
            .into_errors()
            .into_iter()
            .map(|e| e.pointer)
            .collect();
        assert_eq!(pointers, ["/roles", "/organisation_id"]);
    }

    #[test]
    fn an_unknown_role_is_named_with_its_place() {
        let mut fields = Fields::new();
        check_roles(&mut fields, &["breeder".into(), "king".into()], None);
        assert_eq!(fields.into_errors()[0].pointer, "/roles/1");
    }

    #[tokio::test]
    async fn a_password_holds_against_its_own_hash_only() {
        let hash = hash_password("apricot-in-winter".into()).await.unwrap();
        assert!(hash.starts_with("$argon2id$"));
        assert!(
            password_holds("apricot-in-winter".into(), Some(hash.clone()))
                .await
                .unwrap()
        );
        assert!(
            !password_holds("apricot-in-summer".into(), Some(hash))
                .await
                .unwrap()
        );
        assert!(
            !password_holds("apricot-in-winter".into(), None)
                .await
                .unwrap()
        );
    }
}
