//! One program for all targets, so that there is one build; `IDLEGATE_FUZZ` says which. `tests/fuzz/run` is the way to
//! call it.
//!
//! Without instrumentation, as an ordinary build has it, it can still be run over the seeds.
#![no_main]

mod targets;

use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;

static TARGET: LazyLock<targets::Target> = LazyLock::new(|| {
    let wanted = std::env::var("IDLEGATE_FUZZ").unwrap_or_default();
    let known: Vec<&str> = targets::ALL.iter().map(|(name, _)| *name).collect();
    let found = targets::ALL.iter().find(|(name, _)| *name == wanted);
    found.unwrap_or_else(|| panic!("IDLEGATE_FUZZ must be one of {}", known.join(", "))).1
});

fuzz_target!(|data: &[u8]| TARGET(data));
