//! The command line: one file per command, thin, everything they do is done elsewhere.

mod args;
mod calibrate;
mod check;
mod checkup;
mod commission;
mod demo;
mod detector;
mod exit_code;
mod journal;
mod listen;
mod logging;
mod new_rules;
mod pages;
mod pictures;
mod progress;
mod record;
mod replay;
mod report;
mod request;
mod rules;
mod run;
mod screen;
mod status;
mod visitor;
mod watch;
mod why;

use clap::Parser;

pub use args::{Args, Command, DetectorTask};
pub use exit_code::Exit;

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
    match dispatch(args.command) {
        Ok(exit) => exit,
        Err(error) => {
            eprintln!("idlegate: {error:#}");
            Exit::Internal
        }
    }
}

fn dispatch(command: Command) -> anyhow::Result<Exit> {
    match command {
        Command::Run { rules, state_dir, execution, site, stand_by, json } => {
            run::run(run::Wanted { rules, state_dir, execution: execution.into(), site, stand_by, json })
        }
        Command::Check { explain: Some(code), .. } => check::explain(&code),
        Command::Check { schema: Some(file), .. } => check::schema(&file),
        Command::Check { rules, json, in_force: Some(in_force), .. } => {
            check::compare(&rules.unwrap_or_default(), &in_force, json)
        }
        Command::Check { rules, json, explain: None, schema: None, in_force: None } => {
            check::check(&rules.unwrap_or_default(), json)
        }
        Command::Pages { dir } => pages::write(&dir),
        Command::NewRules { dir } => new_rules::write(&dir),
        Command::Calibrate { recordings, signal, jobs, quiet, json, write, svg } => {
            calibrate::calibrate(calibrate::Wanted { recordings, signal, jobs, quiet, json, write, svg })
        }
        Command::Replay { recordings, rules, signals, detector, settings, probe, every, jobs, json } => {
            let probe = probe.is_some();
            replay::replay(&replay::Wanted {
                recordings,
                rules,
                signals,
                detector,
                settings,
                probe,
                every,
                jobs,
                json,
            })
        }
        Command::Detector { task } => detector::detector(task),
        Command::Demo { keep, port, json } => demo::demo(keep, port, json),
        Command::Request { rules, input, port, machine, request, json } => {
            request::request(&request::Asking { rules, input, port, machine, request, json })
        }
        Command::Listen { filters, rules, broker, json, changes } => {
            listen::listen(&listen::Wanted { filters, rules, broker, json, changes })
        }
        Command::Checkup { rules, port, during, json } => {
            checkup::checkup(&checkup::Wanted { rules, port, during, json })
        }
        Command::Commission { rules, machine, broker } => {
            commission::commission(&commission::Wanted { rules, machine, broker })
        }
        Command::Record { rules, port, machines, out, rotate_mib, keep, during } => {
            record::record(&record::Wanted { rules, port, machines, out, rotate_mib, keep, during })
        }
        Command::Report { excerpt, csv, json, html } => {
            let shape = match (csv, json) {
                (true, _) => report::Shape::Csv,
                (_, true) => report::Shape::Json,
                _ => report::Shape::Words,
            };
            report::report(&excerpt, shape, html.as_deref())
        }
        Command::Export { excerpt, senml } => report::export(&excerpt, senml),
        Command::Why { machine: Some(machine), now: true, rules, port, json, .. } => {
            why::now(&rules.unwrap_or_default(), port, &machine, json)
        }
        Command::Why { machine, rules, state_dir, at, last, json, .. } => {
            why::why(&why::Wanted { machine, rules, state_dir, at, last, json })
        }
        Command::Status { rules, port, machine, watch, json } => {
            status::status(&rules, port, machine.as_deref(), watch, json)
        }
    }
}

fn runtime() -> anyhow::Result<tokio::runtime::Runtime> {
    Ok(tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?)
}
