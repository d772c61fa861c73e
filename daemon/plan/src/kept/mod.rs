//! What of a machine survives a restart or a change-over. In names and wall time, since the guard's numbers and moments
//! mean something else afterwards.
//!
//! Several may remember the same machine: a journal and its second copy, a guard and the one that stands by, two halls
//! between which it was moved. What they remember is put together by revisions, never by anybody's clock, and a lockout
//! wins every doubt: it goes only by an unlock that knew of it.

mod job;
pub mod note;

use std::sync::Arc;

pub use job::{KeptJob, KeptOff};

use crate::event::Name;
use crate::text::fold;
use crate::{OrderTopic, Outlet};
use idlegate_guard::LOCKS_MAX;
use idlegate_guard::time::{Moment, Now, Span, WallTime};

/// One for each owner, and an emergency's.
const KEPT_LOCKS_MAX: usize = LOCKS_MAX + 1;
/// More things are not done to a machine regularly.
pub const SERVICES_MAX: usize = 16;
/// Stands for whoever locked a machine of which nobody knows.
const IN_DOUBT: &str = "unknown";
/// So many of the newest releases are remembered of each machine.
pub(crate) const RELEASED_MAX: usize = 16;

/// All that is kept of one machine. Keeping it replaces what was kept before.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct KeptState {
    /// An emergency's first.
    pub locks: Vec<KeptLockout>,
    pub deferral: Option<KeptUntil>,
    /// Somebody's word that it stays on.
    pub kept_on: Option<KeptUntil>,
    /// What was learned from a machine that went back to work.
    pub longer: Option<HeldLonger>,
    /// What is counted between one service and the next.
    pub services: Vec<KeptService>,
    /// Counts every change of it, whoever guarded. What an earlier version kept has none: 0.
    pub revision: u64,
    /// Lockouts that somebody has released, the newest last.
    pub released: Vec<Released>,
    /// The job that is under way. Only a journal keeps it, and it is no change that others have to hear of.
    pub job: Option<KeptJob>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptLockout {
    /// The input it came from; `unknown` when its record was damaged and the machine stays locked for safety.
    pub by: Name,
    /// Whose lock it is, by the sender's word, where several share an input.
    pub who: Option<Arc<str>>,
    /// What they say of it.
    pub note: Option<Arc<str>>,
    pub since: Option<WallTime>,
    pub emergency: bool,
    /// The revision with which it came into force.
    pub revision: u64,
    /// The outlet that it holds, whatever its machine is called by now.
    pub outlet: Option<HeldOutlet>,
}

/// A machine that went back to work after it counted as idle is held longer from then on, until somebody has looked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HeldLonger {
    /// So much longer than its detectors ask for.
    pub by: Span,
    /// It went back to work so long after it counted as idle.
    pub idle_for: Span,
    pub since: WallTime,
    /// Tells the settings under which it was learned from others.
    pub settings: String,
}

/// What a machine did since it was serviced last.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptService {
    pub name: Name,
    /// Counts the services: of two that remember, the one that knows of more is right.
    pub nth: u64,
    /// Milliseconds, or times.
    pub counted: u64,
    pub since: WallTime,
    /// The input that said so; nobody at the beginning.
    pub by: Option<Name>,
    pub who: Option<Arc<str>>,
    /// People have heard that it is due.
    pub told: bool,
}

/// A relay behind its orders.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HeldOutlet {
    pub topic: String,
    pub on: String,
    pub off: String,
}

/// Which lockout was released: one is known by whom it came from and with which revision.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Released {
    pub by: Name,
    pub who: Option<Arc<str>>,
    pub revision: u64,
}

/// A deferral, or a word that a machine stays on, with its end told twice: by the wall clock, and as the time that was
/// left when it was kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptUntil {
    pub by: Name,
    pub expires: WallTime,
    pub remaining: Span,
}

impl HeldOutlet {
    pub fn of(order: &OrderTopic) -> HeldOutlet {
        HeldOutlet { topic: order.topic.clone(), on: order.on.clone(), off: order.off.clone() }
    }

    /// The sockets of a strip share a topic, and no payload.
    pub fn is(&self, order: &OrderTopic) -> bool {
        self.topic == order.topic && (self.on == order.on || self.off == order.off)
    }

    /// Of one that takes no orders nobody can tell.
    pub fn is_of(&self, outlet: &Outlet) -> bool {
        outlet.order.as_ref().is_some_and(|order| self.is(order))
    }
}

impl KeptLockout {
    pub fn new(by: Name, emergency: bool) -> KeptLockout {
        KeptLockout { by, who: None, note: None, since: None, emergency, revision: 0, outlet: None }
    }

