//! A picture as SVG.

use std::fmt::Write as _;

use ::svg::node::element::{
    Definitions, Group, Line, Path, Pattern, Rectangle, SVG, Style, Text as TextElement, Title,
};
use ::svg::{Document, Node as _};

use super::axis::{Scale, day_label, time_label, times, value_label};
use super::{Column, Picture, Shade, Strip};

const WIDTH: f64 = 960.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 16.0;
const TOP: f64 = 62.0;
const CURVE_HEIGHT: f64 = 240.0;
const STRIP_HEIGHT: f64 = 18.0;
const STRIP_STEP: f64 = 28.0;
const PLOT: f64 = WIDTH - LEFT - RIGHT;
/// Two for each unit of width: as fine as a good screen shows.
const COLUMNS: usize = 1_760;

// Blue, orange, grey and purple of equal weight: told apart with any kind of colour vision, and hatched besides. Plain
// rules first, for programs that know no more of style sheets than that.
const STYLE: &str = "
text{font:13px system-ui,sans-serif;fill:#1c2430}
.title{font-size:17px;font-weight:600}.soft{fill:#5b6675}
.ground{fill:#fff}.rule{stroke:#d9dee5;stroke-width:1}
.curve{fill:none;stroke:#1c2430;stroke-width:1.1;stroke-linejoin:round}
.level{stroke:#c65a00;stroke-width:1.4;stroke-dasharray:6 4}
.levelname{fill:#c65a00;paint-order:stroke;stroke:#fff;stroke-width:4px}
.busy{fill:#c65a00}.idle{fill:#1f6fb2;fill-opacity:.45}.job,.obeyed{fill:#7a4fa3}.held{fill:#b3123a}
.unknown{fill:url(#hatch)}.hatch{stroke:#8a8f98;stroke-width:2}.frame{fill:none;stroke:#d9dee5}
@media (prefers-color-scheme:dark){
text{fill:#e8ecf2}.soft{fill:#a3adba}.ground{fill:#141a22}.rule{stroke:#333c48}.curve{stroke:#e8ecf2}
.level{stroke:#f0924a}.levelname{fill:#f0924a;stroke:#141a22}
.busy{fill:#f0924a}.idle{fill:#6cb3ee}.job,.obeyed{fill:#bb97e0}.held{fill:#ff7d97}.hatch{stroke:#9aa1ab}.frame{stroke:#333c48}}
@media print{text,.soft{fill:#000}.ground{fill:#fff}.rule,.frame{stroke:#ccc}.curve{stroke:#000}.levelname{stroke:#fff}}";

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
        .add(Style::new(STYLE))
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
        let mut bar = Rectangle::new().set("class", stretch.shade.word());
        let (inset, thickness) = match stretch.shade {
            Shade::Busy | Shade::Job | Shade::Obeyed | Shade::Held => (0.0, STRIP_HEIGHT),
            Shade::Unknown => (3.0, STRIP_HEIGHT - 6.0),
            Shade::Idle => (6.0, STRIP_HEIGHT - 12.0),
        };
        bar = bar.set("x", round(LEFT + PLOT * from)).set("width", round(width));
        bar = bar.set("y", y + inset).set("height", thickness);
        if !stretch.note.is_empty() {
            bar.append(Title::new(stretch.note.as_str()));
        }
        group = group.add(bar);
    }
    group
}

/// The shades that occur, each with its word.
fn legend(mut document: SVG, picture: &Picture, height: f64) -> SVG {
    let mut x = LEFT;
    for shade in [Shade::Busy, Shade::Idle, Shade::Unknown, Shade::Job, Shade::Obeyed, Shade::Held] {
        let occurs = picture.strips.iter().flat_map(|strip| &strip.stretches).any(|it| it.shade == shade);
        if !occurs {
            continue;
        }
        let key = Rectangle::new().set("class", shade.word()).set("x", x).set("y", height - 20.0);
        document = document.add(key.set("width", 14).set("height", 12));
        document = document.add(label(shade.word(), x + 19.0, height - 10.0, "soft"));
        x += 90.0;
    }
    document
}
