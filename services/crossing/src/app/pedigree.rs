//! Pedigrees, inbreeding and kinship.

use std::collections::{HashMap, HashSet};

use ::pedigree::{Branch, ParentRole, Pedigree, PedigreeError, PedigreeTree};
use contract::common::Numbers;
use contract::crossing::{
    ExtractPedigreeRequest, FounderContribution, FounderContributions, FoundersRequest,
    KinshipReply, KinshipRequest, PedigreeExtract, PedigreeNode, PedigreeRequest, PlantParents,
    PossibleParent,
};
use platform::compute::{Settled, Work};
use platform::{Fault, Fields, Unit};

use super::germplasm::OrNil as _;
use crate::CrossingApp;
use crate::domain::PlantId;
use crate::store::germplasm::{LineageRow, lineage};
use crate::store::id_text;

/// Generations drawn when nothing is said.
const USUAL_GENERATIONS: u32 = 3;
/// Generations drawn at most.
const MOST_GENERATIONS: u32 = 12;
/// Plants in one matrix at most.
const MOST_KIN: usize = 2000;
/// Plants in one extract or description at most.
pub(crate) const MOST_PLANTS: usize = 100_000;

/// A plant with its ancestors.
pub async fn tree(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: PedigreeRequest,
) -> Result<PedigreeNode, Fault> {
    let mut fields = Fields::new();
    let id: Option<PlantId> = fields.id("germplasm_id", &request.germplasm_id);
    let generations = request.generations.unwrap_or(USUAL_GENERATIONS);
    fields.require(
        generations <= MOST_GENERATIONS,
        "generations",
        format!("{generations} is more than {MOST_GENERATIONS}; a tree doubles with each"),
    );
    fields.finish()?;
    descent(unit, id.unwrap_or_default_id(), generations).await
}

/// A plant with its ancestors to a generation.
pub(crate) async fn descent(
    unit: &mut Unit,
    id: PlantId,
    generations: u32,
) -> Result<PedigreeNode, Fault> {
    let lines = lineage(unit.connection(), &[id]).await?;
    if !lines.iter().any(|line| line.id == id) {
        return Err(Fault::not_found("plant", id));
    }
    let pedigree = built(&lines)?;
    let tree = pedigree.tree(&id, generations).map_err(refused)?;
    let lines: HashMap<PlantId, &LineageRow> = lines.iter().map(|line| (line.id, line)).collect();
    Ok(node(&tree, "", 1.0, &lines))
}

fn node(
    tree: &PedigreeTree<PlantId>,
    role: &str,
    probability: f64,
    lines: &HashMap<PlantId, &LineageRow>,
) -> PedigreeNode {
    let line = lines.get(&tree.id);
    let text = |of: fn(&LineageRow) -> &String| line.map(|l| of(l).clone()).unwrap_or_default();
    PedigreeNode {
        id: tree.id.to_string(),
        name: text(|line| &line.name),
        number: text(|line| &line.number),
        species: text(|line| &line.species),
        kind: text(|line| &line.kind),
        inbreeding: tree.inbreeding,
        kinship_to_itself: 0.5 * (1.0 + tree.inbreeding),
        parents: tree
            .parents
            .iter()
            .map(
                |Branch {
                     role,
                     probability,
                     parent,
                 }| {
                    let role = match role {
                        ParentRole::Seed => "seed_parent",
                        ParentRole::Pollen => "pollen_parent",
                        ParentRole::CloneSource => "clone_source",
                    };
                    node(parent, role, *probability, lines)
                },
            )
            .collect(),
        role: role.to_owned(),
        probability,
        generation: tree.generation,
        cut: tree.cut,
        clone_of_id: id_text(tree.clone_of),
    }
}

/// The founders of a plant with what each is expected to have contributed.
pub async fn founders(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: FoundersRequest,
) -> Result<FounderContributions, Fault> {
    let mut fields = Fields::new();
    let id: Option<PlantId> = fields.id("germplasm_id", &request.germplasm_id);
    fields.finish()?;
    let id = id.unwrap_or_default_id();
    let lines = lineage(unit.connection(), &[id]).await?;
    if !lines.iter().any(|line| line.id == id) {
        return Err(Fault::not_found("plant", id));
    }
    let pedigree = built(&lines)?;
    let shares = pedigree.founder_shares(&id).map_err(refused)?;
    let lines: HashMap<PlantId, &LineageRow> = lines.iter().map(|line| (line.id, line)).collect();
    let mut founders: Vec<FounderContribution> = shares
        .shares
        .iter()
        .map(|(founder, share)| {
            let line = lines.get(founder);
            let text = |of: fn(&LineageRow) -> &String| {
                line.map(|line| of(line).clone()).unwrap_or_default()
            };
            FounderContribution {
                germplasm_id: founder.to_string(),
                name: text(|line| &line.name),
                number: text(|line| &line.number),
                species: text(|line| &line.species),
                share: *share,
            }
        })
        .collect();
    founders.sort_by(|a, b| b.share.total_cmp(&a.share).then(a.name.cmp(&b.name)));
    Ok(FounderContributions {
        germplasm_id: id.to_string(),
        founders,
        unknown_share: shares.unknown,
        equivalent_generations: pedigree.equivalent_generations(&id).map_err(refused)?,
        inbreeding: pedigree.inbreeding(&id).map_err(refused)?,
    })
}

