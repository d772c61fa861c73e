//! The command line: one file per command, with its arguments and what runs it. All of them are thin: whatever they do
//! is done elsewhere.

mod calibrate;
mod check;
mod checkup;
mod commission;
mod demo;
mod detector;
mod drill;
mod emergency_login;
mod exit_code;
mod export;
mod journal;
mod kept;
mod listen;
mod logging;
mod new_rules;
mod output;
mod pages;
mod pictures;
mod progress;
mod record;
mod replay;
mod report;
mod request;
mod rules;
mod rules_history;
mod run;
mod screen;
mod short_connection;
mod state_folder;
mod status;
mod times;
mod trial;
mod watch;
mod why;

use clap::builder::Styles;
use clap::builder::styling::Style;
use clap::{Parser, Subcommand};

use exit_code::EXIT_CODES;
use output::print_error;

pub use exit_code::Exit;

/// One guard between every way of switching a workshop machine and the outlet that feeds it.
///
/// A networked outlet is a convenience. It is not an emergency stop, and it does not isolate a machine for work on
/// it: pull the plug for that.
#[derive(Debug, Parser)]
#[command(name = "idlegate", version, after_help = EXIT_CODES, styles = STYLES)]
struct Args {
    #[command(subcommand)]
    command: Command,
}

/// Bold and nothing else: help has nothing in it that a colour would stand for.
const STYLES: Styles = {
    let bold = Style::new().bold();
    Styles::plain().header(bold).usage(bold).literal(bold).error(bold).valid(bold).invalid(bold)
};

#[derive(Debug, Subcommand)]
enum Command {
    Run(run::RunArgs),
    Check(check::CheckArgs),
    NewRules(new_rules::NewRulesArgs),
    Rules(rules_history::RulesArgs),
    #[command(hide = true)]
    Pages(pages::PagesArgs),
    Calibrate(calibrate::CalibrateArgs),
    Checkup(checkup::CheckupArgs),
    Commission(commission::CommissionArgs),
    Drill(drill::DrillArgs),
    Listen(listen::ListenArgs),
    Record(record::RecordArgs),
    Replay(replay::ReplayArgs),
    Detector(detector::DetectorArgs),
    Demo(demo::DemoArgs),
    Request(request::RequestArgs),
    Report(report::ReportArgs),
    Trial(trial::TrialArgs),
    Export(export::ExportArgs),
    Why(why::WhyArgs),
    Status(status::StatusArgs),
}

/// Takes the program's arguments apart and does what they say.
pub fn main() -> Exit {
    let args = match Args::try_parse() {
        Ok(args) => args,
        Err(error) => {
            // Help and version are no mistakes.
            let exit = if error.use_stderr() { Exit::Usage } else { Exit::Good };
            let printed = error.print();
            return if printed.is_ok() { exit } else { Exit::Internal };
        }
    };
    match args.command.run() {
        Ok(exit) => exit,
        Err(error) => {
            print_error!("idlegate: {error:#}");
            Exit::Internal
        }
    }
}

impl Command {
    fn run(self) -> anyhow::Result<Exit> {
        match self {
            Command::Run(args) => args.run(),
            Command::Check(args) => args.run(),
            Command::NewRules(args) => args.run(),
            Command::Rules(args) => args.run(),
            Command::Pages(args) => args.run(),
            Command::Calibrate(args) => args.run(),
            Command::Checkup(args) => args.run(),
            Command::Commission(args) => args.run(),
            Command::Drill(args) => args.run(),
            Command::Listen(args) => args.run(),
            Command::Record(args) => args.run(),
            Command::Replay(args) => args.run(),
            Command::Detector(args) => args.run(),
            Command::Demo(args) => args.run(),
            Command::Request(args) => args.run(),
            Command::Report(args) => args.run(),
            Command::Trial(args) => args.run(),
            Command::Export(args) => args.run(),
            Command::Why(args) => args.run(),
            Command::Status(args) => args.run(),
        }
    }
}

fn runtime() -> anyhow::Result<tokio::runtime::Runtime> {
    Ok(tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?)
}
