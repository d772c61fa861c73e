//! Whether each job is told of once, with the end that it truly had. The truth is the machine's own; what is judged is
//! the record that the guard makes.
//!
//! A meter cannot tell a machine's work from what it runs on for, so that a job is all the time in which either goes
//! on.

use idlegate_demo::workshop::Truth;
use idlegate_engine::{JobEnd, JobOver};
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_guard::{Cause, Switch};

use super::figures::Figures;
use super::rules::{PLACES, Place};
use super::wire::Commanded;
use super::world::World;

/// Between a machine and the guard: a meter's pace, an answer, an outlet that reports late.
const TOLERANCE: Span = Span::secs(45);
/// The rules' own pause; see the defaults.
const PAUSE: Span = Span::secs(60);
/// After it is switched on a machine draws a surge. One that begins to work this soon after began with it, as far as
/// anybody can tell.
const SURGE: Span = Span::secs(90);
/// A shorter one may or may not be noticed.
const NOTICED: Span = Span::secs(90);
/// The dwell of every machine, its pause and an outage have passed by then.
const TOLD_WITHIN: Span = Span::secs(1_800);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum TrueEnd {
    Finished,
    By(Cause),
    ByAnotherRoute,
}

#[derive(Clone, Copy, Debug)]
struct TrueJob {
    began: Moment,
    /// When the machine was switched on last.
    on_since: Moment,
    ended: Moment,
    /// For how long without a break somebody could have seen it at rest since the job before.
    rest_seen: Span,
    how: TrueEnd,
    /// The guard had a fair chance to see it.
    is_fair: bool,
    claimed: bool,
}

#[derive(Clone, Debug, Default)]
struct Docket {
    /// Busy since then, and for how long without a break somebody could have seen it.
    open: Option<Open>,
    /// The same for its rest.
    rest: Option<Open>,
    truths: Vec<TrueJob>,
    is_off: bool,
    /// When the machine was switched on last.
    on_since: Moment,
    /// The outlet was dead or late.
    outlet_doubted: Moment,
}

#[derive(Clone, Copy, Debug)]
struct Open {
    began: Moment,
    in_sight_since: Option<Moment>,
    seen: Span,
    rest_seen: Span,
}

#[derive(Clone, Debug, Default)]
pub(super) struct JobCourt {
    dockets: [Docket; 5],
    /// When the clock was set: what is said in its time cannot be compared.
    clock_set: Option<Moment>,
    /// When something last began or ceased to be broken.
    disturbed: Moment,
}

impl JobCourt {
    pub(super) fn clock_was_set(&mut self, now: Moment) {
        self.clock_set = Some(now);
    }

    pub(super) fn is_disturbed(&mut self, now: Moment) {
        self.disturbed = now;
    }

    fn was_set_since(&self, began: Moment) -> bool {
        self.clock_set.is_some_and(|set| set + TOLERANCE >= began)
    }
}

