//! Faults that only show at some moments: many machines in one guard, and each presses at moments of its own.

mod floods;
mod hall;
mod hands;
mod ids;
mod latches;
mod late_broker;
mod line;
mod meters;
mod new_rules;
mod on_change;
mod people;
mod phone;
mod stored;

use std::time::Duration;

use anyhow::{Result, ensure};
use idlegate_demo::workshop::Chance;
use idlegate_tests::floor::{Machine, Meter, PATIENCE, Station, stretch};
use tokio::time::Instant;

pub(crate) use self::floods::{guests, panel_gone_mad, red_button_gone_mad};
pub(crate) use self::hall::red_button_of_a_hall;
pub(crate) use self::hands::{crate_leans, held_again_and_again, outlets_lie};
pub(crate) use self::ids::counts_anew;
pub(crate) use self::latches::pushed;
pub(crate) use self::late_broker::late_offs;
pub(crate) use self::line::{lags, outage, stands_still};
pub(crate) use self::meters::{packs, unreadable};
pub(crate) use self::new_rules::corrected;
pub(crate) use self::on_change::speak_of_changes;
pub(crate) use self::people::{others_say_on, panel_repeats};
pub(crate) use self::phone::late_announcements;
pub(crate) use self::stored::{bridge, flagged};

/// Shorter than any of a real machine, so that many fit into some seconds.
const DWELL: Duration = Duration::from_secs(3);
/// Later than any trial ends.
const NEVER: Duration = Duration::from_secs(86_400);
/// From one gesture of a person who means it to the next: later than two gestures of one push, sooner than the end of
/// the window.
const GESTURE_MILLIS: (u64, u64) = (1_200, 6_000);

/// What a trial is given.
pub(crate) struct Moments {
    pub(crate) chance: Chance,
    /// So often the fault is done to every machine.
    pub(crate) rounds: u32,
    pub(crate) machines: usize,
}

impl Moments {
    /// Machines with meters of all kinds.
    fn machines_of_all_kinds(&mut self) -> Vec<Machine> {
        (0..self.machines).map(|_| Machine::with(Meter::any(&mut self.chance), DWELL)).collect()
    }

    /// Machines whose meters tell of a job when it begins, and not in the next pack.
    fn machines_that_tell_at_once(&mut self) -> Vec<Machine> {
        let mut machines = self.machines_of_all_kinds();
        for machine in machines.iter_mut().filter(|machine| machine.meter == Meter::Packs) {
            machine.meter = Meter::Plain;
        }
        machines
    }
}

/// Presses until the whole dwell may be over, at moments that nobody chose; each must be held.
async fn presses_during_the_dwell(station: &mut Station) -> Result<()> {
    for _ in 0..2 {
        station.passes_for(0, 1_300).await?;
        station.press().await?;
    }
    Ok(())
}

/// Somebody means it, and uses press and hold in turn until it is off. By the first press alone it may not go off.
async fn two_gestures_force(station: &mut Station) -> Result<()> {
    let begin = Instant::now();
    for gesture in ["press", "long-press"].into_iter().cycle() {
        if station.went_off_after(begin) {
            break;
        }
        ensure!(Instant::now() < begin + PATIENCE, "machine {} cannot be forced", station.number());
        if gesture == "press" {
            station.press().await?;
        } else {
            station.is_meant_to_go_off(Instant::now());
            station.hold_down().await?;
        }
        let next = Instant::now() + stretch(&mut station.chance, GESTURE_MILLIS.0, GESTURE_MILLIS.1);
        while Instant::now() < next && !station.went_off_after(begin) {
            station.passes(Duration::from_millis(100)).await?;
        }
    }
    station.is_not_meant_to_go_off();
    Ok(())
}
