//! Loose text → checked plain data. All problems are gathered; a plan comes out only when none is an error.

mod advice;
mod control;
mod detector;
mod groups;
mod input;
mod interlocks;
mod jobs;
mod learning;
mod life;
mod machine;
mod meant;
mod policy;
mod settings;
mod shop;
mod speech;
mod upkeep;

use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};

use toml::Spanned;
use toml::de::DeTable;

use super::codes::Code;
use super::folder::{Folder, SHOP_FILE};
use super::form::{TableForm, check_table};
use super::problem::{Problem, Severity, plain};
use super::problems::{At, Problems, SourceSpan};
use super::secrets::SecretSource;
use super::section::Section;
use super::{slips, tables};
use idlegate_guard::Control;
use idlegate_plan::event::Name;
use idlegate_plan::{Machine, ModuleSource, Plan, Source, ValuePath};

pub use settings::is_duration;

/// What a detector says of itself.
#[derive(Clone, Debug, PartialEq)]
pub struct DetectorFacts {
    pub name: String,
    /// In the detector's own order.
    pub signals: Vec<SignalFact>,
    /// JSON Schema of its settings.
    pub settings_schema: serde_json::Value,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SignalFact {
    pub name: String,
    /// As in the SenML units registry; empty when any unit will do.
    pub unit: String,
    /// Numbers, or else text.
    pub numeric: bool,
    /// Without it the detector has no verdict.
    pub needed: bool,
}

/// Knows the detectors. Asked instead of the WASM host itself, so that rules can be checked without one.
pub trait DetectorCatalog {
    fn describe(&self, module: &ModuleSource) -> Result<DetectorFacts, String>;

    /// Lets the detector itself look at settings that fit its schema.
    fn try_settings(&self, module: &ModuleSource, settings: &serde_json::Value) -> Result<(), String>;

    /// How bad it is that a detector cannot be asked what it is. A guard may go on without it, since its machine counts
    /// as busy.
    fn when_out(&self) -> Severity {
        Severity::Error
    }

    /// The names of the detectors shipped with the program, for the nearest known name.
    fn built_in(&self) -> Vec<String>;
}

/// What compiling needs from the world.
#[derive(Clone, Copy)]
pub struct Surroundings<'a> {
    pub detectors: &'a dyn DetectorCatalog,
    pub secrets: &'a dyn SecretSource,
}

impl std::fmt::Debug for Surroundings<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Surroundings")
    }
}

/// Rules that can be used.
#[derive(Clone, Debug, PartialEq)]
pub struct Compiled {
    pub plan: Plan,
    /// In order of file and position.
    pub warnings: Vec<Problem>,
}

/// Compiles a folder into a plan, or says everything that is wrong with it, in order of file and position.
pub fn compile(folder: &Folder, around: &Surroundings<'_>) -> Result<Compiled, Vec<Problem>> {
    let mut problems = Problems::new(folder);
    let documents = parse(folder, &mut problems);
    let plan = assemble(folder, &documents, around, &mut problems);
    let broken = problems.has_errors();
    let problems = problems.finish();
    match plan {
        Some(plan) if !broken => Ok(Compiled { plan, warnings: problems }),
        Some(_) | None => Err(problems),
    }
}

type Documents<'a> = BTreeMap<usize, Spanned<DeTable<'a>>>;

/// Parses every file and checks its form.
fn parse<'a>(folder: &'a Folder, problems: &mut Problems<'_>) -> Documents<'a> {
    let mut documents = Documents::new();
    for (index, file) in folder.files.iter().enumerate() {
        match DeTable::parse(&file.text) {
            Ok(document) => {
                let form = shape_of(&file.path);
                check_table(form, "", document.get_ref(), SourceSpan::file(index), problems);
                documents.insert(index, document);
            }
            Err(error) => {
                let span = error.span().unwrap_or(0..0);
                let remedy = slips::remedy(&file.text, span.clone());
                let problem =
                    problems.add(Code::BadToml, SourceSpan::of(index, span), plain(error.message()));
                if let Some(remedy) = remedy {
                    problem.help(remedy);
                }
            }
        }
    }
    documents
}

