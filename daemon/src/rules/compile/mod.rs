//! Loose text → checked plain data. All problems are gathered; a plan comes out only when none is an error.

mod advice;
mod detector;
mod input;
mod machine;
mod policy;
mod settings;
mod shop;
mod speech;

use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};

use toml::Spanned;
use toml::de::DeTable;

use super::codes::Code;
use super::folder::{Folder, SHOP_FILE};
use super::problem::{Problem, plain};
use super::report::{At, Place, Report};
use super::secrets::SecretSource;
use super::section::Section;
use super::shape::{Shape, check_table};
use super::shapes;
use crate::plan::{Machine, ModuleSource, Plan, Source, ValuePath};

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
    let mut report = Report::new(folder);
    let documents = parse(folder, &mut report);
    let plan = assemble(folder, &documents, around, &mut report);
    let broken = report.has_errors();
    let problems = report.finish();
    match plan {
        Some(plan) if !broken => Ok(Compiled { plan, warnings: problems }),
        Some(_) | None => Err(problems),
    }
}

type Documents<'a> = BTreeMap<usize, Spanned<DeTable<'a>>>;

/// Parses every file and checks its form.
fn parse<'a>(folder: &'a Folder, report: &mut Report<'_>) -> Documents<'a> {
    let mut documents = Documents::new();
    for (index, file) in folder.files.iter().enumerate() {
        match DeTable::parse(&file.text) {
            Ok(document) => {
                let shape = shape_of(&file.path);
                check_table(shape, "", document.get_ref(), Place::file(index), report);
                documents.insert(index, document);
            }
            Err(error) => {
                let span = error.span().unwrap_or(0..0);
                report.add(Code::BadToml, Place::of(index, span), plain(error.message()));
            }
        }
    }
    documents
}

fn shape_of(path: &str) -> &'static Shape {
    if path == SHOP_FILE {
        &shapes::SHOP
    } else if Folder::holds_inputs(path) {
        &shapes::INPUTS
    } else {
        &shapes::MACHINE
    }
}

fn assemble(
    folder: &Folder,
    documents: &Documents<'_>,
    around: &Surroundings<'_>,
    report: &mut Report<'_>,
) -> Option<Plan> {
    let section_of = |index: usize| {
        let document = documents.get(&index)?;
        Some(Section { table: document.get_ref(), place: Place::file(index) })
    };
    let shop_index = folder.files.iter().position(|file| file.path == SHOP_FILE);
    let shop_section = shop_index.and_then(section_of);
    let shop = shop_section.map(|section| shop::compile(&section, folder, around, report));

    let mut machines = Vec::new();
    let mut machine_places = Vec::new();
    // A machine whose file is broken still exists: inputs may name it without being told that it does not.
    let mut known_machines = Vec::new();
    for (index, file) in folder.files.iter().enumerate() {
        let Some(stem) = Folder::machine_of(&file.path) else { continue };
        let Ok(name) = crate::event::Name::new(stem) else { continue };
        known_machines.push(name.clone());
        let Some(section) = section_of(index) else { continue };
        if let Some((machine, places)) =
            machine::compile(name, &section, shop_section.as_ref(), folder, around, report)
        {
            machines.push(machine);
            machine_places.push(places);
        }
    }

    // So does one whose file could not even be read.
    let unread = folder.problems.iter().filter_map(|problem| Folder::machine_of(&problem.file));
    known_machines.extend(unread.filter_map(|stem| crate::event::Name::new(stem).ok()));

    let input_sections: Vec<Section<'_>> = folder
        .files
        .iter()
        .enumerate()
        .filter(|(_, file)| Folder::holds_inputs(&file.path))
        .filter_map(|(index, _)| section_of(index))
        .collect();
    // Where a title is missing the name will do: the plan is not used then.
    let title_of = |name: &crate::event::Name| {
        let known = machines.iter().find(|machine: &&Machine| machine.name == *name);
        known.map_or_else(|| name.to_string(), |machine| machine.title.clone())
    };
    let titles: Vec<String> = known_machines.iter().map(title_of).collect();
    let (inputs, input_places) = input::compile(&input_sections, &known_machines, &titles, report);

    let plan = Plan { shop: shop.flatten()?, machines, inputs, digest: folder.digest.clone() };
    // Advice on a half-read folder would be about what was not read.
    let all_read = documents.len() == folder.files.len() && plan.machines.len() == known_machines.len();
    if all_read {
        circuits_at_one_site(&plan, &machine_places, report);
        if let Some(section) = &shop_section {
            shop::settings_in_sentences(section, &plan.machines, report);
        }
    }
    if all_read && !report.has_errors() {
        advice::topics(&plan, &machine_places, &input_places, report);
        advice::people(&plan, &machine_places, &input_places, report);
    }
    Some(plan)
}

/// A daemon knows only what its own machines draw.
fn circuits_at_one_site(plan: &Plan, places: &[MachinePlaces], report: &mut Report<'_>) {
    for (at, (machine, places)) in plan.machines.iter().zip(places).enumerate() {
        let Some(on) = machine.circuit else { continue };
        let same = |other: &&Machine| other.circuit.is_some_and(|other| other.circuit == on.circuit);
        let first = plan.machines[..at].iter().find(same);
        if let Some(first) = first.filter(|first| first.site != machine.site) {
            let circuit = &plan.shop.circuits[on.circuit].name;
            let message =
                format!("circuit {circuit} is shared with {}, which is at another site", first.name);
            report
                .add(Code::ConflictingKeys, places.file, message)
                .help("one daemon must guard all machines on a circuit: give them the same site".to_owned());
        }
    }
}

/// Where the parts of a machine stand, for what is found out later.
#[derive(Debug)]
struct MachinePlaces {
    file: Place,
    /// Its file names a hazard.
    hazardous: bool,
    /// What the file says the machine draws when idle.
    idle_watts: Option<f64>,
    state: Place,
    order: Place,
    guard: Place,
    /// In the order of the machine's signals.
    signals: Vec<Place>,
    /// In the order of the machine's detectors.
    detectors: Vec<Place>,
}

#[derive(Debug)]
struct InputPlaces {
    name: Place,
    topic: Place,
}

/// The part of a payload that a section with `topic`, `pointer` and `senml` speaks of.
fn source(section: &Section<'_>, report: &mut Report<'_>) -> Option<Source> {
    let path = match (section.text("pointer"), section.text("senml")) {
        (Some(_), Some(senml)) => {
            report
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
fn two_words(section: &Section<'_>, keys: [&'static str; 2], report: &mut Report<'_>) -> [String; 2] {
    let [first, second] =
        keys.map(|key| section.payload(key).map_or_else(|| key.to_owned(), |payload| payload.value));
    if first == second {
        let message = format!("{} and {} have the same value", keys[0], keys[1]);
        report.add(Code::DuplicateWord, section.place_of(keys[1]), message);
    }
    [first, second]
}

/// A path from the rules: relative ones start at the rules folder.
fn rooted(folder: &Folder, path: &str) -> PathBuf {
    folder.root.join(path)
}

/// A path that must stay in the rules folder, without `.` and `..`.
fn within_folder(path: At<&str>, report: &mut Report<'_>) -> Option<String> {
    let mut parts = Vec::new();
    for part in Path::new(path.value).components() {
        match part {
            Component::Normal(name) => parts.push(name.to_str()?.to_owned()),
            Component::CurDir => {}
            Component::Prefix(_) | Component::RootDir | Component::ParentDir => {
                report
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

impl Machine {
    fn signal_index(&self, name: &str) -> Option<usize> {
        self.signals.iter().position(|signal| signal.name.as_str() == name)
    }
}
