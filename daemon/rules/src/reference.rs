//! Every key of the rules on one page, made from the very table that `check` goes by: as Markdown for
//! `daemon/RULES.md`, and as a manual page.

use std::fmt::Write as _;

use super::form::{Form, SECRET, TableForm};
use super::tables;

const INTRODUCTION: &str = "A rules folder holds `shop.toml`, a file in `machines/` for every machine (its name is the machine's name), and \
                            `inputs.toml`, or several files in `inputs/`. `idlegate check DIR` names every mistake in it, and \
                            `idlegate check --explain CODE` says more about each. Durations are texts with a unit, such as \"10s\", \
                            \"3min\" or \"1h 30min\".";
const DETECTORS: &str = "The `settings` of a detector are its own: plugins/README.md has those of the built-in ones, and \
                         `idlegate detector inspect FILE` shows those of any other.";

/// One table of keys, under the heading that a file has for it.
struct Section {
    heading: String,
    about: &'static str,
    rows: Vec<Row>,
}

struct Row {
    key: &'static str,
    needed: bool,
    takes: String,
    about: String,
}

fn sections() -> Vec<Section> {
    let mut book = Book { sections: Vec::new(), known: Vec::new() };
    for (file, form) in [
        ("shop.toml", &tables::SHOP),
        ("machines/NAME.toml", &tables::MACHINE),
        ("inputs.toml", &tables::INPUTS),
    ] {
        book.add(file, "", form);
    }
    book.sections
}

struct Book {
    sections: Vec<Section>,
    /// A table that occurs in several places is described in the first.
    known: Vec<(&'static TableForm, String)>,
}

impl Book {
    fn add(&mut self, file: &str, path: &str, form: &'static TableForm) {
        let heading = if path.is_empty() { file.to_owned() } else { format!("{file}: {path}") };
        self.known.push((form, heading.clone()));
        let at = self.sections.len();
        self.sections.push(Section { heading, about: form.about, rows: Vec::new() });
        for key in form.known() {
            let inner = if path.is_empty() { key.name.to_owned() } else { format!("{path}.{}", key.name) };
            let takes = self.takes(file, &inner, &key.form);
            self.sections[at].rows.push(Row { key: key.name, needed: key.needed, takes, about: key.about() });
        }
    }

    /// What a key takes; tables inside get a section of their own.
    fn takes(&mut self, file: &str, path: &str, form: &'static Form) -> String {
        match form {
            Form::Table(inner) => format!("a table: {}", self.section_of(file, path, inner)),
            Form::Secret => format!("a table: {}", self.section_of(file, path, &SECRET)),
            Form::Named(inner) => {
                format!("a table of names, each with {}", self.takes(file, &format!("{path}.NAME"), inner))
            }
            Form::List(inner) => format!("a list, each item {}", self.takes(file, path, inner)),
            Form::Keyed(known, inner) => {
                format!("a table with any of these keys: {}; each {}", known.join(", "), inner.expected())
            }
            Form::Either(forms) => {
                let each: Vec<String> = forms.iter().map(|form| self.takes(file, path, form)).collect();
                each.join(", or ")
            }
            Form::Duration { min, max } => format!("a duration, {min} to {max}"),
            Form::Number { min, max } => format!("a number, {min} to {max}"),
            Form::Count { min, max } => format!("a whole number, {min} to {max}"),
            Form::Text
            | Form::Word(_)
            | Form::Name
            | Form::Detector
            | Form::Topic
            | Form::Filter
            | Form::Prefix
            | Form::Pointer
            | Form::Unit
            | Form::Digest
            | Form::Range
            | Form::Switch
            | Form::Payload
            | Form::Settings
            | Form::WordNumbers
            | Form::Gone(_) => form.expected(),
        }
    }

