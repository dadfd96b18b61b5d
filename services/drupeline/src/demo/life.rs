//! One variety's whole life, from its cross to the end of its grant: long enough ago that every part
//! of it is on file. It stands for what a line of descent is kept for. All names and numbers are
//! invented.

use contract::crossing::{
    GatherPollenRequest, ImportSeasonRequest, OpenSeasonRequest, PlanCrossRequest,
    PlantSeedlingsRequest, RecordFruitRequest, RecordPassRequest, RecordPollenEventRequest,
    RecordSeedRequest, RegisterMotherRequest,
};
use contract::evaluation::{DecideEntriesRequest, EntryDecision, OpenTrialRequest};
use contract::release::{
    GrantLicenceRequest, MoveCandidateRequest, RecordFilingEventRequest, RegisterCandidateRequest,
    RoyaltyTerms,
};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use platform::Fault;

use super::history::{CHECKS, CROSSING_HOUSE, Story, TIME_ZONE};
use super::loading::{HOME_SITE, Loading, SECOND_SITE};
use super::rights;
use crate::import::remote::Remote;

/// Years before the present one in which it was crossed.
const CROSSED_BACK: i16 = 38;
/// Its parents.
const PARENTS: [&str; 2] = ["Wrenfold", "Hearthglow"];
/// Seedlings of the cross, and which of them it is, counted from 0.
const PLANTED_N: u32 = 12;
const CHOSEN: usize = 6;
/// Its denomination.
pub const NAME: &str = "Elderfold";
const BY: &str = "Tomas Brekke";

/// What its life is told with.
struct Life {
    /// The year of its cross.
    crossed: i16,
    cross: String,
    /// All seedlings of the cross in the order of their numbers.
    seedlings: Vec<String>,
}

/// Loads its life; gives how many seedlings its cross brought.
///
/// # Errors
/// When a use case refuses.
pub async fn load(loading: &mut Loading<'_>, story: &Story) -> Result<usize, Fault> {
    let crossed = story.years().end() - CROSSED_BACK;
    let cross = loading.id("cross", &[NAME]);
    let season = season(loading, story, crossed, &cross);
    loading.import(crossed, season).await?;
    let token = loading.token("breeder").await?;
    let seedlings = Remote::new(loading.peers(), &token)
        .seedlings(&cross)
        .await?;
    let life = Life {
        crossed,
        cross,
        seedlings,
    };
    let own = life
        .seedlings
        .get(CHOSEN)
        .cloned()
        .ok_or_else(|| Fault::state("the cross of old has too few seedlings"))?;
    loading.select(&own, &life.code("TH ")).await?;
    // On file before the trials are, so that their announcements find it where it stands.
    let candidate = candidate(loading, &life, &own).await?;
    trials(loading, story, &life, &own).await?;
    papers(loading, &life, &candidate).await?;
    Ok(life.seedlings.len())
}

impl Life {
    fn code(&self, prefix: &str) -> String {
        format!("{prefix}{:02}-{:03}", self.crossed % 100, CHOSEN + 1)
    }

    /// A day some years after the cross.
    fn on(&self, years_after: i16, month: i8, day: i8) -> Date {
        date(self.crossed + years_after, month, day)
    }
}

