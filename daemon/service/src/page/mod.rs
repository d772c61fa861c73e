//! The page for people: how every machine stands, live, for whoever looks at it. It shows; nobody can ask for anything
//! here.
//!
//! The loop hands over what it publishes anyway, and waits for nobody: what finds no room is left out, and comes again.
//! All the rest (what is shown, the draw of the last hours, those who watch) is done on the monitor's own thread.

mod board;
mod card;
mod document;
mod lately;
mod plot;
mod restore;
mod stage;
mod viewers;

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};

pub(super) use document::DOCUMENT;
use idlegate_messages::{Decision, Health, MachineStatus, Told};
pub(super) use stage::Stage;

/// What may wait for the page's thread. It looks a few times a second.
const FACTS_MAX: usize = 2_048;
/// While somebody watches, so many machines are shown anew each second: the readings, which nobody publishes so often.
const SHOWN_MAX: usize = 50;

/// What the loop has published, or would have if the broker were there.
#[derive(Debug)]
pub(super) enum Fact {
    Machine(Box<MachineStatus>),
    Announced(Box<Told>),
    Incident(Box<Told>),
    Decided(Box<Decision>),
    /// The loop has turned.
    Turned(Box<Turned>),
}

#[derive(Debug)]
pub(super) struct Turned {
    pub(super) link_is_up: bool,
    pub(super) health: Health,
}

/// Where the loop puts its facts, if there is a page at all.
#[derive(Clone, Debug, Default)]
pub(super) struct Page(Arc<Shared>);

#[derive(Debug, Default)]
struct Shared {
    to: Mutex<Option<SyncSender<Fact>>>,
    viewers: Arc<AtomicUsize>,
}

/// The other end.
#[derive(Debug)]
pub(super) struct Facts {
    from: Receiver<Fact>,
    viewers: Arc<AtomicUsize>,
}

impl Page {
    pub(super) fn open(&self) -> Facts {
        let (to, from) = sync_channel(FACTS_MAX);
        *self.0.to.lock().unwrap_or_else(PoisonError::into_inner) = Some(to);
        Facts { from, viewers: self.0.viewers.clone() }
    }

    pub(super) fn close(&self) {
        *self.0.to.lock().unwrap_or_else(PoisonError::into_inner) = None;
        self.0.viewers.store(0, Ordering::Relaxed);
    }

    /// Nothing is even made of it where there is no page.
    pub(super) fn tell(&self, fact: impl FnOnce() -> Fact) {
        if let Some(to) = &*self.0.to.lock().unwrap_or_else(PoisonError::into_inner) {
            // There is no room, or nobody any more: the next look at the machine tells it again.
            let _ = to.try_send(fact());
        }
    }

    /// Which machines, of so many, are to be shown anew at this turn, because somebody watches.
    pub(super) fn due(&self, turn: usize, machines: usize) -> impl Fn(usize) -> bool + use<> {
        let watched = self.0.viewers.load(Ordering::Relaxed) > 0;
        let count = if watched { SHOWN_MAX } else { 0 };
        let machines = machines.max(1);
        let first = turn.wrapping_mul(SHOWN_MAX) % machines;
        move |number| (number + machines - first) % machines < count
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(super) fn turned() -> Fact {
        let health = Health::Gone { version: String::new() };
        Fact::Turned(Box::new(Turned { link_is_up: true, health }))
    }

    #[test]
    fn the_loop_never_waits_for_a_page_that_does_not_look() {
        let page = Page::default();
        page.tell(|| unreachable!("there is no page"));
        let facts = page.open();
        for _ in 0..FACTS_MAX * 2 {
            page.tell(turned);
        }
        assert_eq!(facts.from.try_iter().count(), FACTS_MAX);
        page.close();
        page.tell(|| unreachable!("there is no page any more"));
    }

    #[test]
    fn while_somebody_watches_every_machine_has_its_turn() {
        let page = Page::default();
        let shown = |turn, machines| {
            let due = page.due(turn, machines);
            (0..machines).filter(|number| due(*number)).collect::<Vec<usize>>()
        };
        assert!(shown(1, 120).is_empty());
        page.0.viewers.store(1, Ordering::Relaxed);
        let mut all: Vec<usize> = (7..10).flat_map(|turn| shown(turn, 120)).collect();
        all.sort_unstable();
        all.dedup();
        assert_eq!(all, (0..120).collect::<Vec<_>>());
        assert_eq!((shown(3, 2).len(), shown(3, 0).len(), shown(3, 1_000).len()), (2, 0, SHOWN_MAX));
    }
}
