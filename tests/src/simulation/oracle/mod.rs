//! What must never happen, judged from outside: from what was delivered to the engine and what came out of it.
//!
//! Nothing here calls the guard's rules. Where it has to know the same thing as the guard (is a window open, is a
//! lockout set, is the machine idle), it works that out again from messages and decisions.

mod conduct;
mod groups;
mod hands;
mod record;
mod resumption;
mod shadows;
mod words;

use std::collections::VecDeque;

use idlegate_engine::{Effect, MachineStatus, Note, Noted, OutletsLost};
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{Cause, RequestKind};
use idlegate_plan::event::{Assessed, Verdict};
use idlegate_plan::{MachineIx, SharedPlan};

use super::latch::LATCH;
use super::rules::{PLACES, place_of};
use hands::Hands;
pub use record::Record;
pub use resumption::Resumption;

/// Whatever waits for readings has been answered by then.
const ANSWER_WITHIN: Span = Span(2_500);

/// A request as it reached the engine.
#[derive(Clone, Debug)]
pub struct Asked {
    pub input: &'static str,
    /// Empty for one that cannot be understood.
    pub places: Vec<usize>,
    /// They were asked at once.
    pub group: bool,
    pub kind: RequestKind,
    pub retained: bool,
    pub age: Span,
    pub event_id: Option<String>,
    pub confirm: Option<String>,
}

#[derive(Debug)]
pub struct Oracle {
    plan: SharedPlan,
    pub watched: Vec<Watched>,
    /// Requests that concern no machine we know.
    strange: Vec<&'static str>,
    hands: Hands,
    groups: groups::Groups,
    uncompared: Vec<shadows::Uncompared>,
    /// The token that the request brought which is judged now.
    brought: Option<String>,
    /// The latching button is in, as it was last delivered.
    pub(super) latch: Option<bool>,
    /// An incident of several outlets is open.
    outage: bool,
    /// Offs of idle machines that were held back because of silences before.
    pub held_longer: u64,
    pub violations: Vec<String>,
}

/// One machine, seen from outside.
#[derive(Debug)]
pub struct Watched {
    /// Index into the plan.
    pub index: MachineIx,
    pub record: Record,
    pub resumption: Resumption,
    said: Option<Verdict>,
    generation: u64,
    seen: u64,
    unseen: VecDeque<(u64, Moment)>,
    stopped_at: Option<Moment>,
    /// Who was told how to force it, and when.
    told: Vec<(Moment, String)>,
    /// The tokens that were given from afar, and until when they are good.
    tokens: Vec<(String, Moment)>,
    pub locked: bool,
    pub deferral: Option<String>,
    /// The clock was set while it stood, so its end is anybody's guess.
    pub deferral_in_doubt: bool,
    last_on: Option<Moment>,
    last_off: Option<(Cause, Moment)>,
    outstanding: Vec<Outstanding>,
}

#[derive(Debug)]
struct Outstanding {
    input: &'static str,
    kind: RequestKind,
    group: bool,
    since: Moment,
    /// It may stay unanswered.
    beyond_hands: bool,
}

impl Oracle {
    pub fn new(plan: &SharedPlan) -> Oracle {
        let watched = PLACES.iter().map(|place| {
            let index = plan.machine(place.machine).map_or(MachineIx(usize::MAX), |(index, _)| index);
            Watched {
                index,
                record: Record::new(place),
                resumption: Resumption::default(),
                said: None,
                generation: 0,
                seen: 0,
                unseen: VecDeque::new(),
                stopped_at: None,
                told: Vec::new(),
                tokens: Vec::new(),
                locked: false,
                deferral: None,
                deferral_in_doubt: false,
                last_on: None,
                last_off: None,
                outstanding: Vec::new(),
            }
        });
        Oracle {
            plan: plan.clone(),
            watched: watched.collect(),
            strange: Vec::new(),
            hands: Hands::default(),
            groups: groups::Groups::default(),
            uncompared: Vec::new(),
            brought: None,
            latch: None,
            outage: false,
            held_longer: 0,
            violations: Vec::new(),
        }
    }

