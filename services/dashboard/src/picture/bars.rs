//! Bars from left to right: stacked, or one to a row.

use maud::{Markup, html};

use super::scale::Scale;
use super::{Fill, Picture, n, paint, shortened, width_of};
use crate::words;

const ROW: f64 = 26.0;
const BAR: f64 = 18.0;
const TOP: f64 = 8.0;
const FOOT: f64 = 40.0;
const LENGTH: f64 = 470.0;

/// Bars of counts, stacked by series.
pub struct StackedBars {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// What is counted, along the axis.
    pub axis: String,
    /// The series with their fills, in stacking order.
    pub series: Vec<(String, Fill)>,
    /// Rows with a count for each series.
    pub rows: Vec<(String, Vec<u32>)>,
}

impl StackedBars {
    /// Draws the bars.
    pub fn draw(self) -> Picture {
        let labels = label_width(self.rows.iter().map(|(label, _)| label.as_str()));
        let total = |counts: &[u32]| counts.iter().map(|&c| u64::from(c)).sum::<u64>();
        let totals = self.rows.iter().map(|(_, counts)| total(counts) as f64);
        let scale = Scale::over(totals.chain([0.0]), labels, labels + LENGTH, 5);
        let foot = TOP + ROW * self.rows.len() as f64;
        let body = html! {
            (grid(&scale, foot, &self.axis))
            @for (index, (label, counts)) in self.rows.iter().enumerate() {
                @let y = TOP + ROW * index as f64;
                @let base = y + 14.0;
                text.end x=(n(labels - 8.0)) y=(n(base)) { (label) }
                @let segments = self.segments(label, counts, &scale);
                @for segment in segments {
                    rect.edge x=(n(segment.from)) y=(n(y)) width=(n(segment.to - segment.from)) height=(n(BAR))
                        fill=(paint(&self.key, segment.fill)) { title { (segment.title) } }
                    @if width_of(&segment.text) + 8.0 < segment.to - segment.from {
                        @let mid = f64::midpoint(segment.from, segment.to);
                        @let half = width_of(&segment.text) / 2.0 + 2.0;
                        rect.plate x=(n(mid - half)) y=(n(y + 2.0)) width=(n(half * 2.0)) height=(n(BAR - 4.0)) rx="2" {}
                        text.mid.small x=(n(mid)) y=(n(base - 0.5)) { (segment.text) }
                    }
                }
                text.strong x=(n(scale.at(total(counts) as f64) + 6.0)) y=(n(base)) { (words::count(total(counts))) }
            }
        };
        Picture {
            width: labels + LENGTH + 60.0,
            height: foot + FOOT,
            body,
            legend: self
                .series
                .iter()
                .map(|(name, fill)| (*fill, name.clone()))
                .collect(),
            key: self.key,
            title: self.title,
            description: self.description,
        }
    }

    fn segments(&self, label: &str, counts: &[u32], scale: &Scale) -> Vec<Segment> {
        let mut so_far = 0.0;
        let mut segments = Vec::new();
        for ((name, fill), &count) in self.series.iter().zip(counts) {
            if count == 0 {
                continue;
            }
            let from = scale.at(so_far);
            so_far += f64::from(count);
            let text = words::count(count);
            segments.push(Segment {
                from,
                to: scale.at(so_far),
                fill: *fill,
                title: format!("{label}, {name}: {text}"),
                text,
            });
        }
        segments
    }
}

struct Segment {
    from: f64,
    to: f64,
    fill: Fill,
    title: String,
    text: String,
}

/// One bar.
pub struct Bar {
    /// What it stands for.
    pub label: String,
    /// How much.
    pub value: f64,
    /// What is written after it.
    pub text: String,
    /// How it is filled.
    pub fill: Fill,
}

/// Bars, one to a row.
pub struct Bars {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// What is measured, along the axis.
    pub axis: String,
    /// Whether the axis is in powers of ten, for what shrinks from thousands to one; values below
    /// 1 then have no length.
    pub powers_of_ten: bool,
    /// The bars.
    pub bars: Vec<Bar>,
}

