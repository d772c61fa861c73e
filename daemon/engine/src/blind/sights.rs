//! How everything looks at one moment. Reads the engine's state and changes none of it.

use std::sync::Arc;

use super::machine::silent_limit;
use super::stillness::Stillness;
use super::watch::{Facts, Seen, Sight, Spot};
use super::{BlindSpot, Blindness, Consequence, FormerBlindSpot};
use crate::core::Engine;
use crate::effect::Effect;
use crate::machine::MachineState;
use crate::signals::SignalState;
use crate::stopped_detectors::why;
use idlegate_guard::Control;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_plan::event::{Name, ServiceSight};
use idlegate_plan::{BlindLimits, Input, LifeSign, Machine, Role, Signal, SignalIx, indexed};

/// A disk may be slow for a moment.
const JOURNAL_OUT: Span = Span::secs(30);
/// A computer without a clock of its own asks for the time when it starts.
const CLOCK_UNSET: Span = Span::secs(300);

impl Engine {
    /// Takes a look if it is time to. Nothing comes of it but what is to be told and shown.
    pub(crate) fn look_for_blind_spots(&mut self, now: Now, out: &mut Vec<Effect>) {
        if !self.link_up || self.blind.deadline().is_none_or(|at| at > now.moment) {
            return;
        }
        self.machines.iter_mut().for_each(|machine| machine.remember_work(now.moment));
        let seen = self.sights(now.moment);
        let watched = |input: &Input| input.silent_max.is_some() || input.battery.is_some();
        let any =
            !self.machines.is_empty() || self.service_sight.is_some() || self.plan.inputs.iter().any(watched);
        let told = self.blind.look(now, any, seen);
        out.extend(told.into_iter().map(Effect::Blind));
        if self.blind.take_changed() {
            for index in self.machines.indices() {
                let name = self.machine_name(index);
                let spots = self.blind.lasting(now).filter(|spot| spot.machine() == Some(&name));
                self.machines[index].eyes.spots = spots.collect();
                self.settle(now, index, out);
            }
        }
    }

    /// What lasts, by kind and name.
    pub fn blind_spots(&self, now: Now) -> Vec<BlindSpot> {
        self.blind.lasting(now).collect()
    }

    /// What a former run has told and not ended is not told anew, and its end is.
    pub fn recall_blind_spots(&mut self, former: &[FormerBlindSpot], now: Now) {
        for spot in former {
            self.blind.recall(spot, now);
            let named = spot.of.as_ref().and_then(|of| self.plan.machine(of.as_str()));
            if let (Blindness::DetectorOut, Some((index, _)), Some(part)) = (spot.kind, named, &spot.part) {
                self.machines[index].recall_stopped_detector(now.moment, part);
            }
        }
    }

    pub(crate) fn service_is(&mut self, now: Moment, sight: ServiceSight) {
        self.service_sight = Some(sight);
        self.blind.look_soon(now);
    }

    /// Those that cannot be seen; and, while one is known of, all others as well.
    fn sights(&self, now: Moment) -> Vec<Seen> {
        let mut sights = Sights {
            now,
            up_since: self.blind.up_since(),
            limits: self.plan.shop.blind,
            all: !self.blind.knows_of_none(),
            seen: Vec::new(),
        };
        for machine in self.machines.iter() {
            sights.of_outlet(machine, self.outage.is_told(&machine.rules().name));
            sights.of_signals(machine);
            sights.of_detectors(machine);
        }
        for input in &self.plan.inputs {
            let heard = self.inputs_heard.of(&input.name);
            if let Some(silent_max) = input.silent_max {
                let since = heard.heard_at.filter(|at| *at >= sights.up_since);
                let sight = match since {
                    Some(at) if now.since(at) < silent_max => Sight::Sees,
                    _ => since_when(now, since.unwrap_or(sights.up_since), silent_max),
                };
                sights.of_input(Blindness::InputSilent, input, sight, silent_max, None);
            }
            if input.battery.is_some() {
                let sight = match heard.battery.as_ref().map(|battery| battery.is_low) {
                    Some(true) => Sight::Blind { since: None },
                    Some(false) => Sight::Sees,
                    None => Sight::Untold,
                };
                let said = heard.battery.map(|battery| battery.said);
                sights.of_input(Blindness::BatteryLow, input, sight, Span::ZERO, said);
            }
        }
        sights.of_service(self.service_sight.as_ref());
        sights.seen
    }
}

/// Blind since then, as soon as it has lasted as long as is borne anyway.
fn since_when(now: Moment, since: Moment, borne: Span) -> Sight {
    if now.since(since) >= borne { Sight::Blind { since: Some(since) } } else { Sight::Untold }
}

struct Sights {
    now: Moment,
    up_since: Moment,
    limits: BlindLimits,
    all: bool,
    seen: Vec<Seen>,
}

