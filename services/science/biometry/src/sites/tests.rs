//! Simulated trial series whose truth is known, and structures that must agree.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ContinuousCDF, Normal};

use super::two_stage::{FirstStage, TwoStageModel, Weighting, first_stage, second_stage_model};
use super::*;
use crate::mixed::{Variances, fit_with_variances};

struct Noise(ChaCha8Rng);

impl Noise {
    fn draw(&mut self) -> f64 {
        Normal::standard().inverse_cdf(self.0.random_range(1e-15..1.0))
    }
}

struct Series {
    rows: Vec<(usize, usize, usize)>,
    y: Vec<f64>,
}

/// Entries at sites with the given loadings and specific variances, in blocks, residual variance 1
/// at the first site and a tenth more at each further one; every `gap`th plot is missing.
fn series(
    loadings: &[Vec<f64>],
    specific: &[f64],
    entries: usize,
    blocks: usize,
    gap: usize,
    seed: u64,
) -> Series {
    let mut noise = Noise(ChaCha8Rng::seed_from_u64(seed));
    let factors = loadings[0].len();
    let scores: Vec<Vec<f64>> = (0..entries)
        .map(|_| (0..factors).map(|_| noise.draw()).collect())
        .collect();
    let mut out = Series {
        rows: vec![],
        y: vec![],
    };
    let mut plot = 0;
    for (s, (lambda, psi)) in loadings.iter().zip(specific).enumerate() {
        let own: Vec<f64> = (0..entries).map(|_| psi.sqrt() * noise.draw()).collect();
        for b in 0..blocks {
            let block = 0.5 * noise.draw();
            for e in 0..entries {
                let common: f64 = lambda.iter().zip(&scores[e]).map(|(l, f)| l * f).sum();
                let error = (1.0 + 0.1 * s as f64).sqrt() * noise.draw();
                plot += 1;
                if gap == 0 || plot % gap != 0 {
                    out.rows.push((s, s * blocks + b, e));
                    out.y
                        .push(12.0 + s as f64 + common + own[e] + block + error);
                }
            }
        }
    }
    out
}

impl Series {
    fn frame(&self) -> Frame {
        Frame::new()
            .with_factor("site", self.rows.iter().map(|r| Some(format!("S{}", r.0))))
            .and_then(|f| {
                f.with_factor(
                    "block",
                    self.rows.iter().map(|r| Some(format!("B{:02}", r.1))),
                )
            })
            .and_then(|f| {
                f.with_factor(
                    "entry",
                    self.rows.iter().map(|r| Some(format!("E{:03}", r.2))),
                )
            })
            .and_then(|f| f.with_numeric("y", self.y.iter().map(|y| Some(*y))))
            .unwrap()
    }
}

fn base() -> Model {
    Model::new("y ~ site")
        .unwrap()
        .random("block")
        .unwrap()
        .residual(Residual::ByLevel("site".to_owned()))
}

fn each_site() -> Across {
    Across::EachLevel {
        factor: "site".to_owned(),
        form: BetweenLevels::Full,
    }
}

fn fa(order: usize) -> BetweenSites {
    BetweenSites::FactorAnalytic { order }
}

/// Parents of each plant, parents before offspring: six founders, then full and half sibs.
fn parents() -> Vec<Option<(usize, usize)>> {
    let mut parents = vec![None; 6];
    for k in 0..24 {
        parents.push(Some((k % 3, 3 + (k / 3) % 3)));
    }
    for k in 0..6 {
        parents.push(Some((6 + k, 14 + 2 * k)));
    }
    parents
}

/// Relationship matrix by the tabular method (Henderson 1976, from memory).
fn relationship_matrix(parents: &[Option<(usize, usize)>]) -> Mat<f64> {
    let n = parents.len();
    let mut a = Mat::<f64>::zeros(n, n);
    for i in 0..n {
        for j in 0..i {
            let shared = parents[i].map_or(0.0, |(p, q)| 0.5 * (a[(j, p)] + a[(j, q)]));
            a[(i, j)] = shared;
            a[(j, i)] = shared;
        }
        a[(i, i)] = 1.0 + parents[i].map_or(0.0, |(p, q)| 0.5 * a[(p, q)]);
    }
    a
}

