//! Compiling a detector's file in a process of its own, which may fail, be too slow or eat too much without anybody
//! noticing.
//!
//! A file of five kilobytes can cost the compiler a minute or gigabytes of memory, and nothing can stop it from inside.
//! So the program is started a second time, for this one file: with limits that it cannot raise, nothing in its
//! environment, nothing open but the exchange (a piece of memory that holds the file first and the outcome afterwards),
//! and as the first to be killed should memory run short. [`Compiler`] is the near side, [`asked`] the far one.

mod far;

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::os::unix::process::ExitStatusExt;
use std::path::PathBuf;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use rustix::fs::{MemfdFlags, memfd_create};

pub use far::asked;
pub(super) use far::compile as compile_here;
#[cfg(test)]
pub(super) use far::compile_what_is_there;

use super::limits::{CompilingCost, FileSize};
use super::module::LoadError;
use idlegate_plan::text::tame;

/// What the program is called with. In the tests of this library the program is their own runner, and this is a test.
const ARGUMENTS: &[&str] = if cfg!(test) {
    &["tests::compiling::the_far_side", "--exact", "--ignored", "--nocapture", "--test-threads=1"]
} else {
    &[far::ARGUMENT]
};

/// How often the compiling process is looked after.
const LOOK_EVERY: Duration = Duration::from_millis(2);
/// Of what it said when it died.
const LAST_WORDS_BYTES_MAX: u64 = 4_096;

/// Where files are compiled.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Compiler {
    /// In a process of its own, from this program. Without one it is the running program itself, even if its file has
    /// been replaced meanwhile by a newer one.
    Apart { program: Option<PathBuf> },
    /// In this process, without any limit: for those who compile their own files or files without number.
    Here,
}

/// For whom it is compiled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Order {
    /// Machine code, else code for the interpreter.
    pub(super) native: bool,
    pub(super) size: FileSize,
    /// Whoever waits for it has something better to do from then on.
    pub(super) until: Option<Instant>,
}

/// Compiles a file in a process of its own.
pub(super) fn compile_apart(
    program: Option<&PathBuf>,
    file: &[u8],
    order: Order,
) -> Result<Vec<u8>, LoadError> {
    let cost = order.size.compiling;
    let no_compiler = |why: io::Error| LoadError::NoCompiler(why.to_string());
    let mut exchange = memory_file().map_err(no_compiler)?;
    let words = memory_file().map_err(no_compiler)?;
    exchange.write_all(&far::request(order)).and_then(|()| exchange.write_all(file)).map_err(no_compiler)?;
    exchange.seek(SeekFrom::Start(0)).map_err(no_compiler)?;
    // The link leads to the very program that runs, whatever lies in its place by now.
    let program = program.cloned().unwrap_or_else(|| PathBuf::from("/proc/self/exe"));
    let mut child = Command::new(program)
        .args(ARGUMENTS)
        .env_clear()
        .current_dir("/")
        .stdin(exchange.try_clone().map_err(no_compiler)?)
        .stdout(Stdio::null())
        .stderr(words.try_clone().map_err(no_compiler)?)
        .spawn()
        .map_err(no_compiler)?;
    let ended = wait(&mut child, cost, order.until).map_err(no_compiler)?;
    // It is gone, so nobody else writes to the exchange.
    match ended {
        Ended::By(status) if status.success() => outcome(exchange, cost),
        Ended::By(status) => Err(died(status, &last_words(words), cost)),
        Ended::TooSlow => Err(LoadError::TooSlow(cost.wall_time)),
        Ended::PutOff => Err(LoadError::PutOff),
    }
}

fn memory_file() -> io::Result<File> {
    Ok(File::from(memfd_create("detector", MemfdFlags::CLOEXEC)?))
}

enum Ended {
    By(ExitStatus),
    TooSlow,
    PutOff,
}

fn wait(child: &mut Child, cost: CompilingCost, until: Option<Instant>) -> io::Result<Ended> {
    let begun = Instant::now();
    loop {
        if let Some(status) = child.try_wait()? {
            return Ok(Ended::By(status));
        }
        let late = begun.elapsed() > cost.wall_time;
        let put_off = until.is_some_and(|until| Instant::now() > until);
        if late || put_off {
            child.kill()?;
            child.wait()?;
            return Ok(if late { Ended::TooSlow } else { Ended::PutOff });
        }
        thread::sleep(LOOK_EVERY);
    }
}

fn outcome(mut exchange: File, cost: CompilingCost) -> Result<Vec<u8>, LoadError> {
    let unreadable = |why: io::Error| LoadError::CompilerFailed(why.to_string());
    exchange.seek(SeekFrom::Start(0)).map_err(unreadable)?;
    let mut answer = Vec::new();
    exchange.take(cost.code_bytes.saturating_add(64)).read_to_end(&mut answer).map_err(unreadable)?;
    far::answer(answer)
}

fn last_words(mut words: File) -> String {
    let mut said = Vec::new();
    // Where nothing can be read, it said nothing.
    let _ =
        words.seek(SeekFrom::Start(0)).and_then(|_| words.take(LAST_WORDS_BYTES_MAX).read_to_end(&mut said));
    String::from_utf8_lossy(&said).into_owned()
}

/// Why it came to a bad end, as far as that shows.
fn died(status: ExitStatus, last_words: &str, cost: CompilingCost) -> LoadError {
    const OVERFLOW: &str = "overflowed its stack";
    const NO_MEMORY: &str = "memory allocation of";
    match status.signal() {
        Some(libc::SIGXCPU) => LoadError::TooSlow(cost.cpu_time),
        Some(libc::SIGXFSZ) => LoadError::CodeTooLong(cost.code_bytes),
        Some(libc::SIGABRT | libc::SIGSEGV | libc::SIGBUS) if last_words.contains(OVERFLOW) => {
            LoadError::TooDeep
        }
        Some(libc::SIGABRT) if last_words.contains(NO_MEMORY) => LoadError::TooMuchMemory(cost.memory_bytes),
        Some(libc::SIGSEGV) => LoadError::TooDeep,
        Some(libc::SIGKILL) => LoadError::Killed,
        Some(libc::SIGSYS) => {
            LoadError::NoCompiler("the system call filter of the service forbids it".to_owned())
        }
        Some(signal) => {
            LoadError::CompilerFailed(format!("ended by signal {signal}: {}", tame(last_words, 160)))
        }
        None => LoadError::CompilerFailed(format!("{status}: {}", tame(last_words, 160))),
    }
}
