//! Long random walks over the guard, each step judged by the oracle: millions of steps find what no table thought of.
//! `IDLEGATE_WALK_STEPS` makes the walk as long as wanted; a failing walk prints its seed and its last steps.

use proptest::prelude::*;

use super::super::*;
use super::oracle::{Call, Oracle};
use crate::time::{Moment, Span};

/// The walk's dice (splitmix64): the guard itself has none.
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn of<T: Copy>(&mut self, all: &[T]) -> T {
        let index = self.roll() % all.len() as u64;
        all[usize::try_from(index).unwrap()]
    }

    fn one_in(&mut self, n: u64) -> bool {
        self.roll().is_multiple_of(n)
    }
}

/// Around every length of time that the policies know.
const PAUSES: [u64; 24] = [
    0, 0, 0, 1, 1, 40, 249, 250, 251, 900, 999, 1_000, 1_001, 1_999, 2_000, 2_001, 4_999, 5_000, 9_999,
    10_000, 15_001, 30_000, 61_000, 700_000,
];

struct Walk {
    guard: Guard,
    oracle: Oracle,
    now: Moment,
    asked: u64,
    dice: Dice,
    effects: Vec<Effect>,
    trace: Vec<String>,
}

impl Walk {
    fn new(seed: u64, start: Moment) -> Walk {
        let mut dice = Dice(seed);
        let policy = policy(&mut dice);
        Walk {
            guard: Guard::new(policy, Kept::default(), start),
            oracle: Oracle::new(policy, Kept::default()),
            now: start,
            asked: 0,
            dice,
            effects: Vec::new(),
            trace: vec![format!("seed {seed} {policy:?}")],
        }
    }

    fn step(&mut self) -> Result<(), String> {
        let pause = Span(self.dice.of(&PAUSES));
        self.pass(pause)?;
        let request = |walk: &mut Walk| {
            let request = walk.request();
            walk.ask(request)
        };
        match self.dice.roll() % 16 {
            0..=5 => request(self),
            6..=8 => {
                let permissive = self.permissive();
                self.give(Input::Permissive(permissive))
            }
            9..=11 => {
                let state = self.dice.of(&[Some(Switch::On), Some(Switch::On), Some(Switch::Off), None]);
                let at = self.now - Span(self.dice.of(&[0, 0, 0, 700]));
                self.give(Input::Outlet(OutletReport { state, at }))
            }
            12 => {
                let residual = self.dice.one_in(2);
                self.give(Input::Draw(DrawReport { residual, at: self.now }))
            }
            13 => {
                let up = !self.dice.one_in(3);
                self.give(Input::Link(up))
            }
            14 => {
                let given = !self.dice.one_in(3);
                if self.dice.one_in(2) {
                    self.give(Input::OnPermit(given))
                } else {
                    self.give(Input::CircuitRoom(given))
                }
            }
            _ => self.rarity(),
        }?;
        if self.dice.one_in(8) { self.there_is_a_way_out() } else { Ok(()) }
    }

    /// Time passes, with a tick at every deadline; now and then the program is stopped meanwhile.
    fn pass(&mut self, pause: Span) -> Result<(), String> {
        let until = self.now + pause;
        let stopped = self.dice.one_in(20);
        if !stopped {
            while let Some(due) = self.guard.deadline().filter(|due| *due < until) {
                self.now = due;
                self.give(Input::Tick)?;
            }
        }
        self.now = until;
        // Whatever is due is done by a tick of its own, so that the books are settled before the next input.
        self.give(Input::Tick)
    }

    fn rarity(&mut self) -> Result<(), String> {
        match self.dice.roll() % 4 {
            3 => {
                let pushed = self.dice.one_in(3).then_some(InputId(9));
                let found = self.dice.one_in(2);
                self.give(Input::Contact(ContactReport { pushed, found }))
            }
            0 => {
                let kept = self.guard.kept();
                if !self.oracle.holds(&kept.locks) || kept.deferral != self.oracle.deferral {
                    return Err(format!("{kept:?} is not what was said to be kept"));
                }
                let policy = *self.guard.policy();
                self.guard = Guard::new(policy, kept, self.now);
                self.oracle = Oracle::new(policy, kept);
                self.trace.push("restart".into());
                self.give(Input::Link(true))
            }
            1 => {
                let policy = policy(&mut self.dice);
                self.guard.adopt(policy);
                self.oracle.adopt(policy);
                self.trace.push(format!("adopt {policy:?}"));
                self.give(Input::Tick)
            }
            _ => self.give(Input::Tick),
        }
    }

