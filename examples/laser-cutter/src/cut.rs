//! What has happened since the last shot, in the order in which it must happen before power may be cut.

use idlegate_detector::{Millis, Span};

#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    pub(crate) firing_above_ma: f64,
    pub(crate) cut_over_after: Span,
    pub(crate) airflow_min: f64,
    pub(crate) extract_for: Span,
    pub(crate) coolant_safe_below_cel: f64,
}

/// The first thing that speaks against switching off, or that nothing does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Stage {
    NothingYet,
    /// Nothing has fired, but not for long enough to say that no cut was under way at the first reading.
    StartUnseen {
        left: Span,
    },
    Firing {
        ma: f64,
        lid_closed: bool,
    },
    BetweenShots {
        quiet_for: Span,
    },
    Extracting {
        left: Span,
    },
    NotExtracting {
        left: Span,
        lid_closed: bool,
    },
    CoolantWarm {
        cel: f64,
    },
    Idle {
        cel: f64,
    },
}

#[derive(Clone, Debug)]
pub(crate) struct Cut {
    limits: Limits,
    current_ma: Option<f64>,
    /// The last shot, or the first reading until a shot has been seen.
    last_shot: Option<Millis>,
    has_fired: bool,
    airflow: Option<f64>,
    lid_closed: Option<bool>,
    coolant_cel: Option<f64>,
    /// For how long the fumes of the last cut have been drawn off, up to `counted_to`.
    extracted: Span,
    counted_to: Option<Millis>,
}

impl Cut {
    pub(crate) fn new(limits: Limits) -> Cut {
        Cut {
            limits,
            current_ma: None,
            last_shot: None,
            has_fired: false,
            airflow: None,
            lid_closed: None,
            coolant_cel: None,
            extracted: Span::from_millis(0),
            counted_to: None,
        }
    }

    pub(crate) fn limits(&self) -> &Limits {
        &self.limits
    }

    pub(crate) fn tube(&mut self, at: Millis, ma: f64) {
        self.count_to(at);
        self.current_ma = Some(ma);
        if self.fires() {
            self.has_fired = true;
            self.last_shot = Some(at);
            self.extracted = Span::from_millis(0);
        } else {
            self.last_shot.get_or_insert(at);
        }
    }

    pub(crate) fn airflow(&mut self, at: Millis, metres_per_sec: f64) {
        self.count_to(at);
        self.airflow = Some(metres_per_sec);
    }

    pub(crate) fn lid(&mut self, at: Millis, closed: bool) {
        self.count_to(at);
        self.lid_closed = Some(closed);
    }

    pub(crate) fn coolant(&mut self, cel: f64) {
        self.coolant_cel = Some(cel);
    }

    pub(crate) fn stage(&mut self, now: Millis) -> Stage {
        self.count_to(now);
        let (Some(ma), Some(last_shot), Some(lid_closed), Some(cel), Some(_)) =
            (self.current_ma, self.last_shot, self.lid_closed, self.coolant_cel, self.airflow)
        else {
            return Stage::NothingYet;
        };
        if self.fires() {
            return Stage::Firing { ma, lid_closed };
        }
        let quiet_for = now.since(last_shot);
        if quiet_for < self.limits.cut_over_after {
            return match self.has_fired {
                true => Stage::BetweenShots { quiet_for },
                false => Stage::StartUnseen { left: self.limits.cut_over_after.saturating_sub(quiet_for) },
            };
        }
        let left = self.limits.extract_for.saturating_sub(self.extracted);
        if self.has_fired && left > Span::from_millis(0) {
            return match self.draws() {
                true => Stage::Extracting { left },
                false => Stage::NotExtracting { left, lid_closed },
            };
        }
        if cel >= self.limits.coolant_safe_below_cel {
            return Stage::CoolantWarm { cel };
        }
        Stage::Idle { cel }
    }

    fn fires(&self) -> bool {
        self.current_ma.is_some_and(|ma| ma > self.limits.firing_above_ma)
    }

    /// With the lid open the air comes from the room, and the fumes stay where they are.
    fn draws(&self) -> bool {
        let moves = self.airflow.is_some_and(|speed| speed >= self.limits.airflow_min);
        moves && self.lid_closed == Some(true)
    }

    /// Counts the time since the last reading by what that reading said. Silence does not count: nobody saw the air move.
    fn count_to(&mut self, at: Millis) {
        const SILENCE_MAX: Span = Span::from_secs(15);
        if let Some(from) = self.counted_to.filter(|from| *from < at) {
            let passed = at.since(from);
            if self.draws() && !self.fires() && passed <= SILENCE_MAX {
                self.extracted = self.extracted + passed;
            }
        }
        self.counted_to = Some(self.counted_to.map_or(at, |before| before.max(at)));
    }
}
