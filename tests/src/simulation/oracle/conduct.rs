//! Decision by decision, order by order.

use idlegate_engine::{Announced, Decided, Effect, Order, Why, token_text};
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{Announcement, Cause, Confirm, Decision, Reason, RequestKind, Switch};
use idlegate_plan::event::{Name, Verdict};

use super::{Asked, Oracle};
use crate::simulation::afar::PHONE;
use crate::simulation::latch::{LATCH, LATCHED};
use crate::simulation::rules::{PLACES, place_of};

/// An off may rest on readings of which the newest, come in while it waited for them, has not been judged.
const UNJUDGED_MAX: Span = Span(1_100);
const EMERGENCY_INPUT: &str = "red-button";
const IDLE_TIMER: &str = "idle-timer";

fn may_force(input: &str) -> bool {
    input == "console"
        || PLACES
            .iter()
            .any(|place| place.button.is_some_and(|button| button.input == input && button.may_force))
}

impl Oracle {
    pub(super) fn announced(&mut self, announced: &Announced) {
        let Some(place) = place_of(announced.machine.as_str()) else { return };
        match announced.what {
            Announcement::DeferralCancelled { .. } | Announcement::DeferralExpired => {
                self.watched[place].deferral = None;
            }
            _ => {}
        }
    }

    pub(super) fn decided(&mut self, now: Moment, decided: &Decided, kept: &[Name]) {
        let input = decided.input.as_str();
        let place = decided.machine.as_ref().and_then(|machine| place_of(machine.as_str()));
        let Some(place) = place else {
            if self.strange.pop().is_none() {
                self.violated(format!("decisions: {input} was answered and had not asked"));
            }
            return;
        };
        let name = PLACES[place].machine;
        let reason = match &decided.why {
            Why::DeferralDue => return self.deferral_due(place, input),
            Why::Guard(reason) => *reason,
            Why::UnknownMachine(_)
            | Why::UnknownService(_)
            | Why::UnknownGroup(_)
            | Why::GroupNotAllowed
            | Why::NotByGroup(_)
            | Why::MachineNotAllowed
            | Why::RequestNotAllowed
            | Why::Malformed(_) => Reason::Duplicate,
        };
        let watched = &mut self.watched[place];
        let found = watched.outstanding.iter().position(|one| {
            (one.input, Some(one.kind), one.group) == (input, decided.request, decided.group.is_some())
        });
        match found {
            Some(at) => drop(watched.outstanding.remove(at)),
            None => {
                self.violations.push(format!(
                    "decisions: {} by {input} at {name} was answered ({}) once too often",
                    decided.request.map_or("?", RequestKind::word),
                    reason.word()
                ));
            }
        }
        let must_be_kept = matches!(
            reason,
            Reason::Locked | Reason::Unlocked | Reason::Emergency | Reason::UntilIdle | Reason::NoticeRunning
        );
        if must_be_kept && !kept.iter().any(|machine| machine.as_str() == name) {
            self.violated(format!("kept: {} at {name} was answered before it was kept", reason.word()));
        }
        if let Some(confirm) = decided.confirm {
            self.token_given(now, place, input, confirm);
        }
        if decided.group.is_some() {
            self.decided_in_group(place, decided, reason);
        }
        self.reason(now, place, input, reason);
    }

    fn token_given(&mut self, now: Moment, place: usize, input: &str, confirm: Confirm) {
        if input != PHONE {
            self.violated(format!("tokens: one was given to {input}"));
        }
        let token = token_text(confirm.token);
        let tokens = &mut self.watched[place].tokens;
        tokens.retain(|(other, _)| *other != token);
        tokens.push((token, now + confirm.within));
    }

