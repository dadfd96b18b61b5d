//! Pictures drawn on the server as SVG, each with a title, a description and the table behind it.
//!
//! Colours carry no meaning alone: areas are told apart by their hatching, which the legend names,
//! and values are written. Colours themselves come from the style sheet, so that pictures follow a
//! dark screen and print.

mod bars;
mod calibration;
mod dates;
mod days;
mod flow;
mod frame;
mod intervals;
mod lines;
mod map;
mod matrix;
mod pedigree;
mod plot;
mod scale;
mod scatter;
mod timeline;

pub use bars::{Bar, Bars, StackedBars};
pub use calibration::{Calibration, Held};
pub use dates::{UncertainDay, UncertainDays, UncertainRow};
pub use flow::{Flow, FlowStage};
pub use intervals::{Columns, IntervalColumn, IntervalRow, Intervals};
pub use lines::{Dot, Line, Lines, Stroke};
pub use map::{Ground, Square, State};
pub use matrix::{Matrix, Meeting};
pub use pedigree::Pedigree;
pub use plot::{Guide, Plot, PlotPoint, Series};
pub use scatter::{Biplot, Spot};
pub use timeline::{Mark, Span, Timeline, TimelineRow};

use maud::{Markup, html};

/// How an area is filled: a tone and its hatching, both told in the legend.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fill {
    /// Bare tone.
    Plain,
    /// Lines rising to the right.
    Rising,
    /// Lines falling to the right.
    Falling,
    /// Level lines.
    Level,
    /// The deepest tone, without lines.
    Full,
    /// Crossed lines.
    Crossed,
    /// Upright lines.
    Upright,
    /// One of five bare tones for classes of a value, 0 to 4, where the value itself is written.
    Value(u8),
}

impl Fill {
    const ALL: [Self; 12] = [
        Self::Plain,
        Self::Rising,
        Self::Falling,
        Self::Level,
        Self::Full,
        Self::Crossed,
        Self::Upright,
        Self::Value(0),
        Self::Value(1),
        Self::Value(2),
        Self::Value(3),
        Self::Value(4),
    ];

    /// The fill of a stage of the pipeline.
    pub fn of_stage(stage: &str) -> Self {
        match stage {
            "own_root" => Self::Plain,
            "budded" => Self::Rising,
            "multi_site" => Self::Falling,
            "pre_release" => Self::Level,
            "released" => Self::Full,
            "withdrawn" => Self::Crossed,
            _ => Self::Upright,
        }
    }

    /// Class of a text that stands on this fill.
    fn text_class(self) -> &'static str {
        if self.tone() == "tone-4" {
            "on-deep"
        } else {
            "on"
        }
    }

    fn index(self) -> usize {
        Self::ALL
            .iter()
            .position(|fill| *fill == self)
            .unwrap_or_default()
    }

    fn tone(self) -> &'static str {
        match self {
            Self::Plain | Self::Value(0) => "tone-0",
            Self::Rising | Self::Upright | Self::Value(1) => "tone-1",
            Self::Falling | Self::Value(2) => "tone-2",
            Self::Level | Self::Value(3) => "tone-3",
            Self::Full | Self::Value(_) => "tone-4",
            Self::Crossed => "tone-5",
        }
    }

    fn lines(self) -> &'static str {
        match self {
            Self::Plain | Self::Full | Self::Value(_) => "",
            Self::Rising => "M-2,2 L2,-2 M0,8 L8,0 M6,10 L10,6",
            Self::Falling => "M-2,6 L2,10 M0,0 L8,8 M6,-2 L10,2",
            Self::Level => "M0,4 L8,4",
            Self::Upright => "M4,0 L4,8",
            Self::Crossed => "M0,8 L8,0 M0,0 L8,8",
        }
    }
}

/// A picture with the words for those who do not see it.
pub struct Picture {
    /// Names the picture within its page.
    pub key: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it.
    pub description: String,
    /// Width in pixels.
    pub width: f64,
    /// Height in pixels.
    pub height: f64,
    /// The drawing.
    pub body: Markup,
    /// What the fills mean.
    pub legend: Vec<(Fill, String)>,
}

