//! Small cases by hand, faults, and simulated trials whose truth is known.

use std::sync::Arc;

use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::*;

/// Standard normal numbers from a seed.
struct Noise {
    random: ChaCha8Rng,
    normal: Normal,
}

impl Noise {
    fn new(seed: u64) -> Self {
        Self {
            random: ChaCha8Rng::seed_from_u64(seed),
            normal: Normal::standard(),
        }
    }

    fn draw(&mut self) -> f64 {
        self.normal
            .inverse_cdf(self.random.random_range(1e-15..1.0))
    }

    fn draws(&mut self, n: usize, variance: f64) -> Vec<f64> {
        (0..n).map(|_| variance.sqrt() * self.draw()).collect()
    }
}

fn labels(prefix: &str, codes: &[usize]) -> Vec<Option<String>> {
    codes
        .iter()
        .map(|c| Some(format!("{prefix}{c:03}")))
        .collect()
}

/// Sites x entries x blocks with the given variances (entry, entry x site, block, residual).
struct Trial {
    site: Vec<usize>,
    block: Vec<usize>,
    entry: Vec<usize>,
    y: Vec<f64>,
    entry_effect: Vec<f64>,
}

fn trial(sites: usize, entries: usize, blocks: usize, variances: [f64; 4], seed: u64) -> Trial {
    let mut noise = Noise::new(seed);
    let entry_effect = noise.draws(entries, variances[0]);
    let by_site = noise.draws(entries * sites, variances[1]);
    let block_effect = noise.draws(sites * blocks, variances[2]);
    let mut trial = Trial {
        site: vec![],
        block: vec![],
        entry: vec![],
        y: vec![],
        entry_effect,
    };
    for s in 0..sites {
        for b in 0..blocks {
            for e in 0..entries {
                trial.site.push(s);
                trial.block.push(s * blocks + b);
                trial.entry.push(e);
                trial.y.push(
                    20.0 + 2.0 * s as f64
                        + trial.entry_effect[e]
                        + by_site[e * sites + s]
                        + block_effect[s * blocks + b]
                        + variances[3].sqrt() * noise.draw(),
                );
            }
        }
    }
    trial
}

impl Trial {
    fn frame(&self) -> Frame {
        Frame::new()
            .with_factor("site", labels("S", &self.site))
            .unwrap()
            .with_factor("block", labels("B", &self.block))
            .unwrap()
            .with_factor("entry", labels("E", &self.entry))
            .unwrap()
            .with_numeric("y", self.y.iter().map(|y| Some(*y)))
            .unwrap()
    }
}

fn block_trial(seed: u64) -> Frame {
    trial(2, 6, 3, [2.0, 0.5, 0.4, 1.0], seed).frame()
}

#[test]
fn one_way_balanced_equals_the_analysis_of_variance() {
    let data = trial(1, 8, 4, [3.0, 0.0, 0.0, 1.0], 5);
    let model = Model::new("y ~ 1").unwrap().random("entry").unwrap();
    let fit = fit(&data.frame(), &model).unwrap();
    let mean = data.y.iter().sum::<f64>() / 32.0;
    let entry_mean = |e: usize| {
        (0..32)
            .filter(|k| data.entry[*k] == e)
            .map(|k| data.y[k])
            .sum::<f64>()
            / 4.0
    };
    let between = (0..8)
        .map(|e| 4.0 * (entry_mean(e) - mean).powi(2))
        .sum::<f64>()
        / 7.0;
    let within = (0..32)
        .map(|k| (data.y[k] - entry_mean(data.entry[k])).powi(2))
        .sum::<f64>()
        / 24.0;
    assert!((fit.residual().variances[0].variance - within).abs() < 1e-5 * within);
    let component = (between - within) / 4.0;
    assert!((fit.random()[0].variance() - component).abs() < 1e-5 * component);
    // Large-sample variance of the residual component is 2 s4 / df.
    let se = fit.residual().variances[0].se.unwrap();
    assert!(
        (se - within * (2.0_f64 / 24.0).sqrt()).abs() < 0.02 * se,
        "{se}"
    );
}

#[test]
fn satterthwaite_and_kenward_roger_agree_in_a_balanced_split() {
    let frame = block_trial(11);
    let model = Model::new("y ~ site + entry")
        .unwrap()
        .random("block + site:entry")
        .unwrap();
    let fit = fit(&frame, &model).unwrap();
    let kr = fit.fixed_tests(DenominatorDf::KenwardRoger).unwrap();
    let sat = fit.fixed_tests(DenominatorDf::Satterthwaite).unwrap();
    for (a, b) in kr.iter().zip(&sat) {
        assert!((a.f - b.f).abs() < 1e-6 * a.f, "{a:?} {b:?}");
        assert!(
            (a.denominator_df - b.denominator_df).abs() < 0.2 * a.denominator_df,
            "{a:?} {b:?}"
        );
    }
}

#[test]
fn faults_name_the_term_and_the_remedy() {
    let frame = block_trial(3);
    let said = |model: Model| fit(&frame, &model).unwrap_err().to_string();
    let model = |formula: &str| Model::new(formula).unwrap();
    assert!(said(model("y ~ block + site")).contains("`site` is confounded with `block`"));
    assert!(
        said(model("y ~ entry").random("entry").unwrap())
            .contains("`entry` cannot be told from the fixed")
    );
    assert!(
        said(model("y ~ 1").random("block + block:site").unwrap())
            .contains("groups the records alike")
    );
    assert!(
        said(model("y ~ 1").random("block:entry").unwrap()).contains("every level has one record")
    );
    assert!(said(model("y ~ missing")).contains("no column `missing`"));
    assert!(said(model("entry ~ site")).contains("`entry` is a factor"));
    assert!(said(model("y ~ site * entry * block")).contains("confounded"));
    assert!(
        said(model("y ~ 1").random("entry").unwrap().max_iterations(1))
            .contains("did not converge")
    );
    let constant = frame
        .clone()
        .with_factor("only", (0..36).map(|_| Some("one")))
        .unwrap()
        .with_numeric("flat", (0..36).map(|_| Some(4.0)))
        .unwrap()
        .with_numeric("none", (0..36).map(|_| None))
        .unwrap();
    let said = |model: Model| fit(&constant, &model).unwrap_err().to_string();
    assert!(said(model("y ~ only")).contains("has only the level `one`"));
    assert!(said(model("y ~ 1").random("only").unwrap()).contains("has only the level `one`"));
    assert!(said(model("flat ~ site")).contains("does not vary"));
    assert!(said(model("none ~ site")).contains("no record with a value"));
}

