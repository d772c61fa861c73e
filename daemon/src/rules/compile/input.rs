//! inputs.toml: where requests come from, what is meant by each gesture, and what each input may do.

use std::collections::BTreeMap;

use toml::de::DeValue;

use super::{InputPlaces, source, speech};
use crate::event::Name;
use crate::guard::{RequestKind, Rights, WhenBusy};
use crate::intake::fold;
use crate::plan::{Gesture, Input, InputSource, MachineWords, Schedule, ValuePath};
use crate::rules::codes::Code;
use crate::rules::problem::quoted;
use crate::rules::report::{At, Place, Report};
use crate::rules::section::{Section, payload};
use crate::schedules::{BadTimetable, Timetable};

/// In order of name, over all files.
pub(super) fn compile(
    files: &[Section<'_>],
    machines: &[Name],
    titles: &[String],
    report: &mut Report<'_>,
) -> (Vec<Input>, Vec<InputPlaces>) {
    let mut inputs: BTreeMap<Name, (Input, InputPlaces)> = BTreeMap::new();
    for file in files {
        for (name, value) in file.named("inputs") {
            let (Ok(valid), Some(table)) = (Name::new(name.value), value.value.as_table()) else { continue };
            let section = Section { table, place: value.place };
            if RESERVED.contains(&name.value) {
                let message = format!("{} is the name of a built-in input", quoted(name.value));
                report.add(Code::DuplicateName, name.place, message);
            }
            if inputs.contains_key(&valid) {
                let message = format!("input {} is declared in two files", quoted(name.value));
                report.add(Code::DuplicateName, name.place, message);
                continue;
            }
            let input = compile_one(valid.clone(), name.place, &section, machines, titles, report);
            let places = InputPlaces { name: name.place, topic: section.place_of("topic") };
            inputs.insert(valid, (input, places));
        }
    }
    inputs.into_values().unzip()
}

/// Inputs that the program itself speaks through.
const RESERVED: [&str; 1] = ["idle-timer"];

fn compile_one(
    name: Name,
    place: Place,
    section: &Section<'_>,
    machines: &[Name],
    titles: &[String],
    report: &mut Report<'_>,
) -> Input {
    let switch = |key: &str| section.switch(key).unwrap_or(false);
    let when_busy = match section.text("when_busy").map(|word| word.value) {
        Some("defer") => WhenBusy::Defer,
        // Nobody stands at the wall clock, and who calls a machine by its name need not stand beside it.
        None if section.has("schedule") || section.has("machine") => WhenBusy::Defer,
        Some(_) | None => WhenBusy::Hold,
    };
    let rights = Rights {
        may_force: switch("may_force"),
        may_lock: switch("may_lock"),
        may_unlock: switch("may_unlock"),
        emergency: switch("emergency"),
        when_busy,
        out_of_hours: false,
    };
    let gestures = gestures(section, rights, report);
    let reach = machine_indices(section, machines, report);
    let named = speech::machine_words(section, &reach, machines, titles, report);
    Input {
        title: section.owned("title").unwrap_or_else(|| name.as_str().replace('-', " ")),
        source: input_source(section, &name, place, named, report),
        machines: reach,
        hours: speech::hours(section, report),
        requests: requests(section, rights, report),
        gestures,
        rights,
        sender_stores: switch("sender_stores"),
        name,
    }
}

fn input_source(
    section: &Section<'_>,
    name: &Name,
    place: Place,
    named: Option<MachineWords>,
    report: &mut Report<'_>,
) -> InputSource {
    if section.has("schedule") {
        return schedule(section, report)
            .map_or(InputSource::RequestTopic, |schedule| InputSource::Schedule(Box::new(schedule)));
    }
    if !section.has("topic") {
        for key in ["pointer", "senml", "event_id", "machine", "gestures"] {
            if section.has(key) {
                let message = format!("{key} makes no sense without topic");
                let help = "an input without a topic takes requests from Idlegate's own request topic";
                report.add(Code::ConflictingKeys, section.place_of_key(key), message).help(help.to_owned());
            }
        }
        return InputSource::RequestTopic;
    }
    let none = section.section("gestures").is_none_or(|gestures| gestures.table.is_empty());
    if none && (!section.has("gestures") || section.section("gestures").is_some()) {
        report
            .add(Code::NoGestures, place, format!("input \"{name}\" has a topic but no gestures"))
            .help(format!("add [inputs.{name}.gestures], for example with press = \"flip\""));
    }
    let event_id = section.owned("event_id").map(ValuePath::JsonPointer);
    match source(section, report) {
        Some(source) => InputSource::Topic { source, event_id, named },
        None => InputSource::RequestTopic,
    }
}

/// Nothing when it is not usable, which has been reported.
fn schedule(section: &Section<'_>, report: &mut Report<'_>) -> Option<Schedule> {
    let beside = ["topic", "pointer", "senml", "event_id", "machine", "gestures", "requests", "hours"];
    let rights = ["may_force", "may_lock", "may_unlock", "emergency"];
    for key in beside.into_iter().chain(rights).filter(|key| section.has(key)) {
        let message = format!("{key} and schedule cannot be used together");
        report.add(Code::ConflictingKeys, section.place_of_key(key), message).help(
            "a schedule asks for on, off or off-once-idle at set times, and for nothing else".to_owned(),
        );
    }
    let rules = section.section("schedule")?;
    let (cron, zone) = (rules.text("cron")?, rules.text("zone")?);
    let request = RequestKind::from_word(rules.text("request")?.value)?;
    let make_up_missed = rules.switch("make_up_missed").unwrap_or(false);
    match Timetable::new(cron.value, zone.value) {
        Ok(timetable) => return Some(Schedule { timetable, request, make_up_missed }),
        Err(BadTimetable::UnknownZone) => unknown_zone(zone, report),
        Err(bad) => {
            report
                .add(Code::BadCron, cron.place, format!("cron: {bad}"))
                .help("\"0 22 * * 1-5\" is 22:00 from Monday to Friday".to_owned());
        }
    }
    None
}

pub(super) fn unknown_zone(zone: At<&str>, report: &mut Report<'_>) {
    let known: Vec<String> = jiff::tz::db().available().map(|name| name.to_string()).collect();
    let message = format!("no time zone is called {}", quoted(zone.value));
    report.add(Code::UnknownZone, zone.place, message).nearest(
        zone.value,
        known.iter().map(String::as_str).collect::<Vec<_>>(),
        "write a name from the IANA time zone database, such as \"Europe/Berlin\"",
    );
}

fn machine_indices(section: &Section<'_>, machines: &[Name], report: &mut Report<'_>) -> Vec<usize> {
    if section.text("machines").is_some() {
        return (0..machines.len()).collect();
    }
    let mut indices = Vec::new();
    let entries = section.list("machines");
    if entries.is_empty() && section.get("machines").is_some_and(|found| found.value.is_array()) {
        let message = "machines is empty, so this input can do nothing".to_owned();
        report
            .add(Code::OutOfRange, section.place_of("machines"), message)
            .help("name the machines, or write machines = \"all\"".to_owned());
    }
    for entry in entries {
        let Some(name) = entry.value.as_str() else { continue };
        match machines.iter().position(|machine| machine.as_str() == name) {
            Some(index) if indices.contains(&index) => {
                report.add(Code::DuplicateName, entry.place, format!("{} is named twice", quoted(name)));
            }
            Some(index) => indices.push(index),
            None => {
                let known: Vec<&str> = machines.iter().map(Name::as_str).collect();
                let otherwise = if known.is_empty() {
                    "add a file in machines/ for every machine".to_owned()
                } else {
                    format!("known machines: {}", known.join(", "))
                };
                let problem =
                    report.add(Code::UnknownName, entry.place, format!("no machine called {}", quoted(name)));
                problem.nearest(name, known, &otherwise);
            }
        }
    }
    indices.sort_unstable();
    indices
}

/// Which requests an input without a topic may make: with a topic its gestures say so.
fn requests(section: &Section<'_>, rights: Rights, report: &mut Report<'_>) -> Option<Vec<RequestKind>> {
    if !section.has("requests") || section.has("schedule") {
        return None;
    }
    if section.has("topic") {
        let message = "requests and topic cannot be used together".to_owned();
        report
            .add(Code::ConflictingKeys, section.place_of_key("requests"), message)
            .help("with a topic, the gestures say what the input asks for".to_owned());
    }
    let mut requests = Vec::new();
    for entry in section.list("requests") {
        // Other words were reported when the form was checked.
        let Some(kind) = entry.value.as_str().and_then(RequestKind::from_word) else { continue };
        permit(kind, entry.place, rights, report);
        requests.push(kind);
    }
    if section.get("requests").is_some_and(|found| found.value.as_array().is_some_and(|all| all.is_empty())) {
        report
            .add(
                Code::OutOfRange,
                section.place_of("requests"),
                "requests is empty, so this input can do nothing".to_owned(),
            )
            .help("name the requests, or leave requests out".to_owned());
    }
    Some(requests)
}

fn gestures(section: &Section<'_>, rights: Rights, report: &mut Report<'_>) -> Vec<Gesture> {
    let mut gestures: Vec<Gesture> = Vec::new();
    let mut taken: BTreeMap<String, String> = BTreeMap::new();
    // Where machines are named, words are those of people, and alike in more than one spelling.
    let alike = |word: &str| if section.has("machine") { fold(word) } else { word.to_owned() };
    let mut forces = false;
    for (name, value) in section.named("gestures") {
        let table = value.value.as_table().map(|table| Section { table, place: value.place });
        let request = match table {
            Some(table) => table.text("request"),
            None => value.value.as_str().map(|word| At { value: word, place: value.place }),
        };
        let Some(request) = request else { continue };
        // Reported when the form was checked.
        let Some(kind) = RequestKind::from_word(request.value) else { continue };
        forces |= kind == RequestKind::ForceOff;
        permit(kind, request.place, rights, report);
        let words = words_of(name, table, &value, report);
        for word in &words {
            if let Some(other) = taken.insert(alike(&word.value), name.value.to_owned()) {
                let message =
                    format!("{} already stands for the gesture {}", quoted(&word.value), quoted(&other));
                report.add(Code::DuplicateWord, word.place, message);
            }
        }
        let Ok(name) = Name::new(name.value) else { continue };
        gestures.push(Gesture {
            name,
            words: words.into_iter().map(|word| word.value).collect(),
            request: kind,
        });
    }
    if rights.may_force && section.has("topic") && !gestures.is_empty() && !forces {
        let message = "may_force is set, but no gesture asks for force-off".to_owned();
        report
            .add(Code::ForceUnreachable, section.place_of_key("may_force"), message)
            .help("add a gesture such as long-press = \"force-off\"".to_owned());
    }
    gestures
}

fn words_of(
    name: At<&str>,
    table: Option<Section<'_>>,
    value: &At<&DeValue<'_>>,
    report: &mut Report<'_>,
) -> Vec<At<String>> {
    let Some(table) = table.filter(|table| table.has("words")) else {
        return vec![At { value: name.value.to_owned(), place: name.place }];
    };
    let words: Vec<At<String>> = table
        .list("words")
        .into_iter()
        .filter_map(|word| Some(At { value: payload(word.value)?, place: word.place }))
        .collect();
    if words.is_empty() && table.get("words").is_some_and(|found| found.value.is_array()) {
        let message = format!("no word stands for the gesture {}", quoted(name.value));
        report
            .add(Code::OutOfRange, value.place, message)
            .help("leave words out, and the gesture's own name stands for it".to_owned());
    }
    words
}

/// An input whose gesture asks for more than the input may do would only ever be refused.
fn permit(kind: RequestKind, place: Place, rights: Rights, report: &mut Report<'_>) {
    let (allowed, key) = match kind {
        RequestKind::EmergencyOff => (rights.emergency, "emergency"),
        RequestKind::ForceOff => (rights.may_force, "may_force"),
        RequestKind::Lock => (rights.may_lock, "may_lock"),
        RequestKind::Unlock => (rights.may_unlock, "may_unlock"),
        RequestKind::On
        | RequestKind::Off
        | RequestKind::Flip
        | RequestKind::OffOnceIdle
        | RequestKind::Cancel => return,
    };
    if !allowed {
        report
            .add(Code::NotPermitted, place, format!("this input may not ask for {}", kind.word()))
            .help(format!("if it should be allowed to, add {key} = true to the input"));
    }
}
