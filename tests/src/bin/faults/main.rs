//! Faults of the surroundings, each tried on the whole guard with a real broker, real connections, real files and
//! processes: a line for each, and at the end the two numbers that matter, jobs wrongly cut and emergencies not obeyed.
//!
//! Some faults show at some moments only. They are done to many machines at once, and each presses at moments of its
//! own, which a seed chooses.
//!
//! Every other trial ends in the same way: the mill works, a press is held, and the red button cuts it. So a guard that
//! came through a fault alive but blind, deaf or mute has not come through.

mod broker;
mod costly;
mod files;
#[path = "../../../../daemon/detectors/src/tests/handmade.rs"]
#[expect(
    clippy::unwrap_used,
    reason = "written for tests, where a detector that cannot be made ends the test"
)]
#[allow(dead_code, reason = "the host's own tests use more of it")]
mod handmade;
mod moments;
mod people;
mod process;
mod stage;

use std::hash::{BuildHasher as _, BuildHasherDefault, DefaultHasher, RandomState};
use std::pin::Pin;
use std::thread;
use std::time::Instant;

use anyhow::{Result, anyhow, bail};
use clap::Parser;
use idlegate_demo::workshop::Chance;
use idlegate_tests::floor::WrongOff;
use idlegate_tests::form::Form;
use serde_json::{Value as Json, json};
use tokio::runtime::Builder;

use self::moments::Moments;
use self::stage::Harm;

/// Each has a broker of its own, and mostly waits.
const AT_ONCE: usize = 9;

/// Machines that a trial of many moments has, and how often the fault is done to each of them.
const MACHINES: usize = 24;
const ROUNDS: u32 = 4;

/// Says at how many moments the fault was tried.
type Trial = fn(Moments) -> Pin<Box<dyn Future<Output = Result<u32>> + Send>>;

/// What is done to the guard, and what it is to do.
struct Fault {
    name: &'static str,
    expected: &'static str,
    /// Waits for time-outs of its own.
    slow: bool,
    trial: Trial,
}

/// Tried at one moment.
macro_rules! once {
    ($($slow:literal $trial:path: $name:literal => $expected:literal;)*) => {
        [$(Fault {
            name: $name,
            expected: $expected,
            slow: $slow,
            trial: |_| Box::pin(async { $trial().await.map(|()| 1) }),
        }),*]
    };
}

/// Tried at many machines, at moments that a seed chooses.
macro_rules! at_many_moments {
    ($($trial:path: $name:literal => $expected:literal;)*) => {
        [$(Fault { name: $name, expected: $expected, slow: false, trial: |given| Box::pin($trial(given)) }),*]
    };
}

fn many_moments() -> [Fault; 22] {
    at_many_moments! {
        moments::packs: "work in the middle of a pack of readings" => "held until a whole dwell has followed it";
        moments::unreadable: "a message of the meter that nobody can read" => "held until a whole dwell has followed it";
        moments::outage: "a job begins while the line to the broker is cut" => "nothing from before counts, no dwell runs on";
        moments::lags: "a job begins behind a slow line" => "the newest reading counts";
        moments::stands_still: "a line that stands still and moves on" => "no dwell is shorter for it";
        moments::counts_anew: "presses delivered again, and counted anew" => "not obeyed, and heard after a new battery";
        moments::speak_of_changes: "meters speak only when their value changes" => "silence counts beside a sign of life only";
        moments::corrected: "a signal's rules corrected during a job" => "what was read by the old ones is forgotten";
        moments::panel_repeats: "a panel asks again and again, one wrong gesture" => "nothing is forced; two gestures are";
        moments::others_say_on: "others say on again and again while somebody forces" => "two gestures are enough";
        moments::guests: "guests ask for all that they may not" => "two gestures are enough";
        moments::outlets_lie: "an outlet says off, and its machine works" => "two gestures send an off";
        moments::held_again_and_again: "a button held down every 1.5 s" => "told once to let go; then two are enough";
        moments::crate_leans: "a crate leans on a button, the line stands still" => "nothing is forced";
        moments::red_button_of_a_hall: "one red button for 300 machines" => "every outlet hears of it";
        moments::red_button_gone_mad: "a red button goes mad" => "others' are obeyed; it costs next to no orders";
        moments::panel_gone_mad: "a panel asks as fast as it can" => "others are obeyed, and it is named";
        moments::pushed: "latching buttons pushed live, or at a guard's start" => "off, or found; no on until unlocked";
        moments::flagged: "everything comes marked as stored" => "counts where the rules say so; smoke always";
        moments::bridge: "a bridge brings stored presses back" => "none is obeyed, and live ones are";
        moments::late_offs: "brokers that deliver late, and such that do not" => "people are told of the late ones";
        moments::late_announcements: "a phone comes back after a while" => "hears of no window that is over";
    }
}

