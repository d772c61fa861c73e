//! What a rules file may look like, as data: which keys there are, what each takes, and what it is for.
//!
//! One description serves three ends, which therefore cannot drift apart: the check of a file's form, the JSON
//! Schema for editors, and the table of keys in the documentation.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::codes::Code;
use super::problem::quoted;
use super::report::{Place, Report};
use super::words;
use crate::event::Name;
use crate::intake::reads_as_number;
use crate::time::Span;

/// A table with known keys.
#[derive(Debug)]
pub(crate) struct Shape {
    pub(crate) about: &'static str,
    pub(crate) keys: &'static [Key],
}

#[derive(Debug)]
pub(crate) struct Key {
    pub(crate) name: &'static str,
    pub(crate) form: Form,
    pub(crate) needed: bool,
    pub(crate) about: &'static str,
}

/// What a value must be.
#[derive(Debug)]
pub(crate) enum Form {
    Text,
    /// One of these words.
    Word(&'static [&'static str]),
    Name,
    /// Of a detector that comes with Idlegate; who names a file here is told where it belongs.
    Detector,
    Topic,
    Filter,
    Prefix,
    Pointer,
    Unit,
    /// Hexadecimal SHA-256.
    Digest,
    Number {
        min: f64,
        max: f64,
    },
    /// Smallest and largest plausible value.
    Range,
    Count {
        min: i64,
        max: i64,
    },
    Switch,
    Duration {
        min: Span,
        max: Span,
    },
    /// A payload: a text, or a whole number or true or false that stands for its text.
    Payload,
    /// Where a password is kept.
    Secret,
    /// A detector's settings: checked against what the detector declares.
    Settings,
    Table(&'static Shape),
    List(&'static Form),
    /// A table of names that are the user's own.
    Named(&'static Form),
    /// A table whose keys come from a list elsewhere.
    Keyed(&'static [&'static str], &'static Form),
    /// A table of words as somebody else sends them, each with the number it stands for.
    WordNumbers,
    /// The first whose TOML type fits is meant.
    Either(&'static [Form]),
}

pub(crate) const fn key(name: &'static str, form: Form, about: &'static str) -> Key {
    Key { name, form, needed: false, about }
}

pub(crate) const fn needed(name: &'static str, form: Form, about: &'static str) -> Key {
    Key { name, form, needed: true, about }
}

pub(crate) const fn duration(min: Span, max: Span) -> Form {
    Form::Duration { min, max }
}

impl Form {
    /// As it reads after "expected".
    pub(crate) fn expected(&self) -> String {
        match self {
            Form::Text => "text in quotation marks".to_owned(),
            // A mark of punctuation is hard to make out between others.
            Form::Word(words)
                if words.iter().any(|word| word.bytes().all(|byte| byte.is_ascii_punctuation())) =>
            {
                format!("one of {}", words.iter().map(|word| quoted(word)).collect::<Vec<_>>().join(", "))
            }
            Form::Word(words) => format!("one of {}", words.join(", ")),
            Form::Name => "a name".to_owned(),
            Form::Detector => "the name of a detector such as \"power-threshold\"".to_owned(),
            Form::Topic => "a topic such as \"outlets/bench-3/order\"".to_owned(),
            Form::Filter => "a topic or topic filter such as \"meters/bench-3\"".to_owned(),
            Form::Prefix => "topic levels such as \"idlegate\"".to_owned(),
            Form::Pointer => "a JSON Pointer such as \"/watts\"".to_owned(),
            Form::Unit => "a unit such as \"W\"".to_owned(),
            Form::Digest => "a SHA-256 of 64 hexadecimal digits".to_owned(),
            Form::Number { .. } => "a number".to_owned(),
            Form::Range => "two numbers such as [0, 5000]".to_owned(),
            Form::Count { .. } => "a whole number".to_owned(),
            Form::Switch => "true or false".to_owned(),
            Form::Duration { .. } => "a duration such as \"10s\" or \"1h 30min\"".to_owned(),
            Form::Payload => "text, a whole number, true or false".to_owned(),
            Form::Secret => "a table such as { env = \"NAME\" }".to_owned(),
            Form::Settings | Form::Table(_) | Form::Named(_) | Form::Keyed(..) => "a table".to_owned(),
            Form::WordNumbers => "words and their numbers such as { open = 0, closed = 1 }".to_owned(),
            Form::List(item) => format!("a list, each item {}", item.expected()),
            Form::Either(forms) => forms.iter().map(Form::expected).collect::<Vec<_>>().join(", or "),
        }
    }

    /// Whether a value of this TOML type can be meant at all.
    fn accepts(&self, value: &DeValue<'_>) -> bool {
        match self {
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
            | Form::Duration { .. } => value.is_str(),
            Form::Number { .. } => value.is_float() || value.is_integer(),
            Form::Count { .. } => value.is_integer(),
            Form::Switch => value.is_bool(),
            Form::Payload => value.is_str() || value.is_integer() || value.is_bool(),
            // A text gets an answer of its own.
            Form::Secret => value.is_str() || value.is_table(),
            Form::Settings | Form::Table(_) | Form::Named(_) | Form::Keyed(..) | Form::WordNumbers => {
                value.is_table()
            }
            Form::List(_) | Form::Range => value.is_array(),
            Form::Either(forms) => forms.iter().any(|form| form.accepts(value)),
        }
    }

    /// Reports whatever is wrong with `value`, down to the last leaf.
    fn check(&self, name: &str, value: &Spanned<DeValue<'_>>, file: usize, report: &mut Report<'_>) {
        let place = Place::of(file, value.span());
        if !self.accepts(value.get_ref()) {
            self.wrong_type(name, value, place, report);
            return;
        }
        let text = value.get_ref().as_str().unwrap_or_default();
        match self {
            Form::Text => {
                if text.len() > TEXT_BYTES_MAX {
                    report.add(
                        Code::OutOfRange,
                        place,
                        format!("{name} is longer than {TEXT_BYTES_MAX} bytes"),
                    );
                }
            }
            Form::Word(known) => {
                if !known.contains(&text) {
                    let problem =
                        report.add(Code::UnknownWord, place, format!("{name} cannot be {}", quoted(text)));
                    problem.nearest(text, known.iter().copied(), &format!("write {}", self.expected()));
                }
            }
            Form::Name => check_name(text, place, report),
            Form::Detector if text.ends_with(".wasm") => {
                let problem = report.add(Code::BadName, place, format!("{} is not a name", quoted(text)));
                problem.help(format!("for a detector in a file, write file = {}", quoted(text)));
            }
            Form::Detector => check_name(text, place, report),
            Form::Topic => told(Code::BadTopic, words::topic(text), name, text, place, report),
            Form::Filter => told(Code::BadTopic, words::filter(text), name, text, place, report),
            Form::Prefix => told(Code::BadTopic, words::prefix(text), name, text, place, report),
            Form::Pointer => {
                let outcome = words::pointer(text);
                let wrong = outcome.is_err();
                told(Code::BadPointer, outcome, name, text, place, report);
                if wrong && !text.starts_with('/') {
                    let dotted = text.trim_start_matches(['$', '.']).replace('.', "/");
                    report.last().help(format!("write \"/{}\"", dotted.trim_start_matches('/')));
                }
            }
            Form::Unit => {
                if !words::UNITS.contains(&text) {
                    let message = format!("{name} {} is not a known unit", quoted(text));
                    let problem = report.add(Code::UnknownUnit, place, message);
                    match words::nearest_unit(text) {
                        Some(near) => problem.help(format!("did you mean \"{near}\"?")),
                        None => problem
                            .help("write a code such as W, kW, Wh, V, A, mA, Cel, %, %RH, Pa".to_owned()),
                    };
                }
            }
            Form::Digest => {
                if text.len() != 64 || !text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f')) {
                    report.add(Code::OutOfRange, place, format!("{name} is not a SHA-256")).help(
                        "write 64 hexadecimal digits in lower case, as `sha256sum FILE` prints them"
                            .to_owned(),
                    );
                }
            }
            Form::Number { min, max } => match number(value.get_ref()) {
                Some(number) if (*min..=*max).contains(&number) => {}
                Some(_) | None => {
                    report
                        .add(Code::OutOfRange, place, format!("{name} is out of range"))
                        .help(format!("expected a number from {min} to {max}"));
                }
            },
            Form::Range => {
                if range(value.get_ref()).is_none() {
                    report
                        .add(Code::OutOfRange, place, format!("{name} is not a range"))
                        .help("expected the smallest and the largest value, such as [0, 5000]".to_owned());
                }
            }
            Form::Count { min, max } => match integer(value.get_ref()) {
                Some(number) if (*min..=*max).contains(&number) => {}
                Some(_) | None => {
                    report
                        .add(Code::OutOfRange, place, format!("{name} is out of range"))
                        .help(format!("expected a whole number from {min} to {max}"));
                }
            },
            Form::Switch => {}
            Form::Duration { min, max } => match words::duration(text) {
                Err(why) => {
                    let problem = report.add(
                        Code::BadDuration,
                        place,
                        format!("{name} {} is not a duration: {why}", quoted(text)),
                    );
                    problem.help("write it as \"10s\", \"3min\" or \"1h 30min\"".to_owned());
                }
                Ok(span) if span < *min || span > *max => {
                    report
                        .add(Code::OutOfRange, place, format!("{name} is out of range: {span}"))
                        .help(format!("expected {min} to {max}"));
                }
                Ok(_) => {}
            },
            Form::Payload => {
                if text.len() > TEXT_BYTES_MAX {
                    report.add(
                        Code::OutOfRange,
                        place,
                        format!("{name} is longer than {TEXT_BYTES_MAX} bytes"),
                    );
                }
            }
            Form::Secret => match value.get_ref().as_table() {
                Some(table) => check_table(&SECRET, name, table, place, report),
                None => {
                    report
                        .add(Code::SecretInClear, place.point(), format!("{name} must not be written in the rules"))
                        .help(format!("write {name} = {{ env = \"NAME\" }}, {{ file = \"/path\" }} or {{ credential = \"name\" }}"));
                }
            },
            // The detector itself is asked, once it is known which.
            Form::Settings => {}
            Form::Table(shape) => {
                if let Some(table) = value.get_ref().as_table() {
                    check_table(shape, name, table, place, report);
                }
            }
            Form::List(item) => {
                for entry in value.get_ref().as_array().into_iter().flat_map(|array| array.iter()) {
                    item.check(name, entry, file, report);
                }
            }
            Form::Named(form) => {
                for (key, entry) in value.get_ref().as_table().into_iter().flatten() {
                    check_name(key.get_ref(), Place::of(file, key.span()), report);
                    form.check(&format!("{name}.{}", bare(key.get_ref())), entry, file, report);
                }
            }
            Form::Keyed(known, form) => {
                for (key, entry) in value.get_ref().as_table().into_iter().flatten() {
                    if !known.contains(&key.get_ref().as_ref()) {
                        unknown_key(name, key, known, file, report);
                        continue;
                    }
                    form.check(key.get_ref(), entry, file, report);
                }
            }
            Form::WordNumbers => {
                if let Some(table) = value.get_ref().as_table() {
                    check_word_numbers(name, table, place, report);
                }
            }
            Form::Either(forms) => {
                if let Some(form) = forms.iter().find(|form| form.accepts(value.get_ref())) {
                    form.check(name, value, file, report);
                }
            }
        }
    }

    fn wrong_type(&self, name: &str, value: &Spanned<DeValue<'_>>, place: Place, report: &mut Report<'_>) {
        let found = match value.get_ref() {
            DeValue::String(text) => quoted(text),
            DeValue::Integer(number) => format!("the number {}", number.as_str()),
            DeValue::Float(number) => format!("the number {}", number.as_str()),
            DeValue::Boolean(switch) => switch.to_string(),
            DeValue::Datetime(_) => "a date".to_owned(),
            DeValue::Array(_) => "a list".to_owned(),
            DeValue::Table(_) => "a table".to_owned(),
        };
        let problem =
            report.add(Code::WrongType, place, format!("expected {}, found {found}", self.expected()));
        match (self, value.get_ref()) {
            (Form::Duration { .. }, DeValue::Integer(number)) => {
                problem.help(format!("write it with a unit, such as {name} = \"{}s\"", number.as_str()));
            }
            (Form::List(_), DeValue::String(_)) => {
                problem.help(format!("write it in brackets: {name} = [{found}]"));
            }
            (Form::Number { .. } | Form::Count { .. } | Form::Switch, DeValue::String(_)) => {
                problem.help("write it without quotation marks".to_owned());
            }
            _ => {}
        }
    }
}

/// More states than any contact or switch has.
pub(crate) const WORD_NUMBERS_MAX: usize = 64;

fn check_word_numbers(name: &str, table: &DeTable<'_>, place: Place, report: &mut Report<'_>) {
    let number = Form::Number { min: *words::WORD_NUMBERS.start(), max: *words::WORD_NUMBERS.end() };
    if table.is_empty() || table.len() > WORD_NUMBERS_MAX {
        let message = format!("{name} has {} words", table.len());
        report.add(Code::OutOfRange, place, message).help(format!("expected from 1 to {WORD_NUMBERS_MAX}"));
    }
    for (word, value) in table {
        let text = word.get_ref();
        let at = Place::of(place.file, word.span());
        if text.trim() != text || text.is_empty() || text.len() > TEXT_BYTES_MAX {
            let message = format!("{} in {name} can never match", quoted(text));
            report
                .add(Code::OutOfRange, at, message)
                .help("white space around a word is removed before it is compared".to_owned());
        } else if reads_as_number(text) {
            let message = format!("{} in {name} is a number already", quoted(text));
            report.add(Code::NumberAsWord, at, message).help(
                "list words only; numbers are read as they are, and scale and offset can change them"
                    .to_owned(),
            );
        }
        number.check(&format!("{name}.{}", bare(text)), value, place.file, report);
    }
}

/// As long as a title or a sentence may be.
const TEXT_BYTES_MAX: usize = 1024;

pub(crate) static SECRET: Shape = Shape {
    about: "Where a password is kept: exactly one of these.",
    keys: &[
        key("env", Form::Text, "Name of an environment variable of the service."),
        key("file", Form::Text, "Path of a file that only the service may read."),
        key("credential", Form::Text, "Name of a credential that the service manager passes in."),
    ],
};

/// Reports unknown and missing keys, and whatever is wrong with the values of the known ones.
pub(crate) fn check_table(
    shape: &'static Shape,
    name: &str,
    table: &DeTable<'_>,
    place: Place,
    report: &mut Report<'_>,
) {
    for (key, value) in table {
        match shape.keys.iter().find(|known| known.name == key.get_ref()) {
            Some(known) => known.form.check(known.name, value, place.file, report),
            None => {
                let known: Vec<&str> = shape.keys.iter().map(|known| known.name).collect();
                unknown_key(name, key, &known, place.file, report);
            }
        }
    }
    for missing in shape.keys.iter().filter(|key| key.needed) {
        if !table.iter().any(|(key, _)| key.get_ref() == missing.name) {
            let from = if name.is_empty() { String::new() } else { format!(" from {name}") };
            let what = match missing.form {
                Form::Table(_) => format!("[{}] is missing{from}", missing.name),
                _ => format!("{} is missing{from}", missing.name),
            };
            report.add(Code::MissingKey, place, what).help(format!(
                "expected {}: {}",
                missing.form.expected(),
                missing.about
            ));
        }
    }
}

fn unknown_key(
    name: &str,
    key: &Spanned<std::borrow::Cow<'_, str>>,
    known: &[&str],
    file: usize,
    report: &mut Report<'_>,
) {
    let within = if name.is_empty() { String::new() } else { format!(" in {name}") };
    let text = key.get_ref();
    let message = format!("no key called {}{within}", quoted(text));
    let problem = report.add(Code::UnknownKey, Place::of(file, key.span()), message);
    problem.nearest(text, known.iter().copied(), &format!("known keys: {}", known.join(", ")));
}

fn check_name(text: &str, place: Place, report: &mut Report<'_>) {
    if Name::new(text).is_err() {
        let problem = report.add(Code::BadName, place, format!("{} is not a name", quoted(text)));
        let fixed: String = text
            .to_lowercase()
            .chars()
            .map(|character| if character.is_ascii_alphanumeric() { character } else { '-' })
            .take(Name::LEN_MAX)
            .collect();
        let fixed = fixed.trim_matches('-');
        match Name::new(fixed) {
            Ok(_) if text.is_ascii() => {
                problem.help(format!("use 1 to 32 of the characters a-z, 0-9 and -, such as \"{fixed}\""))
            }
            Ok(_) | Err(_) => problem.help("use 1 to 32 of the characters a-z, 0-9 and -".to_owned()),
        };
    }
}

fn told(
    code: Code,
    outcome: Result<(), &'static str>,
    name: &str,
    text: &str,
    place: Place,
    report: &mut Report<'_>,
) {
    if let Err(why) = outcome {
        report.add(code, place, format!("{name} {}: {why}", quoted(text)));
    }
}

/// A name from the rules within a message.
fn bare(text: &str) -> String {
    let text = quoted(text);
    text.trim_matches('"').to_owned()
}

pub(crate) fn integer(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

/// Finite, or nothing.
pub(crate) fn number(value: &DeValue<'_>) -> Option<f64> {
    let number: f64 = match value {
        DeValue::Float(float) => float.as_str().parse().ok()?,
        // Whole numbers in rules are far below the 2^53 up to which this is exact.
        DeValue::Integer(_) => i32::try_from(integer(value)?).ok()?.into(),
        DeValue::String(_)
        | DeValue::Boolean(_)
        | DeValue::Datetime(_)
        | DeValue::Array(_)
        | DeValue::Table(_) => return None,
    };
    number.is_finite().then_some(number)
}

pub(crate) fn range(value: &DeValue<'_>) -> Option<(f64, f64)> {
    let array = value.as_array()?;
    let mut numbers = array.iter().map(|entry| number(entry.get_ref()));
    match (numbers.next(), numbers.next(), numbers.next()) {
        (Some(Some(low)), Some(Some(high)), None) if low < high => Some((low, high)),
        _ => None,
    }
}
