use super::*;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

fn plan(design: Design, entries_n: usize, checks_n: usize, seed: u64) -> TrialPlan {
    TrialPlan {
        design,
        entries: (1..=entries_n).map(|i| format!("E{i:03}")).collect(),
        checks: (1..=checks_n).map(|i| format!("C{i}")).collect(),
        field: None,
        seed,
    }
}

fn groups(layout: &Layout, key: impl Fn(&Plot) -> usize) -> BTreeMap<usize, Vec<&str>> {
    let mut out: BTreeMap<usize, Vec<&str>> = BTreeMap::new();
    for plot in &layout.plots {
        out.entry(key(plot)).or_default().push(&plot.entry);
    }
    out
}

/// Every group holds each of `names` exactly once.
fn complete(groups: &BTreeMap<usize, Vec<&str>>, names_n: usize) -> bool {
    groups
        .values()
        .all(|g| g.len() == names_n && g.iter().collect::<BTreeSet<_>>().len() == names_n)
}

fn sound(layout: &Layout) {
    let places: BTreeSet<_> = layout.plots.iter().map(|p| (p.row, p.column)).collect();
    assert_eq!(places.len(), layout.plots.len(), "one plot to a place");
    assert!(layout.connected);
    assert!(layout.neatness.cost_after <= layout.neatness.cost_before);
    assert!(layout.efficiency.average > 0.0 && layout.efficiency.average <= 1.0 + 1e-9);
    assert!(layout.efficiency.smallest_canonical <= layout.efficiency.average + 1e-9);
}

