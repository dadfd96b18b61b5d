//! The forecast of releases, of places and of money, and how earlier forecasts fared.

use std::collections::BTreeMap;

use contract::release::{
    BackTest, BackTestCase, BackTestYear, Bottleneck, ForecastSpread, GetForecastRequest,
    IntervalCoverage, MoneyYear, ReleaseForecast, ReleaseYear, RightsMoney, StagePlaces, StageStep,
    StageStepOfKind,
};
use jiff::ToSpan as _;
use jiff::civil::Date;
use platform::compute::Work;
use platform::database::Day;
use platform::fields::Words as _;
use platform::{Fault, Fields, Unit};
use rights::CAUTION;

use super::{asked, shown};
use crate::ReleaseApp;
use crate::domain::CandidateId;
use crate::domain::forecast::money::{Earner, Plan, Stated, YearOfMoney, play_money};
use crate::domain::forecast::{self, Counted, Course, Forecast, History, Move, STEPS_N, Spread};
use crate::domain::money::Currency;
use crate::domain::stage::Stage;
use crate::domain::words::{KindOfCross, Per};
use crate::store::{candidates, pipeline};

/// Runs when nothing is said.
const RUNS: u32 = 2000;
/// Years ahead when nothing is said.
const YEARS: u32 = 10;
/// Days that reports of one year must cover for its trees to count.
const DAYS_REPORTED_MIN: i64 = 90;
/// Largest amount of money or trees taken.
const LARGEST: f64 = 1e9;
/// Most places of one candidate.
const PLACES_MAX: f64 = 100_000.0;

/// Releases to expect.
pub async fn get(
    _app: &ReleaseApp,
    unit: &mut Unit,
    request: GetForecastRequest,
) -> Result<Work<ReleaseForecast>, Fault> {
    let or = |asked: u32, otherwise: u32| if asked == 0 { otherwise } else { asked };
    let (years, runs) = (or(request.years, YEARS), or(request.runs, RUNS));
    let mut fields = Fields::new();
    fields.count("years", years, 1, 30);
    fields.count("runs", runs, 100, 20_000);
    let today = unit.today();
    let as_of = asked::as_of(&mut fields, &request.as_of, today);
    fields.require(
        as_of <= today,
        "as_of",
        format!("{as_of} is still to come; what will be known then cannot be told"),
    );
    let places = places_asked(&mut fields, &request);
    let told = Told::read(&mut fields, &request);
    fields.finish()?;
    let courses = courses(unit).await?;
    let (plan, notes) = plan(unit, &told, as_of).await?;
    let seed = request.seed;
    Ok(Work::new(move |cancel| {
        let history = History::read(&courses, as_of);
        let made = forecast::forecast(&history, years, runs, seed);
        let plan = Plan {
            released_n: history.released_n(),
            ..plan
        };
        let money = play_money(&plan, &made.runs, as_of, seed);
        cancel.check()?;
        let tested = forecast::back_test(&courses, as_of, runs, seed);
        Ok(ReleaseForecast {
            as_of: as_of.to_string(),
            seed,
            runs,
            releases: made.releases.iter().map(release_year).collect(),
            total: Some(spread(&made.total)),
            steps: steps(&made),
            bottlenecks: bottlenecks(&made),
            places: stage_places(&made, places),
            money: Some(shown_money(&made, money, &plan, notes)),
            back_test: tested.map(|tested| back_test(&tested, as_of)),
            assumptions: forecast::assumptions(),
            caution: CAUTION.to_owned(),
        })
    }))
}

fn places_asked(fields: &mut Fields, request: &GetForecastRequest) -> [Option<f64>; STEPS_N] {
    [
        ("places_own_root", request.places_own_root),
        ("places_budded", request.places_budded),
        ("places_multi_site", request.places_multi_site),
        ("places_pre_release", request.places_pre_release),
    ]
    .map(|(field, value)| value.map(|n| fields.number(field, n, 0.0, PLACES_MAX)))
}

/// What whoever asks says of money.
#[derive(Debug, Default)]
struct Told {
    currency: Option<Currency>,
    trees_per_release: Option<Stated>,
    royalty_per_tree: Option<Stated>,
    cost_per_release: Option<Stated>,
    yearly_cost: Option<Stated>,
}

