//! The sandbox side of the contract: generated bindings, and the one detector a module holds.
//!
//! Nothing here is for authors; [`register!`](crate::register) uses it. The contract's functions are plain, so the
//! state is one static per module. A module instance has a single thread.

use std::cell::RefCell;
use std::marker::PhantomData;

use self::bindings::exports::idlegate::detector::busy_detector as contract;
use crate::screen::Screened;
use crate::{Assessment, Detector, Millis, Reading, Value, ValueKind, Verdict, settings_schema};

// The generated code lifts and lowers values through linear memory; nothing else in this crate is unsafe.
#[allow(unsafe_code, missing_docs, missing_debug_implementations, unreachable_pub, clippy::all)]
pub mod bindings {
    wit_bindgen::generate!({
        path: "wit/v1",
        world: "detector",
        pub_export_macro: true,
        export_macro_name: "export_detector",
    });
}

/// What the host hears of besides: why a call is about to trap.
#[allow(unsafe_code, missing_docs, missing_debug_implementations, unreachable_pub, clippy::all)]
pub(crate) mod last_words {
    wit_bindgen::generate!({ path: "wit/last-words", world: "speaks-up" });
}

/// Names the detector of a crate for [`Exported`].
pub trait Registration {
    /// The detector itself.
    type Detector: Detector;
}

/// Implements the contract's interface for the registered detector.
#[derive(Debug)]
pub struct Exported<R>(PhantomData<R>);

/// What the static holds: a configured detector with its type forgotten.
trait Configured {
    fn observe(&mut self, reading: &Reading);
    fn assess(&mut self, now: Millis) -> Assessment;
}

impl<D: Detector> Configured for Screened<D> {
    fn observe(&mut self, reading: &Reading) {
        Screened::observe(self, reading);
    }

    fn assess(&mut self, now: Millis) -> Assessment {
        Screened::assess(self, now)
    }
}

thread_local! {
    static DETECTOR: RefCell<Option<Box<dyn Configured>>> = const { RefCell::new(None) };
}

impl<R: Registration> contract::Guest for Exported<R> {
    fn describe() -> contract::Description {
        crate::last_words::tell_the_host();
        let description = <R::Detector as Detector>::DESCRIPTION;
        contract::Description {
            name: description.name.to_owned(),
            version: description.version.to_owned(),
            purpose: description.purpose.to_owned(),
            signals: description.signals.iter().map(signal_out).collect(),
            settings_schema: settings_schema::<<R::Detector as Detector>::Settings>().to_string(),
        }
    }

    fn configure(settings: String) -> Result<(), String> {
        crate::last_words::tell_the_host();
        let detector = Screened::<R::Detector>::new(&settings).map_err(|error| error.to_string())?;
        DETECTOR.set(Some(Box::new(detector)));
        Ok(())
    }

    fn observe(readings: Vec<contract::Reading>) {
        DETECTOR.with_borrow_mut(|detector| {
            if let Some(detector) = detector {
                for reading in readings {
                    detector.observe(&reading_in(reading));
                }
            }
        });
    }

    fn assess(now: contract::Millis) -> contract::Assessment {
        DETECTOR.with_borrow_mut(|detector| match detector {
            Some(detector) => assessment_out(detector.assess(Millis(now))),
            None => assessment_out(Assessment::unknown("the detector has no settings yet")),
        })
    }
}

fn signal_out(signal: &crate::Signal) -> contract::Signal {
    contract::Signal {
        name: signal.name.to_owned(),
        kind: match signal.kind {
            ValueKind::Number => contract::ValueKind::Number,
            ValueKind::Text => contract::ValueKind::Text,
        },
        unit: signal.unit.to_owned(),
        needed: signal.needed,
        purpose: signal.purpose.to_owned(),
    }
}

fn reading_in(reading: contract::Reading) -> Reading {
    let value = match reading.value {
        contract::Value::Number(number) => Value::Number(number),
        contract::Value::Text(text) => Value::Text(text),
    };
    Reading { signal: reading.signal, at: Millis(reading.at), value }
}

fn reading_out(reading: Reading) -> contract::Reading {
    let value = match reading.value {
        Value::Number(number) => contract::Value::Number(number),
        Value::Text(text) => contract::Value::Text(text),
    };
    contract::Reading { signal: reading.signal, at: reading.at.0, value }
}

fn assessment_out(assessment: Assessment) -> contract::Assessment {
    contract::Assessment {
        verdict: match assessment.verdict {
            Verdict::Busy => contract::Verdict::Busy,
            Verdict::Idle => contract::Verdict::Idle,
            Verdict::Unknown => contract::Verdict::Unknown,
        },
        reason: assessment.reason,
        evidence: assessment.evidence.into_iter().map(reading_out).collect(),
        clears_in: assessment.clears_in.map(crate::Span::as_millis),
    }
}
