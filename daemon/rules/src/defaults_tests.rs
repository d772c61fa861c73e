//! What could go wrong: the page of the keys names a default, and leaving the key out does something else.

use super::Fallback;
use crate::form::{Form, TableForm};
use crate::{
    DetectorCatalog, DetectorFacts, Folder, SignalFact, Surroundings, SystemSecrets, compile, tables,
};
use idlegate_plan::{ModuleSource, Plan};
use toml::{Table, Value};

struct Catalog;

impl DetectorCatalog for Catalog {
    fn describe(&self, _: &ModuleSource) -> Result<DetectorFacts, String> {
        let power =
            SignalFact { name: "power".to_owned(), unit: "W".to_owned(), numeric: true, needed: true };
        let settings_schema = serde_json::json!({ "type": "object" });
        Ok(DetectorFacts { name: "power-threshold".to_owned(), signals: vec![power], settings_schema })
    }

    fn try_settings(&self, _: &ModuleSource, _: &serde_json::Value) -> Result<(), String> {
        Ok(())
    }

    fn built_in(&self) -> Vec<String> {
        vec!["power-threshold".to_owned()]
    }
}

/// Every table that has a key with a default, and no such key.
const FILES: [(&str, &TableForm, &str); 4] = [
    (
        "shop.toml",
        &tables::SHOP,
        r#"
        [broker]
        host = "broker.local"
        [guard]
        [circuits.left]
        amperes = 16
        volts = 230
        [blind]
        [monitoring]
        listen = "127.0.0.1:9464"
        [jobs]
        "#,
    ),
    (
        "machines/mill.toml",
        &tables::MACHINE,
        r#"
        circuit = "left"
        peak_watts = 900
        needed_by = { machines = ["saw"] }
        [outlet]
        state = { topic = "outlets/mill" }
        reach = { topic = "outlets/mill/reach" }
        order = { topic = "outlets/mill/order" }
        power = "power"
        [signals.power]
        topic = "meters/mill"
        unit = "W"
        reports = "on-change"
        alive = { topic = "meters/mill/alive" }
        refresh = { topic = "meters/mill/ask" }
        [signals.bed]
        topic = "meters/mill/bed"
        unit = "Cel"
        [[detectors]]
        use = "power-threshold"
        [[detectors]]
        use = "power-threshold"
        name = "warns"
        role = "warn"
        [guard]
        [jobs]
        [service.lens]
        every = "50h"
        "#,
    ),
    (
        "machines/saw.toml",
        &tables::MACHINE,
        r#"
        [outlet]
        state = { topic = "outlets/saw" }
        order = { topic = "outlets/saw/order" }
        power = "power"
        [signals.power]
        topic = "meters/saw"
        unit = "W"
        "#,
    ),
    (
        "inputs.toml",
        &tables::INPUTS,
        r#"
        [inputs.bench-button]
        topic = "buttons/bench"
        machines = "all"
        event_id = { pointer = "/id" }
        gestures = { press = "flip" }
        [inputs.evening]
        schedule = { cron = "0 22 * * *", zone = "Europe/Berlin", request = "off-once-idle" }
        machines = "all"
        [inputs.panel]
        machines = "all"
        may_force = true
        [inputs.red-button]
        contact = { topic = "buttons/red" }
        emergency = true
        machines = "all"
        "#,
    ),
];

fn plan(documents: &[(&str, Table)]) -> Plan {
    let texts: Vec<(&str, String)> =
        documents.iter().map(|(path, document)| (*path, document.to_string())).collect();
    let folder = Folder::from_texts(
        std::path::Path::new("shop"),
        texts.iter().map(|(path, text)| (*path, text.as_str())),
    );
    let around = Surroundings { detectors: &Catalog, secrets: &SystemSecrets::CHECK };
    let compiled = compile(&folder, &around);
    let mut plan = compiled.unwrap_or_else(|problems| panic!("{texts:?}: {problems:?}")).plan;
    plan.digest = String::new();
    plan
}

fn written(default: Fallback, key: &'static str) -> Value {
    let shown = default.of(key).to_string();
    match default {
        Fallback::Number(number) => Value::Float(number),
        Fallback::Count(count) => Value::Integer(count.into()),
        Fallback::Switch(switch) => Value::Boolean(switch),
        Fallback::Duration(_) | Fallback::Word(_) => Value::String(shown),
        Fallback::Text(_) | Fallback::ItsName => Value::String(shown.trim_matches('"').to_owned()),
    }
}

/// A way to a table: keys, and the places of a list's items.
type Way = Vec<String>;

