//! Optimal contributions of 400 candidate parents with their mates, without and within limits on
//! mothers and flowers, beside one dense factorisation of their kinship matrix. Prints times and
//! ratios.

use std::time::Instant;

use biometry::selection::contributions::{
    Budget, MotherLimits, Parents, allocate_mates, allocate_within,
};
use faer::{Mat, Side};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const CANDIDATES: usize = 400;
const FOUNDERS: usize = 40;
const CROSSES: usize = 100;

/// Candidates of four generations from forty founders.
fn candidates() -> Parents {
    let mut random = ChaCha8Rng::seed_from_u64(2026);
    let records: Vec<pedigree::PlantRecord<usize>> = (0..FOUNDERS + 3 * CANDIDATES)
        .map(|id| {
            if id < FOUNDERS {
                return pedigree::PlantRecord::founder(id);
            }
            let first = id.saturating_sub(CANDIDATES);
            let mut parent = || random.random_range(first..id);
            let (mother, father) = (parent(), parent());
            pedigree::PlantRecord::cross(id, mother, father)
        })
        .collect();
    let pedigree = pedigree::Pedigree::from_records(records).expect("parents come first");
    let ids: Vec<usize> = (FOUNDERS + 2 * CANDIDATES..FOUNDERS + 3 * CANDIDATES).collect();
    let kinship = pedigree.kinship(&ids).expect("known plants");
    Parents {
        merit: ids.iter().map(|_| 3.0 * random.random::<f64>()).collect(),
        coancestry: kinship.rows().map(<[f64]>::to_vec).collect(),
        largest_share: 0.5,
    }
}

fn main() {
    let parents = candidates();
    let begun = Instant::now();
    let dense = Mat::from_fn(CANDIDATES, CANDIDATES, |i, j| {
        parents.coancestry[i][j] + if i == j { 1e-10 } else { 0.0 }
    });
    let factor = dense.llt(Side::Lower).expect("a kinship matrix");
    let baseline = begun.elapsed();
    let solid = factor.L()[(0, 0)];

    let begun = Instant::now();
    let curve = parents.trade_off(9).expect("a curve");
    let of_curve = begun.elapsed();
    let middle = curve[curve.len() / 2].coancestry;
    let begun = Instant::now();
    let best = parents.optimal(middle).expect("an optimum");
    let of_one = begun.elapsed();
    let begun = Instant::now();
    let pairs =
        allocate_mates(&best.shares, &parents.coancestry, CROSSES, |_, _| true).expect("a pairing");
    let of_pairs = begun.elapsed();

    let ratio = |time: std::time::Duration| time.as_secs_f64() / baseline.as_secs_f64();
    println!(
        "dense factorisation of the {CANDIDATES} x {CANDIDATES} kinship matrix: {baseline:?} (first pivot {solid:.3})"
    );
    for point in &curve {
        let parents_n = point.shares.iter().filter(|c| **c > 1e-6).count();
        println!(
            "  merit {:.4}, group coancestry {:.4}, {parents_n} parents",
            point.merit, point.coancestry
        );
    }
    println!(
        "trade-off curve of 9 points: {of_curve:?}, {:.1} factorisations",
        ratio(of_curve)
    );
    println!(
        "one optimum: {of_one:?}, {:.1} factorisations",
        ratio(of_one)
    );
    let proven = |proven| if proven { ", proven best" } else { "" };
    println!(
        "{CROSSES} crosses paired{}: {of_pairs:?}, {:.1} factorisations",
        proven(pairs.proven),
        ratio(of_pairs)
    );

    // A third of the candidates have trees, for two to nine crosses each; flowers are a tenth short
    // of what the optimum would take, and no more than twenty serve as seed parents.
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let trees: Vec<f64> = (0..CANDIDATES)
        .map(|i| {
            let trees = f64::from(random.random_range(2u8..10));
            if i % 3 == 0 {
                trees / CROSSES as f64
            } else {
                0.0
            }
        })
        .collect();
    let uses: Vec<f64> = (0..CANDIDATES)
        .map(|_| 20_000.0 + 60_000.0 * random.random::<f64>())
        .collect();
    let limits = |most: f64, seed_parents_n| MotherLimits {
        largest_share: trees.clone(),
        budgets: vec![Budget {
            uses: uses.clone(),
            most,
        }],
        seed_parents_n,
    };
    let ample = limits(1e9, None);
    let free = parents
        .optimal_within(&ample, middle)
        .expect("an optimum within the trees");
    let most = 0.9 * ample.budgets[0].used(&free.seed_shares);
    for seed_parents_n in [None, Some(20)] {
        let limits = limits(most, seed_parents_n);
        let begun = Instant::now();
        let best = parents
            .optimal_within(&limits, middle)
            .expect("an optimum within the limits");
        let of_one = begun.elapsed();
        let begun = Instant::now();
        let curve = parents
            .trade_off_within(&limits, 9)
            .expect("a curve within the limits");
        let of_curve = begun.elapsed();
        let begun = Instant::now();
        let ease = |_: usize, _: usize| Some(1);
        let pairs = allocate_within(&best, &parents.coancestry, CROSSES, &limits, ease)
            .expect("a pairing within the limits");
        let of_pairs = begun.elapsed();
        println!(
            "within trees, flowers{}: merit {:.4} from {} seed parents, {:.0} of {most:.0} flowers; one optimum {of_one:?}, {:.1} factorisations; curve of {} points {of_curve:?}, {:.1}; paired{} {of_pairs:?}, {:.1}",
            seed_parents_n.map_or(String::new(), |n| format!(" and {n} seed parents")),
            best.all.merit,
            best.seed_parents_n(),
            limits.budgets[0].used(&best.seed_shares),
            ratio(of_one),
            curve.len(),
            ratio(of_curve),
            proven(pairs.proven),
            ratio(of_pairs)
        );
    }
}
