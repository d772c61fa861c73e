//! One signal of one machine. Only what is plausible, finite and newer than the last becomes a reading.

use std::collections::VecDeque;
use std::sync::Arc;

use super::life::Life;
use crate::intake::{self, Decoded, Rejection, RejectionCounts};
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_plan::event::{Message, Reading, Value};
use idlegate_plan::{NumberSignal, Signal, SignalKind};

#[derive(Clone, Debug, Default)]
pub struct SignalState {
    pub(super) latest: Option<Reading>,
    /// What the broker had stored, and when it was handed over. It may be from last week, so it is only shown, and only
    /// until something live comes in.
    pub(super) stored: Option<Reading>,
    /// Since when every reading has been exactly the newest one.
    same_since: Moment,
    /// Readings come in live, and with the flag of stored ones.
    comes_flagged: bool,
    /// Readings from then and before do not count: something came after them that put everything in doubt.
    pub(super) counts_after: Option<Moment>,
    /// Why nothing is known, though messages come in.
    pub(super) doubt: Option<Arc<str>>,
    /// It is for what the meter sends, and not for a silence.
    pub(super) unusable: bool,
    pub(super) cut_off: bool,
    pub(super) last_arrival: Moment,
    /// How long messages seem to be on their way.
    pub(super) lag: Span,
    /// The last readings that bore a time of their own, in order of time.
    pub(super) recent: VecDeque<Reading>,
    pub(super) went_back: bool,
    pub(super) life: Life,
    counters: RejectionCounts,
}

/// A meter's coarse clock, or one message that waited longer than the one ahead of it, may set stamps back by this
/// much. Such readings are believed in the order in which they came.
pub(super) const DISORDER_TOLERATED: Span = Span(500);

/// The way a message came in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Arrived {
    /// When it came in, or, if it may have waited, the earliest it can have been sent.
    pub at: Moment,
    /// It counts as stored: how things were, nobody knows when.
    pub retained: bool,
    /// It came live, and counts as stored only for the flag that its sender put on it.
    pub flagged: bool,
    /// Both clocks at the time of looking, for payloads that name their own time. Without them such a time is left
    /// aside.
    pub now: Option<Now>,
}

impl Arrived {
    pub fn of(message: &Message, rules: &Signal, at: Moment, now: Now) -> Arrived {
        let retained = message.stored(rules.sender_stores);
        Arrived { at, retained, flagged: retained && message.proved, now: Some(now) }
    }
}

/// Why a message on a signal's topic is no reading of it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoReading {
    #[error(transparent)]
    Rejected(#[from] Rejection),
    #[error("{value} is outside of what is plausible, {least} to {most}")]
    Implausible { value: f64, least: f64, most: f64 },
}

impl NoReading {
    /// One word for counters; the message says the rest.
    pub const fn word(&self) -> &'static str {
        match self {
            NoReading::Rejected(rejection) => rejection.word(),
            NoReading::Implausible { .. } => "implausible",
        }
    }

    /// Whether the message is sound and only speaks of something else, so that the signal is as it was. Anything else
    /// is word of the signal that cannot be understood.
    pub const fn says_nothing(&self) -> bool {
        match self {
            NoReading::Rejected(rejection) => rejection.says_nothing(),
            NoReading::Implausible { .. } => false,
        }
    }
}

impl SignalState {
    pub fn new(_rules: &Signal) -> SignalState {
        SignalState::default()
    }

    /// Takes a message in, with all its readings or none of them. What comes back is new, oldest first: without what is
    /// older than the reading already here, or of unknown age; that is shown to people, but to no detector.
    ///
    /// A payload that names its own time makes the reading as old as it says, and never newer than its arrival: what a
    /// meter had buffered while it was out of reach says nothing about now.
    pub fn take(
        &mut self,
        rules: &Signal,
        payload: &[u8],
        arrived: Arrived,
    ) -> Result<Vec<Reading>, NoReading> {
        let read = read(rules, payload).inspect_err(|why| self.counters.count(why.word()))?;
        self.comes_flagged |= arrived.flagged;
        if arrived.flagged {
            self.contradict(arrived.at, rules, &read);
        }
        let mut accepted = Vec::with_capacity(read.len());
        for Decoded { value, stamp } in read {
            let stamped = stamp != intake::Stamp::Arrival;
            let at = match (stamp, arrived.now) {
                (intake::Stamp::Wall(_), None) => arrived.at,
                (stamp, now) => stamp.moment(arrived.at, now.unwrap_or_default()),
            };
            let Some(reading) = self.accept(value, at, arrived.retained) else { continue };
            if stamped {
                self.remember(&reading);
            }
            accepted.push(self.in_order(reading));
        }
        if !accepted.is_empty() {
            self.spoke(arrived.at);
        }
        Ok(accepted)
    }

