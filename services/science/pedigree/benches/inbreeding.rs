//! Inbreeding of 1,000,000 plants over twelve generations, against the time it takes to read the
//! same plants from a file and sort them.

use std::fs::{self, File};
use std::hint::black_box;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::time::{Duration, Instant};

use pedigree::{ParentInbreeding, Pedigree, PlantRecord};

const PLANTS_N: u32 = 1_000_000;
const FOUNDERS_N: u32 = 400;
const GENERATIONS_N: u32 = 12;
const ROUNDS_N: u32 = 7;

/// A small generator with a fixed start, so that every run has the same plants.
struct Draws(u64);

impl Draws {
    fn below(&mut self, limit: u32) -> u32 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (((self.0 >> 33) * u64::from(limit)) >> 31) as u32
    }
}

/// Founders, then generations of families; the parents of each are `parents_n` plants kept from
/// the one before and the founders, one family in twenty is selfed.
fn records(parents_n: u32) -> Vec<(u32, Option<u32>, Option<u32>)> {
    let mut draws = Draws(20_260_412);
    let mut plants: Vec<_> = (0..FOUNDERS_N).map(|id| (id, None, None)).collect();
    let mut kept: Vec<u32> = (0..FOUNDERS_N).collect();
    let per_generation = (PLANTS_N - FOUNDERS_N).div_ceil(GENERATIONS_N);
    for _ in 0..GENERATIONS_N {
        let first = plants.len() as u32;
        let end = (first + per_generation).min(PLANTS_N);
        while (plants.len() as u32) < end {
            let seed = kept[draws.below(kept.len() as u32) as usize];
            let selfed = draws.below(20) == 0;
            let pollen = if selfed {
                seed
            } else {
                kept[draws.below(kept.len() as u32) as usize]
            };
            let open = draws.below(10) == 0;
            for _ in 0..=draws.below(60) {
                if (plants.len() as u32) < end {
                    plants.push((plants.len() as u32, Some(seed), (!open).then_some(pollen)));
                }
            }
        }
        kept = (0..parents_n)
            .map(|_| first + draws.below(end - first))
            .collect();
        kept.extend((0..20).map(|_| draws.below(FOUNDERS_N)));
    }
    for last in (1..plants.len()).rev() {
        plants.swap(last, draws.below(last as u32 + 1) as usize);
    }
    plants
}

/// Least time of what is done once in every round.
struct Least(Duration);

impl Least {
    fn new() -> Self {
        Self(Duration::MAX)
    }

    fn of<T>(&mut self, work: impl FnOnce() -> T) -> T {
        let start = Instant::now();
        let result = work();
        self.0 = self.0.min(start.elapsed());
        result
    }
}

/// Reads the file, each line into numbers, and sorts them.
fn read_and_sort(path: &Path) -> usize {
    let text = fs::read_to_string(path).expect("the file was just written");
    let mut rows: Vec<[Option<u32>; 3]> = text
        .lines()
        .map(|line| {
            let mut fields = line.split(',').map(|field| field.parse().ok());
            std::array::from_fn(|_| fields.next().flatten())
        })
        .collect();
    rows.sort();
    black_box(rows.len())
}

fn main() {
    for parents_n in [100, 400, 2000, 20_000] {
        let plants = records(parents_n);
        let path = std::env::temp_dir().join(format!(
            "pedigree-bench-{}-{parents_n}.csv",
            std::process::id()
        ));
        let mut file =
            BufWriter::new(File::create(&path).expect("the temporary folder is writable"));
        let text = |parent: Option<u32>| parent.map_or(String::new(), |p| p.to_string());
        for &(id, seed, pollen) in &plants {
            writeln!(file, "{id},{},{}", text(seed), text(pollen)).expect("the disk has room");
        }
        file.into_inner()
            .expect("the disk has room")
            .sync_all()
            .expect("the disk has room");

        let record = |&(id, seed, pollen): &_| PlantRecord::of_parents(id, seed, pollen);
        let [mut reading, mut building, mut solving, mut inverting] =
            std::array::from_fn(|_| Least::new());
        let (mut inbreeding, mut entries_n) = (Vec::new(), 0);
        // What is compared is done in turn, so that a busy moment of the machine falls on all alike.
        for _ in 0..ROUNDS_N {
            reading.of(|| read_and_sort(&path));
            let pedigree = building.of(|| {
                Pedigree::from_records(plants.iter().map(record))
                    .expect("the plants are well ordered")
            });
            inbreeding = solving.of(|| pedigree.inbreeding_of_all());
            let inverse = inverting.of(|| pedigree.relationship_inverse(ParentInbreeding::Counted));
            entries_n = inverse
                .expect("no plant is wholly inbred")
                .lower_triangle()
                .len();
        }
        let [reading, building, solving, inverting] =
            [reading, building, solving, inverting].map(|least| least.0);
        let mean = inbreeding.iter().sum::<f64>() / inbreeding.len() as f64;
        fs::remove_file(&path).ok();

        let ratio = (building + solving).as_secs_f64() / reading.as_secs_f64();
        println!(
            "{PLANTS_N} plants, {GENERATIONS_N} generations of {parents_n} kept parents: \
             read and sort {reading:.3?}, check and order {building:.3?}, \
             inbreeding {solving:.3?} (mean F {mean:.4}); \
             pedigree / read and sort = {ratio:.2}; \
             relationship inverse {inverting:.3?} ({} entries)",
            entries_n
        );
    }
}
