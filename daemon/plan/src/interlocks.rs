//! What machines have to do with one another: which one holds which, and which one needs which.

use std::collections::BTreeSet;

use super::{Machine, Role, Signal, SignalKind};
use crate::event::Name;
use idlegate_guard::time::Span;

/// What of other machines a machine goes by. All of them are guarded by the same daemon.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Interlocks {
    /// It stays on while these work.
    pub needed_by: Option<NeededBy>,
    /// It is not switched on without these being on.
    pub needs_on: Vec<Name>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NeededBy {
    pub machines: Vec<Name>,
    /// And for so long after the last of them has stopped.
    pub run_on: Span,
    /// What is left behind if it is switched off too early: "fumes".
    pub may_remain: Option<String>,
}

impl Machine {
    /// Every machine whose state it goes by; itself, too, where a signal is its own state.
    pub fn goes_by(&self) -> BTreeSet<&Name> {
        let interlocks = &self.interlocks;
        let needed_by = interlocks.needed_by.iter().flat_map(|needed_by| &needed_by.machines);
        needed_by
            .chain(&interlocks.needs_on)
            .chain(self.signals.iter().filter_map(Signal::of_machine))
            .collect()
    }

    /// Every machine whose state can hold it.
    pub fn held_by(&self) -> BTreeSet<&Name> {
        let needed_by = self.interlocks.needed_by.iter().flat_map(|needed_by| &needed_by.machines);
        let holding = self.detectors.iter().filter(|uses| uses.role == Role::Hold);
        let read = holding.flat_map(|uses| uses.signals.iter().flatten());
        needed_by.chain(read.filter_map(|signal| self.signals[*signal].of_machine())).collect()
    }
}

impl Signal {
    /// The machine whose state it is.
    pub fn of_machine(&self) -> Option<&Name> {
        match &self.kind {
            SignalKind::Machine(name) => Some(name),
            SignalKind::Number(_) | SignalKind::Text => None,
        }
    }

    /// The topic filter that its readings come by, if they come from outside.
    pub fn filter(&self) -> Option<&str> {
        self.of_machine().is_none().then_some(self.source.filter.as_str())
    }
}