#[test]
fn related_entries_have_the_dense_likelihood_and_predictions() {
    use faer::linalg::solvers::DenseSolveCore;
    let parents = parents();
    let a = relationship_matrix(&parents);
    let animals = parents.len();
    let factor = a.llt(faer::Side::Lower).unwrap();
    let a_inverse = factor.inverse();
    let log_determinant = (0..animals).map(|k| 2.0 * factor.L()[(k, k)].ln()).sum();
    let name = |k: usize| format!("E{k:03}");
    let entries = (0..animals).flat_map(|i| (0..=i).map(move |j| (i, j)));
    let known = Arc::new(
        Relationship::new(
            (0..animals).map(name).collect(),
            entries.map(|(i, j)| (i, j, a_inverse[(i, j)])),
            log_determinant,
        )
        .unwrap(),
    );
    // Effects with covariance G x A at four sites; founders have no record, nor has every plant
    // one at every site.
    let loadings = [1.5, 1.2, 0.9, 1.3];
    let specific = [0.5, 0.4, 0.6, 0.3];
    let mut noise = Noise(ChaCha8Rng::seed_from_u64(31));
    let mut drawn = || -> Vec<f64> {
        let white: Vec<f64> = (0..animals).map(|_| noise.draw()).collect();
        (0..animals)
            .map(|i| (0..=i).map(|j| factor.L()[(i, j)] * white[j]).sum())
            .collect()
    };
    let common = drawn();
    let own: Vec<Vec<f64>> = (0..4).map(|_| drawn()).collect();
    let (mut rows, mut y) = (Vec::new(), Vec::new());
    for s in 0..4 {
        for e in 6..animals {
            for tree in 0..3 {
                if (e + 2 * s + tree) % 7 != 0 {
                    rows.push((s, e));
                    y.push(
                        10.0 + s as f64
                            + loadings[s] * common[e]
                            + f64::sqrt(specific[s]) * own[s][e]
                            + 0.8 * noise.draw(),
                    );
                }
            }
        }
    }
    let frame = Frame::new()
        .with_factor("site", rows.iter().map(|r| Some(format!("S{}", r.0))))
        .unwrap()
        .with_factor("entry", rows.iter().map(|r| Some(name(r.1))))
        .unwrap()
        .with_numeric("y", y.iter().map(|v| Some(*v)))
        .unwrap();
    let base = Model::new("y ~ site").unwrap();
    let n = rows.len();
    let (x, response) = (
        Mat::from_fn(n, 4, |i, j| f64::from(j == 0 || rows[i].0 == j)),
        Mat::from_fn(n, 1, |i, _| y[i]),
    );
    for structure in [
        BetweenSites::CompoundSymmetry,
        fa(1),
        BetweenSites::Unstructured,
    ] {
        let fitted = fit_related(&frame, &base, "entry", "site", structure, &known).unwrap();
        assert_eq!(fitted.structure, structure, "{:?}", fitted.notes);
        assert_eq!(fitted.entries.len(), animals, "founders are predicted too");
        let g = &fitted.covariance;
        let residual = fitted.fit.residual().variances[0].variance;
        let v = Mat::from_fn(n, n, |i, j| {
            g[rows[i].0][rows[j].0] * a[(rows[i].1, rows[j].1)]
                + if i == j { residual } else { 0.0 }
        });
        let v_factor = v.llt(faer::Side::Lower).unwrap();
        let v_inverse = v_factor.inverse();
        let information = x.transpose() * &v_inverse * &x;
        let x_factor = information.llt(faer::Side::Lower).unwrap();
        let fixed = x_factor.inverse() * x.transpose() * &v_inverse * &response;
        let rest = &response - &x * &fixed;
        let weighted = &v_inverse * &rest;
        let log_of = |l: faer::MatRef<'_, f64>, n: usize| -> f64 {
            (0..n).map(|k| 2.0 * l[(k, k)].ln()).sum()
        };
        let quadratic: f64 = (0..n).map(|i| rest[(i, 0)] * weighted[(i, 0)]).sum();
        let dense = -0.5
            * ((n - 4) as f64 * (2.0 * std::f64::consts::PI).ln()
                + log_of(v_factor.L(), n)
                + log_of(x_factor.L(), 4)
                + quadratic);
        let likelihood = fitted.fit.log_likelihood();
        assert!(
            (likelihood - dense).abs() < 1e-6,
            "{structure}: {likelihood} {dense}"
        );
        // A founder, a plant with records and their prediction error at every site.
        let projection =
            &v_inverse - &v_inverse * &x * x_factor.inverse() * x.transpose() * &v_inverse;
        for (e, site) in [(0, 0), (2, 3), (9, 1), (33, 2)] {
            let with = Mat::from_fn(n, 1, |i, _| g[site][rows[i].0] * a[(e, rows[i].1)]);
            let effect: f64 = (0..n).map(|i| with[(i, 0)] * weighted[(i, 0)]).sum();
            let through = &projection * &with;
            let known: f64 = (0..n).map(|i| with[(i, 0)] * through[(i, 0)]).sum();
            let se = (g[site][site] * a[(e, e)] - known).max(0.0).sqrt();
            let found = fitted.entries[e].at_site[site];
            assert!(
                (found.effect - effect).abs() < 1e-6,
                "{structure} {e} {site}"
            );
            assert!(
                (found.se - se).abs() < 1e-6,
                "{structure} {e} {site}: {} {se}",
                found.se
            );
        }
    }

    // One record an entry parts specific variance from residual through relatives.
    let first: Vec<usize> = (0..n).filter(|&k| !rows[..k].contains(&rows[k])).collect();
    let single = frame.subset(&first);
    let fitted = fit_related(
        &single,
        &base,
        "entry",
        "site",
        BetweenSites::CompoundSymmetry,
        &known,
    )
    .unwrap();
    assert_eq!(fitted.structure, BetweenSites::CompoundSymmetry);
}

