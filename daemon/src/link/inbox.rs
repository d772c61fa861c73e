//! What arrived and waits to be judged: bounded lanes between the connection and whoever decides.
//!
//! A flood of readings must not push out a press, and a press must not be judged before the readings that came
//! ahead of it. So entries are numbered as they arrive and leave in that order, with one exception: what may
//! carry an emergency goes first. Readings drop the oldest when there is no room; nothing else is ever dropped.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use bytes::Bytes;
use tokio::sync::Notify;

use super::Report;
use crate::event::{LinkState, Message};
use crate::time::{Clock, Moment, Now};

/// Which queue the messages of a topic wait in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lane {
    /// Topics of inputs that may raise an emergency: ahead of everything else.
    Emergency,
    /// Topics of inputs: never dropped.
    Request,
    /// What outlets report of themselves: never dropped.
    State,
    /// Readings: the oldest is dropped when there is no room.
    Reading,
    /// Nobody's topic: counted, not handed over.
    Nobody,
}

/// Emergencies, and requests and reports together, each: more than this means that nobody takes them out.
pub(super) const NEVER_DROPPED_MAX: usize = 4_096;
pub(super) const READINGS_MAX: usize = 4_096;
/// Payload bytes in each queue; far more than honest messages need.
const LANE_BYTES_MAX: usize = 8 * 1024 * 1024;

/// What the link has to say.
#[derive(Clone, Debug, PartialEq)]
pub enum Arrival {
    Link(LinkState),
    Report(Report),
    Message(Message),
}

/// The receiving end. What it hands out came in over one connection after another, in order.
#[derive(Debug)]
pub struct Inbox(Arc<Shelf>);

/// The sending end, shared by the tasks of the link.
#[derive(Debug, Default)]
pub(super) struct Shelf {
    queues: Mutex<Queues>,
    filled: Notify,
}

#[derive(Debug, Default)]
struct Queues {
    next_number: u64,
    emergencies: Queue,
    /// Requests, states, and what the link itself has to say.
    steady: Queue,
    readings: Queue,
    readings_dropped: u64,
    closed: bool,
}

/// In order of arrival, and how many bytes of payload they hold.
#[derive(Debug, Default)]
struct Queue {
    entries: VecDeque<Entry>,
    bytes: usize,
}

#[derive(Debug)]
struct Entry {
    number: u64,
    what: Waiting,
}

#[derive(Debug)]
enum Waiting {
    Link(LinkState),
    Report(Report),
    Message(Received),
}

/// A message on its way: its age is known only when it is taken out.
#[derive(Debug)]
pub(super) struct Received {
    pub(super) topic: Arc<str>,
    pub(super) payload: Bytes,
    pub(super) retained: bool,
    pub(super) proved: bool,
    /// It entered the broker's stream at this time or later.
    pub(super) since: Moment,
    pub(super) response_topic: Option<Arc<str>>,
    pub(super) correlation: Option<Bytes>,
}

/// A lane that drops nothing is full.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Overflow;

impl Inbox {
    pub(super) fn new() -> (Arc<Shelf>, Inbox) {
        let shelf = Arc::new(Shelf::default());
        (Arc::clone(&shelf), Inbox(shelf))
    }

    /// The next thing, and the time at which its age was reckoned: judge it by that time. `None` once the link
    /// has been shut down and all has been taken out. Dropping the future loses nothing.
    pub async fn recv(&mut self) -> Option<(Now, Arrival)> {
        loop {
            match self.try_recv() {
                Ok(arrival) => return Some(arrival),
                Err(Empty::Closed) => return None,
                Err(Empty::ForNow) => self.0.filled.notified().await,
            }
        }
    }

    /// As [`Inbox::recv`], without waiting.
    pub fn try_recv(&mut self) -> Result<(Now, Arrival), Empty> {
        let mut queues = self.0.lock();
        let Some(entry) = queues.take() else {
            return Err(if queues.closed { Empty::Closed } else { Empty::ForNow });
        };
        drop(queues);
        let now = Clock.now();
        let arrival = match entry.what {
            Waiting::Link(state) => Arrival::Link(state),
            Waiting::Report(report) => Arrival::Report(report),
            Waiting::Message(received) => Arrival::Message(Message {
                topic: received.topic,
                payload: received.payload,
                retained: received.retained,
                proved: received.proved,
                age: now.moment.since(received.since),
                response_topic: received.response_topic,
                correlation: received.correlation,
            }),
        };
        Ok((now, arrival))
    }

