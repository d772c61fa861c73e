//! The one helper of the tables: plays steps against a guard, with a tick at every deadline, and compares all effects
//! with the expected ones.

use std::collections::BTreeMap;

use super::super::*;
use crate::time::{Moment, Span};

/// Stories count from here, so that "before" can be said too.
pub(super) const START: Moment = Moment(1_000_000);

pub(super) const BUTTON: InputId = InputId(1);
pub(super) const PANEL: InputId = InputId(2);
pub(super) const SCHEDULE: InputId = InputId(3);
pub(super) const GUEST: InputId = InputId(4);
pub(super) const ALARM: InputId = InputId(5);
pub(super) const PHONE: InputId = InputId(6);
pub(super) const OTHER_PHONE: InputId = InputId(7);
pub(super) const BESIDE: InputId = InputId(8);

#[derive(Clone, Copy, Debug)]
pub(super) enum Step {
    Asks(Asks),
    Verdict(Verdict),
    Permit(bool),
    Room(bool),
    Outlet(Option<Switch>),
    /// A report from that long ago, delivered now.
    LateOutlet(Option<Switch>, u64),
    Draw(bool),
    /// The red contact is pushed in, or not; whether it was found so.
    Contact(bool, bool),
    Link(bool),
    /// Only lets time pass until here.
    Wait,
    Restart,
    /// The program did not run until now: no tick in between.
    Stopped,
    Adopt(Policy),
    Retire,
    /// What a former run kept is read only now.
    Recall(Kept),
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Asks {
    input: InputId,
    person: Person,
    gesture: u16,
    kind: RequestKind,
    rights: Rights,
    arrival: Arrival,
    keep_for: Option<Span>,
    confirm: Confirms,
}

/// Which token a force brings.
#[derive(Clone, Copy, Debug)]
pub(super) enum Confirms {
    Nothing,
    /// That of the last answer that this input got.
    OwnLast,
    /// That of the last answer that the other got.
    LastOf(InputId),
    Nonsense,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Verdict {
    state: PermissiveState,
    assessed_ago: u64,
    as_of_ago: u64,
    valid_for: u64,
    unseen_ago: Option<u64>,
    cautious: bool,
}

/// A person's button: may force, lock and unlock, and is held when the machine is busy.
pub(super) fn press(kind: RequestKind) -> Asks {
    let rights = Rights {
        may_force: true,
        may_keep_on: true,
        may_lock: true,
        may_unlock: true,
        may_service: true,
        emergency: false,
        when_busy: WhenBusy::Hold,
        place: Place::Shop,
        window: None,
        out_of_hours: false,
    };
    let gesture = (1..).zip(RequestKind::ALL).find(|(_, each)| *each == kind).unwrap().0;
    let (arrival, confirm) = (Arrival::LIVE, Confirms::Nothing);
    Asks { input: BUTTON, person: Person::UNNAMED, gesture, kind, rights, arrival, keep_for: None, confirm }
}

impl Asks {
    pub(super) fn for_secs(self, secs: u64) -> Asks {
        Asks { keep_for: Some(Span::secs(secs)), ..self }
    }

    pub(super) fn without_keeping_on(self) -> Asks {
        Asks { rights: Rights { may_keep_on: false, ..self.rights }, ..self }
    }

    pub(super) fn out_of_hours(self) -> Asks {
        Asks { rights: Rights { out_of_hours: true, ..self.rights }, ..self }
    }

    /// In the name of one of those who share the input.
    pub(super) fn of_person(self, person: u64) -> Asks {
        Asks { person: Person(person), ..self }
    }

    /// May lock, and lift that lock again.
    pub(super) fn may_lock_alone(self) -> Asks {
        Asks { rights: Rights { may_unlock: false, ..self.rights }, ..self }
    }

    pub(super) fn at_panel(self) -> Asks {
        Asks { input: PANEL, ..self }
    }

    /// Another button of the shop.
    pub(super) fn by(self, input: InputId) -> Asks {
        Asks { input, ..self }
    }

