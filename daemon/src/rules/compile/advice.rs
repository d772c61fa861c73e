//! What only the whole plan shows: topics that get in each other's way, and what will disappoint people.

use super::{InputPlaces, MachinePlaces};
use crate::guard::RequestKind;
use crate::plan::{DetectorUse, Input, InputSource, Machine, ModuleSource, Plan, Role, SignalKind, Source};
use crate::rules::codes::Code;
use crate::rules::problem::quoted;
use crate::rules::report::{Place, Report};
use crate::rules::words;
use crate::time::Span;

/// A topic that is read, what for, and where it is declared.
struct Reading<'a> {
    source: &'a Source,
    what: String,
    place: Place,
}

fn readings<'a>(plan: &'a Plan, machines: &[MachinePlaces], inputs: &[InputPlaces]) -> Vec<Reading<'a>> {
    let mut readings = Vec::new();
    for (machine, places) in plan.machines.iter().zip(machines) {
        let what = format!("the state of {}", machine.name);
        readings.push(Reading { source: &machine.outlet.state.source, what, place: places.state });
        for (signal, place) in machine.signals.iter().zip(&places.signals) {
            let what = format!("signal {} of {}", signal.name, machine.name);
            readings.push(Reading { source: &signal.source, what, place: *place });
        }
    }
    for (input, places) in plan.inputs.iter().zip(inputs) {
        if let InputSource::Topic { source, .. } = &input.source {
            readings.push(Reading { source, what: format!("input {}", input.name), place: places.topic });
        }
    }
    readings
}

pub(super) fn topics(
    plan: &Plan,
    machines: &[MachinePlaces],
    inputs: &[InputPlaces],
    report: &mut Report<'_>,
) {
    let readings = readings(plan, machines, inputs);
    for (index, (machine, places)) in plan.machines.iter().zip(machines).enumerate() {
        let topic = &machine.outlet.order.topic;
        for other in plan.machines[..index].iter().filter(|other| other.outlet.order.topic == *topic) {
            one_order_for_two(machine, other, places.order, report);
        }
        for reading in readings.iter().filter(|reading| words::filters_overlap(&reading.source.filter, topic))
        {
            let message = format!("{} is read from the order topic of {}", reading.what, machine.name);
            report
                .add(Code::TopicClash, reading.place, message)
                .help("Idlegate would take its own orders for messages from outside".to_owned());
        }
    }
    let ours = format!("{}/#", plan.shop.prefix);
    for reading in readings.iter().filter(|reading| words::filters_overlap(&reading.source.filter, &ours)) {
        let message = format!("{} is read from Idlegate's own topics, {}", reading.what, ours);
        report
            .add(Code::TopicClash, reading.place, message)
            .help("to send requests on Idlegate's own request topic, leave the input's topic out".to_owned());
    }
    for (index, reading) in readings.iter().enumerate() {
        if let Some(other) = readings[..index].iter().find(|other| other.source == reading.source) {
            let message = format!("{} is read from the same place as {}", reading.what, other.what);
            report.add(Code::TopicTwice, reading.place, message);
        }
    }
}

/// The sockets of a strip may share a topic as long as no payload is an order to both.
fn one_order_for_two(machine: &Machine, other: &Machine, place: Place, report: &mut Report<'_>) {
    let (ours, theirs) = (&machine.outlet.order, &other.outlet.order);
    let shared =
        [&ours.on, &ours.off].into_iter().find(|payload| [&theirs.on, &theirs.off].contains(payload));
    if let Some(shared) = shared {
        let message =
            format!("{} has the same order topic, so {} would switch both", other.name, quoted(shared));
        report
            .add(Code::TopicClash, place, message)
            .help("give each outlet its own topic, or its own on and off on a shared one".to_owned());
    }
}

pub(super) fn people(
    plan: &Plan,
    machines: &[MachinePlaces],
    inputs: &[InputPlaces],
    report: &mut Report<'_>,
) {
    debug_assert_eq!(plan.inputs.len(), inputs.len());
    for (index, (machine, places)) in plan.machines.iter().zip(machines).enumerate() {
        authority(plan, index, machine, inputs, places, report);
        detectors(machine, places, report);
        signals(machine, places, report);
    }
}

fn authority(
    plan: &Plan,
    index: usize,
    machine: &Machine,
    inputs: &[InputPlaces],
    places: &MachinePlaces,
    report: &mut Report<'_>,
) {
    let mut reaching =
        plan.inputs.iter().zip(inputs).filter(|(input, _)| input.machines.contains(&index)).peekable();
    let Some((_, first)) = reaching.peek() else {
        report
            .add(Code::NoInputs, places.file, format!("no input has {} among its machines", machine.name))
            .help("add it to the machines of an input, or write machines = \"all\" there".to_owned());
        return;
    };
    let first = first.name;
    if !reaching.any(|(input, _)| can_switch_off_at_will(input)) {
        report
            .add(Code::NobodyCanForce, first, format!("no input may force {} off", machine.name))
            .help("add may_force = true and a force-off gesture to an input beside the machine".to_owned());
    }
}

/// By force or in an emergency, with a way to say so.
fn can_switch_off_at_will(input: &Input) -> bool {
    let can_say = |kind: RequestKind| match input.source {
        InputSource::RequestTopic => input.requests.as_ref().is_none_or(|requests| requests.contains(&kind)),
        InputSource::Schedule(_) => false,
        InputSource::Topic { .. } => input.gestures.iter().any(|gesture| gesture.request == kind),
    };
    (input.rights.may_force && can_say(RequestKind::ForceOff))
        || (input.rights.emergency && can_say(RequestKind::EmergencyOff))
}