#[test]
fn one_factor_at_three_sites_is_the_unstructured_covariance() {
    // Six parameters for six variances and covariances: one and the same model.
    let lambda = vec![vec![1.4], vec![1.0], vec![1.2]];
    let data = series(&lambda, &[0.5, 0.6, 0.4], 40, 3, 11, 5).frame();
    let one = fit(&data, &base(), "entry", "site", fa(1)).unwrap();
    let all = fit(&data, &base(), "entry", "site", BetweenSites::Unstructured).unwrap();
    assert!(
        one.notes.is_empty() && all.notes.is_empty(),
        "{:?} {:?}",
        one.notes,
        all.notes
    );
    assert_eq!((one.parameters, all.parameters), (6, 6));
    assert!((one.fit.log_likelihood() - all.fit.log_likelihood()).abs() < 1e-6);
    for (a, b) in one
        .covariance
        .iter()
        .flatten()
        .zip(all.covariance.iter().flatten())
    {
        assert!((a - b).abs() < 1e-4 * (1.0 + b.abs()), "{a} {b}");
    }
    for (x, y) in one.entries.iter().zip(&all.entries) {
        assert_eq!(x.entry, y.entry);
        for (a, b) in x.at_site.iter().zip(&y.at_site) {
            assert!((a.effect - b.effect).abs() < 1e-3 && (a.se - b.se).abs() < 1e-3);
        }
    }
}

