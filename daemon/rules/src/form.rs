//! What a rules file may look like, as data: which keys there are, what each takes, and what it is for.
//!
//! One description serves three ends, which therefore cannot drift apart: the check of a file's form, the JSON
//! Schema for editors, and the table of keys in the documentation.

mod check;

use toml::de::DeValue;

use super::defaults::Fallback;
use super::problem::quoted;
use idlegate_guard::time::Span;

pub(crate) use check::check_table;

/// A table with known keys.
#[derive(Debug)]
pub(crate) struct TableForm {
    pub(crate) about: &'static str,
    pub(crate) keys: &'static [Key],
}

impl TableForm {
    /// The keys that can be written.
    pub(crate) fn known(&self) -> impl Iterator<Item = &Key> {
        self.keys.iter().filter(|key| !matches!(key.form, Form::Gone(_)))
    }
}

#[derive(Debug)]
pub(crate) struct Key {
    pub(crate) name: &'static str,
    pub(crate) form: Form,
    pub(crate) needed: bool,
    /// Each {} in it stands for a default.
    about: &'static str,
    pub(crate) defaults: &'static [Fallback],
}

impl Key {
    /// What counts where it is left out.
    pub(crate) const fn or(self, defaults: &'static [Fallback]) -> Key {
        Key { defaults, ..self }
    }

    /// What it is for, and what counts without it.
    pub(crate) fn about(&self) -> String {
        self.defaults.iter().fold(self.about.to_owned(), |about, default| {
            about.replacen("{}", &default.of(self.name).to_string(), 1)
        })
    }
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
    Table(&'static TableForm),
    List(&'static Form),
    /// A table of names that are the user's own.
    Named(&'static Form),
    /// A table whose keys come from a list elsewhere.
    Keyed(&'static [&'static str], &'static Form),
    /// A table of words as somebody else sends them, each with the number it stands for.
    WordNumbers,
    /// The first whose TOML type fits is meant.
    Either(&'static [Form]),
    /// There was such a key once; what to write now.
    Gone(&'static str),
}

pub(crate) const fn key(name: &'static str, form: Form, about: &'static str) -> Key {
    Key { name, form, needed: false, about, defaults: &[] }
}

pub(crate) const fn needed(name: &'static str, form: Form, about: &'static str) -> Key {
    Key { name, form, needed: true, about, defaults: &[] }
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
            Form::Gone(instead) => (*instead).to_owned(),
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
            Form::Gone(_) => true,
        }
    }
}

/// More states than any contact or switch has.
pub(crate) const WORD_NUMBERS_MAX: usize = 64;

pub(crate) static SECRET: TableForm = TableForm {
    about: "Where a password is kept: exactly one of these.",
    keys: &[
        key("env", Form::Text, "Name of an environment variable of the service."),
        key("file", Form::Text, "Path of a file that only the service may read."),
        key("credential", Form::Text, "Name of a credential that the service manager passes in."),
    ],
};

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
