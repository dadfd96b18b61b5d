//! A whole season's crosses at once: gain against coancestry, then mates, mothers and flowers.

use std::collections::{BTreeMap, HashMap};

use biometry::selection::SelectionError;
use biometry::selection::contributions::{Contributions, Mating, Parents, allocate_mates};
use contract::crossing::{
    ParentContribution, PlanSeasonRequest, SeasonMating, SeasonPlan, TradeOffPoint,
};
use platform::database::Day;
use platform::{Fault, Fields, Unit};

use super::advice;
use super::adviser::{Candidates, USUAL_KINSHIP, ease, reckoned, with_analyses, workable};
use crate::CrossingApp;
use crate::domain::parents;
use crate::domain::plan::{largest_remainders, rise};
use crate::store::mothers;

/// A share that is as good as none.
const NO_SHARE: f64 = 1e-6;
/// Points on the trade-off curve when nothing is said.
const USUAL_POINTS: u32 = 9;

/// What is asked, with its numbers checked.
struct Asked {
    flowers_n: u32,
    mothers_n: u32,
    crosses_n: u32,
    ceiling: Option<f64>,
    pair_ceiling: f64,
    largest_share: f64,
    points_n: usize,
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
    ] {
        if let Some(value) = value {
            fields.number(field, value, 0.0, 1.0);
        }
    }
    let largest_share = request.largest_share.unwrap_or(0.5);
    fields.number("largest_share", largest_share, 0.001, 0.5);
    let points_n = request.curve_points_n.unwrap_or(USUAL_POINTS);
    fields.count("curve_points_n", points_n, 2, 25);
    fields.finish()?;
    Ok(Asked {
        flowers_n: request.flowers_n,
        mothers_n: request.mothers_n,
        crosses_n: request.crosses_n,
        ceiling: request.kinship_ceiling,
        pair_ceiling: request.pair_kinship_ceiling.unwrap_or(USUAL_KINSHIP),
        largest_share,
        points_n: points_n as usize,
    })
}

