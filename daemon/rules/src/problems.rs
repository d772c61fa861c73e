//! Gathers problems, so that one run tells all of them.

use super::codes::Code;
use super::confidential;
use super::folder::Folder;
use super::problem::{Problem, Severity, Spot, floor_boundary, printable};
use super::words;

/// A stretch of bytes in one of the folder's files.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct SourceSpan {
    /// Index into the folder's files.
    pub(crate) file: usize,
    pub(crate) start: usize,
    pub(crate) end: usize,
}

/// A value and where it stands.
#[derive(Clone, Copy, Debug)]
pub(crate) struct At<T> {
    pub(crate) value: T,
    pub(crate) place: SourceSpan,
}

impl SourceSpan {
    pub(crate) fn of(file: usize, span: std::ops::Range<usize>) -> SourceSpan {
        SourceSpan { file, start: span.start, end: span.end }
    }

    /// The file as a whole.
    pub(crate) fn file(file: usize) -> SourceSpan {
        SourceSpan { file, start: 0, end: 0 }
    }

    /// Only where it begins.
    pub(crate) fn point(self) -> SourceSpan {
        SourceSpan { end: self.start, ..self }
    }
}

/// No rules folder needs more to be told at once, and each problem carries text.
const PROBLEMS_MAX: usize = 1_000;

pub(crate) struct Problems<'a> {
    pub(crate) folder: &'a Folder,
    problems: Vec<Problem>,
    /// Takes what comes after the limit.
    surplus: Problem,
}

impl<'a> Problems<'a> {
    pub(crate) fn new(folder: &'a Folder) -> Problems<'a> {
        Problems { folder, problems: folder.problems.clone(), surplus: blank() }
    }

    pub(crate) fn add(&mut self, code: Code, place: SourceSpan, message: String) -> &mut Problem {
        let (file, spot) = match self.folder.files.get(place.file) {
            Some(file) => (file.path.clone(), Some(Spot::locate(&file.text, place.start, place.end))),
            None => (String::new(), None),
        };
        // Once more here, so that no message can forget it.
        let message = printable(&message);
        let message = match self.folder.files.get(place.file) {
            Some(file) => self::shown(&file.text, place, message),
            None => message,
        };
        let problem = Problem { code, severity: code.severity(), file, spot, message, help: None };
        if self.problems.len() < PROBLEMS_MAX {
            self.problems.push(problem);
        } else {
            self.surplus = problem;
            return &mut self.surplus;
        }
        self.last()
    }

    /// The problem added last.
    pub(crate) fn last(&mut self) -> &mut Problem {
        self.problems.last_mut().unwrap_or(&mut self.surplus)
    }

    pub(crate) fn has_errors(&self) -> bool {
        self.problems.iter().any(Problem::is_error)
    }

    /// In order of file and position, each told once.
    pub(crate) fn finish(mut self) -> Vec<Problem> {
        self.problems.sort_by(|a, b| a.order().cmp(&b.order()));
        self.problems.dedup();
        self.problems
    }
}

/// The message, without the value it quotes where that may be a secret.
fn shown(text: &str, place: SourceSpan, message: String) -> String {
    let at = floor_boundary(text, place.start);
    if confidential::is_confidential(text, at) {
        confidential::without_quotes(&message, confidential::key_at(text, at))
    } else {
        message
    }
}

fn blank() -> Problem {
    let (file, message) = (String::new(), String::new());
    Problem { code: Code::BadToml, severity: Severity::Error, file, spot: None, message, help: None }
}

impl Problem {
    pub(crate) fn help(&mut self, help: String) -> &mut Problem {
        self.help = Some(printable(&help));
        self
    }

    /// The nearest known name, or else `otherwise`.
    pub(crate) fn nearest<'k>(
        &mut self,
        wrong: &str,
        known: impl IntoIterator<Item = &'k str>,
        otherwise: &str,
    ) -> &mut Problem {
        match words::nearest(wrong, known) {
            Some(near) => self.help(format!("did you mean \"{near}\"?")),
            None if otherwise.is_empty() => self,
            None => self.help(otherwise.to_owned()),
        }
    }

    pub(crate) fn severity(&mut self, severity: Severity) -> &mut Problem {
        self.severity = severity;
        self
    }
}
