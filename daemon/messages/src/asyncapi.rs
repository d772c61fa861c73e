//! `daemon/asyncapi.json`, for whoever builds on our messages. What each message holds is written into it from the
//! types here; what only people can say, of servers, channels and operations, stands in it and stays.
//! `UPDATE_EXPECTED=1` writes it.

use std::path::{Path, PathBuf};

use idlegate_engine::Subject;
use idlegate_guard::{Announcement, IncidentKind};
use idlegate_plan::kept::note::KeptNote;
use schemars::JsonSchema;
use schemars::generate::SchemaSettings;
use serde::Serialize as _;
use serde_json::{Map, Value as Json, json};

use super::effects::handover_ids::AnsweredIds;
use super::{Decision, GroupAnswer, Health, MachineStatus, Request, StandBy, Told};

fn file() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../asyncapi.json")
}

/// Of every message in JSON, by its name in the document.
fn payloads() -> [(&'static str, Json); 11] {
    let announced = Subject::ALL.iter().filter(|subject| subject.is_announced());
    let announced = Announcement::WORDS.iter().copied().chain(announced.map(|subject| subject.word()));
    let incidents = Subject::ALL.iter().filter(|subject| subject.is_incident()).map(|subject| subject.word());
    let incidents = IncidentKind::ALL.into_iter().map(IncidentKind::word).chain(incidents);
    [
        ("health", schema::<Health>()),
        ("machine", schema::<MachineStatus>()),
        ("decision", without(&["confirm", "fault"], schema::<Decision>())),
        ("answer", without(&["fault"], schema::<Decision>())),
        ("group-answer", schema::<GroupAnswer>()),
        ("announcement", of_kinds(announced.collect())),
        ("incident", of_kinds(incidents.collect())),
        ("request", schema::<Request>()),
        ("stand-by", schema::<StandBy>()),
        ("kept", schema::<KeptNote>()),
        ("answered", schema::<AnsweredIds>()),
    ]
}

/// As it is written: what may be left out is left out instead of being null, and nothing else is in it.
fn schema<T: JsonSchema>() -> Json {
    let settings = SchemaSettings::draft07().for_serialize().with(|settings| {
        settings.inline_subschemas = true;
        settings.meta_schema = None;
    });
    let mut schema = settings.into_generator().into_root_schema_for::<T>().to_value();
    schema.as_object_mut().unwrap().remove("title");
    tidy(&mut schema);
    schema
}

fn tidy(schema: &mut Json) {
    match schema {
        Json::Array(all) => all.iter_mut().for_each(tidy),
        Json::Object(members) => {
            tidy_object(members);
            members.values_mut().for_each(tidy);
        }
        Json::Null | Json::Bool(_) | Json::Number(_) | Json::String(_) => {}
    }
}

fn tidy_object(members: &mut Map<String, Json>) {
    // How many bits a number has with us is no business of anybody else.
    if members
        .get("format")
        .is_some_and(|format| ["double", "uint32", "uint64"].iter().any(|bits| format == bits))
    {
        members.remove("format");
    }
    members.remove("default");
    if let Some(types) = members.get("anyOf").and_then(|all| plain_types(&json!({ "anyOf": all }))) {
        members.remove("anyOf");
        members.insert("type".to_owned(), types.into());
    }
    if let Some(Json::String(text)) = members.get_mut("description") {
        *text = text.replace('\n', " ");
    }
    let required = members.get("required").cloned().unwrap_or_default();
    if let Some(Json::Object(properties)) = members.get_mut("properties") {
        for (name, property) in properties {
            let is_required = required.as_array().is_some_and(|all| all.iter().any(|one| one == name));
            if !is_required {
                never_null(property);
            }
        }
        members.insert("additionalProperties".to_owned(), false.into());
    }
    if let Some(Json::Array(required)) = members.get_mut("required") {
        required.sort_by(|one, other| one.as_str().cmp(&other.as_str()));
    }
}

/// A member that is left out when there is nothing to say.
fn never_null(property: &mut Json) {
    if let Some(Json::Array(words)) = property.get_mut("enum") {
        words.retain(|word| !word.is_null());
    }
    if let Some(Json::Array(types)) = property.get_mut("type") {
        types.retain(|one| one != "null");
        if let [one] = types.as_slice() {
            property["type"] = one.clone();
        }
    }
}

/// Of a choice between plain types.
fn plain_types(schema: &Json) -> Option<Vec<Json>> {
    match (&schema["anyOf"], &schema["type"]) {
        (Json::Array(all), _) => Some(all.iter().map(plain_types).collect::<Option<Vec<_>>>()?.concat()),
        (_, one @ Json::String(name)) if name != "object" && name != "array" => Some(vec![one.clone()]),
        (_, _) => None,
    }
}

fn without(members: &[&str], mut schema: Json) -> Json {
    for member in members {
        assert!(schema["properties"].as_object_mut().unwrap().remove(*member).is_some(), "{member}");
    }
    schema
}

fn of_kinds(words: Vec<&str>) -> Json {
    let mut schema = without(&["quiet"], schema::<Told>());
    schema["properties"]["kind"]["enum"] = json!(words);
    schema
}

/// As people read it: what it is and where it is to be had before what goes there.
fn text(document: &Json) -> String {
    let order = ["asyncapi", "info", "defaultContentType", "servers", "channels", "operations", "components"];
    let members = document.as_object().unwrap();
    assert_eq!(members.len(), order.len(), "{:?}", members.keys());
    let mut text = b"{\n".to_vec();
    for (place, name) in order.iter().enumerate() {
        let mut lines = Vec::new();
        let formatter = serde_json::ser::PrettyFormatter::with_indent(b" ");
        let mut serializer = serde_json::Serializer::with_formatter(&mut lines, formatter);
        members[*name].serialize(&mut serializer).unwrap();
        let lines = String::from_utf8(lines).unwrap().replace('\n', "\n ");
        let end = if place + 1 < order.len() { ",\n" } else { "\n}\n" };
        text.extend(format!(" \"{name}\": {lines}{end}").bytes());
    }
    String::from_utf8(text).unwrap()
}

#[test]
fn the_document_says_of_every_message_what_its_type_says() {
    let there = std::fs::read_to_string(file()).unwrap();
    let mut document: Json = serde_json::from_str(&there).unwrap();
    let messages = document["components"]["messages"].as_object_mut().unwrap();
    for (name, payload) in payloads() {
        let message = messages.get_mut(name).unwrap_or_else(|| panic!("the document has no message {name}"));
        message["payload"] = payload;
    }
    let described = payloads().map(|(name, _)| name);
    for (name, message) in &*messages {
        let is_ours = message["contentType"] != "application/json" || described.contains(&name.as_str());
        assert!(is_ours, "no type is named for the message {name}");
    }
    let expected = text(&document);
    if std::env::var_os("UPDATE_EXPECTED").is_some() {
        std::fs::write(file(), expected).unwrap();
    } else {
        assert!(
            there == expected,
            "daemon/asyncapi.json does not say what the types say; UPDATE_EXPECTED=1 writes it"
        );
    }
}

/// The pieces that every reader meets, by what a tool would make of them.
#[test]
fn what_is_left_out_is_not_null_and_what_is_null_is_not_left_out() {
    let decision = schema::<Decision>();
    let is_required = |member: &str| decision["required"].as_array().unwrap().contains(&member.into());
    assert!(
        is_required("who") && is_required("request") && !is_required("stored") && !is_required("confirm")
    );
    let types = |member: &str| decision["properties"][member]["type"].clone();
    assert_eq!(
        (types("who"), types("stored"), types("count")),
        (json!(["string", "null"]), json!("boolean"), json!("integer"))
    );
    assert_eq!(decision["additionalProperties"], false);
    assert_eq!(decision["properties"]["detectors"]["items"]["additionalProperties"], false);
}
