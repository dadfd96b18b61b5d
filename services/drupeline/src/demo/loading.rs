//! Loads the story through the services' own use cases, as the people whose work it is.
//!
//! Every id follows from the programme and the thing, and what is there already is left alone, so
//! an interrupted load goes on where it stopped.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use contract::crossing::SelectSeedlingRequest;
use contract::crossing::crossing_client::CrossingClient;
use contract::evaluation::evaluation_client::EvaluationClient;
use contract::evaluation::{
    DecideEntriesRequest, EntryDecision, GetLayoutRequest, LayOutTrialRequest,
    ListDecisionsRequest, OpenTrialRequest, RecordBatchRow, RecordTreeEventRequest,
    RegisterSiteRequest, SuggestAdvanceRequest, TakeRecordsRequest, TrialTree,
};
use contract::identity::identity_client::IdentityClient;
use contract::identity::{ListOrganisationsRequest, WhoAmIRequest};
use contract::release::release_client::ReleaseClient;
use indicatif::ProgressBar;
use jiff::civil::{Date, date};
use platform::Fault;
use platform::fault::FaultKind;
use platform::peers::{Authorised, Peers, ServiceName};
use platform::skin::BATCH_BYTES;
use rand::RngExt as _;

use super::accounts::{self, Account};
use super::biology::{Environment, Plant, Stand, TRAITS, stream};
use super::history::{CHECKS, CrossStory, Parent, Size, Story, TIME_ZONE};
use super::{life, past, rights, season};
use crate::import::keys;
use crate::import::remote::Remote;

/// Where own-root seedlings stand.
pub const HOME_SITE: &str = "Hollow Home Farm";
/// What every budded selection stands on, a tree on each in every replicate.
const ROOTSTOCKS: [&str; 2] = ["Tannow clonal 4", "Tannow seedling"];
/// The second site, where budded trees stand too.
pub const SECOND_SITE: &str = "Esker Bench";
const SEED: u64 = 0x0dd_5eed;
/// Tokens are renewed well before they end.
const TOKEN_LIFE: Duration = Duration::from_secs(600);
/// Records of one batch.
const BATCH: usize = 5000;

/// A load under way.
pub struct Loading<'a> {
    peers: &'a Peers,
    accounts: &'a BTreeMap<String, Account>,
    tokens: BTreeMap<String, (String, Instant)>,
    /// The programme.
    pub programme: String,
    /// The present day.
    pub today: Date,
    bar: ProgressBar,
}

/// What was loaded, for those who wish to look.
#[derive(Debug, Default)]
pub struct Loaded {
    /// Crosses planned.
    pub crosses_n: usize,
    /// Seedlings planted.
    pub seedlings_n: usize,
    /// Trials laid out.
    pub trials: Vec<String>,
    /// Records taken now.
    pub records_n: u64,
}

