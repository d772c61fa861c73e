//! The guard in its world: what can happen next, what comes of it, and whether that breaks a claim.

use idlegate::guard::{
    Cause, Command, Effect, GestureId, Guard, Input, Kept, OutletReport, Permissive, PermissiveState, Policy,
    Reason, Request, RequestId, RequestKind, Switch, WhenBusy,
};
use idlegate::time::{Moment, Span};
use stateright::{Model, Property};

use crate::books::{AGE_MAX, ASKS_MAX, Books, Claim, EXPIRY, FOREVER, Told, Window};
use crate::scenes::{Ask, Scene};

/// Every state is seen from this moment.
const NOW: Moment = Moment(1_000);
/// A late message is a tick late and comes just after a newer one, so no older ages need telling apart.
const LATE: Span = Span(0);
/// How long the program is stopped, when it is.
const SLEEP: u8 = 4;

#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(crate) struct World {
    guard: Guard,
    books: Books,
    broken: Option<Claim>,
}

/// What detectors say of the machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fact {
    Clear,
    /// Clear, on readings that go stale in two ticks.
    Short,
    /// Clear, on readings older than is fresh.
    Old,
    /// Clear, but a reading has come in that no detector has looked at.
    Unseen,
    Busy,
    /// The detector stopped.
    Trap,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Step {
    Tick,
    /// The program is stopped, or the computer suspended.
    Sleep,
    Asks(usize),
    Says(Fact),
    /// A verdict that was overtaken by a newer one.
    SaysLate,
    /// A plain off that was on its way takes effect; that it may be lost needs no step.
    Arrives,
    /// The outlet says where it is: by our command, a doubled or late one, or somebody's hand.
    Reports(Switch),
    /// A report that was overtaken by a newer one.
    ReportsLate,
    Unreachable,
    Link(bool),
    Permit(bool),
    Crash,
}

/// A bug put in on purpose.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Plant {
    DoubtIsIdle,
    IgnoresUnseen,
    ForceByAnybody,
    ObeysRefusedOn,
    LongWindow,
    AnswersTwice,
    NoSecondGesture,
    ForgetsLockout,
    ForgetsDeferral,
    CommandsNeverExpire,
    RestampsLate,
    OffNotSent,
    DeafToEmergency,
    NeverTicks,
}

impl Plant {
    pub(crate) const ALL: [Plant; 14] = [
        Plant::DoubtIsIdle,
        Plant::IgnoresUnseen,
        Plant::ForceByAnybody,
        Plant::ObeysRefusedOn,
        Plant::LongWindow,
        Plant::AnswersTwice,
        Plant::NoSecondGesture,
        Plant::ForgetsLockout,
        Plant::ForgetsDeferral,
        Plant::CommandsNeverExpire,
        Plant::RestampsLate,
        Plant::OffNotSent,
        Plant::DeafToEmergency,
        Plant::NeverTicks,
    ];

    pub(crate) const fn words(self) -> &'static str {
        match self {
            Plant::DoubtIsIdle => "a stopped detector counts as idle",
            Plant::IgnoresUnseen => "readings not looked at are forgotten",
            Plant::ForceByAnybody => "everybody may force",
            Plant::ObeysRefusedOn => "an on refused for a lockout is sent all the same",
            Plant::LongWindow => "the window is open at its deadline",
            Plant::AnswersTwice => "a request delivered twice is answered twice",
            Plant::NoSecondGesture => "every force counts as the gesture that opened the window",
            Plant::ForgetsLockout => "a crash loses the lockout",
            Plant::ForgetsDeferral => "a crash loses the deferral",
            Plant::CommandsNeverExpire => "commands wait on their way for ever",
            Plant::RestampsLate => "a late verdict counts as new",
            Plant::OffNotSent => "an off is answered and not sent",
            Plant::DeafToEmergency => "an emergency is not heard",
            Plant::NeverTicks => "deadlines pass unnoticed",
        }
    }

    /// The claim that notices.
    pub(crate) const fn breaks(self) -> Claim {
        match self {
            Plant::DoubtIsIdle | Plant::IgnoresUnseen | Plant::ForceByAnybody => Claim::OffOnlyWhenClear,
            Plant::ObeysRefusedOn => Claim::OnOnlyWhenAsked,
            Plant::LongWindow => Claim::WindowIsHalfOpen,
            Plant::AnswersTwice => Claim::OneAnswerEach,
            Plant::NoSecondGesture => Claim::TwoGestureWayOut,
            Plant::ForgetsLockout | Plant::ForgetsDeferral => Claim::KeptSurvives,
            Plant::CommandsNeverExpire => Claim::OffExpires,
            Plant::RestampsLate => Claim::NewerWins,
            Plant::OffNotSent | Plant::DeafToEmergency | Plant::NeverTicks => Claim::DutiesAreDone,
        }
    }
}

