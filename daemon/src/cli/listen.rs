//! `idlegate listen`: what goes over the broker. In a terminal a table to search in, elsewhere a line for every
//! message.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crossterm::event::{self, Event, KeyCode};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout};
use ratatui::style::{Modifier, Style};
use ratatui::widgets::{Block, Cell, Paragraph, Row, Table};
use serde_json::json;

use super::exit_code::Exit;
use super::output::{self, Gate, print_error};
use super::screen::{BEAT, Screen, is_interrupt, until_interrupted};
use super::short_connection::ShortConnection;
use super::{rules, runtime};
use idlegate_detectors::Modules;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_os::Clock;
use idlegate_plan::Plan;
use idlegate_plan::event::Message;
use idlegate_plan::text::rfc3339;
use idlegate_recordings::capture::{Board, TopicLine};
use idlegate_rules::{Folder, Surroundings, SystemSecrets};

const PATIENCE: Duration = Duration::from_secs(6);
/// A value that changed so recently stands out.
const FRESH: Span = Span::secs(3);

/// Show what passes through the broker: topics, values, changes, intervals. It publishes nothing.
#[derive(Debug, clap::Args)]
pub(super) struct ListenArgs {
    /// Show only topics that match, such as meters/#. Default: all topics.
    #[arg(value_name = "FILTER")]
    filters: Vec<String>,
    /// The rules folder, for the broker, its login and its certificates.
    #[arg(long, value_name = "DIR")]
    rules: Option<PathBuf>,
    /// Or the broker itself. Default, if neither is given: 127.0.0.1:1883.
    #[arg(long, value_name = "HOST[:PORT]", conflicts_with = "rules")]
    broker: Option<String>,
    /// Print one JSON object per line, even in a terminal.
    #[arg(long)]
    json: bool,
    /// Print a line only when a value changes.
    #[arg(long)]
    changes: bool,
}

impl ListenArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let plan = match (&self.broker, &self.rules) {
            (Some(broker), _) => plan_of(broker)?,
            (None, Some(dir)) => rules::for_visitor(dir, None)?,
            (None, None) => plan_of("127.0.0.1")?,
        };
        let plan = match plan {
            Ok(plan) => plan,
            Err(exit) => return Ok(exit),
        };
        let everything = ["#".to_owned()];
        let filters = if self.filters.is_empty() { &everything[..] } else { &self.filters };
        runtime()?.block_on(run(&plan, filters, self))
    }
}

/// Host and port of what stands behind `--broker`, or the complaint.
pub(super) fn broker_of(broker: &str) -> Result<(&str, u16), Exit> {
    let (host, port) = match broker.rsplit_once(':') {
        Some((host, port)) if !host.contains(':') => (host, port.parse::<u16>().ok()),
        Some(_) | None => (broker, Some(1883)),
    };
    port.filter(|port| *port > 0).map(|port| (host, port)).ok_or_else(|| {
        print_error!("idlegate: --broker {broker:?} is not a host or host:port, such as broker.local:1883");
        Exit::Usage
    })
}

/// Rules with nothing but a broker in them.
fn plan_of(broker: &str) -> anyhow::Result<Result<Plan, Exit>> {
    let (host, port) = match broker_of(broker) {
        Ok(broker) => broker,
        Err(exit) => return Ok(Err(exit)),
    };
    let host = toml_edit::Value::from(host);
    let text = format!("title = \"Listening\"\n[broker]\nhost = {host}\nport = {port}\n");
    let folder = Folder::from_texts(Path::new("listen"), [("shop.toml", text.as_str())]);
    let modules = Modules::new(idlegate_detectors::Execution::Interpreted, None)?;
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::SERVICE };
    Ok(idlegate_rules::compile(&folder, &around).map(|compiled| compiled.plan).map_err(|problems| {
        for problem in problems.iter().filter(|problem| problem.is_error()) {
            print_error!("{}", problem.message_and_help());
        }
        Exit::Usage
    }))
}