#[test]
fn empty_cells_are_set_aside_and_the_rest_estimated() {
    let data = trial(2, 4, 3, [1.0, 0.0, 0.2, 0.5], 9);
    let keep = |k: &usize| !(data.site[*k] == 1 && data.entry[*k] == 3);
    let kept: Vec<usize> = (0..data.y.len()).filter(keep).collect();
    let pick = |codes: &[usize]| kept.iter().map(|&k| codes[k]).collect::<Vec<_>>();
    let frame = Frame::new()
        .with_factor("site", labels("S", &pick(&data.site)))
        .unwrap()
        .with_factor("block", labels("B", &pick(&data.block)))
        .unwrap()
        .with_factor("entry", labels("E", &pick(&data.entry)))
        .unwrap()
        .with_numeric("y", kept.iter().map(|&k| Some(data.y[k])))
        .unwrap();
    let model = Model::new("y ~ site * entry")
        .unwrap()
        .random("block")
        .unwrap();
    let fit = fit(&frame, &model).unwrap();
    assert_eq!(fit.aliased().collect::<Vec<_>>(), ["siteS001:entryE003"]);
    let means = fit
        .adjusted_means("entry", DenominatorDf::Satterthwaite)
        .unwrap();
    assert_eq!(means.not_estimable, ["E003"]);
    assert_eq!(means.means.len(), 3);
    let tests = fit.fixed_tests(DenominatorDf::KenwardRoger).unwrap();
    // Sites cannot be compared over all entries; the interaction keeps two of its three contrasts.
    let df: Vec<_> = tests
        .iter()
        .map(|t| (t.term.as_str(), t.numerator_df))
        .collect();
    assert_eq!(df, [("entry", 2), ("site:entry", 2)]);
}

#[test]
fn same_input_same_bits() {
    let frame = block_trial(21);
    let model = Model::new("y ~ site")
        .unwrap()
        .random("block + entry + site:entry")
        .unwrap();
    let (a, b) = (fit(&frame, &model).unwrap(), fit(&frame, &model).unwrap());
    assert_eq!(a.log_likelihood().to_bits(), b.log_likelihood().to_bits());
    assert_eq!(a.random(), b.random());
    assert_eq!(a.fixed(), b.fixed());
}

#[test]
fn unrelated_relationship_changes_nothing() {
    let frame = block_trial(8);
    let levels: Vec<String> = (0..6).map(|k| format!("E{k:03}")).collect();
    let identity = Relationship::new(levels, (0..6).map(|k| (k, k, 1.0)), 0.0).unwrap();
    let plain = Model::new("y ~ site")
        .unwrap()
        .random("entry + block")
        .unwrap();
    let related = Model::new("y ~ site")
        .unwrap()
        .random_related("entry", Arc::new(identity))
        .unwrap()
        .random("block")
        .unwrap();
    let (a, b) = (fit(&frame, &plain).unwrap(), fit(&frame, &related).unwrap());
    assert!((a.log_likelihood() - b.log_likelihood()).abs() < 1e-9);
    assert!((a.random()[0].variance() - b.random()[0].variance()).abs() < 1e-8);
}

#[test]
fn leaving_out_an_influential_record_moves_the_fixed_effects_as_cook_says() {
    let mut data = trial(2, 5, 3, [25.0, 0.0, 0.3, 0.5], 17);
    data.y[4] += 6.0;
    let model = Model::new("y ~ site").unwrap().random("entry").unwrap();
    let full = fit(&data.frame(), &model).unwrap();
    let diagnostics = full.record_diagnostics();
    let worst = diagnostics
        .iter()
        .max_by(|a, b| a.standardised.abs().total_cmp(&b.standardised.abs()))
        .unwrap();
    assert_eq!(worst.record, 4);
    let trace: f64 = diagnostics.iter().map(|d| d.leverage).sum();
    assert!(trace > 2.1 && trace < 7.0, "{trace}");
    // The same at the same variances, by refitting without the record.
    let values: Vec<Option<f64>> = data
        .y
        .iter()
        .enumerate()
        .map(|(k, y)| (k != 4).then_some(*y))
        .collect();
    let without = Frame::new()
        .with_factor("site", labels("S", &data.site))
        .unwrap()
        .with_factor("entry", labels("E", &data.entry))
        .unwrap()
        .with_numeric("y", values)
        .unwrap();
    let variances = Variances {
        random: vec![full.random()[0].covariance.clone()],
        residual: vec![full.residual().variances[0].variance],
        autocorrelations: Vec::new(),
    };
    let reduced = fit_with_variances(&without, &model, &variances).unwrap();
    let moved = Mat::from_fn(2, 1, |k, _| {
        full.fixed()[k].estimate - reduced.fixed()[k].estimate
    });
    let information = inverse(&full.fixed_covariance).unwrap();
    let expected = (moved.transpose() * information * &moved)[(0, 0)] / 2.0;
    let cook = diagnostics[4].cook.unwrap();
    assert!(
        (cook - expected).abs() < 1e-8 * expected,
        "{cook} {expected}"
    );
}

