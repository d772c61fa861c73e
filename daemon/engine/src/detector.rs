//! What the engine knows of one detector on one machine: what it was shown, what it has said since, and what that
//! is worth now. Doubt is decided here, whatever the detector says: a needed signal that is missing or stale, a
//! detector that stopped, a reading it has not looked at.

use std::collections::VecDeque;
use std::sync::Arc;

use super::effect::{Evidence, Finding};
use crate::signals::SignalState;
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::{Assessed, Assessment, DetectorFault, Name, Verdict};
use idlegate_plan::{DetectorUse, Machine, Reports, Signal, SignalIx, Table, indexed};

/// A verdict may change with time alone (a dwell ends), so a detector is asked at least this often.
const LOOK_EVERY: Span = Span::secs(5);
/// And not more often than this, however soon it says its answer may change.
const LOOK_GAP_MIN: Span = Span(100);
/// A new instance is made at most so often, whatever its signals do: a meter whose every second message is nonsense
/// keeps the machine in doubt, and must not keep the worker threads busy with it.
const ANEW_GAP: Span = Span::secs(5);

#[derive(Debug)]
pub(super) struct DetectorState {
    pub(super) generation: u64,
    fed: u64,
    seen: u64,
    /// Feeds with readings that have not been answered, and when they came in. Those of one moment are one entry,
    /// so a stuck worker thread can make this no longer than the time it is stuck, in milliseconds.
    unseen: VecDeque<(u64, Moment)>,
    said: Option<Result<Assessment, DetectorFault>>,
    /// Since when it has said nothing but idle.
    idle_since: Option<Moment>,
    /// After a detector stopped, nothing read before that counts as fresh.
    fresh_after: Option<Moment>,
    next_look: Moment,
    installed_at: Moment,
    /// It was shown readings.
    shown: bool,
    /// What it was shown no longer counts. The contract has no word for that, so another instance takes its place.
    outdated: bool,
}

/// A long-stuck worker is cut off by the host long before this; what is beyond it is as unseen as the rest.
const UNSEEN_MAX: usize = 4_096;

/// What a detector's word is worth at one moment.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Worth {
    pub(super) verdict: Verdict,
    pub(super) reason: Arc<str>,
    pub(super) clears_in: Option<Span>,
    /// From then on a needed reading is stale.
    pub(super) valid_until: Moment,
    pub(super) unseen_since: Option<Moment>,
}

/// The last that a meter said.
struct LastWord {
    good_until: Moment,
    next_is_overdue: bool,
}

impl DetectorState {
    pub(super) fn new(generation: u64, now: Moment) -> DetectorState {
        DetectorState {
            generation,
            fed: 0,
            seen: 0,
            unseen: VecDeque::new(),
            said: None,
            idle_since: None,
            fresh_after: None,
            next_look: now,
            installed_at: now,
            shown: false,
            outdated: false,
        }
    }

    /// One that is shown at its start what the one before it had seen.
    pub(super) fn with_history(generation: u64, now: Moment) -> DetectorState {
        DetectorState { shown: true, ..DetectorState::new(generation, now) }
    }

    /// Something came after what it was shown that puts all of it in doubt.
    pub(super) fn outdate(&mut self, now: Moment) {
        if !self.shown || self.outdated {
            return;
        }
        self.outdated = true;
        self.unseen.clear();
        // One that was taken out stays out; it has no say until its file changes.
        if !self.is_benched() {
            (self.said, self.idle_since) = (None, None);
            self.next_look = now.max(self.installed_at + ANEW_GAP);
        }
    }

    /// Why it gives no answer, unless there was only too much to do.
    pub(super) fn fault(&self) -> Option<&DetectorFault> {
        let said = self.said.as_ref()?.as_ref();
        said.err().filter(|fault| !matches!(fault, DetectorFault::FellBehind(_)))
    }

    pub(super) fn has_answered(&self) -> bool {
        matches!(self.said, Some(Ok(_)))
    }

    pub(super) fn is_outdated(&self) -> bool {
        self.outdated
    }

    /// Whether it is time to put another instance in its place.
    pub(super) fn gives_way(&self, now: Moment) -> bool {
        self.outdated && !self.is_benched() && self.installed_at + ANEW_GAP <= now
    }

    fn is_benched(&self) -> bool {
        matches!(self.said, Some(Err(DetectorFault::Quarantined(_))))
    }

