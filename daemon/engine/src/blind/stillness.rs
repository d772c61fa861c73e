//! A meter that reads the same to the last digit. Many do so honestly, while nothing is drawn or while a heater is full
//! on; so it is held against what this very meter did before while its machine worked.

use idlegate_guard::time::{Moment, Span};

/// It has moved so often while its machine worked, before anything is made of its standing still.
const MOVES_MIN: u32 = 200;
/// And it was seen at work for so long.
const WORK_MIN: Span = Span::secs(4 * 3_600);
/// Longer by so much than it has stood still twice before: once may have been a fault already, or the rest of one.
const TIMES: u64 = 4;
/// A pause between two readings that is longer than this is no work that was seen.
const PAUSE_MAX: Span = Span::secs(120);

#[derive(Debug, Default)]
pub(super) struct Stillness {
    value: Option<f64>,
    last: Moment,
    /// It has read the same since then, and the machine has worked all the while since then.
    same_since: Moment,
    works_since: Moment,
    /// It was seen to change.
    moved: bool,
    moves: u32,
    /// The longest two, the longer one first.
    longest: [Span; 2],
    work: Span,
}

impl Stillness {
    /// A reading, and whether the machine was at work when it came.
    pub(super) fn take(&mut self, at: Moment, value: f64, works: bool) {
        let pause = at.since(self.last);
        // Two readings that happen to be alike on either side of a silence show nothing of what was in between.
        let is_silence = pause > PAUSE_MAX && self.value.is_some();
        if is_silence {
            self.same_since = at;
        } else if works && self.value.is_some() {
            self.work = self.work + pause;
        }
        if !works || is_silence {
            self.works_since = at;
        }
        if self.value != Some(value) {
            if let Some(run) = self.run().filter(|_| self.value.is_some()) {
                self.moved = true;
                let [first, second] = self.longest;
                self.longest = [first.max(run), second.max(first.min(run))];
                self.moves = self.moves.saturating_add(u32::from(works));
            }
            self.same_since = at;
        }
        (self.value, self.last) = (Some(value), at);
    }

    /// For how long it has read the same while the machine worked, by its readings: a silence does not show it.
    fn run(&self) -> Option<Span> {
        Some(self.last.since(self.same_since.max(self.works_since)))
    }

    /// It stands still for longer than can be believed of it, or of any meter by this limit: since when.
    pub(super) fn stuck_since(&self, limit: Span) -> Option<Moment> {
        let is_known = self.moves >= MOVES_MIN && self.work >= WORK_MIN;
        let run = self.run().filter(|run| is_known && *run >= self.limit(limit))?;
        Some(self.last - run)
    }

    /// It has read the same for so long, whatever its machine did: since when.
    pub(super) fn same_since(&self, limit: Span) -> Option<Moment> {
        (self.last.since(self.same_since) >= limit).then_some(self.same_since)
    }

    /// The time after which this meter is not believed.
    pub(super) fn limit(&self, limit: Span) -> Span {
        limit.max(Span(self.longest[1].0.saturating_mul(TIMES)))
    }

    /// It was seen to change, and not so long ago that it might be stuck.
    pub(super) fn moves(&self, limit: Span) -> bool {
        self.moved && self.last.since(self.same_since) < limit
    }

    /// What it reads.
    pub(super) fn value(&self) -> Option<f64> {
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMIT: Span = Span::secs(1_800);

    /// Readings every ten seconds of a machine at work.
    fn taught(hours: u64, stands_still_secs: u64) -> (Stillness, u64) {
        let (mut meter, mut at) = (Stillness::default(), 0);
        while at < hours * 3_600 {
            let value = (at / stands_still_secs.max(10)) % 7;
            meter.take(Moment(at * 1_000), 450.0 + f64::from(u32::try_from(value).unwrap()), true);
            at += 10;
        }
        (meter, at)
    }

    fn stuck_after(mut meter: Stillness, begin: u64, works: bool) -> Option<u64> {
        (0..100_000).step_by(10).find(|secs| {
            meter.take(Moment((begin + secs) * 1_000), 500.0, works);
            meter.stuck_since(LIMIT).is_some()
        })
    }

    #[test]
    fn a_meter_that_never_stood_still_is_stuck_at_the_limit() {
        let (meter, at) = taught(10, 10);
        assert_eq!(stuck_after(meter, at, true), Some(1_800));
    }

    #[test]
    fn one_that_stands_still_for_long_by_itself_is_given_four_times_as_long() {
        let (meter, at) = taught(40, 1_200);
        assert_eq!(stuck_after(meter, at, true), None, "it has not moved often enough to be known");
        let (meter, at) = taught(100, 1_200);
        assert_eq!(stuck_after(meter, at, true), Some(4 * 1_190));
    }

    #[test]
    fn standing_still_once_may_have_been_a_fault_and_teaches_nothing() {
        let (mut meter, mut at) = taught(10, 10);
        let mut stands_still = |meter: &mut Stillness, secs: u64| {
            let end = at + secs;
            while at < end {
                meter.take(Moment(at * 1_000), 600.0, true);
                at += 10;
            }
            meter.take(Moment(at * 1_000), 601.0, true);
            meter.limit(LIMIT)
        };
        assert_eq!(stands_still(&mut meter, 2_000), LIMIT);
        assert_eq!(stands_still(&mut meter, 1_000), Span::secs(4 * 990), "what it has done twice");
        assert_eq!(stands_still(&mut meter, 3_000), Span::secs(4 * 1_990));
    }

    #[test]
    fn nothing_is_made_of_an_idle_machine_or_of_a_meter_that_is_not_known_yet() {
        let (meter, at) = taught(10, 10);
        assert_eq!(stuck_after(meter, at, false), None, "an honest constant: it draws nothing");
        assert_eq!(stuck_after(Stillness::default(), 0, true), None);
    }

    #[test]
    fn a_silence_is_no_standing_still() {
        let (mut meter, at) = taught(10, 10);
        meter.take(Moment(at * 1_000), 500.0, true);
        assert_eq!(meter.stuck_since(LIMIT), None);
        meter.take(Moment((at + 90_000) * 1_000), 500.0, true);
        assert_eq!((meter.stuck_since(LIMIT), meter.same_since(LIMIT)), (None, None), "the same by chance");
        meter.take(Moment((at + 90_010) * 1_000), 501.0, true);
        assert!(meter.moves(LIMIT));
    }
}
