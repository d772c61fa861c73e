//! How a machine stands, in words: what `idlegate status` and the page for people show of its status message.
//!
//! What runs down while somebody reads it (the window, a notice) is given apart, as whoever shows it counts on.

use idlegate_engine::{Blindness, Subject};
use idlegate_plan::text::{counted, in_a_row, minute_in_words, parse_time};

use super::blind;
use crate::{Deferral, Lock, MachineStatus, NextSchedule, Quantity, RunningJob, ServiceState, Signal};
use idlegate_guard::time::Span;

/// What a look across the room should tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stands {
    Working,
    Idle,
    NotKnown,
    Off,
}

impl Stands {
    pub const fn word(self) -> &'static str {
        match self {
            Stands::Working => "working",
            Stands::Idle => "idle",
            Stands::NotKnown => "not-known",
            Stands::Off => "off",
        }
    }
}

/// More than a meter of an outlet that is off says by mistake.
const DRAWS_WATTS: f64 = 5.0;

/// A machine that draws is shown as that, whatever its outlet says.
pub fn stands(status: &MachineStatus) -> Stands {
    match (&*status.state, &*status.outlet) {
        ("busy", "off") if watts(status).is_some_and(|watts| watts < DRAWS_WATTS) => Stands::Off,
        ("busy", _) => Stands::Working,
        (_, "off") => Stands::Off,
        ("idle", _) => Stands::Idle,
        _ => Stands::NotKnown,
    }
}

/// How it stands and why, as one sentence with the machine's name first.
pub fn sentence(status: &MachineStatus) -> String {
    let title = &status.title;
    let why =
        if status.reasons.is_empty() { String::new() } else { format!(": {}", status.reasons.join("; ")) };
    let said = match (stands(status), &*status.outlet) {
        (Stands::Working, "off") => {
            format!("{title}'s outlet says that it is off, but it is busy{why}")
        }
        (Stands::Working, _) if draws(status) => format!("{title} works{why}"),
        (Stands::Working, _) if status.kept_on.is_some() => format!("{title} is on{why}"),
        (Stands::Working, _) => format!("{title} is busy{why}"),
        (Stands::Idle, "on") => format!("{title} is on and idle{why}"),
        (Stands::Idle, _) => format!("{title} is idle, and its outlet does not say whether it is on{why}"),
        (Stands::NotKnown, "on") => format!("{title} is on and may be busy{why}"),
        (Stands::NotKnown, _) => format!("{title} may be on and busy{why}"),
        // Until as much quiet has passed as for any other machine.
        (Stands::Off, _) if status.state == "busy" => {
            format!("{title} is off, and still counts as busy{why}")
        }
        (Stands::Off, _) => format!("{title} is off"),
    };
    format!("{}.", said.trim_end_matches('.'))
}

/// Whether what keeps it busy is its draw: a kiln that cools down, or that has fallen quiet, is busy and does not work.
fn draws(status: &MachineStatus) -> bool {
    if status.clears_in_s.is_some() {
        return false;
    }
    let mut busy =
        status.detectors.iter().filter(|finding| finding.state == "busy" && finding.role != "warn");
    busy.any(|finding| finding.readings.iter().any(|reading| reading.unit == "W"))
}

/// The first signal in watts, as it was said last.
pub fn watts(status: &MachineStatus) -> Option<f64> {
    let draw = status.signals.iter().filter(|signal| signal.unit == "W");
    draw.filter_map(|signal| signal.value.as_ref()).find_map(Quantity::as_f64)
}

/// The time in which it can be forced off.
pub fn window(left_s: f64) -> String {
    format!("can be forced off for {left_s:.0} s")
}

/// A meter that has said nothing new, and is there.
pub fn unchanged(signal: &Signal) -> Option<String> {
    let age_s = signal.age_s.filter(|_| signal.unchanged)?;
    Some(format!("{} has not changed for {age_s:.0} s, and its meter is there", word(&signal.signal)))
}

/// An off that is on its way.
pub fn deferral(deferral: &Deferral) -> String {
    let by = &deferral.by;
    match deferral.acts_in_s {
        Some(secs) => format!("will be switched off in {secs:.0} s, as {by} asked"),
        None => format!("will be switched off as soon as it is idle, as {by} asked"),
    }
}

pub fn schedule(next: &NextSchedule) -> String {
    format!("schedule {} asks for {} at {}", word(&next.by), word(&next.request), word(&next.at))
}

