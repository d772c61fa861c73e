//! The rules of the simulated workshop: the five machines of Birch Lane at their real pace, and every kind of input.

use std::path::Path;
use std::sync::Arc;

use anyhow::{Result, anyhow};
use idlegate_detectors::{Execution, Modules};
use idlegate_guard::time::Span;
use idlegate_plan::{Plan, SharedPlan};
use idlegate_rules::{Folder, Problem, Surroundings, SystemSecrets, compile};

const SHOP: &str = r#"
title = "Simulated workshop"
[broker]
host = "127.0.0.1"
port = 1883
[guard]
window = "10s"
[groups.evening]
title = "All of them"
machines = ["filament-printer", "laser-cutter", "mill", "kiln", "dust-extractor"]
"#;

/// All machines, asked at once.
pub const GROUP: &str = "evening";
pub const GROUP_TITLE: &str = "All of them";

const INPUTS: &str = r#"
[inputs.bench-button]
topic = "buttons/bench"
pointer = "/button"
machines = ["filament-printer"]
may_force = true
[inputs.bench-button.gestures]
press = { words = ["pressed"], request = "flip" }
long-press = { words = ["held down"], request = "force-off" }

[inputs.laser-button]
topic = "buttons/laser"
machines = ["laser-cutter"]
may_force = true
[inputs.laser-button.gestures]
press = "off"
long-press = "force-off"

[inputs.mill-button]
topic = "buttons/mill"
machines = ["mill"]
may_force = true
[inputs.mill-button.gestures]
long-press = "force-off"

[inputs.kiln-panel]
topic = "panels/kiln"
machines = ["kiln"]
may_force = true
[inputs.kiln-panel.gestures]
press = "off"
long-press = "force-off"

[inputs.night]
topic = "clock/night"
machines = "all"
when_busy = "defer"
[inputs.night.gestures]
bell = "off"

[inputs.voice]
topic = "voice/heard"
pointer = "/wish"
machine = { pointer = "/thing", aliases = { filament-printer = ["the old printer"] } }
machines = "all"
[inputs.voice.gestures]
off = { words = ["switch off", "turn off"], request = "off" }
when-idle = { words = ["off when done"], request = "off-once-idle" }
keep = { words = ["leave it on"], request = "cancel" }
on = { words = ["turn on"], request = "on" }

[inputs.red-button]
topic = "contacts/red-button"
machines = "all"
emergency = true
[inputs.red-button.gestures]
pushed = { words = ["open"], request = "emergency-off" }

[inputs.phone]
place = "remote"
machines = "all"
may_force = true
window = "10s"

[inputs.latch]
machines = ["mill", "kiln"]
emergency = true
contact = { topic = "contacts/latch", pushed = "in", released = "out" }

[inputs.console]
place = "shop"
machines = "all"
may_force = true
may_lock = true
may_unlock = true
"#;

/// One station as the simulation knows it. In the order of the stations of Birch Lane.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    pub machine: &'static str,
    pub outlet: &'static str,
    pub busy_watts: f64,
    pub quiet_watts: f64,
    pub dwell: Span,
    pub stale_after: Span,
    /// A job of this machine never looks idle for longer.
    pub quiet_max: Span,
    pub interval: Span,
    /// The machine's own button or panel: topic, and the payloads of a press and of a long one.
    pub button: Option<Button>,
    pub jobs_mins: (u64, u64),
    meter: &'static str,
    state: &'static str,
    refresh: bool,
}

#[derive(Clone, Copy, Debug)]
pub struct Button {
    pub input: &'static str,
    pub topic: &'static str,
    pub press: Option<&'static str>,
    pub long: &'static str,
    pub may_force: bool,
}

const fn button(
    input: &'static str,
    topic: &'static str,
    press: Option<&'static str>,
    long: &'static str,
) -> Button {
    Button { input, topic, press, long, may_force: true }
}

const MIN: u64 = 60;

