//! What arrived and waits to be judged: bounded lanes between the connection and whoever decides.
//!
//! A flood of readings must not push out a press, and a press must not be judged before the readings that came ahead of
//! it. So entries are numbered as they arrive and leave in that order, with one exception: what may carry an emergency
//! goes first. Readings drop the oldest when there is no room; of one input no more wait than anybody can mean, and the
//! rest is dropped and counted; nothing else is ever dropped.

use std::collections::{HashMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use bytes::Bytes;
use tokio::sync::Notify;

use super::Report;
use idlegate_guard::time::{Moment, Now};
use idlegate_os::Clock;
use idlegate_plan::event::{Line, LinkState, Message, Name};

/// Which queue the messages of a topic wait in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lane {
    /// Topics of inputs that may raise an emergency: ahead of everything else.
    Emergency,
    /// Topics of contacts: ahead, too. Of many positions the last is never dropped, nor the only one of its kind.
    Contact,
    /// Topics of inputs: never dropped.
    Request,
    /// What outlets report of themselves: never dropped.
    State,
    /// Readings: the oldest is dropped when there is no room.
    Reading,
    /// Nobody's topic: counted, not handed over.
    Nobody,
}

/// What a message is to the guard: the queue that it waits in, and the input that it is for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Class {
    pub lane: Lane,
    pub input: Option<Name>,
}

impl From<Lane> for Class {
    fn from(lane: Lane) -> Class {
        Class { lane, input: None }
    }
}

/// Of one input, in each queue. Nobody's hands are as fast; and a flood of one input leaves room for all others.
pub(super) const OF_ONE_INPUT_MAX: usize = 128;
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
    /// Any of these, of the connection for emergencies.
    Emergency(Box<Arrival>),
}

/// The receiving end. What it hands out came in over one connection after another, in order.
#[derive(Debug)]
pub struct Inbox(Arc<Mailbox>);

/// The sending end of one connection, shared by its tasks.
#[derive(Clone, Debug)]
pub(super) struct Entrance {
    mailbox: Arc<Mailbox>,
    line: Line,
}

/// What waits, of all connections together.
#[derive(Debug, Default)]
struct Mailbox {
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
    /// Of inputs of which too many waited, since this was last asked.
    unheard: HashMap<Name, u64>,
    closed: bool,
}

/// In order of arrival, and how many bytes of payload they hold.
#[derive(Debug, Default)]
struct Queue {
    entries: VecDeque<Entry>,
    bytes: usize,
    of_inputs: HashMap<Name, usize>,
}

#[derive(Debug)]
struct Entry {
    number: u64,
    line: Line,
    input: Option<Name>,
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
    pub(super) ours: bool,
    /// It entered the broker's stream at this time or later.
    pub(super) since: Moment,
    pub(super) response_topic: Option<Arc<str>>,
    pub(super) correlation: Option<Bytes>,
}

/// A lane that drops nothing is full.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Overflow;

impl Inbox {
    pub(super) fn new() -> (Entrance, Inbox) {
        let mailbox = Arc::new(Mailbox::default());
        (Entrance { mailbox: Arc::clone(&mailbox), line: Line::Main }, Inbox(mailbox))
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
        Ok(entry.taken_out())
    }

    /// The next message that may carry an emergency, if one waits.
    pub fn try_emergency(&mut self) -> Option<(Now, Arrival)> {
        let entry = self.0.lock().emergencies.pop()?;
        Some(entry.taken_out())
    }

