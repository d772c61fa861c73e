//! What whoever guards leaves to the one after it, as messages that the broker keeps: lockouts and deferrals of each
//! machine, and the ids that each input's answered requests bore. Each bears a digest if the rules have a secret for
//! it; see `seal`.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use serde_json::Value as Json;

use super::handover_ids::{self, HandoverIds, Id};
use super::seal::{Seal, Unsealed};
use idlegate_engine::KeptMachine;
use idlegate_guard::time::{Now, WallTime};
use idlegate_plan::OrderTopic;
use idlegate_plan::answered::AnsweredId;
use idlegate_plan::event::{Name, NotAName};
use idlegate_plan::kept::note::{BadNote, KeptNote};
use idlegate_plan::kept::{HeldOutlet, KeptLockout, KeptState};

/// More machines than any shop has are not remembered: whoever may write notes could write them without end.
const MACHINES_MAX: usize = 4_096;

#[derive(Clone, Debug, Default)]
pub struct Handover {
    seal: Seal,
    machines: BTreeMap<Name, KeptState>,
    answered: BTreeMap<Name, HandoverIds>,
}

/// Whether a message came as it was sent, or from the broker's store. A broker that was restarted may have an old
/// store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Delivery {
    Live,
    Stored,
}

/// Why a message cannot be taken for what was left.
#[derive(Debug, thiserror::Error)]
pub enum BadHandover {
    #[error("it is not what Idlegate writes there: {0}")]
    Form(#[from] serde_json::Error),
    #[error(transparent)]
    Name(#[from] NotAName),
    #[error(transparent)]
    Note(#[from] BadNote),
    #[error(transparent)]
    Unsealed(#[from] Unsealed),
    #[error("it is about another machine, {0}")]
    OtherMachine(Name),
    #[error("it is about another input")]
    OtherInput,
    #[error("\"{0}\" is not a time")]
    Time(String),
    #[error("there is no page {0} of ids")]
    Page(usize),
    #[error("there are too many machines")]
    TooMany,
}

/// Lockouts and deferrals.
impl Handover {
    pub fn new(seal: Seal) -> Handover {
        Handover { seal, ..Handover::default() }
    }

    /// What the guard keeps from now on, with the revision that it has by that.
    pub fn keep(&mut self, kept: KeptMachine) -> KeptMachine {
        let before = self.machines.get(&kept.machine).cloned().unwrap_or_default();
        let state = kept.state.after(&before);
        self.machines.insert(kept.machine.clone(), state.clone());
        KeptMachine { machine: kept.machine, state }
    }

    /// What we remember ourselves of an earlier time. Says whether that is news.
    pub fn remember(&mut self, machine: &Name, state: KeptState) -> bool {
        let known = self.machines.get(machine).cloned();
        let merged = known.clone().map_or_else(|| state.clone(), |known| known.merged(state.clone()));
        let news = known.as_ref() != Some(&merged);
        self.machines.insert(machine.clone(), merged);
        news
    }

    pub fn state(&self, machine: &Name) -> Option<&KeptState> {
        self.machines.get(machine)
    }

    pub fn states(&self) -> &BTreeMap<Name, KeptState> {
        &self.machines
    }

    /// Of whichever machine it was: all that holds this outlet.
    pub fn held(&self, order: &OrderTopic) -> Vec<KeptLockout> {
        let locks = self.machines.values().flat_map(|state| &state.locks);
        let holds =
            |lock: &&KeptLockout| lock.outlet.as_ref().is_some_and(|held: &HeldOutlet| held.is(order));
        locks.filter(holds).cloned().collect()
    }

    /// What was left, put together with what our own journal remembers; not of machines that others guard.
    pub fn take_over(&mut self, own: &[KeptMachine], elsewhere: &BTreeSet<Name>) -> Vec<KeptMachine> {
        for kept in own {
            self.remember(&kept.machine, kept.state.clone());
        }
        let ours = self.machines.iter().filter(|(machine, _)| !elsewhere.contains(*machine));
        ours.map(|(machine, state)| KeptMachine { machine: machine.clone(), state: state.clone() }).collect()
    }

    pub fn kept_message(&self, now: Now, topic: &str, machine: &Name) -> String {
        let nothing = KeptState::default();
        let mut note = KeptNote::of(machine, self.machines.get(machine).unwrap_or(&nothing), now.wall);
        note.digest = self.seal.digest(topic, &note.to_seal());
        note.to_text()
    }

    /// Puts together what was heard with what is known. Says whether that is news. An empty message, with which anybody
    /// could clear the topic, says nothing.
    pub fn take_kept(&mut self, topic: &str, machine: &str, payload: &[u8]) -> Result<bool, BadHandover> {
        let (machine, state) = self.read_kept(topic, machine, payload)?;
        let Some(state) = state else { return Ok(false) };
        if self.machines.len() >= MACHINES_MAX && !self.machines.contains_key(&machine) {
            return Err(BadHandover::TooMany);
        }
        Ok(self.remember(&machine, state))
    }

    /// For whoever guards the machine itself: nobody else can release it. Says whether somebody knows of a lockout that
    /// it has not heard of.
    pub fn take_kept_of_ours(
        &mut self,
        topic: &str,
        machine: &str,
        payload: &[u8],
    ) -> Result<bool, BadHandover> {
        let (machine, state) = self.read_kept(topic, machine, payload)?;
        let known = self.machines.get(&machine).cloned().unwrap_or_default();
        let merged = known.clone().merged(state.unwrap_or_default());
        let news = merged.locks.iter().any(|lock| !known.has_lock(lock));
        if news {
            self.machines.insert(machine, merged);
        }
        Ok(news)
    }

    fn read_kept(
        &self,
        topic: &str,
        machine: &str,
        payload: &[u8],
    ) -> Result<(Name, Option<KeptState>), BadHandover> {
        let machine = Name::new(machine)?;
        if payload.is_empty() {
            return Ok((machine, None));
        }
        let note = KeptNote::parse(payload)?;
        let (named, state) = note.read()?;
        if named != machine {
            return Err(BadHandover::OtherMachine(named));
        }
        self.seal.check(topic, &note.to_seal(), note.digest.as_deref())?;
        Ok((machine, Some(state)))
    }
}

/// Ids of requests that were answered.
impl Handover {
    /// The page that is to go out ahead of the newest ids, if it is time for one.
    pub fn answered(&mut self, input: &Name, id: &Arc<str>, at: WallTime) -> Option<usize> {
        self.answered.entry(input.clone()).or_default().put(Id { id: id.clone(), at })
    }

    /// Ids count wherever they are remembered.
    pub fn take_over_ids(&mut self, own: &[AnsweredId], now: WallTime) -> Vec<AnsweredId> {
        let mut own_ids: BTreeMap<&Name, Vec<Id>> = BTreeMap::new();
        for AnsweredId { input, id, at } in own {
            self.answered.entry(input.clone()).or_default();
            own_ids.entry(input).or_default().push(Id { id: id.clone(), at: *at });
        }
        let mut answered = Vec::new();
        for (input, ids) in &mut self.answered {
            ids.take_over(own_ids.remove(input).unwrap_or_default().into_iter(), now);
            let ids = ids.iter().map(|Id { id, at }| (id.clone(), *at));
            answered.extend(ids.map(|(id, at)| AnsweredId { input: input.clone(), id, at }));
        }
        answered
    }

    pub fn inputs(&self) -> impl Iterator<Item = &Name> {
        self.answered.keys()
    }

    /// The newest ids of an input.
    pub fn answered_message(&self, now: Now, topic: &str, input: &Name) -> Option<Json> {
        let message = self.answered.get(input)?.newest_message(input, now.wall);
        Some(handover_ids::sealed(message, &self.seal, topic))
    }

    /// The pages of older ones.
    pub fn pages(&self) -> impl Iterator<Item = (&Name, usize)> {
        self.answered.iter().flat_map(|(input, ids)| ids.pages().map(move |page| (input, page)))
    }

    pub fn page_message(&self, topic: &str, input: &Name, page: usize) -> Option<Json> {
        let message = self.answered.get(input)?.page_message(input, page)?;
        Some(handover_ids::sealed(message, &self.seal, topic))
    }

    /// With `page`, of older ids.
    pub fn take_answered(
        &mut self,
        topic: &str,
        (input, page): (&str, Option<usize>),
        payload: &[u8],
        heard: Delivery,
    ) -> Result<(), BadHandover> {
        let input = Name::new(input)?;
        // Whoever clears the topic takes no id back.
        if payload.is_empty() {
            return Ok(());
        }
        handover_ids::check(payload, &input, &self.seal, topic)?;
        // With a digest an old message may be one that somebody has kept to send it again.
        let heard = if self.seal.is_closed() { Delivery::Stored } else { heard };
        let ids = self.answered.entry(input).or_default();
        match page {
            Some(page) => ids.hear_page(page, payload, heard),
            None => ids.hear_newest(payload, heard),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_guard::time::{Moment, Span};
    use idlegate_plan::Secret;
    use idlegate_plan::kept::KeptUntil;

    const TOPIC: &str = "idlegate/kept/kiln";

    fn named(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    fn kiln() -> KeptMachine {
        let deferral =
            KeptUntil { by: named("night"), expires: WallTime(1_795_574_309_120), remaining: Span(90_500) };
        let locks = vec![KeptLockout::new(named("red"), true)];
        let state = KeptState { locks, deferral: Some(deferral), ..KeptState::default() };
        KeptMachine { machine: named("kiln"), state }
    }

    fn unlocked() -> KeptMachine {
        KeptMachine { machine: named("kiln"), state: KeptState::default() }
    }

    fn now() -> Now {
        Now { moment: Moment(7), wall: WallTime(1_795_574_300_000) }
    }

    fn left_of(handover: &Handover) -> String {
        handover.kept_message(now(), TOPIC, &named("kiln"))
    }

    fn is_locked(handover: &Handover) -> bool {
        handover.state(&named("kiln")).is_some_and(KeptState::is_locked)
    }

    #[test]
    fn what_is_left_is_what_is_found() {
        let mut left = Handover::default();
        let kept = left.keep(kiln());
        for id in ["a-1", "a-2"] {
            assert_eq!(left.answered(&named("panel"), &id.into(), now().wall), None, "no page for a few");
        }
        let mut found = Handover::default();
        assert!(found.take_kept(TOPIC, "kiln", left_of(&left).as_bytes()).unwrap());
        let answered = left.answered_message(now(), "ids", &named("panel")).unwrap().to_string();
        found.take_answered("ids", ("panel", None), answered.as_bytes(), Delivery::Stored).unwrap();
        assert_eq!(found.take_over(&[], &BTreeSet::new()), [kept]);
        let ids = found.take_over_ids(&[], now().wall);
        let ids: Vec<_> = ids.iter().map(|answered| (answered.input.as_str(), &*answered.id)).collect();
        assert_eq!(ids, [("panel", "a-1"), ("panel", "a-2")]);
    }

    #[test]
    fn neither_an_old_journal_nor_an_old_store_nor_any_clock_brings_back_or_takes_away_a_lockout() {
        let mut guard = Handover::default();
        let locked = guard.keep(kiln());
        let note_locked = left_of(&guard);
        guard.keep(unlocked());
        let note_unlocked = left_of(&guard);
        // An old journal and a newer note, in either order.
        let mut next = Handover::default();
        next.take_kept(TOPIC, "kiln", note_unlocked.as_bytes()).unwrap();
        assert_eq!(next.take_over(std::slice::from_ref(&locked), &BTreeSet::new())[0].state.lockout(), None);
        // A newer journal and the old store of a broker, or a note that somebody sends again.
        next.take_kept(TOPIC, "kiln", note_locked.as_bytes()).unwrap();
        assert!(!is_locked(&next));
        guard.keep(kiln());
        let note_again = left_of(&guard);
        for note in [&note_again, &note_unlocked, &note_locked] {
            next.take_kept(TOPIC, "kiln", note.as_bytes()).unwrap();
            assert!(is_locked(&next), "what is over does not release what came after it");
        }
        next.take_kept(TOPIC, "kiln", b"").unwrap();
        assert!(is_locked(&next), "nor does an empty message");
    }

    #[test]
    fn machines_of_another_hall_are_remembered_and_not_taken_over() {
        let mut handover = Handover::default();
        handover.keep(kiln());
        let elsewhere = BTreeSet::from([named("kiln")]);
        assert_eq!(handover.take_over(&[], &elsewhere), []);
        assert!(is_locked(&handover));
    }

    #[test]
    fn nobody_else_releases_what_we_guard_but_anybody_may_know_of_a_lockout() {
        let mut ours = Handover::default();
        ours.keep(kiln());
        let mut other = ours.clone();
        other.keep(unlocked());
        assert!(!ours.take_kept_of_ours(TOPIC, "kiln", left_of(&other).as_bytes()).unwrap());
        assert!(is_locked(&ours));
        ours.keep(unlocked());
        other.keep(kiln());
        assert!(ours.take_kept_of_ours(TOPIC, "kiln", left_of(&other).as_bytes()).unwrap());
        assert!(is_locked(&ours));
    }

    #[test]
    fn with_a_secret_only_a_guard_that_knows_it_is_believed() {
        let secret = |text: &str| Handover::new(Seal::new(Some(&Secret::new(text.to_owned()))));
        let mut guard = secret("of these rules");
        guard.keep(kiln());
        guard.keep(unlocked());
        let note = left_of(&guard);
        let forged = note.replace(r#""revision":2"#, r#""revision":9"#);
        assert_ne!(note, forged);
        let mut next = secret("of these rules");
        next.keep(kiln());
        let stranger = secret("another");
        for (topic, payload) in [
            (TOPIC, forged.as_str()),
            ("other/kept/kiln", note.as_str()),
            (TOPIC, &left_of(&stranger)),
            (TOPIC, &left_of(&Handover::default())),
        ] {
            let refused = next.take_kept(topic, "kiln", payload.as_bytes());
            assert!(matches!(refused, Err(BadHandover::Unsealed(_))), "{topic} {payload}: {refused:?}");
            assert!(is_locked(&next));
        }
        assert!(next.take_kept(TOPIC, "mill", note.as_bytes()).is_err(), "about another machine");
        assert!(next.take_kept(TOPIC, "kiln", note.as_bytes()).unwrap());
        assert!(!is_locked(&next));

        guard.answered(&named("panel"), &"7".into(), now().wall);
        let ids = guard.answered_message(now(), "ids", &named("panel")).unwrap().to_string();
        for (topic, input, payload) in [
            ("ids", "panel", ids.replace("\"7\"", "\"8\"")),
            ("others", "panel", ids.clone()),
            ("ids", "wall", ids.clone()),
        ] {
            let refused = next.take_answered(topic, (input, None), payload.as_bytes(), Delivery::Live);
            assert!(refused.is_err(), "{topic} {input} {payload}");
        }
        next.take_answered("ids", ("panel", None), ids.as_bytes(), Delivery::Live).unwrap();
        assert_eq!(next.take_over_ids(&[], now().wall).len(), 1);
    }

    #[test]
    fn nonsense_is_refused_and_changes_nothing() {
        let mut handover = Handover::default();
        handover.keep(kiln());
        let before = left_of(&handover);
        for payload in ["{", "[]", r#"{"decision":"refused"}"#] {
            assert!(handover.take_kept(TOPIC, "kiln", payload.as_bytes()).is_err(), "{payload}");
            assert_eq!(left_of(&handover), before);
        }
    }
}
