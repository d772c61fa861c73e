//! From a file to a detector that can be set to work: screened, componentized, compiled, introduced.
//!
//! Compiling takes its time, so this must never run on the guard's thread.

use std::fmt;
use std::fs::File;
use std::io::{self, Read};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use sha2::{Digest, Sha256};

use super::cache::CodeCache;
use super::compiler::{self, Compiler, Order};
use super::contract_v1::DetectorPre;
use super::description::{Description, DescriptionError};
use super::fault::{Call, Fault};
use super::guest::{Allowance, Guest, Share};
use super::last_words;
use super::limits::FileSize;
use super::sandbox::Sandbox;
use super::screening::{FileKind, Screening, ScreeningError};
use super::unchecked;
use idlegate_plan::text::{hex, tame};

/// Why a file is not taken as a detector. Each says it in one line, without the file's name.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    #[error("cannot be read: {0}")]
    Unreadable(#[from] io::Error),
    #[error("is not a file")]
    NotAFile,
    #[error("may be written by everyone on this computer, so it is not trusted")]
    WritableByEveryone,
    #[error("has SHA-256 {found}, but the rules pin {expected}")]
    OtherThanPinned { expected: String, found: String },
    #[error(transparent)]
    Screening(#[from] ScreeningError),
    #[error("cannot be turned into a component: {0}")]
    NotComponentized(String),
    #[error("cannot be compiled: {0}")]
    NotCompiled(String),
    #[error("takes longer than {} s to compile", .0.as_secs())]
    TooSlow(Duration),
    #[error("takes more than {} MiB of memory to compile", .0 >> 20)]
    TooMuchMemory(u64),
    #[error("is nested too deeply to be compiled")]
    TooDeep,
    #[error("becomes more than {} MiB of code", .0 >> 20)]
    CodeTooLong(u64),
    #[error("could not be compiled: the compiling process was killed, most likely because memory was short")]
    Killed,
    #[error("could not be compiled in the time there was; it is tried again while guarding goes on")]
    PutOff,
    #[error("could not be compiled: the compiling process cannot be started: {0}")]
    NoCompiler(String),
    #[error("could not be compiled: {0}")]
    CompilerFailed(String),
    #[error("does not fit detector contract {version}: {0}", version = super::screening::CONTRACT_VERSION)]
    DoesNotFit(String),
    #[error("cannot introduce itself: {0}")]
    Fault(#[from] Fault),
    #[error("introduces itself wrongly: {0}")]
    Description(#[from] DescriptionError),
}

impl LoadError {
    /// Whether the file might be taken if the rules pinned it, which allows for more.
    pub fn is_about_size(&self) -> bool {
        match self {
            LoadError::Screening(why) => why.is_about_size(),
            LoadError::TooSlow(_) | LoadError::TooMuchMemory(_) | LoadError::CodeTooLong(_) => true,
            LoadError::Unreadable(_)
            | LoadError::NotAFile
            | LoadError::WritableByEveryone
            | LoadError::OtherThanPinned { .. }
            | LoadError::NotComponentized(_)
            | LoadError::NotCompiled(_)
            | LoadError::TooDeep
            | LoadError::Killed
            | LoadError::PutOff
            | LoadError::NoCompiler(_)
            | LoadError::CompilerFailed(_)
            | LoadError::DoesNotFit(_)
            | LoadError::Fault(_)
            | LoadError::Description(_) => false,
        }
    }
}

/// Loads detectors, and keeps their compiled code if it was given a place for it.
#[derive(Clone, Debug)]
pub struct Loader {
    sandbox: Sandbox,
    cache: Option<CodeCache>,
    compiler: Compiler,
    until: Option<Instant>,
}

/// A detector, compiled and introduced: instances are made from it.
pub struct Module {
    pre: DetectorPre<Allowance>,
    description: Description,
    sha256: String,
    kind: FileKind,
    /// It came with the program.
    ours: bool,
    // Holds the clock that ends endless loops, and the memory that all share.
    sandbox: Sandbox,
}

/// What vouches for a file. Digests are SHA-256 in hexadecimal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pin<'a> {
    None,
    /// Somebody has written this digest into the rules, and so said that they trust the file.
    ByRules(&'a str),
    /// The file had this digest when the rules were read. It is to be the same file, and nobody vouches for it.
    AsRead(&'a str),
    /// It came with the program.
    Ours,
}

impl<'a> Pin<'a> {
    fn digest(self) -> Option<&'a str> {
        match self {
            Pin::ByRules(digest) | Pin::AsRead(digest) => Some(digest),
            Pin::None | Pin::Ours => None,
        }
    }
}

impl Loader {
    /// What is not in the cache is compiled in a process of its own, from this program; see [`asked`](super::asked).
    pub fn new(sandbox: Sandbox, cache: Option<CodeCache>) -> Loader {
        Loader { sandbox, cache, compiler: Compiler::Apart { program: None }, until: None }
    }

    /// The same loader for a program that compiles its own files, or files without number: in its own process, without
    /// the limits of time and memory.
    pub fn compiling_here(self) -> Loader {
        Loader { compiler: Compiler::Here, ..self }
    }

    /// The same loader, compiling in a process of this program instead of the running one.
    pub fn compiling_with(self, program: PathBuf) -> Loader {
        Loader { compiler: Compiler::Apart { program: Some(program) }, ..self }
    }

    /// The same loader for somebody who has better things to do from then on: what is not compiled by then is put off.
    pub fn until(self, until: Option<Instant>) -> Loader {
        Loader { until, ..self }
    }

    pub fn sandbox(&self) -> &Sandbox {
        &self.sandbox
    }

    /// Loads a detector from a file that nobody else can have written.
    pub fn load_file(&self, path: &Path, pin: Pin<'_>) -> Result<Module, LoadError> {
        const WRITABLE_BY_OTHERS: u32 = 0o002;
        // A named pipe would be waited for.
        if !std::fs::metadata(path)?.is_file() {
            return Err(LoadError::NotAFile);
        }
        let opened = File::open(path)?;
        let metadata = opened.metadata()?;
        if !metadata.is_file() {
            return Err(LoadError::NotAFile);
        }
        if metadata.mode() & WRITABLE_BY_OTHERS != 0 {
            return Err(LoadError::WritableByEveryone);
        }
        let mut file = Vec::new();
        // One byte more than allowed is enough to see that it is too long.
        opened.take(self.size_for(pin).bytes_max as u64 + 1).read_to_end(&mut file)?;
        self.load(&file, pin)
    }

    /// Loads a detector from the bytes of its file: a component, or a plain module built against the contract.
    pub fn load(&self, file: &[u8], pin: Pin<'_>) -> Result<Module, LoadError> {
        let size = self.size_for(pin);
        let screening = Screening::of(file, size)?;
        let sha256 = Sha256::digest(file);
        let found = hex(&sha256);
        if let Some(expected) = pin.digest().filter(|expected| !expected.eq_ignore_ascii_case(&found)) {
            return Err(LoadError::OtherThanPinned { expected: tame(expected, 64), found });
        }
        screening.verdict()?;
        let engine = self.sandbox.engine();
        let component = match self.cache.as_ref().and_then(|cache| cache.fetch(engine, &sha256)) {
            Some(component) => component,
            None => {
                let code = self.compile(file, &screening, size, pin)?;
                let component = unchecked::component(engine, &code)
                    .map_err(|error| LoadError::CompilerFailed(in_words(&error)))?;
                if let Some(cache) = &self.cache {
                    cache.keep(engine, &sha256, &code);
                }
                component
            }
        };
        let pre = last_words::linker(engine)
            .and_then(|linker| linker.instantiate_pre(&component))
            .and_then(DetectorPre::new)
            .map_err(|error| LoadError::DoesNotFit(in_words(&error)))?;
        let description = introduce(&pre)?;
        let (sandbox, ours) = (self.sandbox.clone(), pin == Pin::Ours);
        Ok(Module { pre, description, sha256: found, kind: screening.kind, ours, sandbox })
    }

    /// Whoever pins a file has looked at it: it may be as big as an interpreter makes it.
    fn size_for(&self, pin: Pin<'_>) -> FileSize {
        match pin {
            Pin::None | Pin::AsRead(_) | Pin::Ours => FileSize::ORDINARY,
            Pin::ByRules(_) => FileSize::LARGE,
        }
    }

    fn compile(
        &self,
        file: &[u8],
        screening: &Screening,
        size: FileSize,
        pin: Pin<'_>,
    ) -> Result<Vec<u8>, LoadError> {
        match &self.compiler {
            Compiler::Apart { program } if pin != Pin::Ours => {
                let order = Order { native: self.sandbox.is_native(), size, until: self.until };
                compiler::compile_apart(program.as_ref(), file, order)
            }
            Compiler::Apart { .. } | Compiler::Here => {
                compiler::compile_here(self.sandbox.engine(), file, screening, size)
            }
        }
    }
}

impl Module {
    pub fn description(&self) -> &Description {
        &self.description
    }

    /// Of the file as it was given, in hexadecimal.
    pub fn sha256(&self) -> &str {
        &self.sha256
    }

    pub fn kind(&self) -> FileKind {
        self.kind
    }

    pub(super) fn pre(&self) -> &DetectorPre<Allowance> {
        &self.pre
    }

    /// How the memory of an instance at work counts.
    pub(super) fn share(&self) -> Share {
        let memory = self.sandbox.memory().clone();
        if self.ours { Share::Growth(memory) } else { Share::Whole(memory) }
    }
}

impl fmt::Debug for Module {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Description { name, version, .. } = &self.description;
        f.debug_struct("Module").field("name", name).field("version", version).finish_non_exhaustive()
    }
}

fn introduce(pre: &DetectorPre<Allowance>) -> Result<Description, LoadError> {
    let said =
        Guest::start(pre, Share::Passing)?.call(Call::Describe, |guest, store| guest.call_describe(store))?;
    Ok(Description::check(said)?)
}

/// The engine's chain of reasons, on one line.
fn in_words(error: &wasmtime::Error) -> String {
    tame(&format!("{error:#}").replace('\n', " "), 300)
}
