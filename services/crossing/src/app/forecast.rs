//! When varieties will bloom, and how well such forecasts have done.

use std::collections::BTreeMap;

use contract::crossing::{
    BlindBloomForecast, BloomDateQuantiles, BloomForecast, BloomForecastList, BloomForecastScores,
    BloomRequirement, BloomStageScore, BloomVarietyScore, ForecastBloomRequest,
    IndicatorCalibration, IndicatorTree, RequirementEstimate, ScoreBloomForecastRequest,
};
use jiff::ToSpan as _;
use jiff::civil::Date;
use phenology::forecast::{
    BlindFrom, BlindScores, DateQuantiles, IndicatorReading, IndicatorShift, Outlook, PassPlan,
    PastSeason, score_blind,
};
use phenology::requirement::{
    BloomDates, BloomStage, ByStage, Estimate, FitSettings, FittedRequirement, RequirementPrior,
    SeasonCourse, SeasonRecord, fit_requirement,
};
use phenology::series::CompleteHours;
use platform::compute::{Settled, Work};
use platform::paging::Page;
use platform::{Fault, Fields, Unit};

use super::kept_forecasts;
use super::weather::{self, Station, season_year, winter_notes};
use crate::CrossingApp;
use crate::domain::forecast::{dates_seen, latest_seen, prior, season_of};
use crate::domain::windows::Note;
use crate::domain::winter::{Winter, season_days};
use crate::domain::{PlantId, PlantKind};
use crate::store::germplasm as plants;
use crate::store::weather as store;

/// Past winters looked back on at most.
const MOST_WINTERS: i16 = 40;
/// A past winter that begins later than this has missed too much chill to be used, days.
const LATE_START_DAYS: i64 = 31;
/// Refits when nothing is said, and at most.
const USUAL_DRAWS: u32 = 200;
const MOST_DRAWS: u32 = 1000;
/// When blind forecasts are made if nothing is said: mid-January in the north.
const USUAL_DAYS_INTO_SEASON: u32 = 105;
/// Varieties in one scoring at most.
const MOST_SCORED: i64 = 500;

/// A variety with its notes by season.
struct Variety {
    id: PlantId,
    name: String,
    number: String,
    prior: RequirementPrior,
    notes: Vec<String>,
    seen: BTreeMap<i16, BloomDates>,
}

/// Reads varieties with their notes at the station's site.
async fn varieties(
    unit: &mut Unit,
    station: &Station,
    ids: &[PlantId],
    until: Option<Date>,
) -> Result<Vec<Variety>, Fault> {
    let mut notes = store::bloom_notes(unit.connection(), ids, &station.row.site).await?;
    let rows = plants::find_all(unit.connection(), ids).await?;
    let mut found: BTreeMap<PlantId, Variety> = rows
        .into_iter()
        .map(|row| {
            let nectarine = row.loci.0.get("G").is_some_and(|genotype| genotype == "gg");
            let (prior, note) = prior(&row.species, nectarine);
            let mut by_season: BTreeMap<i16, Vec<Note>> = BTreeMap::new();
            for note in notes.remove(&row.id).unwrap_or_default() {
                if until.is_none_or(|until| note.on <= until) {
                    by_season
                        .entry(season_of(note.on, station.latitude))
                        .or_default()
                        .push(note);
                }
            }
            let seen = by_season
                .iter()
                .map(|(season, notes)| (*season, dates_seen(notes)))
                .collect();
            let (name, number) = (row.name, row.number);
            let notes = note.into_iter().collect();
            (
                row.id,
                Variety {
                    id: row.id,
                    name,
                    number,
                    prior,
                    notes,
                    seen,
                },
            )
        })
        .collect();
    Ok(ids.iter().filter_map(|id| found.remove(id)).collect())
}

