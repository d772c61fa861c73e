//! A detector's settings: TOML → JSON, checked against the detector's own schema, faults mapped back to their line.

use jsonschema::ValidationError;
use jsonschema::error::{TypeKind, ValidationErrorKind};
use serde_json::Value;
use toml::de::DeValue;

use super::Surroundings;
use crate::codes::Code;
use crate::compile::DetectorFacts;
use crate::problem::{plain, quoted};
use crate::problems::{At, Problems, SourceSpan};
use crate::section::Section;
use crate::{form, slips, words};
use idlegate_plan::ModuleSource;

pub(super) fn compile(
    section: &Section<'_>,
    module: &ModuleSource,
    facts: &DetectorFacts,
    around: &Surroundings<'_>,
    problems: &mut Problems<'_>,
) -> Option<Value> {
    let given = section.get("settings");
    let mut settings = match given {
        Some(At { value: DeValue::Table(_), .. }) => to_json(given?, problems)?,
        Some(_) => return None,
        None => Value::Object(serde_json::Map::new()),
    };
    write_durations(&mut settings, &facts.settings_schema);
    let validator = match jsonschema::validator_for(&facts.settings_schema) {
        Ok(validator) => validator,
        Err(error) => {
            let message = format!("the detector's settings schema is broken: {}", plain(&error.to_string()));
            problems.add(Code::BadDetector, section.place, message);
            return None;
        }
    };
    let errors: Vec<ValidationError<'_>> = validator.iter_errors(&settings).collect();
    let tried = around.detectors.try_settings(module, &settings);
    if !errors.is_empty() {
        let own = tried.err();
        errors.iter().for_each(|error| complain(error, section, facts, own.as_deref(), problems));
        return None;
    }
    if let Err(why) = tried {
        let place = mentioned(&why, section).unwrap_or(section.place);
        problems.add(Code::BadSetting, place, plain(&why));
        return None;
    }
    Some(settings)
}

/// The setting that the detector's own words speak of.
fn mentioned(message: &str, section: &Section<'_>) -> Option<SourceSpan> {
    let settings = section.section("settings")?;
    let is_word = |part: &str, name: &str| part == name;
    let parts: Vec<&str> = message
        .split(|character: char| !character.is_alphanumeric() && character != '_' && character != '-')
        .collect();
    let found = parts.iter().find_map(|part| {
        settings.table.iter().find(|(key, _)| is_word(part, key.get_ref())).map(|(_, value)| value.span())
    });
    Some(found.map_or(settings.place, |span| SourceSpan::of(settings.place.file, span)))
}

fn complain(
    error: &ValidationError<'_>,
    section: &Section<'_>,
    facts: &DetectorFacts,
    own: Option<&str>,
    problems: &mut Problems<'_>,
) {
    let path = error.instance_path().as_str();
    let found = locate(path, section);
    let place = found.as_ref().map_or(section.place, |found| found.place);
    match error.kind() {
        ValidationErrorKind::AdditionalProperties { unexpected }
        | ValidationErrorKind::UnevaluatedProperties { unexpected } => {
            let known = known_settings(&facts.settings_schema, path);
            for key in unexpected {
                let place = found.as_ref().and_then(|found| key_place(found, key)).unwrap_or(place);
                unknown_setting(key, place, &known, facts, problems);
            }
        }
        ValidationErrorKind::Required { property } => {
            let property = plain(property.as_str().unwrap_or("?"));
            let place = if section.has("settings") { place } else { section.place };
            let message = format!("{} needs the setting {property}", plain(&facts.name));
            let about = about(&facts.settings_schema, path, &property);
            let problem = problems.add(Code::BadSetting, place, message);
            if let Some(about) = about {
                problem.help(format!("{property}: {}", plain(&about)));
            }
        }
        // Its author knows better than any schema what is to be written there.
        _ if own.is_some_and(|own| is_about(own, path)) => {
            problems.add(Code::BadSetting, place, plain(own.unwrap_or_default()));
        }
        _ => {
            let is_duration = is_duration(error_schema(&facts.settings_schema, path));
            let (message, help) = about_value(error, path, is_duration);
            let problem = problems.add(Code::BadSetting, place, message);
            if let Some(help) = help {
                problem.help(help);
            }
        }
    }
}

