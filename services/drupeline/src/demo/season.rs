//! What the demo's crossing house knows beside its crosses: weather stations with their winters,
//! and pollinizer trials.

use contract::crossing::{
    LoadWeatherCsvRequest, PlanPollinizerTrialRequest, PollinizerCount,
    RecordPollinizerCountsRequest, RegisterWeatherStationRequest,
};
use jiff::civil::{Date, date};
use phenology::hourly::DailyExtremes;
use platform::Fault;
use rand_distr::{Binomial, Distribution as _, Normal};

use super::biology::stream;
use super::climate::{self, LATITUDE_DEG};
use super::history::{CROSSING_HOUSE, INDICATORS, Story, TIME_ZONE};
use super::loading::Loading;

const SEED: u64 = 0x5ea_507;
/// The station that the forecast rests on, and the one at the gate that fills its gaps.
const ROOF: &str = "Bloom House roof";
pub(super) const GATE: &str = "Farm gate";
/// Seasons whose readings came hour by hour; earlier ones are daily extremes.
const HOURLY_SEASONS: usize = 2;

/// Registers the stations and sends their readings.
///
/// # Errors
/// When a use case refuses.
pub async fn winters(loading: &mut Loading<'_>, story: &Story) -> Result<(), Fault> {
    let roof = register(loading, story, ROOF, &INDICATORS).await?;
    let gate = register(loading, story, GATE, &[]).await?;
    let winters = story.winters();
    let daily_n = winters.len().saturating_sub(HOURLY_SEASONS);
    for (place, season) in winters.iter().enumerate() {
        let mut days = climate::days(*season);
        days.retain(|day| day.date < story.today());
        if days.is_empty() {
            continue;
        }
        // The logger stood still for some days, as loggers do: the gate fills what it can.
        let lost = (date(*season, 1, 10), date(*season, 1, 13));
        let is_lost = |day: Date| place + 2 == winters.len() && day >= lost.0 && day <= lost.1;
        let text = if place < daily_n {
            daily(days.iter().filter(|day| !is_lost(day.date)))
        } else {
            hourly(&days, is_lost)
        };
        send(loading, &roof, text).await?;
        let of_gate: Vec<DailyExtremes> = days
            .iter()
            .filter(|day| is_lost(day.date))
            .map(|day| DailyExtremes {
                min_c: day.min_c - 0.4,
                ..*day
            })
            .collect();
        if !of_gate.is_empty() {
            send(loading, &gate, daily(of_gate.iter())).await?;
        }
    }
    Ok(())
}

async fn register(
    loading: &mut Loading<'_>,
    story: &Story,
    name: &str,
    indicators: &[&str],
) -> Result<String, Fault> {
    let request = RegisterWeatherStationRequest {
        id: loading.id("station", &[name]),
        name: name.to_owned(),
        site: CROSSING_HOUSE.to_owned(),
        latitude_deg: Some(LATITUDE_DEG),
        time_zone: TIME_ZONE.to_owned(),
        indicator_ids: indicators
            .iter()
            .map(|name| story.founder(name).id.clone())
            .collect(),
        note: String::new(),
    };
    let mut field = loading.crossing("field").await?;
    let station = field.register_weather_station(request).await?.into_inner();
    Ok(station.id)
}

async fn send(loading: &mut Loading<'_>, station: &str, csv: String) -> Result<(), Fault> {
    let request = LoadWeatherCsvRequest {
        station_id: station.to_owned(),
        csv,
        source: "the programme’s own loggers".to_owned(),
        ..LoadWeatherCsvRequest::default()
    };
    let mut field = loading.crossing("field").await?;
    let reply = field.load_weather_csv(request).await?.into_inner();
    match reply.rejected.first() {
        None => Ok(()),
        Some(row) => Err(Fault::state(format!(
            "{} readings of the demo were rejected; the first, in row {}: {}",
            reply.rejected.len(),
            row.row,
            row.errors
                .first()
                .map_or("", |error| error.message.as_str())
        ))),
    }
}

fn daily<'a>(days: impl Iterator<Item = &'a DailyExtremes>) -> String {
    let lines = days.map(|day| format!("{},{:.1},{:.1}\n", day.date, day.min_c, day.max_c));
    format!("date,min_c,max_c\n{}", lines.collect::<String>())
}

