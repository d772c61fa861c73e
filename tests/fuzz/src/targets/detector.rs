//! Detector files: looked over, compiled, asked what they are.

use std::sync::LazyLock;

use idlegate_detectors::{Execution, Loader, Pin, Sandbox};

// The interpreter compiles faster than the native code generator, and what is looked over is the same.
static LOADER: LazyLock<Loader> = LazyLock::new(|| {
    let sandbox = Sandbox::new(Execution::Interpreted).unwrap_or_else(|error| panic!("{error}"));
    Loader::new(sandbox, None).compiling_here()
});

pub(crate) fn detector(data: &[u8]) {
    match LOADER.load(data, Pin::None) {
        Ok(module) => assert!(!module.description().name.as_str().is_empty()),
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}
