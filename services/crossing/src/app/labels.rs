//! Labels for whatever carries a number.

use contract::common::Document;
use contract::crossing::{GivenLabel, PrintLabelsRequest};
use paper::PageSize;
use platform::compute::Work;
use platform::{Fault, Fields, Unit};

use super::seasons;
use crate::CrossingApp;
use crate::domain::labels::{LEAST_HEIGHT_MM, LEAST_WIDTH_MM, Label, MOST_LABELS, Sheet};
use crate::domain::{CrossId, MotherId, PlantId, PollenLotId, SeedEntryId, numbers};
use crate::store::raising::{self, SeedlingRow};
use crate::store::{crosses, germplasm, mothers, pollen, seed};

/// What labels are for.
enum Wanted {
    Seedlings(raising::Filter<'static>),
    ChosenSeedlings(Vec<PlantId>),
    Block { season: i32, block: String },
    PollenLots(Vec<PollenLotId>),
    Mothers(Vec<MotherId>),
    Crosses(Vec<CrossId>),
    Germplasm(Vec<PlantId>),
    Seed(Vec<SeedEntryId>),
    Given(Vec<Label>),
}

/// Labels as PDF.
pub async fn print(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: PrintLabelsRequest,
) -> Result<Work<Document>, Fault> {
    let mut fields = Fields::new();
    let wanted = wanted(&mut fields, &request);
    let sheet = sheet(&mut fields, &request);
    fields.finish()?;
    let (Some(wanted), Some(sheet)) = (wanted, sheet) else {
        return Err(Fault::field("/cross_id", "is required"));
    };
    let (name, labels) = labels(unit, wanted).await?;
    if labels.is_empty() {
        return Err(Fault::field(
            "",
            "nothing that carries a number was found for this",
        ));
    }
    if labels.len() > MOST_LABELS {
        return Err(Fault::field(
            "",
            format!(
                "{} labels are too many for one document; ask for {MOST_LABELS} at most",
                labels.len()
            ),
        ));
    }
    Ok(Work::new(move |cancel| {
        let content = sheet
            .print(labels.iter().take_while(|_| !cancel.is_asked()))
            .map_err(|error| {
                Fault::field("", format!("a number is too long for a QR code: {error}"))
            })?;
        cancel.check()?;
        Ok(Document {
            content_type: "application/pdf".to_owned(),
            file_name: format!("labels-{name}.pdf"),
            content,
        })
    }))
}

fn wanted(fields: &mut Fields, request: &PrintLabelsRequest) -> Option<Wanted> {
    fn ids<T>(fields: &mut Fields, field: &str, texts: &[String]) -> Vec<platform::ids::Id<T>> {
        texts
            .iter()
            .enumerate()
            .filter_map(|(index, text)| fields.id(&format!("{field}/{index}"), text))
            .collect()
    }
    let mut found = Vec::new();
    if !request.cross_id.is_empty() {
        let cross = fields.optional_id("cross_id", &request.cross_id);
        found.push(Wanted::Seedlings(raising::Filter {
            cross,
            ..raising::Filter::default()
        }));
    }
    if !request.seedling_ids.is_empty() {
        found.push(Wanted::ChosenSeedlings(ids(
            fields,
            "seedling_ids",
            &request.seedling_ids,
        )));
    }
    if !request.season.is_empty() || !request.block.is_empty() {
        let season = seasons::year(fields, "season", &request.season);
        let block = fields.text("block", &request.block, 120).to_owned();
        found.push(Wanted::Block {
            season: season.unwrap_or(0),
            block,
        });
    }
    if !request.pollen_lot_ids.is_empty() {
        found.push(Wanted::PollenLots(ids(
            fields,
            "pollen_lot_ids",
            &request.pollen_lot_ids,
        )));
    }
    if !request.mother_ids.is_empty() {
        found.push(Wanted::Mothers(ids(
            fields,
            "mother_ids",
            &request.mother_ids,
        )));
    }
    if !request.cross_ids.is_empty() {
        found.push(Wanted::Crosses(ids(
            fields,
            "cross_ids",
            &request.cross_ids,
        )));
    }
    if !request.germplasm_ids.is_empty() {
        found.push(Wanted::Germplasm(ids(
            fields,
            "germplasm_ids",
            &request.germplasm_ids,
        )));
    }
    if !request.seed_entry_ids.is_empty() {
        found.push(Wanted::Seed(ids(
            fields,
            "seed_entry_ids",
            &request.seed_entry_ids,
        )));
    }
    if !request.given.is_empty() {
        found.push(Wanted::Given(given(fields, &request.given)));
    }
    if found.len() != 1 {
        fields.fault(
            "cross_id",
            "name exactly one of cross_id, seedling_ids, season with block, pollen_lot_ids, mother_ids, cross_ids, germplasm_ids, seed_entry_ids, given",
        );
    }
    found.pop()
}

/// Labels whose texts came with the request.
fn given(fields: &mut Fields, sent: &[GivenLabel]) -> Vec<Label> {
    sent.iter()
        .enumerate()
        .map(|(place, label)| {
            let field = format!("given/{place}/checked_number");
            Label {
                checked_number: fields.text(&field, &label.checked_number, 60).to_owned(),
                lines: label
                    .lines
                    .iter()
                    .filter(|line| !line.is_empty())
                    .map(|line| line.chars().take(200).collect())
                    .collect(),
            }
        })
        .collect()
}

fn sheet(fields: &mut Fields, request: &PrintLabelsRequest) -> Option<Sheet> {
    let Some(page) = PageSize::parse(&request.page) else {
        fields.fault(
            "page",
            format!(
                "{:?} is no page; a4, letter, or a label of 10 to 1,000 mm as 54x25",
                request.page
            ),
        );
        return None;
    };
    let single = !matches!(
        request.page.trim().to_ascii_lowercase().as_str(),
        "" | "a4" | "letter"
    );
    let (columns, rows, margin) = if single { (1, 1, 1.0) } else { (3, 8, 8.0) };
    let sheet = Sheet {
        page,
        columns: request.columns.unwrap_or(columns),
        rows: request.rows.unwrap_or(rows),
        margin_mm: request.margin_mm.unwrap_or(margin) as f32,
        skip: request.skip.unwrap_or(0),
    };
    fields.count("columns", sheet.columns, 1, 20);
    fields.count("rows", sheet.rows, 1, 60);
    fields.number("margin_mm", sheet.margin_mm.into(), 0.0, 50.0);
    if fields.any() {
        return None;
    }
    let (width, height) = sheet.label_mm();
    fields.require(
        width >= LEAST_WIDTH_MM && height >= LEAST_HEIGHT_MM,
        "columns",
        format!("labels would be {width:.0} × {height:.0} mm; {LEAST_WIDTH_MM} × {LEAST_HEIGHT_MM} mm is the least that can be read"),
    );
    fields.require(
        sheet.skip < sheet.columns * sheet.rows,
        "skip",
        "is as many as a sheet holds, or more",
    );
    Some(sheet)
}

async fn labels(unit: &mut Unit, wanted: Wanted) -> Result<(String, Vec<Label>), Fault> {
    let most = i64::try_from(MOST_LABELS).unwrap_or(i64::MAX) + 1;
    let label = |number: &str, lines: Vec<String>| Label {
        checked_number: numbers::checked(number),
        lines: lines.into_iter().filter(|line| !line.is_empty()).collect(),
    };
    let seedling = |row: &SeedlingRow| {
        let father = row.pollen_parent_name.as_deref().unwrap_or("open");
        label(
            &row.number,
            vec![
                format!("{} × {father}", row.seed_parent_name),
                format!("{} row {} place {}", row.block, row.row_n, row.position_n),
                row.planted_on.0.to_string(),
            ],
        )
    };
    let db = unit.connection();
    Ok(match wanted {
        Wanted::Given(labels) => ("trees".to_owned(), labels),
        Wanted::Seedlings(filter) => {
            let rows = raising::list_seedlings(db, &filter, None, most).await?;
            let name = rows
                .first()
                .map(|row| numbers::cross(row.season, row.cross_number));
            (
                name.unwrap_or_default(),
                rows.iter().map(seedling).collect(),
            )
        }
        Wanted::ChosenSeedlings(ids) => {
            let rows = raising::find_seedlings(db, &ids).await?;
            ("seedlings".to_owned(), rows.iter().map(seedling).collect())
        }
        Wanted::Block { season, block } => {
            let filter = raising::Filter {
                season: Some(season),
                block: &block,
                living: Some(true),
                ..raising::Filter::default()
            };
            let rows = raising::list_seedlings(db, &filter, None, most).await?;
            (season.to_string(), rows.iter().map(seedling).collect())
        }
        Wanted::PollenLots(ids) => {
            let lots = pollen::find_all(db, &ids).await?;
            let labels = lots
                .iter()
                .map(|kept| {
                    label(
                        &kept.row.number_text(),
                        vec![
                            kept.row.name.clone(),
                            format!("gathered {}", kept.row.gathered_on.0),
                            format!("{} flowers", kept.row.flowers_n),
                        ],
                    )
                })
                .collect();
            ("pollen".to_owned(), labels)
        }
        Wanted::Mothers(ids) => {
            let rows = mothers::find_all(db, &ids).await?;
            let labels = rows
                .iter()
                .map(|row| {
                    label(
                        &numbers::mother(row.number),
                        vec![
                            row.name.clone(),
                            format!("{} row {} place {}", row.house, row.row_n, row.position_n),
                        ],
                    )
                })
                .collect();
            ("mothers".to_owned(), labels)
        }
        Wanted::Crosses(ids) => {
            let rows = crosses::find_all(db, &ids).await?;
            let labels = rows
                .iter()
                .map(|row| {
                    let father = row.pollen_parent_name.as_deref().unwrap_or("open");
                    label(
                        &row.number_text(),
                        vec![
                            format!("{} × {father}", row.seed_parent_name),
                            row.objective.clone(),
                        ],
                    )
                })
                .collect();
            ("crosses".to_owned(), labels)
        }
        Wanted::Germplasm(ids) => {
            let rows = germplasm::find_all(db, &ids).await?;
            let labels = rows
                .iter()
                .map(|row| label(&row.number, vec![row.name.clone(), row.species.clone()]))
                .collect();
            ("germplasm".to_owned(), labels)
        }
        Wanted::Seed(ids) => {
            let rows = seed::lots(db, &ids).await?;
            let labels = rows
                .iter()
                .map(|row| {
                    let father = row.pollen_parent_name.as_deref().unwrap_or("open");
                    label(
                        &numbers::seed_lot(row.season, row.cross_number, row.batch_n),
                        vec![
                            format!("{} × {father}", row.seed_parent_name),
                            format!("{} {}", row.step, row.on_day.0),
                            format!("{} seeds", row.seed_n),
                        ],
                    )
                })
                .collect();
            ("seed".to_owned(), labels)
        }
    })
}