/// What a machine loses with one of its signals; nothing where nobody misses it.
fn meanwhile(machine: &MachineState, signal: SignalIx, only_needed: bool) -> Option<Consequence> {
    let rules = machine.rules();
    let uses = rules.detectors.iter().filter(|uses| {
        uses.signals
            .iter()
            .zip(&uses.needed)
            .any(|(wired, needed)| *wired == Some(signal) && (*needed || !only_needed))
    });
    let drawn = (rules.outlet.power_signal == Some(signal)).then_some(Consequence::NothingElse);
    uses.map(|uses| without(uses.role)).chain(drawn).min_by_key(|what| match what {
        Consequence::OffHeld | Consequence::OffWouldBeHeld => 0,
        Consequence::OnRefused => 1,
        Consequence::NothingElse => 2,
    })
}

/// What a machine loses with a detector.
fn without(role: Role) -> Consequence {
    match role {
        Role::Hold => Consequence::OffHeld,
        Role::PermitOn => Consequence::OnRefused,
        Role::Advise | Role::Warn(_) => Consequence::NothingElse,
    }
}

/// Then each is called by its name.
fn is_watched_by_several_signals(rules: &Machine) -> bool {
    let mut wired = rules.detectors.iter().flat_map(|uses| uses.signals.iter().flatten());
    let first = wired.next();
    wired.any(|signal| Some(signal) != first)
}

impl Sights {
    fn add(&mut self, seen: impl FnOnce() -> Seen, sight: Sight) {
        if self.all || matches!(sight, Sight::Blind { .. }) {
            self.seen.push(seen());
        }
    }

    fn of_outlet(&mut self, machine: &MachineState, told_with_others: bool) {
        let none = Consequence::NothingElse;
        if machine.rules().outlet.reach.is_some() {
            let sight = match machine.sight.is_reachable() {
                Some(false) => Sight::Blind { since: None },
                Some(true) => Sight::Sees,
                None => Sight::Untold,
            };
            // No off ever gets through to one that is only watched, so none is missed.
            let kind = if machine.rules().is_watched() {
                Blindness::MeterSilent
            } else {
                Blindness::OutletUnreachable
            };
            let spot = (kind, None);
            let after = self.limits.outlet_unreachable;
            self.of_machine(machine, spot, sight, after, (none, None), told_with_others);
        }
        let unclear = machine.eyes.outlet_unclear.clone();
        let sight = match (&unclear, machine.guard.outlet()) {
            (Some(_), _) => Sight::Blind { since: None },
            (None, Some(_)) => Sight::Sees,
            (None, None) => Sight::Untold,
        };
        let spot = (Blindness::PayloadNotUnderstood, None);
        self.of_machine(machine, spot, sight, self.limits.not_understood, (none, unclear), false);
    }

    fn of_signals(&mut self, machine: &MachineState) {
        let is_off = machine.sight.was_off();
        for (index, rules) in indexed(&machine.rules().signals) {
            let state = &machine.signals[index];
            let heard = state.heard_at().filter(|at| *at >= self.up_since);
            let is_heard = heard.is_some_and(|at| self.now.since(at) < rules.silent_max());
            if let Some(meanwhile) = meanwhile(machine, index, true) {
                let sight = match is_heard {
                    true => Sight::Sees,
                    false if is_off || state.unusable().is_some() => Sight::Untold,
                    false => {
                        let since = heard.max(machine.eyes.on_since).unwrap_or_default().max(self.up_since);
                        since_when(self.now, since, rules.silent_max())
                    }
                };
                let with_outlet = rules.alive().is_some_and(|alive| alive.sign == LifeSign::Reach)
                    && machine.sight.is_reachable() == Some(false);
                let spot = (Blindness::MeterSilent, Some(&rules.name));
                let after = silent_limit(self.limits.meter_silent, rules);
                self.of_machine(machine, spot, sight, after, (meanwhile, None), with_outlet);
                self.of_standing_still(machine, rules, state, meanwhile);
            }
            if let Some(meanwhile) = self::meanwhile(machine, index, false) {
                let unusable = state.unusable().filter(|_| !is_off).cloned();
                let sight = match (&unusable, is_heard) {
                    (Some(_), _) => Sight::Blind { since: None },
                    (None, true) => Sight::Sees,
                    (None, false) => Sight::Untold,
                };
                let spot = (Blindness::PayloadNotUnderstood, Some(&rules.name));
                let (after, facts) = (self.limits.not_understood, (meanwhile, unusable));
                self.of_machine(machine, spot, sight, after, facts, false);
            }
        }
    }

