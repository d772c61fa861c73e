//! machines/<name>.toml: outlet, signals, detectors, guard.

use super::policy::Circumstances;
use super::{MachinePlaces, Surroundings, detector, policy, shop, source, two_words};
use crate::event::Name;
use crate::guard::Policy;
use crate::plan::{
    Decimal, EnergyCounter, Machine, NumberSignal, OnCircuit, OrderTopic, Outlet, RefreshTopic, Role, Signal,
    SignalKind, StateTopic,
};
use crate::rules::codes::Code;
use crate::rules::folder::Folder;
use crate::rules::problem::quoted;
use crate::rules::report::{Place, Report};
use crate::rules::section::Section;
use crate::rules::words;
use crate::time::Span;

const STALE_AFTER: Span = Span::secs(30);
const EXPIRY: Span = Span::secs(2);
/// Of a unit that has been reported, so that nothing more is said of it; never gets into a plan.
pub(super) const UNIT_IN_DOUBT: &str = "?";
const RESIDUAL_WATTS: f64 = 5.0;

/// Nothing when the outlet cannot be made out, which has been reported.
pub(super) fn compile(
    name: Name,
    section: &Section<'_>,
    shop_section: Option<&Section<'_>>,
    folder: &Folder,
    around: &Surroundings<'_>,
    report: &mut Report<'_>,
) -> Option<(Machine, MachinePlaces)> {
    let outlet_section = section.section("outlet");
    let can_refresh = outlet_section.is_some_and(|outlet| outlet.has("refresh"));
    let own_guard = section.section("guard");
    let shop_guard = shop_section.and_then(|shop| shop.section("guard"));
    let layers: Vec<Section<'_>> = own_guard.into_iter().chain(shop_guard).collect();
    let circumstances = Circumstances {
        can_refresh,
        hazardous: !section.list("hazards").is_empty(),
        remote_on: own_guard.and_then(|guard| guard.switch("remote_on")),
    };
    let policy = policy::compile(&layers, circumstances, report);

    let (signals, signal_places) = signals(section, report);
    let outlet = outlet_section.and_then(|outlet| compile_outlet(&outlet, &policy, &signals, report));
    let place_in_outlet = |key: &str| outlet_section.map_or(section.place, |outlet| outlet.place_of(key));
    let title = section.owned("title").unwrap_or_else(|| name.as_str().replace('-', " "));
    // The detectors are looked at even when the outlet is broken: all problems at once.
    let complete = outlet.is_some();
    let outlet = outlet.unwrap_or_else(no_outlet);
    let circuit = on_circuit(section, shop_section, report);
    let site = at_site(section, shop_section, report);
    let mut machine = Machine { name, title, outlet, signals, detectors: Vec::new(), policy, circuit, site };
    let (detectors, detector_places) = detector::compile(section, &machine, folder, around, report);
    machine.policy.on_needs_permit = detectors.iter().any(|detector| detector.role == Role::PermitOn);
    machine.detectors = detectors;
    let places = MachinePlaces {
        file: section.place,
        hazardous: circumstances.hazardous,
        idle_watts: outlet_section.and_then(|outlet| outlet.number("idle_watts")),
        state: place_in_outlet("state"),
        order: place_in_outlet("order"),
        guard: own_guard.map_or(section.place, |guard| guard.place),
        signals: signal_places,
        detectors: detector_places,
    };
    complete.then_some((machine, places))
}

/// A machine that no daemon guards, or of which nobody knows which, is refused by all of them.
fn at_site(section: &Section<'_>, shop: Option<&Section<'_>>, report: &mut Report<'_>) -> Option<Name> {
    let sites = shop.map(shop::sites).unwrap_or_default();
    let known = || sites.iter().map(Name::as_str);
    let Some(site) = section.text("site") else {
        if !sites.is_empty() && !section.has("site") {
            let message = "the shop has sites, but this machine does not name one, so nobody would guard it";
            let help = format!("add site = \"…\" with one of: {}", known().collect::<Vec<_>>().join(", "));
            report.add(Code::MissingKey, section.place, message.to_owned()).help(help);
        }
        return None;
    };
    let found = sites.iter().find(|known| known.as_str() == site.value);
    if found.is_none() {
        let message = format!("no site called {}", quoted(site.value));
        let otherwise = format!("declare it in shop.toml: sites = [\"{}\"]", site.value);
        report.add(Code::UnknownName, site.place, message).nearest(site.value, known(), &otherwise);
    }
    found.cloned()
}

