//! The jobs of one machine: when one begins, when it is over, and how it ended. Pure: what the detectors of its work
//! say, what its outlet says and which orders were sent goes in; jobs that are over come out.
//!
//! It only watches: nothing that it finds reaches the permissive or an order. And it never makes up an end. What
//! happened while nobody could see the machine is a time between two others, and is not called "finished".

mod kept;
mod over;
mod sums;

use super::silences::Sight;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_guard::{Cause, Switch};
use idlegate_plan::{JobRules, Tariff};

pub(super) use over::Off;
pub use over::{JobEnd, JobOver};
use sums::Drawn;

/// For so long a machine may be out of sight and still count as seen, if its outlet stays on: a message that could not
/// be read puts everything in doubt for a moment.
const GLIMPSE: Span = Span::secs(60);
/// An order, its repetitions and the outlet's report take no longer than this.
const FOLLOWS_WITHIN: Span = Span::secs(60);
/// A machine that counts as idle while its outlet says nothing: it is waited for so long for a word of it.
const OUTLET_PATIENCE: Span = Span::secs(120);
/// The surge of a start comes this soon after it.
const SURGE_WITHIN: Span = Span::secs(60);
/// A crash loses no more than this of what a job drew.
const KEEP_EVERY: Span = Span::secs(600);

/// What is seen of a machine at one moment.
#[derive(Clone, Copy, Debug)]
pub(super) struct Look {
    pub(super) now: Now,
    /// What the detectors of its work say, whatever its outlet says.
    pub(super) work: Sight,
    pub(super) outlet: Option<Switch>,
    /// When the oldest reading was taken on which that rests.
    pub(super) read_at: Moment,
    /// All that its meter has counted in this run; nothing without a meter.
    pub(super) joules: Option<f64>,
    /// Of a kilowatt-hour; nothing without a tariff.
    pub(super) price: Option<f64>,
}

/// What has come of a look.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Turn {
    /// What is to survive a restart has changed.
    Keep,
    Over(Box<JobOver>),
}

#[derive(Clone, Debug, Default)]
pub(super) struct Jobs {
    running: Option<Running>,
    /// When it was last seen not to work.
    seen_at_rest: Option<Moment>,
    /// What its outlet said last, and when it was switched on.
    outlet: Option<Switch>,
    on_since: Option<Moment>,
    /// What the meter had counted at the last look.
    counted: Option<f64>,
    /// The price of this minute: bands of hours are dear to look up.
    priced: Option<(i64, f64)>,
}

/// A moment of a job, with what it had drawn by then.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Mark {
    wall: WallTime,
    into: Span,
    drawn: Drawn,
}

#[derive(Clone, Debug, PartialEq)]
struct Running {
    begun: WallTime,
    begin_unseen: bool,
    /// Its machine had just been switched on.
    at_start: bool,
    /// It had lasted for `before` at this moment.
    origin: Moment,
    before: Span,
    /// Seen at work last.
    worked: Mark,
    quiet: Option<Mark>,
    /// Its detectors call it idle; only the rules' pause is waited for, if at all.
    idle: bool,
    gap: Option<Gap>,
    /// If it does not go on, it ended between these.
    hidden: Option<(Mark, Mark)>,
    /// Its outlet has been out of sight since it was last known to be on.
    outlet_gone: Option<OutletGone>,
    unseen: Span,
    drawn: Drawn,
    off: Option<Off>,
    kept_at: Moment,
}

/// Nobody can see the machine.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Gap {
    /// What was certain last: it worked, or fell quiet.
    from: Mark,
    /// When it went out of sight.
    since: Span,
    /// It has counted as idle since, and its outlet says nothing.
    idle_since: Option<Moment>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct OutletGone {
    /// Others were lost at the same time.
    with_others: bool,
}

