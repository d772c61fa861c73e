//! What truly happened, worked out from the script alone: from who asked, when the machine worked, and when its outlet
//! went off.

use super::workshop::{Act, Input, Script};

const TEN_SECS: u64 = 10_000;
/// Until then the guard has seen that a job is over.
const FIVE_MIN: u64 = 300_000;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Off,
    Held,
    Deferred,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Outcome {
    AsDecided,
    Cut,
    LeftOn,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Ask {
    at: u64,
    pub(super) kind: Kind,
}

#[derive(Debug)]
pub(super) struct Books {
    /// For an off, of a machine that was on or had gone off by the very same press.
    pub(super) asks: Vec<Ask>,
    /// Of each.
    pub(super) outcomes: Vec<Outcome>,
    /// When a working machine went off, and what was asked for then.
    pub(super) cuts: Vec<(u64, Option<Kind>)>,
    pub(super) whole_jobs: usize,
    /// Offs that belong to no request, or to one of before a restart, which the guard no longer knew of.
    pub(super) unasked_offs: usize,
}

/// The outlet as it was, and who asked for what.
struct Past<'a> {
    script: &'a Script,
    presses: Vec<(u64, Input)>,
    offs: Vec<u64>,
    ons: Vec<u64>,
}

fn is_near(one: u64, other: u64) -> bool {
    one.abs_diff(other) < TEN_SECS
}

impl Past<'_> {
    fn of(script: &Script) -> Past<'_> {
        let switched = |to: bool| {
            let times = script.all(|act| (*act == Act::Outlet(to)).then_some(()));
            times.into_iter().map(|(at, ())| at).collect()
        };
        let presses = script.all(|act| match act {
            Act::Press(input) => Some(*input),
            _ => None,
        });
        Past { script, presses, offs: switched(false), ons: switched(true) }
    }

    fn works(&self, at: u64) -> bool {
        self.script.jobs.iter().any(|(from, until)| (*from..*until).contains(&at))
    }

    fn is_on(&self, at: u64) -> bool {
        let last = |times: &[u64]| times.iter().copied().rfind(|time| *time < at);
        last(&self.offs).is_none_or(|off| last(&self.ons).is_some_and(|on| on > off))
    }

    /// An off belongs to the last press before it, else to the next one after it.
    fn owner(&self, off: u64) -> Option<u64> {
        let near = || self.presses.iter().map(|(at, _)| *at).filter(|at| is_near(*at, off));
        near().rfind(|at| *at <= off && self.is_on(*at)).or_else(|| near().find(|at| *at > off))
    }

    fn restarted_between(&self, from: u64, until: u64) -> bool {
        self.script.absences().iter().any(|at| (from..until).contains(at))
    }

    /// What was asked for at this press, and what came of it; nothing where it was off before.
    fn judged(&self, at: u64, input: Input) -> Option<(Kind, Outcome)> {
        let its = self.offs.iter().copied().find(|off| self.owner(*off) == Some(at));
        if !self.is_on(at) && its.is_none() {
            return None;
        }
        let kind = match (self.works(its.unwrap_or(at).min(at) - 1), input) {
            (false, _) => Kind::Off,
            (true, Input::Night) => Kind::Deferred,
            (true, Input::Bench | Input::Panel) => Kind::Held,
        };
        // A press again does not undo what the first one asked for.
        let later = || self.offs.iter().any(|off| *off >= at && is_near(*off, at));
        let outcome = match kind {
            Kind::Off if its.is_some() || later() => Outcome::AsDecided,
            Kind::Off => Outcome::LeftOn,
            Kind::Held | Kind::Deferred if its.is_some() => Outcome::Cut,
            Kind::Held | Kind::Deferred => Outcome::AsDecided,
        };
        Some((kind, outcome))
    }
}

impl Books {
    pub(super) fn of(script: &Script) -> Books {
        let past = Past::of(script);
        let judged = past.presses.iter().filter_map(|(at, input)| Some((*at, past.judged(*at, *input)?)));
        let (asks, outcomes): (Vec<Ask>, Vec<Outcome>) =
            judged.map(|(at, (kind, outcome))| (Ask { at, kind }, outcome)).unzip();
        let cut = past.offs.iter().filter(|off| past.works(**off - 1)).map(|off| {
            let near = asks.iter().filter(|ask| ask.at.abs_diff(*off) <= TEN_SECS);
            (*off, near.min_by_key(|ask| ask.at.abs_diff(*off)).map(|ask| ask.kind))
        });
        let cuts = cut.collect();
        let unasked = |off: &&u64| past.owner(**off).is_none_or(|press| past.restarted_between(press, **off));
        let is_whole = |(from, until): &&(u64, u64)| {
            !past.offs.contains(until) && !past.restarted_between(*from, *until + FIVE_MIN)
        };
        Books {
            unasked_offs: past.offs.iter().filter(unasked).count(),
            whole_jobs: script.jobs.iter().filter(is_whole).count(),
            asks,
            outcomes,
            cuts,
        }
    }
}
