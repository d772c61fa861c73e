//! What is heard of the topics that the rules name.

use std::collections::BTreeMap;

use super::finding::Finding;
use super::silence::{Rhythm, same_device};
use super::track::Track;
use idlegate_engine::intake::decode_word;
use idlegate_engine::request_topic;
use idlegate_guard::time::Moment;
use idlegate_messages::effects::blind;
use idlegate_messages::{AnswersWithheld, Guarding, Health, NotUnderstood, Topics};
use idlegate_plan::event::Message;
use idlegate_plan::text::{counted, tame};
use idlegate_plan::{Contact, InputSource, Machine, Plan, Signal, Source, StateTopic, topic};

/// More is as bad as this much.
const RETAINED_MAX: usize = 100;
/// Topics beyond these are not looked at for signs of life.
const TOPICS_MAX: usize = 2_000;
pub(super) const SHOWN_CHARS: usize = 60;
/// A sentence of the guard's.
const TOLD_CHARS_MAX: usize = 300;

#[derive(Debug)]
pub struct TopicWatch<'p> {
    plan: &'p Plan,
    machines: Vec<Heard>,
    /// Topics of requests, gestures and orders with something stored on them.
    stored: Vec<(String, Stored)>,
    /// What each contact said last, by index of the input.
    contacts: Vec<Option<Result<bool, String>>>,
    /// Every topic that is heard, for what may go on while a meter is silent.
    paces: BTreeMap<String, Rhythm>,
    health: Option<Health>,
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

