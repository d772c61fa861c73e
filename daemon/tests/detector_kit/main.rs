//! The kit for makers of detectors, with detectors that have to be compiled.

#![expect(clippy::unwrap_used, reason = "a test's own literals")]

mod agreement;
#[path = "../../detectors/src/tests/handmade.rs"]
#[allow(dead_code, reason = "the host's own tests use more of it")]
mod handmade;
mod planted;
mod trial;

use idlegate_detectors::{Execution, Modules};

/// Detectors that this test's own program need not compile.
fn modules() -> Modules {
    Modules::new(Execution::Automatic, None).unwrap().compiling_with(env!("CARGO_BIN_EXE_idlegate").into())
}
