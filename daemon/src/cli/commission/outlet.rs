//! The outlet: where it says what it is, and how it is told.

use std::time::Duration;

use bytes::Bytes;

use super::dialogue::{Came, Dialogue, Told};
use idlegate_guard::time::{Moment, Span};
use idlegate_link::Outgoing;
use idlegate_os::Clock;
use idlegate_plan::text::counted;
use idlegate_setup::commission::{FieldPlace, Notebook, State, Turn, known, orders, states};

/// An outlet that takes longer to answer is told by the guard as not confirmed, too.
const OBEYS_WITHIN: Duration = Duration::from_secs(10);
/// A power supply that loses power for an instant may be harmed, or never notice it.
const REST: Duration = Duration::from_secs(5);
const SHOWN_MAX: usize = 9;

pub(super) async fn state(dialogue: &mut Dialogue, notebook: &mut Notebook) -> Told<()> {
    dialogue.say("Switch the outlet by hand, the way you do today: in its app, on a panel, with its own button. The machine must \
         be idle.");
    dialogue.say("If you can, use the hub or the app: then Idlegate also sees how the outlet is switched.");
    let turns = turns(dialogue).await?;
    dialogue.turns.clone_from(&turns);
    let found = states(&dialogue.log, &turns);
    let state = if found.is_empty() {
        dialogue.say(&format!(
            "None of the {} changed with the outlet. Does it publish its state to this broker?",
            counted(dialogue.log.topics(), "topic")
        ));
        typed_state(dialogue).await?
    } else {
        dialogue.say("These changed with it:");
        let options: Vec<String> = found
            .iter()
            .take(SHOWN_MAX)
            .map(|state| format!("{}: {:?} is on, {:?} is off", state.place, state.on, state.off))
            .collect();
        match dialogue
            .choose("Which is the outlet's state? (a number, or type TOPIC [/POINTER])", &options)
            .await?
        {
            Ok(index) => found[index].clone(),
            Err(text) => corrected(dialogue, &text).await?,
        }
    };
    let guess = orders(&dialogue.log, &turns, &state.place).into_iter().next();
    let State { place, on, off } = state;
    notebook.notes.outlet = Some(known::Outlet { place, on, off, reach: None });
    notebook.notes.order_guess =
        guess.map(|guess| known::Order { topic: guess.topic, on: guess.on, off: guess.off, tried: false });
    Ok(())
}

/// On, off and on again, so that what changes by chance falls out.
async fn turns(dialogue: &mut Dialogue) -> Told<Vec<Turn>> {
    let mut turns = Vec::new();
    for (on, words) in [
        (true, "Switch it on, if it is not on already."),
        (false, "Switch it off."),
        (true, "After five seconds, switch it on."),
    ] {
        turns.push(Turn { on, window: dialogue.done(words).await? });
    }
    Ok(turns)
}

async fn typed_state(dialogue: &mut Dialogue) -> Told<State> {
    let text = dialogue.ask("Topic of its state, with a JSON Pointer after it if needed:", None).await?;
    corrected(dialogue, &text).await
}

async fn corrected(dialogue: &mut Dialogue, text: &str) -> Told<State> {
    let place = place(dialogue, text).await?;
    loop {
        let on = dialogue.ask("The value that means on:", Some("on")).await?;
        let off = dialogue.ask("The value that means off:", Some("off")).await?;
        let said = dialogue.log.latest(&place).map(|seen| seen.value.clone());
        match said.filter(|said| *said != on && *said != off) {
            Some(said) => dialogue
                .say(&format!("(It says {said:?} now, which is neither of these. Give its own words.)")),
            None if on == off => dialogue.say("(The two must differ.)"),
            None => return Ok(State { place, on, off }),
        }
    }
}

