//! `idlegate status --watch`: the machines as they are, until somebody has seen enough. In a terminal a table that
//! keeps itself up to date, elsewhere a line for every change.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::time::{Duration, Instant};

use crossterm::event::{self, Event, KeyCode};
use ratatui::Frame;
use ratatui::layout::Constraint;
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Span, Text};
use ratatui::widgets::{Block, Cell, Row, Table};
use serde_json::json;

use super::exit_code::Exit;
use super::output::{self, Gate};
use super::screen::{BEAT, Screen, is_interrupt, until_interrupted};
use super::short_connection::ShortConnection;
use super::status::{Heard, word};
use idlegate_messages::effects::standing;
use idlegate_messages::{Health, MachineStatus, Quantity, Topics};
use idlegate_pictures::palette::ColourRole;
use idlegate_plan::Plan;

/// The broker must be there at the start; later on it may come and go.
const PATIENCE: Duration = Duration::from_secs(6);

/// What has been heard, and when.
struct Board<'a> {
    plan: &'a Plan,
    machine: Option<&'a str>,
    health: Option<Heard<Health>>,
    /// Which of the sites are guarded.
    sites: BTreeMap<String, bool>,
    machines: BTreeMap<String, (Heard<MachineStatus>, Instant)>,
}

pub(super) async fn watch(plan: &Plan, machine: Option<&str>, json: bool) -> anyhow::Result<Exit> {
    let topics = Topics::new(&plan.shop.prefix);
    let filters = [topics.all_health(), topics.machine(machine.unwrap_or("+"))];
    let mut connection = ShortConnection::arrive(plan, &filters, PATIENCE).await?;
    let mut board = Board { plan, machine, health: None, sites: BTreeMap::new(), machines: BTreeMap::new() };
    let mut screen = Screen::open(json);
    let watched = async {
        loop {
            connection.wait_only(BEAT);
            let heard = connection.hear().await;
            let changed = heard.and_then(|message| board.take(&topics, &message.topic, &message.payload));
            if screen.is_open() {
                if asked_to_leave()? {
                    return Ok(());
                }
                screen.draw(|frame| board.draw(frame))?;
            } else if let Some(name) = changed
                && !board.print(&name, json)
            {
                return Ok(());
            }
        }
    };
    let ended = until_interrupted(watched).await;
    drop(screen);
    connection.leave().await;
    ended.map(|()| Exit::Good)
}

/// Looks at the keys that were pressed, and waits for none.
fn asked_to_leave() -> std::io::Result<bool> {
    while event::poll(Duration::ZERO)? {
        if let Event::Key(key) = event::read()?
            && (is_interrupt(key) || matches!(key.code, KeyCode::Char('q') | KeyCode::Esc))
        {
            return Ok(true);
        }
    }
    Ok(false)
}

