//! What is kept at this moment, stored or not: the memory beside the file. It fills a file that has to be begun
//! anew, and joins what an earlier run left with what happened before that could be read.

use std::collections::BTreeMap;

use super::change::Entry;
use super::kept::{AnsweredIds, Restored, list_answered, put_answered};
use super::queue::Lost;
use idlegate_plan::answered::AGE_MAX;
use idlegate_plan::event::Name;
use idlegate_plan::kept::{KeptLockout, KeptState};

#[derive(Debug, Default)]
pub(super) struct Snapshot {
    kept: BTreeMap<Name, KeptState>,
    answered: AnsweredIds,
    /// Lockouts that became known only after the start. Whoever has not heard of them yet cannot have released
    /// them: they stay until a lockout of that machine is stated.
    unheard: BTreeMap<Name, Vec<KeptLockout>>,
    adopted: bool,
}

impl Snapshot {
    /// Notes what an entry says; adds the lockouts it could not know of.
    pub(super) fn note(&mut self, entry: &mut Entry) {
        for (machine, kept) in &mut entry.kept {
            if let Some(unheard) = self.unheard.get(machine) {
                if unheard.iter().all(|lock| kept.has_lock(lock)) {
                    self.unheard.remove(machine);
                } else {
                    kept.add_locks(unheard.iter().cloned());
                }
            }
            self.kept.insert(machine.clone(), kept.clone());
        }
        for answered in &entry.answered {
            let day_ago = answered.at.0.saturating_sub_unsigned(AGE_MAX.0);
            self.answered.forget(&answered.input, |(_, at)| at.0 < day_ago);
            put_answered(&mut self.answered, answered);
        }
    }

    /// The same for what had to be dropped.
    pub(super) fn note_lost(&mut self, lost: &mut Lost) {
        self.note(&mut lost.entry);
        self.answered.append(lost.answered.clone());
    }

    /// Takes over what an earlier run left, once; gives back what is to be told and what is to be stored. What
    /// has happened since then wins, but a lockout that nobody has released stays.
    pub(super) fn adopt(&mut self, mut restored: Restored) -> (Restored, Entry) {
        let mut correction = Entry::default();
        if self.adopted {
            return (Restored::default(), correction);
        }
        // What could be read only in part is read again when the disk works better.
        self.adopted = restored.doubt.is_none();
        for (machine, old) in &mut restored.kept {
            if let Some(newer) = self.kept.get(machine) {
                let former = std::mem::replace(&mut old.locks, newer.locks.clone());
                old.add_locks(former);
                old.services.clone_from(&newer.services);
                old.deferral.clone_from(&newer.deferral);
                old.kept_on.clone_from(&newer.kept_on);
                (old.revision, old.released) = (newer.revision.max(old.revision), newer.released.clone());
                correction.kept.push((machine.clone(), old.clone()));
            }
            if old.is_locked() {
                self.unheard.insert(machine.clone(), old.locks.clone());
            }
            self.kept.insert(machine.clone(), old.clone());
        }
        self.answered.prepend(restored.answered.iter().map(|answered| {
            let about = (answered.decision.clone(), answered.at);
            (answered.input.clone(), answered.event.clone(), about)
        }));
        (restored, correction)
    }

    /// What was adopted has reached whoever asked for it at the start.
    pub(super) fn told_in_time(&mut self) {
        self.unheard.clear();
    }

    pub(super) fn everything(&self) -> Entry {
        Entry {
            rows: Vec::new(),
            kept: self.kept.iter().map(|(name, kept)| (name.clone(), kept.clone())).collect(),
            answered: list_answered(&self.answered),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kept::Answered;
    use idlegate_guard::time::WallTime;

    fn name(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    fn locked() -> KeptState {
        KeptState::locked(KeptLockout::new(name("panel"), false))
    }

    fn stating(kept: KeptState) -> Entry {
        Entry { kept: vec![(name("mill"), kept)], ..Entry::default() }
    }

    #[test]
    fn a_lockout_that_came_late_is_released_only_by_whoever_knew_of_it() {
        let mut snapshot = Snapshot::default();
        let restored = Restored { kept: [(name("mill"), locked())].into(), ..Restored::default() };
        let _ = snapshot.adopt(restored);
        for (stated, stands) in [
            (KeptState::default(), locked()),
            (locked(), locked()),
            (KeptState::default(), KeptState::default()),
        ] {
            let mut entry = stating(stated);
            snapshot.note(&mut entry);
            assert_eq!(entry, stating(stands));
        }
    }

    #[test]
    fn what_was_told_at_the_start_can_be_released_at_once() {
        let mut snapshot = Snapshot::default();
        let restored = Restored { kept: [(name("mill"), locked())].into(), ..Restored::default() };
        let _ = snapshot.adopt(restored);
        snapshot.told_in_time();
        let mut entry = stating(KeptState::default());
        snapshot.note(&mut entry);
        assert_eq!(entry, stating(KeptState::default()));
    }

    #[test]
    fn ids_are_held_of_each_input_for_a_day_and_those_of_before_come_first() {
        let answered = |input: &str, number: usize, at| {
            Answered::new(name(input), &number.to_string().into(), "held", WallTime(at))
        };
        let day = i64::try_from(AGE_MAX.0).unwrap();
        let mut snapshot = Snapshot::default();
        let first = vec![answered("button", 1, 5), answered("button", 2, day)];
        snapshot.note(&mut Entry { answered: first, ..Entry::default() });
        let late = vec![answered("panel", 7, 5), answered("button", 0, 5), answered("button", 2, 5)];
        let _ = snapshot.adopt(Restored { answered: late, ..Restored::default() });
        let expected = [
            answered("button", 0, 5),
            answered("button", 1, 5),
            answered("button", 2, day),
            answered("panel", 7, 5),
        ];
        assert_eq!(snapshot.everything().answered, expected);
        // Answered for the second machine, and a day after the others of this input.
        let again = vec![answered("button", 2, day + 6), answered("button", 2, day + 6)];
        snapshot.note(&mut Entry { answered: again, ..Entry::default() });
        let expected = [answered("button", 2, day + 6), answered("panel", 7, 5)];
        assert_eq!(snapshot.everything().answered, expected);
    }
}
