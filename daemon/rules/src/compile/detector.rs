//! Detectors on a machine: which module, which signals feed it, and with what settings.

use super::{Surroundings, jobs, machine::UNIT_IN_DOUBT, machine::unknown_signal, settings, within_folder};
use crate::codes::Code;
use crate::compile::{DetectorFacts, SignalFact};
use crate::defaults;
use crate::folder::Folder;
use crate::problem::{Severity, plain, quoted};
use crate::problems::{At, Problems, SourceSpan};
use crate::section::Section;
use idlegate_engine::intake::in_unit;
use idlegate_plan::event::Name;
use idlegate_plan::{
    DetectorUse, Machine, ModuleSource, NumberSignal, Role, SignalIx, SignalKind, Watch, WatchWhile, indexed,
};

/// The machine that the detectors are for, and where the file speaks of its signals.
struct Ours<'a> {
    machine: &'a Machine,
    signals: Option<Section<'a>>,
}

pub(super) fn compile(
    section: &Section<'_>,
    machine: &Machine,
    folder: &Folder,
    around: &Surroundings<'_>,
    problems: &mut Problems<'_>,
) -> (Vec<DetectorUse>, Vec<SourceSpan>) {
    let (mut detectors, mut places) = (Vec::<DetectorUse>::new(), Vec::new());
    let of_machine = section;
    for entry in section.list("detectors") {
        let Some(table) = entry.value.as_table() else { continue };
        let section = Section { table, place: entry.place };
        let machine = Ours { machine, signals: of_machine.section("signals") };
        let Some(detector) = compile_one(&section, &machine, folder, around, problems) else { continue };
        if detectors.iter().any(|other| other.name == detector.name) {
            let message = format!("two detectors called \"{}\" on this machine", detector.name);
            let place = if section.has("name") { section.place_of("name") } else { section.place };
            problems
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
    machine: &Ours<'_>,
    folder: &Folder,
    around: &Surroundings<'_>,
    problems: &mut Problems<'_>,
) -> Option<DetectorUse> {
    let (module, place) = module(section, folder, around, problems)?;
    let facts = match around.detectors.describe(&module) {
        Ok(facts) => facts,
        Err(why) => {
            let when_out = around.detectors.when_out();
            problems.add(Code::BadDetector, place, plain(&why)).severity(when_out);
            return (when_out == Severity::Warning).then(|| out(section, module, problems)).flatten();
        }
    };
    let signals = wire(section, &facts, machine, problems);
    let settings = settings::compile(section, &module, &facts, around, problems);
    let name = section.text("name").map_or(facts.name.as_str(), |name| name.value);
    let name = match Name::new(name) {
        Ok(name) => name,
        Err(error) if !section.has("name") => {
            problems
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
        role: role(section, problems),
        stage: jobs::stage(section),
    })
}

/// One that cannot be loaded, under which its machine counts as busy until it can: nothing is known of its signals.
fn out(section: &Section<'_>, module: ModuleSource, problems: &mut Problems<'_>) -> Option<DetectorUse> {
    let name = section.text("name").map(|name| name.value.to_owned());
    let name = name.or_else(|| match &module {
        ModuleSource::BuiltIn(name) => Some(name.to_string()),
        ModuleSource::File { path, .. } => path.file_stem().and_then(|stem| stem.to_str()).map(str::to_owned),
    });
    let name = name.and_then(|name| Name::new(&name).ok()).or_else(|| Name::new("detector").ok())?;
    let settings = serde_json::json!({});
    let (role, stage) = (role(section, problems), jobs::stage(section));
    Some(DetectorUse { name, module, settings, signals: Vec::new(), needed: Vec::new(), role, stage })
}

fn role(section: &Section<'_>, problems: &mut Problems<'_>) -> Role {
    let word = section.text("role").map(|word| word.value);
    let role = Role::ALL.into_iter().find(|role| word == Some(role.word())).unwrap_or(defaults::ROLE);
    if let Role::Warn(_) = role {
        let during = section.text("watch_while").map(|word| word.value);
        let during = WatchWhile::ALL.into_iter().find(|known| during == Some(known.word()));
        return Role::Warn(Watch {
            during: during.unwrap_or(defaults::WATCH.during),
            lasting: section.duration("lasting").unwrap_or(defaults::WATCH.lasting),
        });
    }
    for key in ["watch_while", "lasting"].into_iter().filter(|key| section.has(key)) {
        let message = format!("{key} has no effect without role = \"warn\"");
        problems
            .add(Code::ConflictingKeys, section.place_of_key(key), message)
            .help("add role = \"warn\" if people are to be told while the detector says busy".to_owned());
    }
    role
}

fn module(
    section: &Section<'_>,
    folder: &Folder,
    around: &Surroundings<'_>,
    problems: &mut Problems<'_>,
) -> Option<(ModuleSource, SourceSpan)> {
    match (section.text("use"), section.text("file")) {
        (Some(name), None) => Some((built_in(section, name, around, problems)?, name.place)),
        (None, Some(path)) => Some((in_file(section, path, folder, problems)?, path.place)),
        (Some(_), Some(path)) => {
            problems.add(
                Code::ConflictingKeys,
                path.place,
                "use and file cannot be used together".to_owned(),
            );
            None
        }
        (None, None) => {
            if !section.has("use") && !section.has("file") {
                problems
                    .add(Code::MissingKey, section.place, "a detector needs either use or file".to_owned())
                    .help(format!("give use one of {}", around.detectors.built_in().join(", ")));
            }
            None
        }
    }
}

fn built_in(
    section: &Section<'_>,
    name: At<&str>,
    around: &Surroundings<'_>,
    problems: &mut Problems<'_>,
) -> Option<ModuleSource> {
    if section.has("sha256") {
        let message = "sha256 is for a detector in a file, but this one comes with Idlegate".to_owned();
        problems.add(Code::ConflictingKeys, section.place_of_key("sha256"), message);
    }
    let valid = Name::new(name.value).ok()?;
    let known = around.detectors.built_in();
    if !known.iter().any(|known| known == name.value) {
        let message = format!("no detector called {} comes with Idlegate", quoted(name.value));
        let otherwise = format!("known detectors: {}", known.join(", "));
        let known = known.iter().map(String::as_str);
        problems.add(Code::UnknownName, name.place, message).nearest(name.value, known, &otherwise);
        return None;
    }
    Some(ModuleSource::BuiltIn(valid))
}

fn in_file(
    section: &Section<'_>,
    path: At<&str>,
    folder: &Folder,
    problems: &mut Problems<'_>,
) -> Option<ModuleSource> {
    let inside = within_folder(path, problems)?;
    let Some(file) = folder.module(&inside) else {
        let known = folder.modules.iter().map(|module| module.path.as_str());
        let message = format!("there is no detector at {}", quoted(path.value));
        let otherwise = "put your own detectors into detectors/ in the rules folder, as .wasm files";
        problems.add(Code::UnknownName, path.place, message).nearest(&inside, known, otherwise);
        return None;
    };
    if let Some(pinned) = section.text("sha256")
        && pinned.value.len() == 64
        && pinned.value != file.sha256
    {
        let message = format!("{} is not the file with this SHA-256", quoted(path.value));
        problems.add(Code::WrongDigest, pinned.place, message).help(format!(
            "the file's SHA-256 is {}; write that here only if you know why the file has changed",
            file.sha256
        ));
        return None;
    }
    // Pinned here in any case: what was checked is what is loaded.
    let sha256 = Some(file.sha256.clone());
    let pinned = section.has("sha256");
    Some(ModuleSource::File { path: folder.root.join(inside), sha256, pinned })
}

/// For each signal that the detector declares, the machine's signal that feeds it.
fn wire(
    section: &Section<'_>,
    facts: &DetectorFacts,
    ours: &Ours<'_>,
    problems: &mut Problems<'_>,
) -> Vec<Option<SignalIx>> {
    let machine = ours.machine;
    let wires = section.named("signals");
    for (theirs, _) in &wires {
        if !facts.signals.iter().any(|fact| fact.name == theirs.value) {
            let known: Vec<&str> = facts.signals.iter().map(|fact| fact.name.as_str()).collect();
            let message = format!("{} has no signal called {}", plain(&facts.name), quoted(theirs.value));
            let otherwise = format!("its signals: {}", known.join(", "));
            problems.add(Code::UnknownName, theirs.place, message).nearest(theirs.value, known, &otherwise);
        }
    }
    facts
        .signals
        .iter()
        .map(|fact| {
            let wire = wires.iter().find(|(theirs, _)| theirs.value == fact.name);
            let (name, place) = match wire {
                Some((_, ours)) => (ours.value.as_str()?, ours.place),
                None => (fact.name.as_str(), section.place),
            };
            let found = indexed(&machine.signals).find(|(_, signal)| signal.name.as_str() == name);
            let Some((index, _)) = found else {
                match wire {
                    Some(_) => unknown_signal(name, place, &machine.signals, problems),
                    None if fact.needed => missing_signal(facts, fact, place, machine, problems),
                    None => {}
                }
                return None;
            };
            check_fit(fact, index, place, ours, problems);
            Some(index)
        })
        .collect()
}

fn missing_signal(
    facts: &DetectorFacts,
    fact: &SignalFact,
    place: SourceSpan,
    machine: &Machine,
    problems: &mut Problems<'_>,
) {
    let message = format!("{} needs a signal called {}", plain(&facts.name), quoted(&fact.name));
    let problem = problems.add(Code::MissingSignal, place, message);
    let known: Vec<&str> = machine.signals.iter().map(|signal| signal.name.as_str()).collect();
    let theirs = plain(&fact.name);
    let of_unit =
        machine.signals.iter().find(|signal| !fact.unit.is_empty() && signal.unit() == fact.unit.as_str());
    let of_unit = of_unit.map(|signal| signal.name.as_str());
    let only_text = only_text(fact, machine);
    match crate::words::nearest(&fact.name, known.iter().copied()).or(of_unit).or(only_text) {
        Some(near) => problem
            .help(format!("declare [signals.{theirs}], or write signals = {{ {theirs} = \"{near}\" }}")),
        None => problem.help(format!("declare [signals.{theirs}]")),
    };
}

/// The machine's only signal of words, for a detector that goes by words.
fn only_text<'m>(fact: &SignalFact, machine: &'m Machine) -> Option<&'m str> {
    let mut texts = machine.signals.iter().filter(|signal| match signal.kind {
        SignalKind::Text | SignalKind::Machine(_) => true,
        SignalKind::Number(_) => false,
    });
    let only = texts.next().filter(|_| !fact.numeric && texts.next().is_none());
    only.map(|signal| signal.name.as_str())
}

