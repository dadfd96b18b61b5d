//! Which entry stands where, before neatness is improved.

use super::efficiency;
use super::lattice;
use super::resolvable::{self, Replicate};
use super::{Design, DesignError, Field, Nearest, TrialPlan};
use rand::RngExt;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha12Rng;

/// A plot, all numbers from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Cell {
    pub row: usize,
    pub column: usize,
    pub replicate: usize,
    pub block: usize,
    pub entry: usize,
}

/// Exchanges that keep the design.
#[derive(Debug, Clone)]
pub(super) enum Exchange {
    /// Plots of one group (indices of cells) may change places.
    WithinGroups(Vec<Vec<usize>>),
    /// Whole lines of a replicate, `[replicate][row][column] -> cell`, may change places.
    Lines(Vec<Vec<Vec<usize>>>),
    /// Nothing may move.
    None,
}

/// What the plots are adjusted for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Blocking {
    /// Replicates and blocks within them.
    Blocks,
    /// Replicates, and rows and columns within them.
    RowsAndColumns,
    /// Nothing but the mean.
    None,
}

/// Cells with the freedom and the blocking of the design.
#[derive(Debug, Clone)]
pub(super) struct Arranged {
    pub design: Design,
    pub cells: Vec<Cell>,
    pub entries_n: usize,
    pub exchange: Exchange,
    pub blocking: Blocking,
}

pub(super) fn arrange(plan: &TrialPlan, rng: &mut ChaCha12Rng) -> Result<Arranged, DesignError> {
    match plan.design {
        Design::Rcbd { replicates } => rcbd(plan, replicates, rng),
        Design::Alpha {
            replicates,
            block_size,
        } => alpha(plan, replicates, block_size, rng),
        Design::RowColumn {
            replicates,
            block_size,
        } => row_column(plan, replicates, block_size, rng),
        Design::Augmented { blocks } => augmented(plan, blocks, rng),
        Design::PRep {
            blocks,
            replicated_n,
        } => p_rep(plan, blocks, replicated_n, rng),
        Design::Unreplicated {
            replicates,
            check_every,
        } => unreplicated(plan, replicates, check_every.unwrap_or(10), rng),
    }
}

fn cannot(
    plan: &TrialPlan,
    field: &'static str,
    reason: impl Into<String>,
    nearest: Nearest,
) -> DesignError {
    DesignError::CannotMake {
        field,
        design: plan.design.clone(),
        reason: reason.into(),
        nearest,
    }
}

/// Plots to a row for `plots_n` plots: an exact near-square rectangle, or else a ragged last row.
fn proposed_columns(plots_n: usize) -> usize {
    let root = (plots_n as f64).sqrt();
    let exact = (1..=plots_n)
        .filter(|c| plots_n.is_multiple_of(*c))
        .min_by(|a, b| {
            (*a as f64 - root)
                .abs()
                .total_cmp(&(*b as f64 - root).abs())
        })
        .unwrap_or(plots_n);
    if (exact as f64) * 2.0 < root {
        root.ceil() as usize
    } else {
        exact.max(plots_n / exact)
    }
}

/// Places sections (replicates of blocks of entries) one under another, row by row.
fn place(
    sections: &[Replicate],
    columns: usize,
    field: Option<Field>,
    block_per_row: bool,
) -> Result<Vec<Cell>, DesignError> {
    let mut cells = Vec::new();
    let (mut row, mut block) = (0, 0);
    for (replicate, blocks) in sections.iter().enumerate() {
        let mut column = 0;
        for entries in blocks {
            if column > 0 && (block_per_row || column == columns) {
                row += 1;
                column = 0;
            }
            for &entry in entries {
                if column == columns {
                    row += 1;
                    column = 0;
                }
                cells.push(Cell {
                    row,
                    column,
                    replicate,
                    block,
                    entry,
                });
                column += 1;
            }
            block += 1;
        }
        row += 1;
    }
    check_field(field, row, columns)?;
    Ok(cells)
}

fn check_field(field: Option<Field>, rows: usize, columns: usize) -> Result<(), DesignError> {
    match field {
        Some(f) if f.rows < rows || f.columns < columns => Err(DesignError::FieldTooSmall {
            rows: f.rows,
            columns: f.columns,
            rows_needed: rows,
            columns_needed: columns,
        }),
        _ => Ok(()),
    }
}

