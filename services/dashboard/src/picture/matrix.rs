//! What meets in rows and columns, a box for each meeting.

use maud::html;

use super::{Fill, Picture, n, paint, shortened, width_of};

/// Height of a row.
const ROW: f64 = 26.0;
/// Most letters of a row's name.
const NAME: usize = 26;

/// One meeting of a row and a column.
pub struct Meeting {
    /// Place of the row, from 0.
    pub row: usize,
    /// Place of the column, from 0.
    pub column: usize,
    /// What is written in the box.
    pub text: String,
    /// What is told when one points at it.
    pub title: String,
    /// How it is filled.
    pub fill: Fill,
}

/// Rows and columns with what meets in them.
pub struct Matrix {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// Names of the rows.
    pub rows: Vec<String>,
    /// Names of the columns.
    pub columns: Vec<String>,
    /// What meets; at most one for each row and column.
    pub meetings: Vec<Meeting>,
    /// What the fills mean.
    pub legend: Vec<(Fill, String)>,
}

impl Matrix {
    /// Draws the boxes.
    pub fn draw(self) -> Picture {
        let names = self
            .rows
            .iter()
            .map(|row| width_of(&shortened(row, NAME)))
            .fold(40.0, f64::max)
            + 22.0;
        let texts = self.meetings.iter().map(|meeting| &meeting.text);
        let width = self
            .columns
            .iter()
            .chain(texts)
            .map(|text| width_of(text))
            .fold(30.0, f64::max)
            + 10.0;
        let top = 26.0;
        let x = |column: usize| names + width * column as f64;
        let y = |row: usize| top + ROW * row as f64;
        let (right, foot) = (x(self.columns.len()), y(self.rows.len()));
        let body = html! {
            @for (place, column) in self.columns.iter().enumerate() {
                text.mid.small x=(n(x(place) + width / 2.0)) y=(n(top - 8.0)) { (column) }
                line.grid x1=(n(x(place))) x2=(n(x(place))) y1=(n(top)) y2=(n(foot)) {}
            }
            @for (place, row) in self.rows.iter().enumerate() {
                text.end x=(n(names - 8.0)) y=(n(y(place) + 17.0)) { (shortened(row, NAME)) }
                line.grid x1=(n(names)) x2=(n(right)) y1=(n(y(place))) y2=(n(y(place))) {}
            }
            @for meeting in &self.meetings {
                @let (left, upper) = (x(meeting.column), y(meeting.row));
                @let half = width_of(&meeting.text) * 0.43 + 1.0;
                rect.edge x=(n(left + 2.0)) y=(n(upper + 2.0)) width=(n(width - 4.0)) height=(n(ROW - 4.0)) fill=(paint(&self.key, meeting.fill)) {
                    title { (meeting.title) }
                }
                rect.plate x=(n(left + width / 2.0 - half)) y=(n(upper + 6.0)) width=(n(half * 2.0)) height=(n(ROW - 12.0)) {}
                text.mid.small x=(n(left + width / 2.0)) y=(n(upper + 17.0)) { (meeting.text) }
            }
        };
        Picture {
            width: right + 8.0,
            height: foot + 8.0,
            body,
            legend: self.legend,
            key: self.key,
            title: self.title,
            description: self.description,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;

    #[test]
    fn each_meeting_is_told_in_its_row_and_column() {
        let picture = Matrix {
            key: "m".into(),
            title: "Licences".into(),
            description: "d.".into(),
            rows: vec!["Velenta".into(), "Osterlind & Co".into()],
            columns: vec!["CL".into(), "US".into()],
            meetings: vec![Meeting {
                row: 1,
                column: 0,
                text: "2".into(),
                title: "two licences".into(),
                fill: Fill::Rising,
            }],
            legend: vec![(Fill::Rising, "exclusive".into())],
        }
        .draw();
        let svg = picture.svg().into_string();
        let texts = texts(&svg);
        for wanted in ["Velenta", "CL", "US", "2", "two licences"] {
            assert!(texts.iter().any(|t| t == wanted), "{wanted} in {texts:?}");
        }
        assert!(picture.width > 0.0 && picture.height > 0.0);
    }
}
