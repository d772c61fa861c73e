//! The conversation: plain lines, so that it works over any terminal; and while it waits for an answer it listens.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write as _;
use std::time::Duration;

use bytes::Bytes;
use tokio::sync::mpsc;
use tokio::time::Instant;

use crate::cli::output::{print_line, print_text};
use crate::cli::short_connection::ShortConnection;
use idlegate_guard::time::Moment;
use idlegate_os::Clock;
use idlegate_plan::event::Message;
use idlegate_plan::text::tame;
use idlegate_setup::commission::{Log, Turn, Window};

/// How often a wait looks up.
const BEAT: Duration = Duration::from_millis(200);
/// What an outlet or a button says of it may take a moment longer than the hand.
const SETTLE: Duration = Duration::from_millis(1_500);
const NEWS_MAX: usize = 8;
/// More topics than a guard has.
const TOPICS_MAX: usize = 4_096;

/// Why a step ends before it is done.
#[derive(Debug)]
pub(in crate::cli) enum Leave {
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

pub(in crate::cli) type Told<T> = Result<T, Leave>;

/// What came while it waited.
#[derive(Debug)]
pub(in crate::cli) enum Came<T> {
    /// What was waited for.
    That(T),
    Line(String),
    TimeOver,
}

pub(in crate::cli) struct Dialogue {
    lines: mpsc::UnboundedReceiver<String>,
    pub(in crate::cli) connection: ShortConnection,
    /// What the workshop says.
    pub(in crate::cli) log: Log,
    /// What a guard says that is running already, under this prefix.
    pub(in crate::cli) guard: Log,
    /// What was said last on each topic under this prefix.
    pub(in crate::cli) said: BTreeMap<String, Bytes>,
    prefix: String,
    /// When somebody switched the outlet by hand, in this sitting.
    pub(in crate::cli) turns: Vec<Turn>,
}

impl Dialogue {
    /// Reads the lines of standard input from now on.
    pub(in crate::cli) fn new(connection: ShortConnection, prefix: &str) -> Dialogue {
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
        let (log, guard, said) = (Log::default(), Log::default(), BTreeMap::new());
        Dialogue { lines, connection, log, guard, said, prefix: format!("{prefix}/"), turns: Vec::new() }
    }

    fn note(&mut self, now: Moment, message: &Message) {
        let is_guards = message.topic.starts_with(&self.prefix);
        if is_guards && (self.said.len() < TOPICS_MAX || self.said.contains_key(&*message.topic)) {
            self.said.insert(message.topic.to_string(), message.payload.clone());
        }
        let log = if is_guards { &mut self.guard } else { &mut self.log };
        log.take(now, message);
    }

    pub(in crate::cli) fn say(&self, words: &str) {
        print_line!("{words}");
    }

    /// A heading, so that a long conversation can be found again.
    pub(in crate::cli) fn head(&self, number: usize, words: &str) {
        print_line!("\n-- {number}. {words}");
    }

    /// The next line; until then everything that goes over the broker is looked at.
    pub(in crate::cli) async fn line(&mut self) -> Told<String> {
        match self.wait(None, |_, _| None::<()>).await? {
            Came::Line(line) => Ok(line),
            Came::That(()) | Came::TimeOver => Err(Leave::Quit),
        }
    }

    /// Waits for a line, for something to be heard, or for the time to be over.
    pub(in crate::cli) async fn wait<T>(
        &mut self,
        within: Option<Duration>,
        mut heard: impl FnMut(Moment, &Message) -> Option<T>,
    ) -> Told<Came<T>> {
        let until = within.map(|within| Instant::now() + within);
        loop {
            if until.is_some_and(|until| Instant::now() >= until) {
                return Ok(Came::TimeOver);
            }
            self.connection.wait_only(BEAT);
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
                message = self.connection.hear() => {
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
    pub(in crate::cli) async fn pause(&mut self, span: Duration) {
        let until = Instant::now() + span;
        while Instant::now() < until {
            self.connection.wait_only(BEAT);
            if let Some(message) = self.connection.hear().await {
                self.note(Clock.now().moment, &message);
            }
        }
    }

    /// An answer; an empty one means what is proposed, if something is.
    pub(in crate::cli) async fn ask(&mut self, question: &str, proposed: Option<&str>) -> Told<String> {
        loop {
            match proposed {
                Some(proposed) => print_text!("{question} [{}] ", tame(proposed, 80)),
                None => print_text!("{question} "),
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

    /// Yes or no, where nothing is proposed because nobody but the person can know.
    pub(in crate::cli) async fn decide(&mut self, question: &str) -> Told<bool> {
        loop {
            match self.ask(question, None).await?.to_lowercase().as_str() {
                "y" | "yes" => return Ok(true),
                "n" | "no" => return Ok(false),
                _ => self.say("(Answer yes or no.)"),
            }
        }
    }

    pub(in crate::cli) async fn yes(&mut self, question: &str, proposed: bool) -> Told<bool> {
        loop {
            let hint = if proposed { "yes" } else { "no" };
            match self.ask(question, Some(hint)).await?.to_lowercase().as_str() {
                "y" | "yes" => return Ok(true),
                "n" | "no" => return Ok(false),
                _ => self.say("(Answer yes or no.)"),
            }
        }
    }

    /// One of the options by its number, or a text that is none of them. The first is proposed.
    pub(in crate::cli) async fn choose(
        &mut self,
        question: &str,
        options: &[String],
    ) -> Told<Result<usize, String>> {
        self.choose_from(question, options, !options.is_empty()).await
    }

    /// Nothing is proposed where a wrong answer by habit would do harm.
    pub(in crate::cli) async fn choose_from(
        &mut self,
        question: &str,
        options: &[String],
        first_proposed: bool,
    ) -> Told<Result<usize, String>> {
        for (number, option) in (1..).zip(options) {
            self.say(&format!("  {number}  {option}"));
        }
        let answer = self.ask(question, first_proposed.then_some("1")).await?;
        Ok(match answer.parse::<usize>() {
            Ok(number) if (1..=options.len()).contains(&number) => Ok(number - 1),
            Ok(_) | Err(_) => Err(answer),
        })
    }

    /// Something is done by hand, and Enter says that it is done. What changes meanwhile is shown, so that it can be
    /// seen that Idlegate sees it.
    pub(in crate::cli) async fn done(&mut self, words: &str) -> Told<Window> {
        print_text!("{words} Then press Enter. ");
        std::io::stdout().flush()?;
        let from = Clock.now().moment;
        let mut shown = BTreeSet::new();
        loop {
            let came = self.wait(Some(BEAT), |_, _| None::<()>).await?;
            for (place, word) in self.log.new_words(from) {
                if shown.len() < NEWS_MAX && shown.insert(place.clone()) {
                    print_text!("\n  heard: {place}: {:?}", tame(word, 60));
                }
            }
            std::io::stdout().flush()?;
            if matches!(came, Came::Line(_)) {
                break;
            }
        }
        if !shown.is_empty() {
            print_text!("\n");
        }
        self.pause(SETTLE).await;
        Ok(Window { from, until: Clock.now().moment })
    }
}
