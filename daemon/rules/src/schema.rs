//! A JSON Schema (draft 2020-12) of every rules file, for completion in editors; made from the very table that
//! the check of a file's form works with.

use serde_json::{Map, Value, json};

use super::form::{Form, SECRET, TableForm, WORD_NUMBERS_MAX};
use super::tables;
use super::words;
use idlegate_plan::event::Name;

/// The rules files there are schemas for.
pub const SCHEMA_FILES: [&str; 3] = ["shop", "machine", "inputs"];

/// The schema of one kind of file, one of [`SCHEMA_FILES`].
pub fn schema(file: &str) -> Option<Value> {
    let form = match file {
        "shop" => &tables::SHOP,
        "machine" => &tables::MACHINE,
        "inputs" => &tables::INPUTS,
        _ => return None,
    };
    let mut schema = table(form);
    if let Some(object) = schema.as_object_mut() {
        object.insert("$schema".to_owned(), json!("https://json-schema.org/draft/2020-12/schema"));
        object.insert("title".to_owned(), json!(format!("Idlegate rules: {file}")));
    }
    Some(schema)
}

fn table(of: &TableForm) -> Value {
    let properties: Map<String, Value> = of
        .known()
        .map(|key| {
            let mut value = form(&key.form);
            if let Some(object) = value.as_object_mut() {
                object.insert("description".to_owned(), json!(key.about()));
            }
            (key.name.to_owned(), value)
        })
        .collect();
    let needed: Vec<&str> = of.keys.iter().filter(|key| key.needed).map(|key| key.name).collect();
    json!({
        "type": "object",
        "description": of.about,
        "properties": properties,
        "required": needed,
        "additionalProperties": false,
    })
}

fn form(form_of: &Form) -> Value {
    match form_of {
        Form::Text | Form::Topic | Form::Filter | Form::Prefix => json!({ "type": "string" }),
        Form::Word(words) => json!({ "enum": words }),
        Form::Name | Form::Detector => json!({ "type": "string", "pattern": Name::PATTERN }),
        Form::Pointer => json!({ "type": "string", "format": "json-pointer" }),
        Form::Unit => json!({ "enum": words::UNITS }),
        Form::Digest => json!({ "type": "string", "pattern": "^[0-9a-f]{64}$" }),
        Form::Number { min, max } => json!({ "type": "number", "minimum": min, "maximum": max }),
        Form::Range => {
            json!({ "type": "array", "items": { "type": "number" }, "minItems": 2, "maxItems": 2 })
        }
        Form::Count { min, max } => json!({ "type": "integer", "minimum": min, "maximum": max }),
        Form::Switch => json!({ "type": "boolean" }),
        Form::Duration { .. } => {
            json!({ "type": "string", "pattern": "^\\s*[0-9]", "examples": ["10s", "3min", "1h 30min"] })
        }
        Form::Payload => json!({ "type": ["string", "integer", "boolean"] }),
        Form::Secret => {
            let mut secret = table(&SECRET);
            if let Some(object) = secret.as_object_mut() {
                object.insert("minProperties".to_owned(), json!(1));
                object.insert("maxProperties".to_owned(), json!(1));
            }
            secret
        }
        Form::Settings => json!({ "type": "object" }),
        // Keys that are gone are not in the schema.
        Form::Gone(_) => json!(false),
        Form::Table(form) => table(form),
        Form::List(item) => json!({ "type": "array", "items": form(item) }),
        Form::Named(item) => json!({
            "type": "object",
            "propertyNames": { "pattern": Name::PATTERN },
            "additionalProperties": form(item),
        }),
        Form::Keyed(known, item) => {
            let properties: Map<String, Value> =
                known.iter().map(|key| ((*key).to_owned(), form(item))).collect();
            json!({ "type": "object", "properties": properties, "additionalProperties": false })
        }
        Form::WordNumbers => json!({
            "type": "object",
            "minProperties": 1,
            "maxProperties": WORD_NUMBERS_MAX,
            "additionalProperties": {
                "type": "number",
                "minimum": words::WORD_NUMBERS.start(),
                "maximum": words::WORD_NUMBERS.end(),
            },
        }),
        Form::Either(forms) => json!({ "anyOf": forms.iter().map(form).collect::<Vec<_>>() }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::starter;

    #[test]
    fn the_schemas_accept_the_starter_and_refuse_a_misspelt_key() {
        for (path, text) in starter::FILES {
            let Some(kind) = path.strip_suffix(".toml") else { continue };
            let kind = if kind.starts_with("machines/") { "machine" } else { kind };
            let schema = schema(kind).expect("a schema for every rules file");
            let validator = jsonschema::validator_for(&schema).expect("a valid schema");
            let document: toml::Table = text.parse().expect("valid TOML");
            let mut instance = serde_json::to_value(document).expect("JSON");
            let errors: Vec<String> =
                validator.iter_errors(&instance).map(|error| error.to_string()).collect();
            assert_eq!(errors, Vec::<String>::new(), "{path}");
            instance.as_object_mut().expect("a table").insert("misspelt".to_owned(), json!(1));
            assert!(!validator.is_valid(&instance), "{path}");
        }
    }
}