/// What was not said, or could not be read.
fn word(said: &str) -> &str {
    if said.is_empty() { "?" } else { said }
}

/// Whose lock it is, since when and why.
pub fn lock(lock: &Lock) -> String {
    let whose = match &lock.who {
        Some(who) => format!("{who} ({})", word(&lock.by)),
        None => word(&lock.by).to_owned(),
    };
    let after = if lock.emergency { " after an emergency" } else { "" };
    let since = lock.since.as_deref().and_then(|since| parse_time(since).ok());
    let since = since.map_or_else(String::new, |since| format!(" on {}", minute_in_words(since)));
    let note = lock.note.as_ref().map_or_else(String::new, |note| format!(": {note}"));
    format!("locked by {whose}{after}{since}{note}")
}

/// How long ago something was done that is to be done again and again.
pub fn service(service: &ServiceState) -> String {
    let due = if service.due { "due: " } else { "" };
    format!("{due}{}", word(&service.sentence))
}

/// What else lasts: locks, services, an order on its way.
pub fn lasting(status: &MachineStatus) -> Vec<String> {
    let mut notes = Vec::new();
    match (&status.locked_by, status.locks.as_slice()) {
        (Some(by), []) => notes.push(format!("locked by {by}")),
        (_, locks) => notes.extend(locks.iter().map(lock)),
    }
    if status.quiet {
        notes.push("its incidents are recorded and not announced meanwhile, except urgent ones".to_owned());
    }
    notes.extend(status.services.iter().map(service));
    if let Some(switch) = &status.switching {
        notes.push(format!("being switched {switch}"));
    }
    notes
}

pub(crate) const SHADOW: &str = "shadow mode: decisions are recorded, but nothing is switched";

const WATCHED: &str = "only watched: Idlegate has no way to switch it, not even in an emergency";
const NEVER_OFF: &str = "never switched off through Idlegate, unless an emergency input is meant to cut it";

/// An incident that goes on, by its kind.
pub fn open_incident(kind: &str) -> &str {
    match kind {
        "on-by-another-route" => "was switched on, but not through Idlegate",
        "off-by-another-route" => "was switched off, but not through Idlegate",
        "not-confirmed" => "its outlet has not confirmed the last order",
        "order-by-another-route" => "somebody else sends orders to its outlet",
        "detector-stopped" => "a detector of it has stopped",
        "warning" => "one of its detectors warns",
        "needed-machine-off" => "is working without a machine that it needs, which is off",
        "blind" => "Idlegate does not see all of it",
        "still-drawing" => "still draws power, although its outlet says that it is off",
        other => other,
    }
}

/// The job that is under way.
pub fn job(job: &RunningJob) -> String {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "it saturates")]
    let lasted = Span::secs(job.lasted_s as u64);
    let at_least = if job.begin_seen { "" } else { "at least " };
    let drawn = job.joules.map_or_else(String::new, |joules| format!(", {:.2} kWh so far", joules / 3.6e6));
    let unseen = if job.in_sight { "" } else { "; at present nobody can see whether it goes on" };
    format!("its job has lasted for {at_least}{lasted}{drawn}{unseen}")
}

/// Everything that is under way at the machine, a line each.
pub fn notes(status: &MachineStatus) -> Vec<String> {
    let mut notes: Vec<String> = status.job.as_ref().map(job).into_iter().collect();
    notes.extend(status.window_left_s.map(window));
    notes.extend(status.signals.iter().filter_map(unchanged));
    notes.extend(status.deferral.as_ref().map(deferral));
    notes.extend(status.next_schedule.as_ref().map(schedule));
    notes.extend(lasting(status));
    let unseen = status.blind.iter().filter(|spot| spot.kind != Blindness::DetectorOut.word());
    notes.extend(unseen.map(blind::lasting_since));
    // What cannot be seen was said just now, and better.
    let told = status.incidents.iter().filter(|kind| *kind != Subject::Blind.word());
    notes.extend(told.map(|kind| format!("incident: {}", open_incident(kind))));
    notes.extend(status.watched.then(|| WATCHED.to_owned()));
    notes.extend(status.never_off.then(|| NEVER_OFF.to_owned()));
    notes.extend(status.shadow.then(|| SHADOW.to_owned()));
    notes
}

