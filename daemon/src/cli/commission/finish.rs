//! The end: the rules are written and looked over, the drill is done with the running guard, and the record is made
//! out.

use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;

use super::dialogue::{Came, Dialogue, Told};
use super::meter::{TELL_EVERY, Waited};
use crate::cli::exit_code::Exit;
use crate::cli::state_folder;
use idlegate_detectors::Modules;
use idlegate_messages::{Health, MachineStatus, Topics, read};
use idlegate_os::{Clock, files};
use idlegate_plan::Plan;
use idlegate_plan::text::rfc3339;
use idlegate_rules::{self as rules, Folder, Surroundings, SystemSecrets};
use idlegate_setup::commission::{
    self, ButtonAnswer, CommissioningRecord, DrillOutcome, FieldPlace, Item, Notebook, Tried,
};
use idlegate_setup::drills::{DrillBook, Fingerprints, LastTry};

/// How long it is waited for that something done by hand is answered; Enter ends it before.
const TRY_FOR: Duration = Duration::from_secs(300);
/// A guard that follows the folder has taken new rules by then.
const ADOPTED_WITHIN: Duration = Duration::from_secs(10);

pub(super) async fn write(dialogue: &mut Dialogue, rules: &Path, notebook: &mut Notebook) -> Told<()> {
    let day = rfc3339(Clock.now().wall)[..10].to_owned();
    let machine = match commission::machine(notebook.machine(), &day, &notebook.notes) {
        Ok(machine) => machine,
        Err(missing) => {
            dialogue.say(&format!("({missing})"));
            return Err(super::dialogue::Leave::Back);
        }
    };
    let machine_file = rules.join("machines").join(format!("{}.toml", notebook.machine()));
    let inputs_file = rules.join("inputs.toml");
    let before = match std::fs::read_to_string(&inputs_file) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => String::new(),
        Err(error) => return Err(error.into()),
    };
    let inputs = commission::inputs(&before, notebook.machine(), &notebook.notes)?;
    dialogue.say(&format!("{}:\n\n{machine}", machine_file.display()));
    if machine_file.exists() {
        dialogue.say("(This file already exists; the old one is kept, with ~ at the end of its name.)");
    }
    if !dialogue.yes("Write it, and add the button to inputs.toml?", true).await? {
        return Err(super::dialogue::Leave::Back);
    }
    std::fs::create_dir_all(rules.join("machines"))?;
    if let Ok(old) = std::fs::read_to_string(&machine_file) {
        files::replace(&machine_file.with_extension("toml~"), &old)?;
    }
    // The inputs name the machine, so a guard that looks in between would rightly refuse them without it.
    files::replace(&machine_file, &machine)
        .with_context(|| format!("cannot write {}", machine_file.display()))?;
    files::replace(&inputs_file, &inputs)
        .with_context(|| format!("cannot write {}", inputs_file.display()))?;
    let folder = rules::load(rules);
    let sound = check(dialogue, &folder)?;
    notebook.notes.written = Some(folder.digest);
    if sound || dialogue.yes("Correct the files in an editor. Are they right now?", true).await? {
        Ok(())
    } else {
        Err(super::dialogue::Leave::Back)
    }
}

fn check(dialogue: &Dialogue, folder: &Folder) -> anyhow::Result<bool> {
    let modules = Modules::new(idlegate_detectors::Execution::Interpreted, None)?;
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    let (problems, sound) = match rules::compile(folder, &around) {
        Ok(compiled) => (compiled.warnings, true),
        Err(problems) => (problems, false),
    };
    for problem in &problems {
        dialogue.say(&problem.render());
    }
    dialogue.say(match (sound, problems.is_empty()) {
        (true, true) => "Checked: the guard accepts these rules.",
        (true, false) => "Checked: the guard accepts these rules, but read the warnings.",
        (false, _) => "Checked: the guard does not accept these rules.",
    });
    Ok(sound)
}

pub(super) async fn drill(
    dialogue: &mut Dialogue,
    rules: &Path,
    plan: &Plan,
    notebook: &mut Notebook,
) -> Told<Exit> {
    let shadow = guard_is_there(dialogue, rules, plan, notebook).await?;
    if let Some(shadow) = shadow {
        if shadow {
            dialogue.say(
                "The guard is in shadow mode: it says what it decides, but switches nothing.\n\
                 Repeat the drill when it is live.",
            );
        }
        for item in notebook.notes.drill_items().iter().copied() {
            let tried = attempt(dialogue, plan, notebook, item, shadow).await?;
            dialogue.say(&format!("{}: {} {}", tried.outcome.word(), item.claim(), quoted(&tried.heard)));
            notebook.notes.drill.retain(|before| before.item != item);
            notebook.notes.drill.push(tried);
            notebook.save()?;
        }
    }
    record(dialogue, rules, plan, notebook, shadow.unwrap_or(false)).await
}

fn quoted(heard: &str) -> String {
    if heard.is_empty() { String::new() } else { format!("({heard})") }
}

