//! A picture as SVG.

use std::fmt::Write as _;

use ::svg::node::element::{
    Definitions, Group, Line, Path, Pattern, Rectangle, SVG, Style, Text as TextElement, Title,
};
use ::svg::{Document, Node as _};

use super::axis::{Scale, day_label, time_label, times, value_label};
use super::{Column, Picture, Shade, Strip};
use crate::palette::{ColourRole, DARK, LIGHT, Paper, Tint};

const CURVE_HEIGHT: f64 = 240.0;
const STRIP_HEIGHT: f64 = 18.0;
/// A moment can be seen, however narrow the drawing is.
const MOMENT_WIDTH_MIN: f64 = 2.4;
/// The width of a moment in the legend.
const MOMENT_WIDTH: f64 = 5.0;

/// A sheet to draw on. A narrow one is no wide one made small: its letters are as large, so there are fewer of them on
/// a line.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sheet {
    width: f64,
    left: f64,
    right: f64,
    top: f64,
    /// Names of strips stand above them, where there is no room at their left.
    name_above: bool,
    strip_step: f64,
    times_max: i64,
    title_chars: usize,
    caption_chars: usize,
    /// Two for each unit of width: as fine as a good screen shows.
    columns: usize,
    /// Each has its own: of a drawing that is not shown nothing can be borrowed.
    hatch: &'static str,
    /// Where it is hatched.
    unknown: &'static str,
    class: &'static str,
}

impl Sheet {
    pub(super) const WIDE: Sheet = Sheet {
        width: 960.0,
        left: 64.0,
        right: 24.0,
        top: 62.0,
        name_above: false,
        strip_step: 28.0,
        times_max: 12,
        title_chars: 110,
        caption_chars: 140,
        columns: 1_760,
        hatch: "hatch",
        unknown: ".unknown",
        class: "broad",
    };
    /// What a phone of 360 units shows beside its margins.
    pub(super) const NARROW: Sheet = Sheet {
        width: 336.0,
        left: 40.0,
        right: 10.0,
        top: 62.0,
        name_above: true,
        strip_step: 44.0,
        times_max: 6,
        title_chars: 34,
        caption_chars: 46,
        columns: 572,
        hatch: "slim-hatch",
        unknown: ".slim .unknown",
        class: "slim",
    };

    const fn plot(self) -> f64 {
        self.width - self.left - self.right
    }

    const fn bottom_of_curve(self) -> f64 {
        self.top + CURVE_HEIGHT
    }
}

/// Plain rules first, for programs that know no more of style sheets than that.
fn style() -> String {
    let colours = |paper: Paper, of: fn(Tint) -> &'static str| {
        let Paper { ground, ink, soft, rule } = paper;
        let [working, idle, not_known, off, held, urgent] = ColourRole::ALL.map(|role| of(role.tint()));
        format!(
            "text{{fill:{ink}}}.soft{{fill:{soft}}}.ground{{fill:{ground}}}.rule,.frame{{stroke:{rule}}}\n\
             .curve,.job{{stroke:{ink}}}.obeyed{{fill:{ink}}}.level{{stroke:{working}}}\n\
             .levelname{{fill:{working};stroke:{ground}}}.busy{{fill:{working}}}.idle{{fill:{idle}}}\n\
             .hatch{{stroke:{not_known}}}.off{{fill:{off}}}.held{{fill:{held}}}.emergency{{fill:{urgent}}}"
        )
    };
    let (light, dark) = (colours(LIGHT, |tint| tint.light), colours(DARK, |tint| tint.dark));
    format!("{SHAPES}\n{light}\n@media (prefers-color-scheme:dark){{\n{dark}}}\n@media print{{\n{light}}}")
}

const SHAPES: &str = "
text{font:13px system-ui,sans-serif}.title{font-size:17px;font-weight:600}.rule{stroke-width:1}
.curve{fill:none;stroke-width:1.1;stroke-linejoin:round}.level{stroke-width:1.4;stroke-dasharray:6 4}
.levelname{paint-order:stroke;stroke-width:4px}.job{fill:none;stroke-width:1.6}.frame{fill:none}
.hatch{stroke-width:2.4}";

