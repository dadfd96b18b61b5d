//! Paper: pages in millimetres with text, lines and QR codes, written as PDF.

use std::io::Write as _;

use flate2::Compression;
use flate2::write::ZlibEncoder;
use pdf_writer::{Content, Filter, Finish as _, Name, Pdf, Rect, Ref, Str};
use qrcode::{Color, EcLevel, QrCode};

const POINTS_PER_MM: f32 = 72.0 / 25.4;
const PLAIN: Name<'static> = Name(b"P");
const BOLD: Name<'static> = Name(b"B");

/// Size of a page, millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PageSize {
    /// Width.
    pub width_mm: f32,
    /// Height.
    pub height_mm: f32,
}

impl PageSize {
    /// ISO 216 A4.
    pub const A4: Self = Self {
        width_mm: 210.0,
        height_mm: 297.0,
    };
    /// US letter.
    pub const LETTER: Self = Self {
        width_mm: 215.9,
        height_mm: 279.4,
    };

    /// Reads `a4`, `letter` or a size as `54x25`; empty is A4.
    pub fn parse(text: &str) -> Option<Self> {
        match text.trim().to_ascii_lowercase().as_str() {
            "" | "a4" => Some(Self::A4),
            "letter" => Some(Self::LETTER),
            size => {
                let (width, height) = size.split_once(['x', '×'])?;
                let side = |text: &str| {
                    text.trim()
                        .parse::<f32>()
                        .ok()
                        .filter(|side| (10.0..=1000.0).contains(side))
                };
                Some(Self {
                    width_mm: side(width)?,
                    height_mm: side(height)?,
                })
            }
        }
    }
}

/// A document in the making; places are measured in millimetres from the top left of the page.
pub struct Paper {
    pdf: Pdf,
    size: PageSize,
    content: Content,
    begun: bool,
    pages: Vec<Ref>,
    next_ref: i32,
}

const CATALOGUE: Ref = Ref::new(1);
const PAGE_TREE: Ref = Ref::new(2);
const PLAIN_FONT: Ref = Ref::new(3);
const BOLD_FONT: Ref = Ref::new(4);

impl Paper {
    /// A document with its first page begun.
    pub fn new(size: PageSize) -> Self {
        Self {
            pdf: Pdf::new(),
            size,
            content: Content::new(),
            begun: true,
            pages: Vec::new(),
            next_ref: 5,
        }
    }

    fn reference(&mut self) -> Ref {
        self.next_ref += 1;
        Ref::new(self.next_ref - 1)
    }

    fn x(&self, mm: f32) -> f32 {
        mm * POINTS_PER_MM
    }

    fn y(&self, mm: f32) -> f32 {
        (self.size.height_mm - mm) * POINTS_PER_MM
    }

    /// Size of its pages.
    pub fn size(&self) -> PageSize {
        self.size
    }

    /// Ends the page and begins another.
    pub fn turn(&mut self) {
        self.end_page();
        self.begun = true;
    }

    /// A line of text; its base line stands at `y_mm`.
    pub fn text(&mut self, x_mm: f32, y_mm: f32, size_pt: f32, bold: bool, text: &str) {
        let (x, y) = (self.x(x_mm), self.y(y_mm));
        let bytes: Vec<u8> = text.chars().map(win_ansi).collect();
        self.content.begin_text();
        self.content
            .set_font(if bold { BOLD } else { PLAIN }, size_pt);
        self.content.next_line(x, y);
        self.content.show(Str(&bytes));
        self.content.end_text();
    }

    /// A thin horizontal line.
    pub fn rule(&mut self, x_mm: f32, y_mm: f32, width_mm: f32) {
        let (x, y, end) = (self.x(x_mm), self.y(y_mm), self.x(x_mm + width_mm));
        self.content.set_line_width(0.4);
        self.content.move_to(x, y);
        self.content.line_to(end, y);
        self.content.stroke();
    }

    /// A small open square to tick.
    pub fn tick_box(&mut self, x_mm: f32, y_mm: f32, side_mm: f32) {
        let (x, y) = (self.x(x_mm), self.y(y_mm));
        self.content.set_line_width(0.4);
        self.content
            .rect(x, y, side_mm * POINTS_PER_MM, side_mm * POINTS_PER_MM);
        self.content.stroke();
    }

