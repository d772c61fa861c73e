//! The claims, held against what the guard did: what must not be, and what must.

use idlegate_guard::time::Moment;
use idlegate_guard::{
    Answer, Arrival, Cause, Control, Effect, GestureId, Input, InputId, Order, Person, Place, Reason,
    Request, RequestId, RequestKind, Rights, Switch, WhenBusy,
};

use crate::books::{AGE_MAX, ASKS_MAX, Books, Claim, Room, Told, Window};
use crate::plants::Plant;
use crate::scenes::{Ask, Brings};
use crate::world::{Shop, World};

impl Shop {
    pub(crate) fn judge(&self, world: &mut World, before: &Books, asked: Option<usize>, effect: &Effect) {
        match effect {
            Effect::Order(order) => self.judge_order(world, before, asked, *order),
            Effect::Keep(kept) => {
                world.books.locked = !kept.locks.is_empty();
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
                    Reason::MachineBusy | Reason::MachineUnknown | Reason::KeptOn => {
                        self.told(world, index, answer);
                    }
                    Reason::KeepingOn => {
                        books.kept_on = u8::try_from(self.scene.policy.keep_on_for.0).unwrap_or(AGE_MAX);
                    }
                    Reason::KeepOnCancelled | Reason::DeferralCancelled
                        if self.scene.asks[index % ASKS_MAX].rights.may_keep_on
                            && answer.kind == RequestKind::Cancel =>
                    {
                        books.kept_on = 0;
                    }
                    Reason::AlreadyOff if answer.kind == RequestKind::ForceOff => {
                        self.told(world, index, answer)
                    }
                    // They asked for it to be on.
                    Reason::AlreadyOn
                    | Reason::SwitchingOn
                    | Reason::Lockout
                    | Reason::OnNotFromHere
                    | Reason::ContactPushed
                    | Reason::OnPermitMissing
                    | Reason::CircuitFull
                        if answer.kind != RequestKind::Unlock =>
                    {
                        books.take_back(answer.input);
                    }
                    Reason::AlreadySwitching | Reason::DeferralCancelled
                        if answer.kind == RequestKind::On =>
                    {
                        books.take_back(answer.input);
                    }
                    Reason::MachineIdle if answer.kind != RequestKind::OffOnceIdle => {
                        books.take_back(answer.input);
                    }
                    Reason::Unlocked | Reason::LockLifted if before.pushed => {
                        world.breaks(Claim::ContactHolds)
                    }
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
        // Whatever anybody asked.
        match (self.scene.policy.control, order.switch, order.cause) {
            (Control::Full, _, _)
            | (Control::NeverOff, Switch::On, _)
            | (Control::NeverOff, Switch::Off, Cause::Emergency) => {}
            (Control::NeverOff, Switch::Off, Cause::Plain | Cause::Forced) | (Control::Watched, _, _) => {
                return world.breaks(Claim::OffOnlyWhenClear);
            }
        }
        let ask = asked.map(|index| self.scene.asks[index]);
        let is = |kind: RequestKind| ask.filter(|ask| ask.kind == kind && self.is_live(ask));
        match (order.switch, order.cause) {
            (Switch::On, _) => {
                let wanted = is(RequestKind::On).or(is(RequestKind::Flip)).is_some() || order.resend > 0;
                let permitted = !self.scene.policy.on_needs_permit || world.books.permit;
                if before.pushed {
                    world.breaks(Claim::ContactHolds);
                }
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
                // Who forces does not wait for what only caution holds.
                if !self.was_told(&ask, before) && !before.only_cautious() {
                    let none = before.windows.is_empty();
                    world.breaks(if none { Claim::WindowIsHalfOpen } else { Claim::ToldOnly });
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
        if order.resend == 0 && order.cause != Cause::Plain {
            world.books.windows.clear();
            world.books.kept_on = 0;
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
            let control = self.scene.policy.control;
            // Where there is nothing to obey it with, nothing may look as if it had been.
            let is_due = if control == Control::Watched { world.books.locked } else { !obeyed };
            if ask.rights.emergency && of_now && is_due {
                world.breaks(Claim::DutiesAreDone);
            }
            return;
        }
        // A force of long ago forces nothing, and what follows it at once is the same gesture all the same.
        let of_long_ago = ask.kind == RequestKind::ForceOff && ask.rights.may_force && !ask.arrival.retained;
        if !self.is_live(&ask) && !of_long_ago {
            return;
        }
        let policy = &self.scene.policy;
        let same = |other: &Ask| self.is_live(other) && (other.input, other.kind) == (ask.input, ask.kind);
        let slot = self.scene.asks.iter().position(same).unwrap_or(index);
        let repeated = before.pressed[slot] > 0;
        world.books.pressed[slot] = u8::try_from(policy.repeat_guard.0).unwrap_or(AGE_MAX);
        if repeated || !self.is_live(&ask) {
            return;
        }
        let fresh = |told: &Told| !policy.can_refresh || u64::from(told.reading_age) <= policy.fresh_within.0;
        let idle = before.clear() && before.told.is_some_and(|told| !told.unseen && fresh(&told));
        let permitted = policy.on_from.contains(ask.rights.place)
            && before.room == Room::Ample
            && (!policy.on_needs_permit || before.permit);
        let control = policy.control;
        let undone = match ask.kind {
            _ if control == Control::Watched => false,
            RequestKind::Off | RequestKind::ForceOff if control == Control::NeverOff => false,
            RequestKind::On
                if !before.locked && !before.pushed && permitted && heading != Some(Switch::On) =>
            {
                !sent(Switch::On, Cause::Plain)
            }
            RequestKind::Off if idle && heading != Some(Switch::Off) => !sent(Switch::Off, Cause::Plain),
            RequestKind::Off
                if !idle && heading != Some(Switch::Off) && ask.rights.when_busy == WhenBusy::Hold =>
            {
                before.told.is_none_or(|told| !told.unseen && fresh(&told))
                    && ask.rights.may_force
                    && !world.guard.windows().any(|window| window.place == ask.rights.place)
                    && world.books.open[index].is_none()
            }
            RequestKind::ForceOff
                if ask.rights.may_force
                    && before.only_cautious()
                    && before.told.is_some_and(|told| fresh(&told))
                    && before.windows.is_empty()
                    && heading == Some(Switch::On) =>
            {
                !sent(Switch::Off, Cause::Forced)
            }
            _ => false,
        };
        if undone {
            world.breaks(Claim::DutiesAreDone);
        }
        if ask.kind == RequestKind::ForceOff && ask.rights.may_force && ask.brings != Brings::Nonsense {
            self.judge_way_out(world, before, &ask, effects);
        }
    }

    /// Whatever others have asked meanwhile: whoever was told, and forces when they were told to, is obeyed; and
    /// whoever was not is told now.
    fn judge_way_out(&self, world: &mut World, before: &Books, ask: &Ask, effects: &[Effect]) {
        if self.scene.policy.control != Control::Full {
            return;
        }
        let off = |effect: &Effect| matches!(effect, Effect::Order(Order { switch: Switch::Off, .. }));
        let under_way = world
            .guard
            .pending()
            .is_some_and(|pending| pending.switch == Switch::Off && pending.cause != Cause::Plain);
        if effects.iter().any(off) || under_way {
            return;
        }
        let pause = self.scene.policy.force_not_before.0;
        let brought = self.brought(ask, before);
        let own = |window: &&Window| window.opener == ask.input;
        let due = before.windows.iter().filter(own).any(|window| match window.place {
            Place::Remote => window.token == brought,
            Place::Beside | Place::Shop => u64::from(window.age) >= pause,
        });
        if due || !world.books.windows.iter().any(|window| own(&window)) {
            world.breaks(Claim::NobodyShutOut);
        }
    }

    /// By the answer to their own request, or within earshot of it; from afar by the answer alone.
    fn was_told(&self, ask: &Ask, before: &Books) -> bool {
        let pause = self.scene.policy.force_not_before.0;
        let brought = self.brought(ask, before).filter(|_| self.plant != Some(Plant::NoTokenNeeded));
        let mut within = before.windows.iter().filter(|window| window.place == ask.rights.place);
        match ask.rights.place {
            Place::Remote => within
                .any(|window| window.opener == ask.input && brought.is_some() && window.token == brought),
            Place::Beside | Place::Shop => match within.clone().find(|window| window.opener == ask.input) {
                Some(own) => u64::from(own.age) >= pause,
                None => within.next().is_some(),
            },
        }
    }

    /// Only who may force is told how, and a token is given to nobody but those far away.
    fn told(&self, world: &mut World, index: usize, answer: &Answer) {
        let ask = self.scene.asks[index % ASKS_MAX];
        let from_afar = ask.rights.place == Place::Remote;
        if answer.confirm.is_some() != (ask.rights.may_force && from_afar) {
            return world.breaks(Claim::ToldOnly);
        }
        if !ask.rights.may_force {
            return;
        }
        let within = answer.confirm.map_or(self.scene.policy.window, |confirm| confirm.within);
        world.books.tell(Window {
            left: u8::try_from(within.0).unwrap_or(AGE_MAX),
            opener: answer.input,
            place: ask.rights.place,
            age: 0,
            token: answer.confirm.map(|confirm| confirm.token.0),
        });
    }

    pub(crate) fn judge_state(&self, world: &mut World, now: Moment) {
        let policy = &self.scene.policy;
        let kept = world.guard.kept();
        if kept.locks.is_empty() == world.books.locked || kept.deferral.is_some() != world.books.deferral {
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
        if policy.control == Control::Full && !self.has_way_out(world, now) {
            world.breaks(Claim::TwoGestureWayOut);
        }
    }

    /// Whatever detectors do from now on, which is nothing, two gestures of somebody who may force send an off, even to
    /// an outlet that says it is off.
    fn has_way_out(&self, world: &World, now: Moment) -> bool {
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
                    keep_for: None,
                    input: InputId(100),
                    person: Person::UNNAMED,
                    gesture: GestureId(100),
                    rights,
                    arrival: Arrival::LIVE,
                    offer: None,
                    confirm: None,
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
