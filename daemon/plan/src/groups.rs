//! Machines that are asked together.

use super::{GroupIx, MachineIx, Plan};
use crate::event::Name;
use crate::text::fold;

/// Machines that are asked at once, each for itself. All of them are guarded by the same daemon.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Group {
    pub name: Name,
    /// For people: "everything at night".
    pub title: String,
    /// As the rules name them, each once.
    pub machines: Vec<MachineIx>,
}

impl Plan {
    pub fn group(&self, name: &str) -> Option<(GroupIx, &Group)> {
        let at = self.groups.binary_search_by(|group| group.name.as_str().cmp(name)).ok()?;
        Some((GroupIx(at), &self.groups[at]))
    }

    /// Keeps the groups whose machines have a place here. Where each group went.
    pub(crate) fn narrow_groups(
        &mut self,
        place: impl Fn(MachineIx) -> Option<MachineIx>,
    ) -> Vec<Option<GroupIx>> {
        let mut places = Vec::new();
        let mut ours = Vec::new();
        for mut group in std::mem::take(&mut self.groups) {
            group.machines = group.machines.into_iter().filter_map(&place).collect();
            if group.machines.is_empty() {
                places.push(None);
                // A request for it is not ours to answer.
                self.shop.elsewhere.extend([group.name.as_str(), &group.title].map(fold));
            } else {
                places.push(Some(GroupIx(ours.len())));
                ours.push(group);
            }
        }
        self.groups = ours;
        places
    }
}

/// The words that stand for groups, where each of these has gone.
pub(crate) fn follow(words: &mut Vec<(String, GroupIx)>, places: &[Option<GroupIx>]) {
    let moved = |(word, group): (String, GroupIx)| Some((word, places.get(group.0).copied().flatten()?));
    *words = std::mem::take(words).into_iter().filter_map(moved).collect();
}
