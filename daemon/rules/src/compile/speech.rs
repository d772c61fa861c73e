//! What an input that names its machine says for each, and in which hours an input may ask.

use super::input::{Asked, unknown_zone};
use crate::codes::Code;
use crate::problem::quoted;
use crate::problems::{At, Problems};
use crate::section::{Section, payload};
use idlegate_plan::event::Name;
use idlegate_plan::schedules::{BadHours, Hours};
use idlegate_plan::text::fold;
use idlegate_plan::{Group, GroupIx, MachineIx, MachineWords, ValuePath, indexed};

/// A machine's name and title always stand for it, and so do those of a group. The rules may add words of their own for
/// machines.
pub(super) fn machine_words(
    section: &Section<'_>,
    reach: &[MachineIx],
    asked: Asked<'_>,
    problems: &mut Problems<'_>,
) -> Option<MachineWords> {
    let (machines, titles) = (asked.machines.names, asked.machines.titles);
    let rules = section.section("machine").filter(|_| section.has("topic") && !section.has("schedule"))?;
    let path = match (rules.owned("pointer"), rules.owned("senml")) {
        (Some(pointer), None) => ValuePath::JsonPointer(pointer),
        (None, Some(senml)) => ValuePath::SenmlName(senml),
        (Some(_), Some(_)) | (None, None) => {
            let message = "machine needs pointer or senml".to_owned();
            problems.add(Code::ConflictingKeys, section.place_of("machine"), message).help(
                "say where in the payload the machine is named, such as pointer = \"/machine\"".to_owned(),
            );
            return None;
        }
    };
    let mut words: Vec<(String, MachineIx)> = Vec::new();
    for (name, value) in rules.named("aliases") {
        let found = machines.iter().position(|machine| machine.as_str() == name.value);
        let Some(machine) = found.map(MachineIx) else {
            let known: Vec<&str> = machines.iter().map(Name::as_str).collect();
            let otherwise = format!("known machines: {}", known.join(", "));
            problems
                .add(Code::UnknownName, name.place, format!("no machine called {}", quoted(name.value)))
                .nearest(name.value, known, &otherwise);
            continue;
        };
        if !reach.contains(&machine) {
            let message = format!("this input may not ask about {}", quoted(name.value));
            problems
                .add(Code::ConflictingKeys, name.place, message)
                .help("add it to machines, or remove its aliases".to_owned());
            continue;
        }
        let entries = value.value.as_array().map(|array| array.iter()).into_iter().flatten();
        for entry in entries {
            let place = crate::problems::SourceSpan::of(name.place.file, entry.span());
            let Some(alias) = payload(entry.get_ref()) else { continue };
            add_alias(At { value: alias, place }, machine, &mut words, asked, problems);
        }
    }
    let own = reach.iter().flat_map(|machine| {
        [machines[machine.0].as_str(), titles[machine.0].as_str()].map(|word| (word.to_owned(), *machine))
    });
    for (word, machine) in own {
        // A title that two machines share, or that is an alias of another one, stands for what the rules say.
        let folded = fold(&word);
        let shared = reach.iter().filter(|other| fold(&titles[other.0]) == folded).count() > 1;
        let is_name = word == machines[machine.0].as_str();
        if !folded.is_empty() && (is_name || !shared) && !words.iter().any(|(known, _)| fold(known) == folded)
        {
            words.push((word, machine));
        }
    }
    Some(MachineWords { path, words, groups: group_words(reach, asked) })
}

/// Of those that it reaches any machine of. What it may not switch it is told of.
fn group_words(reach: &[MachineIx], asked: Asked<'_>) -> Vec<(String, GroupIx)> {
    let mut words: Vec<(String, GroupIx)> = Vec::new();
    for (index, group) in indexed(asked.groups) {
        if !group.machines.iter().any(|machine| reach.contains(machine)) {
            continue;
        }
        words.push((group.name.to_string(), index));
        if fold(&group.title) != fold(group.name.as_str()) {
            words.push((group.title.clone(), index));
        }
    }
    words
}

fn add_alias(
    alias: At<String>,
    machine: MachineIx,
    words: &mut Vec<(String, MachineIx)>,
    asked: Asked<'_>,
    problems: &mut Problems<'_>,
) {
    let machines = asked.machines.names;
    let folded = fold(&alias.value);
    if folded.is_empty() {
        problems.add(Code::OutOfRange, alias.place, "this alias is empty".to_owned());
        return;
    }
    let by_alias = words.iter().find(|(word, _)| fold(word) == folded).map(|(_, other)| *other);
    let by_name = machines.iter().position(|name| name.as_str() == folded).map(MachineIx);
    let means = |group: &&Group| [fold(group.name.as_str()), fold(&group.title)].contains(&folded);
    let group = asked.groups.iter().find(means).map(|group| format!("the group {}", group.name));
    let by_other = by_alias.or(by_name.filter(|other| *other != machine));
    match by_other.map(|other| machines[other.0].to_string()).or(group) {
        Some(other) => {
            let message = format!("{} already stands for {other}", quoted(&alias.value));
            problems
                .add(Code::DuplicateWord, alias.place, message)
                .help("upper and lower case and white space make no difference".to_owned());
        }
        None => words.push((alias.value, machine)),
    }
}

pub(super) fn hours(section: &Section<'_>, problems: &mut Problems<'_>) -> Option<Hours> {
    let rules = section.section("hours").filter(|_| !section.has("schedule"))?;
    let zone = rules.text("zone")?;
    ranges(&rules, zone, problems)
}

/// The `ranges` of a table, in this zone.
pub(super) fn ranges(rules: &Section<'_>, zone: At<&str>, problems: &mut Problems<'_>) -> Option<Hours> {
    let entries = rules.list("ranges");
    let ranges: Vec<At<&str>> = entries
        .iter()
        .filter_map(|entry| Some(At { value: entry.value.as_str()?, place: entry.place }))
        .collect();
    if ranges.is_empty() && rules.get("ranges").is_some_and(|found| found.value.is_array()) {
        problems
            .add(Code::OutOfRange, rules.place_of("ranges"), "there are no ranges".to_owned())
            .help("add a range such as \"mon-fri 07:00-22:00\", or leave the whole table out".to_owned());
        return None;
    }
    let texts: Vec<&str> = ranges.iter().map(|range| range.value).collect();
    match Hours::new(&texts, zone.value) {
        Ok(hours) => return Some(hours),
        Err(BadHours::UnknownZone) => unknown_zone(zone, problems),
        Err(bad @ BadHours::Range(at)) => {
            let range = ranges[at];
            problems.add(Code::BadHours, range.place, format!("{} is {bad}", quoted(range.value))).help(
                "the end is not part of a range; \"22:00-06:00\" runs past midnight; the end of a day is 24:00"
                    .to_owned(),
            );
        }
    }
    None
}
