//! What could go wrong in the workshop: a time that is right in one place of the rules is a mistake in another, or
//! means something else there.

use std::path::Path;

use crate::{Execution, Modules};
use idlegate_guard::time::Span;
use idlegate_rules::{Folder, Surroundings, SystemSecrets, compile};

const SHOP: &str = "[broker]\nhost = \"broker.local\"\n";

/// How long a deferred off waits at most, and the dwell of power-threshold, where both are this text.
fn read(modules: &Modules, deferral_max: &str, dwell: &str) -> Option<(Span, Span)> {
    let mill = format!(
        r#"
        guard = {{ deferral_max = "{deferral_max}" }}
        [outlet]
        state = {{ topic = "outlets/mill" }}
        order = {{ topic = "outlets/mill/order" }}
        [signals.power]
        topic = "meters/mill"
        unit = "W"
        [[detectors]]
        use = "power-threshold"
        settings = {{ busy_watts = 40, dwell = "{dwell}" }}
        "#
    );
    let folder =
        Folder::from_texts(Path::new("shop"), [("shop.toml", SHOP), ("machines/mill.toml", mill.as_str())]);
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::CHECK };
    let plan = compile(&folder, &around).ok()?.plan;
    let machine = &plan.machines[0];
    let settings = &machine.detectors[0].settings;
    // As the detector itself reads it.
    let dwell: idlegate_detector::Span = settings["dwell"].as_str().unwrap().parse().unwrap();
    Some((machine.policy.deferral_max, Span(dwell.as_millis())))
}

#[test]
fn a_time_is_written_in_the_settings_of_a_detector_as_everywhere_else() {
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let minutes = |minutes: u64| Some(Span::secs(minutes * 60));
    for (text, meant) in [
        ("3 minutes", minutes(3)),
        ("3 min", minutes(3)),
        ("3min", minutes(3)),
        ("3m", minutes(3)),
        ("180 s", minutes(3)),
        ("180 seconds", minutes(3)),
        ("180000 ms", minutes(3)),
        ("2.5 min", Some(Span::secs(150))),
        ("1h 30min", minutes(90)),
        ("1 h 30 min", minutes(90)),
        ("1 hour 30 minutes", minutes(90)),
        ("1.5 hours", minutes(90)),
        ("2 days", minutes(2 * 24 * 60)),
        ("1 week", minutes(7 * 24 * 60)),
        ("", None),
        ("3", None),
        ("minutes", None),
        ("-3 min", None),
        ("3 moons", None),
        ("1.2.3 h", None),
        (".5 h", None),
        ("5. h", None),
        ("3 min later", None),
        ("1e3 s", None),
    ] {
        let rules = read(&modules, text, "3 min").map(|(deferral_max, _)| deferral_max);
        let settings = read(&modules, "1 d", text).map(|(_, dwell)| dwell);
        assert_eq!((rules, settings), (meant, meant), "{text:?}");
    }
}
