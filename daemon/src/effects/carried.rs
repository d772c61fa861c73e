//! What whoever guards leaves to the one after it, as messages that the broker keeps: lockouts and deferrals of each machine, and the
//! ids that each input's newest requests bore.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::{Value as Json, json};

use crate::engine::{Former, KeptMachine};
use crate::event::{Name, NotAName};
use crate::kept::{KeptDeferral, KeptLockout, KeptState};
use crate::text::rfc3339;
use crate::time::{Now, Span, WallTime};

/// Of one input. A sender that got no answer asks again soon, or not at all.
const IDS_MAX: usize = 16;

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Carried {
    machines: BTreeMap<Name, Left>,
    /// The oldest first.
    answered: BTreeMap<Name, VecDeque<Arc<str>>>,
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

#[derive(Serialize, Deserialize)]
struct Answered {
    at: String,
    input: String,
    ids: Vec<String>,
}

impl Carried {
    pub fn keep(&mut self, now: Now, kept: KeptMachine) {
        self.machines.insert(kept.machine.clone(), Left { at: now.wall, kept });
    }

    pub fn answered(&mut self, input: &Name, id: &Arc<str>) {
        let ids = self.answered.entry(input.clone()).or_default();
        if ids.contains(id) {
            return;
        }
        if ids.len() == IDS_MAX {
            ids.pop_front();
        }
        ids.push_back(id.clone());
    }

    /// What was left comes before what our own journal remembers of a time when we guarded ourselves, unless nobody has guarded
    /// since `own_until`: then the journal is as new, and the broker's store may be older.
    pub fn over(&self, own: &Former, own_until: Option<WallTime>) -> Former {
        let mut carried = self.clone();
        for kept in &own.machines {
            let left = self.machines.get(&kept.machine);
            if left.is_none_or(|left| own_until.is_some_and(|until| left.at <= until)) {
                let at = own_until.unwrap_or_default();
                carried.machines.insert(kept.machine.clone(), Left { at, kept: kept.clone() });
            }
        }
        let answered = carried.answered.iter().flat_map(|(input, ids)| {
            // A name clones cheaply, and there are few.
            ids.iter().map(|id| (input.clone(), id.clone()))
        });
        let mut answered: Vec<_> = own.answered.iter().cloned().chain(answered).collect();
        answered.dedup();
        Former { machines: carried.machines.into_values().map(|left| left.kept).collect(), answered }
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

    pub fn answered_message(&self, now: Now, input: &Name) -> Json {
        let ids = self.answered.get(input).into_iter().flatten();
        json!(Answered {
            at: rfc3339(now.wall),
            input: input.to_string(),
            ids: ids.map(ToString::to_string).collect(),
        })
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

    pub fn take_answered(&mut self, input: &str, payload: &[u8]) -> Result<(), NotCarried> {
        let input = Name::new(input)?;
        if payload.is_empty() {
            self.answered.remove(&input);
            return Ok(());
        }
        let Answered { ids, .. } = serde_json::from_slice(payload)?;
        ids.iter().for_each(|id| self.answered(&input, &id.as_str().into()));
        Ok(())
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

fn wall(text: &str) -> Result<WallTime, NotCarried> {
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
        left.answered(&named("panel"), &"a-1".into());
        left.answered(&named("panel"), &"a-2".into());
        let mut found = Carried::default();
        found
            .take_kept("kiln", left.kept_message(now(), &named("kiln")).to_string().as_bytes(), Heard::Stored)
            .unwrap();
        let answered = left.answered_message(now(), &named("panel")).to_string();
        found.take_answered("panel", answered.as_bytes()).unwrap();
        assert_eq!(found, left);
    }

    #[test]
    fn an_unlocked_machine_is_unlocked_whatever_an_old_journal_says() {
        let mut carried = Carried::default();
        let nothing = left_of(&carried, "kiln");
        carried.take_kept("kiln", nothing.as_bytes(), Heard::Stored).unwrap();
        let own = Former { machines: vec![kiln()], answered: Vec::new() };
        assert_eq!(
            carried.over(&own, None).machines,
            [KeptMachine { machine: named("kiln"), state: KeptState::default() }]
        );
        assert_eq!(Carried::default().over(&own, None).machines, [kiln()], "where the broker kept nothing");
    }

    #[test]
    fn a_broker_that_came_back_with_an_old_store_unlocks_nothing() {
        let mut carried = Carried::default();
        let unlocked = left_of(&carried, "kiln");
        let later = Now { wall: WallTime(now().wall.0 + 1_000), ..now() };
        carried.keep(later, kiln());
        carried.take_kept("kiln", unlocked.as_bytes(), Heard::Stored).unwrap();
        assert_eq!(carried.over(&Former::default(), None).machines, [kiln()], "we have heard of the lockout");

        // The same after a power cut that took us, too: only the journal knows.
        let mut carried = Carried::default();
        carried.take_kept("kiln", unlocked.as_bytes(), Heard::Stored).unwrap();
        let own = Former { machines: vec![kiln()], answered: Vec::new() };
        assert_eq!(carried.over(&own, Some(later.wall)).machines, [kiln()]);
        let unlocked_since = carried.over(&own, Some(WallTime(now().wall.0 - 1))).machines;
        assert_eq!(unlocked_since[0].state.lockout, None, "somebody has guarded since, and unlocked it");

        carried.keep(later, kiln());
        carried.take_kept("kiln", unlocked.as_bytes(), Heard::Live).unwrap();
        assert_eq!(
            carried.over(&Former::default(), None).machines[0].state.lockout,
            None,
            "a clock was set back"
        );
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

    #[test]
    fn ids_are_bounded() {
        let mut carried = Carried::default();
        for number in 0..100 {
            carried.answered(&named("panel"), &number.to_string().into());
        }
        let message = carried.answered_message(now(), &named("panel"));
        assert_eq!(message["ids"].as_array().unwrap().len(), IDS_MAX);
        assert_eq!(message["ids"][IDS_MAX - 1], "99");
    }
}
