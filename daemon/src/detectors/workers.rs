//! Detectors on threads of their own, so that no detector ever delays the guard, or another machine.
//!
//! Each installed detector has a desk with a bounded mailbox. A desk that has mail and no answer lying on it is
//! queued for a thread; the thread takes all the mail at once, runs the detector outside the lock, and lays the
//! answer on the desk. The owner is woken, and collects. So nothing here can grow without bound and no thread
//! ever waits for the owner: there is at most one answer per desk, and an owner who is slow to collect only
//! finds more mail answered by the next one.
//!
//! Detectors of unproven or bad conduct, and slow ones, are run by one slow thread, where they delay only each
//! other.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fmt;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::{self, JoinHandle};

use super::feed::{Feed, NotInstalled, Place};
use super::guest::thread_cpu_time;
use super::instance::SignalReading;
use super::limits::{
    FAST_WORKERS, INSTALLED_MAX, MAILBOX_READINGS_MAX, READINGS_PER_CALL_MAX, SLOW_RUN, WORKER_STACK_BYTES,
};
use super::seat::{Installation, Seat, Work};
use crate::event::{Assessed, Assessment, DetectorFault, Name};
use crate::time::Moment;

/// Called on a worker's thread whenever an answer is ready to be collected; must return at once.
pub type Wake = Box<dyn Fn() + Send + Sync>;

/// There is no room for another detector.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{max} detectors are installed already", max = INSTALLED_MAX)]
pub struct TooManyInstalled;

/// The threads that run detectors. Dropping it waits for the calls under way, each of which has its deadline.
pub struct Workers {
    shared: Arc<Shared>,
    threads: Vec<JoinHandle<()>>,
}

impl Workers {
    pub fn start(wake: Wake) -> std::io::Result<Workers> {
        let shared = Arc::new(Shared { office: Mutex::default(), work: Condvar::new(), wake });
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
        let mut office = self.shared.lock();
        if let Some(desk) = office.desks.get_mut(&place) {
            desk.succeed(generation, installation);
            return Ok(());
        }
        if office.desks.len() >= INSTALLED_MAX {
            return Err(TooManyInstalled);
        }
        office.desks.insert(place, Desk::new(generation, installation));
        Ok(())
    }

    pub fn remove(&self, place: &Place) {
        let mut office = self.shared.lock();
        office.desks.remove(place);
        office.fast.retain(|queued| queued != place);
        office.slow.retain(|queued| queued != place);
    }

    /// Puts a feed into its detector's mailbox and returns at once.
    pub fn feed(&self, feed: Feed) -> Result<(), NotInstalled> {
        let mut office = self.shared.lock();
        let desk = office.desks.get_mut(&feed.place).ok_or(NotInstalled)?;
        if desk.generation != feed.generation {
            return Err(NotInstalled);
        }
        let place = feed.place.clone();
        desk.mail.take_in(feed);
        office.queue(&place);
        self.shared.work.notify_all();
        Ok(())
    }

    /// Takes the answers that are ready: at most one of each detector, to its newest feed that was run.
    pub fn collect(&self) -> Vec<Assessed> {
        let mut office = self.shared.lock();
        let mut collected = Vec::new();
        for place in std::mem::take(&mut office.answered) {
            if let Some(answer) = office.desks.get_mut(&place).and_then(|desk| desk.answer.take()) {
                collected.push(answer);
                office.queue(&place);
            }
        }
        self.shared.work.notify_all();
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
        self.shared.lock().closing = true;
        self.shared.work.notify_all();
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

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Lane {
    Fast,
    Slow,
}

struct Shared {
    office: Mutex<Office>,
    work: Condvar,
    wake: Wake,
}

#[derive(Default)]
struct Office {
    desks: BTreeMap<Place, Desk>,
    fast: VecDeque<Place>,
    slow: VecDeque<Place>,
    /// Places whose desk has, or had, an answer lying on it.
    answered: BTreeSet<Place>,
    closing: bool,
}

struct Desk {
    generation: u64,
    signals: Arc<[Name]>,
    /// Away while a worker runs it.
    seat: Option<Box<Seat>>,
    /// Takes the seat when it comes back.
    successor: Option<Installation>,
    mail: Mail,
    answer: Option<Assessed>,
    queued: bool,
    lane: Lane,
}

/// Everything that came for one detector since it was last run: one run answers all of it.
#[derive(Default)]
struct Mail {
    readings: VecDeque<SignalReading>,
    lost: usize,
    /// The newest feed and its time; none, and nobody waits for an answer.
    question: Option<(u64, Moment)>,
}

/// A detector taken away from its desk to be run.
struct Errand {
    place: Place,
    generation: u64,
    seat: Box<Seat>,
    feed: u64,
    work: Work,
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
            self.lock().bring_back(errand, outcome, slow);
            self.work.notify_all();
            (self.wake)();
        }
    }