fn detectors(machine: &Machine, places: &MachinePlaces, report: &mut Report<'_>) {
    if machine.detectors.iter().all(|detector| detector.role != Role::Hold) {
        let message = format!("no detector can say that {} is idle, so every off will be held", machine.name);
        report
            .add(Code::NoDetectors, places.file, message)
            .help("add a detector under [[detectors]] with role = \"hold\", which is the default".to_owned());
    }
    for (detector, place) in machine.detectors.iter().zip(&places.detectors) {
        short_dwell(machine, detector, *place, report);
        low_threshold(places.idle_watts, detector, *place, report);
    }
    late_view(machine, places, report);
    let is_hot = |detector: &DetectorUse| matches!(&detector.module, ModuleSource::BuiltIn(name) if name.as_str() == "temperature-decay");
    let hazardous = places.hazardous || machine.detectors.iter().any(is_hot);
    if machine.policy.remote_on && hazardous {
        let message = format!(
            "{} is dangerous to start unattended, but can be switched on from a distance",
            machine.name
        );
        report
            .add(Code::HotRemoteOn, places.guard, message)
            .help("set remote_on = false in its [guard]".to_owned());
    }
}

/// How late the start of a job can go unseen: until the next reading, and if that fails to come until the last
/// one is stale.
fn late_view(machine: &Machine, places: &MachinePlaces, report: &mut Report<'_>) {
    const LATE: Span = Span::secs(60);
    let read = |index: usize| {
        let reads =
            |detector: &DetectorUse| detector.role == Role::Hold && detector.signals.contains(&Some(index));
        machine.detectors.iter().any(reads)
    };
    let holding = machine.signals.iter().zip(&places.signals).enumerate().filter(|(index, _)| read(*index));
    // The quickest of them is the one that shows a start.
    let quickest = holding.map(|(_, signal)| signal).min_by_key(|(signal, _)| signal.stale_after);
    if let Some((signal, place)) = quickest
        && !machine.policy.can_refresh
        && signal.stale_after > LATE
    {
        let message = format!("the start of a job can go unseen for up to {}", signal.stale_after);
        report
            .add(Code::LateView, *place, message)
            .help("give the outlet a refresh topic, or use a meter that reports more often".to_owned());
    }
}

/// A dwell that one silence of the meter can outlast proves nothing.
fn short_dwell(machine: &Machine, detector: &DetectorUse, place: Place, report: &mut Report<'_>) {
    let Some(dwell) = detector.settings.get("dwell").and_then(|dwell| dwell.as_str()) else { return };
    let Ok(dwell) = words::duration(dwell) else { return };
    let slowest = detector
        .signals
        .iter()
        .flatten()
        .map(|index| &machine.signals[*index])
        .max_by_key(|signal| signal.stale_after);
    if let Some(signal) = slowest
        && dwell < signal.stale_after
    {
        let message = format!(
            "dwell {dwell} is shorter than stale_after {} of signal {}",
            signal.stale_after, signal.name
        );
        report
            .add(Code::ShortDwell, place, message)
            .help("make dwell longer than the longest pause of the heater and of the meter".to_owned());
    }
}

/// Below what the machine draws when idle nothing is ever quiet: it would be busy for ever.
fn low_threshold(idle_watts: Option<f64>, detector: &DetectorUse, place: Place, report: &mut Report<'_>) {
    let Some(idle_watts) = idle_watts else { return };
    if !matches!(&detector.module, ModuleSource::BuiltIn(name) if name.as_str() == "power-threshold") {
        return;
    }
    let watts = |key: &str| detector.settings.get(key).and_then(serde_json::Value::as_f64);
    // Below quiet_watts counts as quiet; where it is left out, busy_watts stands for both.
    let quiet = ["quiet_watts", "busy_watts"].into_iter().find_map(|key| Some((key, watts(key)?)));
    if let Some((key, level)) = quiet.filter(|(_, level)| *level <= idle_watts) {
        let message = format!(
            "{key} is {level} W, but the machine draws {idle_watts} W when idle, so it would always be busy"
        );
        report.add(Code::LowThreshold, place, message).help(
            "set it a little above the idle draw; `idlegate calibrate` works it out from a recording"
                .to_owned(),
        );
    }
}

fn signals(machine: &Machine, places: &MachinePlaces, report: &mut Report<'_>) {
    // Few meters report more often than this.
    const STALE_COMFORT: Span = Span::secs(2);
    for (index, (signal, place)) in machine.signals.iter().zip(&places.signals).enumerate() {
        let read = machine.detectors.iter().any(|detector| detector.signals.contains(&Some(index)));
        let counts = machine.outlet.energy.is_some_and(|energy| energy.signal == index);
        if !read && !counts && machine.outlet.power_signal != Some(index) {
            let message = format!("nothing uses the signal {}", signal.name);
            report.add(Code::UnusedSignal, *place, message);
        }
        if signal.stale_after < STALE_COMFORT && matches!(signal.kind, SignalKind::Number(_)) {
            let message =
                format!("signal {} counts as missing after {} of silence", signal.name, signal.stale_after);
            report
                .add(Code::ShortStaleness, *place, message)
                .help("three times the usual time between its messages is a good start".to_owned());
        }
    }
}
