//! Releases to expect, and how earlier forecasts fared.

use contract::release::{
    BackTest, ForecastSpread, GetForecastRequest, MoneyYear, ReleaseForecast, RightsMoney,
    StagePlaces,
};
use maud::{Markup, html};

use super::Shown;
use crate::desk::{Ask, Desk};
use crate::html::{Table, caution, choice, count, day, field, maybe_measure, notes, text, word};
use crate::layout::Page;
use crate::picture::{Calibration, Columns, Held, IntervalColumn};
use crate::words;

/// Amounts that a person may tell, with their labels; each has a lower and an upper end.
const TOLD: [(&str, &str); 4] = [
    ("trees_per_release", "Trees a year of a new release"),
    ("royalty_per_tree", "Royalty of its tree"),
    ("cost_per_release", "Cost of one release"),
    ("yearly_cost", "Yearly cost of its rights"),
];
const PLACES: [(&str, &str); 4] = [
    ("places_own_root", "own-root"),
    ("places_budded", "budded"),
    ("places_multi_site", "multi-site"),
    ("places_pre_release", "pre-release"),
];

/// The forecast page.
pub async fn show(desk: Desk) -> Shown {
    let ask = &desk.ask;
    let years = ask.number::<u32>("years").unwrap_or(10);
    let seed = ask.number::<u64>("seed").unwrap_or(1);
    let end = |name: &str, end: &str| ask.number::<f64>(&format!("{name}_{end}"));
    let request = GetForecastRequest {
        seed,
        years,
        as_of: ask.text("as_of"),
        runs: 0,
        places_own_root: ask.number("places_own_root"),
        places_budded: ask.number("places_budded"),
        places_multi_site: ask.number("places_multi_site"),
        places_pre_release: ask.number("places_pre_release"),
        currency: ask.text("currency"),
        trees_per_release_low: end("trees_per_release", "low"),
        trees_per_release_high: end("trees_per_release", "high"),
        royalty_per_tree_low: end("royalty_per_tree", "low"),
        royalty_per_tree_high: end("royalty_per_tree", "high"),
        cost_per_release_low: end("cost_per_release", "low"),
        cost_per_release_high: end("cost_per_release", "high"),
        yearly_cost_low: end("yearly_cost", "low"),
        yearly_cost_high: end("yearly_cost", "high"),
    };
    let forecast = desk.release()?.get_forecast(request).await?.into_inner();
    Ok(Page::new(
        "Forecast of releases",
        html! {
            (caution(&forecast.caution))
            (asked(&forecast, ask, years, seed))
            @if let Some(total) = &forecast.total {
                p.lead {
                    "Over " (words::some(forecast.releases.len() as u64, "year", "years")) ": "
                    (words::measure(total.mean)) " releases to expect, "
                    (words::measure(total.low_90)) " to " (words::measure(total.high_90)) " in nine tenths of the runs."
                }
            }
            (releases(&forecast))
            h2 { "How earlier forecasts fared" }
            @match &forecast.back_test {
                Some(test) => (back_test(test)),
                None => p.quiet { "The history is too short to hold a forecast against what came." },
            }
            h2 { "Income and cost of rights" }
            (money(forecast.money.as_ref()))
            h2 { "Chances and times from stage to stage" }
            (steps(&forecast))
            h2 { "Places needed at each stage" }
            (places(&forecast))
            h2 { "What was assumed" }
            (notes(&forecast.assumptions))
        },
    ))
}

fn asked(forecast: &ReleaseForecast, ask: &Ask, years: u32, seed: u64) -> Markup {
    let either =
        |name: &str| [("low", "from"), ("high", "to")].map(|(end, _)| format!("{name}_{end}"));
    let told = TOLD.iter().flat_map(|(name, _)| either(name));
    let open = told
        .chain(PLACES.iter().map(|(name, _)| (*name).to_owned()))
        .any(|name| !ask.text(&name).is_empty());
    html! {
        form.ask method="get" {
            (field("as_of", "From what was known on", "date", &forecast.as_of))
            (choice("years", "Years ahead", None, [5, 10, 15, 20].map(|y| (y.to_string(), y.to_string())), &years.to_string()))
            (field("seed", "Seed of the draws", "number", &seed.to_string()))
            details open[open] {
                summary { "Money and places" }
                p.quiet { "What is left empty comes from licences and reports, or is left out. Ends hold nine tenths of what you believe." }
                (field("currency", "Currency (ISO 4217)", "text", &ask.text("currency")))
                @for (name, label) in TOLD {
                    @let [low, high] = either(name);
                    (field(&low, &format!("{label}, from"), "text", &ask.text(&low)))
                    (field(&high, &format!("{label}, to"), "text", &ask.text(&high)))
                }
                @for (name, stage) in PLACES {
                    (field(name, &format!("Places of one candidate, {stage}"), "text", &ask.text(name)))
                }
            }
            button { "Show" }
        }
    }
}

