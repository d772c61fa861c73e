//! The words that members of messages may hold, for the description of the messages.

use idlegate_engine::Blindness;
use idlegate_guard::{Decision, PermissiveState, RequestKind, Switch};
use idlegate_plan::{Role, ServiceMeasure};

use super::effects::messages::state_word;

/// Of machines, inputs, signals and detectors.
pub(crate) const NAME: &str = idlegate_plan::event::Name::PATTERN;

pub(crate) const STATES: [&str; 3] = [
    state_word(PermissiveState::Clear),
    state_word(PermissiveState::Busy),
    state_word(PermissiveState::Unknown),
];
pub(crate) const ROLES: [&str; 4] = {
    let [hold, advise, permit_on, warn] = Role::ALL;
    [hold.word(), advise.word(), permit_on.word(), warn.word()]
};
pub(crate) const OUTLETS: [&str; 3] = [Switch::On.word(), Switch::Off.word(), "unknown"];
pub(crate) const COUNTS: [&str; 4] = [
    ServiceMeasure::Busy.word(),
    ServiceMeasure::On.word(),
    ServiceMeasure::SwitchOns.word(),
    ServiceMeasure::Calendar.word(),
];
/// What a schedule may ask for.
pub(crate) const SCHEDULED: [&str; 3] =
    [RequestKind::On.word(), RequestKind::Off.word(), RequestKind::OffOnceIdle.word()];
pub(crate) const STAND_BY: [&str; 4] = ["standing-by", "taking-over", "guarding", "gone"];
pub(crate) const RELOADS: [&str; 3] = ["applied", "unchanged", "kept-old"];

pub(crate) fn requests() -> Vec<&'static str> {
    RequestKind::ALL.iter().map(|kind| kind.word()).collect()
}

pub(crate) fn blind() -> Vec<&'static str> {
    Blindness::ALL.iter().map(|kind| kind.word()).collect()
}

pub(crate) fn decisions() -> Vec<&'static str> {
    Decision::ALL.iter().map(|decision| decision.word()).collect()
}

/// Where nothing may stand there as well.
pub(crate) fn or_null(words: &[&'static str]) -> Vec<Option<&'static str>> {
    words.iter().copied().map(Some).chain([None]).collect()
}
