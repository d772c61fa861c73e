//! The commissioning record: what was found, measured and tried, with a date, to print and to sign.

use std::fmt::Write as _;

use super::drill::DrillOutcome;
use super::notes::{ButtonAnswer, Notes};

/// In Markdown, which reads well as it is.
#[derive(Debug)]
pub struct CommissioningRecord<'a> {
    pub machine: &'a str,
    /// RFC 3339.
    pub at: &'a str,
    pub by: &'a str,
    pub notes: &'a Notes,
    /// Whether the drill was done in shadow mode, where nothing is switched.
    pub shadow: bool,
    /// The machine's file as it was written.
    pub rules: &'a str,
}

/// What a networked outlet is not; shown before the drill, and on every record.
pub const CAUTIONS: [&str; 5] = [
    "A networked outlet is a convenience. It is not an emergency stop (ISO 13850, IEC 60204-1), and it does not isolate a \
     machine for work on it: pull the plug for that.",
    "It does not make it safe to leave a hot machine, a kiln or a laser unattended.",
    "The outlet must be rated for the machine's draw and its inrush; motors and heaters need a margin.",
    "Local codes, the machine's manual and licensed practice come first.",
    "Other ways to switch the same outlet (its own button, its maker's app, another hub) are noticed, but not guarded.",
];

impl CommissioningRecord<'_> {
    pub fn to_markdown(&self) -> String {
        let CommissioningRecord { machine, at, by, notes, shadow, rules } = self;
        let mut page = String::new();
        let mut line = |words: &str| {
            // A text never fails to take more.
            let _ = writeln!(page, "{words}");
        };
        line(&format!("# Commissioning record: {}\n", notes.title.as_deref().unwrap_or(machine)));
        line("| | |\n| --- | --- |");
        line(&format!("| Machine | `{machine}` |"));
        line(&format!("| Date | {at} |"));
        line(&format!("| Carried out by | {} |", if by.is_empty() { "________________" } else { by }));
        line(&format!("| Idlegate | {} |", env!("CARGO_PKG_VERSION")));
        line(&format!("| Rules | `{}` |", notes.written.as_deref().unwrap_or("not written")));
        if notes.watched {
            line(
                "| Control | only watched: Idlegate sends it no orders, and no red button of Idlegate's cuts it |",
            );
        }
        if notes.never_off {
            line("| Control | never off: nobody switches it off through Idlegate |");
        }
        if let Some(order) = &notes.order {
            let tried = if order.tried { "obeyed on and off" } else { "not tried during commissioning" };
            line(&format!("| Outlet's order | `{}`, {tried} |", order.topic));
        }
        if let Some(ButtonAnswer::One(button)) = &notes.button {
            line(&format!(
                "| Button | `{}`: press {}, long press {} |",
                button.place,
                words(&button.press),
                words(&button.long_press)
            ));
        }
        if let Some(limits) = &notes.limits {
            line("\n## What its draw shows\n");
            line(&format!("```text\n{}\n```", limits.evidence.trim_end()));
            for recording in &notes.recordings {
                line(&format!("\nRecording: `{}`", recording.display()));
            }
        }
        line("\n## Acceptance drill\n");
        if *shadow {
            line(
                "In shadow mode: the guard decided and said everything, but switched nothing. Repeat the drill when it \
                 is live.\n",
            );
        }
        line("| | outcome | when | what the guard said |\n| --- | --- | --- | --- |");
        for item in notes.drill_items() {
            let tried = notes.drill.iter().rev().find(|tried| tried.item == *item);
            let (outcome, at, heard) = tried.map_or((DrillOutcome::NotTried, "", ""), |it| {
                (it.outcome, it.at.as_str(), it.heard.as_str())
            });
            line(&format!("| {} | {} | {at} | {} |", item.claim(), outcome.word(), heard.replace('|', "/")));
        }
        line("\n## The machine's rules\n\n```toml");
        line(rules.trim_end());
        line("```\n\n## Cautions\n");
        for caution in CAUTIONS {
            line(&format!("- {caution}"));
        }
        page
    }

    /// Whether every item was tried and passed.
    pub fn passed(&self) -> bool {
        self.notes.drill_items().iter().all(|item| {
            let tried = self.notes.drill.iter().rev().find(|tried| tried.item == *item);
            tried.is_some_and(|tried| tried.outcome == DrillOutcome::Passed)
        })
    }
}

fn words(words: &[String]) -> String {
    if words.is_empty() {
        return "nothing".to_owned();
    }
    words.iter().map(|word| format!("`{word}`")).collect::<Vec<_>>().join(" or ")
}
