//! One running guest: a store of its own, what it may use, and the only place where its code is entered.

use std::sync::Arc;
use std::time::Duration;

use rustix::time::{ClockId, clock_gettime};
use wasmtime::{ResourceLimiter, Store, UpdateDeadline};

use super::contract_v1::{Detector, DetectorPre, wire};
use super::fault::{Call, Fault, FaultCause, LimitReached};
use super::limits::{
    ANSWER_BYTES_MAX, CALL_CPU_TIME, CALL_TICKS, MEMORY_BYTES_MAX, PARTS_ALIVE_MAX, TABLE_ELEMENTS_MAX,
};
use super::memory::SharedMemory;

/// The next tick may come at once, so one more than the time holds.
const DEADLINE_TICKS: u64 = CALL_TICKS as u64 + 1;

/// A detector's code and memory. After a fault it is never entered again; it is to be thrown away.
pub(super) struct Guest {
    store: Store<Allowance>,
    detector: Detector,
    stopped: bool,
}

impl Guest {
    /// Instantiates it; its start functions run under the same limits as any call.
    pub(super) fn start(pre: &DetectorPre<Allowance>, share: Share) -> Result<Guest, Fault> {
        let mut store = Store::new(pre.engine(), Allowance::new(share));
        store.limiter(|allowance| allowance);
        store.set_hostcall_fuel(ANSWER_BYTES_MAX);
        store.epoch_deadline_callback(|mut context| Ok(context.data_mut().overtime()));
        store.set_epoch_deadline(DEADLINE_TICKS);
        let detector = match pre.instantiate(&mut store) {
            Ok(detector) => detector,
            Err(error) => return Err(Fault::of(Call::Start, &error, store.data_mut().last_words.take())),
        };
        Ok(Guest { store, detector, stopped: false })
    }

    /// Enters the guest for one call with a deadline of its own.
    pub(super) fn call<R>(
        &mut self,
        call: Call,
        enter: impl FnOnce(&wire::Guest, &mut Store<Allowance>) -> wasmtime::Result<R>,
    ) -> Result<R, Fault> {
        if self.stopped {
            return Err(Fault { call, cause: FaultCause::Trap("it had stopped before".into()) });
        }
        let allowance = self.store.data_mut();
        (allowance.overtime_since, allowance.last_words) = (None, None);
        self.store.set_epoch_deadline(DEADLINE_TICKS);
        let answer = enter(self.detector.idlegate_detector_busy_detector(), &mut self.store);
        answer.map_err(|error| {
            self.stopped = true;
            Fault::of(call, &error, self.store.data_mut().last_words.take())
        })
    }
}

/// How a guest's memory counts among that of all detectors.
#[derive(Clone, Debug)]
pub(super) enum Share {
    /// Not at all: it is asked one thing and thrown away.
    Passing,
    /// All of it.
    Whole(Arc<SharedMemory>),
    /// What it grows beyond what it started with.
    Growth(Arc<SharedMemory>),
}

/// What one guest has used of what it may use.
#[derive(Debug)]
pub(super) struct Allowance {
    share: Share,
    /// Taken from what all have together.
    shared_bytes: usize,
    memory_bytes: usize,
    table_elements: usize,
    /// The thread's processor time when the call went past its deadline.
    overtime_since: Option<Duration>,
    /// Why this call is about to trap, by the detector's own word.
    pub(super) last_words: Option<String>,
}

impl Allowance {
    fn new(share: Share) -> Allowance {
        let (overtime_since, last_words) = (None, None);
        Allowance { share, shared_bytes: 0, memory_bytes: 0, table_elements: 0, overtime_since, last_words }
    }

    fn take_share(&mut self, current: usize, more: usize) -> Result<(), LimitReached> {
        let memory = match &self.share {
            Share::Passing => return Ok(()),
            Share::Growth(_) if current == 0 => return Ok(()),
            Share::Whole(memory) | Share::Growth(memory) => memory,
        };
        if !memory.take(more) {
            return Err(LimitReached::MemoryTogether { bytes_max: memory.bytes_max() });
        }
        self.shared_bytes += more;
        Ok(())
    }

    /// The deadline has come, and then each tick after it. On a computer with too much to do, a thread can wait
    /// that long for its turn, so only time that the guest really computed is held against it from here on.
    fn overtime(&mut self) -> UpdateDeadline {
        let used = thread_cpu_time();
        let since = *self.overtime_since.get_or_insert(used);
        if used.saturating_sub(since) >= CALL_CPU_TIME {
            return UpdateDeadline::Interrupt;
        }
        UpdateDeadline::Continue(1)
    }
}

impl ResourceLimiter for Allowance {
    // Past a limit the guest is stopped instead of being told "no": its allocator would only panic, and the
    // reason would be lost.
    fn memory_growing(&mut self, current: usize, desired: usize, _: Option<usize>) -> wasmtime::Result<bool> {
        let more = desired.saturating_sub(current);
        self.memory_bytes = self.memory_bytes.saturating_add(more);
        if self.memory_bytes > MEMORY_BYTES_MAX {
            return Err(LimitReached::Memory.into());
        }
        self.take_share(current, more)?;
        Ok(true)
    }

    fn table_growing(&mut self, current: usize, desired: usize, _: Option<usize>) -> wasmtime::Result<bool> {
        self.table_elements = self.table_elements.saturating_add(desired.saturating_sub(current));
        if self.table_elements > TABLE_ELEMENTS_MAX {
            return Err(LimitReached::Table.into());
        }
        Ok(true)
    }

    fn instances(&self) -> usize {
        PARTS_ALIVE_MAX
    }

    fn tables(&self) -> usize {
        PARTS_ALIVE_MAX
    }

    fn memories(&self) -> usize {
        PARTS_ALIVE_MAX
    }
}

impl Drop for Allowance {
    fn drop(&mut self) {
        match &self.share {
            Share::Passing => {}
            Share::Whole(memory) | Share::Growth(memory) => memory.give_back(self.shared_bytes),
        }
    }
}

/// What this thread has computed so far; waiting does not count.
pub(super) fn thread_cpu_time() -> Duration {
    Duration::try_from(clock_gettime(ClockId::ThreadCPUTime)).unwrap_or_default()
}
