//! When a signal is not known although it was: a message of its meter that could not be read, a clock of its meter that
//! went back, a connection that was lost. Nothing read before that counts any more.

use std::sync::Arc;

use super::state::{DISORDER_TOLERATED, NoReading, SignalState};
use crate::intake::Rejection;
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::Signal;
use idlegate_plan::event::Reading;

/// As many as one message may hold.
const RECENT_MAX: usize = 1_024;
/// A line that was slow once may be taken for slower than it is by this much: readings seem older by it.
const SLOWER_MAX: Span = Span(2_000);

impl SignalState {
    /// A live message was no reading. It may have been the one that shows a job, so from now on nothing is known, until
    /// one can be read again. Says whether it was so: a message that only speaks of something else is passed over.
    pub fn doubt_message(&mut self, now: Moment, rules: &Signal, fault: &NoReading) -> bool {
        if fault.says_nothing() {
            return false;
        }
        self.set_aside(now);
        self.doubt = Some(clause(rules, fault).into());
        self.unusable = true;
        true
    }

    /// A connection was lost or begins; whatever was measured until then is perhaps not the newest that was.
    pub(crate) fn cut_off(&mut self, until: Moment, lost: bool) {
        self.cut_off |= lost || self.latest.is_some();
        // The next message shows it anew; the doubt itself lasts.
        self.unusable = false;
        // The next connection has a line of its own.
        self.lag = Span::ZERO;
        self.set_aside(until);
    }

    /// A reading older than the newest by its own stamp, though it came in later, and saying something else. Either it
    /// was late, or the meter's clock, or ours, was set: then the newest is not the newest, and every reading would be
    /// dropped for as long as it takes the stamps to catch up. Nobody can tell which from here, so nothing is known
    /// until they have moved on past where they were. No shorter way out is safe: a clock that stays back makes
    /// readings as old as they say, and so they were stale anyway. One that says the same as the newest adds nothing,
    /// such as a message that is delivered twice.
    pub(super) fn older_by_its_stamp(&mut self, reading: &Reading) {
        let latest = self.latest.as_ref().filter(|latest| latest.value != reading.value);
        let Some(latest) = latest.filter(|_| !self.repeats(reading)) else { return };
        let (at, back) = (latest.at, latest.at.since(reading.at));
        self.set_aside(at);
        (self.went_back, self.unusable) = (true, true);
        self.doubt = Some(format!("the time in the meter's messages has gone back by {back}").into());
    }

    /// Whether a reading was among the last: some senders put the last few into each message once more.
    fn repeats(&self, reading: &Reading) -> bool {
        let from = self.recent.partition_point(|known| known.at + DISORDER_TOLERATED < reading.at);
        let near = self.recent.iter().skip(from);
        near.take_while(|known| known.at <= reading.at + DISORDER_TOLERATED)
            .any(|known| known.value == reading.value)
    }

    /// Remembers a reading that bore a time of its own, so that it is known when it comes once more.
    pub(super) fn remember(&mut self, reading: &Reading) {
        if self.recent.len() >= RECENT_MAX {
            self.recent.pop_front();
        }
        self.recent.push_back(reading.clone());
    }

    /// Whether the message just taken held a reading that put what was known in doubt. What it held besides may have
    /// ended the doubt again, and yet no detector may go on from what it knew before.
    pub(crate) fn went_back(&mut self) -> bool {
        std::mem::take(&mut self.went_back)
    }

    /// Why it is not known, though its meter speaks.
    pub fn doubt(&self) -> Option<&Arc<str>> {
        self.doubt.as_ref()
    }

    /// Why what its meter sends cannot be used.
    pub(crate) fn unusable(&self) -> Option<&Arc<str>> {
        self.doubt.as_ref().filter(|_| self.unusable)
    }

    /// Nothing has been read since the connection was lost.
    pub(crate) fn is_cut_off(&self) -> bool {
        self.cut_off
    }

