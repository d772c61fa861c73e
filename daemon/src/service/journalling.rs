//! What goes into the journal, and which answers wait for it.

use crate::engine::{Announced, Command, Decided, IncidentTold, KeptMachine, Rejected};
use crate::link::{LinkHandle, Outgoing};
use crate::time::Now;

#[derive(Debug, Default)]
pub(super) struct Journalling {}

pub(super) enum Stored {
    NotNeeded,
    Later(()),
}

impl Journalling {
    pub(super) fn keep(&mut self, _now: Now, _kept: KeptMachine) {}
    pub(super) fn command(&mut self, _now: Now, _command: &Command, _not_sent: Option<&str>) {}
    pub(super) fn decision(&mut self, _decided: &Decided) -> Stored {
        Stored::NotNeeded
    }
    pub(super) fn answer_when_stored(&self, _ticket: (), _link: LinkHandle, _answers: Vec<Outgoing>) {}
    pub(super) fn announcement(&mut self, _announced: &Announced, _sentence: &str) {}
    pub(super) fn incident(&mut self, _told: &IncidentTold, _over: bool, _message: &serde_json::Value) {}
    pub(super) fn rejection(&mut self, _rejected: &Rejected) {}
}
