//! Puts the evidence before the judge: what was said and meant at the machines, and the bytes on the program's line.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::time::Duration;

use anyhow::{Context, Result};
use idlegate_tests::floor::{Happened, Machine, Note};
use idlegate_tests::judge::{self, Ask, At, Finding, Judge, Order, Says, Tally, Tolerance};
use idlegate_tests::packets::{Packet, Packets, Published};
use idlegate_tests::proxy::{self, Passed};
use tokio::sync::mpsc::UnboundedReceiver;
use tokio::time::Instant;

/// A busy computer's time between a socket and whoever reads it.
const TOLERANCE: Tolerance =
    Tolerance { crossing: Duration::from_millis(150), dwell: Duration::from_millis(250) };
/// An order expires after two seconds, but what stands in a line that stands still goes on with it.
const ORDER_LASTS: Duration = Duration::from_secs(7);
/// A pack is on its way for so long, and then a bridge.
const UNSEEN_MAX: Duration = Duration::from_secs(8);

/// So much of what happened anywhere is looked through for what led to a finding.
const TOLD_MAX: usize = 1_500;

enum Evidence {
    Happened(usize, Happened),
    Delivered {
        machine: usize,
        payload: Vec<u8>,
        subscribed: Instant,
    },
    Asked(usize, Ask),
    Emergency,
    Sent(usize, Order),
    /// What the program says of its decision; for people, not for the judge.
    Decided(usize, String),
    /// The program listens to a meter that it did not listen to before: other rules are in force.
    Rewired(usize),
    LinkLost,
}

impl Evidence {
    fn words(&self) -> Option<String> {
        Some(match self {
            Evidence::Happened(machine, Happened::Works(works)) => {
                format!("machine {machine}: works: {works}")
            }
            Evidence::Happened(machine, Happened::GoesOff) => format!("machine {machine}: goes off"),
            Evidence::Delivered { machine, payload, .. } => {
                format!("machine {machine}: {}", String::from_utf8_lossy(payload))
            }
            Evidence::Asked(machine, ask) => format!("machine {machine}: asked, {ask:?}"),
            Evidence::Sent(machine, order) => format!("machine {machine}: order, {order:?}"),
            Evidence::Rewired(machine) => format!("machine {machine}: another meter"),
            Evidence::Decided(machine, why) => format!("machine {machine}: decided, {why}"),
            Evidence::LinkLost | Evidence::Emergency | Evidence::Happened(_, Happened::Says { .. }) => {
                return None;
            }
        })
    }
}

/// What passed on the program's line.
pub(crate) enum Piece {
    ToClient { connection: u64, at: std::time::Instant, bytes: Vec<u8> },
    ToBroker { connection: u64, at: std::time::Instant, bytes: Vec<u8> },
}

impl Piece {
    pub(crate) fn of(heard: proxy::Piece<'_>) -> Piece {
        let proxy::Piece { at, connection, passed } = heard;
        match passed {
            Passed::ToClient(bytes) => Piece::ToClient { connection, at, bytes: bytes.to_vec() },
            Passed::ToBroker(bytes) => Piece::ToBroker { connection, at, bytes: bytes.to_vec() },
        }
    }
}

#[derive(Default)]
pub(crate) struct Court {
    evidence: Vec<(Instant, Evidence)>,
    connections: BTreeMap<u64, Connection>,
}

#[derive(Default)]
struct Connection {
    to_client: Packets,
    to_broker: Packets,
    subscribed: Option<Instant>,
    /// The program has more than one connection: what a machine draws is known as long as the one stands that its meter
    /// comes by.
    brings_meters: bool,
}

impl Court {
    /// Until nobody has anything more to say.
    pub(crate) async fn hears(
        mut pieces: UnboundedReceiver<Piece>,
        mut notes: UnboundedReceiver<Note>,
    ) -> Court {
        let mut court = Court::default();
        loop {
            tokio::select! {
                Some(piece) = pieces.recv() => court.passes(piece),
                Some(note) = notes.recv() => {
                    court.evidence.push((note.at, Evidence::Happened(note.machine, note.what)));
                }
                else => return court,
            }
        }
    }

