//! What could go wrong in the workshop: readings fill the card, take the journal's room, are read by everybody, or a
//! power cut makes all of them unreadable.

use std::io::Write as _;
use std::os::unix::fs::PermissionsExt as _;

use flate2::Compression;
use flate2::write::GzEncoder;

use super::super::kept::KeptReader;
use super::super::writer::Writer;
use super::*;
use idlegate_plan::event::Value;

const BEGIN: i64 = 1_795_615_391_000;

fn now(secs: u64) -> Now {
    Now { moment: Moment(secs * 1_000), wall: WallTime(BEGIN + i64::try_from(secs * 1_000).unwrap()) }
}

fn bounds() -> KeptBounds {
    KeptBounds { disk_free_min: 0, ..KeptBounds::for_age(Span::secs(14 * 86_400)) }
}

/// Readings of these seconds, each its second in watts.
fn pack(secs: std::ops::Range<u64>) -> Vec<u8> {
    let mut writer = Writer::new(GzEncoder::new(Vec::new(), Compression::default()));
    for second in secs {
        #[expect(clippy::cast_precision_loss, reason = "a few thousand")]
        let watts = Value::Number(second as f64);
        writer.write("mill/power", Some("W"), now(second).wall, &watts).unwrap();
    }
    writer.into_inner().finish().unwrap()
}

/// The seconds that can be read, and how many files had faults.
fn read(dir: &Path, from: u64) -> (Vec<i64>, usize) {
    let faults = std::sync::Arc::new(std::sync::atomic::AtomicUsize::new(0));
    let counted = faults.clone();
    let on_fault = move |_: &_| _ = counted.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
    let reader = KeptReader::open(dir, now(from).wall, on_fault).unwrap();
    let seconds = reader.map(|point| (point.at.0 - BEGIN) / 1_000).collect();
    (seconds, faults.load(std::sync::atomic::Ordering::Relaxed))
}