/// A place as a person types it, and again until it is one.
pub(super) async fn place(dialogue: &mut Dialogue, text: &str) -> Told<FieldPlace> {
    let mut text = text.to_owned();
    loop {
        if let Some(place) = FieldPlace::typed(&text) {
            let inside = dialogue.log.inside(&place.topic);
            let parts = inside.iter().filter(|_| place.pointer.is_none()).take(SHOWN_MAX);
            let parts: Vec<String> = parts.map(|part| format!("  {part}")).collect();
            if !parts.is_empty() {
                dialogue.say("(What comes there has several parts. Give the one that is meant as well:)");
                dialogue.say(&parts.join("\n"));
                text = dialogue.ask("Topic and pointer:", None).await?;
                continue;
            }
            if let Some(seen) = dialogue.log.latest(&place) {
                dialogue.say(&format!("the last value of {place} was {:?}", seen.value));
            } else {
                dialogue.say(&format!("nothing has come on {place} so far; using it as you typed it"));
            }
            return Ok(place);
        }
        dialogue.say(
            "(Give a topic without # and +, such as outlets/bench-1/says, with a pointer after it if needed, such as \
             /switch.)",
        );
        text = dialogue.ask("Topic:", None).await?;
    }
}

pub(super) async fn order(dialogue: &mut Dialogue, notebook: &mut Notebook) -> Told<()> {
    let guess = notebook.notes.order.clone().or_else(|| notebook.notes.order_guess.clone());
    let guess = match &guess {
        Some(guess) => {
            dialogue.say("Just before it changed, this message was sent:");
            dialogue.say(&format!("  {}: {:?} for on, {:?} for off", guess.topic, guess.on, guess.off));
            guess.clone()
        }
        None => {
            dialogue.say("Idlegate has not seen a message that switches it.");
            dialogue.say("Look in its documentation for the topic on which it takes orders.");
            let (on, off) = ("on".to_owned(), "off".to_owned());
            known::Order { topic: String::new(), on, off, tried: false }
        }
    };
    let topic = Some(guess.topic.as_str()).filter(|topic| !topic.is_empty());
    dialogue.say("If Idlegate is only to look on, and never to switch this machine, type `none`.");
    let topic = dialogue.ask("Topic on which the outlet takes orders:", topic).await?;
    notebook.notes.watched = topic.eq_ignore_ascii_case("none");
    if notebook.notes.watched {
        (notebook.notes.order, notebook.notes.never_off) = (None, false);
        dialogue.say("Then no button of Idlegate's cuts it either, the red one included.");
        return Ok(());
    }
    let on = dialogue.ask("What switches it on:", Some(&guess.on)).await?;
    let off = dialogue.ask("What switches it off:", Some(&guess.off)).await?;
    let mut order = known::Order { topic, on, off, tried: false };
    let question = "Must it stay on, whatever anybody asks, as a freezer or a server must?";
    notebook.notes.never_off = dialogue.yes(question, notebook.notes.never_off).await?;
    if notebook.notes.never_off {
        dialogue.say("Then Idlegate does not try to switch it, either.");
    } else if dialogue
        .yes(
            "May Idlegate switch it off and on now, to see whether it obeys? The machine must be idle.",
            false,
        )
        .await?
    {
        order.tried = obeys(dialogue, notebook, &order).await?;
    }
    notebook.notes.order = Some(order);
    Ok(())
}

async fn obeys(dialogue: &mut Dialogue, notebook: &Notebook, order: &known::Order) -> Told<bool> {
    let Some(outlet) = notebook.notes.outlet.clone() else { return Ok(false) };
    for (payload, wanted) in [(&order.off, &outlet.off), (&order.on, &outlet.on)] {
        if payload == &order.on {
            dialogue.say("Leaving it off for five seconds ...");
            dialogue.pause(REST).await;
        }
        let outgoing = Outgoing::order(
            &order.topic,
            Bytes::copy_from_slice(payload.as_bytes()),
            Span::secs(2),
            Clock.now().moment,
        );
        dialogue.connection.send(outgoing)?;
        let (place, sent): (_, Moment) = (&outlet.place, Clock.now().moment);
        let said = dialogue
            .wait(Some(OBEYS_WITHIN), |now, message| {
                let value = idlegate_engine::intake::decode_word(&place.path(), &message.payload).ok()?;
                (*message.topic == *place.topic && now >= sent && value == *wanted).then_some(())
            })
            .await?;
        match said {
            Came::That(()) => dialogue.say(&format!("sent {payload:?}, and the outlet says {wanted:?}")),
            Came::Line(_) | Came::TimeOver => {
                dialogue.say(&format!(
                    "sent {payload:?}, but the outlet did not say {wanted:?}. Look at the outlet, and switch it back by hand. \
                     If the topic or the payload is wrong, type `back`."
                ));
                return Ok(false);
            }
        }
    }
    Ok(true)
}
