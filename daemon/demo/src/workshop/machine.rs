//! A machine as its outlet sees it: what it draws, moment by moment, and the truth of what it is doing.
//!
//! Draw is a row of stretches of constant power, so that time can jump from one to the next and energy is
//! exact. What makes a printer a printer is in its [`Character`]. Nothing here reads a clock.

use std::fmt;

use super::chance::Chance;
use idlegate_guard::time::{Moment, Span};

/// A stretch of constant power.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    pub watts: f64,
    pub lasts: Span,
}

impl Stretch {
    pub(super) fn new(watts: f64, lasts: Span) -> Stretch {
        Stretch { watts, lasts }
    }
}

/// What a machine is really doing, whatever its meter or anyone else says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Truth {
    /// Without power.
    Off,
    /// Coming up after power was given.
    Starting,
    Idle,
    /// A job runs: cutting the power now spoils it.
    Working,
    /// The job is done, but fans or extraction still have to run: cutting now is bad for the machine.
    RunningOn,
}

/// What tells one kind of machine from another.
pub trait Character: fmt::Debug + Send {
    /// How long the machine takes from power to idle.
    fn starts_up_for(&self) -> Span;

    /// How long it has to run on after a job of this length.
    fn runs_on_for(&self, job: Span) -> Span;

    /// The next stretch of `truth`, which has lasted for `so_far`. Never asked when off.
    fn stretch(&mut self, truth: Truth, so_far: Span, chance: &mut Chance) -> Stretch;

    /// Lets time pass at constant power; for machines that get hot.
    fn pass(&mut self, _watts: f64, _span: Span) {}

    /// In degrees Celsius, for machines that have a probe.
    fn temperature(&self) -> Option<f64> {
        None
    }
}

/// No stretch is shorter, so that a character's mistake can never hold time still.
const STRETCH_MIN: Span = Span(50);

#[derive(Debug)]
pub struct MachineModel {
    character: Box<dyn Character>,
    chance: Chance,
    now: Moment,
    truth: Truth,
    truth_since: Moment,
    truth_until: Option<Moment>,
    watts: f64,
    stretch_until: Option<Moment>,
    joules: f64,
    jobs: Jobs,
}

/// How a machine's jobs ended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Jobs {
    pub done: u32,
    /// The power went away in the middle.
    pub cut: u32,
}

impl MachineModel {
    /// A machine without power.
    pub fn new(character: Box<dyn Character>, chance: Chance, now: Moment) -> MachineModel {
        MachineModel {
            character,
            chance,
            now,
            truth: Truth::Off,
            truth_since: now,
            truth_until: None,
            watts: 0.0,
            stretch_until: None,
            joules: 0.0,
            jobs: Jobs::default(),
        }
    }

    pub fn truth(&self) -> Truth {
        self.truth
    }

    pub fn watts(&self) -> f64 {
        self.watts
    }

    /// All the energy it has ever taken.
    pub fn joules(&self) -> f64 {
        self.joules
    }

    pub fn jobs(&self) -> Jobs {
        self.jobs
    }

    pub fn temperature(&self) -> Option<f64> {
        self.character.temperature()
    }

    /// When its draw changes next by itself; never, while it is off.
    pub(crate) fn next_change(&self) -> Option<Moment> {
        earlier(self.truth_until, self.stretch_until)
    }

    /// Lets time pass up to `to`. A moment already past changes nothing.
    pub fn advance(&mut self, to: Moment) {
        while let Some(change) = self.next_change().filter(|change| *change <= to) {
            self.pass_until(change);
            if self.truth_until.is_some_and(|until| until <= change) {
                self.outlive_truth();
            } else {
                self.begin_stretch();
            }
        }
        self.pass_until(to);
    }

    /// Gives or takes the power.
    pub fn power(&mut self, on: bool, now: Moment) {
        self.advance(now);
        match (on, self.truth) {
            (true, Truth::Off) => self.become_for(Truth::Starting, Some(self.character.starts_up_for())),
            (false, Truth::Off) | (true, _) => {}
            (false, truth) => {
                if truth == Truth::Working {
                    self.jobs.cut += 1;
                }
                self.become_for(Truth::Off, None);
            }
        }
    }

    /// Starts a job, if the machine stands ready for one, and says whether it did.
    pub fn start_job(&mut self, lasts: Span, now: Moment) -> bool {
        self.advance(now);
        let ready = matches!(self.truth, Truth::Idle | Truth::RunningOn);
        if ready {
            self.become_for(Truth::Working, Some(lasts));
        }
        ready
    }

    fn outlive_truth(&mut self) {
        match self.truth {
            Truth::Off | Truth::Idle => unreachable!("nothing ends these two but power and jobs"),
            Truth::Starting | Truth::RunningOn => self.become_for(Truth::Idle, None),
            Truth::Working => {
                self.jobs.done += 1;
                let run_on = self.character.runs_on_for(self.now.since(self.truth_since));
                if run_on == Span::ZERO {
                    self.become_for(Truth::Idle, None);
                } else {
                    self.become_for(Truth::RunningOn, Some(run_on));
                }
            }
        }
    }

    fn become_for(&mut self, truth: Truth, lasts: Option<Span>) {
        self.truth = truth;
        self.truth_since = self.now;
        self.truth_until = lasts.map(|lasts| self.now + lasts);
        self.begin_stretch();
    }

    fn begin_stretch(&mut self) {
        if self.truth == Truth::Off {
            self.watts = 0.0;
            self.stretch_until = None;
            return;
        }
        let so_far = self.now.since(self.truth_since);
        let stretch = self.character.stretch(self.truth, so_far, &mut self.chance);
        self.watts = stretch.watts.max(0.0);
        self.stretch_until = Some(self.now + stretch.lasts.max(STRETCH_MIN));
    }

    fn pass_until(&mut self, to: Moment) {
        let span = to.since(self.now);
        if span == Span::ZERO {
            return;
        }
        self.joules += self.watts * secs(span);
        self.character.pass(self.watts, span);
        self.now = to;
    }
}

pub(super) fn earlier(one: Option<Moment>, other: Option<Moment>) -> Option<Moment> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.min(other)),
        (one, other) => one.or(other),
    }
}

#[expect(clippy::cast_precision_loss, reason = "a span of 2^53 ms is 285,000 years")]
pub(super) fn secs(span: Span) -> f64 {
    span.millis() as f64 / 1000.0
}
