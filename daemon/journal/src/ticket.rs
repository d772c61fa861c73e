//! The promise to tell whether something has reached the disk, within a bounded time.
//!
//! An answer to a lock, unlock or deferral waits for it. When the disk is dead or slow the answer goes out all
//! the same and says that it is not stored: the lockout is in force, but may not survive a restart. The journal
//! keeps trying, so "not stored" means "do not rely on it", never "it was not done".

use std::time::Duration;

use tokio::sync::oneshot;

use idlegate_guard::time::Span;

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Storing {
    /// It survives a crash and a power cut from now on.
    Stored,
    /// Why it may not survive, in words for people.
    NotStored(String),
}

#[derive(Debug)]
#[must_use = "an answer may say that something is kept only when the ticket says so"]
pub struct Ticket {
    receiver: oneshot::Receiver<Storing>,
    patience: Duration,
}

impl Ticket {
    pub(super) fn new(receiver: oneshot::Receiver<Storing>, patience: Span) -> Ticket {
        Ticket { receiver, patience: patience.into() }
    }

    /// Waits for the disk, but not longer than the journal's patience (2 s unless set).
    pub async fn settled(self) -> Storing {
        match tokio::time::timeout(self.patience, self.receiver).await {
            Ok(Ok(storing)) => storing,
            Ok(Err(_)) => stopped(),
            Err(_) => Storing::NotStored("the disk has not answered yet".into()),
        }
    }

    /// What is known now, without waiting; nothing while the disk is still busy with it.
    pub fn look(&mut self) -> Option<Storing> {
        match self.receiver.try_recv() {
            Ok(storing) => Some(storing),
            Err(oneshot::error::TryRecvError::Empty) => None,
            Err(oneshot::error::TryRecvError::Closed) => Some(stopped()),
        }
    }

    /// As [`Ticket::settled`], for threads without a runtime; waits as long as it takes.
    #[cfg(test)]
    pub(crate) fn settled_blocking(self) -> Storing {
        self.receiver.blocking_recv().unwrap_or_else(|_| stopped())
    }
}

fn stopped() -> Storing {
    Storing::NotStored("the journal has stopped".into())
}