    pub(super) fn beside(self) -> Asks {
        Asks { input: BESIDE, rights: Rights { place: Place::Beside, ..self.rights }, ..self }
    }

    /// From afar, with a minute to confirm.
    pub(super) fn by_phone(self) -> Asks {
        let rights = Rights { place: Place::Remote, window: Some(Span::secs(60)), ..self.rights };
        Asks { input: PHONE, rights, ..self }
    }

    pub(super) fn with(self, confirm: Confirms) -> Asks {
        Asks { confirm, ..self }
    }

    /// Nobody is standing there: an off of a busy machine is deferred.
    pub(super) fn by_schedule(self) -> Asks {
        let rights = Rights { when_busy: WhenBusy::Defer, ..Rights::PLAIN };
        Asks { input: SCHEDULE, rights, ..self }
    }

    pub(super) fn by_guest(self) -> Asks {
        Asks { input: GUEST, rights: Rights::PLAIN, ..self }
    }

    pub(super) fn by_alarm(self) -> Asks {
        Asks { input: ALARM, rights: Rights { emergency: true, ..Rights::PLAIN }, ..self }
    }

    pub(super) fn gesture(self, gesture: u16) -> Asks {
        Asks { gesture, ..self }
    }

    pub(super) fn retained(self) -> Asks {
        Asks { arrival: Arrival { retained: true, ..self.arrival }, ..self }
    }

    pub(super) fn aged(self, millis: u64) -> Asks {
        Asks { arrival: Arrival { age: Span(millis), ..self.arrival }, ..self }
    }
}

impl From<Asks> for Step {
    fn from(asks: Asks) -> Step {
        Step::Asks(asks)
    }
}

impl From<Verdict> for Step {
    fn from(verdict: Verdict) -> Step {
        Step::Verdict(verdict)
    }
}

pub(super) fn verdict(state: PermissiveState) -> Verdict {
    Verdict { state, assessed_ago: 0, as_of_ago: 0, valid_for: 3_600_000, unseen_ago: None, cautious: false }
}

/// Idle by its detectors, and held all the same, since it went back to work after such a silence before.
pub(super) fn held_longer() -> Verdict {
    Verdict { cautious: true, ..busy() }
}

pub(super) fn clear() -> Verdict {
    verdict(PermissiveState::Clear)
}

pub(super) fn busy() -> Verdict {
    verdict(PermissiveState::Busy)
}

pub(super) fn unknown() -> Verdict {
    verdict(PermissiveState::Unknown)
}

impl Verdict {
    pub(super) fn assessed_ago(self, millis: u64) -> Verdict {
        Verdict { assessed_ago: millis, ..self }
    }

    /// The readings behind it are that old.
    pub(super) fn as_of_ago(self, millis: u64) -> Verdict {
        Verdict { as_of_ago: millis, ..self }
    }

    /// Its readings go stale after this.
    pub(super) fn valid_for(self, millis: u64) -> Verdict {
        Verdict { valid_for: millis, ..self }
    }

    /// A reading came in that long ago which no detector has looked at.
    pub(super) fn unseen_ago(self, millis: u64) -> Verdict {
        Verdict { unseen_ago: Some(millis), ..self }
    }
}

pub(super) fn on() -> Step {
    Step::Outlet(Some(Switch::On))
}

pub(super) fn off() -> Step {
    Step::Outlet(Some(Switch::Off))
}

pub(super) fn unreachable() -> Step {
    Step::Outlet(None)
}

pub(super) fn at(millis: u64, step: impl Into<Step>) -> (u64, Step) {
    (millis, step.into())
}

/// A guard at work: link up, nothing else known.
pub(super) struct Bench {
    pub(super) guard: Guard,
    pub(super) now: Moment,
    asked: u64,
    /// How often each request was answered.
    answers: BTreeMap<RequestId, u32>,
    log: Vec<(u64, Vec<String>)>,
    /// The token of the last answer that each input got.
    told: BTreeMap<InputId, Token>,
}

impl Bench {
    pub(super) fn new(policy: Policy, kept: Kept) -> Bench {
        let guard = Guard::new(policy, kept, START);
        let mut bench = Bench {
            guard,
            now: START,
            asked: 0,
            answers: BTreeMap::new(),
            log: Vec::new(),
            told: BTreeMap::new(),
        };
        bench.give(Input::Link(true));
        bench
    }

