//! A picture as lines of text. Braille dots give two columns and four rows in each character.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Style};
use ratatui::symbols::Marker;
use ratatui::widgets::Widget as _;
use ratatui::widgets::canvas::{Canvas, Line, Points};

use super::axis::{Scale, day_label, time_label, times, value_label};
use super::{Picture, Shade, Strip};
use crate::palette::ColourRole;

/// Whether the terminal understands colours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Colour {
    Plain,
    Ansi,
}

const CURVE_ROWS: u16 = 12;
const MARGIN: u16 = 9;
const COLUMNS_MIN: u16 = 40;

pub(super) fn draw(picture: &Picture, columns: u16, colour: Colour) -> String {
    let columns = columns.max(COLUMNS_MIN);
    let rows = u16::try_from(picture.strips.len()).unwrap_or(u16::MAX).saturating_add(CURVE_ROWS + 1);
    let area = Rect::new(0, 0, columns, rows);
    let mut buffer = Buffer::empty(area);
    let plot = Rect::new(MARGIN, 0, columns - MARGIN, CURVE_ROWS);
    let highest = picture.curve.iter().map(|(_, value)| *value);
    let highest = highest.chain(picture.levels.iter().map(|level| level.value)).fold(0.0, f64::max);
    let scale = Scale::up_to(highest);
    curve(picture, scale, plot, &mut buffer);
    values(scale, &mut buffer);
    for (row, strip) in (CURVE_ROWS..).zip(&picture.strips) {
        line_of(picture, strip, row, plot, &mut buffer);
    }
    time_axis(picture, rows - 1, plot, &mut buffer);
    let text = rendered(&buffer, colour);
    let day = day_label(picture.from, &picture.zone);
    let legend = legend(picture, usize::from(columns), colour);
    format!("{}, {} on {day}\n{text}{legend}", picture.title, picture.quantity)
}

/// The shades that occur, each with its word; as many lines as that takes.
fn legend(picture: &Picture, columns: usize, colour: Colour) -> String {
    let mut text = String::new();
    let mut width = columns;
    for shade in picture.shades() {
        let (mark, style) = look(shade);
        let taken = 2 + mark.chars().count() + 1 + shade.word().chars().count();
        if width + taken > columns {
            let before = if text.is_empty() { "" } else { "\n" };
            width = usize::from(MARGIN);
            text.push_str(before);
            text.push_str(&" ".repeat(width));
        } else {
            text.push_str("  ");
        }
        width += taken;
        let painted = match (colour, style.fg) {
            (Colour::Ansi, Some(fg)) if fg != Color::Reset => {
                format!("{}{mark}{}", code(fg), code(Color::Reset))
            }
            (Colour::Ansi | Colour::Plain, _) => mark.to_owned(),
        };
        text.push_str(&format!("{painted} {}", shade.word()));
    }
    if !text.is_empty() {
        text.push('\n');
    }
    text
}

fn curve(picture: &Picture, scale: Scale, plot: Rect, buffer: &mut Buffer) {
    let dots = usize::from(plot.width) * 2;
    let runs = picture.columns(dots);
    let canvas = Canvas::default().marker(Marker::Braille);
    #[expect(clippy::cast_precision_loss, reason = "there are few columns")]
    let width = dots as f64;
    let canvas = canvas.x_bounds([0.0, width]).y_bounds([0.0, 1.0]).paint(|context| {
        for level in &picture.levels {
            let y = scale.place(level.value);
            let dotted: Vec<_> = (0..dots).step_by(4).map(|x| (as_f64(x), y)).collect();
            context.draw(&Points { coords: &dotted, color: colour_of(ColourRole::Working) });
        }
        for run in &runs {
            let mut before: Option<(f64, f64)> = None;
            for column in run {
                let x = as_f64(column.index);
                let (low, high) = (scale.place(column.low), scale.place(column.high));
                context.draw(&Line { x1: x, y1: low, x2: x, y2: high, color: Color::Reset });
                let first = scale.place(column.first);
                if let Some((x1, y1)) = before {
                    context.draw(&Line { x1, y1, x2: x, y2: first, color: Color::Reset });
                }
                before = Some((x, scale.place(column.last)));
            }
        }
    });
    canvas.render(plot, buffer);
}

