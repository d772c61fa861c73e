//! How somebody can force a machine off, in words to be followed at once: by the gestures of the very input that was used,
//! or, where that may not force, by naming the inputs that may.

use std::sync::Arc;

use crate::guard::RequestKind;
use crate::plan::{Gesture, Input, InputSource, Plan};
use crate::text::in_a_row;

/// Whoever hears more names than this remembers none.
const NAMED_MAX: usize = 3;

/// What to do at this input, or else where to go. `again`: what was just held was a force itself.
pub(super) fn how(plan: &Plan, machine: usize, input: Option<&Input>, again: bool) -> Arc<str> {
    if let Some(own) = input.and_then(|input| at(input, again)) {
        return own.into();
    }
    let others =
        plan.inputs.iter().filter(|other| other.machines.contains(&machine) && at(other, false).is_some());
    let titles: Vec<&str> = others.take(NAMED_MAX).map(|other| other.title.as_str()).collect();
    if titles.is_empty() {
        "switch it off at the machine itself".into()
    } else {
        format!("use {}", in_a_row(&titles, "or")).into()
    }
}

/// Nothing where no force can come from this input.
fn at(input: &Input, again: bool) -> Option<String> {
    if !input.rights.may_force {
        return None;
    }
    match &input.source {
        InputSource::RequestTopic => {
            let may = |requests: &Vec<RequestKind>| requests.contains(&RequestKind::ForceOff);
            let way = if again { "ask for force-off again" } else { "ask for force-off" };
            input.requests.as_ref().is_none_or(may).then(|| way.to_owned())
        }
        InputSource::Topic { .. } => {
            let force = input.gestures.iter().find(|gesture| gesture.request == RequestKind::ForceOff)?;
            Some(by_gesture(force, again))
        }
        InputSource::Schedule(_) => None,
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
