//! One running guest: a store of its own, what it may use, and the only place where its code is entered.

use std::time::Duration;

use rustix::time::{ClockId, clock_gettime};
use wasmtime::{ResourceLimiter, Store, UpdateDeadline};

use super::contract_v1::{Detector, DetectorPre, wire};
use super::fault::{Call, Cause, Fault, LimitReached};
use super::limits::{
    ANSWER_BYTES_MAX, CALL_CPU_TIME, CALL_TICKS, MEMORY_BYTES_MAX, PARTS_ALIVE_MAX, TABLE_ELEMENTS_MAX,
};

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
    pub(super) fn start(pre: &DetectorPre<Allowance>) -> Result<Guest, Fault> {
        let mut store = Store::new(pre.engine(), Allowance::default());
        store.limiter(|allowance| allowance);
        store.set_hostcall_fuel(ANSWER_BYTES_MAX);
        store.epoch_deadline_callback(|mut context| Ok(context.data_mut().overtime()));
        store.set_epoch_deadline(DEADLINE_TICKS);
        let detector = pre.instantiate(&mut store).map_err(|error| Fault::of(Call::Start, &error))?;
        Ok(Guest { store, detector, stopped: false })
    }

    /// Enters the guest for one call with a deadline of its own.
    pub(super) fn call<R>(
        &mut self,
        call: Call,
        enter: impl FnOnce(&wire::Guest, &mut Store<Allowance>) -> wasmtime::Result<R>,
    ) -> Result<R, Fault> {
        if self.stopped {
            return Err(Fault { call, cause: Cause::Trap("it had stopped before".into()) });
        }
        self.store.data_mut().overtime_since = None;
        self.store.set_epoch_deadline(DEADLINE_TICKS);
        let answer = enter(self.detector.idlegate_detector_busy_detector(), &mut self.store);
        answer.map_err(|error| {
            self.stopped = true;
            Fault::of(call, &error)
        })
    }
}

/// What one guest has used of what it may use.
#[derive(Debug, Default)]
pub(super) struct Allowance {
    memory_bytes: usize,
    table_elements: usize,
    /// The thread's processor time when the call went past its deadline.
    overtime_since: Option<Duration>,
}

impl Allowance {
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
        self.memory_bytes = self.memory_bytes.saturating_add(desired.saturating_sub(current));
        if self.memory_bytes > MEMORY_BYTES_MAX {
            return Err(LimitReached::Memory.into());
        }
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

/// What this thread has computed so far; waiting does not count.
pub(super) fn thread_cpu_time() -> Duration {
    Duration::try_from(clock_gettime(ClockId::ThreadCPUTime)).unwrap_or_default()
}
