//! machines/<name>.toml: outlet, signals, detectors, guard.

use super::interlocks::{self, Machines};
use super::policy::Circumstances;
use super::{MachinePlaces, Surroundings, control, detector, life, policy, shop, source, two_words};
use crate::codes::Code;
use crate::defaults;
use crate::folder::Folder;
use crate::problem::quoted;
use crate::problems::{Problems, SourceSpan};
use crate::section::Section;
use crate::words;
use idlegate_guard::{Control, Policy};
use idlegate_plan::event::Name;
use idlegate_plan::{
    Decimal, EnergyCounter, Machine, NumberSignal, OnCircuit, OrderTopic, Outlet, RefreshTopic, Role, Signal,
    SignalIx, SignalKind, StateTopic, indexed,
};

/// Of a unit that has been reported, so that nothing more is said of it; never gets into a plan.
pub(super) const UNIT_IN_DOUBT: &str = "?";

/// Nothing when the outlet cannot be made out, which has been reported.
pub(super) fn compile(
    machines: Machines<'_>,
    section: &Section<'_>,
    shop_section: Option<&Section<'_>>,
    folder: &Folder,
    around: &Surroundings<'_>,
    problems: &mut Problems<'_>,
) -> Option<(Machine, MachinePlaces)> {
    let outlet_section = section.section("outlet");
    let can_refresh = outlet_section.is_some_and(|outlet| outlet.has("refresh"));
    let own_guard = section.section("guard");
    let shop_guard = shop_section.and_then(|shop| shop.section("guard"));
    let layers: Vec<Section<'_>> = own_guard.into_iter().chain(shop_guard).collect();
    let circumstances = Circumstances {
        can_refresh,
        hazardous: !section.list("hazards").is_empty(),
        on_from: own_guard.as_ref().and_then(policy::on_from),
        shops_on_from: shop_guard.as_ref().and_then(policy::on_from),
    };
    let policy = policy::compile(&layers, circumstances, problems);
    let policy = Policy { control: control::compile(section, problems), ..policy };

    let (signals, signal_places) = signals(section, machines, problems);
    let outlet = outlet_section.and_then(|outlet| compile_outlet(&outlet, &policy, &signals, problems));
    let name = machines.this.clone();
    let place_in_outlet = |key: &str| outlet_section.map_or(section.place, |outlet| outlet.place_of(key));
    let title = section.owned("title").unwrap_or_else(|| name.as_str().replace('-', " "));
    // The detectors are looked at even when the outlet is broken: all problems at once.
    let complete = outlet.is_some();
    outlet.iter().for_each(|outlet| life::check_reach(outlet, &signals, &signal_places, problems));
    let outlet = outlet.unwrap_or_else(no_outlet);
    let circuit = on_circuit(section, shop_section, problems);
    let site = at_site(section, shop_section, problems);
    let (interlocks, interlock_places) = interlocks::compile(section, machines, problems);
    let mut machine = Machine {
        name,
        title,
        outlet,
        signals,
        detectors: Vec::new(),
        policy,
        speak_in_shadow: speaks_in_shadow(&layers),
        learning: super::learning::compile(&layers, problems),
        interlocks,
        services: super::upkeep::services(section, problems),
        drill_every: layers.iter().find_map(|layer| layer.duration("drill_every")),
        jobs: super::jobs::compile(section, shop_section),
        hazardous: circumstances.hazardous,
        circuit,
        site,
    };
    let (detectors, detector_places) = detector::compile(section, &machine, folder, around, problems);
    machine.policy.on_by_hand = outlet_section.is_some_and(|outlet| is_switched_by_hand(&outlet));
    machine.policy.on_needs_permit = !machine.interlocks.needs_on.is_empty()
        || detectors.iter().any(|detector| detector.role == Role::PermitOn);
    machine.detectors = detectors;
    let places = MachinePlaces {
        file: section.place,
        hazardous: circumstances.hazardous,
        idle_watts: outlet_section.and_then(|outlet| outlet.number("idle_watts")),
        state: place_in_outlet("state"),
        order: place_in_outlet("order"),
        guard: own_guard.map_or(section.place, |guard| guard.place),
        signals: signal_places,
        interlocks: interlock_places,
        detectors: detector_places,
    };
    complete.then_some((machine, places))
}

