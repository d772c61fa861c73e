//! Log lines on standard error; `RUST_LOG` chooses how many.

use std::io::IsTerminal;

use tracing_subscriber::EnvFilter;

pub(super) fn start(default: &str, json: bool) {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(default));
    let lines =
        tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_target(false);
    if json {
        lines.json().init();
    } else {
        lines.with_ansi(std::io::stderr().is_terminal()).init();
    }
}
