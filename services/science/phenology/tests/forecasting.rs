//! Requirements learned from bloom made by a known requirement, and forecasts scored on it.

mod common;

use common::winter;
use jiff::ToSpan as _;
use phenology::forecast::{
    BlindFrom, ForecastError, IndicatorReading, IndicatorShift, Outlook, PassPlan, PastSeason,
    score_blind,
};
use phenology::requirement::{
    BloomDates, BloomStage, ByStage, FitError, FitSettings, LowChill, Need, RequirementPrior,
    SeasonCourse, SeasonRecord, Species, fit_requirement,
};
use phenology::series::CompleteHours;
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

const TRUTH: Need = Need {
    chill_cp: 46.0,
    heat_gdh: ByStage {
        balloon: 4700.0,
        full_bloom: 5600.0,
        end_of_bloom: 7300.0,
    },
};

/// Seasons with the dates the truth gives, each a day or so off.
fn seasons(n: u64, mean_c: f64) -> Vec<PastSeason> {
    let mut rng = ChaCha8Rng::seed_from_u64(99);
    (0..n)
        .map(|i| {
            let hours = winter(2000 + i as i16, mean_c, i);
            let course = SeasonCourse::new(&hours);
            let days = course.reaches(&TRUTH, LowChill::default()).days;
            let error = rng.random_range(-1.5..1.5);
            let observed = ByStage::from_fn(|s| days.get(s).map(|d| course.date_after(d + error)));
            PastSeason { hours, observed }
        })
        .collect()
}

fn fit(seasons: &[PastSeason], draws_n: usize) -> phenology::requirement::FittedRequirement {
    let courses: Vec<SeasonCourse> = seasons
        .iter()
        .map(|s| SeasonCourse::new(&s.hours))
        .collect();
    let records: Vec<SeasonRecord<'_>> = seasons
        .iter()
        .zip(&courses)
        .map(|(s, course)| SeasonRecord {
            course,
            observed: s.observed,
        })
        .collect();
    let settings = FitSettings {
        draws_n,
        ..FitSettings::default()
    };
    fit_requirement(&records, &RequirementPrior::of(Species::Peach), settings).unwrap()
}

#[test]
fn a_known_requirement_is_found_again() {
    let fitted = fit(&seasons(16, 13.5), 60);
    println!(
        "{:?} {:?} residual {}",
        fitted.chill_cp, fitted.heat_gdh, fitted.residual_sd_days
    );
    assert!(
        (fitted.chill_cp.low..=fitted.chill_cp.high).contains(&TRUTH.chill_cp),
        "{:?}",
        fitted.chill_cp
    );
    let full_bloom = fitted.heat_gdh.full_bloom;
    assert!(
        (full_bloom.low..=full_bloom.high).contains(&TRUTH.heat_gdh.full_bloom),
        "{full_bloom:?}"
    );
    assert!(fitted.residual_sd_days < 2.5, "{}", fitted.residual_sd_days);
    let prior = RequirementPrior::of(Species::Peach).chill_cp;
    assert!(fitted.chill_cp.high - fitted.chill_cp.low < prior.high - prior.low);
}

#[test]
fn without_records_the_requirement_is_the_published_range() {
    let fitted = fit(&[], 200);
    assert_eq!((fitted.seasons_n, fitted.dates_n), (0, 0));
    let prior = RequirementPrior::of(Species::Peach).chill_cp;
    assert_eq!(fitted.best.chill_cp, f64::midpoint(prior.low, prior.high));
    assert!(fitted.chill_cp.low < prior.low + 10.0 && fitted.chill_cp.high > prior.high - 10.0);
}

#[test]
fn the_same_seed_gives_the_same_fit() {
    let seasons = seasons(5, 13.5);
    assert_eq!(fit(&seasons, 10), fit(&seasons, 10));
}

#[test]
fn blind_forecasts_beat_the_mean_date() {
    let seasons = seasons(15, 13.5);
    let prior = RequirementPrior::of(Species::Peach);
    for (from, at_most) in [
        (BlindFrom::TemperaturesKnown, 0.5),
        (BlindFrom::DaysIntoSeason(130), 1.0),
    ] {
        let scores = score_blind(&seasons, &prior, from).unwrap();
        let score = scores.stages.full_bloom.unwrap();
        println!("{from:?}: {score:?}");
        assert_eq!(score.dates_n, 15);
        assert!(
            score.forecast_mae_days < at_most * score.mean_date_mae_days,
            "{from:?} {score:?}"
        );
    }
    assert!(matches!(
        score_blind(&seasons[..2], &prior, BlindFrom::TemperaturesKnown),
        Err(ForecastError::Fit(FitError::TooFewSeasons {
            seasons_n: 2,
            ..
        }))
    ));
}

#[test]
fn a_blind_forecast_does_not_see_the_dates_it_is_scored_on() {
    let prior = RequirementPrior::of(Species::Peach);
    let honest = seasons(8, 13.5);
    let mut moved = honest.clone();
    moved[3].observed.full_bloom = moved[3].observed.balloon;
    let of_season_3 = |seasons: &[PastSeason]| {
        let scores = score_blind(seasons, &prior, BlindFrom::DaysIntoSeason(120)).unwrap();
        let mut full_blooms = scores
            .forecasts
            .into_iter()
            .filter(|f| f.stage == BloomStage::FullBloom);
        full_blooms.nth(3).unwrap()
    };
    let (before, after) = (of_season_3(&honest), of_season_3(&moved));
    assert_ne!(before.observed, after.observed);
    assert_eq!(
        (before.forecast, before.mean_date),
        (after.forecast, after.mean_date)
    );
}

