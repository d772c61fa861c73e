//! The guard's own recording, on a thread of its own. Handing a message over never waits for a disk, and hardly ever
//! wakes a thread: the keeper looks once a second by itself.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use super::packer::Packer;
use crate::recording::{KeptBounds, KeptFolder};
use idlegate_guard::time::{Now, Span};
use idlegate_os::Clock;
use idlegate_plan::SharedPlan;
use idlegate_plan::event::Message;

/// More does not wait; it is lost, and counted.
const MESSAGES_MAX: usize = 8_192;
const BYTES_MAX: usize = 4 << 20;
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// How keeping goes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Keeping {
    /// Why nothing is kept at the moment.
    pub trouble: Option<String>,
    /// Messages and readings that were not kept, since the start.
    pub lost: u64,
    /// On the disk.
    pub bytes: u64,
}

#[derive(Debug)]
pub struct Keeper {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Debug, Default)]
struct Shared {
    queue: Mutex<Queue>,
    woken: Condvar,
}

#[derive(Debug, Default)]
struct Queue {
    messages: VecDeque<(Now, Message)>,
    bytes: usize,
    lost: u64,
    follow: Option<(SharedPlan, Span)>,
    ends: bool,
    kept: Keeping,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Queue> {
        // A panic elsewhere cannot leave the queue half-changed.
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn kept(&self) -> Keeping {
        let queue = self.lock();
        Keeping { lost: queue.kept.lost + queue.lost, ..queue.kept.clone() }
    }
}

impl Keeper {
    pub fn start(dir: &Path, plan: SharedPlan, age_max: Span) -> std::io::Result<Keeper> {
        let shared = Arc::<Shared>::default();
        let (ours, dir) = (Arc::clone(&shared), dir.to_owned());
        let run = move || Work { shared: ours, dir, plan, age_max, packer: None }.run();
        let thread = std::thread::Builder::new().name("readings".into()).spawn(run)?;
        Ok(Keeper { shared, thread: Some(thread) })
    }

    /// Never waits. What there is no room for is lost, and counted.
    pub fn hear(&self, now: Now, message: Message) {
        let mut queue = self.shared.lock();
        let bytes = message.payload.len() + message.topic.len();
        if queue.messages.len() >= MESSAGES_MAX || queue.bytes + bytes > BYTES_MAX {
            queue.lost += 1;
            return;
        }
        queue.bytes += bytes;
        queue.messages.push_back((now, message));
        let is_half_full = queue.messages.len() == MESSAGES_MAX / 2;
        drop(queue);
        if is_half_full {
            self.shared.woken.notify_one();
        }
    }

    /// New rules.
    pub fn follow(&self, plan: SharedPlan, age_max: Span) {
        self.shared.lock().follow = Some((plan, age_max));
    }

    pub fn kept(&self) -> Keeping {
        self.shared.kept()
    }

    /// What it says after it has ended.
    #[cfg(test)]
    pub(super) fn last_word(&self) -> impl FnOnce() -> Keeping + use<> {
        let shared = Arc::clone(&self.shared);
        move || shared.kept()
    }

    /// Lets it write what it has; it ends by itself.
    pub fn end(&self) {
        self.shared.lock().ends = true;
        self.shared.woken.notify_one();
    }

    /// The same, and waits for it, within limits. For a thread that may wait.
    pub fn close(mut self, patience: Duration) -> bool {
        self.end();
        let Some(thread) = self.thread.take() else { return true };
        let step = Duration::from_millis(5);
        let mut waited = Duration::ZERO;
        while !thread.is_finished() {
            if waited >= patience {
                return false;
            }
            std::thread::sleep(step);
            waited += step;
        }
        thread.join().is_ok()
    }
}

/// What the thread does.
struct Work {
    shared: Arc<Shared>,
    dir: PathBuf,
    plan: SharedPlan,
    age_max: Span,
    /// Not while the folder cannot be used.
    packer: Option<Packer>,
}

/// What has come in since the last look: messages, other rules, and whether this is the end.
type News = (VecDeque<(Now, Message)>, Option<(SharedPlan, Span)>, bool);

impl Work {
    fn run(mut self) {
        loop {
            let (messages, follow, ends) = self.wait();
            let now = Clock.now();
            if let Some((plan, age_max)) = follow {
                self.packer.iter_mut().for_each(|packer| packer.follow(&plan, age_max));
                (self.plan, self.age_max) = (plan, age_max);
            }
            let trouble = self.keep(now, messages, ends);
            self.tell(trouble);
            if ends {
                return;
            }
        }
    }

    fn wait(&self) -> News {
        let queue = self.shared.lock();
        let idle = |queue: &mut Queue| !queue.ends && queue.messages.len() < MESSAGES_MAX / 2;
        let (mut queue, _) = self
            .shared
            .woken
            .wait_timeout_while(queue, LOOK_EVERY, idle)
            .unwrap_or_else(PoisonError::into_inner);
        queue.bytes = 0;
        (std::mem::take(&mut queue.messages), queue.follow.take(), queue.ends)
    }

    fn keep(&mut self, now: Now, messages: VecDeque<(Now, Message)>, ends: bool) -> Result<(), String> {
        if self.packer.is_none() {
            // Looked at again every second: cheap, and a disk may come back.
            match KeptFolder::open(&self.dir, KeptBounds::for_age(self.age_max), now.moment) {
                Ok(folder) => self.packer = Some(Packer::new(&self.plan, folder, now.moment)),
                Err(error) => {
                    self.shared.lock().lost += messages.len() as u64;
                    return Err(error.to_string());
                }
            }
        }
        let packer = self.packer.as_mut().expect("it was put there above");
        for (at, message) in messages {
            packer.take(at, &message);
        }
        let written = if ends { packer.write(now) } else { packer.turn(now) };
        written.map_err(|error| error.to_string())
    }

    fn tell(&self, outcome: Result<(), String>) {
        let (lost, written) =
            self.packer.as_ref().map_or((0, None), |packer| (packer.lost(), packer.written()));
        let mut queue = self.shared.lock();
        let before = queue.kept.trouble.clone();
        queue.kept.lost = lost;
        match outcome {
            Err(trouble) => queue.kept.trouble = Some(trouble),
            // Only a pack that was written shows that it works again.
            Ok(()) => {
                if let Some(bytes) = written {
                    (queue.kept.trouble, queue.kept.bytes) = (None, bytes);
                }
            }
        }
        let (now, lost) = (queue.kept.trouble.clone(), queue.kept.lost + queue.lost);
        drop(queue);
        match (before, now) {
            (None, Some(trouble)) => tracing::warn!(trouble, lost, "readings are not being kept"),
            (Some(_), None) => tracing::info!(lost, "readings are being kept again"),
            (None, None) | (Some(_), Some(_)) => {}
        }
    }
}
