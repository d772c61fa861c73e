//! One detector or file for each way of doing harm, and the words in which it must be refused or stopped.

use std::sync::Arc;

use anyhow::Result;
use idlegate_detectors::limits::FileSize;
use idlegate_detectors::{Execution, Instance, Module, Modules};
use idlegate_guard::time::Moment;
use idlegate_plan::ModuleSource;
use idlegate_plan::event::{Name, Reading, Value};
use idlegate_plan::text::hex;
use sha2::{Digest, Sha256};
use tempfile::TempDir;

use crate::handmade::{
    ASSESSMENT, CONFIGURED, DESCRIPTION, ENDLESS, EVIDENCE, Handmade, REASON, SIGNALS, TEXTS, words,
};

pub(crate) struct Sum {
    pub(crate) tried: usize,
    pub(crate) surprises: usize,
}

struct Case {
    name: &'static str,
    file: Vec<u8>,
    /// What the reason must say.
    told: &'static str,
}

/// As the host uses it: loaded, configured, shown one reading, asked.
pub(crate) fn run() -> Result<Sum> {
    let host = Host::new()?;
    let mut neighbour = host.start(&Handmade::default().file()).expect("a well-behaved detector");
    let cases = cases();
    let mut surprises = 0;
    let mut seen: u64 = 0;
    for case in &cases {
        let reason = host.harm(&case.file);
        // The host is alive if another detector answers as ever.
        seen += 1;
        let answers =
            neighbour.observe(&[reading(seen)]).and_then(|()| neighbour.assess(Moment(seen))).is_ok();
        let as_expected = answers && reason.as_ref().is_err_and(|why| why.contains(case.told));
        surprises += usize::from(!as_expected);
        let told = reason.err().unwrap_or_else(|| "NOTHING STOPPED IT".to_owned());
        println!("{:<44} {}{told}", case.name, if as_expected { "" } else { "UNEXPECTED: " });
    }
    Ok(Sum { tried: cases.len(), surprises })
}

/// Loads detectors as the rules have them loaded: from files, by the digest they had when the rules were read.
pub(crate) struct Host {
    modules: Modules,
    dir: TempDir,
}

impl Host {
    pub(crate) fn new() -> Result<Host> {
        Ok(Host { modules: Modules::new(Execution::Automatic, None)?, dir: tempfile::tempdir()? })
    }

    pub(crate) fn load(&self, file: &[u8]) -> Result<Arc<Module>, String> {
        let sha256 = hex(&Sha256::digest(file));
        let path = self.dir.path().join(format!("{sha256}.wasm"));
        std::fs::write(&path, file).map_err(|error| error.to_string())?;
        let loaded = self.modules.get(&ModuleSource::File { path, sha256: Some(sha256), pinned: false });
        // Without the folder's name, which is no news.
        loaded.map_err(|why| why.split_once(".wasm ").map_or(why.clone(), |(_, reason)| reason.to_owned()))
    }

    fn start(&self, file: &[u8]) -> Result<Instance, String> {
        let module = self.load(file)?;
        let signals = vec![Name::new("power").expect("a name"); module.description().signals.len()];
        Instance::new(&module, "{}", signals.into()).map_err(|error| error.to_string())
    }

    fn harm(&self, file: &[u8]) -> Result<(), String> {
        let mut instance = self.start(file)?;
        instance.observe(&[reading(1)]).map_err(|fault| fault.to_string())?;
        instance.assess(Moment(2)).map_err(|fault| fault.to_string()).map(drop)
    }
}

fn reading(at: u64) -> (u32, Reading) {
    (0, Reading { at: Moment(at), value: Value::Number(5.0) })
}

fn with(change: impl FnOnce(&mut Handmade)) -> Vec<u8> {
    let mut detector = Handmade::default();
    change(&mut detector);
    detector.file()
}

fn wat(text: &str) -> Vec<u8> {
    wat::parse_str(text).expect("written by hand")
}

fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    cases.extend(loops_and_bombs());
    cases.extend(crashes());
    cases.extend(lies());
    cases.extend(files());
    cases
}

/// Each by its name and its file.
pub(crate) fn all() -> Vec<(&'static str, Vec<u8>)> {
    cases().into_iter().map(|case| (case.name, case.file)).collect()
}

fn case(name: &'static str, told: &'static str, file: Vec<u8>) -> Case {
    Case { name, file, told }
}

fn loops_and_bombs() -> Vec<Case> {
    let memory = "(loop $more (drop (memory.grow (i32.const 16))) (br $more)) (unreachable)";
    let table =
        "(loop $more (drop (table.grow $t (ref.null func) (i32.const 1000))) (br $more)) (unreachable)";
    let deeper =
        "(func $deeper (param i64) (result i32) (i32.add (i32.const 1) (call $deeper (local.get 0))))";
    vec![
        case("endless loop in describe", "took longer than 50 ms", with(|d| d.describe = ENDLESS.into())),
        case("endless loop in configure", "took longer than 50 ms", with(|d| d.configure = ENDLESS.into())),
        case("endless loop in observe", "took longer than 50 ms", with(|d| d.observe = ENDLESS.into())),
        case("endless loop in assess", "took longer than 50 ms", with(|d| d.assess = ENDLESS.into())),
        case(
            "endless loop before anything is called",
            "its start took longer than 50 ms",
            with(|d| d.items = format!("(start $start) (func $start {ENDLESS})")),
        ),
        case("grows its memory for ever", "more than 16 MiB of memory", with(|d| d.assess = memory.into())),
        case(
            "is born with a table of 30,000 entries",
            "more than 20000 table entries",
            with(|d| d.items = "(table 30000 funcref)".into()),
        ),
        case(
            "grows a table for ever",
            "more than 20000 table entries",
            with(|d| {
                d.items = "(table $t 1 funcref)".into();
                d.assess = table.into();
            }),
        ),
        case(
            "recurses without end",
            "recursed too deeply",
            with(|d| {
                d.items = deeper.into();
                d.assess = "(call $deeper (i64.const 0))".into();
            }),
        ),
    ]
}