impl World<'_> {
    /// What a machine really does now, and which order of ours moved its outlet.
    pub(super) fn court_sees_truth(&mut self, place: usize, mover: Option<Commanded>) {
        let now = self.now;
        let truth = self.station(place).truth();
        let is_busy = matches!(truth, Truth::Working | Truth::RunningOn);
        let is_heard = self.line.up && now >= self.paused_until;
        let in_sight = is_heard && self.station(place).meter.fault.is_none();
        let broken = self.broken.lossy > 0 || self.broken.detectors_stop || self.broken.detectors_slow;
        let at_rest_in_sight = in_sight && !broken && self.court.disturbed + TOLERANCE < now;
        let faults = &self.station(place).outlet.faults;
        let outlet_is_odd = faults.dead || faults.reports_late > Span::ZERO;
        let is_sound = self.is_sound(place);
        let was_set = |began| self.court.was_set_since(began);
        let clock_moved = self.court.dockets[place].open.is_some_and(|open| was_set(open.began));
        let docket = &mut self.court.dockets[place];
        if outlet_is_odd {
            docket.outlet_doubted = now;
        }
        if std::mem::replace(&mut docket.is_off, truth == Truth::Off) && !docket.is_off {
            docket.on_since = now;
        }
        match (&mut docket.open, is_busy) {
            (None, false) => {
                docket.rest.get_or_insert_with(|| Open::begun(now, false)).look(now, at_rest_in_sight)
            }
            (None, true) => {
                let rest_seen = docket.rest.take().map_or(Span::ZERO, |mut rest| {
                    rest.look(now, at_rest_in_sight);
                    rest.seen
                });
                docket.open = Some(Open { rest_seen, ..Open::begun(now, in_sight) });
            }
            (Some(open), true) => open.look(now, in_sight),
            (Some(open), false) => {
                open.look(now, in_sight);
                let (began, seen, rest_seen) = (open.began, open.seen, open.rest_seen);
                docket.open = None;
                docket.rest = Some(Open::begun(now, at_rest_in_sight));
                let how = match (truth, mover) {
                    (Truth::Off, Some(mover)) if mover.switch == Switch::Off => TrueEnd::By(mover.cause),
                    (Truth::Off, _) => TrueEnd::ByAnotherRoute,
                    (Truth::Starting | Truth::Idle | Truth::Working | Truth::RunningOn, _) => {
                        TrueEnd::Finished
                    }
                };
                let is_fair = is_sound(began) && seen >= NOTICED && !clock_moved;
                let on_since = docket.on_since;
                docket.truths.push(TrueJob {
                    began,
                    on_since,
                    ended: now,
                    rest_seen,
                    how,
                    is_fair,
                    claimed: false,
                });
            }
        }
    }

    /// Nothing was wrong with what its meter said of a job that began then.
    fn is_sound(&self, place: usize) -> impl Fn(Moment) -> bool + use<> {
        let since = self.meter_sound_since(place);
        let before = PLACES[place].dwell + PLACES[place].stale_after;
        move |began: Moment| since.is_some_and(|since| since + before < began)
    }

    /// A job was put on record.
    pub(super) fn court_judges(&mut self, place: usize, at: Now, over: &JobOver) {
        if self.life.careless.is_some() || self.life.plant.is_some() {
            return;
        }
        let now = self.now;
        let ago = |wall: idlegate_guard::time::WallTime| {
            now - Span(u64::try_from(at.wall.0.saturating_sub(wall.0)).unwrap_or(0))
        };
        let ended = ago(over.ended);
        // By how long it lasted: the clock may have been set meanwhile.
        let began = over.not_before.map_or(ended, ago) - over.lasted;
        if self.court.was_set_since(now - over.lasted - TOLD_WITHIN) {
            Figures::count(&mut self.figures.job_ends, over.how.word());
            self.figures.job_ends_excused += 1;
            return self.court.dockets[place].pass(now - over.lasted - TOLD_WITHIN);
        }
        let claim = Claim {
            began,
            ended,
            not_before: over.not_before.map_or(ago(over.ended), ago),
            how: over.how,
            begin_unseen: over.begin_unseen,
        };
        let is_fair =
            self.is_sound(place)(claim.began) && self.court.dockets[place].outlet_doubted + TOLD_WITHIN < now;
        Figures::count(&mut self.figures.job_ends, over.how.word());
        let fault = self.court.dockets[place].judge(&claim, &PLACES[place]);
        if !is_fair {
            self.figures.job_ends_excused += 1;
            return;
        }
        self.figures.job_ends_judged += 1;
        if let Some(fault) = fault {
            let machine = PLACES[place].machine;
            self.oracle.violated(format!("jobs: {machine}: {fault}; on record: {claim:?}"));
        }
    }

    /// Every job that the guard had a fair chance to see has been told of.
    pub(super) fn court_closes(&mut self) {
        let now = self.now;
        if self.life.careless.is_some() || self.life.plant.is_some() {
            return;
        }
        for (docket, place) in self.court.dockets.iter().zip(&PLACES) {
            let untold = docket.truths.iter().filter(|job| job.is_fair && !job.claimed);
            for job in untold.filter(|job| job.ended + TOLD_WITHIN < now) {
                self.oracle.violated(format!("jobs: {}: no record of {job:?}", place.machine));
            }
        }
    }
}

impl Open {
    fn begun(now: Moment, in_sight: bool) -> Open {
        let in_sight_since = in_sight.then_some(now);
        Open { began: now, in_sight_since, seen: Span::ZERO, rest_seen: Span::ZERO }
    }

