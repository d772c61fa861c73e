//! The one that stands by: its own connection, and what it hears over it.

use std::convert::Infallible;
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use bytes::Bytes;
use serde_json::Value as Json;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::{Instant, Interval, interval, sleep_until};

use super::super::reload::{self, Outcome, Reloader, next_outcome};
use super::super::{supervisor, wiring};
use super::OneOfSeveral;
use super::presses::Presses;
use super::watch::{Step, Watch};
use crate::effects::carried::{Carried, Heard, NotCarried};
use crate::effects::messages::{self, Topics};
use crate::event::{LinkState, Message, Name};
use crate::journal::{Query, Reader};
use crate::link::{self, Arrival, Filter, Inbox, Kind, LinkConfig, LinkHandle, Outgoing, Report, chance};
use crate::service::{JOURNAL_FILE, Options};
use crate::time::{Clock, Moment, Now, WallTime};

pub(super) struct Partner {
    name: Name,
    options: Options,
    topics: Topics,
    link: LinkHandle,
    inbox: Inbox,
    watch: Watch,
    carried: Carried,
    presses: Arc<Mutex<Presses>>,
    /// While we stand by; whoever guards looks after the rules itself.
    reloader: Option<Reloader>,
    guarding: bool,
    /// Since the start, ourselves included.
    guard_heard: bool,
    /// Of the newest record in our journal at the start.
    journal_until: Option<WallTime>,
    /// The rules of whoever guards, if they were told to differ from ours.
    other_rules: Option<String>,
    hangup: Signal,
    alive: Interval,
}

impl Partner {
    pub(super) fn start(name: Name, options: Options) -> anyhow::Result<Partner> {
        let plan = &options.plan;
        let topics = Topics::of(&plan.shop);
        let mut broker = plan.shop.broker.clone();
        broker.client_id = format!("{}-{name}", broker.client_id);
        let gone = messages::stand_by(Clock.now(), name.as_str(), "gone", &plan.digest);
        let mut config = LinkConfig::new(broker, &plan.shop.prefix, Bytes::from(gone.to_string()))?;
        config.health_topic = topics.stand_by(name.as_str());
        let mut presses = Presses::default();
        presses.follow(plan);
        let (link, inbox) = link::spawn(config, &wanted(&topics, &presses)?, wiring::stand_by_classifier());
        let presses = Arc::new(Mutex::new(presses));
        let reloader = reloader(&options)?;
        tracing::info!(%name, "standing by");
        supervisor::ready();
        Ok(Partner {
            watch: Watch::new(name.clone()),
            name,
            topics,
            link,
            inbox,
            carried: Carried::default(),
            presses,
            reloader,
            guarding: false,
            guard_heard: false,
            journal_until: options.state_dir.as_deref().and_then(newest_record),
            other_rules: None,
            options,
            // From the start to the end, since an unheard one would end the program.
            hangup: signal(SignalKind::hangup())?,
            alive: interval(Duration::from_secs(1)),
        })
    }

    /// Returns when nobody else guards.
    pub(super) async fn until_needed(&mut self) {
        loop {
            let deadline = self.deadline();
            tokio::select! {
                arrived = self.inbox.recv() => match arrived {
                    Some((now, arrival)) => self.hear(now, arrival),
                    // Only a farewell ends the link.
                    None => std::future::pending().await,
                },
                Some(outcome) = next_outcome(&mut self.reloader) => self.take_outcome(outcome),
                Some(()) = self.hangup.recv() => reload::look(self.reloader.as_ref()),
                _ = self.alive.tick() => supervisor::alive(),
                () = sleep_until(deadline) => {}
            }
            let now = Clock.now();
            match self.watch.tick(now.moment) {
                None => {}
                Some(Step::Claim) => self.say(now, "taking-over"),
                Some(Step::TakeOver) => return,
            }
        }
    }

    /// What is heard while we guard: nothing follows from it before we stand by again.
    pub(super) async fn listen(&mut self) -> Infallible {
        loop {
            match self.inbox.recv().await {
                Some((now, arrival)) => self.hear(now, arrival),
                None => std::future::pending().await,
            }
        }
    }

    pub(super) fn takes_over(&mut self) -> Options {
        tracing::warn!(name = %self.name, "nobody is guarding; taking over");
        self.reloader = None;
        self.guarding = true;
        self.say(Clock.now(), "guarding");
        let stand_by = OneOfSeveral {
            name: self.name.clone(),
            carried: self.carried.clone(),
            journal_until: self.journal_until.filter(|_| !self.guard_heard),
            presses: self.presses.clone(),
        };
        Options { stand_by: Some(stand_by), ..self.options.clone() }
    }

    pub(super) fn lost_it(&mut self) -> anyhow::Result<()> {
        let now = Clock.now();
        tracing::warn!(name = %self.name, "no longer guarding; standing by");
        self.guarding = false;
        self.watch.lost(now.moment);
        self.reloader = reloader(&self.options)?;
        self.say(now, "standing-by");
        supervisor::ready();
        Ok(())
    }

    pub(super) async fn leave(self) {
        let gone = messages::stand_by(Clock.now(), self.name.as_str(), "gone", &self.options.plan.digest);
        self.link.shutdown(Bytes::from(gone.to_string())).await;
    }

    fn hear(&mut self, now: Now, arrival: Arrival) {
        match arrival {
            Arrival::Link(LinkState::Up) => {
                self.watch.connected(now.moment, chance());
                self.say(now, if self.guarding { "guarding" } else { "standing-by" });
            }
            Arrival::Link(LinkState::Down { why }) => {
                tracing::warn!(why, "standing by without a broker");
                self.watch.disconnected();
            }
            Arrival::Report(Report::SubscriptionDenied { filter, why }) => {
                tracing::error!(
                    filter,
                    why,
                    "the broker does not let this be read; a change-over may lose it"
                );
            }
            Arrival::Report(_) => {}
            Arrival::Message(message) => self.hear_message(now, &message),
        }
    }

