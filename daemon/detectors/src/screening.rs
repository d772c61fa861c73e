//! A look at a detector's file before anything in it is compiled or run: what it is, how big, what it asks for.
//!
//! Nothing here trusts the file, and nothing here needs the engine.

mod cost;

use wasmparser::{Encoding, Parser, Payload};

use self::cost::{look_over, look_over_types};
use super::last_words;
use super::limits::{FileSize, PARTS_MAX};
use idlegate_plan::text::tame;

/// The contract this host speaks; the version travels in the name of the export.
pub const CONTRACT_VERSION: &str = "1.0.0";
const CONTRACT: &str = "idlegate:detector/busy-detector@";

/// The kinds of WebAssembly file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileKind {
    Component,
    /// A plain module, as `cargo build --target wasm32-unknown-unknown` leaves it.
    CoreModule,
}

/// What a file holds, as far as can be seen from outside.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Screening {
    pub kind: FileKind,
    pub bytes: usize,
    pub functions: usize,
    /// Everything it wants from its host, but to tell why it panicked. A detector is granted none of it.
    pub imports: Vec<String>,
    /// The detector contract it was built against, where that shows from outside (always for a component).
    pub contract: Option<String>,
    /// The contract's types are in it, as the bindings of most languages leave them there.
    pub has_types: bool,
}

/// Why a file is refused before it is compiled.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ScreeningError {
    #[error("is more than {max} bytes long")]
    TooLong { max: usize },
    #[error("is not a WebAssembly file")]
    NotWasm,
    #[error("is damaged: {0}")]
    Damaged(String),
    #[error("holds more than {max} functions")]
    TooManyFunctions { max: usize },
    #[error("holds a function of {bytes} bytes; one may have {max}")]
    FunctionTooLong { bytes: usize, max: usize },
    #[error("holds more than {max} types")]
    TooManyTypes { max: usize },
    #[error("holds a function with {values} parameters and results; one may have {max}")]
    TooManyValues { values: usize, max: usize },
    #[error("holds a function with {locals} local variables; one may have {max}")]
    TooManyLocals { locals: usize, max: usize },
    #[error("holds a function with more than {max} blocks inside each other")]
    TooDeep { max: usize },
    #[error(
        "holds a function with {locals} local variables and {blocks} blocks, which would take too long to compile"
    )]
    TooEntangled { locals: usize, blocks: usize },
    #[error("holds a function with more than {max} branches in tables")]
    TooManyBranches { max: usize },
    #[error("holds more than {} modules and components", PARTS_MAX)]
    TooManyParts,
    #[error("asks for {}; a detector is granted nothing", wishes(.imports))]
    Imports { imports: Vec<String> },
    #[error("was built against detector contract {found}; this Idlegate speaks {CONTRACT_VERSION}")]
    OtherContract { found: String },
    #[error("is no busy detector: it does not export {CONTRACT}{CONTRACT_VERSION}")]
    NoContract,
    #[error(
        "is no busy detector: it does not export {CONTRACT}{CONTRACT_VERSION}; in Rust, idlegate_detector::register!(…) does it"
    )]
    NotRegistered,
}

impl ScreeningError {
    /// A file that somebody vouches for may be bigger.
    pub fn is_about_size(&self) -> bool {
        match self {
            ScreeningError::TooLong { .. }
            | ScreeningError::TooManyFunctions { .. }
            | ScreeningError::FunctionTooLong { .. }
            | ScreeningError::TooManyTypes { .. }
            | ScreeningError::TooManyValues { .. }
            | ScreeningError::TooManyLocals { .. }
            | ScreeningError::TooDeep { .. }
            | ScreeningError::TooEntangled { .. }
            | ScreeningError::TooManyBranches { .. } => true,
            ScreeningError::NotWasm
            | ScreeningError::Damaged(_)
            | ScreeningError::TooManyParts
            | ScreeningError::Imports { .. }
            | ScreeningError::OtherContract { .. }
            | ScreeningError::NoContract
            | ScreeningError::NotRegistered => false,
        }
    }
}

impl Screening {
    /// Reads the outline of a file. An error means that it is no WebAssembly or too big to be looked at further.
    pub fn of(file: &[u8], size: FileSize) -> Result<Screening, ScreeningError> {
        if file.len() > size.bytes_max {
            return Err(ScreeningError::TooLong { max: size.bytes_max });
        }
        let kind = if Parser::is_component(file) {
            FileKind::Component
        } else if Parser::is_core_wasm(file) {
            FileKind::CoreModule
        } else {
            return Err(ScreeningError::NotWasm);
        };
        let mut outline = Screening {
            kind,
            bytes: file.len(),
            functions: 0,
            imports: Vec::new(),
            contract: None,
            has_types: false,
        };
        outline.walk(file, size)?;
        Ok(outline)
    }

