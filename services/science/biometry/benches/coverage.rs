//! Simulated trials whose truth is known: how often 95 % intervals cover it, and how near the mean
//! of the estimated variances comes, with the Monte Carlo error of each.

use biometry::data::Frame;
use biometry::mixed::{DenominatorDf, Model, fit};
use biometry::sites::two_stage::{self, TwoStageModel};
use biometry::threshold::{self, Link, ThresholdModel};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ContinuousCDF, Normal};

struct Noise(ChaCha8Rng);

impl Noise {
    fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    fn draw(&mut self) -> f64 {
        Normal::standard().inverse_cdf(self.0.random_range(1e-15..1.0))
    }

    fn draws(&mut self, n: usize, sd: f64) -> Vec<f64> {
        (0..n).map(|_| sd * self.draw()).collect()
    }
}

#[derive(Default)]
struct Tally {
    covered: u32,
    asked: u32,
}

impl Tally {
    fn add(&mut self, truth: f64, (low, high): (f64, f64)) {
        self.covered += u32::from(low <= truth && truth <= high);
        self.asked += 1;
    }

    fn print(&self, what: &str, runs: u64) {
        let share = f64::from(self.covered) / f64::from(self.asked);
        println!(
            "{what}: {:.1} % of {} intervals in {runs} trials",
            100.0 * share,
            self.asked
        );
    }
}

fn mean_and_error(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (mean, (variance / n).sqrt())
}

struct Plots {
    site: Vec<String>,
    block: Vec<String>,
    entry: Vec<String>,
    y: Vec<f64>,
}

impl Plots {
    fn new() -> Self {
        Self {
            site: vec![],
            block: vec![],
            entry: vec![],
            y: vec![],
        }
    }

    fn push(&mut self, s: usize, b: usize, e: usize, y: f64) {
        self.site.push(format!("S{s}"));
        self.block.push(format!("S{s}B{b}"));
        self.entry.push(format!("E{e:03}"));
        self.y.push(y);
    }

    fn frame(&self) -> Frame {
        Frame::new()
            .with_factor("site", self.site.iter().map(Some))
            .and_then(|f| f.with_factor("block", self.block.iter().map(Some)))
            .and_then(|f| f.with_factor("entry", self.entry.iter().map(Some)))
            .and_then(|f| f.with_numeric("y", self.y.iter().map(|y| Some(*y))))
            .expect("a frame")
    }
}

/// Fixed entries in small incomplete trials: differences from the first entry by t intervals.
fn fixed_entries(runs: u64) {
    let (mut roger, mut satterthwaite) = (Tally::default(), Tally::default());
    for seed in 0..runs {
        let mut noise = Noise::new(10_000 + seed);
        let mut plots = Plots::new();
        for b in 0..6 {
            let block = 0.8 * noise.draw();
            // Two of six entries are missing from every block.
            for e in (0..6).filter(|e| (e + b) % 3 != 0) {
                plots.push(0, b, e, 10.0 + 0.4 * e as f64 + block + noise.draw());
            }
        }
        let model = Model::new("y ~ entry")
            .and_then(|m| m.random("block"))
            .expect("a model");
        let fitted = fit(&plots.frame(), &model).expect("a fit");
        for (method, tally) in [
            (DenominatorDf::KenwardRoger, &mut roger),
            (DenominatorDf::Satterthwaite, &mut satterthwaite),
        ] {
            let all = fitted.fixed_inference(method).expect("inference");
            for (k, one) in all.iter().enumerate().skip(1) {
                tally.add(0.4 * k as f64, one.interval);
            }
        }
    }
    roger.print(
        "fixed effects, Kenward-Roger (24 plots in 6 incomplete blocks)",
        runs,
    );
    satterthwaite.print("fixed effects, Satterthwaite", runs);
}

