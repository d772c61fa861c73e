//! Every payload of ours as a type that is both written and read: what goes to the broker, into the journal's rows, and
//! back. Nobody else looks into such a message by the names of its members. Here nothing is decided and nothing worded.
//!
//! A message is an object whose members stand in the order of the alphabet. One that is read may be of an earlier or a
//! later version: a member that is missing, or is not what it should be, reads as if nothing had been said, one that is
//! not known is passed over, and so is an element of a list that cannot be read.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

#[cfg(test)]
mod asyncapi;
mod blind;
mod decision;
pub mod effects;
mod evidence;
mod forgiving;
mod group;
mod health;
mod machine;
mod request;
mod rows;
mod stand_by;
mod told;
mod topics;
mod words;

use std::borrow::Cow;

use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Map, Value as Json};

pub use blind::{Blind, still_open};
pub use decision::{Confirm, Decision, Refused};
pub use evidence::{Finding, Quantity, Reading};
pub use group::{GroupAnswer, MemberAnswer};
pub use health::{AnswersWithheld, Guarding, Health, NotUnderstood, ReadingsKept, Reload, StoppedDetector};
pub use machine::{Deferral, Lock, MachineStatus, NextSchedule, RunningJob, ServiceState, Signal, StaysOn};
pub use request::Request;
pub use rows::FileSetAside;
pub use rows::Gap;
pub use rows::{
    Energy, JobRecord, Link, Order, OutletState, Shadow, Silence, SilencesSoFar, Start, State, Stop,
};
pub use stand_by::StandBy;
pub use told::Told;
pub use topics::Topics;

/// A stable word of ours, or one that a later version has and we do not.
pub type Word = Cow<'static, str>;

/// As it is written down.
pub fn json(message: &impl Serialize) -> Json {
    serde_json::to_value(message).expect("texts, numbers and lists of them are JSON")
}

/// As it goes over the wire.
pub fn text(message: &impl Serialize) -> String {
    json(message).to_string()
}

/// Nothing if it is no object.
pub fn read<T: Default + DeserializeOwned>(payload: &[u8]) -> Option<T> {
    from_json(&serde_json::from_slice(payload).ok()?)
}

/// Nothing if it is no object.
pub fn from_json<T: Default + DeserializeOwned>(message: &Json) -> Option<T> {
    let members = message.as_object()?;
    if let Ok(read) = T::deserialize(message) {
        return Some(read);
    }
    // Each member is tried alone: those that cannot be read are left out.
    let reads = |(name, value): &(&String, &Json)| {
        T::deserialize(Json::Object(Map::from_iter([((*name).clone(), (*value).clone())]))).is_ok()
    };
    let good = members.iter().filter(reads).map(|(name, value)| (name.clone(), value.clone()));
    T::deserialize(Json::Object(good.collect())).ok()
}

#[cfg(test)]
fn assert_round_trip<T>(message: &T, golden: &str)
where
    T: Default + Serialize + DeserializeOwned + PartialEq + std::fmt::Debug,
{
    assert_eq!(text(message), golden);
    assert_eq!(read::<T>(golden.as_bytes()).as_ref(), Some(message));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_member_that_is_not_what_it_should_be_does_not_hide_the_others() {
        let odd = br#"{"reason":7,"decision":"held","detectors":[{"reason":[]}],"count":"two","sentence":"No.","later":{}}"#;
        let read: Decision = read(odd).unwrap();
        assert_eq!((&*read.decision, &*read.reason, &*read.sentence), ("held", "", "No."));
        assert_eq!((read.count, read.detectors), (None, Vec::new()));
    }

    #[test]
    fn what_is_no_object_is_no_message() {
        for payload in [&b""[..], b"nonsense", b"[]", b"null", b"7", b"\xff"] {
            assert_eq!(read::<Decision>(payload), None);
        }
        assert_eq!(read(b"{}"), Some(Decision::default()));
    }

    #[test]
    fn a_member_that_is_there_twice_counts_as_it_stands_last() {
        let read: Decision = read(br#"{"decision":"held","decision":"acted"}"#).unwrap();
        assert_eq!(read.decision, "acted");
    }
}
