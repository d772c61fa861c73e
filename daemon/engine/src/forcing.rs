//! How somebody can force a machine off, in words to be followed at once: by the gestures of the very input that was
//! used, or, where that may not force, by naming the inputs that may. And where a machine may be switched on from.

use std::sync::Arc;

use idlegate_guard::{Place, RequestKind};
use idlegate_plan::text::in_a_row;
use idlegate_plan::{Gesture, Input, InputSource, MachineIx, Plan};

/// Whoever hears more names than this remembers none.
const NAMED_MAX: usize = 3;

/// What to do at this input, or else where to go. `again`: what was just held was a force itself.
pub(super) fn how(plan: &Plan, machine: MachineIx, input: Option<&Input>, again: bool) -> Arc<str> {
    if let Some(own) = input.and_then(|input| at(input, again)) {
        return own.into();
    }
    let others = nearest_first(plan, machine, |other| at(other, false).is_some());
    if others.is_empty() {
        "switch it off at the machine itself".into()
    } else {
        format!("use {}", in_a_row(&others, "or")).into()
    }
}

/// For whoever may not switch it on from where they are.
pub(super) fn who_may_switch_on(plan: &Plan, machine: MachineIx) -> Arc<str> {
    let allowed = plan.machines[machine].policy.on_from;
    let others = nearest_first(plan, machine, |other| {
        allowed.contains(other.rights.place)
            && (asks_for(other, RequestKind::On) || asks_for(other, RequestKind::Flip))
    });
    if others.is_empty() {
        "it may only be switched on by hand, at its outlet".into()
    } else {
        format!("it may not be switched on from here; use {}", in_a_row(&others, "or")).into()
    }
}

/// Those who stand beside the machine come first.
fn nearest_first(plan: &Plan, machine: MachineIx, fits: impl Fn(&Input) -> bool) -> Vec<&str> {
    let fitting = |input: &&Input| input.machines.contains(&machine) && fits(input);
    let mut others: Vec<&Input> = plan.inputs.iter().filter(fitting).collect();
    others.sort_by_key(|input| input.rights.place);
    others.into_iter().take(NAMED_MAX).map(|input| input.title.as_str()).collect()
}

fn asks_for(input: &Input, kind: RequestKind) -> bool {
    match &input.source {
        InputSource::RequestTopic => input.requests.as_ref().is_none_or(|requests| requests.contains(&kind)),
        InputSource::Topic { .. } => input.gestures.iter().any(|gesture| gesture.request == kind),
        InputSource::Schedule(_) | InputSource::Contact(_) => false,
    }
}

/// Nothing where no force can come from this input.
fn at(input: &Input, again: bool) -> Option<String> {
    if !input.rights.may_force || !asks_for(input, RequestKind::ForceOff) {
        return None;
    }
    let from_afar = input.rights.place == Place::Remote;
    match &input.source {
        InputSource::RequestTopic if from_afar => {
            Some("ask for force-off with the token in the answer".to_owned())
        }
        InputSource::RequestTopic => {
            let way = if again { "ask for force-off again" } else { "ask for force-off" };
            Some(way.to_owned())
        }
        InputSource::Topic { .. } if from_afar => {
            input.confirm.as_ref().map(|_| "send the force with the token in the answer".to_owned())
        }
        InputSource::Topic { .. } => {
            let force = input.gestures.iter().find(|gesture| gesture.request == RequestKind::ForceOff)?;
            Some(by_gesture(force, again))
        }
        InputSource::Schedule(_) | InputSource::Contact(_) => None,
    }
}

fn by_gesture(gesture: &Gesture, again: bool) -> String {
    match (gesture.name.as_str(), again) {
        ("long-press", false) => "hold the button down".to_owned(),
        ("long-press", true) => "hold the button down again".to_owned(),
        ("press", _) => "press the button again".to_owned(),
        ("double-press", false) => "press the button twice".to_owned(),
        ("double-press", true) => "press the button twice again".to_owned(),
        (name, _) => {
            let word = gesture.words.first().map_or(name, String::as_str);
            format!("say or send \"{}\"", word.escape_debug())
        }
    }
}
