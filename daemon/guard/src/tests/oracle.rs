//! A second opinion: what the guard may do and what it must do, worked out from what it was told and nothing else. It
//! keeps its own, simpler books and never looks inside the guard.

use std::collections::{BTreeMap, BTreeSet};

use super::super::*;
use crate::time::{Moment, Span};

#[derive(Clone, Debug)]
pub(super) struct Oracle {
    policy: Policy,
    permissive: Permissive,
    outlet: Option<Switch>,
    outlet_at: Moment,
    link: bool,
    permit: bool,
    /// Whether the machine's circuit has room for it.
    room: bool,
    /// An emergency contact is pushed in.
    pushed: bool,
    lockout: bool,
    /// Whose locks are on the machine, and whether an emergency's is: by the requests and answers alone.
    owners: BTreeSet<(InputId, Person)>,
    emergency: bool,
    pub(super) deferral: Option<Deferral>,
    /// Who asked that it stay on, and until when.
    kept_on: Option<(InputId, Moment)>,
    /// Answers that told somebody how to force it, and nothing has taken back since.
    told: Vec<Told>,
    pending: Option<(Order, Moment)>,
    open: BTreeMap<RequestId, Open>,
    gestures: BTreeMap<(InputId, Person, GestureId), Moment>,
}

/// A request that has no answer yet.
#[derive(Clone, Copy, Debug)]
struct Open {
    request: Request,
    asked_at: Moment,
    /// The readings were old when it came, so newer ones must come first.
    wants_newer: bool,
}

/// Somebody was told that they may force the machine off for a while.
#[derive(Clone, Copy, Debug)]
struct Told {
    at: Moment,
    by: InputId,
    place: Place,
    until: Moment,
    token: Option<Token>,
}

/// What one call was given and what came of it.
pub(super) struct Call<'a> {
    pub(super) now: Moment,
    pub(super) input: Input,
    pub(super) effects: &'a [Effect],
}

impl Oracle {
    pub(super) fn new(policy: Policy, kept: Kept) -> Oracle {
        Oracle {
            policy,
            permissive: Permissive::UNKNOWN,
            outlet: None,
            outlet_at: Moment(0),
            link: false,
            permit: false,
            room: true,
            pushed: false,
            lockout: !kept.locks.is_empty(),
            owners: kept
                .locks
                .iter()
                .filter(|lock| !lock.emergency)
                .map(|lock| (lock.by, lock.person))
                .collect(),
            emergency: kept.locks.has_emergency(),
            deferral: kept.deferral,
            kept_on: kept.kept_on.map(|kept| (kept.by, kept.until)),
            told: Vec::new(),
            pending: None,
            open: BTreeMap::new(),
            gestures: BTreeMap::new(),
        }
    }

    pub(super) fn adopt(&mut self, policy: Policy) {
        self.policy = policy;
        // Under new rules, new readings may no longer be wanted.
        self.open.values_mut().for_each(|open| open.wants_newer = false);
        if policy.shadow {
            self.pending = self.pending.filter(|(order, _)| order.cause == Cause::Emergency);
        }
        if policy.control == Control::Watched {
            self.pending = None;
        }
    }

