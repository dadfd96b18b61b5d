//! What is asked of the other services.

use std::collections::BTreeMap;

use contract::crossing::crossing_client::CrossingClient;
use contract::crossing::{
    DescribePlantsRequest, ExtractPedigreeRequest, PlantDescription, PlantDescriptions,
};
use contract::identity::identity_client::IdentityClient;
use contract::identity::{
    GetOrganisationRequest, GetStandingRequest, NamePeopleRequest, Organisation,
};
use platform::fault::FaultKind;
use platform::fields::Words as _;
use platform::peers::ServiceName;
use platform::{App as _, Fault, OrganisationId, Permission, PersonId, ProgrammeId, Role};

use crate::ReleaseApp;
use crate::domain::PlantId;

/// What the crossing service knows of some plants.
pub async fn describe(
    app: &ReleaseApp,
    programme: ProgrammeId,
    ids: Vec<String>,
) -> Result<PlantDescriptions, Fault> {
    let peers = &app.context().peers;
    let transport = peers.reach(ServiceName::Crossing, Some(programme)).await?;
    Ok(CrossingClient::new(transport)
        .max_decoding_message_size(platform::skin::BATCH_BYTES)
        .describe_plants(DescribePlantsRequest { ids })
        .await?
        .into_inner())
}

/// What the crossing service knows of one plant; none when it knows none of that id.
pub async fn plant(
    app: &ReleaseApp,
    programme: ProgrammeId,
    id: PlantId,
) -> Result<Option<PlantDescription>, Fault> {
    let found = describe(app, programme, vec![id.to_string()]).await?;
    Ok(found.plants.into_iter().next())
}

/// A plant's whole line of descent, parents before offspring, with what is known of each.
pub async fn line_of_descent(
    app: &ReleaseApp,
    programme: ProgrammeId,
    id: PlantId,
) -> Result<Vec<PlantDescription>, Fault> {
    let peers = &app.context().peers;
    let transport = peers.reach(ServiceName::Crossing, Some(programme)).await?;
    let extract = CrossingClient::new(transport)
        .max_decoding_message_size(platform::skin::BATCH_BYTES)
        .extract_pedigree(ExtractPedigreeRequest {
            ids: vec![id.to_string()],
        })
        .await?
        .into_inner();
    let ids: Vec<String> = extract.plants.into_iter().map(|plant| plant.id).collect();
    Ok(describe(app, programme, ids).await?.plants)
}

/// An organisation that the programme works with, as `field` names it.
pub async fn organisation(
    app: &ReleaseApp,
    programme: ProgrammeId,
    field: &str,
    id: OrganisationId,
) -> Result<Organisation, Fault> {
    let peers = &app.context().peers;
    let transport = peers.reach(ServiceName::Identity, Some(programme)).await?;
    let reply = IdentityClient::new(transport)
        .get_organisation(GetOrganisationRequest {
            organisation_id: id.to_string(),
        })
        .await
        .map_err(Fault::from);
    match reply {
        Ok(reply) => Ok(reply.into_inner()),
        Err(fault) if fault.kind() == FaultKind::NotFound => Err(Fault::field(
            format!("/{field}"),
            format!("no organisation {id} is known; register it first"),
        )),
        Err(fault) => Err(fault),
    }
}

/// Names of people by their ids. Who is not known is left out, and when identity does not answer
/// everybody is: a list of dates is worth more than the names beside them.
pub async fn names(
    app: &ReleaseApp,
    programme: ProgrammeId,
    ids: impl IntoIterator<Item = PersonId>,
) -> BTreeMap<String, String> {
    let ids: std::collections::BTreeSet<String> =
        ids.into_iter().map(|id| id.to_string()).collect();
    if ids.is_empty() {
        return BTreeMap::new();
    }
    let ask = async || -> Result<_, Fault> {
        let peers = &app.context().peers;
        let transport = peers.reach(ServiceName::Identity, Some(programme)).await?;
        let request = NamePeopleRequest {
            ids: ids.iter().cloned().collect(),
        };
        Ok(IdentityClient::new(transport)
            .name_people(request)
            .await?
            .into_inner())
    };
    match ask().await {
        Ok(told) => told
            .people
            .into_iter()
            .map(|person| (person.id, person.name))
            .collect(),
        Err(fault) => {
            tracing::warn!(%fault, "names of people could not be had");
            BTreeMap::new()
        }
    }
}

/// Whether a person holds a permission at this moment: is active, and has a role that allows it.
pub async fn person_may(
    app: &ReleaseApp,
    programme: ProgrammeId,
    person: PersonId,
    permission: Permission,
) -> Result<bool, Fault> {
    let peers = &app.context().peers;
    let transport = peers.reach(ServiceName::Identity, Some(programme)).await?;
    let request = GetStandingRequest {
        person_id: person.to_string(),
    };
    match IdentityClient::new(transport).get_standing(request).await {
        Ok(told) => {
            let told = told.into_inner();
            let holds = |word: &String| {
                Role::from_word(word).is_some_and(|role| permission.roles().contains(&role))
            };
            Ok(told.active && told.roles.iter().any(holds))
        }
        Err(status) if status.code() == tonic::Code::NotFound => Ok(false),
        Err(status) => Err(status.into()),
    }
}