#[test]
fn what_the_factors_say_adds_up() {
    let lambda = vec![
        vec![1.5, 0.2],
        vec![1.2, 0.9],
        vec![0.9, -0.8],
        vec![1.1, 0.6],
        vec![1.3, -0.7],
        vec![0.8, 0.0],
    ];
    let data = series(&lambda, &[0.3; 6], 80, 2, 0, 9).frame();
    let fitted = fit(&data, &base(), "entry", "site", fa(2)).unwrap();
    assert_eq!(fitted.structure, fa(2));
    let t = 6;
    for a in 0..t {
        for b in 0..t {
            let common: f64 = (0..2)
                .map(|k| fitted.loadings[a][k] * fitted.loadings[b][k])
                .sum();
            let own = if a == b {
                fitted.specific_variances[a]
            } else {
                0.0
            };
            assert!((fitted.covariance[a][b] - common - own).abs() < 1e-10);
            let r = fitted.correlations[a][b].unwrap();
            assert!(r.abs() <= 1.0 + 1e-12 && (a != b || (r - 1.0).abs() < 1e-12));
        }
    }
    // Principal axes, largest first, positive sums.
    let along = |k: usize, m: usize| -> f64 { fitted.loadings.iter().map(|l| l[k] * l[m]).sum() };
    assert!(along(0, 1).abs() < 1e-8 && along(0, 0) > along(1, 1));
    assert!(fitted.loadings.iter().map(|l| l[0]).sum::<f64>() > 0.0);
    // The truth is near: correlations within sampling error of 80 entries.
    let truth = |a: usize, b: usize| -> f64 {
        (0..2).map(|k| lambda[a][k] * lambda[b][k]).sum::<f64>() + if a == b { 0.3 } else { 0.0 }
    };
    for a in 0..t {
        for b in 0..a {
            let r = truth(a, b) / (truth(a, a) * truth(b, b)).sqrt();
            assert!(
                (fitted.correlations[a][b].unwrap() - r).abs() < 0.3,
                "{a} {b}"
            );
        }
    }
    // A prediction at a site is the common part of its scores and its own.
    for entry in &fitted.entries {
        let mean_loading: f64 = fitted.loadings.iter().map(|l| l[0]).sum::<f64>() / t as f64;
        assert!((entry.overall.effect - mean_loading * entry.scores[0]).abs() < 1e-9);
        assert!(entry.instability > 0.0);
    }
    let rows = compare(
        &data,
        &base(),
        "entry",
        "site",
        &[BetweenSites::CompoundSymmetry, fa(1), fa(2)],
    )
    .unwrap();
    let values: Vec<f64> = rows.iter().map(|r| r.log_likelihood.unwrap()).collect();
    assert!(values[0] < values[1] && values[1] < values[2], "{values:?}");
    assert_eq!(rows[2].against_previous.unwrap().1, 5);
    assert!(rows[2].against_previous.unwrap().2 < 0.01);
}

#[test]
fn what_cannot_be_estimated_falls_back_with_its_reason() {
    let data = series(&[vec![1.2], vec![1.0]], &[0.4; 2], 30, 2, 0, 3).frame();
    let fitted = fit(&data, &base(), "entry", "site", fa(1)).unwrap();
    assert_eq!(fitted.structure, BetweenSites::CompoundSymmetry);
    assert!(
        fitted.notes[0].contains("more parameters than 2 sites"),
        "{:?}",
        fitted.notes
    );
    assert!(
        (fitted.correlations[0][1].unwrap() - fitted.covariance[0][1] / fitted.covariance[0][0])
            .abs()
            < 1e-12
    );
    let lambda = vec![vec![1.2]; 4];
    let data = series(&lambda, &[0.4; 4], 30, 2, 0, 4).frame();
    let fitted = fit(&data, &base(), "entry", "site", fa(2)).unwrap();
    assert_eq!(fitted.structure, fa(1));
    assert!(fitted.notes[0].starts_with("factor-analytic of order 2 was not fitted"));
    let error = fit(
        &data,
        &base().random("entry").unwrap(),
        "entry",
        "site",
        fa(1),
    )
    .unwrap_err();
    assert!(error.to_string().contains("base model"), "{error}");
}

#[test]
fn one_record_an_entry_leaves_specific_variance_to_the_residual() {
    let data = series(&vec![vec![1.3]; 4], &[0.3; 4], 60, 1, 0, 12).frame();
    let single = Model::new("y ~ site")
        .unwrap()
        .residual(Residual::ByLevel("site".to_owned()));
    let fitted = fit(&data, &single, "entry", "site", fa(1)).unwrap();
    assert_eq!(fitted.structure, fa(1));
    assert_eq!(fitted.parameters, 4);
    assert!(
        fitted.notes[0].contains("part of the residual"),
        "{:?}",
        fitted.notes
    );
    let error =
        fit_exactly(&data, &single, "entry", "site", BetweenSites::Unstructured).unwrap_err();
    assert!(
        error.to_string().contains("every entry has one record"),
        "{error}"
    );
}

