//! The evaluation part of a season: sites, trials with their layouts, and records.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use contract::evaluation::{
    GetLayoutRequest, LayOutTrialRequest, OpenTrialRequest, RecordBatchRow, RegisterSiteRequest,
    Site, TakeRecordsRequest, TraitDefinition, Trial, TryDesignRequest,
};
use platform::Fault;
use platform::fault::FaultKind;

use super::cells::{Cells, Known, Origin};
use super::faults::{Faults, RowFault};
use super::form::Kind;
use super::remote::Remote;
use super::season::Season;
use super::table::Table;
use super::{Loaded, Progress};

struct SiteRow {
    request: RegisterSiteRequest,
    origin: Origin,
}

struct TrialRow {
    open: OpenTrialRequest,
    /// Crosses whose seedlings are entries.
    crosses: Vec<String>,
    layout: LayOutTrialRequest,
    origin: Origin,
}

/// Where a tree stands in a layout.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct Place {
    trial_id: String,
    site_id: String,
    row: u32,
    column: u32,
}

struct RecordRow {
    record: RecordBatchRow,
    place: Option<Place>,
    origin: Origin,
}

/// What the files say of trials.
#[derive(Default)]
pub struct Trials {
    sites: Vec<SiteRow>,
    trials: Vec<TrialRow>,
    records: Vec<RecordRow>,
    /// What the programme has already.
    sites_there: Vec<Site>,
    trials_there: Vec<Trial>,
}

impl Trials {
    /// Reads the files that are there.
    pub fn read(
        tables: &BTreeMap<&'static str, Table>,
        known: &Known,
        season: &Season,
        faults: &mut Faults,
    ) -> Self {
        let mut trials = Self::default();
        let mut seen = BTreeMap::new();
        let rows = |name: &str| tables.get(name).into_iter().flat_map(Table::rows);
        for row in rows("sites") {
            let mut cells = Cells::of(row, known, faults);
            trials.site(&mut cells, &mut seen);
        }
        for row in rows("trials") {
            let mut cells = Cells::of(row, known, faults);
            trials.trial(&mut cells, season, &mut seen);
        }
        for row in rows("records") {
            let mut cells = Cells::of(row, known, faults);
            trials.record(&mut cells, &mut seen);
        }
        trials
    }

    fn site(&mut self, cells: &mut Cells<'_>, seen: &mut BTreeMap<String, u64>) {
        let name = cells.text("name");
        let id = cells.id(Kind::Site.word(), &[&name]);
        let request = RegisterSiteRequest {
            id: id.clone(),
            name,
            country: cells.text("country"),
            time_zone: cells.text("time_zone"),
            latitude_deg: cells.number("latitude_deg"),
            longitude_deg: cells.number("longitude_deg"),
            soil: cells.text("soil"),
            elevation_m: cells.number("elevation_m"),
            climate_station: cells.text("climate_station"),
            rootstock: cells.text("rootstock"),
        };
        if request.country.len() != 2 || !request.country.bytes().all(|b| b.is_ascii_uppercase()) {
            cells.fault(
                "country",
                "is not a country of ISO 3166-1 alpha-2; write two capitals, as US",
            );
        }
        if jiff::tz::TimeZone::get(&request.time_zone).is_err() {
            cells.fault(
                "time_zone",
                "is not a zone of the tz database; write it as America/Los_Angeles",
            );
        }
        for (column, value, most) in [
            ("latitude_deg", request.latitude_deg, 90.0),
            ("longitude_deg", request.longitude_deg, 180.0),
        ] {
            if value.is_some_and(|value: f64| value.abs() > most) {
                cells.fault(column, format!("lies outside -{most} to {most} degrees"));
            }
        }
        once(cells, seen, &id, "name", "the same name");
        if !cells.is_faulty() {
            self.sites.push(SiteRow {
                request,
                origin: cells.origin(),
            });
        }
    }