pub(crate) struct Shop {
    pub(crate) scene: Scene,
    pub(crate) plant: Option<Plant>,
}

impl Model for Shop {
    type State = World;
    type Action = Step;

    fn init_states(&self) -> Vec<World> {
        let guard = Guard::new(self.guards_policy(), Kept::default(), NOW);
        vec![World { guard: guard.seen_from(NOW, NOW, LATE), books: Books::new(), broken: None }]
    }

    fn actions(&self, world: &World, steps: &mut Vec<Step>) {
        if world.broken.is_some() {
            return;
        }
        let books = &world.books;
        steps.extend([Step::Tick, Step::Sleep, Step::Crash, Step::Link(!books.link)]);
        let room = |index: &usize| books.open[*index + ASKS_MAX].is_none();
        steps.extend((0..self.scene.asks.len()).filter(room).map(Step::Asks));
        if self.scene.policy.on_needs_permit {
            steps.push(Step::Permit(!books.permit));
        }
        if books.flying_off.is_some() {
            steps.push(Step::Arrives);
        }
        if books.link {
            steps.extend(self.scene.facts.iter().copied().map(Step::Says));
            steps.extend([Step::Reports(Switch::On), Step::Reports(Switch::Off), Step::Unreachable]);
            if books.told.is_some_and(|told| told.age == 0 && !books.clear()) {
                steps.push(Step::SaysLate);
            }
            if books.outlet_age == 0 {
                steps.push(Step::ReportsLate);
            }
        }
    }

    fn next_state(&self, world: &World, step: Step) -> Option<World> {
        let mut next = world.clone();
        self.happen(&mut next, step);
        next.guard = next.guard.seen_from(next.moment(step), NOW, LATE);
        Some(next)
    }

    fn properties(&self) -> Vec<Property<Shop>> {
        vec![
            Property::always(Claim::OffOnlyWhenClear.words(), |_, w: &World| {
                w.broken != Some(Claim::OffOnlyWhenClear)
            }),
            Property::always(Claim::OnOnlyWhenAsked.words(), |_, w: &World| {
                w.broken != Some(Claim::OnOnlyWhenAsked)
            }),
            Property::always(Claim::WindowIsHalfOpen.words(), |_, w: &World| {
                w.broken != Some(Claim::WindowIsHalfOpen)
            }),
            Property::always(Claim::OneAnswerEach.words(), |_, w: &World| {
                w.broken != Some(Claim::OneAnswerEach)
            }),
            Property::always(Claim::TwoGestureWayOut.words(), |_, w: &World| {
                w.broken != Some(Claim::TwoGestureWayOut)
            }),
            Property::always(Claim::KeptSurvives.words(), |_, w: &World| {
                w.broken != Some(Claim::KeptSurvives)
            }),
            Property::always(Claim::OffExpires.words(), |_, w: &World| w.broken != Some(Claim::OffExpires)),
            Property::always(Claim::NewerWins.words(), |_, w: &World| w.broken != Some(Claim::NewerWins)),
            Property::always(Claim::DutiesAreDone.words(), |_, w: &World| {
                w.broken != Some(Claim::DutiesAreDone)
            }),
        ]
    }
}

