//! The terminal while a command shows something live.

use std::io::IsTerminal as _;
use std::time::{Duration, Instant};

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use ratatui::{DefaultTerminal, Frame};

/// Drawn no more often, however much there is to show; countdowns move at this pace, too.
pub(super) const BEAT: Duration = Duration::from_millis(150);

/// Gives the terminal back when dropped. Without a terminal, or where lines are wanted, it is none.
pub(super) struct Screen {
    terminal: Option<DefaultTerminal>,
    due: Instant,
}

impl Screen {
    pub(super) fn open(as_lines: bool) -> Screen {
        let wanted = std::io::stdout().is_terminal() && !as_lines;
        Screen { terminal: wanted.then(ratatui::init), due: Instant::now() }
    }

    pub(super) fn is_open(&self) -> bool {
        self.terminal.is_some()
    }

    /// Draws, unless that was done just now.
    pub(super) fn draw(&mut self, draw: impl FnOnce(&mut Frame<'_>)) -> std::io::Result<()> {
        let now = Instant::now();
        if let Some(terminal) = self.terminal.as_mut().filter(|_| now >= self.due) {
            self.due = now + BEAT;
            terminal.draw(draw)?;
        }
        Ok(())
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        if self.terminal.is_some() {
            ratatui::restore();
        }
    }
}

/// A terminal in raw mode hands Ctrl-C over as a key.
pub(super) fn is_interrupt(key: KeyEvent) -> bool {
    key.code == KeyCode::Char('c') && key.modifiers.contains(KeyModifiers::CONTROL)
}

/// Does the work until it ends or somebody interrupts it, which is no failure.
pub(super) async fn until_interrupted(work: impl Future<Output = anyhow::Result<()>>) -> anyhow::Result<()> {
    tokio::select! {
        ended = work => ended,
        interrupted = tokio::signal::ctrl_c() => interrupted.map_err(Into::into),
    }
}
