//! Detectors on a machine: which module, which signals feed it, and with what settings.

use super::{Surroundings, machine::UNIT_IN_DOUBT, machine::unknown_signal, settings, within_folder};
use crate::event::Name;
use crate::plan::{DetectorUse, Machine, ModuleSource, Role, SignalKind};
use crate::rules::codes::Code;
use crate::rules::compile::{DetectorFacts, SignalFact};
use crate::rules::folder::Folder;
use crate::rules::problem::{plain, quoted};
use crate::rules::report::{Place, Report};
use crate::rules::section::Section;

pub(super) fn compile(
    section: &Section<'_>,
    machine: &Machine,
    folder: &Folder,
    around: &Surroundings<'_>,
    report: &mut Report<'_>,
) -> (Vec<DetectorUse>, Vec<Place>) {
    let (mut detectors, mut places) = (Vec::<DetectorUse>::new(), Vec::new());
    for entry in section.list("detectors") {
        let Some(table) = entry.value.as_table() else { continue };
        let section = Section { table, place: entry.place };
        let Some(detector) = compile_one(&section, machine, folder, around, report) else { continue };
        if detectors.iter().any(|other| other.name == detector.name) {
            let message = format!("two detectors called \"{}\" on this machine", detector.name);
            let place = if section.has("name") { section.place_of("name") } else { section.place };
            report
                .add(Code::DuplicateName, place, message)
                .help("give one of them another name: name = \"…\"".to_owned());
        }
        detectors.push(detector);
        places.push(section.place);
    }
    (detectors, places)
}

fn compile_one(
    section: &Section<'_>,
    machine: &Machine,
    folder: &Folder,
    around: &Surroundings<'_>,
    report: &mut Report<'_>,
) -> Option<DetectorUse> {
    let (module, place) = module(section, folder, around, report)?;
    let facts = match around.detectors.describe(&module) {
        Ok(facts) => facts,
        Err(why) => {
            report.add(Code::BadDetector, place, plain(&why));
            return None;
        }
    };
    let signals = wire(section, &facts, machine, report);
    let settings = settings::compile(section, &module, &facts, around, report);
    let name = section.text("name").map_or(facts.name.as_str(), |name| name.value);
    let name = match Name::new(name) {
        Ok(name) => name,
        Err(error) if !section.has("name") => {
            report
                .add(
                    Code::BadDetector,
                    place,
                    format!(
                        "the name that the detector gives itself cannot be used: {}",
                        plain(&error.to_string())
                    ),
                )
                .help("give it a name here: name = \"…\"".to_owned());
            return None;
        }
        // Reported when the form was checked.
        Err(_) => return None,
    };
    Some(DetectorUse {
        name,
        module,
        settings: settings?,
        signals,
        needed: facts.signals.iter().map(|signal| signal.needed).collect(),
        role: role(section),
    })
}

fn role(section: &Section<'_>) -> Role {
    let word = section.text("role").map(|word| word.value);
    Role::ALL.into_iter().find(|role| word == Some(role.word())).unwrap_or(Role::Hold)
}

fn module(
    section: &Section<'_>,
    folder: &Folder,
    around: &Surroundings<'_>,
    report: &mut Report<'_>,
) -> Option<(ModuleSource, Place)> {
    match (section.text("use"), section.text("file")) {
        (Some(name), None) => {
            if section.has("sha256") {
                let message =
                    "sha256 is for a detector in a file, but this one comes with Idlegate".to_owned();
                report.add(Code::ConflictingKeys, section.place_of_key("sha256"), message);
            }
            let valid = Name::new(name.value).ok()?;
            let known = around.detectors.built_in();
            if !known.iter().any(|known| known == name.value) {
                let message = format!("no detector called {} comes with Idlegate", quoted(name.value));
                let otherwise = format!("known detectors: {}", known.join(", "));
                let known = known.iter().map(String::as_str);
                report.add(Code::UnknownName, name.place, message).nearest(name.value, known, &otherwise);
                return None;
            }
            Some((ModuleSource::BuiltIn(valid), name.place))
        }
        (None, Some(path)) => {
            let inside = within_folder(path, report)?;
            let Some(file) = folder.module(&inside) else {
                let known = folder.modules.iter().map(|module| module.path.as_str());
                let problem = report.add(
                    Code::UnknownName,
                    path.place,
                    format!("there is no detector at {}", quoted(path.value)),
                );
                problem.nearest(
                    &inside,
                    known,
                    "put your own detectors into detectors/ in the rules folder, as .wasm files",
                );
                return None;
            };
            if let Some(pinned) = section.text("sha256")
                && pinned.value.len() == 64
                && pinned.value != file.sha256
            {
                let message = format!("{} is not the file with this SHA-256", quoted(path.value));
                report.add(Code::WrongDigest, pinned.place, message).help(format!(
                    "the file's SHA-256 is {}; write that here only if you know why the file has changed",
                    file.sha256
                ));
                return None;
            }
            // Pinned here in any case: what was checked is what is loaded.
            let sha256 = Some(file.sha256.clone());
            Some((ModuleSource::File { path: folder.root.join(inside), sha256 }, path.place))
        }
        (Some(_), Some(path)) => {
            report.add(Code::ConflictingKeys, path.place, "use and file cannot be used together".to_owned());
            None
        }
        (None, None) => {
            if !section.has("use") && !section.has("file") {
                report
                    .add(Code::MissingKey, section.place, "a detector needs either use or file".to_owned())
                    .help(format!("give use one of {}", around.detectors.built_in().join(", ")));
            }
            None
        }
    }
}

