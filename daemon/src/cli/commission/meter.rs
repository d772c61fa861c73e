//! Where the machine's draw stands, and how its meter speaks.

use std::time::Duration;

use super::dialogue::{Came, Dialogue, Leave, Told};
use super::outlet::place;
use super::pace;
use idlegate_guard::time::{Moment, Span};
use idlegate_os::Clock;
use idlegate_plan::text::counted;
use idlegate_setup::commission::{
    Fallen, FieldPlace, Meter, Notebook, Seen, Turn, Window, fallen, fell_since, known, meter_at,
    numbers_since, rose_since, stands_out,
};

const SHOWN_MAX: usize = 9;
/// How often somebody who waits hears how it goes.
pub(super) const TELL_EVERY: Duration = Duration::from_secs(15);

pub(super) async fn meter(dialogue: &mut Dialogue, notebook: &mut Notebook) -> Told<()> {
    let chosen = loop {
        let found = fallen(&dialogue.log, &dialogue.turns);
        if !found.is_empty() {
            break offered(dialogue, found).await?;
        }
        dialogue.say("No draw has been seen to fall when the outlet went off and to come back with it. Some meters report only once a");
        dialogue
            .say("minute or more seldom, and a machine that draws nothing when it is idle shows nothing.");
        let question = "Press Enter to switch it once more and wait for the meter, or type TOPIC [/POINTER] of the draw:";
        match dialogue.ask(question, Some("wait")).await?.as_str() {
            "wait" => dialogue.turns = slow_turns(dialogue).await?,
            text => break typed(dialogue, text).await?,
        }
    };
    let meter = asked(dialogue, notebook, chosen).await?;
    notebook.notes.meter = Some(meter);
    Ok(())
}

/// Only what fell with the outlet is offered; whatever else sends numbers may be another machine's meter.
async fn offered(dialogue: &mut Dialogue, mut found: Vec<Fallen>) -> Told<Meter> {
    dialogue.say("This fell when the outlet went off, and came back with it:");
    let options: Vec<String> = found.iter().take(SHOWN_MAX).map(describe).collect();
    let first = stands_out(&found);
    let question = "Which is the machine's draw? (a number, or type TOPIC [/POINTER])";
    match dialogue.choose_from(question, &options, first).await? {
        Ok(index) => Ok(found.swap_remove(index).meter),
        Err(text) => typed(dialogue, &text).await,
    }
}

fn describe(fallen: &Fallen) -> String {
    let Fallen { meter, on_watts, off_watts, .. } = fallen;
    format!("{}: {on_watts} W on, {off_watts} W off", meter.place)
}

/// Off until something fell, then on until it is back, however long the meter takes.
async fn slow_turns(dialogue: &mut Dialogue) -> Told<Vec<Turn>> {
    let mut turns = Vec::new();
    for (on, words) in
        [(false, "Switch the outlet off, and leave it off."), (true, "Switch it on, and leave it on.")]
    {
        let from = dialogue.done(words).await?.from;
        dialogue.say("Waiting for the meter; a slow one takes some minutes. Press Enter if you do not want to wait any longer.");
        let moved = if on { rose_since } else { fell_since };
        let mut waited = Waited::begin();
        while !moved(&dialogue.log, from) {
            if let Came::Line(_) = dialogue.wait(Some(Duration::from_millis(500)), |_, _| None::<()>).await? {
                break;
            }
            let heard = counted(numbers_since(&dialogue.log, from), "number");
            waited.tell(
                dialogue,
                &format!("{heard} heard, and none has {} yet", if on { "risen" } else { "fallen" }),
            );
        }
        turns.push(Turn { on, window: Window { from, until: Clock.now().moment + Span(1) } });
    }
    Ok(turns)
}

/// For whoever waits: how long it has been, now and then.
pub(super) struct Waited {
    from: Moment,
    told: Moment,
}

impl Waited {
    pub(super) fn begin() -> Waited {
        let now = Clock.now().moment;
        Waited { from: now, told: now }
    }

    pub(super) fn span(&self) -> Span {
        Clock.now().moment.since(self.from)
    }

    pub(super) fn tell(&mut self, dialogue: &Dialogue, words: &str) {
        let now = Clock.now().moment;
        if u128::from(now.since(self.told).millis()) >= TELL_EVERY.as_millis() {
            self.told = now;
            dialogue.say(&format!("  {}: {words}", clock(self.span())));
        }
    }
}

/// `2:05`
pub(super) fn clock(span: Span) -> String {
    let secs = span.millis() / 1_000;
    format!("{}:{:02}", secs / 60, secs % 60)
}

