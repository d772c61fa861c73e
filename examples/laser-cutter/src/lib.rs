//! laser-cutter: busy while the tube fires, until the fumes are drawn off, and while the cooling water is warm.
//!
//! `cut` counts what has happened since the last shot; this file holds the settings and the words. README.md says how
//! it was made and how to wire it up.

#![forbid(unsafe_code)]

mod cut;

use cut::{Cut, Limits, Stage};
use idlegate_detector::settings::{above_zero, at_least};
use idlegate_detector::{
    Assessment, Description, Detector, Latest, Millis, Reading, SettingsError, Signal, Span, quantity,
};

/// The settings of laser-cutter.
#[derive(Debug, Clone, serde::Deserialize, schemars::JsonSchema)]
pub struct Settings {
    /// The tube is firing above this current, in milliamperes: well above the noise, well below the weakest cut.
    firing_above: f64,
    /// A cut is over when the tube has not fired for this long: longer than the head travels between two parts.
    #[serde(default = "thirty_seconds")]
    cut_over_after: Span,
    /// The extraction draws when the air in its duct moves this fast, in metres per second.
    airflow_min: f64,
    /// For how long it must draw after a cut, with the lid closed.
    #[serde(default = "three_minutes")]
    extract_for: Span,
    /// Below this temperature the cooling water no longer needs the pump, in degrees Celsius.
    coolant_safe_below: f64,
    /// Busy only while the tube fires with the lid open: for a second use of this detector, which only warns.
    #[serde(default)]
    lid_only: bool,
}

fn thirty_seconds() -> Span {
    Span::from_secs(30)
}

fn three_minutes() -> Span {
    Span::from_mins(3)
}

impl Settings {
    fn limits(&self) -> Result<Limits, SettingsError> {
        let a_second = Span::from_secs(1);
        Ok(Limits {
            firing_above_ma: above_zero("firing_above", self.firing_above, "give a current such as 1")?,
            cut_over_after: at_least("cut_over_after", self.cut_over_after, a_second)?,
            airflow_min: above_zero("airflow_min", self.airflow_min, "give a speed such as 5")?,
            extract_for: at_least("extract_for", self.extract_for, a_second)?,
            coolant_safe_below_cel: above_zero(
                "coolant_safe_below",
                self.coolant_safe_below,
                "give a temperature such as 25",
            )?,
        })
    }
}

const TUBE: u32 = LaserCutter::DESCRIPTION.signal("tube-current");
const AIRFLOW: u32 = LaserCutter::DESCRIPTION.signal("airflow");
const LID: u32 = LaserCutter::DESCRIPTION.signal("lid");
const COOLANT: u32 = LaserCutter::DESCRIPTION.signal("coolant");

/// The detector.
#[derive(Debug)]
pub struct LaserCutter {
    cut: Cut,
    lid_only: bool,
    latest: Latest,
}

impl Detector for LaserCutter {
    type Settings = Settings;

    const DESCRIPTION: Description = Description {
        name: "laser-cutter",
        version: env!("CARGO_PKG_VERSION"),
        purpose: "busy while the tube fires, until the fumes are drawn off, and while the cooling water is warm",
        signals: &[
            Signal::number("tube-current", "mA", "the current through the tube"),
            Signal::number("airflow", "m/s", "the speed of the air in the extraction's duct"),
            Signal::number("lid", "", "1 while the lid is closed, 0 while it is open"),
            Signal::number("coolant", "Cel", "the temperature of the cooling water that leaves the tube"),
        ],
    };

    fn new(settings: Settings) -> Result<Self, SettingsError> {
        let (limits, lid_only) = (settings.limits()?, settings.lid_only);
        Ok(LaserCutter { cut: Cut::new(limits), lid_only, latest: Latest::of(&Self::DESCRIPTION) })
    }

    fn observe(&mut self, reading: &Reading) {
        let Some(number) = reading.as_number() else { return };
        match reading.signal {
            TUBE => self.cut.tube(reading.at, number),
            AIRFLOW => self.cut.airflow(reading.at, number),
            LID => self.cut.lid(reading.at, number >= 0.5),
            COOLANT => self.cut.coolant(number),
            _ => return,
        }
        self.latest.take(reading);
    }

    fn assess(&mut self, now: Millis) -> Assessment {
        if let Some(unknown) = self.latest.unseen() {
            return unknown;
        }
        let limits = *self.cut.limits();
        let cel = |cel| quantity(cel, "Cel");
        let (assessment, because): (Assessment, &[u32]) = match self.cut.stage(now) {
            Stage::Firing { lid_closed: true, .. }
            | Stage::BetweenShots { .. }
            | Stage::Extracting { .. }
            | Stage::NotExtracting { .. }
            | Stage::CoolantWarm { .. }
            | Stage::StartUnseen { .. }
            | Stage::Idle { .. }
                if self.lid_only =>
            {
                (Assessment::idle("the tube is not firing with the lid open"), &[TUBE, LID])
            }
            Stage::NothingYet => return Assessment::unknown("some signals have not been seen yet"),
            Stage::Firing { ma, lid_closed: true } => {
                let (current, limit) = (quantity(ma, "mA"), quantity(limits.firing_above_ma, "mA"));
                (Assessment::busy(format!("tube current {current}, busy above {limit}")), &[TUBE])
            }
            Stage::Firing { lid_closed: false, .. } => {
                (Assessment::busy("the tube is firing with the lid open"), &[TUBE, LID])
            }
            Stage::BetweenShots { quiet_for } => {
                let left = limits.cut_over_after.saturating_sub(quiet_for) + limits.extract_for;
                let reason = format!(
                    "the tube has not fired for {}, the cut is over after {}",
                    quiet_for.whole_secs(),
                    limits.cut_over_after
                );
                (Assessment::busy(reason).clears_in(left), &[TUBE])
            }
            Stage::Extracting { left } => {
                let reason = format!("the fumes are being drawn off for another {}", left.whole_secs());
                (Assessment::busy(reason).clears_in(left), &[AIRFLOW])
            }
            Stage::NotExtracting { left, lid_closed: true } => {
                let reason = "no air is moving in the duct, so the fumes are not being drawn off";
                (Assessment::busy(reason).clears_in(left), &[AIRFLOW])
            }
            Stage::NotExtracting { left, lid_closed: false } => {
                let reason = "the lid is open, so the fumes are not being drawn off";
                (Assessment::busy(reason).clears_in(left), &[AIRFLOW, LID])
            }
            Stage::CoolantWarm { cel: warm } => {
                let safe = cel(limits.coolant_safe_below_cel);
                (Assessment::busy(format!("cooling water {}, safe below {safe}", cel(warm))), &[COOLANT])
            }
            Stage::StartUnseen { left } => {
                let reason = "nobody knows what happened before the first readings";
                (Assessment::unknown(reason).clears_in(left), &[TUBE])
            }
            Stage::Idle { cel: cool } => {
                let reason = format!("no shot, fumes drawn off, cooling water {}", cel(cool));
                (Assessment::idle(reason), &[TUBE, AIRFLOW, COOLANT])
            }
        };
        let readings = because.iter().filter_map(|signal| self.latest.reading(*signal));
        readings.fold(assessment, Assessment::because)
    }
}

idlegate_detector::register!(LaserCutter);

#[cfg(test)]
mod tests;