/// The winters of a station that can be used, by season, and what was passed over.
fn winters(
    station: &Station,
    seasons: std::ops::RangeInclusive<i16>,
) -> (BTreeMap<i16, Winter>, Vec<String>) {
    let mut notes = Vec::new();
    let mut usable = BTreeMap::new();
    for season in seasons {
        let (Some(winter), Some((first, _))) = (
            station.winter(season),
            season_days(season, station.latitude),
        ) else {
            continue;
        };
        let late = winter.hours.start().date() > first.saturating_add(LATE_START_DAYS.days());
        if late {
            notes.push(format!(
                "the winter before {season} is passed over: its readings begin at {}",
                winter.hours.start()
            ));
        } else if !winter.hours.hours().is_empty() {
            usable.insert(season, winter);
        }
    }
    (usable, notes)
}

/// The seasons that a station's readings can tell of, up to one.
fn seasons_known(station: &weather::StationSpan, last: i16) -> std::ops::RangeInclusive<i16> {
    let first = station.first_year.max(last.saturating_sub(MOST_WINTERS));
    first..=last
}

/// Dates within the hours known of their season.
fn within(dates: &BloomDates, hours: &CompleteHours) -> BloomDates {
    let (from, to) = (hours.start().date(), hours.end().date());
    ByStage::from_fn(|stage| dates.get(stage).filter(|date| *date > from && *date < to))
}

fn any(dates: &BloomDates) -> bool {
    BloomStage::ALL
        .into_iter()
        .any(|stage| dates.get(stage).is_some())
}

/// All that a forecast rests on, apart from the database.
struct Ground {
    season: i16,
    outlook: Outlook,
    courses: BTreeMap<i16, (SeasonCourse, CompleteHours)>,
    settings: FitSettings,
    days_into_season: u16,
}

impl Ground {
    fn fit(&self, variety: &Variety) -> Result<FittedRequirement, String> {
        let records: Vec<SeasonRecord<'_>> = variety
            .seen
            .iter()
            .filter(|(season, _)| **season < self.season)
            .filter_map(|(season, dates)| {
                let (course, hours) = self.courses.get(season)?;
                let observed = within(dates, hours);
                any(&observed).then_some(SeasonRecord { course, observed })
            })
            .collect();
        fit_requirement(&records, &variety.prior, self.settings).map_err(|error| error.to_string())
    }

    fn seen(&self, variety: &Variety) -> BloomDates {
        variety.seen.get(&self.season).copied().unwrap_or_default()
    }

    /// What the indicator trees' bloom says of the season.
    fn calibrate(&self, trees: &[Variety]) -> (IndicatorShift, IndicatorCalibration) {
        let mut readings = Vec::new();
        let mut told = Vec::new();
        for tree in trees {
            let Some((stage, seen)) = latest_seen(&self.seen(tree)) else {
                continue;
            };
            let Ok(requirement) = self.fit(tree) else {
                continue;
            };
            let plain = self.outlook.forecast(
                &requirement,
                &BloomDates::default(),
                IndicatorShift::default(),
                PassPlan::default(),
                self.settings.seed,
            );
            let Some(forecast) = plain.stages.get(stage).p50 else {
                continue;
            };
            readings.push(IndicatorReading {
                forecast,
                observed: seen,
            });
            told.push(IndicatorTree {
                germplasm_id: tree.id.to_string(),
                name: tree.name.clone(),
                stage_bbch: stage.bbch().into(),
                forecast_on: forecast.to_string(),
                seen_on: seen.to_string(),
            });
        }
        let shift = IndicatorShift::from_readings(&readings);
        let calibration = IndicatorCalibration {
            shift_days: shift.days,
            standard_error_days: shift.standard_error_days,
            trees_n: u32::try_from(shift.trees_n).unwrap_or(u32::MAX),
            trees: told,
        };
        (shift, calibration)
    }

