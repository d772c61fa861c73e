//! What the guard was told and what it did, in books of the model's own, and the claims they are held against.

use idlegate_guard::{InputId, PermissiveState, Place, Switch};

/// Ages are counted up to here; nothing in any scene asks further.
pub(crate) const AGE_MAX: u8 = 6;
/// An order is dead after so many ticks on its way.
pub(crate) const EXPIRY: u8 = 1;
pub(crate) const ASKS_MAX: usize = 13;
/// More than can be good at the same time, so that one that was used is told from all that are.
pub(crate) const TOKENS: u64 = 4;
/// Valid for longer than anything here lasts.
pub(crate) const FOREVER: u8 = u8::MAX;

/// The invariants of the guard.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Claim {
    OffOnlyWhenClear,
    OnOnlyWhenAsked,
    WindowIsHalfOpen,
    OneAnswerEach,
    TwoGestureWayOut,
    KeptSurvives,
    OffExpires,
    NewerWins,
    DutiesAreDone,
    CircuitHolds,
    ToldOnly,
    NobodyShutOut,
    ContactHolds,
}

impl Claim {
    pub(crate) const ALL: [Claim; 13] = [
        Claim::OffOnlyWhenClear,
        Claim::OnOnlyWhenAsked,
        Claim::WindowIsHalfOpen,
        Claim::OneAnswerEach,
        Claim::TwoGestureWayOut,
        Claim::KeptSurvives,
        Claim::OffExpires,
        Claim::NewerWins,
        Claim::DutiesAreDone,
        Claim::CircuitHolds,
        Claim::ToldOnly,
        Claim::NobodyShutOut,
        Claim::ContactHolds,
    ];

