//! Registering, reading and correcting germplasm.

use ::pedigree::{Pedigree, PedigreeError};
use compatibility::{SGenotype, Taxon, incompatibility_group};
use contract::crossing::{
    CrossWarning, EditGermplasmRequest, Germplasm, GermplasmList, GetGermplasmRequest,
    ListGermplasmRequest, PollenCandidate, RegisterGermplasmRequest,
};
use platform::fault::OnConstraint as _;
use platform::fields::Words as _;
use platform::paging::Page;
use platform::{Fault, Fields, Unit};

use super::{NAME_CHARS, NOTE_CHARS, at_most};
use crate::CrossingApp;
use crate::domain::warnings::{WarningCode, warning};
use crate::domain::{PlantId, RightsStanding, Standing, germplasm as rules, numbers, parents};
use crate::store::germplasm::{self as store, GermplasmRow, LineageRow, NewGermplasm};
use crate::store::{id_text, next_number};

/// The word for an unknown pollen parent.
pub(crate) const OPEN: &str = "open";

/// Registers a plant.
pub async fn register(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RegisterGermplasmRequest,
) -> Result<Germplasm, Fault> {
    let mut fields = Fields::new();
    let id: PlantId = fields.client_id(&request.id);
    let told = request;
    let known = check(&told, fields, unit, id).await?;
    let programme = unit.programme()?;
    let number = numbers::germplasm(next_number(unit, "germplasm", 0).await?);
    let taken = taken_name(&told.name);
    store::insert(unit.connection(), programme, &known.row(id, number, &told))
        .await
        .on_constraint("germplasm_name", || taken)
        .map_err(|fault| id_taken(fault, id))?;
    store::replace_candidates(unit.connection(), programme, id, &known.candidates).await?;
    unit.touch("germplasm", id);
    one(unit, id).await
}

/// Replaces what is known of a plant.
pub async fn edit(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: EditGermplasmRequest,
) -> Result<Germplasm, Fault> {
    let mut fields = Fields::new();
    let id: Option<PlantId> = fields.id("germplasm_id", &request.germplasm_id);
    let Some(id) = id else {
        return Err(fields
            .finish()
            .err()
            .unwrap_or_else(|| Fault::not_found("plant", "")));
    };
    store::adopt(unit, &[id]).await?;
    let before = store::find(unit.connection(), id)
        .await?
        .ok_or_else(|| Fault::not_found("plant", id))?;
    let (told, expected_version) = stated(request);
    let known = check(&told, fields, unit, id).await?;
    let programme = unit.programme()?;
    let taken = taken_name(&told.name);
    let row = known.row(id, before.number.clone(), &told);
    let version = store::update(unit.connection(), &row, expected_version)
        .await
        .on_constraint("germplasm_name", || taken)?;
    if version.is_none() {
        return Err(Fault::stale(before.version));
    }
    store::replace_candidates(unit.connection(), programme, id, &known.candidates).await?;
    unit.touch("germplasm", id);
    one(unit, id).await
}

/// One plant.
pub async fn get(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GetGermplasmRequest,
) -> Result<Germplasm, Fault> {
    let mut fields = Fields::new();
    let id: Option<PlantId> = fields.id("germplasm_id", &request.germplasm_id);
    fields.finish()?;
    one(unit, id.unwrap_or_default_id()).await
}

/// A list of plants by name.
pub async fn list(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: ListGermplasmRequest,
) -> Result<GermplasmList, Fault> {
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let kind: Option<Standing> = fields.optional_word("kind", &request.kind);
    let species = if request.species.is_empty() {
        None
    } else {
        parents::taxon(&mut fields, "species", &request.species)
    };
    fields.finish()?;
    let species = species.map(|taxon| taxon.to_string());
    let filter = store::Filter {
        q: request.q.trim(),
        kind: kind.map(|kind| kind.word()),
        species: species.as_deref(),
    };
    let rows = store::list(unit.connection(), filter, page.after.clone(), page.fetch()).await?;
    let (rows, next_cursor) = page.cut(rows, |row| row.name.to_lowercase());
    Ok(GermplasmList {
        items: rows.into_iter().map(told_of).collect(),
        next_cursor,
    })
}

