//! A signal that is reported only when its value changes: how it is known that its meter is there meanwhile.

use super::{MachinePlaces, source};
use crate::codes::Code;
use crate::defaults;
use crate::problems::{Problems, SourceSpan};
use crate::section::Section;
use crate::words;
use idlegate_engine::signals::SHOWN_EVERY;
use idlegate_guard::time::Span;
use idlegate_plan::{
    Alive, DetectorUse, LifeSign, Machine, OnChange, Outlet, Plan, Polling, RefreshTopic, Reports, Signal,
    Source,
};

const REMEDY: &str = "add alive = { topic = \"…\", silent_max = \"90s\" } with something that the meter sends regularly, \
                      alive = { reach = true, silent_max = \"90s\" } if the outlet is the meter and repeats its reach, or \
                      refresh = { topic = \"…\", every = \"30s\" } if the meter can be asked";

pub(super) fn reports(section: &Section<'_>, problems: &mut Problems<'_>) -> Reports {
    let on_change = section.text("reports").is_some_and(|word| word.value == "on-change");
    if !on_change {
        for key in ["alive", "refresh"].into_iter().filter(|key| section.has(key)) {
            let message = format!("{key} has no effect without reports = \"on-change\"");
            problems.add(Code::ConflictingKeys, section.place_of_key(key), message).help(
                "set reports = \"on-change\" if the meter speaks only when its value changes".to_owned(),
            );
        }
        return Reports::Steadily;
    }
    if !section.has("alive") && !section.has("refresh") {
        let message = "nothing shows that the meter is there while it says nothing".to_owned();
        problems.add(Code::NoSignOfLife, section.place_of("reports"), message).help(REMEDY.to_owned());
    }
    if section.has("stuck_after") && !section.has("refresh") {
        let message =
            "stuck_after has no effect on a meter that speaks only when its value changes".to_owned();
        problems
            .add(Code::ConflictingKeys, section.place_of_key("stuck_after"), message)
            .help("remove stuck_after, or have the meter asked for its value with refresh".to_owned());
    }
    let alive = section.section("alive").and_then(|section| alive(&section, problems));
    let refresh = section.section("refresh").and_then(|section| polling(&section));
    Reports::OnChange(OnChange { alive, refresh })
}

fn alive(section: &Section<'_>, problems: &mut Problems<'_>) -> Option<Alive> {
    let sign = match (section.switch("reach").unwrap_or(false), section.has("topic")) {
        (true, false) => {
            for key in ["pointer", "senml", "gone"].into_iter().filter(|key| section.has(key)) {
                let message = format!("{key} has no effect beside reach: the outlet's own words count");
                problems.add(Code::ConflictingKeys, section.place_of_key(key), message);
            }
            LifeSign::Reach
        }
        (false, true) => LifeSign::Topic {
            source: source(section, problems)?,
            gone: section.payload("gone").map(|gone| gone.value),
        },
        (true, true) => {
            let message = "topic and reach cannot be used together".to_owned();
            problems
                .add(Code::ConflictingKeys, section.place_of_key("reach"), message)
                .help("reach = true means the topic of the outlet's reach; leave topic out".to_owned());
            return None;
        }
        (false, false) => {
            // A topic that is none has been reported.
            let message = "alive names nothing that shows that the meter is there".to_owned();
            problems.add(Code::NoSignOfLife, section.place, message).help(REMEDY.to_owned());
            return None;
        }
    };
    let silent_max = section.duration("silent_max").unwrap_or(defaults::SILENT_MAX);
    let sender_stores = section.switch("sender_stores").unwrap_or(false);
    Some(Alive { sign, silent_max, sender_stores })
}

fn polling(section: &Section<'_>) -> Option<Polling> {
    let payload = section.payload("payload").map(|payload| payload.value).unwrap_or_default();
    let ask = RefreshTopic { topic: section.owned("topic")?, payload };
    Some(Polling { ask, every: section.duration("every").unwrap_or(defaults::ASK_EVERY) })
}

/// How long an answer counts: two of them may be lost on the way.
pub(super) fn stale_after(section: &Section<'_>, reports: &Reports, otherwise: Span) -> Span {
    match (section.duration("stale_after"), reports) {
        (Some(given), _) => given,
        (None, Reports::OnChange(OnChange { refresh: Some(polling), alive: _ })) => {
            Span(polling.every.0.saturating_mul(3)).max(otherwise)
        }
        (None, Reports::OnChange(OnChange { refresh: None, alive: _ }) | Reports::Steadily) => otherwise,
    }
}

