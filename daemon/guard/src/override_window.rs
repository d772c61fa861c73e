//! The override windows: for a short time after a held request, force-off is accepted. Each place has a window of its
//! own, and a window counts for whoever was told of it.
//!
//! Beside the machine and in the shop an announcement is heard by everybody who is there, so the window of such a place
//! counts for all its inputs. From afar nobody hears anything but the answer to their own request, so there a force
//! must bring the token of that answer. What happens in one place neither closes nor replaces the window of another,
//! and each opener has its own part in a window, so that nobody can close it for somebody else.

use arrayvec::ArrayVec;

use super::canonical::Move;
use super::input::{InputId, Request, Token};
use super::place::Place;
use crate::time::{Moment, Span};

/// More inputs than this do not open one window at the same time; the part that was opened first gives way.
const OPENERS_MAX: usize = 4;

/// An input that goes on being held opens the window for the others of its place so often within a while, and then only
/// for itself: else a script that asks all day would have a window stand open for any stray press.
const SHARED_MAX: u8 = 3;

#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub(super) struct Windows {
    places: [ArrayVec<Opener, OPENERS_MAX>; Place::ALL.len()],
}

/// One input's part in the window of its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
struct Opener {
    by: InputId,
    opened_at: Moment,
    /// Nothing once it is over and only remembered.
    deadline: Option<Moment>,
    /// Until then it counts for the other inputs of the place, too. From afar: until then its token is given again.
    shared_until: Moment,
    token: Option<Token>,
    /// How often it was opened since then.
    counted_from: Moment,
    openings: u8,
}

/// What somebody who was held is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Opened {
    pub(super) left: Span,
    pub(super) token: Option<Token>,
}

/// What the windows say to a force.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum WindowAnswer {
    Open,
    /// It belongs to the gesture that opened the window.
    SameGesture,
    Closed,
}

impl Opener {
    /// Half-open: at the deadline itself it is too late.
    fn is_open(&self, now: Moment) -> bool {
        self.deadline.is_some_and(|deadline| now < deadline)
    }

    fn close(&mut self) {
        (self.deadline, self.token) = (None, None);
    }
}

impl Windows {
    /// A renewal is a new window: its deadline is counted from now, and never adds up.
    pub(super) fn open(
        &mut self,
        now: Moment,
        request: &Request,
        length: Span,
        counted_within: Span,
    ) -> Opened {
        self.forget_old(now, counted_within);
        match request.rights.place {
            Place::Remote => self.open_from_afar(now, request, length),
            place @ (Place::Beside | Place::Shop) => {
                let openers = &mut self.places[place.index()];
                let own = openers.iter().position(|opener| opener.by == request.input);
                let own = own.map(|index| openers.remove(index));
                let (counted_from, openings) = own.map_or((now, 0), |own| (own.counted_from, own.openings));
                let deadline = now + length;
                let shared_until = match own {
                    Some(own) if openings >= SHARED_MAX => own.shared_until,
                    Some(_) | None => deadline,
                };
                let openings = openings.saturating_add(1).min(SHARED_MAX);
                push(
                    openers,
                    Opener {
                        by: request.input,
                        opened_at: now,
                        deadline: Some(deadline),
                        shared_until,
                        token: None,
                        counted_from,
                        openings,
                    },
                );
                Opened { left: length, token: None }
            }
        }
    }

    /// Who asks again soon is given the same token again, with what is left of its time: several people may be behind
    /// one input, and none of them makes another's token void.
    fn open_from_afar(&mut self, now: Moment, request: &Request, length: Span) -> Opened {
        let openers = &mut self.places[Place::Remote.index()];
        let known = openers.iter().find(|opener| opener.by == request.input && now < opener.shared_until);
        if let Some(Opener { deadline: Some(deadline), token, .. }) = known {
            return Opened { left: deadline.since(now), token: *token };
        }
        // Without a token to give, nobody could prove to have been told.
        let Some(token) = request.offer else { return Opened { left: Span::ZERO, token: None } };
        push(
            openers,
            Opener {
                by: request.input,
                opened_at: now,
                deadline: Some(now + length),
                shared_until: now + Span(length.0 / 2),
                token: Some(token),
                counted_from: now,
                openings: 0,
            },
        );
        Opened { left: length, token: Some(token) }
    }

