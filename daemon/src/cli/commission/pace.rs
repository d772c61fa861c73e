//! How a meter speaks: every second, every few minutes, or only when its value changes. By that the guard knows how
//! long its silence may be believed.

use std::time::Duration;

use super::dialogue::{Came, Dialogue, Told};
use super::meter::{Waited, number};
use idlegate_guard::time::Span;
use idlegate_os::Clock;
use idlegate_plan::text::counted;
use idlegate_setup::commission::{FieldPlace, Manner, Notebook, Silent, known, manner, stale_after};

const SHOWN_MAX: usize = 9;

/// Listens until it is clear how the meter speaks, and asks what cannot be heard.
pub(super) async fn learn(
    dialogue: &mut Dialogue,
    notebook: &mut Notebook,
    meter: &mut known::Meter,
) -> Told<()> {
    match listened(dialogue, &meter.place).await? {
        Manner::Steadily(pause) => slow(dialogue, pause, meter),
        Manner::OnChange(silent) => on_change(dialogue, notebook, meter, silent).await?,
        Manner::Unclear => by_word(dialogue, meter).await?,
    }
    Ok(())
}

/// Where it cannot be heard.
async fn by_word(dialogue: &mut Dialogue, meter: &mut known::Meter) -> Told<()> {
    dialogue.say("If this meter reports only changes, and nothing else comes from it, the guard cannot believe its silence: have it report");
    dialogue.say("at least every few minutes.");
    let secs =
        number(dialogue, "What is the longest time between two of its reports, in seconds?", None).await?;
    if let Ok(longest) = Duration::try_from_secs_f64(secs) {
        let millis = u64::try_from(longest.as_millis()).unwrap_or(u64::MAX);
        slow(dialogue, Span(millis.min(3_600_000)), meter);
    }
    Ok(())
}

async fn listened(dialogue: &mut Dialogue, place: &FieldPlace) -> Told<Manner> {
    let mut impatient = false;
    let mut waited: Option<Waited> = None;
    loop {
        let manner = manner(&dialogue.log, place, Clock.now().moment, impatient);
        // One that is never clear ends with somebody who has waited long enough, or after ten minutes.
        let over = impatient || waited.as_ref().is_some_and(|waited| waited.span() > Span::secs(600));
        if over || manner != Manner::Unclear {
            return Ok(manner);
        }
        if waited.is_none() {
            dialogue.say("Listening to how often it reports, for up to three minutes with a slow one. Leave the outlet on. Press Enter if");
            dialogue.say("you do not want to wait.");
        }
        let waited = waited.get_or_insert_with(Waited::begin);
        if let Came::Line(_) = dialogue.wait(Some(Duration::from_millis(500)), |_, _| None::<()>).await? {
            impatient = true;
        }
        let count = dialogue.log.seen(place).filter(|seen| seen.live).count();
        let last = dialogue.log.latest(place).map(|seen| Clock.now().moment.since(seen.at));
        let ago = last.map_or_else(String::new, |ago| format!(", the last one {ago} ago"));
        let heard =
            if count == 0 { "nothing heard yet".to_owned() } else { counted(count, "reading") + &ago };
        waited.tell(dialogue, &heard);
    }
}

fn slow(dialogue: &Dialogue, pause: Span, meter: &mut known::Meter) {
    let Some(stale_after) = stale_after(pause) else { return };
    dialogue.say(&format!(
        "The meter reports about every {pause}. Its readings will count as missing after {stale_after} of silence, and the machine"
    ));
    dialogue.say(
        "is seen to be idle only some minutes after it is. A meter that reports more often would be better.",
    );
    meter.stale_after_secs = Some(stale_after.millis() / 1_000);
}

/// A meter that speaks only when its value changes needs something that shows that it is there.
async fn on_change(
    dialogue: &mut Dialogue,
    notebook: &mut Notebook,
    meter: &mut known::Meter,
    found: Silent,
) -> Told<()> {
    let (readings, silence) = (counted(found.readings, "reading"), found.silence);
    dialogue.say(&format!(
        "The meter seems to speak only when its value changes: {readings}, no two alike in a row, and nothing for {silence}"
    ));
    dialogue.say("while other topics beside it went on. The guard believes such a silence only if something shows that the meter");
    dialogue.say("is there. It must come from the same device.");
    let signs: Vec<_> = found.signs.into_iter().take(SHOWN_MAX).collect();
    let mut options: Vec<String> =
        signs.iter().map(|(topic, silent_max)| format!("{topic}, silent for {silent_max} at most")).collect();
    options.push("none of these, or it is only slow".to_owned());
    let chosen = dialogue.choose("Which shows that the meter is there? (a number)", &options).await?;
    let Some((topic, silent_max)) = chosen.ok().and_then(|index| signs.into_iter().nth(index)) else {
        return by_word(dialogue, meter).await;
    };
    let place = FieldPlace::whole(&topic);
    let mut alive =
        known::Alive { place: place.clone(), silent_max: silent_max.to_string(), gone: None, reach: false };
    if let Some(yes) = only_word(dialogue, &place) {
        dialogue.say(&format!(
            "It always says {yes:?} there, so it may say something else when the device is gone."
        ));
        let proposed = if yes == "yes" { "no" } else { "nothing" };
        let question = "What does it say when the device is gone? (its last will; or: nothing)";
        let no = dialogue.ask(question, Some(proposed)).await?;
        if no != "nothing" && no != yes {
            let is_outlet =
                "Is the meter part of the outlet, so that this says whether the outlet can be reached?";
            alive.reach = dialogue.yes(is_outlet, true).await?;
            if let Some(outlet) = notebook.notes.outlet.as_mut().filter(|_| alive.reach) {
                outlet.reach = Some(known::Reach { place, yes, no: no.clone() });
            }
            alive.gone = Some(no);
        }
    }
    meter.alive = Some(alive);
    Ok(())
}

/// The word that stands there each time, if it is no number and nothing with parts.
fn only_word(dialogue: &Dialogue, place: &FieldPlace) -> Option<String> {
    let word = dialogue.log.latest(place)?.value.clone();
    let same = dialogue.log.seen(place).all(|seen| seen.value == word);
    let plain =
        dialogue.log.inside(&place.topic).is_empty() && !word.contains(|char: char| char.is_ascii_digit());
    (same && plain).then_some(word)
}
