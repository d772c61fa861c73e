//! What nearly every detector keeps count of: how long it has been quiet, for how long something ran on, which side of two levels.

use crate::{Millis, Span};

/// Counts the time since a machine became quiet.
///
/// ```
/// use idlegate_detector::{Dwell, Millis, Rest, Span};
///
/// let mut dwell = Dwell::of(Span::from_mins(3));
/// dwell.busy();
/// assert_eq!(dwell.at(Millis(0)), Rest::Busy);
/// dwell.quiet(Millis(10_000));
/// let rest = Rest::Dwelling { quiet_for: Span::from_mins(1), left: Span::from_mins(2), was_busy: true };
/// assert_eq!(dwell.at(Millis(70_000)), rest);
/// assert_eq!(dwell.at(Millis(190_000)), Rest::Over);
/// ```
#[derive(Debug, Clone)]
pub struct Dwell {
    span: Span,
    quiet_since: Option<Millis>,
    was_busy: bool,
}

/// What a [`Dwell`] says of a machine.
///
/// ```
/// use idlegate_detector::{Dwell, Millis, Rest, Span};
///
/// assert_eq!(Dwell::of(Span::from_secs(9)).at(Millis(0)), Rest::Unseen);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rest {
    /// Neither busy nor quiet has been seen.
    Unseen,
    /// It is busy now.
    Busy,
    /// It is quiet, and not for long enough.
    Dwelling {
        /// Since the first quiet reading.
        quiet_for: Span,
        /// Until it is over.
        left: Span,
        /// It was busy before. If not, nobody knows what came before the first reading.
        was_busy: bool,
    },
    /// It has been quiet for long enough.
    Over,
}

impl Dwell {
    /// Over after `span` of quiet.
    ///
    /// ```
    /// use idlegate_detector::{Dwell, Span};
    ///
    /// assert_eq!(Dwell::of(Span::from_mins(3)).span(), Span::from_mins(3));
    /// ```
    pub const fn of(span: Span) -> Dwell {
        Dwell { span, quiet_since: None, was_busy: false }
    }

    /// How long the quiet must last.
    ///
    /// ```
    /// use idlegate_detector::{Dwell, Span};
    ///
    /// assert_eq!(Dwell::of(Span::from_secs(9)).span().to_string(), "9 s");
    /// ```
    pub const fn span(&self) -> Span {
        self.span
    }

    /// A reading shows work. It begins anew.
    ///
    /// ```
    /// use idlegate_detector::{Dwell, Millis, Rest, Span};
    ///
    /// let mut dwell = Dwell::of(Span::from_secs(9));
    /// dwell.quiet(Millis(0));
    /// dwell.busy();
    /// assert_eq!(dwell.at(Millis(60_000)), Rest::Busy);
    /// ```
    pub fn busy(&mut self) {
        self.quiet_since = None;
        self.was_busy = true;
    }

    /// A reading of this time shows no work. The first of a row counts.
    ///
    /// ```
    /// use idlegate_detector::{Dwell, Millis, Rest, Span};
    ///
    /// let mut dwell = Dwell::of(Span::from_secs(9));
    /// dwell.quiet(Millis(0));
    /// dwell.quiet(Millis(8_000));
    /// assert_eq!(dwell.at(Millis(9_000)), Rest::Over);
    /// ```
    pub fn quiet(&mut self, at: Millis) {
        self.quiet_since.get_or_insert(at);
    }

    /// What holds at this time.
    ///
    /// ```
    /// use idlegate_detector::{Dwell, Millis, Rest, Span};
    ///
    /// let mut dwell = Dwell::of(Span::from_secs(9));
    /// dwell.quiet(Millis(0));
    /// assert!(matches!(dwell.at(Millis(0)), Rest::Dwelling { was_busy: false, .. }));
    /// ```
    pub fn at(&self, now: Millis) -> Rest {
        match self.quiet_since {
            None if self.was_busy => Rest::Busy,
            None => Rest::Unseen,
            Some(since) if now.since(since) >= self.span => Rest::Over,
            Some(since) => {
                let quiet_for = now.since(since);
                let left = self.span.saturating_sub(quiet_for);
                Rest::Dwelling { quiet_for, left, was_busy: self.was_busy }
            }
        }
    }
}

