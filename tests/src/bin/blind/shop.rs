//! The rules of this workshop. The limits are those that RULES.md gives for keys that are left out.

use std::path::Path;
use std::sync::Arc;

use anyhow::{Result, anyhow};
use idlegate_detectors::Modules;
use idlegate_plan::SharedPlan;
use idlegate_rules::{Folder, Problem, Surroundings, SystemSecrets, compile};

const SHOP: &str = r#"
title = "Workshop without eyes"
[broker]
host = "127.0.0.1"
[guard]
hold_longer = false
"#;

const INPUTS: &str = r#"
[inputs.red-button]
topic = "contacts/red"
machines = "all"
emergency = true
silent_max = "2h"
battery = { topic = "contacts/red/battery", pointer = "/percent", low = 15 }
[inputs.red-button.gestures]
pushed = { words = ["open"], request = "emergency-off" }

[inputs.bench-button]
topic = "buttons/bench"
machines = ["mill"]
may_force = true
silent_max = "1h"
battery = { topic = "buttons/bench/battery", low = "low" }
[inputs.bench-button.gestures]
press = "flip"
long-press = "force-off"
"#;

/// How the meter of a machine measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Manner {
    /// It flickers, in tenths of a watt.
    Flickers,
    /// In whole watts; a heater that is switched on and off.
    Cycles,
    /// In whole watts; the same for hours while the heater is full on, and nothing where nothing is drawn.
    Plateau,
    /// It speaks of changes alone, and of its life once a minute.
    OnChange,
    /// Never quite still, so that the rules name a `stuck_after`; and silent while its outlet is off.
    NeverStill,
}

pub(crate) const MACHINES: [(&str, Manner); 5] = [
    ("kiln", Manner::OnChange),
    ("lathe", Manner::NeverStill),
    ("mill", Manner::Flickers),
    ("oven", Manner::Plateau),
    ("printer", Manner::Cycles),
];

fn machine(name: &str, manner: Manner) -> String {
    let more = match manner {
        Manner::OnChange => {
            "reports = \"on-change\"\nalive = { topic = \"meters/kiln/alive\", silent_max = \"180s\" }"
        }
        Manner::NeverStill => "stuck_after = \"10min\"",
        Manner::Flickers | Manner::Cycles | Manner::Plateau => "",
    };
    format!(
        r#"title = "{name}"
[outlet]
state = {{ topic = "outlets/{name}/says" }}
reach = {{ topic = "outlets/{name}/reach" }}
order = {{ topic = "outlets/{name}/order" }}
power = "power"
[signals.power]
topic = "meters/{name}"
unit = "W"
stale_after = "50s"
{more}
[[detectors]]
use = "power-threshold"
settings = {{ busy_watts = 60, quiet_watts = 40, dwell = "3 min" }}
"#
    )
}

pub(crate) fn plan(modules: &Modules) -> Result<SharedPlan> {
    let machines: Vec<_> = MACHINES
        .iter()
        .map(|(name, manner)| (format!("machines/{name}.toml"), machine(name, *manner)))
        .collect();
    let texts = [("shop.toml", SHOP), ("inputs.toml", INPUTS)].into_iter();
    let texts = texts.chain(machines.iter().map(|(path, text)| (path.as_str(), text.as_str())));
    let folder = Folder::from_texts(Path::new("workshop-without-eyes"), texts);
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::SERVICE };
    let compiled = compile(&folder, &around).map_err(|problems| {
        anyhow!("{}", problems.iter().map(Problem::render).collect::<Vec<_>>().join("\n"))
    })?;
    Ok(Arc::new(compiled.plan))
}
