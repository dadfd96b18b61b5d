//! Layouts: which tree stands where.

use std::collections::HashMap;

use biometry::designs::{self, Layout, TrialPlan};
use contract::common::Document;
use contract::crossing::{GivenLabel, PrintLabelsRequest};
use contract::evaluation::{
    GetLayoutCsvRequest, GetLayoutMapRequest, GetLayoutRequest, LayOutTrialRequest,
    PrintTreeLabelsRequest, SiteLayout, TrialLayout, TrialTree, TryDesignRequest,
};
use platform::compute::{Cancel, Settled, Work};
use platform::sheet::CsvTable;
use platform::{Fault, Fields, ProgrammeId, Unit};

use super::plants;
use super::trials::trial_id;
use crate::EvaluationApp;
use crate::domain::design::{Asked, fault, plan, word};
use crate::domain::map::{self, Square};
use crate::domain::trial::{OWN_ROOT, ROOTSTOCK_CHARS, Stage, TreeStatus, tree_number};
use crate::domain::{GermplasmId, SiteId, TrialId};
use crate::store;
use crate::store::trees::TreeRow;
use crate::store::trials::{EntryRow, Made, TrialHead};

/// Randomises a trial and numbers its trees.
///
/// # Errors
/// A trial that is laid out already; a design that cannot be made, with the nearest that can.
pub async fn lay_out(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: LayOutTrialRequest,
) -> Result<TrialLayout, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    let trial = store::trials::head(unit.connection(), programme, id, true).await?;
    if trial.design.is_some() {
        return Err(Fault::state(format!(
            "trial {} is laid out already; open another trial, or replace single trees",
            trial.number
        )));
    }
    let mut fields = Fields::new();
    let planted_on = fields
        .optional_date("planted_on", &request.planted_on)
        .or(trial.planted_on);
    fields.finish()?;

    let mut entries = store::trials::entries(unit.connection(), programme, id).await?;
    if !request.entries.is_empty() || !request.checks.is_empty() {
        let stored = |is_check: bool| -> Vec<String> {
            entries
                .iter()
                .filter(|e| e.is_check == is_check)
                .map(|e| e.germplasm_id.to_string())
                .collect()
        };
        let tested = if request.entries.is_empty() {
            stored(false)
        } else {
            request.entries.clone()
        };
        let mut checks = if request.checks.is_empty() {
            stored(true)
        } else {
            request.checks.clone()
        };
        if request.checks.is_empty() {
            // A check that is now an entry under test is no longer a check.
            checks.retain(|check| !tested.contains(check));
        }
        entries =
            plants::entries(app, programme, ("entries", &tested), ("checks", &checks)).await?;
        store::trials::put_entries(unit.connection(), programme, id, &entries).await?;
    }

    let planted = Rootstocks::read(&request, &trial, &entries)?;
    let asked = plan(Asked {
        design: &request.design,
        entries: planted.treatments(&entries, false),
        checks: planted.treatments(&entries, true),
        replicates: request.replicates,
        block_size: request.block_size,
        replicated_n: request.replicated_n,
        rows: request.rows,
        columns: request.columns,
        seed: request.seed,
    })
    .map_err(Fault::invalid)?;
    let sites = store::trials::sites(unit.connection(), programme, id).await?;
    let sites_n = sites.len();
    let layouts = unit
        .reckon(move |cancel| randomise(&asked, sites_n, cancel))
        .await??;

    let total: usize = layouts.iter().map(|layout| layout.plots.len()).sum();
    let mut trees: Vec<TreeRow> = Vec::with_capacity(total);
    let mut qualities = Vec::with_capacity(sites.len());
    for (site, layout) in sites.iter().zip(&layouts) {
        let usual = match trial.stage {
            Stage::OwnRoot => String::new(),
            _ => {
                store::sites::get(unit.connection(), programme, *site)
                    .await?
                    .rootstock
            }
        };
        for plot in &layout.plots {
            let (germplasm, rootstock) = planted.of_treatment(&plot.entry)?;
            trees.push(TreeRow::planted(
                id,
                *site,
                tree_number(&trial.number, trees.len() + 1),
                (plot.row as i32, plot.column as i32),
                (plot.replicate as i32, plot.block as i32),
                germplasm,
                plot.check,
                if rootstock.is_empty() {
                    &usual
                } else {
                    rootstock
                }
                .to_owned(),
                planted_on,
                None,
            ));
        }
        qualities.push(quality(site.to_string(), layout));
    }
    store::trees::insert(unit.connection(), programme, &trees).await?;
    let made = Made {
        design: word(&layouts[0].design).to_owned(),
        design_made: layouts[0].design.to_string(),
        seed: request.seed,
        efficiency: lowest(&layouts),
        sites: qualities,
        last_tree: trees.len() as i32,
        planted_on,
    };
    store::trials::put_layout(unit.connection(), programme, id, &made).await?;
    unit.touch("trial", id);
    Ok(message(id, made, trees))
}

