//! Bloom windows and how far two or more of them overlap.
//!
//! Overlap matters to open pollination and to fresh pollen of the same season; stored pollen does
//! not need it.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Days of bloom, both ends included, first not after last.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "RawWindow", into = "RawWindow")]
pub struct BloomWindow {
    first: Date,
    last: Date,
}

#[derive(Serialize, Deserialize)]
struct RawWindow {
    first: Date,
    last: Date,
}

/// Why overlap cannot be computed.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum OverlapError {
    /// Last day before the first.
    #[error("bloom ends {last}, before it begins {first}; correct one of the days")]
    EndsBeforeItBegins {
        /// First day.
        first: Date,
        /// Last day.
        last: Date,
    },
    /// Rows of different lengths.
    #[error(
        "plant {row} has {days_n} days, the first has {expected_n}; give every plant the same days"
    )]
    UnlikeLengths {
        /// Row, from 0.
        row: usize,
        /// Its days.
        days_n: usize,
        /// Days expected.
        expected_n: usize,
    },
    /// A plant without a day of bloom.
    #[error("plant {row} has no day of bloom; leave it out")]
    NeverInBloom {
        /// Row, from 0.
        row: usize,
    },
    /// A single plant has nothing to overlap with.
    #[error("synchrony needs at least two plants, {plants_n} given")]
    TooFewPlants {
        /// Plants given.
        plants_n: usize,
    },
    /// A flower count that is negative or not finite.
    #[error("plant {row}: flower count {count} is not a count of 0 or more")]
    BadCount {
        /// Row, from 0.
        row: usize,
        /// The count.
        count: f64,
    },
}

impl TryFrom<RawWindow> for BloomWindow {
    type Error = OverlapError;
    fn try_from(raw: RawWindow) -> Result<Self, Self::Error> {
        Self::new(raw.first, raw.last)
    }
}

impl From<BloomWindow> for RawWindow {
    fn from(w: BloomWindow) -> Self {
        Self {
            first: w.first,
            last: w.last,
        }
    }
}

fn days_from(first: Date, last: Date) -> i64 {
    last.duration_since(first).as_hours() / 24 + 1
}

impl BloomWindow {
    /// A window from its first and last day.
    ///
    /// # Errors
    /// [`OverlapError::EndsBeforeItBegins`].
    pub fn new(first: Date, last: Date) -> Result<Self, OverlapError> {
        if first <= last {
            Ok(Self { first, last })
        } else {
            Err(OverlapError::EndsBeforeItBegins { first, last })
        }
    }

    /// First day of bloom.
    pub fn first(&self) -> Date {
        self.first
    }

    /// Last day of bloom.
    pub fn last(&self) -> Date {
        self.last
    }

    /// Days of bloom, at least 1.
    pub fn days_n(&self) -> u32 {
        days_from(self.first, self.last)
            .max(1)
            .try_into()
            .unwrap_or(u32::MAX)
    }

    /// Whether a day lies in the window.
    pub fn contains(&self, day: Date) -> bool {
        (self.first..=self.last).contains(&day)
    }

    /// Days on which both bloom.
    pub fn shared_days_n(&self, other: &Self) -> u32 {
        days_from(self.first.max(other.first), self.last.min(other.last))
            .max(0)
            .try_into()
            .unwrap_or(u32::MAX)
    }

    /// Share of this (seed parent's) bloom on which `pollen_parent` blooms too, 0 to 1.
    pub fn share_covered_by(&self, pollen_parent: &Self) -> f64 {
        f64::from(self.shared_days_n(pollen_parent)) / f64::from(self.days_n())
    }

    /// Days shared over days on which either blooms (Jaccard; Albert and others 2001), 0 to 1.
    pub fn jaccard(&self, other: &Self) -> f64 {
        let shared = self.shared_days_n(other);
        f64::from(shared) / f64::from(self.days_n() + other.days_n() - shared)
    }
}

/// Days shared over days of either, for two day-by-day records of the same days (Albert and others
/// 2001).
///
/// # Errors
/// [`OverlapError`] when lengths differ or neither ever blooms.
pub fn jaccard(a: &[bool], b: &[bool]) -> Result<f64, OverlapError> {
    same_lengths(&[a, b])?;
    let count = |f: fn(bool, bool) -> bool| a.iter().zip(b).filter(|&(&x, &y)| f(x, y)).count();
    match count(|x, y| x || y) {
        0 => Err(OverlapError::NeverInBloom { row: 0 }),
        union => Ok(count(|x, y| x && y) as f64 / union as f64),
    }
}