#[test]
fn two_stages_with_full_covariance_equal_one_at_the_same_variances() {
    // Unbalanced; the first stage at given variances of blocks and plots.
    let data = series(&[vec![1.2], vec![1.0], vec![1.4]], &[0.5; 3], 12, 3, 7, 21);
    let frame = data.frame();
    let (block, plot) = (0.25, [1.0, 1.1, 1.2]);
    let between = vec![
        vec![1.9, 1.1, 1.5],
        vec![1.1, 1.6, 1.3],
        vec![1.5, 1.3, 2.5],
    ];
    let one = fit_with_variances(
        &frame,
        &base().entries(&["entry"], each_site(), None),
        &Variances {
            random: vec![vec![vec![block]], between.clone()],
            residual: plot.to_vec(),
            autocorrelations: Vec::new(),
        },
    )
    .unwrap();
    let mut means = Vec::new();
    for (s, &variance) in plot.iter().enumerate() {
        let records: Vec<usize> = (0..data.y.len()).filter(|k| data.rows[*k].0 == s).collect();
        let own = fit_with_variances(
            &frame.subset(&records),
            &Model::new("y ~ entry").unwrap().random("block").unwrap(),
            &Variances {
                random: vec![vec![vec![block]]],
                residual: vec![variance],
                autocorrelations: Vec::new(),
            },
        )
        .unwrap();
        let (labels, values, covariance) = own.mean_covariance("entry").unwrap();
        let n = values.len();
        means.push(two_stage::SiteMeans {
            sites: vec![format!("S{s}"); n],
            entries: labels.into_iter().flatten().collect(),
            means: values,
            covariance: (0..n)
                .map(|i| (0..n).map(|j| covariance[(i, j)]).collect())
                .collect(),
            weights: vec![1.0; n],
            not_estimable_n: 0,
            residual_variance: Some(variance),
            records_n: records.len(),
            notes: vec![],
        });
    }
    let (second, model) =
        second_stage_model(&means, "entry", "site", Weighting::FullCovariance).unwrap();
    let two = fit_with_variances(
        &second,
        &model.entries(&["entry"], each_site(), None),
        &Variances {
            random: vec![between],
            residual: vec![],
            autocorrelations: Vec::new(),
        },
    )
    .unwrap();
    for (a, b) in one.random()[1].levels.iter().zip(&two.random()[0].levels) {
        assert_eq!(a.level, b.level);
        for k in 0..3 {
            assert!(
                (a.effects[k] - b.effects[k]).abs() < 1e-8,
                "{} {}",
                a.effects[k],
                b.effects[k]
            );
            assert!(
                (a.prediction_error_variances[k] - b.prediction_error_variances[k]).abs() < 1e-8
            );
        }
    }
    // Fixed contrasts between sites agree too, and so does their precision.
    for (a, b) in one.fixed().iter().zip(two.fixed()).skip(1) {
        assert!((a.estimate - b.estimate).abs() < 1e-8 && (a.se - b.se).abs() < 1e-8);
    }
}

#[test]
fn on_balanced_data_two_pooled_stages_are_one() {
    let data = series(&vec![vec![1.2]; 4], &[0.6; 4], 15, 3, 0, 33).frame();
    let plots = Model::new("y ~ site").unwrap().random("block").unwrap();
    let one = fit(
        &data,
        &plots,
        "entry",
        "site",
        BetweenSites::CompoundSymmetry,
    )
    .unwrap();
    for weighting in [Weighting::FullCovariance, Weighting::Weights] {
        let model = TwoStageModel::new(plots.clone(), "entry", "site")
            .first(FirstStage::Pooled)
            .weighting(weighting);
        let two = two_stage::fit(&data, &model).unwrap();
        for (a, b) in one
            .covariance
            .iter()
            .flatten()
            .zip(two.sites.covariance.iter().flatten())
        {
            // Blocks are part of the error that weights leave out.
            let tolerance = if weighting == Weighting::FullCovariance {
                1e-5
            } else {
                0.05
            };
            assert!((a - b).abs() < tolerance, "{weighting:?}: {a} {b}");
        }
        for (x, y) in one.entries.iter().zip(&two.sites.entries) {
            // A weight sees an error variance one part in the entries (15) too large.
            let tolerance = if weighting == Weighting::FullCovariance {
                1e-5
            } else {
                0.1
            };
            assert!((x.overall.effect - y.overall.effect).abs() < tolerance);
            assert!((x.overall.se - y.overall.se).abs() < tolerance);
            for (a, b) in x.at_site.iter().zip(&y.at_site) {
                assert!((a.effect - b.effect).abs() < tolerance);
            }
        }
    }
}

