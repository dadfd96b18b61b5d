//! What is wrong in which file, row and column.

use std::fmt;

/// A fault in a file, with what would mend it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct RowFault {
    /// Name of the file, as `passes.csv`.
    pub file: String,
    /// Row as a spreadsheet or an editor shows it, the header being row 1; 0 for the whole file.
    pub row: u64,
    /// Column by its name; empty for the whole row.
    pub column: String,
    /// What is wrong and what would mend it.
    pub message: String,
}

impl fmt::Display for RowFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if self.row > 0 {
            write!(f, " row {}", self.row)?;
        }
        if !self.column.is_empty() {
            write!(f, ", column {}", self.column)?;
        }
        write!(f, ": {}", self.message)
    }
}

/// Collects faults while files are read.
#[derive(Debug, Default)]
pub struct Faults(Vec<RowFault>);

impl Faults {
    /// Notes a fault.
    pub fn note(&mut self, file: &str, row: u64, column: &str, message: impl Into<String>) {
        self.0.push(RowFault {
            file: file.to_owned(),
            row,
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

    /// All faults, by file, row and column, each once.
    pub fn sorted(mut self) -> Vec<RowFault> {
        self.0.sort();
        self.0.dedup();
        self.0
    }
}
