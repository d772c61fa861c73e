//! The journal's own thread: groups what is queued, stores it, and keeps going when the disk does not.
//!
//! While nothing can be stored, entries wait in a bounded backlog in memory. When storing works again a gap
//! record goes first: since when, why, how many records waited and how many were lost. It never panics on
//! purpose and nothing ever waits for it without a limit.

use std::sync::Arc;

use super::change::Entry;
use super::health::{JournalHealth, News, Pace, Shared};
use super::kept::Restored;
use super::queue::{Queued, Ring, Woken};
use super::record::{Durability, Record, RecordKind, Row};
use super::snapshot::Snapshot;
use super::store::{Backend, Opened, SetAside, Store, StoreError};
use super::ticket::Storing;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_messages::{FileSetAside, Gap, json};
use idlegate_os::Clock;
use idlegate_plan::text::rfc3339;

/// So many entries go into one transaction.
const BATCH_MAX: usize = 1000;

pub(super) struct Writer {
    shared: Arc<Shared>,
    pace: Pace,
    backend: Box<dyn Backend>,
    store: Option<Box<dyn Store>>,
    backlog: Ring,
    trouble: Option<Trouble>,
    snapshot: Snapshot,
    /// To be stored before anything else.
    owed: Vec<Entry>,
    batch_max: usize,
    tend_at: Moment,
}

struct Trouble {
    since: Now,
    why: String,
    delay: Span,
    retry_at: Moment,
    tried_at: Moment,
}

impl Writer {
    pub(super) fn new(shared: Arc<Shared>, backend: Box<dyn Backend>) -> Writer {
        let pace = shared.pace;
        Writer {
            shared,
            pace,
            backend,
            store: None,
            backlog: Ring::default(),
            trouble: None,
            snapshot: Snapshot::default(),
            owed: Vec::new(),
            batch_max: BATCH_MAX,
            tend_at: Moment(0),
        }
    }

    /// `tell_restored` gets what the first opening found; false when nobody waits for it any more.
    pub(super) fn run(mut self, tell_restored: impl FnOnce(Restored) -> bool) {
        let now = Clock.now();
        let found = self.open(now, None).unwrap_or_else(|(error, found)| {
            self.fail(&error, now);
            found
        });
        if tell_restored(found.clone()) {
            self.snapshot.told_in_time();
        } else {
            self.came_late(found);
        }
        loop {
            let idle_until = match &self.trouble {
                Some(trouble) => trouble.retry_at,
                None => self.tend_at,
            };
            let woken = self.shared.queue.wait(self.pace.group, idle_until, || Clock.now().moment);
            let now = Clock.now();
            // Whoever takes entries must store them or be in trouble, so housekeeping leaves them in the queue:
            // one that came in since the waking would lie here until the next one came.
            match woken {
                Woken::ToStore => {
                    let urgent = self.take();
                    if self.may_try(urgent, now) {
                        self.store_all(now);
                    } else {
                        self.refuse_tickets();
                    }
                }
                Woken::Idle if self.trouble.is_some() => {
                    self.take();
                    self.store_all(now);
                }
                Woken::Idle => self.tend(now),
                Woken::ToClose => break,
            }
        }
        self.take();
        self.store_all(Clock.now());
        let left = self.backlog.len();
        if left > 0 {
            tracing::error!(entries = left, "the journal ends with entries that could not be stored");
        }
    }

    /// In trouble, only something urgent is worth an early try, and not more often than groups are written.
    fn may_try(&self, urgent: bool, now: Now) -> bool {
        self.trouble.as_ref().is_none_or(|trouble| {
            trouble.retry_at <= now.moment
                || (urgent && now.moment.since(trouble.tried_at) >= self.pace.group)
        })
    }

    /// Moves what is queued into the backlog; true when some of it is urgent.
    fn take(&mut self) -> bool {
        let (mut waiting, urgent) = self.shared.queue.drain();
        self.snapshot.note_lost(waiting.lost_mut());
        for queued in waiting.iter_mut() {
            self.snapshot.note(&mut queued.entry);
        }
        self.backlog.take_from(&mut waiting);
        urgent
    }

