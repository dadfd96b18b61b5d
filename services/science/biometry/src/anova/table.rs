//! Analysis of variance tables by successive projection.

use super::AnovaError;
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};
use std::collections::BTreeMap;

/// Share of a column's length below which it counts as explained by the columns before it.
const DEPENDENT: f64 = 1e-8;

/// A factor, or a crossing of factors, with the level of every observation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Term {
    name: String,
    labels: Vec<String>,
    level_of: Vec<usize>,
}

impl Term {
    /// A factor from the label of every observation.
    pub fn factor(name: impl Into<String>, labels: &[impl AsRef<str>]) -> Term {
        let mut number: BTreeMap<&str, usize> = BTreeMap::new();
        for label in labels {
            number.insert(label.as_ref(), 0);
        }
        for (i, value) in number.values_mut().enumerate() {
            *value = i;
        }
        Term {
            name: name.into(),
            level_of: labels.iter().map(|label| number[label.as_ref()]).collect(),
            labels: number.into_keys().map(str::to_owned).collect(),
        }
    }

    /// The crossing (interaction, or nesting) of factors, named `a:b`.
    pub fn crossing(factors: &[&Term]) -> Term {
        let name = factors
            .iter()
            .map(|f| f.name.as_str())
            .collect::<Vec<_>>()
            .join(":");
        let n = factors.iter().map(|f| f.level_of.len()).min().unwrap_or(0);
        let labels: Vec<String> = (0..n)
            .map(|i| {
                let parts: Vec<_> = factors
                    .iter()
                    .map(|f| f.labels[f.level_of[i]].as_str())
                    .collect();
                // A separator that labels will not hold keeps a:b + c apart from a + b:c.
                parts.join("\u{1f}")
            })
            .collect();
        Term::factor(name, &labels)
    }

    /// Name of the term.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    fn columns(&self) -> impl Iterator<Item = Vec<f64>> {
        (0..self.labels.len()).map(|level| {
            self.level_of
                .iter()
                .map(|&l| f64::from(u8::from(l == level)))
                .collect()
        })
    }
}

/// One line of an analysis of variance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AnovaRow {
    /// Term.
    pub term: String,
    /// Degrees of freedom; fewer than levels - 1 when earlier terms explain part of it.
    pub df: usize,
    /// Sum of squares after all terms before it.
    pub ss: f64,
    /// Mean square.
    pub ms: f64,
    /// Ratio to the residual mean square; none without residual degrees of freedom.
    pub f: Option<f64>,
    /// Probability of a larger ratio.
    pub p: Option<f64>,
}

/// What the terms leave.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Residual {
    /// Degrees of freedom.
    pub df: usize,
    /// Sum of squares.
    pub ss: f64,
    /// Mean square; none without degrees of freedom.
    pub ms: Option<f64>,
}

/// Analysis of variance with sequential sums of squares.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AnovaTable {
    /// Terms that have degrees of freedom, in the order given.
    pub rows: Vec<AnovaRow>,
    /// Residual.
    pub residual: Residual,
    /// Terms wholly explained by the terms before them.
    pub confounded: Vec<String>,
}

/// One error stratum.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stratum {
    /// Name of the stratum's term, `Within` for the last.
    pub name: String,
    /// Analysis within the stratum; its residual tests its terms.
    pub table: AnovaTable,
}

/// Orthonormal columns.
#[derive(Default)]
struct Basis(Vec<Vec<f64>>);

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

impl Basis {
    fn remove_from(&self, column: &mut [f64]) {
        // Twice is enough (Kahan and Parlett): the second pass clears what rounding left.
        for _ in 0..2 {
            for q in &self.0 {
                let share = dot(q, column);
                column.iter_mut().zip(q).for_each(|(x, q)| *x -= share * q);
            }
        }
    }

    fn projection(&self, column: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; column.len()];
        for q in &self.0 {
            let share = dot(q, column);
            out.iter_mut().zip(q).for_each(|(x, q)| *x += share * q);
        }
        out
    }

    /// Adds what is new in `column`, whose length before any projection was `length`.
    fn extend(&mut self, mut column: Vec<f64>, length: f64) -> bool {
        self.remove_from(&mut column);
        let rest = dot(&column, &column).sqrt();
        let is_new = rest > DEPENDENT * length;
        if is_new {
            column.iter_mut().for_each(|x| *x /= rest);
            self.0.push(column);
        }
        is_new
    }
}

fn check(response: &[f64], terms: &[Term]) -> Result<(), AnovaError> {
    if response.is_empty() {
        return Err(AnovaError::NoValues);
    }
    if let Some((index, &value)) = response.iter().enumerate().find(|(_, y)| !y.is_finite()) {
        return Err(AnovaError::NotFinite { index, value });
    }
    match terms.iter().find(|t| t.level_of.len() != response.len()) {
        Some(term) => Err(AnovaError::UnlikeLengths {
            term: term.name.clone(),
            term_n: term.level_of.len(),
            response_n: response.len(),
        }),
        None => Ok(()),
    }
}