/// One that a person names: it must be readable, and where it did not fall with the outlet it must be meant.
async fn typed(dialogue: &mut Dialogue, text: &str) -> Told<Meter> {
    let mut text = text.to_owned();
    loop {
        let place = place(dialogue, &text).await?;
        if dialogue.log.latest(&place).is_none() {
            dialogue.say(&format!(
                "Waiting for something to come on {place}. Press Enter if you do not want to wait."
            ));
            while dialogue.log.latest(&place).is_none() {
                if let Came::Line(_) =
                    dialogue.wait(Some(Duration::from_millis(500)), |_, _| None::<()>).await?
                {
                    break;
                }
            }
        }
        let Some(latest) = dialogue.log.latest(&place).map(|seen| seen.value.clone()) else {
            if dialogue
                .decide(&format!(
                    "Nobody knows yet whether Idlegate can read {place}. Use it all the same? (yes or no)"
                ))
                .await?
            {
                return Ok(Meter::unheard(place));
            }
            text = dialogue.ask("Topic of the draw:", None).await?;
            continue;
        };
        let Some(meter) = meter_at(&dialogue.log, &place) else {
            dialogue.say(&format!(
                "(Idlegate cannot read {latest:?} as watts, so it would know nothing of the machine.)"
            ));
            text = dialogue.ask("Topic of the draw:", None).await?;
            continue;
        };
        let fell = fallen(&dialogue.log, &dialogue.turns).iter().any(|fallen| fallen.meter.place == place);
        let question = "It was not seen to fall when the outlet went off, so it may be another machine's. Then Idlegate would cut \
                        this one while it works. Is it this machine's own? (yes or no)";
        if fell || dialogue.decide(question).await? {
            return Ok(meter);
        }
        text = dialogue.ask("Topic of the draw:", None).await?;
    }
}

/// What only a person can say of the meter, or has to agree to.
async fn asked(dialogue: &mut Dialogue, notebook: &mut Notebook, found: Meter) -> Told<known::Meter> {
    let mut meter = known::Meter::new(found.place, found.scale);
    if found.comma {
        meter.decimal_comma = is_decimal_comma(dialogue, &meter.place).await?;
    }
    for word in found.words {
        let watts =
            number(dialogue, &format!("It also says {word:?}. How many watts does that stand for?"), None)
                .await?;
        meter.words.push((word, watts));
    }
    if !found.with_unit {
        let scale = meter.scale.to_string();
        meter.scale = loop {
            match number(dialogue, "Multiply its value by this to get watts:", Some(&scale)).await? {
                scale if scale != 0.0 => break scale,
                _ => dialogue.say("(Give a number, such as 1 for watts or 1000 for kilowatts.)"),
            }
        };
    }
    if dialogue.log.seen(&meter.place).any(Seen::flagged) {
        meter.sender_stores = counts_flagged(dialogue, "meter", "readings").await?;
    } else if dialogue.log.latest(&meter.place).is_some_and(|seen| seen.retained) {
        dialogue.say("Only a reading that the broker had stored has come so far. The guard never counts stored readings, because");
        dialogue.say("nobody knows how old they are. Does the meter send anything while the machine is on?");
    }
    pace::learn(dialogue, notebook, &mut meter).await?;
    Ok(meter)
}

async fn is_decimal_comma(dialogue: &mut Dialogue, place: &FieldPlace) -> Told<bool> {
    let seen = dialogue.log.seen(place).find(|seen| seen.value.contains(','));
    let seen = seen.map_or_else(String::new, |seen| seen.value.clone());
    let question =
        format!("It writes {seen:?}. Is that comma a decimal comma, as in 0,5 for a half? (yes or no)");
    if dialogue.decide(&question).await? {
        return Ok(true);
    }
    dialogue.say("Then Idlegate cannot read it: have it write its numbers without separators of thousands.");
    Err(Leave::Back)
}

pub(super) async fn number(dialogue: &mut Dialogue, question: &str, proposed: Option<&str>) -> Told<f64> {
    loop {
        match dialogue.ask(question, proposed).await?.trim_end_matches(['W', ' ']).parse::<f64>() {
            Ok(number) if number.is_finite() => return Ok(number),
            Ok(_) | Err(_) => dialogue.say("(Give a number, with a point and not a comma: 1 or 0.5.)"),
        }
    }
}

/// Whether what comes live counts although its sender has it stored.
pub(super) async fn counts_flagged(dialogue: &mut Dialogue, what: &str, says: &str) -> Told<bool> {
    dialogue.say(&format!("The {what} sends its {says} with the retain flag, so the broker stores them. The guard takes what has"));
    dialogue.say("the flag for an old message: a bridge between two brokers brings old ones back like that. Best have it send");
    dialogue.say(&format!(
        "its {says} without the flag. If it cannot, those that come live can count (sender_stores = true)."
    ));
    dialogue.yes("Should those that come live count?", true).await
}