fn field_columns(plan: &TrialPlan, proposed: usize) -> Result<usize, DesignError> {
    match plan.field {
        None => Ok(proposed),
        Some(f) if f.columns == 0 || f.rows == 0 => Err(DesignError::FieldTooSmall {
            rows: f.rows,
            columns: f.columns,
            rows_needed: 1,
            columns_needed: proposed,
        }),
        Some(f) => Ok(f.columns),
    }
}

fn groups_by_block(cells: &[Cell]) -> Exchange {
    let blocks_n = cells.iter().map(|c| c.block + 1).max().unwrap_or(0);
    let mut groups = vec![Vec::new(); blocks_n];
    for (i, cell) in cells.iter().enumerate() {
        groups[cell.block].push(i);
    }
    Exchange::WithinGroups(groups)
}

fn rcbd(
    plan: &TrialPlan,
    replicates: usize,
    rng: &mut ChaCha12Rng,
) -> Result<Arranged, DesignError> {
    if replicates < 2 {
        return Err(cannot(
            plan,
            "replicates",
            "without a second block there is no estimate of error",
            Nearest::Design(Design::Rcbd { replicates: 2 }),
        ));
    }
    let entries_n = plan.entries.len() + plan.checks.len();
    let sections: Vec<Replicate> = (0..replicates)
        .map(|_| {
            let mut entries: Vec<usize> = (0..entries_n).collect();
            entries.shuffle(rng);
            vec![entries]
        })
        .collect();
    let columns = field_columns(plan, proposed_columns(entries_n))?.min(entries_n);
    let cells = place(&sections, columns, plan.field, false)?;
    Ok(Arranged {
        design: Design::Rcbd { replicates },
        entries_n,
        exchange: groups_by_block(&cells),
        cells,
        blocking: Blocking::Blocks,
    })
}

/// Block sizes of which resolvable blocks can be made, nearest to `wanted` first.
fn alpha_block_size(entries_n: usize, wanted: f64, equal: bool) -> Option<usize> {
    (2..=entries_n / 2)
        .filter(|&k| makes_blocks(entries_n, k, equal))
        .min_by(|a, b| {
            let surplus = |k: usize| usize::from(!entries_n.is_multiple_of(k));
            (surplus(*a), (*a as f64 - wanted).abs())
                .partial_cmp(&(surplus(*b), (*b as f64 - wanted).abs()))
                .expect("sizes are finite")
        })
}

fn makes_blocks(entries_n: usize, k: usize, equal: bool) -> bool {
    if k < 2 || k > entries_n {
        return false;
    }
    let blocks_n = entries_n.div_ceil(k);
    let surplus = blocks_n * k - entries_n;
    blocks_n >= 2
        && if equal {
            surplus == 0
        } else {
            surplus < blocks_n && (surplus == 0 || k > 2)
        }
}

/// Best of the candidate resolvable designs by their exact efficiency, blocks and labels shuffled.
fn resolvable_design(
    entries_n: usize,
    replicates: usize,
    block_size: usize,
    rng: &mut ChaCha12Rng,
) -> Vec<Replicate> {
    let mut candidates = resolvable::candidates(entries_n, replicates, block_size, rng);
    if let Some(lattice) = lattice::resolvable_blocks(entries_n, replicates, block_size) {
        // First among those too many to be assessed: no two entries meet twice while classes last.
        candidates.insert(0, lattice);
    }
    let blocks_n = replicates * entries_n.div_ceil(block_size);
    if candidates.len() > 1 && blocks_n <= 240 {
        let of = |sections: &Vec<Replicate>| {
            let cells = place(sections, block_size, None, true).expect("no field to exceed");
            efficiency::average(&cells, entries_n, Blocking::Blocks)
        };
        candidates.sort_by(|a, b| of(b).total_cmp(&of(a)));
    }
    let mut sections = candidates.swap_remove(0);
    let mut labels: Vec<usize> = (0..entries_n).collect();
    labels.shuffle(rng);
    for blocks in &mut sections {
        blocks.shuffle(rng);
        for entries in blocks {
            entries.iter_mut().for_each(|e| *e = labels[*e]);
            entries.shuffle(rng);
        }
    }
    sections.shuffle(rng);
    sections
}

