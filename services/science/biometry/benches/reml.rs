//! Restricted likelihood on a multi-site trial series of 20,000 records with three random terms,
//! beside lme4 on the same records and model (where R with lme4 is installed) and beside the same
//! equations factored densely; and breeding values of a million plants by conjugate gradients.
//! Prints times, ratios and the peak memory of the process.

use std::time::Instant;

use biometry::animal::AnimalVariances;
use biometry::animal::gradients::{Effort, LargeAnimalModel};
use biometry::data::Frame;
use biometry::mixed::{Model, fit};
use faer::linalg::solvers::DenseSolveCore;
use faer::{Mat, Side};
use pedigree::{ParentInbreeding, Pedigree, PlantRecord};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Largest resident memory of this process so far, in MiB.
fn peak_mib() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"));
    let kib: f64 = line
        .and_then(|l| l.split_whitespace().next().and_then(|n| n.parse().ok()))
        .unwrap_or(f64::NAN);
    kib / 1024.0
}

/// The same model by lme4 (`lme4.R`), in the same run. Says so where it cannot be run.
fn beside_lme4(rows: &[(usize, usize, usize, f64)], own_s: f64, own_log_likelihood: f64) {
    let path = std::env::temp_dir().join(format!("multi_site_{}.csv", std::process::id()));
    let mut text = String::from("site,block,entry,brix\n");
    for (site, block, entry, y) in rows {
        text.push_str(&format!("S{site:02},B{block:03},E{entry:04},{y:?}\n"));
    }
    if let Err(error) = std::fs::write(&path, text) {
        return println!(
            "  lme4: skipped, as {} cannot be written: {error}",
            path.display()
        );
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/lme4.R");
    let answer = std::process::Command::new("Rscript")
        .arg(script)
        .arg(&path)
        .output();
    let _ = std::fs::remove_file(&path);
    let output = match answer {
        Ok(output) if output.status.success() => {
            String::from_utf8_lossy(&output.stdout).into_owned()
        }
        Ok(output) => {
            let why = String::from_utf8_lossy(&output.stderr).into_owned();
            return println!("  lme4: skipped, as R says {}", why.trim());
        }
        Err(error) => return println!("  lme4: skipped, as Rscript cannot be started: {error}"),
    };
    let line = output
        .lines()
        .find_map(|l| l.strip_prefix("lme4 "))
        .unwrap_or_default();
    let mut words = line.split_whitespace();
    let version = words.next().unwrap_or("?").to_owned();
    let numbers: Vec<f64> = words.filter_map(|w| w.parse().ok()).collect();
    let [seconds, log_likelihood] = numbers[..] else {
        return println!("  lme4: skipped, as its answer cannot be read: {output}");
    };
    println!(
        "  lme4 {version} (best of 3): {seconds:.2} s, log-likelihood {log_likelihood:.5} (difference {:.1e})",
        own_log_likelihood - log_likelihood
    );
    println!("  ratio lme4 / own: {:.1}", seconds / own_s);
}

/// Sum of twelve uniforms: near enough to normal for timing.
fn noise(random: &mut ChaCha8Rng) -> f64 {
    (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0
}

const SITES: usize = 10;
const ENTRIES: usize = 400;
const BLOCKS: usize = 5;

fn multi_site() {
    let mut random = ChaCha8Rng::seed_from_u64(2026);
    let draws = |n: usize, sd: f64, random: &mut ChaCha8Rng| -> Vec<f64> {
        (0..n).map(|_| sd * noise(random)).collect()
    };
    let entry = draws(ENTRIES, 1.5, &mut random);
    let by_site = draws(ENTRIES * SITES, 0.8, &mut random);
    let block = draws(SITES * BLOCKS, 0.6, &mut random);
    let mut rows = Vec::with_capacity(SITES * ENTRIES * BLOCKS);
    for s in 0..SITES {
        for b in 0..BLOCKS {
            for e in 0..ENTRIES {
                let y = 14.0
                    + s as f64 * 0.3
                    + entry[e]
                    + by_site[e * SITES + s]
                    + block[s * BLOCKS + b]
                    + noise(&mut random);
                rows.push((s, s * BLOCKS + b, e, y));
            }
        }
    }
    let frame = Frame::new()
        .with_factor("site", rows.iter().map(|r| Some(format!("S{:02}", r.0))))
        .and_then(|f| f.with_factor("block", rows.iter().map(|r| Some(format!("B{:03}", r.1)))))
        .and_then(|f| f.with_factor("entry", rows.iter().map(|r| Some(format!("E{:04}", r.2)))))
        .and_then(|f| f.with_numeric("brix", rows.iter().map(|r| Some(r.3))))
        .expect("a frame");
    let model = Model::new("brix ~ site")
        .and_then(|m| m.random("entry + block + site:entry"))
        .expect("a model");
    let mut sparse_s = f64::INFINITY;
    for _ in 0..3 {
        let start = Instant::now();
        std::hint::black_box(fit(&frame, &model).expect("a fit"));
        sparse_s = sparse_s.min(start.elapsed().as_secs_f64());
    }
    let fitted = fit(&frame, &model).expect("a fit");
    let iterations = fitted.convergence().iterations;
    println!(
        "multi-site REML: {} records, 3 random terms, {} equations: {sparse_s:.2} s (best of 3), {iterations} iterations, log-likelihood {:.5}",
        rows.len(),
        SITES + ENTRIES + SITES * BLOCKS + SITES * ENTRIES,
        fitted.log_likelihood()
    );
    for term in fitted.random() {
        println!("  {} {:.4}", term.name, term.variance());
    }
    println!("  residual {:.4}", fitted.residual().variances[0].variance);
    println!("  peak memory {:.0} MiB", peak_mib());
    beside_lme4(&rows, sparse_s, fitted.log_likelihood());

    // Baseline: the same mixed-model equations as one dense matrix, factored and inverted once, as
    // every iteration of a dense program must.
    let n = SITES + ENTRIES + SITES * BLOCKS + SITES * ENTRIES;
    let residual = fitted.residual().variances[0].variance;
    let variance = |name: &str| fitted.random_term(name).map_or(1.0, |t| t.variance());
    let (first_entry, first_block) = (SITES, SITES + ENTRIES);
    let first_cell = first_block + SITES * BLOCKS;
    let start = Instant::now();
    let mut dense = Mat::<f64>::zeros(n, n);
    for &(s, b, e, _) in &rows {
        let places = [
            s,
            first_entry + e,
            first_block + b,
            first_cell + e * SITES + s,
        ];
        for i in places {
            places.iter().for_each(|&j| dense[(i, j)] += 1.0);
        }
    }
    for k in SITES..n {
        let own = match k {
            k if k < first_block => variance("entry"),
            k if k < first_cell => variance("block"),
            _ => variance("site:entry"),
        };
        dense[(k, k)] += residual / own;
    }
    let factor = dense.llt(Side::Lower).expect("positive definite");
    let inverse = factor.inverse();
    let once_s = start.elapsed().as_secs_f64();
    let dense_s = once_s * iterations as f64;
    println!(
        "  dense equations (Cholesky and inverse of {n} x {n}, corner {:.5}): {once_s:.2} s an iteration, {dense_s:.1} s for {iterations}",
        inverse[(0, 0)]
    );
    println!("  ratio dense / sparse: {:.1}", dense_s / sparse_s);
}

const PLANTS: usize = 1_000_000;

fn million_plants() {
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let start = Instant::now();
    // 2,000 founders, then generations bred from earlier plants, some selfed or open-pollinated.
    let records = (0..PLANTS as u32).map(|id| {
        if id < 2_000 {
            return PlantRecord::founder(id);
        }
        let oldest = id.saturating_sub(150_000);
        let mother = random.random_range(oldest..id);
        match random.random_range(0..10) {
            0 => PlantRecord::selfed(id, mother),
            1 | 2 => PlantRecord::open_pollinated(id, mother),
            _ => PlantRecord::cross(id, mother, random.random_range(oldest..id)),
        }
    });
    let pedigree = Pedigree::from_records(records).expect("a pedigree");
    let inverse = pedigree
        .relationship_inverse(ParentInbreeding::Counted)
        .expect("an inverse");
    println!(
        "animal model: {PLANTS} plants, {} entries of the relationship inverse in {:.1} s, peak {:.0} MiB",
        inverse.lower_triangle().len(),
        start.elapsed().as_secs_f64(),
        peak_mib()
    );
    let mut random = ChaCha8Rng::seed_from_u64(8);
    let measured: Vec<u32> = (0..PLANTS as u32)
        .filter(|_| random.random::<f64>() < 0.8)
        .collect();
    let season: Vec<u32> = measured.iter().map(|p| p / 50_000).collect();
    let y: Vec<f64> = season
        .iter()
        .map(|s| 12.0 + 0.1 * f64::from(*s) + 1.8 * noise(&mut random))
        .collect();
    let n = y.len();
    let start = Instant::now();
    let model = LargeAnimalModel::new(
        PLANTS,
        inverse.lower_triangle(),
        y,
        measured,
        vec![season],
        vec![],
        AnimalVariances {
            additive: 1.2,
            permanent: None,
            residual: 2.0,
        },
    )
    .expect("a model");
    let solution = model
        .solve(Effort {
            tolerance: 1e-8,
            iterations: 2000,
        })
        .expect("a solution");
    println!(
        "  {n} records: {:.1} s, {} iterations, relative residual {:.1e}, first season {:.4}, peak memory {:.0} MiB (limit 4096)",
        start.elapsed().as_secs_f64(),
        solution.iterations,
        solution.residual,
        solution.class_effects[0][0],
        peak_mib()
    );
}

fn main() {
    multi_site();
    million_plants();
}
