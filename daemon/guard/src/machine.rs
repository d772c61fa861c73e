//! One machine's guard: its state, and the one way in.
//!
//! It never reads a clock, never waits, and never guesses: what it is not told is unknown, and unknown counts as
//! busy. Given the same inputs at the same times it gives the same effects in the same order.

use alloc::vec::Vec;

use arrayvec::ArrayVec;

use super::announcement::Announcement;
use super::deferral::ActiveDeferral;
use super::effect::{Answer, Cause, Confirm, Effect, IncidentKind, Kept, KeptOn, Reason};
use super::input::{Input, InputId, Permissive, PermissiveState, Request, Switch};
use super::locks::{Lockout, Locks};
use super::orders::{Pending, Sent};
use super::outlet::{Draw, Incidents, Outlet};
use super::override_window::{OverrideWindow, Windows};
use super::policy::{Control, Policy};
use super::repeats::Repeats;
use super::waiting::{WAITING_MAX, Waiting};
use crate::time::{Moment, Span};

#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Guard {
    pub(super) policy: Policy,
    pub(super) outlet: Outlet,
    pub(super) permissive: Permissive,
    /// Since when the permissive has been clear without a break.
    pub(super) clear_since: Option<Moment>,
    /// Idle time before this does not count towards switching off for idleness.
    pub(super) idle_from: Moment,
    pub(super) on_permit: bool,
    pub(super) circuit_room: bool,
    pub(super) link_up: bool,
    /// An emergency contact that is pushed in.
    pub(super) pushed: Option<InputId>,
    pub(super) windows: Windows,
    pub(super) active_deferral: Option<ActiveDeferral>,
    pub(super) kept_on: Option<KeptOn>,
    pub(super) locks: Locks,
    pub(super) pending: Option<Pending>,
    pub(super) sent: Sent,
    pub(super) waiting: ArrayVec<Waiting, WAITING_MAX>,
    pub(super) repeats: Repeats,
    pub(super) draw: Draw,
    pub(super) incidents: Incidents,
}

impl Guard {
    /// A guard as it is after a start: nothing known but what was kept. No window is open, no request waits, and
    /// nothing is switched by starting.
    pub fn new(policy: Policy, kept: Kept, now: Moment) -> Guard {
        Guard {
            policy,
            outlet: Outlet::default(),
            permissive: Permissive::UNKNOWN,
            clear_since: None,
            idle_from: now,
            on_permit: false,
            circuit_room: true,
            link_up: false,
            pushed: None,
            windows: Windows::default(),
            active_deferral: kept.deferral.map(ActiveDeferral::restored),
            kept_on: kept.kept_on,
            locks: kept.locks,
            pending: None,
            sent: Sent::default(),
            waiting: ArrayVec::new(),
            repeats: Repeats::default(),
            draw: Draw::default(),
            incidents: Incidents::default(),
        }
    }

    /// Takes one fact and appends what is to be done about it. What came due meanwhile is done first, so that a
    /// late force is judged by a window that has already closed.
    pub fn handle(&mut self, now: Moment, input: Input, out: &mut Vec<Effect>) {
        // Nothing that is due by now may rest on less than has come in by now.
        if let Input::Permissive(permissive) = input
            && (permissive.at(now) != PermissiveState::Clear || !permissive.covers(now))
        {
            self.know_permissive(now, permissive);
        }
        self.make_up_missed(now, out);
        match input {
            Input::Request(request) => self.request(now, request, out),
            Input::Permissive(permissive) => self.take_permissive(now, permissive, out),
            Input::OnPermit(given) => self.on_permit = given,
            Input::CircuitRoom(room) => self.circuit_room = room,
            Input::Outlet(report) => self.outlet_report(now, report, out),
            Input::Draw(report) => self.draw_report(now, report, out),
            Input::Contact(report) => self.contact(report, out),
            Input::Link(up) => self.link(now, up, out),
            Input::Tick => {}
        }
        // The input may have made something due at this very moment.
        self.make_up_missed(now, out);
    }

