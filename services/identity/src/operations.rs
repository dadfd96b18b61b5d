//! Every operation of this service: address, permission and use case.

use contract::common::Empty;
use contract::identity::{
    AccessGrant, AccessKey, AccessKeyList, BeginCodesRequest, ChangePasswordRequest, CodesBegun,
    ConfirmCodesRequest, ContinueSignInRequest, CreateAccessKeyRequest, EditOrganisationRequest,
    EditPersonRequest, EndSecondFactorsRequest, EndSessionRequest, EndedGrants,
    ExchangeAccessKeyRequest, FoundProgrammeRequest, GetKeysRequest, GetOrganisationRequest,
    GetStandingRequest, IssueServiceTokenRequest, KeySet, ListAccessKeysRequest,
    ListEndedGrantsRequest, ListOrganisationsRequest, ListPeopleRequest, ListSecondFactorsRequest,
    ListSessionsRequest, MakeRecoveryLinkRequest, NamePeopleRequest, OpenSessionList, Organisation,
    OrganisationList, PeopleNames, Person, PersonList, PersonStanding, Programme,
    RecoverPasswordRequest, Recovered, RecoveryCodes, RecoveryLink, RefreshSessionRequest,
    RegisterOrganisationRequest, RegisterPersonRequest, RevokeAccessKeyRequest,
    RevokeSigningKeysRequest, SecondFactors, ServiceToken, Session, SignInRequest, SignOutRequest,
    SigningKeysRevoked, WhoAmIRequest,
};

use crate::{IdentityApp, app};

platform::operations! {
    app: IdentityApp,
    service: "identity", root: "/api/identity/v1",
    grpc: contract::identity::identity_server::Identity,

    /// Sign in with a login and a password.
    POST "/sessions" sign_in(SignInRequest) -> Session,
        may Anyone, Secret => app::sign_in::sign_in;

    /// Go on with a sign-in that asked for more: the second factor, or a password of one's own.
    POST "/sessions/step" continue_sign_in(ContinueSignInRequest) -> Session,
        may Anyone, Secret => app::sign_in::continue_sign_in;

    /// Exchange a refresh token for a new pair; each refresh token works once.
    POST "/sessions/refresh" refresh_session(RefreshSessionRequest) -> Session,
        may Anyone, Secret => app::sessions::refresh;

    /// End the current session.
    DELETE "/sessions/current" sign_out(SignOutRequest) -> Empty,
        may SignedIn, Act => app::sessions::sign_out;

    /// The public keys that access tokens are signed with (RFC 7517).
    GET "/jwks.json" get_keys(GetKeysRequest) -> KeySet,
        may Anyone, Read => app::sessions::keys;

    /// Make a key for a device or system of a partner, or for one of the programme's own machines; the reply holds the key, once.
    POST "/access-keys" create_access_key(CreateAccessKeyRequest) -> AccessKey,
        may KeepKeys, Secret => app::access_keys::create;

    /// List keys.
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

    /// Whether a person may act now, and as what; for services only.
    GET "/people/{person_id}/standing" get_standing(GetStandingRequest) -> PersonStanding,
        may Services, Read => app::people::standing;

    /// Revoke the keys that tokens are signed with, when others may know them; needs the installation's set-up key.
    POST "/signing-keys:revoke" revoke_signing_keys(RevokeSigningKeysRequest) -> SigningKeysRevoked,
        may Anyone, Act => app::signing_keys::revoke;

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
        may OwnAccount, Act => app::passwords::change;

    /// One's own sessions that are open, newest first.
    GET "/me/sessions" list_sessions(ListSessionsRequest) -> OpenSessionList,
        may OwnAccount, Read => app::sessions::list;

    /// End one of one's own sessions, as on a device that was lost.
    DELETE "/me/sessions/{session_id}" end_session(EndSessionRequest) -> Empty,
        may OwnAccount, Act => app::sessions::end;

    /// The second factors of one's own account.
    GET "/me/second-factors" list_second_factors(ListSecondFactorsRequest) -> SecondFactors,
        may OwnAccount, Read => app::second_factors::list;

    /// Begin to use an app that shows codes (RFC 6238); it counts once a code from it was confirmed.
    POST "/me/codes" begin_codes(BeginCodesRequest) -> CodesBegun,
        may OwnAccount, Secret => app::second_factors::begin_codes;

    /// Confirm the app with a code that it shows; the reply holds the recovery codes, once.
    POST "/me/codes/confirm" confirm_codes(ConfirmCodesRequest) -> RecoveryCodes,
        may OwnAccount, Secret => app::second_factors::confirm_codes;

    /// Take the second factors away again; needs the password.
    POST "/me/second-factors/end" end_second_factors(EndSecondFactorsRequest) -> Empty,
        may OwnAccount, Act => app::second_factors::end;

    /// Make a link under which a person sets a new password; it works once and for a short time. The reply holds it, once.
    POST "/people/{person_id}/recovery-links" make_recovery_link(MakeRecoveryLinkRequest) -> RecoveryLink,
        may AdministerPeople, Secret => app::passwords::make_link;

    /// Set a new password with a link; ends all of the person's sessions.
    POST "/passwords:recover" recover_password(RecoverPasswordRequest) -> Recovered,
        may Anyone, Secret => app::passwords::recover;

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

    /// Change an organisation's standing; one that is no longer active ends its people's sessions and its keys at once.
    PATCH "/organisations/{organisation_id}" edit_organisation(EditOrganisationRequest) -> Organisation,
        may AdministerPeople, Edit => app::organisations::edit;

    /// One organisation.
    GET "/organisations/{organisation_id}" get_organisation(GetOrganisationRequest) -> Organisation,
        may ReadOrganisations, Read => app::organisations::get;

    /// Who wrote what in this service, newest first.
    GET "/audit" list_audit(contract::common::ListAuditRequest) -> contract::common::AuditPage,
        may ReadAudit, Read => app::audit::list;
}
