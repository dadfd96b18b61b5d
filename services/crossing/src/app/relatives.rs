//! Ancestors and descendants as lists: each once, to any depth, page by page.

use contract::crossing::{Relative, RelativeList, RelativesRequest};
use platform::paging::Page;
use platform::{Fault, Fields, Unit};

use super::germplasm::OrNil as _;
use crate::CrossingApp;
use crate::domain::PlantId;
use crate::store::germplasm::lineage;
use crate::store::id_text;
use crate::store::relatives::{self as store, After, RelativeRow};

/// What a request asks for.
struct Asked {
    of: PlantId,
    page: Page,
    after: Option<After>,
}

async fn asked(unit: &mut Unit, request: &RelativesRequest) -> Result<Asked, Fault> {
    let mut fields = Fields::new();
    let of: Option<PlantId> = fields.id("germplasm_id", &request.germplasm_id);
    fields.finish()?;
    let of = of.unwrap_or_default_id();
    let page = Page::parse(request.limit, &request.cursor)?;
    let after = page.after.as_deref().map(place).transpose()?;
    let known = lineage(unit.connection(), &[of]).await?;
    if !known.iter().any(|line| line.id == of) {
        return Err(Fault::not_found("plant", of));
    }
    Ok(Asked { of, page, after })
}

/// Reads where a page goes on: generation, plant and number.
fn place(key: &str) -> Result<After, Fault> {
    let parts: Vec<&str> = key.splitn(3, '/').collect();
    let [generation, plant, number] = parts[..] else {
        return Err(Fault::field("/cursor", "belongs to another list"));
    };
    match (generation.parse(), plant.parse()) {
        (Ok(generation), Ok(plant)) => Ok((generation, number.to_owned(), plant)),
        _ => Err(Fault::field("/cursor", "belongs to another list")),
    }
}

fn told(page: &Page, rows: Vec<RelativeRow>) -> RelativeList {
    let total_n = rows.first().map_or(0, |row| row.total_n);
    let (rows, next_cursor) = page.cut(rows, |row| {
        format!("{}/{}/{}", row.generation, row.id, row.number)
    });
    RelativeList {
        items: rows
            .into_iter()
            .map(|row| Relative {
                id: row.id.to_string(),
                number: row.number,
                name: row.name,
                species: row.species,
                kind: row.kind,
                generation: u32::try_from(row.generation).unwrap_or(0),
                seed_parent_id: id_text(row.seed_parent_id),
                pollen_parent_id: id_text(row.pollen_parent_id),
                clone_of_id: id_text(row.clone_of_id),
            })
            .collect(),
        next_cursor,
        total_n: u64::try_from(total_n).unwrap_or(0),
    }
}

/// The ancestors of a plant.
pub async fn ancestors(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RelativesRequest,
) -> Result<RelativeList, Fault> {
    let asked = asked(unit, &request).await?;
    let limit = asked.page.fetch();
    let rows = store::ancestors(unit.connection(), asked.of, asked.after.as_ref(), limit).await?;
    Ok(told(&asked.page, rows))
}

/// The descendants of a plant.
pub async fn descendants(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: RelativesRequest,
) -> Result<RelativeList, Fault> {
    let asked = asked(unit, &request).await?;
    let limit = asked.page.fetch();
    let rows = store::descendants(unit.connection(), asked.of, asked.after.as_ref(), limit).await?;
    Ok(told(&asked.page, rows))
}