/// What the entries of a layout stand on. A design randomises treatments: an entry on a rootstock.
struct Rootstocks {
    /// Every name once.
    names: Vec<String>,
    /// Places among the names, for entries that do not stand on all.
    of: HashMap<GermplasmId, Vec<usize>>,
    /// Places for all others.
    usual: Vec<usize>,
}

impl Rootstocks {
    fn read(
        request: &LayOutTrialRequest,
        trial: &TrialHead,
        entries: &[EntryRow],
    ) -> Result<Self, Fault> {
        let mut fields = Fields::new();
        let mut read = Self {
            names: Vec::new(),
            of: HashMap::new(),
            usual: Vec::new(),
        };
        read.usual = read.places(&mut fields, "rootstocks", &request.rootstocks);
        if read.usual.is_empty() {
            read.usual = vec![read.place(&trial.rootstock)];
        }
        for (place, own) in request.entry_rootstocks.iter().enumerate() {
            let field = format!("entry_rootstocks/{place}");
            let named = format!("{field}/germplasm_id");
            let id: Option<GermplasmId> = fields.id(&named, &own.germplasm_id);
            let stocks = format!("{field}/rootstocks");
            let places = read.places(&mut fields, &stocks, &own.rootstocks);
            if places.is_empty() {
                fields.fault(&stocks, "is required: at least one rootstock");
            }
            let Some(id) = id else { continue };
            if !entries.iter().any(|entry| entry.germplasm_id == id) {
                fields.fault(&named, format!("{id} is no entry or check of the trial"));
            } else if read.of.insert(id, places).is_some() {
                fields.fault(&named, format!("{id} stands twice; list each entry once"));
            }
        }
        if trial.stage == Stage::OwnRoot {
            for (field, given) in [
                ("rootstocks", !request.rootstocks.is_empty()),
                ("entry_rootstocks", !request.entry_rootstocks.is_empty()),
            ] {
                fields.require(!given, field, OWN_ROOT);
            }
        }
        fields.finish()?;
        Ok(read)
    }

    fn place(&mut self, name: &str) -> usize {
        self.names
            .iter()
            .position(|known| known == name)
            .unwrap_or_else(|| {
                self.names.push(name.to_owned());
                self.names.len() - 1
            })
    }

    fn places(&mut self, fields: &mut Fields, field: &str, names: &[String]) -> Vec<usize> {
        let mut places = Vec::with_capacity(names.len());
        for (k, name) in names.iter().enumerate() {
            let name = fields.text(&format!("{field}/{k}"), name, ROOTSTOCK_CHARS);
            let place = self.place(name);
            if places.contains(&place) {
                fields.fault(
                    &format!("{field}/{k}"),
                    "stands twice; list each rootstock once",
                );
            }
            places.push(place);
        }
        places
    }