impl World {
    fn moment(&self, step: Step) -> Moment {
        match step {
            Step::Tick => NOW + Span(1),
            Step::Sleep => NOW + Span(u64::from(SLEEP)),
            _ => NOW,
        }
    }

    fn breaks(&mut self, claim: Claim) {
        self.broken.get_or_insert(claim);
    }
}

/// What happens.
impl Shop {
    fn guards_policy(&self) -> Policy {
        let policy = self.scene.policy;
        match self.plant {
            Some(Plant::LongWindow) => Policy { window: policy.window + Span(1), ..policy },
            Some(Plant::NoSecondGesture) => Policy { force_not_before: policy.window, ..policy },
            Some(_) | None => policy,
        }
    }

    fn happen(&self, world: &mut World, step: Step) {
        let expire = self.plant != Some(Plant::CommandsNeverExpire);
        match step {
            Step::Tick => {
                world.books.pass(1, expire);
                self.give(world, step, Input::Tick);
            }
            Step::Sleep => {
                world.books.pass(SLEEP, expire);
                world.books.quiet_for = 0;
                self.give(world, step, Input::Tick);
            }
            Step::Asks(index) => self.ask(world, step, index),
            Step::Says(fact) => self.say(world, step, fact),
            Step::SaysLate => {
                let before = world.guard.permissive().state;
                let ago = if self.plant == Some(Plant::RestampsLate) { Span(0) } else { Span(1) };
                let late = permissive(PermissiveState::Clear, NOW - ago, NOW - ago, Moment(u64::MAX), None);
                self.give(world, step, Input::Permissive(late));
                if world.guard.permissive().state != before {
                    world.breaks(Claim::NewerWins);
                }
            }
            Step::Arrives => arrive(world),
            Step::Reports(state) => {
                world.books.outlet = Some(state);
                world.books.outlet_age = 0;
                let report = OutletReport { state: world.books.outlet, at: NOW };
                self.give(world, step, Input::Outlet(report));
                if state == Switch::Off && world.guard.pending().is_none() {
                    world.books.window = None;
                }
            }
            Step::ReportsLate => {
                let before = world.guard.outlet();
                let other = if before == Some(Switch::On) { Switch::Off } else { Switch::On };
                self.give(world, step, Input::Outlet(OutletReport { state: Some(other), at: NOW - Span(1) }));
                if world.guard.outlet() != before {
                    world.breaks(Claim::NewerWins);
                }
            }
            Step::Unreachable => {
                world.books.outlet = None;
                world.books.outlet_age = 0;
                self.give(world, step, Input::Outlet(OutletReport { state: None, at: NOW }));
            }
            Step::Link(up) => {
                world.books.link = up;
                if !up {
                    world.books.outlet = None;
                }
                self.give(world, step, Input::Link(up));
            }
            Step::Permit(given) => {
                world.books.permit = given;
                self.give(world, step, Input::OnPermit(given));
            }
            Step::Crash => {
                let kept = world.guard.kept();
                let kept = match self.plant {
                    Some(Plant::ForgetsLockout) => Kept { lockout: None, ..kept },
                    Some(Plant::ForgetsDeferral) => Kept { deferral: None, ..kept },
                    Some(_) | None => kept,
                };
                world.guard = Guard::new(self.guards_policy(), kept, NOW);
                world.books = world.books.after_crash();
                self.judge_state(world, NOW);
            }
        }
    }