async fn run(plan: &Plan, filters: &[String], wanted: &ListenArgs) -> anyhow::Result<Exit> {
    let mut connection = match ShortConnection::arrive(plan, filters, PATIENCE).await {
        Ok(connection) => connection,
        Err(error) => {
            print_error!("idlegate: {error:#}");
            return Ok(Exit::Unavailable);
        }
    };
    let mut screen = Screen::open(wanted.json);
    let mut view =
        View { board: Board::default(), search: String::new(), searching: false, skipped: 0, opened: None };
    let listening = async {
        loop {
            connection.wait_only(BEAT);
            let heard = connection.hear().await;
            let now = Clock.now();
            let changed = heard.as_ref().is_some_and(|message| {
                view.board.take(now.moment, &message.topic, &message.payload, message.retained)
            });
            if screen.is_open() {
                if view.keys()? {
                    return Ok(());
                }
                screen.draw(|frame| view.draw(frame, now.moment))?;
            } else if let Some(message) = heard.filter(|_| changed || !wanted.changes)
                && !print(&view.board, now, &message, wanted.json)
            {
                return Ok(());
            }
        }
    };
    let ended = until_interrupted(listening).await;
    drop(screen);
    connection.leave().await;
    ended.map(|()| Exit::Good)
}

/// Whether anybody still reads it.
fn print(board: &Board, now: Now, message: &Message, json: bool) -> bool {
    let Some(line) = board.line(&message.topic) else { return true };
    let mut out = Gate::stdout(output::form(json));
    let at = rfc3339(now.wall);
    let written = if json {
        let payload = String::from_utf8_lossy(&message.payload);
        writeln!(
            out,
            "{}",
            json!({ "at": at, "topic": &*message.topic, "payload": payload, "retained": message.retained })
        )
    } else {
        writeln!(out, "{at}  {}  {}{}", line.topic, line.value, if line.retained { "  (stored)" } else { "" })
    };
    written.and_then(|()| out.flush()).is_ok()
}

struct View {
    board: Board,
    search: String,
    searching: bool,
    skipped: usize,
    /// The topic whose whole payload is shown, and how many lines of it are passed over.
    opened: Option<(String, usize)>,
}

impl View {
    /// Looks at the keys that were pressed, and says whether somebody has seen enough.
    fn keys(&mut self) -> std::io::Result<bool> {
        while event::poll(Duration::ZERO)? {
            let Event::Key(key) = event::read()? else { continue };
            if is_interrupt(key) {
                return Ok(true);
            }
            if let Some((_, skipped)) = &mut self.opened {
                match key.code {
                    KeyCode::Enter | KeyCode::Esc | KeyCode::Char('q') => self.opened = None,
                    KeyCode::Down => *skipped += 1,
                    KeyCode::Up => *skipped = skipped.saturating_sub(1),
                    KeyCode::PageDown => *skipped += 20,
                    KeyCode::PageUp => *skipped = skipped.saturating_sub(20),
                    _ => {}
                }
                continue;
            }
            match (self.searching, key.code) {
                (false, KeyCode::Enter) => self.open(),
                (true, KeyCode::Enter) => self.searching = false,
                (true, KeyCode::Esc) => {
                    self.searching = false;
                    self.search.clear();
                }
                (true, KeyCode::Backspace) => drop(self.search.pop()),
                (true, KeyCode::Char(letter)) => self.search.push(letter),
                (false, KeyCode::Char('/')) => self.searching = true,
                (false, KeyCode::Char('q') | KeyCode::Esc) => return Ok(true),
                (false, KeyCode::Down) => self.skipped += 1,
                (false, KeyCode::Up) => self.skipped = self.skipped.saturating_sub(1),
                (false, KeyCode::PageDown) => self.skipped += 20,
                (false, KeyCode::PageUp) => self.skipped = self.skipped.saturating_sub(20),
                _ => {}
            }
            if self.searching {
                self.skipped = 0;
            }
        }
        Ok(false)
    }

    /// The topmost line.
    fn open(&mut self) {
        let line = self.board.lines(&self.search).nth(self.skipped);
        self.opened = line.map(|line| (line.topic.clone(), 0));
    }

    fn draw_opened(&mut self, frame: &mut Frame<'_>) -> bool {
        let Some((topic, skipped)) = &mut self.opened else { return false };
        let Some(lines) = self.board.line(topic).map(TopicLine::whole) else { return false };
        let [above, below] =
            Layout::vertical([Constraint::Min(3), Constraint::Length(1)]).areas(frame.area());
        *skipped = (*skipped).min(lines.len().saturating_sub(1));
        let text = lines[*skipped..].join("\n");
        frame.render_widget(Paragraph::new(text).block(Block::bordered().title(format!(" {topic} "))), above);
        frame.render_widget(Paragraph::new("arrows to scroll, Enter goes back to the table"), below);
        true
    }

