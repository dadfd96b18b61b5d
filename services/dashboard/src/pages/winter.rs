//! The winter as a station reads it: chill by day against earlier winters, and the bloom forecast
//! from it against the indicator trees.

use contract::crossing::crossing_client::CrossingClient;
use contract::crossing::{
    BloomForecast, BloomForecastList, BloomForecastScores, BloomStageScore, ForecastBloomRequest,
    IndicatorCalibration, ListWeatherStationsRequest, ScoreBloomForecastRequest, SeasonChill,
    SeasonChillRequest, WeatherStation,
};
use jiff::civil::Date;
use maud::{Markup, html};
use platform::peers::Authorised;

use super::Shown;
use crate::desk::Desk;
use crate::html::{
    Table, choice, count, day, facts, field, link, maybe_count, maybe_measure, notes, pager, part,
    text, word,
};
use crate::layout::Page;
use crate::picture::{Fill, Line, Lines, Stroke, UncertainDay, UncertainDays, UncertainRow};
use crate::trouble::Trouble;
use crate::words;

/// Chill models by their words, with the names for people.
const MODELS: [(&str, &str); 9] = [
    ("dynamic", "dynamic model, portions"),
    ("dynamic_skip_first", "dynamic model, first hour left out"),
    ("hours_0_7_2", "chill hours, 0 to 7.2 °C"),
    ("hours_below_7_2", "chill hours, at most 7.2 °C"),
    ("hours_strictly_below_7_2", "chill hours, below 7.2 °C"),
    ("utah", "Utah units"),
    (
        "utah_season_peak_negative",
        "Utah units from the deepest point",
    ),
    ("positive_utah", "positive Utah units by hour"),
    ("positive_utah_daily", "positive Utah units by day"),
];
/// Earlier winters shown beside the one asked for.
const EARLIER: [i32; 4] = [5, 10, 20, 50];
/// Varieties on one page of the forecast.
const VARIETIES: u32 = 25;

/// The station asked for, among all that there are; the first when none is named.
struct Stations {
    all: Vec<WeatherStation>,
    chosen: Option<WeatherStation>,
}

impl Stations {
    async fn read(desk: &Desk) -> Result<Self, Trouble> {
        let request = ListWeatherStationsRequest {
            limit: 200,
            ..ListWeatherStationsRequest::default()
        };
        let all = desk
            .crossing()?
            .list_weather_stations(request)
            .await?
            .into_inner()
            .items;
        let asked = desk.ask.text("station");
        let chosen = if asked.is_empty() {
            all.iter().max_by_key(|station| station.days_n).cloned()
        } else {
            let found = all.iter().find(|station| station.id == asked).cloned();
            Some(found.ok_or_else(|| Trouble::not_found("weather station", &asked))?)
        };
        Ok(Self { all, chosen })
    }

    fn choice(&self) -> Markup {
        let chosen = self.chosen.as_ref().map(|s| s.id.as_str());
        choice(
            "station",
            "Site and station",
            None,
            self.all
                .iter()
                .map(|s| (s.id.clone(), format!("{}, {}", s.site, s.name))),
            chosen.unwrap_or_default(),
        )
    }
}

/// The year of the bloom that a day's winter leads to.
fn season_of(day: Date, latitude_deg: f64) -> i32 {
    let next = latitude_deg >= 0.0 && day.month() >= 10;
    i32::from(day.year()) + i32::from(next)
}

/// The seasons that a station's readings reach into, first and last.
fn span(station: &WeatherStation) -> Option<(i32, i32)> {
    let year = |day: &str| {
        day.parse::<Date>()
            .ok()
            .map(|day| season_of(day, station.latitude_deg))
    };
    Some((year(&station.first_day)?, year(&station.last_day)?))
}

/// The season asked for, else the latest that has come to bloom or the present one.
fn season(desk: &Desk, station: &WeatherStation) -> Option<i32> {
    let (_, last) = span(station)?;
    Some(desk.ask.number("season").unwrap_or(last))
}

