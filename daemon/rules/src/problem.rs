//! What is wrong with a rules folder, told the way a person can act on it: place, fault, remedy.
//!
//! Text from the rules is escaped and bounded before it is shown: a rules file must not be able to drive a
//! terminal or flood a log.

use std::fmt;
use std::fmt::Write as _;

use super::codes::Code;
use super::confidential;

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// The rules cannot be used.
    Error,
    /// The rules can be used, and will probably disappoint.
    Warning,
}

impl Severity {
    pub const fn word(self) -> &'static str {
        match self {
            Severity::Error => "error",
            Severity::Warning => "warning",
        }
    }
}

/// One thing wrong, and where.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    pub code: Code,
    pub severity: Severity,
    /// Relative to the rules folder; empty when the folder itself is at fault.
    pub file: String,
    pub spot: Option<Spot>,
    pub message: String,
    /// What was expected, or what to do.
    pub help: Option<String>,
}

/// A stretch of one line of a file.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Spot {
    /// From 1.
    pub line: usize,
    /// In characters, from 1.
    pub column: usize,
    /// In characters, at least 1.
    pub width: usize,
    /// The whole line, escaped but not shortened.
    pub source: String,
}

/// As much of a line as is shown.
const SOURCE_CHARS_MAX: usize = 100;
/// As much of a text from the rules as is quoted.
const QUOTE_CHARS_MAX: usize = 64;

impl Spot {
    /// Where the bytes `start..end` of `text` are; a stretch over several lines is cut at the end of its first.
    pub(crate) fn locate(text: &str, start: usize, end: usize) -> Spot {
        let start = floor_boundary(text, start);
        let end = floor_boundary(text, end.max(start));
        let line_start = text[..start].rfind('\n').map_or(0, |at| at + 1);
        let line_end = text[start..].find('\n').map_or(text.len(), |at| start + at);
        let line = text[..start].matches('\n').count() + 1;
        let column = text[line_start..start].chars().count() + 1;
        let width = text[start..end.clamp(start, line_end)].trim_end().chars().count().max(1);
        let source = text[line_start..line_end].trim_end_matches('\r');
        let source = if confidential::is_confidential(text, start) {
            confidential::masked(source).chars().map(shown).collect()
        } else {
            source.chars().map(shown).collect()
        };
        Spot { line, column, width, source }
    }

    /// The line and the caret under it; long lines are shown around the caret.
    fn draw(&self, out: &mut String) {
        let gutter = self.line.to_string();
        let chars: Vec<char> = self.source.chars().collect();
        let from = if self.column > SOURCE_CHARS_MAX { self.column - SOURCE_CHARS_MAX / 2 } else { 0 };
        let shown: String = chars.iter().skip(from).take(SOURCE_CHARS_MAX).collect();
        let offset = self.column - 1 - from.min(self.column - 1);
        let width = self.width.min(SOURCE_CHARS_MAX.saturating_sub(offset)).max(1);
        let blank = " ".repeat(gutter.len());
        let _ = writeln!(out, "  {gutter} | {}", shown.trim_end());
        let _ = writeln!(out, "  {blank} | {}{}", " ".repeat(offset), "^".repeat(width));
    }
}

pub(super) fn floor_boundary(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

/// A character as it may reach a terminal.
fn shown(character: char) -> char {
    let hidden = matches!(character,
        '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{2069}' | '\u{FEFF}');
    match character {
        '\t' => ' ',
        _ if character.is_control() || hidden => '\u{FFFD}',
        _ => character,
    }
}

/// A text from the rules in quotation marks, safe to print.
pub(crate) fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    out.extend(text.chars().take(QUOTE_CHARS_MAX).map(shown));
    if text.chars().count() > QUOTE_CHARS_MAX {
        out.push('…');
    }
    out.push('"');
    out
}

/// A message of ours, whatever it quotes.
pub(crate) fn printable(message: &str) -> String {
    const MESSAGE_CHARS_MAX: usize = 1_000;
    message.chars().take(MESSAGE_CHARS_MAX).map(shown).collect()
}

