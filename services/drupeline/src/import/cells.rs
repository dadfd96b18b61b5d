//! Reading of a row's cells; every fault is noted with file, row and column.

use std::collections::{BTreeMap, BTreeSet};
use std::str::FromStr;

use jiff::civil::Date;
use uuid::Uuid;

use super::faults::{Faults, RowFault};
use super::form::{FileForm, Kind};
use super::keys;
use super::table::TableRow;

/// Where something of a request stands in the files.
#[derive(Debug, Clone)]
pub struct Origin {
    form: &'static FileForm,
    file: String,
    row: u64,
    /// Fields that stand elsewhere than the form says.
    elsewhere: &'static [(&'static str, &'static str)],
}

impl Origin {
    /// The fault of a field, named by JSON pointer, as a fault of the file.
    pub fn fault(&self, pointer: &str, message: String) -> RowFault {
        let field = pointer
            .trim_start_matches('/')
            .split('/')
            .next()
            .unwrap_or_default();
        let column = self
            .elsewhere
            .iter()
            .find(|(name, _)| *name == field)
            .map(|(_, column)| *column)
            .or_else(|| {
                let known = self
                    .form
                    .columns
                    .iter()
                    .find(|column| column.field == field);
                known
                    .filter(|_| !field.is_empty())
                    .map(|column| column.name)
            })
            .unwrap_or_default();
        RowFault {
            file: self.file.clone(),
            row: self.row,
            further_rows: Vec::new(),
            column: column.to_owned(),
            message,
        }
    }

    /// Name of the file without its ending.
    pub fn form_name(&self) -> &'static str {
        self.form.name
    }

    /// The same row with fields that stand elsewhere than the form says.
    pub fn with(&self, elsewhere: &'static [(&'static str, &'static str)]) -> Self {
        Self {
            elsewhere,
            ..self.clone()
        }
    }
}

/// What references lead to: things of the files and things that the programme has.
#[derive(Debug, Default)]
pub struct Known {
    /// Programme that ids are made for.
    pub programme: String,
    /// Ids of the things defined in the files, by kind and key.
    pub here: BTreeMap<(Kind, String), Uuid>,
    /// Ids of the things found in the programme, by kind and text.
    pub there: BTreeMap<(Kind, String), String>,
    /// Files that are there and cannot be read, by name: what stands in them is not known.
    pub unread: BTreeSet<&'static str>,
}

impl Known {
    /// The key of a text.
    pub fn key(text: &str) -> String {
        text.trim().to_lowercase()
    }

    /// The id that a thing of the files has.
    pub fn own_id(&self, kind: Kind, text: &str) -> String {
        keys::id(&self.programme, kind.word(), &[text]).to_string()
    }

    /// The id of a thing, whether it is in the files or in the programme.
    pub fn find(&self, kind: Kind, text: &str) -> Option<String> {
        let key = (kind, Self::key(text));
        self.here
            .get(&key)
            .map(Uuid::to_string)
            .or_else(|| self.there.get(&key).cloned())
    }
}

/// A row being read.
pub struct Cells<'a> {
    row: TableRow<'a>,
    known: &'a Known,
    faults: &'a mut Faults,
    faults_before: usize,
    /// True when the row cannot be judged before a file that it refers to can be read.
    waits: bool,
    depends: Vec<String>,
}

impl<'a> Cells<'a> {
    /// Begins to read a row.
    pub fn of(row: TableRow<'a>, known: &'a Known, faults: &'a mut Faults) -> Self {
        let faults_before = faults.len();
        Self {
            row,
            known,
            faults,
            faults_before,
            waits: false,
            depends: Vec::new(),
        }
    }

    /// Notes a fault in a column.
    pub fn fault(&mut self, column: &str, message: impl Into<String>) {
        self.faults
            .note(&self.row.table.file, self.row.number, column, message);
    }

    /// Whether the row has had a fault so far, or waits for the mending of another file.
    pub fn is_faulty(&self) -> bool {
        self.faults.len() > self.faults_before || self.row.is_faulty || self.waits
    }

    /// Notes what else the row rests on.
    pub fn rests_on(&mut self, id: String) {
        self.depends.push(id);
    }

    /// Where the row stands.
    pub fn origin(&self) -> Origin {
        Origin {
            form: self.row.table.form,
            file: self.row.table.file.clone(),
            row: self.row.number,
            elsewhere: &[],
        }
    }

    /// Ids that the row refers to.
    pub fn depends(&self) -> Vec<String> {
        self.depends.clone()
    }

    /// An id made from what the row is known by.
    pub fn id(&self, kind: &str, key: &[&str]) -> String {
        keys::id(&self.known.programme, kind, key).to_string()
    }