    /// Names of the treatments: an entry's id, with the place of the rootstock where there are
    /// several.
    fn treatments(&self, entries: &[EntryRow], are_checks: bool) -> Vec<String> {
        let asked = entries.iter().filter(|entry| entry.is_check == are_checks);
        asked
            .flat_map(|entry| {
                let places = self.of.get(&entry.germplasm_id).unwrap_or(&self.usual);
                places.iter().map(|place| match self.names.len() {
                    1 => entry.germplasm_id.to_string(),
                    _ => format!("{}/{place}", entry.germplasm_id),
                })
            })
            .collect()
    }

    fn of_treatment(&self, name: &str) -> Result<(GermplasmId, &str), Fault> {
        let (entry, place) = name.split_once('/').unwrap_or((name, "0"));
        let place: usize = place.parse().map_err(Fault::internal)?;
        Ok((entry.parse().map_err(Fault::internal)?, &self.names[place]))
    }
}

/// The layout of a trial.
///
/// # Errors
/// Not found; not laid out yet.
pub async fn get(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetLayoutRequest,
) -> Result<TrialLayout, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    let made = made(unit, programme, id).await?;
    let trees = store::trees::of_trial(unit.connection(), programme, id).await?;
    Ok(message(id, made, trees))
}

/// The layout of a trial as CSV.
///
/// # Errors
/// Not found; not laid out yet.
pub async fn csv(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetLayoutCsvRequest,
) -> Result<Document, Fault> {
    let programme = unit.programme()?;
    let id = trial_id(&request.trial_id)?;
    made(unit, programme, id).await?;
    let trial = store::trials::head(unit.connection(), programme, id, false).await?;
    let trees = store::trees::of_trial(unit.connection(), programme, id).await?;
    let entries = store::trials::entries(unit.connection(), programme, id).await?;
    let entry_of: HashMap<_, _> = entries
        .iter()
        .map(|entry| (entry.germplasm_id, entry))
        .collect();
    let site_ids = store::trials::sites(unit.connection(), programme, id).await?;
    let mut site_names = HashMap::new();
    for site in site_ids {
        let name = store::sites::get(unit.connection(), programme, site)
            .await?
            .name;
        site_names.insert(site, name);
    }
    let mut table = CsvTable::new(&[
        "tree",
        "tree_id",
        "site",
        "row",
        "column",
        "replicate",
        "block",
        "entry_number",
        "entry_name",
        "germplasm_id",
        "check",
        "planted_on",
        "status",
        "rootstock",
    ])?;
    for tree in trees {
        let entry = entry_of.get(&tree.germplasm_id);
        let site = site_names.get(&tree.site_id).cloned().unwrap_or_default();
        let tree = tree.message();
        table.row(&[
            tree.number,
            tree.tree_id,
            site,
            tree.row.to_string(),
            tree.column.to_string(),
            tree.replicate.to_string(),
            tree.block.to_string(),
            entry.map(|e| e.number.clone()).unwrap_or_default(),
            entry.map(|e| e.name.clone()).unwrap_or_default(),
            tree.germplasm_id,
            if tree.is_check { "check" } else { "" }.to_owned(),
            tree.planted_on,
            tree.status,
            tree.rootstock,
        ])?;
    }
    let content = table.finish()?;
    Ok(Document {
        content_type: "text/csv; charset=utf-8".to_owned(),
        file_name: format!("{}-layout.csv", trial.number),
        content,
    })
}

/// A site of a trial with its trees, each with what stands there.
struct SiteTrees {
    trial_number: String,
    site_name: String,
    trees: Vec<(TreeRow, String)>,
}