#[test]
fn lattice_sizes_reach_the_lattices() {
    let efficiency = |design: Design, entries_n| {
        let layout = lay_out(&plan(design, entries_n, 0, 3)).unwrap();
        sound(&layout);
        (
            layout.efficiency.average,
            layout.efficiency.upper_bound.unwrap(),
        )
    };
    let row_column = |replicates, side| Design::RowColumn {
        replicates,
        block_size: Some(side),
    };
    let alpha = |replicates, k| Design::Alpha {
        replicates,
        block_size: Some(k),
    };
    for (design, entries_n, expected) in [
        (row_column(2, 5), 25, 0.6),
        (row_column(3, 5), 25, 2.0 / 3.0),
        (row_column(2, 4), 16, 5.0 / 9.0),
        (row_column(3, 7), 49, 8.0 / 11.0),
        (row_column(4, 9), 81, 10.0 / (8.0 * 4.0 / 3.0 + 2.0)),
        (alpha(4, 3), 9, 0.75),
        (alpha(2, 5), 25, 0.75),
        (alpha(3, 6), 36, 14.0 / 17.0),
    ] {
        let (found, bound) = efficiency(design.clone(), entries_n);
        assert!(
            (found - expected).abs() < 1e-9,
            "{design} of {entries_n}: {found}"
        );
        assert!(found <= bound + 1e-9, "{design}: {found} above {bound}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn complete_blocks(v in 2usize..40, r in 2usize..6, seed: u64) {
        let layout = lay_out(&plan(Design::Rcbd { replicates: r }, v, 1, seed)).unwrap();
        sound(&layout);
        prop_assert!(complete(&groups(&layout, |p| p.replicate), v + 1));
        prop_assert!((layout.efficiency.average - 1.0).abs() < 1e-9);
        prop_assert_eq!(layout.error_df, v * (r - 1));
    }

    #[test]
    fn alpha_is_resolvable(v in 6usize..60, r in 2usize..5, k in 3usize..9, seed: u64) {
        let asked = plan(Design::Alpha { replicates: r, block_size: Some(k) }, v, 0, seed);
        match lay_out(&asked) {
            Ok(layout) => {
                sound(&layout);
                prop_assert!(complete(&groups(&layout, |p| p.replicate), v));
                let blocks = groups(&layout, |p| p.block);
                prop_assert_eq!(blocks.len(), r * v.div_ceil(k));
                prop_assert!(blocks.values().all(|b| b.len() == k || b.len() + 1 == k));
                if v % k == 0 {
                    let bound = layout.efficiency.upper_bound.unwrap();
                    prop_assert!(layout.efficiency.average <= bound + 1e-9);
                    // The bound is not tight for few replicates of small blocks: of all alpha
                    // arrays for 24 entries in two replicates of blocks of 3, tried one by one, the
                    // best reaches 0.796 of it, and samples for 57 entries 0.67 (two) and 0.82 (three).
                    let within_reach = if r == 2 { 0.6 } else { 0.75 };
                    prop_assert!(layout.efficiency.average > within_reach * bound);
                }
            }
            Err(DesignError::CannotMake { nearest: Nearest::Design(nearest), .. }) => {
                let mut again = asked;
                again.design = nearest;
                prop_assert!(lay_out(&again).is_ok(), "the nearest design can be made");
            }
            Err(other) => prop_assert!(false, "{other}"),
        }
    }

    #[test]
    fn row_column_is_resolvable(rows in 2usize..7, columns in 2usize..7, r in 2usize..5, seed: u64) {
        let design = Design::RowColumn { replicates: r, block_size: Some(columns) };
        let asked = plan(design, rows * columns, 0, seed);
        match lay_out(&asked) {
            Ok(layout) => {
                sound(&layout);
                prop_assert!(complete(&groups(&layout, |p| p.replicate), rows * columns));
                prop_assert_eq!((layout.rows, layout.columns), (rows * r, columns));
            }
            Err(DesignError::CannotMake { nearest: Nearest::Design(nearest), .. }) => {
                let mut again = asked;
                again.design = nearest;
                prop_assert!(lay_out(&again).is_ok(), "the nearest design can be made");
            }
            Err(other) => prop_assert!(false, "{other}"),
        }
    }

    #[test]
    fn augmented_holds_every_check_in_every_block(
        v in 5usize..120, c in 2usize..6, b in 2usize..6, seed: u64
    ) {
        let layout = lay_out(&plan(Design::Augmented { blocks: b }, v, c, seed)).unwrap();
        sound(&layout);
        prop_assert_eq!(layout.error_df, (b - 1) * (c - 1));
        for plots in groups(&layout, |p| p.block).values() {
            let checks = plots.iter().filter(|e| e.starts_with('C')).collect::<BTreeSet<_>>().len();
            prop_assert_eq!(checks, c);
            let tested = plots.len() - c;
            prop_assert!(tested == v / b || tested == v.div_ceil(b));
        }
        prop_assert_eq!(layout.plots.len(), v + b * c);
    }

    #[test]
    fn p_rep_repeats_the_first_entries(v in 6usize..80, b in 2usize..5, n in 2usize..6, seed: u64) {
        let design = Design::PRep { blocks: b, replicated_n: Some(n) };
        let layout = lay_out(&plan(design, v, 0, seed)).unwrap();
        sound(&layout);
        let plots_n = |name: &str| layout.plots.iter().filter(|p| p.entry == name).count();
        for i in 1..=v {
            prop_assert_eq!(plots_n(&format!("E{i:03}")), if i <= n { b } else { 1 });
        }
    }

    #[test]
    fn checks_stand_near_every_plot(v in 40usize..400, every in 4usize..11, seed: u64) {
        let design = Design::Unreplicated { replicates: None, check_every: Some(every) };
        let layout = lay_out(&plan(design, v, 2, seed)).unwrap();
        sound(&layout);
        let checks = layout.plots.iter().filter(|p| p.check).count();
        prop_assert_eq!(layout.plots.len(), v + checks);
        let expected = v as f64 / (every as f64 - 1.0);
        prop_assert!((checks as f64 - expected).abs() <= 0.35 * expected + 2.0, "{checks} {expected}");
        prop_assert!(layout.neatness.furthest_from_check.unwrap() <= every as f64);
    }
}

#[test]
fn the_seed_alone_decides() {
    let design = Design::Alpha {
        replicates: 3,
        block_size: Some(4),
    };
    let one = lay_out(&plan(design.clone(), 24, 0, 7)).unwrap();
    assert_eq!(one, lay_out(&plan(design.clone(), 24, 0, 7)).unwrap());
    assert_ne!(one.plots, lay_out(&plan(design, 24, 0, 8)).unwrap().plots);
}

#[test]
fn canonical_factors_average_harmonically() {
    let design = Design::Alpha {
        replicates: 3,
        block_size: Some(4),
    };
    let found = lay_out(&plan(design, 24, 0, 1)).unwrap().efficiency;
    let ones = 23 - found.canonical_below_one.len();
    let sum: f64 = found
        .canonical_below_one
        .iter()
        .map(|e| 1.0 / e)
        .sum::<f64>()
        + ones as f64;
    assert!((23.0 / sum - found.average).abs() < 1e-9);
    // A good alpha (0,1) design of this size lies close below its bound.
    assert!(
        found.average > 0.96 * found.upper_bound.unwrap(),
        "{found:?}"
    );
}

#[test]
fn repeats_stand_apart_in_complete_blocks() {
    let layout = lay_out(&plan(Design::Rcbd { replicates: 4 }, 20, 0, 3)).unwrap();
    assert_eq!(layout.neatness.self_neighbours_n, 0);
    assert!(
        layout.neatness.most_frequent_pair_n <= 2,
        "{:?}",
        layout.neatness
    );
}

#[test]
fn what_cannot_be_made_says_what_can() {
    let error = lay_out(&plan(
        Design::RowColumn {
            replicates: 3,
            block_size: None,
        },
        13,
        0,
        1,
    ));
    assert!(error.unwrap_err().to_string().contains("nearest that can"));
    let error = lay_out(&plan(Design::Augmented { blocks: 4 }, 30, 1, 1)).unwrap_err();
    assert!(error.to_string().contains("1 more checks"), "{error}");
    let mut small = plan(Design::Rcbd { replicates: 3 }, 12, 0, 1);
    small.field = Some(Field {
        rows: 2,
        columns: 4,
    });
    assert!(matches!(
        lay_out(&small),
        Err(DesignError::FieldTooSmall { rows_needed: 9, .. })
    ));
    let mut twice = plan(Design::Rcbd { replicates: 3 }, 3, 0, 1);
    twice.entries[1] = "E001".into();
    assert_eq!(
        lay_out(&twice),
        Err(DesignError::DuplicateEntry("E001".into()))
    );
}
