//! Which fields of the contract hold secrets, and the code that takes them out.

use std::collections::BTreeMap;

use prost_types::field_descriptor_proto::{Label, Type};
use prost_types::{FieldDescriptorProto, FileDescriptorSet};

/// Fields that hold secrets. They are taken out of a message before anything of it is kept: in the
/// audit trail, or to know a repeated request by.
const SECRETS: &[&str] = &[
    "drupeline.identity.v1.SignInRequest.password",
    "drupeline.identity.v1.SignInRequest.device_token",
    "drupeline.identity.v1.Session.access_token",
    "drupeline.identity.v1.Session.device_token",
    "drupeline.identity.v1.Session.step_token",
    "drupeline.identity.v1.ContinueSignInRequest.step_token",
    "drupeline.identity.v1.ContinueSignInRequest.app_code",
    "drupeline.identity.v1.ContinueSignInRequest.recovery_code",
    "drupeline.identity.v1.ContinueSignInRequest.new_password",
    "drupeline.identity.v1.ContinueSignInRequest.device_token",
    "drupeline.identity.v1.BeginCodesRequest.current_password",
    "drupeline.identity.v1.CodesBegun.secret",
    "drupeline.identity.v1.CodesBegun.address",
    "drupeline.identity.v1.ConfirmCodesRequest.app_code",
    "drupeline.identity.v1.RecoveryCodes.recovery_codes",
    "drupeline.identity.v1.EndSecondFactorsRequest.current_password",
    "drupeline.identity.v1.RecoveryLink.path",
    "drupeline.identity.v1.RecoveryLink.link_token",
    "drupeline.identity.v1.RecoverPasswordRequest.link_token",
    "drupeline.identity.v1.RecoverPasswordRequest.new_password",
    "drupeline.identity.v1.Recovered.device_token",
    "drupeline.identity.v1.RevokeSigningKeysRequest.setup_key",
    "drupeline.identity.v1.Session.refresh_token",
    "drupeline.identity.v1.RefreshSessionRequest.refresh_token",
    "drupeline.identity.v1.FoundProgrammeRequest.setup_key",
    "drupeline.identity.v1.FoundProgrammeRequest.admin_password",
    "drupeline.identity.v1.RegisterPersonRequest.password",
    "drupeline.identity.v1.ChangePasswordRequest.current_password",
    "drupeline.identity.v1.ChangePasswordRequest.new_password",
    "drupeline.identity.v1.IssueServiceTokenRequest.secret",
    "drupeline.identity.v1.ServiceToken.access_token",
    "drupeline.identity.v1.AccessKey.secret_key",
    "drupeline.identity.v1.ExchangeAccessKeyRequest.secret_key",
    "drupeline.identity.v1.AccessGrant.access_token",
    "drupeline.release.v1.CalendarLink.url",
    "drupeline.release.v1.GetLinkedCalendarRequest.link_token",
    "drupeline.release.v1.Webhook.secret",
];

/// Fields that sound like secrets and are none: whoever holds a label may read what is on it.
const NO_SECRETS: &[&str] = &[
    "drupeline.release.v1.SignedLabel.label_token",
    "drupeline.release.v1.VerifyLabelRequest.label_token",
    "drupeline.release.v1.PrintTagsRequest.label_token",
];

/// Words in the names of fields that hold secrets. A field so named that stands in neither list
/// above stops the build, so that none can be forgotten.
const SECRET_WORDS: &[&str] = &[
    "password",
    "passphrase",
    "secret",
    "token",
    "setup_key",
    "private_key",
    "credential",
    "otp",
    "recovery_code",
];

/// What takes the secrets out of each message, as `impl Secrets` for every message.
pub fn generate(set: &FileDescriptorSet) -> Result<String, Box<dyn std::error::Error>> {
    let mut messages = Vec::new();
    for file in &set.file {
        for message in &file.message_type {
            messages.push((format!("{}.{}", file.package(), message.name()), message));
        }
    }
    let mut named: Vec<&str> = Vec::new();
    for (message, described) in &messages {
        for field in &described.field {
            let name = format!("{message}.{}", field.name());
            let (secret, none) = (
                SECRETS.contains(&name.as_str()),
                NO_SECRETS.contains(&name.as_str()),
            );
            if secret != none {
                named.push(if secret { "secret" } else { "none" });
                continue;
            }
            // Times, counts and ids of secrets are no secrets.
            let sounds = field.r#type() == Type::String
                && SECRET_WORDS.iter().any(|word| field.name().contains(word))
                && !["_at", "_id"].iter().any(|end| field.name().ends_with(end));
            if sounds || secret {
                return Err(format!(
                    "{name} sounds like a secret: list it in build.rs, either under SECRETS or under NO_SECRETS"
                )
                .into());
            }
        }
    }
    if named.len() != SECRETS.len() + NO_SECRETS.len() {
        return Err("build.rs lists a field under SECRETS or NO_SECRETS that there is not".into());
    }
    // A message that holds one with secrets has secrets itself.
    let mut guarded: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    loop {
        let before: usize = guarded.values().map(Vec::len).sum();
        for (message, described) in &messages {
            let taken: Vec<String> = described
                .field
                .iter()
                .filter_map(|field| taken(message, field, &guarded))
                .collect();
            if !taken.is_empty() {
                guarded.insert(message, taken);
            }
        }
        if before == guarded.values().map(Vec::len).sum::<usize>() {
            break;
        }
    }
    Ok(messages
        .iter()
        .filter(|(message, _)| message.starts_with("drupeline."))
        .map(|(message, _)| {
            let path = message.replace('.', "::");
            let parts = guarded.get(message.as_str()).map(|taken| taken.join("\n"));
            let (argument, body) = match &parts {
                Some(body) => ("taken", body.as_str()),
                None => ("_taken", ""),
            };
            format!(
                "impl crate::Secrets for crate::{path} {{\n\
                 const HAS_SECRETS: bool = {};\n\
                 fn withhold(&mut self, {argument}: &mut Vec<String>) {{\n{body}\n}}\n}}\n",
                parts.is_some()
            )
        })
        .collect())
}

/// The statement that takes a field's secrets, when it holds any.
fn taken(
    message: &str,
    field: &FieldDescriptorProto,
    guarded: &BTreeMap<&str, Vec<String>>,
) -> Option<String> {
    let name = field.name();
    let repeated = field.label() == Label::Repeated;
    if SECRETS.contains(&format!("{message}.{name}").as_str()) {
        return Some(if repeated || field.proto3_optional() {
            format!("self.{name}.iter_mut().for_each(|secret| crate::withhold(secret, taken));")
        } else {
            format!("crate::withhold(&mut self.{name}, taken);")
        });
    }
    let held = field.type_name().trim_start_matches('.');
    (field.r#type() == Type::Message && guarded.contains_key(held)).then(|| {
        format!("self.{name}.iter_mut().for_each(|part| crate::Secrets::withhold(part, taken));")
    })
}