    fn trial(&mut self, cells: &mut Cells<'_>, season: &Season, seen: &mut BTreeMap<String, u64>) {
        let name = cells.text("trial");
        let id = cells.id(Kind::Trial.word(), &[&name]);
        let ids =
            |found: Vec<(Kind, String)>| found.into_iter().map(|(_, id)| id).collect::<Vec<_>>();
        let entries = cells.references("entries", &[Kind::Cross, Kind::Variety]);
        let planted_on = cells.date("planted_on");
        let open = OpenTrialRequest {
            id: id.clone(),
            name,
            stage: cells.text("stage"),
            season: cells.whole("season"),
            site_ids: ids(cells.references("sites", &[Kind::Site])),
            entry_ids: entries
                .iter()
                .filter(|(kind, _)| *kind == Kind::Variety)
                .map(|(_, id)| id.clone())
                .collect(),
            check_ids: ids(cells.references("checks", &[Kind::Variety])),
            rootstock: cells.text("rootstock"),
            planted_on: planted_on.clone(),
            note: cells.text("note"),
        };
        let layout = LayOutTrialRequest {
            trial_id: id.clone(),
            design: cells.text("design"),
            replicates: cells.count_or_zero("replicates"),
            block_size: cells.count_or_zero("block_size"),
            replicated_n: cells.count_or_zero("replicated_n"),
            rows: cells.count_or_zero("rows"),
            columns: cells.count_or_zero("columns"),
            seed: cells.whole("seed"),
            planted_on,
            ..Default::default()
        };
        once(cells, seen, &id, "trial", "the same name");
        let crosses: Vec<String> = entries
            .into_iter()
            .filter(|(kind, _)| *kind == Kind::Cross)
            .map(|(_, id)| id)
            .collect();
        let unsound = crosses.iter().any(|cross| season.is_faulty(cross));
        if !cells.is_faulty() && !unsound {
            self.trials.push(TrialRow {
                open,
                crosses,
                layout,
                origin: cells.origin(),
            });
        }
    }

    fn record(&mut self, cells: &mut Cells<'_>, seen: &mut BTreeMap<String, u64>) {
        let tree = cells.text("tree");
        let (trial_id, site_id) = (
            cells.reference("trial", Kind::Trial),
            cells.reference("site", Kind::Site),
        );
        let (row, column) = (cells.count("row"), cells.count("column"));
        let (trait_code, observed_at, by) = (
            cells.text("trait"),
            cells.text("observed_at"),
            cells.text("by"),
        );
        let place = match (row, column) {
            _ if !tree.is_empty() => None,
            (Some(row), Some(column)) if !trial_id.is_empty() && !site_id.is_empty() => {
                Some(Place {
                    trial_id,
                    site_id,
                    row,
                    column,
                })
            }
            _ => {
                if !cells.is_faulty() {
                    cells.fault(
                        "tree",
                        "is empty; give the tree's number, or its trial, site, row and column",
                    );
                }
                None
            }
        };
        let stands = place.as_ref().map_or_else(
            || tree.clone(),
            |p| format!("{} {} {} {}", p.trial_id, p.site_id, p.row, p.column),
        );
        let id = cells.id("record", &[&stands, &trait_code, &observed_at, &by]);
        once(
            cells,
            seen,
            &id,
            "trait",
            "the same tree, trait, time and assessor",
        );
        let record = RecordBatchRow {
            id,
            tree_id: tree,
            r#trait: trait_code,
            value: cells.text("value"),
            observed_at,
            by,
            ..Default::default()
        };
        if !cells.is_faulty() {
            self.records.push(RecordRow {
                record,
                place,
                origin: cells.origin(),
            });
        }
    }

    /// Whether the files say nothing of trials.
    pub fn is_empty(&self) -> bool {
        self.sites.is_empty() && self.trials.is_empty() && self.records.is_empty()
    }

    /// Holds the rows against the programme without writing anything.
    ///
    /// # Errors
    /// When a service does not answer.
    pub async fn check(
        &mut self,
        remote: &Remote<'_>,
        planted: &BTreeMap<String, u32>,
        faults: &mut Faults,
    ) -> Result<(), Fault> {
        self.sites_there = remote.sites().await?;
        self.trials_there = remote.trials().await?;
        self.check_sites(faults);
        let mut grounds = HashMap::new();
        for trial in &self.trials {
            let id = &trial.open.id;
            if let Some(there) = self.trials_there.iter().find(|there| there.id == *id) {
                differences(
                    &trial.origin,
                    faults,
                    &[
                        ("stage", &trial.open.stage, &there.stage),
                        (
                            "season",
                            &trial.open.season.to_string(),
                            &there.season.to_string(),
                        ),
                        ("rootstock", &trial.open.rootstock, &there.rootstock),
                        ("note", &trial.open.note, &there.note),
                    ],
                );
                if there.status == "laid_out" {
                    differences(
                        &trial.origin,
                        faults,
                        &[("design", &trial.layout.design, &there.design)],
                    );
                    continue;
                }
            }
            if let Some(ground) = try_design(remote, trial, planted, faults).await? {
                grounds.insert(id.clone(), ground);
            }
        }
        let traits = remote.traits().await?;
        for row in &self.records {
            check_record(row, &traits, &grounds, faults);
        }
        // Trees that stand already are judged by the service itself.
        let standing = self.standing_trees(remote).await?;
        self.send_records(remote, &standing, true, faults).await?;
        Ok(())
    }