    /// Why a force from there is none.
    fn not_from_afar(&self, now: Moment, place: usize) -> Option<&'static str> {
        let Some(brought) = &self.brought else { return Some("it brought no token") };
        match self.watched[place].tokens.iter().find(|(token, _)| token == brought) {
            None => Some("its token had not been given for that"),
            Some((_, until)) if now >= *until => Some("its token was too old"),
            Some(_) => None,
        }
    }

    fn reason(&mut self, now: Moment, place: usize, input: &str, reason: Reason) {
        let name = PLACES[place].machine;
        if matches!(reason, Reason::MachineBusy | Reason::UntilIdle) {
            self.held_for_a_reason(now, place, reason);
        }
        let watched = &mut self.watched[place];
        match reason {
            Reason::MachineBusy | Reason::MachineUnknown if may_force(input) => {
                watched.told.retain(|(_, by)| by != input);
                watched.told.push((now, input.to_owned()));
            }
            Reason::ForcedInWindow => self.forced(now, place, input),
            Reason::Emergency => {
                watched.locked = true;
                if input != EMERGENCY_INPUT && input != LATCH {
                    self.violated(format!("emergency: {input} may not, at {name}"));
                }
            }
            Reason::Locked | Reason::Unlocked => {
                watched.locked = reason == Reason::Locked;
                if reason == Reason::Unlocked && self.latch == Some(true) && LATCHED.contains(&place) {
                    self.violations.push(format!("contact: {name} was unlocked while it was pushed in"));
                }
                if input != "console" {
                    self.violated(format!("lockout: {input} may not {} {name}", reason.word()));
                }
            }
            Reason::UntilIdle | Reason::NoticeRunning => {
                watched.deferral = Some(input.to_owned());
                watched.deferral_in_doubt = false;
            }
            Reason::SwitchingOn if watched.locked => {
                self.violated(format!("lockout: an on by {input} was accepted at {name}"));
            }
            // Perhaps of a force, which is told as well.
            Reason::AlreadyOff if may_force(input) => {
                watched.told.retain(|(_, by)| by != input);
                watched.told.push((now, input.to_owned()));
            }
            Reason::AlreadyOn | Reason::SwitchingOn => watched.told.retain(|(_, by)| by != input),
            _ => {}
        }
    }

    /// A machine of which its detector says idle is held only if it has gone back to work so soon before.
    fn held_for_a_reason(&mut self, now: Moment, place: usize, reason: Reason) {
        let watched = &self.watched[place];
        if self.doubt(now, place, true).is_some() || !watched.unseen.is_empty() {
            return;
        }
        self.held_longer += u64::from(watched.resumption.hold_max() > Span::ZERO);
        // What waits until it is idle waits until it has been so for a moment.
        let settles = self.plan.machines[watched.index].policy.settle_for;
        let settles = if reason == Reason::UntilIdle { settles } else { Span::ZERO };
        if !watched.resumption.may_hold(now, settles) {
            let name = PLACES[place].machine;
            self.violated(format!("held: {name} is idle, and never went back to work so late"));
        }
    }

    fn forced(&mut self, now: Moment, place: usize, input: &str) {
        let watched = &self.watched[place];
        let policy = &self.plan.machines[watched.index].policy;
        let name = PLACES[place].machine;
        // All inputs of this shop are within earshot of each other.
        let own = watched.told.iter().find(|(_, by)| by == input);
        let last = own.or_else(|| watched.told.iter().max_by_key(|(opened, _)| *opened));
        let fault = match last {
            _ if input == PHONE => self.not_from_afar(now, place),
            _ if !may_force(input) => Some("its input may not force"),
            None => Some("nobody had been told how"),
            Some((opened, by)) if by == input && now.since(*opened) < policy.force_not_before => {
                Some("it was part of the gesture that opened the window")
            }
            Some(_) if watched.told.iter().all(|(opened, _)| now >= *opened + policy.window) => {
                Some("the window was over")
            }
            Some(_) => None,
        };
        if let Some(fault) = fault {
            self.violated(format!("window: {input} forced {name} off, but {fault}"));
        }
    }

    fn deferral_due(&mut self, place: usize, input: &str) {
        let watched = &mut self.watched[place];
        let policy = &self.plan.machines[watched.index].policy;
        let due = match input {
            IDLE_TIMER => policy.forgotten_after.is_some(),
            input => watched.deferral.as_deref() == Some(input),
        };
        watched.deferral = None;
        if !due {
            let name = PLACES[place].machine;
            self.violated(format!("decisions: a deferral of {input} at {name} came due, and nobody had one"));
        }
    }

    pub(super) fn order(&mut self, now: Moment, order: &Order, effects: &[Effect]) {
        let Some(place) = place_of(order.machine.as_str()) else { return };
        let name = PLACES[place].machine;
        let policy = self.plan.machines[self.watched[place].index].policy;
        if policy.shadow != order.shadow && order.cause != Cause::Emergency {
            let sent = if order.shadow { "not sent" } else { "sent" };
            self.violated(format!("shadow: an order to {name} was {sent}"));
        }
        let asked_by = |reasons: &[Reason], deferral: bool| {
            effects.iter().any(|effect| match effect {
                Effect::Decided(decided) => {
                    decided.machine.as_ref() == Some(&order.machine)
                        && match &decided.why {
                            Why::Guard(reason) => reasons.contains(reason),
                            Why::DeferralDue => deferral,
                            _ => false,
                        }
                }
                _ => false,
            })
        };
        let forced_by = |reasons: &[Reason]| {
            effects.iter().any(|effect| match effect {
                Effect::Decided(decided) => {
                    decided.machine.as_ref() == Some(&order.machine)
                        && decided.request == Some(RequestKind::ForceOff)
                        && matches!(&decided.why, Why::Guard(reason) if reasons.contains(reason))
                }
                _ => false,
            })
        };
        let resend_until = |sent: Moment| {
            sent + Span(policy.confirm_within.0 * (u64::from(policy.tries) + 2)) + Span::secs(400)
        };
        let watched = &self.watched[place];
        let first = order.resend == 0;
        let fault = match (order.switch, order.cause) {
            (Switch::On, _) if watched.locked => Some("lockout: an on was sent".to_owned()),
            (Switch::On, _) if first => {
                (!asked_by(&[Reason::SwitchingOn], false)).then(|| "on: nobody had asked".to_owned())
            }
            (Switch::On, _) => watched
                .last_on
                .is_none_or(|sent| now >= resend_until(sent))
                .then(|| "on: sent again, and never before".to_owned()),
            (Switch::Off, Cause::Plain) => {
                let asked = match watched.last_off {
                    _ if first => asked_by(&[Reason::MachineIdle], true),
                    Some((Cause::Plain, _)) => true,
                    _ => false,
                };
                let doubt = self.doubt(now, place, first).or_else(|| {
                    // Who forces does not wait for that.
                    let waits = first && !forced_by(&[Reason::MachineIdle]);
                    watched.resumption.might_go_on(now).filter(|_| waits)
                });
                match doubt {
                    Some(doubt) => Some(format!("permissive: a plain off was sent although {doubt}")),
                    None if !asked => Some("decisions: a plain off without a request".to_owned()),
                    None => None,
                }
            }
            (Switch::Off, Cause::Forced) => {
                let held_longer =
                    watched.resumption.may_hold(now, Span::ZERO) && self.doubt(now, place, first).is_none();
                let asked = if first {
                    asked_by(&[Reason::ForcedInWindow], false)
                        || (held_longer && forced_by(&[Reason::MachineIdle]))
                } else {
                    watched.last_off.is_some_and(|(cause, _)| cause == Cause::Forced)
                };
                (!asked).then(|| "window: a forced off was sent without an accepted force".to_owned())
            }
            (Switch::Off, Cause::Emergency) => {
                let asked = asked_by(&[Reason::Emergency], false)
                    || watched.last_off.is_some_and(|(cause, _)| cause == Cause::Emergency);
                (!asked).then(|| "emergency: an off was sent, and nobody had pushed".to_owned())
            }
        };
        if let Some(fault) = fault {
            self.violated(format!("{fault} ({name})"));
        }
        let watched = &mut self.watched[place];
        if order.cause != Cause::Plain && first {
            watched.told.clear();
            watched.tokens.clear();
        }
        match order.switch {
            Switch::On => watched.last_on = Some(now),
            Switch::Off => {
                watched.last_off = Some((order.cause, now));
                if first {
                    watched.deferral = None;
                }
            }
        }
    }

    /// Why this machine might be working, as far as what was delivered tells.
    pub fn doubt(&self, now: Moment, place: usize, first: bool) -> Option<String> {
        let watched = &self.watched[place];
        let Some(newest) = watched.record.newest() else { return Some("nothing was ever read".to_owned()) };
        if now.since(newest) >= watched.record.stale_after {
            return Some(format!("the newest reading is {} old", now.since(newest)));
        }
        if watched.stopped_at.is_some_and(|at| newest <= at) {
            return Some("nothing was read since its detector stopped".to_owned());
        }
        if watched.said != Some(Verdict::Idle) {
            return Some(format!("its detector said {:?}", watched.said));
        }
        let unjudged_max = if first { UNJUDGED_MAX } else { Span::ZERO };
        if watched.unseen.front().is_some_and(|(_, came)| now.since(*came) > unjudged_max) {
            return Some("a reading had not been judged".to_owned());
        }
        if !watched.record.speaks_for_idle() {
            return Some("the readings do not speak for an idle machine".to_owned());
        }
        None
    }

    /// Old and stored messages are nobody's wish; an emergency always acts.
    pub(super) fn treated_rightly(&mut self, asked: &Asked, batch: &[&Decided], effects: &[Effect]) {
        let emergency = asked.kind == RequestKind::EmergencyOff;
        for place in &asked.places {
            let machine = &self.plan.machines[self.watched[*place].index];
            let answered = |decision: Decision| {
                batch.iter().any(|decided| {
                    decided.machine.as_ref() == Some(&machine.name)
                        && decided.input.as_str() == asked.input
                        && decided.decision == decision
                })
            };
            let nobodys = asked.retained || (!emergency && asked.age > machine.policy.request_max_age);
            let name = PLACES[*place].machine;
            if nobodys && !answered(Decision::Ignored) {
                let how = if asked.retained { "a stored" } else { "an old" };
                self.violations.push(format!(
                    "arrival: {how} {} by {} at {name} was not ignored",
                    asked.kind.word(),
                    asked.input
                ));
            }
            if emergency && !asked.retained {
                let sent = effects.iter().any(|effect| {
                    matches!(effect, Effect::Order(order) if order.machine == machine.name
                        && order.switch == Switch::Off && order.cause == Cause::Emergency && !order.shadow)
                });
                if !sent || !answered(Decision::Acted) {
                    self.violations.push(format!("emergency: no off was sent to {name}"));
                }
            }
        }
    }
}
