//! The simulated broker: messages on their way, and what becomes of them there.

use std::collections::BTreeMap;

use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{Cause, RequestKind, Switch};
use idlegate_plan::event::Assessed;

use super::fault::Fault;
use super::rules::PLACES;
use crate::judge::Says;

/// What a message of a meter says, and when that was measured: known to whoever makes the bytes.
pub type Record = (Moment, Says);

/// A message on its way to the engine.
#[derive(Clone, Debug)]
pub struct Sent {
    pub topic: String,
    pub payload: String,
    pub retained: bool,
    pub sent: Moment,
    pub what: What,
    /// It has reached the socket, and waits there.
    pub there: bool,
}

/// What the simulation knows of a message that the engine has to find out.
#[derive(Clone, Debug)]
pub enum What {
    Reading {
        place: usize,
        records: Vec<Record>,
    },
    State {
        place: usize,
    },
    Contact {
        pushed: bool,
    },
    Request {
        input: &'static str,
        places: Vec<usize>,
        /// These places were asked at once, and one answer is due for all of them.
        group: bool,
        kind: RequestKind,
        event_id: Option<String>,
        /// The token it brings.
        confirm: Option<String>,
    },
}

/// An order on its way to an outlet.
#[derive(Clone, Copy, Debug)]
pub struct Commanded {
    pub place: usize,
    pub switch: Switch,
    pub cause: Cause,
    pub sent: Moment,
}

/// Whatever is going to happen.
#[derive(Clone, Debug)]
pub enum Due {
    ToEngine { message: Sent, session: u64 },
    Assessed { place: usize, assessed: Assessed, run: u64 },
    ToOutlet(Commanded),
    Refresh { place: usize },
    Speak(Sent),
    Person { place: usize },
    Job { place: usize },
    StartJob { place: usize, lasts: Span },
    FaultBegins,
    FaultEnds(Fault),
    LinkUp,
    LatchReleased,
}

/// In order of time; what is due at the same moment, in the order in which it was planned.
#[derive(Debug, Default)]
pub struct Agenda {
    due: BTreeMap<(Moment, u64), Due>,
    planned: u64,
}

impl Agenda {
    pub fn plan(&mut self, at: Moment, what: Due) {
        self.planned += 1;
        self.due.insert((at, self.planned), what);
    }

    pub fn next(&self) -> Option<Moment> {
        self.due.keys().next().map(|(at, _)| *at)
    }

    pub fn take(&mut self, by: Moment) -> Option<Due> {
        let (at, number) = *self.due.keys().next()?;
        if at > by {
            return None;
        }
        self.due.remove(&(at, number))
    }

    /// Nobody comes any more, and nothing breaks any more.
    pub fn clear_people_and_faults(&mut self) {
        self.due.retain(|_, due| match due {
            Due::Person { .. }
            | Due::Job { .. }
            | Due::StartJob { .. }
            | Due::FaultBegins
            | Due::FaultEnds(_)
            | Due::LatchReleased
            | Due::Speak(_) => false,
            Due::ToEngine { .. }
            | Due::Assessed { .. }
            | Due::ToOutlet(_)
            | Due::Refresh { .. }
            | Due::LinkUp => true,
        });
    }
}

/// The connection between the engine and the broker.
#[derive(Debug, Default)]
pub struct Line {
    pub up: bool,
    /// Messages of an earlier connection are gone.
    pub session: u64,
    /// Nothing gets through before this.
    pub frozen_until: Moment,
    /// States and readings of one outlet do not overtake each other.
    pub last_state: [Moment; 5],
    pub last_reading: [Moment; 5],
    pub(super) last_position: Moment,
    /// What the broker has stored: each outlet's last word.
    pub stored: [Option<String>; 5],
    /// How the latching button stands.
    pub(super) stored_latch: Option<Sent>,
    /// And the last word of each meter that has it stored.
    pub stored_readings: [Option<Sent>; 5],
    /// How often each place was given another meter.
    pub meters_before: [u32; 5],
}

impl Line {
    /// Where the meter of this place speaks.
    pub fn meter_topic(&self, place: usize) -> String {
        let outlet = PLACES[place].outlet;
        match self.meters_before[place] {
            0 => format!("meters/{outlet}"),
            nth => format!("meters/{outlet}-{nth}"),
        }
    }
}
