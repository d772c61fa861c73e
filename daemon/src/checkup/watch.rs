//! What is heard of the topics that the rules name.

use super::finding::Finding;
use crate::effects::messages::Topics;
use crate::engine::request_topic;
use crate::event::Message;
use crate::intake::decode_word;
use crate::plan::{InputSource, Machine, Plan, Signal, Source, StateTopic};
use crate::signals::{self, SignalState};
use crate::text::{counted, tame};
use crate::time::{Moment, Span};
use crate::topic;

/// More is as bad as this much.
const RETAINED_MAX: usize = 100;
const SHOWN_CHARS: usize = 60;

#[derive(Debug)]
pub struct Watch<'p> {
    plan: &'p Plan,
    machines: Vec<Heard>,
    /// Topics of requests, gestures and orders with something stored on them.
    stored: Vec<(String, Stored)>,
    health: Option<serde_json::Value>,
    begin: Moment,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stored {
    Request,
    Order,
}

/// Of one machine.
#[derive(Clone, Debug, Default)]
struct Heard {
    outlet: Option<Result<String, String>>,
    reach: Option<String>,
    /// By index of the signal.
    signals: Vec<Track>,
    orders: usize,
}

#[derive(Clone, Debug, Default)]
struct Track {
    live: usize,
    retained: usize,
    first: Option<Moment>,
    latest: Option<Moment>,
    longest: Span,
    fault: Option<String>,
    /// Live messages that each put the machine in doubt, and what the last of them was.
    doubtful: usize,
    doubt: Option<String>,
}

