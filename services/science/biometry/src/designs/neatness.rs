//! Spatial neatness: repeats of an entry apart, neighbours as varied as can be.

use super::arrangement::{Arranged, Cell, Exchange};
use rand::RngExt;
use rand_chacha::ChaCha12Rng;
use serde::{Deserialize, Serialize};
use std::collections::HashMap;

/// Cost of an entry standing beside itself, against one repeated pair of neighbours.
const BESIDE_ITSELF: i64 = 40;
/// Cost of an entry standing corner to corner with itself.
const CORNER_TO_ITSELF: i64 = 12;

/// Neighbour balance of a layout.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Neatness {
    /// Sides on which an entry stands beside itself.
    pub self_neighbours_n: usize,
    /// Corners at which an entry touches itself.
    pub self_corners_n: usize,
    /// How often the most frequent pair of unlike entries stand side by side.
    pub most_frequent_pair_n: usize,
    /// Shortest distance, in plots between centres, of two plots of one entry; none when nothing
    /// repeats.
    pub nearest_repeat: Option<f64>,
    /// Longest distance, in plots, from any plot to the nearest check; none without checks that
    /// stand on a grid.
    pub furthest_from_check: Option<f64>,
    /// Neighbour cost of the first randomisation.
    pub cost_before: i64,
    /// Neighbour cost after exchange.
    pub cost_after: i64,
}

/// Side-by-side and corner-to-corner pairs of cells, each once.
struct Edges {
    ends: Vec<(usize, usize, bool)>,
    of_cell: Vec<Vec<usize>>,
}

impl Edges {
    fn new(cells: &[Cell]) -> Edges {
        let at: HashMap<(usize, usize), usize> = cells
            .iter()
            .enumerate()
            .map(|(i, c)| ((c.row, c.column), i))
            .collect();
        let mut edges = Edges {
            ends: Vec::new(),
            of_cell: vec![Vec::new(); cells.len()],
        };
        for (i, cell) in cells.iter().enumerate() {
            let (r, c) = (cell.row, cell.column);
            let mut near = vec![
                ((r, c + 1), true),
                ((r + 1, c), true),
                ((r + 1, c + 1), false),
            ];
            if c > 0 {
                near.push(((r + 1, c - 1), false));
            }
            for (place, side) in near {
                if let Some(&j) = at.get(&place) {
                    edges.of_cell[i].push(edges.ends.len());
                    edges.of_cell[j].push(edges.ends.len());
                    edges.ends.push((i, j, side));
                }
            }
        }
        edges
    }
}

/// Neighbour counts of unlike entries and the cost that they and self-neighbours make: the sum over
/// pairs of n (n - 1), plus the self costs.
struct Tally {
    pairs: HashMap<(usize, usize), i64>,
    cost: i64,
}

impl Tally {
    fn count(&mut self, a: usize, b: usize, side: bool, by: i64) {
        if a == b {
            self.cost += by
                * if side {
                    BESIDE_ITSELF
                } else {
                    CORNER_TO_ITSELF
                };
        } else if side {
            let n = self.pairs.entry((a.min(b), a.max(b))).or_insert(0);
            let before = *n * (*n - 1);
            *n += by;
            self.cost += *n * (*n - 1) - before;
        }
    }
}

pub(super) fn improve(arranged: &mut Arranged, rng: &mut ChaCha12Rng) -> Neatness {
    let edges = Edges::new(&arranged.cells);
    let mut entries: Vec<usize> = arranged.cells.iter().map(|c| c.entry).collect();
    let mut tally = Tally {
        pairs: HashMap::new(),
        cost: 0,
    };
    for &(i, j, side) in &edges.ends {
        tally.count(entries[i], entries[j], side, 1);
    }
    let cost_before = tally.cost;
    anneal(&arranged.exchange, &edges, &mut entries, &mut tally, rng);
    for (cell, entry) in arranged.cells.iter_mut().zip(entries) {
        cell.entry = entry;
    }
    describe(arranged, &edges, &tally, cost_before)
}

