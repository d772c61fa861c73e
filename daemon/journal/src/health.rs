//! How the journal is, and who gets to know.

use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use super::kept::Restored;
use super::queue::Queue;
use super::store::SetAside;
use idlegate_guard::time::Span;

/// Guarding never depends on it, but people must know.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum JournalHealth {
    Ok,
    /// Nothing can be stored at the moment; records wait in memory.
    Degraded {
        why: String,
    },
}

/// What the journal tells on its own.
#[derive(Clone, Debug, PartialEq)]
pub enum News {
    /// It has changed.
    Health(JournalHealth),
    /// A damaged journal was renamed and a new one begun.
    SetAside(SetAside),
    /// What an earlier run left behind, when it could be read only after the start: lockouts in it are in force.
    RestoredLate(Restored),
}

/// Called on the journal's own thread; must not wait for anything.
pub type Listener = Arc<dyn Fn(News) + Send + Sync>;

/// The journal's sense of time.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    /// Records that are not urgent wait so long for others.
    pub group: Span,
    /// After a failure: the first pause, doubled with each further one up to the last.
    pub retry_first: Span,
    pub retry_max: Span,
    /// How long an answer waits for the disk.
    pub patience: Span,
    /// How long the start waits for what an earlier run left behind.
    pub start_patience: Span,
    /// Between two rounds of housekeeping.
    pub tend: Span,
}

impl Default for Pace {
    fn default() -> Pace {
        Pace {
            group: Span(200),
            retry_first: Span(500),
            retry_max: Span::secs(30),
            patience: Span::secs(2),
            start_patience: Span::secs(10),
            tend: Span::secs(60),
        }
    }
}

/// How much has been written since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Records on disk, the journal's own included.
    pub stored: u64,
    /// Records that had to be dropped; each is counted in a gap record.
    pub lost: u64,
}

pub(super) struct Shared {
    pub(super) queue: Queue,
    pub(super) pace: Pace,
    listener: Listener,
    health: Mutex<JournalHealth>,
    stored: AtomicU64,
    lost: AtomicU64,
}

impl Shared {
    pub(super) fn new(pace: Pace, listener: Listener) -> Shared {
        Shared {
            queue: Queue::default(),
            pace,
            listener,
            health: Mutex::new(JournalHealth::Ok),
            stored: AtomicU64::new(0),
            lost: AtomicU64::new(0),
        }
    }

    pub(super) fn health(&self) -> JournalHealth {
        self.health.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    pub(super) fn set_health(&self, health: JournalHealth) {
        let mut current = self.health.lock().unwrap_or_else(PoisonError::into_inner);
        // The same trouble in other words is no news.
        let is_news = std::mem::discriminant(&*current) != std::mem::discriminant(&health);
        current.clone_from(&health);
        drop(current);
        if is_news {
            match &health {
                JournalHealth::Ok => tracing::info!("the journal works again"),
                JournalHealth::Degraded { why } => {
                    tracing::warn!(why, "the journal cannot be written; records wait in memory");
                }
            }
            self.tell(News::Health(health));
        }
    }

    pub(super) fn tell(&self, news: News) {
        (self.listener)(news);
    }

    pub(super) fn count_stored(&self, rows: u64) {
        self.stored.fetch_add(rows, Ordering::Relaxed);
    }

    pub(super) fn count_lost(&self, rows: u64) {
        self.lost.fetch_add(rows, Ordering::Relaxed);
    }

    pub(super) fn counts(&self) -> Counts {
        Counts { stored: self.stored.load(Ordering::Relaxed), lost: self.lost.load(Ordering::Relaxed) }
    }
}

impl fmt::Debug for Shared {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Shared").field("health", &self.health()).field("counts", &self.counts()).finish()
    }
}
