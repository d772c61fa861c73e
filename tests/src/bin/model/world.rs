//! The guard in its world: what can happen next, and what comes of it.

use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{
    Arrival, Cause, ContactReport, Control, Effect, GestureId, Guard, Input, InputId, Kept, Locks, Order,
    OutletReport, Permissive, PermissiveState, Person, Place, Policy, Reason, Request, RequestId,
    RequestKind, Rights, Switch, Token, WhenBusy,
};
use stateright::{Model, Property};

use crate::books::{ASKS_MAX, Books, Claim, EXPIRY, FOREVER, Told};
use crate::plants::Plant;
use crate::scenes::{Ask, Brings, Scene};

/// Every state is seen from this moment.
pub(crate) const NOW: Moment = Moment(1_000);
/// A late message is a tick late and comes just after a newer one, so no older ages need telling apart.
pub(crate) const LATE: Span = Span(0);
const CONTACT: InputId = InputId(4);
/// A token that nobody was ever given.
const NONSENSE: u64 = 99;
/// How long the program is stopped, when it is.
pub(crate) const SLEEP: u8 = 4;

#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(crate) struct World {
    pub(crate) guard: Guard,
    pub(crate) books: Books,
    pub(crate) broken: Option<Claim>,
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
    /// Idle, but it went back to work after such a silence before, so it is held longer.
    HeldLonger,
    /// The same, and a reading has come in that no detector has looked at.
    HeldLongerUnseen,
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
    /// The outlet says where it is: by our order, a doubled or late one, or somebody's hand.
    Reports(Switch),
    /// A report that was overtaken by a newer one.
    ReportsLate,
    Unreachable,
    Link(bool),
    Permit(bool),
    /// The contact is seen to be pushed or released.
    Contact(bool),
    /// It is found pushed in.
    Found,
    Crash,
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
        if self.scene.has_contact {
            steps.push(Step::Contact(!books.pushed));
            if !books.pushed {
                steps.push(Step::Found);
            }
        }
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
        claims!(|world: &World| world.broken)
    }
}

impl World {
    pub(crate) fn moment(&self, step: Step) -> Moment {
        match step {
            Step::Tick => NOW + Span(1),
            Step::Sleep => NOW + Span(u64::from(SLEEP)),
            _ => NOW,
        }
    }