    fn check_sites(&self, faults: &mut Faults) {
        for site in &self.sites {
            let request = &site.request;
            let Some(there) = self.sites_there.iter().find(|there| there.id == request.id) else {
                if self
                    .sites_there
                    .iter()
                    .any(|there| there.name.eq_ignore_ascii_case(&request.name))
                {
                    faults.push(site.origin.fault(
                        "/name",
                        "the programme has a site of this name already; take the row out, the name is enough".into(),
                    ));
                }
                continue;
            };
            let number =
                |value: Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
            differences(
                &site.origin,
                faults,
                &[
                    ("country", &request.country, &there.country),
                    ("time_zone", &request.time_zone, &there.time_zone),
                    (
                        "latitude_deg",
                        &number(request.latitude_deg),
                        &number(there.latitude_deg),
                    ),
                    (
                        "longitude_deg",
                        &number(request.longitude_deg),
                        &number(there.longitude_deg),
                    ),
                    (
                        "elevation_m",
                        &number(request.elevation_m),
                        &number(there.elevation_m),
                    ),
                    ("soil", &request.soil, &there.soil),
                ],
            );
        }
    }

    /// Trees of the layouts that records name by place and that are laid out already.
    async fn standing_trees(&self, remote: &Remote<'_>) -> Result<HashMap<Place, String>, Fault> {
        let named: BTreeSet<&String> = self
            .records
            .iter()
            .filter_map(|row| row.place.as_ref().map(|place| &place.trial_id))
            .collect();
        let mut trees = HashMap::new();
        for trial_id in named {
            let laid_out = |trial: &&Trial| trial.id == *trial_id && trial.status == "laid_out";
            if self.trials_there.iter().find(laid_out).is_none() {
                continue;
            }
            let request = GetLayoutRequest {
                trial_id: trial_id.clone(),
            };
            let layout = remote.evaluation()?.get_layout(request).await?.into_inner();
            trees.extend(layout.trees.into_iter().map(|tree| {
                let place = Place {
                    trial_id: trial_id.clone(),
                    site_id: tree.site_id,
                    row: tree.row,
                    column: tree.column,
                };
                (place, tree.tree_id)
            }));
        }
        Ok(trees)
    }

    /// Sends the records whose trees are known; gives rows written and rows unchanged.
    async fn send_records(
        &self,
        remote: &Remote<'_>,
        trees: &HashMap<Place, String>,
        dry_run: bool,
        faults: &mut Faults,
    ) -> Result<(u64, u64, Vec<RowFault>), Fault> {
        let laid_out: BTreeSet<&String> = trees.keys().map(|place| &place.trial_id).collect();
        let mut rows = Vec::new();
        let mut origins = Vec::new();
        for row in &self.records {
            let mut record = row.record.clone();
            if let Some(place) = &row.place {
                match trees.get(place) {
                    Some(tree) => record.tree_id.clone_from(tree),
                    None if laid_out.contains(&place.trial_id) => {
                        faults.push(no_tree(row, place));
                        continue;
                    }
                    None => continue,
                }
            }
            rows.push(record);
            origins.push(&row.origin);
        }
        if rows.is_empty() {
            return Ok((0, 0, Vec::new()));
        }
        let request = TakeRecordsRequest {
            rows,
            all_or_nothing: true,
            dry_run,
        };
        let reply = remote
            .evaluation()?
            .take_records(request)
            .await?
            .into_inner();
        let told = |rows: Vec<contract::common::RejectedRow>| {
            let mut told = Vec::new();
            for row in rows {
                let origin = usize::try_from(row.row)
                    .ok()
                    .and_then(|row| origins.get(row));
                for error in row.errors {
                    told.extend(origin.map(|origin| origin.fault(&error.pointer, error.message)));
                }
            }
            told
        };
        for fault in told(reply.rejected) {
            faults.push(fault);
        }
        Ok((reply.accepted, reply.duplicates, told(reply.doubtful)))
    }

