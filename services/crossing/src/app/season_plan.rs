//! A whole season's crosses at once: gain against coancestry, then mates, mothers and flowers.

use std::collections::{BTreeMap, HashMap};

use biometry::selection::SelectionError;
use biometry::selection::contributions::{
    Allocation, Budget, Contributions, Mating, MotherLimits, Parents, SidedContributions,
    allocate_mates, allocate_within,
};
use compatibility::ExpectedFertility;
use contract::crossing::{
    ParentContribution, PlanLimit, PlanSeasonRequest, SeasonMating, SeasonPlan, TradeOffPoint,
};
use platform::compute::Work;
use platform::database::Day;
use platform::{Fault, Fields, Unit};

use super::advice;
use super::adviser::{Candidates, USUAL_KINSHIP, ease, reckoned, with_analyses, workable};
use crate::CrossingApp;
use crate::domain::fruit_sets::{ExpectedSet, FruitSets};
use crate::domain::parents;
use crate::domain::plan::{largest_remainders, rise, risen};
use crate::store::mothers;

/// A share that is as good as none.
const NO_SHARE: f64 = 1e-6;
/// Group coancestry by which whole crosses may miss their ceiling: rounding of numbers.
const SLACK: f64 = 1e-9;
/// How often a lower ceiling is tried, each lower by this share of the room at least.
const TIGHTENINGS: usize = 12;
const LEAST_STEP: f64 = 0.08;
/// Points on the trade-off curve when nothing is said.
const USUAL_POINTS: u32 = 9;

/// What is asked, with its numbers checked.
struct Asked {
    flowers_n: u32,
    mothers_n: u32,
    crosses_n: u32,
    ceiling: Option<f64>,
    /// In place of the ceiling.
    largest_rise: Option<f64>,
    pair_ceiling: f64,
    largest_share: f64,
    points_n: usize,
    fruit_wanted_n: Option<u32>,
    flowers_per_mother_n: Option<u32>,
    standing_mothers_only: bool,
    seed_parents_n: Option<u32>,
}

impl Asked {
    /// Whether something limits who may be a mother.
    fn limits_mothers(&self) -> bool {
        self.fruit_wanted_n.is_some() || self.standing_mothers_only || self.seed_parents_n.is_some()
    }
}

fn asked(request: &PlanSeasonRequest) -> Result<Asked, Fault> {
    let mut fields = Fields::new();
    fields.require(
        request.traits.iter().any(|goal| goal.weight != 0.0),
        "traits",
        "give at least one trait with a weight: merit is what the plan raises",
    );
    fields.count("flowers_n", request.flowers_n, 1, 10_000_000);
    fields.count("mothers_n", request.mothers_n, 1, 100_000);
    fields.count("crosses_n", request.crosses_n, 1, 2000);
    fields.require(
        request.crosses_n <= request.mothers_n,
        "crosses_n",
        format!(
            "{} crosses need as many mothers, and there are {}; plan fewer crosses or keep more mothers",
            request.crosses_n, request.mothers_n
        ),
    );
    for (field, value) in [
        ("kinship_ceiling", request.kinship_ceiling),
        ("pair_kinship_ceiling", request.pair_kinship_ceiling),
        ("largest_rise", request.largest_rise),
    ] {
        if let Some(value) = value {
            fields.number(field, value, 0.0, 1.0);
        }
    }
    fields.require(
        request.largest_rise.is_none() || request.kinship_ceiling.is_none(),
        "largest_rise",
        "says the same as kinship_ceiling in another way; give one of them",
    );
    let largest_share = request.largest_share.unwrap_or(0.5);
    fields.number("largest_share", largest_share, 0.001, 0.5);
    let points_n = request.curve_points_n.unwrap_or(USUAL_POINTS);
    fields.count("curve_points_n", points_n, 2, 25);
    for (field, value, most) in [
        ("fruit_wanted_n", request.fruit_wanted_n, 100_000),
        (
            "flowers_per_mother_n",
            request.flowers_per_mother_n,
            1_000_000,
        ),
        ("seed_parents_n", request.seed_parents_n, 2000),
    ] {
        if let Some(value) = value {
            fields.count(field, value, 1, most);
        }
    }
    fields.require(
        request.flowers_per_mother_n.is_none() || request.fruit_wanted_n.is_some(),
        "fruit_wanted_n",
        "is required with flowers_per_mother_n: how many mothers a cross takes follows from it",
    );
    fields.finish()?;
    Ok(Asked {
        flowers_n: request.flowers_n,
        mothers_n: request.mothers_n,
        crosses_n: request.crosses_n,
        ceiling: request.kinship_ceiling,
        largest_rise: request.largest_rise,
        pair_ceiling: request.pair_kinship_ceiling.unwrap_or(USUAL_KINSHIP),
        largest_share,
        points_n: points_n as usize,
        fruit_wanted_n: request.fruit_wanted_n,
        flowers_per_mother_n: request.flowers_per_mother_n,
        standing_mothers_only: request.standing_mothers_only,
        seed_parents_n: request.seed_parents_n,
    })
}