/// Counts for how long something has run on after work, such as an extraction. Only time that was seen counts.
///
/// ```
/// use idlegate_detector::{AfterRun, Millis, Span};
///
/// let mut extraction = AfterRun::of(Span::from_mins(3), Span::from_secs(15));
/// extraction.count_to(Millis(0), false);
/// extraction.count_to(Millis(10_000), true);
/// // A minute without a reading: nobody saw the air move.
/// extraction.count_to(Millis(70_000), true);
/// assert_eq!(extraction.left(), Span::from_secs(170));
/// extraction.begin_anew();
/// assert_eq!(extraction.left(), Span::from_mins(3));
/// ```
#[derive(Debug, Clone)]
pub struct AfterRun {
    needed: Span,
    silence_max: Span,
    done: Span,
    counted_to: Option<Millis>,
}

impl AfterRun {
    /// It must run for `needed`; a longer pause between readings than `silence_max` does not count.
    ///
    /// ```
    /// use idlegate_detector::{AfterRun, Span};
    ///
    /// assert_eq!(AfterRun::of(Span::from_mins(3), Span::from_secs(15)).left(), Span::from_mins(3));
    /// ```
    pub const fn of(needed: Span, silence_max: Span) -> AfterRun {
        AfterRun { needed, silence_max, done: Span::ZERO, counted_to: None }
    }

    /// There was work again: all of it is still to run.
    ///
    /// ```
    /// use idlegate_detector::{AfterRun, Millis, Span};
    ///
    /// let mut fan = AfterRun::of(Span::from_secs(5), Span::from_secs(15));
    /// fan.count_to(Millis(0), true);
    /// fan.count_to(Millis(5_000), true);
    /// fan.begin_anew();
    /// assert_eq!(fan.left(), Span::from_secs(5));
    /// ```
    pub fn begin_anew(&mut self) {
        self.done = Span::ZERO;
    }

    /// Counts the time since it was last asked, if it was running all the while: by what was known before this reading.
    ///
    /// ```
    /// use idlegate_detector::{AfterRun, Millis, Span};
    ///
    /// let mut fan = AfterRun::of(Span::from_secs(5), Span::from_secs(15));
    /// fan.count_to(Millis(0), true);
    /// fan.count_to(Millis(2_000), true);
    /// assert_eq!(fan.left(), Span::from_secs(3));
    /// ```
    pub fn count_to(&mut self, at: Millis, was_running: bool) {
        if let Some(from) = self.counted_to.filter(|from| *from < at) {
            let passed = at.since(from);
            if was_running && passed <= self.silence_max {
                self.done = self.done + passed;
            }
        }
        self.counted_to = Some(self.counted_to.map_or(at, |before| before.max(at)));
    }

    /// How long it must still run.
    ///
    /// ```
    /// use idlegate_detector::{AfterRun, Span};
    ///
    /// assert_eq!(AfterRun::of(Span::ZERO, Span::ZERO).left(), Span::ZERO);
    /// ```
    pub const fn left(&self) -> Span {
        self.needed.saturating_sub(self.done)
    }
}

/// On above one level, off below another, and what it was between them; so noise about one level changes nothing.
///
/// ```
/// use idlegate_detector::Hysteresis;
///
/// let mut working = Hysteresis::new(40.0, 35.0);
/// assert_eq!(working.take(37.0), None);
/// assert_eq!([41.0, 37.0, 34.0, 37.0].map(|watts| working.take(watts)), [Some(true), Some(true), Some(false), Some(false)]);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hysteresis {
    on_above: f64,
    off_below: f64,
    is_on: Option<bool>,
}

impl Hysteresis {
    /// Two levels, the second at most the first.
    ///
    /// ```
    /// use idlegate_detector::Hysteresis;
    ///
    /// assert_eq!(Hysteresis::new(40.0, 35.0).take(90.0), Some(true));
    /// ```
    pub const fn new(on_above: f64, off_below: f64) -> Hysteresis {
        Hysteresis { on_above, off_below, is_on: None }
    }

    /// Whether it is on now; nothing until a value was above the one level or below the other.
    ///
    /// ```
    /// use idlegate_detector::Hysteresis;
    ///
    /// let mut warm = Hysteresis::new(40.0, 35.0);
    /// assert_eq!((warm.take(36.0), warm.take(f64::NAN)), (None, None));
    /// ```
    pub fn take(&mut self, value: f64) -> Option<bool> {
        if value > self.on_above {
            self.is_on = Some(true);
        } else if value < self.off_below {
            self.is_on = Some(false);
        }
        self.is_on
    }
}