fn shape_of(path: &str) -> &'static TableForm {
    if path == SHOP_FILE {
        &tables::SHOP
    } else if Folder::holds_inputs(path) {
        &tables::INPUTS
    } else {
        &tables::MACHINE
    }
}

fn assemble(
    folder: &Folder,
    documents: &Documents<'_>,
    around: &Surroundings<'_>,
    problems: &mut Problems<'_>,
) -> Option<Plan> {
    let section_of = |index: usize| {
        let document = documents.get(&index)?;
        Some(Section { table: document.get_ref(), place: SourceSpan::file(index) })
    };
    let shop_index = folder.files.iter().position(|file| file.path == SHOP_FILE);
    let shop_section = shop_index.and_then(section_of);
    let shop = shop_section.map(|section| shop::compile(&section, folder, around, problems));

    let mut machines = Vec::new();
    let mut machine_places = Vec::new();
    // A machine whose file is broken still exists: inputs may name it without being told that it does not.
    let known_machines = known_machines(folder);
    for (name, index) in machine_files(folder) {
        let Some(section) = section_of(index) else { continue };
        let machines_of = interlocks::Machines { this: &name, all: &known_machines };
        if let Some((machine, places)) =
            machine::compile(machines_of, &section, shop_section.as_ref(), folder, around, problems)
        {
            machines.push(machine);
            machine_places.push(places);
        }
    }

    let input_sections: Vec<Section<'_>> = folder
        .files
        .iter()
        .enumerate()
        .filter(|(_, file)| Folder::holds_inputs(&file.path))
        .filter_map(|(index, _)| section_of(index))
        .collect();
    // Where a title is missing the name will do: the plan is not used then.
    let title_of = |name: &Name| {
        let known = machines.iter().find(|machine: &&Machine| machine.name == *name);
        known.map_or_else(|| name.to_string(), |machine| machine.title.clone())
    };
    let titles: Vec<String> = known_machines.iter().map(title_of).collect();
    let files = machine_files(folder);
    let control_of = |name: &Name| {
        let section = files.get(name).copied().and_then(section_of);
        section.map(|section| control::declared(&section)).unwrap_or_default()
    };
    let controls: Vec<Control> = known_machines.iter().map(control_of).collect();
    let named = meant::Machines { names: &known_machines, titles: &titles, controls: &controls };
    let (groups, group_places) = groups::compile(shop_section.as_ref(), named, problems);
    let asked = input::Asked { machines: named, groups: &groups };
    let (inputs, input_places) = input::compile(&input_sections, asked, problems);

    let plan = Plan { shop: shop.flatten()?, machines, groups, inputs, digest: folder.digest.clone() };
    // Advice on a half-read folder would be about what was not read.
    let all_read = documents.len() == folder.files.len() && plan.machines.len() == known_machines.len();
    if all_read {
        circuits_at_one_site(&plan, &machine_places, problems);
        interlocks::check(&plan, &machine_places, problems);
        groups::at_one_site(&plan, &group_places, problems);
        if let Some(section) = &shop_section {
            shop::settings_in_sentences(section, &plan.machines, problems);
        }
    }
    if all_read && !problems.has_errors() {
        advice::topics(&plan, &machine_places, &input_places, problems);
        advice::people(&plan, &machine_places, &input_places, problems);
    }
    Some(plan)
}

/// One whose file could not even be read is known as well.
fn known_machines(folder: &Folder) -> Vec<Name> {
    let unread = folder.problems.iter().filter_map(|problem| Folder::machine_of(&problem.file));
    machine_files(folder).into_keys().chain(unread.filter_map(|stem| Name::new(stem).ok())).collect()
}

/// In order of name, which is not quite that of their paths: kiln stands before kiln-2, and kiln-2.toml before
/// kiln.toml.
fn machine_files(folder: &Folder) -> BTreeMap<Name, usize> {
    let files = folder.files.iter().enumerate();
    let named =
        files.filter_map(|(index, file)| Some((Name::new(Folder::machine_of(&file.path)?).ok()?, index)));
    named.collect()
}

