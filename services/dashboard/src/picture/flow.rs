//! Flow between stages in a row: forward along it, out beneath it, back above it.

use maud::{Markup, html};

use super::{Fill, Picture, n, paint};
use crate::words;

const BOX: (f64, f64) = (104.0, 46.0);
const GAP: f64 = 74.0;
const LEFT: f64 = 8.0;
const ROW_Y: f64 = 64.0;
const OUT_Y: f64 = 196.0;
/// Widest band.
const BAND: f64 = 26.0;

/// A stage in the row.
pub struct FlowStage {
    /// Its name.
    pub name: String,
    /// How many stand there.
    pub standing: u32,
    /// How it is filled.
    pub fill: Fill,
    /// How many went on to the next.
    pub on: u32,
    /// How many came back from the next.
    pub back: u32,
    /// How many went out.
    pub out: u32,
    /// How many were taken back in.
    pub back_in: u32,
}

/// Stages in a row with what flowed between them.
pub struct Flow {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// The stages in order.
    pub stages: Vec<FlowStage>,
    /// Name of being out, and how many are.
    pub out: (String, u32),
}

impl Flow {
    /// Draws the row.
    pub fn draw(self) -> Picture {
        let most = self
            .stages
            .iter()
            .flat_map(|s| [s.on, s.out])
            .max()
            .unwrap_or(0)
            .max(1);
        let band = |count: u32| 2.0 + (BAND - 2.0) * f64::from(count) / f64::from(most);
        let x_of = |index: usize| LEFT + index as f64 * (BOX.0 + GAP);
        let width = x_of(self.stages.len()) - GAP + LEFT;
        let middle = ROW_Y + BOX.1 / 2.0;
        let arrow = |x: f64, y: f64, direction: &str| -> Markup {
            let d = match direction {
                "right" => format!("M{},{} l-8,-5 l0,10 z", n(x), n(y)),
                "down" => format!("M{},{} l-5,-8 l10,0 z", n(x), n(y)),
                _ => format!("M{},{} l8,-5 l0,10 z", n(x), n(y)),
            };
            html! { path.ink d=(d) {} }
        };
        let body = html! {
            @for (index, stage) in self.stages.iter().enumerate() {
                @let x = x_of(index);
                @let last = index + 1 == self.stages.len();
                @if !last && stage.on > 0 {
                    @let half = band(stage.on) / 2.0;
                    rect.flow x=(n(x + BOX.0)) y=(n(middle - half)) width=(n(GAP - 8.0)) height=(n(half * 2.0)) {
                        title { (stage.name) " to the next: " (words::count(stage.on)) }
                    }
                    (arrow(x + BOX.0 + GAP, middle, "right"))
                    text.mid.strong x=(n(x + BOX.0 + GAP / 2.0)) y=(n(middle - half - 5.0)) { (words::count(stage.on)) }
                }
                @if !last && stage.back > 0 {
                    @let (from, to) = (x_of(index + 1) + 20.0, x + BOX.0 - 20.0);
                    path.line.dashed d={ "M" (n(from)) "," (n(ROW_Y)) " C" (n(from)) ",28 " (n(to)) ",28 " (n(to)) "," (n(ROW_Y)) } {
                        title { "taken back to " (stage.name) ": " (words::count(stage.back)) }
                    }
                    text.mid.small x=(n(f64::midpoint(from, to))) y="30" { (words::count(stage.back)) " taken back" }
                }
                @if stage.out > 0 {
                    @let half = band(stage.out) / 2.0;
                    @let down = x + BOX.0 / 2.0;
                    rect.flow x=(n(down - half)) y=(n(ROW_Y + BOX.1)) width=(n(half * 2.0)) height=(n(OUT_Y - ROW_Y - BOX.1 - 8.0)) {
                        title { (stage.name) " to " (self.out.0) ": " (words::count(stage.out)) }
                    }
                    (arrow(down, OUT_Y, "down"))
                    text.strong x=(n(down + half + 6.0)) y=(n(f64::midpoint(ROW_Y + BOX.1, OUT_Y))) { (words::count(stage.out)) }
                    @if stage.back_in > 0 {
                        text.small x=(n(down + half + 6.0)) y=(n(f64::midpoint(ROW_Y + BOX.1, OUT_Y) + 16.0)) { (words::count(stage.back_in)) " taken back in" }
                    }
                }
                rect.edge x=(n(x)) y=(n(ROW_Y)) width=(n(BOX.0)) height=(n(BOX.1)) fill=(paint(&self.key, stage.fill)) {}
                (plate(x, ROW_Y, &stage.name, stage.standing))
            }
            rect.edge x=(n(LEFT)) y=(n(OUT_Y)) width=(n(width - 2.0 * LEFT)) height=(n(BOX.1)) fill=(paint(&self.key, Fill::Crossed)) {}
            (plate(f64::midpoint(LEFT, width - LEFT) - BOX.0 / 2.0, OUT_Y, &self.out.0, self.out.1))
        };
        Picture {
            width,
            height: OUT_Y + BOX.1 + 8.0,
            body,
            legend: Vec::new(),
            key: self.key,
            title: self.title,
            description: self.description,
        }
    }
}

/// A stage's name and how many stand there, readable on any hatching.
fn plate(x: f64, y: f64, name: &str, standing: u32) -> Markup {
    html! {
        rect.plate x=(n(x + 6.0)) y=(n(y + 5.0)) width=(n(BOX.0 - 12.0)) height=(n(BOX.1 - 10.0)) rx="2" {}
        text.mid.strong x=(n(x + BOX.0 / 2.0)) y=(n(y + 21.0)) { (words::count(standing)) }
        text.mid.small x=(n(x + BOX.0 / 2.0)) y=(n(y + 36.0)) { (name) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;

    #[test]
    fn the_flow_tells_who_went_on_out_and_back() {
        let stage = |name: &str, on, back, out| FlowStage {
            name: name.into(),
            standing: 5,
            fill: Fill::Plain,
            on,
            back,
            out,
            back_in: 0,
        };
        let picture = Flow {
            key: "f".into(),
            title: "Flow".into(),
            description: "d".into(),
            stages: vec![stage("budded", 12, 1, 30), stage("released", 0, 0, 0)],
            out: ("withdrawn".into(), 30),
        }
        .draw();
        let texts = texts(&picture.svg().into_string());
        for wanted in [
            "budded to the next: 12",
            "1 taken back",
            "budded to withdrawn: 30",
        ] {
            assert!(texts.iter().any(|t| t == wanted), "{wanted} in {texts:?}");
        }
    }
}
