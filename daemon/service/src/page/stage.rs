//! The page at work: facts come in a few times a second, frames go out (server-sent events).
//!
//! A frame is sent only when the loop has said something since the last one. So whoever watches a guard whose loop is
//! stuck hears nothing, and the page covers itself.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use bytes::Bytes;
use serde::Serialize;
use serde_json::json;
use tokio::sync::{Notify, mpsc};
use tokio::time::{Instant, MissedTickBehavior, interval};

use super::board::{Board, Due};
use super::restore::{self, Past};
use super::viewers::{VIEWERS_MAX, Viewers};
use super::{Fact, Facts};
use idlegate_guard::time::WallTime;
use idlegate_os::Clock;

/// How often it looks for facts.
const LOOK: Duration = Duration::from_millis(250);
/// The page covers itself when it has heard nothing for 8 s.
const BEAT: Duration = Duration::from_secs(2);
/// In milliseconds: how soon a browser whose connection has ended comes again.
const COMES_AGAIN: &str = "retry: 1000\n";

#[derive(Clone, Debug)]
pub(crate) struct Stage(Arc<Mutex<Inner>>);

#[derive(Debug)]
struct Inner {
    facts: Facts,
    board: Board,
    viewers: Viewers,
    sent_at: Instant,
}

impl Stage {
    pub(crate) fn new(facts: Facts) -> Stage {
        let viewers = Viewers::new(facts.viewers.clone());
        Stage(Arc::new(Mutex::new(Inner {
            facts,
            board: Board::default(),
            viewers,
            sent_at: Instant::now(),
        })))
    }

    /// As long as the page is wanted.
    pub(crate) async fn run(&self, state_dir: Option<PathBuf>) {
        let past = tokio::task::spawn_blocking(move || {
            state_dir.map_or_else(Past::default, |dir| restore::read(&dir, Clock.now().wall))
        });
        let mut past = std::pin::pin!(past);
        let mut recalled = false;
        let mut look = interval(LOOK);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                past = &mut past, if !recalled => {
                    recalled = true;
                    self.inner().board.recall(past.unwrap_or_default());
                }
                _ = look.tick() => self.inner().look(Clock.now().wall),
            }
        }
    }

    /// The frames for one who watches, or the one that says why there are none.
    pub(crate) fn admit(&self, cut: Arc<Notify>) -> Result<mpsc::Receiver<Bytes>, Bytes> {
        let mut inner = self.inner();
        let first = frame("whole", &inner.board.whole(Clock.now().wall));
        let first = Bytes::from([COMES_AGAIN.as_bytes(), &first].concat());
        inner.viewers.admit(first, cut).ok_or_else(|| {
            let why = format!("{VIEWERS_MAX} people look at this page already. It tries again by itself.");
            frame("full", &json!({ "why": why }))
        })
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Inner {
    fn look(&mut self, now: WallTime) {
        let mut turned = false;
        while let Ok(fact) = self.facts.from.try_recv() {
            turned |= matches!(fact, Fact::Turned(_));
            self.board.take(fact, now);
        }
        let frame = match self.board.due(now) {
            Due::Whole(whole) => frame("whole", &whole),
            Due::Changed(changed) => frame("changed", &changed),
            Due::Nothing if turned && self.sent_at.elapsed() >= BEAT => {
                frame("beat", &json!({ "now": now.0 }))
            }
            Due::Nothing => return,
        };
        self.sent_at = Instant::now();
        self.viewers.show(&frame);
    }
}

/// Server-sent events, as the HTML standard has them: JSON on one line has no line end in it.
fn frame(kind: &str, data: &impl Serialize) -> Bytes {
    let data = serde_json::to_string(data).expect("texts, numbers and lists of them are JSON");
    Bytes::from(format!("event: {kind}\ndata: {data}\n\n"))
}

#[cfg(test)]
mod tests {
    use super::super::Page;
    use super::super::tests::turned;
    use super::*;

    /// Or a page would go on looking live while nobody guards.
    #[test]
    fn there_is_no_sign_of_life_unless_the_loop_gives_one() {
        let page = Page::default();
        let stage = Stage::new(page.open());
        let mut frames = stage.admit(Arc::default()).unwrap();
        assert!(frames.try_recv().unwrap().starts_with(b"retry: 1000\nevent: whole\n"));
        let mut look = |second: i64| {
            let mut inner = stage.inner();
            inner.sent_at -= BEAT;
            inner.look(WallTime(second * 1_000));
            frames.try_recv().ok()
        };
        assert_eq!(look(1), None);
        page.tell(turned);
        assert_eq!(look(2).unwrap(), "event: beat\ndata: {\"now\":2000}\n\n");
        assert_eq!(look(3), None);
    }
}