    pub(super) fn play(&mut self, (millis, step): (u64, Step)) {
        let until = START + Span(millis);
        assert!(until >= self.now, "the steps of a story must be in order");
        if !matches!(step, Step::Stopped) {
            self.tick_until(until);
        }
        self.now = until;
        match step {
            Step::Asks(asks) => self.ask(asks),
            Step::Verdict(verdict) => self.give(Input::Permissive(self.permissive(verdict))),
            Step::Permit(given) => self.give(Input::OnPermit(given)),
            Step::Room(given) => self.give(Input::CircuitRoom(given)),
            Step::Outlet(state) => self.give(Input::Outlet(OutletReport { state, at: self.now })),
            Step::LateOutlet(state, ago) => {
                self.give(Input::Outlet(OutletReport { state, at: self.now - Span(ago) }))
            }
            Step::Draw(residual) => self.give(Input::Draw(DrawReport { residual, at: self.now })),
            Step::Link(up) => self.give(Input::Link(up)),
            Step::Contact(pushed, found) => {
                self.give(Input::Contact(ContactReport { pushed: pushed.then_some(ALARM), found }));
            }
            Step::Wait | Step::Stopped => self.give(Input::Tick),
            Step::Restart => self.guard = Guard::new(*self.guard.policy(), self.guard.kept(), self.now),
            Step::Adopt(policy) => {
                self.guard.adopt(policy);
                self.give(Input::Tick);
            }
            Step::Recall(kept) => {
                let mut effects = Vec::new();
                self.guard.recall(kept, &mut effects);
                self.note(&effects);
                self.give(Input::Tick);
            }
            Step::Retire => {
                let mut effects = Vec::new();
                self.guard.retire(&mut effects);
                self.note(&effects);
            }
        }
    }

    fn tick_until(&mut self, until: Moment) {
        while let Some(due) = self.guard.deadline().filter(|due| *due < until) {
            self.now = due;
            self.give(Input::Tick);
        }
    }

    fn ask(&mut self, asks: Asks) {
        self.asked += 1;
        let id = RequestId(self.asked);
        self.answers.insert(id, 0);
        self.give(Input::Request(Request {
            id,
            kind: asks.kind,
            input: asks.input,
            person: asks.person,
            gesture: GestureId(asks.gesture),
            rights: asks.rights,
            arrival: asks.arrival,
            keep_for: asks.keep_for,
            offer: (asks.rights.place == Place::Remote).then_some(Token(1_000 + self.asked)),
            confirm: match asks.confirm {
                Confirms::Nothing => None,
                Confirms::OwnLast => self.told.get(&asks.input).copied(),
                Confirms::LastOf(other) => self.told.get(&other).copied(),
                Confirms::Nonsense => Some(Token(1)),
            },
        }));
    }

    fn permissive(&self, verdict: Verdict) -> Permissive {
        Permissive {
            state: verdict.state,
            assessed_at: self.now - Span(verdict.assessed_ago),
            as_of: self.now - Span(verdict.as_of_ago),
            valid_until: self.now + Span(verdict.valid_for),
            unseen_since: verdict.unseen_ago.map(|ago| self.now - Span(ago)),
            clears_in: None,
            cautious: verdict.cautious,
        }
    }

    pub(super) fn give(&mut self, input: Input) {
        let mut effects = Vec::new();
        self.guard.handle(self.now, input, &mut effects);
        let due = self.guard.deadline();
        assert!(due.is_none_or(|due| due > self.now), "{due:?} is due at {:?} after {input:?}", self.now);
        self.note(&effects);
    }