/// Row-column trial with separable autoregressive errors, some plots missing.
fn field(rows: usize, columns: usize, rho: (f64, f64), seed: u64, missing: bool) -> Frame {
    let mut noise = Noise::new(seed);
    let white: Vec<f64> = noise.draws(rows * columns, 1.0);
    let smooth = |rho: f64, before: Option<f64>, shock: f64| {
        before.map_or(shock, |b| rho * b + (1.0 - rho * rho).sqrt() * shock)
    };
    let mut error = vec![0.0; rows * columns];
    for r in 0..rows {
        for c in 0..columns {
            let before = (c > 0).then(|| error[r * columns + c - 1]);
            error[r * columns + c] = smooth(rho.1, before, white[r * columns + c]);
        }
    }
    for c in 0..columns {
        for r in 1..rows {
            error[r * columns + c] = smooth(
                rho.0,
                Some(error[(r - 1) * columns + c]),
                error[r * columns + c],
            );
        }
    }
    let cells: Vec<usize> = (0..rows * columns)
        .filter(|k| !missing || k % 17 != 5)
        .collect();
    let entry = |k: usize| (k * 7 + k / columns) % 10;
    Frame::new()
        .with_numeric("row", cells.iter().map(|k| Some((k / columns) as f64)))
        .unwrap()
        .with_numeric("column", cells.iter().map(|k| Some((k % columns) as f64)))
        .unwrap()
        .with_factor(
            "entry",
            labels("E", &cells.iter().map(|k| entry(*k)).collect::<Vec<_>>()),
        )
        .unwrap()
        .with_numeric(
            "y",
            cells
                .iter()
                .map(|k| Some(50.0 + entry(*k) as f64 + error[*k])),
        )
        .unwrap()
}

fn row_column(formula: &str) -> Model {
    Model::new(formula)
        .unwrap()
        .residual(Residual::SeparableAr1 {
            row: "row".into(),
            column: "column".into(),
            section: None,
            each: None,
        })
}

/// Restricted log-likelihood of `y` about a general mean, and that mean, by dense matrices.
fn dense_likelihood(v: &Mat<f64>, y: &[f64]) -> (f64, f64) {
    let n = y.len();
    let log_determinant = 2.0
        * v.llt(Side::Lower)
            .unwrap()
            .L()
            .diagonal()
            .column_vector()
            .iter()
            .map(|d| d.ln())
            .sum::<f64>();
    let v_inverse = inverse(v).unwrap();
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for i in 0..n {
        for j in 0..n {
            xx += v_inverse[(i, j)];
            xy += v_inverse[(i, j)] * y[j];
            yy += v_inverse[(i, j)] * y[i] * y[j];
        }
    }
    let free = (n - 1) as f64 * (2.0 * std::f64::consts::PI).ln();
    let likelihood = -0.5 * (free + log_determinant + xx.ln() + yy - xy * xy / xx);
    (likelihood, xy / xx)
}

fn column_of(frame: &Frame, name: &str) -> Vec<f64> {
    let values = frame.numeric(name).unwrap();
    values.iter().map(|v| v.unwrap()).collect()
}

#[test]
fn autoregressive_likelihood_equals_the_dense_one_with_missing_plots() {
    let frame = field(6, 8, (0.5, 0.3), 2, true);
    let model = row_column("y ~ 1").random("entry").unwrap();
    let variances = Variances {
        random: vec![vec![vec![4.0]]],
        residual: vec![1.7],
        autocorrelations: vec![(0.6, 0.2)],
    };
    let fit = fit_with_variances(&frame, &model, &variances).unwrap();
    let (row, column) = (column_of(&frame, "row"), column_of(&frame, "column"));
    let codes = frame.factor("entry").unwrap().codes();
    let n = row.len();
    let v = Mat::from_fn(n, n, |i, j| {
        let apart = |x: &[f64]| (x[i] - x[j]).abs() as i32;
        1.7 * 0.6_f64.powi(apart(&row)) * 0.2_f64.powi(apart(&column))
            + if codes[i] == codes[j] { 4.0 } else { 0.0 }
    });
    let (dense, mean) = dense_likelihood(&v, &column_of(&frame, "y"));
    assert!(
        (fit.log_likelihood() - dense).abs() < 1e-8,
        "{} {dense}",
        fit.log_likelihood()
    );
    assert!((fit.fixed()[0].estimate - mean).abs() < 1e-9);
}

/// Two fields with errors of their own, the second in two seasons; the third is a single row.
fn three_sites() -> (Frame, Vec<(usize, usize)>) {
    let parts = [
        (0, field(6, 8, (0.6, 0.1), 2, true)),
        (1, field(5, 7, (0.1, 0.6), 3, true)),
        (1, field(5, 7, (0.1, 0.6), 4, false)),
        (2, field(1, 20, (0.0, 0.5), 5, true)),
    ];
    let mut of = Vec::new();
    let (mut row, mut column, mut y) = (Vec::new(), Vec::new(), Vec::new());
    for (section, (site, frame)) in parts.iter().enumerate() {
        row.extend(column_of(frame, "row"));
        column.extend(column_of(frame, "column"));
        // Errors of one mean, larger at the later sites.
        let entries = frame.factor("entry").unwrap();
        y.extend(column_of(frame, "y").iter().enumerate().map(|(k, v)| {
            let entry = &entries.levels()[entries.codes()[k].unwrap() as usize];
            let error = v - 50.0 - entry[1..].parse::<f64>().unwrap();
            error * (1.0 + *site as f64)
        }));
        of.resize(y.len(), (*site, section));
    }
    let frame = Frame::new()
        .with_numeric("row", row.into_iter().map(Some))
        .unwrap()
        .with_numeric("column", column.into_iter().map(Some))
        .unwrap()
        .with_numeric("y", y.into_iter().map(Some))
        .unwrap()
        .with_factor("site", of.iter().map(|o| Some(format!("S{}", o.0))))
        .unwrap()
        .with_factor("section", of.iter().map(|o| Some(format!("F{}", o.1))))
        .unwrap();
    (frame, of)
}

fn row_column_by_site() -> Model {
    Model::new("y ~ 1")
        .unwrap()
        .residual(Residual::SeparableAr1 {
            row: "row".into(),
            column: "column".into(),
            section: Some("section".into()),
            each: Some("site".into()),
        })
}

