//! Plays a story: given the time, the news and what the workshop looks like, it says what to print and to do.
//!
//! Pure, so that a story can be tested against a daemon that is not there. It is strict: an answer that does not
//! come is wrong, and so is one that nobody asked for.

use std::collections::VecDeque;

use super::heard::Heard;
use super::news::{DecisionNews, StoryNews, ToldNews};
use super::page::{Page, Tone};
use super::scene::{Answer, Beat, Condition, Doing, Scene, Story};
use crate::workshop::face::View;
use idlegate_guard::time::{Moment, Span};

/// No beat may take longer.
const BEAT_MAX: Span = Span::secs(12);

#[derive(Debug)]
pub struct Teller {
    page: Page,
    prefix: &'static str,
    scenes: VecDeque<Scene>,
    scene: Scene,
    closing: &'static str,
    /// The next beat of the scene, and since when it is the next.
    beat: usize,
    beat_since: Moment,
    told: Vec<Telling>,
    heard: Heard,
    /// What was printed last in the margin, and how often it was said again since.
    last_line: Option<(String, String)>,
    repeats: usize,
    outcome: Outcome,
    finished: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Telling {
    Line(String),
    Do(Doing),
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outcome {
    /// Scenes that went as they should.
    pub right: usize,
    pub wrong: usize,
}

enum Progress {
    Done,
    Waiting,
}

impl Teller {
    pub fn new(story: Story, page: Page, now: Moment) -> Teller {
        let prologue = Scene::new("", &[], story.before);
        let opening = page.paragraph(story.opening).into_iter().map(Telling::Line).collect();
        Teller {
            page,
            prefix: story.prefix,
            scenes: story.scenes.into(),
            scene: prologue,
            closing: story.closing,
            beat: 0,
            beat_since: now,
            told: opening,
            heard: Heard::default(),
            last_line: None,
            repeats: 0,
            outcome: Outcome::default(),
            finished: false,
        }
    }

    /// None while the story goes on.
    pub fn outcome(&self) -> Option<Outcome> {
        self.finished.then_some(self.outcome)
    }

    /// Takes in a message of the daemon.
    pub fn hear(&mut self, topic: &str, payload: &[u8]) {
        match StoryNews::read(self.prefix, topic, payload) {
            Some(StoryNews::Status { machine, state }) => self.heard.take_in_status(machine, state),
            Some(StoryNews::Decision(decision)) => {
                self.print_decision(&decision);
                self.heard.take_in(decision);
            }
            Some(StoryNews::Told(told)) => {
                self.print_told(&told);
                self.heard.take_in_told(told);
            }
            None => {}
        }
    }

    /// Plays on as far as it can now, and returns what to print and to do, in this order.
    pub(crate) fn proceed(&mut self, now: Moment, views: &[View]) -> Vec<Telling> {
        while !self.finished {
            let Some(beat) = self.scene.beats.get(self.beat).cloned() else {
                self.end_scene(now);
                continue;
            };
            match self.play(&beat, now, views) {
                Progress::Done => {
                    self.beat += 1;
                    self.beat_since = now;
                }
                Progress::Waiting if now.since(self.beat_since) < BEAT_MAX => break,
                Progress::Waiting => {
                    let wrong = self.what_is_missing(&beat);
                    self.go_wrong(&wrong, now);
                }
            }
        }
        std::mem::take(&mut self.told)
    }

    fn play(&mut self, beat: &Beat, now: Moment, views: &[View]) -> Progress {
        match beat {
            Beat::Say(text) => {
                self.close_repeats();
                self.last_line = None;
                let lines = self.page.narration(text);
                self.print(lines);
                Progress::Done
            }
            Beat::Do(doing) => {
                self.told.push(Telling::Do(doing.clone()));
                Progress::Done
            }
            Beat::Pause(span) => done_if(now.since(self.beat_since) >= *span),
            Beat::Until(condition) => done_if(self.holds(condition, views)),
            Beat::See(condition, words) => {
                let holds = self.holds(condition, views);
                if holds {
                    self.print_margin("seen", Tone::Plain, words);
                }
                done_if(holds)
            }
            Beat::Answer(answer) => done_if(self.heard.take_answer(answer)),
            Beat::Hear { machine, kind } => done_if(self.heard.take_told(machine, kind)),
        }
    }

    fn holds(&self, condition: &Condition, views: &[View]) -> bool {
        let view = |machine| views.iter().find(|view| view.machine == machine);
        match *condition {
            Condition::Relay(machine, switch) => view(machine).is_some_and(|view| view.relay == switch),
            Condition::Truth(machine, truth) => view(machine).is_some_and(|view| view.truth == truth),
            Condition::DrawsLessThan(machine, watts) => view(machine).is_some_and(|view| view.watts < watts),
            Condition::Status(machine, state) => self.heard.says(machine, state),
            Condition::JobsCut(machine, jobs) => view(machine).is_some_and(|view| view.jobs_cut == jobs),
            Condition::EveryRelay(switch) => views.iter().all(|view| view.relay == switch),
        }
    }

    fn end_scene(&mut self, now: Moment) {
        self.close_repeats();
        if let Some(stray) = self.heard.unasked().first() {
            return self.go_wrong(&format!("nobody asked for this answer: {stray}"), now);
        }
        if !self.scene.title.is_empty() {
            self.outcome.right += 1;
        }
        self.next_scene(now);
    }

    /// The rest of this scene makes no sense any more, but the next one may.
    fn go_wrong(&mut self, what: &str, now: Moment) {
        self.close_repeats();
        self.print_margin("WRONG", Tone::Bad, what);
        self.outcome.wrong += 1;
        self.next_scene(now);
    }

    fn next_scene(&mut self, now: Moment) {
        self.heard.forget_the_scene();
        self.last_line = None;
        self.beat = 0;
        self.beat_since = now;
        match self.scenes.pop_front() {
            Some(scene) => {
                self.scene = scene;
                let number = self.outcome.right + self.outcome.wrong + 1;
                let lines = self.page.title(number, self.scene.title);
                self.print(lines);
            }
            None => self.end(),
        }
    }

    fn end(&mut self) {
        self.finished = true;
        let Outcome { right, wrong } = self.outcome;
        let text = if wrong == 0 {
            format!("All {right} episodes went as they should. {}", self.closing)
        } else {
            format!("{wrong} of {} episodes went wrong.", right + wrong)
        };
        self.print(vec![String::new()]);
        let lines = self.page.paragraph(&text);
        self.print(lines);
    }

    fn what_is_missing(&self, beat: &Beat) -> String {
        let missing = match beat {
            Beat::Answer(Answer { machine, decision, reason }) => format!("{machine} {decision} ({reason})"),
            Beat::Hear { machine, kind } => format!("{machine} to be announced as {kind}"),
            Beat::Until(condition) | Beat::See(condition, _) => format!("{condition:?}"),
            Beat::Say(_) | Beat::Pause(_) | Beat::Do(_) => format!("{beat:?} to end"),
        };
        let heard = self.heard.unasked();
        let instead = if heard.is_empty() { "no answer".to_owned() } else { heard.join(", ") };
        format!("expected {missing} within {BEAT_MAX}, but there was {instead}")
    }

    /// Decisions that are announced as well are left to the announcement.
    fn print_decision(&mut self, news: &DecisionNews) {
        const ANNOUNCED: [&str; 7] = [
            "machine-busy",
            "machine-unknown",
            "forced-in-window",
            "emergency",
            "locked",
            "unlocked",
            "lockout",
        ];
        if !ANNOUNCED.contains(&news.reason.as_str()) && self.is_cast(&news.machine) {
            self.print_once(&news.decision, tone_of(&news.decision), &news.sentence);
        }
    }

    fn print_told(&mut self, told: &ToldNews) {
        let word = match told.kind.as_str() {
            "held" | "held-no-force" => "held",
            "forced" | "emergency-off" | "locked" | "unlocked" => "acted",
            "refused" => "refused",
            _ if told.incident => "incident",
            _ => "said",
        };
        if told.machines.iter().any(|machine| self.is_cast(machine)) {
            let tone = if told.kind == "emergency-off" { Tone::Bad } else { tone_of(word) };
            self.print_once(word, tone, &told.sentence);
        }
    }

    /// What is said again and again is printed once, and counted.
    fn print_once(&mut self, word: &str, tone: Tone, text: &str) {
        let line = (word.to_owned(), text.to_owned());
        if self.last_line.as_ref() == Some(&line) {
            self.repeats += 1;
            return;
        }
        self.print_margin(word, tone, text);
        self.last_line = Some(line);
    }

    fn close_repeats(&mut self) {
        let repeats = std::mem::take(&mut self.repeats);
        if repeats > 0 {
            let text = match repeats {
                1 => "... and once more.".to_owned(),
                _ => format!("... and {repeats} more times."),
            };
            let lines = self.page.margin("", Tone::Plain, &text);
            self.print(lines);
        }
    }

    fn is_cast(&self, machine: &str) -> bool {
        self.scene.cast.contains(&machine)
    }

    fn print_margin(&mut self, word: &str, tone: Tone, text: &str) {
        self.close_repeats();
        let lines = self.page.margin(word, tone, text);
        self.print(lines);
    }

    fn print(&mut self, lines: Vec<String>) {
        self.told.extend(lines.into_iter().map(Telling::Line));
    }
}

fn done_if(done: bool) -> Progress {
    if done { Progress::Done } else { Progress::Waiting }
}

fn tone_of(word: &str) -> Tone {
    match word {
        "acted" => Tone::Good,
        "held" | "refused" | "deferred" | "ignored" => Tone::Care,
        "incident" => Tone::Bad,
        _ => Tone::Plain,
    }
}

#[cfg(test)]
#[path = "teller_tests.rs"]
mod tests;
