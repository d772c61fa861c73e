//! Pictures of what a machine did: draw over time, levels across it, verdicts and jobs as strips below.
//!
//! One [`Picture`] is drawn in two ways: as SVG for a browser, in light and dark and on paper, and as text for a
//! terminal. Nothing here decides or measures anything.

mod axis;
mod svg;
#[cfg(test)]
mod tests;
mod text;

use jiff::tz::TimeZone;

use crate::palette::ColourRole;
use idlegate_guard::time::WallTime;

pub use text::Colour;

/// A stretch of time with one curve and any number of strips.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    pub title: String,
    /// A sentence under the title.
    pub caption: String,
    pub from: WallTime,
    pub until: WallTime,
    /// The times of day are those of this zone.
    pub zone: TimeZone,
    /// What the curve shows, with its unit: "draw, W".
    pub quantity: String,
    /// In order of time. A longer pause than [`Picture::gap_millis`] is drawn as a gap.
    pub curve: Vec<(WallTime, f64)>,
    pub gap_millis: i64,
    pub levels: Vec<Level>,
    pub strips: Vec<Strip>,
}

/// A value that something turns on.
#[derive(Clone, Debug, PartialEq)]
pub struct Level {
    pub value: f64,
    pub label: String,
}

/// Stretches of time under the curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Strip {
    pub label: String,
    pub stretches: Vec<Stretch>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Stretch {
    pub from: WallTime,
    pub until: WallTime,
    pub shade: Shade,
    /// Shown when somebody points at it.
    pub note: String,
}

/// Told apart by pattern and by height as well as by colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Shade {
    Busy,
    Idle,
    Unknown,
    Off,
    /// A job, as somebody declared it.
    Job,
    /// A request that was obeyed, or needed nothing.
    Obeyed,
    /// A request that was held, deferred or refused.
    Held,
    /// An emergency-off.
    Emergency,
}

impl Shade {
    const ALL: [Shade; 8] = [
        Shade::Busy,
        Shade::Idle,
        Shade::Unknown,
        Shade::Off,
        Shade::Job,
        Shade::Obeyed,
        Shade::Held,
        Shade::Emergency,
    ];

    /// None is drawn in the colour of the text.
    const fn role(self) -> Option<ColourRole> {
        match self {
            Shade::Busy => Some(ColourRole::Working),
            Shade::Idle => Some(ColourRole::Idle),
            Shade::Unknown => Some(ColourRole::NotKnown),
            Shade::Off => Some(ColourRole::Off),
            Shade::Job | Shade::Obeyed => None,
            Shade::Held => Some(ColourRole::Held),
            Shade::Emergency => Some(ColourRole::Urgent),
        }
    }

    /// It happened at one time and did not last.
    const fn is_moment(self) -> bool {
        match self {
            Shade::Obeyed | Shade::Held | Shade::Emergency => true,
            Shade::Busy | Shade::Idle | Shade::Unknown | Shade::Off | Shade::Job => false,
        }
    }

    const fn word(self) -> &'static str {
        match self {
            Shade::Busy => "busy",
            Shade::Idle => "idle",
            Shade::Unknown => "unknown",
            Shade::Off => "off",
            Shade::Job => "job",
            Shade::Obeyed => "obeyed",
            Shade::Held => "held",
            Shade::Emergency => "emergency",
        }
    }
}

impl Picture {
    /// SVG 1.1 with its own style sheet, complete in itself.
    pub fn to_svg(&self) -> String {
        svg::draw(self, svg::Sheet::WIDE, "")
    }

    /// One of several on a page, told from the others by this number: wide, and drawn anew for a narrow screen, with
    /// letters that can be read there.
    pub fn to_svgs(&self, number: usize) -> (String, String) {
        let suffix = format!("-{number}");
        (svg::draw(self, svg::Sheet::WIDE, &suffix), svg::draw(self, svg::Sheet::NARROW, &suffix))
    }

    /// Lines of text of this width, for a terminal.
    pub fn to_text(&self, columns: u16, colour: Colour) -> String {
        text::draw(self, columns, colour)
    }

    /// The shades that occur, for the legend.
    fn shades(&self) -> impl Iterator<Item = Shade> {
        let occurs = |shade: &Shade| {
            self.strips.iter().flat_map(|strip| &strip.stretches).any(|stretch| stretch.shade == *shade)
        };
        Shade::ALL.into_iter().filter(occurs)
    }

    fn span_millis(&self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "a picture is not as exact as that")]
        let millis = (self.until.0 - self.from.0).max(1) as f64;
        millis
    }

    /// Where a time stands between the beginning and the end, from 0 to 1.
    fn place(&self, at: WallTime) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "a picture is not as exact as that")]
        let since = (at.0 - self.from.0) as f64;
        (since / self.span_millis()).clamp(0.0, 1.0)
    }

    /// For each of so many columns the lowest and the highest value in it, so that no spike is lost however narrow
    /// the picture is; the values of neighbouring columns are joined unless there was a gap.
    fn columns(&self, count: usize) -> Vec<Vec<Column>> {
        let mut runs: Vec<Vec<Column>> = Vec::new();
        let mut latest: Option<WallTime> = None;
        for &(at, value) in &self.curve {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                clippy::cast_precision_loss,
                reason = "the place is from 0 to 1"
            )]
            let index = ((self.place(at) * count as f64) as usize).min(count.saturating_sub(1));
            let apart = latest.is_some_and(|before| at.0 - before.0 > self.gap_millis || at < before);
            latest = Some(at);
            if runs.is_empty() || apart {
                runs.push(Vec::new());
            }
            let Some(run) = runs.last_mut() else { continue };
            match run.last_mut() {
                Some(column) if column.index == index => {
                    column.low = column.low.min(value);
                    column.high = column.high.max(value);
                    column.last = value;
                }
                Some(_) | None => {
                    run.push(Column { index, first: value, low: value, high: value, last: value });
                }
            }
        }
        runs
    }
}

/// What happened in the width of one column.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Column {
    index: usize,
    first: f64,
    low: f64,
    high: f64,
    last: f64,
}
