//! A proposal into a rules file: a new one with what a machine needs, or the one that is there, comments and all.

use std::io;
use std::path::Path;

use toml_edit::{Array, ArrayOfTables, DocumentMut, InlineTable, Item, Table, Value};

use super::proposal::Settings;
use idlegate_os::files;
use idlegate_rules::FILE_BYTES_MAX;

const DETECTOR: &str = "power-threshold";

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Written {
    /// A whole machine, in which the outlet's topics have still to be filled in.
    New,
    /// Only the settings of its power-threshold have been changed.
    Changed,
    /// It had no power-threshold yet.
    Added,
}

#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    #[error("cannot read {file}: {cause}")]
    Read { file: String, cause: io::Error },
    #[error("cannot write {file}: {cause}; nothing in it was changed")]
    Write { file: String, cause: io::Error },
    #[error("{file} is not valid TOML, so nothing in it was changed: {cause}")]
    NotToml { file: String, cause: toml_edit::TomlError },
    #[error("{file}: `detectors` is not a list of tables, so nothing was changed")]
    OddDetectors { file: String },
}

/// Writes the settings into the file; what was in it is there again in full if anything goes wrong.
pub fn write(path: &Path, settings: &Settings) -> Result<Written, WriteError> {
    let file = || path.display().to_string();
    let (text, written) = match files::read_text(path, FILE_BYTES_MAX) {
        Ok(before) => {
            let mut document =
                before.parse::<DocumentMut>().map_err(|cause| WriteError::NotToml { file: file(), cause })?;
            let written =
                change(&mut document, settings).ok_or_else(|| WriteError::OddDetectors { file: file() })?;
            (document.to_string(), written)
        }
        Err(cause) if cause.kind() == io::ErrorKind::NotFound => (new_machine(path, settings), Written::New),
        Err(cause) => return Err(WriteError::Read { file: file(), cause }),
    };
    files::replace(path, &text).map_err(|cause| WriteError::Write { file: file(), cause })?;
    Ok(written)
}

fn change(document: &mut DocumentMut, settings: &Settings) -> Option<Written> {
    // The check warns of a threshold that no longer fits it.
    if let Some(outlet) = document.get_mut("outlet").and_then(Item::as_table_like_mut) {
        put(outlet, "idle_watts", settings.idle_watts.into());
    }
    let detectors = document.entry("detectors").or_insert(Item::ArrayOfTables(ArrayOfTables::new()));
    let Some(detectors) = detectors.as_array_of_tables_mut() else {
        return detectors.as_array_mut().and_then(|list| change_inline(list, settings));
    };
    let uses = |table: &Table| table.get("use").and_then(Item::as_str) == Some(DETECTOR);
    if let Some(table) = detectors.iter_mut().find(|table| uses(table)) {
        let kept = table.entry("settings").or_insert(Item::Value(Value::InlineTable(InlineTable::new())));
        let kept = kept.as_table_like_mut()?;
        for (key, value) in values(settings) {
            put(kept, key, value);
        }
        if settings.gap_max.is_none() {
            kept.remove("gap_max");
        }
        return Some(Written::Changed);
    }
    let mut table = Table::new();
    table.insert("use", Item::Value(DETECTOR.into()));
    table.insert("settings", Item::Value(Value::InlineTable(inline(settings))));
    detectors.push(table);
    Some(Written::Added)
}

fn change_inline(list: &mut Array, settings: &Settings) -> Option<Written> {
    let uses = |value: &Value| {
        value.as_inline_table().and_then(|table| table.get("use")).and_then(Value::as_str) == Some(DETECTOR)
    };
    if let Some(table) = list.iter_mut().find(|value| uses(value)).and_then(Value::as_inline_table_mut) {
        table.insert("settings", Value::InlineTable(inline(settings)));
        return Some(Written::Changed);
    }
    let mut table = InlineTable::new();
    table.insert("use", DETECTOR.into());
    table.insert("settings", Value::InlineTable(inline(settings)));
    list.push(table);
    Some(Written::Added)
}

/// Keeps the spaces and comments around a value that is there already.
fn put(table: &mut dyn toml_edit::TableLike, key: &str, mut value: Value) {
    if let Some(before) = table.get(key).and_then(Item::as_value) {
        *value.decor_mut() = before.decor().clone();
    }
    table.insert(key, Item::Value(value));
}

fn values(settings: &Settings) -> Vec<(&'static str, Value)> {
    let mut values = vec![
        ("busy_watts", settings.busy_watts.into()),
        ("quiet_watts", settings.quiet_watts.into()),
        ("dwell", settings.dwell_text().into()),
    ];
    values.extend(settings.gap_max.map(|gap| ("gap_max", super::proposal::text_of(gap).into())));
    values
}

/// As an inline table of the rules.
pub(super) fn inline(settings: &Settings) -> InlineTable {
    let mut table = InlineTable::new();
    for (key, value) in values(settings) {
        table.insert(key, value);
    }
    table.fmt();
    table
}

fn new_machine(path: &Path, settings: &Settings) -> String {
    let name = path.file_stem().map_or("machine".into(), |stem| stem.to_string_lossy());
    let title = name.replace('-', " ").replace(['"', '\\'], "");
    let place: String = name.chars().filter(|it| it.is_ascii_alphanumeric() || *it == '-').collect();
    format!(
        "# Written by `idlegate calibrate`. The topics are examples: replace them with those of your outlet and meter.

title = \"{title}\"

[outlet]
state   = {{ topic = \"outlets/{place}/says\", on = \"on\", off = \"off\" }}
order = {{ topic = \"outlets/{place}/order\", on = \"on\", off = \"off\" }}
power   = \"power\"
idle_watts = {}

[signals.power]
topic = \"meters/{place}\"
unit  = \"W\"

[[detectors]]
use      = \"{DETECTOR}\"
settings = {}
",
        settings.idle_watts,
        inline(settings)
    )
}
