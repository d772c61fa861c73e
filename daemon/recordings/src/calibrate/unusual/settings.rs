//! The settings of unusual-draw as the rules write them, and as the detector takes them.

use idlegate_detector::Span;
use toml_edit::{InlineTable, Value};
use unusual_draw::track::Levels;
use unusual_draw::watch::Limits;

use crate::calibrate::dwell::HORIZON;
use crate::calibrate::proposal::GAP_MAX_DEFAULT;

/// What was not learned is nothing, and not watched.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settings {
    pub highest_watts: Option<f64>,
    pub higher_than_watts: Option<f64>,
    pub on_watts: Option<f64>,
    pub on_longest: Option<Span>,
    pub on_longer_than: Option<Span>,
    pub work_watts: Option<f64>,
    pub work_shortest: Option<Span>,
    pub work_shorter_than: Option<Span>,
    pub nothing_watts: Option<f64>,
    pub dead_after: Option<Span>,
    pub draws_within: Option<Span>,
    /// Only where the meter reports too seldom for the default.
    pub gap_max: Option<Span>,
}

impl Settings {
    pub fn is_empty(&self) -> bool {
        let Settings {
            higher_than_watts, on_longer_than, work_shorter_than, dead_after, draws_within, ..
        } = self;
        let spans = [on_longer_than, work_shorter_than, dead_after, draws_within];
        higher_than_watts.is_none() && spans.iter().all(|span| span.is_none())
    }

    pub(super) fn levels(&self) -> Levels {
        Levels {
            work_watts: self.work_watts,
            on_watts: self.on_watts,
            nothing_watts: self.nothing_watts,
            pause_max: Span::from_millis(HORIZON.millis()),
            gap_max: self.gap_max.unwrap_or(Span::from_millis(GAP_MAX_DEFAULT.millis())),
        }
    }

    /// As the detector itself takes them.
    pub fn limits(&self) -> Limits {
        Limits {
            levels: self.levels(),
            higher_than_watts: self.higher_than_watts,
            on_longer_than: self.on_longer_than,
            work_shorter_than: self.work_shorter_than,
            dead_after: self.dead_after,
            draws_within: self.draws_within,
        }
    }

    /// As the rules write them.
    pub fn to_toml(&self) -> InlineTable {
        let watts = |value: Option<f64>| value.map(Value::from);
        let span = |value: Option<Span>| value.map(|span| Value::from(span.to_string()));
        let mut table = InlineTable::new();
        for (key, value) in [
            ("higher_than_watts", watts(self.higher_than_watts)),
            ("highest_watts", watts(self.highest_watts)),
            ("on_watts", watts(self.on_watts)),
            ("on_longer_than", span(self.on_longer_than)),
            ("on_longest", span(self.on_longest)),
            ("work_watts", watts(self.work_watts)),
            ("work_shorter_than", span(self.work_shorter_than)),
            ("work_shortest", span(self.work_shortest)),
            ("nothing_watts", watts(self.nothing_watts)),
            ("dead_after", span(self.dead_after)),
            ("draws_within", span(self.draws_within)),
            ("gap_max", span(self.gap_max)),
        ] {
            if let Some(value) = value {
                table.insert(key, value);
            }
        }
        table.fmt();
        table
    }
}
