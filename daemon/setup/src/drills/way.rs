//! Through which of the guard's own inputs an item of the drill can be asked for.

use crate::commission::Item;
use idlegate_guard::RequestKind;
use idlegate_plan::event::Name;
use idlegate_plan::{Input, InputSource, MachineIx, Plan};

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Way {
    /// By hand, at a button or a panel: its title, and the gesture's name.
    Gesture { input: String, gesture: String },
    /// Something with a position, by its title.
    Contact { input: String },
    /// On our own request topic: Idlegate can ask by itself.
    Request { input: Name, request: RequestKind },
}

/// By hand first: that is what people will do.
pub fn ways(plan: &Plan, machine: MachineIx, item: Item) -> Vec<Way> {
    let kinds: &[RequestKind] = match item {
        Item::IdleOff | Item::Held => &[RequestKind::Off, RequestKind::Flip],
        Item::Forced => &[RequestKind::ForceOff],
        Item::Emergency => &[RequestKind::EmergencyOff],
        Item::Unlocked => &[RequestKind::Unlock],
        Item::SeenIdle | Item::SeenBusy | Item::OtherRoute | Item::MeterSilent | Item::StaysOff => &[],
    };
    let inputs = || plan.inputs.iter().filter(|input| input.machines.contains(&machine));
    let by_hand = inputs().filter_map(|input| by_hand(input, kinds));
    let asked = kinds.iter().flat_map(|kind| inputs().filter_map(|input| asked(input, *kind)));
    by_hand.chain(asked).collect()
}

fn by_hand(input: &Input, kinds: &[RequestKind]) -> Option<Way> {
    match &input.source {
        InputSource::Topic { .. } => {
            let gesture = input.gestures.iter().find(|gesture| {
                kinds.contains(&gesture.request) && gesture.request.denied_by(input.rights).is_none()
            })?;
            Some(Way::Gesture { input: input.title.clone(), gesture: gesture.name.to_string() })
        }
        InputSource::Contact(_) if kinds.contains(&RequestKind::EmergencyOff) => {
            Some(Way::Contact { input: input.title.clone() })
        }
        InputSource::Contact(_) | InputSource::RequestTopic | InputSource::Schedule(_) => None,
    }
}

fn asked(input: &Input, request: RequestKind) -> Option<Way> {
    // Which way a machine is flipped depends on the moment; a drill asks for what it means.
    let is_its = matches!(input.source, InputSource::RequestTopic) && request != RequestKind::Flip;
    let allowed = input.requests.as_ref().is_none_or(|requests| requests.contains(&request));
    // Only who may unlock ends an emergency.
    let fits = match request {
        RequestKind::Unlock => input.rights.may_unlock,
        RequestKind::On
        | RequestKind::Off
        | RequestKind::Flip
        | RequestKind::ForceOff
        | RequestKind::OffOnceIdle
        | RequestKind::Cancel
        | RequestKind::KeepOn
        | RequestKind::Lock
        | RequestKind::Serviced
        | RequestKind::EmergencyOff => request.denied_by(input.rights).is_none(),
    };
    (is_its && allowed && fits).then(|| Way::Request { input: input.name.clone(), request })
}