fn check_fit(
    fact: &SignalFact,
    index: SignalIx,
    place: SourceSpan,
    ours: &Ours<'_>,
    problems: &mut Problems<'_>,
) {
    let signal = &ours.machine.signals[index];
    match (&signal.kind, fact.numeric) {
        (SignalKind::Number(number), true) => {
            if !fact.unit.is_empty() && number.unit != fact.unit && number.unit != UNIT_IN_DOUBT {
                let (theirs, unit) = (plain(&fact.unit), &number.unit);
                let found = if unit.is_empty() { "has no unit".to_owned() } else { format!("is in {unit}") };
                let message = format!("signal \"{}\" {found}, but {theirs} is expected", signal.name);
                let place = unit_place(ours, signal.name.as_str()).unwrap_or(place);
                problems.add(Code::WrongUnit, place, message).help(remedy(number, &fact.unit));
            }
        }
        (SignalKind::Text | SignalKind::Machine(_), false) => {}
        (SignalKind::Machine(of), true) => {
            let message =
                format!("signal \"{}\" is the state of {of}, but a number is expected", signal.name);
            problems.add(Code::WrongKind, place, message);
        }
        (SignalKind::Number(_), false) => {
            let message = format!("signal \"{}\" is a number, but text is expected", signal.name);
            problems
                .add(Code::WrongKind, place, message)
                .help("set kind = \"text\" in the signal".to_owned());
        }
        (SignalKind::Text, true) => {
            let message = format!("signal \"{}\" is text, but a number is expected", signal.name);
            problems
                .add(Code::WrongKind, place, message)
                .help("set kind = \"number\" in the signal".to_owned());
        }
    }
}

/// Where the rules give the signal its unit.
fn unit_place(ours: &Ours<'_>, signal: &str) -> Option<SourceSpan> {
    let signal = ours.signals.as_ref()?.section(signal)?;
    Some(if signal.has("unit") { signal.place_of("unit") } else { signal.place })
}

fn remedy(number: &NumberSignal, wanted: &str) -> String {
    let theirs = plain(wanted);
    match in_unit(number.scale, &number.unit, wanted) {
        // Without an offset the two scales are one.
        Some(scale) if number.offset == 0.0 && in_unit(0.0, &number.unit, wanted) == Some(0.0) => {
            format!("set unit = \"{theirs}\" and scale = {scale}, which turns {} into {theirs}", number.unit)
        }
        Some(_) | None => format!("set unit = \"{theirs}\" and, if needed, a scale that converts the value"),
    }
}