    fn ask(&self, world: &mut World, step: Step, index: usize) {
        let ask = self.scene.asks[index];
        let mut rights = ask.rights;
        match self.plant {
            Some(Plant::ForceByAnybody) => rights.may_force = true,
            Some(Plant::DeafToEmergency) => rights.emergency = false,
            Some(_) | None => {}
        }
        // Delivered twice, or pressed twice: each is a request of its own.
        let id = if world.books.open[index].is_some() { index + ASKS_MAX } else { index };
        world.books.open[id] = Some(0);
        let request = Input::Request(Request {
            id: RequestId(id as u64),
            kind: ask.kind,
            input: ask.input,
            gesture: GestureId(ask.kind as u16),
            rights,
            arrival: ask.arrival,
        });
        self.give(world, step, request);
        if self.plant == Some(Plant::AnswersTwice) && world.broken.is_none() {
            self.give(world, step, request);
        }
    }

    fn say(&self, world: &mut World, step: Step, fact: Fact) {
        let before = world.books.told;
        let (state, valid_left, unseen, reading_age) = match fact {
            Fact::Clear => (PermissiveState::Clear, FOREVER, false, 0),
            Fact::Short => (PermissiveState::Clear, 2, false, 0),
            // A signal's readings never grow older than they were.
            Fact::Old => (PermissiveState::Clear, FOREVER, false, before.map_or(2, |told| told.reading_age)),
            Fact::Unseen => (PermissiveState::Clear, FOREVER, true, 0),
            Fact::Busy => (PermissiveState::Busy, FOREVER, false, 0),
            Fact::Trap => (PermissiveState::Unknown, 0, false, before.map_or(2, |told| told.reading_age)),
        };
        world.books.told = Some(Told { state, valid_left, unseen, reading_age, age: 0 });
        if world.books.clear() {
            world.books.busy_for = 0;
        }
        let told = match self.plant {
            Some(Plant::DoubtIsIdle) if state == PermissiveState::Unknown => {
                (PermissiveState::Clear, FOREVER, unseen)
            }
            Some(Plant::IgnoresUnseen) => (state, valid_left, false),
            Some(_) | None => (state, valid_left, unseen),
        };
        let (state, valid_left, unseen) = told;
        let valid_until =
            if valid_left == FOREVER { Moment(u64::MAX) } else { NOW + Span(u64::from(valid_left)) };
        let as_of = NOW - Span(u64::from(reading_age));
        let permissive = permissive(state, NOW, as_of, valid_until, unseen.then_some(NOW));
        self.give(world, step, Input::Permissive(permissive));
    }

    fn give(&self, world: &mut World, step: Step, input: Input) {
        let now = world.moment(step);
        let before = world.books.clone();
        let heading = world.guard.pending().map(|pending| pending.switch).or(before.outlet);
        let mut effects = Vec::new();
        if !(self.plant == Some(Plant::NeverTicks) && input == Input::Tick) {
            world.guard.handle(now, input, &mut effects);
        }
        match self.plant {
            Some(Plant::ObeysRefusedOn) if refused_for_lockout(&effects) => {
                let (switch, cause) = (Switch::On, Cause::Plain);
                effects.push(Effect::Command(Command { switch, cause, resend: 0, shadow: false }));
            }
            Some(Plant::OffNotSent) => effects.retain(|effect| {
                !matches!(
                    effect,
                    Effect::Command(Command { switch: Switch::Off, cause: Cause::Plain, resend: 0, .. })
                )
            }),
            Some(_) | None => {}
        }
        let asked = match input {
            Input::Request(request) => usize::try_from(request.id.0).ok().map(|id| id % ASKS_MAX),
            _ => None,
        };
        for effect in &effects {
            self.judge(world, &before, asked, effect);
        }
        if let Some(index) = asked {
            self.judge_duty(world, &before, heading, index, &effects);
        }
        self.judge_state(world, now);
    }
}