    /// Readings dropped since the start because nobody took them out in time.
    pub fn readings_dropped(&self) -> u64 {
        self.0.lock().readings_dropped
    }
}

/// Why nothing came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Empty {
    ForNow,
    Closed,
}

impl Shelf {
    fn lock(&self) -> MutexGuard<'_, Queues> {
        // A panic elsewhere cannot leave these queues half-changed.
        self.queues.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn message(&self, lane: Lane, received: Received) -> Result<(), Overflow> {
        let mut queues = self.lock();
        let entry = queues.numbered(Waiting::Message(received));
        match lane {
            Lane::Emergency => queues.emergencies.add(entry, NEVER_DROPPED_MAX)?,
            Lane::Request | Lane::State => queues.steady.add(entry, NEVER_DROPPED_MAX)?,
            Lane::Reading => {
                while queues.readings.is_full(entry.bytes(), READINGS_MAX) && queues.readings.pop().is_some()
                {
                    queues.readings_dropped += 1;
                }
                queues.readings.add(entry, READINGS_MAX)?;
            }
            Lane::Nobody => return Ok(()),
        }
        drop(queues);
        self.filled.notify_one();
        Ok(())
    }

    /// Never refused: there are only a few of these for each connection.
    pub(super) fn link(&self, state: LinkState) {
        self.own(Waiting::Link(state));
    }

    /// Left out when nobody takes anything out any more.
    pub(super) fn report(&self, report: Report) {
        if self.lock().steady.entries.len() < NEVER_DROPPED_MAX {
            self.own(Waiting::Report(report));
        }
    }

    fn own(&self, what: Waiting) {
        let mut queues = self.lock();
        let entry = queues.numbered(what);
        queues.steady.push(entry);
        drop(queues);
        self.filled.notify_one();
    }

    pub(super) fn close(&self) {
        self.lock().closed = true;
        self.filled.notify_one();
    }
}

impl Queues {
    fn numbered(&mut self, what: Waiting) -> Entry {
        self.next_number += 1;
        Entry { number: self.next_number, what }
    }

    fn take(&mut self) -> Option<Entry> {
        if let Some(entry) = self.emergencies.pop() {
            return Some(entry);
        }
        let Some(steady) = self.steady.entries.front() else {
            return self.readings.pop();
        };
        // Numbers rise along the queues. A press among readings waits for all that came before it: one of them
        // may be the one that shows the job.
        let reading_is_first =
            self.readings.entries.front().is_some_and(|reading| reading.number < steady.number);
        if reading_is_first { self.readings.pop() } else { self.steady.pop() }
    }
}

impl Queue {
    fn is_full(&self, more_bytes: usize, entries_max: usize) -> bool {
        self.entries.len() >= entries_max || self.bytes + more_bytes > LANE_BYTES_MAX
    }

    fn add(&mut self, entry: Entry, entries_max: usize) -> Result<(), Overflow> {
        if self.is_full(entry.bytes(), entries_max) {
            return Err(Overflow);
        }
        self.push(entry);
        Ok(())
    }

    fn push(&mut self, entry: Entry) {
        self.bytes += entry.bytes();
        self.entries.push_back(entry);
    }

    fn pop(&mut self) -> Option<Entry> {
        let entry = self.entries.pop_front()?;
        self.bytes -= entry.bytes();
        Some(entry)
    }
}

