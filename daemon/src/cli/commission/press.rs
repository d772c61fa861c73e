//! The button beside the machine: what it sends when it is pressed, and when it is held.

use std::time::Duration;

use super::dialogue::{Dialogue, Told};
use super::{meter, outlet};
use idlegate_os::Clock;
use idlegate_plan::event::Name;
use idlegate_setup::commission::{Button, ButtonAnswer, Notebook, Window, buttons, known};

/// Shows what goes on without anybody touching it.
const UNTOUCHED: Duration = Duration::from_secs(5);

pub(super) async fn button(dialogue: &mut Dialogue, notebook: &mut Notebook) -> Told<()> {
    if !dialogue.yes("Is there a button, or another input that is only for this machine?", true).await? {
        notebook.notes.button = Some(ButtonAnswer::None);
        return Ok(());
    }
    let begin = Clock.now().moment;
    dialogue.say("Leave it alone for five seconds ...");
    dialogue.pause(UNTOUCHED).await;
    let before = Window { from: begin, until: Clock.now().moment };
    let press = dialogue.done("Press it once, briefly.").await?;
    let long_press = dialogue.done("Now hold it down for a few seconds.").await?;
    let found = buttons(&dialogue.log, before, press, long_press);
    let options: Vec<String> = found.iter().take(9).map(describe).collect();
    if options.is_empty() {
        dialogue.say("No new message has come.");
    }
    let chosen = dialogue.choose("Which is it? (a number, or type TOPIC [/POINTER])", &options).await?;
    let Button { place, press, long_press, flagged } = match chosen {
        Ok(index) => found[index].clone(),
        Err(text) => Button {
            place: outlet::place(dialogue, &text).await?,
            press: vec!["press".into()],
            long_press: vec!["long-press".into()],
            flagged: false,
        },
    };
    let press = words(dialogue, "Values that mean a press:", press).await?;
    let long_press =
        words(dialogue, "Values that mean a long press, which forces inside the window:", long_press).await?;
    dialogue
        .say("A press can flip (on if the machine is off, off if it is on and idle), or only switch off.");
    let request = loop {
        let answer = dialogue.ask("What should a press ask for, flip or off?", Some("flip")).await?;
        if answer == "flip" || answer == "off" {
            break answer;
        }
    };
    let name = loop {
        let answer =
            dialogue.ask("A name for it in the rules:", Some(&proposed_name(notebook.machine()))).await?;
        match Name::new(&answer) {
            Ok(name) => break name,
            Err(error) => dialogue.say(&format!("({error})")),
        }
    };
    let sender_stores = flagged && meter::counts_flagged(dialogue, "button", "presses").await?;
    let button = known::Button { name: name.to_string(), place, press, long_press, request, sender_stores };
    notebook.notes.button = Some(ButtonAnswer::One(button));
    Ok(())
}

fn describe(button: &Button) -> String {
    format!(
        "{}: press {:?}, long press {:?}",
        button.place,
        button.press.join(", "),
        button.long_press.join(", ")
    )
}

/// Several words are several that mean the same; none, where the button cannot do it.
async fn words(dialogue: &mut Dialogue, question: &str, found: Vec<String>) -> Told<Vec<String>> {
    let proposed = if found.is_empty() { "none".to_owned() } else { found.join(", ") };
    let answer = dialogue.ask(question, Some(&proposed)).await?;
    if answer == proposed {
        return Ok(found);
    }
    let words = answer.split(',').map(|word| word.trim().to_owned()).filter(|word| !word.is_empty());
    Ok(if answer == "none" { Vec::new() } else { words.collect() })
}

fn proposed_name(machine: &str) -> String {
    let room = Name::LEN_MAX - "-button".len();
    format!("{}-button", &machine[..machine.len().min(room)])
}
