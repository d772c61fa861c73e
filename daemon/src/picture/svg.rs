//! A picture as SVG.

use std::fmt::Write as _;

use ::svg::node::element::{
    Definitions, Group, Line, Path, Pattern, Rectangle, SVG, Style, Text as TextElement, Title,
};
use ::svg::{Document, Node as _};

use super::axis::{Scale, day_label, time_label, times, value_label};
use super::{Column, Picture, Shade, Strip};
use crate::palette::{DARK, LIGHT, Paper, Role, Tint};

const WIDTH: f64 = 960.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 24.0;
const TOP: f64 = 62.0;
const CURVE_HEIGHT: f64 = 240.0;
const STRIP_HEIGHT: f64 = 18.0;
const STRIP_STEP: f64 = 28.0;
const PLOT: f64 = WIDTH - LEFT - RIGHT;
/// The width of a moment in the legend.
const MOMENT_WIDTH: f64 = 5.0;
/// Two for each unit of width: as fine as a good screen shows.
const COLUMNS: usize = 1_760;

/// Plain rules first, for programs that know no more of style sheets than that.
fn style() -> String {
    let colours = |paper: Paper, of: fn(Tint) -> &'static str| {
        let Paper { ground, ink, soft, rule } = paper;
        let [working, idle, not_known, off, held, urgent] = Role::ALL.map(|role| of(role.tint()));
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
.unknown{fill:url(#hatch)}.hatch{stroke-width:2.4}";

pub(super) fn draw(picture: &Picture) -> String {
    let height =
        TOP + CURVE_HEIGHT + 34.0 + STRIP_STEP * picture.strips.iter().map(|_| 1.0).sum::<f64>() + 34.0;
    let highest = picture.curve.iter().map(|(_, value)| *value);
    let highest = highest.chain(picture.levels.iter().map(|level| level.value)).fold(0.0, f64::max);
    let scale = Scale::up_to(highest);
    let document = Document::new()
        .set("viewBox", (0, 0, WIDTH, height))
        .set("role", "img")
        .set("aria-label", format!("{}. {}", picture.title, picture.caption))
        .add(Style::new(style()))
        .add(hatch())
        .add(Rectangle::new().set("class", "ground").set("width", WIDTH).set("height", height))
        .add(label(&picture.title, LEFT, 24.0, "title"))
        .add(label(&picture.caption, LEFT, 44.0, "soft"));
    let document = times_and_rules(document, picture, height);
    let document = values_and_rules(document, picture, scale);
    let document = document.add(curve(picture, scale)).add(levels(picture, scale));
    let document = strips(document, picture);
    legend(document, picture, height).to_string()
}

fn label(text: &str, x: f64, y: f64, class: &str) -> TextElement {
    TextElement::new(text).set("x", round(x)).set("y", round(y)).set("class", class)
}

/// A tenth of a unit is finer than any screen.
fn round(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

fn hatch() -> Definitions {
    let stroke = Line::new().set("class", "hatch").set("x1", 0).set("y1", 0).set("x2", 0).set("y2", 6);
    let pattern = Pattern::new().set("id", "hatch").set("width", 6).set("height", 6);
    let pattern = pattern.set("patternUnits", "userSpaceOnUse").set("patternTransform", "rotate(45)");
    Definitions::new().add(pattern.add(stroke))
}

fn times_and_rules(mut document: SVG, picture: &Picture, height: f64) -> SVG {
    let length = picture.until.0 - picture.from.0;
    for at in times(picture.from, picture.until, &picture.zone, 12) {
        let x = round(LEFT + PLOT * picture.place(at));
        let bottom = TOP + CURVE_HEIGHT;
        let line =
            Line::new().set("class", "rule").set("x1", x).set("x2", x).set("y1", TOP).set("y2", bottom);
        let text = label(&time_label(at, &picture.zone, length), x, bottom + 16.0, "soft")
            .set("text-anchor", "middle");
        document = document.add(line).add(text);
    }
    let day = day_label(picture.from, &picture.zone);
    document.add(label(&day, WIDTH - RIGHT, height - 10.0, "soft").set("text-anchor", "end"))
}

fn values_and_rules(mut document: SVG, picture: &Picture, scale: Scale) -> SVG {
    for tick in scale.ticks() {
        let y = round(TOP + CURVE_HEIGHT * (1.0 - scale.place(tick)));
        let line =
            Line::new().set("class", "rule").set("x1", LEFT).set("x2", LEFT + PLOT).set("y1", y).set("y2", y);
        let text = label(&value_label(tick), LEFT - 6.0, y + 4.0, "soft").set("text-anchor", "end");
        document = document.add(line).add(text);
    }
    document.add(label(&picture.quantity, LEFT + 4.0, TOP + 14.0, "soft"))
}

fn curve(picture: &Picture, scale: Scale) -> Path {
    let mut data = String::new();
    for run in picture.columns(COLUMNS) {
        let mut command = 'M';
        for column in run {
            for value in in_order(column) {
                #[expect(clippy::cast_precision_loss, reason = "there are few columns")]
                let x = LEFT + PLOT * (column.index as f64 + 0.5) / COLUMNS as f64;
                let y = TOP + CURVE_HEIGHT * (1.0 - scale.place(value));
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

fn levels(picture: &Picture, scale: Scale) -> Group {
    let mut group = Group::new();
    let mut last_y = f64::INFINITY;
    let mut sorted: Vec<_> = picture.levels.iter().collect();
    sorted.sort_by(|one, other| one.value.total_cmp(&other.value));
    for level in sorted {
        let y = round(TOP + CURVE_HEIGHT * (1.0 - scale.place(level.value)));
        let line = Line::new()
            .set("class", "level")
            .set("x1", LEFT)
            .set("x2", LEFT + PLOT)
            .set("y1", y)
            .set("y2", y);
        // Names of levels that lie close together stand above one another.
        let name_y = (y - 4.0).min(last_y - 15.0);
        last_y = name_y;
        let name = label(&level.label, LEFT + PLOT - 4.0, name_y, "levelname").set("text-anchor", "end");
        group = group.add(line).add(name);
    }
    group
}

fn strips(mut document: SVG, picture: &Picture) -> SVG {
    let mut y = TOP + CURVE_HEIGHT + 34.0;
    for strip in &picture.strips {
        document = document.add(stretches(picture, strip, y));
        y += STRIP_STEP;
    }
    document
}

fn stretches(picture: &Picture, strip: &Strip, y: f64) -> Group {
    let frame = Rectangle::new().set("class", "frame").set("x", LEFT).set("y", y).set("width", PLOT);
    let name = label(&strip.label, LEFT - 6.0, y + 13.0, "soft").set("text-anchor", "end");
    let mut group = Group::new().add(frame.set("height", STRIP_HEIGHT)).add(name);
    for stretch in &strip.stretches {
        let (from, until) = (picture.place(stretch.from), picture.place(stretch.until));
        let width = (PLOT * (until - from)).max(0.8);
        let mut bar = bar(stretch.shade, LEFT + PLOT * from, y, width);
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

/// The shades that occur, each with its word.
fn legend(mut document: SVG, picture: &Picture, height: f64) -> SVG {
    let mut x = LEFT;
    let bottom = height - 9.0;
    for shade in picture.shades() {
        let width = if shade.is_moment() { MOMENT_WIDTH } else { 22.0 };
        document = document.add(bar(shade, x, bottom - STRIP_HEIGHT, width));
        document = document.add(label(shade.word(), x + width + 5.0, bottom - 4.0, "soft"));
        // No word is wider than this for each letter.
        x += width + shade.word().chars().map(|_| 7.6).sum::<f64>() + 27.0;
    }
    document
}