/// Table of `terms` for the part of `response` that `into` keeps, of `space_n` dimensions.
fn table_within(
    response: &[f64],
    terms: &[Term],
    space_n: usize,
    into: impl Fn(&[f64]) -> Vec<f64>,
) -> AnovaTable {
    let kept = into(response);
    let mut basis = Basis::default();
    let mut rows = Vec::new();
    let mut confounded = Vec::new();
    for term in terms {
        let first_new = basis.0.len();
        for column in term.columns() {
            let length = dot(&column, &column).sqrt();
            basis.extend(into(&column), length);
        }
        let ss: f64 = basis.0[first_new..]
            .iter()
            .map(|q| dot(q, &kept).powi(2))
            .sum();
        let df = basis.0.len() - first_new;
        if df == 0 {
            confounded.push(term.name.clone());
        } else {
            let ms = ss / df as f64;
            rows.push(AnovaRow {
                term: term.name.clone(),
                df,
                ss,
                ms,
                f: None,
                p: None,
            });
        }
    }
    let mut left = kept;
    basis.remove_from(&mut left);
    let df = space_n - basis.0.len();
    let ss = if df == 0 { 0.0 } else { dot(&left, &left) };
    let residual = Residual {
        df,
        ss,
        ms: (df > 0).then(|| ss / df as f64),
    };
    if let Some(ms) = residual.ms.filter(|ms| *ms > 0.0) {
        for row in &mut rows {
            let f = row.ms / ms;
            row.f = Some(f);
            row.p = FisherSnedecor::new(row.df as f64, df as f64)
                .ok()
                .map(|d| d.sf(f));
        }
    }
    AnovaTable {
        rows,
        residual,
        confounded,
    }
}

/// Analysis of variance of fixed terms with sequential sums of squares (each term after those
/// before it), for balanced and unbalanced data alike.
///
/// # Errors
/// When a value is not finite or a term's length differs from the response's.
pub fn anova(response: &[f64], terms: &[Term]) -> Result<AnovaTable, AnovaError> {
    check(response, terms)?;
    let mut mean = Basis::default();
    mean.extend(vec![1.0; response.len()], 1.0);
    let n = response.len();
    Ok(table_within(response, terms, n - 1, |column| {
        let mut column = column.to_vec();
        mean.remove_from(&mut column);
        column
    }))
}

/// Analysis of variance in error strata, as for split plots: the space of observations is parted
/// by the `strata` in turn (say block, then block:variety), and the terms are analysed within each
/// and within what remains.
///
/// A term appears in every stratum that holds information on it.
///
/// # Errors
/// As [`anova`].
pub fn anova_in_strata(
    response: &[f64],
    terms: &[Term],
    strata: &[Term],
) -> Result<Vec<Stratum>, AnovaError> {
    check(response, terms)?;
    check(response, strata)?;
    let mut before = Basis::default();
    before.extend(vec![1.0; response.len()], 1.0);
    let mut found = Vec::new();
    let is_empty = |table: &AnovaTable| table.rows.is_empty() && table.residual.df == 0;
    for stratum in strata {
        let first_new = before.0.len();
        for column in stratum.columns() {
            let length = dot(&column, &column).sqrt();
            before.extend(column, length);
        }
        let own = Basis(before.0[first_new..].to_vec());
        let mut table = table_within(response, terms, own.0.len(), |column| {
            own.projection(column)
        });
        table.confounded.clear();
        if !is_empty(&table) {
            found.push(Stratum {
                name: stratum.name.clone(),
                table,
            });
        }
    }
    let mut table = table_within(response, terms, response.len() - before.0.len(), |column| {
        let mut column = column.to_vec();
        before.remove_from(&mut column);
        column
    });
    let elsewhere = |term: &String| {
        found
            .iter()
            .any(|s| s.table.rows.iter().any(|row| row.term == *term))
    };
    table.confounded.retain(|term| !elsewhere(term));
    if !is_empty(&table) {
        found.push(Stratum {
            name: "Within".to_owned(),
            table,
        });
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn confounded_terms_are_named() {
        let a = Term::factor("block", &["1", "1", "2", "2"]);
        let b = Term::factor("site", &["x", "x", "y", "y"]);
        let table = anova(&[1.0, 2.0, 4.0, 6.0], &[a, b]).unwrap();
        assert_eq!(table.confounded, ["site"]);
        assert_eq!((table.rows[0].df, table.residual.df), (1, 2));
    }

    #[test]
    fn refuses_nan() {
        let a = Term::factor("block", &["1", "2"]);
        assert!(matches!(
            anova(&[1.0, f64::NAN], &[a]),
            Err(AnovaError::NotFinite { index: 1, .. })
        ));
    }

    proptest! {
        #[test]
        fn sums_of_squares_add_up(
            rows in prop::collection::vec((0usize..4, 0usize..5, -10.0f64..10.0), 6..40)
        ) {
            let label = |x: usize| x.to_string();
            let a: Vec<_> = rows.iter().map(|r| label(r.0)).collect();
            let b: Vec<_> = rows.iter().map(|r| label(r.1)).collect();
            let y: Vec<_> = rows.iter().map(|r| r.2).collect();
            let (a, b) = (Term::factor("a", &a), Term::factor("b", &b));
            let ab = Term::crossing(&[&a, &b]);
            let table = anova(&y, &[a.clone(), b.clone(), ab.clone()]).unwrap();
            let mean = y.iter().sum::<f64>() / y.len() as f64;
            let total: f64 = y.iter().map(|v| (v - mean).powi(2)).sum();
            let parts = table.rows.iter().map(|r| r.ss).sum::<f64>() + table.residual.ss;
            prop_assert!((total - parts).abs() < 1e-8 * (1.0 + total));
            let df = table.rows.iter().map(|r| r.df).sum::<usize>() + table.residual.df;
            prop_assert_eq!(df, y.len() - 1);

            let strata = anova_in_strata(&y, &[b, ab], &[a]).unwrap();
            let parts: f64 = strata.iter()
                .map(|s| s.table.rows.iter().map(|r| r.ss).sum::<f64>() + s.table.residual.ss)
                .sum();
            prop_assert!((total - parts).abs() < 1e-8 * (1.0 + total));
        }
    }
}
