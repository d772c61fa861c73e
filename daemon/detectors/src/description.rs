//! How a detector introduces itself, checked before anybody relies on it.

use super::contract_v1::wire;
use super::limits::{DESCRIPTION_CHARS_MAX, SCHEMA_BYTES_MAX, SIGNALS_MAX};
use idlegate_plan::event::{Name, NotAName};
use idlegate_plan::text::tame;

#[derive(Clone, Debug, PartialEq)]
pub struct Description {
    pub name: Name,
    pub version: String,
    /// One sentence: when it calls a machine busy.
    pub purpose: String,
    pub signals: Vec<DeclaredSignal>,
    /// JSON Schema of the settings object.
    pub settings_schema: serde_json::Value,
}

/// A signal that a detector reads.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeclaredSignal {
    pub name: Name,
    pub kind: ValueKind,
    /// As in the SenML units registry; empty for text and bare numbers.
    pub unit: String,
    /// Without it there is no verdict.
    pub needed: bool,
    pub purpose: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ValueKind {
    Number,
    Text,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DescriptionError {
    #[error("its own name: {0}")]
    Name(NotAName),
    #[error("the name of its signal {index}: {why}")]
    SignalName { index: usize, why: NotAName },
    #[error("two signals are called {0}")]
    SameName(Name),
    #[error("{0} signals; a detector may have {max}", max = SIGNALS_MAX)]
    TooManySignals(usize),
    #[error("no signals: it could never know anything")]
    NoSignals,
    #[error("its version is empty")]
    NoVersion,
    #[error("its settings schema has {0} bytes; it may have {max}", max = SCHEMA_BYTES_MAX)]
    SchemaTooLong(usize),
    #[error("its settings schema is no JSON: {0}")]
    SchemaNotJson(String),
    #[error("its settings schema is not a JSON object")]
    SchemaNotAnObject,
}

impl Description {
    pub(super) fn check(said: wire::Description) -> Result<Description, DescriptionError> {
        let name = Name::new(&said.name).map_err(DescriptionError::Name)?;
        let version = tame(&said.version, DESCRIPTION_CHARS_MAX);
        if version.is_empty() {
            return Err(DescriptionError::NoVersion);
        }
        Ok(Description {
            name,
            version,
            purpose: tame(&said.purpose, DESCRIPTION_CHARS_MAX),
            signals: check_signals(&said.signals)?,
            settings_schema: check_schema(&said.settings_schema)?,
        })
    }
}

fn check_signals(said: &[wire::Signal]) -> Result<Vec<DeclaredSignal>, DescriptionError> {
    match said.len() {
        0 => return Err(DescriptionError::NoSignals),
        1..=SIGNALS_MAX => {}
        more => return Err(DescriptionError::TooManySignals(more)),
    }
    let mut signals: Vec<DeclaredSignal> = Vec::with_capacity(said.len());
    for (index, signal) in said.iter().enumerate() {
        let name = Name::new(&signal.name).map_err(|why| DescriptionError::SignalName { index, why })?;
        if signals.iter().any(|earlier| earlier.name == name) {
            return Err(DescriptionError::SameName(name));
        }
        signals.push(DeclaredSignal {
            name,
            kind: match signal.kind {
                wire::ValueKind::Number => ValueKind::Number,
                wire::ValueKind::Text => ValueKind::Text,
            },
            unit: tame(&signal.unit, DESCRIPTION_CHARS_MAX),
            needed: signal.needed,
            purpose: tame(&signal.purpose, DESCRIPTION_CHARS_MAX),
        });
    }
    Ok(signals)
}

fn check_schema(said: &str) -> Result<serde_json::Value, DescriptionError> {
    if said.len() > SCHEMA_BYTES_MAX {
        return Err(DescriptionError::SchemaTooLong(said.len()));
    }
    // The parser's own limit on nesting holds here.
    match serde_json::from_str(said) {
        Ok(schema @ serde_json::Value::Object(_)) => Ok(schema),
        Ok(_) => Err(DescriptionError::SchemaNotAnObject),
        Err(why) => Err(DescriptionError::SchemaNotJson(tame(&why.to_string(), 120))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(change: impl FnOnce(&mut wire::Description)) -> Result<Description, String> {
        let mut said = wire::Description {
            name: "still".into(),
            version: "1.0.0".into(),
            purpose: "Busy while anything moves.".into(),
            signals: vec![signal("power")],
            settings_schema: "{}".into(),
        };
        change(&mut said);
        Description::check(said).map_err(|error| error.to_string())
    }

    fn signal(name: &str) -> wire::Signal {
        let (unit, purpose) = ("W".into(), "What the outlet delivers.".into());
        wire::Signal { name: name.into(), kind: wire::ValueKind::Number, unit, needed: true, purpose }
    }

    #[test]
    fn a_plain_description_passes() {
        assert_eq!(said(|_| ()).unwrap().signals[0].name.as_str(), "power");
    }

    #[test]
    fn what_cannot_be_a_description_is_refused_with_the_reason() {
        let refused = |change: fn(&mut wire::Description)| said(change).unwrap_err();
        assert_eq!(
            refused(|d| d.name = "../x".into()),
            "its own name: \"../x\" is not a name; names are 1 to 32 of the characters a-z, 0-9 and -"
        );
        assert!(
            refused(|d| d.signals[0].name = "a/b".into()).starts_with("the name of its signal 0: \"a/b\"")
        );
        assert_eq!(refused(|d| d.signals.push(signal("power"))), "two signals are called power");
        assert_eq!(refused(|d| d.signals.clear()), "no signals: it could never know anything");
        assert_eq!(
            refused(|d| d.signals = (0..17).map(|n| signal(&format!("s{n}"))).collect()),
            "17 signals; a detector may have 16"
        );
        assert_eq!(refused(|d| d.version = "\n".into()), "its version is empty");
        assert!(
            refused(|d| d.settings_schema = "{".into()).starts_with("its settings schema is no JSON: EOF")
        );
        assert!(
            refused(|d| d.settings_schema = "[".repeat(10_000)).starts_with("its settings schema is no JSON")
        );
        assert_eq!(refused(|d| d.settings_schema = "7".into()), "its settings schema is not a JSON object");
        assert_eq!(
            refused(|d| d.settings_schema = " ".repeat(40_000)),
            "its settings schema has 40000 bytes; it may have 32768"
        );
    }

    #[test]
    fn a_long_purpose_is_cut_and_its_control_characters_are_replaced() {
        let purpose = said(|d| d.purpose = format!("\x1b[31m{}", "x".repeat(10_000))).unwrap().purpose;
        assert_eq!(purpose.chars().count(), DESCRIPTION_CHARS_MAX);
        assert!(!purpose.contains('\x1b'));
    }
}
