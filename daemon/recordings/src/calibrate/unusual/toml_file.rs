//! What was learned into a machine's file, comments and all.

use std::path::Path;

use toml_edit::{ArrayOfTables, DocumentMut, InlineTable, Item, Table, Value};

use super::settings::Settings;
use crate::calibrate::toml_file::WriteError;
use idlegate_os::files;
use idlegate_rules::FILE_BYTES_MAX;

const DETECTOR: &str = "unusual-draw";
/// The name of the machine's own state among its signals, and another one if that is taken.
const STATE: &str = "state";
const OWN_STATE: &str = "own-state";

/// Writes the settings into the file of a machine; what was in it is there again in full if anything goes wrong.
pub fn write(path: &Path, settings: &Settings) -> Result<(), WriteError> {
    let file = || path.display().to_string();
    let before =
        files::read_text(path, FILE_BYTES_MAX).map_err(|cause| WriteError::Read { file: file(), cause })?;
    let mut document =
        before.parse::<DocumentMut>().map_err(|cause| WriteError::NotToml { file: file(), cause })?;
    change(&mut document, settings).ok_or_else(|| WriteError::OddDetectors { file: file() })?;
    files::replace(path, &document.to_string()).map_err(|cause| WriteError::Write { file: file(), cause })
}

fn change(document: &mut DocumentMut, settings: &Settings) -> Option<()> {
    let power = document.get("outlet").and_then(|outlet| outlet.get("power")).and_then(Item::as_str);
    let power = power.filter(|name| *name != "power").map(str::to_owned);
    let detectors = document.entry("detectors").or_insert(Item::ArrayOfTables(ArrayOfTables::new()));
    let detectors = detectors.as_array_of_tables_mut()?;
    let uses = |table: &Table| table.get("use").and_then(Item::as_str) == Some(DETECTOR);
    if let Some(table) = detectors.iter_mut().find(|table| uses(table)) {
        let does = table.get("settings").and_then(|settings| settings.get("does")).cloned();
        let mut learned = settings.to_toml();
        if let Some(does) = does.and_then(|does| does.into_value().ok()) {
            learned.insert("does", does);
            learned.fmt();
        }
        table.insert("settings", Item::Value(Value::InlineTable(learned)));
        return Some(());
    }
    let state = state_signal(document)?;
    let mut table = Table::new();
    table.insert("use", Item::Value(DETECTOR.into()));
    table.insert("role", Item::Value("warn".into()));
    table.insert("watch_while", Item::Value("on".into()));
    let mut signals = InlineTable::new();
    if let Some(power) = power {
        signals.insert("power", power.into());
    }
    if state != STATE {
        signals.insert(STATE, state.into());
    }
    if !signals.is_empty() {
        signals.fmt();
        table.insert("signals", Item::Value(Value::InlineTable(signals)));
    }
    table.insert("settings", Item::Value(Value::InlineTable(settings.to_toml())));
    document.get_mut("detectors")?.as_array_of_tables_mut()?.push(table);
    Some(())
}

/// The name of the signal that is the machine's own state, which is added if there is none yet.
fn state_signal(document: &mut DocumentMut) -> Option<&'static str> {
    let mut all = Table::new();
    all.set_implicit(true);
    let signals = document.entry("signals").or_insert(Item::Table(all)).as_table_like_mut()?;
    let is_own = |signal: &Item| signal.get("machine").and_then(Item::as_str) == Some("this");
    let name = [STATE, OWN_STATE].into_iter().find(|name| signals.get(name).is_none_or(is_own))?;
    if signals.get(name).is_none() {
        let mut own = Table::new();
        own.insert("machine", Item::Value("this".into()));
        signals.insert(name, Item::Table(own));
    }
    Some(name)
}