    /// Inputs of which messages were dropped since this was last asked, and how many.
    pub fn take_unheard(&self) -> HashMap<Name, u64> {
        std::mem::take(&mut self.0.lock().unheard)
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

impl Mailbox {
    fn lock(&self) -> MutexGuard<'_, Queues> {
        // A panic elsewhere cannot leave these queues half-changed.
        self.queues.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Entrance {
    /// Of another connection, to the same inbox.
    pub(super) fn of(&self, line: Line) -> Entrance {
        Entrance { mailbox: Arc::clone(&self.mailbox), line }
    }

    pub(super) fn message(&self, class: Class, received: Received) -> Result<(), Overflow> {
        let mut queues = self.mailbox.lock();
        let Class { lane, input } = class;
        match queues.room(self.line, lane, input.as_ref(), &received) {
            Room::ForIt => {}
            Room::InPlaceOf(at) => {
                queues.emergencies.remove(at);
                queues.not_heard(input.clone());
            }
            Room::None => {
                queues.not_heard(input);
                return Ok(());
            }
        }
        let entry = queues.numbered(self.line, input, Waiting::Message(received));
        match lane {
            Lane::Emergency | Lane::Contact => queues.emergencies.add(entry, NEVER_DROPPED_MAX)?,
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
        self.mailbox.filled.notify_one();
        Ok(())
    }

    /// Never refused: there are only a few of these for each connection.
    pub(super) fn link(&self, state: LinkState) {
        self.own(Waiting::Link(state));
    }

    /// Left out when nobody takes anything out any more.
    pub(super) fn report(&self, report: Report) {
        if self.mailbox.lock().steady.entries.len() < NEVER_DROPPED_MAX {
            self.own(Waiting::Report(report));
        }
    }

    fn own(&self, what: Waiting) {
        let mut queues = self.mailbox.lock();
        let entry = queues.numbered(self.line, None, what);
        queues.steady.push(entry);
        drop(queues);
        self.mailbox.filled.notify_one();
    }

    /// The connection is gone for good. Only that of the main one ends the inbox.
    pub(super) fn close(&self) {
        if self.line == Line::Main {
            self.mailbox.lock().closed = true;
            self.mailbox.filled.notify_one();
        }
    }
}

impl Queues {
    fn numbered(&mut self, line: Line, input: Option<Name>, what: Waiting) -> Entry {
        self.next_number += 1;
        Entry { number: self.next_number, line, input, what }
    }

    /// Where more of this input wait than anybody can mean. Of an emergency input the first to go is what says nothing
    /// new.
    fn room(&self, line: Line, lane: Lane, input: Option<&Name>, received: &Received) -> Room {
        let Some(input) = input else { return Room::ForIt };
        let too_many = match lane {
            Lane::Emergency => {
                let waiting = self.emergencies.of(input);
                waiting >= 2 * OF_ONE_INPUT_MAX
                    || waiting >= OF_ONE_INPUT_MAX && self.emergencies.says_already(input, received)
            }
            Lane::Contact => return self.emergencies.room_for_position(line, input, received),
            Lane::Request => self.steady.of(input) >= OF_ONE_INPUT_MAX,
            Lane::State | Lane::Reading | Lane::Nobody => false,
        };
        if too_many { Room::None } else { Room::ForIt }
    }

    fn not_heard(&mut self, input: Option<Name>) {
        *self.unheard.entry(input.expect("only an input's messages are counted")).or_default() += 1;
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
        if let Some(input) = &entry.input {
            *self.of_inputs.entry(input.clone()).or_default() += 1;
        }
        self.entries.push_back(entry);
    }

    fn pop(&mut self) -> Option<Entry> {
        self.remove(0)
    }

    fn of(&self, input: &Name) -> usize {
        self.of_inputs.get(input).copied().unwrap_or_default()
    }

    fn says_already(&self, input: &Name, received: &Received) -> bool {
        self.of_input(input).any(|(_, _, waiting)| waiting.says_the_same(received))
    }

    /// The newest first, each with its place and the connection that brought it.
    fn of_input<'a>(&'a self, input: &'a Name) -> impl Iterator<Item = (usize, Line, &'a Received)> {
        self.entries.iter().enumerate().rev().filter_map(move |(at, entry)| match &entry.what {
            Waiting::Message(waiting) if entry.input.as_ref() == Some(input) => {
                Some((at, entry.line, waiting))
            }
            Waiting::Message(_) | Waiting::Link(_) | Waiting::Report(_) => None,
        })
    }

    /// A contact that chatters. What it said last must be heard, and of each thing that it said one; the rest changes
    /// nothing.
    fn room_for_position(&self, line: Line, contact: &Name, received: &Received) -> Room {
        if self.of(contact) < OF_ONE_INPUT_MAX {
            return Room::ForIt;
        }
        let mut waiting = self.of_input(contact).filter(|(_, brought_by, _)| *brought_by == line);
        let Some((at, _, newest)) = waiting.next() else { return Room::ForIt };
        if newest.is_the_same(received) {
            Room::None
        } else if waiting.any(|(_, _, earlier)| earlier.is_the_same(newest)) {
            Room::InPlaceOf(at)
        } else {
            Room::ForIt
        }
    }

    fn remove(&mut self, at: usize) -> Option<Entry> {
        let entry = self.entries.remove(at)?;
        self.bytes -= entry.bytes();
        if let Some(waiting) = entry.input.as_ref().and_then(|input| self.of_inputs.get_mut(input)) {
            *waiting -= 1;
        }
        Some(entry)
    }
}

/// Whether there is room for one more.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Room {
    ForIt,
    /// Of the emergency queue: that one goes.
    InPlaceOf(usize),
    None,
}

impl Received {
    fn says_the_same(&self, other: &Received) -> bool {
        self.payload == other.payload && self.topic == other.topic
    }

    fn is_the_same(&self, other: &Received) -> bool {
        self.says_the_same(other) && (self.retained, self.proved) == (other.retained, other.proved)
    }
}

impl Entry {
    fn taken_out(self) -> (Now, Arrival) {
        let now = Clock.now();
        let arrival = match self.what {
            Waiting::Link(state) => Arrival::Link(state),
            Waiting::Report(report) => Arrival::Report(report),
            Waiting::Message(received) => Arrival::Message(Message {
                topic: received.topic,
                payload: received.payload,
                retained: received.retained,
                proved: received.proved,
                ours: received.ours,
                age: now.moment.since(received.since),
                response_topic: received.response_topic,
                correlation: received.correlation,
            }),
        };
        let arrival = match self.line {
            Line::Main => arrival,
            Line::Emergency => Arrival::Emergency(Box::new(arrival)),
        };
        (now, arrival)
    }

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
            ours: false,
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
                Arrival::Emergency(arrival) => format!("{arrival:?}"),
            })
            .collect()
    }

    #[test]
    fn a_press_is_judged_after_the_readings_that_came_before_it() {
        let (mailbox, mut inbox) = Inbox::new();
        for (lane, topic) in [
            (Lane::Reading, "r1"),
            (Lane::Request, "q1"),
            (Lane::Reading, "r2"),
            (Lane::State, "s1"),
            (Lane::Nobody, "x"),
        ] {
            mailbox.message(lane.into(), received(topic)).unwrap();
        }
        mailbox.link(LinkState::Up);
        assert_eq!(topics(&mut inbox), ["r1", "q1", "r2", "s1", "Up"]);
    }

    #[test]
    fn a_press_in_a_flood_waits_for_every_reading_that_came_before_it() {
        let (mailbox, mut inbox) = Inbox::new();
        for index in 0..100 {
            mailbox.message(Lane::Reading.into(), received(&format!("r{index}"))).unwrap();
        }
        mailbox.message(Lane::Request.into(), received("q")).unwrap();
        mailbox.message(Lane::Reading.into(), received("after")).unwrap();
        let order = topics(&mut inbox);
        assert_eq!((order[99].as_str(), order[100].as_str()), ("r99", "q"));
    }

    #[test]
    fn an_emergency_overtakes_everything() {
        let (mailbox, mut inbox) = Inbox::new();
        for (lane, topic) in [(Lane::Reading, "r"), (Lane::Request, "q"), (Lane::Emergency, "e")] {
            mailbox.message(lane.into(), received(topic)).unwrap();
        }
        assert_eq!(topics(&mut inbox), ["e", "r", "q"]);
    }

    #[test]
    fn readings_drop_the_oldest_and_count() {
        let (mailbox, mut inbox) = Inbox::new();
        for index in 0..READINGS_MAX + 3 {
            mailbox.message(Lane::Reading.into(), received(&index.to_string())).unwrap();
        }
        assert_eq!(inbox.readings_dropped(), 3);
        let left = topics(&mut inbox);
        assert_eq!((left.len(), left[0].as_str()), (READINGS_MAX, "3"));
    }

    #[test]
    fn requests_are_refused_aloud_rather_than_dropped() {
        let (mailbox, mut inbox) = Inbox::new();
        for index in 0..NEVER_DROPPED_MAX {
            mailbox.message(Lane::Request.into(), received(&index.to_string())).unwrap();
        }
        assert_eq!(mailbox.message(Lane::State.into(), received("one more")), Err(Overflow));
        assert_eq!(
            mailbox.message(Lane::Emergency.into(), received("e")),
            Ok(()),
            "an emergency has room of its own"
        );
        mailbox.link(LinkState::Down { why: "full".into() });
        let left = topics(&mut inbox);
        assert_eq!((left.len(), left[0].as_str(), left[1].as_str()), (NEVER_DROPPED_MAX + 2, "e", "0"));
    }

    fn of(lane: Lane, input: &str) -> Class {
        Class { lane, input: Some(Name::new(input).unwrap()) }
    }

    #[test]
    fn a_flood_of_one_input_neither_ends_the_connection_nor_takes_the_place_of_another_input() {
        let (mailbox, mut inbox) = Inbox::new();
        for _ in 0..3 * NEVER_DROPPED_MAX {
            mailbox.message(of(Lane::Request, "panel"), received("p")).unwrap();
        }
        mailbox.message(of(Lane::Request, "button"), received("b")).unwrap();
        mailbox.message(Lane::State.into(), received("s")).unwrap();
        let left = topics(&mut inbox);
        assert_eq!((left.len(), left[OF_ONE_INPUT_MAX].as_str()), (OF_ONE_INPUT_MAX + 2, "b"));
        let unheard = (3 * NEVER_DROPPED_MAX - OF_ONE_INPUT_MAX) as u64;
        assert_eq!(inbox.take_unheard(), HashMap::from([(Name::new("panel").unwrap(), unheard)]));
        assert_eq!(inbox.take_unheard(), HashMap::new());
        mailbox.message(of(Lane::Request, "panel"), received("p")).unwrap();
        assert_eq!(topics(&mut inbox), ["p"], "heard again once there is room");
    }

    #[test]
    fn in_a_flood_of_an_emergency_input_what_says_something_new_is_heard() {
        let (mailbox, mut inbox) = Inbox::new();
        for _ in 0..NEVER_DROPPED_MAX {
            mailbox.message(of(Lane::Emergency, "door"), received("closed")).unwrap();
        }
        mailbox.message(of(Lane::Emergency, "door"), received("open")).unwrap();
        assert_eq!(topics(&mut inbox).last().map(String::as_str), Some("open"));
    }

    fn position(payload: &'static str) -> Received {
        Received { payload: Bytes::from_static(payload.as_bytes()), ..received("latch") }
    }

    fn payloads(inbox: &mut Inbox) -> Vec<String> {
        let left = std::iter::from_fn(|| inbox.try_recv().ok()).map(|(_, arrival)| match arrival {
            Arrival::Message(message) => String::from_utf8_lossy(&message.payload).into_owned(),
            other => panic!("{other:?}"),
        });
        left.collect()
    }

    #[test]
    fn a_contact_that_chatters_neither_ends_the_connection_nor_loses_its_last_position_or_its_only_push() {
        let (mailbox, mut inbox) = Inbox::new();
        let says = |word| mailbox.message(of(Lane::Contact, "latch"), position(word)).unwrap();
        for last in ["pushed", "released"] {
            for _ in 0..NEVER_DROPPED_MAX {
                ["pushed", "released"].into_iter().for_each(says);
            }
            says(last);
            let left = payloads(&mut inbox);
            assert_eq!((left.len(), left.last().map(String::as_str)), (OF_ONE_INPUT_MAX, Some(last)));
            assert!(inbox.take_unheard().into_values().sum::<u64>() > NEVER_DROPPED_MAX as u64);
        }
        (0..2 * NEVER_DROPPED_MAX).for_each(|_| says("released"));
        says("pushed");
        (0..2 * NEVER_DROPPED_MAX).for_each(|_| says("released"));
        let left = payloads(&mut inbox);
        assert_eq!(left[left.len() - 2..], ["pushed", "released"]);
    }

    #[test]
    fn what_comes_over_the_connection_for_emergencies_says_so_and_does_not_end_the_inbox() {
        let (mailbox, mut inbox) = Inbox::new();
        let emergency = mailbox.of(Line::Emergency);
        mailbox.message(Lane::Request.into(), received("q")).unwrap();
        emergency.message(Lane::Emergency.into(), received("e")).unwrap();
        assert!(matches!(inbox.try_emergency(), Some((_, Arrival::Emergency(_)))));
        assert!(inbox.try_emergency().is_none(), "a plain request waits for its turn");
        emergency.close();
        assert!(matches!(inbox.try_recv(), Ok((_, Arrival::Message(_)))));
        assert_eq!(inbox.try_recv(), Err(Empty::ForNow));
    }

    #[test]
    fn huge_readings_are_bounded_by_their_bytes() {
        let (mailbox, mut inbox) = Inbox::new();
        for index in 0..20 {
            let payload = Bytes::from(vec![0; LANE_BYTES_MAX / 8]);
            mailbox
                .message(Lane::Reading.into(), Received { payload, ..received(&index.to_string()) })
                .unwrap();
        }
        assert_eq!(inbox.readings_dropped(), 12);
        assert_eq!(topics(&mut inbox).len(), 8);
    }

    #[test]
    fn a_closed_inbox_is_emptied_before_it_ends() {
        let (mailbox, mut inbox) = Inbox::new();
        assert_eq!(inbox.try_recv(), Err(Empty::ForNow));
        mailbox.message(Lane::Request.into(), received("q")).unwrap();
        mailbox.close();
        assert!(inbox.try_recv().is_ok());
        assert_eq!(inbox.try_recv(), Err(Empty::Closed));
    }
}