fn no_station() -> Markup {
    html! { p.quiet { "No weather station is registered, or none has readings. Register one and send its readings as CSV or through the API." } }
}

/// Chill of a season by day, against earlier winters.
pub async fn chill(desk: Desk) -> Shown {
    let stations = Stations::read(&desk).await?;
    let Some((station, season)) = stations
        .chosen
        .as_ref()
        .and_then(|station| Some((station, season(&desk, station)?)))
    else {
        return Ok(Page::new("Winter", no_station()));
    };
    let model = match desk.ask.text("model") {
        asked if asked.is_empty() => MODELS[0].0.to_owned(),
        asked => asked,
    };
    let earlier_n = desk.ask.number("earlier").unwrap_or(EARLIER[1]);
    let first = span(station).map_or(season, |(first, _)| first);
    let mut crossing = desk.crossing()?;
    let mut read = async |season: i32| {
        let request = SeasonChillRequest {
            station_id: station.id.clone(),
            season,
            model: model.clone(),
            ..SeasonChillRequest::default()
        };
        crossing.get_season_chill(request).await
    };
    let this = read(season).await;
    // Winters without readings lie between those with; they cost nothing and are passed over.
    let mut earlier = Vec::new();
    for year in (first..season).rev() {
        if earlier.len() >= usize::try_from(earlier_n).unwrap_or(0) {
            break;
        }
        if let Ok(chill) = read(year).await {
            earlier.push(chill.into_inner());
        }
    }
    Ok(Page::new(
        format!("Winter before the bloom of {season}"),
        html! {
            form.ask method="get" {
                (stations.choice())
                (field("season", "Year of the bloom", "number", &season.to_string()))
                (choice("model", "Model", None, MODELS.map(|(word, name)| (word.to_owned(), name.to_owned())), &model))
                (choice("earlier", "Earlier winters", None, EARLIER.map(|n| (n.to_string(), n.to_string())), &earlier_n.to_string()))
                button { "Show" }
            }
            p { a href={ "/bloom-forecast?station=" (station.id) "&season=" (season) } { "Bloom forecast from this winter" } }
            (part(this.map_err(Into::into), |reply| winter(&reply.into_inner(), &earlier)))
        },
    ))
}

fn unit(word: &str) -> &'static str {
    match word {
        "chill_hours" => "chill hours",
        "chill_units" => "chill units",
        "positive_chill_units" => "positive chill units",
        _ => "chill portions",
    }
}

/// The total of a winter up to a day of its season, counted from its first day.
fn total_on(chill: &SeasonChill, month: i8, of_month: i8) -> Option<f64> {
    let found = chill.days.iter().find(|d| {
        d.date
            .parse::<Date>()
            .is_ok_and(|day| (day.month(), day.day()) == (month, of_month))
    });
    found.map(|d| d.chill)
}

/// Whole days from the first possible day of the season.
fn day_of_season(chill: &SeasonChill, date: &str) -> Option<f64> {
    let day: Date = date.parse().ok()?;
    let year = i16::try_from(chill.season).ok()?;
    let northern = chill
        .days
        .first()
        .and_then(|d| d.date.parse::<Date>().ok())
        .is_some_and(|first| first.year() < year);
    let start = if northern {
        Date::new(year - 1, 10, 1).ok()?
    } else {
        Date::new(year, 4, 1).ok()?
    };
    Some(f64::from((day - start).get_days()))
}

fn months(chill: &SeasonChill) -> Vec<(f64, String)> {
    chill
        .days
        .iter()
        .filter_map(|d| {
            let day: Date = d.date.parse().ok()?;
            (day.day() == 1)
                .then(|| {
                    Some((
                        day_of_season(chill, &d.date)?,
                        day.strftime("%-d %b").to_string(),
                    ))
                })
                .flatten()
        })
        .collect()
}