    /// Whether this file may be a detector at all.
    pub fn verdict(&self) -> Result<(), ScreeningError> {
        if !self.imports.is_empty() {
            return Err(ScreeningError::Imports { imports: self.imports.clone() });
        }
        match (&self.contract, self.kind) {
            (Some(found), _) if found != CONTRACT_VERSION => {
                Err(ScreeningError::OtherContract { found: found.clone() })
            }
            (None, FileKind::Component) => Err(ScreeningError::NoContract),
            (None, FileKind::CoreModule) => Err(ScreeningError::NotRegistered),
            (Some(_), _) => Ok(()),
        }
    }

    /// It exports the contract's functions and no more, as a program written by hand does.
    pub(super) fn lacks_types(&self) -> bool {
        !self.has_types && self.contract.is_some()
    }

    fn walk(&mut self, file: &[u8], size: FileSize) -> Result<(), ScreeningError> {
        let mut parts: usize = 0;
        let mut depth: usize = 0;
        let mut types: usize = 0;
        for payload in Parser::new(0).parse_all(file) {
            match payload.map_err(damaged)? {
                Payload::Version { encoding, .. } => {
                    // The parser goes into nested parts by itself; each begins with a version of its own.
                    depth += 1;
                    parts += 1;
                    if parts > PARTS_MAX {
                        return Err(ScreeningError::TooManyParts);
                    }
                    if depth == 1 && encoding != self.encoding() {
                        return Err(ScreeningError::NotWasm);
                    }
                }
                Payload::End(_) => depth = depth.saturating_sub(1),
                Payload::FunctionSection(section) => {
                    self.functions += section.count() as usize;
                    if self.functions > size.functions_max {
                        return Err(ScreeningError::TooManyFunctions { max: size.functions_max });
                    }
                }
                Payload::CodeSectionEntry(body) => look_over(&body, size)?,
                Payload::TypeSection(section) => {
                    types += section.count() as usize;
                    if types <= size.types_max {
                        look_over_types(section, size)?;
                    }
                }
                Payload::ComponentTypeSection(section) => types += section.count() as usize,
                Payload::CoreTypeSection(section) => types += section.count() as usize,
                Payload::CustomSection(section) if section.name().starts_with("component-type") => {
                    self.has_types = true;
                }
                outermost if depth == 1 => self.exchange(outermost)?,
                // Other sections are the compiler's business; it validates all of them.
                _ => {}
            }
            if types > size.types_max {
                return Err(ScreeningError::TooManyTypes { max: size.types_max });
            }
        }
        Ok(())
    }

    const fn encoding(&self) -> Encoding {
        match self.kind {
            FileKind::Component => Encoding::Component,
            FileKind::CoreModule => Encoding::Module,
        }
    }