fn range(low: f64, high: f64) -> String {
    format!("{} to {}", words::measure(low), words::measure(high))
}

fn share_range(low: f64, high: f64) -> String {
    format!("{} to {}", words::percent(low), words::percent(high))
}

fn steps(forecast: &ReleaseForecast) -> Markup {
    let mut table = Table::new("From stage to stage, by kind of cross")
        .text("From")
        .text("To")
        .text("Kind of cross")
        .number("Went on")
        .number("Withdrawn")
        .number("Waiting")
        .number("Chance to go on")
        .text("90 % interval")
        .number("Years")
        .text("90 % interval")
        .text("Prior")
        .stacking();
    for s in &forecast.steps {
        table.row(vec![
            word(&s.from_stage),
            word(&s.to_stage),
            html! { strong { "all" } },
            count(s.advanced_n),
            count(s.withdrawn_n),
            count(s.waiting_n),
            text(words::percent(s.chance_mean)),
            text(share_range(s.chance_low_90, s.chance_high_90)),
            text(words::measure(s.years_mean)),
            text(range(s.years_low_90, s.years_high_90)),
            html! { "Beta(" (words::measure(s.prior_alpha)) ", " (words::measure(s.prior_beta)) "), " (words::measure(s.prior_years)) " years; " (s.prior_source) },
        ]);
        for k in &s.by_kind {
            table.row(vec![
                word(&s.from_stage),
                word(&s.to_stage),
                word(&k.cross_kind),
                count(k.advanced_n),
                count(k.withdrawn_n),
                count(k.waiting_n),
                text(words::percent(k.chance_mean)),
                text(share_range(k.chance_low_90, k.chance_high_90)),
                text(words::measure(k.years_mean)),
                text(range(k.years_low_90, k.years_high_90)),
                text("drawn towards the others"),
            ]);
        }
    }
    table.show()
}

fn places(forecast: &ReleaseForecast) -> Markup {
    html! {
        (Table::new("Where candidates wait").text("Stage").number("There now").number("Most expected").number("In year").number("Share of the time to release").text("Note").stacking()
            .rows(&forecast.bottlenecks, |b| vec![
                word(&b.stage), count(b.waiting_n), text(words::measure(b.peak_mean)), text(b.peak_year.to_string()), text(words::percent(b.share_of_time)), text(&b.note),
            ]).show())
        @for bottleneck in &forecast.bottlenecks {
            @let stage = &bottleneck.stage;
            @let years: Vec<&StagePlaces> = forecast.places.iter().filter(|p| p.stage == *stage).collect();
            @if years.iter().any(|p| p.candidates.as_ref().is_some_and(|c| c.high_90 > 0.0)) {
                (stage_places(stage, &years))
            }
        }
    }
}

fn stage_places(stage: &str, years: &[&StagePlaces]) -> Markup {
    let in_places = years.iter().all(|p| p.places.is_some());
    let counted = if in_places { "places" } else { "candidates" };
    let of = |p: &StagePlaces| p.places.or(p.candidates).unwrap_or_default();
    let title = format!(
        "{} at the {} stage",
        words::title(counted),
        words::plain(stage)
    );
    let picture = Columns {
        key: format!("places-{stage}"),
        title: title.clone(),
        description: "At the end of each year.".into(),
        axis: counted.into(),
        columns: years
            .iter()
            .map(|p| column(p.year.to_string(), &of(p)))
            .collect(),
    };
    let table = spread_table(title, years.iter().map(|p| (p.year, of(p))));
    picture.draw().figure(table)
}

