//! The connection that is kept for emergencies: people are told when it stays away, since they would find out in an
//! emergency.
//!
//! While the main connection is down nobody can be told, and it is the broker that is gone.

use std::sync::Arc;

use super::core::Engine;
use super::effect::{Effect, ShopIncident, Trouble};
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_guard::{Cause, Input};
use idlegate_plan::event::LinkState;

/// It may be gone for a moment, as when the broker is restarted.
const TOLD_AFTER: Span = Span::secs(10);

#[derive(Debug, Default)]
pub(super) struct EmergencyLink {
    down: Option<Down>,
    told: bool,
}

#[derive(Debug)]
struct Down {
    since: Moment,
    why: Arc<str>,
}

impl Engine {
    pub(super) fn emergency_link(&mut self, now: Now, state: LinkState, out: &mut Vec<Effect>) {
        match state {
            LinkState::Up => {
                self.emergency_link.down = None;
                if std::mem::take(&mut self.emergency_link.told) {
                    let what = Trouble::EmergencyLink { why: "".into() };
                    out.push(Effect::ShopIncident(ShopIncident { at: now, what, urgent: false, over: true }));
                }
            }
            LinkState::Down { why } => {
                let why: Arc<str> = why.into();
                match &mut self.emergency_link.down {
                    Some(down) => down.why = why,
                    None => {
                        self.emergency_link.down = Some(Down { since: now.moment, why });
                        self.resend_emergencies(now, out);
                    }
                }
            }
        }
    }

    /// What it had taken may be lost, and the main connection is there.
    fn resend_emergencies(&mut self, now: Now, out: &mut Vec<Effect>) {
        if !self.link_up {
            return;
        }
        for index in self.machines.indices() {
            let pending = self.machines[index].guard.pending();
            if pending.is_some_and(|pending| pending.cause == Cause::Emergency) {
                self.tell_guard(now, index, Input::Link(true), out);
            }
        }
    }

    /// The main connection is back: from now on people can be told.
    pub(super) fn main_link_is_up(&mut self, now: Moment) {
        self.emergency_link.down.iter_mut().for_each(|down| down.since = now);
    }

    pub(super) fn emergency_link_deadline(&self) -> Option<Moment> {
        let down = self.emergency_link.down.as_ref().filter(|_| self.link_up && !self.emergency_link.told)?;
        Some(down.since + TOLD_AFTER)
    }

    pub(super) fn look_at_emergency_link(&mut self, now: Now, out: &mut Vec<Effect>) {
        if self.emergency_link_deadline().is_none_or(|due| due > now.moment) {
            return;
        }
        let Some(down) = &self.emergency_link.down else { return };
        let what = Trouble::EmergencyLink { why: down.why.clone() };
        out.push(Effect::ShopIncident(ShopIncident { at: now, what, urgent: true, over: false }));
        self.emergency_link.told = true;
    }
}
