//! The claims, held against what the guard did: what must not be, and what must.

use idlegate::guard::{
    Arrival, Cause, Effect, GestureId, Input, InputId, Order, Reason, Request, RequestId, RequestKind,
    Rights, Switch, WhenBusy,
};
use idlegate::time::Moment;

use crate::books::{AGE_MAX, Books, Claim, Room, Told, Window};
use crate::scenes::Ask;
use crate::world::{Shop, World};

impl Shop {
    pub(crate) fn judge(&self, world: &mut World, before: &Books, asked: Option<usize>, effect: &Effect) {
        match effect {
            Effect::Order(order) => self.judge_order(world, before, asked, *order),
            Effect::Keep(kept) => {
                world.books.locked = kept.lockout.is_some();
                world.books.deferral = kept.deferral.is_some();
                world.books.quiet_for = 0;
            }
            Effect::Answer(answer) => {
                let index = usize::try_from(answer.request.0).unwrap_or(usize::MAX);
                let Some(asked) = world.books.open.get_mut(index).and_then(Option::take) else {
                    return world.breaks(Claim::OneAnswerEach);
                };
                let books = &mut world.books;
                let wants_newer = books.wants_newer & (1 << index) != 0;
                books.wants_newer &= !(1 << index);
                let judged = books.told.is_some_and(|told| !told.unseen && told.reading_age <= asked);
                match answer.reason {
                    Reason::MachineIdle if wants_newer && !judged => world.breaks(Claim::OffOnlyWhenClear),
                    Reason::MachineBusy | Reason::MachineUnknown => {
                        let left = u8::try_from(self.scene.policy.window.0).unwrap_or(AGE_MAX);
                        books.window = Some(Window { left, opener: answer.input, age: 0 });
                    }
                    Reason::AlreadyOn => books.window = None,
                    Reason::Locked | Reason::Emergency if !books.locked => world.breaks(Claim::KeptSurvives),
                    Reason::UntilIdle | Reason::NoticeRunning if !books.deferral => {
                        world.breaks(Claim::KeptSurvives)
                    }
                    _ => {}
                }
            }
            Effect::Refresh
            | Effect::Announce(_)
            | Effect::Incident(_)
            | Effect::IncidentOver(_)
            | Effect::DeferralActed(_) => {}
        }
    }

    fn judge_order(&self, world: &mut World, before: &Books, asked: Option<usize>, order: Order) {
        let ask = asked.map(|index| self.scene.asks[index]);
        let is = |kind: RequestKind| ask.filter(|ask| ask.kind == kind && self.is_live(ask));
        match (order.switch, order.cause) {
            (Switch::On, _) => {
                let wanted = is(RequestKind::On).or(is(RequestKind::Flip)).is_some() || order.resend > 0;
                let permitted = !self.scene.policy.on_needs_permit || world.books.permit;
                if before.locked || world.books.locked || !wanted || !permitted {
                    world.breaks(Claim::OnOnlyWhenAsked);
                }
                if before.room == Room::None && order.resend == 0 {
                    world.breaks(Claim::CircuitHolds);
                }
                world.books.flying_on = self.scene.shares_circuit.then_some(0);
            }
            (Switch::Off, Cause::Plain) => {
                let unseen = world.books.told.is_some_and(|told| told.unseen && told.age == 0);
                let asked_now = asked.is_some() || order.resend > 0;
                if !world.books.clear() || (unseen && asked_now) {
                    world.breaks(Claim::OffOnlyWhenClear);
                }
            }
            (Switch::Off, Cause::Forced) if order.resend == 0 => {
                let Some(ask) = is(RequestKind::ForceOff).filter(|ask| ask.rights.may_force) else {
                    return world.breaks(Claim::OffOnlyWhenClear);
                };
                let pause = self.scene.policy.force_not_before.0;
                let open = before
                    .window
                    .is_some_and(|window| window.opener != ask.input || u64::from(window.age) >= pause);
                if !open {
                    world.breaks(Claim::WindowIsHalfOpen);
                }
            }
            (Switch::Off, Cause::Emergency) if order.resend == 0 && asked.is_some() => {
                let ask = ask.filter(|ask| ask.kind == RequestKind::EmergencyOff && ask.rights.emergency);
                let oldest = self.scene.policy.emergency_max_age;
                if ask.is_none_or(|ask| ask.arrival.retained || ask.arrival.age > oldest) {
                    world.breaks(Claim::OffOnlyWhenClear);
                }
            }
            // Sent again until somebody releases the machine, and not after that.
            (Switch::Off, Cause::Emergency) if !before.locked => world.breaks(Claim::OffOnlyWhenClear),
            (Switch::Off, Cause::Forced | Cause::Emergency) => {}
        }
        if order.resend == 0 {
            world.books.window = None;
        }
        if (order.switch, order.cause) == (Switch::Off, Cause::Plain) {
            world.books.flying_off.get_or_insert(0);
        }
    }