impl Bars {
    /// Draws the bars.
    pub fn draw(self) -> Picture {
        let labels = label_width(self.bars.iter().map(|bar| bar.label.as_str()));
        let length = |value: f64| match self.powers_of_ten {
            true if value >= 1.0 => value.log10() + 0.15,
            true => 0.0,
            false => value,
        };
        let lengths = self.bars.iter().map(|bar| length(bar.value));
        let scale = Scale::over(lengths.chain([0.0]), labels, labels + LENGTH, 5);
        let foot = TOP + ROW * self.bars.len() as f64;
        let body = html! {
            @if self.powers_of_ten { (powers(&scale, foot, labels, &self.axis)) } @else { (grid(&scale, foot, &self.axis)) }
            @for (index, bar) in self.bars.iter().enumerate() {
                @let y = TOP + ROW * index as f64;
                @let end = scale.at(length(bar.value));
                text.end x=(n(labels - 8.0)) y=(n(y + 14.0)) { (shortened(&bar.label, 26)) }
                rect.edge x=(n(labels)) y=(n(y)) width=(n((end - labels).max(0.0))) height=(n(BAR))
                    fill=(paint(&self.key, bar.fill)) { title { (bar.label) ": " (bar.text) } }
                text.strong x=(n(end + 6.0)) y=(n(y + 14.0)) { (bar.text) }
            }
        };
        Picture {
            width: labels + LENGTH + 110.0,
            height: foot + FOOT,
            body,
            legend: Vec::new(),
            key: self.key,
            title: self.title,
            description: self.description,
        }
    }
}

fn label_width<'a>(labels: impl Iterator<Item = &'a str>) -> f64 {
    labels
        .map(|label| width_of(&shortened(label, 26)))
        .fold(30.0, f64::max)
        + 12.0
}

fn grid(scale: &Scale, foot: f64, axis: &str) -> Markup {
    let marks = scale.marks();
    let (from, to) = (
        marks.first().map_or(0.0, |m| m.0),
        marks.last().map_or(1.0, |m| m.0),
    );
    html! {
        @for (value, text) in &marks {
            @let x = scale.at(*value);
            line.grid x1=(n(x)) x2=(n(x)) y1="2" y2=(n(foot)) {}
            text.mid.small.quiet x=(n(x)) y=(n(foot + 14.0)) { (text) }
        }
        line.axis x1=(n(scale.at(from))) x2=(n(scale.at(to))) y1=(n(foot)) y2=(n(foot)) {}
        text.mid.quiet x=(n(scale.at(f64::midpoint(from, to)))) y=(n(foot + 32.0)) { (axis) }
    }
}

fn powers(scale: &Scale, foot: f64, start: f64, axis: &str) -> Markup {
    let most = scale.marks().last().map_or(1.0, |m| m.0);
    html! {
        @for power in (0..9).take_while(|p| f64::from(*p) + 0.15 <= most) {
            @let x = scale.at(f64::from(power) + 0.15);
            line.grid x1=(n(x)) x2=(n(x)) y1="2" y2=(n(foot)) {}
            text.mid.small.quiet x=(n(x)) y=(n(foot + 14.0)) { (words::count(10_u64.pow(power))) }
        }
        line.axis x1=(n(start)) x2=(n(scale.at(most))) y1=(n(foot)) y2=(n(foot)) {}
        text.mid.quiet x=(n(scale.at(most / 2.0))) y=(n(foot + 32.0)) { (axis) " (each step of the grid is ten times as many)" }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::tests::texts;

    #[test]
    fn stacked_bars_are_xml_and_tell_their_counts() {
        let picture = StackedBars {
            key: "stages".into(),
            title: "Stages & years".into(),
            description: "By <year>".into(),
            axis: "candidates".into(),
            series: vec![
                ("budded".into(), Fill::Rising),
                ("released".into(), Fill::Full),
            ],
            rows: vec![("2019".into(), vec![1200, 3]), ("2020".into(), vec![0, 0])],
        }
        .draw();
        let texts = texts(&picture.svg().into_string());
        for wanted in ["2019, budded: 1,200", "2019, released: 3", "1,203", "2020"] {
            assert!(texts.iter().any(|t| t == wanted), "{wanted} in {texts:?}");
        }
    }

    #[test]
    fn bars_of_powers_of_ten_keep_their_order() {
        let bar = |value: f64| Bar {
            label: format!("{value}"),
            value,
            text: format!("{value}"),
            fill: Fill::Plain,
        };
        let picture = Bars {
            key: "funnel".into(),
            title: "Funnel".into(),
            description: String::new(),
            axis: "number".into(),
            powers_of_ten: true,
            bars: [50_000.0, 700.0, 1.0, 0.0].map(bar).into(),
        }
        .draw();
        let svg = picture.svg().into_string();
        texts(&svg);
        let widths: Vec<f64> = svg
            .split("class=\"edge\"")
            .skip(1)
            .map(|part| {
                let width = part.split("width=\"").nth(1).unwrap();
                width.split('"').next().unwrap().parse().unwrap()
            })
            .collect();
        assert_eq!(widths.len(), 4);
        assert!(
            widths.windows(2).all(|pair| pair[0] > pair[1]),
            "{widths:?}"
        );
        assert_eq!(widths[3], 0.0);
    }
}