/// What one cross takes of each candidate as its mother.
struct Takes {
    /// Flowers for the wanted fruit; none when no fruit is asked for.
    flowers_n: Option<u32>,
    mothers_n: u32,
    /// Trees of it that stand.
    standing_n: u32,
}

impl Takes {
    fn of(asked: &Asked, set: f64, standing_n: u32) -> Self {
        let flowers_n = asked
            .fruit_wanted_n
            .map(|fruit| (f64::from(fruit) / set).ceil() as u32);
        let mothers_n = flowers_n
            .zip(asked.flowers_per_mother_n)
            .map_or(1, |(flowers, each)| flowers.div_ceil(each).max(1));
        Self {
            flowers_n,
            mothers_n,
            standing_n,
        }
    }
}

/// Limits on mothers and their flowers as the optimisation takes them: shares of the crosses.
fn limits(asked: &Asked, takes: &[Takes]) -> Result<Option<MotherLimits>, Fault> {
    if !asked.limits_mothers() {
        return Ok(None);
    }
    let crosses = f64::from(asked.crosses_n);
    let largest_share: Vec<f64> = takes
        .iter()
        .map(|takes| {
            let bears = f64::from(takes.standing_n / takes.mothers_n);
            if asked.standing_mothers_only {
                (bears / crosses).min(1.0)
            } else {
                1.0
            }
        })
        .collect();
    let mut fields = Fields::new();
    let borne: f64 = largest_share.iter().sum::<f64>() * crosses;
    fields.require(
        borne + 1e-9 >= crosses,
        "standing_mothers_only",
        format!(
            "the trees that stand bear {borne:.0} crosses of the {} asked for; plan fewer, register more mothers, or allow others",
            asked.crosses_n
        ),
    );
    let usable = || {
        takes
            .iter()
            .zip(&largest_share)
            .filter(|(_, share)| **share > 0.0)
    };
    let least =
        |of: &dyn Fn(&Takes) -> u32| usable().map(|(takes, _)| of(takes)).min().unwrap_or(0);
    let budgets = [
        (
            "flowers_n",
            asked.flowers_n,
            Takes::flowers as fn(&Takes) -> u32,
        ),
        ("mothers_n", asked.mothers_n, Takes::mothers),
    ];
    for (field, most, of) in budgets {
        let needed = u64::from(least(&of)) * u64::from(asked.crosses_n);
        fields.require(
            needed <= u64::from(most),
            field,
            format!("{needed} are needed at least for {} crosses; plan fewer crosses, less fruit, or have more", asked.crosses_n),
        );
    }
    fields.finish()?;
    Ok(Some(MotherLimits {
        largest_share,
        budgets: budgets
            .into_iter()
            .map(|(_, most, of)| Budget {
                uses: takes
                    .iter()
                    .map(|takes| crosses * f64::from(of(takes)))
                    .collect(),
                most: f64::from(most),
            })
            .collect(),
        seed_parents_n: asked.seed_parents_n.map(|n| n as usize),
    }))
}

impl Takes {
    fn flowers(&self) -> u32 {
        self.flowers_n.unwrap_or(0)
    }

    fn mothers(&self) -> u32 {
        self.mothers_n
    }
}

