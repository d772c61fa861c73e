//! Detectors on threads of their own, so that no detector ever delays the guard, or another machine.
//!
//! A thread takes a detector with all its mail from the [office](super::office), runs it outside the lock, and
//! brings it back with the answer. The owner is woken, and collects; no thread ever waits for the owner.
//!
//! Detectors of unproven or bad conduct, and slow ones, are run by one slow thread, where they delay only each
//! other.

use std::fmt;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::{self, JoinHandle};

use super::feed::{Feed, NotInstalled, Place};
use super::guest::thread_cpu_time;
use super::limits::{FAST_WORKERS, SLOW_RUN, WORKER_STACK_BYTES};
use super::office::{Errand, Lane, NewWork, Office, TooManyInstalled};
use super::seat::Installation;
use crate::event::Assessed;

/// Called on a worker's thread whenever an answer is ready to be collected; must return at once.
pub type Wake = Box<dyn Fn() + Send + Sync>;

/// The threads that run detectors. Dropping it waits for the calls under way, each of which has its deadline.
pub struct Workers {
    shared: Arc<Shared>,
    threads: Vec<JoinHandle<()>>,
}

impl Workers {
    pub fn start(wake: Wake) -> std::io::Result<Workers> {
        let shared =
            Arc::new(Shared { office: Mutex::default(), fast: Condvar::new(), slow: Condvar::new(), wake });
        let mut workers = Workers { shared, threads: Vec::new() };
        for number in 0..FAST_WORKERS {
            workers.hire(format!("detectors-{number}"), Lane::Fast)?;
        }
        workers.hire("detectors-slow".into(), Lane::Slow)?;
        Ok(workers)
    }

    /// Sets a detector to work, in place of the one that was there, whose history it takes over if it reads the
    /// same signals. It is started by a worker with the first feed; a refusal is the answer to that.
    pub fn install(
        &self,
        place: Place,
        generation: u64,
        installation: Installation,
    ) -> Result<(), TooManyInstalled> {
        self.shared.lock().install(place, generation, installation)
    }

    pub fn remove(&self, place: &Place) {
        self.shared.lock().remove(place);
    }

    /// Puts a feed into its detector's mailbox and returns at once.
    pub fn feed(&self, feed: Feed) -> Result<(), NotInstalled> {
        let mut office = self.shared.lock();
        let fed = office.feed(feed);
        self.shared.call_workers(office);
        fed
    }

    /// Takes the answers that are ready: at most one of each detector, to its newest feed that was run.
    pub fn collect(&self) -> Vec<Assessed> {
        let mut office = self.shared.lock();
        let collected = office.collect();
        // Desks with more mail have been waiting for this.
        self.shared.call_workers(office);
        collected
    }

    fn hire(&mut self, name: String, lane: Lane) -> std::io::Result<()> {
        let shared = self.shared.clone();
        let worker = thread::Builder::new().name(name).stack_size(WORKER_STACK_BYTES);
        self.threads.push(worker.spawn(move || shared.work_in(lane))?);
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
    office: Mutex<Office>,
    fast: Condvar,
    slow: Condvar,
    wake: Wake,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Office> {
        // Nothing that can panic runs under this lock, and a lost answer is better than a lost guard.
        self.office.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn work_in(&self, lane: Lane) {
        while let Some(mut errand) = self.next_errand(lane) {
            let started = thread_cpu_time();
            let run = catch_unwind(AssertUnwindSafe(|| errand.seat.run(&errand.work)));
            let outcome = run.unwrap_or_else(|_| Err(errand.seat.give_up()));
            let slow = thread_cpu_time().saturating_sub(started) > SLOW_RUN;
            let mut office = self.lock();
            office.bring_back(errand, outcome, slow);
            self.call_workers(office);
            (self.wake)();
        }
    }

    /// Waits for something to do; nothing when it is time to go home.
    fn next_errand(&self, lane: Lane) -> Option<Errand> {
        let mut office = self.lock();
        loop {
            if office.closing() {
                return None;
            }
            if let Some(errand) = office.take_errand(lane) {
                return Some(errand);
            }
            let lane = match lane {
                Lane::Fast => &self.fast,
                Lane::Slow => &self.slow,
            };
            office = lane.wait(office).unwrap_or_else(PoisonError::into_inner);
        }
    }

    /// As many as there is new work for, and no more: whoever wakes in vain keeps the guard from its turn. A worker that does not
    /// wait now looks for work before it does.
    fn call_workers(&self, mut office: MutexGuard<'_, Office>) {
        let NewWork { fast, slow } = office.take_new_work();
        drop(office);
        for _ in 0..fast.min(FAST_WORKERS) {
            self.fast.notify_one();
        }
        if slow > 0 {
            self.slow.notify_one();
        }
    }
}
