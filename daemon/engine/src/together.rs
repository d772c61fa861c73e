//! One gesture for several machines is one announcement: at a red button nobody listens to a sentence for each machine
//! of a hall. So is what comes of it: the outlets that have not confirmed are told together. Decisions stay one for
//! each.

use super::effect::{Announced, Effect};
use idlegate_guard::{Announcement, IncidentKind};

/// Folds what has been announced since `begin` by one gesture, in a shop of so many machines.
pub(super) fn fold_announcements(out: &mut Vec<Effect>, begin: usize, machines: usize) {
    // What was done to one machine and would have been done to another in shadow mode are two sentences.
    let mut firsts: Vec<(Announcement, bool, usize)> = Vec::new();
    for effect in out.split_off(begin) {
        let Effect::Announce(more) = effect else {
            out.push(effect);
            continue;
        };
        let mut alike =
            firsts.iter().filter(|(what, shadow, _)| (*what, *shadow) == (more.what, more.shadow));
        let first = alike.next().map(|(_, _, place)| *place);
        if let Some(Effect::Announce(first)) = first.and_then(|place| out.get_mut(place)) {
            first.add(*more, machines);
            continue;
        }
        if more.what.traits().is_for_all {
            firsts.push((more.what, more.shadow, out.len()));
        }
        out.push(Effect::Announce(more));
    }
}

/// Folds the outlets of which it has come out since `begin` that they have not confirmed an emergency or a force.
pub(super) fn fold_unconfirmed(out: &mut Vec<Effect>, begin: usize) {
    let is_one = |effect: &Effect| match effect {
        Effect::Incident(told) => told.urgent && told.kind == IncidentKind::NotConfirmed,
        _ => false,
    };
    let Some(first) = out.iter().skip(begin).position(is_one).map(|place| begin + place) else { return };
    if !out.iter().skip(first + 1).any(is_one) {
        return;
    }
    let mut others = Vec::new();
    for effect in out.split_off(first + 1) {
        match effect {
            Effect::Incident(more) if more.urgent && more.kind == IncidentKind::NotConfirmed => {
                others.push((more.machine, more.title));
            }
            other => out.push(other),
        }
    }
    if let Some(Effect::Incident(told)) = out.get_mut(first) {
        told.others = others;
    }
}

impl Announced {
    fn add(&mut self, more: Announced, machines: usize) {
        self.others.push((more.machine, more.title));
        self.out_of_sight.extend(more.out_of_sight);
        self.left_behind.extend(more.left_behind);
        self.all = self.others.len() + 1 == machines;
    }
}
