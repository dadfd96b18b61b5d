//! What the crossing service knows of plants.

use std::collections::HashMap;

use contract::crossing::crossing_client::CrossingClient;
use contract::crossing::{
    DescribePlantsRequest, ExtractPedigreeRequest, PlantDescription, PlantParents,
};
use platform::peers::{Authorised, ServiceName};
use platform::skin::BATCH_BYTES;
use platform::{Fault, FieldError, Fields, ProgrammeId};

use crate::EvaluationApp;
use crate::domain::GermplasmId;
use crate::store::trials::EntryRow;
use platform::App as _;

/// Plants asked about at once.
const PLANTS: usize = 50_000;

pub async fn client(
    app: &EvaluationApp,
    programme: ProgrammeId,
) -> Result<CrossingClient<Authorised>, Fault> {
    let transport = app
        .context()
        .peers
        .reach(ServiceName::Crossing, Some(programme))
        .await?;
    Ok(CrossingClient::new(transport)
        .max_decoding_message_size(BATCH_BYTES)
        .max_encoding_message_size(BATCH_BYTES))
}

/// Reads lists of germplasm ids, noting every fault in its place.
pub fn ids(fields: &mut Fields, field: &str, texts: &[String]) -> Vec<Option<GermplasmId>> {
    texts
        .iter()
        .enumerate()
        .map(|(place, text)| fields.id(&format!("{field}/{place}"), text))
        .collect()
}

/// Entries and checks, as the crossing service describes them.
///
/// `entries` and `checks` name their field and hold ids as they were sent.
///
/// # Errors
/// Ids that are none, that are unknown, or that stand twice, each at its place.
pub async fn entries(
    app: &EvaluationApp,
    programme: ProgrammeId,
    entries: (&str, &[String]),
    checks: (&str, &[String]),
) -> Result<Vec<EntryRow>, Fault> {
    let mut fields = Fields::new();
    let mut asked: Vec<(GermplasmId, String, bool)> = Vec::new();
    let mut place_of: HashMap<GermplasmId, String> = HashMap::new();
    for ((field, texts), is_check) in [(entries, false), (checks, true)] {
        for (place, id) in ids(&mut fields, field, texts).into_iter().enumerate() {
            let Some(id) = id else { continue };
            let pointer = format!("{field}/{place}");
            if let Some(first) = place_of.insert(id, pointer.clone()) {
                fields.fault(
                    &pointer,
                    format!("{id} stands at /{first} already; list each plant once"),
                );
            }
            asked.push((id, pointer, is_check));
        }
    }
    fields.finish()?;
    let described = describe(app, programme, asked.iter().map(|a| a.0)).await?;
    let mut unknown = Vec::new();
    let mut rows = Vec::with_capacity(asked.len());
    for (id, pointer, is_check) in asked {
        match described.get(&id) {
            Some(plant) => rows.push(entry(id, plant, is_check)),
            None => unknown.push(FieldError::new(
                format!("/{pointer}"),
                format!("no plant {id} is known; register it, or plant its seedlings, first"),
            )),
        }
    }
    if unknown.is_empty() {
        Ok(rows)
    } else {
        Err(Fault::invalid(unknown))
    }
}

fn entry(id: GermplasmId, plant: &PlantDescription, is_check: bool) -> EntryRow {
    EntryRow {
        germplasm_id: id,
        is_check,
        number: plant.number.clone(),
        name: plant.name.clone(),
        kind: plant.kind.clone(),
        species: plant.species.clone(),
        cross_id: plant.cross_id.parse().ok(),
        crossing_year: i16::try_from(plant.season).ok().filter(|year| *year > 0),
        outcross_doubt: plant.outcross_doubt,
    }
}

/// Descriptions of the plants that are known.
pub async fn describe(
    app: &EvaluationApp,
    programme: ProgrammeId,
    ids: impl Iterator<Item = GermplasmId>,
) -> Result<HashMap<GermplasmId, PlantDescription>, Fault> {
    let ids: Vec<String> = ids.map(|id| id.to_string()).collect();
    let mut known = HashMap::with_capacity(ids.len());
    if ids.is_empty() {
        return Ok(known);
    }
    let mut client = client(app, programme).await?;
    for part in ids.chunks(PLANTS) {
        let reply = client
            .describe_plants(DescribePlantsRequest { ids: part.to_vec() })
            .await?
            .into_inner();
        for plant in reply.plants {
            if let Ok(id) = plant.id.parse() {
                known.insert(id, plant);
            }
        }
    }
    Ok(known)
}

/// Parents of the plants and of all their ancestors, parents before offspring.
pub async fn pedigree(
    app: &EvaluationApp,
    programme: ProgrammeId,
    ids: Vec<String>,
) -> Result<Vec<PlantParents>, Fault> {
    let mut client = client(app, programme).await?;
    Ok(client
        .extract_pedigree(ExtractPedigreeRequest { ids })
        .await?
        .into_inner()
        .plants)
}
