//! A data frame of named columns, each a factor or a number, with missing values explicit.

use std::collections::BTreeSet;
use std::collections::HashMap;

/// What is wrong with a column or with a request for one.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DataError {
    /// A number that is not finite.
    #[error(
        "column `{column}` holds {value} in record {record}; give a finite number or leave it missing"
    )]
    NotFinite {
        /// Name of the column.
        column: String,
        /// Position of the record, from 1.
        record: usize,
        /// The value as text.
        value: String,
    },
    /// A column whose length differs from the frame's.
    #[error(
        "column `{column}` has {found} records where the frame has {expected}; give one value (or missing) per record"
    )]
    Length {
        /// Name of the column.
        column: String,
        /// Records found.
        found: usize,
        /// Records of the frame.
        expected: usize,
    },
    /// A name used twice.
    #[error("column `{0}` is given twice; name every column once")]
    Duplicate(String),
    /// A name that no column bears.
    #[error("there is no column `{name}`; the frame has {known}")]
    Unknown {
        /// The name asked for.
        name: String,
        /// The names there are.
        known: String,
    },
    /// A number where a factor is needed.
    #[error("column `{0}` is numeric where a factor is needed; give it as a factor")]
    NotAFactor(String),
    /// A factor where a number is needed.
    #[error("column `{0}` is a factor where numbers are needed; give it as a numeric column")]
    NotNumeric(String),
}

/// A classifying column: levels in alphabetical order, one code per record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Factor {
    levels: Vec<String>,
    codes: Vec<Option<u32>>,
}

impl Factor {
    /// Builds a factor from one label per record; the levels are the distinct labels in
    /// alphabetical order, so the first is the baseline of treatment contrasts.
    pub fn new<S: AsRef<str>>(labels: impl IntoIterator<Item = Option<S>>) -> Self {
        let labels: Vec<Option<S>> = labels.into_iter().collect();
        let levels: Vec<String> = labels
            .iter()
            .flatten()
            .map(S::as_ref)
            .collect::<BTreeSet<&str>>()
            .into_iter()
            .map(str::to_owned)
            .collect();
        let code: HashMap<&str, u32> = levels
            .iter()
            .enumerate()
            .map(|(k, level)| (level.as_str(), k as u32))
            .collect();
        let codes = labels
            .iter()
            .map(|l| l.as_ref().map(|l| code[l.as_ref()]))
            .collect();
        Self { levels, codes }
    }

    /// The levels, in alphabetical order.
    #[must_use]
    pub fn levels(&self) -> &[String] {
        &self.levels
    }

    /// One code (index into [`Factor::levels`]) per record, or missing.
    #[must_use]
    pub fn codes(&self) -> &[Option<u32>] {
        &self.codes
    }
}

/// One column of a [`Frame`].
#[derive(Debug, Clone, PartialEq)]
pub enum Column {
    /// A classification.
    Factor(Factor),
    /// Finite numbers, or missing.
    Numeric(Vec<Option<f64>>),
}

impl Column {
    fn len(&self) -> usize {
        match self {
            Self::Factor(factor) => factor.codes.len(),
            Self::Numeric(values) => values.len(),
        }
    }

    /// Whether the record has a value.
    #[must_use]
    pub fn is_present(&self, record: usize) -> bool {
        match self {
            Self::Factor(factor) => factor.codes[record].is_some(),
            Self::Numeric(values) => values[record].is_some(),
        }
    }
}

/// Named columns of equal length: one row per record (plot, tree or picking).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Frame {
    columns: Vec<(String, Column)>,
}

impl Frame {
    /// An empty frame.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Number of records.
    #[must_use]
    pub fn n_records(&self) -> usize {
        self.columns.first().map_or(0, |(_, column)| column.len())
    }

