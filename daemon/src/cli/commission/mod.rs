//! `idlegate commission`: one machine from nothing to guarded, step by step, by doing things by hand.

pub(super) mod dialogue;
mod draw;
mod finish;
mod meter;
mod outlet;
mod pace;
mod press;
mod tape;

use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context as _;

use self::dialogue::{Dialogue, Leave, Told};
pub(super) use self::finish::stays_off;
use super::exit_code::Exit;
use super::listen::broker_of;
use super::output::{print_error, print_line};
use super::runtime;
use super::short_connection::ShortConnection;
use idlegate_detectors::Modules;
use idlegate_os::files;
use idlegate_plan::Plan;
use idlegate_plan::event::Name;
use idlegate_plan::text::counted;
use idlegate_rules::{Folder, Surroundings, SystemSecrets};
use idlegate_setup::commission::{ButtonAnswer, CAUTIONS, Notebook};

const PATIENCE: Duration = Duration::from_secs(6);

/// Set up one machine by hand: switch it, press its button, let it work. Then prove that it is guarded.
///
/// It watches what changes on the broker, and proposes where to find the outlet's state and orders, the draw and
/// the gestures, and which draw means that the machine is working. It writes the rules and takes you through a drill
/// at the machine. You can correct every guess, and it asks before it switches anything. You can stop at any time and
/// go on another day.
#[derive(Debug, clap::Args)]
pub(super) struct CommissionArgs {
    /// The rules folder. A new one needs --broker.
    rules: PathBuf,
    /// The machine's name in the rules, such as filament-printer.
    machine: Name,
    /// The broker, for a folder that does not exist yet.
    #[arg(long, value_name = "HOST[:PORT]")]
    broker: Option<String>,
}

/// The steps, in the order in which they build on each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Outlet,
    Order,
    Meter,
    Draw,
    Limits,
    Button,
    Rules,
    Drill,
}

impl Step {
    const ALL: [Step; 8] = [
        Step::Outlet,
        Step::Order,
        Step::Meter,
        Step::Draw,
        Step::Limits,
        Step::Button,
        Step::Rules,
        Step::Drill,
    ];

    const fn title(self) -> &'static str {
        match self {
            Step::Outlet => "Where does the outlet say that it is on?",
            Step::Order => "How is it switched?",
            Step::Meter => "Where is the machine's draw?",
            Step::Draw => "What does it draw, idle and working?",
            Step::Limits => "Which draw means that it is working?",
            Step::Button => "Is there a button beside it?",
            Step::Rules => "The rules",
            Step::Drill => "The drill",
        }
    }

    /// What is known of it, if it is settled.
    fn settled(self, notebook: &Notebook) -> Option<String> {
        let notes = &notebook.notes;
        match self {
            Step::Outlet => notes.outlet.as_ref().map(|it| format!("{}: {} and {}", it.place, it.on, it.off)),
            Step::Order if notes.watched => Some("not at all: it is only watched".to_owned()),
            Step::Order => notes.order.as_ref().map(|it| {
                let never_off = if notes.never_off { ", but never off" } else { "" };
                format!("{}: {} and {}{never_off}", it.topic, it.on, it.off)
            }),
            Step::Meter => notes.meter.as_ref().map(|it| it.place.to_string()),
            Step::Draw => {
                let measured = !notes.recordings.is_empty() || notes.limits.is_some();
                measured.then(|| {
                    let recordings = counted(notes.recordings.len(), "recording");
                    format!("{recordings}, {} marked", counted(notes.jobs.len(), "job"))
                })
            }
            Step::Limits => notes.limits.as_ref().map(|it| {
                format!("busy above {} W, idle below {} W for {}", it.busy_watts, it.quiet_watts, it.dwell)
            }),
            Step::Button if !notes.can_be_switched_off() => Some("none is needed".to_owned()),
            Step::Button => notes.button.as_ref().map(|answer| match answer {
                ButtonAnswer::None => "none".to_owned(),
                ButtonAnswer::One(button) => format!("{}, as {}", button.place, button.name),
            }),
            Step::Rules => notes.written.as_ref().map(|digest| format!("written ({:.12})", digest)),
            Step::Drill => None,
        }
    }
}

impl CommissionArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let plan = match broker_plan(self)? {
            Ok(plan) => plan,
            Err(exit) => return Ok(exit),
        };
        let notebook = match Notebook::open(&self.rules, self.machine.as_str()) {
            Ok(notebook) => notebook,
            Err(error) => {
                print_error!("idlegate: {error}");
                return Ok(Exit::No);
            }
        };
        runtime()?.block_on(converse(self, plan, notebook))
    }
}

/// The broker by the folder's own shop.toml; a folder without one gets it.
fn broker_plan(wanted: &CommissionArgs) -> anyhow::Result<Result<Plan, Exit>> {
    let file = wanted.rules.join("shop.toml");
    if !file.exists() {
        let Some(broker) = &wanted.broker else {
            print_error!(
                "idlegate: {} does not exist yet; say where the broker is, with --broker HOST[:PORT]",
                file.display()
            );
            return Ok(Err(Exit::Usage));
        };
        let (host, port) = match broker_of(broker) {
            Ok(broker) => broker,
            Err(exit) => return Ok(Err(exit)),
        };
        std::fs::create_dir_all(&wanted.rules)
            .with_context(|| format!("cannot create {}", wanted.rules.display()))?;
        files::replace(&file, &shop(host, port))
            .with_context(|| format!("cannot write {}", file.display()))?;
        print_line!("{}: new, in shadow mode: Idlegate watches, but switches nothing yet", file.display());
    } else if wanted.broker.is_some() {
        print_line!("--broker is ignored: {} already says where the broker is", file.display());
    }
    let text = std::fs::read_to_string(&file).with_context(|| format!("cannot read {}", file.display()))?;
    let folder = Folder::from_texts(&wanted.rules, [("shop.toml", text.as_str())]);
    let modules = Modules::new(idlegate_detectors::Execution::Interpreted, None)?;
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::SERVICE };
    Ok(idlegate_rules::compile(&folder, &around).map(|compiled| compiled.plan).map_err(|problems| {
        for problem in problems.iter().filter(|problem| problem.is_error()) {
            print_error!("{}", problem.render());
        }
        Exit::Rules
    }))
}