    /// Some buttons report one long press as a press and then a long press. A force by an input that opened the window
    /// itself, sooner than a person could have heard the warning, belongs to the gesture that opened it.
    pub(super) fn answer_to(&self, now: Moment, force: &Request, force_not_before: Span) -> WindowAnswer {
        let openers = &self.places[force.rights.place.index()];
        let mut open = openers.iter().filter(|opener| opener.is_open(now));
        match force.rights.place {
            Place::Remote => {
                let proves = |opener: &Opener| {
                    opener.by == force.input && opener.token.is_some() && opener.token == force.confirm
                };
                if open.any(proves) { WindowAnswer::Open } else { WindowAnswer::Closed }
            }
            Place::Beside | Place::Shop => {
                let own = open.clone().find(|opener| opener.by == force.input);
                match own {
                    Some(own) if now.since(own.opened_at) < force_not_before => WindowAnswer::SameGesture,
                    Some(_) => WindowAnswer::Open,
                    None if open.any(|opener| now < opener.shared_until) => WindowAnswer::Open,
                    None => WindowAnswer::Closed,
                }
            }
        }
    }

    /// Whoever asks for the contrary gives up their own part, and nobody else's.
    pub(super) fn close_own(&mut self, now: Moment, request: &Request) {
        let openers = &mut self.places[request.rights.place.index()];
        for opener in openers.iter_mut().filter(|opener| opener.by == request.input) {
            opener.close();
            opener.shared_until = now;
        }
    }

    /// Used up.
    pub(super) fn close_all(&mut self, now: Moment) {
        for opener in self.places.iter_mut().flatten() {
            opener.close();
            opener.shared_until = now;
        }
    }

    /// Closes what is over. Whether that was the last that was open.
    pub(super) fn expire(&mut self, now: Moment, counted_within: Span) -> bool {
        let mut expired = false;
        for opener in self.places.iter_mut().flatten() {
            if opener.deadline.is_some_and(|deadline| deadline <= now) {
                opener.close();
                expired = true;
            }
        }
        self.forget_old(now, counted_within);
        expired && !self.is_open()
    }

    /// Drops what can no longer matter, so that equal guards compare equal.
    fn forget_old(&mut self, now: Moment, counted_within: Span) {
        for opener in self.places.iter_mut().flatten() {
            if now.since(opener.counted_from) >= counted_within {
                (opener.counted_from, opener.openings) = (now, 0);
            }
        }
        for openers in &mut self.places {
            openers.retain(|opener| opener.deadline.is_some() || opener.openings > 0);
        }
    }

    pub(super) fn is_open(&self) -> bool {
        self.parts().next().is_some()
    }

    fn parts(&self) -> impl Iterator<Item = (Place, Moment, InputId)> + '_ {
        let places = Place::ALL.into_iter().zip(&self.places);
        places.flat_map(|(place, openers)| {
            openers.iter().filter_map(move |opener| Some((place, opener.deadline?, opener.by)))
        })
    }

    /// When the next part of one is over.
    pub(super) fn deadline(&self) -> Option<Moment> {
        self.parts().map(|(_, deadline, _)| deadline).min()
    }

    /// The window of each place that has one: until when it stands open for whoever opened it last.
    pub(super) fn open_windows(&self) -> impl Iterator<Item = OverrideWindow> + '_ {
        Place::ALL.into_iter().filter_map(|place| {
            let parts = self.parts().filter(|(at, ..)| *at == place);
            let (_, deadline, opened_by) = parts.max_by_key(|(_, deadline, _)| *deadline)?;
            Some(OverrideWindow { place, deadline, opened_by })
        })
    }

    pub(super) fn shift(&mut self, to: Move, force_not_before: Span, counted_within: Span) {
        for opener in self.places.iter_mut().flatten() {
            // When it was opened is asked only while it is open.
            let opened_at = if opener.deadline.is_some() { opener.opened_at } else { to.now() };
            opener.opened_at = to.past(opened_at, force_not_before);
            opener.deadline = opener.deadline.map(|at| to.ahead(at));
            opener.shared_until = to.ahead(opener.shared_until);
            let counted_from = if opener.openings > 0 { opener.counted_from } else { to.now() };
            opener.counted_from = to.past(counted_from, counted_within);
        }
    }
}

fn push(openers: &mut ArrayVec<Opener, OPENERS_MAX>, opener: Opener) {
    if openers.is_full() {
        // What is over is only remembered.
        openers.remove(openers.iter().position(|opener| opener.deadline.is_none()).unwrap_or(0));
    }
    openers.push(opener);
}

/// What is shown to people of the window of one place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct OverrideWindow {
    pub place: Place,
    pub deadline: Moment,
    pub opened_by: InputId,
}