fn winter(this: &SeasonChill, earlier: &[SeasonChill]) -> Markup {
    let unit = unit(&this.unit);
    let ends: Vec<f64> = earlier.iter().map(|w| w.total).collect();
    let mean = (!ends.is_empty()).then(|| ends.iter().sum::<f64>() / ends.len() as f64);
    html! {
        ul.big {
            li { strong { (words::measure(this.total)) } span { (unit) } }
            li { strong { (words::measure(this.heat_gdh_c / 1000.0)) } span { "thousand growing degree hours, °C" } }
            @if let Some(mean) = mean {
                li { strong { (words::measure(mean)) } span { "mean of " (words::some(earlier.len() as u64, "earlier winter", "earlier winters")) " at their ends" } }
            }
            li { strong { (words::count(this.filled_n)) } span { "of " (words::count(this.hours_n)) " hours filled" } }
        }
        p { "Counted from " (this.from.replace('T', " ")) " to " (this.until.replace('T', " ")) ", standard time; read as: " (this.reading) "." }
        (notes(&this.notes))
        h2 { "Chill by day" }
        (lines(this, earlier, unit))
        h2 { "Hours that were not measured" }
        (Table::new("Hours that were filled").text("From").number("Hours").text("Filled by").or_say("Every hour was measured.")
            .rows(&this.fills, |f| vec![text(f.from.replace('T', " ")), count(f.hours_n), word(&f.how)]).show())
        h2 { "Day by day" }
        details {
            summary { "Chill, heat and temperatures of each day" }
            (Table::new("Day by day").text("Day").number(unit).number("Heat, °C·h").number("Lowest, °C").number("Highest, °C").number("Hours filled")
                .rows(&this.days, |d| vec![
                    day(&d.date), text(words::measure(d.chill)), text(words::measure(d.heat_gdh_c)), text(words::measure(d.min_c)), text(words::measure(d.max_c)), count(d.filled_n),
                ]).show())
        }
    }
}

fn lines(this: &SeasonChill, earlier: &[SeasonChill], unit: &str) -> Markup {
    let line = |chill: &SeasonChill, stroke| Line {
        label: chill.season.to_string(),
        points: chill
            .days
            .iter()
            .filter_map(|d| Some((day_of_season(chill, &d.date)?, d.chill)))
            .collect(),
        stroke,
    };
    let mut all: Vec<Line> = earlier.iter().map(|w| line(w, Stroke::Faint)).collect();
    all.push(line(this, Stroke::Strong));
    let whole = earlier.iter().max_by_key(|w| w.days.len());
    let longest = whole
        .filter(|w| w.days.len() > this.days.len())
        .unwrap_or(this);
    let picture = Lines {
        key: "chill".into(),
        title: format!(
            "Chill at {} before the bloom of {}",
            this.station, this.season
        ),
        description: format!(
            "{unit} by day; the heavy line is the winter before {}, the thin ones are earlier winters, each named at its end. All numbers are in the table.",
            this.season
        ),
        axes: ("day".into(), unit.to_owned()),
        across: months(longest),
        from_zero: true,
        lines: all,
        dots: Vec::new(),
    };
    let dates = [
        ("1 Nov", 11, 1),
        ("1 Dec", 12, 1),
        ("1 Jan", 1, 1),
        ("1 Feb", 2, 1),
        ("1 Mar", 3, 1),
    ];
    let mut table = Table::new("Chill by winter").text("Bloom of");
    for (name, ..) in dates {
        table = table.number(name);
    }
    let table = table.number("At its end").number("Hours filled").rows(
        std::iter::once(this).chain(earlier),
        |w| {
            let mut cells = vec![text(w.season.to_string())];
            cells.extend(
                dates
                    .iter()
                    .map(|(_, month, day)| maybe_measure(total_on(w, *month, *day))),
            );
            cells.push(text(words::measure(w.total)));
            cells.push(count(w.filled_n));
            cells
        },
    );
    match picture.draw() {
        Some(picture) => picture.figure(table.show()),
        None => table.show(),
    }
}