/// On a page with other drawings `suffix` makes what is defined here its own.
pub(super) fn draw(picture: &Picture, sheet: Sheet, suffix: &str) -> String {
    let hatch_id = format!("{}{suffix}", sheet.hatch);
    let (legend, legend_height) = legend(picture, sheet);
    let strips_height = sheet.strip_step * picture.strips.iter().map(|_| 1.0).sum::<f64>();
    let legend_top = sheet.bottom_of_curve() + 34.0 + strips_height;
    let height = legend_top + legend_height + if sheet.name_above { 24.0 } else { 8.0 };
    let highest = picture.curve.iter().map(|(_, value)| *value);
    let highest = highest.chain(picture.levels.iter().map(|level| level.value)).fold(0.0, f64::max);
    let scale = Scale::up_to(highest);
    let document = Document::new()
        .set("viewBox", (0, 0, sheet.width, height))
        .set("class", sheet.class)
        .set("role", "img")
        .set("aria-label", format!("{}. {}", picture.title, picture.caption))
        .add(Style::new(format!("{}\n{}{{fill:url(#{hatch_id})}}", style(), sheet.unknown)))
        .add(hatch(&hatch_id))
        .add(Rectangle::new().set("class", "ground").set("width", sheet.width).set("height", height))
        .add(label(&shortened(&picture.title, sheet.title_chars), sheet.left, 24.0, "title"))
        .add(label(&shortened(&picture.caption, sheet.caption_chars), sheet.left, 44.0, "soft"));
    let document = times_and_rules(document, picture, sheet);
    let document = values_and_rules(document, picture, scale, sheet);
    let document = document.add(curve(picture, scale, sheet)).add(levels(picture, scale, sheet));
    let document = strips(document, picture, sheet);
    // Beside the last row of the legend where there is room, else below it.
    let day_y = height - if sheet.name_above { 10.0 } else { 20.0 };
    let day = label(&day_label(picture.from, &picture.zone), sheet.width - sheet.right, day_y, "soft");
    let document = document.add(day.set("text-anchor", "end"));
    document.add(legend.set("transform", format!("translate(0 {legend_top})"))).to_string()
}

/// What does not fit is cut between letters, and says so.
fn shortened(text: &str, chars_max: usize) -> String {
    if text.chars().count() <= chars_max {
        return text.to_owned();
    }
    let kept: String = text.chars().take(chars_max.saturating_sub(1)).collect();
    format!("{}\u{2026}", kept.trim_end())
}

fn label(text: &str, x: f64, y: f64, class: &str) -> TextElement {
    TextElement::new(text).set("x", round(x)).set("y", round(y)).set("class", class)
}