impl Picture {
    /// The picture as a document of its own.
    pub fn svg(&self) -> Markup {
        html! {
            svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label=(self.title)
                width=(n(self.width)) height=(n(self.height))
                viewBox={ "0 0 " (n(self.width)) " " (n(self.height)) } {
                title { (self.title) }
                desc { (self.description) }
                defs { @for fill in Fill::ALL { (pattern(&self.key, fill)) } }
                (self.body)
            }
        }
    }

    /// The picture in a page, with its legend and, folded away, the table behind it.
    pub fn figure(&self, table: Markup) -> Markup {
        html! {
            figure.picture {
                (self.drawing())
                details { summary { "The numbers behind the picture" } (table) }
            }
        }
    }

    /// The picture in a page, with its legend and the table behind it open beside it.
    pub fn beside(&self, table: Markup) -> Markup {
        html! {
            div.beside {
                figure.picture { (self.drawing()) }
                div { (table) }
            }
        }
    }

    fn drawing(&self) -> Markup {
        html! {
            div.scroll tabindex="0" role="region" aria-label=(self.title) { (self.svg()) }
            @if !self.legend.is_empty() {
                ul.legend aria-label="Legend" {
                    @for (fill, text) in &self.legend {
                        li {
                            svg width="22" height="16" aria-hidden="true" {
                                rect.edge x="0.5" y="0.5" width="21" height="15" fill=(paint(&self.key, *fill)) {}
                            }
                            (text)
                        }
                    }
                }
            }
            figcaption { (self.title) ". " (self.description) }
        }
    }
}

fn pattern(key: &str, fill: Fill) -> Markup {
    html! {
        pattern id={ (key) "-" (fill.index()) } width="8" height="8" patternUnits="userSpaceOnUse" {
            rect class=(fill.tone()) width="8" height="8" {}
            @if !fill.lines().is_empty() {
                path class=(if fill == Fill::Level { "hatch deep" } else { "hatch" }) d=(fill.lines()) {}
            }
        }
    }
}

fn paint(key: &str, fill: Fill) -> String {
    format!("url(#{key}-{})", fill.index())
}

/// A coordinate with one decimal.
fn n(x: f64) -> String {
    let rounded = (x * 10.0).round() / 10.0;
    if rounded == rounded.trunc() {
        format!("{rounded:.0}")
    } else {
        format!("{rounded:.1}")
    }
}

/// Width of a text in pixels, near enough to keep texts apart.
fn width_of(text: &str) -> f64 {
    7.2 * text.chars().count() as f64
}

/// The beginning of a text that is too long for its place.
fn shortened(text: &str, chars: usize) -> String {
    if text.chars().count() <= chars {
        text.to_owned()
    } else {
        let kept: String = text.chars().take(chars.saturating_sub(1)).collect();
        format!("{}…", kept.trim_end())
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use quick_xml::Reader;
    use quick_xml::events::Event;

    /// The texts of a picture, after reading it as XML.
    pub fn texts(svg: &str) -> Vec<String> {
        let mut reader = Reader::from_str(svg);
        reader.config_mut().check_end_names = true;
        let mut depth = 0_i32;
        let mut texts = Vec::new();
        loop {
            match reader.read_event().unwrap_or_else(|e| panic!("{e}: {svg}")) {
                Event::Start(start) => {
                    depth += 1;
                    for attribute in start.attributes() {
                        attribute.unwrap_or_else(|e| panic!("{e}: {svg}"));
                    }
                }
                Event::End(_) => depth -= 1,
                Event::Text(text) => texts.push(
                    text.xml_content(quick_xml::XmlVersion::default())
                        .into_owned(),
                ),
                Event::Eof => break,
                _ => {}
            }
        }
        assert_eq!(depth, 0, "{svg}");
        texts
    }
}