async fn site_trees(
    unit: &mut Unit,
    programme: ProgrammeId,
    (trial, site): (&str, &str),
    every_site: bool,
) -> Result<SiteTrees, Fault> {
    let id = trial_id(trial)?;
    made(unit, programme, id).await?;
    let mut fields = Fields::new();
    let asked: Option<SiteId> = fields.optional_id("site_id", site);
    fields.finish()?;
    let head = store::trials::head(unit.connection(), programme, id, false).await?;
    let sites = store::trials::sites(unit.connection(), programme, id).await?;
    if let Some(asked) = asked
        && !sites.contains(&asked)
    {
        return Err(Fault::field(
            "/site_id",
            format!("trial {} does not stand at site {asked}", head.number),
        ));
    }
    let chosen = asked.or_else(|| (!every_site).then(|| sites.first().copied()).flatten());
    let site_name = match chosen {
        Some(site) => {
            store::sites::get(unit.connection(), programme, site)
                .await?
                .name
        }
        None => String::new(),
    };
    let entries = store::trials::entries(unit.connection(), programme, id).await?;
    let label_of: HashMap<_, _> = entries
        .iter()
        .map(|entry| (entry.germplasm_id, entry.label()))
        .collect();
    let trees = store::trees::of_trial(unit.connection(), programme, id)
        .await?
        .into_iter()
        .filter(|tree| chosen.is_none_or(|site| tree.site_id == site))
        .map(|tree| {
            let label = label_of.get(&tree.germplasm_id).copied();
            (tree, label.unwrap_or_default().to_owned())
        })
        .collect();
    Ok(SiteTrees {
        trial_number: head.number,
        site_name,
        trees,
    })
}

/// The layout of one site as an SVG map.
///
/// # Errors
/// Not found; not laid out yet; a site where the trial does not stand.
pub async fn map(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: GetLayoutMapRequest,
) -> Result<Work<Document>, Fault> {
    let programme = unit.programme()?;
    let asked = (request.trial_id.as_str(), request.site_id.as_str());
    let of = site_trees(unit, programme, asked, false).await?;
    let mut squares = Vec::with_capacity(of.trees.len());
    for (tree, label) in of.trees {
        let status = tree.status()?;
        // Its successor stands in the same place.
        if status == TreeStatus::Replaced {
            continue;
        }
        let tree = tree.message();
        squares.push(Square {
            row: tree.row,
            column: tree.column,
            number: tree.number,
            label,
            rootstock: tree.rootstock,
            block: tree.block,
            is_check: tree.is_check,
            stands: status == TreeStatus::Standing,
        });
    }
    let title = format!("Trial {} at {}", of.trial_number, of.site_name);
    Ok(Work::new(move |_| {
        Ok(Document {
            content_type: "image/svg+xml".to_owned(),
            file_name: format!("{}-layout.svg", of.trial_number),
            content: map::draw(&title, &squares).into_bytes(),
        })
    }))
}

/// Labels of a trial's standing trees as PDF.
///
/// # Errors
/// Not found; not laid out yet; a site where the trial does not stand; a page that is none.
pub async fn labels(
    app: &EvaluationApp,
    unit: &mut Unit,
    request: PrintTreeLabelsRequest,
) -> Result<Settled<Document>, Fault> {
    let programme = unit.programme()?;
    let asked = (request.trial_id.as_str(), request.site_id.as_str());
    let of = site_trees(unit, programme, asked, true).await?;
    let mut given = Vec::with_capacity(of.trees.len());
    for (tree, label) in of.trees {
        if tree.status()? == TreeStatus::Standing {
            let place = format!("row {} place {}", tree.row_n, tree.column_n);
            let budded = (!tree.rootstock.is_empty()).then(|| format!("on {}", tree.rootstock));
            given.push(GivenLabel {
                checked_number: tree.number,
                lines: [label].into_iter().chain(budded).chain([place]).collect(),
            });
        }
    }
    let mut crossing = plants::client(app, programme).await?;
    Ok(Settled::Elsewhere(Box::pin(async move {
        let printed = crossing
            .print_labels(PrintLabelsRequest {
                page: request.page,
                skip: request.skip,
                given,
                ..PrintLabelsRequest::default()
            })
            .await?
            .into_inner();
        Ok(Document {
            file_name: format!("{}-labels.pdf", of.trial_number),
            ..printed
        })
    })))
}

