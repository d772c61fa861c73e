//! What only the whole plan shows: topics that get in each other's way, and what will disappoint people.

use super::{InputPlaces, MachinePlaces, life};
use crate::codes::Code;
use crate::problem::quoted;
use crate::problems::{Problems, SourceSpan};
use crate::words;
use idlegate_guard::time::Span;
use idlegate_guard::{Control, Place as From, RequestKind};
use idlegate_plan::{
    Contact, DetectorUse, Input, InputSource, Machine, MachineIx, ModuleSource, Plan, Role, Signal, SignalIx,
    SignalKind, Source, indexed,
};

/// A topic that is read, what for, and where it is declared.
struct Reading<'a> {
    source: &'a Source,
    what: String,
    place: SourceSpan,
    /// A state or a signal comes from one device; buttons may be many.
    of_one_device: bool,
}

fn readings<'a>(plan: &'a Plan, machines: &[MachinePlaces], inputs: &[InputPlaces]) -> Vec<Reading<'a>> {
    let mut readings = Vec::new();
    for (machine, places) in plan.machines.iter().zip(machines) {
        let what = format!("the state of {}", machine.name);
        let state = machine.outlet.state.iter().map(|state| Reading {
            source: &state.source,
            what: what.clone(),
            place: places.state,
            of_one_device: true,
        });
        readings.extend(state);
        for (signal, place) in machine.signals.iter().zip(&places.signals) {
            if signal.of_machine().is_some() {
                continue;
            }
            let what = format!("signal {} of {}", signal.name, machine.name);
            readings.push(Reading { source: &signal.source, what, place: *place, of_one_device: true });
        }
    }
    for (input, places) in plan.inputs.iter().zip(inputs) {
        if let InputSource::Topic { source, .. } | InputSource::Contact(Contact { source, .. }) =
            &input.source
        {
            let what = format!("input {}", input.name);
            readings.push(Reading { source, what, place: places.topic, of_one_device: false });
        }
    }
    readings
}

pub(super) fn topics(
    plan: &Plan,
    machines: &[MachinePlaces],
    inputs: &[InputPlaces],
    problems: &mut Problems<'_>,
) {
    answers(plan, inputs, problems);
    let readings = readings(plan, machines, inputs);
    for reading in readings.iter().filter(|reading| reading.of_one_device) {
        if reading.source.filter.contains(['+', '#']) {
            let message = format!(
                "{} is read from {}, which is many topics",
                reading.what,
                quoted(&reading.source.filter)
            );
            problems
                .add(Code::Wildcard, reading.place, message)
                .help("write the one topic; `idlegate listen` shows which there are".to_owned());
        }
    }
    for (index, (machine, places)) in plan.machines.iter().zip(machines).enumerate() {
        let Some(topic) = machine.order_topic() else { continue };
        for other in plan.machines[..index].iter().filter(|other| other.order_topic() == Some(topic)) {
            one_order_for_two(machine, other, places.order, problems);
        }
        for reading in readings.iter().filter(|reading| words::filters_overlap(&reading.source.filter, topic))
        {
            let message = format!("{} is read from the order topic of {}", reading.what, machine.name);
            problems
                .add(Code::TopicClash, reading.place, message)
                .help("Idlegate would take its own orders for messages from outside".to_owned());
        }
    }
    refreshes(plan, machines, &readings, problems);
    life::signs_of_life(plan, machines, problems);
    let ours = format!("{}/#", plan.shop.prefix);
    for (machine, places) in plan.machines.iter().zip(machines) {
        let asked = machine.questions().map(|to| (to.topic.as_str(), "requests for a reading"));
        let sent = machine.order_topic().map(|topic| (topic, "orders")).into_iter().chain(asked);
        for (topic, what) in sent.filter(|(topic, _)| words::filters_overlap(topic, &ours)) {
            let message = format!(
                "{what} for {} would be published on {}, one of Idlegate's own topics",
                machine.name,
                quoted(topic)
            );
            problems
                .add(Code::TopicClash, places.order, message)
                .help(format!("name the outlet's own topic; everything under {ours} is Idlegate's"));
        }
    }
    for reading in readings.iter().filter(|reading| words::filters_overlap(&reading.source.filter, &ours)) {
        let message = format!("{} is read from Idlegate's own topics, {}", reading.what, ours);
        problems
            .add(Code::TopicClash, reading.place, message)
            .help("to send requests on Idlegate's own request topic, leave the input's topic out".to_owned());
    }
    for (index, reading) in readings.iter().enumerate() {
        if let Some(other) = readings[..index].iter().find(|other| other.source == reading.source) {
            let message = format!("{} is read from the same place as {}", reading.what, other.what);
            problems.add(Code::TopicTwice, reading.place, message);
        }
    }
}