fn unknown_setting(
    key: &str,
    place: SourceSpan,
    known: &[String],
    facts: &DetectorFacts,
    problems: &mut Problems<'_>,
) {
    let message = format!("{} has no setting called {}", plain(&facts.name), quoted(key));
    let otherwise =
        if known.is_empty() { String::new() } else { format!("its settings: {}", known.join(", ")) };
    let known = known.iter().map(String::as_str);
    problems.add(Code::BadSetting, place, message).nearest(key, known, &otherwise);
}

/// What is wrong with the value of a setting, and what to do about it.
fn about_value(error: &ValidationError<'_>, path: &str, is_duration: bool) -> (String, Option<String>) {
    let name = path.rsplit('/').next().filter(|name| !name.is_empty()).map_or("settings".to_owned(), plain);
    match error.kind() {
        ValidationErrorKind::Type { .. } | ValidationErrorKind::Pattern { .. } if is_duration => {
            let found = plain(&error.instance().to_string());
            let help = "write a number with its unit, such as \"90 s\", \"3 min\" or \"1 h\"".to_owned();
            (format!("{name}: expected a duration, found {found}"), Some(help))
        }
        ValidationErrorKind::Type { kind } => wrong_type(&name, kind, error.instance()),
        // The pattern itself tells nobody anything.
        ValidationErrorKind::Pattern { pattern } if pattern.contains("h|min|s|ms") => {
            let wrong = error.instance().as_str().unwrap_or_default();
            let help = "write it as \"10s\", \"3min\" or \"1h 30min\"".to_owned();
            (format!("{name} {} is not a duration", quoted(wrong)), Some(help))
        }
        ValidationErrorKind::Minimum { limit } => (format!("{name} must be at least {limit}"), None),
        ValidationErrorKind::Maximum { limit } => (format!("{name} must be at most {limit}"), None),
        ValidationErrorKind::ExclusiveMinimum { limit } => {
            (format!("{name} must be more than {limit}"), None)
        }
        ValidationErrorKind::ExclusiveMaximum { limit } => {
            (format!("{name} must be less than {limit}"), None)
        }
        ValidationErrorKind::Enum { options } => {
            let options: Vec<String> =
                options.as_array().into_iter().flatten().map(|option| plain(&option.to_string())).collect();
            let wrong = plain(&error.instance().to_string());
            let help = format!("write one of {}", options.join(", "));
            (format!("{name} cannot be {wrong}"), Some(help))
        }
        // The library's own words do for the rest.
        _ => (format!("{name}: {}", plain(&error.to_string())), None),
    }
}

fn wrong_type(name: &str, kind: &TypeKind, found: &Value) -> (String, Option<String>) {
    let expected = match kind {
        TypeKind::Single(kind) => kind.to_string(),
        TypeKind::Multiple(kinds) => {
            kinds.iter().map(|kind| kind.to_string()).collect::<Vec<_>>().join(" or ")
        }
    };
    let message = format!("{name}: expected {expected}, found {}", plain(&found.to_string()));
    let help = if let Some(point) = found.as_str().and_then(slips::with_comma) {
        Some(format!("write it with a point and without quotation marks: {point}"))
    } else if expected == "number" && found.is_string() {
        Some("write it without quotation marks".to_owned())
    } else {
        None
    };
    (message, help)
}

/// Whether the detector's own words begin with the setting at this path.
fn is_about(own: &str, path: &str) -> bool {
    let Some(setting) = path.split('/').nth(1) else { return false };
    let own = own.split_once("settings: ").map_or(own, |(_, own)| own);
    let after = own.strip_prefix(setting);
    after.is_some_and(|after| after.starts_with([' ', '[', '.']))
}

/// What the SDK's schema of a duration looks like, in every version of it.
pub fn is_duration(schema: &Value) -> bool {
    schema["pattern"].as_str().is_some_and(|pattern| pattern.contains("(d|h|min|s|ms)"))
}

