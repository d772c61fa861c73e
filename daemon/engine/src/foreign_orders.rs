//! Orders to a guarded outlet that are not ours: the one way past the guard that leads through the broker, and so the
//! one that people can close.
//!
//! Ours bear a mark, whichever daemon of the shop sent them. Whoever repeats an order, as a hub may, is told of once
//! until it stops. An order in the broker's store is worse than any other, since the outlet gets it again at every
//! reconnect; ours are never stored, so one that is has no excuse.
//!
//! In shadow mode others still switch the machine, so only stored orders are told of.

use serde_json::Value as Json;

use super::core::Engine;
use super::effect::{Effect, ForeignOrder, ForeignOrderStage};
use super::machine::MachineState;
use super::subject::Subject;
use idlegate_guard::Switch;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_plan::event::Message;
use idlegate_plan::text::tame;
use idlegate_plan::{Machine, MachineIx, OrderTopic, Plan};

/// Nobody has sent any for so long: it has stopped.
const QUIET: Span = Span::secs(600);
/// A broker or bridge may lose the mark of our own order, and a hub may repeat it: the same word so soon changes
/// nothing.
const REPEATED_WITHIN: Span = Span::secs(5);
const SHOWN_CHARS: usize = 40;

/// What is known of one outlet's topic.
#[derive(Debug, Default)]
pub(super) struct ForeignOrders {
    /// When the latest came, while it is told of.
    latest: Option<Moment>,
    /// One lies in the broker's store.
    stored: bool,
    /// It was seen there over this connection.
    seen: bool,
    /// It was found before the connection was there to tell of it.
    untold: Option<String>,
    /// Our own latest order.
    own: Option<(Moment, Switch)>,
}

impl ForeignOrders {
    pub(super) fn ordered(&mut self, now: Moment, switch: Switch) {
        self.own = Some((now, switch));
    }

    pub(super) fn is_open(&self) -> bool {
        self.latest.is_some() || self.stored
    }

    pub(super) fn deadline(&self) -> Option<Moment> {
        self.latest.map(|latest| latest + QUIET)
    }

    fn is_our_own(&self, now: Moment, said: Option<Switch>) -> bool {
        self.own.is_some_and(|(at, switch)| said == Some(switch) && now.since(at) < REPEATED_WITHIN)
    }

    /// Whether it has to be told of.
    fn came(&mut self, now: Moment, expected: bool) -> bool {
        let told = self.is_open();
        if !expected {
            self.latest = Some(now);
        }
        !told && !expected
    }

    /// Whether it has to be told of now.
    fn came_stored(&mut self, link_up: bool, order: &str) -> bool {
        self.seen = true;
        if std::mem::replace(&mut self.stored, true) {
            return false;
        }
        if !link_up {
            self.untold = Some(order.to_owned());
        }
        link_up
    }

    /// Nothing lies there any more. Whether that ends it.
    fn store_is_empty(&mut self) -> bool {
        let told = self.untold.take().is_none();
        std::mem::take(&mut self.stored) && told && !self.is_open()
    }

    /// A connection has begun or ended. What is in store is heard before one has begun, and can be told of only then.
    fn link(&mut self, up: bool) -> Option<(ForeignOrderStage, String)> {
        let seen = std::mem::take(&mut self.seen);
        match (up, seen) {
            (true, true) => Some((ForeignOrderStage::Begun, self.untold.take()?)),
            (true, false) => self.store_is_empty().then(|| (ForeignOrderStage::Over, String::new())),
            (false, _) => None,
        }
    }

    fn has_stopped(&mut self, now: Moment) -> bool {
        let quiet = self.deadline().is_some_and(|deadline| deadline <= now);
        if quiet {
            self.latest = None;
        }
        quiet && !self.is_open()
    }
}