impl<'p> Watch<'p> {
    pub fn new(plan: &'p Plan, now: Moment) -> Watch<'p> {
        let of_machine = |machine: &Machine| Heard {
            signals: vec![Track::default(); machine.signals.len()],
            ..Heard::default()
        };
        let machines = plan.machines.iter().map(of_machine).collect();
        Watch { plan, machines, stored: Vec::new(), health: None, begin: now }
    }

    /// What has to be heard: states, readings, inputs, orders, and the guard itself.
    pub fn filters(&self) -> Vec<String> {
        let mut filters: Vec<String> =
            crate::engine::subscriptions(self.plan).into_iter().map(|(filter, _)| filter).collect();
        filters.extend(self.plan.machines.iter().map(|machine| machine.outlet.order.topic.clone()));
        filters.push(Topics::new(&self.plan.shop.prefix).all_health());
        filters.sort();
        filters.dedup();
        filters
    }

    pub fn take(&mut self, now: Moment, message: &Message) {
        let (plan, topic) = (self.plan, &*message.topic);
        if Topics::new(&plan.shop.prefix).health_site(topic).is_some() {
            // Of several sites the one that is not guarded counts.
            let known_bad = self.health.as_ref().is_some_and(|health| health["guard"] != "guarding");
            if !known_bad || plan.shop.sites.is_empty() {
                self.health = serde_json::from_slice(&message.payload).ok();
            }
        }
        for (machine, heard) in plan.machines.iter().zip(&mut self.machines) {
            if machine.outlet.order.topic == topic && !is_for_another(plan, machine, message) {
                heard.orders += usize::from(!message.retained);
                if message.retained {
                    put(&mut self.stored, topic, Stored::Order);
                }
            }
            if topic::matches(&machine.outlet.state.source.filter, topic) {
                let said = state(&machine.outlet.state, message);
                // A message about another socket of a strip takes nothing back.
                if said.is_ok() || !says_nothing(&machine.outlet.state, message) || heard.outlet.is_none() {
                    heard.outlet = Some(said);
                }
            }
            if let Some(reach) = &machine.outlet.reach
                && topic::matches(&reach.source.filter, topic)
            {
                heard.reach = state(reach, message).ok();
            }
            for (signal, track) in machine.signals.iter().zip(&mut heard.signals) {
                if topic::matches(&signal.source.filter, topic) {
                    track.take(now, signal, message);
                }
            }
        }
        // Of a sender that has everything stored, the latest message always is.
        let of_input = |input: &crate::plan::Input| !input.sender_stores && is_of(plan, input, topic);
        if message.retained && plan.inputs.iter().any(of_input) {
            put(&mut self.stored, topic, Stored::Request);
        }
    }

    /// Of the machines in their order, then of what lies about.
    pub fn findings(&self, now: Moment) -> Vec<Finding> {
        let mut findings = vec![self.guard()];
        for (machine, heard) in self.plan.machines.iter().zip(&self.machines) {
            findings.push(outlet(machine, heard));
            let signals = machine.signals.iter().zip(&heard.signals);
            findings
                .extend(signals.map(|(signal, track)| track.finding(now.since(self.begin), machine, signal)));
            if heard.orders > 0 && self.health.is_none() {
                findings.push(Finding::fault(
                    machine.name.as_str(),
                    format!(
                        "its outlet was sent {}, but no guard is running",
                        counted(heard.orders, "order")
                    ),
                    "Let nobody but Idlegate publish there: see examples/access-list.",
                ));
            }
        }
        for (topic, stored) in &self.stored {
            let topic = tame(topic, SHOWN_CHARS);
            findings.push(match stored {
                Stored::Request => Finding::fault(
                    topic,
                    "an old request is stored at the broker under this topic; every new subscriber gets it (the guard \
                     ignores it)",
                    "Delete it: publish an empty retained message there. Then have its sender send requests without \
                     retain, or set sender_stores = true for the input.",
                ),
                Stored::Order => Finding::fault(
                    topic,
                    "an old order is stored at the broker under this topic; the outlet will obey it every time it \
                     reconnects",
                    "Delete it: publish an empty retained message there. Then find out who sent it: Idlegate never \
                     retains orders.",
                ),
            });
        }
        findings
    }

    fn guard(&self) -> Finding {
        let Some(health) = &self.health else {
            return Finding::note(
                "guard",
                "no guard is running at this broker",
                "Start it: idlegate run DIR",
            );
        };
        if health["guard"] != "guarding" {
            return Finding::fault(
                "guard",
                "it was running, and has gone",
                "Look at its log, or at systemctl status idlegate.",
            );
        }
        if health["rules"] != self.plan.digest.as_str() {
            return Finding::note(
                "guard",
                "it is running, but not with these rules",
                "See in idlegate/health or in the log how the last reload ended.",
            );
        }
        match health["journal"].as_str() {
            Some("ok") | None => Finding::good("guard", "running with these rules"),
            Some(journal) => Finding::note(
                "guard",
                format!("running with these rules; its journal is: {}", tame(journal, SHOWN_CHARS)),
                "Check the disk: without a healthy journal, lockouts may not survive a restart.",
            ),
        }
    }
}

fn put(stored: &mut Vec<(String, Stored)>, topic: &str, what: Stored) {
    if stored.len() < RETAINED_MAX && !stored.iter().any(|(known, _)| known == topic) {
        stored.push((topic.to_owned(), what));
    }
}

fn is_of(plan: &Plan, input: &crate::plan::Input, topic: &str) -> bool {
    match &input.source {
        InputSource::Topic { source: Source { filter, .. }, .. } => topic::matches(filter, topic),
        InputSource::RequestTopic => topic == request_topic(&plan.shop.prefix, input.name.as_str()),
        InputSource::Schedule(_) => false,
    }
}

fn says_nothing(rules: &StateTopic, message: &Message) -> bool {
    decode_word(&rules.source.path, &message.payload).is_err_and(|fault| fault.says_nothing())
}

/// The sockets of a strip may share their order topic.
fn is_for_another(plan: &Plan, machine: &Machine, message: &Message) -> bool {
    let orders = |machine: &Machine| {
        let order = &machine.outlet.order;
        order.topic == *message.topic
            && [&order.on, &order.off].iter().any(|word| word.as_bytes() == message.payload)
    };
    !orders(machine) && plan.machines.iter().any(orders)
}

/// On or off; or what it said instead.
fn state(rules: &StateTopic, message: &Message) -> Result<String, String> {
    let word = decode_word(&rules.source.path, &message.payload).map_err(|fault| fault.to_string())?;
    if word == rules.on {
        Ok("on".to_owned())
    } else if word == rules.off {
        Ok("off".to_owned())
    } else {
        let (word, on, off) = (tame(&word, SHOWN_CHARS), &rules.on, &rules.off);
        Err(format!("{word:?} is neither {on:?} nor {off:?}"))
    }
}

fn outlet(machine: &Machine, heard: &Heard) -> Finding {
    let name = machine.name.as_str();
    let topic = tame(&machine.outlet.state.source.filter, SHOWN_CHARS);
    match &heard.outlet {
        None => Finding::fault(
            name,
            format!("the state of its outlet is not known: nothing came on {topic}"),
            "Switch the outlet once and see whether anything comes. Best have it send its state with retain.",
        ),
        Some(Err(fault)) => Finding::fault(
            name,
            format!("Idlegate cannot read the state of its outlet: {fault}"),
            "Under state in [outlet], set pointer, on and off to match what comes; `idlegate listen` shows it.",
        ),
        Some(Ok(_)) if heard.reach.as_deref() == Some("off") => Finding::fault(
            name,
            "its outlet is reported as out of reach",
            "Check the outlet's power and its radio. An emergency-off is still sent, but may not arrive.",
        ),
        Some(Ok(state)) => Finding::good(name, format!("the outlet is {state}")),
    }
}

impl Track {
    fn take(&mut self, now: Moment, signal: &Signal, message: &Message) {
        let stored = message.stored(signal.sender_stores);
        if let Err(fault) = signals::read(signal, &message.payload) {
            self.fault = Some(fault.to_string());
            // As the guard would judge it by itself, whatever came before.
            let mut state = SignalState::new(signal);
            if !stored && state.doubt_message(now, signal, &fault) {
                self.doubtful += 1;
                self.doubt = state.doubt().map(ToString::to_string);
            }
            return;
        }
        if stored {
            self.retained += 1;
            return;
        }
        self.live += 1;
        self.first.get_or_insert(now);
        let pause = self.latest.replace(now).map_or(Span::ZERO, |latest| now.since(latest));
        self.longest = self.longest.max(pause);
    }

