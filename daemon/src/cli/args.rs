//! The command line.

use std::path::PathBuf;

use clap::{Parser, Subcommand, ValueEnum};

/// One guard between every way of switching a workshop machine and the outlet that feeds it.
///
/// A networked outlet is a convenience: not an emergency stop, and not a means of isolating a machine for work on
/// it. Pull the plug for that.
#[derive(Debug, Parser)]
#[command(name = "idlegate", version, after_help = EXIT_CODES)]
pub struct Args {
    #[command(subcommand)]
    pub command: Command,
}

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
        /// Log lines as JSON.
        #[arg(long)]
        json: bool,
    },
    /// Look a rules folder over and tell every problem in it.
    Check {
        /// The rules folder.
        #[arg(required_unless_present = "explain")]
        rules: Option<PathBuf>,
        /// The report as JSON.
        #[arg(long)]
        json: bool,
        /// Say more about the problem with this code.
        #[arg(long, value_name = "CODE", conflicts_with = "json")]
        explain: Option<String>,
    },
    /// Write a small commented rules folder to begin with.
    NewRules {
        /// A folder that is not there yet, or is empty.
        dir: PathBuf,
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
        /// on, off, flip, force-off, off-when-idle, cancel, lock, unlock or emergency-off.
        request: String,
        /// The decision as JSON.
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
        /// As JSON: one object, machines by name.
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