    /// By the rules' own word where they have one for this meter, else by what it did before.
    fn of_standing_still(
        &mut self,
        machine: &MachineState,
        rules: &Signal,
        state: &SignalState,
        meanwhile: Consequence,
    ) {
        // What a former run has told lasts until something is known again.
        let unread = Stillness::default();
        let still = machine.eyes.stillness(&rules.name).unwrap_or(&unread);
        let is_off = machine.sight.was_off();
        let after = rules.stuck_after.unwrap_or_else(|| still.limit(self.limits.meter_stuck));
        let since = match rules.stuck_after {
            Some(_) => state.stuck_for(rules).and_then(|_| still.same_since(after)),
            // One that is asked for its value may hold it for as long as it likes.
            None if rules.on_change().is_some() => None,
            None => still.stuck_since(self.limits.meter_stuck),
        };
        let sight = match since.filter(|_| !is_off) {
            Some(since) => Sight::Blind { since: Some(since) },
            None if still.moves(after) => Sight::Sees,
            None => Sight::Untold,
        };
        let is_blind = matches!(sight, Sight::Blind { .. });
        let value = still.value().filter(|_| is_blind);
        let value = value.map(|value| idlegate_detector::quantity(value, rules.unit()).to_string());
        let facts = (meanwhile, value.map(Arc::from));
        self.of_machine(machine, (Blindness::MeterStuck, Some(&rules.name)), sight, after, facts, false);
    }

    fn of_detectors(&mut self, machine: &MachineState) {
        for (uses, (place, state)) in
            machine.rules().detectors.iter().zip(machine.detectors.indices().zip(machine.detectors.iter()))
        {
            let sight = match machine.stopped_detectors.is_out(place) {
                true => Sight::Blind { since: None },
                false if state.has_answered() => Sight::Sees,
                false => Sight::Untold,
            };
            let meanwhile = without(uses.role);
            let why = state.fault().map(|fault| Arc::from(why(fault)));
            let spot = (Blindness::DetectorOut, Some(&uses.name));
            self.of_machine(machine, spot, sight, Span::ZERO, (meanwhile, why), true);
        }
    }

    fn of_machine(
        &mut self,
        machine: &MachineState,
        (kind, part): (Blindness, Option<&Name>),
        sight: Sight,
        after: Span,
        (meanwhile, why): (Consequence, Option<Arc<str>>),
        quiet: bool,
    ) {
        let rules = machine.rules();
        let policy = machine.guard.policy();
        let meanwhile = match (meanwhile, policy.control) {
            (Consequence::OffHeld, Control::Full) if policy.shadow => Consequence::OffWouldBeHeld,
            (_, Control::Watched) | (Consequence::OffHeld, Control::NeverOff) => Consequence::NothingElse,
            (other, Control::Full | Control::NeverOff) => other,
        };
        // Whoever works on a machine unplugs what belongs to it. What then lasts beyond the lock is told.
        let waits =
            machine.guard.locks().is_maintenance() && !machine.eyes.worked && !kind.has_own_incident();
        let sight = if waits && sight != Sight::Sees { Sight::Untold } else { sight };
        let seen = || Seen {
            spot: Spot { kind, of: Some(rules.name.clone()), part: part.cloned() },
            sight,
            after,
            quiet: quiet || kind.has_own_incident(),
            facts: Facts {
                title: machine.title.clone(),
                one_of_several: is_watched_by_several_signals(rules),
                why,
                meanwhile,
                urgent: machine.eyes.worked,
            },
        };
        self.add(seen, sight);
    }

    fn of_input(&mut self, kind: Blindness, input: &Input, sight: Sight, after: Span, why: Option<Arc<str>>) {
        let facts = || Facts {
            title: input.title.as_str().into(),
            one_of_several: false,
            why,
            meanwhile: Consequence::NothingElse,
            urgent: input.rights.emergency,
        };
        let spot = || Spot { kind, of: Some(input.name.clone()), part: None };
        self.add(|| Seen { spot: spot(), sight, after, quiet: false, facts: facts() }, sight);
    }

    fn of_service(&mut self, service: Option<&ServiceSight>) {
        let is_late = service.is_some_and(|service| service.late_broker);
        let late = is_late.then(|| Arc::from("it delivers messages that have expired"));
        let why =
            |of: fn(&ServiceSight) -> &Option<Arc<str>>| service.and_then(|service| of(service).clone());
        for (kind, why, after) in [
            (Blindness::JournalOut, why(|service| &service.journal_out), JOURNAL_OUT),
            (Blindness::ClockUnset, why(|service| &service.clock_unset), CLOCK_UNSET),
            (Blindness::LateBroker, late, Span::ZERO),
        ] {
            let sight = match &why {
                Some(_) => Sight::Blind { since: None },
                None if service.is_some() => Sight::Sees,
                None => Sight::Untold,
            };
            let facts = Facts {
                title: "".into(),
                one_of_several: false,
                why,
                meanwhile: Consequence::NothingElse,
                urgent: false,
            };
            let spot = Spot { kind, of: None, part: None };
            let quiet = kind.has_own_incident();
            self.add(|| Seen { spot, sight, after, quiet, facts }, sight);
        }
    }
}