fn alpha(
    plan: &TrialPlan,
    replicates: usize,
    block_size: Option<usize>,
    rng: &mut ChaCha12Rng,
) -> Result<Arranged, DesignError> {
    let entries_n = plan.entries.len() + plan.checks.len();
    let size = block_size.map_or((entries_n as f64).sqrt(), |k| k as f64);
    let nearest = alpha_block_size(entries_n, size, false);
    let fallback = || {
        Nearest::Design(Design::Rcbd {
            replicates: replicates.max(2),
        })
    };
    let Some(nearest) = nearest else {
        return Err(cannot(
            plan,
            "entries",
            format!("{entries_n} entries cannot be parted into incomplete blocks"),
            fallback(),
        ));
    };
    let k = block_size.unwrap_or(nearest);
    if replicates < 2 {
        return Err(cannot(
            plan,
            "replicates",
            "with one replicate entries of different blocks cannot be compared",
            Nearest::Design(Design::Alpha {
                replicates: 2,
                block_size: Some(nearest),
            }),
        ));
    }
    if k >= entries_n {
        return Err(cannot(
            plan,
            "block_size",
            format!("a block of {k} holds all {entries_n} entries, which is a complete block"),
            fallback(),
        ));
    }
    if !makes_blocks(entries_n, k, false) {
        return Err(cannot(
            plan,
            "block_size",
            format!(
                "{entries_n} entries cannot fill blocks of {k} or {} plots",
                k.max(1) - 1
            ),
            Nearest::Design(Design::Alpha {
                replicates,
                block_size: Some(nearest),
            }),
        ));
    }
    let sections = resolvable_design(entries_n, replicates, k, rng);
    // Ground wide enough for several whole blocks side by side takes them so.
    let columns = field_columns(plan, k)?;
    let whole_blocks = entries_n.is_multiple_of(k) && columns.is_multiple_of(k);
    let columns = if whole_blocks {
        columns.min(entries_n)
    } else {
        columns.min(k)
    };
    let cells = place(&sections, columns, plan.field, !whole_blocks)?;
    Ok(Arranged {
        design: Design::Alpha {
            replicates,
            block_size: Some(k),
        },
        entries_n,
        exchange: groups_by_block(&cells),
        cells,
        blocking: Blocking::Blocks,
    })
}