fn past(n: u64, mean_c: f64) -> Vec<CompleteHours> {
    (0..n)
        .map(|i| winter(1980 + i as i16, mean_c, 1000 + i))
        .collect()
}

#[test]
fn the_forecast_narrows_as_the_winter_runs_and_holds_the_truth() {
    let requirement = fit(&seasons(12, 13.5), 40);
    let season = winter(2030, 13.5, 77);
    let truth = SeasonCourse::new(&season);
    let truth_day = truth
        .reaches(&TRUTH, LowChill::default())
        .days
        .full_bloom
        .unwrap();
    let mut widths = Vec::new();
    for days in [60_i64, 150] {
        let so_far = season.until(season.start().saturating_add(days.days()));
        let outlook = Outlook::continued(&so_far, &past(12, 13.5)).unwrap();
        let forecast = outlook.forecast(
            &requirement,
            &BloomDates::default(),
            IndicatorShift::default(),
            PassPlan::default(),
            1,
        );
        let stage = forecast.stages.full_bloom;
        let (low, high) = (stage.p05.unwrap(), stage.p95.unwrap());
        assert!(
            (low..=high).contains(&truth.date_after(truth_day)),
            "{stage:?}"
        );
        assert_eq!((forecast.continuations_n, forecast.draws_n), (12, 40));
        assert!(forecast.stages.balloon.p50 < stage.p50);
        assert!(stage.p50 < forecast.stages.end_of_bloom.p50);
        widths.push(high.duration_since(low).as_hours() / 24);
    }
    println!("widths of the 90 % interval: {widths:?} days");
    assert!(widths[1] < widths[0], "{widths:?}");
}

#[test]
fn a_winter_short_of_chill_spreads_the_bloom_and_asks_for_more_passes() {
    let season = winter(2031, 18.0, 5);
    let supply_cp = SeasonCourse::new(&season).total_chill_cp();
    let forecast = |share_of_supply: f64| {
        let mut requirement = fit(&seasons(12, 13.5), 0);
        requirement.best.chill_cp = supply_cp * share_of_supply;
        Outlook::known(&season).forecast(
            &requirement,
            &BloomDates::default(),
            IndicatorShift::default(),
            PassPlan::default(),
            1,
        )
    };
    let (enough, short) = (forecast(0.99), forecast(1.6));
    assert_eq!(
        (enough.low_chill_probability, short.low_chill_probability),
        (0.0, 1.0)
    );
    assert_eq!(enough.mean_spread, 1.0);
    assert!(
        (short.mean_spread - 1.75).abs() < 1e-9,
        "{}",
        short.mean_spread
    );
    println!("{:?} against {:?}", enough.bloom_days, short.bloom_days);
    assert!(short.stages.full_bloom.p50 > enough.stages.full_bloom.p50);
    assert!(short.bloom_days.unwrap().p50 > enough.bloom_days.unwrap().p50);
    assert!(short.passes_expected_n > enough.passes_expected_n);
}

#[test]
fn stages_seen_fix_what_follows() {
    let requirement = fit(&seasons(12, 13.5), 20);
    let outlook = Outlook::known(&winter(2032, 13.5, 6));
    let forecast = |seen: &BloomDates| {
        outlook
            .forecast(
                &requirement,
                seen,
                IndicatorShift::default(),
                PassPlan::default(),
                1,
            )
            .stages
    };
    let blind = forecast(&BloomDates::default());
    let seen_on = blind.balloon.p50.unwrap().saturating_add(6.days());
    let seen = forecast(&BloomDates {
        balloon: Some(seen_on),
        ..BloomDates::default()
    });
    assert_eq!(
        (seen.balloon.p05, seen.balloon.p95),
        (Some(seen_on), Some(seen_on))
    );
    assert!(seen.full_bloom.p50.unwrap() >= blind.full_bloom.p50.unwrap().saturating_add(4.days()));
}

#[test]
fn indicator_trees_move_the_forecast() {
    let season = winter(2033, 13.5, 8);
    let forecast_on = season.start().date();
    let late = |n: usize| {
        let reading = IndicatorReading {
            forecast: forecast_on,
            observed: forecast_on.saturating_add(5.days()),
        };
        IndicatorShift::from_readings(&vec![reading; n])
    };
    assert_eq!(late(0).days, 0.0);
    assert!(late(1).days > 2.0 && late(1).days < late(6).days && late(6).days < 5.0);
    assert!(late(6).standard_error_days < late(1).standard_error_days);
}

#[test]
fn impossible_records_are_named() {
    let hours = winter(2010, 13.5, 3);
    let course = SeasonCourse::new(&hours);
    let prior = RequirementPrior::of(Species::Apricot);
    let refused = |observed| {
        fit_requirement(
            &[SeasonRecord {
                course: &course,
                observed,
            }],
            &prior,
            FitSettings::default(),
        )
        .unwrap_err()
    };
    let day = |n: i64| Some(hours.start().date().saturating_add(n.days()));
    assert!(matches!(
        refused(BloomDates {
            full_bloom: day(400),
            ..BloomDates::default()
        }),
        FitError::OutsideSeason {
            stage: BloomStage::FullBloom,
            ..
        }
    ));
    assert!(matches!(
        refused(BloomDates {
            balloon: day(150),
            full_bloom: day(140),
            end_of_bloom: None
        }),
        FitError::OutOfOrder { .. }
    ));
}

#[test]
fn a_forecast_needs_a_season_to_continue_with() {
    let season = winter(2034, 13.5, 9);
    assert!(matches!(
        Outlook::continued(&season, &[]),
        Err(ForecastError::NothingToContinueWith { past_n: 0, .. })
    ));
}