fn on_circuit(
    section: &Section<'_>,
    shop: Option<&Section<'_>>,
    report: &mut Report<'_>,
) -> Option<OnCircuit> {
    let Some(name) = section.text("circuit") else {
        if section.has("peak_watts") && !section.has("circuit") {
            let message = "peak_watts has no effect without circuit".to_owned();
            report.add(Code::ConflictingKeys, section.place_of_key("peak_watts"), message);
        }
        return None;
    };
    let circuits = shop.map(shop::circuits).unwrap_or_default();
    let Some(circuit) = circuits.iter().position(|circuit| circuit.name.as_str() == name.value) else {
        let known: Vec<&str> = circuits.iter().map(|circuit| circuit.name.as_str()).collect();
        let otherwise = format!("declare it in shop.toml: [circuits.{}]", name.value);
        let problem =
            report.add(Code::UnknownName, name.place, format!("no circuit called {}", quoted(name.value)));
        problem.nearest(name.value, known, &otherwise);
        return None;
    };
    let Some(peak_watts) = section.number("peak_watts") else {
        if !section.has("peak_watts") {
            let message = "circuit needs peak_watts: how much of it this machine takes".to_owned();
            report
                .add(Code::MissingKey, name.place, message)
                .help("add peak_watts, the most the machine draws for longer than an instant".to_owned());
        }
        return None;
    };
    let limit = circuits[circuit].limit_watts();
    if peak_watts > limit {
        let message = format!("{peak_watts} W is more than circuit {} can carry ({limit:.0} W)", name.value);
        report.add(Code::OutOfRange, section.place_of("peak_watts"), message);
    }
    Some(OnCircuit { circuit, peak_watts })
}

/// Stands in while the rest of a machine is checked; never leaves this file.
fn no_outlet() -> Outlet {
    let source = crate::plan::Source { filter: String::new(), path: crate::plan::ValuePath::Whole };
    Outlet {
        state: StateTopic { source, on: String::new(), off: String::new() },
        order: OrderTopic { topic: String::new(), on: String::new(), off: String::new(), expiry: EXPIRY },
        refresh: None,
        reach: None,
        power_signal: None,
        energy: None,
        residual_watts: RESIDUAL_WATTS,
    }
}

fn compile_outlet(
    section: &Section<'_>,
    policy: &Policy,
    signals: &[Signal],
    report: &mut Report<'_>,
) -> Option<Outlet> {
    let power_signal = power_signal(section, signals, report);
    let energy = energy_counter(section, signals, report);
    let refresh = section.section("refresh").and_then(|refresh| {
        let payload = refresh.payload("payload").map(|payload| payload.value).unwrap_or_default();
        Some(RefreshTopic { topic: refresh.owned("topic")?, payload })
    });
    let reach = section.section("reach").and_then(|reach| state_topic(&reach, ["yes", "no"], report));
    let order = section.section("order").and_then(|order| compile_order(&order, policy, report));
    let state = section.section("state").and_then(|state| state_topic(&state, ["on", "off"], report));
    Some(Outlet {
        state: state?,
        order: order?,
        refresh,
        reach,
        power_signal,
        energy,
        residual_watts: section.number("residual_watts").unwrap_or(RESIDUAL_WATTS),
    })
}

