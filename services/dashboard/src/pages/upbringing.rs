//! How a candidate came to be: its cross, its seedling and the trials that it went through, asked of
//! the services that keep them.

use contract::crossing::{Cross, GetCrossRequest, GetSeedlingRequest, Seedling};
use contract::evaluation::{DecisionItem, ListPlantTrialsRequest, PlantTrial};
use contract::release::Candidate;
use http::StatusCode;
use jiff::civil::Date;
use maud::{Markup, html};

use crate::desk::Desk;
use crate::html::{Table, count, day, facts, link, notes, text, word};
use crate::picture::{Fill, Mark, Span, TimelineRow};
use crate::trouble::Trouble;
use crate::words;

/// How time in trial is drawn.
pub const IN_TRIAL: Fill = Fill::Value(2);

/// What is known of a candidate's way up to its registration.
pub struct Upbringing {
    cross: Option<Cross>,
    seedling: Option<Seedling>,
    trials: Vec<PlantTrial>,
    /// What could not be asked, and why.
    missing: Vec<String>,
}

impl Upbringing {
    /// Asks the services. What they do not know, or cannot tell now, is left out.
    pub async fn of(desk: &Desk, candidate: &Candidate) -> Self {
        let mut missing = Vec::new();
        let mut known = |trouble: Trouble| {
            // A variety from elsewhere is no seedling of ours, and that is no trouble.
            if trouble.status() != StatusCode::NOT_FOUND {
                missing.push(trouble.detail().to_owned());
            }
        };
        let cross = match cross_of(desk, &candidate.cross_id).await {
            Ok(cross) => cross,
            Err(trouble) => {
                known(trouble);
                None
            }
        };
        let seedling = match seedling_of(desk, &candidate.germplasm_id).await {
            Ok(seedling) => Some(seedling),
            Err(trouble) => {
                known(trouble);
                None
            }
        };
        let trials = trials_of(desk, &candidate.germplasm_id)
            .await
            .unwrap_or_else(|trouble| {
                known(trouble);
                Vec::new()
            });
        Self {
            cross,
            seedling,
            trials,
            missing,
        }
    }

    /// Whether it stood in any trial.
    pub fn has_trials(&self) -> bool {
        !self.trials.is_empty()
    }

    /// Lines of its life up to its registration, in the order in which they began.
    pub fn rows(&self, candidate: &Candidate) -> Vec<TimelineRow> {
        let mark = |on: &str, text: &str| {
            Some(Mark {
                on: on.parse().ok()?,
                text: text.to_owned(),
                open: false,
            })
        };
        let row = |label: &str, marks: Vec<Mark>| TimelineRow {
            label: label.to_owned(),
            marks,
            ..TimelineRow::default()
        };
        let counts = self.cross.as_ref().and_then(|cross| cross.counts.as_ref());
        let mut crossed: Vec<Mark> = counts
            .into_iter()
            .flat_map(|counts| {
                [
                    mark(&counts.first_pass_on, "pollinated"),
                    mark(&counts.first_harvest_on, "fruit harvested"),
                ]
            })
            .flatten()
            .collect();
        if crossed.is_empty() {
            // No day is known, so the year's bloom stands for it.
            let year = candidate
                .crossing_year
                .and_then(|year| i16::try_from(year).ok());
            let on = year.and_then(|year| Date::new(year, 3, 1).ok());
            crossed.extend(on.map(|on| Mark {
                on,
                text: "crossed".to_owned(),
                open: false,
            }));
        }
        let seedling = self.seedling.as_ref();
        let planted = seedling.and_then(|seedling| mark(&seedling.planted_on, "planted own-root"));
        let mut rows = vec![
            row("cross", crossed),
            row("seedling", planted.into_iter().collect()),
        ];
        rows.extend(self.trials.iter().map(|trial| {
            TimelineRow {
                label: format!("trial, {}", words::plain(&trial.stage)),
                spans: stood(trial).into_iter().collect(),
                marks: trial
                    .decisions
                    .iter()
                    .filter_map(|decision| mark(&decision.on, &words::plain(&decision.decision)))
                    .collect(),
            }
        }));
        rows
    }