    pub fn violated(&mut self, what: String) {
        self.violations.push(what);
    }

    /// A detector's word, before any program could have twisted it.
    pub fn assessed(&mut self, now: Moment, place: usize, assessed: &Assessed) {
        let watched = &mut self.watched[place];
        if assessed.generation != watched.generation || assessed.feed < watched.seen {
            return;
        }
        watched.seen = assessed.feed;
        while watched.unseen.front().is_some_and(|(feed, _)| *feed <= assessed.feed) {
            watched.unseen.pop_front();
        }
        match &assessed.outcome {
            Ok(said) => {
                watched.said = Some(said.verdict);
                watched.resumption.said(now, said.verdict, said.clears_in.is_some());
            }
            Err(_) => {
                watched.said = None;
                watched.resumption.out_of_sight();
                watched.stopped_at = Some(now);
            }
        }
    }

    /// The program has ended, however it did; what it knew and did not keep is gone.
    pub fn restarted(&mut self) {
        (self.outage, self.latch) = (false, None);
        self.uncompared.clear();
        self.groups.restarted();
        for (watched, place) in self.watched.iter_mut().zip(&PLACES) {
            watched.record = Record::new(place);
            watched.resumption.restarted();
            watched.said = None;
            watched.generation = 0;
            watched.seen = 0;
            watched.unseen.clear();
            watched.stopped_at = None;
            watched.told.clear();
            watched.tokens.clear();
            watched.last_on = None;
            watched.last_off = None;
            watched.outstanding.clear();
        }
        self.strange.clear();
    }

    /// What was answered as acted or deferred must be there after a restart.
    pub fn survived(&mut self, place: usize, status: &MachineStatus) {
        let watched = &mut self.watched[place];
        let name = PLACES[place].machine;
        if watched.locked != status.locked_by.is_some() {
            let was = if watched.locked { "locked" } else { "unlocked" };
            let is = if status.locked_by.is_some() { "locked" } else { "unlocked" };
            self.violations.push(format!("kept: {name} was {was} before a restart and is {is} after it"));
        }
        if watched.deferral.is_some() && status.deferral.is_none() && !watched.deferral_in_doubt {
            self.violations.push(format!("kept: {name} lost its deferred off in a restart"));
        }
        if status.window_left.is_some() {
            self.violations.push(format!("window: {name} has an open window after a restart"));
        }
        if status.deferral.is_none() {
            watched.deferral = None;
        }
    }

    /// Whatever else comes of it, a machine whose contact is found pushed in is locked.
    pub(super) fn found_pushed(&mut self, place: usize, status: &MachineStatus) {
        if status.locked_by.is_none() {
            self.violated(format!("contact: it is pushed in, and {} is not locked", PLACES[place].machine));
        }
        self.watched[place].locked = true;
    }

