//! The way out among others. What could go wrong: somebody without rights brings the off of a working machine nearer,
//! or somebody's requests, whatever their order, keep a person from ever getting out.

use super::super::*;
use crate::time::{Moment, Span};

const START: Moment = Moment(1_000_000);

/// A person at a button, another at a panel in earshot, one far away, and a guest who may not force.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Who {
    Button,
    Panel,
    Phone,
    Guest,
}

#[derive(Clone, Copy, Debug)]
struct Says {
    who: Who,
    kind: RequestKind,
    /// Since the message before.
    after: u64,
}

/// What the others may say, and with which pauses: around the repeat guard, the pause before a force, and the window.
const OTHERS: [Who; 3] = [Who::Panel, Who::Phone, Who::Guest];
const PAUSES: [u64; 5] = [100, 1_000, 2_000, 4_000, 9_999];

struct Shop {
    guard: Guard,
    now: Moment,
    asked: u64,
    token: Option<Token>,
    /// Which messages an off that is not plain followed.
    forced: Vec<u64>,
}

impl Shop {
    fn busy() -> Shop {
        let mut guard = Guard::new(Policy::default(), Kept::default(), START);
        let busy =
            Permissive { state: PermissiveState::Busy, valid_until: Moment(u64::MAX), ..Permissive::UNKNOWN };
        for fact in [
            Input::Link(true),
            Input::Outlet(OutletReport { state: Some(Switch::On), at: START }),
            Input::Permissive(Permissive { assessed_at: START, as_of: START, ..busy }),
        ] {
            guard.handle(START, fact, &mut Vec::new());
        }
        Shop { guard, now: START, asked: 0, token: None, forced: Vec::new() }
    }

    /// Time passes and somebody says something; `heard` is whether it reaches the guard.
    fn says(&mut self, says: Says, heard: bool) -> bool {
        self.asked += 1;
        let until = self.now + Span(says.after);
        while let Some(due) = self.guard.deadline().filter(|due| *due < until) {
            self.guard.handle(due, Input::Tick, &mut Vec::new());
        }
        self.now = until;
        if !heard {
            return false;
        }
        let place = if says.who == Who::Phone { Place::Remote } else { Place::Shop };
        let request = Request {
            id: RequestId(self.asked),
            kind: says.kind,
            input: InputId(1 + says.who as u16),
            person: Person::UNNAMED,
            gesture: GestureId(1 + says.kind as u16),
            rights: Rights { may_force: says.who != Who::Guest, may_lock: true, place, ..Rights::PLAIN },
            arrival: Arrival::LIVE,
            keep_for: None,
            offer: (says.who == Who::Phone).then_some(Token(self.asked)),
            confirm: self.token.filter(|_| says.who == Who::Phone),
        };
        let mut effects = Vec::new();
        self.guard.handle(until, Input::Request(request), &mut effects);
        let mut off = false;
        for effect in effects {
            match effect {
                Effect::Answer(Answer { confirm: Some(confirm), .. }) => self.token = Some(confirm.token),
                Effect::Order(Order { switch: Switch::Off, cause, resend: 0, .. }) => {
                    assert_eq!(cause, Cause::Forced, "the machine is busy");
                    self.forced.push(self.asked);
                    off = true;
                }
                _ => {}
            }
        }
        off
    }
}

/// Every order of up to this many messages is tried.
const EVERY_ORDER_OF: u32 = 3;

fn every(length: u32, of: &[Says], tried: &mut impl FnMut(&[Says])) {
    let count = of.len().pow(length);
    let mut said = Vec::new();
    for nth in 0..count {
        said.clear();
        let mut rest = nth;
        for _ in 0..length {
            said.push(of[rest % of.len()]);
            rest /= of.len();
        }
        tried(&said);
    }
}

fn everything(who: &[Who], kinds: &[RequestKind], pauses: &[u64]) -> Vec<Says> {
    let mut all = Vec::new();
    for who in who {
        for kind in kinds {
            all.extend(pauses.iter().map(|after| Says { who: *who, kind: *kind, after: *after }));
        }
    }
    all
}

/// The same, with the guest gagged: whatever is forced with the guest would be forced without.
fn brings_nothing_nearer(said: &[Says]) {
    let (mut with, mut without) = (Shop::busy(), Shop::busy());
    for says in said {
        with.says(*says, true);
        without.says(*says, says.who != Who::Guest);
        if !with.forced.is_empty() || !without.forced.is_empty() {
            break;
        }
    }
    assert!(
        with.forced.is_empty() || with.forced == without.forced,
        "with the guest off after {:?}, without after {:?}: {said:?}",
        with.forced,
        without.forced
    );
}

/// The person holds the button, waits, holds again, with others' messages in between; once more, if they were late.
fn gets_out(between: &[Says]) {
    for pause in [2_000, 3_000, 9_999] {
        let mut shop = Shop::busy();
        let force = |after| Says { who: Who::Button, kind: RequestKind::ForceOff, after };
        let mut off = shop.says(force(100), true);
        for _ in 0..2 {
            let mut left = pause;
            for says in between {
                let after = says.after.min(left);
                left -= after;
                off |= shop.says(Says { after, ..*says }, true);
            }
            off = off || shop.says(force(left), true);
            let under_way = shop.guard.pending().is_some_and(|pending| pending.switch == Switch::Off);
            if off || under_way {
                break;
            }
        }
        let under_way = shop.guard.pending().is_some_and(|pending| pending.switch == Switch::Off);
        assert!(off || under_way, "three gestures, {pause} ms apart, and still on: {between:?}");
    }
}

#[test]
fn in_every_order_of_messages_who_may_not_force_brings_no_off_nearer() {
    use RequestKind::{Flip, ForceOff, Off, On};
    let all = everything(
        &[Who::Button, Who::Panel, Who::Phone, Who::Guest],
        &[Off, ForceOff, On, Flip],
        &[100, 2_000],
    );
    for length in 1..=EVERY_ORDER_OF {
        every(length, &all, &mut brings_nothing_nearer);
    }
}

#[test]
fn in_every_order_of_messages_a_person_gets_out_with_three_gestures() {
    let others = everything(
        &OTHERS,
        &[RequestKind::Off, RequestKind::ForceOff, RequestKind::On],
        &[100, 1_000, 4_000],
    );
    for length in 0..=EVERY_ORDER_OF {
        every(length, &others, &mut gets_out);
    }
}

/// Longer ones than can all be tried.
#[test]
fn in_long_rows_of_messages_by_chance_neither_happens() {
    let mut dice: u64 = 0x1d1e;
    let mut roll = |sides: usize| {
        dice = dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(dice >> 33).unwrap() % sides
    };
    let everybody = [Who::Button, Who::Panel, Who::Phone, Who::Guest];
    for _ in 0..20_000 {
        let length = 4 + roll(12);
        let mut row = |who: &[Who]| -> Vec<Says> {
            let says = |_| Says {
                who: who[roll(who.len())],
                kind: RequestKind::ALL[roll(RequestKind::ALL.len())],
                after: PAUSES[roll(PAUSES.len())],
            };
            (0..length).map(says).collect()
        };
        brings_nothing_nearer(&row(&everybody));
        gets_out(&row(&OTHERS));
    }
}