/// Plans a season.
pub async fn plan(
    app: &CrossingApp,
    unit: &mut Unit,
    mut request: PlanSeasonRequest,
) -> Result<Work<SeasonPlan>, Fault> {
    let mut fields = Fields::new();
    if !request.season.trim().is_empty() {
        super::seasons::year(&mut fields, "season", &request.season);
    }
    fields.finish()?;
    let asked = asked(&request)?;
    let named = [("candidate_ids", request.candidate_ids.as_slice())];
    let candidates = Candidates::read(unit, &named).await?;
    let mut notes = with_analyses(app, unit, &mut request.traits, &candidates).await?;
    let mut fields = Fields::new();
    let models = candidates.traits(&mut fields, &request.traits);
    let n = candidates.rows.len();
    fields.require(
        asked.largest_share * n as f64 >= 1.0,
        "largest_share",
        format!(
            "{} for each of {n} candidates does not add up to 1; raise it",
            asked.largest_share
        ),
    );
    fields.finish()?;
    let merit: Vec<f64> = candidates
        .rows
        .iter()
        .map(|row| models.iter().map(|model| model.merit(row.id)).sum())
        .collect();
    notes.push("pairs are left out whose pollen is refused, whose species are not known to cross or whose seedlings would be mostly sterile".to_owned());
    for model in models.iter().filter(|model| model.weight != 0.0) {
        let unknown = candidates
            .rows
            .iter()
            .filter(|row| !model.knows(row.id))
            .count();
        if unknown > 0 {
            notes.push(format!(
                "{} of {unknown} candidates is not known; they are taken as average",
                model.name
            ));
        }
    }
    let s_genotypes = candidates.s_genotypes()?;
    let coancestry: Vec<Vec<f64>> = candidates.kinship.rows().map(<[f64]>::to_vec).collect();

    let today = reckoned(unit);
    let standing = mothers::standing(unit.connection(), Day(today)).await?;
    let standing_n = |plant: crate::domain::PlantId| {
        let of = standing.iter().filter(|row| row.germplasm_id == plant);
        u32::try_from(of.count()).unwrap_or(u32::MAX)
    };
    let sets = advice::fruit_sets(unit, None).await?;
    // Who the pollen parents are is not known yet: a mother's flowers are reckoned with her own kind.
    let takes: Vec<Takes> = candidates
        .rows
        .iter()
        .map(|row| {
            let set = sets.expect(row.id, &row.species, &row.species);
            Takes::of(&asked, set.mean(), standing_n(row.id))
        })
        .collect();
    let limits = limits(&asked, &takes)?;

    let parents_of = Parents {
        merit,
        coancestry,
        largest_share: asked.largest_share,
    };
    Ok(Work::new(move |_| {
        let drawn = draw(
            &parents_of,
            &asked,
            limits.as_ref(),
            &takes,
            |mother, father| {
                let advice = parents::advise(&s_genotypes[mother], &s_genotypes[father]);
                (workable(&advice) && advice.fertility != Some(ExpectedFertility::MostlySterile))
                    .then(|| ease(advice.compatibility.verdict))
            },
        )?;
        let planned = Planned {
            asked,
            candidates,
            parents_of,
            takes,
            limits,
            sets,
        };
        Ok(planned.told(&drawn, notes))
    }))
}

/// All that a plan was drawn from.
struct Planned {
    asked: Asked,
    candidates: Candidates,
    parents_of: Parents,
    takes: Vec<Takes>,
    limits: Option<MotherLimits>,
    sets: FruitSets,
}