    /// Names of the columns, in the order given.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.columns.iter().map(|(name, _)| name.as_str())
    }

    /// Adds a factor, one label per record.
    ///
    /// # Errors
    /// A name used before, or a length that differs from the other columns.
    pub fn with_factor<S: AsRef<str>>(
        self,
        name: &str,
        labels: impl IntoIterator<Item = Option<S>>,
    ) -> Result<Self, DataError> {
        self.with(name, Column::Factor(Factor::new(labels)))
    }

    /// Adds a numeric column, one value per record.
    ///
    /// # Errors
    /// NaN or an infinity, a name used before, or a length that differs from the other columns.
    pub fn with_numeric(
        self,
        name: &str,
        values: impl IntoIterator<Item = Option<f64>>,
    ) -> Result<Self, DataError> {
        let values: Vec<Option<f64>> = values.into_iter().collect();
        if let Some((record, value)) = values
            .iter()
            .enumerate()
            .find_map(|(k, v)| v.filter(|v| !v.is_finite()).map(|v| (k, v)))
        {
            return Err(DataError::NotFinite {
                column: name.to_owned(),
                record: record + 1,
                value: value.to_string(),
            });
        }
        self.with(name, Column::Numeric(values))
    }

    fn with(mut self, name: &str, column: Column) -> Result<Self, DataError> {
        if self.names().any(|known| known == name) {
            return Err(DataError::Duplicate(name.to_owned()));
        }
        if !self.columns.is_empty() && column.len() != self.n_records() {
            return Err(DataError::Length {
                column: name.to_owned(),
                found: column.len(),
                expected: self.n_records(),
            });
        }
        self.columns.push((name.to_owned(), column));
        Ok(self)
    }

    /// The records at the given positions, with all levels of the factors.
    pub(crate) fn subset(&self, records: &[usize]) -> Self {
        let column = |column: &Column| match column {
            Column::Factor(f) => Column::Factor(Factor {
                levels: f.levels.clone(),
                codes: records.iter().map(|&k| f.codes[k]).collect(),
            }),
            Column::Numeric(values) => {
                Column::Numeric(records.iter().map(|&k| values[k]).collect())
            }
        };
        Self {
            columns: self
                .columns
                .iter()
                .map(|(name, c)| (name.clone(), column(c)))
                .collect(),
        }
    }

    /// The frame with one column put in another's place.
    pub(crate) fn with_replaced(mut self, name: &str, column: Column) -> Self {
        for (known, old) in &mut self.columns {
            if known == name {
                *old = column;
                break;
            }
        }
        self
    }

    /// The column of that name.
    ///
    /// # Errors
    /// No such column.
    pub fn column(&self, name: &str) -> Result<&Column, DataError> {
        self.columns
            .iter()
            .find(|(known, _)| known == name)
            .map(|(_, column)| column)
            .ok_or_else(|| DataError::Unknown {
                name: name.to_owned(),
                known: self
                    .names()
                    .map(|n| format!("`{n}`"))
                    .collect::<Vec<_>>()
                    .join(", "),
            })
    }

    /// The factor of that name.
    ///
    /// # Errors
    /// No such column, or a numeric one.
    pub fn factor(&self, name: &str) -> Result<&Factor, DataError> {
        match self.column(name)? {
            Column::Factor(factor) => Ok(factor),
            Column::Numeric(_) => Err(DataError::NotAFactor(name.to_owned())),
        }
    }

    /// The numeric column of that name.
    ///
    /// # Errors
    /// No such column, or a factor.
    pub fn numeric(&self, name: &str) -> Result<&[Option<f64>], DataError> {
        match self.column(name)? {
            Column::Numeric(values) => Ok(values),
            Column::Factor(_) => Err(DataError::NotNumeric(name.to_owned())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_are_alphabetical_and_none_is_a_level_like_any_other() {
        let frame = Frame::new()
            .with_factor("spray", [Some("None"), Some("Copper"), None, Some("None")])
            .unwrap();
        let factor = frame.factor("spray").unwrap();
        assert_eq!(factor.levels(), ["Copper", "None"]);
        assert_eq!(factor.codes(), [Some(1), Some(0), None, Some(1)]);
    }

    #[test]
    fn bad_columns_are_named() {
        let frame = Frame::new()
            .with_numeric("brix", [Some(12.0), None])
            .unwrap();
        let nan = frame
            .clone()
            .with_numeric("acid", [Some(1.0), Some(f64::NAN)])
            .unwrap_err();
        assert!(
            nan.to_string().contains("`acid` holds NaN in record 2"),
            "{nan}"
        );
        assert!(matches!(
            frame.clone().with_numeric("acid", [Some(1.0)]),
            Err(DataError::Length {
                found: 1,
                expected: 2,
                ..
            })
        ));
        assert!(matches!(
            frame.factor("brix"),
            Err(DataError::NotAFactor(_))
        ));
        assert!(matches!(
            frame.column("size"),
            Err(DataError::Unknown { .. })
        ));
    }
}