/// One that is believed for less time than passes between two answers is never believed for long.
pub(super) fn check_pace(section: &Section<'_>, signal: &Signal, problems: &mut Problems<'_>) {
    let Some(polling) = signal.polling() else { return };
    if polling.every >= signal.silent_max() {
        let (every, silent_max) = (polling.every, signal.silent_max());
        let message =
            format!("the meter is asked every {every}, but it counts as missing after {silent_max}");
        problems
            .add(Code::Timing, section.place_of("refresh"), message)
            .help("ask three times as often as that".to_owned());
    }
}

/// A detector that takes the time between two showings of the same value for a gap never comes to an end with it.
pub(super) fn short_pace(
    machine: &Machine,
    detector: &DetectorUse,
    place: SourceSpan,
    problems: &mut Problems<'_>,
) {
    let mut wired = detector.signals.iter().flatten().map(|index| &machine.signals[*index]);
    let Some(signal) = wired.find(|signal| signal.on_change().is_some()) else { return };
    let setting = |key: &str| words::duration(detector.settings.get(key)?.as_str()?).ok();
    let short = ["gap_max", "dwell"].into_iter().find_map(|key| Some((key, setting(key)?)));
    if let Some((key, span)) = short.filter(|(_, span)| *span <= SHOWN_EVERY) {
        let message = format!(
            "{key} is {span}, but while signal {} does not change, its value is shown only every {SHOWN_EVERY}, so the \
             machine would never be idle",
            signal.name
        );
        problems
            .add(Code::ShortDwell, place, message)
            .help(format!("make {key} longer than {SHOWN_EVERY}, or have the meter report steadily"));
    }
}

/// The outlet's reach says something of a meter only if both are one device.
pub(super) fn check_reach(
    outlet: &Outlet,
    signals: &[Signal],
    places: &[SourceSpan],
    problems: &mut Problems<'_>,
) {
    for (signal, place) in signals.iter().zip(places) {
        if signal.alive().is_none_or(|alive| alive.sign != LifeSign::Reach) {
            continue;
        }
        let Some(reach) = &outlet.reach else {
            let message = format!(
                "signal {} takes the outlet's reach for a sign of life, but the outlet has none",
                signal.name
            );
            problems.add(Code::NoSignOfLife, *place, message).help(
                "add reach to [outlet], or name a topic of the meter: alive = { topic = \"…\", silent_max = \"90s\" }"
                    .to_owned(),
            );
            continue;
        };
        if on_another_device(&signal.source, &reach.source) {
            let (read, told) = (&signal.source.filter, &reach.source.filter);
            let message = format!(
                "the outlet's reach says nothing of signal {}: {read} and {told} look like two devices",
                signal.name
            );
            problems.add(Code::OtherDevice, *place, message).help(
                "name a topic of the meter itself: alive = { topic = \"…\", silent_max = \"90s\" }"
                    .to_owned(),
            );
        }
    }
}

/// What Idlegate itself sends to a meter, or says of a machine, shows nothing of whether the meter is there.
pub(super) fn signs_of_life(plan: &Plan, machines: &[MachinePlaces], problems: &mut Problems<'_>) {
    let ours = format!("{}/#", plan.shop.prefix);
    let sent = plan.machines.iter().flat_map(|machine| {
        let asked = machine.questions().map(|ask| ask.topic.as_str());
        asked.chain(machine.order_topic())
    });
    let sent: Vec<&str> = sent.chain([ours.as_str()]).collect();
    for (machine, places) in plan.machines.iter().zip(machines) {
        for (signal, place) in machine.signals.iter().zip(&places.signals) {
            let Some(LifeSign::Topic { source, gone: _ }) = signal.alive().map(|alive| &alive.sign) else {
                continue;
            };
            if sent.iter().any(|sent| words::filters_overlap(&source.filter, sent)) {
                let message = format!(
                    "the sign of life of signal {} would be a message of Idlegate's own",
                    signal.name
                );
                problems
                    .add(Code::TopicClash, *place, message)
                    .help("name a topic that only the meter itself publishes to".to_owned());
            }
        }
    }
}

/// As far as their topics tell: no level in common, or none but the first of several, which is then the workshop's.
fn on_another_device(read: &Source, told: &Source) -> bool {
    let levels = |source: &Source| -> Vec<String> { source.filter.split('/').map(str::to_owned).collect() };
    let (read, told) = (levels(read), levels(told));
    let deep = read.len() > 2 && told.len() > 2;
    let shared = |from: &[String]| from.iter().any(|level| told.contains(level));
    if deep && read[0] == told[0] { !shared(&read[1..]) } else { !shared(&read) }
}
