//! Every operation of this service: address, permission and use case.

use contract::common::Empty;
use contract::identity::{
    AccessGrant, AccessKey, AccessKeyList, ChangePasswordRequest, CreateAccessKeyRequest,
    EditPersonRequest, EndedGrants, ExchangeAccessKeyRequest, FoundProgrammeRequest,
    GetKeysRequest, GetOrganisationRequest, IssueServiceTokenRequest, KeySet,
    ListAccessKeysRequest, ListEndedGrantsRequest, ListOrganisationsRequest, ListPeopleRequest,
    NamePeopleRequest, Organisation, OrganisationList, PeopleNames, Person, PersonList, Programme,
    RefreshSessionRequest, RegisterOrganisationRequest, RegisterPersonRequest,
    RevokeAccessKeyRequest, ServiceToken, Session, SignInRequest, SignOutRequest, WhoAmIRequest,
};

use crate::{IdentityApp, app};

platform::operations! {
    app: IdentityApp,
    service: "identity", root: "/api/identity/v1",
    grpc: contract::identity::identity_server::Identity,

    /// Sign in with a login and a password.
    POST "/sessions" sign_in(SignInRequest) -> Session,
        may Anyone, Secret => app::sessions::sign_in;

    /// Exchange a refresh token for a new pair; each refresh token works once.
    POST "/sessions/refresh" refresh_session(RefreshSessionRequest) -> Session,
        may Anyone, Secret => app::sessions::refresh;

    /// End the current session.
    DELETE "/sessions/current" sign_out(SignOutRequest) -> Empty,
        may SignedIn, Act => app::sessions::sign_out;

    /// The public keys that access tokens are signed with (RFC 7517).
    GET "/jwks.json" get_keys(GetKeysRequest) -> KeySet,
        may Anyone, Read => app::sessions::keys;

    /// Make a key for a device or system of a partner; the reply holds the key, once.
    POST "/access-keys" create_access_key(CreateAccessKeyRequest) -> AccessKey,
        may KeepKeys, Secret => app::access_keys::create;

    /// List a partner's keys.
    GET "/access-keys" list_access_keys(ListAccessKeysRequest) -> AccessKeyList,
        may KeepKeys, Read => app::access_keys::list;

    /// Revoke a key; every service refuses the tokens it was exchanged for within about a second, and where identity cannot be asked, within five minutes.
    POST "/access-keys/{access_key_id}/revoke" revoke_access_key(RevokeAccessKeyRequest) -> AccessKey,
        may KeepKeys, Act => app::access_keys::revoke;

    /// Exchange a key for a short-lived access token.
    POST "/access-tokens" exchange_access_key(ExchangeAccessKeyRequest) -> AccessGrant,
        may Anyone, Secret => app::access_keys::exchange;

    /// Keys revoked and sessions ended of which tokens may still be about; for services only.
    GET "/ended-grants" list_ended_grants(ListEndedGrantsRequest) -> EndedGrants,
        may Services, Read => app::sessions::ended_grants;

    /// Names of people of the programme, by their ids.
    POST "/people:name" name_people(NamePeopleRequest) -> PeopleNames,
        may ReadPipeline, Read => app::people::name;

    /// A short-lived token by which one service calls another.
    POST "/service-tokens" issue_service_token(IssueServiceTokenRequest) -> ServiceToken,
        may Anyone, Secret => app::sessions::issue_service_token;

    /// Who am I, and what may I do?
    GET "/me" who_am_i(WhoAmIRequest) -> Person,
        may SignedIn, Read => app::people::who_am_i;

    /// Change one's own password; ends all other sessions.
    POST "/me/password" change_password(ChangePasswordRequest) -> Empty,
        may SignedIn, Act => app::people::change_password;

    /// Found a programme with its first administrator; needs the installation's set-up key.
    POST "/programmes" found_programme(FoundProgrammeRequest) -> Programme,
        may Anyone, Create => app::people::found_programme;

    /// Register a person with roles in the programme.
    POST "/people" register_person(RegisterPersonRequest) -> Person,
        may AdministerPeople, Create => app::people::register;

    /// List the people of the programme.
    GET "/people" list_people(ListPeopleRequest) -> PersonList,
        may AdministerPeople, Read => app::people::list;

    /// Change a person's roles or standing.
    PATCH "/people/{person_id}" edit_person(EditPersonRequest) -> Person,
        may AdministerPeople, Edit => app::people::edit;

    /// Register an organisation such as a nursery.
    POST "/organisations" register_organisation(RegisterOrganisationRequest) -> Organisation,
        may AdministerPeople, Create => app::organisations::register;

    /// List the organisations the programme works with.
    GET "/organisations" list_organisations(ListOrganisationsRequest) -> OrganisationList,
        may ReadOrganisations, Read => app::organisations::list;

    /// One organisation.
    GET "/organisations/{organisation_id}" get_organisation(GetOrganisationRequest) -> Organisation,
        may ReadOrganisations, Read => app::organisations::get;

    /// Who wrote what in this service, newest first.
    GET "/audit" list_audit(contract::common::ListAuditRequest) -> contract::common::AuditPage,
        may ReadAudit, Read => app::audit::list;
}