fn anneal(
    exchange: &Exchange,
    edges: &Edges,
    entries: &mut [usize],
    tally: &mut Tally,
    rng: &mut ChaCha12Rng,
) {
    let movable: Vec<&Vec<usize>> = match exchange {
        Exchange::WithinGroups(groups) => groups.iter().filter(|g| g.len() > 1).collect(),
        _ => Vec::new(),
    };
    if matches!(exchange, Exchange::WithinGroups(_)) && movable.is_empty()
        || matches!(exchange, Exchange::None)
        || tally.cost == 0
    {
        return;
    }
    let plots_n = entries.len();
    let tries = match exchange {
        Exchange::Lines(_) => (20 * plots_n).clamp(2_000, 20_000),
        _ => (150 * plots_n).clamp(4_000, 120_000),
    };
    let (hot, cold) = (6.0f64, 0.15f64);
    let mut best = (tally.cost, entries.to_vec());
    let mut swaps: Vec<(usize, usize)> = Vec::new();
    let mut touched: Vec<usize> = Vec::new();
    for attempt in 0..tries {
        let temperature = hot * (cold / hot).powf(attempt as f64 / tries as f64);
        swaps.clear();
        match exchange {
            Exchange::WithinGroups(_) => {
                let group = movable[rng.random_range(0..movable.len())];
                let (i, j) = (
                    rng.random_range(0..group.len()),
                    rng.random_range(0..group.len()),
                );
                swaps.push((group[i], group[j]));
            }
            Exchange::Lines(replicates) => {
                let lines = &replicates[rng.random_range(0..replicates.len())];
                let (rows, columns) = (lines.len(), lines[0].len());
                if rng.random::<bool>() {
                    let (i, j) = (rng.random_range(0..rows), rng.random_range(0..rows));
                    swaps.extend((0..columns).map(|c| (lines[i][c], lines[j][c])));
                } else {
                    let (i, j) = (rng.random_range(0..columns), rng.random_range(0..columns));
                    swaps.extend((0..rows).map(|r| (lines[r][i], lines[r][j])));
                }
            }
            Exchange::None => unreachable!("left above"),
        }
        if swaps.iter().all(|&(i, j)| entries[i] == entries[j]) {
            continue;
        }
        touched.clear();
        for &(i, j) in &swaps {
            touched.extend(edges.of_cell[i].iter().chain(&edges.of_cell[j]));
        }
        touched.sort_unstable();
        touched.dedup();
        let before = tally.cost;
        exchange_and_count(&swaps, &touched, edges, entries, tally);
        let rise = tally.cost - before;
        if rise > 0 && rng.random::<f64>() >= (-(rise as f64) / temperature).exp() {
            exchange_and_count(&swaps, &touched, edges, entries, tally);
        } else if tally.cost < best.0 {
            best = (tally.cost, entries.to_vec());
            if tally.cost == 0 {
                break;
            }
        }
    }
    if best.0 < tally.cost {
        entries.copy_from_slice(&best.1);
        *tally = Tally {
            pairs: HashMap::new(),
            cost: 0,
        };
        for &(i, j, side) in &edges.ends {
            tally.count(entries[i], entries[j], side, 1);
        }
    }
}

fn exchange_and_count(
    swaps: &[(usize, usize)],
    touched: &[usize],
    edges: &Edges,
    entries: &mut [usize],
    tally: &mut Tally,
) {
    for &edge in touched {
        let (i, j, side) = edges.ends[edge];
        tally.count(entries[i], entries[j], side, -1);
    }
    for &(i, j) in swaps {
        entries.swap(i, j);
    }
    for &edge in touched {
        let (i, j, side) = edges.ends[edge];
        tally.count(entries[i], entries[j], side, 1);
    }
}

fn describe(arranged: &Arranged, edges: &Edges, tally: &Tally, cost_before: i64) -> Neatness {
    let cells = &arranged.cells;
    let own = |on_side: bool| {
        edges
            .ends
            .iter()
            .filter(|&&(i, j, side)| side == on_side && cells[i].entry == cells[j].entry)
            .count()
    };
    let mut places: Vec<Vec<&Cell>> = vec![Vec::new(); arranged.entries_n];
    for cell in cells {
        places[cell.entry].push(cell);
    }
    let distance =
        |a: &Cell, b: &Cell| (a.row as f64 - b.row as f64).hypot(a.column as f64 - b.column as f64);
    let nearest_repeat = places
        .iter()
        .flat_map(|of| {
            of.iter()
                .enumerate()
                .flat_map(|(i, a)| of[..i].iter().map(|b| distance(a, b)))
        })
        .min_by(f64::total_cmp);
    let furthest_from_check = matches!(arranged.exchange, Exchange::None).then(|| {
        let checks = places.iter().filter(|of| of.len() > 1).flatten().copied();
        furthest(cells, checks)
    });
    Neatness {
        self_neighbours_n: own(true),
        self_corners_n: own(false),
        most_frequent_pair_n: tally.pairs.values().copied().max().unwrap_or(0).max(0) as usize,
        nearest_repeat,
        furthest_from_check,
        cost_before,
        cost_after: tally.cost,
    }
}

/// Longest distance from any cell to the nearest of `checks`, looking outward row by row.
fn furthest<'a>(cells: &[Cell], checks: impl Iterator<Item = &'a Cell>) -> f64 {
    let rows_n = cells.iter().map(|c| c.row + 1).max().unwrap_or(0);
    let mut columns_of_row: Vec<Vec<usize>> = vec![Vec::new(); rows_n];
    for check in checks {
        columns_of_row[check.row].push(check.column);
    }
    columns_of_row
        .iter_mut()
        .for_each(|columns| columns.sort_unstable());
    let nearest_in = |row: usize, column: usize| {
        let columns = &columns_of_row[row];
        let at = columns.partition_point(|&c| c < column);
        let near = columns[at.saturating_sub(1)..(at + 1).min(columns.len())].iter();
        near.map(|c| c.abs_diff(column) as f64)
            .fold(f64::INFINITY, f64::min)
    };
    let nearest = |cell: &Cell| {
        let mut best = f64::INFINITY;
        for away in 0..rows_n {
            if away as f64 >= best {
                break;
            }
            for row in [cell.row.checked_sub(away), Some(cell.row + away)]
                .into_iter()
                .flatten()
            {
                if row < rows_n {
                    best = best.min(nearest_in(row, cell.column).hypot(away as f64));
                }
            }
        }
        best
    };
    cells.iter().map(nearest).fold(0.0, f64::max)
}
