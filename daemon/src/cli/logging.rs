//! Log lines on standard error; `RUST_LOG` chooses how many.

use tracing_appender::non_blocking::{ErrorCounter, NonBlocking, WorkerGuard};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::MakeWriter;

use super::output::{self, Form, Gate};

/// Lines are written by a thread of their own: whoever reads them may be slow, or read nothing any more, and the guard
/// does not wait for that. What there is no room for is counted and lost.
pub(super) struct Log {
    pub(super) lost: ErrorCounter,
    /// Writes what is left when it goes.
    _writer: WorkerGuard,
}

/// Lines of the log quote what came from outside, so they take the same gate as everything else that is printed.
struct Gated {
    form: Form,
    writer: NonBlocking,
}

impl<'a> MakeWriter<'a> for Gated {
    type Writer = Gate<NonBlocking>;

    fn make_writer(&'a self) -> Self::Writer {
        Gate { form: self.form, to: self.writer.clone() }
    }
}

pub(super) fn start(default: &str, json: bool) -> Log {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(default));
    let (writer, guard) = NonBlocking::new(std::io::stderr());
    let log = Log { lost: writer.error_counter(), _writer: guard };
    let lines = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(Gated { form: output::form(json), writer })
        .with_target(false);
    if json {
        lines.json().init();
    } else {
        // Its colours are none of ours, and the level stands there as a word.
        lines.with_ansi(false).init();
    }
    log
}