/// The season with the one cross of which anything is still told.
fn season(loading: &Loading<'_>, story: &Story, year: i16, cross: &str) -> ImportSeasonRequest {
    let id = |kind: &str, which: &str| loading.id(kind, &[NAME, which]);
    let [mother_plant, pollen_plant] = PARENTS.map(|name| story.founder(name).id.clone());
    let (lot, mother) = (id("lot", ""), id("mother", ""));
    let pass = |which: &str, day: i8, flowers_n: u32| RecordPassRequest {
        cross_id: cross.to_owned(),
        id: id("pass", which),
        on: date(year, 2, day).to_string(),
        pollen_lot_id: lot.clone(),
        mother_id: mother.clone(),
        flowers_emasculated_n: flowers_n,
        flowers_pollinated_n: flowers_n - 6,
        by: BY.to_owned(),
        ..Default::default()
    };
    let fruit = |which: &str, on: Date| RecordFruitRequest {
        cross_id: cross.to_owned(),
        id: id("fruit", which),
        on: on.to_string(),
        by: BY.to_owned(),
        ..Default::default()
    };
    let seed = |step: &str, cause: &str, on: Date, seed_n: u32| RecordSeedRequest {
        cross_id: cross.to_owned(),
        id: loading.id("seed", &[NAME, step, cause]),
        on: on.to_string(),
        step: step.to_owned(),
        seed_n,
        cause: cause.to_owned(),
        by: BY.to_owned(),
        ..Default::default()
    };
    ImportSeasonRequest {
        seasons: vec![OpenSeasonRequest {
            id: id("season", ""),
            year: year.into(),
            site: CROSSING_HOUSE.to_owned(),
            time_zone: TIME_ZONE.to_owned(),
            ..Default::default()
        }],
        mothers: vec![RegisterMotherRequest {
            id: mother.clone(),
            germplasm_id: mother_plant.clone(),
            house: "Old house".to_owned(),
            row: 1,
            position: 1,
            container_l: Some(60.0),
            on: date(year - 1, 11, 20).to_string(),
            ..Default::default()
        }],
        pollen_lots: vec![GatherPollenRequest {
            id: lot.clone(),
            germplasm_id: pollen_plant.clone(),
            gathered_on: date(year, 2, 14).to_string(),
            flowers_n: 140,
            stage_bbch: 59,
            by: BY.to_owned(),
            site: CROSSING_HOUSE.to_owned(),
            ..Default::default()
        }],
        pollen_events: vec![RecordPollenEventRequest {
            pollen_lot_id: lot.clone(),
            id: id("lot event", "dried"),
            kind: "dried".to_owned(),
            on: date(year, 2, 15).to_string(),
            by: BY.to_owned(),
            ..Default::default()
        }],
        crosses: vec![PlanCrossRequest {
            id: cross.to_owned(),
            season: year.to_string(),
            seed_parent_id: mother_plant,
            pollen_parent_id: pollen_plant,
            objective: "firm and a week earlier".to_owned(),
            fruit_wanted_n: 20,
            mother_ids: vec![mother.clone()],
            number: Some(1),
        }],
        passes: vec![pass("first", 17, 78), pass("second", 20, 66)],
        fruit: vec![
            RecordFruitRequest {
                set_n: Some(27),
                ..fruit("set", date(year, 3, 30))
            },
            RecordFruitRequest {
                harvested_n: Some(21),
                stones_n: Some(21),
                ..fruit("harvest", date(year, 6, 24))
            },
        ],
        seed: vec![
            seed("extracted", "", date(year, 6, 28), 20),
            seed("stratified", "", date(year, 7, 2), 20),
            seed("germinated", "", date(year, 10, 10), 14),
            seed("lost", "not_germinated", date(year, 10, 18), 6),
        ],
        seedlings: vec![PlantSeedlingsRequest {
            cross_id: cross.to_owned(),
            id: id("planting", ""),
            planted_n: PLANTED_N,
            block: "Old block".to_owned(),
            first_row: 1,
            on: date(year, 11, 12).to_string(),
            site: HOME_SITE.to_owned(),
            by: BY.to_owned(),
            ..Default::default()
        }],
        ..Default::default()
    }
}

/// The candidate with its way through the stages and its name.
async fn candidate(loading: &mut Loading<'_>, life: &Life, own: &str) -> Result<String, Fault> {
    let id = loading.id("candidate", &[NAME]);
    let request = RegisterCandidateRequest {
        id: id.clone(),
        germplasm_id: own.to_owned(),
        code: life.code("TH-"),
        cross_id: life.cross.clone(),
        crossing_year: Some(u32::from(life.crossed.unsigned_abs())),
        stage: "own_root".to_owned(),
        since: life.on(0, 11, 12).to_string(),
        ..Default::default()
    };
    let mut release = loading.release("rights").await?;
    release.register_candidate(request).await?;
    rights::tested(loading, &id).await?;
    for (stage, on, reason, evidence) in [
        (
            "budded",
            life.on(3, 10, 9),
            "sweetest and firmest of its family",
            "own-root trial, two seasons",
        ),
        (
            "multi_site",
            life.on(8, 10, 15),
            "held its quality in the second look",
            "budded trial at two sites, four seasons",
        ),
        (
            "pre_release",
            life.on(12, 11, 4),
            "best of its season for three years",
            "entry means of two sites over three seasons",
        ),
        (
            "released",
            life.on(15, 3, 20),
            "wood is clean and true to type",
            "virus test, budded trees true to type, nursery's report",
        ),
    ] {
        if stage == "released" {
            let states = ["checked", "published"];
            rights::name(loading, &id, NAME, &states, life.on(14, 2, 1)).await?;
        }
        let request = MoveCandidateRequest {
            id: loading.id("stage", &[NAME, stage]),
            candidate_id: id.clone(),
            stage: stage.to_owned(),
            on: on.to_string(),
            reason: reason.to_owned(),
            evidence: evidence.to_owned(),
        };
        let mut release = loading.release("rights").await?;
        release.move_candidate(request).await?;
    }
    Ok(id)
}