/// The bloom forecast of a season, with its score beside it.
pub async fn bloom(desk: Desk) -> Shown {
    let stations = Stations::read(&desk).await?;
    let Some((station, season)) = stations
        .chosen
        .as_ref()
        .and_then(|station| Some((station, season(&desk, station)?)))
    else {
        return Ok(Page::new("Bloom forecast", no_station()));
    };
    let as_of = desk.ask.text("as_of");
    let mut crossing = desk.crossing()?;
    let forecast = crossing
        .forecast_bloom(ForecastBloomRequest {
            season,
            station_id: station.id.clone(),
            as_of: as_of.clone(),
            with_scores: true,
            limit: VARIETIES,
            cursor: desk.ask.text("cursor"),
            ..ForecastBloomRequest::default()
        })
        .await;
    let forecast = match forecast {
        Ok(list) => Ok(with_indicators(&mut crossing, list.into_inner(), station, &as_of).await),
        Err(status) => Err(Trouble::from(status)),
    };
    let scores = crossing
        .score_bloom_forecast(ScoreBloomForecastRequest {
            station_id: station.id.clone(),
            until_season: Some(season - 1),
            ..ScoreBloomForecastRequest::default()
        })
        .await;
    Ok(Page::new(
        format!("Bloom forecast for {season}"),
        html! {
            form.ask method="get" {
                (stations.choice())
                (field("season", "Year of the bloom", "number", &season.to_string()))
                (field("as_of", "As it was known on", "date", &as_of))
                button { "Forecast" }
            }
            p { a href={ "/winter?station=" (station.id) "&season=" (season) } { "The winter that it rests on" } }
            (part(forecast, |reply| {
                html! { (foretold(&reply)) (pager(&desk.ask, reply.next_cursor.as_ref())) }
            }))
            h2 { "How such forecasts have done" }
            (part(scores.map_err(Into::into), |reply| scored(&reply.into_inner())))
        },
    ))
}

/// The forecast with those of the indicator trees before all others, on whatever page of the list
/// they stand.
async fn with_indicators(
    crossing: &mut CrossingClient<Authorised>,
    mut list: BloomForecastList,
    station: &WeatherStation,
    as_of: &str,
) -> BloomForecastList {
    for id in &station.indicator_ids {
        if list.items.iter().any(|item| item.germplasm_id == *id) {
            continue;
        }
        let request = ForecastBloomRequest {
            season: list.season,
            station_id: station.id.clone(),
            germplasm_id: id.clone(),
            as_of: as_of.to_owned(),
            ..ForecastBloomRequest::default()
        };
        if let Ok(of_tree) = crossing.forecast_bloom(request).await {
            list.items.extend(of_tree.into_inner().items);
        }
    }
    list
}

fn foretold(list: &BloomForecastList) -> Markup {
    let calibration = list.indicators.clone().unwrap_or_default();
    html! {
        (facts(vec![
            ("Temperatures known until", day(&list.known_until)),
            ("Chill so far", text(format!("{} portions", words::measure(list.chill_so_far_cp)))),
            ("What is left of the winter", if list.continuations_n == 0 { text("known to its end") } else { text(format!("as in {}", words::some(list.continuations_n, "past winter", "past winters"))) }),
            ("Indicator trees", if calibration.trees_n == 0 { text("none seen yet") } else { text(shift(&calibration)) }),
        ]))
        (notes(&list.notes))
        h2 { "Days of bloom by variety" }
        (stages(list))
        h2 { "Indicator trees" }
        (Table::new("Indicator trees").text("Tree").number("BBCH").text("Forecast").text("Seen").number("Later by, days").or_say("No indicator tree of this station has come to a stage yet; name them with the station.")
            .rows(&calibration.trees, |t| vec![
                link("/germplasm", &t.germplasm_id, &t.name),
                count(t.stage_bbch),
                day(&t.forecast_on),
                day(&t.seen_on),
                text(days_apart(&t.forecast_on, &t.seen_on).map(|n| n.to_string().replace('-', "−")).unwrap_or_default()),
            ]).show())
    }
}

