//! What a detector may use, in one place. Whoever writes a detector meets these numbers in its refusals.

use std::time::Duration;

use idlegate_guard::time::Span;

/// How big a file may be, and what compiling it may cost. Looked over before it is compiled, so that most of what
/// cannot be compiled in time is refused at once and in plain words; what still costs too much ends with the compiling
/// process.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FileSize {
    pub bytes_max: usize,
    pub functions_max: usize,
    /// One function is compiled at one go, and the time for it grows faster than its size.
    pub function_bytes_max: usize,
    /// Local variables of one function, parameters aside.
    pub locals_max: usize,
    /// Blocks inside blocks.
    pub nesting_max: usize,
    /// Local variables times blocks of one function: the compiler may have to know each variable at each branch.
    pub crossings_max: usize,
    /// Targets of all the branch tables of one function.
    pub branches_max: usize,
    pub types_max: usize,
    /// Parameters and results of one function or block, which may all pass at each call of two bytes.
    pub values_max: usize,
    pub compiling: CompilingCost,
}

/// What the process that compiles one file may use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CompilingCost {
    pub cpu_time: Duration,
    /// On a computer with too much to do, or a stuck disk, processor time alone would never end.
    pub wall_time: Duration,
    /// Of address space, the program itself and what it has mapped included.
    pub memory_bytes: u64,
    /// Machine code is a small multiple of the module it was made from.
    pub code_bytes: u64,
}

impl FileSize {
    /// Ample for compiled languages: our own detectors have a quarter of a megabyte at most.
    pub const ORDINARY: FileSize = FileSize {
        bytes_max: 4 << 20,
        functions_max: 10_000,
        function_bytes_max: 128 << 10,
        locals_max: 2_000,
        nesting_max: 500,
        crossings_max: 4_000_000,
        branches_max: 20_000,
        types_max: 5_000,
        values_max: 64,
        compiling: CompilingCost {
            cpu_time: Duration::from_secs(10),
            wall_time: Duration::from_secs(30),
            memory_bytes: 256 << 20,
            code_bytes: 32 << 20,
        },
    };
    /// For detectors that bring an interpreter along, where somebody has pinned the file by its SHA-256, and so said
    /// that they trust it.
    pub const LARGE: FileSize = FileSize {
        bytes_max: 32 << 20,
        functions_max: 60_000,
        function_bytes_max: 1 << 20,
        locals_max: 50_000,
        nesting_max: 5_000,
        crossings_max: 100_000_000,
        branches_max: 200_000,
        types_max: 50_000,
        values_max: 500,
        compiling: CompilingCost {
            cpu_time: Duration::from_secs(120),
            wall_time: Duration::from_secs(300),
            memory_bytes: 1 << 30,
            code_bytes: 128 << 20,
        },
    };
}

/// Modules and components inside one file, the nested ones included.
pub(crate) const PARTS_MAX: usize = 64;

/// Memory of one instance, all its linear memories together.
pub(crate) const MEMORY_BYTES_MAX: usize = 16 << 20;
/// Memory of all detectors that are at work, together, unless the rules say otherwise. What a built-in detector starts
/// with is not counted: it is little, and ours.
pub(crate) const MEMORY_TOGETHER_BYTES: usize = idlegate_plan::DETECTOR_MEMORY_BYTES;
/// Entries of all tables of one instance; a detector uses a few hundred.
pub(crate) const TABLE_ELEMENTS_MAX: usize = 20_000;
/// Core instances, tables and memories of one detector: what componentizing makes is below ten,
/// and an interpreter with its libraries is below forty.
pub(crate) const PARTS_ALIVE_MAX: usize = 48;
/// Deep recursion ends here, long before the worker thread's own stack does.
pub(crate) const STACK_BYTES_MAX: usize = 256 << 10;
/// Address space set aside per memory. The default of 4 GiB each runs into the kernel's map count with
/// some thousands of detectors.
pub(crate) const MEMORY_RESERVATION_BYTES: u64 = 4 << 20;
/// What one call may hand back, counted before it is copied.
pub(crate) const ANSWER_BYTES_MAX: usize = 64 << 10;

