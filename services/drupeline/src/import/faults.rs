//! What is wrong in which file, row and column.

use std::fmt;

/// A fault in a file, with what would mend it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct RowFault {
    /// Name of the file, as `passes.csv`.
    pub file: String,
    /// Row as a spreadsheet or an editor shows it, the header being row 1; 0 for the whole file.
    pub row: u64,
    /// Further rows with the same fault, for one and the same cause.
    pub further_rows: Vec<u64>,
    /// Column by its name; empty for the whole row.
    pub column: String,
    /// What is wrong and what would mend it.
    pub message: String,
}

impl fmt::Display for RowFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if self.row > 0 && self.further_rows.is_empty() {
            write!(f, " row {}", self.row)?;
        }
        if let Some((last, others)) = self.further_rows.split_last() {
            write!(f, " rows {}", self.row)?;
            for row in others.iter().take(MOST_ROWS) {
                write!(f, ", {row}")?;
            }
            match others.len().saturating_sub(MOST_ROWS) {
                0 => write!(f, " and {last}")?,
                more => write!(f, " and {} more up to {last}", more + 1)?,
            }
        }
        if !self.column.is_empty() {
            write!(f, ", column {}", self.column)?;
        }
        write!(f, ": {}", self.message)
    }
}

/// Most rows of one fault that are listed.
const MOST_ROWS: usize = 10;

/// Collects faults while files are read.
#[derive(Debug, Default)]
pub struct Faults(Vec<RowFault>);

impl Faults {
    /// Notes a fault.
    pub fn note(&mut self, file: &str, row: u64, column: &str, message: impl Into<String>) {
        self.0.push(RowFault {
            file: file.to_owned(),
            row,
            further_rows: Vec::new(),
            column: column.to_owned(),
            message: message.into(),
        });
    }

    /// Notes a fault found elsewhere.
    pub fn push(&mut self, fault: RowFault) {
        self.0.push(fault);
    }

    /// How many were noted.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// True when none was noted.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// All faults, by file, row and column; what is the same in many rows is told once.
    pub fn sorted(mut self) -> Vec<RowFault> {
        let cause = |fault: &RowFault| {
            (
                fault.file.clone(),
                fault.column.clone(),
                fault.message.clone(),
            )
        };
        self.0.sort_by_cached_key(|fault| (cause(fault), fault.row));
        self.0.dedup_by(|later, first| {
            let same = cause(later) == cause(first);
            let last = first.further_rows.last().copied().unwrap_or(first.row);
            if same && later.row != last {
                first.further_rows.push(later.row);
            }
            same
        });
        self.0.sort();
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_cause_is_told_once_with_the_rows_it_touches() {
        let mut faults = Faults::default();
        for row in (2..30).rev() {
            faults.note("crosses.csv", row, "seed_parent", "no variety of that name");
        }
        faults.note("crosses.csv", 7, "season", "is not a year");
        faults.note("crosses.csv", 7, "season", "is not a year");
        let told: Vec<String> = faults.sorted().iter().map(ToString::to_string).collect();
        assert_eq!(
            told,
            [
                "crosses.csv rows 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12 and 17 more up to 29, column seed_parent: no variety of that name",
                "crosses.csv row 7, column season: is not a year",
            ]
        );
    }
}
