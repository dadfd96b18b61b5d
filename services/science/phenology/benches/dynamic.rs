//! Dynamic model over 100 stations and 30 winters, streamed in constant memory, against the plain
//! sum of the same numbers. Heat and Utah units are timed for comparison.

use phenology::chill::{ChillAccumulator, ChillModel};
use phenology::heat::HeatModel;
use phenology::temperature::Celsius;
use std::f64::consts::PI;
use std::hint::black_box;
use std::time::{Duration, Instant};

const STATIONS: u32 = 100;
const WINTERS: u32 = 30;
/// 1 October to 30 April.
const WINTER_H: u32 = 212 * 24;

/// The hours of one winter at one station, made as they are read so that no model waits for
/// memory: a table of one year's waves plus the station's and winter's own offset.
fn hours(waves: &[f64], station: u32, winter: u32) -> impl Iterator<Item = Celsius> + '_ {
    let offset = f64::from(station % 13) * 0.4 + f64::from(winter % 7) * 0.5 - 4.0;
    waves
        .iter()
        .map(move |wave| Celsius::new(wave + offset).expect("a winter temperature"))
}

fn over_all(
    waves: &[f64],
    mut one_winter: impl FnMut(&mut dyn Iterator<Item = Celsius>) -> f64,
) -> (Duration, f64) {
    let start = Instant::now();
    let mut total = 0.0;
    for station in 0..STATIONS {
        for winter in 0..WINTERS {
            total += one_winter(&mut hours(waves, station, winter));
        }
    }
    (start.elapsed(), black_box(total))
}

fn main() {
    let waves: Vec<f64> = (0..WINTER_H)
        .map(|h| {
            let season = -6.0 * (2.0 * PI * (f64::from(h) / 24.0 - 107.0) / 365.0).cos();
            let weather = 3.0 * (f64::from(h) / 61.0).sin();
            12.0 + season + weather + 6.0 * (2.0 * PI * (f64::from(h % 24) - 15.0) / 24.0).cos()
        })
        .collect();
    let hours_n = f64::from(STATIONS * WINTERS) * f64::from(WINTER_H);
    let (baseline, _) = over_all(&waves, |hours| hours.map(Celsius::value_c).sum());
    println!(
        "baseline: sum of {hours_n:.0} hourly temperatures in {baseline:.2?} ({:.2} ns an hour)",
        baseline.as_secs_f64() * 1e9 / hours_n
    );
    let report = |name: &str, (time, total): (Duration, f64)| {
        println!(
            "{name}: {time:.2?} ({:.2} ns an hour), {:.1} times the baseline; mean of a winter {:.1}",
            time.as_secs_f64() * 1e9 / hours_n,
            time.as_secs_f64() / baseline.as_secs_f64(),
            total / f64::from(STATIONS * WINTERS)
        );
    };
    for model in [
        ChillModel::Dynamic,
        ChillModel::Utah,
        ChillModel::Hours0To7_2,
    ] {
        let result = over_all(&waves, |hours| {
            let mut sum = ChillAccumulator::new(model);
            hours.for_each(|t| {
                sum.push(t);
            });
            sum.total()
        });
        report(&format!("{model}, running totals"), result);
    }
    let heat = over_all(&waves, |hours| {
        hours.map(|t| HeatModel::Curvilinear.gdh_c(t)).sum()
    });
    report("gdh", heat);
    println!(
        "state held at any time: {} bytes",
        size_of::<ChillAccumulator>()
    );
    match peak_memory_kb() {
        Some(peak_kb) => println!(
            "peak memory of the process: {peak_kb} kB; the hours at once would take {:.0} kB",
            hours_n * 8.0 / 1024.0
        ),
        None => println!("peak memory of the process: not told by this system"),
    }
}

/// The most memory that the process ever held, as Linux tells it.
fn peak_memory_kb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}