    /// In force because nobody knows better.
    pub fn in_doubt() -> KeptLockout {
        KeptLockout::new(Name::new(IN_DOUBT).expect("a plain word is a name"), false)
    }

    pub fn is_in_doubt(&self) -> bool {
        self.by.as_str() == IN_DOUBT
    }

    /// The same one's, whenever they locked it.
    pub fn is_same(&self, other: &KeptLockout) -> bool {
        let who = |lockout: &KeptLockout| lockout.who.as_deref().map(fold);
        self.by == other.by && self.emergency == other.emergency && who(self) == who(other)
    }
}

impl KeptService {
    /// Of two that remember the same one: who knows of more services, then who has counted more.
    fn newest(self, other: KeptService) -> KeptService {
        let told = self.nth == other.nth && (self.told || other.told);
        let newest = if (self.nth, self.counted) >= (other.nth, other.counted) { self } else { other };
        KeptService { told: newest.told || told, ..newest }
    }
}

impl KeptState {
    pub fn locked(lockout: KeptLockout) -> KeptState {
        KeptState { locks: vec![lockout], ..KeptState::default() }
    }

    /// The lock that counts most.
    pub fn lockout(&self) -> Option<&KeptLockout> {
        self.locks.first()
    }

    pub fn is_locked(&self) -> bool {
        !self.locks.is_empty()
    }

    pub fn has_lock(&self, lockout: &KeptLockout) -> bool {
        self.locks.iter().any(|lock| lock.is_same(lockout))
    }

    /// These as well; one of the same owner stays as it is, and of two emergencies the one that is there. More than a
    /// machine can have are not remembered.
    pub fn add_locks(&mut self, more: impl IntoIterator<Item = KeptLockout>) {
        for lockout in more {
            let is_there =
                self.has_lock(&lockout) || lockout.emergency && self.locks.iter().any(|lock| lock.emergency);
            if !is_there && (lockout.emergency || self.locks.len() < KEPT_LOCKS_MAX) {
                self.locks.push(lockout);
            }
        }
        self.sort_locks();
    }

    /// An emergency's first, then in the order in which they came.
    fn sort_locks(&mut self) {
        self.locks.sort_by(|one, other| {
            let key =
                |lock: &KeptLockout| (!lock.emergency, lock.revision, lock.by.clone(), lock.who.clone());
            key(one).cmp(&key(other))
        });
    }

    /// Nothing of it is worth remembering.
    pub fn is_empty(&self) -> bool {
        *self == KeptState::default()
    }

    /// This, as what comes after `before`: with the next revision, and with what it released, if it says anything new.
    #[must_use]
    pub fn after(mut self, before: &KeptState) -> KeptState {
        self.revision = before.revision.saturating_add(1);
        self.released.clone_from(&before.released);
        for new in &mut self.locks {
            let old = before.locks.iter().find(|old| old.is_same(new));
            new.revision = old.map_or(self.revision, |old| old.revision);
        }
        self.sort_locks();
        for old in &before.locks {
            if !self.has_lock(old) {
                put_released(&mut self.released, old);
            }
        }
        let same_wishes = self.deferral == before.deferral && self.kept_on == before.kept_on;
        // What is only counted on is no change that anybody could have missed.
        let same = self.locks == before.locks && same_wishes && self.longer == before.longer;
        if same { KeptState { services: self.services, job: self.job, ..before.clone() } } else { self }
    }

    /// What two remember of one machine, put together.
    #[must_use]
    pub fn merged(self, other: KeptState) -> KeptState {
        let (newer, older) = if self.revision >= other.revision { (self, other) } else { (other, self) };
        let before = newer.clone();
        // At the same revision neither is the newer one.
        let mut merged = newer.clone();
        merged.add_locks(older.locks.into_iter().filter(|old| !before.has_released(old)));
        merged.services = services(newer.services, older.services);
        merged.job = newer.job.or(older.job);
        let mut released = older.released;
        for each in &newer.released {
            if !released.contains(each) {
                released.push(each.clone());
            }
        }
        released.sort_by_key(|each| each.revision);
        released.drain(..released.len().saturating_sub(RELEASED_MAX));
        // The safe one of both. Whoever takes it over lets go of what somebody has looked at.
        let longer = [newer.longer, older.longer].into_iter().flatten().max_by_key(|it| (it.by, it.since));
        let merged = KeptState { longer, released, ..merged };
        // Something that nobody has written so far: it must count as newer than both.
        let is_new = merged.locks != before.locks || merged.longer != before.longer;
        let revision = merged.revision.saturating_add(u64::from(is_new));
        KeptState { revision, ..merged }
    }