impl Jobs {
    pub(super) fn running(&self, now: Moment) -> Option<JobSoFar> {
        let running = self.running.as_ref()?;
        Some(JobSoFar {
            begun: running.begun,
            begin_unseen: running.begin_unseen,
            lasted: running.lasted(now),
            in_sight: running.gap.is_none() && running.hidden.is_none(),
            worked: running.since_seen().wall,
            unseen: running.unseen,
            drawn: running.drawn,
        })
    }

    pub(super) fn begun(&self) -> Option<WallTime> {
        self.running.as_ref().map(|running| running.begun)
    }

    /// What a kilowatt-hour costs now.
    pub(super) fn price(&mut self, wall: WallTime, tariff: &Tariff) -> f64 {
        let minute = wall.0.div_euclid(60_000);
        let (_, price) = match self.priced {
            Some(priced) if priced.0 == minute => priced,
            Some(_) | None => *self.priced.insert((minute, tariff.at(wall))),
        };
        price
    }

    /// An off was sent, or sent again.
    pub(super) fn ordered(&mut self, off: Off) -> Option<Turn> {
        let running = self.running.as_mut()?;
        running.off = Some(match running.off.take() {
            Some(before) if off.by.is_none() && before.cause == off.cause => Off { at: off.at, ..before },
            Some(_) | None => off,
        });
        Some(Turn::Keep)
    }

    /// Its outlet went out of sight together with others.
    pub(super) fn lost_with_others(&mut self) {
        if let Some(running) = &mut self.running {
            running.outlet_gone = Some(OutletGone { with_others: true });
        }
    }

    /// The most that was read.
    pub(super) fn draws(&mut self, watts: f64) {
        if let Some(running) = &mut self.running {
            running.drawn.watts_max = running.drawn.watts_max.max(watts);
        }
    }

    pub(super) fn see(&mut self, look: &Look, rules: &JobRules) -> Option<Turn> {
        self.count(look);
        if look.outlet == Some(Switch::On) && self.outlet == Some(Switch::Off) {
            self.on_since = Some(look.now.moment);
        }
        self.outlet = look.outlet.or(self.outlet);
        let sight = sight(look);
        let Some(running) = &mut self.running else {
            return self.may_begin(look, sight);
        };
        let now = look.now.moment;
        if look.outlet.is_none() {
            running.outlet_gone.get_or_insert(OutletGone { with_others: false });
        }
        match sight {
            Sight::Working if running.was_none(now, rules) => {
                let begin_unseen = running.gap.is_some();
                *running = Running::begin(look, begin_unseen);
                return Some(Turn::Keep);
            }
            Sight::Working => running.works(look),
            Sight::Quiet { .. } | Sight::Idle => running.is_quiet(look, sight == Sight::Idle),
            Sight::Unknown => running.is_out_of_sight(look),
            Sight::Off => {
                let over = running.went_off(look);
                return Some(self.end(over, look, rules));
            }
        }
        if look.outlet.is_some() {
            running.outlet_gone = None;
        }
        if let Some(over) = running.has_ended(now, rules) {
            return Some(self.end(over, look, rules));
        }
        let is_due = now.since(running.kept_at) >= KEEP_EVERY;
        is_due.then(|| {
            running.kept_at = now;
            Turn::Keep
        })
    }

    /// The machine leaves the rules, or has another outlet now: nobody will see the end.
    pub(super) fn leave(&mut self, now: Now, rules: &JobRules) -> Option<Turn> {
        let running = self.running.as_ref()?;
        let mark = running.mark(now);
        let over = running.unseen_end(running.since_seen(), mark);
        self.running = None;
        Some(turn(over, rules))
    }

    pub(super) fn deadline(&self, rules: &JobRules) -> Option<Moment> {
        let running = self.running.as_ref()?;
        let quiet = running.quiet.filter(|_| running.gap.is_none());
        let idle = quiet.and_then(|quiet| Some(running.at(quiet.into + rules.pause?)));
        let gap = running.gap.and_then(|gap| gap.idle_since).map(|since| since + OUTLET_PATIENCE);
        [idle, gap, Some(running.kept_at + KEEP_EVERY)].into_iter().flatten().min()
    }

