//! The people of a programme.

use contract::identity::{
    EditPersonRequest, FoundProgrammeRequest, GetStandingRequest, ListPeopleRequest,
    NamePeopleRequest, PeopleNames, Person, PersonList, PersonName, PersonStanding, Programme,
    RegisterPersonRequest, WhoAmIRequest,
};
use platform::database::Instant;
use platform::fault::OnConstraint as _;
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, Permission, PersonId, ProgrammeId, Role, Unit};
use uuid::Uuid;

use super::tokens;
use crate::IdentityApp;
use crate::domain::{check_login, check_password, check_roles};
use crate::store::{self, PersonRow, Sessions};
use crate::throttle::{Door, Lanes};

fn shown(person: PersonRow) -> Person {
    Person {
        id: person.id.to_string(),
        login: person.login,
        name: person.name,
        programme_id: person.programme_id.to_string(),
        roles: person
            .roles
            .iter()
            .map(|role| role.word().to_owned())
            .collect(),
        organisation_id: person
            .organisation_id
            .map(|id| id.to_string())
            .unwrap_or_default(),
        active: person.active,
        version: person.version,
        keeps_keys: person.keeps_keys,
        password_to_change: person.password_to_change,
    }
}

fn login_taken(login: &str) -> Fault {
    Fault::exists("/login", format!("{login} is taken; choose another login"))
}

/// The caller's own entry.
pub async fn who_am_i(
    _app: &IdentityApp,
    unit: &mut Unit,
    _request: WhoAmIRequest,
) -> Result<Person, Fault> {
    let (programme, subject) = (unit.programme()?, unit.caller().subject);
    let caller = unit.caller();
    if caller.key().is_some() {
        // A device or system, which has no login.
        return Ok(Person {
            id: subject.to_string(),
            name: caller.name.clone(),
            programme_id: programme.to_string(),
            roles: caller
                .roles()
                .iter()
                .map(|role| role.word().to_owned())
                .collect(),
            organisation_id: caller
                .partner()
                .map(|id| id.to_string())
                .unwrap_or_default(),
            active: true,
            ..Person::default()
        });
    }
    store::person(unit.connection(), programme, subject)
        .await?
        .map(shown)
        .ok_or_else(|| Fault::not_found("person", subject))
}

/// Holds the installation's set-up key.
pub(super) fn setup_key_holds(app: &IdentityApp, setup_key: &str) -> Result<(), Fault> {
    let lanes = Lanes::random(Door::SetupKey, None);
    let attempt = app.throttle.reserve(&lanes, app.now())?;
    let known = app.secrets.setup_key.as_ref();
    if !known.is_some_and(|key| key.is(setup_key)) {
        return Err(Fault::unauthenticated(
            "the set-up key is wrong; it is in the file setup-key of the data folder",
        ));
    }
    attempt.was_right();
    Ok(())
}

/// Founds a programme.
pub async fn found_programme(
    app: &IdentityApp,
    unit: &mut Unit,
    request: FoundProgrammeRequest,
) -> Result<Programme, Fault> {
    setup_key_holds(app, &request.setup_key)?;
    let mut fields = Fields::new();
    let name = fields.text("name", &request.name, 200);
    let login = check_login(&mut fields, "admin_login", &request.admin_login);
    let admin_name = fields.text("admin_name", &request.admin_name, 200);
    let known = [login, admin_name, name];
    check_password(
        &mut fields,
        "admin_password",
        &request.admin_password,
        &known,
    );
    fields.finish()?;
    let password_hash = unit
        .without_connection(app.hashing.hash(request.admin_password.clone()))
        .await?;

    let (programme, admin, now) = (ProgrammeId::new(), PersonId::new(), unit.now());
    sqlx::query("insert into programme (programme_id, name, founded_at) values ($1, $2, $3)")
        .bind(programme)
        .bind(name)
        .bind(Instant(now))
        .execute(unit.connection())
        .await?;
    let person = PersonRow {
        programme_id: programme,
        id: admin,
        login: login.to_owned(),
        name: admin_name.to_owned(),
        password_hash,
        roles: vec![Role::Administrator],
        organisation_id: None,
        active: true,
        may_act: true,
        password_to_change: false,
        version: 1,
        keeps_keys: false,
    };
    store::insert_person(unit.connection(), &person, now)
        .await
        .on_constraint("login_once", || login_taken(login))?;
    unit.touch("programme", programme);
    unit.touch("person", admin);
    // The audit entry of a founding belongs to the programme that it founds.
    unit.turned_out_to_be(tokens::caller_of(&person, None));
    Ok(Programme {
        id: programme.to_string(),
        name: name.to_owned(),
        admin_id: admin.to_string(),
    })
}

