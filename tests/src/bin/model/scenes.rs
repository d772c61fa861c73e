//! The parts of the shop's life that are explored, each with its people, its detectors' words and its rules.

use idlegate_guard::time::Span;
use idlegate_guard::{Arrival, Control, InputId, Place, Places, Policy, RequestKind, Rights, WhenBusy};

use crate::plants::Plant;
use crate::world::Fact;

#[derive(Clone, Debug)]
pub(crate) struct Scene {
    pub(crate) name: &'static str,
    pub(crate) policy: Policy,
    pub(crate) asks: Vec<Ask>,
    pub(crate) facts: Vec<Fact>,
    /// There is a contact with a position; the emergency is its being pushed.
    pub(crate) has_contact: bool,
    /// Two such machines are on one circuit, which bears one of them.
    pub(crate) shares_circuit: bool,
    /// Explored so far and no further; without it, to the end.
    pub(crate) depth_max: Option<usize>,
}

/// Something that somebody may ask at any time.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ask {
    pub(crate) kind: RequestKind,
    pub(crate) input: InputId,
    pub(crate) rights: Rights,
    pub(crate) arrival: Arrival,
    pub(crate) brings: Brings,
}

/// Which token a force from afar brings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Brings {
    Nothing,
    /// The last that was given, perhaps long ago.
    TheLast,
    /// One that was never given.
    Nonsense,
}

const BUTTON: InputId = InputId(1);
const PANEL: InputId = InputId(2);
const SCHEDULE: InputId = InputId(3);
const ALARM: InputId = InputId(4);
const AT_HAND: InputId = InputId(5);
const PHONE: InputId = InputId(6);
const GUEST: InputId = InputId(7);

