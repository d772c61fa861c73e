//! What everyone else holds of the journal: a handle that never waits for a disk.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use tokio::sync::oneshot;

use super::change::{Change, Entry};
use super::health::{Counts, JournalHealth, Listener, News, Pace, Shared};
use super::kept::Restored;
use super::queue::Queued;
use super::store::Backend;
use super::ticket::Ticket;
use super::writer::Writer;
use idlegate_guard::time::Span;
use idlegate_os::Clock;

/// Clones are the same journal.
#[derive(Clone, Debug)]
pub struct Journal {
    shared: Arc<Shared>,
    thread: Arc<Mutex<Option<JoinHandle<()>>>>,
    ended: Arc<AtomicBool>,
}

impl Journal {
    /// Starts the journal's thread and waits, within limits, for what an earlier run left behind. This cannot
    /// fail: without a working disk the journal is degraded, says so, and keeps trying.
    pub fn start(backend: Box<dyn Backend>, pace: Pace, listener: Listener) -> (Journal, Restored) {
        let shared = Arc::new(Shared::new(pace, listener));
        let ended = Arc::new(AtomicBool::new(false));
        let (tell, told) = sync_channel::<Restored>(0);
        let writer = Writer::new(Arc::clone(&shared), backend);
        let last = LastWord { shared: Arc::clone(&shared), ended: Arc::clone(&ended) };
        let spawned = std::thread::Builder::new().name("journal".into()).spawn(move || {
            let _last = last;
            writer.run(|restored| tell.send(restored).is_ok());
        });
        let thread = spawned.map_err(|error| tracing::error!(%error, "no thread for the journal")).ok();
        let restored = match told.recv_timeout(pace.start_patience.into()) {
            Ok(restored) => restored,
            Err(RecvTimeoutError::Timeout) => {
                let why = "the disk does not answer".to_owned();
                shared.set_health(JournalHealth::Degraded { why });
                doubtful("the disk did not answer at the start")
            }
            Err(RecvTimeoutError::Disconnected) => doubtful("the journal did not start"),
        };
        (Journal { shared, thread: Arc::new(Mutex::new(thread)), ended }, restored)
    }

    /// To be remembered. Never waits; what cannot be stored soon waits in memory.
    pub fn append(&self, change: impl Into<Change>) {
        self.put(change.into(), None);
    }

    /// To be remembered before anyone is told of it: stored at once, and the ticket tells when it is.
    pub fn append_durably(&self, change: impl Into<Change>) -> Ticket {
        let (sender, receiver) = oneshot::channel();
        self.put(change.into(), Some(sender));
        Ticket::new(receiver, self.shared.pace.patience)
    }

    pub fn health(&self) -> JournalHealth {
        self.shared.health()
    }

    pub fn counts(&self) -> Counts {
        self.shared.counts()
    }

    /// Stores what still waits and closes the file. False when that took longer than `patience`; the rest is
    /// then left to the operating system. For a thread that may wait.
    pub fn close(&self, patience: Span) -> bool {
        self.shared.queue.close();
        let Some(thread) = self.thread.lock().unwrap_or_else(PoisonError::into_inner).take() else {
            return self.ended.load(Ordering::Acquire);
        };
        let deadline = Clock.now().moment + patience;
        while !self.ended.load(Ordering::Acquire) {
            if Clock.now().moment >= deadline {
                return false;
            }
            std::thread::sleep(Span(5).into());
        }
        thread.join().is_ok()
    }

    fn put(&self, change: Change, ticket: Option<oneshot::Sender<super::Storing>>) {
        use super::record::Durability;
        let durability = if ticket.is_some() { Durability::AtOnce } else { change.durability() };
        let queued = Queued { entry: Entry::of(change), durability, ticket };
        let rows = queued.entry.rows.len() as u64;
        if !self.shared.queue.put(queued, Clock.now()) {
            self.shared.count_lost(rows);
        }
    }
}

fn doubtful(why: &str) -> Restored {
    let mut restored = Restored::default();
    restored.add_doubt(format!("{why}: lockouts of an earlier run may be missing"));
    restored
}

/// However the thread ends, nobody goes on waiting for it.
struct LastWord {
    shared: Arc<Shared>,
    ended: Arc<AtomicBool>,
}

impl Drop for LastWord {
    fn drop(&mut self) {
        let dropped = self.shared.queue.abandon();
        self.shared.count_lost(dropped);
        if std::thread::panicking() {
            let why = "the journal's thread has stopped".to_owned();
            self.shared.set_health(JournalHealth::Degraded { why });
        }
        self.ended.store(true, Ordering::Release);
    }
}

/// A listener for those who do not listen.
pub fn nobody_listens() -> Listener {
    Arc::new(|_: News| {})
}