fn shop(host: &str, port: u16) -> String {
    let host = toml_edit::Value::from(host);
    format!(
        "# The workshop as a whole.\n\ntitle = \"My workshop\"\n\n[broker]\nhost = {}\nport = {port}\n\n[guard]\n\
         # Start by watching: Idlegate decides and records, but switches nothing except in an emergency.\n\
         # Remove this line when its decisions are the ones you want.\nshadow = true\n",
        host.to_string().trim()
    )
}

async fn converse(wanted: &CommissionArgs, plan: Plan, mut notebook: Notebook) -> anyhow::Result<Exit> {
    let connection = match ShortConnection::arrive(&plan, &["#".to_owned()], PATIENCE).await {
        Ok(connection) => connection,
        Err(error) => {
            print_error!("idlegate: {error:#}");
            return Ok(Exit::Unavailable);
        }
    };
    let mut dialogue = Dialogue::new(connection, &plan.shop.prefix);
    welcome(&dialogue, wanted.machine.as_str());
    let ended = tokio::select! {
        ended = steps(&mut dialogue, &wanted.rules, &plan, &mut notebook) => ended,
        interrupted = tokio::signal::ctrl_c() => Err(interrupted.map_or_else(Leave::from, |()| Leave::Quit)),
    };
    notebook.save().context("cannot save the notes")?;
    dialogue.connection.leave().await;
    match ended {
        Ok(exit) => Ok(exit),
        Err(Leave::Back | Leave::Quit) => {
            print_line!("\nEverything so far is saved. Run the same command again to go on from here.");
            Ok(Exit::No)
        }
        Err(Leave::Failed(error)) => Err(error),
    }
}

fn welcome(dialogue: &Dialogue, machine: &str) {
    dialogue.say(&format!("Setting up {machine}. Idlegate asks before it switches anything."));
    for caution in CAUTIONS {
        dialogue.say(&format!("  - {caution}"));
    }
    dialogue.say("At every question: Enter accepts the answer in brackets, `back` goes back one step, `quit` stops for today.");
}

async fn steps(dialogue: &mut Dialogue, rules: &Path, plan: &Plan, notebook: &mut Notebook) -> Told<Exit> {
    let mut index = match begin_at(dialogue, notebook).await {
        Err(Leave::Back) => 0,
        begin => begin?,
    };
    if notebook.notes.title.is_none() {
        let words = notebook.machine().replace('-', " ");
        let proposed = words[..1].to_uppercase() + &words[1..];
        notebook.notes.title = Some(dialogue.ask("What do people call the machine?", Some(&proposed)).await?);
    }
    loop {
        let step = Step::ALL[index];
        dialogue.head(index + 1, step.title());
        let done = match step {
            Step::Outlet => outlet::state(dialogue, notebook).await,
            Step::Order => outlet::order(dialogue, notebook).await,
            Step::Meter => meter::meter(dialogue, notebook).await,
            Step::Draw => draw::measure(dialogue, notebook).await,
            Step::Limits => draw::limits(dialogue, rules, notebook).await,
            Step::Button if !notebook.notes.can_be_switched_off() => {
                dialogue.say("Nobody can ask Idlegate to switch it off, so it needs none.");
                notebook.notes.button = Some(ButtonAnswer::None);
                Ok(())
            }
            Step::Button => press::button(dialogue, notebook).await,
            Step::Rules => finish::write(dialogue, rules, notebook).await,
            Step::Drill => return finish::drill(dialogue, rules, plan, notebook).await,
        };
        match done {
            Ok(()) => {
                notebook.save()?;
                index += 1;
            }
            Err(Leave::Back) => index = index.saturating_sub(1),
            Err(leave) => return Err(leave),
        }
    }
}

/// The first step that is not settled, unless the person wants to correct an earlier one.
async fn begin_at(dialogue: &mut Dialogue, notebook: &Notebook) -> Told<usize> {
    let settled: Vec<_> = Step::ALL.iter().map_while(|step| step.settled(notebook)).collect();
    if settled.is_empty() {
        return Ok(0);
    }
    dialogue.say("\nKnown from before:");
    for (number, (step, known)) in (1..).zip(Step::ALL.iter().zip(&settled)) {
        dialogue.say(&format!("  {number}  {} {known}", step.title()));
    }
    let next = (settled.len() + 1).to_string();
    loop {
        let answer = dialogue.ask("Go on at step", Some(&next)).await?;
        match answer.parse::<usize>() {
            Ok(number) if (1..=settled.len() + 1).contains(&number) => return Ok(number - 1),
            Ok(_) | Err(_) => dialogue.say(&format!("(Give a number from 1 to {next}.)")),
        }
    }
}