fn row_column(
    plan: &TrialPlan,
    replicates: usize,
    block_size: Option<usize>,
    rng: &mut ChaCha12Rng,
) -> Result<Arranged, DesignError> {
    let entries_n = plan.entries.len() + plan.checks.len();
    let size = block_size.map_or((entries_n as f64).sqrt(), |k| k as f64);
    let Some(nearest) = alpha_block_size(entries_n, size, true) else {
        let with_more = (entries_n + 1..).find(|n| alpha_block_size(*n, size, true).is_some());
        return Err(cannot(
            plan,
            "entries",
            format!("{entries_n} entries do not fill a rectangle of at least 2 rows and columns"),
            match with_more {
                Some(n) if entries_n > 3 => Nearest::Advice(format!(
                    "add {} checks to make {n} entries, or an alpha design",
                    n - entries_n
                )),
                _ => Nearest::Design(Design::Rcbd {
                    replicates: replicates.max(2),
                }),
            },
        ));
    };
    let columns = block_size.unwrap_or(nearest);
    if !makes_blocks(entries_n, columns, true) {
        return Err(cannot(
            plan,
            "block_size",
            format!("{entries_n} entries do not fill full rows of {columns} plots"),
            Nearest::Design(Design::RowColumn {
                replicates: replicates.max(2),
                block_size: Some(nearest),
            }),
        ));
    }
    let rows = entries_n / columns;
    let plots_n = entries_n * replicates;
    let parameters_n = entries_n + replicates * (rows + columns - 1) - 1;
    if replicates < 2 || plots_n <= parameters_n {
        // A rectangle of 2 x 2 or more has more plots than rows and columns, so this ends.
        let enough = (2..).find(|r| entries_n * r > entries_n + r * (rows + columns - 1) - 1);
        let nearest = Nearest::Design(Design::RowColumn {
            replicates: enough.unwrap_or(replicates),
            block_size: Some(columns),
        });
        return Err(cannot(
            plan,
            "replicates",
            "rows and columns leave no degrees of freedom for error",
            nearest,
        ));
    }
    // Small rectangles with hardly any error degrees of freedom often come out unconnected: they
    // are started again, which costs little at their size.
    let (fewest, most) = if replicates * (rows + columns) > 240 {
        (1, 1)
    } else {
        (3, 64)
    };
    let mut best: Option<(f64, Vec<Replicate>)> = None;
    if let Some(mut sections) = lattice::squares(entries_n, replicates, columns) {
        shuffle_lines(&mut sections, entries_n, rng);
        let cells = place(&sections, columns, None, true)?;
        let average = efficiency::average(&cells, entries_n, Blocking::RowsAndColumns);
        if average > 0.0 {
            best = Some((average, sections));
        }
    }
    for start in 1..=most {
        let mut sections = resolvable_design(entries_n, replicates, columns, rng);
        spread_over_columns(&mut sections, entries_n, rng);
        let cells = place(&sections, columns, None, true)?;
        let average = efficiency::average(&cells, entries_n, Blocking::RowsAndColumns);
        if best.as_ref().is_none_or(|(known, _)| average > *known) {
            best = Some((average, sections));
        }
        let connected = best.as_ref().is_some_and(|(average, _)| *average > 0.0);
        if start >= fewest && connected {
            break;
        }
    }
    let (_, sections) = best.expect("at least one start");
    let cells = place(&sections, columns, plan.field, true)?;
    let mut lines = vec![vec![vec![0; columns]; rows]; replicates];
    for (i, cell) in cells.iter().enumerate() {
        lines[cell.replicate][cell.row % rows][cell.column] = i;
    }
    Ok(Arranged {
        design: Design::RowColumn {
            replicates,
            block_size: Some(columns),
        },
        cells,
        entries_n,
        exchange: Exchange::Lines(lines),
        blocking: Blocking::RowsAndColumns,
    })
}

/// Shuffles the replicates, their rows and columns, and the labels of rectangles.
fn shuffle_lines(sections: &mut [Replicate], entries_n: usize, rng: &mut ChaCha12Rng) {
    let mut labels: Vec<usize> = (0..entries_n).collect();
    labels.shuffle(rng);
    for lines in sections.iter_mut() {
        lines.shuffle(rng);
        let mut order: Vec<usize> = (0..lines[0].len()).collect();
        order.shuffle(rng);
        for line in lines {
            *line = order.iter().map(|column| labels[line[*column]]).collect();
        }
    }
    sections.shuffle(rng);
}

/// Descends on the squared concurrences in columns by exchanges within rows, which leave the row
/// blocks as they are.
fn spread_over_columns(sections: &mut [Replicate], entries_n: usize, rng: &mut ChaCha12Rng) {
    let mut together = vec![0i64; entries_n * entries_n];
    let mut bump = |a: usize, b: usize, by: i64| -> i64 {
        let count = &mut together[a.min(b) * entries_n + a.max(b)];
        let before = *count * *count;
        *count += by;
        *count * *count - before
    };
    for replicate in sections.iter() {
        for column in 0..replicate[0].len() {
            for r in 0..replicate.len() {
                for s in 0..r {
                    bump(replicate[r][column], replicate[s][column], 1);
                }
            }
        }
    }
    let columns = sections[0][0].len();
    let rows = sections[0].len();
    let tries = (60 * entries_n * sections.len()).min(60_000);
    for _ in 0..tries {
        let replicate = rng.random_range(0..sections.len());
        let row = rng.random_range(0..rows);
        let (c, d) = (rng.random_range(0..columns), rng.random_range(0..columns));
        if c == d {
            continue;
        }
        let lines = &sections[replicate];
        let (a, b) = (lines[row][c], lines[row][d]);
        let mut change = 0;
        for (other, line) in lines.iter().enumerate() {
            if other != row {
                change += bump(a, line[c], -1) + bump(b, line[d], -1);
                change += bump(b, line[c], 1) + bump(a, line[d], 1);
            }
        }
        if change <= 0 {
            sections[replicate][row].swap(c, d);
        } else {
            for (other, line) in lines.iter().enumerate() {
                if other != row {
                    bump(b, line[c], -1);
                    bump(a, line[d], -1);
                    bump(a, line[c], 1);
                    bump(b, line[d], 1);
                }
            }
        }
    }
}