pub const PLACES: [Place; 5] = [
    Place {
        machine: "filament-printer",
        outlet: "bench-1",
        busy_watts: 40.0,
        quiet_watts: 35.0,
        dwell: Span::secs(3 * MIN),
        stale_after: Span::secs(35),
        quiet_max: Span::secs(45),
        interval: Span::secs(10),
        button: Some(button(
            "bench-button",
            "buttons/bench",
            Some(r#"{"button":"pressed"}"#),
            r#"{"button":"held down"}"#,
        )),
        jobs_mins: (5, 90),
        meter: r#"pointer = "/watts""#,
        state: "pointer = \"/switch\"\non = \"closed\"\noff = \"open\"",
        refresh: true,
    },
    Place {
        machine: "laser-cutter",
        outlet: "laser",
        busy_watts: 60.0,
        quiet_watts: 45.0,
        dwell: Span::secs(MIN),
        stale_after: Span::secs(35),
        quiet_max: Span::ZERO,
        interval: Span::secs(10),
        button: Some(button("laser-button", "buttons/laser", Some("press"), "long-press")),
        jobs_mins: (2, 20),
        meter: "",
        state: "",
        refresh: true,
    },
    Place {
        machine: "mill",
        outlet: "mill",
        busy_watts: 110.0,
        quiet_watts: 80.0,
        dwell: Span::secs(2 * MIN),
        stale_after: Span::secs(35),
        quiet_max: Span::secs(40),
        interval: Span::secs(10),
        button: Some(button("mill-button", "buttons/mill", None, "long-press")),
        jobs_mins: (5, 40),
        meter: r#"senml = "mill:power""#,
        state: "",
        refresh: false,
    },
    Place {
        machine: "kiln",
        outlet: "kiln",
        busy_watts: 100.0,
        quiet_watts: 60.0,
        dwell: Span::secs(8 * MIN),
        stale_after: Span::secs(70),
        quiet_max: Span::secs(270),
        interval: Span::secs(20),
        button: Some(Button {
            may_force: false,
            ..button("kiln-panel", "panels/kiln", Some("press"), "long-press")
        }),
        jobs_mins: (60, 150),
        meter: "pointer = \"/line/kilowatts\"\nscale = 1000",
        state: "pointer = \"/switch\"\non = \"closed\"\noff = \"open\"",
        refresh: false,
    },
    Place {
        machine: "dust-extractor",
        outlet: "extractor",
        busy_watts: 50.0,
        quiet_watts: 20.0,
        dwell: Span::secs(MIN),
        stale_after: Span::secs(40),
        quiet_max: Span::ZERO,
        interval: Span::secs(12),
        button: None,
        jobs_mins: (2, 30),
        meter: "",
        state: "on = \"1\"\noff = \"0\"",
        refresh: false,
    },
];

impl Place {
    fn text(&self) -> String {
        let Place { machine, outlet, busy_watts, quiet_watts, meter, state, .. } = self;
        let (dwell, stale_after) = (self.dwell.0 / 1000, self.stale_after.0 / 1000);
        // A bare word is also how it is ordered.
        let words = if state.contains("pointer") { "" } else { state };
        let refresh = if self.refresh {
            format!("[outlet.refresh]\ntopic = \"outlets/{outlet}/ask\"\npayload = \"now\"\n")
        } else {
            String::new()
        };
        format!(
            r#"title = "{machine}"
[outlet]
power = "power"
[outlet.state]
topic = "outlets/{outlet}/says"
{state}
[outlet.order]
topic = "outlets/{outlet}/order"
{words}
{refresh}[signals.power]
topic = "meters/{outlet}"
unit = "W"
stale_after = "{stale_after}s"
{meter}
[[detectors]]
use = "power-threshold"
settings = {{ busy_watts = {busy_watts}, quiet_watts = {quiet_watts}, dwell = "{dwell} s" }}
"#
        )
    }
}

/// What every life shares: the compiled rules and the detectors' modules.
#[derive(Debug)]
pub struct Parts {
    pub plan: Plan,
    pub modules: Modules,
}

impl Parts {
    pub fn new() -> Result<Parts> {
        let modules = Modules::new(Execution::Automatic, None)?;
        let machines: Vec<_> =
            PLACES.iter().map(|place| (format!("machines/{}.toml", place.machine), place.text())).collect();
        let texts = [("shop.toml", SHOP), ("inputs.toml", INPUTS)];
        let texts =
            texts.into_iter().chain(machines.iter().map(|(path, text)| (path.as_str(), text.as_str())));
        let folder = Folder::from_texts(Path::new("simulated-workshop"), texts);
        let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::SERVICE };
        let compiled = compile(&folder, &around).map_err(|problems| {
            anyhow!("{}", problems.iter().map(Problem::render).collect::<Vec<_>>().join("\n"))
        })?;
        Ok(Parts { plan: compiled.plan, modules })
    }

    /// The plan of one life: now and then a machine in shadow mode, and one that switches itself off when idle.
    pub(super) fn plan_for(&self, seed: u64, learns: bool) -> SharedPlan {
        let mut plan = self.plan.clone();
        // The rules would not let such a gesture be written; the guard must refuse it all the same.
        for input in plan.inputs.iter_mut().filter(|input| input.name.as_str() == "kiln-panel") {
            input.rights.may_force = false;
        }
        for machine in &mut plan.machines {
            machine.learning.hold_longer &= learns;
            match machine.name.as_str() {
                "dust-extractor" if seed.is_multiple_of(3) => machine.policy.shadow = true,
                "mill" if seed.is_multiple_of(2) => {
                    machine.policy.forgotten_after = Some(Span::secs(30 * MIN));
                }
                _ => {}
            }
        }
        Arc::new(plan)
    }
}

/// Which of [`PLACES`] a machine stands at.
pub fn place_of(machine: &str) -> Option<usize> {
    PLACES.iter().position(|place| place.machine == machine)
}
