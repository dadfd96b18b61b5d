//! Keys of devices, systems and machines: what each may do and how much, and when it was last used.

use std::collections::BTreeMap;

use axum::Form;
use axum::extract::Path;
use axum::extract::rejection::FormRejection;
use axum::response::{IntoResponse, Redirect, Response};
use contract::identity::{
    AccessKey, AccessKeyList, CreateAccessKeyRequest, ListAccessKeysRequest,
    ListOrganisationsRequest, RevokeAccessKeyRequest,
};
use maud::{Markup, html};
use platform::Fault;
use platform::access::{KeyScopes, Permission};
use platform::fields::Words as _;
use serde::Deserialize;

use super::Shown;
use crate::desk::Desk;
use crate::html::{Table, choice, day, field, instant, pager, text};
use crate::layout::Page;
use crate::trouble::Trouble;
use crate::words;

/// Where a partner's own people find their keys.
const PARTNERS: &str = "/partner#keys";
/// Where the programme's administrator finds every partner's.
const EVERYBODYS: &str = "/keys";

/// Keys of every partner, for the programme's administrator.
pub async fn list(desk: Desk) -> Shown {
    let mut identity = desk.identity()?;
    let request = ListOrganisationsRequest {
        limit: 200,
        ..ListOrganisationsRequest::default()
    };
    let partners: BTreeMap<String, String> = identity
        .list_organisations(request)
        .await?
        .into_inner()
        .items
        .into_iter()
        .map(|partner| (partner.id, partner.name))
        .collect();
    let of = desk.ask.text("organisation_id");
    let request = ListAccessKeysRequest {
        limit: 0,
        cursor: desk.ask.text("cursor"),
        organisation_id: of.clone(),
        machines: false,
    };
    let list = identity.list_access_keys(request).await?.into_inner();
    let options: Vec<(String, String)> = partners
        .iter()
        .map(|(id, name)| (id.clone(), name.clone()))
        .collect();
    Ok(Page::new(
        "Keys of devices and machines",
        html! {
            p { "A device exchanges its key for a token of five minutes. A key that is revoked brings no more tokens, and those that it brought are refused within about a second. Only a digest of a key is kept: nobody can show it again." }
            form.ask method="get" {
                (choice("organisation_id", "Partner", Some("any"), options.clone(), &of))
                button { "Show" }
            }
            (kept(&list, Some(&partners)))
            (pager(&desk.ask, list.next_cursor.as_ref()))
            h2 { "Make a key for a partner’s device" }
            (form(Some(options)))
            h2 #machines { "Make a key for a machine of the programme’s own" }
            p { "A weather logger, or a program that reads for an analysis. It may do what is ticked and nothing else." }
            (machine_form())
        },
    ))
}

/// A partner's own keys with the form for another, for its page.
pub fn own(list: &AccessKeyList) -> Markup {
    html! {
        (kept(list, None))
        (form(None))
    }
}

fn kept(list: &AccessKeyList, partners: Option<&BTreeMap<String, String>>) -> Markup {
    let mut table = Table::new("Keys").text("Device or system");
    if partners.is_some() {
        table = table.text("Partner");
    }
    table
        .text("May")
        .text("Quota")
        .text("Last used")
        .text("Until")
        .text("Standing")
        .text("Made")
        .text("")
        .stacking()
        .or_say("No key yet.")
        .rows(&list.items, |key| {
            let partner = partners.map(|all| {
                text(
                    all.get(&key.organisation_id)
                        .map_or("the programme itself", String::as_str),
                )
            });
            std::iter::once(text(&key.name))
                .chain(partner)
                .chain([
                    text(scopes(&key.scopes)),
                    html! { (words::count(key.per_minute_n)) " a minute, " (words::count(key.per_day_n)) " a day" },
                    if key.last_used_at.is_empty() { text("never") } else { instant(&key.last_used_at) },
                    day(&key.expires_on),
                    standing(key),
                    html! { (instant(&key.created_at)) " by " (key.created_by) },
                    html! {
                        @if key.standing == "in_force" {
                            form method="post" action={ "/keys/" (key.id) "/revoke" } { button { "Revoke" span.hidden { " the key of " (key.name) } } }
                        }
                    },
                ])
                .collect()
        })
        .show()
}

fn scopes(all: &[String]) -> String {
    let all: Vec<String> = all.iter().map(|scope| words::plain(scope)).collect();
    all.join(", ")
}

fn standing(key: &AccessKey) -> Markup {
    html! {
        span.tag.strong[key.standing != "in_force"] { (words::plain(&key.standing)) }
        @if !key.revoked_at.is_empty() { " " (instant(&key.revoked_at)) @if !key.revoked_by.is_empty() { " by " (key.revoked_by) } }
    }
}

