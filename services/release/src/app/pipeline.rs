//! The pipeline as a whole, and its forecast.

use std::collections::BTreeMap;

use contract::release::{
    BackTest, BackTestYear, Bottleneck, GetForecastRequest, GetPipelineRequest, Pipeline,
    PipelineYear, ReleaseForecast, ReleaseYear, SeasonsToRelease, StageCount, StageFlow, StageStep,
    TerritoryLicences,
};
use jiff::ToSpan as _;
use platform::database::Day;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};
use rights::CAUTION;

use super::{asked, due_dates, shown};
use crate::ReleaseApp;
use crate::domain::CandidateId;
use crate::domain::forecast::{self, History, Move};
use crate::domain::stage::Stage;
use crate::store::{candidates, pipeline};

/// Days ahead within which dates count as soon.
const SOON_DAYS: u32 = 180;
/// Most dates told as due soon.
const SOON_MAX: usize = 100;

/// The pipeline as of a day.
pub async fn get(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: GetPipelineRequest,
) -> Result<Pipeline, Fault> {
    let mut fields = Fields::new();
    let as_of = asked::as_of(&mut fields, &request.as_of, unit.today());
    let soon_days = match request.soon_days {
        0 => SOON_DAYS,
        days => days,
    };
    let soon_days = fields.count("soon_days", soon_days, 1, 3660);
    fields.finish()?;
    let programme = unit.programme()?;
    let day = Day(as_of);
    let counted = pipeline::counts(unit.connection(), programme, day).await?;
    let seasons = pipeline::seasons_to_release(unit.connection(), programme, day).await?;
    let flows = pipeline::flows(unit.connection(), programme, day).await?;
    let territories = pipeline::licences_by_territory(unit.connection(), programme, day).await?;
    let until = as_of.saturating_add(i64::from(soon_days).days());
    let mut due_soon = due_dates::open(unit, programme, None, None, as_of, Some(until)).await?;
    due_soon.truncate(SOON_MAX);

    let stages: Vec<String> = Stage::ALL
        .iter()
        .map(|(_, word)| (*word).to_owned())
        .collect();
    let mut years: BTreeMap<Option<u32>, BTreeMap<String, i64>> = BTreeMap::new();
    let mut totals: BTreeMap<String, i64> = BTreeMap::new();
    for (year, stage, n) in counted {
        let year = year.and_then(|year| u32::try_from(year).ok());
        *totals.entry(stage.clone()).or_default() += n;
        *years.entry(year).or_default().entry(stage).or_default() += n;
    }
    let counts = |by_stage: &BTreeMap<String, i64>| {
        stages
            .iter()
            .map(|stage| StageCount {
                stage: stage.clone(),
                candidates_n: shown::count(by_stage.get(stage).copied().unwrap_or(0)),
            })
            .collect::<Vec<_>>()
    };
    Ok(Pipeline {
        as_of: as_of.to_string(),
        years: years
            .iter()
            .map(|(crossing_year, by_stage)| PipelineYear {
                crossing_year: *crossing_year,
                counts: counts(by_stage),
            })
            .collect(),
        totals: counts(&totals),
        seasons_to_release: Some(seasons_told(&seasons)),
        due_soon,
        licences_by_territory: territories
            .into_iter()
            .map(
                |(territory, licences, exclusive, about)| TerritoryLicences {
                    territory,
                    licences_n: shown::count(licences),
                    exclusive_n: shown::count(exclusive),
                    candidates_n: shown::count(about),
                },
            )
            .collect(),
        flows: flows
            .into_iter()
            .map(|(from_stage, to_stage, n)| StageFlow {
                from_stage,
                to_stage,
                moves_n: shown::count(n),
            })
            .collect(),
        stages,
        caution: CAUTION.to_owned(),
    })
}

/// Over seasons in ascending order.
fn seasons_told(seasons: &[i32]) -> SeasonsToRelease {
    let n = seasons.len();
    let count = |seasons: Option<&i32>| seasons.and_then(|s| u32::try_from(*s).ok());
    SeasonsToRelease {
        released_n: u32::try_from(n).unwrap_or(u32::MAX),
        median: (n > 0).then(|| f64::from(seasons[(n - 1) / 2] + seasons[n / 2]) / 2.0),
        mean: (n > 0).then(|| seasons.iter().copied().map(f64::from).sum::<f64>() / n as f64),
        least: count(seasons.first()),
        most: count(seasons.last()),
    }
}