impl Engine {
    pub(super) fn order_message(
        &mut self,
        now: Now,
        index: MachineIx,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let said = if message.payload.is_empty() { None } else { said(&self.plan, index, &message.payload) };
        let machine = &mut self.machines[index];
        let foreign = &mut machine.foreign_orders;
        let order = match said {
            Some(Some(switch)) => switch.word().to_owned(),
            Some(None) => tame(&String::from_utf8_lossy(&message.payload), SHOWN_CHARS),
            None => String::new(),
        };
        let news = match said {
            // Whatever is stored now, it is no order to this outlet.
            None if message.retained => foreign.store_is_empty().then_some(ForeignOrderStage::Over),
            None => None,
            Some(_) if message.retained => Some(stage(foreign.came_stored(self.link_up, &order))),
            Some(said) if message.ours || foreign.is_our_own(now.moment, said) => None,
            Some(_) => Some(stage(foreign.came(now.moment, machine.guard.policy().shadow))),
        };
        let Some(stage) = news else { return };
        self.with_machine(now, index, out, |machine, _, out| {
            let stored = message.retained && stage != ForeignOrderStage::Over;
            machine.tell_foreign_order(now, order, stored, stage, out);
        });
    }

    /// The link is up or down: with it begins or ends what is known of the broker's store.
    pub(super) fn order_store_opened(&mut self, now: Now, index: MachineIx, out: &mut Vec<Effect>) {
        let news = self.machines[index].foreign_orders.link(self.link_up);
        if let Some((stage, order)) = news {
            self.with_machine(now, index, out, |machine, _, out| {
                machine.tell_foreign_order(now, order, stage == ForeignOrderStage::Begun, stage, out);
            });
        }
    }
}

impl MachineState {
    pub(super) fn foreign_orders_have_stopped(&mut self, now: Now, out: &mut Vec<Effect>) {
        if self.foreign_orders.has_stopped(now.moment) {
            self.tell_foreign_order(now, String::new(), false, ForeignOrderStage::Over, out);
        }
    }

    fn tell_foreign_order(
        &mut self,
        now: Now,
        order: String,
        stored: bool,
        stage: ForeignOrderStage,
        out: &mut Vec<Effect>,
    ) {
        // An on may start the machine that somebody works in.
        let urgent = stored || order != Switch::Off.word();
        let word = Subject::ForeignOrder.word();
        let quiet = match stage {
            ForeignOrderStage::Begun => self.keeps_quiet(word, urgent, false),
            ForeignOrderStage::Over => self.keeps_quiet(word, false, true),
            ForeignOrderStage::GoesOn => false,
        };
        let rules = self.rules();
        // Orders are heard only of an outlet that takes some.
        let Some(topic) = rules.order_topic() else { return };
        out.push(Effect::ForeignOrder(ForeignOrder {
            at: now,
            machine: rules.name.clone(),
            title: self.title.clone(),
            topic: topic.into(),
            order: order.into(),
            stored,
            quiet,
            stage,
        }));
    }
}

fn stage(begun: bool) -> ForeignOrderStage {
    if begun { ForeignOrderStage::Begun } else { ForeignOrderStage::GoesOn }
}

/// What a message on the topic of this machine's outlet tells it: on, off or something else; nothing if it is meant for
/// another.
fn said(plan: &Plan, index: MachineIx, payload: &[u8]) -> Option<Option<Switch>> {
    let order = plan.machines[index].outlet.order.as_ref()?;
    if let Some(switch) = word_for(order, payload) {
        return Some(Some(switch));
    }
    let asks = |machine: &Machine| {
        let refresh = machine.outlet.refresh.as_ref();
        refresh.is_some_and(|refresh| refresh.topic == order.topic && refresh.payload.as_bytes() == payload)
    };
    let shared = plan.machines.iter().filter(|other| other.order_topic() == Some(&order.topic)).count() > 1;
    // Whoever orders in JSON may mean a socket that nobody guards.
    let in_json = order.on.trim_start().starts_with(['{', '[']);
    (!shared && !in_json && !plan.machines.iter().any(asks)).then_some(None)
}

/// The order that this is to the outlet. JSON is the same however it is spaced.
fn word_for(order: &OrderTopic, payload: &[u8]) -> Option<Switch> {
    let words = [(&order.on, Switch::On), (&order.off, Switch::Off)];
    if let Some((_, switch)) = words.iter().find(|(word, _)| word.as_bytes() == payload) {
        return Some(*switch);
    }
    if !payload.trim_ascii_start().starts_with(b"{") && !payload.trim_ascii_start().starts_with(b"[") {
        return None;
    }
    let payload: Json = serde_json::from_slice(payload).ok()?;
    let same = |word: &str| serde_json::from_str::<Json>(word).is_ok_and(|word| word == payload);
    words.iter().find(|(word, _)| same(word)).map(|(_, switch)| *switch)
}
