//! inputs.toml: where requests come from, what is meant by each gesture, and what each input may do.

use std::collections::BTreeMap;

use toml::de::DeValue;

use super::meant::{self, Machines};
use super::{InputPlaces, source, speech, two_words};
use crate::codes::Code;
use crate::defaults;
use crate::problem::quoted;
use crate::problems::{At, Problems, SourceSpan};
use crate::section::{Section, payload};
use idlegate_guard::time::Span;
use idlegate_guard::{Place as From, RequestKind, Rights, WhenBusy};
use idlegate_plan::event::Name;
use idlegate_plan::schedules::{BadTimetable, Timetable};
use idlegate_plan::text::fold;
use idlegate_plan::{
    Battery, BatteryLow, Contact, EventId, Gesture, Group, Input, InputSource, MachineWords, Schedule,
    ValuePath,
};

/// What inputs can ask for.
#[derive(Clone, Copy)]
pub(super) struct Asked<'a> {
    pub(super) machines: Machines<'a>,
    pub(super) groups: &'a [Group],
}

/// In order of name, over all files.
pub(super) fn compile(
    files: &[Section<'_>],
    asked: Asked<'_>,
    problems: &mut Problems<'_>,
) -> (Vec<Input>, Vec<InputPlaces>) {
    let mut inputs: BTreeMap<Name, (Input, InputPlaces)> = BTreeMap::new();
    for file in files {
        for (name, value) in file.named("inputs") {
            let (Ok(valid), Some(table)) = (Name::new(name.value), value.value.as_table()) else { continue };
            let section = Section { table, place: value.place };
            if RESERVED.contains(&name.value) {
                let message = format!("{} is the name of a built-in input", quoted(name.value));
                problems.add(Code::DuplicateName, name.place, message);
            }
            if inputs.contains_key(&valid) {
                let message = format!("input {} is declared in two files", quoted(name.value));
                problems.add(Code::DuplicateName, name.place, message);
                continue;
            }
            let input = compile_one(valid.clone(), name.place, &section, asked, problems);
            let answers = section.list("answers").iter().map(|entry| entry.place).collect();
            let places = InputPlaces { name: name.place, topic: section.place_of("topic"), answers };
            inputs.insert(valid, (input, places));
        }
    }
    for file in files {
        for (_, value) in file.named("inputs") {
            let Some(table) = value.value.as_table() else { continue };
            releasing(&Section { table, place: value.place }, &inputs, problems);
        }
    }
    inputs.into_values().unzip()
}

/// Inputs that the program itself speaks through.
const RESERVED: [&str; 1] = ["idle-timer"];

fn compile_one(
    name: Name,
    place: SourceSpan,
    section: &Section<'_>,
    asked: Asked<'_>,
    problems: &mut Problems<'_>,
) -> Input {
    let switch = |key: &str| section.switch(key).unwrap_or(false);
    let when_busy = match section.text("when_busy").map(|word| word.value) {
        Some("defer") => WhenBusy::Defer,
        // Nobody stands at the wall clock, and who calls a machine by its name need not stand beside it.
        None if section.has("schedule") || section.has("machine") => WhenBusy::Defer,
        Some(_) | None => WhenBusy::Hold,
    };
    let place_of_person = person_at(section, problems);
    let rights = Rights {
        may_force: switch("may_force"),
        may_keep_on: switch("may_keep_on"),
        may_lock: switch("may_lock"),
        may_unlock: switch("may_unlock"),
        may_service: switch("may_service"),
        emergency: switch("emergency"),
        when_busy,
        place: place_of_person,
        window: remote_window(section, place_of_person, problems),
        out_of_hours: false,
    };
    let gestures = gestures(section, rights, problems);
    let reach = meant::compile(&name, section, asked.machines, problems);
    let named = speech::machine_words(section, &reach, asked, problems);
    Input {
        title: section.owned("title").unwrap_or_else(|| name.as_str().replace('-', " ")),
        source: input_source(section, &name, place, named, problems),
        machines: reach,
        hours: speech::hours(section, problems),
        requests: requests(section, rights, problems),
        gestures,
        rights,
        sender_stores: switch("sender_stores"),
        who: who(section, problems),
        confirm: section.owned("confirm").map(ValuePath::JsonPointer),
        answers: section
            .list("answers")
            .iter()
            .map(|entry| entry.value.as_str().unwrap_or_default().to_owned())
            .collect(),
        silent_max: silent_max(section, problems),
        battery: battery(section, problems),
        name,
    }
}

/// Nothing is ever heard of the wall clock, and whoever asks on our own topic asks when somebody wants something.
fn silent_max(section: &Section<'_>, problems: &mut Problems<'_>) -> Option<Span> {
    let silent_max = section.duration("silent_max")?;
    if ["topic", "contact", "battery"].iter().any(|key| section.has(key)) {
        return Some(silent_max);
    }
    let message = "silent_max has no effect without topic, contact or battery".to_owned();
    problems
        .add(Code::ConflictingKeys, section.place_of_key("silent_max"), message)
        .help("remove silent_max".to_owned());
    None
}

fn battery(section: &Section<'_>, problems: &mut Problems<'_>) -> Option<Battery> {
    let rules = section.section("battery")?;
    let source = source(&rules, problems)?;
    let low = match rules.number("low") {
        Some(number) => BatteryLow::AtMost(number),
        None => BatteryLow::Word(rules.owned("low")?),
    };
    Some(Battery { source, low })
}

/// Where the person is. Nobody is at the wall clock.
fn person_at(section: &Section<'_>, problems: &mut Problems<'_>) -> From {
    let has_topic = section.has("topic") || section.has("contact");
    let word = section.text("place").and_then(|word| From::from_word(word.value));
    let place = word.unwrap_or(if has_topic { defaults::PLACE } else { defaults::PLACE_WITHOUT_TOPIC });
    for key in ["window", "confirm"].into_iter().filter(|key| section.has(key) && place != From::Remote) {
        let message = format!("{key} is only for an input with place = \"remote\"");
        let help = match key {
            "window" => "elsewhere the machine's own window counts: set it in [guard]",
            _ => "elsewhere a second gesture is enough",
        };
        problems.add(Code::ConflictingKeys, section.place_of_key(key), message).help(help.to_owned());
    }
    place
}

fn remote_window(section: &Section<'_>, place: From, problems: &mut Problems<'_>) -> Option<Span> {
    let may_force = section.switch("may_force").unwrap_or(false);
    if section.has("window") && place == From::Remote && !may_force {
        let message = "window has no effect without may_force".to_owned();
        problems.add(Code::ConflictingKeys, section.place_of_key("window"), message);
    }
    (place == From::Remote).then(|| section.duration("window").unwrap_or(defaults::REMOTE_WINDOW))
}

fn who(section: &Section<'_>, problems: &mut Problems<'_>) -> Option<ValuePath> {
    let rules = section.section("who")?;
    match (rules.text("pointer"), rules.text("senml")) {
        (Some(pointer), None) => Some(ValuePath::JsonPointer(pointer.value.to_owned())),
        (None, Some(senml)) => Some(ValuePath::SenmlName(senml.value.to_owned())),
        (Some(_), Some(senml)) => {
            let message = "pointer and senml cannot be used together".to_owned();
            problems.add(Code::ConflictingKeys, senml.place, message);
            None
        }
        (None, None) => {
            if !rules.has("pointer") && !rules.has("senml") {
                let message = "who needs a pointer to the name in the payload".to_owned();
                problems
                    .add(Code::MissingKey, section.place_of("who"), message)
                    .help("write who = { pointer = \"/who\" }".to_owned());
            }
            None
        }
    }
}

fn input_source(
    section: &Section<'_>,
    name: &Name,
    place: SourceSpan,
    named: Option<MachineWords>,
    problems: &mut Problems<'_>,
) -> InputSource {
    if section.has("schedule") {
        return schedule(section, problems)
            .map_or(InputSource::RequestTopic, |schedule| InputSource::Schedule(Box::new(schedule)));
    }
    if section.has("contact") {
        return contact(section, problems).map_or(InputSource::RequestTopic, InputSource::Contact);
    }
    if !section.has("topic") {
        for key in ["pointer", "senml", "event_id", "machine", "gestures", "who", "confirm"] {
            if section.has(key) {
                let message = format!("{key} makes no sense without topic");
                let help = "an input without a topic takes requests from Idlegate's own request topic";
                problems.add(Code::ConflictingKeys, section.place_of_key(key), message).help(help.to_owned());
            }
        }
        return InputSource::RequestTopic;
    }
    let none = section.section("gestures").is_none_or(|gestures| gestures.table.is_empty());
    if none && (!section.has("gestures") || section.section("gestures").is_some()) {
        problems
            .add(Code::NoGestures, place, format!("input \"{name}\" has a topic but no gestures"))
            .help(format!("add [inputs.{name}.gestures], for example with press = \"flip\""));
    }
    let event_id = event_id(section);
    match source(section, problems) {
        Some(source) => InputSource::Topic { source, event_id, named },
        None => InputSource::RequestTopic,
    }
}

/// A pointer, or a table with one.
fn event_id(section: &Section<'_>) -> Option<EventId> {
    if let Some(pointer) = section.owned("event_id") {
        return Some(EventId { path: ValuePath::JsonPointer(pointer), counter: false });
    }
    let table = section.section("event_id")?;
    let path = ValuePath::JsonPointer(table.owned("pointer")?);
    Some(EventId { path, counter: table.switch("counter").unwrap_or(false) })
}

/// A contact says how it stands, and that is all it says.
fn contact(section: &Section<'_>, problems: &mut Problems<'_>) -> Option<Contact> {
    let beside = [
        "topic",
        "pointer",
        "senml",
        "event_id",
        "machine",
        "gestures",
        "requests",
        "schedule",
        "hours",
        "who",
        "confirm",
        "window",
        "sender_stores",
        "may_force",
        "may_keep_on",
        "may_lock",
        "may_unlock",
        "may_service",
        "when_busy",
    ];
    for key in beside.into_iter().filter(|key| section.has(key)) {
        let message = format!("{key} and contact cannot be used together");
        problems.add(Code::ConflictingKeys, section.place_of_key(key), message).help(
            "a contact has a position and nothing else; its topic and words are in its own table".to_owned(),
        );
    }
    if section.switch("emergency") != Some(true) {
        let message = "a contact needs emergency = true".to_owned();
        problems
            .add(Code::ConflictingKeys, section.place_of_key("contact"), message)
            .help("add emergency = true; for a button without a position, use topic and gestures".to_owned());
    }
    let rules = section.section("contact")?;
    let [pushed, released] = two_words(&rules, ["pushed", "released"], problems);
    let release_by = rules.list("release_by").into_iter();
    let release_by = release_by.filter_map(|entry| Name::new(entry.value.as_str()?).ok()).collect();
    Some(Contact { source: source(&rules, problems)?, pushed, released, release_by })
}

/// Who is to release a dead contact must be declared, and may unlock.
fn releasing(
    section: &Section<'_>,
    inputs: &BTreeMap<Name, (Input, InputPlaces)>,
    problems: &mut Problems<'_>,
) {
    let Some(rules) = section.section("contact") else { return };
    for entry in rules.list("release_by") {
        let Some(name) = entry.value.as_str() else { continue };
        let found = inputs.iter().find(|(known, _)| known.as_str() == name);
        match found {
            None => {
                let known = inputs.keys().map(Name::as_str);
                let message = format!("no input called {}", quoted(name));
                let problem = problems.add(Code::UnknownName, entry.place, message);
                problem.nearest(name, known, "name an input that may unlock");
            }
            Some((_, (input, _))) if !input.rights.may_unlock => {
                let message =
                    format!("input {} may not unlock, so it cannot release the contact", quoted(name));
                problems
                    .add(Code::NotPermitted, entry.place, message)
                    .help("add may_unlock = true to it, or name another input".to_owned());
            }
            Some(_) => {}
        }
    }
}

/// Nothing when it is not usable, which has been reported.
fn schedule(section: &Section<'_>, problems: &mut Problems<'_>) -> Option<Schedule> {
    let beside =
        ["topic", "pointer", "senml", "event_id", "machine", "gestures", "requests", "hours", "answers"];
    let rights = [
        "may_force",
        "may_keep_on",
        "may_lock",
        "may_unlock",
        "may_service",
        "emergency",
        "place",
        "window",
        "confirm",
        "who",
    ];
    for key in beside.into_iter().chain(rights).filter(|key| section.has(key)) {
        let message = format!("{key} and schedule cannot be used together");
        problems.add(Code::ConflictingKeys, section.place_of_key(key), message).help(
            "a schedule asks for on, off or off-once-idle at set times, and for nothing else".to_owned(),
        );
    }
    let rules = section.section("schedule")?;
    let (cron, zone) = (rules.text("cron")?, rules.text("zone")?);
    let request = RequestKind::from_word(rules.text("request")?.value)?;
    let make_up_missed = rules.switch("make_up_missed").unwrap_or(false);
    match Timetable::new(cron.value, zone.value) {
        Ok(timetable) => {
            if timetable.is_odd() {
                let message = "this fires on every day that fits the step, and on every one of these days of the week as well";
                problems.add(Code::OddCron, cron.place, message.to_owned()).help(
                    "for certain days of the week leave the day of the month as *; `idlegate check DIR --next 5` shows the days"
                        .to_owned(),
                );
            }
            return Some(Schedule { timetable, request, make_up_missed });
        }
        Err(BadTimetable::UnknownZone) => unknown_zone(zone, problems),
        Err(bad) => {
            problems
                .add(Code::BadCron, cron.place, format!("cron: {bad}"))
                .help("\"0 22 * * 1-5\" is 22:00 from Monday to Friday".to_owned());
        }
    }
    None
}

pub(super) fn unknown_zone(zone: At<&str>, problems: &mut Problems<'_>) {
    let known: Vec<String> = jiff::tz::db().available().map(|name| name.to_string()).collect();
    let message = format!("no time zone is called {}", quoted(zone.value));
    problems.add(Code::UnknownZone, zone.place, message).nearest(
        zone.value,
        known.iter().map(String::as_str).collect::<Vec<_>>(),
        "write a name from the IANA time zone database, such as \"Europe/Berlin\"",
    );
}

/// Which requests an input without a topic may make: with a topic its gestures say so.
fn requests(section: &Section<'_>, rights: Rights, problems: &mut Problems<'_>) -> Option<Vec<RequestKind>> {
    if !section.has("requests") || section.has("schedule") {
        return None;
    }
    if section.has("topic") {
        let message = "requests and topic cannot be used together".to_owned();
        problems
            .add(Code::ConflictingKeys, section.place_of_key("requests"), message)
            .help("with a topic, the gestures say what the input asks for".to_owned());
    }
    let mut requests = Vec::new();
    for entry in section.list("requests") {
        // Other words were reported when the form was checked.
        let Some(kind) = entry.value.as_str().and_then(RequestKind::from_word) else { continue };
        permit(kind, entry.place, rights, problems);
        requests.push(kind);
    }
    if section.get("requests").is_some_and(|found| found.value.as_array().is_some_and(|all| all.is_empty())) {
        problems
            .add(
                Code::OutOfRange,
                section.place_of("requests"),
                "requests is empty, so this input can do nothing".to_owned(),
            )
            .help("name the requests, or leave requests out".to_owned());
    }
    Some(requests)
}

fn gestures(section: &Section<'_>, rights: Rights, problems: &mut Problems<'_>) -> Vec<Gesture> {
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
        let kind = RequestKind::from_word(request.value).filter(|kind| *kind != RequestKind::Serviced);
        let Some(kind) = kind else { continue };
        forces |= kind == RequestKind::ForceOff;
        permit(kind, request.place, rights, problems);
        let words = words_of(name, table, &value, problems);
        for word in &words {
            if let Some(other) = taken.insert(alike(&word.value), name.value.to_owned()) {
                let message =
                    format!("{} already stands for the gesture {}", quoted(&word.value), quoted(&other));
                problems.add(Code::DuplicateWord, word.place, message);
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
        problems
            .add(Code::ForceUnreachable, section.place_of_key("may_force"), message)
            .help("add a gesture such as long-press = \"force-off\"".to_owned());
    }
    gestures
}

fn words_of(
    name: At<&str>,
    table: Option<Section<'_>>,
    value: &At<&DeValue<'_>>,
    problems: &mut Problems<'_>,
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
        problems
            .add(Code::OutOfRange, value.place, message)
            .help("leave words out, and the gesture's own name stands for it".to_owned());
    }
    words
}

/// An input whose gesture asks for more than the input may do would only ever be refused.
fn permit(kind: RequestKind, place: SourceSpan, rights: Rights, problems: &mut Problems<'_>) {
    let (allowed, key) = match kind {
        RequestKind::EmergencyOff => (rights.emergency, "emergency"),
        RequestKind::ForceOff => (rights.may_force, "may_force"),
        RequestKind::KeepOn => (rights.may_keep_on, "may_keep_on"),
        RequestKind::Lock => (rights.may_lock, "may_lock"),
        RequestKind::Unlock => (rights.may_unlock || rights.may_lock, "may_unlock"),
        RequestKind::Serviced => (rights.may_service, "may_service"),
        RequestKind::On
        | RequestKind::Off
        | RequestKind::Flip
        | RequestKind::OffOnceIdle
        | RequestKind::Cancel => return,
    };
    if !allowed {
        problems
            .add(Code::NotPermitted, place, format!("this input may not ask for {}", kind.word()))
            .help(format!("if it should be allowed to, add {key} = true to the input"));
    }
}
