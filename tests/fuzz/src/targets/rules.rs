//! A rules folder: three texts, one after the other, with a line of `----` between.

use std::path::Path;

use idlegate_plan::ModuleSource;
use idlegate_rules::{
    DetectorCatalog, DetectorFacts, Folder, SignalFact, Surroundings, SystemSecrets, compile,
};
use serde_json::{Value as Json, json};

const FILES: [&str; 3] = ["shop.toml", "machines/mill.toml", "inputs.toml"];

/// Detectors are not what is tried here.
struct Shelf;

impl DetectorCatalog for Shelf {
    fn describe(&self, _: &ModuleSource) -> Result<DetectorFacts, String> {
        let signal =
            SignalFact { name: "power".to_owned(), unit: "W".to_owned(), numeric: true, needed: true };
        let settings_schema = json!({
            "type": "object",
            "properties": {
                "busy_watts": { "type": "number", "minimum": 0 },
                "quiet_watts": { "type": "number" },
                "dwell": { "type": "string" },
            },
            "required": ["busy_watts"],
            "additionalProperties": false,
        });
        Ok(DetectorFacts { name: "power-threshold".to_owned(), signals: vec![signal], settings_schema })
    }

    fn built_in(&self) -> Vec<String> {
        vec!["power-threshold".to_owned()]
    }

    fn try_settings(&self, _: &ModuleSource, _: &Json) -> Result<(), String> {
        Ok(())
    }
}

pub(crate) fn rules(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let texts = FILES.into_iter().zip(text.split("\n----\n"));
    let folder = Folder::from_texts(Path::new("fuzz"), texts);
    let around = Surroundings { detectors: &Shelf, secrets: &SystemSecrets::SERVICE };
    match compile(&folder, &around) {
        Ok(compiled) => {
            // Whoever holds a plan need not doubt it.
            for input in &compiled.plan.inputs {
                assert!(input.machines.iter().all(|machine| machine.0 < compiled.plan.machines.len()));
            }
            for machine in &compiled.plan.machines {
                let signals = machine.detectors.iter().flat_map(|detector| &detector.signals).flatten();
                assert!(signals.copied().all(|signal| signal.0 < machine.signals.len()));
                assert!(machine.policy.window.0 > 0);
            }
        }
        Err(problems) => {
            assert!(problems.iter().any(idlegate_rules::Problem::is_error), "refused for no reason");
            for problem in &problems {
                let shown = problem.render();
                let hidden = |character: char| character.is_control() && character != '\n';
                assert!(!shown.contains(hidden), "control characters reach the terminal: {shown:?}");
            }
        }
    }
}