    fn passes(&mut self, piece: Piece) {
        match piece {
            Piece::ToClient { connection, at, bytes } => {
                let connection = self.connections.entry(connection).or_default();
                for packet in connection.to_client.hears(&bytes) {
                    if let Packet::Published(message) = packet {
                        let delivered = delivered(message, connection.subscribed);
                        self.evidence.extend(delivered.map(|it| (at.into(), it)));
                    }
                }
            }
            Piece::ToBroker { connection, at, bytes } => {
                let connection = self.connections.entry(connection).or_default();
                for packet in connection.to_broker.hears(&bytes) {
                    match packet {
                        Packet::Published(message) => {
                            self.evidence.extend(sent(&message).map(|it| (at.into(), it)));
                        }
                        Packet::Subscribes(filters) => {
                            connection.subscribed.get_or_insert(at.into());
                            let mut meters = filters
                                .iter()
                                .filter_map(|filter| place(filter))
                                .filter(|(kind, _)| *kind == "meters")
                                .peekable();
                            // The line before it is lost, whenever that was.
                            if meters.peek().is_some() && !connection.brings_meters {
                                connection.brings_meters = true;
                                self.evidence.push((at.into(), Evidence::LinkLost));
                            }
                            let rewired = meters.filter_map(|(_, number)| number);
                            self.evidence
                                .extend(rewired.map(|number| (at.into(), Evidence::Rewired(number))));
                        }
                        Packet::Other => {}
                    }
                }
            }
        }
    }

    /// What came while the program itself was stopped came when it went on.
    pub(crate) fn judges(mut self, machines: &[Machine], stops: &[(Instant, Instant)]) -> Result<Tally> {
        for (at, evidence) in &mut self.evidence {
            if matches!(evidence, Evidence::Delivered { .. } | Evidence::Asked(..) | Evidence::Emergency) {
                let stop = stops.iter().find(|(from, until)| from <= at && *at <= *until);
                *at = stop.map_or(*at, |(_, until)| *until);
            }
        }
        self.evidence.sort_by_key(|(at, _)| *at);
        let begin = self.evidence.first().context("nothing happened at all")?.0;
        let known = machines.iter().enumerate().map(|(number, machine)| known(number, machine)).collect();
        let mut trial =
            Trial { judge: Judge::new(known, TOLERANCE), said: HashMap::new(), last_sent: BTreeMap::new() };
        let count = machines.len();
        let mut before: VecDeque<(Duration, String)> = VecDeque::new();
        for (at, evidence) in self.evidence {
            before.extend(evidence.words().map(|words| (at - begin, words)));
            before.drain(..before.len().saturating_sub(TOLD_MAX));
            let found = trial.judge.tally().findings.len();
            trial.takes(at, at - begin, evidence, count)?;
            if let Some(finding) = trial.judge.tally().findings.get(found) {
                tell(finding, &before);
            }
        }
        Ok(trial.judge.tally().clone())
    }
}

/// What happened at a machine before it was cut.
fn tell(finding: &Finding, before: &VecDeque<(Duration, String)>) {
    println!("{finding}");
    let its = |words: &str| {
        words.strip_prefix(finding.machine.split(" (").next().unwrap_or_default()).map(str::to_owned)
    };
    for (at, words) in before.iter().filter_map(|(at, words)| Some((at, its(words)?))) {
        println!("    {:>7.2} s before{words}", finding.at.saturating_sub(*at).as_secs_f64());
    }
}