impl Planned {
    fn told(&self, drawn: &Drawn, mut notes: Vec<String>) -> SeasonPlan {
        let Self {
            asked,
            candidates,
            parents_of,
            takes,
            limits,
            sets,
        } = self;
        let shared = share_out(asked, takes, &drawn.crosses);
        let mut matings = Vec::with_capacity(drawn.crosses.len());
        let mut lacking: BTreeMap<usize, u32> = BTreeMap::new();
        let mut used: BTreeMap<(&str, &str), ExpectedSet> = BTreeMap::new();
        for (cross, (mothers_n, flowers_n)) in drawn.crosses.iter().zip(shared) {
            let (mother, father) = (
                &candidates.rows[cross.mother],
                &candidates.rows[cross.father],
            );
            let set = sets.expect(mother.id, &mother.species, &father.species);
            let lacks = asked
                .fruit_wanted_n
                .map(|fruit| set.flowers_for(fruit))
                .filter(|needed| {
                    mother.species != father.species && *needed > takes[cross.mother].flowers()
                });
            if let Some(needed) = lacks {
                notes.push(format!(
                    "{} with pollen of {}: {needed} flowers a cross bring the wanted fruit with pollen of {}, more than the plan reckons; {}",
                    mother.name, father.name, father.species, set.basis
                ));
            }
            *lacking.entry(cross.mother).or_insert(0) += mothers_n;
            matings.push(SeasonMating {
                seed_parent_id: mother.id.to_string(),
                seed_parent_name: mother.name.clone(),
                pollen_parent_id: father.id.to_string(),
                pollen_parent_name: father.name.clone(),
                crosses_n: u32::try_from(cross.crosses_n).unwrap_or(u32::MAX),
                mothers_n,
                flowers_n,
                expected_fruit_n: f64::from(flowers_n) * set.mean(),
                progeny_inbreeding: parents_of.coancestry[cross.mother][cross.father],
                expected_merit: f64::midpoint(
                    parents_of.merit[cross.mother],
                    parents_of.merit[cross.father],
                ),
                verdict: match cross.ease {
                    3 => "full",
                    2 => "half",
                    _ => "unknown",
                }
                .to_owned(),
                mothers_standing_n: takes[cross.mother].standing_n,
            });
            used.insert((mother.name.as_str(), father.species.as_str()), set);
        }
        for (mother, needed) in lacking {
            let standing = takes[mother].standing_n;
            if needed > standing {
                let name = &candidates.rows[mother].name;
                notes.push(format!(
                    "{needed} mothers of {name} are asked for and {standing} stand"
                ));
            }
        }
        notes.extend(used.into_iter().map(|((mother, _), set)| {
            format!(
                "fruit set of {mother}, {:.1} %: {}",
                set.mean() * 100.0,
                set.basis
            )
        }));
        if limits.is_some() && asked.seed_parents_n.is_some() {
            notes.push("so few seed parents are chosen as keep most of the crosses with those that are best without that limit; that no other choice of so few does better is not proven, but none is above the merit without limits".to_owned());
        }
        told(
            candidates,
            parents_of,
            drawn,
            limits_told(asked, takes, limits.as_ref(), drawn),
            matings,
            notes,
        )
    }
}

/// Mothers and flowers of each cross: what its fruit needs where fruit is asked for, else an even part
/// of what there is.
fn share_out(asked: &Asked, takes: &[Takes], crosses: &[Oriented]) -> Vec<(u32, u32)> {
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    if asked.fruit_wanted_n.is_some() {
        return crosses
            .iter()
            .map(|cross| {
                let (n, takes) = (count(cross.crosses_n), &takes[cross.mother]);
                (
                    n.saturating_mul(takes.mothers()),
                    n.saturating_mul(takes.flowers()),
                )
            })
            .collect();
    }
    let weights: Vec<f64> = crosses.iter().map(|cross| cross.crosses_n as f64).collect();
    let mothers_n =
        largest_remainders(asked.mothers_n as usize, &weights, |k| crosses[k].crosses_n);
    let mother_weights: Vec<f64> = mothers_n.iter().map(|n| *n as f64).collect();
    let flowers_n = largest_remainders(asked.flowers_n as usize, &mother_weights, |_| 0);
    mothers_n
        .into_iter()
        .map(count)
        .zip(flowers_n.into_iter().map(count))
        .collect()
}

/// What the limits leave at the best shares.
fn limits_told(
    asked: &Asked,
    takes: &[Takes],
    limits: Option<&MotherLimits>,
    drawn: &Drawn,
) -> Vec<PlanLimit> {
    const BINDS_FROM: f64 = 0.999;
    let Some(limits) = limits else {
        return Vec::new();
    };
    let seed_shares = &drawn.best.seed_shares;
    let limit = |limit: &str, most: f64, used: f64| PlanLimit {
        limit: limit.to_owned(),
        most,
        used,
        binds: used >= most * BINDS_FROM,
    };
    let mut told = Vec::new();
    let names = ["flowers", "mothers"];
    for (name, budget) in names.into_iter().zip(&limits.budgets) {
        if name == "mothers" || asked.fruit_wanted_n.is_some() {
            told.push(limit(name, budget.most, budget.used(seed_shares)));
        }
    }
    if asked.standing_mothers_only {
        let crosses = f64::from(asked.crosses_n);
        let most: f64 = takes.iter().map(|takes| f64::from(takes.standing_n)).sum();
        let in_full = seed_shares.iter().zip(&limits.largest_share);
        let binds = in_full
            .filter(|(m, _)| **m > NO_SHARE)
            .any(|(m, most)| m >= &(most * BINDS_FROM));
        let used = seed_shares.iter().zip(takes);
        told.push(PlanLimit {
            binds,
            ..limit(
                "standing_mothers",
                most,
                used.map(|(m, takes)| m * crosses * f64::from(takes.mothers_n))
                    .sum(),
            )
        });
    }
    if let Some(most) = limits.seed_parents_n {
        told.push(limit(
            "seed_parents",
            most as f64,
            drawn.best.seed_parents_n() as f64,
        ));
    }
    told
}

