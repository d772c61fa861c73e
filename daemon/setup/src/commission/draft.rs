//! From the notes to rules: the machine's file, and its inputs among those that are there.

use toml_edit::{Array, DocumentMut, InlineTable, Item, Table, Value};

use super::fields::FieldPlace;
use idlegate_guard::time::Span;

use super::notes::{Button, ButtonAnswer, Limits, Meter, Notes};

/// The input that `idlegate request` asks as unless told otherwise.
const CONSOLE: &str = "console";
/// What power-threshold takes for a gap unless told otherwise.
const GAP_MAX_USUAL: idlegate_detector::Span = idlegate_detector::Span::from_secs(60);

/// What is still missing before a machine's file can be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0} is not known yet")]
pub struct Missing(pub &'static str);

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum InputsError {
    #[error("inputs.toml is not valid TOML, so nothing in it was changed: {0}")]
    NotToml(String),
    #[error("inputs.toml: `inputs` is not a table, so nothing was changed")]
    OddInputs,
}

/// The file of the machine.
pub fn machine(name: &str, day: &str, notes: &Notes) -> Result<String, Missing> {
    let outlet = notes.outlet.as_ref().ok_or(Missing("where the outlet reports its state"))?;
    let order = notes.order.as_ref().filter(|_| !notes.watched);
    if order.is_none() && !notes.watched {
        return Err(Missing("where the outlet takes orders"));
    }
    let meter = notes.meter.as_ref().ok_or(Missing("where its draw is reported"))?;
    let limits = notes.limits.as_ref().ok_or(Missing("which draw means that it is working"))?;
    let mut document = DocumentMut::new();
    document.insert("title", text(notes.title.as_deref().unwrap_or(name)));
    for (key, _) in
        [("watched", notes.watched), ("never_off", notes.never_off)].iter().filter(|(_, is_so)| *is_so)
    {
        document.insert(key, Item::Value(true.into()));
    }

    let mut state = at(&outlet.place);
    state.insert("on", outlet.on.as_str().into());
    state.insert("off", outlet.off.as_str().into());
    let mut table = Table::new();
    table.insert("state", inline(state));
    if let Some(order) = order {
        let mut sent = InlineTable::new();
        for (key, value) in [("topic", &order.topic), ("on", &order.on), ("off", &order.off)] {
            sent.insert(key, value.as_str().into());
        }
        table.insert("order", inline(sent));
    }
    if let Some(reach) = &outlet.reach {
        let mut told = at(&reach.place);
        told.insert("yes", reach.yes.as_str().into());
        told.insert("no", reach.no.as_str().into());
        table.insert("reach", inline(told));
    }
    table.insert("power", text("power"));
    if let Some(watts) = limits.idle_watts {
        table.insert("idle_watts", Item::Value(watts.into()));
    }
    document.insert("outlet", Item::Table(table));

    let mut power = Table::new();
    for (key, value) in at(&meter.place).iter() {
        power.insert(key, Item::Value(value.clone()));
    }
    if meter.scale != 1.0 {
        power.insert("scale", Item::Value(meter.scale.into()));
    }
    power.insert("unit", text("W"));
    how_it_is_sent(meter, &mut power);
    let mut signals = Table::new();
    signals.set_implicit(true);
    signals.insert("power", Item::Table(power));
    document.insert("signals", Item::Table(signals));

    let mut settings = InlineTable::new();
    settings.insert("busy_watts", limits.busy_watts.into());
    settings.insert("quiet_watts", limits.quiet_watts.into());
    settings.insert("dwell", limits.dwell.as_str().into());
    if let Some(gap) = gap_max(limits, meter) {
        settings.insert("gap_max", gap.into());
    }
    let mut detector = Table::new();
    detector.insert("use", text("power-threshold"));
    detector.insert("settings", inline(settings));
    let mut detectors = toml_edit::ArrayOfTables::new();
    detectors.push(detector);
    document.insert("detectors", Item::ArrayOfTables(detectors));
    Ok(format!("# Commissioned on {day}; the record is in commissioning/.\n\n{document}"))
}

/// The pauses of a slow meter are no gaps. Its detector would take each for one and begin its dwell anew, so that the
/// machine would never be idle. It accepts no gap longer than the dwell.
fn gap_max(limits: &Limits, meter: &Meter) -> Option<String> {
    let span = |text: &str| text.parse::<idlegate_detector::Span>().ok();
    let measured = limits.gap_max.as_deref().and_then(span);
    let slow = meter.stale_after_secs.map(idlegate_detector::Span::from_secs);
    let gap = measured.or(slow.filter(|silence| *silence > GAP_MAX_USUAL))?;
    Some(gap.min(span(&limits.dwell).unwrap_or(gap)).to_string())
}

/// The keys for what its sender does otherwise than most.
fn how_it_is_sent(meter: &Meter, power: &mut Table) {
    if meter.decimal_comma {
        power.insert("decimal", text(","));
    }
    if !meter.words.is_empty() {
        let mut values = InlineTable::new();
        for (word, watts) in &meter.words {
            values.insert(word, (*watts).into());
        }
        power.insert("values", inline(values));
    }
    if meter.sender_stores {
        power.insert("sender_stores", Item::Value(true.into()));
    }
    if let Some(secs) = meter.stale_after_secs {
        power.insert("stale_after", text(&Span::secs(secs).to_string()));
    }
    if let Some(alive) = &meter.alive {
        let mut sign = if alive.reach { InlineTable::new() } else { at(&alive.place) };
        if alive.reach {
            sign.insert("reach", true.into());
        } else if let Some(gone) = &alive.gone {
            sign.insert("gone", gone.as_str().into());
        }
        sign.insert("silent_max", alive.silent_max.as_str().into());
        power.insert("reports", text("on-change"));
        power.insert("alive", inline(sign));
    }
}

/// The inputs with the machine's button among them, and with one for `idlegate request` if there is none.
pub fn inputs(before: &str, machine: &str, notes: &Notes) -> Result<String, InputsError> {
    let mut document: DocumentMut =
        before.parse().map_err(|error: toml_edit::TomlError| InputsError::NotToml(error.to_string()))?;
    let table = document.entry("inputs").or_insert_with(|| {
        let mut table = Table::new();
        table.set_implicit(true);
        Item::Table(table)
    });
    let table = table.as_table_mut().ok_or(InputsError::OddInputs)?;
    if let Some(ButtonAnswer::One(wanted)) = notes.button.as_ref().filter(|_| notes.can_be_switched_off()) {
        table.insert(
            &wanted.name,
            Item::Table(button(machine, notes.title.as_deref().unwrap_or(machine), wanted)),
        );
    }
    if !table.contains_key(CONSOLE) {
        let mut console = Table::new();
        console.insert("title", text("Console"));
        console.insert("machines", text("all"));
        for right in ["may_force", "may_keep_on", "may_lock", "may_unlock"] {
            console.insert(right, Item::Value(true.into()));
        }
        table.insert(CONSOLE, Item::Table(console));
    }
    Ok(document.to_string())
}

fn button(machine: &str, title: &str, wanted: &Button) -> Table {
    let mut input = Table::new();
    input.insert("title", text(&format!("Button of the {title}")));
    for (key, value) in at(&wanted.place).iter() {
        input.insert(key, Item::Value(value.clone()));
    }
    if wanted.sender_stores {
        input.insert("sender_stores", Item::Value(true.into()));
    }
    let mut machines = Array::new();
    machines.push(machine);
    input.insert("machines", Item::Value(machines.into()));
    // Somebody stands there: say why, and open the window.
    input.insert("when_busy", text("hold"));
    input.insert("may_force", Item::Value(true.into()));
    let mut gestures = Table::new();
    for (name, words, request) in
        [("press", &wanted.press, wanted.request.as_str()), ("long-press", &wanted.long_press, "force-off")]
    {
        if words.is_empty() {
            continue;
        }
        let mut gesture = InlineTable::new();
        gesture.insert("words", Value::Array(words.iter().map(String::as_str).collect()));
        gesture.insert("request", request.into());
        gestures.insert(name, inline(gesture));
    }
    input.insert("gestures", Item::Table(gestures));
    input
}

fn at(place: &FieldPlace) -> InlineTable {
    let mut table = InlineTable::new();
    table.insert("topic", place.topic.as_str().into());
    for (key, value) in [("pointer", &place.pointer), ("senml", &place.senml)] {
        if let Some(value) = value {
            table.insert(key, value.as_str().into());
        }
    }
    table
}

fn text(text: &str) -> Item {
    Item::Value(text.into())
}

fn inline(mut table: InlineTable) -> Item {
    table.fmt();
    Item::Value(table.into())
}