    /// Waits for something to do; nothing when it is time to go home.
    fn next_errand(&self, lane: Lane) -> Option<Errand> {
        let mut office = self.lock();
        loop {
            if office.closing {
                return None;
            }
            if let Some(errand) = office.take_errand(lane) {
                return Some(errand);
            }
            office = self.work.wait(office).unwrap_or_else(PoisonError::into_inner);
        }
    }
}

impl Office {
    /// Puts a desk into a lane, if there is something to do and nothing in the way.
    fn queue(&mut self, place: &Place) {
        let Some(desk) = self.desks.get_mut(place) else { return };
        let ready = desk.seat.is_some() && desk.answer.is_none() && desk.mail.question.is_some();
        if !ready || desk.queued {
            return;
        }
        desk.queued = true;
        // Much mail is much work, whoever does it.
        let lane = if desk.mail.readings.len() > READINGS_PER_CALL_MAX { Lane::Slow } else { desk.lane };
        self.lane(lane).push_back(place.clone());
    }

    fn take_errand(&mut self, lane: Lane) -> Option<Errand> {
        loop {
            let place = self.lane(lane).pop_front()?;
            let Some(desk) = self.desks.get_mut(&place) else { continue };
            desk.queued = false;
            // A desk whose detector was replaced after it was queued has no question, and may be without a seat.
            let Some((feed, assess_at)) = desk.mail.question else { continue };
            let Some(seat) = desk.seat.take() else { continue };
            let Mail { readings, lost, .. } = std::mem::take(&mut desk.mail);
            let work = Work { readings: readings.into(), assess_at, lost };
            return Some(Errand { place, generation: desk.generation, seat, feed, work });
        }
    }

    fn bring_back(&mut self, errand: Errand, outcome: Result<Assessment, DetectorFault>, slow: bool) {
        let Errand { place, generation, seat, feed, work } = errand;
        let Some(desk) = self.desks.get_mut(&place) else { return };
        if let Some(successor) = desk.successor.take() {
            desk.seat = Some(Box::new(seat.succeeded_by(successor)));
            self.queue(&place);
            return;
        }
        if desk.generation != generation || desk.seat.is_some() {
            return;
        }
        desk.lane = if slow || !seat.is_proven() { Lane::Slow } else { Lane::Fast };
        desk.seat = Some(seat);
        let Place { machine, detector } = place.clone();
        desk.answer = Some(Assessed { machine, detector, generation, feed, at: work.assess_at, outcome });
        self.answered.insert(place);
    }

    fn lane(&mut self, lane: Lane) -> &mut VecDeque<Place> {
        match lane {
            Lane::Fast => &mut self.fast,
            Lane::Slow => &mut self.slow,
        }
    }
}

impl Desk {
    fn new(generation: u64, installation: Installation) -> Desk {
        Desk {
            generation,
            signals: installation.signals.clone(),
            seat: Some(Box::new(Seat::new(installation))),
            successor: None,
            mail: Mail::default(),
            answer: None,
            queued: false,
            // Until it has shown what it is.
            lane: Lane::Slow,
        }
    }

    /// Another detector takes over. What the one before was asked is no longer wanted; what it was shown is.
    fn succeed(&mut self, generation: u64, installation: Installation) {
        if self.signals != installation.signals {
            self.mail = Mail::default();
        }
        self.generation = generation;
        self.signals = installation.signals.clone();
        self.mail.question = None;
        self.answer = None;
        self.lane = Lane::Slow;
        match self.seat.take() {
            Some(seat) => self.seat = Some(Box::new(seat.succeeded_by(installation))),
            None => self.successor = Some(installation),
        }
    }
}

impl Mail {
    fn take_in(&mut self, feed: Feed) {
        self.question = Some((feed.feed, feed.assess_at));
        self.readings.extend(feed.readings);
        let surplus = self.readings.len().saturating_sub(MAILBOX_READINGS_MAX);
        self.readings.drain(..surplus);
        self.lost = self.lost.saturating_add(surplus);
    }
}
