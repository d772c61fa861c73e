//! The workshop of the demo: which machine stands where, and how its outlet and meter speak.
//!
//! The other half stands in `examples/workshop/`: the rules that guard these very machines. Topics and payloads
//! are our own invention, and deliberately uneven: no two meters in a real workshop say it the same way.

use super::machines::{DustExtractor, FilamentPrinter, Kiln, LaserCutter, Mill};
use super::meter::MeterAccuracy;
use super::outlet::OutletTiming;
use super::payload::{MeterPayload, StatePayload};
use super::station::{Fitting, Workshop};
use idlegate_guard::Switch;
use idlegate_guard::time::{Moment, Span};

/// Model seconds to one second of the clock: a second of the demo is a minute of the workshop.
pub const PACE: u32 = 60;

/// How a station's outlet and meter speak.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dialect {
    pub state: StatePayload,
    pub meter: MeterPayload,
}

/// The workshop as the day begins: everything has power, and the kiln stands at its firing temperature.
pub fn workshop(seed: u64) -> Workshop {
    let fitting = |machine, outlet, character, interval_secs, step_watts, noise_watts| Fitting {
        machine,
        outlet,
        character,
        relay: Switch::On,
        timing: OutletTiming::default(),
        accuracy: MeterAccuracy { interval: Span::secs(interval_secs), step_watts, noise_watts },
    };
    let fittings = vec![
        fitting("filament-printer", "bench-1", Box::<FilamentPrinter>::default(), 10, 0.1, 0.5),
        fitting("laser-cutter", "laser", Box::<LaserCutter>::default(), 10, 0.1, 1.0),
        fitting("mill", "mill", Box::<Mill>::default(), 10, 1.0, 2.0),
        fitting("kiln", "kiln", Box::new(Kiln::at(890.0)), 20, 1.0, 0.5),
        fitting("dust-extractor", "extractor", Box::new(DustExtractor), 12, 0.1, 0.2),
    ];
    Workshop::new(fittings, seed, Moment(0))
}

/// The dialects, in the order of the stations.
pub const DIALECTS: [Dialect; 5] = [
    Dialect { state: StatePayload::Json, meter: MeterPayload::Json },
    Dialect { state: StatePayload::ON_OFF, meter: MeterPayload::Bare },
    Dialect { state: StatePayload::ON_OFF, meter: MeterPayload::Senml },
    Dialect { state: StatePayload::Json, meter: MeterPayload::JsonKilowatts },
    Dialect { state: StatePayload::ONE_ZERO, meter: MeterPayload::Bare },
];
