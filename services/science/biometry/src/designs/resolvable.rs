//! Resolvable incomplete blocks from alpha arrays.

use rand::RngExt;
use rand_chacha::ChaCha12Rng;

const RESTARTS: usize = 40;
const CANDIDATES: usize = 12;
/// Comparisons over all descents, and passes that a descent usually takes.
const STEPS: usize = 2_000_000_000;
const PASSES: usize = 5;

/// Blocks of one replicate: `[block][plot] -> entry`.
pub(super) type Replicate = Vec<Vec<usize>>;

/// Candidate resolvable designs, best first by their concurrences.
///
/// A generating array a (`block_size` x `replicates`, integers modulo the number of blocks s) puts
/// entry (p, q) into block q + a\[p\]\[j\] (mod s) of replicate j (Patterson and Williams 1976,
/// from memory). The array is found by descent on the sum of squared concurrences from random
/// starts. When s * block_size exceeds `entries_n`, the surplus labels of the last array row are
/// dropped, which leaves blocks of `block_size` and `block_size - 1`.
pub(super) fn candidates(
    entries_n: usize,
    replicates: usize,
    block_size: usize,
    rng: &mut ChaCha12Rng,
) -> Vec<Vec<Replicate>> {
    let blocks_n = entries_n.div_ceil(block_size);
    let mut found: Vec<(usize, Vec<Vec<usize>>)> = Vec::new();
    // A large array comes out nearly as good from any start, and takes as long as many small ones.
    let pass = block_size * block_size * blocks_n * replicates.pow(3);
    let restarts = (STEPS / (PASSES * pass.max(1))).clamp(1, RESTARTS);
    for _ in 0..restarts {
        let array = descend(block_size, replicates, blocks_n, rng);
        if !found.iter().any(|(_, known)| *known == array.1) {
            found.push(array);
        }
    }
    found.sort();
    found
        .into_iter()
        .take(CANDIDATES)
        .map(|(_, array)| {
            (0..replicates)
                .map(|j| {
                    let mut blocks = vec![Vec::with_capacity(block_size); blocks_n];
                    for entry in 0..entries_n {
                        let (p, q) = (entry / blocks_n, entry % blocks_n);
                        blocks[(q + array[p][j]) % blocks_n].push(entry);
                    }
                    blocks
                })
                .collect()
        })
        .collect()
}

/// Sum over offsets of the squared number of replicates in which array rows `a` and `b` concur.
fn concurrence_score(a: &[usize], b: &[usize], s: usize) -> usize {
    // Replicates are few: counting equal offsets pairwise needs no table of s counters.
    let offset = |j: usize| (a[j] + s - b[j]) % s;
    (0..a.len())
        .map(|i| (0..a.len()).filter(|&j| offset(i) == offset(j)).count())
        .sum()
}

fn descend(k: usize, r: usize, s: usize, rng: &mut ChaCha12Rng) -> (usize, Vec<Vec<usize>>) {
    let mut array: Vec<Vec<usize>> = (0..k)
        .map(|p| {
            (0..r)
                .map(|j| {
                    if p == 0 || j == 0 {
                        0
                    } else {
                        rng.random_range(0..s)
                    }
                })
                .collect()
        })
        .collect();
    let row_score = |array: &[Vec<usize>], p: usize| -> usize {
        (0..k)
            .filter(|&o| o != p)
            .map(|o| concurrence_score(&array[p], &array[o], s))
            .sum()
    };
    loop {
        let mut improved = false;
        for p in 1..k {
            for j in 1..r {
                let mut best = (row_score(&array, p), array[p][j]);
                let start = rng.random_range(0..s);
                for shift in 0..s {
                    array[p][j] = (start + shift) % s;
                    let score = row_score(&array, p);
                    if score < best.0 {
                        best = (score, array[p][j]);
                        improved = true;
                    }
                }
                array[p][j] = best.1;
            }
        }
        if !improved {
            break;
        }
    }
    let total = (0..k).map(|p| row_score(&array, p)).sum();
    (total, array)
}