    pub(crate) const fn words(self) -> &'static str {
        match self {
            Claim::OffOnlyWhenClear => "1 no off while not clear, but by a rightful force or emergency",
            Claim::OnOnlyWhenAsked => "2 no on under lockout or without a request",
            Claim::WindowIsHalfOpen => "3 no force at or after the deadline, nor after a restart",
            Claim::OneAnswerEach => "4 exactly one answer to each request",
            Claim::TwoGestureWayOut => "5 two gestures switch off from every state",
            Claim::KeptSurvives => "6 a lockout or deferral once answered survives a crash",
            Claim::OffExpires => "7 no off takes effect on a busy machine beyond its expiry",
            Claim::NewerWins => "8 an older fact never replaces a newer one",
            Claim::DutiesAreDone => "9 on, off, emergency, deferral and answers come in their time",
            Claim::CircuitHolds => "10 no on beyond what the circuit bears",
            Claim::ToldOnly => "11 a window counts for those who were told, from afar with the token",
            Claim::NobodyShutOut => "12 whatever others ask in between, a second gesture switches off",
            Claim::ContactHolds => "13 no on and no unlock while a contact is pushed in",
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Told {
    pub(crate) state: PermissiveState,
    /// Idle by its detectors, and held longer all the same.
    pub(crate) cautious: bool,
    /// Ticks until its readings are stale.
    pub(crate) valid_left: u8,
    pub(crate) unseen: bool,
    pub(crate) reading_age: u8,
    pub(crate) age: u8,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Window {
    pub(crate) left: u8,
    pub(crate) opener: InputId,
    pub(crate) place: Place,
    pub(crate) age: u8,
    /// From afar.
    pub(crate) token: Option<u64>,
}

/// What the circuit would bear with this machine on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Room {
    Ample,
    /// The guard may think so or not: an on of the other machine is dead, and not yet given up.
    Perhaps,
    None,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Books {
    pub(crate) told: Option<Told>,
    /// How long the machine has not been known to be idle.
    pub(crate) busy_for: u8,
    pub(crate) outlet: Option<Switch>,
    pub(crate) outlet_age: u8,
    pub(crate) link: bool,
    pub(crate) permit: bool,
    /// The age of the oldest plain off that may still be on its way. Of all other orders it is enough that they may
    /// be lost, doubled or late, which is to say that the outlet may report anything at any time.
    pub(crate) flying_off: Option<u8>,
    /// The age of an on of ours that no report has confirmed; counted only where machines share a circuit.
    pub(crate) flying_on: Option<u8>,
    pub(crate) room: Room,
    /// The red contact is pushed in, as far as the guard can know.
    pub(crate) pushed: bool,
    pub(crate) locked: bool,
    pub(crate) deferral: bool,
    /// Ticks for which somebody's word holds that it stays on.
    pub(crate) kept_on: u8,
    /// Who was told how to force it, and may still do so; in order of input.
    pub(crate) windows: Vec<Window>,
    /// The last token that anybody far away was given, and the one that will be offered next.
    pub(crate) last_token: Option<u64>,
    pub(crate) next_token: u64,
    /// Requests without an answer, and their age; the second half is for those made again while the first one waits.
    pub(crate) open: [Option<u8>; 2 * ASKS_MAX],
    /// Which of them came when the readings were old, so that newer ones must have been judged first.
    pub(crate) wants_newer: u32,
    /// Ticks for which each gesture, made again, is still the same one.
    pub(crate) pressed: [u8; ASKS_MAX],
    /// How long a deferral has stood with nothing in its way.
    pub(crate) quiet_for: u8,
}

impl Books {
    pub(crate) fn new() -> Books {
        Books {
            told: None,
            busy_for: EXPIRY + 1,
            outlet: None,
            outlet_age: 1,
            link: false,
            permit: false,
            flying_off: None,
            flying_on: None,
            room: Room::Ample,
            pushed: false,
            locked: false,
            deferral: false,
            kept_on: 0,
            windows: Vec::new(),
            last_token: None,
            next_token: 0,
            open: [None; 2 * ASKS_MAX],
            wants_newer: 0,
            pressed: [0; ASKS_MAX],
            quiet_for: 0,
        }
    }

    /// What a crash leaves of them.
    pub(crate) fn after_crash(&self) -> Books {
        Books {
            // Nothing is known now, but that did not begin before the crash if the machine was idle.
            busy_for: self.busy_for,
            flying_off: self.flying_off,
            flying_on: self.flying_on,
            locked: self.locked,
            deferral: self.deferral,
            kept_on: self.kept_on,
            ..Books::new()
        }
    }

    pub(crate) fn clear(&self) -> bool {
        let idle = self.told.is_some_and(|told| told.state == PermissiveState::Clear && told.valid_left > 0);
        idle && self.kept_on == 0
    }

    /// Nothing but caution holds it, and every reading has been looked at.
    pub(crate) fn only_cautious(&self) -> bool {
        self.told.is_some_and(|told| told.cautious && told.valid_left > 0 && !told.unseen)
    }

    /// Somebody was told. From afar the same token may be told again.
    pub(crate) fn tell(&mut self, told: Window) {
        match told.token {
            Some(token) if self.windows.iter().any(|window| window.token == Some(token)) => {}
            Some(token) => {
                self.windows.push(told);
                self.last_token = Some(token);
                self.next_token = (token + 1) % TOKENS;
            }
            None => {
                self.windows.retain(|window| window.opener != told.opener);
                self.windows.push(told);
            }
        }
        self.windows.sort_by_key(|window| (window.opener, window.left));
    }

    pub(crate) fn take_back(&mut self, opener: InputId) {
        self.windows.retain(|window| window.opener != opener);
    }

    /// On, or so it may be for all that is known.
    pub(crate) fn may_be_on(&self) -> bool {
        self.outlet != Some(Switch::Off) || self.flying_on.is_some_and(|age| age <= EXPIRY)
    }

    /// Time passes in the world, whether or not the program runs.
    pub(crate) fn pass(&mut self, ticks: u8, expire: bool) {
        let older = |age: u8| age.saturating_add(ticks).min(AGE_MAX);
        self.kept_on = self.kept_on.saturating_sub(ticks);
        if let Some(told) = &mut self.told {
            if told.valid_left != FOREVER {
                told.valid_left = told.valid_left.saturating_sub(ticks);
            }
            told.reading_age = older(told.reading_age).min(2);
            told.age = 1;
        }
        self.busy_for = if self.clear() { 0 } else { older(self.busy_for).min(EXPIRY + 1) };
        self.outlet_age = 1;
        self.flying_off = self.flying_off.map(older).filter(|age| !expire || *age <= EXPIRY);
        self.flying_on = self.flying_on.map(older).filter(|age| *age <= EXPIRY + 1);
        self.windows.retain(|window| window.left > ticks);
        for window in &mut self.windows {
            (window.left, window.age) = (window.left - ticks, older(window.age).min(2));
        }
        self.open.iter_mut().flatten().for_each(|age| *age = older(*age));
        self.pressed.iter_mut().for_each(|left| *left = left.saturating_sub(ticks));
        self.quiet_for = older(self.quiet_for);
    }
}
