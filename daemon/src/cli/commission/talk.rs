//! The conversation: plain lines, so that it works over any terminal; and while it waits for an answer it listens.

use std::io::Write as _;
use std::time::Duration;

use tokio::sync::mpsc;
use tokio::time::Instant;

use crate::cli::visitor::Visitor;
use crate::commission::Log;
use crate::event::Message;
use crate::text::tame;
use crate::time::{Clock, Moment};

/// How often a wait looks up.
const BEAT: Duration = Duration::from_millis(200);

/// Why a step ends before it is done.
#[derive(Debug)]
pub(super) enum Leave {
    /// To the step before.
    Back,
    /// For today; the notes are kept.
    Quit,
    Failed(anyhow::Error),
}

impl<E: Into<anyhow::Error>> From<E> for Leave {
    fn from(error: E) -> Leave {
        Leave::Failed(error.into())
    }
}

pub(super) type Told<T> = Result<T, Leave>;

/// What came while it waited.
#[derive(Debug)]
pub(super) enum Came<T> {
    /// What was waited for.
    That(T),
    Line(String),
    TimeOver,
}

pub(super) struct Talk {
    lines: mpsc::UnboundedReceiver<String>,
    pub(super) visitor: Visitor,
    /// What the workshop says.
    pub(super) log: Log,
    /// What a guard says that is running already, under this prefix.
    pub(super) guard: Log,
    prefix: String,
}

impl Talk {
    /// Reads the lines of standard input from now on.
    pub(super) fn new(visitor: Visitor, prefix: &str) -> Talk {
        let (sender, lines) = mpsc::unbounded_channel();
        // Reading a terminal cannot be called off, so it has a thread that ends with the program.
        std::thread::spawn(move || {
            for line in std::io::stdin().lines() {
                let Ok(line) = line else { return };
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        let (log, guard) = (Log::default(), Log::default());
        Talk { lines, visitor, log, guard, prefix: format!("{prefix}/") }
    }

    fn note(&mut self, now: Moment, message: &Message) {
        let log = if message.topic.starts_with(&self.prefix) { &mut self.guard } else { &mut self.log };
        log.take(now, message);
    }

    pub(super) fn say(&self, words: &str) {
        println!("{words}");
    }

    /// A heading, so that a long conversation can be found again.
    pub(super) fn head(&self, number: usize, words: &str) {
        println!("\n-- {number}. {words}");
    }

    /// The next line; until then everything that goes over the broker is looked at.
    pub(super) async fn line(&mut self) -> Told<String> {
        match self.wait(None, |_, _| None::<()>).await? {
            Came::Line(line) => Ok(line),
            Came::That(()) | Came::TimeOver => Err(Leave::Quit),
        }
    }

    /// Waits for a line, for something to be heard, or for the time to be over.
    pub(super) async fn wait<T>(
        &mut self,
        within: Option<Duration>,
        mut heard: impl FnMut(Moment, &Message) -> Option<T>,
    ) -> Told<Came<T>> {
        let until = within.map(|within| Instant::now() + within);
        loop {
            if until.is_some_and(|until| Instant::now() >= until) {
                return Ok(Came::TimeOver);
            }
            self.visitor.wait_only(BEAT);
            tokio::select! {
                line = self.lines.recv() => {
                    let line = line.ok_or(Leave::Quit)?;
                    let line = line.trim();
                    return match line {
                        "back" => Err(Leave::Back),
                        "quit" => Err(Leave::Quit),
                        _ => Ok(Came::Line(line.to_owned())),
                    };
                }
                message = self.visitor.hear() => {
                    let Some(message) = message else { continue };
                    let now = Clock.now().moment;
                    self.note(now, &message);
                    if let Some(that) = heard(now, &message) {
                        return Ok(Came::That(that));
                    }
                }
            }
        }
    }

    /// Only listens for a while; what is typed meanwhile is for the next question.
    pub(super) async fn pause(&mut self, span: Duration) {
        let until = Instant::now() + span;
        while Instant::now() < until {
            self.visitor.wait_only(BEAT);
            if let Some(message) = self.visitor.hear().await {
                self.note(Clock.now().moment, &message);
            }
        }
    }

    /// An answer; an empty one means what is proposed, if something is.
    pub(super) async fn ask(&mut self, question: &str, proposed: Option<&str>) -> Told<String> {
        loop {
            match proposed {
                Some(proposed) => print!("{question} [{}] ", tame(proposed, 80)),
                None => print!("{question} "),
            }
            std::io::stdout().flush()?;
            let line = self.line().await?;
            match (line.is_empty(), proposed) {
                (false, _) => return Ok(line),
                (true, Some(proposed)) => return Ok(proposed.to_owned()),
                (true, None) => self.say("(Please answer, or type `quit` to stop for today.)"),
            }
        }
    }

    pub(super) async fn yes(&mut self, question: &str, proposed: bool) -> Told<bool> {
        loop {
            let hint = if proposed { "yes" } else { "no" };
            match self.ask(question, Some(hint)).await?.to_lowercase().as_str() {
                "y" | "yes" => return Ok(true),
                "n" | "no" => return Ok(false),
                _ => self.say("(Answer yes or no.)"),
            }
        }
    }

    /// One of the options by its number, or a text that is none of them.
    pub(super) async fn choose(&mut self, question: &str, options: &[String]) -> Told<Result<usize, String>> {
        for (number, option) in (1..).zip(options) {
            self.say(&format!("  {number}  {option}"));
        }
        let answer = self.ask(question, (!options.is_empty()).then_some("1")).await?;
        Ok(match answer.parse::<usize>() {
            Ok(number) if (1..=options.len()).contains(&number) => Ok(number - 1),
            Ok(_) | Err(_) => Err(answer),
        })
    }

    /// Something is done by hand, and Enter says that it is done.
    pub(super) async fn done(&mut self, words: &str) -> Told<()> {
        print!("{words} Then press Enter. ");
        std::io::stdout().flush()?;
        self.line().await.map(drop)
    }
}
