//! The parts of the shop's life that are explored, each with its people, its detectors' words and its rules.

use idlegate::guard::{Arrival, InputId, Policy, RequestKind, Rights, WhenBusy};
use idlegate::time::Span;

use crate::plants::Plant;
use crate::world::Fact;

#[derive(Clone, Debug)]
pub(crate) struct Scene {
    pub(crate) name: &'static str,
    pub(crate) policy: Policy,
    pub(crate) asks: Vec<Ask>,
    pub(crate) facts: Vec<Fact>,
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
}

const BUTTON: InputId = InputId(1);
const PANEL: InputId = InputId(2);
const SCHEDULE: InputId = InputId(3);
const ALARM: InputId = InputId(4);

const HAND: Rights = Rights {
    may_force: true,
    may_lock: true,
    may_unlock: true,
    emergency: false,
    when_busy: WhenBusy::Hold,
    out_of_hours: false,
};
const TIMER: Rights = Rights { when_busy: WhenBusy::Defer, ..Rights::PLAIN };
const CONTACT: Rights = Rights { emergency: true, ..Rights::PLAIN };

fn by(input: InputId, rights: Rights, kind: RequestKind) -> Ask {
    Ask { kind, input, rights, arrival: Arrival::LIVE }
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
        forgotten_after: None,
        remote_on: true,
        on_needs_permit: false,
        shadow: false,
    }
}

pub(crate) fn all(short: bool) -> Vec<Scene> {
    let mut scenes = vec![override_window(), deferral(), idle_off(), emergency(), fresh(), everything(short)];
    if short {
        // The great ones only so far; planted bugs show within six steps.
        for scene in scenes.iter_mut().filter(|scene| {
            ["override", "deferral", "fresh readings", "emergency and lockout"].contains(&scene.name)
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
        shares_circuit: false,
        depth_max: None,
    }
}

fn deferral() -> Scene {
    use RequestKind::{Cancel, Off, OffOnceIdle, On};
    Scene {
        name: "deferral",
        policy: policy(),
        asks: vec![press(OffOnceIdle), by(SCHEDULE, TIMER, Off), press(Cancel), press(On)],
        facts: vec![Fact::Clear, Fact::Unseen, Fact::Trap],
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
        shares_circuit: false,
        depth_max: None,
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
            press(On),
        ],
        facts: vec![Fact::Clear],
        shares_circuit: false,
        depth_max: None,
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
        shares_circuit: false,
        depth_max: None,
    }
}

/// All of it at once; too much to see the end of.
fn everything(short: bool) -> Scene {
    use RequestKind::*;
    let mut asks: Vec<Ask> = RequestKind::ALL.into_iter().map(press).collect();
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
        facts: vec![Fact::Clear, Fact::Short, Fact::Old, Fact::Unseen, Fact::Busy, Fact::Trap],
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
        Plant::IgnoresUnseen => fresh(),
        Plant::CircuitUncounted | Plant::CircuitOnTheWay => circuit(false),
    }
}
