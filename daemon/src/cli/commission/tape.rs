//! The meter's readings while somebody measures: into a recording, and shown as they come.

use std::fs::{File, OpenOptions};
use std::io::IsTerminal as _;
use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;

use super::dialogue::{Came, Dialogue, Told};
use super::meter::{Waited, clock};
use crate::cli::progress;
use idlegate_engine::intake::decode_numbers;
use idlegate_engine::signals::{Arrived, SHOWN_EVERY, SignalState};
use idlegate_guard::time::{Moment, Span, WallTime};
use idlegate_os::Clock;
use idlegate_plan::event::{Message, Value};
use idlegate_plan::text::counted;
use idlegate_plan::{Signal, SignalKind, ValuePath};
use idlegate_recordings::recording::{WriteError, Writer};
use idlegate_setup::commission::known;

/// Less tells nothing about what idle is, and nor do fewer readings.
const IDLE_MIN: Span = Span::secs(150);
const IDLE_READINGS: u64 = 5;
const BEAT: Duration = Duration::from_millis(500);

pub(super) struct Tape {
    writer: Writer<File>,
    name: String,
    rules: Signal,
    /// Reads and puts in order what comes, as the guard does.
    state: SignalState,
    /// Of a meter that speaks only when its value changes: where its signs of life come, and for how long it is
    /// believed.
    sign: Option<(String, Span)>,
    count: u64,
    watts: Option<f64>,
    written_at: Moment,
    /// The last reading or sign of life.
    alive_at: Moment,
}

impl Tape {
    pub(super) fn open(file: &Path, name: &str, meter: &known::Meter) -> anyhow::Result<Tape> {
        let out = OpenOptions::new().create(true).append(true).open(file);
        let out = out.with_context(|| format!("cannot write {}", file.display()))?;
        let rules = meter.signal();
        let state = SignalState::new(&rules);
        let span = |text: &str| {
            text.parse::<idlegate_detector::Span>().map_or(Span::ZERO, |it| Span(it.as_millis()))
        };
        let sign = meter.alive.as_ref().map(|alive| (alive.place.topic.clone(), span(&alive.silent_max)));
        Ok(Tape {
            writer: Writer::new(out),
            name: name.to_owned(),
            rules,
            state,
            sign,
            count: 0,
            watts: None,
            written_at: Moment(0),
            alive_at: Moment(0),
        })
    }

    /// What a meter that speaks only when its value changes said last, before this began.
    pub(super) fn begin_with(&mut self, dialogue: &Dialogue, meter: &known::Meter) {
        let last = dialogue.log.latest(&meter.place).filter(|seen| seen.live && self.sign.is_some());
        let SignalKind::Number(rules) = &self.rules.kind else { return };
        let read = last.and_then(|seen| decode_numbers(&ValuePath::Whole, rules, seen.value.as_bytes()).ok());
        if let Some(last) = read.as_ref().and_then(|read| read.last()) {
            (self.watts, self.alive_at) = (Some(last.value), Clock.now().moment);
        }
    }

    pub(super) fn count(&self) -> u64 {
        self.count
    }

    /// Nothing came, and nothing was held.
    pub(super) fn is_empty(&self) -> bool {
        self.watts.is_none()
    }

    /// How long an idle machine has to be measured.
    pub(super) fn idle_min(&self) -> Span {
        // Three of its pauses are what it may be silent for.
        IDLE_MIN.max(Span(self.rules.stale_after.0 / 3 * IDLE_READINGS))
    }

    /// Records until Enter, and shows what comes.
    pub(super) async fn roll(&mut self, dialogue: &mut Dialogue, words: &str) -> Told<()> {
        dialogue.say(&format!("{words} Press Enter to go on."));
        let bar = progress::spinner();
        let begun = self.count;
        let mut waited = Waited::begin();
        let ended = loop {
            let came = match dialogue.wait(Some(BEAT), |_, message| self.take(message).transpose()).await {
                Ok(came) => came,
                Err(leave) => break Err(leave),
            };
            match came {
                Came::Line(_) => break Ok(()),
                Came::That(Err(error)) => break Err(error.into()),
                Came::That(Ok(())) | Came::TimeOver => {}
            }
            if let Err(error) = self.hold() {
                break Err(error.into());
            }
            let shown = self.shown(self.count - begun);
            bar.set_message(format!("{}  {shown}", clock(waited.span())));
            bar.tick();
            if !std::io::stderr().is_terminal() {
                waited.tell(dialogue, &shown);
            }
        };
        bar.finish_and_clear();
        ended
    }

    fn shown(&self, count: u64) -> String {
        match self.watts.filter(|_| count > 0 || self.sign.is_some()) {
            Some(watts) => format!("{watts:.1} W, {}", counted(count, "reading")),
            None => "nothing heard yet".to_owned(),
        }
    }

    /// Says so when something was written.
    fn take(&mut self, message: &Message) -> Result<Option<()>, WriteError> {
        let now = Clock.now();
        if self.sign.as_ref().is_some_and(|(topic, _)| **topic == *message.topic) {
            self.alive_at = now.moment;
        }
        if *message.topic != *self.rules.source.filter {
            return Ok(None);
        }
        let arrived = Arrived::of(message, &self.rules, now.moment, now);
        let Ok(readings) = self.state.take(&self.rules, &message.payload, arrived) else { return Ok(None) };
        for reading in readings {
            let at = now.wall.0 - i64::try_from(now.moment.since(reading.at).0).unwrap_or(0);
            if let Value::Number(watts) = reading.value {
                self.watts = Some(watts);
            }
            (self.alive_at, self.written_at) = (now.moment, now.moment);
            self.count += 1;
            self.writer.write(&self.name, Some("W"), WallTime(at), &reading.value)?;
        }
        Ok(Some(()))
    }

    /// While its meter is known to be there, an unchanged value holds, as it does for the guard.
    fn hold(&mut self) -> Result<(), WriteError> {
        let (Some((_, silent_max)), Some(watts)) = (&self.sign, self.watts) else { return Ok(()) };
        let now = Clock.now();
        let due = now.moment.since(self.written_at) >= SHOWN_EVERY;
        if due && now.moment.since(self.alive_at) <= *silent_max {
            self.written_at = now.moment;
            self.writer.write(&self.name, Some("W"), now.wall, &Value::Number(watts))?;
        }
        Ok(())
    }
}