/// One plant as told to clients, with its inbreeding.
pub(crate) async fn one(unit: &mut Unit, id: PlantId) -> Result<Germplasm, Fault> {
    let row = store::find(unit.connection(), id)
        .await?
        .ok_or_else(|| Fault::not_found("plant", id))?;
    let candidates = store::candidates(unit.connection(), id).await?;
    let lineage = store::lineage(unit.connection(), &[id]).await?;
    let pedigree = Pedigree::from_records(lineage.iter().map(LineageRow::record));
    let mut germplasm = told_of(row);
    germplasm.inbreeding = pedigree
        .ok()
        .and_then(|pedigree| pedigree.inbreeding(&id).ok());
    germplasm.pollen_candidates = candidates
        .into_iter()
        .map(|(candidate, share)| PollenCandidate {
            germplasm_id: candidate.to_string(),
            share,
        })
        .collect();
    Ok(germplasm)
}

/// A plant as told to clients.
pub(crate) fn told_of(row: GermplasmRow) -> Germplasm {
    let genotype = parents::stored_genotype(&row.species, &row.s_alleles);
    let taxon: Option<Taxon> = row.species.parse().ok();
    let mut warnings = genotype
        .as_ref()
        .map(parents::unusual_alleles)
        .unwrap_or_default();
    warnings.extend(rules::check_loci(
        &mut Fields::new(),
        taxon.as_ref(),
        &row.loci,
    ));
    Germplasm {
        id: row.id.to_string(),
        checked_number: numbers::checked(&row.number),
        number: row.number,
        name: row.name,
        common_name: taxon
            .as_ref()
            .and_then(Taxon::species)
            .map(|species| species.common_name().to_owned())
            .unwrap_or_default(),
        incompatibility_group: genotype
            .as_ref()
            .and_then(incompatibility_group)
            .unwrap_or_default(),
        self_compatible: genotype
            .as_ref()
            .map_or("unknown", parents::self_compatibility_word)
            .to_owned(),
        species: row.species,
        kind: row.kind,
        seed_parent_id: id_text(row.seed_parent_id),
        seed_parent_name: row.seed_parent_name.unwrap_or_default(),
        pollen_parent_id: id_text(row.pollen_parent_id),
        pollen_parent_name: row.pollen_parent_name.unwrap_or_default(),
        open_pollinated: row.open_pollinated,
        s_alleles: row.s_alleles,
        loci: row.loci.0,
        traits: row.traits.0,
        passport: Some(row.passport.0),
        notes: row.notes,
        protected_by: row.protected_by,
        rights_standing: row.rights_standing,
        clone_of_id: id_text(row.clone_of_id),
        pollen_candidates: Vec::new(),
        cross_id: id_text(row.cross_id),
        inbreeding: None,
        warnings,
        version: row.version,
    }
}

fn taken_name(name: &str) -> Fault {
    Fault::exists(
        "/name",
        format!(
            "{:?} is in the germplasm already; names are unique, whatever their capitals",
            name.trim()
        ),
    )
}

/// The fault for an id that stands for another plant already.
fn id_taken(fault: Fault, id: PlantId) -> Fault {
    let source = std::error::Error::source(&fault)
        .map(ToString::to_string)
        .unwrap_or_default();
    if source.contains("germplasm_pkey") {
        Fault::exists(
            "/id",
            format!("{id} is the id of another plant; make a new one"),
        )
    } else {
        fault
    }
}

/// What a client tells of a plant, whether it is registered or edited.
type Told = RegisterGermplasmRequest;

/// What an edit states, as it would be registered, and the version that it was made from.
fn stated(request: EditGermplasmRequest) -> (Told, i64) {
    let told = Told {
        id: request.germplasm_id,
        name: request.name,
        species: request.species,
        kind: request.kind,
        seed_parent_id: request.seed_parent_id,
        pollen_parent_id: request.pollen_parent_id,
        s_alleles: request.s_alleles,
        loci: request.loci,
        traits: request.traits,
        passport: request.passport,
        notes: request.notes,
        protected_by: request.protected_by,
        rights_standing: request.rights_standing,
        clone_of_id: request.clone_of_id,
        pollen_candidates: request.pollen_candidates,
    };
    (told, request.expected_version)
}

/// What it comes to.
struct Known {
    taxon: Taxon,
    genotype: SGenotype,
    standing: Standing,
    rights: RightsStanding,
    seed_parent: Option<PlantId>,
    pollen_parent: Option<PlantId>,
    open: bool,
    clone_of: Option<PlantId>,
    candidates: Vec<(PlantId, f64)>,
}