    /// A QR code as filled rectangles, its quiet zone included in the side.
    ///
    /// # Errors
    /// The text is too long for a QR code.
    pub fn qr(
        &mut self,
        left_mm: f32,
        top_mm: f32,
        side_mm: f32,
        text: &str,
    ) -> Result<(), qrcode::types::QrError> {
        // The alphanumeric mode of capitals, digits and hyphens keeps the code small.
        let code = QrCode::with_error_correction_level(text, EcLevel::M)?;
        let width = code.width();
        let colors = code.to_colors();
        let quiet = 2.0;
        let module_mm = side_mm / (width as f32 + 2.0 * quiet);
        let scale = module_mm * POINTS_PER_MM;
        let (left, bottom) = (
            self.x(left_mm + quiet * module_mm),
            self.y(top_mm + side_mm - quiet * module_mm),
        );
        self.content.save_state();
        self.content
            .transform([scale, 0.0, 0.0, scale, left, bottom]);
        for (row, modules) in colors.chunks(width).enumerate() {
            let up = (width - 1 - row) as f32;
            let mut at = 0;
            while at < width {
                let run = modules[at..]
                    .iter()
                    .take_while(|color| **color == Color::Dark)
                    .count();
                if run > 0 {
                    self.content.rect(at as f32, up, run as f32, 1.0);
                }
                at += run.max(1);
            }
        }
        self.content.fill_nonzero();
        self.content.restore_state();
        Ok(())
    }

    /// Ends the page and puts as many more like it behind it as make `pages_n`: what stands on them
    /// is drawn and kept once.
    pub fn copy(&mut self, pages_n: usize) {
        let content_ref = self.end_page();
        for _ in 1..pages_n {
            self.page_of(content_ref);
        }
    }

    /// A page that shows a content.
    fn page_of(&mut self, content_ref: Ref) {
        let page_ref = self.reference();
        let mut page = self.pdf.page(page_ref);
        page.media_box(Rect::new(
            0.0,
            0.0,
            self.size.width_mm * POINTS_PER_MM,
            self.size.height_mm * POINTS_PER_MM,
        ));
        page.parent(PAGE_TREE).contents(content_ref);
        let mut resources = page.resources();
        resources
            .fonts()
            .pair(PLAIN, PLAIN_FONT)
            .pair(BOLD, BOLD_FONT);
        resources.finish();
        page.finish();
        self.pages.push(page_ref);
    }

    fn end_page(&mut self) -> Ref {
        let content = std::mem::replace(&mut self.content, Content::new()).finish();
        let content_ref = self.reference();
        self.page_of(content_ref);
        let mut deflated = ZlibEncoder::new(Vec::new(), Compression::fast());
        // Writing into memory does not fail; were it to, the plain content stands in.
        let packed = deflated
            .write_all(&content)
            .and_then(|()| deflated.finish());
        match packed {
            Ok(bytes) => {
                self.pdf
                    .stream(content_ref, &bytes)
                    .filter(Filter::FlateDecode);
            }
            Err(_) => {
                self.pdf.stream(content_ref, &content);
            }
        }
        self.begun = false;
        content_ref
    }

    /// The finished document.
    pub fn finish(mut self) -> Vec<u8> {
        if self.begun {
            self.end_page();
        }
        self.pdf.catalog(CATALOGUE).pages(PAGE_TREE);
        let count = i32::try_from(self.pages.len()).unwrap_or(i32::MAX);
        self.pdf
            .pages(PAGE_TREE)
            .kids(self.pages.iter().copied())
            .count(count);
        for (reference, name) in [
            (PLAIN_FONT, b"Helvetica".as_slice()),
            (BOLD_FONT, b"Helvetica-Bold"),
        ] {
            self.pdf
                .type1_font(reference)
                .base_font(Name(name))
                .encoding_predefined(Name(b"WinAnsiEncoding"));
        }
        self.pdf.finish()
    }
}

/// The byte of a character in the encoding of the standard fonts; a question mark for others.
fn win_ansi(character: char) -> u8 {
    match character {
        '\u{20}'..='\u{7e}' | '\u{a0}'..='\u{ff}' => character as u32 as u8,
        '–' => 0x96,
        '—' => 0x97,
        '‘' => 0x91,
        '’' => 0x92,
        '“' => 0x93,
        '”' => 0x94,
        '…' => 0x85,
        '•' => 0x95,
        _ => b'?',
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn page_sizes_are_read() {
        assert_eq!(PageSize::parse(""), Some(PageSize::A4));
        assert_eq!(PageSize::parse("Letter"), Some(PageSize::LETTER));
        assert_eq!(
            PageSize::parse("54x25"),
            Some(PageSize {
                width_mm: 54.0,
                height_mm: 25.0
            })
        );
        assert_eq!(PageSize::parse("54"), None);
        assert_eq!(PageSize::parse("5400x25"), None);
    }

    #[test]
    fn pages_are_counted() {
        let mut paper = Paper::new(PageSize::A4);
        paper.text(10.0, 10.0, 9.0, true, "26-0412-037");
        paper.turn();
        paper.qr(10.0, 10.0, 20.0, "26-0412-037-K").unwrap();
        let document = paper.finish();
        let text = String::from_utf8_lossy(&document);
        assert!(text.starts_with("%PDF-"));
        assert!(text.contains("/Count 2"));
    }
}
