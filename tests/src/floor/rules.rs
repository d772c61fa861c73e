//! The rules of a shop floor, in a folder like any other.

use std::fmt::Write as _;
use std::path::Path;
use std::time::Duration;

use anyhow::Result;

use super::meter::Meter;

/// What is written of one machine, and how it behaves.
#[derive(Clone, Debug)]
pub struct Machine {
    pub meter: Meter,
    pub dwell: Duration,
    /// The meter has every reading stored.
    pub retains: bool,
    /// The rules know it.
    pub sender_stores: bool,
    /// The meter speaks only when its value changes, and now and then says that it is there.
    pub on_change: bool,
    /// More lines of its signal.
    pub signal: String,
    /// More lines and tables of its file.
    pub more: String,
    /// More inputs, each a table of its own.
    pub inputs: String,
    pub title: String,
    /// By the rules its meter speaks on another topic, and does.
    pub elsewhere: bool,
}

/// A meter that speaks only when its value changes is believed for so long after its last sign of life.
pub const SILENT_MAX: Duration = Duration::from_secs(3);

pub(super) fn alive_topic(number: usize) -> String {
    format!("meters/{number}/uptime")
}

impl Machine {
    pub fn with(meter: Meter, dwell: Duration) -> Machine {
        Machine {
            meter,
            dwell,
            retains: false,
            sender_stores: false,
            on_change: false,
            signal: String::new(),
            more: String::new(),
            inputs: String::new(),
            title: "a machine".to_owned(),
            elsewhere: false,
        }
    }
}

impl Machine {
    pub(super) fn topic(&self, number: usize) -> String {
        if self.elsewhere { format!("meters/{number}/other") } else { format!("meters/{number}") }
    }

    /// How its meter says that it is there.
    fn reports(&self, number: usize) -> String {
        if !self.on_change {
            return String::new();
        }
        let (topic, silent_max) = (alive_topic(number), SILENT_MAX.as_secs());
        format!(
            "reports = \"on-change\"\nalive = {{ topic = \"{topic}\", silent_max = \"{silent_max}s\" }}\n"
        )
    }
}

pub(super) fn write(dir: &Path, port: u16, machines: &[Machine], more: &str) -> Result<()> {
    std::fs::create_dir_all(dir.join("machines"))?;
    // A press is a press here, however soon the next one follows: chance knows nothing of hands.
    let shop = format!(
        "title = \"Shop floor\"\n[broker]\nhost = \"127.0.0.1\"\nport = {port}\nkeep_alive = \"5s\"\n\
         [guard]\nrepeat_guard = \"0s\"\nhold_longer = false\n{more}\n"
    );
    std::fs::write(dir.join("shop.toml"), shop)?;
    let mut inputs = String::from(
        "[inputs.red-button]\ntopic = \"contacts/red\"\nmachines = \"all\"\nemergency = true\n\
         [inputs.red-button.gestures]\nopen = \"emergency-off\"\n",
    );
    for (number, machine) in machines.iter().enumerate() {
        inputs.push_str(&machine.inputs);
        write!(
            inputs,
            "[inputs.button-{number}]\ntopic = \"buttons/{number}\"\nmachines = [\"machine-{number}\"]\nmay_force = true\n\
             [inputs.button-{number}.gestures]\npress = \"off\"\nlong-press = \"force-off\"\n\
             [inputs.panel-{number}]\ntopic = \"panels/{number}\"\nmachines = [\"machine-{number}\"]\nmay_unlock = true\n\
             [inputs.panel-{number}.gestures]\non = \"on\"\noff = \"off\"\nunlock = \"unlock\"\n\
             [inputs.latch-{number}]\nmachines = [\"machine-{number}\"]\nemergency = true\n\
             [inputs.latch-{number}.contact]\ntopic = \"latches/{number}\"\n"
        )?;
    }
    std::fs::write(dir.join("inputs.toml"), inputs)?;
    machines.iter().enumerate().try_for_each(|(number, machine)| write_machine(dir, number, machine))
}

/// Writes the file of one machine, or writes it anew; in one piece, as an editor does.
pub fn write_machine(dir: &Path, number: usize, machine: &Machine) -> Result<()> {
    let Machine { meter, dwell, sender_stores, signal, more, title, .. } = machine;
    let topic = if signal.contains("topic") {
        String::new()
    } else {
        format!("topic = \"{}\"\n", machine.topic(number))
    };
    let reports = machine.reports(number);
    let how = if signal.contains("unit") { "" } else { meter.rules() };
    let text = format!(
        "title = \"{title}\"\n[outlet]\nstate = {{ topic = \"outlets/{number}/says\" }}\n\
         order = {{ topic = \"outlets/{number}/order\" }}\npower = \"power\"\n\
         [signals.power]\n{topic}{how}\n{signal}\n{reports}sender_stores = {sender_stores}\n\
         [[detectors]]\nuse = \"power-threshold\"\n\
         settings = {{ busy_watts = 100, quiet_watts = 50, dwell = \"{} ms\" }}\n{more}\n",
        dwell.as_millis()
    );
    let (file, beside) =
        (dir.join(format!("machines/machine-{number}.toml")), dir.join(format!(".{number}~")));
    std::fs::write(&beside, text)?;
    Ok(std::fs::rename(beside, file)?)
}