    fn section_of(&mut self, file: &str, path: &str, form: &'static TableForm) -> String {
        if let Some((_, heading)) = self.known.iter().find(|(known, _)| std::ptr::eq(*known, form)) {
            return format!("see {heading}");
        }
        self.add(file, path, form);
        format!("see {file}: {path}")
    }
}

/// The page `daemon/RULES.md`.
pub fn markdown() -> String {
    let mut page = String::new();
    let mut line = |words: &str| {
        // A text never fails to take more.
        let _ = writeln!(page, "{words}");
    };
    line("# The keys of the rules\n");
    line(
        "Made from the table by which `idlegate check` goes, so it lists every key there is. Do not edit it by hand.\n",
    );
    line(&wrapped(INTRODUCTION));
    line("");
    line(&wrapped(DETECTORS));
    for section in sections() {
        line(&format!("\n## {}\n{}\n", section.heading, section.about));
        line("| key | takes | meaning |\n| --- | --- | --- |");
        for Row { key, needed, takes, about } in &section.rows {
            let needed = if *needed { " (needed)" } else { "" };
            line(&format!("| `{key}`{needed} | {} | {} |", cell(takes), cell(about)));
        }
    }
    page
}

fn cell(text: &str) -> String {
    text.replace('|', "\\|").replace('<', "&lt;")
}

fn wrapped(text: &str) -> String {
    let mut lines: Vec<String> = vec![String::new()];
    for word in text.split(' ') {
        let last = lines.last_mut().expect("there is always one line");
        if last.is_empty() {
            last.push_str(word);
        } else if last.len() + 1 + word.len() <= 130 {
            last.push(' ');
            last.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines.join("\n")
}

/// The manual page idlegate-rules(5).
pub fn manual(date: &str) -> String {
    let mut page = String::new();
    let mut line = |words: &str| {
        let _ = writeln!(page, "{words}");
    };
    line(&format!(".TH IDLEGATE-RULES 5 \"{date}\" \"Idlegate {}\" Idlegate", env!("CARGO_PKG_VERSION")));
    line(".SH NAME\nidlegate\\-rules \\- the keys of the rules folder");
    line(&format!(".SH DESCRIPTION\n{}\n.PP\n{}", roff(INTRODUCTION), roff(DETECTORS)));
    for section in sections() {
        line(&format!(".SH {}\n{}", roff(&section.heading.to_uppercase()), roff(section.about)));
        for Row { key, needed, takes, about } in &section.rows {
            let needed = if *needed { ", needed" } else { "" };
            line(&format!(".TP\n.B {}\n({}{needed})\n{}", roff(key), roff(takes), roff(about)));
        }
    }
    line(".SH SEE ALSO\n.BR idlegate (1)");
    page
}

/// Text that no character of it is taken for a command.
fn roff(text: &str) -> String {
    let escaped = text.replace('\\', "\\e").replace('-', "\\-").replace('`', "");
    if escaped.starts_with(['.', '\'']) { format!("\\&{escaped}") } else { escaped }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAGE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../RULES.md");

    #[test]
    fn the_page_in_the_repository_is_what_the_table_says() {
        if std::env::var_os("UPDATE_EXPECTED").is_some_and(|it| it == "1") {
            std::fs::write(PAGE, markdown()).unwrap();
        }
        let written = std::fs::read_to_string(PAGE).unwrap();
        assert!(written == markdown(), "UPDATE_EXPECTED=1 idlegate's tests write {PAGE} anew");
    }

    #[test]
    fn every_table_of_the_rules_has_a_section_and_each_only_one() {
        let headings: Vec<String> = sections().into_iter().map(|section| section.heading).collect();
        for expected in [
            "shop.toml: broker.tls",
            "machines/NAME.toml: outlet.state",
            "machines/NAME.toml: signals.NAME",
            "machines/NAME.toml: detectors",
            "inputs.toml: inputs.NAME",
            "inputs.toml: inputs.NAME.schedule",
        ] {
            assert!(headings.iter().any(|heading| heading == expected), "{expected} in {headings:?}");
        }
        let mut once = headings.clone();
        once.sort();
        once.dedup();
        assert_eq!(once.len(), headings.len(), "{headings:?}");
    }
}