/// Deals `entries` as evenly as can be over `blocks` that all start with `common`.
fn deal(
    mut entries: Vec<usize>,
    common: &[usize],
    blocks_n: usize,
    rng: &mut ChaCha12Rng,
) -> Vec<Replicate> {
    entries.shuffle(rng);
    let mut blocks = vec![common.to_vec(); blocks_n];
    for (i, entry) in entries.into_iter().enumerate() {
        blocks[i % blocks_n].push(entry);
    }
    blocks.shuffle(rng);
    blocks
        .into_iter()
        .map(|mut block| {
            block.shuffle(rng);
            vec![block]
        })
        .collect()
}

fn augmented(
    plan: &TrialPlan,
    blocks: usize,
    rng: &mut ChaCha12Rng,
) -> Result<Arranged, DesignError> {
    let checks_n = plan.checks.len();
    let entries_n = plan.entries.len() + checks_n;
    if checks_n < 2 {
        return Err(cannot(
            plan,
            "checks",
            format!("{checks_n} checks leave no estimate of error: it comes from checks x blocks"),
            Nearest::Advice(format!("the same with {} more checks", 2 - checks_n)),
        ));
    }
    if blocks < 2 {
        return Err(cannot(
            plan,
            "replicates",
            "checks must repeat in at least 2 blocks",
            Nearest::Design(Design::Augmented { blocks: 2 }),
        ));
    }
    if plan.entries.len() < blocks {
        return Err(cannot(
            plan,
            "replicates",
            format!(
                "{} entries leave some of {blocks} blocks without any",
                plan.entries.len()
            ),
            if plan.entries.len() >= 2 {
                Nearest::Design(Design::Augmented {
                    blocks: plan.entries.len(),
                })
            } else {
                Nearest::Design(Design::Rcbd { replicates: blocks })
            },
        ));
    }
    let checks: Vec<usize> = (plan.entries.len()..entries_n).collect();
    let sections = deal((0..plan.entries.len()).collect(), &checks, blocks, rng);
    blocks_design(plan, Design::Augmented { blocks }, sections, entries_n)
}

fn blocks_design(
    plan: &TrialPlan,
    design: Design,
    sections: Vec<Replicate>,
    entries_n: usize,
) -> Result<Arranged, DesignError> {
    let largest = sections.iter().map(|s| s[0].len()).max().unwrap_or(1);
    let columns = field_columns(plan, proposed_columns(largest))?.min(largest);
    let cells = place(&sections, columns, plan.field, false)?;
    Ok(Arranged {
        design,
        entries_n,
        exchange: groups_by_block(&cells),
        cells,
        blocking: Blocking::Blocks,
    })
}

fn p_rep(
    plan: &TrialPlan,
    blocks: usize,
    replicated_n: Option<usize>,
    rng: &mut ChaCha12Rng,
) -> Result<Arranged, DesignError> {
    let tested_n = plan.entries.len();
    let entries_n = tested_n + plan.checks.len();
    let replicated_n = replicated_n.unwrap_or_else(|| tested_n.div_ceil(4).max(2).min(tested_n));
    if blocks < 2 {
        return Err(cannot(
            plan,
            "replicates",
            "replicated entries need at least 2 blocks",
            Nearest::Design(Design::PRep {
                blocks: 2,
                replicated_n: Some(replicated_n),
            }),
        ));
    }
    if replicated_n > tested_n {
        return Err(cannot(
            plan,
            "replicated_n",
            format!("{replicated_n} of {tested_n} entries cannot be replicated"),
            Nearest::Design(Design::Rcbd { replicates: blocks }),
        ));
    }
    if replicated_n + plan.checks.len() < 2 {
        return Err(cannot(
            plan,
            "replicated_n",
            "fewer than 2 entries and checks repeat, which leaves no estimate of error",
            Nearest::Design(Design::PRep {
                blocks,
                replicated_n: Some(2 - plan.checks.len().min(1)),
            }),
        ));
    }
    // The caller's order carries meaning here: the first entries are the ones to repeat.
    let common: Vec<usize> = (0..replicated_n).chain(tested_n..entries_n).collect();
    let sections = deal((replicated_n..tested_n).collect(), &common, blocks, rng);
    let design = Design::PRep {
        blocks,
        replicated_n: Some(replicated_n),
    };
    blocks_design(plan, design, sections, entries_n)
}