fn at_one_moment() -> [Fault; 36] {
    once! {
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
        true costly::to_compile: "a detector that takes minutes or gigabytes to compile" => "refused, and guarded meanwhile";
        false costly::many_and_greedy: "40 detectors of 16 MiB each" => "some find no memory: busy, and said";
        true costly::killed_while_trying: "killed while it tried new rules" => "guards by those before, and says so";
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
    /// Chooses the moments [default: another one each time]
    #[arg(long, value_name = "S")]
    seed: Option<u64>,
    #[command(flatten)]
    form: Form,
}

/// On a thread of its own, so that what waits in a trial never holds up a guard, neither its own nor another's.
fn tried(trial: Trial, given: Moments) -> Result<(f64, Result<u32>)> {
    let runtime = Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    let begin = Instant::now();
    let outcome = runtime.block_on(trial(given));
    Ok((begin.elapsed().as_secs_f64(), outcome))
}

fn main() -> Result<()> {
    let Args { only, seed, form } = Args::parse();
    let seed = seed.unwrap_or_else(|| RandomState::new().hash_one(0) % 1_000_000);
    println!("seed {seed}");
    let catalogue: Vec<Fault> = many_moments().into_iter().chain(at_one_moment()).collect();
    let chosen = catalogue.iter().filter(|fault| !(form.short && fault.slow) && fault.name.contains(&only));
    let chosen: Vec<_> = chosen.collect();
    let mut score = Score::default();
    for together in chosen.chunks(AT_ONCE) {
        let begin = |fault: &&Fault| {
            let (trial, rounds) = (fault.trial, form.either(1, ROUNDS));
            // By its name, so that each can be tried again alone.
            let chance =
                Chance::new(seed ^ BuildHasherDefault::<DefaultHasher>::default().hash_one(fault.name));
            thread::spawn(move || tried(trial, Moments { chance, rounds, machines: MACHINES }))
        };
        let trials: Vec<_> = together.iter().map(begin).collect();
        for (fault, trial) in together.iter().zip(trials) {
            let (seconds, outcome) = trial.join().map_err(|_| anyhow!("a trial panicked"))??;
            score.tell(fault, seconds, outcome);
        }
    }
    form.write(&json!({ "seed": seed, "trials": score.lines }))?;
    let Score { count, survived, moments, cut, refused, .. } = score;
    let verdict = if survived == count { "ok" } else { "FAILED" };
    println!(
        "faults: {verdict}: {count} tried at {moments} moments (seed {seed}), {survived} survived; {cut} working machines cut, \
         {refused} emergencies not obeyed"
    );
    if survived < count {
        bail!("a fault was not survived");
    }
    Ok(())
}

#[derive(Default)]
struct Score {
    count: u32,
    survived: u32,
    moments: u32,
    cut: u32,
    refused: u32,
    lines: Vec<Json>,
}

impl Score {
    fn tell(&mut self, fault: &Fault, seconds: f64, outcome: Result<u32>) {
        self.count += 1;
        let wrong = outcome.as_ref().err().and_then(|error| error.downcast_ref::<WrongOff>());
        let told = wrong.map(|wrong| wrong.before.clone()).unwrap_or_default();
        let word = match outcome {
            Ok(moments) => {
                self.survived += 1;
                self.moments += moments;
                if moments > 1 { format!("survived, at {moments} moments") } else { "survived".to_owned() }
            }
            Err(error) => self.harm(&error),
        };
        println!("{:<52} {:<52} {word}", fault.name, fault.expected);
        for (before, what) in told {
            println!("    {:>6.2} s before: {what}", before.as_secs_f64());
        }
        self.lines.push(json!({
            "fault": fault.name, "expected": fault.expected, "outcome": word, "seconds": seconds,
        }));
    }

    fn harm(&mut self, error: &anyhow::Error) -> String {
        if let Some(wrong) = error.downcast_ref::<WrongOff>() {
            self.cut += 1;
            return format!("CUT A WORKING MACHINE: {wrong}");
        }
        match error.downcast_ref::<Harm>() {
            Some(Harm::Cut) => {
                self.cut += 1;
                "CUT A WORKING MACHINE".to_owned()
            }
            Some(Harm::EmergencyRefused) => {
                self.refused += 1;
                "EMERGENCY NOT OBEYED".to_owned()
            }
            None => format!("failed: {error:#}"),
        }
    }
}
