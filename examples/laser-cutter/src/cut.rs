//! What has happened since the last shot, in the order in which it must happen before power may be cut.

use idlegate_detector::{AfterRun, Dwell, Millis, Rest, Span};

/// Silence does not count: nobody saw the air move.
const SILENCE_MAX: Span = Span::from_secs(15);

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
    shots: Dwell,
    has_fired: bool,
    airflow: Option<f64>,
    lid_closed: Option<bool>,
    coolant_cel: Option<f64>,
    /// The fumes of the last cut.
    extraction: AfterRun,
}

impl Cut {
    pub(crate) fn new(limits: Limits) -> Cut {
        Cut {
            shots: Dwell::of(limits.cut_over_after),
            extraction: AfterRun::of(limits.extract_for, SILENCE_MAX),
            limits,
            current_ma: None,
            has_fired: false,
            airflow: None,
            lid_closed: None,
            coolant_cel: None,
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
            self.shots.busy();
            self.extraction.begin_anew();
        } else {
            self.shots.quiet(at);
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
        let (Some(ma), Some(lid_closed), Some(cel), Some(_)) =
            (self.current_ma, self.lid_closed, self.coolant_cel, self.airflow)
        else {
            return Stage::NothingYet;
        };
        match self.shots.at(now) {
            Rest::Unseen => return Stage::NothingYet,
            Rest::Busy => return Stage::Firing { ma, lid_closed },
            Rest::Dwelling { quiet_for, was_busy: true, .. } => return Stage::BetweenShots { quiet_for },
            Rest::Dwelling { left, was_busy: false, .. } => return Stage::StartUnseen { left },
            Rest::Over => {}
        }
        let left = self.extraction.left();
        if self.has_fired && left > Span::ZERO {
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

    /// By what the reading before said.
    fn count_to(&mut self, at: Millis) {
        self.extraction.count_to(at, self.draws() && !self.fires());
    }
}
