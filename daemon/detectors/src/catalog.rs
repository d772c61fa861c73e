//! The detectors as the rules compiler sees them: asked for their signals, their schema and their own opinion of
//! settings.

use super::{Instance, ValueKind, built_in_names};
use idlegate_plan::ModuleSource;
use idlegate_plan::event::Name;
use idlegate_rules::{DetectorCatalog, DetectorFacts, Severity, SignalFact};

use super::modules::Modules;

impl DetectorCatalog for Modules {
    fn describe(&self, module: &ModuleSource) -> Result<DetectorFacts, String> {
        let module = self.get(module)?;
        let description = module.description();
        let signals = description.signals.iter().map(|signal| SignalFact {
            name: signal.name.to_string(),
            unit: signal.unit.clone(),
            numeric: signal.kind == ValueKind::Number,
            needed: signal.needed,
        });
        Ok(DetectorFacts {
            name: description.name.to_string(),
            signals: signals.collect(),
            settings_schema: description.settings_schema.clone(),
        })
    }

    fn try_settings(&self, module: &ModuleSource, settings: &serde_json::Value) -> Result<(), String> {
        let module = self.get(module)?;
        let signals: Vec<Name> =
            module.description().signals.iter().map(|signal| signal.name.clone()).collect();
        let started = Instance::new(&module, &settings.to_string(), signals.into());
        started.map(drop).map_err(|error| error.to_string())
    }

    fn when_out(&self) -> Severity {
        self.when_out()
    }

    fn built_in(&self) -> Vec<String> {
        built_in_names().map(str::to_owned).collect()
    }
}