    fn finding(&self, listened: Span, machine: &Machine, signal: &Signal) -> Finding {
        let about = format!("{}/{}", machine.name, signal.name);
        let topic = tame(&signal.source.filter, SHOWN_CHARS);
        match self {
            Track { live: 0, fault: Some(fault), .. } => Finding::fault(
                about,
                format!("what comes on {topic} is not a reading: {fault}"),
                "Set pointer or senml to where the value is; `idlegate listen` shows it.",
            ),
            Track { live: 0, retained: 1.., .. } => Finding::fault(
                about,
                "only stored readings came; nobody knows how old they are, so they never count",
                "Have the meter send its readings without retain, or set sender_stores = true for the signal.",
            ),
            Track { live: 0, .. } if listened < signal.stale_after => Finding::note(
                about,
                format!("nothing came in {listened}, but it may be silent for up to {}", signal.stale_after),
                "Listen for longer: --for TIME",
            ),
            Track { live: 0, .. } => Finding::fault(
                about,
                format!("silent: nothing came on {topic} in {listened}"),
                "Check the meter and the topic. While the signal is silent, the machine counts as busy.",
            ),
            Track { doubtful: 1.., doubt: Some(doubt), .. } => Finding::fault(
                about,
                format!(
                    "{} of {} messages could not be read: {doubt}",
                    self.doubtful,
                    self.live + self.doubtful
                ),
                "After each of them the machine counts as busy until its detectors have seen enough again. Have the meter send \
                 plain values, or set pointer, unit, scale and plausible to what it sends.",
            ),
            Track { longest, .. } if *longest > signal.stale_after => Finding::fault(
                about,
                format!(
                    "{longest} passed between two readings, but it counts as missing after {}",
                    signal.stale_after
                ),
                "Make stale_after three times the usual time between readings, or have the meter report more often.",
            ),
            Track { live, .. } => {
                Finding::good(about, format!("{} in {listened}", counted(*live, "reading")))
            }
        }
    }
}
