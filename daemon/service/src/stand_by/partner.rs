//! The one that stands by: its own connection, and what it hears over it.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use bytes::Bytes;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::{Instant, Interval, interval, sleep_until};

use super::super::broker_store::BrokerStore;
use super::super::reload::{self, Outcome, Reloader, next_outcome};
use super::super::trying::Trying;
use super::super::{supervisor, wiring};
use super::OneOfSeveral;
use super::presses::Presses;
use super::watch::{Step, Watch};
use crate::{JOURNAL_FILE, Options, Provenance};
use idlegate_guard::RequestKind;
use idlegate_guard::time::{Moment, Now};
use idlegate_journal::{Copied, LockoutCopy};
use idlegate_link::{
    self as link, Arrival, Filter, Inbox, LinkConfig, LinkHandle, Outgoing, Purpose, Report, chance,
};
use idlegate_messages::effects::handover::{BadHandover, Delivery, Handover};
use idlegate_messages::effects::messages::{self, Topics};
use idlegate_messages::effects::seal::Seal;
use idlegate_messages::{Decision, Health, MachineStatus, StandBy, read, text};
use idlegate_os::Clock;
use idlegate_plan::event::{LinkState, Message, Name};
use idlegate_plan::kept::KeptJob;

/// So many messages are heard before what they say is written down.
const AT_ONCE_MAX: usize = 1_024;