    fn forecast(&self, variety: &Variety, shift: IndicatorShift, scored: bool) -> BloomForecast {
        let mut told = BloomForecast {
            germplasm_id: variety.id.to_string(),
            name: variety.name.clone(),
            number: variety.number.clone(),
            notes: variety.notes.clone(),
            ..BloomForecast::default()
        };
        let requirement = match self.fit(variety) {
            Ok(requirement) => requirement,
            Err(problem) => {
                told.notes.push(format!("no forecast: {problem}"));
                return told;
            }
        };
        let seen = self.seen(variety);
        let found = self.outlook.forecast(
            &requirement,
            &seen,
            shift,
            PassPlan::default(),
            self.settings.seed,
        );
        told.stages = BloomStage::ALL
            .into_iter()
            .map(|stage| quantiles(stage, found.stages.get(stage), seen.get(stage)))
            .collect();
        told.low_chill_probability = found.low_chill_probability;
        told.mean_chill_shortfall = found.mean_chill_shortfall;
        told.mean_spread = found.mean_spread;
        if let Some(days) = found.bloom_days {
            told.bloom_days_p10 = Some(days.p10);
            told.bloom_days_p50 = Some(days.p50);
            told.bloom_days_p90 = Some(days.p90);
        }
        told.passes_expected_n = found.passes_expected_n;
        told.passes_at_most_n = found.passes_at_most_n;
        if requirement.seasons_n == 0 {
            told.notes.push(
                "no own notes of bloom with temperatures yet: published ranges alone".to_owned(),
            );
        }
        if found.low_chill_probability >= 0.5 {
            told.notes.push(format!(
                "chill is likely to end short: bloom is expected to last {:.1} times its usual length",
                found.mean_spread
            ));
        }
        if scored {
            match self.score(variety, self.season.saturating_sub(1)) {
                Ok((scores, _)) => told.scores = scores,
                Err(problem) => told.notes.push(format!("no score: {problem}")),
            }
        }
        told.requirement = Some(requirement_told(&requirement));
        told
    }

    /// Blind scores over seasons up to one, on the chosen day and with temperatures known.
    fn score(
        &self,
        variety: &Variety,
        until: i16,
    ) -> Result<(Vec<BloomStageScore>, Vec<BlindBloomForecast>), String> {
        let seasons: Vec<PastSeason> = variety
            .seen
            .range(..=until)
            .filter_map(|(season, dates)| {
                let (_, hours) = self.courses.get(season)?;
                let observed = within(dates, hours);
                any(&observed).then(|| PastSeason {
                    hours: hours.clone(),
                    observed,
                })
            })
            .collect();
        let mut told = (Vec::new(), Vec::new());
        for (word, from) in [
            (
                "days_into_season",
                BlindFrom::DaysIntoSeason(self.days_into_season),
            ),
            ("temperatures_known", BlindFrom::TemperaturesKnown),
        ] {
            let found =
                score_blind(&seasons, &variety.prior, from).map_err(|error| error.to_string())?;
            told.0.extend(scores_told(word, &found));
            told.1.extend(found.forecasts.iter().map(|forecast| {
                BlindBloomForecast {
                    season: seasons
                        .iter()
                        .find(|season| {
                            season.observed.get(forecast.stage) == &Some(forecast.observed)
                        })
                        .map_or(0, |season| i32::from(season.hours.end().year())),
                    stage_bbch: forecast.stage.bbch().into(),
                    from: word.to_owned(),
                    seen_on: forecast.observed.to_string(),
                    forecast_on: forecast
                        .forecast
                        .map(|date| date.to_string())
                        .unwrap_or_default(),
                    mean_date_on: forecast.mean_date.to_string(),
                }
            }));
        }
        Ok(told)
    }
}

fn scores_told(word: &str, scores: &BlindScores) -> Vec<BloomStageScore> {
    BloomStage::ALL
        .into_iter()
        .filter_map(|stage| scores.stages.get(stage).map(|score| (stage, score)))
        .map(|(stage, score)| BloomStageScore {
            stage_bbch: stage.bbch().into(),
            from: word.to_owned(),
            forecast_mae_days: score.forecast_mae_days,
            mean_date_mae_days: score.mean_date_mae_days,
            dates_n: u32::try_from(score.dates_n).unwrap_or(u32::MAX),
            unreached_n: u32::try_from(score.unreached_n).unwrap_or(u32::MAX),
        })
        .collect()
}