    fn came_late(&self, found: Restored) {
        if !found.is_empty() {
            self.shared.tell(News::RestoredLate(found));
        }
        if self.trouble.is_none() {
            self.shared.set_health(JournalHealth::Ok);
        }
    }

    fn store_all(&mut self, now: Now) {
        // Bounded: each round stores a batch, and the backlog does not grow meanwhile.
        while !self.is_done() {
            match self.store_batch(now) {
                Ok(()) => self.recovered(),
                Err(error) => return self.fail(&error, now),
            }
        }
    }

    fn is_done(&self) -> bool {
        self.store.is_some()
            && self.trouble.is_none()
            && self.owed.is_empty()
            && self.backlog.len() == 0
            && self.backlog.lost().is_nothing()
    }

    fn store_batch(&mut self, now: Now) -> Result<(), StoreError> {
        if self.store.is_none() {
            let found = self.open(now, None).map_err(|(error, _)| error)?;
            self.came_late(found);
        }
        match self.try_batch(now) {
            Err(StoreError::Damaged(why)) => {
                tracing::error!(why, "the journal's file is damaged; setting it aside");
                self.store = None;
                self.open(now, Some(&why)).map_err(|(error, _)| error)?;
                self.try_batch(now)
            }
            Err(StoreError::Refused(why)) => self.without_the_refused(&why, now),
            other => other,
        }
    }

    fn try_batch(&mut self, now: Now) -> Result<(), StoreError> {
        let Some(store) = self.store.as_mut() else {
            return Err(StoreError::Io("not open".into()));
        };
        let gap = gap(self.trouble.as_ref(), &self.backlog, now);
        let entry = self.backlog.lost().to_store();
        let count = self.backlog.len().min(self.batch_max);
        let mut batch: Vec<&Entry> = self.owed.iter().chain(&gap).chain([&entry]).collect();
        batch.extend(self.backlog.iter().take(count).map(|queued| &queued.entry));
        store.store(&batch)?;
        let rows: usize = batch.iter().map(|entry| entry.rows.len()).sum();
        self.shared.count_stored(rows as u64);
        let lost = std::mem::take(self.backlog.lost_mut());
        self.shared.count_lost(lost.records);
        self.owed.clear();
        for queued in (0..count).map_while(|_| self.backlog.pop()).collect::<Vec<_>>() {
            settle(queued, &Storing::Stored);
        }
        self.trouble = None;
        Ok(())
    }

    /// One record that the store never accepts must not stand in the way of all others.
    fn without_the_refused(&mut self, why: &str, now: Now) -> Result<(), StoreError> {
        if self.batch_max > 1 {
            self.batch_max = 1;
            return self.try_batch(now).or_else(|error| match error {
                StoreError::Refused(why) => self.without_the_refused(&why, now),
                other => Err(other),
            });
        }
        tracing::error!(why, "the journal does not accept a record; it is counted as lost");
        match self.backlog.pop() {
            Some(mut queued) => {
                queued.entry.kept.clear();
                queued.entry.answered.clear();
                let lost = std::mem::take(&mut queued.entry);
                settle(queued, &Storing::NotStored(why.to_owned()));
                self.backlog.lost_mut().add(lost);
            }
            None => {
                self.owed.clear();
                self.backlog.lost_mut().forget_what_to_store();
            }
        }
        Ok(())
    }

    /// What an earlier run left and nobody has been told of yet, either way.
    fn open(&mut self, now: Now, damaged: Option<&str>) -> Result<Restored, (StoreError, Restored)> {
        let opened = match self.backend.open(now, damaged) {
            Ok(opened) => opened,
            Err(failed) => {
                let found = failed.restored.map(|restored| self.adopt(restored));
                return Err((failed.error, found.unwrap_or_default()));
            }
        };
        let Opened { store, restored, set_aside } = opened;
        self.store = Some(store);
        self.tend_at = now.moment + self.pace.tend;
        let found = self.adopt(restored);
        if let Some(set_aside) = set_aside {
            self.owe_everything(&set_aside, now);
            self.shared.tell(News::SetAside(set_aside));
        }
        Ok(found)
    }