pub(super) struct Partner {
    name: Name,
    options: Options,
    topics: Topics,
    link: LinkHandle,
    inbox: Inbox,
    watch: Watch,
    handover: Handover,
    presses: Arc<Mutex<Presses>>,
    /// While we stand by; whoever guards looks after the rules itself.
    reloader: Option<Reloader>,
    guarding: bool,
    /// Where what is heard is written down while the journal is closed, unless it was damaged: whoever opens the
    /// journal must see that.
    copy: Option<LockoutCopy>,
    /// Something was heard that is not written down yet.
    unwritten: bool,
    broker_store: BrokerStore,
    /// Of each machine that was heard of: the job under way, if there is one.
    jobs: BTreeMap<Name, Option<KeptJob>>,
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
        let mut config = LinkConfig::new(broker, &plan.shop.prefix, Bytes::from(text(&gone)))?;
        config.health_topic = topics.stand_by(name.as_str());
        if plan.shop.hand_over.is_none() && !plan.shop.broker.is_local() {
            tracing::warn!(
                "there is no secret under [stand_by]: whoever may publish on {} can forge what the next guard takes over",
                topics.kept("+")
            );
        }
        let mut presses = Presses::default();
        presses.follow(plan);
        let (link, inbox) = link::spawn(config, &wanted(&topics, &presses)?, wiring::stand_by_classifier());
        let presses = Arc::new(Mutex::new(presses));
        let reloader = reloader(&options)?;
        // From the start to the end, since an unheard one would end the program; and before anybody is told that we are
        // ready.
        let hangup = signal(SignalKind::hangup())?;
        tracing::info!(%name, "standing by");
        supervisor::ready();
        let mut handover = Handover::new(Seal::new(plan.shop.hand_over.as_ref()));
        let copy = open_copy(&options, &mut handover);
        Ok(Partner {
            watch: Watch::new(name.clone()),
            name,
            topics,
            link,
            inbox,
            handover,
            presses,
            reloader,
            guarding: false,
            copy,
            unwritten: false,
            broker_store: BrokerStore::default(),
            jobs: BTreeMap::new(),
            other_rules: None,
            options,
            hangup,
            alive: interval(Duration::from_secs(1)),
        })
    }

    /// Returns when nobody else guards.
    pub(super) async fn until_needed(&mut self) {
        loop {
            let deadline = self.deadline();
            tokio::select! {
                arrived = self.inbox.recv() => match arrived {
                    Some((now, arrival)) => {
                        self.hear(now, arrival);
                        self.hear_what_waits();
                    }
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
                Some(Step::StandBack) => self.say(now, "standing-by"),
                Some(Step::TakeOver) => return,
            }
        }
    }

    /// A red button of a whole hall is one writing, not one for each machine.
    fn hear_what_waits(&mut self) {
        for _ in 0..AT_ONCE_MAX {
            let Ok((now, arrival)) = self.inbox.try_recv() else { break };
            self.hear(now, arrival);
        }
        self.write_down();
    }

    /// While we guard, the journal does it.
    fn write_down(&mut self) {
        if self.guarding || !std::mem::take(&mut self.unwritten) {
            return;
        }
        if let Some(copy) = &self.copy
            && let Err(error) = copy.write(self.handover.states(), Clock.now().wall)
        {
            tracing::error!(%error, "lockouts that were heard could not be written down");
            self.unwritten = true;
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
        self.write_down();
        self.reloader = None;
        self.guarding = true;
        self.say(Clock.now(), "guarding");
        let stand_by = OneOfSeveral {
            name: self.name.clone(),
            handover: self.handover.clone(),
            broker_store: self.broker_store,
            jobs: self.jobs.clone(),
            presses: self.presses.clone(),
        };
        Options { stand_by: Some(stand_by), ..self.options.clone() }
    }

    pub(super) fn lost_it(&mut self) -> anyhow::Result<()> {
        let now = Clock.now();
        tracing::warn!(name = %self.name, "no longer guarding; standing by");
        self.guarding = false;
        // What we kept ourselves meanwhile.
        self.copy = open_copy(&self.options, &mut self.handover);
        self.unwritten = true;
        self.write_down();
        self.watch.lost(now.moment);
        self.reloader = reloader(&self.options)?;
        self.say(now, "standing-by");
        supervisor::ready();
        Ok(())
    }

    pub(super) async fn leave(self) {
        let gone = messages::stand_by(Clock.now(), self.name.as_str(), "gone", &self.options.plan.digest);
        self.link.shutdown(Bytes::from(text(&gone))).await;
    }

    fn hear(&mut self, now: Now, arrival: Arrival) {
        match arrival {
            Arrival::Link(LinkState::Up) => {
                self.broker_store.up(!self.handover.states().is_empty());
                self.watch.connected(now.moment, chance());
                self.say(now, if self.guarding { "guarding" } else { "standing-by" });
            }
            Arrival::Link(LinkState::Down { why }) => {
                tracing::warn!(why, "standing by without a broker");
                self.broker_store.down();
                self.watch.disconnected();
            }
            Arrival::Report(Report::SubscriptionDenied { filter, why }) => {
                tracing::error!(
                    filter,
                    why,
                    "the broker does not let this be read; a change-over may lose it"
                );
            }
            Arrival::Report(_) | Arrival::Emergency(_) => {}
            Arrival::Message(message) => self.hear_message(now, &message),
        }
    }

    fn hear_message(&mut self, now: Now, message: &Message) {
        let topic = &*message.topic;
        if topic == self.topics.health() {
            self.hear_health(now.moment, &message.payload);
        } else if topic == self.topics.decision() {
            let decision: Decision = read(&message.payload).unwrap_or_default();
            let emergency = decision.request.as_deref() == Some(RequestKind::EmergencyOff.word());
            if let Some(machine) = decision.machine.as_deref().filter(|_| emergency) {
                self.presses().answered(&decision.input, machine);
            }
        } else if let Some(machine) = self.topics.kept_machine(topic) {
            self.broker_store.heard();
            let taken = self.handover.take_kept(topic, machine, &message.payload);
            self.unwritten |= matches!(taken, Ok(true));
            self.tell_untaken(topic, taken.map(drop));
        } else if let Some(machine) = self.topics.status_machine(topic) {
            self.hear_status(machine, &message.payload);
        } else if let Some((input, page)) = self.topics.answered_input(topic) {
            let taken = self.handover.take_answered(topic, (input, page), &message.payload, self.heard());
            self.tell_untaken(topic, taken);
        } else if let Some(other) = topic.strip_prefix(&self.topics.stand_by("")) {
            let said: StandBy = read(&message.payload).unwrap_or_default();
            match (Name::new(other), &*said.role) {
                (Ok(other), "taking-over") => self.watch.claimed(now.moment, &other),
                (Ok(other), "guarding") => self.watch.taken(now.moment, &other),
                _ => {}
            }
        } else {
            self.presses().hear(now.moment, message);
        }
    }

    fn hear_status(&mut self, machine: &str, payload: &[u8]) {
        let known = self.options.plan.machine(machine).map(|(_, machine)| machine.name.clone());
        if let (Some(machine), Some(status)) = (known, read::<MachineStatus>(payload)) {
            self.jobs.insert(machine, messages::kept_job(&status));
        }
    }

    fn hear_health(&mut self, now: Moment, payload: &[u8]) {
        let Health::Guarding(health) = Health::read(payload) else {
            return self.watch.gone(now, chance());
        };
        self.watch.guarding(now);
        let ours = &self.options.plan.digest;
        match health.rules.as_deref() {
            Some(theirs) if theirs != ours && !self.guarding => {
                if self.other_rules.as_deref() != Some(theirs) {
                    tracing::warn!(theirs, ours, "the one that guards has other rules than we have");
                    self.other_rules = Some(theirs.to_owned());
                }
            }
            _ => self.other_rules = None,
        }
    }

    fn tell_untaken(&self, topic: &str, taken: Result<(), BadHandover>) {
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
                self.options.provenance = Provenance::default();
                self.presses().follow(&self.options.plan);
                match wanted(&self.topics, &self.presses()) {
                    Ok(wanted) => self.link.replace_subscriptions(&wanted, wiring::stand_by_classifier()),
                    // The compiler has checked every filter.
                    Err(bad) => tracing::error!(%bad, "emergency inputs of the new rules are not heard"),
                }
                self.say(Clock.now(), "standing-by");
            }
            Outcome::Unchanged => tracing::info!("the rules on disk are already the ones we have"),
            Outcome::KeptOld { why: _, problems } => {
                for problem in problems {
                    tracing::error!("{problem}");
                }
            }
        }
        supervisor::ready();
    }

    fn say(&self, now: Now, role: &'static str) {
        let message = messages::stand_by(now, self.name.as_str(), role, &self.options.plan.digest);
        let payload = Bytes::from(text(&message));
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
    fn heard(&self) -> Delivery {
        if self.watch.is_connected() { Delivery::Live } else { Delivery::Stored }
    }

    fn presses(&self) -> MutexGuard<'_, Presses> {
        self.presses.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What we remember ourselves is put together with what is heard. Nothing if it was damaged.
fn open_copy(options: &Options, handover: &mut Handover) -> Option<LockoutCopy> {
    let copy = LockoutCopy::beside(&options.state_dir.as_deref()?.join(JOURNAL_FILE));
    match copy.read() {
        Copied::Missing => {}
        Copied::Sound(kept) => {
            for (machine, state) in kept {
                handover.remember(&machine, state);
            }
        }
        Copied::Damaged(why) => {
            tracing::error!(
                why,
                "the lockouts that were written down are damaged; taking over, every machine is locked"
            );
            return None;
        }
    }
    Some(copy)
}

fn wanted(topics: &Topics, presses: &Presses) -> Result<Vec<(Filter, Purpose)>, link::BadFilter> {
    let answered = [topics.answered("+"), topics.all_answered_pages()];
    let machines = topics.machine("+");
    let states =
        answered.into_iter().chain([topics.health(), topics.kept("+"), topics.stand_by("+"), machines]);
    let states = states.map(|filter| Ok((Filter::new(&filter)?, Purpose::State)));
    let decision = topics.decision();
    let inputs = std::iter::once(decision.as_str()).chain(presses.filters());
    let inputs: Vec<_> = inputs.map(|filter| Ok((Filter::new(filter)?, Purpose::Input))).collect();
    states.chain(inputs).collect()
}

fn reloader(options: &Options) -> std::io::Result<Option<Reloader>> {
    let Some(dir) = &options.rules_dir else { return Ok(None) };
    // No copy of the rules is kept: the state folder belongs to whoever guards.
    let trying = Trying::new(None, options.provenance.clone());
    Reloader::start(dir, trying, options.plan.clone(), options.modules.clone()).map(Some)
}