    fn ask(&mut self, request: Request) -> Result<(), String> {
        let due = self.oracle.due_answer(self.now, &request);
        self.give(Input::Request(request))?;
        let answer = self.effects.iter().find_map(|effect| match effect {
            Effect::Answer(answer) if answer.request == request.id => Some(answer.reason),
            _ => None,
        });
        if due.is_some()
            && answer != due
            && answer.is_none_or(|answer| answer.decision() != Decision::Ignored)
        {
            return Err(format!("should have been answered {due:?} and was answered {answer:?}"));
        }
        Ok(())
    }

    fn give(&mut self, input: Input) -> Result<(), String> {
        self.effects.clear();
        self.guard.handle(self.now, input, &mut self.effects);
        if self.trace.len() > 400 {
            self.trace.drain(1..200);
        }
        self.trace.push(format!("{} {input:?} -> {:?}", self.now.0, self.effects));
        if self.guard.deadline().is_some_and(|due| due <= self.now) && self.now.0 < u64::MAX {
            return Err("something is due that was not done".into());
        }
        self.oracle.judge(&Call { now: self.now, input, effects: &self.effects })
    }

    /// Whatever has happened, two deliberate gestures switch the machine off, though no detector ever speaks again.
    fn there_is_a_way_out(&self) -> Result<(), String> {
        // Believed off, or rules under which nothing is ever tried twice.
        let off = self.guard.outlet() == Some(Switch::Off) && self.guard.pending().is_none();
        let is_another_way = self.guard.policy().control != Control::Full;
        if off || is_another_way || self.guard.policy().tries == 0 {
            return Ok(());
        }
        let mut guard = self.guard.clone();
        let policy = *guard.policy();
        let mut now = self.now;
        let mut effects = Vec::new();
        for nth in 0..2 {
            now = now + policy.repeat_guard.max(policy.force_not_before);
            let rights = Rights { may_force: true, ..Rights::PLAIN };
            let (id, kind) = (RequestId(u64::MAX - nth), RequestKind::ForceOff);
            let (input, gesture) = (InputId(900), GestureId(900));
            let arrival = Arrival::LIVE;
            let (keep_for, offer, confirm) = (None, None, None);
            let person = Person::UNNAMED;
            let request =
                Request { id, kind, input, person, gesture, rights, arrival, keep_for, offer, confirm };
            guard.handle(now, Input::Request(request), &mut effects);
        }
        let off =
            effects.iter().any(|effect| matches!(effect, Effect::Order(Order { switch: Switch::Off, .. })));
        let under_way = guard.pending().is_some_and(|pending| pending.cause != Cause::Plain);
        if off || under_way || guard.outlet() == Some(Switch::Off) {
            return Ok(());
        }
        Err(format!("no way out: {effects:?}"))
    }

    /// Everything works again and stays quiet: what was wished for must come about.
    fn heal(&mut self) -> Result<(), String> {
        self.give(Input::Link(true))?;
        // Nothing comes about while somebody's word holds that it stays on.
        if let Some(until) = self.oracle.kept_on_until() {
            while let Some(due) = self.guard.deadline().filter(|due| *due <= until) {
                self.now = due;
                self.give(Input::Tick)?;
            }
        }
        let policy = *self.guard.policy();
        let wished = self.oracle.deferral;
        // A notice that runs already may be one of older rules, with the longest there are.
        let notice = policy.notice.max(Policy::default().notice);
        // An outlet that did not answer has to be seen to report for as long as a notice.
        let settled = policy.settle_for.max(if policy.can_refresh { notice } else { Span::ZERO });
        let patience = settled + notice + policy.refresh_wait + policy.confirm_within + Span::secs(3);
        let until = self.now + patience;
        let mut off = false;
        while self.now < until {
            let permissive = Permissive {
                state: PermissiveState::Clear,
                assessed_at: self.now,
                as_of: self.now,
                valid_until: Moment(u64::MAX),
                unseen_since: None,
                clears_in: None,
                cautious: false,
            };
            self.give(Input::Permissive(permissive))?;
            off |= self.off_was_sent();
            let next = self.now + Span(500);
            while let Some(due) = self.guard.deadline().filter(|due| *due < next) {
                self.now = due;
                self.give(Input::Tick)?;
                off |= self.off_was_sent();
            }
            self.now = next;
        }
        if wished.is_some_and(|wish| wish.expires_at > until) && !off {
            return Err("a deferral of a machine that stays clear did not fire".into());
        }
        Ok(())
    }
}

impl Walk {
    /// By whatever road: a press may have carried out the wish before its time.
    fn off_was_sent(&self) -> bool {
        let off = |effect: &Effect| matches!(effect, Effect::Order(Order { switch: Switch::Off, .. }));
        self.effects.iter().any(off)
    }
}

