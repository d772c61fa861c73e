//! The far side: what the second start of the program does before, while and after it compiles one file.
//!
//! It confines itself before it reads a single byte of the file. Nothing here trusts the file.

use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::os::fd::AsFd;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::process::ExitCode;

use wasmtime::Engine;
use wit_component::ComponentEncoder;

use super::Order;
use crate::limits::FileSize;
use crate::module::LoadError;
use crate::sandbox::compiling_engine;
use crate::screening::{FileKind, Screening};
use crate::unchecked::{Resource, close_inherited, limit_myself};
use idlegate_plan::text::tame;

/// Of the command line; nobody types it.
pub(super) const ARGUMENT: &str = "compile-detector";
/// How an exchange begins, so that a program that is not ours is not believed.
const REQUEST: &[u8; 8] = b"compile1";
const ANSWER: &[u8; 8] = b"compiled";
/// Standard input, output and error, and the few that the program opens and closes again.
const OPEN_FILES_MAX: u64 = 16;

/// What the far side must know before the file.
pub(super) fn request(order: Order) -> Vec<u8> {
    let mut request = REQUEST.to_vec();
    request.push(if order.native { b'n' } else { b'i' });
    request.push(if order.size == FileSize::LARGE { b'l' } else { b'o' });
    request
}

/// Where this process was started to compile one file, it does that and nothing else: the first thing that every
/// program that loads detectors must ask.
pub fn asked() -> Option<ExitCode> {
    let asked = std::env::args_os().nth(1).is_some_and(|first| first == ARGUMENT);
    asked.then(|| match compile_what_is_there() {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            // To whoever started this process, which makes it harmless before it shows it.
            let _ = writeln!(io::stderr(), "{why}");
            ExitCode::FAILURE
        }
    })
}

/// The exchange is standard input.
pub(crate) fn compile_what_is_there() -> io::Result<()> {
    let mut exchange = File::from(io::stdin().as_fd().try_clone_to_owned()?);
    let mut head = [0; REQUEST.len() + 2];
    exchange.read_exact(&mut head)?;
    let Some(&[native, size]) = head.strip_prefix(REQUEST) else {
        return Err(io::Error::other("nobody has asked for anything to be compiled"));
    };
    let size = if size == b'l' { FileSize::LARGE } else { FileSize::ORDINARY };
    confine(size, &exchange)?;
    let mut file = Vec::new();
    Read::by_ref(&mut exchange).take(size.bytes_max as u64).read_to_end(&mut file)?;
    let compiled = Screening::of(&file, size).map_err(LoadError::from).and_then(|screening| {
        let engine = compiling_engine(native == b'n');
        let engine = engine.map_err(|error| LoadError::CompilerFailed(error.to_string()))?;
        compile(&engine, &file, &screening, size)
    });
    let mut answer = ANSWER.to_vec();
    match compiled {
        Ok(code) => {
            answer.push(b'c');
            answer.extend(code);
        }
        Err(error) => {
            let (kind, words) = match error {
                LoadError::NotComponentized(words) => (b'e', words),
                LoadError::NotCompiled(words) => (b'n', words),
                other => (b'f', other.to_string()),
            };
            answer.push(kind);
            answer.extend(words.bytes());
        }
    }
    exchange.seek(SeekFrom::Start(0))?;
    exchange.set_len(0)?;
    exchange.write_all(&answer)
}

/// What the far side left in the exchange.
pub(super) fn answer(mut answer: Vec<u8>) -> Result<Vec<u8>, LoadError> {
    let kind = answer.strip_prefix(ANSWER).and_then(|rest| rest.first().copied());
    let Some(kind) = kind else {
        return Err(LoadError::NoCompiler("this program cannot compile".to_owned()));
    };
    answer.drain(..=ANSWER.len());
    if kind == b'c' {
        return Ok(answer);
    }
    let words = tame(&String::from_utf8_lossy(&answer), 400);
    Err(match kind {
        b'e' => LoadError::NotComponentized(words),
        b'n' => LoadError::NotCompiled(words),
        _ => LoadError::CompilerFailed(words),
    })
}

/// Takes from this process whatever compiling does not need.
fn confine(size: FileSize, exchange: &File) -> io::Result<()> {
    use std::os::fd::AsRawFd;
    let cost = size.compiling;
    // Where it cannot be written, the kernel decides by size alone.
    let _ = fs::write("/proc/self/oom_score_adj", "1000");
    let open =
        fs::read_dir("/proc/self/fd")?.filter_map(|entry| entry.ok()?.file_name().to_str()?.parse().ok());
    // Those of the list itself are closed by now, and closing them again does nothing.
    for descriptor in open.collect::<Vec<i32>>() {
        if descriptor > 2 && descriptor != exchange.as_raw_fd() {
            close_inherited(descriptor);
        }
    }
    for (resource, most) in [
        (Resource::CoreDump, 0),
        (Resource::Processes, 0),
        (Resource::OpenFiles, OPEN_FILES_MAX),
        (Resource::FileBytes, cost.code_bytes),
        (Resource::CpuSeconds, cost.cpu_time.as_secs()),
        (Resource::AddressSpace, cost.memory_bytes),
    ] {
        limit_myself(resource, most)?;
    }
    Ok(())
}

/// Code for the engine, of a component or a plain module.
pub(crate) fn compile(
    engine: &Engine,
    file: &[u8],
    screening: &Screening,
    size: FileSize,
) -> Result<Vec<u8>, LoadError> {
    let made;
    let component = match screening.kind {
        FileKind::Component => file,
        FileKind::CoreModule => {
            made = componentize(file, screening.lacks_types(), size)?;
            &made
        }
    };
    engine.precompile_component(component).map_err(|error| {
        // The engine's chain of reasons, on one line.
        LoadError::NotCompiled(tame(&format!("{error:#}").replace('\n', " "), 300))
    })
}

/// A component of a plain module.
fn componentize(module: &[u8], lacks_types: bool, size: FileSize) -> Result<Vec<u8>, LoadError> {
    // The encoder is written for the output of honest compilers; what it does not expect may make it panic.
    let encoded = catch_unwind(AssertUnwindSafe(|| {
        let mut module = module.to_vec();
        if lacks_types {
            add_types(&mut module)?;
        }
        ComponentEncoder::default().validate(true).module(&module)?.encode()
    }));
    let component = match encoded {
        Ok(Ok(component)) => component,
        Ok(Err(error)) => return Err(LoadError::NotComponentized(tame(&format!("{error:#}"), 300))),
        Err(_) => return Err(LoadError::NotComponentized("its contract section makes no sense".into())),
    };
    Screening::of(&component, size)?.verdict()?;
    Ok(component)
}

/// A module that only exports the functions gets the contract's types, against which the encoder then checks them.
fn add_types(module: &mut Vec<u8>) -> anyhow::Result<()> {
    let mut resolve = wit_parser::Resolve::default();
    let package = resolve.push_str("detector.wit", include_str!("../../../../sdk/wit/v1/detector.wit"))?;
    let world = resolve.select_world(&[package], None)?;
    wit_component::embed_component_metadata(module, &resolve, world, wit_component::StringEncoding::UTF8)
}
