//! Random files through the loader: valid modules of no meaning, and detectors with a few bytes changed. What loads is
//! set to work as well. Nothing may panic; a panic is caught where the host would catch it, and counted.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};

use anyhow::Result;
use arbitrary::Unstructured;
use idlegate_demo::workshop::Chance;
use idlegate_detectors::{Execution, Instance, LoadError, Loader, Pin, Sandbox};
use idlegate_guard::time::Moment;
use idlegate_plan::event::{Name, Reading, Value};

use crate::handmade::{Handmade, embed};

#[derive(Default)]
pub(crate) struct Sum {
    pub(crate) tried: usize,
    pub(crate) loaded: usize,
    pub(crate) ran: usize,
    pub(crate) panics: usize,
    /// How often, and in what words the first time.
    outcomes: BTreeMap<&'static str, (usize, String)>,
}

pub(crate) fn run(seed: u64, files: usize) -> Result<Sum> {
    // In this process, where a panic of the compiler would be seen and counted as well.
    let loader = Loader::new(Sandbox::new(Execution::Automatic)?, None).compiling_here();
    let mut dice = Dice(Chance::new(seed));
    let mut sum = Sum::default();
    let whole = Handmade::default().file();
    let exports = exports();
    for _ in 0..files {
        for file in [smith(&mut dice, &exports), component(&mut dice), scribbled(&mut dice, &whole)] {
            sum.take(&loader, &file);
        }
    }
    // The real ones take a hundred times as long to compile.
    for name in idlegate_detectors::built_in_names() {
        let Some(file) = idlegate_detectors::built_in(name) else { continue };
        for _ in 0..files / 500 {
            sum.take(&loader, &scribbled(&mut dice, file));
        }
    }
    println!("{} random files: {} loaded, {} of them ran", sum.tried, sum.loaded, sum.ran);
    for (outcome, (count, first)) in &sum.outcomes {
        println!("  {count:>7}  {outcome}{}{first}", if first.is_empty() { "" } else { "; the first " });
    }
    Ok(sum)
}