/// What must not be, and what must.
impl Shop {
    fn judge(&self, world: &mut World, before: &Books, asked: Option<usize>, effect: &Effect) {
        match effect {
            Effect::Command(command) => self.judge_command(world, before, asked, *command),
            Effect::Keep(kept) => {
                world.books.locked = kept.lockout.is_some();
                world.books.deferral = kept.deferral.is_some();
                world.books.quiet_for = 0;
            }
            Effect::Answer(answer) => {
                let index = usize::try_from(answer.request.0).unwrap_or(usize::MAX);
                if world.books.open.get_mut(index).and_then(Option::take).is_none() {
                    return world.breaks(Claim::OneAnswerEach);
                }
                let books = &mut world.books;
                match answer.reason {
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

    fn judge_command(&self, world: &mut World, before: &Books, asked: Option<usize>, command: Command) {
        let ask = asked.map(|index| self.scene.asks[index]);
        let is = |kind: RequestKind| ask.filter(|ask| ask.kind == kind && self.is_live(ask));
        match (command.switch, command.cause) {
            (Switch::On, _) => {
                let wanted = is(RequestKind::On).or(is(RequestKind::Flip)).is_some() || command.resend > 0;
                let permitted = !self.scene.policy.on_needs_permit || world.books.permit;
                if before.locked || world.books.locked || !wanted || !permitted {
                    world.breaks(Claim::OnOnlyWhenAsked);
                }
            }
            (Switch::Off, Cause::Plain) => {
                let unseen = world.books.told.is_some_and(|told| told.unseen && told.age == 0);
                let asked_now = asked.is_some() || command.resend > 0;
                if !world.books.clear() || (unseen && asked_now) {
                    world.breaks(Claim::OffOnlyWhenClear);
                }
            }
            (Switch::Off, Cause::Forced) if command.resend == 0 => {
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
            (Switch::Off, Cause::Emergency) if command.resend == 0 && asked.is_some() => {
                let ask = ask.filter(|ask| ask.kind == RequestKind::EmergencyOff && ask.rights.emergency);
                if ask.is_none_or(|ask| ask.arrival.retained) {
                    world.breaks(Claim::OffOnlyWhenClear);
                }
            }
            (Switch::Off, Cause::Forced | Cause::Emergency) => {}
        }
        if command.resend == 0 {
            world.books.window = None;
        }
        if (command.switch, command.cause) == (Switch::Off, Cause::Plain) {
            world.books.flying_off.get_or_insert(0);
        }
    }

    fn judge_duty(
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
                matches!(effect, Effect::Command(Command { switch, cause: by, .. }) if (*switch, *by) == (wanted, cause))
            })
        };
        if ask.kind == RequestKind::EmergencyOff {
            let obeyed = sent(Switch::Off, Cause::Emergency) && world.books.locked;
            if ask.rights.emergency && !ask.arrival.retained && !obeyed {
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
        let permitted = policy.remote_on && (!policy.on_needs_permit || before.permit);
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

    fn judge_state(&self, world: &mut World, now: Moment) {
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
            let rights = idlegate::guard::Rights { may_force: true, ..idlegate::guard::Rights::PLAIN };
            guard.handle(
                at,
                Input::Request(Request {
                    id: RequestId(100 + nth),
                    kind: RequestKind::ForceOff,
                    input: idlegate::guard::InputId(100),
                    gesture: GestureId(100),
                    rights,
                    arrival: idlegate::guard::Arrival::LIVE,
                }),
                &mut effects,
            );
        }
        let off = |effect: &Effect| matches!(effect, Effect::Command(Command { switch: Switch::Off, .. }));
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

fn arrive(world: &mut World) {
    world.books.flying_off = None;
    if !world.books.clear() && world.books.busy_for > EXPIRY {
        world.breaks(Claim::OffExpires);
    }
}

fn refused_for_lockout(effects: &[Effect]) -> bool {
    effects.iter().any(|effect| matches!(effect, Effect::Answer(answer) if answer.reason == Reason::Lockout))
}

fn permissive(
    state: PermissiveState,
    assessed_at: Moment,
    as_of: Moment,
    valid_until: Moment,
    unseen_since: Option<Moment>,
) -> Permissive {
    Permissive { state, assessed_at, as_of, valid_until, unseen_since, clears_in: None }
}