    fn look(&mut self, now: Moment, in_sight: bool) {
        if let Some(since) = self.in_sight_since {
            self.seen = self.seen.max(now.since(since));
        }
        self.in_sight_since = if in_sight { self.in_sight_since.or(Some(now)) } else { None };
    }
}

#[derive(Clone, Copy, Debug)]
struct Claim {
    began: Moment,
    ended: Moment,
    not_before: Moment,
    how: JobEnd,
    begin_unseen: bool,
}

impl Docket {
    /// Whatever was over since then is not asked for any more.
    fn pass(&mut self, since: Moment) {
        self.truths.iter_mut().filter(|job| job.ended >= since).for_each(|job| job.claimed = true);
    }

    /// What is wrong with it, if anything is.
    fn judge(&mut self, claim: &Claim, place: &Place) -> Option<String> {
        let (from, until) = (claim.began - TOLERANCE, claim.ended + TOLERANCE);
        let overlaps = |job: &TrueJob| job.began <= until && job.ended >= from;
        let again = self.truths.iter().any(|job| overlaps(job) && job.claimed);
        let mut covered: Vec<&mut TrueJob> =
            self.truths.iter_mut().filter(|job| overlaps(job) && !job.claimed).collect();
        // One that nobody could see, and that was over before this one began, has no record.
        let unseen = covered.iter().take_while(|job| !job.is_fair && job.ended < claim.began).count();
        covered.drain(..unseen.min(covered.len().saturating_sub(1)));
        let Some(last) = covered.last().map(|job| **job) else {
            let goes_on = self.open.is_some_and(|open| open.began <= until);
            return match (again, goes_on) {
                (_, true) if claim.how == JobEnd::Unseen => None,
                (_, true) => Some("it is still at work".to_owned()),
                // It was not told apart from a moment's draw before the program ended, and nobody can any more.
                (false, false) if claim.how == JobEnd::Unseen && claim.not_before <= claim.began + PAUSE => {
                    None
                }
                (true, false) => Some("told twice".to_owned()),
                (false, false) => Some("there was no job".to_owned()),
            };
        };
        let first = *covered[0];
        let together = place.dwell + place.stale_after + PAUSE + TOLERANCE;
        // A rest in which nobody could see it for a while may have been work.
        let apart = covered.iter().skip(1).any(|job| job.rest_seen > together);
        covered.iter_mut().for_each(|job| job.claimed = true);
        if apart && claim.how != JobEnd::Unseen {
            return Some(format!("two jobs are told as one, the first of them {first:?}"));
        }
        let with_surge = first.began <= first.on_since + SURGE;
        let earliest = if with_surge { first.on_since } else { first.began };
        let early = claim.began + TOLERANCE < earliest;
        let late = !claim.begin_unseen && claim.began > first.began + TOLERANCE + place.stale_after + PAUSE;
        if early || late {
            return Some(format!("it began at another time: {first:?}"));
        }
        Docket::judge_end(claim, &last, place)
    }

    fn judge_end(claim: &Claim, last: &TrueJob, place: &Place) -> Option<String> {
        // It may have ended in one of its pauses, which no meter can tell.
        let until = claim.ended + TOLERANCE + place.quiet_max;
        let within = last.ended + TOLERANCE >= claim.not_before && last.ended <= until;
        // What had fallen quiet may have been done.
        let may_be_done = claim.not_before < claim.ended && last.how == TrueEnd::Finished;
        let is_true = match claim.how {
            JobEnd::Finished => last.how == TrueEnd::Finished,
            JobEnd::Forced => last.how == TrueEnd::By(Cause::Forced) || may_be_done,
            JobEnd::Emergency => last.how == TrueEnd::By(Cause::Emergency) || may_be_done,
            JobEnd::CountedAsIdle => last.how == TrueEnd::By(Cause::Plain),
            JobEnd::CutElsewhere => last.how == TrueEnd::ByAnotherRoute || may_be_done,
            JobEnd::PowerLost | JobEnd::Unseen => true,
        };
        (!is_true || !within).then(|| format!("it truly ended otherwise: {last:?}"))
    }
}
