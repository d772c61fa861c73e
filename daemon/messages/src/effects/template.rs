//! Filling the placeholders of a sentence.

use serde_json::Value as Json;

use idlegate_engine::Behind;
use idlegate_plan::SETTING_PLACEHOLDER;

/// Replaces each `{placeholder}`; one that means nothing here stays as it is, so that nothing is silently lost.
pub(super) fn fill(template: &str, value: impl Fn(&str) -> Option<String>) -> String {
    let mut filled = String::with_capacity(template.len() + 64);
    let mut rest = template;
    while let Some(open) = rest.find('{') {
        let Some(length) = rest[open..].find('}') else { break };
        let (placeholder, after) = (&rest[open + 1..open + length], &rest[open + length + 1..]);
        filled.push_str(&rest[..open]);
        match value(placeholder) {
            Some(text) => filled.push_str(&text),
            None => filled.push_str(&rest[open..=open + length]),
        }
        rest = after;
    }
    filled.push_str(rest);
    filled
}

/// What a detector said, piece by piece, so that a shop can say it in its own language.
pub(super) fn piece(behind: Option<&Behind>, placeholder: &str) -> Option<String> {
    let reading = behind.and_then(|behind| behind.reading.as_ref());
    match placeholder {
        "reading" => Some(reading.map_or_else(|| "?".to_owned(), ToString::to_string)),
        "signal" => {
            let signal = behind.and_then(|behind| behind.signal.as_ref());
            Some(signal.map_or_else(|| "?".to_owned(), ToString::to_string))
        }
        "detector" => Some(behind.map_or_else(|| "?".to_owned(), |behind| behind.detector.to_string())),
        _ => setting(behind?.settings.get(placeholder.strip_prefix(SETTING_PLACEHOLDER)?)?),
    }
}

fn setting(value: &Json) -> Option<String> {
    match value {
        Json::String(text) => Some(text.clone()),
        Json::Number(number) => Some(number.as_f64().map_or_else(|| number.to_string(), |it| it.to_string())),
        Json::Bool(yes) => Some(yes.to_string()),
        Json::Array(values) => {
            let values: Option<Vec<String>> = values.iter().map(setting).collect();
            Some(values?.join(", "))
        }
        Json::Null | Json::Object(_) => None,
    }
}
