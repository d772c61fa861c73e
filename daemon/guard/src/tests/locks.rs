//! Locks of several people at one machine. What could go wrong: it is switched on while somebody still works inside it,
//! somebody else's unlock takes a padlock off, or a lock keeps a machine from being switched off.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;
use crate::time::{Moment, Span};

const ANNA: u64 = 11;
const BEN: u64 = 22;

#[test]
fn each_of_two_who_share_an_input_lifts_their_own_lock() {
    story(
        Policy::default(),
        &[
            at(0, off()),
            at(100, press(Lock).of_person(ANNA).may_lock_alone()),
            at(200, press(Lock).of_person(BEN).may_lock_alone()),
            at(300, press(On)),
            at(3_000, press(Unlock).of_person(ANNA).may_lock_alone()),
            at(6_000, press(On)),
            at(6_100, press(Unlock).of_person(ANNA).may_lock_alone()),
            at(9_000, press(Unlock).of_person(BEN).may_lock_alone()),
            at(12_000, press(On)),
        ],
        &[
            (100, "keep lockout -, acted(locked), say locked"),
            (200, "keep lockout -, acted(locked), say locked"),
            (300, "refused(lockout), say refused"),
            (3_000, "keep lockout -, acted(lock-lifted), say lock-lifted"),
            (6_000, "refused(lockout), say refused"),
            (6_100, "refused(may-not-unlock), say refused"),
            (9_000, "keep - -, acted(unlocked), say unlocked"),
            (12_000, "acted(switching-on), on"),
        ],
    );
}

#[test]
fn who_may_unlock_and_has_no_lock_of_their_own_lifts_all_of_them() {
    story(
        Policy::default(),
        &[
            at(0, off()),
            at(100, press(Lock).of_person(ANNA)),
            at(200, press(Lock).at_panel()),
            at(300, press(EmergencyOff).by_alarm()),
            at(400, press(Unlock).by(BESIDE)),
        ],
        &[
            (100, "keep lockout -, acted(locked), say locked"),
            (200, "keep lockout -, acted(locked), say locked"),
            (300, "off!emergency, keep emergency -, acted(emergency), say emergency-off"),
            (400, "keep - -, acted(unlocked), say unlocked"),
        ],
    );
}

#[test]
fn who_may_lock_and_not_unlock_never_lifts_the_lock_of_an_emergency() {
    story(
        Policy::default(),
        &[
            at(0, off()),
            at(100, press(Lock).may_lock_alone()),
            at(200, press(EmergencyOff).by_alarm()),
            at(250, off()),
            at(300, press(Unlock).may_lock_alone()),
            at(3_000, press(Unlock).may_lock_alone().gesture(50)),
            at(4_000, press(On)),
        ],
        &[
            (100, "keep lockout -, acted(locked), say locked"),
            (200, "off!emergency, keep emergency -, acted(emergency), say emergency-off"),
            (300, "keep emergency -, acted(lock-lifted), say lock-lifted"),
            (3_000, "refused(may-not-unlock), say refused"),
            (4_000, "refused(lockout), say refused"),
        ],
    );
}

#[test]
fn an_emergency_is_sent_again_although_somebody_lifts_their_own_lock() {
    story(
        Policy { tries: 1, ..Policy::default() },
        &[
            at(0, on()),
            at(100, press(Lock).may_lock_alone()),
            at(200, press(EmergencyOff).by_alarm()),
            at(300, press(Unlock).may_lock_alone()),
            at(5_300, Step::Wait),
        ],
        &[
            (100, "keep lockout -, acted(locked), say locked"),
            (200, "off!emergency, keep emergency -, acted(emergency), say emergency-off"),
            (300, "keep emergency -, acted(lock-lifted), say lock-lifted"),
            (5_200, "off!emergency/1"),
        ],
    );
}

#[test]
fn who_finds_no_room_for_a_lock_is_told_so() {
    let mut bench = Bench::new(Policy::default(), Kept::default());
    for person in 1..=LOCKS_MAX as u64 {
        bench.play(at(100 * person, press(Lock).of_person(person)));
    }
    let full = *bench.guard.locks();
    assert_eq!(full.iter().count(), LOCKS_MAX);
    bench.play(at(5_000, press(Lock).of_person(99)));
    assert_eq!(*bench.guard.locks(), full);
    bench.play(at(5_100, press(EmergencyOff).by_alarm()));
    assert!(bench.guard.locks().has_emergency(), "an emergency has a place of its own");
}