    /// Judges one call; says what is wrong with it, if anything is.
    pub(super) fn judge(&mut self, call: &Call) -> Result<(), String> {
        // What comes due is done before the input is looked at, so both the books before and after it count.
        let before = self.clone();
        self.take(call);
        let expected = match call.input {
            Input::Request(request) => {
                let wants_newer = self.policy.can_refresh
                    && call.now.since(self.permissive.as_of) > self.policy.fresh_within;
                self.open.insert(request.id, Open { request, asked_at: call.now, wants_newer });
                Some(request)
            }
            _ => None,
        };
        for (index, effect) in call.effects.iter().enumerate() {
            match effect {
                Effect::Order(order) => self.judge_order(call, index, *order, &before)?,
                Effect::Answer(answer) => self.judge_answer(call, *answer, &before)?,
                Effect::Keep(kept) => self.keep(kept),
                Effect::Incident(Incident { kind: IncidentKind::NotConfirmed, .. }) => {
                    self.pending = self.pending.filter(|(order, _)| order.cause == Cause::Emergency);
                }
                Effect::Announce(Announcement::OffAbandoned) => self.pending = None,
                Effect::Announce(Announcement::DeferralExpired) => self.judge_expiry(call.now)?,
                Effect::DeferralActed(_)
                | Effect::Announce(_)
                | Effect::Incident(_)
                | Effect::IncidentOver(_)
                | Effect::Refresh => {}
            }
        }
        if let Some(request) = expected {
            self.judge_duty(call, &request)?;
        }
        let kept = call.effects.iter().rev().find_map(|effect| match effect {
            Effect::Keep(kept) => Some(kept),
            _ => None,
        });
        if kept.is_some_and(|kept| !self.holds(&kept.locks)) {
            return Err(format!("{kept:?} does not say whose locks there are"));
        }
        self.forget_finished_emergency(call.now);
        self.nobody_waits_too_long(call.now)?;
        Ok(())
    }

    fn take(&mut self, call: &Call) {
        match call.input {
            Input::Permissive(new) if new.assessed_at >= self.permissive.assessed_at => self.permissive = new,
            Input::Outlet(report) if report.at >= self.outlet_at => {
                self.outlet = report.state;
                self.outlet_at = report.at;
                if report.state.is_some() && self.pending.map(|(order, _)| order.switch) == report.state {
                    self.pending = None;
                    if report.state == Some(Switch::Off) {
                        self.told.clear();
                    }
                }
            }
            Input::OnPermit(given) => self.permit = given,
            Input::CircuitRoom(room) => self.room = room,
            Input::Contact(report) => {
                self.pushed = report.pushed.is_some();
                self.emergency |= self.pushed && report.found && self.policy.control != Control::Watched;
                if self.pushed {
                    self.pending = self.pending.filter(|(order, _)| order.switch == Switch::Off);
                }
            }
            Input::Link(up) => {
                self.link = up;
                if !up {
                    self.outlet = None;
                }
            }
            Input::Permissive(_) | Input::Outlet(_) | Input::Request(_) | Input::Draw(_) | Input::Tick => {}
        }
    }

    fn keep(&mut self, kept: &Kept) {
        self.lockout = !kept.locks.is_empty();
        self.deferral = kept.deferral;
    }

    fn judge_expiry(&self, now: Moment) -> Result<(), String> {
        // The deferral has just left the books with the line before.
        if self.deferral.is_some_and(|deferral| deferral.expires_at > now) {
            return Err("a deferral expired before its time".into());
        }
        Ok(())
    }