    pub(crate) fn breaks(&mut self, claim: Claim) {
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
            Some(Plant::ForgetsNeverOff) => Policy { control: Control::Full, ..policy },
            Some(_) | None => policy,
        }
    }

    pub(crate) fn happen(&self, world: &mut World, step: Step) {
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
                let clear = (PermissiveState::Clear, false);
                let late = permissive(clear, NOW - ago, NOW - ago, Moment(u64::MAX), None);
                self.give(world, step, Input::Permissive(late));
                if world.guard.permissive().state != before {
                    world.breaks(Claim::NewerWins);
                }
            }
            Step::Arrives => arrive(world),
            Step::Reports(state) => {
                world.books.outlet = Some(state);
                world.books.outlet_age = 0;
                if state == Switch::On && world.books.flying_on.is_some() {
                    // It has arrived. That it may be delivered twice is left out here: for a moment the guard may or
                    // may not count it.
                    world.books.flying_on = Some(EXPIRY + 1);
                }
                let report = OutletReport { state: world.books.outlet, at: NOW };
                let ours = world.guard.pending().is_some_and(|pending| pending.switch == Switch::Off);
                self.give(world, step, Input::Outlet(report));
                if state == Switch::Off && ours {
                    world.books.windows.clear();
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
            Step::Contact(pushed) => {
                if pushed {
                    // Being pushed is an emergency like any other; the order goes ahead of the position.
                    let pressed =
                        self.scene.asks.iter().position(|ask| ask.kind == RequestKind::EmergencyOff);
                    let pressed = pressed.filter(|index| world.books.open[*index + ASKS_MAX].is_none());
                    pressed.into_iter().for_each(|index| self.ask(world, step, index));
                }
                world.books.pushed = pushed;
                let pushed = pushed.then_some(CONTACT).filter(|_| self.plant != Some(Plant::ContactUnseen));
                self.give(world, step, Input::Contact(ContactReport { pushed, found: false }));
            }
            Step::Found => {
                world.books.pushed = true;
                let pending = world.guard.pending();
                let report = ContactReport { pushed: Some(CONTACT), found: true };
                self.give(world, step, Input::Contact(report));
                if self.plant == Some(Plant::FoundSwitches) && world.books.open[ASKS_MAX].is_none() {
                    self.ask(world, step, 0);
                }
                let switched = world.guard.pending().is_some_and(|now| pending.is_none_or(|was| was != now));
                // A lock of what nobody can switch would promise what nobody can keep.
                let can_lock = self.scene.policy.control != Control::Watched;
                if switched || world.books.locked != can_lock {
                    world.breaks(Claim::ContactHolds);
                }
            }
            Step::Crash => {
                let kept = world.guard.kept();
                let kept = match self.plant {
                    Some(Plant::ForgetsLockout) => Kept { locks: Locks::NONE, ..kept },
                    Some(Plant::ForgetsDeferral) => Kept { deferral: None, ..kept },
                    Some(Plant::ForgetsKeepOn) => Kept { kept_on: None, ..kept },
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
            Some(Plant::StrangerTakesBack) => rights.may_keep_on = true,
            Some(Plant::GuestOpens) if ask.kind == RequestKind::Off => rights.may_force = true,
            Some(Plant::WindowEverywhere) if ask.kind == RequestKind::ForceOff => {
                rights.place = world.books.windows.first().map_or(rights.place, |window| window.place);
            }
            Some(Plant::OnShutsAll) if ask.kind == RequestKind::On => self.ask_in_their_name(world),
            Some(_) | None => {}
        }
        // Delivered twice, or pressed twice: each is a request of its own.
        let id = if world.books.open[index].is_some() { index + ASKS_MAX } else { index };
        world.books.open[id] = Some(0);
        let old = world
            .books
            .told
            .is_none_or(|told| u64::from(told.reading_age) > self.scene.policy.fresh_within.0);
        let wants_newer = self.scene.policy.can_refresh && old && rights.when_busy == WhenBusy::Hold;
        world.books.wants_newer &= !(1 << id);
        world.books.wants_newer |= u32::from(wants_newer) << id;
        let request = Input::Request(Request {
            id: RequestId(id as u64),
            kind: ask.kind,
            input: ask.input,
            person: Person::UNNAMED,
            gesture: GestureId(ask.kind as u16),
            rights,
            arrival: ask.arrival,
            keep_for: None,
            offer: (ask.rights.place == Place::Remote).then_some(Token(world.books.next_token)),
            confirm: self.brought(&ask, &world.books).map(Token),
        });
        self.give(world, step, request);
        if self.plant == Some(Plant::AnswersTwice) && world.broken.is_none() {
            self.give(world, step, request);
        }
    }

    /// The token that a force brings, if any.
    pub(crate) fn brought(&self, ask: &Ask, books: &Books) -> Option<u64> {
        if self.plant == Some(Plant::NoTokenNeeded) && ask.rights.place == Place::Remote {
            return books.windows.iter().find_map(|window| window.token);
        }
        match ask.brings {
            Brings::Nothing => None,
            Brings::TheLast => books.last_token,
            Brings::Nonsense => Some(NONSENSE),
        }
    }

    /// Each opener is made to want it on, unnoticed.
    fn ask_in_their_name(&self, world: &mut World) {
        for window in &world.books.windows {
            let request = Request {
                id: RequestId(u64::MAX),
                kind: RequestKind::On,
                input: window.opener,
                person: Person::UNNAMED,
                gesture: GestureId(900),
                rights: Rights { place: window.place, ..Rights::PLAIN },
                arrival: Arrival::LIVE,
                keep_for: None,
                offer: None,
                confirm: None,
            };
            world.guard.handle(NOW, Input::Request(request), &mut Vec::new());
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
            Fact::HeldLonger => (PermissiveState::Busy, FOREVER, false, 0),
            Fact::HeldLongerUnseen => (PermissiveState::Busy, FOREVER, true, 0),
            Fact::Trap => (PermissiveState::Unknown, 0, false, before.map_or(2, |told| told.reading_age)),
        };
        let cautious = matches!(fact, Fact::HeldLonger | Fact::HeldLongerUnseen);
        world.books.told = Some(Told { state, cautious, valid_left, unseen, reading_age, age: 0 });
        if world.books.clear() {
            world.books.busy_for = 0;
        }
        let told = match self.plant {
            Some(Plant::DoubtIsIdle) if state == PermissiveState::Unknown => {
                (PermissiveState::Clear, FOREVER, unseen)
            }
            Some(Plant::CautionForgotten) if cautious => (PermissiveState::Clear, valid_left, unseen),
            Some(Plant::IgnoresUnseen) => (state, valid_left, false),
            Some(_) | None => (state, valid_left, unseen),
        };
        let cautious = match self.plant {
            Some(Plant::WorkIsCaution) => cautious || fact == Fact::Busy,
            Some(Plant::CautionHoldsForce) => false,
            Some(_) | None => cautious,
        };
        let (state, valid_left, unseen) = told;
        let valid_until =
            if valid_left == FOREVER { Moment(u64::MAX) } else { NOW + Span(u64::from(valid_left)) };
        let as_of = NOW - Span(u64::from(reading_age));
        let permissive = permissive((state, cautious), NOW, as_of, valid_until, unseen.then_some(NOW));
        self.give(world, step, Input::Permissive(permissive));
    }

    pub(crate) fn give(&self, world: &mut World, step: Step, input: Input) {
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
                effects.push(Effect::Order(Order { switch, cause, resend: 0, shadow: false }));
            }
            Some(Plant::OffNotSent) => effects.retain(|effect| {
                !matches!(
                    effect,
                    Effect::Order(Order { switch: Switch::Off, cause: Cause::Plain, resend: 0, .. })
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
    (state, cautious): (PermissiveState, bool),
    assessed_at: Moment,
    as_of: Moment,
    valid_until: Moment,
    unseen_since: Option<Moment>,
) -> Permissive {
    Permissive { state, assessed_at, as_of, valid_until, unseen_since, clears_in: None, cautious }
}
