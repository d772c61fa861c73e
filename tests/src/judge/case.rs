//! One machine before the judge: what was heard of it, who asked for what, and whether it truly works.

use std::collections::VecDeque;
use std::time::Duration;

use super::{Ask, At, Excuse, Fault, Finding, Machine, Says, Tally, Tolerance};

/// So many orders are repeats of one that was explained.
const REPEATS_MAX: u32 = 4;
/// Of as many offs on their way is it known whether they were plain.
const ON_THE_WAY_MAX: usize = 16;
/// What an explanation and its order may lie apart.
const AT_ONCE: Duration = Duration::from_millis(1_500);

/// What stands against taking the machine for idle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Proof {
    NothingHeard,
    Work(f64),
    Rubbish,
    LinkLost,
    Rewired,
}

#[derive(Debug)]
pub(super) struct Case {
    machine: Machine,
    /// The newest thing against it, and when it came.
    against: (At, Proof),
    /// The stretch of idle readings that is going on, from the first to the last.
    idle: Option<(At, At)>,
    /// A whole dwell of them has followed.
    clear: bool,
    /// When it ceased to be clear.
    clear_until: Option<At>,
    works_since: Option<At>,
    /// Something was measured and delivered since the work began.
    heard_since: bool,
    asks: VecDeque<(At, Ask)>,
    explained: Option<(At, u32)>,
    on_the_way: VecDeque<OnTheWay>,
}

/// A plain off that has been sent.
#[derive(Clone, Copy, Debug)]
struct OnTheWay {
    sent: At,
    found: bool,
    /// Of the work that was going on when it was sent, something had been heard.
    heard: bool,
}

impl Case {
    pub(super) fn new(machine: Machine) -> Case {
        Case {
            machine,
            against: (At::ZERO, Proof::NothingHeard),
            idle: None,
            clear: false,
            clear_until: None,
            works_since: None,
            heard_since: false,
            asks: VecDeque::new(),
            explained: None,
            on_the_way: VecDeque::new(),
        }
    }

    pub(super) fn hear(&mut self, at: At, measured: At, says: Says, dwell_short: Duration) {
        self.heard_since |= self.works_since.is_some_and(|since| measured >= since);
        let watts = match says {
            Says::Rubbish => return self.doubt(at, Proof::Rubbish),
            Says::Watts(watts) => watts,
        };
        // What was measured before the last whole dwell began, and came later, says nothing about now.
        let outdated = self
            .idle
            .is_some_and(|(first, last)| if self.clear { measured < first } else { measured < last });
        if watts > self.machine.busy_watts {
            if !outdated {
                self.doubt(at, Proof::Work(watts));
            }
        } else if watts >= self.machine.quiet_watts {
            self.idle = None;
        } else if !outdated {
            let follows = |(_, last): &(At, At)| measured.saturating_sub(*last) <= self.machine.silence_max;
            let first = self.idle.filter(follows).map_or(measured, |(first, _)| first);
            let last = self.idle.map_or(measured, |(_, last)| last.max(measured));
            self.idle = Some((first, last));
            self.clear |= last.saturating_sub(first) + dwell_short >= self.machine.dwell;
        }
    }

    pub(super) fn doubt(&mut self, at: At, proof: Proof) {
        if self.clear {
            self.clear_until = Some(at);
        }
        (self.against, self.idle, self.clear) = ((at, proof), None, false);
    }

    pub(super) fn asked(&mut self, at: At, ask: Ask) {
        self.asks.push_back((at, ask));
        let kept = self.machine.window + AT_ONCE;
        self.asks.retain(|(asked, _)| *asked + kept >= at);
    }

    pub(super) fn truth(&mut self, at: At, works: bool) {
        if works != self.works_since.is_some() {
            self.works_since = works.then_some(at);
            self.heard_since = false;
        }
    }

    pub(super) fn switched_on(&mut self) {
        self.explained = None;
    }

