//! Detectors on threads of their own, so that no detector ever delays the guard, or another machine.
//!
//! A thread takes a detector with all of its mailbox from the [scheduler](super::scheduler), runs it outside the lock,
//! and brings it back with the answer. The owner is woken, and collects; no thread ever waits for the owner.
//!
//! Detectors of unproven or bad conduct, and slow ones, are run by one slow thread, where they delay only each
//! other.

use std::fmt;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::{self, JoinHandle};

use super::guest::thread_cpu_time;
use super::limits::{FAST_WORKERS, SLOW_RUN, WORKER_STACK_BYTES};
use super::runner::Installation;
use super::scheduler::{Job, NewWork, NotInstalled, Pool, Scheduler, TooManyInstalled};
use idlegate_plan::event::{Assessed, DetectorId, Feed};

/// Called on a worker's thread whenever an answer is ready to be collected; must return at once.
pub type Wake = Box<dyn Fn() + Send + Sync>;

/// The threads that run detectors. Dropping it waits for the calls under way, each of which has its deadline.
pub struct Workers {
    shared: Arc<Shared>,
    threads: Vec<JoinHandle<()>>,
}

impl Workers {
    pub fn start(wake: Wake) -> std::io::Result<Workers> {
        let shared = Arc::new(Shared {
            scheduler: Mutex::default(),
            fast: Condvar::new(),
            slow: Condvar::new(),
            wake,
        });
        let mut workers = Workers { shared, threads: Vec::new() };
        for number in 0..FAST_WORKERS {
            workers.start_thread(format!("detectors-{number}"), Pool::Fast)?;
        }
        workers.start_thread("detectors-slow".into(), Pool::Slow)?;
        Ok(workers)
    }

    /// Sets a detector to work, in place of the one that was there, whose history it takes over if it reads the
    /// same signals. It is started by a worker with the first feed; a refusal is the answer to that.
    pub fn install(
        &self,
        id: DetectorId,
        generation: u64,
        installation: Installation,
    ) -> Result<(), TooManyInstalled> {
        self.shared.lock().install(id, generation, installation)
    }

    pub fn remove(&self, id: &DetectorId) {
        self.shared.lock().remove(id);
    }

    /// Puts a feed into its detector's mailbox and returns at once.
    pub fn feed(&self, feed: Feed) -> Result<(), NotInstalled> {
        let mut scheduler = self.shared.lock();
        let fed = scheduler.feed(feed);
        self.shared.call_workers(scheduler);
        fed
    }

    /// Takes the answers that are ready: at most one of each detector, to its newest feed that was run.
    pub fn collect(&self) -> Vec<Assessed> {
        let mut scheduler = self.shared.lock();
        let collected = scheduler.collect();
        // Slots with a full mailbox have been waiting for this.
        self.shared.call_workers(scheduler);
        collected
    }

    fn start_thread(&mut self, name: String, pool: Pool) -> std::io::Result<()> {
        let shared = self.shared.clone();
        let worker = thread::Builder::new().name(name).stack_size(WORKER_STACK_BYTES);
        self.threads.push(worker.spawn(move || shared.work_in(pool))?);
        Ok(())
    }
}

impl Drop for Workers {
    fn drop(&mut self) {
        self.shared.lock().close();
        self.shared.fast.notify_all();
        self.shared.slow.notify_all();
        for thread in self.threads.drain(..) {
            // A worker that panicked has been reported by the panic itself.
            let _ = thread.join();
        }
    }
}

impl fmt::Debug for Workers {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Workers").field("threads", &self.threads.len()).finish_non_exhaustive()
    }
}

struct Shared {
    scheduler: Mutex<Scheduler>,
    fast: Condvar,
    slow: Condvar,
    wake: Wake,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Scheduler> {
        // Nothing that can panic runs under this lock, and a lost answer is better than a lost guard.
        self.scheduler.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn work_in(&self, pool: Pool) {
        while let Some(mut job) = self.next_job(pool) {
            let started = thread_cpu_time();
            let run = catch_unwind(AssertUnwindSafe(|| job.runner.run(&job.work)));
            let outcome = run.unwrap_or_else(|_| Err(job.runner.give_up()));
            let slow = thread_cpu_time().saturating_sub(started) > SLOW_RUN;
            let mut scheduler = self.lock();
            scheduler.finished(job, outcome, slow);
            self.call_workers(scheduler);
            (self.wake)();
        }
    }

    /// Waits for something to do; nothing when it is time to go home.
    fn next_job(&self, pool: Pool) -> Option<Job> {
        let mut scheduler = self.lock();
        loop {
            if scheduler.closing() {
                return None;
            }
            if let Some(job) = scheduler.next_job(pool) {
                return Some(job);
            }
            let pool = match pool {
                Pool::Fast => &self.fast,
                Pool::Slow => &self.slow,
            };
            scheduler = pool.wait(scheduler).unwrap_or_else(PoisonError::into_inner);
        }
    }

    /// As many as there is new work for, and no more: whoever wakes in vain keeps the guard from its turn. A worker
    /// that does not wait now looks for work before it does.
    fn call_workers(&self, mut scheduler: MutexGuard<'_, Scheduler>) {
        let NewWork { fast, slow } = scheduler.count_new_work();
        drop(scheduler);
        for _ in 0..fast.min(FAST_WORKERS) {
            self.fast.notify_one();
        }
        if slow > 0 {
            self.slow.notify_one();
        }
    }
}