    /// Whether somebody released just this one. Of more than are remembered the oldest count as released.
    fn has_released(&self, lockout: &KeptLockout) -> bool {
        let remembered = self
            .released
            .iter()
            .any(|it| it.revision == lockout.revision && it.by == lockout.by && it.who == lockout.who);
        let forgotten = self.released.len() >= RELEASED_MAX
            && self.released.first().is_some_and(|oldest| lockout.revision < oldest.revision);
        remembered || forgotten
    }
}

fn put_released(released: &mut Vec<Released>, lockout: &KeptLockout) {
    let one = Released { by: lockout.by.clone(), who: lockout.who.clone(), revision: lockout.revision };
    if !released.contains(&one) {
        released.push(one);
    }
    released.drain(..released.len().saturating_sub(RELEASED_MAX));
}

/// Each by its name, whoever remembers it.
fn services(newer: Vec<KeptService>, older: Vec<KeptService>) -> Vec<KeptService> {
    let mut all = newer;
    for old in older {
        match all.iter().position(|service| service.name == old.name) {
            Some(at) => all[at] = all[at].clone().newest(old),
            None => all.push(old),
        }
    }
    all.sort_by(|one, other| one.name.cmp(&other.name));
    all.truncate(SERVICES_MAX);
    all
}

impl KeptUntil {
    /// Of what the guard gives up at `expires_at`.
    pub fn of(by: Name, expires_at: Moment, now: Now) -> KeptUntil {
        let remaining = expires_at.since(now.moment);
        KeptUntil { by, expires: WallTime(now.wall.0.saturating_add_unsigned(remaining.0)), remaining }
    }

