//! Several machines asked at once. What becomes of each is judged as if it had been asked alone; here it is judged that
//! there is one answer for all of them, in time, and that it is true: of every machine, by its decision and by what its
//! outlet was heard to say.

use std::collections::VecDeque;

use idlegate_engine::{Decided, GroupAnswered};
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{Reason, RequestKind, Switch};
use idlegate_messages::effects::sentences;

use super::{Asked, Oracle};
use crate::simulation::rules::{GROUP, PLACES, place_of};

/// Outlets have confirmed by then, or are not waited for.
const ANSWERED_WITHIN: Span = Span(2_500);
/// The answer tells of decisions no older than that, and nobody asks more often.
const DECISIONS_MAX: usize = 400;
/// Sentences that speak of all machines and name none.
const OF_ALL: [&str; 2] = ["Nothing was done: ", "There is nothing to cancel."];

#[derive(Debug, Default)]
pub(super) struct Groups {
    open: Vec<Open>,
    /// What was told of single machines that were asked in a group: place, when, why.
    decided: VecDeque<(usize, Moment, &'static str)>,
}

#[derive(Debug)]
struct Open {
    input: &'static str,
    kind: RequestKind,
    event_id: Option<String>,
    since: Moment,
    /// It may stay unanswered.
    beyond_hands: bool,
}

impl Groups {
    /// Whoever had asked hears nothing more.
    pub(super) fn restarted(&mut self) {
        *self = Groups::default();
    }
}

impl Oracle {
    pub(super) fn group_asked(&mut self, now: Moment, asked: &Asked, beyond_hands: bool) {
        let Asked { input, kind, ref event_id, .. } = *asked;
        self.groups.open.push(Open { input, kind, event_id: event_id.clone(), since: now, beyond_hands });
    }

    /// A busy machine waits; nobody was told how to force it.
    pub(super) fn decided_in_group(&mut self, place: usize, decided: &Decided, reason: Reason) {
        let (name, why) = (PLACES[place].machine, reason.word());
        if matches!(reason, Reason::MachineBusy | Reason::MachineUnknown | Reason::ForcedInWindow) {
            self.violated(format!("group: {name} was not put off in it: {why}"));
        }
        // Of a single machine it is announced.
        if reason == Reason::DeferralCancelled {
            self.watched[place].deferral = None;
        }
        let told = &mut self.groups.decided;
        told.push_back((place, decided.at.moment, decided.why.word()));
        if told.len() > DECISIONS_MAX {
            told.pop_front();
        }
    }

    pub(super) fn group_answered(&mut self, told: &GroupAnswered) {
        let event_id = told.event_id.as_deref();
        let asked = |open: &Open| {
            (open.input, open.kind, open.event_id.as_deref())
                == (told.input.0.as_str(), told.request, event_id)
        };
        match self.groups.open.iter().position(asked) {
            Some(at) => drop(self.groups.open.remove(at)),
            None => {
                let (kind, input) = (told.request.word(), &told.input.0);
                self.violated(format!("group: {kind} by {input} was answered, and nobody had asked"));
            }
        }
        if told.group.0.as_str() != GROUP {
            self.violated(format!("group: {:?} was answered", told.group));
        }
        let mut members: Vec<&str> = told.members.iter().map(|member| member.machine.as_str()).collect();
        members.sort_unstable();
        let mut all = PLACES.map(|place| place.machine);
        all.sort_unstable();
        if members != all {
            self.violated(format!("group: the answer is about {members:?}"));
        }
        for member in &told.members {
            let Some(place) = place_of(member.machine.as_str()) else { continue };
            let known = member.decided.as_ref().is_none_or(|decided| {
                self.groups.decided.contains(&(place, decided.at.moment, decided.why.word()))
            });
            if !known {
                let (name, decided) = (&member.machine, member.decided.as_ref().map(|it| it.why.word()));
                self.violated(format!("group: what is answered of {name} was never decided: {decided:?}"));
            }
        }
        self.told_truly(&sentences::group_answer(told));
    }

    /// By its English alone: everybody is spoken of, and whatever is said to be off has said so.
    fn told_truly(&mut self, sentence: &str) {
        if OF_ALL.iter().any(|words| sentence.starts_with(words)) {
            return;
        }
        for (place, at) in PLACES.iter().enumerate() {
            let name = at.machine;
            if !sentence.contains(name) {
                self.violated(format!("group: {name} is left out of {sentence:?}"));
            }
            let mut said = sentence.split_inclusive(". ").map(|one| one.trim_end_matches(['.', ' ']));
            let is_off = said.any(|one| {
                let of = one.strip_suffix(" is off").or_else(|| one.strip_suffix(" are off"));
                of.is_some_and(|of| !of.contains("Shadow") && of.contains(name))
            });
            if is_off && self.watched[place].resumption.outlet() != Some(Switch::Off) {
                self.violated(format!("group: {name} is said to be off, and has not said so: {sentence:?}"));
            }
        }
    }

    pub(super) fn all_groups_answered(&mut self, now: Moment) {
        let late = |open: &Open| now.since(open.since) > ANSWERED_WITHIN;
        self.groups.open.retain(|open| !open.beyond_hands || !late(open));
        if let Some(at) = self.groups.open.iter().position(late) {
            let Open { input, kind, .. } = self.groups.open.remove(at);
            self.violated(format!("group: {} by {input} was never answered as a whole", kind.word()));
        }
    }

    /// The program ends in order.
    pub(super) fn no_group_waits(&mut self) {
        if !self.groups.open.iter().all(|open| open.beyond_hands) {
            self.violated("group: one was left without an answer at the end".to_owned());
        }
    }
}
