//! Detectors by where the rules say they come from: each loaded once, however many machines use it.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use super::{
    CodeCache, Execution, Installation, Loader, Module, Pin, Sandbox, SandboxError, built_in, built_in_names,
};
use idlegate_plan::ModuleSource;
use idlegate_plan::event::Install;
use idlegate_rules::Severity;

#[derive(Debug)]
pub struct Modules {
    loader: Loader,
    /// What became of each. One that cannot be loaded is not tried again for every machine: to find that out may have
    /// taken long.
    loaded: Mutex<BTreeMap<ModuleSource, Result<Arc<Module>, String>>>,
    /// How bad it is for the rules that a detector cannot be loaded.
    when_out: Severity,
}

impl Modules {
    pub fn new(execution: Execution, cache: Option<CodeCache>) -> Result<Modules, SandboxError> {
        let loader = Loader::new(Sandbox::new(execution)?, cache);
        Ok(Modules { loader, loaded: Mutex::default(), when_out: Severity::Error })
    }

    /// Files are compiled by this program instead of the running one.
    pub fn compiling_with(self, program: PathBuf) -> Modules {
        Modules { loader: self.loader.compiling_with(program), ..self }
    }

    /// What is not compiled by then is put off.
    pub fn until(&self, until: Instant) -> Modules {
        let modules = self.anew();
        Modules { loader: modules.loader.until(Some(until)), ..modules }
    }

    /// For guarding without those that cannot be loaded: their machines count as busy.
    pub fn or_without(&self) -> Modules {
        Modules { when_out: Severity::Warning, ..self.anew() }
    }

    /// What the detectors at work may use together, from now on.
    pub fn set_memory_together(&self, bytes: usize) {
        self.loader.sandbox().memory().set_bytes_max(bytes);
    }

    pub(crate) fn when_out(&self) -> Severity {
        self.when_out
    }

    /// The detector, or in one line why it is not taken.
    pub fn get(&self, source: &ModuleSource) -> Result<Arc<Module>, String> {
        let mut loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        loaded.entry(source.clone()).or_insert_with(|| self.load(source).map(Arc::new)).clone()
    }

    /// What it takes to set this one to work, or in one line why it cannot be.
    pub fn installation(&self, install: &Install) -> Result<Installation, String> {
        let module = self.get(&install.module)?;
        let declared = module.description().signals.iter();
        // One that nothing feeds keeps its own name, so that the others keep their places.
        let wired = declared.zip(install.signals.iter().chain(std::iter::repeat(&None)));
        let signals = wired.map(|(declared, wired)| wired.clone().unwrap_or_else(|| declared.name.clone()));
        let signals = signals.collect();
        Ok(Installation { module, settings: install.settings.to_string(), signals })
    }

    /// The same built-in detectors, and every file to be read anew.
    pub fn anew(&self) -> Modules {
        let loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        let built_in = loaded.iter().filter(|(source, _)| matches!(source, ModuleSource::BuiltIn(_)));
        let built_in = built_in.map(|(source, module)| (source.clone(), module.clone())).collect();
        let loader = self.loader.clone().until(None);
        Modules { loader, loaded: Mutex::new(built_in), when_out: Severity::Error }
    }

    /// The SHA-256 of the file behind a detector that is loaded.
    pub fn loaded(&self, source: &ModuleSource) -> Option<String> {
        let loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        loaded.get(source)?.as_ref().ok().map(|module| module.sha256().to_owned())
    }

    fn load(&self, source: &ModuleSource) -> Result<Module, String> {
        match source {
            ModuleSource::BuiltIn(name) => {
                let Some(file) = built_in(name.as_str()) else {
                    let known: Vec<_> = built_in_names().collect();
                    return Err(format!(
                        "no detector called {name} is built in; there are {}",
                        known.join(", ")
                    ));
                };
                self.loader.load(file, Pin::Ours).map_err(|error| format!("{name} {error}"))
            }
            ModuleSource::File { path, sha256, pinned } => {
                let loaded = self.loader.load_file(path, pin(sha256.as_deref(), *pinned));
                loaded.map_err(|error| format!("{} {error}", path.display()))
            }
        }
    }
}

fn pin(sha256: Option<&str>, pinned: bool) -> Pin<'_> {
    match sha256 {
        Some(digest) if pinned => Pin::ByRules(digest),
        Some(digest) => Pin::AsRead(digest),
        None => Pin::None,
    }
}
