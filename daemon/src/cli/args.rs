//! The command line.

use std::path::PathBuf;

use clap::builder::Styles;
use clap::builder::styling::Style;
use clap::{Parser, Subcommand, ValueEnum};

use super::replay::NamedFile;
use super::report::Time;
use crate::calibrate::Interval;
use crate::event::Name;
use crate::time::Span;

/// One guard between every way of switching a workshop machine and the outlet that feeds it.
///
/// A networked outlet is a convenience: not an emergency stop, and not a means of isolating a machine for work on
/// it. Pull the plug for that.
#[derive(Debug, Parser)]
#[command(name = "idlegate", version, after_help = EXIT_CODES, styles = STYLES)]
pub struct Args {
    #[command(subcommand)]
    pub command: Command,
}

/// Bold and nothing else: help has nothing in it that a colour would stand for.
const STYLES: Styles = {
    let bold = Style::new().bold();
    Styles::plain().header(bold).usage(bold).literal(bold).error(bold).valid(bold).invalid(bold)
};

pub(super) const EXIT_CODES: &str = "\
Exit codes:
  0   done, and the answer is yes
  1   done, and the answer is no (a request not acted on, a check that failed)
  64  the command line is wrong
  69  the broker or Idlegate does not answer
  70  something inside went wrong
  78  the rules cannot be used";

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Guard the machines of a rules folder until stopped.
    Run {
        /// The rules folder.
        rules: PathBuf,
        /// Where the journal and the lockouts are kept; before what the rules say.
        #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
        state_dir: Option<PathBuf>,
        /// How detectors are executed.
        #[arg(long, value_enum, default_value_t)]
        execution: ExecutionArg,
        /// Guard the machines of this site only, of those that shop.toml names.
        #[arg(long, value_name = "NAME")]
        site: Option<Name>,
        /// Be one of several at the same broker, of which one guards and the others stand by. Each has a name and a state
        /// folder of its own, and all have the same rules.
        #[arg(long, value_name = "NAME")]
        stand_by: Option<Name>,
        /// Log lines as JSON.
        #[arg(long)]
        json: bool,
    },
    /// Look a rules folder over and tell every problem in it.
    Check {
        /// The rules folder.
        #[arg(required_unless_present_any = ["explain", "schema"])]
        rules: Option<PathBuf>,
        /// The report as JSON.
        #[arg(long)]
        json: bool,
        /// Tell what would change if these rules took the place of the ones in this folder, such as the copy of those in
        /// force that the guard keeps in its state folder, STATE/last-good-rules.
        #[arg(long, value_name = "DIR", conflicts_with_all = ["explain", "schema"])]
        in_force: Option<PathBuf>,
        /// Say more about the problem with this code.
        #[arg(long, value_name = "CODE", conflicts_with = "json")]
        explain: Option<String>,
        /// Print the JSON Schema of this kind of file, for completion in editors.
        #[arg(long, value_name = "FILE", value_parser = crate::rules::schema::SCHEMA_FILES, conflicts_with_all = ["json", "explain"])]
        schema: Option<String>,
    },
    /// Write a small commented rules folder to begin with.
    NewRules {
        /// A folder that is not there yet, or is empty.
        dir: PathBuf,
    },
    /// Write manual pages and shell completions, laid out as under /usr/share.
    #[command(hide = true)]
    Pages {
        /// Where to.
        dir: PathBuf,
    },
    /// Find the settings of power-threshold in recordings of a machine's draw.
    ///
    /// A recording is CSV with a heading such as time,watts, or SenML JSON (RFC 8428) with one pack per line, plain or
    /// gzip. Say when the machine worked if you know it; else its jobs are looked for.
    Calibrate {
        /// Recordings of one machine.
        #[arg(required = true, value_name = "RECORDING")]
        recordings: Vec<PathBuf>,
        /// The signal to use, where a recording has several in watts.
        #[arg(long, value_name = "NAME")]
        signal: Option<String>,
        /// A time in which it worked: an interval by ISO 8601, START/END, START/DURATION or DURATION/END.
        #[arg(long = "job", value_name = "START/END")]
        jobs: Vec<Interval>,
        /// A time in which it was idle. With any, nothing else counts as idle; without, all that is no job does.
        #[arg(long, value_name = "START/END")]
        quiet: Vec<Interval>,
        /// The proposal as JSON.
        #[arg(long)]
        json: bool,
        /// Put the settings into this machine's file; a new file becomes a machine to fill in.
        #[arg(long, value_name = "FILE")]
        write: Option<PathBuf>,
        /// Draw the recording with levels, jobs and verdicts.
        #[arg(long, value_name = "FILE")]
        svg: Option<PathBuf>,
    },
    /// Look at the workshop as it runs: broker, rights, topics, stored requests, clock and disk, each with what to do about it.
    ///
    /// Nothing is published but a greeting and a farewell; it may be run beside the guard at any time.
    Checkup {
        /// The rules folder.
        rules: PathBuf,
        /// Another port of the broker than the rules give.
        #[arg(long)]
        port: Option<u16>,
        /// How long to listen; longer than the slowest meter is silent.
        #[arg(long = "for", value_name = "TIME", default_value = "15s", value_parser = super::replay::every)]
        during: Span,
        /// One JSON object a line.
        #[arg(long)]
        json: bool,
    },
    /// Set up one machine by doing things by hand: switch it, press its button, let it work; then prove that it is guarded.
    ///
    /// It watches what changes on the broker, proposes where state, command, draw and gestures are found and which draw means
    /// that the machine works, writes the rules, and goes through a drill at the machine. Every guess can be corrected, and
    /// nothing is switched without being asked. It can be left at any time and gone on with another day.
    Commission {
        /// The rules folder; a new one needs --broker.
        rules: PathBuf,
        /// The machine's name in the rules, such as filament-printer.
        machine: Name,
        /// The broker, for a folder that is not there yet.
        #[arg(long, value_name = "HOST[:PORT]")]
        broker: Option<String>,
    },
    /// Show what goes over the broker: topics, values, changes, intervals. Nothing is published.
    Listen {
        /// Only topics that match, such as meters/#; all of them unless given.
        #[arg(value_name = "FILTER")]
        filters: Vec<String>,
        /// The rules folder, for the broker with its login and certificates.
        #[arg(long, value_name = "DIR")]
        rules: Option<PathBuf>,
        /// Or the broker itself; 127.0.0.1:1883 if neither is given.
        #[arg(long, value_name = "HOST[:PORT]", conflicts_with = "rules")]
        broker: Option<String>,
        /// One JSON object a line, also in a terminal.
        #[arg(long)]
        json: bool,
        /// As lines, only what is another value than before.
        #[arg(long)]
        changes: bool,
    },
    /// Record the signals and outlet states of machines, as SenML JSON (RFC 8428) with one pack a line.
    ///
    /// What it writes, replay and calibrate read. It may be killed at any time.
    Record {
        /// The rules folder, for the broker, the topics and how they are read.
        #[arg(long, value_name = "DIR")]
        rules: PathBuf,
        /// Another port of the broker than the rules give.
        #[arg(long)]
        port: Option<u16>,
        /// Only these machines.
        #[arg(value_name = "MACHINE")]
        machines: Vec<String>,
        /// The file; one that is there already is put aside.
        #[arg(long, value_name = "FILE", default_value = "recording.jsonl")]
        out: PathBuf,
        /// A file of so many mebibytes is put aside, and the next begun.
        #[arg(long, value_name = "MIB", default_value_t = 16, value_parser = clap::value_parser!(u64).range(1..=4096))]
        rotate_mib: u64,
        /// So many files that were put aside are kept, the newest.
        #[arg(long, value_name = "N", default_value_t = 8)]
        keep: usize,
        /// For so long; until Ctrl-C unless given.
        #[arg(long = "for", value_name = "TIME", value_parser = super::replay::every)]
        during: Option<Span>,
    },
    /// Play recordings through the guard, and tell what it would have said of them. Nothing is switched.
    ///
    /// With rules: idlegate replay monday.csv.gz --rules DIR. For a quick look without:
    /// idlegate replay monday.csv.gz --settings 'busy_watts = 40, dwell = "3 min"'.
    Replay {
        /// Recordings, CSV or SenML JSON, plain or gzip. A signal finds its place by its name (MACHINE/SIGNAL or
        /// SIGNAL), or by its unit if only one signal of the rules has it.
        #[arg(value_name = "RECORDING")]
        recordings: Vec<PathBuf>,
        /// The rules folder, or the file of one machine.
        #[arg(long, value_name = "DIR")]
        rules: Option<PathBuf>,
        /// A recording of one signal, and whose it is: MACHINE/SIGNAL=FILE or SIGNAL=FILE.
        #[arg(long = "signal", value_name = "NAME=FILE")]
        signals: Vec<NamedFile>,
        /// Without rules: the detector.
        #[arg(
            long = "use",
            value_name = "DETECTOR",
            default_value = "power-threshold",
            conflicts_with = "rules"
        )]
        detector: String,
        /// Without rules: its settings, as JSON or TOML.
        #[arg(long, value_name = "SETTINGS", conflicts_with = "rules")]
        settings: Option<String>,
        /// Ask all through the recording what such a request would have done.
        #[arg(long, value_name = "REQUEST", value_parser = ["off"])]
        probe: Option<String>,
        /// How often to ask.
        #[arg(long, value_name = "TIME", default_value = "10s", value_parser = super::replay::every)]
        every: Span,
        /// A table of the true jobs, with the columns start and end, and maybe recording.
        #[arg(long, value_name = "FILE", requires = "probe")]
        jobs: Option<PathBuf>,
        /// One JSON object a line: changes, decisions, and the sums of a probe last.
        #[arg(long)]
        json: bool,
    },
    /// Begin a detector of your own, look at one, try one on a recording.
    Detector {
        #[command(subcommand)]
        task: DetectorTask,
    },
    /// Play a story in a simulated workshop, with a broker of its own and the real guard.
    Demo {
        /// Leave the workshop running afterwards, for any MQTT client to play with.
        #[arg(long)]
        keep: bool,
        /// The port of the demo's broker on 127.0.0.1; a free one unless given.
        #[arg(long, default_value_t = 0)]
        port: u16,
        /// The outcome as JSON instead of the story.
        #[arg(long)]
        json: bool,
    },
    /// Ask the running guard for something, and print its decision.
    Request {
        /// The rules folder, for the broker and the topics.
        #[arg(long, value_name = "DIR")]
        rules: PathBuf,
        /// The input to ask as: one that the rules declare without a topic of its own.
        #[arg(long = "as", value_name = "INPUT", default_value = "console")]
        input: String,
        /// Another port of the broker than the rules give, as with `idlegate demo --keep`.
        #[arg(long)]
        port: Option<u16>,
        /// The machine.
        machine: String,
        /// on, off, flip, force-off, off-once-idle, cancel, lock, unlock or emergency-off.
        request: String,
        /// The decision as JSON.
        #[arg(long)]
        json: bool,
    },
    /// Sum up what each machine did, drew and cost, and what was asked and refused; of the last week unless a time is given.
    Report {
        #[command(flatten)]
        excerpt: Excerpt,
        /// A line for each machine, as CSV.
        #[arg(long, conflicts_with = "json")]
        csv: bool,
        /// As JSON, with every job.
        #[arg(long)]
        json: bool,
        /// Write a page with plots, complete in itself.
        #[arg(long, value_name = "FILE")]
        html: Option<PathBuf>,
    },
    /// Write the journal's records as CloudEvents 1.0 in JSON, one a line.
    Export {
        #[command(flatten)]
        excerpt: Excerpt,
        /// Only the readings in them, as SenML JSON (RFC 8428): those behind decisions, and the draw of every minute.
        #[arg(long)]
        senml: bool,
    },
    /// Tell why a request was answered as it was, and what followed; or what a press would do right now.
    Why {
        /// Only decisions about this machine.
        #[arg(required_if_eq("now", "true"))]
        machine: Option<String>,
        /// What each request would do right now, from the running guard.
        #[arg(long, requires = "rules", conflicts_with_all = ["at", "state_dir"])]
        now: bool,
        /// The rules folder, which says where the journal is and, for --now, how to reach the broker.
        #[arg(long, value_name = "DIR")]
        rules: Option<PathBuf>,
        /// Another port of the broker than the rules give.
        #[arg(long, requires = "now")]
        port: Option<u16>,
        /// The state folder that holds the journal.
        #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
        state_dir: Option<PathBuf>,
        /// The decision at or before this time, such as 2026-11-25T14:03:00Z.
        #[arg(long, value_name = "TIME", conflicts_with = "last")]
        at: Option<String>,
        /// The last so many decisions.
        #[arg(long, value_name = "N", default_value_t = 1)]
        last: usize,
        /// The records behind it as JSON, one decision a line.
        #[arg(long)]
        json: bool,
    },
    /// Show the machines as the running guard sees them.
    Status {
        /// The rules folder, for the broker and the topics.
        #[arg(long, value_name = "DIR")]
        rules: PathBuf,
        /// Another port of the broker than the rules give, as with `idlegate demo --keep`.
        #[arg(long)]
        port: Option<u16>,
        /// Only this machine.
        machine: Option<String>,
        /// Stay, and show every change: a table in a terminal, a line for each elsewhere.
        #[arg(long)]
        watch: bool,
        /// As JSON: one object, machines by name.
        #[arg(long)]
        json: bool,
    },
}