/// For each signal that the detector declares, the machine's signal that feeds it.
fn wire(
    section: &Section<'_>,
    facts: &DetectorFacts,
    machine: &Machine,
    report: &mut Report<'_>,
) -> Vec<Option<usize>> {
    let wires = section.named("signals");
    for (theirs, _) in &wires {
        if !facts.signals.iter().any(|fact| fact.name == theirs.value) {
            let known: Vec<&str> = facts.signals.iter().map(|fact| fact.name.as_str()).collect();
            let message = format!("{} has no signal called {}", plain(&facts.name), quoted(theirs.value));
            let otherwise = format!("its signals: {}", known.join(", "));
            report.add(Code::UnknownName, theirs.place, message).nearest(theirs.value, known, &otherwise);
        }
    }
    facts
        .signals
        .iter()
        .map(|fact| {
            let wire = wires.iter().find(|(theirs, _)| theirs.value == fact.name);
            let (ours, place) = match wire {
                Some((_, ours)) => (ours.value.as_str()?, ours.place),
                None => (fact.name.as_str(), section.place),
            };
            let Some(index) = machine.signal_index(ours) else {
                match wire {
                    Some(_) => unknown_signal(ours, place, &machine.signals, report),
                    None if fact.needed => missing_signal(facts, fact, place, machine, report),
                    None => {}
                }
                return None;
            };
            check_fit(fact, index, place, machine, report);
            Some(index)
        })
        .collect()
}

fn missing_signal(
    facts: &DetectorFacts,
    fact: &SignalFact,
    place: Place,
    machine: &Machine,
    report: &mut Report<'_>,
) {
    let message = format!("{} needs a signal called {}", plain(&facts.name), quoted(&fact.name));
    let problem = report.add(Code::MissingSignal, place, message);
    let known: Vec<&str> = machine.signals.iter().map(|signal| signal.name.as_str()).collect();
    let theirs = plain(&fact.name);
    match crate::rules::words::nearest(&fact.name, known.iter().copied()).or(known.first().copied()) {
        Some(near) => problem
            .help(format!("declare [signals.{theirs}], or write signals = {{ {theirs} = \"{near}\" }}")),
        None => problem.help(format!("declare [signals.{theirs}]")),
    };
}

fn check_fit(fact: &SignalFact, index: usize, place: Place, machine: &Machine, report: &mut Report<'_>) {
    let signal = &machine.signals[index];
    match (&signal.kind, fact.numeric) {
        (SignalKind::Number(number), true) => {
            if !fact.unit.is_empty() && number.unit != fact.unit && number.unit != UNIT_IN_DOUBT {
                let (theirs, ours) = (plain(&fact.unit), &number.unit);
                let found = if ours.is_empty() { "has no unit".to_owned() } else { format!("is in {ours}") };
                let message = format!("signal \"{}\" {found}, but {theirs} is expected", signal.name);
                report
                    .add(Code::WrongUnit, place, message)
                    .help(format!("set unit = \"{theirs}\" and, if needed, a scale that converts the value"));
            }
        }
        (SignalKind::Text, false) => {}
        (SignalKind::Number(_), false) => {
            let message = format!("signal \"{}\" is a number, but text is expected", signal.name);
            report.add(Code::WrongKind, place, message).help("set kind = \"text\" in the signal".to_owned());
        }
        (SignalKind::Text, true) => {
            let message = format!("signal \"{}\" is text, but a number is expected", signal.name);
            report
                .add(Code::WrongKind, place, message)
                .help("set kind = \"number\" in the signal".to_owned());
        }
    }
}
