//! Rules for passwords, logins and roles.

use platform::fields::Words as _;
use platform::{Fields, OrganisationId, Role};
use zxcvbn::zxcvbn;

/// Shortest password taken.
pub const PASSWORD_MIN_CHARS: usize = 12;
/// Guesses that a new password must be good for, as a power of ten: more than three words come to that
/// everybody knows.
const GUESSES_MIN_LOG10: f64 = 9.0;
/// Longest password taken; hashing longer ones would be a gift to attackers.
pub const PASSWORD_MAX_CHARS: usize = 256;

platform::ids! {
    /// A key of a partner's device or system, or of one of the programme's own machines.
    AccessKeyId for AccessKeyKind,
    /// A link to set a new password.
    RecoveryLinkId for RecoveryLinkKind,
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

/// Checks a new password: long enough, not blank, and not soon guessed by who knows common
/// passwords, keyboards and what the account tells about its owner (`known`).
pub fn check_password(fields: &mut Fields, field: &str, password: &str, known: &[&str]) {
    let chars = password.chars().count();
    if !(PASSWORD_MIN_CHARS..=PASSWORD_MAX_CHARS).contains(&chars) {
        fields.fault(
            field,
            format!("must be {PASSWORD_MIN_CHARS} to {PASSWORD_MAX_CHARS} characters long"),
        );
        return;
    }
    let bare = password.trim();
    let told: Vec<&str> = known
        .iter()
        .flat_map(|text| text.split(|c: char| !c.is_alphanumeric()).chain([*text]))
        .filter(|word| word.chars().count() > 2)
        .collect();
    let guesses = zxcvbn(bare, &told);
    if bare.is_empty() || guesses.guesses_log10() < GUESSES_MIN_LOG10 {
        let why = guesses
            .feedback()
            .and_then(|feedback| feedback.warning())
            .map(|warning| format!(": {}", warning.to_string().to_lowercase()))
            .unwrap_or_default();
        fields.fault(
            field,
            format!(
                "is easily guessed{}; take four or more words that do not belong together",
                why.trim_end_matches('.')
            ),
        );
    }
}

platform::words! {
    /// How somebody proved who they are.
    pub enum Proof {
        /// The password.
        Password = "password",
        /// A code of the app that shows codes.
        Code = "code",
        /// A recovery code.
        RecoveryCode = "recovery_code",
    }
}

impl Proof {
    /// Whether it counts as a second factor.
    pub fn is_second(self) -> bool {
        self != Self::Password
    }
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

    fn faults(password: &str) -> usize {
        let mut fields = Fields::new();
        check_password(
            &mut fields,
            "password",
            password,
            &["ines.halvard", "Prunus Valley"],
        );
        fields.into_errors().len()
    }

    #[test]
    fn passwords_that_are_common_blank_or_told_by_the_account_are_refused() {
        for weak in [
            "",
            "short",
            "            ",
            "\u{a0}\u{2003}          ",
            "password1234",
            "Password1234!",
            "qwertyuiop12",
            "aaaaaaaaaaaaaaaa",
            "abcdefghijklm",
            "123456789012",
            "ines.halvard",
            "InesHalvard1",
            "prunusvalley",
        ] {
            assert_ne!(faults(weak), 0, "{weak:?}");
        }
        for strong in [
            "a password for tests only",
            "plum orchard at dusk 7",
            "kX9-vQ2w!mTz",
            "пять абрикосов зимой",
        ] {
            assert_eq!(faults(strong), 0, "{strong:?}");
        }
        assert_ne!(faults(&"longer than anybody types ".repeat(20)), 0);
    }

    proptest::proptest! {
        /// Whatever is sent, checking a password ends and never panics.
        #[test]
        fn any_text_can_be_checked(text in "\\PC{0,300}") {
            faults(&text);
        }
    }
}
