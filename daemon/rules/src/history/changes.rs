//! What changed from one folder to the next, as a person would say it: machines, files, and single keys with their
//! values. What may be a secret is left out.

use std::collections::BTreeSet;

use idlegate_plan::text::{in_a_row, tame};
use toml::{Table, Value};

use super::super::confidential::{begins_with_broker, sounds_secret};
use super::super::folder::{Folder, INPUTS_FILE, SHOP_FILE};

/// As much of a value as is shown.
const VALUE_CHARS: usize = 60;

/// One thing that changed in each line; of the first rules, what they are.
pub fn changes(before: Option<&Folder>, after: &Folder) -> Vec<String> {
    let Some(before) = before else { return vec![of_the_first(after)] };
    let mut told = Vec::new();
    let paths: BTreeSet<&str> = [before, after].into_iter().flat_map(paths).collect();
    for path in paths {
        let subject = subject(path);
        match (content(before, path), content(after, path)) {
            (None, _) => told.push(format!("{subject}: added")),
            (Some(_), None) => told.push(format!("{subject}: removed")),
            (Some(old), Some(new)) if old == new => {}
            (Some(Content::Text(old)), Some(Content::Text(new))) => {
                let lines = in_text(old, new).into_iter().map(|change| format!("{subject}: {change}"));
                told.extend(lines);
            }
            (Some(_), Some(_)) => told.push(format!("{subject}: replaced by another file")),
        }
    }
    told
}

fn of_the_first(folder: &Folder) -> String {
    let mut machines: Vec<_> =
        folder.files.iter().filter_map(|file| Folder::machine_of(&file.path)).collect();
    machines.sort_unstable();
    match machines.len() {
        0 => "the first that were kept, without a machine".to_owned(),
        1 => format!("the first that were kept, with the machine {}", machines[0]),
        _ => format!("the first that were kept, with the machines {}", in_a_row(&machines, "and")),
    }
}

#[derive(PartialEq)]
enum Content<'a> {
    Text(&'a str),
    Module(&'a str),
}

fn paths(folder: &Folder) -> impl Iterator<Item = &str> {
    let files = folder.files.iter().map(|file| file.path.as_str());
    files.chain(folder.modules.iter().map(|module| module.path.as_str()))
}

fn content<'a>(folder: &'a Folder, path: &str) -> Option<Content<'a>> {
    let file = folder.files.iter().find(|file| file.path == path);
    let file = file.map(|file| Content::Text(&file.text));
    file.or_else(|| folder.module(path).map(|module| Content::Module(&module.sha256)))
}

fn subject(path: &str) -> String {
    match (path, Folder::machine_of(path)) {
        (SHOP_FILE, _) => "shop".to_owned(),
        (INPUTS_FILE, _) => "inputs".to_owned(),
        (_, Some(machine)) => format!("machine {machine}"),
        (_, None) => path.to_owned(),
    }
}

fn in_text(old: &str, new: &str) -> Vec<String> {
    let (Ok(old), Ok(new)) = (old.parse::<Table>(), new.parse::<Table>()) else {
        return vec!["changed; one of the two is not TOML".to_owned()];
    };
    let mut told = Vec::new();
    in_tables("", &old, &new, &mut told);
    if told.is_empty() {
        told.push("only its comments or its layout".to_owned());
    }
    told
}

fn in_tables(path: &str, old: &Table, new: &Table, told: &mut Vec<String>) {
    let keys: BTreeSet<&String> = old.keys().chain(new.keys()).collect();
    for key in keys {
        let path = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
        match (old.get(key), new.get(key)) {
            (Some(old), Some(new)) => in_values(&path, old, new, told),
            (Some(old), None) => told.push(came_or_went(&path, old, "removed")),
            (None, Some(new)) => told.push(came_or_went(&path, new, "added")),
            (None, None) => {}
        }
    }
}

fn in_values(path: &str, old: &Value, new: &Value, told: &mut Vec<String>) {
    match (old, new) {
        (old, new) if old == new => {}
        (Value::Table(old), Value::Table(new)) => in_tables(path, old, new, told),
        (Value::Array(old), Value::Array(new)) if of_tables(old) && of_tables(new) => {
            in_tables(path, &labelled(old), &labelled(new), told);
        }
        (old, new) => told.push(match (shown(path, old), shown(path, new)) {
            (Some(old), Some(new)) => format!("{path} was {old}, is {new}"),
            (None, _) | (_, None) => format!("{path} changed"),
        }),
    }
}

fn came_or_went(path: &str, value: &Value, word: &str) -> String {
    match shown(path, value) {
        Some(value) => format!("{path} = {value} {word}"),
        None => format!("{path} {word}"),
    }
}

fn of_tables(values: &[Value]) -> bool {
    values.iter().all(Value::is_table) && !values.is_empty()
}

/// Each by what it calls itself, so that one that comes in between changes nothing about the others.
fn labelled(values: &[Value]) -> Table {
    let mut labelled = Table::new();
    for (place, value) in values.iter().enumerate() {
        let name = ["name", "use", "file"].into_iter().find_map(|key| value.get(key)?.as_str());
        let name = name.map_or_else(|| (place + 1).to_string(), str::to_owned);
        let mut label = name.clone();
        let mut again = 2;
        while labelled.contains_key(&label) {
            label = format!("{name} {again}");
            again += 1;
        }
        labelled.insert(label, value.clone());
    }
    labelled
}

/// Nothing for what may hold a secret, and for whole tables, which would be too long.
fn shown(path: &str, value: &Value) -> Option<String> {
    let holds_tables = match value {
        Value::Table(_) => true,
        Value::Array(values) => values.iter().any(|value| value.is_table() || value.is_array()),
        Value::String(_) | Value::Integer(_) | Value::Float(_) | Value::Boolean(_) | Value::Datetime(_) => {
            false
        }
    };
    let is_secret = begins_with_broker(path) || sounds_secret(path);
    (!holds_tables && !is_secret).then(|| tame(&value.to_string(), VALUE_CHARS))
}
