//! The bounded queue between everyone who has something to record and the journal's thread. Putting something in
//! takes a lock that is only ever held for moving a few pointers, never over a disk.

use std::collections::VecDeque;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};

use tokio::sync::oneshot;

use super::change::Entry;
use super::kept::{AnsweredIds, list_answered, put_answered};
use super::record::Durability;
use super::ticket::Storing;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::event::Name;
use idlegate_plan::kept::KeptState;

/// More is held neither in the queue nor, once more, in the writer's backlog.
pub(super) const ENTRIES_MAX: usize = 4096;
pub(super) const BYTES_MAX: usize = 4 * 1024 * 1024;

#[derive(Debug)]
pub(super) struct Queued {
    pub(super) entry: Entry,
    pub(super) durability: Durability,
    pub(super) ticket: Option<oneshot::Sender<Storing>>,
}

/// First in, first out; when it is full, the oldest goes, and is counted. What it said of the kept state stays.
#[derive(Debug, Default)]
pub(super) struct Ring {
    queued: VecDeque<Queued>,
    bytes: usize,
    lost: Lost,
}

/// What had to be dropped.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Lost {
    pub(super) records: u64,
    pub(super) from: Option<WallTime>,
    pub(super) until: Option<WallTime>,
    /// The kept state and answered ids of dropped entries: they must be stored all the same.
    pub(super) entry: Entry,
    pub(super) answered: AnsweredIds,
}

impl Lost {
    pub(super) fn is_nothing(&self) -> bool {
        self.records == 0 && self.entry.is_empty() && self.answered.is_empty()
    }

    pub(super) fn add(&mut self, entry: Entry) {
        self.records += entry.rows.len() as u64;
        for row in &entry.rows {
            self.from = Some(self.from.map_or(row.at.wall, |from| from.min(row.at.wall)));
            self.until = Some(self.until.map_or(row.at.wall, |until| until.max(row.at.wall)));
        }
        for (machine, kept) in entry.kept {
            self.keep(machine, kept);
        }
        entry.answered.iter().for_each(|answered| put_answered(&mut self.answered, answered));
    }

    /// What must be stored of it.
    pub(super) fn to_store(&self) -> Entry {
        Entry { answered: list_answered(&self.answered), ..self.entry.clone() }
    }

    pub(super) fn forget_what_to_store(&mut self) {
        (self.entry, self.answered) = Default::default();
    }

    fn count(&mut self, other: &Lost) {
        self.records += other.records;
        self.from = earliest(self.from, other.from);
        self.until = self.until.max(other.until);
    }

    fn keep(&mut self, machine: Name, kept: KeptState) {
        match self.entry.kept.iter_mut().find(|(name, _)| *name == machine) {
            Some((_, older)) => *older = kept,
            None => self.entry.kept.push((machine, kept)),
        }
    }
}

fn earliest(one: Option<WallTime>, other: Option<WallTime>) -> Option<WallTime> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.min(other)),
        (one, other) => one.or(other),
    }
}

impl Ring {
    pub(super) fn push(&mut self, queued: Queued) {
        self.bytes += queued.entry.bytes();
        self.queued.push_back(queued);
        while self.queued.len() > ENTRIES_MAX || self.bytes > BYTES_MAX {
            let Some(oldest) = self.pop() else { break };
            if let Some(ticket) = oldest.ticket {
                // Whoever asked may have stopped waiting.
                let _ = ticket.send(Storing::NotStored("more is happening than can be written".into()));
            }
            self.lost.add(oldest.entry);
        }
    }