    /// The same in words and numbers.
    pub fn tell(&self, candidate: &Candidate) -> Markup {
        html! {
            (notes(&self.missing))
            @if let Some(cross) = &self.cross { (told_cross(cross)) }
            @else if candidate.cross_id.is_empty() { p.quiet { "It is from no cross on file here." } }
            @if let Some(seedling) = &self.seedling { (told_seedling(seedling)) }
            (Table::new("Trials that it went through").text("Trial").text("Stage").number("Season").text("Planted").number("Trees").text("Decided").stacking().or_say("It stood in no trial on file here.")
                .rows(&self.trials, |trial| vec![
                    link("/trials", &trial.trial_id, &format!("{} {}", trial.number, trial.name)),
                    html! { (words::plain(&trial.stage)) @if trial.is_check { " (as a check)" } },
                    text(trial.season.to_string()),
                    day(&trial.planted_on),
                    count(trial.trees_n),
                    html! { @for decision in &trial.decisions { (told_decision(decision)) } },
                ]).show())
        }
    }
}

async fn cross_of(desk: &Desk, id: &str) -> Result<Option<Cross>, Trouble> {
    if id.is_empty() {
        return Ok(None);
    }
    let request = GetCrossRequest {
        cross_id: id.to_owned(),
    };
    Ok(Some(
        desk.crossing()?.get_cross(request).await?.into_inner(),
    ))
}

async fn seedling_of(desk: &Desk, id: &str) -> Result<Seedling, Trouble> {
    let request = GetSeedlingRequest {
        seedling_id: id.to_owned(),
    };
    Ok(desk.crossing()?.get_seedling(request).await?.into_inner())
}

async fn trials_of(desk: &Desk, id: &str) -> Result<Vec<PlantTrial>, Trouble> {
    let request = ListPlantTrialsRequest {
        germplasm_id: id.to_owned(),
    };
    let list = desk.evaluation()?.list_plant_trials(request).await?;
    Ok(list.into_inner().items)
}

/// From planting, or the season's beginning, to the last decision.
fn stood(trial: &PlantTrial) -> Option<Span> {
    let season = i16::try_from(trial.season).ok()?;
    let from = trial
        .planted_on
        .parse::<Date>()
        .ok()
        .or_else(|| Date::new(season, 1, 1).ok())?;
    let to = trial
        .decisions
        .iter()
        .filter_map(|decision| decision.on.parse::<Date>().ok())
        .max()?;
    (from <= to).then(|| Span {
        from,
        to,
        text: format!("{} {}", trial.number, trial.name),
        fill: IN_TRIAL,
    })
}

fn told_decision(decision: &DecisionItem) -> Markup {
    html! {
        p {
            (words::day(&decision.on)) ": " (words::plain(&decision.decision))
            @if !decision.to_stage.is_empty() { " to " (words::plain(&decision.to_stage)) }
            @if !decision.reason.is_empty() { ", " (decision.reason) }
            " (" (decision.by) ")"
        }
    }
}

fn told_cross(cross: &Cross) -> Markup {
    let counts = cross.counts.clone().unwrap_or_default();
    let father = if cross.open_pollinated {
        "open-pollinated"
    } else {
        &cross.pollen_parent_name
    };
    facts(vec![
        (
            "Cross",
            html! { (link("/crosses", &cross.id, &cross.number)) ", " (cross.seed_parent_name) " × " (father) },
        ),
        ("Season", text(cross.season.to_string())),
        ("Objective", text(&cross.objective)),
        ("First pass", day(&counts.first_pass_on)),
        ("Flowers pollinated", count(counts.flowers_pollinated_n)),
        ("Fruit harvested", count(counts.fruit_harvested_n)),
        ("Seed", count(counts.seed_extracted_n)),
        ("Seedlings", count(counts.seedlings_n)),
    ])
}

fn told_seedling(seedling: &Seedling) -> Markup {
    facts(vec![
        (
            "Seedling",
            link("/seedlings", &seedling.id, &seedling.number),
        ),
        ("Planted own-root", day(&seedling.planted_on)),
        (
            "Where",
            html! { (text([&seedling.site, &seedling.block].into_iter().filter(|part| !part.is_empty()).cloned().collect::<Vec<_>>().join(", "))) ", row " (seedling.row) ", place " (seedling.position) },
        ),
        ("Species", html! { i { (text(&seedling.species)) } }),
        (
            "Parentage",
            word(if seedling.parentage_finding.is_empty() {
                "not_tested"
            } else {
                &seedling.parentage_finding
            }),
        ),
    ])
}