    fn note(&mut self, effects: &[Effect]) {
        for effect in effects {
            if let Effect::Answer(answer) = effect {
                let times = self.answers.get_mut(&answer.request).expect("an answer belongs to a request");
                *times += 1;
                assert_eq!(*times, 1, "request {:?} was answered twice", answer.request);
                self.told.extend(answer.confirm.map(|confirm| (answer.input, confirm.token)));
                assert_eq!(answer.decision, answer.reason.decision());
            }
        }
        let words: Vec<String> = effects.iter().map(word).collect();
        let at = self.now.since(START).millis();
        if words.is_empty() {
            return;
        }
        match self.log.last_mut() {
            Some((last, before)) if *last == at => before.extend(words),
            Some(_) | None => self.log.push((at, words)),
        }
    }

    /// The token of the last answer that this input got.
    pub(super) fn last_told(&self, input: InputId) -> Option<Token> {
        self.told.get(&input).copied()
    }

    /// Somebody wrote it down.
    pub(super) fn remember(&mut self, input: InputId, token: Token) {
        self.told.insert(input, token);
    }

    fn unanswered(&self) -> usize {
        self.answers.values().filter(|times| **times == 0).count()
    }
}

/// Plays the steps and expects exactly these effects at exactly these times.
#[track_caller]
pub(super) fn story(policy: Policy, steps: &[(u64, Step)], expected: &[(u64, &str)]) {
    story_after(policy, Kept::default(), steps, expected);
}

#[track_caller]
pub(super) fn story_after(policy: Policy, kept: Kept, steps: &[(u64, Step)], expected: &[(u64, &str)]) {
    let mut bench = Bench::new(policy, kept);
    for step in steps {
        bench.play(*step);
    }
    let log: Vec<String> =
        bench.log.iter().map(|(at, words)| format!("{at}: {}", words.join(", "))).collect();
    let expected: Vec<String> = expected.iter().map(|(at, words)| format!("{at}: {words}")).collect();
    assert_eq!(log, expected, "\n got {log:#?}\n expected {expected:#?}");
    let restarted = steps.iter().any(|(_, step)| matches!(step, Step::Restart));
    if !restarted {
        assert_eq!(bench.unanswered(), bench.guard.waiting(), "every request that does not wait is answered");
    }
}

/// One effect in a few words: `held(machine-busy)`, `off`, `off!forced`, `off/2`, `say held`, `incident x!`.
fn word(effect: &Effect) -> String {
    match *effect {
        Effect::Answer(answer) => format!("{}({})", answer.decision.word(), answer.reason.word()),
        Effect::Order(order) => {
            let cause = match order.cause {
                Cause::Plain => "",
                Cause::Forced => "!forced",
                Cause::Emergency => "!emergency",
            };
            let resend = if order.resend > 0 { format!("/{}", order.resend) } else { String::new() };
            let shadow = if order.shadow { "~shadow" } else { "" };
            format!("{}{cause}{resend}{shadow}", order.switch.word())
        }
        Effect::Refresh => "refresh".into(),
        Effect::Announce(announcement) => format!("say {}", announcement.word()),
        Effect::Incident(incident) => {
            format!("incident {}{}", incident.kind.word(), if incident.urgent { "!" } else { "" })
        }
        Effect::IncidentOver(kind) => format!("over {}", kind.word()),
        Effect::Keep(kept) => {
            let lockout = match kept.locks.first() {
                Some(Lockout { emergency: true, .. }) => "emergency",
                Some(Lockout { emergency: false, .. }) => "lockout",
                None => "-",
            };
            let kept_on = if kept.kept_on.is_some() { " kept-on" } else { "" };
            format!("keep {lockout} {}{kept_on}", if kept.deferral.is_some() { "deferral" } else { "-" })
        }
        Effect::DeferralActed(_) => "deferral-acted".into(),
    }
}