    /// A feed with readings: until it is answered, the detector has not seen everything.
    pub(super) fn feed(&mut self, now: Moment) -> u64 {
        self.shown = true;
        self.fed += 1;
        let same_moment = self.unseen.back().is_some_and(|(_, at)| *at == now);
        let no_room = self.unseen.len() >= UNSEEN_MAX;
        match self.unseen.back_mut() {
            // The last feed of one moment stands for all of them.
            Some(last) if same_moment || no_room => last.0 = self.fed,
            Some(_) | None => self.unseen.push_back((self.fed, now)),
        }
        self.fed
    }

    /// A feed without readings, only to ask again.
    pub(super) fn look(&mut self, now: Moment) -> u64 {
        self.fed += 1;
        self.next_look = now + LOOK_EVERY;
        self.fed
    }

    /// Takes an answer; false if it belongs to an instance that was replaced, or is older than one already here.
    pub(super) fn take(&mut self, now: Moment, assessed: Assessed) -> bool {
        if self.outdated || assessed.generation != self.generation || assessed.feed < self.seen {
            return false;
        }
        self.seen = assessed.feed;
        while self.unseen.front().is_some_and(|(feed, _)| *feed <= self.seen) {
            self.unseen.pop_front();
        }
        self.next_look = now + LOOK_EVERY;
        match &assessed.outcome {
            Ok(assessment) => {
                if let Some(clears_in) = assessment.clears_in {
                    self.next_look = now + clears_in.clamp(LOOK_GAP_MIN, LOOK_EVERY);
                }
            }
            Err(_) => self.fresh_after = Some(now),
        }
        let idle = assessed.outcome.as_ref().is_ok_and(|assessment| assessment.verdict == Verdict::Idle);
        self.idle_since = if idle { self.idle_since.or(Some(now)) } else { None };
        self.said = Some(assessed.outcome);
        true
    }

    /// When it is to be asked again, or to be replaced.
    pub(super) fn next_look(&self) -> Option<Moment> {
        (!self.outdated || !self.is_benched()).then_some(self.next_look)
    }

    pub(super) fn worth(
        &self,
        now: Moment,
        uses: &DetectorUse,
        machine: &Machine,
        signals: &Table<SignalIx, SignalState>,
    ) -> Worth {
        let unseen_since = self.unseen.front().map(|(_, at)| *at);
        let unknown = |reason: Arc<str>, valid_until| Worth {
            verdict: Verdict::Unknown,
            reason,
            clears_in: None,
            valid_until,
            unseen_since,
        };
        // Before anything is said of its readings, which may be coming in as ever: nobody is to look for the fault
        // there.
        if let Some(Err(fault)) = &self.said {
            return unknown(fault_reason(fault).into(), Moment(u64::MAX));
        }
        // The message that could not be read may have been the one that shows a job; so it may on a signal that is not
        // needed.
        if let Some(why) = uses.signals.iter().flatten().find_map(|signal| signals[*signal].doubt()) {
            return unknown(why.clone(), now);
        }
        let mut valid_until = Moment(u64::MAX);
        let mut overdue = false;
        let needed = uses.signals.iter().zip(&uses.needed).filter(|(_, needed)| **needed);
        for (signal, _) in needed {
            let Some(signal) = *signal else {
                return unknown("its detector lacks a signal that it needs".into(), now);
            };
            match self.last_word(now, &machine.signals[signal], &signals[signal]) {
                Err((why, valid_until)) => return unknown(why.into(), valid_until),
                Ok(word) => {
                    valid_until = valid_until.min(word.good_until);
                    overdue |= word.next_is_overdue;
                }
            }
        }
        let Some(Ok(assessment)) = &self.said else {
            return unknown("its detector has not said anything yet".into(), valid_until);
        };
        if let Some(name) = self.unproved(uses, machine, signals) {
            let told = format!("{}; waiting for a sign of life from the meter of {name}", assessment.reason);
            return unknown(told.into(), valid_until);
        }
        Worth {
            verdict: assessment.verdict,
            reason: assessment.reason.clone(),
            clears_in: assessment.clears_in.filter(|_| !overdue),
            valid_until,
            unseen_since,
        }
    }