fn state_topic(
    section: &Section<'_>,
    keys: [&'static str; 2],
    report: &mut Report<'_>,
) -> Option<StateTopic> {
    let [on, off] = two_words(section, keys, report);
    Some(StateTopic { source: source(section, report)?, on, off })
}

fn compile_order(section: &Section<'_>, policy: &Policy, report: &mut Report<'_>) -> Option<OrderTopic> {
    let [on, off] = two_words(section, ["on", "off"], report);
    let expiry = section.duration("expiry").unwrap_or(EXPIRY.min(policy.confirm_within));
    if !expiry.millis().is_multiple_of(1_000) {
        let message = format!("expiry {expiry} is not a whole number of seconds");
        report
            .add(Code::Timing, section.place_of("expiry"), message)
            .help("MQTT counts the lifetime of a message in whole seconds".to_owned());
    }
    if expiry > policy.confirm_within {
        let message = format!(
            "an order that is valid for {expiry} could still switch the outlet after Idlegate has given up on it \
             (confirm_within is {})",
            policy.confirm_within
        );
        report
            .add(Code::Timing, section.place_of("expiry"), message)
            .help(format!("set expiry to {} or less", policy.confirm_within));
    }
    Some(OrderTopic { topic: section.owned("topic")?, on, off, expiry })
}

fn power_signal(section: &Section<'_>, signals: &[Signal], report: &mut Report<'_>) -> Option<usize> {
    let Some(name) = section.text("power") else {
        if section.has("residual_watts") && !section.has("power") {
            let message = "residual_watts has no effect without power".to_owned();
            report
                .add(Code::ConflictingKeys, section.place_of_key("residual_watts"), message)
                .help("add power, the name of the signal that carries the machine's watts".to_owned());
        }
        return None;
    };
    let Some(index) = signals.iter().position(|signal| signal.name.as_str() == name.value) else {
        unknown_signal(name.value, name.place, signals, report);
        return None;
    };
    match &signals[index].kind {
        SignalKind::Number(number) if ["", "W", UNIT_IN_DOUBT].contains(&number.unit.as_str()) => Some(index),
        SignalKind::Number(number) => {
            let message =
                format!("signal {} is in {}, but power must be in W", quoted(name.value), number.unit);
            report
                .add(Code::WrongUnit, name.place, message)
                .help("set unit = \"W\", and a scale that turns the value into watts".to_owned());
            None
        }
        SignalKind::Text => {
            report.add(
                Code::WrongKind,
                name.place,
                format!("signal {} is text, not watts", quoted(name.value)),
            );
            None
        }
    }
}

fn energy_counter(
    section: &Section<'_>,
    signals: &[Signal],
    report: &mut Report<'_>,
) -> Option<EnergyCounter> {
    let Some(name) = section.text("energy") else {
        if section.has("energy_wraps_at") && !section.has("energy") {
            let message = "energy_wraps_at has no effect without energy".to_owned();
            report.add(Code::ConflictingKeys, section.place_of_key("energy_wraps_at"), message);
        }
        return None;
    };
    let Some(signal) = signals.iter().position(|signal| signal.name.as_str() == name.value) else {
        unknown_signal(name.value, name.place, signals, report);
        return None;
    };
    let joules_per_unit = match signals[signal].unit() {
        "J" => 1.0,
        "Wh" => 3_600.0,
        "kWh" => 3_600_000.0,
        // Reported where it is declared.
        UNIT_IN_DOUBT => return None,
        unit => {
            let unit = if unit.is_empty() { "has no unit".to_owned() } else { format!("is in {unit}") };
            let message = format!("signal {} {unit}, but a unit of energy is needed", quoted(name.value));
            report
                .add(Code::WrongUnit, name.place, message)
                .help("set its unit to \"J\", \"Wh\" or \"kWh\"".to_owned());
            return None;
        }
    };
    Some(EnergyCounter { signal, joules_per_unit, wraps_at: section.number("energy_wraps_at") })
}

pub(super) fn unknown_signal(name: &str, place: Place, signals: &[Signal], report: &mut Report<'_>) {
    // One that is declared under a name that is none has been reported where it is declared.
    if Name::new(name).is_err() {
        return;
    }
    let known: Vec<&str> = signals.iter().map(|signal| signal.name.as_str()).collect();
    let otherwise = if known.is_empty() {
        format!("declare it: [signals.{name}]")
    } else {
        format!("known signals: {}", known.join(", "))
    };
    let problem = report.add(Code::UnknownName, place, format!("no signal called {}", quoted(name)));
    problem.nearest(name, known, &otherwise);
}

/// In order of name, as the table is.
fn signals(section: &Section<'_>, report: &mut Report<'_>) -> (Vec<Signal>, Vec<Place>) {
    let (mut signals, mut places) = (Vec::new(), Vec::new());
    for (name, value) in section.named("signals") {
        let Some(table) = value.value.as_table() else { continue };
        let section = Section { table, place: value.place };
        let Ok(valid_name) = Name::new(name.value) else { continue };
        let kind = kind(&section, report);
        let source = source(&section, report);
        let stale_after = section.duration("stale_after").unwrap_or(STALE_AFTER);
        // Without its topic it is of no use, but it is declared, and whoever names it is not at fault.
        let source = source
            .unwrap_or(crate::plan::Source { filter: String::new(), path: crate::plan::ValuePath::Whole });
        let stuck_after = section.duration("stuck_after");
        let sender_stores = section.switch("sender_stores").unwrap_or(false);
        signals.push(Signal { name: valid_name, source, kind, stale_after, stuck_after, sender_stores });
        places.push(name.place);
    }
    (signals, places)
}

fn kind(section: &Section<'_>, report: &mut Report<'_>) -> SignalKind {
    if section.text("kind").is_some_and(|kind| kind.value == "text") {
        for key in ["unit", "scale", "offset", "plausible", "stuck_after", "decimal", "values"] {
            if section.has(key) {
                let message = format!("a text signal cannot have {key}");
                report.add(Code::ConflictingKeys, section.place_of_key(key), message);
            }
        }
        return SignalKind::Text;
    }
    let unit = match section.text("unit") {
        Some(unit) if words::UNITS.contains(&unit.value) => unit.value.to_owned(),
        Some(_) => UNIT_IN_DOUBT.to_owned(),
        None if section.has("unit") => UNIT_IN_DOUBT.to_owned(),
        None => String::new(),
    };
    let scale = section.number("scale").unwrap_or(1.0);
    if scale == 0.0 {
        let message = "a scale of 0 makes every reading the same".to_owned();
        report.add(Code::OutOfRange, section.place_of("scale"), message);
    }
    let plausible = section.range("plausible").unwrap_or_else(|| words::plausible(&unit));
    SignalKind::Number(NumberSignal {
        unit,
        scale,
        offset: section.number("offset").unwrap_or(0.0),
        plausible,
        decimal: decimal(section, report),
        values: values(section, plausible, report),
    })
}

fn decimal(section: &Section<'_>, report: &mut Report<'_>) -> Decimal {
    if section.has("decimal") && section.has("senml") {
        let message = "decimal has no effect beside senml: numbers in SenML always have a point".to_owned();
        report
            .add(Code::ConflictingKeys, section.place_of_key("decimal"), message)
            .help("remove decimal".to_owned());
    }
    match section.text("decimal") {
        Some(mark) if mark.value == "," => Decimal::Comma,
        Some(_) | None => Decimal::Point,
    }
}

fn values(section: &Section<'_>, plausible: (f64, f64), report: &mut Report<'_>) -> Vec<(String, f64)> {
    let mut values = section.word_numbers("values");
    // What is beyond every unit has been reported.
    values.retain(|(_, value)| words::WORD_NUMBERS.contains(value));
    let (least, most) = plausible;
    for (word, value) in values.iter().filter(|(_, value)| !(least..=most).contains(value)) {
        let message = format!(
            "{} stands for {value}, which is outside of what is plausible, {least} to {most}",
            quoted(word.value)
        );
        report
            .add(Code::OutOfRange, word.place, message)
            .help("set plausible to a range that has every value in it".to_owned());
    }
    values.into_iter().map(|(word, value)| (word.value.to_owned(), value)).collect()
}
