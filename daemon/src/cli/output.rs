//! The one gate for what a command prints. Much of it comes from outside: names from the broker, sentences of
//! detectors, names of files. None of it may move the cursor, set the window's title or reverse the writing direction.

use std::fmt;
use std::io::{self, Write};

use super::exit_code::Exit;
use idlegate_plan::text::{coloured as only_coloured, escaped, harmless};

/// A line for people on standard output.
macro_rules! print_line {
    ($($text:tt)*) => { $crate::cli::output::line(format_args!($($text)*)) };
}

/// The same without the end of the line, shown at once: a question, or text that brings its own line ends.
macro_rules! print_text {
    ($($text:tt)*) => { $crate::cli::output::text(format_args!($($text)*)) };
}

/// A line for people on standard error.
macro_rules! print_error {
    ($($text:tt)*) => { $crate::cli::output::error(format_args!($($text)*)) };
}

pub(super) use {print_error, print_line, print_text};

/// How text from outside is made harmless.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    /// For people: what could drive a terminal becomes a replacement character.
    Words,
    /// JSON, where it becomes an escape, so that a script reads exactly what was meant.
    Json,
    /// Pictures and scenes in our own colours, the one thing beside text that may pass.
    Coloured,
}

pub(super) fn line(text: fmt::Arguments<'_>) {
    heard(writeln!(Gate::stdout(Form::Words), "{text}"));
}

pub(super) fn text(text: fmt::Arguments<'_>) {
    let mut out = Gate::stdout(Form::Words);
    heard(write!(out, "{text}").and_then(|()| out.flush()));
}

pub(super) fn json(value: &serde_json::Value) {
    heard(writeln!(Gate::stdout(Form::Json), "{value}"));
}

/// Over several lines, for people who read JSON.
pub(super) fn json_over_lines(value: &serde_json::Value) {
    heard(writeln!(Gate::stdout(Form::Json), "{value:#}"));
}

pub(super) fn coloured(text: &str) {
    heard(writeln!(Gate::stdout(Form::Coloured), "{text}"));
}

/// For `--json` or not.
pub(super) const fn form(json: bool) -> Form {
    if json { Form::Json } else { Form::Words }
}

/// Nobody reads standard error any more? Then there is nobody to tell, and the work goes on.
pub(super) fn error(text: fmt::Arguments<'_>) {
    let _ = writeln!(Gate { form: Form::Words, to: io::stderr().lock() }, "{text}");
}

/// Whoever read the output has left, as `head` does after its last line: that is no failure, and nobody is left to
/// print for.
fn heard(written: io::Result<()>) {
    if let Err(error) = written {
        let exit = if error.kind() == io::ErrorKind::BrokenPipe { Exit::Good } else { Exit::Internal };
        std::process::exit(i32::from(exit.number()));
    }
}

/// Text goes in by `write!`, in whole pieces of UTF-8, and comes out harmless.
pub(super) struct Gate<Out> {
    pub(super) form: Form,
    pub(super) to: Out,
}

impl Gate<io::StdoutLock<'static>> {
    pub(super) fn stdout(form: Form) -> Gate<io::StdoutLock<'static>> {
        Gate { form, to: io::stdout().lock() }
    }
}

impl<Out: Write> Write for Gate<Out> {
    fn write(&mut self, piece: &[u8]) -> io::Result<usize> {
        let text = String::from_utf8_lossy(piece);
        match self.form {
            Form::Words => self.to.write_all(harmless(&text).as_bytes())?,
            Form::Json => self.to.write_all(escaped(&text).as_bytes())?,
            Form::Coloured => self.to.write_all(only_coloured(&text).as_bytes())?,
        }
        Ok(piece.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DIRTY: &str = "lathe\u{1b}]0;owned\u{7}\u{202e}\u{9b}1m\nnext\tcolumn";

    fn passed(form: Form) -> String {
        let mut gate = Gate { form, to: Vec::new() };
        write!(gate, "{DIRTY}").unwrap();
        String::from_utf8(gate.to).unwrap()
    }

    #[test]
    fn words_lose_what_drives_a_terminal_and_keep_lines_and_columns() {
        assert_eq!(passed(Form::Words), "lathe�]0;owned��\u{fffd}1m\nnext\tcolumn");
    }

    #[test]
    fn a_picture_keeps_its_colours_and_nothing_else() {
        let mut gate = Gate { form: Form::Coloured, to: Vec::new() };
        write!(gate, "\u{1b}[38;5;25m█\u{1b}[0m \u{1b}[2J\u{1b}]0;owned\u{7}").unwrap();
        assert_eq!(String::from_utf8(gate.to).unwrap(), "\u{1b}[38;5;25m█\u{1b}[0m �[2J�]0;owned�");
    }

    #[test]
    fn json_says_the_same_to_a_script_and_nothing_to_a_terminal() {
        let value = serde_json::json!({ "title": DIRTY });
        let mut gate = Gate { form: Form::Json, to: Vec::new() };
        write!(gate, "{value}").unwrap();
        let printed = String::from_utf8(gate.to).unwrap();
        assert!(!printed.contains(|c: char| c.is_control() || c == '\u{202e}'), "{printed}");
        assert_eq!(serde_json::from_str::<serde_json::Value>(&printed).unwrap(), value);
    }
}