/// Augspurger's 1983 synchrony of each plant with all others, 0 to 1: the mean, over the others,
/// of shared days over the plant's own days. Favours plants that bloom briefly. The population's
/// synchrony is the mean of the result. Rows are plants, columns days.
///
/// # Errors
/// [`OverlapError`] for fewer than two plants, unlike rows, or a plant that never blooms.
pub fn augspurger<R: AsRef<[bool]>>(plants: &[R]) -> Result<Vec<f64>, OverlapError> {
    at_least_two(plants.len())?;
    same_lengths(plants)?;
    let rows: Vec<&[bool]> = plants.iter().map(AsRef::as_ref).collect();
    rows.iter()
        .enumerate()
        .map(|(i, own)| {
            let own_days = own.iter().filter(|&&d| d).count();
            if own_days == 0 {
                return Err(OverlapError::NeverInBloom { row: i });
            }
            let shared: usize = rows
                .iter()
                .enumerate()
                .filter(|&(j, _)| j != i)
                .map(|(_, other)| own.iter().zip(*other).filter(|&(&a, &b)| a && b).count())
                .sum();
            Ok(shared as f64 / (own_days * (rows.len() - 1)) as f64)
        })
        .collect()
}

/// Marquis' 1988 synchrony of each plant, 0 to 1: over the days, the share of the plant's flowers
/// open that day times the share of all plants in bloom that day. Rows are plants, columns days,
/// cells open flowers.
///
/// # Errors
/// [`OverlapError`] for fewer than two plants, unlike rows, bad counts or a plant without flowers.
pub fn marquis<R: AsRef<[f64]>>(plants: &[R]) -> Result<Vec<f64>, OverlapError> {
    at_least_two(plants.len())?;
    same_lengths(plants)?;
    let shares = daily_shares(plants)?;
    let plants_n = shares.len() as f64;
    Ok(shares
        .iter()
        .map(|own| {
            own.iter()
                .enumerate()
                .map(|(day, share)| {
                    let in_bloom = shares.iter().filter(|row| row[day] > 0.0).count() as f64;
                    share * in_bloom / plants_n
                })
                .sum()
        })
        .collect())
}

/// Affinity of two flower counts by day, 0 to 1: the sum of √(p q) over daily shares.
///
/// # Errors
/// [`OverlapError`] for unlike rows, bad counts or no flowers.
pub fn affinity(a: &[f64], b: &[f64]) -> Result<f64, OverlapError> {
    over_shares(a, b, |p, q| (p * q).sqrt())
}

/// Schoener's overlap of two flower counts by day, 0 to 1: the sum of min(p, q) over daily shares.
///
/// # Errors
/// As [`affinity`].
pub fn schoener(a: &[f64], b: &[f64]) -> Result<f64, OverlapError> {
    over_shares(a, b, f64::min)
}

fn over_shares(a: &[f64], b: &[f64], f: fn(f64, f64) -> f64) -> Result<f64, OverlapError> {
    same_lengths(&[a, b])?;
    let shares = daily_shares(&[a, b])?;
    Ok(shares[0]
        .iter()
        .zip(&shares[1])
        .map(|(&p, &q)| f(p, q))
        .sum())
}

fn daily_shares<R: AsRef<[f64]>>(plants: &[R]) -> Result<Vec<Vec<f64>>, OverlapError> {
    plants
        .iter()
        .map(AsRef::as_ref)
        .enumerate()
        .map(|(row, counts)| {
            if let Some(&count) = counts.iter().find(|c| !(c.is_finite() && **c >= 0.0)) {
                return Err(OverlapError::BadCount { row, count });
            }
            match counts.iter().sum::<f64>() {
                0.0 => Err(OverlapError::NeverInBloom { row }),
                total => Ok(counts.iter().map(|c| c / total).collect()),
            }
        })
        .collect()
}

fn at_least_two(plants_n: usize) -> Result<(), OverlapError> {
    if plants_n < 2 {
        Err(OverlapError::TooFewPlants { plants_n })
    } else {
        Ok(())
    }
}

fn same_lengths<T, R: AsRef<[T]>>(rows: &[R]) -> Result<(), OverlapError> {
    let expected_n = rows.first().map_or(0, |r| r.as_ref().len());
    match rows
        .iter()
        .map(|r| r.as_ref().len())
        .enumerate()
        .find(|r| r.1 != expected_n)
    {
        Some((row, days_n)) => Err(OverlapError::UnlikeLengths {
            row,
            days_n,
            expected_n,
        }),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marquis_weighs_days_by_plants_in_bloom() {
        let synchrony = marquis(&[[2.0, 2.0, 0.0], [0.0, 4.0, 4.0]]).unwrap();
        assert_eq!(synchrony, [0.75, 0.75]);
    }

    #[test]
    fn bad_rows_are_named() {
        assert!(matches!(
            augspurger(&[vec![true], vec![true, false]]),
            Err(OverlapError::UnlikeLengths { row: 1, .. })
        ));
        assert!(matches!(
            augspurger(&[[true], [false]]),
            Err(OverlapError::NeverInBloom { row: 1 })
        ));
        assert!(matches!(
            schoener(&[-1.0], &[1.0]),
            Err(OverlapError::BadCount { .. })
        ));
    }
}