    fn judge_order(
        &mut self,
        call: &Call,
        index: usize,
        order: Order,
        before: &Oracle,
    ) -> Result<(), String> {
        let now = call.now;
        let request = match call.input {
            Input::Request(request) => Some(request),
            _ => None,
        };
        if order.shadow != (self.policy.shadow && order.cause != Cause::Emergency) {
            return Err("an order with the wrong shadow".into());
        }
        if order.resend > 0 {
            self.judge_resend(now, order)?;
        }
        let of_never_off = order.switch == Switch::Off && order.cause != Cause::Emergency;
        match self.policy.control {
            Control::Full => {}
            Control::NeverOff if !of_never_off => {}
            Control::NeverOff | Control::Watched => return Err("an order that the rules rule out".into()),
        }
        let clear = |books: &Oracle| books.is_clear(now);
        match (order.switch, order.cause) {
            (Switch::On, _) => {
                if self.pushed || before.pushed {
                    return Err("on while a contact is pushed in".into());
                }
                if self.lockout || before.lockout {
                    return Err("on under a lockout".into());
                }
                let no_permit = self.policy.on_needs_permit && !before.permit && !self.permit;
                let no_room = !before.room && !self.room;
                let from_there = request
                    .is_some_and(|request| self.policy.on_from.contains(request.rights.place))
                    || order.resend > 0;
                if !from_there || no_permit || no_room {
                    return Err("on without leave".into());
                }
                let asked = request.is_some_and(|request| {
                    is_live(&request, &self.policy)
                        && !request.rights.out_of_hours
                        && matches!(request.kind, RequestKind::On | RequestKind::Flip)
                });
                if order.resend == 0 && !asked {
                    return Err("on without a request for it".into());
                }
            }
            (Switch::Off, Cause::Plain) => {
                if !clear(self) && !clear(before) {
                    return Err("a plain off of a machine that is not clear".into());
                }
                if order.resend > 0 && !before.permissive.covers(now) {
                    return Err("a plain off sent again on a verdict that has not seen everything".into());
                }
                let explained = call.effects[..index].iter().any(|effect| {
                    matches!(effect, Effect::DeferralActed(_))
                        || matches!(effect, Effect::Answer(Answer { reason: Reason::MachineIdle, .. }))
                });
                if order.resend == 0 && !explained {
                    return Err("a plain off without an answer or a due deferral".into());
                }
            }
            (Switch::Off, Cause::Forced) if order.resend == 0 => {
                let Some(request) = request.filter(|request| request.kind == RequestKind::ForceOff) else {
                    return Err("a forced off without a force".into());
                };
                if !request.rights.may_force || !is_live(&request, &self.policy) {
                    return Err("a forced off without the right to it".into());
                }
                if !before.window_accepts(now, &request) {
                    return Err("a forced off outside a window".into());
                }
            }
            (Switch::Off, Cause::Emergency) if order.resend == 0 && request.is_some() => {
                let request = request.filter(|request| request.kind == RequestKind::EmergencyOff);
                let too_old = |request: &Request| request.arrival.age > self.policy.emergency_max_age;
                if request.is_none_or(|request| {
                    !request.rights.emergency || request.arrival.retained || too_old(&request)
                }) {
                    return Err("an emergency off without an emergency".into());
                }
            }
            (Switch::Off, Cause::Emergency) if !before.lockout => {
                return Err("an emergency off after the machine was released".into());
            }
            (Switch::Off, Cause::Forced | Cause::Emergency) => {}
        }
        if !order.shadow {
            self.pending = Some((order, now));
        }
        if order.resend == 0 && order.cause != Cause::Plain {
            self.kept_on = None;
            self.told.clear();
        }
        Ok(())
    }

    fn judge_resend(&self, now: Moment, order: Order) -> Result<(), String> {
        let Some((last, at)) = self.pending else {
            return Err("nothing was sent that could be sent again".into());
        };
        if (last.switch, last.cause) != (order.switch, order.cause) {
            return Err("something else was sent before".into());
        }
        let emergency = order.cause == Cause::Emergency;
        // Another force while one is under way gives it all its tries again.
        let renewed = order.cause == Cause::Forced && order.resend == 1;
        let most = if emergency { self.policy.tries.max(last.resend) } else { self.policy.tries };
        if order.resend > most || (!emergency && !renewed && order.resend != last.resend + 1) {
            return Err("sent too often".into());
        }
        // The link coming back may hasten an emergency; nothing else hastens or may delay it by much.
        let due = at + self.policy.confirm_within;
        if !emergency && (now < due || now.since(due) > self.policy.confirm_within + Span::secs(2)) {
            return Err("sent again at the wrong time".into());
        }
        Ok(())
    }

