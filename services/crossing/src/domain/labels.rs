//! Sheets of labels: a QR code and the readable number with its check character.

use paper::{PageSize, Paper};

/// Most labels in one document.
pub const MOST_LABELS: usize = 60_000;

/// What one label says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Label {
    /// The number with its check character, which the code holds as well.
    pub checked_number: String,
    /// Lines below it.
    pub lines: Vec<String>,
}

/// How labels lie on a page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sheet {
    /// The page.
    pub page: PageSize,
    /// Labels across.
    pub columns: u32,
    /// Labels down.
    pub rows: u32,
    /// Margin on every side.
    pub margin_mm: f32,
    /// Labels on the first page that are used up.
    pub skip: u32,
}

/// Smallest label that a reader and a person can still read.
pub const LEAST_WIDTH_MM: f32 = 20.0;
/// Smallest height of the same.
pub const LEAST_HEIGHT_MM: f32 = 8.0;

impl Sheet {
    /// Width and height of a label.
    pub fn label_mm(&self) -> (f32, f32) {
        (
            (self.page.width_mm - 2.0 * self.margin_mm) / self.columns as f32,
            (self.page.height_mm - 2.0 * self.margin_mm) / self.rows as f32,
        )
    }

    /// The labels as PDF.
    ///
    /// # Errors
    /// A number that is too long for a QR code.
    pub fn print<'a>(
        &self,
        labels: impl IntoIterator<Item = &'a Label>,
    ) -> Result<Vec<u8>, qrcode::types::QrError> {
        let mut paper = Paper::new(self.page);
        let (width, height) = self.label_mm();
        let per_page = (self.columns * self.rows) as usize;
        let padding = (height * 0.06).clamp(0.4, 2.0);
        for (index, label) in labels.into_iter().enumerate() {
            let place = index + self.skip as usize;
            if index > 0 && place.is_multiple_of(per_page) {
                paper.turn();
            }
            let on_page = place % per_page;
            let (column, row) = (on_page as u32 % self.columns, on_page as u32 / self.columns);
            let left = self.margin_mm + column as f32 * width;
            let top = self.margin_mm + row as f32 * height;
            let side = (height - 2.0 * padding).min(width * 0.42);
            let code_top = top + (height - side) / 2.0;
            paper.qr(left + padding, code_top, side, &label.checked_number)?;
            let text_left = left + padding + side + padding;
            let text_width = (width - side - 3.0 * padding).max(1.0);
            // A bold figure of Helvetica is about 0.56 of its size wide.
            let characters = label.checked_number.chars().count().max(1) as f32;
            let number_pt = fit(text_width, characters * 0.58, (height * 0.9).min(13.0));
            let mut baseline = top + padding + number_pt * 0.36 + height * 0.08;
            paper.text(text_left, baseline, number_pt, true, &label.checked_number);
            for line in &label.lines {
                let characters = line.chars().count().max(1) as f32;
                let line_pt = fit(text_width, characters * 0.5, number_pt * 0.72);
                baseline += line_pt * 0.45 + 0.3;
                if baseline > top + height - padding * 0.5 {
                    break;
                }
                paper.text(text_left, baseline, line_pt, false, line);
            }
        }
        Ok(paper.finish())
    }
}

/// Largest size in points, up to `most_pt`, at which a text of a width in ems fits, 3 at least.
fn fit(width_mm: f32, ems: f32, most_pt: f32) -> f32 {
    (width_mm * 72.0 / 25.4 / ems).min(most_pt).max(3.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(n: usize) -> Vec<Label> {
        (0..n)
            .map(|i| Label {
                checked_number: super::super::numbers::checked(&format!("26-0412-{:03}", i + 1)),
                lines: vec!["Amber Dawn × Late Ivory".into(), "B2 row 3 place 14".into()],
            })
            .collect()
    }

    fn sheet(skip: u32) -> Sheet {
        Sheet {
            page: PageSize::A4,
            columns: 3,
            rows: 8,
            margin_mm: 8.0,
            skip,
        }
    }

    fn pages(document: &[u8]) -> String {
        let text = String::from_utf8_lossy(document).into_owned();
        let at = text.find("/Count ").expect("a page tree");
        text[at + 7..]
            .chars()
            .take_while(char::is_ascii_digit)
            .collect()
    }

    #[test]
    fn labels_fill_pages() {
        assert_eq!(pages(&sheet(0).print(&labels(24)).unwrap()), "1");
        assert_eq!(pages(&sheet(0).print(&labels(25)).unwrap()), "2");
        assert_eq!(pages(&sheet(1).print(&labels(24)).unwrap()), "2");
    }

    #[test]
    fn a_single_label_has_a_page_of_its_own() {
        let single = Sheet {
            page: PageSize {
                width_mm: 54.0,
                height_mm: 25.0,
            },
            columns: 1,
            rows: 1,
            margin_mm: 1.0,
            skip: 0,
        };
        assert_eq!(pages(&single.print(&labels(3)).unwrap()), "3");
    }
}