/// Plans a season.
pub async fn plan(
    app: &CrossingApp,
    unit: &mut Unit,
    mut request: PlanSeasonRequest,
) -> Result<SeasonPlan, Fault> {
    let mut fields = Fields::new();
    if !request.season.trim().is_empty() {
        super::seasons::year(&mut fields, "season", &request.season);
    }
    fields.finish()?;
    let asked = asked(&request)?;
    let mut notes = with_analyses(app, unit, &mut request.traits).await?;
    let named = [("candidate_ids", request.candidate_ids.as_slice())];
    let candidates = Candidates::read(unit, &named).await?;
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

    // Optimising is arithmetic for a while, so it leaves the threads that serve others alone.
    let parents_of = Parents {
        merit,
        coancestry,
        largest_share: asked.largest_share,
    };
    let (parents_of, asked, drawn) = tokio::task::spawn_blocking(move || {
        let drawn = draw(&parents_of, &asked, |mother, father| {
            let advice = parents::advise(&s_genotypes[mother], &s_genotypes[father]);
            workable(&advice)
                .ok()
                .map(|()| ease(advice.compatibility.verdict))
        });
        (parents_of, asked, drawn)
    })
    .await
    .map_err(Fault::internal)?;
    let drawn = drawn?;
    let today = reckoned(unit);
    let standing = mothers::standing(unit.connection(), Day(today)).await?;
    let mut standing_n: HashMap<usize, u32> = HashMap::new();
    for row in &standing {
        if let Some(i) = candidates
            .rows
            .iter()
            .position(|plant| plant.id == row.germplasm_id)
        {
            *standing_n.entry(i).or_insert(0) += 1;
        }
    }
    let oriented = orient(&drawn, &standing_n);
    let weights: Vec<f64> = oriented
        .iter()
        .map(|cross| cross.crosses_n as f64)
        .collect();
    let mothers_n = largest_remainders(asked.mothers_n as usize, &weights, |k| {
        oriented[k].crosses_n
    });
    let mother_weights: Vec<f64> = mothers_n.iter().map(|n| *n as f64).collect();
    let flowers_n = largest_remainders(asked.flowers_n as usize, &mother_weights, |_| 0);
    let mut matings = Vec::with_capacity(oriented.len());
    let mut sets: BTreeMap<String, (f64, String)> = BTreeMap::new();
    let mut lacking: HashMap<usize, u32> = HashMap::new();
    for (k, cross) in oriented.iter().enumerate() {
        let (mother, father) = (
            &candidates.rows[cross.mother],
            &candidates.rows[cross.father],
        );
        if !sets.contains_key(&mother.species) {
            let set = advice::expected_set(unit, &mother.species).await?;
            sets.insert(mother.species.clone(), set);
        }
        let set = sets[&mother.species].0;
        let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        *lacking.entry(cross.mother).or_insert(0) += count(mothers_n[k]);
        matings.push(SeasonMating {
            seed_parent_id: mother.id.to_string(),
            seed_parent_name: mother.name.clone(),
            pollen_parent_id: father.id.to_string(),
            pollen_parent_name: father.name.clone(),
            crosses_n: count(cross.crosses_n),
            mothers_n: count(mothers_n[k]),
            flowers_n: count(flowers_n[k]),
            expected_fruit_n: flowers_n[k] as f64 * set,
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
            mothers_standing_n: standing_n.get(&cross.mother).copied().unwrap_or(0),
        });
    }
    let mut lacking: Vec<(usize, u32)> = lacking.into_iter().collect();
    lacking.sort_unstable();
    for (mother, needed) in lacking {
        let standing = standing_n.get(&mother).copied().unwrap_or(0);
        if needed > standing {
            let name = &candidates.rows[mother].name;
            notes.push(format!(
                "{needed} mothers of {name} are asked for and {standing} stand"
            ));
        }
    }
    notes.extend(
        sets.into_values()
            .map(|(_, basis)| format!("fruit set: {basis}")),
    );
    Ok(told(
        &candidates,
        &parents_of,
        &drawn,
        &oriented,
        matings,
        notes,
    ))
}

/// The optimum, its curve and the pairs that whole crosses make of it.
struct Drawn {
    curve: Vec<Contributions>,
    best: Contributions,
    ceiling: f64,
    matings: Vec<Mating>,
    /// Whether no other pairing has less inbreeding.
    proven: bool,
    /// How easily each direction of a pair works; none when it does not.
    directions: HashMap<(usize, usize), u8>,
}