fn quantiles(stage: BloomStage, of: &DateQuantiles, seen: &Option<Date>) -> BloomDateQuantiles {
    let text = |day: Option<Date>| day.map(|day| day.to_string()).unwrap_or_default();
    BloomDateQuantiles {
        stage_bbch: stage.bbch().into(),
        p05: text(of.p05),
        p10: text(of.p10),
        p25: text(of.p25),
        p50: text(of.p50),
        p75: text(of.p75),
        p90: text(of.p90),
        p95: text(of.p95),
        seen_on: text(*seen),
    }
}

fn requirement_told(requirement: &FittedRequirement) -> BloomRequirement {
    let estimate = |of: &Estimate| {
        Some(RequirementEstimate {
            value: of.value,
            low: of.low,
            high: of.high,
        })
    };
    BloomRequirement {
        chill_cp: estimate(&requirement.chill_cp),
        heat_to_balloon_gdh_c: estimate(&requirement.heat_gdh.balloon),
        heat_to_full_bloom_gdh_c: estimate(&requirement.heat_gdh.full_bloom),
        heat_to_end_of_bloom_gdh_c: estimate(&requirement.heat_gdh.end_of_bloom),
        residual_sd_days: requirement.residual_sd_days,
        seasons_n: u32::try_from(requirement.seasons_n).unwrap_or(u32::MAX),
        dates_n: u32::try_from(requirement.dates_n).unwrap_or(u32::MAX),
        prior: requirement.prior.source.clone(),
    }
}

/// One plant, which must be known, or every plant with notes.
async fn asked(
    unit: &mut Unit,
    station: &Station,
    germplasm_id: &str,
    page: &Page,
) -> Result<(Vec<PlantId>, Option<String>), Fault> {
    if germplasm_id.is_empty() {
        let after = page.after_key()?;
        let site = &station.row.site;
        let ids = store::noted_plants(unit.connection(), site, after, page.fetch()).await?;
        return Ok(page.cut(ids, |id| *id));
    }
    let mut fields = Fields::new();
    let id = fields.id::<PlantKind>("germplasm_id", germplasm_id);
    fields.finish()?;
    let Some(id) = id else {
        return Err(Fault::field("/germplasm_id", "is required"));
    };
    if plants::find(unit.connection(), id).await?.is_none() {
        return Err(Fault::field(
            "/germplasm_id",
            format!("no plant {id} is known here"),
        ));
    }
    Ok((vec![id], None))
}