fn policy(dice: &mut Dice) -> Policy {
    let plain = Policy::default();
    Policy {
        can_refresh: dice.one_in(2),
        shadow: dice.one_in(8),
        on_from: dice.of(&[Places::ALL, Places::ALL, Places::BESIDE, Places::NONE]),
        on_by_hand: dice.one_in(4),
        on_needs_permit: dice.one_in(4),
        tries: dice.of(&[0, 1, 3, 3]),
        notice: dice.of(&[Span::ZERO, Span::secs(1), plain.notice]),
        settle_for: dice.of(&[Span::ZERO, Span::secs(1), plain.settle_for]),
        forgotten_after: dice.of(&[None, Some(Span::secs(10)), Some(Span::secs(600))]),
        deferral_max: dice.of(&[Span::secs(60), plain.deferral_max]),
        control: match dice.roll() % 8 {
            0 => Control::NeverOff,
            1 => Control::Watched,
            _ => Control::Full,
        },
        ..plain
    }
}

impl Walk {
    fn request(&mut self) -> Request {
        self.asked += 1;
        let dice = &mut self.dice;
        let kind = dice.of(&RequestKind::ALL);
        let input = dice.of(&[1, 1, 2, 2, 3, 4, 4, 5]);
        Request {
            id: RequestId(self.asked),
            kind,
            input: InputId(input),
            person: Person(if matches!(kind, RequestKind::Lock | RequestKind::Unlock) {
                dice.of(&[0, 0, 1, 2])
            } else {
                0
            }),
            gesture: GestureId(1 + kind as u16),
            rights: Rights {
                may_force: input != 3 && !dice.one_in(6),
                may_keep_on: !dice.one_in(3),
                may_lock: !dice.one_in(3),
                may_unlock: dice.one_in(2),
                may_service: !dice.one_in(3),
                emergency: dice.one_in(4),
                when_busy: if input == 3 { WhenBusy::Defer } else { WhenBusy::Hold },
                // Where an input is does not change.
                place: match input {
                    1 => Place::Beside,
                    4 | 5 => Place::Remote,
                    _ => Place::Shop,
                },
                window: (input > 3).then_some(Span::secs(60)),
                out_of_hours: dice.one_in(12),
            },
            arrival: Arrival {
                retained: dice.one_in(30),
                age: Span(dice.of(&[0, 0, 0, 0, 0, 0, 0, 1_000, 1_001, 900_000, 900_001])),
            },
            keep_for: dice.of(&[
                None,
                Some(Span::secs(20)),
                Some(Span::secs(600)),
                Some(Span::secs(100 * 3_600)),
            ]),
            offer: Some(Token(10_000 + self.asked)),
            confirm: match dice.roll() % 4 {
                0 => None,
                1 => Some(Token(1)),
                _ => self.oracle.last_told(InputId(input)),
            },
        }
    }

    fn permissive(&mut self) -> Permissive {
        let now = self.now;
        let dice = &mut self.dice;
        use PermissiveState::{Busy, Clear, Unknown};
        Permissive {
            state: dice.of(&[Clear, Clear, Clear, Busy, Unknown]),
            assessed_at: now - Span(dice.of(&[0, 0, 0, 400])),
            // A signal's readings never grow older than they were.
            as_of: (now - Span(dice.of(&[0, 0, 1, 14_000, 20_000])))
                .max(self.guard.permissive().as_of.min(now)),
            valid_until: now + Span(dice.of(&[0, 1, 1_000, 60_000, 3_600_000, u64::MAX])),
            unseen_since: dice.of(&[None, None, None, Some(0), Some(200)]).map(|ago| now - Span(ago)),
            clears_in: None,
            cautious: false,
        }
    }
}

fn walk(seed: u64, steps: u64) {
    let mut walk = Walk::new(seed, Moment(1_000_000_000));
    let mut outcome = Ok(());
    for _ in 0..steps {
        outcome = walk.step();
        if outcome.is_err() {
            break;
        }
    }
    if let Err(fault) = outcome.and_then(|()| walk.heal()) {
        // Calls from which nothing came tell little of what went wrong.
        let telling = walk.trace.iter().filter(|line| !line.contains("Tick -> []"));
        let tail: Vec<_> = telling.rev().take(160).collect();
        panic!("{fault}\n{}\n{tail:#?}", walk.trace[0]);
    }
}

#[test]
fn no_walk_finds_a_broken_rule() {
    let steps: u64 =
        std::env::var("IDLEGATE_WALK_STEPS").ok().and_then(|steps| steps.parse().ok()).unwrap_or(200_000);
    for seed in 0..steps / 100 {
        walk(seed, 100);
    }
}