impl Board<'_> {
    /// The machine it was about; an empty name stands for the guard itself.
    fn take(&mut self, topics: &Topics, topic: &str, payload: &[u8]) -> Option<String> {
        if let Some(site) = topics.health_site(topic) {
            let heard = Heard::health(payload)?;
            let guarding = heard.read.is_guarding();
            self.sites.insert(site.to_owned(), guarding);
            // The worst of several is what people must know.
            if guarding && self.sites.values().any(|guarded| !guarded) {
                return None;
            }
            let changed = self.is_guarding() != Some(guarding);
            self.health = Some(heard);
            return changed.then(String::new);
        }
        let status = Heard::machine(payload)?;
        let name = status.read.machine.clone();
        self.machines.insert(name.clone(), (status, Instant::now()));
        Some(name)
    }

    /// Nothing where nothing was heard.
    fn is_guarding(&self) -> Option<bool> {
        self.health.as_ref().map(|health| health.read.is_guarding())
    }

    /// Whether anybody still reads it.
    fn print(&self, name: &str, json: bool) -> bool {
        let mut out = Gate::stdout(output::form(json));
        let written = match self.machines.get(name) {
            Some((status, _)) if json => writeln!(out, "{}", status.raw),
            Some((Heard { read, .. }, _)) => {
                writeln!(out, "{}  {}", read.at, super::status::line(read))
            }
            None if json => {
                writeln!(out, "{}", json!({ "health": self.health.as_ref().map(|health| &health.raw) }))
            }
            None => writeln!(out, "{}", self.guard()),
        };
        written.and_then(|()| out.flush()).is_ok()
    }

    fn guard(&self) -> &'static str {
        match self.is_guarding() {
            Some(true) => "Idlegate is guarding",
            Some(false) => "Idlegate is not running",
            None => "nothing heard from Idlegate yet",
        }
    }

    fn draw(&self, frame: &mut Frame<'_>) {
        let title = format!(" {} \u{2014} {} \u{2014} q to quit ", self.plan.shop.title, self.guard());
        let wanted = self
            .plan
            .machines
            .iter()
            .filter(|rules| self.machine.is_none_or(|machine| rules.name.as_str() == machine));
        let rows = wanted.map(|rules| match self.machines.get(rules.name.as_str()) {
            Some((status, at)) => row(&status.read, at.elapsed()),
            None => Row::new([rules.title.clone(), "?".to_owned()]),
        });
        let widths = [
            Constraint::Length(20),
            Constraint::Length(8),
            Constraint::Length(10),
            Constraint::Length(10),
            Constraint::Min(30),
        ];
        let header = Row::new(["machine", "outlet", "counts as", "draw", "why, and what comes next"])
            .style(Style::new().add_modifier(Modifier::BOLD));
        frame.render_widget(
            Table::new(rows, widths).header(header).block(Block::bordered().title(title)),
            frame.area(),
        );
    }
}

fn row(status: &MachineStatus, ago: Duration) -> Row<'static> {
    let role = match &*status.state {
        "busy" => ColourRole::Working,
        "idle" => ColourRole::Idle,
        _ => ColourRole::NotKnown,
    };
    let word = |said: &str| word(said).to_owned();
    let notes = notes(status, ago);
    let height = u16::try_from(notes.len().max(1)).unwrap_or(1);
    Row::new([
        Cell::new(word(&status.title)),
        Cell::new(word(&status.outlet)),
        Cell::new(marked(Some(role), word(&status.state))),
        Cell::new(draw(status)),
        Cell::new(Text::from_iter(notes.into_iter().map(|note| marked(note.role, note.text)))),
    ])
    .height(height)
}

/// The first signal in watts, as it was said last.
fn draw(status: &MachineStatus) -> String {
    let signals = status.signals.iter().filter(|signal| signal.unit == "W");
    let watts = signals.filter_map(|signal| signal.value.as_ref()).find_map(Quantity::as_f64);
    watts.map_or_else(|| "-".to_owned(), |watts| idlegate_detector::quantity(watts, "W").to_string())
}

/// A mark in its colour, as in the pictures, and beside it the word, which every terminal shows well in its own colour.
fn marked(role: Option<ColourRole>, text: String) -> Line<'static> {
    let Some(role) = role else { return Line::from(text) };
    let style = role.tint().terminal.map_or_else(Style::new, |index| Style::new().fg(Color::Indexed(index)));
    Line::from(vec![Span::styled(role.mark(), style), Span::raw(format!(" {text}"))])
}

#[derive(Debug, PartialEq)]
struct Note {
    role: Option<ColourRole>,
    text: String,
}