/// Checks everything, parents and loops included.
async fn check(
    told: &Told,
    mut fields: Fields,
    unit: &mut Unit,
    id: PlantId,
) -> Result<Known, Fault> {
    let name = fields.text("name", &told.name, NAME_CHARS).to_owned();
    at_most(&mut fields, "notes", &told.notes, NOTE_CHARS);
    at_most(&mut fields, "protected_by", &told.protected_by, NAME_CHARS);
    let taxon = parents::taxon(&mut fields, "species", &told.species);
    let standing: Option<Standing> = fields.word("kind", &told.kind);
    let genotype = parents::s_genotype(&mut fields, "s_alleles", taxon.as_ref(), &told.s_alleles);
    rules::check_loci(&mut fields, taxon.as_ref(), &told.loci);
    rules::check_passport(&mut fields, &told.passport.clone().unwrap_or_default());
    for (trait_name, value) in &told.traits {
        fields.require(
            !trait_name.trim().is_empty() && value.chars().count() <= 500,
            &format!("traits/{trait_name}"),
            "a trait needs a name and a value of at most 500 characters",
        );
    }
    let rights: Option<RightsStanding> =
        fields.optional_word("rights_standing", &told.rights_standing);
    let rights = rights.unwrap_or(if told.protected_by.trim().is_empty() {
        RightsStanding::Free
    } else {
        RightsStanding::Protected
    });
    let third_party = matches!(
        rights,
        RightsStanding::Protected | RightsStanding::AgreementNeeded
    );
    fields.require(
        !third_party || !told.protected_by.trim().is_empty(),
        "protected_by",
        format!("is required where rights_standing is {rights}: whose rights are they?"),
    );

    let open = told.pollen_parent_id == OPEN;
    let seed_parent: Option<PlantId> = fields.optional_id("seed_parent_id", &told.seed_parent_id);
    let pollen_parent: Option<PlantId> = fields.optional_id(
        "pollen_parent_id",
        if open { "" } else { &told.pollen_parent_id },
    );
    let clone_of: Option<PlantId> = fields.optional_id("clone_of_id", &told.clone_of_id);
    fields.require(
        clone_of.is_none() || (seed_parent.is_none() && pollen_parent.is_none()),
        "clone_of_id",
        "a clone or sport has the parents of its source; leave its own empty",
    );
    let mut candidates = Vec::new();
    for (index, candidate) in told.pollen_candidates.iter().enumerate() {
        let field = format!("pollen_candidates/{index}/germplasm_id");
        if let Some(plant) = fields.id(&field, &candidate.germplasm_id) {
            candidates.push((plant, candidate.share));
        }
    }
    fields.require(
        candidates.is_empty() || pollen_parent.is_none(),
        "pollen_candidates",
        "are for plants whose pollen parent is not known; leave pollen_parent_id empty",
    );
    let mut listed: Vec<PlantId> = candidates.iter().map(|(plant, _)| *plant).collect();
    listed.sort();
    listed.dedup();
    fields.require(
        listed.len() == candidates.len(),
        "pollen_candidates",
        "name a plant twice; give each once with its whole share",
    );

    let mut named: Vec<(String, PlantId)> = Vec::new();
    named.extend(seed_parent.map(|plant| ("seed_parent_id".to_owned(), plant)));
    named.extend(pollen_parent.map(|plant| ("pollen_parent_id".to_owned(), plant)));
    named.extend(clone_of.map(|plant| ("clone_of_id".to_owned(), plant)));
    named.extend(
        candidates
            .iter()
            .enumerate()
            .map(|(i, (plant, _))| (format!("pollen_candidates/{i}/germplasm_id"), *plant)),
    );
    let others: Vec<PlantId> = named
        .iter()
        .map(|(_, plant)| *plant)
        .filter(|plant| *plant != id)
        .collect();
    let there = store::adopt(unit, &others).await?;
    for (field, plant) in &named {
        fields.require(
            *plant == id || there.contains(plant),
            field,
            format!("no plant {plant} is known here; register it first, or leave it empty"),
        );
    }
    if !fields.any() {
        let record = LineageRow {
            id,
            number: String::new(),
            name,
            species: String::new(),
            kind: String::new(),
            seed_parent_id: seed_parent,
            pollen_parent_id: pollen_parent,
            clone_of_id: clone_of,
            candidate_ids: candidates.iter().map(|(plant, _)| *plant).collect(),
            candidate_shares: candidates.iter().map(|(_, share)| *share).collect(),
        };
        check_descent(&mut fields, unit, record, &others).await?;
    }
    fields.finish()?;
    match (taxon, genotype, standing) {
        (Some(taxon), Some(genotype), Some(standing)) => Ok(Known {
            taxon,
            genotype,
            standing,
            rights,
            seed_parent,
            pollen_parent,
            open: open || !candidates.is_empty(),
            clone_of,
            candidates,
        }),
        _ => Err(Fault::field("/species", "is required")),
    }
}