impl Told {
    fn read(fields: &mut Fields, request: &GetForecastRequest) -> Self {
        let currency = Currency::read(&request.currency);
        fields.require(
            request.currency.is_empty() || currency.is_some(),
            "currency",
            format!(
                "{:?} is not a currency taken here; give an ISO 4217 code as USD",
                request.currency
            ),
        );
        let mut stated = |name: &str, low: Option<f64>, high: Option<f64>| {
            let (low_field, high_field) = (format!("{name}_low"), format!("{name}_high"));
            match (low, high) {
                (None, None) => None,
                (Some(low), Some(high)) => {
                    fields.number(&low_field, low, 0.0, LARGEST);
                    fields.number(&high_field, high, 0.0, LARGEST);
                    fields.require(
                        low <= high,
                        &high_field,
                        format!("{high} is below the lower end, {low}"),
                    );
                    Some(Stated { low, high })
                }
                (Some(_), None) => {
                    fields.fault(&high_field, "is required beside the lower end; give both");
                    None
                }
                (None, Some(_)) => {
                    fields.fault(&low_field, "is required beside the upper end; give both");
                    None
                }
            }
        };
        let told = Self {
            currency,
            trees_per_release: stated(
                "trees_per_release",
                request.trees_per_release_low,
                request.trees_per_release_high,
            ),
            royalty_per_tree: stated(
                "royalty_per_tree",
                request.royalty_per_tree_low,
                request.royalty_per_tree_high,
            ),
            cost_per_release: stated(
                "cost_per_release",
                request.cost_per_release_low,
                request.cost_per_release_high,
            ),
            yearly_cost: stated(
                "yearly_cost",
                request.yearly_cost_low,
                request.yearly_cost_high,
            ),
        };
        let money = told.royalty_per_tree.is_some()
            || told.cost_per_release.is_some()
            || told.yearly_cost.is_some();
        fields.require(
            !money || currency.is_some() || !request.currency.is_empty(),
            "currency",
            "is required beside amounts of money; give an ISO 4217 code as USD",
        );
        told
    }
}

async fn courses(unit: &mut Unit) -> Result<Vec<Course>, Fault> {
    let programme = unit.programme()?;
    let mut by_candidate: BTreeMap<CandidateId, Course> = BTreeMap::new();
    for (candidate, cross, to, on, reversal) in
        candidates::all_moves(unit.connection(), programme).await?
    {
        if let Some(to) = Stage::from_word(&to) {
            let course = by_candidate.entry(candidate).or_insert_with(|| Course {
                cross: KindOfCross::from_word(&cross).unwrap_or(KindOfCross::Unknown),
                moves: Vec::new(),
            });
            course.moves.push(Move {
                to,
                on: on.0,
                reversal,
            });
        }
    }
    Ok(by_candidate.into_values().collect())
}

/// What licences and reports, and whoever asks, tell of money.
struct Notes {
    currency: Option<Currency>,
    licences_n: u32,
    left_out_n: u32,
    notes: Vec<String>,
}

async fn plan(unit: &mut Unit, told: &Told, as_of: Date) -> Result<(Plan, Notes), Fault> {
    let programme = unit.programme()?;
    let day = Day(as_of);
    let licences = pipeline::earning(unit.connection(), programme, day).await?;
    let reports = pipeline::reported(unit.connection(), programme, day).await?;
    let yearly = |trees: i64, days: i64| (trees as f64 * 365.25 / days as f64).max(1.0);
    let reports: Vec<_> = reports
        .into_iter()
        .filter(|(.., days)| *days >= DAYS_REPORTED_MIN)
        .map(|(licence, candidate, year, trees, days)| {
            (licence, candidate, year, yearly(trees, days))
        })
        .collect();

    let mut currencies: BTreeMap<&str, u32> = BTreeMap::new();
    for licence in &licences {
        if let Some(royalty) = &licence.royalty {
            *currencies.entry(royalty.currency.as_str()).or_default() += 1;
        }
    }
    let most_used = currencies
        .iter()
        .max_by_key(|(_, n)| **n)
        .map(|(code, _)| *code);
    let currency = told.currency.or_else(|| most_used.and_then(Currency::read));

    let mut earners = Vec::new();
    let mut left_out_n = 0;
    for licence in &licences {
        let trees: Vec<f64> = reports
            .iter()
            .filter(|(of, ..)| *of == licence.id)
            .map(|(.., trees)| *trees)
            .collect();
        let royalty = licence
            .royalty
            .as_ref()
            .map(|royalty| &royalty.0)
            .filter(|royalty| {
                Per::from_word(&royalty.per) == Some(Per::Tree)
                    && currency.is_some_and(|currency| royalty.currency == currency.code())
            });
        match royalty {
            Some(royalty) if !trees.is_empty() => earners.push(Earner {
                royalty: royalty.clone(),
                starts_on: licence.starts_on.0,
                ends_on: licence.ends_on.map(|on| on.0),
                yearly_trees: trees,
            }),
            _ => left_out_n += 1,
        }
    }
    let mut of_candidate: BTreeMap<CandidateId, BTreeMap<i32, f64>> = BTreeMap::new();
    for (_, candidate, year, trees) in &reports {
        *of_candidate
            .entry(*candidate)
            .or_default()
            .entry(*year)
            .or_default() += trees;
    }
    let reported_per_release: Vec<f64> = of_candidate
        .into_values()
        .map(|years| years.values().sum::<f64>() / years.len() as f64)
        .collect();
    let plan = Plan {
        trees_per_release: told.trees_per_release,
        royalty_per_tree: told.royalty_per_tree,
        cost_per_release: told.cost_per_release,
        yearly_cost_per_release: told.yearly_cost,
        reported_per_release,
        earners,
        released_n: 0,
    };
    let notes = money_notes(&plan, told, left_out_n, currency);
    let notes = Notes {
        currency: currency.filter(|_| plan.has_income() || plan.has_cost()),
        licences_n: shown::count(plan.earners.len() as i64),
        left_out_n,
        notes,
    };
    Ok((plan, notes))
}

