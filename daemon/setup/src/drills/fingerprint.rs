//! Tells a machine's outlet, detectors and rules from others, so that a drill is due again after a change. What is
//! left at its default is not part of it: a later version with one setting more makes no drill due.

use std::fmt::Write as _;

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use idlegate_guard::time::Span;
use idlegate_guard::{Control, Policy, Rights};
use idlegate_plan::text::hex;
use idlegate_plan::{
    Input, InputSource, Machine, MachineIx, ModuleSource, OrderTopic, Plan, Source, StateTopic,
};

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Fingerprints {
    pub outlet: String,
    pub detectors: String,
    pub rules: String,
}

impl Fingerprints {
    pub fn of(plan: &Plan, index: MachineIx) -> Fingerprints {
        let machine = &plan.machines[index];
        let mut rules = policy(&machine.policy);
        for input in plan.inputs.iter().filter(|input| input.machines.contains(&index)) {
            rules.push_str(&asks(input));
        }
        Fingerprints {
            outlet: digest(&outlet(machine)),
            detectors: digest(&detectors(machine)),
            rules: digest(&rules),
        }
    }

    /// What is another now than it was then.
    pub(super) fn changed_since(&self, then: &Fingerprints) -> Option<&'static str> {
        if self.outlet != then.outlet {
            Some("its outlet")
        } else if self.detectors != then.detectors {
            Some("a detector or a signal of it")
        } else if self.rules != then.rules {
            Some("its rules")
        } else {
            None
        }
    }
}

fn digest(text: &str) -> String {
    hex(&Sha256::digest(text)).split_off(48)
}

fn place(source: &Source) -> String {
    format!("{} {:?}", source.filter, source.path)
}

fn outlet(machine: &Machine) -> String {
    let outlet = &machine.outlet;
    let state = |state: &StateTopic| format!("{} {} {}", place(&state.source), state.on, state.off);
    let order = |order: &OrderTopic| format!("{} {} {}", order.topic, order.on, order.off);
    let order = outlet.order.as_ref().map(order).unwrap_or_default();
    let [says, reach] = [&outlet.state, &outlet.reach].map(|it| it.as_ref().map(state).unwrap_or_default());
    format!("{says}\n{order}\n{reach}")
}

/// With what they read: a replaced meter is another.
fn detectors(machine: &Machine) -> String {
    let mut text = idlegate_engine::fingerprint(machine);
    for uses in &machine.detectors {
        let module = match &uses.module {
            ModuleSource::BuiltIn(name) => name.to_string(),
            ModuleSource::File { path, sha256, pinned: _ } => {
                sha256.clone().unwrap_or_else(|| path.display().to_string())
            }
        };
        add(&mut text, &format!("{} {} {module} {}", uses.name, uses.role.word(), uses.settings));
        let wired = uses.signals.iter().flatten().map(|signal| &machine.signals[*signal]);
        for signal in wired {
            add(&mut text, &format!("{} {} {}", signal.name, place(&signal.source), signal.unit()));
        }
    }
    text
}

fn policy(policy: &Policy) -> String {
    let plain = Policy::UNLESS_SET;
    let spans = |policy: &Policy| {
        [
            ("window", policy.window),
            ("repeat_guard", policy.repeat_guard),
            ("force_not_before", policy.force_not_before),
            ("request_max_age", policy.request_max_age),
            ("emergency_max_age", policy.emergency_max_age),
            ("fresh_within", policy.fresh_within),
            ("refresh_wait", policy.refresh_wait),
            ("assess_wait", policy.assess_wait),
            ("confirm_within", policy.confirm_within),
            ("residual_after", policy.residual_after),
            ("settle_for", policy.settle_for),
            ("notice", policy.notice),
            ("deferral_max", policy.deferral_max),
            ("forgotten_after", policy.forgotten_after.unwrap_or(Span::ZERO)),
            ("tries", Span(policy.tries.into())),
            ("shadow", Span(policy.shadow.into())),
            ("never_off", Span((policy.control == Control::NeverOff).into())),
        ]
    };
    let mut text = String::new();
    for ((name, span), (_, default)) in spans(policy).into_iter().zip(spans(&plain)) {
        if span != default {
            add(&mut text, &format!("{name} {}", span.0));
        }
    }
    add(&mut text, &format!("{:?} {}", policy.on_from, policy.on_needs_permit));
    text
}

/// Who may ask for what, and how.
fn asks(input: &Input) -> String {
    let Rights { may_force, may_unlock, emergency, .. } = input.rights;
    let source = match &input.source {
        InputSource::Topic { source, .. } => place(source),
        InputSource::Contact(contact) => {
            format!("{} {} {}", place(&contact.source), contact.pushed, contact.released)
        }
        InputSource::RequestTopic | InputSource::Schedule(_) => String::new(),
    };
    let mut text = String::new();
    add(&mut text, &format!("{} {source} {may_force} {may_unlock} {emergency}", input.name));
    for gesture in &input.gestures {
        add(&mut text, &format!("{} {:?} {}", gesture.name, gesture.words, gesture.request.word()));
    }
    text
}

fn add(text: &mut String, line: &str) {
    // A text never fails to take more.
    let _ = writeln!(text, "{line}");
}
