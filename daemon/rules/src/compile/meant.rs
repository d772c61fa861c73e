//! The machines that an input may ask about; and that nobody takes a machine for cut by an emergency input which is
//! not, nor cuts one by it that must stay on.

use crate::codes::Code;
use crate::problem::quoted;
use crate::problems::{At, Problems, SourceSpan};
use crate::section::Section;
use idlegate_guard::Control;
use idlegate_plan::MachineIx;
use idlegate_plan::event::Name;

/// All machines as people call them, in order of name.
#[derive(Clone, Copy, Debug)]
pub(super) struct Machines<'a> {
    pub(super) names: &'a [Name],
    pub(super) titles: &'a [String],
    /// How far each is in the guard's hands.
    pub(super) controls: &'a [Control],
}

/// In which an emergency input says that it knows what it does not cut, and what it cuts all the same.
const CANNOT_CUT: &str = "cannot_cut";
const CUTS_NEVER_OFF: &str = "cuts_never_off";

pub(super) fn compile(
    input: &Name,
    section: &Section<'_>,
    machines: Machines<'_>,
    problems: &mut Problems<'_>,
) -> Vec<MachineIx> {
    let all = section.text("machines").is_some();
    let mut meant = if all { machines.indices().collect() } else { listed(section, machines, problems) };
    if section.switch("emergency").unwrap_or(false) {
        let known = Exceptions {
            cannot_cut: excepted(section, CANNOT_CUT, Control::Watched, machines, problems),
            cuts_never_off: excepted(section, CUTS_NEVER_OFF, Control::NeverOff, machines, problems),
        };
        all_or_nothing(section, &known, &meant, machines, problems);
        let emergency = Emergency { input, section, machines, known };
        emergency.watched(all, &mut meant, problems);
        emergency.never_off(all, &meant, problems);
        return meant;
    }
    for key in [CANNOT_CUT, CUTS_NEVER_OFF].into_iter().filter(|key| section.has(key)) {
        let message = format!("{key} has no effect without emergency = true");
        problems.add(Code::ConflictingKeys, section.place_of_key(key), message).help(format!("remove {key}"));
    }
    let asks_of_each = section.has("topic") && !section.has("machine");
    if section.has("schedule") {
        scheduled(section, all, &mut meant, machines, problems);
    } else if all && asks_of_each {
        // Nobody who presses a button for all of them wants to hear each time of one that cannot be switched.
        meant.retain(|machine| machines.control(*machine) != Control::Watched);
    }
    meant
}

impl<'a> Machines<'a> {
    fn indices(self) -> impl Iterator<Item = MachineIx> + use<> {
        (0..self.names.len()).map(MachineIx)
    }

    fn control(self, machine: MachineIx) -> Control {
        self.controls[machine.0]
    }

    fn name(self, machine: MachineIx) -> &'a str {
        self.names[machine.0].as_str()
    }

    /// Reported where there is none.
    fn find(self, name: At<&str>, problems: &mut Problems<'_>) -> Option<MachineIx> {
        let found = self.names.iter().position(|machine| machine.as_str() == name.value).map(MachineIx);
        if found.is_none() {
            let known: Vec<&str> = self.names.iter().map(Name::as_str).collect();
            let otherwise = if known.is_empty() {
                "add a file in machines/ for every machine".to_owned()
            } else {
                format!("known machines: {}", known.join(", "))
            };
            let message = format!("no machine called {}", quoted(name.value));
            let problem = problems.add(Code::UnknownName, name.place, message);
            problem.nearest(name.value, known, &otherwise);
        }
        found
    }
}

fn listed(section: &Section<'_>, machines: Machines<'_>, problems: &mut Problems<'_>) -> Vec<MachineIx> {
    let mut indices = Vec::new();
    let entries = section.list("machines");
    if entries.is_empty() && section.get("machines").is_some_and(|found| found.value.is_array()) {
        let message = "machines is empty, so this input can do nothing".to_owned();
        problems
            .add(Code::OutOfRange, section.place_of("machines"), message)
            .help("name the machines, or write machines = \"all\"".to_owned());
    }
    for entry in entries {
        let Some(name) = entry.value.as_str() else { continue };
        match machines.find(At { value: name, place: entry.place }, problems) {
            Some(index) if indices.contains(&index) => {
                problems.add(Code::DuplicateName, entry.place, format!("{} is named twice", quoted(name)));
            }
            Some(index) => indices.push(index),
            None => {}
        }
    }
    indices.sort_unstable();
    indices
}

/// Where a machine stands in the list of them, or where the list is.
fn place_of(section: &Section<'_>, name: &str) -> SourceSpan {
    let entries = section.list("machines").into_iter();
    let mut own = entries.filter(|entry| entry.value.as_str() == Some(name));
    own.next().map_or_else(|| section.place_of("machines"), |entry| entry.place)
}

/// What an emergency input says of machines that are not like others.
#[derive(Debug)]
struct Exceptions {
    cannot_cut: Vec<MachineIx>,
    cuts_never_off: Vec<MachineIx>,
}