    /// What the file as a whole asks its host for, and what it offers.
    fn exchange(&mut self, section: Payload<'_>) -> Result<(), ScreeningError> {
        match section {
            Payload::ImportSection(section) => {
                for import in section.into_imports() {
                    let import = import.map_err(damaged)?;
                    if import.module != last_words::INTERFACE {
                        self.ask_for(&format!("{}.{}", import.module, import.name));
                    }
                }
            }
            Payload::ComponentImportSection(section) => {
                for import in section {
                    let name = import.map_err(damaged)?.name.name;
                    if name != last_words::INTERFACE {
                        self.ask_for(name);
                    }
                }
            }
            Payload::ComponentExportSection(section) => {
                for export in section {
                    self.offer(export.map_err(damaged)?.name.name);
                }
            }
            Payload::ExportSection(section) => {
                for export in section {
                    // "…/busy-detector@1.0.0#describe"
                    let name = export.map_err(damaged)?.name;
                    self.offer(name.split('#').next().unwrap_or(name));
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn ask_for(&mut self, import: &str) {
        // A file can name thousands; nobody reads past the first few.
        if self.imports.len() < 256 {
            self.imports.push(tame(import, 120));
        }
    }

    fn offer(&mut self, export: &str) {
        if let Some(version) = export.strip_prefix(CONTRACT) {
            self.contract = Some(tame(version, 40));
        }
    }
}

#[expect(clippy::needless_pass_by_value, reason = "the shape map_err wants")]
fn damaged(error: wasmparser::BinaryReaderError) -> ScreeningError {
    ScreeningError::Damaged(format!("{} at byte {}", tame(error.message(), 160), error.offset()))
}

/// "the clock (wasi:clocks/monotonic-clock@0.2.6) and 3 more things"
fn wishes(imports: &[String]) -> String {
    /// What an import means to a person; the most telling first, since one file often asks for twenty.
    const MEANINGS: [(&str, &str); 9] = [
        ("wasi:filesystem", "files"),
        ("wasi:sockets", "the network"),
        ("wasi:http", "the network"),
        ("wasi:cli/environment", "the environment"),
        ("wasi:clocks", "the clock"),
        ("wasi:random", "random numbers"),
        ("wasi:cli", "the terminal"),
        ("wasi:io", "input and output"),
        ("wasi_snapshot_preview1", "the operating system"),
    ];
    let telling = MEANINGS.iter().find_map(|(start, meaning)| {
        imports.iter().find(|import| import.starts_with(start)).map(|import| format!("{meaning} ({import})"))
    });
    let first = telling.unwrap_or_else(|| imports.first().cloned().unwrap_or_default());
    match imports.len() {
        0 | 1 => first,
        2 => format!("{first} and 1 more thing"),
        more => format!("{first} and {} more things", more - 1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: FileSize = FileSize::ORDINARY;

    fn refusal(wat: &str) -> String {
        let file = wat::parse_str(wat).unwrap();
        Screening::of(&file, SIZE).and_then(|screening| screening.verdict()).unwrap_err().to_string()
    }

    #[test]
    fn what_a_file_asks_for_is_named() {
        assert_eq!(
            refusal(r#"(component (import "wasi:clocks/wall-clock@0.2.6" (instance)))"#),
            "asks for the clock (wasi:clocks/wall-clock@0.2.6); a detector is granted nothing"
        );
        assert_eq!(
            refusal(
                r#"(component (import "wasi:io/streams@0.2.6" (instance)) (import "wasi:cli/exit@0.2.6" (instance))
                    (import "wasi:filesystem/types@0.2.6" (instance)))"#
            ),
            "asks for files (wasi:filesystem/types@0.2.6) and 2 more things; a detector is granted nothing"
        );
        assert_eq!(
            refusal(r#"(module (import "env" "system" (func)))"#),
            "asks for env.system; a detector is granted nothing"
        );
        assert_eq!(
            refusal(r#"(module (import "wasi_snapshot_preview1" "fd_write" (func)))"#),
            "asks for the operating system (wasi_snapshot_preview1.fd_write); a detector is granted nothing"
        );
    }

    #[test]
    fn another_contract_is_named_and_so_is_none() {
        let other =
            r#"(component (instance $i) (export "idlegate:detector/busy-detector@2.0.0" (instance $i)))"#;
        assert_eq!(refusal(other), "was built against detector contract 2.0.0; this Idlegate speaks 1.0.0");
        assert_eq!(
            refusal("(component)"),
            "is no busy detector: it does not export idlegate:detector/busy-detector@1.0.0"
        );
        assert_eq!(
            refusal(r#"(module (func (export "idlegate:detector/busy-detector@0.9.0#describe")))"#),
            "was built against detector contract 0.9.0; this Idlegate speaks 1.0.0"
        );
    }

    #[test]
    fn a_file_too_big_to_compile_is_refused_before_it_is_compiled() {
        let functions = "(func)".repeat(SIZE.functions_max + 1);
        assert_eq!(refusal(&format!("(module {functions})")), "holds more than 10000 functions");
        let body = "nop ".repeat(SIZE.function_bytes_max + 1);
        assert_eq!(
            refusal(&format!("(module (func {body}))")),
            "holds a function of 131075 bytes; one may have 131072"
        );
        let modules = "(core module)".repeat(PARTS_MAX);
        assert_eq!(refusal(&format!("(component {modules})")), "holds more than 64 modules and components");
        let long = Screening::of(&vec![0; SIZE.bytes_max + 1], SIZE).unwrap_err();
        assert_eq!(long.to_string(), "is more than 4194304 bytes long");
    }

    #[test]
    fn what_is_no_wasm_is_said_to_be_none() {
        assert_eq!(Screening::of(b"", SIZE).unwrap_err().to_string(), "is not a WebAssembly file");
        assert_eq!(
            Screening::of(b"#!/bin/sh\nreboot", SIZE).unwrap_err().to_string(),
            "is not a WebAssembly file"
        );
        let whole = wat::parse_str("(module (func))").unwrap();
        let cut = Screening::of(&whole[..whole.len() - 1], SIZE).unwrap_err().to_string();
        assert!(cut.starts_with("is damaged: unexpected end-of-file"), "{cut}");
    }
}
