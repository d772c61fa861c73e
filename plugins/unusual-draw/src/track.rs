//! What can be seen of a draw as it goes: how high it holds, for how long it has been on, when work began and ended,
//! and what came of a switch-on. The detector and whoever works out its settings look with the same eyes.
//!
//! - A break in the record (a gap, a step back in time) ends whatever was going on, and what began before it is not
//!   known to have begun then.
//! - While the outlet is off nothing is looked at, and what is on then says nothing of what was on before.
//! - The time after the latest reading has not been seen yet, and does not count.

use idlegate_detector::{Millis, Span};

/// What is looked for. What is left out is not followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Levels {
    /// At work above this.
    pub work_watts: Option<f64>,
    /// On above this, as a heater is.
    pub on_watts: Option<f64>,
    /// Draws nothing below this.
    pub nothing_watts: Option<f64>,
    /// A longer quiet time ends the work.
    pub pause_max: Span,
    /// A longer gap between readings breaks the record.
    pub gap_max: Span,
}

/// What one reading showed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Seen {
    /// The last three readings were all at least so high, and at most so high.
    pub held: Option<f64>,
    pub low: Option<f64>,
    /// It has been on so long without a pause.
    pub on_for: Option<Span>,
    /// Work has ended with this reading: its length, if its beginning was seen.
    pub worked_for: Option<Span>,
    /// It worked a moment ago, and has drawn nothing for so long since then.
    pub dead_for: Option<Span>,
    /// It was switched on so long ago, and has drawn nothing since then.
    pub silent_for: Option<Span>,
    /// It was switched on so long ago, and draws for the first time.
    pub woke_after: Option<Span>,
    /// It is at work.
    pub works: bool,
}

#[derive(Debug)]
pub struct Track {
    levels: Levels,
    /// Older, old; in an unbroken record.
    before: [Option<f64>; 2],
    latest: Option<Millis>,
    on_since: Option<Millis>,
    work: Option<Work>,
    /// Quiet has been seen before, so work that begins now begins now.
    was_quiet: bool,
    nothing: Option<Nothing>,
    outlet: Outlet,
}

#[derive(Debug, Clone, Copy)]
struct Work {
    since: Option<Millis>,
    last: Millis,
}

/// No draw.
#[derive(Debug, Clone, Copy)]
struct Nothing {
    since: Millis,
    /// It worked before that.
    after_work: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Outlet {
    Unknown,
    Off,
    /// Switched on, and nothing has been drawn since.
    SwitchedOn(Millis),
    On,
}

impl Track {
    /// Has seen nothing yet.
    pub fn new(levels: Levels) -> Track {
        Track {
            levels,
            before: [None; 2],
            latest: None,
            on_since: None,
            work: None,
            was_quiet: false,
            nothing: None,
            outlet: Outlet::Unknown,
        }
    }

    /// When the latest reading was taken.
    pub fn latest(&self) -> Option<Millis> {
        self.latest
    }

    pub fn is_off(&self) -> bool {
        self.outlet == Outlet::Off
    }

    /// The outlet is off, or is not.
    pub fn outlet(&mut self, at: Millis, is_off: bool) {
        match (is_off, self.outlet) {
            (true, _) => {
                self.forget();
                self.outlet = Outlet::Off;
            }
            (false, Outlet::Off) => {
                self.forget();
                self.outlet = Outlet::SwitchedOn(at);
            }
            (false, Outlet::Unknown) => self.outlet = Outlet::On,
            (false, Outlet::SwitchedOn(_) | Outlet::On) => {}
        }
    }

    fn forget(&mut self) {
        self.before = [None; 2];
        self.on_since = None;
        self.work = None;
        self.was_quiet = false;
        self.nothing = None;
    }

    pub fn power(&mut self, at: Millis, watts: f64) -> Seen {
        let before = self.latest.replace(at);
        if let Some(before) = before.filter(|before| at < *before || at.since(*before) > self.levels.gap_max)
        {
            self.forget();
            // Nobody saw what happened meanwhile, other than that it was switched on: some meters are silent while off.
            let is_news = matches!(self.outlet, Outlet::SwitchedOn(on_at) if before < on_at && on_at <= at);
            if !is_news {
                self.outlet = Outlet::Unknown;
            }
        }
        if self.is_off() {
            return Seen::default();
        }
        let mut seen = Seen { on_for: self.on(at, watts), ..self.row(watts) };
        self.draws(at, watts, &mut seen);
        self.work(at, watts, &mut seen);
        seen
    }

    fn row(&mut self, watts: f64) -> Seen {
        let [older, old] = self.before;
        self.before = [old, Some(watts)];
        let three = older.zip(old);
        let held = three.map(|(older, old)| older.min(old).min(watts));
        let low = three.map(|(older, old)| older.max(old).max(watts));
        Seen { held, low, ..Seen::default() }
    }

    fn on(&mut self, at: Millis, watts: f64) -> Option<Span> {
        let is_on = self.levels.on_watts.is_some_and(|level| watts > level);
        self.on_since = is_on.then(|| self.on_since.unwrap_or(at));
        self.on_since.map(|since| at.since(since))
    }

    fn draws(&mut self, at: Millis, watts: f64, seen: &mut Seen) {
        let Some(level) = self.levels.nothing_watts else { return };
        if watts >= level {
            if let Outlet::SwitchedOn(on_at) = self.outlet {
                seen.woke_after = Some(at.since(on_at));
                self.outlet = Outlet::On;
            }
            self.nothing = None;
            return;
        }
        if let Outlet::SwitchedOn(on_at) = self.outlet {
            seen.silent_for = Some(at.since(on_at));
        }
        let nothing = self.nothing.get_or_insert(Nothing { since: at, after_work: self.work.is_some() });
        seen.dead_for = nothing.after_work.then(|| at.since(nothing.since));
    }

    fn work(&mut self, at: Millis, watts: f64, seen: &mut Seen) {
        let Some(level) = self.levels.work_watts else { return };
        if watts > level {
            let since = self.was_quiet.then_some(at);
            let work = self.work.get_or_insert(Work { since, last: at });
            work.last = at;
            seen.works = true;
            return;
        }
        match self.work {
            Some(work) if at.since(work.last) > self.levels.pause_max => {
                // One reading alone is a blip of the meter as likely as work.
                let since = work.since.filter(|since| work.last > *since);
                seen.worked_for = since.map(|since| work.last.since(since));
                self.work = None;
                self.was_quiet = true;
            }
            Some(_) => {}
            None => self.was_quiet = true,
        }
    }
}