    fn judge_answer(&mut self, call: &Call, answer: Answer, before: &Oracle) -> Result<(), String> {
        let Some(Open { request, asked_at, wants_newer }) = self.open.remove(&answer.request) else {
            return Err("an answer without an open request".into());
        };
        if (answer.kind, answer.input, answer.decision)
            != (request.kind, request.input, answer.reason.decision())
        {
            return Err("an answer that does not fit its request".into());
        }
        let now = call.now;
        match answer.reason {
            Reason::MachineIdle if request.kind != RequestKind::OffOnceIdle => {
                let sound = |books: &Oracle| books.is_clear(now) && books.permissive.covers(asked_at);
                if !sound(self) && !sound(before) {
                    return Err(
                        "called idle without a verdict that has seen everything before the request".into()
                    );
                }
                // One that may be deferred acts as a deferral does: on readings that are not old.
                let at_once = request.rights.when_busy == WhenBusy::Hold;
                let judged = self.permissive.as_of >= asked_at && self.permissive.covers(now);
                if at_once && wants_newer && !judged {
                    return Err("called idle on old readings".into());
                }
            }
            Reason::NeverOff if self.policy.control != Control::NeverOff => {
                return Err("said never to be switched off, and may be".into());
            }
            Reason::OnlyWatched if self.policy.control != Control::Watched => {
                return Err("said to be only watched, and is not".into());
            }
            Reason::OutOfHours if !request.rights.out_of_hours => {
                return Err("out of hours without cause".into());
            }
            Reason::KeptOn if !before.is_kept_on(now) => return Err("kept on without anybody's word".into()),
            Reason::MachineBusy | Reason::MachineUnknown | Reason::KeptOn => {
                self.tell(now, &request, &answer)?;
            }
            Reason::KeepingOn => self.keep_on(now, &request),
            Reason::KeepOnCancelled | Reason::DeferralCancelled
                if request.kind == RequestKind::Cancel && request.rights.may_keep_on =>
            {
                self.kept_on = None;
            }
            Reason::AlreadyOff if request.kind == RequestKind::ForceOff => {
                self.tell(now, &request, &answer)?
            }
            Reason::Locked | Reason::Emergency if !self.lockout => {
                return Err("answered before it was kept".into());
            }
            Reason::UntilIdle | Reason::NoticeRunning if self.deferral.is_none() => {
                return Err("answered before it was kept".into());
            }
            Reason::Locked => {
                self.owners.insert((request.input, request.person));
                self.pending = self.pending.filter(|(order, _)| order.switch == Switch::Off);
            }
            Reason::Unlocked | Reason::LockLifted => {
                (self.owners, self.emergency) = self.after_unlock(&request);
                if !self.emergency {
                    self.pending = self.pending.filter(|(order, _)| order.cause != Cause::Emergency);
                }
            }
            Reason::Emergency => self.emergency = true,
            Reason::AlreadyOn | Reason::DeferralCancelled | Reason::AlreadySwitching
                if matches!(request.kind, RequestKind::On | RequestKind::Flip)
                    && before.heading() == Some(Switch::On) =>
            {
                self.told.retain(|told| told.by != request.input);
            }
            Reason::SwitchingOn
            | Reason::Lockout
            | Reason::ContactPushed
            | Reason::OnNotFromHere
            | Reason::OnPermitMissing
            | Reason::CircuitFull
                if request.kind != RequestKind::Unlock =>
            {
                self.told.retain(|told| told.by != request.input)
            }
            _ => {}
        }
        Ok(())
    }

    pub(super) fn kept_on_until(&self) -> Option<Moment> {
        self.kept_on.map(|(_, until)| until)
    }

    fn is_kept_on(&self, now: Moment) -> bool {
        self.kept_on.is_some_and(|(_, until)| now < until)
    }

    /// Whoever asks again says anew until when; nobody else's word is cut short by it.
    fn keep_on(&mut self, now: Moment, request: &Request) {
        let length = request.keep_for.unwrap_or(self.policy.keep_on_for).min(Span::secs(24 * 3_600));
        let until = now + length;
        if !self.kept_on.is_some_and(|(by, longer)| by != request.input && longer > until) {
            self.kept_on = Some((request.input, until));
        }
    }

    fn is_clear(&self, now: Moment) -> bool {
        self.permissive.at(now) == PermissiveState::Clear && !self.is_kept_on(now)
    }