/// How often running detectors are looked at. Coarse, because it wakes the processor for as long as we run.
pub const TICK: Duration = Duration::from_millis(5);
/// What a call may take before it is looked at more closely. Calls take microseconds.
pub(crate) const CALL_WALL_TIME: Duration = TICK.saturating_mul(CALL_TICKS);
pub(super) const CALL_TICKS: u32 = 10;
/// Past [`CALL_WALL_TIME`] only processor time counts, so that a computer with too much to do blames nobody.
pub const CALL_CPU_TIME: Duration = Duration::from_millis(25);

/// Readings handed over in one call; more are handed over in several, each with its own deadline.
pub(crate) const READINGS_PER_CALL_MAX: usize = 256;
/// A status text longer than this is cut before the detector sees it.
pub(crate) const TEXT_READING_CHARS_MAX: usize = 256;
/// What may wait for one detector. When more comes, it has lost touch and starts from nothing.
pub(crate) const MAILBOX_READINGS_MAX: usize = 4_096;
/// History kept for a detector that has to be rebuilt: by count …
pub(crate) const HISTORY_READINGS_MAX: usize = 4_096;
/// … and by age, longer than any dwell or cooling curve.
pub(crate) const HISTORY_SPAN: Span = Span::secs(2 * 3_600);
/// Detectors installed at once, over all machines.
pub(crate) const INSTALLED_MAX: usize = 4_096;

/// Strikes in a row after which a detector is not run again.
pub(crate) const STRIKES_MAX: u32 = 3;
/// Good answers after which earlier strikes are forgotten. More than one, since a detector that stops at every
/// other call is no use to anyone.
pub(crate) const GOOD_ANSWERS_TO_FORGIVE: u32 = 20;
/// The wait after the first and the second strike.
pub(crate) const BACK_OFF: [Span; 2] = [Span::secs(2), Span::secs(30)];
/// The wait after there was no memory left for it, which is no fault of its own.
pub(crate) const MEMORY_WAIT: Span = Span::secs(30);

/// Signals a detector may declare.
pub const SIGNALS_MAX: usize = 16;
/// A purpose, unit or version, in characters.
pub(crate) const DESCRIPTION_CHARS_MAX: usize = 300;
pub(crate) const SCHEMA_BYTES_MAX: usize = 32 << 10;
pub const SETTINGS_BYTES_MAX: usize = 32 << 10;
/// A reason is spoken aloud: nobody listens to more.
pub(crate) const REASON_CHARS_MAX: usize = 200;
/// What a detector says of its own panic, in characters: it stands within a reason.
pub(crate) const LAST_WORDS_CHARS_MAX: usize = 120;
/// What a detector says about wrong settings, in characters.
pub(crate) const REFUSAL_CHARS_MAX: usize = 400;
pub(crate) const EVIDENCE_MAX: usize = 8;
pub(crate) const EVIDENCE_TEXT_CHARS_MAX: usize = 64;
/// A prediction further away than this is worth nothing and is dropped.
pub(crate) const CLEARS_IN_MAX: Span = Span::secs(7 * 86_400);

/// Compiled detectors kept on disk; the oldest goes first.
pub(crate) const CACHE_ENTRIES_MAX: usize = 64;
/// Of one of them.
pub(crate) const CACHE_ENTRY_BYTES_MAX: u64 = 130 << 20;

/// Threads for detectors of proven conduct.
pub(crate) const FAST_WORKERS: usize = 2;
/// A run longer than this goes on in the slow pool, where it delays only its like.
pub(crate) const SLOW_RUN: Duration = Duration::from_millis(5);
/// Guests use [`STACK_BYTES_MAX`] of it; the rest is ours.
pub(crate) const WORKER_STACK_BYTES: usize = 1 << 20;