fn form(partners: Option<Vec<(String, String)>>) -> Markup {
    let quotas: &[&str] = match partners {
        Some(_) => &["small", "standard", "large"],
        None => &["small", "standard"],
    };
    let quotas = quotas
        .iter()
        .map(|word| ((*word).to_owned(), (*word).to_owned()));
    html! {
        form.ask method="post" action="/keys" {
            @if let Some(partners) = partners { (choice("organisation_id", "Partner", None, partners, "")) }
            (field("name", "Device or system", "text", ""))
            (choice("quota", "Quota", None, quotas, "standard"))
            (ticks(&KeyScopes::OF_PARTNERS, true))
            button { "Make a key" }
        }
    }
}

fn machine_form() -> Markup {
    let quotas = ["small", "standard", "large"].map(|word| (word.to_owned(), word.to_owned()));
    html! {
        form.ask method="post" action="/keys" {
            (field("name", "Machine", "text", ""))
            (choice("quota", "Quota", None, quotas, "standard"))
            (ticks(&KeyScopes::OF_MACHINES, false))
            button { "Make a key" }
        }
    }
}

fn ticks(offered: &[Permission], all: bool) -> Markup {
    html! {
        fieldset.ticks {
            legend { "What it may do" }
            @for scope in offered {
                label { input type="checkbox" name=(scope.word()) checked[all]; " " (words::plain(scope.word())) }
            }
        }
    }
}

/// What the form for a key holds: its values by name, and a box that was ticked by the word of its
/// scope.
#[derive(Deserialize)]
#[serde(transparent)]
pub struct NewKey(BTreeMap<String, String>);

impl NewKey {
    fn text(&self, name: &str) -> String {
        self.0.get(name).cloned().unwrap_or_default()
    }

    /// Refuses a field that no form for a key has.
    fn nothing_else(&self) -> Result<(), Fault> {
        let known = |name: &String| {
            ["name", "quota", "organisation_id"].contains(&name.as_str())
                || KeyScopes::read(std::slice::from_ref(name)).is_some()
        };
        match self.0.keys().find(|name| !known(name)) {
            Some(name) => Err(Fault::field(format!("/{name}"), "is not known here")),
            None => Ok(()),
        }
    }

    fn scopes(&self) -> Vec<String> {
        KeyScopes::OF_PARTNERS
            .into_iter()
            .chain(KeyScopes::OF_MACHINES)
            .map(Permission::word)
            .filter(|word| self.0.contains_key(*word))
            .map(str::to_owned)
            .collect()
    }
}

fn home(desk: &Desk) -> &'static str {
    if desk.may(Permission::AdministerPeople) {
        EVERYBODYS
    } else {
        PARTNERS
    }
}

/// Makes a key and shows it, this once.
pub async fn make(desk: Desk, form: Result<Form<NewKey>, FormRejection>) -> Shown {
    let Form(form) = form.map_err(|rejection| Fault::malformed(rejection.body_text()))?;
    form.nothing_else()?;
    let scopes = form.scopes();
    if scopes.is_empty() {
        return Err(Fault::field("/scopes", "tick at least one thing that the key may do").into());
    }
    let request = CreateAccessKeyRequest {
        name: form.text("name"),
        quota: form.text("quota"),
        organisation_id: form.text("organisation_id"),
        scopes,
        ..CreateAccessKeyRequest::default()
    };
    let key = desk
        .identity()?
        .create_access_key(request)
        .await?
        .into_inner();
    Ok(Page::new(
        "The new key",
        html! {
            p { "The key of " strong { (key.name) } ". It is shown this once: put it into the device now." }
            p { code { (key.secret_key) } }
            p { "The device exchanges it at " code { "POST /api/identity/v1/access-tokens" } " for a token of five minutes. It may " (scopes_of(&key)) ", "
                (words::count(key.per_minute_n)) " times a minute and " (words::count(key.per_day_n)) " times a day, until " (words::day(&key.expires_on)) "." }
            p { a href=(home(&desk)) { "Back to the keys" } }
        },
    ))
}

fn scopes_of(key: &AccessKey) -> String {
    scopes(&key.scopes)
}

/// Revokes a key.
pub async fn revoke(desk: Desk, Path(id): Path<String>) -> Result<Response, Trouble> {
    let request = RevokeAccessKeyRequest { access_key_id: id };
    desk.identity()?.revoke_access_key(request).await?;
    Ok(Redirect::to(home(&desk)).into_response())
}
