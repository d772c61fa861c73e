//! What is known of the locks on a machine besides whose they are: the names people give, what they say of it, and
//! since when. The guard knows owners as numbers; whether a machine is locked is its word alone.

use std::sync::Arc;

use super::names::Names;
use idlegate_guard::time::WallTime;
use idlegate_guard::{Lockout, Locks, Person};
use idlegate_plan::event::Name;
use idlegate_plan::kept::{HeldOutlet, KeptLockout};
use idlegate_plan::text::{fold, in_a_row};
use sha2::{Digest as _, Sha256};

/// No more than the guard has locks.
#[derive(Clone, Debug, Default)]
pub(super) struct LockBook {
    known: Vec<(Lockout, About)>,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct About {
    pub(super) who: Option<Arc<str>>,
    pub(super) note: Option<Arc<str>>,
    pub(super) since: Option<WallTime>,
    /// The outlet that it was put on, for as long as the machine takes no orders and has none of its own.
    pub(super) outlet: Option<HeldOutlet>,
}

/// One lock, for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LockStatus {
    pub by: Name,
    pub who: Option<Arc<str>>,
    pub note: Option<Arc<str>>,
    pub since: Option<WallTime>,
    pub emergency: bool,
}

/// The same however somebody writes their name.
pub(super) fn person(who: Option<&str>) -> Person {
    let Some(who) = who else { return Person::UNNAMED };
    let digest = Sha256::digest(fold(who));
    let first = digest.first_chunk().expect("a digest has 32 bytes");
    Person(u64::from_be_bytes(*first).max(1))
}

pub(super) fn lockout(kept: &KeptLockout, names: &mut Names) -> Lockout {
    let by = names.input(&kept.by);
    if kept.emergency { Lockout::emergency(by) } else { Lockout::owned(by, person(kept.who.as_deref())) }
}

impl LockBook {
    /// What a former run, or another guard, knew of them.
    pub(super) fn recall(&mut self, kept: &[KeptLockout], names: &mut Names) {
        for kept in kept {
            let about = About {
                who: kept.who.clone(),
                note: kept.note.clone(),
                since: kept.since,
                outlet: kept.outlet.clone(),
            };
            self.put(lockout(kept, names), about);
        }
    }

    /// What is known of one already stays.
    pub(super) fn put(&mut self, lockout: Lockout, about: About) {
        if self.known.iter().all(|(known, _)| *known != lockout) {
            self.known.push((lockout, about));
        }
    }

    /// Forgets what is over.
    pub(super) fn follow(&mut self, locks: &Locks) {
        self.known.retain(|(lockout, _)| locks.has(*lockout));
    }

    fn about(&self, lockout: Lockout) -> About {
        let found = self.known.iter().find(|(known, _)| *known == lockout);
        found.map(|(_, about)| about.clone()).unwrap_or_default()
    }

    pub(super) fn written_down(&self, lockout: Lockout, names: &Names) -> KeptLockout {
        let About { who, note, since, outlet } = self.about(lockout);
        let plain = KeptLockout::new(names.input_name(lockout.by), lockout.emergency);
        KeptLockout { who, note, since, outlet, ..plain }
    }

    /// An emergency's first, then in the order in which they came.
    pub(super) fn status(&self, locks: &Locks, names: &Names) -> Vec<LockStatus> {
        let each = |lockout: Lockout| {
            let About { who, note, since, outlet: _ } = self.about(lockout);
            LockStatus { by: names.input_name(lockout.by), who, note, since, emergency: lockout.emergency }
        };
        let mut all: Vec<LockStatus> = locks.iter().map(each).collect();
        all.sort_by_key(|lock| (!lock.emergency, lock.since));
        all
    }

    /// Whether there is more to say than that it is locked.
    pub(super) fn is_told(&self, locks: &Locks) -> bool {
        let said = |(_, about): &(Lockout, About)| about.who.is_some() || about.note.is_some();
        locks.iter().count() > 1 || self.known.iter().any(said)
    }

    /// Whose lock it is and why, as far as they said: "Anna (Phone: the belt is off)".
    pub(super) fn words(&self, lockout: Lockout, title: &str) -> String {
        let About { who, note, .. } = self.about(lockout);
        owner(title, who.as_deref(), note.as_deref())
    }
}

fn owner(title: &str, who: Option<&str>, note: Option<&str>) -> String {
    match (who, note) {
        (None, None) => title.to_owned(),
        (None, Some(note)) => format!("{title} ({note})"),
        (Some(who), None) => format!("{who} ({title})"),
        (Some(who), Some(note)) => format!("{who} ({title}: {note})"),
    }
}

/// Who holds the machine, in a row.
pub(super) fn holders(locks: &[LockStatus], title: impl Fn(&Name) -> Arc<str>) -> String {
    let words = |lock: &LockStatus| {
        let words = owner(&title(&lock.by), lock.who.as_deref(), lock.note.as_deref());
        if lock.emergency { format!("{words}, after an emergency") } else { words }
    };
    let words: Vec<String> = locks.iter().map(words).collect();
    in_a_row(&words.iter().map(String::as_str).collect::<Vec<_>>(), "and")
}