/// Which part of which journal.
#[derive(Debug, clap::Args)]
pub struct Excerpt {
    /// The rules folder: where the journal is, and for a report the tariff and the shop's name.
    #[arg(long, value_name = "DIR")]
    pub(super) rules: Option<PathBuf>,
    /// The state folder that holds the journal.
    #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
    pub(super) state_dir: Option<PathBuf>,
    /// From this day or time on.
    #[arg(long, value_name = "TIME")]
    pub(super) from: Option<Time>,
    /// Up to this day or time, not included.
    #[arg(long, value_name = "TIME")]
    pub(super) to: Option<Time>,
    /// Only this machine.
    #[arg(long, value_name = "MACHINE")]
    pub(super) machine: Option<Name>,
}

#[derive(Debug, Subcommand)]
pub enum DetectorTask {
    /// Write a crate to begin with; it builds, its tests pass, and it can be tried at once.
    New {
        /// The detector's name, such as laser-tube; the crate is written into a folder of that name.
        name: String,
        /// Where to put the folder.
        #[arg(long, value_name = "DIR", default_value = ".")]
        dir: PathBuf,
    },
    /// Tell what a detector's file is, needs and asks for, and why it would be refused.
    Inspect {
        /// A component, or a core module built for wasm32-unknown-unknown.
        file: PathBuf,
        /// As JSON.
        #[arg(long)]
        json: bool,
    },
    /// Run a detector over a recording and show what it would have said.
    Try {
        /// Its file, or the name of a built-in detector.
        #[arg(value_name = "FILE")]
        detector: PathBuf,
        /// Its settings, as JSON or TOML.
        #[arg(long, value_name = "SETTINGS", default_value = "")]
        settings: String,
        /// Recordings; a signal finds its place by its name or by its unit.
        #[arg(long = "recording", value_name = "FILE")]
        recordings: Vec<PathBuf>,
        /// A recording of one signal, and which.
        #[arg(long = "signal", value_name = "NAME=FILE")]
        signals: Vec<NamedFile>,
        /// Draw every signal with the verdicts; further ones go into files with a number.
        #[arg(long, value_name = "FILE")]
        svg: Option<PathBuf>,
        /// One JSON object a line: changes, and the sum last.
        #[arg(long)]
        json: bool,
    },
}

#[derive(Clone, Copy, Debug, Default, ValueEnum)]
pub enum ExecutionArg {
    /// Native code where the system permits it, else interpreted.
    #[default]
    Automatic,
    Native,
    Interpreted,
}

impl From<ExecutionArg> for crate::detectors::Execution {
    fn from(arg: ExecutionArg) -> Self {
        match arg {
            ExecutionArg::Automatic => Self::Automatic,
            ExecutionArg::Native => Self::Native,
            ExecutionArg::Interpreted => Self::Interpreted,
        }
    }
}
