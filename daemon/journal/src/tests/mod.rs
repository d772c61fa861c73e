//! What could go wrong in the workshop: the card fills up, turns read-only, dies slowly, is pulled; somebody
//! opens the journal with a tool and forgets it; power goes at any moment. None of it may lose a lockout that
//! was confirmed, and none of it may go unnoticed.

mod alive;
mod cloud_events;
mod crash;
mod damage;
mod disk;
mod failing_store;
mod fixture;
mod measure;
mod retention;
mod round_trip;
mod schema;

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use serde_json::json;

use super::*;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_os::Clock;
use idlegate_plan::event::Name;
use idlegate_plan::kept::{KeptLockout, KeptState, KeptUntil};

/// Long enough for any disk here, short enough for a test that fails.
const AGES: Span = Span::secs(60);

fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

fn at(moment: u64) -> Now {
    Now { moment: Moment(moment), wall: WallTime(1_795_574_309_120 + i64::try_from(moment).unwrap()) }
}

fn decision(number: u64) -> Record {
    let body = json!({
        "input": "door-button", "request": "off", "decision": "held", "reason": "machine-busy", "number": number
    });
    Record::new(RecordKind::Decision, at(number), body).of(name("mill"))
}

fn locked(by: &str) -> KeptState {
    KeptState::locked(KeptLockout::new(name(by), true))
}

fn lockout_change(number: u64) -> Change {
    let record =
        Record::new(RecordKind::Lockout, at(number), json!({ "number": number })).of(name("mill")).at_once();
    Change::from(record).keeping(name("mill"), locked("panel"))
}

/// Pauses so short that no test waits for them.
fn quick() -> Pace {
    Pace { group: Span(1), retry_first: Span(1), retry_max: Span(4), tend: Span(20), ..Pace::default() }
}

fn limits() -> Limits {
    // The reserve and the clock are tested where they matter.
    Limits { reserve_bytes: 0, clock_even_for: Span::ZERO, ..Limits::default() }
}

fn journal_file(folder: &Path) -> PathBuf {
    folder.join("journal.sqlite")
}

fn start(file: &Path) -> (Journal, Restored) {
    let backend = FileBackend::new(file.to_owned(), limits());
    Journal::start(Box::new(backend), quick(), nobody_listens())
}

/// What the journal told, in order.
#[derive(Clone, Debug, Default)]
struct Heard(Arc<Mutex<Vec<News>>>);

impl Heard {
    fn listener(&self) -> Listener {
        let heard = self.clone();
        Arc::new(move |news| heard.0.lock().unwrap().push(news))
    }

    fn news(&self) -> Vec<News> {
        self.0.lock().unwrap().clone()
    }

    fn degraded(&self) -> bool {
        self.news().iter().any(|news| matches!(news, News::Health(JournalHealth::Degraded { .. })))
    }
}

/// Waits for what must come; a test that waits in vain fails.
fn until(what: &str, mut condition: impl FnMut() -> bool) {
    let deadline = Clock.now().moment + AGES;
    while !condition() {
        assert!(Clock.now().moment < deadline, "waited in vain: {what}");
        std::thread::sleep(Span(2).into());
    }
}

fn all(file: &Path) -> Vec<Found> {
    JournalReader::open(file).unwrap().records(&Query::default()).collect::<Result<_, _>>().unwrap()
}

fn assert_sound(file: &Path) {
    assert_eq!(JournalReader::open(file).unwrap().verify(), Ok(()));
}

fn words(found: &[Found]) -> Vec<&str> {
    found.iter().map(|found| found.kind.as_str()).collect()
}
