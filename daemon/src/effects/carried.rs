//! What whoever guards leaves to the one after it, as messages that the broker keeps: lockouts and deferrals of each machine, and the
//! ids that each input's answered requests bore.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::{Value as Json, json};

use super::carried_ids::{CarriedIds, Id};
use crate::answered::AnsweredId;
use crate::engine::{Former, KeptMachine};
use crate::event::{Name, NotAName};
use crate::kept::{KeptDeferral, KeptLockout, KeptState};
use crate::text::rfc3339;
use crate::time::{Now, Span, WallTime};

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Carried {
    machines: BTreeMap<Name, Left>,
    answered: BTreeMap<Name, CarriedIds>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Left {
    /// By the wall clock of whoever wrote it.
    at: WallTime,
    kept: KeptMachine,
}

/// Whether a message came as it was sent, or from the broker's store. A broker that was restarted may have an old store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Heard {
    Live,
    Stored,
}

/// Why a message cannot be taken for what was left.
#[derive(Debug, thiserror::Error)]
pub enum NotCarried {
    #[error("it is not what Idlegate writes there: {0}")]
    Form(#[from] serde_json::Error),
    #[error(transparent)]
    Name(#[from] NotAName),
    #[error("\"{0}\" is not a time")]
    Time(String),
    #[error("there is no page {0} of ids")]
    Page(usize),
}

#[derive(Serialize, Deserialize)]
struct Kept {
    at: String,
    machine: String,
    lockout: Option<Lockout>,
    deferral: Option<Deferral>,
}

#[derive(Serialize, Deserialize)]
struct Lockout {
    by: String,
    emergency: bool,
}

#[derive(Serialize, Deserialize)]
struct Deferral {
    by: String,
    expires: String,
    remaining_s: f64,
}

impl Carried {
    pub fn keep(&mut self, now: Now, kept: KeptMachine) {
        self.machines.insert(kept.machine.clone(), Left { at: now.wall, kept });
    }

    /// The page that is to go out ahead of the newest ids, if it is time for one.
    pub fn answered(&mut self, input: &Name, id: &Arc<str>, at: WallTime) -> Option<usize> {
        self.answered.entry(input.clone()).or_default().put(Id { id: id.clone(), at })
    }

    /// What was left comes before what our own journal remembers of a time when we guarded ourselves, unless nobody has guarded
    /// since `own_until`: then the journal is as new, and the broker's store may be older. Ids count wherever they are remembered.
    pub fn take_over(&mut self, own: &Former, own_until: Option<WallTime>, now: WallTime) -> Former {
        for kept in &own.machines {
            let left = self.machines.get(&kept.machine);
            if left.is_none_or(|left| own_until.is_some_and(|until| left.at <= until)) {
                let at = own_until.unwrap_or_default();
                self.machines.insert(kept.machine.clone(), Left { at, kept: kept.clone() });
            }
        }
        let mut own_ids: BTreeMap<&Name, Vec<Id>> = BTreeMap::new();
        for AnsweredId { input, id, at } in &own.answered {
            self.answered.entry(input.clone()).or_default();
            own_ids.entry(input).or_default().push(Id { id: id.clone(), at: *at });
        }
        let mut answered = Vec::new();
        for (input, ids) in &mut self.answered {
            ids.take_over(own_ids.remove(input).unwrap_or_default().into_iter(), now);
            let ids = ids.iter().map(|Id { id, at }| (id.clone(), *at));
            answered.extend(ids.map(|(id, at)| AnsweredId { input: input.clone(), id, at }));
        }
        Former { machines: self.machines.values().map(|left| left.kept.clone()).collect(), answered }
    }

    pub fn machines(&self) -> impl Iterator<Item = &Name> {
        self.machines.keys()
    }

    pub fn inputs(&self) -> impl Iterator<Item = &Name> {
        self.answered.keys()
    }

    pub fn kept_message(&self, now: Now, machine: &Name) -> Json {
        let kept = self.machines.get(machine).map(|left| &left.kept);
        let lockout = kept.and_then(|kept| kept.state.lockout.as_ref());
        let deferral = kept.and_then(|kept| kept.state.deferral.as_ref());
        json!(Kept {
            at: rfc3339(now.wall),
            machine: machine.to_string(),
            lockout: lockout
                .map(|lockout| Lockout { by: lockout.by.to_string(), emergency: lockout.emergency }),
            deferral: deferral.map(|deferral| Deferral {
                by: deferral.by.to_string(),
                expires: rfc3339(deferral.expires),
                remaining_s: deferral.remaining.as_secs_f64(),
            }),
        })
    }

    /// The newest ids of an input.
    pub fn answered_message(&self, now: Now, input: &Name) -> Option<Json> {
        self.answered.get(input).map(|ids| ids.newest_message(input, now.wall))
    }

    /// The pages of older ones.
    pub fn pages(&self) -> impl Iterator<Item = (&Name, usize)> {
        self.answered.iter().flat_map(|(input, ids)| ids.pages().map(move |page| (input, page)))
    }

    pub fn page_message(&self, input: &Name, page: usize) -> Option<Json> {
        self.answered.get(input)?.page_message(input, page)
    }

    pub fn take_kept(&mut self, machine: &str, payload: &[u8], heard: Heard) -> Result<(), NotCarried> {
        let machine = Name::new(machine)?;
        if payload.is_empty() {
            self.machines.remove(&machine);
            return Ok(());
        }
        let Kept { at, lockout, deferral, .. } = serde_json::from_slice(payload)?;
        let at = wall(&at)?;
        if heard == Heard::Stored && self.machines.get(&machine).is_some_and(|known| at < known.at) {
            return Ok(());
        }
        let lockout = lockout
            .map(|Lockout { by, emergency }| {
                Ok::<_, NotCarried>(KeptLockout { by: Name::new(&by)?, emergency })
            })
            .transpose()?;
        let deferral = deferral.map(Deferral::read).transpose()?;
        let kept = KeptMachine { machine: machine.clone(), state: KeptState { lockout, deferral } };
        self.machines.insert(machine, Left { at, kept });
        Ok(())
    }

    /// With `page`, of older ids.
    pub fn take_answered(
        &mut self,
        input: &str,
        page: Option<usize>,
        payload: &[u8],
        heard: Heard,
    ) -> Result<(), NotCarried> {
        let input = Name::new(input)?;
        if payload.is_empty() && page.is_none() {
            self.answered.remove(&input);
            return Ok(());
        }
        let ids = self.answered.entry(input).or_default();
        match page {
            Some(page) => ids.hear_page(page, payload, heard),
            None => ids.hear_newest(payload, heard),
        }
    }
}

impl Deferral {
    fn read(self) -> Result<KeptDeferral, NotCarried> {
        let remaining = Duration::try_from_secs_f64(self.remaining_s)
            .map_err(|_| NotCarried::Time(self.remaining_s.to_string()))?;
        Ok(KeptDeferral {
            by: Name::new(&self.by)?,
            expires: wall(&self.expires)?,
            remaining: Span::from(remaining),
        })
    }
}

pub(super) fn wall(text: &str) -> Result<WallTime, NotCarried> {
    let at: Timestamp = text.parse().map_err(|_| NotCarried::Time(text.to_owned()))?;
    Ok(WallTime(at.as_millisecond()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Moment;

    fn named(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    fn kiln() -> KeptMachine {
        let deferral = KeptDeferral {
            by: named("night"),
            expires: WallTime(1_795_574_309_120),
            remaining: Span(90_500),
        };
        let lockout = KeptLockout { by: named("red"), emergency: true };
        let state = KeptState { lockout: Some(lockout), deferral: Some(deferral) };
        KeptMachine { machine: named("kiln"), state }
    }

    fn now() -> Now {
        Now { moment: Moment(7), wall: WallTime(1_795_574_300_000) }
    }

    #[test]
    fn what_is_left_is_what_is_found() {
        let mut left = Carried::default();
        left.keep(now(), kiln());
        for id in ["a-1", "a-2"] {
            assert_eq!(left.answered(&named("panel"), &id.into(), now().wall), None, "no page for a few");
        }
        let mut found = Carried::default();
        found
            .take_kept("kiln", left.kept_message(now(), &named("kiln")).to_string().as_bytes(), Heard::Stored)
            .unwrap();
        let answered = left.answered_message(now(), &named("panel")).unwrap().to_string();
        found.take_answered("panel", None, answered.as_bytes(), Heard::Stored).unwrap();
        let found = found.take_over(&Former::default(), None, now().wall);
        assert_eq!(found.machines, [kiln()]);
        let ids: Vec<_> =
            found.answered.iter().map(|answered| (answered.input.as_str(), &*answered.id)).collect();
        assert_eq!(ids, [("panel", "a-1"), ("panel", "a-2")]);
    }

    fn over(carried: &Carried, own: &Former, own_until: Option<WallTime>) -> Vec<KeptMachine> {
        carried.clone().take_over(own, own_until, now().wall).machines
    }

    #[test]
    fn an_unlocked_machine_is_unlocked_whatever_an_old_journal_says() {
        let mut carried = Carried::default();
        let nothing = left_of(&carried, "kiln");
        carried.take_kept("kiln", nothing.as_bytes(), Heard::Stored).unwrap();
        let own = Former { machines: vec![kiln()], answered: Vec::new() };
        assert_eq!(
            over(&carried, &own, None),
            [KeptMachine { machine: named("kiln"), state: KeptState::default() }]
        );
        assert_eq!(over(&Carried::default(), &own, None), [kiln()], "where the broker kept nothing");
    }

    #[test]
    fn a_broker_that_came_back_with_an_old_store_unlocks_nothing() {
        let mut carried = Carried::default();
        let unlocked = left_of(&carried, "kiln");
        let later = Now { wall: WallTime(now().wall.0 + 1_000), ..now() };
        carried.keep(later, kiln());
        carried.take_kept("kiln", unlocked.as_bytes(), Heard::Stored).unwrap();
        assert_eq!(over(&carried, &Former::default(), None), [kiln()], "we have heard of the lockout");

        // The same after a power cut that took us, too: only the journal knows.
        let mut carried = Carried::default();
        carried.take_kept("kiln", unlocked.as_bytes(), Heard::Stored).unwrap();
        let own = Former { machines: vec![kiln()], answered: Vec::new() };
        assert_eq!(over(&carried, &own, Some(later.wall)), [kiln()]);
        let unlocked_since = over(&carried, &own, Some(WallTime(now().wall.0 - 1)));
        assert_eq!(unlocked_since[0].state.lockout, None, "somebody has guarded since, and unlocked it");

        carried.keep(later, kiln());
        carried.take_kept("kiln", unlocked.as_bytes(), Heard::Live).unwrap();
        assert_eq!(over(&carried, &Former::default(), None)[0].state.lockout, None, "a clock was set back");
    }

    fn left_of(carried: &Carried, machine: &str) -> String {
        carried.kept_message(now(), &named(machine)).to_string()
    }

    #[test]
    fn nonsense_is_refused_and_changes_nothing() {
        let mut carried = Carried::default();
        carried.keep(now(), kiln());
        let before = carried.clone();
        for payload in [
            "{",
            "[]",
            r#"{"at":"","machine":"kiln","lockout":null,"deferral":null}"#,
            r#"{"at":"2026-11-25T02:31:49Z","machine":"kiln","lockout":{"by":"no name!","emergency":true},"deferral":null}"#,
            r#"{"at":"2026-11-25T02:31:49Z","machine":"kiln","lockout":null,"deferral":{"by":"night","expires":"soon","remaining_s":1}}"#,
            r#"{"at":"2026-11-25T02:31:49Z","machine":"kiln","lockout":null,"deferral":{"by":"night","expires":"2026-11-25T02:31:49Z","remaining_s":-1}}"#,
        ] {
            assert!(carried.take_kept("kiln", payload.as_bytes(), Heard::Live).is_err(), "{payload}");
            assert_eq!(carried, before);
        }
    }
}