fn column(label: String, of: &ForecastSpread) -> IntervalColumn {
    IntervalColumn {
        label,
        mean: of.mean,
        half: Some((of.low_50, of.high_50)),
        nine_tenths: (of.low_90, of.high_90),
        observed: None,
    }
}

fn spread_table(title: String, rows: impl Iterator<Item = (u32, ForecastSpread)>) -> Markup {
    Table::new(title)
        .text("Year")
        .number("Mean")
        .number("Median")
        .text("Half of the runs")
        .text("Nine tenths of the runs")
        .rows(rows, |(year, of)| {
            vec![
                text(year.to_string()),
                text(words::measure(of.mean)),
                text(words::measure(of.median)),
                text(range(of.low_50, of.high_50)),
                text(range(of.low_90, of.high_90)),
            ]
        })
        .show()
}

/// One of the sums of a year.
type SumOf = fn(&MoneyYear) -> Option<ForecastSpread>;

fn money(money: Option<&RightsMoney>) -> Markup {
    let Some(money) = money else {
        return html! { p.quiet { "Nothing is known of money." } };
    };
    let kinds: [(&str, SumOf); 3] = [
        ("Income", |y| y.income),
        ("Cost", |y| y.cost),
        ("Income less cost", |y| y.balance),
    ];
    html! {
        @if money.years.is_empty() { p.quiet { "No income and no cost is known; the notes say what would tell them." } }
        @for (name, of) in kinds {
            @let years: Vec<(u32, ForecastSpread)> = money.years.iter().filter_map(|y| Some((y.year, of(y)?))).collect();
            @if !years.is_empty() {
                @let title = format!("{name} of rights, in {}", money.currency);
                (Columns {
                    key: format!("money-{}", name.to_lowercase().replace(' ', "-")),
                    title: title.clone(),
                    description: "In each year ahead.".into(),
                    axis: money.currency.clone(),
                    columns: years.iter().map(|(year, s)| column(year.to_string(), s)).collect(),
                }.draw().figure(spread_table(title, years.into_iter())))
            }
        }
        (notes(&money.notes))
    }
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
    html! {
        (coverage(test))
        (calibration(test))
        (picture.draw().figure(table.show()))
    }
}

fn coverage(test: &BackTest) -> Markup {
    Table::new("How often intervals held what came")
        .text("Interval that holds")
        .number("Should have held")
        .number("Held")
        .number("Counts forecast")
        .rows(&test.coverage, |c| {
            vec![
                text(format!("{} of the runs", words::percent(c.level))),
                text(words::percent(c.expected)),
                text(words::percent(c.observed)),
                count(c.cases_n),
            ]
        })
        .show()
}

fn calibration(test: &BackTest) -> Markup {
    let what = |word: &str| match word {
        "released" => "releases".to_owned(),
        stage => format!("going on from {}", words::plain(stage)),
    };
    let picture = Calibration {
        key: "calibration".into(),
        title: "Earlier forecasts held against what came".into(),
        description: "Each made from what was known on its day alone, with the same priors. Filled squares are releases of one year, open squares candidates going on from a stage within three years; forecasts of neighbouring years look at some of the same moves.".into(),
        counted: "candidates".into(),
        cases: test
            .cases
            .iter()
            .map(|c| Held {
                label: format!("{}, {} from {}", what(&c.what), words::day(&c.until), words::day(&c.from)),
                mean: c.mean,
                nine_tenths: (c.low_90, c.high_90),
                came: f64::from(c.came_n),
                open: c.what != "released",
            })
            .collect(),
    };
    let table = Table::new("Forecasts and outcomes")
        .text("Made from what was known on")
        .text("What")
        .text("After")
        .text("Up to")
        .number("Mean forecast")
        .text("Nine tenths of the runs")
        .number("Came")
        .text("Held")
        .rows(&test.cases, |c| {
            vec![
                day(&c.from),
                text(what(&c.what)),
                day(&c.after),
                day(&c.until),
                text(words::measure(c.mean)),
                text(range(c.low_90, c.high_90)),
                count(c.came_n),
                text(if c.within_90 { "yes" } else { "no" }),
            ]
        });
    picture.draw().figure(table.show())
}