    /// The wall clock may have been wrong at either end, so it can shorten what was left, never prolong it.
    pub fn remaining_at(&self, wall: WallTime) -> Span {
        let by_wall = u64::try_from(self.expires.0.saturating_sub(wall.0)).unwrap_or(0);
        Span(by_wall).min(self.remaining)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_deferral_is_never_prolonged_by_a_clock_that_was_set_back_or_not_set_yet() {
        let before = Now { moment: Moment(10_000), wall: WallTime(1_000_000) };
        let kept = KeptUntil::of(Name::new("schedule").unwrap(), Moment(70_000), before);
        for (wall, remaining, what) in [
            (1_020_000, 40_000, "twenty seconds of downtime count"),
            (1_060_000, 0, "over at exactly its end"),
            (9_000_000, 0, "over long ago"),
            (0, 60_000, "a clock without a battery starts at 1970"),
        ] {
            assert_eq!(kept.remaining_at(WallTime(wall)), Span(remaining), "{what}");
        }
    }

    fn by(input: &str) -> KeptState {
        KeptState::locked(KeptLockout::new(Name::new(input).unwrap(), input == "red"))
    }

    /// A life of one machine: who locked it, or `-` for an unlock.
    fn lived(before: &KeptState, words: &[&str]) -> KeptState {
        let step = |before: KeptState, word: &&str| {
            if *word == "-" { KeptState::default() } else { by(word) }.after(&before)
        };
        words.iter().fold(before.clone(), step)
    }

    fn holder(state: &KeptState) -> Option<&str> {
        state.lockout().map(|lockout| lockout.by.as_str())
    }

    #[test]
    fn a_lockout_goes_only_by_an_unlock_that_knew_of_it() {
        let common = lived(&KeptState::default(), &["panel", "-"]);
        for (one, other, expected, what) in [
            (&["red"][..], &["red", "-"][..], None, "the one that heard of the unlock is right"),
            (&["red", "-", "panel"], &["red"], Some("panel"), "locked again since"),
            (&["red"], &["panel", "-"], Some("red"), "apart: nobody released the red button's"),
            (&["red"], &["panel", "-", "panel", "-", "panel", "-"], Some("red"), "however often another was"),
            (&["panel"], &["red"], Some("red"), "the emergency counts, not who wrote more"),
            (&[], &["red"], Some("red"), "one that was away"),
            (&["red", "-"], &[], None, "one that was away"),
            (&["panel", "red", "-"], &["panel"], None, "a later lockout took the place of an earlier one"),
        ] {
            let (one, other) = (lived(&common, one), lived(&common, other));
            for merged in [one.clone().merged(other.clone()), other.clone().merged(one.clone())] {
                assert_eq!(holder(&merged), expected, "{what}: {one:?} {other:?}");
                assert!(merged.revision >= one.revision.max(other.revision), "{what}");
                assert_eq!(merged.clone().merged(one.clone()).locks, merged.locks, "{what}: and stays so");
                let unlocked = lived(&merged, &["-"]);
                assert_eq!(holder(&unlocked.merged(merged)), None, "{what}: it can be released");
            }
        }
    }

    fn of_person(who: &str) -> KeptLockout {
        KeptLockout { who: Some(who.into()), ..KeptLockout::new(Name::new("phone").unwrap(), false) }
    }

    fn holding(people: &[&str]) -> KeptState {
        KeptState { locks: people.iter().map(|who| of_person(who)).collect(), ..KeptState::default() }
    }

    #[test]
    fn of_several_locks_each_goes_by_its_own_release() {
        let before = KeptState::default();
        let both = holding(&["Anna", "Ben"]).after(&before);
        let ben = holding(&["Ben"]).after(&both);
        let more = holding(&["Anna", "Ben", "Cleo"]).after(&both);
        let names = |state: &KeptState| -> Vec<String> {
            state.locks.iter().map(|lock| lock.who.as_deref().unwrap_or_default().to_owned()).collect()
        };
        assert_eq!(names(&ben.clone().merged(both.clone())), ["Ben"], "Anna has lifted hers");
        assert_eq!(names(&both.clone().merged(ben.clone())), ["Ben"]);
        assert_eq!(names(&ben.clone().merged(more.clone())), ["Ben", "Cleo"], "apart, and both are right");
        // At the same revision nobody knows who is right, and a lock wins every doubt.
        assert_eq!(names(&more.merged(ben)), ["Anna", "Ben", "Cleo"]);
        let red = KeptState { locks: vec![KeptLockout::new(Name::new("red").unwrap(), true)], ..before };
        let merged = both.merged(red);
        assert_eq!(holder(&merged), Some("red"));
        assert_eq!(merged.locks.len(), 3);
    }

    #[test]
    fn what_was_counted_is_never_lost_and_a_service_counts_for_all() {
        let lens = |nth, counted, told| KeptState {
            services: vec![KeptService {
                name: Name::new("lens").unwrap(),
                nth,
                counted,
                since: WallTime(5),
                by: None,
                who: None,
                told,
            }],
            ..KeptState::default()
        };
        for (one, other, expected) in [
            (lens(0, 500, false), lens(0, 700, true), lens(0, 700, true)),
            (lens(0, 700, false), lens(0, 500, true), lens(0, 700, true)),
            (lens(1, 5, false), lens(0, 700, true), lens(1, 5, false)),
            (KeptState::default(), lens(0, 7, false), lens(0, 7, false)),
        ] {
            for merged in [one.clone().merged(other.clone()), other.merged(one)] {
                assert_eq!(merged.services, expected.services);
            }
        }
    }

    #[test]
    fn what_an_earlier_version_kept_counts_as_the_oldest_and_its_lockout_counts() {
        let since = lived(&KeptState::default(), &["panel", "-"]);
        assert_eq!(holder(&by("red").merged(since.clone())), Some("red"));
        assert_eq!(holder(&since.merged(KeptState::default())), None);
        let taken = by("red").merged(KeptState::default());
        let released = lived(&taken, &["-"]);
        assert_eq!(holder(&released.merged(by("red"))), None, "released by somebody who knew of it");
    }

    #[test]
    fn a_long_life_is_remembered_within_bounds() {
        let words: Vec<&str> = ["panel", "-"].repeat(100);
        let state = lived(&KeptState::default(), &words);
        assert_eq!((state.released.len(), state.revision), (RELEASED_MAX, 200));
        let long_ago = lived(&KeptState::default(), &["panel"]);
        assert_eq!(holder(&state.merged(long_ago)), None, "released longer ago than is remembered");
    }

    #[test]
    fn what_says_nothing_new_is_no_new_revision() {
        let state = lived(&KeptState::default(), &["panel"]);
        assert_eq!(lived(&state, &["panel"]), state);
    }

    #[test]
    fn an_outlet_is_known_by_its_topic_and_one_of_its_words() {
        let order = |topic: &str, on: &str, off: &str| OrderTopic {
            topic: topic.to_owned(),
            on: on.to_owned(),
            off: off.to_owned(),
            expiry: Span::secs(2),
        };
        let held = HeldOutlet::of(&order("strip", "1 on", "1 off"));
        for (other, same) in [
            (order("strip", "1 on", "1 off"), true),
            (order("strip", "1 on", "1 out"), true),
            (order("strip", "2 on", "2 off"), false),
            (order("mill", "1 on", "1 off"), false),
        ] {
            assert_eq!(held.is(&other), same, "{other:?}");
        }
    }
}