    fn count(&mut self, look: &Look) {
        let before = std::mem::replace(&mut self.counted, look.joules);
        let (Some(running), Some(joules)) = (&mut self.running, look.joules) else { return };
        // A meter's sum that begins anew has counted nothing in between.
        let more = before.map_or(0.0, |before| (joules - before).max(0.0));
        running.drawn.add(more, look.price);
    }

    fn may_begin(&mut self, look: &Look, sight: Sight) -> Option<Turn> {
        let now = look.now.moment;
        match sight {
            Sight::Quiet { .. } | Sight::Idle | Sight::Off => {
                self.seen_at_rest = Some(now);
                None
            }
            Sight::Unknown => None,
            Sight::Working => {
                let was_seen = self.seen_at_rest.is_some_and(|at| now.since(at) <= GLIMPSE);
                let at_start = self.on_since.is_some_and(|on| now.since(on) <= SURGE_WITHIN);
                self.running = Some(Running { at_start, ..Running::begin(look, !was_seen) });
                Some(Turn::Keep)
            }
        }
    }

    fn end(&mut self, over: JobOver, look: &Look, rules: &JobRules) -> Turn {
        self.running = None;
        self.seen_at_rest = Some(look.now.moment);
        turn(over, rules)
    }
}

/// Nothing is left of one that was too short to be one; of one whose end nobody saw, by the longest it may have been.
fn turn(over: JobOver, rules: &JobRules) -> Turn {
    let lasted_at_most = match over.how {
        JobEnd::Unseen => over.lasted.max(Span(u64::try_from(over.ended.0 - over.begun.0).unwrap_or(0))),
        JobEnd::Finished
        | JobEnd::Forced
        | JobEnd::Emergency
        | JobEnd::CountedAsIdle
        | JobEnd::CutElsewhere
        | JobEnd::PowerLost => over.lasted,
    };
    if lasted_at_most < rules.shortest { Turn::Keep } else { Turn::Over(Box::new(over)) }
}

/// What can be said of the machine as a whole. An outlet that says nothing may have taken the power away; a machine
/// that works has it.
fn sight(look: &Look) -> Sight {
    match (look.outlet, look.work) {
        (Some(Switch::Off), _) => Sight::Off,
        (Some(Switch::On), work) => work,
        (None, Sight::Working) => Sight::Working,
        (None, Sight::Quiet { .. } | Sight::Idle | Sight::Unknown | Sight::Off) => Sight::Unknown,
    }
}

impl Running {
    fn begin(look: &Look, begin_unseen: bool) -> Running {
        let drawn = Drawn::nothing(look.joules.is_some(), look.price.is_some());
        let mark = Mark { wall: look.now.wall, into: Span::ZERO, drawn };
        Running {
            begun: look.now.wall,
            begin_unseen,
            at_start: false,
            origin: look.now.moment,
            before: Span::ZERO,
            worked: mark,
            quiet: None,
            idle: false,
            gap: None,
            hidden: None,
            outlet_gone: None,
            unseen: Span::ZERO,
            drawn,
            off: None,
            kept_at: look.now.moment,
        }
    }

    fn lasted(&self, now: Moment) -> Span {
        self.before + now.since(self.origin)
    }

    /// The moment when it has lasted for so long.
    fn at(&self, into: Span) -> Moment {
        self.origin + Span(into.0.saturating_sub(self.before.0))
    }

    fn mark(&self, now: Now) -> Mark {
        Mark { wall: now.wall, into: self.lasted(now.moment), drawn: self.drawn }
    }