fn shift(calibration: &IndicatorCalibration) -> String {
    let days = calibration.shift_days;
    let way = if days >= 0.0 { "later" } else { "earlier" };
    format!(
        "season runs {} days {way} (± {}) by {}",
        words::measure(days.abs()),
        words::measure(calibration.standard_error_days),
        words::some(calibration.trees_n, "tree", "trees")
    )
}

fn days_apart(from: &str, to: &str) -> Option<i32> {
    let (from, to): (Date, Date) = (from.parse().ok()?, to.parse().ok()?);
    Some((to - from).get_days())
}

const STAGES: [(u32, &str, Fill); 3] = [
    (59, "balloon stage (59)", Fill::Plain),
    (65, "full bloom (65)", Fill::Rising),
    (69, "end of bloom (69)", Fill::Level),
];

fn stages(list: &BloomForecastList) -> Markup {
    let mut items: Vec<&BloomForecast> = list.items.iter().collect();
    let middle = |f: &BloomForecast, bbch: u32| {
        f.stages
            .iter()
            .find(|s| s.stage_bbch == bbch)
            .map(|s| s.p50.clone())
            .filter(|day| !day.is_empty())
    };
    items.sort_by_key(|f| {
        let day = middle(f, 59).or_else(|| middle(f, 65));
        (day.is_none(), day, f.name.clone())
    });
    let table = forecast_table(&items);
    // Published ranges alone tell so little that their bars would leave no room for the others.
    let (drawn, left_out): (Vec<_>, Vec<_>) = items.iter().copied().partition(|f| {
        f.requirement
            .as_ref()
            .is_some_and(|needs| needs.seasons_n > 0)
    });
    let left_out = if left_out.is_empty() {
        String::new()
    } else {
        format!(
            " {} without own seasons of notes stand in the table alone.",
            words::some(left_out.len() as u64, "variety", "varieties")
        )
    };
    let picture = UncertainDays {
        key: "bloom".into(),
        title: format!("Bloom forecast for {} at {}", list.season, list.station),
        description: format!(
            "For each variety three bars, one below the other: balloon stage, full bloom, end of bloom. A bar holds nine tenths of the draws, its upright line is the median, an open square the day it was seen; to the right the passes expected.{left_out}"
        ),
        known_until: list.known_until.parse().ok(),
        rows: drawn
            .iter()
            .map(|f| row(f))
            .filter(|row| !row.days.is_empty())
            .collect(),
        legend: STAGES.map(|(_, name, fill)| (fill, name.to_owned())).into(),
    };
    match picture.draw() {
        Some(picture) => picture.figure(table.show()),
        None => table.show(),
    }
}

fn row(f: &BloomForecast) -> UncertainRow {
    let passes = match (f.passes_expected_n, f.passes_at_most_n) {
        (Some(expected), Some(most)) if most > expected => format!("{expected} to {most} passes"),
        (Some(expected), _) => words::some(expected, "pass", "passes"),
        _ => String::new(),
    };
    UncertainRow {
        label: if f.indicator {
            format!("{} (indicator)", f.name)
        } else {
            f.name.clone()
        },
        note: passes,
        days: STAGES
            .iter()
            .filter_map(|(bbch, what, fill)| {
                let stage = f.stages.iter().find(|s| s.stage_bbch == *bbch)?;
                Some(UncertainDay {
                    what: (*what).to_owned(),
                    from: stage.p05.parse().ok()?,
                    to: stage.p95.parse().ok(),
                    middle: stage.p50.parse().ok(),
                    seen: stage.seen_on.parse().ok(),
                    fill: *fill,
                })
            })
            .collect(),
    }
}

