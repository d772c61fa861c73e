//! How silences of one length went on, so that people hear what "idle" rests on. Only what was seen to its end counts,
//! and only under one dwell and the same settings.

use std::sync::Arc;

use super::BACK_WITHIN;
use idlegate_guard::time::Span;

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counted {
    /// Tells the settings under which they were counted from others.
    pub settings: String,
    /// So long it was quiet each time, and counted as idle then.
    pub dwell: Span,
    /// After so many of them it stayed idle for a further quarter of an hour.
    pub finished: u32,
    /// After so many it went back to work before that.
    pub went_on: u32,
}

impl Counted {
    /// It stayed idle after it had been quiet for its dwell; one that nobody says is no length.
    pub(super) fn finished(&mut self, settings: String, dwell: Span) {
        self.begin(settings, dwell);
        // In all it was quiet for a quarter of an hour more.
        if self.dwell > Span::ZERO && dwell + BACK_WITHIN >= self.dwell {
            self.finished = self.finished.saturating_add(1);
        }
    }

    /// It went back to work after so much quiet, whether it counted as idle by then or not.
    pub(super) fn went_on(&mut self, quiet_for: Span) {
        if self.dwell > Span::ZERO && quiet_for >= self.dwell {
            self.went_on = self.went_on.saturating_add(1);
        }
    }

    /// Other settings begin anew. The dwell is that of the first silence, whatever a detector foresees later.
    pub(super) fn begin(&mut self, settings: String, dwell: Span) {
        if self.settings != settings || self.dwell == Span::ZERO {
            *self = Counted { settings, dwell, ..Counted::default() };
        }
    }

    /// With what was counted before, if that was the same.
    pub(super) fn add(&mut self, before: &Counted) {
        if self.finished == 0 && self.went_on == 0 {
            self.clone_from(before);
        } else if self.settings == before.settings && self.dwell == before.dwell {
            self.finished = self.finished.saturating_add(before.finished);
            self.went_on = self.went_on.saturating_add(before.went_on);
        }
    }

    pub(super) fn reason(&self) -> Option<Arc<str>> {
        let (all, dwell) = (self.finished.saturating_add(self.went_on), self.dwell);
        let times = match all {
            1 => "once".to_owned(),
            2 => "twice".to_owned(),
            _ => format!("{all} times"),
        };
        let then = match (all, self.went_on) {
            (0, _) => return None,
            (1, 0) => "and had finished".to_owned(),
            (_, 0) => "and each time it had finished".to_owned(),
            (1, _) => "and went back to work".to_owned(),
            (_, 1) => "and once it went back to work".to_owned(),
            (_, 2) => "and twice it went back to work".to_owned(),
            (_, went_on) => format!("and {went_on} times it went back to work"),
        };
        Some(format!("before this it was quiet for {dwell} {times}, {then}").into())
    }
}
