//! Which detector runs next: a slot for each installed detector, with its mailbox and its answer. No threads in here.
//!
//! A slot whose mailbox asks something, and whose last answer has been collected, is queued for one of two pools of
//! threads. Taken from there, a detector gets all of its mailbox at once; its answer stays in the slot until it is
//! collected. So nothing can grow without bound: there is at most one answer for each slot, and an owner who is slow to
//! collect finds that the next answer covers more.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

use super::instance::SignalReading;
use super::limits::{INSTALLED_MAX, MAILBOX_READINGS_MAX, READINGS_PER_CALL_MAX};
use super::runner::{Installation, Runner, Work};
use idlegate_guard::time::Moment;
use idlegate_plan::event::{Assessed, Assessment, DetectorFault, DetectorId, Feed, Name};

/// There is no room for another detector.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{max} detectors are installed already", max = INSTALLED_MAX)]
pub struct TooManyInstalled;

/// A feed found nobody to take it: its detector was never installed there, or has been replaced.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("no such detector is installed")]
pub struct NotInstalled;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Pool {
    Fast,
    Slow,
}

#[derive(Default)]
pub(super) struct Scheduler {
    slots: BTreeMap<DetectorId, Slot>,
    fast: VecDeque<DetectorId>,
    slow: VecDeque<DetectorId>,
    /// Detectors whose slot holds, or held, an answer.
    answered: BTreeSet<DetectorId>,
    /// Slots that were queued since somebody asked.
    new: NewWork,
    closing: bool,
}

/// How many slots were queued for each pool.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct NewWork {
    pub(super) fast: usize,
    pub(super) slow: usize,
}

struct Slot {
    generation: u64,
    signals: Arc<[Name]>,
    /// Away while a worker runs it.
    runner: Option<Box<Runner>>,
    /// Takes the runner when it comes back.
    successor: Option<Installation>,
    mailbox: Mailbox,
    answer: Option<Assessed>,
    queued: bool,
    pool: Pool,
}

/// Everything that came for one detector since it was last run: one run answers all of it.
#[derive(Default)]
struct Mailbox {
    readings: VecDeque<SignalReading>,
    lost: usize,
    /// The newest feed and its time; none, and nobody waits for an answer.
    question: Option<(u64, Moment)>,
}

/// A detector taken out of its slot to be run.
pub(super) struct Job {
    id: DetectorId,
    generation: u64,
    pub(super) runner: Box<Runner>,
    feed: u64,
    pub(super) work: Work,
}

impl Scheduler {
    pub(super) fn install(
        &mut self,
        id: DetectorId,
        generation: u64,
        installation: Installation,
    ) -> Result<(), TooManyInstalled> {
        if let Some(slot) = self.slots.get_mut(&id) {
            slot.succeed(generation, installation);
            return Ok(());
        }
        if self.slots.len() >= INSTALLED_MAX {
            return Err(TooManyInstalled);
        }
        self.slots.insert(id, Slot::new(generation, installation));
        Ok(())
    }

    pub(super) fn remove(&mut self, id: &DetectorId) {
        self.slots.remove(id);
        self.fast.retain(|queued| queued != id);
        self.slow.retain(|queued| queued != id);
    }

    pub(super) fn feed(&mut self, feed: Feed) -> Result<(), NotInstalled> {
        let slot = self.slots.get_mut(&feed.id).ok_or(NotInstalled)?;
        if slot.generation != feed.generation {
            return Err(NotInstalled);
        }
        let id = feed.id.clone();
        slot.mailbox.put(feed);
        self.queue(&id);
        Ok(())
    }

    pub(super) fn collect(&mut self) -> Vec<Assessed> {
        let mut collected = Vec::new();
        for id in std::mem::take(&mut self.answered) {
            if let Some(answer) = self.slots.get_mut(&id).and_then(|slot| slot.answer.take()) {
                collected.push(answer);
                self.queue(&id);
            }
        }
        collected
    }

    pub(super) fn close(&mut self) {
        self.closing = true;
    }

