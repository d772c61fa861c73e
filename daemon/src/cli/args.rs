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
/// A networked outlet is a convenience. It is not an emergency stop, and it does not isolate a machine for work on
/// it: pull the plug for that.
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
  1   done, and the answer is no (a request was not acted on, a check failed)
  64  the command line is wrong
  69  no answer from the broker or from Idlegate
  70  something went wrong inside Idlegate
  78  the rules cannot be used";

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Guard the machines in a rules folder until stopped.
    Run {
        /// The rules folder.
        rules: PathBuf,
        /// Where to keep the journal and the lockouts. Overrides the rules.
        #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
        state_dir: Option<PathBuf>,
        /// How to execute detectors.
        #[arg(long, value_enum, default_value_t)]
        execution: ExecutionArg,
        /// Guard only the machines of this site, one of the sites in shop.toml.
        #[arg(long, value_name = "NAME")]
        site: Option<Name>,
        /// Be one of several daemons at the same broker: one guards, the others stand by. Give each its own name and
        /// state folder, and all the same rules.
        #[arg(long, value_name = "NAME")]
        stand_by: Option<Name>,
        /// Write the log as JSON.
        #[arg(long)]
        json: bool,
    },
    /// Check a rules folder and show every problem in it.
    Check {
        /// The rules folder.
        #[arg(required_unless_present_any = ["explain", "schema"])]
        rules: Option<PathBuf>,
        /// Print the report as JSON.
        #[arg(long)]
        json: bool,
        /// Show what would change if these rules replaced the ones in this folder. The guard keeps a copy of the rules
        /// in force in its state folder, STATE/last-good-rules.
        #[arg(long, value_name = "DIR", conflicts_with_all = ["explain", "schema"])]
        in_force: Option<PathBuf>,
        /// Explain the problem that has this code.
        #[arg(long, value_name = "CODE", conflicts_with = "json")]
        explain: Option<String>,
        /// Print the JSON Schema for this kind of file, for completion in editors.
        #[arg(long, value_name = "FILE", value_parser = crate::rules::schema::SCHEMA_FILES, conflicts_with_all = ["json", "explain"])]
        schema: Option<String>,
    },
    /// Write a small rules folder with comments, to start from.
    NewRules {
        /// A folder that does not exist yet, or is empty.
        dir: PathBuf,
    },
    /// Write manual pages and shell completions, laid out as in /usr/share.
    #[command(hide = true)]
    Pages {
        /// The folder to write to.
        dir: PathBuf,
    },
    /// Find the settings of power-threshold in recordings of a machine's draw.
    ///
    /// A recording is CSV with a heading such as time,watts, or SenML JSON (RFC 8428) with one pack per line, plain or
    /// gzip. If you know when the machine was working, say so; otherwise the jobs are found in the recording.
    Calibrate {
        /// Recordings of one machine.
        #[arg(required = true, value_name = "RECORDING")]
        recordings: Vec<PathBuf>,
        /// The signal to use, if a recording has several in watts.
        #[arg(long, value_name = "NAME")]
        signal: Option<String>,
        /// A time when it was working, as an ISO 8601 interval: START/END, START/DURATION or DURATION/END.
        #[arg(long = "job", value_name = "START/END")]
        jobs: Vec<Interval>,
        /// A time when it was idle. If you give any, nothing else counts as idle; otherwise all time outside jobs does.
        #[arg(long, value_name = "START/END")]
        quiet: Vec<Interval>,
        /// Print the proposal as JSON.
        #[arg(long)]
        json: bool,
        /// Put the settings into this machine's file. A file that does not exist yet becomes a new machine to fill in.
        #[arg(long, value_name = "FILE")]
        write: Option<PathBuf>,
        /// Draw the recording with its levels, jobs and verdicts into this SVG file.
        #[arg(long, value_name = "FILE")]
        svg: Option<PathBuf>,
    },
    /// Check the workshop as it runs: broker, rights, topics, stored requests, clock and disk.
    ///
    /// It says what to do about every fault. It sends nothing to any machine, and you can run it at any time, even while
    /// the guard is running.
    Checkup {
        /// The rules folder.
        rules: PathBuf,
        /// The broker's port, if not the one in the rules.
        #[arg(long)]
        port: Option<u16>,
        /// How long to listen: longer than the slowest meter stays silent.
        #[arg(long = "for", value_name = "TIME", default_value = "15s", value_parser = super::replay::every)]
        during: Span,
        /// Print one JSON object per line.
        #[arg(long)]
        json: bool,
    },
    /// Set up one machine by hand: switch it, press its button, let it work. Then prove that it is guarded.
    ///
    /// It watches what changes on the broker, and proposes where to find the outlet's state and orders, the draw and
    /// the gestures, and which draw means that the machine is working. It writes the rules and takes you through a drill
    /// at the machine. You can correct every guess, and it asks before it switches anything. You can stop at any time and
    /// go on another day.
    Commission {
        /// The rules folder. A new one needs --broker.
        rules: PathBuf,
        /// The machine's name in the rules, such as filament-printer.
        machine: Name,
        /// The broker, for a folder that does not exist yet.
        #[arg(long, value_name = "HOST[:PORT]")]
        broker: Option<String>,
    },
    /// Show what passes through the broker: topics, values, changes, intervals. It publishes nothing.
    Listen {
        /// Show only topics that match, such as meters/#. Default: all topics.
        #[arg(value_name = "FILTER")]
        filters: Vec<String>,
        /// The rules folder, for the broker, its login and its certificates.
        #[arg(long, value_name = "DIR")]
        rules: Option<PathBuf>,
        /// Or the broker itself. Default, if neither is given: 127.0.0.1:1883.
        #[arg(long, value_name = "HOST[:PORT]", conflicts_with = "rules")]
        broker: Option<String>,
        /// Print one JSON object per line, even in a terminal.
        #[arg(long)]
        json: bool,
        /// Print a line only when a value changes.
        #[arg(long)]
        changes: bool,
    },
    /// Record the signals and outlet states of machines, as SenML JSON (RFC 8428) with one pack per line.
    ///
    /// Replay and calibrate read these files. You can kill it at any time and lose at most one line.
    Record {
        /// The rules folder, for the broker, the topics and how to read them.
        #[arg(long, value_name = "DIR")]
        rules: PathBuf,
        /// The broker's port, if not the one in the rules.
        #[arg(long)]
        port: Option<u16>,
        /// Record only these machines.
        #[arg(value_name = "MACHINE")]
        machines: Vec<String>,
        /// The file to write. If it exists already, the old one is renamed.
        #[arg(long, value_name = "FILE", default_value = "recording.jsonl")]
        out: PathBuf,
        /// When the file reaches this size in MiB, rename it and start a new one.
        #[arg(long, value_name = "MIB", default_value_t = 16, value_parser = clap::value_parser!(u64).range(1..=4096))]
        rotate_mib: u64,
        /// How many renamed files to keep; older ones are deleted.
        #[arg(long, value_name = "N", default_value_t = 8)]
        keep: usize,
        /// How long to record. Default: until Ctrl-C.
        #[arg(long = "for", value_name = "TIME", value_parser = super::replay::every)]
        during: Option<Span>,
    },
    /// Play recordings through the guard, and show what it would have said. Nothing is switched.
    ///
    /// With rules: idlegate replay monday.csv.gz --rules DIR. For a quick look without:
    /// idlegate replay monday.csv.gz --settings 'busy_watts = 40, dwell = "3 min"'.
    Replay {
        /// Recordings: CSV or SenML JSON, plain or gzip. Each recorded signal is matched with the rules by its name
        /// (MACHINE/SIGNAL or SIGNAL), or by its unit if only one signal in the rules has that unit.
        #[arg(value_name = "RECORDING")]
        recordings: Vec<PathBuf>,
        /// The rules folder, or the file of one machine.
        #[arg(long, value_name = "DIR")]
        rules: Option<PathBuf>,
        /// A recording of one signal, and which signal it is: MACHINE/SIGNAL=FILE or SIGNAL=FILE.
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
        /// Ask again and again, throughout the recording, what this request would have done.
        #[arg(long, value_name = "REQUEST", value_parser = ["off"])]
        probe: Option<String>,
        /// How often to ask.
        #[arg(long, value_name = "TIME", default_value = "10s", value_parser = super::replay::every)]
        every: Span,
        /// A CSV table of the actual jobs, with columns start and end, and recording if there are several.
        #[arg(long, value_name = "FILE", requires = "probe")]
        jobs: Option<PathBuf>,
        /// Print one JSON object per line: changes, decisions, and the totals of a probe last.
        #[arg(long)]
        json: bool,
    },
    /// Start a detector of your own, inspect one, or try one on a recording.
    Detector {
        #[command(subcommand)]
        task: DetectorTask,
    },
    /// Play a story in a simulated workshop, with a broker of its own and the real guard.
    Demo {
        /// Leave the workshop running afterwards, so that you can try it with any MQTT client.
        #[arg(long)]
        keep: bool,
        /// The port of the demo's broker on 127.0.0.1. 0 means any free port.
        #[arg(long, default_value_t = 0)]
        port: u16,
        /// Print the outcome as JSON instead of the story.
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
        /// The broker's port, if not the one in the rules, as with `idlegate demo --keep`.
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
    /// Sum up what each machine did, drew and cost, and what was asked and refused. Default: the last week.
    Report {
        #[command(flatten)]
        excerpt: Excerpt,
        /// Print one line per machine, as CSV.
        #[arg(long, conflicts_with = "json")]
        csv: bool,
        /// Print as JSON, with every job.
        #[arg(long)]
        json: bool,
        /// Write a web page with plots, all in one file.
        #[arg(long, value_name = "FILE")]
        html: Option<PathBuf>,
    },
    /// Write the journal's records as CloudEvents 1.0 in JSON, one per line.
    Export {
        #[command(flatten)]
        excerpt: Excerpt,
        /// Write only the readings, as SenML JSON (RFC 8428): those behind decisions, and the draw of every minute.
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
        /// The broker's port, if not the one in the rules.
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
        /// The broker's port, if not the one in the rules, as with `idlegate demo --keep`.
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
    /// The rules folder: it says where the journal is, and for a report the tariff and the shop's name.
    #[arg(long, value_name = "DIR")]
    pub(super) rules: Option<PathBuf>,
    /// The state folder, where the journal is.
    #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
    pub(super) state_dir: Option<PathBuf>,
    /// From this day or time on.
    #[arg(long, value_name = "TIME")]
    pub(super) from: Option<Time>,
    /// Up to, but not including, this day or time.
    #[arg(long, value_name = "TIME")]
    pub(super) to: Option<Time>,
    /// Only this machine.
    #[arg(long, value_name = "MACHINE")]
    pub(super) machine: Option<Name>,
}

#[derive(Debug, Subcommand)]
pub enum DetectorTask {
    /// Write a crate to start from: it builds, its tests pass, and you can try it at once.
    New {
        /// The detector's name, such as laser-tube. The crate goes into a folder of that name.
        name: String,
        /// Where to put the folder.
        #[arg(long, value_name = "DIR", default_value = ".")]
        dir: PathBuf,
    },
    /// Show what a detector's file is, what it needs and asks for, and why it would be refused.
    Inspect {
        /// A component, or a core module built for wasm32-unknown-unknown.
        file: PathBuf,
        /// Print as JSON.
        #[arg(long)]
        json: bool,
    },
    /// Run a detector over a recording and show what it would have said.
    Try {
        /// The detector's file, or the name of a built-in detector.
        #[arg(value_name = "FILE")]
        detector: PathBuf,
        /// Its settings, as JSON or TOML.
        #[arg(long, value_name = "SETTINGS", default_value = "")]
        settings: String,
        /// A recording. Its signals are matched with the detector's by name or by unit.
        #[arg(long = "recording", value_name = "FILE")]
        recordings: Vec<PathBuf>,
        /// A recording of one signal, and which signal it is.
        #[arg(long = "signal", value_name = "NAME=FILE")]
        signals: Vec<NamedFile>,
        /// Draw each signal with the verdicts into this SVG file; further signals go into numbered files beside it.
        #[arg(long, value_name = "FILE")]
        svg: Option<PathBuf>,
        /// Print one JSON object per line: changes, and the totals last.
        #[arg(long)]
        json: bool,
    },
}

#[derive(Clone, Copy, Debug, Default, ValueEnum)]
pub enum ExecutionArg {
    /// Native code where the system permits it, otherwise interpreted.
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