const HAND: Rights = Rights {
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
/// May lock, and lift that lock again.
const LOCKS: Rights = Rights { may_lock: true, ..Rights::PLAIN };
const BESIDE: Rights = Rights { place: Place::Beside, ..HAND };
const FAR: Rights = Rights { place: Place::Remote, window: Some(Span(4)), ..HAND };
const TIMER: Rights = Rights { when_busy: WhenBusy::Defer, ..Rights::PLAIN };
const CONTACT: Rights = Rights { emergency: true, ..Rights::PLAIN };

fn by(input: InputId, rights: Rights, kind: RequestKind) -> Ask {
    Ask { kind, input, rights, arrival: Arrival::LIVE, brings: Brings::Nothing }
}

fn press(kind: RequestKind) -> Ask {
    by(BUTTON, HAND, kind)
}

fn stored(ask: Ask) -> Ask {
    Ask { arrival: Arrival { retained: true, ..ask.arrival }, ..ask }
}

fn late(ask: Ask) -> Ask {
    Ask { arrival: Arrival { age: Span(2), ..ask.arrival }, ..ask }
}

fn old(ask: Ask) -> Ask {
    Ask { arrival: Arrival { age: Span(3), ..ask.arrival }, ..ask }
}

/// All spans in ticks, as short as they can be with their order kept.
fn policy() -> Policy {
    Policy {
        window: Span(3),
        // Counted only where that is the point: each opener that is remembered multiplies the states.
        windows_counted_within: Span::ZERO,
        repeat_guard: Span(1),
        force_not_before: Span(1),
        stuck_after: Span(1),
        request_max_age: Span(1),
        emergency_max_age: Span(2),
        fresh_within: Span(1),
        refresh_wait: Span(1),
        assess_wait: Span(1),
        can_refresh: false,
        confirm_within: Span(1),
        tries: 1,
        residual_after: Span(0),
        settle_for: Span(1),
        notice: Span(1),
        deferral_max: Span(5),
        keep_on_for: Span(3),
        forgotten_after: None,
        on_from: Places::ALL,
        on_by_hand: false,
        on_needs_permit: false,
        shadow: false,
        control: Control::Full,
    }
}

pub(crate) fn all(short: bool) -> Vec<Scene> {
    let mut scenes = vec![
        override_window(),
        held_longer(),
        places(short),
        contact(),
        deferral(),
        idle_off(),
        kept_on(),
        emergency(),
        never_off(),
        only_watched(),
        fresh(),
        everything(short),
    ];
    if short {
        // The great ones only so far; planted bugs show within six steps.
        for scene in scenes.iter_mut().filter(|scene| {
            ["override", "held longer", "deferral", "fresh readings", "emergency and lockout"]
                .contains(&scene.name)
        }) {
            scene.depth_max = Some(9);
        }
    } else {
        scenes.push(long_guard());
    }
    scenes
}

fn override_window() -> Scene {
    use RequestKind::{ForceOff, Off, On};
    Scene {
        name: "override",
        policy: policy(),
        asks: vec![
            press(Off),
            press(ForceOff),
            by(PANEL, HAND, ForceOff),
            by(PANEL, Rights::PLAIN, ForceOff),
            late(press(ForceOff)),
            stored(press(ForceOff)),
            press(On),
        ],
        facts: vec![Fact::Clear, Fact::Busy],
        has_contact: false,
        shares_circuit: false,
        depth_max: None,
    }
}

/// A machine that went back to work after a silence, in another silence.
fn held_longer() -> Scene {
    use RequestKind::{ForceOff, Off, On};
    Scene {
        name: "held longer",
        policy: policy(),
        asks: vec![
            press(Off),
            press(ForceOff),
            by(PANEL, Rights::PLAIN, ForceOff),
            by(SCHEDULE, TIMER, Off),
            press(On),
        ],
        facts: vec![Fact::Clear, Fact::HeldLonger, Fact::HeldLongerUnseen, Fact::Busy],
        has_contact: false,
        shares_circuit: false,
        depth_max: None,
    }
}

/// People beside the machine, in the shop and far away, and a guest who may not force; too much to see the end of.
fn places(short: bool) -> Scene {
    use RequestKind::{ForceOff, Off, On};
    Scene {
        name: "places",
        policy: Policy { windows_counted_within: Span(4), ..policy() },
        asks: vec![
            press(ForceOff),
            by(AT_HAND, BESIDE, ForceOff),
            by(PHONE, FAR, Off),
            Ask { brings: Brings::TheLast, ..by(PHONE, FAR, ForceOff) },
            Ask { brings: Brings::Nonsense, ..by(PHONE, FAR, ForceOff) },
            by(GUEST, Rights::PLAIN, Off),
            by(GUEST, Rights::PLAIN, On),
        ],
        facts: vec![Fact::Clear, Fact::Busy],
        has_contact: false,
        shares_circuit: false,
        depth_max: Some(if short { 7 } else { 9 }),
    }
}

fn deferral() -> Scene {
    use RequestKind::{Cancel, Off, OffOnceIdle, On};
    Scene {
        name: "deferral",
        policy: policy(),
        asks: vec![press(OffOnceIdle), by(SCHEDULE, TIMER, Off), press(Cancel), press(On)],
        facts: vec![Fact::Clear, Fact::Unseen, Fact::Trap],
        has_contact: false,
        shares_circuit: false,
        depth_max: None,
    }
}

fn idle_off() -> Scene {
    use RequestKind::{Cancel, Off};
    Scene {
        name: "idle-off",
        policy: Policy { forgotten_after: Some(Span(3)), ..policy() },
        asks: vec![press(Off), press(Cancel)],
        facts: vec![Fact::Clear, Fact::Short, Fact::Busy],
        has_contact: false,
        shares_circuit: false,
        depth_max: None,
    }
}

/// Somebody's word that it stays on, against everybody who wants it off.
fn kept_on() -> Scene {
    use RequestKind::{Cancel, ForceOff, KeepOn, Off};
    Scene {
        name: "kept on",
        policy: policy(),
        asks: vec![
            press(KeepOn),
            press(Off),
            press(ForceOff),
            by(SCHEDULE, TIMER, Off),
            by(GUEST, Rights::PLAIN, Cancel),
        ],
        facts: vec![Fact::Clear, Fact::Busy],
        has_contact: false,
        shares_circuit: false,
        depth_max: Some(8),
    }
}

fn emergency() -> Scene {
    use RequestKind::{EmergencyOff, Lock, On, Unlock};
    Scene {
        name: "emergency and lockout",
        policy: policy(),
        asks: vec![
            by(ALARM, CONTACT, EmergencyOff),
            stored(by(ALARM, CONTACT, EmergencyOff)),
            old(by(ALARM, CONTACT, EmergencyOff)),
            press(EmergencyOff),
            press(Lock),
            press(Unlock),
            by(PANEL, Rights::PLAIN, Unlock),
            by(PANEL, LOCKS, Lock),
            by(PANEL, LOCKS, Unlock),
            press(On),
        ],
        facts: vec![Fact::Clear],
        has_contact: false,
        shares_circuit: false,
        depth_max: None,
    }
}

/// A freezer, which is forgotten by everybody and is never switched off, but in an emergency.
fn never_off() -> Scene {
    use RequestKind::{EmergencyOff, Flip, ForceOff, Off, OffOnceIdle, On, Unlock};
    Scene {
        name: "never off",
        policy: Policy { control: Control::NeverOff, forgotten_after: Some(Span(3)), ..policy() },
        asks: vec![
            press(Off),
            press(Flip),
            press(ForceOff),
            by(SCHEDULE, TIMER, OffOnceIdle),
            by(ALARM, CONTACT, EmergencyOff),
            press(Unlock),
            press(On),
        ],
        facts: vec![Fact::Clear, Fact::Busy],
        has_contact: false,
        shares_circuit: false,
        depth_max: Some(7),
    }
}

/// A kiln that is switched by its own controller, and by nobody through the guard.
fn only_watched() -> Scene {
    use RequestKind::{EmergencyOff, Flip, ForceOff, KeepOn, Lock, Off, OffOnceIdle, On};
    Scene {
        name: "only watched",
        policy: Policy { control: Control::Watched, forgotten_after: Some(Span(3)), ..policy() },
        asks: vec![
            press(On),
            press(Off),
            press(Flip),
            press(ForceOff),
            press(OffOnceIdle),
            press(KeepOn),
            press(Lock),
            by(ALARM, CONTACT, EmergencyOff),
        ],
        facts: vec![Fact::Clear, Fact::Busy],
        has_contact: true,
        shares_circuit: false,
        depth_max: Some(6),
    }
}

/// A red button that latches.
fn contact() -> Scene {
    use RequestKind::{EmergencyOff, ForceOff, On, Unlock};
    Scene {
        name: "contact",
        policy: policy(),
        asks: vec![by(ALARM, CONTACT, EmergencyOff), press(Unlock), press(On), press(ForceOff)],
        facts: vec![Fact::Clear],
        has_contact: true,
        shares_circuit: false,
        depth_max: Some(8),
    }
}

fn fresh() -> Scene {
    use RequestKind::{Flip, Off};
    Scene {
        name: "fresh readings",
        // Long enough for a reading to come in and be judged later.
        policy: Policy { can_refresh: true, refresh_wait: Span(2), ..policy() },
        asks: vec![press(Off), by(SCHEDULE, TIMER, Off), press(Flip)],
        facts: vec![Fact::Clear, Fact::Old, Fact::Unseen, Fact::Busy],
        has_contact: false,
        shares_circuit: false,
        depth_max: None,
    }
}

/// All of it at once; too much to see the end of.
fn everything(short: bool) -> Scene {
    use RequestKind::*;
    // A service is only counted: it changes nothing of all this.
    let kinds = RequestKind::ALL.into_iter().filter(|kind| *kind != Serviced);
    let mut asks: Vec<Ask> = kinds.map(press).collect();
    asks.extend([by(PANEL, HAND, ForceOff), by(SCHEDULE, TIMER, Off), by(ALARM, CONTACT, EmergencyOff)]);
    Scene {
        name: "everything",
        policy: Policy {
            can_refresh: true,
            forgotten_after: Some(Span(3)),
            on_needs_permit: true,
            ..policy()
        },
        asks,
        facts: vec![
            Fact::Clear,
            Fact::Short,
            Fact::Old,
            Fact::Unseen,
            Fact::Busy,
            Fact::HeldLonger,
            Fact::Trap,
        ],
        has_contact: false,
        shares_circuit: false,
        depth_max: Some(if short { 6 } else { 7 }),
    }
}

/// A repeat guard longer than a tick, so that a gesture can be leaned on.
fn long_guard() -> Scene {
    use RequestKind::{ForceOff, Off};
    Scene {
        name: "leaned-on button",
        policy: Policy {
            window: Span(5),
            repeat_guard: Span(2),
            force_not_before: Span(2),
            stuck_after: Span(3),
            ..policy()
        },
        asks: vec![press(Off), press(ForceOff)],
        facts: vec![Fact::Clear, Fact::Busy],
        has_contact: false,
        shares_circuit: false,
        depth_max: None,
    }
}

/// Two machines that may not both be on; too much to see the end of.
pub(crate) fn circuit(short: bool) -> Scene {
    use RequestKind::{Lock, Off, On};
    Scene {
        name: "two on one circuit",
        // An order is dead before it is given up, as it is in the plan that is made of the rules.
        policy: Policy { confirm_within: Span(2), ..policy() },
        asks: vec![press(On), press(Off), press(Lock)],
        facts: vec![Fact::Clear],
        has_contact: false,
        shares_circuit: true,
        depth_max: Some(if short { 8 } else { 10 }),
    }
}

/// The scene in which a planted bug can show.
pub(crate) fn for_plant(plant: Plant) -> Scene {
    match plant {
        Plant::DoubtIsIdle | Plant::NeverTicks | Plant::ForgetsDeferral => deferral(),
        Plant::LongWindow | Plant::ForceByAnybody | Plant::NoSecondGesture | Plant::RestampsLate => {
            override_window()
        }
        Plant::AnswersTwice | Plant::CommandsNeverExpire | Plant::OffNotSent => override_window(),
        Plant::ObeysRefusedOn | Plant::ForgetsLockout | Plant::DeafToEmergency => emergency(),
        Plant::ContactUnseen | Plant::FoundSwitches => contact(),
        Plant::IgnoresUnseen => fresh(),
        Plant::ForgetsNeverOff => never_off(),
        Plant::ForgetsKeepOn | Plant::StrangerTakesBack => kept_on(),
        Plant::CautionForgotten | Plant::WorkIsCaution | Plant::CautionHoldsForce => held_longer(),
        Plant::WindowEverywhere | Plant::NoTokenNeeded | Plant::GuestOpens | Plant::OnShutsAll => {
            places(false)
        }
        Plant::CircuitUncounted | Plant::CircuitOnTheWay => circuit(false),
    }
}