    /// Takes a value that has been read already, as from a recording. Of two from the same time the later to come
    /// counts: meters with a coarse clock send several readings in one second.
    pub fn accept(&mut self, value: Value, at: Moment, retained: bool) -> Option<Reading> {
        // No caller should bring one; a detector must not see it in any case.
        if matches!(value, Value::Number(number) if !number.is_finite()) {
            self.counters.count("not-finite");
            return None;
        }
        let mut reading = Reading { at, value };
        if retained {
            self.stored = Some(reading);
            return None;
        }
        match &self.latest {
            Some(latest) if latest.at.since(at) > DISORDER_TOLERATED => {
                self.counters.count("older");
                self.older_by_its_stamp(&reading);
                return None;
            }
            Some(latest) => reading.at = at.max(latest.at),
            None if self.counts_after.is_some_and(|doubtful| at <= doubtful) => {
                self.counters.count("older");
                return None;
            }
            None => {}
        }
        if self.latest.as_ref().is_none_or(|latest| latest.value != reading.value) {
            self.same_since = reading.at;
        }
        (self.doubt, self.unusable, self.cut_off) = (None, false, false);
        self.latest = Some(reading.clone());
        Some(reading)
    }

    /// For people: the newest live reading, or what the broker had stored if there is none.
    pub fn latest(&self) -> Option<&Reading> {
        self.latest.as_ref().or(self.stored.as_ref())
    }

    /// The time of the newest reading whose age is known.
    pub(crate) fn fresh_at(&self) -> Option<Moment> {
        self.latest.as_ref().map(|latest| latest.at)
    }

    /// Its readings do not count, only because their sender has each of them stored.
    pub(crate) fn comes_flagged(&self) -> bool {
        self.comes_flagged && self.latest.is_none()
    }

    /// For how long the meter has read exactly the same, if that is too long to be true. Only readings show it: a
    /// silence does not.
    pub(crate) fn stuck_for(&self, rules: &Signal) -> Option<Span> {
        let same_for = self.fresh_at()?.since(self.same_since);
        rules.stuck_after.and_then(|longest| (same_for >= longest).then_some(same_for))
    }

    /// How often a message on the signal's topic was no reading, and why.
    pub fn counters(&self) -> &RejectionCounts {
        &self.counters
    }
}

/// What a message says of a signal, oldest first and at least one value; when one of several is none, all are refused.
/// The guard, `record` and `checkup` read messages by this and by nothing else.
pub fn read(rules: &Signal, payload: &[u8]) -> Result<Vec<Decoded<Value>>, NoReading> {
    let path = &rules.source.path;
    match &rules.kind {
        SignalKind::Number(number) => {
            let read = intake::decode_numbers(path, number, payload)?;
            read.into_iter().map(|Decoded { value, stamp }| plausible(number, value, stamp)).collect()
        }
        // No message is one of a machine's state.
        SignalKind::Text | SignalKind::Machine(_) => {
            let read = intake::decode_texts(path, payload)?;
            let value = |Decoded { value, stamp }: Decoded<String>| Decoded {
                value: Value::Text(value.into()),
                stamp,
            };
            Ok(read.into_iter().map(value).collect())
        }
    }
}

