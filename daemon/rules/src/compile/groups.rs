//! Groups of shop.toml: machines that are asked together, under a name and a title that mean nothing else.

use std::collections::BTreeMap;

use super::meant::Machines;
use crate::codes::Code;
use crate::problem::quoted;
use crate::problems::{At, Problems, SourceSpan};
use crate::section::Section;
use idlegate_guard::Control;
use idlegate_plan::event::Name;
use idlegate_plan::text::fold;
use idlegate_plan::{Group, MachineIx, Plan};

/// In order of name, each with the place of its machines.
pub(super) fn compile(
    shop: Option<&Section<'_>>,
    machines: Machines<'_>,
    problems: &mut Problems<'_>,
) -> (Vec<Group>, Vec<SourceSpan>) {
    let mut groups: BTreeMap<Name, (Group, SourceSpan)> = BTreeMap::new();
    // Of a folder without machines nobody can say whether a group names them rightly.
    let tables = shop.filter(|_| !machines.names.is_empty()).map(|shop| shop.named("groups"));
    for (name, value) in tables.into_iter().flatten() {
        let (Ok(valid), Some(table)) = (Name::new(name.value), value.value.as_table()) else { continue };
        let section = Section { table, place: value.place };
        if machines.names.contains(&valid) {
            let message = format!("group {} has the name of a machine", quoted(name.value));
            problems
                .add(Code::DuplicateName, name.place, message)
                .help("give it another name, so that a request can mean only one of them".to_owned());
        }
        let title = section.text("title");
        let words = title.map_or_else(|| name.value.replace('-', " "), |title| title.value.to_owned());
        let place = title.map_or(name.place, |title| title.place);
        // A name that is a machine's has been reported, and so has the title that comes of it.
        if !machines.names.contains(&valid) && fold(name.value) != fold(&words) {
            means_nothing_else(name, machines, &groups, problems);
        }
        if !machines.names.contains(&valid) || title.is_some() {
            means_nothing_else(At { value: &words, place }, machines, &groups, problems);
        }
        let members = members(&section, machines, problems);
        let group = Group { name: valid.clone(), title: words, machines: members };
        groups.insert(valid, (group, section.place_of("machines")));
    }
    groups.into_values().unzip()
}

/// Whoever says this word must mean this group and nothing else.
fn means_nothing_else(
    word: At<&str>,
    machines: Machines<'_>,
    groups: &BTreeMap<Name, (Group, SourceSpan)>,
    problems: &mut Problems<'_>,
) {
    let folded = fold(word.value);
    if folded.is_empty() {
        let message = "this title is empty, so nobody could say it".to_owned();
        problems.add(Code::OutOfRange, word.place, message);
        return;
    }
    let called = machines.names.iter().zip(machines.titles);
    let machine = called.map(|(name, title)| (name, [fold(name.as_str()), fold(title)]));
    let mut machine = machine.filter(|(_, words)| words.contains(&folded)).map(|(name, _)| name);
    let named = |group: &&Group| [fold(group.name.as_str()), fold(&group.title)].contains(&folded);
    let mut groups = groups.values().map(|(group, _)| group);
    let other = match (machine.next(), groups.find(named)) {
        (Some(machine), _) => format!("the machine {machine}"),
        (None, Some(group)) => format!("the group {}", group.name),
        (None, None) => return,
    };
    let message = format!("{} already stands for {other}", quoted(word.value));
    problems
        .add(Code::DuplicateWord, word.place, message)
        .help("give the group a name and a title of its own: whoever says it must mean one thing".to_owned());
}

/// In their order.
fn members(section: &Section<'_>, called: Machines<'_>, problems: &mut Problems<'_>) -> Vec<MachineIx> {
    if section.text("machines").is_some() {
        // A group is only ever switched off, and nobody wants to hear each time of what cannot be.
        let all = called.controls.iter().enumerate();
        return all.filter(|(_, control)| **control == Control::Full).map(|(at, _)| MachineIx(at)).collect();
    }
    let machines = called.names;
    let entries = section.list("machines");
    if entries.is_empty() && section.get("machines").is_some_and(|found| found.value.is_array()) {
        problems
            .add(Code::OutOfRange, section.place_of("machines"), "this group has no machines".to_owned())
            .help("name them, or write machines = \"all\"".to_owned());
    }
    let mut members = Vec::new();
    for entry in entries {
        let Some(name) = entry.value.as_str() else { continue };
        match machines.iter().position(|machine| machine.as_str() == name).map(MachineIx) {
            Some(index) if members.contains(&index) => {
                problems.add(Code::DuplicateName, entry.place, format!("{} is named twice", quoted(name)));
            }
            Some(index) => members.push(index),
            // One that is no name has been reported when the form was checked.
            None if Name::new(name).is_err() => {}
            None => {
                let all = || machines.iter().map(Name::as_str);
                let otherwise = format!("known machines: {}", all().collect::<Vec<_>>().join(", "));
                let message = format!("no machine called {}", quoted(name));
                problems.add(Code::UnknownName, entry.place, message).nearest(name, all(), &otherwise);
            }
        }
    }
    members
}

/// One daemon answers for all of them.
pub(super) fn at_one_site(plan: &Plan, places: &[SourceSpan], problems: &mut Problems<'_>) {
    for (group, place) in plan.groups.iter().zip(places) {
        let mut machines = group.machines.iter().map(|machine| &plan.machines[*machine]);
        let Some(first) = machines.next() else { continue };
        if let Some(other) = machines.find(|other| other.site != first.site) {
            let message =
                format!("group {} has machines of two sites, {} and {}", group.name, first.name, other.name);
            problems
                .add(Code::ConflictingKeys, *place, message)
                .help("one daemon must answer for all of them: make a group for each site".to_owned());
        }
    }
}