/// Random entries at sites, one stage and two.
fn series(runs: u64) {
    let (mut one, mut two) = (Tally::default(), Tally::default());
    let (mut main_one, mut main_two) = (Vec::new(), Vec::new());
    for seed in 0..runs {
        let mut noise = Noise::new(50_000 + seed);
        let main = noise.draws(25, 1.2);
        let mut plots = Plots::new();
        let mut truth = vec![[0.0; 4]; 25];
        for s in [0, 1, 2, 3] {
            let own = noise.draws(25, 0.7);
            for (e, row) in truth.iter_mut().enumerate() {
                row[s] = main[e] + own[e];
            }
            for b in 0..2 {
                let block = 0.4 * noise.draw();
                for (e, row) in truth.iter().enumerate() {
                    plots.push(s, b, e, 10.0 + row[s] + block + noise.draw());
                }
            }
        }
        let frame = plots.frame();
        let model = Model::new("y ~ site")
            .and_then(|m| m.random("entry + site:entry + block"))
            .expect("a model");
        let fitted = fit(&frame, &model).expect("a fit");
        let entries = fitted.random_term("entry").expect("entries");
        main_one.push(entries.variance());
        for (level, truth) in entries.levels.iter().zip(&main) {
            one.add(*truth, level.interval());
        }
        let own = Model::new("y ~ 1")
            .and_then(|m| m.random("block"))
            .expect("a model");
        let staged =
            two_stage::fit(&frame, &TwoStageModel::new(own, "entry", "site")).expect("a fit");
        main_two.push(staged.sites.covariance[0][1]);
        for (entry, truth) in staged.sites.entries.iter().zip(&truth) {
            for (p, truth) in entry.at_site.iter().zip(truth) {
                let half = 1.959_963_984_540_054 * p.se;
                two.add(*truth, (p.effect - half, p.effect + half));
            }
        }
    }
    one.print("entries, one stage (25 entries, 4 sites, 2 blocks)", runs);
    two.print("entries at sites, two stages", runs);
    for (what, values) in [("one stage", main_one), ("two stages", main_two)] {
        let (mean, error) = mean_and_error(&values);
        println!(
            "  variance of entries, {what}: mean {mean:.3}, Monte Carlo error {error:.3} (true 1.44)"
        );
    }
}

/// Binary and ordinal traits of entries at three sites.
fn categories(runs: u64, cuts: &[f64], link: Link, what: &str) {
    let (mut fixed, mut entries, mut variance) = (Tally::default(), Tally::default(), Vec::new());
    let mut refused = 0;
    for seed in 0..runs {
        let mut noise = Noise::new(90_000 + seed);
        let mut plots = Plots::new();
        let effect = noise.draws(40, link.residual_variance().sqrt());
        for (e, own) in effect.iter().enumerate() {
            for s in 0..3 {
                for _ in 0..4 {
                    let residual = match link {
                        Link::Probit => noise.draw(),
                        Link::Logit => {
                            let u: f64 = noise.0.random_range(1e-15..1.0);
                            (u / (1.0 - u)).ln()
                        }
                    };
                    let liability = own + 0.5 * s as f64 + residual;
                    plots.push(
                        s,
                        0,
                        e,
                        cuts.iter().filter(|c| liability > **c).count() as f64,
                    );
                }
            }
        }
        let model = if cuts.len() == 1 {
            ThresholdModel::binary("y ~ site")
        } else {
            ThresholdModel::ordinal("y ~ site")
        };
        let model = model
            .and_then(|m| m.random("entry"))
            .expect("a model")
            .link(link);
        let Ok(fitted) = threshold::fit(&plots.frame(), &model) else {
            refused += 1;
            continue;
        };
        for (one, truth) in fitted.fixed.iter().rev().zip([1.0, 0.5]) {
            fixed.add(truth, one.interval());
        }
        variance.push(fitted.random[0].variance);
        for (level, truth) in fitted.random[0].levels.iter().zip(&effect) {
            let half = 1.959_963_984_540_054 * level.se;
            entries.add(*truth, (level.effect - half, level.effect + half));
        }
    }
    fixed.print(
        &format!("{what}: site effects (40 entries, 3 sites, 4 trees)"),
        runs,
    );
    entries.print(&format!("{what}: entries"), runs);
    let (mean, error) = mean_and_error(&variance);
    println!(
        "  variance of entries: mean {mean:.3}, Monte Carlo error {error:.3} (true {:.3}); {refused} trials refused",
        link.residual_variance()
    );
}

fn main() {
    fixed_entries(2000);
    series(1000);
    categories(1000, &[0.4], Link::Probit, "binary, probit");
    categories(
        1000,
        &[-0.5, 0.6, 1.6],
        Link::Probit,
        "ordinal of 4, probit",
    );
    categories(1000, &[0.4], Link::Logit, "binary, logit");
}
