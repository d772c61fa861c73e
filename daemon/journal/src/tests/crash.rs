//! The power goes, or the process is killed, at any moment: whatever was confirmed as stored is there afterwards.

use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Command, Stdio};

use super::*;

const FOLDER: &str = "IDLEGATE_JOURNAL_CRASH_FOLDER";
const ROUNDS: u64 = 25;

/// After any day on which this runs: the journal forgets answers that are a day old by the computer's clock.
fn later(moment: u64) -> Now {
    const YEAR_2100: i64 = 4_102_444_800_000;
    Now { moment: Moment(moment), wall: WallTime(YEAR_2100 + i64::try_from(moment).unwrap()) }
}

/// The process that is killed: stores lockouts and deferrals, and says a number as soon as it is confirmed.
#[test]
#[ignore = "started by the test below"]
fn writer_to_be_killed() {
    let Some(folder) = std::env::var_os(FOLDER) else { return };
    let (journal, _) = start(&journal_file(Path::new(&folder)));
    let mut out = std::io::stdout();
    for number in 0..1_000_000 {
        for chatter in 0..number % 7 {
            journal.append(decision(chatter));
        }
        let now = later(number);
        let deferral = KeptUntil::of(name("schedule"), Moment(number + 1_000_000), now);
        let kept = KeptState { deferral: Some(deferral), ..KeptState::default() };
        let change = Change::from(Record::new(RecordKind::Deferral, now, json!({ "number": number })))
            .keeping(name("mill"), kept)
            .answering(Answered::new(name("door-button"), &number.to_string().into(), "deferred", now.wall));
        if journal.append_durably(change).settled_blocking() == Storing::Stored {
            writeln!(out, "confirmed {number}").unwrap();
            out.flush().unwrap();
        }
    }
}

#[test]
fn after_kill_at_random_points_nothing_confirmed_is_missing_and_nothing_is_doubled() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let mut random = 0x1234_5678_9ABC_DEF1_u64;
    let mut records = 0;
    for round in 0..ROUNDS {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        let confirmed = write_until_killed(folder.path(), random % 60, random % 3_000);
        let (journal, restored) = start(&file);
        assert_eq!(restored.doubt, None, "round {round}");
        let found = all(&file);
        assert!(found.iter().all(|found| found.intact), "round {round}");
        assert!(found.iter().zip(1..).all(|(found, seq)| found.seq == seq), "round {round}: gapless");
        assert!(found.len() >= records, "round {round}");
        let deferrals = found[records..].iter().filter(|found| found.kind() == Some(RecordKind::Deferral));
        let numbers: Vec<u64> = deferrals.map(|found| found.body()["number"].as_u64().unwrap()).collect();
        assert_eq!(numbers, (0..numbers.len() as u64).collect::<Vec<_>>(), "round {round}: each one once");
        if let Some(confirmed) = confirmed {
            let last = numbers.last().copied();
            assert!(last >= Some(confirmed), "round {round}: confirmed {confirmed}, found up to {last:?}");
            // The kept state is of the same moment as the last record of it.
            let kept = restored.kept[&name("mill")].deferral.as_ref().unwrap();
            assert_eq!(kept.expires.0, later(last.unwrap()).wall.0 + 1_000_000, "round {round}");
            let event = last.unwrap().to_string();
            assert!(restored.answered.iter().any(|answered| *answered.event == event), "round {round}");
        }
        records = found.len();
        assert!(journal.close(AGES));
        assert_sound(&file);
    }
    assert!(records > 100, "the writer hardly wrote: {records}");
}

/// Kills the writer some microseconds after it confirmed so many; the last number that was confirmed.
fn write_until_killed(folder: &Path, confirmations: u64, micros: u64) -> Option<u64> {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--ignored", "--exact", "--nocapture", "tests::crash::writer_to_be_killed"])
        .env(FOLDER, folder)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let number =
        |line: String| line.split_once("confirmed ").and_then(|(_, number)| number.parse::<u64>().ok());
    let mut last = None;
    for line in lines.by_ref().map_while(Result::ok) {
        last = number(line).or(last);
        if last >= Some(confirmations) {
            break;
        }
    }
    std::thread::sleep(std::time::Duration::from_micros(micros));
    child.kill().unwrap();
    child.wait().unwrap();
    // What it still said before it died.
    lines.map_while(Result::ok).filter_map(number).last().or(last)
}