impl<'p> TopicWatch<'p> {
    pub fn new(plan: &'p Plan, now: Moment) -> TopicWatch<'p> {
        let of_machine = |machine: &Machine| Heard {
            signals: vec![Track::default(); machine.signals.len()],
            ..Heard::default()
        };
        let machines = plan.machines.iter().map(of_machine).collect();
        let contacts = vec![None; plan.inputs.len()];
        let paces = BTreeMap::new();
        TopicWatch { plan, machines, stored: Vec::new(), contacts, paces, health: None, begin: now }
    }

    /// What has to be heard: states, readings, inputs, orders, and the guard itself.
    pub fn filters(&self) -> Vec<String> {
        let mut filters: Vec<String> =
            idlegate_engine::subscriptions(self.plan).into_iter().map(|(filter, _)| filter).collect();
        filters
            .extend(self.plan.machines.iter().filter_map(|machine| machine.order_topic().map(str::to_owned)));
        filters.push(Topics::new(&self.plan.shop.prefix).all_health());
        filters.sort();
        filters.dedup();
        filters
    }

    pub fn take(&mut self, now: Moment, message: &Message) {
        let (plan, topic) = (self.plan, &*message.topic);
        if Topics::new(&plan.shop.prefix).health_site(topic).is_some() {
            // Of several sites the one that is not guarded counts.
            let known_bad = self.health.as_ref().is_some_and(|health| !health.is_guarding());
            if !known_bad || plan.shop.sites.is_empty() {
                // An empty message clears what was said.
                self.health = (!message.payload.is_empty()).then(|| Health::read(&message.payload));
            }
        }
        if !message.retained && (self.paces.len() < TOPICS_MAX || self.paces.contains_key(topic)) {
            self.paces.entry(topic.to_owned()).or_default().take(now, None);
        }
        for (machine, heard) in plan.machines.iter().zip(&mut self.machines) {
            if machine.order_topic() == Some(topic) && !is_for_another(plan, machine, message) {
                heard.orders += usize::from(!message.retained);
                if message.retained {
                    put(&mut self.stored, topic, Stored::Order);
                }
            }
            if let Some(rules) = &machine.outlet.state
                && topic::matches(&rules.source.filter, topic)
            {
                let said = state(rules, message);
                // A message about another socket of a strip takes nothing back.
                if said.is_ok() || !says_nothing(rules, message) || heard.outlet.is_none() {
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
                track.take_sign(now, machine, signal, message);
            }
        }
        for (input, said) in plan.inputs.iter().zip(&mut self.contacts) {
            if let InputSource::Contact(contact) = &input.source
                && topic::matches(&contact.source.filter, topic)
            {
                *said = position(contact, message).or(said.take());
            }
        }
        // Of a sender that has everything stored, the latest message always is.
        let of_input = |input: &idlegate_plan::Input| !input.sender_stores && is_of(plan, input, topic);
        if message.retained && plan.inputs.iter().any(of_input) {
            put(&mut self.stored, topic, Stored::Request);
        }
    }

    /// Of the machines in their order, then of what lies about.
    pub fn findings(&self, now: Moment) -> Vec<Finding> {
        let mut findings = vec![self.guard()];
        findings.extend(self.answers());
        findings.extend(self.misfits());
        findings.extend(self.blind());
        findings.extend(self.hand_over());
        for (machine, heard) in self.plan.machines.iter().zip(&self.machines) {
            findings.extend(outlet(machine, heard));
            let signals = machine.signals.iter().zip(&heard.signals);
            let signals = signals.filter(|(signal, _)| signal.of_machine().is_none());
            findings.extend(signals.map(|(signal, track)| self.of_signal(now, machine, signal, track)));
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
        for (input, said) in self.plan.inputs.iter().zip(&self.contacts) {
            if let InputSource::Contact(rules) = &input.source {
                findings.push(contact(input, rules, said.as_ref()));
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

    fn of_signal(&self, now: Moment, machine: &Machine, signal: &Signal, track: &Track) -> Finding {
        let listened = now.since(self.begin);
        if signal.on_change().is_some() {
            return track.of_on_change(listened, machine, signal);
        }
        match self.speaks_on_change(now, machine, signal, track) {
            Some(finding) => finding,
            None => track.finding(listened, machine, signal),
        }
    }

    /// A meter that seems to speak only when its value changes, and what to set.
    fn speaks_on_change(
        &self,
        now: Moment,
        machine: &Machine,
        signal: &Signal,
        track: &Track,
    ) -> Option<Finding> {
        let silence = track.pace.silence(now)?;
        let read = &signal.source.filter;
        if track.doubtful > 0 || !track.pace.may_be_on_change(now, signal.stale_after) {
            return None;
        }
        let others = self.paces.iter().filter(|(other, pace)| *other != read && pace.went_on(now, silence));
        // Of the outlet's own topics one level is enough: they are what it says of itself.
        let outlet = [machine.outlet.state.as_ref(), machine.outlet.reach.as_ref()];
        let own = |topic: &str| outlet.iter().flatten().any(|own| own.source.filter == topic);
        let of_device = others.filter(|(other, _)| same_device(read, other, if own(other) { 1 } else { 2 }));
        let of_device = of_device.filter(|(other, _)| !self.is_of_another(machine, other));
        let (topic, pace) = of_device.min_by_key(|(_, pace)| pace.pause())?;
        let (count, silent) = (counted(track.pace.live, "reading"), silence.1);
        let about = format!("{}/{}", machine.name, signal.name);
        let (topic, silent_max) = (tame(topic, SHOWN_CHARS), pace.silent_max());
        Some(Finding::fault(
            about,
            format!(
                "its meter seems to speak only when its value changes: {count}, no two alike in a row, and nothing for \
                 {silent} while {topic} went on; such a silence counts as busy"
            ),
            format!(
                "Under [signals.{}] set reports = \"on-change\" and alive = {{ topic = \"{topic}\", silent_max = \
                 \"{silent_max}\" }}, if that comes from the meter, too. If the meter can be asked, add refresh.",
                signal.name
            ),
        ))
    }

    /// Whether the rules have this topic for another machine, and not for this one.
    fn is_of_another(&self, machine: &Machine, topic: &str) -> bool {
        let reads = |machine: &Machine| {
            let outlet = [machine.outlet.state.as_ref(), machine.outlet.reach.as_ref()];
            let outlet = outlet.into_iter().flatten().map(|state| &state.source);
            let sources = outlet.chain(machine.signals.iter().map(|signal| &signal.source));
            sources.into_iter().any(|source| topic::matches(&source.filter, topic))
        };
        !reads(machine) && self.plan.machines.iter().any(reads)
    }

    fn guard(&self) -> Finding {
        let Some(health) = &self.health else {
            return Finding::note(
                "guard",
                "no guard is running at this broker",
                "Start it: idlegate run DIR",
            );
        };
        let Some(health) = health.guarding() else {
            return Finding::fault(
                "guard",
                "it was running, and has gone",
                "Look at its log, or at systemctl status idlegate.",
            );
        };
        if health.rules.as_ref() != Some(&self.plan.digest) {
            return Finding::note(
                "guard",
                "it is running, but not with these rules",
                "See in idlegate/health or in the log how the last reload ended.",
            );
        }
        if let Some(down) = health.emergency_connection.as_deref().filter(|said| *said != "up") {
            return Finding::fault(
                "guard",
                format!(
                    "running with these rules; the connection for emergencies is {}",
                    tame(down, SHOWN_CHARS)
                ),
                "Red buttons still work, but other messages may delay them. Look at the broker, its access list and \
                 [broker.emergency] in shop.toml.",
            );
        }
        match health.journal.as_deref() {
            Some("ok") | None => Finding::good("guard", "running with these rules"),
            Some(journal) => Finding::note(
                "guard",
                format!("running with these rules; its journal is: {}", tame(journal, SHOWN_CHARS)),
                "Check the disk: without a healthy journal, lockouts may not survive a restart.",
            ),
        }
    }
}

impl TopicWatch<'_> {
    fn guarding(&self) -> Option<&Guarding> {
        self.health.as_ref()?.guarding()
    }

    /// What one guard leaves to the next must outlive the broker, and nobody else may write it.
    fn hand_over(&self) -> Vec<Finding> {
        let Some(health) = self.guarding() else { return Vec::new() };
        let mut findings = Vec::new();
        if health.broker_forgets {
            findings.push(Finding::fault(
                "broker",
                "it came back without what it had stored, so lockouts live only in the state folders of the guards",
                "Switch its persistence on. In Mosquitto: persistence true, and autosave_interval 1 with autosave_on_changes true.",
            ));
        }
        let handed = health.name.is_some() || !self.plan.shop.sites.is_empty();
        if handed && self.plan.shop.hand_over.is_none() && !self.plan.shop.broker.is_local() {
            findings.push(Finding::note(
                "guard",
                "whoever may publish on the broker can forge what one guard leaves to the next, and so release a lockout",
                "Set secret under [stand_by] in shop.toml, the same for every daemon.",
            ));
        }
        findings
    }

    /// Something is pressed in vain, or says more than the rules know of.
    fn misfits(&self) -> Option<Finding> {
        let NotUnderstood { count, input, topic, why } = self.guarding()?.inputs_not_understood.as_ref()?;
        let [input, topic, why] = [input, topic, why].map(|said| tame(said, TOLD_CHARS_MAX));
        Some(Finding::note(
            input,
            format!(
                "{} since the guard started fitted none of an input's gestures; the last came on {topic}: {why}",
                counted((*count).max(1), "message")
            ),
            "If that was a press, add its word to the gestures of this input, or correct its pointer.",
        ))
    }

    /// What the guard itself says that it does not see, beyond what is heard here.
    fn blind(&self) -> Vec<Finding> {
        let Some(health) = self.guarding() else { return Vec::new() };
        let findings = health.blind.iter().map(|spot| {
            let about = spot.machine.as_deref().or(spot.input.as_deref()).unwrap_or("guard");
            let found =
                format!("the guard does not see it: {}", tame(&blind::lasting_since(spot), TOLD_CHARS_MAX));
            Finding::fault(tame(about, SHOWN_CHARS), found, blind::remedy(&spot.kind))
        });
        findings.collect()
    }

    /// Somebody asks for answers where none may go: a slip, or an attack.
    fn answers(&self) -> Option<Finding> {
        let AnswersWithheld { count, input, topic, why } = self.guarding()?.answers_withheld.as_ref()?;
        let [input, topic, why] = [input, topic, why].map(|said| tame(said, SHOWN_CHARS));
        let count = counted((*count).max(1), "answer");
        let own = format!("{}/answer/{input}/#", self.plan.shop.prefix);
        Some(Finding::fault(
            input.clone(),
            format!(
                "{count} withheld since the guard started: the last one was to go to {topic}, which {why}"
            ),
            format!(
                "Find out who asks in the name of {input}. An honest asker uses a response topic under {own}, or one that you \
                 list under answers for this input."
            ),
        ))
    }
}

fn put(stored: &mut Vec<(String, Stored)>, topic: &str, what: Stored) {
    if stored.len() < RETAINED_MAX && !stored.iter().any(|(known, _)| known == topic) {
        stored.push((topic.to_owned(), what));
    }
}

fn is_of(plan: &Plan, input: &idlegate_plan::Input, topic: &str) -> bool {
    match &input.source {
        InputSource::Topic { source: Source { filter, .. }, .. } => topic::matches(filter, topic),
        // Its position belongs in the broker's store.
        InputSource::Contact(_) => false,
        InputSource::RequestTopic => topic == request_topic(&plan.shop.prefix, input.name.as_str()),
        InputSource::Schedule(_) => false,
    }
}

/// Pushed or not, or what it said instead; nothing where the message is about something else.
fn position(rules: &Contact, message: &Message) -> Option<Result<bool, String>> {
    match decode_word(&rules.source.path, &message.payload) {
        Ok(word) if word == rules.pushed => Some(Ok(true)),
        Ok(word) if word == rules.released => Some(Ok(false)),
        Ok(word) => {
            let (word, pushed, released) = (tame(&word, SHOWN_CHARS), &rules.pushed, &rules.released);
            Some(Err(format!("{word:?} is neither {pushed:?} nor {released:?}")))
        }
        Err(fault) if fault.says_nothing() => None,
        Err(fault) => Some(Err(fault.to_string())),
    }
}

fn contact(input: &idlegate_plan::Input, rules: &Contact, said: Option<&Result<bool, String>>) -> Finding {
    let (name, topic) = (input.name.as_str(), tame(&rules.source.filter, SHOWN_CHARS));
    match said {
        None => Finding::note(
            name,
            format!("nothing came on {topic}, so nobody knows whether it is pushed in"),
            "Push it and release it once. Best have it send its position with retain, so that a restart finds it.",
        ),
        Some(Err(fault)) => Finding::fault(
            name,
            format!("Idlegate cannot tell whether it is pushed in: {fault}"),
            "Under contact, set pointer, pushed and released to match what comes; `idlegate listen` shows it.",
        ),
        Some(Ok(true)) => Finding::fault(
            name,
            "it is pushed in: its machines can be neither switched on nor unlocked",
            "Release it. If it is broken, one of the inputs in its release_by can unlock the machines.",
        ),
        Some(Ok(false)) => Finding::good(name, "it is released"),
    }
}

fn says_nothing(rules: &StateTopic, message: &Message) -> bool {
    decode_word(&rules.source.path, &message.payload).is_err_and(|fault| fault.says_nothing())
}

/// The sockets of a strip may share their order topic.
fn is_for_another(plan: &Plan, machine: &Machine, message: &Message) -> bool {
    let orders = |machine: &Machine| {
        machine.outlet.order.as_ref().is_some_and(|order| {
            order.topic == *message.topic
                && [&order.on, &order.off].iter().any(|word| word.as_bytes() == message.payload)
        })
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

/// Nothing where only a meter tells of the machine.
fn outlet(machine: &Machine, heard: &Heard) -> Option<Finding> {
    let name = machine.name.as_str();
    let topic = tame(&machine.outlet.state.as_ref()?.source.filter, SHOWN_CHARS);
    Some(match &heard.outlet {
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
            match machine.is_watched() {
                true => "Check the outlet's power and its radio.",
                false => {
                    "Check the outlet's power and its radio. An emergency-off is still sent, but may not arrive."
                }
            },
        ),
        Some(Ok(state)) => Finding::good(name, format!("the outlet is {state}")),
    })
}
