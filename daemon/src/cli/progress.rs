//! Progress of long work: shown in a terminal, and nowhere else.

use std::io::IsTerminal as _;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Counts things up to a number that is known.
pub(super) fn count(total: usize, of_what: &'static str) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(u64::try_from(total).unwrap_or(u64::MAX)), target());
    let style = ProgressStyle::with_template("{bar:30} {pos} of {len} {msg}");
    bar.with_style(style.expect("the template is right")).with_message(of_what)
}

/// For work without a known end.
pub(super) fn spinner() -> ProgressBar {
    let style = ProgressStyle::with_template("{spinner} {msg}");
    ProgressBar::with_draw_target(None, target()).with_style(style.expect("the template is right"))
}

fn target() -> ProgressDrawTarget {
    if std::io::stderr().is_terminal() { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() }
}
