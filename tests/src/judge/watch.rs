//! The judge on a real connection: what passes through a proxy between broker and guard, and a book in which whoever
//! makes the bytes writes down beforehand what they mean.
//!
//! ```text
//! book.says("meters/mill", "455", now, Says::Watts(455.0));   then publish it
//! Proxy::start_with(broker, watch.tap(), None)                    and let the guard connect there
//! watch.truth(0, true)                                        when the mill begins to work
//! watch.received(0)                                           when its outlet gets an off
//! watch.close()                                               what the judge says
//! ```

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use super::publishes::{Publish, Publishes};
use super::{Ask, At, Judge, Machine, Order, Says, Tally, Tolerance};
use crate::proxy::{Passed, Piece, Tap};

/// So many messages are remembered: more than can be on their way.
const REMEMBERED_MAX: usize = 50_000;

/// Where a machine's meter speaks, and where its outlet listens.
#[derive(Clone, Debug)]
pub struct Wiring {
    pub meter: String,
    pub order: String,
    /// The word for off on that topic.
    pub off: String,
}

/// What a message means to whoever made it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Meant {
    Reading(At, Says),
    Request(usize, Ask),
}

/// Everything that passes, in the order in which it does.
#[derive(Clone, Debug)]
pub struct Watch {
    scene: Arc<Mutex<Scene>>,
    begin: Instant,
}

/// Topic and payload.
type Message = (String, Vec<u8>);

#[derive(Debug)]
struct Scene {
    machines: Vec<Machine>,
    wirings: Vec<Wiring>,
    tolerance: Tolerance,
    book: HashMap<Message, (u64, Meant)>,
    written: VecDeque<(u64, Message)>,
    numbers: u64,
    /// Since when each machine has worked.
    works: Vec<Option<At>>,
    connections: BTreeMap<u64, Connection>,
    unknown: u64,
}

/// What was delivered on one connection says nothing to whoever guards on another, later or at the same time.
#[derive(Debug)]
struct Connection {
    judge: Judge,
    directions: [Publishes; 2],
    /// Offs that have not reached their outlets.
    offs: Vec<Option<At>>,
}

impl Watch {
    pub fn new(machines: Vec<(Machine, Wiring)>, tolerance: Tolerance) -> Watch {
        let (machines, wirings): (Vec<_>, Vec<_>) = machines.into_iter().unzip();
        let scene = Scene {
            works: vec![None; machines.len()],
            machines,
            wirings,
            tolerance,
            book: HashMap::new(),
            written: VecDeque::new(),
            numbers: 0,
            connections: BTreeMap::new(),
            unknown: 0,
        };
        Watch { scene: Arc::new(Mutex::new(scene)), begin: Instant::now() }
    }

    /// For the proxy, to tell what passes.
    pub fn tap(&self) -> Tap {
        let watch = self.clone();
        Arc::new(move |piece| watch.scene().passes(watch.at(piece.at), piece))
    }

    /// Before it is published: what these bytes on this topic mean. They should be like no others, or nobody can tell
    /// when those that arrive were said.
    pub fn says(&self, topic: &str, payload: &str, says: Says) {
        let meant = Meant::Reading(self.now(), says);
        self.scene().write_down((topic.to_owned(), payload.as_bytes().to_vec()), meant);
    }

    pub fn asks(&self, topic: &str, payload: &str, machine: usize, ask: Ask) {
        self.scene()
            .write_down((topic.to_owned(), payload.as_bytes().to_vec()), Meant::Request(machine, ask));
    }

    pub fn truth(&self, machine: usize, works: bool) {
        let now = self.now();
        let mut scene = self.scene();
        if scene.works[machine].is_some() != works {
            scene.works[machine] = works.then_some(now);
        }
        for connection in scene.connections.values_mut() {
            connection.judge.truth(now, machine, works);
        }
    }

    /// The outlet has got an off: the last that was sent.
    pub fn received(&self, machine: usize) {
        let now = self.now();
        let mut scene = self.scene();
        let last = scene.connections.values_mut().max_by_key(|connection| connection.offs[machine]);
        if let Some(connection) = last
            && let Some(sent) = connection.offs[machine].take()
        {
            connection.judge.received(now, machine, sent);
        }
    }

    /// How many plain offs were judged so far.
    pub fn plain_offs(&self) -> u64 {
        self.scene().connections.values().map(|connection| connection.judge.tally().plain).sum()
    }

    /// What the judge has counted; an error if it could not understand what passed.
    pub fn close(&self) -> Result<Tally, String> {
        let scene = self.scene();
        let lost = |connection: &&Connection| connection.directions.iter().any(Publishes::is_lost);
        let lost = scene.connections.values().filter(lost).count();
        if scene.unknown > 0 || lost > 0 {
            let unknown = scene.unknown;
            return Err(format!(
                "the judge does not understand {unknown} messages of meters and {lost} connections"
            ));
        }
        let mut tally = Tally::default();
        scene.connections.values().for_each(|connection| tally.add(connection.judge.tally()));
        Ok(tally)
    }

    fn now(&self) -> At {
        self.begin.elapsed()
    }

    fn at(&self, instant: Instant) -> At {
        instant.saturating_duration_since(self.begin)
    }