    /// An emergency for an outlet that says off ends after its tries without a word.
    fn forget_finished_emergency(&mut self, now: Moment) {
        if let Some((order, at)) = self.pending
            && order.cause == Cause::Emergency
            && order.resend >= self.policy.tries
            && self.outlet == Some(Switch::Off)
            && now >= at + self.policy.confirm_within
        {
            self.pending = None;
        }
    }

    fn nobody_waits_too_long(&self, now: Moment) -> Result<(), String> {
        let patience = self.policy.refresh_wait.max(self.policy.assess_wait);
        match self.open.values().find(|open| now >= open.asked_at + patience) {
            Some(open) => Err(format!("{:?} waits too long", open.request)),
            None => Ok(()),
        }
    }

    /// Only who may force is told how, and only who is far away gets a token.
    fn tell(&mut self, now: Moment, request: &Request, answer: &Answer) -> Result<(), String> {
        let Rights { may_force, place, window, .. } = request.rights;
        if (answer.confirm.is_some()) != (may_force && place == Place::Remote) {
            return Err(format!("a token where none belongs, or none where one does: {answer:?}"));
        }
        if !may_force {
            return Ok(());
        }
        let most = window.unwrap_or(self.policy.window);
        let within = answer.confirm.map_or(most, |confirm| confirm.within);
        if within > most {
            return Err("a window longer than its rules say".into());
        }
        self.told.retain(|told| now < told.until);
        let token = answer.confirm.map(|confirm| confirm.token);
        self.told.push(Told { at: now, by: request.input, place, until: now + within, token });
        Ok(())
    }

    /// By whoever was told, or within earshot of them; from afar with the token of an answer of one's own.
    fn window_accepts(&self, now: Moment, force: &Request) -> bool {
        let mut open = self.told.iter().filter(|told| now < told.until && told.place == force.rights.place);
        match force.rights.place {
            Place::Remote => {
                open.any(|told| told.by == force.input && told.token.is_some() && told.token == force.confirm)
            }
            Place::Beside | Place::Shop => {
                let own = open.clone().filter(|told| told.by == force.input).map(|told| told.at).max();
                match own {
                    Some(at) => now.since(at) >= self.policy.force_not_before,
                    None => open.next().is_some(),
                }
            }
        }
    }

    /// The last token that this input was given.
    pub(super) fn last_told(&self, input: InputId) -> Option<Token> {
        self.told.iter().rev().find(|told| told.by == input)?.token
    }

    /// Whether exactly these locks are on the machine, by these books.
    pub(super) fn holds(&self, locks: &Locks) -> bool {
        let owned = locks.iter().filter(|lock| !lock.emergency).map(|lock| (lock.by, lock.person));
        owned.collect::<BTreeSet<_>>() == self.owners && locks.has_emergency() == self.emergency
    }

    /// Who has a lock lifts that one, and who may unlock the emergency's with it; who has none lifts all.
    fn after_unlock(&self, request: &Request) -> (BTreeSet<(InputId, Person)>, bool) {
        let mut owners = self.owners.clone();
        if !owners.remove(&(request.input, request.person)) {
            owners.clear();
        }
        (owners, self.emergency && !request.rights.may_unlock)
    }

    pub(super) fn heading(&self) -> Option<Switch> {
        self.pending.map(|(order, _)| order.switch).or(self.outlet)
    }
}

/// Somebody stands behind it.
fn is_live(request: &Request, policy: &Policy) -> bool {
    !request.arrival.retained && request.arrival.age <= policy.request_max_age
}

