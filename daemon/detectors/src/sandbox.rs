//! The engine that compiles and runs detectors, with everything switched off that a detector does not need.
//!
//! One sandbox serves the whole process. It is cheap to clone, and its clock thread ends with the last clone.

use std::fmt;
use std::sync::Arc;
use std::thread;

use wasmtime::{Config, Engine, EngineWeak};

use super::limits::{MEMORY_RESERVATION_BYTES, STACK_BYTES_MAX, TICK};
use super::memory::SharedMemory;

/// How detectors are executed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Execution {
    /// Native code where the system permits it, else interpreted.
    #[default]
    Automatic,
    /// Compiled to machine code. Needs memory that may be written first and executed later.
    Native,
    /// Interpreted: some microseconds a call instead of one, and works under the strictest service settings.
    Interpreted,
}

#[derive(Debug, thiserror::Error)]
pub enum SandboxError {
    #[error("cannot set up the detector engine: {0:#}")]
    Engine(wasmtime::Error),
    #[error(
        "this system forbids executable memory, so native detectors cannot run (a service setting such as \
         MemoryDenyWriteExecute does this; interpreted execution works under it): {0:#}"
    )]
    NoExecutableMemory(wasmtime::Error),
    #[error("cannot start the detector clock: {0}")]
    Clock(#[from] std::io::Error),
}

/// Where detectors are compiled and run.
#[derive(Clone)]
pub struct Sandbox {
    engine: Arc<Engine>,
    native: bool,
    memory: Arc<SharedMemory>,
}

impl Sandbox {
    pub fn new(execution: Execution) -> Result<Sandbox, SandboxError> {
        let (engine, native) = match execution {
            Execution::Native => (native_engine()?, true),
            Execution::Interpreted => (interpreter()?, false),
            Execution::Automatic => match native_engine() {
                Ok(engine) => (engine, true),
                Err(why) => {
                    tracing::info!(why = %why, "detectors are interpreted");
                    (interpreter()?, false)
                }
            },
        };
        start_clock(engine.weak())?;
        Ok(Sandbox { engine: Arc::new(engine), native, memory: Arc::default() })
    }

    /// Whether detectors run as machine code; else they are interpreted.
    pub(crate) fn is_native(&self) -> bool {
        self.native
    }

    /// What all detectors at work may use together.
    pub fn memory(&self) -> &Arc<SharedMemory> {
        &self.memory
    }

    pub(super) fn engine(&self) -> &Engine {
        &self.engine
    }
}

impl fmt::Debug for Sandbox {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Sandbox").field("native", &self.native).finish_non_exhaustive()
    }
}

fn native_engine() -> Result<Engine, SandboxError> {
    let engine = compiling_engine(true)?;
    // Whether written memory may be executed is only known once it has been tried: `(module (func))`.
    const ONE_EMPTY_FUNCTION: &[u8] =
        b"\0asm\x01\0\0\0\x01\x04\x01\x60\0\0\x03\x02\x01\0\x0a\x04\x01\x02\0\x0b";
    wasmtime::Module::from_binary(&engine, ONE_EMPTY_FUNCTION).map_err(SandboxError::NoExecutableMemory)?;
    Ok(engine)
}

fn interpreter() -> Result<Engine, SandboxError> {
    compiling_engine(false)
}

/// The engine of whoever only compiles: the same settings, and nothing is run.
pub(super) fn compiling_engine(native: bool) -> Result<Engine, SandboxError> {
    let mut config = config();
    if !native {
        let target = if cfg!(target_pointer_width = "64") { "pulley64" } else { "pulley32" };
        config.target(target).map_err(SandboxError::Engine)?;
    }
    Engine::new(&config).map_err(SandboxError::Engine)
}

fn config() -> Config {
    let mut config = Config::new();
    config
        .epoch_interruption(true)
        .max_wasm_stack(STACK_BYTES_MAX)
        .memory_reservation(MEMORY_RESERVATION_BYTES)
        // A trap is told in our own words, and collecting frames of a runaway recursion takes time.
        .wasm_backtrace_max_frames(None)
        // The same recording must give the same assessments on every processor.
        .cranelift_nan_canonicalization(true)
        .wasm_relaxed_simd(false)
        .wasm_memory64(false)
        .wasm_tail_call(false)
        .wasm_multi_memory(false)
        // Threads, garbage collection and exceptions are not even compiled in; async is, so it is refused here.
        .concurrency_support(false);
    config
}

/// Moves the engine's epoch on, tick by tick, for as long as anyone holds the engine.
///
/// It sleeps between ticks and never catches up, so a process that was suspended does not find all its
/// deadlines passed.
fn start_clock(engine: EngineWeak) -> std::io::Result<()> {
    thread::Builder::new().name("detector-clock".into()).stack_size(64 << 10).spawn(move || {
        while let Some(engine) = engine.upgrade() {
            engine.increment_epoch();
            drop(engine);
            thread::sleep(TICK);
        }
    })?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clock_ends_with_the_last_clone() {
        let sandbox = Sandbox::new(Execution::Automatic).unwrap();
        let weak = sandbox.engine().weak();
        let clone = sandbox.clone();
        drop(sandbox);
        assert!(weak.upgrade().is_some());
        drop(clone);
        // The clock itself holds the engine for the moment of a tick.
        while weak.upgrade().is_some() {
            thread::yield_now();
        }
    }

    #[test]
    fn both_ways_of_execution_can_be_asked_for() {
        assert!(Sandbox::new(Execution::Native).unwrap().is_native());
        assert!(!Sandbox::new(Execution::Interpreted).unwrap().is_native());
    }
}