    fn scene(&self) -> MutexGuard<'_, Scene> {
        self.scene.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Scene {
    fn write_down(&mut self, message: Message, meant: Meant) {
        self.numbers += 1;
        self.book.insert(message.clone(), (self.numbers, meant));
        self.written.push_back((self.numbers, message));
        if self.written.len() > REMEMBERED_MAX
            && let Some((number, oldest)) = self.written.pop_front()
            && self.book.get(&oldest).is_some_and(|(newest, _)| *newest == number)
        {
            self.book.remove(&oldest);
        }
    }

    fn passes(&mut self, at: At, piece: Piece<'_>) {
        let (direction, bytes) = match piece.passed {
            Passed::ToClient(bytes) => (0, bytes),
            Passed::ToBroker(bytes) => (1, bytes),
        };
        let connection = self.connections.entry(piece.connection).or_insert_with(|| {
            let mut judge = Judge::new(self.machines.clone(), self.tolerance);
            for (machine, since) in self.works.iter().enumerate() {
                if let Some(since) = since {
                    judge.truth(*since, machine, true);
                }
            }
            Connection { judge, directions: Default::default(), offs: vec![None; self.machines.len()] }
        });
        for message in connection.directions[direction].feed(bytes) {
            if direction == 1 {
                connection.sent(at, &self.wirings, &message);
                continue;
            }
            let machine = self.wirings.iter().position(|wiring| wiring.meter == message.topic);
            let stored = message.retain;
            let meant = self.book.get(&(message.topic, message.payload)).map(|(_, meant)| *meant);
            match (machine, meant) {
                (Some(machine), Some(Meant::Reading(measured, says))) => {
                    connection.judge.delivered(at, machine, stored, &[(measured.min(at), says)]);
                }
                (None, Some(Meant::Request(machine, ask))) if !stored => {
                    connection.judge.asked(at, machine, ask);
                }
                (Some(_), _) => self.unknown += 1,
                (None, _) => {}
            }
        }
    }
}

impl Connection {
    fn sent(&mut self, at: At, wirings: &[Wiring], message: &Publish) {
        for (machine, wiring) in wirings.iter().enumerate() {
            if wiring.order != message.topic {
                continue;
            }
            if wiring.off.as_bytes() == message.payload {
                self.judge.sent(at, machine, Order::Off);
                self.offs[machine] = Some(at);
            } else {
                self.judge.sent(at, machine, Order::On);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::judge::Fault;

    /// At most once, without properties.
    fn publish(topic: &str, payload: &str) -> Vec<u8> {
        let mut bytes = vec![0x30, 0, 0, u8::try_from(topic.len()).unwrap()];
        bytes.extend(topic.as_bytes());
        bytes.push(0);
        bytes.extend(payload.as_bytes());
        bytes[1] = u8::try_from(bytes.len() - 2).unwrap();
        bytes
    }

    struct Wire {
        watch: Watch,
        tap: Tap,
        connection: u64,
        millis: u64,
    }

    impl Wire {
        fn new() -> Wire {
            let machine = Machine {
                name: "mill".to_owned(),
                busy_watts: 100.0,
                quiet_watts: 50.0,
                dwell: Duration::ZERO,
                silence_max: Duration::from_secs(60),
                unseen_max: Duration::from_secs(60),
                order_lasts: Duration::from_secs(2),
                order_repeats: Duration::from_secs(5),
                window: Duration::from_secs(10),
            };
            let [meter, order, off] = ["meters/mill", "outlets/mill/order", "off"].map(str::to_owned);
            let watch = Watch::new(vec![(machine, Wiring { meter, order, off })], Tolerance::default());
            Wire { tap: watch.tap(), watch, connection: 1, millis: 0 }
        }

        fn passes(&mut self, passed: Passed<'_>) {
            self.millis += 10;
            let at = self.watch.begin + Duration::from_millis(self.millis);
            (self.tap)(Piece { at, connection: self.connection, passed });
        }

        fn meter_says(&mut self, payload: &str) {
            self.passes(Passed::ToClient(&publish("meters/mill", payload)));
        }

        fn off_is_sent(&mut self) -> Vec<Fault> {
            self.passes(Passed::ToBroker(&publish("outlets/mill/order", "off")));
            self.watch.close().unwrap().findings.iter().map(|finding| finding.fault).collect()
        }
    }

    #[test]
    fn what_passes_is_judged_by_what_was_written_down_of_it() {
        let mut wire = Wire::new();
        wire.watch.says("meters/mill", "3", Says::Watts(3.0));
        wire.watch.says("meters/mill", "455", Says::Watts(455.0));
        wire.watch.says("meters/mill", "overload", Says::Rubbish);
        wire.meter_says("3");
        assert_eq!(wire.off_is_sent(), []);
        wire.meter_says("455");
        assert_eq!(wire.off_is_sent(), [Fault::WorkShown]);
        wire.meter_says("3");
        wire.meter_says("overload");
        assert_eq!(wire.off_is_sent(), [Fault::WorkShown, Fault::Unreadable]);
        wire.meter_says("3");
        wire.meter_says("3");
        wire.connection = 2;
        assert_eq!(wire.off_is_sent(), [Fault::WorkShown, Fault::Unreadable, Fault::NeverIdle]);
    }

    #[test]
    fn a_reading_of_which_nobody_wrote_anything_down_makes_the_proof_worthless() {
        let mut wire = Wire::new();
        wire.meter_says("7");
        assert!(wire.watch.close().is_err());
    }
}