/// Loads the demo programme's history.
///
/// # Errors
/// When a use case refuses.
pub async fn load(
    peers: &Peers,
    accounts: &BTreeMap<String, Account>,
    size: Size,
    today: Date,
    bar: ProgressBar,
) -> Result<Loaded, Fault> {
    let mut loading = Loading {
        peers,
        accounts,
        tokens: BTreeMap::new(),
        programme: String::new(),
        today,
        bar,
    };
    loading.programme = loading
        .identity("breeder")
        .await?
        .who_am_i(WhoAmIRequest {})
        .await?
        .into_inner()
        .programme_id;
    let programme = loading.programme.clone();
    let mut story = Story::new(&programme, size.clone(), today);
    loading.bar.set_length(story.years().count() as u64 * 2 + 5);
    let mut loaded = Loaded::default();
    loading.sites().await?;

    let mut seasons: BTreeMap<i16, Vec<CrossStory>> = BTreeMap::new();
    let mut chosen: Vec<Parent> = Vec::new();
    // Genotypes of all seedlings by their ids, as trees of trials are seedlings.
    let mut plants: BTreeMap<String, Plant> = story
        .founders
        .iter()
        .map(|parent| (parent.id.clone(), parent.plant.clone()))
        .collect();
    let mut advanced: BTreeMap<i16, Vec<String>> = BTreeMap::new();
    for year in story.years() {
        loading.step(&format!("season {year}: crosses, passes, fruit and seed"));
        let crosses = story.crosses(year, &chosen);
        let request = story.season(year, &crosses);
        loaded.crosses_n += crosses.len();
        loading.import(year, request).await?;
        for cross in &crosses {
            let token = loading.token("breeder").await?;
            let ids = Remote::new(peers, &token).seedlings(&cross.id).await?;
            loaded.seedlings_n += ids.len();
            plants.extend(ids.into_iter().zip(cross.seedlings.iter().cloned()));
        }
        seasons.insert(year, crosses);

        loading.step(&format!("season {year}: trials and records"));
        if let Some(trial) = loading.own_root(&story, &seasons, year - 1).await? {
            loaded.trials.push(trial);
        }
        for crossed in story.years().filter(|crossed| *crossed < year) {
            loaded.records_n += loading.look(&story, &plants, crossed, year).await?;
        }
        // The seedlings crossed two years ago have borne; the best are chosen after harvest.
        let decided_on = date(year, 10, 15);
        if seasons.contains_key(&(year - 2)) && decided_on <= today {
            let trial = story.id("trial", &["own-root", &(year - 2).to_string()]);
            let ids = loading.decide(&trial, "budded", decided_on, 0.04).await?;
            for (n, id) in ids.iter().enumerate() {
                let name = format!("TH {:02}-{:03}", (year - 2) % 100, n + 1);
                loading.select(id, &name).await?;
                if let Some(plant) = plants.get(id) {
                    chosen.push(Parent {
                        id: id.clone(),
                        name,
                        plant: plant.clone(),
                    });
                }
            }
            advanced.insert(year - 2, ids);
        }
        if let Some(ids) = advanced.get(&(year - 3))
            && let Some(trial) = loading.budded(&story, ids, year - 3).await?
        {
            loaded.trials.push(trial);
        }
        if seasons.contains_key(&(year - 5)) && decided_on <= today {
            let trial = story.id("trial", &["budded", &(year - 5).to_string()]);
            loading
                .decide(&trial, "multi_site", date(year, 10, 20), 0.3)
                .await?;
        }
    }
    loading.step("winters and pollinizer trials");
    season::winters(&mut loading, &story).await?;
    season::pollinizers(&mut loading, &story).await?;
    loading.step("candidates, rights and licences");
    rights::load(&mut loading, &story).await?;
    loading.step("one variety's whole life");
    loaded.seedlings_n += life::load(&mut loading, &story).await?;
    loaded.crosses_n += 1;
    loading.step("selections of earlier decades");
    past::load(&mut loading, &story, size.past_selections_n).await?;
    loading.bar.finish_and_clear();
    Ok(loaded)
}