#[test]
fn each_site_has_its_own_first_stage() {
    let mut data = series(&vec![vec![1.1]; 5], &[0.4; 5], 30, 2, 9, 40);
    // The last site has one block only.
    let keep: Vec<bool> = data.rows.iter().map(|r| r.0 != 4 || r.1 == 8).collect();
    let mut k = 0;
    data.y.retain(|_| {
        k += 1;
        keep[k - 1]
    });
    data.rows.retain(|r| r.0 != 4 || r.1 == 8);
    let plots = Model::new("y ~ site").unwrap().random("block").unwrap();
    let model = TwoStageModel::new(plots, "entry", "site").between(fa(1));
    let error = first_stage(&data.frame(), &model).unwrap_err();
    // Without replication there is no error to estimate there, and that is said with the site.
    assert!(error.to_string().starts_with("site `S4`"), "{error}");
    let rest: Vec<usize> = (0..data.y.len()).filter(|k| data.rows[*k].0 != 4).collect();
    let fitted = two_stage::fit(&data.frame().subset(&rest), &model).unwrap();
    assert_eq!(fitted.site_means.len(), 4);
    assert_eq!(fitted.sites.structure, fa(1));
    assert!(fitted.sites.explained_total_percent.unwrap() > 40.0);
    let n: usize = fitted.site_means.iter().map(|m| m.means.len()).sum();
    assert_eq!(fitted.sites.fit.n_records(), n);
}

#[test]
fn known_truth_is_covered_in_two_stages() {
    // 120 series of 25 entries, 4 sites, 2 blocks: differences between entries' true overall effects.
    const RUNS: u64 = 120;
    let (mut covered, mut asked) = (0, 0);
    for seed in 0..RUNS {
        let mut noise = Noise(ChaCha8Rng::seed_from_u64(7000 + seed));
        let main: Vec<f64> = (0..25).map(|_| 1.2 * noise.draw()).collect();
        let mut data = Series {
            rows: vec![],
            y: vec![],
        };
        let mut truth = vec![vec![0.0; 4]; 25];
        for s in [0, 1, 2, 3] {
            let own: Vec<f64> = (0..25).map(|_| 0.7 * noise.draw()).collect();
            for (e, row) in truth.iter_mut().enumerate() {
                row[s] = main[e] + own[e];
            }
            for b in 0..2 {
                let block = 0.4 * noise.draw();
                for (e, row) in truth.iter().enumerate() {
                    data.rows.push((s, s * 2 + b, e));
                    data.y.push(10.0 + row[s] + block + noise.draw());
                }
            }
        }
        let plots = Model::new("y ~ 1").unwrap().random("block").unwrap();
        let fitted =
            two_stage::fit(&data.frame(), &TwoStageModel::new(plots, "entry", "site")).unwrap();
        for (e, entry) in fitted.sites.entries.iter().enumerate() {
            // Predictions are of deviations from the expectation at the site, which is uncertain too.
            for s in [0, 3] {
                let p = entry.at_site[s];
                covered += i32::from((p.effect - truth[e][s]).abs() <= 1.959_964 * p.se);
                asked += 1;
            }
        }
    }
    let share = 100.0 * f64::from(covered) / f64::from(asked);
    println!("two stages: {share:.1} % of {asked} intervals in {RUNS} series cover");
    assert!((93.0..=97.0).contains(&share), "{share}");
}