    /// Judges everything that came of one event.
    pub fn judge(&mut self, now: Moment, asked: Option<&Asked>, effects: &[Effect]) {
        self.brought = asked.and_then(|asked| asked.confirm.clone());
        // What is found pushed in is an emergency only if that happened a moment ago.
        let may_be_obeyed = asked.is_some_and(|asked| asked.input == LATCH && asked.retained);
        let beyond_hands =
            may_be_obeyed || asked.is_some_and(|asked| self.hands.exceeded(now, asked.input, asked.kind));
        if let Some(asked) = asked {
            self.note_asked(now, asked, beyond_hands);
        }
        for watched in &mut self.watched {
            if watched.record.newest().is_none_or(|newest| now.since(newest) >= watched.record.stale_after) {
                watched.resumption.out_of_sight();
            }
        }
        let mut kept = Vec::new();
        let mut batch = Vec::new();
        for effect in effects {
            match effect {
                Effect::Install(install) => {
                    if let Some(place) = place_of(install.id.machine.as_str()) {
                        let watched = &mut self.watched[place];
                        watched.generation = install.generation;
                        // The new one has neither seen nor said anything.
                        (watched.said, watched.seen) = (None, 0);
                        watched.resumption.out_of_sight();
                        watched.unseen.clear();
                    }
                }
                Effect::Feed(feed) if !feed.readings.is_empty() => {
                    if let Some(place) = place_of(feed.id.machine.as_str()) {
                        self.watched[place].unseen.push_back((feed.feed, now));
                    }
                }
                Effect::Keep(keep) => kept.push(keep.machine.clone()),
                Effect::Announce(announced) => {
                    self.announced(announced);
                    self.announced_in_shadow(announced);
                }
                Effect::Decided(decided) => {
                    self.decided_in_shadow(decided);
                    self.await_comparison(now, decided);
                    self.decided(now, decided, &kept);
                    batch.push(&**decided);
                }
                Effect::Order(order) => self.order(now, order, effects),
                Effect::Noted(Noted { machine, what: Note::Paired(paired), .. }) => {
                    self.compared(machine, paired);
                }
                Effect::Feed(_)
                | Effect::Refresh { .. }
                | Effect::Incident(_)
                | Effect::IncidentOver(_)
                | Effect::Status { .. }
                | Effect::Remove(_)
                | Effect::Rejected(_)
                | Effect::AnswerWithheld(_)
                | Effect::NotUnderstood(_)
                | Effect::ContactUnclear(_)
                | Effect::Noted(_)
                | Effect::ServiceDue(_)
                | Effect::ShopIncident(_)
                | Effect::Blind(_)
                | Effect::ForeignOrder(_)
                | Effect::DetectorStopped(_)
                | Effect::JobEnded(_)
                | Effect::Warned(_) => {}
                Effect::OutletsLost(told) => self.outlets_lost(told),
                Effect::GroupAnswered(told) => self.group_answered(told),
            }
        }
        if let Some(asked) =
            asked.filter(|asked| !may_be_obeyed && (!beyond_hands || asked.kind == RequestKind::EmergencyOff))
        {
            self.treated_rightly(asked, &batch, effects);
        }
        self.all_answered(now);
        self.all_groups_answered(now);
        self.all_compared(now);
    }

    /// Several outlets, each once, and an end only of what began.
    fn outlets_lost(&mut self, told: &OutletsLost) {
        let mut names: Vec<&str> = told.machines.iter().map(|(name, _)| name.as_str()).collect();
        names.sort_unstable();
        if !told.over && (names.len() < 2 || names.windows(2).any(|pair| pair[0] == pair[1])) {
            self.violated(format!("incidents: lost at once were {names:?}"));
        }
        if told.over && !self.outage {
            self.violated("incidents: the end of an outage that had not begun".to_owned());
        }
        self.outage = !told.over;
    }

    fn note_asked(&mut self, now: Moment, asked: &Asked, beyond_hands: bool) {
        for place in &asked.places {
            let outstanding = Outstanding {
                input: asked.input,
                kind: asked.kind,
                group: asked.group,
                since: now,
                beyond_hands,
            };
            self.watched[*place].outstanding.push(outstanding);
        }
        if asked.group {
            self.group_asked(now, asked, beyond_hands);
        }
        if asked.places.is_empty() && !beyond_hands {
            self.strange.push(asked.input);
        }
    }

    fn all_answered(&mut self, now: Moment) {
        for (watched, place) in self.watched.iter_mut().zip(&PLACES) {
            let late = |one: &Outstanding| now.since(one.since) > ANSWER_WITHIN;
            watched.outstanding.retain(|one| !one.beyond_hands || !late(one));
            if let Some(at) = watched.outstanding.iter().position(late) {
                let one = watched.outstanding.remove(at);
                self.violations.push(format!(
                    "decisions: {} by {} at {} was never answered",
                    one.kind.word(),
                    one.input,
                    place.machine
                ));
            }
        }
        if let Some(input) = self.strange.pop() {
            self.violations.push(format!("decisions: a strange request by {input} was never answered"));
        }
    }

    /// Before the program ends in order, everything has been answered.
    pub fn nothing_waits(&mut self) {
        self.no_group_waits();
        for (watched, place) in self.watched.iter().zip(&PLACES) {
            if !watched.outstanding.iter().all(|one| one.beyond_hands) {
                self.violations
                    .push(format!("decisions: a request at {} was left at the end", place.machine));
            }
        }
    }
}
