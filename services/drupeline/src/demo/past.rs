//! What became of the selections of earlier decades: budded, tried at several sites, released or
//! withdrawn. It gives the programme a history from which chances and times can be learned, and
//! earlier forecasts held against what came. All names are invented.

use contract::crossing::{ImportSeasonRequest, RegisterGermplasmRequest};
use contract::release::{MoveCandidateRequest, RegisterCandidateRequest};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use platform::Fault;
use rand::RngExt as _;
use rand::seq::IndexedRandom as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Gamma};

use super::biology::{Fruit, stream};
use super::history::{Parent, Story};
use super::loading::Loading;
use super::rights;

const SEED: u64 = 0x01d_dece;
/// Years before the present one in which the first and the last of these crosses were made.
const CROSSED_BACK: std::ops::Range<i16> = 12..42;
/// Years from the cross to the first tree budded for a second look.
const BUDDED_AFTER: i16 = 4;

/// Names for those that were released.
const NAMES: [&str; 16] = [
    "Velmarrow",
    "Tarnhollow",
    "Eskerlight",
    "Oldbarrow",
    "Fennmere",
    "Quernlow",
    "Wychlane",
    "Harrowdene",
    "Sallowby",
    "Brindlecote",
    "Thornmead",
    "Gannelrise",
    "Mistlecroft",
    "Rookhallow",
    "Ambersedge",
    "Lintwhistle",
];

const GOOD: [&str; 4] = [
    "held its quality in every season of the trial",
    "best of its time at two sites",
    "large, firm and of good colour without thinning hard",
    "sets in a cool spring when others fail",
];
const BAD: [&str; 6] = [
    "splits after rain",
    "too small without heavy thinning",
    "drops before it is ripe",
    "loses firmness within a week of cold store",
    "bears every other year",
    "ripens with a better one",
];

/// What is true of one step: chance of going on within and between species, mean years, evidence.
struct Step {
    to: &'static str,
    chance: [f64; 2],
    mean_years: f64,
    evidence: &'static str,
}

const STEPS: [Step; 3] = [
    Step {
        to: "multi_site",
        chance: [0.42, 0.22],
        mean_years: 3.0,
        evidence: "records of the budded block",
    },
    Step {
        to: "pre_release",
        chance: [0.45, 0.35],
        mean_years: 3.5,
        evidence: "records of two sites, entry means of three seasons",
    },
    Step {
        to: "released",
        chance: [0.7, 0.7],
        mean_years: 2.0,
        evidence: "virus test, budded trees true to type, nursery's report",
    },
];