    /// From when on nobody knows whether it goes on.
    fn since_seen(&self) -> Mark {
        self.hidden
            .map(|(from, _)| from)
            .or(self.gap.map(|gap| gap.from))
            .or(self.quiet)
            .unwrap_or(self.worked)
    }

    /// Too short to be a job, and quiet since: the surge of a start, a minute ago at least; or what works now has begun
    /// while it was out of sight for long.
    fn was_none(&self, now: Moment, rules: &JobRules) -> bool {
        let is_long = self.gap.is_some_and(|gap| gap.length(self.lasted(now)) > GLIMPSE);
        let is_surge = |quiet: Mark| {
            self.at_start && self.lasted(now) >= quiet.into + SURGE_WITHIN && self.gap.is_none()
        };
        (is_long || self.quiet.is_some_and(is_surge))
            && self.quiet.is_some_and(|quiet| quiet.into < rules.shortest)
    }

    fn works(&mut self, look: &Look) {
        self.close_gap(look);
        (self.quiet, self.hidden, self.idle) = (None, None, false);
        let read_at = look.read_at.min(look.now.moment);
        let age = i64::try_from(look.now.moment.since(read_at).0).unwrap_or(i64::MAX);
        let wall = WallTime(look.now.wall.0.saturating_sub(age));
        let worked = self.mark(Now { moment: read_at, wall });
        // Since the last look no other reading may have come.
        if worked.into >= self.worked.into {
            self.worked = worked;
        }
    }

    fn is_quiet(&mut self, look: &Look, idle: bool) {
        let mark = self.mark(look.now);
        if let Some(gap) = self.close_gap(look) {
            let is_glimpse =
                gap.length(mark.into) <= GLIMPSE && (self.outlet_gone.is_none() || self.quiet.is_some());
            if !is_glimpse {
                let from = self.hidden.map_or(gap.from, |(from, _)| from);
                self.hidden = Some((from, mark));
            }
        }
        self.quiet.get_or_insert(mark);
        self.idle = idle;
    }

    fn is_out_of_sight(&mut self, look: &Look) {
        let from = self.quiet.unwrap_or(self.worked);
        let since = if self.quiet.is_some() { self.lasted(look.now.moment) } else { from.into };
        let gap = self.gap.get_or_insert(Gap { from, since, idle_since: None });
        gap.idle_since = match look.work {
            Sight::Idle => gap.idle_since.or(Some(look.now.moment)),
            Sight::Working | Sight::Quiet { .. } | Sight::Unknown | Sight::Off => None,
        };
        self.idle = false;
    }

    fn close_gap(&mut self, look: &Look) -> Option<Gap> {
        let gap = self.gap.take()?;
        self.unseen = self.unseen + gap.length(self.lasted(look.now.moment));
        Some(gap)
    }
}

impl Gap {
    fn length(&self, into: Span) -> Span {
        Span(into.0.saturating_sub(self.since.0))
    }
}

/// A job that is under way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JobSoFar {
    pub begun: WallTime,
    /// It was found at work, and may have begun earlier.
    pub begin_unseen: bool,
    pub lasted: Span,
    /// Somebody can see whether it goes on.
    pub in_sight: bool,
    /// It was certain last then that it went on.
    pub worked: WallTime,
    /// In between nobody saw it for so long.
    pub unseen: Span,
    drawn: Drawn,
}

impl JobSoFar {
    /// Nothing for a machine without a meter.
    pub fn joules(&self) -> Option<f64> {
        self.drawn.joules
    }

    pub fn cost(&self) -> Option<f64> {
        self.drawn.cost
    }

    pub fn watts_max(&self) -> Option<f64> {
        self.drawn.joules.map(|_| self.drawn.watts_max)
    }
}

/// By what right an off was sent, in the word that is kept.
fn cause_of(word: &str) -> Cause {
    [Cause::Forced, Cause::Emergency].into_iter().find(|cause| cause.word() == word).unwrap_or(Cause::Plain)
}

#[cfg(test)]
mod tests;