fn names(dir: &Path) -> Vec<String> {
    let mut names: Vec<_> =
        fs::read_dir(dir).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

fn mode(path: &Path) -> u32 {
    fs::metadata(path).unwrap().permissions().mode() & 0o7777
}

#[test]
fn what_is_kept_is_for_its_owner_only_and_is_read_back() {
    let parent = tempfile::tempdir().unwrap();
    let dir = parent.path().join("readings");
    let mut folder = KeptFolder::open(&dir, bounds(), Moment(0)).unwrap();
    for minute in 0..3 {
        folder.append(&pack(minute * 60..(minute + 1) * 60), now((minute + 1) * 60)).unwrap();
    }
    assert_eq!(names(&dir), ["readings-20261125T140411000Z.jsonl.gz"]);
    assert_eq!((mode(&dir), mode(&dir.join(&names(&dir)[0]))), (0o700, 0o600));
    assert_eq!(read(&dir, 0), ((0..180).collect(), 0));
    assert_eq!(read(&dir, 100), ((100..180).collect(), 0));
    let refused = KeptFolder::open(&dir, bounds(), Moment(0)).unwrap_err();
    assert_eq!(refused.to_string(), "another Idlegate keeps its readings there");
    drop(folder);
    KeptFolder::open(&dir, bounds(), Moment(0)).unwrap();
}

#[test]
fn a_torn_pack_costs_itself_and_no_other() {
    for (cut, garbage) in [(1, &b""[..]), (40, b""), (20, b"\0\0\0\0\0\0\0\0\0\0\0\0")] {
        let parent = tempfile::tempdir().unwrap();
        let dir = parent.path().join("readings");
        let mut folder = KeptFolder::open(&dir, bounds(), Moment(0)).unwrap();
        folder.append(&pack(0..60), now(60)).unwrap();
        folder.append(&pack(60..120), now(120)).unwrap();
        drop(folder);
        // As after a power cut.
        let path = dir.join(&names(&dir)[0]);
        let whole = fs::read(&path).unwrap();
        let mut file = File::create(&path).unwrap();
        file.write_all(&whole[..whole.len() - cut]).unwrap();
        file.write_all(garbage).unwrap();
        let mut folder = KeptFolder::open(&dir, bounds(), Moment(0)).unwrap();
        folder.append(&pack(200..260), now(260)).unwrap();
        assert_eq!(names(&dir).len(), 2, "never behind a torn pack");
        let (seconds, _) = read(&dir, 0);
        assert!((0..60).chain(200..260).all(|second| seconds.contains(&second)), "cut {cut}: {seconds:?}");
        assert!(seconds.windows(2).all(|pair| pair[0] < pair[1]), "{seconds:?}");
    }
}

#[test]
fn a_file_that_is_no_recording_is_told_and_the_others_are_read() {
    let parent = tempfile::tempdir().unwrap();
    let dir = parent.path().join("readings");
    let mut folder = KeptFolder::open(&dir, bounds(), Moment(0)).unwrap();
    folder.append(&pack(0..60), now(60)).unwrap();
    for (name, content) in [
        ("readings-20261125T140500000Z.jsonl.gz", &b"\x1f\x8b\xff no gzip at all"[..]),
        ("readings-20261125T140600000Z.jsonl.gz", b""),
        ("readings-mine.jsonl.gz", b"of somebody else"),
        ("notes.txt", b"of somebody else"),
    ] {
        fs::write(dir.join(name), content).unwrap();
    }
    assert_eq!(read(&dir, 0), ((0..60).collect(), 1));
}

#[test]
fn all_files_together_never_take_more_than_they_may() {
    let parent = tempfile::tempdir().unwrap();
    let dir = parent.path().join("readings");
    let most = KeptBounds { bytes_max: 20_000, file_bytes_max: 4_000, ..bounds() };
    let mut folder = KeptFolder::open(&dir, most, Moment(0)).unwrap();
    fs::write(dir.join("notes.txt"), vec![b'x'; 30_000]).unwrap();
    for minute in 0..500 {
        folder.append(&pack(minute * 60..(minute + 1) * 60), now((minute + 1) * 60)).unwrap();
        let kept: u64 = names(&dir)
            .iter()
            .filter(|name| *name != "notes.txt")
            .map(|name| fs::metadata(dir.join(name)).unwrap().len())
            .sum();
        assert!(kept <= 20_000, "{kept} bytes after {minute} minutes");
    }
    let (seconds, _) = read(&dir, 0);
    assert_eq!(seconds.last(), Some(&(500 * 60 - 1)));
    assert!(
        seconds[0] > 0 && seconds.len() > 1_000,
        "the oldest went: {} from {}",
        seconds.len(),
        seconds[0]
    );
    assert!(seconds.windows(2).all(|pair| pair[1] == pair[0] + 1), "no gap within");
    assert!(dir.join("notes.txt").exists(), "what is somebody else's stays");
}

#[test]
fn what_is_too_old_goes_but_a_clock_that_leaps_takes_no_more_than_a_file() {
    let day = 86_400;
    let parent = tempfile::tempdir().unwrap();
    let dir = parent.path().join("readings");
    let week = KeptBounds { age_max: Span::secs(7 * day), ..bounds() };
    let mut folder = KeptFolder::open(&dir, week, Moment(0)).unwrap();
    for hour in 0..24 * 30 {
        folder.append(&pack(hour * 3_600..hour * 3_600 + 2), now(hour * 3_600)).unwrap();
    }
    let days = names(&dir).len();
    assert!((8..=9).contains(&days), "{days} files of a day each");
    for minute in 0..30 {
        let at = now(30 * day + minute * 60);
        let leapt = Now { wall: WallTime(at.wall.0 + 1_000 * day.cast_signed() * 730), ..at };
        folder.append(&pack(0..1), leapt).unwrap();
    }
    assert!(names(&dir).len() >= days - 1, "{:?}", names(&dir));
}

#[test]
fn on_a_full_disk_the_readings_go_first_and_come_back_with_the_room() {
    let parent = tempfile::tempdir().unwrap();
    let dir = parent.path().join("readings");
    let mut folder = KeptFolder::open(&dir, bounds(), Moment(0)).unwrap();
    folder.append(&pack(0..60), now(60)).unwrap();
    // No disk has so much room.
    folder.bounds.disk_free_min = 1 << 60;
    folder.give_way().unwrap();
    assert_eq!(names(&dir), [""; 0]);
    let full = folder.append(&pack(60..120), now(120)).unwrap_err();
    assert_eq!(
        (full.kind(), full.to_string().as_str()),
        (io::ErrorKind::StorageFull, "the disk is nearly full")
    );
    folder.bounds.disk_free_min = 0;
    folder.append(&pack(120..180), now(180)).unwrap();
    assert_eq!(read(&dir, 0), ((120..180).collect(), 0));
    // Whoever needed room may have deleted the very file that is being written.
    fs::remove_file(dir.join(&names(&dir)[0])).unwrap();
    folder.append(&pack(180..240), now(240)).unwrap();
    assert_eq!(read(&dir, 0), ((180..240).collect(), 0));
}