fn notes(status: &MachineStatus, ago: Duration) -> Vec<Note> {
    let mut notes = vec![Note { role: None, text: status.reasons.join("; ") }];
    let left = status.window_left_s.map(|secs| secs - ago.as_secs_f64());
    if let Some(left) = left.filter(|left| *left > 0.0) {
        notes.push(Note { role: Some(ColourRole::Held), text: standing::window(left) });
    }
    let rest = MachineStatus { window_left_s: None, ..status.clone() };
    let others = standing::notes(&rest).into_iter();
    notes.extend(
        others.map(|text| Note { role: text.starts_with("incident: ").then_some(ColourRole::Urgent), text }),
    );
    notes
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_detectors::Execution;
    use idlegate_detectors::Modules;
    use idlegate_rules::{Folder, Surroundings, SystemSecrets, compile};

    fn read(status: serde_json::Value) -> MachineStatus {
        Heard::machine(status.to_string().as_bytes()).unwrap().read
    }

    #[test]
    fn the_countdown_goes_on_between_two_messages_and_ends_at_nothing() {
        let status = read(json!({
            "machine": "mill", "reasons": ["118 W, busy above 40 W"], "window_left_s": 9.0, "locked_by": "red-button",
        }));
        let shown = |secs| {
            notes(&status, Duration::from_secs(secs)).into_iter().map(|note| note.text).collect::<Vec<_>>()
        };
        assert_eq!(shown(2), ["118 W, busy above 40 W", "can be forced off for 7 s", "locked by red-button"]);
        assert_eq!(shown(9), ["118 W, busy above 40 W", "locked by red-button"]);
    }

    #[test]
    fn the_table_is_drawn_with_every_machine_in_it() {
        let status = read(json!({
            "machine": "mill", "title": "Mill", "outlet": "on", "state": "busy", "reasons": ["800 W, busy above 60 W"],
            "signals": [{ "signal": "power", "unit": "W", "value": 800.0 }], "window_left_s": 9.0,
            "incidents": ["switched off, but not through Idlegate"],
        }));
        let mut terminal = ratatui::Terminal::new(ratatui::backend::TestBackend::new(90, 4)).unwrap();
        terminal
            .draw(|frame| {
                let widths = [20, 8, 10, 10, 30].map(Constraint::Length);
                frame.render_widget(Table::new([row(&status, Duration::ZERO)], widths), frame.area());
            })
            .unwrap();
        let drawn = terminal.backend().to_string();
        assert!(
            drawn.contains("Mill") && drawn.contains("\u{2588} busy") && drawn.contains("800 W"),
            "{drawn}"
        );
        assert!(
            drawn.contains("\u{25c6} can be forced off for") && drawn.contains("! incident: switched"),
            "{drawn}"
        );
        // The marks have their colours, the words the terminal's own.
        let colours: Vec<_> =
            terminal.backend().buffer().content().iter().map(|cell| (cell.symbol(), cell.fg)).collect();
        let of = |role: ColourRole| Color::Indexed(role.tint().terminal.unwrap());
        for role in [ColourRole::Working, ColourRole::Held, ColourRole::Urgent] {
            assert!(colours.contains(&(role.mark(), of(role))), "{role:?}");
        }
        assert!(
            colours
                .iter()
                .all(|(symbol, colour)| *colour == Color::Reset || symbol.len() > 1 || *symbol == "!")
        );
    }

    fn mill() -> Plan {
        let shop = "title = \"Shop\"\n[broker]\nhost = \"127.0.0.1\"\n";
        let mill = r#"
title = "Mill"
[outlet]
state = { topic = "outlets/mill", on = "on", off = "off" }
order = { topic = "outlets/mill/order", on = "on", off = "off" }
power = "power"
[signals.power]
topic = "meters/mill"
unit = "W"
[[detectors]]
use = "power-threshold"
settings = { busy_watts = 60, dwell = "3 min" }
"#;
        let modules = Modules::new(Execution::Interpreted, None).unwrap();
        let folder = Folder::from_texts(
            std::path::Path::new("shop"),
            [("shop.toml", shop), ("machines/mill.toml", mill)],
        );
        compile(&folder, &Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK }).unwrap().plan
    }

    /// The last will of a guard that is gone, and the words of one that is there, as they go over the broker.
    #[test]
    fn the_title_says_whether_anybody_guards() {
        let plan = mill();
        let topics = Topics::new(&plan.shop.prefix);
        let (sites, machines) = (BTreeMap::new(), BTreeMap::new());
        let mut board = Board { plan: &plan, machine: None, health: None, sites, machines };
        assert_eq!(board.guard(), "nothing heard from Idlegate yet");
        for (guard, words) in [("guarding", "Idlegate is guarding"), ("gone", "Idlegate is not running")] {
            let said = json!({ "guard": guard, "version": "1.0.0" }).to_string();
            assert_eq!(
                board.take(&topics, &topics.health(), said.as_bytes()),
                Some(String::new()),
                "a change is told"
            );
            assert_eq!(board.guard(), words);
        }
    }
}