/// Waits for the running guard with these very rules. None if there is none.
async fn guard_is_there(
    dialogue: &mut Dialogue,
    rules: &Path,
    plan: &Plan,
    notebook: &Notebook,
) -> Told<Option<bool>> {
    let prefix = &plan.shop.prefix;
    loop {
        let digest = rules::load(rules).digest;
        let (health, machine) =
            (format!("{prefix}/health"), format!("{prefix}/machine/{}", notebook.machine()));
        // What the broker had in store came long ago.
        let known = |pointer: &str| {
            let place = FieldPlace { pointer: Some(pointer.to_owned()), ..FieldPlace::whole(&health) };
            dialogue.guard.latest(&place).map(|seen| seen.value.clone())
        };
        let mut guarding =
            known("/guard").as_deref() == Some("guarding") && known("/rules").as_deref() == Some(&digest);
        if !guarding {
            let came = dialogue
                .wait(Some(ADOPTED_WITHIN), |_, message| {
                    let said = Health::read(&message.payload);
                    let is_it = said.guarding().is_some_and(|it| it.rules.as_deref() == Some(&*digest));
                    (*message.topic == *health && is_it).then_some(())
                })
                .await?;
            guarding = matches!(came, Came::That(()));
        }
        if guarding {
            let came = dialogue
                .wait(Some(ADOPTED_WITHIN), |_, message| {
                    let status: MachineStatus = read(&message.payload)?;
                    (*message.topic == *machine).then_some(status.shadow)
                })
                .await?;
            if let Came::That(shadow) = came {
                return Ok(Some(shadow));
            }
        }
        dialogue.say(&format!(
            "No guard is running with these rules. In another terminal:  {}",
            state_folder::run_command(rules, plan.shop.state_dir.as_deref())
        ));
        if !dialogue.yes("Is it running now? (no: leave the drill for another day)", true).await? {
            return Ok(None);
        }
    }
}

async fn attempt(
    dialogue: &mut Dialogue,
    plan: &Plan,
    notebook: &Notebook,
    item: Item,
    shadow: bool,
) -> Told<Tried> {
    let at = |outcome, heard| Tried { item, outcome, at: rfc3339(Clock.now().wall), heard };
    let button = match &notebook.notes.button {
        Some(ButtonAnswer::One(button)) => Some(button),
        Some(ButtonAnswer::None) | None => None,
    };
    let on_change = notebook.notes.meter.as_ref().is_some_and(|meter| meter.alive.is_some());
    let machine = notebook.machine();
    let ask =
        |request: &str| format!("`idlegate request --rules DIR {machine} {request}` in another terminal");
    let words = match item {
        // After a start nothing is known of such a meter until it says something.
        Item::SeenIdle if on_change => {
            "Switch the outlet off and, after five seconds, on again, so that its meter speaks. Then \
                                        leave the machine on and idle, for as long as the rules ask."
                .to_owned()
        }
        Item::SeenIdle => "Leave the machine on and idle, for as long as the rules ask.".to_owned(),
        Item::IdleOff => match button {
            Some(_) => "With the machine on and idle, press the button once. It should go off.".to_owned(),
            None => format!("With the machine on and idle: {}. It should go off.", ask("off")),
        },
        Item::SeenBusy if !notebook.notes.can_be_switched_off() => "Let it work.".to_owned(),
        Item::SeenBusy => {
            "Switch it on again after a few seconds, and start a job that you can afford to lose.".to_owned()
        }
        Item::Held => match button {
            Some(_) => "While it is working, press the button once.".to_owned(),
            None => format!("While it is working: {}.", ask("off")),
        },
        Item::Forced => {
            if !dialogue
                .yes("May the power of the working machine be cut now? The job will be lost.", false)
                .await?
            {
                return Ok(at(DrillOutcome::NotTried, String::new()));
            }
            match button.filter(|button| !button.long_press.is_empty()) {
                Some(_) => {
                    "Press the button once more. When Idlegate says that the machine is working, hold the button down.".to_owned()
                }
                None => format!("{}, and again within the window.", ask("force-off")),
            }
        }
        Item::StaysOff => return stays_off(dialogue).await,
        Item::MeterSilent | Item::Emergency | Item::Unlocked => unreachable!("no item of commissioning"),
        Item::OtherRoute if shadow => {
            "Wait ten seconds, then switch the outlet with its own button. In shadow mode Idlegate says so ten seconds later.".to_owned()
        }
        Item::OtherRoute => {
            "With the machine idle, switch the outlet off with its own button; or on, if it is off."
                .to_owned()
        }
    };
    dialogue.say(&format!("\n* {words} (If it does not happen, press Enter.)"));
    Ok(match settled(dialogue, plan, machine, item).await? {
        Came::That((outcome, heard)) => at(outcome, heard),
        Came::Line(_) | Came::TimeOver => {
            let why =
                dialogue.ask("What happened instead? (for the record)", Some("nothing happened")).await?;
            at(DrillOutcome::Failed, why)
        }
    })
}

