//! The end: the rules are written and looked over, the drill is done with the running guard, and the record is made out.

use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use serde_json::Value as Json;

use super::talk::{Came, Talk, Told};
use crate::cli::exit_code::Exit;
use crate::commission::{self, ButtonAnswer, Item, Notebook, Outcome, Page, Place, Tried};
use crate::event::Message;
use crate::files;
use crate::plan::Plan;
use crate::rules::{self, Folder, Surroundings, SystemSecrets};
use crate::service::Modules;
use crate::text::rfc3339;
use crate::time::Clock;

/// How long one thing of the drill is waited for; Enter ends it before.
const TRY_FOR: Duration = Duration::from_secs(300);
/// A guard that follows the folder has taken new rules by then.
const ADOPTED_WITHIN: Duration = Duration::from_secs(10);

pub(super) async fn write(talk: &mut Talk, rules: &Path, notebook: &mut Notebook) -> Told<()> {
    let day = rfc3339(Clock.now().wall)[..10].to_owned();
    let machine = match commission::machine(notebook.machine(), &day, &notebook.notes) {
        Ok(machine) => machine,
        Err(missing) => {
            talk.say(&format!("({missing})"));
            return Err(super::talk::Leave::Back);
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
    talk.say(&format!("{}:\n\n{machine}", machine_file.display()));
    if machine_file.exists() {
        talk.say("(This file already exists; the old one is kept, with ~ at the end of its name.)");
    }
    if !talk.yes("Write it, and add the button to inputs.toml?", true).await? {
        return Err(super::talk::Leave::Back);
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
    let sound = check(talk, &folder)?;
    notebook.notes.written = Some(folder.digest);
    if sound || talk.yes("Correct the files in an editor. Are they right now?", true).await? {
        Ok(())
    } else {
        Err(super::talk::Leave::Back)
    }
}

fn check(talk: &Talk, folder: &Folder) -> anyhow::Result<bool> {
    let modules = Modules::new(crate::detectors::Execution::Interpreted, None)?;
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    let (problems, sound) = match rules::compile(folder, &around) {
        Ok(compiled) => (compiled.warnings, true),
        Err(problems) => (problems, false),
    };
    for problem in &problems {
        talk.say(&problem.render());
    }
    talk.say(match (sound, problems.is_empty()) {
        (true, true) => "Checked: the guard accepts these rules.",
        (true, false) => "Checked: the guard accepts these rules, but read the warnings.",
        (false, _) => "Checked: the guard does not accept these rules.",
    });
    Ok(sound)
}

pub(super) async fn drill(talk: &mut Talk, rules: &Path, plan: &Plan, notebook: &mut Notebook) -> Told<Exit> {
    let shadow = guard_is_there(talk, rules, plan, notebook).await?;
    if let Some(shadow) = shadow {
        if shadow {
            talk.say(
                "The guard is in shadow mode: it says what it decides, but switches nothing.\n\
                 Repeat the drill when it is live.",
            );
        }
        for item in Item::ALL {
            let tried = attempt(talk, plan, notebook, item, shadow).await?;
            talk.say(&format!("{}: {} {}", tried.outcome.word(), item.claim(), quoted(&tried.heard)));
            notebook.notes.drill.retain(|before| before.item != item);
            notebook.notes.drill.push(tried);
            notebook.save()?;
        }
    }
    record(talk, rules, notebook, shadow.unwrap_or(false)).await
}

fn quoted(heard: &str) -> String {
    if heard.is_empty() { String::new() } else { format!("({heard})") }
}

/// Waits for the running guard with these very rules. None if there is none.
async fn guard_is_there(
    talk: &mut Talk,
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
            let place = Place { pointer: Some(pointer.to_owned()), ..Place::whole(&health) };
            talk.guard.latest(&place).map(|seen| seen.value.clone())
        };
        let mut guarding =
            known("/guard").as_deref() == Some("guarding") && known("/rules").as_deref() == Some(&digest);
        if !guarding {
            let came = talk
                .wait(Some(ADOPTED_WITHIN), |_, message| {
                    let body: Json = serde_json::from_slice(&message.payload).ok()?;
                    let is_it = body["guard"] == "guarding" && body["rules"] == digest.as_str();
                    (*message.topic == *health && is_it).then_some(())
                })
                .await?;
            guarding = matches!(came, Came::That(()));
        }
        if guarding {
            let came = talk
                .wait(Some(ADOPTED_WITHIN), |_, message| {
                    let body: Json = serde_json::from_slice(&message.payload).ok()?;
                    (*message.topic == *machine).then(|| body["shadow"] == true)
                })
                .await?;
            if let Came::That(shadow) = came {
                return Ok(Some(shadow));
            }
        }
        talk.say(&format!(
            "No guard is running with these rules. In another terminal:  idlegate run {}",
            rules.display()
        ));
        if !talk.yes("Is it running now? (no: leave the drill for another day)", true).await? {
            return Ok(None);
        }
    }
}

async fn attempt(talk: &mut Talk, plan: &Plan, notebook: &Notebook, item: Item, shadow: bool) -> Told<Tried> {
    let at = |outcome, heard| Tried { item, outcome, at: rfc3339(Clock.now().wall), heard };
    let button = match &notebook.notes.button {
        Some(ButtonAnswer::One(button)) => Some(button),
        Some(ButtonAnswer::None) | None => None,
    };
    let machine = notebook.machine();
    let ask =
        |request: &str| format!("`idlegate request --rules DIR {machine} {request}` in another terminal");
    let words = match item {
        Item::SeenIdle => "Leave the machine on and idle, for as long as the rules ask.".to_owned(),
        Item::SeenBusy => "Start a job that you can afford to lose.".to_owned(),
        Item::Held => match button {
            Some(_) => "While it is working, press the button once.".to_owned(),
            None => format!("While it is working: {}.", ask("off")),
        },
        Item::Forced => {
            if !talk
                .yes("May the power of the working machine be cut now? The job will be lost.", false)
                .await?
            {
                return Ok(at(Outcome::NotTried, String::new()));
            }
            match button.filter(|button| !button.long_press.is_empty()) {
                Some(_) => {
                    "Press the button once more. When Idlegate says that the machine is working, hold the button down.".to_owned()
                }
                None => format!("{}, and again within the window.", ask("force-off")),
            }
        }
        Item::OtherRoute if shadow => "Switch the outlet with its own button.".to_owned(),
        Item::OtherRoute => {
            "With the machine idle, switch the outlet off with its own button; or on, if it is off."
                .to_owned()
        }
    };
    talk.say(&format!("\n* {words} (If it does not happen, press Enter.)"));
    let (prefix, name) = (plan.shop.prefix.clone(), machine.to_owned());
    let judge = move |_, message: &Message| item.settled_by(&prefix, &name, message);
    Ok(match talk.wait(Some(TRY_FOR), judge).await? {
        Came::That((outcome, heard)) => at(outcome, heard),
        Came::Line(_) | Came::TimeOver => {
            let why = talk.ask("What happened instead? (for the record)", Some("nothing happened")).await?;
            at(Outcome::Failed, why)
        }
    })
}

async fn record(talk: &mut Talk, rules: &Path, notebook: &mut Notebook, shadow: bool) -> Told<Exit> {
    let by = talk.ask("Who did this drill? (for the record)", Some("-")).await?;
    let at = rfc3339(Clock.now().wall);
    let machine_file = rules.join("machines").join(format!("{}.toml", notebook.machine()));
    let text = std::fs::read_to_string(&machine_file).with_context(|| machine_file.display().to_string())?;
    let page = Page {
        machine: notebook.machine(),
        at: &at,
        by: if by == "-" { "" } else { &by },
        notes: &notebook.notes,
        shadow,
        rules: &text,
    };
    let file = notebook.dated(&at[..10], "md");
    files::replace(&file, &page.to_markdown()).with_context(|| format!("cannot write {}", file.display()))?;
    talk.say(&format!("\nThe record is in {}.", file.display()));
    if page.passed() {
        talk.say("Everything passed.");
        return Ok(Exit::Good);
    }
    talk.say("Not everything was tried and passed. Run the same command again to go on from here.");
    Ok(Exit::No)
}