/// The machines under one of its keys, all of which must be such.
fn excepted(
    section: &Section<'_>,
    key: &str,
    control: Control,
    machines: Machines<'_>,
    problems: &mut Problems<'_>,
) -> Vec<MachineIx> {
    let mut found = Vec::new();
    for entry in section.list(key) {
        let Some(name) = entry.value.as_str() else { continue };
        let Some(machine) = machines.find(At { value: name, place: entry.place }, problems) else { continue };
        if machines.control(machine) != control {
            let is = match control {
                Control::Watched => "is not only watched, so the emergency does cut it",
                Control::NeverOff | Control::Full => "may be switched off like any other machine",
            };
            problems
                .add(Code::ConflictingKeys, entry.place, format!("{name} {is}"))
                .help(format!("take it out of {key}"));
            continue;
        }
        found.push(machine);
    }
    found
}

/// Whoever makes an exception of a machine must mean it in the first place.
fn all_or_nothing(
    section: &Section<'_>,
    known: &Exceptions,
    meant: &[MachineIx],
    machines: Machines<'_>,
    problems: &mut Problems<'_>,
) {
    for (key, excepted) in [(CANNOT_CUT, &known.cannot_cut), (CUTS_NEVER_OFF, &known.cuts_never_off)] {
        for machine in excepted.iter().filter(|machine| !meant.contains(machine)) {
            let name = machines.name(*machine);
            let message = format!("{name} stands under {key}, but is not one of the machines of this input");
            problems
                .add(Code::ConflictingKeys, section.place_of(key), message)
                .help(format!("add {name} to machines, or take it out of {key}"));
        }
    }
}

struct Emergency<'a> {
    input: &'a Name,
    section: &'a Section<'a>,
    machines: Machines<'a>,
    known: Exceptions,
}

impl Emergency<'_> {
    /// No order reaches these, whoever presses, so nobody may come to rely on it.
    fn watched(&self, all: bool, meant: &mut Vec<MachineIx>, problems: &mut Problems<'_>) {
        let is_cut_in_vain = |machine: &MachineIx| {
            self.machines.control(*machine) == Control::Watched && !self.known.cannot_cut.contains(machine)
        };
        let in_vain: Vec<MachineIx> = meant.iter().copied().filter(is_cut_in_vain).collect();
        let names: Vec<&str> = in_vain.iter().map(|machine| self.machines.name(*machine)).collect();
        if names.is_empty() {
            return;
        }
        let quoted: Vec<String> = names.iter().map(|name| format!("\"{name}\"")).collect();
        let (input, names, quoted) = (self.input, names.join(", "), quoted.join(", "));
        if all {
            meant.retain(|machine| !in_vain.contains(machine));
            let them = if in_vain.len() == 1 { "it" } else { "them" };
            let message = format!(
                "{input} does not cut {names}, since Idlegate only watches {them}: \"all\" leaves {them} out"
            );
            problems.add(Code::WatchedLeftOut, self.section.place_of("machines"), message).help(format!(
                "tell everybody who may press it. With cannot_cut = [{quoted}] beside it, Idlegate says at each press that \
                 somebody must go there"
            ));
            return;
        }
        for machine in &in_vain {
            let name = self.machines.name(*machine);
            let message = format!("{input} cannot cut {name}: Idlegate only watches it");
            problems.add(Code::OnlyWatched, place_of(self.section, name), message).help(format!(
                "take it out of machines. Or, if Idlegate is to say at each press that somebody must go there, write \
                 cannot_cut = [{quoted}] beside it"
            ));
        }
    }

    fn never_off(&self, all: bool, meant: &[MachineIx], problems: &mut Problems<'_>) {
        let (input, section) = (self.input, self.section);
        for machine in meant {
            let spared = self.machines.control(*machine) == Control::NeverOff;
            if !spared || self.known.cuts_never_off.contains(machine) {
                continue;
            }
            let name = self.machines.name(*machine);
            let message = format!("{input} would cut {name}, which is never to be switched off");
            let otherwise = if all { "else name the other machines" } else { "else take it out of machines" };
            problems.add(Code::NeverOff, place_of(section, name), message).help(format!(
                "if it is to be cut in an emergency, write cuts_never_off = [\"{name}\"] beside it; {otherwise}"
            ));
        }
    }
}

/// The wall clock asks again every day, and would be refused every day.
fn scheduled(
    section: &Section<'_>,
    all: bool,
    meant: &mut Vec<MachineIx>,
    machines: Machines<'_>,
    problems: &mut Problems<'_>,
) {
    let rules = section.section("schedule");
    let switches_on = rules.and_then(|rules| rules.text("request")).is_some_and(|it| it.value == "on");
    let refused = |machine: &MachineIx| match machines.control(*machine) {
        Control::Full => None,
        Control::NeverOff if switches_on => None,
        Control::NeverOff => Some((Code::NeverOff, "is never switched off")),
        Control::Watched => Some((Code::OnlyWatched, "is only watched")),
    };
    if all {
        return meant.retain(|machine| refused(machine).is_none());
    }
    for (machine, (code, is)) in meant.iter().filter_map(|machine| Some((machine, refused(machine)?))) {
        let name = machines.name(*machine);
        let message = format!("{name} {is}, so this schedule would be refused every time");
        problems.add(code, place_of(section, name), message).help(format!("take {name} out of machines"));
    }
}
