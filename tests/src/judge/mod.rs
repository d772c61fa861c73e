//! A judge of the whole guard that knows nothing of how the guard works.
//!
//! It is told three things by whoever runs the scene: what was delivered to the guard, and what whoever made those
//! bytes meant by them; when each machine really worked; what was sent to the outlets and when it got there. Of every
//! plain off, one that no force and no emergency explains, it asks
//!
//! 1. before it was sent, had anything been delivered that shows work or could not be read, or had the link been lost,
//!    later than the last whole dwell of idle readings?
//! 2. was the machine truly working when it got there?
//!
//! It must never use the guard's code, nor the simulation's, nor their constants: a checker that repeats the rules of
//! what it checks finds none of their mistakes. A test reads the imports of this folder.
//!
//! | call | when |
//! | --- | --- |
//! | [`Judge::delivered`] | a meter's message has reached the guard's socket |
//! | [`Judge::link_lost`] | the connection has ended, or the program has begun anew |
//! | [`Judge::asked`] | a live request has reached the guard's socket: one that counts, by what was really pressed |
//! | [`Judge::truth`] | as often as you like: does the machine work now? |
//! | [`Judge::sent`], [`Judge::received`] | an order has left the guard, and has reached its outlet |
//!
//! On a real connection [`watch::Watch`] makes these calls, from what passes through a proxy.
//!
//! Whatever can be excused is counted in the [`Tally`], and [`Limits`] say how much of it may be.

mod case;
pub mod publishes;
mod tally;
#[cfg(test)]
mod tests;
pub mod watch;

use std::time::Duration;

use case::{Case, Proof};
pub use tally::{Excuse, Fault, Finding, Limits, Tally};

/// A time, counted from any moment before the scene begins.
pub type At = Duration;

/// What its owner knows of a machine; the numbers that stand in its rules, but not taken from there.
#[derive(Clone, Debug)]
pub struct Machine {
    pub name: String,
    /// Draws more: it works.
    pub busy_watts: f64,
    /// Draws less: it is idle. In between a reading says neither.
    pub quiet_watts: f64,
    /// Idle readings must follow each other for so long before they mean that the machine is done.
    pub dwell: Duration,
    /// Readings further apart than this do not follow each other.
    pub silence_max: Duration,
    /// Work that has lasted longer than this must have shown, or its meter lies or is lost.
    pub unseen_max: Duration,
    /// An order that takes longer on its way must not be carried out.
    pub order_lasts: Duration,
    /// An order that is not confirmed is sent again after so long.
    pub order_repeats: Duration,
    /// A force counts for so long after the request that was held, its waiting included.
    pub window: Duration,
}

/// How exactly the scene's times are known. Nothing on a virtual clock; some of a busy computer's time on a real
/// socket.
#[derive(Clone, Copy, Debug, Default)]
pub struct Tolerance {
    /// What reached the socket so shortly before an order left may have crossed it on the way.
    pub crossing: Duration,
    /// By so much may a dwell look shorter from here than from where it was measured.
    pub dwell: Duration,
}

/// What whoever made the bytes meant by them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Says {
    Watts(f64),
    /// Bytes that mean nothing.
    Rubbish,
}

/// A request as it was meant by whoever pressed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ask {
    /// Anything that can switch nothing off but an idle machine.
    Plain,
    Force,
    Emergency,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    On,
    Off,
}

#[derive(Debug)]
pub struct Judge {
    tolerance: Tolerance,
    cases: Vec<Case>,
    tally: Tally,
}

impl Judge {
    /// The machines are spoken of by their places in this list.
    pub fn new(machines: Vec<Machine>, tolerance: Tolerance) -> Judge {
        Judge { tolerance, cases: machines.into_iter().map(Case::new).collect(), tally: Tally::default() }
    }

    /// One message of a meter, with every record in it and when that was measured. `stored` is the truth and not the
    /// flag: the broker had kept it, so that it says nothing of now.
    pub fn delivered(&mut self, at: At, machine: usize, stored: bool, records: &[(At, Says)]) {
        self.tally.messages += 1;
        if stored {
            self.tally.stored += 1;
            return;
        }
        let mut records = records.to_vec();
        records.sort_by_key(|(measured, _)| *measured);
        self.tally.records += records.len() as u64;
        for (measured, says) in records {
            self.tally.rubbish += u64::from(says == Says::Rubbish);
            self.cases[machine].hear(at, measured, says, self.tolerance.dwell);
        }
    }

    /// What was known of every machine is worth nothing from here on.
    pub fn link_lost(&mut self, at: At) {
        for case in &mut self.cases {
            case.doubt(at, Proof::LinkLost);
        }
    }

    /// A machine's meter or its outlet is another one from here on.
    pub fn rewired(&mut self, at: At, machine: usize) {
        self.cases[machine].doubt(at, Proof::Rewired);
    }

    /// A live request by somebody who may. Stored, late and unlawful ones are nobody's wish, and not to be told.
    pub fn asked(&mut self, at: At, machine: usize, ask: Ask) {
        self.cases[machine].asked(at, ask);
    }

    pub fn truth(&mut self, at: At, machine: usize, works: bool) {
        self.cases[machine].truth(at, works);
    }

    /// An order has left the guard.
    pub fn sent(&mut self, at: At, machine: usize, order: Order) {
        let case = &mut self.cases[machine];
        match order {
            Order::On => case.switched_on(),
            Order::Off => case.judge_sent(at, self.tolerance, &mut self.tally),
        }
    }

    /// An off has reached its outlet; `sent` is when it left the guard.
    pub fn received(&mut self, at: At, machine: usize, sent: At) {
        self.cases[machine].judge_received(at, sent, self.tolerance, &mut self.tally);
    }

    pub fn tally(&self) -> &Tally {
        &self.tally
    }
}
