//! What a machine has to do with others: their state as a signal, which of them need it, which of them it needs. None
//! of it may go round in a circle, and all of them are guarded by one daemon.

use super::MachinePlaces;
use crate::codes::Code;
use crate::defaults;
use crate::problem::quoted;
use crate::problems::{At, Problems, SourceSpan};
use crate::section::Section;
use idlegate_engine::signals::SHOWN_EVERY;
use idlegate_guard::time::Span;
use idlegate_plan::event::Name;
use idlegate_plan::{
    Interlocks, Machine, NeededBy, Plan, Reports, Role, Signal, SignalKind, Source, ValuePath, indexed,
};

/// By this a signal means the machine that it is declared for.
const THIS: &str = "this";

/// The machine at hand, and every one there is.
#[derive(Clone, Copy)]
pub(super) struct Machines<'a> {
    pub(super) this: &'a Name,
    pub(super) all: &'a [Name],
}

/// Where the names stand, in their order.
#[derive(Debug, Default)]
pub(super) struct InterlockPlaces {
    needed_by: Vec<SourceSpan>,
    needs_on: Vec<SourceSpan>,
}

pub(super) fn compile(
    section: &Section<'_>,
    machines: Machines<'_>,
    problems: &mut Problems<'_>,
) -> (Interlocks, InterlockPlaces) {
    let needed_by = section.section("needed_by");
    let (names, needed_by_places) =
        needed_by.map(|section| named(&section, "machines", machines, problems)).unwrap_or_default();
    let (needs_on, needs_on_places) = named(section, "needs_on", machines, problems);
    let needed_by = needed_by.map(|section| {
        if section.has("machines") && section.list("machines").is_empty() {
            let message = "needed_by names no machine".to_owned();
            problems.add(Code::MissingKey, section.place_of("machines"), message);
        }
        NeededBy {
            machines: names,
            run_on: section.duration("run_on").unwrap_or(defaults::RUN_ON),
            may_remain: section.owned("may_remain"),
        }
    });
    (
        Interlocks { needed_by, needs_on },
        InterlockPlaces { needed_by: needed_by_places, needs_on: needs_on_places },
    )
}

fn named(
    section: &Section<'_>,
    key: &str,
    machines: Machines<'_>,
    problems: &mut Problems<'_>,
) -> (Vec<Name>, Vec<SourceSpan>) {
    let entries = section.list(key).into_iter();
    let entries = entries.filter_map(|entry| Some(At { value: entry.value.as_str()?, place: entry.place }));
    entries.filter_map(|entry| Some((known(entry, machines, problems)?, entry.place))).unzip()
}

fn known(name: At<&str>, machines: Machines<'_>, problems: &mut Problems<'_>) -> Option<Name> {
    let found = machines.all.iter().find(|known| known.as_str() == name.value);
    // One that is no name has been reported when the form was checked.
    if found.is_none() && Name::new(name.value).is_ok() {
        let all = || machines.all.iter().map(Name::as_str);
        let otherwise = format!("known machines: {}", all().collect::<Vec<_>>().join(", "));
        let problem =
            problems.add(Code::UnknownName, name.place, format!("no machine called {}", quoted(name.value)));
        problem.nearest(name.value, all(), &otherwise);
    }
    found.cloned()
}

/// A signal that is the state of a machine.
pub(super) fn state_signal(
    section: &Section<'_>,
    name: Name,
    machines: Machines<'_>,
    problems: &mut Problems<'_>,
) -> Signal {
    for (key, _) in section.table.iter().filter(|(key, _)| key.get_ref() != "machine") {
        let message = format!("a signal that is the state of a machine cannot have {}", key.get_ref());
        problems
            .add(Code::ConflictingKeys, section.place_of_key(key.get_ref()), message)
            .help("leave it out: what is read is busy, idle, unknown or off".to_owned());
    }
    let machine = section.text("machine").and_then(|of| {
        if of.value == THIS { Some(machines.this.clone()) } else { known(of, machines, problems) }
    });
    Signal {
        name,
        source: Source { filter: String::new(), path: ValuePath::Whole },
        // Of one that is unknown, which has been reported, it is text like any other.
        kind: machine.map_or(SignalKind::Text, SignalKind::Machine),
        // It is said again and again by the engine itself.
        stale_after: Span(SHOWN_EVERY.0 * 3),
        stuck_after: None,
        sender_stores: false,
        reports: Reports::Steadily,
    }
}

/// What only all machines together show.
pub(super) fn check(plan: &Plan, places: &[MachinePlaces], problems: &mut Problems<'_>) {
    for (machine, places) in plan.machines.iter().zip(places) {
        at_one_site(plan, machine, places, problems);
        needs_what_is_seen(plan, machine, places, problems);
        own_state(machine, places, problems);
    }
    let holding = |machine: &Machine| machine.held_by().into_iter().cloned().collect();
    for circle in circles(plan, holding) {
        let message = if let [one] = circle[..] {
            format!("{} holds itself, so it could never be switched off", plan.machines[one].name)
        } else {
            // Each is held by the one behind it.
            let backwards: Vec<usize> = circle[..1].iter().chain(circle[1..].iter().rev()).copied().collect();
            format!("{}, so none of them could ever be switched off", in_words(plan, &backwards, "holds"))
        };
        tell_circle(plan, places, &circle, message, problems);
    }
    for circle in circles(plan, |machine: &Machine| machine.interlocks.needs_on.clone()) {
        let message = if let [one] = circle[..] {
            format!("{} needs itself to be on, so it could never be switched on", plan.machines[one].name)
        } else {
            format!("{}, so none of them could ever be switched on", in_words(plan, &circle, "needs"))
        };
        tell_circle(plan, places, &circle, message, problems);
    }
}

