//! The check of a file's form: whatever is wrong with a value, down to the last leaf.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{Form, Key, SECRET, TableForm, WORD_NUMBERS_MAX, integer, number, range};
use crate::codes::Code;
use crate::problem::quoted;
use crate::problems::{Problems, SourceSpan};
use crate::slips;
use crate::tables::{MACHINE, SHOP};
use crate::words;
use idlegate_engine::intake::reads_as_number;
use idlegate_guard::time::Span;
use idlegate_plan::event::Name;

/// As long as a title or a sentence may be.
const TEXT_BYTES_MAX: usize = 1024;

impl Form {
    /// Reports whatever is wrong with `value`, down to the last leaf.
    fn check(&self, name: &str, value: &Spanned<DeValue<'_>>, file: usize, problems: &mut Problems<'_>) {
        let place = SourceSpan::of(file, value.span());
        let toml = value.get_ref();
        if !self.accepts(toml) {
            self.wrong_type(name, toml, place, problems);
            return;
        }
        let text = toml.as_str().unwrap_or_default();
        let mut leaf = Leaf { name, text, place, problems };
        match self {
            Form::Text | Form::Payload => leaf.length(),
            Form::Word(known) => leaf.word(known, self),
            Form::Name => check_name(text, place, problems),
            Form::Detector => leaf.detector(),
            Form::Topic => leaf.topic(words::topic(text)),
            Form::Filter => leaf.topic(words::filter(text)),
            Form::Prefix => leaf.tell(Code::BadTopic, words::prefix(text)),
            Form::Pointer => leaf.pointer(),
            Form::Unit => leaf.unit(),
            Form::Digest => leaf.digest(),
            Form::Number { min, max } => {
                let fits = number(toml).is_some_and(|number| (*min..=*max).contains(&number));
                leaf.in_range(fits, || format!("expected a number from {min} to {max}"));
            }
            Form::Count { min, max } => {
                let fits = integer(toml).is_some_and(|number| (*min..=*max).contains(&number));
                leaf.in_range(fits, || format!("expected a whole number from {min} to {max}"));
            }
            Form::Range => leaf.range(toml),
            Form::Duration { min, max } => leaf.duration(*min, *max),
            Form::Switch => {}
            // The detector itself is asked, once it is known which.
            Form::Settings => {}
            // Told with the key.
            Form::Gone(_) => {}
            Form::Secret => check_secret(name, toml, place, problems),
            Form::Table(form) => {
                toml.as_table().into_iter().for_each(|table| check_table(form, name, table, place, problems));
            }
            Form::List(item) => {
                let entries = toml.as_array().into_iter().flat_map(|array| array.iter());
                entries.for_each(|entry| item.check(name, entry, file, problems));
            }
            Form::Named(form) => check_named(name, toml, form, file, problems),
            Form::Keyed(known, form) => check_keyed(name, toml, (*known, *form), file, problems),
            Form::WordNumbers => {
                toml.as_table()
                    .into_iter()
                    .for_each(|table| check_word_numbers(name, table, place, problems));
            }
            Form::Either(forms) => {
                let meant = forms.iter().find(|form| form.accepts(toml));
                meant.into_iter().for_each(|form| form.check(name, value, file, problems));
            }
        }
    }

    fn wrong_type(&self, name: &str, value: &DeValue<'_>, place: SourceSpan, problems: &mut Problems<'_>) {
        let found = match value {
            DeValue::String(text) => quoted(text),
            DeValue::Integer(number) => format!("the number {}", number.as_str()),
            DeValue::Float(number) => format!("the number {}", number.as_str()),
            DeValue::Boolean(switch) => switch.to_string(),
            DeValue::Datetime(_) => "a date".to_owned(),
            DeValue::Array(_) => "a list".to_owned(),
            DeValue::Table(_) => "a table".to_owned(),
        };
        let problem =
            problems.add(Code::WrongType, place, format!("expected {}, found {found}", self.expected()));
        match (self, value) {
            (Form::Duration { .. }, DeValue::Integer(number)) => {
                problem.help(format!("write it with a unit, such as {name} = \"{}s\"", number.as_str()));
            }
            (Form::List(Form::Table(_)), DeValue::Table(_)) => {
                problem
                    .help(format!("there may be several, so write it in two pairs of brackets: [[{name}]]"));
            }
            (Form::List(_), DeValue::String(_)) => {
                problem.help(format!("write it in brackets: {name} = [{found}]"));
            }
            (Form::Number { .. }, DeValue::String(text)) if slips::with_comma(text).is_some() => {
                let point = slips::with_comma(text).unwrap_or_default();
                problem.help(format!("write it with a point and without quotation marks: {point}"));
            }
            (Form::Number { .. } | Form::Count { .. } | Form::Switch, DeValue::String(_)) => {
                problem.help("write it without quotation marks".to_owned());
            }
            _ => {}
        }
    }
}

/// A value that is made of no others.
struct Leaf<'v, 'f> {
    name: &'v str,
    /// Empty where it is no text.
    text: &'v str,
    place: SourceSpan,
    problems: &'v mut Problems<'f>,
}