    pub(super) fn pop(&mut self) -> Option<Queued> {
        let oldest = self.queued.pop_front()?;
        self.bytes = self.bytes.saturating_sub(oldest.entry.bytes());
        Some(oldest)
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &Queued> {
        self.queued.iter()
    }

    pub(super) fn iter_mut(&mut self) -> impl Iterator<Item = &mut Queued> {
        self.queued.iter_mut()
    }

    pub(super) fn len(&self) -> usize {
        self.queued.len()
    }

    pub(super) fn lost(&self) -> &Lost {
        &self.lost
    }

    pub(super) fn lost_mut(&mut self) -> &mut Lost {
        &mut self.lost
    }

    /// Moves everything of `other` behind what is here.
    pub(super) fn take_from(&mut self, other: &mut Ring) {
        let mut newer = std::mem::take(&mut other.lost);
        self.lost.count(&newer);
        // Dropped there, but newer than all that is here: it must be stored after it, not before.
        let entry = std::mem::take(&mut newer.entry);
        if !entry.is_empty() {
            self.push(Queued { entry, durability: Durability::AtOnce, ticket: None });
        }
        self.take_lost_ids(newer.answered);
        while let Some(queued) = other.pop() {
            self.push(queued);
        }
    }

    /// As an entry they could be larger than all that may wait here, and push it out. So they go ahead, and the ids of
    /// what waits go ahead of them, which keeps their order; an id that is stored before its record harms nothing.
    fn take_lost_ids(&mut self, newer: AnsweredIds) {
        if newer.is_empty() {
            return;
        }
        self.bytes = 0;
        for queued in &mut self.queued {
            queued.entry.answered.drain(..).for_each(|older| put_answered(&mut self.lost.answered, &older));
            self.bytes += queued.entry.bytes();
        }
        self.lost.answered.append(newer);
    }
}

/// Why the journal's thread was woken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Woken {
    ToStore,
    Idle,
    ToClose,
}

#[derive(Debug, Default)]
pub(super) struct Queue {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct State {
    ring: Ring,
    urgent: bool,
    /// When the oldest entry came in, for the group commit.
    since: Option<Moment>,
    closing: bool,
    /// The thread is gone; nothing will ever be stored again.
    abandoned: bool,
}

impl Queue {
    /// Never waits for a disk. False when there is no thread any more to store it.
    pub(super) fn put(&self, queued: Queued, now: Now) -> bool {
        let mut state = self.lock();
        if state.abandoned {
            return false;
        }
        state.urgent |= queued.durability == Durability::AtOnce;
        state.since.get_or_insert(now.moment);
        state.ring.push(queued);
        drop(state);
        self.changed.notify_one();
        true
    }

    pub(super) fn close(&self) {
        self.lock().closing = true;
        self.changed.notify_one();
    }

    /// Nothing will be stored any more. Drops what waits, and with it the tickets, so that their holders know;
    /// tells how many records those were.
    pub(super) fn abandon(&self) -> u64 {
        let mut state = self.lock();
        state.abandoned = true;
        let dropped = std::mem::take(&mut state.ring);
        drop(state);
        dropped.lost.records + dropped.iter().map(|queued| queued.entry.rows.len() as u64).sum::<u64>()
    }

    /// Waits until something must be stored, but no longer than until `at_latest`.
    pub(super) fn wait(&self, group: Span, at_latest: Moment, clock: impl Fn() -> Moment) -> Woken {
        let mut state = self.lock();
        loop {
            if state.closing {
                return Woken::ToClose;
            }
            let now = clock();
            let due = state.since.map(|since| if state.urgent { now } else { since + group });
            if due.is_some_and(|due| due <= now) {
                return Woken::ToStore;
            }
            let until = due.map_or(at_latest, |due| due.min(at_latest));
            if until <= now {
                return Woken::Idle;
            }
            let waited = self.changed.wait_timeout(state, until.since(now).into());
            state = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Everything that waits, and whether some of it is urgent.
    pub(super) fn drain(&self) -> (Ring, bool) {
        let mut state = self.lock();
        state.since = None;
        (std::mem::take(&mut state.ring), std::mem::take(&mut state.urgent))
    }

    // A panic while the lock was held would leave a ring that is still in order.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