fn draw(
    parents: &Parents,
    asked: &Asked,
    judged: impl Fn(usize, usize) -> Option<u8>,
) -> Result<Drawn, Fault> {
    let curve = parents
        .trade_off(asked.points_n)
        .map_err(|error| Fault::field("/candidate_ids", error.to_string()))?;
    let (greatest, least) = (curve[0].coancestry, curve[curve.len() - 1].coancestry);
    let ceiling = asked.ceiling.unwrap_or(f64::midpoint(greatest, least));
    let best = parents.optimal(ceiling).map_err(|error| match error {
        SelectionError::OutOfRange { .. } => Fault::field(
            "/kinship_ceiling",
            format!("{ceiling} is below the least group coancestry of these candidates, {least:.4}; raise it or take less related candidates"),
        ),
        other => Fault::internal(other),
    })?;
    let used: Vec<usize> = (0..best.shares.len())
        .filter(|&i| best.shares[i] > NO_SHARE)
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
    let shares: Vec<f64> = best
        .shares
        .iter()
        .map(|share| if *share > NO_SHARE { *share } else { 0.0 })
        .collect();
    let allowed =
        |i: usize, j: usize| directions.contains_key(&(i, j)) || directions.contains_key(&(j, i));
    let allocation = allocate_mates(
        &shares,
        &parents.coancestry,
        asked.crosses_n as usize,
        allowed,
    )
    .map_err(|error| Fault::field("/pair_kinship_ceiling", error.to_string()))?;
    Ok(Drawn {
        curve,
        best,
        ceiling,
        matings: allocation.matings,
        proven: allocation.proven,
        directions,
    })
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
fn orient(drawn: &Drawn, standing: &HashMap<usize, u32>) -> Vec<Oriented> {
    let mut left: HashMap<usize, i64> = standing
        .iter()
        .map(|(plant, trees)| (*plant, i64::from(*trees)))
        .collect();
    let mut order: Vec<&Mating> = drawn.matings.iter().collect();
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
            .filter_map(|way| drawn.directions.get(&way).map(|ease| (way, *ease)))
            .max_by_key(|((mother, _), ease)| (left.get(mother).copied().unwrap_or(0), *ease));
        let Some(((mother, father), ease)) = way else {
            continue;
        };
        *left.entry(mother).or_insert(0) -= mating.crosses_n as i64;
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
    oriented: &[Oriented],
    matings: Vec<SeasonMating>,
    mut notes: Vec<String>,
) -> SeasonPlan {
    let n = candidates.rows.len();
    let alike = parents.coancestry.iter().flatten().sum::<f64>() / (n * n) as f64;
    let point = |merit: f64, coancestry: f64, shares: &[f64]| TradeOffPoint {
        merit,
        group_coancestry: coancestry,
        rise_in_coancestry: rise(alike, coancestry),
        parents_n: u32::try_from(shares.iter().filter(|s| **s > NO_SHARE).count())
            .unwrap_or(u32::MAX),
    };
    let total: usize = oriented.iter().map(|cross| cross.crosses_n).sum();
    let mut planned = vec![0.0; n];
    let mut as_mother = vec![0u32; n];
    let mut as_father = vec![0u32; n];
    for cross in oriented {
        let part = cross.crosses_n as f64 / (2.0 * total.max(1) as f64);
        planned[cross.mother] += part;
        planned[cross.father] += part;
        let crosses_n = u32::try_from(cross.crosses_n).unwrap_or(u32::MAX);
        as_mother[cross.mother] += crosses_n;
        as_father[cross.father] += crosses_n;
    }
    let planned_merit: f64 = planned.iter().zip(&parents.merit).map(|(c, g)| c * g).sum();
    let planned_coancestry: f64 = (0..n)
        .filter(|&i| planned[i] > 0.0)
        .map(|i| {
            (0..n)
                .map(|j| planned[i] * planned[j] * parents.coancestry[i][j])
                .sum::<f64>()
        })
        .sum();
    if planned_coancestry > drawn.ceiling {
        notes.push(format!(
            "whole crosses come to a group coancestry of {planned_coancestry:.4}, above the ceiling of {:.4}; more crosses come nearer to the best shares",
            drawn.ceiling
        ));
    }
    if !drawn.proven {
        notes.push(
            "the pairing is the best that was found; that none is less inbred was not proven"
                .to_owned(),
        );
    }
    let mut contributions: Vec<ParentContribution> = (0..n)
        .filter(|&i| drawn.best.shares[i] > NO_SHARE || planned[i] > 0.0)
        .map(|i| ParentContribution {
            germplasm_id: candidates.rows[i].id.to_string(),
            name: candidates.rows[i].name.clone(),
            merit: parents.merit[i],
            share: drawn.best.shares[i],
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
        trade_off: drawn
            .curve
            .iter()
            .map(|c| point(c.merit, c.coancestry, &c.shares))
            .collect(),
        best: Some(point(
            drawn.best.merit,
            drawn.best.coancestry,
            &drawn.best.shares,
        )),
        planned: Some(point(planned_merit, planned_coancestry, &planned)),
        kinship_ceiling: drawn.ceiling,
        mean_progeny_inbreeding: inbreeding / total.max(1) as f64,
        parents: contributions,
        matings,
        notes,
    }
}
