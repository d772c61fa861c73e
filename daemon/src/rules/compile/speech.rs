//! What an input that names its machine says for each, and in which hours an input may ask.

use super::input::unknown_zone;
use crate::event::Name;
use crate::intake::fold;
use crate::plan::{MachineWords, ValuePath};
use crate::rules::codes::Code;
use crate::rules::problem::quoted;
use crate::rules::report::{At, Report};
use crate::rules::section::{Section, payload};
use crate::schedules::{BadHours, Hours};

/// A machine's name and title always stand for it. The rules may add words of their own.
pub(super) fn machine_words(
    section: &Section<'_>,
    reach: &[usize],
    machines: &[Name],
    titles: &[String],
    report: &mut Report<'_>,
) -> Option<MachineWords> {
    let rules = section.section("machine").filter(|_| section.has("topic") && !section.has("schedule"))?;
    let path = match (rules.owned("pointer"), rules.owned("senml")) {
        (Some(pointer), None) => ValuePath::JsonPointer(pointer),
        (None, Some(senml)) => ValuePath::SenmlName(senml),
        (Some(_), Some(_)) | (None, None) => {
            let message = "machine needs pointer or senml".to_owned();
            report.add(Code::ConflictingKeys, section.place_of("machine"), message).help(
                "say where in the payload the machine is named, such as pointer = \"/machine\"".to_owned(),
            );
            return None;
        }
    };
    let mut words: Vec<(String, usize)> = Vec::new();
    for (name, value) in rules.named("aliases") {
        let Some(machine) = machines.iter().position(|machine| machine.as_str() == name.value) else {
            let known: Vec<&str> = machines.iter().map(Name::as_str).collect();
            let otherwise = format!("known machines: {}", known.join(", "));
            report
                .add(Code::UnknownName, name.place, format!("no machine called {}", quoted(name.value)))
                .nearest(name.value, known, &otherwise);
            continue;
        };
        if !reach.contains(&machine) {
            let message = format!("this input may not ask about {}", quoted(name.value));
            report
                .add(Code::ConflictingKeys, name.place, message)
                .help("add it to machines, or remove its aliases".to_owned());
            continue;
        }
        let entries = value.value.as_array().map(|array| array.iter()).into_iter().flatten();
        for entry in entries {
            let place = crate::rules::report::Place::of(name.place.file, entry.span());
            let Some(alias) = payload(entry.get_ref()) else { continue };
            add_alias(At { value: alias, place }, machine, &mut words, machines, report);
        }
    }
    let own = reach.iter().flat_map(|machine| {
        [machines[*machine].as_str(), titles[*machine].as_str()].map(|word| (word.to_owned(), *machine))
    });
    for (word, machine) in own {
        // A title that two machines share, or that is an alias of another one, stands for what the rules say.
        let folded = fold(&word);
        let shared = reach.iter().filter(|other| fold(&titles[**other]) == folded).count() > 1;
        let is_name = word == machines[machine].as_str();
        if !folded.is_empty() && (is_name || !shared) && !words.iter().any(|(known, _)| fold(known) == folded)
        {
            words.push((word, machine));
        }
    }
    Some(MachineWords { path, words })
}

fn add_alias(
    alias: At<String>,
    machine: usize,
    words: &mut Vec<(String, usize)>,
    machines: &[Name],
    report: &mut Report<'_>,
) {
    let folded = fold(&alias.value);
    if folded.is_empty() {
        report.add(Code::OutOfRange, alias.place, "this alias is empty".to_owned());
        return;
    }
    let by_alias = words.iter().find(|(word, _)| fold(word) == folded).map(|(_, other)| *other);
    let by_name = machines.iter().position(|name| name.as_str() == folded);
    match by_alias.or(by_name.filter(|other| *other != machine)) {
        Some(other) => {
            let message = format!("{} already stands for {}", quoted(&alias.value), machines[other]);
            report
                .add(Code::DuplicateWord, alias.place, message)
                .help("upper and lower case and white space make no difference".to_owned());
        }
        None => words.push((alias.value, machine)),
    }
}

pub(super) fn hours(section: &Section<'_>, report: &mut Report<'_>) -> Option<Hours> {
    let rules = section.section("hours").filter(|_| !section.has("schedule"))?;
    let zone = rules.text("zone")?;
    ranges(&rules, zone, report)
}

/// The `ranges` of a table, in this zone.
pub(super) fn ranges(rules: &Section<'_>, zone: At<&str>, report: &mut Report<'_>) -> Option<Hours> {
    let entries = rules.list("ranges");
    let ranges: Vec<At<&str>> = entries
        .iter()
        .filter_map(|entry| Some(At { value: entry.value.as_str()?, place: entry.place }))
        .collect();
    if ranges.is_empty() && rules.get("ranges").is_some_and(|found| found.value.is_array()) {
        report
            .add(Code::OutOfRange, rules.place_of("ranges"), "there are no ranges".to_owned())
            .help("add a range such as \"mon-fri 07:00-22:00\", or leave the whole table out".to_owned());
        return None;
    }
    let texts: Vec<&str> = ranges.iter().map(|range| range.value).collect();
    match Hours::new(&texts, zone.value) {
        Ok(hours) => return Some(hours),
        Err(BadHours::UnknownZone) => unknown_zone(zone, report),
        Err(bad @ BadHours::Range(at)) => {
            let range = ranges[at];
            report.add(Code::BadHours, range.place, format!("{} is {bad}", quoted(range.value))).help(
                "the end is not part of a range; \"22:00-06:00\" runs past midnight; the end of a day is 24:00"
                    .to_owned(),
            );
        }
    }
    None
}
