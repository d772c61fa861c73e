//! The lines as a person reads them: 80 columns, a word in the margin, colour only where there is a terminal.

use std::io::IsTerminal;

use idlegate_pictures::palette::{self, ColourRole};

const WIDTH: usize = 80;
const INDENT: usize = 3;
const MARGIN: usize = 13;

/// How lines are set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Page {
    colour: bool,
}

/// What a line's word in the margin means to the eye.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tone {
    Plain,
    Good,
    Care,
    Bad,
}

impl Page {
    pub const PLAIN: Page = Page { colour: false };

    /// Coloured where standard output is a terminal and nobody has asked for no colour.
    pub fn for_stdout() -> Page {
        Page { colour: std::io::stdout().is_terminal() && palette::is_wanted() }
    }

    /// A scene's heading, after an empty line.
    pub fn title(self, number: usize, title: &str) -> Vec<String> {
        vec![String::new(), self.paint("1", &format!("{number}. {title}"))]
    }

    /// A paragraph from edge to edge.
    pub(crate) fn paragraph(self, text: &str) -> Vec<String> {
        wrap(text, WIDTH)
    }

    /// What happens.
    pub(crate) fn narration(self, text: &str) -> Vec<String> {
        wrap(text, WIDTH - INDENT).into_iter().map(|line| format!("{:INDENT$}{line}", "")).collect()
    }

    /// A word in the margin, and what is said beside it.
    pub fn margin(self, word: &str, tone: Tone, text: &str) -> Vec<String> {
        let room = MARGIN - INDENT;
        let painted = match tone {
            Tone::Plain => format!("{word:<room$}"),
            Tone::Good | Tone::Care | Tone::Bad => self.paint("1", &format!("{word:<room$}")),
        };
        let edge = self.edge(tone);
        let mut lines = wrap(text, WIDTH - MARGIN).into_iter();
        let first = lines.next().unwrap_or_default();
        let mut set = vec![format!("{edge}{painted}{first}").trim_end().to_owned()];
        set.extend(lines.map(|line| format!("{edge}{:room$}{line}", "")));
        set
    }

    /// The indent, with a coloured block at its left. No word is coloured: what can be seen both on black and on white
    /// is too faint for letters.
    fn edge(self, tone: Tone) -> String {
        let block = match tone {
            Tone::Plain => return " ".repeat(INDENT),
            // The ink, whatever colour that is.
            Tone::Good => "7".to_owned(),
            Tone::Care => ground(ColourRole::Held),
            Tone::Bad => ground(ColourRole::Urgent),
        };
        format!("{}{}", self.paint(&block, " "), " ".repeat(INDENT - 1))
    }

    fn paint(self, code: &str, text: &str) -> String {
        if self.colour { format!("\x1b[{code}m{text}\x1b[0m") } else { text.to_owned() }
    }
}

fn ground(role: ColourRole) -> String {
    role.tint().terminal.map_or_else(|| "7".to_owned(), |index| format!("48;5;{index}"))
}

/// Breaks at spaces; a word that is too long for a line has one for itself.
fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![];
    let mut line = String::new();
    for word in text.split_whitespace() {
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > width {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_wider_than_a_terminal_and_nothing_is_lost() {
        let text = "Filament printer stays on: 381.2 W, busy above 40 W. To switch it off all the same, hold \
                    the button down within 10 s, and think of the print.";
        let lines = Page::PLAIN.margin("held", Tone::Care, text);
        assert!(lines.len() > 1 && lines.iter().all(|line| line.chars().count() <= WIDTH), "{lines:#?}");
        let words: Vec<_> = lines.iter().flat_map(|line| line.split_whitespace()).skip(1).collect();
        assert_eq!(words, text.split_whitespace().collect::<Vec<_>>());
        assert!(lines[0].starts_with("   held      Filament"), "{:?}", lines[0]);
    }

    #[test]
    fn colour_adds_nothing_but_colour() {
        let coloured = Page { colour: true }.margin("acted", Tone::Good, "done");
        assert_eq!(coloured, ["\x1b[7m \x1b[0m  \x1b[1macted     \x1b[0mdone"]);
        assert_eq!(Page::PLAIN.margin("acted", Tone::Good, "done"), ["   acted     done"]);
    }
}