    /// The arrival of a message that may have waited for so long, and whether the line stood still before it.
    ///
    /// How long a message may have waited is known roughly, and that messages come in their order exactly. So an
    /// arrival is never before that of the message ahead of it, and between two of them never lies more time than has
    /// passed: else a dwell would seem whole that is not. For this the line is taken for as slow as it has been, and
    /// when that is far too slow, nothing from before is compared with what comes after.
    pub fn arrival(&mut self, now: Moment, waited: Span, rules: &Signal) -> (Moment, bool) {
        let slower_by_at_most = SLOWER_MAX.min(Span(rules.stale_after.0 / 4));
        let moves_again = Span(waited.0.saturating_add(slower_by_at_most.0)) < self.lag;
        self.lag = if moves_again { waited } else { self.lag.max(waited) };
        self.last_arrival = self.last_arrival.max(now - self.lag);
        (self.last_arrival, moves_again)
    }

    /// What was read until then is only shown from now on.
    pub(super) fn set_aside(&mut self, until: Moment) {
        self.forget_life();
        self.counts_after = self.counts_after.max(Some(until));
        if let Some(latest) = self.latest.take() {
            self.stored = Some(latest);
        }
    }
}

/// What people can look for: what the meter said, and what was expected of it.
fn clause(rules: &Signal, fault: &NoReading) -> String {
    let name = &rules.name;
    match fault {
        NoReading::Rejected(Rejection::NotANumber(said) | Rejection::NotFinite(said)) => {
            format!("what the meter says is no number: {said:?} ({name})")
        }
        NoReading::Rejected(Rejection::DecimalComma(said)) => {
            format!(
                "what the meter says is no number: {said:?} ({name}); if it writes a decimal comma, set decimal = \",\""
            )
        }
        NoReading::Rejected(Rejection::Empty) => format!("the meter sent an empty message ({name})"),
        NoReading::Rejected(rejection) => format!("what the meter says cannot be read: {rejection} ({name})"),
        NoReading::Implausible { value, least, most } => {
            let unit = Some(rules.unit()).filter(|unit| !unit.is_empty());
            let unit = unit.map(|unit| format!(" {unit}")).unwrap_or_default();
            format!("the meter says {value}{unit}, and only {least} to {most} is plausible ({name})")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signals::Arrived;
    use idlegate_plan::event::{Name, Value};
    use idlegate_plan::{NumberSignal, SignalKind, Source, ValuePath};

    fn power(path: ValuePath) -> Signal {
        Signal {
            name: Name::new("power").unwrap(),
            source: Source { filter: "meters/1".into(), path },
            kind: SignalKind::Number(NumberSignal {
                unit: "W".into(),
                scale: 1.0,
                offset: 0.0,
                plausible: (-5.0, 4_000.0),
                ..NumberSignal::default()
            }),
            stale_after: Span::secs(30),
            stuck_after: None,
            sender_stores: false,
            reports: idlegate_plan::Reports::Steadily,
        }
    }

    fn said(path: ValuePath, payload: &[u8]) -> Option<String> {
        let rules = power(path);
        let mut signal = SignalState::default();
        signal.accept(Value::Number(3.0), Moment(1), false);
        let arrived = Arrived { at: Moment(2), retained: false, flagged: false, now: None };
        let fault = signal.take(&rules, payload, arrived).unwrap_err();
        let doubted = signal.doubt_message(Moment(2), &rules, &fault);
        assert_eq!(doubted, signal.fresh_at().is_none(), "{fault}");
        signal.doubt().map(ToString::to_string)
    }

    #[test]
    fn what_cannot_be_read_is_told_so_that_somebody_can_act_on_it() {
        for (payload, told) in [
            (
                "0,048",
                r#"what the meter says is no number: "0,048" (power); if it writes a decimal comma, set decimal = ",""#,
            ),
            ("overload", r#"what the meter says is no number: "overload" (power)"#),
            ("", "the meter sent an empty message (power)"),
            ("999999", "the meter says 999999 W, and only -5 to 4000 is plausible (power)"),
        ] {
            assert_eq!(said(ValuePath::Whole, payload.as_bytes()).as_deref(), Some(told));
        }
        let reactive = br#"[{"n":"p","u":"kvar","v":0.1}]"#;
        let told = "what the meter says cannot be read: the payload gives its value in \"kvar\", and the rules take it \
                    for \"W\" (power)";
        assert_eq!(said(ValuePath::SenmlName("p".into()), reactive).as_deref(), Some(told));
    }

    #[test]
    fn a_message_about_something_else_leaves_the_signal_as_it_was() {
        assert_eq!(said(ValuePath::JsonPointer("/w".into()), br#"{"volts":230}"#), None);
        assert_eq!(said(ValuePath::SenmlName("p".into()), br#"[{"n":"noise","v":60}]"#), None);
        assert!(said(ValuePath::JsonPointer("/w".into()), br#"{"w":null}"#).is_some());
    }

    #[test]
    fn nothing_from_before_a_doubt_counts_after_it_and_the_next_reading_ends_it() {
        let mut signal = SignalState::default();
        let reads = |signal: &mut SignalState, at: u64, watts: f64| {
            signal.accept(Value::Number(watts), Moment(at * 1_000), false).is_some()
        };
        assert!(reads(&mut signal, 10, 3.0));
        signal.cut_off(Moment(20_000), true);
        assert!(signal.is_cut_off() && signal.latest().is_some());
        assert!(!reads(&mut signal, 19, 3.0), "what was buffered during the outage");
        assert!(reads(&mut signal, 21, 3.0));
        assert!(!signal.is_cut_off());
        assert_eq!(signal.fresh_at(), Some(Moment(21_000)));
    }

    /// Senders differ: some put the last few readings into each message again, some send late what they could not send.
    #[test]
    fn a_pack_that_repeats_what_is_known_is_sound_and_one_that_knows_of_work_in_between_is_doubt() {
        let rules = power(ValuePath::SenmlName("p".into()));
        let mut signal = SignalState::default();
        let mut takes = |at: u64, records: &str| {
            let arrived = Arrived { at: Moment(at), retained: false, flagged: false, now: None };
            let taken = signal.take(&rules, records.as_bytes(), arrived).unwrap();
            (taken.len(), signal.went_back())
        };
        let first = r#"[{"n":"p","t":-2,"v":3},{"n":"p","t":-1,"v":4},{"n":"p","v":5}]"#;
        assert_eq!(takes(60_000, first), (3, false));
        let once_more = r#"[{"n":"p","t":-2,"v":4},{"n":"p","t":-1,"v":5},{"n":"p","v":6}]"#;
        assert_eq!(takes(61_100, once_more), (2, false));
        let work = r#"[{"n":"p","t":-3,"v":455},{"n":"p","v":3}]"#;
        assert_eq!(takes(62_000, work), (1, true), "what is known since does not undo that it was at work");
    }

    #[test]
    fn a_clock_that_goes_back_is_doubt_until_it_has_caught_up() {
        let mut signal = SignalState::default();
        let mut reads = |at: u64, watts: f64| {
            let taken = signal.accept(Value::Number(watts), Moment(at), false).is_some();
            (taken, signal.doubt().is_some())
        };
        assert_eq!(reads(60_000, 3.0), (true, false));
        assert_eq!(reads(59_700, 3.5), (true, false), "a coarse clock");
        assert_eq!(reads(50_000, 3.5), (false, false), "delivered twice");
        assert_eq!(reads(41_000, 800.0), (false, true));
        assert_eq!(reads(42_000, 800.0), (false, true));
        assert_eq!(reads(60_000, 800.0), (false, true));
        assert_eq!(reads(61_000, 800.0), (true, false));
    }
}