    /// When to call [`Guard::handle`] with a tick, if nothing else happens before. Always later than the last call.
    pub fn deadline(&self) -> Option<Moment> {
        [
            self.windows.deadline(),
            self.waiting.iter().map(|waiting| waiting.deadline).min(),
            self.pending.map(|pending| pending.resend_at),
            self.deferral_deadline(),
            self.kept_on.map(|kept| kept.until),
            self.idle_off_deadline(),
            self.residual_deadline(),
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// New rules for a machine whose guard lives on: what is open stays open, under the old deadlines. The caller
    /// gives a tick, since something may be due earlier now.
    pub fn adopt(&mut self, policy: Policy) {
        self.policy = policy;
        if policy.shadow {
            self.pending = self.pending.filter(|pending| pending.cause == Cause::Emergency);
        }
        if policy.control == Control::Watched {
            self.pending = None;
        }
    }

    /// What a former run kept has come to light late. It adds to what is known, and takes nothing away.
    pub fn recall(&mut self, kept: Kept, out: &mut Vec<Effect>) {
        if self.locks.join(kept.locks) {
            // An on that the outlet has not confirmed must not be sent again under a lockout.
            self.pending = self.pending.filter(|pending| pending.switch == Switch::Off);
            if let Some(state) = self.outlet.state {
                self.tell_of_failed_emergency(None, state, out);
            }
        }
        if self.active_deferral.is_none() {
            self.active_deferral = kept.deferral.map(ActiveDeferral::restored);
        }
        self.kept_on = self.kept_on.or(kept.kept_on);
        self.keep(out);
    }

    /// The machine left the rules, or the program ends: what waits is answered, what is open is closed, nothing is
    /// switched.
    pub fn retire(&mut self, out: &mut Vec<Effect>) {
        if self.windows.is_open() {
            out.push(Effect::Announce(Announcement::WindowOver));
        }
        self.windows = Windows::default();
        self.active_deferral = None;
        self.kept_on = None;
        self.pending = None;
        for waiting in self.waiting.take() {
            self.answer(&waiting.request, Reason::Superseded, out);
        }
    }

    fn make_up_missed(&mut self, now: Moment, out: &mut Vec<Effect>) {
        self.end_keeping_on(now, out);
        self.note_clearness(now);
        self.note_freshness(now);
        self.repeats.forget_old(now, self.policy.repeat_guard);
        self.close_expired_windows(now, out);
        self.decide_overdue(now, out);
        self.resend_overdue(now, out);
        self.drop_forbidden_deferral(out);
        self.advance_deferral(now, out);
        self.raise_idle_off(now, out);
        self.tell_residual_draw(now, out);
    }

    fn take_permissive(&mut self, now: Moment, permissive: Permissive, out: &mut Vec<Effect>) {
        if self.know_permissive(now, permissive) {
            self.decide_ready(now, out);
        }
    }

    /// Whether it is no older than what is known.
    fn know_permissive(&mut self, now: Moment, permissive: Permissive) -> bool {
        // Answers of worker threads may overtake each other; an older one says nothing about now.
        if permissive.assessed_at < self.permissive.assessed_at {
            return false;
        }
        // One from the future would stand in the way of all that follow.
        let assessed_at = permissive.assessed_at.min(now);
        self.permissive = Permissive { assessed_at, ..permissive };
        self.note_clearness(now);
        self.note_freshness(now);
        true
    }

    fn link(&mut self, now: Moment, up: bool, out: &mut Vec<Effect>) {
        let was_up = core::mem::replace(&mut self.link_up, up);
        if up {
            if !was_up {
                // What the machine did meanwhile was out of sight, so idleness has to settle anew.
                self.clear_since = self.clear_since.map(|_| now);
            }
            self.resend_emergency(now, out);
        } else {
            // Whatever the outlet does now happens out of sight; what it was is still remembered.
            self.outlet.state = None;
            self.withdraw_notice(now);
        }
    }

    pub(super) fn note_clearness(&mut self, now: Moment) {
        match self.state(now) {
            PermissiveState::Clear => {
                self.clear_since.get_or_insert(now);
            }
            PermissiveState::Busy | PermissiveState::Unknown => self.clear_since = None,
        }
    }

    /// What its detectors say, unless somebody has asked that it stay on.
    pub fn state(&self, now: Moment) -> PermissiveState {
        if self.is_kept_on(now) { PermissiveState::Busy } else { self.permissive.at(now) }
    }

    /// Idle beyond doubt: clear, and every reading that had come in by `asked` has been looked at.
    pub(super) fn is_clear(&self, now: Moment, asked: Moment) -> bool {
        self.state(now) == PermissiveState::Clear && self.permissive.covers(asked)
    }

    /// Idle beyond doubt by its detectors, and held longer all the same.
    pub(super) fn is_cautious(&self, now: Moment) -> bool {
        let by_caution_alone = self.permissive.cautious && !self.is_kept_on(now);
        by_caution_alone && now < self.permissive.valid_until && self.permissive.covers(now)
    }

    /// The readings are old, and the outlet can be asked for new ones.
    pub(super) fn wants_fresh(&self, now: Moment) -> bool {
        self.policy.can_refresh && now.since(self.permissive.as_of) > self.policy.fresh_within
    }

    /// A reading that was asked for counts once it has been judged, not when it comes in.
    pub(super) fn has_answered(&self, now: Moment, asked: Moment) -> bool {
        self.permissive.covers(asked) && self.permissive.as_of >= asked && self.permissive.covers(now)
    }

    /// Where the outlet is, or is on its way to by an order of ours.
    pub(super) fn heading_for(&self) -> Option<Switch> {
        self.pending.map(|pending| pending.switch).or(self.outlet.state)
    }

    pub(super) fn answer(&self, request: &Request, reason: Reason, out: &mut Vec<Effect>) {
        self.answer_with(request, reason, None, out);
    }

    pub(super) fn answer_with(
        &self,
        request: &Request,
        reason: Reason,
        confirm: Option<Confirm>,
        out: &mut Vec<Effect>,
    ) {
        out.push(Effect::Answer(Answer {
            request: request.id,
            kind: request.kind,
            input: request.input,
            decision: reason.decision(),
            reason,
            confirm,
        }));
    }

    pub(super) fn keep(&self, out: &mut Vec<Effect>) {
        out.push(Effect::Keep(self.kept()));
    }
}

/// What is shown to people and kept on disk.
impl Guard {
    pub fn policy(&self) -> &Policy {
        &self.policy
    }

    /// On, on its way there, or not known to be off. An on that was given up, as by a lock, may still arrive until it
    /// expires.
    pub fn may_draw(&self, now: Moment) -> bool {
        let on_the_way = self.sent.on.is_some_and(|at| now.since(at) <= self.policy.confirm_within);
        self.outlet.state != Some(Switch::Off) || self.heading_for() == Some(Switch::On) || on_the_way
    }

    pub fn outlet(&self) -> Option<Switch> {
        self.outlet.state
    }

    pub fn permissive(&self) -> &Permissive {
        &self.permissive
    }

    pub fn clear_since(&self) -> Option<Moment> {
        self.clear_since
    }

    /// The open windows, one for each place at most.
    pub fn windows(&self) -> impl Iterator<Item = OverrideWindow> + '_ {
        self.windows.open_windows()
    }

    pub fn active_deferral(&self) -> Option<ActiveDeferral> {
        self.active_deferral
    }

    /// While somebody's word holds that it stays on.
    pub fn kept_on(&self) -> Option<KeptOn> {
        self.kept_on
    }

    pub fn locks(&self) -> &Locks {
        &self.locks
    }

    /// The lock that counts most.
    pub fn lockout(&self) -> Option<Lockout> {
        self.locks.first()
    }

    /// The emergency contact that is pushed in.
    pub fn pushed(&self) -> Option<InputId> {
        self.pushed
    }

    pub fn pending(&self) -> Option<Pending> {
        self.pending
    }

    /// Requests that wait for fresh readings.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    pub fn incidents(&self) -> impl Iterator<Item = IncidentKind> + '_ {
        IncidentKind::ALL.into_iter().filter(|kind| self.incidents.is_open(*kind))
    }

    pub fn kept(&self) -> Kept {
        let deferral = self.active_deferral.map(|active| active.deferral);
        Kept {
            locks: self.locks,
            // The guard's own wish is not worth keeping: it would arise again by itself.
            deferral: deferral.filter(|deferral| deferral.by != InputId::IDLE_TIMER),
            kept_on: self.kept_on,
        }
    }

    /// How long until a deferral or idle machine is next looked at; for tests that must end.
    pub fn idle_for(&self, now: Moment) -> Option<Span> {
        self.clear_since.map(|since| now.since(since))
    }
}