    /// Writes sites, trials, layouts and records, in this order.
    ///
    /// # Errors
    /// When a service does not answer or refuses what it had not refused when it was checked.
    pub async fn write(
        &mut self,
        remote: &Remote<'_>,
        progress: &Progress,
        faults: &mut Faults,
    ) -> Result<(Vec<Loaded>, Vec<RowFault>), Fault> {
        let mut evaluation = remote.evaluation()?;
        let mut sites = Loaded::of("sites");
        for site in &self.sites {
            let there = self
                .sites_there
                .iter()
                .any(|there| there.id == site.request.id);
            evaluation.register_site(site.request.clone()).await?;
            sites.count(!there);
        }
        let mut trials = Loaded::of("trials");
        for trial in &self.trials {
            progress.say(&format!("laying out trial {}", trial.open.name));
            let there = self
                .trials_there
                .iter()
                .find(|there| there.id == trial.open.id);
            trials.count(there.is_none());
            if there.is_some_and(|there| there.status == "laid_out") {
                continue;
            }
            let mut open = trial.open.clone();
            for cross in &trial.crosses {
                open.entry_ids.extend(remote.seedlings(cross).await?);
            }
            evaluation.open_trial(open).await?;
            evaluation.lay_out_trial(trial.layout.clone()).await?;
        }
        self.trials_there = remote.trials().await?;
        progress.say("taking records");
        let trees = self.standing_trees(remote).await?;
        let (written, unchanged, doubtful) =
            self.send_records(remote, &trees, false, faults).await?;
        let records = Loaded {
            section: "records".to_owned(),
            written_n: written,
            unchanged_n: unchanged,
        };
        Ok((
            [sites, trials, records]
                .into_iter()
                .filter(|l| l.written_n + l.unchanged_n > 0)
                .collect(),
            doubtful,
        ))
    }
}

fn once(
    cells: &mut Cells<'_>,
    seen: &mut BTreeMap<String, u64>,
    id: &str,
    column: &str,
    what: &str,
) {
    let row = cells.origin().fault("", String::new()).row;
    if let Some(first) = seen.get(id) {
        cells.fault(
            column,
            format!("{what} as in row {first}; keep one, or tell them apart"),
        );
    } else {
        seen.insert(id.to_owned(), row);
    }
}

fn no_tree(row: &RecordRow, place: &Place) -> RowFault {
    let message = format!(
        "no tree stands in row {} column {} of this site; see the layout",
        place.row, place.column
    );
    RowFault {
        column: "row".to_owned(),
        ..row.origin.fault("", message)
    }
}

fn differences(origin: &Origin, faults: &mut Faults, fields: &[(&str, &String, &String)]) {
    for (field, now, before) in fields {
        if now != before {
            faults.push(origin.fault(
                field,
                format!("was loaded before as {before:?} and is {now:?} now; what was recorded is not overwritten, so take the change back"),
            ));
        }
    }
}

/// Tries a trial's design with as many entries as it will have; gives the places of its trees.
async fn try_design(
    remote: &Remote<'_>,
    trial: &TrialRow,
    planted: &BTreeMap<String, u32>,
    faults: &mut Faults,
) -> Result<Option<BTreeSet<(u32, u32)>>, Fault> {
    let mut entries_n = trial.open.entry_ids.len();
    for cross in &trial.crosses {
        entries_n += match planted.get(cross) {
            Some(planted) => *planted as usize,
            None => remote.seedlings(cross).await?.len(),
        };
    }
    let layout = &trial.layout;
    let request = TryDesignRequest {
        design: layout.design.clone(),
        entries: (1..=entries_n).map(|n| format!("entry {n}")).collect(),
        checks: (1..=trial.open.check_ids.len())
            .map(|n| format!("check {n}"))
            .collect(),
        replicates: layout.replicates,
        block_size: layout.block_size,
        replicated_n: layout.replicated_n,
        rows: layout.rows,
        columns: layout.columns,
        seed: layout.seed,
    };
    match remote
        .evaluation()?
        .try_design(request)
        .await
        .map_err(Fault::from)
    {
        Ok(tried) => {
            let trees = tried.into_inner().trees;
            Ok(Some(
                trees
                    .into_iter()
                    .map(|tree| (tree.row, tree.column))
                    .collect(),
            ))
        }
        Err(fault)
            if matches!(
                fault.kind(),
                FaultKind::Invalid | FaultKind::State | FaultKind::Exists
            ) =>
        {
            for error in fault.into_field_errors() {
                faults.push(trial.origin.fault(&error.pointer, error.message));
            }
            Ok(None)
        }
        Err(fault) => Err(fault),
    }
}

