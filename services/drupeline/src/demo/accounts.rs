//! Founds a programme with one account for each role.

use std::collections::BTreeMap;

use contract::identity::identity_client::IdentityClient;
use contract::identity::{
    FoundProgrammeRequest, MakeRecoveryLinkRequest, RecoverPasswordRequest,
    RegisterOrganisationRequest, RegisterPersonRequest, SignInRequest, WhoAmIRequest,
};
use platform::Fault;
use platform::fault::FaultKind;
use platform::peers::{Authorised, Peers, ServiceName};
use serde::{Deserialize, Serialize};

use crate::import::keys;

/// A login with its password.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Account {
    /// Login.
    pub login: String,
    /// Password.
    pub password: String,
}

/// What is founded.
pub struct Founding {
    /// Name of the programme.
    pub programme: &'static str,
    /// Added to every login, so that two programmes can stand side by side.
    pub login_suffix: &'static str,
    /// Two nurseries, by name and country.
    pub nurseries: [(&'static str, &'static str); 2],
}

/// Accounts of staff: key, role and the person's invented name.
const STAFF: [(&str, &str, &str); 5] = [
    ("breeder", "breeder", "Ines Halvard"),
    ("field", "field", "Tomas Brekke"),
    ("trials", "trials", "Wren Okello"),
    ("rights", "rights", "Judith Marlowe-Sand"),
    ("manager", "manager", "Petra Quist"),
];

/// Accounts of partners: key and the person's invented name.
const PARTNERS: [(&str, &str); 2] = [("partner_a", "Dario Venn"), ("partner_b", "Luz Arrieta")];

/// How many accounts are made.
pub const ACCOUNTS_N: usize = 1 + STAFF.len() + PARTNERS.len();

/// Founds a programme with its administrator, two nurseries and one account for each role. Repeated
/// with the same passwords, in their order, it goes on where it was interrupted.
///
/// # Errors
/// When the set-up key is wrong, a login is taken or identity does not answer.
pub async fn found(
    peers: &Peers,
    setup_key: &str,
    founding: &Founding,
    mut password: impl FnMut() -> String,
) -> Result<BTreeMap<String, Account>, Fault> {
    let mut accounts = BTreeMap::new();
    let mut account = |key: &str| {
        let login = format!("{}{}", key.replace('_', "-"), founding.login_suffix);
        let account = Account {
            login,
            password: password(),
        };
        accounts.insert(key.to_owned(), account.clone());
        account
    };

    let admin = account("admin");
    let token = match sign_in(peers, &admin).await {
        Ok(token) => token,
        Err(refused) if refused.kind() == FaultKind::Unauthenticated => {
            found_programme(peers, setup_key, founding, &admin).await?;
            sign_in(peers, &admin).await?
        }
        Err(other) => return Err(other),
    };
    let mut identity = IdentityClient::new(peers.reach_as(ServiceName::Identity, &token)?);
    let programme = identity
        .who_am_i(WhoAmIRequest {})
        .await?
        .into_inner()
        .programme_id;
    // The same thing has the same id however often this is repeated.
    let id = |kind: &str, key: &str| keys::id(&programme, kind, &[key]).to_string();
    for (key, role, name) in STAFF {
        let account = account(key);
        let person = RegisterPersonRequest {
            id: id("demo person", key),
            login: account.login.clone(),
            name: name.to_owned(),
            roles: vec![role.to_owned()],
            ..RegisterPersonRequest::default()
        };
        register(&mut identity, person, &account).await?;
    }
    for ((key, person), (name, country)) in PARTNERS.into_iter().zip(founding.nurseries) {
        let organisation = identity
            .register_organisation(RegisterOrganisationRequest {
                id: id("demo organisation", name),
                name: name.to_owned(),
                kind: "nursery".to_owned(),
                country: country.to_owned(),
            })
            .await?
            .into_inner();
        let account = account(key);
        let person = RegisterPersonRequest {
            id: id("demo person", key),
            login: account.login.clone(),
            name: person.to_owned(),
            roles: vec!["partner".to_owned()],
            organisation_id: organisation.id,
            ..RegisterPersonRequest::default()
        };
        register(&mut identity, person, &account).await?;
    }
    Ok(accounts)
}

async fn found_programme(
    peers: &Peers,
    setup_key: &str,
    founding: &Founding,
    admin: &Account,
) -> Result<(), Fault> {
    IdentityClient::new(peers.transport(ServiceName::Identity)?)
        .found_programme(FoundProgrammeRequest {
            setup_key: setup_key.to_owned(),
            name: founding.programme.to_owned(),
            admin_login: admin.login.clone(),
            admin_name: "Odd Lindqvist-Hale".to_owned(),
            admin_password: admin.password.clone(),
        })
        .await?;
    Ok(())
}

/// Registers a person without a password and sets it with a link, as the person would: a password
/// that somebody else gave would be asked to be changed.
async fn register(
    identity: &mut IdentityClient<Authorised>,
    person: RegisterPersonRequest,
    account: &Account,
) -> Result<(), Fault> {
    let person = identity.register_person(person).await?.into_inner();
    let link = identity
        .make_recovery_link(MakeRecoveryLinkRequest {
            person_id: person.id,
            ends_second_factors: false,
        })
        .await?
        .into_inner();
    identity
        .recover_password(RecoverPasswordRequest {
            link_token: link.link_token,
            new_password: account.password.clone(),
        })
        .await?;
    Ok(())
}

/// Signs an account in and gives its access token.
///
/// # Errors
/// When the password is wrong or identity does not answer.
pub async fn sign_in(peers: &Peers, account: &Account) -> Result<String, Fault> {
    let request = SignInRequest {
        login: account.login.clone(),
        password: account.password.clone(),
        device_token: String::new(),
    };
    match IdentityClient::new(peers.transport(ServiceName::Identity)?)
        .sign_in(request)
        .await
    {
        Ok(session) => {
            let session = session.into_inner();
            if session.step.is_empty() {
                return Ok(session.access_token);
            }
            Err(Fault::unauthenticated(format!(
                "{} cannot sign in with a password alone ({} is asked for); take another account, or sign in at the pages first",
                account.login,
                session.step.replace('_', " ")
            )))
        }
        Err(refused) if refused.code() == tonic::Code::Unauthenticated => {
            Err(Fault::unauthenticated(refused.message()))
        }
        Err(other) => Err(other.into()),
    }
}
