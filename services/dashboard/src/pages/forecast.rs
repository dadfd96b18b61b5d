//! Releases to expect, and how earlier forecasts fared.

use contract::release::{BackTest, GetForecastRequest, ReleaseForecast};
use maud::{Markup, html};

use super::Shown;
use crate::desk::Desk;
use crate::html::{Table, choice, count, field, maybe_measure, notes, text, word};
use crate::layout::Page;
use crate::picture::{Columns, IntervalColumn};
use crate::words;

/// The forecast page.
pub async fn show(desk: Desk) -> Shown {
    let years = desk.ask.number::<u32>("years").unwrap_or(10);
    let seed = desk.ask.number::<u64>("seed").unwrap_or(1);
    let request = GetForecastRequest {
        seed,
        years,
        as_of: desk.ask.text("as_of"),
        runs: 0,
    };
    let forecast = desk.release()?.get_forecast(request).await?.into_inner();
    Ok(Page::new(
        "Forecast of releases",
        html! {
            form.ask method="get" {
                (field("as_of", "From what was known on", "date", &forecast.as_of))
                (choice("years", "Years ahead", None, [5, 10, 15, 20].map(|y| (y.to_string(), y.to_string())), &years.to_string()))
                (field("seed", "Seed of the draws", "number", &seed.to_string()))
                button { "Show" }
            }
            (releases(&forecast))
            h2 { "How earlier forecasts fared" }
            @match &forecast.back_test {
                Some(test) => (back_test(test)),
                None => p.quiet { "The history is too short to hold a forecast against what came." },
            }
            h2 { "Chances and times from stage to stage" }
            (Table::new("From stage to stage").text("From").text("To").number("Went on").number("Withdrawn").number("Waiting").number("Chance to go on").text("90 % interval").number("Years").text("90 % interval").text("Prior").stacking()
                .rows(&forecast.steps, |s| vec![
                    word(&s.from_stage),
                    word(&s.to_stage),
                    count(s.advanced_n),
                    count(s.withdrawn_n),
                    count(s.waiting_n),
                    text(words::percent(s.chance_mean)),
                    text(format!("{} to {}", words::percent(s.chance_low_90), words::percent(s.chance_high_90))),
                    text(words::measure(s.years_mean)),
                    text(format!("{} to {}", words::measure(s.years_low_90), words::measure(s.years_high_90))),
                    html! { "Beta(" (words::measure(s.prior_alpha)) ", " (words::measure(s.prior_beta)) "), " (s.prior_source) },
                ]).show())
            h2 { "Where candidates wait" }
            (Table::new("Places needed").text("Stage").number("There now").number("Most expected").number("In year").number("Share of the time to release").text("Note").stacking()
                .rows(&forecast.bottlenecks, |b| vec![
                    word(&b.stage), count(b.waiting_n), text(words::measure(b.peak_mean)), text(b.peak_year.to_string()), text(words::percent(b.share_of_time)), text(&b.note),
                ]).show())
            h2 { "What was assumed" }
            (notes(&forecast.assumptions))
        },
    ))
}

fn releases(forecast: &ReleaseForecast) -> Markup {
    let picture = Columns {
        key: "releases".into(),
        title: "Releases to expect in each year".into(),
        description: format!(
            "From what was known on {}, over {} with seed {}.",
            words::day(&forecast.as_of),
            words::some(forecast.runs, "run", "runs"),
            forecast.seed
        ),
        axis: "releases in the year".into(),
        columns: forecast
            .releases
            .iter()
            .map(|r| IntervalColumn {
                label: r.year.to_string(),
                mean: r.mean,
                half: Some((r.low_50, r.high_50)),
                nine_tenths: (r.low_90, r.high_90),
                observed: None,
            })
            .collect(),
    };
    let table = Table::new("Releases by year")
        .text("Year")
        .number("Mean")
        .number("Median")
        .text("Half of the runs")
        .text("Nine tenths of the runs")
        .number("Chance of any")
        .rows(&forecast.releases, |r| {
            vec![
                text(r.year.to_string()),
                maybe_measure(Some(r.mean)),
                maybe_measure(Some(r.median)),
                text(format!(
                    "{} to {}",
                    words::measure(r.low_50),
                    words::measure(r.high_50)
                )),
                text(format!(
                    "{} to {}",
                    words::measure(r.low_90),
                    words::measure(r.high_90)
                )),
                text(words::percent(r.chance_any)),
            ]
        });
    picture.draw().figure(table.show())
}

fn back_test(test: &BackTest) -> Markup {
    let picture = Columns {
        key: "back-test".into(),
        title: format!(
            "The forecast of {} held against what came",
            words::day(&test.from)
        ),
        description: format!(
            "In {} of {} the count lay within the interval of nine tenths.",
            words::count(test.within_90_n),
            words::some(test.years_n, "year", "years")
        ),
        axis: "releases in the year".into(),
        columns: test
            .years
            .iter()
            .map(|y| IntervalColumn {
                label: y.year.to_string(),
                mean: y.mean,
                half: None,
                nine_tenths: (y.low_90, y.high_90),
                observed: Some(f64::from(y.released_n)),
            })
            .collect(),
    };
    let table = Table::new("Forecast and outcome")
        .text("Year")
        .number("Mean forecast")
        .text("Nine tenths of the runs")
        .number("Came")
        .rows(&test.years, |y| {
            vec![
                text(y.year.to_string()),
                text(words::measure(y.mean)),
                text(format!(
                    "{} to {}",
                    words::measure(y.low_90),
                    words::measure(y.high_90)
                )),
                count(y.released_n),
            ]
        });
    picture.draw().figure(table.show())
}