fn plausible(rules: &NumberSignal, value: f64, stamp: intake::Stamp) -> Result<Decoded<Value>, NoReading> {
    let (least, most) = rules.plausible;
    // A scale may have made it infinite.
    if value.is_finite() && value >= least && value <= most {
        Ok(Decoded { value: Value::Number(value), stamp })
    } else {
        Err(NoReading::Implausible { value, least, most })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_plan::event::Name;
    use idlegate_plan::{Source, ValuePath};

    fn live(at: u64) -> Arrived {
        Arrived { at: Moment(at), retained: false, flagged: false, now: None }
    }

    fn power() -> Signal {
        Signal {
            name: Name::new("power").unwrap(),
            source: Source { filter: "meters/1".into(), path: ValuePath::Whole },
            kind: SignalKind::Number(NumberSignal {
                unit: "W".into(),
                scale: 1000.0,
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

    #[test]
    fn a_reading_is_scaled_and_fresh() {
        let mut signal = SignalState::new(&power());
        let readings = signal.take(&power(), b"0.118", live(5)).unwrap();
        assert_eq!(readings, [Reading { at: Moment(5), value: Value::Number(118.0) }]);
        assert_eq!(signal.fresh_at(), Some(Moment(5)));
    }

    #[test]
    fn nonsense_never_becomes_a_reading() {
        let mut signal = SignalState::new(&power());
        for payload in ["NaN", "-1", "99", "1e308", "off"] {
            assert!(signal.take(&power(), payload.as_bytes(), live(5)).is_err(), "{payload}");
        }
        assert_eq!(signal.accept(Value::Number(f64::NAN), Moment(5), false), None);
        assert_eq!(signal.latest(), None);
        let counted: Vec<_> = signal.counters().iter().collect();
        assert_eq!(counted, [("implausible", 3), ("not-a-number", 2), ("not-finite", 1)]);
        assert_eq!(signal.counters().total(), 6);
    }

    #[test]
    fn an_older_reading_never_replaces_a_newer_one() {
        let mut signal = SignalState::new(&power());
        signal.accept(Value::Number(1.0), Moment(9_000), false);
        assert_eq!(signal.accept(Value::Number(1.0), Moment(8_000), false), None);
        assert!(
            signal.accept(Value::Number(3.0), Moment(9_000), false).is_some(),
            "of two at one time the later counts"
        );
        assert_eq!(signal.latest().unwrap().value, Value::Number(3.0));
    }

    #[test]
    fn a_stored_reading_is_shown_but_not_fresh() {
        let mut signal = SignalState::new(&power());
        assert_eq!(signal.accept(Value::Number(30.0), Moment(9), true), None);
        assert!(signal.latest().is_some());
        assert_eq!(signal.fresh_at(), None);
    }

    #[test]
    fn a_stored_reading_never_stands_in_the_way_of_a_live_one() {
        let mut signal = SignalState::new(&power());
        signal.accept(Value::Number(30.0), Moment(9), true);
        // It had waited a while, so it is taken for older than the moment at which the broker handed its store over.
        assert!(signal.accept(Value::Number(600.0), Moment(7), false).is_some());
        // After a reconnect the broker hands its store over again.
        signal.accept(Value::Number(30.0), Moment(20), true);
        assert_eq!(signal.latest().unwrap().value, Value::Number(600.0));
        assert_eq!(signal.fresh_at(), Some(Moment(7)));
    }

    /// A frozen meter goes on sending its last value while the machine begins to work.
    #[test]
    fn a_meter_that_reads_exactly_the_same_for_long_is_stuck_until_it_moves() {
        let rules = Signal { stuck_after: Some(Span::secs(60)), ..power() };
        let mut signal = SignalState::new(&rules);
        let mut at = |secs: u64, watts: f64| {
            signal.accept(Value::Number(watts), Moment(secs * 1_000), false);
            signal.stuck_for(&rules)
        };
        assert_eq!([at(0, 3.1), at(30, 3.2), at(89, 3.2)], [None; 3]);
        assert_eq!(at(90, 3.2), Some(Span::secs(60)));
        assert_eq!(at(500, 3.2), Some(Span::secs(470)));
        assert_eq!(at(501, 3.1), None, "it moves");
        assert_eq!(at(900, 3.2), None, "a silence is for stale_after to judge");
        assert_eq!(SignalState::new(&rules).stuck_for(&rules), None);
        let unset = SignalState { same_since: Moment(0), ..signal };
        assert_eq!(unset.stuck_for(&power()), None);
    }

    fn senml(scale: f64) -> Signal {
        let mut rules = power();
        rules.source.path = ValuePath::SenmlName("mill/power".into());
        let SignalKind::Number(number) = &mut rules.kind else { unreachable!() };
        number.scale = scale;
        rules
    }

    /// A meter's clock may be ahead, and some meters send later what they could not send in time.
    #[test]
    fn a_reading_is_as_old_as_its_payload_says_and_never_fresher_than_its_arrival() {
        let now = Now { moment: Moment(5_000_000), wall: idlegate_guard::time::WallTime(1_764_000_000_000) };
        let arrived = Arrived { at: now.moment, retained: false, flagged: false, now: Some(now) };
        for (time, at) in [
            (r#""t":-60"#, 4_940_000),
            (r#""t":-4000"#, 1_000_000),
            (r#""t":60"#, 5_000_000),
            (r#""bt":1763999940"#, 4_940_000),
            (r#""bt":1764000060"#, 5_000_000),
            (r#""u":"W""#, 5_000_000),
        ] {
            let payload = format!(r#"[{{"n":"mill/power",{time},"v":118}}]"#);
            let taken = SignalState::new(&senml(1.0)).take(&senml(1.0), payload.as_bytes(), arrived);
            assert_eq!(taken.unwrap()[0].at, Moment(at), "{time}");
        }
    }

    #[test]
    fn kilowatts_are_not_taken_for_watts() {
        let payload = br#"[{"n":"mill/power","u":"kW","v":0.118}]"#;
        for scale in [1.0, 1_000.0] {
            let taken = SignalState::new(&senml(scale)).take(&senml(scale), payload, live(5)).unwrap();
            assert_eq!(taken[0].value, Value::Number(118.0), "scale = {scale}");
        }
        let payload = br#"[{"n":"mill/power","u":"kvar","v":0.118}]"#;
        let refused = SignalState::new(&senml(1.0)).take(&senml(1.0), payload, live(5)).unwrap_err();
        let told = r#"the payload gives its value in "kvar", and the rules take it for "W""#;
        assert_eq!(refused.to_string(), told);
    }

    fn watts_at(readings: &[Reading]) -> Vec<(u64, f64)> {
        let watts = |reading: &Reading| match reading.value {
            Value::Number(watts) => (reading.at.0, watts),
            Value::Text(_) => unreachable!(),
        };
        readings.iter().map(watts).collect()
    }

    /// A meter that sends what it has gathered: the pause at the end is not all there was.
    #[test]
    fn every_record_of_a_pack_is_a_reading_in_its_own_time() {
        let now = Now { moment: Moment(100_000), wall: idlegate_guard::time::WallTime(1_764_000_000_000) };
        let arrived = Arrived { at: now.moment, retained: false, flagged: false, now: Some(now) };
        let mut signal = SignalState::new(&senml(1.0));
        let pack = br#"[{"bn":"mill/","n":"power","v":3},{"n":"power","t":-2,"v":455},{"n":"power","t":-1,"v":456}]"#;
        let taken = signal.take(&senml(1.0), pack, arrived).unwrap();
        assert_eq!(watts_at(&taken), [(98_000, 455.0), (99_000, 456.0), (100_000, 3.0)]);
        assert_eq!(signal.fresh_at(), Some(Moment(100_000)));
        // The next pack tells otherwise of the time that the last one told of: only what is newer than both is new, and
        // nothing that was known before counts.
        let now = Now { moment: Moment(101_000), wall: idlegate_guard::time::WallTime(1_764_000_001_000) };
        let arrived = Arrived { at: now.moment, retained: false, flagged: false, now: Some(now) };
        let taken = signal.take(&senml(1.0), pack, arrived).unwrap();
        assert_eq!(watts_at(&taken), [(101_000, 3.0)]);
        assert!(signal.went_back());
        assert_eq!(signal.counters().iter().collect::<Vec<_>>(), [("older", 2)]);
    }

    #[test]
    fn of_a_pack_with_one_implausible_reading_none_is_taken() {
        let mut signal = SignalState::new(&senml(1.0));
        let pack = br#"[{"bn":"mill/power","t":-1,"v":999999},{"v":3}]"#;
        let refused = signal.take(&senml(1.0), pack, live(9_000)).unwrap_err();
        assert!(matches!(refused, NoReading::Implausible { .. }) && !refused.says_nothing());
        assert_eq!(signal.latest(), None);
    }
}