/// What the guard has to see takes as long as the rules and the meter make it. It is waited for, and what the guard
/// says meanwhile is told.
async fn settled(
    dialogue: &mut Dialogue,
    plan: &Plan,
    machine: &str,
    item: Item,
) -> Told<Came<(DrillOutcome, String)>> {
    let prefix = &plan.shop.prefix;
    let takes_its_time = matches!(item, Item::SeenIdle | Item::SeenBusy);
    let mut waited = Waited::begin();
    loop {
        let within = if takes_its_time { TELL_EVERY } else { TRY_FOR };
        let came =
            dialogue.wait(Some(within), |_, message| item.settled_by(prefix, machine, message)).await?;
        match came {
            Came::TimeOver if takes_its_time => waited.tell(dialogue, &guard_says(dialogue, plan, machine)),
            Came::That(_) | Came::Line(_) | Came::TimeOver => return Ok(came),
        }
    }
}

fn guard_says(dialogue: &Dialogue, plan: &Plan, machine: &str) -> String {
    let status = Topics::new(&plan.shop.prefix).machine(machine);
    let said = |pointer: &str| {
        let place = FieldPlace { pointer: Some(pointer.to_owned()), ..FieldPlace::whole(&status) };
        dialogue.guard.latest(&place).map(|seen| seen.value.clone())
    };
    match (said("/outlet"), said("/state"), said("/reasons/0")) {
        (Some(outlet), _, _) if outlet != "on" => format!("the guard says that the outlet is {outlet}"),
        (_, Some(state), Some(reason)) => format!("the guard says {state}: {reason}"),
        (_, Some(state), None) => format!("the guard says {state}"),
        (_, None, _) => "the guard has said nothing yet".to_owned(),
    }
}

/// For the next drill, under the rules as they are now.
fn keep_drill(rules: &Path, notebook: &Notebook, by: &str, shadow: bool) -> anyhow::Result<()> {
    let modules = Modules::new(idlegate_detectors::Execution::Interpreted, None)?;
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    let Ok(compiled) = rules::compile(&rules::load(rules), &around) else { return Ok(()) };
    let Some((machine, _)) = compiled.plan.machine(notebook.machine()) else { return Ok(()) };
    let mut book = DrillBook::open(rules, notebook.machine())?;
    let under = Fingerprints::of(&compiled.plan, machine);
    for tried in notebook.notes.drill.iter().cloned() {
        book.drills.put(LastTry { tried, by: by.to_owned(), shadow, under: under.clone() });
    }
    Ok(book.save()?)
}

/// What an outlet does when the mains come back, no message tells.
pub(in crate::cli) async fn stays_off(dialogue: &mut Dialogue) -> Told<Tried> {
    let question = "\n* Switch the outlet off and pull its plug. Wait ten seconds, and plug it in again. Did it stay off? (yes, no \
                    or skip)";
    let (outcome, heard) = loop {
        match dialogue.ask(question, None).await?.to_lowercase().as_str() {
            "y" | "yes" => break (DrillOutcome::Passed, "seen by whoever did the drill"),
            "n" | "no" => break (DrillOutcome::Failed, "it came on by itself when its power came back"),
            "skip" => break (DrillOutcome::NotTried, ""),
            _ => dialogue.say("(Answer yes, no or skip.)"),
        }
    };
    if outcome == DrillOutcome::Failed {
        dialogue.say("After a power cut in the night this machine would start by itself. In the settings of the outlet, choose that it");
        dialogue.say("stays off when power comes back, and repeat the drill.");
    }
    Ok(Tried { item: Item::StaysOff, outcome, at: rfc3339(Clock.now().wall), heard: heard.to_owned() })
}

async fn record(
    dialogue: &mut Dialogue,
    rules: &Path,
    plan: &Plan,
    notebook: &mut Notebook,
    shadow: bool,
) -> Told<Exit> {
    let by = dialogue.ask("Who did this drill? (for the record)", Some("-")).await?;
    let at = rfc3339(Clock.now().wall);
    let machine_file = rules.join("machines").join(format!("{}.toml", notebook.machine()));
    let text = std::fs::read_to_string(&machine_file).with_context(|| machine_file.display().to_string())?;
    let page = CommissioningRecord {
        machine: notebook.machine(),
        at: &at,
        by: if by == "-" { "" } else { &by },
        notes: &notebook.notes,
        shadow,
        rules: &text,
    };
    let file = notebook.dated(&at[..10], "md");
    files::replace(&file, &page.to_markdown()).with_context(|| format!("cannot write {}", file.display()))?;
    dialogue.say(&format!("\nThe record is in {}.", file.display()));
    keep_drill(rules, notebook, if by == "-" { "" } else { &by }, shadow)?;
    let passed = page.passed();
    dialogue.say(if passed {
        "Everything passed."
    } else {
        "Not everything was tried and passed. Run the same command again to go on from here."
    });
    let state_dir = plan.shop.state_dir.as_deref();
    let kept_in = state_dir.map_or_else(|| state_folder::beside(rules), Path::to_owned);
    dialogue.say("\nTo guard from now on:");
    dialogue.say(&format!("  {}", state_folder::run_command(rules, state_dir)));
    dialogue.say(&format!("The journal and the lockouts are kept in {}.", kept_in.display()));
    Ok(if passed { Exit::Good } else { Exit::No })
}
