//! The layout of a site as an SVG map: a square for each tree, states told by hatching and words.

use std::fmt::Write as _;

/// A tree on the map.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Square {
    /// Row, from 1.
    pub row: u32,
    /// Place in the row, from 1.
    pub column: u32,
    /// Number of the tree.
    pub number: String,
    /// What stands there.
    pub label: String,
    /// What it stands on; empty for own-root.
    pub rootstock: String,
    /// Incomplete block.
    pub block: u32,
    /// Whether it is a check.
    pub is_check: bool,
    /// Whether it still stands.
    pub stands: bool,
}

const WIDTH: u32 = 92;
const HEIGHT: u32 = 44;
const LEFT: u32 = 40;
const TOP: u32 = 64;

/// The last line of a square: its block, and what it stands on.
fn below(square: &Square) -> String {
    match square.rootstock.as_str() {
        "" => format!("block {}", square.block),
        name => format!("block {}, {name}", square.block),
    }
}

/// Draws a site's map; black on white, so that it prints.
pub fn draw(title: &str, squares: &[Square]) -> String {
    let rows = squares.iter().map(|s| s.row).max().unwrap_or(1);
    let columns = squares.iter().map(|s| s.column).max().unwrap_or(1);
    let (width, height) = (LEFT + columns * WIDTH + 8, TOP + rows * HEIGHT + 8);
    let title = escaped(title);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" width=\"{width}\" height=\"{height}\" \
         viewBox=\"0 0 {width} {height}\" font-family=\"sans-serif\">\
         <title>{title}</title>\
         <desc>Each square is a tree with its number, what stands there and its block. Hatched \
         squares are check varieties; crossed ones stand no more.</desc>\
         <defs><pattern id=\"check\" width=\"8\" height=\"8\" patternUnits=\"userSpaceOnUse\">\
         <path d=\"M-2,2 L2,-2 M0,8 L8,0 M6,10 L10,6\" stroke=\"#999\" stroke-width=\"1\"/></pattern></defs>\
         <rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\
         <text x=\"8\" y=\"20\" font-size=\"15\">{title}</text>\
         <text x=\"8\" y=\"38\" font-size=\"11\">Hatched: check variety. Crossed out: stands no more.</text>"
    );
    for column in 1..=columns {
        let x = LEFT + (column - 1) * WIDTH + WIDTH / 2;
        let _ = write!(
            svg,
            "<text x=\"{x}\" y=\"{}\" font-size=\"10\" text-anchor=\"middle\">{column}</text>",
            TOP - 5
        );
    }
    for row in 1..=rows {
        let y = TOP + (row - 1) * HEIGHT + HEIGHT / 2 + 4;
        let _ = write!(
            svg,
            "<text x=\"{}\" y=\"{y}\" font-size=\"10\" text-anchor=\"end\">{row}</text>",
            LEFT - 6
        );
    }
    for square in squares {
        let (x, y) = (
            LEFT + (square.column - 1) * WIDTH,
            TOP + (square.row - 1) * HEIGHT,
        );
        let fill = if square.is_check {
            "url(#check)"
        } else {
            "none"
        };
        let _ = write!(
            svg,
            "<g><title>{number}, {label}{rootstock}, row {}, place {}, block {}</title>\
             <rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{fill}\" stroke=\"#000\"/>",
            square.row,
            square.column,
            square.block,
            x + 1,
            y + 1,
            WIDTH - 2,
            HEIGHT - 2,
            number = escaped(&square.number),
            label = escaped(&square.label),
            rootstock = match square.rootstock.as_str() {
                "" => String::new(),
                name => format!(" on {}", escaped(name)),
            },
        );
        for (line, text) in [&square.number, &square.label].into_iter().enumerate() {
            let _ = write!(
                svg,
                "<text x=\"{}\" y=\"{}\" font-size=\"9\" text-anchor=\"middle\" \
                 stroke=\"#fff\" stroke-width=\"3\" paint-order=\"stroke\">{}</text>",
                x + WIDTH / 2,
                y + 14 + 11 * line as u32,
                escaped(&shortened(text)),
            );
        }
        let _ = write!(
            svg,
            "<text x=\"{}\" y=\"{}\" font-size=\"8\" text-anchor=\"middle\">{}</text>",
            x + WIDTH / 2,
            y + HEIGHT - 5,
            escaped(&shortened(&below(square))),
        );
        if !square.stands {
            let _ = write!(
                svg,
                "<path d=\"M{x1},{y1} L{x2},{y2} M{x1},{y2} L{x2},{y1}\" stroke=\"#000\"/>",
                x1 = x + 1,
                y1 = y + 1,
                x2 = x + WIDTH - 1,
                y2 = y + HEIGHT - 1,
            );
        }
        svg.push_str("</g>");
    }
    svg.push_str("</svg>\n");
    svg
}

/// As much of a text as a square has room for.
fn shortened(text: &str) -> String {
    const ROOM: usize = 17;
    if text.chars().count() <= ROOM {
        return text.to_owned();
    }
    let kept: String = text.chars().take(ROOM - 1).collect();
    format!("{}…", kept.trim_end())
}

fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            // Not allowed in XML, however written.
            c if c.is_control() => {}
            c => safe.push(c),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_tree_is_drawn_with_its_state() {
        let square = |column, is_check, stands| Square {
            row: 1,
            column,
            number: format!("T26-001-0000{column}-K"),
            label: "Plum & <Cherry> of the long name".to_owned(),
            rootstock: if is_check { "" } else { "Dwarf & 1" }.to_owned(),
            block: 2,
            is_check,
            stands,
        };
        let svg = draw(
            "Trial \"A\"",
            &[square(1, true, true), square(2, false, false)],
        );
        assert_eq!(svg.matches("<g>").count(), 2);
        assert_eq!(svg.matches("url(#check)").count(), 1);
        assert_eq!(
            svg.matches("stroke=\"#000\"/></g>").count(),
            1,
            "one is crossed out: {svg}"
        );
        assert!(svg.contains("Plum &amp; &lt;Cherry&gt;") && svg.contains("Trial &quot;A&quot;"));
        assert!(!svg.contains("<Cherry>"));
        assert!(
            svg.contains("name on Dwarf &amp; 1, row 1") && svg.contains("block 2, Dwarf &amp;")
        );
        assert!(svg.contains("name, row 1") && svg.contains(">block 2</text>"));
    }
}