fn forecast_table(items: &[&BloomForecast]) -> Table {
    let mut table = Table::new("Bloom forecast by variety").text("Variety");
    for (_, name, _) in STAGES {
        table = table.text(words::title(name));
    }
    table
        .number("Days of bloom")
        .number("Spread")
        .number("Passes expected")
        .number("At most")
        .number("Chance of low chill")
        .number("Own seasons")
        .number("Chill need, portions")
        .number("Error, days")
        .number("Mean-date rule, days")
        .text("Heed")
        .stacking()
        .or_say("No variety of this site has notes of bloom yet.")
        .rows(items, |f| {
            let requirement = f.requirement.clone().unwrap_or_default();
            let score = f
                .scores
                .iter()
                .find(|s| s.stage_bbch == 65 && s.from == "days_into_season");
            let mut cells = vec![html! { (link("/germplasm", &f.germplasm_id, &f.name)) @if f.indicator { " (indicator)" } }];
            for (bbch, ..) in STAGES {
                let stage = f.stages.iter().find(|s| s.stage_bbch == bbch);
                cells.push(stage.map_or_else(|| text(""), |s| {
                    html! {
                        @if !s.seen_on.is_empty() { "seen " (day(&s.seen_on)) } @else if s.p50.is_empty() { "not within the season" } @else {
                            (day(&s.p50)) br; small.quiet { (words::day(&s.p05)) " to " (if s.p95.is_empty() { "beyond the season".to_owned() } else { words::day(&s.p95) }) }
                        }
                    }
                }));
            }
            cells.extend([
                maybe_measure(f.bloom_days_p50),
                text(format!("× {}", words::measure(f.mean_spread))),
                maybe_count(f.passes_expected_n),
                maybe_count(f.passes_at_most_n),
                text(words::percent(f.low_chill_probability)),
                count(requirement.seasons_n),
                requirement.chill_cp.map_or_else(|| text(""), |cp| {
                    html! { (words::measure(cp.value)) br; small.quiet { (words::measure(cp.low)) " to " (words::measure(cp.high)) } }
                }),
                maybe_measure(score.map(|s| s.forecast_mae_days)),
                maybe_measure(score.map(|s| s.mean_date_mae_days)),
                notes(&f.notes),
            ]);
            cells
        })
}

fn scored(scores: &BloomForecastScores) -> Markup {
    let from = |s: &BloomStageScore| match s.from.as_str() {
        "temperatures_known" => "temperatures of the spring known".to_owned(),
        _ => format!("{} days into the season", scores.days_into_season),
    };
    html! {
        p {
            "Each past season was forecast without its own dates; the error is the mean of absolute differences in days, beside that of the rule that a variety blooms on the mean date of its other seasons."
        }
        @for verdict in verdicts(scores) { p { strong { (verdict) } } }
        (Table::new("Blind errors over all varieties").text("Stage").text("Forecast made").number("Forecast, days").number("Mean-date rule, days").number("Better by, days").number("Dates").number("Not reached").or_say("Too few seasons of notes to score a forecast yet.")
            .rows(&scores.overall, |s| vec![
                text(format!("BBCH {}", s.stage_bbch)),
                text(from(s)),
                text(words::measure(s.forecast_mae_days)),
                text(words::measure(s.mean_date_mae_days)),
                text(words::measure(s.mean_date_mae_days - s.forecast_mae_days)),
                count(s.dates_n),
                count(s.unreached_n),
            ]).show())
        (notes(&scores.notes))
        details {
            summary { "Each season and variety" }
            (Table::new("Seasons forecast blind").text("Variety").number("Season").number("BBCH").text("Forecast made").text("Seen").text("Forecast").text("Mean date")
                .rows(scores.items.iter().flat_map(|item| item.forecasts.iter().map(move |f| (item, f))), |(item, f)| vec![
                    link("/germplasm", &item.germplasm_id, &item.name),
                    text(f.season.to_string()),
                    count(f.stage_bbch),
                    text(words::plain(&f.from)),
                    day(&f.seen_on),
                    day(&f.forecast_on),
                    day(&f.mean_date_on),
                ]).show())
        }
    }
}