#[test]
fn every_site_has_its_own_variance_and_autocorrelations() {
    let (frame, of) = three_sites();
    let (row, column) = (column_of(&frame, "row"), column_of(&frame, "column"));
    let n = row.len();
    let dense = |variances: &[f64], rho: &[(f64, f64)]| {
        let v = Mat::from_fn(n, n, |i, j| {
            if of[i].1 != of[j].1 {
                return 0.0;
            }
            let site = of[i].0;
            let apart = |x: &[f64]| (x[i] - x[j]).abs() as i32;
            variances[site] * rho[site].0.powi(apart(&row)) * rho[site].1.powi(apart(&column))
        });
        dense_likelihood(&v, &column_of(&frame, "y"))
    };
    let given = Variances {
        random: Vec::new(),
        residual: vec![1.1, 4.2, 9.0],
        autocorrelations: vec![(0.6, 0.2), (0.1, 0.7), (0.0, 0.4)],
    };
    let at = fit_with_variances(&frame, &row_column_by_site(), &given).unwrap();
    let (likelihood, mean) = dense(&given.residual, &given.autocorrelations);
    assert!((at.log_likelihood() - likelihood).abs() < 1e-8);
    assert!((at.fixed()[0].estimate - mean).abs() < 1e-9);

    // At the estimates too, and no parameter can be moved to a likelier place.
    let fitted = fit(&frame, &row_column_by_site()).unwrap();
    let residual = fitted.residual();
    let found: Vec<f64> = residual.variances.iter().map(|v| v.variance).collect();
    let groups: Vec<&str> = residual
        .variances
        .iter()
        .map(|v| v.group.as_str())
        .collect();
    assert_eq!(groups, ["S0", "S1", "S2"]);
    let rho = &residual.autocorrelations;
    assert_eq!(rho[2].0, 0.0, "one row has no neighbours along rows");
    let (best, _) = dense(&found, rho);
    assert!((fitted.log_likelihood() - best).abs() < 1e-7);
    for site in 0..3 {
        for step in [-0.02, 0.02] {
            let mut moved = found.clone();
            moved[site] *= 1.0 + step;
            assert!(dense(&moved, rho).0 <= best + 1e-9);
            let mut moved = rho.clone();
            moved[site].1 += step;
            assert!(dense(&found, &moved).0 <= best + 1e-9);
            if site < 2 {
                let mut moved = rho.clone();
                moved[site].0 += step;
                assert!(dense(&found, &moved).0 <= best + 1e-9);
            }
        }
    }
}

#[test]
fn a_section_in_two_sites_is_refused() {
    let (frame, _) = three_sites();
    let model = Model::new("y ~ 1")
        .unwrap()
        .residual(Residual::SeparableAr1 {
            row: "row".into(),
            column: "column".into(),
            section: Some("site".into()),
            each: Some("section".into()),
        });
    let error = fit(&frame, &model).unwrap_err();
    assert!(error.to_string().contains("S1"), "{error}");
}

#[test]
fn autocorrelations_are_found_again() {
    let (mut rows, mut columns) = (0.0, 0.0);
    for seed in 0..8 {
        let frame = field(20, 25, (0.6, 0.35), seed, true);
        let fit = fit(&frame, &row_column("y ~ entry")).unwrap();
        let (r, c) = fit.residual().autocorrelations[0];
        rows += r / 8.0;
        columns += c / 8.0;
    }
    assert!((rows - 0.6).abs() < 0.05, "{rows}");
    assert!((columns - 0.35).abs() < 0.05, "{columns}");
}

#[test]
fn the_score_is_the_slope_of_the_likelihood() {
    let frame = field(7, 9, (0.5, 0.3), 4, true)
        .with_numeric("x", (0..59).map(|k| Some(f64::from(k % 5) - 1.5)))
        .unwrap()
        .with_factor(
            "half",
            (0..59).map(|k| Some(if k < 30 { "front" } else { "back" })),
        )
        .unwrap();
    let models = [
        row_column("y ~ x")
            .random_coefficients("entry", "1 + x")
            .unwrap(),
        Model::new("y ~ x")
            .unwrap()
            .random_coefficients("entry", "1 + x")
            .unwrap()
            .smooth("row")
            .residual(Residual::ByLevel("entry".into())),
        row_column("y ~ x")
            .random_coefficients("entry", "1 + x")
            .unwrap()
            .residual(Residual::SeparableAr1 {
                row: "row".into(),
                column: "column".into(),
                section: Some("half".into()),
                each: Some("half".into()),
            }),
    ];
    for model in models {
        let design = Design::build(&frame, &model).unwrap();
        let loading = Loading {
            n_coefficients: 2,
            rank: 2,
            values: vec![1.1, 0.0, -0.4, 0.7],
            shared: false,
        };
        let mut residual = design.residual.start(0.8);
        residual
            .iter_mut()
            .enumerate()
            .for_each(|(k, p)| *p += 0.05 * k as f64);
        let mut loadings = vec![loading];
        for term in &design.random[1..] {
            loadings.push(Loading::diagonal(&vec![0.6; term.coefficients.len()], true));
        }
        let parameters = Parameters { loadings, residual };
        let here = reml::at(&design, parameters.clone()).unwrap();
        let slopes = reml::solution_slopes(&design, &here);
        for (k, &free) in here.derivatives.free.iter().enumerate() {
            let moved = |step: f64| {
                let mut there = parameters.clone();
                there.set(free, parameters.value(free) + step);
                reml::at(&design, there).unwrap().solved
            };
            let (up, down) = (moved(1e-5), moved(-1e-5));
            let slope = (up.log_likelihood - down.log_likelihood) / 2e-5;
            for (found, (u, d)) in slopes[k].iter().zip(up.solution.iter().zip(&down.solution)) {
                let by_difference = (u - d) / 2e-5;
                assert!(
                    (found - by_difference).abs() < 1e-5 * (1.0 + found.abs()),
                    "{free:?}"
                );
            }
            let score = here.derivatives.score[k];
            assert!(
                (slope - score).abs() < 1e-5 * (1.0 + score.abs()),
                "{free:?} {slope} {score}"
            );
        }
    }
}

