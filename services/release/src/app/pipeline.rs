//! The pipeline as a whole.

use std::collections::BTreeMap;

use contract::release::{
    GetPipelineRequest, Pipeline, PipelineYear, SeasonsToRelease, StageCount, StageFlow,
    TerritoryLicences,
};
use jiff::ToSpan as _;
use platform::database::Day;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};
use rights::CAUTION;

use super::{asked, due_dates, shown};
use crate::ReleaseApp;
use crate::domain::stage::Stage;
use crate::store::pipeline;

/// Days ahead within which dates count as soon.
const SOON_DAYS: u32 = 180;
/// Most dates told as due soon.
const SOON_MAX: usize = 100;

/// The pipeline as of a day.
pub async fn get(
    app: &ReleaseApp,
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
    due_dates::name_responsible(app, programme, &mut due_soon).await;

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
