//! The button beside the machine: what it sends when it is pressed, and when it is held.

use std::time::Duration;

use super::outlet;
use super::talk::{Talk, Told};
use crate::commission::{Button, ButtonAnswer, Notebook, Window, buttons, known};
use crate::event::Name;
use crate::time::Clock;

/// Shows what goes on without anybody touching it.
const UNTOUCHED: Duration = Duration::from_secs(5);
/// What a button's own radio may take.
const SETTLE: Duration = Duration::from_millis(1_500);

pub(super) async fn button(talk: &mut Talk, notebook: &mut Notebook) -> Told<()> {
    if !talk.yes("Is there a button, or another input that is only for this machine?", true).await? {
        notebook.notes.button = Some(ButtonAnswer::None);
        return Ok(());
    }
    let begin = Clock.now().moment;
    talk.say("Leave it alone for five seconds ...");
    talk.pause(UNTOUCHED).await;
    let before = Window { from: begin, until: Clock.now().moment };
    let press = gesture(talk, "Press it once, briefly.").await?;
    let long_press = gesture(talk, "Now hold it down for a few seconds.").await?;
    let found = buttons(&talk.log, before, press, long_press);
    let options: Vec<String> = found.iter().take(9).map(describe).collect();
    if options.is_empty() {
        talk.say("No new message has come.");
    }
    let chosen = talk.choose("Which is it? (a number, or type TOPIC [/POINTER])", &options).await?;
    let Button { place, press, long_press } = match chosen {
        Ok(index) => found[index].clone(),
        Err(text) => Button {
            place: outlet::place(talk, &text).await?,
            press: vec!["press".into()],
            long_press: vec!["long-press".into()],
        },
    };
    let press = words(talk, "Values that mean a press:", press).await?;
    let long_press =
        words(talk, "Values that mean a long press, which forces inside the window:", long_press).await?;
    talk.say("A press can flip (on if the machine is off, off if it is on and idle), or only switch off.");
    let request = loop {
        let answer = talk.ask("What should a press ask for, flip or off?", Some("flip")).await?;
        if answer == "flip" || answer == "off" {
            break answer;
        }
    };
    let name = loop {
        let answer =
            talk.ask("A name for it in the rules:", Some(&proposed_name(notebook.machine()))).await?;
        match Name::new(&answer) {
            Ok(name) => break name,
            Err(error) => talk.say(&format!("({error})")),
        }
    };
    let button = known::Button { name: name.to_string(), place, press, long_press, request };
    notebook.notes.button = Some(ButtonAnswer::One(button));
    Ok(())
}

async fn gesture(talk: &mut Talk, words: &str) -> Told<Window> {
    let from = Clock.now().moment;
    talk.done(words).await?;
    talk.pause(SETTLE).await;
    Ok(Window { from, until: Clock.now().moment })
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
async fn words(talk: &mut Talk, question: &str, found: Vec<String>) -> Told<Vec<String>> {
    let proposed = if found.is_empty() { "none".to_owned() } else { found.join(", ") };
    let answer = talk.ask(question, Some(&proposed)).await?;
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