/// The pedigree of some lines.
pub(crate) fn built(lines: &[LineageRow]) -> Result<Pedigree<PlantId>, Fault> {
    Pedigree::from_records(lines.iter().map(LineageRow::record)).map_err(refused)
}

/// A pedigree that is stored was checked when it was written, so a refusal is a fault of ours.
fn refused(error: PedigreeError<PlantId>) -> Fault {
    Fault::internal(error)
}

/// Parses a list of plant ids.
pub(crate) fn plant_ids(
    fields: &mut Fields,
    ids: &[String],
    least: usize,
    most: usize,
) -> Vec<PlantId> {
    fields.require(
        (least..=most).contains(&ids.len()),
        "ids",
        format!("{} ids given; give {least} to {most}", ids.len()),
    );
    ids.iter()
        .take(most)
        .enumerate()
        .filter_map(|(index, text)| fields.id(&format!("ids/{index}"), text))
        .collect()
}

/// Coancestry of every pair.
pub async fn kinship(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: KinshipRequest,
) -> Result<Settled<KinshipReply>, Fault> {
    let mut fields = Fields::new();
    let ids = plant_ids(&mut fields, &request.ids, 1, MOST_KIN);
    if fields.any() {
        fields.finish()?;
        return Ok(KinshipReply::default().into());
    }
    let lines = lineage(unit.connection(), &ids).await?;
    let known: HashSet<PlantId> = lines.iter().map(|line| line.id).collect();
    for (index, id) in ids.iter().enumerate() {
        fields.require(
            known.contains(id),
            &format!("ids/{index}"),
            format!("no plant {id} is known here"),
        );
    }
    fields.finish()?;
    let reckon = Work::new(move |_| {
        let matrix = built(&lines)?.kinship(&ids).map_err(refused)?;
        Ok(KinshipReply {
            ids: request.ids,
            matrix: matrix
                .rows()
                .map(|row| Numbers {
                    values: row.to_vec(),
                })
                .collect(),
        })
    });
    Ok(reckon.into())
}

/// The parents of plants and of all their ancestors.
pub async fn extract(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ExtractPedigreeRequest,
) -> Result<Work<PedigreeExtract>, Fault> {
    let mut fields = Fields::new();
    let ids = plant_ids(&mut fields, &request.ids, 0, MOST_PLANTS);
    fields.finish()?;
    let lines = lineage(unit.connection(), &ids).await?;
    Ok(Work::new(move |_| parents_first(&lines)))
}

/// Plants with their parents, each after them.
fn parents_first(lines: &[LineageRow]) -> Result<PedigreeExtract, Fault> {
    let pedigree = built(lines)?;
    let mut ordered = Vec::with_capacity(lines.len());
    for line in lines {
        ordered.push((pedigree.generation(&line.id).map_err(refused)?, line));
    }
    // A clone shares its source's generation and must still come after it.
    ordered.sort_by_key(|(generation, line)| (*generation, line.clone_of_id.is_some(), line.id));
    let mut plants: Vec<PlantParents> = Vec::with_capacity(ordered.len());
    let mut placed: HashSet<PlantId> = HashSet::with_capacity(ordered.len());
    let mut waiting: Vec<&LineageRow> = ordered.into_iter().map(|(_, line)| line).collect();
    while !waiting.is_empty() {
        let before = waiting.len();
        waiting.retain(|line| {
            let ready = line
                .clone_of_id
                .is_none_or(|source| placed.contains(&source));
            if ready {
                placed.insert(line.id);
                plants.push(PlantParents {
                    id: line.id.to_string(),
                    seed_parent_id: id_text(line.seed_parent_id),
                    pollen_parent_id: id_text(line.pollen_parent_id),
                    clone_of_id: id_text(line.clone_of_id),
                    possible_pollen_parents: line
                        .possible_pollen_parents()
                        .map(|(id, probability)| PossibleParent {
                            id: id.to_string(),
                            probability,
                        })
                        .collect(),
                });
            }
            !ready
        });
        if waiting.len() == before {
            break;
        }
    }
    Ok(PedigreeExtract { plants })
}
