//! Tags for trees, as PDF: what the law asks to be said, and a code under which anyone can ask.

use paper::{PageSize, Paper};

/// Size of a tag when none is asked for.
pub const SIZE: PageSize = PageSize {
    width_mm: 90.0,
    height_mm: 40.0,
};
/// Least width on which all of it can be read.
pub const LEAST_WIDTH_MM: f32 = 60.0;
/// Least height of the same.
pub const LEAST_HEIGHT_MM: f32 = 25.0;

const MARGIN_MM: f32 = 3.0;
/// Width of a letter beside its height, on the wide side, so that no line runs off the tag.
const LETTER_WIDTH: f32 = 0.56;
const MM_PER_POINT: f32 = 25.4 / 72.0;

/// What a tag says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tag {
    /// The denomination; a trade designation has no place beside it here.
    pub denomination: String,
    /// Latin name.
    pub species: String,
    /// What the law asks to be said.
    pub markings: Vec<String>,
    /// The licensed nursery.
    pub licensee: String,
    /// The page under which anyone can ask.
    pub url: String,
}

/// Tags, one to a page.
///
/// # Errors
/// An address too long for a QR code.
pub fn print(size: PageSize, tag: &Tag, tags_n: i32) -> Result<Vec<u8>, qrcode::types::QrError> {
    let mut paper = Paper::new(size);
    let side_mm = (size.height_mm - 2.0 * MARGIN_MM).min(size.width_mm * 0.4);
    let left_mm = MARGIN_MM + side_mm + 2.0;
    let width_mm = size.width_mm - left_mm - MARGIN_MM;
    paper.qr(MARGIN_MM, MARGIN_MM, side_mm, &tag.url)?;
    let mut at_mm = MARGIN_MM;
    let mut lines = |paper: &mut Paper, size_pt: f32, bold: bool, text: &str| {
        let letter_mm = size_pt * MM_PER_POINT * LETTER_WIDTH;
        for line in broken(text, (width_mm / letter_mm) as usize) {
            at_mm += size_pt * MM_PER_POINT * 1.2;
            if at_mm <= size.height_mm - 1.0 {
                paper.text(left_mm, at_mm, size_pt, bold, &line);
            }
        }
    };
    lines(&mut paper, 12.0, true, &format!("‘{}’", tag.denomination));
    lines(&mut paper, 7.0, false, &tag.species);
    for marking in &tag.markings {
        lines(&mut paper, 7.0, true, marking);
    }
    lines(
        &mut paper,
        6.0,
        false,
        &format!("Propagated by {}", tag.licensee),
    );
    lines(
        &mut paper,
        5.0,
        false,
        "Scan to see whether it is protected and licensed as of today.",
    );
    paper.copy(usize::try_from(tags_n).unwrap_or(1));
    Ok(paper.finish())
}

/// A text in lines of at most so many characters, broken at spaces where there are any.
fn broken(text: &str, most: usize) -> Vec<String> {
    let most = most.max(4);
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let mut rest: Vec<char> = word.chars().collect();
        while !rest.is_empty() {
            let space = usize::from(!line.is_empty());
            let free = most.saturating_sub(line.chars().count() + space);
            if rest.len() <= free || (line.is_empty() && free > 0) {
                if space == 1 {
                    line.push(' ');
                }
                let taken = rest.len().min(free);
                line.extend(rest.drain(..taken));
            } else {
                lines.push(std::mem::take(&mut line));
            }
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn lines_are_broken_at_spaces() {
        assert_eq!(
            broken("‘Velenta’ U.S. plant patent pending", 16),
            ["‘Velenta’ U.S.", "plant patent", "pending"]
        );
        assert_eq!(broken("unbreakable", 6), ["unbrea", "kable"]);
    }

    #[test]
    fn there_is_a_page_for_each_tag() {
        let tag = Tag {
            denomination: "Velenta".to_owned(),
            species: "Prunus persica".to_owned(),
            markings: vec!["‘Velenta’ U.S. plant patent pending".to_owned()],
            licensee: "Nursery A".to_owned(),
            url: format!("https://example.org/labels/{}", "A".repeat(67)),
        };
        let document = print(SIZE, &tag, 3).unwrap();
        assert!(String::from_utf8_lossy(&document).contains("/Count 3"));
    }

    proptest! {
        #[test]
        fn nothing_is_lost_and_no_line_is_too_long(text in "[a-z ]{0,80}", most in 4usize..30) {
            let lines = broken(&text, most);
            prop_assert!(lines.iter().all(|line| line.chars().count() <= most && !line.is_empty()));
            let letters = |text: &str| text.chars().filter(|c| *c != ' ').collect::<String>();
            prop_assert_eq!(letters(&lines.concat()), letters(&text));
        }
    }
}