/// The whole workshop in a line: how many machines stand how.
pub fn headline<'a>(machines: impl Iterator<Item = &'a MachineStatus>) -> String {
    let (mut working, mut idle, mut not_known, mut off) = (0_u32, 0_u32, 0_u32, 0_u32);
    for status in machines {
        *match stands(status) {
            Stands::Working => &mut working,
            Stands::Idle => &mut idle,
            Stands::NotKnown => &mut not_known,
            Stands::Off => &mut off,
        } += 1;
    }
    let counts = [(working, "busy"), (not_known, "perhaps busy"), (idle, "on and idle"), (off, "off")];
    let there = counts.iter().filter(|(count, _)| *count > 0);
    let said = there.enumerate().map(|(place, (count, how))| {
        let is = if *count == 1 { "is" } else { "are" };
        let machines = if place == 0 { counted(*count, "machine") } else { count.to_string() };
        format!("{machines} {is} {how}")
    });
    let said: Vec<String> = said.collect();
    let said: Vec<&str> = said.iter().map(String::as_str).collect();
    if said.is_empty() {
        return "Nothing is known of any machine yet.".to_owned();
    }
    format!("{}.", in_a_row(&said, "and"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Finding, Reading};

    fn printer(state: &'static str, outlet: &'static str, why: &str, unit: &str) -> MachineStatus {
        let reading = Reading { signal: "power".to_owned(), unit: unit.to_owned(), ..Reading::default() };
        MachineStatus {
            title: "Filament printer".to_owned(),
            state: state.into(),
            outlet: outlet.into(),
            reasons: vec![why.to_owned()],
            detectors: vec![Finding { state: state.into(), readings: vec![reading], ..Finding::default() }],
            ..MachineStatus::default()
        }
    }

    #[test]
    fn the_sentence_begins_with_the_name_and_tells_work_from_cooling() {
        let said = |state, outlet, why, unit| sentence(&printer(state, outlet, why, unit));
        for (sentence, expected) in [
            (
                said("busy", "on", "120 W, busy above 40 W", "W"),
                "Filament printer works: 120 W, busy above 40 W.",
            ),
            (
                said("busy", "on", "62 °C, safe below 50 °C", "Cel"),
                "Filament printer is busy: 62 °C, safe below 50 °C.",
            ),
            (
                said("idle", "on", "31 W, idle below 35 W", "W"),
                "Filament printer is on and idle: 31 W, idle below 35 W.",
            ),
            (
                said("unknown", "on", "no reading yet", "W"),
                "Filament printer is on and may be busy: no reading yet.",
            ),
            (
                said("unknown", "unknown", "no reading yet", "W"),
                "Filament printer may be on and busy: no reading yet.",
            ),
            (said("idle", "off", "0 W, idle below 35 W", "W"), "Filament printer is off."),
            // Nothing hides that it may be at work.
            (
                said("busy", "off", "120 W, busy above 40 W", "W"),
                "Filament printer's outlet says that it is off, but it is busy: 120 W, busy above 40 W.",
            ),
        ] {
            assert_eq!(sentence, expected);
        }
    }

    #[test]
    fn one_that_was_forced_off_is_off_before_it_counts_as_idle() {
        let draws = |watts| {
            let power = Signal { unit: "W".to_owned(), value: Quantity::number(watts), ..Signal::default() };
            MachineStatus {
                signals: vec![power],
                ..printer("busy", "off", "0 W for 2 s, idle after 3 min", "W")
            }
        };
        let off = "Filament printer is off, and still counts as busy: 0 W for 2 s, idle after 3 min.";
        assert_eq!((stands(&draws(0.4)), sentence(&draws(0.4)).as_str()), (Stands::Off, off));
        assert_eq!(stands(&draws(300.0)), Stands::Working);
        let quiet = MachineStatus { clears_in_s: Some(90.0), ..printer("busy", "on", "3 W for 90 s", "W") };
        assert_eq!(sentence(&quiet), "Filament printer is busy: 3 W for 90 s.");
    }

    #[test]
    fn the_headline_counts_every_machine_once() {
        let machines = [
            printer("busy", "on", "", "W"),
            printer("idle", "on", "", "W"),
            printer("unknown", "off", "", "W"),
            printer("idle", "off", "", "W"),
        ];
        assert_eq!(headline(machines.iter()), "1 machine is busy, 1 is on and idle and 2 are off.");
        assert_eq!(headline([].iter()), "Nothing is known of any machine yet.");
    }
}