fn speaks_in_shadow(layers: &[Section<'_>]) -> bool {
    let said = layers.iter().find_map(|layer| layer.switch("speak_in_shadow"));
    said.unwrap_or(defaults::SPEAK_IN_SHADOW)
}

/// A machine that no daemon guards, or of which nobody knows which, is refused by all of them.
fn at_site(section: &Section<'_>, shop: Option<&Section<'_>>, problems: &mut Problems<'_>) -> Option<Name> {
    let sites = shop.map(shop::sites).unwrap_or_default();
    let known = || sites.iter().map(Name::as_str);
    let Some(site) = section.text("site") else {
        if !sites.is_empty() && !section.has("site") {
            let message = "the shop has sites, but this machine does not name one, so nobody would guard it";
            let help = format!("add site = \"…\" with one of: {}", known().collect::<Vec<_>>().join(", "));
            problems.add(Code::MissingKey, section.place, message.to_owned()).help(help);
        }
        return None;
    };
    let found = sites.iter().find(|known| known.as_str() == site.value);
    if found.is_none() {
        let message = format!("no site called {}", quoted(site.value));
        let otherwise = format!("declare it in shop.toml: sites = [\"{}\"]", site.value);
        problems.add(Code::UnknownName, site.place, message).nearest(site.value, known(), &otherwise);
    }
    found.cloned()
}

fn is_switched_by_hand(outlet: &Section<'_>) -> bool {
    outlet.text("switched_by_hand").is_some_and(|word| word.value == "expected")
}

fn on_circuit(
    section: &Section<'_>,
    shop: Option<&Section<'_>>,
    problems: &mut Problems<'_>,
) -> Option<OnCircuit> {
    let Some(name) = section.text("circuit") else {
        if section.has("peak_watts") && !section.has("circuit") {
            let message = "peak_watts has no effect without circuit".to_owned();
            problems.add(Code::ConflictingKeys, section.place_of_key("peak_watts"), message);
        }
        return None;
    };
    let circuits = shop.map(shop::circuits).unwrap_or_default();
    let Some(circuit) = circuits.iter().position(|circuit| circuit.name.as_str() == name.value) else {
        let known: Vec<&str> = circuits.iter().map(|circuit| circuit.name.as_str()).collect();
        let otherwise = format!("declare it in shop.toml: [circuits.{}]", name.value);
        let problem =
            problems.add(Code::UnknownName, name.place, format!("no circuit called {}", quoted(name.value)));
        problem.nearest(name.value, known, &otherwise);
        return None;
    };
    let Some(peak_watts) = section.number("peak_watts") else {
        if !section.has("peak_watts") {
            let message = "circuit needs peak_watts: how much of it this machine takes".to_owned();
            problems
                .add(Code::MissingKey, name.place, message)
                .help("add peak_watts, the most the machine draws for longer than an instant".to_owned());
        }
        return None;
    };
    let limit = circuits[circuit].limit_watts();
    if peak_watts > limit {
        let message = format!("{peak_watts} W is more than circuit {} can carry ({limit:.0} W)", name.value);
        problems.add(Code::OutOfRange, section.place_of("peak_watts"), message);
    }
    Some(OnCircuit { circuit, peak_watts })
}

/// Stands in while the rest of a machine is checked; never leaves this file.
fn no_outlet() -> Outlet {
    Outlet {
        state: None,
        order: None,
        refresh: None,
        reach: None,
        power_signal: None,
        energy: None,
        residual_watts: defaults::RESIDUAL_WATTS,
    }
}

fn compile_outlet(
    section: &Section<'_>,
    policy: &Policy,
    signals: &[Signal],
    problems: &mut Problems<'_>,
) -> Option<Outlet> {
    let power_signal = power_signal(section, signals, problems);
    let energy = energy_counter(section, signals, problems);
    control::check_outlet(section, policy.control, problems);
    let refresh = section.section("refresh").and_then(|refresh| {
        let payload = refresh.payload("payload").map(|payload| payload.value).unwrap_or_default();
        Some(RefreshTopic { topic: refresh.owned("topic")?, payload })
    });
    let reach = section.section("reach").and_then(|reach| state_topic(&reach, ["yes", "no"], problems));
    let order = section.section("order").and_then(|order| compile_order(&order, policy, problems));
    let state = section.section("state").and_then(|state| state_topic(&state, ["on", "off"], problems));
    // One that is there and cannot be made out has been reported.
    let is_whole = match policy.control {
        Control::Full | Control::NeverOff => state.is_some() && order.is_some(),
        Control::Watched => {
            order.is_none()
                && (state.is_some() || !section.has("state") && (power_signal.is_some() || energy.is_some()))
        }
    };
    is_whole.then_some(Outlet {
        state,
        order,
        refresh,
        reach,
        power_signal,
        energy,
        residual_watts: section.number("residual_watts").unwrap_or(defaults::RESIDUAL_WATTS),
    })
}

fn state_topic(
    section: &Section<'_>,
    keys: [&'static str; 2],
    problems: &mut Problems<'_>,
) -> Option<StateTopic> {
    let [on, off] = two_words(section, keys, problems);
    Some(StateTopic { source: source(section, problems)?, on, off })
}

fn compile_order(section: &Section<'_>, policy: &Policy, problems: &mut Problems<'_>) -> Option<OrderTopic> {
    let [on, off] = two_words(section, ["on", "off"], problems);
    let expiry = section.duration("expiry").unwrap_or(defaults::EXPIRY.min(policy.confirm_within));
    if !expiry.millis().is_multiple_of(1_000) {
        let message = format!("expiry {expiry} is not a whole number of seconds");
        problems
            .add(Code::Timing, section.place_of("expiry"), message)
            .help("MQTT counts the lifetime of a message in whole seconds".to_owned());
    }
    if expiry > policy.confirm_within {
        let message = format!(
            "an order that is valid for {expiry} could still switch the outlet after Idlegate has given up on it \
             (confirm_within is {})",
            policy.confirm_within
        );
        problems
            .add(Code::Timing, section.place_of("expiry"), message)
            .help(format!("set expiry to {} or less", policy.confirm_within));
    }
    Some(OrderTopic { topic: section.owned("topic")?, on, off, expiry })
}

fn power_signal(section: &Section<'_>, signals: &[Signal], problems: &mut Problems<'_>) -> Option<SignalIx> {
    let Some(name) = section.text("power") else {
        if section.has("residual_watts") && !section.has("power") {
            let message = "residual_watts has no effect without power".to_owned();
            problems
                .add(Code::ConflictingKeys, section.place_of_key("residual_watts"), message)
                .help("add power, the name of the signal that carries the machine's watts".to_owned());
        }
        return None;
    };
    let found = indexed(signals).find(|(_, signal)| signal.name.as_str() == name.value);
    let Some((index, signal)) = found else {
        unknown_signal(name.value, name.place, signals, problems);
        return None;
    };
    match &signal.kind {
        SignalKind::Number(number) if ["", "W", UNIT_IN_DOUBT].contains(&number.unit.as_str()) => Some(index),
        SignalKind::Number(number) => {
            let message =
                format!("signal {} is in {}, but power must be in W", quoted(name.value), number.unit);
            problems
                .add(Code::WrongUnit, name.place, message)
                .help("set unit = \"W\", and a scale that turns the value into watts".to_owned());
            None
        }
        SignalKind::Text | SignalKind::Machine(_) => {
            problems.add(
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
    problems: &mut Problems<'_>,
) -> Option<EnergyCounter> {
    let Some(name) = section.text("energy") else {
        if section.has("energy_wraps_at") && !section.has("energy") {
            let message = "energy_wraps_at has no effect without energy".to_owned();
            problems.add(Code::ConflictingKeys, section.place_of_key("energy_wraps_at"), message);
        }
        return None;
    };
    let found = indexed(signals).find(|(_, signal)| signal.name.as_str() == name.value);
    let Some((index, signal)) = found else {
        unknown_signal(name.value, name.place, signals, problems);
        return None;
    };
    let joules_per_unit = match signal.unit() {
        "J" => 1.0,
        "Wh" => 3_600.0,
        "kWh" => 3_600_000.0,
        // Reported where it is declared.
        UNIT_IN_DOUBT => return None,
        unit => {
            let unit = if unit.is_empty() { "has no unit".to_owned() } else { format!("is in {unit}") };
            let message = format!("signal {} {unit}, but a unit of energy is needed", quoted(name.value));
            problems
                .add(Code::WrongUnit, name.place, message)
                .help("set its unit to \"J\", \"Wh\" or \"kWh\"".to_owned());
            return None;
        }
    };
    Some(EnergyCounter { signal: index, joules_per_unit, wraps_at: section.number("energy_wraps_at") })
}

pub(super) fn unknown_signal(name: &str, place: SourceSpan, signals: &[Signal], problems: &mut Problems<'_>) {
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
    let problem = problems.add(Code::UnknownName, place, format!("no signal called {}", quoted(name)));
    problem.nearest(name, known, &otherwise);
}

/// In order of name, as the table is.
fn signals(
    section: &Section<'_>,
    machines: Machines<'_>,
    problems: &mut Problems<'_>,
) -> (Vec<Signal>, Vec<SourceSpan>) {
    let (mut signals, mut places) = (Vec::new(), Vec::new());
    for (name, value) in section.named("signals") {
        let Some(table) = value.value.as_table() else { continue };
        let section = Section { table, place: value.place };
        let Ok(valid_name) = Name::new(name.value) else { continue };
        if section.has("machine") {
            signals.push(interlocks::state_signal(&section, valid_name, machines, problems));
            places.push(name.place);
            continue;
        }
        if !section.has("topic") {
            let message = format!("topic is missing from signals.{valid_name}");
            problems
                .add(Code::MissingKey, section.place, message)
                .help("give it a topic, or machine = \"…\" if it is the state of a machine".to_owned());
        }
        let kind = kind(&section, problems);
        let source = source(&section, problems);
        let reports = life::reports(&section, problems);
        let stale_after = life::stale_after(&section, &reports, defaults::STALE_AFTER);
        // Without its topic it is of no use, but it is declared, and whoever names it is not at fault.
        let source = source.unwrap_or(idlegate_plan::Source {
            filter: String::new(),
            path: idlegate_plan::ValuePath::Whole,
        });
        let stuck_after = section.duration("stuck_after");
        let sender_stores = section.switch("sender_stores").unwrap_or(false);
        let signal =
            Signal { name: valid_name, source, kind, stale_after, stuck_after, sender_stores, reports };
        life::check_pace(&section, &signal, problems);
        signals.push(signal);
        places.push(name.place);
    }
    (signals, places)
}

fn kind(section: &Section<'_>, problems: &mut Problems<'_>) -> SignalKind {
    if section.text("kind").is_some_and(|kind| kind.value == "text") {
        for key in ["unit", "scale", "offset", "plausible", "stuck_after", "decimal", "values"] {
            if section.has(key) {
                let message = format!("a text signal cannot have {key}");
                problems.add(Code::ConflictingKeys, section.place_of_key(key), message);
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
    let scale = section.number("scale").unwrap_or(defaults::SCALE);
    if scale == 0.0 {
        let message = "a scale of 0 makes every reading the same".to_owned();
        problems.add(Code::OutOfRange, section.place_of("scale"), message);
    }
    let plausible = section.range("plausible").unwrap_or_else(|| words::plausible(&unit));
    SignalKind::Number(NumberSignal {
        unit,
        scale,
        offset: section.number("offset").unwrap_or(defaults::OFFSET),
        plausible,
        decimal: decimal(section, problems),
        values: values(section, plausible, problems),
    })
}

fn decimal(section: &Section<'_>, problems: &mut Problems<'_>) -> Decimal {
    if section.has("decimal") && section.has("senml") {
        let message = "decimal has no effect beside senml: numbers in SenML always have a point".to_owned();
        problems
            .add(Code::ConflictingKeys, section.place_of_key("decimal"), message)
            .help("remove decimal".to_owned());
    }
    match section.text("decimal") {
        Some(mark) if mark.value == "," => Decimal::Comma,
        Some(_) | None => Decimal::Point,
    }
}

fn values(section: &Section<'_>, plausible: (f64, f64), problems: &mut Problems<'_>) -> Vec<(String, f64)> {
    let mut values = section.word_numbers("values");
    // What is beyond every unit has been reported.
    values.retain(|(_, value)| words::WORD_NUMBERS.contains(value));
    let (least, most) = plausible;
    for (word, value) in values.iter().filter(|(_, value)| !(least..=most).contains(value)) {
        let message = format!(
            "{} stands for {value}, which is outside of what is plausible, {least} to {most}",
            quoted(word.value)
        );
        problems
            .add(Code::OutOfRange, word.place, message)
            .help("set plausible to a range that has every value in it".to_owned());
    }
    values.into_iter().map(|(word, value)| (word.value.to_owned(), value)).collect()
}