fn tell_circle(
    plan: &Plan,
    places: &[MachinePlaces],
    circle: &[usize],
    message: String,
    problems: &mut Problems<'_>,
) {
    let next = &plan.machines[circle[1 % circle.len()]].name;
    let place = place_of(&plan.machines[circle[0]], next, &places[circle[0]]);
    let help = if circle.len() == 1 {
        "take it out of its own needed_by or needs_on; a signal with its own state is for detectors that warn or advise"
    } else {
        "take one of them out of another's needed_by, needs_on or signals"
    };
    problems.add(Code::Circle, place, message).help(help.to_owned());
}

/// "mill holds dust-extractor, which holds mill"
fn in_words(plan: &Plan, circle: &[usize], does: &str) -> String {
    let mut names = circle.iter().chain(circle.first()).map(|at| plan.machines[*at].name.as_str());
    let first = names.next().unwrap_or_default().to_owned();
    let mut words = first;
    for (at, name) in names.enumerate() {
        let joint = if at == 0 { " " } else { ", which " };
        words = format!("{words}{joint}{does} {name}");
    }
    words
}

/// Where one machine names another.
fn place_of(machine: &Machine, other: &Name, places: &MachinePlaces) -> SourceSpan {
    let interlocks = &machine.interlocks;
    let needed_by = interlocks.needed_by.iter().flat_map(|needed_by| &needed_by.machines);
    let needed_by = needed_by.zip(&places.interlocks.needed_by);
    let needs_on = interlocks.needs_on.iter().zip(&places.interlocks.needs_on);
    let found = needed_by.chain(needs_on).find(|(name, _)| *name == other).map(|(_, place)| *place);
    let of_it = |(signal, _): &(&Signal, &SourceSpan)| signal.of_machine() == Some(other);
    let signal = || machine.signals.iter().zip(&places.signals).find(of_it).map(|(_, place)| *place);
    found.or_else(signal).unwrap_or(places.file)
}

/// A daemon knows nothing of what another one guards.
fn at_one_site(plan: &Plan, machine: &Machine, places: &MachinePlaces, problems: &mut Problems<'_>) {
    let others = machine.goes_by().into_iter().filter_map(|name| plan.machine(name.as_str()));
    for (_, other) in others.filter(|(_, other)| other.site != machine.site) {
        let message =
            format!("{} goes by the state of {}, which is at another site", machine.name, other.name);
        problems
            .add(Code::ConflictingKeys, place_of(machine, &other.name, places), message)
            .help("one daemon must guard both: give them the same site".to_owned());
    }
}

/// Of a machine that only a meter tells of, nobody knows whether it is on.
fn needs_what_is_seen(plan: &Plan, machine: &Machine, places: &MachinePlaces, problems: &mut Problems<'_>) {
    for (name, place) in machine.interlocks.needs_on.iter().zip(&places.interlocks.needs_on) {
        let needed = plan.machine(name.as_str()).map(|(_, needed)| needed);
        if needed.is_some_and(|needed| needed.outlet.state.is_none()) {
            let message = format!("nothing says whether {name} is on, so {} could never be", machine.name);
            problems
                .add(Code::ConflictingKeys, *place, message)
                .help(format!("give {name} the state of its outlet, or take it out of needs_on"));
        }
    }
}

/// A machine that could be switched on only in a state that it does not have while it is off.
fn own_state(machine: &Machine, places: &MachinePlaces, problems: &mut Problems<'_>) {
    let own: Vec<_> = indexed(&machine.signals)
        .filter(|(_, signal)| signal.of_machine() == Some(&machine.name))
        .map(|(index, _)| index)
        .collect();
    for (uses, place) in machine.detectors.iter().zip(&places.detectors) {
        if uses.role == Role::PermitOn && uses.signals.iter().flatten().any(|signal| own.contains(signal)) {
            let message =
                format!("detector {} would let {} be switched on by its own state", uses.name, machine.name);
            problems
                .add(Code::Circle, *place, message)
                .help("give it the role warn or advise, or another signal".to_owned());
        }
    }
}

/// Each circle once, beginning with its first machine; each machine leads to the next.
fn circles(plan: &Plan, leads_to: impl Fn(&Machine) -> Vec<Name>) -> Vec<Vec<usize>> {
    let edges: Vec<Vec<usize>> = plan
        .machines
        .iter()
        .map(|machine| {
            let names = leads_to(machine);
            names.iter().filter_map(|name| plan.machine(name.as_str())).map(|(index, _)| index.0).collect()
        })
        .collect();
    let mut found = Vec::new();
    let mut done = vec![false; edges.len()];
    for start in 0..edges.len() {
        // The machines on the way, and which of its edges each has yet to go.
        let mut way: Vec<(usize, usize)> = if done[start] { Vec::new() } else { vec![(start, 0)] };
        while let Some((at, edge)) = way.last_mut() {
            let (from, next) = (*at, edges[*at].get(*edge).copied());
            *edge += 1;
            match next {
                None => {
                    done[from] = true;
                    way.pop();
                }
                Some(next) => match way.iter().position(|(on_the_way, _)| *on_the_way == next) {
                    Some(begin) => found.push(way[begin..].iter().map(|(at, _)| *at).collect()),
                    None if !done[next] => way.push((next, 0)),
                    None => {}
                },
            }
        }
    }
    found
}