/// A daemon knows only what its own machines draw.
fn circuits_at_one_site(plan: &Plan, places: &[MachinePlaces], problems: &mut Problems<'_>) {
    for (at, (machine, places)) in plan.machines.iter().zip(places).enumerate() {
        let Some(on) = machine.circuit else { continue };
        let same = |other: &&Machine| other.circuit.is_some_and(|other| other.circuit == on.circuit);
        let first = plan.machines[..at].iter().find(same);
        if let Some(first) = first.filter(|first| first.site != machine.site) {
            let circuit = &plan.shop.circuits[on.circuit].name;
            let message =
                format!("circuit {circuit} is shared with {}, which is at another site", first.name);
            problems
                .add(Code::ConflictingKeys, places.file, message)
                .help("one daemon must guard all machines on a circuit: give them the same site".to_owned());
        }
    }
}

/// Where the parts of a machine stand, for what is found out later.
#[derive(Debug)]
struct MachinePlaces {
    file: SourceSpan,
    /// Its file names a hazard.
    hazardous: bool,
    /// What the file says the machine draws when idle.
    idle_watts: Option<f64>,
    state: SourceSpan,
    order: SourceSpan,
    guard: SourceSpan,
    /// In the order of the machine's signals.
    signals: Vec<SourceSpan>,
    interlocks: interlocks::InterlockPlaces,
    /// In the order of the machine's detectors.
    detectors: Vec<SourceSpan>,
}

#[derive(Debug)]
struct InputPlaces {
    name: SourceSpan,
    topic: SourceSpan,
    /// In the order of the input's answers.
    answers: Vec<SourceSpan>,
}

/// The part of a payload that a section with `topic`, `pointer` and `senml` speaks of.
fn source(section: &Section<'_>, problems: &mut Problems<'_>) -> Option<Source> {
    let path = match (section.text("pointer"), section.text("senml")) {
        (Some(_), Some(senml)) => {
            problems
                .add(
                    Code::ConflictingKeys,
                    senml.place,
                    "pointer and senml cannot be used together".to_owned(),
                )
                .help("use pointer for plain JSON, senml for SenML packs (RFC 8428)".to_owned());
            return None;
        }
        (Some(pointer), None) => ValuePath::JsonPointer(pointer.value.to_owned()),
        (None, Some(senml)) => ValuePath::SenmlName(senml.value.to_owned()),
        (None, None) => ValuePath::Whole,
    };
    Some(Source { filter: section.owned("topic")?, path })
}

/// Two words that must differ, each with its default.
fn two_words(section: &Section<'_>, keys: [&'static str; 2], problems: &mut Problems<'_>) -> [String; 2] {
    let [first, second] =
        keys.map(|key| section.payload(key).map_or_else(|| key.to_owned(), |payload| payload.value));
    if first == second {
        let message = format!("{} and {} have the same value", keys[0], keys[1]);
        problems.add(Code::DuplicateWord, section.place_of(keys[1]), message);
    }
    [first, second]
}

/// A path from the rules: relative ones start at the rules folder.
fn rooted(folder: &Folder, path: &str) -> PathBuf {
    folder.root.join(path)
}

/// A path that must stay in the rules folder, without `.` and `..`.
fn within_folder(path: At<&str>, problems: &mut Problems<'_>) -> Option<String> {
    let mut parts = Vec::new();
    for part in Path::new(path.value).components() {
        match part {
            Component::Normal(name) => parts.push(name.to_str()?.to_owned()),
            Component::CurDir => {}
            Component::Prefix(_) | Component::RootDir | Component::ParentDir => {
                problems
                    .add(
                        Code::OutsideFolder,
                        path.place,
                        "this path leads out of the rules folder".to_owned(),
                    )
                    .help("put the file into detectors/ and write \"detectors/NAME.wasm\"".to_owned());
                return None;
            }
        }
    }
    Some(parts.join("/"))
}