/// Releases to expect.
pub async fn forecast(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: GetForecastRequest,
) -> Result<ReleaseForecast, Fault> {
    let or = |asked: u32, otherwise: u32| if asked == 0 { otherwise } else { asked };
    let (years, runs) = (or(request.years, 10), or(request.runs, 4000));
    let mut fields = Fields::new();
    fields.count("years", years, 1, 30);
    fields.count("runs", runs, 100, 20_000);
    let as_of = asked::as_of(&mut fields, &request.as_of, unit.today());
    fields.finish()?;
    let programme = unit.programme()?;
    let mut by_candidate: BTreeMap<CandidateId, Vec<Move>> = BTreeMap::new();
    for (candidate, to, on, reversal) in candidates::all_moves(unit.connection(), programme).await?
    {
        if let Some(to) = Stage::from_word(&to) {
            let made = Move {
                to,
                on: on.0,
                reversal,
            };
            by_candidate.entry(candidate).or_default().push(made);
        }
    }
    let moves: Vec<Vec<Move>> = by_candidate.into_values().collect();
    let seed = request.seed;
    // Thousands of runs are arithmetic, which must not hold up those who wait for the database.
    let (made, tested) = tokio::task::spawn_blocking(move || {
        let history = History::read(&moves, as_of);
        (
            forecast::forecast(&history, years, runs, seed),
            forecast::back_test(&moves, as_of, runs, seed),
        )
    })
    .await
    .map_err(Fault::internal)?;
    let year_of = |year: i16| u32::try_from(year).unwrap_or(0);
    let longest = made
        .loads
        .iter()
        .map(|load| load.share_of_time)
        .fold(0.0, f64::max);
    Ok(ReleaseForecast {
        as_of: as_of.to_string(),
        seed,
        runs,
        releases: made
            .releases
            .into_iter()
            .map(|(year, n)| ReleaseYear {
                year: year_of(year),
                mean: n.mean,
                median: n.median,
                low_50: n.half.0,
                high_50: n.half.1,
                low_90: n.most.0,
                high_90: n.most.1,
                chance_any: n.chance_any,
            })
            .collect(),
        steps: made
            .steps
            .into_iter()
            .map(|step| StageStep {
                from_stage: step.from.word().to_owned(),
                to_stage: step.to.word().to_owned(),
                advanced_n: step.advanced_n,
                withdrawn_n: step.withdrawn_n,
                waiting_n: step.waiting_n,
                prior_alpha: step.prior.0,
                prior_beta: step.prior.1,
                chance_mean: step.chance.mean,
                chance_low_90: step.chance.most.0,
                chance_high_90: step.chance.most.1,
                years_mean: step.years.mean,
                years_low_90: step.years.most.0,
                years_high_90: step.years.most.1,
                prior_source: forecast::PRIOR_SOURCE.to_owned(),
            })
            .collect(),
        bottlenecks: made
            .loads
            .into_iter()
            .map(|load| Bottleneck {
                stage: load.stage.word().to_owned(),
                waiting_n: load.waiting_n,
                peak_mean: load.peak.0,
                peak_year: year_of(load.peak.1),
                share_of_time: load.share_of_time,
                note: if load.share_of_time >= longest {
                    "candidates spend most of their time here".to_owned()
                } else {
                    String::new()
                },
            })
            .collect(),
        back_test: tested.map(|(from, years)| BackTest {
            from: from.to_string(),
            within_90_n: u32::try_from(years.iter().filter(|y| y.within()).count()).unwrap_or(0),
            years_n: u32::try_from(years.len()).unwrap_or(0),
            years: years
                .into_iter()
                .map(|tested| BackTestYear {
                    year: year_of(tested.year),
                    mean: tested.forecast.mean,
                    low_90: tested.forecast.most.0,
                    high_90: tested.forecast.most.1,
                    released_n: tested.released_n,
                })
                .collect(),
        }),
        assumptions: forecast::assumptions(),
    })
}