/// Tries a design without keeping it.
///
/// # Errors
/// A design that cannot be made, with the nearest that can.
pub async fn try_design(
    _app: &EvaluationApp,
    _unit: &mut Unit,
    request: TryDesignRequest,
) -> Result<Work<TrialLayout>, Fault> {
    let asked = plan(Asked {
        design: &request.design,
        entries: request.entries,
        checks: request.checks,
        replicates: request.replicates,
        block_size: request.block_size,
        replicated_n: request.replicated_n,
        rows: request.rows,
        columns: request.columns,
        seed: request.seed,
    })
    .map_err(Fault::invalid)?;
    Ok(Work::new(move |cancel| {
        Ok(tried(&randomise(&asked, 1, cancel)?[0]))
    }))
}

fn tried(layout: &Layout) -> TrialLayout {
    TrialLayout {
        design: word(&layout.design).to_owned(),
        design_made: layout.design.to_string(),
        seed: layout.seed,
        efficiency: layout.efficiency.average,
        sites: vec![quality(String::new(), layout)],
        trees: layout
            .plots
            .iter()
            .map(|plot| TrialTree {
                number: plot.plot.to_string(),
                row: plot.row as u32,
                column: plot.column as u32,
                replicate: plot.replicate as u32,
                block: plot.block as u32,
                germplasm_id: plot.entry.clone(),
                is_check: plot.check,
                ..TrialTree::default()
            })
            .collect(),
        ..TrialLayout::default()
    }
}

/// One layout for each site, each further one from the next seed.
fn randomise(plan: &TrialPlan, sites_n: usize, cancel: &Cancel) -> Result<Vec<Layout>, Fault> {
    (0..sites_n as u64)
        .map(|site| {
            cancel.check()?;
            designs::lay_out(&TrialPlan {
                seed: plan.seed.wrapping_add(site),
                ..plan.clone()
            })
            .map_err(|error| Fault::invalid(vec![fault(&error)]))
        })
        .collect()
}

fn lowest(layouts: &[Layout]) -> f64 {
    layouts
        .iter()
        .map(|layout| layout.efficiency.average)
        .fold(f64::INFINITY, f64::min)
}

fn quality(site_id: String, layout: &Layout) -> SiteLayout {
    SiteLayout {
        site_id,
        seed: layout.seed,
        rows: layout.rows as u32,
        columns: layout.columns as u32,
        trees_n: layout.plots.len() as u32,
        efficiency: layout.efficiency.average,
        efficiency_bound: layout.efficiency.upper_bound,
        smallest_canonical_efficiency: layout.efficiency.smallest_canonical,
        connected: layout.connected,
        error_df: layout.error_df as u32,
        self_neighbours_n: layout.neatness.self_neighbours_n as u32,
        most_frequent_pair_n: layout.neatness.most_frequent_pair_n as u32,
        furthest_from_check: layout.neatness.furthest_from_check,
        notes: layout.notes.clone(),
    }
}

async fn made(unit: &mut Unit, programme: ProgrammeId, id: TrialId) -> Result<Made, Fault> {
    let trial = store::trials::head(unit.connection(), programme, id, false).await?;
    store::trials::layout(unit.connection(), programme, id)
        .await?
        .ok_or_else(|| Fault::state(format!("trial {} is not laid out yet", trial.number)))
}

fn message(id: TrialId, made: Made, trees: Vec<TreeRow>) -> TrialLayout {
    TrialLayout {
        trial_id: id.to_string(),
        design: made.design,
        design_made: made.design_made,
        seed: made.seed,
        efficiency: made.efficiency,
        sites: made.sites,
        trees: trees.into_iter().map(TreeRow::message).collect(),
    }
}