/// A tenth of a unit is finer than any screen.
fn round(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

fn hatch(id: &str) -> Definitions {
    let stroke = Line::new().set("class", "hatch").set("x1", 0).set("y1", 0).set("x2", 0).set("y2", 6);
    let pattern = Pattern::new().set("id", id).set("width", 6).set("height", 6);
    let pattern = pattern.set("patternUnits", "userSpaceOnUse").set("patternTransform", "rotate(45)");
    Definitions::new().add(pattern.add(stroke))
}

fn times_and_rules(mut document: SVG, picture: &Picture, sheet: Sheet) -> SVG {
    let length = picture.until.0 - picture.from.0;
    let bottom = sheet.bottom_of_curve();
    for at in times(picture.from, picture.until, &picture.zone, sheet.times_max) {
        let x = round(sheet.left + sheet.plot() * picture.place(at));
        let line =
            Line::new().set("class", "rule").set("x1", x).set("x2", x).set("y1", sheet.top).set("y2", bottom);
        // A time at the edge stays on the sheet.
        let text =
            label(&time_label(at, &picture.zone, length), x.min(sheet.width - 18.0), bottom + 16.0, "soft")
                .set("text-anchor", "middle");
        document = document.add(line).add(text);
    }
    document
}

fn values_and_rules(mut document: SVG, picture: &Picture, scale: Scale, sheet: Sheet) -> SVG {
    let end = sheet.left + sheet.plot();
    for tick in scale.ticks() {
        let y = round(sheet.top + CURVE_HEIGHT * (1.0 - scale.place(tick)));
        let line =
            Line::new().set("class", "rule").set("x1", sheet.left).set("x2", end).set("y1", y).set("y2", y);
        let text = label(&value_label(tick), sheet.left - 6.0, y + 4.0, "soft").set("text-anchor", "end");
        document = document.add(line).add(text);
    }
    document.add(label(&picture.quantity, sheet.left + 4.0, sheet.top + 14.0, "soft"))
}

fn curve(picture: &Picture, scale: Scale, sheet: Sheet) -> Path {
    let mut data = String::new();
    for run in picture.columns(sheet.columns) {
        let mut command = 'M';
        for column in run {
            for value in in_order(column) {
                #[expect(clippy::cast_precision_loss, reason = "there are few columns")]
                let x = sheet.left + sheet.plot() * (column.index as f64 + 0.5) / sheet.columns as f64;
                let y = sheet.top + CURVE_HEIGHT * (1.0 - scale.place(value));
                // A text never fails to take more.
                let _ = write!(data, "{command}{} {}", round(x), round(y));
                command = 'L';
            }
        }
    }
    Path::new().set("class", "curve").set("d", data)
}

/// First, both extremes, last, without repeating a value.
fn in_order(column: Column) -> impl Iterator<Item = f64> {
    let mut values = vec![column.first, column.low, column.high, column.last];
    values.dedup();
    values.into_iter()
}

fn levels(picture: &Picture, scale: Scale, sheet: Sheet) -> Group {
    let end = sheet.left + sheet.plot();
    let mut group = Group::new();
    let mut last_y = f64::INFINITY;
    let mut sorted: Vec<_> = picture.levels.iter().collect();
    sorted.sort_by(|one, other| one.value.total_cmp(&other.value));
    for level in sorted {
        let y = round(sheet.top + CURVE_HEIGHT * (1.0 - scale.place(level.value)));
        let line =
            Line::new().set("class", "level").set("x1", sheet.left).set("x2", end).set("y1", y).set("y2", y);
        // Names of levels that lie close together stand above one another.
        let name_y = (y - 4.0).min(last_y - 15.0);
        last_y = name_y;
        let name = label(&level.label, end - 4.0, name_y, "levelname").set("text-anchor", "end");
        group = group.add(line).add(name);
    }
    group
}

fn strips(mut document: SVG, picture: &Picture, sheet: Sheet) -> SVG {
    let mut y = sheet.bottom_of_curve() + if sheet.name_above { 50.0 } else { 34.0 };
    for strip in &picture.strips {
        document = document.add(stretches(picture, strip, y, sheet));
        y += sheet.strip_step;
    }
    document
}

fn stretches(picture: &Picture, strip: &Strip, y: f64, sheet: Sheet) -> Group {
    let frame = Rectangle::new().set("class", "frame").set("x", sheet.left).set("y", y);
    let name = if sheet.name_above {
        label(&strip.label, sheet.left, y - 6.0, "soft")
    } else {
        label(&strip.label, sheet.left - 6.0, y + 13.0, "soft").set("text-anchor", "end")
    };
    let frame = frame.set("width", sheet.plot()).set("height", STRIP_HEIGHT);
    let mut group = Group::new().add(frame).add(name);
    for stretch in &strip.stretches {
        let (from, until) = (picture.place(stretch.from), picture.place(stretch.until));
        let width_min = if stretch.shade.is_moment() { MOMENT_WIDTH_MIN } else { 0.8 };
        let width = (sheet.plot() * (until - from)).max(width_min);
        let mut bar = bar(stretch.shade, sheet.left + sheet.plot() * from, y, width);
        if !stretch.note.is_empty() {
            bar.append(Title::new(stretch.note.as_str()));
        }
        group = group.add(bar);
    }
    group
}

/// A shade is told by its shape as well as by its colour.
fn bar(shade: Shade, x: f64, y: f64, width: f64) -> Rectangle {
    let (from_top, height) = match shade {
        Shade::Busy | Shade::Held | Shade::Emergency => (0.0, STRIP_HEIGHT),
        Shade::Job => (2.0, STRIP_HEIGHT - 4.0),
        Shade::Unknown => (3.0, STRIP_HEIGHT - 6.0),
        Shade::Obeyed => (STRIP_HEIGHT / 2.0, STRIP_HEIGHT / 2.0),
        Shade::Idle => (STRIP_HEIGHT - 6.0, 6.0),
        Shade::Off => (STRIP_HEIGHT - 2.0, 2.0),
    };
    let bar = Rectangle::new().set("class", shade.word()).set("x", round(x)).set("y", y + from_top);
    bar.set("width", round(width)).set("height", height)
}

/// The shades that occur, each with its word, in as many rows as it takes; and how high that is.
fn legend(picture: &Picture, sheet: Sheet) -> (Group, f64) {
    let mut group = Group::new();
    let (mut x, mut y) = (sheet.left, 0.0);
    for shade in picture.shades() {
        let width = if shade.is_moment() { MOMENT_WIDTH } else { 22.0 };
        // No word is wider than this for each letter.
        let word_width = shade.word().chars().map(|_| 7.6).sum::<f64>();
        // The day stands at the right of the last row.
        let room = if sheet.name_above { sheet.width } else { sheet.width - 130.0 };
        if x > sheet.left && x + width + 5.0 + word_width > room {
            (x, y) = (sheet.left, y + STRIP_HEIGHT + 8.0);
        }
        group = group.add(bar(shade, x, y, width));
        group = group.add(label(shade.word(), x + width + 5.0, y + STRIP_HEIGHT - 4.0, "soft"));
        x += width + word_width + 27.0;
    }
    (group, y + STRIP_HEIGHT + 8.0)
}
