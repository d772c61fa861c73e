//! A detector's settings: TOML → JSON, checked against the detector's own schema, faults mapped back to their line.

use jsonschema::ValidationError;
use jsonschema::error::{TypeKind, ValidationErrorKind};
use serde_json::Value;
use toml::de::DeValue;

use super::Surroundings;
use crate::plan::ModuleSource;
use crate::rules::codes::Code;
use crate::rules::compile::DetectorFacts;
use crate::rules::problem::{plain, quoted};
use crate::rules::report::{At, Place, Report};
use crate::rules::section::Section;
use crate::rules::shape;

pub(super) fn compile(
    section: &Section<'_>,
    module: &ModuleSource,
    facts: &DetectorFacts,
    around: &Surroundings<'_>,
    report: &mut Report<'_>,
) -> Option<Value> {
    let given = section.get("settings");
    let settings = match given {
        Some(At { value: DeValue::Table(_), .. }) => to_json(given?, report)?,
        Some(_) => return None,
        None => Value::Object(serde_json::Map::new()),
    };
    let validator = match jsonschema::validator_for(&facts.settings_schema) {
        Ok(validator) => validator,
        Err(error) => {
            let message = format!("the detector's settings schema is broken: {}", plain(&error.to_string()));
            report.add(Code::BadDetector, section.place, message);
            return None;
        }
    };
    let mut fits = true;
    for error in validator.iter_errors(&settings) {
        fits = false;
        complain(&error, section, facts, report);
    }
    if !fits {
        return None;
    }
    if let Err(why) = around.detectors.try_settings(module, &settings) {
        let place = mentioned(&why, section).unwrap_or(section.place);
        report.add(Code::BadSetting, place, plain(&why));
        return None;
    }
    Some(settings)
}

/// The setting that the detector's own words speak of.
fn mentioned(message: &str, section: &Section<'_>) -> Option<Place> {
    let settings = section.section("settings")?;
    let is_word = |part: &str, name: &str| part == name;
    let parts: Vec<&str> = message
        .split(|character: char| !character.is_alphanumeric() && character != '_' && character != '-')
        .collect();
    let found = parts.iter().find_map(|part| {
        settings.table.iter().find(|(key, _)| is_word(part, key.get_ref())).map(|(_, value)| value.span())
    });
    Some(found.map_or(settings.place, |span| Place::of(settings.place.file, span)))
}

fn complain(
    error: &ValidationError<'_>,
    section: &Section<'_>,
    facts: &DetectorFacts,
    report: &mut Report<'_>,
) {
    let path = error.instance_path().as_str();
    let found = locate(path, section);
    let place = found.as_ref().map_or(section.place, |found| found.place);
    let name = path.rsplit('/').next().filter(|name| !name.is_empty()).map_or("settings".to_owned(), plain);
    match error.kind() {
        ValidationErrorKind::AdditionalProperties { unexpected }
        | ValidationErrorKind::UnevaluatedProperties { unexpected } => {
            let known = known_settings(&facts.settings_schema, path);
            for key in unexpected {
                let place = found.as_ref().and_then(|found| key_place(found, key)).unwrap_or(place);
                let message = format!("{} has no setting called {}", plain(&facts.name), quoted(key));
                let otherwise = if known.is_empty() {
                    String::new()
                } else {
                    format!("its settings: {}", known.join(", "))
                };
                let known = known.iter().map(String::as_str);
                report.add(Code::BadSetting, place, message).nearest(key, known, &otherwise);
            }
        }
        ValidationErrorKind::Required { property } => {
            let property = plain(property.as_str().unwrap_or("?"));
            let place = if section.has("settings") { place } else { section.place };
            let message = format!("{} needs the setting {property}", plain(&facts.name));
            let about = about(&facts.settings_schema, path, &property);
            let problem = report.add(Code::BadSetting, place, message);
            if let Some(about) = about {
                problem.help(format!("{property}: {}", plain(&about)));
            }
        }
        ValidationErrorKind::Type { kind } => {
            let expected = match kind {
                TypeKind::Single(kind) => kind.to_string(),
                TypeKind::Multiple(kinds) => {
                    kinds.iter().map(|kind| kind.to_string()).collect::<Vec<_>>().join(" or ")
                }
            };
            report.add(
                Code::BadSetting,
                place,
                format!("{name}: expected {expected}, found {}", plain(&error.instance().to_string())),
            );
        }
        ValidationErrorKind::Minimum { limit } => {
            report.add(Code::BadSetting, place, format!("{name} must be at least {limit}"));
        }
        ValidationErrorKind::Maximum { limit } => {
            report.add(Code::BadSetting, place, format!("{name} must be at most {limit}"));
        }
        ValidationErrorKind::ExclusiveMinimum { limit } => {
            report.add(Code::BadSetting, place, format!("{name} must be more than {limit}"));
        }
        ValidationErrorKind::ExclusiveMaximum { limit } => {
            report.add(Code::BadSetting, place, format!("{name} must be less than {limit}"));
        }
        ValidationErrorKind::Enum { options } => {
            let options: Vec<String> =
                options.as_array().into_iter().flatten().map(|option| plain(&option.to_string())).collect();
            let wrong = error.instance().to_string();
            report
                .add(Code::BadSetting, place, format!("{name} cannot be {}", plain(&wrong)))
                .help(format!("write one of {}", options.join(", ")));
        }
        // The library's own words do for the rest.
        _ => {
            report.add(Code::BadSetting, place, format!("{name}: {}", plain(&error.to_string())));
        }
    }
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
        found = At { value: next.get_ref(), place: Place::of(found.place.file, next.span()) };
    }
    Some(found)
}

fn key_place(found: &At<&DeValue<'_>>, name: &str) -> Option<Place> {
    let (key, _) = found.value.as_table()?.iter().find(|(key, _)| key.get_ref() == name)?;
    Some(Place::of(found.place.file, key.span()))
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
fn to_json(from: At<&DeValue<'_>>, report: &mut Report<'_>) -> Option<Value> {
    let place = |span| Place::of(from.place.file, span);
    match from.value {
        DeValue::String(text) => Some(Value::String(text.clone().into_owned())),
        DeValue::Integer(_) => match shape::integer(from.value) {
            Some(number) => Some(number.into()),
            None => {
                report.add(Code::OutOfRange, from.place, "this number is too large".to_owned());
                None
            }
        },
        DeValue::Float(_) => match shape::number(from.value) {
            Some(number) => Some(number.into()),
            None => {
                report.add(Code::OutOfRange, from.place, "this number is not finite".to_owned());
                None
            }
        },
        DeValue::Boolean(switch) => Some((*switch).into()),
        DeValue::Datetime(date) => Some(Value::String(date.to_string())),
        DeValue::Array(array) => {
            let values: Vec<Option<Value>> = array
                .iter()
                .map(|entry| to_json(At { value: entry.get_ref(), place: place(entry.span()) }, report))
                .collect();
            values.into_iter().collect::<Option<Vec<_>>>().map(Value::Array)
        }
        DeValue::Table(table) => {
            let values: Vec<Option<(String, Value)>> = table
                .iter()
                .map(|(key, entry)| {
                    let value = to_json(At { value: entry.get_ref(), place: place(entry.span()) }, report)?;
                    Some((key.get_ref().to_string(), value))
                })
                .collect();
            values.into_iter().collect::<Option<serde_json::Map<_, _>>>().map(Value::Object)
        }
    }
}