impl Loading<'_> {
    fn step(&self, what: &str) {
        if self.bar.is_hidden() {
            tracing::info!("{what}");
        }
        self.bar.set_message(what.to_owned());
        self.bar.inc(1);
    }

    /// An id of something in the programme.
    pub fn id(&self, kind: &str, key: &[&str]) -> String {
        keys::id(&self.programme, &format!("demo {kind}"), key).to_string()
    }

    /// Reaches the services.
    pub(super) fn peers(&self) -> &Peers {
        self.peers
    }

    pub(super) async fn token(&mut self, role: &str) -> Result<String, Fault> {
        if let Some((token, since)) = self.tokens.get(role)
            && since.elapsed() < TOKEN_LIFE
        {
            return Ok(token.clone());
        }
        let account = self
            .accounts
            .get(role)
            .ok_or_else(|| Fault::unavailable(format!("the accounts hold no {role}")))?;
        let token = accounts::sign_in(self.peers, account).await?;
        self.tokens
            .insert(role.to_owned(), (token.clone(), Instant::now()));
        Ok(token)
    }

    async fn reach(&mut self, service: ServiceName, role: &str) -> Result<Authorised, Fault> {
        let token = self.token(role).await?;
        self.peers.reach_as(service, &token)
    }

    pub(super) async fn identity(
        &mut self,
        role: &str,
    ) -> Result<IdentityClient<Authorised>, Fault> {
        Ok(IdentityClient::new(
            self.reach(ServiceName::Identity, role).await?,
        ))
    }

    /// The crossing service as a role.
    ///
    /// # Errors
    /// When signing in is refused.
    pub async fn crossing(&mut self, role: &str) -> Result<CrossingClient<Authorised>, Fault> {
        Ok(
            CrossingClient::new(self.reach(ServiceName::Crossing, role).await?)
                .max_decoding_message_size(BATCH_BYTES)
                .max_encoding_message_size(BATCH_BYTES),
        )
    }

    pub(super) async fn evaluation(
        &mut self,
        role: &str,
    ) -> Result<EvaluationClient<Authorised>, Fault> {
        Ok(
            EvaluationClient::new(self.reach(ServiceName::Evaluation, role).await?)
                .max_decoding_message_size(BATCH_BYTES)
                .max_encoding_message_size(BATCH_BYTES),
        )
    }

    /// The release service as a role.
    ///
    /// # Errors
    /// When signing in is refused.
    pub async fn release(&mut self, role: &str) -> Result<ReleaseClient<Authorised>, Fault> {
        Ok(ReleaseClient::new(
            self.reach(ServiceName::Release, role).await?,
        ))
    }

    /// Ids of the organisations by name.
    ///
    /// # Errors
    /// When identity does not answer.
    pub async fn organisations(&mut self) -> Result<BTreeMap<String, String>, Fault> {
        let request = ListOrganisationsRequest {
            limit: 100,
            ..Default::default()
        };
        let page = self
            .identity("rights")
            .await?
            .list_organisations(request)
            .await?
            .into_inner();
        Ok(page
            .items
            .into_iter()
            .map(|organisation| (organisation.name, organisation.id))
            .collect())
    }

    /// Loads one season's import, or part of one.
    ///
    /// # Errors
    /// When it has a fault; the first is told.
    pub async fn import(
        &mut self,
        year: i16,
        request: contract::crossing::ImportSeasonRequest,
    ) -> Result<(), Fault> {
        let reply = self
            .crossing("breeder")
            .await?
            .import_season(request)
            .await?
            .into_inner();
        if let Some(fault) = reply.faults.first() {
            let told: Vec<String> = fault
                .errors
                .iter()
                .map(|e| format!("{}: {}", e.pointer, e.message))
                .collect();
            return Err(Fault::state(format!(
                "season {year} of the demo has {} faults; the first is in {} row {}: {}",
                reply.faults.len(),
                fault.section,
                fault.row,
                told.join("; ")
            )));
        }
        Ok(())
    }

    async fn sites(&mut self) -> Result<(), Fault> {
        self.step("sites");
        let sites = [
            (HOME_SITE, 36.72, -119.61, 98.0, "sandy loam over hardpan"),
            (SECOND_SITE, 37.05, -119.38, 340.0, "stony clay loam"),
        ];
        for (name, latitude, longitude, elevation, soil) in sites {
            let request = RegisterSiteRequest {
                id: self.id("site", &[name]),
                name: name.to_owned(),
                country: "US".to_owned(),
                time_zone: TIME_ZONE.to_owned(),
                latitude_deg: Some(latitude),
                longitude_deg: Some(longitude),
                soil: soil.to_owned(),
                elevation_m: Some(elevation),
                climate_station: if name == HOME_SITE { season::GATE } else { "" }.to_owned(),
                rootstock: ROOTSTOCKS[0].to_owned(),
            };
            self.evaluation("trials")
                .await?
                .register_site(request)
                .await?;
        }
        Ok(())
    }

    /// Opens and lays out the trial of a season's seedlings; none when none was planted yet.
    async fn own_root(
        &mut self,
        story: &Story,
        seasons: &BTreeMap<i16, Vec<CrossStory>>,
        crossed: i16,
    ) -> Result<Option<String>, Fault> {
        let Some(crosses) = seasons.get(&crossed) else {
            return Ok(None);
        };
        let mut entries = Vec::new();
        for cross in crosses {
            let token = self.token("breeder").await?;
            entries.extend(Remote::new(self.peers, &token).seedlings(&cross.id).await?);
        }
        if entries.is_empty() {
            return Ok(None);
        }
        let blocks = (entries.len() as u32 / 60).max(2);
        let open = OpenTrialRequest {
            id: story.id("trial", &["own-root", &crossed.to_string()]),
            name: format!("Own-root seedlings of {crossed}"),
            stage: "own_root".to_owned(),
            season: u32::from(crossed.unsigned_abs()) + 1,
            site_ids: vec![self.id("site", &[HOME_SITE])],
            entry_ids: entries,
            check_ids: CHECKS
                .iter()
                .map(|name| story.founder(name).id.clone())
                .collect(),
            planted_on: date(crossed, 11, 12).to_string(),
            ..Default::default()
        };
        self.trial(open, "augmented", blocks, crossed)
            .await
            .map(Some)
    }

    /// Opens and lays out the trial of those budded; none before its planting.
    async fn budded(
        &mut self,
        story: &Story,
        entries: &[String],
        crossed: i16,
    ) -> Result<Option<String>, Fault> {
        let planted_on = date(crossed + 3, 3, 5);
        if entries.len() < 2 || planted_on > self.today {
            return Ok(None);
        }
        let open = OpenTrialRequest {
            id: story.id("trial", &["budded", &crossed.to_string()]),
            name: format!("Budded selections of {crossed}"),
            stage: "budded".to_owned(),
            season: u32::from(planted_on.year().unsigned_abs()),
            site_ids: vec![
                self.id("site", &[HOME_SITE]),
                self.id("site", &[SECOND_SITE]),
            ],
            entry_ids: entries.to_vec(),
            check_ids: CHECKS[..3]
                .iter()
                .map(|name| story.founder(name).id.clone())
                .collect(),
            rootstock: ROOTSTOCKS[0].to_owned(),
            planted_on: planted_on.to_string(),
            ..Default::default()
        };
        self.trial(open, "rcbd", 2, crossed).await.map(Some)
    }

    pub(super) async fn trial(
        &mut self,
        open: OpenTrialRequest,
        design: &str,
        replicates: u32,
        crossed: i16,
    ) -> Result<String, Fault> {
        let id = open.id.clone();
        let is_budded = open.stage == "budded";
        let mut trials = self.evaluation("trials").await?;
        let there = trials
            .get_trial(contract::evaluation::GetTrialRequest {
                trial_id: id.clone(),
            })
            .await
            .map_err(Fault::from);
        let status = match there {
            Ok(trial) => trial.into_inner().status,
            Err(fault) if fault.kind() == FaultKind::NotFound => {
                trials.open_trial(open).await?.into_inner().status
            }
            Err(fault) => return Err(fault),
        };
        if status != "laid_out" {
            let rootstocks: &[&str] = if is_budded { &ROOTSTOCKS } else { &[] };
            let layout = LayOutTrialRequest {
                trial_id: id.clone(),
                design: design.to_owned(),
                replicates,
                rootstocks: rootstocks.iter().map(|name| (*name).to_owned()).collect(),
                seed: u64::from(crossed.unsigned_abs()),
                ..Default::default()
            };
            trials.lay_out_trial(layout).await?;
        }
        Ok(id)
    }

    async fn trees(&mut self, trial_id: &str) -> Result<Vec<TrialTree>, Fault> {
        let request = GetLayoutRequest {
            trial_id: trial_id.to_owned(),
        };
        match self
            .evaluation("trials")
            .await?
            .get_layout(request)
            .await
            .map_err(Fault::from)
        {
            Ok(layout) => Ok(layout.into_inner().trees),
            Err(fault) if matches!(fault.kind(), FaultKind::NotFound | FaultKind::State) => {
                Ok(Vec::new())
            }
            Err(fault) => Err(fault),
        }
    }

    /// Takes a year's records in the trials of a crossing year's seedlings.
    async fn look(
        &mut self,
        story: &Story,
        plants: &BTreeMap<String, Plant>,
        crossed: i16,
        year: i16,
    ) -> Result<u64, Fault> {
        let mut taken = 0;
        let kinds: &[&str] = match year - crossed {
            2 | 3 => &["own-root"],
            4 | 5 => &["budded"],
            _ => &[],
        };
        for kind in kinds {
            let trial = story.id("trial", &[kind, &crossed.to_string()]);
            let trees = self.trees(&trial).await?;
            if *kind == "own-root" && year - crossed == 2 {
                self.deaths(&trees, year).await?;
            }
            let mut rows = Vec::new();
            for tree in trees {
                let is_lost = dies(&tree.number) && *kind == "own-root";
                if let Some(plant) = plants.get(&tree.germplasm_id).filter(|_| !is_lost) {
                    self.records(&tree, plant, year, &mut rows);
                }
            }
            for batch in rows.chunks(BATCH) {
                let request = TakeRecordsRequest {
                    rows: batch.to_vec(),
                    all_or_nothing: true,
                    dry_run: false,
                };
                let reply = self
                    .evaluation("trials")
                    .await?
                    .take_records(request)
                    .await?
                    .into_inner();
                if let Some(row) = reply.rejected.first() {
                    let told: Vec<String> = row
                        .errors
                        .iter()
                        .map(|e| format!("{}: {}", e.pointer, e.message))
                        .collect();
                    return Err(Fault::state(format!(
                        "{} records of the demo were rejected; the first: {}",
                        reply.rejected.len(),
                        told.join("; ")
                    )));
                }
                taken += reply.accepted;
            }
        }
        Ok(taken)
    }

    fn records(&self, tree: &TrialTree, plant: &Plant, year: i16, rows: &mut Vec<RecordBatchRow>) {
        let site = if tree.site_id == self.id("site", &[HOME_SITE]) {
            HOME_SITE
        } else {
            SECOND_SITE
        };
        let here = Environment { site, year };
        let stand = Stand {
            row: tree.row,
            number: &tree.number,
            genotype: &tree.germplasm_id,
        };
        let see = |place: usize| here.record(SEED, place, plant, &stand);
        let ripe = see(3).unwrap_or_else(|| TRAITS[3].mean(plant.fruit));
        let ripe_on = date(year, 1, 1).saturating_add(jiff::Span::new().days(ripe as i64 - 1));
        if ripe_on > self.today {
            return;
        }
        let by = if tree.row.is_multiple_of(2) {
            "Wren Okello"
        } else {
            "Tomas Brekke"
        };
        for (place, of) in TRAITS.iter().enumerate() {
            let Some(value) = see(place) else { continue };
            let value = if of.code == "ripening_date" {
                ripe_on.to_string()
            } else {
                value.to_string()
            };
            rows.push(RecordBatchRow {
                id: self.id("record", &[&tree.tree_id, of.code, &year.to_string()]),
                tree_id: tree.tree_id.clone(),
                r#trait: of.code.to_owned(),
                value,
                observed_at: ripe_on.to_string(),
                by: by.to_owned(),
                ..Default::default()
            });
        }
    }

    async fn deaths(&mut self, trees: &[TrialTree], year: i16) -> Result<(), Fault> {
        for tree in trees
            .iter()
            .filter(|tree| dies(&tree.number) && tree.status == "standing")
        {
            let request = RecordTreeEventRequest {
                tree_id: tree.tree_id.clone(),
                id: self.id("tree event", &[&tree.tree_id, "died"]),
                kind: "died".to_owned(),
                on: date(year, 3, 2).to_string(),
                reason: "did not leaf out after the winter".to_owned(),
                ..Default::default()
            };
            self.evaluation("trials")
                .await?
                .record_tree_event(request)
                .await?;
        }
        Ok(())
    }

    /// Decides on the entries of a trial by the service's own suggestion; gives those who go on.
    async fn decide(
        &mut self,
        trial: &str,
        to_stage: &str,
        on: Date,
        share: f64,
    ) -> Result<Vec<String>, Fault> {
        if self.trees(trial).await?.is_empty() {
            return Ok(Vec::new());
        }
        let mut breeder = self.evaluation("breeder").await?;
        let of = ListDecisionsRequest {
            trial_id: trial.to_owned(),
            decision: "advance".to_owned(),
            limit: 200,
            ..Default::default()
        };
        let before = breeder.list_decisions(of.clone()).await?.into_inner();
        if before.items.is_empty() {
            let entries_n = breeder
                .get_trial(contract::evaluation::GetTrialRequest {
                    trial_id: trial.to_owned(),
                })
                .await?
                .into_inner()
                .entries_n;
            let weights = [
                ("brix", 1.0),
                ("fruit_mass_g", 0.7),
                ("firmness_n", 0.6),
                ("overall", 1.2),
            ];
            let request = SuggestAdvanceRequest {
                trial_id: trial.to_owned(),
                weights: weights
                    .into_iter()
                    .map(|(code, weight)| (code.to_owned(), weight))
                    .collect(),
                thresholds: Vec::new(),
                keep_n: ((f64::from(entries_n) * share).round() as u32).clamp(3.min(entries_n), 60),
                seed: 1,
                ..SuggestAdvanceRequest::default()
            };
            let list = breeder.suggest_advance(request).await?.into_inner();
            let decisions: Vec<EntryDecision> = list
                .items
                .into_iter()
                .map(|item| EntryDecision {
                    germplasm_id: item.germplasm_id,
                    decision: item.suggestion,
                    reason: item.reason,
                })
                .collect();
            let request = DecideEntriesRequest {
                trial_id: trial.to_owned(),
                id: self.id("decision", &[trial]),
                decisions,
                to_stage: to_stage.to_owned(),
                on: on.to_string(),
            };
            breeder.decide_entries(request).await?;
        }
        let decided = breeder.list_decisions(of).await?.into_inner();
        let mut ids: Vec<String> = decided
            .items
            .into_iter()
            .map(|item| item.germplasm_id)
            .collect();
        ids.sort();
        Ok(ids)
    }

    /// Takes a seedling into the germplasm, unless it is there.
    pub(super) async fn select(&mut self, seedling_id: &str, name: &str) -> Result<(), Fault> {
        let request = SelectSeedlingRequest {
            seedling_id: seedling_id.to_owned(),
            name: name.to_owned(),
            notes: "advanced from the own-root trial".to_owned(),
        };
        match self
            .crossing("breeder")
            .await?
            .select_seedling(request)
            .await
            .map_err(Fault::from)
        {
            Ok(_) => Ok(()),
            Err(fault) if matches!(fault.kind(), FaultKind::Exists | FaultKind::State) => Ok(()),
            Err(fault) => Err(fault),
        }
    }
}

/// Whether a tree does not outlive its second winter.
fn dies(number: &str) -> bool {
    stream(SEED, &["death", number]).random_bool(0.02)
}