fn crashes() -> Vec<Case> {
    vec![
        case("panics", "assess panicked", with(|d| d.assess = "(unreachable)".into())),
        case("panics while it observes", "observe panicked", with(|d| d.observe = "(unreachable)".into())),
        case(
            "reads through a wild pointer",
            "outside its memory",
            with(|d| d.assess = "(i32.load (i32.const -8))".into()),
        ),
        case(
            "divides by zero",
            "integer divide by zero",
            with(|d| d.assess = "(i32.div_u (i32.const 1) (i32.const 0))".into()),
        ),
        case(
            "answers with a wild pointer",
            "pointer out of bounds",
            with(|d| d.assess = "(i32.const -40)".into()),
        ),
    ]
}

/// An assessment laid out by hand, and its one reading of evidence.
fn answer(fields: [usize; 10], evidence: [usize; 8]) -> Vec<u8> {
    with(|d| {
        d.assess = format!("(i32.const {ASSESSMENT})");
        d.data.push((EVIDENCE, words(&evidence)));
        d.data.push((ASSESSMENT, words(&fields)));
    })
}

fn lies() -> Vec<Case> {
    let proof = |evidence| answer([1, REASON, 6, EVIDENCE, 1, 0, 0, 0, 0, 0], evidence);
    let plain = |fields| answer(fields, [0; 8]);
    vec![
        case(
            "a verdict that does not exist",
            "unexpected discriminant: 7",
            plain([7, REASON, 6, EVIDENCE, 0, 0, 0, 0, 0, 0]),
        ),
        case(
            "a reason of 200,000 bytes",
            "handed back more than 64 KiB",
            plain([1, TEXTS, 200_000, EVIDENCE, 0, 0, 0, 0, 0, 0]),
        ),
        case(
            "a reason outside its memory",
            "out of bounds",
            plain([1, 0x7fff_0000, 6, EVIDENCE, 0, 0, 0, 0, 0, 0]),
        ),
        case(
            "a quarter of a billion readings as evidence",
            "out of bounds",
            plain([1, REASON, 6, EVIDENCE, 0x0fff_ffff, 0, 0, 0, 0, 0]),
        ),
        case("a reason that is no UTF-8", "invalid utf-8", with(|d| d.data.push((REASON, vec![0xff, 0xfe])))),
        case(
            "evidence from a signal it has not",
            "evidence from signal 7 of 1",
            proof([7, 0, 1, 0, 0, 0, 0, 0]),
        ),
        case("evidence from the future", "evidence from the future", proof([0, 0, 9, 0, 0, 0, 0, 0])),
        case(
            "evidence that is not a number",
            "evidence that is no number",
            proof([0, 0, 1, 0, 0, 0, 0, 0x7ff8_0000]),
        ),
        case(
            "a name of no letters",
            "is not a name",
            with(|d| d.data.push((DESCRIPTION, words(&[TEXTS, 0])))),
        ),
        case(
            "a signal of no kind",
            "unexpected discriminant: 9",
            with(|d| d.data.push((SIGNALS, words(&[TEXTS + 20, 5, 9])))),
        ),
        case(
            "an answer to its settings that is none",
            "invalid expected discriminant",
            with(|d| d.data.push((CONFIGURED, words(&[3])))),
        ),
    ]
}

fn files() -> Vec<Case> {
    let size = FileSize::ORDINARY;
    let whole = Handmade::default().file();
    let tiny = "(func)".repeat(size.functions_max + 1);
    let long = "nop ".repeat(size.function_bytes_max + 1);
    vec![
        case("an empty file", "not a WebAssembly file", Vec::new()),
        case("a shell script", "not a WebAssembly file", b"#!/bin/sh\nreboot\n".to_vec()),
        case("a file cut in half", "is damaged", whole[..whole.len() / 2].to_vec()),
        case("a module without the contract", "is no busy detector", wat("(module (func))")),
        case("another version of the contract", "detector contract 2.0.0", with(|d| d.contract = "2.0.0")),
        case(
            "asks for files",
            "asks for files",
            wat(r#"(component (import "wasi:filesystem/types@0.2.6" (instance)))"#),
        ),
        case(
            "asks for the clock",
            "asks for the clock",
            wat(r#"(component (import "wasi:clocks/wall-clock@0.2.6" (instance)))"#),
        ),
        case(
            "asks for the network",
            "asks for the network",
            wat(r#"(component (import "wasi:sockets/tcp@0.2.6" (instance)))"#),
        ),
        case(
            "asks for the operating system",
            "asks for the operating system",
            wat(r#"(module (import "wasi_snapshot_preview1" "fd_write" (func)))"#),
        ),
        case(
            "10,001 tiny functions (compile bomb)",
            "more than 10000 functions",
            wat(&format!("(module {tiny})")),
        ),
        case("one function of 128 KiB", "one may have 131072", wat(&format!("(module (func {long}))"))),
        case(
            "a hundred modules in one",
            "more than 64 modules",
            wat(&format!("(component {})", "(core module)".repeat(100))),
        ),
        case("five megabytes of zeros", "more than 4194304 bytes", vec![0; 5 << 20]),
        case(
            "64-bit memory",
            "memory64",
            wat(
                r#"(component (core module (memory i64 1)) (export "idlegate:detector/busy-detector@1.0.0" (core module 0)))"#,
            ),
        ),
    ]
}