impl Sum {
    fn take(&mut self, loader: &Loader, file: &[u8]) {
        self.tried += 1;
        match catch_unwind(AssertUnwindSafe(|| through(loader, file))) {
            Ok((outcome, how_far, why)) => {
                self.loaded += usize::from(how_far >= HowFar::Loaded);
                self.ran += usize::from(how_far >= HowFar::Ran);
                self.outcomes.entry(outcome).or_insert((0, why)).0 += 1;
            }
            Err(_) => {
                self.panics += 1;
                let place = std::env::temp_dir().join(format!("idlegate-panic-{}.wasm", self.panics));
                let kept = std::fs::write(&place, file).is_ok();
                println!(
                    "PANIC: {} bytes, {}",
                    file.len(),
                    if kept { place.display().to_string() } else { "not kept".into() }
                );
            }
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum HowFar {
    Refused,
    Loaded,
    Ran,
}

fn through(loader: &Loader, file: &[u8]) -> (&'static str, HowFar, String) {
    let module = match loader.load(file, Pin::None) {
        Ok(module) => module,
        Err(error) => return (word(&error), HowFar::Refused, error.to_string()),
    };
    let signals = vec![Name::new("power").expect("a name"); module.description().signals.len()];
    let mut instance = match Instance::new(&module, "{}", signals.into()) {
        Ok(instance) => instance,
        Err(error) => return ("loaded, and did not start", HowFar::Loaded, error.to_string()),
    };
    let shown = [1, 2, 3].map(|at| (0, Reading { at: Moment(at), value: Value::Number(5.0) }));
    match instance.observe(&shown).and_then(|()| instance.assess(Moment(4))) {
        Ok(_) => ("ran", HowFar::Ran, String::new()),
        Err(fault) => ("loaded, and was stopped at work", HowFar::Ran, fault.to_string()),
    }
}

fn word(error: &LoadError) -> &'static str {
    match error {
        LoadError::Unreadable(_) | LoadError::NotAFile | LoadError::WritableByEveryone => {
            "not a file to trust"
        }
        LoadError::OtherThanPinned { .. } => "not the one that is pinned",
        LoadError::Screening(_) => "refused before it was compiled",
        LoadError::NotComponentized(_) => "could not be turned into a component",
        LoadError::NotCompiled(_)
        | LoadError::TooSlow(_)
        | LoadError::TooMuchMemory(_)
        | LoadError::TooDeep
        | LoadError::CodeTooLong(_)
        | LoadError::Killed
        | LoadError::PutOff
        | LoadError::NoCompiler(_)
        | LoadError::CompilerFailed(_) => "could not be compiled",
        LoadError::DoesNotFit(_) => "does not fit the contract",
        LoadError::Fault(_) => "stopped while it introduced itself",
        LoadError::Description(_) => "introduced itself wrongly",
    }
}

/// A detector by its exports, whose functions do something, nobody knows what.
fn smith(dice: &mut Dice, exports: &[u8]) -> Vec<u8> {
    let bytes = dice.bytes(2_048);
    let config = wasm_smith::Config {
        // With these nearly everything would be refused before it gets anywhere.
        tail_call_enabled: false,
        relaxed_simd_enabled: false,
        memory64_enabled: false,
        custom_page_sizes_enabled: false,
        wide_arithmetic_enabled: false,
        reference_types_enabled: false,
        gc_enabled: false,
        exceptions_enabled: false,
        threads_enabled: false,
        exports: Some(exports.to_vec()),
        max_imports: 0,
        max_memories: 0,
        // Data and elements out of bounds would stop nearly all of them before their first call.
        disallow_traps: dice.below(2) == 0,
        ..wasm_smith::Config::default()
    };
    match wasm_smith::Module::new(config, &mut Unstructured::new(&bytes)) {
        Ok(module) => with_contract(module.to_bytes()),
        Err(_) => bytes,
    }
}

/// Any module, with the contract's types in a section of its own.
fn with_contract(mut module: Vec<u8>) -> Vec<u8> {
    embed(&mut module, include_str!("../../../../sdk/wit/v1/detector.wit"), "detector");
    module
}

/// What a detector exports, with nothing behind it.
fn exports() -> Vec<u8> {
    wat::parse_str(
        r#"(module
        (memory (export "memory") 1)
        (func (export "cabi_realloc") (param i32 i32 i32 i32) (result i32) (unreachable))
        (func (export "idlegate:detector/busy-detector@1.0.0#describe") (result i32) (unreachable))
        (func (export "idlegate:detector/busy-detector@1.0.0#configure") (param i32 i32) (result i32) (unreachable))
        (func (export "idlegate:detector/busy-detector@1.0.0#observe") (param i32 i32) (unreachable))
        (func (export "idlegate:detector/busy-detector@1.0.0#assess") (param i64) (result i32) (unreachable)))"#,
    )
    .expect("written by hand")
}

fn component(dice: &mut Dice) -> Vec<u8> {
    let bytes = dice.bytes(512);
    let made = wasm_smith::Component::new(wasm_smith::Config::default(), &mut Unstructured::new(&bytes));
    made.map_or(bytes, |component| component.to_bytes())
}

/// A detector with one to four bytes changed, taken out or put in.
fn scribbled(dice: &mut Dice, whole: &[u8]) -> Vec<u8> {
    let mut file = whole.to_vec();
    for _ in 0..=dice.below(3) {
        let at = dice.below(file.len());
        match dice.below(12) {
            0 => drop(file.remove(at)),
            1 => file.insert(at, dice.byte()),
            _ => file[at] = dice.byte(),
        }
    }
    file
}

/// The same seed gives the same files.
struct Dice(Chance);

impl Dice {
    fn byte(&mut self) -> u8 {
        self.0.number().to_le_bytes()[0]
    }

    fn below(&mut self, limit: usize) -> usize {
        usize::try_from(self.0.number() % (limit.max(1) as u64)).unwrap_or(0)
    }

    fn bytes(&mut self, count: usize) -> Vec<u8> {
        (0..count).map(|_| self.byte()).collect()
    }
}
