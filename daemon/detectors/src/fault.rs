//! Why a call into a detector gave nothing that can be used, in words that its author and its user understand.

use std::fmt;

use wasmtime::Trap;

use super::limits::{ANSWER_BYTES_MAX, CALL_WALL_TIME, MEMORY_BYTES_MAX, TABLE_ELEMENTS_MAX};
use idlegate_plan::text::tame;

/// What the host was doing with the detector.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Call {
    Start,
    Describe,
    Configure,
    Observe,
    Assess,
}

/// A call that stopped in the middle or answered outside the contract. The instance cannot be used again.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{call} {cause}")]
pub struct Fault {
    pub call: Call,
    pub cause: FaultCause,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FaultCause {
    #[error("took longer than {} ms", CALL_WALL_TIME.as_millis())]
    Deadline,
    #[error("used more than {} MiB of memory", MEMORY_BYTES_MAX >> 20)]
    Memory,
    /// The others have it; no fault of its own.
    #[error("found no memory left: all detectors together may use {} MiB (detector_memory_mib in shop.toml)", bytes_max >> 20)]
    MemoryTogether { bytes_max: usize },
    #[error("used more than {} table entries", TABLE_ELEMENTS_MAX)]
    Table,
    #[error("recursed too deeply")]
    Stack,
    #[error("panicked")]
    Panic,
    /// And why, in its own words, bounded and tame.
    #[error("panicked: {0}")]
    Panicked(String),
    #[error("read or wrote outside its memory")]
    OutOfBounds,
    #[error("handed back more than {} KiB", ANSWER_BYTES_MAX >> 10)]
    TooMuch,
    /// Any other trap, in the engine's words.
    #[error("stopped: {0}")]
    Trap(String),
    #[error("broke the contract: {0}")]
    Contract(String),
}

impl fmt::Display for Call {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Call::Start => "its start",
            Call::Describe => "describe",
            Call::Configure => "configure",
            Call::Observe => "observe",
            Call::Assess => "assess",
        })
    }
}

/// Raised by our own limits in the middle of a guest's call.
#[derive(Debug, thiserror::Error)]
pub(super) enum LimitReached {
    #[error("memory")]
    Memory,
    #[error("memory of all together")]
    MemoryTogether { bytes_max: usize },
    #[error("table")]
    Table,
}

impl Fault {
    pub(super) fn of(call: Call, error: &wasmtime::Error, last_words: Option<String>) -> Fault {
        let cause = match (FaultCause::of(error), last_words) {
            (FaultCause::Panic, Some(why)) => FaultCause::Panicked(why),
            (cause, _) => cause,
        };
        Fault { call, cause }
    }

    pub(super) fn contract(call: Call, what: impl Into<String>) -> Fault {
        Fault { call, cause: FaultCause::Contract(what.into()) }
    }
}

impl FaultCause {
    fn of(error: &wasmtime::Error) -> FaultCause {
        if let Some(limit) = error.downcast_ref::<LimitReached>() {
            return match limit {
                LimitReached::Memory => FaultCause::Memory,
                LimitReached::MemoryTogether { bytes_max } => {
                    FaultCause::MemoryTogether { bytes_max: *bytes_max }
                }
                LimitReached::Table => FaultCause::Table,
            };
        }
        match error.downcast_ref::<Trap>() {
            Some(Trap::Interrupt) => FaultCause::Deadline,
            Some(Trap::StackOverflow) => FaultCause::Stack,
            Some(Trap::UnreachableCodeReached) => FaultCause::Panic,
            Some(Trap::MemoryOutOfBounds) => FaultCause::OutOfBounds,
            Some(other) => {
                let words = other.to_string();
                FaultCause::Trap(words.strip_prefix("wasm trap: ").unwrap_or(&words).to_owned())
            }
            None => FaultCause::of_answer(error),
        }
    }

    /// The call returned, but what it returned cannot be read. The engine has no types for these, only words.
    fn of_answer(error: &wasmtime::Error) -> FaultCause {
        let words = format!("{error:#}");
        if words.contains("fuel allocated for hostcalls") {
            return FaultCause::TooMuch;
        }
        FaultCause::Contract(tame(&words, 160))
    }
}