/// What must come of a request at once.
impl Oracle {
    fn judge_duty(&mut self, call: &Call, request: &Request) -> Result<(), String> {
        let mut answers = call.effects.iter().filter_map(|effect| match effect {
            Effect::Answer(answer) if answer.request == request.id => Some(answer.reason),
            _ => None,
        });
        let reason = answers.next();
        let sent = |switch, cause| {
            call.effects.iter().any(|effect| {
                matches!(effect, Effect::Order(order) if order.switch == switch && order.cause == cause)
            })
        };
        if reason == Some(Reason::SwitchingOn) && !sent(Switch::On, Cause::Plain) {
            return Err("said to switch on, and did not".into());
        }
        if reason == Some(Reason::MachineIdle) && !sent(Switch::Off, Cause::Plain) {
            return Err("said to switch off, and did not".into());
        }
        if reason == Some(Reason::ForcedInWindow) && !sent(Switch::Off, Cause::Forced) {
            return Err("said to force, and did not".into());
        }
        if request.kind == RequestKind::EmergencyOff {
            let of_now = !request.arrival.retained && request.arrival.age <= self.policy.emergency_max_age;
            let obey = request.rights.emergency && of_now;
            let done = match self.policy.control {
                Control::Full | Control::NeverOff => {
                    sent(Switch::Off, Cause::Emergency) && self.lockout && reason == Some(Reason::Emergency)
                }
                // Whoever pressed must not take it for cut.
                Control::Watched => reason == Some(Reason::OnlyWatched),
            };
            return if obey && !done { Err("an emergency was not obeyed".into()) } else { Ok(()) };
        }
        let seen = self.gestures.get(&(request.input, request.person, request.gesture)).copied();
        let denied = may_not(request);
        // A force of long ago still is a gesture: what leans on a button may have sent it.
        let is_gesture = is_live(request, &self.policy)
            || request.kind == RequestKind::ForceOff && !request.arrival.retained;
        if is_gesture && !denied {
            self.gestures.insert((request.input, request.person, request.gesture), call.now);
        }
        let repeated = seen.is_some_and(|seen| call.now.since(seen) < self.policy.repeat_guard);
        let ignored = if request.arrival.retained {
            Some(Reason::Retained)
        } else if request.arrival.age > self.policy.request_max_age {
            Some(Reason::TooOld)
        } else if repeated && !denied {
            Some(Reason::Repeated)
        } else {
            None
        };
        match (ignored, reason) {
            (Some(ignored), Some(reason)) if ignored == reason => Ok(()),
            (Some(ignored), _) => Err(format!("should be ignored: {ignored:?}")),
            (None, Some(Reason::Repeated | Reason::Retained | Reason::TooOld | Reason::TooMany)) => {
                Err("ignored without cause".into())
            }
            (None, _) => Ok(()),
        }
    }

