//! The outlet: where it says what it is, how it is told, and where the draw stands.

use std::time::Duration;

use bytes::Bytes;

use super::talk::{Came, Talk, Told};
use crate::commission::{Notebook, Place, State, Turn, Window, known, meters, orders, states};
use crate::link::Outgoing;
use crate::text::counted;
use crate::time::{Clock, Moment, Span};

/// An outlet that takes longer to answer is told by the guard as not confirmed, too.
const OBEYS_WITHIN: Duration = Duration::from_secs(10);
const SHOWN_MAX: usize = 9;

pub(super) async fn state(talk: &mut Talk, notebook: &mut Notebook) -> Told<()> {
    talk.say("Switch the outlet by hand, the way you do today: in its app, on a panel, with its own button. The machine must \
         be idle.");
    talk.say("If you can, use the hub or the app: then Idlegate also sees how the outlet is switched.");
    let turns = turns(talk).await?;
    let found = states(&talk.log, &turns);
    let state = if found.is_empty() {
        talk.say(&format!(
            "None of the {} changed with the outlet. Does it publish its state to this broker?",
            counted(talk.log.topics(), "topic")
        ));
        typed_state(talk).await?
    } else {
        talk.say("These changed with it:");
        let options: Vec<String> = found
            .iter()
            .take(SHOWN_MAX)
            .map(|state| format!("{}: {:?} is on, {:?} is off", state.place, state.on, state.off))
            .collect();
        match talk
            .choose("Which is the outlet's state? (a number, or type TOPIC [/POINTER])", &options)
            .await?
        {
            Ok(index) => found[index].clone(),
            Err(text) => corrected(talk, &text).await?,
        }
    };
    let guess = orders(&talk.log, &turns, &state.place).into_iter().next();
    let State { place, on, off } = state;
    notebook.notes.outlet = Some(known::Outlet { place, on, off });
    if let Some(guess) = guess {
        notebook.notes.order =
            Some(known::Order { topic: guess.topic, on: guess.on, off: guess.off, tried: false });
    }
    // The draw is looked for in what was heard meanwhile.
    let found = meters(&talk.log, &turns).into_iter().next();
    notebook.notes.meter = found
        .map(|meter| known::Meter { place: meter.place, scale: meter.scale })
        .or(notebook.notes.meter.take());
    Ok(())
}

/// Off, on and off again, so that what changes by chance falls out.
async fn turns(talk: &mut Talk) -> Told<Vec<Turn>> {
    let mut turns = Vec::new();
    for (on, words) in
        [(true, "Switch it on, if it is not on already."), (false, "Switch it off."), (true, "Switch it on.")]
    {
        let from = Clock.now().moment;
        talk.done(words).await?;
        // What the outlet says of it may take a moment.
        talk.pause(Duration::from_millis(1_500)).await;
        turns.push(Turn { on, window: Window { from, until: Clock.now().moment } });
    }
    Ok(turns)
}

async fn typed_state(talk: &mut Talk) -> Told<State> {
    let text = talk.ask("Topic of its state, with a JSON Pointer after it if needed:", None).await?;
    corrected(talk, &text).await
}

async fn corrected(talk: &mut Talk, text: &str) -> Told<State> {
    let place = place(talk, text).await?;
    let on = talk.ask("The value that means on:", Some("on")).await?;
    let off = talk.ask("The value that means off:", Some("off")).await?;
    Ok(State { place, on, off })
}

/// A place as a person types it, and again until it is one.
pub(super) async fn place(talk: &mut Talk, text: &str) -> Told<Place> {
    let mut text = text.to_owned();
    loop {
        if let Some(place) = Place::typed(&text) {
            if let Some(seen) = talk.log.latest(&place) {
                talk.say(&format!("the last value of {place} was {:?}", seen.value));
            } else {
                talk.say(&format!("nothing has come on {place} so far; using it as you typed it"));
            }
            return Ok(place);
        }
        talk.say(
            "(Give a topic without # and +, such as outlets/bench-1/says, with a pointer after it if needed, such as \
             /switch.)",
        );
        text = talk.ask("Topic:", None).await?;
    }
}