    /// Whether somebody had a right to an off at this moment, or it repeats one to which somebody had.
    fn explain(&mut self, at: At) -> Option<Ask> {
        let lately = |asked: At| asked <= at && at - asked <= AT_ONCE;
        let forced = self.asks.iter().any(|(second, ask)| {
            let held = |(first, _): &(At, Ask)| first < second && *second - *first <= self.machine.window;
            *ask == Ask::Force && lately(*second) && self.asks.iter().any(held)
        });
        let emergency = self.asks.iter().any(|(asked, ask)| *ask == Ask::Emergency && lately(*asked));
        if forced || emergency {
            self.explained = Some((at, 0));
            return Some(if emergency { Ask::Emergency } else { Ask::Force });
        }
        let again_within = self.machine.order_repeats + AT_ONCE;
        let (before, repeats) = self.explained?;
        if repeats >= REPEATS_MAX || at - before > again_within {
            return None;
        }
        self.explained = Some((at, repeats + 1));
        Some(Ask::Force)
    }

    pub(super) fn judge_sent(&mut self, at: At, tolerance: Tolerance, tally: &mut Tally) {
        match self.explain(at) {
            Some(Ask::Emergency) => return tally.emergency += 1,
            Some(Ask::Force | Ask::Plain) => return tally.forced += 1,
            None => tally.plain += 1,
        }
        let crossed = self.clear_until.is_some_and(|until| until + tolerance.crossing > at);
        let found = !self.clear && !crossed;
        if found {
            let (came, proof) = self.against;
            tally.find(self.finding(
                at,
                proof.fault(),
                format!("{} came at {came:?}, and no whole dwell since", proof.words()),
            ));
        } else if !self.clear {
            tally.excuse(Excuse::Crossed);
        }
        let heard = self.heard_since;
        if self.on_the_way.len() == ON_THE_WAY_MAX {
            self.on_the_way.pop_front();
        }
        self.on_the_way.push_back(OnTheWay { sent: at, found, heard });
    }

    pub(super) fn judge_received(&mut self, at: At, sent: At, tolerance: Tolerance, tally: &mut Tally) {
        // One that is not there was not plain.
        let Some(plain) = self.on_the_way.iter().find(|plain| plain.sent == sent).copied() else { return };
        tally.received += 1;
        let Some(since) = self.works_since else { return };
        tally.at_work += 1;
        let worked = at - since;
        if plain.found {
            // Told when it was sent.
        } else if at.saturating_sub(sent) > self.machine.order_lasts + tolerance.crossing {
            let late = at - sent;
            tally.find(self.finding(
                at,
                Fault::Late,
                format!("it arrived {late:?} after it was sent, {worked:?} into the work"),
            ));
        } else if since >= sent {
            tally.excuse(Excuse::OnItsWay);
        } else if worked <= self.machine.unseen_max {
            tally.excuse(Excuse::Unseen);
        } else if plain.heard {
            tally.excuse(Excuse::Lied);
        } else {
            let words = format!("the machine had worked for {worked:?} and nothing had been heard of it");
            tally.find(self.finding(at, Fault::Dark, words));
        }
    }

    fn finding(&self, at: At, fault: Fault, words: String) -> Finding {
        Finding { at, machine: self.machine.name.clone(), fault, words }
    }
}

impl Proof {
    fn fault(self) -> Fault {
        match self {
            Proof::NothingHeard => Fault::NeverIdle,
            Proof::Work(_) => Fault::WorkShown,
            Proof::Rubbish => Fault::Unreadable,
            Proof::LinkLost => Fault::LinkLost,
            Proof::Rewired => Fault::Rewired,
        }
    }

    fn words(self) -> String {
        match self {
            Proof::NothingHeard => "nothing".to_owned(),
            Proof::Work(watts) => format!("{watts} W"),
            Proof::Rubbish => "a message that says nothing".to_owned(),
            Proof::LinkLost => "the end of the link".to_owned(),
            Proof::Rewired => "another meter".to_owned(),
        }
    }
}
