//! What is remembered of one machine, so that it can be told whether it is seen.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::BlindSpot;
use super::stillness::Stillness;
use crate::machine::MachineState;
use idlegate_guard::PermissiveState;
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::{Name, Reading, Value};
use idlegate_plan::{Signal, SignalKind};

#[derive(Debug, Default)]
pub(crate) struct Eyes {
    /// It has not been off since; nothing while it is.
    pub(super) on_since: Option<Moment>,
    /// It was at work when that was known last.
    pub(crate) worked: bool,
    /// Of each signal of numbers, by its name.
    still: BTreeMap<Name, Stillness>,
    /// Why what its outlet says cannot be read.
    pub(crate) outlet_unclear: Option<Arc<str>>,
    /// What lasts, as it is shown.
    pub(crate) spots: Vec<BlindSpot>,
}

impl Eyes {
    /// A signal that is read in another way may be another meter.
    pub(crate) fn retain_signals(&mut self, is_same: impl Fn(&Name) -> bool) {
        self.still.retain(|name, _| is_same(name));
    }

    pub(super) fn stillness(&self, signal: &Name) -> Option<&Stillness> {
        self.still.get(signal)
    }

    pub(crate) fn reads(&mut self, signal: &Signal, new: &[Reading], works: bool) {
        // One that speaks of changes alone never says the same twice.
        let never_repeats = signal.on_change().is_some() && signal.polling().is_none();
        if matches!(signal.kind, SignalKind::Text) || never_repeats {
            return;
        }
        if !self.still.contains_key(&signal.name) {
            self.still.insert(signal.name.clone(), Stillness::default());
        }
        let Some(still) = self.still.get_mut(&signal.name) else { return };
        for reading in new {
            if let Value::Number(number) = reading.value {
                still.take(reading.at, number, works);
            }
        }
    }
}

impl MachineState {
    /// Whether it works is remembered while it cannot be seen.
    pub(super) fn remember_work(&mut self, now: Moment) {
        let is_off = self.sight.was_off();
        let state = self.permissive().at(now);
        let eyes = &mut self.eyes;
        eyes.on_since = if is_off { None } else { eyes.on_since.or(Some(now)) };
        eyes.worked = match state {
            _ if is_off => false,
            PermissiveState::Busy => true,
            PermissiveState::Clear => false,
            PermissiveState::Unknown => eyes.worked,
        };
    }
}

/// A limit that cannot be shorter than what the rules bear of this signal anyway.
pub(super) fn silent_limit(limit: Span, signal: &Signal) -> Span {
    limit.max(signal.silent_max())
}