/// Registers a person. A password given here is not the person's own, so it is to be changed at the
/// first sign-in; without one the person sets it with a link.
pub async fn register(
    app: &IdentityApp,
    unit: &mut Unit,
    request: RegisterPersonRequest,
) -> Result<Person, Fault> {
    let mut fields = Fields::new();
    let id = fields.client_id(&request.id);
    let login = check_login(&mut fields, "login", &request.login);
    let name = fields.text("name", &request.name, 200);
    if !request.password.is_empty() {
        check_password(&mut fields, "password", &request.password, &[login, name]);
    }
    let organisation_id = fields.optional_id("organisation_id", &request.organisation_id);
    let roles = check_roles(&mut fields, &request.roles, organisation_id);
    fields.require(
        organisation_id.is_some() || request.keeps_keys != Some(true),
        "keeps_keys",
        "is for partners only; leave it out for staff",
    );
    fields.finish()?;

    let password_to_change = !request.password.is_empty();
    let password_hash = if password_to_change {
        unit.without_connection(app.hashing.hash(request.password.clone()))
            .await?
    } else {
        String::new()
    };
    let (programme, now) = (unit.programme()?, unit.now());
    let keeps_keys = match (organisation_id, request.keeps_keys) {
        (None, _) => false,
        (Some(_), Some(keeps)) => keeps,
        (Some(own), None) => store::has_nobody(unit.connection(), programme, own).await?,
    };
    let person = PersonRow {
        programme_id: programme,
        id,
        login: login.to_owned(),
        name: name.to_owned(),
        password_hash,
        roles,
        organisation_id,
        active: true,
        may_act: true,
        password_to_change,
        version: 1,
        keeps_keys,
    };
    store::insert_person(unit.connection(), &person, now)
        .await
        .map_err(
            |error| match error.as_database_error().and_then(|e| e.constraint()) {
                Some("login_once") => login_taken(login),
                Some("person_of_organisation") => Fault::field(
                    "/organisation_id",
                    format!("no organisation {} is known here", request.organisation_id),
                ),
                _ => error.into(),
            },
        )?;
    unit.touch("person", id);
    Ok(shown(person))
}

/// Lists people.
pub async fn list(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: ListPeopleRequest,
) -> Result<PersonList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let programme = unit.programme()?;
    let after = page.after_key::<Uuid>()?;
    let rows = store::people(unit.connection(), programme, after, page.fetch()).await?;
    let (rows, next_cursor) = page.cut(rows, |person| person.id);
    Ok(PersonList {
        items: rows.into_iter().map(shown).collect(),
        next_cursor,
    })
}

/// Most people named at once.
const NAMED_MAX: usize = 1000;

/// Whether a person may act now, and as what.
pub async fn standing(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: GetStandingRequest,
) -> Result<PersonStanding, Fault> {
    let mut fields = Fields::new();
    let id: Option<PersonId> = fields.id("person_id", &request.person_id);
    fields.finish()?;
    let unknown = || Fault::not_found("person", &request.person_id);
    let programme = unit.programme()?;
    let person = store::person(unit.connection(), programme, id.ok_or_else(unknown)?)
        .await?
        .ok_or_else(unknown)?;
    Ok(PersonStanding {
        active: person.may_act,
        roles: person
            .roles
            .iter()
            .map(|role| role.word().to_owned())
            .collect(),
    })
}

/// Names of people.
pub async fn name(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: NamePeopleRequest,
) -> Result<PeopleNames, Fault> {
    let mut fields = Fields::new();
    fields.require(
        request.ids.len() <= NAMED_MAX,
        "ids",
        format!("are more than {NAMED_MAX}; ask in parts"),
    );
    let ids: Vec<PersonId> = request
        .ids
        .iter()
        .enumerate()
        .filter_map(|(place, id)| fields.id(&format!("ids/{place}"), id))
        .collect();
    fields.finish()?;
    let programme = unit.programme()?;
    let names = store::names(unit.connection(), programme, &ids).await?;
    Ok(PeopleNames {
        people: names
            .into_iter()
            .map(|(id, name)| PersonName {
                id: id.to_string(),
                name,
            })
            .collect(),
    })
}

/// Changes a person's roles or standing, and ends their sessions so that it takes effect. With the
/// role that keeps keys, or the standing, the keys end that the person made.
pub async fn edit(
    _app: &IdentityApp,
    unit: &mut Unit,
    request: EditPersonRequest,
) -> Result<Person, Fault> {
    let mut fields = Fields::new();
    let id: Option<PersonId> = fields.id("person_id", &request.person_id);
    let (programme, now) = (unit.programme()?, unit.now());
    let Some(id) = id else {
        return Err(Fault::not_found("person", &request.person_id));
    };
    let mut person = store::person(unit.connection(), programme, id)
        .await?
        .ok_or_else(|| Fault::not_found("person", id))?;
    if person.version != request.expected_version {
        return Err(Fault::stale(person.version));
    }
    if !request.roles.is_empty() {
        person.roles = check_roles(&mut fields, &request.roles, person.organisation_id);
    }
    person.active = request.active.unwrap_or(person.active);
    person.keeps_keys = request.keeps_keys.unwrap_or(person.keeps_keys);
    fields.require(
        person.organisation_id.is_some() || !person.keeps_keys,
        "keeps_keys",
        "is for partners only; leave it out for staff",
    );
    let own = unit.caller().subject == id;
    fields.require(
        !own || (person.active && person.roles.contains(&Role::Administrator)),
        "roles",
        "you cannot take your own administrator's role away; ask another administrator",
    );
    fields.finish()?;
    let roles: Vec<&str> = person.roles.iter().map(|role| role.word()).collect();
    let changed = sqlx::query(
        "update person set roles = $4, active = $5, keeps_keys = $6, version = version + 1 \
         where programme_id = $1 and id = $2 and version = $3",
    )
    .bind(programme)
    .bind(id)
    .bind(request.expected_version)
    .bind(roles)
    .bind(person.active)
    .bind(person.keeps_keys)
    .execute(unit.connection())
    .await?;
    if changed.rows_affected() != 1 {
        return Err(Fault::stale(person.version + 1));
    }
    let all = Sessions::AllOf(id, if own { unit.caller().session } else { None });
    store::end_sessions(unit.connection(), programme, all, "roles changed", now).await?;
    let keeps = |role: &Role| Permission::KeepKeys.roles().contains(role);
    if !person.active || !person.roles.iter().any(keeps) {
        store::revoke_keys_made_by(unit.connection(), &person, Instant(now)).await?;
    }
    person.version += 1;
    unit.touch("person", id);
    Ok(shown(person))
}