/// Every table in a document beside its form.
fn tables_within(
    form: &'static Form,
    value: &Value,
    way: &[String],
    found: &mut Vec<(Way, &'static TableForm)>,
) {
    let deeper = |step: &str| -> Way { way.iter().cloned().chain([step.to_owned()]).collect() };
    match (form, value) {
        (Form::Table(form), Value::Table(table)) => tables_of(form, table, way, found),
        (Form::Named(form), Value::Table(table)) => {
            table.iter().for_each(|(name, entry)| tables_within(form, entry, &deeper(name), found));
        }
        (Form::List(form), Value::Array(list)) => {
            let items = list.iter().enumerate();
            items.for_each(|(at, entry)| tables_within(form, entry, &deeper(&at.to_string()), found));
        }
        (Form::Either(forms), _) => forms.iter().for_each(|form| tables_within(form, value, way, found)),
        _ => {}
    }
}

fn tables_of(
    form: &'static TableForm,
    table: &Table,
    way: &[String],
    found: &mut Vec<(Way, &'static TableForm)>,
) {
    found.push((way.to_vec(), form));
    for key in form.known() {
        if let Some(value) = table.get(key.name) {
            let way: Way = way.iter().cloned().chain([key.name.to_owned()]).collect();
            tables_within(&key.form, value, &way, found);
        }
    }
}

/// The table at the end of the way.
fn at<'t>(table: &'t mut Table, way: &[String]) -> &'t mut Table {
    let Some((first, rest)) = way.split_first() else { return table };
    match table.get_mut(first).unwrap() {
        Value::Table(inner) => at(inner, rest),
        Value::Array(list) => {
            let (item, rest) = rest.split_first().unwrap();
            at(list[item.parse::<usize>().unwrap()].as_table_mut().unwrap(), rest)
        }
        other => panic!("{first} is {other}"),
    }
}

#[test]
fn a_key_that_is_left_out_counts_as_the_default_that_the_page_of_the_keys_names() {
    let documents: Vec<(&str, Table)> =
        FILES.iter().map(|(path, _, text)| (*path, text.parse().unwrap())).collect();
    let left_out = plan(&documents);
    let mut tried = std::collections::BTreeSet::new();
    for (file, (_, form, _)) in FILES.iter().enumerate() {
        let mut found = Vec::new();
        tables_of(form, &documents[file].1, &[], &mut found);
        for (way, form) in found {
            for key in form.known() {
                // The first is the one that counts without further circumstances.
                let Some(default) = key.defaults.first() else { continue };
                let mut documents = documents.clone();
                let table = at(&mut documents[file].1, &way);
                if !applies(key.name, table, &way) {
                    continue;
                }
                table.insert(key.name.to_owned(), written(*default, key.name));
                assert_eq!(plan(&documents), left_out, "{}.{}", way.join("."), key.name);
                tried.insert((form.about, key.name));
            }
        }
    }
    let with_default: usize = all_forms().iter().map(|form| defaults_of(form).count()).sum();
    assert_eq!(tried.len(), with_default, "each of them is tried: {tried:?}");
}

/// Some keys have no say, or another default, beside others; each of them is tried where it has.
fn applies(key: &str, table: &Table, way: &[String]) -> bool {
    match way {
        [inputs, input] if inputs == "inputs" => {
            input == if key == "window" { "panel" } else { "bench-button" }
        }
        [signals, _] if signals == "signals" => !table.contains_key("reports"),
        [detectors, _] if detectors == "detectors" => {
            table.contains_key("role") == ["watch_while", "lasting"].contains(&key)
        }
        _ => true,
    }
}

fn defaults_of(form: &'static TableForm) -> impl Iterator<Item = &'static str> {
    form.known().filter(|key| !key.defaults.is_empty()).map(|key| key.name)
}

/// Every table of the rules, each once.
fn all_forms() -> Vec<&'static TableForm> {
    fn gather(form: &'static Form, all: &mut Vec<&'static TableForm>) {
        match form {
            Form::Table(table) => gather_table(table, all),
            Form::Named(inner) | Form::List(inner) => gather(inner, all),
            Form::Either(forms) => forms.iter().for_each(|form| gather(form, all)),
            _ => {}
        }
    }
    fn gather_table(table: &'static TableForm, all: &mut Vec<&'static TableForm>) {
        if !all.iter().any(|known| std::ptr::eq(*known, table)) {
            all.push(table);
            table.known().for_each(|key| gather(&key.form, all));
        }
    }
    let mut all = Vec::new();
    for (_, form, _) in &FILES {
        gather_table(form, &mut all);
    }
    all
}

#[test]
fn every_default_that_can_be_written_in_the_rules_is_printed_from_the_code() {
    for form in all_forms() {
        for key in form.known() {
            let about = key.about();
            assert!(!about.contains("{}"), "{}: {about}", key.name);
            let typed = about.split("Default: ").nth(1).is_some_and(|default| {
                default.starts_with(|first: char| first.is_ascii_digit() || first == '"')
                    || ["true", "false"].iter().any(|switch| default.starts_with(switch))
            });
            assert!(!typed || !key.defaults.is_empty(), "{}: {about}", key.name);
        }
    }
}