impl Leaf<'_, '_> {
    fn length(&mut self) {
        if self.text.len() > TEXT_BYTES_MAX {
            let message = format!("{} is longer than {TEXT_BYTES_MAX} bytes", self.name);
            self.problems.add(Code::OutOfRange, self.place, message);
        }
    }

    fn word(&mut self, known: &[&'static str], form: &Form) {
        if !known.contains(&self.text) {
            let message = format!("{} cannot be {}", self.name, quoted(self.text));
            let problem = self.problems.add(Code::UnknownWord, self.place, message);
            problem.nearest(self.text, known.iter().copied(), &format!("write {}", form.expected()));
        }
    }

    fn detector(&mut self) {
        let Leaf { text, place, .. } = *self;
        if !text.ends_with(".wasm") {
            check_name(text, place, self.problems);
            return;
        }
        let problem = self.problems.add(Code::BadName, place, format!("{} is not a name", quoted(text)));
        problem.help(format!("for a detector in a file, write file = {}", quoted(text)));
    }

    fn topic(&mut self, outcome: Result<(), &'static str>) {
        self.tell(Code::BadTopic, outcome);
        if self.text.split('/').any(|level| level.trim() != level) {
            let (name, text) = (self.name, quoted(self.text));
            let message = format!("{name} {text} has white space at an end of a level");
            self.problems.add(Code::OddTopic, self.place, message).help(
                "to the broker that is another topic; remove it unless the sender has it, too".to_owned(),
            );
        }
    }

    fn pointer(&mut self) {
        let outcome = words::pointer(self.text);
        self.tell(Code::BadPointer, outcome);
        if outcome.is_err() && !self.text.starts_with('/') {
            let dotted = self.text.trim_start_matches(['$', '.']).replace('.', "/");
            self.problems.last().help(format!("write \"/{}\"", dotted.trim_start_matches('/')));
        }
    }

    fn unit(&mut self) {
        if words::UNITS.contains(&self.text) {
            return;
        }
        let message = format!("{} {} is not a known unit", self.name, quoted(self.text));
        let problem = self.problems.add(Code::UnknownUnit, self.place, message);
        match words::nearest_unit(self.text) {
            Some(near) => problem.help(format!("did you mean \"{near}\"?")),
            None => problem.help("write a code such as W, kW, Wh, V, A, mA, Cel, %, %RH, Pa".to_owned()),
        };
    }

    fn digest(&mut self) {
        let is_digit = |byte: u8| matches!(byte, b'0'..=b'9' | b'a'..=b'f');
        if self.text.len() != 64 || !self.text.bytes().all(is_digit) {
            let message = format!("{} is not a SHA-256", self.name);
            self.problems.add(Code::OutOfRange, self.place, message).help(
                "write 64 hexadecimal digits in lower case, as `sha256sum FILE` prints them".to_owned(),
            );
        }
    }

    fn in_range(&mut self, fits: bool, help: impl FnOnce() -> String) {
        if !fits {
            let message = format!("{} is out of range", self.name);
            self.problems.add(Code::OutOfRange, self.place, message).help(help());
        }
    }

    fn range(&mut self, value: &DeValue<'_>) {
        if range(value).is_none() {
            let message = format!("{} is not a range", self.name);
            self.problems
                .add(Code::OutOfRange, self.place, message)
                .help("expected the smallest and the largest value, such as [0, 5000]".to_owned());
        }
    }

    fn duration(&mut self, min: Span, max: Span) {
        match words::duration(self.text) {
            Err(why) => {
                let message = format!("{} {} is not a duration: {why}", self.name, quoted(self.text));
                self.problems
                    .add(Code::BadDuration, self.place, message)
                    .help("write it as \"10s\", \"3min\" or \"1h 30min\"".to_owned());
            }
            Ok(span) if span < min || span > max => {
                let message = format!("{} is out of range: {span}", self.name);
                self.problems
                    .add(Code::OutOfRange, self.place, message)
                    .help(format!("expected {min} to {max}"));
            }
            Ok(_) => {}
        }
    }

    fn tell(&mut self, code: Code, outcome: Result<(), &'static str>) {
        if let Err(why) = outcome {
            let message = format!("{} {}: {why}", self.name, quoted(self.text));
            self.problems.add(code, self.place, message);
        }
    }
}

fn check_secret(name: &str, value: &DeValue<'_>, place: SourceSpan, problems: &mut Problems<'_>) {
    if let Some(table) = value.as_table() {
        check_table(&SECRET, name, table, place, problems);
        return;
    }
    let message = format!("{name} must not be written in the rules");
    problems.add(Code::SecretInClear, place.point(), message).help(format!(
        "write {name} = {{ env = \"NAME\" }}, {{ file = \"/path\" }} or {{ credential = \"name\" }}"
    ));
}

/// The names are the user's own.
fn check_named(
    name: &str,
    value: &DeValue<'_>,
    form: &'static Form,
    file: usize,
    problems: &mut Problems<'_>,
) {
    for (key, entry) in value.as_table().into_iter().flatten() {
        check_name(key.get_ref(), SourceSpan::of(file, key.span()), problems);
        form.check(&format!("{name}.{}", bare(key.get_ref())), entry, file, problems);
    }
}

fn check_keyed(
    name: &str,
    value: &DeValue<'_>,
    (known, form): (&[&str], &'static Form),
    file: usize,
    problems: &mut Problems<'_>,
) {
    for (key, entry) in value.as_table().into_iter().flatten() {
        if known.contains(&key.get_ref().as_ref()) {
            form.check(key.get_ref(), entry, file, problems);
        } else {
            unknown_key(name, key, known, file, problems);
        }
    }
}

fn check_word_numbers(name: &str, table: &DeTable<'_>, place: SourceSpan, problems: &mut Problems<'_>) {
    let number = Form::Number { min: *words::WORD_NUMBERS.start(), max: *words::WORD_NUMBERS.end() };
    if table.is_empty() || table.len() > WORD_NUMBERS_MAX {
        let message = format!("{name} has {} words", table.len());
        problems.add(Code::OutOfRange, place, message).help(format!("expected from 1 to {WORD_NUMBERS_MAX}"));
    }
    for (word, value) in table {
        let text = word.get_ref();
        let at = SourceSpan::of(place.file, word.span());
        if text.trim() != text || text.is_empty() || text.len() > TEXT_BYTES_MAX {
            let message = format!("{} in {name} can never match", quoted(text));
            problems
                .add(Code::OutOfRange, at, message)
                .help("white space around a word is removed before it is compared".to_owned());
        } else if reads_as_number(text) {
            let message = format!("{} in {name} is a number already", quoted(text));
            problems.add(Code::NumberAsWord, at, message).help(
                "list words only; numbers are read as they are, and scale and offset can change them"
                    .to_owned(),
            );
        }
        number.check(&format!("{name}.{}", bare(text)), value, place.file, problems);
    }
}

/// Reports unknown and missing keys, and whatever is wrong with the values of the known ones.
pub(crate) fn check_table(
    form: &'static TableForm,
    name: &str,
    table: &DeTable<'_>,
    place: SourceSpan,
    problems: &mut Problems<'_>,
) {
    for (key, value) in table {
        match form.keys.iter().find(|known| known.name == key.get_ref()) {
            Some(Key { name: gone, form: Form::Gone(instead), .. }) => {
                let message = format!("there is no key {} any more", quoted(gone));
                let problem = problems.add(Code::UnknownKey, SourceSpan::of(place.file, key.span()), message);
                problem.help((*instead).to_owned());
            }
            Some(known) => known.form.check(known.name, value, place.file, problems),
            None => {
                let known: Vec<&str> = form.known().map(|known| known.name).collect();
                unknown_key(name, key, &known, place.file, problems);
            }
        }
    }
    for missing in form.keys.iter().filter(|key| key.needed) {
        if !table.iter().any(|(key, _)| key.get_ref() == missing.name) {
            let from = if name.is_empty() { String::new() } else { format!(" from {name}") };
            let what = match missing.form {
                Form::Table(_) => format!("[{}] is missing{from}", missing.name),
                _ => format!("{} is missing{from}", missing.name),
            };
            problems.add(Code::MissingKey, place, what).help(format!(
                "expected {}: {}",
                missing.form.expected(),
                missing.about()
            ));
        }
    }
}

fn unknown_key(
    name: &str,
    key: &Spanned<std::borrow::Cow<'_, str>>,
    known: &[&str],
    file: usize,
    problems: &mut Problems<'_>,
) {
    let within = if name.is_empty() { String::new() } else { format!(" in {name}") };
    let text = key.get_ref();
    let message = format!("no key called {}{within}", quoted(text));
    let whose = whose(text, file, problems).filter(|_| !name.is_empty());
    let problem = problems.add(Code::UnknownKey, SourceSpan::of(file, key.span()), message);
    match whose {
        // To TOML whatever follows a [table] is part of it.
        Some(whose) => {
            problem.help(format!("{text} is a key of {whose}: write it above the first [table] of the file"))
        }
        None => problem.nearest(text, known.iter().copied(), &format!("known keys: {}", known.join(", "))),
    };
}

/// What a key belongs to that stands above all tables of its file.
fn whose(key: &str, file: usize, problems: &Problems<'_>) -> Option<&'static str> {
    let path = problems.folder.files.get(file)?.path.as_str();
    let (form, whose) = match path {
        "shop.toml" => (&SHOP, "the shop itself"),
        _ if path.starts_with("machines/") => (&MACHINE, "the machine itself"),
        _ => return None,
    };
    form.known().any(|known| known.name == key).then_some(whose)
}

fn check_name(text: &str, place: SourceSpan, problems: &mut Problems<'_>) {
    if Name::new(text).is_err() {
        let problem = problems.add(Code::BadName, place, format!("{} is not a name", quoted(text)));
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

/// A name from the rules within a message.
fn bare(text: &str) -> String {
    let text = quoted(text);
    text.trim_matches('"').to_owned()
}
