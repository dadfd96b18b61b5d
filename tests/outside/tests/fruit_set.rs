//! Proportions, exact tests and segregation ratios against independently computed values.

use crate::designs::cases::{self, Case, Json};
use biometry::fruit_set::Count;
use biometry::fruit_set::outlook::Prior;
use biometry::fruit_set::pooled::Pooled;
use biometry::fruit_set::proportion::{Method, interval};
use biometry::fruit_set::tables::{self, Found};
use compatibility::Survival;

/// A proportion with its intervals.
fn check_intervals(case: &mut Case, what: &str, row: &Json, confidence: f64) {
    let whole = |key: &str| row.need(key).number() as u64;
    let count = match Count::new(whole("x"), whole("n")) {
        Ok(count) => count,
        Err(error) => return case.fault(error),
    };
    for (key, value) in row.pairs() {
        let method = match key.as_str() {
            "x" | "n" => continue,
            "proportion" => {
                case.number(
                    format!("{what}: proportion"),
                    count.proportion(),
                    value.number(),
                );
                continue;
            }
            "clopper_pearson" => Method::ClopperPearson,
            "wilson" => Method::Wilson,
            "wilson_continuity" => Method::WilsonContinuity,
            "agresti_coull" => Method::AgrestiCoull,
            _ => {
                case.unknown(key);
                continue;
            }
        };
        match interval(count, method, confidence) {
            Ok(found) => {
                case.numbers(&format!("{what}: {key}"), &[found.low, found.high], value);
            }
            Err(error) => case.fault(error),
        }
    }
}

fn check_table(case: &mut Case) {
    let table = case.json.need("table").clone();
    let names: Vec<&str> = table
        .pairs()
        .iter()
        .map(|(name, _)| name.as_str())
        .collect();
    let counts: Vec<Count> = table
        .pairs()
        .iter()
        .map(|(_, row)| {
            let part = |key: &str| row.need(key).number() as u64;
            Count::new(part("fruit"), part("fruit") + part("no_fruit")).expect("a count")
        })
        .collect();
    let homogeneity = tables::homogeneity(&counts).expect("several pollens");
    let (pearson, g) = (homogeneity.pearson, homogeneity.g);
    for (key, value) in case.expected().pairs() {
        match key.as_str() {
            "pearson_chi2" => case.value(key, pearson.map(|t| t.statistic), value),
            "pearson_p" => case.value(key, pearson.map(|t| t.p), value),
            "df" => case.value(key, pearson.map(|t| t.df as f64), value),
            "g_statistic" => case.value(key, g.map(|t| t.statistic), value),
            "g_p" => case.value(key, g.map(|t| t.p), value),
            "min_expected" => case.number(key, homogeneity.min_expected, value.number()),
            "cramers_v" => case.value(key, homogeneity.cramers_v, value),
            "fisher_freeman_halton_p" => {
                let found = tables::exact_test(&counts, 1).expect("several pollens");
                if found.found != Found::Enumerated {
                    case.fault("the exact probability was simulated");
                }
                case.number(key, found.p, value.number());
            }
            "pairwise" => value
                .list()
                .iter()
                .for_each(|row| check_pair(case, &names, &counts, row)),
            _ => match key
                .strip_prefix("intervals_")
                .and_then(|c| c.parse::<f64>().ok())
            {
                Some(percent) => {
                    for (name, row) in value.pairs() {
                        check_intervals(case, name, row, percent / 100.0);
                    }
                }
                None => case.unknown(key),
            },
        }
    }
}

fn check_pair(case: &mut Case, names: &[&str], counts: &[Count], row: &Json) {
    let pair: Vec<&str> = row.need("pair").list().iter().map(Json::text).collect();
    let at = |name: &str| names.iter().position(|n| *n == name);
    let (Some(a), Some(b)) = (at(pair[0]), at(pair[1])) else {
        return case.fault(format!("{pair:?} are not in the table"));
    };
    let all = tables::pairwise(counts).expect("several pollens");
    let Some(found) = all
        .iter()
        .find(|t| (t.first, t.second) == (a.min(b), a.max(b)))
    else {
        return case.fault(format!("{pair:?} were not compared"));
    };
    let turned = a > b;
    for (key, value) in row.pairs() {
        let what = format!("{key} of {pair:?}");
        match key.as_str() {
            "pair" => {}
            "fisher_p" => case.number(what, found.fisher_p, value.number()),
            "fisher_p_holm" => case.number(what, found.fisher_p_holm, value.number()),
            "fisher_p_bonferroni" => case.number(what, found.fisher_p_bonferroni, value.number()),
            "fisher_p_benjamini_hochberg" => {
                case.number(what, found.fisher_p_benjamini_hochberg, value.number());
            }
            "sample_odds_ratio" => {
                let ratio = found.odds_ratio.map(|r| if turned { 1.0 / r } else { r });
                case.value(what, ratio, value);
            }
            "difference" => {
                let sign = if turned { -1.0 } else { 1.0 };
                case.number(what, sign * found.difference, value.number());
            }
            "chi2" => case.value(what, found.pearson.map(|t| t.statistic), value),
            "chi2_p" => case.value(what, found.pearson.map(|t| t.p), value),
            "chi2_yates" => case.value(what, found.yates.map(|t| t.statistic), value),
            "chi2_yates_p" => case.value(what, found.yates.map(|t| t.p), value),
            _ => case.unknown(key),
        }
    }
}

