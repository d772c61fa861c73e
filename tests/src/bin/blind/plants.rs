//! What is put in, where and for how long. Half of it is below its limit, and must never be heard of.

use idlegate_demo::workshop::Chance;
use idlegate_guard::time::Span;

use crate::shop::MACHINES;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum What {
    MeterSilent,
    MeterStuck,
    OutletUnreachable,
    MeterGarbage,
    OutletGarbage,
    DetectorOut,
    InputSilent,
    BatteryLow,
    JournalOut,
    ClockUnset,
}

const ALL: [What; 10] = [
    What::MeterSilent,
    What::MeterStuck,
    What::OutletUnreachable,
    What::MeterGarbage,
    What::OutletGarbage,
    What::DetectorOut,
    What::InputSilent,
    What::BatteryLow,
    What::JournalOut,
    What::ClockUnset,
];

pub(crate) const INPUTS: [(&str, u64); 2] = [("red-button", 2 * 3_600), ("bench-button", 3_600)];

/// In seconds since the month began.
#[derive(Clone, Debug)]
pub(crate) struct Plant {
    pub(crate) what: What,
    /// Machine or input; empty for the shop.
    pub(crate) of: &'static str,
    pub(crate) from: u64,
    pub(crate) to: u64,
    pub(crate) limit: u64,
    /// The machine is at work all the while.
    pub(crate) in_job: bool,
    /// The guard is started anew in between: from when to when it is not there.
    pub(crate) away: Option<(u64, u64)>,
}

impl What {
    /// As it is called in messages.
    pub(crate) fn word(self) -> &'static str {
        match self {
            What::MeterSilent => "meter-silent",
            What::MeterStuck => "meter-stuck",
            What::OutletUnreachable => "outlet-unreachable",
            What::MeterGarbage | What::OutletGarbage => "payload-not-understood",
            What::DetectorOut => "detector-out",
            What::InputSilent => "input-silent",
            What::BatteryLow => "battery-low",
            What::JournalOut => "journal-not-recording",
            What::ClockUnset => "clock-not-set",
        }
    }

    fn limit(self, of: &str) -> u64 {
        match self {
            What::MeterSilent => 600,
            What::MeterStuck if of == "lathe" => 600,
            What::MeterStuck => 3_600,
            What::OutletUnreachable | What::ClockUnset => 300,
            What::MeterGarbage | What::OutletGarbage => 60,
            What::InputSilent => INPUTS.iter().find(|(name, _)| *name == of).map_or(0, |(_, max)| *max),
            What::JournalOut => 30,
            What::DetectorOut | What::BatteryLow => 0,
        }
    }

    fn place(self, chance: &mut Chance) -> &'static str {
        let pick = |names: &[&'static str], chance: &mut Chance| {
            names[usize::try_from(chance.number() % names.len() as u64).unwrap_or(0)]
        };
        match self {
            // Only a meter that says the same again and again can be seen to be stuck, and one with a plateau is given
            // four times as long.
            What::MeterStuck => pick(&["lathe", "mill", "printer"], chance),
            What::MeterSilent
            | What::OutletUnreachable
            | What::MeterGarbage
            | What::OutletGarbage
            | What::DetectorOut => pick(&MACHINES.map(|(name, _)| name), chance),
            What::InputSilent | What::BatteryLow => pick(&INPUTS.map(|(name, _)| name), chance),
            What::JournalOut | What::ClockUnset => "",
        }
    }
}

const DAY: u64 = 86_400;
/// A meter must have been seen at work before it can be known how still it stands.
const FIRST_DAY: u64 = 3;
const SLOT: u64 = 4 * 3_600;

/// One in every four hours from the third day on.
pub(crate) fn of_a_month(chance: &mut Chance, days: u64) -> Vec<Plant> {
    let mut plants = Vec::new();
    let span = |chance: &mut Chance, low: u64, high: u64| chance.span(Span(low), Span(high)).0;
    for slot in 0..days.saturating_sub(FIRST_DAY) * DAY / SLOT {
        let what = ALL[usize::try_from(slot % 10).unwrap_or(0)];
        let of = what.place(chance);
        let limit = what.limit(of);
        let is_long = limit == 0 || chance.happens(0.7);
        let lasts = match is_long {
            true if what == What::InputSilent => limit + span(chance, 120, 1_500),
            true => limit + span(chance, 120, 3_000),
            false => span(chance, limit / 10, limit * 3 / 4),
        };
        let from = FIRST_DAY * DAY + slot * SLOT + span(chance, 2_400, 4_800);
        let to = from + lasts;
        let away = match (slot + slot / 10) % 5 {
            // In the midst of it.
            0 if is_long => Some((from + limit + 60, from + limit + 60 + span(chance, 1, 50))),
            // It ends while nobody is there.
            1 if is_long => Some((to - 20, to + span(chance, 20, 600))),
            // Before it is told: it is told when it has lasted as long since the start.
            2 if is_long && limit > 60 && what != What::MeterStuck => Some((from + 30, from + 45)),
            _ => None,
        };
        let is_of_a_machine = MACHINES.iter().any(|(name, _)| *name == of);
        let in_job = what == What::MeterStuck || (is_of_a_machine && chance.happens(0.5));
        plants.push(Plant { what, of, from, to, limit, in_job, away });
    }
    plants
}