/// Forecasts bloom.
pub async fn forecast(
    app: &CrossingApp,
    unit: &mut Unit,
    request: ForecastBloomRequest,
) -> Result<Settled<BloomForecastList>, Fault> {
    let mut fields = Fields::new();
    let season = season_year(&mut fields, request.season);
    let as_of = fields.optional_date("as_of", &request.as_of);
    let draws_n = request.draws_n.unwrap_or(USUAL_DRAWS);
    fields.require(
        draws_n <= MOST_DRAWS,
        "draws_n",
        format!("{draws_n} is more than {MOST_DRAWS}; intervals hardly change beyond"),
    );
    fields.finish()?;
    let page = Page::parse(request.limit, &request.cursor)?;
    let row = weather::station(unit, &request.station_id).await?;
    let key = kept_forecasts::key(unit, row.id, &request).await?;
    if let Some(kept) = app.kept.forecasts.get(&key) {
        return Ok(kept.into());
    }
    let span = weather::StationSpan::of(&row);
    let known = seasons_known(&span, season);
    let station = Station::read(unit, row, *known.start(), season).await?;
    let (ids, next_cursor) = asked(unit, &station, &request.germplasm_id, &page).await?;
    let asked_for = varieties(unit, &station, &ids, as_of).await?;
    let trees = station.row.indicator_ids.clone();
    let trees = varieties(unit, &station, &trees, as_of).await?;
    let (from, last) = season_days(season, station.latitude)
        .ok_or_else(|| Fault::field("/season", "is outside 1901 to 2200"))?;

    let Some(mut now) = station
        .winter(season)
        .filter(|winter| !winter.hours.hours().is_empty())
    else {
        return Err(Fault::state(format!(
            "{} has no readings of the winter before the bloom of {season}; send them first",
            station.row.name
        )));
    };
    if let Some(as_of) = as_of {
        now = now.until(as_of);
        if now.hours.hours().is_empty() {
            return Err(Fault::field(
                "/as_of",
                format!("{as_of} is before the first reading of the season; choose a later day"),
            ));
        }
    }
    let with_scores = request.with_scores || !request.germplasm_id.is_empty();
    let settings = FitSettings {
        draws_n: draws_n as usize,
        seed: request.seed.unwrap_or(1),
        ..FitSettings::default()
    };
    let indicators = station.row.indicator_ids.clone();
    let keep = app.kept.clone();
    let reckon = Work::new(move |cancel| {
        let mut notes = winter_notes(&now, from);
        let (past, passed_over) = winters(&station, *known.start()..=season.saturating_sub(1));
        notes.extend(passed_over);
        let past_hours: Vec<CompleteHours> =
            past.values().map(|winter| winter.hours.clone()).collect();
        let whole = now.hours.end().date() > last;
        let outlook = if whole {
            Outlook::known(&now.hours)
        } else {
            Outlook::continued(&now.hours, &past_hours).unwrap_or_else(|error| {
                notes.push(format!(
                    "{error}; dates after the last reading are not foreseen"
                ));
                Outlook::known(&now.hours)
            })
        };
        let continued = outlook
            .courses()
            .iter()
            .any(|c| c.chill_cp().len() > now.hours.hours().len());
        let continuations_n = if continued {
            outlook.courses().len()
        } else {
            0
        };
        let courses = past
            .into_iter()
            .map(|(season, winter)| (season, (SeasonCourse::new(&winter.hours), winter.hours)))
            .collect();
        let ground = Ground {
            season,
            outlook,
            courses,
            settings,
            days_into_season: days_into(USUAL_DAYS_INTO_SEASON),
        };
        let (shift, calibration) = ground.calibrate(&trees);
        let mut items = Vec::with_capacity(asked_for.len());
        for variety in &asked_for {
            cancel.check()?;
            items.push(BloomForecast {
                indicator: indicators.contains(&variety.id),
                ..ground.forecast(variety, shift, with_scores)
            });
        }
        let found = BloomForecastList {
            season: season.into(),
            station_id: station.row.id.to_string(),
            station: station.row.name,
            known_until: now.hours.at(now.hours.hours().len() - 1).date().to_string(),
            chill_so_far_cp: ground.outlook.chill_so_far_cp(),
            continuations_n: u32::try_from(continuations_n).unwrap_or(u32::MAX),
            indicators: Some(calibration),
            items,
            notes,
            next_cursor,
        };
        keep.forecasts.insert(key, found.clone());
        Ok(found)
    });
    Ok(reckon.into())
}

fn days_into(days: u32) -> u16 {
    u16::try_from(days).unwrap_or(u16::MAX)
}

