//! How records stand to a model: their residuals in the order of the ground and of the normal
//! distribution.

use std::collections::BTreeMap;

use biometry::mixed::RecordDiagnostics;
use contract::evaluation::{RecordResidual, VariogramCell};
use statrs::distribution::{ContinuousCDF as _, Normal};

use super::model::Observation;

/// Rows and columns apart up to which residuals are compared.
const FURTHEST: u32 = 10;
/// Fewest pairs from which a semivariance is told.
const FEWEST_PAIRS: u32 = 10;

/// Residuals as they are told, in the order of the records.
pub fn told(records: &[RecordDiagnostics], observations: &[Observation]) -> Vec<RecordResidual> {
    let quantiles = normal_quantiles(records);
    records
        .iter()
        .zip(quantiles)
        .map(|(record, normal_quantile)| {
            let of = &observations[record.record];
            RecordResidual {
                tree_id: of.tree_id.clone(),
                number: of.number.clone(),
                site: of.factors.get("site").cloned().unwrap_or_default(),
                row: of.row as u32,
                column: of.column as u32,
                year: u32::from(of.year.unsigned_abs()),
                observed: of.value,
                fitted: record.fitted,
                residual: record.residual,
                standardised: record.standardised,
                normal_quantile,
                leverage: record.leverage,
                cook: record.cook.filter(|cook| cook.is_finite()),
            }
        })
        .collect()
}

/// Expected standard normal order statistics by Blom's (1958) approximation, (i - 3/8)/(n + 1/4);
/// from memory.
fn normal_quantiles(records: &[RecordDiagnostics]) -> Vec<f64> {
    let normal = Normal::new(0.0, 1.0).expect("standard normal");
    let mut order: Vec<usize> = (0..records.len()).collect();
    order.sort_by(|&a, &b| {
        let of = |i: usize| records[i].standardised;
        of(a).total_cmp(&of(b)).then(a.cmp(&b))
    });
    let n = records.len() as f64;
    let mut quantiles = vec![0.0; records.len()];
    for (rank, &record) in order.iter().enumerate() {
        quantiles[record] = normal.inverse_cdf((rank as f64 + 0.625) / (n + 0.25));
    }
    quantiles
}

/// Sum and number of the residuals at each row and column.
type Ground = BTreeMap<(u32, u32), (f64, f64)>;

/// Semivariances of standardised residuals by rows and columns apart, within site and year; a tree
/// with several records counts by their mean. Without spatial trend they lie about 1 everywhere.
pub fn variogram(
    records: &[RecordDiagnostics],
    observations: &[Observation],
) -> Vec<VariogramCell> {
    let mut sections: BTreeMap<&str, Ground> = BTreeMap::new();
    for record in records {
        let of = &observations[record.record];
        let at = (of.row as u32, of.column as u32);
        let sum = sections
            .entry(&of.section)
            .or_default()
            .entry(at)
            .or_default();
        sum.0 += record.standardised;
        sum.1 += 1.0;
    }
    let mut sums: BTreeMap<(u32, u32), (f64, u32)> = BTreeMap::new();
    for ground in sections.values() {
        for (&(row, column), &(sum, n)) in ground {
            let here = sum / n;
            for rows in 0..=FURTHEST {
                for columns in 0..=FURTHEST {
                    let mut to = |column: Option<u32>| {
                        let Some(column) = column else { return };
                        if let Some(&(sum, n)) = ground.get(&(row + rows, column)) {
                            let pair = sums.entry((rows, columns)).or_default();
                            pair.0 += (here - sum / n).powi(2);
                            pair.1 += 1;
                        }
                    };
                    if (rows, columns) == (0, 0) {
                        continue;
                    }
                    to(Some(column + columns));
                    // The other diagonal; along a row or a column there is only one direction.
                    if rows > 0 && columns > 0 {
                        to(column.checked_sub(columns));
                    }
                }
            }
        }
    }
    sums.into_iter()
        .filter(|(_, (_, pairs_n))| *pairs_n >= FEWEST_PAIRS)
        .map(
            |((rows_apart, columns_apart), (sum, pairs_n))| VariogramCell {
                rows_apart,
                columns_apart,
                semivariance: sum / (2.0 * f64::from(pairs_n)),
                pairs_n,
            },
        )
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ground(of: impl Fn(u32, u32) -> f64) -> (Vec<RecordDiagnostics>, Vec<Observation>) {
        let mut records = Vec::new();
        let mut observations = Vec::new();
        for row in 1..=8 {
            for column in 1..=8 {
                records.push(RecordDiagnostics {
                    record: records.len(),
                    fitted: 0.0,
                    residual: of(row, column),
                    standardised: of(row, column),
                    leverage: 0.1,
                    cook: None,
                });
                observations.push(Observation {
                    value: of(row, column),
                    factors: BTreeMap::from([("site", "north".to_owned())]),
                    covariates: Vec::new(),
                    row: f64::from(row),
                    column: f64::from(column),
                    section: "north/2026".to_owned(),
                    year: 2026,
                    tree_id: String::new(),
                    number: String::new(),
                });
            }
        }
        (records, observations)
    }

    #[test]
    fn a_trend_along_rows_shows_in_their_distance() {
        let (records, observations) = ground(|row, _| f64::from(row));
        let cells = variogram(&records, &observations);
        let of = |rows, columns| {
            cells
                .iter()
                .find(|c| (c.rows_apart, c.columns_apart) == (rows, columns))
                .unwrap()
        };
        assert_eq!((of(0, 1).semivariance, of(0, 1).pairs_n), (0.0, 56));
        assert_eq!(of(2, 0).semivariance, 2.0);
        // Both diagonals: 7 rows by 7 columns, twice.
        assert_eq!((of(1, 1).semivariance, of(1, 1).pairs_n), (0.5, 98));
    }

    #[test]
    fn quantiles_follow_the_rank_and_are_symmetric() {
        let (records, observations) = ground(|row, column| f64::from(row * 10 + column));
        let told = told(&records, &observations);
        assert!(
            told.windows(2)
                .all(|w| w[0].normal_quantile < w[1].normal_quantile)
        );
        assert!((told[0].normal_quantile + told[63].normal_quantile).abs() < 1e-9);
        assert_eq!((told[9].row, told[9].column), (2, 2));
    }
}