/// What its owner would say of it.
fn known(number: usize, machine: &Machine) -> judge::Machine {
    judge::Machine {
        name: format!("machine {number} ({:?})", machine.meter),
        busy_watts: 100.0,
        quiet_watts: 50.0,
        dwell: machine.dwell,
        silence_max: machine.dwell,
        unseen_max: UNSEEN_MAX,
        order_lasts: ORDER_LASTS,
        // It repeats after five, and one of those may fall into an outage.
        order_repeats: Duration::from_secs(10),
        window: Duration::from_secs(10),
    }
}

fn delivered(message: Published, subscribed: Option<Instant>) -> Option<Evidence> {
    let (kind, number) = place(&message.topic)?;
    match kind {
        "meters" => {
            Some(Evidence::Delivered { machine: number?, payload: message.payload, subscribed: subscribed? })
        }
        "buttons" => {
            let ask = if message.payload == b"long-press" { Ask::Force } else { Ask::Plain };
            Some(Evidence::Asked(number?, ask))
        }
        "contacts" => Some(Evidence::Emergency),
        _ => None,
    }
}

fn sent(message: &Published) -> Option<Evidence> {
    if message.topic == "idlegate/decision" {
        let decision: serde_json::Value = serde_json::from_slice(&message.payload).ok()?;
        let number = decision["machine"].as_str()?.strip_prefix("machine-")?.parse().ok()?;
        return Some(Evidence::Decided(number, decision.to_string()));
    }
    let (kind, number) = place(&message.topic)?;
    let order = if message.payload == b"off" { Order::Off } else { Order::On };
    (kind == "outlets").then_some(Evidence::Sent(number?, order))
}

/// The first level of a topic, and the number of the machine behind it.
fn place(topic: &str) -> Option<(&str, Option<usize>)> {
    let mut levels = topic.split('/');
    let kind = levels.next()?;
    Some((kind, levels.next().and_then(|number| number.parse().ok())))
}

/// When something was said, and which readings it means.
type Said = (Instant, Vec<(Duration, Option<f64>)>);

struct Trial {
    judge: Judge,
    said: HashMap<(usize, Vec<u8>), Said>,
    last_sent: BTreeMap<usize, At>,
}

impl Trial {
    fn takes(&mut self, moment: Instant, at: At, evidence: Evidence, machines: usize) -> Result<()> {
        match evidence {
            Evidence::Happened(machine, what) => self.happens(moment, at, machine, what),
            Evidence::Delivered { machine, payload, subscribed } => {
                let said = self.said.get(&(machine, payload.clone()));
                let (said_at, means) =
                    said.with_context(|| format!("nobody said {:?}", String::from_utf8_lossy(&payload)))?;
                // Said before anybody listened: it can only have come from the store.
                let stored = *said_at < subscribed;
                let record = |(ago, watts): &(Duration, Option<f64>)| {
                    (at.saturating_sub(*ago), watts.map_or(Says::Rubbish, Says::Watts))
                };
                let records: Vec<_> = means.iter().map(record).collect();
                self.judge.delivered(at, machine, stored, &records);
            }
            Evidence::Asked(machine, ask) => self.judge.asked(at, machine, ask),
            Evidence::Emergency => {
                (0..machines).for_each(|machine| self.judge.asked(at, machine, Ask::Emergency));
            }
            Evidence::Sent(machine, order) => {
                self.last_sent.insert(machine, at);
                self.judge.sent(at, machine, order);
            }
            Evidence::Rewired(machine) => self.judge.rewired(at, machine),
            Evidence::Decided(..) => {}
            Evidence::LinkLost => self.judge.link_lost(at),
        }
        Ok(())
    }

    fn happens(&mut self, moment: Instant, at: At, machine: usize, what: Happened) {
        match what {
            Happened::Says { payload, means } => {
                self.said.insert((machine, payload), (moment, means));
            }
            Happened::Works(works) => self.judge.truth(at, machine, works),
            Happened::GoesOff => {
                if let Some(sent) = self.last_sent.get(&machine) {
                    self.judge.received(at, machine, *sent);
                }
            }
        }
    }
}