    fn hear_message(&mut self, now: Now, message: &Message) {
        let topic = &*message.topic;
        if topic == self.topics.health() {
            self.hear_health(now.moment, &message.payload);
        } else if topic == self.topics.decision() {
            let decision: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
            if let Some(input) = decision["input"].as_str() {
                self.presses().answered(input);
            }
        } else if let Some(machine) = topic.strip_prefix(&self.topics.kept("")) {
            let taken = self.carried.take_kept(machine, &message.payload, self.heard());
            self.tell_untaken(topic, taken);
        } else if let Some((input, page)) = self.topics.answered_input(topic) {
            let taken = self.carried.take_answered(input, page, &message.payload, self.heard());
            self.tell_untaken(topic, taken);
        } else if let Some(other) = topic.strip_prefix(&self.topics.stand_by("")) {
            let said: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
            match (Name::new(other), said["role"].as_str()) {
                (Ok(other), Some("taking-over")) => self.watch.claimed(now.moment, &other),
                (Ok(other), Some("guarding")) => self.watch.taken(now.moment, &other),
                _ => {}
            }
        } else {
            self.presses().hear(now.moment, message);
        }
    }

    fn hear_health(&mut self, now: Moment, payload: &[u8]) {
        let health: Json = serde_json::from_slice(payload).unwrap_or_default();
        if health["guard"] != "guarding" {
            return self.watch.gone(now, chance());
        }
        self.watch.guarding(now);
        self.guard_heard |= self.watch.is_connected();
        let ours = &self.options.plan.digest;
        match health["rules"].as_str() {
            Some(theirs) if theirs != ours && !self.guarding => {
                if self.other_rules.as_deref() != Some(theirs) {
                    tracing::warn!(theirs, ours, "the one that guards has other rules than we have");
                    self.other_rules = Some(theirs.to_owned());
                }
            }
            _ => self.other_rules = None,
        }
    }

    fn tell_untaken(&self, topic: &str, taken: Result<(), NotCarried>) {
        if let Err(why) = taken {
            let topic = topic.escape_debug();
            tracing::error!(%topic, %why, "a stored message cannot be used; check your lockouts after a change-over");
        }
    }

    fn take_outcome(&mut self, outcome: Outcome) {
        supervisor::reloading();
        match outcome {
            Outcome::Applied(applied) => {
                tracing::info!(rules = applied.plan.digest, "new rules, for when they are needed");
                self.options.plan = applied.plan;
                self.options.modules = applied.modules;
                self.presses().follow(&self.options.plan);
                match wanted(&self.topics, &self.presses()) {
                    Ok(wanted) => self.link.replace_subscriptions(&wanted, wiring::stand_by_classifier()),
                    // The compiler has checked every filter.
                    Err(bad) => tracing::error!(%bad, "emergency inputs of the new rules are not heard"),
                }
                self.say(Clock.now(), "standing-by");
            }
            Outcome::Unchanged => tracing::info!("the rules on disk are already the ones we have"),
            Outcome::KeptOld { problems } => {
                for problem in problems {
                    tracing::error!("{problem}");
                }
            }
        }
        supervisor::ready();
    }

    fn say(&self, now: Now, role: &str) {
        let message = messages::stand_by(now, self.name.as_str(), role, &self.options.plan.digest);
        let payload = Bytes::from(message.to_string());
        let outgoing = Outgoing::state(&self.topics.stand_by(self.name.as_str()), payload, now.moment);
        if let Err(why) = self.link.publish(outgoing) {
            // It is said again when the link is there.
            tracing::debug!(%why, role, "not said");
        }
    }

    fn deadline(&self) -> Instant {
        let now = Clock.now().moment;
        let at = self.watch.deadline().unwrap_or(Moment(now.0 + 3_600_000));
        Instant::now() + Duration::from(at.since(now))
    }

    /// What is stored comes before the connection is proved.
    fn heard(&self) -> Heard {
        if self.watch.is_connected() { Heard::Live } else { Heard::Stored }
    }

    fn presses(&self) -> MutexGuard<'_, Presses> {
        self.presses.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// When we guarded last. A journal that cannot be read says nothing.
fn newest_record(state_dir: &Path) -> Option<WallTime> {
    let reader = Reader::open(&state_dir.join(JOURNAL_FILE)).ok()?;
    reader.last(1, &Query::default()).ok()?.first().map(|found| found.at.wall)
}

fn wanted(topics: &Topics, presses: &Presses) -> Result<Vec<(Filter, Kind)>, link::BadFilter> {
    let answered = [topics.answered("+"), topics.all_answered_pages()];
    let states = answered.into_iter().chain([topics.health(), topics.kept("+"), topics.stand_by("+")]);
    let states = states.map(|filter| Ok((Filter::new(&filter)?, Kind::State)));
    let decision = topics.decision();
    let inputs = std::iter::once(decision.as_str()).chain(presses.filters());
    let inputs: Vec<_> = inputs.map(|filter| Ok((Filter::new(filter)?, Kind::Input))).collect();
    states.chain(inputs).collect()
}

fn reloader(options: &Options) -> std::io::Result<Option<Reloader>> {
    let Some(dir) = &options.rules_dir else { return Ok(None) };
    // No copy of the rules is kept: the state folder belongs to whoever guards.
    Reloader::start(dir, None, options.plan.clone(), options.modules.clone()).map(Some)
}
