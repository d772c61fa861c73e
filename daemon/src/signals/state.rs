//! One signal of one machine. Only what is plausible, finite and newer than the last becomes a reading.

use crate::event::{Reading, Value};
use crate::intake::{self, Rejection};
use crate::plan::{NumberSignal, Signal, SignalKind};
use crate::time::Moment;

#[derive(Debug, Default)]
pub struct SignalState {
    latest: Option<Reading>,
    /// The time of the latest reading whose age is known. One that was stored in the broker may be from last week.
    fresh_at: Option<Moment>,
    pub rejected: u64,
}

/// Why a message on a signal's topic is no reading of it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoReading {
    #[error(transparent)]
    Rejected(#[from] Rejection),
    #[error("{value} is outside of what is plausible, {least} to {most}")]
    Implausible { value: f64, least: f64, most: f64 },
}

impl SignalState {
    pub fn new(_rules: &Signal) -> SignalState {
        SignalState::default()
    }

    /// Takes a message in. Nothing comes back when it is older than the reading already here, or when its age is
    /// not known; it is shown to people then, but to no detector.
    pub fn take(
        &mut self,
        rules: &Signal,
        payload: &[u8],
        at: Moment,
        retained: bool,
    ) -> Result<Option<Reading>, NoReading> {
        let value = value_of(rules, payload).inspect_err(|_| self.rejected += 1)?;
        Ok(self.accept(value, at, retained))
    }

    /// Takes a value that has been read already, as from a recording.
    pub fn accept(&mut self, value: Value, at: Moment, retained: bool) -> Option<Reading> {
        if self.latest.as_ref().is_some_and(|latest| at < latest.at) {
            return None;
        }
        let reading = Reading { at, value };
        self.latest = Some(reading.clone());
        if retained {
            return None;
        }
        self.fresh_at = Some(at);
        Some(reading)
    }

    pub fn latest(&self) -> Option<&Reading> {
        self.latest.as_ref()
    }

    pub fn fresh_at(&self) -> Option<Moment> {
        self.fresh_at
    }
}

fn value_of(rules: &Signal, payload: &[u8]) -> Result<Value, NoReading> {
    match &rules.kind {
        SignalKind::Number(number) => {
            let raw = intake::decode_number(&rules.source.path, payload)?;
            scaled(number, raw).map(Value::Number)
        }
        SignalKind::Text => Ok(Value::Text(intake::decode_text(&rules.source.path, payload)?.into())),
    }
}

fn scaled(rules: &NumberSignal, raw: f64) -> Result<f64, NoReading> {
    let value = raw * rules.scale + rules.offset;
    let (least, most) = rules.plausible;
    // Written so that a NaN from scaling is implausible, too.
    if value >= least && value <= most {
        Ok(value)
    } else {
        Err(NoReading::Implausible { value, least, most })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::Name;
    use crate::plan::{Source, ValuePath};
    use crate::time::Span;

    fn power() -> Signal {
        Signal {
            name: Name::new("power").unwrap(),
            source: Source { filter: "meters/1".into(), path: ValuePath::Whole },
            kind: SignalKind::Number(NumberSignal {
                unit: "W".into(),
                scale: 1000.0,
                offset: 0.0,
                plausible: (-5.0, 4_000.0),
            }),
            stale_after: Span::secs(30),
        }
    }

    #[test]
    fn a_reading_is_scaled_and_fresh() {
        let mut signal = SignalState::new(&power());
        let reading = signal.take(&power(), b"0.118", Moment(5), false).unwrap().unwrap();
        assert_eq!(reading, Reading { at: Moment(5), value: Value::Number(118.0) });
        assert_eq!(signal.fresh_at(), Some(Moment(5)));
    }

    #[test]
    fn nonsense_never_becomes_a_reading() {
        let mut signal = SignalState::new(&power());
        for payload in ["NaN", "-1", "99", "1e308", "off"] {
            assert!(signal.take(&power(), payload.as_bytes(), Moment(5), false).is_err(), "{payload}");
        }
        assert_eq!((signal.latest(), signal.rejected), (None, 5));
    }

    #[test]
    fn an_older_reading_never_replaces_a_newer_one() {
        let mut signal = SignalState::new(&power());
        signal.accept(Value::Number(1.0), Moment(9), false);
        assert_eq!(signal.accept(Value::Number(2.0), Moment(8), false), None);
        assert!(
            signal.accept(Value::Number(3.0), Moment(9), false).is_some(),
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
}
