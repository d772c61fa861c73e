//! Version 1 of the detector contract: the generated bindings, and the way of our own data across them.
//!
//! A later version is a file of its own beside this one; detectors built against this one go on loading.

use std::sync::Arc;

use super::fault::{Call, Fault};
use super::limits::{
    CLEARS_IN_MAX, EVIDENCE_MAX, EVIDENCE_TEXT_CHARS_MAX, REASON_CHARS_MAX, TEXT_READING_CHARS_MAX,
};
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::{Assessment, Name, Reading, Value, Verdict};
use idlegate_plan::text::tame;

mod bindings {
    wasmtime::component::bindgen!({ path: "../../sdk/wit/v1", world: "detector" });
}

pub(super) use bindings::exports::idlegate::detector::busy_detector as wire;
pub(super) use bindings::{Detector, DetectorPre};

/// A reading on its way in; nothing for one that no detector may ever see.
pub(super) fn reading_in(signal: u32, reading: &Reading) -> Option<wire::Reading> {
    let value = match &reading.value {
        Value::Number(number) if number.is_finite() => wire::Value::Number(*number),
        Value::Number(_) => return None,
        Value::Text(text) => wire::Value::Text(text.chars().take(TEXT_READING_CHARS_MAX).collect()),
    };
    Some(wire::Reading { signal, at: reading.at.0, value })
}

/// An assessment on its way out. What is merely too long is cut; what cannot be true is a fault.
pub(super) fn assessment_out(
    answer: wire::Assessment,
    signals: &[Name],
    now: Moment,
) -> Result<Assessment, Fault> {
    let verdict = match answer.verdict {
        wire::Verdict::Busy => Verdict::Busy,
        wire::Verdict::Idle => Verdict::Idle,
        wire::Verdict::Unknown => Verdict::Unknown,
    };
    let reason = match tame(&answer.reason, REASON_CHARS_MAX) {
        empty if empty.is_empty() => "it gave no reason".into(),
        reason => reason.into(),
    };
    let evidence = answer.evidence.iter().take(EVIDENCE_MAX);
    let evidence = evidence.map(|shown| evidence_out(shown, signals, now)).collect::<Result<_, _>>()?;
    let clears_in = answer.clears_in.map(Span).filter(|span| *span <= CLEARS_IN_MAX);
    Ok(Assessment { verdict, reason, evidence, clears_in })
}

fn evidence_out(shown: &wire::Reading, signals: &[Name], now: Moment) -> Result<(Name, Reading), Fault> {
    let broken = |what: String| Fault::contract(Call::Assess, what);
    let Some(name) = signals.get(shown.signal as usize) else {
        return Err(broken(format!("evidence from signal {} of {}", shown.signal, signals.len())));
    };
    if shown.at > now.0 {
        return Err(broken("evidence from the future".into()));
    }
    let value = match &shown.value {
        wire::Value::Number(number) if number.is_finite() => Value::Number(*number),
        wire::Value::Number(_) => return Err(broken("evidence that is no number".into())),
        wire::Value::Text(text) => Value::Text(Arc::from(tame(text, EVIDENCE_TEXT_CHARS_MAX))),
    };
    Ok((name.clone(), Reading { at: Moment(shown.at), value }))
}