/// What can be said of a record before its tree stands.
fn check_record(
    row: &RecordRow,
    traits: &[TraitDefinition],
    grounds: &HashMap<String, BTreeSet<(u32, u32)>>,
    faults: &mut Faults,
) {
    let record = &row.record;
    match traits.iter().find(|known| known.code == record.r#trait) {
        None => faults.push(row.origin.fault(
            "/trait",
            format!(
                "{:?} is no trait of the library; define it first, or take one of its codes",
                record.r#trait
            ),
        )),
        Some(known) => {
            if let Err(message) = judge_value(known, &record.value) {
                faults.push(row.origin.fault("/value", message));
            }
        }
    }
    let at = &record.observed_at;
    if at.parse::<jiff::civil::Date>().is_err() && at.parse::<jiff::Timestamp>().is_err() {
        faults.push(row.origin.fault(
            "/observed_at",
            format!("{at:?} is neither a day nor an instant; write it as 2026-06-14 or 2026-06-14T09:30:00Z"),
        ));
    }
    if let Some(place) = &row.place
        && let Some(ground) = grounds.get(&place.trial_id)
        && !ground.contains(&(place.row, place.column))
    {
        faults.push(no_tree(row, place));
    }
}

fn judge_value(known: &TraitDefinition, value: &str) -> Result<(), String> {
    let states = || {
        known
            .states
            .iter()
            .map(|state| state.name.as_str())
            .collect::<Vec<_>>()
            .join(", ")
    };
    match known.scale.as_str() {
        _ if !known.computed.is_empty() => Err(format!(
            "{} is computed and not recorded; take the row out",
            known.code
        )),
        "measured" | "count" => {
            let number: f64 = value.parse().map_err(|_| {
                format!("{value:?} is not a number; write it with a decimal point, as 14.2")
            })?;
            if known.min.is_some_and(|min| number < min)
                || known.max.is_some_and(|max| number > max)
            {
                let (min, max) = (known.min.unwrap_or_default(), known.max.unwrap_or_default());
                return Err(format!(
                    "{number} lies outside {min} to {max} {}; measure again or check the unit",
                    known.unit
                ));
            }
            Ok(())
        }
        "ordinal" | "nominal" => {
            let note: Option<u32> = value.parse().ok();
            let holds = known
                .states
                .iter()
                .any(|state| Some(state.note) == note || state.name.eq_ignore_ascii_case(value));
            holds
                .then_some(())
                .ok_or_else(|| format!("{value:?} is none of its states: {}", states()))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use contract::evaluation::TraitState;

    #[test]
    fn values_are_held_against_their_scale() {
        let brix = TraitDefinition {
            code: "brix".into(),
            scale: "measured".into(),
            unit: "°Brix".into(),
            min: Some(3.0),
            max: Some(40.0),
            ..Default::default()
        };
        assert!(judge_value(&brix, "14.2").is_ok());
        assert!(
            judge_value(&brix, "14,2")
                .unwrap_err()
                .contains("decimal point")
        );
        assert!(
            judge_value(&brix, "142")
                .unwrap_err()
                .contains("outside 3 to 40 °Brix")
        );
        let stone = TraitDefinition {
            scale: "ordinal".into(),
            states: vec![TraitState {
                note: 1,
                name: "freestone".into(),
            }],
            ..Default::default()
        };
        assert!(judge_value(&stone, "1").is_ok() && judge_value(&stone, "Freestone").is_ok());
        assert!(judge_value(&stone, "2").is_err());
    }
}
