//! The two connections of the guard, and which of them carries an order.
//!
//! An emergency leaves over the connection that is kept for emergencies: on the main one the broker's confirmations of
//! our orders stand in line behind whatever it has for us, and only a few orders may be without a confirmation. What
//! that connection does not take, or may not have delivered, goes over the main one as well: an outlet that is told
//! twice to go off is off.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use bytes::Bytes;

use super::hearing::Hearing;
use super::wiring;
use idlegate_engine::emergency_topics;
use idlegate_guard::time::Moment;
use idlegate_link::{
    self as link, BadFilter, Inbox, LinkConfig, LinkHandle, NotSent, Outgoing, Report, Urgency,
};
use idlegate_messages::effects::messages::Topics;
use idlegate_os::Clock;
use idlegate_plan::Plan;
use idlegate_plan::event::{LinkState, Message};
use idlegate_plan::text::tame;

/// Of a topic, in what people are told.
const SHOWN_CHARS: usize = 60;

pub(super) struct Lines {
    pub(super) main: LinkHandle,
    emergency: Option<EmergencyLine>,
    hearing: Hearing,
    /// For the main connection's classifier.
    emergencies_elsewhere: Arc<AtomicBool>,
    stands_by: bool,
}

struct EmergencyLine {
    link: LinkHandle,
    /// Why it cannot be relied upon, though it may be up.
    unfit: Option<String>,
    /// As it was told last.
    trouble: Option<String>,
}

impl Lines {
    pub(super) fn start(plan: &Plan, will: Bytes, stands_by: bool) -> Result<(Lines, Inbox), BadFilter> {
        let mut config = LinkConfig::new(plan.shop.broker.clone(), &plan.shop.prefix, will)?;
        config.health_topic = Topics::of(&plan.shop).health();
        // Only the link of one of several ends by itself.
        config.once = stands_by;
        let emergencies_elsewhere = Arc::new(AtomicBool::new(false));
        let classifier = wiring::classifier(plan, emergencies_elsewhere.clone());
        let (main, inbox) =
            link::spawn(config, &wiring::wanted(plan, one_of_several(plan, stands_by))?, classifier);
        let mut lines =
            Lines { main, emergency: None, hearing: Hearing::default(), emergencies_elsewhere, stands_by };
        lines.follow_emergencies(plan)?;
        Ok((lines, inbox))
    }

    /// Other rules.
    pub(super) fn follow(&mut self, plan: &Plan) -> Result<(), BadFilter> {
        let classifier = wiring::classifier(plan, self.emergencies_elsewhere.clone());
        let wanted = wiring::wanted(plan, one_of_several(plan, self.stands_by))?;
        self.main.replace_subscriptions(&wanted, classifier);
        self.follow_emergencies(plan)
    }

    /// The connection comes with the first emergency input, and goes with the last.
    fn follow_emergencies(&mut self, plan: &Plan) -> Result<(), BadFilter> {
        let wanted = wiring::wanted_for_emergencies(plan)?;
        let classifier = wiring::emergency_classifier(plan);
        let topics = emergency_topics(plan).into_iter().map(|(topic, _)| topic).collect();
        self.hearing.follow(Clock.now().moment, topics);
        if wanted.is_empty() {
            if let Some(gone) = self.emergency.take() {
                self.emergencies_elsewhere.store(false, Ordering::Relaxed);
                tokio::spawn(async move { gone.link.shutdown(Bytes::new()).await });
            }
        } else if let Some(line) = &self.emergency {
            line.link.replace_subscriptions(&wanted, classifier);
        } else {
            let config = LinkConfig::for_emergencies(&plan.shop.broker, &plan.shop.prefix)?;
            let link = link::spawn_emergency(config, &wanted, classifier, &self.main);
            let trouble = Some("it has not come up yet".to_owned());
            self.emergency = Some(EmergencyLine { link, unfit: None, trouble });
        }
        Ok(())
    }

    /// What the connection for emergencies has to say of itself. What the guard is to be told of it, if anything.
    pub(super) fn emergency_is(&mut self, now: Moment, state: LinkState) -> Option<LinkState> {
        let line = self.emergency.as_mut()?;
        self.hearing.connected(now, state == LinkState::Up);
        let trouble = match state {
            // What was denied to it was denied before it was proved.
            LinkState::Up => line.unfit.clone().or_else(|| self.hearing.missed(now).map(kept_back)),
            LinkState::Down { why } => {
                line.unfit = None;
                Some(why)
            }
        };
        self.look(trouble)
    }