/// The optimum, its curve and the pairs that whole crosses make of it.
struct Drawn {
    curve: Vec<SidedContributions>,
    best: SidedContributions,
    ceiling: f64,
    /// Merit of the optimum without limits on mothers; none without such limits.
    without_limits: Option<f64>,
    crosses: Vec<Oriented>,
    /// Whether no other pairing has less inbreeding.
    proven: bool,
}

/// Group coancestry of candidates that are all used alike.
fn used_alike(coancestry: &[Vec<f64>]) -> f64 {
    let n = coancestry.len() as f64;
    coancestry.iter().flatten().sum::<f64>() / (n * n)
}

/// Shares of which it does not matter who is a mother.
fn one_sided(all: Contributions) -> SidedContributions {
    SidedContributions {
        seed_shares: Vec::new(),
        all,
    }
}

fn draw(
    parents: &Parents,
    asked: &Asked,
    limits: Option<&MotherLimits>,
    takes: &[Takes],
    judged: impl Fn(usize, usize) -> Option<u8>,
) -> Result<Drawn, Fault> {
    let curve = match limits {
        None => parents
            .trade_off(asked.points_n)
            .map(|curve| curve.into_iter().map(one_sided).collect()),
        Some(limits) => parents.trade_off_within(limits, asked.points_n),
    };
    let curve: Vec<SidedContributions> = curve.map_err(|error| {
        let field = if limits.is_some() {
            "/mothers_n"
        } else {
            "/candidate_ids"
        };
        Fault::field(field, error.to_string())
    })?;
    let (greatest, least) = (
        curve[0].all.coancestry,
        curve[curve.len() - 1].all.coancestry,
    );
    let of_rise = asked
        .largest_rise
        .map(|rise| risen(used_alike(&parents.coancestry), rise));
    let ceiling = asked
        .ceiling
        .or(of_rise)
        .unwrap_or(f64::midpoint(greatest, least));
    let field = match of_rise {
        Some(_) => "/largest_rise",
        None => "/kinship_ceiling",
    };
    let too_low = |error| match error {
        SelectionError::OutOfRange { .. } => Fault::field(
            field,
            format!(
                "{ceiling} is below the least group coancestry of these candidates and their mothers, {least:.4}; raise it or take less related candidates"
            ),
        ),
        other => Fault::internal(other),
    };
    let optimum = |ceiling: f64| match limits {
        None => parents.optimal(ceiling).map(one_sided),
        Some(limits) => parents.optimal_within(limits, ceiling),
    };
    let best = optimum(ceiling).map_err(too_low)?;
    let without_limits = match limits {
        None => None,
        Some(_) => Some(parents.optimal(ceiling).map_err(too_low)?.merit),
    };
    let mut whole = in_whole_crosses(parents, asked, limits, takes, &judged, &best)?;
    // Whole crosses come near to the best shares only, and must keep to the ceiling themselves: the
    // optimum is sought under a lower one until they do.
    let mut target = ceiling;
    for _ in 0..TIGHTENINGS {
        if whole.coancestry <= ceiling + SLACK || target <= least + SLACK {
            break;
        }
        target -= (whole.coancestry - ceiling).max(LEAST_STEP * (ceiling - least));
        target = target.max(least + SLACK);
        let Ok(shares) = optimum(target) else { break };
        let tighter = in_whole_crosses(parents, asked, limits, takes, &judged, &shares)?;
        if tighter.coancestry < whole.coancestry {
            whole = tighter;
        }
    }
    let asked_for = asked.ceiling.is_some() || of_rise.is_some();
    if asked_for && whole.coancestry > ceiling + SLACK {
        return Err(Fault::field(
            field,
            format!(
                "{} whole crosses of these candidates come to a group coancestry of {:.4}, above {ceiling:.4}; plan more crosses, raise it, or take less related candidates",
                asked.crosses_n, whole.coancestry
            ),
        ));
    }
    Ok(Drawn {
        curve,
        best,
        // A ceiling that nobody asked for gives way to what whole crosses can keep.
        ceiling: if asked_for {
            ceiling
        } else {
            ceiling.max(whole.coancestry)
        },
        without_limits,
        crosses: whole.crosses,
        proven: whole.proven,
    })
}