/// Where each figure comes from, and what is left out and why.
fn money_notes(
    plan: &Plan,
    told: &Told,
    left_out_n: u32,
    currency: Option<Currency>,
) -> Vec<String> {
    let mut notes = Vec::new();
    let code = currency.map_or("the currency asked for", Currency::code);
    if plan.earners.is_empty() {
        notes.push(format!(
            "No licence in force has a royalty by the tree in {code} and reported trees, so nothing is earned from licences held today."
        ));
    } else {
        notes.push(format!(
            "Licences held today earn from {} with reported trees: trees of a year vary about the reported ones (log-normal; a prior of 0.5 for the logarithm's standard deviation counts for two years), royalties follow the licence's steps, minimum and yearly increase until it ends.",
            plan.earners.len()
        ));
    }
    if left_out_n > 0 {
        notes.push(format!(
            "{left_out_n} left out: without reported trees, not counted by the tree, or not in {code}. Currencies are never added together."
        ));
    }
    notes.push(match (told.trees_per_release, plan.reported_per_release.len()) {
        (Some(_), _) => "Trees of a new release: as told.".to_owned(),
        (None, 0) => "Trees of a new release: not known; tell them to count what new releases earn.".to_owned(),
        (None, n) => format!("Trees of a new release: as {n} released candidates were reported with, with what they vary by."),
    });
    notes.push(match (told.royalty_per_tree, plan.earners.is_empty()) {
        (Some(_), _) => "Royalty of a new release: as told.".to_owned(),
        (None, true) => {
            "Royalty of a new release: not known; tell it to count what new releases earn."
                .to_owned()
        }
        (None, false) => {
            "Royalty of a new release: drawn among the base rates of those licences.".to_owned()
        }
    });
    if plan.new_releases_earn() {
        notes.push(
            "A new release earns in full from the year after its release to the end of the forecast; young trees may sell slower."
                .to_owned(),
        );
    }
    if !plan.has_cost() {
        notes.push(
            "Cost: not told, so neither cost nor balance is shown; offices' fees are not held here."
                .to_owned(),
        );
    }
    notes
}

fn spread(of: &Spread) -> ForecastSpread {
    ForecastSpread {
        mean: of.mean,
        median: of.median,
        low_50: of.half.0,
        high_50: of.half.1,
        low_90: of.most.0,
        high_90: of.most.1,
    }
}

fn year_of(year: i16) -> u32 {
    u32::try_from(year).unwrap_or(0)
}

fn release_year((year, n): &(i16, Spread)) -> ReleaseYear {
    ReleaseYear {
        year: year_of(*year),
        mean: n.mean,
        median: n.median,
        low_50: n.half.0,
        high_50: n.half.1,
        low_90: n.most.0,
        high_90: n.most.1,
        chance_any: n.chance_any,
    }
}