    pub(super) fn closing(&self) -> bool {
        self.closing
    }

    /// Queues a slot, if there is something to do and nothing in the way.
    fn queue(&mut self, id: &DetectorId) {
        let Some(slot) = self.slots.get_mut(id) else { return };
        let ready = slot.runner.is_some() && slot.answer.is_none() && slot.mailbox.question.is_some();
        if !ready || slot.queued {
            return;
        }
        slot.queued = true;
        // Many readings are much work, whichever detector they are for.
        let pool = if slot.mailbox.readings.len() > READINGS_PER_CALL_MAX { Pool::Slow } else { slot.pool };
        match pool {
            Pool::Fast => self.new.fast += 1,
            Pool::Slow => self.new.slow += 1,
        }
        self.pool(pool).push_back(id.clone());
    }

    /// What has been queued since this was asked last.
    pub(super) fn count_new_work(&mut self) -> NewWork {
        std::mem::take(&mut self.new)
    }

    pub(super) fn next_job(&mut self, pool: Pool) -> Option<Job> {
        loop {
            let id = self.pool(pool).pop_front()?;
            let Some(slot) = self.slots.get_mut(&id) else { continue };
            slot.queued = false;
            // A slot whose detector was replaced after it was queued has no question, and may be without a runner.
            let Some((feed, assess_at)) = slot.mailbox.question else { continue };
            let Some(runner) = slot.runner.take() else { continue };
            let Mailbox { readings, lost, .. } = std::mem::take(&mut slot.mailbox);
            let work = Work { readings: readings.into(), assess_at, lost };
            return Some(Job { id, generation: slot.generation, runner, feed, work });
        }
    }

    pub(super) fn finished(&mut self, job: Job, outcome: Result<Assessment, DetectorFault>, slow: bool) {
        let Job { id, generation, runner, feed, work } = job;
        let Some(slot) = self.slots.get_mut(&id) else { return };
        if let Some(successor) = slot.successor.take() {
            slot.runner = Some(Box::new(runner.succeeded_by(successor)));
            self.queue(&id);
            return;
        }
        if slot.generation != generation || slot.runner.is_some() {
            return;
        }
        slot.pool = if slow || !runner.is_proven() { Pool::Slow } else { Pool::Fast };
        slot.runner = Some(runner);
        let DetectorId { machine, detector } = id.clone();
        slot.answer = Some(Assessed { machine, detector, generation, feed, at: work.assess_at, outcome });
        self.answered.insert(id);
    }

    fn pool(&mut self, pool: Pool) -> &mut VecDeque<DetectorId> {
        match pool {
            Pool::Fast => &mut self.fast,
            Pool::Slow => &mut self.slow,
        }
    }
}

impl Slot {
    fn new(generation: u64, installation: Installation) -> Slot {
        Slot {
            generation,
            signals: installation.signals.clone(),
            runner: Some(Box::new(Runner::new(installation))),
            successor: None,
            mailbox: Mailbox::default(),
            answer: None,
            queued: false,
            // Until it has shown what it is.
            pool: Pool::Slow,
        }
    }

    /// Another detector takes over. What the one before was asked is no longer wanted; what it was shown is.
    fn succeed(&mut self, generation: u64, installation: Installation) {
        if self.signals != installation.signals {
            self.mailbox = Mailbox::default();
        }
        self.generation = generation;
        self.signals = installation.signals.clone();
        self.mailbox.question = None;
        self.answer = None;
        self.pool = Pool::Slow;
        match self.runner.take() {
            Some(runner) => self.runner = Some(Box::new(runner.succeeded_by(installation))),
            None => self.successor = Some(installation),
        }
    }
}

impl Mailbox {
    fn put(&mut self, feed: Feed) {
        self.question = Some((feed.feed, feed.assess_at));
        self.readings.extend(feed.readings);
        let surplus = self.readings.len().saturating_sub(MAILBOX_READINGS_MAX);
        self.readings.drain(..surplus);
        self.lost = self.lost.saturating_add(surplus);
    }
}
