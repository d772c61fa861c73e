//! All that the compiler cannot check for us: the only unsafe code in Idlegate. Three small things that have no safe
//! form.

#![expect(unsafe_code, reason = "each of these has a reason of its own, beside it")]

use std::io;

use wasmtime::Engine;
use wasmtime::component::Component;

/// Makes a component of compiled code, which is run as it is.
///
/// Only for what [`Engine::precompile_component`] gave us for this engine: from the process that we started to compile
/// a file, or from the folder of compiled detectors, which our user alone can write, with a checksum that holds.
/// Anything else would be a program that does as it likes.
pub(super) fn component(engine: &Engine, code: &[u8]) -> wasmtime::Result<Component> {
    // SAFETY: the callers hand over nothing but what the paragraph above allows. Code of another version or another
    // engine is noticed and refused.
    unsafe { Component::deserialize(engine, code) }
}

/// A limit that this process sets itself, and can never raise again.
pub(super) fn limit_myself(resource: Resource, most: u64) -> io::Result<()> {
    let number = match resource {
        Resource::AddressSpace => libc::RLIMIT_AS,
        Resource::CpuSeconds => libc::RLIMIT_CPU,
        Resource::FileBytes => libc::RLIMIT_FSIZE,
        Resource::OpenFiles => libc::RLIMIT_NOFILE,
        Resource::CoreDump => libc::RLIMIT_CORE,
        Resource::Processes => libc::RLIMIT_NPROC,
    };
    let mut limit = libc::rlimit { rlim_cur: libc::RLIM_INFINITY, rlim_max: libc::RLIM_INFINITY };
    // SAFETY: the call writes one structure, which lives until it returns.
    if unsafe { libc::getrlimit(number, &raw mut limit) } != 0 {
        return Err(io::Error::last_os_error());
    }
    // At the lower limit of processor time comes a signal that tells why, at the upper one the end without a word.
    let upper = if matches!(resource, Resource::CpuSeconds) { most.saturating_add(1) } else { most };
    // Whoever started the program may have been stricter; nobody may undo that.
    limit.rlim_max = limit.rlim_max.min(number_of(upper));
    limit.rlim_cur = limit.rlim_max.min(number_of(most));
    // SAFETY: the call reads one structure, which lives until it returns.
    match unsafe { libc::setrlimit(number, &raw const limit) } {
        0 => Ok(()),
        _ => Err(io::Error::last_os_error()),
    }
}

fn number_of(most: u64) -> libc::rlim_t {
    libc::rlim_t::try_from(most).unwrap_or(libc::RLIM_INFINITY)
}

#[derive(Clone, Copy, Debug)]
pub(super) enum Resource {
    AddressSpace,
    CpuSeconds,
    FileBytes,
    OpenFiles,
    CoreDump,
    Processes,
}

/// Closes a descriptor that was handed down to this process, and that nothing in it knows of.
pub(super) fn close_inherited(descriptor: i32) {
    // SAFETY: called once, before this process has opened anything: nothing in it owns the descriptor.
    unsafe { libc::close(descriptor) };
}
