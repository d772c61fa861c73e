//! Hands: presses and holds, jobs and their times, buttons that are leaned on, messages that come late or twice.

use idlegate_demo::workshop::Truth;
use idlegate_guard::time::{Moment, Span};
use idlegate_guard::{RequestKind, Switch};

use super::rules::{Button, GROUP, GROUP_TITLE, PLACES};
use super::wire::{Due, Sent, What};
use super::world::World;

/// No machine runs on for longer after a job.
const RUNS_ON_MAX: Span = Span::secs(150);
/// Of a job that pauses.
const PART: Span = Span::secs(240);

/// How a message comes in.
#[derive(Clone, Copy, Debug)]
pub enum Way {
    Live,
    /// It waited somewhere for this long.
    Late(Span),
    Stored,
}

impl World<'_> {
    pub fn any_place(&mut self) -> usize {
        usize::try_from(self.fate.span(Span(0), Span(4)).0).unwrap_or_default()
    }

    pub fn begin_life(&mut self, faults: bool) {
        for place in 0..PLACES.len() {
            let first = self.now + self.fate.span(Span::secs(60), Span::secs(1_200));
            self.agenda.plan(first, Due::Person { place });
            let job = self.now + self.fate.span(Span::secs(60), Span::secs(3_600));
            self.agenda.plan(job, Due::Job { place });
        }
        if faults {
            self.agenda.plan(self.now + Span::secs(600), Due::FaultBegins);
        }
    }

    /// Somebody has something to do with this machine.
    pub fn person(&mut self, place: usize) {
        let next = self.fate.span(Span::secs(60), Span::secs(1_500));
        self.agenda.plan(self.now + next, Due::Person { place });
        let pause = self.fate.span(Span(300), Span::secs(14));
        let button = PLACES[place].button;
        let choice = self.fate.span(Span(0), Span(99)).0;
        match choice {
            0..14 => self.press(place, Span::ZERO, Way::Live),
            14..21 => {
                self.press(place, Span::ZERO, Way::Live);
                self.long(place, pause, Way::Live);
            }
            21..24 => self.phone(place, RequestKind::Off, Span::ZERO, None),
            24..28 => self.long(place, Span::ZERO, Way::Live),
            28..31 => {
                // Hits the deadline of the window to the millisecond, or misses it by one.
                let near = self.fate.span(Span(9_990), Span(10_010));
                self.console(place, RequestKind::Off, Span::ZERO, Way::Live);
                self.console(place, RequestKind::ForceOff, near, Way::Live);
            }
            31..35 => self.lean(place, button),
            35..45 => self.console(place, RequestKind::Off, Span::ZERO, Way::Live),
            45..48 => self.console(place, RequestKind::On, Span::ZERO, Way::Live),
            48..50 => self.ask_group(),
            50..54 => {
                self.console(place, RequestKind::Off, Span::ZERO, Way::Live);
                self.console(place, RequestKind::ForceOff, pause, Way::Live);
            }
            54..57 => self.say(place),
            57..65 => self.console(place, RequestKind::OffOnceIdle, Span::ZERO, Way::Live),
            65 => self.say_group(),
            66..69 => self.console(place, RequestKind::Cancel, Span::ZERO, Way::Live),
            69..72 => {
                let open = self.fate.span(Span::secs(5), Span::secs(1_800));
                self.console(place, RequestKind::Lock, Span::ZERO, Way::Live);
                self.console(place, RequestKind::On, Span::secs(4), Way::Live);
                self.console(place, RequestKind::Unlock, open, Way::Live);
            }
            72..75 => self.console(place, RequestKind::Flip, Span::ZERO, Way::Live),
            75..80 => self.night(Way::Live),
            80..85 => self.race(place),
            85 if self.fate.happens(0.3) => self.emergency(),
            86..90 => {
                let late = self.fate.span(Span(1_300), Span::secs(4_000));
                self.press(place, Span::ZERO, Way::Late(late));
                self.long(place, Span(200), Way::Late(late));
            }
            90..93 => {
                self.console(place, RequestKind::Off, Span::ZERO, Way::Stored);
                let second = self.fate.span(Span::secs(2), Span::secs(9));
                self.console(place, RequestKind::ForceOff, second, Way::Stored);
            }
            93..95 => self.long(place, Span::ZERO, Way::Stored),
            95..97 => self.twice_with_one_id(place),
            97 => self.nonsense(),
            98 => self.push_latch(),
            _ => self.console(place, RequestKind::On, Span::ZERO, Way::Live),
        }
    }

    /// A job is to be done: power on first, if need be.
    pub fn job(&mut self, place: usize) {
        let next = self.fate.span(Span::secs(1_200), Span::secs(9_000));
        self.agenda.plan(self.now + next, Due::Job { place });
        let lasts = self.job_length(place);
        let ready_in = if self.station(place).outlet.relay() == Switch::Off {
            if self.oracle.watched[place].locked {
                self.console(place, RequestKind::Unlock, Span::ZERO, Way::Live);
            }
            self.console(place, RequestKind::On, Span::secs(3), Way::Live);
            Span::secs(30)
        } else {
            Span::ZERO
        };
        if self.fate.happens(0.2) {
            return self.job_that_pauses(place, ready_in);
        }
        self.agenda.plan(self.now + ready_in, Due::StartJob { place, lasts });
    }

    /// A job in three parts; each pause looks like its end, as when filament is changed. In the second pause, which is
    /// no longer than the first, somebody asks for an off.
    fn job_that_pauses(&mut self, place: usize, ready_in: Span) {
        let seems_over = RUNS_ON_MAX + PLACES[place].dwell;
        let pause = self.fate.span(Span::secs(60), Span::secs(700));
        let shorter = Span(pause.0 / 2);
        let second = ready_in + PART + seems_over + pause;
        let second_over = second + PART + seems_over;
        for begins in [ready_in, second, second_over + shorter] {
            self.agenda.plan(self.now + begins, Due::StartJob { place, lasts: PART });
        }
        let asked = second_over + self.fate.span(Span::ZERO, shorter);
        let kind = if self.fate.happens(0.5) { RequestKind::Off } else { RequestKind::OffOnceIdle };
        self.console(place, kind, asked, Way::Live);
    }

    fn job_length(&mut self, place: usize) -> Span {
        let (least, most) = PLACES[place].jobs_mins;
        self.fate.span(Span::secs(least * 60), Span::secs(most * 60))
    }

    pub fn start_job(&mut self, place: usize, lasts: Span) {
        let now = self.now;
        let station = self.station(place);
        if station.truth() != Truth::Working && station.start_job(lasts, now) {
            self.figures.jobs_begun += 1;
            self.bench[place].job_began = now;
            self.bench[place].job_protected = false;
            self.trace.tell(now, format_args!("{} begins a job of {lasts}", PLACES[place].machine));
        }
    }

    /// One starts a job while the other switches off.
    fn race(&mut self, place: usize) {
        let (lasts, gap) = (self.job_length(place), self.fate.span(Span(0), Span::secs(15)));
        self.agenda.plan(self.now, Due::StartJob { place, lasts });
        self.console(place, RequestKind::Off, gap, Way::Live);
    }

    /// A crate against the button: the same long press, again and again.
    fn lean(&mut self, place: usize, button: Option<Button>) {
        let times = self.fate.span(Span(3), Span(60)).0;
        if button.is_some_and(|button| button.press.is_some()) {
            self.press(place, Span::ZERO, Way::Live);
        }
        for nth in 0..times {
            self.long(place, Span(400 + nth * 900), Way::Live);
        }
    }

    pub fn press(&mut self, place: usize, after: Span, way: Way) {
        let Some(Button { input, topic, press: Some(word), .. }) = PLACES[place].button else {
            return self.console(place, RequestKind::Off, after, way);
        };
        let kind = if input == "bench-button" { RequestKind::Flip } else { RequestKind::Off };
        self.speak(topic, word.to_owned(), input, vec![place], kind, None, after, way);
    }

    pub fn long(&mut self, place: usize, after: Span, way: Way) {
        let Some(Button { input, topic, long, .. }) = PLACES[place].button else {
            return self.console(place, RequestKind::ForceOff, after, way);
        };
        self.speak(topic, long.to_owned(), input, vec![place], RequestKind::ForceOff, None, after, way);
    }

    pub fn console(&mut self, place: usize, kind: RequestKind, after: Span, way: Way) {
        self.ids += 1;
        let id = format!("{}-{}", self.life.seed, self.ids);
        self.console_with(place, kind, after, way, id);
    }

    fn console_with(&mut self, place: usize, kind: RequestKind, after: Span, way: Way, id: String) {
        let (machine, word) = (PLACES[place].machine, kind.word());
        let payload = format!(r#"{{"machine":"{machine}","request":"{word}","id":"{id}"}}"#);
        let topic = "idlegate/request/console";
        self.speak(topic, payload, "console", vec![place], kind, Some(id), after, way);
    }

    fn twice_with_one_id(&mut self, place: usize) {
        self.ids += 1;
        let id = format!("{}-{}", self.life.seed, self.ids);
        let again = self.fate.span(Span(10), Span::secs(30));
        self.console_with(place, RequestKind::Off, Span::ZERO, Way::Live, id.clone());
        self.console_with(place, RequestKind::Off, again, Way::Live, id);
    }

    fn nonsense(&mut self) {
        let payload = r#"{"machine":"no-such-machine","request":"off"}"#.to_owned();
        let topic = "idlegate/request/console";
        self.speak(topic, payload, "console", Vec::new(), RequestKind::Off, None, Span::ZERO, Way::Live);
    }

    /// A voice relay says a thing once, or three times for good measure.
    fn say(&mut self, place: usize) {
        let (wish, kind) = match self.fate.span(Span(0), Span(4)).0 {
            0 => (" Switch  OFF", RequestKind::Off),
            1 => ("turn off", RequestKind::Off),
            2 => ("off when done", RequestKind::OffOnceIdle),
            3 => ("leave it on", RequestKind::Cancel),
            _ => ("turn on", RequestKind::On),
        };
        let machine = PLACES[place].machine;
        let thing = if machine == "filament-printer" { "The Old Printer" } else { machine };
        let times = if self.fate.happens(0.3) { 3 } else { 1 };
        for nth in 0..times {
            let payload = format!(r#"{{"thing":"{thing}","wish":"{wish}"}}"#);
            let after = Span(nth * 700);
            self.speak("voice/heard", payload, "voice", vec![place], kind, None, after, Way::Live);
        }
    }

    /// Everything at once: now, when it is idle, or not after all. Often with single machines asked beside it, and
    /// sometimes late, stored or twice with one id.
    fn ask_group(&mut self) {
        let kind = match self.fate.span(Span(0), Span(9)).0 {
            0..5 => RequestKind::Off,
            5..8 => RequestKind::OffOnceIdle,
            _ => RequestKind::Cancel,
        };
        let way = match self.fate.span(Span(0), Span(9)).0 {
            0 => Way::Late(self.fate.span(Span(1_300), Span::secs(4_000))),
            1 => Way::Stored,
            _ => Way::Live,
        };
        self.ids += 1;
        let id = format!("{}-{}", self.life.seed, self.ids);
        let payload = format!(r#"{{"group":"{GROUP}","request":"{}","id":"{id}"}}"#, kind.word());
        let again = self.fate.span(Span(10), Span::secs(30));
        let times = if self.fate.happens(0.2) { 2 } else { 1 };
        for nth in 0..times {
            let topic = "idlegate/request/console";
            self.speak_to_group(
                topic,
                payload.clone(),
                "console",
                kind,
                Some(id.clone()),
                Span(nth * again.0),
                way,
            );
        }
        for _ in 0..self.fate.span(Span(0), Span(2)).0 {
            let (place, after) = (self.any_place(), self.fate.span(Span(0), Span::secs(8)));
            let alone = if self.fate.happens(0.5) { kind } else { RequestKind::ForceOff };
            self.console(place, alone, after, Way::Live);
        }
    }

    fn say_group(&mut self) {
        let (wish, kind) = match self.fate.span(Span(0), Span(2)).0 {
            0 => ("turn off", RequestKind::Off),
            1 => ("off when done", RequestKind::OffOnceIdle),
            _ => ("leave it on", RequestKind::Cancel),
        };
        let payload = format!(r#"{{"thing":"{}","wish":"{wish}"}}"#, GROUP_TITLE.to_uppercase());
        let times = if self.fate.happens(0.3) { 3 } else { 1 };
        for nth in 0..times {
            self.speak_to_group(
                "voice/heard",
                payload.clone(),
                "voice",
                kind,
                None,
                Span(nth * 700),
                Way::Live,
            );
        }
    }

    fn night(&mut self, way: Way) {
        let everywhere = (0..PLACES.len()).collect();
        let (topic, word) = ("clock/night", "bell".to_owned());
        self.speak(topic, word, "night", everywhere, RequestKind::Off, None, Span::ZERO, way);
    }

    pub fn press_red_button(&mut self) {
        let everywhere = (0..PLACES.len()).collect();
        let (topic, word) = ("contacts/red-button", "open".to_owned());
        let kind = RequestKind::EmergencyOff;
        self.speak(topic, word, "red-button", everywhere, kind, None, Span::ZERO, Way::Live);
    }

    /// The red button, and later on somebody who releases what it locked.
    fn emergency(&mut self) {
        self.press_red_button();
        for place in 0..PLACES.len() {
            let open = self.fate.span(Span::secs(20), Span::secs(900));
            self.console(place, RequestKind::Unlock, open, Way::Live);
        }
    }

    #[expect(clippy::too_many_arguments, reason = "each is a different thing, and none belongs to another")]
    fn speak(
        &mut self,
        topic: &str,
        payload: String,
        input: &'static str,
        places: Vec<usize>,
        kind: RequestKind,
        event_id: Option<String>,
        after: Span,
        way: Way,
    ) {
        let what = What::Request { input, places, group: false, kind, event_id, confirm: None };
        self.send_on(topic, payload, what, after, way);
    }

    #[expect(clippy::too_many_arguments, reason = "each is a different thing, and none belongs to another")]
    fn speak_to_group(
        &mut self,
        topic: &str,
        payload: String,
        input: &'static str,
        kind: RequestKind,
        event_id: Option<String>,
        after: Span,
        way: Way,
    ) {
        let places = (0..PLACES.len()).collect();
        let what = What::Request { input, places, group: true, kind, event_id, confirm: None };
        self.send_on(topic, payload, what, after, way);
    }

    fn send_on(&mut self, topic: &str, payload: String, what: What, after: Span, way: Way) {
        let at = self.now + after;
        let sent = match way {
            Way::Live | Way::Stored => at,
            Way::Late(age) => Moment(at.0.saturating_sub(age.0)),
        };
        let retained = matches!(way, Way::Stored);
        let message = Sent { topic: topic.to_owned(), payload, retained, sent, what, there: false };
        self.agenda.plan(at, Due::Speak(message));
    }
}