/// Hours built from the days; three hours of one night are missing too.
fn hourly(days: &[DailyExtremes], is_lost: impl Fn(Date) -> bool) -> String {
    let hours = climate::hours(days);
    let mut text = String::from("at,temperature_c\n");
    for (index, temperature) in hours.hours().iter().enumerate() {
        let at = hours.at(index);
        let slept = (at.month(), at.day()) == (11, 9) && (2..5).contains(&at.hour());
        if !slept && !is_lost(at.date()) {
            text.push_str(&format!(
                "{},{:.1}\n",
                at.strftime("%Y-%m-%dT%H:%M"),
                temperature.value_c()
            ));
        }
    }
    text
}

/// A pollen in a trial with the set that it truly brings.
type Pollen = (&'static str, f64);

/// A trial whose answer is plain, and one that was counted too thinly to tell.
const TRIALS: [(&str, &[Pollen], u32, u32); 2] = [
    (
        "Thistledown",
        &[
            ("Ossian Red", 0.26),
            ("Nettle Lane", 0.12),
            ("Larkrise Gold", 0.10),
            ("Merrow Black", 0.06),
        ],
        5,
        140,
    ),
    (
        "Ambry",
        &[
            ("Suncroft", 0.20),
            ("Kilnstone", 0.17),
            ("Fenwick Honey", 0.16),
        ],
        2,
        45,
    ),
];
/// Standard deviation of a branch's set about its pollen's, as a share of it.
const AMONG_BRANCHES: f64 = 0.12;
/// Days from full bloom to the count of fruit.
const COUNTED_AFTER_DAYS: i64 = 40;

/// Plans and counts the pollinizer trials of the last season.
///
/// # Errors
/// When a use case refuses.
pub async fn pollinizers(loading: &mut Loading<'_>, story: &Story) -> Result<(), Fault> {
    let season = *story.years().end();
    for (mother, pollens, branches_n, flowers_n) in TRIALS {
        let mother = story.founder(mother);
        let counted_on = story
            .bloom(mother, season)
            .full_bloom
            .saturating_add(jiff::Span::new().days(COUNTED_AFTER_DAYS));
        if counted_on > story.today() {
            continue;
        }
        let id = loading.id("pollinizer trial", &[&mother.name]);
        let plan = PlanPollinizerTrialRequest {
            id: id.clone(),
            season: season.to_string(),
            germplasm_id: mother.id.clone(),
            pollen_parent_ids: pollens
                .iter()
                .map(|(name, _)| story.founder(name).id.clone())
                .collect(),
            isolation: "netted before balloon stage".to_owned(),
            objective: format!("a pollinizer to recommend for {}", mother.name),
            least_difference: Some(0.08),
        };
        let mut breeder = loading.crossing("breeder").await?;
        breeder.plan_pollinizer_trial(plan).await?;
        let mut rows = Vec::new();
        for (name, set) in pollens {
            for branch in 1..=branches_n {
                let branch = branch.to_string();
                let rng = &mut stream(SEED, &["branch", &mother.name, name, &branch]);
                let own = Normal::new(*set, set * AMONG_BRANCHES).map_or(*set, |n| n.sample(rng));
                let set_n = Binomial::new(u64::from(flowers_n), own.clamp(0.0, 1.0))
                    .map_or(0, |binomial| binomial.sample(rng));
                rows.push(PollinizerCount {
                    id: loading.id("pollinizer count", &[&mother.name, name, &branch]),
                    pollen_parent_id: story.founder(name).id.clone(),
                    branch: format!("{name} {branch}"),
                    flowers_n,
                    set_n: u32::try_from(set_n).unwrap_or(0),
                    ..PollinizerCount::default()
                });
            }
        }
        let counts = RecordPollinizerCountsRequest {
            pollinizer_trial_id: id,
            on: counted_on.to_string(),
            rows,
            by: "Ines Halvard".to_owned(),
        };
        let mut field = loading.crossing("field").await?;
        field.record_pollinizer_counts(counts).await?;
    }
    Ok(())
}
