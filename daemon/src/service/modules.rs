//! Detectors by where the rules say they come from: each loaded once, however many machines use it.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use crate::detectors::{
    CodeCache, Execution, Loader, Module, Sandbox, SandboxError, built_in, built_in_names,
};
use crate::plan::ModuleSource;

#[derive(Debug)]
pub struct Modules {
    loader: Loader,
    loaded: Mutex<BTreeMap<ModuleSource, Arc<Module>>>,
}

impl Modules {
    pub fn new(execution: Execution, cache: Option<CodeCache>) -> Result<Modules, SandboxError> {
        let loader = Loader::new(Sandbox::new(execution)?, cache);
        Ok(Modules { loader, loaded: Mutex::default() })
    }

    /// The detector, or in one line why it is not taken.
    pub fn get(&self, source: &ModuleSource) -> Result<Arc<Module>, String> {
        let mut loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(module) = loaded.get(source) {
            return Ok(module.clone());
        }
        let module = Arc::new(self.load(source)?);
        loaded.insert(source.clone(), module.clone());
        Ok(module)
    }

    /// The same built-in detectors, and every file to be read anew.
    pub(super) fn anew(&self) -> Modules {
        let loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        let built_in = loaded.iter().filter(|(source, _)| matches!(source, ModuleSource::BuiltIn(_)));
        let built_in = built_in.map(|(source, module)| (source.clone(), module.clone())).collect();
        Modules { loader: self.loader.clone(), loaded: Mutex::new(built_in) }
    }

    /// The SHA-256 of the file behind a detector that is loaded.
    pub(super) fn loaded(&self, source: &ModuleSource) -> Option<String> {
        let loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        loaded.get(source).map(|module| module.sha256().to_owned())
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
                self.loader.load(file, None).map_err(|error| format!("{name} {error}"))
            }
            ModuleSource::File { path, sha256 } => {
                let loaded = self.loader.load_file(path, sha256.as_deref());
                loaded.map_err(|error| format!("{} {error}", path.display()))
            }
        }
    }
}