/// Whether the forecast is better than the mean-date rule, said plainly either way.
fn verdicts(scores: &BloomForecastScores) -> Vec<String> {
    scores
        .overall
        .iter()
        .filter(|s| s.stage_bbch == 65)
        .map(|s| {
            let better = s.mean_date_mae_days - s.forecast_mae_days;
            let when = if s.from == "temperatures_known" {
                "With the spring’s temperatures known".to_owned()
            } else {
                format!("{} days into the season", scores.days_into_season)
            };
            let judged = if better > 0.0 {
                format!(
                    "better than the mean date by {} days",
                    words::measure(better)
                )
            } else {
                format!(
                    "no better than the mean date, worse by {} days",
                    words::measure(-better)
                )
            };
            format!(
                "{when}, full bloom is forecast with a mean error of {} days: {judged}, over {}.",
                words::measure(s.forecast_mae_days),
                words::some(s.dates_n, "date", "dates")
            )
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use contract::crossing::ChillDay;

    fn chill(season: i32, days: &[(&str, f64)]) -> SeasonChill {
        SeasonChill {
            season,
            station: "Home & roof".into(),
            unit: "chill_portions".into(),
            total: days.last().map_or(0.0, |d| d.1),
            days: days
                .iter()
                .map(|(date, chill)| ChillDay {
                    date: (*date).to_owned(),
                    chill: *chill,
                    ..ChillDay::default()
                })
                .collect(),
            ..SeasonChill::default()
        }
    }

    #[test]
    fn a_winter_stands_beside_earlier_ones() {
        let this = chill(2026, &[("2025-10-01", 0.0), ("2025-11-01", 4.0)]);
        let earlier = chill(
            2025,
            &[
                ("2024-10-01", 0.0),
                ("2024-11-01", 6.0),
                ("2025-01-01", 30.0),
            ],
        );
        assert_eq!(day_of_season(&this, "2025-11-01"), Some(31.0));
        let shown = winter(&this, &[earlier]).into_string();
        for wanted in [
            "2026",
            "2025",
            "30.0",
            "Every hour was measured",
            "<polyline",
        ] {
            assert!(shown.contains(wanted), "{wanted} in {shown}");
        }
    }

    #[test]
    fn a_worse_forecast_is_told_as_such() {
        let score = |from: &str, forecast, mean| BloomStageScore {
            stage_bbch: 65,
            from: from.into(),
            forecast_mae_days: forecast,
            mean_date_mae_days: mean,
            dates_n: 12,
            unreached_n: 0,
        };
        let told = verdicts(&BloomForecastScores {
            days_into_season: 105,
            overall: vec![
                score("temperatures_known", 2.0, 5.0),
                score("days_into_season", 6.0, 5.0),
            ],
            ..BloomForecastScores::default()
        });
        assert!(
            told[0].contains("better than the mean date by 3.00 days"),
            "{told:?}"
        );
        assert!(told[1].contains("worse by 1.00 days"), "{told:?}");
    }

    #[test]
    fn a_forecast_row_has_its_three_stages_and_its_passes() {
        let stage = |bbch: u32, p95: &str| contract::crossing::BloomDateQuantiles {
            stage_bbch: bbch,
            p05: "2026-02-01".into(),
            p50: "2026-02-05".into(),
            p95: p95.into(),
            ..Default::default()
        };
        let f = BloomForecast {
            name: "Amber".into(),
            indicator: true,
            stages: vec![
                stage(59, "2026-02-09"),
                stage(65, "2026-02-12"),
                stage(69, ""),
            ],
            passes_expected_n: Some(6),
            passes_at_most_n: Some(8),
            ..BloomForecast::default()
        };
        let row = row(&f);
        assert_eq!(row.note, "6 to 8 passes");
        assert_eq!(row.days.len(), 3);
        assert_eq!(row.days[2].to, None);
        let shown = forecast_table(&[&f]).show().into_string();
        assert!(shown.contains("beyond the season") && shown.contains("(indicator)"));
    }
}
