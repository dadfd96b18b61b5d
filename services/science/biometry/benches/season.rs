//! Optimal contributions of 400 candidate parents with their mates, beside one dense factorisation
//! of their kinship matrix. Prints times and ratios.

use std::time::Instant;

use biometry::selection::contributions::{Parents, allocate_mates};
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
    println!(
        "{CROSSES} crosses paired{}: {of_pairs:?}, {:.1} factorisations",
        if pairs.proven { ", proven best" } else { "" },
        ratio(of_pairs)
    );
}
