//! From a file to a detector that can be set to work: screened, componentized, compiled, introduced.
//!
//! Compiling has no deadline, so this must never run on the guard's thread.

use std::fmt;
use std::fs::File;
use std::io::{self, Read};
use std::os::unix::fs::MetadataExt;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use sha2::{Digest, Sha256};
use wasmtime::component::{Component, Linker};
use wit_component::ComponentEncoder;

use super::cache::CodeCache;
use super::contract_v1::DetectorPre;
use super::description::{Description, DescriptionError};
use super::fault::{Call, Fault};
use super::guest::{Allowance, Guest};
use super::limits::FileSize;
use super::sandbox::Sandbox;
use super::screening::{FileKind, Screening, ScreeningError};
use crate::text::{hex, tame};

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
    #[error("does not fit detector contract {version}: {0}", version = super::screening::CONTRACT_VERSION)]
    DoesNotFit(String),
    #[error("cannot introduce itself: {0}")]
    Fault(#[from] Fault),
    #[error("introduces itself wrongly: {0}")]
    Description(#[from] DescriptionError),
}

/// Loads detectors, and keeps their compiled code if it was given a place for it.
#[derive(Clone, Debug)]
pub struct Loader {
    sandbox: Sandbox,
    cache: Option<CodeCache>,
    size: FileSize,
}

/// A detector, compiled and introduced: instances are made from it.
pub struct Module {
    pre: DetectorPre<Allowance>,
    description: Description,
    sha256: String,
    kind: FileKind,
    // Holds the clock that ends endless loops.
    _sandbox: Sandbox,
}

impl Loader {
    pub fn new(sandbox: Sandbox, cache: Option<CodeCache>) -> Loader {
        Loader { sandbox, cache, size: FileSize::ORDINARY }
    }

    /// The same loader for files of another size.
    pub fn with_size(self, size: FileSize) -> Loader {
        Loader { size, ..self }
    }

    /// Loads a detector from a file that nobody else can have written.
    pub fn load_file(&self, path: &Path, pin: Option<&str>) -> Result<Module, LoadError> {
        const WRITABLE_BY_OTHERS: u32 = 0o002;
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
    /// `pin` is the SHA-256 that the file must have, in hexadecimal.
    pub fn load(&self, file: &[u8], pin: Option<&str>) -> Result<Module, LoadError> {
        let size = self.size_for(pin);
        let screening = Screening::of(file, size)?;
        let sha256 = hex(&Sha256::digest(file));
        if let Some(expected) = pin.filter(|expected| !expected.eq_ignore_ascii_case(&sha256)) {
            return Err(LoadError::OtherThanPinned { expected: tame(expected, 64), found: sha256 });
        }
        screening.verdict()?;
        let component = match screening.kind {
            FileKind::Component => self.compile(file)?,
            FileKind::CoreModule => {
                self.compile(&self.componentize(file, screening.lacks_types(), size)?)?
            }
        };
        let pre = Linker::new(self.sandbox.engine())
            .instantiate_pre(&component)
            .and_then(DetectorPre::new)
            .map_err(|error| LoadError::DoesNotFit(in_words(&error)))?;
        let description = introduce(&pre)?;
        Ok(Module { pre, description, sha256, kind: screening.kind, _sandbox: self.sandbox.clone() })
    }

    /// Whoever pins a file has looked at it: it may be as big as an interpreter makes it.
    fn size_for(&self, pin: Option<&str>) -> FileSize {
        if pin.is_some() { FileSize::LARGE } else { self.size }
    }

    fn compile(&self, component: &[u8]) -> Result<Component, LoadError> {
        let engine = self.sandbox.engine();
        if let Some(compiled) = self.cache.as_ref().and_then(|cache| cache.fetch(engine, component)) {
            return Ok(compiled);
        }
        let compiled = Component::from_binary(engine, component)
            .map_err(|error| LoadError::NotCompiled(in_words(&error)))?;
        if let Some(cache) = &self.cache {
            cache.keep(engine, component, &compiled);
        }
        Ok(compiled)
    }

    fn componentize(&self, module: &[u8], lacks_types: bool, size: FileSize) -> Result<Vec<u8>, LoadError> {
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
}

impl fmt::Debug for Module {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Description { name, version, .. } = &self.description;
        f.debug_struct("Module").field("name", name).field("version", version).finish_non_exhaustive()
    }
}

fn introduce(pre: &DetectorPre<Allowance>) -> Result<Description, LoadError> {
    let said = Guest::start(pre)?.call(Call::Describe, |guest, store| guest.call_describe(store))?;
    Ok(Description::check(said)?)
}

/// A module that only exports the functions gets the contract's types, against which the encoder then checks them.
fn add_types(module: &mut Vec<u8>) -> anyhow::Result<()> {
    let mut resolve = wit_parser::Resolve::default();
    let package = resolve.push_str("detector.wit", include_str!("../../../sdk/wit/v1/detector.wit"))?;
    let world = resolve.select_world(&[package], None)?;
    wit_component::embed_component_metadata(module, &resolve, world, wit_component::StringEncoding::UTF8)
}

/// The engine's chain of reasons, on one line.
fn in_words(error: &wasmtime::Error) -> String {
    tame(&format!("{error:#}").replace('\n', " "), 300)
}