fn unreplicated(
    plan: &TrialPlan,
    replicates: Option<usize>,
    check_every: usize,
    rng: &mut ChaCha12Rng,
) -> Result<Arranged, DesignError> {
    let tested_n = plan.entries.len();
    let checks_n = plan.checks.len();
    if let Some(replicates) = replicates.filter(|&r| r != 1) {
        return Err(cannot(
            plan,
            "replicates",
            format!("entries stand once, not {replicates} times"),
            Nearest::Design(if replicates > 1 {
                Design::Rcbd { replicates }
            } else {
                Design::Unreplicated {
                    replicates: Some(1),
                    check_every: Some(check_every),
                }
            }),
        ));
    }
    if checks_n == 0 {
        return Err(cannot(
            plan,
            "checks",
            "without a repeated check there is no estimate of error",
            Nearest::Advice("the same with at least 1 check".to_owned()),
        ));
    }
    let columns_for = |every: usize| {
        let total = tested_n + tested_n / every.saturating_sub(1).max(1);
        field_columns(plan, (total as f64).sqrt().ceil() as usize)
    };
    let columns = columns_for(check_every)?;
    let made = |every: usize| {
        every >= 2
            && columns_for(every).is_ok_and(|columns| {
                let grid = check_grid(tested_n, columns, every);
                grid.len() - tested_n >= 2 * checks_n
            })
    };
    if !made(check_every) {
        // Entries apart by more than this hold fewer than twice the checks, whatever the ground.
        let sparsest = tested_n / (2 * checks_n) + 3;
        let nearest = (2..=check_every.clamp(2, sparsest.max(2)))
            .rev()
            .find(|&m| made(m));
        return Err(cannot(
            plan,
            "block_size",
            format!("a check every {check_every} plots does not repeat each of {checks_n} checks"),
            nearest.map_or_else(
                || Nearest::Advice("the same with fewer checks or more entries".to_owned()),
                |m| {
                    Nearest::Design(Design::Unreplicated {
                        replicates: Some(1),
                        check_every: Some(m),
                    })
                },
            ),
        ));
    }
    let grid = check_grid(tested_n, columns, check_every);
    let mut entries: Vec<usize> = (0..tested_n).collect();
    entries.shuffle(rng);
    let mut round: Vec<usize> = Vec::new();
    let mut cells = Vec::with_capacity(grid.len());
    for (position, is_check) in grid.into_iter().enumerate() {
        if round.is_empty() {
            round = (tested_n..tested_n + checks_n).collect();
            round.shuffle(rng);
        }
        let next = if is_check { round.pop() } else { entries.pop() };
        let entry = next.expect("the grid has one place for each entry");
        let (row, column) = (position / columns, position % columns);
        cells.push(Cell {
            row,
            column,
            replicate: 0,
            block: 0,
            entry,
        });
    }
    check_field(plan.field, cells.len().div_ceil(columns), columns)?;
    Ok(Arranged {
        design: Design::Unreplicated {
            replicates: Some(1),
            check_every: Some(check_every),
        },
        cells,
        entries_n: tested_n + checks_n,
        exchange: Exchange::None,
        blocking: Blocking::None,
    })
}

/// Field positions up to the last entry, true where a check stands: one plot in `every`, shifted by
/// about 0.4 of that from row to row, so that no corner is far from a check.
fn check_grid(tested_n: usize, columns: usize, every: usize) -> Vec<bool> {
    let shift = (every * 2).div_ceil(5);
    let mut entries_left = tested_n;
    let mut grid = Vec::new();
    while entries_left > 0 {
        let position = grid.len();
        let (row, column) = (position / columns, position % columns);
        // Rows shorter than the spacing would miss checks: count along the whole path instead.
        let along = if columns < every {
            position
        } else {
            column + every - row * shift % every
        };
        let is_check = along % every == every / 2;
        grid.push(is_check);
        entries_left -= usize::from(!is_check);
    }
    grid
}
