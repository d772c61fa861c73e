//! What a detector may use, in one place. Whoever writes a detector meets these numbers in its refusals.

use std::time::Duration;

use crate::time::Span;

/// How big a file may be to be compiled. Compiling is the one step without a deadline: 857 KiB of tiny functions
/// took 2.1 s and 860 MiB of memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FileSize {
    pub bytes_max: usize,
    pub functions_max: usize,
    /// One function is compiled at one go, and the time for it grows faster than its size.
    pub function_bytes_max: usize,
}

impl FileSize {
    /// Ample for compiled languages: our own detectors have a quarter of a megabyte at most.
    pub const ORDINARY: FileSize =
        FileSize { bytes_max: 4 << 20, functions_max: 10_000, function_bytes_max: 128 << 10 };
    /// For detectors that bring an interpreter along, where somebody has pinned the file by its SHA-256, and so said
    /// that they trust it.
    pub const LARGE: FileSize =
        FileSize { bytes_max: 32 << 20, functions_max: 60_000, function_bytes_max: 1 << 20 };
}

/// Modules and components inside one file, the nested ones included.
pub const PARTS_MAX: usize = 64;

/// Memory of one instance, all its linear memories together.
pub const MEMORY_BYTES_MAX: usize = 16 << 20;
/// Entries of all tables of one instance; a detector uses a few hundred.
pub const TABLE_ELEMENTS_MAX: usize = 20_000;
/// Core instances, tables and memories of one detector: what componentizing makes is below ten,
/// and an interpreter with its libraries is below forty.
pub const PARTS_ALIVE_MAX: usize = 48;
/// Deep recursion ends here, long before the worker thread's own stack does.
pub const STACK_BYTES_MAX: usize = 256 << 10;
/// Address space set aside per memory. The default of 4 GiB each runs into the kernel's map count with
/// some thousands of detectors.
pub const MEMORY_RESERVATION_BYTES: u64 = 4 << 20;
/// What one call may hand back, counted before it is copied.
pub const ANSWER_BYTES_MAX: usize = 64 << 10;

/// How often running detectors are looked at. Coarse, because it wakes the processor for as long as we run.
pub const TICK: Duration = Duration::from_millis(5);
/// What a call may take before it is looked at more closely. Calls take microseconds.
pub const CALL_WALL_TIME: Duration = TICK.saturating_mul(CALL_TICKS);
pub(super) const CALL_TICKS: u32 = 10;
/// Past [`CALL_WALL_TIME`] only processor time counts, so that a computer with too much to do blames nobody.
pub const CALL_CPU_TIME: Duration = Duration::from_millis(25);

/// Readings handed over in one call; more are handed over in several, each with its own deadline.
pub const READINGS_PER_CALL_MAX: usize = 256;
/// A status text longer than this is cut before the detector sees it.
pub const TEXT_READING_CHARS_MAX: usize = 256;
/// What may wait for one detector. When more comes, it has lost touch and starts from nothing.
pub const MAILBOX_READINGS_MAX: usize = 4_096;
/// History kept for a detector that has to be rebuilt: by count …
pub const HISTORY_READINGS_MAX: usize = 4_096;
/// … and by age, longer than any dwell or cooling curve.
pub const HISTORY_SPAN: Span = Span::secs(2 * 3_600);
/// Detectors installed at once, over all machines.
pub const INSTALLED_MAX: usize = 4_096;

/// Strikes in a row after which a detector is not run again.
pub const STRIKES_MAX: u32 = 3;
/// Good answers after which earlier strikes are forgotten. More than one, since a detector that stops at every
/// other call is no use to anyone.
pub const GOOD_ANSWERS_TO_FORGIVE: u32 = 20;
/// The wait after the first and the second strike.
pub const BACK_OFF: [Span; 2] = [Span::secs(2), Span::secs(30)];

/// Signals a detector may declare.
pub const SIGNALS_MAX: usize = 16;
/// A purpose, unit or version, in characters.
pub const DESCRIPTION_CHARS_MAX: usize = 300;
pub const SCHEMA_BYTES_MAX: usize = 32 << 10;
pub const SETTINGS_BYTES_MAX: usize = 32 << 10;
/// A reason is spoken aloud: nobody listens to more.
pub const REASON_CHARS_MAX: usize = 200;
/// What a detector says about wrong settings, in characters.
pub const REFUSAL_CHARS_MAX: usize = 400;
pub const EVIDENCE_MAX: usize = 8;
pub const EVIDENCE_TEXT_CHARS_MAX: usize = 64;
/// A prediction further away than this is worth nothing and is dropped.
pub const CLEARS_IN_MAX: Span = Span::secs(7 * 86_400);

/// Compiled detectors kept on disk; the oldest goes first.
pub const CACHE_ENTRIES_MAX: usize = 64;
/// Machine code is a small multiple of the module it was made from.
pub const CACHE_ENTRY_BYTES_MAX: u64 = 128 << 20;

/// Threads for detectors of proven conduct.
pub const FAST_WORKERS: usize = 2;
/// A run longer than this goes on in the slow lane, where it delays only its like.
pub const SLOW_RUN: Duration = Duration::from_millis(5);
/// Guests use [`STACK_BYTES_MAX`] of it; the rest is ours.
pub const WORKER_STACK_BYTES: usize = 1 << 20;