/// What asks for a reading must switch nothing, and must not pass for a reading itself.
fn refreshes(plan: &Plan, machines: &[MachinePlaces], readings: &[Reading<'_>], problems: &mut Problems<'_>) {
    for (machine, places) in plan.machines.iter().zip(machines) {
        for refresh in machine.questions() {
            for other in &plan.machines {
                let Some(order) = &other.outlet.order else { continue };
                if order.topic == refresh.topic && [&order.on, &order.off].contains(&&refresh.payload) {
                    let message = format!(
                        "asking for a reading of {} would switch {}: same topic, same payload",
                        machine.name, other.name
                    );
                    problems.add(Code::TopicClash, places.order, message).help(
                        "give refresh a payload that is neither on nor off there, or a topic of its own"
                            .to_owned(),
                    );
                }
            }
            let same =
                |reading: &&Reading<'_>| words::filters_overlap(&reading.source.filter, &refresh.topic);
            if let Some(reading) = readings.iter().find(same) {
                let message = format!(
                    "{} is read from the topic on which Idlegate asks for a reading of {}",
                    reading.what, machine.name
                );
                problems.add(Code::TopicClash, reading.place, message).help(
                    "Idlegate would take its own question for the answer: give refresh another topic"
                        .to_owned(),
                );
            }
        }
    }
}

/// An answer is published with the rights of the daemon, and whoever asks chooses its topic.
fn answers(plan: &Plan, inputs: &[InputPlaces], problems: &mut Problems<'_>) {
    let ours = format!("{}/#", plan.shop.prefix);
    for (input, places) in plan.inputs.iter().zip(inputs) {
        for (filter, place) in input.answers.iter().zip(&places.answers) {
            let used = plan.topics_in_use().find(|used| words::filters_overlap(used, filter));
            let why = if filter.starts_with('$') {
                "begins with $, where the broker keeps topics of its own".to_owned()
            } else if words::filters_overlap(filter, &ours) {
                format!("includes Idlegate's own topics, {ours}")
            } else if let Some(used) = used {
                format!("includes {}, which the rules read or send orders to", quoted(used))
            } else {
                continue;
            };
            let message =
                format!("answers of input {} may not go to {}: it {why}", input.name, quoted(filter));
            problems.add(Code::AnswersClash, *place, message).help(format!(
                "name a topic that only the asker reads; {}/answer/{}/# is always allowed",
                plan.shop.prefix, input.name
            ));
        }
    }
}

/// The sockets of a strip may share a topic as long as no payload is an order to both.
fn one_order_for_two(machine: &Machine, other: &Machine, place: SourceSpan, problems: &mut Problems<'_>) {
    let (Some(ours), Some(theirs)) = (&machine.outlet.order, &other.outlet.order) else { return };
    let shared =
        [&ours.on, &ours.off].into_iter().find(|payload| [&theirs.on, &theirs.off].contains(payload));
    if let Some(shared) = shared {
        let message =
            format!("{} has the same order topic, so {} would switch both", other.name, quoted(shared));
        problems
            .add(Code::TopicClash, place, message)
            .help("give each outlet its own topic, or its own on and off on a shared one".to_owned());
    }
}

pub(super) fn people(
    plan: &Plan,
    machines: &[MachinePlaces],
    inputs: &[InputPlaces],
    problems: &mut Problems<'_>,
) {
    debug_assert_eq!(plan.inputs.len(), inputs.len());
    for (input, places) in plan.inputs.iter().zip(inputs) {
        confirming(input, places.name, problems);
    }
    for ((index, machine), places) in indexed(&plan.machines).zip(machines) {
        authority(plan, index, machine, inputs, places, problems);
        switching_on(plan, index, machine, places, problems);
        detectors(machine, places, problems);
        signals(machine, places, problems);
    }
}

fn authority(
    plan: &Plan,
    index: MachineIx,
    machine: &Machine,
    inputs: &[InputPlaces],
    places: &MachinePlaces,
    problems: &mut Problems<'_>,
) {
    if machine.is_watched() {
        return;
    }
    let mut reaching =
        plan.inputs.iter().zip(inputs).filter(|(input, _)| input.machines.contains(&index)).peekable();
    let Some((_, first)) = reaching.peek() else {
        problems
            .add(Code::NoInputs, places.file, format!("no input has {} among its machines", machine.name))
            .help("add it to the machines of an input, or write machines = \"all\" there".to_owned());
        return;
    };
    let first = first.name;
    let may_be_off = machine.policy.control == Control::Full;
    if may_be_off && !reaching.any(|(input, _)| can_switch_off_at_will(input)) {
        problems
            .add(Code::NobodyCanForce, first, format!("no input may force {} off", machine.name))
            .help("add may_force = true and a force-off gesture to an input beside the machine".to_owned());
    }
}

/// By force or in an emergency, with a way to say so.
fn can_switch_off_at_will(input: &Input) -> bool {
    let can_say = |kind: RequestKind| match input.source {
        InputSource::RequestTopic => input.requests.as_ref().is_none_or(|requests| requests.contains(&kind)),
        InputSource::Schedule(_) => false,
        InputSource::Contact(_) => kind == RequestKind::EmergencyOff,
        // What comes from afar must bring the token of an answer.
        InputSource::Topic { .. }
            if kind == RequestKind::ForceOff
                && input.rights.place == From::Remote
                && input.confirm.is_none() =>
        {
            false
        }
        InputSource::Topic { .. } => input.gestures.iter().any(|gesture| gesture.request == kind),
    };
    (input.rights.may_force && can_say(RequestKind::ForceOff))
        || (input.rights.emergency && can_say(RequestKind::EmergencyOff))
}

fn detectors(machine: &Machine, places: &MachinePlaces, problems: &mut Problems<'_>) {
    let holds = |detector: &DetectorUse| detector.role == Role::Hold;
    let may_be_off = machine.policy.control == Control::Full;
    if may_be_off && machine.interlocks.needed_by.is_none() && !machine.detectors.iter().any(holds) {
        let message = format!("no detector can say that {} is idle, so every off will be held", machine.name);
        problems
            .add(Code::NoDetectors, places.file, message)
            .help("add a detector under [[detectors]] with role = \"hold\", which is the default".to_owned());
    }
    // How soon one says idle that only warns is nobody's loss.
    let warns = |detector: &DetectorUse| matches!(detector.role, Role::Warn(_));
    let holding = machine.detectors.iter().zip(&places.detectors).filter(|(detector, _)| !warns(detector));
    for (detector, place) in holding {
        short_dwell(machine, detector, *place, problems);
        life::short_pace(machine, detector, *place, problems);
        low_threshold(places.idle_watts, detector, *place, problems);
    }
    late_view(machine, places, problems);
}

/// What is dangerous to start is started by somebody who stands beside it.
fn switching_on(
    plan: &Plan,
    index: MachineIx,
    machine: &Machine,
    places: &MachinePlaces,
    problems: &mut Problems<'_>,
) {
    let is_hot = |detector: &DetectorUse| matches!(&detector.module, ModuleSource::BuiltIn(name) if name.as_str() == "temperature-decay");
    if machine.is_watched() {
        return;
    }
    let on_from = machine.policy.on_from;
    let from_elsewhere = on_from.contains(From::Shop) || on_from.contains(From::Remote);
    if from_elsewhere && (places.hazardous || machine.detectors.iter().any(is_hot)) {
        let message = format!(
            "{} is dangerous to start unattended, but can be switched on from a distance",
            machine.name
        );
        let code = if places.hazardous { Code::UnattendedOn } else { Code::HotRemoteOn };
        problems
            .add(code, places.guard, message)
            .help("set on_from = [\"beside\"] in its [guard], or on_from = [] for never".to_owned());
        return;
    }
    let beside = |input: &Input| input.machines.contains(&index) && input.rights.place == From::Beside;
    if places.hazardous && on_from.contains(From::Beside) && !plan.inputs.iter().any(beside) {
        let message = format!(
            "{} has hazards and can be switched on only from beside it, but no input is beside it",
            machine.name
        );
        problems.add(Code::UnattendedOn, places.file, message).help(
            "add place = \"beside\" to the input that is beside it, or set on_from = [] in its [guard] if it is only ever \
             switched on by hand"
                .to_owned(),
        );
    }
}

/// From afar a force needs the token of its held answer, and a payload that cannot bring one forces nothing.
fn confirming(input: &Input, place: SourceSpan, problems: &mut Problems<'_>) {
    let by_topic = matches!(input.source, InputSource::Topic { .. });
    if input.rights.may_force && input.rights.place == From::Remote && by_topic && input.confirm.is_none() {
        let message =
            format!("input {} may force from afar, but cannot send the token that this takes", input.name);
        problems.add(Code::NoConfirm, place, message).help(
            "add confirm = \"/confirm\", a pointer to the token in its payload, and have it ask with a response topic; or \
             leave its topic out"
                .to_owned(),
        );
    }
}

/// How late the start of a job can go unseen: until the next reading, and if that fails to come until the last
/// one is stale.
fn late_view(machine: &Machine, places: &MachinePlaces, problems: &mut Problems<'_>) {
    let read = |index: SignalIx| {
        let reads =
            |detector: &DetectorUse| detector.role == Role::Hold && detector.signals.contains(&Some(index));
        machine.detectors.iter().any(reads)
    };
    let holding = indexed(&machine.signals).zip(&places.signals).filter(|((index, _), _)| read(*index));
    // The quickest of them is the one that shows a start.
    let quickest = holding.min_by_key(|((_, signal), _)| signal.silent_max());
    if let Some(((_, signal), place)) = quickest
        && !machine.policy.can_refresh
        && machine.policy.control == Control::Full
        && signal.silent_max() > late(signal)
    {
        let message = format!("the start of a job can go unseen for up to {}", signal.silent_max());
        problems.add(Code::LateView, *place, message).help(late_view_remedy(signal).to_owned());
    }
}

/// A meter that speaks when its value changes shows a start at once, unless it has lost its connection.
fn late(signal: &Signal) -> Span {
    if signal.on_change().is_some() { Span::secs(300) } else { Span::secs(60) }
}

fn late_view_remedy(signal: &Signal) -> &'static str {
    if signal.on_change().is_some() {
        "have the meter give a sign of life more often, or have it asked for its value with refresh"
    } else {
        "give the outlet a refresh topic, or use a meter that reports more often; for one that speaks only when its value \
         changes, set reports = \"on-change\""
    }
}