#[test]
fn a_spatial_trend_is_smoothed_away() {
    let mut noise = Noise::new(31);
    let (rows, columns) = (30, 12);
    let cells: Vec<usize> = (0..rows * columns).collect();
    let entry: Vec<usize> = cells.iter().map(|k| (k * 7 + k / columns) % 20).collect();
    let trend = |row: usize| 3.0 * (row as f64 / 5.0).sin();
    let y: Vec<f64> = cells
        .iter()
        .map(|k| 40.0 + trend(k / columns) + noise.draw())
        .collect();
    let frame = Frame::new()
        .with_numeric("row", cells.iter().map(|k| Some((k / columns) as f64)))
        .and_then(|f| f.with_factor("entry", labels("E", &entry)))
        .and_then(|f| f.with_numeric("y", y.into_iter().map(Some)))
        .unwrap();
    let straight = fit(&frame, &Model::new("y ~ entry + row").unwrap()).unwrap();
    let model = Model::new("y ~ entry + row").unwrap().smooth("row");
    let smooth = fit(&frame, &model).unwrap();
    let residual = smooth.residual().variances[0].variance;
    assert!((residual - 1.0).abs() < 0.25, "{residual}");
    assert!(straight.residual().variances[0].variance > 1.8 * residual);
    // The straight part and the smooth part together follow the trend.
    let term = smooth.random_term("smooth(row)").unwrap();
    let slope = smooth
        .fixed()
        .iter()
        .find(|c| c.name == "row")
        .unwrap()
        .estimate;
    let fitted: Vec<f64> = term
        .levels
        .iter()
        .enumerate()
        .map(|(r, l)| slope * r as f64 + l.effect())
        .collect();
    let centre = |x: &[f64]| x.iter().sum::<f64>() / x.len() as f64;
    let truth: Vec<f64> = (0..rows).map(trend).collect();
    let (a, b) = (centre(&fitted), centre(&truth));
    let miss: f64 = fitted
        .iter()
        .zip(&truth)
        .map(|(f, t)| (f - a - t + b).powi(2))
        .sum::<f64>()
        / rows as f64;
    assert!(miss.sqrt() < 0.3, "{miss}");
    let tests = smooth.random_tests(&frame, &model).unwrap();
    assert!(tests[0].p < 1e-10 && tests[0].parameters == 1);
    // A trend that is straight leaves nothing to smooth.
    let level = Frame::new()
        .with_numeric("row", cells.iter().map(|k| Some((k / columns) as f64)))
        .and_then(|f| {
            f.with_numeric(
                "y",
                cells
                    .iter()
                    .map(|k| Some((k % 5) as f64 + 0.2 * (k / columns) as f64)),
            )
        })
        .unwrap();
    let flat = fit(&level, &Model::new("y ~ row").unwrap().smooth("row")).unwrap();
    assert_eq!(flat.convergence().boundary, ["smooth(row)"]);
}

#[test]
fn each_field_has_its_own_trend() {
    // The first field rises and falls along its rows, the second is even; neither knows the other.
    let mut noise = Noise::new(77);
    let (rows, columns) = (16, 8);
    let cells: Vec<(usize, usize)> = (0..2)
        .flat_map(|site| (0..rows * columns).map(move |k| (site, k)))
        .collect();
    let y: Vec<f64> = cells
        .iter()
        .map(|(site, k)| {
            let trend = if *site == 0 {
                2.0 * ((k / columns) as f64 / 3.0).sin()
            } else {
                0.0
            };
            30.0 + 4.0 * *site as f64 + trend + noise.draw()
        })
        .collect();
    let frame = Frame::new()
        .with_numeric("row", cells.iter().map(|(_, k)| Some((k / columns) as f64)))
        .and_then(|f| f.with_factor("site", cells.iter().map(|c| Some(["A", "B"][c.0]))))
        .and_then(|f| f.with_numeric("y", y.into_iter().map(Some)))
        .unwrap();
    let by_site = Residual::ByLevel("site".to_owned());
    let together = Model::new("y ~ site + site:row")
        .unwrap()
        .smooth_at("row", "site", "A")
        .smooth_at("row", "site", "B")
        .residual(by_site);
    let together = fit(&frame, &together).unwrap();
    let first: Vec<usize> = (0..rows * columns).collect();
    let alone = Model::new("y ~ row").unwrap().smooth("row");
    let alone = fit(&frame.subset(&first), &alone).unwrap();
    let (one, other) = (
        together.random_term("smooth(row) at site A").unwrap(),
        &alone.random()[0],
    );
    assert_eq!(one.levels.len(), rows);
    assert!((one.variance() / other.variance() - 1.0).abs() < 1e-4);
    for (a, b) in one.levels.iter().zip(&other.levels) {
        assert!(
            (a.effect() - b.effect()).abs() < 1e-4,
            "{} {}",
            a.effect(),
            b.effect()
        );
    }
    let even = together.random_term("smooth(row) at site B").unwrap();
    assert!(
        even.variance() < 0.05 * one.variance(),
        "{}",
        even.variance()
    );
}

#[test]
fn residual_variances_by_site_are_found_again() {
    let mut means = [0.0; 2];
    for seed in 0..40 {
        let mut noise = Noise::new(seed);
        let data = trial(2, 20, 3, [1.0, 0.0, 0.0, 1e-9], seed + 500);
        let y: Vec<f64> = data
            .y
            .iter()
            .zip(&data.site)
            .map(|(y, s)| y + if *s == 0 { 1.0 } else { 2.0 } * noise.draw())
            .collect();
        let frame = Trial { y, ..data }.frame();
        let model = Model::new("y ~ site")
            .unwrap()
            .random("entry")
            .unwrap()
            .residual(Residual::ByLevel("site".into()));
        let fit = fit(&frame, &model).unwrap();
        for (mean, found) in means.iter_mut().zip(&fit.residual().variances) {
            *mean += found.variance / 40.0;
        }
    }
    assert!((means[0] - 1.0).abs() < 0.1, "{means:?}");
    assert!((means[1] - 4.0).abs() < 0.4, "{means:?}");
}

