//! The parts a story is made of, as plain data: scenes, and in each a row of beats.

use crate::workshop::Truth;
use idlegate_guard::Switch;
use idlegate_guard::time::Span;

#[derive(Clone, Debug, PartialEq)]
pub struct Story {
    /// First topic levels of what the daemon publishes.
    pub prefix: &'static str,
    pub opening: &'static str,
    /// Done before the first scene, without a word.
    pub before: Vec<Beat>,
    pub scenes: Vec<Scene>,
    pub closing: &'static str,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    pub title: &'static str,
    /// Only what is said about these machines is printed.
    pub cast: Vec<&'static str>,
    pub beats: Vec<Beat>,
}

/// One thing after the other: each beat ends before the next begins.
#[derive(Clone, Debug, PartialEq)]
pub enum Beat {
    /// Says what happens.
    Say(&'static str),
    Pause(Span),
    Do(Doing),
    /// Waits; the scene goes wrong when that takes too long.
    Until(Condition),
    /// Waits for this to come true, then says so in these words.
    See(Condition, &'static str),
    /// Waits for this decision of the guard.
    Answer(Answer),
    /// Waits for an announcement or an incident of this kind.
    Hear {
        machine: &'static str,
        kind: &'static str,
    },
}

/// What somebody in the workshop does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Doing {
    /// A button, a panel or a contact sends this.
    Send { topic: String, payload: String },
    /// Somebody starts a job of this length in workshop time.
    StartJob { machine: &'static str, lasts: Span },
    /// Somebody presses the button on the outlet itself.
    PressOwnButton { machine: &'static str },
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Condition {
    /// The outlet really is in this position.
    Relay(&'static str, Switch),
    /// The machine really is doing this.
    Truth(&'static str, Truth),
    DrawsLessThan(&'static str, f64),
    /// The daemon's status says so: idle, busy or unknown.
    Status(&'static str, &'static str),
    /// So many jobs of this machine have lost their power.
    JobsCut(&'static str, u32),
    EveryRelay(Switch),
}

/// A decision as it must come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Answer {
    pub machine: &'static str,
    pub decision: &'static str,
    pub reason: &'static str,
}

impl Scene {
    pub(super) fn new(title: &'static str, cast: &[&'static str], beats: Vec<Beat>) -> Scene {
        Scene { title, cast: cast.to_vec(), beats }
    }
}

impl Beat {
    pub(super) fn send(topic: &str, payload: &str) -> Beat {
        Beat::Do(Doing::Send { topic: topic.to_owned(), payload: payload.to_owned() })
    }

    pub(super) fn start_job(machine: &'static str, minutes: u64) -> Beat {
        Beat::Do(Doing::StartJob { machine, lasts: Span::secs(60 * minutes) })
    }

    pub(super) fn answer(machine: &'static str, decision: &'static str, reason: &'static str) -> Beat {
        Beat::Answer(Answer { machine, decision, reason })
    }

    pub(super) fn hear(machine: &'static str, kind: &'static str) -> Beat {
        Beat::Hear { machine, kind }
    }
}
