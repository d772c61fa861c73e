//! `idlegate drill`: the drill of commissioning at any time, with the running guard, through its own inputs.

mod attempt;

use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context as _;
use serde_json::json;

use self::attempt::{Drill, stands};
use super::commission::dialogue::{Dialogue, Leave, Told};
use super::exit_code::Exit;
use super::output::{self, print_error, print_line};
use super::short_connection::ShortConnection;
use super::{rules, runtime, state_folder};
use idlegate_guard::time::WallTime;
use idlegate_os::{Clock, files};
use idlegate_plan::text::rfc3339;
use idlegate_plan::{MachineIx, Plan, indices};
use idlegate_setup::commission::{CAUTIONS, DrillOutcome, Item};
use idlegate_setup::drills::{DrillBook, DrillRecord, Fingerprints, LastTry, applicable, due, due_in_words};

const PATIENCE: Duration = Duration::from_secs(6);

/// Try by hand, at any time, whether a machine is guarded: the drill of `idlegate commission` and more.
///
/// It takes you through the drill at the machine, with the running guard, and judges each item by what the guard says:
/// an off of the idle and of the working machine, a force, the outlet's own button, a silent meter, the red button, a
/// power cut. What you skip is not tried, and never counts as passed. You can stop at any time.
#[derive(Debug, clap::Args)]
pub(super) struct DrillArgs {
    /// The rules folder.
    rules: PathBuf,
    /// Only this machine.
    machine: Option<String>,
    /// Only what is due: never tried, too long ago (drill_every), failed, skipped, or changed since.
    #[arg(long)]
    due: bool,
    /// Only show what is due, and try nothing. Exits with 1 if anything is.
    #[arg(long)]
    list: bool,
    /// With --list: as JSON.
    #[arg(long, requires = "list")]
    json: bool,
    /// The broker's port, if not the one in the rules.
    #[arg(long)]
    port: Option<u16>,
}

/// One machine and the items that are to be tried.
struct Wanted {
    machine: MachineIx,
    book: DrillBook,
    items: Vec<Item>,
}

impl DrillArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let plan = match rules::for_visitor(&self.rules, self.port)? {
            Ok(plan) => plan,
            Err(exit) => return Ok(exit),
        };
        let machines = match &self.machine {
            Some(name) => match rules::machine(&plan, name) {
                Ok(machine) => vec![machine],
                Err(exit) => return Ok(exit),
            },
            None => indices(&plan.machines).collect(),
        };
        if self.list {
            return list(&self.rules, &plan, &machines, self.json);
        }
        let mut wanted = Vec::new();
        for machine in machines {
            let book = match DrillBook::open(&self.rules, plan.machines[machine].name.as_str()) {
                Ok(book) => book,
                Err(error) => {
                    print_error!("idlegate: {error}");
                    return Ok(Exit::No);
                }
            };
            let items = if self.due {
                let due = due(&plan, machine, &book.drills, Clock.now().wall);
                due.into_iter().map(|item| item.item).collect()
            } else {
                applicable(&plan, machine)
            };
            if !items.is_empty() {
                wanted.push(Wanted { machine, book, items });
            }
        }
        if wanted.is_empty() {
            print_line!("No drill is due.");
            return Ok(Exit::Good);
        }
        runtime()?.block_on(converse(&self.rules, &plan, wanted))
    }
}

/// What is due at each machine, as it follows its name; nothing for one of which the book cannot be read, which is told
/// instead.
pub(super) fn due_now(rules: &Path, plan: &Plan, machine: MachineIx, now: WallTime) -> Option<String> {
    match DrillBook::open(rules, plan.machines[machine].name.as_str()) {
        Ok(book) => due_in_words(plan, machine, &book.drills, &due(plan, machine, &book.drills, now)),
        Err(error) => Some(format!("nobody knows whether its drill is due: {error}")),
    }
}

fn list(rules: &Path, plan: &Plan, machines: &[MachineIx], as_json: bool) -> anyhow::Result<Exit> {
    let now = Clock.now().wall;
    let mut any = false;
    for machine in machines {
        let said = due_now(rules, plan, *machine, now);
        any |= said.is_some();
        let rules = &plan.machines[*machine];
        if as_json {
            output::json(&json!({ "machine": rules.name.as_str(), "due": said }));
        } else if let Some(said) = said {
            print_line!("{}: {said}", rules.title);
        }
    }
    if !any && !as_json {
        print_line!("No drill is due.");
    }
    Ok(if any { Exit::No } else { Exit::Good })
}