#[test]
fn what_two_remember_is_added_and_nothing_is_taken_away() {
    let (anna, ben) = (Lockout::owned(PANEL, Person(ANNA)), Lockout::owned(PANEL, Person(BEN)));
    let mut bench =
        Bench::new(Policy::default(), Kept { locks: Locks::from_iter([anna]), ..Kept::default() });
    let late = Locks::from_iter([ben, Lockout::emergency(ALARM)]);
    bench.play(at(100, Step::Recall(Kept { locks: late, ..Kept::default() })));
    assert_eq!(*bench.guard.locks(), Locks::from_iter([Lockout::emergency(ALARM), ben, anna]));
}

/// One thing that somebody does.
#[derive(Clone, Copy, Debug)]
enum Does {
    Lock,
    Unlock,
    Emergency,
    Restart,
}

fn anything() -> impl Strategy<Value = (Does, u16, u64, bool, bool)> {
    let does = prop_oneof![
        4 => Just(Does::Lock),
        4 => Just(Does::Unlock),
        1 => Just(Does::Emergency),
        1 => Just(Does::Restart)
    ];
    (does, 1..4_u16, 0..4_u64, any::<bool>(), any::<bool>())
}

fn request(id: u64, kind: RequestKind, input: u16, person: u64, rights: Rights) -> Request {
    Request {
        id: RequestId(id),
        kind,
        input: InputId(input),
        person: Person(person),
        gesture: GestureId(kind as u16),
        rights,
        arrival: Arrival::LIVE,
        keep_for: None,
        offer: None,
        confirm: None,
    }
}

/// What an on and an off would do now, on copies.
fn sends(guard: &Guard, now: Moment, kind: RequestKind, state: Switch) -> bool {
    let mut guard = guard.clone();
    let mut out = Vec::new();
    guard.handle(now, Input::Outlet(OutletReport { state: Some(state), at: now }), &mut out);
    let idle = Permissive {
        state: PermissiveState::Clear,
        assessed_at: now,
        as_of: now,
        valid_until: now + Span::secs(60),
        ..Permissive::UNKNOWN
    };
    guard.handle(now, Input::Permissive(idle), &mut out);
    out.clear();
    guard.handle(now, Input::Request(request(u64::MAX, kind, 77, 0, Rights::PLAIN)), &mut out);
    let wanted = if kind == On { Switch::On } else { Switch::Off };
    out.iter().any(|effect| matches!(effect, Effect::Order(order) if order.switch == wanted))
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    /// The model is a set of owners and nothing else.
    #[test]
    fn a_machine_can_be_switched_on_when_nobody_holds_it_and_off_at_any_time(
        story in prop::collection::vec(anything(), 1..40)
    ) {
        let mut guard = Guard::new(Policy::default(), Kept::default(), Moment(0));
        guard.handle(Moment(1), Input::Link(true), &mut Vec::new());
        let (mut owners, mut emergency) = (BTreeSet::new(), false);
        let mut now = Moment(1_000);
        for (id, (does, input, person, may_lock, may_unlock)) in (1..).zip(story) {
            now = now + Span::secs(6);
            let rights = Rights { may_lock, may_unlock, emergency: true, ..Rights::PLAIN };
            let (kind, me) = (match does {
                Does::Lock => Lock,
                Does::Unlock => Unlock,
                Does::Emergency | Does::Restart => EmergencyOff,
            }, (input, person));
            match does {
                Does::Lock if may_lock && owners.len() < LOCKS_MAX => drop(owners.insert(me)),
                Does::Unlock if owners.contains(&me) && (may_lock || may_unlock) => {
                    owners.remove(&me);
                    emergency &= !may_unlock;
                }
                Does::Unlock if may_unlock => {
                    owners.clear();
                    emergency = false;
                }
                Does::Emergency => emergency = true,
                Does::Lock | Does::Unlock | Does::Restart => {}
            }
            if matches!(does, Does::Restart) {
                guard = Guard::new(Policy::default(), guard.kept(), now);
                guard.handle(now, Input::Link(true), &mut Vec::new());
            } else {
                let asked = request(id, kind, input, person, rights);
                guard.handle(now, Input::Request(asked), &mut Vec::new());
            }
            // Whatever was on its way has had its time.
            let later = now + Span::secs(5);
            let free = owners.is_empty() && !emergency;
            prop_assert_eq!(sends(&guard, later, On, Switch::Off), free, "{:?} {}", owners, emergency);
            prop_assert!(sends(&guard, later, Off, Switch::On) || guard.pending().is_some());
        }
    }
}
