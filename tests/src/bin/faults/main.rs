//! Faults of the surroundings, each tried on the whole guard with a real broker, real connections, real files and processes: a
//! line for each, and at the end the two numbers that matter, jobs wrongly cut and emergencies not obeyed.
//!
//! Every trial ends in the same way: the mill works, a press is held, and the red button cuts it. So a guard that came through
//! a fault alive but blind, deaf or mute has not come through.

mod broker;
mod files;
mod people;
mod process;
mod stage;

use std::pin::Pin;
use std::thread;
use std::time::Instant;

use anyhow::{Result, anyhow, bail};
use clap::Parser;
use idlegate_tests::form::Form;
use serde_json::json;
use tokio::runtime::Builder;

use self::stage::Harm;

/// Each has a broker of its own, and mostly waits.
const AT_ONCE: usize = 9;

type Trial = fn() -> Pin<Box<dyn Future<Output = Result<()>> + Send>>;

/// What is done to the guard, and what it is to do.
struct Fault {
    name: &'static str,
    expected: &'static str,
    /// Waits for time-outs of its own.
    slow: bool,
    trial: Trial,
}

macro_rules! faults {
    ($($slow:literal $trial:path: $name:literal => $expected:literal;)*) => {
        [$(Fault { name: $name, expected: $expected, slow: $slow, trial: || Box::pin($trial()) }),*]
    };
}

fn catalogue() -> [Fault; 33] {
    faults! {
        false broker::down_at_start: "broker down at the start" => "connects when it comes, and guards";
        false broker::dies: "broker dies and comes back" => "a working machine is still held, no off";
        true broker::half_open: "connection swallows everything" => "noticed by keep-alive; what waited is old";
        false broker::stored_request: "a request in the broker's store" => "ignored";
        false broker::oversize: "a stored message of 300 KB" => "stays connected";
        true broker::taken_over: "another client with our id" => "backs off, and comes back";
        false broker::old_requests: "500 presses delivered seconds late" => "none is obeyed";
        false broker::denied: "broker denies the meter's topic" => "busy until known; emergencies pass";
        false broker::flood: "20,000 readings at once" => "presses are answered all the same";
        false broker::outlet_out_of_reach: "outlet says that it cannot be reached" => "an emergency is sent all the same";
        false broker::hostile_payloads: "payloads that are no payloads" => "each is refused, none does anything";
        false files::half_written: "rules half written, then whole" => "the old ones until then";
        false files::broken: "rules with a slip, deleted, a folder in their place" => "the old ones stay";
        false files::saved_often: "100 saves in a second" => "the last one counts";
        false files::no_state_folder: "a state folder that cannot be made" => "guards from memory, and says so";
        false files::disk_full: "the disk is full, and has room again" => "guards from memory, says so, records again";
        false files::disk_read_only: "the disk is read-only at the start" => "guards from memory, says so, records again";
        false files::damaged_journal: "a journal that is none" => "set aside, a new one begun";
        false process::restarts: "20 restarts while the mill works" => "never an off";
        true process::frozen: "stopped in a window, a force waits" => "it is old, and held";
        true process::suspended: "suspended in a window, and woken by a force" => "the window is over: held";
        false process::clock_steps: "the clock steps by a day, to and fro" => "a window is as long as ever";
        false process::clock_unset: "a clock that begins in 1970" => "guards, before and after it is set";
        true process::twice: "started twice" => "nothing is switched, and one guards";
        false process::few_files: "no more files may be opened" => "guards all the same";
        false process::terminated: "ended in a window" => "the window is closed, and it ends well";
        false people::bouncing: "five presses within 80 ms" => "one request";
        false people::press_reported_as_both: "one gesture reported as press and hold" => "no force";
        false people::force_too_late: "a force after the window" => "held again";
        false people::two_forces: "two forces in one window" => "one off";
        true people::stuck: "a button that is stuck" => "one request, then told as stuck";
        false people::emergency_anyway: "emergency in a window, and believed off" => "off each time";
        false people::by_hand: "outlet switched by its own button" => "told, and not fought";
    }
}

/// Faults of the surroundings, each tried on the whole guard
///
/// The short form leaves out those that wait for long.
#[derive(Parser)]
struct Args {
    /// Only those with these words in their names
    #[arg(long, value_name = "WORDS", default_value = "", hide_default_value = true)]
    only: String,
    #[command(flatten)]
    form: Form,
}

/// On a thread of its own, so that what waits in a trial never holds up a guard, neither its own nor another's.
fn tried(trial: Trial) -> Result<(f64, Result<()>)> {
    let runtime = Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    let begin = Instant::now();
    let outcome = runtime.block_on(trial());
    Ok((begin.elapsed().as_secs_f64(), outcome))
}

fn main() -> Result<()> {
    let Args { only, form } = Args::parse();
    let catalogue = catalogue();
    let chosen = catalogue.iter().filter(|fault| !(form.short && fault.slow) && fault.name.contains(&only));
    let (mut count, mut survived, mut cut, mut refused) = (0, 0, 0, 0);
    let mut lines = Vec::new();
    let chosen: Vec<_> = chosen.collect();
    for together in chosen.chunks(AT_ONCE) {
        let trials = together.iter().map(|fault| fault.trial);
        let trials: Vec<_> = trials.map(|trial| thread::spawn(move || tried(trial))).collect();
        for (fault, trial) in together.iter().zip(trials) {
            let (seconds, outcome) = trial.join().map_err(|_| anyhow!("a trial panicked"))??;
            count += 1;
            let word = match &outcome {
                Ok(()) => {
                    survived += 1;
                    "survived".to_owned()
                }
                Err(error) => match error.downcast_ref::<Harm>() {
                    Some(Harm::Cut) => {
                        cut += 1;
                        "CUT A WORKING MACHINE".to_owned()
                    }
                    Some(Harm::EmergencyRefused) => {
                        refused += 1;
                        "EMERGENCY NOT OBEYED".to_owned()
                    }
                    None => format!("failed: {error:#}"),
                },
            };
            println!("{:<52} {:<52} {word}", fault.name, fault.expected);
            lines.push(json!({
                "fault": fault.name, "expected": fault.expected, "outcome": word, "seconds": seconds,
            }));
        }
    }
    form.write(&lines.into())?;
    let verdict = if survived == count { "ok" } else { "FAILED" };
    println!(
        "faults: {verdict}: {count} tried, {survived} survived; {cut} working machines cut, {refused} emergencies not obeyed"
    );
    if survived < count {
        bail!("a fault was not survived");
    }
    Ok(())
}