/// A dwell that one silence of the meter can outlast proves nothing.
fn short_dwell(machine: &Machine, detector: &DetectorUse, place: SourceSpan, problems: &mut Problems<'_>) {
    let Some(dwell) = detector.settings.get("dwell").and_then(|dwell| dwell.as_str()) else { return };
    let Ok(dwell) = words::duration(dwell) else { return };
    let slowest = detector
        .signals
        .iter()
        .flatten()
        .map(|index| &machine.signals[*index])
        // Idle by silence alone is not believed before a sign of life has followed the dwell.
        .filter(|signal| signal.on_change().is_none() && signal.of_machine().is_none())
        .max_by_key(|signal| signal.stale_after);
    if let Some(signal) = slowest
        && dwell < signal.stale_after
    {
        let message = format!(
            "dwell {dwell} is shorter than stale_after {} of signal {}",
            signal.stale_after, signal.name
        );
        problems
            .add(Code::ShortDwell, place, message)
            .help("make dwell longer than the longest pause of the heater and of the meter".to_owned());
    }
}

/// Below what the machine draws when idle nothing is ever quiet: it would be busy for ever.
fn low_threshold(
    idle_watts: Option<f64>,
    detector: &DetectorUse,
    place: SourceSpan,
    problems: &mut Problems<'_>,
) {
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
        problems.add(Code::LowThreshold, place, message).help(
            "set it a little above the idle draw; `idlegate calibrate` works it out from a recording"
                .to_owned(),
        );
    }
}

fn signals(machine: &Machine, places: &MachinePlaces, problems: &mut Problems<'_>) {
    // Few meters report more often than this.
    const STALE_COMFORT: Span = Span::secs(2);
    for ((index, signal), place) in indexed(&machine.signals).zip(&places.signals) {
        let read = machine.detectors.iter().any(|detector| detector.signals.contains(&Some(index)));
        let counts = machine.outlet.energy.is_some_and(|energy| energy.signal == index);
        if !read && !counts && machine.outlet.power_signal != Some(index) {
            let message = format!("nothing uses the signal {}", signal.name);
            problems.add(Code::UnusedSignal, *place, message);
        }
        let steady = signal.on_change().is_none();
        if steady && signal.stale_after < STALE_COMFORT && matches!(signal.kind, SignalKind::Number(_)) {
            let message =
                format!("signal {} counts as missing after {} of silence", signal.name, signal.stale_after);
            problems
                .add(Code::ShortStaleness, *place, message)
                .help("three times the usual time between its messages is a good start".to_owned());
        }
    }
}
