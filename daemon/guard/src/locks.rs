//! Who has locked the machine: a set of owners. It can be switched on through us only when nobody holds it.
//!
//! Whoever locked it lifts their own lock, as with a padlock each; an input that may unlock lifts all of them. An
//! emergency's lock stands beside them, has no owner, and goes only by an input that may unlock.

use super::input::InputId;

/// So many people at one machine have a lock of their own.
pub const LOCKS_MAX: usize = 8;

/// Stands for what the sender calls a person; the engine knows whom.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Person(pub u64);

impl Person {
    /// The sender does not say.
    pub const UNNAMED: Person = Person(0);
}

/// One lock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Lockout {
    pub by: InputId,
    /// Two who share an input have a lock each.
    pub person: Person,
    pub emergency: bool,
}

impl Lockout {
    pub const fn owned(by: InputId, person: Person) -> Lockout {
        Lockout { by, person, emergency: false }
    }

    pub const fn emergency(by: InputId) -> Lockout {
        Lockout { by, person: Person::UNNAMED, emergency: true }
    }
}

/// All locks of a machine: an emergency's first, the others in order, so that equal sets are equal.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Locks {
    emergency: Option<InputId>,
    owned: [Option<(InputId, Person)>; LOCKS_MAX],
}

impl Locks {
    pub const NONE: Locks = Locks { emergency: None, owned: [None; LOCKS_MAX] };

    pub fn iter(&self) -> impl Iterator<Item = Lockout> + '_ {
        let owned = self.owned.iter().flatten().map(|(by, person)| Lockout::owned(*by, *person));
        self.emergency.map(Lockout::emergency).into_iter().chain(owned)
    }

    /// The one that counts most.
    pub fn first(&self) -> Option<Lockout> {
        self.iter().next()
    }

    pub fn is_empty(&self) -> bool {
        self.first().is_none()
    }

    pub(super) fn has_emergency(&self) -> bool {
        self.emergency.is_some()
    }

    /// Somebody works on the machine, and there is no emergency.
    pub fn is_maintenance(&self) -> bool {
        self.emergency.is_none() && !self.is_empty()
    }

    pub fn has(&self, lockout: Lockout) -> bool {
        self.iter().any(|one| one == lockout)
    }

    /// Whether there is room for it. A later emergency takes the place of an earlier one.
    pub fn add(&mut self, lockout: Lockout) -> bool {
        if lockout.emergency {
            self.emergency = Some(lockout.by);
            return true;
        }
        let owner = (lockout.by, lockout.person);
        if self.owned.contains(&Some(owner)) {
            return true;
        }
        let Some(free) = self.owned.iter_mut().find(|place| place.is_none()) else { return false };
        *free = Some(owner);
        self.sort();
        true
    }

    /// What others remember is added; nothing is taken away. Says whether that is news.
    pub(super) fn join(&mut self, others: Locks) -> bool {
        let before = *self;
        self.emergency = self.emergency.or(others.emergency);
        for (by, person) in others.owned.into_iter().flatten() {
            self.add(Lockout::owned(by, person));
        }
        *self != before
    }

    /// Whether it was there.
    pub(super) fn lift(&mut self, by: InputId, person: Person) -> bool {
        let place = self.owned.iter_mut().find(|place| **place == Some((by, person)));
        let lifted = place.and_then(Option::take).is_some();
        self.sort();
        lifted
    }

    pub(super) fn end_emergency(&mut self) {
        self.emergency = None;
    }

    fn sort(&mut self) {
        self.owned.sort_unstable_by_key(|owner| (owner.is_none(), *owner));
    }
}

impl FromIterator<Lockout> for Locks {
    fn from_iter<I: IntoIterator<Item = Lockout>>(lockouts: I) -> Locks {
        let mut locks = Locks::NONE;
        for lockout in lockouts {
            locks.add(lockout);
        }
        locks
    }
}
