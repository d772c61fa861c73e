//! Handmade detectors, loaded and set to work.

use std::sync::{Arc, OnceLock};

pub(super) use super::handmade::*;
use crate::{Execution, Instance, LoadError, Loader, Module, Pin, Sandbox};
use idlegate_guard::time::Moment;
use idlegate_plan::event::{Name, Reading, Value};

/// One sandbox for all tests, as the daemon has one for all detectors.
pub(super) fn loader() -> Loader {
    static SANDBOX: OnceLock<Sandbox> = OnceLock::new();
    let sandbox = SANDBOX.get_or_init(|| Sandbox::new(Execution::Automatic).unwrap());
    Loader::new(sandbox.clone(), None).compiling_here()
}

pub(super) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

pub(super) fn number(at: u64, value: f64) -> (u32, Reading) {
    (0, Reading { at: Moment(at), value: Value::Number(value) })
}

impl Handmade {
    pub(super) fn load(&self) -> Result<Module, LoadError> {
        loader().load(&self.file(), Pin::None)
    }

    pub(super) fn module(&self) -> Arc<Module> {
        Arc::new(self.load().unwrap())
    }

    pub(super) fn instance(&self) -> Instance {
        Instance::new(&self.module(), "{}", [name("power")].into()).unwrap()
    }
}