/// Scores past seasons blind.
pub async fn score(
    app: &CrossingApp,
    unit: &mut Unit,
    request: ScoreBloomForecastRequest,
) -> Result<Settled<BloomForecastScores>, Fault> {
    let mut fields = Fields::new();
    let days = request.days_into_season.unwrap_or(USUAL_DAYS_INTO_SEASON);
    fields.require(
        (1..=270).contains(&days),
        "days_into_season",
        format!("{days} is outside 1 to 270; 105 is mid-January in the north"),
    );
    if let Some(until) = request.until_season {
        season_year(&mut fields, until);
        fields.require(until != 0, "until_season", "is a year, as 2025");
    }
    fields.finish()?;
    let row = weather::station(unit, &request.station_id).await?;
    let key = kept_forecasts::key(unit, row.id, &request).await?;
    if let Some(kept) = app.kept.scores.get(&key) {
        return Ok(kept.into());
    }
    let span = weather::StationSpan::of(&row);
    let asked_until = request
        .until_season
        .and_then(|year| i16::try_from(year).ok());
    let until = asked_until.unwrap_or(span.last_year).min(span.last_year);
    let known = seasons_known(&span, until);
    let station = Station::read(unit, row, *known.start(), until).await?;
    let page = Page {
        limit: u32::try_from(MOST_SCORED).unwrap_or(500),
        after: None,
    };
    let (ids, _) = asked(unit, &station, &request.germplasm_id, &page).await?;
    let varieties = varieties(unit, &station, &ids, None).await?;
    let one = !request.germplasm_id.is_empty();
    let keep = app.kept.clone();
    let reckon = Work::new(move |cancel| {
        let (past, mut notes) = winters(&station, known);
        let Some(first) = past.values().next() else {
            return Err(Fault::state(format!(
                "{} has no whole winter of readings yet; send past ones first",
                station.row.name
            )));
        };
        let ground = Ground {
            season: until,
            outlook: Outlook::known(&first.hours),
            courses: past
                .into_iter()
                .map(|(season, winter)| (season, (SeasonCourse::new(&winter.hours), winter.hours)))
                .collect(),
            settings: FitSettings::default(),
            days_into_season: days_into(days),
        };
        let mut items = Vec::new();
        for variety in &varieties {
            cancel.check()?;
            match ground.score(variety, until) {
                Ok((stages, forecasts)) => items.push(BloomVarietyScore {
                    germplasm_id: variety.id.to_string(),
                    name: variety.name.clone(),
                    seasons_n: u32::try_from(
                        forecasts
                            .iter()
                            .map(|f| f.season)
                            .collect::<std::collections::BTreeSet<_>>()
                            .len(),
                    )
                    .unwrap_or(u32::MAX),
                    stages,
                    forecasts,
                }),
                Err(problem) if one => notes.push(format!("{}: {problem}", variety.name)),
                Err(_) => {}
            }
        }
        let left_out = varieties.len() - items.len();
        if left_out > 0 && !one {
            notes.push(format!(
                "{left_out} varieties have too few seasons of notes to be scored"
            ));
        }
        let scored = BloomForecastScores {
            station_id: station.row.id.to_string(),
            station: station.row.name,
            days_into_season: days,
            overall: overall(&items),
            items,
            notes,
        };
        keep.scores.insert(key, scored.clone());
        Ok(scored)
    });
    Ok(reckon.into())
}

/// Scores over all varieties, each date counting once.
fn overall(items: &[BloomVarietyScore]) -> Vec<BloomStageScore> {
    let mut sums: BTreeMap<(String, u32), BloomStageScore> = BTreeMap::new();
    for stage in items.iter().flat_map(|item| &item.stages) {
        let sum = sums
            .entry((stage.from.clone(), stage.stage_bbch))
            .or_insert_with(|| BloomStageScore {
                stage_bbch: stage.stage_bbch,
                from: stage.from.clone(),
                ..BloomStageScore::default()
            });
        let n = f64::from(stage.dates_n);
        sum.forecast_mae_days += n * stage.forecast_mae_days;
        sum.mean_date_mae_days += n * stage.mean_date_mae_days;
        sum.dates_n += stage.dates_n;
        sum.unreached_n += stage.unreached_n;
    }
    sums.into_values()
        .map(|sum| {
            let n = f64::from(sum.dates_n.max(1));
            BloomStageScore {
                forecast_mae_days: sum.forecast_mae_days / n,
                mean_date_mae_days: sum.mean_date_mae_days / n,
                ..sum
            }
        })
        .collect()
}