/// Whole crosses with the group coancestry that they come to.
struct Whole {
    crosses: Vec<Oriented>,
    coancestry: f64,
    proven: bool,
}

/// Shares of the next generation that whole crosses give each candidate.
fn planned_shares(crosses: &[Oriented], candidates_n: usize) -> Vec<f64> {
    let total: usize = crosses.iter().map(|cross| cross.crosses_n).sum();
    let mut planned = vec![0.0; candidates_n];
    for cross in crosses {
        let part = cross.crosses_n as f64 / (2.0 * total.max(1) as f64);
        planned[cross.mother] += part;
        planned[cross.father] += part;
    }
    planned
}

/// Group coancestry of shares.
fn group_coancestry(shares: &[f64], coancestry: &[Vec<f64>]) -> f64 {
    shares
        .iter()
        .zip(coancestry)
        .filter(|(share, _)| **share > 0.0)
        .map(|(share, row)| share * shares.iter().zip(row).map(|(c, f)| c * f).sum::<f64>())
        .sum()
}

/// Pairs of whole crosses nearest to some best shares.
fn in_whole_crosses(
    parents: &Parents,
    asked: &Asked,
    limits: Option<&MotherLimits>,
    takes: &[Takes],
    judged: &impl Fn(usize, usize) -> Option<u8>,
    best: &SidedContributions,
) -> Result<Whole, Fault> {
    let used: Vec<usize> = (0..best.all.shares.len())
        .filter(|&i| best.all.shares[i] > NO_SHARE)
        .collect();
    let mut directions = HashMap::new();
    for &mother in &used {
        for &father in used.iter().filter(|father| **father != mother) {
            if parents.coancestry[mother][father] <= asked.pair_ceiling
                && let Some(ease) = judged(mother, father)
            {
                directions.insert((mother, father), ease);
            }
        }
    }
    let (allocation, crosses) = match limits {
        None => {
            let found = paired(parents, asked, &best.all, &directions)?;
            let crosses = orient(&found, &directions, takes);
            (found, crosses)
        }
        Some(limits) => {
            let ease = |mother, father| directions.get(&(mother, father)).copied();
            let crosses_n = asked.crosses_n as usize;
            let found = allocate_within(best, &parents.coancestry, crosses_n, limits, ease)
                .map_err(|error| Fault::field("/pair_kinship_ceiling", error.to_string()))?;
            let crosses = found.matings.iter().map(|mating| Oriented {
                mother: mating.first,
                father: mating.second,
                crosses_n: mating.crosses_n,
                ease: directions[&(mating.first, mating.second)],
            });
            let crosses = crosses.collect();
            (found, crosses)
        }
    };
    let planned = planned_shares(&crosses, parents.merit.len());
    Ok(Whole {
        coancestry: group_coancestry(&planned, &parents.coancestry),
        crosses,
        proven: allocation.proven,
    })
}

/// Pairs whose parts are not settled yet.
fn paired(
    parents: &Parents,
    asked: &Asked,
    best: &Contributions,
    directions: &HashMap<(usize, usize), u8>,
) -> Result<Allocation, Fault> {
    let shares: Vec<f64> = best
        .shares
        .iter()
        .map(|share| if *share > NO_SHARE { *share } else { 0.0 })
        .collect();
    let allowed =
        |i: usize, j: usize| directions.contains_key(&(i, j)) || directions.contains_key(&(j, i));
    allocate_mates(
        &shares,
        &parents.coancestry,
        asked.crosses_n as usize,
        allowed,
    )
    .map_err(|error| Fault::field("/pair_kinship_ceiling", error.to_string()))
}

/// A pair with its parts settled.
struct Oriented {
    mother: usize,
    father: usize,
    crosses_n: usize,
    ease: u8,
}