    fn draw(&mut self, frame: &mut Frame<'_>, now: Moment) {
        if self.draw_opened(frame) {
            return;
        }
        let [above, below] =
            Layout::vertical([Constraint::Min(3), Constraint::Length(1)]).areas(frame.area());
        let found = self.board.lines(&self.search).count();
        self.skipped = self.skipped.min(found.saturating_sub(1));
        let shown = self.board.lines(&self.search).skip(self.skipped).take(usize::from(above.height));
        let rows: Vec<Row<'_>> = shown.map(|line| row(line, now)).collect();
        let widths =
            [Constraint::Percentage(40), Constraint::Min(20), Constraint::Length(9), Constraint::Length(9)];
        let header = Row::new(["topic", "value", "every", "messages"])
            .style(Style::new().add_modifier(Modifier::BOLD));
        let mut title = format!(" {found} of {} topics ", self.board.topics());
        if self.board.beyond() > 0 {
            title.push_str("(too many to show them all: narrow them down with a filter) ");
        }
        frame.render_widget(
            Table::new(rows, widths).header(header).block(Block::bordered().title(title)),
            above,
        );
        let help = match (self.searching, self.search.as_str()) {
            (true, search) => format!("search: {search}\u{2581}   Enter keeps the search, Esc clears it"),
            (false, "") => "/ to search, arrows to scroll, Enter shows all of the topmost, q to quit; bold: has just changed".to_owned(),
            (false, search) => format!("only topics with {search:?}; / to search again, q to quit"),
        };
        frame.render_widget(Paragraph::new(help), below);
    }
}

fn row(line: &TopicLine, now: Moment) -> Row<'_> {
    let value = match &line.before {
        Some(before) => format!("{}  (was {before})", line.value),
        None if line.retained => format!("{}  (stored)", line.value),
        None => line.value.clone(),
    };
    let style = if line.before.is_some() && now.since(line.changed_at) < FRESH {
        Style::new().add_modifier(Modifier::BOLD)
    } else {
        Style::new()
    };
    Row::new([
        Cell::new(line.topic.as_str()),
        Cell::new(value),
        Cell::new(line.interval().map_or_else(|| "-".to_owned(), |interval| interval.to_string())),
        Cell::new(line.count.to_string()),
    ])
    .style(style)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_shows_what_was_found_and_what_it_was_before() {
        let mut view = View {
            board: Board::default(),
            search: "meter".into(),
            searching: true,
            skipped: 0,
            opened: None,
        };
        view.board.take(Moment(0), "meters/mill", b"31", false);
        view.board.take(Moment(2_000), "meters/mill", b"118", false);
        view.board.take(Moment(2_000), "lamps/hall", b"on", true);
        let mut terminal = ratatui::Terminal::new(ratatui::backend::TestBackend::new(90, 8)).unwrap();
        terminal.draw(|frame| view.draw(frame, Moment(2_500))).unwrap();
        let drawn = terminal.backend().to_string();
        assert!(drawn.contains("118  (was 31)") && drawn.contains("1 of 2 topics"), "{drawn}");
        assert!(!drawn.contains("lamps/hall"), "{drawn}");
        assert!(drawn.contains("2 s"), "{drawn}");
    }

    #[test]
    fn enter_shows_the_whole_payload_and_where_each_value_stands() {
        let mut view = View {
            board: Board::default(),
            search: String::new(),
            searching: false,
            skipped: 0,
            opened: None,
        };
        view.board.take(Moment(0), "meters/mill", br#"{"a/b":{"watts":[31,118.5]},"unit":"W"}"#, false);
        view.open();
        let mut terminal = ratatui::Terminal::new(ratatui::backend::TestBackend::new(60, 20)).unwrap();
        terminal.draw(|frame| view.draw(frame, Moment(1))).unwrap();
        let drawn = terminal.backend().to_string();
        for shown in ["meters/mill", "\"watts\": [", "/a~1b/watts/1  118.5", "/unit  \"W\""] {
            assert!(drawn.contains(shown), "{shown}: {drawn}");
        }
    }

    #[test]
    fn a_broker_is_a_host_with_or_without_a_port() {
        let port = |text: &str| plan_of(text).unwrap().map(|plan| plan.shop.broker.port).ok();
        assert_eq!(
            [port("broker.local"), port("10.0.0.7:18833"), port("a:b"), port("a:0")],
            [Some(1883), Some(18833), None, None]
        );
    }
}