    fn adopt(&mut self, restored: Restored) -> Restored {
        let (found, correction) = self.snapshot.adopt(restored);
        if !correction.is_empty() {
            self.backlog.push(Queued { entry: correction, durability: Durability::AtOnce, ticket: None });
        }
        found
    }

    /// A new file knows nothing: everything kept goes into it, and a word on why it begins here.
    fn owe_everything(&mut self, set_aside: &SetAside, now: Now) {
        let body =
            json(&FileSetAside { file: set_aside.file.display().to_string(), why: set_aside.why.clone() });
        let row = Row::of(&Record::new(RecordKind::SetAside, now, body));
        self.owed = vec![Entry { rows: vec![row], ..self.snapshot.everything() }];
    }

    fn tend(&mut self, now: Now) {
        let Some(store) = self.store.as_mut() else { return };
        match store.tend(now) {
            // Little by little, so that nothing has to wait long behind it.
            Ok(true) => self.tend_at = now.moment + self.pace.group,
            Ok(false) => self.tend_at = now.moment + self.pace.tend,
            Err(error) => self.fail(&error, now),
        }
    }

    fn fail(&mut self, error: &StoreError, now: Now) {
        let why = error.to_string();
        let delay = match &self.trouble {
            Some(trouble) => Span(trouble.delay.0.saturating_mul(2).min(self.pace.retry_max.0)),
            None => self.pace.retry_first,
        };
        let since = self.trouble.as_ref().map_or(now, |trouble| trouble.since);
        let after = Clock.now().moment;
        self.trouble =
            Some(Trouble { since, why: why.clone(), delay, retry_at: after + delay, tried_at: after });
        // A connection that has failed is not trusted again; a full disk and a lock are no fault of it.
        if !matches!(error, StoreError::Full(_) | StoreError::Locked(_)) {
            self.store = None;
        }
        self.shared.set_health(JournalHealth::Degraded { why });
        self.refuse_tickets();
    }

    fn recovered(&mut self) {
        self.batch_max = BATCH_MAX;
        self.shared.set_health(JournalHealth::Ok);
    }

    /// Whoever waits is told now; the entries stay and are tried again.
    fn refuse_tickets(&mut self) {
        let Some(trouble) = &self.trouble else { return };
        for queued in self.backlog.iter_mut() {
            if let Some(ticket) = queued.ticket.take() {
                // Whoever asked may have stopped waiting.
                let _ = ticket.send(Storing::NotStored(trouble.why.clone()));
            }
        }
    }
}

fn settle(queued: Queued, storing: &Storing) {
    if let Some(ticket) = queued.ticket {
        // Whoever asked may have stopped waiting.
        let _ = ticket.send(storing.clone());
    }
}

/// The record that tells of a time in which nothing could be stored.
fn gap(trouble: Option<&Trouble>, backlog: &Ring, now: Now) -> Option<Entry> {
    let lost = backlog.lost();
    if trouble.is_none() && lost.records == 0 {
        return None;
    }
    let since = trouble.map_or(now.wall, |trouble| trouble.since.wall);
    let why = trouble.map_or("more happened than could be written", |trouble| &trouble.why);
    let body = json(&Gap {
        from: rfc3339(lost.from.map_or(since, |from| from.min(since))),
        held: backlog.len() as u64,
        lost: lost.records,
        until: rfc3339(lost.until.map_or(now.wall, |until| until.max(now.wall))),
        why: why.to_owned(),
    });
    Some(Entry { rows: vec![Row::of(&Record::new(RecordKind::Gap, now, body))], ..Entry::default() })
}

impl std::fmt::Debug for Writer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Writer").field("backlog", &self.backlog.len()).finish_non_exhaustive()
    }
}