/// A text from elsewhere, such as a detector's own words, safe to print on one line.
pub(crate) fn plain(text: &str) -> String {
    const PLAIN_CHARS_MAX: usize = 300;
    let mut out: String = text
        .chars()
        .take(PLAIN_CHARS_MAX)
        .map(|character| if character == '\n' { ' ' } else { shown(character) })
        .collect();
    if text.chars().count() > PLAIN_CHARS_MAX {
        out.push('…');
    }
    out
}

impl Problem {
    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }

    /// Without the place, for rules that nobody wrote.
    pub fn message_and_help(&self) -> String {
        match &self.help {
            Some(help) => format!("{}\nhelp: {help}", self.message),
            None => self.message.clone(),
        }
    }

    /// For the broker and the journal: without the line it stands in, so that no text of the rules leaves this
    /// computer.
    pub fn told(&self) -> String {
        match &self.help {
            Some(help) => format!("{self}\nhelp: {help}"),
            None => self.to_string(),
        }
    }

    /// With the line it stands in, for a terminal.
    pub fn render(&self) -> String {
        let mut out = format!("{self}\n");
        if let Some(spot) = &self.spot {
            spot.draw(&mut out);
        }
        if let Some(help) = &self.help {
            let _ = writeln!(out, "help: {help}");
        }
        out
    }

    /// For editors and scripts.
    pub fn to_json(&self) -> serde_json::Value {
        serde_json::json!({
            "code": self.code.word(),
            "severity": self.severity.word(),
            "file": self.file,
            "line": self.spot.as_ref().map(|spot| spot.line),
            "column": self.spot.as_ref().map(|spot| spot.column),
            "width": self.spot.as_ref().map(|spot| spot.width),
            "source": self.spot.as_ref().map(|spot| spot.source.as_str()),
            "message": self.message,
            "help": self.help,
        })
    }

    pub(crate) fn order(&self) -> (&str, &Option<Spot>, Severity, &str, &str) {
        (&self.file, &self.spot, self.severity, self.code.word(), &self.message)
    }
}

/// On one line, as in a log: `machines/laser.toml:14:9: no signal called "tube-curent" [unknown-name]`.
impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.file.is_empty() {
            write!(f, "{}:", plain(&self.file))?;
            if let Some(spot) = &self.spot {
                write!(f, "{}:{}:", spot.line, spot.column)?;
            }
            f.write_str(" ")?;
        }
        if self.severity == Severity::Warning {
            f.write_str("warning: ")?;
        }
        write!(f, "{} [{}]", self.message, self.code)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spot_is_counted_in_characters_and_stays_on_its_line() {
        let text = "a = 1\n  ä = \"öl\"\nlast";
        let start = text.find("\"öl\"").expect("it is there");
        let spot = Spot::locate(text, start, text.len());
        assert_eq!((spot.line, spot.column, spot.width), (2, 7, 4));
        assert_eq!(spot.source, "  ä = \"öl\"");
        // Inside a character, and past the end.
        assert_eq!(Spot::locate(text, 9, 9).line, 2);
        assert_eq!(Spot::locate(text, 999, 9999).line, 3);
        assert_eq!(Spot::locate("", 0, 5).column, 1);
    }

    #[test]
    fn nothing_from_the_rules_can_drive_a_terminal() {
        assert_eq!(quoted("a\x1b[2J\u{202E}b\n"), "\"a\u{FFFD}[2J\u{FFFD}b\u{FFFD}\"");
        assert_eq!(quoted(&"x".repeat(500)).chars().count(), QUOTE_CHARS_MAX + 3);
        assert!(!plain("one\ntwo\x07").contains(char::is_control));
    }

    #[test]
    fn a_long_line_is_shown_around_its_caret() {
        let text = format!("key = \"{}\"", "x".repeat(5_000));
        let mut out = String::new();
        Spot::locate(&text, 4_000, 4_010).draw(&mut out);
        assert!(out.lines().all(|line| line.chars().count() < 120), "{out}");
        assert!(out.contains("^^^^^^^^^^"), "{out}");
    }
}