async fn converse(rules: &Path, plan: &Plan, wanted: Vec<Wanted>) -> anyhow::Result<Exit> {
    let everything = format!("{}/#", plan.shop.prefix);
    let connection = match ShortConnection::arrive(plan, &[everything], PATIENCE).await {
        Ok(connection) => connection,
        Err(error) => {
            print_error!("idlegate: {error:#}");
            return Ok(Exit::Unavailable);
        }
    };
    let mut dialogue = Dialogue::new(connection, &plan.shop.prefix);
    for caution in CAUTIONS {
        dialogue.say(&format!("  - {caution}"));
    }
    dialogue.say("At every item: `skip` leaves it out, and it counts as not tried. `quit` stops for today.");
    let ended = tokio::select! {
        ended = machines(&mut dialogue, rules, plan, wanted) => ended,
        interrupted = tokio::signal::ctrl_c() => Err(interrupted.map_or_else(Leave::from, |()| Leave::Quit)),
    };
    dialogue.connection.leave().await;
    match ended {
        Ok(true) => Ok(Exit::Good),
        Ok(false) => Ok(Exit::No),
        Err(Leave::Back | Leave::Quit) => {
            print_line!("\nEverything so far is saved. `idlegate drill --due` goes on from here.");
            Ok(Exit::No)
        }
        Err(Leave::Failed(error)) => Err(error),
    }
}

/// Whether everything that was to be tried has passed.
async fn machines(dialogue: &mut Dialogue, rules: &Path, plan: &Plan, wanted: Vec<Wanted>) -> Told<bool> {
    let mut all_passed = true;
    for (number, mut wanted) in (1..).zip(wanted) {
        let machine = &plan.machines[wanted.machine];
        dialogue.head(number, &machine.title);
        let Some(status) = stands(dialogue, plan, wanted.machine).await? else {
            dialogue.say(&format!(
                "No guard is running with these rules. In another terminal:  {}",
                state_folder::run_command(rules, plan.shop.state_dir.as_deref())
            ));
            all_passed = false;
            continue;
        };
        if status.shadow {
            dialogue.say(
                "The guard is in shadow mode: it says what it decides, but switches nothing.\n\
                 The drill stays due until it is done live.",
            );
        }
        let drill = Drill { plan, machine: wanted.machine, shadow: status.shadow };
        all_passed &= one(dialogue, drill, &mut wanted).await?;
    }
    Ok(all_passed)
}

async fn one(dialogue: &mut Dialogue, drill: Drill<'_>, wanted: &mut Wanted) -> Told<bool> {
    let (under, shadow) = (Fingerprints::of(drill.plan, wanted.machine), drill.shadow);
    let mut tried = Vec::new();
    for item in wanted.items.clone() {
        let came = drill.attempt(dialogue, item).await?;
        let heard = if came.heard.is_empty() { String::new() } else { format!(" ({})", came.heard) };
        dialogue.say(&format!("{}: {}{heard}", came.outcome.word(), item.claim()));
        tried.push(came.clone());
        wanted.book.drills.put(LastTry { tried: came, by: String::new(), shadow, under: under.clone() });
        wanted.book.save()?;
    }
    let by = dialogue.ask("Who did this drill? (for the record)", Some("-")).await?;
    let by = if by == "-" { "" } else { &by };
    wanted.book.drills.signed(&tried, by);
    wanted.book.save()?;
    let at = rfc3339(Clock.now().wall);
    let machine = &drill.plan.machines[wanted.machine];
    let page = DrillRecord {
        machine: machine.name.as_str(),
        title: &machine.title,
        at: &at,
        by,
        rules: &drill.plan.digest,
        shadow,
        tried: &tried,
        applicable: &applicable(drill.plan, wanted.machine),
    };
    let file = wanted.book.record(&at[..10]);
    files::replace(&file, &page.to_markdown()).with_context(|| format!("cannot write {}", file.display()))?;
    dialogue.say(&format!("\nThe record is in {}.", file.display()));
    let passed = !shadow && tried.iter().all(|tried| tried.outcome == DrillOutcome::Passed);
    dialogue.say(if passed {
        "Everything passed."
    } else {
        "Not everything was tried and passed. `idlegate drill --due` goes on from here."
    });
    Ok(passed)
}