    fn raw(&mut self, column: &str) -> &'a str {
        let text = self.row.cell(column);
        let known = self
            .row
            .table
            .form
            .columns
            .iter()
            .find(|known| known.name == column);
        debug_assert!(
            known.is_some(),
            "{column} is no column of {}",
            self.row.table.form.name
        );
        if text.is_empty() && known.is_some_and(|column| column.required) && !self.row.is_faulty {
            self.fault(column, "is empty; fill it in");
        }
        text
    }

    /// The text of a column.
    pub fn text(&mut self, column: &str) -> String {
        self.raw(column).to_owned()
    }

    fn parsed<T: FromStr>(&mut self, column: &str, what: &str) -> Option<T> {
        let text = self.raw(column);
        if text.is_empty() {
            return None;
        }
        let value = text.parse().ok();
        if value.is_none() {
            self.fault(column, format!("{text:?} is not {what}"));
        }
        value
    }

    /// A count.
    pub fn count(&mut self, column: &str) -> Option<u32> {
        self.parsed(
            column,
            "a count; write a whole number from 0, as 12, without separators",
        )
    }

    /// A count that is zero when the column is empty.
    pub fn count_or_zero(&mut self, column: &str) -> u32 {
        self.count(column).unwrap_or(0)
    }

    /// A whole number that is zero when the column is empty.
    pub fn whole<T: FromStr + Default>(&mut self, column: &str) -> T {
        self.parsed(column, "a whole number; write it as 7")
            .unwrap_or_default()
    }

    /// A number.
    pub fn number(&mut self, column: &str) -> Option<f64> {
        let number: f64 =
            self.parsed(column, "a number; write it with a decimal point, as 14.2")?;
        if number.is_finite() {
            return Some(number);
        }
        self.fault(column, "is not finite; write a number or leave it empty");
        None
    }

    /// A day as text; empty when the column is.
    pub fn date(&mut self, column: &str) -> String {
        let day: Option<Date> = self.parsed(column, "a day; write it as 2026-02-14");
        day.map(|day| day.to_string()).unwrap_or_default()
    }

    /// yes or no.
    pub fn yes_no(&mut self, column: &str) -> Option<bool> {
        match self.raw(column).to_lowercase().as_str() {
            "" => None,
            "yes" | "true" | "1" => Some(true),
            "no" | "false" | "0" => Some(false),
            other => {
                self.fault(column, format!("{other:?} is neither; write yes or no"));
                None
            }
        }
    }

    /// Texts separated by semicolons.
    pub fn list(&mut self, column: &str) -> Vec<String> {
        let parts = self
            .raw(column)
            .split(';')
            .map(|part| part.trim().to_owned());
        parts.filter(|part| !part.is_empty()).collect()
    }

    /// Pairs as `brix=14.2; flesh_colour=yellow`.
    pub fn pairs(&mut self, column: &str) -> BTreeMap<String, String> {
        let mut pairs = BTreeMap::new();
        for part in self.list(column) {
            match part.split_once('=') {
                Some((name, value)) if !name.trim().is_empty() && !value.trim().is_empty() => {
                    let name = name.trim().to_owned();
                    if pairs
                        .insert(name.clone(), value.trim().to_owned())
                        .is_some()
                    {
                        self.fault(column, format!("{name} is there twice; keep one"));
                    }
                }
                _ => self.fault(
                    column,
                    format!("{part:?} is not a pair; write it as name=value, pairs separated by ;"),
                ),
            }
        }
        pairs
    }

    /// The id that a column leads to; empty when the column is.
    pub fn reference(&mut self, column: &str, kind: Kind) -> String {
        let text = self.raw(column);
        if text.is_empty() {
            return String::new();
        }
        self.lookup(column, &[kind], text)
            .map(|(_, id)| id)
            .unwrap_or_default()
    }

    /// A reference of which one word stands for itself.
    pub fn reference_or(&mut self, column: &str, kind: Kind, word: &str) -> String {
        if self.raw(column).eq_ignore_ascii_case(word) {
            return word.to_owned();
        }
        self.reference(column, kind)
    }

    /// The ids that a column leads to, each with its kind.
    pub fn references(&mut self, column: &str, kinds: &[Kind]) -> Vec<(Kind, String)> {
        let texts = self.list(column);
        texts
            .iter()
            .filter_map(|text| self.lookup(column, kinds, text))
            .collect()
    }

    fn lookup(&mut self, column: &str, kinds: &[Kind], text: &str) -> Option<(Kind, String)> {
        let found = kinds
            .iter()
            .find_map(|kind| self.known.find(*kind, text).map(|id| (*kind, id)));
        if let Some((_, id)) = &found {
            self.depends.push(id.clone());
        } else if kinds
            .iter()
            .any(|kind| self.known.unread.contains(kind.home().0))
        {
            // Told once, of the file that cannot be read.
            self.waits = true;
        } else {
            let places: Vec<String> = kinds
                .iter()
                .map(|kind| {
                    let (file, name) = kind.home();
                    format!(
                        "no {} of that name is in {file} (column {name}) nor in the programme",
                        kind.word()
                    )
                })
                .collect();
            self.fault(
                column,
                format!(
                    "{text:?}: {}; correct it or add it there",
                    places.join(", and ")
                ),
            );
        }
        found
    }
}