    /// What was denied to it makes it unfit: it would be found out in an emergency.
    pub(super) fn emergency_reports(&mut self, report: &Report) -> Option<LinkState> {
        let line = self.emergency.as_mut()?;
        let unfit = match report {
            Report::SubscriptionDenied { filter, why } => format!("it may not read {filter}: {why}"),
            Report::PublishRefused { topic, why } => format!("it may not publish on {topic}: {why}"),
            Report::NobodyListens { .. } | Report::ExpiredUnsent { .. } | Report::NotGivenBack { .. } => {
                return None;
            }
        };
        line.unfit = Some(unfit.clone());
        self.look(Some(unfit))
    }

    pub(super) fn hears_on_main(&mut self, now: Moment, message: &Message) {
        if self.emergency.is_some() {
            self.hearing.on_main(now, message);
        }
    }

    pub(super) fn hears_on_emergency(&mut self, now: Moment, message: &Message) {
        self.hearing.on_emergency(now, &message.topic);
    }

    /// Once a second: one that hangs says nothing of it, nor does a broker that keeps something back.
    pub(super) fn look_at_emergency(&mut self, now: Moment) -> Option<LinkState> {
        let line = self.emergency.as_ref().filter(|line| line.link.is_up())?;
        let hangs = || (!line.link.is_live()).then(|| "it gives no sign of life".to_owned());
        let missed = self.hearing.missed(now).map(kept_back);
        let trouble = line.unfit.clone().or(missed).or_else(hangs);
        self.look(trouble)
    }

    fn look(&mut self, trouble: Option<String>) -> Option<LinkState> {
        let line = self.emergency.as_mut()?;
        if line.trouble == trouble {
            return None;
        }
        line.trouble.clone_from(&trouble);
        self.emergencies_elsewhere.store(trouble.is_none(), Ordering::Relaxed);
        Some(line.state())
    }

    /// As it was told last; nothing where there is no such connection.
    pub(super) fn emergency_state(&self) -> Option<LinkState> {
        self.emergency.as_ref().map(EmergencyLine::state)
    }

    /// For the health message: "up", or "down" and why. Nothing where there is none.
    pub(super) fn emergency_health(&self) -> Option<String> {
        let line = self.emergency.as_ref()?;
        Some(line.trouble.as_ref().map_or_else(|| "up".to_owned(), |why| format!("down: {why}")))
    }

    /// Sends an order; `again` says that one like it may have been lost.
    pub(super) fn order(&self, order: Outgoing, again: bool) -> Result<(), NotSent> {
        let (Some(line), Some(outlet)) = (&self.emergency, order.outlet.clone()) else {
            return self.main.publish(order);
        };
        if order.urgency != Urgency::Emergency {
            // It would overtake the off.
            let waits = line.link.holds_emergency_for(&outlet);
            return if waits { Err(NotSent::EmergencyWaits) } else { self.main.publish(order) };
        }
        // An on that has left over the main connection may arrive there later than the off over this one.
        let on_its_way = self.main.withdraw(&outlet, &order.topic);
        let alone = line.trouble.is_none() && line.link.is_live() && !again && !on_its_way;
        let sent = line.link.publish(order.clone());
        if sent.is_ok() && alone {
            return sent;
        }
        match self.main.publish(order) {
            Ok(()) => Ok(()),
            Err(not_sent) => sent.map_err(|_| not_sent),
        }
    }

    /// Whether emergency orders are still to leave.
    pub(super) fn holds_emergencies(&self) -> bool {
        let kept_for_them = self.emergency.as_ref().is_some_and(|line| line.link.holds_emergencies());
        kept_for_them || self.main.holds_emergencies()
    }

    pub(super) async fn shutdown(&self, farewell: Bytes) {
        let emergency = async {
            if let Some(line) = &self.emergency {
                line.link.shutdown(Bytes::new()).await;
            }
        };
        tokio::join!(self.main.shutdown(farewell), emergency);
    }
}

impl EmergencyLine {
    fn state(&self) -> LinkState {
        self.trouble.as_ref().map_or(LinkState::Up, |why| LinkState::Down { why: why.clone() })
    }
}

fn kept_back(topic: &str) -> String {
    format!(
        "the broker does not send it what is published on {}; its login may not be allowed to read that",
        tame(topic, SHOWN_CHARS)
    )
}

/// Somebody else may guard the same machines later, or guards others of this shop.
fn one_of_several(plan: &Plan, stands_by: bool) -> bool {
    stands_by || plan.shop.site.is_some()
}