pub(super) async fn order(talk: &mut Talk, notebook: &mut Notebook) -> Told<()> {
    let guess = notebook.notes.order.clone();
    let guess = match &guess {
        Some(guess) => {
            talk.say("Just before it changed, this message was sent:");
            talk.say(&format!("  {}: {:?} for on, {:?} for off", guess.topic, guess.on, guess.off));
            guess.clone()
        }
        None => {
            talk.say("It was not switched through the broker.");
            talk.say("Look in its documentation for the topic on which it takes orders.");
            let (on, off) = ("on".to_owned(), "off".to_owned());
            known::Order { topic: String::new(), on, off, tried: false }
        }
    };
    let topic = Some(guess.topic.as_str()).filter(|topic| !topic.is_empty());
    let topic = talk.ask("Topic on which the outlet takes orders:", topic).await?;
    let on = talk.ask("What switches it on:", Some(&guess.on)).await?;
    let off = talk.ask("What switches it off:", Some(&guess.off)).await?;
    let mut order = known::Order { topic, on, off, tried: false };
    if talk
        .yes(
            "May Idlegate switch it off and on now, to see whether it obeys? The machine must be idle.",
            false,
        )
        .await?
    {
        order.tried = obeys(talk, notebook, &order).await?;
    }
    notebook.notes.order = Some(order);
    Ok(())
}

async fn obeys(talk: &mut Talk, notebook: &Notebook, order: &known::Order) -> Told<bool> {
    let Some(outlet) = notebook.notes.outlet.clone() else { return Ok(false) };
    for (payload, wanted) in [(&order.off, &outlet.off), (&order.on, &outlet.on)] {
        let outgoing = Outgoing::order(
            &order.topic,
            Bytes::copy_from_slice(payload.as_bytes()),
            Span::secs(2),
            Clock.now().moment,
        );
        talk.visitor.send(outgoing)?;
        let (place, sent): (_, Moment) = (&outlet.place, Clock.now().moment);
        let said = talk
            .wait(Some(OBEYS_WITHIN), |now, message| {
                let value = crate::intake::decode_word(&place.path(), &message.payload).ok()?;
                (*message.topic == *place.topic && now >= sent && value == *wanted).then_some(())
            })
            .await?;
        match said {
            Came::That(()) => talk.say(&format!("sent {payload:?}, and the outlet says {wanted:?}")),
            Came::Line(_) | Came::TimeOver => {
                talk.say(&format!(
                    "sent {payload:?}, but the outlet did not say {wanted:?}. Look at the outlet, and switch it back by hand. \
                     If the topic or the payload is wrong, type `back`."
                ));
                return Ok(false);
            }
        }
    }
    Ok(true)
}

pub(super) async fn meter(talk: &mut Talk, notebook: &mut Notebook) -> Told<()> {
    let mut found = meters(&talk.log, &[]);
    if let Some(guess) = &notebook.notes.meter {
        // What fell with the outlet goes first.
        found.sort_by_key(|meter| meter.place != guess.place);
    }
    let options: Vec<String> = found
        .iter()
        .take(SHOWN_MAX)
        .map(|meter| format!("{}: {} W now", meter.place, meter.latest))
        .collect();
    if options.is_empty() {
        talk.say("No number has come that looks like a draw in watts.");
    }
    let chosen =
        talk.choose("Which is the machine's draw? (a number, or type TOPIC [/POINTER])", &options).await?;
    let (place, scale) = match chosen {
        Ok(index) => (found[index].place.clone(), found[index].scale),
        Err(text) => (place(talk, &text).await?, 1.0),
    };
    let scale = loop {
        let answer = talk.ask("Multiply its value by this to get watts:", Some(&scale.to_string())).await?;
        match answer.parse::<f64>() {
            Ok(scale) if scale.is_finite() && scale != 0.0 => break scale,
            Ok(_) | Err(_) => talk.say("(Give a number, such as 1 for watts or 1000 for kilowatts.)"),
        }
    };
    if talk.log.latest(&place).is_some_and(|seen| seen.retained) {
        talk.say("The meter sends its readings with the retain flag, so the broker stores them.");
        talk.say("The guard never counts stored readings, because nobody knows how old they are: the machine would");
        talk.say("never be idle. Have the meter send its readings without that flag; or, if it cannot, set");
        talk.say("sender_stores = true under [signals.power] in the machine's file, once it is written.");
    }
    notebook.notes.meter = Some(known::Meter { place, scale });
    Ok(())
}
