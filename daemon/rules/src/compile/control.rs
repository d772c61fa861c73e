//! Machines that are not switched like others: those that Idlegate only watches, and those that are never switched off.

use crate::codes::Code;
use crate::problems::Problems;
use crate::section::Section;
use idlegate_guard::Control;

/// What only means something where Idlegate switches the machine: in its file, its `[outlet]` and its `[guard]`.
const OF_SWITCHED: [&str; 1] = ["needed_by"];
const OF_SWITCHED_OUTLET: [&str; 2] = ["order", "switched_by_hand"];
const OF_SWITCHED_GUARD: [&str; 3] = ["forgotten_after", "on_from", "drill_every"];

/// As its file declares it, whatever else is wrong there.
pub(super) fn declared(section: &Section<'_>) -> Control {
    let says = |key: &str| section.switch(key).unwrap_or(false);
    if says("watched") {
        Control::Watched
    } else if says("never_off") {
        Control::NeverOff
    } else {
        Control::Full
    }
}

/// Reports what goes against it.
pub(super) fn compile(section: &Section<'_>, problems: &mut Problems<'_>) -> Control {
    let guard = section.section("guard");
    let control = declared(section);
    match control {
        Control::Full => {}
        Control::Watched if section.switch("never_off") == Some(true) => {
            let message = "watched and never_off cannot be used together".to_owned();
            problems
                .add(Code::ConflictingKeys, section.place_of_key("never_off"), message)
                .help("leave never_off out: a machine that is only watched is never switched off".to_owned());
        }
        Control::Watched => {
            let outlet = section.section("outlet");
            let watched = ("watched", "only watched");
            for (of, keys) in [
                (Some(*section), OF_SWITCHED.as_slice()),
                (outlet, &OF_SWITCHED_OUTLET),
                (guard, &OF_SWITCHED_GUARD),
            ] {
                of.iter().for_each(|of| without_effect(of, keys, watched, problems));
            }
        }
        Control::NeverOff => {
            let never = ("never_off", "never switched off");
            guard.iter().for_each(|guard| without_effect(guard, &["forgotten_after"], never, problems));
        }
    }
    control
}

/// `declared_by` is the key by which the machine `is` so.
fn without_effect(
    section: &Section<'_>,
    keys: &[&str],
    (declared_by, is): (&str, &str),
    problems: &mut Problems<'_>,
) {
    for key in keys.iter().filter(|key| section.has(key)) {
        let message = format!("{key} has no effect on a machine that is {is}");
        problems
            .add(Code::ConflictingKeys, section.place_of_key(key), message)
            .help(format!("remove {key}, or {declared_by} = true"));
    }
}

/// What the outlet lacks for what is to be done with it.
pub(super) fn check_outlet(outlet: &Section<'_>, control: Control, problems: &mut Problems<'_>) {
    match control {
        Control::Full | Control::NeverOff => {
            for (key, about) in [
                ("state", "Where the outlet reports whether it is on."),
                (
                    "order",
                    "Where the outlet takes orders. Or set watched = true in this file, if Idlegate is only to watch the machine.",
                ),
            ] {
                if !outlet.has(key) {
                    problems
                        .add(Code::MissingKey, outlet.place, format!("[{key}] is missing from outlet"))
                        .help(format!("expected a table: {about}"));
                }
            }
        }
        Control::Watched => {
            if !["state", "power", "energy"].iter().any(|key| outlet.has(key)) {
                let message = "a machine that is only watched needs a state or a meter".to_owned();
                problems.add(Code::MissingKey, outlet.place, message).help(
                    "add [outlet.state], where it reports whether it is on, or power, the signal with its watts"
                        .to_owned(),
                );
            }
        }
    }
}
