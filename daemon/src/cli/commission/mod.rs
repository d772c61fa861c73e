//! `idlegate commission`: one machine from nothing to guarded, step by step, by doing things by hand.

mod draw;
mod finish;
mod outlet;
mod press;
mod talk;

use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context as _;

use self::talk::{Leave, Talk, Told};
use super::exit_code::Exit;
use super::listen::broker_of;
use super::runtime;
use super::visitor::Visitor;
use crate::commission::{ButtonAnswer, CAUTIONS, Notebook};
use crate::event::Name;
use crate::files;
use crate::plan::Plan;
use crate::rules::{Folder, Surroundings, SystemSecrets};
use crate::service::Modules;
use crate::text::counted;

const PATIENCE: Duration = Duration::from_secs(6);

#[derive(Debug)]
pub(super) struct Wanted {
    pub(super) rules: PathBuf,
    pub(super) machine: Name,
    pub(super) broker: Option<String>,
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
            Step::Order => notes.order.as_ref().map(|it| format!("{}: {} and {}", it.topic, it.on, it.off)),
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
            Step::Button => notes.button.as_ref().map(|answer| match answer {
                ButtonAnswer::None => "none".to_owned(),
                ButtonAnswer::One(button) => format!("{}, as {}", button.place, button.name),
            }),
            Step::Rules => notes.written.as_ref().map(|digest| format!("written ({:.12})", digest)),
            Step::Drill => None,
        }
    }
}

pub(super) fn commission(wanted: &Wanted) -> anyhow::Result<Exit> {
    let plan = match broker_plan(wanted)? {
        Ok(plan) => plan,
        Err(exit) => return Ok(exit),
    };
    let notebook = match Notebook::open(&wanted.rules, wanted.machine.as_str()) {
        Ok(notebook) => notebook,
        Err(error) => {
            eprintln!("idlegate: {error}");
            return Ok(Exit::No);
        }
    };
    runtime()?.block_on(converse(wanted, plan, notebook))
}

/// The broker by the folder's own shop.toml; a folder without one gets it.
fn broker_plan(wanted: &Wanted) -> anyhow::Result<Result<Plan, Exit>> {
    let file = wanted.rules.join("shop.toml");
    if !file.exists() {
        let Some(broker) = &wanted.broker else {
            eprintln!(
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
        println!("{}: new, in shadow mode: Idlegate watches, but switches nothing yet", file.display());
    } else if wanted.broker.is_some() {
        println!("--broker is ignored: {} already says where the broker is", file.display());
    }
    let text = std::fs::read_to_string(&file).with_context(|| format!("cannot read {}", file.display()))?;
    let folder = Folder::from_texts(&wanted.rules, [("shop.toml", text.as_str())]);
    let modules = Modules::new(crate::detectors::Execution::Interpreted, None)?;
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::SERVICE };
    Ok(crate::rules::compile(&folder, &around).map(|compiled| compiled.plan).map_err(|problems| {
        for problem in problems.iter().filter(|problem| problem.is_error()) {
            eprintln!("{}", problem.render());
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

async fn converse(wanted: &Wanted, plan: Plan, mut notebook: Notebook) -> anyhow::Result<Exit> {
    let visitor = match Visitor::arrive(&plan, &["#".to_owned()], PATIENCE).await {
        Ok(visitor) => visitor,
        Err(error) => {
            eprintln!("idlegate: {error:#}");
            return Ok(Exit::Unavailable);
        }
    };
    let mut talk = Talk::new(visitor, &plan.shop.prefix);
    welcome(&talk, wanted.machine.as_str());
    let ended = tokio::select! {
        ended = steps(&mut talk, &wanted.rules, &plan, &mut notebook) => ended,
        interrupted = tokio::signal::ctrl_c() => Err(interrupted.map_or_else(Leave::from, |()| Leave::Quit)),
    };
    notebook.save().context("cannot save the notes")?;
    talk.visitor.leave().await;
    match ended {
        Ok(exit) => Ok(exit),
        Err(Leave::Back | Leave::Quit) => {
            println!("\nEverything so far is saved. Run the same command again to go on from here.");
            Ok(Exit::No)
        }
        Err(Leave::Failed(error)) => Err(error),
    }
}

fn welcome(talk: &Talk, machine: &str) {
    talk.say(&format!("Setting up {machine}. Idlegate asks before it switches anything."));
    for caution in CAUTIONS {
        talk.say(&format!("  - {caution}"));
    }
    talk.say("At every question: Enter accepts the answer in brackets, `back` goes back one step, `quit` stops for today.");
}

async fn steps(talk: &mut Talk, rules: &Path, plan: &Plan, notebook: &mut Notebook) -> Told<Exit> {
    let mut index = match begin_at(talk, notebook).await {
        Err(Leave::Back) => 0,
        begin => begin?,
    };
    if notebook.notes.title.is_none() {
        let words = notebook.machine().replace('-', " ");
        let proposed = words[..1].to_uppercase() + &words[1..];
        notebook.notes.title = Some(talk.ask("What do people call the machine?", Some(&proposed)).await?);
    }
    loop {
        let step = Step::ALL[index];
        talk.head(index + 1, step.title());
        let done = match step {
            Step::Outlet => outlet::state(talk, notebook).await,
            Step::Order => outlet::order(talk, notebook).await,
            Step::Meter => outlet::meter(talk, notebook).await,
            Step::Draw => draw::measure(talk, notebook).await,
            Step::Limits => draw::limits(talk, notebook).await,
            Step::Button => press::button(talk, notebook).await,
            Step::Rules => finish::write(talk, rules, notebook).await,
            Step::Drill => return finish::drill(talk, rules, plan, notebook).await,
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
async fn begin_at(talk: &mut Talk, notebook: &Notebook) -> Told<usize> {
    let settled: Vec<_> = Step::ALL.iter().map_while(|step| step.settled(notebook)).collect();
    if settled.is_empty() {
        return Ok(0);
    }
    talk.say("\nKnown from before:");
    for (number, (step, known)) in (1..).zip(Step::ALL.iter().zip(&settled)) {
        talk.say(&format!("  {number}  {} {known}", step.title()));
    }
    let next = (settled.len() + 1).to_string();
    loop {
        let answer = talk.ask("Go on at step", Some(&next)).await?;
        match answer.parse::<usize>() {
            Ok(number) if (1..=settled.len() + 1).contains(&number) => return Ok(number - 1),
            Ok(_) | Err(_) => talk.say(&format!("(Give a number from 1 to {next}.)")),
        }
    }
}
