//! A meter that speaks only when its value changes: how it is known to be there while it says nothing, and when its
//! last value is shown to detectors again.
//!
//! A sign of life says that the meter had nothing else to tell when it was sent. It came over the same way as a change
//! would have, so whatever it had told before has come in by then. It never makes a value known that was not: after a
//! start, a lost connection, a message that cannot be read, or a silence of the meter, the value may have changed
//! unheard.

use super::state::SignalState;
use crate::intake::{self, Decoded};
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::{Message, Reading, Value};
use idlegate_plan::{Alive, LifeSign, Outlet, Signal};

/// How often the value that holds is shown again: no detector is asked more seldom what it thinks.
pub const SHOWN_EVERY: Span = Span::secs(5);

#[derive(Clone, Debug, Default)]
pub(super) struct Life {
    /// When the newest live reading came in, whatever its payload says of its age.
    live_at: Moment,
    /// The newest sign of life since then, no later than it was sent.
    sign_at: Option<Moment>,
    /// Since when the newest value is shown again, for want of another one, and as of when it was shown first.
    held_since: Option<(Moment, Moment)>,
    /// When a value was last shown again.
    held_at: Moment,
    /// As of when. Never runs backwards.
    held_as_of: Moment,
    /// When the meter is to be asked again.
    asks_at: Option<Moment>,
    /// Signs of life come, and with the flag of stored ones.
    comes_flagged: bool,
    /// When anything live showed last that the meter is there.
    heard_at: Option<Moment>,
}

/// What a message says of whether a meter is there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sign {
    Alive,
    Gone,
    /// It counts as stored only for the flag that its sender put on it.
    Flagged,
}

/// Where its signs of life come from.
pub fn sign_filter<'r>(rules: &'r Signal, outlet: &'r Outlet) -> Option<&'r str> {
    let source = match &rules.alive()?.sign {
        LifeSign::Topic { source, gone: _ } => source,
        LifeSign::Reach => &outlet.reach.as_ref()?.source,
    };
    Some(&source.filter)
}

/// What the rules want a message on this topic to say of the meter of this signal; nothing where it says nothing of it.
/// The guard and `record` go by this alone.
pub fn sign(rules: &Signal, outlet: &Outlet, message: &Message) -> Option<Sign> {
    let alive = rules.alive()?;
    match &alive.sign {
        LifeSign::Reach => {
            let reach = outlet.reach.as_ref()?;
            let word = intake::decode_word(&reach.source.path, &message.payload).ok()?;
            if word == reach.off {
                return Some(Sign::Gone);
            }
            (word == reach.on).then(|| counted(alive, message))?
        }
        LifeSign::Topic { source, gone } => {
            // A broker sends the last will of a meter that is gone, and that is no sign of its life.
            let word = intake::decode_word(&source.path, &message.payload);
            if gone.is_some() && word.as_ref().ok() == gone.as_ref() {
                return Some(Sign::Gone);
            }
            let speaks = match &source.path {
                idlegate_plan::ValuePath::Whole => !message.payload.is_empty(),
                idlegate_plan::ValuePath::JsonPointer(_) | idlegate_plan::ValuePath::SenmlName(_) => {
                    word.is_ok()
                }
            };
            speaks.then(|| counted(alive, message))?
        }
    }
}

/// That it is gone is believed however old it may be. That it is there must be live.
fn counted(alive: &Alive, message: &Message) -> Option<Sign> {
    if !message.stored(alive.sender_stores) {
        Some(Sign::Alive)
    } else {
        message.proved.then_some(Sign::Flagged)
    }
}

impl SignalState {
    /// A live reading came in at this time.
    pub(super) fn spoke(&mut self, at: Moment) {
        self.life.live_at = self.life.live_at.max(at);
        self.life.heard_at = self.life.heard_at.max(Some(at));
        // One that came before says nothing of this value.
        (self.life.sign_at, self.life.held_since) = (None, None);
    }

    pub(super) fn forget_life(&mut self) {
        (self.life.sign_at, self.life.held_since) = (None, None);
    }

    /// Takes a live sign of life that was not sent before `at`. It counts only beside a value that is known.
    pub fn lives(&mut self, at: Moment) {
        if self.latest.is_some() {
            self.life.sign_at = self.life.sign_at.max(Some(at));
        }
        self.life.heard_at = self.life.heard_at.max(Some(at));
        self.life.comes_flagged = false;
    }

    /// When anything live showed last that the meter is there, whatever it read.
    pub(crate) fn heard_at(&self) -> Option<Moment> {
        self.life.heard_at
    }

    pub(crate) fn lives_flagged(&mut self) {
        self.life.comes_flagged = true;
    }

    /// The meter is known to be gone. Says whether anything was known of it.
    pub(crate) fn is_gone(&mut self, now: Moment, rules: &Signal) -> bool {
        let told = match rules.alive().map(|alive| &alive.sign) {
            Some(LifeSign::Reach) => "the outlet with the meter in it was out of reach",
            Some(LifeSign::Topic { .. }) | None => "the meter was gone",
        };
        self.lose(now, rules, told.to_owned())
    }

    /// Nothing was heard of the meter for longer than it may be silent. What it read last does not hold any more, not
    /// even when it is heard again: a change may have been lost with its connection.
    pub(crate) fn lapse(&mut self, now: Moment, rules: &Signal) -> bool {
        if self.lapses_at(rules).is_none_or(|at| now < at) {
            return false;
        }
        let told = if self.life.comes_flagged && self.life.sign_at.is_none() {
            "the meter's signs of life come marked as stored, and may be old ones (set sender_stores = true under alive if \
             their sender always has them stored)"
                .to_owned()
        } else {
            format!("the meter gave no sign of life for {}", rules.silent_max())
        };
        self.lose(now, rules, told)
    }