/// Truth known: components without bias, and 95 % intervals that hold the truth 93 to 97 times in
/// a hundred (Monte Carlo error of a coverage from 2000 runs: 0.5 %).
#[test]
fn simulated_trials_give_unbiased_components_and_honest_intervals() {
    const RUNS: usize = 2000;
    let truth = [4.0, 1.0, 1.5, 2.0];
    let model = Model::new("y ~ site")
        .unwrap()
        .random("entry + site:entry + block")
        .unwrap();
    let fixed_entries = Model::new("y ~ site + entry")
        .unwrap()
        .random("site:entry + block")
        .unwrap();
    let (mut sums, mut squares) = ([0.0; 4], [0.0; 4]);
    let (mut difference_covered, mut prediction_covered, mut predictions) = (0, 0, 0);
    for run in 0..RUNS {
        let data = trial(3, 10, 3, truth, 10_000 + run as u64);
        let frame = data.frame();
        let random = fit(&frame, &model).unwrap_or_else(|e| panic!("run {run}: {e}"));
        let mut found: Vec<f64> = ["entry", "site:entry", "block"]
            .map(|name| random.random_term(name).unwrap().variance())
            .to_vec();
        found.push(random.residual().variances[0].variance);
        for k in 0..4 {
            sums[k] += found[k];
            squares[k] += found[k] * found[k];
        }
        let levels = &random.random_term("entry").unwrap().levels;
        for (level, truth) in levels.iter().zip(&data.entry_effect) {
            let (low, high) = level.interval();
            prediction_covered += usize::from(low < *truth && *truth < high);
            predictions += 1;
        }
        // The difference between two entries, with Satterthwaite's degrees of freedom.
        let fixed = fit(&frame, &fixed_entries).unwrap();
        let place = fixed
            .fixed()
            .iter()
            .position(|c| c.name == "entryE001")
            .unwrap();
        let mut row = vec![0.0; fixed.fixed().len()];
        row[place] = 1.0;
        let df = fixed
            .contrast_df(&row, DenominatorDf::Satterthwaite)
            .unwrap();
        let quantile = StudentsT::new(0.0, 1.0, df).unwrap().inverse_cdf(0.975);
        let contrast = &fixed.fixed()[place];
        let truth = data.entry_effect[1] - data.entry_effect[0];
        difference_covered +=
            usize::from((contrast.estimate - truth).abs() < quantile * contrast.se);
    }
    let runs = RUNS as f64;
    for k in 0..4 {
        let mean = sums[k] / runs;
        let error = ((squares[k] / runs - mean * mean) / runs).sqrt();
        println!(
            "component {k}: true {}, mean {mean:.4}, Monte Carlo error {error:.4}",
            truth[k]
        );
        // Components at the boundary pull the mean up a little beside the Monte Carlo error.
        assert!((mean - truth[k]).abs() < 4.0 * error + 0.01 * truth[k]);
    }
    let coverage = difference_covered as f64 / runs;
    let of_predictions = prediction_covered as f64 / predictions as f64;
    println!(
        "coverage over {RUNS} trials: differences {coverage:.4}, predictions {of_predictions:.4}"
    );
    assert!((0.93..=0.97).contains(&coverage), "{coverage}");
    assert!((0.93..=0.97).contains(&of_predictions), "{of_predictions}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Scale and shift of the trait carry over; the order of records does not matter.
    #[test]
    fn units_and_order_do_not_matter(seed in 0_u64..10_000, scale in 0.01_f64..100.0, shift in -50.0_f64..50.0) {
        let data = trial(2, 7, 2, [1.0, 0.3, 0.2, 1.0], seed);
        let model = Model::new("y ~ site").unwrap().random("entry + block").unwrap();
        let plain = fit(&data.frame(), &model).unwrap();
        let reversed = |codes: &[usize]| codes.iter().rev().copied().collect::<Vec<_>>();
        let other = Trial {
            site: reversed(&data.site),
            block: reversed(&data.block),
            entry: reversed(&data.entry),
            y: data.y.iter().rev().map(|y| shift + scale * y).collect(),
            entry_effect: vec![],
        };
        let moved = fit(&other.frame(), &model).unwrap();
        let squared = scale * scale;
        let total = plain.random().iter().map(RandomEffect::variance).sum::<f64>()
            + plain.residual().variances[0].variance;
        for (a, b) in plain.random().iter().zip(moved.random()) {
            prop_assert!((a.variance() - b.variance() / squared).abs() < 2e-4 * total);
            for (x, y) in a.levels.iter().zip(&b.levels) {
                prop_assert!((x.effect() - y.effect() / scale).abs() < 2e-3 * total.sqrt());
            }
        }
    }
}

/// Plants measured over days, with the given covariance of intercept and slope, some plants lost.
fn growth(covariance: [f64; 3], seed: u64) -> Frame {
    let mut noise = Noise::new(seed);
    let (mut plant, mut tray, mut day, mut y) = (vec![], vec![], vec![], vec![]);
    let root = covariance[0].sqrt();
    let (cross, rest) = if root > 0.0 {
        let cross = covariance[1] / root;
        (cross, (covariance[2] - cross * cross).max(0.0).sqrt())
    } else {
        (0.0, covariance[2].sqrt())
    };
    for p in 0..14 {
        let (a, b) = (noise.draw(), noise.draw());
        let (level, slope) = (root * a, cross * a + rest * b);
        for d in 0..6 {
            if noise.draw() > -1.2 {
                plant.push(p);
                tray.push((p * 5 + d) % 4);
                day.push(Some(f64::from(d as u32)));
                y.push(Some(
                    5.0 + level + (0.4 + slope) * f64::from(d as u32) + noise.draw(),
                ));
            }
        }
    }
    Frame::new()
        .with_factor("plant", labels("P", &plant))
        .and_then(|f| f.with_factor("tray", labels("T", &tray)))
        .and_then(|f| f.with_numeric("day", day))
        .and_then(|f| f.with_numeric("y", y))
        .unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Unbalanced data, components at and near the boundary, correlations of one: the search ends,
    /// and no parameters nearby have a higher likelihood.
    #[test]
    fn nothing_nearby_is_likelier(
        seed in 0_u64..1_000_000,
        variance in 0.0_f64..2.0,
        correlation in -1.0_f64..1.0,
        slope in prop_oneof![Just(0.0), 0.0..0.5_f64],
    ) {
        let cross = correlation * (variance * slope).sqrt();
        let frame = growth([variance, cross, slope], seed);
        let model = Model::new("y ~ day")
            .unwrap()
            .random_coefficients("plant", "1 + day")
            .unwrap()
            .random("tray")
            .unwrap();
        let fit = fit(&frame, &model).unwrap();
        prop_assert!(fit.log_likelihood().is_finite());
        let plant = &fit.random()[0].covariance;
        let tray = fit.random()[1].variance();
        let residual = fit.residual().variances[0].variance;
        let mut noise = Noise::new(seed);
        for scale in [0.01, 0.1, 0.5] {
            for _ in 0..8 {
                let mut near = || (scale * noise.draw()).exp();
                let (a, b) = ((plant[0][0] + 1e-3 * scale).sqrt() * near(), near());
                let cross = plant[0][1] / plant[0][0].max(1e-12).sqrt() * b;
                let left = (plant[1][1] - plant[0][1].powi(2) / plant[0][0].max(1e-12)).max(0.0);
                let rest = (left + 1e-3 * scale * (near() - 1.0).max(0.0)).sqrt() * near();
                let moved = Variances {
                    random: vec![
                        vec![vec![a * a, a * cross], vec![a * cross, cross * cross + rest * rest]],
                        vec![vec![(tray + 1e-3 * scale * (near() - 1.0).max(0.0)) * near()]],
                    ],
                    residual: vec![residual * near()],
                    autocorrelations: Vec::new(),
                };
                let there = fit_with_variances(&frame, &model, &moved).unwrap();
                prop_assert!(
                    there.log_likelihood() <= fit.log_likelihood() + 1e-6,
                    "{} at {moved:?}, found {} at {:?}", there.log_likelihood(), fit.log_likelihood(), plant
                );
            }
        }
    }
}

#[test]
fn fixed_intervals_use_t_with_the_degrees_of_freedom_of_the_design() {
    // Complete blocks: differences between entries have (blocks - 1)(entries - 1) degrees.
    let data = trial(1, 5, 4, [2.0, 0.0, 0.6, 1.0], 31);
    let model = Model::new("y ~ entry").unwrap().random("block").unwrap();
    let fitted = fit(&data.frame(), &model).unwrap();
    assert_eq!(
        fitted.denominator_df_method(DenominatorDf::Automatic),
        DenominatorDf::KenwardRoger
    );
    let all = fitted.fixed_inference(DenominatorDf::Automatic).unwrap();
    for (one, coefficient) in all.iter().zip(fitted.fixed()).skip(1) {
        assert!((one.df - 12.0).abs() < 1e-3, "{}", one.df);
        assert!((one.se - coefficient.se).abs() < 1e-6);
        let t = StudentsT::new(0.0, 1.0, one.df).unwrap();
        let half = t.inverse_cdf(0.975) * one.se;
        assert!((one.interval.1 - one.estimate - half).abs() < 1e-9);
        assert!((one.p - 2.0 * t.sf(one.t.abs())).abs() < 1e-12);
    }
    // Autocorrelated or many records: Satterthwaite, without being asked.
    let many = trial(4, 60, 5, [2.0, 0.5, 0.6, 1.0], 32);
    let model = Model::new("y ~ site")
        .unwrap()
        .random("entry + block")
        .unwrap();
    let fitted = fit(&many.frame(), &model).unwrap();
    assert_eq!(
        fitted.denominator_df_method(DenominatorDf::Automatic),
        DenominatorDf::Satterthwaite
    );
    let automatic = fitted.fixed_inference(DenominatorDf::Automatic).unwrap();
    let asked = fitted
        .fixed_inference(DenominatorDf::Satterthwaite)
        .unwrap();
    assert_eq!(automatic, asked);
    assert!(fitted.fixed_inference(DenominatorDf::KenwardRoger).is_err());
    // Sites differ by blocks and entries by site: few degrees, far from the normal quantile.
    assert!(asked[1].df < 60.0 && asked[1].df > 5.0, "{}", asked[1].df);
}

/// Complete blocks whose means are equal: the variance of blocks is estimated at zero.
fn equal_blocks() -> Frame {
    const REST: [[f64; 3]; 4] = [
        [0.3, -0.1, -0.2],
        [-0.2, 0.3, -0.1],
        [-0.1, -0.2, 0.3],
        [0.0, 0.1, -0.1],
    ];
    let cells = || (0..4).flat_map(|b| (0..3).map(move |e| (b, e)));
    Frame::new()
        .with_factor("block", cells().map(|(b, _)| Some(b.to_string())))
        .unwrap()
        .with_factor("entry", cells().map(|(_, e)| Some(e.to_string())))
        .unwrap()
        .with_numeric("y", cells().map(|(b, e)| Some(e as f64 + REST[b][e])))
        .unwrap()
}

#[test]
fn a_component_at_zero_is_left_out_of_small_sample_tests_or_kept_as_asked() {
    let frame = equal_blocks();
    let model = Model::new("y ~ entry").unwrap().random("block").unwrap();
    let fitted = fit(&frame, &model).unwrap();
    assert_eq!(fitted.convergence().boundary, ["block"]);
    let df = |method| fitted.fixed_tests(method).unwrap()[0].denominator_df;
    // Left out, all within entries is error: 12 - 3. Kept, blocks may still take theirs.
    let left_out = df(DenominatorDf::KenwardRoger);
    assert!((left_out - 9.0).abs() < 1e-6, "{left_out}");
    let kept = df(DenominatorDf::KenwardRogerWithZeros);
    assert!(kept < 8.0 && kept > 3.0, "{kept}");
    // The likelihood tells nothing for blocks, whatever the last digits of two searches say.
    let test = &fitted.random_tests(&frame, &model).unwrap()[0];
    assert_eq!((test.statistic, test.p), (0.0, 1.0));
}

#[test]
fn heritability_is_of_the_levels_that_have_records() {
    // Six unrelated entries, and six ancestors that nobody measured: the inverse is the identity.
    let data = trial(1, 6, 4, [2.0, 0.0, 0.3, 1.0], 5);
    let frame = data.frame();
    let names: Vec<String> = frame.factor("entry").unwrap().levels().to_vec();
    let all: Vec<String> = names
        .iter()
        .cloned()
        .chain((0..6).map(|k| format!("ancestor {k}")))
        .collect();
    let n = all.len();
    let relationship = Relationship::new(all, (0..n).map(|k| (k, k, 1.0)), 0.0)
        .map(Arc::new)
        .unwrap();
    let model = |related: bool| {
        let model = Model::new("y ~ 1").unwrap().random("block").unwrap();
        if related {
            model.random_related("entry", relationship.clone()).unwrap()
        } else {
            model.random("entry").unwrap()
        }
    };
    let of = |related| {
        let fitted = fit(&frame, &model(related)).unwrap();
        crate::heritability::of_entries(&fitted, "entry").unwrap()
    };
    let (plain, with_ancestors) = (of(false), of(true));
    let (a, b) = (plain.cullis.unwrap(), with_ancestors.cullis.unwrap());
    assert!(a > 0.5 && (a - b).abs() < 1e-5, "{a} {b}");
}

#[test]
fn effects_are_drawn_with_the_errors_of_their_predictions() {
    let data = trial(2, 8, 3, [2.0, 0.4, 0.3, 1.0], 17);
    let frame = data.frame();
    let model = Model::new("y ~ site")
        .unwrap()
        .random("entry + entry:site + block")
        .unwrap();
    let variances = Variances {
        random: vec![vec![vec![1.7]], vec![vec![0.5]], vec![vec![0.2]]],
        residual: vec![0.9],
        autocorrelations: Vec::new(),
    };
    let fitted = fit_with_variances(&frame, &model, &variances).unwrap();
    let drawn = effect_draws(
        &frame,
        &model,
        std::slice::from_ref(&variances),
        "entry",
        (20_000, 3),
    )
    .unwrap();
    let n = drawn.draws.len() as f64;
    let mut difference = 0.0;
    for (k, level) in fitted.random()[0].levels.iter().enumerate() {
        assert_eq!(level.level, drawn.levels[k]);
        assert!((level.effect() - drawn.means[k]).abs() < 1e-9);
        let spread = drawn
            .draws
            .iter()
            .map(|d| (d[k] - drawn.means[k]).powi(2))
            .sum::<f64>()
            / n;
        let exact = level.prediction_error_variances[0];
        assert!((spread / exact - 1.0).abs() < 0.05, "{spread} {exact}");
        for other in 0..k {
            difference += drawn
                .draws
                .iter()
                .map(|d| (d[k] - d[other] - drawn.means[k] + drawn.means[other]).powi(2))
                .sum::<f64>()
                / n
                / 28.0;
        }
    }
    let exact = fitted
        .mean_prediction_variance_of_difference("entry")
        .unwrap();
    assert!(
        (difference / exact - 1.0).abs() < 0.03,
        "{difference} {exact}"
    );
}

#[test]
fn variances_are_drawn_about_their_estimates_and_off_zero() {
    let data = trial(1, 60, 4, [1.5, 0.0, 0.0, 1.0], 23);
    let frame = data.frame();
    let model = Model::new("y ~ 1")
        .unwrap()
        .random("entry + block")
        .unwrap();
    let fitted = fit(&frame, &model).unwrap();
    let found = fitted.variance_draws((400, 400), 7, &|_| 0.0).unwrap();
    assert!(found.effective_n > 80.0, "{}", found.effective_n);
    // Balanced: entry mean squares over 59 degrees of freedom, errors over about 180.
    let of = |pick: &dyn Fn(&Variances) -> f64| {
        let of: Vec<f64> = found.draws.iter().map(pick).collect();
        let mean = of.iter().sum::<f64>() / of.len() as f64;
        let variance = of.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / of.len() as f64;
        (mean, variance.sqrt())
    };
    let estimate = fitted.variances();
    let (entry, residual) = (estimate.random[0][0][0], estimate.residual[0]);
    let between = (4.0 * entry + residual) * (2.0_f64 / 59.0).sqrt() / 4.0;
    let (mean, sd) = of(&|v| v.random[0][0][0]);
    assert!((mean / entry - 1.0).abs() < 0.15, "{mean} {entry}");
    assert!((sd / between - 1.0).abs() < 0.3, "{sd} {between}");
    let (mean, sd) = of(&|v| v.residual[0]);
    let within = residual * (2.0_f64 / 180.0).sqrt();
    assert!(
        (mean / residual - 1.0).abs() < 0.05 && (sd / within - 1.0).abs() < 0.25,
        "{mean} {sd}"
    );
    // Four blocks tell little of their variance: it is not known to be none.
    let (mean, _) = of(&|v| v.random[1][0][0]);
    assert!(mean > 0.0, "{mean}");
    // What is known beforehand counts.
    let small = fitted
        .variance_draws((400, 400), 7, &|v| {
            -200.0 * (v.random[0][0][0] - 0.5 * entry).powi(2)
        })
        .unwrap();
    let mean = small.draws.iter().map(|v| v.random[0][0][0]).sum::<f64>() / 400.0;
    assert!(mean < 0.8 * entry, "{mean} {entry}");
}