impl Entry {
    fn bytes(&self) -> usize {
        match &self.what {
            Waiting::Message(received) => received.payload.len(),
            Waiting::Link(_) | Waiting::Report(_) => 0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn received(topic: &str) -> Received {
        let topic = topic.into();
        Received {
            topic,
            payload: Bytes::new(),
            retained: false,
            proved: true,
            since: Moment(0),
            response_topic: None,
            correlation: None,
        }
    }

    fn topics(inbox: &mut Inbox) -> Vec<String> {
        std::iter::from_fn(|| inbox.try_recv().ok())
            .map(|(_, arrival)| match arrival {
                Arrival::Message(message) => message.topic.to_string(),
                Arrival::Link(state) => format!("{state:?}"),
                Arrival::Report(report) => format!("{report:?}"),
            })
            .collect()
    }

    #[test]
    fn a_press_is_judged_after_the_readings_that_came_before_it() {
        let (shelf, mut inbox) = Inbox::new();
        for (lane, topic) in [
            (Lane::Reading, "r1"),
            (Lane::Request, "q1"),
            (Lane::Reading, "r2"),
            (Lane::State, "s1"),
            (Lane::Nobody, "x"),
        ] {
            shelf.message(lane, received(topic)).unwrap();
        }
        shelf.link(LinkState::Up);
        assert_eq!(topics(&mut inbox), ["r1", "q1", "r2", "s1", "Up"]);
    }

    #[test]
    fn a_press_in_a_flood_waits_for_every_reading_that_came_before_it() {
        let (shelf, mut inbox) = Inbox::new();
        for index in 0..100 {
            shelf.message(Lane::Reading, received(&format!("r{index}"))).unwrap();
        }
        shelf.message(Lane::Request, received("q")).unwrap();
        shelf.message(Lane::Reading, received("after")).unwrap();
        let order = topics(&mut inbox);
        assert_eq!((order[99].as_str(), order[100].as_str()), ("r99", "q"));
    }

    #[test]
    fn an_emergency_overtakes_everything() {
        let (shelf, mut inbox) = Inbox::new();
        for (lane, topic) in [(Lane::Reading, "r"), (Lane::Request, "q"), (Lane::Emergency, "e")] {
            shelf.message(lane, received(topic)).unwrap();
        }
        assert_eq!(topics(&mut inbox), ["e", "r", "q"]);
    }

    #[test]
    fn readings_drop_the_oldest_and_count() {
        let (shelf, mut inbox) = Inbox::new();
        for index in 0..READINGS_MAX + 3 {
            shelf.message(Lane::Reading, received(&index.to_string())).unwrap();
        }
        assert_eq!(inbox.readings_dropped(), 3);
        let left = topics(&mut inbox);
        assert_eq!((left.len(), left[0].as_str()), (READINGS_MAX, "3"));
    }

    #[test]
    fn requests_are_refused_aloud_rather_than_dropped() {
        let (shelf, mut inbox) = Inbox::new();
        for index in 0..NEVER_DROPPED_MAX {
            shelf.message(Lane::Request, received(&index.to_string())).unwrap();
        }
        assert_eq!(shelf.message(Lane::State, received("one more")), Err(Overflow));
        assert_eq!(shelf.message(Lane::Emergency, received("e")), Ok(()), "an emergency has room of its own");
        shelf.link(LinkState::Down { why: "full".into() });
        let left = topics(&mut inbox);
        assert_eq!((left.len(), left[0].as_str(), left[1].as_str()), (NEVER_DROPPED_MAX + 2, "e", "0"));
    }

    #[test]
    fn huge_readings_are_bounded_by_their_bytes() {
        let (shelf, mut inbox) = Inbox::new();
        for index in 0..20 {
            let payload = Bytes::from(vec![0; LANE_BYTES_MAX / 8]);
            shelf.message(Lane::Reading, Received { payload, ..received(&index.to_string()) }).unwrap();
        }
        assert_eq!(inbox.readings_dropped(), 12);
        assert_eq!(topics(&mut inbox).len(), 8);
    }

    #[test]
    fn a_closed_inbox_is_emptied_before_it_ends() {
        let (shelf, mut inbox) = Inbox::new();
        assert_eq!(inbox.try_recv(), Err(Empty::ForNow));
        shelf.message(Lane::Request, received("q")).unwrap();
        shelf.close();
        assert!(inbox.try_recv().is_ok());
        assert_eq!(inbox.try_recv(), Err(Empty::Closed));
    }
}