/// Refuses a plant that would be its own ancestor, naming the loop, and unusable candidates.
async fn check_descent(
    fields: &mut Fields,
    unit: &mut Unit,
    record: LineageRow,
    ancestors: &[PlantId],
) -> Result<(), Fault> {
    let mut lineage = store::lineage(unit.connection(), ancestors).await?;
    lineage.retain(|row| row.id != record.id);
    lineage.push(record);
    let names: std::collections::HashMap<PlantId, &str> = lineage
        .iter()
        .map(|row| (row.id, row.name.as_str()))
        .collect();
    match Pedigree::from_records(lineage.iter().map(LineageRow::record)) {
        Ok(_) => {}
        Err(PedigreeError::Loop { members }) => {
            let name = |id: &PlantId| (*names.get(id).unwrap_or(&"?")).to_owned();
            let mut chain: Vec<String> = members.iter().map(name).collect();
            chain.extend(members.first().map(name));
            fields.fault(
                "seed_parent_id",
                format!(
                    "a plant cannot be its own ancestor: {}; correct one of these parents",
                    chain.join(" descends from ")
                ),
            );
        }
        Err(
            error @ (PedigreeError::CandidateShares { .. } | PedigreeError::NoCandidates { .. }),
        ) => {
            fields.fault("pollen_candidates", error.to_string());
        }
        Err(error) => fields.fault("seed_parent_id", error.to_string()),
    }
    Ok(())
}

impl Known {
    fn row<'a>(&self, id: PlantId, number: String, told: &'a Told) -> NewGermplasm<'a> {
        NewGermplasm {
            id,
            number,
            name: told.name.trim(),
            species: self.taxon.to_string(),
            kind: self.standing.word(),
            seed_parent_id: self.seed_parent,
            pollen_parent_id: self.pollen_parent,
            open_pollinated: self.open,
            clone_of_id: self.clone_of,
            s_alleles: self.labels(told),
            loci: &told.loci,
            traits: &told.traits,
            passport: told.passport.clone().unwrap_or_default(),
            notes: told.notes.trim(),
            protected_by: told.protected_by.trim(),
            rights_standing: self.rights.word(),
            cross_id: None,
        }
    }

    /// Allele labels in their usual form, with modifiers outside the S locus as given.
    fn labels(&self, told: &Told) -> Vec<String> {
        let mut labels: Vec<String> = self
            .genotype
            .alleles()
            .iter()
            .map(|allele| allele.label().to_owned())
            .collect();
        labels.extend(
            told.s_alleles
                .iter()
                .filter(|name| matches!(name.trim(), "m0" | "mod"))
                .map(|name| name.trim().to_owned()),
        );
        labels
    }
}

/// Warnings about the rights that cover a parent.
pub(crate) fn rights_warning(role: &str, plant: &GermplasmRow) -> Option<CrossWarning> {
    let said = match RightsStanding::from_word(&plant.rights_standing)? {
        RightsStanding::Free | RightsStanding::Own => return None,
        RightsStanding::Protected => format!(
            "{role} {}: rights of {} cover it; check what they allow before its progeny is released",
            plant.name, plant.protected_by
        ),
        RightsStanding::AgreementNeeded => format!(
            "{role} {}: an agreement with {} is needed before it is used as a parent",
            plant.name, plant.protected_by
        ),
    };
    Some(warning(WarningCode::Rights, said))
}

/// An id that parsing has already settled; the nil id, which names nothing, where it has not.
pub(crate) trait OrNil<T> {
    /// The id, or the nil id.
    fn unwrap_or_default_id(self) -> platform::ids::Id<T>;
}

impl<T> OrNil<T> for Option<platform::ids::Id<T>> {
    fn unwrap_or_default_id(self) -> platform::ids::Id<T> {
        self.unwrap_or_else(|| platform::ids::Id::from_uuid(uuid::Uuid::nil()))
    }
}