    /// Readings came live that do not count for their flag, and say something else than the value that holds.
    pub(super) fn contradict(&mut self, now: Moment, rules: &Signal, read: &[Decoded<Value>]) {
        let differs =
            self.latest.as_ref().is_some_and(|latest| read.iter().any(|it| it.value != latest.value));
        if rules.on_change().is_some() && differs {
            let told = "the meter sent another value that is marked as stored and may be an old one";
            self.went_back = self.lose(now, rules, told.to_owned());
            self.unusable |= self.went_back;
        }
    }

    fn lose(&mut self, now: Moment, rules: &Signal, told: String) -> bool {
        if self.latest.is_none() {
            return false;
        }
        self.set_aside(now);
        let name = &rules.name;
        self.doubt = Some(format!("{told}, so {name} is not known until it sends a value again").into());
        true
    }

    /// When the meter will have been silent for too long.
    pub(crate) fn lapses_at(&self, rules: &Signal) -> Option<Moment> {
        rules.on_change()?;
        self.latest.as_ref()?;
        Some(self.life.live_at.max(self.life.sign_at.unwrap_or_default()) + rules.silent_max())
    }

    /// Until when the newest value is known to have held: a meter that speaks only of changes had none to speak of when
    /// it last gave a sign of life. That makes a plain off safe as a fresh reading does: what the meter said before the
    /// sign was heard before it. A value that is only shown again makes nothing fresh.
    pub(crate) fn known_at(&self) -> Option<Moment> {
        self.fresh_at().map(|at| self.life.sign_at.map_or(at, |sign| sign.max(at)))
    }

    /// Whether what a detector has made of this signal since then rests on more than that nothing was heard. The
    /// message that shows work may be on its way while the last value is shown again and a dwell ends by that; it has
    /// come in when a sign of life comes that was sent after it.
    pub fn proves(&self, since: Moment) -> bool {
        let by_readings =
            self.life.live_at <= since && self.life.held_since.is_none_or(|(held, _)| held > since);
        by_readings || self.known_at().is_some_and(|known| known >= since)
    }

    /// When the value is to be shown again.
    pub(crate) fn shows_again_at(&self, rules: &Signal) -> Option<Moment> {
        rules.on_change()?;
        self.latest.as_ref()?;
        Some(self.life.live_at.max(self.life.held_at) + SHOWN_EVERY)
    }

    /// The value that holds, if it is time to show it again. It is a reading for detectors, and for nothing else.
    ///
    /// It is given the time that a message would be given which came now by the same line: else a dwell that began with
    /// one that had waited and ends with this would be shorter than it seems.
    pub(crate) fn show_again(&mut self, now: Moment, rules: &Signal) -> Option<Reading> {
        self.shows_again_at(rules).filter(|at| *at <= now)?;
        self.life.held_at = self.life.held_at.max(now);
        self.life.held_as_of = self.life.held_as_of.max(now - self.lag);
        let as_of = self.shown_as_of()?;
        self.life.held_since.get_or_insert((now, as_of));
        self.shown()
    }

    /// Begins to ask the meter now, or stops. One that is being asked already is asked in its turn, unless `anew`.
    pub(crate) fn begin_asking(&mut self, rules: &Signal, now: Option<Moment>, anew: bool) {
        let now = now.filter(|_| rules.polling().is_some());
        let before = self.life.asks_at.filter(|_| !anew);
        self.life.asks_at = now.map(|now| before.unwrap_or(now));
    }

    /// Whether it is time to ask the meter.
    pub fn asks(&mut self, now: Moment, rules: &Signal) -> bool {
        let due = self.life.asks_at.is_some_and(|at| at <= now);
        if due {
            self.life.asks_at = rules.polling().map(|polling| now + polling.every);
        }
        due
    }

    /// When something is due by itself.
    pub fn deadline(&self, rules: &Signal) -> Option<Moment> {
        let due =
            [self.lapses_at(rules), self.shows_again_at(rules), self.life.asks_at, self.said_again_at(rules)];
        due.into_iter().flatten().min()
    }

    /// When the state of a machine is said again.
    fn said_again_at(&self, rules: &Signal) -> Option<Moment> {
        rules.of_machine()?;
        Some(self.fresh_at()? + SHOWN_EVERY)
    }

    /// The state of a machine, if it is time to say it again. Whoever says it knows it, so it is a reading like the
    /// first: it reaches detectors that began anew since, and is never old.
    pub(crate) fn say_again(&mut self, now: Moment, rules: &Signal) -> Option<Reading> {
        self.said_again_at(rules).filter(|at| *at <= now)?;
        let value = self.latest.as_ref()?.value.clone();
        self.accept(value, now, false)
    }

    /// The newest reading as detectors were shown it last, live or again.
    pub fn shown(&self) -> Option<Reading> {
        let latest = self.latest.as_ref()?;
        let at = self.life.held_since.and_then(|_| self.shown_as_of()).unwrap_or(latest.at);
        Some(Reading { at, value: latest.value.clone() })
    }

    fn shown_as_of(&self) -> Option<Moment> {
        self.fresh_at().map(|at| self.life.held_as_of.max(at))
    }

    /// Whether what a detector was shown at that time was an old value again.
    pub(crate) fn is_unchanged(&self, at: Moment) -> bool {
        self.life.held_since.is_some_and(|(_, as_of)| as_of <= at)
    }

    /// Never ahead of what was shown before: a detector takes a step back in time for a break, or leaves the reading
    /// aside.
    pub(super) fn in_order(&self, reading: Reading) -> Reading {
        Reading { at: reading.at.max(self.life.held_as_of), ..reading }
    }
}