    pub(crate) fn judge_duty(
        &self,
        world: &mut World,
        before: &Books,
        heading: Option<Switch>,
        index: usize,
        effects: &[Effect],
    ) {
        let ask = self.scene.asks[index];
        let sent = |wanted: Switch, cause: Cause| {
            effects.iter().any(|effect| {
                matches!(effect, Effect::Order(Order { switch, cause: by, .. }) if (*switch, *by) == (wanted, cause))
            })
        };
        if ask.kind == RequestKind::EmergencyOff {
            let obeyed = sent(Switch::Off, Cause::Emergency) && world.books.locked;
            let of_now = !ask.arrival.retained && ask.arrival.age <= self.scene.policy.emergency_max_age;
            if ask.rights.emergency && of_now && !obeyed {
                world.breaks(Claim::DutiesAreDone);
            }
            return;
        }
        if !self.is_live(&ask) {
            return;
        }
        let policy = &self.scene.policy;
        let same = |other: &Ask| self.is_live(other) && (other.input, other.kind) == (ask.input, ask.kind);
        let slot = self.scene.asks.iter().position(same).unwrap_or(index);
        let repeated = before.pressed[slot] > 0;
        world.books.pressed[slot] = u8::try_from(policy.repeat_guard.0).unwrap_or(AGE_MAX);
        if repeated {
            return;
        }
        let fresh = |told: &Told| !policy.can_refresh || u64::from(told.reading_age) <= policy.fresh_within.0;
        let idle = before.clear() && before.told.is_some_and(|told| !told.unseen && fresh(&told));
        let permitted =
            policy.remote_on && before.room == Room::Ample && (!policy.on_needs_permit || before.permit);
        let undone = match ask.kind {
            RequestKind::On if !before.locked && permitted && heading != Some(Switch::On) => {
                !sent(Switch::On, Cause::Plain)
            }
            RequestKind::Off if idle && heading != Some(Switch::Off) => !sent(Switch::Off, Cause::Plain),
            RequestKind::Off
                if !idle && heading != Some(Switch::Off) && ask.rights.when_busy == WhenBusy::Hold =>
            {
                before.told.is_none_or(|told| !told.unseen && fresh(&told))
                    && world.guard.window().is_none()
                    && world.books.open[index].is_none()
            }
            _ => false,
        };
        if undone {
            world.breaks(Claim::DutiesAreDone);
        }
    }

    pub(crate) fn judge_state(&self, world: &mut World, now: Moment) {
        let policy = &self.scene.policy;
        let kept = world.guard.kept();
        if kept.lockout.is_some() != world.books.locked || kept.deferral.is_some() != world.books.deferral {
            world.breaks(Claim::KeptSurvives);
        }
        let patience = policy.refresh_wait.max(policy.assess_wait).0;
        let overdue = world.books.open.iter().flatten().any(|age| u64::from(*age) >= patience);
        let undone = world.guard.deadline().is_some_and(|due| due <= now);
        if overdue || undone {
            world.breaks(Claim::DutiesAreDone);
        }
        let books = &mut world.books;
        let fresh = |told: Told| !policy.can_refresh || u64::from(told.reading_age) <= policy.fresh_within.0;
        let quiet = books.deferral
            && books.link
            && books.clear()
            && books.told.is_some_and(|told| !told.unseen && fresh(told));
        if !quiet {
            books.quiet_for = 0;
        }
        // A tick more than settling, notice and a last look together.
        if u64::from(books.quiet_for) > policy.settle_for.0 + policy.notice.0 + patience {
            world.breaks(Claim::DutiesAreDone);
        }
        if !self.has_way_out(world, now) {
            world.breaks(Claim::TwoGestureWayOut);
        }
    }

    /// Whatever detectors do from now on, which is nothing, two gestures of somebody who may force switch off an outlet
    /// that is not known to be off.
    fn has_way_out(&self, world: &World, now: Moment) -> bool {
        if world.books.outlet == Some(Switch::Off) && world.guard.pending().is_none() {
            return true;
        }
        let mut guard = world.guard.clone();
        let mut effects = Vec::new();
        let mut at = now;
        // By then a gesture is one of its own, whatever came before it.
        let pause = self.scene.policy.repeat_guard.max(self.scene.policy.force_not_before);
        for nth in 0..2 {
            at = at + pause;
            // At any hour.
            let rights = Rights { may_force: true, out_of_hours: true, ..Rights::PLAIN };
            guard.handle(
                at,
                Input::Request(Request {
                    id: RequestId(100 + nth),
                    kind: RequestKind::ForceOff,
                    input: InputId(100),
                    gesture: GestureId(100),
                    rights,
                    arrival: Arrival::LIVE,
                }),
                &mut effects,
            );
        }
        let off = |effect: &Effect| matches!(effect, Effect::Order(Order { switch: Switch::Off, .. }));
        match guard.pending() {
            _ if effects.iter().any(off) => true,
            Some(pending) => pending.switch == Switch::Off && pending.cause != Cause::Plain,
            // An on that was under way has been given up, and the outlet has said that it is off.
            None => guard.outlet() == Some(Switch::Off),
        }
    }

    fn is_live(&self, ask: &Ask) -> bool {
        !ask.arrival.retained && ask.arrival.age <= self.scene.policy.request_max_age
    }
}