    /// What is known of a signal that it needs; or why nothing is, and until when that is so at most.
    fn last_word(
        &self,
        now: Moment,
        rules: &Signal,
        signal: &SignalState,
    ) -> Result<LastWord, (String, Moment)> {
        let name = &rules.name;
        if signal.comes_flagged() {
            let remedy =
                "set sender_stores = true for this signal, if its sender always has its readings stored";
            let told = format!("readings of {name} come marked as stored, and may be old ones: {remedy}");
            return Err((told, now));
        }
        let Some(read_at) = signal.known_at() else {
            let since = if signal.is_cut_off() { "since the broker was lost" } else { "yet" };
            let speaks = match &rules.reports {
                Reports::Steadily => "",
                Reports::OnChange(_) => "; its meter speaks only when its value changes",
            };
            return Err((format!("no reading of {name} {since}{speaks}"), now));
        };
        if self.fresh_after.is_some_and(|after| read_at <= after) {
            return Err((format!("its detector stopped, and no reading of {name} has come since"), now));
        }
        let good_until = read_at + rules.silent_max();
        if good_until <= now {
            return Err((format!("no reading of {name} for {}", now.since(read_at)), now));
        }
        if let Some(same_for) = signal.stuck_for(rules) {
            let told = format!("{name} has not moved for {same_for}, so its meter may be stuck");
            return Err((told, good_until));
        }
        // The detector counts on readings to come. A meter that has been silent for so long has missed one, or speaks
        // only when its value changes, and then the time would run out and nothing happen.
        let next_is_overdue = rules.on_change().is_none() && read_at + Span(rules.stale_after.0 / 2) <= now;
        Ok(LastWord { good_until, next_is_overdue })
    }

    /// Its verdict, and, as it said itself, after how much time it calls the machine idle if nothing changes.
    pub(super) fn says(
        &self,
        now: Moment,
        uses: &DetectorUse,
        machine: &Machine,
        signals: &Table<SignalIx, SignalState>,
    ) -> (Verdict, Option<Span>) {
        let clears_in = self.said.as_ref().and_then(|said| said.as_ref().ok()?.clears_in);
        (self.worth(now, uses, machine, signals).verdict, clears_in)
    }

    /// A signal by whose silence alone the machine is taken for idle, if there is one.
    fn unproved<'m>(
        &self,
        uses: &DetectorUse,
        machine: &'m Machine,
        signals: &Table<SignalIx, SignalState>,
    ) -> Option<&'m Name> {
        let since = self.idle_since?;
        let mut wired =
            uses.signals.iter().flatten().map(|signal| (&machine.signals[*signal], &signals[*signal]));
        let unproved = wired.find(|(rules, state)| rules.on_change().is_some() && !state.proves(since));
        unproved.map(|(rules, _)| &rules.name)
    }

    pub(super) fn finding(
        &self,
        now: Moment,
        uses: &DetectorUse,
        machine: &Machine,
        signals: &Table<SignalIx, SignalState>,
    ) -> Finding {
        let worth = self.worth(now, uses, machine, signals);
        let evidence = match &self.said {
            Some(Ok(assessment)) => assessment.evidence.as_slice(),
            Some(Err(_)) | None => &[],
        };
        let readings = evidence.iter().map(|(signal, reading)| {
            let index =
                indexed(&machine.signals).find(|(_, rules)| rules.name == *signal).map(|(index, _)| index);
            let unit = index.map_or("", |index| machine.signals[index].unit()).into();
            let unchanged = index.is_some_and(|index| signals[index].is_unchanged(reading.at));
            // It is as old as it was when its meter spoke last.
            let read_at = index.filter(|_| unchanged).and_then(|index| signals[index].fresh_at());
            let age = now.since(read_at.unwrap_or(reading.at));
            Evidence { signal: signal.clone(), unit, reading: reading.clone(), age, unchanged }
        });
        Finding {
            detector: uses.name.clone(),
            verdict: worth.verdict,
            reason: worth.reason,
            role: uses.role,
            clears_in: worth.clears_in,
            readings: readings.collect(),
        }
    }
}

pub(super) fn fault_reason(fault: &DetectorFault) -> String {
    match fault {
        DetectorFault::NotLoaded(why) => format!("its detector is not loaded: {why}"),
        DetectorFault::Stopped(why) => format!("its detector stopped: {why}"),
        DetectorFault::FellBehind(why) => format!("its detector fell behind: {why}"),
        DetectorFault::Quarantined(why) => {
            format!("its detector kept stopping and was taken out of use: {why}")
        }
    }
}