fn check_segregation(case: &mut Case, row: &Json) {
    let (observed, ratio) = (row.need("observed").numbers(), row.need("ratio").numbers());
    let found = match tables::segregation(&observed, &ratio) {
        Ok(found) => found,
        Err(error) => return case.fault(error),
    };
    for (key, value) in row.pairs() {
        let what = format!("{key} of {observed:?}");
        match key.as_str() {
            "observed" | "ratio" => {}
            "expected" => case.numbers(&what, &found.expected, value),
            "chi2" => case.number(what, found.chi2.statistic, value.number()),
            "df" => case.number(what, found.chi2.df as f64, value.number()),
            "p" => case.number(what, found.chi2.p, value.number()),
            _ => case.unknown(key),
        }
    }
}

/// Fruit set by kind of cross and seed parent, pooled in part.
fn check_pooled(case: &mut Case) {
    let usual = case.json.need("usual");
    let usual = Prior {
        mean_set: usual.need("mean_set").number(),
        worth_flowers_n: usual.need("worth_flowers").number(),
    };
    let count = |pair: &Json| {
        let [fruit, flowers] = pair.numbers()[..] else {
            panic!("fruit and flowers are expected, not {pair:?}");
        };
        Count::new(fruit as u64, flowers as u64).expect("a count")
    };
    let counts: Vec<Vec<Vec<Count>>> = case
        .json
        .need("counts")
        .list()
        .iter()
        .map(|kind| {
            let crosses = |parent: &Json| parent.list().iter().map(count).collect();
            kind.list().iter().map(crosses).collect()
        })
        .collect();
    let pooled = Pooled::of(usual, &counts).expect("a usual set");
    let expected = case.expected();
    let correlation = expected.need("correlation").number();
    case.number("correlation", pooled.correlation(), correlation);
    let place = |of: &Json| (*of != Json::Null).then(|| of.number() as usize);
    for row in expected.need("sets").list() {
        let (kind, parent) = (row.need("kind"), row.need("seed_parent"));
        let found = pooled.expect(place(kind), place(parent));
        let what = format!("kind {kind:?}, seed parent {parent:?}");
        let mean = found.mean_set;
        case.number(format!("{what}: mean"), mean, row.need("mean").number());
        let variance = mean * (1.0 - mean) / (found.worth_flowers_n + 1.0);
        let expected = row.need("variance").number();
        case.number(
            format!("{what}: deviation"),
            variance.sqrt(),
            expected.sqrt(),
        );
    }
}

/// Plants, seeds, fruits and flowers that a wish asks for.
fn check_chances(case: &mut Case) {
    for row in case.expected().need("rows").list() {
        let number = |key: &str| row.need(key).number();
        let survival = Survival {
            fruit_set: number("fruit_set"),
            seeds_per_fruit: number("seeds_per_fruit"),
            germination: number("germination"),
            survival: number("survival"),
        };
        let wanted_n = number("wanted") as u64;
        match survival.needed_for(wanted_n, number("share"), number("probability")) {
            Ok(Some(needed)) => {
                let found = [
                    ("plants", needed.plants_n),
                    ("seeds", needed.seeds_n),
                    ("fruits", needed.fruits_n),
                    ("flowers", needed.flowers_n),
                ];
                for (what, found) in found {
                    case.number(format!("{what} of {row:?}"), found as f64, number(what));
                }
            }
            other => case.fault(format!("{row:?}: {other:?}")),
        }
    }
}

#[test]
fn outside_fruit_set() {
    let topics = ["fruit_set", "fruit_set_pooled", "survival_chances"];
    cases::run("outside_fruit_set", &topics, |case| {
        match case.json.need("topic").text() {
            "fruit_set_pooled" => return check_pooled(case),
            "survival_chances" => return check_chances(case),
            _ => {}
        }
        if case.json.get("table").is_some() {
            return check_table(case);
        }
        for row in case.expected().need("rows").list() {
            if row.get("ratio").is_some() {
                check_segregation(case, row);
            } else {
                let what = format!("{:?} of {:?}", row.need("x"), row.need("n"));
                check_intervals(case, &what, row, 0.95);
            }
        }
    });
}