#[expect(clippy::cast_precision_loss, reason = "there are few columns")]
fn as_f64(count: usize) -> f64 {
    count as f64
}

fn values(scale: Scale, buffer: &mut Buffer) {
    let mut free_above = CURVE_ROWS;
    for tick in scale.ticks() {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a row from 0 to 11")]
        let row = (f64::from(CURVE_ROWS - 1) * (1.0 - scale.place(tick))).round() as u16;
        if row >= free_above {
            continue;
        }
        free_above = row;
        buffer.set_string(0, row, format!("{:>7} ", value_label(tick)), Style::new());
    }
}

fn line_of(picture: &Picture, strip: &Strip, row: u16, plot: Rect, buffer: &mut Buffer) {
    buffer.set_string(0, row, format!("{:>7.7} ", strip.label), Style::new());
    for stretch in &strip.stretches {
        let cell = |place: f64| {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "inside the plot")]
            let cell = (place * f64::from(plot.width)) as u16;
            cell.min(plot.width - 1)
        };
        let (from, until) = (cell(picture.place(stretch.from)), cell(picture.place(stretch.until)));
        for column in from..=until {
            let (symbol, style) = look(stretch.shade);
            let place = &mut buffer[(plot.x + column, row)];
            // What is shorter than a column must not hide what must be seen.
            if !(matches!(stretch.shade, Shade::Idle | Shade::Off) && place.symbol() != " ") {
                place.set_symbol(symbol).set_style(style);
            }
        }
    }
}

fn look(shade: Shade) -> (&'static str, Style) {
    let mark = match shade {
        Shade::Job => "\u{2592}",
        Shade::Obeyed => "|",
        Shade::Busy | Shade::Idle | Shade::Unknown | Shade::Off | Shade::Held | Shade::Emergency => {
            shade.role().map_or(" ", ColourRole::mark)
        }
    };
    (mark, Style::new().fg(shade.role().map_or(Color::Reset, colour_of)))
}

fn colour_of(role: ColourRole) -> Color {
    role.tint().terminal.map_or(Color::Reset, Color::Indexed)
}

fn time_axis(picture: &Picture, row: u16, plot: Rect, buffer: &mut Buffer) {
    let length = picture.until.0 - picture.from.0;
    let mut free_from = 0;
    for at in times(picture.from, picture.until, &picture.zone, i64::from(plot.width / 9)) {
        let label = time_label(at, &picture.zone, length);
        let width = u16::try_from(label.len()).unwrap_or(u16::MAX);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "inside the plot")]
        let column = (picture.place(at) * f64::from(plot.width)) as u16;
        if column < free_from || column.saturating_add(width) > plot.width {
            continue;
        }
        buffer.set_string(plot.x + column, row, &label, Style::new());
        free_from = column + width + 1;
    }
}

fn rendered(buffer: &Buffer, colour: Colour) -> String {
    let mut text = String::new();
    for row in 0..buffer.area.height {
        let mut line = String::new();
        let mut current = Color::Reset;
        for column in 0..buffer.area.width {
            let cell = &buffer[(column, row)];
            if colour == Colour::Ansi && cell.fg != current && cell.symbol() != " " {
                line.push_str(&code(cell.fg));
                current = cell.fg;
            }
            line.push_str(cell.symbol());
        }
        text.push_str(line.trim_end());
        if current != Color::Reset {
            text.push_str(&code(Color::Reset));
        }
        text.push('\n');
    }
    text
}

/// Select graphic rendition, ECMA-48, 5th edition (1991), section 8.3.117: 0. One of 256 colours by 38;5 is what xterm
/// and most others have made of it (common practice, no source).
fn code(colour: Color) -> String {
    match colour {
        Color::Indexed(index) => format!("\u{1b}[38;5;{index}m"),
        _ => "\u{1b}[0m".to_owned(),
    }
}