/// Makes mothers of those that have more trees left standing, then of those that take the pollen
/// more easily.
fn orient(
    pairs: &Allocation,
    directions: &HashMap<(usize, usize), u8>,
    takes: &[Takes],
) -> Vec<Oriented> {
    let mut left: Vec<i64> = takes
        .iter()
        .map(|takes| i64::from(takes.standing_n))
        .collect();
    let mut order: Vec<&Mating> = pairs.matings.iter().collect();
    order.sort_by(|a, b| {
        b.crosses_n
            .cmp(&a.crosses_n)
            .then((a.first, a.second).cmp(&(b.first, b.second)))
    });
    let mut oriented = Vec::with_capacity(order.len());
    for mating in order {
        let ways = [(mating.first, mating.second), (mating.second, mating.first)];
        let way = ways
            .into_iter()
            .filter_map(|way| directions.get(&way).map(|ease| (way, *ease)))
            .max_by_key(|((mother, _), ease)| (left[*mother], *ease));
        let Some(((mother, father), ease)) = way else {
            continue;
        };
        left[mother] -= mating.crosses_n as i64;
        oriented.push(Oriented {
            mother,
            father,
            crosses_n: mating.crosses_n,
            ease,
        });
    }
    oriented
}

fn told(
    candidates: &Candidates,
    parents: &Parents,
    drawn: &Drawn,
    limits: Vec<PlanLimit>,
    matings: Vec<SeasonMating>,
    mut notes: Vec<String>,
) -> SeasonPlan {
    let oriented = &drawn.crosses;
    let n = candidates.rows.len();
    let alike = used_alike(&parents.coancestry);
    let served = |shares: &[f64]| {
        let n = shares.iter().filter(|s| **s > NO_SHARE).count();
        u32::try_from(n).unwrap_or(u32::MAX)
    };
    let limited = !limits.is_empty();
    let point = |merit: f64, coancestry: f64, shares: &[f64], as_mother: &[f64]| TradeOffPoint {
        merit,
        group_coancestry: coancestry,
        rise_in_coancestry: rise(alike, coancestry),
        parents_n: served(shares),
        seed_parents_n: limited.then(|| served(as_mother)),
    };
    let on_curve = |c: &SidedContributions| {
        point(c.all.merit, c.all.coancestry, &c.all.shares, &c.seed_shares)
    };
    let total: usize = oriented.iter().map(|cross| cross.crosses_n).sum();
    let planned = planned_shares(oriented, n);
    let mut as_mother = vec![0u32; n];
    let mut as_father = vec![0u32; n];
    for cross in oriented {
        let crosses_n = u32::try_from(cross.crosses_n).unwrap_or(u32::MAX);
        as_mother[cross.mother] += crosses_n;
        as_father[cross.father] += crosses_n;
    }
    let planned_merit: f64 = planned.iter().zip(&parents.merit).map(|(c, g)| c * g).sum();
    let planned_coancestry = group_coancestry(&planned, &parents.coancestry);
    if !drawn.proven {
        notes.push(
            "the pairing is the best that was found; that none is less inbred was not proven"
                .to_owned(),
        );
    }
    let mut contributions: Vec<ParentContribution> = (0..n)
        .filter(|&i| drawn.best.all.shares[i] > NO_SHARE || planned[i] > 0.0)
        .map(|i| ParentContribution {
            germplasm_id: candidates.rows[i].id.to_string(),
            name: candidates.rows[i].name.clone(),
            merit: parents.merit[i],
            share: drawn.best.all.shares[i],
            seed_share: drawn.best.seed_shares.get(i).copied(),
            planned_share: planned[i],
            as_seed_parent_n: as_mother[i],
            as_pollen_parent_n: as_father[i],
            rights_standing: candidates.rows[i].rights_standing.clone(),
        })
        .collect();
    contributions.sort_by(|a, b| b.share.total_cmp(&a.share).then(a.name.cmp(&b.name)));
    let inbreeding: f64 = matings
        .iter()
        .map(|m| f64::from(m.crosses_n) * m.progeny_inbreeding)
        .sum();
    SeasonPlan {
        trade_off: drawn.curve.iter().map(on_curve).collect(),
        best: Some(on_curve(&drawn.best)),
        planned: Some(point(
            planned_merit,
            planned_coancestry,
            &planned,
            &as_mother.iter().map(|n| f64::from(*n)).collect::<Vec<_>>(),
        )),
        merit_without_limits: drawn.without_limits,
        limits,
        kinship_ceiling: drawn.ceiling,
        mean_progeny_inbreeding: inbreeding / total.max(1) as f64,
        parents: contributions,
        matings,
        notes,
    }
}