/// One selection of the past with its way.
struct Past {
    plant: RegisterGermplasmRequest,
    crossed: i16,
    budded_on: Date,
    moves: Vec<(&'static str, Date, &'static str, &'static str)>,
}

/// Loads as many selections of the past.
///
/// # Errors
/// When a use case refuses.
pub async fn load(loading: &mut Loading<'_>, story: &Story, n: u32) -> Result<(), Fault> {
    let past: Vec<Past> = (0..n).filter_map(|n| of(story, n, loading.today)).collect();
    let germplasm = past.iter().map(|past| past.plant.clone()).collect();
    let year = *story.years().start();
    loading
        .import(
            year,
            ImportSeasonRequest {
                germplasm,
                ..Default::default()
            },
        )
        .await?;
    let mut names = NAMES.iter();
    for past in &past {
        candidate(loading, past, &mut names).await?;
    }
    Ok(())
}

fn of(story: &Story, n: u32, today: Date) -> Option<Past> {
    let rng = &mut stream(SEED, &["past", &n.to_string()]);
    let crossed = today.year() - rng.random_range(CROSSED_BACK);
    let name = format!("TH {:02}-{}", crossed % 100, 300 + n);
    let founders: Vec<&Parent> = story.founders.iter().collect();
    let pick = |fruit: Fruit, rng: &mut ChaCha8Rng| {
        let of_fruit: Vec<&&Parent> = founders
            .iter()
            .filter(|parent| parent.plant.fruit == fruit && !parent.name.starts_with("TH "))
            .collect();
        of_fruit.choose(rng).map(|parent| (**parent).clone())
    };
    let open = rng.random_bool(0.12);
    let between = !open && rng.random_bool(0.25);
    let (mother, pollen_parent) = if between {
        (Fruit::Plum, Fruit::Apricot)
    } else {
        let fruit = *[Fruit::Peach, Fruit::Peach, Fruit::Plum, Fruit::Apricot].choose(rng)?;
        (fruit, fruit)
    };
    let species = mother.by(pollen_parent).species();
    let (mother, pollen_parent) = (pick(mother, rng)?, pick(pollen_parent, rng)?);
    let plant = RegisterGermplasmRequest {
        id: story.id("plant", &[&name]),
        name,
        species: species.to_owned(),
        kind: "selection".to_owned(),
        seed_parent_id: mother.id,
        pollen_parent_id: if open {
            String::new()
        } else {
            pollen_parent.id
        },
        rights_standing: "own".to_owned(),
        ..Default::default()
    };
    let budded_on = date(
        crossed + BUDDED_AFTER + rng.random_range(0..3_i16),
        9,
        rng.random_range(1..=28_i8),
    );
    Some(Past {
        plant,
        crossed,
        budded_on,
        moves: moves(budded_on, between, today, rng),
    })
}

/// What was decided up to the present day.
fn moves(
    budded_on: Date,
    between: bool,
    today: Date,
    rng: &mut ChaCha8Rng,
) -> Vec<(&'static str, Date, &'static str, &'static str)> {
    let mut made = Vec::new();
    let mut on = budded_on;
    for step in &STEPS {
        let years = Gamma::new(4.0, step.mean_years / 4.0).map_or(3.0, |law| law.sample(rng));
        on = on.saturating_add(((years * 365.25).round() as i64).max(60).days());
        let goes_on = rng.random_bool(step.chance[usize::from(between)]);
        let reason = if goes_on {
            GOOD.choose(rng)
        } else {
            BAD.choose(rng)
        };
        // Drawn before, so that a later present day changes nothing of what came earlier.
        if on > today {
            break;
        }
        let to = if goes_on { step.to } else { "withdrawn" };
        made.push((to, on, *reason.unwrap_or(&""), step.evidence));
        if !goes_on {
            break;
        }
    }
    made
}

async fn candidate<'n>(
    loading: &mut Loading<'_>,
    past: &Past,
    names: &mut impl Iterator<Item = &'n &'static str>,
) -> Result<(), Fault> {
    let key = past.plant.name.as_str();
    let id = loading.id("candidate", &[key]);
    let request = RegisterCandidateRequest {
        id: id.clone(),
        germplasm_id: past.plant.id.clone(),
        code: key.replace(' ', "-"),
        crossing_year: u32::try_from(past.crossed).ok(),
        stage: "budded".to_owned(),
        since: past.budded_on.to_string(),
        ..Default::default()
    };
    loading
        .release("rights")
        .await?
        .register_candidate(request)
        .await?;
    for (stage, on, reason, evidence) in &past.moves {
        if *stage == "released" {
            let Some(name) = names.next() else {
                return Ok(());
            };
            let proposed_on = on.saturating_sub(2.years());
            rights::name(loading, &id, name, &["checked", "published"], proposed_on).await?;
        }
        let request = MoveCandidateRequest {
            id: loading.id("stage", &[key, stage]),
            candidate_id: id.clone(),
            stage: (*stage).to_owned(),
            on: on.to_string(),
            reason: (*reason).to_owned(),
            evidence: (*evidence).to_owned(),
        };
        loading
            .release("breeder")
            .await?
            .move_candidate(request)
            .await?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::history::Size;
    use super::*;

    #[test]
    fn the_past_is_the_same_every_time_and_in_order() {
        let today = date(2026, 11, 20);
        let tell = || {
            let story = Story::new("p", Size::SMALL, today);
            (0..60)
                .filter_map(|n| of(&story, n, today))
                .map(|past| (past.plant.name, past.budded_on, past.moves))
                .collect::<Vec<_>>()
        };
        assert_eq!(tell(), tell());
        for (name, budded_on, moves) in tell() {
            let days: Vec<Date> = std::iter::once(budded_on)
                .chain(moves.iter().map(|(_, on, ..)| *on))
                .collect();
            assert!(days.is_sorted(), "{name}: {days:?}");
        }
    }

    #[test]
    fn there_are_names_enough_for_the_full_demo() {
        let today = date(2026, 11, 25);
        let story = Story::new("p", Size::FULL, today);
        let released = (0..Size::FULL.past_selections_n)
            .filter_map(|n| of(&story, n, today))
            .filter(|past| past.moves.last().is_some_and(|(to, ..)| *to == "released"))
            .count();
        assert!(released <= NAMES.len(), "{released}");
    }
}