    /// What a live, new request must be answered at once, given these books; nothing when it may also wait.
    pub(super) fn due_answer(&self, now: Moment, request: &Request) -> Option<Reason> {
        let fresh = !self.policy.can_refresh || now.since(self.permissive.as_of) <= self.policy.fresh_within;
        let clear = self.is_clear(now) && self.permissive.covers(now);
        match request.kind {
            _ if request.rights.out_of_hours && has_hours(request.kind) => Some(Reason::OutOfHours),
            kind if self.policy.control == Control::Watched && !may_not(request) => match kind {
                RequestKind::Serviced => Some(Reason::Serviced),
                // What was said while it could be switched.
                RequestKind::Unlock if self.lockout => None,
                RequestKind::Cancel if self.is_kept_on(now) => None,
                RequestKind::EmergencyOff => None,
                RequestKind::On
                | RequestKind::Off
                | RequestKind::Flip
                | RequestKind::ForceOff
                | RequestKind::OffOnceIdle
                | RequestKind::KeepOn
                | RequestKind::Cancel
                | RequestKind::Lock
                | RequestKind::Unlock => Some(Reason::OnlyWatched),
            },
            RequestKind::On if self.pushed => Some(Reason::ContactPushed),
            RequestKind::On if self.lockout => Some(Reason::Lockout),
            RequestKind::On if self.heading() == Some(Switch::On) => None,
            RequestKind::On if !self.policy.on_from.contains(request.rights.place) => {
                Some(Reason::OnNotFromHere)
            }
            RequestKind::On if self.policy.on_needs_permit && !self.permit => Some(Reason::OnPermitMissing),
            RequestKind::On if !self.room => Some(Reason::CircuitFull),
            RequestKind::On => Some(Reason::SwitchingOn),
            RequestKind::Off if self.heading() == Some(Switch::Off) && self.pending.is_some() => {
                Some(Reason::AlreadySwitching)
            }
            RequestKind::Off if self.heading() == Some(Switch::Off) => Some(Reason::AlreadyOff),
            RequestKind::Off if self.policy.control == Control::NeverOff => Some(Reason::NeverOff),
            RequestKind::Off if clear && fresh => Some(Reason::MachineIdle),
            RequestKind::ForceOff if !request.rights.may_force => Some(Reason::MayNotForce),
            RequestKind::ForceOff if self.policy.control == Control::NeverOff && self.pending.is_none() => {
                Some(Reason::NeverOff)
            }
            RequestKind::Lock if !request.rights.may_lock => Some(Reason::MayNotLock),
            RequestKind::Lock if self.owners.contains(&(request.input, request.person)) => {
                Some(Reason::AlreadyLocked)
            }
            RequestKind::Lock if self.owners.len() >= LOCKS_MAX => Some(Reason::LocksFull),
            RequestKind::Lock => Some(Reason::Locked),
            RequestKind::Unlock if !request.rights.may_unlock && !request.rights.may_lock => {
                Some(Reason::MayNotUnlock)
            }
            RequestKind::Unlock if self.pushed => Some(Reason::ContactPushed),
            RequestKind::Unlock if !self.lockout => Some(Reason::NotLocked),
            RequestKind::Unlock
                if !request.rights.may_unlock && !self.owners.contains(&(request.input, request.person)) =>
            {
                Some(Reason::MayNotUnlock)
            }
            RequestKind::Unlock => match self.after_unlock(request) {
                (owners, false) if owners.is_empty() => Some(Reason::Unlocked),
                _ => Some(Reason::LockLifted),
            },
            RequestKind::Serviced if !request.rights.may_service => Some(Reason::MayNotService),
            RequestKind::Serviced => Some(Reason::Serviced),
            RequestKind::Cancel if self.deferral.is_some() => Some(Reason::DeferralCancelled),
            RequestKind::Cancel if self.is_kept_on(now) && request.rights.may_keep_on => {
                Some(Reason::KeepOnCancelled)
            }
            RequestKind::Cancel if self.is_kept_on(now) => Some(Reason::MayNotKeepOn),
            RequestKind::KeepOn if !request.rights.may_keep_on => Some(Reason::MayNotKeepOn),
            RequestKind::KeepOn if self.heading() == Some(Switch::Off) && self.pending.is_some() => {
                Some(Reason::AlreadySwitching)
            }
            RequestKind::KeepOn if self.heading() == Some(Switch::Off) => Some(Reason::AlreadyOff),
            RequestKind::KeepOn => Some(Reason::KeepingOn),
            RequestKind::Off
            | RequestKind::Flip
            | RequestKind::ForceOff
            | RequestKind::OffOnceIdle
            | RequestKind::Cancel
            | RequestKind::EmergencyOff => None,
        }
    }
}

fn has_hours(kind: RequestKind) -> bool {
    !matches!(
        kind,
        RequestKind::ForceOff
            | RequestKind::EmergencyOff
            | RequestKind::Cancel
            | RequestKind::KeepOn
            | RequestKind::Lock
            | RequestKind::Serviced
    )
}

/// Such a request is refused each time, and is no gesture.
fn may_not(request: &Request) -> bool {
    let rights = request.rights;
    match request.kind {
        RequestKind::ForceOff => !rights.may_force,
        RequestKind::KeepOn => !rights.may_keep_on,
        RequestKind::Lock => !rights.may_lock,
        RequestKind::Unlock => !(rights.may_unlock || rights.may_lock) || rights.out_of_hours,
        RequestKind::Serviced => !rights.may_service,
        kind => has_hours(kind) && rights.out_of_hours,
    }
}