/// A detector reads durations by itself, and knows fewer words than the rules do. So what it would not understand is
/// handed to it in its own words: "3 minutes" as "3 min". What it understands stays as somebody wrote it.
fn write_durations(settings: &mut Value, schema: &Value) {
    let Some(settings) = settings.as_object_mut() else { return };
    for (name, value) in settings {
        let Some(schema) = schema.get("properties").and_then(|known| known.get(name)) else { continue };
        match value {
            Value::String(text) if is_duration(schema) && !words::is_plain_duration(text) => {
                if let Ok(span) = words::duration(text) {
                    *text = words::plain_duration(span);
                }
            }
            Value::Object(_) => write_durations(value, schema),
            Value::String(_) | Value::Null | Value::Bool(_) | Value::Number(_) | Value::Array(_) => {}
        }
    }
}

fn error_schema<'s>(schema: &'s Value, path: &str) -> &'s Value {
    described(schema, path).unwrap_or(&Value::Null)
}

/// The value at an RFC 6901 path below the settings.
fn locate<'a>(path: &str, section: &Section<'a>) -> Option<At<&'a DeValue<'a>>> {
    let mut found = section.get("settings")?;
    for part in path.split('/').skip(1) {
        let part = part.replace("~1", "/").replace("~0", "~");
        let next = match found.value {
            DeValue::Table(table) => {
                table.iter().find(|(key, _)| key.get_ref() == &part).map(|(_, value)| value)
            }
            DeValue::Array(array) => part.parse::<usize>().ok().and_then(|index| array.get(index)),
            _ => None,
        };
        let Some(next) = next else { break };
        found = At { value: next.get_ref(), place: SourceSpan::of(found.place.file, next.span()) };
    }
    Some(found)
}

fn key_place(found: &At<&DeValue<'_>>, name: &str) -> Option<SourceSpan> {
    let (key, _) = found.value.as_table()?.iter().find(|(key, _)| key.get_ref() == name)?;
    Some(SourceSpan::of(found.place.file, key.span()))
}

/// The part of the schema that describes the object at `path`; references are not followed.
fn described<'s>(schema: &'s Value, path: &str) -> Option<&'s Value> {
    path.split('/').skip(1).try_fold(schema, |schema, part| schema.get("properties")?.get(part))
}

fn known_settings(schema: &Value, path: &str) -> Vec<String> {
    let properties = described(schema, path).and_then(|schema| schema.get("properties")?.as_object());
    properties.into_iter().flat_map(|properties| properties.keys()).map(|name| plain(name)).collect()
}

fn about(schema: &Value, path: &str, property: &str) -> Option<String> {
    let description = described(schema, path)?.get("properties")?.get(property)?.get("description")?;
    description.as_str().map(str::to_owned)
}

/// Nothing when a number in it cannot be had in JSON.
fn to_json(from: At<&DeValue<'_>>, problems: &mut Problems<'_>) -> Option<Value> {
    let place = |span| SourceSpan::of(from.place.file, span);
    match from.value {
        DeValue::String(text) => Some(Value::String(text.clone().into_owned())),
        DeValue::Integer(_) => match form::integer(from.value) {
            Some(number) => Some(number.into()),
            None => {
                problems.add(Code::OutOfRange, from.place, "this number is too large".to_owned());
                None
            }
        },
        DeValue::Float(_) => match form::number(from.value) {
            Some(number) => Some(number.into()),
            None => {
                problems.add(Code::OutOfRange, from.place, "this number is not finite".to_owned());
                None
            }
        },
        DeValue::Boolean(switch) => Some((*switch).into()),
        DeValue::Datetime(date) => Some(Value::String(date.to_string())),
        DeValue::Array(array) => {
            let values: Vec<Option<Value>> = array
                .iter()
                .map(|entry| to_json(At { value: entry.get_ref(), place: place(entry.span()) }, problems))
                .collect();
            values.into_iter().collect::<Option<Vec<_>>>().map(Value::Array)
        }
        DeValue::Table(table) => {
            let values: Vec<Option<(String, Value)>> = table
                .iter()
                .map(|(key, entry)| {
                    let value = to_json(At { value: entry.get_ref(), place: place(entry.span()) }, problems)?;
                    Some((key.get_ref().to_string(), value))
                })
                .collect();
            values.into_iter().collect::<Option<serde_json::Map<_, _>>>().map(Value::Object)
        }
    }
}
