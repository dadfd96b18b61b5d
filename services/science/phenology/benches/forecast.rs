//! A morning's forecasts for 150 varieties: each requirement fitted to 15 seasons with 200 refits,
//! each bloom forecast over 30 continuations, against the chill and heat courses of those seasons.

use jiff::civil::date;
use phenology::forecast::{IndicatorShift, Outlook, PassPlan};
use phenology::requirement::{
    BloomDates, ByStage, FitSettings, FittedRequirement, LowChill, Need, RequirementPrior,
    SeasonCourse, SeasonRecord, Species, fit_requirement,
};
use phenology::series::CompleteHours;
use phenology::temperature::Celsius;
use std::f64::consts::PI;
use std::hint::black_box;
use std::time::{Duration, Instant};

const VARIETIES: u32 = 150;
const SEASONS: i16 = 15;
const CONTINUATIONS: i16 = 30;

fn season(start_year: i16) -> CompleteHours {
    let odd = f64::from(start_year).sin();
    let hours = (0..243 * 24)
        .map(|h| {
            let day = f64::from(h) / 24.0;
            let year = -7.5 * (2.0 * PI * (day - 107.0) / 365.0).cos();
            let weather = 3.0 * (day / (4.0 + odd) + odd * 9.0).sin();
            let clock = 6.0 * (2.0 * PI * (f64::from(h % 24) - 15.0) / 24.0).cos();
            Celsius::new(13.5 + odd + year + weather + clock).expect("a temperature")
        })
        .collect();
    CompleteHours::new(date(start_year, 10, 1).at(0, 0, 0, 0), hours)
}

fn timed<T>(work: impl FnOnce() -> T) -> (T, Duration) {
    let start = Instant::now();
    let result = black_box(work());
    (result, start.elapsed())
}

fn main() {
    let past: Vec<CompleteHours> = (0..CONTINUATIONS).map(|i| season(1990 + i)).collect();
    let (courses, baseline) = timed(|| past.iter().map(SeasonCourse::new).collect::<Vec<_>>());
    println!("baseline: chill and heat courses of {CONTINUATIONS} seasons in {baseline:.2?}");
    let report = |name: &str, time: Duration| {
        println!(
            "{name}: {time:.2?}, {:.0} times the baseline",
            time.div_duration_f64(baseline)
        );
    };

    let fit = |variety: u32| -> FittedRequirement {
        let heat = 4000.0 + 10.0 * f64::from(variety);
        let truth = Need {
            chill_cp: 25.0 + 0.2 * f64::from(variety),
            heat_gdh: ByStage {
                balloon: heat,
                full_bloom: heat + 900.0,
                end_of_bloom: heat + 2600.0,
            },
        };
        let records: Vec<SeasonRecord<'_>> = courses[..SEASONS.unsigned_abs().into()]
            .iter()
            .map(|course| {
                let days = course.reaches(&truth, LowChill::default()).days;
                let observed = ByStage::from_fn(|s| days.get(s).map(|d| course.date_after(d)));
                SeasonRecord { course, observed }
            })
            .collect();
        let prior = RequirementPrior::of(Species::Peach);
        fit_requirement(&records, &prior, FitSettings::default()).expect("a fit")
    };
    let (requirements, time) = timed(|| (0..VARIETIES).map(fit).collect::<Vec<_>>());
    report(&format!("fits of {VARIETIES} varieties"), time);

    let now = season(2025).until(date(2026, 1, 15).at(0, 0, 0, 0));
    let (outlook, time) = timed(|| Outlook::continued(&now, &past).expect("an outlook"));
    report("outlook of the station", time);
    let forecast = |requirement: &FittedRequirement| {
        let (shift, passes) = (IndicatorShift::default(), PassPlan::default());
        outlook.forecast(requirement, &BloomDates::default(), shift, passes, 1)
    };
    let (_, time) = timed(|| requirements.iter().map(forecast).collect::<Vec<_>>());
    report(&format!("forecasts of {VARIETIES} varieties"), time);
}
