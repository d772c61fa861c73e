//! The built-in power-threshold in the sandbox, in both ways of execution, beside the same code run natively.

use idlegate_detector::{self as sdk, testing::Trial};
use power_threshold::PowerThreshold;

use super::fixture::{name, number};
use crate::{Execution, Instance, Loader, Pin, Sandbox, SignalReading, built_in};
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::{Assessment, Reading, Value, Verdict};

const SETTINGS: &str = r#"{"busy_watts": 40, "quiet_watts": 30, "dwell": "3min"}"#;

/// Two prints of a filament printer: spike, heating, a duty-cycling bed, the fan running on; then a meter gap.
fn recording() -> Vec<SignalReading> {
    let mut readings = Vec::new();
    for second in (0..7_200_u64).step_by(5) {
        let in_print = second % 3_600;
        let watts = match in_print {
            0..10 => 812.5,
            10..600 => 218.0,
            600..2_400 if in_print / 45 % 2 == 0 => 121.25,
            600..2_400 => 34.5,
            2_400..2_600 => 29.75,
            2_900..3_100 => continue,
            _ => 6.1,
        };
        readings.push(number(second * 1_000, watts));
    }
    readings
}

fn in_the_sandbox(execution: Execution) -> Vec<Assessment> {
    let loader = Loader::new(Sandbox::new(execution).unwrap(), None);
    let module = loader.load(built_in("power-threshold").unwrap(), Pin::Ours).unwrap();
    let mut instance = Instance::new(&module, SETTINGS, [name("power")].into()).unwrap();
    let assess = |reading: SignalReading| {
        instance.observe([&reading]).unwrap();
        instance.assess(reading.1.at).unwrap()
    };
    recording().into_iter().map(assess).collect()
}

fn native() -> Vec<Assessment> {
    let mut trial = Trial::<PowerThreshold>::new(SETTINGS).unwrap();
    let assess = |(signal, reading): SignalReading| {
        let Value::Number(watts) = reading.value else { panic!("the recording is of numbers") };
        trial.observe(&sdk::Reading::number(signal, sdk::Millis(reading.at.0), watts));
        in_our_words(trial.assess(sdk::Millis(reading.at.0)))
    };
    recording().into_iter().map(assess).collect()
}

fn in_our_words(said: sdk::Assessment) -> Assessment {
    let verdict = match said.verdict {
        sdk::Verdict::Busy => Verdict::Busy,
        sdk::Verdict::Idle => Verdict::Idle,
        sdk::Verdict::Unknown => Verdict::Unknown,
    };
    let evidence = said.evidence.iter().map(|shown| {
        let value = Value::Number(shown.as_number().unwrap());
        (name("power"), Reading { at: Moment(shown.at.0), value })
    });
    let clears_in = said.clears_in.map(|span| Span(span.as_millis()));
    Assessment { verdict, reason: said.reason.into(), evidence: evidence.collect(), clears_in }
}

#[test]
fn a_detector_says_the_same_compiled_interpreted_and_native() {
    let native = native();
    for verdict in [Verdict::Busy, Verdict::Idle, Verdict::Unknown] {
        assert!(
            native.iter().any(|said| said.verdict == verdict),
            "the recording never makes it {verdict:?}"
        );
    }
    assert!(native.iter().any(|said| said.clears_in.is_some()));
    for (said, expected) in in_the_sandbox(Execution::Native).iter().zip(&native) {
        assert_eq!(said, expected);
    }
    assert_eq!(in_the_sandbox(Execution::Interpreted), native);
}