/// Its trials, own-root and budded, with what was decided there.
async fn trials(
    loading: &mut Loading<'_>,
    story: &Story,
    life: &Life,
    own: &str,
) -> Result<(), Fault> {
    let checks = |n: usize| -> Vec<String> {
        let names = CHECKS[..n].iter();
        names.map(|name| story.founder(name).id.clone()).collect()
    };
    let site = |loading: &Loading<'_>, name: &str| loading.id("site", &[name]);
    let (home, second) = (site(loading, HOME_SITE), site(loading, SECOND_SITE));
    let other = life.seedlings[CHOSEN + 1].clone();
    for (stage, planted_on, sites, entries, to_stage, decided_on) in [
        (
            "own_root",
            life.on(0, 11, 12),
            vec![home.clone()],
            life.seedlings.clone(),
            "budded",
            life.on(3, 10, 9),
        ),
        (
            "budded",
            life.on(4, 3, 5),
            vec![home, second],
            vec![own.to_owned(), other.clone()],
            "multi_site",
            life.on(8, 10, 15),
        ),
    ] {
        let open = OpenTrialRequest {
            id: loading.id("trial", &[NAME, stage]),
            name: format!("{} of {}", stage.replace('_', "-"), life.crossed),
            stage: stage.to_owned(),
            season: u32::from(planted_on.year().unsigned_abs()) + u32::from(stage == "own_root"),
            site_ids: sites,
            entry_ids: entries.clone(),
            check_ids: checks(2),
            planted_on: planted_on.to_string(),
            rootstock: if stage == "budded" {
                "Tannow clonal 4".to_owned()
            } else {
                String::new()
            },
            ..Default::default()
        };
        let design = if stage == "budded" {
            "rcbd"
        } else {
            "augmented"
        };
        let trial = loading.trial(open, design, 2, life.crossed).await?;
        let decisions = entries
            .iter()
            .map(|entry| {
                // Two went on from the seedlings, and one of them from the budded.
                let goes_on = entry == own || (stage == "own_root" && *entry == other);
                EntryDecision {
                    germplasm_id: entry.clone(),
                    decision: if goes_on { "advance" } else { "discard" }.to_owned(),
                    reason: if goes_on {
                        "sweet, firm and of good size in every season"
                    } else {
                        "surpassed by its sisters"
                    }
                    .to_owned(),
                }
            })
            .collect();
        let request = DecideEntriesRequest {
            trial_id: trial,
            id: loading.id("decision", &[NAME, stage]),
            decisions,
            to_stage: to_stage.to_owned(),
            on: decided_on.to_string(),
        };
        loading
            .evaluation("breeder")
            .await?
            .decide_entries(request)
            .await?;
    }
    Ok(())
}

/// Filing, first sale, grant, licence, assignment and the end.
async fn papers(loading: &mut Loading<'_>, life: &Life, candidate: &str) -> Result<(), Fault> {
    let filed_on = life.on(14, 11, 12);
    let filing = rights::file(
        loading,
        candidate,
        ("US", "plant_patent"),
        filed_on,
        "60/071,338",
        "",
    )
    .await?;
    rights::disclose(
        loading,
        candidate,
        "first_sale",
        life.on(15, 4, 2),
        "US",
        "trees sold to the first orchard",
    )
    .await?;
    rights::grant(loading, &filing, life.on(16, 6, 22), "PP 60,118").await?;
    let expired_on = filed_on.saturating_add(20.years());
    for (event, on, evidence) in [
        ("assignment", life.on(20, 1, 15), "reel 90118, frame 0277"),
        ("expiry", expired_on, "the office's own record"),
    ] {
        let request = RecordFilingEventRequest {
            id: loading.id("filing event", &[NAME, event]),
            filing_id: filing.clone(),
            event: event.to_owned(),
            on: on.to_string(),
            evidence: evidence.to_owned(),
            ..Default::default()
        };
        rights::done_once(
            loading
                .release("rights")
                .await?
                .record_filing_event(request)
                .await
                .map(drop),
        )?;
    }
    let nurseries = loading.organisations().await?;
    let licensee = nurseries
        .get(super::DEMO.nurseries[0].0)
        .or_else(|| nurseries.values().next())
        .cloned()
        .ok_or_else(|| Fault::state("the programme has no nursery"))?;
    let request = GrantLicenceRequest {
        id: loading.id("licence", &[NAME]),
        candidate_id: candidate.to_owned(),
        licensee_id: licensee,
        territory: vec!["US".to_owned()],
        purpose: "propagation".to_owned(),
        exclusive: true,
        starts_on: life.on(16, 7, 1).to_string(),
        ends_on: expired_on.to_string(),
        propagate_max_n: Some(200_000),
        royalty: Some(RoyaltyTerms {
            per: "tree".to_owned(),
            amount: "0.90".to_owned(),
            currency: "USD".to_owned(),
            ..Default::default()
        }),
        ..Default::default()
    };
    loading
        .release("rights")
        .await?
        .grant_licence(request)
        .await?;
    Ok(())
}
