//! Programs around the engine that do one thing wrong. An oracle that does not notice them would prove nothing.

use idlegate_engine::{Decided, Effect, Order, Why};
use idlegate_guard::{Cause, Decision, Reason, RequestKind, Switch};
use idlegate_plan::Plan;
use idlegate_plan::event::{Assessment, DetectorFault, Verdict};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carelessness {
    /// A detector that does not know, or has stopped, is taken for an idle one.
    UnknownIsIdle,
    /// A working machine is taken for an idle one.
    BusyIsIdle,
    /// A force from afar is taken for one that brings the token.
    TokenNotAsked,
    /// The first force switches off, window or not.
    ForceWithoutWindow,
    /// A refused switch-on is carried out all the same.
    OnUnderLockout,
    /// A contact that stays pushed in is forgotten.
    ContactForgotten,
    /// Whatever arrives is taken for new.
    AgeForgotten,
    /// What the broker had stored is taken for live.
    RetainedForgotten,
    /// Orders wait for an outlet for as long as it takes.
    CommandsNeverExpire,
    /// Nothing is remembered across a restart.
    KeptIsLost,
    /// That a machine went back to work teaches nothing.
    SilencesForgotten,
    /// Or only until the program ends.
    LessonLost,
    /// Some decisions are told twice.
    AnswersTwice,
    /// Some decisions are never told.
    AnswersLost,
    /// Some answers for a whole group are never given.
    GroupAnswersLost,
    /// An answer for a group leaves one of its machines out.
    GroupMemberLeftOut,
    /// Whatever was asked of a group counts as done in its answer.
    GroupIsSaidToBeOff,
    /// A machine that works is switched off with its group.
    GroupForces,
    /// What was to be recorded only is sent.
    ShadowIsSent,
    /// An emergency is recorded, but its order is not sent.
    EmergencyNotSent,
}

impl Carelessness {
    pub const ALL: [Carelessness; 20] = [
        Carelessness::UnknownIsIdle,
        Carelessness::BusyIsIdle,
        Carelessness::TokenNotAsked,
        Carelessness::ForceWithoutWindow,
        Carelessness::OnUnderLockout,
        Carelessness::ContactForgotten,
        Carelessness::AgeForgotten,
        Carelessness::RetainedForgotten,
        Carelessness::CommandsNeverExpire,
        Carelessness::KeptIsLost,
        Carelessness::SilencesForgotten,
        Carelessness::LessonLost,
        Carelessness::AnswersTwice,
        Carelessness::AnswersLost,
        Carelessness::GroupAnswersLost,
        Carelessness::GroupMemberLeftOut,
        Carelessness::GroupIsSaidToBeOff,
        Carelessness::GroupForces,
        Carelessness::ShadowIsSent,
        Carelessness::EmergencyNotSent,
    ];

    /// What the careless program hands to the engine in place of what the detector said.
    pub fn twist(self, outcome: &mut Result<Assessment, DetectorFault>) {
        let idle = |reason: &str| Assessment {
            verdict: Verdict::Idle,
            reason: reason.into(),
            evidence: Vec::new(),
            clears_in: None,
        };
        let twisted = match (self, &*outcome) {
            (Carelessness::UnknownIsIdle, Err(_)) => true,
            (Carelessness::UnknownIsIdle, Ok(said)) => said.verdict == Verdict::Unknown,
            (Carelessness::BusyIsIdle, Ok(said)) => said.verdict == Verdict::Busy,
            _ => false,
        };
        if twisted {
            *outcome = Ok(idle("taken for idle"));
        }
    }
}

/// What the careless program makes of the engine's effects.
pub fn spoil(
    careless: Carelessness,
    plan: &Plan,
    effects: &mut Vec<Effect>,
    mut sometimes: impl FnMut(f64) -> bool,
) {
    let mut spoilt = Vec::with_capacity(effects.len() + 1);
    for effect in effects.drain(..) {
        let extra = match (&effect, careless) {
            (Effect::Decided(decided), Carelessness::ForceWithoutWindow)
                if decided.request == Some(RequestKind::ForceOff) && decided.decision == Decision::Held =>
            {
                order(plan, decided, Switch::Off, Cause::Forced)
            }
            (Effect::Decided(decided), Carelessness::OnUnderLockout)
                if decided.why == Why::Guard(Reason::Lockout) =>
            {
                order(plan, decided, Switch::On, Cause::Plain)
            }
            (Effect::Decided(decided), Carelessness::GroupForces)
                if decided.group.is_some() && decided.why == Why::Guard(Reason::UntilIdle) =>
            {
                order(plan, decided, Switch::Off, Cause::Forced)
            }
            (Effect::Decided(_), Carelessness::AnswersTwice) if sometimes(0.1) => Some(effect.clone()),
            _ => None,
        };
        let lost = match (&effect, careless) {
            (Effect::Decided(_), Carelessness::AnswersLost) => sometimes(0.1),
            (Effect::GroupAnswered(_), Carelessness::GroupAnswersLost) => sometimes(0.3),
            (Effect::Order(order), Carelessness::EmergencyNotSent) => order.cause == Cause::Emergency,
            _ => false,
        };
        if !lost {
            spoilt.push(match (effect, careless) {
                (Effect::Order(order), Carelessness::ShadowIsSent) => {
                    Effect::Order(Order { shadow: false, ..order })
                }
                (Effect::GroupAnswered(told), Carelessness::GroupMemberLeftOut) => {
                    let mut told = *told;
                    told.members.pop();
                    Effect::GroupAnswered(Box::new(told))
                }
                (Effect::GroupAnswered(told), Carelessness::GroupIsSaidToBeOff) => {
                    let mut told = *told;
                    told.members.iter_mut().for_each(|member| member.outlet = Some(Switch::Off));
                    Effect::GroupAnswered(Box::new(told))
                }
                (effect, _) => effect,
            });
        }
        spoilt.extend(extra);
    }
    *effects = spoilt;
}

fn order(plan: &Plan, decided: &Decided, switch: Switch, cause: Cause) -> Option<Effect> {
    let machine = decided.machine.clone()?;
    plan.machine(machine.as_str())?;
    Some(Effect::Order(Order { machine, switch, cause, resend: 0, shadow: false }))
}