#[test]
fn nothing_panics_at_either_end_of_the_scale_of_time() {
    for seed in 0..400 {
        for start in [Moment(0), Moment(u64::MAX - 40_000), Moment(u64::from(u32::MAX) - 40_000)] {
            let mut walk = Walk::new(seed, start);
            for _ in 0..60 {
                // At the very end of time nothing can be later than now, so only panics count there.
                let _ = walk.step();
            }
        }
    }
}

#[test]
fn the_same_inputs_give_the_same_effects_in_the_same_order() {
    for seed in 0..50 {
        let traces: Vec<_> = (0..2)
            .map(|_| {
                let mut walk = Walk::new(seed, Moment(1_000_000));
                for _ in 0..200 {
                    walk.step().unwrap();
                }
                walk.trace
            })
            .collect();
        assert_eq!(traces[0], traces[1]);
    }
}

/// The model checker takes guards for equal that `seen_from` makes equal, so they must behave alike.
#[test]
fn a_guard_seen_from_another_moment_does_the_same_things_there() {
    let origin = Moment(50_000_000);
    for seed in 0..2_000 {
        let mut walk = Walk::new(seed, Moment(1_000_000_000));
        for _ in 0..60 {
            walk.step().unwrap();
            let mut copy = walk.guard.seen_from(walk.now, origin, Span(1_000));
            let mut guard = walk.guard.clone();
            let back = walk.now;
            let (mut now, mut there) = (back, origin);
            for _ in 0..6 {
                let pause = Span(walk.dice.of(&PAUSES));
                (now, there) = (now + pause, there + pause);
                walk.now = now;
                let input = match walk.dice.roll() % 4 {
                    0 | 1 => Input::Request(walk.request()),
                    2 => Input::Permissive(walk.permissive()),
                    _ => Input::Outlet(OutletReport {
                        state: walk.dice.of(&[Some(Switch::On), Some(Switch::Off), None]),
                        at: now,
                    }),
                };
                let (mut here, mut elsewhere) = (Vec::new(), Vec::new());
                guard.handle(now, input, &mut here);
                copy.handle(there, input_at(input, now, there), &mut elsewhere);
                let moved: Vec<_> = here.iter().map(|effect| effect_at(*effect, now, there)).collect();
                assert_eq!(moved, elsewhere, "seed {seed}: {input:?}");
            }
            walk.now = back;
        }
    }
}

fn moved(at: Moment, now: Moment, there: Moment) -> Moment {
    match at {
        Moment(u64::MAX) => at,
        at if at >= now => there + at.since(now),
        at => there - now.since(at),
    }
}

fn input_at(input: Input, now: Moment, there: Moment) -> Input {
    let to = |at| moved(at, now, there);
    match input {
        Input::Permissive(permissive) => Input::Permissive(Permissive {
            assessed_at: to(permissive.assessed_at),
            as_of: to(permissive.as_of),
            valid_until: to(permissive.valid_until),
            unseen_since: permissive.unseen_since.map(to),
            ..permissive
        }),
        Input::Outlet(report) => Input::Outlet(OutletReport { at: to(report.at), ..report }),
        other => other,
    }
}

fn effect_at(effect: Effect, now: Moment, there: Moment) -> Effect {
    let to = |deferral: Deferral| Deferral { expires_at: moved(deferral.expires_at, now, there), ..deferral };
    match effect {
        Effect::Keep(kept) => {
            let moved_on = |kept: KeptOn| KeptOn { until: moved(kept.until, now, there), ..kept };
            let (deferral, kept_on) = (kept.deferral.map(to), kept.kept_on.map(moved_on));
            Effect::Keep(Kept { deferral, kept_on, ..kept })
        }
        Effect::DeferralActed(deferral) => Effect::DeferralActed(to(deferral)),
        other => other,
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(256) })]

    /// The same walk with each step's dice chosen by proptest, which shortens a failing story to its core.
    #[test]
    fn no_short_story_breaks_a_rule(first: u64, dice in prop::collection::vec(any::<u64>(), 1..80)) {
        let mut walk = Walk::new(first, Moment(1_000_000_000));
        for each in dice {
            walk.dice = Dice(each);
            if let Err(fault) = walk.step() {
                return Err(TestCaseError::fail(format!("{fault}: {:#?}", walk.trace)));
            }
        }
        if let Err(fault) = walk.heal() {
            return Err(TestCaseError::fail(format!("{fault}: {:#?}", walk.trace)));
        }
    }
}