fn steps(made: &Forecast) -> Vec<StageStep> {
    made.steps
        .iter()
        .map(|step| StageStep {
            from_stage: step.from.word().to_owned(),
            to_stage: step.to.word().to_owned(),
            advanced_n: step.all.advanced_n,
            withdrawn_n: step.all.withdrawn_n,
            waiting_n: step.all.waiting_n,
            prior_alpha: step.prior.0,
            prior_beta: step.prior.1,
            prior_years: step.prior_years,
            chance_mean: step.all.chance.mean,
            chance_low_90: step.all.chance.most.0,
            chance_high_90: step.all.chance.most.1,
            years_mean: step.all.years.mean,
            years_low_90: step.all.years.most.0,
            years_high_90: step.all.years.most.1,
            prior_source: forecast::PRIOR_SOURCE.to_owned(),
            by_kind: step
                .by_kind
                .iter()
                .map(|of| StageStepOfKind {
                    cross_kind: of.cross.unwrap_or(KindOfCross::Unknown).word().to_owned(),
                    advanced_n: of.advanced_n,
                    withdrawn_n: of.withdrawn_n,
                    waiting_n: of.waiting_n,
                    chance_mean: of.chance.mean,
                    chance_low_90: of.chance.most.0,
                    chance_high_90: of.chance.most.1,
                    years_mean: of.years.mean,
                    years_low_90: of.years.most.0,
                    years_high_90: of.years.most.1,
                })
                .collect(),
        })
        .collect()
}

fn bottlenecks(made: &Forecast) -> Vec<Bottleneck> {
    let longest = made
        .loads
        .iter()
        .map(|load| load.share_of_time)
        .fold(0.0, f64::max);
    made.loads
        .iter()
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
        .collect()
}

fn stage_places(made: &Forecast, each: [Option<f64>; STEPS_N]) -> Vec<StagePlaces> {
    made.loads
        .iter()
        .zip(each)
        .flat_map(|(load, each)| {
            load.years.iter().map(move |(year, n)| StagePlaces {
                stage: load.stage.word().to_owned(),
                year: year_of(*year),
                candidates: Some(spread(n)),
                places: each.map(|each| spread(&n.times(each))),
            })
        })
        .collect()
}

fn shown_money(made: &Forecast, money: Vec<YearOfMoney>, plan: &Plan, notes: Notes) -> RightsMoney {
    let known = plan.has_income() || plan.has_cost();
    RightsMoney {
        currency: notes
            .currency
            .map(|currency| currency.code().to_owned())
            .unwrap_or_default(),
        years: made
            .releases
            .iter()
            .zip(money)
            .filter(|_| known)
            .map(|((year, _), money)| MoneyYear {
                year: year_of(*year),
                income: money.income.as_ref().map(spread),
                cost: money.cost.as_ref().map(spread),
                balance: money.balance.as_ref().map(spread),
            })
            .collect(),
        licences_n: notes.licences_n,
        left_out_n: notes.left_out_n,
        notes: notes.notes,
    }
}

fn back_test(tested: &forecast::BackTest, as_of: Date) -> BackTest {
    let counted = |counted: Counted| match counted {
        Counted::Releases => Stage::Released.word().to_owned(),
        Counted::GoingOn(stage) => stage.word().to_owned(),
    };
    // One forecast shown by itself: that of five years ago, or the earliest there is.
    let five_back = as_of.saturating_sub(5.years());
    let from = tested
        .cases
        .iter()
        .map(|case| case.from)
        .find(|from| *from == five_back)
        .or_else(|| tested.cases.first().map(|case| case.from))
        .unwrap_or(as_of);
    let one: Vec<_> = tested
        .cases
        .iter()
        .filter(|case| case.from == from && case.counted == Counted::Releases)
        .collect();
    let cases_n = u32::try_from(tested.cases.len()).unwrap_or(u32::MAX);
    BackTest {
        from: from.to_string(),
        within_90_n: shown::count(one.iter().filter(|case| case.within_most()).count() as i64),
        years_n: shown::count(one.len() as i64),
        years: one
            .into_iter()
            .map(|case| BackTestYear {
                year: year_of(case.until.year()),
                mean: case.forecast.mean,
                low_90: case.forecast.most.0,
                high_90: case.forecast.most.1,
                released_n: case.came_n,
            })
            .collect(),
        cases: tested
            .cases
            .iter()
            .map(|case| BackTestCase {
                from: case.from.to_string(),
                what: counted(case.counted),
                after: case.after.to_string(),
                until: case.until.to_string(),
                mean: case.forecast.mean,
                low_50: case.forecast.half.0,
                high_50: case.forecast.half.1,
                low_90: case.forecast.most.0,
                high_90: case.forecast.most.1,
                came_n: case.came_n,
                within_90: case.within_most(),
            })
            .collect(),
        coverage: tested
            .coverage
            .iter()
            .map(|of| IntervalCoverage {
                level: of.level,
                expected: of.expected,
                observed: of.observed,
                cases_n,
            })
            .collect(),
    }
}
